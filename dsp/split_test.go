package dsp_test

import (
	"math"
	"reflect"
	"testing"

	"sparkscope/dsp"
)

// The stretch for learning is cut at a fixed place of the recording, not at
// what happens to be there when a block comes in: pulses so rare that its
// length ends it, pushed whole and in small pieces.
func TestRarePulsesDoNotDependOnBlocks(t *testing.T) {
	const n = 30 * 48000
	x := make([]float32, n)
	for p := 9000; p+4000 < n; p += 13337 {
		for i := range 400 {
			x[p+i] += float32(0.4 * math.Exp(-float64(i)/40) * math.Sin(float64(i)*0.9))
		}
		for i := range 900 {
			x[p+1500+i] += 0.3
		}
	}
	var first dsp.Train
	for k, size := range []int{n, 30011, 777} {
		d := dsp.NewDetector(48000, 1, dsp.Options{Tables: tables})
		for from := 0; from < n; from += size {
			d.Push(x[from:min(from+size, n)])
		}
		tr := d.Finish()
		if k == 0 {
			first = tr
			if len(tr.Pulses) < 100 {
				t.Fatalf("%d pulses: want some hundred", len(tr.Pulses))
			}
			continue
		}
		if !reflect.DeepEqual(tr, first) {
			t.Errorf("blocks of %d: %d pulses in %d classes, not the %d in %d of one block", size, len(tr.Pulses), len(tr.Shapes), len(first.Pulses), len(first.Shapes))
		}
	}
}
