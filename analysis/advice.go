package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis/circle"
)

// Threshold is a limit beyond which something about the engine becomes a
// finding. All are in Thresholds; the code reads its limits from the same
// constants.
type Threshold struct {
	Code     string  // of the finding
	Quantity string  // what is compared with Value
	Unit     string  // of Value: "°", "%", "times", "s" …
	Value    float64 // the limit
	Source   string  // where it comes from
	// Main says that it is the one that the fault's own size is held against:
	// study findings tries faults of 0.5 to 2 times it. The others are
	// conditions besides.
	Main bool
}

// Limits of what an engine may do before it is said, fixed before they were
// tried (study findings prints how they do).
const (
	scatterLimit   = 1.5  // degrees, standard deviation
	scatterZ       = 2    // of its own standard deviations beyond that
	alternateLimit = 1.0  // degrees between firings by turns
	growthLimit    = 2.0  // scatter at the fastest third over that at the slowest
	growthLeast    = 0.7  // degrees, scatter at the top below which growth does not matter
	growthApart    = 1.3  // slowest speed of the fastest third over the fastest of the slowest
	growthFloor    = 0.05 // degrees, that the slowest third's scatter is taken for at least, how sure it is
	driftLimit     = 1.0  // degrees from the beginning to the end
	stickLimit     = 1.0  // degrees between rising and falling speed
	stickShare     = 0.5  // of that, which the whole recording must show too
	stickNear      = 0.05 // of the speed, within which a spark is around it
	stickZ         = 3    // of its standard deviations, how sure that must be, in the same direction
	breakUpLimit   = 0.05 // share of the firings that fail above some speed
	breakUpTimes   = 3    // and how many times that below it
	breakUpLeast   = 3    // missed sparks
	breakUpApart   = 1.02 // that speed over the slowest
	breakUpStopS   = 2.0  // seconds without a spark: the engine stopped, and misses in them are not the ignition's
	bounceLimit    = 0.05 // share of the firings with a further spark
	bounceLeast    = 5    // further sparks
	offBySpeed     = 1.0  // tolerances that one range of speed may lie from the target
	advancedLimit  = 3.0  // degrees beyond target and tolerance, or the target alone
	advancedMost   = 90.0 // degrees: farther off it is another event that was measured
	advancedLeast  = 3    // sparks of a bin that may say it
	offsetAlike    = 1.0  // degrees that a bin may differ from the mean offset and still be alike,
	offsetShare    = 0.5  // or this share of the offset, where that is more
	offsetLeast    = 5    // sparks of a bin that must be alike
	offsetMost     = 30.0 // degrees: farther off no plate reaches
	mixUpWindow    = 2.5  // degrees within which an answer fits a mix-up
	mixUpApart     = 5.0  // degrees from the target at which a mix-up is thought of
	minusLeast     = 3.0  // degrees, a target whose sign matters
	slowRPM        = 150  // below it an engine is turned, and does not run
)

// Significance beyond which chance is ruled out: at 4.5 standard deviations it
// makes one false finding in 150 000 looks; the likelihood ratio of the same
// rarity is 10 (half the square).
const (
	sureZ      = 4.5
	beyondZ    = 8 // "beyond doubt"
	sureRatio  = 10
	leastLook  = 20   // sparks below which nothing is said about the engine's habits
	leastAngle = 1e-3 // of the square of its angle, that time and way of the speed must be apart to be told apart
)

const practice = "common practice, no source"

// Thresholds is the table of all limits, for the help and for the study that
// tries them.
func Thresholds() []Threshold {
	const chance = "chance: one false finding in 150 000 looks (normal distribution)"
	const few = "fewer say nothing of a habit; " + practice
	return []Threshold{
		{"timing-offset", "distance of the mean from the target, alike at all speeds", "tolerance", 1, "the tolerance that the owner states", true},
		{"timing-offset", "a range of speed differs from the mean distance by less than", "°", offsetAlike, practice, false},
		{"timing-offset", "or by less than this share of it", "%", 100 * offsetShare, practice, false},
		{"timing-offset", "sparks in a range of speed that is looked at", "sparks", offsetLeast, few, false},
		{"timing-offset", "at most, as far as a plate reaches", "°", offsetMost, practice, false},
		{"offset-by-speed", "distance of the farthest range of speed from the target, not alike at all speeds", "tolerance", offBySpeed, "the tolerance that the owner states", true},
		{"timing-scatter", "standard deviation without that of the timing", "°", scatterLimit, practice + "; an ignition with contacts in order stays below 1°", true},
		{"timing-scatter", "beyond it by so many standard deviations of its own", "times", scatterZ, "95 % of a normal distribution", false},
		{"alternating", "difference between firings by turns", "°", alternateLimit, practice, true},
		{"scatter-grows", "scatter in the fastest third over that in the slowest", "times", growthLimit, practice, true},
		{"scatter-grows", "scatter in the fastest third at least", "°", growthLeast, practice + "; what an ignition in order has", false},
		{"scatter-grows", "speed of the fastest third over that of the slowest", "times", growthApart, practice, false},
		{"scatter-grows", "least scatter that the slowest third is taken to have", "°", growthFloor, practice + "; keeps the ratio finite", false},
		{"drift", "change from beginning to end at equal speed", "°", driftLimit, practice, true},
		{"sticking", "difference between rising and falling speed", "°", stickLimit, practice, true},
		{"sticking", "share of it that the whole recording shows too", "%", 100 * stickShare, practice, false},
		{"sticking", "a spark is around the speed within", "%", 100 * stickNear, practice + "; for the times that are said only", false},
		{"sticking", "by so many of its standard deviations", "times", stickZ, "99.7 % of a normal distribution", false},
		{"break-up", "share of the firings without a spark above some speed", "%", 100 * breakUpLimit, practice, true},
		{"break-up", "that share over the one below the speed", "times", breakUpTimes, practice, false},
		{"break-up", "missed sparks", "sparks", breakUpLeast, few, false},
		{"break-up", "the speed over the slowest one", "times", breakUpApart, practice, false},
		{"break-up", "time without a spark that is taken for a stop", "s", breakUpStopS, practice, false},
		{"break-up", "logarithm of the likelihood ratio", "times", sureRatio, chance, false},
		{"contact-bounce", "share of the firings with a further spark", "%", 100 * bounceLimit, practice, true},
		{"contact-bounce", "further sparks", "sparks", bounceLeast, few, false},
		{"too-advanced", "how far beyond target and tolerance", "°", advancedLimit, practice, true},
		{"too-advanced", "at most: farther off is another event", "°", advancedMost, practice, false},
		{"too-advanced", "sparks in the range of speed", "sparks", advancedLeast, few, false},
		{"too-advanced", "speed below which an engine is turned and cannot knock", "rpm", slowRPM, practice, false},
		{"mix-ups", "distance from what a slip would make of the target", "°", mixUpWindow, practice, false},
		{"mix-ups", "distance from the target itself", "°", mixUpApart, practice, false},
		{"minus-target", "size of the target", "°", minusLeast, practice, false},
		{"all", "standard deviations beyond nothing", "times", sureZ, chance, false},
		{"all", "the same, to be called beyond doubt", "times", beyondZ, "one in 10^15 (normal distribution)", false},
		{"all", "sparks before anything is said of habits", "sparks", leastLook, few, false},
		{"drift, sticking", "how far time and way of the speed are apart, squared sine", "%", 100 * leastAngle, "below it rounding decides which of the two it is", false},
	}
}

