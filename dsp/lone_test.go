package dsp_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// Behind a converter of least phase a coil's crossing is late by the centroid of what a lone
// impulse becomes there, and that is seen. By the converter that looked most like it the two
// came out 0.3 to 0.8 sample apart.
func TestLoneImpulseBesideCoil(t *testing.T) {
	const limit = 0.2 // samples: what the middle of a pulse of up to 0.7 sample leaves open
	for _, name := range []string{"sharp-minimum", "gentle-minimum"} {
		for _, hz := range []float64{44100, 48000, 96000} {
			k, err := synth.NewKernel(name)
			if err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(31, 32))
			impulse := converted(t, name, "impulse", dsp.Rate(hz), rng)
			var sparks []synth.Placed
			var want []float64
			a, b := make([]float64, int(2.2*hz)), make([]float64, int(2.2*hz))
			s := 0.05
			for range 100 {
				d := 4e-3 + 1e-5*rng.Float64()
				// So slow a signal is late as a whole.
				const half = 0.3e-3
				late := s*hz + k.DelaySamples()
				for i := int(late - 8*half*hz); i < int(late+8*half*hz); i++ {
					u := (float64(i) - late) / (half * hz)
					b[i] -= 0.6 * u * math.Exp(-u*u/2)
				}
				sparks = append(sparks, synth.Placed{Pos: (s + d) * hz, Amp: 0.4 + 0.1*rng.Float64(), Pulse: impulse})
				want = append(want, d*hz)
				s += 0.018 + 0.002*rng.Float64()
			}
			synth.NewPulses(sparks).AddTo(a, 0)
			off, err := lateBeside(dsp.Rate(hz), a, b, want)
			if err != nil {
				t.Errorf("%s, %g Hz: %v", name, hz, err)
				continue
			}
			if math.Abs(off) > limit {
				t.Errorf("%s, %g Hz: the impulse is %+.3f samples late beside the coil, want within %g", name, hz, off, limit)
			}
		}
	}
}
