package study

import (
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/analysis/live"
	"sparkscope/dsp"
)

// Aims of the live instrument.
const (
	AimMedianS = 0.100 // from spark to figure, less two revolutions
	AimMostS   = 0.250 // the same, of 99 % of the sparks
	AimTurnS   = 1.5   // from a turn of the plate to the right word
	AimShare   = 0.25  // of one processor core
	AimReplay  = 0.02  // degrees between a settled reading and measure
	AimGrowth  = 1.0   // MiB by which the heap may grow from the first hour on
)

// Times are how a live source and who looks at it behave, seconds.
type Times struct {
	BlockS float64 // samples come in blocks of that length, each when it is complete
	TickS  float64 // from one look to the next
	// Tables are shared by what Replays compares, which is not timed; nil: by nothing.
	Tables *dsp.Tables
	// Clock is the processing time used so far, seconds: that of the processor,
	// where it can be told.
	Clock func() float64
}

// blocks hands a recording over block by block.
type blocks struct {
	src  interface{ Next([][]float64) (int, bool) }
	wide [][]float64
	x    [][]float32
}

func newBlocks(src interface {
	Next([][]float64) (int, bool)
	Channels() int
}, n int) *blocks {
	b := &blocks{src: src}
	for range src.Channels() {
		b.wide, b.x = append(b.wide, make([]float64, n)), append(b.x, make([]float32, n))
	}
	return b
}

// next is the next block; nil at the end, where what is no whole block is left out.
func (b *blocks) next() [][]float32 {
	n, _ := b.src.Next(b.wide)
	if n < len(b.wide[0]) {
		return nil
	}
	for c, w := range b.wide {
		for i, v := range w {
			b.x[c][i] = float32(v)
		}
	}
	return b.x
}

// listener plays a recording to a session as the command live does: one who does
// everything in turn takes a block when it is complete and looks at every tick.
// What it is at takes its time, and what comes meanwhile waits.
//
// The clock is the stream's: a block is complete when its last sample was
// recorded. To that the processing time that was measured is added, by which the
// next thing, and what a look shows, comes later.
func (t Times) listen(s *live.Session, src *blocks, rate dsp.Rate, shown func(r live.Reading, atS float64)) {
	const phaseS = 0.007 // looks and blocks do not keep step
	n := len(src.x[0])
	free := 0.0 // when it has done all before
	look := t.TickS + phaseS
	do := func(due float64, f func()) {
		at := t.Clock()
		f()
		free = math.Max(due, free) + math.Max(0, t.Clock()-at)
	}
	for i := 1; ; i++ {
		x := src.next()
		if x == nil {
			return
		}
		complete := float64(i) * float64(n) / float64(rate)
		for look < complete {
			var r live.Reading
			do(look, func() { r = s.Read() })
			shown(r, free)
			// A tick that came meanwhile waits; more than one are one.
			for look += t.TickS; look+t.TickS < free; look += t.TickS {
			}
		}
		do(complete, func() { s.Push(x) })
	}
}

// Delay is how long it took from sparks to their figure.
type Delay struct {
	RateHz, RPM      float64
	FirstS           float64 // when the first figure was shown
	Sparks           int     // from then on, but for those of the last second
	Median, P99, Top float64 // seconds, less two revolutions
	Busy             float64 // processing time over the time recorded
}

// Delays plays so many seconds of an engine at a steady speed. A spark has its
// figure with the first look whose last spark it is, or one before it.
func (t Times) Delays(rateHz, rpm, seconds float64, seed uint64) (d Delay, err error) {
	spec := scene.Default()
	spec.RateHz, spec.Seed, spec.Engine.Seed = rateHz, seed, seed
	spec.Engine.Profile, err = engine.ParseProfile(fmt.Sprintf("%g hold %gs", rpm, seconds))
	if err != nil {
		return d, err
	}
	truth, src, err := scene.Render(spec)
	if err != nil {
		return d, err
	}
	s, err := live.New(src.Rate(), src.Channels(), spec.Bits, liveSetup(spec, 18), live.Options{})
	if err != nil {
		return d, err
	}
	d = Delay{RateHz: rateHz, RPM: rpm}
	sparks := truth.Of(engine.Spark)
	const hair = 1e-3 // seconds: between two sparks lie ten times that at 6000 rpm
	next, waits := 0, []float64(nil)
	begun := t.Clock()
	t.listen(s, newBlocks(src, int(t.BlockS*rateHz)), src.Rate(), func(r live.Reading, at float64) {
		if !r.HasAngle {
			return
		}
		if d.FirstS == 0 {
			d.FirstS = at
			for next < len(sparks) && sparks[next].AppearsS < r.LastS-hair {
				next++
			}
		}
		for ; next < len(sparks) && sparks[next].AppearsS <= r.LastS+hair; next++ {
			if sparks[next].AppearsS < seconds-1 {
				waits = append(waits, at-sparks[next].AppearsS-2*60/rpm)
			}
		}
	})
	d.Busy = (t.Clock() - begun) / seconds
	// Sparks that were never shown have waited to the end.
	for ; d.FirstS > 0 && next < len(sparks) && sparks[next].AppearsS < seconds-1; next++ {
		waits = append(waits, seconds-sparks[next].AppearsS)
	}
	if d.Sparks = len(waits); d.Sparks == 0 {
		return d, fmt.Errorf("study: at %g Hz and %g rpm no spark was shown", rateHz, rpm)
	}
	slices.Sort(waits)
	d.Median, d.P99, d.Top = waits[len(waits)/2], waits[len(waits)*99/100], waits[len(waits)-1]
	return d, nil
}

