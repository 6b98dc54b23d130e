package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"sparkscope/dsp"
)

func (m *made) edit(ch int, f func(tr *dsp.Train)) {
	for i := range m.trains {
		if m.trains[i].Channel == ch {
			f(&m.trains[i])
			slices.SortFunc(m.trains[i].Pulses, func(a, b dsp.Pulse) int {
				if a.Pos < b.Pos {
					return -1
				}
				return 1
			})
		}
	}
}

// TestShop: troubles of the shop that the trains still carry when they reach
// this package.
func TestShop(t *testing.T) {
	base := func() world {
		return world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: 31}
	}
	type tc struct {
		name   string
		w      world
		edit   func(m *made, w world)
		s      Setup
		recall float64
		rms    float64
		then   func(t *testing.T, o outcome)
	}
	blipping := base()
	blipping.prof = blips()
	stall := base()
	stall.prof = ramp(ramp(ramp(ramp(steady(250, 1), 0.6, 1500, true), 2, 1500, false), 1.2, 40, true), 2, 40, false)
	short := base()
	short.prof = steady(1500, 0.28)
	still := base()
	still.prof, still.scatter = steady(3000, 3), 0
	every := base()
	every.repeat = 1
	bounce := func(m *made, w world) {
		rng := rand.New(rand.NewPCG(5, 5))
		m.edit(m.refCh, func(tr *dsp.Train) {
			for _, p := range slices.Clone(tr.Pulses) {
				if rng.Float64() < 0.3 {
					p.Pos += (0.3e-3 + 0.6e-3*rng.Float64()) * testRate
					tr.Pulses = append(tr.Pulses, p)
				}
			}
		})
	}
	for _, c := range []tc{
		{name: "bounce left over", w: base(), edit: bounce, recall: 0.99},
		{name: "bounce left over, blips", w: blipping, edit: bounce, recall: 0.98, rms: 0.4},
		{name: "sparks in the reference's class", w: base(), recall: 0.95, edit: func(m *made, w world) {
			m.edit(m.refCh, func(tr *dsp.Train) {
				for _, s := range m.sparks {
					tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: s.t * testRate, Sigma: 0.02, Amp: 0.4, Class: 0})
				}
			})
		}},
		{name: "some sparks without a class", w: base(), recall: 0.98, edit: func(m *made, w world) {
			m.edit(m.sparkCh, func(tr *dsp.Train) {
				for i := range tr.Pulses {
					if i%10 == 3 {
						tr.Pulses[i].Class = -1
					}
				}
			})
		}, then: func(t *testing.T, o outcome) {
			if n := o.res.Counts.MissedSparks; n > 2 {
				t.Errorf("%d missed, want none", n)
			}
		}},
		{name: "crosstalk without a class", w: base(), recall: 0.99, edit: func(m *made, w world) {
			m.edit(m.sparkCh, func(tr *dsp.Train) {
				for _, r := range m.refs {
					tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: (r + 40e-6) * testRate, Sigma: 0.1, Amp: 0.2, Class: -1})
				}
			})
		}, then: func(t *testing.T, o outcome) {
			if n := o.res.Counts.OtherSparks; n > 2 {
				t.Errorf("%d crosstalk pulses among the rows", n)
			}
		}},
		{name: "cranked, started, stalled", w: stall, recall: 0.9, rms: 0.6},
		{name: "seven revolutions", w: short, recall: 0.8},
		{name: "no scatter at all", w: still, recall: 0.99},
		{name: "second spark in every firing", w: every, recall: 0.99, then: func(t *testing.T, o outcome) {
			if c := o.res.Counts; c.RepeatedSparks < c.OK-2 || o.res.Setup.SparksPerRev != (SparksPerRev{1, 1}) {
				t.Errorf("%+v, %v sparks per revolution", c, o.res.Setup.SparksPerRev)
			}
		}},
		{name: "given every revolution, fires in every second", w: func() world { w := base(); w.everySecond = true; return w }(), s: Setup{SparksPerRev: SparksPerRev{1, 1}}, recall: 0.99,
			then: func(t *testing.T, o outcome) {
				if c := o.res.Counts; c.MissedSparks < c.OK-3 {
					t.Errorf("every other firing is missing as the setup has it: %+v", c)
				}
			}},
		{name: "wasted spark", w: base(), s: Setup{SparksPerRev: SparksPerRev{1, 2}}, recall: 0.99, then: func(t *testing.T, o outcome) {
			if !hasFinding(o.res, "wasted-spark") || o.res.Counts.MissedSparks > 0 {
				t.Errorf("%+v", o.res.Counts)
			}
		}},
		{name: "ignition switched on late and off early", w: func() world { w := base(); w.from, w.to = 2, 9; return w }(), recall: 0.99, then: func(t *testing.T, o outcome) {
			if n := o.res.Counts.MissedSparks; n != 2*endSlots {
				t.Errorf("%d missed", n)
			}
		}},
		{name: "two magnets, not told", w: func() world { w := base(); w.teeth = []float64{0, 0.35}; return w }(), recall: 0, rms: 200, then: func(t *testing.T, o outcome) {
			if !hasFinding(o.res, "surplus-references") {
				t.Error("no warning")
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := c.w.build()
			if c.edit != nil {
				c.edit(&m, c.w)
			}
			o := hold(t, c.w, m, c.s)
			rms := c.rms
			if rms == 0 {
				rms = maxRMS
			}
			if c.name != "two magnets, not told" && o.wrong != 0 {
				t.Errorf("%d wrong rows", o.wrong)
			}
			if o.recall < c.recall || o.rms > rms {
				t.Errorf("recall %.3f (want %.3f), rms %.3f (want %.3f), %+v", o.recall, c.recall, o.rms, rms, o.res.Counts)
			}
			if c.then != nil {
				c.then(t, o)
			}
			t.Logf("recall %.3f rms %.4f mean %.4f %+v", o.recall, o.rms, o.mean, o.res.Counts)
		})
	}
}

