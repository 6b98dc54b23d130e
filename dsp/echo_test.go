package dsp_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// hear detects what is placed, in noise 40 dB below 0.4 of full scale.
func hear(t *testing.T, placed []synth.Placed, seconds float64, o dsp.Options) dsp.Train {
	t.Helper()
	x := make([]float64, int(seconds*rate))
	synth.NewPulses(placed).AddTo(x, 0)
	o.Tables = tables
	d := dsp.NewDetector(rate, 1, o)
	d.Push(samples(x, 1, 0, 0.4/100))
	return d.Finish()
}

// A snap, and 2 ms later its echo the other way up: the echo stands on the
// snap's tail, always alike. Told that the channel is sound, the detector
// averages what has nothing before it, and finds every snap at its onset.
// Untold, it averages both, and takes another place of the wave for the front.
func TestEchoesAreNotAveraged(t *testing.T) {
	c := converted(t, "sharp", "snap", rate, nil)
	rng := rand.New(rand.NewPCG(1, 2))
	var placed []synth.Placed
	var at []float64
	for s := 0.05; s < 5.9; s += 0.03 + 0.02*rng.Float64() {
		amp := 0.4 * (0.8 + 0.4*rng.Float64())
		at = append(at, s*rate)
		placed = append(placed, synth.Placed{Pos: s * rate, Amp: amp, Pulse: c}, synth.Placed{Pos: (s + 2e-3) * rate, Amp: -0.8 * amp, Pulse: c})
	}
	found := func(o dsp.Options) (n int) {
		tr := hear(t, placed, 6, o)
		for _, a := range at {
			for _, p := range tr.Pulses {
				// Half a sample, 10 µs, is what the detector states of a lone snap's
				// onset in this noise (dsp/study/timing.txt: 0.42).
				if p.Class >= 0 && math.Abs(p.Pos-a) < 0.5 {
					n++
					break
				}
			}
		}
		return n
	}
	if n := found(dsp.Options{Echoes: true}); n < len(at) {
		t.Errorf("sound: %d of %d snaps within half a sample: want all", n, len(at))
	}
	if n := found(dsp.Options{}); n > len(at)/2 {
		t.Errorf("not told of echoes: %d of %d snaps within half a sample: then this test shows nothing", n, len(at))
	}
}

// On a lead, six of seven pulses come 3 ms after a small one of another kind,
// as a reference that leaks over is; the seventh comes alone, and with another
// discharge 0.35 ms after it. Most of them say what the pulse looks like, not
// those with nothing before them. In sound it would be the other way round.
func TestPulsesWithNothingBeforeThem(t *testing.T) {
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	convert := func(name string) *synth.Converted {
		f, err := synth.FamilyByName(name)
		if err != nil {
			t.Fatal(err)
		}
		c, err := k.Convert(f.Draw(nil), rate)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	spark, leak := convert("ring-short"), convert("decay")
	const later, part = 0.35e-3, 0.5 // seconds; of the first one's size
	rng := rand.New(rand.NewPCG(3, 4))
	var placed []synth.Placed
	for i, s := 0, 0.05; s < 7.9; i, s = i+1, s+0.03+0.02*rng.Float64() {
		amp := 0.4 * (0.8 + 0.4*rng.Float64())
		if i%7 != 0 {
			placed = append(placed, synth.Placed{Pos: (s - 3e-3) * rate, Amp: -0.1, Pulse: leak}, synth.Placed{Pos: s * rate, Amp: amp, Pulse: spark})
			continue
		}
		placed = append(placed, synth.Placed{Pos: s * rate, Amp: amp, Pulse: spark}, synth.Placed{Pos: (s + later) * rate, Amp: part * amp, Pulse: spark})
	}
	// What the averaged wave does about the later discharge's crest.
	second := func(o dsp.Options) (most float64) {
		tr := hear(t, placed, 8, o)
		w := tr.Shapes[largest(t, tr)]
		at := int(w.WaveOrigin + later*rate)
		for i := at; i < at+6; i++ {
			most = math.Max(most, math.Abs(w.Wave[i]))
		}
		return most
	}
	if v := second(dsp.Options{}); v > part/4 {
		t.Errorf("on a lead the average has %.2f of a second discharge that one in seven has: want next to none", v)
	}
	if v := second(dsp.Options{Echoes: true}); v < part/2 {
		t.Errorf("in sound the average of those with nothing before them has %.2f of what follows them: want nearly %g", v, part)
	}
}
