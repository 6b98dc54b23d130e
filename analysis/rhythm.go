package analysis

import (
	"math"
	"slices"
)

// tick is one pulse offered as a reference event; times in seconds.
type tick struct {
	t, sigma float64
	width    float64 // how long the pulse lasts, 0 unknown
}

// node is one reference event in its place: phase in revolutions from the
// segment's first event.
type node struct {
	t, phi, sigma float64
	tick          int32 // index of the pulse among those offered
	tooth         int16 // which of the pulses of a revolution, 0 with one or with equal ones
}

// segment is a run of reference events without a gap of more than a few
// revolutions. Phase grows strictly with time.
type segment struct {
	nodes   []node
	missing []missedTick
	first   int // revolution number of phase 0, counted over the whole recording
	past    past
}

type missedTick struct{ t, phi float64 }

// Costs of the search for the rhythm, in units where one standard deviation of
// the expected change costs one half. They are engineering choices (common
// practice, no source), checked by the tests of rhythm_test.go.
const (
	rejectCost  = 6.0  // a pulse that is no reference event
	startCost   = 15.0 // a new segment
	lateCost    = 2.5  // a pulse that follows another within a bounce's time
	maxBridge   = 4    // revolutions (or teeth) one interval may span
	lookBack    = 6    // pulses that may lie between two events and be rejected
	keepStates  = 4
	hopeless    = 25.0 // states this much dearer than the best are given up
	bounceTimeS = 1.5e-3
	slowPeriodS = 0.25 // seconds per revolution above which a pulse's length says how fast the shaft turns
	widthScale  = 0.17 // by that, to this in the logarithm
	slowestRPM  = 8.0
	fastestRPM  = 30000.0
)

// widthShare is how long a pulse lasts beside the interval to the next, from
// pulses and intervals that agree; 0 where they do not, or lengths are unknown.
func widthShare(ticks []tick) float64 {
	var x []float64
	for i := 1; i < len(ticks); i++ {
		a, b, dt := ticks[i-1].width, ticks[i].width, ticks[i].t-ticks[i-1].t
		if a > 0 && b > 0 && dt > 0 {
			x = append(x, math.Log((a+b)/2/dt))
		}
	}
	if len(x) < 5 || 10*len(x) < 6*len(ticks) || robustScatter(x) > 0.3 {
		return 0
	}
	return math.Exp(median(x))
}

// forgetLengths takes for unknown the length of a pulse that lasts less than a
// quarter of either neighbour: no shaft is four times as fast for one pulse, but
// of a contact that bounces the length may be that of its first touch. So is that
// of one that lasts for most of the way to the next: the shorter of a contact's
// two states takes half a revolution at most, and where its end was not seen it
// seems to last until the next begins.
func forgetLengths(ticks []tick) {
	const most = 0.6 // of the way to the next
	before := 0.0
	for i := range ticks {
		w := ticks[i].width
		if i > 0 && i+1 < len(ticks) && 4*w < math.Min(before, ticks[i+1].width) {
			ticks[i].width = 0
		}
		if i+1 < len(ticks) && w > most*(ticks[i+1].t-ticks[i].t) {
			ticks[i].width = 0
		}
		before = w
	}
}

// bridgeCost is what an interval that spans m teeth costs.
func bridgeCost(m int) float64 {
	if m == 1 {
		return 0
	}
	return 5.5 + 3*float64(m-2)
}

// changeScale is how much the logarithm of the revolution's period may change
// from one revolution to the next (first) and how much that change may itself
// change (second), as standard deviations, for a period of T seconds per
// revolution. An acceleration a in rpm/s changes the period by the fraction
// a·T²/60 per revolution: 15 000 rpm/s gives 250·T².
func changeScale(T float64) (first, second float64) {
	c := 250 * T * T
	return math.Min(0.05+0.4*c, 0.3), math.Min(0.05+0.2*c, 0.2) + math.Min(0.3*math.Max(0, T-0.15), 0.2)
}

