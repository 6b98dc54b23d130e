package dsp

import (
	"math"
	"testing"
)

// What the tables of a response say is set against the sums that they stand for,
// innovation by innovation.
func TestResponse(t *testing.T) {
	const n = 24
	kept := &onsetTables{}
	for _, b := range []bandLimit{{cutoff: 0.46, half: 12, beta: 6}, {cutoff: 0.42, half: 15, beta: 6, minimum: true}} {
		k := kept.kernel(b, interpolation{interpTaps, interpBeta})
		for _, c := range []struct {
			name string
			q    int
			ring ring
		}{{"jump", 1, ring{}}, {"kink", 2, ring{}}, {"curve", 3, ring{}}, {"ringing", 2, ring{omega: 0.9, damp: 0.1}}} {
			p := newResponse(k, c.ring, c.q, n, kept)
			// weight is what an innovation so many steps earlier counts for.
			weight := func(s int) float64 {
				if c.ring.omega > 0 {
					step := float64(s+1) / onsetFine
					return math.Exp(-c.ring.damp*float64(s)/onsetFine) * math.Sin(c.ring.omega*step) / math.Sin(c.ring.omega/onsetFine)
				}
				w := 1.0 // of q sums: (s+q-1 over q-1)
				for i := 1; i < c.q; i++ {
					w *= float64(s+i) / float64(i)
				}
				return w
			}
			slow := func(ticks int) float64 {
				var sum float64
				for s := 0; ticks-s*sub+k.zero >= 0; s++ {
					sum += weight(s) * k.at(ticks-s*sub) / onsetFine
				}
				return sum
			}
			scale := 1.0
			for range c.q - 1 {
				scale /= onsetFine
			}
			for _, onset := range []int{0, 37, 150, 201} {
				lead := make([]float64, n)
				if c.ring.omega == 0 {
					p.lead(lead, -onset)
				}
				for j := range n {
					at := j*onsetTicks - onset - sub*c.q/2
					if want := scale * slow(at); c.ring.omega == 0 && math.Abs(lead[j]-want) > 1e-9*(1+math.Abs(want)) {
						t.Errorf("%s, onset %d ticks, sample %d: answer %g, want %g", c.name, onset, j, lead[j], want)
					}
					if j%5 != 0 {
						continue
					}
					got, unit := p.inno(j*onsetTicks - onset)
					for d := 0; d < n-j; d += 3 {
						var want float64
						for i := 0; at-i*sub+k.zero >= 0; i++ {
							want += slow(at-i*sub) * slow(at+d*onsetTicks-i*sub)
						}
						want *= scale * scale / onsetFine
						v := 0.0
						if got != nil {
							v = got[d] * unit
						}
						if math.Abs(v-want) > 1e-9*(1+math.Abs(want)) {
							t.Errorf("%s, onset %d ticks, samples %d and %d: covariance %g, want %g", c.name, onset, j, j+d, v, want)
						}
					}
				}
			}
			if c.ring.omega == 0 {
				continue
			}
			// A kink and a jump that ring, through the band limit: the integral in steps
			// of a tick.
			kink, jump := make([]float64, n), make([]float64, n)
			p.lead(kink, -37)
			p.ringing(jump, -37, true)
			for j := range n {
				var wantKink, wantJump float64
				for i := range (n + 20) * onsetTicks {
					u := (float64(i) + 0.5) / onsetTicks
					// The band limit half a tick on, between two of its table.
					x := j*onsetTicks - 37 - i
					h := (k.at(x) + k.at(x-1)) / 2 / onsetTicks
					e := math.Exp(-c.ring.damp * u)
					sin, cos := math.Sincos(c.ring.omega * u)
					wantKink += h * e * sin / c.ring.omega
					wantJump += h * e * (cos - c.ring.damp/c.ring.omega*sin)
				}
				if math.Abs(kink[j]-wantKink) > 0.002 || math.Abs(jump[j]-wantJump) > 0.002 {
					t.Errorf("sample %d: kink %g and jump %g, want %g and %g", j, kink[j], jump[j], wantKink, wantJump)
				}
			}
		}
	}
}
