package analysis

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// A median found by selection is to the last bit that of the sorted numbers,
// equal ones among them.
func TestMedianOfSorted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.OneOf(rapid.Float64Range(-1, 1), rapid.Map(rapid.IntRange(-3, 3), func(i int) float64 { return float64(i) }))
		x := rapid.SliceOfN(number, 0, 300).Draw(t, "x")
		sorted := slices.Clone(x)
		slices.Sort(sorted)
		want := quantile(sorted, 0.5)
		before := slices.Clone(x)
		got := median(x)
		if got != want {
			t.Fatalf("median of %v: got %v, want %v", x, got, want)
		}
		for i, v := range x {
			if v != before[i] {
				t.Fatalf("x[%d] was %v, now %v", i, before[i], v)
			}
		}
	})
}
