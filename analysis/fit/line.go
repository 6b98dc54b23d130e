// Package fit fits straight lines, and continuous curves of straight pieces, to
// scattered numbers, and says how well it knows them.
package fit

import (
	"math"
	"slices"
)

// Line is the straight line y = A + B·(x - X0) with its full covariance: X0 is
// the weighted mean of x, and there A and B are uncorrelated, so that VarA and
// VarB are all of it. At any other x the value and the slope hang together, as
// Covariance and Correlation say.
type Line struct {
	A, B       float64 // value at X0, in the unit of y; slope, unit of y per unit of x
	X0         float64 // unit of x
	VarA, VarB float64 // variances of A and B, with Scale² in them
	Scale      float64 // residual standard deviation, unit of y
	N          int     // points of positive weight
}

// Straight fits by weighted least squares, w nil for equal weights. The
// variances are those of JCGM 100:2008, H.3: residual sum of squares over n-2.
// ok is false with fewer than three points of positive weight or no spread in x.
func Straight(x, y, w []float64) (f Line, ok bool) {
	var sw, sx, sy float64
	weight := func(i int) float64 {
		if w == nil {
			return 1
		}
		return w[i]
	}
	n := 0
	for i := range x {
		v := weight(i)
		if v <= 0 {
			continue
		}
		n++
		sw += v
		sx += v * (x[i] - x[0])
		sy += v * (y[i] - y[0])
	}
	if n < 3 {
		return f, false
	}
	mx, my := x[0]+sx/sw, y[0]+sy/sw
	var sxx, sxy float64
	for i := range x {
		v := weight(i)
		dx := x[i] - mx
		sxx += v * dx * dx
		sxy += v * dx * (y[i] - my)
	}
	if !(sxx > 1e-18*sw*(1+mx*mx)) {
		return f, false
	}
	b := sxy / sxx
	var ss float64
	for i := range x {
		r := y[i] - my - b*(x[i]-mx)
		ss += weight(i) * r * r
	}
	// With weights that are relative (robust fitting), sw/n is their unit.
	s2 := ss / sw * float64(n) / float64(n-2)
	unit := sw / float64(n)
	return Line{
		A: my, B: b, X0: mx,
		VarA: s2 / float64(n), VarB: s2 * unit / sxx,
		Scale: math.Sqrt(s2), N: n,
	}, true
}

// At returns the line's value at x and its variance: for the mean of y there,
// not for a single y.
func (f Line) At(x float64) (y, variance float64) {
	d := x - f.X0
	return f.A + f.B*d, f.VarA + d*d*f.VarB
}

// Covariance of the value at x with the slope, in units of y²/x.
func (f Line) Covariance(x float64) float64 { return (x - f.X0) * f.VarB }

// Correlation of the value at x with the slope, -1 to 1; 0 where one of them
// has no variance.
func (f Line) Correlation(x float64) float64 {
	_, v := f.At(x)
	if v <= 0 || f.VarB <= 0 {
		return 0
	}
	return math.Max(-1, math.Min(1, f.Covariance(x)/math.Sqrt(v*f.VarB)))
}

// Inflate multiplies both variances, as errors that hang together in time ask
// for: by n over the number of independent ones that n are worth.
func (f Line) Inflate(by float64) Line {
	f.VarA *= by
	f.VarB *= by
	return f
}

// Robust fits a line by iteratively reweighted least squares with Tukey's
// biweight (c = 4.685; Holland and Welsch, Communications in Statistics A6,
// 1977), from a line to start from. prior are fixed weights or nil. The variances follow Huber's asymptotic form (Robust Statistics, 1981, 7.6):
// s²·mean(ψ²)/mean(ψ')² in the place of the residual variance.
func Robust(x, y, prior []float64, start Line) (Line, bool) {
	const c = biweight
	f := start
	w := make([]float64, len(x))
	stride := max(1, len(x)/10000) // the scale of 10 000 residuals is good to 1 %
	abs := make([]float64, 0, len(x)/stride+1)
	pr := func(i int) float64 {
		if prior == nil {
			return 1
		}
		return prior[i]
	}
	var scale float64
	for range 20 {
		abs = abs[:0]
		for i := 0; i < len(x); i += stride {
			abs = append(abs, math.Abs(y[i]-f.A-f.B*(x[i]-f.X0)))
		}
		scale = 1.4826 * median(abs)
		if scale < 1e-12 { // more than half lie on the line exactly
			scale = 1e-12
		}
		for i := range x {
			u := (y[i] - f.A - f.B*(x[i]-f.X0)) / (c * scale)
			v := 0.0
			if math.Abs(u) < 1 {
				v = (1 - u*u) * (1 - u*u)
			}
			w[i] = v * pr(i)
		}
		g, ok := Straight(x, y, w)
		if !ok {
			return f, false
		}
		y0, _ := g.At(f.X0)
		done := math.Abs(g.B-f.B)*1000 < 1e-9 && math.Abs(y0-f.A) < 1e-9
		f = g
		if done {
			break
		}
	}
	var psi2, dpsi, sw, sxx, n float64
	for i := range x {
		r := y[i] - f.A - f.B*(x[i]-f.X0)
		p := pr(i)
		u := r / (c * scale)
		if math.Abs(u) < 1 {
			q := 1 - u*u
			psi2 += p * r * r * q * q * q * q
			dpsi += p * q * (1 - 5*u*u)
		}
		sw += p
		sxx += p * (x[i] - f.X0) * (x[i] - f.X0)
		n++
	}
	m := dpsi / sw
	if n < 3 || m <= 0.05 || sxx <= 0 {
		return f, true // the weighted variances of Straight stand
	}
	s2 := psi2 / sw / (m * m) * n / (n - 2)
	f.VarA = s2 / n
	f.VarB = s2 * (sw / n) / sxx
	f.Scale = math.Sqrt(s2)
	f.N = len(x)
	return f, true
}

// biweight is the constant of Tukey's biweight that keeps 95 % of least
// squares' efficiency with normal errors.
const biweight = 4.685

// median sorts x and returns its middle value, 0 for an empty slice.
func median(x []float64) float64 {
	n := len(x)
	if n == 0 {
		return 0
	}
	slices.Sort(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
