package analysis

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"sparkscope/dsp"
)

// group is one kind of event in one channel: one class of shapes, or several
// that were found to be one.
type group struct {
	train    int // index into the trains
	classes  []int
	kind     dsp.Kind
	polarity int
	amp      float64
	t        []float64 // seconds, in order
	sigma    []float64 // seconds
	widths   []float64 // of each pulse, seconds, 0 unknown
	grid     float64   // of the times, seconds: half a sample
	width    float64   // median WidthS, seconds, 0 unknown
	bad      float64   // share of neighbouring intervals that do not fit, 0..1
	rough    float64   // robust rms of the fourth differences of t, as a timing scatter, seconds
	echoOf   *group    // the group of another channel of which this is crosstalk
}

func (g *group) has(class int) bool { return slices.Contains(g.classes, class) }

const (
	minPulses     = 3      // fewer of a class say nothing about a rhythm
	coincidentS   = 0.3e-3 // crosstalk lies this near its source
	sameS         = 20e-6
	crosstalkSdS  = 8e-6 // and keeps its distance this well
	leakAtS       = 50e-6
	leakSdS       = 1e-6 // besides the timing's own scatter: an ignition strays more
	mergeAmpRatio = 3.0
)

// groupsOf sorts a train's classified pulses into groups, largest first.
func groupsOf(idx int, tr *dsp.Train) []*group {
	rate := float64(tr.Rate)
	byClass := make([]*group, len(tr.Shapes))
	var widths = make([][]float64, len(tr.Shapes))
	counts := make([]int, len(tr.Shapes))
	for i := range tr.Pulses {
		if c := tr.Pulses[i].Class; c >= 0 && c < len(counts) {
			counts[c]++
		}
	}
	for i := range tr.Pulses {
		p := &tr.Pulses[i]
		if p.Class < 0 || p.Class >= len(tr.Shapes) {
			continue
		}
		g := byClass[p.Class]
		if g == nil {
			sh := tr.Shapes[p.Class]
			g = &group{train: idx, classes: []int{p.Class}, kind: sh.Kind, polarity: sh.Polarity, amp: sh.Amp,
				grid: 0.5 / rate, t: make([]float64, 0, counts[p.Class]), sigma: make([]float64, 0, counts[p.Class]), widths: make([]float64, 0, counts[p.Class])}
			byClass[p.Class] = g
		}
		g.t = append(g.t, p.Pos/rate)
		g.sigma = append(g.sigma, p.Sigma/rate)
		g.widths = append(g.widths, p.WidthS)
		if p.WidthS > 0 && len(widths[p.Class]) < 4096 {
			widths[p.Class] = append(widths[p.Class], p.WidthS)
		}
	}
	var gs []*group
	for c, g := range byClass {
		if g == nil || len(g.t) < minPulses {
			continue
		}
		if len(widths[c]) > 0 {
			g.width = medianInPlace(widths[c])
		}
		g.bad, g.rough = rhythmOf(g.t)
		gs = append(gs, g)
	}
	slices.SortStableFunc(gs, func(a, b *group) int { return len(b.t) - len(a.t) })
	return gs
}

// rhythmOf rates a train of times: bad is the share of intervals that differ
// from their neighbour by more than a factor of 1.4; rough is the robust rms
// of (t0 - 4·t1 + 6·t2 - 4·t3 + t4)/sqrt(70) over runs of even intervals,
// which is the standard deviation of independent timing scatter on a smooth
// rhythm. With too few intervals bad is 1 and rough 0.
func rhythmOf(t []float64) (bad, rough float64) {
	if len(t) < 3 {
		return 1, 0
	}
	fits := func(i int) bool { // intervals i..i+1 and i+1..i+2
		a, b := t[i+1]-t[i], t[i+2]-t[i+1]
		return a > 0 && b > 0 && b < 1.4*a && a < 1.4*b
	}
	n, stride := 0, max(1, len(t)/20000)
	misfit := 0
	var d []float64
	for i := 0; i+2 < len(t); i += stride {
		n++
		if !fits(i) {
			misfit++
			continue
		}
		if i+4 < len(t) && fits(i+1) && fits(i+2) {
			d = append(d, math.Abs((t[i]-t[i+1])-3*(t[i+1]-t[i+2])+3*(t[i+2]-t[i+3])-(t[i+3]-t[i+4]))/math.Sqrt(70))
		}
	}
	bad = float64(misfit) / float64(n)
	if len(d) > 0 {
		rough = 1.4826 * medianInPlace(d)
	}
	return bad, rough
}

