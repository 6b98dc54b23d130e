package live_test

import (
	"math"
	"testing"

	"sparkscope/analysis/live"
)

// TestDifference holds the ± to Welch's formula worked by hand: two means of 20
// sparks, scatters 0.5 and 0.3. The variances of the means are 0.0125 and 0.0045,
// their sum 0.017 (root 0.13038), the degrees of freedom 0.017²/(0.0125²/19 +
// 0.0045²/19) = 31.11, Student's factor for 95 % of those 2.0392 (between 2.0395
// of 31 and 2.0369 of 32, ISO 2602 tables), and the ± 0.2659.
func TestDifference(t *testing.T) {
	const near = 2e-4 // the last digit of the table
	a := live.Reading{HasAngle: true, N: 20, Advance: 16, Scatter: 0.5}
	b := live.Reading{HasAngle: true, N: 20, Advance: 18.5, Scatter: 0.3}
	d, u, ok := live.Difference(a, b)
	if !ok || math.Abs(float64(d)-2.5) > 1e-12 || math.Abs(float64(u)-0.2659) > near {
		t.Errorf("%v ± %v, %v", d, u, ok)
	}
	a.Advance, b.Advance = 179, -179
	if d, _, _ := live.Difference(a, b); math.Abs(float64(d)-2) > 1e-12 {
		t.Errorf("across 180°: %v", d)
	}
	b.Relative = true
	if _, _, ok := live.Difference(a, b); ok {
		t.Error("an angle from top dead centre is set against one that is relative")
	}
	if _, _, ok := live.Difference(a, live.Reading{}); ok {
		t.Error("a difference from nothing")
	}
}
