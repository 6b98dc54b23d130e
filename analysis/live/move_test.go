package live

import (
	"math/rand/v2"
	"testing"

	"sparkscope/analysis"
)

func firings(deg ...float64) []analysis.Firing {
	f := make([]analysis.Firing, len(deg))
	for i, d := range deg {
		f[i].Advance = analysis.Degrees(d)
	}
	return f
}

// TestMoved: a step is found where it is, across the wrap too; scatter, one wild
// spark and a step of a few sparks are none.
func TestMoved(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	steady := func(n int, mean, sd float64) (out []float64) {
		for range n {
			out = append(out, mean+sd*r.NormFloat64())
		}
		return out
	}
	if k := moved(firings(append(steady(20, 18, 0.3), steady(6, 16, 0.3)...)...)); k < 19 || k > 21 {
		t.Errorf("a step of 2 degrees after 20 sparks is found at %d", k)
	}
	if k := moved(firings(append(steady(15, 179.5, 0.1), steady(8, -178.5, 0.1)...)...)); k != 15 {
		t.Errorf("a step across half a turn is found at %d", k)
	}
	if k := moved(firings(append(steady(20, 18, 0.3), steady(leastMoved-1, 20, 0.3)...)...)); k > 21 {
		t.Errorf("%d sparks elsewhere are a step at %d", leastMoved-1, k)
	}
	wild := append(append(steady(15, 18, 0.3), 40), steady(14, 18, 0.3)...)
	if k := moved(firings(wild...)); k != 0 {
		t.Errorf("one wild spark is a step at %d", k)
	}
	if k := moved(firings(append(steady(15, 18, 0), steady(15, 18.1, 0)...)...)); k != 0 {
		t.Errorf("a tenth of a degree is a step at %d", k)
	}
	if moved(nil) != 0 || moved(firings(1, 2, 3)) != 0 {
		t.Error("a step where there is nothing")
	}
	// Student's t: some two in ten thousand for each place of the step; of some
	// twenty places, most of them alike, two in a hundred at the most.
	found := 0
	const tries = 2000
	for range tries {
		if moved(firings(steady(30, 18, 1)...)) != 0 {
			found++
		}
	}
	if found > tries/50 {
		t.Errorf("%d of %d steady engines moved", found, tries)
	}
	t.Logf("%d of %d steady engines moved", found, tries)
}
