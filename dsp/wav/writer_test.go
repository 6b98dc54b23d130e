package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"sparkscope/dsp"

	gowav "github.com/go-audio/wav"
)

// written returns a finished recording of block, written in pieces.
func written(t *testing.T, f Format, block [][]float64, piece int) ([]byte, *Writer) {
	t.Helper()
	out := &seekBuffer{}
	w, err := NewWriter(out, f)
	if err != nil {
		t.Fatal(err)
	}
	part := make([][]float64, len(block))
	for at := 0; at < len(block[0]); at += piece {
		for c := range block {
			part[c] = block[c][at:min(at+piece, len(block[c]))]
		}
		if err := w.Write(part); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatalf("second Close: %v", err)
	}
	return out.b, w
}

var writable = []Format{
	{Bits: 8, Encoding: PCM}, {Bits: 16, Encoding: PCM}, {Bits: 24, Encoding: PCM}, {Bits: 32, Encoding: PCM}, {Bits: 32, Encoding: Float},
}

// TestRoundTrip writes and reads. The bound is half a step of the format, and
// above 24 bits that of the float32 read back.
func TestRoundTrip(t *testing.T) {
	for _, f := range writable {
		for channels := 1; channels <= MaxChannels; channels++ {
			f := f
			f.Rate, f.Channels = 96000, channels
			g := rand.New(rand.NewPCG(uint64(f.Bits), uint64(channels)))
			block := make([][]float64, channels)
			for c := range block {
				block[c] = make([]float64, 4097) // more than one piece, and odd
				for i := range block[c] {
					block[c][i] = 2*g.Float64() - 1
				}
				block[c][0], block[c][1], block[c][2] = 0, -1, 0.5
			}
			b, w := written(t, f, block, 4097)
			if again, _ := written(t, f, block, 100); !bytes.Equal(b, again) {
				t.Errorf("%+v: the file depends on the lengths of the blocks", f)
			}
			if w.Frames() != 4097 {
				t.Errorf("%+v: Frames: got %d, want 4097", f, w.Frames())
			}
			if len(b)%2 != 0 || int(binary.LittleEndian.Uint32(b[4:])) != len(b)-8 {
				t.Errorf("%+v: %d bytes and a RIFF size of %d", f, len(b), binary.LittleEndian.Uint32(b[4:]))
			}
			if at := bytes.Index(b[:64], []byte("fact")); (at > 0) != (f.Encoding == Float) || at > 0 && binary.LittleEndian.Uint32(b[at+8:]) != 4097 {
				t.Errorf("%+v: fact chunk at %d: want one with 4097 frames for floats only", f, at)
			}
			r, err := NewReader(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			want := Format{Rate: 96000, Channels: channels, Bits: f.Bits, ContainerBytes: f.Bits / 8, Encoding: f.Encoding, Container: "RIFF"}
			if r.Format() != want {
				t.Errorf("format: got %+v, want %+v", r.Format(), want)
			}
			if n, known := r.DeclaredFrames(); n != 4097 || !known {
				t.Errorf("%+v: declared: got %d, %v, want 4097, true", f, n, known)
			}
			got := readAll(t, r, 1000)
			if len(r.Remarks()) > 0 {
				t.Errorf("%+v: remarks %q, want none", f, r.Remarks())
			}
			bound := math.Ldexp(0.5, 1-min(f.Bits, 24))
			top := 1 - math.Ldexp(1, 1-f.Bits) // what a value above the upper stop becomes
			for c := range block {
				for i, v := range block[c] {
					if f.Encoding == PCM {
						v = min(v, top)
					}
					if math.Abs(float64(got[c][i])-v) > bound {
						t.Fatalf("%+v: channel %d frame %d: wrote %v, read %v", f, c+1, i, block[c][i], got[c][i])
					}
				}
			}
		}
	}
}

// TestRounding states what a few values become.
func TestRounding(t *testing.T) {
	in := [][]float64{{0, 0.4 / 32768, 0.6 / 32768, -0.6 / 32768, 32767.0 / 32768, 32767.4 / 32768, 32767.6 / 32768, 1, 7, -1, -32768.4 / 32768, -32768.6 / 32768, math.Inf(1), math.Inf(-1)}}
	want := []int16{0, 0, 1, -1, 32767, 32767, 32767, 32767, 32767, -32768, -32768, -32768, 32767, -32768}
	b, w := written(t, Format{Rate: 48000, Channels: 1, Bits: 16, Encoding: PCM}, in, 100)
	for i, v := range want {
		if got := int16(binary.LittleEndian.Uint16(b[44+2*i:])); got != v {
			t.Errorf("%v: got %d, want %d", in[0][i], got, v)
		}
	}
	if w.Clipped() != 6 { // 32767.6, 1, 7, -32768.6 and the infinities
		t.Errorf("clipped: got %d, want 6", w.Clipped())
	}
	b, w = written(t, Format{Rate: 48000, Channels: 1, Bits: 32, Encoding: Float}, [][]float64{{1, -1, 1.5, -7}}, 100)
	got := readAll(t, open(t, b), 9)
	same(t, "float", got[0], []float32{1, -1, 1, -1})
	if w.Clipped() != 2 {
		t.Errorf("clipped: got %d, want 2", w.Clipped())
	}
}

// TestWriterRefuses covers the formats and blocks that are errors.
func TestWriterRefuses(t *testing.T) {
	ok := Format{Rate: 48000, Channels: 2, Bits: 16, Encoding: PCM}
	for say, change := range map[string]func(*Format){
		"0 channels":                 func(f *Format) { f.Channels = 0 },
		"9 channels":                 func(f *Format) { f.Channels = 9 },
		"7999 samples":               func(f *Format) { f.Rate = 7999 },
		"44100.5 samples":            func(f *Format) { f.Rate = 44100.5 },
		"NaN samples":                func(f *Format) { f.Rate = dsp.Rate(math.NaN()) },
		"12 bits":                    func(f *Format) { f.Bits = 12 },
		`16 bits of "float"`:         func(f *Format) { f.Encoding = Float },
		`16 bits of ""`:              func(f *Format) { f.Encoding = "" },
		"16 bits in 4 bytes: want 2": func(f *Format) { f.ContainerBytes = 4 },
	} {
		f := ok
		change(&f)
		if _, err := NewWriter(&seekBuffer{}, f); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%+v: got %v, want an error with %q", f, err, say)
		}
	}
	for say, block := range map[string][][]float64{
		"of 1 channels": {{0}},
		"of 1 and 2":    {{0}, {0, 0}},
		"not a number":  {{0, 0}, {0, math.NaN()}},
	} {
		for _, f := range []Format{ok, {Rate: 48000, Channels: 2, Bits: 32, Encoding: Float}} {
			out := &seekBuffer{}
			w, err := NewWriter(out, f)
			if err != nil {
				t.Fatal(err)
			}
			if err := w.Write([][]float64{{0.5}, {0.5}}); err != nil {
				t.Fatal(err)
			}
			err = w.Write(block)
			if err == nil || !strings.Contains(err.Error(), say) {
				t.Errorf("got %v, want an error with %q", err, say)
			}
			if again := w.Write([][]float64{{0}, {0}}); again != err {
				t.Errorf("Write after an error: got %v, want %v", again, err)
			}
			if closed := w.Close(); closed != err {
				t.Errorf("Close after an error: got %v, want %v", closed, err)
			}
			if got := readAll(t, open(t, out.b), 9); len(got[0]) != 1 {
				t.Errorf("after an error: %d frames, want the one before it", len(got[0]))
			}
		}
	}
	w := &Writer{f: Format{Channels: 1, ContainerBytes: 2}, data: maxDataBytes - 1}
	if err := w.Write([][]float64{{0}}); err == nil || !strings.Contains(err.Error(), "holds 4294967167") {
		t.Errorf("beyond 4 GiB: got %v, want an error with the limit", err)
	}
	w = &Writer{err: errClosed}
	if err := w.Write([][]float64{{0}}); !errors.Is(err, errClosed) {
		t.Errorf("Write after Close: got %v", err)
	}
}

