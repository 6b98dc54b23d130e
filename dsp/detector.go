package dsp

import (
	"math"
	"slices"
)

// Options of a Detector. The zero value finds everything out for itself.
type Options struct {
	// Only restricts what the channel may hold; empty: anything.
	Only []Kind
	// Echoes says that the channel is sound in air, where what comes shortly
	// after a pulse may be an echo of it: pulses with nothing before them are
	// averaged, if there are enough. On a lead there are no echoes, and the one
	// with nothing before it may be the odd one: the first of what leaks over.
	Echoes bool
	// Breaker says that the channel shows the contacts of an ignition, which
	// stay open and stay closed for a good part of a turn each and may touch and
	// part again and again in between: the first edge after a time without any is
	// the event. Bursts are not looked for beside it. Where Only leaves it open,
	// the channel may turn out to be a coil's.
	Breaker bool
	// Longer asks for the edge into the longer of the two states, not the
	// shorter.
	Longer bool
	// Tables are shared with other detectors, see there whether with those of the same
	// goroutine alone; nil: the detector has its own.
	Tables *Tables
}

func (o Options) may(k Kind) bool { return len(o.Only) == 0 || slices.Contains(o.Only, k) }

// Detector finds and times the pulses of one channel.
//
// Samples are pushed in blocks of any size; the result does not depend on how
// they are split. It first gathers a stretch of the recording (up to
// learnPulses candidates or learnSamples samples, more where an engine is turned
// by hand), sorts the candidates into classes by their look, averages each class
// into a template and finds its timing point; then it goes over the same stretch
// again, and on from there, timing each pulse against its template and taking it
// out of the signal, so that what lies under its tail is seen too. Memory does not grow with the
// samples, only with the pulses.
type Detector struct {
	rate    Rate
	channel int
	opt     Options
	z       sizes

	buf   []float32 // samples not yet done with; whole blocks from base on
	base  int64     // position of buf[0]; a multiple of z.block
	total int64
	lo    []float32 // least and greatest sample of each whole block of buf
	hi    []float32
	guard []float32 // swing that what is left of a pulse taken out may still have, per block

	scanFrom  int // first block of buf not yet scanned
	scan      scanState
	markBlock int // block of the last candidate's mark
	learned   bool
	patient   bool      // learning waits for teach, lesson by lesson
	todo      []lesson  // what is left of it
	waited    bool      // it is being done so
	held      []float32 // samples that came in meanwhile, as pushed
	cands     []*snippet
	slope     bool
	onsets    onsetTables // of its searches for onsets
	classes   []*class
	pulses    []Pulse
	unknown   []*snippet
	last      *placed
	dying     dying   // a pulse that could not be taken out
	lastPos   float64 // timing point of the last pulse recorded, samples
	lastSize  float64 // its largest excursion, fraction of full scale
	lobes     *lobeFinder
	contact   contactFinder
	hum       *humFilter

	stops  stops
	level  levelMeter
	floors []float64 // a few recent noise floors, peak to peak over two blocks
	near   floorLog
	still  int     // blocks searched of which all samples are equal, before hum was taken out too
	heard  int     // blocks searched
	step   float64 // least swing of a block that is not still: about the converter's step
}

// scanState is what the search for candidates carries along.
type scanState struct {
	thr   float64    // peak-to-peak excursion over two blocks that makes a candidate
	env   [3]float64 // decaying envelope, of the three blocks before
	peaks []float64  // excursions of recent candidates
	hold  int        // blocks to pass over
}

// placed is the pulse taken out last, so that it can be put back when another
// turns out to overlap it.
type placed struct {
	c     *class
	f     fitted
	pulse int // index in pulses
}

const (
	learnPulses  = 240
	learnSamples = 1 << 20
	// An engine turned by hand takes seconds for a turn: where a stretch of
	// learnSamples holds fewer than learnEvents apart from each other, it goes
	// on until it has lasted as long as at 48 kHz.
	learnEvents = 12
	learnS      = 21.8
	segmentS    = 0.25
	floorBlocks = 240
)

// NewDetector makes a detector for one channel (counted from 1).
func NewDetector(rate Rate, channel int, o Options) *Detector {
	d := &Detector{rate: rate, channel: channel, opt: o, z: sizesFor(rate)}
	if o.Tables == nil {
		o.Tables = NewTables()
	}
	d.onsets.shared = o.Tables
	d.level = newLevelMeter()
	d.hum = newHumFilter(rate)
	d.lobes = newLobeFinder(rate)
	d.lobes.floors = &d.near
	// The stretch for learning, at once: growing to it would copy it over and
	// over, and leave as much behind.
	d.buf = make([]float32, 0, learnSamples+1<<16)
	return d
}

// Push takes the next samples, fractions of full scale. It keeps no reference
// to block.
func (d *Detector) Push(block []float32) {
	if d.todo != nil {
		d.held = append(d.held, block...)
		return
	}
	const piece = 1 << 15
	for len(block) > 0 {
		n := min(len(block), piece)
		x := block[:n]
		if d.hum.on {
			x = d.hum.push(x)
		}
		d.take(x)
		block = block[n:]
		if d.work(false); d.todo != nil {
			d.held = append(d.held, block...)
			return
		}
	}
}

func (d *Detector) take(x []float32) {
	d.total += int64(len(x))
	d.buf = append(d.buf, x...)
	b := d.z.block
	for i := len(d.lo) * b; i+b <= len(d.buf); i += b {
		lo, hi := d.level.block(d.buf[i : i+b])
		d.lo = append(d.lo, lo)
		d.hi = append(d.hi, hi)
		d.guard = append(d.guard, 0)
	}
}

// segment is the number of blocks whose noise floor is judged together.
func (d *Detector) segment() int {
	return max(16, int(segmentS*float64(d.rate))/d.z.block)
}

// ahead is the number of blocks that must follow a candidate's.
func (d *Detector) ahead() int { return (d.z.post+2*d.z.margin)/d.z.block + 8 }

// settled is the part of the buffered signal that a decision about the whole
// channel may look at: what comes after it depends on how much was pushed at
// once.
func (d *Detector) settled() []float32 {
	return d.buf[:min((d.scanFrom+d.ahead())*d.z.block, len(d.buf))]
}

