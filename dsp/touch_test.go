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
	e := edge{pos: at, sign: c.enter}
	c.edges = []edge{e}
	if p := c.halfway(d, e); p.touch || !(math.Abs(p.Pos-at) <= float64(c.lag)) {
		t.Errorf("an edge at %d on a level: %g, a touch: %v: want it there, and none", at, p.Pos, p.touch)
	}
}

// What still rises in a straight line where the samples end has no top either:
// its curvature is nothing, and the place of a top, divided by it, was none at
// all. A gain that a pulse turns up makes such fronts; the detector broke off.
func TestRiseIsNoTouch(t *testing.T) {
	const at = 5000
	buf := make([]float32, at+4)
	for i := at - 2; i < len(buf); i++ {
		buf[i] = float32(i-at+6) / 16 // of the height: exact, so that the differences are too
	}
	d := &Detector{rate: 48000, buf: buf, z: sizesFor(48000)}
	c := &contactFinder{on: true, lag: 1, mean: 1, height: 1, enter: 1}
	e := edge{pos: at, sign: c.enter}
	c.edges = []edge{e}
	if p := c.halfway(d, e); p.touch || !(math.Abs(p.Pos-at) <= 2) {
		t.Errorf("an edge at %d that still rises: %g, a touch: %v: want it there, and none", at, p.Pos, p.touch)
	}
}

// A first touch of one sample drowns in means of four; in single samples it
// stands out, if it reaches further than noise does, lies within a bounce's time
// before the edge, and what surrounds it stays between the two levels, which a
// ring does not. It is at its sample, and the pulse is timed by it.
func TestFirstTouch(t *testing.T) {
	const at, lag, height = 5000, 8, 0.5
	for _, v := range []struct {
		name   string
		noise  float64 // standard deviation, fraction of the height
		mean   int
		enter  float64
		change func(x func(i int, v float64)) // sets a sample, 0 and 1 the two levels
		want   int                            // samples; 0: none
	}{
		{"one sample", 0.05, 4, 1, func(x func(int, float64)) { x(at-30, 0.9) }, at - 30},
		{"the other way up", 0.05, 4, -1, func(x func(int, float64)) { x(at-30, 0.9) }, at - 30},
		{"two touches: the first", 0.05, 4, 1, func(x func(int, float64)) { x(at-30, 0.7); x(at-20, 0.9) }, at - 30},
		{"none", 0.05, 4, 1, func(func(int, float64)) {}, 0},
		{"less than half-way", 0.05, 4, 1, func(x func(int, float64)) { x(at-30, 0.4) }, 0},
		{"longer ago than a bounce", 0.05, 4, 1, func(x func(int, float64)) { x(at-60, 0.9) }, 0},
		{"a ring, which swings below", 0.05, 4, 1, func(x func(int, float64)) { x(at-30, 0.9); x(at-27, -0.9) }, 0},
		{"a burst, which swings above", 0.05, 4, 1, func(x func(int, float64)) { x(at-30, 1.8) }, 0},
		{"within what this noise does", 0.15, 4, 1, func(x func(int, float64)) { x(at-30, 0.6) }, 0},
		{"beyond what this noise does", 0.15, 4, 1, func(x func(int, float64)) { x(at-30, 0.75) }, at - 30},
		{"in noise for which no sample is sure", 0.2, 4, 1, func(x func(int, float64)) { x(at-30, 0.95) }, 0},
		{"one sample, where single ones are compared", 0.05, 1, 1, func(x func(int, float64)) { x(at-30, 0.9) }, at - 30},
		{"less than half-way there", 0.03, 1, 1, func(x func(int, float64)) { x(at-30, 0.4) }, at - 30},
		{"too little there", 0.03, 1, 1, func(x func(int, float64)) { x(at-30, 0.25) }, 0},
		{"a ring there", 0.03, 1, 1, func(x func(int, float64)) { x(at-30, 0.4); x(at-27, -0.4) }, 0},
	} {
		z := sizesFor(48000)
		// What noise() makes of the floor is the standard deviation.
		floor := v.noise * height * (3 + (math.Log2(float64(2*z.block))-4)*0.6)
		d := &Detector{rate: 48000, buf: make([]float32, 6000), z: z, floors: []float64{floor}}
		set := func(i int, level float64) { d.buf[i] = float32(0.1 + v.enter*height*level) }
		for i := range d.buf {
			set(i, 0)
			if i >= at {
				set(i, 1)
			}
		}
		v.change(set)
		c := &contactFinder{on: true, lag: lag, mean: v.mean, height: height, enter: v.enter}
		pos, ok := c.firstTouch(d, at, height)
		if ok != (v.want > 0) || ok && pos != float64(v.want) {
			t.Errorf("%s: %v, %v: want %d", v.name, pos, ok, v.want)
		}
		if c.calm = 480; v.mean == 1 { // a breaker's own first edge is the one after a calm
			if _, ok := c.firstTouch(d, at, c.height); ok {
				t.Errorf("%s: a breaker's touch", v.name)
			}
		}
		c.calm = 0
		e := edge{pos: at, sign: c.enter}
		c.edges = []edge{e}
		if p := c.halfway(d, e); v.want > 0 && math.Abs(p.Pos-float64(v.want)) > 1 || v.want == 0 && math.Abs(p.Pos-at) > lag {
			t.Errorf("%s: timed at %g: want %d", v.name, p.Pos, v.want)
		}
	}
}
