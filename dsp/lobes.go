package dsp

import (
	"math"
	"slices"
)

// lobeFinder finds the double lobes of a passive magnetic pick-up: two smooth
// excursions of opposite sign next to each other, whose width follows the
// speed. Their timing point is the zero crossing between them.
type lobeFinder struct {
	rate   Rate
	on     bool    // the channel is taken to be such a pick-up
	from   int64   // position up to which the signal is dealt with
	half   float64 // half the spacing of the last pair, samples; 0: none yet
	odd    int     // excursions that were no pair of lobes
	pulses []Pulse
}

func newLobeFinder(r Rate) *lobeFinder { return &lobeFinder{rate: r} }

// settleSamples is how much of the signal decides whether it is a coil's.
const settleSamples = 1 << 18

// reachS is the longest half of a pulse with its baseline on either side: at
// 300 rpm a spacing of 20° takes 11 ms.
const reachS = 0.045

// scan looks at the signal up to block to, once the channel is known to be a
// coil's.
func (l *lobeFinder) scan(d *Detector, to int, last bool) {
	if !l.on {
		return
	}
	end := d.base + int64(to*d.z.block)
	if last {
		end = d.base + int64(len(d.buf))
	}
	l.pulses = append(l.pulses, l.search(d.buf, d.base, end, last)...)
}

// settle decides, on the stretch of signal buffered for learning, whether this
// is a coil's channel.
func (l *lobeFinder) settle(d *Detector) {
	x := d.settled()
	if !d.opt.may(Lobes) || len(x) == 0 {
		return
	}
	// The end of the stretch is enough, and says how the engine runs now.
	trial := *l
	trial.from = d.base + int64(max(len(x)-settleSamples, 0))
	found := trial.search(x, d.base, d.base+int64(len(x)), true)
	if len(found) < 3 {
		return
	}
	only := len(d.opt.Only) == 1
	var gaps, spans []float64
	for i := 1; i < len(found); i++ {
		gaps = append(gaps, found[i].Pos-found[i-1].Pos)
	}
	for _, p := range found {
		spans = append(spans, p.WidthS*float64(l.rate))
	}
	// A spark's first two half-cycles look like two lobes too, but take much
	// less of a revolution than any magnet's passage: 3° at least.
	const leastShare = 3.0 / 360
	wide := medianOf(spans) > leastShare*medianOf(gaps) && medianOf(spans) >= 4
	if !only && (!wide || trial.odd > len(found)/4) {
		return
	}
	l.on = true
}

// excursion is a stretch of signal beyond the threshold on one side.
type excursion struct {
	sign       float64
	start, end int // in the thinned signal
	top        int
	height     float64
}

// search finds the crossings between l.from and end. x[0] lies at base.
func (l *lobeFinder) search(x []float32, base, end int64, last bool) []Pulse {
	l.from = max(l.from, base)
	from := int(l.from - base)
	to := int(end - base)
	if to-from < 16 {
		return nil
	}
	// Where the pulse before was far wider than this one, or nothing is known
	// yet, the resolution is found by trying.
	tries := []int{1, 4, 16, 64}
	if l.half > 0 {
		q := int(l.half / 8)
		tries = []int{max(q, 1), max(q/4, 1), q * 3}
	}
	var best []Pulse
	bestScore := 0.0
	bestState := *l
	for _, q := range tries {
		if q < 1 || (to-from)/q < 16 {
			continue
		}
		t := *l
		got := t.searchAt(x, base, from, to, q, last)
		score := 0.0
		for _, p := range got {
			score += math.Abs(p.Amp)
		}
		score /= 1 + float64(t.odd-l.odd)/float64(len(got)+1)
		if score > bestScore*1.02 {
			best, bestScore, bestState = got, score, t
		}
		if l.half > 0 && len(got) > 0 {
			break
		}
	}
	if len(best) > 0 {
		*l = bestState
	}
	// Don't look for ever at a stretch without pulses.
	if wait := int64(0.5 * float64(l.rate)); end-l.from > wait {
		l.from = end - wait/2
	}
	return best
}

func (l *lobeFinder) searchAt(x []float32, base int64, from, to, q int, last bool) []Pulse {
	n := (to - from) / q
	y := make([]float64, n)
	for i := range y {
		var s float32
		for _, v := range x[from+i*q : from+(i+1)*q] {
			s += v
		}
		y[i] = float64(s) / float64(q)
	}
	few := thinOut(y, 2000)
	middle := medianOf(few)
	noise := spread(few)
	top := 0.0
	for i := range y {
		y[i] -= middle
		top = math.Max(top, math.Abs(y[i]))
	}
	if top == 0 {
		return nil
	}
	return l.time(x, base, from, to, q, l.find(y, math.Max(0.08*top, 6*noise), 0), last)
}

// lobePair is two neighbouring excursions that make a pulse.
type lobePair struct{ a, b excursion }

