package session

import (
	"errors"
	"math"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
)

// measured is the result of a recording of an invented engine.
func measured(t *testing.T, speed string, change func(*engine.Engine)) *analysis.Result {
	t.Helper()
	spec := scene.Default()
	spec.BounceS = 0
	spec.Engine.Profile = profile(t, speed)
	change(&spec.Engine)
	_, src, err := scene.Render(spec)
	if err != nil {
		t.Fatal(err)
	}
	l := dsp.NewListener(src.Rate(), src.Channels())
	block := make([][]float64, src.Channels())
	x := make([][]float32, src.Channels())
	for c := range block {
		block[c], x[c] = make([]float64, 1<<14), make([]float32, 1<<14)
	}
	frames := 0
	for done := false; !done; {
		var n int
		n, done = src.Next(block)
		part := make([][]float32, len(x))
		for c := range x {
			for i, v := range block[c][:n] {
				x[c][i] = float32(math.Round(v*32768) / 32768)
			}
			part[c] = x[c][:n]
		}
		l.Push(part)
		frames += n
	}
	angle := analysis.Degrees(spec.Engine.ReferenceDeg)
	r, err := analysis.Measure(analysis.Recording{SampleRateHz: float64(src.Rate()), Channels: 2, Bits: 16, DurationS: float64(frames) / float64(src.Rate())}, l.Finish(),
		analysis.Setup{ReferenceAngle: &angle})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

const threePulls = "250 hold 2s, swing 1400 in 500ms, hold 5s, ramp 5500 in 5s, hold 2s, ramp 1400 in 5s, hold 4s, ramp 5500 in 5s, hold 2s, ramp 1400 in 5s, hold 4s, ramp 5500 in 5s, hold 2s, ramp 1400 in 5s, hold 4s"

// TestSession: an engine whose mechanism sticks and which drifts, from samples to
// what is said of it, held to what it does.
func TestSession(t *testing.T) {
	const sticking, drift = 0.8, 1.2
	r := measured(t, threePulls, func(e *engine.Engine) {
		e.Advance = engine.Curve{{RPM: 1200, AdvanceDeg: 12}, {RPM: 3500, AdvanceDeg: 20}}
		e.ScatterDeg, e.StickingDeg, e.DriftDeg = 0.4, sticking, drift
	})
	s, err := New(r, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for i := range s.Parts {
		kinds = append(kinds, s.Parts[i].Name())
		if s.Parts[i].Side == nil || s.Parts[i].Scatter == nil {
			t.Errorf("%s has no figure", s.Parts[i].Name())
		}
	}
	want := []string{"cranking 1", "idle 1", "pull up 1", "hold 1", "pull down 1", "idle 2", "pull up 2", "hold 2", "pull down 2", "idle 3", "pull up 3", "hold 3", "pull down 3", "idle 4"}
	if len(kinds) != len(want) {
		t.Fatalf("parts %q, want %q", kinds, want)
	}
	for i := range want {
		if kinds[i] != want[i] {
			t.Errorf("part %d is %s, want %s", i+1, kinds[i], want[i])
		}
	}
	if s.Up == nil || s.Down == nil || s.UpDown == nil || s.Drift == nil {
		t.Fatalf("up %v, down %v, up and down %v, drift %v: want all", s.Up, s.Down, s.UpDown, s.Drift)
	}
	// The drift runs over the whole recording; between the middles of the first and
	// the last part it is less.
	truth := drift * s.Drift.OverS / r.Recording.DurationS
	if d := math.Abs(float64(s.Drift.Change) - truth); d > float64(s.Drift.Expanded) {
		t.Errorf("drift %.3f° ± %.3f, want %.3f", s.Drift.Change, s.Drift.Expanded, truth)
	}
	if !s.Drift.Sure {
		t.Error("the drift is not shown")
	}
	// Down less up: the sticking, and the drift between their middles.
	got := float64(s.UpDown.Mean.Difference - s.Drift.UpDown)
	if d := math.Abs(got + sticking); d > float64(s.UpDown.Mean.Expanded) {
		t.Errorf("down less up, without the drift: %.3f° ± %.3f, want %.3f", got, s.UpDown.Mean.Expanded, -sticking)
	}
	// From one pull to the next the drift is what it is: three equal steps have the
	// standard deviation of one.
	step := drift * (s.Parts[s.Up.Pulls[1]].FromS - s.Parts[s.Up.Pulls[0]].FromS) / r.Recording.DurationS
	const near = 0.12 // the spread's own error: 0.08° of scatter, over the root of the nine points, and the drift within a pull
	if d := math.Abs(float64(s.Up.StdDev) - step); d > near {
		t.Errorf("from pull to pull %.3f°, want %.3f", s.Up.StdDev, step)
	}
	for i, c := range s.Up.Against {
		if d := math.Abs(float64(c.Mean.Difference) - float64(i+1)*step); d > float64(c.Mean.Expanded) {
			t.Errorf("pull %d less the first: %.3f° ± %.3f, want %.3f", i+2, c.Mean.Difference, c.Mean.Expanded, float64(i+1)*step)
		}
	}
	for i := range s.Up.Curve {
		c := &s.Up.Curve[i]
		if c.Lowest > c.Mean || c.Mean > c.Highest || c.Pulls < 1 || c.Pulls > 3 || c.Expanded <= 0 {
			t.Errorf("point %+v", c)
		}
		// The middle pull's time is that of the mean: the advance with half the
		// sticking, and the drift up to then.
		p := &s.Parts[s.Up.Pulls[1]]
		then := p.FromS + (p.ToS-p.FromS)*(c.RPM-p.FromRPM)/(p.ToRPM-p.FromRPM)
		truth := 12 + 8*math.Min(1, math.Max(0, (c.RPM-1200)/2300)) + sticking/2 + drift*then/r.Recording.DurationS
		if d := math.Abs(float64(c.Mean) - truth); d > float64(c.Expanded) {
			t.Errorf("at %.0f rpm the mean of the pulls is %.2f° ± %.2f, want %.2f", c.RPM, c.Mean, c.Expanded, truth)
		}
	}
}

// TestAlike: an engine that does nothing of the sort is not said to.
func TestAlike(t *testing.T) {
	s, err := New(measured(t, threePulls, func(e *engine.Engine) { e.ScatterDeg = 0.5 }), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if d := s.Drift; d == nil || d.Sure {
		t.Errorf("drift %+v: want none shown", d)
	}
	if c := s.UpDown; c == nil || c.Mean.Sure || c.Changes {
		t.Errorf("up and down %+v: want no difference shown", c)
	}
	if f := s.Up; f == nil || float64(f.StdDev) > 2*float64(f.Sampling) {
		t.Errorf("pulls up %+v: want no more than scatter", f)
	}
}

// TestNothing: too few sparks are an error that says so.
func TestNothing(t *testing.T) {
	if _, err := New(&analysis.Result{}, Options{}); !errors.Is(err, ErrTooShort) {
		t.Errorf("of nothing: %v", err)
	}
}
