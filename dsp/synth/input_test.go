package synth

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"sparkscope/dsp"
)

// sample is a signal given sample by sample; 0 before its first, its last
// value after its last.
type samples []float64

func (s samples) AddTo(dst []float64, first int64) {
	for i := range dst {
		n := first + int64(i)
		if n >= 0 {
			dst[i] += s[min(n, int64(len(s))-1)]
		}
	}
}

// through is a signal after a recording's one channel.
func through(t *testing.T, r Recording, x samples, c Channel) []float64 {
	t.Helper()
	c.Feeds = []Feed{{Gain: 1}}
	r.Signals, r.Channels, r.Frames = []Signal{x}, []Channel{c}, int64(len(x))
	src, err := r.Source()
	if err != nil {
		t.Fatal(err)
	}
	return src.All()[0]
}

func sine(n int, amp, perSample float64) samples {
	x := make(samples, n)
	for i := range x {
		x[i] = amp * math.Sin(2*math.Pi*perSample*float64(i))
	}
	return x
}

// step is low until frame at and 1 from there on.
func step(n, at int) samples {
	x := make(samples, n)
	for i := at; i < n; i++ {
		x[i] = 1
	}
	return x
}

const testRate = 48000

// The step response of s²/(s² + s·w/q + w²) is exp(-at)·(cos bt - a/b·sin bt)
// with a = w/(2q), b² = w² - a² (Laplace tables), that of the shelf
// g + (1-g)·exp(-wt), and that of one pole exp(-wt).
func TestStepResponses(t *testing.T) {
	const hz, q, db = 15.0, 0.8, 6.0
	w := 2 * math.Pi * hz
	a := w / (2 * q)
	b := math.Sqrt(w*w - a*a)
	g := math.Pow(10, db/20)
	for _, v := range []struct {
		name string
		c    Channel
		want func(t float64) float64
	}{
		{"one pole", Channel{ACHz: hz}, func(t float64) float64 { return math.Exp(-w * t) }},
		{"second order", Channel{ACHz: hz, ACQ: q}, func(t float64) float64 { return math.Exp(-a*t) * (math.Cos(b*t) - a/b*math.Sin(b*t)) }},
		{"shelf", Channel{ShelfHz: hz, ShelfDB: db}, func(t float64) float64 { return g + (1-g)*math.Exp(-w*t) }},
	} {
		const at = 1000
		x := through(t, Recording{Rate: testRate}, step(12000, at), v.c)
		for i := at + 2; i < len(x); i += 97 {
			// The discrete filters' step lies between two samples: half a
			// sample of uncertainty in time, w/rate/2 = 1e-3 of the height.
			const halfSample = 2.5e-3
			if want := v.want((float64(i-at) + 0.5) / testRate); math.Abs(x[i]-want) > halfSample {
				t.Fatalf("%s: %d samples after the step %.5f: want %.5f", v.name, i-at, x[i], want)
			}
		}
		// A constant input has settled long before the recording.
		flat := through(t, Recording{Rate: testRate}, samples{1, 1, 1, 1, 1, 1, 1, 1}, v.c)
		if want := v.want(math.Inf(1)); v.name == "shelf" && math.Abs(flat[7]-want) > 1e-9 || v.name != "shelf" && math.Abs(flat[7]) > 1e-9 {
			t.Errorf("%s: a constant 1 gives %g", v.name, flat[7])
		}
	}
}

// In front of the coupling a limit cuts first and shifts after; the two orders
// differ by what the coupling has made of the cut wave.
func TestFrontClip(t *testing.T) {
	x := through(t, Recording{Rate: testRate}, sine(4000, 3, 0.01), Channel{ClipAt: 1})
	if top, low := slices.Max(x), slices.Min(x); top != 1 || low != -1 {
		t.Errorf("from %g to %g: want ±1", low, top)
	}
	// A rectangle of 2 cut to 1, then coupled: the edge is 1 high and droops.
	two := step(6000, 1000)
	for i := range two {
		two[i] *= 2
	}
	x = through(t, Recording{Rate: testRate, Bits: 16}, two, Channel{ClipAt: 1, ACHz: 20})
	if want := math.Exp(-2 * math.Pi * 20 * 3000 / testRate); math.Abs(x[4000]-want) > 1e-3 {
		t.Errorf("droops to %g: want %g, as 1 does", x[4000], want)
	}
	x = through(t, Recording{Rate: testRate, Bits: 16}, two, Channel{ACHz: 20})
	if want := 2 * math.Exp(-2*math.Pi*20*3000/testRate); math.Abs(x[4000]-want) > 2e-3 || x[1001] < 0.999 {
		t.Errorf("cut off in the converter: %g at the edge, then %g: want full scale, then %g, as 2 does", x[1001], x[4000], want)
	}
}

