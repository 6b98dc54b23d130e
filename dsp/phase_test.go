package dsp_test

import (
	"math"
	"slices"
	"testing"

	"sparkscope/dsp/synth"
)

// A converter of least phase makes everything late, a coil's crossing more than
// a front; an angle sees the difference. The pulses show that it is one, so that
// what lies between a spark and a reference comes out as behind linear phase.
func TestLeastPhase(t *testing.T) {
	// Half a sample is what the onset of a decay and the priors leave open; the
	// delays that are taken out are one to three samples.
	const limit = 0.5
	family, err := synth.FamilyByName("decay")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"sharp", "sharp-minimum"} {
		k, err := synth.NewKernel(name)
		if err != nil {
			t.Fatal(err)
		}
		pulse, err := k.Convert(family.Draw(nil), rate)
		if err != nil {
			t.Fatal(err)
		}
		var sparks []synth.Placed
		var edges, at []float64
		var lobes []synth.Lobe
		for p := 3000.3; p < 4*rate; p += 1900.37 {
			at = append(at, p)
			sparks = append(sparks, synth.Placed{Pos: p + 150, Amp: 0.5, Pulse: pulse})
			edges = append(edges, p, p+160)
			lobes = append(lobes, synth.Lobe{Pos: p, Half: 14, Amp: 0.4})
		}
		contact, err := synth.NewSwitch(k, edges, 0, 0.4, 0.2)
		if err != nil {
			t.Fatal(err)
		}
		coil, err := synth.NewLobes(k, lobes)
		if err != nil {
			t.Fatal(err)
		}
		for what, ref := range map[string]synth.Signal{"contact": contact, "coil": coil} {
			a, b := make([]float64, int(4.2*rate)), make([]float64, int(4.2*rate))
			synth.NewPulses(sparks).AddTo(a, 0)
			ref.AddTo(b, 0)
			off, err := lateBeside(rate, a, b, slices.Repeat([]float64{150}, len(at)))
			if err != nil {
				t.Errorf("%s, %s: %v", name, what, err)
				continue
			}
			if math.Abs(off) > limit {
				t.Errorf("%s, %s: the spark is %.3f samples too late beside the reference", name, what, off)
			}
		}
	}
}
