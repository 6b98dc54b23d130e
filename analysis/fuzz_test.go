package analysis_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"sparkscope/analysis"
	"sparkscope/dsp"
)

// trainsOf reads bytes as the pulses of two channels: a kind for each, then for
// every pulse its channel and class, the time since the one before, and its
// strength. The times go from 50 µs to 0.2 s, so both chaos and rhythm are near.
func trainsOf(b []byte) []dsp.Train {
	const rate = 48000.0
	next := func() int {
		if len(b) == 0 {
			return 0
		}
		v := b[0]
		b = b[1:]
		return int(v)
	}
	trains := []dsp.Train{{Channel: 1, Rate: rate}, {Channel: 2, Rate: rate}}
	for c := range trains {
		k := next()
		for i := range 1 + k%3 {
			trains[c].Shapes = append(trains[c].Shapes, dsp.Shape{
				Kind: dsp.Kind((k>>2 + i) % 3), Polarity: 1 - 2*(k>>4&1), Amp: 0.1 + float64(k>>5)/10, AnchorSigma: 0.1,
			})
		}
	}
	at := 100.0
	for len(b) > 0 {
		which, gap, amp := next(), next(), next()
		at += 2.4 * math.Pow(4000, float64(gap)/255)
		t := &trains[which&1]
		class := which >> 1 & 3
		p := dsp.Pulse{Pos: at, Sigma: 0.01 + float64(which>>3&7)/20, Amp: float64(amp)/255 - 0.5, Match: 0.9, Class: class, Clipped: which&0x80 != 0}
		if class >= len(t.Shapes) {
			p.Class = -1
		} else {
			t.Shapes[class].N++
			if t.Shapes[class].Kind != dsp.Burst {
				p.WidthS = float64(amp+1) * 2e-5
			}
		}
		t.Pulses = append(t.Pulses, p)
	}
	for c := range trains {
		trains[c].Frames = int64(at) + 1000
		trains[c].Level = dsp.Level{Peak: 0.5, RMS: 0.01, Noise: 1e-4}
	}
	return trains
}

// FuzzMeasure holds the analysis to any pulses whatever: it answers or refuses,
// keeps every spark in time order with a finite angle in range where it has
// one, and its counts and bins add up. Its input stays as it was.
func FuzzMeasure(f *testing.F) {
	steady := []byte{0, 4}
	for range 40 {
		steady = append(steady, 1, 190, 200, 0, 150, 220)
	}
	f.Add(steady)
	f.Add(append(slices.Clone(steady), 1)) // against a table
	f.Add([]byte{2, 9, 0, 0, 0})
	f.Add([]byte("any rhythm of pulses whatever, on any channel, and none at all on the other"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 3000 {
			t.Skip("longer than it needs to be")
		}
		trains := trainsOf(b)
		angle := analysis.Degrees(30)
		rec := analysis.Recording{Path: "fuzz", SampleRateHz: 48000, Channels: 2, Bits: 16, Encoding: "pcm", DurationS: float64(trains[0].Frames) / 48000}
		setup := analysis.Setup{ReferenceAngle: &angle}
		// Every other input against a table, as a twin.
		if len(b)%2 == 1 {
			tolerance := analysis.Degrees(2)
			setup.TargetTable, setup.Tolerance = []analysis.TargetRow{{RPM: 1000, Angle: 10}, {RPM: 4000, Angle: 30}}, &tolerance
			setup.FiringOffsets = []float64{0, 180}
		}
		r, err := analysis.Measure(rec, trains, setup)
		for c, again := range trainsOf(b) {
			if !slices.Equal(trains[c].Pulses, again.Pulses) {
				t.Fatalf("channel %d's pulses were changed", c+1)
			}
		}
		if err != nil {
			return
		}
		// JSON refuses NaN and infinities anywhere in the result.
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		count := map[analysis.Status]int{}
		last := math.Inf(-1)
		for i, x := range r.Firings {
			count[x.Status]++
			if x.TimeS < last {
				t.Fatalf("spark %d at %g s after one at %g s", i, x.TimeS, last)
			}
			last = x.TimeS
			if x.HasAngle && !(x.Advance > -180 && x.Advance <= 180) || x.Status == analysis.OK && !(x.HasAngle && x.RPM > 0) {
				t.Errorf("spark %d: %+v", i, x)
			}
		}
		if c := r.Counts; c.OK != count[analysis.OK] || c.RepeatedSparks != count[analysis.Repeated] || c.Sparks != len(r.Firings) || c.OK+c.RepeatedSparks+c.OtherSparks != c.Sparks {
			t.Errorf("%+v, but the sparks are %v", c, count)
		}
		n := 0
		for i, bin := range r.Bins {
			n += bin.N
			if bin.N < 1 || !(bin.MeanRPM >= bin.FromRPM && bin.MeanRPM <= bin.ToRPM) || i > 0 && bin.FromRPM < r.Bins[i-1].ToRPM {
				t.Errorf("bin %d: %+v", i, bin)
			}
		}
		each := 0
		for i, k := range r.Cylinders {
			each += k.N
			if k.N < 1 || i > 0 && k.Number <= r.Cylinders[i-1].Number || r.Verdict != nil && len(r.Verdict.Cylinders) != len(r.Cylinders) {
				t.Errorf("cylinder %d: %+v", i, k)
			}
		}
		if each != r.Counts.OK && r.Cylinders != nil {
			t.Errorf("%d sparks of cylinders, %d counted", each, r.Counts.OK)
		}
		if n != r.Counts.OK || r.Advance.N != r.Counts.OK {
			t.Errorf("%d sparks in bins, %d in the summary, %d counted", n, r.Advance.N, r.Counts.OK)
		}
	})
}
