package dsp_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// A second pulse soon after one whose shape varies is found, though that one cannot be
// taken out of the signal; and of pulses that come alone none is said to come twice.
func TestAgainAfterVarying(t *testing.T) {
	const (
		n      = 120
		within = 25e-6 // seconds: where it is timed as the first are
		seen   = 0.15e-3
	)
	const kinds = 40 // different pulses
	drawn := map[float64][]*synth.Converted{}
	for _, hz := range []float64{44100, 48000, 96000, 192000} {
		rng := rand.New(rand.NewPCG(81, 82))
		for range kinds {
			drawn[hz] = append(drawn[hz], converted(t, "sharp", "changing", dsp.Rate(hz), rng))
		}
	}
	var pulses, seconds, besides, found, timed int
	for _, c := range []struct {
		hz, share float64
	}{{44100, 0}, {48000, 0}, {96000, 0}, {192000, 0}, {44100, 0.2}, {48000, 0.4}, {96000, 0.2}, {96000, 0.4}, {192000, 0.2}} {
		rng := rand.New(rand.NewPCG(83, 82))
		var placed []synth.Placed
		var first, second []float64
		pos := 0.04 * c.hz
		put := func(at, a float64) {
			placed = append(placed, synth.Placed{Pos: at, Amp: a, Pulse: drawn[c.hz][rng.IntN(kinds)]})
		}
		for range n {
			a := 0.4 * (1 + 0.15*(2*rng.Float64()-1))
			put(pos, a)
			first = append(first, pos)
			if rng.Float64() < c.share {
				late := pos + (0.35e-3+1.5e-3*rng.Float64())*c.hz
				put(late, a*(0.56+0.4*rng.Float64()))
				second = append(second, late)
			}
			pos += (0.012 + 0.004*rng.Float64()) * c.hz
		}
		x := make([]float64, int(pos)+2000)
		synth.NewPulses(placed).AddTo(x, 0)
		tr := detect(samples(x, 1, 0, noise), 1<<14, dsp.Rate(c.hz))
		if c.hz == 48000 { // and in blocks of another length
			if other := detect(samples(x, 1, 0, noise), 997, dsp.Rate(c.hz)); !slices.Equal(other.Pulses, tr.Pulses) {
				t.Errorf("%g Hz, share %g: other pulses in other blocks", c.hz, c.share)
			}
		}
		near := func(at []float64, reach float64) (n int) {
			for _, a := range at {
				if slices.ContainsFunc(tr.Pulses, func(p dsp.Pulse) bool { return math.Abs(p.Pos-a) < reach*c.hz }) {
					n++
				}
			}
			return n
		}
		if got := near(first, within); got < n {
			t.Errorf("%g Hz, share %g: %d of %d first pulses found", c.hz, c.share, got, n)
		}
		both := near(second, seen)
		pulses, seconds = pulses+n, seconds+len(second)
		found, timed = found+both, timed+near(second, within)
		besides += len(tr.Pulses) - n - both
	}
	t.Logf("of %d second pulses %d found, %d timed; beside %d first ones %d found where there are none", seconds, found, timed, pulses, besides)
	// Of what is said to be there besides most was so before second ones were looked for: at
	// 48 kHz a few of these pulses ring as another begins.
	if float64(found) < 0.97*float64(seconds) || float64(timed) < 0.95*float64(seconds) || float64(besides) > 0.01*float64(pulses) {
		t.Errorf("want 97 %% found, 95 %% within 25 µs, and 1 %% besides")
	}
}
