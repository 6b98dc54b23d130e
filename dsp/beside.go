package dsp

import (
	"cmp"
	"math"
	"slices"
)

// This file finds a burst that comes so soon after an edge of a contact on the
// same channel, or so soon before one, that the edge lies in its window: the
// edge is taken out of the signal first.

const (
	// What is left when an edge is taken out must be as like its class as a
	// group's members are to be adopted.
	joinMatch = 0.85
	// Sparks vary by some 30 % from one to the next (common practice, no
	// source): what differs by more than a factor of two from what is usual is
	// rather what a bounce leaves.
	joinSize = 2.0
	// The last edges of the window that are tried: a bounce has some ten, and a
	// ring three times as high as the contact as many of its own.
	mostEdges = 24
	// An edge of a contact is about as high as all are; gain control lets it
	// vary (the limits of owns and of record).
	leastEdge, mostEdge = 0.5, 1.6
	// A converter rings by 9 % of a step (Gibbs), twice that between two edges
	// close together.
	outside = 0.2
	// In the bounce of an edge that was taken there are as many as a band limit
	// makes of edges that follow each other at its own pace (by trial, with reeds
	// behind lossy coding).
	amidBounce = 0.5
)

// clear returns those candidates that have no edge of the contact in the window
// of their template, or all where there are too few of them: an edge that always
// comes at about the same distance would become part of the average, and a bounce
// a class of its own. Edges shortly before a candidate's mark are its own.
func (c *contactFinder) clear(all []*snippet, d *Detector) []*snippet {
	const ownS = 0.2e-3 // of a burst's front before its mark; an S of 130 µs is the slowest in dsp/synth
	defer func() { c.early = nil }()
	var out []*snippet
	for _, s := range all {
		at := float64(s.pos) + float64(s.feature)
		i, _ := slices.BinarySearchFunc(c.early, at-float64(d.z.pre+c.lag), func(e edge, p float64) int { return cmp.Compare(e.pos, p) })
		crowded := i < len(c.early) && c.early[i].pos < at-ownS*float64(d.rate)
		k, _ := slices.BinarySearch(c.leads, at)
		if !crowded && (k == len(c.leads) || c.leads[k] > at+float64(d.z.post+c.lag)) {
			out = append(out, s)
		}
	}
	if len(out) < 4*leastMembers {
		c.step = nil
		return all
	}
	return out
}

// edgeShape is what the converter makes of a change of level by 1.
type edgeShape struct {
	value, slope [bankPhases][]float64 // at j-zero samples from half-way; 0 before, 1 behind
	zero         int
}

// learnStep averages edges of a contact that have none near them, those that
// leave first, since they do not bounce; nil when there are too few.
func (c *contactFinder) learnStep(d *Detector, list []edge) *edgeShape {
	clear := bounceS / 4 * float64(d.rate)
	for _, sign := range []float64{-c.enter, c.enter} {
		var g group
		for i, e := range list {
			if e.sign != sign || i > 0 && e.pos-list[i-1].pos < clear || i+1 < len(list) && list[i+1].pos-e.pos < clear {
				continue
			}
			s := d.cut(int(math.Round(e.pos - float64(d.base))))
			if s == nil || s.clipped {
				continue
			}
			s.q, s.a = e.pos-float64(s.pos), 1
			if g.members = append(g.members, s); len(g.members) >= learnPulses {
				break
			}
		}
		if len(g.members) < leastMembers {
			continue
		}
		t := learn(g.members, d.z.pre, d.z.pre+d.z.post, d.slope, true)
		if t.n < leastMembers || t.clipped || t.wave[t.crest]*sign <= 0 || math.Abs(t.wave[t.crest]) < leastEdge*c.height {
			continue
		}
		return stepOf(t)
	}
	return nil
}

// stepOf makes a step of an averaged edge: its front, and from soon after its
// crest on the level that it goes to; nil where it ends with its crest.
func stepOf(t *template) *edgeShape {
	const behind = 8 // samples after the crest: what a converter rings most
	from, to := max(t.foot-ringing, 0), min(t.crest+behind, len(t.wave))
	if to < t.crest+2 {
		return nil
	}
	level := mean(t.wave[t.crest+1 : to])
	e := &edgeShape{}
	half := from
	for half+1 < to && t.wave[half]/level < 0.5 {
		half++
	}
	e.zero = half - from
	for p := range bankPhases {
		e.value[p], e.slope[p] = make([]float64, to-from), make([]float64, to-from)
		for j := range e.value[p] {
			e.value[p][j] = t.shape[p][from+j] / level
			e.slope[p][j] = t.deriv[p][from+j] / level
		}
	}
	return e
}

