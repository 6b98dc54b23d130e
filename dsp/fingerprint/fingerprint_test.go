package fingerprint_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/dsp"
	"sparkscope/dsp/fingerprint"
	"sparkscope/dsp/wav"
)

// of is the fingerprint of a WAV file's bytes.
func of(t *testing.T, file []byte) string {
	t.Helper()
	r, err := wav.NewReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	f := r.Format()
	sum := fingerprint.New(f.Rate, f.Channels)
	block := make([][]float32, f.Channels)
	for c := range block {
		block[c] = make([]float32, 1000)
	}
	for {
		n, err := r.Read(block)
		sum.Push(block, n)
		if errors.Is(err, io.EOF) {
			return sum.String()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// TestAgainstPython holds the fingerprint of a recording of the project to what
// Python's own modules make of it, after the package comment:
//
//	import hashlib, struct, wave
//	w = wave.open('before.wav'); n = w.getnframes()
//	x = struct.unpack('<%dh' % (2*n), w.readframes(n))
//	h = hashlib.sha256(b'sparkscope samples 1\n%d Hz, 2 channels\n' % w.getframerate())
//	h.update(struct.pack('<%df' % (2*n), *[v/32768 for v in x])); print(h.hexdigest())
func TestAgainstPython(t *testing.T) {
	file, err := os.ReadFile("../../testdata/synthetic/job/before.wav")
	if err != nil {
		t.Fatal(err)
	}
	const want = "47f9f8e12e169ee0bf5cca1878815abfe29a9ed124bbcf4a9ece6badca75fec1"
	if got := of(t, file); got != want {
		t.Errorf("before.wav: %s, want %s", got, want)
	}
}

// memory is a file in memory that a WAV can be written to.
type memory struct {
	b  []byte
	at int64
}

func (m *memory) Write(p []byte) (int, error) {
	if need := int(m.at) + len(p); need > len(m.b) {
		m.b = append(m.b, make([]byte, need-len(m.b))...)
	}
	m.at += int64(copy(m.b[m.at:], p))
	return len(p), nil
}

func (m *memory) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekStart:
		m.at = offset
	case io.SeekCurrent:
		m.at += offset
	default:
		m.at = int64(len(m.b)) + offset
	}
	return m.at, nil
}

// TestContainers: the same values in 16 bits, in 24 and as floats are the same
// recording; another rate, another order of channels, one step in one sample or
// one frame less are not.
func TestContainers(t *testing.T) {
	values := [][]float64{make([]float64, 3000), make([]float64, 3000)}
	for i := range values[0] {
		values[0][i], values[1][i] = float64(i%701-350)/32768, float64(i*i%1013-500)/32768
	}
	write := func(f wav.Format, v [][]float64) string {
		var m memory
		w, err := wav.NewWriter(&m, f)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Write(v), w.Close()); err != nil {
			t.Fatal(err)
		}
		return of(t, m.b)
	}
	as := func(rate dsp.Rate, bits int, e wav.Encoding) wav.Format {
		return wav.Format{Rate: rate, Channels: 2, Bits: bits, ContainerBytes: bits / 8, Encoding: e}
	}
	base := write(as(48000, 16, wav.PCM), values)
	for name, got := range map[string]string{
		"24 bits": write(as(48000, 24, wav.PCM), values),
		"floats":  write(as(48000, 32, wav.Float), values),
	} {
		if got != base {
			t.Errorf("%s: another fingerprint", name)
		}
	}
	step := [][]float64{values[0], append([]float64(nil), values[1]...)}
	step[1][2999] += 1.0 / 32768
	for name, got := range map[string]string{
		"another rate":     write(as(44100, 16, wav.PCM), values),
		"channels swapped": write(as(48000, 16, wav.PCM), [][]float64{values[1], values[0]}),
		"one step":         write(as(48000, 16, wav.PCM), step),
		"one frame less":   write(as(48000, 16, wav.PCM), [][]float64{values[0][:2999], values[1][:2999]}),
	} {
		if got == base {
			t.Errorf("%s: the same fingerprint", name)
		}
	}
}

// TestSplit: blocks make no difference, nor does the sign of zero.
func TestSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float32Range(-1, 1), 1, 9000).Draw(t, "x")
		y := make([]float32, len(x))
		for i := range x {
			y[i] = -x[len(x)-1-i]
		}
		whole := fingerprint.New(48000, 2)
		whole.Push([][]float32{x, y}, len(x))
		parts := fingerprint.New(48000, 2)
		for at := 0; at < len(x); {
			n := rapid.IntRange(1, len(x)-at).Draw(t, "n")
			a, b := append([]float32(nil), x[at:]...), y[at:]
			for i := range a {
				if a[i] == 0 {
					a[i] = float32(math.Copysign(0, -1))
				}
			}
			parts.Push([][]float32{a, b}, n)
			at += n
		}
		if whole.String() != parts.String() {
			t.Fatalf("%s in one, %s in parts", whole, parts)
		}
	})
}

// BenchmarkPush prints what a sample costs.
func BenchmarkPush(b *testing.B) {
	x := make([]float32, 1<<14)
	for i := range x {
		x[i] = float32(i%777) / 1000
	}
	s := fingerprint.New(48000, 2)
	for b.Loop() {
		s.Push([][]float32{x, x}, len(x))
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(2*len(x)), "ns/sample")
}
