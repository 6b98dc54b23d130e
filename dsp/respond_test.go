package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Answers at many places at once are those at each, up to the rounding of a place: an ulp of
// some thousand samples, of sums that change by about 1 from one to the next.
func TestRespondEvery(t *testing.T) {
	const within = 1e-11
	rng := rand.New(rand.NewPCG(61, 62))
	l := newLobeFinder(48000)
	x := make([]float32, 3000)
	for i := range x {
		x[i] = float32(rng.NormFloat64())
	}
	l.sum(x, 0)
	for _, a := range []float64{3, 3.7, 41.25, 200.1} {
		for _, step := range []int{1, 3, 16} {
			// As far as the sums go on both sides.
			for _, first := range []float64{math.Ceil(2 * a), 2*a + 0.9, 2*a + 1} {
				r := make([]float64, int((3000-1-2*a-first)/float64(step))+1)
				l.respondEvery(r, first, step, a, 2)
				for i, got := range r {
					if want := l.respondOver(first+float64(i*step), a, 2); !(math.Abs(got-want) <= within) {
						t.Fatalf("a %g, from %g in steps of %d, place %d: %v, want %v", a, first, step, i, got, want)
					}
				}
			}
		}
	}
}
