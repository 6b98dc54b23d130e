package dsp

import (
	"math"
	"slices"
)

// This file tells a spark and a coil apart that share one input.

// besideLobes looks, once the classes of a channel are known, whether the lobes
// of a coil are left when its bursts are taken out. If so, the channel holds
// both: classes that are the lobes themselves are given up, since their shape
// follows the speed, and the rest of the channel is searched for both. Where bursts
// are lost in classes of lobes, the quickest of all are sorted by themselves.
func (d *Detector) besideLobes(all []*snippet) {
	if !d.opt.may(Lobes) || len(d.opt.Only) == 1 || len(d.classes) == 0 {
		return
	}
	var bursts []*class
	for _, c := range d.classes {
		if lobes, _ := c.likeLobes(all, d); !lobes {
			bursts = append(bursts, c)
		}
	}
	if d.lobesLeft(all, bursts) {
		return
	}
	if quick := quickest(all, d.z); quick != nil {
		was := d.classes
		d.classes = nil
		if d.classify(quick, false); !d.lobesLeft(all, d.classes) {
			d.classes = was
		}
	}
}

// lobesLeft takes the bursts of some classes out, which stay the only ones if what
// is left is a coil's. Where it is not, all stays as it was.
func (d *Detector) lobesLeft(all []*snippet, bursts []*class) bool {
	if len(bursts) == 0 {
		return false
	}
	was := d.classes
	whole := slices.Clone(d.buf)
	d.classes = bursts
	end := -1
	var out []taken
	for _, s := range all {
		m := int(s.pos-d.base) + s.feature
		if m <= end {
			continue
		}
		if c, f, ok := d.recognise(m); ok {
			d.takeOut(c, &f, -1)
			d.blank(c, &f)
			end = f.start + c.t.crest
			out = append(out, taken{float64(d.base) + float64(f.start+c.t.foot), float64(d.base) + float64(f.start+2*len(c.t.wave)), c.peak * f.a})
		}
	}
	d.lobes.settle(d)
	most := 0.0
	for _, c := range bursts {
		most = math.Max(most, c.peak)
	}
	if d.lobes.on && !d.lobes.apart(d, out, most) {
		d.lobes.on = false
	}
	d.buf = append(d.buf[:0], whole...)
	for b := range d.lo {
		d.lo[b], d.hi[b] = extremes(d.buf[b*d.z.block : (b+1)*d.z.block])
	}
	if !d.lobes.on {
		d.classes = was
	}
	return d.lobes.on
}

// quickest are those candidates that rise far more quickly than the others, where
// there are two such kinds; nil where there are not.
func quickest(all []*snippet, z sizes) []*snippet {
	const (
		apart = 1.3      // times as slow as the quick ones, with hardly any between
		few   = 1.0 / 8  // of all, at least, are of either kind
		stray = 1.0 / 32 // of all, at most, lie between
	)
	least := max(leastMembers, int(few*float64(len(all))))
	if len(all) < 2*least {
		return nil
	}
	rises := make([]float64, 0, len(all))
	for _, s := range all {
		rises = append(rises, s.rise(z))
	}
	order := slices.Sorted(slices.Values(rises))
	limit, widest := 0.0, apart
	between := int(stray * float64(len(all)))
	for i := least; i+between <= len(order)-least; i++ {
		if w := order[i+between] / order[i-1]; w > widest {
			widest, limit = w, order[i]
		}
	}
	var quick []*snippet
	for i, s := range all {
		if rises[i] < limit {
			quick = append(quick, s)
		}
	}
	return quick
}

// rise is how long, in samples, the front would take if all of it were as steep as
// where it is steepest.
func (s *snippet) rise(z sizes) float64 {
	lo, hi, most := s.x[s.feature], s.x[s.feature], float32(0)
	for i := s.feature - z.nearPre; i < s.feature+z.nearPost; i++ {
		step := s.x[i] - s.x[i-1]
		lo, hi, most = min(lo, s.x[i]), max(hi, s.x[i]), max(most, step, -step)
	}
	return float64((hi - lo) / most)
}

