package main

import (
	"bytes"
	"context"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/live"
)

// TestLiveInput: what becomes of the samples on their way is said, counted, and
// nothing that is old passes for new.
func TestLiveInput(t *testing.T) {
	const rate, n = 48000, 960
	r := rand.New(rand.NewPCG(5, 6))
	noise := func() [][]float32 {
		x := [][]float32{make([]float32, n), make([]float32, n)}
		for c := range x {
			for i := range x[c] {
				x[c][i] = float32(math.Round(3*r.NormFloat64())) / 32768
			}
		}
		return x
	}
	var said []string
	begin := func(timed bool) *liveInput {
		s, err := live.New(rate, 2, 16, analysis.Setup{}, live.Options{})
		if err != nil {
			t.Fatal(err)
		}
		said = nil
		return newLiveInput(s, rate, 2, timed, func(text string) { said = append(said, text) })
	}
	feed := func(l *liveInput, from, to, each float64) {
		for now := from; now < to; now += each {
			l.push(noise(), now)
		}
	}
	expect := func(what string, l *liveInput, breaks int, words ...string) {
		t.Helper()
		if got := l.Read().Breaks; got != breaks || len(said) != len(words) {
			t.Fatalf("%s: %d breaks, said %q; want %d, %d", what, got, said, breaks, len(words))
		}
		for i, w := range words {
			if !strings.Contains(said[i], w) {
				t.Errorf("%s: said %q, want %q in it", what, said[i], w)
			}
		}
	}

	l := begin(true)
	feed(l, 0, 20, 0.02)
	expect("a steady source", l, 0)
	if got := l.read(20.2); got.State == live.NoInput || got.SilentS > 0.25 {
		t.Errorf("a fifth of a second without samples: %+v", got)
	}
	if got := l.read(27); got.State != live.NoInput || math.Abs(got.SilentS-7) > 0.1 {
		t.Errorf("seven seconds without samples: %+v", got)
	}
	feed(l, 3600, 3620, 0.02)
	expect("an hour asleep", l, 1, "3580 s")

	l = begin(true)
	feed(l, 0, 12, 0.02)
	feed(l, 12.4, 32, 0.02)
	expect("0.4 s that never came", l, 1, "About 0.4 s")

	l = begin(true)
	feed(l, 0, 60, n/44100.)
	expect("44.1 kHz for 48", l, 0, "44100 a second, not 48000: speeds and delays are wrong by 8 %")

	l = begin(false)
	feed(l, 0, 2, 0.02)
	l.push(noise(), 90)
	if got := l.read(200); got.State == live.NoInput {
		t.Errorf("a file that waits: %+v", got)
	}
	expect("a file that waits", l, 0)

	l = begin(true)
	now := 0.0
	for k := range 100 {
		x := noise()
		if k == 30 || k == 60 {
			clear(x[0][100:200])
			clear(x[1][100:200])
		}
		l.push(x, now)
		now += 0.02
	}
	expect("two silences", l, 2, "put silence in")
}

// unread is an input that must not be opened.
type unread struct{ t *testing.T }

func (u unread) Read([]byte) (int, error) {
	u.t.Error("standard input is read before the flags are")
	return 0, io.EOF
}

// TestLiveRawFlags: what bare samples cannot be is wrong usage, said with what
// they can be, before anything is read or made.
func TestLiveRawFlags(t *testing.T) {
	for _, c := range []struct {
		flags []string
		says  string
	}{
		{[]string{"--raw", "s16"}, "s16le, s24le, s32le, f32le"},
		{[]string{"--raw", "s16le", "--rate", "0"}, "from 8000 to 768000"},
		{[]string{"--raw", "s16le", "--rate", "44100.5"}, "whole number"},
		{[]string{"--raw", "s16le", "--rate", "NaN"}, "from 8000 to 768000"},
		{[]string{"--raw", "s16le", "--channels", "0"}, "1 to 8"},
		{[]string{"--raw", "s16le", "--channels", "100"}, "1 to 8"},
	} {
		kept := filepath.Join(t.TempDir(), "kept.wav")
		var stdout, stderr bytes.Buffer
		status := run(context.Background(), append([]string{"live", "-", "--record", kept}, c.flags...), unread{t}, &stdout, &stderr)
		if status != exitUsage || !strings.Contains(stderr.String(), c.says) || stdout.Len() > 0 {
			t.Errorf("%q: exit status %d, said %q, wrote %q; want %d, %q", c.flags, status, stderr.String(), stdout.String(), exitUsage, c.says)
		}
		if _, err := os.Stat(kept); err == nil {
			t.Errorf("%q: a recording was begun", c.flags)
		}
	}
}
