package bench

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"sparkscope/analysis"
)

// GapPair is one contact gap and the timing measured with it.
type GapPair struct {
	GapMM     float64
	TimingDeg float64 // crank degrees before top dead centre
}

// Gap is what is known of contacts whose gap is to be set for a target.
type Gap struct {
	Pairs []GapPair // two or more, of this engine, of gaps that differ

	TargetDeg *Quantity // crank degrees before top dead centre; taken as exact

	GapToleranceMM     *float64 // ± of a gap as set by a feeler, each time anew; nil: 0.02
	TimingToleranceDeg *float64 // ± of a timing as read, each time anew; nil: 0.5
	ZeroToleranceDeg   *float64 // ± that all timings share: top dead centre, the reference angle; nil: 0.5

	LeastMM, MostMM *Quantity // the gaps that are allowed; nil: not known
	PlateMM         *Quantity // diameter of the plate where its turning is read; nil: not known
	CamTurns        *Quantity // turns of the shaft with the cam per turn of the crank: 1 or 0.5; nil: not known

	Rotation       string // of the engine, "clockwise" or "anticlockwise" seen from the flywheel side; empty: not known
	RotationOrigin string // where that came from; empty: given
}

// Defaults of Gap: common practice, no source.
const (
	feelerTolMM   = 0.02
	timingTolDeg  = 0.5
	zeroTolDeg    = 0.5
	suspectShare  = 0.99 // of the chi-square distribution: beyond it the pairs scatter more than stated; one true set in a hundred is suspected
	mostGapMM     = 5.0
	leastGapApart = 0.001 // mm between gaps that can be told apart at all
)

// line is the straight line timing = mean + slope·(gap - middle) through the
// pairs, by least squares.
type line struct {
	n            int
	middle, mean float64 // mm, degrees
	slope        float64 // degrees per mm
	sxx          float64 // mm²
	scatter      float64 // residual standard deviation with n-2, degrees; 0 for two pairs
}

func fitPairs(p []GapPair) line {
	f := line{n: len(p)}
	n := float64(f.n)
	for _, v := range p {
		f.middle += v.GapMM / n
		f.mean += v.TimingDeg / n
	}
	sxy := 0.0
	for _, v := range p {
		d := v.GapMM - f.middle
		f.sxx += d * d
		sxy += d * (v.TimingDeg - f.mean)
	}
	f.slope = sxy / f.sxx
	if f.n > 2 {
		ss := 0.0
		for _, v := range p {
			r := v.TimingDeg - f.at(v.GapMM)
			ss += r * r
		}
		f.scatter = math.Sqrt(ss / (n - 2))
	}
	return f
}

func (f line) at(gap float64) float64 { return f.mean + f.slope*(gap-f.middle) }

// variance is that of the line at a gap, in units of the pairs' own.
func (f line) variance(gap float64) float64 {
	d := gap - f.middle
	return 1/float64(f.n) + d*d/f.sxx
}

// fieller is the interval of the gap at which the line has the value y: all gaps
// x whose |line(x) - y| is at most k·√(s²·variance(x) + zero²), with s the
// standard deviation of one pair about the line and zero that of what they all
// share (E. C. Fieller, Some problems in interval estimation, Journal of the
// Royal Statistical Society B 16, 1954, 175-185, for zero 0). g is what decides
// whether there is one: below 1 the slope differs from none, at 1 and beyond
// the interval has no end.
//
// With d = x - middle: (slope² - k²s²/Sxx)·d² - 2·slope·(y - mean)·d
// + (y - mean)² - k²·(s²/n + zero²) <= 0.
func (f line) fieller(y, s, zero, k float64) (lo, hi, g float64) {
	e := y - f.mean
	g = k * k * s * s / (f.slope * f.slope * f.sxx)
	if !(g < 1) {
		return 0, 0, g
	}
	a := f.slope * f.slope * (1 - g)
	b := f.slope * e
	c := e*e - k*k*(s*s/float64(f.n)+zero*zero)
	root := math.Sqrt(math.Max(0, b*b-a*c))
	return f.middle + (b-root)/a, f.middle + (b+root)/a, g
}