// betweenLobes looks, once a channel is known for a coil's, whether bursts stand
// between its lobes, too short to have been in their way: half as many as those at
// least, else it is what leaks, or came from elsewhere.
func (d *Detector) betweenLobes(all []*snippet) {
	if !d.opt.may(Burst) || len(d.opt.Only) == 1 {
		return
	}
	found, from := d.lobes.recent(d)
	var rest []*snippet
	i := 0
	for _, s := range all {
		at := float64(s.pos) + float64(s.feature)
		if at < from {
			continue
		}
		// A lobe's summit is one half spacing from the crossing, and at two it has
		// fallen to a quarter.
		for i < len(found) && found[i].Pos+found[i].WidthS*float64(d.rate) < at {
			i++
		}
		if i == len(found) || found[i].Pos-found[i].WidthS*float64(d.rate) > at {
			rest = append(rest, s)
		}
	}
	if len(rest) < leastMembers || 2*len(rest) < len(found) {
		return
	}
	d.classify(rest, false)
	var heights, widths []float64
	for _, p := range found {
		heights = append(heights, math.Abs(p.Amp))
		widths = append(widths, p.WidthS*float64(d.rate))
	}
	height, width := medianOf(heights), medianOf(widths)
	// A few members are what lobes left at one speed; and a slow lobe's skirt is no
	// burst, as weak as leaks.
	// A skirt rises as its lobe does, by half the distance of the two summits; what
	// is too short to have been in the way of a lobe rises in a small part of that.
	const quick = 1.0 / 16 // of the distance of the summits
	d.classes = slices.DeleteFunc(d.classes, func(c *class) bool {
		lobes, n := c.likeLobes(rest, d)
		return lobes || 8*n < len(rest) || c.peak*c.level < leastShare*height || float64(c.t.crest-c.t.foot) > math.Max(3, quick*width)
	})
}

// noLobe says whether a burst of a class is none of a coil's lobes. A short part of
// one may look like a burst without ringing, and two bursts together like more of
// it; but bursts of one shape are far more alike.
func (d *Detector) noLobe(c *class, f *fitted) bool {
	const alike = 0.9 // of the energy beyond noise; parts of a lobe reach 0.7, bursts 0.99
	if !d.lobes.on || !c.stable {
		return true
	}
	if f.match(c.t.sigma*c.t.sigma) < math.Sqrt(alike) {
		return false
	}
	// Where the class is timed by its front alone, which may be like a lobe's, what
	// follows must be like the rest too.
	return c.t.length >= c.t.crest+d.z.nearPost || d.follows(c, f) >= alike
}

// follows is the part of the energy beyond noise, from the foot to soon after the
// crest, that the whole averaged shape of a class explains.
func (d *Detector) follows(c *class, f *fitted) float64 {
	from, to := c.t.foot, min(c.t.crest+d.z.nearPost, len(c.t.wave))
	if f.start+to > len(d.buf) {
		return 1
	}
	wave := make([]float32, 0, to-from)
	energy := 0.0
	for _, v := range c.t.shape[f.phase][from:to] {
		wave = append(wave, float32(v))
		energy += f.a * f.a * v * v
	}
	r, _ := likeness(wave, d.buf[f.start+from:f.start+to])
	return r * math.Abs(r) * (1 + c.t.sigma*c.t.sigma*float64(len(wave))/energy)
}

