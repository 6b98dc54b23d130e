package live_test

import (
	"math"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/analysis/live"
	"sparkscope/dsp"
)

func deg(v float64) *analysis.Degrees { d := analysis.Degrees(v); return &d }

// made is a recording of an invented engine, as a card would give it.
func made(t testing.TB, change func(*scene.Spec)) (*scene.Truth, dsp.Rate, [][]float32) {
	t.Helper()
	spec := scene.Default()
	change(&spec)
	truth, src, err := scene.Render(spec)
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float32
	for _, c := range src.All() {
		x := make([]float32, len(c))
		for i, v := range c {
			x[i] = float32(math.Round(v*32768) / 32768)
		}
		out = append(out, x)
	}
	return truth, src.Rate(), out
}

func profile(t testing.TB, text string) engine.Profile {
	t.Helper()
	p, err := engine.ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// play pushes a recording in blocks of so many seconds and calls f after each.
func play(s *live.Session, rate dsp.Rate, x [][]float32, block float64, f func(now float64)) {
	n := max(1, int(block*float64(rate)))
	for from := 0; from < len(x[0]); from += n {
		to := min(from+n, len(x[0]))
		b := make([][]float32, len(x))
		for c := range x {
			b[c] = x[c][from:to]
		}
		s.Push(b)
		f(float64(to) / float64(rate))
	}
}

// TestReadings: what is shown while the engine runs is near the truth of the
// last sparks, from two seconds on; the end is what Measure says of the file.
func TestReadings(t *testing.T) {
	// An early template averages few sparks: a fifth of a sample, 0.1 degrees at
	// 3000 rpm, besides the scatter's part.
	const off = 0.35 // degrees
	truth, rate, x := made(t, func(s *scene.Spec) {
		s.Engine.Profile = profile(t, "1300 hold 2s, swing 3000 in 2s, hold 1s")
		s.Engine.ScatterDeg = 0.2
		s.RateHz = 48000
	})
	setup := analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30), Target: deg(18), Tolerance: deg(2), ReferenceDelayS: 0}
	s, err := live.New(rate, 2, 16, setup, live.Options{Sparks: 10})
	if err != nil {
		t.Fatal(err)
	}
	sparks := truth.Of(engine.Spark)
	readings, looks := 0, 0
	play(s, rate, x, 0.05, func(now float64) {
		if looks++; looks%6 != 0 {
			return
		}
		r := s.Read()
		if !r.HasAngle {
			if now > 2 {
				t.Errorf("no angle at %.2f s: %s %s", now, r.State, r.Why)
			}
			return
		}
		readings++
		// The last spark shown is among the last that came.
		if age := now - r.LastS; age > 0.12+2*60/r.RPM {
			t.Errorf("at %.2f s the last spark shown came %.2f s before", now, age)
		}
		want, n := 0.0, 0
		for i := len(sparks) - 1; i >= 0 && n < r.N; i-- {
			if sparks[i].AppearsS <= r.LastS+1e-4 {
				want += sparks[i].AdvanceDeg
				n++
			}
		}
		want /= float64(n)
		if d := math.Abs(float64(r.Advance) - want); d > off {
			t.Errorf("at %.2f s: %.2f, true %.2f", now, float64(r.Advance), want)
		}
		if !r.HasTarget || r.Stale || r.State != live.Timing {
			t.Errorf("at %.2f s: %+v", now, r)
		}
	})
	if readings < 8 {
		t.Errorf("%d readings", readings)
	}
	counts := s.Read().Counts
	c := 0
	for _, b := range s.Curve() {
		c += b.N
	}
	if c < len(sparks)*8/10 || c != counts.Sparks {
		t.Errorf("%d sparks in the curve, %d counted, of %d", c, counts.Sparks, len(sparks))
	}
	got, err := s.Finish()
	if err != nil {
		t.Fatal(err)
	}
	l := dsp.NewListener(rate, 2)
	l.Push(x)
	want, err := analysis.Measure(analysis.Recording{SampleRateHz: float64(rate), Channels: 2, Bits: 16, DurationS: float64(len(x[0])) / float64(rate)}, l.Finish(), setup)
	if err != nil {
		t.Fatal(err)
	}
	if got.Advance.Mean != want.Advance.Mean || got.Counts != want.Counts {
		t.Errorf("at the end %v %+v, the file %v %+v", got.Advance.Mean, got.Counts, want.Advance.Mean, want.Counts)
	}
}

// TestStale: an engine that stops leaves a reading that says it is old.
func TestStale(t *testing.T) {
	_, rate, x := made(t, func(s *scene.Spec) {
		s.Engine.Profile = profile(t, "2000 hold 3s, ramp 0 in 500ms, hold 2s")
		s.RateHz = 48000
	})
	s, err := live.New(rate, 2, 16, analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30)}, live.Options{})
	if err != nil {
		t.Fatal(err)
	}
	play(s, rate, x, 0.1, func(now float64) {
		if now > 5 && now < 5.15 {
			r := s.Read()
			if !r.HasAngle || !r.Stale || r.State != live.Quiet || r.AgeS < 1.3 {
				t.Errorf("long after the last spark: %+v", r)
			}
		}
	})
}

// TestNothing: silence is no reading, and a dead channel is said to be one.
func TestNothing(t *testing.T) {
	s, err := live.New(48000, 2, 16, analysis.Setup{}, live.Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := [][]float32{make([]float32, 4800), make([]float32, 4800)}
	for i := range x[0] {
		x[0][i] = 1e-4 * float32(i%7)
	}
	for range 40 {
		s.Push(x)
	}
	r := s.Read()
	if r.HasAngle || !r.Levels[1].Dead || r.Levels[0].Dead || r.Same {
		t.Errorf("silence: %+v", r)
	}
	s, _ = live.New(48000, 2, 16, analysis.Setup{}, live.Options{})
	for range 20 {
		s.Push([][]float32{x[0], x[0]})
	}
	if !s.Read().Same {
		t.Error("two equal channels are not said to be one signal")
	}
}

// TestOptions: what cannot be is refused.
func TestOptions(t *testing.T) {
	for _, c := range []struct {
		rate     dsp.Rate
		channels int
		o        live.Options
	}{{48000, 2, live.Options{Sparks: -1}}, {48000, 2, live.Options{StripS: math.NaN()}}, {100, 2, live.Options{}}, {48000, 0, live.Options{}}} {
		if _, err := live.New(c.rate, c.channels, 16, analysis.Setup{}, c.o); err == nil {
			t.Errorf("%+v is taken", c)
		}
	}
}
