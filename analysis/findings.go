package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// othersShare is how many pulses that could not be counted there may be to a
// firing. An ignition in order makes none. Where every other firing has one, what
// makes them comes about as often as the spark, and which of the two was counted
// is a matter of rhythm alone (common practice, no source).
const othersShare = 0.5

func anchors(shapes []dsp.Shape) []float64 {
	out := make([]float64, len(shapes))
	for i := range shapes {
		out[i] = shapes[i].AnchorSigma
	}
	return out
}

// findings adds what the reader must know.
func (m *measurement) findings() {
	res, r := m.res, m.roles
	c := res.Counts
	for _, s := range res.Recording.Remarks {
		m.find("recording", Warning, 0, 0, "%s", s)
	}
	for _, t := range []struct {
		tr   *dsp.Train
		g    *group
		what string
	}{{r.sparkTrain, r.spark, "spark"}, {r.refTrain, r.ref, "reference"}} {
		clipped, first := 0, 0.0
		for i := range t.tr.Pulses {
			if p := &t.tr.Pulses[i]; p.Clipped && t.g.has(p.Class) {
				if clipped == 0 {
					first = p.Pos / float64(t.tr.Rate)
				}
				clipped++
			}
		}
		if clipped > 0 {
			res.Findings = append(res.Findings, clippingFinding(t.tr, t.g, t.what, clipped, first, healthOf(res.Recording.Health, t.tr.Channel)))
		}
		if t.g.amp > 0 && t.g.amp < 0.03 {
			m.find("low-level", Warning, 0, 0, "The %s pulses on channel %d reach only %s of full scale. Turn the level up until they reach about half.", t.what, t.tr.Channel, percent(t.g.amp))
		}
	}
	for i, s := range r.refTrain.Shapes {
		if s.TailOpen && r.ref.has(i) {
			m.find("coil-tail", Warning, 0, 0, "The coil's pulses on channel %d end in a tail. If the recorder raises or lowers low notes (tone control, bass boost), the angles are off at low speed, by an amount that is in the stated ±; if the coil's pulses are like that by themselves, they are not. At the speeds recorded the two look alike. Switch the tone control off, or record from idle to twice the speed and more.", r.refTrain.Channel)
		}
	}
	firstOf := func(what string) float64 {
		for _, x := range res.Missing {
			if x.What == what {
				return x.TimeS
			}
		}
		return 0
	}
	tears := 0
	for _, x := range res.Missing {
		if x.What == MissingSamples {
			tears++
		}
	}
	if tears > 0 {
		sev := Note
		if 100*tears > c.Revolutions {
			sev = Warning
		}
		m.find("missing-samples", sev, tears, firstOf(MissingSamples), "%s of another length than those before and after, which agree: samples are missing there, or were written twice. The sparks about such a place are not counted. Close other programs, let the recorder use larger buffers, record to the computer's own disk.", counted(tears, "turn is", "turns are"))
	}
	if c.MissedReferences > 0 {
		sev := Note
		if 50*c.MissedReferences > c.Revolutions {
			sev = Warning
		}
		why := "Check the gap between magnet and pick-up, its lead and the level."
		if m.bounced() {
			why = "Pulses are there, but up to a millisecond off, as a reed makes them that bounces: the gap is not to blame. A longer magnet or a slower run leaves it more time to settle; an optical or Hall pick-up does not bounce."
			if h := healthOf(res.Recording.Health, r.refTrain.Channel); h != nil && h.Cliff.Found {
				why = "Pulses are there, but up to a millisecond off: the recording is coded with loss, and the noise of that beside an edge looks like another. Record straight to WAV; a reed that bounces does the same."
			}
		}
		m.find("missed-references", sev, c.MissedReferences, firstOf("reference"), "%s missing and bridged from the neighbours. %s", counted(c.MissedReferences, "reference pulse is", "reference pulses are"), why)
	}
	if c.RejectedReferences > 0 && 20*c.RejectedReferences > len(r.ref.t) {
		sev := Warning
		if 5*c.RejectedReferences > 2*len(r.ref.t) {
			sev = Serious // the wrong half may have been taken
		}
		m.find("surplus-references", sev, c.RejectedReferences, r.ref.t[0], "%d pulses on the reference's channel fit no revolution and were left out. If there is more than one magnet on the wheel, give the number of reference pulses per revolution; else look for sparks leaking into its lead, or a bouncing contact.", c.RejectedReferences)
	}
	if gaps := len(m.segs) - 1 - m.tornEnds; gaps > 0 {
		first := m.segs[0].nodes
		for i := range m.segs[1:] {
			if first = m.segs[i].nodes; !parted(&m.segs[i], &m.segs[i+1]) {
				break
			}
		}
		m.find("reference-gaps", Warning, gaps, first[len(first)-1].t+m.referenceLate(), "The reference stops for more than a few revolutions %d times (engine stopped, or the pick-up dropped out). Nothing was measured across these gaps.", gaps)
	}
	byRule := m.everyNth()
	if due := c.OK + c.MissedSparks; c.MissedSparks > 0 && !byRule {
		sev := Note
		switch {
		case 2*c.MissedSparks > due:
			sev = Serious // what is left may be something else than the sparks
		case 50*c.MissedSparks > due:
			sev = Warning
		}
		text := "%d of %d firings had no spark. If the engine ran evenly, look to the clamp and the level first, then to the ignition: contacts, condenser, plug lead."
		if m.given.SparkKind == Contacts {
			text = "In %d of %d turns no opening was heard. Look to the lead from the contacts and the level first, then to the contacts: dirt between them, or so little pressure that they stay open."
		}
		m.find("missed-sparks", sev, c.MissedSparks, firstOf("spark"), text, c.MissedSparks, due)
	}
	firstStatus := func(match func(Status) bool) float64 {
		for i := range res.Firings {
			if match(res.Firings[i].Status) {
				return res.Firings[i].TimeS
			}
		}
		return 0
	}
	if c.RepeatedSparks > 0 {
		why := "Bouncing contacts or a burnt contact face do that."
		if m.given.SparkKind == Microphone {
			why = "A microphone hears the echoes of a snap; the first arrival counts."
		}
		m.find("repeated-sparks", Note, c.RepeatedSparks, firstStatus(func(s Status) bool { return s == Repeated }), "%s a second time in the same firing and not counted. %s", counted(c.RepeatedSparks, "spark came", "sparks came"), why)
	}
	if others := c.OtherSparks - m.rivals; others > 1 && 20*others > c.Sparks-m.rivals {
		m.find("other-sparks", Warning, c.OtherSparks, firstStatus(func(s Status) bool { return s != OK && s != Repeated }), "%d pulses on the spark's channel could not be counted; the event table says why for each.", c.OtherSparks)
		if due := c.OK + c.MissedSparks; float64(others) > othersShare*float64(due) {
			m.find("sparks-unsure", Warning, c.OtherSparks, firstStatus(func(s Status) bool { return s != OK && s != Repeated }), "%d pulses on the sparks' channel could not be counted, to %d firings: what was counted may be something else than the sparks. Keep the two leads apart, use a screened lead, bring the clamp's level up, and keep whatever else throws pulses away from both.", c.OtherSparks, due)
		}
	}
	if res.Relative {
		m.find("relative", Warning, 0, 0, "No reference angle was given: the angles are counted from the reference pulse, not from top dead centre. Measure with wheel and piston stop at how many degrees before top dead centre the reference comes, and give it.")
	}
	if res.Static == nil && m.given.Static != nil {
		m.find("static-unused", Note, 0, 0, "The static angle cannot be compared: without a reference angle the running angle is not counted from top dead centre.")
	}
	if m.given.HasTarget() && m.given.Tolerance == nil {
		m.find("no-tolerance", Note, 0, 0, "A target was given without a tolerance: there is no verdict.")
	}
	m.atEdge()
	m.unusualAngle()
	if m.given.SparkKind == Microphone {
		m.find("microphone", Warning, 0, 0, "A microphone is honest only for an open plug, earthed and away from the engine; on a running engine it hears combustion and exhaust. Sound takes 2.9 ms per metre: give that as the spark delay.")
	}
	if m.given.SparkKind == Contacts && res.MeanRPM > byHandRPM {
		m.find("contacts-running", Warning, 0, 0, "At %.0f rpm the engine was not turned by hand. Contacts that are wired to a coil throw hundreds of volts at each opening: that hurts, and an input does not survive it. This wiring is for the coil disconnected and the crank turned by hand; of a running engine measure the spark, with a clamp on its lead.", res.MeanRPM)
	}
	m.othersDelay()
	m.reed()
	m.referenceFar()
	if t := res.Trend; m.given.SparkKind == Contacts {
		// Nobody looks for a curve in an engine that is turned by hand.
	} else if t == nil {
		m.find("little-speed-spread", Note, 0, 0, "The speeds spread too little for a trend (needed: %d sparks, over %d rpm and %.0f %% of the speed). Record from idle to the top to see a delay or an advance curve.", trendMinEvents, trendMinRPM, 100*trendMinShare)
	} else {
		switch t.Explanation {
		case NoSingleCurve:
			m.find("no-single-curve", Warning, 0, 0, "The advance is not one curve over speed: what the trend says of the straight line is a rough average. Read the table by speed, and record slow pulls.")
		case TooLittleRange:
			m.find("little-speed-spread", Note, 0, 0, "The speeds spread too little, or the sparks are too few, to show a delay or an advance curve. Record from idle to the top.")
		}
		if !t.Straight && t.Explanation != NoSingleCurve {
			m.find("curve", Note, 0, 0, "The advance changes with speed, and not in a straight line (%.2f° per 1000 rpm on the whole): see the trend and the table by speed. A delay alone would be straight.", float64(t.SlopePer1000))
		} else if s := math.Abs(float64(t.SlopePer1000)); t.Straight && s > 3*float64(t.SlopeStd) && s*(t.ToRPM-t.FromRPM)/1000 > 0.5 {
			m.find("slope", Note, 0, 0, "The advance %s with speed by %.2f° per 1000 rpm, in a straight line: the trend says what may be behind it. It is in every figure; nothing was taken out.", direction(float64(t.SlopePer1000)), s)
		}
	}
}