// habits is what the counted sparks look like to somebody who looks for a
// cause: in time order, about each bin's own line.
type habits struct {
	t, rpm, r, sigma []float64 // seconds, rpm, degrees, degrees
	rev              []int
}

func (m *measurement) habits() habits {
	var h habits
	k := 0
	for i := range m.res.Firings {
		f := &m.res.Firings[i]
		if f.Status != OK {
			continue
		}
		if k < len(m.resid) {
			h.t = append(h.t, f.TimeS)
			h.rpm = append(h.rpm, f.RPM)
			h.r = append(h.r, m.resid[k])
			h.sigma = append(h.sigma, float64(f.Sigma))
			h.rev = append(h.rev, f.Revolution)
		}
		k++
	}
	return h
}

// advise adds what is to be said of the engine itself: what it does, how sure
// that is, and what to do next. It is help, not an oracle.
// unsure says that a finding leaves no verdict standing.
func (m *measurement) advise(unsure bool) {
	h := m.habits()
	m.setting(m.mixUps(), unsure)
	if len(h.r) >= leastLook {
		alternating := m.alternating(&h)
		m.scattered(&h, alternating)
		if c, ok := m.course(&h); ok {
			m.drift(&h, c)
			m.sticking(&h, c)
		}
	}
	m.breakUp(&h)
	m.bounce()
}

// recorderFirst puts what a recorder does to the pulses beside the answer where something
// is said of the engine: it moves and hides pulses, which looks like a fault of the engine's.
func recorderFirst(engine, health []Finding) {
	if !slices.ContainsFunc(engine, func(f Finding) bool { return f.Engine && f.Severity != Note }) {
		return
	}
	said := false
	for i := range health {
		if f := &health[i]; f.Severity == Warning && (f.Code == "noise-suppression" || f.Code == "gain-pumping") {
			f.Beside = true
			// At the first: a sheet has not room for all.
			if !said {
				f.Message += " Do that and record again before you look for a cause in the engine."
			}
			said = true
		}
	}
}

// ofEngine is find for what is said of the engine, with what to do about it.
func (m *measurement) ofEngine(code string, sev Severity, count int, first float64, format string, args ...any) {
	m.find(code, sev, count, first, format, args...)
	m.res.Findings[len(m.res.Findings)-1].Engine = true
}

// sureWord says how sure a finding is, from how many of its own standard
// deviations it lies beyond nothing.
func sureWord(z float64) string {
	switch {
	case z > beyondZ:
		return "beyond doubt"
	case z > sureZ:
		return "almost surely"
	}
	return "probably"
}

// where is the range of speed and of time over which sparks were looked at.
func (m *measurement) where() string {
	from, to := 0.0, 0.0
	n := 0
	for i := range m.res.Firings {
		if f := &m.res.Firings[i]; f.Status == OK {
			if n == 0 {
				from = f.TimeS
			}
			to = f.TimeS
			n++
		}
	}
	return fmt.Sprintf("from %.0f to %.0f rpm, %.1f to %.1f s of the recording", m.res.MinRPM, m.res.MaxRPM, from, to)
}

// plate is how to move the contact plate: see Breaker.Turn.
func (m *measurement) plate(d float64) string { return m.given.Breaker.Turn(Degrees(d)) }

