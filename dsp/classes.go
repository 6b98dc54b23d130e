package dsp

import (
	"math"
	"slices"
)

// A class holds the pulses of a channel that look alike.
type class struct {
	t       *template
	sign    int
	peak    float64 // largest excursion of the template, fraction of full scale
	step    bool    // the signal stays at the new level: an edge, not a burst
	featOff float64 // where the coarse mark lies from the alignment, samples
	level   float64 // running amplitude of its pulses, in units of the template
	n       int
	half    float64 // for an edge: where it is half-way up, samples from the alignment
	middle  float64 // the same between samples
	alike   float64 // least likeness of a pulse of this class
	usual   float64 // likeness that nearly all of them reach
	stable  bool    // its pulses repeat well enough to be taken out of the signal
	left    float64 // part of its energy that the template leaves of nearly any of them
	first   int64   // position of its first member
	members []*snippet
	fades   fading // how its pulses die away, where they vary
}

// sizes are the lengths, in samples, that follow from the sampling rate.
type sizes struct {
	block     int // samples per block of the envelope
	pre, post int // template before and after the coarse mark
	nearPre   int // window that decides whether two pulses look alike
	nearPost  int
	margin    int
}

func sizesFor(r Rate) sizes {
	ms := func(v float64, lo, hi int) int {
		return min(max(int(math.Round(v*1e-3*float64(r))), lo), hi)
	}
	return sizes{
		block:    ms(0.167, 4, 32) &^ 1,
		pre:      ms(0.4, 40, 112),
		post:     ms(2.0, 48, 448),
		nearPre:  ms(0.08, 3, 16),
		nearPost: ms(0.3, 8, 64),
		margin:   interpTaps + 8,
	}
}

// likeness compares two stretches about their own means: the correlation
// coefficient and the amplitude of b in units of a.
func likeness(a, b []float32) (r, gain float64) {
	var sa, sb float64
	for i, v := range a {
		sa += float64(v)
		sb += float64(b[i])
	}
	n := float64(len(a))
	ma, mb := sa/n, sb/n
	var ab, aa, bb float64
	for i, v := range a {
		x, y := float64(v)-ma, float64(b[i])-mb
		ab += x * y
		aa += x * x
		bb += y * y
	}
	if aa <= 0 || bb <= 0 {
		return 0, 0
	}
	return ab / math.Sqrt(aa*bb), ab / aa
}

// bestLag slides b around its mark against a's window and returns the lag
// (added to b's mark) with the greatest likeness.
func bestLag(a, b *snippet, z sizes, reach int) (lag int, r, gain float64) {
	wa := a.x[a.feature-z.nearPre : a.feature+z.nearPost]
	r = -2
	for l := -reach; l <= reach; l++ {
		from := b.feature + l - z.nearPre
		if from < 0 || from+len(wa) > len(b.x) {
			continue
		}
		if c, g := likeness(wa, b.x[from:from+len(wa)]); c > r {
			lag, r, gain = l, c, g
		}
	}
	return lag, r, gain
}

// group is a class in the making.
type group struct {
	members []*snippet
	over    int // how often it was taken out of another group, as the other way up
}

// grouped sorts snippets into groups that look alike, and returns what is left
// over. noise is the rms noise per sample.
func grouped(all []*snippet, z sizes, noise float64) (groups []group, rest []*snippet) {
	rest = slices.Clone(all)
	const (
		alike    = 0.75
		tries    = 24
		leastAny = 3
	)
	least := max(leastAny, len(all)/25)
	reach := z.block + 4
	for try := 0; try < tries && len(rest) >= min(least, leastAny); try++ {
		// The typical pulse is the best one to compare with: neither the
		// weakest, which is mostly noise, nor the strongest, which may be a
		// disturbance.
		order := slices.Clone(rest)
		slices.SortFunc(order, func(a, b *snippet) int {
			switch {
			case a.swing(z) < b.swing(z):
				return -1
			case a.swing(z) > b.swing(z):
				return 1
			}
			return int(a.pos - b.pos)
		})
		seed := order[len(order)*3/5]
		if try%3 == 2 {
			seed = order[len(order)*(try*7%10)/10]
		}
		var in, out []*snippet
		energy := 0.0
		for _, v := range seed.x[seed.feature-z.nearPre : seed.feature+z.nearPost] {
			d := float64(v) - seedMean(seed, z)
			energy += d * d
		}
		noisy := float64(z.nearPre+z.nearPost) * noise * noise
		for _, s := range rest {
			lag, r, gain := bestLag(seed, s, z, reach)
			// Noise in both lowers the correlation of equal pulses.
			clean := math.Max(energy-noisy, 0.2*energy)
			expect := clean / energy
			if r >= alike*expect && gain > 0.25 && gain < 4 {
				s.q, s.a = float64(s.feature+lag), gain
				in = append(in, s)
			} else {
				out = append(out, s)
			}
		}
		if len(in) >= least {
			groups = append(groups, group{members: in})
			rest = out
		}
	}
	return groups, rest
}

