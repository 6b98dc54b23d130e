package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// Measure turns the pulse trains of a recording, one per channel, into the
// result: who is who, revolutions, firings, statistics, trend, uncertainty,
// verdict and findings. It changes none of its arguments and depends on
// nothing else. The error is that of Setup.Validate, or one for which
// errors.Is(err, ErrCannotMeasure) holds and whose text says what is wrong
// with the recording and what to change. No figure of the result is NaN or
// infinite.
func Measure(rec Recording, trains []dsp.Train, setup Setup) (*Result, error) {
	p, err := prepare(rec, trains, setup)
	if err != nil {
		return nil, err
	}
	return p.measure()
}

// prepared is a recording as Measure and Check begin with it.
type prepared struct {
	rec         Recording
	trains      []dsp.Train // cleaned
	setup       Setup       // as given, with the spark's kind filled in
	pulsesGiven bool        // the user said how many reference pulses make a revolution
	roles       *roles      // who is who; nil where refused says why not
	refused     error
}

// prepare cleans the trains and finds who is who. The error is that of
// Setup.Validate or of cleanTrains; what findRoles refuses is in refused.
func prepare(rec Recording, trains []dsp.Train, setup Setup) (*prepared, error) {
	if err := setup.Validate(); err != nil {
		return nil, err
	}
	trains, err := cleanTrains(trains)
	if err != nil {
		return nil, err
	}
	if setup.SparkKind == "" {
		setup.SparkKind = Clamp
	}
	p := &prepared{rec: rec, trains: trains, setup: setup, pulsesGiven: setup.ReferencePulses > 0}
	p.roles, p.refused = findRoles(trains, setup)
	return p, nil
}

// measure is Measure from there on. What it decides is added to the roles, so
// it is called once.
func (p *prepared) measure() (*Result, error) {
	res, err := p.measured()
	return res, p.hintContacts(err)
}

func (p *prepared) measured() (*Result, error) {
	if p.refused != nil {
		return nil, p.refused
	}
	r, setup := p.roles, p.setup
	if !p.pulsesGiven {
		setup.ReferencePulses = 1
	}
	m := &measurement{res: &Result{Recording: p.rec, Setup: setup}, roles: r, given: setup, pulsesGiven: p.pulsesGiven}
	res := m.res
	res.Setup.SparkChannel, res.Setup.ReferenceChannel = r.sparkTrain.Channel, r.refTrain.Channel
	res.Relative = setup.ReferenceAngle == nil
	res.Findings = append(res.Findings, r.findings...)
	m.referenceKind()
	r.decide("reference pulses per revolution", fmt.Sprint(setup.ReferencePulses), map[bool]string{true: "given", false: "one assumed"}[p.pulsesGiven], p.pulsesGiven)

	if err := m.revolutions(); err != nil {
		return nil, err
	}
	if err := m.firings(); err != nil {
		return nil, err
	}
	m.statistics()
	if err := m.byHand(); err != nil {
		return nil, err
	}
	m.dwell()
	m.findings()
	m.breakerDoubts()
	health := healthFindings(&p.rec, r, setup.SparkKind)
	m.advise(Doubt(slices.Concat(res.Findings, health)) != "")
	recorderFirst(res.Findings, health)
	res.Findings = append(res.Findings, health...)
	for i := range res.Findings {
		f := &res.Findings[i]
		f.Beside = f.Beside || doubtful(f)
	}
	m.verdict() // after the findings: they may leave none standing
	m.offByRange()
	res.Decisions = r.decisions
	return res, nil
}

