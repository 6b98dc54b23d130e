package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// BenchmarkOnset finds the onset of three fronts, as a recording of a few kinds of
// pulses does: nearly all the time that goes to timing goes to it.
func BenchmarkOnset(b *testing.B) {
	const noise = 2e-4
	rng := rand.New(rand.NewPCG(43, 44))
	var fronts [][]float64
	for _, f := range []func(t float64) float64{
		func(t float64) float64 { return math.Exp(-t / 12) },
		func(t float64) float64 { return math.Sin(2*math.Pi*t/5) * math.Exp(-t/12) },
		bend(2),
	} {
		w := bandLimited(f, false, bandLimit{cutoff: 0.47, half: 40, beta: 8}, 60.3, 140)
		for i := range w {
			w[i] += noise * rng.NormFloat64()
		}
		fronts = append(fronts, w)
	}
	for b.Loop() {
		kept := &onsetTables{}
		for _, w := range fronts {
			foot, crest := frontOf(w, noise)
			if _, _, _, ok := onset(w, noise, foot, crest, false, false, 0, kept); !ok {
				b.Fatal("no onset found")
			}
		}
	}
}

// BenchmarkLobes looks for lobes of all lengths in ten seconds of noise, as in every
// channel of a recording.
func BenchmarkLobes(b *testing.B) {
	rng := rand.New(rand.NewPCG(45, 46))
	x := make([]float32, 480000)
	for i := range x {
		x[i] = float32(rng.NormFloat64() / 100)
	}
	l := newLobeFinder(48000)
	for b.Loop() {
		l.answers(x, 0, len(x), 4, 400)
	}
}
