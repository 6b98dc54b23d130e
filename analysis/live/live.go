// Package live reads the timing of an engine while it runs: blocks of samples
// in, readings out.
//
// It is the chain that measures a file (dsp.Live, then analysis.Measure over
// the last few seconds), asked again and again. Sample counts are the only
// clock: nothing here waits, and what comes out does not depend on how the
// samples are cut into blocks, but for when it is asked.
package live

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// State is what a session is doing.
type State string

// The states of a session.
const (
	Listening State = "listening" // nothing yet that could be spark and reference
	Unfit     State = "unfit"     // pulses, but no measurement of them: see Reading.Why
	Timing    State = "reading"   // sparks are being timed
	Quiet     State = "quiet"     // there were sparks; none has come for a while
	NoInput   State = "no input"  // no samples have come for a while, see Session.ReadAfter
)

// Options of a session; the zero value takes the defaults.
type Options struct {
	Sparks int     // whose mean is shown, 1 to 1000; 0: 20
	StripS float64 // of the past that Strip holds, seconds; 0: 60
	// Tables are what its detectors share, see there, also after a new beginning; nil: the
	// session makes its own.
	Tables *dsp.Tables
}

const (
	defaultSparks = 20
	defaultStripS = 60
	mostSparks    = 1000
	// windowS is the least and the most of the past that a reading is worked
	// out from, seconds: roles and rhythm want some turns, a long past costs.
	leastWindowS, mostWindowS = 2.5, 20
	// staleS is the age from which a reading is of the past, seconds.
	staleS = 1.0
	// keepS is what the session keeps of the pulses for its summary, seconds.
	keepS = 20 * 60
	// binRPM is the width of a range of speed in Curve.
	binRPM = 250
	// lateS is how long a spark takes to be settled: the references after it
	// must have come.
	lateTurns = 2.5
)

// Validate says what is wrong with the options, or nil.
func (o Options) Validate() error {
	if o.Sparks < 0 || o.Sparks > mostSparks {
		return fmt.Errorf("live: a mean of %d sparks: want 1 to %d", o.Sparks, mostSparks)
	}
	if !(o.StripS >= 0 && o.StripS <= 3600) {
		return fmt.Errorf("live: a strip of %g s: want 0 to 3600", o.StripS)
	}
	return nil
}

// Spark is a counted spark of the strip.
type Spark struct {
	TimeS   float64 // its onset as recorded
	RPM     float64
	Advance analysis.Degrees
}

// Level is how high a channel's signal is.
type Level struct {
	Peak    float64 // of the last two seconds, fraction of full scale, 0..1
	Highest float64 // since the beginning
	Low     bool    // in the last seconds, and since the beginning, nothing was higher than 3 %
	Clipped bool    // it was at the end stop in the last second
	Dead    bool    // nothing but zeros for a second
}

// Counts since the beginning.
type Counts struct {
	Sparks, Missed, Repeated int // counted; firings without one; further ones
}

// Speed is what is known of one range of speed since the beginning.
type Speed struct {
	FromRPM, ToRPM float64
	N              int
	Mean           analysis.Degrees
	StdDev         analysis.Degrees // 0 below two sparks
	MeanRPM        float64
}

// Reading is what to show now. Angles are valid where HasAngle is true.
type Reading struct {
	TimeS       float64 // of the recording, at which it was made
	State       State
	Why         string // for Unfit: what is wrong and what to change
	HasAngle    bool
	Provisional bool             // timing points may still move a little
	Relative    bool             // angles are relative to the reference
	N           int              // sparks in the mean: fewer than asked for at first, and after a turn of the plate
	Advance     analysis.Degrees // their mean
	Scatter     analysis.Degrees // their standard deviation, 0 below two
	// Expanded is how far the engine, as it is set now, may fire from Advance in
	// the mean, 95 %: what Measure knows not of any of its sparks, and the scatter
	// of those few that are in the mean. See HasExpanded.
	Expanded    analysis.Degrees
	HasExpanded bool
	RPM         float64 // at the last of them
	LastS       float64 // when the last of them came, recorded time
	AgeS        float64 // how long ago that is, with SilentS
	SilentS     float64 // how long no samples have come, as ReadAfter was told
	Stale       bool    // longer than a second: it is of the past
	HasTarget   bool
	Target      analysis.Degrees // at that speed
	Deviation   analysis.Degrees // mean less target, positive: early
	Settled     bool             // the deviation lies within the tolerance, with every delay that LateBy is of
	// LateBy is how much later than said the engine may truly fire, since nothing
	// was stated of the reference's delay, 0 or more: see analysis.OpenDelay.
	LateBy     analysis.Degrees
	Levels     []Level // by channel
	Counts     Counts
	Breaks     int     // gaps in what came in, so far
	LastBreakS float64 // when the last of them was; valid when Breaks > 0
	Same       bool    // two channels carry one signal
	Findings   []analysis.Finding
	Setup      analysis.Setup // as used: channels and kinds found
}

