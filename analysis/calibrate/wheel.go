package calibrate

import (
	"fmt"
	"math"
	"strings"

	"sparkscope/analysis/enginefile"
)

// Wheel is what was read off a degree wheel, degrees. A reading r and r + 360
// are the same; all are read at one pointer.
type Wheel struct {
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
	mostApartDeg    = 15 // of a reading from the middle of the others: a misreading
	worthlessDeg    = 20 // ± of a reference angle of no use: ten times a road engine's tolerance (common practice, no source); two readings 3 degrees apart
	farthestStopDeg = 90 // of a piston stop from top dead centre
)

// readings is a set of repeated readings of one place.
type readings struct {
	mean float64 // circular, in [0, 360)
	sd   float64 // n-1; 0 with one
	n    int
}

// settle finds the middle of readings on the circle: the circular mean first
// (Mardia and Jupp, Directional Statistics, 2000, 2.2), then mean and standard
// deviation of the deviations from it, which for readings this close are those
// of plain numbers.
func settle(what string, r []float64) (readings, error) {
	var s, k float64
	for _, v := range r {
		if !(v >= -360 && v <= 360) {
			return readings{}, refuse("reading", "One of the %s is %g°.", "Want degrees as the wheel shows them, 0 to 360, or -360 to 0 where it is read the other way.", what, v)
		}
		a, b := math.Sincos(v * math.Pi / 180)
		s, k = s+a, k+b
	}
	centre := math.Atan2(s, k) * 180 / math.Pi
	var sum, ss float64
	for _, v := range r {
		sum += wrap(v - centre)
	}
	n := float64(len(r))
	off := sum / n
	farthest, odd := 0.0, 0.0
	for _, v := range r {
		d := math.Abs(wrap(v-centre) - off)
		if d >= farthest {
			farthest, odd = d, v
		}
		ss += d * d
	}
	if farthest > mostApartDeg || math.Hypot(s, k) < n/2 {
		return readings{}, refuse("reading", "The %s lie far apart: %g° is %.0f° from the middle of them.", "Leave out what was misread, and read again.", what, odd, farthest)
	}
	out := readings{mean: math.Mod(centre+off+720, 360), n: len(r)}
	if out.n > 1 {
		out.sd = math.Sqrt(ss / (n - 1))
	}
	return out, nil
}

// Calibrate gives the reference angle.
func (w Wheel) Calibrate() (*Calibration, error) {
	c := &Calibration{Method: "wheel", Quantity: "reference angle", Meaning: "before top dead centre",
		Unit: Degrees, Key: enginefile.ReferenceAngle, ToleranceKey: enginefile.ReferenceAngleTolerance}
	pointer, pointerHow := stated(w.PointerToleranceDeg, pointerDefault)
	zeroTol, zeroHow := stated(w.ZeroToleranceDeg, zeroDefault)
	switch {
	case len(w.Readings) == 0:
		return nil, refuse("reading", "There is no reading.", "Turn the crank in its running direction until the reference switches, and read the wheel; five times.")
	case (len(w.StopBefore) == 0) != (len(w.StopAfter) == 0):
		return nil, refuse("stop", "The piston stop was read on one side only.", "Top dead centre lies half-way between both sides: read the other too.")
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
	c.input("readings, running direction", "%s", list(w.Readings))
	c.input("the wheel counts", "degrees %s, in divisions of %g°", counts, w.DivisionDeg)
	resolution := w.DivisionDeg / 2
	// Where readings scatter by half a division or more, rounding is a part of
	// their scatter: it averages with them and is not counted again. (The mean of
	// rounded readings of normal scatter σ is off by at most d/π·exp(-2π²σ²/d²),
	// 0.2 % of a division d at σ = d/2.)
	rounding := func(r readings) float64 {
		if r.n > 1 && r.sd >= resolution {
			return 0
		}
		return 1
	}

	c.step(fmt.Sprintf("mean of %s", count(at.n, "reading")), "%.3f°", at.mean)
	repeat := func(source string, r readings, share float64) {
		if r.n == 1 {
			c.rectangle(source, share*w.DivisionDeg, "read once: ±1 division, rectangular, stated default, common practice, no source")
			return
		}
		part := ""
		if share != 1 {
			part = fmt.Sprintf("%g·", share) // half-way between two: each counts half
		}
		c.typeA(source, share*r.sd/math.Sqrt(float64(r.n)), float64(r.n-1), "s = %.3f° of %d: %ss/√%d", r.sd, r.n, part, r.n)
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
		c.input("at the stop, turning forwards", "%s", list(w.StopBefore))
		c.input("at the stop, turning backwards", "%s", list(w.StopAfter))
		half := math.Mod(sense*(before.mean-after.mean)+720, 360) / 2
		if half > farthestStopDeg || half == 0 {
			return nil, refuse("stop", "By these readings the piston stop would hold the crank %.0f° before and after top dead centre.", "Mostly the two sides are exchanged, or the wheel counts the other way round: forwards, the stop is met before top dead centre.", half)
		}
		zero = before.mean - sense*half
		c.step(fmt.Sprintf("top dead centre on the wheel: half-way from %.3f° to %.3f°", before.mean, after.mean), "%.3f° (the stop holds %.2f° either side)", math.Mod(zero+720, 360), half)
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
	angle := wrap(sense * (at.mean - zero))
	if w.CountsAfter {
		c.step(fmt.Sprintf("reference angle = %.3f° - %.3f°", math.Mod(zero+720, 360), at.mean), "%.3f°", angle)
	} else {
		c.step(fmt.Sprintf("reference angle = %.3f° - %.3f°", at.mean, math.Mod(zero+720, 360)), "%.3f°", angle)
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
		h := wrap(sense * (at.mean - back.mean))
		c.input("readings, turned back", "%s", list(w.Back))
		c.step("hysteresis: forwards less back", "%.3f°", h)
		c.note("hysteresis", false, "Turned back, the switch lets go %.1f° away from where it acts. Running, it acts where the readings in the running direction say, and those alone were used. If the wheel itself has play on the crank, top dead centre is off by half the play: fix it first.", math.Abs(h))
	}
	if at.n == 1 {
		c.note("one-reading", true, "One reading shows no repeatability. Read five times: the ± becomes yours, and a misreading shows.")
	} else if at.n < 4 && at.sd > 0 {
		c.note("few-readings", false, "With %d readings Student's t makes the ± wide (factor %.1f for the readings alone); five or more make it much smaller.", at.n, studentFactor(at.n-1))
	}
	return c, nil
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
