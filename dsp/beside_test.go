package dsp_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// Issue 3: on one input with a contact, bursts that come from 0.3 ms on after
// it opens lay on its edge and were lost, up to one in ten and at some speeds
// all of them. A pull from 1200 to 6000 rpm: closed for 30°, bouncing for 0.3 ms,
// the burst 12° after it opens, upside down and three times as high, which is
// what the README asks for. Wanted are the project's targets: 98 % found, 1 % of
// others at most, each timed to within 4 µs of the class's own constant
// error, 0.15° at 6000 rpm.
func TestBurstBesideEdge(t *testing.T) {
	const (
		rate   = 48000.0
		within = 4e-6 * rate
		same   = 0.2e-3 * rate
	)
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range synth.Families() {
		if f.Name == "snap" {
			continue // sound, which no contact is mixed with
		}
		rng := rand.New(rand.NewPCG(41, 42))
		draw := func() *synth.Converted {
			c, err := k.Convert(f.Draw(rng), rate)
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
		c := draw()
		var edges, at []float64
		var placed []synth.Placed
		s := 0.03
		for n := range 150 {
			turn := 60 / (1200 + 4800*math.Min(float64(n)/100, 1))
			edges = append(edges, s*rate)
			for b := s + 30e-6; ; {
				open := b + 45e-6*rng.ExpFloat64()
				shut := open + 45e-6*rng.ExpFloat64()
				if shut > s+0.3e-3 {
					break
				}
				edges = append(edges, open*rate, shut*rate)
				b = shut
			}
			edges = append(edges, (s+30.0/360*turn)*rate)
			if f.Varying {
				c = draw()
			}
			p := (s + (42+0.5*rng.NormFloat64())/360*turn) * rate
			at = append(at, p)
			placed = append(placed, synth.Placed{Pos: p, Amp: -0.75 * (1 + 0.15*(2*rng.Float64()-1)), Pulse: c})
			s += turn
		}
		sw, err := synth.NewSwitch(k, edges, 0, 0.25, 5e-6*rate)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, int((s+0.05)*rate))
		sw.AddTo(x, 0)
		synth.NewPulses(placed).AddTo(x, 0)
		tr := detect(samples(x, 1, 0, noise), 1<<14, rate)
		var late []float64
		found, more, refs := 0, 0, 0
		for _, p := range tr.Pulses {
			if p.Class < 0 {
				continue
			}
			if tr.Shapes[p.Class].Kind == dsp.Contact {
				refs++
				continue
			}
			least := math.Inf(1)
			for _, a := range at {
				if d := p.Pos - a; math.Abs(d) < math.Abs(least) {
					least = d
				}
			}
			if math.Abs(least) > same {
				more++
				continue
			}
			found++
			late = append(late, least)
		}
		constant, off := median(late), 0
		for _, e := range late {
			if math.Abs(e-constant) > within {
				off++
			}
		}
		why := ""
		// One edge of a burst taken for a closing stands beside the rhythm, and is
		// left out for it.
		if n := len(at); 100*(found-off) < 98*n || found > n || 100*more > n || refs < n || refs > n+1 {
			why = fmt.Sprintf("of %d bursts %d found, %d of them mistimed, %d besides; of %d closings %d", n, found, off, more, n, refs)
		}
		judge(t, f.Name, why)
	}
}

// A reed that bounces and a clamp on one input, the spark 42° behind the edge, the
// same way up and about as high as the contact. Discharges that stay high for as
// long as a short closing, and come back slowly, were taken for the contact's own
// edges. Each must be found, and no other.
func TestContactAndSmoothBursts(t *testing.T) {
	const (
		rms  = 0.5 / 316 // 50 dB below the bursts
		some = 0.02      // of the bursts may be missing or too many
		same = 0.2e-3    // seconds
	)
	for _, c := range []struct {
		name string
		hz   float64
	}{{"avalanche", 48000}, {"front-parabola", 44100}, {"decay", 44100}} {
		f, err := synth.FamilyByName(c.name)
		if err != nil {
			t.Fatal(err)
		}
		k, err := synth.NewKernel("sharp")
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(51, 52))
		pulse, err := k.Convert(f.Draw(rng), dsp.Rate(c.hz))
		if err != nil {
			t.Fatal(err)
		}
		var edges, at []float64
		var placed []synth.Placed
		s := 0.03
		for n := range 140 {
			turn := 60 / (1200 + 4800*math.Min(float64(n)/130, 1))
			edges = append(edges, s*c.hz)
			for b := s + 30e-6; ; {
				open := b + 45e-6*rng.ExpFloat64()
				shut := open + 45e-6*rng.ExpFloat64()
				if shut > s+0.3e-3 {
					break
				}
				edges = append(edges, open*c.hz, shut*c.hz)
				b = shut
			}
			edges = append(edges, (s+30.0/360*turn)*c.hz)
			p := (s + (42+0.5*rng.NormFloat64())/360*turn) * c.hz
			at = append(at, p)
			placed = append(placed, synth.Placed{Pos: p, Amp: 0.5 * (1 + 0.1*(2*rng.Float64()-1)), Pulse: pulse})
			s += turn
		}
		sw, err := synth.NewSwitch(k, edges, 0, 0.4, 5e-6*c.hz)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, int((s+0.05)*c.hz))
		sw.AddTo(x, 0)
		synth.NewPulses(placed).AddTo(x, 0)
		tr := detect(samples(ac(x, c.hz, 8), 1, 0, rms), 1<<14, dsp.Rate(c.hz))
		found, more, refs := 0, 0, 0
		for _, p := range tr.Pulses {
			switch {
			case p.Class < 0:
			case tr.Shapes[p.Class].Kind == dsp.Contact:
				refs++
			default:
				least := math.Inf(1)
				for _, a := range at {
					least = math.Min(least, math.Abs(p.Pos-a)/c.hz)
				}
				if least < same {
					found++
				} else {
					more++
				}
			}
		}
		n := float64(len(at))
		if float64(found) < (1-some)*n || float64(more) > some*n || math.Abs(float64(refs)-n) > some*n {
			t.Errorf("%+v: of %d bursts %d found, %d besides; of as many closings %d", c, len(at), found, more, refs)
		}
	}
}
