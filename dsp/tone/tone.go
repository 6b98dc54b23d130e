// Package tone hears whether a pair of contacts is open or closed from a tone
// that is sent across them.
//
// A sound output drives a tone of a few kHz through a resistor across the
// contacts, and an input listens to what is left of it there. Closed contacts
// short it; open ones, even with a source coil across them, leave more. A
// Detector takes the input's samples in blocks of any size:
//
//	samples ──▶ high-pass ──▶ spectra: which tone ──▶ lock-in at it: level, noise ──▶ open or closed, with hysteresis
//
// A Circuit says what levels to expect, and so which tone suits a coil.
package tone

import (
	"fmt"
	"math"

	"sparkscope/dsp"
)

// State is what is known of the contacts.
type State int

// The states.
const (
	// Unknown: no change of the tone's level has been heard yet, or no tone at
	// all. A level alone does not say which of the two it is.
	Unknown State = iota
	Closed
	Open
	// Lost: less of the tone than closed contacts ever left: a lead is off, or
	// the tone has stopped.
	Lost
)

// String is the state in a word.
func (s State) String() string {
	switch s {
	case Closed:
		return "closed"
	case Open:
		return "open"
	case Lost:
		return "lost"
	}
	return "unknown"
}

// Limits of Options.ToneHz.
const (
	LeastHz = 900.0
	MostHz  = 16000.0
)

// Options of a Detector. The zero value finds the tone by itself.
type Options struct {
	// ToneHz is the tone that is played, Hz; one within 500 parts in a million
	// of it is looked for, since players' and recorders' clocks differ. 0: the strongest
	// steady tone from LeastHz to MostHz.
	ToneHz float64
}

// Change is a change of state.
type Change struct {
	State, Before State
	// Pos is the moment of the change, samples from the start, fractional; by
	// how much it may be off at most, samples, is Within: the lock-in's own
	// resolution and noise, and a millisecond of bounce.
	Pos, Within float64
	// First is the moment at which the level first went over on the way to this
	// change, samples: Pos itself, or earlier where the contacts touched and
	// parted before they stayed; by how much it may be off is FirstWithin.
	First, FirstWithin float64
	// Seen is the position at which the change was beyond doubt, samples.
	Seen float64
	// OpenLevel and ClosedLevel are what the tone has with open and with closed
	// contacts, peak, fraction of full scale; 0: not known.
	OpenLevel, ClosedLevel float64
}

// Reading is what the detector hears now.
type Reading struct {
	State  State
	Pos    float64 // centre of the stretch that Level is of, samples from the start
	Locked bool    // a tone has been found; else the figures below are 0
	ToneHz float64 // the tone's own frequency, by the input's clock, Hz
	Level  float64 // of the tone, peak, fraction of full scale
	Noise  float64 // standard deviation of what noise adds to Level's two components
	// OpenLevel and ClosedLevel are as in Change.
	OpenLevel, ClosedLevel float64
	// Clipped counts samples at full scale since the start.
	Clipped int64
}

// How the detector hears. Times are choices between delay and steadiness
// (common practice, no source); what they achieve is in dsp/README.md.
const (
	hopS = 1e-3 // the lock-in gives a value this often
	// lookHops is the length of its window: a Hann window of 8 ms passes the
	// tone and 125 Hz to either side to half, and hum not at all.
	lookHops = 8
	// holdHops is how long a change must last to be one. Contacts bounce for
	// 0.5 to 1 ms (general component glossaries), an ear wants an answer within
	// 100 ms (issue of the live instrument), and in 30 ms there are some seven
	// windows with noise of their own.
	holdHops = 30
	// calmHops without any touch make the next touch the first of its opening.
	calmHops = 500
	// frameS is about how long the spectra's frames are.
	frameS = 0.17
	frames = 3 // of them are kept, so that a tone that is found late is heard from before it came
	// leastProminence is by how much (power) a line must stand above its
	// surroundings in a frame to be a tone: the greatest of some thousand bins
	// of noise is 9 times their median or more once in 500 frames
	// (exponential distribution), 100 times never.
	leastProminence = 100.0
	// takeOver is by how much (power) another line must be stronger, in two
	// frames in a row, to be the tone instead.
	takeOver = 4.0
	// toneShare is how far a stated tone may be off, part of its frequency: two
	// cards' crystals, each mostly within 100 parts in a million and cheap ones
	// within 250 (from memory).
	toneShare = 500e-6
	// followShare is how far a tone is followed from where it was found, part of
	// its frequency.
	followShare = 0.015
	// levelS is the time constant with which a level follows slow changes.
	levelS = 0.3
	// changeDB is the least change of level that tells the states apart while
	// only one of the two has been heard. Gains drift slowly, and coils leave
	// open contacts ten times and more what closed ones leave: see Circuit.
	changeDB = 4.5
	// heardDB is how far above its noise a level must be to be a tone.
	heardDB = 12.0
	// Once both levels are known, the state changes where the level passes part
	// of the way, in dB, from the open level to the closed one, but no more than
	// so many dB from the open level: a level four times below it is a short,
	// be the contacts as dirty as they may.
	openPart, openMostDB   = 0.4, 8.0
	closePart, closeMostDB = 0.6, 12.0
	// lostDB is how near to the noise the level of a tone that is gone lies;
	// and closed contacts must have left lostRoomDB above the noise to tell.
	lostDB, lostRoomDB = 6.0, 18.0
	// bounceS is what bounce may add to a moment.
	bounceS = 1e-3
)

