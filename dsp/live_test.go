package dsp_test

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
	"sparkscope/dsp/wav"
)

// read returns the samples of a committed recording.
func read(t *testing.T, name string) (dsp.Rate, [][]float32) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "testdata", "synthetic", name+".wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := wav.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float32, r.Format().Channels)
	block := make([][]float32, len(out))
	for c := range block {
		block[c] = make([]float32, 4096)
	}
	for {
		n, err := r.Read(block)
		for c := range out {
			out[c] = append(out[c], block[c][:n]...)
		}
		if errors.Is(err, io.EOF) {
			return r.Format().Rate, out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// pieces cuts a recording into blocks of n samples and hands each to f.
func pieces(x [][]float32, n int, f func(block [][]float32, upTo int)) {
	for from := 0; from < len(x[0]); from += n {
		to := min(from+n, len(x[0]))
		b := make([][]float32, len(x))
		for c := range x {
			b[c] = x[c][from:to]
		}
		f(b, to)
	}
}

func cloned(x [][]float32) [][]float32 {
	y := make([][]float32, len(x))
	for c := range x {
		y[c] = append([]float32(nil), x[c]...)
	}
	return y
}

// TestLiveEndsAsAFile: however often somebody looked while it ran, what comes
// out at the end is what a file gives, to the last bit.
func TestLiveEndsAsAFile(t *testing.T) {
	for _, name := range []string{"steady", "blip", "coil", "one-input", "ragged"} {
		rate, x := read(t, name)
		l := dsp.NewListenerWith(rate, len(x), withTables(len(x)))
		l.Push(cloned(x))
		want := l.Finish()
		live := dsp.NewLive(rate, len(x), withTables(len(x)))
		looks, seen := 0, 0
		pieces(x, int(rate)/20, func(b [][]float32, upTo int) {
			live.Push(b)
			looks++
			if looks%3 == 0 {
				for _, tr := range live.Snapshot(float64(upTo) - float64(rate)) {
					seen += len(tr.Pulses)
				}
			}
		})
		if seen == 0 {
			t.Errorf("%s: nothing was seen while it ran", name)
		}
		if got := live.Finish(); !reflect.DeepEqual(pulsesOf(got), pulsesOf(want)) {
			t.Errorf("%s: other pulses than of the file", name)
		}
	}
}

func pulsesOf(trains []dsp.Train) (out [][]dsp.Pulse) {
	for _, t := range trains {
		out = append(out, t.Pulses)
	}
	return out
}

// TestLiveSnapshots: once it has learned, a snapshot holds the pulses of the
// file, but for the last few milliseconds; before, pulses that lie within a
// fraction of a sample of them.
func TestLiveSnapshots(t *testing.T) {
	const (
		seconds = 15
		early   = 0.5 // samples: a handful of pulses averaged, at 46 dB
		exact   = 1e-6
	)
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	pulse := converted(t, "sharp", "ring-sine", rate, nil)
	var sparks []synth.Placed
	var edges []float64
	for p := 3000.3; p < (seconds-0.2)*rate; p += 1500.37 {
		sparks = append(sparks, synth.Placed{Pos: p + 150, Amp: 0.5, Pulse: pulse})
		edges = append(edges, p, p+100)
	}
	sw, err := synth.NewSwitch(k, edges, 0, 0.4, 0.2)
	if err != nil {
		t.Fatal(err)
	}
	a, b := make([]float64, seconds*rate), make([]float64, seconds*rate)
	synth.NewPulses(sparks).AddTo(a, 0)
	sw.AddTo(b, 0)
	x := [][]float32{samples(a, 1, 0, noise), samples(b, 1, 0, noise)}
	l := dsp.NewListenerWith(rate, 2, withTables(2))
	l.Push(cloned(x))
	want := l.Finish()

	live := dsp.NewLive(rate, 2, withTables(2))
	firmly, first := 0, 0
	pieces(x, rate/50, func(blk [][]float32, upTo int) {
		live.Push(blk)
		if (upTo/(rate/50))%25 != 0 {
			return
		}
		from := float64(upTo) - rate
		got := live.Snapshot(from)
		if got == nil {
			if upTo > 2*rate {
				t.Fatalf("nothing yet after %d samples", upTo)
			}
			return
		}
		if first == 0 {
			first = upTo
		}
		limit := exact
		if live.Provisional() {
			limit = early
		} else {
			firmly++
		}
		for c := range got {
			var due []dsp.Pulse
			for _, p := range want[c].Pulses {
				if p.Pos >= from+1 && p.Pos < float64(upTo)-0.02*rate {
					due = append(due, p)
				}
			}
			for _, w := range due {
				off := math.Inf(1)
				for _, g := range got[c].Pulses {
					off = math.Min(off, math.Abs(g.Pos-w.Pos))
				}
				if off > limit {
					t.Fatalf("channel %d, after %.1f s: the pulse at %.1f is off by %g samples, want %g", c+1, float64(upTo)/rate, w.Pos, off, limit)
				}
			}
		}
	})
	if firmly < 2 || first > 2*rate {
		t.Errorf("%d looks after it had learned, first pulses after %.1f s", firmly, float64(first)/rate)
	}
	if got := live.Snapshot(0); !reflect.DeepEqual(len(got[0].Pulses), len(want[0].Pulses)) {
		t.Errorf("at the end %d pulses, the file has %d", len(got[0].Pulses), len(want[0].Pulses))
	}
}

// TestLiveForgets: what was forgotten is gone, and the rest is as before.
func TestLiveForgets(t *testing.T) {
	rate, x := read(t, "steady")
	live := dsp.NewLive(rate, len(x), withTables(len(x)))
	live.Push(x)
	all := live.Snapshot(0)
	cut := float64(len(x[0])) / 2
	live.Forget(cut)
	later := live.Snapshot(cut)
	for c := range all {
		var want []dsp.Pulse
		for _, p := range all[c].Pulses {
			if p.Pos >= cut {
				want = append(want, p)
			}
		}
		if len(want) == 0 || !reflect.DeepEqual(later[c].Pulses, want) {
			t.Errorf("channel %d: %d pulses after forgetting, want %d", c+1, len(later[c].Pulses), len(want))
		}
	}
}
