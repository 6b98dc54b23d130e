package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"

	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// TestDoubt: where the figures may be those of something else, no verdict
// stands, however well they agree with the target, and the reason is said
// beside the answer.
func TestDoubt(t *testing.T) {
	base := world{prof: steady(3000, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	with := func(f func(*world)) world { w := base; f(&w); return w }
	quarters := []float64{0, 0.25, 0.5, 0.75}
	for _, c := range []struct {
		name, code string
		w          world
		s          Setup
		doubt      bool
	}{
		{name: "clean", w: base},
		{name: "four magnets, not said", code: "reference-pulses", doubt: true, w: with(func(w *world) { w.teeth = quarters })},
		{name: "four magnets, said", w: with(func(w *world) { w.teeth = quarters }), s: Setup{ReferencePulses: 4}},
		{name: "two in three sparks missing", code: "missed-sparks", doubt: true, w: with(func(w *world) { w.missSpark = 0.67 })},
		{name: "one in five sparks missing", w: with(func(w *world) { w.missSpark = 0.2 })},
	} {
		m := c.w.build()
		s := c.s
		s.ReferenceAngle, s.ReferenceDelayToleranceS = deg(30), ptr(50e-6)
		first, err := Measure(record(c.w), m.trains, s)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		// The target is the answer itself: by the figures alone it is within.
		s.Target, s.Tolerance = deg(float64(first.Advance.Mean)), deg(15)
		res, err := Measure(record(c.w), m.trains, s)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		v := res.Verdict
		if v.Probability < 0.95 {
			t.Errorf("%s: probability %g: not what is to be tested", c.name, v.Probability)
		}
		want := Within
		if c.doubt {
			want = Undecided
		}
		if v.Decision != want || v.Doubt != c.code || (v.Advice != "") != c.doubt {
			t.Errorf("%s: %s, doubt %q, advice %q; want %s, doubt %q", c.name, v.Decision, v.Doubt, v.Advice, want, c.code)
		}
		for _, b := range v.Bins {
			if c.doubt && b.Decision != Undecided {
				t.Errorf("%s: a bin is %s", c.name, b.Decision)
			}
		}
		if c.doubt && !slices.ContainsFunc(res.Findings, func(f Finding) bool { return f.Code == c.code && f.Beside }) {
			t.Errorf("%s: nothing of it beside the answer", c.name)
		}
	}
}

// TestOnsetUnsure: a channel that ends so low that the onset of a spark cannot be
// told leaves no verdict, and no order to stop; one that ends at 16 kHz does.
func TestOnsetUnsure(t *testing.T) {
	for _, c := range []struct {
		bandHz float64
		doubt  string
	}{{16000, ""}, {8000, "onset-unsure"}} {
		// Of 18°: against 12° it fires too early.
		rec, trains := heard(t, spec(t, checkSweep, func(s *scene.Spec) { s.Codec = &synth.Codec{BandHz: c.bandHz} }), nil)
		res, err := Measure(rec, trains, Setup{ReferenceAngle: deg(30), ReferenceDelayStated: true, Target: deg(12), Tolerance: deg(1)})
		if err != nil {
			t.Fatal(err)
		}
		want := Outside
		if c.doubt != "" {
			want = Undecided
		}
		if v := res.Verdict; v.Decision != want || v.Doubt != c.doubt {
			t.Errorf("%g Hz: %s, doubt %q; want %s, %q", c.bandHz, v.Decision, v.Doubt, want, c.doubt)
		}
		if s := said(res, "too-advanced"); strings.Contains(s, "Stop: ") != (c.doubt == "") || strings.Contains(s, "may fire") != (c.doubt != "") {
			t.Errorf("%g Hz: %q", c.bandHz, s)
		}
	}
}

// TestSparksUnsure: pulses beside the sparks in more than every other firing leave
// no verdict; in a fifth of them they do.
func TestSparksUnsure(t *testing.T) {
	for _, c := range []struct {
		strays int // in 150 revolutions
		doubt  string
	}{{30, ""}, {120, "sparks-unsure"}} {
		w := world{prof: steady(3000, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, strays: c.strays, seed: 2}
		res, err := Measure(record(w), w.build().trains, Setup{ReferenceAngle: deg(30), ReferenceDelayStated: true, SparksPerRev: SparksPerRev{1, 1}, Target: deg(20), Tolerance: deg(5)})
		if err != nil {
			t.Fatal(err)
		}
		if v := res.Verdict; v.Doubt != c.doubt || (v.Decision == Within) != (c.doubt == "") {
			t.Errorf("%d strays: %s, doubt %q; want %q (%+v)", c.strays, v.Decision, v.Doubt, c.doubt, res.Counts)
		}
	}
}

// TestDelayUnknown: a contact of whose delay nothing was said is a warning
// beside the answer; what a reed may shift is its 0.5 ms at the mean speed.
func TestDelayUnknown(t *testing.T) {
	w := world{prof: steady(3000, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	coil := w
	coil.refKind = dsp.Lobes
	for _, c := range []struct {
		name string
		w    world
		s    Setup
		said bool
	}{
		{"nothing", w, Setup{}, true},
		{"a delay", w, Setup{ReferenceDelayS: 2e-4}, false},
		{"no delay, stated", w, Setup{ReferenceDelayStated: true}, false},
		{"its tolerance", w, Setup{ReferenceDelayToleranceS: ptr(5e-5)}, false},
		{"the spark's tolerance only", w, Setup{SparkDelayToleranceS: ptr(5e-6)}, true},
		{"a coil", coil, Setup{}, false},
	} {
		c.s.ReferenceAngle = deg(30)
		res, err := Measure(record(c.w), c.w.build().trains, c.s)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(res.Findings, func(f Finding) bool { return f.Code == "reference-delay-unknown" })
		if (i >= 0) != c.said {
			t.Errorf("%s: said %t, want %t", c.name, i >= 0, c.said)
		}
		// 6 degrees per second and rpm, times 0.5 ms, times 3000 rpm.
		if i >= 0 && (res.Findings[i].Severity != Warning || !res.Findings[i].Beside || !strings.Contains(res.Findings[i].Message, " 9.0°")) {
			t.Errorf("%s: %+v", c.name, res.Findings[i])
		}
	}
}

// TestOthersDelay: a delay of a reed or a microphone on a pick-up that has none.
func TestOthersDelay(t *testing.T) {
	w := world{prof: steady(3000, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	coil := w
	coil.refKind = dsp.Lobes
	for _, c := range []struct {
		name string
		w    world
		s    Setup
		said bool
	}{
		{"a reed's on a coil", coil, Setup{ReferenceDelayS: 250e-6}, true},
		{"a coil's on a coil", coil, Setup{ReferenceDelayS: 20e-6}, false},
		{"a reed's on a reed", w, Setup{ReferenceDelayS: 250e-6}, false},
		{"a microphone's on a clamp", w, Setup{SparkDelayS: 1460e-6}, true},
		{"a microphone's on one", w, Setup{SparkKind: Microphone, SparkDelayS: 1460e-6}, false},
		{"a clamp's", w, Setup{SparkDelayS: 20e-6}, false},
	} {
		c.s.ReferenceAngle = deg(30)
		res, err := Measure(record(c.w), c.w.build().trains, c.s)
		if err != nil {
			t.Fatal(err)
		}
		if got := hasFinding(res, "others-delay"); got != c.said {
			t.Errorf("%s: said %t, want %t", c.name, got, c.said)
		}
	}
}

// TestUnusualAngle: an answer that few engines have is asked about, unless it
// was aimed at.
func TestUnusualAngle(t *testing.T) {
	for _, c := range []struct {
		at     float64
		target *Degrees
		asks   bool
	}{{20, nil, false}, {70, nil, true}, {70, deg(65), false}, {70, deg(20), true}, {-10, nil, true}, {-10, deg(-12), false}, {2, nil, false}} {
		w := world{prof: steady(3000, 3), refAngle: c.at + 20, refKind: dsp.Contact, scatter: 0.3, seed: 2}
		w.advance = func(float64) float64 { return c.at }
		res, err := Measure(record(w), w.build().trains, Setup{ReferenceAngle: deg(c.at + 20), Target: c.target})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(res.Advance.Mean)-c.at) > 0.5 {
			t.Errorf("%g°: measured %g°: not what is to be tested", c.at, float64(res.Advance.Mean))
		}
		if got := hasFinding(res, "unusual-angle"); got != c.asks {
			t.Errorf("%g°: asks %t, want %t", c.at, got, c.asks)
		}
	}
}

// TestDelayHangs: a verdict that hangs on a delay of which nothing was stated says
// so, and nothing is said of the engine as though it were certain. A reference that
// is late by d makes an advance read 6·rpm·d too large: the worlds show that.
func TestDelayHangs(t *testing.T) {
	const late = 250e-6 // a reed's, from its middle
	base := world{refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	at := func(p *profile, advance, delay float64) world {
		w := base
		w.prof = p
		w.advance = func(rpm float64) float64 { return advance + 6*delay*rpm }
		return w
	}
	known := func(s Setup) Setup { s.ReferenceDelayStated = true; return s }
	aim := func(target, tol float64) Setup {
		return Setup{ReferenceAngle: deg(30), Target: deg(target), Tolerance: deg(tol)}
	}
	for _, c := range []struct {
		name     string
		w        world
		s        Setup
		decision string
		hangs    bool
		in, not  []string // of what is said of the engine and of the verdict
	}{
		{name: "12° that read 18°", w: at(steady(4000, 3), 12, late), s: aim(18, 2), decision: Within, hangs: true},
		{name: "no delay, and stated", w: at(steady(4000, 3), 18, 0), s: known(aim(18, 2)), decision: Within, not: []string{"delay"}},
		{name: "18° that read more with speed", w: at(pull(), 18, late), s: aim(18, 2), decision: Outside, hangs: true,
			in: []string{"may fire", "state the reed's delay"}, not: []string{"Stop: ", "beyond doubt", "almost surely", "probably", "turn the plate"}},
		{name: "the same by a late advance mechanism, the delay known", w: at(pull(), 18, late), s: known(aim(18, 2)), decision: Outside, in: []string{"Stop: "}},
		// Later than the target whatever the delay is; how far to turn hangs on it.
		{name: "6° late", w: at(steady(3000, 3), 12, 0), s: aim(18, 2), decision: Outside,
			in: []string{"Beyond doubt the engine fires 6.0°", "later than the target", "it would be 15.0°", "before you turn anything"}, not: []string{"turn the plate by"}},
		// Earlier whatever the delay is: 9° less at the most.
		{name: "20° early", w: at(steady(3000, 3), 38, 0), s: aim(18, 2), decision: Outside, in: []string{"Stop: beyond doubt", "it would be 11.0°"}, not: []string{"turn the plate by"}},
		{name: "8° early", w: at(steady(3000, 3), 26, 0), s: aim(18, 2), decision: Outside, hangs: true, in: []string{"may fire"}, not: []string{"Stop: ", "Beyond doubt"}},
		// A tolerance that holds all that the delay may do.
		{name: "wide tolerance", w: at(steady(3000, 3), 18, 0), s: aim(13, 10), decision: Within},
		{name: "later with speed", w: at(pull(), 18, -200e-6), s: aim(18, 2), decision: Outside, in: []string{"does not keep to its target"}, not: []string{"perhaps", "Perhaps"}},
		{name: "a little earlier with speed", w: at(pull(), 16, 80e-6), s: aim(16.2, 1), decision: Undecided, not: []string{"Beyond doubt", "Almost surely", "Probably"}},
	} {
		res, err := Measure(record(c.w), c.w.build().trains, c.s)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		v := res.Verdict
		if v.Decision != c.decision || v.Doubt != "" || (v.Advice == hangsOnDelay) != c.hangs {
			t.Errorf("%s: %s, doubt %q, probability %g, advice %q; want %s, hangs %t", c.name, v.Decision, v.Doubt, v.Probability, v.Advice, c.decision, c.hangs)
		}
		if (v.Decision == Within) != (v.Probability >= WithinAt) {
			t.Errorf("%s: %s with a probability of %g", c.name, v.Decision, v.Probability)
		}
		all := v.Advice
		for _, code := range []string{"timing-offset", "offset-by-speed", "too-advanced"} {
			all += "\n" + said(res, code)
		}
		wording(t, c.name, all, c.in, c.not)
	}
}

// TestDecideLate: what is decided holds for every shift, its probability is the
// least sure of them, and the shift in between is looked at too.
func TestDecideLate(t *testing.T) {
	b := NewBudget([]Component{{Std: 0.5, Distribution: Normal}})
	for _, c := range []struct {
		dev, tol, late Degrees
		decision       string
		hangs          bool
	}{
		{0, 2, 0, Within, false},
		{0, 2, 1, Within, false},
		{0, 2, 9, Undecided, true},
		{1, 2, 2, Within, false}, // from +1 to -1
		{6, 2, 2, Outside, false},
		{6, 2, 12, Undecided, true}, // outside at both ends, within between them
		{-6, 2, 12, Outside, false},
		{2, 2, 0.1, Undecided, false}, // undecided whatever the shift
	} {
		d, p, hangs := b.DecideLate(c.dev, c.tol, c.late)
		if d != c.decision || hangs != c.hangs {
			t.Errorf("%+v: %s, hangs %t", c, d, hangs)
		}
		if d == Undecided {
			continue
		}
		for k := range 101 {
			q := b.conformity(float64(c.dev-c.late*Degrees(k)/100), float64(c.tol))
			if decide(q) != d || d == Within && q < p-1e-3 || d == Outside && q > p+1e-3 {
				t.Errorf("%+v: %s with %g, but %g at %d %% of the shift", c, d, p, q, k)
			}
		}
	}
}
