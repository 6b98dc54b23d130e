package analysis

import "math"

// lineFit is the straight line y = A + B·(x - X0), X0 the weighted mean of x,
// where A and B are uncorrelated. Scale is the residual standard deviation.
type lineFit struct {
	A, B       float64
	X0         float64
	VarA, VarB float64 // with Scale² in them
	Scale      float64
	N          int
}

// fitLine fits by weighted least squares, w nil for equal weights. The
// variances are those of JCGM 100:2008, H.3: residual sum of squares over n-2.
// ok is false with fewer than three points of positive weight or no spread in x.
func fitLine(x, y, w []float64) (f lineFit, ok bool) {
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
	return lineFit{
		A: my, B: b, X0: mx,
		VarA: s2 / float64(n), VarB: s2 * unit / sxx,
		Scale: math.Sqrt(s2), N: n,
	}, true
}

// at returns the line's value at x and its variance.
func (f lineFit) at(x float64) (y, variance float64) {
	d := x - f.X0
	return f.A + f.B*d, f.VarA + d*d*f.VarB
}

// correlation of the value at x with the slope.
func (f lineFit) correlation(x float64) float64 {
	_, v := f.at(x)
	if v <= 0 || f.VarB <= 0 {
		return 0
	}
	return (x - f.X0) * math.Sqrt(f.VarB/v)
}

// fitRobust fits a line by iteratively reweighted least squares with Tukey's
// biweight (c = 4.685; Holland and Welsch, Communications in Statistics A6,
// 1977), from the start line a0 + b0·(x - x0). prior are fixed weights or nil.
// The variances follow Huber's asymptotic form (Robust Statistics, 1981, 7.6):
// s²·mean(ψ²)/mean(ψ')² in the place of the residual variance.
func fitRobust(x, y, prior []float64, a0, b0, x0 float64) (lineFit, bool) {
	const c = 4.685
	f := lineFit{A: a0, B: b0, X0: x0}
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
		scale = 1.4826 * medianInPlace(abs)
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
		g, ok := fitLine(x, y, w)
		if !ok {
			return f, false
		}
		y0, _ := g.at(f.X0)
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
		return f, true // the weighted variances of fitLine stand
	}
	s2 := psi2 / sw / (m * m) * n / (n - 2)
	f.VarA = s2 / n
	f.VarB = s2 * (sw / n) / sxx
	f.Scale = math.Sqrt(s2)
	f.N = len(x)
	return f, true
}
