package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
)

// FuzzAnyBytes holds the whole measurement to any bytes at all: reader,
// detectors, analysis and the JSON. Where FuzzMeasure makes up samples, this
// also breaks headers, sizes and chunks of recordings that could be measured.
func FuzzAnyBytes(f *testing.F) {
	for _, change := range []func(*scene.Spec){
		func(*scene.Spec) {},
		func(s *scene.Spec) { s.Pickup, s.Bits = scene.Coil, 8 },
		func(s *scene.Spec) { s.Layout, s.Bits, s.Family = scene.OneChannel, 0, "decay" },
		func(s *scene.Spec) { s.Layout, s.Bits, s.Engine.EveryRevolutions = scene.Identical, 24, 2 },
	} {
		s := scene.Default()
		s.RateHz, s.BounceS = 8000, 0
		s.Engine.Profile, _ = engine.ParseProfile("4000 hold 300ms")
		change(&s)
		path := filepath.Join(f.TempDir(), "seed.wav")
		if _, err := writeScene(context.Background(), s, path, ""); err != nil {
			f.Fatal(err)
		}
		b, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add(header)
	f.Add([]byte("not a recording"))
	f.Fuzz(func(t *testing.T, recording []byte) {
		if len(recording) > 1<<16 {
			t.Skip("longer than needed")
		}
		var stdout, stderr bytes.Buffer
		status := run(context.Background(), []string{"measure", "-", "--json", "-", "--reference-angle", "30"}, bytes.NewReader(recording), &stdout, &stderr)
		switch status {
		case exitMeasure:
			if stdout.Len() > 0 {
				t.Errorf("cannot be measured, but there is a result: %q", stdout.String())
			}
			if s := stderr.String(); strings.TrimSpace(s) == "" {
				t.Error("cannot be measured, and not a word why")
			}
		case exitOK:
			d := json.NewDecoder(&stdout)
			d.UseNumber()
			var v any
			if err := d.Decode(&v); err != nil {
				t.Fatalf("not JSON: %v", err)
			}
			if d.More() {
				t.Error("more than one JSON value")
			}
			checkNumbers(t, "", v)
		default:
			t.Errorf("exit status %d: want 0 or 3; said %q", status, stderr.String())
		}
	})
}

// checkNumbers wants every number of a JSON value to fit a float64.
func checkNumbers(t *testing.T, path string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for k, w := range v {
			checkNumbers(t, path+"."+k, w)
		}
	case []any:
		for _, w := range v {
			checkNumbers(t, path+"[]", w)
		}
	case json.Number:
		if x, err := v.Float64(); err != nil || math.IsInf(x, 0) {
			t.Errorf("%s is %s: want a finite number", path, v)
		}
	}
}
