package dsp_test

import (
	"math"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// A recorder with automatic gain keeps the lobes at one height whatever the
// speed, so that their flux falls fivefold in a pull from 1200 to 6000 rpm. It
// is a coil all the same.
func TestCoilBehindAutomaticGain(t *testing.T) {
	const from, to, seconds = 1200, 6000, 6
	x, at, deg := turning(t, rate, from, to, seconds, 8, 0.4)
	x = ac(x, rate, 8)
	for i := range x {
		x[i] *= 6000 / (from + (to-from)*float64(i)/rate/seconds)
	}
	tr := detect(samples(x, 1, 0, noise), 1<<14, rate)
	if tr.Shapes[0].Kind != dsp.Lobes {
		t.Fatalf("%v: want a coil", kinds(tr))
	}
	const inMean = 0.15 // degrees, the project's limit
	var mean float64
	for i, e := range errorsOf(t, tr, at) {
		mean += e * deg[i] / float64(len(at))
	}
	if math.Abs(mean) > inMean {
		t.Errorf("crossings %.3f° late in the mean", mean)
	}
}

// clippedAt is x, so many times too large, as a converter's numbers end.
func clippedAt(x []float64, over float64) []float32 {
	y := samples(x, over, 0, noise)
	for i, v := range y {
		y[i] = min(max(v, -1), 1)
	}
	return y
}

// Lobes up to twelve times too large for the input, at 1000 to 9000 rpm: all are cut
// off at one height, which says nothing of their flux, but go on taking the
// same share of a revolution.
func TestCoilFarTooLarge(t *testing.T) {
	const inMean = 0.3 // degrees, twice the project's limit at 12 dB
	x, at, deg := turning(t, rate, 1000, 9000, 6, 8, 1)
	tr := detect(clippedAt(ac(x, rate, 8), 8), 1<<14, rate)
	if tr.Shapes[0].Kind != dsp.Lobes {
		t.Fatalf("%v: want a coil", kinds(tr))
	}
	var mean float64
	for i, e := range errorsOf(t, tr, at) {
		mean += e * deg[i] / float64(len(at))
	}
	if math.Abs(mean) > inMean {
		t.Errorf("crossings %.3f° late in the mean", mean)
	}
}

// The rectangle of a switch that is far too large for the input is cut off at
// the top, and the coupling gives it a second lobe below; its width follows the
// speed like a coil's. Its steep edges tell that it is none, at one speed too.
func TestClippedSwitchIsNoCoil(t *testing.T) {
	for _, speeds := range [][2]float64{{1200, 6000}, {3000, 3000}} {
		from, to := speeds[0], speeds[1]
		k, err := synth.NewKernel("sharp")
		if err != nil {
			t.Fatal(err)
		}
		const (
			seconds = 6
			closed  = 30   // degrees
			recall  = 0.98 // the project's limit
		)
		var edges []float64
		for s := 0.113; s < seconds; {
			rpm := from + (to-from)*s/seconds
			edges = append(edges, s*rate+0.37, (s+closed/(6*rpm))*rate+0.37)
			s += 60 / rpm
		}
		w, err := synth.NewSwitch(k, edges, 0, 0.8, 0.1)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, (seconds+1)*rate)
		w.AddTo(x, 0)
		for _, over := range []float64{4, 8} {
			tr := detect(clippedAt(ac(x, rate, 8), over), 1<<14, rate)
			c := largest(t, tr)
			if n := len(edges) / 2; tr.Shapes[c].Kind != dsp.Contact || tr.Shapes[c].N > n || float64(tr.Shapes[c].N) < recall*float64(n) {
				t.Errorf("%g to %g rpm, %g times: %v, want %d of a contact", from, to, over, kinds(tr), n)
			}
		}
	}
}

