package health_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"pgregory.net/rapid"

	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/health"
	"sparkscope/dsp/synth"
)

func monitor(rate float64, bits int, x []float32) health.Channel {
	m := health.NewMonitor(dsp.Rate(rate), 1, bits)
	m.Push(x)
	return m.Finish()
}

// noise is white, of the given rms.
func noise(n int, rms float64, seed uint64) []float32 {
	r := rand.New(rand.NewPCG(seed, 4))
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(rms * r.NormFloat64())
	}
	return x
}

// ringing adds n damped rings of the given height at even distances.
func ringing(x []float32, rate float64, n int, height func(i int) float64) {
	for k := range n {
		at := (2*k + 1) * len(x) / (2 * n)
		for i := at; i < len(x) && i < at+int(3e-3*rate); i++ {
			t := float64(i-at) / rate
			x[i] += float32(height(k) * math.Exp(-t/0.3e-3) * math.Sin(2*math.Pi*4000*t))
		}
	}
}

// TestBlocksDoNotMatter: any split gives the same, over the switch from the
// stretches that are all looked at to those that are not.
func TestBlocksDoNotMatter(t *testing.T) {
	x := noise(40*8000, 1e-3, 1)
	ringing(x, 8000, 200, func(int) float64 { return 0.5 })
	clear(x[100000:100200])
	want := monitor(8000, 16, x)
	if want.Frames != int64(len(x)) || want.Silence.Runs != 1 || len(want.PSD) == 0 || want.LookedS < 10 || want.LookedS > 20 {
		t.Fatalf("nothing to compare: %+v", want.Silence)
	}
	rapid.Check(t, func(r *rapid.T) {
		m := health.NewMonitor(8000, 1, 16)
		for rest := x; len(rest) > 0; {
			n := min(rapid.SampledFrom([]int{1, 3, 15, 16, 17, 1000, 16384, 50000, 100001}).Draw(r, "n"), len(rest))
			m.Push(rest[:n])
			rest = rest[n:]
		}
		if got := m.Finish(); !reflect.DeepEqual(got, want) {
			r.Errorf("not the same:\n%+v\n%+v", got.Silence, want.Silence)
		}
	})
}

// TestSince: the noise by the time since a pulse is that of the gap itself, as a
// ratio: one that is left at full strength for 6 ms after each pulse and a tenth
// after that, and three times as strong throughout while the pulses come fast.
func TestSince(t *testing.T) {
	for _, rate := range []float64{8000, 48000, 192000} {
		x := noise(int(4*rate), 2e-3, 1)
		var pulses []int
		for at := int(0.1 * rate); at < len(x)-int(0.1*rate); {
			pulses = append(pulses, at)
			if at < int(2*rate) {
				at += int(0.020 * rate)
			} else {
				at += int(0.080 * rate)
			}
		}
		for k, at := range pulses {
			end := len(x)
			if k+1 < len(pulses) {
				end = pulses[k+1]
			}
			for i := at; i < end; i++ {
				if i-at > int(6e-3*rate) {
					x[i] /= 10
				}
				if at < int(2*rate) {
					x[i] *= 3
				}
			}
		}
		for _, at := range pulses {
			x[at] += 0.5
			x[at+1] -= 0.4
		}
		parts := monitor(rate, 0, x).Gaps.Since
		if len(parts) < 10 || parts[len(parts)-1].ToS < 0.05 {
			t.Fatalf("%g Hz: %d parts: %v", rate, len(parts), parts)
		}
		level := parts[1].Noise
		for _, s := range parts {
			ratio := s.Noise / level
			const chance = 0.25 // of a median of some pulses
			switch {
			case s.ToS < 4e-3 && math.Abs(ratio-1) > chance, s.FromS > 9e-3 && math.Abs(ratio-0.1) > chance*0.1:
				t.Errorf("%g Hz: from %.1f to %.1f ms after a pulse the noise is %.3f of that right after it", rate, 1e3*s.FromS, 1e3*s.ToS, ratio)
			}
		}
	}
}

