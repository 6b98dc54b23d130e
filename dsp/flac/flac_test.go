package flac

import (
	"bytes"
	"errors"
	"io"
	"log"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"

	"sparkscope/dsp/wav"
)

// samples are those of testdata/make.py, channel by channel.
func samples(n, channels, bits int) [][]int {
	top := 1 << (bits - 1)
	state, walk := 12345, 0
	draw := func() int {
		state = (state*1664525 + 1013904223) % (1 << 32)
		return state >> 16
	}
	out := make([][]int, channels)
	for i := range n {
		walk = walk*31>>5 + (draw()-32768)*(top>>15)>>2
		for c := range out {
			v := walk + (draw()-32768)*(top>>15)>>6
			if i%701 == 13 {
				v = -top
				if c == 0 {
					v = top - 1
				}
			}
			out[c] = append(out[c], max(-top, min(top-1, v)))
		}
	}
	return out
}

// TestMain keeps the decoder from asking, frame by frame, for a recording of
// 176.4 kHz to be tried with, which make.py has made.
func TestMain(m *testing.M) {
	log.SetOutput(io.Discard)
	os.Exit(m.Run())
}

// made is what make.py makes.
var made = []struct {
	name           string
	rate           float64
	channels, bits int
}{
	{"flac-16-mono-44100", 44100, 1, 16},
	{"flac-16-stereo-48000", 48000, 2, 16},
	{"flac-24-stereo-96000", 96000, 2, 24},
	{"flac-24-stereo-192000", 192000, 2, 24},
	{"flac-16-stereo-176400", 176400, 2, 16},
	{"sox-24-mono-88200", 88200, 1, 24},
	{"sox-16-stereo-44100", 44100, 2, 16},
}

