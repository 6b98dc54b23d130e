package dsp

import (
	"math"
	"slices"
)

// This file undoes what an input's coupling does to a coil's slow pulses.
//
// A capacitor or a transformer in the way passes x on as
//
//	y = x - a·∫y - b·∫∫y        (a = 2π·fc for one capacitor, b = 0)
//
// and its inverse is y + a·∫y + b·∫∫y: exact, and next to free of noise over
// the length of a pulse. a and b are found from the pulses: the voltage is the
// derivative of the magnet's flux, which is the same before and after, so the
// true lobes enclose no area on the whole. That of y and of its integrals,
// pulse by pulse, is one linear equation each for a and b.

// lobeWindow is a piece of signal around one pulse.
type lobeWindow struct {
	start int       // index of y[0] in the signal
	mid   float64   // the candidate's place in y
	raw   []float64 // the samples, about the level before the pulse
	y     []float64 // the same with the coupling undone
	one   []float64 // integral of the samples seconds
	two   []float64 // and of that
	dt    float64   // seconds per sample
	noise float64   // rms of a sample, of what lies before the pulse
}

// lobeDrift is how a crossing moves with the coupling's figures.
type lobeDrift struct {
	da, db float32 // samples per unit of a and of b
	a, b   float32 // that were undone when it was timed
}

// window cuts out a candidate's surroundings and undoes the coupling in them.
func (l *lobeFinder) window(x []float32, c lobe) (*lobeWindow, bool) {
	reach := lobeReach * c.half
	lo, hi := int(c.at-reach), int(c.at+reach)+1
	lo, hi = max(lo, 0), min(hi, len(x)-1)
	if c.at-float64(lo) < 2.2*c.half || float64(hi)-c.at < 2.2*c.half {
		return nil, false
	}
	w := &lobeWindow{start: lo, mid: c.at - float64(lo), dt: 1 / float64(l.rate)}
	n := hi - lo + 1
	buf := make([]float64, 4*n)
	w.raw, w.y, w.one, w.two = buf[:n], buf[n:2*n], buf[2*n:3*n], buf[3*n:]
	before := w.before(c.half)
	for i := range w.raw {
		w.raw[i] = float64(x[lo+i])
	}
	level := mean(w.raw[:before])
	var ss float64
	for _, v := range w.raw[:before] {
		ss += (v - level) * (v - level)
	}
	w.noise = math.Sqrt(ss / float64(max(before-1, 1)))
	var one, two float64
	for i := range w.raw {
		// The level before the pulse is that of rest: what the pulse before
		// left of itself has died away, or is small.
		v := w.raw[i] - level
		w.one[i] = one + v*w.dt/2
		w.two[i] = two + w.one[i]*w.dt/2
		one += v * w.dt
		two += w.one[i] * w.dt
		w.raw[i] -= level
		w.y[i] = w.raw[i] + l.couple.a*w.one[i] + l.couple.b*w.two[i]
	}
	return w, true
}

// before is the number of samples that lie well before the pulse.
func (w *lobeWindow) before(half float64) int { return max(int(w.mid-4.5*half), 2) }

// drift is how far the crossing moves per unit of a and b.
func (w *lobeWindow) drift(pos, half, slope float64) lobeDrift {
	at := func(x []float64) float64 {
		base, _, ok := baseline(x, pos, half)
		if !ok {
			return 0
		}
		i := min(max(int(pos), 0), len(x)-2)
		f := pos - float64(i)
		return (1-f)*x[i] + f*x[i+1] - base
	}
	return lobeDrift{da: float32(-at(w.one) / slope), db: float32(-at(w.two) / slope)}
}

// closure is what one pulse says of the coupling: area + a·one + b·two = 0,
// the integrals taken from before the pulse to each of a few places after it.
type closure struct {
	area, one, two [closureEnds]float64
	flux           float64 // height times half spacing, in the same units as area
	sigma          float64 // standard uncertainty of area from the noise
	half           float64 // seconds
}

// closureEnds is the number of stretches after a pulse that integrals end in:
// the more time passes, the more two capacitors differ from one.
const closureEnds = 3

