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
	if status := run(context.Background(), []string{"print", "worksheet", "--engine", engine, "--output", filepath.Join(dir, "s.svg")}, strings.NewReader(""), io.Discard, os.Stderr); status != exitOK {
		t.Fatalf("exit status %d", status)
	}
	named := 0
	for _, page := range []string{"s-1.svg", "s-2.svg"} {
		svg, err := os.ReadFile(filepath.Join(dir, page))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`>sparkscope ([^<]*)<`).FindAllSubmatch(svg, -1) {
			named++
			args := strings.Fields(string(m[1]))
			root := newRootCommand(strings.NewReader(""), io.Discard, io.Discard)
			cmd, rest, err := root.Find(args)
			if err != nil || cmd == root || cmd.HasSubCommands() {
				t.Errorf("a worksheet names %q, which is no command", args)
				continue
			}
			for _, a := range rest {
				if f, is := strings.CutPrefix(a, "--"); is && cmd.Flags().Lookup(f) == nil {
					t.Errorf("a worksheet names %q, which has no flag --%s", args, f)
				}
			}
		}
	}
	if named < 5 {
		t.Errorf("the worksheet names %d commands, want one for each step that has one", named)
	}
}

// printed is a command of the README that makes a picture of it.
var printed = regexp.MustCompile(`(?m)^    sparkscope (print .*) --output (cmd/sparkscope/pictures/\S+)$`)

// TestReadmeSheets makes the README's sheets again by the commands beside them.
// With -update it puts them there.
func TestReadmeSheets(t *testing.T) {
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
