package dsp_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// varied is n pulses of a family that differ by 30 % in size, one
// about every 20 ms, in noise of an rms of the typical size, over times as large as
// a converter takes.
func varied(t *testing.T, family string, n int, hz, rms, over float64) (x []float32, at []float64) {
	t.Helper()
	f, err := synth.FamilyByName(family)
	if err != nil {
		t.Fatal(err)
	}
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(21, 22))
	var placed []synth.Placed
	s := 0.05
	var c *synth.Converted
	for range n {
		if c == nil || f.Name == "changing" {
			if c, err = k.Convert(f.Draw(rng), dsp.Rate(hz)); err != nil {
				t.Fatal(err)
			}
		}
		at = append(at, s*hz)
		placed = append(placed, synth.Placed{Pos: s * hz, Amp: over * (0.85 + 0.3*rng.Float64()), Pulse: c})
		s += 0.018 + 0.006*rng.Float64()
	}
	y := make([]float64, int((s+0.05)*hz))
	synth.NewPulses(placed).AddTo(y, 0)
	x = samples(y, 1, 0, over*rms)
	for i, v := range x {
		x[i] = min(max(v, -1), 1)
	}
	return x, at
}

// found is how many true moments have a pulse of a class within three samples.
func found(tr dsp.Train, at []float64) (n int) {
	for _, a := range at {
		for _, p := range tr.Pulses {
			if p.Class >= 0 && math.Abs(p.Pos-a) < 3 {
				n++
				break
			}
		}
	}
	return n
}

// Of pulses whose tops a converter cut off nobody knows how high they went: that
// the slopes left give a height unlike the others' makes them no other pulses.
func TestClippedPulsesOfAnyHeight(t *testing.T) {
	for _, c := range []struct {
		family string
		hz     float64
	}{{"impulse", 48000}, {"changing", 96000}, {"front-parabola", 96000}} {
		x, at := varied(t, c.family, 60, c.hz, 0.003, 4)
		tr := detect(x, 1<<14, dsp.Rate(c.hz))
		// One in thirty may have all of its slope between two samples.
		if n := found(tr, at); 30*n < 29*len(at) {
			t.Errorf("%s, 12 dB beyond full scale: %d of %d found: %v", c.family, n, len(at), kinds(tr))
		}
	}
}

// A pulse of one sample in noise a tenth as high has less energy about its front
// than the noise has, and is no noise.
func TestShortPulseInNoise(t *testing.T) {
	const hz = 192000
	x, at := varied(t, "impulse", 80, hz, 0.1, 0.4)
	tr := detect(x, 1<<14, hz)
	// One in thirty lies between two samples where noise takes most of it away.
	if n := found(tr, at); 30*n < 29*len(at) {
		t.Errorf("%d of %d found: %v", n, len(at), kinds(tr))
	}
}

// Of a pulse of a microsecond a converter's stop leaves what rings before it and after: both
// together say where it was. By what rings before it alone it came out 1.9 samples late.
func TestClippedImpulsePlace(t *testing.T) {
	for _, hz := range []float64{44100, 48000} {
		x, at := varied(t, "impulse", 120, hz, 0.003, 4)
		tr := detect(x, 1<<14, dsp.Rate(hz))
		var late []float64
		for _, a := range at {
			for _, p := range tr.Pulses {
				if p.Class >= 0 && math.Abs(p.Pos-a) < 4 {
					late = append(late, p.Pos-a)
					break
				}
			}
		}
		slices.Sort(late)
		if len(late) < 100 {
			t.Fatalf("%g Hz: %d of %d found", hz, len(late), len(at))
		}
		if m := late[len(late)/2]; math.Abs(m) > 0.2 {
			t.Errorf("%g Hz: %+.3f samples late, want 0.2 at most", hz, m)
		}
	}
}
