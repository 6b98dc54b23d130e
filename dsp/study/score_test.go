package study

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func times(t *testing.T, name string) []float64 {
	t.Helper()
	b, err := os.ReadFile("testdata/onset-scoring/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var out []float64
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		v, err := strconv.ParseFloat(line, 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out = append(out, v)
	}
	return out
}

// mir_eval's test data for onset detection (tests/data/onset at fe73b35, MIT,
// licence beside it): events of a reference and of an estimate, and precision,
// recall and F for a window of ±50 ms.
func TestScoreAgainstPublished(t *testing.T) {
	for i := range 10 {
		truth, found := times(t, fmt.Sprintf("ref%02d.txt", i)), times(t, fmt.Sprintf("est%02d.txt", i))
		b, err := os.ReadFile(fmt.Sprintf("testdata/onset-scoring/output%02d.json", i))
		if err != nil {
			t.Fatal(err)
		}
		var want struct {
			F         float64 `json:"F-measure"`
			Precision float64
			Recall    float64
		}
		if err := json.Unmarshal(b, &want); err != nil {
			t.Fatal(err)
		}
		got, err := ScoreEvents(truth, found, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		const rounding = 1e-12
		if math.Abs(got.Precision-want.Precision) > rounding || math.Abs(got.Recall-want.Recall) > rounding || math.Abs(got.F-want.F) > rounding {
			t.Errorf("set %d: %+v, published %+v", i, got, want)
		}
	}
}

func TestScoreCases(t *testing.T) {
	for _, c := range []struct {
		name         string
		truth, found []float64
		window       float64
		matched      int
	}{
		{"nothing", nil, nil, 1, 0},
		{"nothing found", []float64{1}, nil, 1, 0},
		{"the window's edge counts", []float64{1}, []float64{3}, 2, 1},
		{"just beyond it does not", []float64{1}, []float64{math.Nextafter(3, 4)}, 2, 0},
		{"the nearest pair would block another", []float64{0, 2}, []float64{1.5, 3.5}, 2, 2},
		{"one event, found twice", []float64{5}, []float64{5, 5}, 1, 1},
		{"any order", []float64{9, 1, 5}, []float64{5, 9, 1}, 0, 3},
	} {
		got, err := ScoreEvents(c.truth, c.found, c.window)
		if err != nil || got.Matched != c.matched || got.Found != len(c.found) || got.True != len(c.truth) {
			t.Errorf("%s: %+v %v, want %d matched", c.name, got, err, c.matched)
		}
	}
	for _, bad := range [][]float64{{math.NaN()}, {math.Inf(1)}} {
		if _, err := ScoreEvents(bad, nil, 1); err == nil {
			t.Errorf("%v: no error", bad)
		}
	}
	if _, err := ScoreEvents(nil, nil, -1); err == nil {
		t.Error("a negative window: no error")
	}
}

// augment is the textbook way to the largest matching, one augmenting path
// after the other (Kuhn 1955), for comparison.
func augment(truth, found []float64, window float64) int {
	owner := make([]int, len(found))
	for j := range owner {
		owner[j] = -1
	}
	var try func(i int, seen []bool) bool
	try = func(i int, seen []bool) bool {
		for j, f := range found {
			if seen[j] || math.Abs(f-truth[i]) > window {
				continue
			}
			seen[j] = true
			if owner[j] < 0 || try(owner[j], seen) {
				owner[j] = i
				return true
			}
		}
		return false
	}
	n := 0
	for i := range truth {
		if try(i, make([]bool, len(found))) {
			n++
		}
	}
	return n
}

func TestMatchingIsLargest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Whole numbers: differences are exact, edges are hit often.
		event := rapid.Map(rapid.IntRange(0, 40), func(v int) float64 { return float64(v) })
		truth := rapid.SliceOfN(event, 0, 15).Draw(t, "truth")
		found := rapid.SliceOfN(event, 0, 15).Draw(t, "found")
		window := float64(rapid.IntRange(0, 6).Draw(t, "window"))
		if got, want := matching(truth, found, window), augment(truth, found, window); got != want {
			t.Fatalf("%d pairs, the largest matching has %d", got, want)
		}
	})
}
