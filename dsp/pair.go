package dsp

import "math"

// Two pulses of one class so close that each lies in the other's front or
// tail. Neither can be timed as if the other were not there: together they
// are
//
//	x[n] = a1·T(n-q1) + a2·T(n-q2) + c + e·n + noise,
//
// solved by least squares for all of it at once. It is tried where one pulse
// leaves far more than the pulses of its class do, and believed where two
// leave no more than that: whatever else lies in a pulse's window, an echo of
// another shape or a shape that varies, is no second pulse.
const (
	// Closer than this, two discharges are one to a converter of 48 kHz: two
	// samples.
	leastApartS = 40e-6
	// Further apart, the first is taken out before the second is looked for.
	mostApartS = 0.8e-3
	// The lesser of two is no less than this part of the other: less is what
	// a pulse leaves.
	leastSecond = 0.3
	// What one pulse must leave, in units of what the class's pulses leave,
	// and what two may.
	oneLeaves, twoLeave = 3.0, 1.5
	// A template stands on a grid of 1/32 sample, and its average has noise:
	// the part of the energy that may be left of any pulse.
	anyLeaves = 0.003
	// The gain of two unknowns, at the best of some hundred places, in noise
	// alone: chi-square with 2 degrees of freedom exceeds 30 three times in 10⁷.
	pairGain = 30.0
)

// pair looks for two overlapping pulses of the class about the mark that a
// pulse at q0 would have. one is what a single pulse makes of it, if
// recognised. ok is false when two are not clearly what is there.
func (c *class) pair(x []float32, q0 float64, one *fitted, z sizes, r Rate) (p, s fitted, ok bool) {
	t := c.t
	if !c.stable || t.clipped {
		return p, s, false
	}
	n := len(t.wave)
	near := max(int(math.Ceil(leastApartS*float64(r))), 2)
	far := min(int(mostApartS*float64(r)), t.frontRoom())
	reach := z.block + 4
	from := int(math.Round(q0)) - reach - t.zero // index in x of the first lag's first sample
	lags := 2*reach + 1 + far
	if from < 0 || from+lags+n > len(x) {
		return p, s, false
	}
	if one != nil {
		// Most pulses are alone: then this is all it costs.
		left, all, m := t.leaves(x, one)
		if left <= t.allowed(oneLeaves, c.left, all, m) {
			return p, s, false
		}
	}
	y := make([]float64, lags+n)
	var base float64
	for _, v := range x[from : from+t.quiet()] {
		base += float64(v)
	}
	base /= float64(t.quiet())
	for i := range y {
		y[i] = float64(x[from+i]) - base
		if t.stops.at(float64(x[from+i]), base) {
			return p, s, false
		}
	}
	with := make([]float64, lags) // Σ y·T at each lag
	for l := range with {
		with[l] = dot(t.wave, y[l:])
	}
	own := t.likeItself(far) // Σ T·T at each distance
	// For each place of the second, the best of the first: its gain.
	gain := make([]float64, lags)
	first := make([]int, lags)
	for b := near; b < lags; b++ {
		for a := max(0, b-far); a <= min(2*reach, b-near); a++ {
			det := own[0]*own[0] - own[b-a]*own[b-a]
			if det < 1e-6*own[0]*own[0] {
				continue
			}
			a1 := (own[0]*with[a] - own[b-a]*with[b]) / det
			a2 := (own[0]*with[b] - own[b-a]*with[a]) / det
			if a1 <= 0 || a2 < 0.5*leastSecond*a1 || a2*0.5*leastSecond > a1 {
				continue
			}
			if g := a1*with[a] + a2*with[b]; g > gain[b] {
				gain[b], first[b] = g, a
			}
		}
	}
	// The best few places, finely.
	best := math.Inf(1)
	for range 6 {
		top := 0
		for b := 1; b+1 < lags; b++ {
			if gain[b] > gain[top] {
				top = b
			}
		}
		if gain[top] <= 0 {
			break
		}
		for b := max(0, top-1); b <= min(top+1, lags-1); b++ {
			gain[b] = 0
		}
		f, g, good := t.fitPair(x, float64(from+t.zero+first[top]), float64(from+t.zero+top))
		if good && f.ssr < best {
			best, p, s = f.ssr, f, g
		}
	}
	if math.IsInf(best, 1) || p.a <= 0 || s.a < leastSecond*p.a || p.a < leastSecond*s.a ||
		s.q-p.q < float64(near)-0.5 || p.a < 0.2*c.level || p.a > 5*c.level {
		return p, s, false
	}
	v := t.sigma * t.sigma
	if p.ssr-v*float64(p.n) > t.allowed(twoLeave, c.left, p.sst, p.n) {
		return p, s, false
	}
	// Against the best that one does over the same stretch.
	alone := p.sst - t.bestAlone(x, p.start, p.n, q0, reach)
	if alone-p.ssr < pairGain*v || alone-v*float64(p.n) < 3*(p.ssr-v*float64(p.n)) ||
		alone-v*float64(p.n) < t.allowed(oneLeaves, c.left, p.sst, p.n) {
		return p, s, false
	}
	return p, s, true
}

