package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// What nth gives is what sorting gives, for ties, order of any kind and no
// numbers as well.
func TestNthIsOfTheSorted(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	kinds := []func(i, n int) float64{
		func(i, n int) float64 { return r.NormFloat64() },
		func(i, n int) float64 { return float64(r.IntN(4)) },
		func(i, n int) float64 { return float64(i) },
		func(i, n int) float64 { return float64(n - i) },
		func(i, n int) float64 { return float64(min(i, n-i)) },
		func(i, n int) float64 { return []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1}[r.IntN(4)] },
	}
	same := func(a, b float64) bool { return a == b || a != a && b != b }
	for kind, of := range kinds {
		for _, n := range []int{1, 2, 3, 16, 17, 18, 100, 1001, 4096} {
			x := make([]float64, n)
			for i := range x {
				x[i] = of(i, n)
			}
			sorted := slices.Clone(x)
			slices.Sort(sorted)
			for _, k := range []int{0, n / 4, (n - 1) / 2, n / 2, n - 1} {
				if got := Nth(slices.Clone(x), k); !same(got, sorted[k]) {
					t.Errorf("kind %d: number %d of %d is %g, sorted %g", kind, k, n, got, sorted[k])
				}
			}
			want := (sorted[(n-1)/2] + sorted[n/2]) / 2
			if got := medianOf(x); !same(got, want) {
				t.Errorf("kind %d: median of %d is %g, want %g", kind, n, got, want)
			}
		}
	}
}
