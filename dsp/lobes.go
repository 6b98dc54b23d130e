package dsp

import (
	"math"
	"slices"
)

// lobeFinder finds the double lobes of a passive magnetic pick-up: two smooth
// excursions of opposite sign next to each other, whose width follows the
// speed. Their timing point is the zero crossing between them.
//
// The voltage is the derivative of the magnetic flux, so a lobe's height times
// its width is the flux that the magnet brings, the same at every speed. That
// tells the pick-up's pulses, a fiftieth of the height at a fiftieth of the
// speed, from everything else.
type lobeFinder struct {
	rate   Rate
	on     bool    // the channel is taken to be such a pick-up
	from   int64   // position up to which the signal is dealt with
	flux   float64 // height times half spacing of recent pulses; 0: none yet
	floor  float64 // the noise floor around them, as the detector's; 0: not known
	floors *floorLog
	half   float64 // half spacing of the last pulse, samples; 0: not known
	narrow float64 // the least half spacing in the stretch for learning, but for a tenth
	mean   float64 // of the channel
	meanN  float64 // samples it comes from
	pulses []Pulse
	drifts []lobeDrift // one per pulse
	couple coupling

	prefix []float64 // work space: sums of the samples
	origin int       // index of the first of them
}

func newLobeFinder(r Rate) *lobeFinder { return &lobeFinder{rate: r} }

const (
	// settleS is how much of the signal decides whether it is a coil's: ten
	// revolutions at 200 rpm.
	settleS = 3.0
	// widestS is the greatest half spacing looked for: 20° at 75 rpm.
	widestS = 0.022
	// narrowestS is the least: 4° at 15 000 rpm is 44 µs, of which half.
	narrowestS = 20e-6
	// lobeReach is how many half spacings of signal on either side a pulse needs.
	lobeReach = 8.5
	// lobeChunkS is how much is searched at once.
	lobeChunkS = 0.5
)

// lobe is a place where the signal looks like two lobes of one pulse.
type lobe struct {
	at   float64 // index in the signal
	half float64 // half spacing, samples
	r    float64 // response, signed, in units of the signal's noise per sample
	z    float64 // |r| in standard deviations
	flux float64 // |height|·half
}

// The kernel that answers to a pulse: the signal's means over four
// neighbouring stretches weighed (-1, 3, -3, 1)/3, which neither an offset nor a slope
// of the baseline reaches. Each stretch is lobeBox half spacings long: for two
// lobes that are the derivative of a Gaussian the answer is then greatest, at
// lobeGain times their height and the root of the half spacing, 85 % of a
// matched filter's (computed).
const (
	lobeBox  = 2.4
	lobeGain = 1.321
)

// sum prepares the prefix sums of x[lo:hi], about their mean.
func (l *lobeFinder) sum(x []float32, mean float64) {
	l.prefix = slices.Grow(l.prefix[:0], len(x)+1)[:len(x)+1]
	s := 0.0
	l.prefix[0] = 0
	for i, v := range x {
		s += float64(v) - mean
		l.prefix[i+1] = s
	}
}

// respond is the answer of the kernel of a half spacing at p, in units of the
// noise per sample; the four stretches must lie within the sums.
func (l *lobeFinder) respond(p, half float64) float64 {
	a := lobeBox * half
	return l.respondOver(p, a, math.Sqrt(a*20/9))
}

// respondOver is respond for stretches of a samples, given its divisor, which is
// as dear as the rest.
func (l *lobeFinder) respondOver(p, a, divisor float64) float64 {
	at := func(u float64) float64 {
		i := int(u)
		f := u - float64(i)
		if f == 0 {
			return l.prefix[i]
		}
		return l.prefix[i] + f*(l.prefix[i+1]-l.prefix[i])
	}
	p0, p1, p2, p3, p4 := at(p-2*a), at(p-a), at(p), at(p+a), at(p+2*a)
	return ((p2 - p1) - (p3 - p2) + ((p4-p3)-(p1-p0))/3) / divisor
}

// candidates lists, in time order, where x[lo:hi] may hold pulses with half
// spacings in [narrow, wide], each the best of its neighbourhood. flux, when
// not 0, is the flux that they must have, to a factor.
func (l *lobeFinder) candidates(x []float32, lo, hi int, base int64, narrow, wide, flux float64) []lobe {
	return l.choose(l.answers(x, lo, hi, narrow, wide), lo, hi, base, flux)
}

