package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"sparkscope/analysis/engine"
	"sparkscope/analysis/fit"
	"sparkscope/dsp"
)

// legs is an advance of straight lines between points (rpm, degrees), level
// beyond them.
func legs(p ...[2]float64) func(float64) float64 {
	return func(rpm float64) float64 {
		if rpm <= p[0][0] {
			return p[0][1]
		}
		for i := 1; i < len(p); i++ {
			if rpm <= p[i][0] {
				return p[i-1][1] + (p[i][1]-p[i-1][1])*(rpm-p[i-1][0])/(p[i][0]-p[i-1][0])
			}
		}
		return p[len(p)-1][1]
	}
}

// there is a pull from one speed to another and back.
func there(lo, hi, dur float64) *profile {
	p := steady(lo, 1)
	ramp(p, dur, hi, true)
	ramp(p, 0.5, hi, true)
	ramp(p, dur, lo, true)
	return ramp(p, 1, lo, true)
}

// mechanical is the mechanism of issue 3: 22° from 1200 to 3200 rpm.
var mechanical = legs([2]float64{1200, 8}, [2]float64{3200, 30})

func measureWorld(t *testing.T, w world, s Setup) *Result {
	t.Helper()
	if w.refAngle == 0 {
		w.refAngle = 40
	}
	if w.scatter == 0 {
		w.scatter = 0.5
	}
	w.refKind = dsp.Contact
	s.ReferenceAngle = deg(w.refAngle)
	res, err := Measure(record(w), w.build().trains, s)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestExplanations is what a trend is taken for, on engines whose ignition is
// known.
func TestExplanations(t *testing.T) {
	for _, c := range []struct {
		name    string
		w       world
		s       Setup
		want    string
		corners []float64 // rpm
		delay   float64   // net, s, where the explanation is about one
		say     string
	}{
		{name: "fixed through a 250 µs reed", w: world{prof: there(1000, 6000, 5), refDelay: 250e-6}, want: AngleAndDelay, delay: -250e-6, say: "not separable"},
		{name: "fixed and no delay", w: world{prof: there(1000, 6000, 5)}, want: Constant},
		// What a recording alone cannot tell from a delay is said to be so.
		{name: "an advance that rises evenly over all of it", w: world{prof: there(1300, 6000, 5), advance: func(rpm float64) float64 { return 18 + 7*(rpm-1200)/4800 }}, want: AngleAndDelay, delay: -243e-6, say: "An advance that rises evenly from 13"},
		{name: "fixed, the coil 60 µs late, pick-ups known", w: world{prof: there(1000, 6000, 5), sparkDelay: 60e-6}, s: Setup{DelayToleranceS: ptr(10e-6)}, want: AngleAndDelay, delay: 60e-6, say: "truly comes later"},
		{name: "mechanism", w: world{prof: there(800, 6000, 5), advance: mechanical}, want: AdvanceCurve, corners: []float64{1200, 3200}, say: "No constant delay"},
		{name: "mechanism through a 250 µs reed", w: world{prof: there(800, 6000, 5), advance: mechanical, refDelay: 250e-6}, want: AdvanceCurve, corners: []float64{1200, 3200}, say: "rise by 22.0°"},
		{name: "wholly inside the mechanism's leg", w: world{prof: there(1400, 3000, 5), advance: mechanical}, want: AdvanceCurve, say: "between two of its corners"},
		{name: "reed over a narrow range", w: world{prof: there(1400, 3000, 5), refDelay: 250e-6}, want: NotDistinguishable, delay: -250e-6, say: "cannot be told apart"},
		// 1.5° per 1000 rpm, which is 250 µs.
		{name: "its twin: inside a shallow leg", w: world{prof: there(1400, 3000, 5), advance: legs([2]float64{1000, 15}, [2]float64{4000, 19.5})}, want: NotDistinguishable, delay: -250e-6, say: "cannot be told apart"},
		{name: "beyond the mechanism", w: world{prof: there(3500, 6500, 5), advance: mechanical}, want: Constant},
		{name: "retard at the top", w: world{prof: there(1200, 9000, 5), advance: legs([2]float64{5000, 24}, [2]float64{9000, 16})}, want: AdvanceCurve, corners: []float64{5000}},
		{name: "three corners", w: world{prof: there(800, 8000, 8), advance: legs([2]float64{1500, 10}, [2]float64{3000, 26}, [2]float64{6000, 26}, [2]float64{8000, 20})}, want: AdvanceCurve, corners: []float64{1500, 3000, 6000}},
		{name: "hardly any range", w: world{prof: there(2900, 3250, 1)}, want: TooLittleRange, say: "wider range"},
		{name: "blips, mechanism", w: world{prof: blips(), advance: legs([2]float64{1800, 8}, [2]float64{3800, 30})}, want: AdvanceCurve, corners: []float64{1800, 3800}},
		{name: "blips, fixed, reed", w: world{prof: blips(), refDelay: 250e-6}, want: AngleAndDelay, delay: -250e-6},
		// Two held speeds and 0.2 s between them: the few sparks passed quickly
		// are no outliers.
		{name: "mechanism passed quickly", w: world{prof: ramp(ramp(ramp(steady(1500, 4), 0.2, 5000, true), 4, 5000, true), 0.1, 5000, true), advance: mechanical}, want: AdvanceCurve, corners: []float64{3200}},
		{name: "nothing between two speeds", w: world{prof: ramp(ramp(steady(1500, 4), 0.001, 5000, true), 4, 5000, true), refDelay: 250e-6}, want: NotDistinguishable, say: "no spark between"},
		{name: "step", w: world{prof: there(1000, 6000, 4), advance: func(rpm float64) float64 {
			if rpm < 3000 {
				return 10
			}
			return 20
		}}, want: AdvanceCurve, corners: []float64{2900, 2900}, say: "steps"}, // within about a hundred rpm, as its uncertainty says
		// A curve less than what speed within the revolution may bend: 5.7°/2
		// of amplitude at idle with the reference half a turn away.
		{name: "a bend that the flywheel may make", w: world{prof: there(1000, 6000, 5), refAngle: -160, advance: legs([2]float64{2000, 15}, [2]float64{4000, 18})}, want: NotDistinguishable, corners: []float64{2000, 4000}, say: "within the revolution"},
	} {
		c.w.seed = 5
		res := measureWorld(t, c.w, c.s)
		tr := res.Trend
		if tr == nil {
			t.Errorf("%s: no trend", c.name)
			continue
		}
		if tr.Explanation != c.want || !strings.Contains(tr.Why, c.say) {
			t.Errorf("%s: %s: %s\nwant %s, saying %q", c.name, tr.Explanation, tr.Why, c.want, c.say)
		}
		if len(tr.Corners) != len(c.corners) {
			t.Errorf("%s: corners %+v, want %v", c.name, tr.Corners, c.corners)
			continue
		}
		// Four standard uncertainties and 10 rpm: the speed is a mean over a
		// revolution, the truth a moment's.
		for i, q := range tr.Corners {
			near(t, c.name+": corner", q.RPM, c.corners[i], 4*q.RPMStd+10)
			if q.RPMStd > 120 || q.AdvanceStd > 0.6 {
				t.Errorf("%s: corner %+v: too uncertain", c.name, q)
			}
			if c.w.advance != nil && c.w.refDelay == 0 && c.name != "step" {
				near(t, c.name+": angle at the corner", float64(q.Advance), c.w.advance(c.corners[i]), 4*float64(q.AdvanceStd)+0.1)
			}
		}
		if tr.Straight != (len(c.corners) == 0) {
			t.Errorf("%s: straight %v with %d corners", c.name, tr.Straight, len(c.corners))
		}
		if c.delay != 0 {
			near(t, c.name+": delay", tr.EquivalentDelayS, c.delay, 4*tr.EquivalentDelayStdS)
		}
		// The table: one is taken, the least criterion is 0.
		taken, least := 0, math.Inf(1)
		for _, a := range tr.Alternatives {
			if a.Taken {
				taken++
				if a.Corners != len(tr.Corners) {
					t.Errorf("%s: %q taken, %d corners", c.name, a.Name, len(tr.Corners))
				}
			}
			least = math.Min(least, a.Criterion)
		}
		if taken != 1 || least != 0 {
			t.Errorf("%s: %d taken, least criterion %g", c.name, taken, least)
		}
		if len(tr.Corners) > 0 && len(tr.Segments) != len(tr.Corners)+1 {
			t.Errorf("%s: %d segments for %d corners", c.name, len(tr.Segments), len(tr.Corners))
		}
	}
}

// TestEnds: both ends of a mechanism seen through a reed slope alike, as the
// reed's delay makes them, and the mechanism's own rise stands apart.
func TestEnds(t *testing.T) {
	tr := measureWorld(t, world{prof: there(800, 6000, 5), advance: mechanical, refDelay: 250e-6, seed: 5}, Setup{}).Trend
	if tr == nil || tr.Ends == nil {
		t.Fatalf("trend %+v, want ends alike", tr)
	}
	near(t, "delay of the ends", tr.Ends.EquivalentDelayS, -250e-6, 4*tr.Ends.EquivalentDelayStdS)
	near(t, "rise", float64(tr.Ends.Rise), 22, 4*float64(tr.Ends.RiseStd))
	near(t, "slope of the first piece", float64(tr.Segments[0].SlopePer1000), float64(tr.Segments[2].SlopePer1000), 1e-9)
	if tr.Ends.RiseStd > 0.4 || tr.Ends.EquivalentDelayStdS > 20e-6 {
		t.Errorf("ends %+v: too uncertain", tr.Ends)
	}
}

// TestTrendSurvives: outliers, few sparks, uneven scatter, missed pulses: the
// same corners.
func TestTrendSurvives(t *testing.T) {
	mid := legs([2]float64{2000, 8}, [2]float64{4000, 30})
	for _, c := range []struct {
		name string
		w    world
	}{
		{"missed and repeated", world{prof: there(1000, 6000, 5), advance: mid, missSpark: 0.1, repeat: 0.1, missRef: 0.05}},
		{"strays", world{prof: there(1000, 6000, 5), advance: mid, strays: 30}},
		{"blips", world{prof: blips(), advance: mid, missSpark: 0.05}},
	} {
		c.w.seed = 9
		tr := measureWorld(t, c.w, Setup{}).Trend
		if tr == nil || len(tr.Corners) != 2 {
			t.Errorf("%s: %+v", c.name, tr)
			continue
		}
		near(t, c.name+": corner", tr.Corners[0].RPM, 2000, 4*tr.Corners[0].RPMStd+10)
		near(t, c.name+": corner", tr.Corners[1].RPM, 4000, 4*tr.Corners[1].RPMStd+10)
	}
}

// TestUpDown: an advance that lags behind the speed by a tenth of a second has
// two curves, one up and one down, and no corners are given for either.
func TestUpDown(t *testing.T) {
	w := world{prof: there(1000, 6000, 3), refAngle: 40, refKind: dsp.Contact, scatter: 0.4, seed: 3}
	m := w.build()
	res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(40)})
	if err != nil {
		t.Fatal(err)
	}
	mid := legs([2]float64{2000, 8}, [2]float64{4000, 30})
	const lag = 0.1
	for i := range res.Firings {
		f := &res.Firings[i]
		f.Advance = Degrees(mid(w.prof.rpm(f.TimeS-lag))) + f.Advance - 20
	}
	again := measurement{res: res, given: Setup{ReferenceAngle: deg(40)}, arms: []arm{{}}}
	var rpm, adv, sig []float64
	for _, f := range res.Firings {
		if f.Status == OK {
			rpm, adv, sig = append(rpm, f.RPM), append(adv, float64(f.Advance)), append(sig, float64(f.Sigma))
		}
	}
	again.trend(rpm, adv, sig, 0)
	tr := res.Trend
	if tr.Explanation != NoSingleCurve || len(tr.Corners) > 0 || tr.Straight || tr.UpDown == nil || tr.UpDown.Difference > 0 {
		t.Errorf("%s, corners %v, up and down %+v: want no single curve, later on the way up", tr.Explanation, tr.Corners, tr.UpDown)
	}
	if !strings.Contains(tr.Why, "later while the speed rises") {
		t.Errorf("why: %s", tr.Why)
	}
}

