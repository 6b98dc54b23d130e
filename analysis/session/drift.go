package session

import (
	"fmt"
	"math"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/analysis/compare"
)

// Drift is how the advance changes while the session lasts, at equal speed. Only
// like is held against like: pulls up against pulls up, pulls down against pulls
// down, holds against holds that were reached the same way, each range of speed for
// itself; what a part departs from the mean of its like is set against how much
// earlier or later than their mean it came.
type Drift struct {
	Parts    int              // that it was found from: those with their like, three at least
	FromS    float64          // seconds in the recording: the middle of the first of them
	OverS    float64          // seconds, from there to the middle of the last
	Change   analysis.Degrees // over that time: positive where it fires earlier at the end
	Expanded analysis.Degrees // ± at 95 %, from how far the parts lie off the line
	Sure     bool             // Change is larger than Expanded
	// UpDown is how much of Session.UpDown the drift makes, since pulls down come
	// later than pulls up; 0 without both.
	UpDown      analysis.Degrees
	PartTimesS  []float64 // middle of each part
	PartDegrees []float64 // what the line says of it from the first on, and how far it lies off
}

// like is what parts are held against each other by: how they came about, and the
// range of speed by its lower end, rpm.
type like struct {
	way     string
	fromRPM float64
}

// share is what a part says of one range of speed.
type share struct {
	part   int // index among those that take part
	weight float64
	timeS  float64 // mean time of its sparks
	deg    float64 // off the mean curve
}

// drift fills in Drift.
//
// It is the regression of the parts' departures on time with a constant for each
// way and range of speed, done as the means of each are taken off departures and
// times alike (R. Frisch and F. V. Waugh, Econometrica 1 (1933), 387-401). Taking
// them off the departures alone would make every drift look smaller, the more the
// farther pulls up and down lie apart in time.
//
// Each part is taken to be off by an amount of its own, all of one variance: that
// of what is left, whose degrees of freedom are Satterthwaite's (Biometrics
// Bulletin 2 (1946), 110-114), since parts share ranges of speed unevenly.
func (s *Session) drift(ups, downs *compare.Side) {
	groups, order, parts := s.likes(ups, downs)
	if len(parts) < 3 {
		return
	}
	// a takes from every part the weighted mean of its like.
	n := len(parts)
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n)
		a[i][i] = 1
	}
	t, y, at := make([]float64, n), make([]float64, n), make([]float64, n)
	for _, k := range order {
		sum, mt, my := 0.0, 0.0, 0.0
		for _, p := range groups[k] {
			sum += p.weight
			mt += p.weight * p.timeS
			my += p.weight * p.deg
		}
		for _, p := range groups[k] {
			t[p.part] += p.weight * (p.timeS - mt/sum)
			y[p.part] += p.weight * (p.deg - my/sum)
			at[p.part] += p.weight * p.timeS
			for _, q := range groups[k] {
				a[p.part][q.part] -= p.weight * q.weight / sum
			}
		}
	}
	tt, ty := 0.0, 0.0
	for i := range t {
		tt += t[i] * t[i]
		ty += t[i] * y[i]
	}
	if !(tt > 0) {
		return
	}
	slope := ty / tt
	// What is left is b·u, u the parts' own amounts: b is a, and the line taken off.
	ta := make([]float64, n)
	for j := range ta {
		for i := range t {
			ta[j] += t[i] * a[i][j]
		}
	}
	b := make([][]float64, n)
	trace, spread, left := 0.0, 0.0, 0.0
	for i := range b {
		b[i] = make([]float64, n)
		for j := range b[i] {
			b[i][j] = a[i][j] - t[i]*ta[j]/tt
			trace += b[i][j] * b[i][j]
		}
		e := y[i] - slope*t[i]
		left += e * e
	}
	square := 0.0
	for i := range b {
		spread += ta[i] * ta[i]
		for j := range i + 1 {
			dot := 0.0
			for k := range b[i] {
				dot += b[i][k] * b[j][k]
			}
			if i == j {
				square += dot * dot
			} else {
				square += 2 * dot * dot
			}
		}
	}
	const oneFree = 0.99 // 1, and what adding up rounds
	if trace < 1e-9 || trace*trace/square < oneFree {
		return
	}
	d := &Drift{Parts: n}
	first, last := 0, 0
	for i := range at {
		if at[i] < at[first] {
			first = i
		}
		if at[i] > at[last] {
			last = i
		}
	}
	d.FromS, d.OverS = at[first], at[last]-at[first]
	for i := range at {
		d.PartTimesS = append(d.PartTimesS, at[i])
		d.PartDegrees = append(d.PartDegrees, slope*(at[i]-d.FromS)+y[i]-slope*t[i])
	}
	u := math.Sqrt(left/trace*spread) / tt * d.OverS
	budget := analysis.NewBudget([]analysis.Component{{Source: "how far the parts lie off the line", Kind: "A", Std: analysis.Degrees(u), Dof: trace * trace / square, Quantity: quantity, Unit: "°", InputStd: u, Distribution: analysis.Normal, Sensitivity: 1}})
	d.Change, d.Expanded = analysis.Degrees(slope*d.OverS), budget.Expanded
	d.Sure = math.Abs(float64(d.Change)) > float64(d.Expanded)
	s.Drift = d
}