// Solve finds the gap.
func (p Gap) Solve() (*Result, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	tol := func(v *float64, fallback float64) (float64, string) {
		q := Quantity{Tolerance: v}
		return q.tolerance(fallback)
	}
	feeler, feelerHow := tol(p.GapToleranceMM, feelerTolMM)
	reading, readingHow := tol(p.TimingToleranceDeg, timingTolDeg)
	zero, zeroHow := tol(p.ZeroToleranceDeg, zeroTolDeg)
	target := p.TargetDeg.Value

	r := &Result{Calculator: "gap", Cautions: []string{unplugged, contactsCaution, smallSteps, manual}}
	for i, v := range p.Pairs {
		r.inputs(fmt.Sprintf("pair_%d", i+1), fmt.Sprintf("pair %d", i+1), fmt.Sprintf("gap %s mm, timing %s°", trim(v.GapMM), trim(v.TimingDeg)), "given", v.GapMM, v.TimingDeg)
	}
	r.inputs("gap_tolerance_mm", "a gap as set", "±"+trim(feeler)+" mm, each time anew", feelerHow, feeler)
	r.inputs("timing_tolerance_deg", "a timing as read", "±"+trim(reading)+"°, each time anew", readingHow, reading)
	r.inputs("zero_tolerance_deg", "what all timings share (top dead centre, reference angle)", "±"+trim(zero)+"°", zeroHow, zero)
	r.inputs("target_deg", "target", trim(target)+"° before top dead centre", origin(p.TargetDeg), target)

	f := fitPairs(p.Pairs)
	r.step("middle of the gaps, mean of the timings", "", "x̄ = %s mm, ȳ = %s°", fixed(f.middle, 4), fixed(f.mean, 3))
	r.step("Sxx = sum of (gap - x̄)²", "", "%s mm²", fixed(f.sxx, 6))
	if f.slope == 0 {
		return nil, p.flat(f, 0)
	}
	r.step("slope B = sum of (gap - x̄)·(timing - ȳ)/Sxx (least squares)", "", "%s° per mm, %s° per 0.01 mm", fixed(f.slope, 2), fixed(f.slope/100, 3))
	gap := f.middle + (target-f.mean)/f.slope
	r.step("gap = x̄ + (target - ȳ)/B", fmt.Sprintf("%s + (%s - %s)/%s", fixed(f.middle, 4), trim(target), fixed(f.mean, 3), fixed(f.slope, 2)), "%s mm", fixed(gap, 4))

	// How far one pair may lie off the line: the timing as read, and the gap as
	// set, which is set to a figure and so errs about it (Berkson, Are there two
	// regressions?, Journal of the American Statistical Association 45, 1950):
	// least squares then needs no correction.
	s := math.Sqrt((reading*reading + f.slope*f.slope*feeler*feeler) / 3)
	r.step("a pair lies off the line by u = √((± timing)² + (B·± gap)²)/√3", fmt.Sprintf("√(%s² + (%s·%s)²)/√3", trim(reading), fixed(f.slope, 2), trim(feeler)), "%s°", fixed(s, 3))
	dof := 0.0
	if f.n > 2 {
		nu := float64(f.n - 2)
		most := distuv.ChiSquared{K: nu}.Quantile(suspectShare)
		chi := math.Inf(1)
		if s > 0 {
			chi = nu * f.scatter * f.scatter / (s * s)
		}
		words := fmt.Sprintf("%s°: no more than u explains, which stands", fixed(f.scatter, 3))
		if nu*f.scatter*f.scatter > most*s*s {
			words = fmt.Sprintf("%s°: more than u explains, and used in its place", fixed(f.scatter, 3))
			s, dof = f.scatter, nu
			r.note("scatter", true, "The pairs scatter about the line by %s°, more than their stated ± explain. The scatter itself was used. Mostly one pair was misread, or the lock screw moved the gap after it was measured, or the line is bent because the gaps go too far: look at the pairs, and measure again.", fixed(f.scatter, 2))
		}
		r.step(fmt.Sprintf("scatter of the pairs about the line (n - 2 = %d), against u by chi-square: %s, at most %s in 99 of 100", f.n-2, chiWords(chi), fixed(most, 2)), "", "%s", words)
	} else {
		r.note("two-pairs", false, "Two pairs lie on a line whatever they are: a misreading does not show. A third, with another gap, would show it.")
	}

	// The factor from the parts at the answer, each pair's with its weight.
	p.budget(r, f, gap, s, dof, feeler, reading, zero, feelerHow, readingHow, zeroHow)
	k := r.Total.Factor
	shared := zero / math.Sqrt(3)
	lo, hi, g := f.fieller(target, s, shared, k)
	if !(g < 1) {
		if dof > 0 {
			return nil, refuse("scatter", "The %d pairs scatter about their line by %s°, more than their stated ± explain, and that many cannot show how the timing hangs on the gap.", "Mostly one was misread, or the lock screw moved the gap after it was measured. Measure the pairs again, and more of them.", f.n, fixed(f.scatter, 2))
		}
		return nil, p.flat(f, k*s/math.Sqrt(f.sxx))
	}
	r.step("interval of the gap by Fieller's theorem: all gaps x with |ȳ + B·(x - x̄) - target| <= k·√(u²·(1/n + (x - x̄)²/Sxx) + zero²/3)",
		fmt.Sprintf("k = %s, u = %s°, n = %d, zero = ±%s°; g = k²u²/(B²Sxx) = %s, below 1", fixed(k, 2), fixed(s, 3), f.n, trim(zero), fixed(g, 4)), "%s to %s mm", fixed(lo, 4), fixed(hi, 4))

	ans := r.spanned("gap_mm", "gap for the target", "mm", gap, lo, hi)
	r.answer("slope_deg_per_mm", "timing over gap", "° per mm", f.slope, k*s/math.Sqrt(f.sxx)).Text = fmt.Sprintf("%s° per mm, %s° per 0.01 mm", with(f.slope, k*s/math.Sqrt(f.sxx), ""), fixed(f.slope/100, 2))
	r.answer("feeler_deg", "the feeler's own ± is in timing", "°", math.Abs(f.slope)*feeler, 0).Text = "±" + fixed(math.Abs(f.slope)*feeler, 2) + "°"
	r.Headline = fmt.Sprintf("For %s° set the contact gap to %s (± at 95 %% coverage).", trim(target), ans.Text)
	p.remarks(r, f, gap)
	p.bounds(r, f, gap, s, shared, k)
	if f.slope < 0 {
		r.Headline = "Check the pairs first: by them a wider gap fires later, the other way round from contacts that a cam lifts. Taken as they are: " + strings.ToLower(r.Headline[:1]) + r.Headline[1:]
	}
	r.note("lock-screw", false, "Tightening the lock screw moves the contacts. Tighten it, then measure gap and timing again, and count only that.")
	return r, nil
}