// Hangs says that nobody can tell from the reading how far to turn the plate:
// it is off its target, and what the reference's delay may shift is more than
// the ±.
func (r *Reading) Hangs() bool {
	return r.HasAngle && r.HasTarget && !r.Stale && !r.Settled && r.LateBy > 0 && !(r.HasExpanded && r.LateBy <= r.Expanded)
}

// Session follows one source.
type Session struct {
	rate     dsp.Rate
	channels int
	bits     int
	setup    analysis.Setup
	opt      Options
	in       *dsp.Live
	meters   []meter
	total    int64
	dropped  float64 // pulses before this are not looked at any more, samples
	forgot   float64 // and before this they are not kept, samples

	stored   float64 // time up to which sparks are in strip and curve, seconds
	strip    []Spark
	curve    map[int]*bin
	counts   Counts
	recent   []analysis.Firing // of the last measurement, ok ones
	last     *analysis.Result
	heard    []dsp.Train // that it was measured from
	lastErr  error
	found    bool // roles are settled
	breaks   int
	torn     int // of them, those that only the rhythm told of
	breakS   float64
	breakAt  []float64 // samples, of those breaks that lie in what is kept
	tornS    float64   // seconds, of the last that the engine's rhythm told of
	equal    int64     // frames since the two channels last differed
	differed bool
}

type bin struct {
	n             int
	mean, m2, rpm float64
}

// tenths is how many parts of a second a meter takes apart.
const tenths = 10

// lowLevel is the highest sample, fraction of full scale, below which an input is
// said to be very low: by then five of sixteen bits lie idle.
const lowLevel = 0.03

// meter follows a channel's level.
type meter struct {
	peaks            [2 * tenths]float64 // of the last two seconds' tenths, in a ring
	next             int
	highest          float64
	current          float64
	filled           int
	clipped, nonzero int64 // sample at which it was last so; -1: never
}

// New makes a session for a source of one rate. bits is what a sample has, 0
// for floating point. The error is that of the setup or the options.
func New(rate dsp.Rate, channels, bits int, setup analysis.Setup, opt Options) (*Session, error) {
	if err := setup.Validate(); err != nil {
		return nil, err
	}
	if err := opt.Validate(); err != nil {
		return nil, err
	}
	if !(rate >= 8000 && rate <= 768000) || channels < 1 || channels > 8 {
		return nil, fmt.Errorf("live: %d channels at %g Hz: want 1 to 8, at 8000 to 768 000", channels, float64(rate))
	}
	if opt.Sparks == 0 {
		opt.Sparks = defaultSparks
	}
	if opt.StripS == 0 {
		opt.StripS = defaultStripS
	}
	if opt.Tables == nil {
		opt.Tables = dsp.NewTables()
	}
	s := &Session{rate: rate, channels: channels, bits: bits, setup: setup, opt: opt}
	s.begin()
	s.meters = make([]meter, channels)
	for c := range s.meters {
		s.meters[c].clipped, s.meters[c].nonzero = -1, -1
	}
	return s, nil
}

// begin starts listening afresh, from the present position on.
func (s *Session) begin() {
	var o []dsp.Options
	for c := range s.channels {
		o = append(o, s.setup.Listening(c+1))
		o[c].Tables = s.opt.Tables
	}
	s.in = dsp.NewLive(s.rate, s.channels, o)
	s.curve = map[int]*bin{}
	s.strip, s.recent, s.last = nil, nil, nil
	s.counts = Counts{}
	s.stored, s.dropped, s.forgot = math.Inf(-1), 0, 0
	s.found = false
}

