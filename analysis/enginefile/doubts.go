package enginefile

import (
	"fmt"
	"math"
	"slices"
)

// What is usual. Beyond it a value is doubtful, not wrong. All of it is common
// practice of the trade, no source, but where a line says otherwise; wide enough
// that a sound engine is not called doubtful for being unlike another.
const (
	usualStrokeFrom, usualStrokeTo       = 20.0, 120.0 // mm, small engines
	usualRodFrom, usualRodTo             = 1.3, 2.7    // rod length over stroke
	usualPinOffset                       = 0.1         // of the stroke, at most
	usualFlywheelFrom, usualFlywheelTo   = 50.0, 500.0 // mm
	usualFluctuation                     = 0.5         // of a running engine, at most
	usualAdvance                         = 45.0        // degrees before top dead centre, at most
	usualTableSlope                      = 30.0        // degrees per 1000 rpm, at most
	usualToleranceFrom, usualToleranceTo = 0.2, 5.0    // degrees: race ±0.5°, road ±2°
	usualGapFrom, usualGapTo             = 0.2, 0.7    // mm: mostly 0.3 to 0.5
	usualReedDelay                       = 1000.0      // µs, at most: a reed switches in 100 to 500
	usualCoilDelay                       = 100.0       // µs, at most: a coil and its lead
	usualClampDelay                      = 100.0       // µs, at most
	unsaidClampDelay                     = 200.0       // µs, at most, where the kind is taken for a clamp: 7 cm of air
	usualSkew                            = 1e6 / 44100 // µs: a converter that samples by turns is within one sample
	usualFar                             = 60.0        // degrees between reference and spark, at most: see the magnet, README.md
)

// enoughConformity is the probability from which something counts as within
// tolerance (contract of the verdict).
const enoughConformity = 0.95

// Inspect reads a file, and says what is wrong in it and, where nothing is, what
// is doubtful: possible, but unlike what is usual, or not going together. Both
// are in the order of the lines, which doubts of no single line precede.
func Inspect(doc []byte) (f File, wrong, doubts []*Problem) {
	f, lay, wrong := read(doc)
	if len(wrong) > 0 {
		// What is no text at all is found so at every line that is looked at.
		return File{}, slices.CompactFunc(wrong, func(a, b *Problem) bool { return *a == *b }), nil
	}
	d := doubter{f: f, lay: lay}
	d.engine()
	d.firing()
	d.target()
	d.contacts()
	d.static()
	d.reference()
	d.spark()
	slices.SortStableFunc(d.all, func(a, b *Problem) int { return a.Line - b.Line })
	return f, nil, d.all
}

// doubter gathers doubts.
type doubter struct {
	f   File
	lay layout
	all []*Problem
}

// say adds a doubt about a key.
func (d *doubter) say(key, format string, a ...any) {
	d.all = append(d.all, problem(d.lay.line(key), key, "%s %s", key, fmt.Sprintf(format, a...)))
}

// usual doubts a number outside a range, for which the unit stands in words.
func (d *doubter) usual(key string, from, to float64, unit, ask string) {
	if v, ok := d.f.Number(key); ok && (v < from || v > to) {
		d.say(key, "is %g: usual are %g to %g%s (common practice, no source): %s", v, from, to, unit, ask)
	}
}

func (d *doubter) engine() {
	e := d.f.Engine
	d.usual(EngineStroke, usualStrokeFrom, usualStrokeTo, " mm", "is it in millimetres, and the stroke, not the bore")
	d.usual(EngineFlywheelDiameter, usualFlywheelFrom, usualFlywheelTo, " mm", "is it the diameter, in millimetres, of the rim that is marked")
	if e.StrokeMM != nil && e.RodLengthMM != nil {
		if q := *e.RodLengthMM / *e.StrokeMM; q < usualRodFrom || q > usualRodTo {
			d.say(EngineRodLength, "is %g, %.2f times the stroke: usual are %g to %g (common practice, no source): is it from centre to centre", *e.RodLengthMM, q, usualRodFrom, usualRodTo)
		}
	}
	if e.StrokeMM != nil && e.PinOffsetMM != nil {
		if q := math.Abs(*e.PinOffsetMM) / *e.StrokeMM; q > usualPinOffset {
			d.say(EnginePinOffset, "is %g, %.0f %% of the stroke: usual are up to %.0f %% (common practice, no source)", *e.PinOffsetMM, 100*q, 100*usualPinOffset)
		}
	}
	if v := e.SpeedFluctuation; v != nil {
		switch {
		case *v == 0:
			d.say(EngineSpeedFluctuation, "is 0: no engine turns evenly; leave it out where it is not known")
		case *v > usualFluctuation:
			d.say(EngineSpeedFluctuation, "is %g: a running engine stays below %g (common practice, no source): it is a fraction, so that 5 %% is 0.05", *v, usualFluctuation)
		}
	}
}