type chainState struct {
	cost    float64
	period  float64 // seconds per revolution over the last interval
	lr      float64 // logarithm of the last change of period
	id      int32   // into the arrays of back pointers
	tooth   int16
	arrived bool // false for the first interval of a segment
}

// findRhythm picks from ticks, in time order, those that make the smoothest
// rhythm of a shaft with the given gaps between its pulses (fractions of a
// revolution that sum to 1, gaps[q] being the way from pulse q to the next),
// bridges missed ones and leaves out surplus ones. It is a shortest-path
// search over pairs of pulses (Viterbi with the survivors' last change of
// period). sparks, in order of time, bear witness where an event seems to stand
// beside the rhythm; there may be none. It returns the segments in time order
// and how many ticks are in none.
func findRhythm(ticks []tick, gaps, sparks []float64) (segs []segment, rejected int) {
	n := len(ticks)
	if n < 2 {
		return nil, n
	}
	teeth := len(gaps)
	// links hold every kept state's way back: 16 bytes a state.
	type link struct {
		back, from, to int32 // previous state (or -2 - last state of the segment before), previous tick, this tick
		steps, tooth   int16
	}
	links := make([]link, 0, n+n/2)
	ring := make([][]chainState, lookBack+1) // states of the last ticks
	for i := range ring {
		ring[i] = make([]chainState, 0, keepStates)
	}
	// bestEnd: least of cost(end at e) - rejectCost·(e+1), so that the ticks
	// between e and j cost rejectCost each; the empty beginning counts 0.
	type ending struct {
		cost float64
		id   int32
	}
	endBefore := make([]ending, lookBack+2) // by tick modulo: best ending at a tick < j
	endBefore[0] = ending{0, -1}
	best := ending{0, -1} // over ticks < i

	cum := make([]float64, 2*teeth+1)
	for i := range 2 * teeth {
		cum[i+1] = cum[i] + gaps[i%teeth]
	}
	span := func(from, m int) float64 { // way of m teeth onward from tooth from
		s := float64(m / teeth)
		r := m % teeth
		return s + cum[from+r] - cum[from]
	}
	minGap := slices.Min(gaps)
	wide := 0.0 // how long a pulse lasts beside the way to the next one
	if equalGaps(gaps) {
		wide = widthShare(ticks)
	}

	type cand struct {
		chainState
		j     int
		back  int32
		steps int
		seg   int32
	}
	cands := make([]cand, 0, keepStates+1)
	for i := range n {
		endBefore[i%len(endBefore)] = best
		cands = cands[:0]
		add := func(c cand) {
			for k := range cands {
				if o := &cands[k]; o.j == c.j && o.steps == c.steps && o.tooth == c.tooth && o.arrived == c.arrived {
					if c.cost < o.cost {
						*o = c
						for k > 0 && cands[k].cost < cands[k-1].cost {
							cands[k], cands[k-1] = cands[k-1], cands[k]
							k--
						}
					}
					return
				}
			}
			if len(cands) == keepStates {
				if c.cost >= cands[keepStates-1].cost {
					return
				}
				cands = cands[:keepStates-1]
			}
			cands = append(cands, c)
			for k := len(cands) - 1; k > 0 && cands[k].cost < cands[k-1].cost; k-- {
				cands[k], cands[k-1] = cands[k-1], cands[k]
			}
		}
		for j := i - 1; j >= 0 && j >= i-lookBack; j-- {
			dt := ticks[i].t - ticks[j].t
			if dt <= 0 {
				continue
			}
			if dt > 60/slowestRPM {
				break
			}
			skip := rejectCost * float64(i-j-1)
			// A slow shaft may do anything from one pulse to the next, but while
			// it is slow its pulses are as long in proportion.
			widthWay, byWidth := 0.0, false // revolutions from j to i by the pulses' own lengths
			if a, b := ticks[j].width, ticks[i].width; wide > 0 && a > 0 && b > 0 {
				period := (a + b) / 2 / wide * float64(teeth)
				widthWay, byWidth = dt/period, period > slowPeriodS
			}
			for _, s := range ring[j%len(ring)] {
				want := dt / s.period // revolutions, were the speed unchanged
				if byWidth {
					want = widthWay
				}
				for m := 1; m <= maxBridge*max(1, teeth/2); m++ {
					to := (int(s.tooth) + m) % teeth
					way := span(int(s.tooth), m)
					// More than 2.2 times off in period: no engine does that in one step.
					if way > 2.2*want+1e-9 {
						break
					}
					if way*2.7 < want && s.arrived || way*4 < want {
						continue
					}
					p := dt / way
					if p < 60/fastestRPM {
						break
					}
					lr := math.Log(p / s.period)
					s1, s2 := changeScale(math.Max(p, s.period))
					// Between pulses closer than a revolution the speed has
					// less time to change, but the shaft's own unsteadiness
					// within the revolution shows: the scale stays.
					d := lr - s.lr
					cost := s.cost + skip + bridgeCost(m) + lr*lr/(2*s1*s1) + d*d/(2*s2*s2)
					if byWidth {
						lr = 0
						e := math.Log(way / want)
						cost = s.cost + skip + bridgeCost(m) + e*e/(2*widthScale*widthScale)
					}
					add(cand{chainState{cost: cost, period: p, lr: lr, tooth: int16(to), arrived: true}, j, s.id, m, -1})
				}
			}
			// A segment that begins with j.
			e := endBefore[j%len(endBefore)]
			for q := range teeth {
				p := dt / gaps[q]
				if p < 60/fastestRPM || p > 60/slowestRPM || dt < minGap*60/fastestRPM {
					continue
				}
				cost := e.cost + rejectCost*float64(j) + startCost + skip
				add(cand{chainState{cost: cost, period: p, tooth: int16((q + 1) % teeth)}, j, -1, 1, e.id})
			}
			// A clean step of a steady shaft needs no search further back.
			if len(cands) > 0 {
				c := cands[0]
				if c.steps == 1 && c.arrived && math.Abs(c.lr) < 0.03 && i-j == 1 && len(ring[j%len(ring)]) > 0 && c.back == ring[j%len(ring)][0].id {
					break
				}
			}
		}
		out := ring[i%len(ring)][:0]
		late := 0.0
		if i > 0 && len(cands) > 0 {
			if dt := ticks[i].t - ticks[i-1].t; dt < bounceTimeS && dt < 0.1*cands[0].period {
				late = lateCost
			}
		}
		for _, c := range cands {
			if c.cost > cands[0].cost+hopeless {
				break
			}
			id := int32(len(links))
			back := c.back
			if back < 0 { // the first of a segment: the state the one before ended in
				back = -2 - c.seg
			}
			links = append(links, link{back, int32(c.j), int32(i), int16(min(c.steps, 127)), c.tooth})
			c.id = id
			c.cost += late
			out = append(out, c.chainState)
			if e := c.cost - rejectCost*float64(i+1); e < best.cost {
				best = ending{e, id}
			}
		}
		ring[i%len(ring)] = out
	}
	used := 0
	for id := best.id; id >= 0; {
		var seg segment
		start := int32(-1)
		type step struct {
			tick         int32
			steps, tooth int16
		}
		length := 1
		for s := id; s >= 0; s = links[s].back {
			length++
			start = s
		}
		path := make([]step, length)
		for s := id; s >= 0; s = links[s].back {
			length--
			path[length] = step{links[s].to, links[s].steps, links[s].tooth}
		}
		firstTooth := (int(links[start].tooth) + teeth - 1) % teeth
		path[0] = step{links[start].from, 0, int16(firstTooth)}
		seg.nodes = make([]node, len(path))
		phi := 0.0
		if teeth > 1 && !equalGaps(gaps) {
			phi = cum[firstTooth]
		}
		count := 0
		phi0 := phi
		for k, s := range path {
			if k > 0 {
				from := int(path[k-1].tooth)
				if equalGaps(gaps) {
					count += int(s.steps)
					phi = phi0 + float64(count)/float64(teeth)
				} else {
					phi += span(from, int(s.steps))
				}
				if s.steps > 1 {
					for q := 1; q < int(s.steps); q++ {
						at := seg.nodes[k-1].phi + span(from, q)
						seg.missing = append(seg.missing, missedTick{phi: at})
					}
				}
			}
			tk := ticks[s.tick]
			seg.nodes[k] = node{t: tk.t, phi: phi, sigma: tk.sigma, tooth: s.tooth, tick: s.tick}
		}
		used += len(seg.nodes)
		for k := range seg.missing {
			seg.missing[k].t = seg.timeAt(seg.missing[k].phi)
		}
		segs = append(segs, seg)
		id = -2 - links[start].back
	}
	slices.Reverse(segs)
	rejected = n - used
	if rejected > 0 {
		for i := range segs {
			segs[i].preferFitting(ticks)
		}
	}
	if equalGaps(gaps) {
		for i := range segs {
			rejected += segs[i].dropSplit(1 / float64(teeth))
			rejected += segs[i].dropDisplaced(teeth, sparks)
			rejected += segs[i].dropUnsureEnds(1/float64(teeth), sparks)
		}
	}
	return segs, rejected
}

