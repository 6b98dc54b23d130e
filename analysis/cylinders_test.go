package analysis

import (
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
)

func decision(t *testing.T, r *Result, what string) Decision {
	t.Helper()
	for _, d := range r.Decisions {
		if d.What == what {
			return d
		}
	}
	t.Fatalf("no decision on %s", what)
	return Decision{}
}

// TestStatedSparks: the number of sparks per revolution that the user states
// is obeyed where the recording holds as many, however often they fail; where
// it holds fewer, what it holds is measured, and the reader is told.
func TestStatedSparks(t *testing.T) {
	one := world{prof: steady(3000, 4), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, seed: 41, phase0: -0.3}
	with := func(f func(*world)) world { w := one; f(&w); return w }
	weak := func(share float64) func(m *made) { // of the second cylinder's sparks are there
		return func(m *made) {
			rng := rand.New(rand.NewPCG(6, 6))
			m.edit(m.sparkCh, func(tr *dsp.Train) {
				kept := tr.Pulses[:0]
				for i, p := range tr.Pulses {
					if i%2 == 1 || rng.Float64() < share {
						kept = append(kept, p)
					}
				}
				tr.Pulses = kept
			})
		}
	}
	twin := with(func(w *world) { w.offsets = []float64{180} })
	for _, c := range []struct {
		name      string
		w         world
		edit      func(*made)
		said, is  SparksPerRev
		few       bool
		mostMiss  float64 // share of the rows counted
		leastMiss float64
	}{
		{name: "two said, one there", w: one, said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "twelve said, one there", w: one, said: SparksPerRev{12, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "two said, one there with a wide advance curve", w: with(func(w *world) { w.prof, w.advance = pull(), curve }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "two said, one there and stray pulses", w: with(func(w *world) { w.strays = 12 }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true, mostMiss: 0.02},
		{name: "two said, one there and second sparks", w: with(func(w *world) { w.repeat = 1 }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "two said, every second revolution", w: with(func(w *world) { w.everySecond = true }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 2}, few: true},
		{name: "three said, two there", w: twin, said: SparksPerRev{3, 1}, is: SparksPerRev{2, 1}, few: true},
		{name: "two said, two there", w: twin, said: SparksPerRev{2, 1}, is: SparksPerRev{2, 1}},
		{name: "two said, one cylinder fires in every third revolution", w: twin, edit: weak(0.33), said: SparksPerRev{2, 1}, is: SparksPerRev{2, 1}, leastMiss: 0.4, mostMiss: 0.6},
		{name: "two said, one cylinder hardly fires", w: twin, edit: weak(0.03), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "six said, six there", w: with(func(w *world) { w.offsets = []float64{60, 120, 180, 240, 300} }), said: SparksPerRev{6, 1}, is: SparksPerRev{6, 1}},
		{name: "one said, one there", w: one, said: SparksPerRev{1, 1}, is: SparksPerRev{1, 1}},
	} {
		m := c.w.build()
		if c.edit != nil {
			c.edit(&m)
		}
		res, err := Measure(record(c.w), m.trains, Setup{ReferenceAngle: deg(62), SparksPerRev: c.said})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if res.Setup.SparksPerRev != c.is {
			t.Errorf("%s: %v, want %v", c.name, res.Setup.SparksPerRev, c.is)
		}
		if d := decision(t, res, "sparks per revolution"); d.Given == c.few || hasFinding(res, "sparks-per-rev") != c.few {
			t.Errorf("%s: decision %+v, warned %v, want warned %v and given only without", c.name, d, hasFinding(res, "sparks-per-rev"), c.few)
		}
		if x := float64(res.Counts.MissedSparks) / float64(res.Counts.OK); x < c.leastMiss || x > c.mostMiss {
			t.Errorf("%s: %+v, want %g to %g of the counted missed", c.name, res.Counts, c.leastMiss, c.mostMiss)
		}
		if c.w.advance == nil {
			near(t, c.name, float64(res.Advance.Mean), 20, 0.2)
		}
	}
}
