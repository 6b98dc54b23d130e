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
//
// An input that raises or lowers low notes, a low shelf, is s+g·w over s+w to
// everything else, and its inverse together with that of one capacitor
//
//	y + a·∫y + c·∫exp(-p·(t-τ))·y(τ)dτ,
//
// p = g·w, linear in a and c again for each p.

// lobeWindow is a piece of signal around one pulse.
type lobeWindow struct {
	start int       // index of y[0] in the signal
	mid   float64   // the candidate's place in y
	raw   []float64 // the samples, about the level before the pulse
	y     []float64 // the same with the coupling undone
	one   []float64 // integral of the samples seconds
	two   []float64 // and of that
	fade  []float64 // work space: the integral that forgets, see faded
	dt    float64   // seconds per sample
	noise float64   // rms of a sample, of what lies before the pulse
}

// The pole p, per second, of a shelf's inverse is looked for among these, half an
// octave apart from 30 to 680 Hz, and between them. What lies lower looks like
// the coupling to lobes, what lies higher is over within them.
const (
	shelfPoles     = 10
	shelfPoleLeast = 2 * math.Pi * 30
	shelfMost      = 6.0 // gain of a shelf, either way: 16 dB, more than tone controls have (from memory)
)

func shelfPole(number float64) float64 { return shelfPoleLeast * math.Pow(2, number/2) }

// between is x at a number between its places, by straight lines: exp(-p·t) bends
// by less than 2 % of itself from one pole to the next.
func between[T float32 | float64](x *[shelfPoles]T, number float64) float64 {
	i := min(int(number), shelfPoles-2)
	f := number - float64(i)
	return (1-f)*float64(x[i]) + f*float64(x[i+1])
}

// lobeDrift is how a crossing moves with the coupling's figures.
type lobeDrift struct {
	da, db        float32             // samples per unit of a and of b
	dc            [shelfPoles]float32 // and of c, by pole
	a, b, c, pole float32             // that were undone when it was timed
}

// moved is how far the crossing moves, in samples, from where the figures f put
// it to where g do.
func (d *lobeDrift) moved(f, g figures) float64 {
	return float64(d.da)*(g.a-f.a) + float64(d.db)*(g.b-f.b) +
		between(&d.dc, g.pole)*g.c - between(&d.dc, f.pole)*f.c
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
	buf := make([]float64, 5*n)
	w.raw, w.y, w.one, w.two, w.fade = buf[:n], buf[n:2*n], buf[2*n:3*n], buf[3*n:4*n], buf[4*n:]
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
	if l.couple.c != 0 {
		for i, v := range w.faded(l.couple.pole) {
			w.y[i] += l.couple.c * v
		}
	}
	return w, true
}

// faded is the integral of the samples seconds that forgets with a pole:
// ∫exp(-p·(t-τ))·raw(τ)dτ, by the trapezium rule. It is overwritten by the next.
func (w *lobeWindow) faded(pole float64) []float64 {
	keep := math.Exp(-shelfPole(pole) * w.dt)
	var sum, last float64
	for i, v := range w.raw {
		sum = keep*(sum+last*w.dt/2) + v*w.dt/2
		if i == 0 {
			sum = 0
		}
		last = v
		w.fade[i] = sum
	}
	return w.fade
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
	d := lobeDrift{da: float32(-at(w.one) / slope), db: float32(-at(w.two) / slope)}
	for j := range d.dc {
		d.dc[j] = float32(-at(w.faded(float64(j))) / slope)
	}
	return d
}

