package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"sparkscope/analysis/enginefile"
)

// jobSection is the README's walk through a whole job: its text, without what
// is around it.
func jobSection(t *testing.T, readme string) (before, section, after string) {
	t.Helper()
	const title = "\n## The whole job, with figures\n"
	before, rest, found := strings.Cut(readme, title)
	if !found {
		t.Fatalf("README.md has no section %q", strings.TrimSpace(title))
	}
	section, after, found = strings.Cut(rest, "\n## ")
	if !found {
		t.Fatal("README.md: nothing behind the walk through the job")
	}
	return before + title, section, "\n## " + after
}

// leftOut is a line that stands for what an output has there.
var leftOut = regexp.MustCompile(`(?m)^…\n`)

// shownPieces are the pieces of an output that a block shows: the rest is left
// out where a line "…" stands. Of another output they are as many lines from
// the one that begins each; ok is false where that line does not come.
func shownPieces(shown, output string) (fresh string, ok bool) {
	lines := strings.SplitAfter(strings.TrimSuffix(output, "\n"), "\n")
	lines[len(lines)-1] += "\n"
	at := 0
	var b strings.Builder
	for i, piece := range leftOut.Split(shown, -1) {
		if i > 0 {
			b.WriteString("…\n")
		}
		first, _, _ := strings.Cut(piece, "\n")
		if piece == "" {
			continue
		}
		for at < len(lines) && strings.TrimSuffix(lines[at], "\n") != first {
			if i == 0 {
				return "", false // what begins the block begins the output
			}
			at++
		}
		n := strings.Count(piece, "\n")
		if at+n > len(lines) {
			return "", false
		}
		for _, l := range lines[at : at+n] {
			b.WriteString(l)
		}
		at += n
	}
	return b.String(), true
}

func TestShownPieces(t *testing.T) {
	const output = "one\ntwo\nthree\nfour\n"
	for _, c := range []struct {
		shown, want string
		ok          bool
	}{
		{"one\ntwo\nthree\nfour\n", output, true},
		{"one\n…\n", "one\n…\n", true},
		{"one\n…\nthree\n…\n", "one\n…\nthree\n…\n", true},
		{"one\n…\nthree=…\nfour\n", "", false}, // no such line
		{"one\n…\nthree\n4\n", "one\n…\nthree\nfour\n", true},
		{"two\n…\n", "", false},
		{"one\n…\nfive\n", "", false},
		{"one\n…\nfour\nfive\n", "", false},
		{"one\n…\nthree\n…\ntwo\n", "", false},
	} {
		if got, ok := shownPieces(c.shown, output); ok != c.ok || got != c.want {
			t.Errorf("%q: %q, %t; want %q, %t", c.shown, got, ok, c.want, c.ok)
		}
	}
}

// jobResult is what the walk reads of a result.
type jobResult struct {
	Advance struct {
		Mean float64 `json:"mean_deg"`
		U    float64 `json:"expanded_uncertainty_deg"`
	}
	Verdict struct {
		Decision string
		Target   float64 `json:"target_deg"`
	}
	Findings []struct{ Code, Message string }
}

// trueAdvance is the mean of the true advance of a recording's sparks.
func trueAdvance(t *testing.T, table string) float64 {
	t.Helper()
	text, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	what, advance := slices.Index(rows[0], "what"), slices.Index(rows[0], "advance_deg")
	sum, n := 0.0, 0.0
	for _, row := range rows[1:] {
		if row[what] == "spark" {
			sum += number(t, row[advance])
			n++
		}
	}
	if n == 0 {
		t.Fatalf("%s has no spark", table)
	}
	return sum / n
}

