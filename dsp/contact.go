package dsp

import (
	"cmp"
	"math"
	"slices"
)

// contactFinder finds the rectangle of a switch: a signal of two levels, sharp
// edges between them, bounce, and the droop that AC coupling adds. It follows
// the edges in the difference of samples a few apart, which no droop, offset
// or hum reaches, and reports the edge that enters the shorter of the two
// states.
type contactFinder struct {
	on     bool
	lag    int        // samples between the two that are compared
	mean   int        // samples that each of the two is the mean of: 1 but where noise is strong
	height float64    // of the edges, fraction of full scale
	enter  float64    // +1 or -1: direction of the edge into the shorter state
	front  *class     // the averaged entering edge, for exact timing
	step   *edgeShape // what a change of level looks like; nil: not known
	from   int64      // position up to which edges have been listed

	edges  []edge  // the last few, in time order
	calm   float64 // of a breaker: how long without an edge, samples, before the next one is an event; 0: no breaker
	lead   float64
	gap    float64 // between the last two entering edges; 0: not known
	inside bool    // in the shorter state, bounce aside
	// Of a breaker: the last event's first edge did not go with the state
	// before, and that state was the longer one.
	doubt, outside bool
	pulses         []Pulse
	recent         []float64 // heights of recent entering edges
	leads          []float64 // entering edges of the stretch for learning
	early          []edge    // all edges of it
}

type edge struct {
	pos  float64
	sign float64
	rise float64 // how far it goes, fraction of full scale; 0: not known
}

const (
	// bounceS is how long contacts bounce at most: usually 0.5 to 1 ms
	// (general component glossaries).
	bounceS  = 1e-3
	edgePart = 0.5 // of the height, in the difference, makes an edge
	levelS   = 0.5e-3
	// bounceUnseenS is the longest comparison that still sees a contact's
	// bounce edge by edge (by trial, with the reeds of dsp/synth: at 32 kHz
	// every reference is found, at 22 kHz not).
	bounceUnseenS = 65e-6
	// plateauS is the shortest stay in the shorter state that is told from a
	// half-cycle of a ring: 14° at 15 000 rpm is 0.16 ms.
	plateauS = 0.12e-3
)

// settle decides, from the candidates of the stretch buffered for learning,
// whether the channel is a contact's.
func (c *contactFinder) settle(d *Detector, all []*snippet) {
	if !d.opt.may(Contact) || len(all) < 2 {
		return
	}
	var heights []float64
	var changes []edge
	for _, s := range all {
		if h, ok := s.twoLevels(d.z, d.rate, d.noise()); ok {
			heights = append(heights, math.Abs(h))
			changes = append(changes, edge{pos: float64(s.pos) + float64(s.feature), sign: math.Copysign(1, h)})
		}
	}
	only := len(d.opt.Only) == 1 || d.opt.Breaker
	least := 0.35 * float64(len(all))
	if only {
		least = 0
	}
	if len(heights) < 2 || float64(len(heights)) < least {
		return
	}
	c.height = medianOf(heights)
	c.mean = meanFor(d.noise(), c.height, d.rate)
	// The shortest lag that sees nearly the whole height.
	longest := max(2, int(100e-6*float64(d.rate)))
	for c.lag = 2; c.lag < longest; c.lag += max(1, c.lag/2) {
		if d.tallest(c.lag, c.height) > 0.85*c.height {
			break
		}
	}
	c.lag = max(c.lag, c.mean)
	list := c.list(d, 0, len(d.settled()))
	c.early = list
	var up, down int
	for _, e := range list {
		if e.sign > 0 {
			up++
		} else {
			down++
		}
	}
	if !only && (min(up, down) < 2 || 2*min(up, down) < max(up, down)) {
		return
	}
	c.enter = shorterState(changes, list)
	if d.opt.Breaker {
		if calm, firsts := calmOf(list, d.rate); calm > 0 {
			c.calm, c.enter = calm, shorterStay(firsts)
		}
	}
	if d.opt.Longer {
		c.enter = -c.enter
	}
	c.on = true
	c.from = d.base
	c.step = c.learnStep(d, list)
	// Average the entering edges of this stretch.
	trial := *c
	for _, e := range list {
		if trial.take(d, e) {
			c.leads = append(c.leads, e.pos)
		}
	}
	var g group
	var at []float64 // of the members
	for _, p := range c.leads {
		s := d.cut(int(math.Round(p - float64(d.base))))
		if s == nil {
			continue
		}
		s.q, s.a = p-float64(s.pos), 1
		g.members, at = append(g.members, s), append(at, p)
		if len(g.members) >= 2*learnPulses {
			break
		}
	}
	if len(g.members) >= 2 {
		c.front = newFront(g, d, c.enter, c.height)
	}
	if c.front != nil && c.front.t.clipped {
		// Half of what a stop left is another level than half of the averaged
		// shape, and the straight line to a sample at the stop passes it
		// elsewhere: the members say where.
		plain := *c
		plain.front = nil
		var off []float64
		for i, s := range g.members {
			if s.used {
				off = append(off, plain.halfway(d, edge{pos: at[i], sign: c.enter}).Pos-float64(s.pos)-s.q)
			}
		}
		if len(off) > 0 {
			c.front.middle = medianOf(off)
		}
	}
}