// work scans what can be scanned. At the end of the recording, last is true.
func (d *Detector) work(last bool) {
	for d.todo == nil {
		end := d.scanFrom + d.segment()
		// Segments stand at fixed places of the recording.
		ready := end+d.ahead() <= len(d.lo)
		if !ready {
			if !last || d.scanFrom >= len(d.lo) {
				break
			}
			end = len(d.lo)
		}
		d.scanSegment(d.scanFrom, end)
		d.scanFrom = end
		if !d.learned && d.heardEnough() {
			if d.weed() && !d.heardEnough() {
				continue
			}
			if d.patient {
				d.prepare(false)
				break
			}
			if d.startHum(last) {
				continue
			}
			d.learn()
		}
		if d.learned {
			d.forget()
		}
	}
	if last && !d.learned {
		d.weed()
		if d.startHum(last) {
			d.work(last)
			return
		}
		d.learn()
	}
}

// heardEnough says whether the stretch for learning is long enough.
func (d *Detector) heardEnough() bool {
	n := d.scanFrom * d.z.block
	if len(d.cands) >= learnPulses || float64(n) >= max(learnSamples, learnS*float64(d.rate)) {
		return true
	}
	if n < learnSamples {
		return false
	}
	const apartS = 20e-3 // twice as long as contacts bounce by hand
	events := 0
	for i, s := range d.cands {
		if i == 0 || float64(s.pos-d.cands[i-1].pos) > apartS*float64(d.rate) {
			events++
		}
	}
	return events >= learnEvents
}

// startHum looks for hum in the stretch for learning. Where there is some that
// matters it is taken out from the beginning on, and the search starts afresh:
// then it returns true.
func (d *Detector) startHum(last bool) bool {
	if d.hum.on || d.hum.looked {
		return false
	}
	d.hum.looked = true
	x := d.settled()
	ratio, peak := d.hum.find(x)
	const (
		// Hum that is as strong as the noise of its means, at least.
		leastRatio = 1.5
		// A switch's edge and a spark's front pass over hum of this part of
		// their size as if it were not there; a coil's slow lobes do not.
		leastPart = 0.03
	)
	if ratio < leastRatio {
		return false
	}
	if peak < leastPart*d.largest() {
		trial := *d.lobes
		if trial.settle(d); !trial.on {
			return false
		}
	}
	d.hum.on = true
	x = slices.Clone(d.buf)
	d.buf, d.lo, d.hi, d.guard = d.buf[:0], d.lo[:0], d.hi[:0], d.guard[:0]
	d.total, d.level, d.scanFrom, d.scan = 0, newLevelMeter(), 0, scanState{}
	d.markBlock, d.cands, d.floors, d.near = 0, nil, nil, floorLog{}
	d.take(d.hum.push(x))
	if last {
		d.take(d.hum.flush())
	}
	return true
}

// largest is about the greatest swing of the stretch for learning that comes
// again: one block in a thousand exceeds it.
func (d *Detector) largest() float64 {
	sw := make([]float64, 0, len(d.lo))
	for b := range min(d.scanFrom, len(d.lo)) {
		sw = append(sw, d.swing(b))
	}
	return quantileInPlace(sw, 0.999)
}

// forget drops samples that no later step looks at.
func (d *Detector) forget() {
	keep := d.z.pre + 2*d.z.margin + d.z.post + 8*d.z.block
	if d.lobes.on {
		keep = max(keep, int(d.base-d.lobes.from)+d.scanFrom*d.z.block+d.lobes.reach())
	}
	drop := d.scanFrom - (keep/d.z.block + 1)
	if drop*d.z.block < 1<<14 {
		return
	}
	d.drop(drop)
}

func (d *Detector) drop(blocks int) {
	n := blocks * d.z.block
	d.buf = d.buf[:copy(d.buf, d.buf[n:])]
	if cap(d.buf) > 1<<18 && len(d.buf) < 1<<17 {
		d.buf = append(make([]float32, 0, 1<<17), d.buf...)
	}
	d.lo = d.lo[:copy(d.lo, d.lo[blocks:])]
	d.hi = d.hi[:copy(d.hi, d.hi[blocks:])]
	d.guard = d.guard[:copy(d.guard, d.guard[blocks:])]
	d.base += int64(n)
	d.near.forget(d.base)
	d.scanFrom -= blocks
	if d.last != nil {
		d.last.f.start -= n
		d.last.f.q -= float64(n)
		if d.last.f.start < 0 {
			d.last = nil
		}
	}
}

// swing is the peak-to-peak excursion over block b and the one before it.
func (d *Detector) swing(b int) float64 {
	if b == 0 {
		return float64(d.hi[0] - d.lo[0])
	}
	return float64(max(d.hi[b], d.hi[b-1]) - min(d.lo[b], d.lo[b-1]))
}

// ruffle is what is left of swing where the slope from one block to the other is taken off:
// of a broad lobe next to nothing, of noise most.
func (d *Detector) ruffle(b int) float64 {
	if b == 0 {
		return d.swing(b)
	}
	middle := func(b int) float64 { return float64(d.hi[b]+d.lo[b]) / 2 }
	return max(d.swing(b)-2*math.Abs(middle(b)-middle(b-1)), 0)
}

// floorFactor turns the lower quartile of the swings of a segment into a level
// that white noise exceeds about once in 1e4 blocks. The range of n normal
// values has its quartile near 3.0σ for n = 16 and 4.2σ for n = 64, and exceeds
// 7.3σ and 7.8σ that rarely (from memory of the range distribution's tables,
// checked by the test of quiet channels).
func (d *Detector) floorFactor() float64 {
	n := float64(2 * d.z.block)
	q := 3.0 + (math.Log2(n)-4)*0.6
	return (7.3 + (math.Log2(n)-4)*0.25) / q
}

