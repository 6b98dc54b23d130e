package synth

import (
	"fmt"
	"math"
)

// AGC is an automatic gain control, as a phone's or a laptop's input has it:
// one gain for all channels, after everything else and before rounding.
//
// Its level e follows the largest |x| of the channels: e += (|x| - e)·(1 -
// exp(-1/(rate·T))), T being AttackS while |x| > e and ReleaseS otherwise. The
// gain is Target/e, at most MaxGainDB. It begins with e = Target, a gain of 1.
type AGC struct {
	Target    float64 // level that it aims at, fraction of full scale, above 0
	MaxGainDB float64 // the most by which it turns up, dB, 0..80
	AttackS   float64 // time constant for a level that rises, s, above 0
	ReleaseS  float64 // time constant for a level that falls, s, above 0
}

// Validate says what is wrong with the control, or nil.
func (a AGC) Validate() error {
	return within("automatic gain control", []bound{
		{"level (fraction of full scale)", a.Target, 1e-4, 1}, {"largest gain (dB)", a.MaxGainDB, 0, 80},
		{"attack (s)", a.AttackS, 1e-5, 10}, {"release (s)", a.ReleaseS, 1e-5, 100},
	})
}

// Gate is "noise suppression": what is weak for some time is turned down, in
// all channels at once, after the gain control and before rounding.
//
// While |x| of any channel has passed Open within the last HoldS, the gain goes
// to 1 with the time constant AttackS, else to FloorDB with ReleaseS. It knows
// nothing of what comes: the front that opens it is turned down itself.
type Gate struct {
	Open     float64 // level that opens it, fraction of full scale, above 0
	FloorDB  float64 // gain while closed, dB, -120..0
	AttackS  float64 // time constant of opening, s, above 0
	HoldS    float64 // how long it stays open after the last sample above Open, s
	ReleaseS float64 // time constant of closing, s, above 0
}

// Validate says what is wrong with the gate, or nil.
func (g Gate) Validate() error {
	return within("noise suppression", []bound{
		{"opening level (fraction of full scale)", g.Open, 1e-6, 1}, {"gain while closed (dB)", g.FloorDB, -120, 0},
		{"attack (s)", g.AttackS, 1e-6, 1}, {"hold (s)", g.HoldS, 0, 10}, {"release (s)", g.ReleaseS, 1e-5, 10},
	})
}

type bound struct {
	what      string
	v, lo, hi float64
}

// within says which of some figures is out of its range.
func within(of string, list []bound) error {
	for _, b := range list {
		if !(b.v >= b.lo && b.v <= b.hi) {
			return fmt.Errorf("synth: %s: %s is %g: want %g to %g", of, b.what, b.v, b.lo, b.hi)
		}
	}
	return nil
}

// agcState is an AGC at work.
type agcState struct {
	target, most, attack, release, level float64
}

func newAGC(a AGC, rate float64) *agcState {
	return &agcState{target: a.Target, most: math.Pow(10, a.MaxGainDB/20), level: a.Target,
		attack: -math.Expm1(-1 / (rate * a.AttackS)), release: -math.Expm1(-1 / (rate * a.ReleaseS))}
}

// largest is the largest |x| of the channels in frame i.
func largest(x [][]float64, i int) float64 {
	var v float64
	for _, c := range x {
		v = max(v, math.Abs(c[i]))
	}
	return v
}

func (a *agcState) run(x [][]float64) {
	for i := range x[0] {
		v := largest(x, i)
		if v > a.level {
			a.level += (v - a.level) * a.attack
		} else {
			a.level += (v - a.level) * a.release
		}
		g := a.most
		if a.level*a.most > a.target {
			g = a.target / a.level
		}
		for _, c := range x {
			c[i] *= g
		}
	}
}

// gateState is a Gate at work; it begins closed.
type gateState struct {
	open, floor, attack, release, gain float64
	hold, left                         int64 // frames
}

func newGate(g Gate, rate float64) *gateState {
	floor := math.Pow(10, g.FloorDB/20)
	return &gateState{open: g.Open, floor: floor, gain: floor, hold: int64(math.Round(g.HoldS * rate)),
		attack: -math.Expm1(-1 / (rate * g.AttackS)), release: -math.Expm1(-1 / (rate * g.ReleaseS))}
}

func (g *gateState) run(x [][]float64) {
	for i := range x[0] {
		if largest(x, i) > g.open {
			g.left = g.hold + 1
		}
		if g.left > 0 {
			g.left--
			g.gain += (1 - g.gain) * g.attack
		} else {
			g.gain += (g.floor - g.gain) * g.release
		}
		for _, c := range x {
			c[i] *= g.gain
		}
	}
}

// biquad is a filter of second order in the direct form.
type biquad struct {
	b0, b1, b2, a1, a2 float64
	x1, x2, y1, y2     float64
	settled            float64 // output that a constant input of 1 settles to
	started            bool
}

// secondOrderHigh is the coupling of a transformer behind a capacitor,
// s²/(s² + s·w/q + w²) with w = 2π·hz, by the bilinear transform.
func secondOrderHigh(hz, q, rate float64) *biquad {
	k := math.Tan(math.Pi * hz / rate)
	n := 1 / (1 + k/q + k*k)
	return &biquad{b0: n, b1: -2 * n, b2: n, a1: 2 * (k*k - 1) * n, a2: (1 - k/q + k*k) * n}
}

// lowShelf raises (or lowers) what is far below hz by db: (s + g·w)/(s + w)
// with w = 2π·hz, g its gain for constant input, by the bilinear transform.
func lowShelf(hz, db, rate float64) *biquad {
	k, g := math.Tan(math.Pi*hz/rate), math.Pow(10, db/20)
	n := 1 / (1 + k)
	return &biquad{b0: (1 + g*k) * n, b1: (g*k - 1) * n, a1: (k - 1) * n, settled: g}
}

func (f *biquad) run(x []float64) {
	for i, v := range x {
		if !f.started { // the input has settled long before
			f.x1, f.x2, f.y1, f.y2, f.started = v, v, f.settled*v, f.settled*v, true
		}
		y := f.b0*v + f.b1*f.x1 + f.b2*f.x2 - f.a1*f.y1 - f.a2*f.y2
		f.x1, f.x2, f.y1, f.y2 = v, f.x1, y, f.y1
		x[i] = y
	}
}
