package dsp

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
)

// This file finds where on an averaged shape the pulse begins.
//
// The averaged shape y[n] is the continuous pulse s(t), zero before its onset
// t0, seen through the converter's band limit h and the noise left after
// averaging: y[n] = ∫ s(u) h(n-u) du + e[n]. The front after t0 is unknown, so
// it is given a prior that allows anything of a stated smoothness,
//
//	s(t) = b·(t-t0)^(p-1)/(p-1)! + q-fold integral of white noise   (t > t0)
//
// where p says how the pulse sets out: 0 an impulse, 1 a jump, 2 a kink,
// 3 a curve that leaves the baseline flat, 4 flatter still; and q how smooth it
// goes on: q = p (1 for an impulse), or p+1 with the next term, too, of a size of
// its own. A resonance may stand in the place of two integrals, and a front may end in a
// turn or a corner. This is the prior of a smoothing spline (Wahba 1978; Rasmussen and
// Williams 2006, ch. 6.3) that starts at t0. For each (p, q, h, t0) the evidence p(y | t0) follows from
// one Cholesky factorisation. An onset that is too late cannot explain the
// first samples of the rise; one that is too early pays for signal that the
// prior expected there and that is not: the evidence has its peak between, and
// its width is the standard uncertainty that the shape leaves open.

const (
	onsetFine  = 4  // innovations per sample
	onsetTicks = 16 // onsets tried per sample; a multiple of 2·onsetFine
	onsetPre   = 12 // samples compared before the front's foot
	cutPre     = 24 // the same of a switch's edge that a stop cut off: what rings before it says how far it went
	cutPost    = 12 // samples after the front of a pulse that a stop cut off where more of it may be seen
	mostCut    = 4  // how many of these a stop may have cut off for the others to say anything of the front
	onsetPost  = 4  // samples compared after the front's crest
	onsetRise  = 16 // a front is thinned until it takes about this many samples
	onsetReach = 34 // samples on either side of the onset that the prior covers

	baseLength = 12 // samples over which a baseline wanders

	thinHalf   = 10 // half-length of the thinning filter, in thinned samples
	thinCutoff = 0.42
	thinBeta   = 5.0
)

// bandLimit is a linear-phase converter: an ideal low-pass with its -6 dB
// point at cutoff (of the rate), Kaiser-windowed to half samples on each side.
// With minimum set it has that magnitude and the least phase possible: it rings
// after the event only, and delays it. With poles set it is a recursive one, of
// the magnitude 1/√(1+(f/cutoff)^(2·poles)) and of least phase as those are.
type bandLimit struct {
	cutoff, half, beta float64
	minimum            bool
	poles              float64
}

func (b bandLimit) at(x float64) float64 { return b.over(x, besselI0(b.beta)) }

// over is at, given the window's divisor I0(beta).
func (b bandLimit) over(x, i0 float64) float64 {
	return 2 * b.cutoff * sinc(2*b.cutoff*x) * kaiserOver(x/b.half, b.beta, i0)
}

// converters are the band limits the search sets out from when the pulse
// itself does not say: from a brick wall at half the rate to a gentle roll-off.
func converters() []bandLimit {
	return []bandLimit{{cutoff: 0.50, half: 32, beta: 6}, {cutoff: 0.46, half: 24, beta: 6}, {cutoff: 0.42, half: 15, beta: 6}, {cutoff: 0.38, half: 12, beta: 6}}
}

// lowest is the least cutoff that the search gives such a converter. Recorders pass
// 20 kHz of 44.1 or 48 (common practice, no source), and a recursive one of a lower
// cutoff would ring as a pulse does.
func (b bandLimit) lowest() float64 {
	if b.poles > 0 {
		return 0.4
	}
	return 0.3
}

// recursive are the recursive converters that the search sets out from: of few
// poles, which let much pass beyond half the rate, to many.
func recursive() []bandLimit {
	var all []bandLimit
	for _, n := range []float64{3, 5, 9, 16} {
		all = append(all, bandLimit{cutoff: 0.45, minimum: true, poles: n})
	}
	return all
}

// cliffs are the same for steep limits that were put where converters have
// theirs (see slowed).
func cliffs() []bandLimit {
	return []bandLimit{{cutoff: bandPlace, half: 32, beta: 6}, {cutoff: bandPlace, half: 64, beta: 8}, {cutoff: bandPlace - 0.03, half: 24, beta: 6}, {cutoff: bandPlace - 0.03, half: 40, beta: 6}}
}

// onset returns where the pulse in wave begins, in samples from wave[0], and
// its standard uncertainty. wave is an averaged shape with a quiet stretch
// before the front, sigma its rms noise per sample, foot and crest the sample
// before which nothing is seen and the front's first extremum.
// With cut set the front goes on beyond crest, nobody knows how far: wave ends there, or
// goes on with NaN for what a stop cut off and with what comes after. ok is false when
// wave is too short to say.
//
// With narrow set a steep limit below the converter's made wave what it is. With edge
// above 0 wave is a switch's edge, which takes up to that many samples, if it is no slower
// than quickEdge: pos is its middle then.
func onset(wave []float64, sigma float64, foot, crest int, cut, narrow bool, edge float64, kept *onsetTables) (pos, std float64, other least, ok bool) {
	rise := max(1, crest-foot)
	thin := max(1, int(math.Round(float64(rise)/onsetRise)))
	kernels := converters()
	if narrow {
		kernels = cliffs()
	}
	y, start := wave, 0
	if thin > 1 {
		if cut {
			y = y[:crest+1]
		}
		// A slow front is oversampled: thin it with a filter of known shape,
		// which then takes the converter's place.
		y, start = thinned(y, thin)
		sigma *= math.Sqrt(2 * thinCutoff / float64(thin))
		kernels = []bandLimit{{cutoff: thinCutoff, half: thinHalf, beta: thinBeta}}
	}
	at := func(i int) int { return int(math.Round(float64(i-start) / float64(thin))) }
	jump := edge > 0 && rise <= quickEdge
	pre := onsetPre
	if jump && cut {
		pre = cutPre
	}
	lo := at(foot) - pre - min(rise/thin, onsetPre/2)
	hi := min(at(crest)+onsetPost, at(foot)+onsetRise+4)
	// What comes after a quick front is soon there, and says how far it went: a slow one's lies
	// beyond what a search takes in, and after a turn of which its priors know nothing.
	if after := cut && rise <= quickEdge && crest < len(y)-1; after {
		// A sharp converter rings as long before a pulse as after it.
		lo, hi = lo-cutPost, at(crest)+cutPost
	} else if cut && thin == 1 {
		y = y[:crest+1]
	}
	lo, hi = max(lo, 0), min(hi, len(y)-1)
	if hi-lo < 8 || at(foot)-lo < 4 {
		return 0, 0, other, false
	}
	part := append([]float64(nil), y[lo:hi+1]...)
	hidden := hide(part)
	scale := 0.0
	for _, v := range part[:min(at(crest)-lo+1, len(part))] {
		scale = math.Max(scale, math.Abs(v))
	}
	if scale == 0 {
		return 0, 0, other, false
	}
	floats.Scale(1/scale, part)
	s := &onsetSearch{y: part, sigma: sigma / scale, cut: cut, hidden: hidden, narrow: narrow, rise: math.Max(1, float64(rise)/float64(thin)), kept: kept}
	s.findCrest()
	if jump {
		s.jump, s.widest = true, int(edge/float64(thin)*onsetTicks)
	}
	beyond := 1.0
	if cut {
		beyond = 3 // what is left may be the converter's ringing before the event
	}
	if len(kernels) > 1 && hi >= at(crest)+4 {
		p, misfit := s.impulse(kernels)
		if misfit < impulseMisfit+2*s.sigma {
			return p - impulseLate + float64(lo), impulseSigma, least{evidence: -surely, known: true}, true
		}
		if misfit < shortMisfit {
			s.least = shortSigma
		}
	}
	from, to := float64(at(foot)-lo)-4-s.rise, float64(at(crest)-lo)+beyond
	p, d, e, k := s.posterior(kernels, from, to, math.Inf(-1))
	if len(kernels) > 1 && !cut {
		other = s.leastPhase(kernels, from-mostDelay, to, p, e)
		other.front, other.plain, other.from, other.to, other.pos, other.every = s, k, from-mostDelay, to, p, 1
		if other.evidence > 0 && thin == 1 {
			long := append([]float64(nil), y[lo:min(at(crest)+loneRest, len(y))]...)
			floats.Scale(1/scale, long)
			l := &onsetSearch{y: long, sigma: s.sigma, narrow: narrow, kept: kept}
			if c, ok := l.lone(); ok {
				other.lone, other.delay = true, c-impulseLate-p+other.shift
			}
		}
	}
	return (p+float64(lo))*float64(thin) + float64(start), d * float64(thin), other, true
}