// closure is what one pulse says of the coupling: area + a·one + b·two = 0,
// the integrals taken from before the pulse to each of a few places after it.
type closure struct {
	area, one, two [closureEnds]float64
	faded          [closureEnds][shelfPoles]float64
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
	alt      figures     // the other way it may be
	doubt    float64     // how likely that is, beside the first
	tailOpen bool        // that is a shelf, or the lobes' own shape
	per      map[int]int // pulses kept, by octave of their half spacing
	all      []closure
	solved   int
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
	for j := range shelfPoles {
		sum, fade := 0.0, w.faded(float64(j))
		for i := start; i < to; i++ {
			sum += (fade[i] - fade[start]) * w.dt
			if i >= from {
				c.faded[(i-from)*closureEnds/(to-from)][j] += sum
			}
		}
	}
	for e, m := range m {
		c.area[e], c.one[e], c.two[e] = c.area[e]/m, c.one[e]/m, c.two[e]/m
		for j := range shelfPoles {
			c.faded[e][j] /= m
		}
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
	one := fitClosures(use, 0, 0, false)
	k.figures = one
	two := one
	for range 8 {
		a := math.Min(math.Abs(two.a), 1.5*math.Abs(one.a))
		two = fitClosures(use, a*a/4, 0, false)
	}
	k.alt = two
	n := float64(len(use) * closureEnds)
	unit := math.Max(one.rss/n, 1)
	k.doubt = math.Exp(-math.Max(two.rss-one.rss, 0) / unit / 2)
	free := fitClosures(use, 0, one.a*one.a, false)
	// Twice the usual three standard deviations: the errors are not all noise.
	const sure = 36
	if free.a > 0 && free.b > 0 && one.rss-free.rss > sure*math.Max(free.rss/n, 1) {
		k.figures, k.doubt = free, 0
	}
	// The tail that a shelf leaves takes the same time at any speed, real lobes'
	// skirts the same angle: where there are a few speeds, the two are told apart.
	// Else a tail that a shelf would explain is left open.
	none := fitClosures(use, k.b, 0, true)
	k.tailOpen = false
	// One or two pulses of a speed do not say how far they scatter, and nothing is
	// beyond doubt: an engine kicked over gives no more.
	const fewest = 16
	if shelf, ok := bestShelf(use, true); ok && len(k.all) >= fewest && none.rss-shelf.rss > sure*math.Max(shelf.rss/n, 1) {
		k.figures, k.doubt = shelf, 0
	} else if shelf, ok := bestShelf(use, false); ok && k.rss-shelf.rss > sure*math.Max(shelf.rss/n, 1) {
		k.alt, k.doubt, k.tailOpen = shelf, 1, true
	}
	k.a = math.Max(k.a, 0) // nothing raises the lowest notes
}

// typical is one closure for every quarter octave of speed: the midmeans of its
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
		c := closure{flux: midmean(list(func(c closure) float64 { return c.flux })), half: midmean(list(func(c closure) float64 { return c.half }))}
		var area []float64
		for e := range closureEnds {
			area = list(func(c closure) float64 { return c.area[e] / c.flux })
			c.area[e] = c.flux * midmean(area)
			c.one[e] = c.flux * c.half * midmean(list(func(c closure) float64 { return c.one[e] / c.flux / c.half }))
			c.two[e] = c.flux * c.half * c.half * midmean(list(func(c closure) float64 { return c.two[e] / c.flux / c.half / c.half }))
			for j := range shelfPoles {
				c.faded[e][j] = c.flux * c.half * midmean(list(func(c closure) float64 { return c.faded[e][j] / c.flux / c.half }))
			}
		}
		// A midmean's standard error is 1.09 times the mean's, for normal ones
		// (Tukey and McLaughlin, Sankhya A 25 (1963) 331: from memory).
		noise := medianOf(list(func(c closure) float64 { return c.sigma }))
		c.sigma = 1.09 * math.Max(c.flux*spread(area), noise) / math.Sqrt(float64(len(in)))
		out = append(out, c)
	}
	return out
}

// midmean is the mean of the middle half of x, which it sorts: what lies far off
// does not move it, and where mains hum makes two values of turns about, as it
// does at 6000 rpm, it lies between them.
func midmean(x []float64) float64 {
	slices.Sort(x)
	cut := len(x) / 4
	return mean(x[cut : len(x)-cut])
}

// figures are those of a coupling, or of a coupling and a shelf.
type figures struct {
	a, b float64              // per second, per second squared
	e    [closureEnds]float64 // area of the true lobes in units of their flux
	c    float64              // of the shelf, per second; 0: none
	pole float64              // number of the shelf's, see shelfPole
	cov  [4]float64           // of a and b, or of a and c where there is a shelf
	rss  float64
}

func (f figures) residual(c closure, e int) float64 {
	return c.area[e] + f.a*c.one[e] + f.b*c.two[e] + f.c*between(&c.faded[e], f.pole) - f.e[e]*c.flux
}

// weight is the standard uncertainty that a pulse's closure has of its own.
func (c closure) weight() float64 { return math.Hypot(c.sigma, 0.01*c.flux) }

// fitClosures finds the figures with b known to be b0, give or take sigma.
func fitClosures(use []closure, b0, sigma float64, ends bool) figures {
	f := solveClosures(use, b0, sigma, ends, func(c *closure, e int) float64 { return c.two[e] })
	f.score(use)
	return f
}

