package dsp

import (
	"math"
	"slices"
)

// stops are the end stops of a channel: what the input cannot exceed. Full
// scale is one always; a front end that clips before the coupling stops at a
// level of its own, which the coupling moves about with the baseline.
type stops struct {
	hi, lo float64 // from the local baseline, fractions of full scale, hi > 0 > lo; 0 when there is none
}

const clipLevel = 0.999

// near says whether a stretch between two values may touch a stop; cheap.
func (s stops) near(low, high float32) bool {
	return high >= clipLevel || low <= -clipLevel ||
		s.hi > 0 && float64(high-low) >= s.hi || s.lo < 0 && float64(high-low) >= -s.lo
}

// at says whether a sample over a baseline is at a stop.
func (s stops) at(v, base float64) bool {
	return v >= clipLevel || v <= -clipLevel || s.hi > 0 && v-base >= s.hi || s.lo < 0 && v-base <= s.lo
}

// reach is how far from a baseline the nearest stop lies on the side of sign.
func (s stops) reach(sign, base float64) float64 {
	switch {
	case sign > 0 && s.hi > 0:
		return math.Min(s.hi, clipLevel-base)
	case sign < 0 && s.lo < 0:
		return math.Min(-s.lo, clipLevel+base)
	}
	return clipLevel - math.Copysign(base, base*sign)
}

// look is between which values the pulses of the class are seen, however far
// they truly go.
func (t *template) look() (hi, lo float64) {
	if !t.clipped {
		return math.Inf(1), math.Inf(-1)
	}
	return t.stops.reach(1, 0), -t.stops.reach(-1, 0)
}

// between is fitWith's sums about ref over the samples of w that say something,
// with the matrix of inner products that belongs to them. What a stop cut off
// went at least so far: such a sample counts only where the pulse, of amplitude
// a so far, does not get there by itself (a censored sample's score, as in Tobin,
// Econometrica 26 (1958) 24, for noise that is small beside the pulse).
func (t *template) between(w []float32, s, d []float64, ref, a float64) (n, xs, xd, x1, xx, xt float64, g [16]float64) {
	base := 0.0
	quiet := min(t.quiet(), len(w))
	for _, v := range w[:quiet] {
		base += float64(v)
	}
	base /= float64(quiet)
	terms := t.terms()
	mid := float64(len(w)-1) / 2
	for j, v32 := range w {
		if v := float64(v32); t.stops.at(v, base) {
			if far := v - base; a == 0 || a*s[j]*far > 0 && math.Abs(a*s[j]) >= math.Abs(far) {
				continue
			}
		}
		v := float64(v32) - ref
		u := [4]float64{s[j], d[j], 1, (float64(j) - mid) / float64(len(w))}
		n++
		xs += v * u[0]
		xd += v * u[1]
		x1 += v
		xt += v * u[3]
		xx += v * v
		for i := range terms {
			for k := 0; k <= i; k++ {
				g[i*4+k] += u[i] * u[k]
			}
		}
	}
	for i := range terms {
		for k := range i {
			g[k*4+i] = g[i*4+k]
		}
	}
	return n, xs, xd, x1, xx, xt, g
}

// complete replaces in x, a copy of the member's samples, those that a stop cut
// off by what the averaged shape so far has there, where that lies beyond the
// stop: the expectation step of an average of censored samples (Dempster, Laird
// and Rubin, J. Roy. Statist. Soc. B 39 (1977) 1, section 4.3).
func (t *template) complete(x []float64, s *snippet) {
	if t.shape[0] == nil {
		return
	}
	const most = 30 // times the way to the stop: nothing is known beyond
	m := math.Floor(s.q)
	p := int((s.q - m) * bankPhases)
	shape := t.shape[p]
	from := int(m) - t.zero
	base := s.quietBase(t)
	for j := range shape {
		i := from + j
		if i < 0 || i >= len(x) || !s.stops.at(x[i], base) {
			continue
		}
		far := x[i] - base
		want := s.a * shape[j]
		if want*far > 0 && math.Abs(want) > math.Abs(far) {
			x[i] = base + math.Copysign(math.Min(math.Abs(want), most*math.Abs(far)), far)
		}
	}
}

// quietBase is the mean of the member before its front.
func (s *snippet) quietBase(t *template) float64 {
	from := max(int(math.Round(s.q))-t.zero, 0)
	to := min(from+t.quiet(), len(s.x))
	if to <= from {
		return 0
	}
	var sum float64
	for _, v := range s.x[from:to] {
		sum += float64(v)
	}
	return sum / float64(to-from)
}

