package bench

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/analysis/wheel"
)

// DeadCentre is what was read off a degree wheel with the crank against a piston
// stop. All figures are places on the wheel as wheel.Graduation.Parse gives
// them, degrees.
type DeadCentre struct {
	Graduated wheel.Graduation // empty: 0 to 360

	// Readings are those of both sides in any order, told apart by where they
	// lie; or, instead, Forwards and Backwards are those of turning in the
	// running direction and against it.
	Readings            []float64
	Forwards, Backwards []float64

	// CountsAfter says, of a wheel from 0 to 360, whether its figures rise when
	// turned forwards ("after") or fall; nil: not said.
	CountsAfter *bool

	DivisionDeg     float64  // between two lines, or to what it was read; > 0, to 30
	EyeToleranceDeg *float64 // ± of pointer and eye, each reading anew; nil: 0.25

	// StrokeMM and RodMM, both or none, and OffsetMM too where there is one: see
	// Slider. Their ± does not matter here.
	StrokeMM, RodMM, OffsetMM *Quantity
	StopMM                    *float64 // ± of where the stop holds the piston, each time anew; nil: 0.02

	WheelMM     *float64 // diameter at which the wheel is read; nil: not known
	OffCentreMM *float64 // ± of the wheel's centre from the crank's; nil: 0.2, where WheelMM is known
}

// Defaults of DeadCentre: common practice, no source.
const (
	eyeDefaultDeg      = 0.25
	stopDefaultMM      = 0.02
	offCentreDefaultMM = 0.2
)

// leastHalfDeg is the least that a stop can hold the crank away from top dead
// centre, degrees: a piston of 50 mm stroke is 0.02 mm down there, the play of
// the stop itself.
const leastHalfDeg = 2

// Where no stroke and rod are known, the travel per degree is judged by the
// usual ones (rod 1.5 to 2.3 strokes, common practice, no source): at 15° it is
// 0.31 to 0.32 of the most, and the most is at 73° to 78° (TestUsualRods).
const (
	nearDeg = 15
	farDeg  = 75
)

// side is what was read on one side of the stop.
type side struct {
	name string
	wheel.Mean
	places []float64
}

