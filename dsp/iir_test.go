package dsp_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
)

// Behind a recursive converter, a Butterworth low-pass of eight poles that lets some
// of what lies above half the rate alias, every pulse is timed: a window that ends before the
// pulse, where a little ringing looks like it, is not taken for it.
func TestRecursiveConverter(t *testing.T) {
	const fine, hz, tau = 16, 9000.0, 200e-6
	rng := rand.New(rand.NewPCG(5, 6))
	n := int(3 * rate)
	x := make([]float64, n*fine)
	made := 0
	for p := 3000.0; p < float64(n)-3000; p += 500 + 300*rng.Float64() {
		amp := 0.4 * (1 + 0.1*rng.NormFloat64())
		made++
		for i := int(math.Ceil(p * fine)); i < int(p*fine)+200*fine; i++ {
			s := (float64(i)/fine - p) / rate
			x[i] += amp * math.Exp(-s/tau) * math.Cos(2*math.Pi*hz*s)
		}
	}
	// The sections by the bilinear transform (Oppenheim and Schafer, Discrete-Time
	// Signal Processing, chapter on filter design), -3 dB at 0.45 of the rate.
	w := math.Tan(math.Pi * 0.45 / fine)
	for k := range 4 {
		damping := 2 * math.Sin(math.Pi*(2*float64(k)+1)/16)
		a0 := 1 + damping*w + w*w
		b, a1, a2 := w*w/a0, 2*(w*w-1)/a0, (1-damping*w+w*w)/a0
		var x1, x2, y1, y2 float64
		for i, v := range x {
			y := b*(v+2*x1+x2) - a1*y1 - a2*y2
			x1, x2, y1, y2 = v, x1, y, y1
			x[i] = y
		}
	}
	y := make([]float32, n)
	for i := range y {
		y[i] = float32(x[i*fine] + noise*rng.NormFloat64())
	}
	d := dsp.NewDetector(rate, 1, dsp.Options{})
	d.Push(y)
	got := d.Finish()
	timed := 0
	for _, p := range got.Pulses {
		if p.Class >= 0 {
			timed++
		}
	}
	if timed != made || len(got.Pulses) != made {
		t.Errorf("%d of %d pulses timed, %d found", timed, made, len(got.Pulses))
	}
}
