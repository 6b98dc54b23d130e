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