// preferFitting exchanges an event for a rejected pulse close by where that
// one lies much nearer to where the neighbours on both sides expect it. Within
// a bounce's time the first pulse mostly stays: a bounce comes after its edge.
func (s *segment) preferFitting(ticks []tick) {
	n := len(s.nodes)
	for k := range s.nodes {
		if n < 6 {
			return
		}
		if k < 2 || k+2 >= n {
			continue // no neighbours on both sides
		}
		p := [4]node{s.nodes[k-2], s.nodes[k-1], s.nodes[k+1], s.nodes[k+2]}
		me := &s.nodes[k]
		expect := 0.0
		for i := range p {
			w := 1.0
			for j := range p {
				if j != i {
					w *= (me.phi - p[j].phi) / (p[i].phi - p[j].phi)
				}
			}
			expect += w * (p[i].t - me.t)
		}
		period := (p[2].t - p[1].t) / (p[2].phi - p[1].phi)
		best, bestErr := -1, 0.5*math.Abs(expect)
		for _, d := range []int{-1, 1, -2, 2} {
			c := int(me.tick) + d
			if c < 0 || c >= len(ticks) || ticks[c].t <= p[1].t || ticks[c].t >= p[2].t {
				continue
			}
			off := ticks[c].t - me.t
			e := math.Abs(off - expect)
			if math.Abs(off) > 0.1*period || off > 0 && off < bounceTimeS && e > 0.15*math.Abs(expect) {
				continue
			}
			if off < 0 && off > -bounceTimeS && e < 1.2*math.Abs(expect) {
				best = c // the edge that this one is the bounce of
				break
			}
			if e < bestErr {
				best, bestErr = c, e
			}
		}
		if best >= 0 {
			me.t, me.sigma, me.tick = ticks[best].t, ticks[best].sigma, int32(best)
		}
	}
}

