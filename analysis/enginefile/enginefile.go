// Package enginefile reads and changes the file in which a bench keeps what it
// knows of an engine and of the pick-ups on it: bytes in, values out.
//
// The file is TOML with the unit of every number in its key's name:
//
//	[engine]
//	name = "bench two-stroke"
//	stroke_mm = 44.0
//	rod_length_mm = 88.0        # centre to centre
//	pin_offset_mm = 0.0         # see Engine.PinOffsetMM for its sign
//	flywheel_diameter_mm = 120.0
//	rotation = "clockwise"      # seen from the flywheel side; or "anticlockwise"
//	strokes_per_cycle = 2       # or 4
//	firing_offsets_deg = [0.0]  # one for each cylinder
//	speed_fluctuation = 0.05    # (fastest - slowest)/mean within one revolution
//	notes = "whatever you like"
//
//	[target]
//	angle_deg = 18.0            # before top dead centre; or a table:
//	# table = [
//	#   { rpm = 1500, angle_deg = 10.0 },
//	#   { rpm = 4000, angle_deg = 22.0 },
//	# ]
//	tolerance_deg = 2.0
//
//	[contacts]
//	gap_min_mm = 0.30
//	gap_max_mm = 0.50
//	gap_mm = 0.40               # as set
//	plate_diameter_mm = 70.0
//	cam_turns_per_rev = 1.0     # or 0.5
//	coil_inductance_mh = 3.0    # of a coil that stays across them
//	coil_resistance_ohm = 0.6
//	condenser_uf = 0.2
//
//	[static]
//	angle_deg = 18.0            # as read with lamp and wheel
//	angle_tolerance_deg = 0.5
//
//	[reference]
//	channel = 2
//	kind = "contact"            # or "coil"
//	pulses = 1                  # per revolution
//	angle_deg = 30.2            # before top dead centre
//	angle_tolerance_deg = 0.4
//	delay_us = 182.0
//	delay_tolerance_us = 6.0
//
//	[spark]
//	channel = 1
//	kind = "clamp"              # or "microphone", "contacts"
//	per_rev = 1.0               # sparks per revolution; 0.5: every second one
//	delay_us = 0.0
//	delay_tolerance_us = 5.0
//
//	[converter]
//	skew_us = 2.6               # channel 2 later than channel 1
//	skew_tolerance_us = 0.2
//
//	[job]                       # where the job stands, for sparkscope job
//	tdc_deg = 0.0               # what the wheel reads at top dead centre
//	tdc_tolerance_deg = 0.3
//	mark_deg = 18.0             # what is marked on the rim
//	running_deg = 16.5          # as measured with something else
//	running_tolerance_deg = 1.0
//	locked = "plate 1.5° against the rotation, gap 0.40 mm"
//	again_deg = 18.0
//	again_tolerance_deg = 1.0
//	tdc_result = "tdc.json"     # results that --json has written
//	gap_result = "gap.json"
//	static_result = "hand.json"
//	running_result = "before.json"
//	again_result = "after.json"
//	left_out = "gap, static"    # steps that this engine does without
//
// A tolerance is ±; that of a calibration is the half-width of a rectangular
// distribution. Every key may be left out, and none has a default. Reading is
// strict: a key that is not known, a number that cannot be, nan and inf are
// errors that name the line, the key and what would be right.
package enginefile