// Plate is by how many degrees of its own the contact plate moves so that the
// engine fires d crank degrees earlier (negative d: later), without a sign, and
// to which side: "clockwise" or "anticlockwise" seen from the flywheel side,
// empty where what is known of the engine does not say. ok is false, and by is
// crank degrees, where it is not known how fast the cam turns. Contacts open the
// earlier the farther the plate is turned against the cam.
func (b Breaker) Plate(d Degrees) (by Degrees, side string, ok bool) {
	by = Degrees(math.Abs(float64(d)))
	turns := b.CamTurnsPerRev
	if turns == nil {
		return by, "", false
	}
	// A cam on the crankshaft turns as the engine does; on a shaft of half speed
	// gears may turn it the other way.
	if *turns == 1 {
		side = b.Rotation
		if d > 0 {
			side = map[string]string{"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[side]
		}
	}
	return by * Degrees(*turns), side, true
}

// Turn is how to move the contact plate so that the engine fires d crank degrees
// earlier; negative d: later. It is a clause that begins with "turn the plate by".
func (b Breaker) Turn(d Degrees) string {
	way := "against the direction in which the cam turns"
	if d < 0 {
		way = "in the direction in which the cam turns"
	}
	by, side, ok := b.Plate(d)
	if !ok {
		return fmt.Sprintf("turn the plate by %.1f° of the crankshaft %s (where the cam turns at half the crankshaft's speed, half as many degrees of the plate)", by, way)
	}
	if side != "" {
		way += " (" + side + ", seen from the flywheel side)"
	}
	rim := ""
	if b.PlateDiameterMM != nil {
		rim = fmt.Sprintf(" (%.1f mm at its rim)", math.Pi**b.PlateDiameterMM*float64(by)/360)
	}
	return fmt.Sprintf("turn the plate by %.1f°%s %s", by, rim, way)
}

// gap is how the contact gap helps where the plate does not reach: a wider one
// fires earlier, a narrower one later, as far as it is allowed.
func (m *measurement) gap(d float64) string {
	b := &m.given.Breaker
	how, most, bound := "a wider contact gap fires earlier", b.GapMaxMM, "up to"
	if d < 0 {
		how, most, bound = "a narrower contact gap fires later", b.GapMinMM, "down to"
	}
	switch {
	case most == nil:
		return fmt.Sprintf("If the plate is at its end, %s too, within the range that the maker states.", how)
	case b.GapMM == nil:
		return fmt.Sprintf("If the plate is at its end, %s too, %s the %.2f mm that are allowed.", how, bound, *most)
	case d > 0 && *b.GapMM >= *most || d < 0 && *b.GapMM <= *most:
		return fmt.Sprintf("If the plate is at its end, the contact gap does not help: it is set to %.2f mm, and %.2f mm is the limit.", *b.GapMM, *most)
	}
	return fmt.Sprintf("If the plate is at its end, %s too: %.2f mm is set, %s %.2f mm is allowed.", how, *b.GapMM, bound, *most)
}

// turn is the whole order to bring the timing by d degrees of the crank,
// positive: earlier.
func (m *measurement) turn(d float64) string {
	return m.plate(d) + ", tighten, and measure again: tightening moves it. " + m.gap(d)
}

// targetAt is the target at a speed; ok is false without one.
func (m *measurement) targetAt(rpm float64) (t float64, ok bool) {
	if m.res.Relative {
		return 0, false
	}
	a, ok := m.given.TargetAt(rpm)
	return float64(a), ok
}

// deviation is how the timing lies from the target, degrees, positive earlier.
type deviation struct {
	mean   float64 // over all counted sparks
	steady bool    // alike at all speeds
	// Of the bins that lie too early, the worst, and where they are.
	worst, worstU, worstRPM float64 // from the target, its expanded uncertainty, rpm
	// How early the earliest of them is even with the latest reference that is
	// possible, and its expanded uncertainty; see OpenDelay.
	atLeast, atLeastU float64
	fromRPM, toRPM    float64
	bins              []int // those of Result.Bins
	sparks            int
	// Of the bins that are looked at, those that fire the earliest and the
	// latest against the target.
	most, least apart
	looked      []apart // all of them
	open        float64 // how late the reference may be besides, seconds: see OpenDelay
}

// apart is how one bin lies from the target.
type apart struct{ deg, u, rpm float64 } // degrees, positive earlier; its expanded uncertainty; mean speed

// fromTarget is the deviation; ok is false without a target. tol is the
// tolerance, 0 where there is none.
func (m *measurement) fromTarget(tol float64) (d deviation, ok bool) {
	var alike []float64
	d.open = OpenDelay(m.res.Findings)
	n, sum := 0, 0.0
	for i := range m.res.Bins {
		b := &m.res.Bins[i]
		t, ok := m.targetAt(b.MeanRPM)
		if !ok {
			return d, false
		}
		x := circle.Wrap(float64(b.Mean) - t)
		sum += x * float64(b.N)
		n += b.N
		if b.N >= offsetLeast {
			if a := (apart{x, float64(b.Expanded), b.MeanRPM}); len(alike) == 0 {
				d.most, d.least = a, a
			} else if x > d.most.deg {
				d.most = a
			} else if x < d.least.deg {
				d.least = a
			}
			alike = append(alike, x)
			d.looked = append(d.looked, apart{x, float64(b.Expanded), b.MeanRPM})
		}
		if b.N < advancedLeast || x-tol <= advancedLimit || x-tol >= advancedMost {
			continue
		}
		if d.sparks == 0 {
			d.fromRPM = b.FromRPM
		}
		d.toRPM = b.ToRPM
		d.sparks += b.N
		d.bins = append(d.bins, i)
		if x > d.worst {
			d.worst, d.worstRPM, d.worstU = x, b.MeanRPM, float64(b.Expanded)
		}
		if y := x - float64(LateBy(d.open, b.MeanRPM)); len(d.bins) == 1 || y > d.atLeast {
			d.atLeast, d.atLeastU = y, float64(b.Expanded)
		}
	}
	if n == 0 {
		return d, false
	}
	d.mean = sum / float64(n)
	d.steady = len(alike) > 0
	for _, x := range alike {
		if math.Abs(x-d.mean) > math.Max(offsetAlike, offsetShare*math.Abs(d.mean)) {
			d.steady = false // the trend says more
		}
	}
	return d, true
}

// setting says that the engine is set wrong: the same distance from the target
// at all speeds, or too early at some. doubted says that a mix-up would explain
// it: then nobody is sent to the plate. unsure says that the figures may be of
// something else altogether: then nothing is said to be so, and only what would
// do harm is said at all. The same goes by what holds for every delay that the
// reference may have where nothing was stated of it.
func (m *measurement) setting(doubted, unsure bool) {
	tol := 0.0
	limit := "its target"
	if t := m.given.Tolerance; t != nil {
		tol = float64(*t)
		limit = fmt.Sprintf("its target and tolerance of ±%.3g°", tol)
	}
	d, ok := m.fromTarget(tol)
	if !ok {
		return
	}
	contacts := m.given.SparkKind == Contacts
	turned := contacts || m.res.MeanRPM < slowRPM
	u := float64(m.res.Advance.Expanded)
	// A reference that is late by what nobody stated makes the mean so much less.
	late := float64(LateBy(d.open, m.res.MeanRPM))
	// How far to turn is known where that is no more than the ±.
	orders := late <= u
	// An expanded uncertainty is about two standard deviations.
	sure := func(x, u float64) string {
		return sureWord(2 * math.Abs(x) / math.Max(u, 1e-9))
	}
	if d.sparks > 0 && !turned {
		const harm = "Too much advance makes it knock and can hole a piston within minutes."
		fires := func(does string) string {
			if d.steady {
				return fmt.Sprintf("the engine %s %.1f° (±%.1f°) earlier than its target, alike %s", does, d.mean, u, m.where())
			}
			return fmt.Sprintf("at %.0f rpm the engine %s %.1f° (±%.1f°) earlier than its target, and in ranges of speed between %.0f and %.0f rpm more than %g° beyond %s", d.worstRPM, does, d.worst, d.worstU, d.fromRPM, d.toRPM, advancedLimit, limit)
		}
		first := 0.0
		for i := range m.res.Firings {
			f := &m.res.Firings[i]
			if f.Status == OK && slices.ContainsFunc(d.bins, func(k int) bool { return f.RPM >= m.res.Bins[k].FromRPM && f.RPM < m.res.Bins[k].ToRPM }) {
				first = f.TimeS
				break
			}
		}
		say := func(sev Severity, format string, args ...any) {
			m.ofEngine("too-advanced", sev, d.sparks, first, format, args...)
			m.res.Findings[len(m.res.Findings)-1].Beside = true
		}
		const wait = harm + " Do not run it under load before you know."
		switch {
		case unsure: // it may be so, and is worth a warning; it is not what was found
			what := fires("may fire")
			say(Warning, "%s, if these figures are those of its sparks. %s First mend what is said beside the answer, and measure again.", strings.ToUpper(what[:1])+what[1:], wait)
		case d.atLeast-tol <= advancedLimit && d.open > 0:
			what := fires("may fire")
			say(Warning, "%s, if its reference has no delay. With a reed that closes %.1f ms late it would be %.1f° less at %.0f rpm. %s First state the reed's delay (calibrate pickup finds it, --reference-delay), and measure again.", strings.ToUpper(what[:1])+what[1:], 1e3*d.open, float64(LateBy(d.open, d.worstRPM)), d.worstRPM, wait)
		default:
			x, xu := d.worst, d.worstU
			if d.steady {
				x, xu = d.mean, u
			}
			if d.open > 0 {
				x, xu = d.atLeast, d.atLeastU
			}
			what := fires(sure(x, xu) + " fires")
			if d.steady {
				what = sure(x, xu) + " " + fires("fires")
			}
			if d.open > 0 {
				what += fmt.Sprintf("; even with a reed that closes %.1f ms late it would be %.1f° in some range of speed", 1e3*d.open, d.atLeast)
			}
			then := "; then, with the engine stopped, " + m.turn(-d.mean)
			switch {
			case doubted:
				then = ": what is said of a mix-up would explain it."
			case !d.steady:
				then = ". It is not alike at all speeds, so turning the plate alone does not mend it: look at the advance mechanism, and at the table by speed."
			case !orders:
				then = "; then state the reed's delay (calibrate pickup finds it, --reference-delay): how far to turn the plate hangs on it."
			}
			say(Serious, "Stop: %s. %s Do not run it under load. Check reference angle and target first%s", what, harm, then)
		}
		if d.steady {
			return // one order is enough
		}
	} else if !d.steady && !turned && !doubted && !unsure && m.given.Tolerance != nil {
		m.bySpeed(d, tol)
	}
	// The least that it may be off: an earlier one may be the reference's delay
	// in part, a later one is later still.
	least := math.Abs(d.mean)
	if d.mean > 0 {
		least = math.Max(0, d.mean-late)
	}
	if doubted || unsure || !d.steady || m.given.Tolerance == nil || least <= tol || least <= u || math.Abs(d.mean) > offsetMost {
		return
	}
	way := "earlier"
	if d.mean < 0 {
		way = "later"
	}
	who := "the engine fires"
	if contacts {
		who = "the contacts open"
	}
	certain := sure(least, u)
	then := "With the engine stopped, " + m.turn(-d.mean)
	if !orders {
		then = fmt.Sprintf("With a reed that closes %.1f ms late it would be %.1f°: state the reed's delay (calibrate pickup finds it, --reference-delay) before you turn anything.", 1e3*d.open, math.Abs(d.mean-late))
	}
	m.ofEngine("timing-offset", Warning, 0, 0, "%s %s %.1f° (±%.1f°) %s than the target, alike %s. %s",
		strings.ToUpper(certain[:1])+certain[1:], who, math.Abs(d.mean), u, way, m.where(), then)
}

// bySpeed says that some range of speed lies outside the tolerance, and not as
// the others do: no turning of the plate mends that, since it moves all speeds
// alike. What to look at goes by what the trend is taken for.
func (m *measurement) bySpeed(d deviation, tol float64) {
	far := d.most
	if -d.least.deg > far.deg {
		far = d.least
	}
	if off := math.Abs(far.deg); off <= offBySpeed*tol || off <= far.u || off > offsetMost {
		return
	}
	lies := func(a apart) string {
		way := "earlier"
		if a.deg < 0 {
			way = "later"
		}
		return fmt.Sprintf("at %.0f rpm it fires %.1f° (±%.1f°) %s", a.rpm, math.Abs(a.deg), a.u, way)
	}
	first, then := d.most, d.least
	if then.rpm < first.rpm {
		first, then = then, first
	}
	next := "Read the trend and the table by speed, and record slow pulls from idle to the top."
	if t := m.res.Trend; t != nil {
		switch t.Explanation {
		case AngleAndDelay:
			next = "It is as a fixed delay makes it: calibrate the pick-ups' delays first (calibrate pickup) and give them; what is left is the ignition's own lag (coil, condenser, box)."
		case AdvanceCurve:
			next = "It is as an advance curve makes it. If the engine should have one, give the target as a table by speed, from the maker's manual; if so it is given, or the angle should be fixed, look at the advance mechanism: weights, springs, stops."
		case NotDistinguishable, TooLittleRange:
			next = "A fixed delay or an advance curve may be behind it: calibrate the pick-ups' delays (calibrate pickup), and record from idle to the top."
		}
	}
	// How sure it is for the delay of the reference with which it is the least so.
	z := math.Inf(1)
	for k := range lateSteps + 1 {
		most := 0.0
		for _, a := range d.looked {
			off := math.Abs(a.deg - float64(LateBy(d.open, a.rpm))*float64(k)/lateSteps)
			if off > offBySpeed*tol && off > a.u {
				most = math.Max(most, 2*off/math.Max(a.u, 1e-9))
			}
		}
		z = math.Min(z, most)
	}
	s := sureWord(z)
	if z == 0 {
		s = "perhaps"
		next = "It may be the reference's delay, of which nothing was stated: state it first (calibrate pickup finds it, --reference-delay). " + next
	}
	m.ofEngine("offset-by-speed", Warning, 0, 0, "%s the engine does not keep to its target over speed: %s, %s than the target, and the tolerance is ±%.3g° (%s). Turning the plate moves all speeds alike, and does not mend that. %s",
		strings.ToUpper(s[:1])+s[1:], lies(first), lies(then), tol, m.where(), next)
}

// mixUps: answers that are wrong in a way that a known slip makes. It is true
// where one is suspected. The verdict stands all the same, with the doubt
// beside it: a plain wrong setting may look alike.
func (m *measurement) mixUps() bool {
	a := m.res.Advance
	if m.res.Relative || a.N == 0 || a.Target == nil || m.given.ReferenceAngle == nil {
		return false
	}
	mean, t, g := float64(a.Mean), float64(*a.Target), float64(*m.given.ReferenceAngle)
	fits := func(x float64) bool { return math.Abs(circle.Wrap(x-t)) < mixUpWindow }
	if math.Abs(circle.Wrap(mean-t)) < mixUpApart {
		return false
	}
	const before = " Find that out before you turn anything."
	who, does := "The engine seems to fire", "the engine would fire"
	if m.given.SparkKind == Contacts {
		who, does = "The contacts seem to open", "the contacts would open"
	}
	switch {
	case fits(-mean) && math.Abs(t) > minusLeast:
		m.beside("minus-target", Warning, "The answer, %.1f°, is nearly minus the target. Check the signs of the reference angle and of the target: both count before top dead centre, and are negative after it."+before, mean)
	case fits(mean - 2*g):
		m.beside("reference-sign", Warning, "With the reference angle's sign the other way (%.1f° instead of %.1f°) %s at %.1f°, as the target says. Was the wheel read against the direction of rotation, or before and after top dead centre mixed up? The reference angle counts before top dead centre; after it, it is negative."+before, -g, g, does, circle.Wrap(mean-2*g))
	case math.Abs(mean-2*t) < mixUpWindow: // here and below in degrees of the larger of the two angles
		m.beside("double-angle", Warning, "%s at %.1f°, twice the target. Was the target, or the reference angle, read on a plate or wheel that turns at half the crankshaft's speed? One degree there is two of the crankshaft."+before, who, mean)
	case fits(2 * mean):
		m.beside("double-angle", Warning, "%s at %.1f°, half the target. Was the target, or the reference angle, given in degrees of a shaft that turns at half the crankshaft's speed? One degree there is two of the crankshaft."+before, who, mean)
	default:
		return false
	}
	return true
}

// alternating: every second firing differs. It returns half the difference,
// degrees, 0 without a finding.
func (m *measurement) alternating(h *habits) float64 {
	step := 1
	if s := m.res.Setup.SparksPerRev; s.Den == 2 {
		step = 2
	}
	var n [2]float64
	var sum [2]float64
	for i, r := range h.r {
		k := (h.rev[i] / step) & 1
		n[k]++
		sum[k] += r
	}
	if n[0] < leastLook/2 || n[1] < leastLook/2 {
		return 0
	}
	d := sum[1]/n[1] - sum[0]/n[0]
	ss := 0.0
	for i, r := range h.r {
		k := (h.rev[i] / step) & 1
		x := r - sum[k]/n[k]
		ss += x * x
	}
	sd := math.Sqrt(ss / math.Max(1, n[0]+n[1]-2))
	z := math.Abs(d) / math.Max(1e-9, sd*math.Sqrt(1/n[0]+1/n[1]))
	if math.Abs(d) < alternateLimit || z < sureZ {
		return 0
	}
	m.ofEngine("alternating", Warning, 0, 0, "The timing alternates: every second firing comes %.1f° later than the one before it (%s; %.0f firings %s). Look for play of the contact cam or spindle, a bent shaft, and, where the cam turns at half the speed, at its two lobes.", math.Abs(d), sureWord(z), n[0]+n[1], m.where())
	return math.Abs(d) / 2
}

// scattered: too much scatter, or scatter that grows with speed.
func (m *measurement) scattered(h *habits, alternating float64) {
	rms := func(idx []int) (sd float64, free float64) {
		v, noise := 0.0, 0.0
		for _, i := range idx {
			v += h.r[i] * h.r[i]
			noise += h.sigma[i] * h.sigma[i]
		}
		free = float64(len(idx) - 1)
		if free < 1 {
			return 0, 0
		}
		return math.Sqrt(math.Max(0, (v-noise)/free-alternating*alternating)), free
	}
	all := make([]int, len(h.r))
	for i := range all {
		all[i] = i
	}
	sd, free := rms(all)
	// Its own relative uncertainty is 1/√(2n) (JCGM 100:2008, E.4.3).
	z := (sd/scatterLimit - 1) * math.Sqrt(2*free)
	if sd > scatterLimit && z > scatterZ && m.given.SparkKind == Contacts {
		// Jerks between mark and opening scatter too.
		m.ofEngine("timing-scatter", Warning, 0, 0, "The openings scatter by %.1f° (standard deviation, that of the measurement taken out; %.0f openings %s): %s more than %g°. Turning jerkily does that, the more the farther the magnet is from the opening: turn more evenly, or put it nearer. Else look at the contacts (loose, dirty) and at play of the plate and of the spindle.", sd, free+1, m.where(), sureWord(z), scatterLimit)
	} else if sd > scatterLimit && z > scatterZ {
		m.ofEngine("timing-scatter", Warning, 0, 0, "The timing scatters by %.1f° (standard deviation, that of the measurement taken out; %.0f sparks %s): %s more than the %g° that an ignition in order stays below. Look at the contacts (burnt, loose, dirty), the condenser, play of the plate and of the spindle, and at the plug lead.", sd, free+1, m.where(), sureWord(z), scatterLimit)
	}
	// The slowest third against the fastest.
	order := slices.Clone(all)
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(h.rpm[a], h.rpm[b]) })
	k := len(order) / 3
	if k < leastLook/2 {
		return
	}
	slow, fast := order[:k], order[len(order)-k:]
	if h.rpm[fast[0]] < growthApart*h.rpm[slow[k-1]] {
		return
	}
	lo, f1 := rms(slow)
	hi, f2 := rms(fast)
	if hi < growthLeast || hi <= growthLimit*lo {
		return
	}
	// The logarithm of a ratio of standard deviations has a standard deviation
	// of √(1/2f1 + 1/2f2).
	if zz := math.Log(hi/math.Max(lo, growthFloor)) / math.Sqrt(1/(2*f1)+1/(2*f2)); zz > sureZ {
		at := slices.Clone(fast)
		slices.Sort(at)
		m.ofEngine("scatter-grows", Warning, 0, 0, "The scatter grows with speed: %.1f° from %.0f to %.0f rpm, %.1f° from %.0f to %.0f rpm (%s; the fast sparks from %.1f s of the recording on). Contacts that float at speed (weak spring), a loose plate, worn bearings of the spindle, or a coil and condenser at their limit do that.", lo, h.rpm[slow[0]], h.rpm[slow[k-1]], hi, h.rpm[fast[0]], h.rpm[fast[k-1]], sureWord(zz), h.t[at[0]])
	}
}