// dropDisplaced takes out events that stand alone beside the rhythm, such as
// a disturbance where a reference was missed, and bridges them. One event
// displaced by x shows in the fourth differences of the times as 1, -4, 6,
// -4, 1 times x; a change of acceleration, which is the engine's own, does
// not: it shows as 1, -1. At a rough idle the engine itself can look displaced;
// then its spark is displaced with it, and the event stays. It returns how
// many it took.
func (s *segment) dropDisplaced(teeth int, sparks []float64) int {
	n := len(s.nodes)
	if n < 9 {
		return 0
	}
	step := 1 / float64(teeth)
	const unknown = math.MaxFloat64
	d4 := make([]float64, n) // displacement in revolutions
	for k := range d4 {
		d4[k] = unknown
		if k < 2 || k+2 >= n || math.Abs(s.nodes[k+2].phi-s.nodes[k-2].phi-4*step) > 1e-6 {
			continue
		}
		p := s.nodes[k-2 : k+3]
		x := ((p[0].t - p[1].t) - 3*(p[1].t-p[2].t) + 3*(p[2].t-p[3].t) - (p[3].t - p[4].t)) / 6
		d4[k] = x / (p[3].t - p[1].t) * 2 * step
	}
	const least = 0.8 / 360 // revolutions
	var drop []int
	for k := 3; k+3 < n; k++ {
		x := math.Abs(d4[k])
		if d4[k] == unknown || x < least || d4[k-1] == unknown || d4[k+1] == unknown {
			continue
		}
		a, b := d4[k-1]/d4[k], d4[k+1]/d4[k]
		if a > -0.45 || a < -0.9 || b > -0.45 || b < -0.9 {
			continue
		}
		alone := true
		var around []float64
		for j := max(2, k-8); j <= min(n-3, k+8); j++ {
			if d4[j] == unknown || abs(j-k) <= 2 {
				if abs(j-k) == 2 && d4[j] != unknown && math.Abs(d4[j]) > 0.4*x {
					alone = false
				}
				continue
			}
			around = append(around, math.Abs(d4[j]))
		}
		if alone && len(around) >= 4 && x > 6*medianInPlace(around) && !s.borneOut(k, d4[k], sparks) {
			drop = append(drop, k)
			k += 2
		}
	}
	// Near the ends the pattern is cut off: one displaced event shows in the
	// last fourth differences as 1 (the very last), -4 1, or 6 -4 1. There are
	// no neighbours on both sides to bridge from, so the end is cut short.
	end := func(at func(i int) int) {
		u, v, w := d4[at(2)], d4[at(3)], d4[at(4)]
		if u == unknown || v == unknown || w == unknown {
			return
		}
		var around []float64
		for i := 5; i <= 14 && i <= n-3; i++ {
			if x := d4[at(i)]; x != unknown {
				around = append(around, math.Abs(x))
			}
		}
		if len(around) < 3 || !(math.Abs(u) > 6*medianInPlace(around)) || math.Abs(w) > 0.35*math.Abs(u) {
			return
		}
		switch r := v / u; {
		case math.Abs(r) < 0.1 && 6*math.Abs(u) >= least && !s.borneOut(at(0), 6*u, sparks):
			drop = append(drop, at(0))
		case r < -0.15 && r > -0.4 && 1.5*math.Abs(u) >= least && !s.borneOut(at(1), -1.5*u, sparks):
			drop = append(drop, at(0), at(1))
		case r < -0.45 && r > -0.9 && math.Abs(u) >= least && !s.borneOut(at(2), u, sparks):
			drop = append(drop, at(0), at(1), at(2))
		}
	}
	end(func(i int) int { return i })
	end(func(i int) int { return n - 1 - i })
	slices.Sort(drop)
	drop = slices.Compact(drop)
	for i := len(drop) - 1; i >= 0; i-- {
		k := drop[i]
		if k < 3 || k >= n-3 {
			continue
		}
		phi := s.nodes[k].phi
		s.nodes = slices.Delete(s.nodes, k, k+1)
		s.missing = append(s.missing, missedTick{t: s.timeAt(phi), phi: phi})
	}
	from, to := 0, len(s.nodes)
	for _, k := range drop {
		if k < 3 {
			from = max(from, k+1)
		} else if k >= n-3 {
			to = min(to, len(s.nodes)-(n-k))
		}
	}
	lo, hi := s.nodes[from].phi, s.nodes[to-1].phi
	s.nodes = s.nodes[from:to]
	s.missing = slices.DeleteFunc(s.missing, func(x missedTick) bool { return x.phi < lo || x.phi > hi })
	return len(drop)
}