// hide sets what is not known of y to 0 and says where that is; nil: nowhere.
func hide(y []float64) (hidden []bool) {
	for i, v := range y {
		if !math.IsNaN(v) {
			continue
		}
		if hidden == nil {
			hidden = make([]bool, len(y))
		}
		hidden[i], y[i] = true, 0
	}
	return hidden
}

// known is whether sample j of y is.
func (s *onsetSearch) known(j int) bool { return s.hidden == nil || !s.hidden[j] }

// least is what an onset would be behind a converter of least phase, which rings
// after the event only and is late.
type least struct {
	known    bool    // whether the front can tell at all
	evidence float64 // log of the evidence for it against linear phase
	shift    float64 // by how much the onset is then earlier, samples
	sigma    float64 // its standard uncertainty then, samples
	delay    float64 // by how much slow signals are late, samples
	peak     float64 // by how much the top of a lone impulse is late, samples
	lone     bool    // this is one, and delay was seen on it

	kernel bandLimit    // the converter of least phase that explains the front best
	plain  bandLimit    // the one of linear phase
	front  *onsetSearch // the front, to be weighed again behind another; nil: not to be
	from   float64      // onsets are looked for from here, samples of front
	to     float64      // to here
	pos    float64      // where the onset is behind linear phase, samples of front
	every  float64      // samples of the recording to one of front
}

// behind weighs the front again behind one converter, given in samples of the
// recording: how much earlier than behind its own of linear phase its onset then
// is, its standard uncertainty, both in samples of the recording, and the log of
// the evidence, which compares converters of one front.
func (l *least) behind(k bandLimit, kept *onsetTables) (shift, sigma, evidence float64) {
	k.cutoff *= l.every
	k.half /= l.every
	// A live recording asks again and again: what it asked before must not matter.
	rang, rangLeast := l.front.rang, l.front.rangLeast
	l.front.kept = kept
	p, d, e, _ := l.front.posterior([]bandLimit{k}, l.from, l.to, math.Inf(-1))
	l.front.rang, l.front.rangLeast = rang, rangLeast
	l.front.forget()
	if k.minimum {
		d = math.Hypot(d, leastSigma)
	}
	if l.front.narrow {
		d = math.Hypot(d, bandSigma)
	}
	return (l.pos - p) * l.every, d * l.every, e
}

// inRecording is a converter of front's in samples of the recording.
func (l *least) inRecording(k bandLimit) bandLimit {
	k.cutoff /= l.every
	k.half *= l.every
	return k
}

// forget gives back the tables, which are made again when they are needed.
func (s *onsetSearch) forget() {
	s.recycle()
	s.responses, s.tried, s.smooth, s.terms, s.chol, s.kept = nil, nil, nil, nil, nil, nil
}

const (
	mostDelay = 3.0 // samples by which such a converter makes a front late, about
	hopeless  = 40  // evidence that trying harder does not make up for
	unlikely  = 15  // evidence that a turn in the front does not make up for
	surely    = 20  // evidence beyond which more makes no difference
	// leastSigma is what converters of least phase that look alike are apart in their
	// delay, samples: a contact's edge, whose way of setting out is known, comes out 0 to
	// 0.2 late behind them (rms 0.1).
	leastSigma = 0.1
)

// leastPhase weighs least phase against the linear phase that gave an onset at
// pos with evidence best.
func (s *onsetSearch) leastPhase(kernels []bandLimit, from, to, pos, best float64) least {
	those := slices.Clone(kernels)
	for i := range those {
		those[i].minimum = true
	}
	if !s.narrow {
		those = append(those, recursive()...)
	}
	p, d, e, k := s.posterior(those, from, to, best-hopeless)
	if math.IsInf(e, -1) {
		s.forget()
		return least{known: true, evidence: -surely}
	}
	t := s.kept.kernel(k, s.laid())
	top := 0
	for i, v := range t.h {
		if v > t.h[top] {
			top = i
		}
	}
	s.forget()
	return least{known: true, evidence: math.Max(-surely, math.Min(surely, e-best)), shift: pos - p, sigma: math.Hypot(d, leastSigma), delay: t.centroid(), peak: float64(top-t.zero) / onsetTicks,
		kernel: k}
}

// thinned low-passes x and keeps every n-th sample; y[0] lies at x[start].
func thinned(x []float64, n int) (y []float64, start int) {
	half := thinHalf * n
	k := make([]float64, 2*half+1)
	b := bandLimit{cutoff: thinCutoff, half: thinHalf, beta: thinBeta}
	for i := range k {
		k[i] = b.at(float64(i-half)/float64(n)) / float64(n)
	}
	// Beyond its ends the shape is taken as going on level.
	at := func(i int) float64 { return x[min(max(i, 0), len(x)-1)] }
	for c := 0; c < len(x); c += n {
		var v float64
		for i, w := range k {
			v += w * at(c+i-half)
		}
		y = append(y, v)
	}
	return y, 0
}

// kernel is a band limit on the tick grid; h[zero] is its value at the event.
type kernel struct {
	h    []float64
	zero int
}

func (k kernel) at(tick int) float64 {
	if i := tick + k.zero; i >= 0 && i < len(k.h) {
		return k.h[i]
	}
	return 0
}

// spread sets out to the band limit, its event at out[zero], divided by a power of two.
func (k kernel) spread(out []float64, zero int, by float64) {
	before := max(zero-k.zero, 0)
	clear(out[:min(before, len(out))])
	h := k.h[max(k.zero-zero, 0):]
	h = h[:max(min(len(h), len(out)-before), 0)]
	for i, v := range h {
		out[before+i] = v / by
	}
	clear(out[min(before+len(h), len(out)):])
}

// kernelTable samples a band limit on the tick grid. A recursive one is seen through
// the interpolation laid that shifted the pulses of an average over each other: it lets
// pass what lies beyond half the rate, and that ends it. Behind the others it would change
// next to nothing.
func (o *onsetTables) kernelTable(b bandLimit, laid interpolation) kernel {
	half := int(math.Round(b.half * onsetTicks))
	plain := symmetric(half, func(x, i0 float64) float64 { return b.over(x, i0) }, b.beta)
	if !b.minimum {
		return kernel{plain, half}
	}
	n := 4096
	for n < 5*len(plain) {
		n *= 2
	}
	ft := o.fft(n)
	c, x := make([]complex128, n/2+1), make([]float64, n)
	if b.poles > 0 {
		for i := range c {
			f := float64(i) / float64(n) * onsetTicks
			c[i] = complex(1/math.Sqrt(1+math.Pow(f/b.cutoff, 2*b.poles)), 0)
		}
	} else {
		for i, v := range plain {
			x[i] = v / onsetTicks
		}
		ft.Coefficients(c, x)
	}
	leastPhase(ft, c, x)
	before, after := 0, len(plain)
	if reach := laid.taps * onsetTicks; b.poles > 0 {
		before, after = reach, n/2
		for i, v := range o.spectrum(laid, n) {
			c[i] *= v
		}
	}
	ft.Sequence(x, c)
	h := make([]float64, before+after)
	var top float64
	for i := range h {
		h[i] = x[(i-before+n)%n] / float64(n) * onsetTicks
		top = math.Max(top, math.Abs(h[i]))
	}
	// What rings below -100 dB costs time only.
	for len(h) > before+1 && math.Abs(h[len(h)-1]) < 1e-5*top {
		h = h[:len(h)-1]
	}
	for before > 0 && math.Abs(h[0]) < 1e-5*top {
		h, before = h[1:], before-1
	}
	return kernel{h, before}
}

