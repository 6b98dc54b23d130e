package main

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sparkscope/analysis/enginefile"
)

// TestWriteBack: the static angle and the gap go into the engine file when that
// is asked for, in the place of other values only with --replace, and all else in
// the file stays as it is.
func TestWriteBack(t *testing.T) {
	hand, err := filepath.Abs("../../testdata/synthetic/job/hand.wav")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	const doc = "# mine\n[engine] # so\nspeed_fluctuation = 0.05\n[reference]\nangle_deg = 28.6 # seen\nangle_tolerance_deg = 0.4\n[target]\nangle_deg = 18.0\n"
	const gap = "bench gap --engine e.toml --pairs 0.35:15/0.45:19"
	measure := "measure " + hand + " --spark-kind contacts --engine e.toml"
	for _, c := range []struct {
		name, doc, args string
		status          int
		says            string // on standard error
		want            string // the file; empty: as it was
	}{
		{"the gap is not written unasked", doc, gap, exitOK, "", ""},
		{"the gap", doc, gap + " --write-gap", exitOK, "", doc + "\n[contacts]\ngap_mm = 0.43 # by bench gap\n"}, // (18 - 15)/40 + 0.35 = 0.425
		{"a gap that is not allowed", doc + "[contacts]\ngap_max_mm = 0.405\n", gap + " --write-gap", exitOK, "", doc + "[contacts]\ngap_max_mm = 0.405\ngap_mm = 0.405 # by bench gap\n"},
		{"another gap is there", doc + "[contacts]\ngap_mm = 0.4 # mine\n", gap + " --write-gap", exitNoOutput, "cannot write e.toml: it holds contacts.gap_mm = 0.4 already: add --replace", ""},
		{"it gives way", doc + "[contacts]\ngap_mm = 0.4 # mine\n", gap + " --write-gap --replace", exitOK, "", doc + "[contacts]\ngap_mm = 0.43 # mine\n"},
		{"no file for it", doc, "bench gap --target 18 --pairs 0.35:15/0.45:19 --write-gap", exitUsage, "--write-gap needs --engine", ""},
		{"nothing to replace", doc, gap + " --replace", exitUsage, "--replace needs --write-gap", ""},
		{"no file of that name", doc, strings.Replace(gap, "e.toml", "f.toml", 1) + " --write-gap", exitUsage, "there is no such file", ""},
		{"the static angle is not written unasked", doc, measure, exitOK, "", ""},
		{"a running engine has no static angle", doc, "measure " + hand + " --engine e.toml --write-static", exitUsage, "--write-static needs --spark-kind contacts", ""},
		{"no top dead centre", "[engine]\n", measure + " --write-static", exitUsage, "--write-static needs --reference-angle", ""},
		{"another static angle is there", doc + "[static]\nangle_deg = 12.0\n", measure + " --write-static", exitNoOutput, "it holds static.angle_deg = 12 already", ""},
		{"the file is also another output", doc, measure + " --write-static --json e.toml", exitUsage, "both name e.toml", ""},
	} {
		if err := os.WriteFile("e.toml", []byte(c.doc), 0o644); err != nil {
			t.Fatal(err)
		}
		var stdout, stderr bytes.Buffer
		if got := run(context.Background(), strings.Fields(c.args), strings.NewReader(""), &stdout, &stderr); got != c.status || !strings.Contains(stderr.String(), c.says) {
			t.Errorf("%s: exit status %d, want %d; said %q, want %q", c.name, got, c.status, stderr.String(), c.says)
		}
		after, err := os.ReadFile("e.toml")
		if err != nil {
			t.Fatal(err)
		}
		if c.want == "" {
			c.want = c.doc
		}
		if string(after) != c.want {
			t.Errorf("%s: the file is\n%s\nwant\n%s", c.name, after, c.want)
		}
	}

	if err := os.WriteFile("e.toml", []byte(doc+"[static]\nangle_deg = 12.0 # by hand\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	if got := run(context.Background(), strings.Fields(measure+" --write-static --replace"), strings.NewReader(""), &stdout, &stderr); got != exitOK {
		t.Fatalf("exit status %d, said %s", got, stderr.String())
	}
	after, f, err := readEngineFile("e.toml")
	if err != nil {
		t.Fatal(err)
	}
	const truth = 14.9 // the README of the recordings
	v, has := f.Number(enginefile.StaticAngle)
	tol, hasTol := f.Number(enginefile.StaticAngleTolerance)
	if !has || !hasTol || math.Abs(v-truth) > tol || tol > 2 {
		t.Errorf("the static angle is %g ±%g, truly %g", v, tol, truth)
	}
	if !strings.HasPrefix(string(after), doc) || !strings.Contains(stdout.String(), "Written into e.toml:\n  static.angle_deg = ") {
		t.Errorf("the file is\n%s\nand it says\n%s", after, stdout.String())
	}
}
