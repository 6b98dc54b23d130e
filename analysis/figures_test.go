package analysis

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.15g, want %.15g (±%g)", what, got, want, tol)
	}
}

// TestEffectiveDof: JCGM 100:2008, H.1.6, printed there as 16.
func TestEffectiveDof(t *testing.T) {
	_, nu := combined([]Component{{Std: 25, Dof: 18}, {Std: 9.7, Dof: 25.6}, {Std: 2.9, Dof: 50}, {Std: 16.6, Dof: 2}})
	near(t, "effective degrees of freedom", nu, 16, 0.9)
	// Student's t for 95 % from JCGM 100:2008, table G.2.
	for _, c := range []struct{ nu, k float64 }{{1, 12.71}, {2, 4.30}, {5, 2.57}, {10, 2.23}, {50, 2.01}, {0, 1.960}} {
		near(t, "coverage", coverage(c.nu), c.k, 0.005)
	}
}

// TestCircularMean: worked examples of R CircStats and scipy's tests.
func TestCircularMean(t *testing.T) {
	m, r := circle.Mean([]float64{51, 67, 40, 109, 31, 358})
	near(t, "mean", m, 48.6271808872, 1e-9)
	near(t, "variance", 1-r, 0.16356352748, 1e-10)
	m, r = circle.Mean([]float64{355, 5, 2, 359, 10, 350})
	near(t, "mean", m, 0.167690146, 1e-9)
	near(t, "variance", 1-r, 0.006455174000787767, 1e-12)
	near(t, "sd", math.Sqrt(-2*math.Log(r))*180/math.Pi, 6.520702116, 1e-8)
}

func TestWrapAndFold(t *testing.T) {
	for _, c := range [][2]float64{{180, 180}, {-180, 180}, {540, 180}, {179.5, 179.5}, {-179.5, -179.5}, {360, 0}, {725, 5}, {-360.25, -0.25}} {
		near(t, "wrap", circle.Wrap(c[0]), c[1], 1e-12)
	}
	near(t, "fold", fold(200, 20, 180), 20, 1e-12)
	near(t, "fold", fold(-70, 0, 90), 20, 1e-12)
	near(t, "fold at the edge", fold(45, 0, 90), 45, 1e-12)
	near(t, "fold at the edge", fold(-45, 0, 90), 45, 1e-12)
}

// TestConstantAcceleration: phase is a second-degree polynomial, met exactly.
func TestConstantAcceleration(t *testing.T) {
	p := ramp(&profile{pieces: []piece{{t1: 1e-9, from: 900, to: 900}}}, 2, 14000, false)
	var s segment
	for k := 1; float64(k) < p.phase(p.end()); k++ {
		if k%7 == 3 {
			continue // bridged
		}
		s.nodes = append(s.nodes, node{t: p.time(float64(k)), phi: float64(k), sigma: 1e-7})
	}
	rng := rand.New(rand.NewPCG(3, 1))
	for range 2000 {
		x := s.nodes[0].t + rng.Float64()*(s.nodes[len(s.nodes)-1].t-s.nodes[0].t)
		k, ok := s.find(x, 0)
		if !ok {
			t.Fatal("outside")
		}
		near(t, "phase in degrees", 360*s.at(x, k).phi, 360*p.phase(x), 1e-9*360*100) // 1e-9 of the phase's size
		near(t, "phase within the turn", s.at(x, k).phi-float64(int(p.phase(x))), p.phase(x)-float64(int(p.phase(x))), 1e-9)
	}
}

// TestBlipInterpolation: a smooth blip of 15 000 rpm/s from idle stays below
// 0.3° rms, the limit of issue 2; the straight line is off by degrees.
func TestBlipInterpolation(t *testing.T) {
	p := blips()
	var s segment
	for k := 0; float64(k) < p.phase(p.end()); k++ {
		s.nodes = append(s.nodes, node{t: p.time(float64(k)), phi: float64(k)})
	}
	var ss, line, n float64
	for x := s.nodes[0].t; x < s.nodes[len(s.nodes)-1].t; x += 0.0007 {
		k, _ := s.find(x, 0)
		e := 360 * (s.at(x, k).phi - p.phase(x))
		ss += e * e
		a, b := s.nodes[k], s.nodes[k+1]
		l := 360 * (a.phi + (x-a.t)/(b.t-a.t) - p.phase(x))
		line = math.Max(line, math.Abs(l))
		n++
	}
	rms := math.Sqrt(ss / n)
	t.Logf("cubic %.3f° rms, straight line up to %.1f°", rms, line)
	if rms > 0.3 || line < 3 {
		t.Errorf("cubic %.3f° rms (want at most 0.3), straight line up to %.2f° (want over 3)", rms, line)
	}
}

