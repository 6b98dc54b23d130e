package main

import (
	"fmt"
	"math"
	"time"

	"sparkscope/analysis/live"
	"sparkscope/dsp"
)

// pauseS is how long nothing must come in to be a pause, behind which the engine
// may have turned anyhow; seconds. A pipe holds a third of that.
const pauseS = 1.0

// wildLevel is what no recorder writes, times full scale.
const wildLevel = 16

// liveInput hands samples to the session and notices what became of them on their
// way. Times are those of a clock, seconds from the beginning.
type liveInput struct {
	*live.Session
	watch *live.Watch
	pace  *live.Pace // nil: the source is a file, which waits
	rate  dsp.Rate
	last  float64             // when the last samples came
	say   func(string)        // what is to be said
	told  map[string]struct{} // what was said, and is not said again
	other bool                // samples come at another rate
}

func newLiveInput(s *live.Session, rate dsp.Rate, channels int, timed bool, say func(string)) *liveInput {
	l := &liveInput{Session: s, watch: live.NewWatch(channels), rate: rate, say: say, told: map[string]struct{}{}}
	if timed {
		l.pace = live.NewPace(rate)
	}
	return l
}

// push takes the next samples.
func (l *liveInput) push(x [][]float32, now float64) {
	if l.pace != nil {
		if silent := now - l.last; silent > pauseS && l.Samples() > 0 {
			l.Lost(silent)
			l.pace.Restart()
			l.say(fmt.Sprintf("Nothing came in for %.0f s: the recorder stood still, or the computer slept. What was read before is kept; across the pause nothing is measured.", silent))
		}
		if lost := l.pace.Take(len(x[0]), now); lost > 0 {
			l.Miss()
			l.say(fmt.Sprintf("About %.1f s of samples were lost a few seconds ago: the recorder did not keep up. End other programs, or ask it for larger blocks.", lost))
		}
		hz, other := l.pace.OtherRate()
		if other && !l.other {
			l.say(fmt.Sprintf("Samples come at about %.0f a second, not %.0f: speeds and delays are wrong by %.0f %%. Give the recorder and sparkscope the same rate.", 100*math.Round(hz/100), float64(l.rate), 100*math.Abs(hz/float64(l.rate)-1)))
		}
		l.other = other
		l.last = now
	}
	for _, c := range x {
		for _, v := range c {
			if v > wildLevel || v < -wildLevel {
				l.once("wild", "Samples are many times full scale: most likely they are of another form than was said.")
				break
			}
		}
	}
	from := 0
	part := make([][]float32, len(x))
	push := func(to int) {
		if to > from {
			for c := range x {
				part[c] = x[c][from:to]
			}
			l.Push(part)
			from = to
		}
	}
	for _, k := range l.watch.Look(x, -1) {
		push(k)
		l.Break()
		l.once("silence", "The input put silence in where samples were missing. Across that nothing is measured; it is counted.")
	}
	push(len(x[0]))
}

// once says something the first time.
func (l *liveInput) once(key, text string) {
	if _, ok := l.told[key]; !ok {
		l.told[key] = struct{}{}
		l.say(text)
	}
}

// read is what to show now.
func (l *liveInput) read(now float64) live.Reading {
	silent := 0.0
	if l.pace != nil {
		silent = now - l.last
	}
	r := l.ReadAfter(silent)
	if l.Tears() > 0 {
		l.once("tears", "The engine's rhythm jumps as where samples are missing: the recorder left some out, or put some in twice. The turns about such a place are left out; it is counted.")
	}
	return r
}

// stopwatch tells seconds from now on by the clock that goes on while a computer
// sleeps as well as by the one that nobody sets: by the later of them.
func stopwatch() func() float64 {
	begun, last := time.Now(), 0.0
	return func() float64 {
		now := time.Now()
		last = max(last, now.Sub(begun).Seconds(), now.Round(0).Sub(begun.Round(0)).Seconds())
		return last
	}
}