// atStop says whether a stop cut off anything of the snippet's pulse.
func (s *snippet) atStop(z sizes) bool {
	before := s.feature
	base := 0.0
	quiet := s.x[max(before-z.pre, 0):max(before-z.nearPre, 1)]
	for _, v := range quiet {
		base += float64(v)
	}
	base /= float64(len(quiet))
	return slices.ContainsFunc(s.x[before-z.nearPre:before+2*z.nearPost], func(v float32) bool {
		return s.stops.at(float64(v), base)
	})
}

// clippedFront is frontOf for a shape whose tops were cut off: crest is the
// last sample that no stop touched, as the averaged pulse goes.
func clippedFront(wave []float64, sigma float64, s stops) (foot, crest int) {
	peak := 0.0
	for _, v := range wave {
		peak = math.Max(peak, math.Abs(v))
	}
	top := math.Min(peak, math.Min(s.reach(1, 0), s.reach(-1, 0)))
	for crest < len(wave)-1 && math.Abs(wave[crest]) < 0.85*top {
		crest++
	}
	return footOf(wave, crest, top, sigma), crest
}

// openFront is the front of clipped pulses as far as the stops left it. The
// members fall on the sampling grid at random, so that together they have it at
// any moment (equivalent-time sampling), without interpolation, which would
// carry what was cut off into what was not: y[k] lies k samples after start,
// counted from the alignment, and the one before open just before the stop. What the
// pulse soon comes back to follows, with NaN for what was cut off in between; open is the
// length of y where nothing does. sigma is the noise of y. ok is false when the members do
// not show the front.
func (t *template) openFront(members []*snippet) (y []float64, open int, start, sigma float64, ok bool) {
	p := t.openPoints(members)
	end := -1
	for b := 2; b+2 <= len(p.cut) && p.isOpen(b); b++ {
		end = b
	}
	if p.members < 8 || end < 0 || end+3 >= len(p.cut) {
		return nil, 0, 0, 0, false
	}
	last := float64(p.lo) + float64(end)/openFine
	var noise []float64
	read := func(u float64) (v float64, good bool) {
		v, spread, good := p.at(u)
		if good {
			noise = append(noise, t.sigma*spread)
		}
		return v, good
	}
	steps := int(last - float64(p.lo) - 1)
	for k := steps; k >= 0; k-- {
		v, good := read(last - float64(k))
		if !good {
			return nil, 0, 0, 0, false
		}
		y = append(y, v)
	}
	open = len(y)
	hidden := 0
	goesOn := p.goesOn(end)
	for k := 1; goesOn && k <= cutPost && hidden <= mostCut; k++ {
		v, good := math.NaN(), false
		if b := end + k*openFine; b+2 > len(p.cut) {
			break
		} else if p.isOpen(b) {
			v, good = read(last + float64(k))
		}
		if !good {
			v = math.NaN()
			hidden++
		}
		y = append(y, v)
	}
	if hidden > mostCut {
		y = y[:open]
	}
	return y, open, last - float64(steps), medianOf(noise), true
}

// openPoints are the samples of clipped pulses laid over each other, in bins of
// 1/openFine sample from lo on, counted from the alignment.
type openPoints struct {
	lo      int
	bins    [][]openPoint // what no stop cut off
	cut     []int         // how many a stop cut off
	members int
	atEnd   int // samples that the converter's own stop cut off
	before  int // those that an amplifier before it did
}

// openPoint is a sample over its baseline, of a pulse of height 1.
type openPoint struct{ t, v float64 }

const openFine = 16

func (t *template) openPoints(members []*snippet) openPoints {
	p := openPoints{lo: -t.zero + 4}
	n := (t.crest - t.zero + 2*cutPost - p.lo) * openFine
	p.bins, p.cut = make([][]openPoint, n), make([]int, n)
	for _, s := range members {
		if !s.used || s.a <= 0 {
			continue
		}
		p.members++
		base := s.quietBase(t)
		for i, v32 := range s.x {
			at := float64(i) - s.q
			b := int(math.Floor((at - float64(p.lo)) * openFine))
			if b < 0 || b >= n {
				continue
			}
			switch v := float64(v32); {
			case !s.stops.at(v, base):
				p.bins[b] = append(p.bins[b], openPoint{at, (v - base) / s.a})
			case math.Abs(v) >= clipLevel:
				p.cut[b]++
				p.atEnd++
			default:
				p.cut[b]++
				p.before++
			}
		}
	}
	return p
}

