package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// An engine kicked over a few times gives a dozen passages, one or two of a
// speed: however well a tone control would explain what they leave, two of a
// speed do not say how far they scatter, and none is called. Where there are
// many, it is. (Where one was called of eight passages, coil crossings at 400 rpm came
// 1° late.)
func TestFewPassagesShowNoToneControl(t *testing.T) {
	const (
		a     = 2 * math.Pi * 8 // of the coupling, per second
		c     = -900.0          // of a shelf, per second, at pole 6
		pole  = 6
		halfS = 1.3e-3
	)
	for _, v := range []struct {
		pulses int
		shelf  bool
		called bool
	}{{8, true, false}, {12, true, false}, {60, true, true}, {60, false, false}} {
		rng := rand.New(rand.NewPCG(uint64(v.pulses), 3))
		k := &coupling{}
		for i := range v.pulses {
			h := halfS * math.Pow(2, float64(i%5)/4)
			p := closure{flux: h, half: h, sigma: 1e-4 * h}
			for e := range closureEnds {
				p.one[e] = p.flux * h * (1 + 0.4*float64(e))
				p.two[e] = p.flux * h * h * (0.5 + 0.5*float64(e))
				for j := range shelfPoles {
					p.faded[e][j] = p.one[e] / (1 + shelfPole(float64(j))*h*(1+0.3*float64(e)))
				}
				p.area[e] = -a*p.one[e] + 0.001*p.flux*rng.NormFloat64()
				if v.shelf {
					p.area[e] -= c * p.faded[e][pole]
				}
			}
			k.all = append(k.all, p)
		}
		k.solve()
		if called := k.c != 0; called != v.called {
			t.Errorf("%d passages, a tone control there %v: called %v (%.0f at pole %g)", v.pulses, v.shelf, called, k.c, k.pole)
		}
		if v.shelf && !v.called && !k.tailOpen && k.doubt < 1 {
			t.Errorf("%d passages: what a tone control would make is not left open", v.pulses)
		}
	}
}
