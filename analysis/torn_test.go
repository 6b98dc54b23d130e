package analysis

import (
	"math"
	"testing"

	"sparkscope/dsp"
)

// cutOut leaves seconds out of a recording at a moment, or below 0 puts them in
// again: pulses in what is left out are gone, those after it earlier.
func cutOut(m *made, at, seconds float64) {
	for c := range m.trains {
		tr := &m.trains[c]
		rate := float64(tr.Rate)
		kept := tr.Pulses[:0]
		for _, p := range tr.Pulses {
			t := p.Pos / rate
			if t >= at && t < at+seconds {
				continue
			}
			if t >= at {
				p.Pos -= seconds * rate
			}
			kept = append(kept, p)
		}
		tr.Pulses = kept
	}
}

// TestMissingSamples: a piece that is left out, or written twice, anywhere within a
// turn, is listed once, near its place; no spark there counts, and those that do
// are as right as without it.
func TestMissingSamples(t *testing.T) {
	const at = 2.0
	w := world{prof: steady(3000, 4), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2} // a turn lasts 20 ms
	for _, seconds := range []float64{0.001, 0.0029, 0.01, 0.033, -0.001, -0.01} {
		for k := range 8 { // not so near a pulse that it is cut in two
			m := w.build()
			moment := at + (float64(k)+0.3)/8*0.02
			cutOut(&m, moment, seconds)
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
			if err != nil {
				t.Fatalf("%g s at %g s: %v", seconds, moment, err)
			}
			var places []float64
			for _, x := range res.Missing {
				if x.What == MissingSamples {
					places = append(places, x.TimeS)
				}
			}
			if len(places) != 1 || math.Abs(places[0]-moment) > 0.05 || !hasFinding(res, "missing-samples") {
				t.Errorf("%g s left out at %.4f s: told at %v", seconds, moment, places)
			}
			for _, f := range res.Firings {
				if f.Status == OK && (math.Abs(f.RPM-3000) > 60 || math.Abs(float64(f.Advance-res.Advance.Mean)) > 2) {
					t.Errorf("%g s left out at %.4f s: counted at %.4f s: %.1f° at %.0f rpm", seconds, moment, f.TimeS, float64(f.Advance), f.RPM)
				}
			}
			if res.Counts.OK < 185 {
				t.Errorf("%g s left out at %.4f s: %d sparks count", seconds, moment, res.Counts.OK)
			}
		}
	}
}