// calmsS are how long a breaker must be without an edge before the next one is
// an event, seconds. Bounce lasts a millisecond (see bounceS); by hand, contacts
// part so slowly that they may touch again for ten.
var calmsS = [...]float64{10e-3, 3e-3, 1e-3}

// calmPart is the part of the shorter of the two states that a calm may take at
// most, so that bounce may take as much again and leave as much.
const calmPart = 1.0 / 3

// calmOf is the longest of calmsS that suits some edges, in samples, and the
// first edges after so long a time without; 0 where none suits.
func calmOf(list []edge, r Rate) (calm float64, firsts []edge) {
	for _, s := range calmsS {
		calm = s * float64(r)
		firsts = nil
		twice := 0
		for i, e := range list {
			if i > 0 && e.pos-list[i-1].pos < calm {
				continue
			}
			// Two of one sign in a row: the former led nowhere.
			if n := len(firsts); n > 0 && firsts[n-1].sign == e.sign {
				firsts[n-1] = e
				twice++
				continue
			}
			firsts = append(firsts, e)
		}
		// Where that is common, events themselves lie in the bounce.
		high, low := stays(firsts)
		if 4*twice < len(firsts) && len(high) > 0 && len(low) > 0 && calm <= calmPart*math.Min(medianOf(high), medianOf(low)) {
			return calm, firsts
		}
	}
	return 0, nil
}

// stays are the times in the high and in the low state between edges that
// alternate.
func stays(list []edge) (high, low []float64) {
	for i := 0; i+1 < len(list); i++ {
		if g := list[i+1].pos - list[i].pos; list[i].sign > 0 {
			high = append(high, g)
		} else {
			low = append(low, g)
		}
	}
	return high, low
}

// shorterStay is the direction of the edge into the state that typically takes
// less time, of edges that alternate.
func shorterStay(list []edge) float64 {
	if high, low := stays(list); medianOf(high) > medianOf(low) {
		return -1
	}
	return 1
}

// takeBreaker is take for a breaker: contacts that have stayed in one state can
// only go to the other, so the first edge after a calm says which, whatever they
// bounce after it.
func (c *contactFinder) takeBreaker(d *Detector, e edge) (entering bool) {
	first := true
	if n := len(c.edges); n > 0 {
		first = e.pos-c.edges[n-1].pos >= c.calm
		if first {
			c.resolve(d)
		}
	}
	if c.edges = append(c.edges, e); len(c.edges) > 8 {
		c.edges = c.edges[1:]
	}
	enter := func() {
		c.inside, entering = true, true
		if c.lead != 0 {
			c.gap = e.pos - c.lead
		}
		c.lead = e.pos
	}
	switch {
	case first && e.sign == c.enter:
		c.doubt, c.outside = c.inside, false
		enter()
	case first && c.inside:
		c.leave(d, e.pos)
	case first:
		c.doubt, c.outside = true, true
	case c.outside && !c.inside && e.sign == c.enter:
		enter() // whose first touch was too short to be seen, it may be
	}
	return entering
}

