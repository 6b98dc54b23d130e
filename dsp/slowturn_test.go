package dsp_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// A switch that closes once in six seconds, as a magnet does on an engine turned
// by hand, is known for one at any sampling rate: the quicker the samples, the more of
// them are gathered before it is decided.
func TestSlowTurns(t *testing.T) {
	for _, hz := range []float64{48000, 192000} {
		rng := rand.New(rand.NewPCG(25, 26))
		var edges, closes []float64
		at := 1.0
		for range 4 {
			closes = append(closes, at*hz)
			edges = append(edges, at*hz, (at+0.2)*hz)
			at += 5 + rng.Float64()
		}
		k, err := synth.NewKernel("sharp")
		if err != nil {
			t.Fatal(err)
		}
		sw, err := synth.NewSwitch(k, edges, 0, 0.4, 0)
		if err != nil {
			t.Fatal(err)
		}
		src, err := synth.Recording{Rate: dsp.Rate(hz), Frames: int64((closes[3]/hz + 1) * hz), Bits: 16, Signals: []synth.Signal{sw},
			Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, ACHz: 8, NoiseRMS: 1e-3, Seed: 3}}}.Source()
		if err != nil {
			t.Fatal(err)
		}
		d := dsp.NewDetector(dsp.Rate(hz), 1, dsp.Options{Tables: tables})
		x := []float32{}
		for _, v := range src.All()[0] {
			x = append(x, float32(v))
		}
		d.Push(x)
		tr := d.Finish()
		if len(tr.Shapes) == 0 || tr.Shapes[0].Kind != dsp.Contact || len(tr.Pulses) != len(closes) {
			t.Errorf("%g Hz: %d pulses of %d shapes, want %d of a contact", hz, len(tr.Pulses), len(tr.Shapes), len(closes))
			continue
		}
		for i, p := range tr.Pulses {
			if math.Abs(p.Pos-closes[i]) > 1 {
				t.Errorf("%g Hz: pulse %d is %+.2f samples off", hz, i, p.Pos-closes[i])
			}
		}
	}
}