// dropSplit takes out a stray pulse within the first or the last interval of
// the segment, step revolutions long: the two parts together are as long as
// the interval beside them, and so are one. At low speed the search alone
// would let the shaft change its speed by half in one turn, and at an end
// nothing on the other side contradicts it. It returns how many it took.
func (s *segment) dropSplit(step float64) (dropped int) {
	for _, end := range []bool{false, true} {
		n := len(s.nodes)
		if n < 5 {
			break
		}
		at := func(i int) *node {
			if end {
				return &s.nodes[n-1-i]
			}
			return &s.nodes[i]
		}
		if math.Abs(math.Abs(at(3).phi-at(0).phi)-3*step) > 1e-6 {
			continue
		}
		parts, whole := math.Abs(at(2).t-at(0).t), math.Abs(at(3).t-at(2).t)
		if math.Abs(parts-whole) > 0.06*whole {
			continue
		}
		if end {
			at(0).phi -= step
			s.nodes = slices.Delete(s.nodes, n-2, n-1)
		} else {
			at(0).phi += step
			s.nodes = slices.Delete(s.nodes, 1, 2)
		}
		dropped++
	}
	return dropped
}

// dropUnsureEnds takes out events at the ends, up to four, where a missed one
// or a change of speed by more than a third lies between them and their
// neighbours and the sparks do not vouch for them: stray pulses look like
// that, and at an end nothing on the other side contradicts them. It returns
// how many it took.
func (s *segment) dropUnsureEnds(step float64, sparks []float64) (dropped int) {
	const (
		most  = 4.0 / 3
		reach = 4
	)
	for _, end := range []bool{false, true} {
		n := len(s.nodes)
		if n < 3*reach {
			return dropped
		}
		at := func(i int) int {
			if end {
				return n - 1 - i
			}
			return i
		}
		for i := reach - 1; i >= 0; i-- {
			a, b, c := s.nodes[at(i)], s.nodes[at(i+1)], s.nodes[at(i+2)]
			p, q := (b.t-a.t)/(b.phi-a.phi), (c.t-b.t)/(c.phi-b.phi)
			even, bridged := p < most*q && q < most*p, math.Abs(b.phi-a.phi) > 1.5*step
			if even && !bridged {
				continue
			}
			// How many turns a bridge spans at an uneven speed no spark can say.
			if off, ok := s.sparkOffset(at(i), sparks); ok && math.Abs(off) < 5.0/360 && (even || !bridged) {
				continue
			}
			if end {
				s.nodes = s.nodes[:n-1-i]
			} else {
				s.nodes = s.nodes[i+1:]
			}
			dropped += i + 1
			break
		}
	}
	lo, hi := s.nodes[0].phi, s.nodes[len(s.nodes)-1].phi
	s.missing = slices.DeleteFunc(s.missing, func(x missedTick) bool { return x.phi < lo || x.phi > hi })
	return dropped
}

