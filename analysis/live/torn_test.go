package live_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine/scene"
	"sparkscope/analysis/live"
)

// without is a recording from which frames were left out (or, below 0, put in
// twice) before some of its moments, which rise, seconds.
func without(x [][]float32, rate float64, at []float64, frames int) [][]float32 {
	out := make([][]float32, len(x))
	for c := range x {
		from := 0
		for _, t := range at {
			to := int(t * rate)
			out[c] = append(out[c], x[c][from:to]...)
			from = to + frames
		}
		out[c] = append(out[c], x[c][from:]...)
	}
	return out
}

// TestTears: samples that are missing without a word are noticed by the engine's
// rhythm, and neither speed nor angle is wrong for long.
func TestTears(t *testing.T) {
	const rpm, scatter = 1500, 0.3
	_, rate, x := made(t, func(s *scene.Spec) {
		s.Engine.Profile = profile(t, "1500 hold 7s")
		s.Engine.ScatterDeg = scatter
		s.RateHz = 44100
	})
	setup := analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30), Target: deg(18), Tolerance: deg(2)}
	for _, frames := range []int{128, 441, -441} {
		// Anywhere within the turn.
		rng := rand.New(rand.NewPCG(1, uint64(frames+1000)))
		var at []float64
		for s := 3.5; s < 6; s += 0.3 + 0.2*rng.Float64() {
			at = append(at, s)
		}
		short := without(x, float64(rate), at, frames)
		lost := float64(frames) / float64(rate)
		s, err := live.New(rate, 2, 16, setup, live.Options{Tables: tables})
		if err != nil {
			t.Fatal(err)
		}
		wrong, shown := 0, 0
		play(s, rate, short, 0.08, func(now float64) {
			r := s.Read()
			if now < 3 || !r.HasAngle {
				return
			}
			shown++
			// A tear is told from two turns after it; the speed is that of the last spark.
			recent := false
			for i, a := range at {
				if d := now - (a - float64(i)*lost); d > 0 && d < 5*60.0/rpm+0.08 {
					recent = true
				}
			}
			if !recent && math.Abs(r.RPM-rpm) > 0.01*rpm || math.Abs(float64(r.Advance)-18) > 0.35 {
				wrong++
				t.Logf("%d frames, at %.2f s: %.2f° at %.0f rpm of %d", frames, now, float64(r.Advance), r.RPM, r.N)
			}
		})
		if n := s.Tears(); n != len(at) || s.Read().Breaks != n {
			t.Errorf("%d frames missing %d times: %d times found", frames, len(at), n)
		}
		if wrong > 0 || shown < 40 {
			t.Errorf("%d frames: %d of %d readings are wrong", frames, wrong, shown)
		}
		res, err := s.Finish()
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(float64(res.Advance.Mean) - 18); d > 0.1 {
			t.Errorf("%d frames: the summary says %.2f°", frames, float64(res.Advance.Mean))
		}
	}
}

// TestNoTears: what an engine does is not taken for samples that are missing.
func TestNoTears(t *testing.T) {
	for name, change := range map[string]func(*scene.Spec){
		"blips": func(s *scene.Spec) {
			s.Engine.Profile = profile(t, "1500 hold 1s, swing 6000 in 1s, hold 1s, swing 2000 in 0.6s, hold 1s")
		},
		"ramps": func(s *scene.Spec) {
			s.Engine.Profile = profile(t, "1500 hold 2s, ramp 6000 in 0.4s, ramp 1500 in 0.4s, hold 2s")
		},
		"scatter":       func(s *scene.Spec) { s.Engine.Profile = profile(t, "1500 hold 6s"); s.Engine.ScatterDeg = 4 },
		"uneven":        func(s *scene.Spec) { s.Engine.Profile = profile(t, "1100 hold 6s"); s.Engine.Fluctuation = 0.2 },
		"missed sparks": func(s *scene.Spec) { s.Engine.Profile = profile(t, "2000 hold 6s"); s.Engine.MissProbability = 0.1 },
	} {
		_, rate, x := made(t, change)
		s, err := live.New(rate, 2, 16, analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30)}, live.Options{Tables: tables})
		if err != nil {
			t.Fatal(err)
		}
		play(s, rate, x, 0.3, func(float64) { s.Read() })
		if r := s.Read(); s.Tears() > 0 || r.Counts.Sparks == 0 {
			t.Errorf("%s: %d tears, %d sparks", name, s.Tears(), r.Counts.Sparks)
		}
	}
}