// leave ends the last pulse, at a position.
func (c *contactFinder) leave(d *Detector, pos float64) {
	if n := len(c.pulses); n > 0 {
		// Of a touch of one sample the end, which is timed less finely than the
		// beginning, may come out before it.
		c.pulses[n-1].WidthS = math.Max(pos-c.pulses[n-1].Pos, 0) / float64(d.rate)
	}
	c.inside = false
}

// resolve decides what an event was whose first edge did not go with the state
// before, now that the contacts have come to rest: where the last edge leads is
// where they are. A first touch may be too short to be seen; or something else
// than the contacts made those edges, and led nowhere.
func (c *contactFinder) resolve(d *Detector) {
	n := len(c.pulses)
	entered := c.edges[len(c.edges)-1].sign == c.enter
	switch {
	case !c.doubt:
	case c.outside && n > 0 && c.inside && !entered:
		c.pulses = c.pulses[:n-1]
		c.inside = false
	case c.outside || n < 2:
	case entered: // the event before led nowhere
		c.pulses = append(c.pulses[:n-2], c.pulses[n-1])
	default: // it was the end of the one before
		at := c.pulses[n-1].Pos
		c.pulses = c.pulses[:n-1]
		c.leave(d, at)
	}
	c.doubt, c.outside = false, false
}

// shorterState is the direction of the edge into the state that takes less
// time: +1 when the signal is mostly low. changes are the changes of level that
// are beyond doubt; where they do not show both states, all edges are asked.
func shorterState(changes []edge, all []edge) float64 {
	stays := func(list []edge) (high, low float64, n int) {
		for i := 0; i+1 < len(list); i++ {
			if list[i].sign == list[i+1].sign {
				continue
			}
			n++
			if g := list[i+1].pos - list[i].pos; list[i].sign > 0 {
				high += g
			} else {
				low += g
			}
		}
		return high, low, n
	}
	slices.SortFunc(changes, func(a, b edge) int { return cmp.Compare(a.pos, b.pos) })
	high, low, n := stays(changes)
	if n < 4 {
		high, low, _ = stays(all)
	}
	if high > low {
		return -1
	}
	return 1
}

// newFront averages entering edges; nil when they do not hold together.
func newFront(g group, d *Detector, enter, height float64) *class {
	t := learn(g.members, d.z.pre, d.z.pre+d.z.post, d.slope, true)
	if t.n < 2 || t.wave[t.crest]*enter <= 0 || math.Abs(t.wave[t.crest]) < 0.4*height {
		return nil
	}
	c := &class{t: t, step: true, sign: int(enter), level: 1}
	c.peak = math.Abs(t.wave[t.crest])
	c.findHalf()
	t.setAnchor(g.members, d.rate, true, &d.onsets)
	return c
}

// meanFor is how many samples to take the mean of so that edges of some height
// stand out of noise: half of it is then 5.5 times that of a difference of two
// means. Over more than 45 µs the openings of a bounce would no longer be seen.
func meanFor(noise, height float64, r Rate) int {
	u := 11 * noise / height
	return max(1, int(math.Min(2*u*u, 45e-6*float64(r))))
}

// smoothed is x as means of n samples, centred; x itself for 1.
func smoothed(x []float32, n int) []float32 {
	if n < 2 {
		return x
	}
	out := make([]float32, len(x))
	var s float64
	lo, hi := 0, 0 // the sum is of x[lo:hi]
	for i := range x {
		for ; hi < min(i+(n+1)/2, len(x)); hi++ {
			s += float64(x[hi])
		}
		for ; lo < i-n/2; lo++ {
			s -= float64(x[lo])
		}
		out[i] = float32(s / float64(hi-lo))
	}
	return out
}

