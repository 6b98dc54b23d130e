package dsp

import (
	"math"
	"math/rand/v2"
	"sync"
	"testing"
)

// converterTables are what these searches know of converters, which is the same for all.
var converterTables = NewCommonTables(new(sync.Mutex), 16*MostTables)

// front is a continuous function, zero before t = 0 (samples), seen through a
// brick-wall converter with a window: by plain summation on a fine grid.
func bandLimited(f func(t float64) float64, impulse bool, b bandLimit, at float64, n int) []float64 {
	const fine = 64
	w := make([]float64, n)
	i0 := besselI0(b.beta)
	if impulse {
		for i := range w {
			w[i] = b.over(float64(i)-at, i0)
		}
		return w
	}
	for j := 0; float64(j)/fine < float64(n)+b.half; j++ {
		u := (float64(j) + 0.5) / fine
		s := f(u)
		for i := max(int(at+u-b.half), 0); i < min(int(at+u+b.half)+1, n); i++ {
			w[i] += s * b.over(float64(i)-at-u, i0) / fine
		}
	}
	return w
}

// bend is a front that sets out as a power of time, ends in a bend after eight samples and
// decays: its bend says nothing of how it set out.
func bend(power float64) func(t float64) float64 {
	const rise, decay = 8.0, 12.0
	return func(t float64) float64 {
		if t < rise {
			return math.Pow(t/rise, power)
		}
		return math.Exp(-(t - rise) / decay)
	}
}

// The onset of fronts made by hand, at all phases of the sample: steps and
// ringing fronts set out at once and are found closely; an impulse and a ramp
// leave more open. Fronts that end in a bend were once taken for rough from the beginning, and
// put 0.3 sample (parabola) and 1.1 samples (cubic) late.
func TestOnset(t *testing.T) {
	converter := map[string]bandLimit{"sharp": {cutoff: 0.47, half: 40, beta: 8}, "gentle": {cutoff: 0.42, half: 18, beta: 7}}
	const decay = 12.0 // samples: no front here lasts for ever
	for _, c := range []struct {
		name    string
		f       func(t float64) float64
		impulse bool
		tol     float64 // samples
		known   string  // why it does not hold yet
	}{
		{"impulse", nil, true, 0.3, ""},
		{"step", func(t float64) float64 { return math.Exp(-t / (20 * decay)) }, false, 0.15, ""},
		{"jump and decay", func(t float64) float64 { return math.Exp(-t / decay) }, false, 0.15, ""},
		{"ring from a jump", func(t float64) float64 { return math.Cos(2*math.Pi*t/6) * math.Exp(-t/decay) }, false, 0.3, ""},
		{"ring from a kink", func(t float64) float64 { return math.Sin(2*math.Pi*t/5) * math.Exp(-t/decay) }, false, 0.2, ""},
		{"quick ring from a kink", func(t float64) float64 { return math.Sin(2*math.Pi*t/3.5) * math.Exp(-t/3) }, false, 0.1, ""},
		{"short ramp", func(t float64) float64 { return math.Min(t/3, 1) * math.Exp(-t/(20*decay)) }, false, 0.3, ""},
		{"long ramp", func(t float64) float64 { return math.Min(t/12, 1) * math.Exp(-t/(20*decay)) }, false, 0.3, ""},
		{"parabola that ends in a bend", bend(2), false, 0.05, ""},
		{"cubic that ends in a bend", bend(3), false, 0.05, ""},
		{"quick parabola that ends in a bend", func(t float64) float64 {
			if t < 3 {
				return t * t / 9
			}
			return math.Exp(-(t - 3) / 6)
		}, false, 0.1, ""},
	} {
		missed := 0
		for name, b := range converter {
			rng := rand.New(rand.NewPCG(41, 42))
			for _, phase := range []float64{0.3, 0.62} {
				at := 60 + phase
				w := bandLimited(c.f, c.impulse, b, at, 140)
				peak := 0.0
				for _, v := range w {
					peak = math.Max(peak, math.Abs(v))
				}
				const noise = 2e-4 // 50 dB and some 200 pulses averaged
				for i := range w {
					w[i] = w[i]/peak + noise*rng.NormFloat64()
				}
				foot, crest := frontOf(w, noise)
				pos, std, _, ok := onset(w, noise, foot, crest, false, false, 0, &onsetTables{shared: converterTables})
				if !ok {
					t.Errorf("%s, %s converter: no onset found", c.name, name)
					continue
				}
				if e := pos - at; math.Abs(e) > c.tol || math.Abs(e) > 2*std {
					missed++
					say := t.Errorf
					if c.known != "" {
						say = t.Logf
					}
					say("%s, %s converter, %g after a sample: %.3f samples late, ±%.3f stated: want at most %g and twice the stated", c.name, name, phase, e, std, c.tol)
				}
			}
		}
		if c.known != "" && missed == 0 {
			t.Errorf("%s holds now: strike off that %s", c.name, c.known)
		}
	}
}

