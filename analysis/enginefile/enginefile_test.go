package enginefile

import (
	"bytes"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2/unstable"
)

const whole = `# The bench engine.
[engine]
name = "bench two-stroke" # invented
stroke_mm = 44
rod_length_mm = 88.5
pin_offset_mm = -0.5
flywheel_diameter_mm = 120
rotation = "anticlockwise"
strokes_per_cycle = 4
firing_offsets_deg = [
  0, # the left one
  360.0,
]
speed_fluctuation = 0.05
notes = """
# no remark: a text
of two lines"""

[target] # from the invented manual
table = [ # rows
  { rpm = 1500, angle_deg = 10 }, # idle
  { rpm = 4000, angle_deg = 22.5 },
  # and no further
]
tolerance_deg = 2

[contacts]
gap_min_mm = 0.3
gap_max_mm = 0.5
gap_mm = 0.4
plate_diameter_mm = 70
cam_turns_per_rev = 0.5
coil_inductance_mh = 3.0
coil_resistance_ohm = 0.6
condenser_uf = 0.2

[static]
angle_deg = 9.5
angle_tolerance_deg = 0.5

[reference]   # reed on the crankcase
channel = 2
kind = "contact"
pulses = 3
angle_deg = 30.2 # from the piston stop
angle_tolerance_deg = 0.4

delay_us = 182
delay_tolerance_us = 6.0

[spark]
channel = 1
kind = "clamp"
per_rev = 0.5
delay_us = -1.5
delay_tolerance_us = 5

[converter]
skew_us = 2.6
skew_tolerance_us = 0.2

[job]
tdc_deg = 0.5
tdc_tolerance_deg = 0.3
mark_deg = 19
running_deg = 16.5
running_tolerance_deg = 1.1
locked = "gap 0.4"
again_deg = 18.5
again_tolerance_deg = 1.2
tdc_result = "t.json"
gap_result = "g.json"
static_result = "s.json"
running_result = "r.json"
again_result = "a.json"
left_out = "gap"
`

// TestParse reads a file with every key: each value lands where it belongs.
func TestParse(t *testing.T) {
	f, err := Parse([]byte(whole))
	if err != nil {
		t.Fatal(err)
	}
	num := func(v float64) *float64 { return &v }
	i := func(v int64) *int64 { return &v }
	word := func(v string) *string { return &v }
	want := File{
		Engine: Engine{Name: word("bench two-stroke"), StrokeMM: num(44), RodLengthMM: num(88.5), PinOffsetMM: num(-0.5), FlywheelDiameterMM: num(120),
			Rotation: word(Anticlockwise), StrokesPerCycle: i(4), FiringOffsetsDeg: []float64{0, 360}, SpeedFluctuation: num(0.05),
			Notes: word("# no remark: a text\nof two lines")},
		Target: Target{Table: []TargetRow{{num(1500), num(10)}, {num(4000), num(22.5)}}, ToleranceDeg: num(2)},
		Contacts: Contacts{GapMinMM: num(0.3), GapMaxMM: num(0.5), GapMM: num(0.4), PlateDiameterMM: num(70), CamTurnsPerRev: num(0.5),
			CoilInductanceMH: num(3), CoilResistanceOhm: num(0.6), CondenserUF: num(0.2)},
		Static:    Static{num(9.5), num(0.5)},
		Reference: Reference{i(2), word("contact"), i(3), num(30.2), num(0.4), num(182), num(6)},
		Spark:     Spark{i(1), word("clamp"), num(0.5), num(-1.5), num(5)},
		Converter: Converter{num(2.6), num(0.2)},
		Job: Job{num(0.5), num(0.3), num(19), num(16.5), num(1.1), word("gap 0.4"), num(18.5), num(1.2),
			word("t.json"), word("g.json"), word("s.json"), word("r.json"), word("a.json"), word("gap")},
	}
	if !reflect.DeepEqual(f, want) {
		t.Errorf("got\n%s\nwant\n%s", dump(f), dump(want))
	}
	if f.Cylinders() != 2 {
		t.Errorf("%d cylinders, want 2", f.Cylinders())
	}
	// Every key but the one that excludes another is in the file above, so
	// that none can be forgotten here.
	for _, k := range keys {
		if k.name != TargetAngle && !strings.Contains(whole, "\n"+k.name[strings.Index(k.name, ".")+1:]+" = ") {
			t.Errorf("%s is not in the file of this test", k.name)
		}
	}
	for _, empty := range []string{"", "# nothing yet\n", "[reference]\n[spark]\n"} {
		f, err := Parse([]byte(empty))
		if err != nil || !reflect.DeepEqual(f, File{}) {
			t.Errorf("%q: %s, %v", empty, dump(f), err)
		}
	}
	// Other ways to write the same.
	for _, s := range []string{"reference.angle_deg = 30.2\n", "reference = { angle_deg = 30.2 }\n", "[\"reference\"]\n'angle_deg' = 3.02e1", "\r\n[reference]\r\nangle_deg = 30.2\r\n", byteOrderMark + "[reference]\nangle_deg = 30.2\n"} {
		if f, err := Parse([]byte(s)); err != nil || !reflect.DeepEqual(f, File{Reference: Reference{AngleDeg: num(30.2)}}) {
			t.Errorf("%q: %s, %v", s, dump(f), err)
		}
	}
	for _, s := range []string{"[[target.table]]\nrpm = 1500\nangle_deg = 10\n[[target.table]]\nangle_deg = 22.5\nrpm = 4000\n", "target = { table = [{rpm = 1500.0, angle_deg = 10}, {rpm = 4000, angle_deg = 22.5}] }"} {
		if f, err := Parse([]byte(s)); err != nil || !reflect.DeepEqual(f, File{Target: Target{Table: want.Target.Table}}) {
			t.Errorf("%q: %s, %v", s, dump(f), err)
		}
	}
}

