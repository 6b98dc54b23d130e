package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

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
