package health

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"sparkscope/dsp"
)

// The worked numbers of scipy's own test of welch (scipy/signal/tests,
// test_spectral, BSD-3): unit pulses at 0 and 8 of 16, segments of 8, Hann,
// constant detrend. Every segment's mean is the mean of all here. They are
// given to 8 decimals.
func TestSpectrumWorked(t *testing.T) {
	x := make([]float64, 16)
	x[0], x[8] = 1, 1
	freq, psd, err := Spectrum(x, 1, 8)
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{.08333333, .15277778, .22222222, .22222222, .11111111}
	if len(psd) != len(want) || len(freq) != len(want) {
		t.Fatalf("%d densities at %d frequencies, want %d", len(psd), len(freq), len(want))
	}
	for i, w := range want {
		if math.Abs(psd[i]-w) > 6e-9 || freq[i] != float64(i)/8 {
			t.Errorf("at %g Hz %.9f, scipy's test has %.8f at %g Hz", freq[i], psd[i], w, float64(i)/8)
		}
	}
	if x[0] != 1 || x[1] != 0 {
		t.Error("the samples were changed")
	}
}

// scipy.signal.welch, from ../testdata/outside/make.py.
func TestSpectrumAgainstScipy(t *testing.T) {
	b, err := os.ReadFile("../testdata/outside/golden.json")
	if err != nil {
		t.Fatal(err)
	}
	var g struct {
		Welch struct {
			Cases []struct {
				X, Freq, PSD []float64
				Rate         float64
				Segment      int
			}
		}
	}
	if err := json.Unmarshal(b, &g); err != nil {
		t.Fatal(err)
	}
	if len(g.Welch.Cases) == 0 {
		t.Fatal("no cases")
	}
	for i, c := range g.Welch.Cases {
		freq, psd, err := Spectrum(c.X, dsp.Rate(c.Rate), c.Segment)
		if err != nil {
			t.Fatal(err)
		}
		if len(psd) != len(c.PSD) {
			t.Fatalf("case %d: %d densities, scipy has %d", i, len(psd), len(c.PSD))
		}
		top := slices.Max(c.PSD)
		for k := range psd {
			// Rounding, relative to the strongest line.
			if math.Abs(psd[k]-c.PSD[k]) > 1e-13*top+1e-12*c.PSD[k] || math.Abs(freq[k]-c.Freq[k]) > 1e-12*c.Rate {
				t.Errorf("case %d: %.15g at %g Hz, scipy has %.15g at %g Hz", i, psd[k], freq[k], c.PSD[k], c.Freq[k])
			}
		}
	}
}

// The density of white noise of rms σ is 2σ²/rate (one-sided), and its
// integral σ². With 200 half-overlapping segments the mean over all bins is
// good to about 1 %.
func TestSpectrumOfNoise(t *testing.T) {
	const rate, sigma = 8000.0, 0.02
	rng := rand.New(rand.NewPCG(5, 1))
	x := make([]float64, 1<<16)
	for i := range x {
		x[i] = 0.3 + sigma*rng.NormFloat64()
	}
	_, psd, err := Spectrum(x, rate, 512)
	if err != nil {
		t.Fatal(err)
	}
	var power float64
	for _, v := range psd {
		power += v * rate / 512
	}
	if r := power / (sigma * sigma); math.Abs(r-1) > 0.03 {
		t.Errorf("the density adds up to %.3f of the variance", r)
	}
}

func TestSpectrumRefuses(t *testing.T) {
	x := make([]float64, 64)
	bad := slices.Clone(x)
	bad[3] = math.NaN()
	for _, c := range []struct {
		name    string
		x       []float64
		rate    dsp.Rate
		segment int
	}{
		{"odd segment", x, 100, 9},
		{"too short", x, 100, 6},
		{"longer than the samples", x, 100, 66},
		{"nothing", nil, 100, 8},
		{"no rate", x, 0, 8},
		{"rate that is no number", x, dsp.Rate(math.NaN()), 8},
		{"sample that is no number", bad, 100, 8},
	} {
		if _, _, err := Spectrum(c.x, c.rate, c.segment); err == nil {
			t.Errorf("%s: no error", c.name)
		}
	}
	if _, _, err := Spectrum(x, 100, 64); err != nil {
		t.Errorf("one segment of all: %v", err)
	}
}

// humAt is noise with a line of the given rms at hz and at a third of it in
// rms at three times hz.
func humAt(rate, hz, rms float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 2))
	x := make([]float64, int(4*rate))
	for i := range x {
		w := 2 * math.Pi * hz * float64(i) / rate
		x[i] = math.Sqrt2*rms*(math.Sin(w+1)+math.Sin(3*w)/3) + 1e-3*rng.NormFloat64() - 0.1
	}
	return x
}

// A line's rms is found to 2 %: the floor's scatter, and what a Hann line
// loses outside its five bins when it lies between two.
func TestHum(t *testing.T) {
	for _, c := range []struct {
		rate, hz float64
	}{{8000, 50}, {8000, 60}, {44100, 50}, {48000, 60}, {48000, 50.05}} {
		freq, psd, err := Spectrum(humAt(c.rate, c.hz, 0.01, 3), dsp.Rate(c.rate), int(c.rate))
		if err != nil {
			t.Fatal(err)
		}
		m, ok := Hum(freq, psd)
		if !ok {
			t.Errorf("%g Hz at rate %g: not found", c.hz, c.rate)
			continue
		}
		if math.Abs(m.BaseHz-c.hz) > 1 {
			t.Errorf("%g Hz at rate %g: found %g", c.hz, c.rate, m.BaseHz)
		}
		want := 0.01 * math.Sqrt(1+1.0/9)
		if math.Abs(m.RMS/want-1) > 0.02 || math.Abs(m.Harmonics[0]/0.01-1) > 0.02 || math.Abs(m.Harmonics[2]/0.01*3-1) > 0.02 {
			t.Errorf("%g Hz at rate %g: rms %.5f %.5f, want %.5f with harmonics 0.01 and 0.00333", c.hz, c.rate, m.RMS, m.Harmonics, want)
		}
		if m.Harmonics[1] > 1e-4 {
			t.Errorf("%g Hz at rate %g: a second harmonic of %g that is not there", c.hz, c.rate, m.Harmonics[1])
		}
	}
}

func TestNoHum(t *testing.T) {
	for seed := range uint64(20) {
		freq, psd, err := Spectrum(humAt(8000, 50, 0, 100+seed), 8000, 8000)
		if err != nil {
			t.Fatal(err)
		}
		if m, ok := Hum(freq, psd); ok {
			t.Errorf("seed %d: hum %+v in noise", seed, m)
		}
	}
	// Lines elsewhere are no hum.
	freq, psd, _ := Spectrum(humAt(8000, 55, 0.01, 9), 8000, 8000)
	if m, ok := Hum(freq, psd); ok {
		t.Errorf("a line at 55 Hz is called %+v", m)
	}
	// Bins too wide to tell.
	freq, psd, _ = Spectrum(humAt(8000, 50, 0.01, 9), 8000, 1000)
	if _, ok := Hum(freq, psd); ok {
		t.Error("bins of 8 Hz tell 50 from 60")
	}
	if _, ok := Hum(nil, nil); ok {
		t.Error("hum in nothing")
	}
}
