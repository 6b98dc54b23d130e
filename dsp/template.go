package dsp

import (
	"cmp"
	"math"
	"slices"
)

// template is the averaged shape of one class and what is needed to time a
// pulse against it.
//
// A pulse at alignment q (samples) is modelled as
//
//	x[n] = a·T(n-q+zero) + c + e·(n-n0) + noise,
//
// T the averaged shape with T's sample `zero` at the alignment, c and e the
// local baseline. With T tabulated at bankPhases positions per sample, together
// with its derivative D with respect to q, a pulse is timed by linear least
// squares for (a, b, c, e): q moves by b/a, and again from there until it stays.
// For white noise this is the maximum-likelihood estimate, whose variance is
// the Cramér-Rao bound σ²/(a²·ΣD²) as far as D is orthogonal to T and the
// baseline (Kay, Estimation Theory, 1993, ch. 3 and 7).
type template struct {
	wave    []float64 // T on whole samples, fraction of full scale; a is about 1
	zero    int
	sigma   float64 // rms noise of one pulse, fraction of full scale
	n       int     // pulses averaged
	amp     float64 // median a of those
	slope   bool    // the baseline's slope is fitted too
	length  int     // samples of wave that take part in timing: wave[:length]
	clipped bool    // most of the pulses averaged were at an end stop
	alone   bool    // averaged over pulses with nothing shortly before them
	fixed   bool    // clipped, and all of one height
	stops   stops   // what their samples could not exceed
	excess  float64 // variance of the timing beyond the noise, samples²: shapes that vary

	fade  []float64             // 1, falling to 0 over the last part of wave
	shape [bankPhases][]float64 // T(j - p/bankPhases)
	deriv [bankPhases][]float64 // d/dq of the same
	inv   [bankPhases][16]float64

	swingW   []float64               // cached by swings
	nearW    nearWindow              // cached by near
	ownW     []float64               // cached by likeItself
	invFront [bankPhases][16]float64 // as inv, for the front alone
	frontLen int                     // samples up to just after the crest

	foot, crest int
	anchor      float64 // timing point, samples from the alignment
	anchorSigma float64
	least       least // the anchor behind a converter of least phase
}

const bankPhases = 32

