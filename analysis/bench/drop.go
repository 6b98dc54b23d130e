package bench

import (
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis"
)

// Drop is what is known of a piston below its highest place; one of AngleDeg,
// DropMM and GaugeMM is given, the others are to be found.
type Drop struct {
	StrokeMM, RodMM *Quantity // see Slider
	OffsetMM        *Quantity // nil: taken as 0

	// AngleDeg is crank degrees before top dead centre, negative after it. Without
	// a ± it is an angle that is wanted, exactly, and the drop is to be set by the
	// gauge; with one it was measured, and no gauge is in the ±.
	AngleDeg *Quantity
	DropMM   *Quantity // along the bore
	GaugeMM  *Quantity // as a dial gauge shows it
	After    bool      // of a drop: the piston is on its way down

	// InclineDeg is the angle between the gauge's stem and the bore, 0 to 60; nil: 0.
	InclineDeg *Quantity

	GaugeToleranceMM *float64 // ± to which an angle's drop is set, at the top and there; nil: 0.01
}

// Defaults of the ± of Drop: common practice, no source.
const (
	strokeTolMM   = 0.05
	rodTolMM      = 0.5
	offsetTolMM   = 0.2
	gaugeTolMM    = 0.01 // at the top, where it is set to 0, and again where it is read
	inclineTolDeg = 2.0
	mostDropDeg   = 170 // towards the bottom a drop tells no angle, as at the top
	mostIncline   = 60
)

// Solve finds drop from angle, or angle from drop.
func (d Drop) Solve() (*Result, error) {
	crank, err := d.crank()
	if err != nil {
		return nil, err
	}
	r := &Result{Calculator: "drop", Cautions: []string{unplugged, gentle, manual}}
	tol := map[string]float64{}
	tol["stroke"], _ = r.input("stroke_mm", "stroke", "mm", d.StrokeMM, strokeTolMM)
	tol["rod"], _ = r.input("rod_mm", "rod, centre to centre", "mm", d.RodMM, rodTolMM)
	if d.OffsetMM != nil && d.OffsetMM.Value != 0 {
		tol["offset"], _ = r.input("offset_mm", "offset of the pin", "mm", d.OffsetMM, offsetTolMM)
	} else {
		r.inputs("offset_mm", "offset of the pin", "0 mm", "not given, taken as 0", 0)
	}
	incline := 0.0
	if d.InclineDeg != nil && d.InclineDeg.Value != 0 {
		incline = d.InclineDeg.Value
		tol["incline"], _ = r.input("incline_deg", "gauge's stem inclined to the bore by", "°", d.InclineDeg, inclineTolDeg)
	}
	cos := math.Cos(incline * math.Pi / 180)

	// The ± is worked out for what was given, and carried through the curve by
	// its two ends: the curve rises all the way, so that an interval that holds
	// the one holds the other, near the top too, where the curve is anything but
	// straight.
	if d.AngleDeg != nil {
		if d.AngleDeg.Tolerance != nil && *d.AngleDeg.Tolerance > 0 {
			d.measured(r, crank, tol, incline, cos)
		} else {
			d.wanted(r, crank, tol, incline, cos)
		}
		d.shortcut(r, crank)
	} else {
		if err := d.fromDrop(r, crank, tol, incline, cos); err != nil {
			return nil, err
		}
	}
	d.remarks(r, crank, incline)
	return r, nil
}

