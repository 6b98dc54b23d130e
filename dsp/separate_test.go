package dsp_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"sparkscope/dsp"
)

// leakTolerance is how closely a gain is to be found: what stays of the
// other's pulse is then below 34 dB of it.
const leakTolerance = 0.02

// sources is a spark's channel and a contact's, without noise, of one length.
func sources(t testing.TB, n int) (s, r []float64) {
	t.Helper()
	s, _ = burstChannel(t, "ring-sine", n, 0)
	r, _ = contactChannel(t, n, 0.01*rate, 3e-3, false)
	long := max(len(s), len(r))
	grow := func(x []float64) []float64 {
		last := x[len(x)-1]
		for len(x) < long {
			x = append(x, last)
		}
		return x
	}
	return grow(s), grow(r)
}

// mixed is the two channels that hear k1 of r beside s, and k2 of s beside r,
// with noise of rms.
func mixed(s, r []float64, k1, k2, rms float64) (a, b []float32) {
	rng := rand.New(rand.NewPCG(21, 22))
	a, b = make([]float32, len(s)), make([]float32, len(s))
	for i := range s {
		a[i] = float32(s[i] + k1*r[i] + rms*rng.NormFloat64())
		b[i] = float32(r[i] + k2*s[i] + rms*rng.NormFloat64())
	}
	return a, b
}

// separate passes channels through in blocks of sizes, by turns.
func separate(s *dsp.Separator, a, b []float32, sizes ...int) (outA, outB []float32) {
	a, b = slices.Clone(a), slices.Clone(b)
	for i := 0; len(a) > 0; i++ {
		n := min(sizes[i%len(sizes)], len(a))
		x, y := a[:n:n], b[:n:n]
		a, b = a[n:], b[n:]
		if s.Ready() {
			s.Apply(x, y)
		} else {
			x, y = s.Gather(x, y)
		}
		outA, outB = append(outA, x...), append(outB, y...)
	}
	x, y := s.Flush()
	return append(outA, x...), append(outB, y...)
}

// The part of one source in each channel, taken out again: against the gains
// the channels were mixed with.
func TestSeparatorFindsTheLeak(t *testing.T) {
	s, r := sources(t, 150)
	for _, v := range []struct{ k1, k2 float64 }{
		{0.05, 0.5}, {1, 0.3}, {-0.4, 0.2}, {0.3, 0}, {0, 0.3}, {0.02, 0.01}, {0.3, 0.3}, {-0.3, -0.3},
		{1.25, 0.4}, {0.4, 1.25}, {1.25, -0.4}, // both sources larger in one channel
	} {
		t.Run(fmt.Sprintf("%g into 1, %g into 2", v.k1, v.k2), func(t *testing.T) {
			a, b := mixed(s, r, v.k1, v.k2, noise)
			sep := dsp.NewSeparator(rate)
			outA, outB := separate(sep, a, b, 4096)
			k1, k2 := sep.Leak()
			if math.Abs(k1-v.k1) > leakTolerance || math.Abs(k2-v.k2) > leakTolerance {
				t.Fatalf("found %.4f into 1, %.4f into 2", k1, k2)
			}
			// The noise of both channels is mixed too; beyond it only what the
			// tolerance of the gains leaves of either source may remain.
			g := 1 / (1 - v.k1*v.k2)
			for c, w := range []struct {
				out          []float32
				own, other   []float64
				k, otherGain float64
			}{{outA, s, r, v.k1, v.k2}, {outB, r, s, v.k2, v.k1}} {
				if len(w.out) != len(s) {
					t.Fatalf("channel %d: %d samples of %d", c+1, len(w.out), len(s))
				}
				var rest, own, other float64
				for i, y := range w.out {
					e := float64(y) - w.own[i]
					rest += e * e
					own += w.own[i] * w.own[i]
					other += w.other[i] * w.other[i]
				}
				n := float64(len(s))
				rest, own, other = math.Sqrt(rest/n), math.Sqrt(own/n), math.Sqrt(other/n)
				// A gain that is off by d leaves g·d of the other, and changes g
				// itself by g²·k·d.
				most := g*math.Sqrt(1+w.k*w.k)*noise*1.05 + g*leakTolerance*other + g*g*math.Abs(w.otherGain)*leakTolerance*own
				if rest > most {
					t.Errorf("channel %d: %.5f rms is not the source: want at most %.5f", c+1, rest, most)
				}
			}
		})
	}
}