// mergeSplit joins groups of equal kind, polarity and similar height where
// together they make a more complete rhythm than the larger of them alone.
func mergeSplit(gs []*group) []*group {
	for again := true; again; {
		again = false
		for i := 0; i < len(gs) && !again; i++ {
			for j := i + 1; j < len(gs) && !again; j++ {
				a, b := gs[i], gs[j]
				if a.kind != b.kind {
					continue
				}
				if hi, lo := math.Max(a.amp, b.amp), math.Min(a.amp, b.amp); lo <= 0 || hi > mergeAmpRatio*lo {
					continue
				}
				if a.polarity == b.polarity && a.bad < 0.02 && len(b.t) > len(a.t)/4 {
					continue // complete without b
				}
				m := joined(a, b)
				if a.polarity != b.polarity && !(a.kind == dsp.Burst && complementary(a, b, m)) {
					continue
				}
				if a.polarity != b.polarity || len(m.t) >= 6 && m.bad < 0.85*a.bad-1e-9 {
					gs[i] = m
					gs = slices.Delete(gs, j, j+1)
					again = true
				}
			}
		}
	}
	return gs
}

// complementary says whether a and b, joined in m, are one kind of spark that
// rings now one way up and now the other: where the one comes the other mostly
// does not, and only together do they make a rhythm. A closing blip or a leak
// comes beside each spark.
func complementary(a, b, m *group) bool {
	firsts := func(t []float64) (first []float64, period float64) {
		d := make([]float64, 0, len(t))
		for i := 1; i < len(t); i++ {
			d = append(d, t[i]-t[i-1])
		}
		if len(d) == 0 {
			return t, 0
		}
		period = quantile(slices.Sorted(slices.Values(d)), 0.75)
		for _, x := range t { // second sparks left out
			if n := len(first); n == 0 || x-first[n-1] > 0.15*period {
				first = append(first, x)
			}
		}
		return first, period
	}
	all, period := firsts(m.t)
	if len(all) < 12 {
		return false
	}
	ab, _, _ := coincidence(a, b, 0.35*period)
	ba, _, _ := coincidence(b, a, 0.35*period)
	if ab > 0.4 || ba > 0.4 {
		return false
	}
	mine, _ := firsts(a.t)
	before, _ := rhythmOf(mine)
	after, _ := rhythmOf(all)
	if after >= 0.1 || 100*len(all) < 115*len(mine) {
		return false
	}
	// Either a's own rhythm is broken all over, or whole stretches of it lack:
	// then it goes at the pace of both. Two cylinders go at twice that of one.
	return after < 0.5*before || medianInterval(mine) < 1.3*medianInterval(all)
}

// trailing is the other edges of a switch's pulses, as a group of their own:
// where the angle that its pulses take, the same for all, puts them. A pulse's
// own width is told less well.
func (g *group) trailing() *group {
	out := &group{train: g.train, kind: g.kind}
	if g.kind != dsp.Contact || len(g.t) < 2 {
		return out
	}
	period := func(i int) float64 {
		if i+1 < len(g.t) {
			return g.t[i+1] - g.t[i]
		}
		return g.t[i] - g.t[i-1]
	}
	share := make([]float64, 0, len(g.t))
	for i, w := range g.widths {
		if p := period(i); w > 0 && w < p {
			share = append(share, w/p)
		}
	}
	if len(share) == 0 {
		return out
	}
	k := medianInPlace(share)
	out.t, out.sigma = make([]float64, 0, len(g.t)), make([]float64, 0, len(g.t))
	for i, t := range g.t {
		out.t, out.sigma = append(out.t, t+k*period(i)), append(out.sigma, g.sigma[i])
	}
	return out
}

// tight says whether a distance between g and ref with scatter sd, seconds, is
// more constant than any ignition keeps it.
func tight(sd float64, g, ref *group) bool {
	return sd <= leakSdS+4*math.Hypot(median(g.sigma), median(ref.sigma))
}

// splitLeak takes out of a group of bursts those that are an edge of the
// reference heard on the spark's lead: as many as the reference has, at a
// distance more constant than any ignition's, while enough others are there
// that keep none. leaks are their times, none when the group is of one kind.
func splitLeak(g, ref *group) (rest *group, leaks []float64) {
	for _, edge := range []*group{ref, ref.trailing()} {
		_, dt, sd := coincidence(g, edge, coincidentS)
		if len(edge.t) == 0 || math.Abs(dt) > leakAtS || !tight(sd, g, edge) {
			continue
		}
		within := math.Max(4*sd, 10*leakSdS)
		r := &group{train: g.train, classes: g.classes, kind: g.kind, polarity: g.polarity, amp: g.amp, width: g.width}
		var out []float64
		j := 0
		for i, t := range g.t {
			for j+1 < len(edge.t) && math.Abs(edge.t[j+1]-t-dt) <= math.Abs(edge.t[j]-t-dt) {
				j++
			}
			if math.Abs(edge.t[j]-t-dt) <= within {
				out = append(out, t)
				continue
			}
			r.t, r.sigma, r.widths = append(r.t, t), append(r.sigma, g.sigma[i]), append(r.widths, g.widths[i])
		}
		if 10*len(out) < 6*len(edge.t) || 10*len(r.t) < 3*len(out) || len(r.t) < minPulses {
			continue
		}
		r.bad, r.rough = rhythmOf(r.t)
		return r, out
	}
	return g, nil
}

