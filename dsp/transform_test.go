package dsp

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// The transform against gonum's, and for short ones against the sum that it is; the way
// back gives what went in. All lengths of which a step of two is left over, or is not.
func TestTransform(t *testing.T) {
	// Rounding of a sum of n terms of about 1: log2 n steps of one ulp each on √n.
	rng := rand.New(rand.NewPCG(51, 52))
	for n := 4; n <= 16384; n *= 2 {
		within := 4 * 0x1p-53 * math.Sqrt(float64(n)) * math.Log2(float64(n))
		x := make([]float64, n)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		f := newTransform(n)
		c := make([]complex128, n/2+1)
		f.coefficients(c, x)
		for k, want := range fourier.NewFFT(n).Coefficients(nil, x) {
			if e := cmplx.Abs(c[k] - want); !(e <= within) {
				t.Fatalf("%d numbers, coefficient %d: %v, want %v", n, k, c[k], want)
			}
			if n > 64 {
				continue
			}
			var sum complex128
			for j, v := range x {
				sum += complex(v, 0) * cmplx.Exp(complex(0, -2*math.Pi*float64(j*k%n)/float64(n)))
			}
			if e := cmplx.Abs(c[k] - sum); !(e <= within) {
				t.Fatalf("%d numbers, coefficient %d: %v, want the sum %v", n, k, c[k], sum)
			}
		}
		y := make([]float64, n)
		f.sequence(y, c)
		for i, v := range y {
			if e := math.Abs(v/float64(n) - x[i]); !(e <= within) {
				t.Fatalf("%d numbers there and back, number %d: %v, want %v", n, i, v/float64(n), x[i])
			}
		}
	}
}
