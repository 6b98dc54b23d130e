package dsp_test

import (
	"math"
	"math/rand/v2"
	"slices"
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
	butterworth(x, 8, 0.45/fine)
	y := make([]float32, n)
	for i := range y {
		y[i] = float32(x[i*fine] + noise*rng.NormFloat64())
	}
	d := dsp.NewDetector(rate, 1, dsp.Options{Tables: tables})
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

// butterworth filters x in place by a Butterworth low-pass of an even number of
// poles, -3 dB at cutoff, by the bilinear transform (Oppenheim and Schafer,
// Discrete-Time Signal Processing, chapter on filter design).
func butterworth(x []float64, poles int, cutoff float64) {
	w := math.Tan(math.Pi * cutoff)
	for k := range poles / 2 {
		damping := 2 * math.Sin(math.Pi*(2*float64(k)+1)/float64(2*poles))
		a0 := 1 + damping*w + w*w
		b, a1, a2 := w*w/a0, 2*(w*w-1)/a0, (1-damping*w+w*w)/a0
		var x1, x2, y1, y2 float64
		for i, v := range x {
			y := b*(v+2*x1+x2) - a1*y1 - a2*y2
			x1, x2, y1, y2 = v, x1, y, y1
			x[i] = y
		}
	}
}

// A recursive converter delays a coil's crossing more than a spark's front, and both
// more the more poles it has. It is known by the fronts for what it is, so that what
// lies between the two comes out as it was.
func TestRecursiveDelay(t *testing.T) {
	const fine = 16
	for _, c := range []struct {
		poles  int
		cutoff float64
		spark  func(t float64) float64 // of samples since the onset
		limit  float64                 // samples; the delay of slow signals alone is 0.8 to 1.8
	}{
		{4, 0.45, func(t float64) float64 { return math.Exp(-t/8) * math.Sin(2*math.Pi*t/4) }, 0.4},
		{6, 0.42, func(t float64) float64 { return math.Exp(-t/8) * math.Sin(2*math.Pi*t/4) }, 0.4},
		{8, 0.45, func(t float64) float64 { return math.Exp(-t / 4) }, 0.4},
	} {
		rng := rand.New(rand.NewPCG(7, uint64(c.poles)))
		n := int(rate)
		spark, contact, coil := make([]float64, n*fine), make([]float64, n*fine), make([]float64, n*fine)
		var at []float64
		for p := 3000 + rng.Float64(); p < float64(n)-3000; p += 1500 + 300*rng.Float64() {
			at = append(at, p)
			for i := int(math.Ceil((p + 150) * fine)); i < int(p+150+60)*fine; i++ {
				spark[i] += 0.5 * c.spark(float64(i)/fine-p-150)
			}
			for i := int(math.Ceil(p * fine)); i < int(p+160)*fine; i++ {
				contact[i] = 0.4
			}
			for i := int(p-80) * fine; i < int(p+80)*fine; i++ {
				u := (float64(i)/fine - p) / 14
				coil[i] -= 0.6 * u * math.Exp(-u*u/2)
			}
		}
		for _, x := range [][]float64{spark, contact, coil} {
			butterworth(x, c.poles, c.cutoff/fine)
		}
		for what, ref := range map[string][]float64{"contact": contact, "coil": coil} {
			a, b := make([]float64, n), make([]float64, n)
			for i := range a {
				a[i], b[i] = spark[i*fine], ref[i*fine]
			}
			off, err := lateBeside(rate, a, b, slices.Repeat([]float64{150}, len(at)))
			if err != nil {
				t.Errorf("%d poles, %s: %v", c.poles, what, err)
				continue
			}
			if math.Abs(off) > c.limit {
				t.Errorf("%d poles, %s: the spark is %.3f samples too late beside the reference, want within %g", c.poles, what, off, c.limit)
			}

		}
	}
}
