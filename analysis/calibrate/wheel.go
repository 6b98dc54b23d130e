package calibrate

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"sparkscope/analysis/circle"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/wheel"
)

// Wheel is what was read off a degree wheel, degrees. A reading r and r + 360
// are the same; all are read at one pointer.
type Wheel struct {
	// Graduated is how its figures run; empty: 0 to 360. On one with letters the
	// readings are places counted before the zero, as its Parse gives them, and
	// CountsAfter must be false.
	Graduated wheel.Graduation
	// Readings are where the reference event happens, turning in the running
	// direction. At least one.
	Readings []float64
	// Back are where it ends again when turned back: shown, not used.
	Back []float64
	// StopBefore and StopAfter are where a piston stop holds the crank:
	// turning forwards (before top dead centre), turning backwards (after it).
	// Both or none; none: the wheel's zero is top dead centre.
	StopBefore, StopAfter []float64
	// CountsAfter: the wheel's figures count degrees after top dead centre, in
	// the running direction. Else they count before it.
	CountsAfter bool

	DivisionDeg         float64  // between two lines of the wheel, or to what it was read; > 0, to 30
	PointerToleranceDeg *float64 // ± of pointer and eye; nil: 0.25
	ZeroToleranceDeg    *float64 // ± of the wheel's zero where there are no stops; nil: 0.5
}

// Defaults of Wheel, degrees: common practice, no source.
const (
	pointerDefault  = 0.25
	zeroDefault     = 0.5
	worthlessDeg    = 20 // ± of a reference angle of no use: ten times a road engine's tolerance (common practice, no source); two readings 3 degrees apart
	farthestStopDeg = 90 // of a piston stop from top dead centre
)

// settle finds the middle of readings of one place.
func settle(what string, r []float64) (wheel.Mean, error) {
	for _, v := range r {
		if !(v >= -360 && v <= 360) {
			return wheel.Mean{}, refuse("reading", "One of the %s is %g°.", "Want degrees as the wheel shows them, 0 to 360, or -360 to 0 where it is read the other way.", what, v)
		}
	}
	m, err := wheel.Average(r)
	var apart *wheel.ApartError
	if errors.As(err, &apart) {
		return m, refuse("reading", "The %s lie far apart: %g° is %.0f° from the middle of them.", "Leave out what was misread, and read again.", what, apart.Reading, apart.OffDeg)
	}
	return m, err
}

