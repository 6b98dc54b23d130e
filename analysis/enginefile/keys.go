package enginefile

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

// Keys of the numbers, which Set can put into a file and File.Number looks up.
const (
	EngineStroke            = "engine.stroke_mm"
	EngineRodLength         = "engine.rod_length_mm"
	EnginePinOffset         = "engine.pin_offset_mm"
	EngineFlywheelDiameter  = "engine.flywheel_diameter_mm"
	EngineStrokesPerCycle   = "engine.strokes_per_cycle"
	EngineSpeedFluctuation  = "engine.speed_fluctuation"
	TargetAngle             = "target.angle_deg"
	TargetTolerance         = "target.tolerance_deg"
	ContactsGapMin          = "contacts.gap_min_mm"
	ContactsGapMax          = "contacts.gap_max_mm"
	ContactsGap             = "contacts.gap_mm"
	ContactsPlateDiameter   = "contacts.plate_diameter_mm"
	ContactsCamTurnsPerRev  = "contacts.cam_turns_per_rev"
	ContactsCoilInductance  = "contacts.coil_inductance_mh"
	ContactsCoilResistance  = "contacts.coil_resistance_ohm"
	ContactsCondenser       = "contacts.condenser_uf"
	StaticAngle             = "static.angle_deg"
	StaticAngleTolerance    = "static.angle_tolerance_deg"
	ReferenceChannel        = "reference.channel"
	ReferencePulses         = "reference.pulses"
	ReferenceAngle          = "reference.angle_deg"
	ReferenceAngleTolerance = "reference.angle_tolerance_deg"
	ReferenceDelay          = "reference.delay_us"
	ReferenceDelayTolerance = "reference.delay_tolerance_us"
	SparkChannel            = "spark.channel"
	SparkPerRev             = "spark.per_rev"
	SparkDelay              = "spark.delay_us"
	SparkDelayTolerance     = "spark.delay_tolerance_us"
	ConverterSkew           = "converter.skew_us"
	ConverterSkewTolerance  = "converter.skew_tolerance_us"
	JobTDC                  = "job.tdc_deg"
	JobTDCTolerance         = "job.tdc_tolerance_deg"
	JobMark                 = "job.mark_deg"
	JobRunning              = "job.running_deg"
	JobRunningTolerance     = "job.running_tolerance_deg"
	JobAgain                = "job.again_deg"
	JobAgainTolerance       = "job.again_tolerance_deg"
)

// Keys of the words and texts, which Set can put into a file too.
const (
	EngineName       = "engine.name"
	EngineRotation   = "engine.rotation"
	EngineNotes      = "engine.notes"
	ReferenceKind    = "reference.kind"
	SparkKind        = "spark.kind"
	JobLocked        = "job.locked"
	JobTDCResult     = "job.tdc_result"
	JobGapResult     = "job.gap_result"
	JobStaticResult  = "job.static_result"
	JobRunningResult = "job.running_result"
	JobAgainResult   = "job.again_result"
	JobLeftOut       = "job.left_out"
)

// Keys of the lists.
const (
	EngineFiringOffsets = "engine.firing_offsets_deg"
	TargetTable         = "target.table"
)

// Most a delay and a skew may be, microseconds: sound from 30 m away is 90 000
// late, and channels that are started one by one a few thousand.
const (
	mostDelayUS = 100_000
	mostSkewUS  = 10_000
)

// Bounds of lengths: what lies beyond is no small engine but a slip of the
// point or of the unit. A stroke of 1 m is a ship's, and a model's is above
// 5 mm; whether a figure is likely, check says, not these.
const (
	leastStrokeMM, mostStrokeMM     = 1, 1000
	mostRodMM                       = 3000
	mostPinOffsetMM                 = 100
	leastFlywheelMM, mostFlywheelMM = 10, 3000
	leastGapMM, mostGapMM           = 0.01, 5
	leastPlateMM, mostPlateMM       = 5, 1000
	mostRPM                         = 30_000
	mostCylinders                   = 12
	mostName                        = 120    // characters
	mostNotes                       = 10_000 // characters
	mostRows                        = 100    // of the target table
)

// key is one key of the file: where its value goes and what it may be.
type key struct {
	name     string
	at       func(*File) any // of **float64, **int64, **string, *[]float64, *[]TargetRow
	min, max float64         // of numbers
	above    bool            // min itself is no answer
	only     []float64       // of numbers that are a choice
	words    []string        // of words that are a choice
	short    bool            // a text of one line
	want     string          // what would be right
}