// The gain control's law: a level stands, then doubles: the level it follows
// goes there exponentially, and the gain is target/level. For a constant
// input, |x| has no ripple.
func TestAGC(t *testing.T) {
	a := AGC{Target: 0.25, MaxGainDB: 20, AttackS: 5e-3, ReleaseS: 50e-3}
	x := make(samples, 72000)
	for i := range x {
		switch {
		case i < 24000:
			x[i] = 0.25
		case i < 36000:
			x[i] = -1
		default:
			x[i] = 0.001
		}
	}
	y := through(t, Recording{Rate: testRate, AGC: &a}, x, Channel{})
	if math.Abs(y[20000]-0.25) > 1e-9 {
		t.Errorf("at its target: %g: want it left alone", y[20000])
	}
	for _, n := range []int{1, 10, 100, 240, 1000, 8000} { // n samples of attack
		e := 1 - 0.75*math.Exp(-float64(n)/testRate/a.AttackS)
		if want := -0.25 / e; math.Abs(y[24000+n-1]-want) > 1e-9 {
			t.Errorf("%d samples after the rise %g: want %g", n, y[24000+n-1], want)
		}
	}
	for _, n := range []int{1, 100, 1000, 4000} { // and of release, from 1
		e := 0.001 + 0.999*math.Exp(-float64(n)/testRate/a.ReleaseS)
		if want := 0.001 * math.Min(0.25/e, 10); math.Abs(y[36000+n-1]-want) > 1e-9 {
			t.Errorf("%d samples after the fall %g: want %g", n, y[36000+n-1], want)
		}
	}
	if got := y[len(y)-1]; math.Abs(got-0.01) > 1e-9 { // no more than 20 dB
		t.Errorf("in the end %g: want ten times the input", got)
	}
	// Both channels get one gain.
	r := Recording{Rate: testRate, Frames: 1000, AGC: &a, Signals: []Signal{sine(1000, 1, 0.02)},
		Channels: []Channel{{Feeds: []Feed{{Gain: 1}}}, {Feeds: []Feed{{Gain: 0.1}}}}}
	src, err := r.Source()
	if err != nil {
		t.Fatal(err)
	}
	both := src.All()
	for i, v := range both[0] {
		if math.Abs(0.1*v-both[1][i]) > 1e-12 {
			t.Fatalf("frame %d: %g and %g: want a tenth, as it came in", i, v, both[1][i])
		}
	}
}

// The gate opens and closes exponentially, and holds.
func TestGate(t *testing.T) {
	g := Gate{Open: 0.01, FloorDB: -40, AttackS: 1e-3, HoldS: 10e-3, ReleaseS: 20e-3}
	x := make(samples, 24000)
	for i := range x {
		x[i] = 0.005
		if i >= 10000 && i < 12000 {
			x[i] = 0.5
		}
	}
	y := through(t, Recording{Rate: testRate, Gate: &g}, x, Channel{})
	if got := y[9000] / 0.005; math.Abs(got-0.01) > 1e-9 {
		t.Errorf("closed, its gain is %g: want -40 dB", got)
	}
	for _, n := range []int{1, 20, 48, 480} {
		if got, want := y[10000+n-1]/0.5, 1-0.99*math.Exp(-float64(n)/testRate/g.AttackS); math.Abs(got-want) > 1e-9 {
			t.Errorf("%d samples after it opens, its gain is %g: want %g", n, got, want)
		}
	}
	if got := y[12000+479] / 0.005; math.Abs(got-1) > 1e-9 {
		t.Errorf("10 ms after the last strong sample its gain is %g: want 1", got)
	}
	for _, n := range []int{1, 480, 4800} {
		if got, want := y[12000+480+n-1]/0.005, 0.01+0.99*math.Exp(-float64(n)/testRate/g.ReleaseS); math.Abs(got-want) > 1e-9 {
			t.Errorf("%d samples after that it is %g: want %g", n, got, want)
		}
	}
}

func noise(n int, rms float64) samples {
	r := rand.New(rand.NewPCG(5, 5))
	x := make(samples, n)
	for i := range x {
		x[i] = rms * r.NormFloat64()
	}
	return x
}

// Without rounding the coder gives back what went in, when it went in.
func TestCodecReconstructs(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 192000} {
		x := noise(30000, 0.1)
		y := through(t, Recording{Rate: dsp.Rate(rate), Codec: &Codec{}}, x, Channel{})
		for i := range x {
			if math.Abs(y[i]-x[i]) > 1e-12 {
				t.Fatalf("%g Hz: frame %d is %g: want %g", rate, i, y[i], x[i])
			}
		}
	}
}

