package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"sparkscope/analysis/enginefile"
)

var update = flag.Bool("update", false, "write the README's pasted outputs again")

// console is a block of the README that shows a command and what it printed.
// Where the output ends in a line "…", the rest was left out: behind the line
// that keepUpTo names or, in an output without it, behind as many lines as are
// shown.
var console = regexp.MustCompile("(?ms)^```console\n\\$ sparkscope ([^\n]*)\n(.*?)^```$")

// keepUpTo is up to which line of an output the README shows it.
const keepUpTo = "References: "

// TestReadmeOutputs runs every command of the README whose output is pasted
// there, and compares. With -update it pastes them again.
func TestReadmeOutputs(t *testing.T) {
	notAtOnce(t)
	t.Chdir("../..")
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	// The walk through the job changes files as it goes: TestReadmeWholeJob has it.
	head, job, tail := jobSection(t, string(readme))
	// And the logbook is one of a folder of its own: TestReadmeLogbook.
	middle, logbook, tail := logbookSection(t, tail)
	blocks := 0
	paste := func(block []byte) []byte {
		blocks++
		m := console.FindSubmatch(block)
		args, shown := string(m[1]), string(m[2])
		var stdout, stderr bytes.Buffer
		if status := run(context.Background(), strings.Fields(args), strings.NewReader(""), &stdout, &stderr); status != exitOK || stderr.Len() > 0 {
			t.Fatalf("sparkscope %s: exit status %d, said %q", args, status, stderr.String())
		}
		lines := -1 // all
		if cut, isCut := strings.CutSuffix(shown, "…\n"); isCut && !strings.Contains(stdout.String(), keepUpTo) {
			lines = strings.Count(cut, "\n")
		}
		var keep strings.Builder
		for line := range strings.Lines(stdout.String()) {
			keep.WriteString(line)
			lines--
			if strings.Contains(line, keepUpTo) || lines == 0 {
				keep.WriteString("…\n")
				break
			}
		}
		if want := keep.String(); shown != want && !*update {
			t.Errorf("sparkscope %s: README.md shows\n%s\nbut it prints\n%s\nIf that is right: go test ./cmd/sparkscope -run TestReadme -update", args, shown, want)
		}
		return []byte("```console\n$ sparkscope " + args + "\n" + keep.String() + "```")
	}
	// And the section on sessions: TestReadmeSessions.
	middle, sessions, between := sessionsSection(t, middle)
	fresh := slices.Concat(console.ReplaceAllFunc([]byte(head), paste), []byte(job), console.ReplaceAllFunc([]byte(middle), paste), []byte(sessions),
		console.ReplaceAllFunc([]byte(between), paste), []byte(logbook), console.ReplaceAllFunc([]byte(tail), paste))
	if blocks == 0 {
		t.Fatal("README.md shows no output")
	}
	if *update {
		if err := os.WriteFile("README.md", fresh, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestReadmeCoverage holds the README's table of how often the ± holds to the
// committed table that it sums up.
func TestReadmeCoverage(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile("../../analysis/study/coverage.txt")
	if err != nil {
		t.Fatal(err)
	}
	table := regexp.MustCompile(`(?m)^sparkscope study coverage --recordings (\d+) `).FindSubmatch(b)
	if table == nil || !strings.Contains(strings.Join(strings.Fields(string(readme)), " "), "was counted on "+string(table[1])+" recordings") {
		t.Error("README.md does not say on how many recordings the coverage was counted, as coverage.txt does")
	}
	for row, name := range map[string]string{"mean": "mean", "a range of speed": "bins", "trend at zero speed": "intercept", "slope": "slope"} {
		m := regexp.MustCompile(`(?m)^  ` + name + `, all +(\d+) +([\d.]+) %[! ] +[\d.]+ - +[\d.]+ +[\d.]+ +[\d.]+ +([\d.]+)`).FindSubmatch(b)
		if m == nil {
			t.Errorf("coverage.txt has no row of %s", name)
			continue
		}
		if want := fmt.Sprintf("\n| %s | %s %% of %s | %s |\n", row, m[2], m[1], m[3]); !strings.Contains(string(readme), want) {
			t.Errorf("README.md does not have%s", want)
		}
	}
}

// TestReadmeEngineFiles: every engine file that the README shows, and the one in
// the package comment, is taken, and nothing in it is doubtful.
func TestReadmeEngineFiles(t *testing.T) {
	t.Chdir("../..")
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	shown := map[string]string{}
	for i, m := range regexp.MustCompile("(?s)```toml\n(.*?)```").FindAllSubmatch(readme, -1) {
		shown[fmt.Sprintf("README.md, file %d", i+1)] = string(m[1])
	}
	source, err := os.ReadFile("analysis/enginefile/enginefile.go")
	if err != nil {
		t.Fatal(err)
	}
	comment, _, _ := strings.Cut(string(source), "\npackage ")
	inside := ""
	for line := range strings.Lines(comment) {
		if text, ok := strings.CutPrefix(line, "//\t"); ok {
			inside += text
		}
	}
	shown["the package comment"] = inside
	if len(shown) < 3 {
		t.Fatalf("only %d files found", len(shown))
	}
	for where, doc := range shown {
		_, wrong, doubts := enginefile.Inspect([]byte(doc))
		if len(wrong)+len(doubts) > 0 {
			t.Errorf("%s: wrong %v, doubtful %v", where, wrong, doubts)
		}
		if entries, err := enginefile.Entries([]byte(doc)); err != nil || len(entries) == 0 {
			t.Errorf("%s: it says nothing: %v", where, err)
		}
	}
}
