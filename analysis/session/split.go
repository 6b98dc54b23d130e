// Package session splits a long recording into the stretches that a mechanic
// would tell apart – cranking, idle, holds, pulls up and pulls down – and sets
// them against each other.
package session

import (
	"math"
	"slices"

	"sparkscope/analysis"
)

// Kind is what an engine does for a while.
type Kind string

// The kinds of part.
const (
	Cranking Kind = "cranking"
	Idle     Kind = "idle"
	Hold     Kind = "hold"
	Up       Kind = "pull up"
	Down     Kind = "pull down"
)

// Rule says how a session is split, for a help text.
const Rule = `The speed is taken at every spark, as the median of five, so that single missed
or doubled pulses do not matter. In this order:
  gap        more than 1 s, and five times the usual, without a spark; what lies
             on either side is split by itself
  cranking   below 600 rpm (--cranking-below) at the start of a stretch or for 1 s
             and longer, and the rise out of it up to where the speed first holds
             or turns
  hold       1 s and longer within ±3 % of one speed, or drifting more slowly than a
             quarter in two minutes, and not on the way of a pull
  pull up    a rise by a quarter and more, in less than two minutes; a pause of
             less than 1 s is a part of it
  pull down  the same downwards
  idle       a hold within 25 % of the slowest one, if that is below 40 % of the
             fastest speed; or every hold below --idle-below
A change by less than a quarter between two holds belongs to the hold before it.`

// The figures of Rule. They are common practice on a bench, no source.
const (
	gapS         = 1.0
	gapIntervals = 5.0
	crankingRPM  = 600.0
	holdS        = 1.0
	holdBand     = 0.03 // ± of the level
	pullRatio    = 1.25
	slowestRate  = 0.223 / 120 // of the logarithm of speed, per second: a quarter in two minutes
	idleRatio    = 1.25
	idleShare    = 0.4
	startFallS   = 2.0 // a fall this short behind the rise out of cranking belongs to it
)

// Part is a stretch of a session.
type Part struct {
	Kind        Kind
	Number      int     // within its kind, from 1
	FromS, ToS  float64 // as recorded, seconds; half-way between the sparks on either side
	First, Next int     // its sparks are Firings[First:Next]
	// Speeds, rpm, each the median of five sparks: at its first and last spark,
	// slowest, fastest; and the median of all.
	FromRPM, ToRPM, MinRPM, MaxRPM, MedianRPM float64
}

// Steady is whether the part is one of steady speed.
func (p *Part) Steady() bool { return p.Kind == Idle || p.Kind == Hold }

// Options are what the user knows better than Rule.
type Options struct {
	CrankingBelowRPM float64 // 0: 600
	IdleBelowRPM     float64 // 0: found from the holds
}

// Split parts the sparks of a recording, in time order, by their speed alone;
// those without a speed belong to the part around them. It returns nothing for
// fewer than five sparks with a speed.
func Split(f []analysis.Firing, o Options) []Part {
	if o.CrankingBelowRPM <= 0 {
		o.CrankingBelowRPM = crankingRPM
	}
	s := &splitter{f: f, crank: math.Log(o.CrankingBelowRPM)}
	for i := range f {
		if v := f[i].RPM; v > 0 && !math.IsInf(v, 0) {
			s.at = append(s.at, i)
			s.t = append(s.t, f[i].TimeS)
			s.five = append(s.five, math.Log(v))
		}
	}
	if len(s.at) < 5 {
		return nil
	}
	raw := s.five
	s.raw = raw
	s.five = make([]float64, len(raw))
	for _, g := range s.stretches() {
		runningMedian(s.five[g[0]:g[1]], raw[g[0]:g[1]], func(i int) (int, int) { return i - 2, i + 3 })
		s.stretch(g[0], g[1])
	}
	s.join()
	s.idle(o.IdleBelowRPM)
	return s.finish()
}

// splitter is the work in hand. Indexes are of the sparks with a speed.
type splitter struct {
	f     []analysis.Firing
	at    []int     // which firing
	t     []float64 // seconds
	raw   []float64 // logarithm of speed
	five  []float64 // median of five of it
	crank float64   // logarithm of the speed below which it is cranking
	runs  []run
}

// run is a part in the making: sparks [a, b).
type run struct {
	kind  Kind
	a, b  int
	level float64 // of a hold, logarithm of speed
	fresh bool    // the first behind a gap
}

// stretches are the pieces between gaps, as [from, to).
func (s *splitter) stretches() [][2]int {
	var out [][2]int
	from := 0
	for i := 1; i < len(s.t); i++ {
		if d := s.t[i] - s.t[i-1]; d > gapS {
			lo, hi := max(from, i-6), min(len(s.t)-1, i+6)
			usual := make([]float64, 0, 12)
			for k := lo + 1; k <= hi; k++ {
				usual = append(usual, s.t[k]-s.t[k-1])
			}
			slices.Sort(usual)
			if d > gapIntervals*usual[len(usual)/2] {
				out = append(out, [2]int{from, i})
				from = i
			}
		}
	}
	return append(out, [2]int{from, len(s.t)})
}