// interpolation is a Kaiser-windowed sinc that a shape has been through, of so many
// of its samples to either side.
type interpolation struct {
	taps int
	beta float64
}

// symmetric tabulates f to half ticks on either side of 0. f takes samples and
// I0(beta).
func symmetric(half int, f func(x, i0 float64) float64, beta float64) []float64 {
	h := make([]float64, 2*half+1)
	i0 := besselI0(beta)
	for i := 0; i <= half; i++ {
		v := f(float64(i)/onsetTicks, i0)
		h[half+i], h[half-i] = v, v
	}
	return h
}

// leastPhase gives the spectrum c of a real sequence its least phase, leaving the
// magnitudes, by the folded cepstrum (Oppenheim and Schafer, Discrete-Time Signal
// Processing, chapter on the cepstrum). The logarithm stops at -100 dB, where
// converters do. x is work space, as long as the sequence.
func leastPhase(ft *fourier.FFT, c []complex128, x []float64) {
	const floor = 1e-5
	n := len(x)
	for i, v := range c {
		c[i] = complex(math.Log(real(v)*real(v)+imag(v)*imag(v)+floor*floor)/2, 0)
	}
	ft.Sequence(x, c)
	for i := range x {
		x[i] /= float64(n)
		switch {
		case i == 0 || i == n/2:
		case i < n/2:
			x[i] *= 2
		default:
			x[i] = 0
		}
	}
	ft.Coefficients(c, x)
	for i, v := range c {
		size := math.Exp(real(v))
		sin, cos := math.Sincos(imag(v))
		c[i] = complex(size*cos, size*sin)
	}
}

// response is what a band limit makes of unit innovations: how a front answers to
// one that lies so many ticks before a sample, and from that the covariance of the
// samples around an onset. An answer depends on the distance of sample and
// innovation alone, so one table serves every onset.
//
// Of what it is the answer to, samples are the unit of time.
type response struct {
	kernel   kernel
	ring     ring
	q        int // times of integration
	zero     int // ticks of the tables before the innovation; a multiple of onsetTicks
	n        int // samples of y
	kept     *onsetTables
	each     []float64             // the answers, of all ticks
	answers  [onsetTicks][]float64 // by tick modulo onsetTicks: the answer at one sample after another
	products [sub]products         // by tick modulo their number, see product
	scale    float64               // of the answers
	leads    []float64             // of all ticks, see lead; nil until it is asked for
}

// products are rows of sums of products, one after the other.
type products struct {
	rows []float64
	done int // rows that are worked out
}

// priorLen is the most samples of a front: onsets may lie onsetReach from either end.
const priorLen = 2 * onsetReach

// sub is the ticks from one innovation to the next.
const sub = onsetTicks / onsetFine

// newResponse integrates the band-limited impulse q times from its end, for a front
// of n samples. Orders 0 and 1 differ in their leading term alone. With a resonance
// r, which stands in the place of two integrals, q must be 2 at least.
func newResponse(k kernel, r ring, q, n int, kept *onsetTables) *response {
	p := &response{kernel: k, ring: r, q: q, n: n, scale: 1, kept: kept}
	p.zero = (k.zero + onsetTicks - 1) / onsetTicks * onsetTicks
	length := p.zero + n*onsetTicks
	g := kept.room(length)
	k.spread(g, p.zero, onsetFine)
	p.scale = r.integrate(g, sub, q)
	p.each = kept.room(length)
	for t := range p.answers {
		a := p.each[t*length/onsetTicks : (t+1)*length/onsetTicks]
		for i := range a {
			a[i] = g[i*onsetTicks+t]
		}
		p.answers[t] = a
	}
	kept.spare = append(kept.spare, g)
	return p
}

// answer is what a sample so many ticks after an innovation answers to it, and what
// those that follow do; nil before the tables begin, where nothing is answered yet.
func (p *response) answer(ticks int) []float64 {
	if ticks += p.zero; ticks >= 0 {
		return p.answers[ticks%onsetTicks][ticks/onsetTicks:]
	}
	return nil
}

// first is how many ticks after the onset the first innovation lies, and all others
// whole steps later: a sum that includes its own step starts its k-th integral k/2
// steps early.
func (p *response) first() int { return sub * p.q / 2 }

// product is Σ a(ticks-i·sub)·a(ticks+d·onsetTicks-i·sub) over all innovations i, for
// samples d = 0, 1 ... after one that lies so many ticks after the first innovation:
// what they make two samples vary together. Each is that of an innovation earlier and
// one product more.
func (p *response) product(ticks int) []float64 {
	at := ticks + p.zero
	if at < 0 {
		return nil
	}
	chain := &p.products[at%sub]
	if chain.rows == nil {
		chain.rows = p.kept.room(((p.zero+p.n*onsetTicks-1-at%sub)/sub + 1) * p.n)
	}
	// Most onsets are given up after a few samples: rows are worked out when they are
	// first asked for.
	for ; chain.done <= at/sub; chain.done++ {
		i := at%sub + chain.done*sub
		row := chain.rows[chain.done*p.n:][:p.n]
		a := p.answers[i%onsetTicks][i/onsetTicks:]
		row = row[:min(len(a), p.n)]
		a = a[:len(row)]
		v := a[0]
		if chain.done == 0 {
			for d, w := range a {
				row[d] = v * w
			}
			continue
		}
		before := chain.rows[(chain.done-1)*p.n:][:len(row)]
		for d, w := range a {
			row[d] = before[d] + v*w
		}
	}
	return chain.rows[at/sub*p.n:][:p.n]
}

// inno is the covariance that innovations of unit density make, up to a factor that is
// returned too: of the sample that lies so many ticks after the onset with itself and
// those that follow; nil where there is none.
func (p *response) inno(ticks int) ([]float64, float64) {
	return p.product(ticks - p.first()), p.scale * p.scale / onsetFine
}

// begun is whether inno is anything.
func (p *response) begun(ticks int) bool { return ticks-p.first()+p.zero >= 0 }

// lead sets out to the answer to the leading term of a front whose first sample lies
// so many ticks after the onset: a power of time, or what the resonance makes of an
// impulse. It is worked out in steps of a tick. In steps of an innovation a parabola
// would begin with a jump of an eighth of a step's square, which drew onsets 0.05 sample
// to the early side.
func (p *response) lead(out []float64, ticks int) {
	if p.q < 2 {
		p.spread(out, ticks-p.first(), p.scale)
		return
	}
	if p.leads == nil {
		p.leads = p.leading()
	}
	for i := range out {
		out[i] = 0
		if at := ticks + i*onsetTicks + p.zero; at >= 0 {
			out[i] = p.leads[at]
		}
	}
}

// leading is lead for all ticks of the tables.
func (p *response) leading() []float64 {
	length := p.zero + (p.n+1)*onsetTicks
	g, out := p.kept.room(length), p.kept.room(length)
	p.kernel.spread(g, p.zero, onsetTicks)
	scale := p.ring.integrate(g, 1, p.q)
	// A sum that includes its own step is half a step early: where that makes no whole
	// ticks, the mean of the two about it.
	late := min((p.q+1)/2, length)
	clear(out[:late])
	early := g[late-p.q/2:]
	for i, v := range g[:length-late] {
		out[late+i] = scale * (early[i] + v) / 2
	}
	p.kept.spare = append(p.kept.spare, g)
	return out
}