func file(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name+".flac"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// all reads r to its end in blocks of n, and returns the samples by channel.
func all(t testing.TB, r *Reader, n int) [][]float32 {
	t.Helper()
	out := make([][]float32, r.Format().Channels)
	dst := make([][]float32, len(out))
	for c := range dst {
		dst[c] = make([]float32, n)
	}
	for {
		k, err := r.Read(dst)
		for c := range out {
			out[c] = append(out[c], dst[c][:k]...)
		}
		if err == io.EOF && k == 0 {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// TestExact: every sample of files that two other programs have made, bit by
// bit, in blocks of any length and from a source that hands out single bytes.
func TestExact(t *testing.T) {
	for _, m := range made {
		want := samples(5000, m.channels, m.bits)
		for _, n := range []int{1, 997, 4096, 1 << 14} {
			r, err := NewReader(iotest.OneByteReader(bytes.NewReader(file(t, m.name))))
			if err != nil {
				t.Fatalf("%s: %v", m.name, err)
			}
			f := r.Format()
			if float64(f.Rate) != m.rate || f.Channels != m.channels || f.Bits != m.bits || f.ContainerBytes != m.bits/8 || f.Encoding != wav.PCM || f.Container != "FLAC" {
				t.Errorf("%s: format %+v", m.name, f)
			}
			got := all(t, r, n)
			for c := range want {
				if len(got[c]) != len(want[c]) {
					t.Fatalf("%s: %d samples on channel %d, want %d", m.name, len(got[c]), c+1, len(want[c]))
				}
				for i, v := range want[c] {
					if w := float32(v) / float32(int(1)<<(m.bits-1)); got[c][i] != w {
						t.Fatalf("%s: channel %d, sample %d: %g, want %g", m.name, c+1, i, got[c][i], w)
					}
				}
			}
			if s := r.Remarks(); len(s) > 0 {
				t.Errorf("%s: remarks %q", m.name, s)
			}
		}
	}
}

// TestDamaged: whatever is cut off, changed or added, what comes out is the
// beginning of what was recorded, and where it is not all, a sentence says so.
func TestDamaged(t *testing.T) {
	whole := file(t, "flac-16-stereo-48000")
	want := samples(5000, 2, 16)
	rapid.Check(t, func(rt *rapid.T) {
		b := bytes.Clone(whole)
		if rapid.Bool().Draw(rt, "cut") {
			b = b[:rapid.IntRange(0, len(b)-1).Draw(rt, "bytes")]
		}
		// From byte 42 on: the frames, and what is between them and the header.
		if len(b) > 42 && rapid.Bool().Draw(rt, "changed") {
			b[rapid.IntRange(42, len(b)-1).Draw(rt, "at")] ^= byte(rapid.IntRange(1, 255).Draw(rt, "by"))
		}
		if bytes.Equal(b, whole) {
			return
		}
		r, err := NewReader(bytes.NewReader(b))
		if err != nil {
			if !errors.Is(err, wav.ErrNotRecording) {
				rt.Fatalf("%v: want a refusal", err)
			}
			return
		}
		got := all(t, r, 777)
		for i, v := range got[0] {
			if v != float32(want[0][i])/32768 || got[1][i] != float32(want[1][i])/32768 {
				rt.Fatalf("sample %d is not what was recorded", i)
			}
		}
		if len(got[0]) < 5000 && len(r.Remarks()) == 0 {
			rt.Fatalf("%d of 5000 samples, and not a word", len(got[0]))
		}
	})
}

// TestSentences: what is said, in the words of whoever copied the file.
func TestSentences(t *testing.T) {
	whole := file(t, "flac-16-stereo-48000")
	change := func(f func(b []byte) []byte) []byte { return f(bytes.Clone(whole)) }
	for _, c := range []struct {
		name string
		b    []byte
		want string // in the error, or else in the remark
	}{
		{"empty", nil, "ends after 0 bytes"},
		{"cut in the header", whole[:20], "ends within its header"},
		{"header alone", whole[:42+8], "within its header"},
		{"text", []byte("not a recording at all"), `"not " where fLaC is wanted`},
		{"no description", change(func(b []byte) []byte { b[4] = 4; return b }), "does not say what its samples are"},
		{"32 bits", change(func(b []byte) []byte { b[20] |= 1; b[21] |= 0xf0; return b }), "32 bits per sample, and up to 24"},
		{"4 kHz", change(func(b []byte) []byte { b[18], b[19], b[20] = 0, 0xfa, b[20]&0x0f; return b }), "claims 4000 samples per second"},
		{"cut in the middle", whole[:len(whole)-100], "the recording is cut short: its header promises 5000 samples per channel (0.104 s) and 4096 (0.085 s) are there"},
		{"damaged in the second frame", change(func(b []byte) []byte { b[len(b)-100] ^= 1; return b }), "is damaged behind 0.085 s of 0.104 s"},
		{"checksum of another file", change(func(b []byte) []byte { b[30] ^= 1; return b }), "the checksum of all samples is not the one in the header"},
	} {
		r, err := NewReader(bytes.NewReader(c.b))
		got := ""
		if err != nil {
			got = err.Error()
		} else {
			all(t, r, 512)
			got = strings.Join(r.Remarks(), " | ")
		}
		if !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q in it", c.name, got, c.want)
		}
	}
	// A tag behind the sound is none of it.
	r, err := NewReader(bytes.NewReader(append(bytes.Clone(whole), "TAG and 124 bytes more"...)))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(all(t, r, 512)[0]); n != 5000 || len(r.Remarks()) > 0 {
		t.Errorf("with a tag behind it: %d samples, remarks %q", n, r.Remarks())
	}
}

// TestSourceBreaks: an error of the source is no statement about the recording.
func TestSourceBreaks(t *testing.T) {
	gone := errors.New("the card was pulled out")
	for _, n := range []int64{3, 60, 12000} {
		r, err := NewReader(io.MultiReader(io.LimitReader(bytes.NewReader(file(t, "flac-16-stereo-48000")), n), iotest.ErrReader(gone)))
		for err == nil {
			_, err = r.Read([][]float32{make([]float32, 512), make([]float32, 512)})
		}
		if !errors.Is(err, gone) {
			t.Errorf("after %d bytes: %v", n, err)
		}
	}
}

// FuzzReader: no bytes make it panic, go on for ever, or hand out a number that
// is none.
func FuzzReader(f *testing.F) {
	for _, m := range made {
		f.Add(file(f, m.name)[:3000])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := NewReader(bytes.NewReader(b))
		if err != nil {
			if !errors.Is(err, wav.ErrNotRecording) {
				t.Fatalf("%v: want a refusal", err)
			}
			return
		}
		for _, c := range all(t, r, 1000) {
			for _, v := range c {
				if !(v >= -2 && v <= 2) {
					t.Fatalf("a sample of %g", v)
				}
			}
		}
	})
}

func BenchmarkReader(b *testing.B) {
	whole := file(b, "flac-24-stereo-192000")
	dst := [][]float32{make([]float32, 4096), make([]float32, 4096)}
	n := 0
	for b.Loop() {
		r, err := NewReader(bytes.NewReader(whole))
		for err == nil {
			var k int
			k, err = r.Read(dst)
			n += 2 * k
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
