package analysis

import (
	"fmt"
	"math"
)

// mostSkewS bounds the skew between the channels of a converter, seconds: one
// that samples its channels by turns is late by less than a sample, two
// separate ones by what starts them.
const mostSkewS = 0.01

// Validate returns nil when the setup can be used, else an error whose text
// names the quantity as the user gave it and what it may be. It does not look
// at a recording.
func (s Setup) Validate() error {
	if s.SparkChannel < 0 {
		return fmt.Errorf("analysis: spark channel %d: channels are counted from 1", s.SparkChannel)
	}
	if s.ReferenceChannel < 0 {
		return fmt.Errorf("analysis: reference channel %d: channels are counted from 1", s.ReferenceChannel)
	}
	switch s.SparkKind {
	case "", Clamp, Microphone, Contacts:
	default:
		return fmt.Errorf("analysis: spark kind %q: want clamp, microphone or contacts", s.SparkKind)
	}
	switch s.ReferenceKind {
	case "", ContactReference, CoilReference:
	default:
		return fmt.Errorf("analysis: reference kind %q: want contact or coil", s.ReferenceKind)
	}
	if s.ReferencePulses < 0 || s.ReferencePulses > 360 {
		return fmt.Errorf("analysis: %d reference pulses per revolution: want 1 to 360", s.ReferencePulses)
	}
	if p := s.SparksPerRev; p != (SparksPerRev{}) {
		ok := p.Num >= 1 && (p.Den == 1 && p.Num <= 12 || p.Num == 1 && p.Den == 2)
		if !ok {
			return fmt.Errorf("analysis: %d/%d sparks per revolution: want 1/2, or a whole number from 1 to 12", p.Num, p.Den)
		}
	}
	type angle struct {
		name     string
		v        *Degrees
		min, max float64
	}
	for _, a := range []angle{
		{"reference angle", s.ReferenceAngle, -360, 360}, // whole turns change nothing here
		{"static angle", s.Static, -180, 180},
		{"target", s.Target, -180, 180},
		{"static tolerance", s.StaticTolerance, 0, 180},
		{"reference-angle tolerance", s.ReferenceAngleTolerance, 0, 180},
		{"tolerance", s.Tolerance, 0, 180},
		{"dwell", s.Dwell, 1, 719},
	} {
		if a.v == nil {
			continue
		}
		v := float64(*a.v)
		if a.min == -180 && v == a.min { // half a turn has one name
			return fmt.Errorf("analysis: %s %g degrees: want more than -180, up to 180: half a turn is 180", a.name, v)
		}
		if !(v >= a.min && v <= a.max) {
			return fmt.Errorf("analysis: %s %g degrees: want %g to %g", a.name, v, a.min, a.max)
		}
	}
	for _, d := range []struct {
		name string
		v    float64
	}{{"spark delay", s.SparkDelayS}, {"reference delay", s.ReferenceDelayS}} {
		if !(math.Abs(d.v) <= 1) {
			return fmt.Errorf("analysis: %s %g s: want a time within ±1 s", d.name, d.v)
		}
	}
	if !(math.Abs(s.ConverterSkewS) <= mostSkewS) {
		return fmt.Errorf("analysis: converter skew %g s: want a time within ±%g s", s.ConverterSkewS, mostSkewS)
	}
	for _, d := range []struct {
		name string
		v    *float64
		most float64
	}{
		{"delay tolerance", s.DelayToleranceS, 1},
		{"spark delay tolerance", s.SparkDelayToleranceS, 1},
		{"reference delay tolerance", s.ReferenceDelayToleranceS, 1},
		{"converter skew tolerance", s.ConverterSkewToleranceS, mostSkewS},
	} {
		if d.v != nil && !(*d.v >= 0 && *d.v <= d.most) {
			return fmt.Errorf("analysis: %s %g s: want 0 to %g s", d.name, *d.v, d.most)
		}
	}
	if f := s.SpeedFluctuation; f != nil && !(*f >= 0 && *f <= 2) {
		return fmt.Errorf("analysis: speed fluctuation %g: want 0 to 2, (fastest - slowest)/mean within one revolution", *f)
	}
	if err := s.validateOffsets(); err != nil {
		return err
	}
	if err := s.validateTarget(); err != nil {
		return err
	}
	if err := s.Breaker.validate(); err != nil {
		return err
	}
	if s.StaticTolerance != nil && s.Static == nil {
		return fmt.Errorf("analysis: a static tolerance of ±%g degrees needs the static angle it belongs to", float64(*s.StaticTolerance))
	}
	if s.Dwell != nil && s.SparkKind != Contacts {
		return fmt.Errorf("analysis: a dwell of %g degrees is for a channel that shows the contacts: spark kind contacts", float64(*s.Dwell))
	}
	if c := s.sparkCycle(); s.Dwell != nil && float64(*s.Dwell) >= c {
		return fmt.Errorf("analysis: dwell %g degrees: want less than the %g from one opening to the next", float64(*s.Dwell), c)
	}
	if s.OpensIntoLonger() && s.SparkChannel == 0 {
		return fmt.Errorf("analysis: a dwell of %g degrees is less than half of the %g from one opening to the next: name the channel of the contacts too", float64(*s.Dwell), s.sparkCycle())
	}
	return nil
}

func (b *Breaker) validate() error {
	if t := b.CamTurnsPerRev; t != nil && *t != 1 && *t != 0.5 {
		return fmt.Errorf("analysis: the cam turns %g times per turn of the crankshaft: want 1 or 0.5", *t)
	}
	for _, l := range []struct {
		name string
		v    *float64
	}{{"plate's diameter", b.PlateDiameterMM}, {"contact gap", b.GapMM}, {"least contact gap", b.GapMinMM}, {"greatest contact gap", b.GapMaxMM}} {
		if l.v != nil && !(*l.v > 0 && !math.IsInf(*l.v, 0)) {
			return fmt.Errorf("analysis: %s %g mm: want more than 0", l.name, *l.v)
		}
	}
	switch b.Rotation {
	case "", "clockwise", "anticlockwise":
		return nil
	}
	return fmt.Errorf("analysis: rotation %q: want clockwise or anticlockwise", b.Rotation)
}

// referenceDelayKnown says whether anything was stated of the reference's delay.
func (s Setup) referenceDelayKnown() bool {
	return s.ReferenceDelayStated || s.ReferenceDelayS != 0 || s.referenceTolerance() != nil
}

// sparkTolerance is the ± of the spark's delay that was given, or nil.
func (s Setup) sparkTolerance() *float64 {
	if s.DelayToleranceS != nil {
		return s.DelayToleranceS
	}
	return s.SparkDelayToleranceS
}

// referenceTolerance is the ± of the reference's delay that was given, or nil.
func (s Setup) referenceTolerance() *float64 {
	if s.DelayToleranceS != nil {
		return s.DelayToleranceS
	}
	return s.ReferenceDelayToleranceS
}
