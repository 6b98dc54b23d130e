package analysis

import (
	"math"

	"sparkscope/analysis/fit"
)

const (
	trendMinEvents   = 12  // a trend needs as many,
	trendMinRPM      = 200 // a spread of this much between the 1 % and 99 % points,
	trendMinShare    = 0.1 // and of this share of the mean speed
	straightFloorDeg = 0.3 // bins may lie this far off a straight line beyond their scatter
)

// trend fits the straight line of advance against speed. adv and the bins'
// means and medians are degrees about centre, without the difference between
// cylinders.
func (m *measurement) trend(rpm, adv, sig []float64, centre float64, means, medians []float64) {
	res := m.res
	n := len(rpm)
	if n < trendMinEvents {
		return
	}
	sorted := make([]float64, n)
	copy(sorted, rpm)
	med := medianInPlace(sorted)
	p1, p99 := quantile(sorted, 0.01), quantile(sorted, 0.99)
	if p99-p1 < trendMinRPM || p99-p1 < trendMinShare*med {
		return
	}
	s := math.Max(float64(res.Advance.StdDev), 1e-6)
	prior := make([]float64, n)
	for i := range prior {
		prior[i] = s * s / (s*s + sig[i]*sig[i])
	}
	start, ok := fit.Straight(rpm, adv, prior)
	if !ok {
		return
	}
	// A start by the bins' medians, each with equal weight, keeps outliers of
	// one bin from leading the robust fit astray.
	if len(res.Bins) >= 3 {
		x, y := make([]float64, 0, len(res.Bins)), make([]float64, 0, len(res.Bins))
		for i, b := range res.Bins {
			if b.N >= 3 {
				x = append(x, b.MeanRPM)
				y = append(y, medians[i])
			}
		}
		if f, ok := fit.Straight(x, y, nil); ok {
			start = f
		}
	}
	f, ok := fit.Robust(rpm, adv, prior, start)
	if !ok {
		return
	}
	inflate := float64(n) / math.Max(2, m.neff)
	// Lack of fit: the bins' means against the line.
	straight := true
	for i, b := range res.Bins {
		if b.N < 5 {
			continue
		}
		y, v := f.At(b.MeanRPM)
		se := math.Sqrt((float64(b.StdDev*b.StdDev)/float64(b.N) + v) * inflate)
		if math.Abs(means[i]-y) > straightFloorDeg+3*se {
			straight = false
		}
	}
	if !straight {
		// A robust line would settle on one leg of a curve and call the other
		// an outlier; the plain line at least speaks of all.
		if f, ok = fit.Straight(rpm, adv, prior); !ok {
			return
		}
	}
	f = f.Inflate(inflate)
	t := &Trend{FromRPM: res.MinRPM, ToRPM: res.MaxRPM, N: n}
	y0, v0 := f.At(0)
	t.Intercept = Degrees(wrap(centre + y0))
	t.InterceptStd = Degrees(math.Sqrt(v0))
	t.SlopePer1000 = Degrees(1000 * f.B)
	t.SlopeStd = Degrees(1000 * math.Sqrt(f.VarB))
	t.Correlation = f.Correlation(0)
	t.Covariance = 1000 * f.Covariance(0)
	t.EquivalentDelayS = -f.B / 6
	t.EquivalentDelayStdS = math.Sqrt(f.VarB) / 6
	t.ResidualStd = Degrees(f.Scale)
	t.Straight = straight
	t.IndependentN = float64(n) / inflate
	for _, v := range []float64{float64(t.Intercept), float64(t.InterceptStd), float64(t.SlopePer1000), float64(t.SlopeStd), t.Correlation, float64(t.ResidualStd)} {
		if !finite(v) {
			return
		}
	}
	res.Trend = t
}