// Reset forgets what was read so far, but for the shapes of the pulses.
func (s *Session) Reset() {
	now := s.seconds()
	s.curve, s.strip, s.recent, s.counts = map[int]*bin{}, nil, nil, Counts{}
	s.stored = now
	s.dropped = float64(s.in.Samples())
	for c := range s.meters {
		s.meters[c].highest = 0
	}
}

// SetSparks changes the number of sparks in the mean, 1 to 1000.
func (s *Session) SetSparks(n int) { s.opt.Sparks = max(1, min(n, mostSparks)) }

func (s *Session) seconds() float64 { return float64(s.total) / float64(s.rate) }

// Push takes the next samples, fractions of full scale, one slice per channel,
// all of a length. It keeps none of them and changes none.
func (s *Session) Push(block [][]float32) {
	if len(block) != s.channels || len(block[0]) == 0 {
		return
	}
	n := len(block[0])
	for c := range block {
		s.meters[c].take(block[c], s.total, s.rate)
	}
	if s.channels == 2 {
		same := true
		for i, v := range block[0] {
			if v != block[1][i] {
				same = false
				break
			}
		}
		if same {
			s.equal += int64(n)
		} else {
			s.equal, s.differed = 0, true
		}
	}
	s.in.Push(block)
	s.total += int64(n)
	if over := float64(s.total) - keepS*float64(s.rate); over > s.dropped+60*float64(s.rate) {
		s.dropped, s.forgot = over, over
		s.in.Forget(over)
		k, _ := slices.BinarySearch(s.breakAt, over)
		s.breakAt = s.breakAt[:copy(s.breakAt, s.breakAt[k:])]
	}
}

// Break says that samples were lost before the next ones: what was found up to
// now stays, and nothing is measured across the gap.
func (s *Session) Break() { s.Lost(0) }

// Lost is Break where it is known for how long nothing came in, in seconds: by so
// much what is in the strip is longer ago.
func (s *Session) Lost(seconds float64) {
	s.breaks++
	s.breakS = s.seconds()
	s.dropped = float64(s.in.Samples())
	s.recent = nil
	if seconds > 0 && !math.IsInf(seconds, 0) {
		for i := range s.strip {
			s.strip[i].TimeS -= seconds
		}
	}
	s.breakAt = append(s.breakAt, s.dropped)
}

// Miss counts a break that was noticed only now, somewhere in the last seconds:
// nothing is given up for it. One that the engine's rhythm has told of since then
// is counted already.
func (s *Session) Miss() {
	if s.torn > 0 && s.seconds()-s.tornS < 2*paceS+1 {
		return
	}
	s.breaks++
	s.breakS = s.seconds()
}

// Tears is how many of the breaks, so far, only the engine's rhythm told of.
func (s *Session) Tears() int { return s.torn }

// tear counts the breaks that the rhythm tells of. The same ones come again from
// one reading to the next, their moments hardly moved.
func (s *Session) tear(missing []analysis.Missing) {
	const same = 0.02 // seconds; turns that last less follow too closely to agree
	for _, x := range missing {
		if x.What != analysis.MissingSamples || x.TimeS <= s.tornS+same {
			continue
		}
		s.tornS = x.TimeS
		s.torn++
		s.breaks++
		s.breakS = x.TimeS
	}
}

// Samples is how many samples came in so far, per channel.
func (s *Session) Samples() int64 { return s.total }

func (m *meter) take(x []float32, at int64, rate dsp.Rate) {
	tenth := max(1, int(rate)/tenths)
	for i, v := range x {
		a := math.Abs(float64(v))
		if a > m.current {
			m.current = a
		}
		if a >= 0.999 {
			m.clipped = at + int64(i)
		}
		if a > 0 {
			m.nonzero = at + int64(i)
		}
		if m.filled++; m.filled == tenth {
			m.peaks[m.next] = m.current
			m.next = (m.next + 1) % len(m.peaks)
			m.highest = math.Max(m.highest, m.current)
			m.current, m.filled = 0, 0
		}
	}
}