// A lone impulse behind a limit steeper than converters are is told as one, on a baseline that
// is not level as well. Neither was, and the onset lay up to half a sample early.
func TestOnsetImpulseSteep(t *testing.T) {
	for _, c := range []struct{ half, slope float64 }{{24, 2e-3}, {85, 0}, {85, 2e-3}} {
		for _, phase := range []float64{0.1, 0.37, 0.8} {
			at := 100 + phase
			w := bandLimited(nil, true, bandLimit{cutoff: 0.47, half: c.half, beta: 7.86}, at, 200)
			for i := range w {
				w[i] += c.slope * (float64(i) - at)
			}
			foot, crest := frontOf(w, 1e-4)
			pos, std, _, ok := onset(w, 1e-4, foot, crest, false, true, 0, &onsetTables{shared: converterTables})
			if e := pos + impulseLate - at; !ok || math.Abs(e) > 0.02 || std != impulseSigma {
				t.Errorf("half-length %g, slope %g, %g after a sample: %+.3f ± %.3f of an impulse's place", c.half, c.slope, phase, e, std)
			}
		}
	}
}

// A front that ends in a bend does so at any phase of the samples. Where the sample after the
// middle of the front lay behind the bend, which was looked for from there on, the onset
// came out 0.15 to 0.2 sample late.
func TestBendBetweenSamples(t *testing.T) {
	const (
		rise, noise = 2.0, 2e-4
		tol         = 0.06 // gridSigma, half as much again
	)
	parabola := func(t float64) float64 {
		if t < rise {
			return t * t / (rise * rise)
		}
		return math.Exp(-(t - rise) / 5)
	}
	for name, b := range map[string]bandLimit{"sharp": {cutoff: 0.47, half: 40, beta: 8}, "gentle": {cutoff: 0.42, half: 18, beta: 7}} {
		for _, phase := range []float64{0.2, 0.7, 0.8, 0.9} {
			rng := rand.New(rand.NewPCG(41, 42))
			at := 60 + phase
			w := bandLimited(parabola, false, b, at, 140)
			peak := 0.0
			for _, v := range w {
				peak = math.Max(peak, math.Abs(v))
			}
			for i := range w {
				w[i] = w[i]/peak + noise*rng.NormFloat64()
			}
			foot, crest := frontOf(w, noise)
			pos, std, _, ok := onset(w, noise, foot, crest, false, false, 0, &onsetTables{shared: converterTables})
			if e := pos - at; !ok || math.Abs(e) > tol || math.Abs(e) > 2*std {
				t.Errorf("%s converter, %g after a sample: %+.3f late, ±%.3f stated: want %g at most", name, phase, e, std, tol)
			}
		}
	}
}