// at is the step's value and derivative at sample i when half-way lies at q.
func (e *edgeShape) at(i int, q float64) (v, slope float64) {
	m := math.Floor(q)
	p := int((q-m)*bankPhases + 0.5)
	if p == bankPhases {
		p, m = 0, m+1
	}
	switch j := i - int(m) + e.zero; {
	case j < 0:
		return 0, 0
	case j >= len(e.value[p]):
		return 1, 0
	default:
		return e.value[p][j], e.slope[p][j]
	}
}

// is says whether what is at index m of x is the step and nothing else, of about
// a height given.
func (e *edgeShape) is(x []float32, m, near int, height float64) bool {
	lo, hi := m-near, m+near+1
	if lo < 0 || hi > len(x) {
		return false
	}
	l, ok := e.fit(x, float64(m), lo, hi)
	if h := math.Abs(l.h); !ok || h < leastEdge*height || h > mostEdge*height {
		return false
	}
	var left float64
	for i := lo; i < hi; i++ {
		v, _ := e.at(i, l.q)
		r := float64(x[i]) - l.base - l.h*v
		left += r * r
	}
	// As a match of joinMatch, of energy about the mean: half the height either way.
	all := float64(hi-lo) * l.h * l.h / 4
	return left < (1-joinMatch*joinMatch)*all
}

// lift is one edge taken out: where half-way lies, index in the buffered
// signal, its signed height, and the level before it.
type lift struct{ q, h, base float64 }

// fit finds place and height of an edge near index q in x[lo:hi]. ok is false
// where that holds no such edge.
func (e *edgeShape) fit(x []float32, q float64, lo, hi int) (l lift, ok bool) {
	q0 := q
	for range 6 {
		// (height, height times shift, baseline)
		var a [3][4]float64
		for i := lo; i < hi; i++ {
			v, s := e.at(i, q)
			u := [4]float64{v, s, 1, float64(x[i])}
			for r := range 3 {
				for k := range 4 {
					a[r][k] += u[r] * u[k]
				}
			}
		}
		for k := range 3 {
			if !(math.Abs(a[k][k]) > 1e-9) {
				return l, false
			}
			for i := range 3 {
				if i == k {
					continue
				}
				f := a[i][k] / a[k][k]
				for j := k; j < 4; j++ {
					a[i][j] -= f * a[k][j]
				}
			}
		}
		l = lift{q, a[0][3] / a[0][0], a[2][3] / a[2][2]}
		if l.h == 0 {
			return l, false
		}
		shift := a[1][3] / a[1][1] / l.h
		q += math.Max(-1, math.Min(1, shift))
		if math.IsNaN(q) || math.Abs(q-q0) > 3 {
			return l, false
		}
		if math.Abs(shift) < 1.0/bankPhases {
			break
		}
	}
	l.q = q
	return l, true
}

// takeStep takes an edge out of x from index from on.
func (e *edgeShape) takeStep(x []float32, from int, l lift) {
	for i := max(from, int(l.q)-e.zero-2); i < len(x); i++ {
		v, _ := e.at(i, l.q)
		x[i] -= float32(l.h * v)
	}
}