// liveSetup is what is known of the engine of a spec, with a target.
func liveSetup(s scene.Spec, target float64) analysis.Setup {
	a, to, by := analysis.Degrees(s.Engine.ReferenceDeg), analysis.Degrees(target), analysis.Degrees(0.5)
	kind := analysis.Clamp
	if s.Contacts {
		kind = analysis.Contacts
	}
	return analysis.Setup{SparkKind: kind, ReferenceAngle: &a, Target: &to, Tolerance: &by}
}

// Turn is how long it took until the words were right after a turn of the plate.
type Turn struct {
	RPM          float64
	Every        int     // revolutions to a spark
	From, To     float64 // degrees early, before and after
	Turns        int
	Median, Most float64 // seconds; Most is infinite where they never were
}

// Turns turns the plate of an engine that idles, several times: from being so
// many degrees early to so many. The words are right from the look on after which
// no look says anything else until the end, which is four seconds later: early or
// late, as tenths of a degree say it; "on target" is wrong.
func (t Times) Turns(rpm float64, every int, from, to float64, turns int, seed uint64) (v Turn, err error) {
	v = Turn{RPM: rpm, Every: every, From: from, To: to, Turns: turns}
	const target, rate, before, after = 18.0, 48000, 6.0, 4.0
	var waits []float64
	for i := range turns {
		spec := scene.Default()
		spec.RateHz, spec.Seed, spec.Engine.Seed = rate, seed+uint64(i), seed+uint64(i)
		spec.Engine.EveryRevolutions = every
		spec.Engine.Advance = engine.Curve{{RPM: 1, AdvanceDeg: target + from}}
		// At another moment of a look's period each time.
		spec.Engine.TurnDeg, spec.Engine.TurnAtS = to-from, before+float64(i)*0.037
		if spec.Engine.Profile, err = engine.ParseProfile(fmt.Sprintf("%g hold %gs", rpm, before+after+1)); err != nil {
			return v, err
		}
		_, src, err := scene.Render(spec)
		if err != nil {
			return v, err
		}
		setup := liveSetup(spec, target)
		if every == 2 {
			setup.SparksPerRev = analysis.SparksPerRev{Num: 1, Den: 2}
		}
		s, err := live.New(rate, src.Channels(), spec.Bits, setup, live.Options{})
		if err != nil {
			return v, err
		}
		wait := math.Inf(1)
		t.listen(s, newBlocks(src, int(t.BlockS*rate)), rate, func(r live.Reading, at float64) {
			if at < spec.Engine.TurnAtS || at > spec.Engine.TurnAtS+after {
				return
			}
			tenths := math.Round(10 * float64(r.Deviation))
			right := r.HasTarget && !r.Stale && tenths*to > 0
			switch {
			case !right:
				wait = math.Inf(1)
			case math.IsInf(wait, 1):
				wait = at - spec.Engine.TurnAtS
			}
		})
		waits = append(waits, wait)
	}
	slices.Sort(waits)
	v.Median, v.Most = waits[len(waits)/2], waits[len(waits)-1]
	return v, nil
}

// Replay is how far live readings are from what measure says of the file.
type Replay struct {
	Name        string
	Looks       int     // with an angle that was not provisional
	Apart       float64 // the most that one of them is from measure's mean of the same sparks, degrees
	Early       int     // the same of provisional ones
	EarlyApart  float64
	Summary     float64 // the whole, live less measure, degrees
	Refused     string  // by measure; empty: it measures
	LiveRefused string  // by the session at its end
}

// ReplayCase is a recording to play.
type ReplayCase struct {
	Name   string
	change func(*scene.Spec)
}

// ReplayCases are recordings of every kind that live may meet.
func ReplayCases() []ReplayCase {
	speed := func(s *scene.Spec, text string) { s.Engine.Profile, _ = engine.ParseProfile(text) }
	const usual = "1300 hold 8s, swing 5000 in 4s, hold 2s, swing 1300 in 4s, hold 2s"
	return []ReplayCase{
		{"reed, 48 kHz", func(s *scene.Spec) { speed(s, usual) }},
		{"reed, 192 kHz", func(s *scene.Spec) { s.RateHz = 192000; speed(s, usual) }},
		{"Hall, swapped", func(s *scene.Spec) { s.Pickup, s.BounceS, s.Layout = scene.Hall, 0, scene.Swapped; speed(s, usual) }},
		{"coil", func(s *scene.Spec) { s.Pickup, s.BounceS = scene.Coil, 0; speed(s, usual) }},
		{"one input", func(s *scene.Spec) {
			s.Layout, s.Family, s.Engine.ReferenceDeg = scene.OneChannel, "decay", 50
			s.SparkLevel, s.ReferenceLevel, s.SparkInverted = 0.8, 0.25, true
			speed(s, usual)
		}},
		{"every second turn", func(s *scene.Spec) { s.Engine.EveryRevolutions = 2; speed(s, usual) }},
		{"missed and repeated", func(s *scene.Spec) {
			s.Engine.MissProbability, s.Engine.RepeatProbability = 0.05, 0.05
			speed(s, usual)
		}},
		{"hum, 30 dB", func(s *scene.Spec) { s.HumLevel, s.NoiseDB = 0.05, 30; speed(s, usual) }},
		{"turned plate, idle", func(s *scene.Spec) { s.Engine.TurnDeg, s.Engine.TurnAtS = 2, 14; speed(s, "1300 hold 20s") }},
	}
}