// check refuses what cannot be.
func (p Gap) check() error {
	least, most := math.Inf(1), math.Inf(-1)
	for i, v := range p.Pairs {
		if !(v.GapMM > 0 && v.GapMM <= mostGapMM) {
			return refuse("pair", "Pair %d has a gap of %g mm.", "Want millimetres above 0, at most %g.", i+1, v.GapMM, mostGapMM)
		}
		if !(v.TimingDeg > -180 && v.TimingDeg <= 180) {
			return refuse("pair", "Pair %d has a timing of %g°.", "Want crank degrees before top dead centre, above -180, up to 180.", i+1, v.TimingDeg)
		}
		least, most = math.Min(least, v.GapMM), math.Max(most, v.GapMM)
	}
	switch {
	case p.TargetDeg == nil:
		return refuse("missing", "The target is not known.", "Want it in crank degrees before top dead centre.")
	case len(p.Pairs) < 2:
		return refuse("pair", "%s", "Want two at least, measured on this engine: set a gap, measure the timing, set another, measure again.", []string{"There is no pair of gap and timing.", "There is one pair of gap and timing only."}[len(p.Pairs)])
	case most-least < leastGapApart:
		return refuse("pair", "All pairs have the same gap, %g mm.", "Set another gap, 0.1 mm away or so, and measure the timing again.", least)
	}
	for _, x := range []struct {
		name string
		q    *Quantity
	}{{"target", p.TargetDeg}, {"least gap", p.LeastMM}, {"greatest gap", p.MostMM}, {"plate's diameter", p.PlateMM}, {"cam's turns", p.CamTurns}} {
		if err := x.q.check(x.name); err != nil {
			return err
		}
	}
	for _, v := range []*float64{p.GapToleranceMM, p.TimingToleranceDeg, p.ZeroToleranceDeg} {
		if v != nil && !(*v >= 0 && finite(*v)) {
			return refuse("tolerance", "A ± is %g.", "Want 0 or more.", *v)
		}
	}
	switch t := p.TargetDeg.Value; {
	case !(t > -180 && t <= 180):
		return refuse("target", "The target is %g°.", "Want crank degrees before top dead centre, above -180, up to 180.", t)
	case p.LeastMM != nil && p.MostMM != nil && !(p.LeastMM.Value < p.MostMM.Value):
		return refuse("range", "The gap may be from %g to %g mm.", "Want the least first, then the greatest.", p.LeastMM.Value, p.MostMM.Value)
	case p.CamTurns != nil && p.CamTurns.Value != 1 && p.CamTurns.Value != 0.5:
		return refuse("cam", "The shaft with the cam turns %g times per turn of the crank.", "Want 1 (on the crank) or 0.5 (a half-speed shaft).", p.CamTurns.Value)
	case p.PlateMM != nil && !(p.PlateMM.Value >= 5 && p.PlateMM.Value <= 1000):
		return refuse("plate", "The plate's diameter is %g mm.", "Want millimetres from 5 to 1000.", p.PlateMM.Value)
	}
	return nil
}

