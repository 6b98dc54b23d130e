package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// logbookTitle begins the README's section about the logbook.
const logbookTitle = "\n## The logbook\n"

// logbookSection is the README's section about the logbook, and what is around it.
func logbookSection(t *testing.T, readme string) (before, section, after string) {
	t.Helper()
	before, rest, found := strings.Cut(readme, logbookTitle)
	if !found {
		t.Fatalf("README.md has no section %q", strings.TrimSpace(logbookTitle))
	}
	section, after, found = strings.Cut(rest, "\n## ")
	if !found {
		t.Fatal("README.md: nothing behind the logbook")
	}
	return before + logbookTitle, section, "\n## " + after
}

// TestReadmeLogbook walks through the README's logbook in a copy of the job's
// folder: every command in its order, those whose output is shown and those of
// the shell's blocks. -update pastes outputs and the picture again.
func TestReadmeLogbook(t *testing.T) {
	notAtOnce(t)
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	at := filepath.Join(root, "README.md")
	readme, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	before, section, after := logbookSection(t, string(readme))
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../testdata/synthetic/job")); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	runs := func(args string) string {
		var stdout, stderr bytes.Buffer
		status := run(hears.once(context.Background()), shellWords(args), strings.NewReader(""), &stdout, &stderr)
		verdict := status == exitVerdict && strings.HasPrefix(args, "logbook add ") // not within is no failure
		if status != exitOK && !verdict || stderr.Len() > 0 {
			t.Fatalf("sparkscope %s: exit status %d; said %q", args, status, stderr.String())
		}
		return stdout.String()
	}
	walked := 0
	block := regexp.MustCompile("(?ms)^```(console|sh)\n(.*?)^```$")
	fresh := block.ReplaceAllStringFunc(section, func(whole string) string {
		walked++
		m := block.FindStringSubmatch(whole)
		if m[1] == "sh" {
			for line := range strings.Lines(m[2]) {
				line = strings.TrimSpace(line)
				if args, ok := strings.CutPrefix(line, "sparkscope "); ok {
					runs(args)
					continue
				}
				if _, err := exec.LookPath("sqlite3"); errors.Is(err, exec.ErrNotFound) {
					continue // its own test says so
				}
				w := shellWords(line)
				out, err := exec.Command(w[0], w[1:]...).CombinedOutput()
				if err != nil || strings.Count(string(out), "\n") != 7 {
					t.Errorf("%s: %v\n%s", line, err, out)
				}
			}
			return whole
		}
		command, shown, _ := strings.Cut(m[2], "\n")
		args, ok := strings.CutPrefix(command, "$ sparkscope ")
		if !ok {
			t.Fatalf("a block does not begin with a command: %s", command)
		}
		printed := runs(args)
		if shown != printed && !*update {
			t.Errorf("sparkscope %s: README.md shows\n%s\nbut it prints\n%s\nIf that is right: go test ./cmd/sparkscope -run TestReadme -update", args, shown, printed)
		}
		return "```console\n" + command + "\n" + printed + "```"
	})
	if walked < 8 {
		t.Errorf("only %d blocks", walked)
	}
	drawn, err := os.ReadFile("season.svg")
	if err != nil {
		t.Fatal(err)
	}
	picture := filepath.Join(root, "cmd/sparkscope/pictures/season.svg")
	if *update {
		if err := errors.Join(os.WriteFile(at, []byte(before+fresh+after), 0o644), os.WriteFile(picture, drawn, 0o644)); err != nil {
			t.Fatal(err)
		}
		return
	}
	kept, err := os.ReadFile(picture)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(kept, drawn) {
		t.Error("pictures/season.svg is not what the README's command draws: go test ./cmd/sparkscope -run TestReadme -update")
	}
}