// dump is a file with what its pointers lead to.
func dump(f File) string {
	var b strings.Builder
	for _, k := range keys {
		switch v := reflect.ValueOf(k.at(&f)).Elem(); {
		case v.IsNil():
		case v.Kind() == reflect.Pointer:
			fmt.Fprintf(&b, "%s = %v\n", k.name, v.Elem().Interface())
		default:
			for i := range v.Len() {
				fmt.Fprintf(&b, "%s[%d] = %v\n", k.name, i+1, v.Index(i).Interface())
			}
		}
	}
	return b.String()
}

// TestKeys: every field of File is a key of the table of keys, and the other
// way round.
func TestKeys(t *testing.T) {
	var f File
	fields := map[any]string{}
	v := reflect.ValueOf(&f).Elem()
	for i := range v.NumField() {
		for j := range v.Field(i).NumField() {
			name := v.Type().Field(i).Tag.Get("toml") + "." + v.Field(i).Type().Field(j).Tag.Get("toml")
			fields[v.Field(i).Field(j).Addr().Interface()] = name
		}
	}
	if len(fields) != len(keys) {
		t.Errorf("%d fields, %d keys", len(fields), len(keys))
	}
	for i, k := range keys {
		if got := fields[k.at(&f)]; got != k.name {
			t.Errorf("key %s leads to the field %q", k.name, got)
		}
		if k.want == "" {
			t.Errorf("%s: nothing says what would be right", k.name)
		}
		table, _, _ := strings.Cut(k.name, ".")
		if i > 0 {
			before, _, _ := strings.Cut(keys[i-1].name, ".")
			if slices.Index(tables, table) < slices.Index(tables, before) {
				t.Errorf("%s: its table is out of order or not listed", k.name)
			}
		}
	}
}

func TestTargetAt(t *testing.T) {
	num := func(v float64) *float64 { return &v }
	table := Target{Table: []TargetRow{{num(1500), num(10)}, {num(4000), num(22.5)}, {num(5000), num(20)}}}
	for _, c := range []struct {
		name    string
		t       Target
		rpm     float64
		want    float64
		wantNot bool
	}{
		{"none", Target{}, 3000, 0, true},
		{"a tolerance alone", Target{ToleranceDeg: num(2)}, 3000, 0, true},
		{"one angle", Target{AngleDeg: num(-3)}, 3000, -3, false},
		{"held below the first row", table, 10, 10, false},
		{"the first row", table, 1500, 10, false},
		{"half-way", table, 2750, 16.25, false}, // (10 + 22.5)/2
		{"a row within", table, 4000, 22.5, false},
		{"falling", table, 4400, 21.5, false}, // 22.5 - 0.4·2.5
		{"the last row", table, 5000, 20, false},
		{"held above the last row", table, 12000, 20, false},
	} {
		if got, ok := c.t.At(c.rpm); ok == c.wantNot || got != c.want {
			t.Errorf("%s, %g rpm: %v, %t: want %v", c.name, c.rpm, got, ok, c.want)
		}
	}
}

