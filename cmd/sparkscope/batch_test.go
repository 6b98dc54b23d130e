package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sparkscope/analysis"
	"sparkscope/report"
	"sparkscope/report/table"
)

// TestAlone: on one core the same comes out as on several, to the last digit, for
// recordings of every kind that comes with the project.
func TestAlone(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/synthetic/*.wav")
	if err != nil || len(paths) == 0 {
		t.Fatal(paths, err)
	}
	if testing.Short() {
		paths = paths[:1]
	}
	for _, p := range paths {
		said := func(how detecting) string {
			f, err := os.Open(p)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			rec, trains, err := listenBy(context.Background(), f, p, analysis.Setup{}, true, how)
			if err != nil {
				return err.Error()
			}
			r, err := analysis.Measure(rec, trains, analysis.Setup{})
			if err != nil {
				return err.Error()
			}
			var b bytes.Buffer
			if err := report.JSON(&b, r); err != nil {
				t.Fatal(err)
			}
			if err := report.Events(&b, r); err != nil {
				t.Fatal(err)
			}
			return b.String()
		}
		if d := cmp.Diff(said(hears.detect), said(detectAlone)); d != "" {
			t.Errorf("%s: on several cores and on one:\n%s", p, d)
		}
	}
}

// stopAt ends ctx when so many lines of progress have come.
type stopAt struct {
	lines  atomic.Int32
	at     int32
	cancel func()
}

func (s *stopAt) Write(p []byte) (int, error) {
	if s.lines.Add(int32(bytes.Count(p, []byte("\n")))) >= s.at {
		s.cancel()
	}
	return len(p), nil
}

// TestBatchInterrupted: an interrupt keeps what is finished, its tables hold that
// and no more, and the next run goes on.
func TestBatchInterrupted(t *testing.T) {
	folder := t.TempDir()
	b, err := os.ReadFile("../../testdata/synthetic/steady.wav")
	if err != nil {
		t.Fatal(err)
	}
	const n = 6
	for i := range n {
		c := bytes.Clone(b)
		c[len(c)-1] = byte(i) // another recording
		if err := os.WriteFile(filepath.Join(folder, string(rune('a'+i))+".wav"), c, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var stdout bytes.Buffer
	stderr := &stopAt{at: 2, cancel: cancel}
	if status := run(ctx, []string{"batch", folder, "--workers", "1"}, nil, &stdout, stderr); status != exitMeasure {
		t.Errorf("interrupted: exit status %d", status)
	}
	out := filepath.Join(folder, batchFolder)
	rows := func() int {
		c, err := os.ReadFile(filepath.Join(out, "recordings.csv"))
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(string(c), "\n") - 1
	}
	finished, err := filepath.Glob(filepath.Join(out, "done", "*.json"))
	if err != nil || len(finished) != 2 || rows() != 2 {
		t.Errorf("interrupted after 2: %d finished, %d rows, %v", len(finished), rows(), err)
	}
	if !strings.Contains(stdout.String(), "2 measured now, 0 kept from before, 0 cannot be measured, 4 left") {
		t.Errorf("interrupted, it says %s", stdout.String())
	}
	if left, _ := filepath.Glob(filepath.Join(out, "*", ".sparkscope-*")); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	stdout.Reset()
	if status := run(context.Background(), []string{"batch", folder}, nil, &stdout, &bytes.Buffer{}); status != exitOK || rows() != n {
		t.Errorf("the second run: exit status %d, %d rows", status, rows())
	}
	if !strings.Contains(stdout.String(), "4 measured now, 2 kept from before") {
		t.Errorf("the second run says %s", stdout.String())
	}
	// An interrupt right away leaves the table of the run before as it is.
	gone, cancelNow := context.WithCancel(context.Background())
	cancelNow()
	run(gone, []string{"batch", folder}, nil, &bytes.Buffer{}, &bytes.Buffer{})
	if rows() != n {
		t.Errorf("interrupted right away: %d rows of %d are left", rows(), n)
	}
	// A state that is damaged is not believed.
	if err := os.WriteFile(finished[0], []byte("{"), 0o644); err != nil {
		t.Fatal(err)
	}
	stdout.Reset()
	run(context.Background(), []string{"batch", folder}, nil, &stdout, &bytes.Buffer{})
	if !strings.Contains(stdout.String(), "1 measured now, 5 kept from before") {
		t.Errorf("with a damaged state it says %s", stdout.String())
	}
}

// TestBatchLine: what stands on the terminal while it runs.
func TestBatchLine(t *testing.T) {
	b := &batch{paths: make([]string, 40), state: tally{fresh: 8, kept: 2, refused: 1}}
	s := &batchShow{b: b, total: 4000}
	b.read.Store(1000)
	if got, want := s.line(time.Minute), "11 of 40 recordings, 1 cannot be measured, 3m0s left"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := s.line(time.Second), "11 of 40 recordings, 1 cannot be measured"; got != want {
		t.Errorf("%q, want %q: nobody knows so soon", got, want)
	}
}

// TestBatchLineIsClean: the name of a file and what is said of it bring neither
// line breaks nor escape sequences to the terminal.
func TestBatchLineIsClean(t *testing.T) {
	message := "no\x1b[2J wave\nfile"
	for _, terminal := range []bool{false, true} {
		var out bytes.Buffer
		s := &batchShow{b: &batch{paths: make([]string, 1)}, w: &out, terminal: terminal}
		s.finished(&table.Recording{Recording: "a\x1b[31m\n\u009bb.wav", State: table.Refused, Message: &message}, false)
		got := strings.TrimPrefix(out.String(), "\r\x1b[K")
		if want := "a?[31m??b.wav: cannot be measured: no?[2J wave?file\n"; !strings.HasSuffix(got, want) || strings.Contains(got, "\x1b") {
			t.Errorf("terminal %v: %q, want %q at its end", terminal, got, want)
		}
	}
}

// TestBatchKey: what may change a result changes the key, the name of the engine
// file does not.
func TestBatchKey(t *testing.T) {
	angle := analysis.Degrees(30)
	base := analysis.Setup{ReferenceAngle: &angle}
	key := setupKey(base)
	renamed := base
	renamed.EngineFile = "other.toml"
	if setupKey(renamed) != key {
		t.Error("the name of the engine file changes the key")
	}
	other := analysis.Degrees(31)
	for name, s := range map[string]analysis.Setup{"angle": {ReferenceAngle: &other}, "none": {}, "target": {ReferenceAngle: &angle, Target: &other}, "delay": {ReferenceAngle: &angle, SparkDelayS: 1e-5}} {
		if setupKey(s) == key {
			t.Errorf("%s: the same key", name)
		}
	}
	if row := readDone(filepath.Join(t.TempDir(), "none.json")); row != nil {
		t.Errorf("of nothing: %+v", row)
	}
}
