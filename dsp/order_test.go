package dsp

import (
	"slices"
	"testing"
)

// Two pulses of different shapes may lie closer together than their fronts
// are differently late; made earlier, they are in the order of time still.
func TestSettledInOrder(t *testing.T) {
	train := Train{
		Shapes: make([]Shape, 2),
		Pulses: []Pulse{{Pos: 20, Class: 0}, {Pos: 26, Class: 0}, {Pos: 27, Class: 1}, {Pos: 40, touch: true}},
	}
	c := converterShift{known: true, by: [][]float64{{0, 2.5}}, sigma: [][]float64{{0.1, 0.1}}, peak: 15}
	c.apply([]Train{train})
	var got []float64
	for _, p := range train.Pulses {
		got = append(got, p.Pos)
	}
	if want := []float64{20, 24.5, 25, 26}; !slices.Equal(got, want) {
		t.Errorf("pulses at %v, want %v", got, want)
	}
}
