package analysis

import (
	"errors"
	"fmt"
	"math"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// Dwell is how long the contacts of an ignition stay closed before they open,
// from a recording of the contacts themselves.
type Dwell struct {
	Mean     Degrees // crank degrees from closing to opening
	StdDev   Degrees // n-1, about the mean
	Expanded Degrees // expanded uncertainty of Mean, coverage 95 %
	N        int     // openings whose closing was seen, one at least
	Cycle    Degrees // crank degrees from one opening to the next
	// Given says that the user's words told opening and closing apart; else the
	// contacts are taken to be open for the shorter time.
	Given bool
}

// sparkCycle is the crank degrees from one spark to the next, as far as was said.
func (s Setup) sparkCycle() float64 {
	if p := s.SparksPerRev; p != (SparksPerRev{}) {
		return 360 * float64(p.Den) / float64(p.Num)
	}
	return 360
}

// OpensIntoLonger says that of the two states of contacts on the spark's channel
// the longer one is the open one, since their dwell was said to be less than
// half of what lies between two openings.
func (s Setup) OpensIntoLonger() bool {
	return s.SparkKind == Contacts && s.Dwell != nil && float64(*s.Dwell) < s.sparkCycle()/2
}

// How contacts are told apart, and when a recording of them gives no answer.
// Choices of engineering, but for the tolerance: common practice, no source.
const (
	// nearHalf is the part of the cycle for which contacts must be open, at
	// least, to leave in doubt that this is the shorter of the two states; jerks
	// of a third of the speed shift a mean over thirty turns by less.
	nearHalf = 0.45
	// openShareRatio is by how much the parts of a turn that two switches are
	// in their shorter states must differ to tell which are the contacts.
	openShareRatio = 1.5
	// mostByHandDeg is the ± from uneven turning beyond which there is no
	// answer: five times the tolerance of a road engine, ±2°. From a third of
	// it on there is a warning.
	mostByHandDeg = 10.0
	// byHandRPM is the speed below which an engine does not run.
	byHandRPM = 200.0
)

// breakerRoles tells the contacts' channel from the reference's where neither was
// named: a coil is the reference; of two switches the reference is the one that
// is in its shorter state for the smaller part of a turn, or, where several of
// its pulses come in a turn, the one with more of them. ok is false where
// that is not the question; an error says that it cannot be answered.
func breakerRoles(trains []dsp.Train, groups [][]*group, live []int, marks int) (spark, ref int, whySpark, whyRef string, ok bool, err error) {
	if len(live) != 2 {
		return 0, 0, "", "", false, nil
	}
	share := func(i int) float64 {
		g := mainGroup(own(groups[i]), func(g *group) bool { return g.kind == dsp.Contact })
		if g == nil {
			return 0
		}
		if d := medianInterval(g.t); d > 0 {
			return g.width / d
		}
		return 0
	}
	pulses := func(i int) float64 {
		return float64(len(mainGroup(own(groups[i]), func(g *group) bool { return g.kind == dsp.Contact }).t))
	}
	a, b := live[0], live[1]
	x, y := share(a), share(b)
	coil := func(i int) bool {
		return mainGroup(own(groups[i]), func(g *group) bool { return g.kind == dsp.Lobes }) != nil
	}
	switch {
	case x == 0 && y > 0 && coil(a):
		return b, a, "the other channel has the pulses of a coil pick-up", "its pulses are those of a coil pick-up", true, nil
	case y == 0 && x > 0 && coil(b):
		return a, b, "the other channel has the pulses of a coil pick-up", "its pulses are those of a coil pick-up", true, nil
	case x == 0 || y == 0:
		return 0, 0, "", "", false, nil
	}
	if n, m := pulses(a), pulses(b); marks > 1 && (n > openShareRatio*m || m > openShareRatio*n) {
		if n > m {
			a, b, n, m = b, a, m, n
		}
		const words = "it has %.0f pulses, channel %d, with several marks on the wheel, %.0f"
		return a, b, fmt.Sprintf(words, n, trains[b].Channel, m), fmt.Sprintf("it has %.0f pulses, as several marks make them, channel %d %.0f", m, trains[a].Channel, n), true, nil
	}
	if x < y {
		a, b, x, y = b, a, y, x
	}
	if x < openShareRatio*y {
		return 0, 0, "", "", false, cannot("roles-unsure", fmt.Sprintf("Both channels hold a switch, and each is in its shorter state for a like part of the turn (%.0f and %.0f %%): which are the contacts cannot be told.", 100*x, 100*y),
			"Name the channels: --spark-channel for the contacts, --reference-channel for the reference.")
	}
	const words = "its switch is in its shorter state for %.0f %% of a turn, that of channel %d for %.0f %%"
	return a, b, fmt.Sprintf(words, 100*x, trains[b].Channel, 100*y), fmt.Sprintf(words, 100*y, trains[a].Channel, 100*x), true, nil
}

// dwell works out how long the contacts are closed, from the openings that
// count and the closing after each.
func (m *measurement) dwell() {
	if m.given.SparkKind != Contacts || m.roles.spark.kind != dsp.Contact {
		return
	}
	tr := m.roles.sparkTrain
	rate := float64(tr.Rate)
	cycle := 360 * float64(m.p.den) / float64(max(1, m.p.num))
	var open []float64
	i, seg := 0, 0
	for k := range m.res.Firings {
		f := &m.res.Firings[k]
		if f.Status != OK {
			continue
		}
		for i < len(tr.Pulses) && tr.Pulses[i].Pos/rate < f.TimeS-1e-9 {
			i++
		}
		if i == len(tr.Pulses) || tr.Pulses[i].WidthS <= 0 || math.Abs(tr.Pulses[i].Pos/rate-f.TimeS) > 1e-6 {
			continue
		}
		from := f.TimeS - m.sparkLate()
		to := from + tr.Pulses[i].WidthS
		for seg < len(m.segs)-1 && m.segs[seg].nodes[len(m.segs[seg].nodes)-1].t < from {
			seg++
		}
		s := &m.segs[seg]
		a, okA := s.find(from, 0)
		b, okB := s.find(to, a)
		if !okA || !okB {
			continue
		}
		if d := 360 * (s.at(to, b).phi - s.at(from, a).phi); d > 0 && d < cycle {
			open = append(open, d)
		}
	}
	if len(open) == 0 {
		return
	}
	mean := 0.0
	for _, d := range open {
		mean += d / float64(len(open))
	}
	sq := 0.0
	for _, d := range open {
		sq += (d - mean) * (d - mean)
	}
	n := float64(len(open))
	out := &Dwell{Mean: Degrees(cycle - mean), N: len(open), Cycle: Degrees(cycle), Given: m.given.Dwell != nil}
	delta, _ := m.fluctuation(m.res.MeanRPM)
	parts := []Component{{Kind: "B", Distribution: Arcsine, Std: Degrees(fluctuationStd(delta, mean))}}
	if len(open) > 1 {
		out.StdDev = Degrees(math.Sqrt(sq / (n - 1)))
		parts = append(parts, Component{Kind: "A", Distribution: Normal, Std: Degrees(float64(out.StdDev) / math.Sqrt(n)), Dof: n - 1})
	}
	out.Expanded = NewBudget(parts).Expanded
	m.res.Dwell = out
}

// breakerDoubts says what must be known of an answer that came from contacts.
func (m *measurement) breakerDoubts() {
	d := m.res.Dwell
	if m.given.SparkKind != Contacts {
		m.notSaidContacts()
		return
	}
	if m.roles.spark.kind != dsp.Contact {
		m.beside("contacts-shape", Warning, "The pulses of channel %d are not those of contacts, which go to and fro between two levels. They were timed as what they look like. Contacts are recorded with the coil disconnected and a small battery across them, through a resistor.", m.roles.sparkTrain.Channel)
		return
	}
	if d == nil {
		return
	}
	open := float64(d.Cycle - d.Mean)
	switch share := open / float64(d.Cycle); {
	case !d.Given && share > nearHalf && share < 1-nearHalf:
		m.beside("contacts-edge", Serious, "The contacts are in their shorter state for %.0f %% of the way from one opening to the next: too near half to tell opening from closing by it. If they are closed for %.0f° and not for %.0f°, the angle is wrong by as much as lies between: give --dwell, roughly.", 100*share, open, float64(d.Mean))
	case d.Given && math.Abs(float64(d.Mean-*m.given.Dwell)) > math.Max(20, 2*float64(d.Expanded)):
		m.beside("dwell-differs", Warning, "The dwell found is %.0f°, not the %.0f° that were given with --dwell. If opening and closing were taken for each other, the angle is wrong by as much as lies between: look at the contacts which it is, and give --dwell anew, or the other --spark-channel.", float64(d.Mean), float64(*m.given.Dwell))
	default:
		m.closingForOpening(open)
	}
}

// What a usual opening is: nothing else is thought of up to usualOpening from
// top dead centre, and beyond it the other edge only where that one fits within
// it, or the target within mixUpApart of it.
const usualOpening = 60.0 // degrees (common practice, no source: static angles are 0° to 40°)

// closingForOpening says where the edge that was taken for the opening lies at
// an angle where no contacts open, and the other edge at one where they do, or
// where the target is. open is the degrees from the edge taken to the other.
func (m *measurement) closingForOpening(open float64) {
	a := m.res.Advance
	if m.res.Relative || a.N == 0 {
		return
	}
	here, other := float64(a.Mean), circle.Wrap(float64(a.Mean)-open)
	if n := float64(max(1, m.given.ReferencePulses)); n > 1 {
		// Equal marks leave every angle open by what lies between two of them:
		// only a target says which is meant.
		if a.Target == nil {
			return
		}
		t := float64(*a.Target)
		other = t + math.Remainder(other-t, 360/n)
	}
	fits, why := func(x float64) bool { return math.Abs(x) <= usualOpening }, "an angle at which contacts do open"
	if a.Target != nil {
		t := float64(*a.Target)
		fits, why = func(x float64) bool { return math.Abs(circle.Wrap(x-t)) <= math.Max(mixUpApart, float64(a.Expanded)) }, "where the target is"
	}
	if fits(here) || !fits(other) {
		return
	}
	took := "for the longer of their two states, as nothing else was said"
	if m.given.Dwell != nil {
		took = fmt.Sprintf("for %.0f°, as --dwell says", float64(*m.given.Dwell))
	}
	m.beside("closing-for-opening", Serious, "The contacts would open at %.0f° before top dead centre (minus: after), which is unusual, and their other edge comes at %.0f°, %s. They were taken to be closed %s: if they are closed for about %.0f° instead, opening and closing are taken for each other. Give --dwell %.0f and --spark-channel %d, and see.", here, other, why, took, open, open, m.roles.sparkTrain.Channel)
}

// event is what the event on the spark's channel is called.
func (m *measurement) event() string {
	if m.given.SparkKind == Contacts {
		return "opening"
	}
	return "spark"
}

// leastContactsShare is the part of a turn for which a switch must be in its
// shorter state to look like contacts rather than like a magnet's pick-up:
// contacts are open for a fifth of a turn and more, a magnet passes in a few
// hundredths (common practice, no source).
const leastContactsShare = 0.15

// hintContacts adds to a refusal that the recording looks like one of the
// contacts, turned by hand, where that was not said.
func (p *prepared) hintContacts(err error) error {
	var no *CannotMeasureError
	if p.setup.SparkKind == Contacts || !errors.As(err, &no) {
		return err
	}
	for i := range p.trains {
		tr := &p.trains[i]
		var t []float64
		for _, x := range tr.Pulses {
			if x.Class >= 0 && x.Class < len(tr.Shapes) && tr.Shapes[x.Class].Kind == dsp.Contact {
				t = append(t, x.Pos/float64(tr.Rate))
			}
		}
		if len(t) < 3 {
			continue
		}
		if d := medianInterval(t) * float64(max(1, p.setup.ReferencePulses)); d > 60/byHandRPM {
			return cannot(no.Code, no.Reason, no.Remedy+fmt.Sprintf(" Or was the engine turned by hand? The pulses of channel %d come at %.0f a minute. A recording of the contacts themselves needs --spark-kind contacts.", tr.Channel, 60/d))
		}
	}
	return err
}

// notSaidContacts doubts an answer that was taken for sparks where nothing runs,
// the more where a switch stands on the spark's channel, or a magnet's pick-up is
// in its shorter state for as long as only contacts are.
func (m *measurement) notSaidContacts() {
	if m.given.SparkKind != Clamp || m.res.MeanRPM >= byHandRPM || m.res.Advance.N == 0 {
		return
	}
	r := m.roles
	wide := false
	if d := medianInterval(r.ref.t); r.ref.kind == dsp.Contact && d > 0 {
		wide = r.ref.width/d > leastContactsShare
	}
	if r.spark.kind == dsp.Contact || wide {
		m.beside("contacts-not-said", Serious, "At %.0f rpm no engine runs, and the recording looks like one of the contacts themselves, turned by hand. Then the angle is wrong: give --spark-kind contacts.", m.res.MeanRPM)
		return
	}
	m.beside("contacts-not-said", Warning, "At %.0f rpm no engine runs: it was turned by hand, or cranked. If the contacts themselves were recorded and no sparks, the angle may be that of another edge: give --spark-kind contacts.", m.res.MeanRPM)
}

// byHand refuses where the turning by hand leaves the angle open: one mark, far
// from the opening.
func (m *measurement) byHand() error {
	if m.given.SparkKind != Contacts || m.res.MeanRPM > byHandRPM || m.res.Advance.N == 0 {
		return nil
	}
	std := 0.0
	for _, c := range m.res.Uncertainty {
		if c.Source == fluctuationSource {
			std = float64(c.Std)
		}
	}
	far := 0.0
	for _, a := range m.arms {
		far = math.Max(far, math.Abs(a.to))
	}
	delta, how := m.fluctuation(m.res.MeanRPM)
	several := ", or put several magnets round the wheel and say how many"
	if m.given.ReferencePulses > 1 {
		several = ""
	}
	remedy := "Put a magnet so that it passes its pick-up 1° to 10° before the contacts open" + several + ". Or turn more evenly, plug out, and say how evenly: --speed-fluctuation."
	if w := m.given.Dwell; w == nil {
		remedy += fmt.Sprintf(" If the contacts are closed for less than half of a turn, or about half, this may be their closing: give --dwell and --spark-channel %d.", m.roles.sparkTrain.Channel)
	} else {
		remedy += fmt.Sprintf(" If the contacts are not closed for some %.0f°, this may be their closing: look, and give --dwell anew.", float64(*w))
	}
	most := std * math.Sqrt2
	if most > mostByHandDeg {
		return cannot("reference-far-by-hand", fmt.Sprintf("The contacts open %.0f° from the nearest reference mark. Turned by hand at %.0f rpm, the speed may vary by %.2g of its mean within a turn (%s), and nothing shows it in between: the angle would be open by ±%.0f°.", far, m.res.MeanRPM, delta, how, most), remedy)
	}
	if most > mostByHandDeg/3 {
		m.beside("reference-far-by-hand", Warning, "The contacts open %.0f° from the nearest reference mark, and the engine is turned by hand: up to ±%.1f° of the angle are the uneven turning's. %s", far, most, remedy)
	}
	return nil
}