// TestReadmeWholeJob walks through the README's job in a copy of its folder: every
// command in its order prints what is pasted there (-update pastes it again),
// and what comes out is what the engine truly does, as its tables of truth have
// it: the adjustment that was asked for is reached within its ±.
func TestReadmeWholeJob(t *testing.T) {
	notAtOnce(t)
	at, err := filepath.Abs("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	readme, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	before, section, after := jobSection(t, string(readme))
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../testdata/synthetic/job")); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	walked := 0
	fresh := console.ReplaceAllStringFunc(section, func(block string) string {
		walked++
		m := console.FindStringSubmatch(block)
		args, shown := m[1], m[2]
		var stdout, stderr bytes.Buffer
		status := run(hears.once(context.Background()), shellWords(args), strings.NewReader(""), &stdout, &stderr)
		// A verdict other than WITHIN is no failure, and its status says it.
		want := exitOK
		if regexp.MustCompile(`(?m)^(OUTSIDE|UNDECIDED)`).MatchString(stdout.String()) && strings.HasPrefix(args, "measure ") {
			want = exitVerdict
		}
		if status != want || stderr.Len() > 0 {
			t.Fatalf("sparkscope %s: exit status %d, want %d; said %q", args, status, want, stderr.String())
		}
		keep, ok := shownPieces(shown, stdout.String())
		if !ok || keep != shown && !*update {
			t.Errorf("sparkscope %s: README.md shows\n%s\nbut it prints\n%s", args, shown, stdout.String())
			return block
		}
		return "```console\n$ sparkscope " + args + "\n" + keep + "```"
	})
	if walked < 10 {
		t.Fatalf("the job has %d commands only", walked)
	}
	if *update {
		if err := os.WriteFile(at, []byte(before+fresh+after), 0o644); err != nil {
			t.Fatal(err)
		}
	}

	results := map[string]jobResult{}
	for _, name := range []string{"hand", "before", "after"} {
		b, err := fs.ReadFile(os.DirFS("."), name+".json")
		if err != nil {
			t.Fatalf("the walk leaves no result of %s.wav: %v", name, err)
		}
		var r jobResult
		if err := json.Unmarshal(b, &r); err != nil {
			t.Fatal(err)
		}
		truth := trueAdvance(t, name+".csv")
		if d := math.Abs(r.Advance.Mean - truth); d > r.Advance.U || r.Advance.U > 1.5 {
			t.Errorf("%s: %.2f° ±%.2f°, truly %.2f°", name, r.Advance.Mean, r.Advance.U, truth)
		}
		results[name] = r
	}
	// The reference angle and the gap, against the README of the recordings.
	_, f, err := readEngineFile("bench.toml")
	if err != nil {
		t.Fatal(err)
	}
	const trueReference, trueGap = 28.6, 0.35 + 3.0/40 // 4° for 0.1 mm
	ref, _ := f.Number(enginefile.ReferenceAngle)
	tol, _ := f.Number(enginefile.ReferenceAngleTolerance)
	gap, _ := f.Number(enginefile.ContactsGap)
	if math.Abs(ref-trueReference) > tol || math.Abs(gap-trueGap) > 0.005+1e-9 {
		t.Errorf("reference %g° ±%g°, truly %g°; gap %g mm, truly %g mm", ref, tol, trueReference, gap, trueGap)
	}
	// The adjustment asked for is what truly lacks, and what was done truly is
	// that; and the engine then stands where it should.
	b, a := results["before"], results["after"]
	asked := 0.0
	for _, x := range b.Findings {
		if m := regexp.MustCompile(`turn the plate by ([0-9.]+)° (?:\([0-9.]+ mm at its rim\) )?against the direction in which the cam turns`).FindStringSubmatch(x.Message); x.Code == "timing-offset" && m != nil {
			asked, _ = strconv.ParseFloat(m[1], 64)
		}
	}
	was, is := trueAdvance(t, "before.csv"), trueAdvance(t, "after.csv")
	if target := b.Verdict.Target; asked == 0 || math.Abs(asked-(target-was)) > b.Advance.U || math.Abs(is-was-asked) > b.Advance.U || math.Abs(is-target) > a.Advance.U {
		t.Errorf("asked for %.1f° ±%.1f°; truly %.2f° before, %.2f° after, target %g°", asked, b.Advance.U, was, is, b.Verdict.Target)
	}
	if f.Job.AgainResult == nil || *f.Job.AgainResult != "after.json" {
		t.Error("the job does not end with the result of after.wav")
	}
	if b.Verdict.Decision != "outside" || a.Verdict.Decision != "within" {
		t.Errorf("judged %s before and %s after", b.Verdict.Decision, a.Verdict.Decision)
	}
}
