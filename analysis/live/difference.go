package live

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
)

// Difference is by how much the mean of b is more than that of a, and how well
// that is known, 95 %, from the scatter of the sparks alone: what both readings
// share (reference angle, delays at one speed) is not in the difference of two.
// The ± is Welch's (B. L. Welch, Biometrika 34 (1947) 28), and ok is false where
// either reading has fewer than two sparks or the readings are of different kinds.
func Difference(a, b Reading) (d, expanded analysis.Degrees, ok bool) {
	if !a.HasAngle || !b.HasAngle || a.N < 2 || b.N < 2 || a.Relative != b.Relative {
		return 0, 0, false
	}
	d = analysis.Degrees(circle.Wrap(float64(b.Advance - a.Advance)))
	na, nb := float64(a.N), float64(b.N)
	va, vb := float64(a.Scatter*a.Scatter)/na, float64(b.Scatter*b.Scatter)/nb
	v := va + vb
	if v == 0 {
		return d, 0, true
	}
	dof := v * v / (va*va/(na-1) + vb*vb/(nb-1))
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(0.975)
	return d, analysis.Degrees(t * math.Sqrt(v)), true
}
