package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func part(distribution string, std float64) Component {
	return Component{Source: distribution, Std: Degrees(std), Distribution: distribution}
}

// TestSum holds the distribution of a sum against what is known of it in
// closed form, and against drawn sums.
func TestSum(t *testing.T) {
	const tol = 1e-3 // stated at sum
	// One alone. Rectangular: 95 % within 0.95·a. Arcsine: P(|a·cos φ| <= x) =
	// (2/π)·asin(x/a). Normal: tables.
	near(t, "rectangular", newSum([]Component{part(Rectangular, 1)}).half(0.95), 0.95*math.Sqrt(3), 0.01)
	near(t, "arcsine", newSum([]Component{part(Arcsine, 1)}).half(0.95), math.Sqrt2*math.Sin(0.95*math.Pi/2), 0.01)
	near(t, "normal", newSum([]Component{part(Normal, 1)}).half(0.95), 1.959964, tol)
	// Two equal rectangular ones: a triangle from -2a to 2a; 95 % within
	// 2a·(1 - sqrt(0.05)) (JCGM 100:2008, 4.3.9, for the distribution).
	near(t, "triangle", newSum([]Component{part(Rectangular, 1), part(Rectangular, 1)}).half(0.95), 2*math.Sqrt(3)*(1-math.Sqrt(0.05)), 0.002)
	// A normal one of few degrees of freedom, alone: Student's t.
	few := part(Normal, 1)
	few.Dof = 5
	near(t, "t, 5 degrees of freedom", newSum([]Component{few}).half(0.95), 2.5706, 0.001)

	rng := rand.New(rand.NewPCG(41, 7))
	for _, c := range [][]Component{
		{part(Rectangular, 1), part(Normal, 0.2)},
		{part(Rectangular, 1), part(Arcsine, 1), part(Normal, 0.5)},
		{part(Arcsine, 2), part(Rectangular, 0.5), part(Rectangular, 0.3)},
		{part(Normal, 1), part(Normal, 2), part(Arcsine, 0.1)},
	} {
		const draws = 200000
		x := make([]float64, draws)
		for i := range x {
			for _, p := range c {
				std := float64(p.Std)
				switch p.Distribution {
				case Rectangular:
					x[i] += std * math.Sqrt(3) * (2*rng.Float64() - 1)
				case Arcsine:
					x[i] += std * math.Sqrt2 * math.Cos(2*math.Pi*rng.Float64())
				default:
					x[i] += std * rng.NormFloat64()
				}
			}
		}
		slices.Sort(x)
		s := newSum(c)
		for _, q := range []float64{0.01, 0.05, 0.3, 0.5, 0.8, 0.975} {
			at := x[int(q*draws)]
			// Four standard errors of the drawn share, and the stated error.
			near(t, "share below", s.below(at), q, tol+4*math.Sqrt(q*(1-q)/draws))
		}
	}
}

// TestExpandedWithinBounds: a single rectangular quantity of ±1° cannot be
// off by more, and 99 % of it lie within 0.99° (JCGM 100:2008, G.6.5); three
// of a size are near enough to normal for k = 1.96.
func TestExpandedWithinBounds(t *testing.T) {
	one := newBudget([]Component{part(Rectangular, 1/math.Sqrt(3))})
	near(t, "one", float64(one.Expanded), 0.99, 0.01)
	three := newBudget([]Component{part(Rectangular, 1), part(Rectangular, 1), part(Rectangular, 1)})
	near(t, "three", three.Factor, 1.96, 0.001)
	sine := newBudget([]Component{part(Arcsine, 1/math.Sqrt2)})
	near(t, "sine", float64(sine.Expanded), 1, 0.01)
	if z := newBudget([]Component{part(Normal, 0)}); z.Expanded != 0 || z.Factor != 0 || z.Largest != -1 {
		t.Errorf("nothing uncertain: %+v", z)
	}
}

