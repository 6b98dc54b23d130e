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

// tables are shared by the tests: what they find does not depend on it.
var tables = dsp.NewTables()

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
	s, err := live.New(rate, 2, 16, setup, live.Options{Sparks: 10, Tables: tables})
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
	l := dsp.NewListenerWith(rate, 2, []dsp.Options{{Tables: tables}, {Tables: tables}})
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
	s, err := live.New(rate, 2, 16, analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30)}, live.Options{Tables: tables})
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
	s, err := live.New(48000, 2, 16, analysis.Setup{}, live.Options{Tables: tables})
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
	s, _ = live.New(48000, 2, 16, analysis.Setup{}, live.Options{Tables: tables})
	for range 20 {
		s.Push([][]float32{x[0], x[0]})
	}
	if !s.Read().Same {
		t.Error("two equal channels are not said to be one signal")
	}
	for range 20 {
		s.Push([][]float32{make([]float32, 4800), make([]float32, 4800)})
	}
	if s.Read().Same {
		t.Error("two silent channels are said to carry one signal")
	}
}

// TestLevels: a spark every second and a half keeps its meter still, and an input
// is very low only if nothing on it was ever high.
func TestLevels(t *testing.T) {
	const rate, every = 8000, 12000
	s, err := live.New(rate, 2, 16, analysis.Setup{}, live.Options{Tables: tables})
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at < 12*rate; at += 800 {
		x := [][]float32{make([]float32, 800), make([]float32, 800)}
		if at%every == 0 {
			x[0][100], x[1][100] = 0.5, 0.029
		}
		if at == 6*rate {
			s.Reset()
		}
		s.Push(x)
		if at < 2*rate {
			continue
		}
		l := s.Read().Levels
		if l[0].Peak != 0.5 || l[0].Low || math.Abs(l[1].Peak-0.029) > 1e-6 || !l[1].Low {
			t.Fatalf("at %.1f s: %+v", float64(at)/rate, l)
		}
	}
	for range 25 {
		s.Push([][]float32{make([]float32, 800), make([]float32, 800)})
	}
	if l := s.Read().Levels; l[0].Peak != 0 || l[0].Low {
		t.Errorf("2.5 s after the last spark: %+v", l[0])
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

// gaps is a session that heard a recording of an engine at a steady speed with
// pieces of it missing.
func gaps(t *testing.T, lost func(s *live.Session, now float64) (skipS float64)) *live.Session {
	t.Helper()
	_, rate, x := made(t, func(s *scene.Spec) {
		s.Engine.Profile = profile(t, "2100 hold 12s")
		s.Engine.ScatterDeg = 0.2
	})
	s, err := live.New(rate, 2, 16, analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30)}, live.Options{Tables: tables})
	if err != nil {
		t.Fatal(err)
	}
	skip := 0.0
	n := int(0.02 * float64(rate))
	for from := 0; from+n <= len(x[0]); from += n {
		now := float64(from) / float64(rate)
		if now >= skip {
			s.Push([][]float32{x[0][from : from+n], x[1][from : from+n]})
			if d := lost(s, now); d > 0 {
				skip = now + d
			}
		}
	}
	return s
}

// TestGaps: across lost samples nothing is measured, what was had stays, and it
// goes on; the end is what it would have been, and its times are the recording's.
func TestGaps(t *testing.T) {
	whole := gaps(t, func(*live.Session, float64) float64 { return 0 })
	want, err := whole.Finish()
	if err != nil {
		t.Fatal(err)
	}
	before := 0
	cut := gaps(t, func(s *live.Session, now float64) float64 {
		switch {
		case math.Abs(now-5) < 1e-6 || math.Abs(now-8) < 1e-6:
			before = s.Read().Counts.Sparks
			s.Break()
			if r := s.Read(); r.HasAngle || r.Breaks == 0 || r.Counts.Sparks != before || len(s.Strip()) != before {
				t.Errorf("right after a gap: %+v", r)
			}
			return 0.08 // three blocks: 2.1 turns are missing, so that a rhythm goes on, nearly
		case now > 9.5 && now < 9.51, now > 7 && now < 7.01:
			r := s.Read()
			if !r.HasAngle || r.Stale || r.State != live.Timing || math.Abs(float64(r.Advance)-18) > 0.35 || r.Counts.Sparks < before+20 {
				t.Errorf("long after a gap: %+v", r)
			}
		}
		return 0
	})
	got, err := cut.Finish()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(got.Advance.Mean-want.Advance.Mean)) > 0.02 || got.Advance.N > want.Advance.N-4 || got.Advance.N < want.Advance.N-10 {
		t.Errorf("with two gaps %v of %d sparks, without %v of %d", got.Advance.Mean, got.Advance.N, want.Advance.Mean, want.Advance.N)
	}
	if got.MaxRPM > want.MaxRPM*1.01 || got.MinRPM < want.MinRPM*0.99 {
		t.Errorf("speeds of %g to %g rpm: the engine held its speed", got.MinRPM, got.MaxRPM)
	}
	if last := got.Firings[len(got.Firings)-1].TimeS; last > 12 || last < 11 {
		t.Errorf("the last spark of 12 s less two gaps is said to be at %.2f s", last)
	}
	if len(got.Recording.Remarks) == 0 {
		t.Error("the summary does not say that samples were lost")
	}
}

// TestPause: while nothing comes in a reading grows old and says so; what was in
// the strip is longer ago afterwards.
func TestPause(t *testing.T) {
	s := gaps(t, func(s *live.Session, now float64) float64 {
		if now < 6 || now > 6.01 {
			return 0
		}
		fresh, late := s.Read(), s.ReadAfter(5)
		if fresh.Stale || fresh.State != live.Timing || fresh.SilentS != 0 {
			t.Errorf("while samples come: %+v", fresh)
		}
		if !late.Stale || late.State != live.NoInput || math.Abs(late.AgeS-fresh.AgeS-5) > 1e-9 || late.Levels[0].Peak != 0 || late.Advance != fresh.Advance {
			t.Errorf("after five seconds without: %+v", late)
		}
		if r := s.ReadAfter(0.5); r.Stale || r.State != live.Timing {
			t.Errorf("after half a second without: %+v", r)
		}
		a := s.Strip()
		s.Lost(5)
		b := s.Strip()
		if len(a) == 0 || len(a) != len(b) || math.Abs(a[0].TimeS-b[0].TimeS-5) > 1e-9 {
			t.Errorf("the strip began at %v, and at %v after five seconds", a[0], b[0])
		}
		return 1
	})
	if r := s.Read(); !r.HasAngle || r.Stale || r.Breaks != 1 {
		t.Errorf("at the end: %+v", r)
	}
	// Nothing ever came.
	s, _ = live.New(48000, 2, 16, analysis.Setup{}, live.Options{Tables: tables})
	if r := s.ReadAfter(3); r.State != live.NoInput || r.HasAngle {
		t.Errorf("nothing ever came: %+v", r)
	}
}
