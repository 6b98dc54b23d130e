package tone

import (
	"math"
	"slices"

	"sparkscope/dsp"
)

// lockIn measures one tone's level, window by window, and decides.
type lockIn struct {
	rate dsp.Rate
	hop  int
	gain float64 // of the high-pass at the tone

	f, f0 float64 // cycles per sample: as followed, as found
	turn  float64 // phase of the oscillator at the start of the hop, cycles
	n     int     // samples of this hop taken
	c, s  float64 // the oscillator
	dc, ds,
	sumC, sumS float64 // of this hop's products
	endC, endS float64    // the same, weighed from 0 at its start to 1 at its end
	last       complex128 // the latter of the hop before
	start      int64      // position of the first sample

	hops    int64                // whole ones
	z       [lookHops]complex128 // of the last hops
	weights [lookHops]float64
	spread  float64            // variance of the window's value over that of a hop's
	jitter  [noiseHops]float64 // squared second differences of the hops' values
	sorted  [noiseHops]float64
	history [historyHops]float64 // amplitudes, window by window

	power float64 // of the tone in the last window: squared peak
	noise float64 // variance of either component of it

	state        State
	base         float64 // level while nothing is known
	quiet        int     // windows that base was learnt from
	open, closed float64 // powers; 0: not known
	up, down     run
	gone         run
	first        int64 // hop of the first touch; -1: none
	touched      int64 // hop of the last touch
	changed      int64 // hop at which the state changed last
	change       Change
}

const (
	noiseHops   = 256
	historyHops = 256
	settleHops  = 20  // after a change before levels are learnt again, and after the start
	backHops    = 100 // as closed, before a tone that was lost is closed contacts again
	quietHops   = 100 // that a level must have been steady before the first change
	// neighbours is the correlation of two hops' values in white noise: two
	// triangles half over each other share a sixth, each with itself two thirds.
	neighbours = 0.25
	waitHops   = 120 // that a first opening is waited for to become steady
	stepHops   = 12  // within which a step passes, bounce and the window's own length
)

// run is a row of windows beyond a threshold.
type run struct {
	n   int
	sum float64 // of their powers, the first few left out
}

func (r *run) take(beyond bool, p float64) {
	if !beyond {
		*r = run{}
		return
	}
	r.n++
	if r.n > lookHops { // by then the window lies behind the change
		r.sum += p
	}
}

func (r *run) level() float64 { return r.sum / float64(max(1, r.n-lookHops)) }

func newLockIn(r dsp.Rate, hop int, f, gain float64, start int64) *lockIn {
	l := &lockIn{rate: r, hop: hop, f: f, f0: f, gain: gain, start: start, first: -1, touched: math.MinInt32, changed: math.MinInt32}
	var sum, squares, before float64
	for i := range l.weights {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/lookHops)
		l.weights[i] = w
		sum += w
		squares += w*w + 2*neighbours*w*before
		before = w
	}
	for i := range l.weights {
		l.weights[i] /= sum
	}
	l.spread = squares / (sum * sum)
	l.wind()
	return l
}

// wind sets the oscillator to the start of a hop.
func (l *lockIn) wind() {
	l.s, l.c = math.Sincos(2 * math.Pi * l.turn)
	l.ds, l.dc = math.Sincos(2 * math.Pi * l.f)
	l.sumC, l.sumS, l.endC, l.endS, l.n = 0, 0, 0, 0, 0
}

// sample takes the next; true when the state changed, which is in change.
func (l *lockIn) sample(x float64) bool {
	a, b := x*l.c, -x*l.s
	w := float64(l.n)
	l.sumC, l.sumS, l.endC, l.endS = l.sumC+a, l.sumS+b, l.endC+w*a, l.endS+w*b
	l.c, l.s = l.c*l.dc-l.s*l.ds, l.s*l.dc+l.c*l.ds
	l.n++
	if l.n < l.hop {
		return false
	}
	// A hop's value is a mean with weights that grow over the hop before and
	// fall over this one: what lies far from the tone, and would fold onto it
	// in one value a hop, is down by the square of what a plain mean leaves.
	k := 2 / float64(l.hop) / l.gain
	end := complex(l.endC, l.endS) / complex(float64(l.hop), 0)
	z := complex(k, 0) * (l.last + complex(l.sumC, l.sumS) - end)
	l.last = end
	l.turn += l.f * float64(l.hop)
	l.turn -= math.Floor(l.turn)
	l.follow(z)
	l.z[l.hops%lookHops] = z
	l.hops++
	l.wind()
	if l.hops < lookHops {
		return false
	}
	var v complex128
	for i, w := range l.weights { // the oldest first
		v += complex(w, 0) * l.z[(l.hops+int64(i))%lookHops]
	}
	l.power = real(v)*real(v) + imag(v)*imag(v)
	l.history[l.hops%historyHops] = math.Sqrt(l.power)
	return l.decide()
}

