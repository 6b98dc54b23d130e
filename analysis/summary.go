package analysis

import (
	"math"

	"sparkscope/analysis/fit"
)

// binWidths from which the width of the bins is taken, rpm.
var binWidths = []float64{100, 250, 500, 1000, 2000, 5000}

const (
	mostBins        = 16
	binLineMin      = 8 // events from which a bin's own slope is taken out
	leastOfCylinder = 3 // sparks from which a cylinder has a mean of its own
)

// statistics fills in speeds, summary, bins, trend, static comparison,
// uncertainty and verdict.
func (m *measurement) statistics() {
	res := m.res
	var rpm, adv, sig []float64
	n := res.Counts.OK
	rpm, adv, sig = make([]float64, 0, n), make([]float64, 0, n), make([]float64, 0, n)
	for i := range res.Firings {
		if f := &res.Firings[i]; f.Status == OK {
			rpm = append(rpm, f.RPM)
			adv = append(adv, float64(f.Advance))
			sig = append(sig, float64(f.Sigma))
		}
	}
	cyl := make([]int, 0, n) // from 0
	for i := range res.Firings {
		if f := &res.Firings[i]; f.Status == OK {
			cyl = append(cyl, max(0, f.Cylinder-1))
		}
	}
	centre, _ := circularMean(adv)
	for i := range adv {
		adv[i] = wrap(adv[i] - centre) // from here on about the circular mean
	}
	// level is the advances without the difference between cylinders, which is
	// neither scatter nor a matter of speed; their mean is that of adv.
	count, off := cylinderMeans(cyl, adv, len(m.arms))
	level := adv
	if len(m.arms) > 1 {
		level = make([]float64, n)
		for i, v := range adv {
			level[i] = v - off[cyl[i]]
		}
	}
	lo, hi := rpm[0], rpm[0]
	for _, v := range rpm {
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	res.MinRPM, res.MaxRPM = lo, hi
	res.MeanRPM, _ = meanVar(rpm)

	width := binWidths[0]
	if hi-lo > 200 {
		width = binWidths[1]
	}
	for _, w := range binWidths[1:] {
		if (hi-lo)/width < mostBins-1 {
			break
		}
		width = w
	}
	from := math.Floor(lo / width)
	nb := min(int(math.Floor(hi/width)-from)+1, 400)
	members := make([][]int32, nb)
	for i, v := range rpm {
		b := min(max(int(math.Floor(v/width)-from), 0), nb-1)
		members[b] = append(members[b], int32(i))
	}
	m.resid = make([]float64, n)
	spent := 0 // parameters taken out
	type binWork struct {
		Bin
		sd, neff      float64
		level, median float64 // mean and median of level
	}
	var work []binWork
	for b, idx := range members {
		if len(idx) == 0 {
			continue
		}
		x, y, z := make([]float64, len(idx)), make([]float64, len(idx)), make([]float64, len(idx))
		share := make([]int, len(m.arms))
		for k, i := range idx {
			x[k], y[k], z[k] = rpm[i], adv[i], level[i]
			share[cyl[i]]++
		}
		w := binWork{}
		w.FromRPM, w.ToRPM = (from+float64(b))*width, (from+float64(b)+1)*width
		w.MeanRPM, _ = meanVar(x)
		mean, _ := meanVar(y)
		w.level, _ = meanVar(z)
		w.median = median(z)
		// The scatter is about each cylinder's own mean in this bin, where there
		// are enough of each; else about the mean of level.
		cx, cy := make([]float64, len(idx)), make([]float64, len(idx))
		params := withinCylinders(idx, cyl, share, x, y, cx, cy)
		if params == 0 {
			params = 1
			for k := range idx {
				cx[k], cy[k] = x[k]-w.MeanRPM, z[k]-w.level
			}
		}
		slope := 0.0
		if len(idx) >= binLineMin {
			if f, ok := fit.Straight(cx, cy, nil); ok && math.Abs(f.B) > 2*math.Sqrt(f.VarB) {
				slope = f.B
				params++
			}
		}
		r := make([]float64, len(idx))
		ss := 0.0
		for k, i := range idx {
			r[k] = cy[k] - slope*cx[k]
			m.resid[i] = r[k]
			ss += r[k] * r[k]
		}
		spent += params
		w.N = len(idx)
		w.Mean = Degrees(wrap(centre + mean))
		w.Median = Degrees(wrap(centre + median(y)))
		w.neff = effectiveN(r)
		if len(idx) > params {
			w.sd = math.Sqrt(ss / float64(len(idx)-params))
		} else if len(idx) > 1 {
			w.sd = math.Sqrt(ss / float64(len(idx)-1))
		}
		w.StdDev = Degrees(w.sd)
		w.Robust = Degrees(robustScatter(r))
		work = append(work, w)
		m.binShares = append(m.binShares, share)
	}
	ss := 0.0
	for _, r := range m.resid {
		ss += r * r
	}
	dof := math.Max(1, float64(n-spent))
	sd := math.Sqrt(ss / dof)
	if n <= spent { // one event in each bin: the scatter about the plain mean
		_, s := meanVar(level)
		sd = math.Sqrt(s / math.Max(1, float64(n-1)))
		copy(m.resid, level)
	}
	mean, _ := meanVar(adv)
	m.neff = effectiveN(m.resid)
	res.Advance = Summary{N: n, Mean: Degrees(wrap(centre + mean)), Median: Degrees(wrap(centre + median(adv))), StdDev: Degrees(sd), Robust: Degrees(robustScatter(m.resid))}
	res.Uncertainty = m.budget(res.MeanRPM, sd, n, m.neff, count)
	u, nu := combined(res.Uncertainty)
	res.Advance.Expanded, res.Advance.HasExpanded = Degrees(coverage(nu)*u), n >= 2

	type bu struct{ u, nu float64 }
	var bins []bu
	for i := range work {
		w := &work[i]
		s, ne := w.sd, w.neff
		if w.N < 8 { // few events: the scatter of all is the better guess
			s = math.Max(s, sd)
		}
		u, nu := combined(m.budget(w.MeanRPM, s, w.N, ne, m.binShares[i]))
		w.Expanded, w.HasExpanded = Degrees(coverage(nu)*u), w.N >= 2
		if !w.HasExpanded {
			w.Expanded = 0
		}
		bins = append(bins, bu{u, nu})
		res.Bins = append(res.Bins, w.Bin)
	}

	means, medians := make([]float64, len(work)), make([]float64, len(work))
	for i := range work {
		means[i], medians[i] = work[i].level, work[i].median
	}
	m.trend(rpm, level, sig, centre, means, medians)
	m.static(count)
	m.cylinderDifference(count, off, sd)
	if t, tol := m.given.Target, m.given.Tolerance; t != nil && tol != nil {
		v := &Verdict{Target: *t, Tolerance: *tol, Deviation: Degrees(wrap(float64(res.Advance.Mean) - float64(*t)))}
		v.Probability = conformity(float64(v.Deviation), float64(*tol), u, nu)
		v.Decision = decide(v.Probability)
		for i, b := range res.Bins {
			bv := BinVerdict{Decision: Undecided, Probability: 0.5}
			if b.HasExpanded {
				bv.Probability = conformity(wrap(float64(b.Mean)-float64(*t)), float64(*tol), bins[i].u, bins[i].nu)
				bv.Decision = decide(bv.Probability)
			}
			v.Bins = append(v.Bins, bv)
		}
		if v.Decision == Undecided {
			v.Advice = m.advice(v)
		}
		res.Verdict = v
	}
}

// cylinderMeans returns how many of the advances adv are of each of n
// cylinders, and how far each cylinder's mean lies above that of all; 0 for
// all where one has too few for a mean of its own.
func cylinderMeans(cyl []int, adv []float64, n int) (count []int, off []float64) {
	count, off = make([]int, n), make([]float64, n)
	all, _ := meanVar(adv)
	for i, v := range adv {
		c := cyl[i]
		count[c]++
		off[c] += (v - all - off[c]) / float64(count[c])
	}
	for _, k := range count {
		if k < leastOfCylinder {
			return count, make([]float64, n)
		}
	}
	return count, off
}

// withinCylinders sets cx and cy to x and y less the mean of their cylinder
// among idx and returns the number of such means, 0 where a cylinder has too
// few events here for one.
func withinCylinders(idx []int32, cyl, share []int, x, y, cx, cy []float64) int {
	mx, my := make([]float64, len(share)), make([]float64, len(share))
	for k, i := range idx {
		c := cyl[i]
		mx[c] += x[k] / float64(share[c])
		my[c] += y[k] / float64(share[c])
	}
	means := 0
	for _, k := range share {
		if k > 0 {
			means++
		}
		if len(share) > 1 && k > 0 && k < leastOfCylinder {
			return 0
		}
	}
	for k, i := range idx {
		cx[k], cy[k] = x[k]-mx[cyl[i]], y[k]-my[cyl[i]]
	}
	return means
}

// static sets the running angle against the static one; count is the counted
// sparks of each cylinder.
func (m *measurement) static(count []int) {
	res := m.res
	s := m.given.Static
	if s == nil || res.Relative {
		return
	}
	tol := staticToleranceDefault
	if t := m.given.StaticTolerance; t != nil {
		tol = float64(*t)
	}
	c := &StaticComparison{Static: *s, Tolerance: Degrees(tol)}
	add := func(at string, rpm, running float64, budget []Component) {
		budget = append(budget, Component{Kind: "B", Std: Degrees(tol / math.Sqrt(3))})
		u, nu := combined(budget)
		c.Differences = append(c.Differences, Difference{At: at, RPM: rpm, Running: Degrees(running), Value: Degrees(wrap(running - float64(*s))), Expanded: Degrees(coverage(nu) * u)})
	}
	enough := func(b Bin) bool { return b.N >= 5 }
	low, high := -1, -1
	for i, b := range res.Bins {
		if enough(b) {
			if low < 0 {
				low = i
			}
			high = i
		}
	}
	if low < 0 {
		low, high = 0, len(res.Bins)-1
	}
	bin := func(i int) []Component {
		b := res.Bins[i]
		ratio := m.neff / math.Max(1, float64(res.Advance.N))
		return m.budget(b.MeanRPM, math.Max(float64(b.StdDev), floorIfFew(b.N, float64(res.Advance.StdDev))), b.N, math.Max(1, ratio*float64(b.N)), m.binShares[i])
	}
	add("idle", res.Bins[low].MeanRPM, float64(res.Bins[low].Mean), bin(low))
	if high != low {
		add("top", res.Bins[high].MeanRPM, float64(res.Bins[high].Mean), bin(high))
	}
	if t := res.Trend; t != nil {
		b := m.budget(0, 0, 0, 0, count)
		b = append(b, Component{Kind: "A", Std: t.InterceptStd, Dof: math.Max(1, m.neff-2)})
		add("zero speed", 0, float64(t.Intercept), b)
	}
	res.Static = c
}

func floorIfFew(n int, sd float64) float64 {
	if n < 8 {
		return sd
	}
	return 0
}