// coupling gathers closures and keeps the best estimate of a and b.
type coupling struct {
	figures
	alt    figures     // the other way it may be
	doubt  float64     // how likely that is, beside the first
	per    map[int]int // pulses kept, by octave of their half spacing
	all    []closure
	solved int
}

// leak is the standard uncertainty of the area that true lobes enclose, in
// units of one lobe's height times half the spacing, of which each lobe has
// 1.65: skirts that the window cuts off, a magnet's neighbours (common
// practice, no source).
const leak = 0.04

// perOctave is how many pulses of each octave of speed are kept.
const perOctave = 200

// learn adds a pulse.
func (k *coupling) learn(w *lobeWindow, pos, half, flux float64) {
	n := w.before(half)
	from := int(pos + 4.5*half)
	to := len(w.y)
	if from+2*closureEnds >= to || w.mid-float64(n) < 4*half || n < 3 {
		return
	}
	o := int(math.Floor(math.Log2(half)))
	if k.per == nil {
		k.per = map[int]int{}
	}
	if k.per[o] >= perOctave {
		return
	}
	k.per[o]++
	// From the middle of what lies before to each sample of what lies after.
	c := closure{flux: flux * w.dt, half: half * w.dt}
	start := n / 2
	area, one, two := 0.0, 0.0, 0.0
	var m [closureEnds]float64
	for i := start; i < to; i++ {
		area += w.raw[i] * w.dt
		one += (w.one[i] - w.one[start]) * w.dt
		two += (w.two[i] - w.two[start]) * w.dt
		if i >= from {
			e := (i - from) * closureEnds / (to - from)
			c.area[e] += area
			c.one[e] += one
			c.two[e] += two
			m[e]++
		}
	}
	for e, m := range m {
		c.area[e], c.one[e], c.two[e] = c.area[e]/m, c.one[e]/m, c.two[e]/m
	}
	span := float64((from+to)/2 - start)
	c.sigma = w.noise * w.dt * math.Sqrt(span+span*span/float64(n))
	k.all = append(k.all, c)
	if len(k.all) >= 2*k.solved && len(k.all) >= 8 {
		k.solve()
	}
}

// solve finds a and b by weighted least squares. Each pulse's area is uncertain
// by its noise; the part that true lobes may enclose is common to all. One
// capacitor (b = 0) is
// taken to be in the way unless pulses of different speeds say otherwise; what
// two equal ones (b = a²/4) would make of it is kept beside.
func (k *coupling) solve() {
	k.solved = len(k.all)
	if len(k.all) < 3 {
		return
	}
	use := k.typical()
	one := fitClosures(use, 0, 0)
	k.figures = one
	two := one
	for range 8 {
		a := math.Min(math.Abs(two.a), 1.5*math.Abs(one.a))
		two = fitClosures(use, a*a/4, 0)
	}
	k.alt = two
	n := float64(len(use) * closureEnds)
	unit := math.Max(one.rss/n, 1)
	k.doubt = math.Exp(-math.Max(two.rss-one.rss, 0) / unit / 2)
	free := fitClosures(use, 0, one.a*one.a)
	// Twice the usual three standard deviations: the errors are not all noise.
	const sure = 36
	if free.a > 0 && free.b > 0 && one.rss-free.rss > sure*math.Max(free.rss/n, 1) {
		k.figures, k.doubt = free, 0
	}
	k.a = math.Max(k.a, 0) // nothing raises the lowest notes
}