// Every refusal names the line, the key, and what would be right.
func TestRefusals(t *testing.T) {
	for _, c := range []struct{ doc, want string }{
		{"[reference]\nangle_deg = nan", "line 2: reference.angle_deg is NaN: want degrees above -180, up to 180, such as 30.2"},
		{"[reference]\nangle_deg = -180", "line 2: reference.angle_deg is -180: want degrees above -180, up to 180"},
		{"[reference]\nangle_deg = 300", "line 2: reference.angle_deg is 300: want degrees above"},
		{"\n[spark]\ndelay_us = inf", "line 3: spark.delay_us is +Inf: want microseconds from -100000 to 100000"},
		{"[spark]\ndelay_us = 1e400", "line 2: spark.delay_us: want microseconds from"},
		{"[spark]\ndelay_us = \"250us\"", "line 2: spark.delay_us: want microseconds from"},
		{"[spark]\ndelay_us = 250us", "line 2: spark.delay_us is 250us: want microseconds from -100000 to 100000, such as 5.0, without a unit: it stands in the name"},
		{"[engine]\nstroke_mm = 44,0", "line 2: engine.stroke_mm is 44,0: want millimetres from 1 to 1000, such as 44.0, with a point, not a comma"},
		{"[engine]\nrotation = clockwise", "line 2: engine.rotation is clockwise: want \"clockwise\" or \"anticlockwise\", as seen from the flywheel side, in quotes"},
		{"[engine]\nname = “bench”", "line 2: engine.name is “bench”: want a short text of one line, such as \"bench two-stroke\", in straight quotes"},
		{"[target]\nangle_deg = 18° # so", "line 2: target.angle_deg is 18° # so: want degrees above -180, up to 180, such as 18.0, without a unit"},
		{"[target]\nangle_deg = -.5", "line 2: target.angle_deg is -.5: want degrees above -180, up to 180, such as 18.0, with a figure on both sides of the point"},
		{"[target]\nangle_deg = 018", "line 2: target.angle_deg is 018: want degrees above -180, up to 180, such as 18.0, without a 0 before it"},
		{"[target]\nangle_deg =  # soon", "line 2: target.angle_deg has no value: want degrees above -180, up to 180, such as 18.0, or a # before the line"},
		{"[target]\nangle_deg: 18", "line 2: this is not TOML: want angle_deg = value, not \"angle_deg: 18\""},
		{"[target]\nangle_deg 18", "line 2: this is not TOML: want angle_deg = value, not \"angle_deg 18\""},
		{"[target]\ntable = [ { rpm = 1, angle_deg = 2 } { rpm = 3, angle_deg = 4 } ]", "line 2: this is not TOML: target.table: expected ',' or ']' after array value; want rows"},
		{"[target\nangle_deg = 18", "line 1: this is not TOML: want the name of a table in square brackets, such as [engine], not \"[target\""},
		{"target]\nangle_deg = 18", "line 1: this is not TOML: want the name of a table in square brackets, such as [engine], not \"target]\""},
		{"[target]\nangle_deg = 18\n[target]\n", "line 3: this is not TOML: [target] stands there twice: want it once, with all its keys below"},
		{"Notes of Sunday.", "line 1: this is not TOML: want a key, = and its value, a [table], or a remark behind a #, not \"Notes of Sunday.\""},
		{"# so\n# 0.3 \xb1 0.1 mm", "line 2: a character here is not UTF-8: save the file as UTF-8"},
		{"\xff\xfe[\x00e\x00", "line 1: this is text in UTF-16: save it as UTF-8"},
		{"RIFF\x00\x00WAVE", "line 1: this is not TOML: it is no text at all"},
		{"[converter]\nskew_tolerance_us = -1", "line 2: converter.skew_tolerance_us is -1: want microseconds from 0"},
		{"[reference]\nangle_tolerance_deg = 0.5", "line 2: reference.angle_tolerance_deg stands without reference.angle_deg"},
		{"[reference]\nangle = 30", "line 2: there is no key \"reference.angle\": with its unit in the name it is reference.angle_deg"},
		{"[reference]\nposition = 30", "line 2: there is no key \"reference.position\": want one of reference.channel, reference.kind, "},
		{"[reference]\nAngle_deg = 30", "line 2: there is no key \"reference.Angle_deg\""},
		{"[motor]\nstroke_mm = 42", "line 2: there is no \"motor.stroke_mm\" here: want the tables [engine], [target], [contacts], [static], [reference], [spark], [converter] and [job]"},
		{"stroke_mm = 42", "line 1: there is no \"stroke_mm\" here: want the tables [engine], [target], [contacts], [static], [reference], [spark], [converter] and [job]; stroke_mm belongs below [engine]"},
		{"[reference]\nrod_length_mm = 42", "reference.delay_tolerance_us; rod_length_mm belongs below [engine]"},
		{"[engine.sub]\nx = 1", "line 2: there is no \"engine.sub.x\" here: want the tables [engine]"},
		{"[engine.sub]", "line 1: there is no key \"engine.sub\": want one of engine.name, "},
		{"[engine]\nname = 3", "line 2: engine.name: want a short text of one line"},
		{"[engine]\nname = 1979-05-27", "line 2: engine.name: want a short text of one line"},
		{"[engine]\nname = \" \"", "line 2: engine.name is \" \": want a short text"},
		{"[engine]\nname = \"a\\nb\"", "line 2: engine.name is \"a\\nb\": want a short text of one line"},
		{"[engine]\nname = \"" + strings.Repeat("n", mostName+1) + "\"", "line 2: engine.name is \"nnn"},
		{"[engine]\nnotes = \"" + strings.Repeat("n", mostNotes+1) + "\"", "line 2: engine.notes has 10001 characters: want 10000 at most"},
		{"[engine]\nnotes = 7", "line 2: engine.notes: want a text"},
		{"[engine]\nstroke_mm = 0", "line 2: engine.stroke_mm is 0: want millimetres from 1 to 1000, such as 44.0"},
		{"[engine]\nstroke_mm = -44", "line 2: engine.stroke_mm is -44: want millimetres"},
		{"[engine]\nstroke_mm = \"44 mm\"", "line 2: engine.stroke_mm: want millimetres"},
		{"[engine]\nstroke_mm = [44]", "line 2: engine.stroke_mm: want millimetres"},
		{"[engine]\nstroke_mm = true", "line 2: engine.stroke_mm: want millimetres"},
		{"[engine]\nstroke_mm = 44\nrod_length_mm = 22", "line 3: engine.rod_length_mm is 22: want more than 22, half the stroke: a shorter rod"},
		{"[engine]\nrod_length_mm = 23\nstroke_mm = 44\npin_offset_mm = -1", "line 2: engine.rod_length_mm is 23: want more than 23, half the stroke and the pin offset together"},
		{"[engine]\nrod_length_mm = 0.5", "line 2: engine.rod_length_mm is 0.5: want millimetres from 1"},
		{"[engine]\npin_offset_mm = nan", "line 2: engine.pin_offset_mm is NaN: want millimetres from -100 to 100"},
		{"[engine]\nflywheel_diameter_mm = 12e4", "line 2: engine.flywheel_diameter_mm is 120000: want millimetres from 10 to 3000"},
		{"[engine]\nrotation = \"left\"", "line 2: engine.rotation is \"left\": want \"clockwise\" or \"anticlockwise\", as seen from the flywheel side"},
		{"[engine]\nrotation = 1", "line 2: engine.rotation: want \"clockwise\" or"},
		{"[engine]\nstrokes_per_cycle = 3", "line 2: engine.strokes_per_cycle is 3: want 2 or 4"},
		{"[engine]\nstrokes_per_cycle = 2.0", "line 2: engine.strokes_per_cycle: want 2 or 4"},
		{"[engine]\nfiring_offsets_deg = 180", "line 2: engine.firing_offsets_deg: want degrees in square brackets"},
		{"[engine]\nfiring_offsets_deg = []", "line 2: engine.firing_offsets_deg has 0 offsets: want degrees in square brackets"},
		{"[engine]\nfiring_offsets_deg = [0,0,0,0,0,0,0,0,0,0,0,0,0]", "line 2: engine.firing_offsets_deg has 13 offsets"},
		{"[engine]\nfiring_offsets_deg = [0,\n\"180\"]", "line 3: engine.firing_offsets_deg: want degrees in square brackets"},
		{"[engine]\nfiring_offsets_deg = [180]", "line 2: engine.firing_offsets_deg, cylinder 1, is 180: want 0: the others count from the firing of cylinder 1"},
		{"[engine]\nfiring_offsets_deg = [0, nan]", "line 2: engine.firing_offsets_deg, cylinder 2, is NaN: want degrees from 0 to less than 720"},
		{"[engine]\nfiring_offsets_deg = [0, 360]\nstrokes_per_cycle = 2", "line 2: engine.firing_offsets_deg, cylinder 2, is 360: want degrees from 0 to less than 360, the cycle of an engine with 2 strokes"},
		{"[engine]\nspeed_fluctuation = 5", "line 2: engine.speed_fluctuation is 5: want a fraction from 0 to 2"},
		{"[target]\nangle_deg = -180", "line 2: target.angle_deg is -180: want degrees above -180, up to 180, such as 18.0"},
		{"[target]\ntolerance_deg = 0", "line 2: target.tolerance_deg is 0: want degrees above 0, up to 180"},
		{"[target]\nangle_deg = 18\ntable = [{rpm = 1, angle_deg = 2}, {rpm = 3, angle_deg = 4}]", "line 3: there are both target.angle_deg and target.table: want one of them"},
		{"[target]\ntable = 3", "line 2: target.table: want rows of speed and angle, such as ["},
		{"[target]\ntable = [\n3]", "line 3: target.table: want rows"},
		{"[target]\ntable = []", "line 2: target.table has 0 rows: want 2 to 100; one angle for all speeds is target.angle_deg"},
		{"[target]\ntable = [{rpm = 1, angle_deg = 2}]", "line 2: target.table has 1 row: want 2 to 100"},
		{"[target]\ntable = [\n{rpm = 1, angle_deg = 2},\n{rpm = 3}]", "line 4: target.table, row 2, has no angle_deg: want rows"},
		{"[target]\ntable = [\n{rpm = 1, angle_deg = 2},\n{}]", "line 2: target.table, row 2, has no rpm: want rows"},
		{"[target]\ntable = [\n{rpm = 1, angle_deg = 2},\n{rpm = 3, angle = 4}]", "line 4: there is no key \"target.table.angle\": a row has rpm and angle_deg"},
		{"[target]\ntable = [\n{rpm = 1, angle_deg = 2},\n{rpm = 3, angle_deg = \"4\"}]", "line 4: target.table: want rows"},
		{"[target]\ntable = [\n{rpm = 0, angle_deg = 2},\n{rpm = 3, angle_deg = 4}]", "line 3: target.table, row 1, rpm is 0: want rpm above 0, up to 30000, such as 1500"},
		{"[target]\ntable = [\n{rpm = 1, angle_deg = 2},\n{rpm = 3, angle_deg = 270}]", "line 4: target.table, row 2, angle_deg is 270: want degrees above -180, up to 180"},
		{"[target]\ntable = [\n{rpm = 3, angle_deg = 2},\n{rpm = 3, angle_deg = 2}]", "line 4: target.table, row 2, rpm is 3: want more than the 3 of the row before: speeds rise from row to row"},
		{"[target]\ntable = [\n{rpm = 1, angle_deg = -90},\n{rpm = 3, angle_deg = 90}]", "line 4: target.table, row 2, angle_deg is 90: want less than half a turn from the -90 of the row before"},
		{"[[target.table]]\nrpm = 1\nangle_deg = 1\n\n[[target.table]]\nrpm = 2\nangle_deg = inf", "line 7: target.table, row 2, angle_deg is +Inf: want degrees"},
		{"[[target.table]]\nrpm = 1\nangle_deg = 1\n\n[[target.table]]\nrpm = 2", "line 5: target.table, row 2, has no angle_deg"},
		{"[[target.table]]\nrpm = 1\nangle = 1", "line 3: there is no key \"target.table.angle\""},
		{"[contacts]\ngap_mm = 40", "line 2: contacts.gap_mm is 40: want millimetres from 0.01 to 5, such as 0.40"},
		{"[contacts]\ngap_min_mm = 0", "line 2: contacts.gap_min_mm is 0: want millimetres from 0.01"},
		{"[contacts]\ngap_min_mm = 0.5\ngap_max_mm = 0.3", "line 3: contacts.gap_max_mm is 0.3: want at least the 0.5 of gap_min_mm"},
		{"[contacts]\nplate_diameter_mm = 1", "line 2: contacts.plate_diameter_mm is 1: want millimetres from 5"},
		{"[contacts]\ncoil_inductance_mh = 0", "line 2: contacts.coil_inductance_mh is 0: want millihenries from 0.01 to 10000, such as 3.0"},
		{"[contacts]\ncondenser_uf = nan", "line 2: contacts.condenser_uf"},
		{"[contacts]\ncam_turns_per_rev = 2", "line 2: contacts.cam_turns_per_rev is 2: want 1, or 0.5 for a shaft at half the crank's speed"},
		{"[static]\nangle_deg = 181", "line 2: static.angle_deg is 181: want degrees above -180"},
		{"[static]\nangle_tolerance_deg = 0.5", "line 2: static.angle_tolerance_deg stands without static.angle_deg, which it belongs to"},
		{"[reference]\nchannel = 0", "line 2: reference.channel is 0: want a whole number from 1 to 8"},
		{"[spark]\nchannel = 9", "line 2: spark.channel is 9: want a whole number from 1 to 8"},
		{"[spark]\nkind = \"coil\"", "line 2: spark.kind is \"coil\": want \"clamp\", \"microphone\" or \"contacts\""},
		{"[spark]\nper_rev = 1.5", "line 2: spark.per_rev is 1.5: want 0.5 for a spark in every second revolution, or a whole number from 1 to 12"},
		{"[spark]\nper_rev = \"1/2\"", "line 2: spark.per_rev: want 0.5"},
		{"angle_deg = 30", "line 1: there is no \"angle_deg\" here"},
		{"[reference]\nkind = \"reed\"", "line 2: reference.kind is \"reed\": want \"contact\""},
		{"[reference]\nkind = 3", "line 2: reference.kind: want \"contact\" (reed, Hall, optical) or \"coil\""},
		{"[reference]\npulses = 0", "line 2: reference.pulses is 0: want a whole number from 1 to 360"},
		{"[reference]\npulses = 1.5", "line 2: reference.pulses: want a whole number"},
		{"reference = 30", "line 1: reference: want a table, [reference]"},
		{"[[reference]]\nangle_deg = 30", "line 1: reference: want a table"},
		{"[reference]\nangle_deg = 30\nangle_deg = 31", "line 3: this is not TOML: angle_deg stands there twice: want it once"},
		{"RIFF\xff\xff", "line 1: a character here is not UTF-8"},
		{strings.Repeat("#", mostBytes+1), "want a short text"},
	} {
		_, err := Parse([]byte(c.doc))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.60q: %v\nwant … %s …", c.doc, err, c.want)
		}
	}
}