// respondEvery sets r to respondOver at first and every step samples from there on: each
// place lies as far between two samples as the first.
func (l *lobeFinder) respondEvery(r []float64, first float64, step int, a, divisor float64) {
	var part [5]float64
	var sums [5][]float64
	for k := range sums {
		u := first + float64(k-2)*a
		i := int(u)
		part[k], sums[k] = u-float64(i), l.prefix[i:][:(len(r)-1)*step+2]
	}
	s0, s1, s2, s3, s4 := sums[0], sums[1], sums[2], sums[3], sums[4]
	f0, f1, f2, f3, f4 := part[0], part[1], part[2], part[3], part[4]
	for i, j := 0, 0; i < len(r); i, j = i+1, j+step {
		p0, p1 := s0[j]+f0*(s0[j+1]-s0[j]), s1[j]+f1*(s1[j+1]-s1[j])
		p2 := s2[j] + f2*(s2[j+1]-s2[j])
		p3, p4 := s3[j]+f3*(s3[j+1]-s3[j]), s4[j]+f4*(s4[j+1]-s4[j])
		r[i] = ((p2 - p1) - (p3 - p2) + ((p4-p3)-(p1-p0))/3) / divisor
	}
}

// answers lists where the kernel's answer stands out of noise and is the
// greatest of its neighbours in time, width by width.
func (l *lobeFinder) answers(x []float32, lo, hi int, narrow, wide float64) []lobe {
	const (
		sigmas    = 5.5 // white noise gets there once in 2e7
		leastStep = 1e-6
		beyond    = 4.0 // half spacings
	)
	// A pulse beyond the ends may be the better one of two near an end.
	margin := int((2*lobeBox*1.2 + beyond) * wide)
	from := max(lo-margin-2, 0)
	to := min(hi+margin+2, len(x))
	if to-from < 16 {
		return nil
	}
	l.sum(x[from:to], l.mean)
	var all []lobe
	var r, few []float64
	grid := max(1, int(math.Round(float64(l.rate)/48000)))
	for half := narrow; half <= wide*1.01; half *= math.Sqrt2 {
		edge := 2*lobeBox*half + 1
		first := max(float64(lo-from)-beyond*half, edge)
		step := max(grid, int(half/4))
		n := int((math.Min(float64(hi-from)+beyond*half, float64(to-from)-edge)-first)/float64(step)) + 1
		if n < 3 {
			continue
		}
		r = slices.Grow(r[:0], n)[:n]
		a := lobeBox * half
		divisor := math.Sqrt(a * 20 / 9)
		l.respondEvery(r, first, step, a, divisor)
		few = few[:0]
		for i := 0; i < n; i += max(1, n/1000) {
			few = append(few, math.Abs(r[i]))
		}
		// The lower quartile of |normal| is 0.3186σ; pulses hardly touch it.
		noise := math.Max(quantileInPlace(few, 0.25)/0.3186, leastStep*math.Sqrt(half))
		for i := 1; i+1 < n; i++ {
			v := math.Abs(r[i])
			if v < sigmas*noise || v < math.Abs(r[i-1]) || v <= math.Abs(r[i+1]) || r[i]*r[i-1] < 0 {
				continue
			}
			all = append(all, lobe{
				at: float64(from) + first + float64(i*step), half: half, r: r[i], z: v / noise,
				flux: v / (lobeGain * math.Sqrt(half)) * half,
			})
		}
	}
	l.origin = from
	return all
}

// apart takes of all, in order, each that is at least four half spacings, its own or the
// other's, from those taken before. Noise at full scale has thousands, so those
// taken lie in stretches as long as the widest reaches: an answer asks its own and
// the two beside it.
func apart(all []lobe) []lobe {
	first, last, reach := math.Inf(1), math.Inf(-1), 1.0
	for _, c := range all {
		first, last, reach = min(first, c.at), max(last, c.at), max(reach, 4.01*c.half)
	}
	stretches := 1
	if n := (last - first) / reach; n < 1e9 {
		stretches = max(1, int(n)+1)
	}
	taken := make([][]int32, stretches)
	var out []lobe
	for _, c := range all {
		k := min(max(int((c.at-first)/reach), 0), stretches-1)
		free := true
		for _, near := range taken[max(k-1, 0):min(k+2, stretches)] {
			for _, i := range near {
				if math.Abs(out[i].at-c.at) < 4*max(out[i].half, c.half) {
					free = false
				}
			}
		}
		if free {
			taken[k] = append(taken[k], int32(len(out)))
			out = append(out, c)
		}
	}
	return out
}