// Calibrate gives the reference angle.
func (w Wheel) Calibrate() (*Calibration, error) {
	c := &Calibration{Method: "wheel", Quantity: "reference angle", Meaning: "before top dead centre",
		Unit: Degrees, Key: enginefile.ReferenceAngle, ToleranceKey: enginefile.ReferenceAngleTolerance}
	pointer, pointerHow := stated(w.PointerToleranceDeg, pointerDefault)
	zeroTol, zeroHow := stated(w.ZeroToleranceDeg, zeroDefault)
	if w.Graduated == "" {
		w.Graduated = wheel.Full
	}
	switch {
	case len(w.Readings) == 0:
		return nil, refuse("reading", "There is no reading.", "Turn the crank in its running direction until the reference switches, and read the wheel; five times.")
	case (len(w.StopBefore) == 0) != (len(w.StopAfter) == 0):
		return nil, refuse("stop", "The piston stop was read on one side only.", "Top dead centre lies half-way between both sides: read the other too.")
	case w.Graduated.Lettered() && w.CountsAfter:
		return nil, refuse("counts", "On a wheel graduated %s the letters say which way the figures run.", "Leave out how it counts.", w.Graduated)
	case !(w.DivisionDeg > 0 && w.DivisionDeg <= 30):
		return nil, refuse("division", "The wheel's division is %g°.", "Want degrees above 0, at most 30.", w.DivisionDeg)
	case !(pointer >= 0 && pointer <= 30 && zeroTol >= 0 && zeroTol <= 30):
		return nil, refuse("tolerance", "Pointer ±%g°, zero ±%g°.", "Want degrees from 0 to 30.", pointer, zeroTol)
	}
	at, err := settle("readings", w.Readings)
	if err != nil {
		return nil, err
	}
	sense := 1.0
	counts := "before top dead centre"
	if w.CountsAfter {
		sense, counts = -1, "after top dead centre"
	}
	c.input("readings, running direction", "%s", w.asRead(w.Readings))
	if w.Graduated.Lettered() {
		c.input("the wheel is graduated", "%s, in divisions of %g°; b before, a after the zero, turned forwards; below, figures count before it, once around", w.Graduated, w.DivisionDeg)
	} else {
		c.input("the wheel counts", "degrees %s, in divisions of %g°", counts, w.DivisionDeg)
	}
	resolution := w.DivisionDeg / 2
	// Where readings scatter by half a division or more, rounding is a part of
	// their scatter: it averages with them and is not counted again. (The mean of
	// rounded readings of normal scatter σ is off by at most d/π·exp(-2π²σ²/d²),
	// 0.2 % of a division d at σ = d/2.)
	rounding := func(r wheel.Mean) float64 {
		if r.N > 1 && r.SD >= resolution {
			return 0
		}
		return 1
	}

	c.step(fmt.Sprintf("mean of %s", count(at.N, "reading")), "%.3f°", at.Deg)
	repeat := func(source string, r wheel.Mean, share float64) {
		if r.N == 1 {
			c.rectangle(source, share*w.DivisionDeg, "read once: ±1 division, rectangular, stated default, common practice, no source")
			return
		}
		part := ""
		if share != 1 {
			part = fmt.Sprintf("%g·", share) // half-way between two: each counts half
		}
		c.typeA(source, share*r.SD/math.Sqrt(float64(r.N)), float64(r.N-1), "s = %.3f° of %d: %ss/√%d", r.SD, r.N, part, r.N)
	}
	repeat("repeatability of the readings", at, 1)

	zero := 0.0
	if len(w.StopBefore) > 0 {
		before, err := settle("readings at the stop before top dead centre", w.StopBefore)
		if err != nil {
			return nil, err
		}
		after, err := settle("readings at the stop after top dead centre", w.StopAfter)
		if err != nil {
			return nil, err
		}
		c.input("at the stop, turning forwards", "%s", w.asRead(w.StopBefore))
		c.input("at the stop, turning backwards", "%s", w.asRead(w.StopAfter))
		half := math.Mod(sense*(before.Deg-after.Deg)+720, 360) / 2
		if half > farthestStopDeg || half == 0 {
			return nil, refuse("stop", "By these readings the piston stop would hold the crank %.0f° before and after top dead centre.", "Mostly the two sides are exchanged, or the wheel counts the other way round: forwards, the stop is met before top dead centre.", half)
		}
		zero = before.Deg - sense*half
		c.step(fmt.Sprintf("top dead centre on the wheel: half-way from %.3f° to %.3f°", before.Deg, after.Deg), "%.3f° (the stop holds %.2f° either side)", math.Mod(zero+720, 360), half)
		repeat("repeatability at the stop, forwards", before, 0.5)
		repeat("repeatability at the stop, backwards", after, 0.5)
		// Three readings with one error of rounding each, two at half weight.
		share := math.Sqrt(rounding(at) + rounding(before)/4 + rounding(after)/4)
		c.typeB("resolution of the wheel", resolution*share/math.Sqrt(3), "±%g°, rectangular, half a division: the reading, and half of each stop, where they do not scatter by as much", resolution)
	} else {
		c.rectangle("zero of the wheel", zeroTol, "±%g°, rectangular, %s", zeroTol, zeroHow)
		c.rectangle("resolution of the wheel", resolution*rounding(at), "±%g°, rectangular, half a division, where the readings do not scatter by as much", resolution)
	}
	c.rectangle("pointer and eye", pointer, "±%g°, rectangular, %s", pointer, pointerHow)
	angle := circle.Wrap(sense * (at.Deg - zero))
	if w.CountsAfter {
		c.step(fmt.Sprintf("reference angle = %.3f° - %.3f°", math.Mod(zero+720, 360), at.Deg), "%.3f°", angle)
	} else {
		c.step(fmt.Sprintf("reference angle = %.3f° - %.3f°", at.Deg, math.Mod(zero+720, 360)), "%.3f°", angle)
	}
	c.conclude(angle)
	if c.Expanded > worthlessDeg {
		return nil, refuse("vague", "These readings leave the reference angle open by ±%.0f°.", "Readings of one place agree to a division or two: leave out what was misread, and read five times, turning in the running direction.", c.Expanded)
	}

	if len(w.Back) > 0 {
		back, err := settle("readings when turned back", w.Back)
		if err != nil {
			return nil, err
		}
		c.input("readings, turned back", "%s", w.asRead(w.Back))
		c.hysteresis(circle.Wrap(sense*(back.Deg-at.Deg)), at, back, resolution)
	}
	if at.N == 1 {
		c.note("one-reading", true, "One reading shows no repeatability. Read five times: the ± becomes yours, and a misreading shows.")
	} else if at.N < 4 && at.SD > 0 {
		c.note("few-readings", false, "With %d readings Student's t makes the ± wide (factor %.1f for the readings alone); five or more make it much smaller.", at.N, studentFactor(at.N-1))
	}
	return c, nil
}

