package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestWorksheetCommands holds the commands that a worksheet names to those there
// are, with their flags.
func TestWorksheetCommands(t *testing.T) {
	dir := t.TempDir()
	engine := filepath.Join(dir, "e.toml")
	if err := os.WriteFile(engine, []byte("[engine]\nname = \"bench\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	named := 0
	for _, more := range [][]string{nil, {"--engine", engine}} {
		args := append([]string{"print", "worksheet", "--output", filepath.Join(dir, "s.svg")}, more...)
		if status := run(context.Background(), args, strings.NewReader(""), io.Discard, os.Stderr); status != exitOK {
			t.Fatalf("exit status %d", status)
		}
		for _, page := range []string{"s-1.svg", "s-2.svg"} {
			svg, err := os.ReadFile(filepath.Join(dir, page))
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range regexp.MustCompile(`>sparkscope ([^<]*)<`).FindAllSubmatch(svg, -1) {
				named++
				thereIs(t, "a worksheet", string(m[1]))
			}
		}
	}
	if named < 10 {
		t.Errorf("the worksheet names %d commands, want one for each step that has one", named)
	}
}

// TestReadmeJob holds the commands in the README's order of the job to those
// there are, with their flags.
func TestReadmeJob(t *testing.T) {
	notAtOnce(t)
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, job, ok := strings.Cut(string(readme), "\n## The whole job, in order\n")
	if !ok {
		t.Fatal("the README has no order of the job")
	}
	job, _, _ = strings.Cut(job, "\n## ")
	all := regexp.MustCompile("`sparkscope ([^`]*)`").FindAllStringSubmatch(job, -1)
	for _, m := range all {
		thereIs(t, "the README", m[1])
	}
	if len(all) < 8 {
		t.Errorf("the README names %d commands for the job, want one for each step that has one", len(all))
	}
}

// thereIs holds a command line, without the program's name, to the commands and
// flags that there are.
func thereIs(t *testing.T, where, line string) {
	t.Helper()
	args := strings.Fields(line)
	root := newRootCommand(strings.NewReader(""), io.Discard, io.Discard)
	cmd, rest, err := root.Find(args)
	if err != nil || cmd == root || cmd.HasSubCommands() && len(rest) == 0 {
		t.Errorf("%s names %q, which is no command", where, args)
		return
	}
	for _, a := range rest {
		if f, is := strings.CutPrefix(a, "--"); is && cmd.Flags().Lookup(f) == nil {
			t.Errorf("%s names %q, which has no flag --%s", where, args, f)
		}
	}
}

// printed is a command of the README that makes a picture of it.
var printed = regexp.MustCompile(`(?m)^    sparkscope (print .*) --output (cmd/sparkscope/pictures/\S+)$`)

// TestReadmeSheets makes the README's sheets again by the commands beside them.
// With -update it puts them there.
func TestReadmeSheets(t *testing.T) {
	notAtOnce(t)
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	all := printed.FindAllStringSubmatch(string(readme), -1)
	if len(all) < 2 {
		t.Fatalf("the README shows %d sheets, want a wheel and a tape", len(all))
	}
	for _, m := range all {
		file := filepath.Join("..", "..", filepath.FromSlash(m[2]))
		out := filepath.Join(t.TempDir(), filepath.Base(file))
		if *update {
			out = file
		}
		// The name of an engine stands in quotes.
		var args []string
		for i, part := range strings.Split(m[1], `"`) {
			if i%2 == 0 {
				args = append(args, strings.Fields(part)...)
			} else {
				args = append(args, part)
			}
		}
		var stdout, stderr bytes.Buffer
		if status := run(context.Background(), append(args, "--output", out), strings.NewReader(""), &stdout, &stderr); status != exitOK {
			t.Fatalf("sparkscope %s: exit status %d, said %q", m[1], status, stderr.String())
		}
		got, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		if want, err := os.ReadFile(file); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what its command draws (%v); if that is right: go test ./cmd/sparkscope -run TestReadmeSheets -update", m[2], err)
		}
	}
}
