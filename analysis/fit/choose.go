package fit

import (
	"math"
	"slices"
)

// Options of Choose. The zero value is legal: plain points of one scatter,
// independent of each other, and no floor.
type Options struct {
	// Sigma are the known random uncertainties of the y, in their unit and
	// order; what scatter is beyond them is found. nil: none.
	Sigma []float64
	// Independent says how many independent values residuals in the order of
	// the points are worth; nil: as many as there are.
	Independent func(residuals []float64) float64
	// Floor is how far, in the unit of y, a curve must depart somewhere from
	// the best with a corner fewer to be taken instead of it, however sure its
	// corners are.
	Floor float64
	// Plain is least squares: no point is taken for an outlier, and all have
	// the same scatter.
	Plain bool
}

// Candidate is one curve that was tried.
type Candidate struct {
	Curve      Curve
	Level      bool    // one value at all x: no slope, no corner
	Parameters int     // as the criterion counts them
	Scatter    float64 // residual standard deviation, in the unit of y, at the points' typical weight
	Criterion  float64 // less than the others' is better
	Departure  float64 // farthest from the best candidate with a corner fewer, unit of y; 0 without corners
}

// Choice is what Choose found.
type Choice struct {
	Candidates  []Candidate // fewest corners first
	Best        int         // the candidate taken
	Curve       Curve       // its curve, fitted once more about itself
	Line        Line        // the straight line, fitted about itself where no corner was taken
	Independent float64     // how many independent points the N are worth
	// Residuals in the order of the points as given, in units of their scatter,
	// outliers drawn in.
	Residuals []float64
	Weights   []float64 // of the points in the order given: the inverse of their variance, about 1
}

// enough points for the first rounds.
const enough = 10000

// rounds are the outlier limits of the first rounds, in units of the scatter:
// about rough medians outliers are judged more mildly.
var rounds = []float64{2 * biweight, 1.5 * biweight, biweight, biweight, biweight}