// TestDiedWriting reads what stands in the file before Close.
func TestDiedWriting(t *testing.T) {
	for _, f := range writable {
		f.Rate, f.Channels = 48000, 1
		out := &seekBuffer{}
		w, err := NewWriter(out, f)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, 1001)
		x[1000] = -0.5
		if err := w.Write([][]float64{x}); err != nil {
			t.Fatal(err)
		}
		r := open(t, out.b)
		got := readAll(t, r, 100)
		if len(got[0]) != 1001 || got[0][1000] != -0.5 || !hasRemark(r, "never finished") {
			t.Errorf("%+v: %d frames, remarks %q; want 1001 and a remark", f, len(got[0]), r.Remarks())
		}
	}
}

// TestFullDisk returns the destination's error.
func TestFullDisk(t *testing.T) {
	for _, f := range writable {
		f.Rate, f.Channels = 48000, 1
		for room := 0; room < 300; room += 7 {
			out := &fullDisk{room: room}
			w, err := NewWriter(out, f)
			if err == nil {
				err = w.Write([][]float64{make([]float64, 301)})
			}
			if err == nil {
				err = w.Close()
			}
			if !errors.Is(err, errFull) {
				t.Fatalf("%+v, room for %d bytes: got %v, want %v", f, room, err, errFull)
			}
		}
	}
}