// twoLevels says whether what follows the mark is a signal of two levels, and
// by how much they differ.
func (s *snippet) twoLevels(z sizes, r Rate, noise float64) (height float64, ok bool) {
	if n := meanFor(noise, s.swing(z)/2, r); n > 1 {
		t := *s
		t.x = smoothed(s.x, n)
		return t.twoLevels(z, r, 0)
	}
	n := max(8, int(1e-3*float64(r)))
	from := s.feature + 2
	to := min(from+n, len(s.x))
	var base float64
	quiet := s.x[s.feature-2*z.nearPre-8 : s.feature-z.nearPre]
	for _, v := range quiet {
		base += float64(v)
	}
	base /= float64(len(quiet))
	var far []float64
	for _, v := range s.x[from:to] {
		far = append(far, math.Abs(float64(v)-base))
	}
	slices.Sort(far)
	h := far[len(far)*9/10]
	var sum float64
	for _, v := range s.x[from:min(from+n/4, to)] {
		sum += float64(v) - base
	}
	h = math.Copysign(h, sum)
	if h == 0 {
		return 0, false
	}
	const near = 0.3
	var hi, lo, neg, run, longest int
	for _, v := range s.x[from:to] {
		u := (float64(v) - base) / h
		if math.Abs(u-1) < near {
			hi++
			run++
			longest = max(longest, run)
			continue
		}
		run = 0
		switch {
		case math.Abs(u) < near:
			lo++
		case u < -0.4:
			neg++
		}
	}
	m := float64(to - from)
	// The half-cycles of a ring are near their crest for a short while only.
	level := longest >= max(5, int(plateauS*float64(r)))
	return h, level && float64(hi) > 0.12*m && float64(hi+lo) > 0.75*m && float64(neg) < 0.05*m
}

// tallest is the typical greatest difference at a lag, in blocks that hold an
// edge of about that height.
func (d *Detector) tallest(lag int, height float64) float64 {
	var tops []float64
	last := len(d.settled())/d.z.block - 1
	for b := 2; b < last && len(tops) < 200; b++ {
		if d.swing(b) < 0.7*height || d.swing(b-1) > 0.5*height {
			continue
		}
		top := float32(0)
		for i := max((b-1)*d.z.block, lag); i < (b+2)*d.z.block && i < len(d.buf); i++ {
			v := d.buf[i] - d.buf[i-lag]
			top = max(top, max(v, -v))
		}
		tops = append(tops, float64(top))
	}
	return medianOf(tops)
}

// list finds the edges between two indices of the buffered signal, in
// positions of the recording.
func (c *contactFinder) list(d *Detector, from, to int) []edge {
	var out []edge
	n := d.z.block
	need := edgePart * c.height
	thr := float32(need)
	m := max(c.mean, 1)
	diff := func(i int) float32 {
		if m == 1 {
			return d.buf[i] - d.buf[i-c.lag]
		}
		var s float32
		for k := i - m + 1; k <= i; k++ {
			s += d.buf[k] - d.buf[k-c.lag]
		}
		return s / float32(m)
	}
	for i := max(from, c.lag+m); i < to; {
		b := i / n
		if b < len(d.lo) && d.swing(b) < need && (b+1)*n <= to {
			i = (b + 1) * n
			continue
		}
		v := diff(i)
		if v < thr && v > -thr {
			i++
			continue
		}
		// The edge lies where the difference is greatest, half a lag back.
		sign := float32(1)
		if v < 0 {
			sign = -1
		}
		top, at := v*sign, i
		for ; i < to; i++ {
			w := diff(i) * sign
			if w < thr {
				break
			}
			if w > top {
				top, at = w, i
			}
		}
		// Behind a band limit it goes on beyond what the lag sees.
		for k, from := at, at-2*c.lag-m; from >= 0 && k < min(at+2*c.lag, len(d.buf)); k++ {
			top = max(top, sign*(d.buf[k]-d.buf[from]))
		}
		out = append(out, edge{float64(d.base) + float64(at) - float64(c.lag)/2 - float64(m-1)/2, float64(sign), float64(top)})
	}
	return out
}