// follow keeps the oscillator at the tone's own frequency and the noise known,
// from one more hop's value.
func (l *lockIn) follow(z complex128) {
	if l.hops < 5 {
		return
	}
	z1 := l.z[(l.hops-1)%lookHops]
	// Of a steady tone nothing is left, of the noise of hops that do not
	// overlap six times its variance. The median of an exponential distribution
	// is ln 2 of its mean.
	d := z - 2*l.z[(l.hops-2)%lookHops] + l.z[(l.hops-4)%lookHops]
	l.jitter[l.hops%noiseHops] = (real(d)*real(d) + imag(d)*imag(d)) / 6
	if l.hops%32 == 0 || l.hops < noiseHops && l.hops%8 == 0 {
		s := l.sorted[:]
		n := noiseHops
		if l.hops < noiseHops+5 {
			n = min(int(l.hops)-4, noiseHops-5)
			s = s[:n]
			copy(s, l.jitter[5:])
		} else {
			copy(s, l.jitter[:])
		}
		slices.Sort(s)
		l.noise = s[n/2] / math.Ln2 / 2 * l.spread
	}
	if real(z)*real(z)+imag(z)*imag(z) < 100*l.noise/l.spread {
		return
	}
	// One part in 500 of what the phase of one hop says: a time constant of
	// half a second.
	w := z * complex(real(z1), -imag(z1))
	turn := math.Atan2(imag(w), real(w)) / (2 * math.Pi)
	if math.Abs(turn) < 0.05 { // not the jump of a change
		l.f += turn / float64(l.hop) / 500
		l.f = math.Min(math.Max(l.f, l.f0*(1-followShare)), l.f0*(1+followShare))
	}
}

// position is the middle of the window that ended with a hop, samples from the
// start of the recording.
func (l *lockIn) position(hop int64) float64 {
	return float64(l.start) + (float64(hop)-lookHops/2-0.5)*float64(l.hop)
}

func (l *lockIn) centre() float64 { return l.position(l.hops) }

// thresholds are the powers at which the state goes to open and to closed;
// infinite and 0 while nothing is known.
func (l *lockIn) thresholds() (open, closed float64) {
	heard := db(heardDB) * 2 * l.noise
	if l.open == 0 || l.closed == 0 {
		open = math.Max(l.base*db(changeDB), heard)
		if l.base > heard {
			closed = l.base / db(changeDB)
		}
		return open, closed
	}
	// Below the noise nothing is closed more.
	way := 10 * math.Log10(l.open/math.Max(l.closed, 4*l.noise))
	way = math.Max(way, changeDB)
	return l.open / db(math.Min(openPart*way, openMostDB)), l.open / db(math.Min(closePart*way, closeMostDB))
}

// decide takes one more window; true when the state changed.
func (l *lockIn) decide() bool {
	p := l.power
	if l.hops < settleHops { // a recording's first samples are a jump from nothing
		return false
	}
	if l.state == Unknown && l.base == 0 {
		l.base = p
	}
	toOpen, toClosed := l.thresholds()
	canLose := l.closed > db(lostRoomDB)*2*l.noise && l.noise > 0
	l.up.take(p > toOpen && l.state != Open, p)
	heard := p > db(heardDB)*2*l.noise
	l.down.take(p < toClosed && l.state != Closed && (heard || l.state != Lost), p)
	l.gone.take(canLose && p < db(lostDB)*2*l.noise && l.state != Lost, p)

	if (l.up.n > 0) || (l.down.n > 0) {
		if l.hops-l.touched > calmHops {
			l.first = l.hops
		}
		l.touched = l.hops
	}
	switch {
	case l.gone.n >= holdHops:
		return l.turnTo(Lost, l.gone)
	case l.up.n >= holdHops:
		if l.state == Unknown {
			if !l.step(l.up, changeDB/2) {
				return l.anew(l.up)
			}
			// What opens is then steady, once it no longer touches again: what
			// grows is not.
			if !l.still() {
				if l.up.n < waitHops {
					return false
				}
				return l.anew(l.up)
			}
		}
		return l.turnTo(Open, l.up)
	case l.state == Lost && l.down.n < backHops:
		// A tone that comes back is on its way past the level of closed contacts.
	case l.down.n >= holdHops && l.gone.n == 0:
		if l.state == Unknown && !l.step(l.down, changeDB/4) {
			return l.anew(l.down)
		}
		return l.turnTo(Closed, l.down)
	}
	// Levels are learnt while nothing is under way.
	if l.up.n > 0 || l.down.n > 0 || l.gone.n > 0 || l.hops-l.changed < settleHops {
		return false
	}
	k := hopS / levelS
	switch l.state {
	case Unknown:
		l.quiet++
		if l.quiet < int(levelS/hopS) {
			k = 1 / float64(l.quiet)
		}
		l.base += k * (p - l.base)
	case Closed:
		l.closed += k * (p - l.closed)
	case Open:
		// What moves the open level is the gain, and moves the closed level too.
		was := l.open
		l.open += k * (p - l.open)
		l.closed *= l.open / was
	}
	return false
}