func seedMean(s *snippet, z sizes) float64 {
	var m float64
	w := s.x[s.feature-z.nearPre : s.feature+z.nearPost]
	for _, v := range w {
		m += float64(v)
	}
	return m / float64(len(w))
}

// swing is the peak-to-peak excursion around the mark.
func (s *snippet) swing(z sizes) float64 {
	lo, hi := s.x[s.feature], s.x[s.feature]
	for _, v := range s.x[s.feature-z.nearPre : s.feature+z.nearPost] {
		lo, hi = min(lo, v), max(hi, v)
	}
	return float64(hi - lo)
}

// newClass turns a group into a class with a template and a timing point; nil
// when its members do not hold together.
func newClass(g group, z sizes, r Rate, slope bool) *class {
	t := learn(g.members, z.pre, z.pre+z.post, slope, false)
	if t == nil || t.n < 2 {
		return nil
	}
	c := &class{t: t, level: 1, sign: 1, usual: 2}
	var offs []float64
	for _, s := range g.members {
		if s.used {
			offs = append(offs, float64(s.feature)-s.q)
		}
	}
	c.featOff = medianOf(offs)
	crest := t.wave[t.crest]
	if crest < 0 {
		c.sign = -1
	}
	for _, v := range t.wave {
		c.peak = math.Max(c.peak, math.Abs(v))
	}
	c.step = t.isStep(g.members, r)
	// Noise can be made to look alike; its average fades.
	w := t.near(z)
	var energy float64
	for _, v := range w.x {
		energy += float64(v) * float64(v)
	}
	// But a pulse of a sample or two may have little of it and yet stand out of
	// noise as no chance of alignment does: the search begins at some four times.
	const standsOut = 6
	if energy < 1.2*float64(len(w.x))*t.sigma*t.sigma && c.peak < standsOut*t.sigma {
		return nil
	}
	c.findHalf()
	c.stable, c.left = t.repeats(g.members)
	c.stable = c.stable && !c.step
	if !c.stable && !c.step {
		c.fades = fadingOf(g.members, z)
	}
	// How alike the members are says how alike others must be.
	var likes []float64
	for _, s := range g.members {
		if _, like, ok := c.place(s.x, float64(s.feature)-c.featOff, z); ok {
			likes = append(likes, like)
		}
	}
	c.alike = 0.5
	if len(likes) > 0 {
		low := quantileInPlace(likes, 0.1)
		c.alike = math.Min(math.Max(0.85*low, 0.5), 0.85)
		c.usual = 0.97 * low
	}
	return c
}

// findHalf locates where the front is half-way to its crest.
func (c *class) findHalf() {
	t := c.t
	height := math.Abs(t.wave[t.crest])
	for i := t.foot; i <= t.crest; i++ {
		w := math.Abs(t.wave[i])
		if w < 0.5*height {
			continue
		}
		c.half = float64(i - t.zero)
		c.middle = c.half
		if v := math.Abs(t.wave[max(i-1, 0)]); w > v {
			c.middle -= (w - 0.5*height) / (w - v)
		}
		return
	}
}

// isStep says whether the members are edges of a signal with two levels: after
// the front it is either where the front took it or, while contacts bounce,
// back where it was, and hardly ever elsewhere.
func (t *template) isStep(members []*snippet, r Rate) bool {
	crest := t.wave[t.crest]
	from := t.crest + max((t.crest-t.foot)/2, 2)
	n := max(6, int(0.4e-3*float64(r)))
	const near = 0.3
	var there, either, beyond []float64
	for _, s := range members {
		if !s.used {
			continue
		}
		start := int(math.Round(s.q)) - t.zero
		if start < 0 || start+from+n > len(s.x) {
			continue
		}
		var base float64
		for _, v := range s.x[start : start+t.quiet()] {
			base += float64(v)
		}
		base /= float64(t.quiet())
		var hi, lo, neg float64
		for _, v := range s.x[start+from : start+from+n] {
			u := (float64(v) - base) / (crest * s.a)
			switch {
			case math.Abs(u-1) < near:
				hi++
			case math.Abs(u) < near:
				lo++
			case u < -0.4:
				neg++
			}
		}
		there = append(there, hi/float64(n))
		either = append(either, (hi+lo)/float64(n))
		beyond = append(beyond, neg/float64(n))
	}
	return len(there) > 0 && medianOf(there) > 0.3 && medianOf(either) > 0.7 && medianOf(beyond) < 0.05
}

