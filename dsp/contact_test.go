package dsp_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// A contact in noise of an eighth of its height: one sample then is as good as
// nothing, and many are needed the more the faster they come. The bound of an
// edge that takes a sample is an eighth of a sample; the limits are the project's
// for 20 dB, 0.6° and 0.98, at 6000 rpm. A bounce's first touch, often of one sample or
// two, is lost at times: then it is the next one, some 90 µs later.
func TestContactInNoise(t *testing.T) {
	const height, degPerS = 0.4, 6 * 6000.0
	const limit = 0.6
	for _, hz := range []float64{44100, 48000, 96000, 192000} {
		for _, bounce := range []bool{false, true} {
			func() {
				k, err := synth.NewKernel("sharp")
				if err != nil {
					t.Fatal(err)
				}
				rng := rand.New(rand.NewPCG(23, 24))
				var edges, at []float64
				for s := 0.05; s < 3; s += 0.01 + 0.004*rng.Float64() {
					at = append(at, s*hz)
					edges = append(edges, s*hz)
					for b := s + 30e-6; bounce; {
						open := b + 45e-6*rng.ExpFloat64()
						shut := open + 45e-6*rng.ExpFloat64()
						if shut > s+0.25e-3 {
							break
						}
						edges = append(edges, open*hz, shut*hz)
						b = shut
					}
					edges = append(edges, (s+0.4e-3)*hz)
				}
				sw, err := synth.NewSwitch(k, edges, 0, height, 5e-6*hz)
				if err != nil {
					t.Fatal(err)
				}
				x := make([]float64, int(3.1*hz))
				sw.AddTo(x, 0)
				tr := detect(samples(x, 1, 0, height/8), 1<<14, dsp.Rate(hz))
				got := positions(tr, largest(t, tr))
				found, square := 0, 0.0
				i := 0
				for _, p := range got {
					for i < len(at) && at[i] < p-0.3e-3*hz {
						i++
					}
					if i < len(at) && math.Abs(at[i]-p) < 0.3e-3*hz {
						d := (p - at[i]) / hz * degPerS
						square += d * d
						found++
						i++
					}
				}
				rms := math.Sqrt(square / math.Max(float64(found), 1))
				why := ""
				if float64(found) < 0.98*float64(len(at)) || float64(len(got)) > float64(found)/0.99 || rms > limit || tr.Shapes[0].Kind != dsp.Contact {
					why = fmt.Sprintf("%v: %d of %d found, %d besides, %.2f° rms", kinds(tr), found, len(at), len(got)-found, rms)
				}
				judge(t, fmt.Sprintf("%g Hz, bounce %v", hz, bounce), why)
			}()
		}
	}
}

// A transformer lets little more of a slow rectangle through than its edges, with a
// swing the other way after each: two lobes, of which a coil's channel would be
// made, with the edge that ends the pulse for its crossing. No coil's lobes begin
// and cross within a sample.
func TestContactThroughTransformer(t *testing.T) {
	const (
		hz    = 48000
		rms   = 0.4 / 316 // 50 dB below the contact
		close = 0.5       // samples
	)
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	for _, bounce := range []bool{false, true} {
		var edges, at []float64
		for s := 0.05; s < 3; {
			turn := 60 / (1200 + 600*s)
			at = append(at, s*hz)
			edges = append(edges, s*hz)
			if bounce {
				edges = append(edges, (s+0.11e-3)*hz, (s+0.17e-3)*hz)
			}
			edges = append(edges, (s+30.0/360*turn)*hz)
			s += turn
		}
		sw, err := synth.NewSwitch(k, edges, 0, 0.4, 5e-6*hz)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, 3.1*hz)
		sw.AddTo(x, 0)
		tr := detect(samples(ac(ac(x, hz, 30), hz, 30), 1, 0, rms), 1<<14, hz)
		if len(tr.Shapes) == 0 || tr.Shapes[0].Kind != dsp.Contact || tr.Shapes[0].N != len(at) {
			t.Errorf("bounce %v: %v: want %d of a contact", bounce, kinds(tr), len(at))
			continue
		}
		i := 0
		for _, p := range tr.Pulses {
			if p.Class == 0 {
				if math.Abs(p.Pos-at[i]) > close {
					t.Errorf("bounce %v: reference %d at %.2f, want %.2f", bounce, i, p.Pos, at[i])
				}
				i++
			}
		}
	}
}