// Read works out what to show now. It costs a few milliseconds.
func (s *Session) Read() Reading { return s.ReadAfter(0) }

// ReadAfter is Read where no samples have come for so many seconds, of which the
// session, whose clock is the samples, knows nothing: what it shows is older by
// them.
func (s *Session) ReadAfter(silentS float64) Reading {
	r := s.read(math.Max(0, silentS))
	if r.SilentS > staleS {
		r.State = NoInput
		for c := range r.Levels {
			r.Levels[c].Peak = 0
		}
	}
	return r
}

func (s *Session) read(silentS float64) Reading {
	now := s.seconds()
	r := Reading{TimeS: now, State: Listening, Provisional: s.in.Provisional(), Breaks: s.breaks, LastBreakS: s.breakS, SilentS: silentS, Setup: s.setup}
	for c := range s.meters {
		m := &s.meters[c]
		r.Levels = append(r.Levels, Level{
			Peak: math.Max(slices.Max(m.peaks[:]), m.current), Highest: math.Max(m.highest, m.current),
			Clipped: m.clipped >= 0 && float64(s.total-m.clipped) < float64(s.rate),
			Low:     math.Max(m.highest, math.Max(slices.Max(m.peaks[:]), m.current)) < lowLevel && now > 2,
			Dead:    float64(s.total-m.nonzero) > float64(s.rate) && now > 1,
		})
	}
	// Two silent channels are alike too, and nothing is said by that.
	r.Same = s.channels == 2 && float64(s.equal) > float64(s.rate) && !r.Levels[0].Dead
	s.measure(now)
	r.Counts = s.counts
	if s.last != nil {
		r.Setup, r.Relative, r.Findings = s.last.Setup, s.last.Relative, s.last.Findings
	}
	// Sparks that left the mean still say where it was before.
	all := s.recent[max(0, len(s.recent)-s.opt.Sparks*3/2-leastMoved):]
	shown := all[max(moved(all), len(all)-s.opt.Sparks):]
	if len(shown) == 0 {
		if s.lastErr != nil && now-s.dropped/float64(s.rate) > leastWindowS {
			r.State, r.Why = Unfit, s.lastErr.Error()
		}
		return r
	}
	lastOne := shown[len(shown)-1]
	mean, sd := circular(shown)
	r.HasAngle, r.N, r.Advance, r.Scatter = true, len(shown), analysis.Degrees(mean), analysis.Degrees(sd)
	r.RPM, r.LastS = lastOne.RPM, lastOne.TimeS
	r.AgeS = math.Max(0, now-lastOne.TimeS) + silentS
	r.Stale = r.AgeS > math.Max(staleS, 2.5*60/math.Max(1, lastOne.RPM))
	r.State = Timing
	if r.Stale {
		r.State = Quiet
	}
	if s.last != nil {
		r.Expanded, r.HasExpanded = expanded(s.last.Advance, len(shown), sd)
	}
	if t, ok := s.setup.TargetAt(r.RPM); ok && !r.Relative {
		r.HasTarget, r.Target = true, t
		r.Deviation = analysis.Degrees(circle.Wrap(mean - float64(t)))
		r.LateBy = analysis.LateBy(analysis.OpenDelay(r.Findings), r.RPM)
		r.Settled = s.setup.Tolerance != nil && math.Max(math.Abs(float64(r.Deviation)), math.Abs(float64(r.Deviation-r.LateBy))) <= float64(*s.setup.Tolerance)
	}
	return r
}

