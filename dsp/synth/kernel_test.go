package synth

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
)

func kernel(t testing.TB, name string) *Kernel {
	t.Helper()
	k, err := NewKernel(name)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// Gains that KernelNames promises. -6 dB at the cutoff is a property of a sinc
// under any symmetric window much longer than it.
func TestKernelGain(t *testing.T) {
	for _, c := range []struct {
		name           string
		half           float64 // frequency of half amplitude, cycles per sample
		pass, passTol  float64 // flat to within passTol up to here
		stop, stopGain float64 // below stopGain from here on
	}{
		{"sharp", 0.47, 0.42, 1e-4, 0.5, 3.2e-5},
		{"gentle", 0.42, 0.33, 1e-3, 0.5, 5e-4},
		{"sharp-minimum", 0.47, 0.42, 1e-4, 0.5, 3.2e-5},
		{"gentle-minimum", 0.42, 0.33, 1e-3, 0.5, 5e-4},
	} {
		k := kernel(t, c.name)
		if got := k.Gain(c.half); math.Abs(got-0.5) > 0.005 {
			t.Errorf("%s: gain at %g is %g: want 0.5", c.name, c.half, got)
		}
		for f := 0.0; f <= c.pass; f += 0.01 {
			if got := k.Gain(f); math.Abs(got-1) > c.passTol {
				t.Errorf("%s: gain at %g is %g: want 1 within %g", c.name, f, got, c.passTol)
			}
		}
		for f := c.stop; f <= 3; f += 0.0437 {
			if got := k.Gain(f); got > c.stopGain {
				t.Errorf("%s: gain at %g is %g: want below %g", c.name, f, got, c.stopGain)
			}
		}
	}
}

func TestKernelSymmetryAndCausality(t *testing.T) {
	for _, name := range []string{"sharp", "gentle"} {
		k := kernel(t, name)
		if d := k.DelaySamples(); math.Abs(d) > 1e-9 {
			t.Errorf("%s: delay %g samples: want 0", name, d)
		}
		for x := 0.05; x < 20; x += 0.37 {
			if a, b := k.At(x), k.At(-x); math.Abs(a-b) > 1e-9 {
				t.Errorf("%s: response %g at %g but %g at %g: want symmetry", name, a, x, b, -x)
			}
			if got := k.Step(x) + k.Step(-x); math.Abs(got-1) > 1e-7 {
				t.Errorf("%s: step at ±%g adds up to %g: want 1", name, x, got)
			}
		}
		if got := k.Step(0); math.Abs(got-0.5) > 1e-7 {
			t.Errorf("%s: step response at the step is %g: want 0.5", name, got)
		}
	}
	for _, name := range []string{"sharp-minimum", "gentle-minimum"} {
		k, lin := kernel(t, name), kernel(t, name[:len(name)-len("-minimum")])
		if from, _ := k.Span(); from < -3.0/Fine {
			t.Errorf("%s: begins at %g samples: want no response before the event", name, from)
		}
		if d := k.DelaySamples(); !(d > 0.5 && d < 12) {
			t.Errorf("%s: delay %g samples: want a few", name, d)
		}
		// Of all responses with one magnitude the minimum-phase one has the
		// most energy early (Oppenheim and Schafer); it must at least have as
		// much in total as the linear one it came from.
		var a, b float64
		for i := range k.h {
			a += k.h[i] * k.h[i]
		}
		for i := range lin.h {
			b += lin.h[i] * lin.h[i]
		}
		if math.Abs(a/b-1) > 3e-5 {
			t.Errorf("%s: energy %g, linear phase %g: want the same magnitude response", name, a/Fine, b/Fine)
		}
	}
}

// brute integrates shape times kernel the plain way: midpoint rule, many
// points, pieces between the shape's breaks. Independent of tables except
// for the kernel's own.
func brute(k *Kernel, s Shape, fs, x float64) float64 {
	edges := append([]float64{0}, s.BreaksS...)
	edges = append(edges, s.LengthS)
	from, to := k.Span()
	var sum float64
	for i := 1; i < len(edges); i++ {
		a, b := max(edges[i-1]*fs, x-to), min(edges[i]*fs, x-from)
		if b <= a {
			continue
		}
		n := int(500*(b-a) + 500)
		w := (b - a) / float64(n)
		for j := range n {
			u := a + (float64(j)+0.5)*w
			sum += s.F(u/fs) * k.At(x-u) * w
		}
	}
	return sum
}

// tableTol is the promised error of the tables, as a fraction of the peak.
const tableTol = 1e-5

func TestConvertAgainstBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for _, kn := range []string{"sharp", "gentle", "gentle-minimum", "sharp-minimum"} {
		k := kernel(t, kn)
		for i, f := range Families() {
			fs := []float64{44100, 48000, 96000, 192000}[i%4]
			s := f.Draw(r)
			c, err := k.Convert(s, dsp.Rate(fs))
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range []float64{-3.3 + r.Float64(), r.Float64(), 1 + 3*r.Float64()} {
				want := brute(k, s, fs, x) * c.scale
				if got := c.At(x); math.Abs(got-want) > tableTol {
					t.Errorf("%s, %s, %g Hz: at %.3f samples %g, by plain integration %g: want within %g", kn, f.Name, fs, x, got, want, tableTol)
				}
			}
		}
	}
}