func (d *Detector) scanSegment(from, to int) {
	// A few hundred of the blocks say as much about the floor as all of them.
	step := max(1, (to-from)/floorBlocks)
	sw := make([]float64, 0, floorBlocks+1)
	for b := from; b < to; b += step {
		sw = append(sw, d.swing(b))
	}
	q := quantileInPlace(sw, 0.25)
	// A converter of few bits may hide the noise: its step, the least swing
	// there is, then is the noise.
	least := math.Inf(1)
	for _, v := range sw {
		if v > 0 && v < least {
			least = v
		}
	}
	if q < 0.5*least && !math.IsInf(least, 1) {
		q = 3 * least / d.floorFactor()
	}
	d.floors = append(d.floors, q)
	if len(d.floors) > 8 {
		d.floors = d.floors[1:]
	}
	around := d.floorsAround(from, to, q)
	if d.lobes.on {
		if len(d.classes) == 0 {
			d.lobes.scan(d, to, false)
			return
		}
		defer d.lobes.scan(d, to, false)
	}
	if d.contact.on {
		d.contact.scan(d, to)
		if len(d.classes) == 0 {
			return
		}
	}
	s := &d.scan
	const leastSwing = 1.0 / 8192 // a few steps of a 16-bit converter
	decay := math.Exp(-float64(d.z.block) / (0.4e-3 * float64(d.rate)))
	retries := 0
	var floor float64
	for b := from; b < to; b++ {
		if k := b - from; k%around.blocks == 0 {
			floor = math.Max(d.floorFactor()*around.q[k/around.blocks], leastSwing)
			s.thr = math.Max(floor, leastShare*upperOf16(s.peaks))
		}
		r := d.swing(b)
		new := r > 1.5*s.env[1]
		if s.hold == 0 && d.again(b) {
			s.hold = max(1, d.markBlock+1-b)
		} else if s.hold == 0 && r > s.thr && (new || d.contact.on) && r > float64(d.guard[b]) && b > 0 {
			if new {
				s.peaks = append(s.peaks, r)
			}
			if len(s.peaks) > 16 {
				s.peaks = s.peaks[:copy(s.peaks, s.peaks[1:])]
			}
			s.thr = math.Max(floor, leastShare*upperOf16(s.peaks))
			// A converter rings before a sharp front, and a front may rise
			// slowly: go to where the swing is.
			at := b
			for at+2 < to && at < b+4 && (d.swing(at+1) > 1.6*d.swing(at) || d.swing(at+2) > 2*d.swing(at)) {
				at++
			}
			if d.candidate(at, r, new) && retries < 2 {
				// Something was taken out: look here again.
				retries++
				b--
				continue
			}
			s.hold = max(1, d.markBlock+1-b)
		} else if s.hold > 0 {
			s.hold--
		}
		retries = 0
		e := math.Max(d.swing(b), s.env[2]*decay)
		s.env[0], s.env[1], s.env[2] = s.env[1], s.env[2], e
	}
}

// nearFloors are the noise floors of the parts of a segment.
type nearFloors struct {
	blocks int // per part
	q      []float64
}

// floorLog keeps the noise floors of the parts of what was searched last, in
// order.
type floorLog struct {
	from []int64 // positions at which the parts begin
	q    []float64
}

func (l *floorLog) add(from int64, q float64) { l.from, l.q = append(l.from, from), append(l.q, q) }

// between are the floors between two positions.
func (l *floorLog) between(from, to int64) []float64 {
	i, found := slices.BinarySearch(l.from, from)
	if !found {
		i = max(i-1, 0)
	}
	k, _ := slices.BinarySearch(l.from, to)
	return l.q[min(i, k):k]
}

// forget drops what lies before a position.
func (l *floorLog) forget(before int64) {
	i, _ := slices.BinarySearch(l.from, before)
	i = max(i-1, 0)
	l.from, l.q = slices.Delete(l.from, 0, i), slices.Delete(l.q, 0, i)
}

// floorsAround finds the noise floors, peak to peak over two blocks, of the
// parts of nearFloorS of a segment whose own is q, and logs them. A recorder that
// turns its gain up between two pulses, or down, has another noise a moment later,
// where that of a whole segment says nothing. A part's floor is the greatest of its
// own and its two neighbours': noise that has begun with a pulse, as when a noise
// gate opens, is no less noise.
func (d *Detector) floorsAround(from, to int, q float64) nearFloors {
	n := max(16, int(nearFloorS*float64(d.rate))/d.z.block)
	const fewest = 12 // swings
	sw := make([]float64, 0, n)
	quarter := func(b int, swing func(int) float64) float64 {
		sw = sw[:0]
		for i := max(b, 0); i < min(b+n, to+d.ahead(), len(d.lo)); i++ {
			sw = append(sw, swing(i))
		}
		if len(sw) < fewest {
			return 0
		}
		return quantileInPlace(sw, 0.25)
	}
	of := func(b int) float64 { return quarter(b, d.swing) }
	for b := from; b < to; b++ {
		switch w := float64(d.hi[b] - d.lo[b]); {
		case w == 0:
			d.still++
		case !d.hum.on && (d.step == 0 || w < d.step): // less the hum there are no whole steps
			d.step = w
		}
	}
	d.heard += to - from
	live := d.still*stillBlocks < d.heard
	out := nearFloors{blocks: n}
	before, own := of(from-n), of(from)
	for b := from; b < to; b += n {
		after := of(b + n)
		v := max(before, own, after)
		told := live || d.step > 0 && v >= aboveSteps*d.step && slices.ContainsFunc([]int{b - n, b, b + n}, func(b int) bool { return quarter(b, d.ruffle) >= aboveSteps/2*d.step })
		if !told || v <= byChance*q {
			v = q
		}
		out.q = append(out.q, v)
		if told {
			d.near.add(d.base+int64(b*d.z.block), v)
		}
		before, own = own, after
	}
	return out
}

// nearFloorS is how far around itself a pulse must stand out of the noise: two
// turns at 12 000 rpm, in which the quarter with the least swing is no pulse, and
// far less than a gain takes to recover.
const nearFloorS = 10e-3

// Where more than one block in stillBlocks does not move at all, the converter's steps
// hide the noise, and what is left of it says nothing of a gain.
const stillBlocks = 100

// aboveSteps is how many of the converter's steps noise goes, peak to peak over two blocks,
// that they do not hide: where some of a recording is still and some is not, a noise gate was
// shut and open. Noise that leaves one block in stillBlocks still goes two or three.
const aboveSteps = 5.0

// byChance is how much greater than a segment's floor the greatest of three near
// ones may come out where the noise is the same: one is a quartile of some sixty
// swings, and varies by some 6 %.
const byChance = 1.25

// leastShare is the part of the strong candidates' swing that a candidate must
// have: what is weaker is leakage from other leads, or remains.
const leastShare = 0.13

// upperOf16 is the upper quartile of up to 16 values; 0 for none.
func upperOf16(x []float64) float64 {
	var y [16]float64
	n := copy(y[:], x)
	if n == 0 {
		return 0
	}
	for i := 1; i < n; i++ {
		for j := i; j > 0 && y[j] < y[j-1]; j-- {
			y[j], y[j-1] = y[j-1], y[j]
		}
	}
	return y[n*3/4]
}

// quantileInPlace reorders x; the value below which a share p of x lies.
func quantileInPlace(x []float64, p float64) float64 {
	if len(x) == 0 {
		return 0
	}
	return Nth(x, int(p*float64(len(x)-1)))
}