// scan follows the edges up to block to.
func (c *contactFinder) scan(d *Detector, to int) {
	from := int(max(c.from-d.base, 0))
	end := min(to*d.z.block, len(d.buf))
	if end <= from {
		return
	}
	for _, e := range c.list(d, from, end) {
		if c.take(d, e) {
			c.record(d, e)
		}
	}
	c.from = d.base + int64(end)
}

// take adds an edge; true when it enters the shorter state.
func (c *contactFinder) take(d *Detector, e edge) bool {
	if c.calm > 0 {
		return c.takeBreaker(d, e)
	}
	bounce := bounceS * float64(d.rate)
	var before *edge
	if len(c.edges) > 0 {
		before = &c.edges[len(c.edges)-1]
	}
	entering := false
	switch {
	case e.sign != c.enter:
		if c.inside {
			c.leave(d, e.pos)
		}
	case c.lead != 0 && e.pos-c.lead < math.Max(math.Min(0.3*c.gap, 40*bounce), 0.6*bounce):
		c.inside = true // bounce after entering
	case before != nil && before.sign != c.enter && e.pos-before.pos < bounce && e.pos-c.lead < 0.8*c.gap:
		c.inside = true // bounce when leaving
	case !c.holds(d, e): // a burst from elsewhere
	default:
		entering = true
		c.inside = true
		if c.lead != 0 {
			c.gap = e.pos - c.lead
		}
		c.lead = e.pos
	}
	c.edges = append(c.edges, e)
	if len(c.edges) > 8 {
		c.edges = c.edges[1:]
	}
	return entering
}

// heightOf is the height of an edge: what is usual, but where it goes so much
// further that a recorder must have turned up its gain, its own.
func (c *contactFinder) heightOf(e edge) float64 {
	if e.rise > mostEdge*c.height && e.rise < mostTimes*c.height {
		return e.rise
	}
	return c.height
}

// holds says whether the signal after an edge is where a closed contact, or a
// bouncing one, would have it: not what a burst leaked from elsewhere does. Where
// it goes further than contacts usually do, as with a gain turned up, more is asked.
func (c *contactFinder) holds(d *Detector, e edge) bool {
	at := int(math.Round(e.pos - float64(d.base)))
	quiet := max(at-c.lag-2*d.z.block, 0)
	from := at + c.lag
	to := min(from+int(levelS*float64(d.rate)), len(d.buf))
	if at-c.lag-quiet < 2 || to-from < 4 {
		return true
	}
	var base float64
	for _, v := range d.buf[quiet : at-c.lag] {
		base += float64(v)
	}
	base /= float64(at - c.lag - quiet)
	y := make([]float64, 0, to-from)
	for _, v := range d.buf[from:to] {
		y = append(y, c.enter*(float64(v)-base))
	}
	if staysAt(y, c.height, false) {
		return true
	}
	// Closed for a quarter of the time, at least.
	level := quantileInPlace(slices.Clone(y), 0.75)
	return level > raised*c.height && level < mostTimes*c.height && staysAt(y, level, true)
}

// raised is the part of the usual height from which an edge is taken to be higher
// than usual: noise and the coupling do less.
const raised = 1.25

// staysAt says whether what follows an edge, from the level before it and towards
// the one behind it, is at about a height or about nothing; surely asks for more
// than that it is at that height now and then.
func staysAt(y []float64, height float64, surely bool) bool {
	var hi, other, neg, back int
	up := true
	for _, v := range y {
		u := v / height
		switch {
		case math.Abs(u-1) < 0.4:
			if hi++; !up {
				back++
			}
			up = true
		case math.Abs(u) > 0.4:
			if other++; u < 0 {
				neg++
			}
		default:
			up = false
		}
	}
	n := len(y)
	if surely {
		// A contact stays, but for what a gain goes down meanwhile, or comes back
		// when it bounces; a pulse dies away or swings to the other side.
		const stays = 0.7
		return mean(y[n/2:]) > stays*mean(y[:n/2]) && (hi*100 >= 50*n || back > 0 && hi*100 >= 12*n) && other*100 <= 25*n && neg*100 <= 5*n
	}
	return hi*100 >= 12*n && other*100 <= 45*n
}

