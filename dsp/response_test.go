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
		}{{"jump", 1, ring{}}, {"kink", 2, ring{}}, {"curve", 3, ring{}}, {"flatter", 4, ring{}}, {"ringing", 2, ring{omega: 0.9, damp: 0.1}}} {
			p := newResponse(k, c.ring, c.q, n, kept)
			// What an innovation so many steps earlier counts for: one part after the other.
			weight := make([]float64, (n+20)*onsetFine)
			for s := range weight {
				step := float64(s+1) / onsetFine
				switch {
				case c.ring.omega > 0:
					weight[s] = math.Exp(-c.ring.damp*float64(s)/onsetFine) * math.Sin(c.ring.omega*step) / math.Sin(c.ring.omega/onsetFine)
				case s == 0:
					weight[s] = 1
				}
			}
			for o := c.q; o > 0 && (c.ring.omega == 0 || o > 2); o-- {
				for s := len(weight) - 1; s >= 0; s-- {
					var sum float64
					for e := range s + 1 {
						sum += weight[e]
					}
					weight[s] = sum
				}
			}
			slow := func(ticks int) float64 {
				var sum float64
				for s := 0; ticks-s*sub+k.zero >= 0; s++ {
					sum += weight[s] * k.at(ticks-s*sub) / onsetFine
				}
				return sum
			}
			scale := 1.0
			for range c.q - 1 {
				scale /= onsetFine
			}
			for _, onset := range []int{0, 37, 150, 201} {
				for j := 0; j < n; j += 5 {
					at := j*onsetTicks - onset - sub*c.q/2
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
			// The leading term, and a jump that rings, through the band limit: the integral
			// in steps of a tick.
			const steps = (n + 20) * onsetTicks
			term, jump := make([]float64, steps), make([]float64, steps)
			for i := range term {
				u := (float64(i) + 0.5) / onsetTicks
				switch sin, cos := math.Sincos(c.ring.omega * u); {
				case c.ring.omega == 0:
					term[i] = math.Pow(u, float64(c.q-1)) / math.Gamma(float64(c.q))
				default:
					e := math.Exp(-c.ring.damp * u)
					term[i] = e * sin / c.ring.omega
					jump[i] = e * (cos - c.ring.damp/c.ring.omega*sin)
				}
			}
			lead, rings := make([]float64, n), make([]float64, n)
			p.lead(lead, -37)
			if c.ring.omega > 0 && c.q == 2 {
				p.ringing(rings, -37)
			}
			// Damping within a step makes all of it a little larger, which a prior scale does
			// not mind: the shape must be right.
			want, wantJump := make([]float64, n), make([]float64, n)
			var lw, ww, peak float64
			for j := range n {
				for i := range steps {
					// The band limit half a tick on, between two of its table.
					x := j*onsetTicks - 37 - i
					h := (k.at(x) + k.at(x-1)) / 2 / onsetTicks
					want[j] += h * term[i]
					wantJump[j] += h * jump[i]
				}
				lw += lead[j] * want[j]
				ww += want[j] * want[j]
				peak = math.Max(peak, math.Abs(want[j]))
			}
			gain := lw / ww
			if gain < 0.99 || gain > 1.1 {
				t.Errorf("%s: leading term %g times as large as it should be", c.name, gain)
			}
			for j := range n {
				if math.Abs(lead[j]/gain-want[j]) > 0.001*peak && c.q > 1 {
					t.Errorf("%s, sample %d: leading term %g, want %g", c.name, j, lead[j]/gain, want[j])
				}
				if c.ring.omega > 0 && c.q == 2 && math.Abs(rings[j]-wantJump[j]) > 0.002 {
					t.Errorf("%s, sample %d: jump %g, want %g", c.name, j, rings[j], wantJump[j])
				}
			}
		}
	}
}