// spread sets out to scale times the answers from so many ticks on, which may lie
// before the innovation.
func (p *response) spread(out []float64, ticks int, scale float64) {
	none := 0
	for none < len(out) && ticks+p.zero < 0 {
		out[none] = 0
		none++
		ticks += onsetTicks
	}
	if none == len(out) {
		return
	}
	for i, v := range p.answer(ticks)[:len(out)-none] {
		out[none+i] = scale * v
	}
}

// impulse sets out to the band limit's own answer, that of order 0.
func (p *response) impulse(out []float64, ticks int) {
	for i := range out {
		out[i] = p.kernel.at(ticks + i*onsetTicks)
	}
}

// ring is a resonance: what follows the onset rings at omega radians per sample
// and dies away by exp(-damp) per sample. The zero value is none.
type ring struct{ omega, damp float64 }

// integrate integrates g q times, in steps of so many ticks each, and returns by what its
// values are to be multiplied then: by the step for each time but one, which g has in it.
// A resonance stands in the place of two integrals.
func (r ring) integrate(g []float64, step, q int) (scale float64) {
	dt := float64(step) / onsetTicks
	scale = 1
	done := 0
	if r.omega > 0 {
		once := 2 * math.Exp(-r.damp*dt) * math.Cos(r.omega*dt)
		twice := math.Exp(-2 * r.damp * dt)
		for i := step; i < len(g); i++ {
			g[i] += once * g[i-step]
			if i >= 2*step {
				g[i] -= twice * g[i-2*step]
			}
		}
		scale, done = dt, 2
	}
	for o := max(done+1, 2); o <= q; o++ {
		scale *= dt
	}
	// All sums at once: none then waits for another to be stored.
	for first := range min(step, len(g)) {
		var sums [maxOrder + 1]float64
		switch of := sums[:q-done]; len(of) {
		case 1:
			a := 0.0
			for i := first; i < len(g); i += step {
				a += g[i]
				g[i] = a
			}
		case 2:
			a, b := 0.0, 0.0
			for i := first; i < len(g); i += step {
				a += g[i]
				b += a
				g[i] = b
			}
		case 3:
			a, b, c := 0.0, 0.0, 0.0
			for i := first; i < len(g); i += step {
				a += g[i]
				b += a
				c += b
				g[i] = c
			}
		default:
			for i := first; i < len(g); i += step {
				v := g[i]
				for o := range of {
					of[o] += v
					v = of[o]
				}
				g[i] = v
			}
		}
	}
	return scale
}

// ringing sets out to the answer to a jump that rings: the cosine of the resonance,
// through the band limit. The resonance's answer to an impulse is rⁱ·sin((i+1)θ)/sin θ,
// with θ radians and a decay by r a step, and rⁱ⁺¹·cos((i+1)θ) = r·cos θ of it less r²
// of the one a step earlier. What sums of trapezoids leave at the onset is added
// (Euler and Maclaurin; Abramowitz and Stegun 23.1.30).
func (p *response) ringing(out []float64, ticks int) {
	const dt = 1.0 / onsetFine
	r := p.ring
	decay := math.Exp(-r.damp * dt)
	sin, cos := math.Sincos(r.omega * dt)
	kink := decay * sin / r.omega
	var earlier [2 * priorLen]float64
	p.spread(out, ticks-p.first(), decay*cos-r.damp*kink)
	p.spread(earlier[:len(out)], ticks-p.first()-sub, decay*decay)
	for i := range out {
		t := ticks + i*onsetTicks
		h, slope := p.kernel.at(t), (p.kernel.at(t+1)-p.kernel.at(t-1))*onsetTicks/2
		out[i] += dt/2*h - dt*dt/12*(2*r.damp*h+slope) - earlier[i]
	}
}

type responseKey struct {
	kernel bandLimit
	ring   ring
	q      int // times of integration
}

// mostResponses is how many tables a search keeps; some 250 kB each at most.
const mostResponses = 16

// onsetSearch weighs onsets of one front.
type onsetSearch struct {
	y         []float64 // samples around the front, crest about 1
	sigma     float64   // rms noise of y
	hidden    []bool    // which samples of y are not known; nil: all are
	cut       bool      // the pulse goes on beyond its crest, higher by far perhaps
	narrow    bool      // a steep limit below the converter's was found
	jump      bool      // y is an edge of a switch, and quick
	widest    int       // how long that takes at most, ticks
	rise      float64   // length of the front, samples of y, >= 1
	least     float64   // the onset is not known any better, samples of y
	rang      [2]ring   // what was found of a pulse that sets out with a jump and with a kink
	rangLeast [2]ring   // the same behind least phase
	crest     int       // where y goes farthest, ticks from y[0]
	upper     int       // where the upper half of the front begins, the same: turns lie behind it
	kept      *onsetTables
	responses map[responseKey]*response
	tried     map[attempt]bool                // by climb
	smooth    []float64                       // covariance of the baseline by distance
	terms     []float64                       // work space of evidence
	bends     [maxOrder - 1][priorLen]float64 // the same: what a corner changes
	chol      []float64
}

// laid is what its samples were read with.
func (s *onsetSearch) laid() interpolation {
	if s.narrow {
		return interpolation{bandHalf, bandBeta}
	}
	return interpolation{interpTaps, interpBeta}
}

// hypothesis is one way the front may be.
type hypothesis struct {
	kernel           bandLimit
	order            int
	ring             ring    // of the pulse; of orders 1 and 2 only
	smooth           bool    // what follows the leading term is one degree smoother, beginning with the next term
	lead, inno, slop float64 // prior scales of the leading term and of the innovations, model error: relative to the crest
	base             float64 // scale of a smooth baseline under all of y, relative to the crest
	turn             int     // where the front turns, ticks from y[0]; 0: nowhere
	later            float64 // there innovations grow stronger: their prior scale from there on, in units of inno; 0: they do not
	corner           float64 // there it has a corner: prior scale of what slope and curvature change by, relative to the crest; 0: none
	width            int     // of a switch's edge, ticks: it takes so long, about its onset; 0: a jump
}

// quickEdge is the longest front, in samples of the front as it is seen, of a switch's
// edge that is taken for one: through a converter a jump is one or two.
const quickEdge = 4

const maxOrder = 4

// scored is a hypothesis with its best onset.
type scored struct {
	hypothesis
	t    int     // onset, ticks from y[0]
	best float64 // its evidence
	cost float64 // what has been taken off that for figures fitted to y, of this hypothesis alone
}

// impulse sets y against the converter's answer to one impulse: where that lies
// best, and the rms of what it leaves, relative to the crest. It is the simplest
// way a pulse may begin, and the priors of the search, which allow for more, are
// drawn to the converter's ringing before it.
func (s *onsetSearch) impulse(kernels []bandLimit) (pos, left float64) {
	l := s.levelled()
	misfit := func(k bandLimit, t float64) float64 {
		i0 := besselI0(k.beta)
		return l.misfit(func(x float64) float64 { return k.over(x-t, i0) })
	}
	top := farthest(s.y)
	if s.hidden != nil {
		// Its top is what is not known.
		first, last := slices.Index(s.hidden, true), len(s.hidden)-1
		for s.known(last) {
			last--
		}
		top = (first + last) / 2
	}
	best, k, t := math.Inf(1), kernels[0], float64(top)
	for _, c := range kernels {
		for d := -1.0; d <= 1; d += 0.125 {
			if m := misfit(c, float64(top)+d); m < best {
				best, k, t = m, c, float64(top)+d
			}
		}
	}
	if best > 8*impulseMisfit+4*s.sigma {
		return 0, math.Inf(1)
	}
	step := [4]float64{0.1, 0.02, 4, 1} // onset, cutoff, half-length, beta
	longest := 60.0
	if s.narrow {
		longest = 120 // cliffs are as much steeper
	}
	for range 60 {
		better := false
		for i := range step {
			for _, sign := range []float64{-1, 1} {
				c, u := k, t
				switch d := sign * step[i]; i {
				case 0:
					u += d
				case 1:
					c.cutoff += d
				case 2:
					c.half += d
				case 3:
					c.beta += d
				}
				if c.cutoff < 0.3 || c.cutoff > 0.52 || c.half < 6 || c.half > longest || c.beta < 1 || c.beta > 12 {
					continue
				}
				if m := misfit(c, u); m < best {
					best, k, t, better = m, c, u, true
				}
			}
		}
		if !better {
			for i := range step {
				step[i] /= 2
			}
			if step[0] < 0.002 {
				break
			}
		}
	}
	return t, best
}

