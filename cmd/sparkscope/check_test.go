package main

import (
	"bytes"
	"context"
	"strings"
	"testing"
)

// TestCheckOfTheRecordings: the project's clean recordings are fit to measure,
// and the two that were made faulty are not without doubt.
func TestCheckOfTheRecordings(t *testing.T) {
	notAtOnce(t)
	for name, want := range map[string]int{
		"steady": exitOK, "coil": exitOK, "swapped-inverted": exitOK, "blip": exitOK, "every-second": exitOK, "one-input": exitOK, "twin": exitOK,
		"low-level": exitVerdict, "ragged": exitVerdict,
	} {
		var stdout, stderr bytes.Buffer
		got := run(hears.once(context.Background()), []string{"check", "../../testdata/synthetic/" + name + ".wav"}, strings.NewReader(""), &stdout, &stderr)
		if got != want || stderr.Len() > 0 || want == exitOK && strings.Contains(stdout.String(), "Warning") {
			t.Errorf("%s: exit status %d, want %d; said %q\n%.1500s", name, got, want, stderr.String(), stdout.String())
		}
	}
}