// isOpen is whether of the quarter of a sample about where bin b begins no more than a
// fifth is cut off.
func (p *openPoints) isOpen(b int) bool {
	open, shut := 0, 0
	for k := b - 2; k < b+2; k++ {
		open += len(p.bins[k])
		shut += p.cut[k]
	}
	return shut == 0 || 4*shut < open
}

// at is the pulse at u, and its standard deviation where that of a sample is 1: a
// straight line through what lies within a reach that holds enough.
func (p *openPoints) at(u float64) (v, spread float64, ok bool) {
	for reach := 1.0 / openFine; reach <= 0.5; reach *= 1.5 {
		var sw, sww, st, sv, stt, stv float64
		from := int((u - reach - float64(p.lo)) * openFine)
		for b := max(from, 0); b <= min(int((u+reach-float64(p.lo))*openFine), len(p.bins)-1); b++ {
			for _, q := range p.bins[b] {
				w := 1 - math.Abs(q.t-u)/reach
				if w <= 0 {
					continue
				}
				d := q.t - u
				sw += w
				sww += w * w
				st += w * d
				sv += w * q.v
				stt += w * d * d
				stv += w * d * q.v
			}
		}
		if det := sw*stt - st*st; sw >= 4 && det > 1e-9*sw*sw {
			return (stt*sv - st*stv) / det, math.Sqrt(sww) / sw, true
		}
	}
	return 0, 0, false
}

// goesOn is whether the pulse goes on beyond the stop it meets at bin end, so that what
// comes after is the same pulse's. What an amplifier cut off before the converter is
// another pulse from there on, with a ringing of its own: it stays below the converter's
// stop, or wavers about it where the two are one, while a pulse that goes on beyond
// crosses the stop in a moment.
func (p *openPoints) goesOn(end int) bool {
	const (
		mostCrossings = 4
		perCrossing   = openFine / 4 // bins that hold both
	)
	mixed, crossings, shut := 0, 1, true
	for b := end + 1; b < len(p.cut) && b <= end+(mostCut+1)*openFine; b++ {
		switch o, c := len(p.bins[b]), p.cut[b]; {
		case 10*min(o, c) > o+c:
			mixed++
		case o+c > 0 && (c > 0) != shut:
			shut = !shut
			crossings++
		}
	}
	return 10*p.before < p.atEnd && crossings <= mostCrossings && mixed <= perCrossing*crossings
}

// cutBetween says whether an end stop cut off anything of a coil's lobes, and
// where, as values of x: full scale, or a level at which both are flat.
func cutBetween(x []float32, mid, half float64) (at stops, cut bool) {
	from, to := max(int(mid-2*half), 0), min(int(mid+2*half)+1, len(x))
	if to <= from {
		return at, false
	}
	w := x[from:to]
	lo, hi := slices.Min(w), slices.Max(w)
	at = stops{clipLevel, -clipLevel}
	cut = hi >= clipLevel || lo <= -clipLevel
	// Of a swing from end to end, the first and the last twentieth.
	edge := (hi - lo) / 40
	up, down, ups, downs := 0, 0, 0, 0
	for _, v := range w {
		if v > hi-edge {
			up++
		}
		if v < lo+edge {
			down++
		}
		if v > hi-8*edge {
			ups++
		}
		if v < lo+8*edge {
			downs++
		}
	}
	// A lobe y·exp(-y²/2) is within 5 % of its top for 0.45 of its half spacing,
	// within 40 % for 1.4: a third.
	flat := func(n, of int) bool { return n >= 3 && float64(n) > 0.5*float64(of) }
	if flat(up, ups) && flat(down, downs) {
		at.hi = math.Min(at.hi, float64(hi-3*edge))
		at.lo = math.Max(at.lo, float64(lo+3*edge))
		cut = true
	}
	return at, cut
}

