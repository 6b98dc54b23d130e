package analysis

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"sparkscope/dsp"
)

func decision(t *testing.T, r *Result, what string) Decision {
	t.Helper()
	for _, d := range r.Decisions {
		if d.What == what {
			return d
		}
	}
	t.Fatalf("no decision on %s", what)
	return Decision{}
}

// TestOneOrSeveral: an engine of one cylinder and one magnet, of which three pulses per
// revolution are said, looks like one of three cylinders with a magnet each: the reader is told,
// unless the number of sparks was given, too, or the magnets are not each followed by a spark.
func TestOneOrSeveral(t *testing.T) {
	one := world{prof: steady(3000, 4), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 43}
	quarters, apart := one, one
	quarters.teeth = []float64{0, 0.25, 0.5, 0.75}
	apart.teeth, apart.offsets = []float64{0, 0.25}, []float64{90}
	for _, c := range []struct {
		name string
		w    world
		s    Setup
		want bool
	}{
		{"one pulse, three said", one, Setup{ReferencePulses: 3}, true},
		{"one pulse, three said, and three sparks", one, Setup{ReferencePulses: 3, SparksPerRev: SparksPerRev{3, 1}}, false},
		{"one pulse, three said, and three cylinders", one, Setup{ReferencePulses: 3, FiringOffsets: []float64{0, 120, 240}}, false},
		{"two cylinders, told apart by their magnets", apart, Setup{ReferencePulses: 2}, false},
		{"one pulse, one said", one, Setup{ReferencePulses: 1}, false},
		{"four magnets and one spark", quarters, Setup{ReferencePulses: 4}, false},
	} {
		c.s.ReferenceAngle = deg(30)
		res, err := Measure(record(c.w), c.w.build().trains, c.s)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		k := slices.IndexFunc(res.Findings, func(f Finding) bool { return f.Code == "one-or-several" })
		if got := k >= 0; got != c.want || got && !res.Findings[k].Beside {
			t.Errorf("%s: told %v, want %v, beside the answer", c.name, got, c.want)
		}
	}
}