func TestSet(t *testing.T) {
	angle := []Setting{{Key: ReferenceAngle, Value: 31.25, Decimal: 2, Note: "calibrate wheel"}, {Key: ReferenceAngleTolerance, Value: 0.3, Decimal: 2}}
	for _, c := range []struct{ name, doc, want string }{
		{"a new file", "", "[reference]\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"a remark of the user's stays", "[reference]\nangle_deg = 30 # mine\n", "[reference]\nangle_deg = 31.25 # mine\nangle_tolerance_deg = 0.30\n"},
		{"one of ours is renewed", "[reference]\nangle_deg = 30 # by calibrate static\nangle_tolerance_deg = 1\n", "[reference]\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"behind the last key of its table", "[reference]\nkind = \"coil\"\n\n[spark]\ndelay_us = 3\n", "[reference]\nkind = \"coil\"\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n\n[spark]\ndelay_us = 3\n"},
		{"an empty table", "[reference] # here\n# to be found\n[spark]\n", "[reference] # here\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n# to be found\n[spark]\n"},
		{"dotted keys", "reference.pulses = 2\n[spark]\n", "reference.pulses = 2\nreference.angle_deg = 31.25 # by calibrate wheel\nreference.angle_tolerance_deg = 0.30\n[spark]\n"},
		{"no newline at the end", "[reference]\nkind = \"coil\"", "[reference]\nkind = \"coil\"\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"another system's lines", "[spark]\r\ndelay_us = 3\r\n", "[spark]\r\ndelay_us = 3\r\n\r\n[reference]\r\nangle_deg = 31.25 # by calibrate wheel\r\nangle_tolerance_deg = 0.30\r\n"},
		{"a mark that some editors put first", byteOrderMark + "[reference]\nangle_deg = 30\n", byteOrderMark + "[reference]\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"below its example", "[reference]\n#angle_deg = 1 # so\n# angle_tolerance_deg=2\n# more\n\n[static]\n#angle_deg = 5\n", "[reference]\n#angle_deg = 1 # so\nangle_deg = 31.25 # by calibrate wheel\n# angle_tolerance_deg=2\nangle_tolerance_deg = 0.30\n# more\n\n[static]\n#angle_deg = 5\n"},
		{"an example of another table", "[static]\n#angle_deg = 1\n[reference]\nkind = \"coil\"", "[static]\n#angle_deg = 1\n[reference]\nkind = \"coil\"\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"an example without an end", "[reference]\n#angle_deg = 1", "[reference]\n#angle_deg = 1\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"no example but a text", "[engine]\nnotes = \"\"\"\n[reference]\n#angle_deg = 1\n\"\"\"\n[reference] #angle_deg = 1\n", "[engine]\nnotes = \"\"\"\n[reference]\n#angle_deg = 1\n\"\"\"\n[reference] #angle_deg = 1\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"values within braces", "reference = { angle_deg = 30, angle_tolerance_deg = 1 }", "reference = { angle_deg = 31.25, angle_tolerance_deg = 0.30 }"},
	} {
		doc := []byte(c.doc)
		got, err := Set(doc, angle)
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %v\ngot\n%s\nwant\n%s", c.name, err, got, c.want)
		}
		if string(doc) != c.doc {
			t.Errorf("%s: the argument was changed", c.name)
		}
	}
	for _, c := range []struct {
		name, doc string
		s         []Setting
		want      string
	}{
		{"no room within braces", "reference = { kind = \"coil\" }", angle, "by hand"},
		{"a value that cannot be", "", []Setting{{Key: ReferenceAngle, Value: 200, Decimal: 1}}, "reference.angle_deg is 200: want degrees above -180"},
		{"not a number", "", []Setting{{Key: ReferenceAngle, Value: math.NaN(), Decimal: 1}}, "reference.angle_deg is NaN: want degrees above -180"},
		{"not a whole number", "", []Setting{{Key: ReferencePulses, Value: 1.5}}, "reference.pulses is 1.5: want a whole number"},
		{"a word that is none", "", []Setting{{Key: ReferenceKind, Word: "reed"}}, "reference.kind is \"reed\": want"},
		{"broken text", "", []Setting{{Key: EngineName, Word: "a\xff"}}, "want plain text"},
		{"a remark of two lines", "", []Setting{{Key: ReferencePulses, Value: 1, Note: "a\nb"}}, "the remark on one line"},
		{"what does not go with the rest", "[engine]\nstroke_mm = 44", []Setting{{Key: EngineRodLength, Value: 20, Decimal: 1}}, "line 3: engine.rod_length_mm is 20: want more than 22"},
		{"a tolerance alone", "", angle[1:], "belongs to"},
		{"no such key", "", []Setting{{Key: "reference.nothing", Value: 1, Decimal: 1}}, "no key"},
		{"a list", "", []Setting{{Key: EngineFiringOffsets, Value: 1, Decimal: 1}}, "no key of a single value"},
		{"a broken file stays broken", "[reference\n", angle, "line 1"},
	} {
		if got, err := Set([]byte(c.doc), c.s); err == nil || got != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %q, %v: want … %s …", c.name, got, err, c.want)
		}
	}
}

// TestSetAll puts every single value into an empty file, and into a full one
// that says otherwise; what is read back is what was put in.
func TestSetAll(t *testing.T) {
	var settings []Setting
	for _, k := range keys {
		s := Setting{Key: k.name, Note: "hand"}
		switch kindOf(k) {
		case aList:
			continue
		case aWord:
			s.Word = "quoted \"a\\b\" – ½ µ\u200b" // a zero-width space is no printed character, but a text may have it
			if k.short {
				s.Word = "number \"2\" \\ ½"
			}
			if k.name == EngineNotes {
				s.Word += "\n# two\tlines\x01"
			}
			if k.words != nil {
				s.Word = k.words[len(k.words)-1]
			}
		default:
			s.Value, s.Decimal = k.max, 2
			if k.only != nil {
				s.Value = k.only[len(k.only)-1]
			}
		}
		settings = append(settings, s)
	}
	// Alone the largest of each do not go together.
	for i := range settings {
		if settings[i].Key == EngineRodLength {
			settings[i].Value = 1234.5
		}
	}
	full := strings.Replace(strings.Replace(whole, "table = [ # rows", "angle_deg = 3 # one\n", 1), "  { rpm = 1500, angle_deg = 10 }, # idle\n  { rpm = 4000, angle_deg = 22.5 },\n  # and no further\n]\n", "", 1)
	for _, doc := range []string{"", full} {
		out, err := Set([]byte(doc), settings)
		if err != nil {
			t.Fatalf("%v in\n%s", err, doc)
		}
		got, err := Parse(out)
		if err != nil {
			t.Fatal(err)
		}
		want := File{}
		if doc != "" {
			want.Engine.FiringOffsetsDeg = []float64{0, 360}
		}
		for _, s := range settings {
			if err := s.into(&want); err != nil {
				t.Fatal(err)
			}
			if v, ok := got.Number(s.Key); ok != (s.Word == "") || v != s.Value {
				t.Errorf("Number(%s) is %v, %t: want %v", s.Key, v, ok, s.Value)
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("got\n%s\nwant\n%s", dump(got), dump(want))
		}
		if lost := lostRemarks([]byte(doc), out); lost != "" {
			t.Errorf("the remark %q is gone", lost)
		}
	}
}

// lostRemarks is the first remark of a file that another lacks, in their order;
// empty: none. Those that Set writes itself do not count.
func lostRemarks(from, in []byte) string {
	have := remarks(in)
	for _, r := range remarks(from) {
		i := slices.Index(have, r)
		if i < 0 {
			return r
		}
		have = have[i+1:]
	}
	return ""
}

// remarks are all that stand behind a # in a file which is not text, in order,
// but those of Set.
func remarks(doc []byte) []string {
	doc = bytes.TrimPrefix(doc, []byte(byteOrderMark))
	p := unstable.Parser{KeepComments: true}
	p.Reset(doc)
	var all []string
	var walk func(n *unstable.Node)
	walk = func(n *unstable.Node) {
		for ; n.Valid(); n = n.Next() {
			if n.Kind == unstable.Comment {
				if r := strings.TrimRight(string(n.Data), " \t\r"); !strings.HasPrefix(r, noteMark) {
					all = append(all, r)
				}
			}
			walk(n.Child())
		}
	}
	for p.NextExpression() {
		walk(p.Expression())
	}
	slices.Sort(all) // a value's remarks hang behind its key in the tree
	return all
}

func TestSettingText(t *testing.T) {
	for _, c := range []struct {
		v    float64
		d    int
		want string
	}{{30, 0, "30.0"}, {-0.001, 1, "0.0"}, {-1.25, 2, "-1.25"}, {1e-9, 12, "0.000000001000"}} {
		if got := (Setting{Value: c.v, Decimal: c.d}).Text(); got != c.want {
			t.Errorf("%v with %d decimals: %q, want %q", c.v, c.d, got, c.want)
		}
	}
}

// Whatever the bytes: no panic, no value out of range, and setting values
// either fails or gives a file that holds them, everything else as it was, with
// every remark kept.
func FuzzFile(f *testing.F) {
	f.Add([]byte(whole), 182.5, "clockwise", "calibrate pickup")
	f.Add([]byte("reference = { angle_deg = 30, kind = \"coil\" } # x"), -3.0, "anticlockwise", "")
	f.Add([]byte("reference.angle_deg = 3\r\n\r\n[spark]\r\n"), 0.0, "left", "a # b")
	f.Add([]byte("[reference]\nangle_deg = nan\n"), 1e-9, "", "")
	f.Add([]byte("[reference.sub]\n[reference]"), 5.0, "clockwise", "x")
	f.Add([]byte(byteOrderMark+"[spark]\nkind = clamp\n"), 5.0, "clockwise", "x")
	f.Add([]byte("[engine]\nstroke_mm = 44,0 mm\n"), 5.0, "clockwise", "x")
	f.Add([]byte("[[target.table]]\nrpm = 1\nangle_deg = 2 # y\n[[target.table]]\nrpm = 3\nangle_deg = 4\n"), 7.0, "clockwise", "x")
	f.Add([]byte("target.table=[ # a\n{ rpm = 1, # b\n angle_deg = 2 },\n {rpm=3, angle_deg = 4}] # c\n"), 7.0, "clockwise", "x")
	f.Fuzz(func(t *testing.T, doc []byte, value float64, word, note string) {
		file, err := Parse(doc)
		again, wrong, _ := Inspect(doc)
		entries, failed := Entries(doc)
		if (err == nil) != (len(wrong) == 0) || (err == nil) != (failed == nil) || err == nil && !reflect.DeepEqual(file, again) {
			t.Errorf("Parse says %v, Inspect %v, Entries %v", err, wrong, failed)
		}
		for _, e := range entries {
			if !file.says(e.Key) || e.Line < 1 {
				t.Errorf("entry %+v of a file that says\n%s", e, dump(file))
			}
		}
		if err != nil {
			if !strings.HasPrefix(err.Error(), "enginefile: ") || strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("error %q", err)
			}
			return
		}
		for _, k := range keys {
			if v, ok := file.Number(k.name); ok && !k.allowed(v) {
				t.Errorf("%s is %v", k.name, v)
			}
		}
		settings := []Setting{
			{Key: ReferenceDelay, Value: value, Decimal: 1, Note: note},
			{Key: TargetTolerance, Value: math.Abs(value), Decimal: 3},
			{Key: EngineRotation, Word: word},
			{Key: EngineNotes, Word: note, Note: "hand"},
			{Key: ReferencePulses, Value: math.Trunc(value)},
		}
		for i := range settings {
			some := settings[i : i+1] // each alone
			if i == 0 {
				some = settings // and all
			}
			out, err := Set(doc, some)
			if err != nil {
				if !strings.HasPrefix(err.Error(), "enginefile: ") {
					t.Errorf("error %q", err)
				}
				continue
			}
			got, err := Parse(out)
			if err != nil {
				t.Fatalf("%q became %q: %v", doc, out, err)
			}
			want := file
			for _, s := range some {
				if err := s.into(&want); err != nil {
					t.Fatal(err)
				}
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%q became %q: got\n%s\nwant\n%s", doc, out, dump(got), dump(want))
			}
			if lost := lostRemarks(doc, out); lost != "" {
				t.Errorf("the remark %q is gone from %q", lost, out)
			}
			again, err := Set(out, some)
			if err != nil || !bytes.Equal(again, out) {
				t.Errorf("%q, set once more, became %q, %v", out, again, err)
			}
		}
	})
}

func ExampleSet() {
	out, err := Set([]byte("# My engine.\n[reference]\nkind = \"contact\"\n"), []Setting{{Key: ReferenceDelay, Value: 182.04, Decimal: 1, Note: "calibrate pickup"}})
	fmt.Print(string(out), err)
	// Output:
	// # My engine.
	// [reference]
	// kind = "contact"
	// delay_us = 182.0 # by calibrate pickup
	// <nil>
}

func TestSettingOf(t *testing.T) {
	for _, c := range []struct{ key, text, want, err string }{
		{StaticAngle, "17.80", "17.80", ""},
		{StaticAngle, " -3 ", "-3.0", ""},
		{ContactsCondenser, "1.5e-2", "0.015", ""},
		{ReferencePulses, "2", "2", ""},
		{EngineRotation, "clockwise", `"clockwise"`, ""},
		{JobLocked, "plate 3°", `"plate 3°"`, ""},
		{JobLocked, "  ", "", `job.locked is "": want a short text`},
		{EngineRotation, "left", "", `engine.rotation is "left": want "clockwise"`},
		{StaticAngle, "18°", "", `static.angle_deg is "18°": want degrees above -180, up to 180, such as 18.0`},
		{StaticAngle, "nan", "", `static.angle_deg is "nan": want degrees`},
		{StaticAngle, "200", "", `static.angle_deg is "200": want degrees`},
		{ReferencePulses, "1.5", "", `reference.pulses is "1.5": want a whole number`},
		{TargetTable, "1", "", "target.table has several values"},
		{"static.angle", "1", "", `there is no key "static.angle": with its unit in the name it is static.angle_deg`},
	} {
		s, err := SettingOf(c.key, c.text)
		switch {
		case c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)):
			t.Errorf("%s = %q: %v, want %q", c.key, c.text, err, c.err)
		case c.err == "" && (err != nil || s.Text() != c.want):
			t.Errorf("%s = %q: %s, %v, want %s", c.key, c.text, s.Text(), err, c.want)
		}
	}
}