// Replays plays a recording and compares.
func (t Times) Replays(c ReplayCase, seed uint64) (v Replay, err error) {
	spec := scene.Default()
	spec.Seed, spec.Engine.Seed = seed, seed
	c.change(&spec)
	v = Replay{Name: c.Name}
	setup := liveSetup(spec, 18)
	_, src, err := scene.Render(spec)
	if err != nil {
		return v, err
	}
	rate := src.Rate()
	n := int(t.BlockS * float64(rate))
	l := ears(rate, src.Channels(), t.Tables)
	frames := 0
	for b := newBlocks(src, n); ; {
		x := b.next()
		if x == nil {
			break
		}
		frames += n
		l.Push(x) // which may change them
	}
	rec := analysis.Recording{SampleRateHz: float64(rate), Channels: src.Channels(), Bits: spec.Bits, Encoding: "pcm", DurationS: float64(frames) / float64(rate)}
	file, fileErr := analysis.Measure(rec, l.Finish(), setup)
	if fileErr != nil {
		v.Refused = fileErr.Error()
		return v, nil
	}
	var ok []analysis.Firing
	for _, f := range file.Firings {
		if f.Status == analysis.OK {
			ok = append(ok, f)
		}
	}
	if _, src, err = scene.Render(spec); err != nil {
		return v, err
	}
	s, err := live.New(rate, src.Channels(), spec.Bits, setup, live.Options{Tables: t.Tables})
	if err != nil {
		return v, err
	}
	t.listen(s, newBlocks(src, n), rate, func(r live.Reading, _ float64) {
		if !r.HasAngle || r.Stale {
			return
		}
		const hair = 1e-3
		k, _ := slices.BinarySearchFunc(ok, r.LastS+hair, func(f analysis.Firing, at float64) int {
			if f.TimeS < at {
				return -1
			}
			return 1
		})
		sum, many := 0.0, 0
		for _, f := range ok[max(0, k-r.N):k] {
			sum += circle.Wrap(float64(f.Advance - r.Advance))
			many++
		}
		if many == 0 {
			return
		}
		apart := math.Abs(sum / float64(many))
		if r.Provisional {
			v.Early++
			v.EarlyApart = math.Max(v.EarlyApart, apart)
		} else {
			v.Looks++
			v.Apart = math.Max(v.Apart, apart)
		}
	})
	end, err := s.Finish()
	if err != nil {
		v.LiveRefused = err.Error()
		return v, nil
	}
	v.Summary = circle.Wrap(float64(end.Advance.Mean - file.Advance.Mean))
	return v, nil
}

// Grow runs a session for hours and calls heap every so many, with the hours so
// far and the sparks counted, until it says false. What it hears is half a minute of an engine at 3000
// rpm, again and again.
func (t Times) Grow(hours, everyHours float64, seed uint64, heap func(hours float64, sparks int) (on bool)) error {
	const rate, loopS, lookS = 48000, 30, 1.0
	spec := scene.Default()
	spec.RateHz, spec.Seed, spec.Engine.Seed = rate, seed, seed
	spec.Engine.MissProbability, spec.Engine.RepeatProbability = 0.01, 0.01
	var err error
	if spec.Engine.Profile, err = engine.ParseProfile(fmt.Sprintf("3000 hold %ds", loopS)); err != nil {
		return err
	}
	_, src, err := scene.Render(spec)
	if err != nil {
		return err
	}
	var loop [][]float32
	for _, c := range src.All() {
		x := make([]float32, len(c))
		for i, v := range c {
			x[i] = float32(v)
		}
		loop = append(loop, x)
	}
	s, err := live.New(rate, len(loop), spec.Bits, liveSetup(spec, 18), live.Options{})
	if err != nil {
		return err
	}
	n := int(t.BlockS * rate)
	block := make([][]float32, len(loop))
	told, look := 0.0, lookS
	at, played := 0, 0
	for {
		m := min(n, len(loop[0])-at)
		for c := range loop {
			block[c] = loop[c][at : at+m]
		}
		s.Push(block)
		played += m
		at = (at + m) % len(loop[0])
		now := float64(played) / rate
		if now >= look {
			look += lookS
			s.Read()
		}
		if now/3600 >= told+everyHours {
			told += everyHours
			if on := heap(told, s.Read().Counts.Sparks); !on || told >= hours {
				return nil
			}
		}
	}
}
