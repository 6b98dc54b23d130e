package analysis

import (
	"math"
	"testing"

	"sparkscope/dsp"
)

// kicked is an engine kicked over time and again, quicker and slower to stop.
func kicked() *profile {
	p := steady(1, 0.2)
	for i := range 14 {
		ramp(p, 0.4, 500+30*float64(i), false)
		ramp(p, 0.9+0.1*float64(i), 1, false)
		ramp(p, 2, 1, false)
	}
	return p
}

// The last spark before an engine stands still has no reference after it. Where
// it comes while the magnet is still passing, the end of that pulse brackets it,
// and it counts, with a ± that holds; where it comes later nothing does, and it does
// not count.
func TestPastTheLastReference(t *testing.T) {
	const pulseDeg = 14.0
	for _, c := range []struct {
		name  string
		kind  dsp.Kind
		after float64 // degrees from the reference to the spark
		reach float64 // degrees that the pulse brackets
	}{
		{"switch", dsp.Contact, 3, pulseDeg},
		{"switch, late in its pulse", dsp.Contact, 11, pulseDeg},
		{"switch, spark after its pulse", dsp.Contact, 18, pulseDeg},
		{"coil", dsp.Lobes, 3, pulseDeg / 2},
		{"coil, spark after the far lobe", dsp.Lobes, 11, pulseDeg / 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			prof := kicked()
			w := world{prof: prof, refAngle: 20 + c.after, refKind: c.kind, phase0: -0.4, seed: 5}
			m := w.build()
			m.edit(m.refCh, func(tr *dsp.Train) {
				for i := range tr.Pulses {
					at := tr.Pulses[i].Pos / testRate
					tr.Pulses[i].WidthS = (prof.time(prof.phase(at)+c.reach/360) - at) * pulseDeg / c.reach
				}
			})
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(w.refAngle)})
			if err != nil {
				t.Fatal(err)
			}
			asked, counted := 0, 0
			for i, at := range m.refs[:len(m.refs)-1] {
				if i == 0 || m.refs[i+1]-at < 2 || at-m.refs[i-1] > 0.3 {
					continue // not the last before a standstill, or itself beyond the rhythm
				}
				s := m.sparks[nearestSpark(m.sparks, at+c.after/6/prof.rpm(at))]
				for _, f := range res.Firings {
					if math.Abs(f.TimeS-s.t) > 1e-6 {
						continue
					}
					asked++
					if f.Status == OK {
						counted++
					}
					if e := float64(f.Advance) - s.adv; f.Status == OK && math.Abs(e) > math.Min(2*float64(f.Sigma), readingDeg) {
						t.Errorf("spark at %.4f s: %+.3f° off, ± %.3f°", s.t, e, f.Sigma)
					}
				}
			}
			// Whether a last reference after which the engine slows down by much is
			// one, the spark after it must bear out: some are left out with it.
			least, most := asked/2, asked
			if c.after > c.reach {
				least, most = 0, 0
			}
			if asked < 5 || counted < least || counted > most {
				t.Errorf("%d of %d last sparks count: want %d to %d", counted, asked, least, most)
			}
		})
	}
}

// readingDeg is what the studies ask of a reading.
const readingDeg = 0.5