// Choose fits continuous curves of straight pieces with 0 to MostCorners
// corners to points in any order and takes one by a criterion of information.
// ok is false with fewer than 8 points or no spread in x.
//
// Outliers: the method of modified residuals (Huber, Robust Statistics, 1981,
// 7.8) with Tukey's biweight, about the curve with most corners: every point
// is put where its residual, drawn in by ψ and divided by the mean of ψ',
// would have it, so that least squares on the points so moved are the robust
// fit, and their sums of squares and covariances may be used as ordinary ones.
// The scatter may depend on x.
//
// The number of corners: least SICc (McQuarrie, Statistics & Probability
// Letters 44, 1999: Schwarz's criterion with a correction for few points),
//
//	m·ln(SS/n) + m·p·ln(m)/(m-p-2)
//
// m being the independent points that the n are worth, and p counting one for
// the scatter, two for a line and three for a corner: its bend, and two for the
// place, which was looked for (Zhang and Siegmund, Biometrics 63, 2007).
func Choose(x, y []float64, o Options) (ch Choice, ok bool) {
	n := len(x)
	if n < 8 {
		return ch, false
	}
	byX := sorted(x)
	order, xs, ys := make([]int32, n), make([]float64, n), make([]float64, n)
	for i, q := range byX {
		order[i], xs[i], ys[i] = q.i, q.x, y[q.i]
	}
	if !(xs[n-1]-xs[0] > 1e-9*(1+math.Abs(xs[0])+math.Abs(xs[n-1]))) {
		return ch, false
	}
	var sigma []float64
	if o.Sigma != nil {
		sigma = make([]float64, n)
		for i, k := range order {
			sigma[i] = o.Sigma[k]
		}
	}
	r := newRobust(xs, ys, sigma, o.Plain)
	most := 0
	for k := 1; k <= MostCorners && 3*(2+2*k) <= n; k++ {
		most = k
	}
	if o.Plain {
		for i := range r.w {
			r.w[i], r.s[i] = 1, 1
		}
		copy(r.moved, ys)
		r.p.set(r.moved, r.w)
	} else {
		// The curve with most corners, about which outliers are told; of very
		// many points a part, which says as much.
		q := r
		if n > enough {
			var tx, ty, ts []float64
			stride := (n + enough - 1) / enough
			for i := 0; i < n; i++ {
				if i%stride == 0 || i == n-1 { // both ends, so that the inner unit is the same
					tx, ty = append(tx, xs[i]), append(ty, ys[i])
					if sigma != nil {
						ts = append(ts, sigma[i])
					}
				}
			}
			q = newRobust(tx, ty, ts, false)
		}
		rich, good := q.rich(most)
		if !good {
			return ch, false
		}
		r.p.values(&rich, r.f)
		r.move(biweight, 2+2*len(rich.c))
	}
	models := []model{}
	for k := 0; k <= most; k++ {
		if m, good := r.p.search(k, false); good {
			models = append(models, m)
		}
		if k >= 2 {
			if m, good := r.p.search(k, true); good {
				models = append(models, m)
			}
		}
	}
	if len(models) == 0 {
		return ch, false
	}
	// A further corner never leaves more: where the search found less, the
	// models keep their own; the richest stands for the residuals.
	last := &models[0]
	for i := range models {
		if models[i].ss < last.ss {
			last = &models[i]
		}
	}
	r.p.values(last, r.f)
	ch.Independent = float64(n)
	if o.Independent != nil {
		for i, k := range order {
			r.z[k] = (r.moved[i] - r.f[i]) * math.Sqrt(r.w[i])
		}
		ch.Independent = math.Max(2, math.Min(float64(n), o.Independent(r.z)))
	}
	m := ch.Independent
	inflate := float64(n) / m
	floorSS := 1e-24 * r.p.sumW * r.p.wide * r.p.wide // numbers that lie on a curve exactly
	add := func(c Candidate, ss float64, used int) {
		p := float64(c.Parameters)
		if m-p-2 < 1 {
			return
		}
		c.Criterion = m*math.Log(math.Max(ss, math.Max(floorSS, 1e-13*r.p.syy))/float64(n)) + m*p*math.Log(m)/(m-p-2)
		c.Scatter = math.Sqrt(ss / r.p.sumW * float64(n) / math.Max(1, float64(n-used)))
		ch.Candidates = append(ch.Candidates, c)
	}
	add(Candidate{Level: true, Parameters: 2, Curve: Curve{X0: r.p.x0, A: r.p.mean, N: n}}, r.p.syy, 1)
	for i := range models {
		q := &models[i]
		k := len(q.c)
		used, par := 2+2*k, 3+3*k
		if q.alike {
			used, par = used-1, par-1
		}
		variance := q.ss / math.Max(1, float64(n-used))
		c := r.p.curve(q, variance)
		c.Scale = math.Sqrt(q.ss / r.p.sumW * float64(n) / math.Max(1, float64(n-used)))
		c.Inflate(inflate)
		add(Candidate{Curve: c, Parameters: par}, q.ss, used)
	}
	if len(ch.Candidates) == 0 {
		return ch, false
	}
	ch.take(o.Floor, xs[0], xs[n-1])

	// The one taken, and the line, outliers told about themselves.
	b := ch.Candidates[ch.Best]
	ch.Curve = b.Curve
	turns := 3
	if o.Plain {
		turns = 0
	} else if n > enough {
		turns = 1
	}
	again := func(start model, used int) (model, Curve, float64) {
		for range turns {
			r.p.values(&start, r.f)
			r.move(biweight, used)
			q, good := r.p.refine(start.c, start.alike, -1)
			if !good {
				break
			}
			start = q
		}
		r.p.values(&start, r.f)
		variance := start.ss / math.Max(1, float64(n-used))
		c := r.p.curve(&start, variance)
		c.Scale = math.Sqrt(start.ss / r.p.sumW * float64(n) / math.Max(1, float64(n-used)))
		c.Inflate(inflate)
		return start, c, variance
	}
	if len(models[0].c) == 0 {
		c := Curve{}
		if len(b.Curve.Corners) == 0 {
			_, c, _ = again(models[0], 2)
		} else {
			variance := models[0].ss / math.Max(1, float64(n-2))
			c = r.p.curve(&models[0], variance)
			c.Scale = math.Sqrt(variance / r.p.sumW * float64(n))
			c.Inflate(inflate)
		}
		ch.Line = c.line()
	}
	if !b.Level {
		var start model
		for i := range models {
			if len(models[i].c) == len(b.Curve.Corners) && models[i].alike == b.Curve.EndsAlike {
				start = models[i]
			}
		}
		used := 2 + 2*len(start.c)
		if start.alike {
			used--
		}
		end, c, variance := again(start, used)
		ch.Curve = c
		r.p.widen(&ch.Curve, &end, variance, inflate)
	} else {
		for i := range r.f {
			r.f[i] = r.p.mean
		}
		variance := r.p.syy / float64(n-1)
		ch.Curve.cov[0][0] = variance / r.p.sumW * inflate
		ch.Curve.Scale = math.Sqrt(variance / r.p.sumW * float64(n))
	}
	ch.Residuals, ch.Weights = make([]float64, n), make([]float64, n)
	for i, k := range order {
		ch.Residuals[k] = (r.moved[i] - r.f[i]) * math.Sqrt(r.w[i])
		ch.Weights[k] = r.w[i]
	}
	return ch, true
}