// find lists the pairs in y, in time order. Lobes grow with speed, so the
// stretches that the strongest leave free are searched again for weaker ones,
// down to least.
func (l *lobeFinder) find(y []float64, least float64, depth int) []lobePair {
	top := 0.0
	for _, v := range y {
		top = math.Max(top, math.Abs(v))
	}
	if top < least || len(y) < 8 || depth > 5 {
		return nil
	}
	var found []lobePair
	for level := top; level > math.Max(0.2*top, least) && len(found) == 0; level *= 0.6 {
		var odd int
		found, odd = pairs(excursions(y, level))
		if len(found) > 0 && depth == 0 {
			l.odd += odd
		}
	}
	if len(found) == 0 {
		return nil
	}
	var out []lobePair
	at := 0
	between := func(to int) {
		if to <= at {
			return
		}
		for _, p := range l.find(y[at:to], least, depth+1) {
			out = append(out, lobePair{p.a.later(at), p.b.later(at)})
		}
	}
	for _, p := range found {
		wide := p.b.end - p.a.start
		between(p.a.start - wide)
		out = append(out, p)
		at = p.b.end + wide
	}
	between(len(y))
	return out
}

func (e excursion) later(by int) excursion {
	e.start, e.end, e.top = e.start+by, e.end+by, e.top+by
	return e
}

// excursions lists where |y| exceeds 0.3 of level and reaches 0.45 of it.
func excursions(y []float64, level float64) []excursion {
	var out []excursion
	thr := 0.3 * level
	for i := 0; i < len(y); i++ {
		if math.Abs(y[i]) < thr {
			continue
		}
		e := excursion{sign: math.Copysign(1, y[i]), start: i, top: i}
		for i < len(y) && y[i]*e.sign > 0.6*thr {
			if v := y[i] * e.sign; v > e.height {
				e.height, e.top = v, i
			}
			i++
		}
		e.end = i
		e.level(y)
		i--
		if e.height > 0.45*level {
			out = append(out, e)
		}
	}
	return out
}

// pairs picks neighbouring excursions of opposite sign that look like the two
// lobes of one pulse, and counts those that do not.
func pairs(ex []excursion) (out []lobePair, odd int) {
	for i := 0; i+1 < len(ex); i++ {
		a, b := ex[i], ex[i+1]
		la, lb := a.end-a.start, b.end-b.start
		shape := func(e excursion) bool {
			at := float64(e.top-e.start) / float64(max(e.end-e.start, 1))
			return e.end-e.start >= 2 && at > 0.1 && at < 0.9
		}
		size := a.height / b.height
		width := float64(la) / float64(lb)
		lone := i+2 >= len(ex) || ex[i+2].start-b.end > (la+lb)/2
		before := i == 0 || a.start-ex[i-1].end > (la+lb)/2
		if a.sign == b.sign || b.start-a.end > la+lb || size < 0.4 || size > 2.5 || width < 0.4 || width > 2.5 ||
			!shape(a) || !shape(b) || !lone || !before {
			odd++
			continue
		}
		out = append(out, lobePair{a, b})
		i++
	}
	return out, odd
}

// time turns pairs found in the signal thinned by q into pulses.
func (l *lobeFinder) time(x []float32, base int64, from, to, q int, found []lobePair, last bool) []Pulse {
	var out []Pulse
	for _, p := range found {
		half := float64((p.b.top-p.a.top)*q) / 2
		mid := float64(from) + (float64(p.a.top+p.b.top)+1)/2*float64(q)
		if !last && mid+7.5*half > float64(to) {
			break // wait for the rest of it
		}
		pulse, ok := l.cross(x, mid, half)
		if stops, cut := cutBetween(x, mid, half); cut {
			pulse, ok = l.crossOpen(x, mid, half, stops)
		}
		if !ok {
			l.odd++
			continue
		}
		pulse.Pos += float64(base)
		pulse.Amp = p.a.sign * (p.a.height + p.b.height) / 2
		l.half = half
		l.from = base + int64(from+p.b.end*q)
		out = append(out, pulse)
	}
	return out
}