func TestConvertedPeakAndSlope(t *testing.T) {
	k := kernel(t, "sharp")
	for _, f := range Families() {
		c, err := k.Convert(f.Draw(nil), 48000)
		if err != nil {
			t.Fatal(err)
		}
		from, to := c.Span()
		var peak float64
		for x := from; x < to; x += 0.011 {
			peak = max(peak, math.Abs(c.At(x)))
			const h = 1e-4
			want := (c.At(x+h) - c.At(x-h)) / (2 * h)
			// 2e-4: the interpolating cubic's own slope jumps a little from
			// one table point to the next.
			if got := c.Slope(x); math.Abs(got-want) > 2e-4 {
				t.Fatalf("%s: slope %g at %g: want %g", f.Name, got, x, want)
			}
		}
		if math.Abs(peak-1) > 1e-3 {
			t.Errorf("%s: largest value %g: want 1", f.Name, peak)
		}
	}
}

// The Cramér-Rao bound of a pure tone burst is known: over many whole periods
// Σ slope² = N·(2πf)²/2 per sample of amplitude 1.
func TestBound(t *testing.T) {
	const hz, n, fs = 6000.0, 96.0, 48000.0
	s := Shape{Name: "tone", LengthS: n / fs, ScaleS: 1e-5, F: func(t float64) float64 { return math.Sin(2 * math.Pi * hz * t) }}
	c, err := kernel(t, "none").Convert(s, fs)
	if err != nil {
		t.Fatal(err)
	}
	w := 2 * math.Pi * hz / fs
	want := 0.01 / (0.5 * w * math.Sqrt(n/2))
	// 2 %: the ends are half-counted by the difference that stands for the slope.
	if got := c.Bound(0.5, 0.01, 0.3); math.Abs(got/want-1) > 0.02 {
		t.Errorf("bound %g samples: want %g", got, want)
	}
}

// Before its onset every family is zero, at it nothing is missing: the shape
// must leave zero at once, however slowly.
func TestOnsetIsLastZero(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, f := range Families() {
		s := f.Draw(r)
		if err := s.Validate(); err != nil {
			t.Error(err)
		}
		for _, u := range []float64{1e-9, 1e-8, 1e-7, 1e-6} {
			if s.F(u) == 0 {
				t.Errorf("%s: still zero %g s after its onset", f.Name, u)
			}
		}
		// What is cut off at the end must be too small for 24 bits to show much of.
		if v := math.Abs(s.F(s.LengthS * (1 - 1e-9))); v > 2e-6 {
			t.Errorf("%s: still %g where it is cut off", f.Name, v)
		}
	}
}

func TestConvertRefuses(t *testing.T) {
	k := kernel(t, "gentle")
	good := Shape{Name: "x", LengthS: 1e-3, ScaleS: 1e-5, F: func(float64) float64 { return 1 }}
	if _, err := k.Convert(good, 48000); err != nil {
		t.Fatal(err)
	}
	for name, mutate := range map[string]func(*Shape) dsp.Rate{
		"no function":  func(s *Shape) dsp.Rate { s.F = nil; return 48000 },
		"no length":    func(s *Shape) dsp.Rate { s.LengthS = 0; return 48000 },
		"no scale":     func(s *Shape) dsp.Rate { s.ScaleS = math.NaN(); return 48000 },
		"no rate":      func(s *Shape) dsp.Rate { return 0 },
		"nothing":      func(s *Shape) dsp.Rate { s.F = func(float64) float64 { return 0 }; return 48000 },
		"not a number": func(s *Shape) dsp.Rate { s.F = func(float64) float64 { return math.NaN() }; return 48000 },
		"too fine":     func(s *Shape) dsp.Rate { s.ScaleS = 1e-12; return 48000 },
	} {
		s := good
		rate := mutate(&s)
		if _, err := k.Convert(s, rate); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := NewKernel("brick"); err == nil {
		t.Error("unknown converter: no error")
	}
}