// TestStatedSparks: the number of sparks per revolution that the user states
// is obeyed where the recording holds as many, however often they fail; where
// it holds fewer, what it holds is measured, and the reader is told.
func TestStatedSparks(t *testing.T) {
	one := world{prof: steady(3000, 4), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, seed: 41, phase0: -0.3}
	with := func(f func(*world)) world { w := one; f(&w); return w }
	weak := func(share float64) func(m *made) { // of the second cylinder's sparks are there
		return func(m *made) {
			rng := rand.New(rand.NewPCG(6, 6))
			m.edit(m.sparkCh, func(tr *dsp.Train) {
				kept := tr.Pulses[:0]
				for i, p := range tr.Pulses {
					if i%2 == 1 || rng.Float64() < share {
						kept = append(kept, p)
					}
				}
				tr.Pulses = kept
			})
		}
	}
	twin := with(func(w *world) { w.offsets = []float64{180} })
	for _, c := range []struct {
		name      string
		w         world
		edit      func(*made)
		said, is  SparksPerRev
		few       bool
		mostMiss  float64 // share of the rows counted
		leastMiss float64
	}{
		{name: "two said, one there", w: one, said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "twelve said, one there", w: one, said: SparksPerRev{12, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "two said, one there with a wide advance curve", w: with(func(w *world) { w.prof, w.advance = pull(), curve }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "two said, one there and stray pulses", w: with(func(w *world) { w.strays = 12 }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true, mostMiss: 0.02},
		{name: "two said, one there and second sparks", w: with(func(w *world) { w.repeat = 1 }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "two said, every second revolution", w: with(func(w *world) { w.everySecond = true }), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 2}, few: true},
		{name: "three said, two there", w: twin, said: SparksPerRev{3, 1}, is: SparksPerRev{2, 1}, few: true},
		{name: "two said, two there", w: twin, said: SparksPerRev{2, 1}, is: SparksPerRev{2, 1}},
		{name: "two said, one cylinder fires in every third revolution", w: twin, edit: weak(0.33), said: SparksPerRev{2, 1}, is: SparksPerRev{2, 1}, leastMiss: 0.4, mostMiss: 0.6},
		{name: "two said, one cylinder hardly fires", w: twin, edit: weak(0.03), said: SparksPerRev{2, 1}, is: SparksPerRev{1, 1}, few: true},
		{name: "six said, six there", w: with(func(w *world) { w.offsets = []float64{60, 120, 180, 240, 300} }), said: SparksPerRev{6, 1}, is: SparksPerRev{6, 1}},
		{name: "one said, one there", w: one, said: SparksPerRev{1, 1}, is: SparksPerRev{1, 1}},
	} {
		m := c.w.build()
		if c.edit != nil {
			c.edit(&m)
		}
		res, err := Measure(record(c.w), m.trains, Setup{ReferenceAngle: deg(62), SparksPerRev: c.said})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if res.Setup.SparksPerRev != c.is {
			t.Errorf("%s: %v, want %v", c.name, res.Setup.SparksPerRev, c.is)
		}
		if d := decision(t, res, "sparks per revolution"); d.Given == c.few || hasFinding(res, "sparks-per-rev") != c.few {
			t.Errorf("%s: decision %+v, warned %v, want warned %v and given only without", c.name, d, hasFinding(res, "sparks-per-rev"), c.few)
		}
		if x := float64(res.Counts.MissedSparks) / float64(res.Counts.OK); x < c.leastMiss || x > c.mostMiss {
			t.Errorf("%s: %+v, want %g to %g of the counted missed", c.name, res.Counts, c.leastMiss, c.mostMiss)
		}
		if c.w.advance == nil {
			near(t, c.name, float64(res.Advance.Mean), 20, 0.2)
		}
	}
}

// TestSpeedWithinTheRevolutionOfTwins: the error of the mean over cylinders
// stays within the budget's amplitude for every place of the fastest point, and
// reaches it for one; so does each cylinder's own.
func TestSpeedWithinTheRevolutionOfTwins(t *testing.T) {
	const delta, rev, advance, steps = 0.04, 60.0 / 2500, 20.0, 24
	for _, c := range []struct {
		name     string
		refAngle float64
		offsets  []float64 // of the cylinders, degrees of rotation
		far      bool
	}{
		{"half a turn apart", 32, []float64{0, 180}, true},
		{"half a turn apart, reference between", 110, []float64{0, 180}, true},
		{"a quarter apart", 32, []float64{0, 90}, true},
		{"three evenly", 25, []float64{0, 120, 240}, true},
		{"an eighth apart", 22, []float64{0, 45}, true},
		{"one", 32, []float64{0}, false},
	} {
		most, budget, far := 0.0, 0.0, 0
		own, ownBudget := make([]float64, len(c.offsets)), make([]float64, len(c.offsets)) // the same of each cylinder
		for step := range steps {
			th0 := 2 * math.Pi * float64(step) / steps
			at := func(phi float64) float64 { // t = ∫dθ/ω to first order in δ
				return (phi - delta/2/(2*math.Pi)*math.Sin(2*math.Pi*phi-th0)) * rev
			}
			sp := dsp.Train{Channel: 1, Rate: testRate, Shapes: []dsp.Shape{{Kind: dsp.Burst, Polarity: 1, Amp: 0.5}}}
			rf := dsp.Train{Channel: 2, Rate: testRate, Shapes: []dsp.Shape{{Kind: dsp.Lobes, Polarity: 1, Amp: 0.5}}}
			for k := 1; k < 60; k++ {
				rf.Pulses = append(rf.Pulses, dsp.Pulse{Pos: at(float64(k)) * testRate, Sigma: 0.01, Amp: 0.5})
				for _, o := range c.offsets {
					sp.Pulses = append(sp.Pulses, dsp.Pulse{Pos: at(float64(k)+(c.refAngle-advance+o)/360) * testRate, Sigma: 0.01, Amp: 0.5})
				}
			}
			slices.SortFunc(sp.Pulses, func(a, b dsp.Pulse) int { return cmp.Compare(a.Pos, b.Pos) })
			res, err := Measure(Recording{}, []dsp.Train{sp, rf}, Setup{ReferenceAngle: deg(c.refAngle), SpeedFluctuation: ptr(delta),
				SparkChannel: 1, ReferenceChannel: 2, SparksPerRev: SparksPerRev{len(c.offsets), 1}, Target: deg(advance)})
			if err != nil {
				t.Fatal(err)
			}
			most = math.Max(most, math.Abs(float64(res.Advance.Mean)-advance))
			budget = math.Sqrt2 * float64(res.Uncertainty[len(res.Uncertainty)-1].Std)
			if hasFinding(res, "reference-far") {
				far++
			}
			if want := len(c.offsets); len(res.Cylinders) != want && want > 1 || len(res.Cylinders) > 0 && want == 1 {
				t.Fatalf("%s: %d cylinders by themselves", c.name, len(res.Cylinders))
			}
			for i, k := range res.Cylinders {
				own[i] = math.Max(own[i], math.Abs(float64(k.Mean)-advance))
				ownBudget[i] = math.Sqrt2 * float64(k.Budget.Components[len(k.Budget.Components)-1].Std)
			}
			// The same in every revolution: none of it is scatter.
			if res.Advance.StdDev > 0.05 || res.Advance.Robust > 0.05 {
				t.Errorf("%s, θ0 %.2f: scatter %.3f°, robust %.3f° of an engine that has none", c.name, th0, res.Advance.StdDev, res.Advance.Robust)
			}
		}
		// First order in δ, 24 steps of θ0: 3 % and a hundredth of a degree.
		near(t, c.name+": amplitude", budget, most, 0.03*most+0.01)
		for i := range own {
			if len(own) > 1 {
				near(t, fmt.Sprintf("%s: amplitude of cylinder %d", c.name, i+1), ownBudget[i], own[i], 0.03*own[i]+0.01)
			}
		}
		if want := map[bool]int{true: steps}[c.far]; far != want {
			t.Errorf("%s: %d of %d recordings warned that the reference is far, want %d", c.name, far, steps, want)
		}
	}
}

// TestCylinderDifference: what lies between the cylinders is no scatter, and
// is told with its figure.
func TestCylinderDifference(t *testing.T) {
	const scatter, apart = 0.4, 3.0
	for _, c := range []struct {
		name    string
		prof    *profile
		offsets []float64
		want    bool
	}{
		{"steady, alike", steady(3000, 4), []float64{180}, false},
		{"steady, three degrees apart", steady(3000, 4), []float64{180 - apart}, true},
		{"pull, three degrees apart", pull(), []float64{180 - apart}, true},
		{"three cylinders, one three degrees early", steady(3000, 4), []float64{120, 240 - apart}, true},
	} {
		w := world{prof: c.prof, refAngle: 62, refKind: dsp.Contact, scatter: scatter, offsets: c.offsets, seed: 43, phase0: -0.3}
		res, err := Measure(record(w), w.build().trains, Setup{ReferenceAngle: deg(62)})
		if err != nil {
			t.Fatal(err)
		}
		n := float64(len(c.offsets) + 1)
		tol := 4 * scatter / math.Sqrt(2*float64(res.Advance.N)) // four standard errors of a standard deviation
		near(t, c.name+": scatter", float64(res.Advance.StdDev), scatter, tol)
		near(t, c.name+": robust scatter", float64(res.Advance.Robust), scatter, 2*tol) // efficiency 0.37
		for _, b := range res.Bins {
			if b.N >= 20 {
				near(t, c.name+": scatter of a bin", float64(b.StdDev), scatter, 4*scatter/math.Sqrt(2*float64(b.N)))
			}
		}
		early := 0.0
		if c.want {
			early = apart / n
		}
		near(t, c.name+": mean", float64(res.Advance.Mean), 20+early, 0.1)
		i := slices.IndexFunc(res.Findings, func(f Finding) bool { return f.Code == "cylinder-difference" })
		if (i >= 0) != c.want {
			t.Errorf("%s: difference told: %v, want %v", c.name, i >= 0, c.want)
		}
		if i >= 0 && (res.Findings[i].Severity != Note || !strings.Contains(res.Findings[i].Message, "fires 3.0° earlier") && !strings.Contains(res.Findings[i].Message, "fires 2.9° earlier") && !strings.Contains(res.Findings[i].Message, "fires 3.1° earlier")) {
			t.Errorf("%s: %+v", c.name, res.Findings[i])
		}
		if res.Trend != nil {
			near(t, c.name+": scatter about the trend", float64(res.Trend.ResidualStd), scatter, 0.1)
			if !res.Trend.Straight {
				t.Errorf("%s: trend of a fixed timing not straight", c.name)
			}
		}
	}
}