// likeItself is Σ T·T of the wave and itself so many samples later, for 0 to far.
func (t *template) likeItself(far int) []float64 {
	for l := len(t.ownW); l <= far; l++ {
		t.ownW = append(t.ownW, dot(t.wave[l:], t.wave))
	}
	return t.ownW
}

// dot is Σ a·b over the length of a; b is as long at least. In four sums, that do
// not wait for each other.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float64
	for len(a) >= 4 && len(b) >= 4 {
		s0 += a[0] * b[0]
		s1 += a[1] * b[1]
		s2 += a[2] * b[2]
		s3 += a[3] * b[3]
		a, b = a[4:], b[4:]
	}
	for i, v := range a {
		s0 += v * b[i]
	}
	return (s0 + s1) + (s2 + s3)
}

// frontRoom is how far after a pulse another's front still lies in its window.
func (t *template) frontRoom() int { return max(len(t.wave)-t.crest-2, 0) }

// allowed is what may be left of n samples that hold energy all, noise taken
// off: times what the class's pulses leave, and what noise varies by.
func (t *template) allowed(times, left, all float64, n int) float64 {
	return math.Max(times*left, anyLeaves)*all + 3*t.sigma*t.sigma*math.Sqrt(2*float64(n))
}

// leaves is the energy that a pulse of the whole wave at f's place and size
// leaves, noise taken off, and the energy of all.
func (t *template) leaves(x []float32, f *fitted) (left, all float64, n int) {
	shape := t.shape[f.phase]
	n = len(shape)
	if f.start < 0 || f.start+n > len(x) {
		return 0, 0, n
	}
	var sr, sx, rr, xx float64
	for j, v := range shape {
		y := float64(x[f.start+j]) - f.base
		e := y - f.a*v
		sx, xx, sr, rr = sx+y, xx+y*y, sr+e, rr+e*e
	}
	m := float64(n)
	return rr - sr*sr/m - t.sigma*t.sigma*m, xx - sx*sx/m, n
}

// bestAlone is the most energy that one pulse within reach of q0 explains of
// the n samples from start on.
func (t *template) bestAlone(x []float32, start, n int, q0 float64, reach int) (most float64) {
	var sx float64
	for _, v := range x[start : start+n] {
		sx += float64(v)
	}
	m := sx / float64(n)
	for l := -reach; l <= reach; l++ {
		for half := range 2 {
			w := t.shape[half*bankPhases/2]
			at := int(math.Round(q0)) + l - t.zero
			var xw, ww, s float64
			for j, v := range w {
				if i := at + j; i >= start && i < start+n {
					xw += v * (float64(x[i]) - m)
					ww += v * v
					s += v
				}
			}
			if ww -= s * s / float64(n); ww > 0 && xw > 0 {
				most = math.Max(most, xw*xw/ww)
			}
		}
	}
	return most
}