// place is a value and where it stood.
type place struct {
	x float64
	i int32
}

// sorted puts x in order, ties by where they stood: into buckets of equal
// width first, which for very many takes a third of the time.
func sorted(x []float64) []place {
	lo, hi := slices.Min(x), slices.Max(x)
	buckets := min(4096, len(x)/8+1)
	per := float64(buckets-1) / math.Max(hi-lo, math.SmallestNonzeroFloat64)
	bucket := func(v float64) int { return max(0, min(buckets-1, int((v-lo)*per))) }
	start := make([]int32, buckets+1)
	for _, v := range x {
		start[bucket(v)+1]++
	}
	for b := range buckets {
		start[b+1] += start[b]
	}
	out := make([]place, len(x))
	next := slices.Clone(start)
	for i, v := range x {
		b := bucket(v)
		out[next[b]] = place{v, int32(i)}
		next[b]++
	}
	for b := range buckets {
		slices.SortFunc(out[start[b]:start[b+1]], func(a, b place) int {
			switch {
			case a.x < b.x:
				return -1
			case a.x > b.x:
				return 1
			}
			return int(a.i - b.i)
		})
	}
	return out
}

// take finds the best candidate: the least criterion, then fewer corners while
// the curve departs nowhere by floor from the best with a corner fewer.
func (ch *Choice) take(floor, from, to float64) {
	best := map[int]int{} // by number of corners
	most := 0
	for i := range ch.Candidates {
		c := &ch.Candidates[i]
		k := len(c.Curve.Corners)
		if b, ok := best[k]; !ok || c.Criterion < ch.Candidates[b].Criterion {
			best[k] = i
		}
		most = max(most, k)
	}
	for i := range ch.Candidates {
		c := &ch.Candidates[i]
		if k := len(c.Curve.Corners); k > 0 {
			for f := k - 1; f >= 0; f-- {
				if b, ok := best[f]; ok {
					c.Departure = c.Curve.Departure(&ch.Candidates[b].Curve, from, to)
					break
				}
			}
		}
		if c.Criterion < ch.Candidates[ch.Best].Criterion {
			ch.Best = i
		}
	}
	for k := len(ch.Candidates[ch.Best].Curve.Corners); k > 0 && ch.Candidates[ch.Best].Departure < floor; {
		for k--; k >= 0; k-- {
			if b, ok := best[k]; ok {
				ch.Best = b
				break
			}
		}
	}
}

// robust moves the outliers of points in order of x.
type robust struct {
	p     *points
	y     []float64
	sigma []float64 // known part of the scatter, or nil
	plain bool
	f     []float64 // the curve so far
	moved []float64 // the points as moved
	s     []float64 // scatter at each point
	w, z  []float64
}

