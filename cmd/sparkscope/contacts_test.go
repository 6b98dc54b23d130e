package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The committed contact tone is what its command makes, and every change of its
// truth table is heard within the ± that is told.
func TestCommittedContactTone(t *testing.T) {
	folder := filepath.Join("..", "..", "testdata", "synthetic")
	readme, err := os.ReadFile(filepath.Join(folder, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	line := ""
	for l := range strings.Lines(string(readme)) {
		if args, ok := strings.CutPrefix(l, "    sparkscope contacts simulate "); ok {
			line = strings.TrimSpace(args)
		}
	}
	if line == "" {
		t.Fatal("the README has no command for it")
	}
	recording, truth := filepath.Join(folder, "tone", "hand.wav"), filepath.Join(folder, "tone", "hand.csv")
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "tone"), 0o777); err != nil {
		t.Fatal(err)
	}
	again := strings.NewReplacer("tone/hand.wav", filepath.Join(dir, "tone", "hand.wav"), "tone/hand.csv", filepath.Join(dir, "tone", "hand.csv")).Replace(line)
	var stdout, stderr bytes.Buffer
	if status := run(context.Background(), append([]string{"contacts", "simulate"}, strings.Fields(again)...), strings.NewReader(""), &stdout, &stderr); status != exitOK {
		t.Fatalf("exit status %d: %s", status, stderr.String())
	}
	_, got := readAll(t, filepath.Join(dir, "tone", "hand.wav"))
	_, want := readAll(t, recording)
	if len(got[0]) != len(want[0]) {
		t.Fatalf("%d samples made, %d committed", len(got[0]), len(want[0]))
	}
	for i := range got[0] {
		if math.Abs(got[0][i]-want[0][i]) > 1.01/(1<<15) { // the last bit differs between processors
			t.Fatalf("frame %d: made %g, committed %g", i, got[0][i], want[0][i])
		}
	}

	text, err := os.ReadFile(truth)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	stdout.Reset()
	if status := run(context.Background(), []string{"contacts", recording, "--json", "-"}, strings.NewReader(""), &stdout, &stderr); status != exitOK {
		t.Fatalf("exit status %d: %s", status, stderr.String())
	}
	heard := 0
	for l := range strings.Lines(stdout.String()) {
		var e struct {
			Event, State string
			FirstS       float64 `json:"first_s"`
			FirstWithinS float64 `json:"first_within_s"`
		}
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatalf("%v: %s", err, l)
		}
		if e.Event != "change" {
			continue
		}
		heard++
		if heard >= len(rows) {
			t.Fatalf("more changes than the %d that were made", len(rows)-1)
		}
		const chatterS = 3e-3 // of that recording, besides what is told
		if at := number(t, rows[heard][0]); e.State != rows[heard][1] || e.FirstS < at-e.FirstWithinS || e.FirstS > at+chatterS+e.FirstWithinS {
			t.Errorf("change %d: %s at %.4f s ±%.4f, truly %s at %.4f", heard, e.State, e.FirstS, e.FirstWithinS, rows[heard][1], at)
		}
	}
	if heard != len(rows)-1 {
		t.Errorf("%d changes heard, %d made", heard, len(rows)-1)
	}
}

// No recording of pick-ups has a contact tone: exit status 3, and not a line
// of an opening.
func TestNoContactToneInEngines(t *testing.T) {
	list, err := filepath.Glob(filepath.Join("..", "..", "testdata", "synthetic", "*.wav"))
	if err != nil || len(list) < 10 {
		t.Fatalf("%d recordings, %v", len(list), err)
	}
	for _, path := range list {
		var stdout, stderr bytes.Buffer
		if status := run(context.Background(), []string{"contacts", path}, strings.NewReader(""), &stdout, &stderr); status != exitMeasure || stdout.Len() > 0 {
			t.Errorf("%s: exit status %d, want %d; standard output: %s", filepath.Base(path), status, exitMeasure, stdout.String())
		}
	}
}