// Of an edge cut off below its middle little is left but what the converter rings before it,
// which a sharp converter does for longer than fronts are looked at before: of twelve samples, these
// edges came out 0.44 sample rms off.
func TestCutEdge(t *testing.T) {
	const (
		level = 0.3 // of the height, from where on it is cut off
		most  = 0.4 // samples rms
	)
	b := bandLimit{cutoff: 0.47, half: 64, beta: 10.5}
	var ss float64
	n := 0
	for _, noise := range []float64{3e-4, 1e-3, 3e-3} {
		rng := rand.New(rand.NewPCG(41, 42))
		for phase := range 16 {
			at := 60 + float64(phase)/16 + 0.03
			w := bandLimited(func(t float64) float64 { return 1 }, false, b, at, 70)
			for i := range w {
				w[i] += noise * rng.NormFloat64()
			}
			end := 0
			for w[end] < level {
				end++
			}
			w = w[:end]
			crest := end - 1
			foot := crest
			for foot > 0 && math.Abs(w[foot]) > math.Max(4*noise, 0.05*math.Abs(w[crest])) && w[foot]*w[crest] > 0 {
				foot--
			}
			pos, _, _, ok := onset(w, noise, foot, crest, true, false, 0.5, &onsetTables{shared: converterTables})
			if !ok {
				t.Fatalf("noise %g, %d/16 after a sample: no onset", noise, phase)
			}
			ss += (pos - at) * (pos - at)
			n++
		}
	}
	if rms := math.Sqrt(ss / float64(n)); rms > most {
		t.Errorf("%.3f samples rms off: want %g at most", rms, most)
	}
}

// Scale does not matter to an onset, and sign neither.
func TestOnsetScale(t *testing.T) {
	w := bandLimited(func(t float64) float64 { return math.Exp(-t / 12) }, false, bandLimit{cutoff: 0.47, half: 40, beta: 8}, 60.4, 140)
	foot, crest := frontOf(w, 1e-4)
	want, _, _, ok := onset(w, 1e-4, foot, crest, false, false, 0, &onsetTables{shared: converterTables})
	if !ok {
		t.Fatal("no onset")
	}
	for _, g := range []float64{-1, 1e-3, -250} {
		y := make([]float64, len(w))
		for i := range y {
			y[i] = g * w[i]
		}
		f, c := frontOf(y, 1e-4*math.Abs(g))
		got, _, _, ok := onset(y, 1e-4*math.Abs(g), f, c, false, false, 0, &onsetTables{shared: converterTables})
		if !ok || math.Abs(got-want) > 1e-6 || f != foot || c != crest {
			t.Errorf("gain %g: onset %.6f, foot %d, crest %d: want %.6f, %d, %d", g, got, f, c, want, foot, crest)
		}
	}
}

