package tone_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
	"sparkscope/dsp/tone"
)

// magneto is an invented source coil with its condenser, 3 mH and 0.6 Ω, in
// the wiring of the README. Its player's clock is 150 ppm slow.
func magneto() synth.Bench {
	return synth.Bench{ToneHz: tone.UsualHz * (1 - 150e-6), Level: 0.8, SeriesOhm: 100, LeadOhm: tone.UsualLeadOhm, InputOhm: tone.UsualInputOhm,
		CoilH: 3e-3, CoilOhm: 0.6, LossOhm: 400, CondenserF: 0.2e-6, StartS: 0.2}
}

// record makes a recording of a bench, with hum and noise.
func record(t testing.TB, b synth.Bench, rate, seconds float64, change func(*synth.Channel)) []float32 {
	t.Helper()
	fold := 4
	if rate > 64000 {
		fold = 2
	}
	sig, err := b.Signal(rate * float64(fold))
	if err != nil {
		t.Fatal(err)
	}
	limit, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	ch := synth.Channel{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, ACHz: 8, NoiseRMS: 1e-4, HumPeak: 0.01, HumHz: 50, Seed: 7}
	if change != nil {
		change(&ch)
	}
	src, err := synth.Recording{Rate: dsp.Rate(rate), Frames: int64(seconds * rate), Bits: 16, Fold: fold, Limit: limit,
		Signals: []synth.Signal{sig}, Channels: []synth.Channel{ch}}.Source()
	if err != nil {
		t.Fatal(err)
	}
	x := src.All()[0]
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v)
	}
	return out
}

// hear runs a detector over x in blocks of some size.
func hear(t testing.TB, x []float32, rate float64, o tone.Options, block int) ([]tone.Change, tone.Reading) {
	t.Helper()
	d, err := tone.New(dsp.Rate(rate), o)
	if err != nil {
		t.Fatal(err)
	}
	var out []tone.Change
	for len(x) > 0 {
		n := min(block, len(x))
		out = append(out, d.Push(x[:n])...)
		x = x[n:]
	}
	return out, d.Now()
}

// states are the states of some changes, in order.
func states(list []tone.Change) []tone.State {
	var out []tone.State
	for _, c := range list {
		out = append(out, c.State)
	}
	return out
}

// bounce adds touches: at goes to ohm and back to other a few times before it
// stays.
func bounce(r *rand.Rand, list []synth.Touch, at, ohm, other, within float64, times int) []synth.Touch {
	list = append(list, synth.Touch{AtS: at, Ohm: ohm})
	for range times {
		at += within / float64(2*times) * r.Float64()
		list = append(list, synth.Touch{AtS: at, Ohm: other})
		at += within / float64(2*times) * r.Float64()
		list = append(list, synth.Touch{AtS: at, Ohm: ohm})
	}
	return list
}

// Openings and closings with bounce are told once each, the right way, within
// their ± and in time to be heard.
func TestOpensAndCloses(t *testing.T) {
	const soonS = 0.05 // half of what the page is given from event to screen
	for _, rate := range []float64{16000, 44100, 48000, 192000} {
		r := rand.New(rand.NewPCG(1, uint64(rate)))
		b := magneto()
		var truth []float64
		at := 0.8
		b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}}
		for i := range 6 {
			at += 0.15 + 0.2*r.Float64()
			truth = append(truth, at)
			if i%2 == 0 {
				b.Touches = bounce(r, b.Touches, at, synth.OpenOhm, 0.3, 0.4e-3, 2)
			} else {
				b.Touches = bounce(r, b.Touches, at, 0.05+0.3*r.Float64(), synth.OpenOhm, 0.8e-3, 3)
			}
		}
		got, now := hear(t, record(t, b, rate, at+0.2, nil), rate, tone.Options{}, 1000)
		if len(got) != len(truth) {
			t.Errorf("%g Hz: %d changes, want %d: %+v", rate, len(got), len(truth), got)
			continue
		}
		for i, c := range got {
			want := tone.Open
			if i%2 == 1 {
				want = tone.Closed
			}
			off := c.Pos - truth[i]*rate
			if c.State != want || math.Abs(off) > c.Within || c.First != c.Pos {
				t.Errorf("%g Hz, change %d: %v at %.1f ±%.1f, first %.1f, want %v at %.1f", rate, i+1, c.State, c.Pos, c.Within, c.First, want, truth[i]*rate)
			}
			if late := c.Seen/rate - truth[i]; late < 0 || late > soonS {
				t.Errorf("%g Hz, change %d: known %.0f ms later, want at most %.0f", rate, i+1, 1e3*late, 1e3*soonS)
			}
			if c.Within > 2e-3*rate {
				t.Errorf("%g Hz, change %d: ±%.1f ms: want at most 2", rate, i+1, 1e3*c.Within/rate)
			}
		}
		if math.Abs(now.ToneHz-b.ToneHz) > 0.1 {
			t.Errorf("%g Hz: tone of %.3f Hz, want %.3f", rate, now.ToneHz, b.ToneHz)
		}
	}
}