// TestLevels: noise, rest, extremes and clipping are those put in.
func TestLevels(t *testing.T) {
	for _, rate := range []float64{8000, 44100, 48000, 96000, 192000} {
		const rms, rest = 2e-3, 0.03
		x := noise(int(3*rate), rms, 7)
		ringing(x, rate, 60, func(int) float64 { return 0.4 })
		for i := range x { // hum does not count as noise
			x[i] += rest + float32(0.1*math.Sin(2*math.Pi*50*float64(i)/rate))
		}
		c := monitor(rate, 16, x)
		// Medians of some thousands of short stretches; at 8 kHz one of 8 samples bends with the hum.
		if tol := 0.03; math.Abs(c.Noise/rms-1) > tol {
			t.Errorf("rate %g: noise %.3g, want %.3g", rate, c.Noise, rms)
		}
		if math.Abs(c.Rest-rest) > 0.02 {
			t.Errorf("rate %g: rests at %.3f, want %.3f within the hum", rate, c.Rest, rest)
		}
		if c.Clipped != 0 || c.Plateau.Share != 0 || c.Cliff.Found || c.Silence.Runs != 0 {
			t.Errorf("rate %g: clipped %g, plateau %+v, cliff %+v, silence %+v", rate, c.Clipped, c.Plateau, c.Cliff, c.Silence)
		}
	}
}

// TestClippedShare counts runs of two or more at either stop, for the bits
// given: at 8 bit the upper end stop is 127/128.
func TestClippedShare(t *testing.T) {
	for _, c := range []struct {
		bits int
		v    float32
		want bool
	}{{16, 1 - 1.0/32768, true}, {16, -1, true}, {16, 0.99, false}, {8, 127.0 / 128, true}, {8, 126.0 / 128, false}, {24, -1, true}, {0, 1, false}, {0, 1.3, false}} {
		x := noise(65536, 1e-3, 3)
		for k := range 20 {
			x[2000+k*3000], x[2001+k*3000] = c.v, c.v
			x[3000+k*3000] = c.v // alone: no run
		}
		want := 0.0
		if c.want {
			want = 40.0 / 65536
		}
		got := monitor(48000, c.bits, x).Clipped
		if math.Abs(got-want) > 0.001*want { // the last piece of a block is not looked at
			t.Errorf("%d bit, %g: clipped %g, want %g", c.bits, c.v, got, want)
		}
	}
}

// TestSilence: runs of exact zeros of 5 ms or more, but at the ends.
func TestSilence(t *testing.T) {
	const rate = 48000.0
	x := noise(int(4*rate), 1e-3, 5)
	clear(x[:9600])
	clear(x[50000:51200])         // 25 ms
	clear(x[90000 : 90000+2400])  // 50 ms
	clear(x[120000 : 120000+200]) // 4 ms: too short to count
	clear(x[len(x)-4800:])        // at the end
	s := monitor(rate, 16, x).Silence
	const grain = 2 * 16 / rate // watched every 16th sample, at either end
	if s.Runs != 2 || math.Abs(s.TotalS-0.075) > 2*grain || math.Abs(s.LongestS-0.05) > grain || math.Abs(s.FirstS-50000/rate) > grain {
		t.Errorf("%+v, want 2 runs, 0.075 s in all, 0.050 s the longest, from %.4f s", s, 50000/rate)
	}
}

// TestPlateau: tops cut off at one level (most of them found: at 48 kHz some tops
// are three samples wide), and tops that are only round, or of
// one height.
func TestPlateau(t *testing.T) {
	for _, rate := range []float64{48000, 192000} {
		for _, c := range []struct {
			name   string
			clip   float64
			spread float64
			want   bool
		}{{"cut off", 0.2, 0.1, true}, {"whole", 1, 0.1, false}, {"whole, all alike", 1, 0, false}} {
			r := rand.New(rand.NewPCG(8, 8))
			x := noise(int(3*rate), 5e-4, 9)
			ringing(x, rate, 50, func(int) float64 { return 0.6 * (1 + c.spread*r.NormFloat64()) })
			for i, v := range x {
				x[i] = max(-float32(c.clip), min(v, float32(c.clip)))
			}
			p := monitor(rate, 24, x).Plateau
			if c.want && (p.Share < 0.5 || math.Abs(math.Abs(p.Level)-c.clip) > 0.01) || !c.want && p.Share > 0.05 {
				t.Errorf("%s at %g Hz: %+v", c.name, rate, p)
			}
		}
	}
}

