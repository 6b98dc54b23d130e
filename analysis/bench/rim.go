package bench

import (
	"fmt"
	"math"
)

// Rim is what is known of a mark on a flywheel's rim: one of AngleDeg, ArcMM and
// ChordMM is given, the others are to be found.
type Rim struct {
	DiameterMM *Quantity // of the rim that is marked

	AngleDeg *Quantity // crank degrees before top dead centre, negative after it
	ArcMM    *Quantity // along the rim, as a tape lies
	ChordMM  *Quantity // straight across, as callipers or a rule measure

	LineMM *Quantity // width of a scribed line; nil: 0.3

	// PointerGapMM is how far the rim lies behind the pointer, EyeMM how far the
	// eye is from the pointer; nil: 2 and 300.
	PointerGapMM, EyeMM *Quantity

	Rotation       string // "clockwise" or "anticlockwise", seen from the flywheel side; empty: not known
	RotationOrigin string // where that came from; empty: given
}

// Defaults of Rim, millimetres: common practice, no source.
const (
	diameterTolMM     = 0.5
	measuredTolMM     = 0.5 // of a tape or a rule along the rim
	chordTolMM        = 0.1 // of callipers
	lineDefaultMM     = 0.3
	pointerGapDefault = 2.0
	eyeDefaultMM      = 300.0
)

// Solve finds distances from angle, or angle from distance.
func (m Rim) Solve() (*Result, error) {
	if m.DiameterMM == nil {
		return nil, refuse("missing", "The flywheel's diameter is not known.", "Want it in millimetres, of the rim that is marked.")
	}
	given := 0
	for _, x := range []struct {
		name string
		q    *Quantity
		one  bool
	}{{"diameter", m.DiameterMM, false}, {"angle", m.AngleDeg, true}, {"distance along the rim", m.ArcMM, true}, {"distance straight across", m.ChordMM, true}, {"width of a line", m.LineMM, false}, {"pointer's distance", m.PointerGapMM, false}, {"eye's distance", m.EyeMM, false}} {
		if err := x.q.check(x.name); err != nil {
			return nil, err
		}
		if x.one && x.q != nil {
			given++
		}
		if x.q != nil && !x.one && !(x.q.Value >= 0) {
			return nil, refuse("number", "The %s is %g mm.", "Want 0 or more.", x.name, x.q.Value)
		}
	}
	dia := m.DiameterMM.Value
	switch {
	case !(dia >= 10 && dia <= 3000):
		return nil, refuse("diameter", "The flywheel's diameter is %g mm.", "Want millimetres from 10 to 3000.", dia)
	case given != 1:
		return nil, refuse("missing", "%d of angle, distance along the rim and distance straight across are given.", "Want one of them: the others are worked out.", given)
	case m.AngleDeg != nil && math.Abs(m.AngleDeg.Value) > 180:
		return nil, refuse("angle", "The angle is %g°.", "Want degrees from -180 to 180.", m.AngleDeg.Value)
	case m.ArcMM != nil && !(m.ArcMM.Value >= 0 && m.ArcMM.Value <= math.Pi*dia/2):
		return nil, refuse("distance", "A distance of %s mm along the rim is not within half a turn of a flywheel of %s mm.", "Want millimetres from 0 to %s: the shorter way round.", trim(m.ArcMM.Value), trim(dia), fixed(math.Pi*dia/2, 1))
	case m.ChordMM != nil && !(m.ChordMM.Value >= 0 && m.ChordMM.Value <= dia):
		return nil, refuse("distance", "A distance of %s mm straight across does not fit on a flywheel of %s mm.", "Want millimetres from 0 to %s.", trim(m.ChordMM.Value), trim(dia), trim(dia))
	case m.EyeMM != nil && m.EyeMM.Value < 10:
		return nil, refuse("eye", "The eye is %s mm from the pointer.", "Want 10 mm or more.", trim(m.EyeMM.Value))
	}
	r := &Result{Calculator: "rim", Cautions: []string{unplugged, marks, manual}}
	diaTol, diaHow := r.input("diameter_mm", "diameter of the flywheel's rim", "mm", m.DiameterMM, diameterTolMM)
	perDeg := math.Pi * dia / 360

	var a float64
	switch {
	case m.AngleDeg != nil:
		a = m.AngleDeg.Value
		r.inputs("angle_deg", "crank degrees "+beforeAfter(a), trim(math.Abs(a))+"°", origin(m.AngleDeg), a)
		m.fromAngle(r, math.Abs(a), dia, diaTol, diaHow)
	case m.ArcMM != nil:
		half, how := r.input("arc_mm", "distance along the rim, from mark to mark", "mm", m.ArcMM, measuredTolMM)
		a = m.ArcMM.Value / perDeg
		r.step("angle = 360°·arc/(π·D)", fmt.Sprintf("360°·%s mm/(π·%s mm)", trim(m.ArcMM.Value), trim(dia)), "%s°", fixed(a, 4))
		r.rectangle("the distance as measured", half, "mm", 1/perDeg, "±%s mm, rectangular, %s", trim(half), how)
		r.rectangle("the flywheel's diameter", diaTol, "mm", a/dia, "±%s mm, rectangular, %s", trim(diaTol), diaHow)
		m.toAngle(r, a)
	default:
		half, how := r.input("chord_mm", "distance straight across, from mark to mark", "mm", m.ChordMM, chordTolMM)
		a = 2 * math.Asin(m.ChordMM.Value/dia) * 180 / math.Pi
		r.step("angle = 2·arcsin(chord/D)", fmt.Sprintf("2·arcsin(%s/%s)", trim(m.ChordMM.Value), trim(dia)), "%s°", fixed(a, 4))
		if a > 150 {
			return nil, refuse("distance", "Straight across nearly the whole flywheel (%.0f°), the distance hardly changes with the angle.", "Measure along the rim, with a tape.", a)
		}
		slope := perDeg * math.Cos(a/2*math.Pi/180) // mm of chord per degree
		r.rectangle("the distance as measured", half, "mm", 1/slope, "±%s mm, rectangular, %s", trim(half), how)
		r.rectangle("the flywheel's diameter", diaTol, "mm", math.Sin(a/2*math.Pi/180)/slope, "±%s mm, rectangular, %s", trim(diaTol), diaHow)
		m.toAngle(r, a)
	}
	m.fine(r, perDeg)
	m.direction(r, a)
	return r, nil
}