// TestEndGauge: the budget of JCGM 100:2008, H.1: standard uncertainties 25,
// 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom; printed
// there u = 32 nm, 16 degrees of freedom, t99(16) = 2.92, U99 = 93 nm. For
// 95 %, t95(16) = 2.12 (table G.2), so U95 = 68 nm with the rounded u, 66.9 nm
// with the one unrounded, 31.7 nm.
func TestEndGauge(t *testing.T) {
	b := newBudget([]Component{{Std: 25, Dof: 18}, {Std: 9.7, Dof: 25.6}, {Std: 2.9, Dof: 50}, {Std: 16.6, Dof: 2}})
	near(t, "combined", float64(b.Combined), 32, 0.5)
	near(t, "degrees of freedom", b.Dof, 16, 0.9)
	near(t, "t99", distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 16}.Quantile(0.995), 2.92, 0.005)
	near(t, "factor", b.Factor, 2.12, 0.01) // 16.7 degrees of freedom are kept where the text takes 16
	near(t, "expanded", float64(b.Expanded), 66.9, 0.1)
	sum := 0.0
	for _, c := range b.Components {
		sum += c.Share
	}
	near(t, "shares", sum, 1, 1e-12)
	if c, ok := b.Main(); !ok || c.Std != 25 {
		t.Errorf("largest %v", c)
	}
}

// TestWithinTolerance: JCGM 106:2012, table 1, how many standard uncertainties
// inside a one-sided limit give a conformity probability (from memory,
// recomputed here from the normal distribution): 0.80 at 0.84, 0.90 at 1.28,
// 0.95 at 1.64, 0.99 at 2.33. And its example of a breakdown voltage measured
// 1.4 standard uncertainties inside the limit (-5.47 V with u = 0.05 V,
// against at most -5.40 V), 0.92 (from memory, recomputed).
func TestWithinTolerance(t *testing.T) {
	one := newBudget([]Component{part(Normal, 1)})
	const far = 8 // the other limit is out of reach
	for _, c := range []struct{ z, p float64 }{{0.84, 0.80}, {1.28, 0.90}, {1.64, 0.95}, {2.33, 0.99}, {1.4, 0.92}} {
		near(t, "inside", one.conformity(far/2-c.z, far/2), c.p, 0.005)
		near(t, "outside", one.conformity(far/2+c.z, far/2), 1-c.p, 0.005)
	}
	// ILAC-G8:09/2019, 4.2.3: a guard band of U accepts falsely at most 2.5 %.
	near(t, "guard band of U", 1-one.conformity(far/2-float64(one.Expanded), far/2), 0.025, 1e-3)
	// Its four zones against these decisions, the measured value at dev, the
	// limit at 5, U = 1.96: a pass is within; a fail is outside; both
	// conditional ones are undecided, except nearest to U, where 95 % are
	// reached at 1.64 already.
	for _, c := range []struct {
		dev  float64
		want string
	}{{3.0, Within}, {3.3, Within}, {3.4, Undecided}, {4.9, Undecided}, {5.1, Undecided}, {6.6, Undecided}, {6.7, Outside}, {7.0, Outside}} {
		if got := decide(one.conformity(c.dev, 5)); got != c.want {
			t.Errorf("%g from the target: %s, want %s", c.dev, got, c.want)
		}
	}
	// A rectangular ±1 measured 0.9 inside the limit: 95 % of it conform, where
	// a normal one of the same u would say 94.1 %.
	near(t, "rectangular", newBudget([]Component{part(Rectangular, 1/math.Sqrt(3))}).conformity(4.1, 5), 0.95, 0.002)
	near(t, "normal", newBudget([]Component{part(Normal, 1/math.Sqrt(3))}).conformity(4.1, 5), 0.9405, 0.002)
}