// choose takes the best of answers that exclude each other.
func (l *lobeFinder) choose(answers []lobe, lo, hi int, base int64, flux float64) []lobe {
	const ofLargest = 0.1 // response falls with the root of the speed
	within := func(a, b, gate float64) bool { return a > b/gate && a < b*gate }
	all := make([]lobe, 0, len(answers))
	for _, c := range answers {
		if flux == 0 || within(c.flux, flux, fluxGate) {
			all = append(all, c)
		} else if f, moved := l.floorBefore(float64(base)+c.at, c.half, l.floor); moved && within(c.flux*l.floor/f, flux, gainGate) {
			// The noise has been turned up or down with it.
			all = append(all, c)
		}
	}
	top := 0.0
	for _, c := range all {
		top = math.Max(top, math.Abs(c.r))
	}
	all = slices.DeleteFunc(all, func(c lobe) bool { return math.Abs(c.r) < ofLargest*top })
	slices.SortStableFunc(all, func(a, b lobe) int {
		switch {
		case a.z > b.z:
			return -1
		case a.z < b.z:
			return 1
		}
		return 0
	})
	out := apart(all)
	// One at the very beginning may have been left to this stretch by the one
	// before it, or have been found there already: add tells.
	out = slices.DeleteFunc(out, func(c lobe) bool {
		return c.at < float64(lo)-c.half || c.at >= float64(hi)
	})
	for i := range out {
		out[i].at -= float64(l.origin)
		l.refine(&out[i], float64(len(l.prefix)-1))
		out[i].at += float64(l.origin)
	}
	slices.SortFunc(out, func(a, b lobe) int {
		if a.at < b.at {
			return -1
		}
		return 1
	})
	return out
}

// fluxGate is by how much, up or down, a pulse's flux may differ from that of
// those before it: coils lose some at high speed, and gains drift.
const fluxGate = 2.5

// gainGate is fluxGate where the flux is taken by the noise around it, which at
// speed is not all noise.
const gainGate = 4

// floorBefore is the noise floor in the quiet before a pulse of a half spacing at a
// position; 0 where it is not known. moved says whether all of that is beside what is
// usual by more than chance, where that is not 0.
func (l *lobeFinder) floorBefore(pos, half, usual float64) (floor float64, moved bool) {
	back := lobeReach*half + 2*nearFloorS*float64(l.rate)
	q := l.floors.between(int64(pos-back), int64(pos-4*half))
	if len(q) == 0 {
		return 0, false
	}
	return medianOf(q), usual > 0 && (slices.Min(q) > byChance*usual || slices.Max(q) < usual/byChance)
}

// refine moves a candidate to the place and half spacing of the greatest answer.
func (l *lobeFinder) refine(c *lobe, n float64) {
	sign := math.Copysign(1, c.r)
	best := c.r * sign
	try := func(at, half float64) bool {
		edge := 2*lobeBox*half + 1
		if at < edge || at > n-edge || half < 1 {
			return false
		}
		if v := l.respond(at, half) * sign; v > best {
			best, c.at, c.half = v, at, half
			return true
		}
		return false
	}
	for _, d := range []float64{0.12, 0.06, 0.03} {
		for range 8 {
			u, f := d*c.half, 1+1.4*d
			if !(try(c.at-u, c.half) || try(c.at+u, c.half) || try(c.at, c.half*f) || try(c.at, c.half/f)) {
				break
			}
		}
	}
	c.r = best * sign
	c.flux = best / lobeGain * math.Sqrt(c.half)
}

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
	l.search(d.buf, d.base, end, last)
}

// widest is the greatest half spacing to be expected after those before.
func (l *lobeFinder) widest() float64 {
	if l.half == 0 {
		return widestS * float64(l.rate)
	}
	return math.Min(4*l.half, widestS*float64(l.rate))
}