// measure measures the last few seconds and takes in the sparks that have
// settled since.
func (s *Session) measure(now float64) {
	window := leastWindowS
	if n := len(s.recent); n > 1 {
		// Room for the mean, and for missed sparks.
		per := (s.recent[n-1].TimeS - s.recent[0].TimeS) / float64(n-1)
		window = math.Max(leastWindowS, 1.6*per*float64(s.opt.Sparks+4))
	} else if s.lastErr != nil {
		window = mostWindowS / 2 // slow, perhaps
	}
	window = math.Min(window, mostWindowS)
	from := math.Max(float64(s.total)-window*float64(s.rate), s.dropped)
	trains := s.in.Snapshot(from)
	s.heard = trains
	if trains == nil {
		s.lastErr = nil
		return
	}
	setup := s.setup
	if s.found && s.last != nil {
		setup.SparkChannel, setup.ReferenceChannel = s.last.Setup.SparkChannel, s.last.Setup.ReferenceChannel
		setup.ReferenceKind = s.last.Setup.ReferenceKind
	}
	rec := s.recording()
	res, err := analysis.Measure(rec, trains, setup)
	if err != nil {
		s.lastErr = err
		if now-s.newest() > staleS {
			s.found = false // another lead may have been plugged in
		}
		return
	}
	s.lastErr = nil
	s.last = res
	s.found = res.Counts.OK >= 10
	ok := res.Firings[:0:0]
	for _, f := range res.Firings {
		if f.Status == analysis.OK {
			ok = append(ok, f)
		}
	}
	s.tear(res.Missing)
	s.recent = ok
	s.take(res, now)
}

// newest is when the last spark came that was counted, seconds.
func (s *Session) newest() float64 {
	if n := len(s.recent); n > 0 {
		return s.recent[n-1].TimeS
	}
	return math.Inf(-1)
}

// take adds the sparks that no later look will change to strip, curve and
// counts.
func (s *Session) take(res *analysis.Result, now float64) {
	if len(s.recent) == 0 {
		return
	}
	settled := s.recent[len(s.recent)-1].TimeS - lateTurns*60/math.Max(30, s.recent[len(s.recent)-1].RPM)
	for _, f := range res.Firings {
		if f.TimeS <= s.stored || f.TimeS > settled {
			continue
		}
		switch f.Status {
		case analysis.Repeated:
			s.counts.Repeated++
		case analysis.OK:
			s.counts.Sparks++
			s.strip = append(s.strip, Spark{f.TimeS, f.RPM, f.Advance})
			k := int(math.Floor(f.RPM / binRPM))
			b := s.curve[k]
			if b == nil {
				b = &bin{mean: float64(f.Advance)}
				s.curve[k] = b
			}
			b.n++
			d := circle.Wrap(float64(f.Advance) - b.mean)
			b.mean = circle.Wrap(b.mean + d/float64(b.n))
			b.m2 += d * circle.Wrap(float64(f.Advance)-b.mean)
			b.rpm += (f.RPM - b.rpm) / float64(b.n)
		}
	}
	for _, x := range res.Missing {
		if x.What == "spark" && x.TimeS > s.stored && x.TimeS <= settled {
			s.counts.Missed++
		}
	}
	s.stored = math.Max(s.stored, settled)
	old := now - s.opt.StripS
	k := 0
	for k < len(s.strip) && s.strip[k].TimeS < old {
		k++
	}
	s.strip = s.strip[:copy(s.strip, s.strip[k:])]
}

// Strip is the last minute (Options.StripS), spark by spark, in time order. The
// slice is the caller's.
func (s *Session) Strip() []Spark { return slices.Clone(s.strip) }

// Heard are the pulses of the last seconds that the last Read looked at, by
// channel; nil before any were learned. They are only to be looked at, and only
// until the next Read.
func (s *Session) Heard() []dsp.Train { return s.heard }

// Curve is advance by speed since the beginning or the last Reset, in order of
// speed.
func (s *Session) Curve() []Speed {
	var out []Speed
	for k, b := range s.curve {
		v := Speed{FromRPM: float64(k) * binRPM, ToRPM: float64(k+1) * binRPM, N: b.n, Mean: analysis.Degrees(b.mean), MeanRPM: b.rpm}
		if b.n > 1 {
			v.StdDev = analysis.Degrees(math.Sqrt(math.Max(0, b.m2/float64(b.n-1))))
		}
		out = append(out, v)
	}
	slices.SortFunc(out, func(a, b Speed) int { return cmp.Compare(a.FromRPM, b.FromRPM) })
	return out
}