// TestHumBetweenPulses: the mains' rms is found whatever the pulses, to 5 %:
// what rings into the quiet moments, and a tenth of a hertz off.
func TestHumBetweenPulses(t *testing.T) {
	for _, c := range []struct {
		rate, hz float64
		pulses   int // per second
	}{{48000, 50, 20}, {48000, 60, 90}, {44100, 50.05, 160}, {192000, 60, 35}} {
		x := noise(int(4*c.rate), 1e-3, 11)
		ringing(x, c.rate, 4*c.pulses, func(int) float64 { return 0.5 })
		const peak = 0.05
		for i := range x {
			w := 2 * math.Pi * c.hz * float64(i) / c.rate
			x[i] += float32(peak * (math.Sin(w) + 0.4*math.Sin(3*w)))
		}
		want := peak * math.Sqrt((1+0.16)/2)
		h := monitor(c.rate, 24, x).Hum
		if len(h) < 2 {
			t.Fatalf("%d stretches", len(h))
		}
		for _, s := range h {
			if !s.Found || math.Abs(s.Mains.BaseHz-c.hz) > 1 || math.Abs(s.Mains.RMS/want-1) > 0.05 {
				t.Errorf("%+v: %+v, want an rms of %.4f", c, s, want)
			}
		}
	}
}

// limited removes all that lies above hz, over the whole of x.
func limited(x []float32, rate, hz float64) []float32 {
	n := len(x)
	y := make([]float64, n)
	for i, v := range x {
		y[i] = float64(v)
	}
	f := fourier.NewFFT(n)
	c := f.Coefficients(nil, y)
	for i := range c {
		if f.Freq(i)*rate > hz {
			c[i] = 0
		}
	}
	f.Sequence(y, c)
	out := make([]float32, n)
	for i, v := range y {
		out[i] = float32(math.Round(v/float64(n)*32768) / 32768)
	}
	return out
}

// TestCliff: a brick wall is found within 3 % of where it was put, at 16 bit
// and with the noise of a common input; no pulse family, converter or resonance
// is one.
func TestCliff(t *testing.T) {
	for _, c := range []struct{ rate, hz float64 }{{44100, 16000}, {48000, 15500}, {48000, 19500}, {44100, 11000}, {192000, 22000}, {96000, 20000}, {48000, 3400}} {
		x := noise(1<<18, 5e-4, 21)
		ringing(x, c.rate, 40, func(int) float64 { return 0.5 })
		got := monitor(c.rate, 16, limited(x, c.rate, c.hz)).Cliff
		if !got.Found || math.Abs(got.Hz/c.hz-1) > 0.03 {
			t.Errorf("%g Hz in %g: %+v", c.hz, c.rate, got)
		}
		if got := monitor(c.rate, 16, x).Cliff; got.Found {
			t.Errorf("nothing in %g: %+v", c.rate, got)
		}
	}
	i := 0
	for _, f := range synth.Families() {
		for name := range synth.KernelNames() {
			s := scene.Default()
			s.Family, s.Kernel, s.Engine.Profile = f.Name, name, s.Engine.Profile[:1]
			s.RateHz = []float64{44100, 48000, 96000, 192000}[i%4]
			s.NoiseDB = []float64{40, 60, 80}[i%3]
			i++
			for n, x := range raw(t, s) {
				if got := monitor(s.RateHz, s.Bits, x).Cliff; got.Found {
					t.Errorf("%s %s, %g Hz, noise %g dB down, channel %d: %+v", f.Name, name, s.RateHz, s.NoiseDB, n+1, got)
				}
			}
		}
	}
}

