package dsp

import (
	"math"
	"testing"
)

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

// A signal that stays on one level below half the height, as a clipped one may,
// has no top that could be a first touch: `study faults --trouble clip
// --severity 2 --pickup coil` had one at no place at all, and broke off.
func TestLevelIsNoTouch(t *testing.T) {
	const at = 5000
	buf := make([]float32, 6000)
	for i := at - 5; i < len(buf); i++ {
		buf[i] = 0.4 // of the height
	}
	for i := at; i < len(buf); i++ {
		buf[i] = 0.42
	}
	d := &Detector{rate: 48000, buf: buf, z: sizesFor(48000)}
	c := &contactFinder{on: true, lag: 2, mean: 1, height: 1, enter: 1}
	e := edge{at, c.enter}
	c.edges = []edge{e}
	if p := c.halfway(d, e); p.touch || !(math.Abs(p.Pos-at) <= float64(c.lag)) {
		t.Errorf("an edge at %d on a level: %g, a touch: %v: want it there, and none", at, p.Pos, p.touch)
	}
}