// crossOpen is cross for lobes whose tops were cut off: a polynomial through
// what is left of the slope between them, as far as it is odd about the
// crossing, a straight line where next to nothing is left.
func (l *lobeFinder) crossOpen(x []float32, mid, half float64, stops stops) (Pulse, bool) {
	base, _, ok := baseline(x, mid, half)
	from, to := int(mid-half), int(mid+half)
	if !ok || from < 1 || to+1 >= len(x) {
		return Pulse{}, false
	}
	above := func(i int) bool { return float64(x[i]) > base }
	at := -1
	for i := from; i < to; i++ {
		if above(i) != above(i+1) && (at < 0 || math.Abs(float64(i)+0.5-mid) < math.Abs(float64(at)+0.5-mid)) {
			at = i
		}
	}
	if at < 0 {
		return Pulse{}, false
	}
	a, b := float64(x[at])-base, float64(x[at+1])-base
	pos := float64(at) + a/(a-b)
	p := Pulse{WidthS: 2 * half / float64(l.rate), Match: 1, Clipped: true}
	open := func(i int) bool { return i >= from && i <= to && float64(x[i]) < stops.hi && float64(x[i]) > stops.lo }
	lo, hi := at+1, at
	for open(lo - 1) {
		lo--
	}
	for open(hi + 1) {
		hi++
	}
	if hi-lo < 3 {
		p.Pos, p.Sigma = pos, 0.3
		return p, true
	}
	// The same way to either side, so that what is even about the crossing
	// does not move it.
	reach := math.Min(math.Min(pos-float64(lo), float64(hi)-pos), 0.6*half) + 0.5
	for range 4 {
		var n, st, sv, stt, stv, s4, svv, s3v, s6 float64
		for i := max(lo, int(pos-reach)); i <= min(hi, int(pos+reach)+1); i++ {
			w := math.Min(reach+0.5-math.Abs(float64(i)-pos), 1)
			if w <= 0 {
				continue
			}
			t, v := (float64(i)-pos)/reach, float64(x[i])-base
			n += w
			st += w * t
			sv += w * v
			stt += w * t * t
			stv += w * t * v
			s4 += w * t * t * t * t
			s3v += w * t * t * t * v
			s6 += w * t * t * t * t * t * t
			svv += w * v * v
		}
		det := n*stt - st*st
		if n < 2 || det <= 0 {
			break
		}
		level, slope := (stt*sv-st*stv)/det, (n*stv-st*sv)/det
		if slope == 0 {
			break
		}
		// The cubic part changes the slope at the crossing, not the crossing.
		if d := stt*s6 - s4*s4; n >= 6 && d > 1e-9 {
			slope = (s6*stv - s4*s3v) / d
		}
		move := -level / slope * reach
		if !(math.Abs(move) < reach) {
			break
		}
		pos += move
		rest := math.Max(svv-2*level*sv-2*slope*stv+level*level*n+2*level*slope*st+slope*slope*stt, 0)
		p.Sigma = math.Sqrt(rest/math.Max(n-2, 1)/n) / math.Abs(slope) * reach
		if math.Abs(move) < 1e-4 {
			break
		}
	}
	p.Pos, p.Sigma = pos, math.Min(math.Max(p.Sigma, 0.02), 0.5)
	return p, true
}

// findStops looks for end stops below full scale, as when the front end clips
// before the coupling: a converter's band limit leaves no tops that are flat
// over two samples, time and again, with a corner at both ends, and no two pulses
// go equally far, unless something stops them. noise is the rms noise of a sample.
func findStops(all []*snippet, z sizes, noise float64) (s stops) {
	side := func(sign float64) float64 {
		var levels, tops []float64
		for _, m := range all {
			base := 0.0
			quiet := m.x[max(m.feature-z.pre, 0):max(m.feature-z.nearPre, 1)]
			for _, v := range quiet {
				base += float64(v)
			}
			base /= float64(len(quiet))
			near := m.x[m.feature-z.nearPre : m.feature+2*z.nearPost]
			top := 0.0
			for _, v := range near {
				top = math.Max(top, sign*(float64(v)-base))
			}
			if top <= 0 {
				continue
			}
			tops = append(tops, top)
			tol := math.Max(2*noise, 0.003*top)
			run := 0
			for i, v := range near {
				if sign*(float64(v)-base) >= top-tol {
					run++
					continue
				}
				if run >= 2 && i > run {
					after, before := top-sign*(float64(v)-base), top-sign*(float64(near[i-run-1])-base)
					if math.Min(after, before) > 8*tol {
						levels = append(levels, top)
						run = 0
						break
					}
				}
				run = 0
			}
		}
		if len(levels) < 6 || 3*len(levels) < len(tops) {
			return 0
		}
		level := medianOf(levels)
		if spread(levels) > math.Max(2*noise, 0.006*level) || spread(tops) > math.Max(4*noise, 0.02*level) {
			return 0
		}
		return level - math.Max(3*noise, 0.01*level)
	}
	return stops{side(1), -side(-1)}
}