// The levels are those of the circuit: with closed contacts those of its
// formula, with open ones too where the coil loses nothing.
func TestLevelsAreTheCircuits(t *testing.T) {
	b := magneto()
	b.LossOhm = 0
	b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 1, Ohm: synth.OpenOhm}}
	_, now := hear(t, record(t, b, 48000, 2, nil), 48000, tone.Options{}, 4096)
	c := tone.Circuit{SeriesOhm: b.SeriesOhm, LeadOhm: b.LeadOhm, ClosedOhm: 0.05, InputOhm: b.InputOhm, CoilH: b.CoilH, CoilOhm: b.CoilOhm, CondenserF: b.CondenserF}
	const part = 0.01 // noise, and what the level is learnt from
	for _, x := range []struct {
		what      string
		got, want float64
	}{{"open", now.OpenLevel, b.Level * c.OpenLevel(b.ToneHz)}, {"closed", now.ClosedLevel, b.Level * c.ClosedLevel(b.ToneHz)}} {
		if math.Abs(x.got/x.want-1) > part {
			t.Errorf("level of %s contacts %.5f, by the formula %.5f", x.what, x.got, x.want)
		}
	}
}

// What is found does not depend on the blocks, and memory does not grow.
func TestBlocksAndMemory(t *testing.T) {
	b := magneto()
	b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 0.9, Ohm: synth.OpenOhm}, {AtS: 1.2, Ohm: 0.1}}
	x := record(t, b, 48000, 1.5, nil)
	whole, end := hear(t, x, 48000, tone.Options{}, len(x))
	if len(whole) != 2 {
		t.Fatalf("%d changes, want 2", len(whole))
	}
	for _, n := range []int{1, 7, 480, 48000} {
		if got, now := hear(t, x, 48000, tone.Options{}, n); !reflect.DeepEqual(got, whole) || now != end {
			t.Errorf("blocks of %d: %+v, want %+v", n, got, whole)
		}
	}
	d, err := tone.New(48000, tone.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d.Push(x)
	if n := testing.AllocsPerRun(5, func() { d.Push(x) }); n > 0 {
		t.Errorf("%g allocations in %.1f s of sound, want none", n, float64(len(x))/48000)
	}
}

// A tone that begins is no opening; without any tone nothing is said.
func TestBeginningIsNoOpening(t *testing.T) {
	for _, ohm := range []float64{0.05, synth.OpenOhm} {
		b := magneto()
		b.StartS = 0.7
		b.Touches = []synth.Touch{{AtS: 0, Ohm: ohm}}
		got, now := hear(t, record(t, b, 48000, 2, nil), 48000, tone.Options{}, 512)
		if len(got) > 0 || now.State != tone.Unknown || !now.Locked {
			t.Errorf("contacts of %g Ω from the start: %+v, state %v", ohm, got, now.State)
		}
	}
	b := magneto()
	b.Level = 0
	if got, now := hear(t, record(t, b, 48000, 2, nil), 48000, tone.Options{}, 512); len(got) > 0 || now.Locked {
		t.Errorf("no tone: %+v, %+v", got, now)
	}
}

