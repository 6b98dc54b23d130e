package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// calibrates says of a truth table that its recording is for calibrating: it
// has no spark and a reference.
func calibrates(truth []byte) bool {
	return regexp.MustCompile(`layout (one-source|two-pickups)`).Match(truth)
}

// The committed recordings for calibrating give the delay and the skew of
// their truth tables, within the ± stated.
func TestCommittedCalibrations(t *testing.T) {
	notAtOnce(t)
	for _, c := range []struct {
		recording, truth string // the table's words for it, in seconds
		args             []string
		mostUS           float64 // the ± may not be more: a figure that says nothing is always right
	}{
		{"one-source", `channel 2 of the converter (\S+) s later`, []string{"skew"}, 1},
		{"two-pickups", `normally closed \S+, delay (\S+) s`, []string{"pickup", "--channel", "1", "--lag-free-tolerance", "0s", "--speed-fluctuation", "0.005"}, 15},
	} {
		base := filepath.Join("..", "..", "testdata", "synthetic", c.recording)
		text, err := os.ReadFile(base + ".csv")
		if err != nil {
			t.Fatal(err)
		}
		m := regexp.MustCompile(c.truth).FindSubmatch(text)
		if m == nil || !calibrates(text) {
			t.Fatalf("%s.csv does not say %s", c.recording, c.truth)
		}
		want := 1e6 * number(t, string(m[1]))
		var stdout, stderr bytes.Buffer
		args := append([]string{"calibrate", c.args[0], base + ".wav", "--json", "-"}, c.args[1:]...)
		if status := run(context.Background(), args, strings.NewReader(""), &stdout, &stderr); status != exitOK {
			t.Fatalf("%v: exit status %d, said %s", args, status, stderr.String())
		}
		var got struct {
			Value float64 `json:"value"`
			U     float64 `json:"expanded_uncertainty"`
			Unit  string  `json:"unit"`
		}
		if err := json.Unmarshal(stdout.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.Value-want) > got.U || got.U > c.mostUS || got.Unit != "us" {
			t.Errorf("%s: %.2f ± %.2f %s, true %.2f µs", c.recording, got.Value, got.U, got.Unit, want)
		}
	}
}