// mark finds a candidate's coarse mark: where the signal first gets half-way
// from its level before to its largest excursion in the blocks around b. Where
// noise itself gets that far, sure is where the signal first gets further than
// noise does; else it is the same.
func (d *Detector) mark(b int) (m, sure int) {
	n := d.z.block
	from := max((b-1)*n, 0)
	to := min((b+3)*n, len(d.buf))
	quietFrom := max(from-2*n, 0)
	base := float32(0)
	if quietFrom < from {
		for _, v := range d.buf[quietFrom:from] {
			base += v
		}
		base /= float32(from - quietFrom)
	} else {
		base = d.buf[from]
	}
	peak := float32(0)
	// A converter rings before a sharp front: what set off the search may be
	// a forerunner of the pulse itself.
	for _, v := range d.buf[from:min(to, (b+2)*n)] {
		peak = max(peak, max(v-base, base-v))
	}
	m = -1
	// Out of some hundred samples of noise one gets out to 2.5σ, out of some
	// thousand one to 3.5σ.
	beyond := max(0.5*peak, min(0.8*peak, float32(3.5*d.noise())))
	for i, v := range d.buf[from:to] {
		a := max(v-base, base-v)
		if a >= 0.5*peak && m < 0 {
			m = from + i
		}
		if a >= beyond {
			return m, from + i
		}
	}
	return from, from
}

// candidate deals with a candidate at block b; true when a pulse was taken out
// of the signal. Where it does not stand out of what the blocks before it may
// ring, new is false: then it is only looked at for a burst beside an edge.
func (d *Detector) candidate(b int, swing float64, new bool) bool {
	m, sure := d.mark(b)
	d.markBlock = m / d.z.block
	if !d.learned {
		if s := d.cut(m); s != nil && len(d.cands) < 2*learnPulses {
			d.cands = append(d.cands, s)
		}
		return false
	}
	var c *class
	var f fitted
	var ok bool
	if d.contact.on {
		s := d.cut(m)
		if s == nil {
			return false
		}
		if !new || d.contact.owns(s, d) {
			if c, f, ok = d.beside(b, new); !ok {
				return false
			}
			d.markBlock = (f.start + c.t.foot) / d.z.block
		}
	}
	if !ok {
		c, f, ok = d.recognise(m)
		if sure != m {
			// Noise may have set the mark too early for what is there to be looked
			// for at its place, or be taken for a faint pulse itself. What is faint
			// here as well is no better a guess.
			if k, g, good := d.recognise(sure); good && g.a > k.level/2 && (!ok || c.peak*f.a < k.peak*g.a/2) {
				c, f, ok = k, g, true
			}
		}
		if ok && !d.noLobe(c, &f) && !d.quicker(c, &f) {
			return false
		}
		if d.both(m, c, &f, ok) {
			return true
		}
		if d.contact.on && (!ok || c.spoiled(&f)) {
			if k, g, good := d.beside(b, new); good && (!ok || g.ssr < f.ssr) {
				c, f, ok = k, g, true
			}
		}
	}
	if !ok && (d.contact.on || d.lobes.on) {
		return false // bounce, mostly, or a lobe
	}
	if !ok {
		// Near a pulse, what is like nothing is what that pulse left, unless
		// it is strong.
		near := float64(d.base)+float64(m)-d.lastPos < float64(d.z.post+4*d.z.block)
		if s := d.cut(m); s != nil && (!near || swing > 0.8*d.lastSize) {
			d.puzzle(s)
		}
		return false
	}
	if math.Abs(float64(d.base)+f.q+c.t.anchor-d.lastPos) < math.Max(3, float64(c.t.crest-c.t.foot)) {
		return false // the same pulse again
	}
	d.lastPos = float64(d.base) + f.q + c.t.anchor
	d.lastSize = c.peak * f.a
	d.emit(c, f)
	if !c.stable {
		d.last = nil
		if !d.lobes.on {
			if !d.contact.on { // an edge or its bounce is loud again, too
				d.ringsOn(c, &f)
			}
			return false
		}
		d.takeOut(c, &f, -1)
		d.blank(c, &f)
		return true
	}
	d.takeOut(c, &f, -1)
	if p := d.last; p != nil && p.f.start+len(p.c.t.wave) > f.start {
		d.untangle(p, c, &f)
	}
	d.settleGuard(c, &f)
	d.last = &placed{c: c, f: f, pulse: len(d.pulses) - 1}
	return true
}

// both looks for two overlapping pulses of a class where one, f of class c if
// ok, does not explain what is there; true when they were recorded and taken
// out.
func (d *Detector) both(m int, c *class, f *fitted, ok bool) bool {
	// What is far weaker than the channel's pulses, such as an echo, varies with
	// what it comes from.
	var p, s fitted
	if ok {
		if !d.strong(c) {
			return false
		}
		q0 := float64(m) - c.featOff
		if p, s, ok = c.pair(d.buf, q0, f, d.z, d.rate); !ok {
			return false
		}
	} else {
		for _, k := range d.classes {
			if !d.strong(k) {
				continue
			}
			a, b, good := k.pair(d.buf, float64(m)-k.featOff, nil, d.z, d.rate)
			if good && (c == nil || a.match(0) > p.match(0)) {
				c, p, s = k, a, b
			}
		}
		if c == nil {
			return false
		}
	}
	if !d.noLobe(c, &p) || !d.noLobe(c, &s) {
		return false
	}
	if math.Abs(float64(d.base)+p.q+c.t.anchor-d.lastPos) < math.Max(3, float64(c.t.crest-c.t.foot)) {
		return false // the first is the same pulse again
	}
	for _, g := range []*fitted{&p, &s} {
		d.lastPos, d.lastSize = float64(d.base)+g.q+c.t.anchor, c.peak*g.a
		d.emit(c, *g)
		d.takeOut(c, g, -1)
		d.settleGuard(c, g)
	}
	d.last = &placed{c: c, f: s, pulse: len(d.pulses) - 1}
	return true
}

// strong says whether the pulses of a class go at least half as far as those of any other.
func (d *Detector) strong(c *class) bool {
	return !slices.ContainsFunc(d.classes, func(k *class) bool { return c.peak*c.level < 0.5*(k.peak*k.level) })
}

// cut copies the surroundings of a mark; nil when they leave the signal.
func (d *Detector) cut(m int) *snippet {
	before, after := d.z.pre+d.z.margin+d.z.block, d.z.post+d.z.margin+d.z.block
	s := &snippet{pos: d.base + int64(m-before), feature: before, x: make([]float32, before+after)}
	// Beyond the ends the signal is taken to stay where it is.
	for i := range s.x {
		j := min(max(m-before+i, 0), len(d.buf)-1)
		s.x[i] = d.buf[j]
	}
	if m-d.z.nearPre-d.z.block < 0 || m+2*d.z.nearPost > len(d.buf) {
		return nil
	}
	s.stops = d.stops
	s.clipped = s.atStop(d.z)
	return s
}

