package analysis

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"sparkscope/analysis/circle"
)

// golden is testdata/outside/golden.json, which make.py beside it computes
// with scipy, and says from which formulas.
type golden struct {
	Normal struct {
		Cases []struct {
			Name         string
			Y, U         float64
			Lower, Upper *float64
			Printed      *float64
			Want         float64
		}
	}
	Student struct {
		Cases []struct {
			Dof, Y, U    float64
			Lower, Upper *float64
			Want         float64
		}
		Widened []struct{ Dof, Below, Above, At975, For95 float64 }
	}
	Guard struct {
		Cases []struct{ Width, R, Want float64 }
		P, W  []float64
	}
	Mixed struct {
		Cases []struct{ U, Half, Sine, Y, Tol, Want float64 }
	}
	Circular struct {
		Cases []struct {
			X            []float64
			Printed      []float64
			Mean, Length float64
		}
	}
}

func readGolden(t *testing.T) (g golden) {
	t.Helper()
	b, err := os.ReadFile("testdata/outside/golden.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &g); err != nil {
		t.Fatal(err)
	}
	if len(g.Normal.Cases) < 9 || len(g.Student.Cases) < 30 || len(g.Student.Widened) < 5 || len(g.Guard.Cases) < 15 || len(g.Mixed.Cases) < 30 || len(g.Circular.Cases) < 2 {
		t.Fatal("golden.json lacks a part")
	}
	return g
}

// conforms is the instrument's probability that y, with a budget, truly lies
// within the limits; a limit that is none is put where nothing reaches.
func conforms(b *Budget, y float64, lower, upper *float64) float64 {
	far := 100*float64(b.Combined) + math.Abs(y)
	lo, hi := y-far, y+far
	if lower != nil {
		lo = *lower
	}
	if upper != nil {
		hi = *upper
	}
	return b.conformity(y-(lo+hi)/2, (hi-lo)/2)
}

// probabilityError is what sum states of itself.
const probabilityError = 1e-3

// TestConformityScipy: conformity probabilities of JCGM 106:2012, one-sided and
// two-sided, by its formulas for a normal distribution and for Student's t, its
// guard bands, and sums of different distributions by quadrature. Three cases
// are the document's own examples, inputs and printed figures from memory.
func TestConformityScipy(t *testing.T) {
	g := readGolden(t)
	examples := 0
	for _, c := range g.Normal.Cases {
		p := conforms(newBudget([]Component{part(Normal, c.U)}), c.Y, c.Lower, c.Upper)
		near(t, c.Name, p, c.Want, probabilityError)
		if c.Printed != nil {
			examples++
			near(t, c.Name+", as printed", p, *c.Printed, 0.005) // two figures
		}
	}
	if examples != 3 {
		t.Errorf("%d of the document's examples, want 3", examples)
	}

	for _, c := range g.Student.Cases {
		few := part(Normal, c.U)
		few.Dof = c.Dof
		p := conforms(newBudget([]Component{few}), c.Y, c.Lower, c.Upper)
		for _, w := range g.Student.Widened {
			if w.Dof != c.Dof {
				continue
			}
			sides := 1.0
			if c.Lower != nil && c.Upper != nil {
				sides = 2
			}
			if p < c.Want-sides*w.Below-probabilityError || p > c.Want+sides*w.Above+probabilityError {
				t.Errorf("%g degrees of freedom, %g inside: %.4f: want %.4f, or up to %.4f less", c.Dof, -c.Y, p, c.Want, sides*w.Below)
			}
		}
	}
	for _, w := range g.Student.Widened {
		few := part(Normal, 1)
		few.Dof = w.Dof
		b := newBudget([]Component{few})
		limit := 0.0
		near(t, "97.5 % of t", conforms(b, -w.At975, nil, &limit), 0.975, probabilityError)
		// Where t has 95 %: what the comment on sum says.
		for dof, want := range map[float64]float64{2: 0.908, 5: 0.938, 10: 0.945} {
			if w.Dof == dof {
				near(t, "95 % of t, as stated at sum", w.For95, want, 0.0005)
			}
		}
	}

	// Guard bands: acceptance limit A = T - w, w = r·U, U = 2·u.
	one := newBudget([]Component{part(Normal, 1)})
	for _, c := range g.Guard.Cases {
		half := c.Width / 2
		near(t, "on the acceptance limit", one.conformity(half-c.R*2, half), c.Want, probabilityError)
	}
	for i, p := range g.Guard.P {
		near(t, "guard band for a probability", one.conformity(50-g.Guard.W[i], 50), p, probabilityError)
	}
	// The rule of the instrument is a guard band of w = 1.645·u, r = 0.82: inside
	// it a mean is within, outside it is not. The error of a probability shifts
	// that by less than a hundredth of u: 1e-3/0.103, the density there.
	const shifts = 0.01
	w := g.Guard.W[2]
	for _, c := range []struct {
		dev  float64
		want string
	}{{50 - w - shifts, Within}, {50 - w + shifts, Undecided}, {50 + w - shifts, Undecided}, {50 + w + shifts, Outside}} {
		if got := decide(one.conformity(c.dev, 50)); got != c.want {
			t.Errorf("%g from the target with ±50 allowed: %s, want %s", c.dev, got, c.want)
		}
	}

	for _, c := range g.Mixed.Cases {
		b := newBudget([]Component{part(Normal, c.U), part(Rectangular, c.Half/math.Sqrt(3)), part(Arcsine, c.Sine/math.Sqrt2)})
		if p := b.conformity(c.Y, c.Tol); !(math.Abs(p-c.Want) <= probabilityError) {
			t.Errorf("normal %g, rectangular ±%g, sine %g, measured at %g of ±%g: %.5f, want %.5f", c.U, c.Half, c.Sine, c.Y, c.Tol, p, c.Want)
		}
	}
}

// TestCircularMeanScipy: mean direction and resultant length, of a textbook's
// example and about the wrap.
func TestCircularMeanScipy(t *testing.T) {
	for _, c := range readGolden(t).Circular.Cases {
		m, r := circle.Mean(c.X)
		near(t, "mean direction", circle.Wrap(m), c.Mean, 1e-9)
		near(t, "resultant length", r, c.Length, 1e-12)
		if c.Printed != nil {
			near(t, "mean direction, as printed", circle.Wrap(m), c.Printed[0], 0.5)
			near(t, "resultant length, as printed", r, c.Printed[1], 0.0005)
		}
	}
}

// TestMeanVarNIST: NIST StRD, univariate, NumAcc3 and NumAcc4 (rule of the data
// and certified values from memory; both values follow from the rule exactly):
// 1001 numbers, the first a, then a-0.1 and a+0.1 in turn. Mean a, standard
// deviation 0.1.
func TestMeanVarNIST(t *testing.T) {
	for _, a := range []float64{1000000.2, 10000000.2} {
		x := []float64{a}
		for i := range 1000 {
			x = append(x, a-0.1+0.2*float64(i%2))
		}
		// The numbers themselves are rounded by up to half of 2e-9, a part of 1e-8
		// of their spread each, the same way in all.
		const rounded = 1e-8
		mean, ss := meanVar(x)
		near(t, "mean", mean, a, rounded)
		near(t, "standard deviation", math.Sqrt(ss/1000), 0.1, rounded)
	}
}
