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
		f, err := synth.FamilyByName(name)
		if err != nil {
			t.Fatal(err)
		}
		k, err := synth.NewKernel("sharp")
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(21, 22))
		pulse, err := k.Convert(f.Draw(rng), rate)
		if err != nil {
			t.Fatal(err)
		}
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