// Solve finds top dead centre.
func (d DeadCentre) Solve() (*Result, error) {
	if d.Graduated == "" {
		d.Graduated = wheel.Full
	}
	g := d.Graduated
	eye, eyeHow := eyeDefaultDeg, assumed
	if d.EyeToleranceDeg != nil {
		eye, eyeHow = *d.EyeToleranceDeg, "given"
	}
	stop, stopHow := stopDefaultMM, assumed
	if d.StopMM != nil {
		stop, stopHow = *d.StopMM, "given"
	}
	switch {
	case !(d.DivisionDeg > 0 && d.DivisionDeg <= 30):
		return nil, refuse("division", "The wheel's division is %g°.", "Want degrees above 0, at most 30.", d.DivisionDeg)
	case !(eye >= 0 && eye <= 30 && stop >= 0 && stop <= 10):
		return nil, refuse("tolerance", "Eye ±%g°, stop ±%g mm.", "Want degrees from 0 to 30, millimetres from 0 to 10.", eye, stop)
	case (d.StrokeMM == nil) != (d.RodMM == nil) || d.OffsetMM != nil && d.StrokeMM == nil:
		return nil, refuse("missing", "Stroke and rod are not both known.", "Want both, in millimetres, or neither, and an offset only with them.")
	case d.WheelMM != nil && !(*d.WheelMM >= 20 && *d.WheelMM <= 2000):
		return nil, refuse("wheel", "The wheel is read at a diameter of %g mm.", "Want millimetres from 20 to 2000.", *d.WheelMM)
	}
	var crank *Slider
	if d.StrokeMM != nil {
		crank = &Slider{StrokeMM: d.StrokeMM.Value, RodMM: d.RodMM.Value}
		if d.OffsetMM != nil {
			crank.OffsetMM = d.OffsetMM.Value
		}
		if !crank.Possible() {
			return nil, impossible(*crank)
		}
	}
	one, two, err := d.sides()
	if err != nil {
		return nil, err
	}

	r := &Result{Calculator: "tdc", Cautions: []string{unplugged, byHand, manual}}
	figure := func(places []float64) string {
		s := make([]string, len(places))
		for i, v := range places {
			s[i] = g.Figure(v)
		}
		return strings.Join(s, ", ") + degree(g)
	}
	r.inputs("one_side_deg", one.name, figure(one.places), "given", one.places...)
	r.inputs("other_side_deg", two.name, figure(two.places), "given", two.places...)
	r.inputs("division_deg", "the wheel", fmt.Sprintf("graduated %s, in divisions of %s°%s", g, trim(d.DivisionDeg), d.counted(g)), "given", d.DivisionDeg)

	// The middle, and where the directions are known which of the two it is.
	ordered, sensed, sense := d.direction(g)
	r.step("one side = mean of "+count(one.N, "reading"), "", "%s°", fixed(one.Deg, 2))
	r.step("other side = mean of "+count(two.N, "reading"), "", "%s°", fixed(two.Deg, 2))
	if g.Lettered() {
		r.note("once-around", false, "The working counts once around, before the first 0, so that 10a is 350°.")
	}
	var top, start, half float64 // start: where the arc over the top begins, in rising figures
	if ordered {
		// sense is +1 where figures fall when turned forwards: from the stop met
		// forwards, top dead centre lies half the arc further on.
		arc := math.Mod(sense*(one.Deg-two.Deg)+720, 360)
		half = arc / 2
		if half > 90 {
			return nil, refuse("stop", "By these readings the piston stop would hold the crank %.0f° before and after top dead centre.", "Mostly the two sides are exchanged, or the wheel counts the other way round: forwards, the stop is met before top dead centre. If the stop does stand that far in, screw it out, or use a longer one: near the middle of the stroke, or below, halving is poor.", half)
		}
		from, to := two.Deg, one.Deg
		if sense < 0 {
			from, to = one.Deg, two.Deg
		}
		start = from
		numbers := fmt.Sprintf("%s° - %s°", fixed(to, 2), fixed(from, 2))
		if to < from {
			numbers += " + 360°"
		}
		r.step("arc over the top = from the stop met forwards on to that met backwards, as the engine turns", numbers, "%s°", fixed(arc, 2))
	} else {
		arc := circle.Wrap(two.Deg - one.Deg)
		half = math.Abs(arc) / 2
		start = one.Deg
		if arc < 0 {
			start = two.Deg
		}
		lo, hi := min(one.Deg, two.Deg), max(one.Deg, two.Deg)
		numbers := fmt.Sprintf("%s° - %s°", fixed(hi, 2), fixed(lo, 2))
		if hi-lo > 180 {
			numbers = "360° - (" + numbers + ")"
		}
		r.step("arc over the top = the shorter way between the sides", numbers, "%s°", fixed(2*half, 2))
	}
	top = mod360(start + half)
	if half < leastHalfDeg {
		return nil, refuse("stop", "The two sides are only %.1f° apart.", "No stop holds a piston %.1f° from its highest: read it from both sides, turning the crank one way to the stop, and then the other way round to it again.", 2*half, half)
	}
	r.step("half of it: the stop holds the crank so far from top dead centre, either side", fmt.Sprintf("%s°/2", fixed(2*half, 2)), "%s°", fixed(half, 2))

	// The budget: every reading counts half.
	d.reading(r, g, one)
	d.reading(r, g, two)
	for _, s := range []side{one, two} {
		r.rectangle("pointer and eye, "+s.name, eye, "°", 0.5, "±%g°, rectangular, %s", eye, eyeHow)
	}
	readOnly := 0.0
	for _, c := range r.Budget {
		readOnly += c.Std * c.Std
	}
	readOnly = math.Sqrt(readOnly)

	shift := d.crank(r, crank, sensed, sense, half, stop, stopHow)
	if d.WheelMM != nil {
		d.offCentre(r, half)
	}
	middle := top
	top = mod360(top + shift)
	r.conclude("the wheel's reading at top dead centre", "°")
	u := r.Total.Expanded

	around := ""
	if start+half >= 360 {
		around = " - 360°"
	}
	r.step("middle of that arc", fmt.Sprintf("%s° + %s°%s", fixed(start, 2), fixed(half, 2), around), "%s°", fixed(middle, 2))
	if shift != 0 {
		r.step("top dead centre = the middle and the offset's part", fmt.Sprintf("%s° %s %s°", fixed(middle, 2), sign(shift), fixed(math.Abs(shift), 3)), "%s°", fixed(top, 2))
	}
	bottom := mod360(top + 180)
	if crank != nil && crank.OffsetMM != 0 && sensed {
		more := crank.bottomAfter() - 180
		bottom = mod360(top - sense*(180+more))
		r.step("bottom dead centre = half a turn and asin(e/(l - r)) - asin(e/(l + r)) after the top, as the engine turns", fmt.Sprintf("180° %s %s° after %s°", sign(more), fixed(math.Abs(more), 3), fixed(top, 2)), "%s°", fixed(bottom, 2))
	} else {
		r.step("bottom dead centre = half a turn away", fmt.Sprintf("%s° + 180°", fixed(top, 2)), "%s°", fixed(bottom, 2))
	}

	p := places(u)
	a := r.answer("tdc_deg", "the wheel reads at top dead centre", "°", top, u)
	show := func(place float64) string { return g.Format(place, p) + degree(g) }
	a.Text = fmt.Sprintf("%s ±%s°", show(top), fixed(u, p))
	a = r.answer("bdc_deg", "the wheel reads at bottom dead centre", "°", bottom, u)
	a.Text = fmt.Sprintf("%s ±%s°", show(bottom), fixed(u, p))
	a = r.answer("stop_deg", "the stop holds the crank, before and after top dead centre", "°", half, u)
	a.Text = with(half, u, "°")

	r.Headline = fmt.Sprintf("Top dead centre is where the wheel reads %s (±%s° at 95 %% coverage); at %s the piston is at the bottom.", show(top), fixed(u, p), show(bottom))
	if !ordered && 2*half+2*u >= 180 {
		r.Headline = fmt.Sprintf("The wheel reads %s at one dead centre and %s at the other (±%s° at 95 %% coverage); these readings cannot tell which is the top.", show(top), show(bottom), fixed(u, p))
		r.note("top-or-bottom", true, "The two sides lie half a turn apart, as far as can be read, so that neither arc is the shorter. Take the stop out and look or feel: at top dead centre the piston stands highest. Better: screw the stop in or out and read again.")
	} else if !ordered {
		more := ""
		if len(d.Forwards) > 0 {
			more = " Or say which way the wheel counts: then it is certain."
		}
		r.note("two-candidates", false, "Two places lie half-way between the sides, half a turn apart: one is the top, the other the bottom. The top was taken to be in the middle of the shorter arc, since a stop in the plug hole holds the piston in the upper half of its stroke. To make sure, take the stop out and look or feel: at %s the piston stands highest.%s", show(top), more)
	} else {
		r.note("two-candidates", false, "Two places lie half-way between the sides, half a turn apart. The top is the one that the stop keeps the crank from: forwards it is met before the top, backwards after it.")
	}
	judge(r, crank, half, readOnly, stop, d.StopMM != nil)
	for _, s := range []side{one, two} {
		d.disagree(r, g, s, eye)
	}
	r.note("set-the-wheel", false, "To make the wheel read 0 at top dead centre, hold the crank gently against the stop and turn the wheel, or bend the pointer, until it shows %s° from 0. Then read the stop on both sides again: both must show the same.", fixed(half, p))
	if one.N == 1 || two.N == 1 {
		r.note("one-reading", false, "A side that was read once is taken with a ± of a whole division, since a misreading does not show. Three readings or more of each side make it smaller, and yours.")
	}
	return r, nil
}