// A pulse up to some 0.7 sample long leaves no more than impulseMisfit and is
// taken for an impulse: its middle, which is what the impulse finds, comes 0 to 0.4
// sample after its onset (computed for an arch, a rectangle, a sawtooth and an
// exponential behind two converters). Of that the mean is taken off, and the
// standard deviation of a rectangular distribution is its uncertainty. Of pulses a
// little longer the band limit that is fitted along takes up a part: of the same
// shapes, up to two samples long, the search is up to half a sample early, and
// 0.8 in one.
const (
	impulseMisfit = 0.006 // rms of what an impulse may leave, relative to the crest
	impulseLate   = 0.2   // samples
	impulseSigma  = 0.12  // samples: 0.4/√12
	shortMisfit   = 0.035 // the most that pulses up to two samples long leave
	shortSigma    = 0.25  // samples: the least uncertainty of theirs
)

// posterior leaves out ways of setting out whose evidence is below least before
// it is improved. It searches onsets in [from, to] (samples of y) and returns mean and
// standard deviation of the onset over all hypotheses. When the band limit is
// not known, it is fitted along, one for each order.
func (s *onsetSearch) posterior(kernels []bandLimit, from, to, least float64) (mean, std, top float64, best bandLimit) {
	s.recycle()
	if s.responses == nil {
		s.responses = map[responseKey]*response{}
	}
	lo, hi := int(from*onsetTicks), int(to*onsetTicks)
	lo -= lo % (onsetTicks / 2)
	top = math.Inf(-1)
	var all []scored
	for _, h := range s.ways() {
		near, from, to := kernels, lo, hi
		for _, h.smooth = range []bool{false, true} {
			b := scored{best: math.Nextafter(least, math.Inf(-1))}
			for _, h.kernel = range near {
				for _, g := range s.scales() {
					h.lead, h.inno, h.base = g[0], g[1], g[2]
					s.look(&b, h, from, to, onsetTicks/2)
				}
			}
			if b.best < least {
				continue
			}
			s.climb(&b, len(kernels) > 1)
			all = append(all, b)
			if b.best > top {
				top, best = b.best, b.kernel
			}
			// The smoother one is looked for about this one.
			near = []bandLimit{b.kernel}
			from = max(lo, b.t-b.t%(onsetTicks/2)-3*onsetTicks)
			to = min(hi, from+6*onsetTicks)
		}
	}
	if !s.cut && !s.jump {
		more := s.rings(all, len(kernels) > 1)
		// Behind converters that are out of the question turns make no difference.
		if top > least+hopeless-unlikely {
			more = append(more, s.turns(all, len(kernels) > 1)...)
			more = append(more, s.corners(all, len(kernels) > 1)...)
		}
		for _, a := range more {
			all = append(all, a)
			if a.best > top {
				top, best = a.best, a.kernel
			}
		}
	}
	// The priors are rough guesses at what real pulses do, so evidence is
	// given a little less weight than probability theory would for exact ones.
	// README.md, "How wide", tells what that holds.
	const temper, near = 0.7, 40.0
	var sw, sx, sxx float64
	for _, a := range all {
		if a.best < top-near {
			continue
		}
		var w1, m1, v1 float64
		for t := a.t - 2*onsetTicks; t <= a.t+onsetTicks; t++ {
			w, x := math.Exp(s.evidenceAbove(a.hypothesis, t, a.best+a.cost-nothing)-a.cost-a.best), float64(t-a.t)/onsetTicks
			w1 += w
			m1 += w * x
			v1 += w * x * x
		}
		if w1 == 0 {
			continue
		}
		// Mean and mean square of the onset for this way of setting out.
		at := float64(a.t) / onsetTicks
		mean, square := at+m1/w1, at*at+2*at*m1/w1+v1/w1
		w := math.Exp(temper * (a.best - top))
		sw += w
		sx += w * mean
		sxx += w * square
	}
	if sw == 0 {
		return (from + to) / 2, (to - from) / 2, top, best
	}
	mean = sx / sw
	return mean, math.Max(math.Sqrt(math.Max(sxx/sw-mean*mean, 0)+gridSigma*gridSigma), s.least), top, best
}

// nothing is the power of e by which a weight falls to 0: the least that a float64 holds
// is 2^-1074.
const nothing = 746

// rings finds the resonances of pulses that set out with a jump and with a kink,
// from the best of those without: what is excited all at once and then left to itself
// rings on as it sets out, which integrals of white noise do by chance only.
func (s *onsetSearch) rings(all []scored, fitKernel bool) (found []scored) {
	const (
		slowest, quickest = 0.15, 2.7 // rad per sample
		step              = 1.3
	)
	for order := 1; order <= 2; order++ {
		b := bestOf(all, order)
		if math.IsInf(b.best, -1) {
			continue
		}
		h := b.hypothesis
		h.smooth = order == 1 // its next term is the kink
		h.lead, h.base = 1, 0
		from := b.t - b.t%(onsetTicks/4)
		b.best = math.Inf(-1)
		try := func(r ring) {
			h.ring = r
			for _, h.inno = range []float64{1, 0.1, 0.01} {
				s.look(&b, h, from-onsetTicks/2, from+onsetTicks/2, onsetTicks/4)
			}
		}
		// It is the pulse's own, but behind a converter of the wrong phase it is not found.
		rang := &s.rang[order-1]
		if h.kernel.minimum {
			rang = &s.rangLeast[order-1]
		}
		if rang.omega > 0 {
			try(*rang)
		} else {
			for omega := slowest; omega < quickest; omega *= step {
				for _, d := range []float64{0.03, 0.15, 0.6} {
					try(ring{omega, d * omega})
				}
			}
		}
		if math.IsInf(b.best, -1) {
			continue
		}
		s.climb(&b, fitKernel)
		*rang = b.ring
		b.cost = s.occam(b)
		b.best -= b.cost
		found = append(found, b)
	}
	return found
}

// bestOf is the best of all of an order; of evidence -Inf where there is none.
func bestOf(all []scored, order int) scored {
	b := scored{best: math.Inf(-1)}
	for _, a := range all {
		if a.order == order && a.best > b.best {
			b = a
		}
	}
	return b
}

// look tries onsets of h, in ticks, and keeps the best of them in b if it is better.
func (s *onsetSearch) look(b *scored, h hypothesis, from, to, step int) {
	for t := from; t <= to; t += step {
		if e := s.evidenceAbove(h, t, b.best); e > b.best {
			*b = scored{hypothesis: h, t: t, best: e}
		}
	}
}

const (
	turnFrom   = 3 // the least order that has turns: rougher ones bend anyway
	cornerFrom = 2 // the least order that has corners: what sets out with a jump may be all corners
	turnOrder  = 2 // what comes at a turn is as rough as the integral of so many innovations, or smoother
	turnBefore = 6 // samples before the crest from where turns are looked for
	turnAfter  = 2 // samples after it up to where
	// turnCost is what a turn costs, see occam: of places over some eight samples one or two
	// are as good as the best, and of strengths over three powers of ten one.
	turnCost = 3.0
)