// recording describes what came in so far.
func (s *Session) recording() analysis.Recording {
	encoding := "pcm"
	if s.bits == 0 {
		encoding = "float"
	}
	rec := analysis.Recording{SampleRateHz: float64(s.rate), Channels: s.channels, Bits: s.bits, Encoding: encoding, DurationS: s.seconds()}
	if s.forgot > 0 {
		rec.Remarks = append(rec.Remarks, fmt.Sprintf("The first %.0f s are left out of this: while it listens, the pulses of about the last %d minutes are kept. Measure the recording for all of it.", s.forgot/float64(s.rate), keepS/60))
	}
	return rec
}

// Finish ends the session and measures all of it that was kept, about the last
// twenty minutes; of what is longer a remark says what was left out. For what is
// shorter, and without a gap, it is what Measure says
// of the file.
func (s *Session) Finish() (*analysis.Result, error) {
	trains := s.in.Finish()
	rec := s.recording()
	if s.breaks == 0 {
		return analysis.Measure(rec, trains, s.setup)
	}
	rec.Remarks = append(rec.Remarks, fmt.Sprintf("Samples were lost %d times while listening, the last time at %.1f s.", s.breaks, s.breakS))
	// Nobody knows how far the engine turned meanwhile, and a rhythm that by chance
	// goes on must not bridge it: each gap is made so long that none does.
	late := func(pos float64) float64 { // seconds by which a position is put off
		k, _ := slices.BinarySearch(s.breakAt, pos)
		return float64(k) * apartS
	}
	for c := range trains {
		for i := range trains[c].Pulses {
			p := &trains[c].Pulses[i]
			p.Pos += late(p.Pos) * float64(s.rate)
		}
	}
	res, err := analysis.Measure(rec, trains, s.setup)
	if err != nil {
		return nil, err
	}
	begins := make([]float64, len(s.breakAt)) // of what follows a gap, as it was put off
	for k, at := range s.breakAt {
		begins[k] = at/float64(s.rate) + float64(k)*apartS + apartS/2
	}
	back := func(t *float64) {
		k, _ := slices.BinarySearch(begins, *t)
		*t -= float64(k) * apartS
	}
	for i := range res.Firings {
		back(&res.Firings[i].TimeS)
	}
	for i := range res.Missing {
		back(&res.Missing[i].TimeS)
	}
	for i := range res.Findings {
		back(&res.Findings[i].FirstS)
	}
	return res, nil
}

// expanded is the ± of a mean of n sparks that scatter by sd, as where the engine
// fires: the budget of those that Measure was given, with the scatter of these in
// the place of their random timing, which is in it. Degrees of freedom are n-1
// (JCGM 100:2008, 4.2 and G.4). There is none for one spark.
func expanded(of analysis.Summary, n int, sd float64) (u analysis.Degrees, ok bool) {
	if !of.HasExpanded || of.Budget == nil || n < 2 {
		return 0, false
	}
	parts := []analysis.Component{{Source: "scatter of the sparks shown", Kind: "A", Std: analysis.Degrees(sd / math.Sqrt(float64(n))), Dof: float64(n - 1), Distribution: analysis.Normal}}
	for _, c := range of.Budget.Components {
		if c.Quantity != analysis.RandomQuantity {
			parts = append(parts, c)
		}
	}
	return analysis.NewBudget(parts).Expanded, true
}

// apartS is how far apart what lies on either side of a gap is put for the
// summary, seconds.
const apartS = 30

// circular is the mean of advances about their circular mean, wrapped, and
// their standard deviation (n-1; 0 below two).
func circular(f []analysis.Firing) (mean, sd float64) {
	deg := make([]float64, len(f))
	for i := range f {
		deg[i] = float64(f[i].Advance)
	}
	centre, _ := circle.Mean(deg)
	sum := 0.0
	for i := range f {
		sum += circle.Wrap(float64(f[i].Advance) - centre)
	}
	m := sum / float64(len(f))
	ss := 0.0
	for i := range f {
		d := circle.Wrap(float64(f[i].Advance)-centre) - m
		ss += d * d
	}
	if len(f) > 1 {
		sd = math.Sqrt(ss / float64(len(f)-1))
	}
	return circle.Wrap(centre + m), sd
}