// flat refuses pairs whose slope cannot be told from none.
func (p Gap) flat(f line, expanded float64) error {
	if f.slope == 0 {
		return refuse("flat", "By these pairs the timing does not change with the gap.", "Measure with gaps that lie further apart, within what the contacts allow, and look whether the timing was read anew each time.")
	}
	return refuse("flat", "These pairs do not show how the timing hangs on the gap: %s° per mm, ±%s.", "Measure with gaps that lie further apart, within what the contacts allow, and each more than once.", fixed(f.slope, 1), fixed(expanded, 1))
}

// budget adds the parts of the timing that the line says at the answer.
func (p Gap) budget(r *Result, f line, gap, s, dof, feeler, reading, zero float64, feelerHow, readingHow, zeroHow string) {
	spread := math.Sqrt(f.variance(gap))
	shared := Component{Source: "what all timings share", Kind: "B", Distribution: analysis.Rectangular, HalfWidth: zero, InputStd: zero / math.Sqrt(3), InputUnit: "°", Sensitivity: 1, Std: zero / math.Sqrt(3), Estimate: fmt.Sprintf("±%s°, rectangular, %s", trim(zero), zeroHow)}
	if dof > 0 {
		r.scatter("scatter of the pairs", s, dof, "°", spread, "s = %s° about the line, √(1/n + (gap - x̄)²/Sxx)", fixed(s, 3))
		r.part(shared)
		r.conclude("the timing at that gap", "°")
		return
	}
	r.part(Component{Source: "timings as read", Kind: "B", Distribution: analysis.Rectangular, HalfWidth: reading, InputStd: reading / math.Sqrt(3), InputUnit: "°", Sensitivity: spread, Estimate: fmt.Sprintf("±%s° each, rectangular, %s; √(1/n + (gap - x̄)²/Sxx)", trim(reading), readingHow)})
	r.part(Component{Source: "gaps as set", Kind: "B", Distribution: analysis.Rectangular, HalfWidth: feeler, InputStd: feeler / math.Sqrt(3), InputUnit: "mm", Sensitivity: spread * math.Abs(f.slope), Estimate: fmt.Sprintf("±%s mm each, rectangular, %s; B times the same", trim(feeler), feelerHow)})
	r.part(shared)
	// The lines above are sums over the pairs; the distribution is that of all
	// of them one by one.
	parts := []Component{shared}
	for _, v := range p.Pairs {
		w := math.Abs(1/float64(f.n) + (gap-f.middle)*(v.GapMM-f.middle)/f.sxx)
		parts = append(parts, Component{Distribution: analysis.Rectangular, Std: w * reading / math.Sqrt(3)}, Component{Distribution: analysis.Rectangular, Std: w * math.Abs(f.slope) * feeler / math.Sqrt(3)})
	}
	r.BudgetOf, r.Total = "the timing at that gap", total(parts, "°")
}

