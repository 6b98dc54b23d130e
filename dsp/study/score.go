package study

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Score says how well events found match events that happened.
type Score struct {
	Matched   int     // pairs of one found and one true event within the window
	Found     int     // events found
	True      int     // events that happened
	Precision float64 // Matched/Found, 0 for none found
	Recall    float64 // Matched/True, 0 for none that happened
	F         float64 // harmonic mean of both, 0 when both are
}

// ScoreEvents pairs found with true events no further than window apart, in
// the same unit, each at most once, as many as can be: a largest matching in
// the bipartite graph of possible pairs. Neither slice needs an order, and
// neither is changed. With no event on either side every figure is 0.
//
// The unit is the caller's; all three must be numbers and window not negative,
// or else there is an error.
func ScoreEvents(truth, found []float64, window float64) (Score, error) {
	if !(window >= 0) {
		return Score{}, fmt.Errorf("study: a window of %g: want 0 or more", window)
	}
	for _, x := range [][]float64{truth, found} {
		if slices.ContainsFunc(x, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }) {
			return Score{}, errors.New("study: an event's time is no number: want numbers only")
		}
	}
	s := Score{Matched: matching(truth, found, window), Found: len(found), True: len(truth)}
	if s.Found > 0 {
		s.Precision = float64(s.Matched) / float64(s.Found)
	}
	if s.True > 0 {
		s.Recall = float64(s.Matched) / float64(s.True)
	}
	if s.Matched > 0 {
		s.F = 2 * s.Precision * s.Recall / (s.Precision + s.Recall)
	}
	return s, nil
}

// matching is the size of the largest matching. All windows are equally wide,
// so on a line the earliest true event may take the earliest found one in its
// window: whatever largest matching there is can be rearranged into this one
// without losing a pair (Glover, Nav. Res. Logist. Q. 14 (1967) 313, convex
// bipartite graphs).
func matching(truth, found []float64, window float64) int {
	a, b := slices.Clone(truth), slices.Clone(found)
	slices.Sort(a)
	slices.Sort(b)
	n := 0
	for i, j := 0, 0; i < len(a) && j < len(b); {
		switch d := b[j] - a[i]; {
		case d < -window:
			j++
		case d > window:
			i++
		default:
			n++
			i++
			j++
		}
	}
	return n
}