// disagree says where readings of one side differ by more than division and eye
// leave: each may be half a division and the ± of pointer and eye off, either way.
func (d DeadCentre) disagree(r *Result, g wheel.Graduation, s side, eye float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	var low, high float64
	for _, v := range s.places {
		switch off := circle.Wrap(v - s.Deg); {
		case off < lo && off > hi:
			lo, hi, low, high = off, off, v, v
		case off < lo:
			lo, low = off, v
		case off > hi:
			hi, high = off, v
		}
	}
	const rounding = 1e-9 // of a figure as typed
	if most := d.DivisionDeg + 2*eye; hi-lo > most+rounding {
		r.note("readings-disagree", true, "The readings of the %s, from %s to %s%s, lie %.1f° apart. Division and eye leave %s° between two of them: they cannot all be right. Was one misread, or read on the other side, or did wheel or pointer slip? Read that side again.", s.name, g.Figure(low), g.Figure(high), degree(g), hi-lo, trim(most))
	}
}

// reading adds what one side's readings are worth to the middle.
func (d DeadCentre) reading(r *Result, g wheel.Graduation, s side) {
	half := d.DivisionDeg / 2
	if s.N == 1 {
		r.rectangle("repeatability, "+s.name, d.DivisionDeg, "°", 0.5, "read once: ±1 division, rectangular, %s", assumed)
	} else {
		r.scatter("repeatability, "+s.name, s.SD/math.Sqrt(float64(s.N)), float64(s.N-1), "°", 0.5, "s/√%d, s = %.3f°", s.N, s.SD)
	}
	// Where readings scatter by half a division or more, rounding is a part of
	// their scatter and averages with them: see calibrate.Wheel.
	if s.N > 1 && s.SD >= half {
		return
	}
	r.rectangle("resolution of the wheel, "+s.name, half, "°", 0.5, "±%g°, rectangular, half a division", half)
}