// record times an entering edge.
func (c *contactFinder) record(d *Detector, e edge) {
	p := c.halfway(d, e)
	if c.front != nil {
		// The average times better, but only an edge that stays where it went
		// is like the average: the two must agree.
		t := c.front.t
		f, ok := t.fitFront(d.buf, p.Pos-float64(d.base)-t.anchor, 2)
		height := c.heightOf(e)
		if ok && math.Abs(float64(d.base)+f.q+t.anchor-p.Pos) < c.agree(d) && f.a > leastEdge*c.front.level && f.a < mostEdge*c.front.level*height/c.height {
			p = Pulse{
				Pos:   float64(d.base) + f.q + t.anchor,
				Sigma: t.sigmaOf(&f),
				Amp:   c.enter * c.front.peak * f.a,
				Match: f.match(t.sigma * t.sigma),
			}
			if height == c.height {
				c.front.level += (f.a - c.front.level) / 16
				c.recent = append(c.recent, math.Abs(p.Amp))
			}
			if len(c.recent) >= 32 {
				c.height += 0.25 * (medianOf(c.recent) - c.height)
				c.recent = c.recent[:0]
			}
		}
	}
	i := int(math.Round(e.pos - float64(d.base)))
	for _, v := range d.buf[max(i-d.z.nearPre, 0):min(i+d.z.nearPost, len(d.buf))] {
		if v >= clipLevel || v <= -clipLevel {
			p.Clipped = true
		}
	}
	c.pulses = append(c.pulses, p)
}

// agree is how far, in samples, the two ways to time an edge may be apart: the
// noise moves the place where a front of one sample passes half its height.
func (c *contactFinder) agree(d *Detector) float64 { return 0.35 + 3*d.noise()/c.height }

// surely is the least share of the height that one sample passes only with the
// signal, not with noise: once in some thousand bounces' times.
func (c *contactFinder) surely(d *Detector) float64 { return math.Max(0.5, 4.5*d.noise()/c.height) }

// firstTouch looks for a touch before an edge that was found in means of
// several samples, in which a touch as short as one sample drowns: a sample by
// itself beyond what noise does, within a bounce's time, after which the signal
// stays between the two levels, as that of a ring does not. Where the noise is
// too strong for single samples, there is none.
//
// Where single samples are compared, a touch that does not get half-way leaves no
// edge either, and the one after its bounce would be taken: there, a sample counts
// from less, if the signal is back before the edge.
func (c *contactFinder) firstTouch(d *Detector, edge, height float64) (pos float64, ok bool) {
	sure, noise := c.surely(d), d.noise()/height
	const strongest = 0.8 // a full touch of one sample must still get there
	if c.mean < 2 {
		if c.calm > 0 { // a breaker's own first edge is the one after a calm
			return 0, false
		}
		sure = math.Max(0.3, 6*d.noise()/height)
	}
	if sure > strongest {
		return 0, false
	}
	end := int(math.Round(edge-float64(d.base))) - c.lag
	from := end + c.lag - int(bounceS*float64(d.rate))
	quiet := from - 2*d.z.block
	if quiet < 0 || end > len(d.buf) {
		return 0, false
	}
	base := 0.0
	for _, v := range d.buf[quiet:from] {
		base += float64(v)
	}
	base /= float64(from - quiet)
	back := c.mean > 1
	for i := from; i < end; i++ {
		u := c.enter * (float64(d.buf[i]) - base) / height
		if !ok && u >= sure {
			pos, ok = float64(d.base)+float64(i), true
		}
		back = back || ok && u < sure/2
		if math.Abs(u-0.5) > 0.7+5*noise {
			return 0, false
		}
	}
	return pos, ok && back
}

