package live_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/analysis/live"
)

// TestPace: what is lost is found once and in its size, late pieces are not lost,
// another rate is told, and a drifting clock is neither.
func TestPace(t *testing.T) {
	const rate = 48000
	run := func(p *live.Pace, seconds, real, jitter float64, lostAt, lost float64) (found []float64) {
		r := rand.New(rand.NewPCG(3, 4))
		const n = 960
		gone := false
		for now := 0.0; now < seconds; now += n / real {
			if lost > 0 && now >= lostAt && !gone {
				now += lost // nobody hears these
				gone = true
			}
			// Each piece comes late by up to so much.
			if v := p.Take(n, now+jitter*r.Float64()); v != 0 {
				found = append(found, v)
			}
		}
		return found
	}
	for _, c := range []struct {
		name         string
		real         float64 // samples a second by the clock
		jitter, lost float64
		other        float64
	}{
		{"steady", rate, 0, 0, 0},
		{"in pieces of half a second", rate, 0.5, 0, 0},
		{"a clock 200 ppm off", rate * 1.0002, 0.05, 0, 0},
		{"lost", rate, 0.05, 0.3, 0},
		{"lost, in pieces", rate, 0.3, 1, 0},
		{"44.1 kHz", 44100, 0.1, 0, 44100},
		{"96 kHz", 96000, 0.1, 0, 96000},
	} {
		p := live.NewPace(rate)
		found := run(p, 60, c.real, c.jitter, 21.3, c.lost)
		if c.lost == 0 && len(found) > 0 || c.lost > 0 && (len(found) != 1 || math.Abs(found[0]-c.lost) > 0.05) {
			t.Errorf("%s: lost %v s, want %v", c.name, found, c.lost)
		}
		hz, ok := p.OtherRate()
		if ok != (c.other > 0) || ok && math.Abs(hz-c.other) > 0.01*c.other {
			t.Errorf("%s: %g Hz, %v; want %g", c.name, hz, ok, c.other)
		}
	}
	// After a pause it begins anew.
	p := live.NewPace(rate)
	run(p, 12, rate, 0.05, 0, 0)
	p.Restart()
	for now := 100.0; now < 130; now += 0.02 {
		if v := p.Take(960, now); v != 0 {
			t.Errorf("after a pause %g s are lost", v)
		}
	}
}