// crank adds what stroke, rod and offset say: the play of the stop, and how far
// the middle lies from top dead centre. It returns the latter, on the wheel.
func (d DeadCentre) crank(r *Result, crank *Slider, sensed bool, sense, half, stop float64, stopHow string) (shift float64) {
	if crank == nil {
		return 0
	}
	c := *crank
	r.input("stroke_mm", "stroke", "mm", d.StrokeMM.bare(), 0)
	r.input("rod_mm", "rod, centre to centre", "mm", d.RodMM.bare(), 0)
	if c.OffsetMM != 0 {
		r.input("offset_mm", "offset of the pin", "mm", d.OffsetMM.bare(), 0)
	}
	r.inputs("stop_tolerance_mm", "the stop holds the piston to", "±"+trim(stop)+" mm", stopHow, stop)
	rate := math.Abs(c.PerDegree(half))
	formula, numbers := c.perDegreeWorking(half)
	r.step("piston travel per degree at the stop: "+formula, numbers, "%s mm per degree", fixed(rate, 3))
	for _, s := range []string{"one side", "other side"} {
		r.rectangle("where the stop holds the piston, "+s, stop, "mm", 0.5/rate, "±%g mm, rectangular, %s; half of it over %.3f mm per degree", stop, stopHow, rate)
	}
	if c.OffsetMM == 0 {
		return 0
	}
	after := c.HalfwayAfter(half)
	r.step("with an offset pin the middle lies beside the top by asin(e/D) - asin(e/(l + r)), D = r·cos h + √(l² - r²·sin² h)",
		fmt.Sprintf("e = %s, r = %s, l = %s mm, h = %s°", trim(c.OffsetMM), trim(c.StrokeMM/2), trim(c.RodMM), fixed(half, 2)), "%s° after it, as the engine turns", fixed(after, 3))
	if sensed {
		// The figures fall by one for each degree turned forwards where sense is +1.
		return sense * after
	}
	// One side or the other, nothing between: the standard deviation is all of it.
	r.part(Component{Source: "offset of the pin, its side not known", Kind: "B", Distribution: analysis.Normal, InputStd: math.Abs(after), InputUnit: "°", Sensitivity: 1,
		Estimate: fmt.Sprintf("+%.3f° or -%.3f°: say which way the wheel counts", math.Abs(after), math.Abs(after))})
	return 0
}

// offCentre adds what a wheel off the crank's centre does: its figures are then
// out by ε·sin of the angle, ε = offset over radius, which at the two sides and
// at the top between them do not agree by up to ε·(1 - cos h).
func (d DeadCentre) offCentre(r *Result, half float64) {
	off, how := offCentreDefaultMM, assumed
	if d.OffCentreMM != nil {
		off, how = *d.OffCentreMM, "given"
	}
	radius := *d.WheelMM / 2
	sens := 180 / math.Pi / radius * (1 - math.Cos(half*math.Pi/180))
	r.inputs("wheel_mm", "the wheel is read at a diameter of", trim(*d.WheelMM)+" mm", "given", *d.WheelMM)
	r.part(Component{Source: "wheel off the crank's centre", Kind: "B", Distribution: analysis.Arcsine, HalfWidth: off, InputStd: off / math.Sqrt2, InputUnit: "mm", Sensitivity: sens,
		Estimate: fmt.Sprintf("%g mm in a direction not known, %s; (1 - cos %.1f°)/%g mm, in degrees", off, how, half, radius)})
}

