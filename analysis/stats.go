package analysis

import (
	"cmp"
	"math"
	"slices"

	"sparkscope/dsp"
)

// quantile returns the type-7 sample quantile (Hyndman and Fan, The American
// Statistician 50, 1996) of sorted x, p in [0, 1]; 0 for an empty slice.
func quantile(sorted []float64, p float64) float64 {
	n := len(sorted)
	if n == 0 {
		return 0
	}
	h := p * float64(n-1)
	i := int(h)
	if i >= n-1 {
		return sorted[n-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// median of x in any order; x is not changed.
func median(x []float64) float64 { return medianInPlace(slices.Clone(x)) }

// medianInPlace reorders x.
func medianInPlace(x []float64) float64 {
	n := len(x)
	if n == 0 {
		return 0
	}
	if n < 16 { // the many small windows of the pairing
		for i := 1; i < len(x); i++ {
			v, j := x[i], i
			for ; j > 0 && x[j-1] > v; j-- {
				x[j] = x[j-1]
			}
			x[j] = v
		}
		return quantile(x, 0.5)
	}
	// The two in the middle are where sorting would put them.
	i := (n - 1) / 2
	dsp.Nth(x, i)
	rest := x[i+1:]
	next := 0
	for k, v := range rest {
		if cmp.Less(v, rest[next]) {
			next = k
		}
	}
	rest[0], rest[next] = rest[next], rest[0]
	return x[i] + (0.5*float64(n-1)-float64(i))*(x[i+1]-x[i])
}

// robustScatter is 1.4826 times the median absolute deviation from the
// median, which estimates the standard deviation of a normal sample.
func robustScatter(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	m := median(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - m)
	}
	return 1.4826 * medianInPlace(d)
}

// meanVar returns the mean and the sum of squares about it (Welford).
func meanVar(x []float64) (mean, ss float64) {
	for i, v := range x {
		d := v - mean
		mean += d / float64(i+1)
		ss += d * (v - mean)
	}
	return mean, ss
}

// EffectiveN is how many independent values the n residuals r, in time order,
// are worth for their mean: n/(1+2·Σρ) over the leading lags while the sum of
// two neighbouring autocorrelations is positive (initial positive sequence,
// Geyer, Statistical Science 7, 1992). It lies in [2, n]; negative correlation
// is not used to claim more than n.
func EffectiveN(r []float64) float64 {
	n := len(r)
	if n < 8 {
		return float64(n)
	}
	mean, ss := meanVar(r)
	if ss <= 0 {
		return float64(n)
	}
	rho := func(lag int) float64 {
		var s float64
		for i := lag; i < n; i++ {
			s += (r[i] - mean) * (r[i-lag] - mean)
		}
		return s / ss
	}
	// Below the sampling error of ρ of white noise, 1/sqrt(n), a positive lag
	// says nothing; the limit of n/4 keeps short records from eating themselves.
	floor := 1 / math.Sqrt(float64(n))
	sum := 0.0
	for lag := 1; lag+1 <= n/4 && lag < 400; lag += 2 {
		pair := rho(lag) + rho(lag+1)
		if pair <= floor {
			break
		}
		sum += pair
	}
	return math.Max(2, math.Min(float64(n), float64(n)/(1+2*sum)))
}