// leakOf says whether g's pulses come with an edge of the reference, at a
// distance as constant as crosstalk's; sd is how constant, in seconds.
func (g *group) leakOf(ref *group) (sd float64, ok bool) {
	for _, edge := range []*group{ref, ref.trailing()} {
		if share, _, sd := coincidence(g, edge, coincidentS); share > 0.8 && sd < crosstalkSdS {
			return sd, true
		}
	}
	return 0, false
}

func joined(a, b *group) *group {
	m := &group{train: a.train, kind: a.kind, polarity: a.polarity, width: a.width,
		classes: append(slices.Clone(a.classes), b.classes...)}
	na, nb := float64(len(a.t)), float64(len(b.t))
	m.amp = (a.amp*na + b.amp*nb) / (na + nb)
	i, j := 0, 0
	for i < len(a.t) || j < len(b.t) {
		if j == len(b.t) || i < len(a.t) && a.t[i] <= b.t[j] {
			m.t, m.sigma, m.widths = append(m.t, a.t[i]), append(m.sigma, a.sigma[i]), append(m.widths, a.widths[i])
			i++
		} else {
			m.t, m.sigma, m.widths = append(m.t, b.t[j]), append(m.sigma, b.sigma[j]), append(m.widths, b.widths[j])
			j++
		}
	}
	m.bad, m.rough = rhythmOf(m.t)
	return m
}

// coincidence returns the share of a's events with one of b within window
// seconds, the median of their distances (b - a) and its robust scatter.
func coincidence(a, b *group, window float64) (share, dt, sd float64) {
	var d []float64
	j, hits := 0, 0
	stride := max(1, len(a.t)/5000)
	n := 0
	for i := 0; i < len(a.t); i += stride {
		n++
		for j < len(b.t) && b.t[j] < a.t[i]-window {
			j++
		}
		if j < len(b.t) && b.t[j] <= a.t[i]+window {
			near := b.t[j] - a.t[i]
			if j+1 < len(b.t) && math.Abs(b.t[j+1]-a.t[i]) < math.Abs(near) {
				near = b.t[j+1] - a.t[i]
			}
			hits++
			d = append(d, near)
		}
	}
	if n == 0 || hits == 0 {
		return 0, 0, 0
	}
	return float64(hits) / float64(n), median(d), robustScatter(d)
}

// roles is who is who.
type roles struct {
	ref, spark *group
	also       []*group // further groups of the spark's channel
	rival      *group   // of these the one that may as well be the spark; nil: none
	refTrain   *dsp.Train
	sparkTrain *dsp.Train
	leaks      []float64 // pulses of the spark's channel that are the reference's, of the sparks' own shape; seconds, in order
	single     bool      // both on one input
	shared     bool      // two channels that carry the same signal
	decisions  []Decision
	findings   []Finding
}

func (r *roles) decide(what, value, why string, given bool) {
	r.decisions = append(r.decisions, Decision{What: what, Value: value, Why: why, Given: given})
}

func isReferenceKind(k dsp.Kind) bool { return k == dsp.Contact || k == dsp.Lobes }

func maxAmp(gs []*group) float64 {
	m := 0.0
	for _, g := range gs {
		m = math.Max(m, g.amp)
	}
	return m
}