// Whatever leaks, at 50 dB and at 36: each gain is found or, where little
// leaks, left alone. Never is one wrong.
func TestSeparatorIsNeverWrong(t *testing.T) {
	s, r := sources(t, 150)
	for _, rms := range []float64{noise, 5 * noise} {
		for _, k1 := range []float64{-0.8, -0.3, -0.1, -0.02, 0, 0.03, 0.1, 0.3, 0.6, 0.9} {
			for _, k2 := range []float64{-0.8, -0.3, -0.1, 0, 0.02, 0.1, 0.3, 0.6} {
				a, b := mixed(s, r, k1, k2, rms)
				sep := dsp.NewSeparator(rate)
				separate(sep, a, b, 4096)
				f1, f2 := sep.Leak()
				right := func(f, k float64) bool {
					return math.Abs(f-k) <= leakTolerance || f == 0 && math.Abs(k) <= 0.1
				}
				if !right(f1, k1) || !right(f2, k2) {
					t.Errorf("noise %.4f, %g into 1, %g into 2: found %.4f and %.4f", rms, k1, k2, f1, f2)
				}
			}
		}
	}
}

// Where there is no leak, or no telling, both channels pass unchanged.
func TestSeparatorLeavesAlone(t *testing.T) {
	s, r := sources(t, 150)
	silence := make([]float64, len(s))
	scaled := func(x []float64, by float64) []float64 {
		y := make([]float64, len(x))
		for i := range x {
			y[i] = by * x[i]
		}
		return y
	}
	cut := func(x []float32) []float32 {
		for i := range x {
			x[i] = max(-1, min(1, x[i]))
		}
		return x
	}
	pair := func(a, b []float32) [2][]float32 { return [2][]float32{a, b} }
	one, _ := mixed(s, silence, 0, 0, noise)
	clippedA, clippedB := mixed(scaled(s, 4), r, 0.05, 0.1, noise)
	for _, v := range []struct {
		name string
		x    [2][]float32
	}{
		{"no leak", pair(mixed(s, r, 0, 0, noise))},
		{"identical channels", [2][]float32{one, one}},
		{"one source in both channels", pair(mixed(s, silence, 0, 0.3, noise))},
		{"one source in one channel", pair(mixed(s, silence, 0, 0, noise))},
		{"clipped", pair(cut(clippedA), cut(clippedB))},
		{"noise", pair(mixed(silence, silence, 0, 0, noise))},
		{"silence", pair(mixed(silence, silence, 0, 0, 0))},
		{"nothing", pair(nil, nil)},
		{"a sample", pair([]float32{1}, []float32{-1})},
	} {
		sep := dsp.NewSeparator(rate)
		a, b := separate(sep, v.x[0], v.x[1], 4096)
		if k1, k2 := sep.Leak(); k1 != 0 || k2 != 0 {
			t.Errorf("%s: found %.4f into 1, %.4f into 2", v.name, k1, k2)
		}
		if !sep.Ready() || !slices.Equal(a, v.x[0]) || !slices.Equal(b, v.x[1]) {
			t.Errorf("%s: the samples changed", v.name)
		}
	}
}

// longSources is a recording longer than the stretch from which the gains are
// taken.
func longSources(t testing.TB) (a, b []float32) {
	s, r := sources(t, 640)
	if a, b = mixed(s, r, 0.3, 0.1, noise); len(a) < 1<<19+50000 {
		t.Fatalf("%d samples: want more", len(a))
	}
	return a, b
}

func TestSeparatorAnyBlocks(t *testing.T) {
	a, b := longSources(t)
	sep := dsp.NewSeparator(rate)
	wantA, wantB := separate(sep, a, b, 4096)
	if k1, _ := sep.Leak(); k1 == 0 {
		t.Fatal("no leak found")
	}
	for _, sizes := range [][]int{{1 << 19}, {len(a)}, {1<<19 - 1, 1}, {1, 7, 65536, 333}, {100003}} {
		sep := dsp.NewSeparator(rate)
		gotA, gotB := separate(sep, a, b, sizes...)
		if !slices.Equal(gotA, wantA) || !slices.Equal(gotB, wantB) {
			t.Errorf("blocks of %d: other samples than in blocks of 4096", sizes)
		}
	}
}

// heard is what a listener hears of channels in blocks of a size.
func heard(size int, channels ...[]float32) []dsp.Train {
	l := dsp.NewListenerWith(rate, len(channels), withTables(len(channels)))
	for from := 0; from < len(channels[0]); from += size {
		var block [][]float32
		for _, x := range channels {
			block = append(block, slices.Clone(x[from:min(from+size, len(x))]))
		}
		l.Push(block)
	}
	return l.Finish()
}