// reach is how many samples before l.from a later search may look at.
func (l *lobeFinder) reach() int { return int((lobeReach + 2) * widestS * float64(l.rate)) }

// search finds the pulses between l.from and what end leaves settled.
func (l *lobeFinder) search(x []float32, base, end int64, last bool) {
	from := int(max(l.from, base) - base)
	to := int(end - base)
	wide := l.widest()
	until := to - int(lobeReach*wide) - 2
	if last {
		until = to
	} else if until-from < int(lobeChunkS*float64(l.rate)) {
		return
	}
	if until <= from {
		return
	}
	for i := from; i < until; i += 16 {
		l.meanN = math.Min(l.meanN+1, 10*float64(l.rate)/16)
		l.mean += (float64(x[i]) - l.mean) / l.meanN
	}
	narrow := math.Max(narrowestS*float64(l.rate), 1.4)
	if l.half > 0 {
		narrow = math.Max(narrow, l.half/4)
	}
	found := l.candidates(x[:to], from, until, base, narrow, wide, l.flux)
	got := 0
	for _, c := range found {
		if l.add(x[:to], base, c) {
			got++
		}
	}
	l.from = base + int64(until)
	if got == 0 {
		l.half = 0 // standing still, or far faster or slower: look at all widths
	}
}

// add times a candidate and records it; false when it is none.
func (l *lobeFinder) add(x []float32, base int64, c lobe) bool {
	p, drift, ok := l.cross(x, c)
	if !ok {
		return false
	}
	p.Pos += float64(base)
	if n := len(l.pulses); n > 0 && p.Pos-l.pulses[n-1].Pos < 3*c.half {
		return false
	}
	l.flux += (c.flux - l.flux) / 8
	if f, _ := l.floorBefore(p.Pos, c.half, 0); f > 0 && l.floor > 0 {
		l.floor += (f - l.floor) / 8
	}
	l.half = c.half
	l.pulses = append(l.pulses, p)
	l.drifts = append(l.drifts, drift)
	return true
}

// settle decides, on the stretch of signal buffered for learning, whether this
// is a coil's channel.
func (l *lobeFinder) settle(d *Detector) {
	x := d.settled()
	if !d.opt.may(Lobes) || len(x) == 0 {
		return
	}
	// The sums over a whole stretch for learning are megabytes, and after it those
	// over a few pulses are all that is asked for.
	defer func() { l.prefix = nil }()
	// The end of the stretch is enough, and says how the engine runs now.
	from := max(len(x)-int(settleS*float64(l.rate)), 0)
	var sum float64
	n := 0
	for i := from; i < len(x); i += 16 {
		sum += float64(x[i])
		n++
	}
	l.mean, l.meanN = sum/float64(n), float64(n)
	narrow := math.Max(narrowestS*float64(l.rate), 1.4)
	wide := widestS * float64(l.rate)
	answers := l.answers(x, from, len(x), narrow, wide)
	flux := commonFlux(l.choose(answers, from, len(x), d.base, 0))
	if flux == 0 {
		return
	}
	trial := *l
	trial.flux = flux
	only := len(d.opt.Only) == 1
	var good []lobe
	found := l.choose(answers, from, len(x), d.base, flux)
	for _, c := range found {
		if trial.add(x, d.base, c) {
			good = append(good, c)
		}
	}
	if len(good) < 3 || 3*len(good) < 2*len(found) {
		return
	}
	var gaps, spans, shares, steps, rises []float64
	var noisy float64
	cut := 0
	for i, p := range trial.pulses {
		if i > 0 {
			gap := p.Pos - trial.pulses[i-1].Pos
			gaps = append(gaps, gap)
			shares = append(shares, math.Log(2*good[i].half/gap))
		}
		if i > 1 {
			// A gain that is turned up or down all the time moves all of a
			// neighbourhood together: what scatters is how far a pulse lies from the
			// mean of those beside it. Of three independent ones that is √1.5 times
			// the scatter of one.
			step := math.Log(good[i-1].flux) - (math.Log(good[i-2].flux)+math.Log(good[i].flux))/2
			steps = append(steps, math.Abs(step)/math.Sqrt(1.5))
		}
		spans = append(spans, 2*good[i].half)
		noisy += 1 / good[i].z / float64(len(good))
		if p.Clipped {
			cut++
			rises = append(rises, rise(x, p.Pos-float64(d.base), good[i].half)/good[i].half)
		}
	}
	// A spark's first two half-cycles look like two lobes too, but take much
	// less of a revolution than any magnet's passage, 3° at least; and no two
	// sparks are equal.
	const (
		leastShare = 3.0 / 360
		sureShare  = 6.0 / 360
		mostShare  = 80.0 / 360
	)
	equal := 0.1
	share := medianOf(spans) / medianOf(gaps)
	if share > sureShare {
		equal = 0.25
	}
	wideEnough := share > leastShare && share < mostShare
	scatter := 1.4826 * medianOf(steps)
	if !only && 2*cut > len(good) {
		// What a stop cut off has no height to tell a flux by; but a magnet's
		// passage takes the same share of every revolution. So does a switch's
		// rectangle, which the coupling gives a second lobe.
		scatter = math.Max(scatter, spread(shares))
		if medianOf(rises) < leastRise {
			return
		}
	}
	if !only && (!wideEnough || scatter > equal+2*noisy || trial.likeLobes(x, d.base) < 0.8) {
		return
	}
	if !only && edged(x, d.base, trial.pulses, good) {
		return
	}
	l.on = true
	l.narrow = quantileInPlace(spans, 0.1) / 2
	l.flux = flux
	var floors []float64
	for _, p := range trial.pulses {
		if r := math.Abs(p.Amp) * p.WidthS / 2 * float64(l.rate) / flux; r < 1/1.6 || r > 1.6 {
			continue
		}
		if f, _ := l.floorBefore(p.Pos, p.WidthS/2*float64(l.rate), 0); f > 0 {
			floors = append(floors, f)
		}
	}
	l.floor = medianOf(floors)
	l.half = 0
	trial.couple.solve()
	l.couple = coupling{figures: trial.couple.figures}
	l.from = d.base
}

