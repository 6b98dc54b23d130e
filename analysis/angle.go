package analysis

import "math"

// fold brings a by whole multiples of step as near to centre as it gets:
// the result lies in (centre-step/2, centre+step/2].
func fold(a, centre, step float64) float64 {
	return a - step*math.Ceil((a-centre)/step-0.5)
}

// fraction is x less its floor: in [0, 1).
func fraction(x float64) float64 {
	f := x - math.Floor(x)
	if f >= 1 { // x a hair below a whole number
		return 0
	}
	return f
}
