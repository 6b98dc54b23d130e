package desk

import (
	"math"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/live"
	"sparkscope/dsp"
)

// Sizes of views.
const (
	stripStepS  = 0.1 // sparks of so long are one point of the strip
	wheelSparks = 60  // dots on the wheel
	wheelOldS   = 3.0 // and not older
	recentS     = 3.0 // of samples kept for the view of the pulses
	beforeMS    = 1.0 // of the view
	afterMS     = 3.0
)

// stripPoint is a stretch of the strip: time in seconds, mean, least and greatest
// advance in degrees, and speed in rpm.
type stripPoint [5]float64

func stripOf(all []live.Spark) []stripPoint {
	var out []stripPoint
	n := 0.0
	for _, s := range all {
		a := float64(s.Advance)
		k := len(out) - 1
		if k < 0 || math.Floor(s.TimeS/stripStepS) != math.Floor(out[k][0]/stripStepS) {
			if k >= 0 {
				a = nearTo(out[k][1], a)
			}
			out = append(out, stripPoint{s.TimeS, a, a, a, s.RPM})
			n = 1
			continue
		}
		n++
		p := &out[k]
		a = nearTo(p[1], a)
		p[1] += (a - p[1]) / n
		p[2], p[3] = math.Min(p[2], a), math.Max(p[3], a)
		p[4] += (s.RPM - p[4]) / n
	}
	return out
}

// nearTo is a, moved by whole turns to within half a turn of c.
func nearTo(c, a float64) float64 { return a - 360*math.Round((a-c)/360) }

// curvePoint is a range of speed: mean rpm, mean advance, its scatter, sparks.
type curvePoint [4]float64

func curveOf(all []live.Speed) []curvePoint {
	var out []curvePoint
	for _, s := range all {
		a := float64(s.Mean)
		if len(out) > 0 {
			a = nearTo(out[len(out)-1][1], a)
		}
		out = append(out, curvePoint{s.MeanRPM, a, float64(s.StdDev), float64(s.N)})
	}
	return out
}

// targetPoint is a speed and the target there.
type targetPoint [2]float64

// targetsOf is the target over the speeds of a curve, and a little beyond.
func targetsOf(s analysis.Setup, curve []curvePoint) []targetPoint {
	if len(curve) == 0 || !s.HasTarget() {
		return nil
	}
	var out []targetPoint
	const beyond = 600 // rpm
	lo, hi := math.Max(0, curve[0][0]-beyond), curve[len(curve)-1][0]+beyond
	add := func(rpm float64) {
		if t, ok := s.TargetAt(rpm); ok {
			out = append(out, targetPoint{rpm, float64(t)})
		}
	}
	add(lo)
	for _, r := range s.TargetTable {
		if r.RPM > lo && r.RPM < hi {
			add(r.RPM)
		}
	}
	add(hi)
	return out
}

// wheelView is one revolution: degrees before top dead centre, or relative to
// the reference event.
type wheelView struct {
	Sparks    []float64 `json:"sparks"`
	Mean      float64   `json:"mean"`
	Target    *float64  `json:"target"`
	Tolerance *float64  `json:"tolerance"`
	Reference *float64  `json:"reference"` // where the reference passes its pick-up
	Relative  bool      `json:"relative"`
	// Anticlockwise is how the flywheel turns, as the engine file says it: then the
	// wheel is drawn the other way round.
	Anticlockwise bool `json:"anticlockwise"`
}

func wheelOf(r live.Reading, strip []live.Spark) *wheelView {
	v := &wheelView{Relative: r.Relative, Sparks: []float64{}, Anticlockwise: r.Setup.Breaker.Rotation == enginefile.Anticlockwise}
	if !r.HasAngle {
		return v
	}
	v.Mean = float64(r.Advance)
	for _, s := range strip[max(0, len(strip)-wheelSparks):] {
		if s.TimeS > r.TimeS-wheelOldS {
			v.Sparks = append(v.Sparks, float64(s.Advance))
		}
	}
	if r.HasTarget {
		t := float64(r.Target)
		v.Target = &t
		if r.Setup.Tolerance != nil {
			u := float64(*r.Setup.Tolerance)
			v.Tolerance = &u
		}
	}
	switch {
	case r.Relative:
		zero := 0.0
		v.Reference = &zero
	case r.Setup.ReferenceAngle != nil:
		a := float64(*r.Setup.ReferenceAngle)
		v.Reference = &a
	}
	return v
}

// recent keeps the last seconds of all channels.
type recent struct {
	x     [][]float32 // ring, one slice per channel
	total int64
}

func newRecent(rate dsp.Rate, channels int) *recent {
	r := &recent{x: make([][]float32, channels)}
	for c := range r.x {
		r.x[c] = make([]float32, int(recentS*float64(rate)))
	}
	return r
}

