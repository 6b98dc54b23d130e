package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestFLAC: a FLAC, which flac 1.4.2 made of a recording that comes with the
// project, gives what the WAV gives, in every command that reads recordings; cut
// short and damaged it gives what is left, and a sentence.
func TestFLAC(t *testing.T) {
	notAtOnce(t)
	const wavPath, flacPath = "../../testdata/synthetic/every-second.wav", "testdata/every-second.flac"
	said := func(args ...string) string {
		t.Helper()
		var stdout, stderr bytes.Buffer
		status := run(hears.once(context.Background()), args, strings.NewReader(""), &stdout, &stderr)
		if status != exitOK && status != exitVerdict {
			t.Fatalf("%q: exit status %d: %s", args, status, stderr.String())
		}
		return strings.Join(strings.Fields(stdout.String()), " ") // names of other lengths break lines elsewhere
	}
	for _, args := range [][]string{
		{"measure", "", "--reference-angle", "35", "--json", "-"},
		{"check", "", "--json", "-"},
		{"live", "", "--plain", "--speed", "0"},
	} {
		asWAV, asFLAC := append([]string{}, args...), append([]string{}, args...)
		asWAV[1], asFLAC[1] = wavPath, flacPath
		want, got := said(asWAV...), said(asFLAC...)
		for _, p := range []string{wavPath, flacPath, filepath.Base(wavPath), filepath.Base(flacPath)} {
			want, got = strings.ReplaceAll(want, p, "RECORDING"), strings.ReplaceAll(got, p, "RECORDING")
		}
		if got != want {
			t.Errorf("%s: FLAC gives\n%s\nWAV gives\n%s", args[0], got, want)
		}
	}
	whole, err := os.ReadFile(flacPath)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	keep := func(name string, b []byte) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
		return p
	}
	if s := said("measure", keep("cut.flac", whole[:2*len(whole)/3])); !strings.Contains(s, "cut short: its header promises") {
		t.Errorf("cut short, and it says\n%s", s)
	}
	spoiled := bytes.Clone(whole)
	spoiled[2*len(whole)/3] ^= 8
	if s := said("measure", keep("spoiled.flac", spoiled)); !strings.Contains(s, "damaged behind") {
		t.Errorf("damaged, and it says\n%s", s)
	}
	for _, n := range []int{0, 3, 4, 30, 60} {
		var stdout, stderr bytes.Buffer
		p := keep("stub.flac", whole[:n])
		if status := run(context.Background(), []string{"measure", p}, nil, &stdout, &stderr); status != exitMeasure || stdout.Len() > 0 || !strings.HasSuffix(stderr.String(), "\n") || strings.Contains(stderr.String(), "EOF") {
			t.Errorf("%d bytes: exit status %d, said %q", n, status, stderr.String())
		}
	}
}
