package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// sessionsSection is the README's section on sessions and many recordings: its
// text, without what is around it.
func sessionsSection(t *testing.T, readme string) (before, section, after string) {
	t.Helper()
	const title = "\n## Sessions and many recordings\n"
	before, rest, found := strings.Cut(readme, title)
	if !found {
		t.Fatalf("README.md has no section %q", strings.TrimSpace(title))
	}
	section, after, found = strings.Cut(rest, "\n## ")
	if !found {
		t.Fatal("README.md: nothing behind the section on sessions")
	}
	return before + title, section, "\n## " + after
}

// sheetsCommand is the line that draws the session's report.
var sheetsCommand = regexp.MustCompile(`(?m)^    pdftoppm (-r \d+ -png dyno\.pdf dyno)$`)

// TestReadmeSessions runs the commands of that section, in order and in one
// folder, and compares what they print with what is shown; a folder "season" with
// some of the project's recordings, and one file that is none, lies there. With
// -update it pastes them again, and keeps the pictures.
func TestReadmeSessions(t *testing.T) {
	notAtOnce(t)
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for to, from := range map[string]string{"season/may/steady.wav": "steady.wav", "season/may/blip.wav": "blip.wav", "season/june/ragged.wav": "ragged.wav"} {
		b, err := os.ReadFile(filepath.Join("../../testdata/synthetic", from))
		if err != nil {
			t.Fatal(err)
		}
		to = filepath.Join(dir, to)
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "season/june/notes.wav"), []byte("no recording, but notes"), 0o644); err != nil {
		t.Fatal(err)
	}
	before, section, after := sessionsSection(t, string(readme))
	home, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	blocks := 0
	block := regexp.MustCompile("(?ms)^```console\n\\$ sparkscope ([^\n]*)\n(.*?)^```$")
	fresh := block.ReplaceAllFunc([]byte(section), func(b []byte) []byte {
		blocks++
		m := block.FindSubmatch(b)
		args, shown := string(m[1]), string(m[2])
		var stdout, stderr bytes.Buffer
		if status := run(hears.once(context.Background()), shellWords(args), strings.NewReader(""), &stdout, &stderr); status != exitOK {
			t.Fatalf("sparkscope %s: exit status %d, said %q", args, status, stderr.String())
		}
		keep, ok := shownPieces(shown, stdout.String())
		if !ok {
			t.Fatalf("sparkscope %s: README.md shows\n%s\nof which a piece does not come in\n%s", args, shown, stdout.String())
		}
		if shown != keep && !*update {
			t.Errorf("sparkscope %s: README.md shows\n%s\nbut it prints\n%s\nIf that is right: go test ./cmd/sparkscope -run TestReadme -update", args, shown, keep)
		}
		return []byte("```console\n$ sparkscope " + args + "\n" + keep + "```")
	})
	if blocks < 4 {
		t.Fatalf("%d blocks: want a simulation, a session, the logbook and a batch", blocks)
	}
	pictures := []string{"session.png"}
	if m := sheetsCommand.FindStringSubmatch(section); m == nil {
		t.Error("README.md does not show the session's report")
	} else if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Log("no pdftoppm to draw the report with: install poppler-utils")
	} else if out, err := exec.Command("pdftoppm", strings.Fields(m[1])...).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm %s: %v: %s", m[1], err, out)
	} else {
		pictures = append(pictures, "dyno-1.png", "dyno-2.png")
	}
	for _, name := range pictures {
		if !strings.Contains(section, "](cmd/sparkscope/pictures/"+name+")") {
			t.Errorf("README.md makes %s and does not show it", name)
		}
		samePicture(t, name, filepath.Join(home, "pictures", name))
	}
	if *update {
		if err := os.WriteFile(filepath.Join(home, "../../README.md"), []byte(before+string(fresh)+after), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