// A tone that stops, as when a lead comes off, is neither open nor closed; when
// it comes back, the state is known at once.
func TestLost(t *testing.T) {
	b := magneto()
	b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 0.8, Ohm: synth.OpenOhm}}
	b.EndS = 1.1
	x := record(t, b, 48000, 1.5, nil)
	b.StartS, b.EndS = 0, 0
	b.Touches = []synth.Touch{{AtS: 0, Ohm: synth.OpenOhm}}
	x = append(x, record(t, b, 48000, 0.5, nil)...)
	got, _ := hear(t, x, 48000, tone.Options{}, 512)
	if want := []tone.State{tone.Open, tone.Lost, tone.Open}; !reflect.DeepEqual(states(got), want) {
		t.Fatalf("%v, want %v", states(got), want)
	}
	if math.Abs(got[1].Pos/48000-1.1) > 2e-3 {
		t.Errorf("lost at %.4f s, want 1.1", got[1].Pos/48000)
	}
}

// Contacts that touch and part for a while before they stay open: the moment at
// which they stay is told, and the first parting besides.
func TestChatter(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	b := magneto()
	b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 0.8, Ohm: synth.OpenOhm}, {AtS: 1, Ohm: 0.05}}
	b.Touches = bounce(r, b.Touches, 1.5, synth.OpenOhm, 0.1, 0.2, 4)
	last := b.Touches[len(b.Touches)-1].AtS
	got, _ := hear(t, record(t, b, 48000, 2, nil), 48000, tone.Options{}, 512)
	if len(got) != 3 || got[2].State != tone.Open {
		t.Fatalf("%+v", got)
	}
	c := got[2]
	if math.Abs(c.Pos/48000-last) > 5e-3 || math.Abs(c.First/48000-1.5) > 10e-3 {
		t.Errorf("stays open from %.4f s, first parted %.4f: want %.4f and 1.5", c.Pos/48000, c.First/48000, last)
	}
}

// A whine louder than what closed contacts leave is taken for the tone until
// the contacts open; not where the tone's frequency is given.
func TestWhine(t *testing.T) {
	b := magneto()
	b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 1.5, Ohm: synth.OpenOhm}, {AtS: 2.5, Ohm: 0.05}}
	x := record(t, b, 48000, 3, nil)
	for i := range x {
		x[i] += 0.03 * float32(math.Sin(2*math.Pi*8100/48000*float64(i)))
	}
	for _, o := range []tone.Options{{}, {ToneHz: tone.UsualHz}} {
		got, now := hear(t, x, 48000, o, 512)
		if want := []tone.State{tone.Open, tone.Closed}; !reflect.DeepEqual(states(got), want) {
			t.Errorf("%+v: %v, want %v", o, states(got), want)
			continue
		}
		if math.Abs(got[0].Pos/48000-1.5) > 2e-3 || math.Abs(now.ToneHz-b.ToneHz) > 1 {
			t.Errorf("%+v: open at %.4f s, tone %.1f Hz", o, got[0].Pos/48000, now.ToneHz)
		}
	}
}

// A gain that drifts, and hum as loud as the tone, change nothing; nor does a
// step that is too small to be contacts.
func TestNoFlicker(t *testing.T) {
	for _, c := range []struct {
		name   string
		bench  func(*synth.Bench)
		change func(*synth.Channel)
		want   []tone.State
	}{
		{"drift", func(b *synth.Bench) { b.DriftDB, b.DriftS = 10, 20 }, nil, []tone.State{tone.Open, tone.Closed, tone.Open, tone.Closed}},
		{"hum", nil, func(c *synth.Channel) { c.HumPeak = 0.5 }, []tone.State{tone.Open, tone.Closed, tone.Open, tone.Closed}},
		{"small step", func(b *synth.Bench) {
			b.CoilH, b.CondenserF, b.SeriesOhm, b.LeadOhm, b.InputOhm = 0, 0, 1000, 2500, 1e8
		}, nil, nil},
	} {
		b := magneto()
		if c.bench != nil {
			c.bench(&b)
		}
		b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 1, Ohm: synth.OpenOhm}, {AtS: 4, Ohm: 0.1}, {AtS: 9, Ohm: synth.OpenOhm}, {AtS: 14, Ohm: 0.1}}
		got, _ := hear(t, record(t, b, 16000, 16, c.change), 16000, tone.Options{}, 512)
		if !reflect.DeepEqual(states(got), c.want) {
			t.Errorf("%s: %v, want %v", c.name, states(got), c.want)
		}
	}
}

