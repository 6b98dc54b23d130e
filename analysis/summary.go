package analysis

import (
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis/circle"
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
	centre, _ := circle.Mean(adv)
	for i := range adv {
		adv[i] = circle.Wrap(adv[i] - centre) // from here on about the circular mean
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
		sd, neff float64
		level    float64 // mean of level
	}
	var work []binWork
	var binMembers [][]int32
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
		w.Mean = Degrees(circle.Wrap(centre + mean))
		w.Median = Degrees(circle.Wrap(centre + median(y)))
		w.neff = EffectiveN(r)
		if len(idx) > params {
			w.sd = math.Sqrt(ss / float64(len(idx)-params))
		} else if len(idx) > 1 {
			w.sd = math.Sqrt(ss / float64(len(idx)-1))
		}
		w.StdDev = Degrees(w.sd)
		w.Robust = Degrees(robustScatter(r))
		work = append(work, w)
		binMembers = append(binMembers, idx)
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
	m.neff = EffectiveN(m.resid)
	res.Advance = Summary{N: n, Mean: Degrees(circle.Wrap(centre + mean)), Median: Degrees(circle.Wrap(centre + median(adv))), StdDev: Degrees(sd), Robust: Degrees(robustScatter(m.resid))}
	res.Advance.SamplingStd = Degrees(sd / math.Sqrt(math.Max(1, m.neff)))
	res.Advance.Target = m.meanTarget(rpm, nil)
	m.prepareBudget()
	m.tallies = make([]tally, n)
	for i := range m.tallies {
		m.tallies[i] = tally{rpm[i], sig[i], cyl[i]}
	}
	// The uncertainty has one place in the summary and one, as ever, in the
	// result.
	state := func(s *Summary, idx []int32) {
		if s.HasExpanded = s.N >= 2; s.HasExpanded {
			s.Budget = m.meanBudget(idx)
			s.Expanded = s.Budget.Expanded
		}
	}
	state(&res.Advance, nil)
	if res.Advance.Budget != nil {
		res.Uncertainty = res.Advance.Budget.Components
	}
	for i := range work {
		w := &work[i]
		w.SamplingStd = Degrees(w.sd / math.Sqrt(math.Max(1, w.neff)))
		w.Target = m.meanTarget(rpm, binMembers[i])
		state(&w.Summary, binMembers[i])
		res.Bins = append(res.Bins, w.Bin)
	}

	m.cylinders(cyl, rpm, adv, centre, dof/float64(n), state)
	m.trend(rpm, level, sig, centre)
	m.trendBudgets()
	m.static()
	m.cylinderDifference(count, off, sd)
}

// cylinders fills in what each of several cylinders does by itself. free is the
// share of the sparks' degrees of freedom that is left by what was taken out of
// resid.
func (m *measurement) cylinders(cyl []int, rpm, adv []float64, centre, free float64, state func(*Summary, []int32)) {
	if len(m.arms) < 2 {
		return
	}
	members := make([][]int32, len(m.arms))
	for i, c := range cyl {
		members[c] = append(members[c], int32(i))
	}
	for c, idx := range members {
		if len(idx) == 0 {
			continue
		}
		y, r := make([]float64, len(idx)), make([]float64, len(idx))
		for k, i := range idx {
			y[k], r[k] = adv[i], m.resid[i]
		}
		mean, _ := meanVar(y)
		_, ss := meanVar(r)
		out := Cylinder{Number: c + 1}
		out.N = len(idx)
		out.Mean, out.Median = Degrees(circle.Wrap(centre+mean)), Degrees(circle.Wrap(centre+median(y)))
		if out.N > 1 {
			out.StdDev = Degrees(math.Sqrt(ss / math.Max(1, math.Min(float64(out.N-1), free*float64(out.N)))))
			out.Robust = Degrees(robustScatter(r))
			out.SamplingStd = out.StdDev / Degrees(math.Sqrt(math.Max(1, EffectiveN(r))))
		}
		out.Target = m.meanTarget(rpm, idx)
		if p := m.stated; p != nil {
			out.Stated, out.OffsetDeg = slices.Clone(p[c].cylinders), p[c].deg
		}
		state(&out.Summary, idx)
		m.res.Cylinders = append(m.res.Cylinders, out)
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

// static sets the running angle against the static one.
func (m *measurement) static() {
	res := m.res
	s := m.given.Static
	if s == nil || res.Relative {
		return
	}
	tol, how := staticToleranceDefault, "stated default, common practice, no source"
	if t := m.given.StaticTolerance; t != nil {
		tol, how = float64(*t), "given"
	}
	c := &StaticComparison{Static: *s, Tolerance: Degrees(tol)}
	own := Component{Source: "static angle", Kind: "B", Std: Degrees(tol / math.Sqrt(3)), Estimate: fmt.Sprintf("±%.3g°, rectangular, %s", tol, how), Shrink: "read the static angle more finely",
		Quantity: "static angle", Unit: "°", HalfWidth: tol, InputStd: tol / math.Sqrt(3), Distribution: Rectangular, Sensitivity: 1}
	add := func(at string, rpm float64, running Degrees, budget *Budget) {
		if budget == nil {
			return
		}
		c.Differences = append(c.Differences, Difference{At: at, RPM: rpm, Running: running, Value: Degrees(circle.Wrap(float64(running - *s))), Expanded: budget.with(own).Expanded})
	}
	low, high := -1, -1
	for i, b := range res.Bins {
		if b.N >= 5 {
			if low < 0 {
				low = i
			}
			high = i
		}
	}
	if low < 0 {
		low, high = 0, len(res.Bins)-1
	}
	add("idle", res.Bins[low].MeanRPM, res.Bins[low].Mean, res.Bins[low].Budget)
	if high != low {
		add("top", res.Bins[high].MeanRPM, res.Bins[high].Mean, res.Bins[high].Budget)
	}
	if t := res.Trend; t != nil {
		add("zero speed", 0, t.Intercept, t.InterceptBudget)
	}
	res.Static = c
}
