package main

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestReadmeContents: the README's list of its sections names all of them, in
// their order, and leads to each. With -update it is made again.
func TestReadmeContents(t *testing.T) {
	const begin, end = "<!-- contents -->\n", "<!-- end of contents -->\n"
	const file = "../../README.md"
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	readme := string(b)
	head, rest, ok := strings.Cut(readme, begin)
	got, tail, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatal("the README has no contents")
	}
	var want strings.Builder
	for _, m := range regexp.MustCompile(`(?m)^## (.*)$`).FindAllStringSubmatch(tail, -1) {
		// As the usual renderers name a heading: small letters, no punctuation,
		// hyphens for spaces.
		anchor := regexp.MustCompile(`[^\p{L}\p{N} _-]`).ReplaceAllString(strings.ToLower(m[1]), "")
		want.WriteString("- [" + m[1] + "](#" + strings.ReplaceAll(anchor, " ", "-") + ")\n")
	}
	if strings.Count(want.String(), "\n") < 10 {
		t.Fatalf("the README's sections were not found: %q", want.String())
	}
	if got == want.String() {
		return
	}
	if *update {
		if err := os.WriteFile(file, []byte(head+begin+want.String()+end+tail), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("the README's contents are\n%swant\n%s(go test ./cmd/sparkscope -run ReadmeContents -update)", got, want.String())
}