// keys are all of them, in the order in which they are written.
var keys = []key{
	{name: EngineName, at: func(f *File) any { return &f.Engine.Name }, short: true, want: `a short text of one line, such as "bench two-stroke"`},
	{name: EngineStroke, at: func(f *File) any { return &f.Engine.StrokeMM }, min: leastStrokeMM, max: mostStrokeMM, want: "millimetres from 1 to 1000, such as 44.0"},
	{name: EngineRodLength, at: func(f *File) any { return &f.Engine.RodLengthMM }, min: 1, max: mostRodMM, want: "millimetres from 1 to 3000, such as 88.0"},
	{name: EnginePinOffset, at: func(f *File) any { return &f.Engine.PinOffsetMM }, min: -mostPinOffsetMM, max: mostPinOffsetMM, want: "millimetres from -100 to 100, such as 0.0"},
	{name: EngineFlywheelDiameter, at: func(f *File) any { return &f.Engine.FlywheelDiameterMM }, min: leastFlywheelMM, max: mostFlywheelMM, want: "millimetres from 10 to 3000, such as 120.0"},
	{name: EngineRotation, at: func(f *File) any { return &f.Engine.Rotation }, words: []string{Clockwise, Anticlockwise}, want: `"clockwise" or "anticlockwise", as seen from the flywheel side`},
	{name: EngineStrokesPerCycle, at: func(f *File) any { return &f.Engine.StrokesPerCycle }, only: []float64{2, 4}, want: "2 or 4"},
	{name: EngineFiringOffsets, at: func(f *File) any { return &f.Engine.FiringOffsetsDeg }, want: "degrees in square brackets, one for each of up to 12 cylinders, that of the first 0, such as [0.0, 180.0]"},
	{name: EngineSpeedFluctuation, at: func(f *File) any { return &f.Engine.SpeedFluctuation }, min: 0, max: 2, want: "a fraction from 0 to 2, such as 0.05"},
	{name: EngineNotes, at: func(f *File) any { return &f.Engine.Notes }, want: "a text"},
	{name: TargetAngle, at: func(f *File) any { return &f.Target.AngleDeg }, min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 18.0"},
	{name: TargetTable, at: func(f *File) any { return &f.Target.Table }, want: "rows of speed and angle, such as [ { rpm = 1500, angle_deg = 10.0 }, { rpm = 4000, angle_deg = 22.0 } ]"},
	{name: TargetTolerance, at: func(f *File) any { return &f.Target.ToleranceDeg }, min: 0, above: true, max: 180, want: "degrees above 0, up to 180, such as 2.0"},
	{name: ContactsGapMin, at: func(f *File) any { return &f.Contacts.GapMinMM }, min: leastGapMM, max: mostGapMM, want: "millimetres from 0.01 to 5, such as 0.30"},
	{name: ContactsGapMax, at: func(f *File) any { return &f.Contacts.GapMaxMM }, min: leastGapMM, max: mostGapMM, want: "millimetres from 0.01 to 5, such as 0.50"},
	{name: ContactsGap, at: func(f *File) any { return &f.Contacts.GapMM }, min: leastGapMM, max: mostGapMM, want: "millimetres from 0.01 to 5, such as 0.40"},
	{name: ContactsPlateDiameter, at: func(f *File) any { return &f.Contacts.PlateDiameterMM }, min: leastPlateMM, max: mostPlateMM, want: "millimetres from 5 to 1000, such as 70.0"},
	{name: ContactsCamTurnsPerRev, at: func(f *File) any { return &f.Contacts.CamTurnsPerRev }, only: []float64{0.5, 1}, want: "1, or 0.5 for a shaft at half the crank's speed"},
	{name: ContactsCoilInductance, at: func(f *File) any { return &f.Contacts.CoilInductanceMH }, min: 0.01, max: 10000, want: "millihenries from 0.01 to 10000, such as 3.0"},
	{name: ContactsCoilResistance, at: func(f *File) any { return &f.Contacts.CoilResistanceOhm }, min: 0, max: 1000, want: "ohms from 0 to 1000, such as 0.6"},
	{name: ContactsCondenser, at: func(f *File) any { return &f.Contacts.CondenserUF }, min: 0.001, max: 100, want: "microfarads from 0.001 to 100, such as 0.2"},
	{name: StaticAngle, at: func(f *File) any { return &f.Static.AngleDeg }, min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 18.0"},
	{name: StaticAngleTolerance, at: func(f *File) any { return &f.Static.AngleToleranceDeg }, min: 0, max: 180, want: "degrees from 0 to 180, such as 0.5"},
	{name: ReferenceChannel, at: func(f *File) any { return &f.Reference.Channel }, min: 1, max: 8, want: "a whole number from 1 to 8"},
	{name: ReferenceKind, at: func(f *File) any { return &f.Reference.Kind }, words: []string{"contact", "coil"}, want: `"contact" (reed, Hall, optical) or "coil"`},
	{name: ReferencePulses, at: func(f *File) any { return &f.Reference.Pulses }, min: 1, max: 360, want: "a whole number from 1 to 360"},
	{name: ReferenceAngle, at: func(f *File) any { return &f.Reference.AngleDeg }, min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 30.2"},
	{name: ReferenceAngleTolerance, at: func(f *File) any { return &f.Reference.AngleToleranceDeg }, min: 0, max: 180, want: "degrees from 0 to 180, such as 0.4"},
	{name: ReferenceDelay, at: func(f *File) any { return &f.Reference.DelayUS }, min: -mostDelayUS, max: mostDelayUS, want: "microseconds from -100000 to 100000, such as 182.0"},
	{name: ReferenceDelayTolerance, at: func(f *File) any { return &f.Reference.DelayToleranceUS }, min: 0, max: mostDelayUS, want: "microseconds from 0 to 100000, such as 6.0"},
	{name: SparkChannel, at: func(f *File) any { return &f.Spark.Channel }, min: 1, max: 8, want: "a whole number from 1 to 8"},
	{name: SparkKind, at: func(f *File) any { return &f.Spark.Kind }, words: []string{"clamp", "microphone", "contacts"}, want: `"clamp", "microphone" or "contacts"`},
	{name: SparkPerRev, at: func(f *File) any { return &f.Spark.PerRev }, only: []float64{0.5, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}, want: "0.5 for a spark in every second revolution, or a whole number from 1 to 12"},
	{name: SparkDelay, at: func(f *File) any { return &f.Spark.DelayUS }, min: -mostDelayUS, max: mostDelayUS, want: "microseconds from -100000 to 100000, such as 5.0"},
	{name: SparkDelayTolerance, at: func(f *File) any { return &f.Spark.DelayToleranceUS }, min: 0, max: mostDelayUS, want: "microseconds from 0 to 100000, such as 5.0"},
	{name: ConverterSkew, at: func(f *File) any { return &f.Converter.SkewUS }, min: -mostSkewUS, max: mostSkewUS, want: "microseconds from -10000 to 10000, such as 2.6"},
	{name: ConverterSkewTolerance, at: func(f *File) any { return &f.Converter.SkewToleranceUS }, min: 0, max: mostSkewUS, want: "microseconds from 0 to 10000, such as 0.2"},
	{name: JobTDC, at: func(f *File) any { return &f.Job.TDCDeg }, min: -180, max: 360, want: "degrees from -180 to 360, such as 0.0"},
	{name: JobTDCTolerance, at: func(f *File) any { return &f.Job.TDCToleranceDeg }, min: 0, max: 180, want: "degrees from 0 to 180, such as 0.3"},
	{name: JobMark, at: func(f *File) any { return &f.Job.MarkDeg }, min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 18.0"},
	{name: JobRunning, at: func(f *File) any { return &f.Job.RunningDeg }, min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 16.5"},
	{name: JobRunningTolerance, at: func(f *File) any { return &f.Job.RunningToleranceDeg }, min: 0, max: 180, want: "degrees from 0 to 180, such as 1.0"},
	{name: JobLocked, at: func(f *File) any { return &f.Job.Locked }, short: true, want: `a short text of one line, such as "plate 1.5° against the rotation, gap 0.40 mm"`},
	{name: JobAgain, at: func(f *File) any { return &f.Job.AgainDeg }, min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 18.0"},
	{name: JobAgainTolerance, at: func(f *File) any { return &f.Job.AgainToleranceDeg }, min: 0, max: 180, want: "degrees from 0 to 180, such as 1.0"},
	{name: JobTDCResult, at: func(f *File) any { return &f.Job.TDCResult }, short: true, want: `the name of a result, such as "tdc.json"`},
	{name: JobGapResult, at: func(f *File) any { return &f.Job.GapResult }, short: true, want: `the name of a result, such as "gap.json"`},
	{name: JobStaticResult, at: func(f *File) any { return &f.Job.StaticResult }, short: true, want: `the name of a result, such as "hand.json"`},
	{name: JobRunningResult, at: func(f *File) any { return &f.Job.RunningResult }, short: true, want: `the name of a result, such as "before.json"`},
	{name: JobAgainResult, at: func(f *File) any { return &f.Job.AgainResult }, short: true, want: `the name of a result, such as "after.json"`},
	{name: JobLeftOut, at: func(f *File) any { return &f.Job.LeftOut }, short: true, want: `names of steps, such as "gap, static"`},
}

// rowKeys are the keys of a row of the target table.
var rowKeys = []key{
	{name: TargetTable + ".rpm", min: 0, above: true, max: mostRPM, want: "rpm above 0, up to 30000, such as 1500"},
	{name: TargetTable + ".angle_deg", min: -180, above: true, max: 180, want: "degrees above -180, up to 180, such as 10.0"},
}

// tables are the names of the tables, in the order in which they are written.
var tables = []string{"engine", "target", "contacts", "static", "reference", "spark", "converter", "job"}

// keyOf finds a key by its name.
func keyOf(name string) (key, bool) {
	i := slices.IndexFunc(keys, func(k key) bool { return k.name == name })
	if i < 0 {
		return key{}, false
	}
	return keys[i], true
}

// rowNumber is the number of a row in the name of a place: "target.table[2]".
var rowNumber = regexp.MustCompile(`\[\d+\]`)

// withoutRows is a place's name as a key's.
func withoutRows(place string) string { return rowNumber.ReplaceAllString(place, "") }

// known says whether a place's name is that of a key.
func known(place string) bool {
	name := withoutRows(place)
	same := func(k key) bool { return k.name == name }
	return slices.ContainsFunc(keys, same) || slices.ContainsFunc(rowKeys, same)
}

// allowed says whether a number may stand for a key.
func (k key) allowed(v float64) bool {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return false
	}
	if k.only != nil {
		return slices.Contains(k.only, v)
	}
	return v >= k.min && v <= k.max && !(k.above && v == k.min)
}

// Problem is something that is wrong in a file, or doubtful.
type Problem struct {
	Line    int    // from 1; 0: of no line
	Key     string // that it is about; empty: of none
	Message string // a clause that names the key, without a full stop
}

// Error is the problem with its line.
func (p *Problem) Error() string {
	if p.Line == 0 {
		return "enginefile: " + p.Message
	}
	return fmt.Sprintf("enginefile: line %d: %s", p.Line, p.Message)
}

// problem makes one.
func problem(line int, key, format string, a ...any) *Problem {
	return &Problem{line, key, fmt.Sprintf(format, a...)}
}

// bad is what is wrong with one value of a key; place says which, if not all.
func bad(line int, key, place, is, want string) *Problem {
	return problem(line, key, "%s%s is %s: want %s", key, place, is, want)
}

// wrong holds every value to what it may be, and to the others; in order of
// lines.
func (f *File) wrong(lay layout) []*Problem {
	var all []*Problem
	for _, k := range keys {
		if p := k.wrong(f, lay); p != nil {
			all = append(all, p)
		}
	}
	for _, check := range []func(*File, layout) []*Problem{(*File).wrongOffsets, (*File).wrongTable, (*File).wrongTogether} {
		all = append(all, check(f, lay)...)
	}
	slices.SortStableFunc(all, func(a, b *Problem) int { return a.Line - b.Line })
	return all
}

// wrong holds one value to what it may be by itself.
func (k key) wrong(f *File, lay layout) *Problem {
	line := lay.line(k.name)
	switch p := k.at(f).(type) {
	case **float64:
		if *p != nil && !k.allowed(**p) {
			return bad(line, k.name, "", fmt.Sprint(**p), k.want)
		}
	case **int64:
		if *p != nil && !k.allowed(float64(**p)) {
			return bad(line, k.name, "", fmt.Sprint(**p), k.want)
		}
	case **string:
		if *p == nil {
			return nil
		}
		switch n := utf8.RuneCountInString(**p); {
		case k.words != nil && !slices.Contains(k.words, **p):
			return bad(line, k.name, "", fmt.Sprintf("%.60q", **p), k.want)
		case k.short && !oneLine(**p):
			return bad(line, k.name, "", fmt.Sprintf("%.60q", **p), k.want)
		case n > mostNotes:
			return problem(line, k.name, "%s has %d characters: want %d at most", k.name, n, mostNotes)
		}
	}
	return nil
}

// oneLine says whether a text can stand in a heading.
func oneLine(s string) bool {
	return strings.TrimSpace(s) != "" && utf8.RuneCountInString(s) <= mostName &&
		!strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}

// wrongOffsets holds the firing offsets to a cycle.
func (f *File) wrongOffsets(lay layout) (all []*Problem) {
	o := f.Engine.FiringOffsetsDeg
	if o == nil {
		return nil
	}
	const name = EngineFiringOffsets
	line := lay.line(name)
	if len(o) == 0 || len(o) > mostCylinders {
		k, _ := keyOf(name)
		return []*Problem{problem(line, name, "%s has %d offsets: want %s", name, len(o), k.want)}
	}
	cycle, strokes := 720.0, ""
	if s := f.Engine.StrokesPerCycle; s != nil && (*s == 2 || *s == 4) {
		cycle, strokes = 180*float64(*s), fmt.Sprintf(", the cycle of an engine with %d strokes", *s)
	}
	for i, v := range o {
		place := fmt.Sprintf(", cylinder %d,", i+1)
		if !(v >= 0 && v < cycle) { // not a number either
			all = append(all, bad(line, name, place, fmt.Sprint(v), fmt.Sprintf("degrees from 0 to less than %g%s", cycle, strokes)))
		} else if i == 0 && v != 0 {
			all = append(all, bad(line, name, place, fmt.Sprint(v), "0: the others count from the firing of cylinder 1"))
		}
	}
	return all
}

// wrongTable holds the target table to rising speeds.
func (f *File) wrongTable(lay layout) (all []*Problem) {
	t := f.Target.Table
	if t == nil {
		return nil
	}
	k, _ := keyOf(TargetTable)
	if len(t) < 2 || len(t) > mostRows {
		rows := "1 row"
		if len(t) != 1 {
			rows = fmt.Sprintf("%d rows", len(t))
		}
		return []*Problem{problem(lay.line(TargetTable), TargetTable, "%s has %s: want 2 to %d; one angle for all speeds is target.angle_deg", TargetTable, rows, mostRows)}
	}
	before := TargetRow{}
	for i, r := range t {
		at := lay.row(i)
		row := fmt.Sprintf(", row %d,", i+1)
		good := true
		for j, p := range []*float64{r.RPM, r.AngleDeg} {
			rk := rowKeys[j]
			short := strings.TrimPrefix(rk.name, TargetTable+".")
			switch {
			case p == nil:
				good = false
				all = append(all, problem(at, TargetTable, "%s%s has no %s: want %s", TargetTable, row, short, k.want))
			case !rk.allowed(*p):
				good = false
				all = append(all, bad(lay.lineOr(fmt.Sprintf("%s[%d].%s", TargetTable, i+1, short), at), TargetTable, row+" "+short, fmt.Sprint(*p), rk.want))
			}
		}
		if !good {
			before = TargetRow{}
			continue
		}
		if before.RPM != nil {
			if *r.RPM <= *before.RPM {
				all = append(all, bad(at, TargetTable, row+" rpm", fmt.Sprint(*r.RPM), fmt.Sprintf("more than the %g of the row before: speeds rise from row to row", *before.RPM)))
			} else if math.Abs(*r.AngleDeg-*before.AngleDeg) >= 180 {
				all = append(all, bad(at, TargetTable, row+" angle_deg", fmt.Sprint(*r.AngleDeg), fmt.Sprintf("less than half a turn from the %g of the row before", *before.AngleDeg)))
			}
		}
		before = r
	}
	return all
}

// wrongTogether holds values against each other.
func (f *File) wrongTogether(lay layout) (all []*Problem) {
	for _, c := range [][2]string{{ReferenceAngleTolerance, ReferenceAngle}, {StaticAngleTolerance, StaticAngle},
		{JobTDCTolerance, JobTDC}, {JobRunningTolerance, JobRunning}, {JobAgainTolerance, JobAgain}} {
		_, tolerance := f.Number(c[0])
		if _, of := f.Number(c[1]); tolerance && !of {
			all = append(all, problem(lay.line(c[0]), c[0], "%s stands without %s, which it belongs to", c[0], c[1]))
		}
	}
	if f.Target.AngleDeg != nil && f.Target.Table != nil {
		all = append(all, problem(max(lay.line(TargetAngle), lay.line(TargetTable)), TargetTable, "there are both %s and %s: want one of them", TargetAngle, TargetTable))
	}
	if lo, hi := f.Contacts.GapMinMM, f.Contacts.GapMaxMM; lo != nil && hi != nil && *lo > *hi {
		all = append(all, bad(lay.line(ContactsGapMax), ContactsGapMax, "", fmt.Sprint(*hi), fmt.Sprintf("at least the %g of gap_min_mm", *lo)))
	}
	e := f.Engine
	if e.StrokeMM != nil && e.RodLengthMM != nil {
		least, and := *e.StrokeMM/2, "half the stroke"
		if e.PinOffsetMM != nil && *e.PinOffsetMM != 0 {
			least += math.Abs(*e.PinOffsetMM)
			and += " and the pin offset together"
		}
		if *e.RodLengthMM <= least {
			all = append(all, bad(lay.line(EngineRodLength), EngineRodLength, "", fmt.Sprint(*e.RodLengthMM), fmt.Sprintf("more than %g, %s: a shorter rod does not let the crank turn", least, and)))
		}
	}
	return all
}

// unknownKey says that there is no such key, and which there are.
func unknownKey(line int, name string) *Problem {
	table, last := "", name
	if i := strings.LastIndex(name, "."); i >= 0 {
		table, last = name[:i], name[i+1:]
	}
	if table == TargetTable {
		return problem(line, name, "there is no key %q: a row has rpm and angle_deg", name)
	}
	if !slices.Contains(tables, table) {
		hint := ""
		for _, k := range keys {
			if t, own, _ := strings.Cut(k.name, "."); own == last || own == name {
				hint = fmt.Sprintf("; %s belongs below [%s]", own, t)
				break
			}
		}
		return problem(line, name, "there is no %q here: want the tables [%s] and [%s]%s", name,
			strings.Join(tables[:len(tables)-1], "], ["), tables[len(tables)-1], hint)
	}
	for _, unit := range []string{"_mm", "_deg", "_us"} {
		if known(name + unit) {
			return problem(line, name, "there is no key %q: with its unit in the name it is %s", name, name+unit)
		}
	}
	var near []string
	elsewhere := ""
	for _, k := range keys {
		t, own, _ := strings.Cut(k.name, ".")
		if t == table {
			near = append(near, k.name)
		} else if own == last && elsewhere == "" {
			elsewhere = "; " + own + " belongs below [" + t + "]"
		}
	}
	return problem(line, name, "there is no key %q: want one of %s%s", name, strings.Join(near, ", "), elsewhere)
}

// aQuotedNumber is a number in quotes behind a key.
var aQuotedNumber = regexp.MustCompile(`=\s*["'][-+]?[\d.]+["']`)

// quotedNumber says whether a line, counted from 1, has a number in quotes.
func quotedNumber(doc []byte, line int) bool {
	lines := bytes.Split(doc, []byte("\n"))
	return line >= 1 && line <= len(lines) && aQuotedNumber.Match(lines[line-1])
}

// plain turns what the decoder says into one sentence.
func plain(doc []byte, err error) *Problem {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) && len(strict.Errors) > 0 {
		e := strict.Errors[0]
		line, _ := e.Position()
		return unknownKey(line, strings.Join(e.Key(), "."))
	}
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return problem(0, "", "%s", strings.TrimPrefix(err.Error(), "toml: "))
	}
	line, _ := de.Position()
	name := strings.Join(de.Key(), ".")
	said := strings.TrimPrefix(de.Error(), "toml: ")
	if strings.HasPrefix(said, "cannot ") || strings.Contains(said, "to fit in") || strings.Contains(said, "value out of range") {
		want := "a table, [" + name + "]"
		for _, k := range slices.Concat(keys, rowKeys) {
			if k.name == name {
				want = k.want
				if kindOf(k) != aWord && quotedNumber(doc, line) {
					want += ", without quotes"
				}
			}
		}
		return problem(line, name, "%s: want %s", name, want)
	}
	return unreadable(doc, line, said)
}