// Its band limit passes what lies 500 Hz below and stops by 80 dB what lies
// 500 Hz above, without delay.
func TestCodecBand(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		for _, hz := range []float64{12000, 16000} {
			for _, off := range []float64{-500, 500} {
				x := sine(40000, 0.5, (hz+off)/rate)
				y := through(t, Recording{Rate: dsp.Rate(rate), Codec: &Codec{BandHz: hz}}, x, Channel{})
				var worst float64
				for i := 10000; i < 30000; i++ {
					want := x[i]
					if off > 0 {
						want = 0
					}
					worst = max(worst, math.Abs(y[i]-want)/0.5)
				}
				const stop = 2e-4 // 80 dB is 1e-4; the Kaiser window's rule is good to 2 dB or so
				if worst > stop {
					t.Errorf("%g Hz, band limit %g Hz, a tone at %g Hz: off by %.1e of its size", rate, hz, hz+off, worst)
				}
			}
		}
	}
}

// Coding noise lies as far below the signal as stated, and some of it before a
// pulse: pre-echo, at most two blocks early.
func TestCodecNoise(t *testing.T) {
	for _, db := range []float64{12, 20, 30} {
		x := noise(100000, 0.1)
		y := through(t, Recording{Rate: 48000, Codec: &Codec{SNRdB: db}}, x, Channel{})
		var e, p float64
		for i := range x {
			e += (y[i] - x[i]) * (y[i] - x[i])
			p += x[i] * x[i]
		}
		const coarse = 1 // dB: the law of d²/12 is for steps below the spread
		if got := 10 * math.Log10(p/e); math.Abs(got-db) > coarse {
			t.Errorf("signal over coding noise %.2f dB: want %g", got, db)
		}
	}
	const at = 10000
	x := make(samples, 20000)
	for i := range 200 {
		x[at+i] = 0.5 * math.Sin(0.9*float64(i)) * math.Exp(-float64(i)/30)
	}
	y := through(t, Recording{Rate: 48000, Codec: &Codec{SNRdB: 15}}, x, Channel{})
	rms := func(from, to int) float64 {
		var p float64
		for _, v := range y[from:to] {
			p += v * v
		}
		return math.Sqrt(p / float64(to-from))
	}
	if before, long := rms(at-500, at-10), rms(at-6000, at-2100); before < 1e-3 || long > 1e-12 {
		t.Errorf("%.2e rms just before the pulse, %.2e more than two blocks before: want some, none", before, long)
	}
}

// Whatever the blocks, the samples are the same.
func TestInputBlocks(t *testing.T) {
	gentle, err := NewKernel("gentle")
	if err != nil {
		t.Fatal(err)
	}
	for _, fold := range []int{1, 8} {
		testInputBlocks(t, fold, gentle)
	}
}

func testInputBlocks(t *testing.T, fold int, limit *Kernel) {
	r := Recording{Rate: 48000, Frames: 20000, Bits: 16, Fold: fold, Limit: limit, AGC: &AGC{0.3, 20, 1e-3, 0.1}, Gate: &Gate{0.01, -30, 1e-3, 0.01, 0.01}, Codec: &Codec{15000, 18},
		Signals:  []Signal{sine(20000, 0.4, 0.013)},
		Channels: []Channel{{Feeds: []Feed{{Gain: 1}}, ACHz: 15, ACQ: 0.7, ShelfHz: 40, ShelfDB: -6, NoiseRMS: 0.01, ClipAt: 0.35}, {Feeds: []Feed{{Gain: -0.5}}, NoiseRMS: 0.02, Seed: 3}}}
	src, err := r.Source()
	if err != nil {
		t.Fatal(err)
	}
	want := src.All()
	src, _ = r.Source()
	at := 0
	for n := 1; at < 20000; n = n*3%1777 + 1 {
		dst := [][]float64{make([]float64, n), make([]float64, n)}
		k, _ := src.Next(dst)
		for c := range dst {
			if !slices.Equal(dst[c][:k], want[c][at:at+k]) {
				t.Fatalf("channel %d: frames %d to %d differ", c+1, at, at+k)
			}
		}
		at += k
	}
}

func TestInputValidate(t *testing.T) {
	for _, r := range []Recording{
		{AGC: &AGC{}}, {AGC: &AGC{Target: 0.2, MaxGainDB: 200, AttackS: 1, ReleaseS: 1}}, {Gate: &Gate{Open: math.NaN()}},
		{Gate: &Gate{Open: 1, FloorDB: 3, AttackS: 1e-3, ReleaseS: 1e-3}}, {Codec: &Codec{BandHz: 10}}, {Codec: &Codec{SNRdB: -3}},
		{Channels: []Channel{{ACHz: 10, ACQ: 9}}}, {Channels: []Channel{{ShelfHz: 10, ShelfDB: 90}}}, {Channels: []Channel{{ClipAt: -1}}}, {Fold: 8}, {Fold: 1000, Limit: &Kernel{}},
	} {
		r.Rate = 48000
		if r.Channels == nil {
			r.Channels = []Channel{{}}
		}
		if _, err := r.Source(); err == nil {
			t.Errorf("%+v: no error", r)
		}
	}
}
