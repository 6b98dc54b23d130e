package dsp_test

import (
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// A coil and a clamp on one input, the spark 42° behind the coil's mark. A
// discharge as short as a sample does not disturb the lobes, so that they are
// known before it is looked for; one that only decays is like part of a lobe. All
// of both must be found, each once.
func TestCoilAndShortBursts(t *testing.T) {
	const rms = 0.5 / 316 // 50 dB below the bursts
	for _, c := range []struct {
		name     string
		from, to float64
	}{{"impulse", 1200, 6000}, {"impulse", 3000, 3000}, {"impulse", 6000, 6000}, {"decay", 5000, 6000}} {
		name := c.name
		x, at, deg := turning(t, rate, c.from, c.to, 6, 8, 0.4)
		rng := rand.New(rand.NewPCG(21, 22))
		pulse := converted(t, "sharp", name, rate, rng)
		var placed []synth.Placed
		for i, p := range at {
			placed = append(placed, synth.Placed{Pos: p + 42/deg[i], Amp: 0.5 * (1 + 0.1*(2*rng.Float64()-1)), Pulse: pulse})
		}
		synth.NewPulses(placed).AddTo(x, 0)
		tr := detect(samples(ac(x, rate, 8), 1, 0, rms), 1<<14, rate)
		if len(tr.Shapes) != 2 || tr.Shapes[0].Kind != dsp.Lobes || tr.Shapes[1].Kind != dsp.Burst || tr.Shapes[0].N != len(at) || tr.Shapes[1].N != len(at) {
			t.Errorf("%+v: %v: want %d of a coil and as many bursts", c, kinds(tr), len(at))
		}
	}
}

// The same of bursts that only decay, or rise as slowly as the lobes of a quick
// engine, which were lost in classes of the lobes.
func TestCoilAndSmoothBursts(t *testing.T) {
	const (
		rms  = 0.5 / 316 // 50 dB below the bursts
		some = 0.02      // of the bursts may be missing: on a lobe's skirt, at the quickest
	)
	for _, c := range []struct {
		name     string
		hz       float64
		from, to float64
	}{{"decay", 44100, 1200, 4000}, {"decay", 44100, 3000, 3000}, {"front-parabola", 96000, 1200, 4000}, {"front-s", 48000, 1200, 3000}, {"avalanche", 48000, 1200, 3000}} {
		x, at, deg := turning(t, c.hz, c.from, c.to, 3, 8, 0.4)
		f, err := synth.FamilyByName(c.name)
		if err != nil {
			t.Fatal(err)
		}
		k, err := synth.NewKernel("sharp")
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(21, 22))
		pulse, err := k.Convert(f.Draw(rng), dsp.Rate(c.hz))
		if err != nil {
			t.Fatal(err)
		}
		var placed []synth.Placed
		for i, p := range at {
			placed = append(placed, synth.Placed{Pos: p + (42+0.5*rng.NormFloat64())/deg[i], Amp: 0.5 * (1 + 0.1*(2*rng.Float64()-1)), Pulse: pulse})
		}
		synth.NewPulses(placed).AddTo(x, 0)
		tr := detect(samples(ac(x, c.hz, 8), 1, 0, rms), 1<<14, dsp.Rate(c.hz))
		n := len(at)
		if len(tr.Shapes) != 2 || tr.Shapes[0].Kind != dsp.Lobes || tr.Shapes[1].Kind != dsp.Burst || tr.Shapes[0].N != n || tr.Shapes[1].N > n || float64(tr.Shapes[1].N) < (1-some)*float64(n) {
			t.Errorf("%+v: %v: want %d of a coil and as many bursts", c, kinds(tr), n)
		}
	}
}
