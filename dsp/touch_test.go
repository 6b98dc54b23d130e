package dsp

import "testing"

// Behind a converter of least phase the top of a lone impulse is later than the
// onset of a step: a first touch, timed by its top, is moved by what its top is
// late, the other edges of the class by what their front is.
func TestTouchMovedByItsTop(t *testing.T) {
	const edge, top = 3.0, 4.5 // samples late, of front and top
	trains := []Train{{
		Shapes: []Shape{{Kind: Contact, N: 10, least: least{known: true, evidence: surely, shift: edge, peak: top}}},
		Pulses: []Pulse{{Pos: 100}, {Pos: 200, touch: true}, {Pos: 300, Class: -1}},
	}}
	Settle(trains)
	for i, want := range []float64{100 - edge, 200 - top, 300} {
		if got := trains[0].Pulses[i].Pos; got != want {
			t.Errorf("pulse %d at %v, want %v", i, got, want)
		}
	}
}
