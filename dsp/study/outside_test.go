package study

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// gaussian is exp(-t²/2b²), b in samples, from 8b before its top on.
func gaussian(t *testing.T, b, rate float64) *synth.Converted {
	t.Helper()
	k, err := synth.NewKernel("none")
	if err != nil {
		t.Fatal(err)
	}
	c, err := k.Convert(synth.Shape{
		Name:    "gaussian",
		F:       func(s float64) float64 { u := (s*rate - 8*b) / b; return math.Exp(-u * u / 2) },
		LengthS: 16 * b / rate,
		ScaleS:  b / 2 / rate,
	}, dsp.Rate(rate))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// The least scatter of a Gaussian pulse's time of arrival in white noise is
// σ·√(2b/√π) samples (Kay, Estimation Theory, 1993, chapter 3, with
// Σ s'² ≈ ∫ s'² = √π/(2b)). For σ = 0.01 that is 0.013010, 0.018399 and
// 0.026020 samples for b = 1.5, 3 and 6; a maximum-likelihood estimate reached
// 0.0132, 0.0187 and 0.0260 in 4000 runs of someone else's simulation.
var gaussianBounds = []struct{ b, bound float64 }{{1.5, 0.013010}, {3, 0.018399}, {6, 0.026020}}

func TestBoundWorked(t *testing.T) {
	for _, c := range gaussianBounds {
		for _, phase := range []float64{0, 0.25, 0.9} {
			// Half a unit of the last decimal given, and the slope's own
			// difference over 1/128 sample, 1e-5 of it.
			if got := gaussian(t, c.b, 48000).Bound(1, 0.01, phase); math.Abs(got-c.bound) > 1e-6 {
				t.Errorf("b = %g: bound %.7f samples, worked %.6f", c.b, got, c.bound)
			}
		}
	}
}

// deviationAboutMedian is the median absolute deviation, which a stray pulse
// does not move.
func deviationAboutMedian(x []float64) float64 {
	m := median(x)
	var d []float64
	for _, v := range x {
		d = append(d, math.Abs(v-m))
	}
	return median(d)
}

// The detector, which does not know the pulse beforehand, comes near the
// bound: 400 pulses at random fractions of a sample, each against its true
// place. The scatter, from the median absolute deviation of 400, is good to 6 %
// (1.17/√400), three of which are allowed beside the half that the instrument
// may add.
func TestDetectorAgainstWorkedBound(t *testing.T) {
	const (
		rate, sigma = 48000.0, 0.01
		pulses      = 400
		most        = 1.5 * 1.18
	)
	for _, c := range gaussianBounds {
		t.Run(fmt.Sprint(c.b), func(t *testing.T) {
			shape := gaussian(t, c.b, rate)
			rng := rand.New(rand.NewPCG(11, uint64(c.b*10)))
			var placed []synth.Placed
			at := 3000.0
			for range pulses {
				at += 900 + 200*rng.Float64()
				placed = append(placed, synth.Placed{Pos: at, Amp: 0.8, Pulse: shape})
			}
			src, err := synth.Recording{
				Rate:     rate,
				Frames:   int64(at) + 3000,
				Signals:  []synth.Signal{synth.NewPulses(placed)},
				Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, NoiseRMS: 0.8 * sigma, Seed: 5}},
			}.Source()
			if err != nil {
				t.Fatal(err)
			}
			x := src.All()[0]
			single := make([]float32, len(x))
			for i, v := range x {
				single[i] = float32(v)
			}
			d := dsp.NewDetector(rate, 1, dsp.Options{Only: []dsp.Kind{dsp.Burst}, Tables: tables})
			d.Push(single)
			train := d.Finish()
			var truth, found, errs []float64
			for _, p := range placed {
				truth = append(truth, p.Pos)
			}
			for _, p := range train.Pulses {
				found = append(found, p.Pos)
				for _, at := range truth {
					if e := p.Pos - at; math.Abs(e) < 20*c.b {
						errs = append(errs, e)
					}
				}
			}
			// The onset found is somewhere on the slow rise: 8 b at most from ours.
			score, err := ScoreEvents(truth, found, 20*c.b)
			if err != nil {
				t.Fatal(err)
			}
			if score.Recall < 1 || score.Precision < 0.99 {
				t.Fatalf("%+v: want all, and no more than 1 in 100 too many", score)
			}
			got := 1.4826 * deviationAboutMedian(errs)
			if got > most*c.bound || got < 0.82*c.bound {
				t.Errorf("scatter %.5f samples, bound %.6f: want 0.82 to %.2f times that", got, c.bound, most)
			}
			t.Logf("scatter %.5f samples, %.2f times the bound", got, got/c.bound)
		})
	}
}