// TestUpDownIsQuiet: of fixed engines, hardly any has a difference between up
// and down that forbids a curve.
func TestUpDownIsQuiet(t *testing.T) {
	for seed := range uint64(12) {
		tr := measureWorld(t, world{prof: there(1000, 5000, 2), scatter: 1, seed: seed, refDelay: 200e-6}, Setup{}).Trend
		if tr == nil || tr.Explanation == NoSingleCurve || !tr.Straight {
			t.Errorf("seed %d: %+v", seed, tr)
		}
	}
}

// TestTrendOfAnEngine: through analysis/engine, whose times are exact and whose
// advance follows the speed over a revolution.
func TestTrendOfAnEngine(t *testing.T) {
	for _, c := range []struct {
		name    string
		curve   string
		lag     float64
		want    string
		corners []float64
	}{
		{"fixed", "18", 0, Constant, nil},
		{"mechanism", "1200:8, 3200:30", 0, AdvanceCurve, []float64{1200, 3200}},
		{"mechanism, retard at the top", "1200:8, 3200:30, 5500:30, 7000:22", 0, AdvanceCurve, []float64{1200, 3200, 5500}},
		{"coil", "18", 60e-6, AngleAndDelay, nil},
	} {
		prof, err := engine.ParseProfile("800 hold 1s, swing 7000 in 6s, hold 1s, swing 800 in 6s, hold 1s")
		if err != nil {
			t.Fatal(err)
		}
		e := engine.Default()
		e.Profile, e.LagS = prof, c.lag
		if e.Advance, err = engine.ParseCurve(c.curve); err != nil {
			t.Fatal(err)
		}
		events, err := e.Run()
		if err != nil {
			t.Fatal(err)
		}
		spark := dsp.Train{Channel: 1, Rate: testRate, Frames: int64(prof.DurationS() * testRate), Level: dsp.Level{Peak: 0.5, Noise: 1e-4}, Shapes: []dsp.Shape{{Kind: dsp.Burst, Polarity: 1, Amp: 0.5, AnchorSigma: 0.05}}}
		ref := dsp.Train{Channel: 2, Rate: testRate, Frames: spark.Frames, Level: spark.Level, Shapes: []dsp.Shape{{Kind: dsp.Contact, Polarity: 1, Amp: 0.4, AnchorSigma: 0.02}}}
		for _, v := range events {
			if v.TimeS < 0 || v.TimeS > prof.DurationS() {
				continue
			}
			p := dsp.Pulse{Pos: v.TimeS * testRate, Sigma: 0.01, Amp: 0.45, Match: 0.99}
			switch v.Kind {
			case engine.Spark:
				spark.Pulses = append(spark.Pulses, p)
			case engine.Reference:
				p.WidthS = v.EndS - v.TimeS
				ref.Pulses = append(ref.Pulses, p)
			}
		}
		spark.Shapes[0].N, ref.Shapes[0].N = len(spark.Pulses), len(ref.Pulses)
		res, err := Measure(Recording{SampleRateHz: testRate, Channels: 2, Bits: 16, Encoding: "pcm", DurationS: prof.DurationS()}, []dsp.Train{spark, ref}, Setup{ReferenceAngle: deg(e.ReferenceDeg)})
		if err != nil {
			t.Fatal(err)
		}
		tr := res.Trend
		if tr == nil || tr.Explanation != c.want || len(tr.Corners) != len(c.corners) {
			t.Errorf("%s: %+v", c.name, tr)
			continue
		}
		for i, q := range tr.Corners {
			near(t, c.name+": corner", q.RPM, c.corners[i], 4*q.RPMStd+5)
		}
		if c.lag > 0 {
			near(t, c.name+": delay", tr.EquivalentDelayS, c.lag, 4*tr.EquivalentDelayStdS)
		}
	}
}