// findRoles decides which channel, and which pulses within it, are reference
// and spark.
func findRoles(trains []dsp.Train, setup Setup) (*roles, error) {
	r := &roles{}
	groups := make([][]*group, len(trains))
	for i := range trains {
		groups[i] = mergeSplit(groupsOf(i, &trains[i]))
	}
	index := func(channel int) int {
		for i := range trains {
			if trains[i].Channel == channel {
				return i
			}
		}
		return -1
	}
	for _, c := range []struct {
		n    int
		what string
	}{{setup.SparkChannel, "spark"}, {setup.ReferenceChannel, "reference"}} {
		if c.n == 0 {
			continue
		}
		if index(c.n) < 0 {
			return nil, cannot("no-channel", fmt.Sprintf("The recording has no channel %d for the %s: it has %d.", c.n, c.what, len(trains)),
				"Channels are counted from 1; leave the channel out to have it found.")
		}
	}
	var live []int
	for i := range trains {
		if len(groups[i]) > 0 {
			live = append(live, i)
		}
	}
	if len(live) == 0 {
		peak := 0.0
		for _, t := range trains {
			peak = math.Max(peak, t.Level.Peak)
		}
		return nil, cannot("no-sparks", "There are no repeating pulses in the recording, neither sparks nor reference"+levels(trains)+".",
			"Check that the clamp and the pick-up are plugged into the line input, that the input is not muted; "+levelAdvice(peak, "pulse")+".")
	}

	si, ri := -1, -1
	sGiven, rGiven := setup.SparkChannel > 0, setup.ReferenceChannel > 0
	if sGiven {
		si = index(setup.SparkChannel)
	}
	if rGiven {
		ri = index(setup.ReferenceChannel)
	}
	whyS, whyR := "given", "given"
	singleWhy := ""
	if !sGiven || !rGiven {
		switch {
		case len(trains) == 1:
			si, ri = 0, 0
			singleWhy = "the recording has one channel, so both pick-ups must be on it"
		case len(live) == 1 && !sGiven && !rGiven, sGiven && len(without(live, si)) == 0, rGiven && len(without(live, ri)) == 0:
			return nil, deadChannel(trains, groups, live, si, ri, setup.SparkKind)
		default:
			cand := live
			if sGiven {
				cand = without(live, si)
			} else if rGiven {
				cand = without(live, ri)
			}
			if !sGiven && !rGiven && len(live) >= 2 {
				if same, a, b := sameSignal(trains, groups, live); same {
					if len(live) == 2 {
						if !twoSources(groups[a]) {
							return nil, sameSignalError(trains[a].Channel, trains[b].Channel)
						}
						si, ri = a, a
						singleWhy = fmt.Sprintf("channels %d and %d carry the same signal, which holds both kinds of pulses", trains[a].Channel, trains[b].Channel)
						break
					}
					cand = without(live, b)
				}
			}
			markEchoes(groups, live)
			if setup.SparkKind == Contacts && !sGiven && !rGiven {
				a, b, of, from, ok, err := breakerRoles(trains, groups, live, setup.ReferencePulses)
				if err != nil {
					return nil, err
				}
				if ok {
					si, ri, whyS, whyR = a, b, of, from
					break
				}
			}
			switch {
			case sGiven:
				ri, whyR = bestReference(trains, groups, cand, r)
			case rGiven:
				si, whyS = bestSpark(trains, groups, cand)
			default:
				ri, whyR = bestReference(trains, groups, cand, r)
				si, whyS = bestSpark(trains, groups, without(cand, ri))
			}
		}
	} else if si != ri {
		for _, c := range []int{si, ri} {
			if len(groups[c]) == 0 {
				return nil, deadChannel(trains, groups, live, si, ri, setup.SparkKind)
			}
		}
		if same, _, _ := sameSignal(trains, groups, []int{si, ri}); same {
			if !twoSources(groups[si]) {
				return nil, sameSignalError(trains[si].Channel, trains[ri].Channel)
			}
			r.shared = true
			r.findings = append(r.findings, Finding{Code: "same-signal", Severity: Warning, Message: fmt.Sprintf(
				"Channels %d and %d carry the same signal; it holds both kinds of pulses, so it was read as both pick-ups on one input.", trains[si].Channel, trains[ri].Channel)})
		}
		markEchoes(groups, []int{si, ri})
	}
	r.single = si == ri
	r.refTrain, r.sparkTrain = &trains[ri], &trains[si]

	g, why, err := referenceGroup(groups[ri], setup, r.single, trains[ri].Channel)
	if err != nil {
		return nil, err
	}
	r.ref = g
	if ri != si {
		for i, o := range groups[si] {
			if o.kind != dsp.Burst {
				continue
			}
			rest, leaks := splitLeak(o, g)
			groups[si][i] = rest
			r.leaks = append(r.leaks, leaks...)
		}
		slices.Sort(r.leaks)
	}
	s, also, sWhy, err := sparkGroup(groups[si], g, setup, trains, si)
	if err != nil {
		return nil, err
	}
	r.spark, r.also = s, also
	if singleWhy != "" {
		whyS, whyR = singleWhy, singleWhy
	}
	r.decide("spark channel", fmt.Sprint(trains[si].Channel), whyS, sGiven)
	r.decide("reference channel", fmt.Sprint(trains[ri].Channel), whyR, rGiven)
	r.decide("reference pulses", g.describe(), why, false)
	r.decide("spark pulses", s.describe(), sWhy, false)
	return r, nil
}

func (g *group) describe() string {
	dir := "upward"
	if g.polarity < 0 {
		dir = "downward"
	}
	n := ""
	if len(g.classes) > 1 {
		n = fmt.Sprintf(", %d shapes taken as one", len(g.classes))
	}
	return fmt.Sprintf("%d %s pulses, front %s, %s of full scale%s", len(g.t), g.kind, dir, percent(g.amp), n)
}