// crank checks what was given, and is the geometry.
func (d Drop) crank() (Slider, error) {
	if d.StrokeMM == nil || d.RodMM == nil {
		return Slider{}, refuse("missing", "Stroke and rod are not both known.", "The drop needs the stroke, and the rod from centre to centre, in millimetres.")
	}
	c := Slider{StrokeMM: d.StrokeMM.Value, RodMM: d.RodMM.Value}
	if d.OffsetMM != nil {
		c.OffsetMM = d.OffsetMM.Value
	}
	if !c.Possible() {
		return c, impossible(c)
	}
	given := 0
	for _, q := range []*Quantity{d.AngleDeg, d.DropMM, d.GaugeMM} {
		if q != nil {
			given++
		}
	}
	if given != 1 {
		return c, refuse("missing", "%d of angle, drop and gauge reading are given.", "Want one of them: the others are worked out.", given)
	}
	for _, x := range []struct {
		name string
		q    *Quantity
	}{{"stroke", d.StrokeMM}, {"rod", d.RodMM}, {"offset", d.OffsetMM}, {"angle", d.AngleDeg}, {"drop", d.DropMM}, {"gauge reading", d.GaugeMM}, {"inclination", d.InclineDeg}} {
		if err := x.q.check(x.name); err != nil {
			return c, err
		}
	}
	if d.InclineDeg != nil && !(d.InclineDeg.Value >= 0 && d.InclineDeg.Value <= mostIncline) {
		return c, refuse("incline", "The gauge is inclined to the bore by %g°.", "Want degrees from 0 to %d.", d.InclineDeg.Value, mostIncline)
	}
	if t := d.GaugeToleranceMM; t != nil && !(*t >= 0 && finite(*t)) {
		return c, refuse("tolerance", "The ± of the gauge is %g mm.", "Want 0 or more.", *t)
	}
	if a := d.AngleDeg; a != nil && math.Abs(a.Value) > mostDropDeg {
		return c, refuse("angle", "An angle of %g° lies at the bottom of the stroke.", "There, as at the top, the piston hardly moves and its drop tells no angle: want degrees from -%d to %d.", a.Value, mostDropDeg, mostDropDeg)
	}
	return c, nil
}

// equivalents adds what the geometry's ± are worth, in units of the drop at an
// angle, divided by per: 1 for millimetres, mm per degree for degrees.
func (d Drop) equivalents(r *Result, c Slider, tol map[string]float64, before, per float64) {
	const step = 1e-3 // mm, of a central difference: its error is some 1e-8 of the drop
	for _, p := range []struct {
		key, name string
		q         *Quantity
		at        func(by float64) Slider
	}{
		{"stroke", "stroke", d.StrokeMM, func(by float64) Slider { return Slider{c.StrokeMM + by, c.RodMM, c.OffsetMM} }},
		{"rod", "rod", d.RodMM, func(by float64) Slider { return Slider{c.StrokeMM, c.RodMM + by, c.OffsetMM} }},
		{"offset", "offset of the pin", d.OffsetMM, func(by float64) Slider { return Slider{c.StrokeMM, c.RodMM, c.OffsetMM + by} }},
	} {
		half := tol[p.key]
		if half == 0 {
			continue
		}
		sens := (p.at(step).Drop(before) - p.at(-step).Drop(before)) / (2 * step)
		if per != 0 {
			sens /= per
		} else {
			sens = 0
		}
		_, how := p.q.tolerance(half)
		r.rectangle(p.name, half, "mm", sens, "±%s mm, rectangular, %s", trim(half), how)
	}
}

