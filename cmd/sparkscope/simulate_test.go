package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"sparkscope/dsp/wav"
)

func runSimulate(args ...string) (string, error) {
	var out bytes.Buffer
	cmd := newSimulateCommand(&out, io.Discard)
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetArgs(args)
	err := cmd.Execute()
	return out.String(), err
}

// readTruth gives the columns of a truth table by name.
func readTruth(t *testing.T, path string) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(b))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, v := range row {
			m[rows[0][i]] = v
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func readAll(t *testing.T, path string) (wav.Format, [][]float64) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := wav.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	n := r.Format().Channels
	all, block := make([][]float64, n), make([][]float32, n)
	for i := range block {
		block[i] = make([]float32, 4096)
	}
	for {
		k, err := r.Read(block)
		for i := range all {
			for _, v := range block[i][:k] {
				all[i] = append(all[i], float64(v))
			}
		}
		if err == io.EOF {
			return r.Format(), all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// The recording really has its sparks where the table says: with everything
// else switched off, the signal before a spark's onset is silent but for the
// converter's ringing, and reaches its size within a period after it.
func TestSimulateWritesWhatItSays(t *testing.T) {
	dir := t.TempDir()
	out, truth := filepath.Join(dir, "a.wav"), filepath.Join(dir, "a.csv")
	said, err := runSimulate("--out", out, "--truth", truth, "--speed", "3000 hold 500ms", "--advance", "12.5", "--scatter", "0",
		"--rate", "96000", "--bits", "24", "--converter", "gentle", "--hum", "0", "--snr", "90", "--reference-into-spark", "0", "--spark-variation", "0",
		"--speed-fluctuation", "0", "--spark-delay", "300us", "--seed", "9")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(said, "25 sparks (mean advance 12.50°)") {
		t.Errorf("it says %q: want 25 sparks at 12.50°, 3000 rpm for half a second", said)
	}
	format, x := readAll(t, out)
	if format.Rate != 96000 || format.Channels != 2 || format.Bits != 24 || len(x[0]) != 48000 {
		t.Fatalf("recording %+v with %d frames: want 96 kHz, 2 channels, 24 bits, 48000 frames", format, len(x[0]))
	}
	sparks := 0
	var lastReference float64
	for _, row := range readTruth(t, truth) {
		switch row["what"] {
		case "reference":
			lastReference = number(t, row["true_s"])
		case "spark":
			sparks++
			at, true_ := number(t, row["time_s"]), number(t, row["true_s"])
			if d := at - true_ - 300e-6; math.Abs(d) > 2e-9 {
				t.Errorf("spark at %g s appears at %g s: want 300 µs later", true_, at)
			}
			// advance = reference angle - phase, at a constant 3000 rpm.
			if adv := 30 - 6*3000*(true_-lastReference); lastReference > 0 && math.Abs(adv-12.5) > 1e-4 {
				t.Errorf("spark at %g s: advance by the reference before it %g°: want 12.5", true_, adv)
			}
			n := int(at * 96000)
			if n < 100 || n+100 > len(x[0]) {
				continue
			}
			var before, after float64
			for i := n - 40; i < n-18; i++ {
				before = max(before, math.Abs(x[0][i]))
			}
			for i := n + 1; i < n+10; i++ { // a period of ring-sine is 9 samples
				after = max(after, math.Abs(x[0][i]))
			}
			if before > 1e-3 || math.Abs(after-0.5) > 0.04 {
				t.Errorf("spark at %g s: %g before, %g after: want silence, then 0.5", at, before, after)
			}
		}
	}
	if sparks != 25 {
		t.Errorf("%d sparks in the table: want 25", sparks)
	}
}

func TestSimulateIsReproducible(t *testing.T) {
	dir := t.TempDir()
	read := func(name, seed string) string {
		p := filepath.Join(dir, name)
		if _, err := runSimulate("--out", p, "--speed", "2000 hold 200ms", "--family", "changing", "--seed", seed); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	a, b, c := read("a.wav", "5"), read("b.wav", "5"), read("c.wav", "6")
	if a != b {
		t.Error("the same seed gave two recordings")
	}
	if a == c {
		t.Error("two seeds gave the same recording")
	}
}

func TestSimulateUsage(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "a.wav")
	for name, args := range map[string][]string{
		"no output":        {},
		"an argument":      {"--out", out, "b.wav"},
		"profile":          {"--out", out, "--speed", "fast"},
		"advance":          {"--out", out, "--advance", "lots"},
		"family":           {"--out", out, "--family", "bang"},
		"converter":        {"--out", out, "--converter", "brick"},
		"bits":             {"--out", out, "--bits", "12"},
		"sparks":           {"--out", out, "--sparks-per-rev", "1/3"},
		"kind":             {"--out", out, "--reference-kind", "lamp"},
		"rate":             {"--out", out, "--rate", "44100.5"},
		"crowded magnets":  {"--out", out, "--reference-pulses", "4", "--closed-angle", "90"},
		"probability":      {"--out", out, "--missed-sparks", "1.5"},
		"truth over audio": {"--out", out, "--truth", out},
		"break-up":         {"--out", out, "--break-up", "4000"},
		"idle growth":      {"--out", out, "--scatter", "0", "--scatter-growth", "2"},
		"drift":            {"--out", out, "--drift", "99"},
		"echoes":           {"--out", out, "--echoes", "2ms"},
		"gain control":     {"--out", out, "--agc", "-1"},
		"idle gain":        {"--out", out, "--agc-gain", "20"},
		"idle gate":        {"--out", out, "--gate-hold", "20ms"},
		"idle shelf":       {"--out", out, "--shelf-gain", "3"},
		"idle coupling":    {"--out", out, "--coupling", "0", "--coupling-q", "0.7"},
		"idle air":         {"--out", out, "--air-temperature", "3"},
		"gate":             {"--out", out, "--gate", "0.1", "--gate-floor", "6"},
		"codec":            {"--out", out, "--codec-snr", "1"},
		"header":           {"--out", out, "--header", "half"},
		"standstill":       {"--out", out, "--speed", "0 hold 2s"},
		"clipping":         {"--out", out, "--clipping", "99"},
	} {
		_, err := runSimulate(args...)
		var ue *usageError
		if !errors.As(err, &ue) {
			t.Errorf("%s: %v: want wrong usage", name, err)
		}
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Fatalf("%s: %s was left behind", name, left[0].Name())
		}
	}
}

// A recorder that died leaves sizes of zero or of nothing known, and half a
// sample: every whole frame is still there, and the reader says what it met.
func TestSimulateDiedRecorder(t *testing.T) {
	dir := t.TempDir()
	whole := filepath.Join(dir, "whole.wav")
	if _, err := runSimulate("--out", whole, "--speed", "2000 hold 200ms"); err != nil {
		t.Fatal(err)
	}
	_, want := readAll(t, whole)
	for _, bits := range []string{"16", "0"} {
		for _, header := range []string{"zero", "unknown"} {
			p := filepath.Join(dir, header+bits+".wav")
			if _, err := runSimulate("--out", p, "--speed", "2000 hold 200ms", "--header", header, "--cut-end", "--bits", bits); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			size := strings.Repeat(map[string]string{"zero": "\x00", "unknown": "\xff"}[header], 4)
			if string(b[4:8]) != size || string(b[bytes.Index(b, []byte("data"))+4:][:4]) != size {
				t.Errorf("%s, %s bits: header % x", header, bits, b[:60])
			}
			_, got := readAll(t, p)
			if len(got[0]) != len(want[0])-1 {
				t.Errorf("%s, %s bits: %d frames: want %d, all but the one cut in half", header, bits, len(got[0]), len(want[0])-1)
			}
			if bits == "16" && math.Abs(got[1][500]-want[1][500]) > 0 {
				t.Errorf("%s: frame 500 is %g: want %g", header, got[1][500], want[1][500])
			}
		}
	}
}

// The flags of what the input does reach the recording: each changes samples
// and leaves the times of the truth.
func TestSimulateInput(t *testing.T) {
	dir := t.TempDir()
	times := func(extra ...string) (out []string, samples [][]float64) {
		w, c := filepath.Join(dir, "a.wav"), filepath.Join(dir, "a.csv")
		if _, err := runSimulate(append([]string{"--out", w, "--truth", c, "--speed", "3000 hold 300ms"}, extra...)...); err != nil {
			t.Fatalf("%v: %v", extra, err)
		}
		for _, row := range readTruth(t, c) {
			out = append(out, row["what"]+row["time_s"])
		}
		_, samples = readAll(t, w)
		return out, samples
	}
	want, plain := times()
	for _, flags := range []string{"--agc 0.2", "--gate 0.2", "--codec-band 12000", "--codec-snr 15", "--coupling-q 0.7", "--shelf 40", "--clipping 12", "--clipping 12 --clip-front", "--echoes 2ms:0.5,5ms:-0.3"} {
		got, x := times(strings.Fields(flags)...)
		if strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("%s: other times", flags)
		}
		differ := 0
		for i := range x[0] {
			if x[0][i] != plain[0][i] {
				differ++
			}
		}
		if differ < 100 {
			t.Errorf("%s: %d samples differ", flags, differ)
		}
	}
	if got, _ := times("--microphone-distance", "1"); strings.Join(got, " ") == strings.Join(want, " ") {
		t.Error("--microphone-distance: the same times")
	}
	if got, _ := times("--jerk", "0.3"); strings.Join(got, " ") == strings.Join(want, " ") {
		t.Error("--jerk: the same times")
	}
}

// A failed run leaves earlier outputs as they were and nothing half-written.
func TestSimulateFailsWhole(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "a.wav")
	if err := os.WriteFile(out, []byte("earlier"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := runSimulate("--out", out, "--truth", filepath.Join(dir, "no", "such", "folder.csv"), "--speed", "2000 hold 100ms")
	var oe *outputError
	if !errors.As(err, &oe) {
		t.Fatalf("%v: want an output that cannot be written", err)
	}
	if b, _ := os.ReadFile(out); string(b) != "earlier" {
		t.Errorf("the earlier output now holds %d bytes", len(b))
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("%d files in the folder: want the earlier one alone", len(left))
	}
}

func TestSimulateList(t *testing.T) {
	said, err := runSimulate("--list")
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"ring-late", "changing", "sharp-minimum"} {
		if !strings.Contains(said, w) {
			t.Errorf("the list lacks %s", w)
		}
	}
}

// The committed recordings are what their commands make. Samples may differ by
// one step and times by one nanosecond: processors round differently.
func TestCommittedRecordings(t *testing.T) {
	folder := filepath.Join("..", "..", "testdata", "synthetic")
	for _, f := range []string{folder, filepath.Join(folder, "job")} {
		t.Run(filepath.Base(f), func(t *testing.T) { madeAgain(t, f) })
	}
}

// madeAgain runs every command of a folder's README that makes a recording, and
// compares what it makes with what lies there.
func madeAgain(t *testing.T, folder string) {
	t.Helper()
	readme, err := os.ReadFile(filepath.Join(folder, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	made := 0
	for _, line := range strings.Split(string(readme), "\n") {
		args, ok := strings.CutPrefix(line, "    sparkscope simulate ")
		if !ok {
			continue
		}
		made++
		dir := t.TempDir()
		words := shellWords(args)
		var name string
		for i, w := range words {
			if i > 0 && (words[i-1] == "--out" || words[i-1] == "--truth") {
				name, words[i] = strings.TrimSuffix(strings.TrimSuffix(w, ".wav"), ".csv"), filepath.Join(dir, w)
			}
		}
		if _, err := runSimulate(words...); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		f1, got := readAll(t, filepath.Join(dir, name+".wav"))
		f2, want := readAll(t, filepath.Join(folder, name+".wav"))
		if f1.Rate != f2.Rate || f1.Bits != f2.Bits || len(got) != len(want) || len(got[0]) != len(want[0]) {
			t.Fatalf("%s: made %+v, committed %+v", name, f1, f2)
		}
		step := math.Ldexp(1, 1-f1.Bits)
		for ch := range got {
			for i := range got[ch] {
				if math.Abs(got[ch][i]-want[ch][i]) > 1.01*step {
					t.Fatalf("%s: channel %d, frame %d: made %g, committed %g", name, ch+1, i, got[ch][i], want[ch][i])
				}
			}
		}
		a, b := readTruth(t, filepath.Join(dir, name+".csv")), readTruth(t, filepath.Join(folder, name+".csv"))
		if len(a) != len(b) {
			t.Fatalf("%s: %d events made, %d committed", name, len(a), len(b))
		}
		for i := range a {
			if a[i]["what"] != b[i]["what"] || math.Abs(number(t, a[i]["time_s"])-number(t, b[i]["time_s"])) > 1.5e-9 {
				t.Fatalf("%s: event %d: made %v, committed %v", name, i, a[i], b[i])
			}
		}
	}
	files, err := filepath.Glob(filepath.Join(folder, "*.wav"))
	if err != nil || made != len(files) || made == 0 {
		t.Errorf("%d commands in the README, %d recordings (%v): want one each", made, len(files), err)
	}
}

// shellWords splits at spaces outside double quotes.
func shellWords(s string) []string {
	var out []string
	for i, part := range strings.Split(s, "\"") {
		if i%2 == 1 {
			out = append(out, part)
		} else {
			out = append(out, strings.Fields(part)...)
		}
	}
	return out
}