// course is how the angle at equal speed goes with time and with the way the
// speed changes, both fitted together: a recording that goes up and comes down
// once has the one nearly look like the other.
type course struct {
	perSecond, perSecondStd float64 // degrees per second
	way, wayStd             float64 // rising less falling, degrees
}

// course fits it by least squares to the residuals. Time and way are taken as
// far as they are no matter of speed: within each bin, less their straight
// line over speed, as the residuals are less theirs (Frisch and Waugh,
// Econometrica 1, 1933: the coefficients are those of the whole fit).
func (m *measurement) course(h *habits) (c course, ok bool) {
	res := m.res
	way := Changing(h.rpm)
	type row struct{ at, t, w, y float64 }
	var rows []row
	for i := range res.Bins {
		b := &res.Bins[i]
		var t, w, v, r, at []float64
		for k := range h.r {
			if h.rpm[k] >= b.FromRPM && h.rpm[k] < b.ToRPM {
				t, w, v, r, at = append(t, h.t[k]), append(w, float64(way[k])/2), append(v, h.rpm[k]), append(r, h.r[k]), append(at, h.t[k])
			}
		}
		if len(t) < binLineMin {
			continue
		}
		withoutLine(t, v)
		withoutLine(w, v)
		withoutLine(r, v)
		for k := range t {
			rows = append(rows, row{at[k], t[k], w[k], r[k]})
		}
	}
	n := float64(len(rows))
	var tt, ww, tw, ty, wy float64
	for _, x := range rows {
		tt += x.t * x.t
		ww += x.w * x.w
		tw += x.t * x.w
		ty += x.t * x.y
		wy += x.w * x.y
	}
	det := tt*ww - tw*tw
	if n < leastLook || !(tt > 0) {
		return c, false
	}
	both := det > leastAngle*tt*ww // else they cannot be told apart
	if both {
		c.perSecond, c.way = (ww*ty-tw*wy)/det, (tt*wy-tw*ty)/det
	} else {
		c.perSecond = ty / tt
	}
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.at, b.at) })
	e := make([]float64, len(rows))
	ss := 0.0
	for k, x := range rows {
		e[k] = x.y - c.perSecond*x.t - c.way*x.w
		ss += e[k] * e[k]
	}
	v := ss / math.Max(1, n-3) * n / math.Max(1, EffectiveN(e))
	if both {
		c.perSecondStd, c.wayStd = math.Sqrt(v*ww/det), math.Sqrt(v*tt/det)
		return c, true
	}
	// One of them it is, and nobody can say which.
	c.perSecondStd, c.wayStd = math.Inf(1), math.Inf(1)
	return c, true
}