// wanted finds the drop of an angle that is to be set by the gauge.
func (d Drop) wanted(r *Result, c Slider, tol map[string]float64, incline, cos float64) {
	a := d.AngleDeg.Value
	r.input("angle_deg", "crank degrees "+beforeAfter(a), "°", (&Quantity{Value: math.Abs(a), Origin: d.AngleDeg.Origin}).bare(), 0)
	r.Inputs[len(r.Inputs)-1].Values[0] = a
	half, how := gaugeTolMM, assumed
	if d.GaugeToleranceMM != nil {
		half, how = *d.GaugeToleranceMM, "given"
	}
	r.inputs("gauge_tolerance_mm", "the gauge is set", "±"+trim(half)+" mm, at the top and again there", how, half)
	drop := c.Drop(a)
	formula, numbers := c.dropWorking(a)
	r.step(formula, numbers, "%s mm", fixed(drop, 4))
	d.slope(r, c, a)

	d.gauge(r, half, how, cos, drop/cos, incline, tol)
	d.equivalents(r, c, tol, a, 1)
	r.conclude("the drop, as it will be set", "mm")
	u := r.Total.Expanded
	ans := *r.answer("drop_mm", "piston below its highest, along the bore", "mm", drop, u)
	r.Headline = fmt.Sprintf("At %s° %s the piston stands %s below its highest (± at 95 %% coverage).", trim(math.Abs(a)), beforeAfter(a), ans.Text)
	if incline > 0 {
		r.step("an inclined gauge shows drop/cos i", fmt.Sprintf("%s mm/cos %s°", fixed(drop, 4), trim(incline)), "%s mm", fixed(drop/cos, 4))
		g := r.answer("gauge_mm", "the dial gauge shows", "mm", drop/cos, u/cos)
		r.Headline = fmt.Sprintf("At %s° %s the piston stands %s below its highest, and the gauge shows %s (± at 95 %% coverage).", trim(math.Abs(a)), beforeAfter(a), ans.Text, g.Text)
	}
	lo, hi := c.angles(drop-u, drop+u, a < 0)
	r.step(fmt.Sprintf("set by that, the crank stands by the ends: angle at %s - %s mm and at %s + %s mm", fixed(drop, 4), fixed(u, 4), fixed(drop, 4), fixed(u, 4)), "", "%s° and %s°", fixed(lo, 2), fixed(hi, 2))
	up := 1.0
	if a < 0 {
		up = -1
	}
	set := r.spanned("set_deg", "set by that, the crank stands at", "°", a, min(up*lo, up*hi), max(up*lo, up*hi))
	set.Text = spannedText(math.Abs(a), lo, hi, "°") + " " + beforeAfter(a)
	d.perHundredth(r, c.PerDegree(a), cos)
}

// measured finds the drop at an angle that was measured.
func (d Drop) measured(r *Result, c Slider, tol map[string]float64, incline, cos float64) {
	a := d.AngleDeg.Value
	half, how := r.input("angle_deg", "crank degrees "+beforeAfter(a), "°", &Quantity{math.Abs(a), d.AngleDeg.Tolerance, d.AngleDeg.Origin}, 0)
	r.Inputs[len(r.Inputs)-1].Values[0] = a
	drop, rate := c.Drop(a), c.PerDegree(a)
	formula, numbers := c.dropWorking(a)
	r.step(formula, numbers, "%s mm", fixed(drop, 4))
	d.slope(r, c, a)

	r.rectangle("the angle", half, "°", 1, "±%s°, rectangular, %s", trim(half), how)
	d.equivalents(r, c, tol, a, rate)
	r.conclude("the angle that the drop is worked out for", "°")
	u := r.Total.Expanded
	lo, hi := c.span(a, u)
	r.step(fmt.Sprintf("its ± by the ends: drop at %s° - %s° and at %s° + %s°", fixed(math.Abs(a), 2), fixed(u, 2), fixed(math.Abs(a), 2), fixed(u, 2)), "", "%s mm and %s mm", fixed(lo, 4), fixed(hi, 4))
	ans := *r.spanned("drop_mm", "piston below its highest, along the bore", "mm", drop, lo, hi)
	r.Headline = fmt.Sprintf("At %s° %s the piston stands %s below its highest (± at 95 %% coverage).", trim(math.Abs(a)), beforeAfter(a), ans.Text)
	if incline > 0 {
		r.step("an inclined gauge shows drop/cos i", fmt.Sprintf("%s mm/cos %s°", fixed(drop, 4), trim(incline)), "%s mm", fixed(drop/cos, 4))
		// The gauge's own angle is one more part, in degrees of the crank: what it
		// adds to the reading, over the gauge's way per degree.
		parts := slices.Clone(r.Budget)
		if rate != 0 {
			std := drop * math.Tan(incline*math.Pi/180) * math.Pi / 180 * tol["incline"] / math.Sqrt(3) / math.Abs(rate)
			parts = append(parts, Component{Kind: "B", Distribution: analysis.Rectangular, Std: std})
		}
		lo, hi := c.span(a, total(parts, "°").Expanded)
		g := r.spanned("gauge_mm", "the dial gauge shows (its ± holds that of its inclination too)", "mm", drop/cos, lo/cos, hi/cos)
		r.Headline = fmt.Sprintf("At %s° %s the piston stands %s below its highest, and the gauge shows %s (± at 95 %% coverage).", trim(math.Abs(a)), beforeAfter(a), ans.Text, g.Text)
	}
	d.perHundredth(r, rate, cos)
}