// A listener is a separator and a detector for each channel, settled together;
// with one channel or more than two, detectors alone.
func TestListener(t *testing.T) {
	a, b := longSources(t)
	train := func(x []float32, channel int) dsp.Train {
		d := dsp.NewDetector(rate, channel, dsp.Options{Tables: tables})
		d.Push(x)
		return d.End()
	}
	short := a[:60000]
	outA, outB := separate(dsp.NewSeparator(rate), a, b, len(a))
	shortA, shortB := separate(dsp.NewSeparator(rate), short, b[:60000], len(short))
	for _, v := range []struct {
		name string
		got  []dsp.Train
		want []dsp.Train
	}{
		{"two channels", heard(4096, a, b), []dsp.Train{train(outA, 1), train(outB, 2)}},
		{"in other blocks", heard(7001, short, b[:60000]), []dsp.Train{train(shortA, 1), train(shortB, 2)}},
		{"shorter than the first stretch", heard(4096, short, b[:60000]), []dsp.Train{train(shortA, 1), train(shortB, 2)}},
		{"one channel", heard(4096, short), []dsp.Train{train(short, 1)}},
		{"three channels", heard(4096, short, b[:60000], short), []dsp.Train{train(short, 1), train(b[:60000], 2), train(short, 3)}},
	} {
		dsp.Settle(v.want)
		if !reflect.DeepEqual(v.got, v.want) {
			t.Errorf("%s: other pulses than the detectors find in the separated channels", v.name)
		}
		for c, tr := range v.got {
			if len(tr.Pulses) < 50 {
				t.Errorf("%s: %d pulses in channel %d: want a recording full of them", v.name, len(tr.Pulses), c+1)
			}
		}
	}
	// No sample at all is a recording without pulses.
	for _, tr := range dsp.NewListener(rate, 2).Finish() {
		if len(tr.Pulses) > 0 {
			t.Errorf("%d pulses of nothing", len(tr.Pulses))
		}
	}
}

// A coil's lobes that take milliseconds, at 192 kHz: from one sample to the next
// they rise by less than the noise, and the leak is found all the same.
func TestSeparateSlowCoil(t *testing.T) {
	const (
		hz        = 192000.0
		leak      = 0.75
		tolerance = 0.02
	)
	burst, _, _ := pairChannel(t, "ring-sine", 300, 0, hz)
	coil, _ := coilChannel(t, 100, 0, 1.6e-3, hz, 0.3)
	n := min(len(burst), len(coil))
	a, b := make([]float64, n), coil[:n]
	for i := range a {
		a[i] = burst[i] + leak*b[i]
	}
	s := dsp.NewSeparator(hz)
	rng := rand.New(rand.NewPCG(41, 42))
	x, y := make([]float32, n), make([]float32, n)
	for i := range x {
		x[i] = float32(a[i] + 0.8*noise*rng.NormFloat64())
		y[i] = float32(b[i] + 0.8*noise*rng.NormFloat64())
	}
	s.Gather(x, y)
	s.Flush()
	if into1, into2 := s.Leak(); math.Abs(into1-leak) > tolerance || into2 != 0 {
		t.Errorf("leak %.3f, %.3f: want %g, 0", into1, into2, leak)
	}
}

// Sparks that all fall on the slope of a coil's slow lobes, each at a slightly
// other place, as at cranking speed with the magnet right before the spark: there
// the channels' slopes lie along lines that are of neither source. Whatever is
// taken out, no channel comes out larger than it went in, and the spark's leak is
// not made worse.
func TestSeparateSparksOnLobes(t *testing.T) {
	const hz = 192000.0
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 43))
		n := 8 + int(seed)%5
		b, at := coilChannel(t, n, 0, 6.7e-3, hz, 0.4)
		a := make([]float64, len(b))
		tau := (40 + 40*rng.Float64()) * 1e-6
		for _, p := range at {
			p += (1.25e-3 + 0.25e-3*rng.NormFloat64()) * hz
			amp := 0.5 * (1 + 0.1*rng.NormFloat64())
			for i := int(p) + 1; i < min(int(p)+200, len(a)); i++ {
				a[i] += amp * math.Exp(-(float64(i)-p)/hz/tau)
			}
		}
		x, y := mixed(a, b, 0.01, 0.02, 1.6e-3)
		s := dsp.NewSeparator(hz)
		outA, outB := separate(s, x, y, 4096)
		for c, pair := range [][2][]float32{{x, outA}, {y, outB}} {
			var was, now float64
			for i, v := range pair[0] {
				was += float64(v) * float64(v)
				now += float64(pair[1][i]) * float64(pair[1][i])
			}
			if now > 1.2*was {
				into1, into2 := s.Leak()
				t.Errorf("seed %d: channel %d comes out %.1f times as large (leak %.3f, %.3f)", seed, c+1, now/was, into1, into2)
			}
		}
	}
}