// percent prints a share, 0 to 1, in percent with two significant digits, more
// where the whole percents have more, and never as a power of ten.
func percent(share float64) string {
	v := 100 * share
	decimals := 0
	if a := math.Abs(v); a >= 1e-6 && a < 9.95 {
		decimals = 1 - int(math.Floor(math.Log10(a*1.005))) // 0.996 rounds up to 1.0
	}
	return strconv.FormatFloat(v, 'f', decimals, 64) + " %"
}

// levelAdvice says what to do about the level of a channel, or of several,
// that hold no pulses of what, its highest sample being peak of full scale.
func levelAdvice(peak float64, what string) string {
	switch {
	case peak >= 0.9:
		return "what is there, hum or noise, fills the input: look for its source (an earth missing, a broken screen, a lead beside the mains), then turn the recording level down until it stays below full scale"
	case peak >= 0.25:
		return "what is there, hum or noise, is loud already, so that a higher level would not help: look for its source (an earth missing, a broken screen, a lead beside the mains)"
	}
	return "raise the recording level until a " + what + " reaches about half of full scale"
}

func levels(trains []dsp.Train) string {
	var b strings.Builder
	for i, t := range trains {
		if i == 0 {
			b.WriteString(" (highest level: ")
		} else {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "channel %d %s of full scale", t.Channel, percent(t.Level.Peak))
	}
	if len(trains) > 0 {
		b.WriteString(")")
	}
	return b.String()
}

func without(list []int, x int) []int {
	var out []int
	for _, v := range list {
		if v != x {
			out = append(out, v)
		}
	}
	return out
}

func deadChannel(trains []dsp.Train, groups [][]*group, live []int, si, ri int, kind SparkKind) error {
	dead, role := -1, "nothing to measure with"
	for i := range trains {
		if len(groups[i]) > 0 {
			continue
		}
		if dead < 0 || i == si || i == ri {
			dead = i
		}
	}
	switch dead {
	case si:
		role = "the spark's channel"
	case ri:
		role = "the reference's channel"
	}
	if dead < 0 {
		dead = 0
	}
	switch {
	case si >= 0 && ri < 0 && dead != si:
		role = "the reference's channel"
	case ri >= 0 && si < 0 && dead != ri:
		role = "the spark's channel"
	}
	code := "dead-channel"
	check := "Check what should be on this channel: for the spark that the clamp is closed round the spark lead, for the reference the pick-up's gap, lead and battery (if it has one)"
	if role == "the spark's channel" {
		code, check = "no-sparks", checkSpark(kind)
	} else if role == "the reference's channel" {
		code, check = "no-reference", "Check the pick-up: that the magnet passes close by it, that its lead is whole and its plug is in, and its battery, if it has one"
	}
	t := trains[dead]
	where := ""
	if role != "nothing to measure with" {
		where = ", " + role + ","
	}
	reason := fmt.Sprintf("Channel %d%s holds no repeating pulses: its highest level is %s of full scale.", t.Channel, where, percent(t.Level.Peak))
	remedy := check + ", and that the input is stereo: a headset socket has one channel only."
	if len(live) == 1 {
		if twoSources(groups[live[0]]) {
			c := trains[live[0]].Channel
			remedy += fmt.Sprintf(" If both pick-ups are meant to be on channel %d, name that channel for the spark and for the reference.", c)
		}
	}
	switch a := levelAdvice(t.Level.Peak, "pulse"); {
	case t.Level.Peak >= 0.25:
		remedy += " " + strings.ToUpper(a[:1]) + a[1:] + "."
	case t.Level.Peak > 0.05:
		remedy += " There is some signal, but nothing in it repeats as sparks or a pick-up would."
	}
	return cannot(code, reason, remedy)
}

// onlyLeak refuses sparks that are the reference heard on the spark's lead:
// they keep to its edges as no ignition does, and as many pulses that do not
// are there beside them, too much disturbed to be told apart.
func onlyLeak(pick, ref *group, tr dsp.Train) error {
	sd, leak := pick.leakOf(ref)
	if !leak || ref.train == pick.train || !tight(sd, pick, ref) {
		return nil
	}
	rate := float64(tr.Rate)
	edges := [][]float64{ref.t, ref.trailing().t}
	others := 0
	for i := range tr.Pulses {
		p := &tr.Pulses[i]
		if pick.has(p.Class) || math.Abs(p.Amp) < 0.15*pick.amp {
			continue
		}
		free := true
		for _, e := range edges {
			k, _ := slices.BinarySearch(e, p.Pos/rate)
			for _, j := range []int{k - 1, k} {
				if j >= 0 && j < len(e) && math.Abs(e[j]-p.Pos/rate) < 2*coincidentS {
					free = false
				}
			}
		}
		if free {
			others++
		}
	}
	if 4*others < len(pick.t) {
		return nil
	}
	return cannot("reference-leak",
		fmt.Sprintf("The pulses that stand out on channel %d come with the edges of the reference, to within %.1g µs: the reference leaks into the spark's lead, more strongly than the sparks.", tr.Channel, 1e6*math.Max(sd, 1e-7)),
		"Keep the two leads apart, use a screened lead for the pick-up, turn the pick-up's level down or the clamp's up, and close the clamp round the lead properly.")
}