// Too short or empty shapes have no onset, and say so.
func TestOnsetTooShort(t *testing.T) {
	for name, w := range map[string][]float64{
		"flat": make([]float64, 100), "front at the beginning": {1, 0.5, 0.2, 0.1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, "three samples": {0, 1, 0},
	} {
		foot, crest := frontOf(w, 1e-4)
		if foot < 0 || crest < foot || crest >= len(w) {
			t.Errorf("%s: foot %d, crest %d of %d", name, foot, crest, len(w))
		}
		if pos, std, _, ok := onset(w, 1e-4, foot, crest, false, false, 0, &onsetTables{shared: converterTables}); ok {
			t.Errorf("%s: an onset at %g ± %g", name, pos, std)
		}
	}
}

// A pulse is timed against its template at the Cramér-Rao bound (Kay,
// Estimation Theory, 1993, ch. 3 and 7) where the baseline and the amplitude,
// which are fitted along, cost nothing more than inverting their matrix says;
// without bias; and the variance that it states is that.
func TestFitAtTheBound(t *testing.T) {
	const (
		n, zero = 96, 24
		runs    = 2000
		sigma   = 0.01
		// The deviation of 2000 normal values is good to 1.6 %; three of those.
		statistics = 0.05
	)
	shape := func(x float64) float64 { // smooth: no converter to think of
		return math.Exp(-(x-8)*(x-8)/50) * math.Sin(2*math.Pi*(x-8)/9)
	}
	tp := &template{zero: zero, wave: make([]float64, n), length: n, sigma: sigma, n: 100, crest: zero + 10, foot: zero}
	for i := range tp.wave {
		tp.wave[i] = shape(float64(i - zero))
	}
	tp.tabulate()
	rng := rand.New(rand.NewPCG(51, 52))
	var sum, sq, stated, bound float64
	x := make([]float32, 200)
	for range runs {
		q, a, base := 80+rng.Float64(), 0.7+0.6*rng.Float64(), 0.2*rng.NormFloat64()
		var energy float64
		for i := range x {
			u := float64(i) - q
			x[i] = float32(base + a*shape(u) + sigma*rng.NormFloat64())
			d := a * (shape(u+1e-4) - shape(u-1e-4)) / 2e-4
			energy += d * d
		}
		f, ok := tp.fit(x, q+rng.Float64()-0.5, 3)
		if !ok {
			t.Fatal("no fit")
		}
		e := f.q - q
		sum += e
		sq += e * e
		stated += sigma * sigma * f.varq
		bound += sigma * sigma / energy
	}
	rms, want, said := math.Sqrt(sq/runs), math.Sqrt(bound/runs), math.Sqrt(stated/runs)
	if math.Abs(sum/runs) > 3*want/math.Sqrt(runs)+1e-4 {
		t.Errorf("late by %.5f samples in the mean", sum/runs)
	}
	if r := rms / want; r > 1+statistics || r < 1-statistics {
		t.Errorf("%.5f samples rms, the bound is %.5f: ratio %.3f", rms, want, r)
	}
	if r := said / rms; r > 1+statistics || r < 1-statistics {
		t.Errorf("%.5f samples stated, %.5f rms", said, rms)
	}
}

// A switch's edge is timed in its middle, however much of its length the rate shows, and
// whatever the phase of the converter's samples.
func TestEdgeInItsMiddle(t *testing.T) {
	b := bandLimit{cutoff: 0.47, half: 40, beta: 8}
	for _, length := range []float64{0.05, 0.25, 0.5, 1, 1.5} {
		for _, phase := range []float64{0.1, 0.4, 0.75} {
			at := 60 + phase
			w := bandLimited(func(t float64) float64 { return math.Min(t/length, 1) }, false, b, at-length/2, 140)
			foot, crest := frontOf(w, 1e-4)
			pos, std, _, ok := onset(w, 1e-4, foot, crest, false, false, 2, &onsetTables{shared: converterTables})
			if e := pos - at; !ok || math.Abs(e) > 0.05 || math.Abs(e) > 2*std {
				t.Errorf("an edge of %g samples, %g after a sample: %.3f late, ±%.3f stated: want 0.05 at most", length, phase, e, std)
			}
		}
	}
}

// Of a slow front that a stop cut off, what comes after the stop is left alone: a quick fall
// behind its top, which the priors do not hold, put such fronts up to 2.6 samples late.
func TestSlowCutFront(t *testing.T) {
	for _, rise := range []float64{9, 14, 20, 22} {
		at := 60.3
		w := bandLimited(func(u float64) float64 {
			if u < rise {
				return math.Pow(u/rise, 1.3)
			}
			return math.Exp(-(u - rise) / 2)
		}, false, bandLimit{cutoff: 0.46, half: 24, beta: 6}, at, 120)
		rng := rand.New(rand.NewPCG(61, 62))
		top := 0
		for i := range w {
			w[i] += 1e-3 * rng.NormFloat64()
			if w[i] > w[top] {
				top = i
			}
		}
		w[top], w[top+1] = math.NaN(), math.NaN()
		crest := top - 1
		foot := crest
		for foot > 0 && w[foot] > 0.05*w[crest] {
			foot--
		}
		with, sigma, _, ok := onset(w[:crest+15], 1e-3, foot, crest, true, false, 0, &onsetTables{})
		without, _, _, ok2 := onset(w[:crest+1], 1e-3, foot, crest, true, false, 0, &onsetTables{})
		if !ok || !ok2 || with != without {
			t.Errorf("rise of %g samples: %.3f ± %.3f with what comes after the stop, %.3f without", rise, with-at, sigma, without-at)
		}
	}
}