// leastRise is how long, at least, the first lobe takes to rise from a tenth to
// nine tenths of what a stop left of it, in half spacings. The derivative of a
// Gaussian takes 1.0 where it is cut off at half its height, 0.7 at a sixteenth,
// 0.56 at a 256th (computed); the skirts of real magnets are longer. The edge of a
// switch takes a sample, a fifth of the half spacing of the shortest that is wide
// enough to be taken for a coil.
const leastRise = 0.4

// edged says whether most of some pulses begin with an edge and cross from the one
// side to the other by an edge: what a transformer or a small capacitor leaves of a
// switch's rectangle has two lobes as well, but those of a coil are smooth.
func edged(x []float32, base int64, pulses []Pulse, found []lobe) bool {
	const (
		within = 0.1 // half spacings, of which the derivative of a Gaussian does 8 % of its swing at most
		much   = 0.3 // of the swing
		fine   = 8   // samples that a half spacing must have for that
	)
	var steps, rises []float64
	for i, p := range pulses {
		half, mid := found[i].half, p.Pos-float64(base)
		lag := max(1, int(math.Round(within*half)))
		from, to := int(mid-1.5*half), int(mid+1.5*half)
		if half < fine || from < lag || to > len(x) {
			continue
		}
		lo, hi, most := x[from], x[from], float32(0)
		for k := from; k < to; k++ {
			step := x[k] - x[k-lag]
			lo, hi, most = min(lo, x[k]), max(hi, x[k]), max(most, step, -step)
		}
		steps = append(steps, float64(most/(hi-lo)))
		rises = append(rises, rise(x, mid, half)/half)
	}
	return len(steps) > 0 && medianOf(steps) > much && medianOf(rises) < leastRise
}

// rise is how many samples the first lobe before a crossing takes to rise.
func rise(x []float32, mid, half float64) float64 {
	from, to := max(int(mid-4.5*half), 0), min(int(mid), len(x))
	if to-from < 4 {
		return 0
	}
	quiet := max((to-from)/8, 1)
	base := sum(x[from:from+quiet]) / float32(quiet)
	top := float32(0) // signed: a converter's ringing before an edge goes either way
	for _, v := range x[from:to] {
		if max(v-base, base-v) > max(top, -top) {
			top = v - base
		}
	}
	far := func(i int) float64 { return float64((x[i] - base) / top) }
	i := from
	for i < to && far(i) < 0.9 {
		i++
	}
	if i == from || i == to {
		return 0
	}
	end := float64(i) - (far(i)-0.9)/(far(i)-far(i-1))
	for i > from && far(i-1) > 0.1 {
		i--
	}
	if i == from {
		return end - float64(from)
	}
	return end - (float64(i) - (far(i)-0.1)/(far(i)-far(i-1)))
}