// recognise times the pulse at mark m against the classes.
func (d *Detector) recognise(m int) (best *class, bf fitted, ok bool) {
	top := 0.0
	for _, c := range d.classes {
		f, like, good := c.place(d.buf, float64(m)-c.featOff, d.z)
		// A pulse that a stop cut off is less alike than it was, and nobody knows how
		// much higher it went: the fit, which leaves out what was cut, must do.
		cut := good && d.cutOff(m, c, &f)
		if !good || like < c.alike && !(cut && like >= leastAlike) {
			continue
		}
		g := f.match(c.t.sigma * c.t.sigma)
		if p := d.last; p != nil && p.c == c && f.a < math.Max(0.4, math.Sqrt(oneLeaves*c.left))*p.f.a && p.f.start+len(c.t.wave) > f.start {
			continue // what is left of the pulse before
		}
		if g < leastMatch || f.a <= c.level/mostTimes || f.a >= c.level*mostTimes && !c.t.clipped && !cut {
			continue
		}
		// A shape with its top cut off is alike to more than one with all of it, and
		// says less: the likeness, on whole samples, is no reason to prefer it.
		score, than := g*like, top
		if best != nil && best.t.clipped != c.t.clipped {
			score, than = g, bf.match(best.t.sigma*best.t.sigma)
		}
		if score > than {
			f.a = math.Min(f.a, c.level*mostTimes)
			top, best, bf = g*like, c, f
		}
	}
	return best, bf, best != nil
}

// cutOff says whether a stop cut off what lies behind a mark.
func (d *Detector) cutOff(m int, c *class, f *fitted) bool {
	for _, v := range d.buf[m:min(m+d.z.nearPost, len(d.buf))] {
		if c.t.stops.at(float64(v), f.base) {
			return true
		}
	}
	return false
}

const (
	leastMatch = 0.6
	leastAlike = 0.5 // of what a stop cut off
	// mostTimes is how much higher or lower than usual a pulse of a class may be.
	// Where stops cut off its top nobody knows how much higher it went.
	mostTimes = 5.0
)

// place finds the pulse near q0 in x: first on whole samples, then finely.
// like is the likeness to the front's surroundings at the best whole sample.
func (c *class) place(x []float32, q0 float64, z sizes) (best fitted, like float64, ok bool) {
	if c.step {
		return c.placeEdge(x, q0, z)
	}
	t := c.t
	w := t.near(z)
	qi := int(math.Round(q0))
	// The coarse mark is mostly good to a few samples.
	var room [2*(32+4) + 1]float64
	var scores []float64
	top := -2.0
	reach := min(z.block+4, 6)
	if t.clipped {
		reach = 2 // tops cut off look alike a cycle off, but their mark is good
	}
	for {
		scores, top = room[:0], -2
		best := 0
		for l := -reach; l <= reach; l++ {
			r, _ := t.alikeAt(x, qi+l, w)
			scores = append(scores, r)
			if r > top {
				top, best = r, l
			}
		}
		if reach == z.block+4 || (top >= c.usual && best > 2-reach && best < reach-2) || reach == 2 && top >= c.alike {
			break
		}
		reach = z.block + 4
	}
	if top < 0.4 {
		return best, top, false
	}
	// A ringing pulse looks much the same a cycle later: every lag that comes
	// near the best is tried over the whole window, and the least residual wins.
	// But a window that ends before the pulse leaves little as well, there being
	// little in it: it would take a pulse of next to no size. A window that ends
	// with the front lets still larger ones pass: there one of less than half the
	// size of another must explain as large a part of what its window holds.
	found := false
	slight := func(f, than *fitted) bool {
		return f.a < than.a/4 ||
			t.length < len(t.wave) && !t.clipped && f.a < than.a/2 && f.ssr*than.sst > than.ssr*f.sst
	}
	for i, r := range scores {
		if r < top-0.2 || (i > 0 && scores[i-1] > r) || (i+1 < len(scores) && scores[i+1] >= r) {
			continue
		}
		q := float64(qi - reach + i)
		f, ok := t.fit(x, q, 3)
		if !ok || f.a <= 0 || found && slight(&f, &best) {
			continue
		}
		if !found || f.ssr < best.ssr || slight(&best, &f) {
			best, found = f, true
		}
	}
	if !found && t.clipped {
		// What stops left of a short pulse may be its ringing alone: from the lag
		// most alike the fit may run to where the pulse would be the other way up.
		for i := range scores {
			if f, ok := t.fit(x, float64(qi-reach+i), 3); ok && f.a > 0 && (!found || f.ssr < best.ssr) {
				best, found = f, true
			}
		}
	}
	if !found {
		for i, r := range scores {
			if r == top {
				best, found = t.fitFront(x, float64(qi-reach+i), 3)
				return best, top, found && best.a > 0
			}
		}
	}
	// When far more is left than noise, something else lies in the window:
	// the front is less likely to be touched by it than the whole.
	if dof := float64(best.n - t.terms()); best.ssr > 9*t.sigma*t.sigma*dof+0.04*best.sst {
		if g, ok := t.fitFront(x, best.q, 3); ok && g.a > 0 {
			return g, top, true
		}
	}
	return best, top, true
}

// placeEdge finds an edge near q0: the first place where the signal gets half
// as far as the class's edges do. Bounce makes later edges of the same look, so
// the first one counts, not the one most alike.
func (c *class) placeEdge(x []float32, q0 float64, z sizes) (best fitted, like float64, ok bool) {
	t := c.t
	from := int(math.Round(q0+c.featOff)) - z.block - 4
	to := from + 2*z.block + 8
	quiet := from - 2*z.block
	if quiet < 0 || to >= len(x) {
		return best, 0, false
	}
	var base float64
	for _, v := range x[quiet:from] {
		base += float64(v)
	}
	base /= float64(from - quiet)
	sign := float64(c.sign)
	height := math.Abs(t.wave[t.crest]) * c.level
	for i := from; i < to; i++ {
		if sign*(float64(x[i])-base) < 0.5*height {
			continue
		}
		f, good := t.fitFront(x, float64(i)-c.half, 2.5)
		if !good || f.a < 0.5*c.level || f.a > 1.6*c.level && !t.clipped {
			continue
		}
		m := f.match(t.sigma * t.sigma)
		if m > 0.8 {
			return f, m, true
		}
	}
	return best, 0, false
}

// alikeAt is the likeness of x to the front's surroundings w, were the pulse at sample q, and
// its amplitude then; -2 and 0 where they leave x.
func (t *template) alikeAt(x []float32, q int, w nearWindow) (r, gain float64) {
	from := q - t.zero + w.from
	if from < 0 || from+len(w.x) > len(x) {
		return -2, 0
	}
	return likeness(w.x, x[from:from+len(w.x)])
}

