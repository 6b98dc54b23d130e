package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Least and greatest are to the last bit those that comparing one by one
// gives, for stretches of either sign, of one sign and with zeros of both.
func TestExtremes(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for i := range 60000 {
		x := make([]float32, 1+i%41)
		offset := float32(i%3-1) * 0.6
		for j := range x {
			x[j] = r.Float32() - 0.5 + offset
			switch r.IntN(12) {
			case 0:
				x[j] = 0
			case 1:
				x[j] = float32(math.Copysign(0, -1))
			}
		}
		before := func(a, b float32) bool {
			return a < b || a == b && math.Signbit(float64(a)) && !math.Signbit(float64(b))
		}
		lo, hi := x[0], x[0]
		for _, v := range x {
			if before(v, lo) {
				lo = v
			}
			if before(hi, v) {
				hi = v
			}
		}
		gotLo, gotHi := extremes(x)
		if math.Float32bits(gotLo) != math.Float32bits(lo) || math.Float32bits(gotHi) != math.Float32bits(hi) {
			t.Fatalf("extremes of %v: got %v and %v, want %v and %v", x, gotLo, gotHi, lo, hi)
		}
	}
}