// commonFlux is the flux that the strongest candidates share; 0 for none.
func commonFlux(all []lobe) float64 {
	best, flux := 0.0, 0.0
	for _, c := range all {
		sum, n := 0.0, 0
		var in []float64
		for _, o := range all {
			if r := o.flux / c.flux; r > 1/1.6 && r < 1.6 {
				sum += math.Abs(o.r)
				in = append(in, o.flux)
				n++
			}
		}
		if n >= 3 && sum > best {
			best, flux = sum, medianOf(in)
		}
	}
	return flux
}

// likeLobes is the share of the averaged pulse's energy that two lobes, the
// derivative of a Gaussian, explain.
func (l *lobeFinder) likeLobes(x []float32, base int64) float64 {
	const points = 61 // from -3 to +3 half spacings
	var avg [points]float64
	for _, p := range l.pulses {
		half := p.WidthS / 2 * float64(l.rate)
		for k := range avg {
			u := (float64(k) - points/2) / 10
			i := p.Pos - float64(base) + u*half
			lo := int(math.Floor(i))
			if lo < 0 || lo+1 >= len(x) {
				continue
			}
			f := i - float64(lo)
			avg[k] += ((1-f)*float64(x[lo]) + f*float64(x[lo+1]) - l.mean) / math.Abs(p.Amp) * math.Copysign(1, p.Amp)
		}
	}
	var sy, yy, sg, gg, yg float64
	for k, y := range avg {
		u := (float64(k) - points/2) / 10
		g := -u * math.Exp(-u*u/2)
		sy += y
		sg += g
		yy += y * y
		gg += g * g
		yg += y * g
	}
	yy -= sy * sy / points
	gg -= sg * sg / points
	yg -= sy * sg / points
	if yy <= 0 || yg <= 0 {
		return 0
	}
	return yg * yg / (yy * gg)
}

// cross times the zero crossing of a candidate: the coupling's droop is taken
// out, a cubic is fitted over the lobes by least squares, and the baseline is
// the mean of what lies equally far before and after.
func (l *lobeFinder) cross(x []float32, c lobe) (Pulse, lobeDrift, bool) {
	half := c.half
	var none lobeDrift
	if half < 1.9 {
		return Pulse{}, none, false
	}
	if stops, cut := cutBetween(x, c.at, half); cut {
		p, ok := l.crossOpen(x, c.at, half, stops)
		p.Amp = math.Copysign(c.flux/half, c.r)
		return p, none, ok
	}
	w, ok := l.window(x, c)
	if !ok {
		return Pulse{}, none, false
	}
	pos := w.mid
	var sigma, slope float64
	for range 6 {
		// The lobes' tails reach into the baseline's stretches with opposite
		// signs: they cancel only about the crossing itself.
		base, nb, ok := baseline(w.y, pos, half)
		if !ok {
			return Pulse{}, none, false
		}
		lo, hi := int(math.Floor(pos-half)), int(math.Ceil(pos+half))
		if lo < 0 || hi >= len(w.y) || hi-lo < 4 {
			return Pulse{}, none, false
		}
		// Powers of t = (i-pos)/half; the normal matrix is small and well scaled.
		var m [4][5]float64
		for i := lo; i <= hi; i++ {
			// Samples at the ends count by how far they reach in, so that the
			// result does not jump as samples enter and leave.
			w8 := math.Min(half+0.5-math.Abs(float64(i)-pos), 1)
			if w8 <= 0 {
				continue
			}
			t := (float64(i) - pos) / half
			p := [4]float64{1, t, t * t, t * t * t}
			v := w.y[i] - base
			for a := range 4 {
				for b := range 4 {
					m[a][b] += w8 * p[a] * p[b]
				}
				m[a][4] += w8 * p[a] * v
			}
		}
		k, v00, ok := solve4(m)
		if !ok || k[1] == 0 {
			return Pulse{}, none, false
		}
		// Root nearest 0 by Newton.
		t := 0.0
		for range 8 {
			f := k[0] + t*(k[1]+t*(k[2]+t*k[3]))
			df := k[1] + t*(2*k[2]+t*3*k[3])
			if df == 0 {
				return Pulse{}, none, false
			}
			t -= f / df
		}
		if !(math.Abs(t) < 1) {
			return Pulse{}, none, false
		}
		var ssr float64
		for i := lo; i <= hi; i++ {
			u := (float64(i) - pos) / half
			r := w.y[i] - base - (k[0] + u*(k[1]+u*(k[2]+u*k[3])))
			ssr += r * r
		}
		noise := ssr / float64(max(hi-lo-3, 1))
		slope = (k[1] + t*(2*k[2]+t*3*k[3])) / half
		sigma = math.Sqrt(noise*(v00+1/float64(nb))) / math.Abs(slope)
		pos += t * half
		if math.Abs(t*half) < 1e-4 {
			break
		}
	}
	if math.Abs(pos-w.mid) > 0.9*half || slope*c.r >= 0 {
		return Pulse{}, none, false
	}
	a, b, ok := w.lobes(pos, half, math.Copysign(1, c.r))
	// The kernel answers to the tail of a large pulse as well, where there is a
	// bend and no lobes.
	if !ok || (a+b)/2*half < c.flux/fluxGate {
		return Pulse{}, none, false
	}
	drift := w.drift(pos, half, slope)
	drift.a, drift.b, drift.c, drift.pole = float32(l.couple.a), float32(l.couple.b), float32(l.couple.c), float32(l.couple.pole)
	l.couple.learn(w, pos, half, c.flux)
	return Pulse{
		Pos: pos + float64(w.start), Sigma: math.Max(sigma, 1e-4), Amp: math.Copysign((a+b)/2, c.r),
		WidthS: 2 * half / float64(l.rate), Match: 1,
	}, drift, true
}