// withoutLine takes from y its straight line over x, both of one length.
func withoutLine(y, x []float64) {
	mx, sx := meanVar(x)
	my, _ := meanVar(y)
	cov := 0.0
	for k := range x {
		cov += (x[k] - mx) * (y[k] - my)
	}
	slope := 0.0
	if sx > 0 {
		slope = cov / sx
	}
	for k := range x {
		y[k] -= my + slope*(x[k]-mx)
	}
}

// drift: the timing moves in the course of the recording, at equal speed.
func (m *measurement) drift(h *habits, c course) {
	span := h.t[len(h.t)-1] - h.t[0]
	d, z := c.perSecond*span, math.Abs(c.perSecond)/math.Max(c.perSecondStd, 1e-12)
	if math.Abs(d) < driftLimit || z < sureZ {
		return
	}
	way := "later"
	if d > 0 {
		way = "earlier"
	}
	if m.given.SparkKind == Contacts {
		m.ofEngine("drift", Warning, 0, 0, "The contacts open %.1f° (±%.1f°, %s) %s at the end of the recording than at its beginning, %s. A plate that creeps, or a wheel or magnet that slips, does that: tighten all of them and record again.", math.Abs(d), 2*c.perSecondStd*span, sureWord(z), way, m.where())
		return
	}
	m.ofEngine("drift", Warning, 0, 0, "At equal speed the engine fires %.1f° (±%.1f°, %s) %s at the end of the recording than at its beginning, %s. An ignition that warms (coil, condenser, electronics) or a plate that creeps does that: tighten the plate, measure cold and warm, and see whether it comes back.", math.Abs(d), 2*c.perSecondStd*span, sureWord(z), way, m.where())
}