// newRobust takes points in order of x; sigma may be nil.
func newRobust(x, y, sigma []float64, plain bool) *robust {
	n := len(x)
	all := make([]float64, 5*n)
	part := func(i int) []float64 { return all[i*n : (i+1)*n : (i+1)*n] }
	return &robust{p: newPoints(x), y: y, sigma: sigma, plain: plain, f: part(0), moved: part(1), s: part(2), w: part(3), z: part(4)}
}

// rich finds the curve with as many corners as the points carry, at most most,
// leaving every point as the last round moved it.
func (r *robust) rich(most int) (m model, ok bool) {
	r.pilot()
	for i, c := range rounds {
		r.move(c, 2+2*len(m.c))
		ok = false
		if i == 0 || i == 2 {
			for k := most; k >= 0 && !ok; k-- {
				m, ok = r.p.search(k, false)
			}
		} else {
			m, ok = r.p.refine(m.c, false, -1)
		}
		if !ok {
			return m, false
		}
		r.p.values(&m, r.f)
	}
	return m, true
}

// pilot sets f to straight lines between the medians of cells. A cell ends
// after a share of the points, or after a share of the width if it has at
// least leastOfCell: speeds that were passed quickly count as well as those
// that were held.
func (r *robust) pilot() {
	const leastOfCell = 5
	n := len(r.y)
	share := max(leastOfCell, n/min(30, max(3, n/6)))
	var mx, my []float64
	buf := make([]float64, 0, share+1)
	for a := 0; a < n; {
		b := min(n, a+share)
		for k := a + leastOfCell; k < b; k++ {
			if r.p.u[k]-r.p.u[a] > 2.0/12 {
				b = k
				break
			}
		}
		if n-b < leastOfCell {
			b = n
		}
		buf = append(buf[:0], r.y[a:b]...)
		my = append(my, median(buf))
		mx = append(mx, (r.p.u[(a+b-1)/2]+r.p.u[(a+b)/2])/2)
		a = b
	}
	cells := len(mx)
	if cells < 2 {
		for i := range r.f {
			r.f[i] = my[0]
		}
		return
	}
	// Outliers may have taken a cell: what stands out from both neighbours is
	// drawn to the nearer. Rises and falls stay as they are.
	raw := slices.Clone(my)
	for c := 1; c+1 < cells && cells >= 5; c++ {
		lo, hi := min(raw[c-1], raw[c+1]), max(raw[c-1], raw[c+1])
		my[c] = max(lo, min(hi, raw[c]))
	}
	c := 0
	for i, u := range r.p.u {
		for c < cells-2 && u > mx[c+1] {
			c++
		}
		d := mx[c+1] - mx[c]
		if d > 0.001 {
			// Beyond the outermost medians the same line goes on, at most by
			// half a cell.
			q := math.Max(-1, math.Min(2, (u-mx[c])/d))
			r.f[i] = my[c] + q*(my[c+1]-my[c])
		} else {
			r.f[i] = (my[c] + my[c+1]) / 2
		}
	}
}

// Points from which the scatter is taken to depend on x: with a slope, with a
// bend, and freely in groups of equal count, at most mostGroups.
const (
	slopePoints = 24
	bendPoints  = 60
	groupPoints = 200
	mostGroups  = 12
)