// firing doubts strokes, cylinders and sparks that do not go together.
func (d *doubter) firing() {
	e := d.f.Engine
	o := e.FiringOffsetsDeg
	for i := range o {
		for k := range i {
			if o[i] == o[k] {
				d.say(EngineFiringOffsets, "lets cylinders %d and %d fire at one moment: is that so", k+1, i+1)
			}
		}
	}
	if e.StrokesPerCycle == nil {
		if len(o) > 1 {
			d.say(EngineFiringOffsets, "stands without %s: whether a cylinder fires in every revolution is then not known", EngineStrokesPerCycle)
		}
		return
	}
	two := *e.StrokesPerCycle == 2
	if v := d.f.Contacts.CamTurnsPerRev; v != nil && two && *v != 1 {
		d.say(ContactsCamTurnsPerRev, "is %g, but a two-stroke fires in every revolution: its contacts open once per turn of the crank", *v)
	}
	v := d.f.Spark.PerRev
	if v == nil {
		return
	}
	if two && *v < 1 {
		d.say(SparkPerRev, "is %g, but %s is 2: a two-stroke fires in every revolution", *v, EngineStrokesPerCycle)
	}
	// One pick-up hears at most every cylinder, and with four strokes and wasted
	// sparks each in every revolution.
	if n := float64(len(o)); n > 0 && *v > n {
		d.say(SparkPerRev, "is %g, more than the cylinders, of which %s has %g", *v, EngineFiringOffsets, n)
	}
}

func (d *doubter) target() {
	t := d.f.Target
	angle := func(key, place string, v float64) {
		switch {
		case v < 0:
			d.say(key, "%sis %g, after top dead centre: angles count before it, so an engine that fires early enough has a positive one", place, v)
		case v > usualAdvance:
			d.say(key, "%sis %g: usual are up to %g degrees (common practice, no source): too much advance can destroy an engine", place, v, usualAdvance)
		}
	}
	if t.AngleDeg != nil {
		angle(TargetAngle, "", *t.AngleDeg)
	}
	for i, r := range t.Table {
		angle(TargetTable, fmt.Sprintf("row %d, angle_deg, ", i+1), *r.AngleDeg)
		if i == 0 {
			continue
		}
		b := t.Table[i-1]
		if s := (*r.AngleDeg - *b.AngleDeg) / (*r.RPM - *b.RPM) * 1000; math.Abs(s) > usualTableSlope {
			d.say(TargetTable, "goes by %.3g degrees per 1000 rpm from row %d to row %d: usual are up to %g (common practice, no source)", s, i, i+1, usualTableSlope)
		}
	}
	if v := t.ToleranceDeg; v != nil {
		d.usual(TargetTolerance, usualToleranceFrom, usualToleranceTo, " degrees", "road engines are held to ±2, race engines to ±0.5")
		if t.AngleDeg == nil && t.Table == nil {
			d.say(TargetTolerance, "stands without a target: want %s or %s too", TargetAngle, TargetTable)
		}
		// A rectangular distribution of half-width a about the target itself lies
		// within ±T with the probability T/a (JCGM 106:2012, 7).
		if a := d.f.Reference.AngleToleranceDeg; a != nil && enoughConformity**a > *v {
			d.say(ReferenceAngleTolerance, "is %g: with the reference known no better than that, no recording can be shown to be within the ±%g of %s", *a, *v, TargetTolerance)
		}
	}
}