// Contacts whose resistance grows slowly from closed to open, over a second and
// a half and with a flutter of a fifth, open once.
func TestSlowParting(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	b := magneto()
	b.Touches = []synth.Touch{{AtS: 0, Ohm: 0.05}, {AtS: 0.8, Ohm: synth.OpenOhm}, {AtS: 1.2, Ohm: 0.05}}
	for i := range 300 {
		grown := 0.05 * math.Pow(10, 6*float64(i)/300)
		b.Touches = append(b.Touches, synth.Touch{AtS: 1.8 + 0.005*float64(i), Ohm: grown * (0.8 + 0.4*r.Float64())})
	}
	got, _ := hear(t, record(t, b, 16000, 3.6, func(c *synth.Channel) { c.NoiseRMS = 3e-3 }), 16000, tone.Options{}, 512)
	if want := []tone.State{tone.Open, tone.Closed, tone.Open}; !reflect.DeepEqual(states(got), want) {
		t.Errorf("%v, want %v", states(got), want)
	}
}

// A stated tone is found where two cards' clocks differ by as much as they may,
// 500 parts in a million, and not where something else sounds nearby.
func TestStatedTone(t *testing.T) {
	for _, c := range []struct {
		offHz float64
		found bool
	}{{0, true}, {1.4, true}, {-1.4, true}, {3, false}, {-26, false}, {26, false}} { // 1.5 Hz are 500 ppm of 3025
		b := magneto()
		b.ToneHz = tone.UsualHz + c.offHz
		b.Touches = []synth.Touch{{AtS: 0, Ohm: synth.OpenOhm}}
		if _, now := hear(t, record(t, b, 48000, 1.2, nil), 48000, tone.Options{ToneHz: tone.UsualHz}, 512); now.Locked != c.found {
			t.Errorf("%+g Hz from what was stated: found %v, want %v", c.offHz, now.Locked, c.found)
		}
	}
}

// Pulses of an engine held steady have lines that stand as high as a tone, but
// nothing between the pulses.
func TestPulsesAreNoTone(t *testing.T) {
	for _, rpm := range []float64{900, 3000, 6000, 12000} {
		r := rand.New(rand.NewPCG(8, uint64(rpm)))
		x := make([]float32, 4*48000)
		for i := range x {
			x[i] = 1e-4 * float32(r.NormFloat64())
			// Of a magnet over a coil, 10° from lobe to lobe.
			deg := math.Mod(6*rpm*float64(i)/48000, 360) - 180
			u := deg / 10
			x[i] += 0.5 * float32(u*math.Exp(-u*u))
		}
		if _, now := hear(t, x, 48000, tone.Options{}, 512); now.Locked {
			t.Errorf("%g rpm: a tone of %.1f Hz was found", rpm, now.ToneHz)
		}
	}
}

func TestRefusesOptions(t *testing.T) {
	for _, c := range []struct {
		rate, hz float64
		ok       bool
	}{{48000, 0, true}, {48000, 3025, true}, {48000, 899, false}, {48000, 900, true}, {48000, 16001, false}, {8000, 3600, true}, {8000, 3601, false}, {7999, 0, false}, {48000, math.NaN(), false}, {math.NaN(), 0, false}} {
		if _, err := tone.New(dsp.Rate(c.rate), tone.Options{ToneHz: c.hz}); (err == nil) != c.ok {
			t.Errorf("%g Hz at %g samples a second: %v", c.hz, c.rate, err)
		}
	}
}

func BenchmarkPush(b *testing.B) {
	x := record(b, magneto(), 192000, 1, nil)
	d, err := tone.New(192000, tone.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(x)))
	for b.Loop() {
		d.Push(x)
	}
}
