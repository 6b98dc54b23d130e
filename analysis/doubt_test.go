package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"

	"sparkscope/dsp"
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