func (r *recent) push(block [][]float32) {
	size := len(r.x[0])
	for c, b := range block {
		at := int(r.total % int64(size))
		for len(b) > 0 {
			n := copy(r.x[c][at:], b)
			b = b[n:]
			at = (at + n) % size
		}
	}
	r.total += int64(len(block[0]))
}

// cut is samples from to to of a channel; nil where they are not there any more
// or not yet.
func (r *recent) cut(c int, from, to int64) []float32 {
	size := int64(len(r.x[c]))
	if from < 0 || from < r.total-size || to > r.total || to <= from {
		return nil
	}
	out := make([]float32, 0, to-from)
	for i := from; i < to; i++ {
		out = append(out, r.x[c][i%size])
	}
	return out
}

// pulseView is what came last on each channel as it was recorded: with a reading
// the last spark and the reference before it; without one the last pulse that was
// found, or else the highest there was in the last seconds.
type pulseView struct {
	Traces []*trace `json:"traces"`
}

// trace is a stretch of one channel. Millisecond 0 is the timing point.
type trace struct {
	Channel int       `json:"channel"`
	What    string    `json:"what"`     // "spark", "reference", "pulse" or "highest"
	Timed   bool      `json:"timed"`    // millisecond 0 is a timing point, not just the highest sample
	FirstMS float64   `json:"first_ms"` // of the first sample, from the timing point
	StepMS  float64   `json:"step_ms"`
	X       []float32 `json:"x"` // fractions of full scale
}

// cutAround is a trace around a position, samples; nil where it is not kept.
func (d *Desk) cutAround(channel int, what string, pos float64) *trace {
	if channel < 1 || channel > d.watch.Channels() {
		return nil
	}
	perMS := float64(d.rate) / 1e3
	from := max(0, int64(math.Floor(pos-beforeMS*perMS)))
	to := min(int64(math.Ceil(pos+afterMS*perMS)), d.recent.total)
	x := d.recent.cut(channel-1, from, to)
	if x == nil {
		return nil
	}
	return &trace{channel, what, what != "highest", (float64(from) - pos) / perMS, 1 / perMS, x}
}

// pulses cuts out what came last.
func (d *Desk) pulses(r live.Reading) *pulseView {
	v := &pulseView{Traces: []*trace{}}
	add := func(t *trace) {
		if t != nil {
			v.Traces = append(v.Traces, t)
		}
	}
	trains := d.session.Heard()
	if r.HasAngle && trains != nil {
		spark := r.LastS * float64(d.rate)
		add(d.cutAround(r.Setup.SparkChannel, "spark", spark))
		if pos, ok := d.referenceBefore(r, spark); ok {
			add(d.cutAround(r.Setup.ReferenceChannel, "reference", pos))
		}
		return v
	}
	for c := range d.watch.Channels() {
		if c < len(trains) && len(trains[c].Pulses) > 0 {
			p := trains[c].Pulses
			add(d.cutAround(c+1, "pulse", p[len(p)-1].Pos))
			continue
		}
		if pos, ok := d.recent.highest(c); ok {
			add(d.cutAround(c+1, "highest", float64(pos)))
		}
	}
	return v
}

// referenceBefore is the position of the last reference before a spark: of the
// pulses on its channel the one that is nearest to where the angle says it must be.
func (d *Desk) referenceBefore(r live.Reading, spark float64) (pos float64, ok bool) {
	trains := d.session.Heard()
	c := r.Setup.ReferenceChannel
	if c < 1 || c > len(trains) || r.RPM <= 0 {
		return 0, false
	}
	zero := 0.0
	if !r.Relative && r.Setup.ReferenceAngle != nil {
		zero = float64(*r.Setup.ReferenceAngle)
	}
	turn := 60 / r.RPM * float64(d.rate)
	want := spark - math.Mod(zero-float64(r.Advance)+720, 360)/360*turn
	pos = math.Inf(1)
	for _, p := range trains[c-1].Pulses {
		if math.Abs(p.Pos-want) < math.Abs(pos-want) {
			pos = p.Pos
		}
	}
	return pos, math.Abs(pos-want) < 0.1*turn
}

// highest is where the channel was highest in what is kept, but for its ends;
// ok is false where it was silent.
func (r *recent) highest(c int) (pos int64, ok bool) {
	size := int64(len(r.x[c]))
	most := float32(0)
	margin := size / 20
	for i := max(0, r.total-size) + margin; i < r.total-margin; i++ {
		if v := r.x[c][i%size]; v > most || -v > most {
			most, pos = max(v, -v), i
		}
	}
	return pos, most > 0
}