// sticking: rising and falling speed differ.
func (m *measurement) sticking(h *habits, c course) {
	t := m.res.Trend
	if t == nil || t.UpDown == nil {
		return
	}
	u := t.UpDown
	d, z := float64(u.Difference), math.Abs(float64(u.Difference))/math.Max(1e-9, float64(u.Std))
	if math.Abs(d) < stickLimit || z < sureZ || c.way*d < stickZ*c.wayStd*math.Abs(d) || math.Abs(c.way) < stickShare*stickLimit {
		return
	}
	way := "later"
	if d > 0 {
		way = "earlier"
	}
	// The first time that it rises and that it falls there.
	rises, falls := math.NaN(), math.NaN()
	for i, w := range Changing(h.rpm) {
		if math.Abs(h.rpm[i]-u.RPM) > stickNear*u.RPM {
			continue
		}
		if w > 0 && math.IsNaN(rises) {
			rises = h.t[i]
		}
		if w < 0 && math.IsNaN(falls) {
			falls = h.t[i]
		}
	}
	when := ""
	if !math.IsNaN(rises) && !math.IsNaN(falls) {
		when = fmt.Sprintf("; it first rises there at %.1f s and falls at %.1f s", rises, falls)
	}
	// The whole recording's figure: that of the range where it is surest is the
	// greatest of several, and so mostly too great.
	m.ofEngine("sticking", Warning, 0, 0, "At equal speed the engine fires %.1f° (±%.1f°) %s while the speed rises than while it falls (%s, and surest around %.0f rpm%s). An advance mechanism that sticks or is slow to follow does that: clean and oil it, look at its springs. Pulls of several thousand rpm a second blur it: record a slower one.", math.Abs(c.way), 2*c.wayStd, way, sureWord(z), u.RPM, when)
}