// fitShelf finds the figures with a shelf's pole.
func fitShelf(use []closure, pole float64, ends bool) figures {
	f := solveClosures(use, 0, shelfPole(pole), ends, func(c *closure, e int) float64 { return between(&c.faded[e], pole) })
	f.b, f.c, f.pole = 0, f.b, pole
	f.score(use)
	return f
}

// bestShelf finds the figures with the shelf that leaves least; ok is false when
// that is no shelf of a gain that there is, or the lobes that it leaves enclose
// an area that lobes do not.
func bestShelf(use []closure, ends bool) (best figures, ok bool) {
	for pole := 0.0; pole <= shelfPoles-1; pole += 0.25 {
		f := fitShelf(use, pole, ends)
		p := shelfPole(pole)
		// Its inverse is (s + p + c)/(s + p), so that its gain is p/(p + c).
		if g := p / (p + f.c); g > 0 && g < shelfMost && g > 1/shelfMost && (!ok || f.rss < best.rss) {
			best, ok = f, true
		}
	}
	for _, e := range best.e {
		ok = ok && math.Abs(e) < leak
	}
	return best, ok
}

// score works out the sum of the squares of what the figures leave, each in
// units of its uncertainty. Undoing a shelf makes a pulse, and what it leaves,
// smaller as a whole: at its middle frequency by |iω + p + c|/|iω + p|.
func (f *figures) score(use []closure) {
	for _, c := range use {
		p, w := shelfPole(f.pole), 1/c.half
		smaller := math.Hypot(w, p+f.c) / math.Hypot(w, p)
		for e := range closureEnds {
			u := f.residual(c, e) / c.weight() / smaller
			f.rss += u * u
		}
	}
}

// solveClosures solves area + a·one + b·second = e·flux by weighted least
// squares, with b known to be b0, give or take sigma. e is one figure, or, with
// ends set, one for each place that the integrals end in: true lobes of any
// shape, which takes the same angle at any speed.
func solveClosures(use []closure, b0, sigma float64, ends bool, second func(*closure, int) float64) (f figures) {
	const (
		corner = 600.0 // of a, before anything is known: a corner of 100 Hz is rare
		exact  = 1e-3
	)
	sigma = math.Max(sigma, exact)
	// Normal equations for a and b; those for e are eliminated.
	g := [2][2]float64{{1 / (corner * corner), 0}, {0, 1 / (sigma * sigma)}}
	var r [2]float64
	var own, rest [closureEnds]float64
	var with [closureEnds][2]float64
	place := func(e int) int {
		if ends {
			return e
		}
		return 0
	}
	for i := range use {
		c := &use[i]
		w := 1 / (c.weight() * c.weight())
		for e := range closureEnds {
			v := [2]float64{c.one[e], second(c, e)}
			y := c.area[e] + b0*v[1]
			k := place(e)
			own[k] += w * c.flux * c.flux
			rest[k] += w * c.flux * y
			for i := range 2 {
				with[k][i] += w * c.flux * v[i]
				r[i] -= w * v[i] * y
				for j := range 2 {
					g[i][j] += w * v[i] * v[j]
				}
			}
		}
	}
	for k := range closureEnds {
		own[k] += 1 / (leak * leak)
		for i := range 2 {
			r[i] += with[k][i] * rest[k] / own[k]
			for j := range 2 {
				g[i][j] -= with[k][i] * with[k][j] / own[k]
			}
		}
	}
	det := g[0][0]*g[1][1] - g[0][1]*g[1][0]
	if !(det > 0) {
		return f
	}
	f.cov = [4]float64{g[1][1] / det, -g[0][1] / det, -g[0][1] / det, g[0][0] / det}
	f.a = f.cov[0]*r[0] + f.cov[1]*r[1]
	b := f.cov[2]*r[0] + f.cov[3]*r[1]
	f.b = b0 + b
	for e := range closureEnds {
		k := place(e)
		f.e[e] = (rest[k] + f.a*with[k][0] + b*with[k][1]) / own[k]
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
		p.Pos += f.moved(figures{a: float64(f.a), b: float64(f.b), c: float64(f.c), pole: float64(f.pole)}, k.figures)
		other := f.moved(k.figures, k.alt)
		da, db := float64(f.da), float64(f.db)
		if k.c != 0 {
			db = between(&f.dc, k.pole)
		}
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