// likes finds what may be held against each other: of each way and range of speed
// two parts at least, in order, and the indexes of the parts. A part's weights are
// the shares of its sparks, and add up to 1.
func (s *Session) likes(ups, downs *compare.Side) (groups map[like][]share, order []like, parts []int) {
	groups = map[like][]share{}
	for i := range s.Parts {
		p := &s.Parts[i]
		if p.Side == nil || p.Kind == Cranking {
			continue
		}
		way, against := string(p.Kind), []*compare.Side{ups, downs}
		switch {
		case p.Kind == Up:
			against = against[:1]
		case p.Kind == Down:
			against = against[1:]
		case i == 0:
			way = "hold from the beginning"
		default: // a mechanism that sticks stays where it came from
			way = fmt.Sprintf("hold from below: %v", s.Parts[i-1].MedianRPM < p.MedianRPM)
		}
		f := s.Result.Firings[p.First:p.Next]
		for _, q := range p.Side.Points {
			k := like{way, q.FromRPM}
			if groups[k] == nil {
				order = append(order, k)
			}
			groups[k] = append(groups[k], share{part: i, weight: float64(q.N), timeS: middleAt(f, q.FromRPM, q.ToRPM),
				deg: circle.Wrap(float64(q.Mean) - s.level(against, q.RPM))})
		}
	}
	// What has nothing like it says nothing of drift.
	total := map[int]float64{}
	kept := order[:0]
	for _, k := range order {
		if len(groups[k]) < 2 {
			continue
		}
		kept = append(kept, k)
		for _, p := range groups[k] {
			total[p.part] += p.weight
		}
	}
	index := map[int]int{}
	for i := range s.Parts {
		if total[i] > 0 {
			index[i] = len(parts)
			parts = append(parts, i)
		}
	}
	for _, k := range kept {
		for i := range groups[k] {
			p := &groups[k][i]
			p.weight /= total[p.part]
			p.part = index[p.part]
		}
	}
	return groups, kept, parts
}

// level is the mean of the sides' curves at a speed, degrees, level beyond their
// ends; that of the recording where there are none. It evens out that parts have
// not quite the same speeds within a range.
func (s *Session) level(sides []*compare.Side, rpm float64) float64 {
	about := float64(s.Result.Advance.Mean)
	sum, n := 0.0, 0.0
	for _, side := range sides {
		if side == nil || len(side.Points) == 0 {
			continue
		}
		p := side.Points
		c, ok := curve(p, rpm)
		switch {
		case ok:
		case rpm < p[0].FromRPM:
			c = float64(p[0].Mean)
		default:
			c = float64(p[len(p)-1].Mean)
		}
		sum += circle.Wrap(c - about)
		n++
	}
	return about + sum/math.Max(1, n)
}

// middleAt is the mean time of those of f that count and lie in [from, to) rpm,
// seconds; 0 for none.
func middleAt(f []analysis.Firing, from, to float64) float64 {
	sum, n := 0.0, 0.0
	for i := range f {
		if f[i].Status == analysis.OK && f[i].RPM >= from && f[i].RPM < to {
			sum += f[i].TimeS
			n++
		}
	}
	return sum / math.Max(1, n)
}