// TestLineFields: what the contract names, and the covariance that the budget
// needs: the line's variance at a speed from the fields alone.
func TestLineFields(t *testing.T) {
	tr := measureWorld(t, world{prof: there(1000, 6000, 5), refDelay: 250e-6, seed: 2}, Setup{}).Trend
	at := func(rpm float64) float64 {
		k := rpm / 1000
		return math.Sqrt(float64(tr.InterceptStd*tr.InterceptStd) + 2*k*tr.Covariance + k*k*float64(tr.SlopeStd*tr.SlopeStd))
	}
	near(t, "correlation", tr.Covariance/float64(tr.InterceptStd*tr.SlopeStd), tr.Correlation, 1e-9)
	// Least of all at the mean speed, and there the scatter over √n.
	if m := at(3200); !(m < at(1000) && m < at(6000)) {
		t.Errorf("u at 1000, 3200, 6000 rpm: %g %g %g", at(1000), at(3200), at(6000))
	}
	near(t, "u at the middle", at(3200), float64(tr.ResidualStd)/math.Sqrt(tr.IndependentN), 0.15*at(3200))
	near(t, "slope and delay", float64(tr.SlopePer1000), -6000*tr.EquivalentDelayS, 1e-9)
}

// TestUneven: on sparks that scatter four times as much at idle, nothing is
// found that is not there.
func TestUneven(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	bad := 0
	const runs = 40
	for range runs {
		x, y := make([]float64, 200), make([]float64, 200)
		for i := range x {
			x[i] = 1000 + 5000*rng.Float64()
			y[i] = 20 + 1600/x[i]*rng.NormFloat64()
		}
		ch, ok := fit.Choose(x, y, fit.Options{Floor: bendFloorDeg, Independent: EffectiveN})
		if !ok || len(ch.Curve.Corners) > 0 {
			bad++
		}
	}
	if bad > 4 {
		t.Errorf("corners in %d of %d", bad, runs)
	}
}
