package main

import (
	"context"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
)

// memory is a blockSource over samples in memory that hands out at most most()
// frames at a time and then ends with end.
type memory struct {
	samples [][]float32
	at      int
	most    func() int
	end     error
}

func (m *memory) Read(dst [][]float32) (int, error) {
	n := min(len(dst[0]), m.most(), len(m.samples[0])-m.at)
	if n == 0 {
		return 0, m.end
	}
	for c := range dst {
		copy(dst[c], m.samples[c][m.at:m.at+n])
	}
	m.at += n
	return n, nil
}

// rendered is a short recording of an invented engine.
func rendered(t *testing.T) ([][]float32, dsp.Rate) {
	return renderedAs(t, scene.Default())
}

// renderedAs is a second of spec at 2000 rpm.
func renderedAs(t *testing.T, spec scene.Spec) ([][]float32, dsp.Rate) {
	t.Helper()
	var err error
	if spec.Engine.Profile, err = engine.ParseProfile("2000 hold 1s"); err != nil {
		t.Fatal(err)
	}
	_, src, err := scene.Render(spec)
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float32, src.Channels())
	block := make([][]float64, src.Channels())
	for i := range block {
		block[i] = make([]float64, 4096)
	}
	for done := false; !done; {
		var n int
		n, done = src.Next(block)
		for c := range block {
			for _, v := range block[c][:n] {
				out[c] = append(out[c], float32(v))
			}
		}
	}
	return out, dsp.Rate(spec.RateHz)
}

// A live source delivers pieces of any size, a file full blocks: the same
// samples must give the same pulses, bit for bit.
func TestDetectDoesNotDependOnBlocks(t *testing.T) {
	samples, rate := rendered(t)
	var want []dsp.Train
	rnd := rand.New(rand.NewPCG(3, 4))
	for name, most := range map[string]func() int{
		"":       func() int { return 1 << 20 }, // the map's order does not matter: the first to come sets the mark
		"random": func() int { return 1 + rnd.IntN(3000) },
		"odd":    func() int { return 977 },
	} {
		got, _, err := detect(context.Background(), &memory{samples: samples, most: most, end: io.EOF}, rate, len(samples), 16, analysis.Setup{})
		if err != nil {
			t.Fatal(err)
		}
		if want == nil {
			want = got
		}
		for c := range got {
			if got[c].Channel != c+1 || got[c].Frames != int64(len(samples[c])) || len(got[c].Pulses) < 30 {
				t.Errorf("%q: channel %d of %d frames with %d pulses: want channel %d, %d frames, at least 30 pulses", name, got[c].Channel, got[c].Frames, len(got[c].Pulses), c+1, len(samples[c]))
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%q: another result than with other blocks", name)
		}
	}
}

// What only all channels together can tell, the kind of their converter, is
// told here as where they are heard together: a coil's slow pulses do not show
// it, and are late all the same.
func TestDetectSettlesTheConverter(t *testing.T) {
	spec := scene.Default()
	spec.Kernel, spec.Pickup, spec.BounceS = "sharp-minimum", scene.Coil, 0
	samples, rate := renderedAs(t, spec)
	l := dsp.NewListener(rate, len(samples))
	for at := 0; at < len(samples[0]); at += 4096 {
		part := make([][]float32, len(samples))
		for c := range part {
			part[c] = samples[c][at:min(at+4096, len(samples[c]))]
		}
		l.Push(part)
	}
	want := l.Finish()
	got, _, err := detect(context.Background(), &memory{samples: samples, most: func() int { return 1 << 20 }, end: io.EOF}, rate, len(samples), 16, analysis.Setup{})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("the command finds other pulses than a listener of both channels")
	}
	alone := dsp.NewDetector(rate, 2, dsp.Options{})
	alone.Push(samples[1])
	if p := alone.Finish().Pulses; len(p) == 0 || len(got[1].Pulses) == 0 || math.Abs(p[0].Pos-got[1].Pulses[0].Pos) < 0.3 {
		t.Error("the coil by itself is timed as beside the spark: want it later by the converter's delay, about a sample")
	}
}

// An error of the source is returned, and nothing measured before it is taken
// for a result.
func TestDetectReturnsErrors(t *testing.T) {
	samples, rate := rendered(t)
	torn := errors.New("the cable came out")
	trains, _, err := detect(context.Background(), &memory{samples: samples, most: func() int { return 5000 }, end: torn}, rate, len(samples), 16, analysis.Setup{})
	if !errors.Is(err, torn) || trains != nil {
		t.Errorf("%d trains, error %v: want none, and %v", len(trains), err, torn)
	}
	ctx, cancel := context.WithCancel(context.Background())
	reads := 0
	trains, _, err = detect(ctx, &memory{samples: samples, end: io.EOF, most: func() int {
		if reads++; reads == 3 {
			cancel()
		}
		return 5000
	}}, rate, len(samples), 16, analysis.Setup{})
	if !errors.Is(err, context.Canceled) || trains != nil {
		t.Errorf("%d trains, error %v: want none, and %v", len(trains), err, context.Canceled)
	}
}

// Echoes are where a microphone is: in the spark's channel, and while that is
// not known in every one that is not the reference's.
func TestEchoesWhereTheMicrophoneIs(t *testing.T) {
	for _, v := range []struct {
		kind             analysis.SparkKind
		spark, reference int
		want             [2]bool // of channels 1 and 2
	}{
		{analysis.Microphone, 1, 2, [2]bool{true, false}},
		{analysis.Microphone, 2, 1, [2]bool{false, true}},
		{analysis.Microphone, 0, 1, [2]bool{false, true}},
		{analysis.Microphone, 0, 0, [2]bool{true, true}},
		{analysis.Microphone, 1, 1, [2]bool{true, false}},
		{"", 1, 2, [2]bool{false, false}},
		{analysis.Contacts, 0, 0, [2]bool{false, false}},
	} {
		s := analysis.Setup{SparkKind: v.kind, SparkChannel: v.spark, ReferenceChannel: v.reference}
		if got := [2]bool{s.Listening(1).Echoes, s.Listening(2).Echoes}; got != v.want {
			t.Errorf("%q, spark on %d, reference on %d: echoes on channels 1 and 2: %v: want %v", v.kind, v.spark, v.reference, got, v.want)
		}
	}
}
