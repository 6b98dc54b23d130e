package dsp

import "math"

// Band-limited interpolation by a Kaiser-windowed sinc.
//
// With interpTaps samples on each side and a Kaiser beta of 6 the ripple is
// about -63 dB from 0 to 0.48 of the sampling rate (Kaiser and Schafer 1980:
// transition = (A-8)/(2.285·2·interpTaps·2π) of the rate); what lies above is
// where converters have rolled off.
const (
	interpTaps   = 48  // samples on each side of the wanted instant
	interpPhases = 256 // tabulated kernels per sample
	interpBeta   = 6.0
)

// interpTable holds one kernel per phase: interpTable[p][j] weighs the sample
// at offset j-interpTaps+1 for an instant p/interpPhases after sample 0.
var interpTable = makeInterpTable()

func makeInterpTable() *[interpPhases + 1][2 * interpTaps]float64 {
	t := new([interpPhases + 1][2 * interpTaps]float64)
	i0 := besselI0(interpBeta)
	for p := range t {
		frac := float64(p) / interpPhases
		sum := 0.0
		for j := range t[p] {
			x := float64(j-interpTaps+1) - frac
			t[p][j] = sinc(x) * kaiserOver(x/interpTaps, interpBeta, i0)
			sum += t[p][j]
		}
		for j := range t[p] { // exact for constants
			t[p][j] /= sum
		}
	}
	return t
}

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-9 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// kaiser is the Kaiser window on u in [-1, 1], 0 outside.
func kaiser(u, beta float64) float64 {
	return kaiserOver(u, beta, besselI0(beta))
}

// kaiserOver is kaiser, given its divisor I0(beta), which is as dear as the rest.
func kaiserOver(u, beta, i0 float64) float64 {
	if u <= -1 || u >= 1 {
		return 0
	}
	return besselI0(beta*math.Sqrt(1-u*u)) / i0
}

// besselI0 is the modified Bessel function of the first kind, order 0, by its
// power series (Abramowitz and Stegun 1964, 9.6.12).
func besselI0(x float64) float64 {
	q := x * x / 4
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= q / (k * k)
		sum += term
	}
	return sum
}

// shiftInto writes x seen at instants start, start+1, … (samples from x[0])
// into dst. Instants whose kernel would leave x see x's end values repeated.
func shiftInto(dst, x []float64, start float64) {
	fl := math.Floor(start)
	ip := int((start-fl)*interpPhases + 0.5)
	base := int(fl)
	if ip == interpPhases {
		ip, base = 0, base+1
	}
	k := &interpTable[ip]
	for i := 0; i < len(dst); i += shiftedAtOnce {
		// Several neighbours at a time: each sum waits for its own steps only.
		var w *[2*interpTaps + shiftedAtOnce - 1]float64
		if j0 := base + i - interpTaps + 1; j0 >= 0 && j0+len(w) <= len(x) {
			w = (*[2*interpTaps + shiftedAtOnce - 1]float64)(x[j0:])
		} else {
			var ends [2*interpTaps + shiftedAtOnce - 1]float64
			for j := range ends {
				ends[j] = x[min(max(j0+j, 0), len(x)-1)]
			}
			w = &ends
		}
		var s0, s1, s2, s3 float64
		for j, c := range k {
			s0 += w[j] * c
			s1 += w[j+1] * c
			s2 += w[j+2] * c
			s3 += w[j+3] * c
		}
		s := [shiftedAtOnce]float64{s0, s1, s2, s3}
		copy(dst[i:], s[:])
	}
}

// shiftedAtOnce is how many samples shiftInto works out side by side.
const shiftedAtOnce = 4
