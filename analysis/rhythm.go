package analysis

import (
	"math"
	"slices"
)

// tick is one pulse offered as a reference event; times in seconds.
type tick struct {
	t, sigma float64
}

// node is one reference event in its place: phase in revolutions from the
// segment's first event.
type node struct {
	t, phi, sigma float64
	tooth         int // which of the pulses of a revolution, 0 with one or with equal ones
}

// segment is a run of reference events without a gap of more than a few
// revolutions. Phase grows strictly with time.
type segment struct {
	nodes   []node
	missing []missedTick
	first   int // revolution number of phase 0, counted over the whole recording
}

type missedTick struct{ t, phi float64 }

// Costs of the search for the rhythm, in units where one standard deviation of
// the expected change costs one half. They are engineering choices (common
// practice, no source), checked by the tests of rhythm_test.go.
const (
	rejectCost  = 6.0  // a pulse that is no reference event
	startCost   = 15.0 // a new segment
	lateCost    = 0.5  // a pulse that follows another within a bounce's time
	maxBridge   = 4    // revolutions (or teeth) one interval may span
	lookBack    = 6    // pulses that may lie between two events and be rejected
	keepStates  = 4
	bounceTimeS = 1.5e-3
	slowestRPM  = 8.0
	fastestRPM  = 30000.0
)

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
// period). It returns the segments in time order and how many ticks are in none.
func findRhythm(ticks []tick, gaps []float64) (segs []segment, rejected int) {
	n := len(ticks)
	if n < 2 {
		return nil, n
	}
	teeth := len(gaps)
	var (
		backID    []int32 // previous state, -1 at the start of a segment
		backTick  []int32 // previous tick
		ofTick    []int32 // this state's tick
		backSteps []int8  // teeth between the two
		stTooth   []int16
		// prevSeg: for the first state of a segment, the state the segment before ended in, or -1.
		prevSeg = map[int32]int32{}
	)
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
			for _, s := range ring[j%len(ring)] {
				want := dt / s.period // revolutions, were the speed unchanged
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
			id := int32(len(backID))
			backID = append(backID, c.back)
			backTick = append(backTick, int32(c.j))
			ofTick = append(ofTick, int32(i))
			backSteps = append(backSteps, int8(min(c.steps, 127)))
			stTooth = append(stTooth, c.tooth)
			if c.back < 0 {
				prevSeg[id] = c.seg
			}
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
			tick  int32
			steps int8
			tooth int16
		}
		var path []step
		for s := id; s >= 0; s = backID[s] {
			path = append(path, step{ofTick[s], backSteps[s], stTooth[s]})
			start = s
		}
		firstTooth := (int(stTooth[start]) + teeth - 1) % teeth
		path = append(path, step{backTick[start], 0, int16(firstTooth)})
		slices.Reverse(path)
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
			seg.nodes[k] = node{t: tk.t, phi: phi, sigma: tk.sigma, tooth: int(s.tooth)}
		}
		used += len(seg.nodes)
		for k := range seg.missing {
			seg.missing[k].t = seg.timeAt(seg.missing[k].phi)
		}
		segs = append(segs, seg)
		id = prevSeg[start]
	}
	slices.Reverse(segs)
	return segs, n - used
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
// gaps differ by more than a sixth of their mean, so that speed within the
// revolution cannot be what is seen.
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
	bestHits, tried := 0, 0
	for s := range 9 {
		seed := at(s * (runs - 1) / 8)
		hits := 0
		tried = 0
		sums := make([]float64, n)
		for i := 0; i < runs; i += stride {
			tried++
			f := at(i)
			if d, shift := rotated(f, seed); d < near {
				hits++
				for k := range n {
					sums[(k+shift)%n] += f[k]
				}
			}
		}
		if hits > bestHits {
			bestHits = hits
			pattern = make([]float64, n)
			for k := range n {
				pattern[k] = sums[k] / float64(hits)
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
