package analysis

import "math"

// wrap brings an angle in degrees into (-180, 180].
func wrap(a float64) float64 {
	a = math.Mod(a, 360)
	if a > 180 {
		a -= 360
	} else if a <= -180 {
		a += 360
	}
	return a
}

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

// circularMean returns the direction of the mean resultant vector of angles in
// degrees, in (-180, 180], and the mean resultant length, 0 to 1. The circular
// variance is 1 - length, the circular standard deviation sqrt(-2·ln length)
// radians (Mardia and Jupp, Directional Statistics, 2000, 2.3). Of an empty
// slice or with length 0 the direction is 0.
func circularMean(deg []float64) (mean, length float64) {
	if len(deg) == 0 {
		return 0, 0
	}
	var s, c float64
	for _, a := range deg {
		si, co := math.Sincos(a * math.Pi / 180)
		s += si
		c += co
	}
	n := float64(len(deg))
	length = math.Hypot(s, c) / n
	if length < 1e-12 {
		return 0, 0
	}
	return wrap(math.Atan2(s, c) * 180 / math.Pi), math.Min(length, 1)
}
