package dsp

import (
	"cmp"
	"maps"
	"slices"
)

// Live is a Listener to a source that has not ended: at any moment it tells
// what has been heard so far.
//
// It is the very Listener that a file is read with, beside which, until that
// has learned, runs a copy that had to learn early: from what there was after
// one second, and again each time twice as much has come. Its timing points
// are provisional, as a short stretch averages few pulses; from the moment the
// Listener itself has learned they are those of the file. What lies between
// the last stretch scanned and now is looked at in a copy that is thrown away,
// so that looking changes nothing.
//
// Learning takes as long as ten or thirty blocks of samples last. So that no
// block waits for all of it, it is done lesson by lesson, one or a few at each
// Push, while the copy that learned before goes on.
type Live struct {
	rate     Rate
	listener *Listener
	early    *Listener // nil: none yet, or no more use
	coming   *Listener // is learning, to take the place of early; nil: none
	total    int64     // samples so far
	next     int64     // when to learn early again, samples
	lessons  float64   // how many may be done now
	shift    converterShift
	shapes   []int // numbers of the shapes that shift was made from
	of       *Listener
}

const (
	earlyS = 1.0 // seconds from which learning early may make sense
	// Seconds of samples to a lesson: while nothing can be told, and while what
	// was learned before tells and must not wait.
	firstLessonS, laterLessonS = 0.01, 0.08
)

// NewLive listens to channels of one rate; options are those of each, or nil.
func NewLive(rate Rate, channels int, options []Options) *Live {
	l := &Live{rate: rate, listener: NewListenerWith(rate, channels, options), next: int64(earlyS * float64(rate))}
	for _, d := range l.listener.detectors {
		d.patient = true
	}
	return l
}

// Push takes the next samples, one slice per channel, all of a length. It
// changes none of them.
func (l *Live) Push(block [][]float32) {
	if len(block) == 0 || len(block[0]) == 0 {
		return
	}
	own := func() [][]float32 {
		b := make([][]float32, len(block))
		for c := range block {
			b[c] = slices.Clone(block[c])
		}
		return b
	}
	for _, x := range []*Listener{l.early, l.coming, l.listener} {
		if x != nil {
			x.Push(own())
		}
	}
	n := len(block[0])
	l.total += int64(n)
	if l.listener.learned() {
		l.early, l.coming = nil, nil
		return
	}
	each := laterLessonS
	if l.early == nil {
		each = firstLessonS
	}
	for l.lessons += float64(n) / (each * float64(l.rate)); l.lessons >= 1; l.lessons-- {
		if !l.learnOn() {
			l.lessons = 1 // the next one need not wait
			break
		}
	}
}

// learnOn does one lesson, or begins to learn early; false when there is nothing
// to learn now.
func (l *Live) learnOn() bool {
	switch {
	case l.listener.teach():
		if l.listener.learned() {
			l.early, l.coming = nil, nil
		}
	case l.coming != nil:
		if !l.coming.teach() {
			if l.coming.heard() {
				l.early = l.coming
			}
			l.coming = nil
		}
	case l.total >= l.next:
		l.next = 2 * l.total
		l.coming = l.listener.clone(0)
		l.coming.learnNow()
	default:
		return false
	}
	return true
}

// Provisional is whether timing points may still move a little, since too
// little has been heard to average.
func (l *Live) Provisional() bool { return !l.listener.learned() }

// Samples is how many samples there were, per channel.
func (l *Live) Samples() int64 { return l.total }

// Snapshot returns the pulses from position from on, samples, by channel, as
// Finish would if the source ended now; nil before anything could be learned.
// The trains are the caller's.
func (l *Live) Snapshot(from float64) []Train {
	on := l.listener
	if !on.learned() {
		if on = l.early; on == nil {
			return nil
		}
	}
	c := on.clone(from)
	var out []Train
	for _, d := range c.detectors {
		t := d.End()
		// What is still coming in is not all there yet.
		whole := float64(d.total) - float64(d.whole())
		for len(t.Pulses) > 0 && t.Pulses[len(t.Pulses)-1].Pos > whole {
			t.Pulses = t.Pulses[:len(t.Pulses)-1]
		}
		t.Pulses = t.Pulses[firstFrom(t.Pulses, from):]
		out = append(out, t)
	}
	// What the converter is changes with the shapes alone, and is costly.
	n := make([]int, len(out))
	for i := range out {
		n[i] = len(out[i].Shapes)
	}
	if l.of != on || !slices.Equal(n, l.shapes) {
		l.shift, l.shapes, l.of = converterOf(out), n, on
	}
	l.shift.apply(out)
	return out
}

// whole is how many samples must follow a pulse before it can be timed as in
// the middle of a recording.
func (d *Detector) whole() int {
	n := d.z.post + d.z.margin
	if d.contact.on {
		n = max(n, int((levelS+bounceS)*float64(d.rate)))
	}
	if d.lobes.on {
		n = int(lobeReach*d.lobes.half) + 2
	}
	return n
}

// Forget drops pulses before a position, samples, so that memory does not grow
// for ever. Finish and Snapshot then know only those from there on.
func (l *Live) Forget(before float64) {
	for _, x := range []*Listener{l.listener, l.early} {
		if x == nil {
			continue
		}
		for _, d := range x.detectors {
			d.forgetPulses(before)
		}
	}
}

