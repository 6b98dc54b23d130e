package dsp

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// TestApart: what is taken in stretches is what comparing each with each takes.
func TestApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		widest := rapid.SampledFrom([]float64{1.5, 20, 400}).Draw(t, "widest")
		all := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) lobe {
			return lobe{at: rapid.Float64Range(-50, 5000).Draw(t, "at"), half: rapid.Float64Range(1.4, widest).Draw(t, "half")}
		}), 0, 200).Draw(t, "all")
		var want []lobe
		for _, c := range all {
			free := true
			for _, o := range want {
				free = free && !(math.Abs(o.at-c.at) < 4*math.Max(o.half, c.half))
			}
			if free {
				want = append(want, c)
			}
		}
		if got := apart(all); !reflect.DeepEqual(got, want) {
			t.Fatalf("%v: want %v", got, want)
		}
	})
}

// TestTooHighForRemains: lobes within what a burst that was taken out may have left
// are a coil's all the same where they are as high as the burst was, and not where
// they are a tenth of it.
func TestTooHighForRemains(t *testing.T) {
	const (
		hz, seconds = 48000, 3
		height      = 0.4
		half        = 20.0 // samples
		period      = 1440 // 2000 rpm
	)
	d := NewDetector(hz, 1, Options{})
	x := make([]float32, seconds*hz)
	var out [2][]taken // of bursts as high as the lobes, and ten times as high
	for at := 700; at < len(x)-period; at += period {
		for i := -8 * int(half); i <= 8*int(half); i++ {
			u := float64(i) / half
			x[at+i] = float32(-height * u * math.Exp((1-u*u)/2))
		}
		for k, times := range []float64{1, 10} {
			out[k] = append(out[k], taken{float64(at) - 3*half, float64(at) + 3*half, times * height})
		}
	}
	for i := range x {
		x[i] += float32(1e-3 * math.Sin(float64(i)*float64(i))) // something like noise
	}
	d.Push(x)
	d.scanFrom = len(d.lo) - d.ahead() // all of it is settled
	d.lobes.settle(d)
	if !d.lobes.on {
		t.Fatal("no coil")
	}
	for k, want := range []bool{true, false} {
		if got := d.lobes.apart(d, out[k], height); got != want {
			t.Errorf("within what bursts %v times as high left: %v", []int{1, 10}[k], got)
		}
	}
}