// TestFluctuation holds the stated formula against the integral of the speed
// it is derived from, over all θ0. The rest is of second order in δ.
func TestFluctuation(t *testing.T) {
	const delta = 0.05
	for _, phase := range []float64{5, 42, 90, 180, -60} {
		var ss float64
		const n = 360
		for i := range n {
			th0 := 2 * math.Pi * float64(i) / n
			// dt = dθ/ω; numerically, time share of the way from 0 to phase.
			tm := func(to float64) float64 {
				const steps = 2000
				sum := 0.0
				for k := range steps {
					th := to * (float64(k) + 0.5) / steps
					sum += to / steps / (1 + delta/2*math.Cos(th-th0))
				}
				return sum
			}
			e := 360*tm(phase*math.Pi/180)/tm(2*math.Pi) - phase
			ss += e * e
		}
		near(t, "standard uncertainty", fluctuationStd(delta, phase), math.Sqrt(ss/n), 0.02*fluctuationStd(delta, phase))
	}
	near(t, "greatest at half a turn, δ = 0.1", fluctuationStd(0.1, 180)*math.Sqrt2, 5.73, 0.01)
}

// TestConformity: with a normal distribution, a mean right at the limit of a
// wide tolerance conforms with one half; 1.645 standard uncertainties inside,
// with 95 % (normal tables).
func TestConformity(t *testing.T) {
	conformity := func(dev, tol, u, nu float64) float64 {
		return newBudget([]Component{{Std: Degrees(u), Dof: nu, Distribution: Normal}}).conformity(dev, tol)
	}
	near(t, "at the limit", conformity(2, 2, 0.1, 0), 0.5, 1e-9)
	near(t, "inside", conformity(2-0.16449, 2, 0.1, 0), 0.95, 1e-4)
	near(t, "centre, u half of the tolerance", conformity(0, 2, 1, 0), 0.9545, 1e-4)
	if conformity(0, 2, 0, 0) != 1 || conformity(3, 2, 0, 0) != 0 {
		t.Error("without uncertainty it must be 1 inside and 0 outside")
	}
}

// TestEffectiveN: a first-order autoregression of coefficient a is worth
// n·(1-a)/(1+a) independent values (textbook result); white noise n.
func TestEffectiveN(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 2))
	for _, a := range []float64{0, 0.5, 0.8} {
		const n = 20000
		x := make([]float64, n)
		for i := 1; i < n; i++ {
			x[i] = a*x[i-1] + rng.NormFloat64()
		}
		want := n * (1 - a) / (1 + a)
		near(t, "effective n", EffectiveN(x), want, 0.15*want)
	}
}

func TestStatisticsOfFixedTiming(t *testing.T) {
	const d = 100e-6
	w := world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.4, seed: 4, refDelay: d}
	m := w.build()
	// The delay is not told: it must show as a slope, and the intercept stays.
	res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(62), Static: deg(20), Target: deg(20), Tolerance: deg(2)})
	if err != nil {
		t.Fatal(err)
	}
	tr := res.Trend
	if tr == nil || !tr.Straight {
		t.Fatalf("trend %+v, want a straight one", tr)
	}
	// A late reference makes the equivalent delay negative (contract).
	near(t, "equivalent delay", tr.EquivalentDelayS, -d, 4*tr.EquivalentDelayStdS)
	near(t, "its standard uncertainty", tr.EquivalentDelayStdS, 0.4/6/1750/math.Sqrt(720), 0.7e-6)
	near(t, "intercept", float64(tr.Intercept), 20, 4*float64(tr.InterceptStd))
	near(t, "scatter without the slope", float64(res.Advance.StdDev), 0.4, 0.04)
	near(t, "robust scatter", float64(res.Advance.Robust), 0.4, 0.06)
	if len(res.Bins) < 5 || len(res.Bins) > mostBins {
		t.Errorf("%d bins", len(res.Bins))
	}
	n := 0
	for _, b := range res.Bins {
		n += b.N
		near(t, "bin mean", float64(b.Mean), 20+6*d*b.MeanRPM, 4*0.4/math.Sqrt(float64(b.N))+0.02)
		if !b.HasExpanded && b.N > 1 || b.MeanRPM < b.FromRPM || b.MeanRPM > b.ToRPM {
			t.Errorf("bin %+v", b)
		}
	}
	if n != res.Counts.OK {
		t.Errorf("bins hold %d of %d", n, res.Counts.OK)
	}
	if res.Static == nil || len(res.Static.Differences) != 3 {
		t.Fatalf("static comparison %+v", res.Static)
	}
	for _, x := range res.Static.Differences {
		near(t, x.At, float64(x.Value), 6*d*x.RPM, 0.25)
		if x.Expanded <= 0 {
			t.Errorf("%s: no uncertainty", x.At)
		}
	}
	if len(res.Verdict.Bins) != len(res.Bins) {
		t.Errorf("%d bin verdicts, %d bins", len(res.Verdict.Bins), len(res.Bins))
	}
	// The whole against its parts.
	u, _ := combined(res.Uncertainty)
	near(t, "combined", float64(res.Advance.Budget.Combined), u, 1e-12)
	near(t, "expanded", float64(res.Advance.Expanded), res.Advance.Budget.Factor*u, 1e-12)
}

