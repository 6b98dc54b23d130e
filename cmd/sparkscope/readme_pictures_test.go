package main

import (
	"bytes"
	"context"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// pictureCommand is a line of the README that makes one of its pictures.
var pictureCommand = regexp.MustCompile(`(?m)^    sparkscope ((?:measure|check) .*--plot cmd/sparkscope/pictures/(\S+\.png))$`)

// reportCommand are the two lines of the README that make its report, and show
// it.
var reportCommand = regexp.MustCompile(`(?m)^    sparkscope (measure .*--report (\S+\.pdf))\n    pdftoppm (-r \d+ -png (\S+) cmd/sparkscope/pictures/report)$`)

// unlikePixels is the share of pixels that may differ: processors round
// differently, and a line's edge may come out a shade lighter.
const unlikePixels = 0.002

// unlike is the share of pixels that differ clearly.
func unlike(a, b image.Image) float64 {
	if a.Bounds() != b.Bounds() {
		return 1
	}
	n := 0
	r := a.Bounds()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			ar, ag, ab, _ := a.At(x, y).RGBA()
			br, bg, bb, _ := b.At(x, y).RGBA()
			for _, d := range [3]int{int(ar) - int(br), int(ag) - int(bg), int(ab) - int(bb)} {
				if d > 0x1000 || d < -0x1000 {
					n++
					break
				}
			}
		}
	}
	return float64(n) / float64(r.Dx()*r.Dy())
}

// samePicture holds a picture just made against the one that is kept; with -update it
// keeps it.
func samePicture(t *testing.T, made, kept string) {
	t.Helper()
	if *update {
		b, err := os.ReadFile(made)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(kept, b, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	read := func(path string) image.Image {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		img, err := png.Decode(f)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		return img
	}
	if u := unlike(read(made), read(kept)); u > unlikePixels {
		t.Errorf("%s: %.2f %% of its pixels are not what its command draws. If that is right: go test ./cmd/sparkscope -run TestReadme -update", filepath.Base(kept), 100*u)
	}
}

// TestReadmePictures makes every picture of the README again by the command that
// stands under it. With -update it keeps them.
func TestReadmePictures(t *testing.T) {
	notAtOnce(t)
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	readme, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	if err := os.MkdirAll("cmd/sparkscope/pictures", 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(root, "testdata"), "testdata"); err != nil {
		t.Skipf("no links here: %v", err)
	}
	sparkscope := func(args string) {
		var stdout, stderr bytes.Buffer
		if status := run(hears.once(context.Background()), shellWords(args), strings.NewReader(""), &stdout, &stderr); status > exitVerdict {
			t.Fatalf("sparkscope %s: exit status %d: %s", args, status, stderr.String())
		}
	}
	sparkscope("demo")
	all := pictureCommand.FindAllSubmatch(readme, -1)
	if len(all) < 7 {
		t.Fatalf("README.md has %d commands that make pictures, want one under each", len(all))
	}
	same := func(name string) {
		t.Helper()
		samePicture(t, filepath.Join("cmd/sparkscope/pictures", name), filepath.Join(root, "cmd/sparkscope/pictures", name))
	}
	for _, m := range all {
		args, name := string(m[1]), string(m[2])
		if !strings.Contains(string(readme), "](cmd/sparkscope/pictures/"+name+")") {
			t.Errorf("README.md makes %s and does not show it", name)
		}
		sparkscope(args)
		same(name)
	}
	m := reportCommand.FindStringSubmatch(string(readme))
	if m == nil {
		t.Fatal("README.md does not make a report")
	}
	sparkscope(m[1])
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("no pdftoppm to draw the report with: install poppler-utils")
	}
	if out, err := exec.Command("pdftoppm", strings.Fields(m[3])...).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm %s: %v: %s", m[3], err, out)
	}
	for _, name := range []string{"report-1.png", "report-2.png"} {
		if !strings.Contains(string(readme), "](cmd/sparkscope/pictures/"+name+")") {
			t.Errorf("README.md makes %s and does not show it", name)
		}
		same(name)
	}
}
