package dsp_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// contacts opens and closes contacts 40 times, 0.3 s open and 0.5 s closed give
// or take a third; both ends bounce for a while. It returns the samples and the
// true first partings, in samples.
func contacts(t *testing.T, bounceS float64, inverted bool) (x []float32, opens []float64) {
	t.Helper()
	const rate = 32000.0
	r := rand.New(rand.NewPCG(11, 12))
	var edges []float64
	at := 0.3
	bounce := func() {
		edges = append(edges, at*rate)
		for b := at; ; {
			b += 60e-6 * r.ExpFloat64()
			back := b + 60e-6*r.ExpFloat64()
			if back > at+bounceS {
				return
			}
			edges = append(edges, b*rate, back*rate)
			b = back
		}
	}
	for range 40 {
		opens = append(opens, at*rate)
		bounce()
		at += 0.3 * (0.67 + 0.66*r.Float64())
		bounce()
		at += 0.5 * (0.67 + 0.66*r.Float64())
	}
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	level, amp := 0.0, 0.4
	if inverted {
		amp = -0.4
	}
	sw, err := synth.NewSwitch(k, edges, level, amp, 0)
	if err != nil {
		t.Fatal(err)
	}
	src, err := synth.Recording{Rate: rate, Frames: int64((at + 0.3) * rate), Bits: 16, Signals: []synth.Signal{sw},
		Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, ACHz: 8, NoiseRMS: 1e-3, Seed: 3}}}.Source()
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range src.All()[0] {
		x = append(x, float32(v))
	}
	return x, opens
}

func breakerTrain(x []float32, o dsp.Options, block int) dsp.Train {
	o.Tables = tables
	d := dsp.NewDetector(32000, 1, o)
	for len(x) > 0 {
		n := min(block, len(x))
		d.Push(append([]float32(nil), x[:n]...))
		x = x[n:]
	}
	return d.End()
}

// A breaker's openings are its first partings, whatever it bounces, either way
// up, whatever the blocks; and the other edge where that is asked for.
func TestBreaker(t *testing.T) {
	only := dsp.Options{Only: []dsp.Kind{dsp.Contact}, Breaker: true}
	for _, c := range []struct {
		bounceS  float64
		inverted bool
		// first touches shorter than a sample are timed to about a bounce's stay
		within float64 // samples
	}{{0, false, 0.2}, {0.5e-3, true, 8}, {5e-3, false, 8}, {15e-3, false, 8}} {
		x, opens := contacts(t, c.bounceS, c.inverted)
		tr := breakerTrain(x, only, 4096)
		if len(tr.Pulses) != len(opens) {
			t.Errorf("bounce %g s: %d openings, want %d", c.bounceS, len(tr.Pulses), len(opens))
			continue
		}
		for i, p := range tr.Pulses {
			if math.Abs(p.Pos-opens[i]) > c.within {
				t.Errorf("bounce %g s, opening %d: %.2f, want %.2f", c.bounceS, i+1, p.Pos, opens[i])
			}
			if p.WidthS < 0.15 || p.WidthS > 0.45 {
				t.Errorf("bounce %g s, opening %d: open for %.3f s", c.bounceS, i+1, p.WidthS)
			}
		}
		if got := breakerTrain(x, only, 997); !reflect.DeepEqual(got, tr) {
			t.Errorf("bounce %g s: other blocks, another train", c.bounceS)
		}
		longer := only
		longer.Longer = true
		other := breakerTrain(x, longer, 4096)
		if n := len(other.Pulses); n < len(opens)-1 || n > len(opens) {
			t.Errorf("bounce %g s: %d closings, want %d", c.bounceS, n, len(opens))
			continue
		}
		for i, p := range other.Pulses[:len(opens)-1] {
			if want := tr.Pulses[i].Pos + tr.Pulses[i].WidthS*32000; math.Abs(p.Pos-want) > 40 {
				t.Errorf("bounce %g s, closing %d: %.1f, want %.1f", c.bounceS, i+1, p.Pos, want)
			}
		}
	}
}