// TestSettle: what a settlement asks for settles, and a little less does not.
func TestSettle(t *testing.T) {
	const little = 1.12 // two figures rounded to the safe side lose up to a tenth
	for _, c := range []struct {
		name  string
		parts []Component
		dev   float64
		alone bool
	}{
		{"inside", []Component{part(Rectangular, 0.5), part(Normal, 0.1)}, 1.7, true},
		{"outside", []Component{part(Rectangular, 0.5), part(Normal, 0.1)}, 2.3, true},
		{"below the target", []Component{part(Arcsine, 0.5), part(Rectangular, 0.1)}, -1.7, true},
		{"all must shrink", []Component{part(Rectangular, 0.5), part(Normal, 0.45)}, 1.8, false},
	} {
		for i := range c.parts {
			c.parts[i].Unit, c.parts[i].InputStd, c.parts[i].Sensitivity = "°", float64(c.parts[i].Std), 1
		}
		b := newBudget(c.parts)
		s := b.settle(c.dev, 2, 100)
		if decide(b.conformity(c.dev, 2)) != Undecided || s.Alone != c.alone {
			t.Errorf("%s: %+v", c.name, s)
			continue
		}
		near(t, c.name+": margin", float64(s.Margin), 2-math.Abs(c.dev), 1e-12)
		try := func(f float64, all bool) string {
			p := slices.Clone(c.parts)
			for i := range p {
				if all || i == b.Largest {
					p[i].Std *= Degrees(f)
				}
			}
			return decide(newBudget(p).conformity(c.dev, 2))
		}
		if s.Alone {
			f := s.To / s.From
			if a, z := try(f, false), try(f*little, false); a == Undecided || z != Undecided {
				t.Errorf("%s: the %s at %g: %s; at a little more: %s", c.name, s.Source, s.To, a, z)
			}
		}
		f := float64(s.Expanded / b.Expanded)
		if a, z := try(f, true), try(f*little, true); a == Undecided || z != Undecided {
			t.Errorf("%s: ±%g: %s; a little more: %s", c.name, float64(s.Expanded), a, z)
		}
		if w := b.advice(s, Degrees(c.dev), 2); w == "" {
			t.Errorf("%s: no advice", c.name)
		}
	}
	// Four times as many sparks halve what their timing leaves.
	b := newBudget([]Component{{Source: "timing", Kind: "A", Std: 1, Unit: "°", InputStd: 10, Distribution: Normal}})
	s := b.settle(2-0.8224, 2, 100)       // 1.6449/2
	if s.Sparks < 400 || s.Sparks > 410 { // two figures, upward
		t.Errorf("%d sparks, want 400 to 410", s.Sparks)
	}
}

// TestSettleObeyed: who does what the advice says, in the figures that it
// shows, has a decision; drawn budgets, results and tolerances.
func TestSettleObeyed(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 119))
	const per = 1e6 / 50 // degrees per second of a delay that ±50 µs make ±1°
	undecided, alone := 0, 0
	for range 400 {
		half := 1e-6 * math.Round(20+80*rng.Float64())
		c := []Component{
			{Source: "delay", Kind: "B", Unit: "s", HalfWidth: half, InputStd: half / math.Sqrt(3), Sensitivity: per, Distribution: Rectangular, Std: Degrees(half * per / math.Sqrt(3))},
			part(Normal, 0.3*rng.Float64()), part(Arcsine, 0.3*rng.Float64()),
		}
		b := newBudget(slices.Clone(c))
		tol := 0.5 + 2*rng.Float64()
		dev := tol + (2*rng.Float64()-1)*float64(b.Expanded)
		if decide(b.conformity(dev, tol)) != Undecided {
			continue
		}
		undecided++
		s := b.settle(dev, tol, 100)
		if s.Source != "delay" || !s.Alone || s.To <= 0 {
			continue
		}
		alone++
		// As it is read: the words' own figure.
		said, err := strconv.ParseFloat(strings.TrimSuffix(quantity(s.To, "s"), " µs"), 64)
		if err != nil {
			t.Fatal(err)
		}
		c[0].Std = Degrees(said * 1e-6 * per / math.Sqrt(3))
		if got := decide(newBudget(c).conformity(dev, tol)); got == Undecided {
			t.Errorf("known to ±%g µs instead of ±%g µs, %g from a target of ±%g: still undecided", said, 1e6*half, dev, tol)
		}
		if words := b.advice(s, Degrees(dev), Degrees(tol)); strings.Contains(words, "known to ±"+quantity(s.To, "s")+" instead of ±"+quantity(s.To, "s")) {
			t.Errorf("says nothing: %s", words)
		}
	}
	if undecided < 50 || alone < 30 {
		t.Errorf("only %d undecided, %d settled by the delay alone: too few to tell", undecided, alone)
	}
}

// TestConformityExact: two equal rectangular quantities of ±a make a triangle
// over ±2a (JCGM 100:2008, 4.3.9). Measured a inside the upper limit of ±5a,
// the lower out of reach, all but the tail beyond a conforms: 1 - (2a-a)²/(8a²)
// = 7/8; measured at the limit, 1/2; half of a outside, (3a/2)²/(8a²) = 9/32.
func TestConformityExact(t *testing.T) {
	const tol = 1e-3 // stated at sum
	two := newBudget([]Component{part(Rectangular, 1/math.Sqrt(3)), part(Rectangular, 1/math.Sqrt(3))})
	for _, c := range []struct{ dev, p float64 }{{4, 7. / 8}, {5, 1. / 2}, {5.5, 9. / 32}, {3, 1}, {7, 0}} {
		near(t, "triangle", two.conformity(c.dev, 5), c.p, tol)
	}
}