// cleanTrains leaves out pulses that carry no usable time, so that nothing
// that is not a number can enter, and puts the rest in order of time.
func cleanTrains(trains []dsp.Train) ([]dsp.Train, error) {
	if len(trains) == 0 {
		return nil, cannot("input", "The recording has no channels.", "")
	}
	out := slices.Clone(trains)
	for i := range out {
		t := &out[i]
		if !(t.Rate > 0) || math.IsInf(float64(t.Rate), 0) {
			return nil, fmt.Errorf("analysis: channel %d: sampling rate %g Hz: want a positive number", t.Channel, float64(t.Rate))
		}
		good := func(p *dsp.Pulse) bool {
			return finite(p.Pos) && finite(p.Sigma) && p.Sigma >= 0 && finite(p.Amp) && finite(p.WidthS) && math.Abs(p.Pos) < 1e15 && p.Sigma < 1e6
		}
		ok := true
		for k := range t.Pulses {
			p := &t.Pulses[k]
			if !good(p) || k > 0 && p.Pos < t.Pulses[k-1].Pos {
				ok = false
				break
			}
		}
		if !ok {
			ps := make([]dsp.Pulse, 0, len(t.Pulses))
			for _, p := range t.Pulses {
				if good(&p) {
					ps = append(ps, p)
				}
			}
			slices.SortStableFunc(ps, func(a, b dsp.Pulse) int { return cmp.Compare(a.Pos, b.Pos) })
			t.Pulses = ps
		}
		shapes := slices.Clone(t.Shapes)
		for k := range shapes {
			if !finite(shapes[k].Amp) || shapes[k].Amp < 0 {
				shapes[k].Amp = 0
			}
			if !finite(shapes[k].AnchorSigma) || shapes[k].AnchorSigma < 0 {
				shapes[k].AnchorSigma = 0
			}
		}
		t.Shapes = shapes
		for _, v := range []*float64{&t.Level.Peak, &t.Level.Mean, &t.Level.RMS, &t.Level.Noise} {
			if !finite(*v) {
				*v = 0
			}
		}
	}
	return out, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// measurement is the work in hand of one call of Measure.
type measurement struct {
	res   *Result
	roles *roles
	given Setup // as the user gave it, with the defaults filled in

	pulsesGiven bool // the user said how many reference pulses make a revolution

	segs      []segment
	gaps      []float64
	fewer     bool // the recording shows fewer sparks per revolution than the user said
	patterned bool // the teeth are told apart by their spacing
	rejected  int
	// acrossTears are the sparks that are not counted since samples are missing about them.
	acrossTears int
	tornEnds    int // segments that are parted by missing samples alone
	rivals      int // pulses that may be the sparks as well as those that were taken
	p           pairing
	fold        float64       // degrees by which whole choices leave the angle open: 360/pulses, 0 when not
	toothAngle  []float64     // phase of each tooth, revolutions
	arms        []arm         // of the cylinders in their order, one at least
	stated      []firingPlace // of the cylinders in their order, where firing offsets say so; nil: they do not
	swings      [][2]float64  // of each arm, see swing
	tallies     []tally       // of the ok firings in time order
	resid       []float64     // of the ok firings in time order, about the bins' lines, degrees
	neff        float64
}

func (m *measurement) decide(what, value, why string, given bool) {
	m.roles.decide(what, value, why, given)
}

func (m *measurement) find(code string, sev Severity, count int, first float64, format string, args ...any) {
	m.res.Findings = append(m.res.Findings, Finding{Code: code, Severity: sev, Count: count, FirstS: first, Message: fmt.Sprintf(format, args...)})
}

// skew is by how much a channel of the converter is late.
func (m *measurement) skew(channel int) float64 {
	if channel == 2 {
		return m.given.ConverterSkewS
	}
	return 0
}

// sparkLate is how much later than the spark its trace appears, seconds: the
// pick-up's delay and the skew of its channel.
func (m *measurement) sparkLate() float64 {
	return m.given.SparkDelayS + m.skew(m.roles.sparkTrain.Channel)
}

// referenceLate is the same of the reference event.
func (m *measurement) referenceLate() float64 {
	return m.given.ReferenceDelayS + m.skew(m.roles.refTrain.Channel)
}

// referenceKind fills in what made the reference.
func (m *measurement) referenceKind() {
	seen := m.roles.ref.kind
	found := ContactReference
	if seen == dsp.Lobes {
		found = CoilReference
	}
	g := m.given.ReferenceKind
	if g == "" {
		m.res.Setup.ReferenceKind = found
		why := "the shape of its pulses"
		if seen == dsp.Burst {
			why = "its pulses have the shape of bursts, not of a pick-up; their onset is taken as the event"
			m.find("reference-burst", Warning, 0, 0, "The reference pulses look neither like a switch nor like a coil: their onset was taken as the reference event. Check that channel %d is the reference and not a second spark lead.", m.roles.refTrain.Channel)
		}
		m.decide("reference kind", string(found), why, false)
		return
	}
	m.res.Setup.ReferenceKind = g
	m.decide("reference kind", string(g), "given", true)
	if g != found || seen == dsp.Burst {
		m.find("reference-kind", Warning, 0, 0, "The reference was said to be a %s pick-up, but its pulses look like those of a %s; they were timed as what they look like. Check the pick-up and its lead, or leave the kind out.", g, seen)
	}
}

// wrongEdge is the share of the reference's pulses that stay in what should
// be the shorter state for most of the way to the next pulse: there the edge
// that was timed is the one that leaves it, and the angle is wrong by the
// pulse's width.
func (m *measurement) wrongEdge() float64 {
	g, tr := m.roles.ref, m.roles.refTrain
	if g.kind != dsp.Contact {
		return 0
	}
	n, wrong, last := 0, 0, -1
	for i := range tr.Pulses {
		if !g.has(tr.Pulses[i].Class) {
			continue
		}
		if last >= 0 && tr.Pulses[last].WidthS > 0 {
			n++
			if tr.Pulses[last].WidthS*float64(tr.Rate) > 0.6*(tr.Pulses[i].Pos-tr.Pulses[last].Pos) {
				wrong++
			}
		}
		last = i
	}
	if n == 0 {
		return 0
	}
	return float64(wrong) / float64(n)
}

// revolutions finds the rhythm of the reference.
func (m *measurement) revolutions() error {
	n := m.given.ReferencePulses
	g := m.roles.ref
	if x := m.wrongEdge(); x > 0.2 {
		return cannot("reference-edge", fmt.Sprintf("On channel %d the edge where the reference switches on cannot be told from the one where it switches off (in %.0f %% of the pulses), so the angle would be open by the width of the pulse.", m.roles.refTrain.Channel, 100*x),
			"Mostly the spark leaks into the reference lead: keep the two leads apart, use a screened lead for the pick-up, lower the clamp's level, or move the magnet so that the pulse ends well before the spark.")
	}
	ticks := make([]tick, len(g.t))
	for i := range g.t {
		ticks[i] = tick{g.t[i] - m.referenceLate(), g.sigma[i], g.widths[i]}
	}
	forgetLengths(ticks)
	m.gaps = make([]float64, n)
	for i := range m.gaps {
		m.gaps[i] = 1 / float64(n)
	}
	if n > 1 {
		if p, ok := toothPattern(ticks, n); ok && n <= 16 {
			m.gaps, m.patterned = p, true
		}
	}
	sparks := slices.Clone(m.roles.spark.t)
	for i := range sparks {
		sparks[i] -= m.sparkLate()
	}
	segs, rejected := findRhythm(ticks, m.gaps, sparks)
	kept := segs[:0]
	for _, s := range segs {
		if len(s.nodes) >= 2 {
			kept = append(kept, s)
		}
	}
	if n == 1 {
		restoreTurns(kept, sparks)
	}
	passing(kept, ticks, passingShare(g.kind))
	m.segs, m.rejected = kept, rejected
	if len(kept) == 0 {
		return cannot("no-reference", fmt.Sprintf("The %d pulses of the reference on channel %d make no rhythm that a turning shaft could make.", len(ticks), m.roles.refTrain.Channel),
			"Check the gap between magnet and pick-up and the recording level, and that spark and reference channels are not mixed up.")
	}
	if n == 1 {
		m.fold = 0
	} else if !m.patterned {
		m.fold = 360 / float64(n)
	}
	at := 0.0
	m.toothAngle = make([]float64, n)
	for i := range n {
		m.toothAngle[i] = at
		at += m.gaps[i]
	}
	return nil
}

// firings pairs the sparks and makes the rows of the result.
func (m *measurement) firings() error {
	res, r := m.res, m.roles
	s := m.given
	p := &m.p
	p.segs = m.segs
	m.chooseSpark()
	main := append([]*group{r.spark}, m.soundGroups()...)
	p.sparks = collectSparks(r, main)
	p.phases(m.sparkLate())
	if more := m.secondCylinder(); len(more) > 0 {
		main = append(main, more...)
		p.sparks = collectSparks(r, main)
		p.phases(m.sparkLate())
	}
	if !r.single && !r.shared {
		p.dropEdges(r.ref)
	}
	if m.fold > 0 {
		p.alignSegments(s.ReferencePulses)
	}
	if s.SparkKind == Microphone {
		if lags := p.echoes(); len(lags) > 0 {
			m.find("echoes", Note, len(lags), 0, "The microphone hears every spark more than once: echoes, %.1f ms after it the first. The first arrival counts. Softer surroundings, or the microphone nearer to the plug, help.", 1e3*lags[0])
		}
	}
	with := 0
	for i := range p.sparks {
		if p.sparks[i].primary && p.sparks[i].seg >= 0 {
			with++
		}
	}
	if with < 2 {
		return cannot("no-overlap", fmt.Sprintf("Of %d sparks, %d come while the reference pulses run: there is nothing to measure them against.", len(r.spark.t), with),
			"Record spark and reference together, for at least ten revolutions, and check the lead that drops out.")
	}
	given := s.SparksPerRev != (SparksPerRev{})
	p.num, p.den = 1, 1
	if given {
		p.num, p.den = s.SparksPerRev.Num, s.SparksPerRev.Den
		if p.num > 1 {
			// Sparks nearer together than half the stated spacing, or than
			// findClusters tells apart, are one.
			p.num = min(p.num, p.countPerRev(math.Min(30, 180/float64(p.num)), saidShare))
		}
	} else {
		p.num = p.countPerRev(echoSparkDeg, usualShare)
	}
	p.findClusters(p.num)
	p.place()
	p.ratePlaces()
	if given && p.num > 1 {
		if n := p.firingPlaces(); n < p.num {
			p.num = n
			p.findClusters(n)
			p.place()
			p.ratePlaces()
		}
	}
	if len(p.clusters) < p.num {
		p.num = len(p.clusters)
	}
	if given && p.num < s.SparksPerRev.Num {
		given, m.fewer = false, true
	}
	if !given && p.num > 1 {
		// A place with much smaller pulses is no second cylinder.
		top := 0.0
		for _, c := range p.clusters {
			top = math.Max(top, c.amp)
		}
		n := 0
		for _, c := range p.clusters {
			if c.amp >= 0.6*top {
				n++
			}
		}
		if n < len(p.clusters) {
			p.num = n
			kept := p.clusters[:0]
			for _, c := range p.clusters {
				if c.amp >= 0.6*top {
					kept = append(kept, c)
				}
			}
			p.clusters = kept
			p.place()
			p.ratePlaces()
		}
	}
	// Revolution numbers run on from segment to segment and begin with 0.
	first := 0
	for i := range p.segs {
		p.segs[i].first = first
		first += int(math.Ceil(p.segs[i].nodes[len(p.segs[i].nodes)-1].phi)) + 1
	}
	for c := range p.clusters {
		low := false
		for i := range p.sparks {
			if o := &p.sparks[i]; o.seg >= 0 && o.cluster == c && o.slot < 0 {
				low = true
				break
			}
		}
		if low {
			p.clusters[c].centre--
			for i := range p.sparks {
				if o := &p.sparks[i]; o.seg >= 0 && o.cluster == c {
					o.slot++
				}
			}
		}
	}
	p.pair(given)

	m.describeRate(given)
	shift, folded := m.cylinderShifts()
	rows := 0
	for i := range p.sparks {
		if p.sparks[i].listed {
			rows++
		}
	}
	res.Firings = make([]Firing, 0, rows)
	for i := range p.sparks {
		o := &p.sparks[i]
		if !o.listed {
			p.unknown++
			continue
		}
		f := Firing{TimeS: o.t, Status: o.status}
		if o.seg >= 0 {
			sg := &p.segs[o.seg]
			f.Revolution = sg.first + o.slot
			if len(p.clusters) > 1 {
				f.Cylinder = folded[o.cluster]
			}
			f.RPM = sg.rpmAt(o.phi, o.k)
			f.Advance = Degrees(circle.Wrap(m.zero() - 360*fraction(o.phi) + shift[o.cluster]))
			f.Sigma = Degrees(360 * math.Hypot(o.phiSig, o.rate*o.sigma))
			f.HasAngle = finite(f.RPM) && f.RPM > 0 && finite(float64(f.Advance)) && finite(float64(f.Sigma))
			if f.HasAngle && f.Status == OK && 360*o.phiSig > mostBridgedDeg {
				f.Status = NoReference // bridged too far to say where the crank was
			}
			if !f.HasAngle {
				f.RPM, f.Advance, f.Sigma, f.Status = 0, 0, 0, NoReference
			}
		} else {
			f.Revolution = m.revolutionOutside(o.t - m.sparkLate())
		}
		res.Firings = append(res.Firings, f)
	}
	m.torn()
	m.counts()
	p.sparks = nil // no more use; the statistics need the room
	if res.Counts.OK < 2 {
		return cannot("no-sparks", fmt.Sprintf("Of %d spark pulses, %d could be counted: the rest fit no firing.", res.Counts.Sparks, res.Counts.OK),
			"Record at least ten revolutions of a running engine; check the clamp and the level.")
	}
	return m.belongTogether()
}

// belongTogether refuses where most sparks that came while the reference ran
// could not be counted, or many and many reference pulses too: then spark and reference are not of one shaft, or one
// of them is not what it was taken for, and the few that fit by chance are no
// measurement.
func (m *measurement) belongTogether() error {
	if r := m.roles; r.single || r.shared {
		if what, _, n := m.countedEdges(); n > 0 {
			return cannot("one-input", fmt.Sprintf("Both pick-ups are on one input, and what could be taken for sparks comes right %s, more evenly than any engine fires: it is the pick-up, and the true sparks cannot be told.", what),
				"Give spark and reference a channel each. If there is only one input, make their pulses unlike: one upward and one downward, a spark two to three times as high as the reference, and the magnet 30° or more before the spark.")
		}
	}
	if c := m.res.Counts; (m.roles.single || m.roles.shared) && c.MissedSparks*5 > c.OK+c.MissedSparks {
		// On one input pulses of the two pick-ups lie on top of each other, and
		// those that could be told apart are not a fair sample.
		return cannot("one-input", fmt.Sprintf("Both pick-ups are on one input, and in %d of %d firings the spark could not be told from the reference.", c.MissedSparks, c.OK+c.MissedSparks),
			"Give spark and reference a channel each. If there is only one input, make their pulses unlike: one upward and one downward, a spark two to three times as high as the reference, and the magnet 30° or more before the spark.")
	}
	if c := m.res.Counts; m.given.SparkKind == Microphone && c.MissedSparks > c.OK {
		return cannot("echoes", fmt.Sprintf("In %d of %d firings the microphone's first arrival could not be told from echoes.", c.MissedSparks, c.OK+c.MissedSparks),
			"Bring the microphone within a hand of the plug, away from walls and the engine, and lay something soft around; or use a clamp on the spark lead.")
	}
	segs := m.p.segs
	from, to := segs[0].nodes[0].t, segs[len(segs)-1].nodes[len(segs[len(segs)-1].nodes)-1].t
	during, stray := 0, 0
	for i := range m.res.Firings {
		f := &m.res.Firings[i]
		if t := f.TimeS - m.sparkLate(); t < from || t > to || f.Status == Repeated {
			continue
		}
		during++
		// Interference does not speak against the reference: a pulse at every
		// closing of the contacts may look like a spark.
		if f.Status == NoReference || f.Status == Isolated {
			stray++
		}
	}
	if during < 20 {
		return nil
	}
	stray = max(0, stray-m.acrossTears) // those belong, and are left out
	lost := float64(stray) / float64(during)
	surplus := float64(m.rejected) / float64(len(m.roles.ref.t))
	if m.roles.ref.kind == dsp.Burst && surplus > 0.3 {
		return cannot("no-pairing", fmt.Sprintf("The pulses of the reference on channel %d look neither like a switch nor like a coil, and %d of %d fit no rhythm: what was taken for the reference is not it, or something as strong lies over it.", m.roles.refTrain.Channel, m.rejected, len(m.roles.ref.t)),
			"Look at that channel in an audio editor: mains hum, a leak of the spark, or a loose contact hide the pick-up's pulses. Mend the lead's screen, move it away from the plug lead, or bring the pick-up nearer to the magnet.")
	}
	if lost <= 0.5 && !(lost > 0.2 && surplus > 0.2 && lost+surplus > 0.6) {
		return nil
	}
	return cannot("no-pairing", fmt.Sprintf("Of %d sparks that came while the reference on channel %d ran, %d fit no revolution of it: spark and reference do not belong together.", during, m.roles.refTrain.Channel, stray),
		"Check which channel is the reference (name the channels and the kind of reference), that the spark does not leak into the pick-up's lead, that the pick-up does not drop out, and the number of reference pulses per revolution.")
}

// zero is the reference angle, 0 when the angles are relative.
func (m *measurement) zero() float64 {
	if a := m.given.ReferenceAngle; a != nil {
		return float64(*a)
	}
	return 0
}

// aim is the angle to which open choices lean: the target, else top dead centre.
func (m *measurement) aim() (float64, string) {
	if t, ok := m.given.aimed(); ok {
		return t, "the target"
	}
	if m.res.Relative {
		return 0, "the reference"
	}
	return 0, "top dead centre"
}

func (m *measurement) revolutionOutside(tau float64) int {
	rev := 0
	for i := range m.p.segs {
		s := &m.p.segs[i]
		if tau < s.nodes[0].t {
			return max(0, s.first-1)
		}
		rev = s.first + int(math.Ceil(s.nodes[len(s.nodes)-1].phi))
	}
	return rev
}

// secondCylinder finds further groups of the spark's channel that are sparks
// of another cylinder: as high, as often, at a place of their own.
func (m *measurement) secondCylinder() []*group {
	r := m.roles
	if n := m.given.SparksPerRev; n != (SparksPerRev{}) && n.Num < 2 {
		return nil
	}
	var out []*group
	for _, g := range r.also {
		if g.kind != dsp.Burst || g.echoOf != nil || g.amp < 0.7*r.spark.amp || 10*len(g.t) < 6*len(r.spark.t) {
			continue
		}
		if g.polarity != r.spark.polarity && m.given.SparksPerRev.Num < 2 {
			continue
		}
		if share, _, _ := coincidence(g, r.ref, coincidentS); share > 0.5 {
			continue
		}
		// Not soon after the first spark: that would be a second spark of the
		// same firing, a tenth of a revolution at most.
		share, dt, _ := coincidence(r.spark, g, 0.2*medianInterval(r.spark.t))
		if share > 0.8 && dt > 0 && dt < 0.11*medianInterval(r.spark.t) {
			continue
		}
		out = append(out, g)
	}
	return out
}

func medianInterval(t []float64) float64 {
	d := make([]float64, 0, min(len(t), 5000))
	stride := max(1, len(t)/5000)
	for i := 1; i < len(t); i += stride {
		d = append(d, t[i]-t[i-1])
	}
	return medianInPlace(d)
}

// ratePlaces sets each cluster's typical height and share of the sparks.
func (p *pairing) ratePlaces() {
	amps := make([][]float64, len(p.clusters))
	n := 0
	for i := range p.sparks {
		if s := &p.sparks[i]; s.primary && s.seg >= 0 {
			n++
			if len(amps[s.cluster]) < 4096 {
				amps[s.cluster] = append(amps[s.cluster], s.amp)
			}
			p.clusters[s.cluster].share++
		}
	}
	for c := range p.clusters {
		p.clusters[c].amp = medianInPlace(amps[c])
		p.clusters[c].share /= math.Max(1, float64(n))
	}
}

// firingPlaces counts the clusters at which sparks come at all often.
func (p *pairing) firingPlaces() int {
	top := 0.0
	for _, c := range p.clusters {
		top = math.Max(top, c.share)
	}
	n := 0
	for _, c := range p.clusters {
		if c.share > saidShare*top {
			n++
		}
	}
	return max(1, n)
}

// describeRate says how often the engine fires.
func (m *measurement) describeRate(given bool) {
	p := &m.p
	value := fmt.Sprint(p.num)
	if p.den > 1 {
		value = fmt.Sprintf("%d/%d", p.num, p.den)
	}
	m.res.Setup.SparksPerRev = SparksPerRev{p.num, p.den}
	why := "given"
	if !given {
		switch {
		case p.den > 1:
			why = "sparks come in every second revolution"
		case p.num > 1:
			why = fmt.Sprintf("%d sparks come at separate places of a revolution", p.num)
		default:
			why = "one " + m.event() + " comes in each revolution"
		}
		if m.fewer {
			said := m.given.SparksPerRev.Num
			why += fmt.Sprintf(", not the %d that were said", said)
			shows := "only " + value
			if p.den > 1 {
				shows = "one in every second revolution"
			}
			m.find("sparks-per-rev", Warning, 0, 0, "You said %d sparks per revolution, but the recording shows %s: that was measured. If the engine does make %d, the others do not reach the recorder, or a cylinder does not fire: put the clamp where it catches every lead, or clamp one lead and say the number that one makes.", said, shows, said)
		}
	}
	m.decide("sparks per revolution", value, why, given)
	if p.wasted {
		m.find("wasted-spark", Warning, 0, 0, "Firing was said to come in every second revolution, but there is a spark in every one, as a wasted-spark ignition makes them; all were counted.")
	}
}

// cylinderShifts returns, for each cluster, the degrees to add to its raw
// advance (equal reference pulses, cylinders with their own top dead centre),
// and which cylinder it is, from 1 in order of rotation.
func (m *measurement) cylinderShifts() (shift []float64, cylinder []int) {
	p := &m.p
	n := len(p.clusters)
	shift, cylinder = make([]float64, n), make([]int, n)
	raw := make([]float64, n)
	for c := range n {
		var a []float64
		stride := max(1, len(p.sparks)/8000)
		for i := 0; i < len(p.sparks); i += stride {
			if o := &p.sparks[i]; o.chosen && o.cluster == c {
				a = append(a, -360*fraction(o.phi))
			}
		}
		mean, _ := circle.Mean(a)
		raw[c] = circle.Wrap(m.zero() + mean)
		m.arms = append(m.arms, m.nearestTooth(circle.Wrap(-mean)))
	}
	aim, toward := m.aim()
	open := 360.0
	if m.fold > 0 {
		open = m.fold
	}
	if m.patterned {
		// The angle may belong to any of the pulses, which are told apart.
		best, bestTooth := math.Inf(1), 0
		for q, ph := range m.toothAngle {
			if d := math.Abs(circle.Wrap(raw[0] + 360*ph - aim)); d < best-1e-9 {
				best, bestTooth = d, q
			}
		}
		add := 360 * m.toothAngle[bestTooth]
		for c := range n {
			shift[c] = add
			raw[c] = circle.Wrap(raw[c] + add)
		}
		which := fmt.Sprintf("number %d after the longest gap", bestTooth+1)
		m.decide("reference pulse", which, fmt.Sprintf("the uneven spacing tells the %d pulses apart; the reference angle was taken to belong to the one that puts the answer nearest %s", len(m.toothAngle), toward), false)
		m.find("pulse-assumed", Note, 0, 0, "The %d reference pulses are unevenly spaced and so told apart; the reference angle was taken to belong to pulse %s, because that puts the answer nearest %s.", len(m.toothAngle), which, toward)
	}
	if n == 1 {
		m.statedCylinders(raw, aim, toward, open)
		if open < 360 {
			to := fold(raw[0], aim, open)
			shift[0] += to - raw[0]
			m.decide("reference pulse", fmt.Sprintf("the answer nearest %s", toward), fmt.Sprintf("%d equal pulses per revolution leave the angle open by %.4g degrees", m.given.ReferencePulses, open), false)
			m.find("equal-pulses", Warning, 0, 0, "%d equal reference pulses per revolution leave the angle open by %.4g degrees: the answer nearest %s was taken. One pulse made different, or one magnet only, would settle it.", m.given.ReferencePulses, open, toward)
		}
		cylinder[0] = 0
		return shift, cylinder
	}
	// Several sparks per revolution: each against its own cylinder's TDC.
	if add, number, ok := m.statedCylinders(raw, aim, toward, open); ok {
		for c := range n {
			shift[c] += add[c]
		}
		copy(cylinder, number)
		m.numberArms(cylinder, open, toward)
		return shift, cylinder
	}
	even := 360 / float64(n)
	first := 0
	for c := range n {
		if math.Abs(circle.Wrap(raw[c]-aim)) < math.Abs(circle.Wrap(raw[first]-aim)) {
			first = c
		}
	}
	base := fold(raw[first], aim, min(open, 360))
	worst := 0.0
	for c := range n {
		off := circle.Wrap(raw[c] - raw[first]) // advance lead of this spark over the first's
		k := math.Round(off / even)
		rest := off - k*even
		worst = math.Max(worst, math.Abs(rest))
	}
	unevenWhy := ""
	for c := range n {
		off := circle.Wrap(raw[c] - raw[first])
		own := even * math.Round(off/even)
		if worst > 12 {
			own = 15 * math.Round(off/15)
			unevenWhy += fmt.Sprintf(" %.0f°", fraction(-own/360)*360)
		}
		// raw[c] - own is this spark's advance before its own TDC.
		shift[c] += base - raw[first] - own
		cylinder[c] = 1 + ((c-first)+n)%n
	}
	if worst > 12 {
		m.decide("cylinders", fmt.Sprint(n), "the sparks are not evenly spaced: the cylinders' top dead centres were taken at"+unevenWhy+" of rotation, to the nearest 15°", false)
		m.find("cylinders-uneven", Warning, 0, 0, "There are %d sparks per revolution, unevenly spaced. The cylinders' top dead centres were taken to lie at%s of rotation after the first one's, the nearest whole 15°: where that is not so, measure one cylinder at a time.", n, unevenWhy)
	} else {
		m.decide("cylinders", fmt.Sprint(n), fmt.Sprintf("each advance is taken against its own cylinder's top dead centre, the cylinders firing %.4g degrees apart, and nearest %s", even, toward), false)
		m.find("cylinders-even", Note, 0, 0, "There are %d sparks per revolution. Each was taken against its own cylinder's top dead centre, assuming that they lie %.4g degrees apart; the answer nearest %s was taken.", n, even, toward)
	}
	m.numberArms(cylinder, open, toward)
	return shift, cylinder
}

// numberArms puts the arms in the order of their cylinders, and says what equal
// reference pulses leave open.
func (m *measurement) numberArms(cylinder []int, open float64, toward string) {
	if open < 360 {
		m.find("equal-pulses", Warning, 0, 0, "%d equal reference pulses per revolution leave the angle open by %.4g degrees: the answer nearest %s was taken.", m.given.ReferencePulses, open, toward)
	}
	ordered := make([]arm, len(cylinder))
	for c, k := range cylinder {
		ordered[k-1] = m.arms[c]
	}
	m.arms = ordered
	const alike = 3 // degrees, common practice, no source: cylinders of one engine fire closer than that
	same := func(a arm) bool { return math.Abs(circle.Wrap(a.to-ordered[0].to)) < alike }
	said := m.given.SparksPerRev != (SparksPerRev{}) || len(m.given.FiringOffsets) > 1
	if n := len(ordered); n == m.given.ReferencePulses && open < 360 && !said && !slices.ContainsFunc(ordered, func(a arm) bool { return !same(a) }) {
		m.beside("one-or-several", Warning, "Each of the %d reference pulses that a revolution is said to have has one spark beside it, at the same angle. An engine of one cylinder with one pulse per revolution looks the same, and turns %d times as fast: if this is one, give 1 reference pulse per revolution, and else the number of sparks per revolution.", n, n)
	}
}

// arm is the way from the nearest reference event to a cylinder's mean spark.
type arm struct {
	at float64 // degrees of rotation of the spark, from the first reference event of the revolution
	to float64 // degrees from the nearest event to the spark, -180 to 180
}

// nearestTooth returns the arm of a spark at degrees of rotation after the
// first reference event of the revolution.
func (m *measurement) nearestTooth(at float64) arm {
	a := arm{at: at, to: 180}
	for _, q := range m.toothAngle {
		if d := circle.Wrap(at - 360*q); math.Abs(d) < math.Abs(a.to) {
			a.to = d
		}
	}
	return a
}

// counts fills in what was found and what was missing.
func (m *measurement) counts() {
	res := m.res
	c := &res.Counts
	c.Sparks = len(res.Firings)
	for i := range res.Firings {
		switch res.Firings[i].Status {
		case OK:
			c.OK++
		case Repeated:
			c.RepeatedSparks++
		default:
			c.OtherSparks++
		}
	}
	for _, s := range m.p.missing {
		s.TimeS += m.sparkLate()
		res.Missing = append(res.Missing, s)
		if s.What == "spark" {
			c.MissedSparks++
		}
	}
	for i := range m.p.segs {
		s := &m.p.segs[i]
		c.Revolutions += int(s.nodes[len(s.nodes)-1].phi - s.nodes[0].phi + 1e-6)
		for _, k := range s.missing {
			c.MissedReferences++
			res.Missing = append(res.Missing, Missing{What: "reference", TimeS: k.t + m.referenceLate(), Revolution: s.first + int(math.Floor(k.phi+1e-9)),
				Reason: "the reference events before and after it are there, and the speed between them leaves room for it"})
		}
	}
	slices.SortStableFunc(res.Missing, func(a, b Missing) int {
		switch {
		case a.TimeS < b.TimeS:
			return -1
		case a.TimeS > b.TimeS:
			return 1
		}
		return 0
	})
	c.RejectedReferences = m.rejected
}
