package analysis

import (
	"errors"
	"math"
	"strings"
	"testing"

	"sparkscope/dsp"
)

// leaked adds to the spark's channel what a capacitive leak of the reference
// makes there: a spike at each edge of the switch, one up and one down. own is
// false where the spikes have the sparks' class, as spikes of their shape get.
func (m *made) leaked(amp float64, own bool) {
	var ref *dsp.Train
	m.edit(m.refCh, func(tr *dsp.Train) { ref = tr })
	m.edit(m.sparkCh, func(tr *dsp.Train) {
		up, down := 0, len(tr.Shapes)
		tr.Shapes = append(tr.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: -tr.Shapes[0].Polarity, Amp: amp})
		if own {
			up = len(tr.Shapes)
			tr.Shapes = append(tr.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: tr.Shapes[0].Polarity, Amp: amp})
		}
		pol := float64(tr.Shapes[0].Polarity)
		for i, p := range ref.Pulses {
			// 2 and 20 µs late, the latter less surely: a tail of the former.
			tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: p.Pos + 0.1, Sigma: 0.01, Amp: pol * amp, Class: up, Match: 0.98})
			if i%4 > 0 {
				tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: p.Pos + p.WidthS*testRate + 1 + 0.1*float64(i%3), Sigma: 0.05, Amp: -pol * amp, Class: down, Match: 0.98})
			}
		}
	})
}

// TestLeakIsNoSpark: the reference heard on the spark's lead, as high as the
// sparks or twice as high, of a shape of its own or of theirs, both edges of
// it, is not taken for sparks.
func TestLeakIsNoSpark(t *testing.T) {
	for _, amp := range []float64{0.5, 1.0} {
		for _, own := range []bool{true, false} {
			for _, ref := range []float64{58, -120} {
				w := world{prof: ramp(steady(3000, 2), 2, 3600, true), refAngle: ref, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: 5}
				m := w.build()
				m.leaked(amp, own)
				res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(ref)})
				if err != nil {
					t.Errorf("leak %g, own class %v, reference %g°: %v", amp, own, ref, err)
					continue
				}
				if math.Abs(float64(res.Advance.Mean)-20) > 0.15 || res.Counts.OK < len(m.sparks)*98/100 {
					t.Errorf("leak %g, own class %v, reference %g°: %d counted of %d, mean %.2f°: want all, at 20°", amp, own, ref, res.Counts.OK, len(m.sparks), res.Advance.Mean)
				}
			}
		}
	}
}

// TestOnlyLeakRefused: where only the leak has a class, and the sparks are
// too much disturbed for one, the leak is not measured as if it were sparks.
func TestOnlyLeakRefused(t *testing.T) {
	w := world{prof: steady(3000, 4), refAngle: 58, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: 6}
	m := w.build()
	m.leaked(1, true)
	m.edit(m.sparkCh, func(tr *dsp.Train) {
		for i := range tr.Pulses {
			if tr.Pulses[i].Class == 0 {
				tr.Pulses[i].Class, tr.Pulses[i].Sigma = -1, 8
			}
		}
	})
	_, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(58)})
	if !errors.Is(err, ErrCannotMeasure) || !strings.Contains(err.Error(), "leaks into the spark's lead") {
		t.Errorf("got %v, want a refusal that speaks of the leak", err)
	}
}

// TestSparksEitherWayUp: a discharge that rings now one way up and now the
// other makes two classes of opposite polarity; they are one kind of spark,
// also with second sparks after some. A closing blip after each is not.
func TestSparksEitherWayUp(t *testing.T) {
	for _, run := range []int{1, 40, 60} { // sparks in a row that are the same way up, mostly
		for _, blip := range []bool{false, true} {
			again := 0.3
			if run == 60 {
				again = 0
			}
			w := world{prof: ramp(steady(1500, 1), 4, 7000, true), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, repeat: again, blip: blip, phase0: -0.3, seed: 7}
			m := w.build()
			m.edit(m.sparkCh, func(tr *dsp.Train) {
				c, n := len(tr.Shapes), 0
				tr.Shapes = append(tr.Shapes, tr.Shapes[0])
				tr.Shapes[c].Polarity = -tr.Shapes[0].Polarity
				for i := range tr.Pulses {
					if p := &tr.Pulses[i]; p.Class == 0 {
						if n++; n/run%5 < 2 {
							p.Class, p.Amp = c, -p.Amp
						}
					}
				}
			})
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(62)})
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for _, s := range m.sparks {
				if !s.repeated {
					n++
				}
			}
			if res.Counts.OK < n*98/100 || res.Counts.OK > n || res.Counts.MissedSparks > 2 || math.Abs(float64(res.Advance.Mean)-20) > 0.15 {
				t.Errorf("runs of %d, closing blips %v: %+v, mean %.2f°: want %d counted at 20°", run, blip, res.Counts, res.Advance.Mean, n)
			}
		}
	}
}
