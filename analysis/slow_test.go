package analysis

import (
	"math"
	"testing"

	"sparkscope/dsp"
)

// compression is a shaft cranked on a four-stroke: slow in every second turn,
// by the share given (from memory; the principle is all that matters).
func compression(rpm, share, seconds float64) *profile {
	p := steady(rpm, 0.05)
	for p.end() < seconds {
		ramp(p, 60/rpm/2, rpm*(1+share/2), true)
		ramp(p, 60/rpm, rpm*(1-share/2), true)
		ramp(p, 60/rpm/2, rpm, true)
	}
	return p
}

// TestSlowShafts: of a kick, a stall, and an engine cranked unevenly every
// spark between the first and the last reference event counts. The spark lies
// 10° after the event, where a change of speed has little room: within 1°.
func TestSlowShafts(t *testing.T) {
	kick := ramp(ramp(steady(1, 0.2), 0.4, 550, false), 0.4, 700, false)
	ramp(kick, 0.8, 1, false)
	stall := ramp(steady(1350, 2), 1.2, 1, false)
	start := ramp(steady(1, 0.1), 0.9, 1500, false)
	ramp(start, 2, 1500, false)
	for _, c := range []struct {
		name string
		prof *profile
	}{
		{"kick", kick}, {"stall", stall}, {"start", start},
		{"cranking", compression(200, 0.1, 10)},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := world{prof: c.prof, refAngle: 30, refKind: dsp.Contact, scatter: 0.2, phase0: -0.4, seed: 3}
			m := w.build()
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range m.sparks {
				if s.t < m.refs[0] || s.t > m.refs[len(m.refs)-1] {
					continue
				}
				found := false
				for _, f := range res.Firings {
					if math.Abs(f.TimeS-s.t) > 1e-6 {
						continue
					}
					found = true
					if f.Status != OK || math.Abs(float64(f.Advance)-s.adv) > 1 {
						t.Errorf("spark at %.4f s: %s, advance %.2f° ± %.2f°, truly %.2f°", s.t, f.Status, f.Advance, f.Sigma, s.adv)
					}
				}
				if !found {
					t.Errorf("spark at %.4f s: not in the table", s.t)
				}
			}
		})
	}
}