// beside is find for what bears on the answer as a whole.
func (m *measurement) beside(code string, sev Severity, format string, args ...any) {
	m.find(code, sev, 0, 0, format, args...)
	m.res.Findings[len(m.res.Findings)-1].Beside = true
}

// everyNth looks whether the sparks leave out revolutions by rule, as they
// seem to where the wheel carries more magnets than was said, and then says
// so. It is false where nothing like it is to be seen, or where the number of
// magnets was given.
func (m *measurement) everyNth() bool {
	const leastSparks, byRule = 6, 0.8 // common practice, no source
	if m.pulsesGiven {
		return false
	}
	times := map[int]int{}
	n, last := 0, 0
	for i := range m.res.Firings {
		f := &m.res.Firings[i]
		if f.Status != OK {
			continue
		}
		if n > 0 && f.Revolution > last {
			times[f.Revolution-last]++
		}
		if n == 0 || f.Revolution > last {
			n++
		}
		last = f.Revolution
	}
	k, most := 0, 0
	for d, c := range times {
		if c > most || c == most && d < k {
			k, most = d, c
		}
	}
	s := m.given.SparksPerRev
	half := s.Num == 1 && s.Den == 2
	if n < leastSparks || float64(most) < byRule*float64(n-1) || k < 2 || k == 2 && half {
		return false
	}
	if k == 2 && s.Num == 0 {
		m.beside("every-second", Note, "A spark comes with every second reference pulse: taken for an engine that fires in every second revolution. If yours fires in every one, there are two magnets: the speed is then half of what is said, and the angle wrong. Give --sparks-per-rev 1/2 or --reference-pulses 2.")
		return false
	}
	magnets := k
	if half {
		magnets = k / 2
	}
	m.beside("reference-pulses", Serious, "A spark comes with every %s reference pulse, and none between. More than one magnet on the wheel? The speed is then %d times too high, and the angle wrong: give their number, --reference-pulses %d. If there is one magnet, the ignition leaves out firings by rule: give --reference-pulses 1.", ordinal(k), magnets, magnets)
	return true
}