// borneOut says whether the sparks vouch for event k, which seems displaced
// by x revolutions: the spark nearest to it keeps, to within two fifths of the
// displacement, the distance that the sparks nearest to the events around
// keep. Of an event that is truly displaced it would lie the whole of x nearer
// or farther.
func (s *segment) borneOut(k int, x float64, sparks []float64) bool {
	off, ok := s.sparkOffset(k, sparks)
	return ok && math.Abs(off) < 0.4*math.Abs(x)
}

// sparkOffset is by how many revolutions the spark nearest to event k lies
// later after it than the sparks nearest to the events around lie after
// theirs; ok is false without a spark within a third of a revolution of it and
// of four of those.
func (s *segment) sparkOffset(k int, sparks []float64) (revolutions float64, ok bool) {
	distance := func(k int) (revolutions float64, ok bool) {
		a, b := max(k-1, 0), min(k+1, len(s.nodes)-1)
		period := (s.nodes[b].t - s.nodes[a].t) / (s.nodes[b].phi - s.nodes[a].phi)
		// At an end the mean speed of the interval is that of its middle: half
		// an interval further on a stalling or starting shaft is slower still.
		if c := 2*b - a; a == k && c < len(s.nodes) {
			period = endPeriod(s.nodes[a], s.nodes[b], s.nodes[c])
		} else if c := 2*a - b; b == k && c >= 0 {
			period = endPeriod(s.nodes[b], s.nodes[a], s.nodes[c])
		}
		t := s.nodes[k].t
		i, _ := slices.BinarySearch(sparks, t)
		best := math.Inf(1)
		for _, j := range []int{i - 1, i} {
			if j >= 0 && j < len(sparks) && math.Abs(sparks[j]-t) < math.Abs(best) {
				best = sparks[j] - t
			}
		}
		d := best / period
		return d, math.Abs(d) < 1.0/3
	}
	own, ok := distance(k)
	if !ok {
		return 0, false
	}
	var around []float64
	for j := max(0, k-8); j <= min(len(s.nodes)-1, k+8); j++ {
		if d, ok := distance(j); ok && j != k {
			around = append(around, d)
		}
	}
	if len(around) < 4 {
		return 0, false
	}
	return own - medianInPlace(around), true
}