func (d *doubter) contacts() {
	c := d.f.Contacts
	for _, k := range []string{ContactsGapMin, ContactsGapMax, ContactsGap} {
		d.usual(k, usualGapFrom, usualGapTo, " mm", "most are set to 0.3 to 0.5; is it in millimetres")
	}
	if c.GapMM != nil && c.GapMinMM != nil && *c.GapMM < *c.GapMinMM {
		d.say(ContactsGap, "is %g, less than the %g of %s", *c.GapMM, *c.GapMinMM, ContactsGapMin)
	}
	if c.GapMM != nil && c.GapMaxMM != nil && *c.GapMM > *c.GapMaxMM {
		d.say(ContactsGap, "is %g, more than the %g of %s", *c.GapMM, *c.GapMaxMM, ContactsGapMax)
	}
}

// static doubts a static angle that is not where the engine should fire.
func (d *doubter) static() {
	s := d.f.Static
	if s.AngleDeg == nil {
		return
	}
	at, ok := d.f.Target.At(0)
	if !ok || d.f.Target.ToleranceDeg == nil {
		return
	}
	within := *d.f.Target.ToleranceDeg
	if s.AngleToleranceDeg != nil {
		within += *s.AngleToleranceDeg
	}
	off := math.Remainder(*s.AngleDeg-at, 360)
	if math.Abs(off) <= within {
		return
	}
	if math.Abs(math.Remainder(*s.AngleDeg+at, 360)) <= within {
		d.say(StaticAngle, "is %g, nearly minus the target of %g: angles count before top dead centre; is the wheel read the other way", *s.AngleDeg, at)
		return
	}
	d.say(StaticAngle, "is %g, %.3g degrees from the target of %g at the lowest speed, more than the tolerances allow: set it before you run the engine, or read it again", *s.AngleDeg, math.Abs(off), at)
}

func (d *doubter) reference() {
	r := d.f.Reference
	if r.AngleDeg != nil {
		if at, ok := d.f.Target.At(0); ok && r.Pulses == nil || ok && *r.Pulses == 1 {
			if off := math.Remainder(*r.AngleDeg-at, 360); math.Abs(off) > usualFar {
				d.say(ReferenceAngle, "is %g, %.0f degrees from the target: the farther the reference from the spark, the more does uneven turning enter; best is 5 to 20 degrees before the spark", *r.AngleDeg, math.Abs(off))
			}
		}
	}
	d.delay(ReferenceDelay, r.DelayUS, r.DelayToleranceUS, map[string]float64{"contact": usualReedDelay, "coil": usualCoilDelay}, r.Kind)
	d.usual(ConverterSkew, -usualSkew, usualSkew, " µs", "inputs of one device are no more than a sample apart")
}

func (d *doubter) spark() {
	s := d.f.Spark
	kind, most := s.Kind, usualClampDelay
	if clamp := "clamp"; kind == nil { // what is measured with where nothing is said
		kind, most = &clamp, unsaidClampDelay
	}
	d.delay(SparkDelay, s.DelayUS, s.DelayToleranceUS, map[string]float64{"clamp": most, "contacts": most}, kind)
	if s.Kind != nil && *s.Kind == "microphone" && (s.DelayUS == nil || *s.DelayUS == 0) {
		d.say(SparkKind, "is %q, but %s is not given: sound takes 2.9 ms for a metre, and calibrate microphone works it out", *s.Kind, SparkDelay)
	}
}

// delay doubts a delay that is negative by more than its ±, or longer than its
// kind of pick-up has.
func (d *doubter) delay(key string, us, tolerance *float64, most map[string]float64, kind *string) {
	if us == nil {
		return
	}
	pm := 0.0
	if tolerance != nil {
		pm = *tolerance
	}
	if *us < -pm {
		d.say(key, "is %g: a trace comes after its event, so that a delay is positive", *us)
		return
	}
	if kind == nil {
		return
	}
	if m, ok := most[*kind]; ok && *us > m {
		d.say(key, "is %g: with the kind %q usual are up to %g microseconds (common practice, no source)", *us, *kind, m)
	}
}