// judge says whether the stop stands where halving is good; stated: somebody
// said how well it holds, and nothing is left to doubt of that.
func judge(r *Result, crank *Slider, half, readOnly, stop float64, stated bool) {
	if crank == nil {
		switch {
		case half < nearDeg:
			r.note("near-stop", true, "The stop holds the crank only %.0f° from top dead centre. There the piston hardly moves as the crank turns: with usual rods less than a third per degree of what it does at mid-stroke, so that play and give of the stop become degrees, which the ± does not hold. With stroke and rod it is worked out. A shorter stop is better.", half)
		case half > farDeg:
			r.note("far-stop", true, "The stop holds the crank %.0f° from top dead centre, below where the piston moves most per degree. A wheel off its centre, and a pin that is offset, then spoil the halving most, and top and bottom are easily mixed up. Screw the stop in further, or use a longer one: 20° to 60° is usual (common practice, no source).", half)
		}
		return
	}
	rate, quickest := math.Abs(crank.PerDegree(half)), crank.Quickest()
	// Two sides, half of each: as the readings' part was added up.
	play := stop / math.Sqrt(3) / rate * math.Sqrt(0.5)
	switch {
	case play > readOnly:
		// The rate at which both are equal, and the angle that has it.
		want := stop / math.Sqrt(3) * math.Sqrt(0.5) / readOnly
		advice := "Even at its best place that play is more than the wheel's reading: use a stop that holds better."
		if want <= crank.PerDegree(quickest) {
			lo, hi := 0.0, quickest
			for range 60 {
				if mid := (lo + hi) / 2; crank.PerDegree(mid) < want {
					lo = mid
				} else {
					hi = mid
				}
			}
			advice = fmt.Sprintf("A shorter stop, which holds the crank %.0f° or more away, makes that the smaller part.", math.Ceil(hi))
		}
		r.note("near-stop", true, "The stop holds the crank %.0f° from top dead centre, where the piston moves only %.3f mm per degree: the stop's own ±%g mm is then a larger part of the ± (u = %.2f°) than all that is read off the wheel (%.2f°). %s", half, rate, stop, play, readOnly, advice)
	case half < nearDeg && !stated:
		r.note("near-stop", true, "The stop holds the crank only %.0f° from top dead centre, where the piston moves %.3f mm per degree, of %.3f at most. Play and give of the stop become degrees there, and the ± holds them only if the stop truly holds the piston to ±%g mm, which was assumed: say it with --stop-tolerance where you know it. A shorter stop is better: 20° to 60° is usual (common practice, no source).", half, rate, crank.PerDegree(quickest), stop)
	case half > quickest:
		r.note("far-stop", true, "The stop holds the crank %.0f° from top dead centre, below %.0f°, where the piston moves most per degree (%.2f mm). Further down it moves less again, a wheel off its centre and an offset pin spoil the halving most, and top and bottom are easily mixed up. Screw the stop in further, or use a longer one: 20° to 60° is usual (common practice, no source).", half, quickest, crank.PerDegree(quickest))
	}
}

// direction says whether it is known which side was met forwards (ordered) and
// which way the figures run (sensed); sense is +1 where they fall when turned
// forwards. Ordered readings of which the sense is not known are not ordered.
func (d DeadCentre) direction(g wheel.Graduation) (ordered, sensed bool, sense float64) {
	sense = 1
	switch {
	case g.Lettered():
		sensed = true
	case d.CountsAfter != nil:
		sensed = true
		if *d.CountsAfter {
			sense = -1
		}
	}
	return sensed && len(d.Forwards) > 0, sensed, sense
}

// degree is the sign behind a figure; figures with letters have none.
func degree(g wheel.Graduation) string {
	if g.Lettered() {
		return ""
	}
	return "°"
}

// counted says in words which way the figures run, as far as it is known.
func (d DeadCentre) counted(g wheel.Graduation) string {
	switch {
	case g.Lettered():
		return "; b before, a after the 0, turned forwards"
	case d.CountsAfter == nil:
		return ""
	case *d.CountsAfter:
		return "; figures rise when turned forwards"
	}
	return "; figures fall when turned forwards"
}