// endPeriod is the time of a revolution at the moment of event a at an end of
// a segment, b and c being its neighbours inward: the speed that the mean ones
// of both intervals lead to along a straight line over the phase, and at least
// a third of that of the outer interval.
func endPeriod(a, b, c node) float64 {
	u, v := (b.phi-a.phi)/(b.t-a.t), (c.phi-b.phi)/(c.t-b.t)
	return 1 / math.Max(u+(u-v)*(b.phi-a.phi)/(c.phi-a.phi), u/3)
}

// restoreTurns finds segments at whose border the shaft seems to fall to a half
// or a third of its speed while the sparks go on at theirs: there every second
// or third event is all that is left of the reference. Their phases are
// stretched by as much, and the events between counted as missed. sparks are
// in order of time.
func restoreTurns(segs []segment, sparks []float64) {
	between := func(s *segment) float64 { // median way from spark to spark, revolutions
		var d []float64
		i, _ := slices.BinarySearch(sparks, s.nodes[0].t)
		last := math.Inf(-1)
		for ; i < len(sparks) && sparks[i] <= s.nodes[len(s.nodes)-1].t; i++ {
			k, ok := s.find(sparks[i], 0)
			if !ok {
				continue
			}
			phi := s.at(sparks[i], k).phi
			if x := phi - last; x > 0.11 { // not a second spark of one firing
				if !math.IsInf(x, 0) {
					d = append(d, x)
				}
				last = phi
			}
		}
		if len(d) < 5 {
			return 0
		}
		return medianInPlace(d)
	}
	ways := make([]float64, len(segs))
	for i := range segs {
		ways[i] = between(&segs[i])
	}
	rate := func(s *segment, end bool) float64 { // of the four events at an end
		a, b := 0, min(3, len(s.nodes)-1)
		if end {
			a, b = max(0, len(s.nodes)-4), len(s.nodes)-1
		}
		return (s.nodes[b].phi - s.nodes[a].phi) / (s.nodes[b].t - s.nodes[a].t)
	}
	stretch := func(s *segment, k float64) {
		for i := range s.nodes {
			s.nodes[i].phi *= k
		}
		s.missing = s.missing[:0]
		for i := 1; i < len(s.nodes); i++ {
			for phi := s.nodes[i-1].phi + 1; phi < s.nodes[i].phi-0.5; phi++ {
				s.missing = append(s.missing, missedTick{t: s.timeAt(phi), phi: phi})
			}
		}
	}
	judge := func(i, neighbour int) {
		if ways[i] == 0 || ways[neighbour] == 0 {
			return
		}
		k := math.Round(ways[neighbour] / ways[i])
		if k < 2 || k > 3 || math.Abs(ways[neighbour]/ways[i]-k) > 0.1*k {
			return
		}
		jump := rate(&segs[neighbour], neighbour < i) / rate(&segs[i], i < neighbour)
		if math.Abs(jump-k) < 0.2*k {
			stretch(&segs[i], k)
			ways[i] *= k
		}
	}
	for i := 1; i < len(segs); i++ {
		judge(i, i-1)
	}
	for i := len(segs) - 2; i >= 0; i-- {
		judge(i, i+1)
	}
}

func equalGaps(gaps []float64) bool {
	for _, g := range gaps {
		if math.Abs(g*float64(len(gaps))-1) > 1e-9 {
			return false
		}
	}
	return true
}

