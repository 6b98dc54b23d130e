package dsp

import (
	"math"
	"testing"
)

// What follows an edge and goes further than contacts usually do is a contact's
// behind a gain turned up where it stays there, or comes back when it bounces. A
// pulse of another pick-up dies away, or swings to the other side.
func TestHoldsAtAnotherHeight(t *testing.T) {
	const n, at, lag = 300, 100, 2
	shape := func(f func(i int) float64) []float32 {
		x := make([]float32, n)
		for i := at; i < n; i++ {
			x[i] = float32(f(i - at))
		}
		return x
	}
	bounce := func(i int) bool { return i < 6 || i >= 10 && i < 14 || i >= 20 } // closed
	for _, v := range []struct {
		name string
		x    []float32
		want bool
	}{
		{"as high as usual", shape(func(int) float64 { return 0.4 }), true},
		{"1.5 times as high", shape(func(int) float64 { return 0.6 }), true},
		{"three times, falling by a fifth as the gain does", shape(func(i int) float64 { return 1.2 * math.Exp(-float64(i)/110) }), true},
		{"three times, bouncing", shape(func(i int) float64 {
			if bounce(i) {
				return 1.2
			}
			return 0
		}), true},
		{"ten times", shape(func(int) float64 { return 4 }), false},
		{"three times, dying away", shape(func(i int) float64 { return 1.2 * math.Exp(-float64(i)/25) }), false},
		{"three times, swinging", shape(func(i int) float64 { return 1.2 * math.Cos(float64(i)/3) * math.Exp(-float64(i)/40) }), false},
		{"three times, the other way", shape(func(int) float64 { return -1.2 }), false},
	} {
		d := NewDetector(48000, 1, Options{})
		d.buf = v.x
		d.floors = []float64{1e-3}
		c := &contactFinder{on: true, lag: lag, mean: 1, height: 0.4, enter: 1}
		if got := c.holds(d, edge{pos: at, sign: 1}); got != v.want {
			t.Errorf("%s: %v", v.name, got)
		}
	}
}