// cross times the zero crossing near mid between two lobes half a spacing half
// away: a cubic is fitted over the lobes by least squares, and the baseline is
// the mean of what lies equally far before and after.
func (l *lobeFinder) cross(x []float32, mid, half float64) (Pulse, bool) {
	if half < 2 {
		return Pulse{}, false
	}
	pos := mid
	var sigma float64
	for range 5 {
		// The lobes' tails reach into the baseline's stretches with opposite
		// signs: they cancel only about the crossing itself.
		base, nb, ok := baseline(x, pos, half)
		if !ok {
			return Pulse{}, false
		}
		lo, hi := int(math.Floor(pos-half)), int(math.Ceil(pos+half))
		if lo < 0 || hi >= len(x) || hi-lo < 4 {
			return Pulse{}, false
		}
		// Powers of t = (i-pos)/half; the normal matrix is small and well scaled.
		var m [4][5]float64
		for i := lo; i <= hi; i++ {
			// Samples at the ends count by how far they reach in, so that the
			// result does not jump as samples enter and leave.
			w := math.Min(half+0.5-math.Abs(float64(i)-pos), 1)
			if w <= 0 {
				continue
			}
			t := (float64(i) - pos) / half
			p := [4]float64{1, t, t * t, t * t * t}
			v := float64(x[i]) - base
			for a := range 4 {
				for b := range 4 {
					m[a][b] += w * p[a] * p[b]
				}
				m[a][4] += w * p[a] * v
			}
		}
		c, v00, ok := solve4(m)
		if !ok || c[1] == 0 {
			return Pulse{}, false
		}
		// Root nearest 0 by Newton.
		t := 0.0
		for range 8 {
			f := c[0] + t*(c[1]+t*(c[2]+t*c[3]))
			df := c[1] + t*(2*c[2]+t*3*c[3])
			if df == 0 {
				return Pulse{}, false
			}
			t -= f / df
		}
		if !(math.Abs(t) < 1) {
			return Pulse{}, false
		}
		var ssr float64
		for i := lo; i <= hi; i++ {
			u := (float64(i) - pos) / half
			r := float64(x[i]) - base - (c[0] + u*(c[1]+u*(c[2]+u*c[3])))
			ssr += r * r
		}
		noise := ssr / float64(max(hi-lo-3, 1))
		sigma = math.Sqrt(noise*(v00+1/float64(nb))) * half / math.Abs(c[1])
		pos += t * half
		if math.Abs(t*half) < 1e-4 {
			break
		}
	}
	if math.Abs(pos-mid) > 0.8*half {
		return Pulse{}, false
	}
	return Pulse{Pos: pos, Sigma: math.Max(sigma, 1e-4), WidthS: 2 * half / float64(l.rate), Match: 1}, true
}

// baseline is the level around a pulse: the mean of stretches from 3 to 6.5
// half spacings before and after, as far as they are there on both sides. A
// stretch with something else in it loses its outer tenths.
func baseline(x []float32, mid, half float64) (base float64, n int, ok bool) {
	far := 6.5 * half
	far = math.Min(far, math.Min(mid-1, float64(len(x))-2-mid))
	near := 3 * half
	if far < near+2 {
		near = math.Max(2*half, far-2)
		if far < near+1 {
			return 0, 0, false
		}
	}
	part := func(from, to float64) (float64, int) {
		var y []float64
		for i := int(from); i <= int(to); i++ {
			y = append(y, float64(x[i]))
		}
		slices.Sort(y)
		cut := len(y) / 10
		return mean(y[cut : len(y)-cut]), len(y) - 2*cut
	}
	a, na := part(mid-far, mid-near)
	b, nb := part(mid+near, mid+far)
	return (a + b) / 2, na + nb, true
}

// solve4 solves m·c = m[.][4] and returns the first diagonal element of the
// inverse; ok is false when m is singular.
func solve4(m [4][5]float64) (c [4]float64, v00 float64, ok bool) {
	var g [16]float64
	for a := range 4 {
		for b := range 4 {
			g[a*4+b] = m[a][b]
		}
	}
	if !invert(&g, 4) {
		return c, 0, false
	}
	for a := range 4 {
		for b := range 4 {
			c[a] += g[a*4+b] * m[b][4]
		}
	}
	return c, g[0], true
}

// train puts the crossings into t as a class of their own.
func (l *lobeFinder) train(t *Train) {
	s := Shape{Kind: Lobes, N: len(l.pulses), Polarity: 1, AnchorSigma: lobeAnchor}
	up := 0
	var amps []float64
	for _, p := range l.pulses {
		amps = append(amps, math.Abs(p.Amp))
		if p.Amp > 0 {
			up++
		}
	}
	if 2*up < len(l.pulses) {
		s.Polarity = -1
	}
	s.Amp = medianOf(amps)
	t.Shapes = []Shape{s}
	t.Pulses = l.pulses
}

// lobeAnchor is the standard uncertainty, in samples, of a zero crossing's
// place on its pulse. What the cubic leaves out of smooth lobes is a tenth of
// this; the rest is for a converter that is not linear-phase, which smooth
// lobes cannot show: it delays a crossing by its whole group delay, 2.4 to 2.9
// samples for the ones simulated, but the onset of a sharp front by 1 to 2, and
// an angle sees the difference (±0.9 sample, rectangular).
const lobeAnchor = 0.5

// thinOut keeps about n values of x, evenly spread.
func thinOut(x []float64, n int) []float64 {
	step := max(1, len(x)/n)
	out := make([]float64, 0, len(x)/step+1)
	for i := 0; i < len(x); i += step {
		out = append(out, x[i])
	}
	return out
}
