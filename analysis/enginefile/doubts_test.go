package enginefile

import (
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestDoubts holds every doubt to a file that has it and to one that just has
// it not.
func TestDoubts(t *testing.T) {
	for _, c := range []struct{ name, has, line, want, not string }{
		{"stroke", "[engine]\nstroke_mm = 4.4", "2", "engine.stroke_mm is 4.4: usual are 20 to 120 mm (common practice, no source): is it in millimetres", "[engine]\nstroke_mm = 20"},
		{"rod too short", "[engine]\nstroke_mm = 44\nrod_length_mm = 50", "3", "is 50, 1.14 times the stroke: usual are 1.3 to 2.7", "[engine]\nstroke_mm = 44\nrod_length_mm = 58"},
		{"rod too long", "[engine]\nstroke_mm = 44\nrod_length_mm = 120", "3", "2.73 times the stroke", "[engine]\nstroke_mm = 44\nrod_length_mm = 118"},
		{"pin offset", "[engine]\nstroke_mm = 40\npin_offset_mm = -5", "3", "engine.pin_offset_mm is -5, 12 % of the stroke: usual are up to 10 %", "[engine]\nstroke_mm = 40\npin_offset_mm = -4"},
		{"flywheel", "[engine]\nflywheel_diameter_mm = 12", "2", "usual are 50 to 500 mm", "[engine]\nflywheel_diameter_mm = 50"},
		{"even turning", "[engine]\nspeed_fluctuation = 0", "2", "no engine turns evenly", "[engine]\nspeed_fluctuation = 0.01"},
		{"percent", "[engine]\nspeed_fluctuation = 2", "2", "so that 5 % is 0.05", "[engine]\nspeed_fluctuation = 0.5"},
		{"together", "[engine]\nstrokes_per_cycle = 4\nfiring_offsets_deg = [0, 180, 180]", "3", "lets cylinders 2 and 3 fire at one moment", "[engine]\nstrokes_per_cycle = 4\nfiring_offsets_deg = [0, 180, 180.1]"},
		{"strokes not said", "[engine]\nfiring_offsets_deg = [0, 180]", "2", "stands without engine.strokes_per_cycle", "[engine]\nfiring_offsets_deg = [0]"},
		{"two-stroke, every second", "[engine]\nstrokes_per_cycle = 2\n[spark]\nper_rev = 0.5", "4", "a two-stroke fires in every revolution", "[engine]\nstrokes_per_cycle = 4\n[spark]\nper_rev = 0.5"},
		{"two-stroke, slow cam", "[engine]\nstrokes_per_cycle = 2\n[contacts]\ncam_turns_per_rev = 0.5", "4", "contacts open once per turn", "[engine]\nstrokes_per_cycle = 4\n[contacts]\ncam_turns_per_rev = 0.5"},
		{"more sparks than cylinders", "[engine]\nstrokes_per_cycle = 2\nfiring_offsets_deg = [0]\n[spark]\nper_rev = 2", "5", "is 2, more than the cylinders, of which engine.firing_offsets_deg has 1", "[engine]\nstrokes_per_cycle = 2\nfiring_offsets_deg = [0, 180]\n[spark]\nper_rev = 2"},
		{"target after top dead centre", "[target]\nangle_deg = -1", "2", "target.angle_deg is -1, after top dead centre", "[target]\nangle_deg = 0"},
		{"much advance", "[target]\nangle_deg = 46", "2", "usual are up to 45 degrees", "[target]\nangle_deg = 45"},
		{"a row after top dead centre", "[target]\ntable = [ { rpm = 1000, angle_deg = -1 },\n{ rpm = 3000, angle_deg = 20 } ]", "2", "target.table row 1, angle_deg, is -1, after top dead centre", "[target]\ntable = [ { rpm = 1000, angle_deg = 1 },\n{ rpm = 3000, angle_deg = 20 } ]"},
		{"a steep table", "[target]\ntable = [ { rpm = 1000, angle_deg = 1 },\n{ rpm = 1500, angle_deg = 17 } ]", "2", "goes by 32 degrees per 1000 rpm from row 1 to row 2: usual are up to 30", "[target]\ntable = [ { rpm = 1000, angle_deg = 1 },\n{ rpm = 1500, angle_deg = 16 } ]"},
		{"a wide tolerance", "[target]\nangle_deg = 18\ntolerance_deg = 6", "3", "target.tolerance_deg is 6: usual are 0.2 to 5 degrees", "[target]\nangle_deg = 18\ntolerance_deg = 5"},
		{"a tolerance of nothing", "[target]\ntolerance_deg = 2", "2", "stands without a target", "[target]\nangle_deg = 18\ntolerance_deg = 2"},
		// 0.95·2.2 is above 2, 0.95·2.1 below.
		{"a rough reference", "[target]\nangle_deg = 18\ntolerance_deg = 2\n[reference]\nangle_deg = 30\nangle_tolerance_deg = 2.2", "6", "no recording can be shown to be within the ±2", "[target]\nangle_deg = 18\ntolerance_deg = 2\n[reference]\nangle_deg = 30\nangle_tolerance_deg = 2.1"},
		{"a wide gap", "[contacts]\ngap_mm = 0.8", "2", "contacts.gap_mm is 0.8: usual are 0.2 to 0.7 mm", "[contacts]\ngap_mm = 0.7"},
		{"below the range", "[contacts]\ngap_min_mm = 0.3\ngap_mm = 0.29", "3", "is 0.29, less than the 0.3 of contacts.gap_min_mm", "[contacts]\ngap_min_mm = 0.3\ngap_mm = 0.3"},
		{"above the range", "[contacts]\ngap_max_mm = 0.5\ngap_mm = 0.51", "3", "is 0.51, more than the 0.5 of contacts.gap_max_mm", "[contacts]\ngap_max_mm = 0.5\ngap_mm = 0.5"},
		{"static off the target", "[target]\nangle_deg = 18\ntolerance_deg = 2\n[static]\nangle_deg = 15\nangle_tolerance_deg = 0.5", "5", "is 15, 3 degrees from the target of 18 at the lowest speed", "[target]\nangle_deg = 18\ntolerance_deg = 2\n[static]\nangle_deg = 15.5\nangle_tolerance_deg = 0.5"},
		{"static off the table's first row", "[target]\ntable = [ { rpm = 1000, angle_deg = 5 }, { rpm = 3000, angle_deg = 20 } ]\ntolerance_deg = 2\n[static]\nangle_deg = 18", "5", "13 degrees from the target of 5", "[target]\ntable = [ { rpm = 1000, angle_deg = 5 }, { rpm = 3000, angle_deg = 20 } ]\ntolerance_deg = 2\n[static]\nangle_deg = 5"},
		{"static the other way", "[target]\nangle_deg = 18\ntolerance_deg = 2\n[static]\nangle_deg = -18", "5", "nearly minus the target of 18: angles count before top dead centre; is the wheel read the other way", "[target]\nangle_deg = 18\ntolerance_deg = 2\n[static]\nangle_deg = 18"},
		{"a far reference", "[target]\nangle_deg = 18\n[reference]\nangle_deg = 100", "4", "reference.angle_deg is 100, 82 degrees from the target", "[target]\nangle_deg = 18\n[reference]\nangle_deg = 78"},
		{"a slow reed", "[reference]\nkind = \"contact\"\ndelay_us = 1500", "3", "with the kind \"contact\" usual are up to 1000 microseconds", "[reference]\nkind = \"contact\"\ndelay_us = 1000"},
		{"a slow coil", "[reference]\nkind = \"coil\"\ndelay_us = 200", "3", "with the kind \"coil\" usual are up to 100 microseconds", "[reference]\nkind = \"contact\"\ndelay_us = 200"},
		{"a slow clamp", "[spark]\nkind = \"clamp\"\ndelay_us = 1500", "3", "with the kind \"clamp\"", "[spark]\nkind = \"microphone\"\ndelay_us = 1500"},
		{"a microphone's delay, no kind", "[spark]\ndelay_us = 1500", "2", "with the kind \"clamp\"", "[spark]\ndelay_us = 150"},
		{"a delay of the future", "[spark]\ndelay_us = -3\ndelay_tolerance_us = 2", "2", "a trace comes after its event", "[spark]\ndelay_us = -3\ndelay_tolerance_us = 3"},
		{"a microphone at no distance", "[spark]\nkind = \"microphone\"", "2", "sound takes 2.9 ms for a metre", "[spark]\nkind = \"microphone\"\ndelay_us = 900"},
		{"skew", "[converter]\nskew_us = -40", "2", "no more than a sample apart", "[converter]\nskew_us = -20"},
	} {
		f, wrong, doubts := Inspect([]byte(c.has))
		if len(wrong) > 0 || len(doubts) != 1 {
			t.Errorf("%s: wrong %v, doubts %v: want one doubt", c.name, wrong, doubts)
			continue
		}
		want, err := Parse([]byte(c.has))
		if err != nil || !reflect.DeepEqual(f, want) {
			t.Errorf("%s: Inspect read %s, Parse %s, %v", c.name, dump(f), dump(want), err)
		}
		d := doubts[0]
		if !strings.HasPrefix(d.Error(), "enginefile: line "+c.line+": "+d.Key) || !strings.Contains(d.Message, c.want) {
			t.Errorf("%s: %v\nwant line %s … %s …", c.name, d, c.line, c.want)
		}
		if _, wrong, doubts := Inspect([]byte(c.not)); len(wrong)+len(doubts) > 0 {
			t.Errorf("%s: what just has it not: wrong %v, doubts %v", c.name, wrong, doubts)
		}
	}
	for _, sound := range []string{whole, Template, ""} {
		if _, wrong, doubts := Inspect([]byte(sound)); len(wrong)+len(doubts) > 0 {
			t.Errorf("%.40q …: wrong %v, doubts %v", sound, wrong, doubts)
		}
	}
}

// TestAllThatIsWrong: one look finds everything, in the order of the lines.
func TestAllThatIsWrong(t *testing.T) {
	const doc = `[engine]
stroke_mm = 0
rotation = "left"
firing_offsets_deg = [10, 900]
[target]
table = [
  { rpm = 2000, angle_deg = 10 },
  { rpm = 1000, angle_deg = 12 },
  { rpm = 3000 },
  { rpm = 2500, angle_deg = nan },
]
tolerance_deg = -1
[static]
angle_tolerance_deg = 1
`
	want := []string{
		"line 2: engine.stroke_mm is 0: want",
		"line 3: engine.rotation is \"left\": want",
		"line 4: engine.firing_offsets_deg, cylinder 1, is 10: want 0",
		"line 4: engine.firing_offsets_deg, cylinder 2, is 900: want degrees",
		"line 8: target.table, row 2, rpm is 1000: want more than the 2000",
		"line 9: target.table, row 3, has no angle_deg",
		"line 10: target.table, row 4, angle_deg is NaN: want degrees",
		"line 12: target.tolerance_deg is -1: want",
		"line 14: static.angle_tolerance_deg stands without",
	}
	_, wrong, doubts := Inspect([]byte(doc))
	if len(wrong) != len(want) || doubts != nil {
		t.Fatalf("wrong %v, doubts %v", wrong, doubts)
	}
	for i, p := range wrong {
		if !strings.HasPrefix(p.Error(), "enginefile: "+want[i]) {
			t.Errorf("%v\nwant %s …", p, want[i])
		}
	}
	_, wrong, _ = Inspect([]byte("[engine]\nstroke = 44\n[refrence]\nangle_deg = 3\n"))
	if len(wrong) != 2 || wrong[0].Line != 2 || wrong[1].Line != 4 {
		t.Errorf("two unknown keys: %v", wrong)
	}
}

// disabled is a line of the template with a key that is not known yet.
var disabled = regexp.MustCompile(`(?m)^#([a-z_]+ = )`)

// TestTemplate: it says nothing, and its examples, without their #, are a whole
// file without a doubt; every key is among them.
func TestTemplate(t *testing.T) {
	if f, err := Parse([]byte(Template)); err != nil || !reflect.DeepEqual(f, File{}) {
		t.Errorf("it says %s, %v", dump(f), err)
	}
	for _, without := range []string{"angle_deg = 18.0", "table = "} {
		doc := strings.Replace(Template, "\n#"+without, "\n# "+without, 1)
		doc = disabled.ReplaceAllString(doc, "$1")
		f, wrong, doubts := Inspect([]byte(doc))
		if len(wrong)+len(doubts) > 0 {
			t.Errorf("wrong %v, doubts %v in\n%s", wrong, doubts, doc)
		}
		left := map[string]string{"angle_deg = 18.0": TargetAngle, "table = ": TargetTable}[without]
		for _, k := range keys {
			if f.says(k.name) == (k.name == left) {
				t.Errorf("without %q: says %s: %t", without, k.name, f.says(k.name))
			}
		}
	}
	// What is set stands below its example.
	out, err := Set([]byte(Template), []Setting{{Key: ReferenceDelay, Value: 182, Decimal: 1, Note: "calibrate pickup"}, {Key: TargetAngle, Value: 17, Decimal: 1}})
	if err != nil || !strings.Contains(string(out), "#delay_us = 200.0\ndelay_us = 182.0 # by calibrate pickup\n#delay_tolerance_us") || !strings.Contains(string(out), "#angle_deg = 18.0\nangle_deg = 17.0\n#table") {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestEntries(t *testing.T) {
	got, err := Entries([]byte(whole))
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(keys)-1 { // target.angle_deg excludes the table
		t.Errorf("%d entries of %d keys", len(got), len(keys))
	}
	at := func(key string) Entry {
		i := slices.IndexFunc(got, func(e Entry) bool { return e.Key == key })
		if i < 0 {
			t.Fatalf("no %s", key)
		}
		return got[i]
	}
	num := func(v float64) *float64 { return &v }
	for _, want := range []Entry{
		{EngineName, 3, "bench two-stroke", "invented", "bench two-stroke"},
		{EngineRodLength, 5, "88.5 mm", "", 88.5},
		{EngineStrokesPerCycle, 9, "4", "", int64(4)},
		{EngineFiringOffsets, 10, "0°, 360°", "", []float64{0, 360}},
		{EngineNotes, 15, "# no remark: a text\nof two lines", "", "# no remark: a text\nof two lines"},
		{TargetTable, 20, "10° at 1500 rpm, 22.5° at 4000 rpm", "", []TargetRow{{num(1500), num(10)}, {num(4000), num(22.5)}}},
		{ContactsCoilInductance, 33, "3 mH", "", 3.0},
		{ReferenceAngle, 45, "30.2°", "from the piston stop", 30.2},
		{ReferenceDelay, 48, "182 µs", "", 182.0},
		{SparkPerRev, 54, "0.5", "", 0.5},
	} {
		if e := at(want.Key); !reflect.DeepEqual(e, want) {
			t.Errorf("got %+v, want %+v", e, want)
		}
	}
	marked, err := Entries([]byte(byteOrderMark + whole))
	if err != nil || !reflect.DeepEqual(marked, got) {
		t.Errorf("with a mark before it: %+v, %v", marked, err)
	}
	if _, err := Entries([]byte("x = 1")); err == nil {
		t.Error("no error for an unknown key")
	}
}

func TestSteps(t *testing.T) {
	f, err := Parse([]byte(whole))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range f.Steps() {
		if len(s.Lacks)+len(s.Helps) > 0 {
			t.Errorf("a whole file lacks %+v", s)
		}
	}
	all := File{}.Steps()
	if len(all) != len(job) {
		t.Fatalf("%d steps, want %d", len(all), len(job))
	}
	for i, s := range all {
		if !reflect.DeepEqual(s, job[i]) {
			t.Errorf("nothing known: %+v, want all of %+v", s, job[i])
		}
		for _, l := range slices.Concat(s.Lacks, s.Helps) {
			for _, k := range l.Keys {
				if _, ok := keyOf(k); !ok || l.Why == "" {
					t.Errorf("%s: %+v", s.Name, l)
				}
			}
		}
	}
	one, err := Parse([]byte("[engine]\nfiring_offsets_deg = [0]\n[target]\ntolerance_deg = 2\nangle_deg = 18\n"))
	if err != nil {
		t.Fatal(err)
	}
	steps := one.Steps()
	if len(steps) != len(job)-1 {
		t.Errorf("one cylinder: %d steps", len(steps))
	}
	v := steps[len(steps)-1]
	if v.Name != "The verdict" || len(v.Lacks) != 1 || v.Lacks[0].Keys[0] != ReferenceAngle {
		t.Errorf("only the reference angle is lacking: %+v", v)
	}
}