// quicker says whether the bursts of a class rise at least three times as quickly as
// the lobes do, and so does what is there in the signal. Two lobes that are the
// derivative of a Gaussian fall from summit to summit, where they are steepest, in
// 1.21 half spacings, were all of it as steep.
func (d *Detector) quicker(c *class, f *fitted) bool {
	const (
		steepest, times = 1.21, 3
		alike, after    = 0.8, 0.5 // as in noLobe, less for what else sounds at the time
	)
	half := d.lobes.half
	if half == 0 {
		half = d.lobes.narrow
	}
	lag := max(1, (c.t.crest-c.t.foot)/4)
	from, to := max(c.t.foot, lag), min(c.t.crest+2, len(c.t.wave))
	if f.match(c.t.sigma*c.t.sigma) < math.Sqrt(alike) || d.follows(c, f) < after || f.start+from < lag || f.start+to > len(d.buf) {
		return false
	}
	sign, usual, here := float64(c.sign), 0.0, 0.0
	for i := from; i < to; i++ {
		usual = math.Max(usual, sign*(c.t.wave[i]-c.t.wave[i-lag]))
		here = math.Max(here, sign*float64(d.buf[f.start+i]-d.buf[f.start+i-lag]))
	}
	return c.peak/math.Min(usual, here/f.a)*float64(lag) < steepest/times*half
}

// recent lists the lobes of the end of the stretch for learning, and says where
// that begins.
func (l *lobeFinder) recent(d *Detector) (found []Pulse, from float64) {
	x := d.settled()
	trial := *l
	trial.from = d.base + int64(max(len(x)-int(settleS*float64(l.rate)), 0))
	from = float64(trial.from) // the search moves it on
	trial.pulses = nil
	trial.search(x, d.base, d.base+int64(len(x)), true)
	return trial.pulses, from
}

// taken is the stretch of a pulse that was taken out and of what that may have left,
// positions, and how high the pulse was.
type taken struct{ from, to, high float64 }

// apart says whether most of the lobes left lie outside of what was taken out, or
// are too high for what is left of that, which has lobes as well; and are more than
// a leak beside bursts as high as most: as many as half of them, and leastLobe as
// high.
func (l *lobeFinder) apart(d *Detector, out []taken, most float64) bool {
	const (
		leastLobe = 0.03
		remains   = 0.5 // of a pulse that was taken out, at most
	)
	found, from := l.recent(d)
	free, i, bursts := 0, 0, 0
	for _, o := range out {
		if o.from > from {
			bursts++
		}
	}
	var amps []float64
	for _, p := range found {
		amps = append(amps, math.Abs(p.Amp))
		for i < len(out) && out[i].to < p.Pos {
			i++
		}
		high := 0.0
		for k := i; k < len(out) && out[k].from <= p.Pos+p.WidthS*float64(l.rate); k++ {
			high = math.Max(high, out[k].high)
		}
		if math.Abs(p.Amp) > remains*high {
			free++
		}
	}
	return 5*free >= 3*len(found) && 2*len(found) >= bursts && medianOf(amps) >= leastLobe*most
}

// likeLobes says whether a class may be the lobes of a coil, seen at one speed:
// its front takes more than 1.5° of the distance between its pulses, n of all.
func (c *class) likeLobes(all []*snippet, d *Detector) (lobes bool, n int) {
	var first, last float64
	for _, s := range all {
		if f, like, ok := c.place(s.x, float64(s.feature)-c.featOff, d.z); ok && like >= c.alike {
			at := float64(s.pos) + f.q
			if n > 0 && at-last < float64(d.z.block) {
				continue // a slow front may set off the search twice
			}
			if n == 0 {
				first = at
			}
			last = at
			n++
		}
	}
	return n > 1 && float64(c.t.crest-c.t.foot) > 1.5/360*(last-first)/float64(n-1), n
}

// blank draws a straight line over what a pulse that was taken out may have
// left, where its class varies.
func (d *Detector) blank(c *class, f *fitted) {
	if c.stable {
		return
	}
	from := max(f.start+c.t.foot-4, 0)
	to := min(f.start+len(c.t.wave), len(d.buf)-1)
	if to <= from {
		return
	}
	a, b := d.buf[from], d.buf[to]
	for i := from; i < to; i++ {
		d.buf[i] = a + (b-a)*float32(i-from)/float32(to-from)
	}
	n := d.z.block
	for k := from / n; k <= to/n && k < len(d.lo); k++ {
		d.lo[k], d.hi[k] = extremes(d.buf[k*n : (k+1)*n])
	}
}