// runningMedian sets dst[i] to the median of src[lo:hi], where window gives lo
// and hi, both rising with i and cut to src.
func runningMedian(dst, src []float64, window func(i int) (lo, hi int)) {
	var sorted []float64
	lo, hi := 0, 0
	for i := range src {
		a, b := window(i)
		a, b = max(0, a), min(len(src), b)
		for ; hi < b; hi++ {
			k, _ := slices.BinarySearch(sorted, src[hi])
			sorted = slices.Insert(sorted, k, src[hi])
		}
		for ; lo < a; lo++ {
			k, _ := slices.BinarySearch(sorted, src[lo])
			sorted = slices.Delete(sorted, k, k+1)
		}
		n := len(sorted)
		dst[i] = (sorted[(n-1)/2] + sorted[n/2]) / 2
	}
}

// stretch splits what lies between two gaps.
func (s *splitter) stretch(a, b int) {
	first := len(s.runs)
	for i := a; i < b; {
		k := i
		below := s.five[i] < s.crank
		for k < b && (s.five[k] < s.crank) == below {
			k++
		}
		switch {
		case below && (i == a || s.t[k-1]-s.t[i] >= holdS):
			s.runs = append(s.runs, run{kind: Cranking, a: i, b: k})
		default:
			// A dip below, too short for cranking, is a part of what it dips from.
			for k < b && below {
				below = false
				for k < b && s.five[k] >= s.crank {
					k++
				}
			}
			if n := len(s.runs); n > first && s.runs[n-1].kind == "" {
				s.runs[n-1].b = k
			} else {
				s.runs = append(s.runs, run{a: i, b: k})
			}
		}
		i = k
	}
	all := slices.Clone(s.runs[first:])
	s.runs = s.runs[:first]
	for _, r := range all {
		if r.kind == Cranking {
			s.runs = append(s.runs, r)
			continue
		}
		s.running(r.a, r.b)
	}
	if len(s.runs) > first {
		s.runs[first].fresh = true
	}
	s.starts(first)
}

// starts gives the rise out of cranking, and a short fall behind it, to the
// cranking.
func (s *splitter) starts(first int) {
	for i := first; i < len(s.runs); i++ {
		if s.runs[i].kind != Cranking {
			continue
		}
		take := func(kind Kind, mostS float64) bool {
			if i+1 >= len(s.runs) || s.runs[i+1].kind != kind || s.t[s.runs[i+1].b-1]-s.t[s.runs[i+1].a] > mostS {
				return false
			}
			s.runs[i].b = s.runs[i+1].b
			s.runs = slices.Delete(s.runs, i+1, i+2)
			return true
		}
		if take(Up, math.Inf(1)) {
			take(Down, startFallS)
		}
	}
}

// running splits sparks [a, b) of an engine that runs.
func (s *splitter) running(a, b int) {
	holds := s.holds(a, b)
	at := a
	for i := 0; i <= len(holds); i++ {
		end := b
		if i < len(holds) {
			end = holds[i].a
		}
		if end > at {
			var before, after *run
			if i > 0 {
				before = &s.runs[len(s.runs)-1]
			}
			if i < len(holds) {
				after = &holds[i]
			}
			s.between(at, end, before, after)
		}
		if i < len(holds) {
			s.runs = append(s.runs, holds[i])
			at = holds[i].b
		}
	}
}

// holds are the stretches of steady speed among sparks [a, b): the straight
// pieces that keep to one speed, with what lies next to them at that speed.
func (s *splitter) holds(a, b int) []run {
	pieces := s.pieces(a, b)
	var out []run
	for _, g := range steady(pieces) {
		h := run{kind: Hold, a: pieces[g[0]].a, b: pieces[g[1]-1].b}
		h.level = median(slices.Clone(s.five[h.a:h.b]))
		if n := len(out); n > 0 {
			// What lies between two holds at one speed and never leaves it is
			// unsteadiness.
			q := &out[n-1]
			same := math.Abs(q.level-h.level) <= 2*holdBand
			for i := q.b; i < h.a && same; i++ {
				same = math.Abs(s.five[i]-q.level) <= 4*holdBand
			}
			if same {
				q.b = h.b
				q.level = median(slices.Clone(s.five[q.a:q.b]))
				continue
			}
		}
		out = append(out, h)
	}
	// Cells are coarse, and neighbouring pieces do not meet: the ends are where
	// the speed leaves the level.
	for k := range out {
		h := &out[k]
		lo, hi := a, b
		if k > 0 {
			lo = out[k-1].b
		}
		if k+1 < len(out) {
			hi = out[k+1].a
		}
		first, last := s.five[h.a], s.five[h.b-1]
		if math.Abs(first-h.level) <= holdBand {
			for h.a > lo && math.Abs(s.five[h.a-1]-h.level) <= holdBand {
				h.a--
			}
		}
		if math.Abs(last-h.level) <= holdBand {
			for h.b < hi && math.Abs(s.five[h.b]-h.level) <= holdBand {
				h.b++
			}
		}
		if math.Abs(last-first) <= slowestRate*(s.t[h.b-1]-s.t[h.a]) {
			continue // it drifts
		}
		for h.b-h.a > 5 && math.Abs(s.five[h.a]-h.level) > holdBand {
			h.a++
		}
		for h.b-h.a > 5 && math.Abs(s.five[h.b-1]-h.level) > holdBand {
			h.b--
		}
	}
	return slices.DeleteFunc(out, func(h run) bool { return s.t[h.b-1]-s.t[h.a] < holdS })
}