// beside looks for a burst near block b with edges of the contact taken out:
// one of those that lie in its window, alone, or with all that is before it, or
// with all edges behind it. What edges a burst itself seems to have is not known
// beforehand: what leaves least wins. new is as for candidate.
func (d *Detector) beside(b int, new bool) (best *class, bf fitted, ok bool) {
	e := d.contact.step
	if e == nil || len(d.classes) == 0 {
		return nil, bf, false
	}
	n := d.z.block
	// What a pulse that was taken out has left may look like edges.
	if !new && float64(d.base)+float64(b*n)-d.lastPos < float64(d.z.post) {
		return nil, bf, false
	}
	from, to := (b-1)*n-d.z.pre-d.z.margin, (b+5)*n+d.z.post+d.z.margin
	if from < d.contact.lag+2 || to > len(d.buf) {
		return nil, bf, false
	}
	all := d.contact.list(d, from+d.z.margin, (b+5)*n)
	// The two levels, from before the first edge on.
	var low, high, room float64
	if len(all) > 0 {
		low, high = d.levels(all[0])
		room = d.room(low, high)
	}
	var list []float64
	top := d.contact.height
	for _, g := range all[max(len(all)-mostEdges, 0):] {
		list = append(list, g.pos-float64(d.base))
		top = max(top, d.contact.heightOf(g))
	}
	whole := slices.Clone(d.buf[from:to])
	restore := func() { copy(d.buf[from:to], whole) }
	defer restore()
	var edges []lift // those that are out
	// raise takes edges i to k out of what is there now; alone leaves nothing of
	// what lies before them either.
	raise := func(i, k int, alone bool) bool {
		edges = edges[:0]
		for j := i; j <= k; j++ {
			start, end := max(int(list[j])-n, from), min(int(list[j])+n+1, to)
			if j > 0 {
				start = max(start, int(list[j-1])+1)
			}
			if j+1 < len(list) {
				end = min(end, int(list[j+1]))
			}
			l, good := e.fit(d.buf, list[j], start, end)
			if h := math.Abs(l.h); !good || h < leastEdge*d.contact.height || h > mostEdge*top {
				return false
			}
			edges = append(edges, l)
			e.takeStep(d.buf[:to], from, l)
			if alone {
				for x := from; x < start; x++ {
					if v := float64(whole[x-from]); v > high+room || v < low-room {
						return false // no bounce, but a burst
					}
					d.buf[x] = float32(l.base)
				}
			}
		}
		return true
	}
	least := math.Inf(1)
	most := 0.0
	for _, k := range d.classes {
		most = math.Max(most, k.peak*k.level)
	}
	var bi, bk int
	var bAlone bool
	try := func(i, k int, alone bool) {
		defer restore()
		if !raise(i, k, alone) {
			return
		}
		seen := -1
		for at := b - 1; at <= b+3; at++ {
			m, _ := d.mark(at)
			if m == seen {
				continue
			}
			seen = m
			c, f, good := d.recognise(m)
			if !good || f.start < from || f.start+len(c.t.wave) > to || c.peak*c.level < 0.5*most || f.a < c.level/joinSize || f.a > c.level*joinSize {
				continue
			}
			if f.ssr < least && f.match(c.t.sigma*c.t.sigma) > joinMatch && (len(all) > 0 && d.leaves(whole, from, c, &f, edges, low, high) || d.burstNotBounce(whole, from, c, &f, list)) {
				least, best, bf, ok = f.ssr, c, f, true
				bi, bk, bAlone = i, k, alone
			}
		}
	}
	last := len(list) - 1
	try(0, -1, false) // what was taken for an edge may be the burst itself
	for i := range list {
		try(i, i, false)
		if i > 0 {
			try(i, i, true)
		}
		if i < last {
			try(i, last, false)
		}
	}
	if !ok {
		return nil, bf, false
	}
	// Again, each with the other taken out.
	d.takeOut(best, &bf, -1)
	if raise(bi, bk, bAlone) {
		d.takeOut(best, &bf, +1)
		if f, good := best.t.fit(d.buf, bf.q, 2); good && f.a > 0 {
			bf = f
		}
	}
	restore()
	for k := from / n; k <= (to-1)/n && k < len(d.lo); k++ {
		d.lo[k], d.hi[k] = extremes(d.buf[k*n : (k+1)*n])
	}
	return best, bf, true
}

// spoiled says whether the class leaves so much of a pulse that something else
// lies in its window.
func (c *class) spoiled(f *fitted) bool {
	m := f.match(c.t.sigma * c.t.sigma)
	return 1-m*m > math.Max(oneLeaves*c.left, anyLeaves)
}

