package dsp_test

import (
	"math"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// A recorder with automatic gain keeps the lobes at one height whatever the
// speed, so that their flux falls fivefold in a pull from 1200 to 6000 rpm. It
// is a coil all the same.
func TestCoilBehindAutomaticGain(t *testing.T) {
	const from, to, seconds = 1200, 6000, 6
	x, at, deg := turning(t, rate, from, to, seconds, 8, 0.4)
	x = ac(x, rate, 8)
	for i := range x {
		x[i] *= 6000 / (from + (to-from)*float64(i)/rate/seconds)
	}
	tr := detect(samples(x, 1, 0, noise), 1<<14, rate)
	if tr.Shapes[0].Kind != dsp.Lobes {
		t.Fatalf("%v: want a coil", kinds(tr))
	}
	const inMean = 0.15 // degrees, the project's limit
	var mean float64
	for i, e := range errorsOf(t, tr, at) {
		mean += e * deg[i] / float64(len(at))
	}
	if math.Abs(mean) > inMean {
		t.Errorf("crossings %.3f° late in the mean", mean)
	}
}

// clippedAt is x, so many times too large, as a converter's numbers end.
func clippedAt(x []float64, over float64) []float32 {
	y := samples(x, over, 0, noise)
	for i, v := range y {
		y[i] = min(max(v, -1), 1)
	}
	return y
}

// Lobes up to twelve times too large for the input, at 1000 to 9000 rpm: all are cut
// off at one height, which says nothing of their flux, but go on taking the
// same share of a revolution.
func TestCoilFarTooLarge(t *testing.T) {
	const inMean = 0.3 // degrees, twice the project's limit at 12 dB
	x, at, deg := turning(t, rate, 1000, 9000, 6, 8, 1)
	tr := detect(clippedAt(ac(x, rate, 8), 8), 1<<14, rate)
	if tr.Shapes[0].Kind != dsp.Lobes {
		t.Fatalf("%v: want a coil", kinds(tr))
	}
	var mean float64
	for i, e := range errorsOf(t, tr, at) {
		mean += e * deg[i] / float64(len(at))
	}
	if math.Abs(mean) > inMean {
		t.Errorf("crossings %.3f° late in the mean", mean)
	}
}

// The rectangle of a switch that is far too large for the input is cut off at
// the top, and the coupling gives it a second lobe below; its width follows the
// speed like a coil's. Its steep edges tell that it is none, at one speed too.
func TestClippedSwitchIsNoCoil(t *testing.T) {
	for _, speeds := range [][2]float64{{1200, 6000}, {3000, 3000}} {
		from, to := speeds[0], speeds[1]
		k, err := synth.NewKernel("sharp")
		if err != nil {
			t.Fatal(err)
		}
		const (
			seconds = 6
			closed  = 30   // degrees
			recall  = 0.98 // the project's limit
		)
		var edges []float64
		for s := 0.113; s < seconds; {
			rpm := from + (to-from)*s/seconds
			edges = append(edges, s*rate+0.37, (s+closed/(6*rpm))*rate+0.37)
			s += 60 / rpm
		}
		w, err := synth.NewSwitch(k, edges, 0, 0.8, 0.1)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, (seconds+1)*rate)
		w.AddTo(x, 0)
		for _, over := range []float64{4, 8} {
			tr := detect(clippedAt(ac(x, rate, 8), over), 1<<14, rate)
			c := largest(t, tr)
			if n := len(edges) / 2; tr.Shapes[c].Kind != dsp.Contact || tr.Shapes[c].N > n || float64(tr.Shapes[c].N) < recall*float64(n) {
				t.Errorf("%g to %g rpm, %g times: %v, want %d of a contact", from, to, over, kinds(tr), n)
			}
		}
	}
}