// Finish ends the source and returns what was found, by channel: what the
// Listener of a file returns. The Live is not used again.
func (l *Live) Finish() []Train { return l.listener.Finish() }

// learned is whether every detector has its shapes.
func (l *Listener) learned() bool {
	if l.separator != nil && !l.separator.Ready() {
		return false
	}
	for _, d := range l.detectors {
		if !d.learned || d.todo != nil {
			return false
		}
	}
	return true
}

// learnNow makes ready to learn from what there is.
func (l *Listener) learnNow() {
	for _, d := range l.detectors {
		d.patient = true
	}
	if l.separator != nil {
		if a, b := l.separator.Flush(); a != nil {
			l.detectors[0].Push(a)
			l.detectors[1].Push(b)
		}
	}
	for _, d := range l.detectors {
		if !d.learned && d.todo == nil {
			d.prepare(true)
		}
	}
}

// teach does the next lesson of the first detector that has one to do; false when
// none has.
func (l *Listener) teach() bool {
	for _, d := range l.detectors {
		if d.todo != nil {
			d.teach()
			return true
		}
	}
	return false
}

// heard is whether any channel holds pulses.
func (l *Listener) heard() bool {
	for _, d := range l.detectors {
		if len(d.classes) > 0 || d.lobes.on || d.contact.on {
			return true
		}
	}
	return false
}

// clone is a copy of what is not just learning that shares nothing that changes; of the pulses it has those
// from position from on, and one before.
func (l *Listener) clone(from float64) *Listener {
	c := &Listener{}
	if s := l.separator; s != nil {
		t := *s
		t.held[0], t.held[1] = slices.Clone(s.held[0]), slices.Clone(s.held[1])
		c.separator = &t
	}
	for _, d := range l.detectors {
		c.detectors = append(c.detectors, d.clone(from))
	}
	return c
}

// since is the index of the last pulse before a position, in time order; 0
// when there is none.
func since(p []Pulse, from float64) int {
	// Two pulses that lie on top of each other may be out of order.
	return max(0, firstFrom(p, from)-2)
}

// firstFrom is the index of the first pulse from a position on, in time order.
func firstFrom(p []Pulse, from float64) int {
	k, _ := slices.BinarySearchFunc(p, from, func(p Pulse, x float64) int { return cmp.Compare(p.Pos, x) })
	return k
}

func (d *Detector) clone(from float64) *Detector {
	c := *d
	c.patient = false
	c.onsets = onsetTables{shared: d.onsets.shared} // each has its own work space
	c.buf, c.lo, c.hi, c.guard = slices.Clone(d.buf), slices.Clone(d.lo), slices.Clone(d.hi), slices.Clone(d.guard)
	c.scan.peaks, c.floors = slices.Clone(d.scan.peaks), slices.Clone(d.floors)
	c.near = floorLog{slices.Clone(d.near.from), slices.Clone(d.near.q)}
	c.cands, c.unknown = cloneSnippets(d.cands), cloneSnippets(d.unknown)
	twin := map[*class]*class{}
	of := func(k *class) *class {
		if k == nil {
			return nil
		}
		if twin[k] == nil {
			x := *k
			twin[k] = &x
		}
		return twin[k]
	}
	c.classes = nil
	for _, k := range d.classes {
		c.classes = append(c.classes, of(k))
	}
	first := since(d.pulses, from)
	if p := d.last; p != nil {
		first = min(first, p.pulse)
		c.last = &placed{c: of(p.c), f: p.f, pulse: p.pulse - first}
	}
	c.dying.c = of(d.dying.c)
	c.pulses = slices.Clone(d.pulses[first:])

	c.contact.edges, c.contact.recent = slices.Clone(d.contact.edges), slices.Clone(d.contact.recent)
	c.contact.pulses = slices.Clone(d.contact.pulses[since(d.contact.pulses, from):])
	c.contact.front = of(d.contact.front)

	l := *d.lobes
	k := since(l.pulses, from)
	l.pulses, l.drifts = slices.Clone(l.pulses[k:]), slices.Clone(l.drifts[k:])
	l.prefix = nil
	l.couple.all, l.couple.per = slices.Clone(l.couple.all), maps.Clone(l.couple.per)
	l.floors = &c.near
	c.lobes = &l

	h := *d.hum
	h.raw, h.means, h.out, h.piece, h.peaks = slices.Clone(h.raw), slices.Clone(h.means), nil, slices.Clone(h.piece), slices.Clone(h.peaks)
	c.hum = &h
	return &c
}

func cloneSnippets(all []*snippet) []*snippet {
	out := make([]*snippet, len(all))
	for i, s := range all {
		t := *s
		out[i] = &t
	}
	return out
}

// forgetPulses drops pulses before a position.
func (d *Detector) forgetPulses(before float64) {
	first := since(d.pulses, before)
	if p := d.last; p != nil {
		first = min(first, p.pulse)
		p.pulse -= first
	}
	d.pulses = d.pulses[:copy(d.pulses, d.pulses[first:])]
	k := since(d.contact.pulses, before)
	d.contact.pulses = d.contact.pulses[:copy(d.contact.pulses, d.contact.pulses[k:])]
	k = since(d.lobes.pulses, before)
	d.lobes.pulses = d.lobes.pulses[:copy(d.lobes.pulses, d.lobes.pulses[k:])]
	d.lobes.drifts = d.lobes.drifts[:copy(d.lobes.drifts, d.lobes.drifts[k:])]
}