// toothPattern looks for a recurring uneven spacing of n pulses per
// revolution. It returns the gaps as fractions of a revolution and true when
// the pattern is plain: at least 60 % of all runs of n gaps show it, and the
// gaps differ by more than a sixth of their mean. A running engine's speed does
// not vary by that within the revolution; a shaft turned by hand or cranked
// does, and then its pulses are the longer the longer the gaps beside them:
// where they are, the spacing is taken for equal.
func toothPattern(ticks []tick, n int) ([]float64, bool) {
	runs := len(ticks) - n
	if n < 2 || runs < 2*n+2 {
		return nil, false
	}
	at := func(i int) []float64 {
		f := make([]float64, n)
		T := ticks[i+n].t - ticks[i].t
		for k := range n {
			f[k] = (ticks[i+k+1].t - ticks[i+k].t) / T
		}
		return f
	}
	rotated := func(f, p []float64) (best float64, shift int) {
		best = math.Inf(1)
		for s := range n {
			worst := 0.0
			for k := range n {
				worst = math.Max(worst, math.Abs(f[k]-p[(k+s)%n]))
			}
			if worst < best {
				best, shift = worst, s
			}
		}
		return best, shift
	}
	near := 0.15 / float64(n)
	stride := max(1, runs/2000)
	var pattern []float64
	var lengths []float64 // logarithm of the pulses' own lengths beside each gap of pattern, about their mean
	bestHits, tried := 0, 0
	for s := range 9 {
		seed := at(s * (runs - 1) / 8)
		hits := 0
		tried = 0
		sums, logs, known := make([]float64, n), make([]float64, n), 0
		for i := 0; i < runs; i += stride {
			tried++
			f := at(i)
			if d, shift := rotated(f, seed); d < near {
				hits++
				for k := range n {
					sums[(k+shift)%n] += f[k]
				}
				if w, ok := lengthsBeside(ticks[i : i+n+1]); ok {
					known++
					for k := range n {
						logs[(k+shift)%n] += w[k]
					}
				}
			}
		}
		if hits > bestHits {
			bestHits = hits
			pattern = make([]float64, n)
			for k := range n {
				pattern[k] = sums[k] / float64(hits)
			}
			lengths = nil
			if 2*known > hits {
				lengths = logs
				for k := range n {
					lengths[k] /= float64(known)
				}
			}
		}
	}
	if pattern == nil || float64(bestHits) < 0.6*float64(tried) {
		return nil, false
	}
	lo, hi := slices.Min(pattern), slices.Max(pattern)
	if (hi-lo)*float64(n) < 1.0/6 {
		return nil, false
	}
	if turn := (ticks[len(ticks)-1].t - ticks[0].t) / float64(len(ticks)-1) * float64(n); turn > slowPeriodS && lengths != nil {
		// The slope of the lengths over the gaps is 1 where the speed makes both,
		// 0 where the gaps are the wheel's.
		top, bottom := 0.0, 0.0
		for k, g := range pattern {
			x := math.Log(g * float64(n))
			top, bottom = top+x*lengths[k], bottom+x*x
		}
		if top > 0.5*bottom {
			return nil, false
		}
	}
	// The first pulse is the one after the longest gap.
	k := 0
	for i, g := range pattern {
		if g > pattern[k] {
			k = i
		}
	}
	out := make([]float64, n)
	total := 0.0
	for i := range n {
		out[i] = pattern[(k+1+i)%n]
		total += out[i]
	}
	for i := range out {
		out[i] /= total
	}
	return out, true
}

// lengthsBeside is the logarithm of the mean length of the two pulses beside
// each gap of a run, about its mean over the run; ok is false where one is not
// known.
func lengthsBeside(run []tick) (logs []float64, ok bool) {
	logs = make([]float64, len(run)-1)
	mean := 0.0
	for k := range logs {
		a, b := run[k].width, run[k+1].width
		if !(a > 0 && b > 0) {
			return nil, false
		}
		logs[k] = math.Log((a + b) / 2)
		mean += logs[k] / float64(len(logs))
	}
	for k := range logs {
		logs[k] -= mean
	}
	return logs, true
}