// turns finds fronts that set out more quietly than they go on. What bends a front at
// its crest, or where a discharge breaks through, would else have to be as likely at its
// beginning: a front that sets out smoothly and ends in a bend would be taken
// for a rough one, which sets out later. Turns in the lower half of a front are not
// looked for: what is quiet before one may be a leak that comes a little before the
// pulse, and no part of it.
func (s *onsetSearch) turns(all []scored, fitKernel bool) (found []scored) {
	for order := turnFrom; order <= maxOrder; order++ {
		a := bestOf(all, order)
		if math.IsInf(a.best, -1) {
			continue
		}
		b := scored{best: math.Inf(-1)}
		h := a.hypothesis
		h.lead = 1
		first, last := s.turnsOf(a)
		for h.turn = first; h.turn <= last; h.turn += onsetTicks {
			for _, quiet := range []float64{1, 0.1, 0.01} {
				h.inno = a.inno * quiet
				for _, h.later = range []float64{10, 100} {
					s.look(&b, h, a.t-onsetTicks, a.t+onsetTicks, onsetTicks)
				}
			}
		}
		found = s.turned(found, b, fitKernel)
	}
	return found
}

// corners finds fronts that end at one moment, where their slope and their curvature
// change, and are smooth before and after. With stronger innovations from there on each
// sample after a corner would have to be paid for, and a rougher front without any would
// come out the likelier one: a parabola that ends in a corner two samples on was put a
// quarter of a sample late.
func (s *onsetSearch) corners(all []scored, fitKernel bool) (found []scored) {
	for order := cornerFrom; order <= maxOrder; order++ {
		a := bestOf(all, order)
		if math.IsInf(a.best, -1) {
			continue
		}
		b := scored{best: math.Inf(-1)}
		h := a.hypothesis
		h.lead, h.corner = 1, 1
		first, last := s.turnsOf(a)
		for h.turn = first; h.turn <= last; h.turn += onsetTicks / 2 {
			for _, h.inno = range []float64{0.03, 0.003} {
				s.look(&b, h, a.t-onsetTicks, a.t+onsetTicks, onsetTicks/2)
			}
		}
		found = s.turned(found, b, fitKernel)
	}
	return found
}

// turned improves a front with a turn and adds it to those found, if there is one.
func (s *onsetSearch) turned(found []scored, b scored, fitKernel bool) []scored {
	if math.IsInf(b.best, -1) {
		return found
	}
	s.climb(&b, fitKernel)
	b.cost = turnCost
	b.best -= b.cost
	return append(found, b)
}

// turnsOf is from where to where the turn of a front is looked for, in ticks.
func (s *onsetSearch) turnsOf(a scored) (first, last int) {
	return max(s.upper, s.crest-turnBefore*onsetTicks, a.t+onsetTicks), s.crest + turnAfter*onsetTicks
}

// farthest is where y goes farthest to either side, at first.
func farthest(y []float64) (at int) {
	for j, v := range y {
		if math.Abs(v) > math.Abs(y[at]) {
			at = j
		}
	}
	return at
}

// findCrest notes where y goes farthest and where the upper half of its front begins.
func (s *onsetSearch) findCrest() {
	crest := farthest(s.y)
	upper := crest
	for upper > 0 && math.Abs(s.y[upper-1]) > math.Abs(s.y[crest])/2 {
		upper--
	}
	s.crest, s.upper = crest*onsetTicks, upper*onsetTicks
	// Of quick fronts the half lies well between two samples.
	if upper > 0 {
		half, below, above := math.Abs(s.y[crest])/2, s.y[upper-1], s.y[upper]
		if above < 0 {
			below, above = -below, -above
		}
		s.upper -= int((above - half) / (above - below) * onsetTicks)
	}
}

// ways are the ways of setting out that are looked for: of a switch's quick edge the
// jump alone, in all its widths, of everything else all orders.
func (s *onsetSearch) ways() (all []hypothesis) {
	if s.jump {
		for width := 0; width <= s.widest; width += onsetTicks / 2 {
			all = append(all, hypothesis{order: 1, slop: startSlop, width: width})
		}
		return all
	}
	for order := 0; order <= maxOrder; order++ {
		all = append(all, hypothesis{order: order, slop: startSlop})
	}
	return all
}

// startSlop is the model error that the search sets out from.
const startSlop = 0.003

// occam is what a resonance fitted to y costs: the log of how much of what it might
// have been, a range of e³ for frequency and damping each, is as good as the best of
// it (Laplace's approximation; MacKay, Information Theory, Inference, and Learning
// Algorithms, 2003, chapter 28).
func (s *onsetSearch) occam(b scored) float64 {
	const span = 3.0
	var cost float64
	for i := range 2 {
		for _, d := range []float64{0.003, 0.01, 0.03, 0.1, 0.3, 1} {
			less, more := b.hypothesis, b.hypothesis
			f := math.Exp(d)
			if i == 0 {
				less.ring.omega /= f
				more.ring.omega *= f
			} else {
				less.ring.damp /= f
				more.ring.damp *= f
			}
			// The curvature, where it shows: a normal distribution falls by half a unit
			// at its standard deviation.
			fall := b.best - (s.evidence(less, b.t)+s.evidence(more, b.t))/2
			if fall > 0.5 {
				cost += math.Max(0, math.Log(span/(d*math.Sqrt(math.Pi/fall))))
				break
			}
		}
	}
	return cost
}

// gridSigma is what a jump leaves, whose way of setting out is beyond doubt: onsets
// and innovations come in steps, and the converters tried are not the recorder's
// own. Samples; the constant errors of decays and contacts behind linear phase are 0
// to 0.05 (study timing).
const gridSigma = 0.04

// scales are the prior scales that the search sets out from: of the leading
// term, of the innovations, of the baseline.
func (s *onsetSearch) scales() [][3]float64 {
	g := [][3]float64{{1, 1, 0}, {3, 3, 0}, {1, 0.02, 0}, {1, 1, 0.02}}
	if s.cut {
		g = append(g, [3]float64{10, 10, 0}, [3]float64{30, 30, 0}, [3]float64{10, 1, 0})
	}
	return g
}

// attempt is a hypothesis and its onset, ticks from y[0].
type attempt struct {
	hypothesis
	t int
}