import (
	"bytes"
	"errors"
	"slices"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// File is what a file says; nil and empty: nothing.
type File struct {
	Engine    Engine    `toml:"engine"`
	Target    Target    `toml:"target"`
	Contacts  Contacts  `toml:"contacts"`
	Static    Static    `toml:"static"`
	Reference Reference `toml:"reference"`
	Spark     Spark     `toml:"spark"`
	Converter Converter `toml:"converter"`
	Job       Job       `toml:"job"`
}

// Engine is what the engine is.
type Engine struct {
	Name        *string  `toml:"name"`          // one line
	StrokeMM    *float64 `toml:"stroke_mm"`     // 1 to 1000
	RodLengthMM *float64 `toml:"rod_length_mm"` // centre to centre, more than half the stroke and the pin offset
	// PinOffsetMM is how far the piston pin's path lies beside the crankshaft's
	// axis: positive towards the side on which the crank pin goes down, after top
	// dead centre; negative towards the side on which it comes up. -100 to 100.
	PinOffsetMM        *float64 `toml:"pin_offset_mm"`
	FlywheelDiameterMM *float64 `toml:"flywheel_diameter_mm"` // of the rim that is marked, 10 to 3000
	Rotation           *string  `toml:"rotation"`             // Clockwise or Anticlockwise, seen from the flywheel side
	StrokesPerCycle    *int64   `toml:"strokes_per_cycle"`    // 2 or 4
	// FiringOffsetsDeg has one offset for each cylinder, in the order of their
	// numbers: crank degrees of forward rotation from the firing of cylinder 1,
	// whose own is 0, to that of this one; from 0 to less than 360 with two
	// strokes per cycle, 720 with four. Nil: not said.
	FiringOffsetsDeg []float64 `toml:"firing_offsets_deg"`
	SpeedFluctuation *float64  `toml:"speed_fluctuation"` // (fastest - slowest)/mean within one revolution, the most to be expected, 0 to 2
	Notes            *string   `toml:"notes"`             // any text, of several lines too
}

// Words of Engine.Rotation.
const (
	Clockwise     = "clockwise"
	Anticlockwise = "anticlockwise"
)

// Target is what the engine should fire at: AngleDeg or Table, never both.
type Target struct {
	AngleDeg     *float64    `toml:"angle_deg"`     // crank degrees before top dead centre, (-180, 180]
	Table        []TargetRow `toml:"table"`         // two rows or more, speeds rising; nil: none
	ToleranceDeg *float64    `toml:"tolerance_deg"` // ±, above 0 to 180
}

// TargetRow is one row of a target by speed.
type TargetRow struct {
	RPM      *float64 `toml:"rpm"`       // never nil in what Parse returns; above 0 to 30 000
	AngleDeg *float64 `toml:"angle_deg"` // never nil in what Parse returns; before top dead centre, (-180, 180]
}

// At is the target at a speed in rpm, crank degrees before top dead centre: the
// one angle, or straight lines between the rows of the table, whose first and
// last angle hold beyond its ends. ok is false where there is no target.
func (t Target) At(rpm float64) (deg float64, ok bool) {
	if t.AngleDeg != nil {
		return *t.AngleDeg, true
	}
	n := len(t.Table)
	if n == 0 {
		return 0, false
	}
	i := sort.Search(n, func(i int) bool { return *t.Table[i].RPM >= rpm })
	switch i {
	case 0:
		return *t.Table[0].AngleDeg, true
	case n:
		return *t.Table[n-1].AngleDeg, true
	}
	a, b := t.Table[i-1], t.Table[i]
	return *a.AngleDeg + (*b.AngleDeg-*a.AngleDeg)*(rpm-*a.RPM)/(*b.RPM-*a.RPM), true
}

// Contacts is what is known of the contact breaker.
type Contacts struct {
	GapMinMM        *float64 `toml:"gap_min_mm"`        // least gap allowed, 0.01 to 5
	GapMaxMM        *float64 `toml:"gap_max_mm"`        // greatest gap allowed, not below GapMinMM
	GapMM           *float64 `toml:"gap_mm"`            // as it is set, 0.01 to 5
	PlateDiameterMM *float64 `toml:"plate_diameter_mm"` // where the plate's turning is read, 5 to 1000
	CamTurnsPerRev  *float64 `toml:"cam_turns_per_rev"` // of the shaft that opens them, per turn of the crank: 1 or 0.5
	// What lies across them, for a contact tone. The coil is one that cannot be
	// disconnected.
	CoilInductanceMH  *float64 `toml:"coil_inductance_mh"`  // 0.01 to 10 000
	CoilResistanceOhm *float64 `toml:"coil_resistance_ohm"` // of its winding, 0 to 1000
	CondenserUF       *float64 `toml:"condenser_uf"`        // 0.001 to 100
}

// Static is the static timing as it was read.
type Static struct {
	AngleDeg          *float64 `toml:"angle_deg"`           // crank degrees before top dead centre, (-180, 180]
	AngleToleranceDeg *float64 `toml:"angle_tolerance_deg"` // half-width, rectangular, 0 to 180
}

// Reference is what is known of the reference pick-up.
type Reference struct {
	Channel           *int64   `toml:"channel"`             // of the sound input, 1 to 8
	Kind              *string  `toml:"kind"`                // "contact" or "coil"
	Pulses            *int64   `toml:"pulses"`              // per revolution, 1 to 360
	AngleDeg          *float64 `toml:"angle_deg"`           // crank degrees before top dead centre, (-180, 180]
	AngleToleranceDeg *float64 `toml:"angle_tolerance_deg"` // half-width, rectangular, 0 to 180
	DelayUS           *float64 `toml:"delay_us"`            // from the true event to its trace, microseconds
	DelayToleranceUS  *float64 `toml:"delay_tolerance_us"`  // half-width, rectangular, microseconds
}

// Spark is what is known of the spark pick-up.
type Spark struct {
	Channel          *int64   `toml:"channel"`            // of the sound input, 1 to 8
	Kind             *string  `toml:"kind"`               // "clamp", "microphone" or "contacts"
	PerRev           *float64 `toml:"per_rev"`            // sparks per revolution on this pick-up: 0.5, or a whole number from 1 to 12
	DelayUS          *float64 `toml:"delay_us"`           // from the true spark to its trace, microseconds
	DelayToleranceUS *float64 `toml:"delay_tolerance_us"` // half-width, rectangular, microseconds
}

// Converter is what is known of the sound input.
type Converter struct {
	SkewUS          *float64 `toml:"skew_us"`           // channel 2 later than channel 1, microseconds
	SkewToleranceUS *float64 `toml:"skew_tolerance_us"` // half-width, rectangular, microseconds
}

// Job is where the job of timing the engine stands: what no other table has.
// Angles are crank degrees before top dead centre, (-180, 180], tolerances
// half-widths, rectangular, 0 to 180. Names of results are of files that
// measure or bench has written with --json, beside the engine file where they
// name no folder.
type Job struct {
	TDCDeg              *float64 `toml:"tdc_deg"` // what the wheel reads at top dead centre, -180 to 360
	TDCToleranceDeg     *float64 `toml:"tdc_tolerance_deg"`
	MarkDeg             *float64 `toml:"mark_deg"`    // what is marked on the flywheel's rim
	RunningDeg          *float64 `toml:"running_deg"` // the running engine before the adjustment, as measured with something else
	RunningToleranceDeg *float64 `toml:"running_tolerance_deg"`
	Locked              *string  `toml:"locked"`    // what was adjusted and tightened, one line
	AgainDeg            *float64 `toml:"again_deg"` // the running engine after the adjustment
	AgainToleranceDeg   *float64 `toml:"again_tolerance_deg"`
	TDCResult           *string  `toml:"tdc_result"`
	GapResult           *string  `toml:"gap_result"`
	StaticResult        *string  `toml:"static_result"`
	RunningResult       *string  `toml:"running_result"`
	AgainResult         *string  `toml:"again_result"`
	LeftOut             *string  `toml:"left_out"` // names of steps, with commas between
}

// mostBytes bounds a file: one that is longer is not this file.
const mostBytes = 1 << 20

// Number is what the file says for the key of a number, and whether it says
// anything.
func (f File) Number(key string) (v float64, ok bool) {
	k, is := keyOf(key)
	if !is {
		return 0, false
	}
	switch p := k.at(&f).(type) {
	case **float64:
		if *p != nil {
			return **p, true
		}
	case **int64:
		if *p != nil {
			return float64(**p), true
		}
	}
	return 0, false
}

// Cylinders is how many cylinders the firing offsets are of; 0: not said.
func (f File) Cylinders() int { return len(f.Engine.FiringOffsetsDeg) }

// Parse reads a file. Nothing in it is an empty File. An error is a *Problem,
// the first of those that Inspect finds wrong.
func Parse(doc []byte) (File, error) {
	f, _, err := parse(doc)
	return f, err
}

// parse reads a file and says where its keys stand.
func parse(doc []byte) (File, layout, error) {
	f, lay, wrong := read(doc)
	if len(wrong) > 0 {
		return File{}, layout{}, wrong[0]
	}
	return f, lay, nil
}

// read reads a file and finds what is wrong in it: all of it, but where it is no
// TOML, behind which nothing is read.
func read(doc []byte) (File, layout, []*Problem) {
	var f File
	if len(doc) > mostBytes {
		return f, layout{}, []*Problem{problem(0, "", "%d bytes: want a short text of keys and values", len(doc))}
	}
	doc = bytes.TrimPrefix(doc, []byte(byteOrderMark))
	var sorts []*Problem // values of a wrong sort, each read over once it is said
	var failed error
	for {
		f = File{}
		d := toml.NewDecoder(bytes.NewReader(doc))
		d.DisallowUnknownFields()
		failed = d.Decode(&f)
		var strict *toml.StrictMissingError
		if failed == nil || errors.As(failed, &strict) {
			break
		}
		p := plain(doc, failed)
		sorts = append(sorts, p)
		without, ok := blank(doc, p.Key)
		if !ok {
			var any map[string]any
			var de *toml.DecodeError
			if err := toml.Unmarshal(doc, &any); errors.As(err, &de) { // further down it is no TOML
				sorts = append(sorts, plain(doc, err))
			}
			return f, layout{}, sorts
		}
		doc = without
	}
	lay, err := layoutOf(doc)
	if err != nil {
		return f, layout{}, []*Problem{problem(0, "", "%s", err)}
	}
	// The decoder also takes keys in capitals, and then two may mean one.
	var wrong []*Problem
	for _, k := range lay.keys {
		if !known(k.name) {
			wrong = append(wrong, unknownKey(k.line, withoutRows(k.name)))
		}
	}
	if failed != nil && len(wrong) == 0 { // a table without keys
		wrong = append(wrong, plain(doc, failed))
	}
	unknown := wrong
	for _, p := range f.wrong(lay) {
		// What is missing only because it was read over is not missing, nor what
		// stands in a row under a wrong name.
		if slices.ContainsFunc(sorts, func(s *Problem) bool { return strings.Contains(p.Message, s.Key) }) ||
			slices.ContainsFunc(unknown, func(u *Problem) bool { return strings.HasPrefix(u.Key, p.Key+".") }) {
			continue
		}
		wrong = append(wrong, p)
	}
	wrong = append(sorts, wrong...)
	slices.SortStableFunc(wrong, func(a, b *Problem) int { return a.Line - b.Line })
	return f, lay, wrong
}

// blank is doc with spaces in the place of a key and its value, so that all else
// stands where it stood. ok is false where the key does not stand by itself.
func blank(doc []byte, key string) (out []byte, ok bool) {
	lay, err := layoutOf(doc)
	if err != nil || key == "" {
		return nil, false
	}
	k, found := lay.find(key)
	if !found || k.inline || k.end <= k.from {
		return nil, false
	}
	out = slices.Clone(doc)
	for i := bytes.LastIndexByte(doc[:k.from], '\n') + 1; i < k.end; i++ {
		if out[i] != '\n' && out[i] != '\r' {
			out[i] = ' '
		}
	}
	return out, true
}
