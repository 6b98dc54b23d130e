package analysis

import (
	"math"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// Limits of what may be taken for the spark beside the pulses that were.
// Engineering choices (common practice, no source); rival_test.go has both sides.
const (
	rivalHeight = 2.0  // contacts that close give a smaller pulse than those that open, not always by as much
	plainHeight = 1.5  // what is so much higher, and where a spark should be, needs no warning
	rivalApart  = 60.0 // degrees nearer to where the spark should be settles it
	onePlace    = 0.9  // resultant of the directions of pulses that come at one place: within about ±25°
)

// whereOf is the mean place in the revolution of a group's pulses; ok is false
// where they come at no one place.
func (m *measurement) whereOf(g *group) (degrees float64, ok bool) {
	p := pairing{segs: m.segs, sparks: make([]firingSpark, len(g.t))}
	for i, t := range g.t {
		p.sparks[i].t = t
	}
	p.phases(m.sparkLate())
	var at []float64
	for i := range p.sparks {
		if o := &p.sparks[i]; o.seg >= 0 {
			at = append(at, 360*fraction(o.phi))
		}
	}
	degrees, length := circle.Mean(at)
	return degrees, len(at) >= minPulses && length > onePlace
}

// chooseSpark looks for a second kind of pulse on the spark's channel that may
// as well be the spark: the other way up, of like height, as often, and at one
// place of its own. Contacts that close make such pulses, and neither size nor
// rhythm tells which is which: both come from the same cam. What does is where
// a spark should be. Without that the higher ones are taken, and said to be open.
func (m *measurement) chooseSpark() {
	r := m.roles
	if m.given.SparksPerRev.Num > 1 || r.single || r.shared || m.given.SparkKind == Microphone { // echoes have their own way
		return
	}
	here, ok := m.whereOf(r.spark)
	if !ok {
		return
	}
	at := -1
	there := 0.0
	for i, g := range r.also {
		lo, hi := math.Min(g.amp, r.spark.amp), math.Max(g.amp, r.spark.amp)
		if g.kind != dsp.Burst || r.spark.kind != dsp.Burst || g.echoOf != nil || g.polarity == r.spark.polarity || hi > rivalHeight*lo ||
			10*len(g.t) < 6*len(r.spark.t) || 10*len(r.spark.t) < 6*len(g.t) {
			continue
		}
		if _, leak := g.leakOf(r.ref); leak {
			continue
		}
		if a, ok := m.whereOf(g); ok && math.Abs(circle.Wrap(a-here)) > echoSparkDeg && (at < 0 || g.amp > r.also[at].amp) {
			at, there = i, a
		}
	}
	if at < 0 {
		return
	}
	g := r.also[at]
	mine, its := circle.Wrap(m.zero()-here), circle.Wrap(m.zero()-there)
	aim, toward, known := 0.0, "", false
	target, aimed := m.given.aimed()
	if m.fold == 0 && !m.patterned { // else it is open which of the reference's pulses the angle belongs to
		switch {
		case aimed:
			aim, toward, known = target, "the target", true
		case m.given.Static != nil && !m.res.Relative:
			aim, toward, known = float64(*m.given.Static), "the static angle", true
		case !m.res.Relative:
			toward, known = "top dead centre", true
		}
	}
	near, far := math.Abs(circle.Wrap(mine-aim)), math.Abs(circle.Wrap(its-aim))
	settled := known && math.Abs(near-far) > rivalApart
	why := "they are the higher ones"
	if settled {
		why = "they come nearer " + toward
		if far < near {
			r.spark, r.also[at] = g, r.spark
			mine, its = its, mine
			r.decide("which pulses are the spark", r.spark.describe(), why+" than those of "+percent(r.also[at].amp)+" of full scale, the other way up", false)
		}
	}
	other := r.also[at]
	if settled && r.spark.amp >= plainHeight*other.amp {
		return
	}
	r.rival = other
	m.rivals = len(other.t)
	from := ""
	if m.res.Relative {
		from = ", counted from the reference"
	}
	m.find("spark-or-closing", Warning, len(other.t), other.t[0], "On channel %d two kinds of pulses of like height come once a turn each, %.0f° apart and opposite ways up (%s and %s of full scale): one is the spark, the other probably the contacts as they close. Those near %.0f°%s were taken, because %s. If the others are the sparks, the advance is near %.0f° instead, and all figures here are of the wrong pulses. A lamp across the contacts shows where they open; a clamp on the plug lead, away from the primary side, makes the closing small.",
		r.sparkTrain.Channel, math.Abs(circle.Wrap(here-there)), percent(r.spark.amp), percent(other.amp), mine, from, why, its)
}