type nearWindow struct {
	from int
	x    []float32
}

// near is the part of the template that decides about likeness.
func (t *template) near(z sizes) nearWindow {
	if t.nearW.x == nil {
		hi, lo := t.look()
		from := max(t.foot-z.nearPre, 0)
		to := min(from+z.nearPre+z.nearPost, len(t.wave))
		if t.length < to {
			to = min(max(t.length, t.crest+2), len(t.wave)) // its crest may be its very end
		}
		x := make([]float32, 0, to-from)
		for _, v := range t.wave[from:to] {
			x = append(x, float32(min(max(v, lo), hi)))
		}
		t.nearW = nearWindow{from, x}
	}
	return t.nearW
}

// emit records a timed pulse.
func (d *Detector) emit(c *class, f fitted) {
	if !c.t.clipped {
		c.level += (f.a - c.level) / 16
	}
	c.n++
	p := d.pulseOf(c, &f, d.base)
	from, to := max(f.start+c.t.zero-d.z.nearPre, 0), min(f.start+c.t.zero+2*d.z.nearPost, len(d.buf))
	for _, v := range d.buf[from:to] {
		if c.t.stops.at(float64(v), f.base) {
			p.Clipped = true
		}
	}
	d.pulses = append(d.pulses, p)
}

func (d *Detector) pulseOf(c *class, f *fitted, base int64) Pulse {
	return Pulse{
		Pos:   float64(base) + f.q + c.t.anchor,
		Sigma: c.t.sigmaOf(f),
		Amp:   float64(c.sign) * c.peak * f.a,
		Match: f.match(c.t.sigma * c.t.sigma),
		Class: slices.Index(d.classes, c),
	}
}

// takeOut subtracts (sign -1) or puts back (sign +1) a pulse.
func (d *Detector) takeOut(c *class, f *fitted, sign float64) {
	shape := c.t.shape[f.phase]
	end := min(f.start+len(shape), len(d.buf))
	g := float32(sign * f.a)
	x := d.buf[f.start:end]
	shape, fade := shape[:len(x)], c.t.fade[:len(x)]
	for i, v := range x {
		if sign < 0 && c.t.stops.at(float64(v), f.base) {
			x[i] = float32(f.base) // whatever lay beyond the end stop was this pulse
			continue
		}
		x[i] = v + g*float32(shape[i]*fade[i])
	}
	n := d.z.block
	for b := f.start / n; b <= (end-1)/n && b < len(d.lo); b++ {
		d.lo[b], d.hi[b] = extremes(d.buf[b*n : (b+1)*n])
	}
}

// tailS is how slowly, at most, the tail of a pulse is expected to die away
// beyond the end of its averaged shape.
const tailS = 2e-3

// extremes returns the least and the greatest of x, which is not empty and
// holds no NaN. This is where a long recording spends its time: bit patterns
// are compared as integers, which takes no branches, in two chains that do not
// wait for each other.
//
// Taken for signed integers, the patterns of what is not negative are the
// greater ones, and order as the values do. Taken for unsigned ones, those of
// what is negative are, and order by size: so the greatest of the first kind is
// the greatest value, the greatest of the second the least, where x has values
// of either sign. Where it has not, the least pattern is the one missing.
func extremes(x []float32) (lo, hi float32) {
	u0 := math.Float32bits(x[0])
	s0 := int32(u0)
	u1, s1 := u0, s0
	y := x
	for ; len(y) >= 4; y = y[4:] {
		a, b, c, d := math.Float32bits(y[0]), math.Float32bits(y[1]), math.Float32bits(y[2]), math.Float32bits(y[3])
		u0, s0 = max(u0, a), max(s0, int32(a))
		u1, s1 = max(u1, b), max(s1, int32(b))
		u0, s0 = max(u0, c), max(s0, int32(c))
		u1, s1 = max(u1, d), max(s1, int32(d))
	}
	for _, v := range y {
		a := math.Float32bits(v)
		u0, s0 = max(u0, a), max(s0, int32(a))
	}
	u0, s0 = max(u0, u1), max(s0, s1)
	lo, hi = math.Float32frombits(u0), math.Float32frombits(uint32(s0))
	if s0 < 0 || u0 < 1<<31 {
		least := math.Float32bits(x[0])
		for _, v := range x[1:] {
			least = min(least, math.Float32bits(v))
		}
		if s0 < 0 {
			return lo, math.Float32frombits(least)
		}
		return math.Float32frombits(least), hi
	}
	return lo, hi
}

// settleGuard sets, after a pulse was taken out, how much may be left of it:
// pulses vary in shape, and their remains are no pulses of their own. How much
// this one varies is seen in what it typically left, block by block.
func (d *Detector) settleGuard(c *class, f *fitted) {
	n := d.z.block
	swing := c.t.swings(n)
	first := f.start/n + 1
	last := min((f.start+len(c.t.wave))/n-1, len(d.lo)-1)
	var ratios []float64
	swings := make([]float64, 0, 64)
	for b := first; b <= last; b++ {
		w := swing[max((b-1)*n-f.start, 0)] * f.a
		swings = append(swings, w)
		if w > 0.1*c.peak*f.a {
			ratios = append(ratios, d.swing(b)/w)
		}
	}
	share := 0.15
	if len(ratios) > 0 {
		share = math.Min(math.Max(2.5*medianOf(ratios), share), 0.9)
	}
	for i, w := range swings {
		b := first + i
		// Where the end of the shape is faded, the rest of it is still there.
		faded := 1 - c.t.fade[min(max((b+1)*n-1-f.start, 0), len(c.t.fade)-1)]
		d.guard[b] = max(d.guard[b], float32((share+1.1*faded)*w))
	}
	// The shape ends before the pulse does: what is left of its tail is not new.
	if len(swings) == 0 {
		return
	}
	rest := 1.3 * swings[len(swings)-1]
	ease := math.Exp(-float64(n) / (tailS * float64(d.rate)))
	for b := last + 1; b < len(d.guard) && rest > 0.005*c.peak*f.a; b++ {
		d.guard[b] = max(d.guard[b], float32(rest))
		rest *= ease
	}
}

// untangle times two overlapping pulses again, each with the other taken out.
func (d *Detector) untangle(p *placed, c *class, f *fitted) {
	for range 2 {
		d.takeOut(p.c, &p.f, +1)
		if g, ok := p.c.t.fit(d.buf, p.f.q, 2); ok && g.a > 0 {
			p.f = g
		}
		d.takeOut(p.c, &p.f, -1)
		d.takeOut(c, f, +1)
		if g, ok := c.t.fit(d.buf, f.q, 2); ok && g.a > 0 {
			*f = g
		}
		d.takeOut(c, f, -1)
	}
	clip := d.pulses[p.pulse].Clipped
	d.pulses[p.pulse] = d.pulseOf(p.c, &p.f, d.base)
	d.pulses[p.pulse].Clipped = clip
	now := len(d.pulses) - 1
	clip = d.pulses[now].Clipped
	d.pulses[now] = d.pulseOf(c, f, d.base)
	d.pulses[now].Clipped = clip
}