// step says whether a row of windows begins with a step from a level that was
// steady before, within so many dB, as contacts make one: not with a tone that
// begins, nor with one that grows or fades. The higher of the two levels stands
// out of noise and can be held to less.
func (l *lockIn) step(r run, within float64) bool {
	if l.quiet < quietHops || l.base < db(heardDB)*2*l.noise {
		return false
	}
	steady := func(hop int64) bool {
		if hop < lookHops || hop <= l.hops-historyHops {
			return false
		}
		return math.Abs(20*math.Log10(l.history[hop%historyHops])-10*math.Log10(l.base)) < within
	}
	// Where they touched and parted before they stayed, before all that.
	return steady(l.hops-int64(r.n)-stepHops) || l.first >= 0 && steady(l.first-stepHops)
}

// still says whether the level is what it was a step's time ago.
func (l *lockIn) still() bool {
	return math.Abs(10*math.Log10(l.power)-20*math.Log10(l.history[(l.hops-stepHops)%historyHops])) < changeDB/4
}

// anew takes the level of a row of windows for the one to go on from.
func (l *lockIn) anew(r run) bool {
	l.base, l.quiet = r.level(), 0
	l.up, l.down, l.first, l.touched = run{}, run{}, -1, math.MinInt32
	return false
}

// turnTo changes the state at the end of a row of windows that say so.
func (l *lockIn) turnTo(s State, r run) bool {
	before, level := l.state, r.level()
	from := map[State]float64{Unknown: l.base, Closed: l.closed, Open: l.open, Lost: 0}[before]
	switch s {
	case Open:
		if before == Unknown {
			l.closed = l.base
		}
		l.open = level
	case Closed:
		if before == Unknown {
			l.open = l.base
		}
		l.closed = level
	}
	to := level
	if s == Lost {
		to = 0
	}
	c := Change{State: s, Before: before, Seen: float64(l.start) + float64(l.hops)*float64(l.hop), OpenLevel: math.Sqrt(l.open), ClosedLevel: math.Sqrt(l.closed)}
	c.Pos, c.Within = l.moment(l.hops-int64(r.n)+1, math.Sqrt(from), math.Sqrt(to))
	c.First, c.FirstWithin = c.Pos, c.Within
	if start := l.hops - int64(r.n) + 1; l.first >= 0 && l.first < start-lookHops {
		// A touch shorter than the window never fills it: half a window.
		c.First, c.FirstWithin = l.position(l.first), float64(l.hop)*(lookHops+1)/2+bounceS*float64(l.rate)
	}
	l.state, l.change, l.changed = s, c, l.hops
	l.up, l.down, l.gone, l.first = run{}, run{}, run{}, -1
	l.touched = math.MinInt32
	return true
}

// moment finds, near a hop, where the amplitude passes half-way between two
// levels: a step does so when the middle of the window passes it.
func (l *lockIn) moment(near int64, from, to float64) (pos, within float64) {
	half := (from + to) / 2
	sign := 1.0
	if to < from {
		sign = -1
	}
	at := func(h int64) float64 { return l.history[((h%historyHops)+historyHops)%historyHops] }
	pos = l.position(near)
	oldest := max(l.hops-historyHops+2, lookHops+1)
	for h := max(near-lookHops, oldest); h <= min(near+lookHops, l.hops); h++ {
		a, b := sign*(at(h-1)-half), sign*(at(h)-half)
		if a < 0 && b >= 0 {
			pos = l.position(h-1) + float64(l.hop)*a/(a-b)
			break
		}
	}
	// A step's slope is the window's middle weight a hop, about 2/lookHops.
	noise := 0.0
	if step := math.Abs(to - from); step > 0 {
		noise = math.Min(2*math.Sqrt(l.noise)/(step*2/lookHops), lookHops/2)
	}
	return pos, float64(l.hop)*(0.5+noise) + bounceS*float64(l.rate)
}