// checkSpark says what to look at where a channel should hold sparks.
func checkSpark(kind SparkKind) string {
	switch kind {
	case Microphone:
		return "Check the microphone: that it stands close to an open, earthed plug, that its plug is in, and that noise suppression and automatic gain are off"
	case Contacts:
		return "Check the lead from the contacts: that its clip holds on the primary side, that the divider or coupling is whole and the plug is in"
	}
	return "Check that the clamp is closed round the spark lead (not the earth lead), that the lead from the clamp is whole and its plug is in"
}

// twoSources says whether one channel's groups could be a spark and a reference.
func twoSources(gs []*group) bool {
	if len(gs) < 2 {
		return false
	}
	ref, burst := 0, 0
	for _, g := range gs {
		if isReferenceKind(g.kind) {
			ref++
		} else {
			burst++
		}
	}
	if ref > 0 && burst > 0 {
		return true
	}
	return burst >= 2 && float64(len(gs[1].t)) > 0.4*float64(len(gs[0].t)) && gs[1].amp > 0.3*gs[0].amp && gs[0].amp > 0.3*gs[1].amp
}

func sameSignalError(a, b int) error {
	return cannot("same-signal",
		fmt.Sprintf("Channels %d and %d carry the same signal, with only one kind of pulse in it: there is no second pick-up to measure against.", a, b),
		"Check that the input is set to stereo and that spark clamp and reference each have their own side of the plug; a headset or laptop microphone input has one channel only. If both pick-ups are on one input, name the same channel for spark and reference.")
}

// sameSignal says whether two channels among list carry one signal: the same
// pulses at the same times, of the same kind, to within the timing's own
// scatter. A reference that lies right on the spark does not pass: the
// engine scatters, and the shapes differ.
func sameSignal(trains []dsp.Train, groups [][]*group, list []int) (same bool, a, b int) {
	for x := range list {
		for y := x + 1; y < len(list); y++ {
			ga, gb := groups[list[x]], groups[list[y]]
			matched, total := 0, 0
			for _, g := range ga {
				total += len(g.t)
				for _, h := range gb {
					if g.kind != h.kind {
						continue
					}
					share, dt, sd := coincidence(g, h, sameS)
					back, _, _ := coincidence(h, g, sameS)
					rate := float64(trains[list[x]].Rate)
					noise := math.Hypot(median(g.sigma), median(h.sigma))
					if share > 0.95 && back > 0.95 && math.Abs(dt) < sameS && sd < 4*noise+0.02/rate &&
						alike(trains[list[x]].Shapes[g.classes[0]], trains[list[y]].Shapes[h.classes[0]]) {
						matched += len(g.t)
						break
					}
				}
			}
			other := 0
			for _, h := range gb {
				other += len(h.t)
			}
			if float64(matched) > 0.9*float64(max(total, other)) {
				return true, list[x], list[y]
			}
		}
	}
	return false, 0, 0
}

// alike compares two averaged shapes about their timing points, either way
// up, by their normalised correlation; true when either is not known.
func alike(a, b dsp.Shape) bool {
	if len(a.Wave) == 0 || len(b.Wave) == 0 {
		return true
	}
	at := func(s dsp.Shape, x float64) float64 {
		x += s.WaveOrigin
		i := int(math.Floor(x))
		if i < 0 || i+1 >= len(s.Wave) {
			return 0
		}
		f := x - float64(i)
		return s.Wave[i]*(1-f) + s.Wave[i+1]*f
	}
	lo := -math.Min(a.WaveOrigin, b.WaveOrigin)
	hi := math.Min(float64(len(a.Wave))-a.WaveOrigin, float64(len(b.Wave))-b.WaveOrigin)
	var ab, aa, bb float64
	for x := lo; x < hi; x++ {
		p, q := at(a, x), at(b, x)
		ab += p * q
		aa += p * p
		bb += q * q
	}
	return aa > 0 && bb > 0 && math.Abs(ab) > 0.95*math.Sqrt(aa*bb)
}

// markEchoes finds groups that are crosstalk from another channel: they keep
// a constant, very short distance to a group there which is the larger,
// measured against its own channel.
func markEchoes(groups [][]*group, list []int) {
	for _, x := range list {
		for _, y := range list {
			if x == y {
				continue
			}
			for _, g := range groups[x] {
				for _, h := range groups[y] {
					if g.echoOf != nil || h.echoOf != nil {
						continue
					}
					share, _, sd := coincidence(g, h, coincidentS)
					if share < 0.8 || sd > crosstalkSdS+4*math.Hypot(median(g.sigma), median(h.sigma)) {
						continue
					}
					// Of two groups that are one event, the smaller beside its
					// channel's other pulses is the copy. A channel with one group
					// only must keep it.
					rg, rh := relative(g, groups[x]), relative(h, groups[y])
					if len(groups[x]) > 1 && rg < 0.9*rh {
						g.echoOf = h
					}
				}
			}
		}
	}
}