// breakUp: sparks fail above some speed.
func (m *measurement) breakUp(h *habits) {
	if m.everyNthQuiet() || len(h.t) < leastLook {
		return
	}
	type firing struct {
		rpm    float64
		missed bool
		t      float64
	}
	var all []firing
	for i := range h.t {
		all = append(all, firing{h.rpm[i], false, h.t[i]})
	}
	missed := 0
	for _, x := range m.res.Missing {
		if x.What != "spark" {
			continue
		}
		k, _ := slices.BinarySearch(h.t, x.TimeS)
		if k == 0 || k == len(h.t) || h.t[k]-h.t[k-1] > breakUpStopS {
			continue // at an end, or across a stop: not the ignition's doing
		}
		w := (x.TimeS - h.t[k-1]) / (h.t[k] - h.t[k-1])
		all = append(all, firing{h.rpm[k-1] + w*(h.rpm[k]-h.rpm[k-1]), true, x.TimeS})
		missed++
	}
	if missed < breakUpLeast {
		return
	}
	slices.SortStableFunc(all, func(a, b firing) int { return cmp.Compare(a.rpm, b.rpm) })
	like := func(k, n int) float64 { // of k in n at their own rate
		if k == 0 || k == n {
			return 0
		}
		p := float64(k) / float64(n)
		return float64(k)*math.Log(p) + float64(n-k)*math.Log(1-p)
	}
	best, at, lo, hi := 0.0, 0, 0.0, 0.0
	below := 0
	for i := 1; i < len(all); i++ {
		if all[i-1].missed {
			below++
		}
		if i < leastLook || len(all)-i < leastLook || all[i].rpm < breakUpApart*all[0].rpm {
			continue
		}
		a, b := below, missed-below
		pa, pb := float64(a)/float64(i), float64(b)/float64(len(all)-i)
		if pb < breakUpLimit || pb < breakUpTimes*pa {
			continue
		}
		if g := like(a, i) + like(b, len(all)-i) - like(missed, len(all)); g > best {
			best, at, lo, hi = g, i, pa, pb
		}
	}
	if best < sureRatio {
		return
	}
	first := math.Inf(1)
	n := 0
	for _, f := range all[at:] {
		if f.missed {
			n++
			first = math.Min(first, f.t)
		}
	}
	// Twice the logarithm of a likelihood ratio is about a squared normal
	// deviate (Wilks, Ann. Math. Statist. 9, 1938).
	m.ofEngine("break-up", Warning, n, first, "From about %.0f rpm up to the fastest, %.0f rpm, %.0f %% of the firings have no spark, below it %.0f %% (%s). Contacts that float (weak spring, too wide a gap), a coil or condenser at its limit, a plug gap too wide, or a mixture that does not light break the spark up at speed.", all[at].rpm, all[len(all)-1].rpm, 100*hi, 100*lo, sureWord(math.Sqrt(2*best)))
}

