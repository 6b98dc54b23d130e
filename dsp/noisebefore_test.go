package dsp_test

import (
	"math"
	"testing"

	"sparkscope/dsp"
)

// Noise now and then gets half as far as a pulse does a tenth of a millisecond or
// two before it, and looks like a faint front of its class: what is found must be
// the pulse all the same. Where the shape varies there is but the front to tell by,
// and noise that looks like a faint one leaves less of its window than the pulse
// leaves of its own.
func TestNoiseBeforeAPulse(t *testing.T) {
	for _, v := range []struct {
		family  string
		hz, rms float64
		n       int
		most    int // lost: what noise hides as a whole
	}{
		{"changing", 44100, 0.06, 1000, 25},
		{"ring-cosine", 192000, 0.08, 600, 70},
		{"ring-late", 192000, 0.08, 600, 3},
	} {
		x, at, _ := pairChannel(t, v.family, v.n, 0, v.hz)
		tr := detect(samples(x, 1, 0, v.rms), 4096, dsp.Rate(v.hz))
		lost, k := 0, 0
		for _, q := range at {
			for k+1 < len(tr.Pulses) && math.Abs(tr.Pulses[k+1].Pos-q) < math.Abs(tr.Pulses[k].Pos-q) {
				k++
			}
			if math.Abs(tr.Pulses[k].Pos-q) > 0.1e-3*v.hz {
				lost++
			}
		}
		if lost > v.most {
			t.Errorf("%s at %.0f Hz: %d of %d lost, want %d at most", v.family, v.hz, lost, len(at), v.most)
		}
	}
}
