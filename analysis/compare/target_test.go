package compare

import (
	"errors"
	"math"
	"testing"

	"sparkscope/analysis"
)

// TestOffTarget: each side against a target by table, with all of its own
// uncertainty, of which nothing cancels though both share it.
func TestOffTarget(t *testing.T) {
	goal := &analysis.Setup{TargetTable: []analysis.TargetRow{{RPM: 1000, Angle: 16}, {RPM: 3000, Angle: 20}}, Tolerance: deg(1)}
	rpm := []float64{1000, 2000, 3000}
	a := side("a", rpm, []float64{16.1, 18.1, 20.1}, angleOnly)
	b := side("b", rpm, []float64{14, 16, 18}, angleOnly)
	c, err := Compare(a, b, Options{Goal: goal})
	if err != nil {
		t.Fatal(err)
	}
	// 0.3° of the angle and 0.02° of noise, both normal: 1.96 times their root
	// sum of squares (50 degrees of freedom count for nearly nothing).
	want := 1.96 * math.Hypot(0.3, 0.02)
	const slack = 0.01 // degrees; Student's factor instead of the normal one
	for i, r := range append(c.Rows, c.Mean) {
		for _, x := range []struct {
			name     string
			off      *Off
			dev      float64
			decision string
		}{{"a", r.FirstOff, 0.1, analysis.Within}, {"b", r.SecondOff, -2, analysis.Outside}} {
			if x.off == nil {
				t.Fatalf("row %d, %s: not held against the target", i, x.name)
			}
			if got := float64(x.off.Deviation); math.Abs(got-x.dev) > 1e-9 {
				t.Errorf("row %d, %s: %g off, want %g", i, x.name, got, x.dev)
			}
			if got := float64(x.off.Expanded); math.Abs(got-want) > slack {
				t.Errorf("row %d, %s: ±%g, want ±%g", i, x.name, got, want)
			}
			if x.off.Decision != x.decision {
				t.Errorf("row %d, %s: %s, want %s", i, x.name, x.off.Decision, x.decision)
			}
		}
	}
	if got := c.Rows[1].FirstOff.Target; got != 18 {
		t.Errorf("target at 2000 rpm: %g, want 18", float64(got))
	}
}

// TestDoubtIsNoVerdict: a finding that leaves no verdict standing does so here.
func TestDoubtIsNoVerdict(t *testing.T) {
	rpm := []float64{1000}
	a, b := side("a", rpm, []float64{18}, angleOnly), side("b", rpm, []float64{18}, angleOnly)
	a.Doubt = "roles-unsure"
	c, err := Compare(a, b, Options{Goal: &analysis.Setup{Target: deg(18), Tolerance: deg(2)}})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := c.Rows[0].FirstOff.Decision, analysis.Undecided; got != want {
		t.Errorf("with a doubt: %s, want %s", got, want)
	}
	if got, want := c.Rows[0].SecondOff.Decision, analysis.Within; got != want {
		t.Errorf("without: %s, want %s", got, want)
	}
}

// TestTargetNeedsTopDeadCentre: what counts from its reference is not held
// against an angle from top dead centre.
func TestTargetNeedsTopDeadCentre(t *testing.T) {
	rpm := []float64{1000}
	a, b := side("a", rpm, []float64{18}, angleOnly), side("b", rpm, []float64{18}, angleOnly)
	a.Relative, b.Relative = true, true
	if _, err := Compare(a, b, Options{Goal: &analysis.Setup{Target: deg(18)}}); !errors.Is(err, ErrNoTopDeadCentre) {
		t.Errorf("error %v, want ErrNoTopDeadCentre", err)
	}
	c, err := Compare(a, b, Options{Goal: &analysis.Setup{}})
	if err != nil || c.Rows[0].FirstOff != nil || c.Mean.FirstOff != nil {
		t.Errorf("without a target: %v, off %v", err, c.Rows[0].FirstOff)
	}
}