// gained is x as a recorder with automatic gain control keeps it: the gain brings
// the envelope to a target, follows what is louder within attack seconds and what
// is fainter within release, and never turns up by more than 30 dB.
func gained(x []float32, target, attack, release float64) []float32 {
	up, down := -math.Expm1(-1/(rate*attack)), -math.Expm1(-1/(rate*release))
	level := target
	y := make([]float32, len(x))
	for i, v := range x {
		a := math.Abs(float64(v))
		if a > level {
			level += (a - level) * up
		} else {
			level += (a - level) * down
		}
		y[i] = float32(math.Max(-1, math.Min(1, float64(v)*math.Min(target/level, 31.6))))
	}
	return y
}

// An engine cranked at 200 rpm and revved: between two pulses of the cranking the
// gain rises tenfold, and the noise with it, and the pulses are several times as
// high there as later on. All are found, and little else.
func TestGainTurnedUpBetweenPulses(t *testing.T) {
	const (
		recall = 0.98 // the project's limits
		limit  = 0.3  // degrees, rms
		ends   = 6.5
	)
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	var at, deg []float64
	for s := 0.113; s < ends; {
		rpm := math.Min(math.Max(200, 200+5800*(s-2)/4), 6000)
		at, deg = append(at, s*rate+0.37), append(deg, 6*rpm/rate)
		s += 60 / rpm
	}
	add := func(c *synth.Converted) []float64 {
		var placed []synth.Placed
		for _, p := range at {
			placed = append(placed, synth.Placed{Pos: p, Amp: 0.5, Pulse: c})
		}
		x := make([]float64, (ends+1)*rate)
		synth.NewPulses(placed).AddTo(x, 0)
		return x
	}
	burst := func(family string) []float64 {
		f, err := synth.FamilyByName(family)
		if err != nil {
			t.Fatal(err)
		}
		c, err := k.Convert(f.Draw(nil), rate)
		if err != nil {
			t.Fatal(err)
		}
		return add(c)
	}
	var edges []float64
	var lobes []synth.Lobe
	for i, p := range at {
		edges = append(edges, p, p+30/deg[i])
		lobes = append(lobes, synth.Lobe{Pos: p, Half: 4 / deg[i], Amp: 0.4 * deg[i] * rate / 36000})
	}
	w, err := synth.NewSwitch(k, edges, 0, 0.4, 0.1)
	if err != nil {
		t.Fatal(err)
	}
	contact := make([]float64, (ends+1)*rate)
	w.AddTo(contact, 0)
	l, err := synth.NewLobes(k, lobes)
	if err != nil {
		t.Fatal(err)
	}
	coil := make([]float64, (ends+1)*rate)
	l.AddTo(coil, 0)
	for _, c := range []struct {
		name string
		x    []float64
		kind dsp.Kind
	}{
		{"decay", burst("decay"), dsp.Burst}, {"ring-sine", burst("ring-sine"), dsp.Burst},
		{"contact", ac(contact, rate, 8), dsp.Contact}, {"coil", ac(coil, rate, 8), dsp.Lobes},
	} {
		tr := detect(gained(samples(c.x, 1, 0, 0.0016), 0.3, 2e-3, 300e-3), 4096, rate)
		n := largest(t, tr)
		if tr.Shapes[n].Kind != c.kind {
			t.Errorf("%s: %v", c.name, kinds(tr))
			continue
		}
		got := positions(tr, n)
		found, squares := 0, 0.0
		for i, p := range at {
			j := 0
			for j+1 < len(got) && math.Abs(got[j+1]-p) <= math.Abs(got[j]-p) {
				j++
			}
			if e := (got[j] - p) * deg[i]; math.Abs(e) < 3 {
				found++
				squares += e * e
			}
		}
		if float64(found) < recall*float64(len(at)) || float64(found) < recall*float64(len(tr.Pulses)) {
			t.Errorf("%s: %d of %d found, of %d pulses in all: %v", c.name, found, len(at), len(tr.Pulses), kinds(tr))
		}
		if rms := math.Sqrt(squares / float64(found)); rms > limit {
			t.Errorf("%s: %.3f° rms", c.name, rms)
		}
	}
}
