package calibrate

import (
	"math/rand/v2"
	"sync"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// tables are what the detectors of these tests share: what converters are is the same for
// all recordings.
var tables = dsp.NewCommonTables(new(sync.Mutex), 16*dsp.MostTables)

// detect finds the pulses of every channel by itself, as the command does for
// a calibration.
func detect(rate dsp.Rate, samples [][]float64) []dsp.Train {
	var out []dsp.Train
	for c, x := range samples {
		d := dsp.NewDetector(rate, c+1, dsp.Options{Tables: tables})
		y := make([]float32, len(x))
		for i, v := range x {
			y[i] = float32(v)
		}
		d.Push(y)
		out = append(out, d.End())
	}
	dsp.Settle(out)
	return out
}

// sameFeed is a recording of one source on both channels.
type sameFeed struct {
	family   string // a burst of dsp/synth; empty: a contact
	kernel   string
	rate     float64
	skewS    float64
	gain     [2]float64
	noiseDB  float64 // below a pulse of gain 1
	pulses   int
	periodS  float64
	seed     uint64
	jitterS  float64 // of channel 2 against channel 1, standard deviation
	driftPPM float64 // of channel 2's clock
	acHz     float64
}

func (f sameFeed) trains(t *testing.T) []dsp.Train {
	t.Helper()
	k, err := synth.NewKernel(f.kernel)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(f.seed, 11))
	var at [2][]float64
	now := 0.1 + 0.01*r.Float64()
	for range f.pulses {
		at[0] = append(at[0], now*f.rate)
		at[1] = append(at[1], (now*(1+f.driftPPM*1e-6)+f.skewS+f.jitterS*r.NormFloat64())*f.rate)
		now += f.periodS * (0.9 + 0.2*r.Float64())
	}
	rec := synth.Recording{Rate: dsp.Rate(f.rate), Frames: int64((now + 0.1) * f.rate), Bits: 16}
	for c := range 2 {
		var s synth.Signal
		if f.family == "" {
			var edges []float64
			for _, v := range at[c] {
				edges = append(edges, v, v+2e-3*f.rate)
			}
			if s, err = synth.NewSwitch(k, edges, 0, 0.4, 5e-6*f.rate); err != nil {
				t.Fatal(err)
			}
		} else {
			fam, err := synth.FamilyByName(f.family)
			if err != nil {
				t.Fatal(err)
			}
			pulse, err := k.Convert(fam.Draw(rand.New(rand.NewPCG(f.seed, 12))), dsp.Rate(f.rate))
			if err != nil {
				t.Fatal(err)
			}
			var p []synth.Placed
			for _, v := range at[c] {
				p = append(p, synth.Placed{Pos: v, Amp: 0.4, Pulse: pulse})
			}
			s = synth.NewPulses(p)
		}
		rec.Signals = append(rec.Signals, s)
		rec.Channels = append(rec.Channels, synth.Channel{Feeds: []synth.Feed{{Signal: c, Gain: f.gain[c]}},
			NoiseRMS: 0.4 * pow10(-f.noiseDB/20), ACHz: f.acHz, Seed: f.seed*10 + uint64(c)})
	}
	src, err := rec.Source()
	if err != nil {
		t.Fatal(err)
	}
	return detect(src.Rate(), src.All())
}