// counted writes a number with the words for one or for many.
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// ordinal is "second", "third", "4th".
func ordinal(n int) string {
	switch n {
	case 2:
		return "second"
	case 3:
		return "third"
	}
	return fmt.Sprintf("%dth", n)
}

// mostAdvance is how far before top dead centre an engine may be expected to
// fire, degrees: common practice, no source.
const mostAdvance = 60

// unusualAngle asks whether the reference angle is right where the answer is
// one that few engines have and nobody aimed at.
func (m *measurement) unusualAngle() {
	a := m.res.Advance
	if m.res.Relative || a.N == 0 {
		return
	}
	lo, hi := 0.0, 0.0 // nobody aims beyond what is usual
	if m.given.HasTarget() {
		lo, hi = m.given.targetSpan()
	}
	const ask = "Is the reference angle right? It is where the magnet truly passes its pick-up, counted before top dead centre; where that comes after it, it is negative."
	switch mean := float64(a.Mean); {
	case mean-float64(a.Expanded) > mostAdvance && hi <= mostAdvance:
		m.beside("unusual-angle", Warning, "Few engines fire more than %d° before top dead centre (common practice). %s", mostAdvance, ask)
	case mean+float64(a.Expanded) < 0 && lo >= 0:
		m.beside("unusual-angle", Warning, "Few engines fire after top dead centre (common practice). %s", ask)
	}
}