// TestCliffBesideCutTops: tops that a stop cut off after the coding fill the band
// above its limit as well, and hide it in the mean of all spectra, but not where there
// are none.
func TestCliffBesideCutTops(t *testing.T) {
	const rate, hz = 48000.0, 16000.0
	x := noise(1<<18, 5e-4, 22)
	ringing(x, rate, 40, func(int) float64 { return 0.5 })
	x = limited(x, rate, hz)
	for i := 500; i < 1<<17; i += 4000 {
		x[i], x[i+1] = 1, 1
	}
	if got := monitor(rate, 16, x).Cliff; !got.Found || math.Abs(got.Hz/hz-1) > 0.03 {
		t.Errorf("%+v: want one at %g Hz", got, hz)
	}
}

// TestLikeness: copies, and channels that are none.
func TestLikeness(t *testing.T) {
	const rate, n = 48000.0, 1 << 17
	var a, b, other, quiet []float32
	a, b, other, quiet = noise(n, 5e-4, 31), noise(n, 5e-4, 32), noise(n, 5e-4, 33), noise(n, 5e-4, 34)
	ringing(a, rate, 40, func(int) float64 { return 0.5 })
	ringing(b, rate, 40, func(int) float64 { return -0.1 }) // a fifth, upside down, own noise
	ringing(other, rate, 57, func(int) float64 { return 0.3 })
	mixed := make([]float32, n)
	for i := range mixed {
		mixed[i] = a[i] + other[i]
	}
	ca := monitor(rate, 16, a)
	for _, c := range []struct {
		name       string
		x          []float32
		gain, rest float64 // gain 0: rest must be above it, else below
	}{{"itself", a, 1, 1e-6}, {"a fifth, upside down", b, -0.2, 0.05}, {"other pulses", other, 0, 0.9}, {"both", mixed, 0, 0.3}, {"noise", quiet, 0, 0.9}} {
		cb := monitor(rate, 16, c.x)
		gain, rest, ok := health.Likeness(&ca, &cb)
		if !ok || c.gain != 0 && (math.Abs(gain/c.gain-1) > 0.02 || rest > c.rest) || c.gain == 0 && rest < c.rest {
			t.Errorf("%s: gain %.4f, rest %.5f, %v", c.name, gain, rest, ok)
		}
	}
	if _, _, ok := health.Likeness(&ca, &health.Channel{}); ok {
		t.Error("compared with nothing")
	}
}

// TestDegenerate: nothing that is not a number comes out, whatever goes in.
func TestDegenerate(t *testing.T) {
	nan, inf := float32(math.NaN()), float32(math.Inf(1))
	for name, v := range map[string]func(i int) float32{
		"zeros": func(int) float32 { return 0 }, "constant": func(int) float32 { return 0.3 }, "huge": func(i int) float32 { return 3e38 * float32(1-2*(i%2)) },
		"not numbers": func(i int) float32 { return nan }, "infinite": func(i int) float32 { return inf }, "some not": func(i int) float32 {
			if i%1000 == 5 {
				return nan
			}
			return float32(i%7) / 10
		},
	} {
		for _, n := range []int{0, 1, 7, 63, 64, 1000, 70000} {
			x := make([]float32, n)
			for i := range x {
				x[i] = v(i)
			}
			c := monitor(48000, 16, x)
			for _, f := range []float64{c.Low, c.High, c.Rest, c.RMS, c.Noise, c.Live, c.Step, c.Clipped, c.Plateau.Level, c.Plateau.Share, c.Cliff.Hz, c.Cliff.DropDB, c.LookedS} {
				if math.IsNaN(f) || math.IsInf(f, 0) {
					t.Errorf("%s, %d samples: %+v", name, n, c)
					break
				}
			}
			for _, h := range c.Hum {
				if math.IsNaN(h.Mains.RMS) || math.IsInf(h.Mains.RMS, 0) {
					t.Errorf("%s, %d samples: hum %+v", name, n, h)
				}
			}
		}
	}
}