// puzzle keeps a pulse that is like no class; enough of a kind make a new one.
func (d *Detector) puzzle(s *snippet) {
	const enough, keep = 48, 24
	d.unknown = append(d.unknown, s)
	if len(d.unknown) < enough {
		return
	}
	d.classify(d.unknown, true)
	for len(d.unknown) > keep {
		d.orphan(d.unknown[0])
		d.unknown = d.unknown[1:]
	}
}

// orphan records a pulse that is like nothing that repeats.
func (d *Detector) orphan(s *snippet) {
	p := Pulse{Pos: float64(s.pos) + float64(s.feature), Sigma: float64(d.z.block), Class: -1, Clipped: s.clipped}
	base := s.x[max(s.feature-d.z.nearPre-1, 0)]
	for _, v := range s.x[s.feature-d.z.nearPre : s.feature+d.z.nearPost] {
		if a := float64(v - base); math.Abs(a) > math.Abs(p.Amp) {
			p.Amp = a
		}
	}
	d.pulses = append(d.pulses, p)
}

// classify makes classes out of snippets. With late set, their members are
// recorded as pulses here, since the signal they came from has gone by.
func (d *Detector) classify(all []*snippet, late bool) {
	groups, rest := grouped(all, d.z, d.noise())
	// The largest group first: it may take in what a chance of alignment or a
	// shape that varies has put into others.
	slices.SortStableFunc(groups, func(a, b group) int { return len(b.members) - len(a.members) })
	var fresh []*class
	for len(groups) > 0 {
		g := groups[0]
		groups = groups[1:]
		if len(g.members) < leastMembers && len(all) >= 4*leastMembers {
			rest = append(rest, g.members...)
			continue
		}
		c := newClass(g, d.z, d.rate, d.slope)
		if c == nil {
			rest = append(rest, g.members...)
			continue
		}
		grown := c.adopt(&g, groups, &rest, d.z)
		if grown {
			c = newClass(g, d.z, d.rate, d.slope)
		}
		if c == nil {
			rest = append(rest, g.members...)
			continue
		}
		if over := d.turnOver(&g, &c); len(over.members) > 0 {
			groups = append(groups, over)
			slices.SortStableFunc(groups, func(a, b group) int { return len(b.members) - len(a.members) })
		}
		if twin := c.twinOf(slices.Concat(d.classes, fresh), d.z); twin != nil {
			// The same pulses, averaged from a worse start.
			if late {
				rest = append(rest, g.members...)
			}
			continue
		}
		c.t.setAnchor(g.members, d.rate, false, &d.onsets)
		c.first = g.members[0].pos
		for _, s := range g.members {
			c.first = min(c.first, s.pos)
		}
		slices.SortStableFunc(groups, func(a, b group) int { return len(b.members) - len(a.members) })
		c.members = g.members
		fresh = append(fresh, c)
	}
	slices.SortStableFunc(fresh, func(a, b *class) int { return int(a.first - b.first) })
	d.classes = append(d.classes, fresh...)
	for _, c := range fresh {
		if late {
			for _, s := range c.members {
				if f, _, ok := c.place(s.x, float64(s.feature)-c.featOff, d.z); ok {
					c.n++
					p := d.pulseOf(c, &f, s.pos)
					p.Clipped = s.clipped
					d.pulses = append(d.pulses, p)
				} else {
					d.orphan(s)
				}
			}
		}
		c.members = nil
	}
	if late {
		slices.SortStableFunc(rest, func(a, b *snippet) int { return int(a.pos - b.pos) })
		d.unknown = rest
	}
}

// turnOver takes members that are the other way up out of g and makes its class
// c anew: an average of both gets purer with each turn. Where the average of what
// was taken out is not c's turned over, all stays as it was.
func (d *Detector) turnOver(g *group, c **class) (over group) {
	if g.over >= mostTurns {
		return over
	}
	was := make([]snippet, len(g.members))
	for i, s := range g.members {
		was[i] = *s
	}
	whole := slices.Clone(g.members)
	now := *g
	over.over = g.over + 1
	over.members = (*c).turnOut(&now, d.z)
	for range mostTurns {
		if len(over.members) < leastMembers || len(now.members) < leastMembers {
			break
		}
		k, o := newClass(now, d.z, d.rate, d.slope), newClass(over, d.z, d.rate, d.slope)
		if k == nil || o == nil {
			break
		}
		if k.isTurned(o, d.z) {
			*g, *c = now, k
			return over
		}
		// Each member to the average that it is more like.
		now.members, over.members = nil, nil
		for _, s := range whole {
			f, _, good := k.place(s.x, float64(s.feature)-k.featOff, d.z)
			h, _, right := o.place(s.x, float64(s.feature)-o.featOff, d.z)
			if right && (!good || h.match(o.t.sigma*o.t.sigma) > f.match(k.t.sigma*k.t.sigma)) {
				s.q, s.a = h.q, h.a
				over.members = append(over.members, s)
				continue
			}
			if good {
				s.q, s.a = f.q, f.a
			}
			now.members = append(now.members, s)
		}
	}
	for i, s := range whole {
		*s = was[i]
	}
	g.members = whole
	return group{}
}

// leastMembers make a class.
const leastMembers = 4

// adopt moves snippets of other groups and of the rest that look like the
// class into g; true when there were any.
func (c *class) adopt(g *group, others []group, rest *[]*snippet, z sizes) bool {
	before := len(g.members)
	take := func(all []*snippet) []*snippet {
		var kept []*snippet
		for _, s := range all {
			f, like, ok := c.place(s.x, float64(s.feature)-c.featOff, z)
			if ok && like >= 0.55 && f.a > 0.25 && f.a < 4 && f.match(c.t.sigma*c.t.sigma) > 0.85 {
				s.q, s.a = f.q, f.a
				g.members = append(g.members, s)
			} else {
				kept = append(kept, s)
			}
		}
		return kept
	}
	for i := range others {
		others[i].members = take(others[i].members)
	}
	*rest = take(*rest)
	return len(g.members) > before
}

// noise is the rms noise of a sample, from the swings of quiet blocks.
func (d *Detector) noise() float64 {
	n := float64(2 * d.z.block)
	return medianOf(d.floors) / (3.0 + (math.Log2(n)-4)*0.6)
}

