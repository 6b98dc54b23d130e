package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/csv"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"

	"sparkscope/dsp/wav"
)

// longTests is the variable of the environment that asks for tests that take many
// seconds.
const longTests = "SPARKSCOPE_LONG"

// TestBeyond4GB reads and measures a recording larger than the 4 GB that the sizes
// of a plain WAV can say: an RF64 (EBU Tech 3306) of some three hours, 48 kHz, two
// channels of 32 bits, that begins and ends with one and the same recording of an
// engine, between which there is silence. The file has a hole for the silence, so
// that it takes little room.
func TestBeyond4GB(t *testing.T) {
	if os.Getenv(longTests) == "" {
		t.Skip("takes some ten seconds: set " + longTests + " to 1")
	}
	small, err := os.ReadFile("../../testdata/synthetic/steady.wav")
	if err != nil {
		t.Fatal(err)
	}
	const head = 44
	engine := make([]byte, 0, 2*(len(small)-head))
	for i := head; i+1 < len(small); i += 2 { // 16 bits become 32
		engine = append(engine, 0, 0, small[i], small[i+1])
	}
	const frameBytes, rate = 8, 48000
	frames := int64(4<<30)/frameBytes + 20*rate // above 4 GiB of samples
	path := filepath.Join(t.TempDir(), "large.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var h bytes.Buffer
	put := func(v ...any) {
		for _, x := range v {
			if s, ok := x.(string); ok {
				h.WriteString(s)
			} else if err := binary.Write(&h, binary.LittleEndian, x); err != nil {
				t.Fatal(err)
			}
		}
	}
	data := uint64(frames * frameBytes)
	put("RF64", uint32(math.MaxUint32), "WAVE", "ds64", uint32(28), data+72, data, uint64(frames), uint32(0),
		"fmt ", uint32(16), uint16(1), uint16(2), uint32(rate), uint32(rate*frameBytes), uint16(frameBytes), uint16(32), "data", uint32(math.MaxUint32))
	last := int64(h.Len()) + int64(data) - int64(len(engine))
	for _, w := range []struct {
		at int64
		b  []byte
	}{{0, h.Bytes()}, {int64(h.Len()), engine}, {last, engine}} {
		if _, err := f.WriteAt(w.b, w.at); err != nil {
			t.Fatal(err)
		}
	}
	info, err := f.Stat()
	if err != nil || info.Size() <= 4<<30 {
		t.Fatalf("%d bytes: want more than 4 GiB: %v", info.Size(), err)
	}

	// The reader: every frame, and the last of them to the bit.
	r, err := wav.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	block := [][]float32{make([]float32, 1<<16), make([]float32, 1<<16)}
	tail := make([]float32, 0, len(engine)/4)
	got, from := int64(0), frames-int64(len(engine)/frameBytes)
	for {
		n, err := r.Read(block)
		for i := range n {
			if got+int64(i) >= from {
				tail = append(tail, block[0][i], block[1][i])
			}
		}
		got += int64(n)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	runtime.ReadMemStats(&after)
	if got != frames || len(r.Remarks()) > 0 {
		t.Errorf("%d frames, want %d; remarks %q", got, frames, r.Remarks())
	}
	for i := range tail {
		if want := float32(int16(binary.LittleEndian.Uint16(small[head+2*i:]))) / 32768; tail[i] != want {
			t.Fatalf("sample %d from the last block on is %g, want %g", i, tail[i], want)
		}
	}
	const readerMiB = 4 // its buffer of 256 KiB, the blocks here, and the tail
	if grown := float64(after.TotalAlloc-before.TotalAlloc) / (1 << 20); grown > readerMiB {
		t.Errorf("reading took %.1f MiB of memory in all, want at most %d", grown, readerMiB)
	}

	// The measurement: the same sparks at the beginning and, so much later, at the
	// end.
	sparks := func(path string) (times, advance []float64) {
		t.Helper()
		var stdout, stderr bytes.Buffer
		if status := run(context.Background(), []string{"measure", path, "--reference-angle", "30", "--events", "-"}, nil, &stdout, &stderr); status != exitOK {
			t.Fatalf("exit status %d: %s", status, stderr.String())
		}
		c := csv.NewReader(&stdout)
		c.Comment = '#'
		rows, err := c.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			if row[4] != "ok" {
				continue
			}
			at, err1 := strconv.ParseFloat(row[0], 64)
			a, err2 := strconv.ParseFloat(row[3], 64)
			if err1 != nil || err2 != nil {
				t.Fatal(row)
			}
			times, advance = append(times, at), append(advance, a)
		}
		return times, advance
	}
	wantT, wantA := sparks("../../testdata/synthetic/steady.wav")
	runtime.GC()
	runtime.ReadMemStats(&before)
	gotT, gotA := sparks(path)
	runtime.ReadMemStats(&after)
	offset := float64(from) / rate
	const (
		timeS   = 2e-6 // the pulse's shape is averaged over both: a tenth of a sample
		degrees = 0.2  // at 3000 rpm 2 µs are 0.04°; besides, what hum and coupling do to the reference is found from the whole recording, which is silence for the most part
	)
	find := func(what string, shift float64) {
		t.Helper()
		k := 0
		for i, want := range wantT {
			for k < len(gotT) && gotT[k] < want+shift-timeS {
				k++
			}
			if k == len(gotT) || gotT[k] > want+shift+timeS {
				// The first and the last of a stretch may lack a reference.
				if i > 1 && i < len(wantT)-2 {
					t.Errorf("%s: no spark at %.6f s", what, want+shift)
				}
				continue
			}
			if d := math.Abs(gotA[k] - wantA[i]); d > degrees {
				t.Errorf("%s: the spark at %.6f s fires at %.3f°, want %.3f", what, want+shift, gotA[k], wantA[i])
			}
		}
	}
	find("at the beginning", 0)
	find("at the end", offset)
	const growthMiB = 64
	if grown := (float64(after.HeapSys) - float64(before.HeapSys)) / (1 << 20); grown > growthMiB {
		t.Errorf("measuring took %.0f MiB more, want at most %d", grown, growthMiB)
	}
	t.Logf("%d bytes, %.0f s; %d sparks; heap %.0f MiB", info.Size(), float64(frames)/rate, len(gotT), float64(after.HeapSys)/(1<<20))
}