// relative is the height of g beside the highest of the other groups of its
// channel; large when it is alone.
func relative(g *group, gs []*group) float64 {
	m := 0.0
	for _, o := range gs {
		if o != g {
			m = math.Max(m, o.amp)
		}
	}
	if m == 0 {
		return 1e6
	}
	return g.amp / m
}

// own are the groups of a channel that are no crosstalk; all of them when
// nothing would be left.
func own(gs []*group) []*group {
	var out []*group
	for _, g := range gs {
		if g.echoOf == nil {
			out = append(out, g)
		}
	}
	if len(out) == 0 {
		return gs
	}
	return out
}

// mainGroup is the group that stands for a channel, of those want accepts:
// the highest among those that come often; nil when there is none.
func mainGroup(gs []*group, want func(*group) bool) *group {
	most := 0
	for _, g := range gs {
		if want(g) {
			most = max(most, len(g.t))
		}
	}
	var best *group
	for _, g := range gs {
		if want(g) && 10*len(g.t) >= 3*most && (best == nil || g.amp > best.amp) {
			best = g
		}
	}
	return best
}

func anyGroup(*group) bool  { return true }
func refKind(g *group) bool { return isReferenceKind(g.kind) }
func burstOf(g *group) bool { return g.kind == dsp.Burst }

// bestReference chooses the channel of the reference among cand.
func bestReference(trains []dsp.Train, groups [][]*group, cand []int, r *roles) (int, string) {
	type entry struct {
		i    int
		kind *group
		main *group
	}
	var all, kinds []entry
	for _, i := range cand {
		e := entry{i, mainGroup(own(groups[i]), refKind), mainGroup(own(groups[i]), anyGroup)}
		all = append(all, e)
		if e.kind != nil {
			kinds = append(kinds, e)
		}
	}
	if len(kinds) == 1 {
		k := kinds[0]
		return k.i, fmt.Sprintf("its pulses are those of a %s pick-up", k.kind.kind)
	}
	if len(kinds) > 1 {
		// Two channels with pick-up pulses: the one that holds no sparks of its own.
		var pure []entry
		for _, k := range kinds {
			if mainGroup(own(groups[k.i]), burstOf) == nil {
				pure = append(pure, k)
			}
		}
		if len(pure) == 1 {
			return pure[0].i, fmt.Sprintf("its pulses are those of a %s pick-up, and it holds no sparks of its own", pure[0].kind.kind)
		}
		all = kinds
		for i := range all {
			all[i].main = all[i].kind
		}
	}
	slices.SortStableFunc(all, func(a, b entry) int {
		switch {
		case a.main.rough < b.main.rough:
			return -1
		case a.main.rough > b.main.rough:
			return 1
		}
		return 0
	})
	best := all[0]
	if len(all) == 1 {
		return best.i, "the only other channel with pulses"
	}
	second := all[1]
	why := fmt.Sprintf("its rhythm is the smoother: its pulses stray %.3g µs from it, those of channel %d %.3g µs",
		1e6*best.main.rough, trains[second.i].Channel, 1e6*second.main.rough)
	if second.main.rough < 1.5*best.main.rough {
		if best.main.bad > second.main.bad+0.05 {
			best, second = second, best
			why = "its rhythm is the more complete"
		}
		r.findings = append(r.findings, Finding{Code: "roles-unsure", Severity: Warning, Message: fmt.Sprintf(
			"Which channel is the spark and which the reference was hard to tell: channel %d was taken as the reference because %s. If that is wrong, name the channels.",
			trains[best.i].Channel, why)})
	}
	return best.i, why
}

// bestSpark chooses the channel of the spark among cand.
func bestSpark(trains []dsp.Train, groups [][]*group, cand []int) (int, string) {
	best, bestN := -1, -1
	for _, i := range cand {
		n := 0
		if g := mainGroup(own(groups[i]), burstOf); g != nil {
			n = len(g.t)
		}
		if n > bestN {
			best, bestN = i, n
		}
	}
	if len(cand) == 1 {
		return best, "the other channel with pulses"
	}
	return best, "it holds the most sparks of the channels that are left"
}