// referenceFar warns of the sparks that come so far from the reference that
// the speed within the revolution makes most of their uncertainty.
func (m *measurement) referenceFar() {
	u, _ := combined(m.res.Uncertainty)
	mean := 0.0
	for _, x := range m.res.Uncertainty {
		if x.Source == fluctuationSource {
			mean = float64(x.Std)
		}
	}
	delta, _ := m.fluctuation(m.res.MeanRPM)
	var far []string
	most, way := 0.0, 0.0
	for c, a := range m.arms {
		own := fluctuationStd(delta, a.to)
		// The uncertainty of this cylinder's own mean.
		if all := math.Sqrt(math.Max(0, u*u-mean*mean) + own*own); math.Abs(a.to) > 40 && own > 0.5 && own > 0.5*all {
			far = append(far, fmt.Sprintf("%d (%.0f°)", c+1, math.Abs(a.to)))
			if own > most {
				most, way = own, math.Abs(a.to)
			}
		}
	}
	switch {
	case len(far) == 0:
	case len(m.arms) == 1:
		m.find("reference-far", Warning, 0, 0, "The spark comes %.0f° from the reference. Speed that varies within the revolution may shift the angle by up to %.1f° unseen. Put the magnet so that it passes the pick-up shortly before the spark.", way, most*math.Sqrt2)
	default:
		m.find("reference-far", Warning, 0, 0, "The reference is far from the sparks of cylinder %s. Speed that varies within the revolution may shift a cylinder's angle by up to %.1f° unseen, and the overall mean by up to %.1f°. Measure one cylinder at a time, with the magnet so that it passes the pick-up shortly before its spark.", strings.Join(far, ", "), most*math.Sqrt2, mean*math.Sqrt2)
	}
}