// fitPair times two pulses together. Both hold the sums of squares of the
// first's window.
func (t *template) fitPair(x []float32, q1, q2 float64) (f, g fitted, ok bool) {
	length := len(t.wave)
	at := func(q float64) (start, phase int) {
		m := math.Floor(q)
		phase = int((q-m)*bankPhases + 0.5)
		if phase == bankPhases {
			phase, m = 0, m+1
		}
		return int(m) - t.zero, phase
	}
	terms := 5
	if t.slope {
		terms = 6
	}
	s1, _ := at(q1)
	s2, _ := at(q2)
	// A pulse may outlast its averaged shape: no further than the first's.
	from, to := s1-2, s1+length-2
	if from < 0 || to > len(x) || s2+t.crest+2 > to {
		return f, g, false
	}
	n := to - from
	for iter := 0; ; iter++ {
		start1, p1 := at(q1)
		start2, p2 := at(q2)
		var a [6][7]float64
		var xx, sx float64
		ref := float64(x[from])
		for i := from; i < to; i++ {
			v := [7]float64{4: 1, 5: (float64(i-from) - float64(n-1)/2) / float64(n)}
			if j := i - start1; j >= 0 && j < length {
				v[0], v[1] = t.shape[p1][j], t.deriv[p1][j]
			}
			if j := i - start2; j >= 0 && j < length {
				v[2], v[3] = t.shape[p2][j], t.deriv[p2][j]
			}
			y := float64(x[i]) - ref
			xx += y * y
			sx += y
			for r := range terms {
				for k := r; k < terms; k++ {
					a[r][k] += v[r] * v[k]
				}
				a[r][6] += v[r] * y
			}
		}
		var b [6]float64
		for r := range terms {
			b[r] = a[r][6]
			for k := range r {
				a[r][k] = a[k][r]
			}
		}
		// Gauss-Jordan; the inverse's diagonal is wanted for the variances.
		var inv [6][6]float64
		for r := range terms {
			inv[r][r] = 1
		}
		for k := range terms {
			p := a[k][k]
			if !(p > 1e-12) {
				return f, g, false
			}
			for j := range terms {
				a[k][j] /= p
				inv[k][j] /= p
			}
			for i := range terms {
				if h := a[i][k]; i != k && h != 0 {
					for j := range terms {
						a[i][j] -= h * a[k][j]
						inv[i][j] -= h * inv[k][j]
					}
				}
			}
		}
		var c [6]float64
		ssr := xx
		for r := range terms {
			for k := range terms {
				c[r] += inv[r][k] * b[k]
			}
			ssr -= c[r] * b[r]
		}
		if c[0] <= 0 || c[2] <= 0 {
			return f, g, false
		}
		d1, d2 := math.Max(-1, math.Min(1, c[1]/c[0])), math.Max(-1, math.Min(1, c[3]/c[2]))
		if iter >= 4 {
			d1, d2 = d1/2, d2/2
		}
		q1 = float64(start1+t.zero) + float64(p1)/bankPhases + d1
		q2 = float64(start2+t.zero) + float64(p2)/bankPhases + d2
		if s, _ := at(q1); s < s1-2 || s > s1+2 || math.IsNaN(q1) || math.IsNaN(q2) {
			return f, g, false
		}
		if s, _ := at(q2); s < s2-2 || s > s2+2 {
			return f, g, false
		}
		if math.Max(math.Abs(d1), math.Abs(d2)) <= 0.75/bankPhases || iter == 12 {
			sst := math.Max(xx-sx*sx/float64(n), ssr)
			f = fitted{q: q1, a: c[0], ssr: math.Max(ssr, 0), sst: sst, varq: inv[1][1] / (c[0] * c[0]), n: n, start: start1, phase: p1, base: c[4] + ref}
			g = fitted{q: q2, a: c[2], ssr: f.ssr, sst: sst, varq: inv[3][3] / (c[2] * c[2]), n: n, start: start2, phase: p2, base: c[4] + ref}
			return f, g, iter < 12 || math.Max(math.Abs(d1), math.Abs(d2)) < 0.15
		}
	}
}