// climb improves one hypothesis and its onset, one quantity at a time.
func (s *onsetSearch) climb(a *scored, fitKernel bool) {
	// What was no better once is none when there is a better one: the round that finds
	// nothing any more, above all, tries much again that was tried since the last find.
	if s.tried == nil {
		s.tried = map[attempt]bool{}
	}
	clear(s.tried)
	try := func(h hypothesis, t int) bool {
		if s.tried[attempt{h, t}] {
			return false
		}
		s.tried[attempt{h, t}] = true
		if e := s.evidenceAbove(h, t, a.best+1e-9); e > a.best+1e-9 {
			*a = scored{hypothesis: h, t: t, best: e}
			return true
		}
		return false
	}
	most := 10.0
	if s.cut {
		most = 100
	}
	widths := []float64{8, 10, 12, 15, 19, 24, 32, 40}
	if s.narrow {
		widths = append(widths, 50, 64, 80)
	}
	for round := 0; round < 12; round++ {
		better := false
		for _, d := range []int{onsetTicks / 4, onsetTicks / 8, onsetTicks / 16} {
			better = try(a.hypothesis, a.t-d) || try(a.hypothesis, a.t+d) || better
		}
		for _, f := range []float64{1. / 3, 3} {
			h := a.hypothesis
			if h.inno *= f; h.inno > 0.001 && h.inno < most {
				better = try(h, a.t) || better
			}
			h = a.hypothesis
			if h.lead *= f; h.lead > 0.05 && h.lead < most {
				better = try(h, a.t) || better
			}
			h = a.hypothesis
			if h.base = math.Max(h.base, 0.0003) * f; h.base < 0.2 {
				better = try(h, a.t) || better
			}
			h = a.hypothesis
			if h.slop *= f; h.slop > 0.0003 && h.slop < 0.03 {
				better = try(h, a.t) || better
			}
		}
		if a.ring.omega > 0 {
			for _, f := range []float64{1.1, 1 / 1.1, 1.02, 1 / 1.02, 1.004, 1 / 1.004} {
				h := a.hypothesis
				if h.ring.omega *= f; h.ring.omega < math.Pi {
					better = try(h, a.t) || better
				}
			}
			for _, f := range []float64{1.5, 1 / 1.5, 1.1, 1 / 1.1, 1.02, 1 / 1.02} {
				h := a.hypothesis
				if h.ring.damp *= f; h.ring.damp < math.Pi {
					better = try(h, a.t) || better
				}
			}
		}
		if a.turn > 0 {
			for _, d := range []int{onsetTicks / 2, -onsetTicks / 2, onsetTicks / 8, -onsetTicks / 8, 1, -1} {
				h := a.hypothesis
				if h.turn += d; h.turn > a.t && h.turn >= s.upper {
					better = try(h, a.t) || better
				}
			}
			for _, f := range []float64{1. / 3, 3} {
				h := a.hypothesis
				if h.corner *= f; h.corner > 0.05 && h.corner < 10 {
					better = try(h, a.t) || better
				}
				h = a.hypothesis
				if h.later *= f; h.later > 1 && h.later < 3000 {
					better = try(h, a.t) || better
				}
			}
		}
		if s.jump {
			for _, d := range []int{onsetTicks / 4, -onsetTicks / 4, onsetTicks / 8, -onsetTicks / 8} {
				h := a.hypothesis
				if h.width += d; h.width >= 0 && h.width <= s.widest {
					better = try(h, a.t) || better
				}
			}
		}
		if fitKernel {
			for _, d := range []float64{0.02, -0.02, 0.005, -0.005} {
				h := a.hypothesis
				if h.kernel.cutoff = tidy(h.kernel.cutoff + d); h.kernel.cutoff >= h.kernel.lowest() && h.kernel.cutoff <= 0.52 {
					better = try(h, a.t) || better
				}
			}
			for _, f := range []float64{1 / 1.25, 1.25} {
				h := a.hypothesis
				if h.kernel.poles > 0 {
					if h.kernel.poles = tidy(h.kernel.poles * f); h.kernel.poles > 1.5 && h.kernel.poles < 32 {
						better = try(h, a.t) || better
					}
					continue
				}
				if h.kernel.beta = tidy(h.kernel.beta * f); h.kernel.beta > 2.5 && h.kernel.beta < 12 {
					better = try(h, a.t) || better
				}
			}
			for i, w := range widths {
				if w != a.kernel.half {
					continue
				}
				for _, j := range []int{i - 1, i + 1} {
					if j >= 0 && j < len(widths) {
						h := a.hypothesis
						h.kernel.half = widths[j]
						better = try(h, a.t) || better
					}
				}
				break
			}
		}
		if !better {
			return
		}
	}
}