// TestSpeedWithinTheRevolution: a speed that varies within the turn shifts the
// angle, by no more than the budget's amplitude, and nothing is mispaired.
func TestSpeedWithinTheRevolution(t *testing.T) {
	const delta, rev = 0.08, 60.0 / 2500
	for _, refAngle := range []float64{25, 60, -160} {
		for th0 := 0.0; th0 < 6.2; th0 += 0.5 {
			// Kepler-like: time of crank angle θ by integrating dθ/ω to first
			// order: t = (θ - (δ/2) sin(θ - θ0))·rev/2π, a steady engine.
			at := func(phi float64) float64 {
				return (phi - delta/2/(2*math.Pi)*math.Sin(2*math.Pi*phi-th0)) * rev
			}
			sp := dsp.Train{Channel: 1, Rate: testRate, Shapes: []dsp.Shape{{Kind: dsp.Burst, Polarity: 1, Amp: 0.5}}}
			rf := dsp.Train{Channel: 2, Rate: testRate, Shapes: []dsp.Shape{{Kind: dsp.Lobes, Polarity: 1, Amp: 0.5}}}
			for k := 1; k < 60; k++ {
				rf.Pulses = append(rf.Pulses, dsp.Pulse{Pos: at(float64(k)) * testRate, Sigma: 0.01, Amp: 0.5})
				sp.Pulses = append(sp.Pulses, dsp.Pulse{Pos: at(float64(k)+(refAngle-20)/360) * testRate, Sigma: 0.01, Amp: 0.5})
			}
			res, err := Measure(Recording{}, []dsp.Train{sp, rf}, Setup{ReferenceAngle: deg(refAngle), SpeedFluctuation: ptr(delta), SparkChannel: 1, ReferenceChannel: 2})
			if err != nil {
				t.Fatal(err)
			}
			amplitude := delta * math.Abs(math.Sin((refAngle-20)*math.Pi/360)) * 180 / math.Pi
			if e := math.Abs(float64(res.Advance.Mean) - 20); e > 1.03*amplitude+0.01 || res.Counts.OK < 57 {
				t.Errorf("reference %g°, θ0 %.1f: off by %.3f°, amplitude %.3f°, %+v", refAngle, th0, e, amplitude, res.Counts)
			}
			for _, c := range res.Uncertainty {
				if c.Source == "speed variation within the revolution" {
					near(t, "budget line", float64(c.Std)*math.Sqrt2, amplitude, 0.05*amplitude+0.05)
				}
			}
		}
	}
}