// halfway times an entering edge that is unlike the average, as when the
// contact opens again at once: where the signal, straight between two samples,
// passes half the edge's height.
func (c *contactFinder) halfway(d *Detector, e edge) Pulse {
	height := c.heightOf(e)
	p := Pulse{Pos: e.pos, Sigma: 0.5, Amp: c.enter * height, Match: 0.5}
	end := min(int(math.Round(e.pos-float64(d.base)))+c.lag+1, len(d.buf))
	// A first touch too short to get half-way leaves only its end among the
	// edges.
	first := e.pos
	for i := len(c.edges) - 2; i >= 0 && c.edges[i].sign != c.enter && e.pos-c.edges[i].pos < bounceS*float64(d.rate); i-- {
		first = c.edges[i].pos
	}
	touch, touched := c.firstTouch(d, first, height)
	if touched {
		first = touch
	}
	at := int(math.Round(first - float64(d.base)))
	if first < e.pos {
		at -= 2
	}
	quiet := max(at-c.lag-2*d.z.block, 0)
	if at-c.lag-quiet < 2 {
		return p
	}
	base := 0.0
	for _, v := range d.buf[quiet : at-c.lag] {
		base += float64(v)
	}
	base /= float64(at - c.lag - quiet)
	// A first touch may be shorter than a sample and not get half-way.
	least := math.Min(math.Max(6*d.noise()/height/math.Sqrt(float64(max(c.mean, 1))), 0.3), 0.5)
	m := max(c.mean, 1)
	if touched && c.mean > 1 {
		m, least = 1, c.surely(d)
	}
	least = math.Max(least, 0.5-0.2/float64(m)) // 0.3 where samples stand alone
	u := func(i int) float64 {
		var v float64
		lo, hi := max(i-m/2, 0), min(i-m/2+m, len(d.buf))
		for _, x := range d.buf[lo:hi] {
			v += float64(x)
		}
		return c.enter * (v/float64(hi-lo) - base) / height
	}
	shift := 0.0
	if m%2 == 0 {
		shift = -0.5 // the mean's middle lies between two samples
	}
	for i := at - c.lag - 1; i < end; i++ {
		if u(i) < least {
			continue
		}
		for i+1 < end && u(i+1) > u(i) && u(i) < 0.5 {
			i++
		}
		now, before := u(i), u(i-1)
		switch {
		case now >= 0.5 && before < 0.5:
			p.Pos = float64(d.base) + float64(i-1) + (0.5-before)/(now-before) + shift
			p.Sigma = 0.2
			if c.front != nil {
				p.Pos += c.front.t.anchor - c.front.middle
			}
		case now < 0.5 && before < now && i+1 < len(d.buf): // a top; a level is none
			after := u(i + 1)
			if after > now { // on its way up: its top is not to be seen, and its curvature may be nothing
				break
			}
			p.Pos = float64(d.base) + float64(i) + 0.5*(before-after)/(before-2*now+after) - 0.25 + shift
			p.Sigma = 0.35
			p.touch = true
		}
		break
	}
	return p
}