// learn makes the classes from the candidates so far and goes over the
// buffered signal again.
func (d *Detector) learn() {
	d.todo = d.lessons()
	for d.todo != nil {
		d.teach()
	}
}

// A lesson is a part of learning, done in some ten milliseconds or a few times
// that, so that a live source need not wait for all of it. It is called again
// while it returns true.
type lesson func() (again bool)

// prepare makes ready to learn lesson by lesson; with now set from what there
// is, be it ever so little.
func (d *Detector) prepare(now bool) {
	d.waited = true
	d.todo = []lesson{func() bool {
		if now {
			d.weed()
		}
		if !d.startHum(false) {
			d.todo = append(d.todo, d.lessons()...)
			return false
		}
		d.todo = nil
		d.work(false)
		if now && d.todo == nil && !d.learned {
			d.weed()
			d.todo = d.lessons()
		}
		return true // what is first in todo now was not done
	}}
}

// teach does the next lesson; after the last the detector goes on with what
// came in meanwhile.
func (d *Detector) teach() {
	if !d.todo[0]() {
		if d.todo = d.todo[1:]; len(d.todo) == 0 {
			d.todo = nil
		}
	}
	if d.todo == nil && d.waited {
		x := d.held
		d.waited, d.held = false, nil
		if d.learned {
			d.forget()
		}
		d.work(false)
		d.Push(x)
	}
}

// lessons are the parts of learning, in order.
func (d *Detector) lessons() []lesson {
	var all []*snippet
	var top float64
	end := 0
	once := func(f func()) lesson { return func() bool { f(); return false } }
	return []lesson{
		once(func() {
			d.learned = true
			d.lobes.settle(d)
		}),
		once(func() {
			var sw []float64
			for _, s := range d.cands {
				sw = append(sw, s.swing(d.z))
			}
			if len(sw) > 0 {
				top = quantileInPlace(sw, 0.9)
			}
			all = d.cands[:0]
			for _, s := range d.cands {
				if s.swing(d.z) >= leastShare*top {
					all = append(all, s)
				}
			}
			for i, s := range all {
				const crowdS = 4e-3
				s.crowded = d.opt.Echoes && i > 0 && float64(s.pos-all[i-1].pos) < crowdS*float64(d.rate)
			}
			d.slope = d.drifts(all)
			if !d.lobes.on {
				if d.stops = findStops(all, d.z, d.noise()); d.stops != (stops{}) {
					for _, s := range all {
						s.stops = d.stops
						s.clipped = s.atStop(d.z)
					}
				}
			}
			if d.lobes.on {
				d.betweenLobes(all)
			} else {
				d.contact.settle(d, all)
			}
		}),
		once(func() {
			if d.lobes.on || !d.opt.may(Burst) && !d.opt.may(Contact) {
				return
			}
			if d.contact.on {
				// What is left when the contact's own edges are taken away may be
				// the other pick-up, on the same input or leaking into it.
				all = slices.DeleteFunc(all, func(s *snippet) bool { return d.contact.owns(s, d) && !d.contact.glides(s, d) })
				all = d.contact.clear(all, d)
				if d.opt.Breaker {
					all = nil
				}
			}
			d.classify(all, false)
		}),
		once(func() {
			if !d.lobes.on && !d.contact.on && (d.opt.may(Burst) || d.opt.may(Contact)) {
				d.besideLobes(all)
			}
		}),
		once(func() {
			d.cands = nil
			end = d.scanFrom
			d.scanFrom = 0
			d.scan = scanState{peaks: []float64{top}}
			d.floors, d.near = nil, floorLog{}
			d.lastPos, d.dying = math.Inf(-1), dying{}
		}),
		func() bool {
			for range 4 {
				if d.scanFrom >= end {
					break
				}
				to := min(d.scanFrom+d.segment(), end)
				d.scanSegment(d.scanFrom, to)
				d.scanFrom = to
			}
			return d.scanFrom < end
		},
	}
}

// drifts says whether the baseline runs away within a pulse's window, as it
// does with mains hum.
func (d *Detector) drifts(all []*snippet) bool {
	noise := d.noise()
	var tilts []float64
	for _, s := range all {
		y := make([]float64, 0, d.z.pre)
		for _, v := range s.x[s.feature-d.z.pre : s.feature-d.z.nearPre] {
			y = append(y, float64(v))
		}
		_, t := line(y)
		tilts = append(tilts, math.Abs(t)*float64(d.z.pre+d.z.post))
	}
	return medianOf(tilts) > math.Max(3*noise, 0.01*medianSwing(all, d.z))
}

func medianSwing(all []*snippet, z sizes) float64 {
	var sw []float64
	for _, s := range all {
		sw = append(sw, s.swing(z))
	}
	return medianOf(sw)
}

// Finish ends the recording of one channel and returns everything found. The
// detector is not used again. For several channels of one recording see End.
func (d *Detector) Finish() Train {
	t := []Train{d.End()}
	Settle(t)
	return t[0]
}

// End is Finish for one of several channels that share a converter: what can
// only be decided from all of them is left open, for Settle.
func (d *Detector) End() Train {
	d.patient = false
	for d.todo != nil {
		d.teach()
	}
	if d.hum.on {
		d.take(d.hum.flush())
	}
	d.work(true)
	if d.lobes.on {
		d.lobes.scan(d, len(d.lo), true)
	}
	for _, s := range d.unknown {
		d.orphan(s)
	}
	d.unknown = nil
	t := Train{Channel: d.channel, Rate: d.rate, Frames: d.total, Level: d.level.result(d.noise())}
	if d.hum.on {
		t.Level = d.hum.level.result(d.noise())
		t.Level.Hum, t.Level.HumHz = medianOf(d.hum.peaks), d.hum.before.hz
	}
	for _, c := range d.classes {
		t.Shapes = append(t.Shapes, Shape{
			Kind: Burst, N: c.n, Polarity: c.sign, Amp: c.peak * c.level,
			AnchorSigma: c.t.anchorSigma, least: c.t.least,
			Wave: scaled(c.t.wave, c.peak), WaveOrigin: float64(c.t.zero) + c.t.anchor,
		})
	}
	t.Pulses = d.pulses
	switch {
	case d.lobes.on:
		d.lobes.train(&t)
	case d.contact.on:
		if d.contact.calm > 0 && len(d.contact.edges) > 0 {
			d.contact.resolve(d)
		}
		d.contact.train(&t)
	}
	inOrder(t.Pulses)
	return t
}

func scaled(x []float64, by float64) []float64 {
	y := slices.Clone(x)
	for i := range y {
		y[i] /= by
	}
	return y
}