// typical is one closure for every quarter octave of speed: the medians of its
// pulses', each in units of flux and half spacing. Noise in one pulse's
// integrals would draw a towards 0; and a pulse with something else in its
// window does not matter.
func (k *coupling) typical() []closure {
	bins := map[int][]closure{}
	var order []int
	for _, c := range k.all {
		i := int(math.Round(4 * math.Log2(c.half)))
		if bins[i] == nil {
			order = append(order, i)
		}
		bins[i] = append(bins[i], c)
	}
	slices.Sort(order)
	var out []closure
	for _, i := range order {
		in := bins[i]
		list := func(get func(closure) float64) []float64 {
			var x []float64
			for _, c := range in {
				x = append(x, get(c))
			}
			return x
		}
		c := closure{flux: medianOf(list(func(c closure) float64 { return c.flux })), half: medianOf(list(func(c closure) float64 { return c.half }))}
		var area []float64
		for e := range closureEnds {
			area = list(func(c closure) float64 { return c.area[e] / c.flux })
			c.area[e] = c.flux * medianOf(area)
			c.one[e] = c.flux * c.half * medianOf(list(func(c closure) float64 { return c.one[e] / c.flux / c.half }))
			c.two[e] = c.flux * c.half * c.half * medianOf(list(func(c closure) float64 { return c.two[e] / c.flux / c.half / c.half }))
		}
		// A median's standard error is 1.25 times the mean's.
		noise := medianOf(list(func(c closure) float64 { return c.sigma }))
		c.sigma = 1.25 * math.Max(c.flux*spread(area), noise) / math.Sqrt(float64(len(in)))
		out = append(out, c)
	}
	return out
}

// figures are those of a coupling.
type figures struct {
	a, b, e float64    // per second, per second squared; area of the true lobes in units of their flux
	cov     [4]float64 // of a and b
	rss     float64
}

func (f figures) residual(c closure, e int) float64 {
	return c.area[e] + f.a*c.one[e] + f.b*c.two[e] - f.e*c.flux
}

// weight is the standard uncertainty that a pulse's closure has of its own.
func (c closure) weight() float64 { return math.Hypot(c.sigma, 0.01*c.flux) }

// fitClosures finds the figures with b known to be b0, give or take sigma.
func fitClosures(use []closure, b0, sigma float64) (f figures) {
	const (
		corner = 600.0 // of a, before anything is known: a corner of 100 Hz is rare
		exact  = 1e-3
	)
	sigma = math.Max(sigma, exact)
	var g [16]float64
	var r [3]float64
	g[0*4+0] = 1 / (corner * corner)
	g[1*4+1] = 1 / (sigma * sigma)
	g[2*4+2] = 1 / (leak * leak)
	for _, c := range use {
		w := 1 / (c.weight() * c.weight())
		for e := range closureEnds {
			v := [3]float64{c.one[e], c.two[e], -c.flux}
			for i := range 3 {
				for j := range 3 {
					g[i*4+j] += w * v[i] * v[j]
				}
				r[i] -= w * v[i] * (c.area[e] + b0*c.two[e])
			}
		}
	}
	// Units of very different size: scale to a unit diagonal.
	var s [3]float64
	for i := range 3 {
		s[i] = 1 / math.Sqrt(g[i*4+i])
	}
	for i := range 3 {
		for j := range 3 {
			g[i*4+j] *= s[i] * s[j]
		}
	}
	if !invert(&g, 3) {
		return f
	}
	var out [3]float64
	for i := range 3 {
		for j := range 3 {
			out[i] += s[i] * g[i*4+j] * s[j] * r[j]
		}
	}
	f.a, f.b, f.e = out[0], b0+out[1], out[2]
	f.cov = [4]float64{g[0] * s[0] * s[0], g[1] * s[0] * s[1], g[1] * s[0] * s[1], g[5] * s[1] * s[1]}
	for _, c := range use {
		for e := range closureEnds {
			u := f.residual(c, e) / c.weight()
			f.rss += u * u
		}
	}
	return f
}

// undroop moves all pulses to where the final figures of the coupling put
// them, and returns what those leave open: in samples at the pulses' mean
// speed.
func (l *lobeFinder) undroop() float64 {
	k := &l.couple
	k.solve()
	var sum, speeds float64
	for i := range l.pulses {
		f := &l.drifts[i]
		p := &l.pulses[i]
		da, db := float64(f.da), float64(f.db)
		p.Pos += da*(k.a-float64(f.a)) + db*(k.b-float64(f.b))
		other := da*(k.alt.a-k.a) + db*(k.alt.b-k.b)
		v := da*da*k.cov[0] + 2*da*db*k.cov[1] + db*db*k.cov[3] + k.doubt*other*other/3
		// The width tells the speed.
		sum += math.Sqrt(math.Max(v, 0)) / p.WidthS
		speeds += 1 / p.WidthS
	}
	if speeds == 0 {
		return 0
	}
	return sum / speeds
}