// fromAngle finds both distances.
func (m Rim) fromAngle(r *Result, a, dia, diaTol float64, diaHow string) {
	arc := math.Pi * dia * a / 360
	chord := dia * math.Sin(a/2*math.Pi/180)
	r.step("along the rim = π·D·angle/360°", fmt.Sprintf("π·%s mm·%s°/360°", trim(dia), trim(a)), "%s mm", fixed(arc, 3))
	r.step("straight across = D·sin(angle/2)", fmt.Sprintf("%s mm·sin(%s°/2)", trim(dia), trim(a)), "%s mm", fixed(chord, 3))
	r.rectangle("the flywheel's diameter", diaTol, "mm", arc/dia, "±%s mm, rectangular, %s", trim(diaTol), diaHow)
	m.line(r, 1)
	r.conclude("the distance along the rim, as it will be marked", "mm")
	u := r.Total.Expanded
	r.answer("arc_mm", "along the rim, with a tape", "mm", arc, u)
	across := r.answer("chord_mm", "straight across, with callipers", "mm", chord, u)
	side := ""
	if m.AngleDeg.Value != 0 {
		side = " " + beforeAfter(m.AngleDeg.Value)
	}
	r.Headline = fmt.Sprintf("%s°%s is %s along the rim, or %s straight across (± at 95 %% coverage).", trim(a), side, with(arc, u, "mm"), across.Text)
}

// toAngle ends the working of an angle from a distance.
func (m Rim) toAngle(r *Result, a float64) {
	m.line(r, 360/(math.Pi*m.DiameterMM.Value))
	r.conclude("the angle", "°")
	ans := r.answer("angle_deg", "crank degrees between the marks", "°", a, r.Total.Expanded)
	what, how := m.ArcMM, "along the rim"
	if what == nil {
		what, how = m.ChordMM, "straight across"
	}
	r.Headline = fmt.Sprintf("%s mm %s is %s of the crank (± at 95 %% coverage).", trim(what.Value), how, ans.Text)
}

// width is that of a scribed line, mm.
func (m Rim) width() float64 {
	if m.LineMM != nil {
		return m.LineMM.Value
	}
	return lineDefaultMM
}

