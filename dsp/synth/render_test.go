package synth

import (
	"math"
	"testing"
)

// Hum is the sum of its harmonics, whatever the block it is asked for in.
func TestHum(t *testing.T) {
	const peak, f = 0.3, 50.0 / 48000
	x := make([]float64, 5000)
	addHum(x, 777, peak, f)
	var total float64
	for _, h := range harmonics {
		total += h[1]
	}
	for i := range x {
		var want float64
		for _, h := range harmonics {
			want += peak * h[1] / total * math.Sin(2*math.Pi*f*h[0]*float64(777+i)+h[2])
		}
		if math.Abs(x[i]-want) > 1e-11 {
			t.Fatalf("hum at frame %d: %g: want %g", 777+i, x[i], want)
		}
	}
}

// Pulses at fractional places are the tabulated function at those places, and
// overlapping ones add up.
func TestPulsesAreTheFunction(t *testing.T) {
	for _, name := range []string{"gentle", "sharp-minimum", "none"} {
		c, err := kernel(t, name).Convert(Families()[3].Draw(nil), 44100)
		if err != nil {
			t.Fatal(err)
		}
		placed := []Placed{{300.7, 0.5, c}, {100.123456, 1, c}, {120.9, -0.7, c}, {-3.3, 0.4, c}}
		got := make([]float64, 500)
		NewPulses(placed).AddTo(got, 0)
		for i := range got {
			var want float64
			for _, p := range placed {
				want += p.Amp * c.At(float64(i)-p.Pos)
			}
			if math.Abs(got[i]-want) > 1e-9 {
				t.Fatalf("%s: frame %d: %g: want %g", name, i, got[i], want)
			}
		}
	}
}

// A slow passage of a coil is the derivative of a Gaussian itself; a quick one
// is that through the kernel, by brute force; the summits lie Half away.
func TestLobes(t *testing.T) {
	for _, name := range []string{"sharp", "gentle", "gentle-minimum"} {
		k := kernel(t, name)
		for _, half := range []float64{0.7, 2.2, 5.5, 40} {
			const pos, amp = 500.37, 0.6
			l, err := NewLobes(k, []Lobe{{Pos: pos, Half: half, Amp: amp}})
			if err != nil {
				t.Fatal(err)
			}
			x := make([]float64, 1000)
			l.AddTo(x, 0)
			f := func(x float64) float64 { return -amp * x / half * math.Exp(0.5-x*x/(2*half*half)) }
			from, to := k.Span()
			for n := 470; n < 540; n += 7 {
				var want float64
				const steps = 8000
				for i := range steps {
					u := from + (to-from)*(float64(i)+0.5)/steps
					want += k.At(u) * f(float64(n)-pos-u) * (to - from) / steps
				}
				if math.Abs(x[n]-want) > 2e-4*amp {
					t.Errorf("%s, half a spacing of %g: frame %d: %g, by plain integration %g", name, half, n, x[n], want)
				}
			}
		}
	}
}

func TestSourceRefuses(t *testing.T) {
	good := func() Recording {
		return Recording{Rate: 48000, Frames: 10, Signals: []Signal{NewPulses(nil)}, Channels: []Channel{{Feeds: []Feed{{0, 1}}}}, Bits: 16}
	}
	if _, err := good().Source(); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Recording){
		"rate":       func(r *Recording) { r.Rate = 0 },
		"frames":     func(r *Recording) { r.Frames = -1 },
		"bits":       func(r *Recording) { r.Bits = 7 },
		"channels":   func(r *Recording) { r.Channels = nil },
		"feed":       func(r *Recording) { r.Channels[0].Feeds[0].Signal = 1 },
		"noise":      func(r *Recording) { r.Channels[0].NoiseRMS = math.NaN() },
		"gain":       func(r *Recording) { r.Channels[0].Feeds[0].Gain = math.Inf(1) },
		"many feeds": func(r *Recording) { r.Channels = make([]Channel, 65) },
	} {
		r := good()
		change(&r)
		if _, err := r.Source(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	k := kernel(t, "gentle")
	if _, err := NewSwitch(k, []float64{5, 4}, 0, 1, 0); err == nil {
		t.Error("edges out of order: no error")
	}
	if _, err := NewSwitch(k, []float64{4, 5}, 0, 1, math.NaN()); err == nil {
		t.Error("rise that is no number: no error")
	}
	if _, err := NewLobes(k, []Lobe{{Pos: 1, Half: 0.1, Amp: 1}}); err == nil {
		t.Error("too narrow a coil: no error")
	}
}
