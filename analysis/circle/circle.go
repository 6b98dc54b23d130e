// Package circle wraps angles and finds their mean.
package circle

import "math"

// Wrap brings an angle in degrees into (-180, 180].
func Wrap(a float64) float64 {
	a = math.Mod(a, 360)
	if a > 180 {
		a -= 360
	} else if a <= -180 {
		a += 360
	}
	return a
}

// Mean returns the direction of the mean resultant vector of angles in
// degrees, in (-180, 180], and the mean resultant length, 0 to 1. The circular
// variance is 1 - length, the circular standard deviation sqrt(-2·ln length)
// radians (Mardia and Jupp, Directional Statistics, 2000, 2.3). Of an empty
// slice or with length 0 the direction is 0.
func Mean(deg []float64) (mean, length float64) {
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
	return Wrap(math.Atan2(s, c) * 180 / math.Pi), math.Min(length, 1)
}
