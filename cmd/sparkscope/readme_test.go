package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strconv"
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
		if status := run(hears.once(context.Background()), strings.Fields(args), strings.NewReader(""), &stdout, &stderr); status != exitOK || stderr.Len() > 0 {
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

// TestReadmeCalibrations: where the README shows an engine file whose values are
// "by calibrate", they are those that the run of that name shown in it gave: one
// run's value and another's tolerance stood there.
func TestReadmeCalibrations(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	given := map[string][]string{} // by the calibration and the key
	for _, run := range regexp.MustCompile("(?s)```[a-z]*\n\\$ sparkscope calibrate (\\w+) (.*?)```").FindAllSubmatch(readme, -1) {
		for _, m := range regexp.MustCompile(`(?m)^  (\w+\.\w+) = (\S+)$`).FindAllSubmatch(run[2], -1) {
			key := string(run[1]) + " " + string(m[1])
			given[key] = append(given[key], string(m[2]))
		}
	}
	compared := 0
	for _, file := range regexp.MustCompile("(?s)```toml\n(.*?)```").FindAllSubmatch(readme, -1) {
		section, by := "", ""
		for line := range strings.Lines(string(file[1])) {
			if m := regexp.MustCompile(`^\[(\w+)\]`).FindStringSubmatch(line); m != nil {
				section, by = m[1], ""
				continue
			}
			m := regexp.MustCompile(`^(\w+) = (\S+)(?: +# by calibrate (\w+))?`).FindStringSubmatch(line)
			if m == nil {
				continue
			}
			if m[3] != "" {
				by = m[3]
			} else if !strings.Contains(m[1], "tolerance") { // a tolerance is its value's
				by = ""
			}
			if want := given[by+" "+section+"."+m[1]]; by != "" && len(want) > 0 {
				compared++
				if !slices.Contains(want, m[2]) {
					t.Errorf("README.md: an engine file has %s.%s = %s: calibrate %s, as shown there, gave %v", section, m[1], m[2], by, want)
				}
			}
		}
	}
	if compared < 6 {
		t.Errorf("only %d values compared", compared)
	}
}

// TestReadmeFaults holds what the README says of the fault matrix to the committed
// table. After a new table each message names what is to be said.
func TestReadmeFaults(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, about, _ := strings.Cut(string(readme), "\n**Faults** (")
	about, _, found := strings.Cut(about, "\n\nA second simulator")
	if !found {
		t.Fatal("README.md has no paragraph on faults")
	}
	about = strings.Join(strings.Fields(about), " ")
	table, err := os.ReadFile("../../analysis/study/faults.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range faultsSay(t, string(table)) {
		if !strings.Contains(about, want) {
			t.Errorf("README.md, on faults: want %q, as faults.txt has it", want)
		}
	}
}

// faultsSay is what a table of faults must make the README say.
func faultsSay(t *testing.T, table string) (out []string) {
	t.Helper()
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	type summary struct{ n, miss, recall, accounts, rightly, needless, open, silent int }
	var sev [3]summary
	for i := 1; i <= 2; i++ {
		_, text, found := strings.Cut(table, fmt.Sprintf("\nSeverity %d: ", i))
		if !found {
			t.Fatalf("faults.txt has no summary of severity %d", i)
		}
		s := &sev[i]
		number := func(into *int, pattern string) {
			t.Helper()
			m := regexp.MustCompile(pattern).FindStringSubmatch(text)
			if m == nil {
				t.Fatalf("faults.txt, severity %d: nothing like %s", i, pattern)
			}
			*into, _ = strconv.Atoi(m[1])
		}
		number(&s.n, `^(\d+) recordings`)
		number(&s.miss, `^\d+ recordings, (\d+) miss a target`)
		number(&s.recall, `recall (\d+)`)
		number(&s.accounts, `accounts (\d+)`)
		number(&s.rightly, `Refused: (\d+) that cannot be measured`)
		number(&s.needless, `, (\d+) of them needlessly`)
		number(&s.open, `stated uncertainty: (\d+)`)
		number(&s.silent, `without a warning: (\d+)`)
	}
	none := func(n int, none, some string) {
		if n == 0 {
			say("%s", none)
		} else {
			say(some, n)
		}
	}
	one, two := sev[1], sev[2]
	say("Of %d recordings at severity 1", one.n)
	say("%d cannot be measured and are refused", one.rightly)
	none(one.needless, "none is refused needlessly", "%d are refused needlessly")
	if one.recall == 1 {
		say("one loses more than 2 %% of its sparks")
	} else {
		none(one.recall, "none loses more than 2 % of its sparks", "%d lose more than 2 %% of their sparks")
	}
	say("and %d miss an aim", one.miss)
	// The constant error, of smooth fronts and of others, and what those had.
	smooth, rough := 0, 0
	words := map[string]string{"clip": "clipped", "clip-front": "clipped", "band": "band-limited", "codec": "band-limited", "phone": "phone's one input",
		"fast": "above 9000 rpm", "minimum": "minimum-phase converter", "gentle-minimum": "minimum-phase converter", "gain-control": "gain control", "gate": "noise suppression"}
	for _, m := range regexp.MustCompile(`(?m)^([\w-]+)/1/\w+/\d+ +([\w-]+) .*FAILS [\w,-]*\bmean\b`).FindAllStringSubmatch(table, -1) {
		if strings.HasPrefix(m[2], "front-") {
			smooth++
			continue
		}
		rough++
		word := words[m[1]]
		if word == "" {
			word = m[1]
		}
		if !slices.Contains(out, word) {
			out = append(out, word)
		}
	}
	say("front-parabola and front-s in %d rows", smooth)
	say("%d rows of other shapes", rough)
	none(one.accounts, "Every second spark is a row of its own", "In %d rows a second spark")
	say("Of %d at severity 2, %d miss an aim and %d are refused though they need not be", two.n, two.miss, two.needless)
	none(one.silent+two.silent, "None of all these is wrong without a warning", "%d of all these are wrong without a warning")
	none(one.open, "At severity 1 the stated ± holds the mean of every row", "At severity 1 the stated ± does not hold the mean of %d rows")
	none(two.open, "at severity 2 it holds all", "at severity 2 it does not in %d")
	return out
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
