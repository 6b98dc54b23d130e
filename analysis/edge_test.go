package analysis

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"sparkscope/dsp"
)

// TestEdgesAreNoSparks: on one input, pulses that follow the switch's opening
// as closely as only its own echo does are no sparks; with the scatter of an
// engine at the same place they are.
func TestEdgesAreNoSparks(t *testing.T) {
	for _, c := range []struct {
		name     string
		scatterS float64
		refused  bool
	}{{"the edge itself", 0.5e-6, true}, {"an engine", 60e-6, false}} {
		rng := rand.New(rand.NewPCG(1, 2))
		tr := dsp.Train{Channel: 1, Rate: testRate, Frames: 6 * testRate, Level: dsp.Level{Peak: 0.5, Noise: 1e-4}, Shapes: []dsp.Shape{
			{Kind: dsp.Contact, Polarity: 1, Amp: 0.4, AnchorSigma: 0.05}, {Kind: dsp.Burst, Polarity: -1, Amp: 0.5, AnchorSigma: 0.05},
		}}
		const width = 1.7e-3
		for at := 0.1; at < 5.9; at += 0.02 { // 3000 rpm
			tr.Pulses = append(tr.Pulses,
				dsp.Pulse{Pos: at * testRate, Sigma: 0.02, Amp: 0.4, Match: 0.99, WidthS: width},
				dsp.Pulse{Pos: (at + width + 20e-6 + c.scatterS*rng.NormFloat64()) * testRate, Sigma: 0.02, Amp: -0.5, Match: 0.99, Class: 1})
			tr.Shapes[0].N++
			tr.Shapes[1].N++
		}
		slices.SortFunc(tr.Pulses, func(a, b dsp.Pulse) int {
			if a.Pos < b.Pos {
				return -1
			}
			return 1
		})
		res, err := Measure(Recording{SampleRateHz: testRate, Channels: 1, DurationS: 6}, []dsp.Train{tr}, Setup{SparkChannel: 1, ReferenceChannel: 1})
		var cm *CannotMeasureError
		switch {
		case c.refused && (!errors.As(err, &cm) || cm.Code != "one-input" || !strings.Contains(err.Error(), "switches off")):
			t.Errorf("%s: %v, want a refusal for one input", c.name, err)
		case !c.refused && (err != nil || res.Counts.OK < 280):
			t.Errorf("%s: %v, want some 290 sparks", c.name, err)
		}
	}
}

// TestSparksAtAnEdgeHaveRows: the second spark of a twin that lies where the
// reference's switch opens, of an ignition that hardly scatters, cannot be told from
// the switch heard on the spark's lead while the speed is steady. It is not counted, and
// each is in the table.
func TestSparksAtAnEdgeHaveRows(t *testing.T) {
	// The pulse lasts 14° and the first spark comes 42° after its beginning.
	for _, scatter := range []float64{0.02, 0.1} { // degrees; 1 and 6 µs
		w := world{prof: steady(3000, 6), refAngle: 62, refKind: dsp.Contact, scatter: scatter, offsets: []float64{14 - 42}, phase0: -0.3, seed: 8}
		m := w.build()
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(62)})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(res.Advance.Mean)-20) > 0.15 || res.Counts.OK < len(m.sparks)/2-3 {
			t.Errorf("scatter %g°: %d of %d counted, mean %.2f°: want half of them at 20°", scatter, res.Counts.OK, len(m.sparks), res.Advance.Mean)
		}
		for _, s := range m.sparks {
			if !slices.ContainsFunc(res.Firings, func(f Firing) bool { return math.Abs(f.TimeS-s.t) < 1e-6 }) {
				t.Errorf("scatter %g°: the spark at %.4f s has no row", scatter, s.t)
			}
		}
	}
}
