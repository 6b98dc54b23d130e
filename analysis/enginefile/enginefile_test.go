package enginefile

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
)

const whole = `# The bench engine.
[reference]   # reed on the crankcase
kind = "contact"
pulses = 1
angle_deg = 30.2 # from the piston stop
angle_tolerance_deg = 0.4

delay_us = 182
delay_tolerance_us = 6.0

[spark]
delay_us = -1.5
delay_tolerance_us = 5

[converter]
skew_us = 2.6
skew_tolerance_us = 0.2
`

func TestParse(t *testing.T) {
	f, err := Parse([]byte(whole))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		key  string
		want float64
	}{
		{ReferenceAngle, 30.2}, {ReferenceAngleTolerance, 0.4}, {ReferenceDelay, 182}, {ReferenceDelayTolerance, 6},
		{SparkDelay, -1.5}, {SparkDelayTolerance, 5}, {ConverterSkew, 2.6}, {ConverterSkewTolerance, 0.2},
	} {
		if got, ok := f.Number(c.key); !ok || got != c.want {
			t.Errorf("%s: %v, %t: want %v", c.key, got, ok, c.want)
		}
	}
	if f.Reference.Kind == nil || *f.Reference.Kind != "contact" || f.Reference.Pulses == nil || *f.Reference.Pulses != 1 {
		t.Errorf("kind or pulses wrong: %+v", f.Reference)
	}
	for _, empty := range []string{"", "# nothing yet\n", "[reference]\n[spark]\n"} {
		f, err := Parse([]byte(empty))
		if err != nil {
			t.Errorf("%q: %v", empty, err)
		}
		for _, n := range numbers {
			if _, ok := f.Number(n.key); ok {
				t.Errorf("%q has a %s", empty, n.key)
			}
		}
	}
	// Other ways to write the same.
	for _, s := range []string{"reference.angle_deg = 30.2\n", "reference = { angle_deg = 30.2 }\n", "[\"reference\"]\n'angle_deg' = 3.02e1", "\r\n[reference]\r\nangle_deg = 30.2\r\n"} {
		if f, err := Parse([]byte(s)); err != nil || f.Reference.AngleDeg == nil || *f.Reference.AngleDeg != 30.2 {
			t.Errorf("%q: %v, %v", s, f.Reference.AngleDeg, err)
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
		{"[spark]\ndelay_us = 1e400", "line 2: spark.delay_us: want a number of microseconds"},
		{"[spark]\ndelay_us = \"250us\"", "line 2: spark.delay_us: want a number of microseconds"},
		{"[spark]\ndelay_us = 250us", "line 2: this is not TOML"},
		{"[converter]\nskew_tolerance_us = -1", "line 2: converter.skew_tolerance_us is -1: want microseconds from 0"},
		{"[reference]\nangle_tolerance_deg = 0.5", "line 2: reference.angle_tolerance_deg stands without reference.angle_deg"},
		{"[reference]\nangle = 30", "line 2: there is no key \"reference.angle\": want one of reference.angle_deg, "},
		{"[reference]\nAngle_deg = 30", "line 2: there is no key \"reference.Angle_deg\""},
		{"[engine]\nstroke_mm = 42", "line 1: there is no \"engine\" here: want the tables [reference]"},
		{"angle_deg = 30", "line 1: there is no \"angle_deg\" here"},
		{"[reference]\nkind = \"reed\"", "line 2: reference.kind is \"reed\": want \"contact\""},
		{"[reference]\nkind = 3", "line 2: reference.kind: want \"contact\" or \"coil\""},
		{"[reference]\npulses = 0", "line 2: reference.pulses is 0: want a whole number from 1 to 360"},
		{"[reference]\npulses = 1.5", "line 2: reference.pulses: want a whole number"},
		{"reference = 30", "line 1: reference: want a table, [reference]"},
		{"[[reference]]\nangle_deg = 30", "line 1: reference: want a table"},
		{"[reference]\nangle_deg = 30\nangle_deg = 31", "line 3: this is not TOML: key angle_deg is already defined"},
		{"RIFF\xff\xff", "line 1: this is not TOML"},
		{strings.Repeat("#", mostBytes+1), "want a short text"},
	} {
		_, err := Parse([]byte(c.doc))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.60q: %v\nwant … %s …", c.doc, err, c.want)
		}
	}
}

