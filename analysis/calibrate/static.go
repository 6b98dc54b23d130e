package calibrate

import (
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/analysis/enginefile"
	"sparkscope/dsp"
)

// Static is a static angle that is known, and what else Calibrate needs for
// setting a running engine against it.
type Static struct {
	AngleDeg     float64  // crank degrees before top dead centre at which the stationary ignition fires
	ToleranceDeg *float64 // ±; nil: 0.5
	// FixedTiming: it is known that the ignition has no advance mechanism, so
	// that a slope is a delay even where the recording does not show it.
	FixedTiming bool
	Turning     Turning
}

const (
	staticDefault     = 0.5  // degrees: lamp and wheel; common practice, no source
	leastSparks       = 30   // counted sparks that a line needs
	leastSpeedRatio   = 1.5  // between the fastest and the slowest speed (95 % and 5 % points)
	mostPlainDelayS   = 6e-4 // net delay beyond which no pick-up alone is to blame: a reed has 0.1 to 0.5 ms (design figures, common practice)
	worthSayingDelayS = 5e-6
)

// Calibrate gives the reference angle from a recording of an ignition with
// fixed timing: r is the recording's result, measured without a reference
// angle, and trains its pulses. Carried on to zero speed, all delays vanish
// and the ignition fires where it does when turned by hand: there
//
//	reference angle = static angle - angle relative to the reference.
//
// The line's slope is the net delay of pick-ups and ignition together; it is
// shown, and never taken out.
func (s Static) Calibrate(r *analysis.Result, trains []dsp.Train) (*Calibration, error) {
	tol, how := stated(s.ToleranceDeg, staticDefault)
	if !(s.AngleDeg > -180 && s.AngleDeg <= 180) || !(tol >= 0 && tol <= 180) {
		return nil, refuse("static", "The static angle is %g° ±%g°.", "Want degrees above -180, up to 180, and a tolerance of 0 to 180.", s.AngleDeg, tol)
	}
	if !r.Relative {
		return nil, refuse("relative", "The recording was measured with a reference angle.", "Leave the reference angle out: it is what is to be found.")
	}
	if n := r.Setup.ReferencePulses; n > 1 {
		return nil, refuse("pulses", "The reference has %d pulses per revolution, and the recording alone does not say which of them the angle belongs to.", "Use one magnet.", n)
	}
	var rpm, apart, w []float64
	cylinders := 0
	for i := range r.Firings {
		f := &r.Firings[i]
		if f.Status != analysis.OK || !f.HasAngle {
			continue
		}
		rpm, apart, w = append(rpm, f.RPM), append(apart, float64(f.Advance)), append(w, 1)
		cylinders = max(cylinders, f.Cylinder)
	}
	if cylinders > 0 {
		return nil, refuse("cylinders", "The recording holds the sparks of more than one cylinder, which need not fire alike.", "Record one cylinder at a time.")
	}
	if len(rpm) < leastSparks {
		return nil, refuse("few-sparks", "%d sparks could be counted.", "A line over speed needs %d or more: record ten seconds, from idle slowly to the top and back.", len(rpm), leastSparks)
	}
	sorted := slices.Clone(rpm)
	slices.Sort(sorted)
	low, high := quantileOf(sorted, 0.05), quantileOf(sorted, 0.95)
	t := r.Trend
	if high < leastSpeedRatio*low || t == nil {
		return nil, refuse("narrow", "The speeds go from %.0f to %.0f rpm only.", "To carry a line on to zero speed, the fastest must be at least %.1f times the slowest: record idle, a slow pull to the top, and back.", low, high, leastSpeedRatio)
	}
	if !t.Straight || t.Explanation == analysis.AdvanceCurve || t.Explanation == analysis.NoSingleCurve {
		why, code := t.Why, "not-straight"
		if t.Straight {
			code = "steep"
		}
		if why == "" {
			why = "The angle does not follow a straight line over speed."
		}
		return nil, refuse(code, "%s", "An ignition with an advance mechanism, or one that does not hold its angle, has no fixed angle to carry on to zero speed: lock the mechanism, stay below the speed at which it begins, or find the angle with the degree wheel.", why)
	}
	if d := math.Abs(t.EquivalentDelayS); d > mostPlainDelayS {
		return nil, refuse("steep", "The angle changes by %+.2f° per 1000 rpm: a net delay of %.0f µs would be needed for that, and a reed has 100 to 500.", "Either an advance mechanism is at work, and there is no fixed angle to carry on to zero speed; or a delay is known (a microphone, say) and was not given.", float64(t.SlopePer1000), 1e6*d)
	}

	c := &Calibration{Method: "static", Quantity: "reference angle", Meaning: "before top dead centre",
		Unit: Degrees, Key: enginefile.ReferenceAngle, ToleranceKey: enginefile.ReferenceAngleTolerance}
	c.input("static angle", "%g° before top dead centre ±%g° (%s)", s.AngleDeg, tol, how)
	c.input("recording", "%d sparks, %.0f to %.0f rpm", len(rpm), low, high)
	angle := circle.Wrap(s.AngleDeg - float64(t.Intercept))
	c.step("angle relative to the reference = intercept + slope·rpm/1000", "%.3f° %+.3f°·rpm/1000", float64(t.Intercept), float64(t.SlopePer1000))
	c.step("reference angle = static angle - intercept", "%g° - (%.3f°) = %.3f°", s.AngleDeg, float64(t.Intercept), angle)
	c.step("slope: pick-up or ignition, not separable; not taken out", "%+.3f° ±%.3f° per 1000 rpm, as a net delay of %.0f µs", float64(t.SlopePer1000), normal95*float64(t.SlopeStd), 1e6*t.EquivalentDelayS)

	dof := float64(len(rpm) - 2)
	if t.IndependentN > 2 {
		dof = math.Max(1, t.IndependentN-2)
	}
	c.typeA("intercept of the line", float64(t.InterceptStd), dof, "%d sparks, scatter %.2f° about the line, carried from %.0f rpm to zero", t.N, float64(t.ResidualStd), low)
	c.rectangle("static angle", tol, "±%g°, rectangular, %s", tol, how)
	uneven, _ := s.Turning.uneven(rpm, rpm, apart, w)
	c.typeB("speed variation within the revolution", uneven, "%s, carried to zero speed; spark %.0f° from the reference", s.Turning.words(), math.Abs(medianOf(apart)))
	if x := float64(t.LackOfFit); x > 0 {
		// A parabola that is off by x at both ends of a range is off by
		// x·(3u²-1)/2 at u, the range being -1 to 1.
		u := (t.FromRPM + t.ToRPM) / (t.ToRPM - t.FromRPM)
		c.rectangle("bend of the line", x*(3*u*u-1)/2, "bins up to %.2f° off, carried on as a parabola", x)
	}
	if r.Setup.ReferenceKind == analysis.CoilReference {
		for i := range trains {
			if trains[i].Channel == r.Setup.ReferenceChannel {
				c.crossing(&trains[i], rpm, w)
			}
		}
	}
	c.conclude(angle)
	if t.Explanation == analysis.NotDistinguishable && !s.FixedTiming {
		c.Doubt = fmt.Sprintf("from %.0f to %.0f rpm a delay and one leg of an advance curve cannot be told apart", t.FromRPM, t.ToRPM)
		c.note("not-distinguishable", true, "The angle changes by %+.2f° per 1000 rpm. From %.0f to %.0f rpm a delay does that, and so does one leg of an advance curve; if it is a curve, this reference angle is wrong by up to %.1f° more than its ± says. Record from idle to at least three times that; or, if the ignition has no advance mechanism at all, say so with --fixed-timing.", float64(t.SlopePer1000), t.FromRPM, t.ToRPM, math.Abs(float64(t.SlopePer1000))*t.FromRPM/1000)
	}
	c.note("fixed-timing", true, "This holds only if the ignition has no advance mechanism and fires, slowly turned, where the static angle says. A mechanism that acts in a straight line through all speeds of the recording looks the same as a delay and would make the angle wrong.")
	if d := t.EquivalentDelayS; math.Abs(d) > worthSayingDelayS {
		c.note("slope", false, "The slope of %+.2f° per 1000 rpm is pick-up or ignition, not separable, and was not taken out. Calibrate the pick-up on its own and give its delay; what then is left is the ignition's.", float64(t.SlopePer1000))
	}
	return c, nil
}

// crossing adds what AC coupling does to a coil's zero crossing.
func (c *Calibration) crossing(tr *dsp.Train, rpm, w []float64) {
	var wide []float64 // spacing in seconds times speed: it shrinks as the speed grows
	var at, of []float64
	last := math.NaN()
	for _, p := range tr.Pulses {
		if p.Class < 0 || p.Class >= len(tr.Shapes) || tr.Shapes[p.Class].Kind != dsp.Lobes || p.WidthS <= 0 {
			continue
		}
		now := tr.Rate.Seconds(p.Pos)
		if dt := now - last; dt > 0 && dt < 6 {
			at, of = append(at, 60/dt), append(of, p.WidthS)
		}
		last = now
	}
	for i := range at {
		wide = append(wide, at[i]*of[i])
	}
	if len(wide) < 3 {
		return
	}
	k := medianOf(wide)
	e := make([]float64, len(rpm))
	for i, v := range rpm {
		e[i] = 6 * v * crossingLateS(k/v)
	}
	a, _ := lineOf(rpm, e, w)
	c.rectangle("coil's zero crossing through AC coupling", math.Abs(a), "corner of the input up to %g Hz (stated default, common practice, no source), lobes %.0f° apart", couplingHz, 6*k)
}