// db is a ratio of powers.
func db(x float64) float64 { return math.Pow(10, x/10) }

// Detector hears open and closed in the samples of one channel. What it finds
// does not depend on how they are cut into blocks; its memory does not grow.
type Detector struct {
	rate dsp.Rate
	opt  Options
	hop  int // samples

	total   int64
	clipped int64
	high    highPass
	finder  *finder
	lock    *lockIn // nil before a tone was found
	changes []Change
	told    float64 // position of the last change told
}

// New makes a detector. An error says what is wrong with the rate or the
// options.
func New(rate dsp.Rate, o Options) (*Detector, error) {
	if !(rate >= 8000 && rate <= 1e6) {
		return nil, fmt.Errorf("tone: %g samples a second: want 8000 or more", float64(rate))
	}
	if most := math.Min(MostHz, 0.45*float64(rate)); o.ToneHz != 0 && !(o.ToneHz >= LeastHz && o.ToneHz <= most) {
		return nil, fmt.Errorf("tone: a tone of %g Hz: want %g to %g at %g samples a second", o.ToneHz, LeastHz, most, float64(rate))
	}
	d := &Detector{rate: rate, opt: o, hop: int(math.Round(hopS * float64(rate))), told: -1}
	d.high = newHighPass(rate)
	d.finder = newFinder(rate, o.ToneHz)
	return d, nil
}

// Push takes the next samples, fractions of full scale, and returns what
// changed, in order; the slice is good until the next call. It keeps no
// reference to block.
func (d *Detector) Push(block []float32) []Change {
	d.changes = d.changes[:0]
	for _, v := range block {
		x := float64(v)
		if x >= clip || x <= -clip {
			d.clipped++
		}
		x = d.high.next(x)
		d.total++
		if d.lock != nil && d.lock.sample(x) {
			d.tell(d.lock)
		}
		if d.finder.sample(x) {
			d.look()
		}
	}
	return d.changes
}

// clip is where samples count as clipped.
const clip = 0.999

// tell passes on the change that a lock-in has just found.
func (d *Detector) tell(l *lockIn) {
	c := l.change
	if c.Seen <= d.told {
		return // known before the tone was found anew
	}
	d.told = c.Seen
	d.changes = append(d.changes, c)
}

// look takes what the last frame's spectrum says of the tone.
func (d *Detector) look() {
	f, ok := d.finder.choose(d.lock)
	if !ok {
		return
	}
	before := Unknown
	if d.lock != nil {
		before = d.lock.state
	}
	kept := d.finder.kept()
	d.lock = newLockIn(d.rate, d.hop, f, d.high.gain(f), d.total-int64(len(kept)))
	if before != Unknown {
		at := float64(d.total)
		d.changes = append(d.changes, Change{State: Unknown, Before: before, Pos: at, First: at, Seen: at})
	}
	for _, x := range kept {
		if d.lock.sample(x) {
			d.tell(d.lock)
		}
	}
}

// Now is what is heard at this moment.
func (d *Detector) Now() Reading {
	r := Reading{Pos: float64(d.total), Clipped: d.clipped}
	if l := d.lock; l != nil {
		r.Locked, r.State = true, l.state
		r.ToneHz = l.f * float64(d.rate)
		r.Level, r.Noise = math.Sqrt(l.power), math.Sqrt(l.noise)
		r.OpenLevel, r.ClosedLevel = math.Sqrt(l.open), math.Sqrt(l.closed)
		r.Pos = l.centre()
	}
	return r
}

// highPass takes away what lies far below the tone: two poles at 600 Hz, of
// Butterworth's (bilinear transform), so that 50 Hz is 43 dB down.
type highPass struct {
	b0, a1, a2     float64
	x1, x2, y1, y2 float64
}

func newHighPass(r dsp.Rate) highPass {
	k := math.Tan(math.Pi * 600 / float64(r))
	n := 1 / (1 + math.Sqrt2*k + k*k)
	return highPass{b0: n, a1: 2 * (k*k - 1) * n, a2: (1 - math.Sqrt2*k + k*k) * n}
}

func (h *highPass) next(x float64) float64 {
	y := h.b0*(x-2*h.x1+h.x2) - h.a1*h.y1 - h.a2*h.y2
	h.x2, h.x1, h.y2, h.y1 = h.x1, x, h.y1, y
	return y
}

// gain is the filter's magnitude at f cycles per sample.
func (h *highPass) gain(f float64) float64 {
	s, c := math.Sincos(2 * math.Pi * f)
	z := complex(c, -s) // one sample's delay
	n := complex(h.b0, 0) * (1 - z) * (1 - z)
	m := 1 + complex(h.a1, 0)*z + complex(h.a2, 0)*z*z
	return math.Hypot(real(n), imag(n)) / math.Hypot(real(m), imag(m))
}