func TestSet(t *testing.T) {
	angle := []Setting{{ReferenceAngle, 31.25, 2, "calibrate wheel"}, {ReferenceAngleTolerance, 0.3, 2, ""}}
	for _, c := range []struct{ name, doc, want string }{
		{"a new file", "", "[reference]\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"a remark of the user's stays", "[reference]\nangle_deg = 30 # mine\n", "[reference]\nangle_deg = 31.25 # mine\nangle_tolerance_deg = 0.30\n"},
		{"one of ours is renewed", "[reference]\nangle_deg = 30 # by calibrate static\nangle_tolerance_deg = 1\n", "[reference]\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"behind the last key of its table", "[reference]\nkind = \"coil\"\n\n[spark]\ndelay_us = 3\n", "[reference]\nkind = \"coil\"\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n\n[spark]\ndelay_us = 3\n"},
		{"an empty table", "[reference] # here\n# to be found\n[spark]\n", "[reference] # here\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n# to be found\n[spark]\n"},
		{"dotted keys", "reference.pulses = 2\n[spark]\n", "reference.pulses = 2\nreference.angle_deg = 31.25 # by calibrate wheel\nreference.angle_tolerance_deg = 0.30\n[spark]\n"},
		{"no newline at the end", "[reference]\nkind = \"coil\"", "[reference]\nkind = \"coil\"\nangle_deg = 31.25 # by calibrate wheel\nangle_tolerance_deg = 0.30\n"},
		{"another system's lines", "[spark]\r\ndelay_us = 3\r\n", "[spark]\r\ndelay_us = 3\r\n\r\n[reference]\r\nangle_deg = 31.25 # by calibrate wheel\r\nangle_tolerance_deg = 0.30\r\n"},
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
		{"a value that cannot be", "", []Setting{{ReferenceAngle, 200, 1, ""}}, "above -180"},
		{"a tolerance alone", "", angle[1:], "belongs to"},
		{"no such key", "", []Setting{{"reference.pulses", 1, 1, ""}}, "no key"},
		{"a broken file stays broken", "[reference\n", angle, "line 1"},
	} {
		if got, err := Set([]byte(c.doc), c.s); err == nil || got != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %q, %v: want … %s …", c.name, got, err, c.want)
		}
	}
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

// Whatever the bytes: no panic, no value out of range, and setting a number
// either fails or gives a file that holds it, with every remark kept.
func FuzzFile(f *testing.F) {
	f.Add([]byte(whole))
	f.Add([]byte("reference = { angle_deg = 30, kind = \"coil\" } # x"))
	f.Add([]byte("reference.angle_deg = 3\r\n\r\n[spark]\r\n"))
	f.Add([]byte("[reference]\nangle_deg = nan\n"))
	f.Add([]byte("[reference.sub]\n[reference]"))
	f.Fuzz(func(t *testing.T, doc []byte) {
		file, err := Parse(doc)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "enginefile: ") {
				t.Errorf("error %q", err)
			}
			return
		}
		for _, n := range numbers {
			if v, ok := file.Number(n.key); ok && !(v >= n.min && v <= n.max) {
				t.Errorf("%s is %v", n.key, v)
			}
		}
		out, err := Set(doc, []Setting{{ReferenceDelay, 182.5, 1, "calibrate pickup"}, {SparkDelay, -3, 1, ""}})
		if err != nil {
			return
		}
		got, err := Parse(out)
		if err != nil {
			t.Fatalf("%q became %q: %v", doc, out, err)
		}
		a, _ := got.Number(ReferenceDelay)
		b, _ := got.Number(SparkDelay)
		if a != 182.5 || b != -3 {
			t.Errorf("%q became %q: %v, %v", doc, out, a, b)
		}
		for _, n := range numbers {
			x, okX := file.Number(n.key)
			y, okY := got.Number(n.key)
			if n.key != ReferenceDelay && n.key != SparkDelay && (okX != okY || x != y) {
				t.Errorf("%s was %v, is %v", n.key, x, y)
			}
		}
		for line := range bytes.Lines(doc) {
			if r := bytes.TrimSpace(line); bytes.HasPrefix(r, []byte("#")) && !bytes.Contains(out, r) {
				t.Errorf("the remark %q is gone from %q", r, out)
			}
		}
	})
}

func ExampleSet() {
	out, err := Set([]byte("# My engine.\n[reference]\nkind = \"contact\"\n"), []Setting{{ReferenceDelay, 182.04, 1, "calibrate pickup"}})
	fmt.Print(string(out), err)
	// Output:
	// # My engine.
	// [reference]
	// kind = "contact"
	// delay_us = 182.0 # by calibrate pickup
	// <nil>
}