// TestBudgetCovers draws the errors of the setup from their stated
// distributions; the stated interval must hold the truth in at least 95 % and
// not be more than 1.4 times as wide as needed (issue 3).
func TestBudgetCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(77, 1))
	uniform := func(h float64) float64 { return h * (2*rng.Float64() - 1) }
	const runs = 300
	held := 0
	var half float64
	var errs []float64
	for i := range runs {
		dA, dS, dR := uniform(0.7), uniform(60e-6), uniform(60e-6)
		rpm := 1500 + 4000*rng.Float64()
		w := world{prof: steady(rpm, 1.2), refAngle: 62, refKind: dsp.Contact, scatter: 0.5, seed: uint64(i), sparkDelay: dS, refDelay: dR, phase0: -rng.Float64()}
		m := w.build()
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(62 + dA), ReferenceAngleTolerance: deg(0.7), DelayToleranceS: ptr(60e-6), SpeedFluctuation: ptr(0)})
		if err != nil {
			t.Fatal(err)
		}
		e := math.Abs(float64(res.Advance.Mean) - 20)
		errs = append(errs, e)
		half += float64(res.Advance.Expanded) / runs
		if e <= float64(res.Advance.Expanded) {
			held++
		}
	}
	need := func() float64 { slices.Sort(errs); return quantile(errs, 0.95) }()
	t.Logf("held %d of %d; half-width %.3f°, needed %.3f°", held, runs, half, need)
	if float64(held) < 0.95*runs || half > 1.4*need {
		t.Errorf("held %d of %d, mean half-width %.3f°, needed %.3f°", held, runs, half, need)
	}
}

func ptr(x float64) *float64 { return &x }

func TestVerdict(t *testing.T) {
	cases := []struct {
		adv, angleTol float64
		want          string
	}{{20, 0.2, Within}, {20.3, 0.2, Within}, {24, 0.2, Outside}, {21.9, 0.5, Undecided}, {18.05, 0.5, Undecided}, {16, 0.5, Outside}}
	for _, c := range cases {
		w := world{prof: steady(2500, 3), refAngle: 40, refKind: dsp.Lobes, scatter: 0.3, seed: 1, advance: func(float64) float64 { return c.adv }}
		res, err := Measure(record(w), w.build().trains, Setup{ReferenceAngle: deg(40), ReferenceAngleTolerance: deg(c.angleTol), Target: deg(20), Tolerance: deg(2)})
		if err != nil {
			t.Fatal(err)
		}
		if res.Verdict.Decision != c.want {
			t.Errorf("advance %g°: %s (probability %.3f), want %s", c.adv, res.Verdict.Decision, res.Verdict.Probability, c.want)
		}
		if (res.Verdict.Decision == Undecided) != (res.Verdict.Advice != "") {
			t.Errorf("advance %g°: advice %q", c.adv, res.Verdict.Advice)
		}
	}
}

func hasFinding(r *Result, code string) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Code == code })
}