// cylinderDifference says how far the cylinders' own means lie apart: each is
// an advance against its own top dead centre. count and off are each
// cylinder's counted sparks and mean, degrees above the overall one; sd is the
// scatter about them.
func (m *measurement) cylinderDifference(count []int, off []float64, sd float64) {
	lo, hi := -1, -1
	for c := range count {
		if count[c] < leastOfCylinder {
			continue
		}
		if lo < 0 || off[c] < off[lo] {
			lo = c
		}
		if hi < 0 || off[c] > off[hi] {
			hi = c
		}
	}
	if lo < 0 || lo == hi {
		return
	}
	d := off[hi] - off[lo]
	inflate := math.Max(1, float64(m.res.Advance.N)/math.Max(1, m.neff))
	se := sd * math.Sqrt((1/float64(count[lo])+1/float64(count[hi]))*inflate)
	if d < 0.1 || d < 3*se {
		return
	}
	list := ""
	for c := range count {
		if count[c] >= leastOfCylinder {
			list += fmt.Sprintf(", number %d at %.1f°", c+1, circle.Wrap(float64(m.res.Advance.Mean)+off[c]))
		}
	}
	delta, _ := m.fluctuation(m.res.MeanRPM)
	ax, ay := swing(m.arms[hi:hi+1], nil)
	bx, by := swing(m.arms[lo:lo+1], nil)
	numbered := "numbered in order of rotation"
	if m.stated != nil {
		numbered = "numbered as the stated firing offsets are"
	}
	m.find("cylinder-difference", Note, 0, 0, "The cylinders do not fire alike: cylinder %d fires %.1f° earlier than cylinder %d (%s; %s). The scatter is about each cylinder's own mean and does not hold this difference. Up to %.1f° may come from speed that varies within the revolution, and more from top dead centres that lie otherwise than taken; only what is left is the ignition's.", hi+1, d, lo+1, list[2:], numbered, delta/2*math.Hypot(ax-bx, ay-by)*180/math.Pi)
}

// bounced says whether most references that are missed have a pulse of the
// switch by them: it closed, but what its bounce left of the closing was timed too
// far off to be taken.
func (m *measurement) bounced() bool {
	const longest = 1e-3 // s: usually 0.5 to 1 ms (general component glossaries)
	r := m.roles
	if r.ref.kind != dsp.Contact {
		return false
	}
	with, all := 0, 0
	for _, x := range m.res.Missing {
		if x.What != "reference" {
			continue
		}
		all++
		if k, _ := slices.BinarySearch(r.ref.t, x.TimeS-longest); k < len(r.ref.t) && r.ref.t[k] <= x.TimeS+longest {
			with++
		}
	}
	return with > 0 && 2*with > all
}

// reed warns where a switch's closed time gets as short as its bounce.
func (m *measurement) reed() {
	r := m.roles
	if r.ref.kind != dsp.Contact {
		return
	}
	const bounceS = 0.5e-3 // usually 0.5 to 1 ms (general component glossaries)
	// What rounds to nothing is not worth a warning.
	if late := 6 * m.res.MeanRPM * reedMostS; late >= 0.05 && !m.given.referenceDelayKnown() {
		what := "make the engine fire"
		if m.given.SparkKind == Contacts {
			what = "mean that the contacts open"
		}
		m.beside(DelayUnknown, Warning, "This holds only if the reference has no delay: a reed closes 0.1 to 0.5 ms late, which would %s up to %.1f° later than said here, at %.0f rpm. Give --reference-delay (calibrate pickup finds it); of an optical or Hall pick-up, --reference-delay 0.", what, late, m.res.MeanRPM)
	}
	// Closed angle from widths and the local speed of the events.
	var deg []float64
	rate := float64(r.refTrain.Rate)
	si := 0
	stride := max(1, len(r.refTrain.Pulses)/4000)
	for i := 0; i < len(r.refTrain.Pulses); i += stride {
		q := &r.refTrain.Pulses[i]
		if q.WidthS <= 0 || !r.ref.has(q.Class) {
			continue
		}
		t := q.Pos/rate - m.referenceLate()
		for si < len(m.segs)-1 && m.segs[si].nodes[len(m.segs[si].nodes)-1].t < t {
			si++
		}
		if k, ok := m.segs[si].find(t, 0); ok {
			if x := m.segs[si].at(t, k); x.rate > 0 {
				deg = append(deg, 360*x.rate*q.WidthS)
			}
		}
	}
	if len(deg) < 3 {
		return
	}
	closed := medianInPlace(deg)
	limit := closed / 6 / bounceS
	if closed > 0 && finite(limit) && m.res.MaxRPM > limit {
		m.find("reed-speed-limit", Warning, 0, 0, "The reference switch stays in its short state for %.0f° of a turn: above %.0f rpm that is less than the 0.5 ms a reed may bounce, and its delay is no longer constant. If it is a reed, use an optical or Hall pick-up above that speed, or a longer magnet.", closed, limit)
	}
}

