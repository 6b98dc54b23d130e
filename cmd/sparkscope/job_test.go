package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestJob: the job is shown from the file alone and from results, kept only when
// asked, resumed from another folder, and wrong usage gets a sentence.
func TestJob(t *testing.T) {
	recordings, err := filepath.Abs("../../testdata/synthetic/job")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	if err := os.CopyFS("e", os.DirFS(recordings)); err != nil {
		t.Fatal(err)
	}
	job := func(status int, args ...string) (stdout, stderr string) {
		t.Helper()
		var out, errs bytes.Buffer
		if got := run(context.Background(), args, strings.NewReader(""), &out, &errs); got != status {
			t.Fatalf("%q: exit status %d, want %d: %s", args, got, status, errs.String())
		}
		return out.String(), errs.String()
	}
	file := func() string {
		t.Helper()
		b, err := os.ReadFile("e/bench.toml")
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	bare := file()
	job(exitOK, "bench", "tdc", "--readings", "38/318", "--json", "e/tdc.json")
	if out, _ := job(exitOK, "job", "e/bench.toml", "--tdc", "e/tdc.json"); !strings.Contains(out, "[x] 1 Top dead centre\n      worked out: Top dead centre is where the wheel reads 358") || file() != bare {
		t.Errorf("shown, or written unasked:\n%s", out)
	}
	if out, _ := job(exitOK, "job", "e/bench.toml"); !strings.Contains(out, "[>] 1 Top dead centre") {
		t.Errorf("kept unasked:\n%s", out)
	}
	job(exitOK, "job", "e/bench.toml", "--tdc", "e/tdc.json", "--keep", "--set", "static.angle_deg=17.80")
	if after := file(); !strings.HasPrefix(after, bare) || !strings.Contains(after, "tdc_result = \"tdc.json\"\n") || !strings.Contains(after, "angle_deg = 17.80 # by hand\n") {
		t.Errorf("kept as\n%s", after)
	}
	// From another folder the result is found beside the engine file.
	if err := os.Chdir("e"); err != nil {
		t.Fatal(err)
	}
	out, _ := job(exitOK, "job", "bench.toml", "--json", "-")
	var sheet struct {
		Schema, Next string
		Decision     *string
		Steps        []struct {
			Key, State string
			Figures    []struct {
				Key, From string
				Value     *float64
			}
			Commands []string
			ByHand   []string `json:"by_hand"`
		}
	}
	if err := json.Unmarshal([]byte(out), &sheet); err != nil {
		t.Fatal(err)
	}
	static := sheet.Steps[4]
	if sheet.Schema != "sparkscope.job/1" || sheet.Next != "marks" || sheet.Decision != nil || len(sheet.Steps) != 9 || sheet.Steps[0].State != "done" || len(sheet.Steps[1].Commands) == 0 ||
		static.Key != "static" || static.State != "done" || len(static.Figures) != 1 || static.Figures[0].Value == nil || *static.Figures[0].Value != 17.8 || static.Figures[0].From != "static.angle_deg" || len(static.ByHand) != 1 {
		t.Errorf("as JSON\n%s", out)
	}
	// A kept result that has gone is said, and is no error.
	if err := os.Remove("tdc.json"); err != nil {
		t.Fatal(err)
	}
	if out, _ := job(exitOK, "job", "bench.toml"); !strings.Contains(out, "[>] 1 Top dead centre\n      Note: tdc.json: there is no such file.\n") {
		t.Errorf("a result has gone:\n%s", out)
	}
	kept := file2(t)
	for _, c := range []struct{ args, says string }{
		{"", "which file? Name an engine file"},
		{"-", "want the name of an engine file, not standard input"},
		{"none.toml", "none.toml: there is no such file"},
		{"hand.wav", "hand.wav: "},
		{"bench.toml --keep", "--keep needs a result to keep"},
		{"bench.toml --running none.json", "--running none.json: there is no such file"},
		{"bench.toml --running bench.toml", "--running bench.toml: not a result as measure --json writes it"},
		{"bench.toml --gap bench.toml", "--gap bench.toml: not a result as bench --json writes it"},
		{"bench.toml --running .", "--running .: this is a folder, not a result"},
		{"bench.toml --set static.angle_deg", `--set "static.angle_deg": want KEY=VALUE, such as static.angle_deg=17.8`},
		{"bench.toml --set static.angle=17", "with its unit in the name it is static.angle_deg"},
		{"bench.toml --set static.angle_deg=nan", "want degrees above -180, up to 180"},
		{"bench.toml --set static.angle_deg=1 --set static.angle_deg=2", "--set names static.angle_deg twice"},
		{"bench.toml --set job.left_out=spark", `there is no step "spark" to be left out`},
		{"bench.toml --set job.tdc_tolerance_deg=1", "job.tdc_tolerance_deg stands without job.tdc_deg"},
		{"bench.toml --json bench.toml", "--json bench.toml is the engine file itself"},
	} {
		if _, said := job(exitUsage, append([]string{"job"}, strings.Fields(c.args)...)...); !strings.Contains(said, c.says) {
			t.Errorf("%s: says %q, want %q", c.args, said, c.says)
		}
	}
	if file2(t) != kept {
		t.Error("wrong usage changed the engine file")
	}
}

// file2 is the engine file in the working folder.
func file2(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
