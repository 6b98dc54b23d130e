package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"sparkscope/analysis"
	"sparkscope/dsp"
	"sparkscope/dsp/health"
)

// Many lines of the scripts and of the README measure one recording again and again with
// other flags, and nearly all of their time goes to finding the same pulses in it. Heard
// finds them once: what was found in samples stands under the samples themselves and
// everything else that the detectors get, whatever the file is called.
type heard struct {
	lock sync.Mutex
	of   map[[sha256.Size]byte]func() ([]dsp.Train, []health.Channel, error)
	n    int // recordings that detectors were run over
}

// once is a context in which commands find pulses by h.
func (h *heard) once(ctx context.Context) context.Context {
	return context.WithValue(ctx, detectingKey{}, detecting(h.detect))
}

// hears is what the tests of this process have heard.
var hears heard

func (h *heard) detect(ctx context.Context, src blockSource, rate dsp.Rate, channels, bits int, setup analysis.Setup) ([]dsp.Train, []health.Channel, error) {
	all := make([][]float32, channels)
	block := make([][]float32, channels)
	for c := range block {
		block[c] = make([]float32, blockFrames)
	}
	var err error
	for err == nil {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		var n int
		n, err = src.Read(block)
		for c := range all {
			all[c] = append(all[c], block[c][:n]...)
		}
	}
	sum := sha256.New()
	fmt.Fprintln(sum, rate, channels, bits, err)
	for c, x := range all {
		// The options without the tables, which no Setup has.
		fmt.Fprintf(sum, "%d %+v\n", len(x), setup.Listening(c+1))
		if err := binary.Write(sum, binary.LittleEndian, x); err != nil {
			return nil, nil, err
		}
	}
	key := [sha256.Size]byte(sum.Sum(nil))
	h.lock.Lock()
	find := h.of[key]
	if find == nil {
		if h.of == nil {
			h.of = map[[sha256.Size]byte]func() ([]dsp.Train, []health.Channel, error){}
		}
		var once sync.Once
		var trains []dsp.Train
		var states []health.Channel
		var failed error
		find = func() ([]dsp.Train, []health.Channel, error) {
			once.Do(func() {
				h.lock.Lock()
				h.n++
				h.lock.Unlock()
				src := &memory{samples: all, most: func() int { return blockFrames }, end: err}
				trains, states, failed = detect(context.Background(), src, rate, channels, bits, setup)
				all = nil
			})
			return trains, states, failed
		}
		h.of[key] = find
	}
	h.lock.Unlock()
	trains, states, err := find()
	trains = slices.Clone(trains)
	for i, t := range trains {
		trains[i].Shapes, trains[i].Pulses = slices.Clone(t.Shapes), slices.Clone(t.Pulses)
	}
	return trains, slices.Clone(states), err
}

// What is heard once is what the command finds by itself, and other samples, another name
// of a channel or a torn file are other recordings.
func TestHeardOnce(t *testing.T) {
	const folder = "../../testdata/synthetic/"
	plain := func(ctx context.Context, args ...string) string {
		var stdout, stderr bytes.Buffer
		status := run(ctx, args, strings.NewReader(""), &stdout, &stderr)
		return fmt.Sprint(status, "\n", stdout.String(), stderr.String())
	}
	whole, err := os.ReadFile(folder + "steady.wav")
	if err != nil {
		t.Fatal(err)
	}
	torn := t.TempDir() + "/torn.wav"
	if err := os.WriteFile(torn, whole[:len(whole)/2], 0o666); err != nil {
		t.Fatal(err)
	}
	var h heard
	known := map[string]string{}
	for _, c := range []struct {
		args  []string
		heard int // recordings, with this one
	}{
		{[]string{"measure", folder + "steady.wav", "--reference-angle", "30", "--json", "-"}, 1},
		{[]string{"measure", folder + "steady.wav", "--reference-angle", "31", "--reference-delay", "100us"}, 1},
		{[]string{"measure", folder + "steady.wav", "--reference-angle", "30", "--json", "-"}, 1},
		{[]string{"check", folder + "steady.wav"}, 1},
		{[]string{"measure", folder + "steady.wav", "--spark-kind", "microphone"}, 2},
		{[]string{"measure", torn}, 3},
		{[]string{"measure", folder + "coil.wav", "--json", "-"}, 4},
	} {
		line := strings.Join(c.args, " ")
		want, ok := known[line]
		if !ok {
			want = plain(context.Background(), c.args...)
			known[line] = want
		}
		if got := plain(h.once(context.Background()), c.args...); got != want {
			t.Errorf("%v: heard once\n%s\nelse\n%s", c.args, got, want)
		}
		if h.n != c.heard {
			t.Errorf("%v: %d recordings heard, want %d", c.args, h.n, c.heard)
		}
	}
}

// What one command makes of pulses another does not see.
func TestHeardIsNotShared(t *testing.T) {
	samples, rate := rendered(t)
	var h heard
	find := func() []dsp.Train {
		trains, _, err := h.detect(context.Background(), &memory{samples: samples, most: func() int { return 5000 }, end: io.EOF}, rate, len(samples), 16, analysis.Setup{})
		if err != nil {
			t.Fatal(err)
		}
		return trains
	}
	first := find()
	want := first[0].Pulses[0]
	first[0].Pulses[0].Pos++
	first[0].Shapes = first[0].Shapes[:0]
	if again := find(); !reflect.DeepEqual(again[0].Pulses[0], want) || len(again[0].Shapes) == 0 {
		t.Error("what a command changed is changed for the next")
	}
}