// referenceGroup chooses the reference's pulses within its channel.
func referenceGroup(gs []*group, setup Setup, single bool, channel int) (*group, string, error) {
	if len(gs) == 0 {
		return nil, "", cannot("no-reference", fmt.Sprintf("There is no repeating reference pulse on channel %d.", channel),
			"Check the gap between magnet and pick-up, the pick-up's battery and lead, and the recording level.")
	}
	mine := own(gs)
	want := []dsp.Kind{dsp.Contact, dsp.Lobes}
	if setup.ReferenceKind == CoilReference {
		want = []dsp.Kind{dsp.Lobes, dsp.Contact}
	}
	if setup.ReferenceKind == "" {
		if g := mainGroup(mine, refKind); g != nil {
			return g, "the pulses of a pick-up, told by their shape", nil
		}
	} else {
		for _, k := range want {
			if g := mainGroup(mine, func(g *group) bool { return g.kind == k }); g != nil {
				return g, "the pulses of a pick-up, told by their shape", nil
			}
		}
	}
	if single {
		// All look like sparks: the smoother rhythm is the wheel's.
		var best *group
		most := 0
		for _, g := range mine {
			most = max(most, len(g.t))
		}
		top := maxAmp(mine)
		for _, g := range mine {
			if 10*len(g.t) >= 4*most && g.amp >= 0.2*top && (best == nil || g.rough < best.rough) {
				best = g
			}
		}
		if best == nil { // the frequent ones are low and the high ones rare
			best = mine[0]
		}
		return best, "of the pulses on this input they keep the smoothest rhythm", nil
	}
	g := mainGroup(mine, anyGroup) // never nil: mine is not empty
	return g, "the highest of the pulses that come regularly on this channel", nil
}

// sparkGroup chooses the sparks within their channel.
func sparkGroup(gs []*group, ref *group, setup Setup, trains []dsp.Train, si int) (*group, []*group, string, error) {
	var mine []*group
	for _, g := range gs {
		if g != ref {
			mine = append(mine, g)
		}
	}
	none := func() error {
		heard := "on"
		if setup.SparkKind == Microphone {
			heard = "to be heard on"
		}
		if len(trains) == 1 {
			// The commonest way to get here is an input that is not stereo.
			return cannot("no-sparks", "The recording has one channel, and on it pulses of one kind only: those of the spark, or those of the reference.",
				"Record in stereo, the spark on one channel and the reference on the other, into an input that is stereo: a headset socket has one channel only. If both pick-ups are on this one, c"+checkSpark(setup.SparkKind)[1:]+"; "+levelAdvice(0, "spark")+".")
		}
		peak := 0.0 // of what is no pulse of the reference, as far as it is known
		if ref.train != si {
			peak = trains[si].Level.Peak
		}
		return cannot("no-sparks", fmt.Sprintf("There are no sparks %s channel %d.", heard, trains[si].Channel), checkSpark(setup.SparkKind)+"; "+levelAdvice(peak, "spark")+".")
	}
	if len(mine) == 0 {
		return nil, nil, "", none()
	}
	cands := own(mine)
	isBurst := burstOf
	if contact := func(g *group) bool { return g.kind == dsp.Contact }; setup.SparkKind == Contacts && mainGroup(cands, contact) != nil {
		isBurst = contact // what bounce leaves looks like bursts
	} else if mainGroup(cands, burstOf) == nil {
		if ref.train == mine[0].train && setup.SparkKind != Contacts {
			return nil, nil, "", none()
		}
		isBurst = anyGroup
	}
	// Crosstalk at a constant, short distance from the reference gives way to
	// pulses that stand on their own; but a reference may lie right at the
	// spark, and then they are all there is.
	var free []*group
	for _, g := range cands {
		if !isBurst(g) {
			continue
		}
		if _, leak := g.leakOf(ref); !leak {
			free = append(free, g)
		}
	}
	pick := mainGroup(cands, isBurst)
	why := "the only pulses on this channel"
	if len(cands) > 1 {
		why = "the highest of the pulses that come regularly on this channel"
	}
	if len(free) > 0 && !slices.Contains(free, pick) {
		f := mainGroup(free, anyGroup)
		// Where the reference is plainly heard on this lead, what keeps to its
		// edges is that, and the rest no closing blip of it.
		heard := slices.ContainsFunc(mine, func(g *group) bool { sd, ok := g.leakOf(ref); return ok && tight(sd, g, ref) })
		blip := !heard && f.polarity != pick.polarity && f.amp < 0.7*pick.amp
		if !blip && f.amp >= 0.1*pick.amp && 10*len(f.t) > 3*len(pick.t) {
			pick = f
			why = "the higher ones keep a constant short distance to the reference, as crosstalk does"
		}
	}
	if len(pick.t) < minPulses {
		return nil, nil, "", none()
	}
	if err := onlyLeak(pick, ref, trains[si]); err != nil {
		return nil, nil, "", err
	}
	var also []*group
	for _, g := range mine {
		if g != pick {
			also = append(also, g)
		}
	}
	return pick, also, why, nil
}
