package analysis

import (
	"math"
	"testing"

	"sparkscope/dsp"
)

// A spark that has not the shape of the others counts in the place of one that is
// lacking. Beyond the last reference there are no places, and it is a row still, as
// one of their shape would be; what is much lower is none.
func TestOddSparkBeyondTheReference(t *testing.T) {
	for _, v := range []struct {
		amp  float64
		rows int
	}{{0.4, 1}, {0.1, 0}} {
		w := world{prof: steady(3000, 4), refAngle: 58, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: 5}
		m := w.build()
		last := m.refs[len(m.refs)-1]
		at := math.NaN()
		m.edit(m.sparkCh, func(tr *dsp.Train) {
			tr.Shapes = append(tr.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: tr.Shapes[0].Polarity, Amp: v.amp, N: 1})
			p := &tr.Pulses[len(tr.Pulses)-1]
			p.Class, p.Amp = 1, v.amp*float64(tr.Shapes[0].Polarity)
			at = p.Pos / testRate
		})
		if at < last {
			t.Fatalf("the last spark at %g s lies before the last reference at %g s", at, last)
		}
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(58)})
		if err != nil {
			t.Fatal(err)
		}
		rows := 0
		for _, f := range res.Firings {
			if math.Abs(f.TimeS-at) < 1e-4 {
				rows++
				if f.Status != NoReference {
					t.Errorf("a spark of %g beyond the reference is %q, want %q", v.amp, f.Status, NoReference)
				}
			}
		}
		if rows != v.rows {
			t.Errorf("%d rows of a spark of %g beyond the reference, want %d", rows, v.amp, v.rows)
		}
	}
}