// shortcut adds what leaving out the rod would do to an angle's drop.
func (d Drop) shortcut(r *Result, c Slider) {
	a, rad := d.AngleDeg.Value, c.StrokeMM/2
	short := rad * (1 - math.Cos(a*math.Pi/180))
	r.step("the shortcut without a rod: r·(1 - cos a)", fmt.Sprintf("%s mm·(1 - cos %s°)", trim(rad), trim(math.Abs(a))), "%s mm", fixed(short, 4))
	truly, ok := c.Before(short)
	if a < 0 {
		truly, ok = c.After(short)
	}
	if ok {
		off := truly - math.Abs(a)
		r.answer("without_rod_mm", "the shortcut without a rod would say", "mm", short, 0)
		r.answer("without_rod_error_deg", "set by the shortcut, the crank would stand off by", "°", off, 0).Text = fmt.Sprintf("%s° (at %s° instead of %s°)", signed(off, 2), fixed(truly, 2), trim(math.Abs(a)))
	}
}

// gauge adds the gauge: where it is read or set, at the top, and its
// inclination; shown is what it shows, mm.
func (d Drop) gauge(r *Result, half float64, how string, share, shown, incline float64, tol map[string]float64) {
	r.rectangle("the drop on the gauge", half, "mm", share, "±%s mm, rectangular, %s", trim(half), how)
	r.rectangle("the gauge's zero at the top", half, "mm", share, "the same once more: it is read there too")
	if tol["incline"] > 0 && incline > 0 {
		_, how := d.InclineDeg.tolerance(inclineTolDeg)
		r.rectangle("inclination of the gauge", tol["incline"], "°", shown*math.Sin(incline*math.Pi/180)*math.Pi/180, "±%s°, rectangular, %s", trim(tol["incline"]), how)
	}
}

// angles are those of two drops, which may lie beyond both ends of the stroke:
// degrees before top dead centre or, on the way down, after it.
func (s Slider) angles(from, to float64, after bool) (lo, hi float64) {
	at := func(drop float64) float64 {
		drop = math.Max(0, math.Min(s.Travel(), drop))
		v, _ := s.Before(drop)
		if after {
			v, _ = s.After(drop)
		}
		return v
	}
	return at(from), at(to)
}