// sides sorts the readings into the two sides of the stop.
func (d DeadCentre) sides() (one, two side, err error) {
	given := len(d.Forwards) + len(d.Backwards)
	switch {
	case given > 0 && len(d.Readings) > 0:
		return one, two, refuse("reading", "Readings are given both with and without their direction.", "Want either all of them in any order, or those turning forwards and those turning backwards.")
	case given > 0 && (len(d.Forwards) == 0 || len(d.Backwards) == 0):
		return one, two, refuse("reading", "The stop was read on one side only.", "Top dead centre lies half-way between both sides: turn the crank the other way round to the stop, and read there too.")
	case given == 0 && len(d.Readings) < 2:
		return one, two, refuse("reading", "%s", "Want two at least, one on each side of the stop: turn the crank gently to the stop, read, turn it the other way round to the stop, read again.", []string{"There is no reading.", "There is one reading only."}[len(d.Readings)])
	}
	for _, v := range slices.Concat(d.Readings, d.Forwards, d.Backwards) {
		if !(v >= -360 && v <= 360) {
			return one, two, refuse("reading", "One of the readings is %g°.", "Want degrees as the wheel shows them, 0 to 360, or -360 to 0 where it is read the other way.", v)
		}
	}
	if given > 0 {
		one = side{name: "stop met turning forwards", places: d.Forwards}
		two = side{name: "stop met turning backwards", places: d.Backwards}
	} else {
		a, b := split(d.Readings)
		one = side{name: "one side of the stop", places: a}
		two = side{name: "other side of the stop", places: b}
	}
	for _, s := range []*side{&one, &two} {
		var apart *wheel.ApartError
		if s.Mean, err = wheel.Average(s.places); errors.As(err, &apart) {
			return one, two, refuse("reading", "The readings of the %s lie far apart: %s%s is %.0f° from the middle of them.", "They cannot all be right: leave out what was misread, or give it to the other side, and read again.", s.name, d.Graduated.Figure(apart.Reading), degree(d.Graduated), apart.OffDeg)
		}
	}
	return one, two, nil
}

// split sorts readings into two groups by the two widest gaps between
// neighbours on the circle. The first group is that of the first reading. There
// are two readings at least.
func split(readings []float64) (a, b []float64) {
	type at struct {
		place float64
		index int
	}
	ring := make([]at, len(readings))
	for i, v := range readings {
		ring[i] = at{mod360(v), i}
	}
	slices.SortFunc(ring, func(x, y at) int {
		return cmp.Or(cmp.Compare(x.place, y.place), cmp.Compare(x.index, y.index))
	})
	n := len(ring)
	gap := func(i int) float64 { // behind ring[i]
		v := ring[(i+1)%n].place - ring[i].place
		if i == n-1 {
			v += 360
		}
		return v
	}
	widest, second := -1, -1
	for i := range ring {
		switch {
		case widest < 0 || gap(i) > gap(widest):
			widest, second = i, widest
		case second < 0 || gap(i) > gap(second):
			second = i
		}
	}
	group := make([]int, n)
	for i := (widest + 1) % n; ; i = (i + 1) % n {
		group[ring[i].index] = 1
		if i == second {
			break
		}
	}
	first := group[0]
	for i, v := range readings {
		if group[i] == first {
			a = append(a, v)
		} else {
			b = append(b, v)
		}
	}
	return a, b
}

// impossible says what is wrong with a crank.
func impossible(c Slider) error {
	switch {
	case !(c.StrokeMM > 0) || !finite(c.StrokeMM):
		return refuse("stroke", "The stroke is %g mm.", "Want millimetres above 0.", c.StrokeMM)
	case c.OffsetMM != 0:
		return refuse("rod", "With a rod of %g mm, a stroke of %g mm and an offset of %g mm the crank cannot go round.", "The rod, from centre to centre, is longer than half the stroke and the offset together.", c.RodMM, c.StrokeMM, c.OffsetMM)
	}
	return refuse("rod", "With a rod of %g mm and a stroke of %g mm the crank cannot go round.", "The rod, from centre to centre, is longer than half the stroke.", c.RodMM, c.StrokeMM)
}

func mod360(a float64) float64 {
	a = math.Mod(a, 360)
	if a < 0 {
		a += 360
	}
	if a >= 360 {
		return 0
	}
	return a
}

func sign(v float64) string {
	if v < 0 {
		return "-"
	}
	return "+"
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