var errFull = errors.New("disk full")

type fullDisk struct {
	seekBuffer
	room int
}

func (d *fullDisk) Write(p []byte) (int, error) {
	if d.at+int64(len(p)) > int64(d.room) {
		return 0, errFull
	}
	return d.seekBuffer.Write(p)
}

// TestWriterMemory holds the writer to a fixed amount of memory at every rate.
func TestWriterMemory(t *testing.T) {
	const most = 4 << 20 // bytes; a minute of this format would be 737 MB
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if _, err := NewWriter(&seekBuffer{}, Format{Rate: MaxRate, Channels: 8, Bits: 32, Encoding: PCM}); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	if n := after.TotalAlloc - before.TotalAlloc; n > most {
		t.Errorf("NewWriter allocates %d bytes, want at most %d", n, most)
	}
}

// TestReadByOthers has other programs read what was written: the library's
// decoder always, sox where it is installed.
func TestReadByOthers(t *testing.T) {
	block := [][]float64{{0.25, -0.5, 0.75}, {-1, 0, 0.125}, {0.5, 0.5, -0.25}}
	for _, f := range writable {
		f.Rate, f.Channels = 44100, 3
		b, _ := written(t, f, block, 2)
		var want []int
		for i := range 3 {
			for c := range block {
				want = append(want, int(math.Ldexp(block[c][i], f.Bits-1)))
			}
		}
		if f.Encoding == PCM && f.Bits > 8 {
			d := gowav.NewDecoder(bytes.NewReader(b))
			buf, err := d.FullPCMBuffer()
			if err != nil {
				t.Fatal(err)
			}
			// Its decoder takes the pad byte of an odd chunk for a sample.
			if fmt.Sprint(buf.Data[:len(want)]) != fmt.Sprint(want) {
				t.Errorf("%d bits: go-audio reads %v, want %v", f.Bits, buf.Data, want)
			}
		}
	}

	sox, err := exec.LookPath("sox")
	if err != nil {
		t.Skip("sox is not installed: its reading of our files is not checked")
	}
	for _, f := range writable {
		f.Rate, f.Channels = 44100, 3
		b, _ := written(t, f, block, 2)
		name := filepath.Join(t.TempDir(), "a.wav")
		if err := os.WriteFile(name, b, 0o644); err != nil {
			t.Fatal(err)
		}
		var out, messages bytes.Buffer
		cmd := exec.Command(sox, name, "-t", "raw", "-e", "signed", "-b", "32", "-L", "-")
		cmd.Stdout, cmd.Stderr = &out, &messages
		if err := cmd.Run(); err != nil || messages.Len() > 0 {
			t.Fatalf("%+v: sox: %v, %s", f, err, messages.String())
		}
		raw := out.Bytes()
		if len(raw) != 36 {
			t.Fatalf("%+v: sox reads %d bytes, want 36", f, len(raw))
		}
		for i := range 9 {
			v := float64(int32(binary.LittleEndian.Uint32(raw[4*i:]))) / (1 << 31)
			if v != block[i%3][i/3] {
				t.Errorf("%+v: sox: sample %d: got %v, want %v", f, i, v, block[i%3][i/3])
			}
		}
	}
}

// TestFromSox reads through a pipe what sox writes into one.
func TestFromSox(t *testing.T) {
	sox, err := exec.LookPath("sox")
	if err != nil {
		t.Skip("sox is not installed: reading from its pipe is not checked")
	}
	for _, bits := range []string{"16", "24", "32"} {
		k := kind{tagPCM, 16, 16, 2, false}
		data, want := k.samples(binary.LittleEndian, 2*50000)
		// From a source without a length, so that it cannot know its own.
		cmd := exec.Command(sox, "-D", "-t", "raw", "-r", "48000", "-e", "signed", "-b", "16", "-c", "2", "-L", "-", "-b", bits, "-t", "wav", "-")
		cmd.Stdin = bytes.NewReader(data)
		pipe, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		r, err := NewReader(pipe)
		if err != nil {
			t.Fatal(err)
		}
		same(t, bits+" bits from sox", interleave(readAll(t, r, 777)), want)
		if !hasRemark(r, "never finished") {
			t.Errorf("%s bits: remarks %q, want one on the sizes", bits, r.Remarks())
		}
		if err := cmd.Wait(); err != nil {
			t.Fatal(err)
		}
	}
}
