package live_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/analysis/live"
)

// TestWatch: silence that was put in and samples that were left out are noticed;
// an input without noise is not taken for one that stumbles.
func TestWatch(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	noise := func(n int, size float64) [][]float32 {
		out := make([][]float32, 2)
		for c := range out {
			for range n {
				out[c] = append(out[c], float32(math.Round(rng.NormFloat64()*size)/32768))
			}
		}
		return out
	}
	zero := func(n int) [][]float32 { return [][]float32{make([]float32, n), make([]float32, n)} }
	for _, c := range []struct {
		name            string
		blocks          [][][]float32
		at              []int64
		gaps            int
		silences, jumps int
	}{
		{"noise", [][][]float32{noise(20000, 3)}, nil, 0, 0, 0},
		{"noise of one step", [][][]float32{noise(200000, 0.5)}, nil, 0, 0, 0},
		{"the start", [][][]float32{zero(2000), noise(20000, 3)}, nil, 0, 0, 0},
		{"a silence", [][][]float32{noise(20000, 3), zero(441), noise(2000, 3)}, nil, 1, 1, 0},
		{"a silence in two blocks", [][][]float32{noise(20000, 3), zero(40), zero(40), noise(2000, 3)}, nil, 1, 1, 0},
		{"too short to be one", [][][]float32{noise(20000, 3), zero(50), noise(2000, 3)}, nil, 0, 0, 0},
		{"a still input with pulses", [][][]float32{noise(100, 3), zero(2000), noise(100, 300), zero(2000), noise(100, 300), zero(2000), noise(100, 300)}, nil, 0, 0, 0},
		{"a jump", [][][]float32{noise(1000, 3), noise(1000, 3)}, []int64{0, 1500}, 1, 0, 1},
		{"no jump", [][][]float32{noise(1000, 3), noise(1000, 3)}, []int64{0, 1000}, 0, 0, 0},
	} {
		w := live.NewWatch(2)
		gaps := 0
		for i, b := range c.blocks {
			at := int64(-1)
			if c.at != nil {
				at = c.at[i]
			}
			gaps += len(w.Look(b, at))
		}
		if gaps != c.gaps || w.Silences() != c.silences || w.Jumps() != c.jumps {
			t.Errorf("%s: %d gaps, %d silences, %d jumps; want %d, %d, %d", c.name, gaps, w.Silences(), w.Jumps(), c.gaps, c.silences, c.jumps)
		}
	}
}