// levels are the two between which the contact changes with an edge.
func (d *Detector) levels(e edge) (lo, hi float64) {
	end := max(int(e.pos-float64(d.base))-d.contact.lag, 1)
	var sum float64
	quiet := d.buf[max(end-d.z.block, 0):end]
	for _, v := range quiet {
		sum += float64(v)
	}
	near := sum / float64(len(quiet))
	height := d.contact.height
	if e.rise > height && e.sign == d.contact.enter && d.contact.holds(d, e) {
		height = e.rise
	}
	far := near + e.sign*height
	return min(near, far), max(near, far)
}

// entered says whether a place lies in the bounce after an entering edge that was
// taken, or on that edge.
func (c *contactFinder) entered(pos float64, r Rate) bool {
	before := 0.1 * bounceS * float64(r)
	for i := len(c.pulses) - 1; i >= 0; i-- {
		since := pos - c.pulses[i].Pos
		if since > bounceS/2*float64(r) {
			return false
		}
		if since > -before {
			return true
		}
	}
	return false
}

// room is how far beyond two levels noise and the converter's ringing go.
func (d *Detector) room(lo, hi float64) float64 { return outside*(hi-lo) + 5*d.noise() }

// burstNotBounce compares the two ways to explain what is in the window of a
// burst: the burst, with the edges taken out that are out of the buffer now, and
// the contact, going to and fro between a level and another. whole is the signal as
// it was, from index from on. What an edge of the contact passes through on its way
// counts for neither.
func (d *Detector) burstNotBounce(whole []float32, from int, c *class, f *fitted, list []float64) bool {
	const less = 1.0 / 4 // of the energy that the contact leaves
	lag := d.contact.lag
	a, b := f.start+c.t.foot, min(f.start+c.t.crest+d.z.nearPost, f.start+len(c.t.wave))
	a0 := a - 2*d.z.block
	if a0 < from || b > from+len(whole) {
		return false
	}
	shape := c.t.shape[f.phase]
	// The levels are the means of what is nearer to each.
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range whole[a-from : b-from] {
		low, high = math.Min(low, float64(v)), math.Max(high, float64(v))
	}
	var burst, contact float64
	for range 4 {
		var sums [2]float64
		var n [2]float64
		k := 0
		burst, contact = 0, 0
		for i := a; i < b; i++ {
			for k+1 < len(list) && math.Abs(list[k+1]-float64(i)) <= math.Abs(list[k]-float64(i)) {
				k++
			}
			if len(list) > 0 && math.Abs(list[k]-float64(i)) <= float64(lag) {
				continue
			}
			v := float64(whole[i-from])
			near, side := v-low, 0
			if math.Abs(v-high) < math.Abs(near) {
				near, side = v-high, 1
			}
			sums[side] += v
			n[side]++
			contact += near * near
			r := float64(d.buf[i]) - f.base - f.a*shape[i-f.start]
			burst += r * r
		}
		if n[0] > 0 {
			low = sums[0] / n[0]
		}
		if n[1] > 0 {
			high = sums[1] / n[1]
		}
	}
	return burst < less*contact
}

// leaves says whether the signal as it was, before from index from on, goes
// beyond the contact's two levels in the front of a burst: a bounce never does,
// however much its edges may look like one. lo and hi are levels known before;
// those of the edges taken out may be others, where a burst's front seems to be
// one.
func (d *Detector) leaves(before []float32, from int, c *class, f *fitted, edges []lift, lo, hi float64) bool {
	const whole = 0.8 // of the height: gains drift, and coupling droops
	out := 0.0
	for _, l := range edges {
		near := l.base + out // as it was before the edges before it were taken out
		far := near + l.h
		if math.Abs(l.h) < whole*d.contact.height {
			// A touch too short to get all the way.
			far = near + math.Copysign(d.contact.height, l.h)
		}
		lo, hi = min(lo, near, far), max(hi, near, far)
		out += l.h
	}
	room := d.room(lo, hi)
	if d.contact.entered(float64(d.base)+f.q+c.t.anchor, d.rate) {
		// Edges closer together than a band limit's ringing add theirs up.
		room += (amidBounce - outside) * (hi - lo)
	}
	for i := f.start + c.t.foot; i < min(f.start+c.t.crest+d.z.nearPost, from+len(before)); i++ {
		if v := float64(before[i-from]); v > hi+room || v < lo-room {
			return true
		}
	}
	return false
}