func TestFindings(t *testing.T) {
	base := world{prof: pull(), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	type tc struct {
		code string
		w    world
		s    Setup
		edit func(*made)
	}
	with := func(f func(*world)) world { w := base; f(&w); return w }
	all := Setup{ReferenceAngle: deg(30)}
	for _, c := range []tc{
		{code: "relative", w: base},
		{code: "minus-target", w: with(func(w *world) { w.advance = func(float64) float64 { return -20 } }), s: Setup{ReferenceAngle: deg(30), Target: deg(20), Tolerance: deg(2)}},
		{code: "reed-speed-limit", w: base, s: all}, // 14° closed: limit 4667 rpm, measured to 6000
		{code: "little-speed-spread", w: with(func(w *world) { w.prof = steady(3000, 3) }), s: all},
		{code: "slope", w: with(func(w *world) { w.refDelay = 2e-4 }), s: all},
		{code: "curve", w: with(func(w *world) { w.advance = curve }), s: all},
		{code: "reference-far", w: with(func(w *world) { w.refAngle = -160 }), s: Setup{ReferenceAngle: deg(-160)}},
		{code: "reference-kind", w: base, s: Setup{ReferenceAngle: deg(30), ReferenceKind: CoilReference}},
		{code: "missed-sparks", w: with(func(w *world) { w.missSpark = 0.1 }), s: all},
		{code: "repeated-sparks", w: with(func(w *world) { w.repeat = 0.1 }), s: all},
		{code: "missed-references", w: with(func(w *world) { w.missRef = 0.05 }), s: all},
		{code: "reference-gaps", w: with(func(w *world) { w.gap = [2]float64{5, 7} }), s: all},
		{code: "equal-pulses", w: with(func(w *world) { w.teeth = []float64{0, 0.5} }), s: Setup{ReferenceAngle: deg(30), ReferencePulses: 2}},
		{code: "surplus-references", w: with(func(w *world) { w.teeth = []float64{0, 0.3} }), s: all},
		{code: "microphone", w: base, s: Setup{ReferenceAngle: deg(30), SparkKind: Microphone}},
		{code: "clipping", w: base, s: all, edit: func(m *made) {
			for i := range m.trains[0].Pulses {
				m.trains[0].Pulses[i].Clipped = true
			}
		}},
		{code: "contacts-running", w: base, s: Setup{ReferenceAngle: deg(30), SparkKind: Contacts}, edit: func(m *made) {
			for i := range m.trains[0].Shapes {
				m.trains[0].Shapes[i].Kind = dsp.Contact
			}
		}},
		{code: "missing-samples", w: base, s: all, edit: func(m *made) { cutOut(m, 2.2, 0.004) }},
		{code: "low-level", w: base, s: all, edit: func(m *made) { m.trains[0].Shapes[0].Amp = 0.01 }},
	} {
		m := c.w.build()
		if c.edit != nil {
			c.edit(&m)
		}
		res, err := Measure(record(c.w), m.trains, c.s)
		if err != nil {
			t.Errorf("%s: %v", c.code, err)
			continue
		}
		finiteAll(t, reflect.ValueOf(res), "Result")
		if !hasFinding(res, c.code) {
			t.Errorf("%s: not among the findings", c.code)
		}
	}
	// And none of them cries wolf on a good recording.
	w := world{prof: steady(3000, 4), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	told := all
	told.ReferenceDelayToleranceS = ptr(50e-6)
	res, err := Measure(record(w), w.build().trains, told)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range res.Findings {
		if f.Severity != Note {
			t.Errorf("good recording: %s %s: %s", f.Severity, f.Code, f.Message)
		}
	}
}

func TestRefusals(t *testing.T) {
	w := world{prof: steady(3000, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	good := func() []dsp.Train { return w.build().trains }
	empty := func(ch int) dsp.Train { return dsp.Train{Channel: ch, Rate: testRate, Frames: 1000} }
	for _, c := range []struct {
		name, code string
		trains     []dsp.Train
		s          Setup
	}{
		{"no channels", "input", nil, Setup{}},
		{"silence", "no-sparks", []dsp.Train{empty(1), empty(2)}, Setup{}},
		{"dead reference", "dead-channel", []dsp.Train{good()[0], empty(2)}, Setup{}},
		{"dead spark, told", "no-sparks", []dsp.Train{empty(1), good()[1]}, Setup{SparkChannel: 1, ReferenceChannel: 2}},
		{"dead reference, told", "no-reference", []dsp.Train{good()[0], empty(2)}, Setup{SparkChannel: 1}},
		{"one signal twice", "same-signal", []dsp.Train{good()[0], func() dsp.Train { x := good()[0]; x.Channel = 2; return x }()}, Setup{}},
		{"one signal twice, told", "same-signal", []dsp.Train{good()[0], func() dsp.Train { x := good()[0]; x.Channel = 2; return x }()}, Setup{SparkChannel: 1, ReferenceChannel: 2}},
		{"no such channel", "no-channel", good(), Setup{SparkChannel: 5}},
		{"one channel, sparks only", "no-sparks", []dsp.Train{good()[0]}, Setup{}},
		{"one channel, reference only", "no-sparks", []dsp.Train{good()[1]}, Setup{}},
	} {
		_, err := Measure(record(w), c.trains, c.s)
		var e *CannotMeasureError
		if !errors.Is(err, ErrCannotMeasure) || !errors.As(err, &e) {
			t.Errorf("%s: error %v, want a refusal", c.name, err)
			continue
		}
		if e.Code != c.code || e.Reason == "" {
			t.Errorf("%s: code %s (%v), want %s", c.name, e.Code, err, c.code)
		}
		if mono := len(c.trains) == 1; mono != (strings.Contains(e.Reason, "has one channel") && strings.Contains(e.Remedy, "Record in stereo")) {
			t.Errorf("%s: %v: want it said that the recording has one channel: %v", c.name, err, mono)
		}
	}
}

func TestValidate(t *testing.T) {
	if err := (Setup{}).Validate(); err != nil {
		t.Errorf("empty setup: %v", err)
	}
	nan := Degrees(math.NaN())
	for i, s := range []Setup{
		{SparkChannel: -1}, {ReferenceChannel: -2}, {SparkKind: "x"}, {ReferenceKind: "x"}, {ReferencePulses: -1},
		{SparksPerRev: SparksPerRev{1, 3}}, {SparksPerRev: SparksPerRev{0, 1}}, {SparksPerRev: SparksPerRev{3, 2}},
		{ReferenceAngle: &nan}, {ReferenceAngle: deg(400)}, {Static: deg(-180)}, {ReferenceAngle: deg(1), Target: deg(-180)}, {SparkDelayS: 2}, {ReferenceDelayS: math.NaN()},
		{DelayToleranceS: ptr(-1)}, {SpeedFluctuation: ptr(3)}, {Target: deg(20)}, {Tolerance: deg(2), ReferenceAngle: deg(1)},
		{StaticTolerance: deg(1)}, {ReferenceAngleTolerance: deg(-1)},
	} {
		if s.Validate() == nil {
			t.Errorf("case %d: %+v passes", i, s)
		}
	}
	for _, a := range []float64{math.Nextafter(-180, 0), 180} { // the ends of (-180, 180]
		if err := (Setup{ReferenceAngle: deg(a), Static: deg(a), Target: deg(a)}).Validate(); err != nil {
			t.Errorf("%v degrees: %v", a, err)
		}
	}
}

// TestOneInput: both pick-ups on one channel, told apart by shape, or when
// all are bursts by rhythm.
func TestOneInput(t *testing.T) {
	for _, kind := range []dsp.Kind{dsp.Contact, dsp.Lobes, dsp.Burst} {
		for _, angle := range []float64{62, 200, -35} {
			for _, setup := range []Setup{{}, {SparkChannel: 1, ReferenceChannel: 1}} {
				w := world{prof: pull(), refAngle: angle, refKind: kind, scatter: 0.3, seed: 5, phase0: -0.3}
				m := w.build()
				one := dsp.Train{Channel: 1, Rate: testRate, Frames: m.trains[0].Frames}
				one.Shapes = append(slices.Clone(m.trains[0].Shapes), m.trains[1].Shapes...)
				one.Pulses = slices.Clone(m.trains[0].Pulses)
				for _, p := range m.trains[1].Pulses {
					p.Class += len(m.trains[0].Shapes)
					one.Pulses = append(one.Pulses, p)
				}
				slices.SortFunc(one.Pulses, func(a, b dsp.Pulse) int {
					if a.Pos < b.Pos {
						return -1
					}
					return 1
				})
				m.trains = []dsp.Train{one}
				m.sparkCh, m.refCh = 1, 1
				o := hold(t, w, m, setup)
				if o.wrong > 0 || o.recall < 0.99 || math.Abs(o.mean) > maxMean || o.rms > maxRMS {
					t.Errorf("%s at %g°: wrong %d, recall %.4f, mean %.3f, rms %.3f", kind, angle, o.wrong, o.recall, o.mean, o.rms)
				}
				// The same on both channels of a stereo recording.
				two := one
				two.Channel = 2
				m.trains = []dsp.Train{one, two}
				if setup.SparkChannel != 0 {
					continue
				}
				if o := hold(t, w, m, setup); o.wrong > 0 || o.recall < 0.99 {
					t.Errorf("%s at %g°, doubled: wrong %d, recall %.4f", kind, angle, o.wrong, o.recall)
				}
			}
		}
	}
}