// median is of x, which it sorts; 0 for none.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	slices.Sort(x)
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// between splits sparks [a, b), which hold nowhere, into pulls; before and after
// are the holds next to them, nil: none.
func (s *splitter) between(a, b int, before, after *run) {
	least := math.Log(pullRatio)
	low, high := s.five[a], s.five[a]
	if before != nil {
		low, high = before.level, before.level
	}
	lowAt, highAt := a, a
	kind, from := Kind(""), a // of what is in hand, and where it begins
	var pulls []run
	add := func(k Kind, to int) {
		if to > from {
			pulls = append(pulls, run{kind: k, a: from, b: to, level: median(slices.Clone(s.five[from:to]))})
			from = to
		}
	}
	look := func(v float64, i int) {
		if v > high {
			high, highAt = v, i
		}
		if v < low {
			low, lowAt = v, i
		}
		next, turn := Up, lowAt
		switch {
		case kind != Up && v >= low+least:
		case kind != Down && v <= high-least:
			next, turn = Down, highAt
		default:
			return
		}
		switch {
		case kind != "":
			add(kind, turn+1)
		case s.t[turn]-s.t[from] >= holdS:
			add(Hold, turn) // unsteady, but no pull
		}
		kind = next
		low, high, lowAt, highAt = v, v, i, i
	}
	for i := a; i < b; i++ {
		look(s.five[i], i)
	}
	if after != nil {
		look(after.level, b-1)
	}
	if kind != "" {
		add(kind, b)
		for _, p := range pulls {
			if d := s.t[p.b-1] - s.t[p.a]; d > 0 && math.Abs(s.five[p.b-1]-s.five[p.a])/d < slowestRate {
				p.kind = Hold
			}
			s.runs = append(s.runs, p)
		}
		return
	}
	switch {
	case before != nil:
		before.b = b
	case after != nil:
		after.a = a
	default:
		s.runs = append(s.runs, run{kind: Hold, a: a, b: b, level: median(slices.Clone(s.five[a:b]))})
	}
}

// idle finds which holds are idle.
func (s *splitter) idle(below float64) {
	slowest, fastest := math.Inf(1), math.Inf(-1)
	for i := range s.runs {
		r := &s.runs[i]
		if r.kind == Hold {
			slowest = min(slowest, r.level)
		}
		for _, v := range s.five[r.a:r.b] {
			fastest = max(fastest, v)
		}
	}
	for i := range s.runs {
		r := &s.runs[i]
		switch {
		case r.kind != Hold:
		case below > 0 && r.level < math.Log(below),
			below <= 0 && slowest < fastest+math.Log(idleShare) && r.level <= slowest+math.Log(idleRatio):
			r.kind = Idle
		}
	}
}

// join makes one of neighbours that are one.
func (s *splitter) join() {
	out := s.runs[:0]
	for _, r := range s.runs {
		if n := len(out); n > 0 && out[n-1].kind == r.kind && !r.fresh {
			p := &out[n-1]
			apart := math.Abs(p.level - r.level)
			between := (s.t[r.a] + s.t[r.b-1] - s.t[p.a] - s.t[p.b-1]) / 2
			if r.kind != Hold || apart < 4*holdBand || apart < slowestRate*between {
				p.b = r.b
				p.level = median(slices.Clone(s.five[p.a:p.b]))
				continue
			}
		}
		out = append(out, r)
	}
	s.runs = out
}

// finish makes parts of the runs.
func (s *splitter) finish() []Part {
	var out []Part
	counts := map[Kind]int{}
	for k, r := range s.runs {
		counts[r.kind]++
		p := Part{Kind: r.kind, Number: counts[r.kind], First: s.at[r.a], Next: s.at[r.b-1] + 1}
		p.FromS, p.ToS = s.t[r.a], s.t[r.b-1]
		if k > 0 && !r.fresh {
			p.FromS = (s.t[r.a-1] + s.t[r.a]) / 2
		}
		if k+1 < len(s.runs) && !s.runs[k+1].fresh {
			p.ToS = (s.t[r.b-1] + s.t[r.b]) / 2
			p.Next = s.at[r.b]
		}
		x := slices.Clone(s.five[r.a:r.b])
		p.FromRPM, p.ToRPM = math.Exp(x[0]), math.Exp(x[len(x)-1])
		p.MedianRPM = math.Exp(median(x)) // sorts x
		p.MinRPM, p.MaxRPM = math.Exp(x[0]), math.Exp(x[len(x)-1])
		out = append(out, p)
	}
	return out
}