// spread sets s to the scatter about f, which took params parameters, as it
// depends on x, and returns that of all.
func (r *robust) spread(params int) float64 {
	n := len(r.y)
	abs := make([]float64, 0, 1000)
	scale := func(a, b int) float64 { // of (y-f)/s
		stride := max(1, (b-a)/800) // good to 3 %
		abs = abs[:0]
		for i := a; i < b; i += stride {
			abs = append(abs, math.Abs(r.y[i]-r.f[i])/r.s[i])
		}
		return 1.4826 * median(abs)
	}
	for i := range r.s {
		r.s[i] = 1
	}
	const least = 1e-7 // points on the curve exactly
	overall := math.Max(scale(0, n)*math.Sqrt(float64(n)/math.Max(1, float64(n-params))), least)

	// ln|y-f| as a polynomial in u. Each coefficient is drawn towards nothing
	// as far as its own uncertainty asks (James and Stein, 1961, the positive
	// part): of points that scatter alike the weights stay alike.
	if n >= slopePoints {
		stride := max(1, n/4000)
		var m, q, k float64
		for i := 0; i < n; i += stride {
			k++
			m += (r.p.u[i] - m) / k
		}
		for i := 0; i < n; i += stride {
			q += (r.p.u[i] - m) * (r.p.u[i] - m) / k
		}
		p1 := func(u float64) float64 { return u - m }
		var s12 float64
		for i := 0; i < n; i += stride {
			v := p1(r.p.u[i])
			s12 += v * (v*v - q) / k
		}
		p2 := func(u float64) float64 { v := u - m; return v*v - q - s12/q*v }
		var l, b1, b2, w2 float64
		for i := 0; i < n; i += stride {
			l += r.logs(i, overall) / k
		}
		for i := 0; i < n; i += stride {
			d := r.logs(i, overall) - l
			v := p2(r.p.u[i])
			b1 += d * p1(r.p.u[i])
			b2 += d * v
			w2 += v * v
		}
		const lnVar = 1.23 // of ln|normal|: π²/8
		shrink := func(sum, weight float64) float64 {
			if !(weight > 0) {
				return 0
			}
			b := sum / weight
			return b * math.Max(0, 1-lnVar/weight/(b*b+1e-30))
		}
		b1 = shrink(b1, q*k)
		b2 = shrink(b2, w2)
		if n < bendPoints {
			b2 = 0
		}
		if b1 != 0 || b2 != 0 {
			for i, u := range r.p.u {
				r.s[i] = math.Exp(math.Max(-2, math.Min(2, b1*p1(u)+b2*p2(u))))
			}
		}
	}
	if groups := min(mostGroups, n/groupPoints); groups > 1 {
		mid, own := make([]float64, groups), make([]float64, groups)
		for g := range groups {
			a, b := g*n/groups, (g+1)*n/groups
			own[g] = math.Max(scale(a, b), 0.1*overall) / overall
			mid[g] = r.p.u[(a+b)/2]
		}
		g := 0
		for i, u := range r.p.u {
			for g < groups-2 && u > mid[g+1] {
				g++
			}
			v := own[g]
			if d := mid[g+1] - mid[g]; d > 0 {
				v += math.Max(0, math.Min(1, (u-mid[g])/d)) * (own[g+1] - own[g])
			}
			r.s[i] *= v
		}
	}
	overall = math.Max(scale(0, n)*math.Sqrt(float64(n)/math.Max(1, float64(n-params))), least)
	for i := range r.s {
		r.s[i] *= overall
		if r.sigma != nil && r.sigma[i] > r.s[i] { // known to scatter more than its neighbours
			r.s[i] = math.Hypot(r.s[i], r.sigma[i])
		}
	}
	return overall
}

// logs is ln|y-f| of point i in units of all's scatter, within limits so that
// neither an outlier nor a point right on the curve counts for more than others.
func (r *robust) logs(i int, overall float64) float64 {
	return math.Log(math.Max(0.03, math.Min(4, math.Abs(r.y[i]-r.f[i])/overall)))
}

// move draws in the residuals about f beyond c times the scatter and hands
// points and weights on.
func (r *robust) move(c float64, params int) {
	if r.plain {
		return
	}
	n := len(r.y)
	overall := r.spread(params)
	var slope float64
	for i := range r.y {
		u := (r.y[i] - r.f[i]) / (c * r.s[i])
		r.z[i] = 0
		if q := 1 - u*u; q > 0 {
			r.z[i] = (r.y[i] - r.f[i]) * q * q
			slope += q * (1 - 5*u*u)
		}
	}
	slope = math.Max(0.3, slope/float64(n))
	for i := range r.y {
		r.moved[i] = r.f[i] + r.z[i]/slope
		q := overall / r.s[i]
		r.w[i] = q * q
	}
	r.p.set(r.moved, r.w)
}