// lobes are the mean heights of the two lobes, positive; ok is false when one
// is missing or far weaker than the other.
func (w *lobeWindow) lobes(pos, half, sign float64) (a, b float64, ok bool) {
	base, _, ok := baseline(w.y, pos, half)
	if !ok {
		return 0, 0, false
	}
	part := func(from, to float64) float64 {
		var s float64
		lo, hi := int(math.Round(from)), int(math.Round(to))
		lo, hi = max(lo, 0), min(hi, len(w.y)-1)
		for i := lo; i <= hi; i++ {
			s += w.y[i] - base
		}
		return s / float64(max(hi-lo+1, 1))
	}
	// The derivative of a Gaussian has a mean of 0.905 of its summit there.
	a = sign * part(pos-1.5*half, pos-0.5*half) / 0.905
	b = -sign * part(pos+0.5*half, pos+1.5*half) / 0.905
	return a, b, a > 0 && b > 0 && a < 4*b && b < 4*a
}

// baseline is the level around a pulse: the mean of stretches from 3 to 6.5
// half spacings before and after, as far as they are there on both sides. A
// stretch with something else in it loses its outer tenths.
func baseline[T float32 | float64](x []T, mid, half float64) (base float64, n int, ok bool) {
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
		y := make([]float64, 0, int(to)-int(from)+1)
		for _, v := range x[int(from) : int(to)+1] {
			y = append(y, float64(v))
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
	left := l.undroop()
	s := Shape{Kind: Lobes, N: len(l.pulses), Polarity: 1, AnchorSigma: math.Hypot(lobeAnchor, left), TailOpen: l.couple.tailOpen}
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
	t.Shapes = slices.Insert(t.Shapes, 0, s)
	for i := range t.Pulses {
		if t.Pulses[i].Class >= 0 {
			t.Pulses[i].Class++
		}
	}
	t.Pulses = append(t.Pulses, l.pulses...)
}

// lobeAnchor is the standard uncertainty, in samples, of a zero crossing's
// place on its pulse. What the cubic leaves out of smooth lobes is a tenth of
// this; the rest is for a converter that is not linear-phase, which smooth
// lobes cannot show: it delays a crossing by its whole group delay, 2.4 to 2.9
// samples for the ones simulated, but the onset of a sharp front by 1 to 2, and
// an angle sees the difference (±0.9 sample, rectangular).
const lobeAnchor = 0.5