// All that is wrong is said at once: an unknown key hides no impossible value,
// nor does a value of the wrong sort, nor what is no TOML further down.
func TestAllWrongAtOnce(t *testing.T) {
	for _, c := range []struct {
		doc  string
		want []string // of each problem, in order of lines
	}{
		{"[engine]\nstroke_mm = \"44\"\nrod_length_mm = -3\nfoo = 3\nstrokes_per_cycle = 3\n[target]\nbar = 2\ntolerance_deg = true\n",
			[]string{"stroke_mm: want millimetres from 1 to 1000, such as 44.0, without quotes", "rod_length_mm is -3", `"engine.foo"`, "strokes_per_cycle is 3", `"target.bar"`, "tolerance_deg: want"}},
		{"[static]\nangle_deg = \"18\"\nangle_tolerance_deg = 1.0\n", []string{"static.angle_deg: want"}},
		{"[engine]\nstroke_mm = \"44\"\nrotation = clockwise\n", []string{"without quotes", "rotation"}},
		{"[target]\ntable = [ { rpm = \"1500\", angle_deg = 1.0 } ]\n", []string{"target.table"}},
	} {
		_, wrong, _ := Inspect([]byte(c.doc))
		if len(wrong) != len(c.want) {
			t.Errorf("%q: %d problems, want %d: %v", c.doc, len(wrong), len(c.want), wrong)
			continue
		}
		for i, p := range wrong {
			if !strings.Contains(p.Message, c.want[i]) {
				t.Errorf("%q: problem %d is %q, want … %s …", c.doc, i+1, p.Message, c.want[i])
			}
		}
	}
}