// The longest delays that pick-ups without a switch or a way through the air
// have, seconds, common practice with no source.
const (
	mostClampDelayS = 200e-6
	mostCoilDelayS  = 100e-6
)

// othersDelay warns where a delay was stated that is no delay of the pick-up that
// was recorded: calibrated on another one, most likely.
func (m *measurement) othersDelay() {
	s := m.given
	if s.SparkKind == Clamp && s.SparkDelayS > mostClampDelayS {
		m.beside("others-delay", Warning, "The spark's delay was stated as %.0f µs and taken out, %.1f° at %.0f rpm, but its pick-up as a clamp, which has next to none: is it that of a microphone? Give --spark-kind microphone, or leave --spark-delay out.", 1e6*s.SparkDelayS, 6*s.SparkDelayS*m.res.MeanRPM, m.res.MeanRPM)
	}
	if m.roles.ref.kind == dsp.Lobes && s.ReferenceDelayS > mostCoilDelayS {
		m.beside("others-delay", Warning, "The reference's delay was stated as %.0f µs and taken out, %.1f° at %.0f rpm, but its pulses are a coil's, which has next to none: is it that of a reed? Leave --reference-delay out, or give the coil's.", 1e6*s.ReferenceDelayS, 6*s.ReferenceDelayS*m.res.MeanRPM, m.res.MeanRPM)
	}
}

// atEdge warns where what was counted keeps a constant distance to an edge of
// the reference, more closely than an engine fires.
func (m *measurement) atEdge() {
	if r := m.roles; r.single || r.shared {
		return // refused then, see belongTogether
	}
	if what, dt, n := m.countedEdges(); n > 0 {
		m.find("spark-at-edge", Serious, n, 0, "What was counted as sparks comes right %s, always %.0f µs from it: no engine fires so evenly. Most likely it is the reference leaking into the spark's lead, and the true sparks are hidden: keep the two leads apart, use a screened one for the pick-up, and bring the clamp's level up.", what, 1e6*math.Abs(dt))
	}
}

// countedEdges says at which edge of a contact's reference nearly all that was
// counted lies, how far from it, seconds, and how many were counted; n is 0
// where they do not.
func (m *measurement) countedEdges() (what string, dt float64, n int) {
	r := m.roles
	if r.ref.kind != dsp.Contact {
		return "", 0, 0
	}
	g := &group{}
	for i := range m.res.Firings {
		if f := &m.res.Firings[i]; f.Status == OK {
			g.t = append(g.t, f.TimeS)
		}
	}
	for _, e := range []struct {
		t    []float64
		what string
		grid float64 // how well t is known, seconds: anywhere within ± of it, so that the standard deviation is its 1/√3
	}{{r.ref.t, "where the reference switches on", 0}, {r.ref.trailing().t, "where the reference switches off", r.ref.grid}} {
		share, dt, sd := coincidence(g, &group{t: e.t}, coincidentS)
		if share > 0.8 && sd < crosstalkSdS/2+e.grid/math.Sqrt(3) {
			return e.what, dt, len(g.t)
		}
	}
	return "", 0, 0
}