// fromDrop finds the angle.
func (d Drop) fromDrop(r *Result, c Slider, tol map[string]float64, incline, cos float64) error {
	q, drop := d.DropMM, 0.0
	var half float64
	var how string
	if q != nil {
		drop = q.Value
		half, how = r.input("drop_mm", "piston below its highest, along the bore", "mm", q, gaugeTolMM)
	} else {
		q = d.GaugeMM
		drop = q.Value * cos
		half, how = r.input("gauge_mm", "the dial gauge shows", "mm", q, gaugeTolMM)
		if incline > 0 {
			r.step("drop along the bore = gauge·cos i", fmt.Sprintf("%s mm·cos %s°", trim(q.Value), trim(incline)), "%s mm", fixed(drop, 4))
		}
	}
	before, ok := c.Before(drop)
	after, _ := c.After(drop)
	if !ok {
		return refuse("drop", "A piston of %s mm stroke is never %s mm below its highest.", "Want millimetres from 0 to %s.", trim(c.StrokeMM), trim(roundTo(drop, 4)), fixed(c.Travel(), 2))
	}
	if before > mostDropDeg || after > mostDropDeg {
		return refuse("drop", "A drop of %s mm lies at the bottom of the stroke.", "There, as at the top, the piston hardly moves and its drop tells no angle.", trim(roundTo(drop, 4)))
	}
	a := before
	if d.After {
		a = -after
	}
	formula, numbers := c.angleWorking(drop, d.After)
	r.step(formula, numbers, "%s° %s", fixed(math.Abs(a), 4), beforeAfter(a))
	d.slope(r, c, a)

	share := 1.0
	if d.GaugeMM != nil {
		share = cos
	}
	if d.GaugeMM == nil {
		incline = 0 // along the bore
	}
	d.gauge(r, half, how, share, q.Value, incline, tol)
	d.equivalents(r, c, tol, a, 1)
	r.conclude("the drop", "mm")
	u := r.Total.Expanded
	lo, hi := c.angles(drop-u, drop+u, d.After)
	r.step(fmt.Sprintf("its ± by the ends: angle at %s - %s mm and at %s + %s mm", fixed(drop, 4), fixed(u, 4), fixed(drop, 4), fixed(u, 4)), "", "%s° and %s°", fixed(lo, 2), fixed(hi, 2))
	if d.After {
		lo, hi = -hi, -lo
	}
	ans := r.spanned("angle_deg", "crank degrees before top dead centre", "°", a, lo, hi)
	if d.After {
		ans.Name += ", negative after it"
	}
	flat := spannedText(math.Abs(a), math.Min(math.Abs(lo), math.Abs(hi)), math.Max(math.Abs(lo), math.Abs(hi)), "°")
	what := fmt.Sprintf("A piston drop of %s mm", trim(roundTo(drop, 4)))
	if d.GaugeMM != nil && incline > 0 {
		what = fmt.Sprintf("A gauge reading of %s mm, a drop of %s mm along the bore,", trim(q.Value), fixed(drop, 3))
	}
	r.Headline = fmt.Sprintf("%s is %s %s (± at 95 %% coverage).", what, flat, beforeAfter(a))
	if drop <= u {
		r.note("at-the-top", true, "The drop is no larger than its own ± (%s mm): by this reading the piston may stand at the top.", fixed(u, 3))
	}
	d.perHundredth(r, c.PerDegree(a), share)
	if c.OffsetMM != 0 {
		other := -after
		if d.After {
			other = before
		}
		r.answer("other_side_deg", "on the other side of the top the same drop is at", "°", other, 0).Text = fmt.Sprintf("%s° %s", fixed(math.Abs(other), 2), beforeAfter(other))
	}
	rad := c.StrokeMM / 2
	if drop <= 2*rad {
		short := math.Acos(1-drop/rad) * 180 / math.Pi
		off := short - math.Abs(a)
		r.step("the shortcut without a rod: arccos(1 - s/r)", fmt.Sprintf("arccos(1 - %s/%s)", fixed(drop, 4), trim(rad)), "%s°", fixed(short, 2))
		r.answer("without_rod_error_deg", "the shortcut without a rod would be off by", "°", off, 0).Text = fmt.Sprintf("%s° (%s° instead of %s°)", signed(off, 2), fixed(short, 2), fixed(math.Abs(a), 2))
	}
	return nil
}

// slope shows how fast the piston moves there.
func (d Drop) slope(r *Result, c Slider, a float64) {
	formula, numbers := c.perDegreeWorking(a)
	r.step(formula, numbers, "%s mm per degree", fixed(c.PerDegree(a), 4))
}

// perHundredth adds what 0.01 mm on the gauge is in degrees.
func (d Drop) perHundredth(r *Result, rate, cos float64) {
	if rate = math.Abs(rate); rate < 1e-6 {
		return
	}
	v := 0.01 * cos / rate
	r.step("0.01 mm on the gauge = 0.01 mm over mm per degree", fmt.Sprintf("%s mm/%s mm per degree", trim(roundTo(0.01*cos, 5)), fixed(rate, 4)), "%s°", fixed(v, 3))
	r.answer("deg_per_hundredth", "0.01 mm on the gauge is", "°", v, 0).Text = fixed(v, 3) + "°"
}