// everyNthQuiet is whether sparks are left out by rule, which is no break-up.
func (m *measurement) everyNthQuiet() bool {
	for i := range m.res.Findings {
		switch m.res.Findings[i].Code {
		case "every-second", "reference-pulses":
			return true
		}
	}
	return false
}

// bounce: further sparks in many firings. A firing counts once, however many it
// has. What a microphone hears after a snap is its echoes, which say nothing of
// the contacts. Where the input makes one pulse into several, cut off or smeared by
// lossy coding, it may be that: then it is only noted, with what to mend first.
func (m *measurement) bounce() {
	if m.given.SparkKind == Microphone {
		return
	}
	c := m.res.Counts
	first, lo, hi := 0.0, math.Inf(1), 0.0
	n, at := 0, 0.0 // the firing of each is the counted one before it
	counted := false
	for i := range m.res.Firings {
		switch f := &m.res.Firings[i]; {
		case f.Status == OK:
			at, counted = f.RPM, false
		case f.Status == Repeated && !counted:
			counted = true
			if n == 0 {
				first = f.TimeS
			}
			n++
			if at > 0 {
				lo, hi = math.Min(lo, at), math.Max(hi, at)
			}
		}
	}
	if c.OK < leastLook || n < bounceLeast {
		return
	}
	share := math.Min(float64(n)/float64(c.OK), 1) // one more comes before the first that counts
	if share <= bounceLimit {
		return
	}
	speeds := ""
	if hi > 0 {
		speeds = fmt.Sprintf(", from %.0f to %.0f rpm,", lo, hi)
	}
	what := fmt.Sprintf("In %s of the firings%s a further spark comes within a few degrees", percent(share), speeds)
	if made := m.manifold(); made != "" {
		m.find("contact-bounce", Note, n, first, "%s. Contacts that bounce do that, and so does an input whose %s, which makes several pulses of one: mend that first and record again, before you look at the contacts.", what, made)
		return
	}
	// The share of n firings has a standard deviation of √(p(1-p)/n).
	z := (share - bounceLimit) / math.Sqrt(bounceLimit*(1-bounceLimit)/float64(c.OK))
	m.ofEngine("contact-bounce", Warning, n, first, "%s: the contacts bounce (%s in more than %s). Look at the spring and the pivot of the moving contact, at its faces, and at the gap.", what, sureWord(z), percent(bounceLimit))
}

// manifold says in words what the spark's input does that makes several pulses of
// one; empty: nothing that is known.
func (m *measurement) manifold() string {
	tr := m.roles.sparkTrain
	for i := range m.res.Recording.Health {
		if h := &m.res.Recording.Health[i]; h.Channel == tr.Channel && h.Cliff.Found && !converted(h) {
			return fmt.Sprintf("spectrum breaks off at %.1f kHz, as lossy coding leaves it", h.Cliff.Hz/1000)
		}
	}
	clipped := 0
	for _, p := range tr.Pulses {
		if p.Clipped && m.roles.spark.has(p.Class) {
			clipped++
		}
	}
	if 5*clipped > len(m.roles.spark.t) { // as many as bring a warning
		return "pulses are cut off"
	}
	return ""
}
