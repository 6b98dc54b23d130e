package analysis

import (
	"math"
	"testing"

	"sparkscope/dsp/health"
)

// Noise that rises with the time since a pulse, steadily and to the end of the
// longest gaps, is a gain that comes back. What dies away, stays, or rises and
// falls is none.
func TestGainThatComesBack(t *testing.T) {
	since := func(f func(s float64) float64) *health.Channel {
		h := &health.Channel{Step: 3e-5}
		for s, k := 0.5e-3, 0; k < 14; k++ {
			h.Gaps.Since = append(h.Gaps.Since, health.Since{FromS: s, ToS: s * math.Sqrt2, Noise: 1.5e-3 * f(s)})
			s *= math.Sqrt2
		}
		return h
	}
	const release = 0.15 // seconds
	for _, v := range []struct {
		name string
		h    *health.Channel
		want bool
	}{
		{"gain with a release of 150 ms", since(func(s float64) float64 { return math.Exp(s / release) }), true},
		{"level", since(func(float64) float64 { return 1 }), false},
		{"ringing that dies away", since(func(s float64) float64 { return 1 + math.Exp(-s/5e-3) }), false},
		{"a little, by chance", since(func(s float64) float64 { return 1 + s }), false},
		{"up and down again", since(func(s float64) float64 { return 1 + math.Exp(-math.Pow(math.Log(s/20e-3), 2)) }), false},
	} {
		if got := climbs(v.h); (got > 0) != v.want {
			t.Errorf("%s: %g", v.name, got)
		}
	}
	quiet := since(func(s float64) float64 { return math.Exp(s / release) })
	quiet.Step = 1.5e-3 // the noise is the converter's steps
	if got := climbs(quiet); got > 0 {
		t.Errorf("of the steps of a converter: %g", got)
	}
}