// glides says whether a candidate rises, or first comes back from its crest, more
// slowly than the contact changes its level, as bursts do: contacts, bouncing or
// not, change by edges, and stay between them.
func (c *contactFinder) glides(s *snippet, d *Detector) bool {
	const (
		away  = 0.8 // of the crest: has not left it
		back  = 0.3 // is back
		steep = 0.6 // of the height within the lag, in which an edge does 0.85
		flat  = 0.1 // of the level that an edge leads to: what this moves by in plateauS
		rough = 0.15
	)
	z := d.z
	x := smoothed(s.x, max(c.mean, 1))
	base := 0.0
	quiet := x[s.feature-2*z.nearPre-8 : s.feature-z.nearPre]
	for _, v := range quiet {
		base += float64(v)
	}
	base /= float64(len(quiet))
	sign := math.Copysign(1, float64(x[s.feature])-base)
	u := func(i int) float64 { return sign * (float64(x[i]) - base) }
	// steepest is the greatest change within the lag, up or down, between two places.
	steepest := func(from, to int, up float64) (most float64) {
		for k := from + 1; k <= to; k++ {
			most = math.Max(most, up*(u(k)-u(max(k-c.lag, from))))
		}
		return most
	}
	end := min(s.feature+int(bounceS*float64(d.rate)), len(x))
	// From the mark to where it is back, if that is soon.
	top, crest, left, soon := 0.0, s.feature, s.feature, end
	for i := s.feature; i < end; i++ {
		v := u(i)
		if v > top {
			if top < away*v {
				crest = i
			}
			top = v
		}
		if v >= away*top {
			left = i
		}
		if v <= back*top {
			soon = i
			break
		}
	}
	if steepest(s.feature-z.nearPre, crest+c.lag, 1) < steep*math.Min(top, c.height) {
		return true
	}
	// An edge, whatever comes after it: the signal stays where it went.
	if n := max(int(plateauS*float64(d.rate))/2, 2); s.feature+c.lag+2*n < len(x) {
		var half [2]float64
		for i := range 2 * n {
			half[i/n] += u(s.feature+c.lag+i) / float64(n)
		}
		level, off := (half[0]+half[1])/2, 0.0
		for i := range 2 * n {
			v := u(s.feature+c.lag+i) - level
			off += v * v / float64(2*n)
		}
		noise := d.noise() / math.Sqrt(float64(max(c.mean, 1)))
		if level > leastEdge*c.height && math.Abs(half[1]-half[0]) < flat*level+2*noise && math.Sqrt(off) < rough*level+noise {
			return false
		}
	}
	if soon == end || steepest(left, soon, -1) >= steep*top {
		return false
	}
	// Unless the contact stays, and a burst passes over it.
	var rest []float64
	for k := max(soon, len(x)-2*z.block); k < len(x); k++ {
		rest = append(rest, u(k))
	}
	return medianOf(rest) < 0.5*top
}

// owns says whether a candidate is one of the contact's own changes of level.
func (c *contactFinder) owns(s *snippet, d *Detector) bool {
	if h, ok := s.twoLevels(d.z, d.rate, d.noise()); ok && math.Abs(h) > leastEdge*c.height && math.Abs(h) < mostTimes*c.height {
		return true
	}
	// One with a burst so soon after it that the signal does not stay.
	if c.step != nil && c.step.is(s.x, s.feature, d.z.block, c.height) {
		return true
	}
	at := float64(s.pos) + float64(s.feature)
	near := func(p float64) bool { return math.Abs(p-at) <= float64(c.lag+3) }
	for i := len(c.pulses) - 1; i >= 0 && c.pulses[i].Pos > at-2*float64(d.z.post); i-- {
		p := c.pulses[i]
		if near(p.Pos) || p.WidthS > 0 && near(p.Pos+p.WidthS*float64(d.rate)) {
			return true
		}
	}
	return slices.ContainsFunc(c.leads, near)
}

// train puts the entering edges into t as a class of their own, the first.
func (c *contactFinder) train(t *Train) {
	s := Shape{Kind: Contact, N: len(c.pulses), Polarity: int(c.enter), Amp: c.height, AnchorSigma: 0.5}
	if f := c.front; f != nil {
		s.AnchorSigma = f.t.anchorSigma
		s.least = f.t.least
		s.Wave = scaled(f.t.wave, f.peak)
		s.WaveOrigin = float64(f.t.zero) + f.t.anchor
	}
	if d := float64(c.lag) / float64(t.Rate); d > bounceUnseenS {
		// Openings shorter than the samples compared are not seen, and the
		// front that is timed may be a later one of the bounce.
		s.AnchorSigma = math.Hypot(s.AnchorSigma, 1)
	}
	// Noise of more than an eighth of the height hides short touches: the edge
	// that is timed may be any of the bounce.
	if u := t.Level.Noise/c.height - 1.0/8; u > 0 {
		s.AnchorSigma = math.Hypot(s.AnchorSigma, math.Min(u/(1.0/4), 1)*bounceS/4*float64(t.Rate))
	}
	t.Shapes = slices.Insert(t.Shapes, 0, s)
	for i := range t.Pulses {
		if t.Pulses[i].Class >= 0 {
			t.Pulses[i].Class++
		}
	}
	t.Pulses = append(t.Pulses, c.pulses...)
}