// swings is the peak-to-peak excursion of wave over two blocks of n samples
// from each sample on.
func (t *template) swings(n int) []float64 {
	if t.swingW == nil {
		t.swingW = make([]float64, len(t.wave))
		for j := range t.swingW {
			lo, hi := t.wave[j], t.wave[j]
			for _, v := range t.wave[j:min(j+2*n, len(t.wave))] {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
			t.swingW[j] = hi - lo
		}
	}
	return t.swingW
}

// tabulate fills the phases from wave.
func (t *template) tabulate() {
	n := len(t.wave)
	if len(t.fade) != n {
		// A pulse may outlast its averaged shape; what is taken out of the
		// signal must not leave a jump where the shape ends.
		t.fade = make([]float64, n)
		part := n * 3 / 10
		for j := range t.fade {
			t.fade[j] = 1
			if k := n - 1 - j; k < part {
				t.fade[j] = 0.5 - 0.5*math.Cos(math.Pi*float64(k)/float64(part))
			}
		}
	}
	const h = 1.0 / bankPhases
	at := func(d float64) []float64 { // T(j-d)
		y := make([]float64, n)
		shiftInto(y, t.wave, -d)
		return y
	}
	prev := at(-h)
	cur := slices.Clone(t.wave)
	for p := range bankPhases {
		next := at(float64(p+1) * h)
		d := make([]float64, n)
		for j := range d {
			d[j] = (next[j] - prev[j]) / (2 * h)
		}
		t.shape[p], t.deriv[p] = cur, d
		prev, cur = cur, next
	}
	t.weigh()
}

// terms is the number of quantities fitted to a pulse.
func (t *template) terms() int {
	if t.slope {
		return 4
	}
	return 3
}

// weigh prepares the least-squares solution for the first t.length samples.
func (t *template) weigh() {
	for p := range bankPhases {
		g := gram(t.shape[p][:t.length], t.deriv[p][:t.length], t.terms())
		if !invert(&g, t.terms()) {
			g = [16]float64{}
		}
		t.inv[p] = g
	}
	t.frontLen = min(t.crest+2, t.length)
	for p := range bankPhases {
		g := gram(t.shape[p][:t.frontLen], t.deriv[p][:t.frontLen], t.terms())
		if !invert(&g, t.terms()) {
			g = [16]float64{}
		}
		t.invFront[p] = g
	}
}

// fitFront times the pulse by its front alone.
func (t *template) fitFront(x []float32, q0, reach float64) (f fitted, ok bool) {
	return t.fitWith(x, q0, reach, t.frontLen, &t.invFront)
}

// gram is the matrix of inner products of (shape, deriv, 1, slope).
func gram(s, d []float64, terms int) (g [16]float64) {
	n := len(s)
	mid := float64(n-1) / 2
	for j := range s {
		v := [4]float64{s[j], d[j], 1, (float64(j) - mid) / float64(n)}
		for a := range terms {
			for b := 0; b <= a; b++ {
				g[a*4+b] += v[a] * v[b]
			}
		}
	}
	for a := range terms {
		for b := range a {
			g[b*4+a] = g[a*4+b]
		}
	}
	return g
}

// invert replaces the leading n×n block of a symmetric positive definite
// matrix (row length 4) by its inverse; false when it is singular.
func invert(g *[16]float64, n int) bool {
	for k := range n {
		p := g[k*4+k]
		if !(p > 1e-12) {
			return false
		}
		for j := range n {
			g[k*4+j] /= p
		}
		g[k*4+k] = 1 / p
		for i := range n {
			if i == k {
				continue
			}
			f := g[i*4+k]
			g[i*4+k] = 0
			for j := range n {
				g[i*4+j] -= f * g[k*4+j]
			}
		}
	}
	return true
}

// fitted is a pulse timed against a template.
type fitted struct {
	q     float64 // alignment, samples in the coordinates of x
	a     float64 // amplitude, in units of the template
	ssr   float64 // sum of squared residuals over the timing window
	sst   float64 // sum of squares about the baseline alone
	varq  float64 // variance of q for unit noise variance, samples²
	n     int
	start int // index in x of wave[0] in the last fit
	phase int
	base  float64 // baseline at the middle of the window
	tilt  float64
}

// match is the likeness of the pulse to the template, 0 to 1: the share of its
// energy, noise of variance v per sample taken off, that the template explains.
func (f *fitted) match(v float64) float64 {
	explained := f.sst - f.ssr
	if explained <= 0 {
		return 0
	}
	rest := math.Max(f.ssr-v*float64(f.n), 0)
	return math.Sqrt(explained / (explained + rest))
}

// fit times the pulse near q0 in x; samples at an end stop have no say. ok is false when the template would leave x
// or the estimate runs away by more than reach samples.
func (t *template) fit(x []float32, q0, reach float64) (f fitted, ok bool) {
	return t.fitWith(x, q0, reach, t.length, &t.inv)
}

func (t *template) fitWith(x []float32, q0, reach float64, length int, inv *[bankPhases][16]float64) (f fitted, ok bool) {
	q := q0
	a := 0.0 // amplitude so far
	for iter := 0; ; iter++ {
		m := math.Floor(q)
		p := int((q-m)*bankPhases + 0.5)
		if p == bankPhases {
			p, m = 0, m+1
		}
		start := int(m) - t.zero
		if start < 0 || start+length > len(x) {
			return f, false
		}
		g := &inv[p]
		if g[0] == 0 {
			return f, false
		}
		s, d := t.shape[p][:length], t.deriv[p][:length]
		w := x[start : start+length]
		var xs, xd, x1, xt, xx float64
		ref := float64(w[0]) // large offsets would cancel badly
		low, high := w[0], w[0]
		for j, v32 := range w {
			low, high = min(low, v32), max(high, v32)
			v := float64(v32) - ref
			xs += v * s[j]
			xd += v * d[j]
			x1 += v
			xx += v * v
			xt += v * float64(j)
		}
		n := float64(length)
		terms := t.terms()
		var own [16]float64
		var less [4]float64
		var left float64
		if t.stops.near(low, high) {
			// What an end stop cut off says nothing of where the pulse lies.
			n, xs, xd, x1, xx, xt, own = t.between(w, s, d, ref, a)
			if t.fixed { // all of the same height: only where it lies is asked
				for i := 1; i < terms; i++ {
					less[i] = own[i*4]
					own[i*4], own[i] = 0, 0
				}
				left = own[0] - 2*xs // of the sum of squares, the pulse itself taken off
				less[0], own[0] = xs-1, 1
			}
			if n < float64(terms)+2 || !invert(&own, terms) {
				return f, false
			}
			g = &own
		} else {
			xt = (xt - (n-1)/2*x1) / n
		}
		r := [4]float64{xs - less[0], xd - less[1], x1 - less[2], xt - less[3]}
		var c [4]float64
		for i := range terms {
			for k := range terms {
				c[i] += g[i*4+k] * r[k]
			}
		}
		if c[0] == 0 {
			return f, false
		}
		a = c[0]
		delta := c[1] / c[0]
		grid := m + float64(p)/bankPhases
		delta = math.Max(-1, math.Min(1, delta))
		if iter >= 4 {
			delta /= 2 // a short window on a varying shape may swing to and fro
		}
		q = grid + delta
		if math.Abs(q-q0) > reach || math.IsNaN(q) {
			return f, false
		}
		if math.Abs(delta) <= 0.75/bankPhases || iter == 12 {
			f = fitted{q: q, a: c[0], n: int(n), start: start, phase: p, base: c[2] + ref, tilt: c[3]}
			f.ssr = math.Max(xx-c[0]*r[0]-c[1]*r[1]-c[2]*r[2]-c[3]*r[3], 0)
			if own[0] != 0 && t.fixed {
				f.ssr = math.Max(xx+left-c[1]*r[1]-c[2]*r[2]-c[3]*r[3], 0)
			}
			f.sst = math.Max(xx-x1*x1/n, f.ssr)
			if terms == 4 {
				// about the sloping baseline: the sum of (j-mid)²/n² is (n²-1)/(12n)
				f.sst = math.Max(f.sst-xt*xt*12*n/(n*n-1), f.ssr)
			}
			f.varq = g[5] / (c[0] * c[0])
			return f, iter < 12 || math.Abs(delta) < 0.15
		}
	}
}

// sigmaOf is the random standard uncertainty of a fitted pulse's timing.
func (t *template) sigmaOf(f *fitted) float64 {
	v := t.sigma * t.sigma
	if dof := f.n - t.terms(); dof > 0 && t.excess == 0 {
		v = math.Max(v, math.Min(f.ssr/float64(dof), 100*v))
	}
	return math.Sqrt(v*f.varq + t.excess + 1e-8)
}

// snippet is a piece of a channel around one candidate.
type snippet struct {
	pos     int64     // position of x[0] in the recording
	feature int       // index in x of the candidate's coarse mark
	x       []float32 // never changed
	q       float64   // alignment found, index in x
	a       float64
	base    float64 // baseline found
	clipped bool
	crowded bool // another pulse came shortly before
	used    bool
	stops   stops
}

// average rebuilds wave as the least-squares shape of the members at their
// present alignments and amplitudes, leaving out those that fit badly.
func (t *template) average(members []*snippet) {
	n := len(t.wave)
	sum := make([]float64, n)
	y := make([]float64, n)
	var x []float64
	weight, count := 0.0, 0
	for _, s := range members {
		if !s.used || s.a == 0 {
			continue
		}
		x = x[:0]
		for _, v := range s.x {
			x = append(x, float64(v))
		}
		if t.clipped {
			t.complete(x, s)
		}
		shiftInto(y, x, s.q-float64(t.zero))
		base := mean(y[:t.quiet()])
		tilt := 0.0
		if t.slope {
			base, tilt = line(y[:t.quiet()])
		}
		for j := range sum {
			sum[j] += s.a * (y[j] - base - tilt*float64(j))
		}
		weight += s.a * s.a
		count++
	}
	if weight == 0 {
		return
	}
	for j := range sum {
		t.wave[j] = sum[j] / weight
	}
	t.n = count
}

// quiet is the number of samples at wave's start that lie before any front.
func (t *template) quiet() int { return quietOf(t.zero) }

// quietOf is the same for a wave with so many samples before its alignment.
func quietOf(zero int) int { return max(8, zero*6/10) }

func mean(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// line fits base + tilt·j to x[j].
func line(x []float64) (base, tilt float64) {
	n := float64(len(x))
	m := mean(x)
	var sxy float64
	for j, v := range x {
		sxy += (float64(j) - (n-1)/2) * (v - m)
	}
	tilt = sxy / (n * (n*n - 1) / 12)
	return m - tilt*(n-1)/2, tilt
}

// learn builds a template from members whose q holds a first alignment.
// It needs at least two usable members. With edge set only the front is used.
func learn(members []*snippet, zero, length int, slope, edge bool) *template {
	t := &template{zero: zero, slope: slope, wave: make([]float64, length), length: length}
	amps := make([]float64, 0, len(members))
	for _, s := range members {
		s.used = !s.clipped
		amps = append(amps, s.a)
	}
	if len(members) > 0 {
		t.stops = members[0].stops
	}
	whole := 0
	for _, s := range members {
		if s.used {
			whole++
		}
	}
	// What comes after another pulse, an echo of it perhaps, stands on that
	// one's tail, which may keep its time as well as the pulse does.
	alone := 0
	for _, s := range members {
		if s.used && !s.crowded {
			alone++
		}
	}
	if t.alone = alone >= 8 && 8*alone >= whole; t.alone {
		for _, s := range members {
			s.used = s.used && !s.crowded
		}
		whole = alone
	}
	if whole < min(8, len(members)) {
		t.clipped = whole < len(members)
		t.fixed = t.clipped && edge
		for _, s := range members {
			s.used = true
			if t.clipped && !edge {
				// Tops cut off look alike a cycle off as well, but the first sample
				// far out lies within one of the same moment in all.
				s.q = float64(s.feature) - 0.5
			}
		}
	}
	scale := medianOf(amps)
	for _, s := range members {
		s.a /= scale
	}
	t.sigma = quietNoise(members, zero, slope)
	t.average(members)
	t.front()
	ends := t.windows()
	if edge {
		ends = ends[:1]
	}
	t.length = ends[len(ends)-1]
	for i := range 4 {
		if i == 1 && !edge && !t.clipped {
			t.toMarks(members)
			t.recentre(members)
		}
		t.align(members)
		t.average(members)
	}
	t.front()
	if !edge {
		ends = t.windows()
		// Where the shape varies, what follows the front pulls the timing
		// about: settle the average by its front alone, which all pulses of a
		// class share, and see how much of the rest repeats well enough.
		for range 2 {
			t.choose(members, ends)
			rounds := 1
			if t.length < ends[len(ends)-1] {
				rounds = 3
			}
			for range rounds {
				t.align(members)
				t.average(members)
			}
		}
	}
	t.align(members)
	t.front()
	amps = amps[:0]
	for _, s := range members {
		if s.used {
			amps = append(amps, math.Abs(s.a))
		}
	}
	t.amp = medianOf(amps)
	return t
}

// front locates the averaged front.
func (t *template) front() {
	if t.clipped {
		t.foot, t.crest = clippedFront(t.wave, t.sigma, t.stops)
		return
	}
	t.foot, t.crest = frontOf(t.wave, t.sigma/math.Sqrt(float64(max(t.n, 1))))
}

// windows lists the lengths of wave that timing may use, shortest first.
func (t *template) windows() []int {
	var ends []int
	n := len(t.wave)
	e := min(t.crest+2, n)
	if t.clipped {
		// The front alone has next to nothing below the stop: up to where a few
		// samples are.
		for open := 0; e < n && open < 8; e++ {
			if !t.stops.at(t.wave[e], 0) {
				open++
			}
		}
	}
	step := max(t.crest-t.foot, 3)
	for e < n {
		ends = append(ends, e)
		e += step
		step *= 2
	}
	return append(ends, n)
}

// align times every member against the wave as it stands.
func (t *template) align(members []*snippet) {
	t.tabulate()
	var bad []float64
	res := make([]float64, len(members))
	reach := 6.0
	if t.clipped {
		reach = 1.5
	}
	for i, s := range members {
		f, ok := t.fit(s.x, s.q, reach)
		if !ok || f.a <= 0 {
			s.used = false
			res[i] = math.Inf(1)
			continue
		}
		s.q, s.a, s.base = f.q, f.a, f.base
		res[i] = f.ssr / (f.a * f.a * float64(f.n))
		if s.used {
			bad = append(bad, res[i])
		}
	}
	if len(bad) < 8 {
		return
	}
	// A member with another event in its window does not shape the average.
	limit := 4 * medianOf(bad)
	for i, s := range members {
		s.used = (t.clipped || !s.clipped) && !(t.alone && s.crowded) && res[i] <= limit
	}
}

// toMarks moves all members together, so that the front lies at their marks again,
// where it has come to lie in what is taken for quiet. The group was begun by
// something else than most of it turned out to be.
func (t *template) toMarks(members []*snippet) {
	if t.front(); t.foot >= t.quiet() {
		return
	}
	var off []float64
	for _, s := range members {
		if s.used {
			off = append(off, float64(s.feature)-s.q)
		}
	}
	if len(off) == 0 {
		return
	}
	by := math.Round(medianOf(off))
	for _, s := range members {
		s.q += by
	}
	t.average(members)
}

// recentre moves members that were first aligned a cycle off: among whole
// samples around each alignment it takes the one that the whole wave explains
// best.
func (t *template) recentre(members []*snippet) {
	n := len(t.wave)
	w := make([]float32, n)
	hi, lo := t.look()
	for i, v := range t.wave {
		w[i] = float32(min(max(v, lo), hi))
	}
	const reach = 24
	for _, s := range members {
		q := int(math.Round(s.q))
		top, lag := -2.0, 0
		for l := -reach; l <= reach; l++ {
			from := q + l - t.zero
			if from < 0 || from+n > len(s.x) {
				continue
			}
			if r, _ := likeness(w, s.x[from:from+n]); r > top {
				top, lag = r, l
			}
		}
		if lag != 0 {
			s.q = float64(q + lag)
		}
	}
}

// choose picks the window that times best. The front's own timing is taken as
// unbiased. For a longer window that only adds information the variance of the
// difference of the two timings is the difference of their variances (Hausman,
// Econometrica 46 (1978) 1251); what it has beyond that comes from shapes that
// vary, and counts against the window.
func (t *template) choose(members []*snippet, ends []int) {
	t.tabulate()
	type timing struct{ q, v []float64 }
	var front timing
	bestEnd, bestTotal, bestExcess := ends[0], math.Inf(1), 0.0
	noise := t.sigma * t.sigma
	for _, e := range ends {
		var inv [bankPhases][16]float64
		ok := true
		for p := range bankPhases {
			inv[p] = gram(t.shape[p][:e], t.deriv[p][:e], t.terms())
			ok = invert(&inv[p], t.terms()) && ok
		}
		if !ok {
			continue
		}
		cur := timing{make([]float64, len(members)), make([]float64, len(members))}
		var diff, vars, gains []float64
		for i, s := range members {
			cur.q[i] = math.NaN()
			if !s.used {
				continue
			}
			f, ok := t.fitWith(s.x, s.q, 1.5, e, &inv)
			if !ok || f.a <= 0 {
				continue
			}
			cur.q[i], cur.v[i] = f.q, noise*f.varq
			vars = append(vars, cur.v[i])
			if front.q != nil && !math.IsNaN(front.q[i]) {
				diff = append(diff, f.q-front.q[i])
				gains = append(gains, front.v[i]-cur.v[i])
			}
		}
		if front.q == nil {
			if len(vars) == 0 {
				continue
			}
			front = cur
			bestEnd, bestTotal = e, medianOf(vars)
			continue
		}
		if len(diff) < 6 {
			break
		}
		total := medianOf(vars)
		got := spread(diff)
		want := math.Max(medianOf(gains), 0)
		// A median absolute deviation of n normal values is good to 1.17/√n.
		slack := 1 + 2*2*1.17/math.Sqrt(float64(len(diff)))
		excess := 0.0
		if got*got > want*slack {
			excess = got*got - want
		}
		if total+excess < bestTotal {
			bestEnd, bestTotal, bestExcess = e, total+excess, excess
		}
	}
	t.length, t.excess = bestEnd, bestExcess
}

// quietNoise is the rms noise of one sample, from the stretch before the fronts.
func quietNoise(members []*snippet, zero int, slope bool) float64 {
	var all []float64
	var y []float64
	for _, s := range members {
		n := quietOf(zero)
		from := int(s.q) - zero
		if from < 0 || from+n > len(s.x) {
			continue
		}
		y = y[:0]
		for _, v := range s.x[from : from+n] {
			y = append(y, float64(v))
		}
		base, tilt := mean(y), 0.0
		terms := 1
		if slope {
			base, tilt = line(y)
			terms = 2
		}
		var ss float64
		for j, v := range y {
			d := v - base - tilt*float64(j)
			ss += d * d
		}
		all = append(all, ss/float64(n-terms))
	}
	if len(all) == 0 {
		return 0
	}
	return math.Sqrt(medianOf(all))
}

// medianOf does not change x; 0 for none.
func medianOf(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	y := slices.Clone(x)
	n := len(y)
	upper := Nth(y, n/2)
	if n%2 == 1 {
		return (upper + upper) / 2
	}
	// The greatest of those before it; no number sorts before all.
	lower := y[0]
	for _, v := range y[1 : n/2] {
		if cmp.Less(lower, v) {
			lower = v
		}
	}
	return (lower + upper) / 2
}

// Nth reorders x so that x[k] is what it would be if x were sorted, nothing
// before it greater and nothing after it less, and returns it (Hoare's
// selection, Comm. ACM 4 (1961) 321).
func Nth(x []float64, k int) float64 {
	lo, hi := 0, len(x)-1
	for range 64 {
		if hi-lo < 16 {
			break
		}
		p := x[(lo+hi)/2]
		a, b := x[lo], x[hi]
		if cmp.Less(b, a) {
			a, b = b, a
		}
		if cmp.Less(p, a) { // the middle one of three
			p = a
		} else if cmp.Less(b, p) {
			p = b
		}
		i, j := lo, hi
		for i <= j {
			for cmp.Less(x[i], p) {
				i++
			}
			for cmp.Less(p, x[j]) {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return x[k]
		}
	}
	slices.Sort(x[lo : hi+1])
	return x[k]
}

// spread is 1.4826 times the median absolute deviation: the standard deviation
// for normal values (Rousseeuw and Croux 1993).
func spread(x []float64) float64 {
	m := medianOf(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - m)
	}
	return 1.4826 * medianOf(d)
}
