package study

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// tables are shared by the tests, which run one after the other: what they find does not
// depend on it.
var tables = dsp.NewTables()

// The score of a train whose errors are known.
func TestScoreOfTrain(t *testing.T) {
	const late = 0.25 // samples
	var events []event
	train := dsp.Train{Shapes: []dsp.Shape{{N: 3, Amp: 0.1}, {N: 100, Amp: 0.5, AnchorSigma: 0.2}}}
	for i := range 100 {
		at := 1000 * float64(i+1)
		events = append(events, event{pos: at, bound: 0.03, period: 8})
		e := late + 0.03*float64(2*(i%2)-1)
		switch i {
		case 10, 11: // a cycle off
			e += 8
		case 12: // less than half a half-cycle off: no slip
			e += 1.9
		case 13: // not found
			continue
		case 14: // put into another class
			train.Pulses = append(train.Pulses, dsp.Pulse{Pos: at, Class: 0, Sigma: 1})
			continue
		}
		train.Pulses = append(train.Pulses, dsp.Pulse{Pos: at + e, Class: 1, Sigma: 0.04})
	}
	train.Pulses = append(train.Pulses, dsp.Pulse{Pos: 5500, Class: -1, Sigma: 1})
	r := Row{Case: Case{RateHz: 48000, SNRdB: 50, Kernel: "sharp"}}
	r.score(train, events)
	if r.Found != 98 || r.Missed != 2 || r.Extra != 2 || r.Slips != 2 || r.SlipLimit != 2 {
		t.Errorf("%d found, %d missed, %d more, %d slips beyond %g: want 98, 2, 2, 2 beyond 2", r.Found, r.Missed, r.Extra, r.Slips, r.SlipLimit)
	}
	if math.Abs(r.Constant-late) > 0.031 || r.Anchor != 0.2 || r.Sigma != 0.04 || math.Abs(r.Bound-0.03) > 1e-12 {
		t.Errorf("%+v", r)
	}
	// Slips count in Random, and the one that was none in both.
	if r.Random < 1 || r.RandomClean > 0.25 {
		t.Errorf("random error %g with slips, %g without", r.Random, r.RandomClean)
	}
	if r.ConstantOver() || !r.RatioOver() || !r.Held() {
		t.Errorf("constant over %v, ratio over %v, held %v: want only the ratio over", r.ConstantOver(), r.RatioOver(), r.Held())
	}
	none := Row{Case: r.Case}
	none.score(dsp.Train{}, events)
	if none.Missed != 100 || !none.ConstantOver() || !none.RatioOver() || none.Held() {
		t.Errorf("nothing found: %+v", none)
	}
	if s := none.String() + r.String(); strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
		t.Error(s)
	}
}

func TestLimits(t *testing.T) {
	row := func(snr, constant, ratio float64) Row {
		return Row{Case: Case{RateHz: 100000, SNRdB: snr}, Found: 10, Constant: constant, Random: ratio, Bound: 1}
	}
	for _, c := range []struct {
		r               Row
		constant, ratio bool
	}{
		{row(50, 0.4, 1.5), false, false}, // 0.2 sample + 2 µs at 100 kHz
		{row(50, math.Nextafter(0.4, 1), 1), true, false},
		{row(50, -0.5, 1), true, false},
		{row(40, 5, 1), false, false}, // judged at 50 dB only
		{row(20, 0, math.Nextafter(1.5, 2)), false, true},
		{row(19, 0, 3), false, false},
		{row(16, 0, 3.1), false, true},
		{row(15, 0, 100), false, false},
	} {
		if a, b := c.r.ConstantOver(), c.r.RatioOver(); a != c.constant || b != c.ratio {
			t.Errorf("%g dB, constant %g, ratio %g: over %v and %v, want %v and %v", c.r.SNRdB, c.r.Constant, c.r.Ratio(), a, b, c.constant, c.ratio)
		}
	}
}

// The bounds of contact and coil against a numerical derivative of the very
// samples that are rendered.
func TestBoundsOfReferences(t *testing.T) {
	for _, name := range []string{"sharp", "gentle-minimum"} {
		k, err := synth.NewKernel(name)
		if err != nil {
			t.Fatal(err)
		}
		c := Case{Kernel: name, RateHz: 48000, SNRdB: 40, Pulses: 2}
		const sigma, step = 0.005, 1.0 / 64
		check := func(what string, e event, render func(shift float64) synth.Signal, tol float64) {
			const n = 600
			first := int64(e.pos) - n/2
			a, b := make([]float64, n), make([]float64, n)
			render(-step).AddTo(a, first)
			render(step).AddTo(b, first)
			var sum float64
			for i := range a {
				d := (a[i] - b[i]) / (2 * step)
				sum += d * d
			}
			if want := sigma / math.Sqrt(sum); math.Abs(e.bound-want) > tol*want {
				t.Errorf("%s, %s: bound %.6f samples, from the samples %.6f", name, what, e.bound, want)
			}
		}
		_, events, err := contact(c, k, rand.New(rand.NewPCG(1, 2)), sigma)
		if err != nil {
			t.Fatal(err)
		}
		check("contact", events[0], func(shift float64) synth.Signal {
			s, err := synth.NewSwitch(k, []float64{events[0].pos + shift}, 0, peak, 2e-6*c.RateHz)
			if err != nil {
				t.Fatal(err)
			}
			return s
		}, 0.01)
		c.Family = "coil-quick"
		signal, events, err := coil(c, k, rand.New(rand.NewPCG(1, 2)), sigma)
		if err != nil || signal == nil {
			t.Fatal(err)
		}
		half := 0.55e-3 / 2 * c.RateHz
		rng := rand.New(rand.NewPCG(1, 2)) // the size is drawn after the moments
		moments(c, rng)
		size := peak * (1 + spread*rng.NormFloat64())
		check("coil", events[0], func(shift float64) synth.Signal {
			l, err := synth.NewLobes(k, []synth.Lobe{{Pos: events[0].pos + shift, Half: half, Amp: size}})
			if err != nil {
				t.Fatal(err)
			}
			return l
		}, 0.01)
	}
}

// The same case and seed give the same row.
func TestRunRepeats(t *testing.T) {
	c := Case{Family: "decay", Kernel: "sharp", RateHz: 48000, SNRdB: 30, Pulses: 20, Seed: 5}
	a, err := Run(c, tables)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Run(c, tables)
	if err != nil || a != b {
		t.Errorf("%v\n%v", a, b)
	}
	if a.Found != 20 || a.Missed+a.Extra > 0 {
		t.Errorf("%+v", a)
	}
	for _, bad := range []Case{{Family: "none such", Kernel: "sharp", RateHz: 48000, Pulses: 5}, {Family: "decay", Kernel: "x", RateHz: 48000, Pulses: 5}, {Family: "decay", Kernel: "sharp", RateHz: 48000, Pulses: 1}, {Family: "decay", Kernel: "sharp", RateHz: 1, Pulses: 5}} {
		if _, err := Run(bad, tables); err == nil {
			t.Errorf("%+v: no error", bad)
		}
	}
}