// line adds the two lines between which is measured: the middle of each is
// somewhere within its width. per is the unit of the total per mm.
func (m Rim) line(r *Result, per float64) {
	from := assumed
	if m.LineMM != nil {
		from = origin(m.LineMM)
	}
	w := m.width()
	r.inputs("line_mm", "width of a scribed line", trim(w)+" mm", from, w)
	for _, s := range []string{"one mark", "the other mark"} {
		r.rectangle("the line of "+s, w/2, "mm", per, "±%s mm, rectangular: its middle lies within its width", trim(w/2))
	}
}

// fine adds what a line's width, a millimetre on the rim and a millimetre of the
// eye are in degrees.
func (m Rim) fine(r *Result, perDeg float64) {
	gap, eye := pointerGapDefault, eyeDefaultMM
	gapFrom, eyeFrom := assumed, assumed
	if m.PointerGapMM != nil {
		gap, gapFrom = m.PointerGapMM.Value, origin(m.PointerGapMM)
	}
	if m.EyeMM != nil {
		eye, eyeFrom = m.EyeMM.Value, origin(m.EyeMM)
	}
	r.inputs("pointer_gap_mm", "the rim lies behind the pointer by", trim(gap)+" mm", gapFrom, gap)
	r.inputs("eye_mm", "the eye is from the pointer", trim(eye)+" mm", eyeFrom, eye)
	w := m.width()
	r.step("one millimetre along the rim = 360°/(π·D)", fmt.Sprintf("360°/(π·%s)", trim(m.DiameterMM.Value)), "%s°", fixed(1/perDeg, 3))
	r.step("one line's width", fmt.Sprintf("%s mm·%s° per mm", trim(w), fixed(1/perDeg, 3)), "%s°", fixed(w/perDeg, 3))
	shift := gap / eye
	r.step("the eye 1 mm to one side: the pointer covers the rim 1 mm·gap/distance further on (similar triangles)", fmt.Sprintf("1 mm·%s/%s = %s mm, · %s° per mm", trim(gap), trim(eye), fixed(shift, 4), fixed(1/perDeg, 3)), "%s°", fixed(shift/perDeg, 4))
	r.answer("deg_per_mm", "one millimetre along the rim is", "°", 1/perDeg, 0).Text = fixed(1/perDeg, 3) + "°"
	r.answer("line_deg", "one scribed line's width is", "°", w/perDeg, 0).Text = fixed(w/perDeg, 3) + "°"
	r.answer("eye_deg_per_mm", "one millimetre that the eye is to one side is", "°", shift/perDeg, 0).Text = fixed(shift/perDeg, 4) + "°"
	r.note("eye", false, "An eye 50 mm to one side reads %s° wrong with this pointer. Look along the pointer squarely at the rim, with one eye, always from the same place; the nearer the pointer stands to the rim, the less it matters.", fixed(50*shift/perDeg, 2))
}

// direction says which way to measure.
func (m Rim) direction(r *Result, a float64) {
	if m.AngleDeg == nil || a == 0 {
		return
	}
	with, against := "in the running direction", "against the running direction"
	switch m.Rotation {
	case "clockwise":
		with, against = with+", clockwise as you look at the flywheel", against+", anticlockwise as you look at the flywheel"
	case "anticlockwise":
		with, against = with+", anticlockwise as you look at the flywheel", against+", clockwise as you look at the flywheel"
	}
	if a < 0 {
		with, against = against, with
	}
	r.inputs("rotation", "the flywheel turns", rotationWords(m.Rotation), rotationFrom(m.Rotation, m.RotationOrigin))
	r.note("which-way", false, "Where to mark. On the flywheel: crank at top dead centre, start from the point under the pointer, and measure %s. That new mark passes the pointer at %s° %s. Or on the case, with one mark on the flywheel: start from the pointer and measure %s.", with, trim(math.Abs(a)), beforeAfter(a), against)
}

func rotationWords(s string) string {
	if s == "" {
		return "not said"
	}
	return s + ", seen from the flywheel side"
}

func rotationFrom(s, from string) string {
	switch {
	case s == "":
		return "left open"
	case from == "":
		return "given"
	}
	return from
}

// origin is where a quantity came from.
func origin(q *Quantity) string {
	if q.Origin != "" {
		return q.Origin
	}
	return "given"
}