// remarks says what is odd about the pairs.
func (p Gap) remarks(r *Result, f line, gap float64) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, v := range p.Pairs {
		least, most = math.Min(least, v.GapMM), math.Max(most, v.GapMM)
	}
	if gap < least || gap > most {
		r.note("carried-on", true, "The gaps that were measured go from %s to %s mm: beyond them the line is carried on, and the contacts may not follow it. Set the gap, measure there, and work it out again with that pair.", trim(least), trim(most))
	}
	if f.slope < 0 {
		r.note("falling", true, "By these pairs a wider gap fires later. Contacts that a cam lifts open the sooner the wider they are set, so that mostly the pairs are exchanged, or degrees after top dead centre were given as before it.")
	}
}

// bounds says what to do where the gap is not allowed, and how far to turn the
// plate.
func (p Gap) bounds(r *Result, f line, gap, s, shared, k float64) {
	switch {
	case p.LeastMM == nil && p.MostMM == nil:
		if gap <= 0 {
			r.Headline = fmt.Sprintf("No gap gives %s°: by these pairs it would have to be below nothing. Set the gap that the maker states, and turn the plate.", trim(p.TargetDeg.Value))
		}
		r.note("no-range", gap <= 0, "Which gaps are allowed was not said: the maker's figure decides (usual is 0.3 to 0.5 mm, common practice, no source). Too narrow a gap burns the contacts, too wide a one leaves the coil too little time.")
		return
	case p.LeastMM != nil && p.MostMM != nil:
		r.inputs("gap_range_mm", "gaps that are allowed", trim(p.LeastMM.Value)+" to "+trim(p.MostMM.Value)+" mm", origin(p.LeastMM), p.LeastMM.Value, p.MostMM.Value)
	case p.LeastMM != nil:
		r.inputs("gap_range_mm", "gaps that are allowed", trim(p.LeastMM.Value)+" mm and more", origin(p.LeastMM), p.LeastMM.Value)
	default:
		r.inputs("gap_range_mm", "gaps that are allowed", trim(p.MostMM.Value)+" mm and less", origin(p.MostMM), p.MostMM.Value)
	}
	var set float64
	switch {
	case p.LeastMM != nil && gap < p.LeastMM.Value:
		set = p.LeastMM.Value
	case p.MostMM != nil && gap > p.MostMM.Value:
		set = p.MostMM.Value
	default:
		return
	}
	got := f.at(set)
	move := p.TargetDeg.Value - got
	// k belongs to the target's gap; here the parts weigh nearly the same.
	u := k * math.Sqrt(s*s*f.variance(set)+shared*shared)
	r.step("outside the range: timing at the nearest gap allowed = ȳ + B·(gap - x̄)", fmt.Sprintf("%s + %s·(%s - %s)", fixed(f.mean, 3), fixed(f.slope, 2), trim(set), fixed(f.middle, 4)), "%s°", fixed(got, 3))
	r.step("left for the plate = target - that", fmt.Sprintf("%s° - %s°", trim(p.TargetDeg.Value), fixed(got, 3)), "%s° of the crank", signed(move, 3))
	r.answer("gap_to_set_mm", "gap to set instead, the nearest that is allowed", "mm", set, 0)
	turn := r.answer("plate_crank_deg", "left for the plate, in degrees of the crank, earlier counted positive", "°", move, u)
	turn.Text = fmt.Sprintf("%s° ±%s°", signed(move, places(u)), fixed(u, places(u)))
	far := fmt.Sprintf("%s° ±%s° of the crank", fixed(math.Abs(move), places(u)), fixed(u, places(u)))

	way, sooner := "against the direction in which the cam turns", "earlier"
	if move < 0 {
		way, sooner = "in the direction in which the cam turns", "later"
	}
	if p.CamTurns != nil {
		r.inputs("cam_turns", "the cam turns, per turn of the crank", trim(p.CamTurns.Value), origin(p.CamTurns), p.CamTurns.Value)
	}
	switch {
	case p.CamTurns != nil && p.CamTurns.Value == 1 && p.Rotation != "":
		r.inputs("rotation", "the engine turns", rotationWords(p.Rotation), rotationFrom(p.Rotation, p.RotationOrigin))
		turnTo := p.Rotation
		if move > 0 {
			turnTo = opposite(p.Rotation)
		}
		way += ", that is " + turnTo + ", seen from the flywheel side"
	default:
		way += " (turn the engine forwards and look which way that is)"
	}
	if p.CamTurns == nil {
		r.note("cam", true, "Whether the cam sits on the crank or on a half-speed shaft was not said. On the crank the plate turns by as many degrees; on a half-speed shaft by half of them.")
	} else {
		turns := p.CamTurns.Value
		plate := move * turns
		if turns != 1 {
			r.step("a half-speed shaft: the plate turns by half", fmt.Sprintf("%s°·0.5", signed(move, 3)), "%s° of the plate", signed(plate, 3))
		}
		r.answer("plate_deg", "turn the plate by", "°", plate, u*turns).Text = fmt.Sprintf("%s° ±%s°", signed(plate, places(u*turns)), fixed(u*turns, places(u*turns)))
		far += fmt.Sprintf(" (%s° of the plate", fixed(math.Abs(plate), places(u*turns)))
		if p.PlateMM != nil {
			r.input("plate_mm", "diameter of the plate", "mm", p.PlateMM.bare(), 0)
			mm := math.Pi * p.PlateMM.Value / 360
			r.step("at the plate's rim = π·D·angle/360°", fmt.Sprintf("π·%s mm·%s°/360°", trim(p.PlateMM.Value), signed(plate, 3)), "%s mm", signed(plate*mm, 3))
			e := u * turns * mm
			r.answer("plate_mm", "at the plate's rim", "mm", plate*mm, e).Text = fmt.Sprintf("%s mm ±%s mm", signed(plate*mm, places(e)), fixed(e, places(e)))
			far += fmt.Sprintf(", %s mm at its rim", fixed(math.Abs(plate*mm), places(e)))
		} else {
			r.note("plate", false, "With the plate's diameter the turn is also given in millimetres at its rim.")
		}
		far += ")"
	}
	r.note("another-gap", false, "Any other gap that is allowed does as well: 0.01 mm more or less is %s° of the crank more or less for the plate. Leave room for wear: as the contact's heel wears, the gap closes.", fixed(math.Abs(f.slope)/100, 2))
	r.Headline = fmt.Sprintf("For %s° the gap would have to be %s, outside what is allowed. Set it to %s mm instead, and turn the plate by %s, %s, to fire %s.", trim(p.TargetDeg.Value), r.Find("gap_mm").Text, trim(set), far, way, sooner)
}