// tidy takes off v what rounding leaves behind on the way there: the same band limit, come
// to by other steps, is the same table then.
func tidy(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// evidence is the log of p(y | onset, h) up to a constant common to all; the
// onset in ticks from y[0].
func (s *onsetSearch) evidence(h hypothesis, onset int) float64 {
	return s.evidenceAbove(h, onset, math.Inf(-1))
}

// evidenceAbove is evidence where that is above floor; else it may be minus infinity: most
// of what a search tries is far below what it has found already, and shows so after a few
// samples.
func (s *onsetSearch) evidenceAbove(h hypothesis, onset int, floor float64) float64 {
	n := len(s.y)
	if onset < 0 || onset >= (onsetReach+1)*onsetTicks || n > priorLen || onset < (n-onsetReach)*onsetTicks {
		return math.Inf(-1)
	}
	if len(s.responses) >= mostResponses {
		s.recycle()
	}
	if len(s.terms) < 2*n {
		s.terms = make([]float64, 2*n)
	}
	q := max(h.order, 1)
	if h.ring.omega > 0 {
		q = 2
	}
	p := s.response(h.kernel, h.ring, q)
	terms, next := s.terms[:n], s.terms[n:2*n]
	switch {
	case h.order == 0:
		p.impulse(terms, -onset)
	case h.order == 1 && h.ring.omega > 0:
		p.ringing(terms, -onset)
	case h.width > 0:
		// A ramp is two kinks.
		r := s.response(h.kernel, ring{}, 2)
		r.lead(terms, h.width/2-onset)
		r.lead(next, -h.width/2-onset)
		for i := range terms {
			terms[i] = (terms[i] - next[i]) * onsetTicks / float64(h.width)
		}
	default:
		p.lead(terms, -onset)
	}
	if h.smooth {
		q = h.order + 1
		p = s.response(h.kernel, h.ring, q)
		p.lead(next, -onset)
	}
	if len(s.smooth) < n {
		// What leaks in from elsewhere wanders over some ten samples: a
		// squared-exponential covariance (Rasmussen and Williams 2006, ch. 4).
		s.smooth = make([]float64, n)
		for i := range s.smooth {
			d := float64(i) / baseLength
			s.smooth[i] = math.Exp(-d * d / 2)
		}
		s.chol = make([]float64, n*(n+1))
	}
	// Scales are those of each part at the crest: the leading term
	// rise^(p-1)/(p-1)!, the next rise^p/p!, the integrals rise^(p+1/2)/(p!·√(2p+1)).
	lead, second := h.lead, h.inno
	for i := 1; i < h.order; i++ {
		lead *= float64(i) / s.rise
	}
	for i := 1; i < q; i++ {
		second *= float64(i) / s.rise
	}
	second *= second
	lead *= lead
	inno := s.density(h.inno, q)
	// What comes at a turn may be as rough as a kink.
	turned, stronger := p, 0.0
	// A corner changes the slope, the curvature, and what else the front set out with.
	var bends [maxOrder - 1]float64 // prior variances
	if h.corner > 0 {
		scale := h.corner
		for j := 2; j <= max(h.order, 3); j++ {
			scale *= float64(j-1) / s.rise
			bends[j-2] = scale * scale
			s.response(h.kernel, ring{}, j).lead(s.bends[j-2][:n], -h.turn)
		}
	}
	if h.turn > 0 && h.later > 0 {
		r := min(q, turnOrder)
		turned = s.response(h.kernel, h.ring, r)
		stronger = s.density(h.inno*h.later, r)
	}
	noise := s.sigma*s.sigma + h.slop*h.slop
	wander := h.base * h.base
	// What is left of a sample's variance when those before it are known is its own noise
	// at least, and so much the rows to come add to the determinant.
	leastRow := math.Log(noise)
	c := cholesky{u: s.chol, n: n, det: 1}
	// Samples before anything is seen of the pulse have nothing in common with others.
	for d := math.Sqrt(noise); c.i < n && h.base <= leastBase && !s.seen(c.i, p, turned, h, onset); {
		c.lone(noise, d, s.y[c.i])
	}
	for j := c.lonely; j < n; j++ {
		// The last column is y.
		row := s.chol[j*(n+1)+j : (j+1)*(n+1)]
		row[n-j] = s.y[j]
		row = row[:n-j]
		t := terms[j:][:len(row)]
		l := lead * t[0]
		if g, unit := p.inno(j*onsetTicks - onset); g != nil {
			w := inno * unit
			g = g[:len(row)]
			for i, v := range t {
				row[i] = l*v + w*g[i]
			}
		} else {
			for i, v := range t {
				row[i] = l * v
			}
		}
		for k, v := range bends {
			if v == 0 {
				continue
			}
			u := s.bends[k][j:n][:len(row)]
			m := v * u[0]
			for i, v := range u {
				row[i] += m * v
			}
		}
		if h.later > 0 {
			if g, unit := turned.inno(j*onsetTicks - h.turn); g != nil {
				w := stronger * unit
				for i, v := range g[:len(row)] {
					row[i] += w * v
				}
			}
		}
		if h.smooth {
			u := next[j:][:len(row)]
			m := second * u[0]
			for i, v := range u {
				row[i] += m * v
			}
		}
		if h.base > leastBase {
			for i, v := range s.smooth[:len(row)] {
				row[i] += wander * v
			}
		}
		row[0] += noise
		if !s.known(j) {
			row[0] += unknown
		}
		if !c.next() || c.most()-float64(n-1-j)/2*leastRow < floor-roundOff {
			return math.Inf(-1)
		}
	}
	return c.log()
}

// unknown is the variance of a sample of which nothing is known: far more than any front has.
const unknown = 1e8

// leastBase is the scale of a baseline below which it is taken for level.
const leastBase = 0.0005

// seen is whether sample j has anything of the pulse in it, where p answers to its
// innovations and turned to those after a turn; evidence has worked out its other terms.
func (s *onsetSearch) seen(j int, p, turned *response, h hypothesis, onset int) bool {
	n := len(s.y)
	if s.terms[j] != 0 || h.smooth && s.terms[n+j] != 0 || p.begun(j*onsetTicks-onset) || h.later > 0 && turned.begun(j*onsetTicks-h.turn) {
		return true
	}
	for k := range s.bends {
		if h.corner > 0 && s.bends[k][j] != 0 {
			return true
		}
	}
	return false
}

// roundOff is more than the evidence of a few dozen samples loses to rounding.
const roundOff = 0.1

// density is that of innovations whose q-fold integral is of a scale at the crest.
func (s *onsetSearch) density(scale float64, q int) float64 {
	for i := 1; i < q; i++ {
		scale *= float64(i) / s.rise
	}
	return scale * scale * (2*float64(q) - 1) / s.rise
}

// response is that of so many integrations behind a band limit.
func (s *onsetSearch) response(b bandLimit, r ring, q int) *response {
	key := responseKey{b, r, q}
	p := s.responses[key]
	if p == nil {
		p = newResponse(s.kept.kernel(b, s.laid()), r, q, len(s.y), s.kept)
		s.responses[key] = p
	}
	return p
}

// recycle gives up the responses and keeps their room.
func (s *onsetSearch) recycle() {
	for _, p := range s.responses {
		s.kept.spare = append(s.kept.spare, p.each)
		if p.leads != nil {
			s.kept.spare = append(s.kept.spare, p.leads)
		}
		for _, r := range p.products {
			if r.rows != nil {
				s.kept.spare = append(s.kept.spare, r.rows)
			}
		}
	}
	clear(s.responses)
}

// onsetTables is what searches for onsets share, one after the other.
type onsetTables struct {
	shared     *Tables                       // nil: its own
	transforms map[int]*fourier.FFT          // by length
	laid       map[keptSpectrum][]complex128 // spectra of interpolations
	spare      [][]float64                   // room that was used before
}

type keptKernel struct {
	bandLimit
	laid interpolation
}

type keptSpectrum struct {
	interpolation
	n int
}

// kernel is b as a table.
func (o *onsetTables) kernel(b bandLimit, laid interpolation) kernel {
	if o.shared == nil {
		o.shared = NewTables()
	}
	key := keptKernel{b, laid}
	k, ok := o.shared.kernel(key)
	if !ok {
		k = o.kernelTable(b, laid)
		o.shared.keep(key, k)
	}
	return k
}

// room is n numbers of any value.
func (o *onsetTables) room(n int) []float64 {
	for len(o.spare) > 0 {
		last := o.spare[len(o.spare)-1]
		o.spare = o.spare[:len(o.spare)-1]
		if cap(last) >= n {
			return last[:n]
		}
	}
	return make([]float64, n, n+n/4)
}

// fft is a transform of n samples.
func (o *onsetTables) fft(n int) *fourier.FFT {
	t := o.transforms[n]
	if t == nil {
		if o.transforms == nil {
			o.transforms = map[int]*fourier.FFT{}
		}
		t = fourier.NewFFT(n)
		o.transforms[n] = t
	}
	return t
}

// spectrum is that of an interpolation on the tick grid.
func (o *onsetTables) spectrum(laid interpolation, n int) []complex128 {
	key := keptSpectrum{laid, n}
	c := o.laid[key]
	if c == nil {
		reach := laid.taps * onsetTicks
		x := make([]float64, n)
		for i, v := range symmetric(reach, func(x, i0 float64) float64 {
			return sinc(x) * kaiserOver(x/float64(laid.taps), laid.beta, i0)
		}, laid.beta) {
			x[(i-reach+n)%n] = v / onsetTicks
		}
		c = make([]complex128, n/2+1)
		o.fft(n).Coefficients(c, x)
		if o.laid == nil {
			o.laid = map[keptSpectrum][]complex128{}
		}
		o.laid[key] = c
	}
	return c
}

// cholesky works out -½ yᵀ C⁻¹ y - ½ log det C row by row, for the upper triangle of an
// n×n covariance with y as one more column.
type cholesky struct {
	u      []float64 // covariances, and Cholesky's factor in the rows that are done
	n      int
	i      int     // rows that are done
	lonely int     // the first of these, which have nothing in common with any other and are not in u
	quad   float64 // yᵀ C⁻¹ y of the samples that are done
	logdet float64 // log det C of the samples that are done, but for
	det    float64 // a factor whose logarithm is still to be taken; 1 to begin with
}

// log is the evidence of the samples that are done.
func (c *cholesky) log() float64 { return -0.5 * (c.quad + (c.logdet + math.Log(c.det))) }

// most is log at most, and up to ln 2 / 2 more: the logarithm of the determinant is cut to a
// power of two, which takes a fraction of the time.
func (c *cholesky) most() float64 {
	_, power := math.Frexp(c.det) // det is from 2^(power-1) up
	return -0.5 * (c.quad + (c.logdet + float64(power-1)*math.Ln2))
}

// lone does one row more, of a sample y that has nothing in common with any other: of
// variance v and standard deviation d. Only such may come before it.
func (c *cholesky) lone(v, d, y float64) {
	c.i++
	c.lonely++
	c.add(v, y/d)
}

// add adds to the determinant and to the square.
func (c *cholesky) add(v, z float64) {
	if c.det *= v; c.det < 1e-200 || c.det > 1e200 {
		c.logdet += math.Log(c.det)
		c.det = 1
	}
	c.quad += z * z
}

// next does one row more; ok is false where C is not positive definite.
func (c *cholesky) next() (ok bool) {
	u, i, w := c.u, c.i, c.n+1
	row := u[i*w+i : (i+1)*w]
	// Row i of Cholesky's factor and of the solution: what the rows above
	// account for is taken off, eight and four of them at a time, in their order.
	k := c.lonely
	for ; k+8 <= i; k += 8 {
		r0, r1, r2, r3 := u[k*w+i:][:len(row)], u[(k+1)*w+i:][:len(row)], u[(k+2)*w+i:][:len(row)], u[(k+3)*w+i:][:len(row)]
		r4, r5, r6, r7 := u[(k+4)*w+i:][:len(row)], u[(k+5)*w+i:][:len(row)], u[(k+6)*w+i:][:len(row)], u[(k+7)*w+i:][:len(row)]
		a0, a1, a2, a3, a4, a5, a6, a7 := r0[0], r1[0], r2[0], r3[0], r4[0], r5[0], r6[0], r7[0]
		for j, v := range row {
			row[j] = v - a0*r0[j] - a1*r1[j] - a2*r2[j] - a3*r3[j] - a4*r4[j] - a5*r5[j] - a6*r6[j] - a7*r7[j]
		}
	}
	for ; k+4 <= i; k += 4 {
		r0, r1, r2, r3 := u[k*w+i:][:len(row)], u[(k+1)*w+i:][:len(row)], u[(k+2)*w+i:][:len(row)], u[(k+3)*w+i:][:len(row)]
		a0, a1, a2, a3 := r0[0], r1[0], r2[0], r3[0]
		for j, v := range row {
			row[j] = v - a0*r0[j] - a1*r1[j] - a2*r2[j] - a3*r3[j]
		}
	}
	for ; k < i; k++ {
		r := u[k*w+i:][:len(row)]
		a := r[0]
		for j, v := range row {
			row[j] = v - a*r[j]
		}
	}
	v := row[0]
	if v <= 0 {
		return false
	}
	over := 1 / math.Sqrt(v)
	for j := range row {
		row[j] *= over
	}
	c.i++
	c.add(v, row[len(row)-1])
	return true
}