// twinOf returns the class among others that c's averaged shape is alike to and
// as strong as; nil when there is none.
func (c *class) twinOf(others []*class, z sizes) *class {
	w := c.t.near(z)
	for _, o := range others {
		if o.sign != c.sign || c.peak > 2.5*o.peak || o.peak > 2.5*c.peak {
			continue
		}
		other := make([]float32, len(o.t.wave))
		for i, v := range o.t.wave {
			other[i] = float32(v)
		}
		at := o.t.foot + w.from - c.t.foot
		for l := at - z.block - 4; l <= at+z.block+4; l++ {
			if l < 0 || l+len(w.x) > len(other) {
				continue
			}
			if r, _ := likeness(w.x, other[l:l+len(w.x)]); r > 0.8 && !o.isTurned(c, z) {
				return o
			}
		}
	}
	return nil
}

// turned says whether a pulse that the class explains as f is rather one of the
// same kind the other way up: turned over and half a cycle off, a ring looks
// much like itself, all but its first half-cycle. The gain of another place and
// sign must be beyond noise (as pairGain, three times in 10⁷); plainly, it must also
// take away half of what f leaves, and be as alike as a member that is adopted.
func (c *class) turned(x []float32, f *fitted, z sizes, plainly bool) bool {
	t := c.t
	if c.step || t.clipped {
		return false
	}
	v := t.sigma * t.sigma
	rest := func(g *fitted) float64 { return g.ssr - v*float64(g.n) }
	if rest(f) < pairGain*v {
		return false
	}
	w := t.near(z)
	reach := z.block + 4
	at := int(math.Round(f.q))
	r := make([]float64, 2*reach+1)
	top := 0.0
	for l := range r {
		from := at + l - reach - t.zero + w.from
		if from < 0 || from+len(w.x) > len(x) {
			continue
		}
		like, _ := likeness(w.x, x[from:from+len(w.x)])
		r[l] = -like
		top = math.Max(top, r[l])
	}
	for l := 1; l+1 < len(r); l++ {
		if r[l] < top-0.2 || r[l-1] > r[l] || r[l+1] >= r[l] {
			continue
		}
		g, ok := t.fit(x, float64(at+l-reach), 3)
		if ok && g.a < 0 && f.ssr-g.ssr > pairGain*v && (!plainly || rest(&g) < 0.5*rest(f) && g.match(v) > joinMatch) {
			return true
		}
	}
	return false
}

// mostTurns is how often what was taken out of a group is looked through again.
const mostTurns = 3

// turnOut takes members that are rather the other way up out of g: of an average
// of both ways up each member is the likelier one. What did not shape the average
// may be unlike it for other reasons, and must be plainly so.
func (c *class) turnOut(g *group, z sizes) (out []*snippet) {
	var kept []*snippet
	for _, s := range g.members {
		if f, ok := c.t.fit(s.x, s.q, 3); ok && f.a > 0 && c.turned(s.x, &f, z, !s.used) {
			out = append(out, s)
			continue
		}
		kept = append(kept, s)
	}
	if len(kept) < leastMembers {
		return nil
	}
	g.members = kept
	return out
}

// isTurned says whether c's averaged shape is rather o's the other way up than as
// it is: the one, at its best place, leaves less than a tenth of what the other
// leaves at its, and that is no small part of c.
func (o *class) isTurned(c *class, z sizes) bool {
	t := o.t
	if t.clipped || c.t.clipped || o.step || c.step {
		return false
	}
	x := make([]float32, len(c.t.wave)+2*z.margin)
	for i, v := range c.t.wave {
		x[z.margin+i] = float32(v)
	}
	upright, over, all := math.Inf(1), math.Inf(1), 0.0
	at := z.margin + t.zero + c.t.foot - t.foot
	for l := -z.block - 4; l <= z.block+4; l++ {
		f, ok := t.fit(x, float64(at+l), 1.5)
		switch {
		case !ok:
		case f.a > 0:
			if f.ssr < upright {
				upright, all = f.ssr, f.sst
			}
		default:
			over = math.Min(over, f.ssr)
		}
	}
	return over < 0.1*upright && upright > 0.05*all
}