func opposite(rotation string) string {
	if rotation == "clockwise" {
		return "anticlockwise"
	}
	return "clockwise"
}

func chiWords(v float64) string {
	if math.IsInf(v, 1) {
		return "beyond all bounds"
	}
	return fixed(v, 2)
}

// ParsePairs reads pairs of gap and timing, written 0.35:17.5/0.45:21, or with
// spaces between the pairs. The error is a sentence: what is wrong, and what
// would be right.
func ParsePairs(s string) ([]GapPair, error) {
	var out []GapPair
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == '/' || r == ' ' }) {
		gap, timing, ok := strings.Cut(word, ":")
		if !ok {
			return nil, fmt.Errorf("%q: want a gap in mm and its timing in degrees with a colon between them, such as 0.35:17.5", word)
		}
		if strings.Contains(word, ",") {
			return nil, fmt.Errorf("%q: want numbers with a point, not a comma; several pairs go with / between them", word)
		}
		var v [2]float64
		for i, x := range []string{gap, timing} {
			n, err := strconv.ParseFloat(x, 64)
			if err != nil || !finite(n) {
				return nil, fmt.Errorf("%q: want a gap in mm and its timing in degrees, both without a unit, such as 0.35:17.5", word)
			}
			v[i] = n
		}
		out = append(out, GapPair{v[0], v[1]})
	}
	if len(out) == 0 {
		return nil, errors.New("want pairs of gap and timing, such as 0.35:17.5/0.45:21")
	}
	return out, nil
}