// hysteresis shows how far back the crank must be turned until the switch lets
// go: h degrees before the place where it acts. A switch needs less to hold than
// to act, so that h is not below 0; a wheel with play on the crank lags behind
// it both ways, which makes h smaller.
func (c *Calibration) hysteresis(h float64, at, back wheel.Mean, resolution float64) {
	u := hysteresisExpanded(at, back, resolution)
	c.step(fmt.Sprintf("hysteresis: from %.3f°, where it acts, back to %.3f°, where it lets go", at.Deg, back.Deg), "%.3f° ±%.2f°, positive against the running direction", h, u)
	switch {
	case h < -u:
		c.note("hysteresis", true, "Turned back, the switch lets go %.1f° (±%.1f°) too soon, before the crank is back where it acted. No switch does that: the wheel or its pointer has play on the crank (top dead centre is then off by half of it: fix it first), or the two lists are exchanged, or the wheel counts the other way round.", -h, u)
	case h <= u:
		c.note("hysteresis", false, "Forwards and back agree within what can be read (%.1f° ±%.1f°): neither hysteresis nor play of the wheel is to be seen.", math.Abs(h), u)
	default:
		c.note("hysteresis", false, "Turned back, the switch lets go %.1f° (±%.1f°) further back than it acts. Running, it acts where the readings in the running direction say, and those alone were used: never read it while turning back.", h, u)
	}
}

// hysteresisExpanded is the ± of the difference of two places at 95 % coverage.
// Both are read at one pointer, so that its offset cancels. What is left are
// their scatter, or a division for a single one, and the roundings where they
// are not a part of the scatter.
func hysteresisExpanded(at, back wheel.Mean, resolution float64) float64 {
	v := Calibration{Unit: Degrees}
	for _, r := range []wheel.Mean{at, back} {
		if r.N == 1 {
			v.rectangle("", 2*resolution, "")
		} else {
			v.typeA("", r.SD/math.Sqrt(float64(r.N)), float64(r.N-1), "")
		}
		if r.N == 1 || r.SD < resolution {
			v.rectangle("", resolution, "")
		}
	}
	v.conclude(0)
	return v.Expanded
}

// asRead is readings as the wheel shows them.
func (w Wheel) asRead(v []float64) string {
	if !w.Graduated.Lettered() {
		return list(v)
	}
	s := make([]string, len(v))
	for i, x := range v {
		s[i] = w.Graduated.Figure(x)
	}
	return strings.Join(s, ", ")
}

// list is numbers as they were given.
func list(v []float64) string {
	s := make([]string, len(v))
	for i, x := range v {
		s[i] = fmt.Sprintf("%g", x)
	}
	return strings.Join(s, ", ") + "°"
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
