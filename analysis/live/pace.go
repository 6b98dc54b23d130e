package live

import (
	"math"

	"sparkscope/dsp"
)

// Pace compares how quickly samples come in with a clock: a recorder that is
// overrun leaves some out without a word, and one that runs at another rate than
// is said gives wrong speeds.
//
// Samples come in pieces and late, by turns more and less, but never early: the
// least that they are late in some seconds is steady, and where it has grown and
// stays, what it has grown by is missing.
type Pace struct {
	rate   dsp.Rate
	frames int64
	until  float64 // end of the present stretch, seconds
	least  float64 // that samples were late in it, seconds
	before float64 // in the one before; +Inf: not known
	grown  float64 // by which that was later than the one before it
	steps  int     // stretches in a row that grew alike
	off    float64 // rate that was found instead, Hz; 0: none
}

const (
	paceS     = 5.0  // a stretch
	lostS     = 0.1  // less is not told from samples that come in pieces
	paceSteps = 3    // stretches in a row that make another rate
	paceAlike = 0.25 // by which they may differ, relative
	mostTimes = 5.0  // the rate that was said: what comes quicker comes from a file
)

// NewPace compares with a rate.
func NewPace(rate dsp.Rate) *Pace {
	return &Pace{rate: rate, until: math.Inf(-1), before: math.Inf(1)}
}

// Take says that so many frames have come by now, seconds by any clock, and
// returns how many seconds of samples are found to be missing: mostly 0. They were
// lost up to ten seconds ago.
func (p *Pace) Take(frames int, now float64) (lost float64) {
	p.frames += int64(frames)
	late := now - float64(p.frames)/float64(p.rate)
	if now < p.until {
		p.least = math.Min(p.least, late)
		return 0
	}
	if !math.IsInf(p.until, -1) {
		lost = p.step(p.least - p.before)
		p.before = p.least
	}
	p.until, p.least = now+paceS, late
	return lost
}

// step takes by how much a stretch was later than the one before.
func (p *Pace) step(grown float64) (lost float64) {
	switch {
	case math.IsInf(grown, 0):
		p.grown, p.steps = 0, 0
		return 0
	case math.Abs(grown) > lostS && math.Abs(grown-p.grown) < paceAlike*math.Abs(grown):
		p.steps++
	default:
		if p.steps == 1 && p.grown > lostS && math.Abs(grown) < lostS {
			lost = p.grown
		}
		p.steps = 0
		if math.Abs(grown) > lostS {
			p.steps = 1
		}
	}
	p.grown = grown
	p.off = 0
	if hz := float64(p.rate) * (1 - grown/paceS); p.steps >= paceSteps && hz < mostTimes*float64(p.rate) {
		p.off = hz
	}
	return lost
}

// Restart forgets what was before, as after a pause.
func (p *Pace) Restart() { p.until, p.before, p.grown, p.steps = math.Inf(-1), math.Inf(1), 0, 0 }

// OtherRate is the rate at which samples come, where that is clearly not the one
// that was said, Hz.
func (p *Pace) OtherRate() (hz float64, ok bool) { return p.off, p.off > 0 }