// remarks adds the table of a few angles and what is to be known.
func (d Drop) remarks(r *Result, c Slider, incline float64) {
	way, name := 1.0, "before"
	if d.After || d.AngleDeg != nil && d.AngleDeg.Value < 0 {
		way, name = -1, "after"
	}
	t := Table{Title: "Other angles of this engine, " + name + " top dead centre. Near the top 0.01 mm is many degrees, which is why a drop is a poor measure there:",
		Columns: []Column{{"angle_deg", "angle °", 0}, {"drop_mm", "drop mm", 3}, {"mm_per_deg", "mm per °", 3}, {"deg_per_hundredth", "° per 0.01 mm", 3}}}
	cos := math.Cos(incline * math.Pi / 180)
	if incline > 0 {
		t.Columns = append(t.Columns, Column{"gauge_mm", "gauge mm", 3})
	}
	for _, a := range []float64{1, 2, 5, 10, 15, 20, 25, 30, 40} {
		drop, rate := c.Drop(way*a), math.Abs(c.PerDegree(way*a))
		row := []float64{a, drop, rate, 0.01 * cos / rate}
		if incline > 0 {
			row = append(row, drop/cos)
		}
		t.Rows = append(t.Rows, row)
	}
	r.Tables = append(r.Tables, t)
	if d.OffsetMM == nil {
		a := 0.0
		if d.AngleDeg != nil {
			a = d.AngleDeg.Value
		} else if ans := r.Find("angle_deg"); ans != nil {
			a = ans.Value
		}
		if c.RodMM > c.StrokeMM/2+1 {
			with := Slider{c.StrokeMM, c.RodMM, 1}
			if rate := math.Abs(c.PerDegree(a)); rate > 1e-6 {
				r.note("offset", false, "The pin was taken to point at the crank's centre. An offset of 1 mm would change the angle by %s° here.", fixed(math.Abs(with.Drop(a)-c.Drop(a))/rate, 2))
			}
		}
	}
	if incline > 0 {
		r.note("crown", true, "A gauge that stands inclined shows drop/cos i only on a flat crown. On a domed one its tip slides over the dome as the piston moves, and the figure is wrong by more than the ± says.")
	}
	r.note("zero", false, "Set the gauge to 0 where its pointer turns back at the top. Play of the bearings is taken up by turning to the mark in the running direction.")
}

// span is the drop at both ends of an angle and its ±; across the top it begins
// at 0.
func (s Slider) span(before, u float64) (lo, hi float64) {
	bound := func(a float64) float64 { return math.Max(-s.bottomAfter(), math.Min(360-s.bottomAfter(), a)) }
	a, b := s.Drop(bound(before-u)), s.Drop(bound(before+u))
	if math.Abs(before) <= u {
		return 0, math.Max(a, b)
	}
	return math.Min(a, b), math.Max(a, b)
}

// angleWorking is Before or After with its figures put in.
func (s Slider) angleWorking(drop float64, after bool) (formula, numbers string) {
	r, l, e := s.StrokeMM/2, s.RodMM, s.OffsetMM
	h := s.highest() - drop
	d := math.Hypot(h, e)
	if e == 0 {
		return "D = l + r - s, angle a = arccos((r² + D² - l²)/(2·r·D)), r = stroke/2, l = rod",
			fmt.Sprintf("l = %s, r = %s, s = %s, D = %s mm", trim(l), trim(r), trim(roundTo(drop, 4)), fixed(d, 4))
	}
	beta := math.Asin(e/d) * 180 / math.Pi
	top := s.top() * 180 / math.Pi
	numbers = fmt.Sprintf("l = %s, r = %s, e = %s, s = %s, D = %s mm; asin(e/D) = %s°, asin(e/(l + r)) = %s°", trim(l), trim(r), trim(e), trim(roundTo(drop, 4)), fixed(d, 4), fixed(beta, 4), fixed(top, 4))
	if after {
		return "D² = (√((l + r)² - e²) - s)² + e², angle a = arccos((r² + D² - l²)/(2·r·D)) + asin(e/D) - asin(e/(l + r))", numbers
	}
	return "D² = (√((l + r)² - e²) - s)² + e², angle a = arccos((r² + D² - l²)/(2·r·D)) - asin(e/D) + asin(e/(l + r))", numbers
}

// beforeAfter says on which side of the top an angle lies.
func beforeAfter(a float64) string {
	if a < 0 {
		return "after top dead centre"
	}
	return "before top dead centre"
}

// signed is a number with its sign.
func signed(v float64, decimals int) string {
	s := fixed(v, decimals)
	if v > 0 && s[0] != '-' && s[0] != '+' {
		return "+" + s
	}
	return s
}