// repeats says whether the whole averaged shape accounts for its members: what
// it leaves of one, beyond the noise, is a small part of its energy. nearly is
// the part that it leaves of nine in ten at most.
func (t *template) repeats(members []*snippet) (is bool, nearly float64) {
	var inv [bankPhases][16]float64
	for p := range bankPhases {
		inv[p] = gram(t.shape[p], t.deriv[p], t.terms())
		if !invert(&inv[p], t.terms()) {
			return false, 0
		}
	}
	var left []float64
	for _, s := range members {
		if !s.used {
			continue
		}
		if f, ok := t.fitWith(s.x, s.q, 3, len(t.wave), &inv); ok && f.sst > f.ssr {
			m := f.match(t.sigma * t.sigma)
			left = append(left, 1-m*m)
		}
	}
	if len(left) == 0 {
		return false, 0
	}
	return medianOf(left) < 0.1, quantileInPlace(left, 0.9)
}

// setAnchor finds the timing point on the averaged shape: the onset of a pulse, the
// middle of a switch's edge, which step says that it is.
func (t *template) setAnchor(members []*snippet, rate Rate, step bool, kept *onsetTables) {
	widest := 0.0 // of an edge, samples
	if step {
		widest = edgeS * float64(rate)
	}
	wave, sigma := t.wave, t.sigma/math.Sqrt(float64(max(t.n, 1)))
	foot, crest, start := t.foot, t.crest, -float64(t.zero)
	cut := false
	if t.clipped {
		if y, open, from, noise, ok := t.openFront(members); ok {
			wave, start, sigma = y, from, noise
			crest, cut = open-1, true
			foot = footOf(y, crest, math.Abs(y[crest]), sigma)
		} else {
			wave, cut = wave[:crest+1], true
		}
	}
	// What holds less than its rate could is taken at a rate that suits it.
	every := 1.0
	if !t.clipped {
		if edge := cliffOf(wave, crest); edge > 0 {
			wave, every = slowed(wave, edge)
			foot, crest = frontOf(wave, sigma)
		}
	}
	// What the stretch before the front shows beyond noise, such as a leak from
	// the other lead that always comes at about the same distance, is no part
	// of the pulse, and goes on under its front.
	if quiet := foot - ringing; quiet >= 16 {
		m := mean(wave[:quiet])
		var ss float64
		for _, v := range wave[:quiet] {
			ss += (v - m) * (v - m)
		}
		sigma = math.Max(sigma, math.Sqrt(ss/float64(quiet-1)))
	}
	pos, std, other, ok := onset(wave, sigma, foot, crest, cut, every > 1, widest/every, kept)
	if !ok {
		pos, std = float64(foot), float64(max(crest-foot, 2))/2
	}
	if every > 1 {
		std = math.Hypot(std, bandSigma)
		other.sigma = math.Hypot(other.sigma, bandSigma)
	}
	pos, std = pos*every, std*every
	other.every = every
	other.shift *= every
	other.sigma *= every
	other.delay *= every
	other.peak *= every
	t.least = other
	t.anchor = pos + start
	t.anchorSigma = std
	// No discharge and no contact takes so long: this is a magnet's passage
	// that was not recognised, and where it sets out says little.
	if rise := float64(crest-foot) * every; rise > slowRiseS*float64(rate) {
		t.anchorSigma = math.Max(std, rise/2)
	}
}

// edgeS is how long a switch's edge takes at most to be told from a jump in its middle:
// that is its moment, as the 50 % reference level is a transition's in IEEE Std 181, and
// all that a converter of 44.1 kHz shows. Reeds need far less than a microsecond, Hall
// switches a few (common practice, no source). Of what takes longer, through a long cable
// perhaps, the beginning is looked for, as with a pulse.
const edgeS = 10e-6

// slowRiseS is the longest front of a spark or a switch (common practice, no
// source).
const slowRiseS = 0.6e-3

// ringing is how many samples before a front a converter's ringing is taken
// to reach.
const ringing = 16
