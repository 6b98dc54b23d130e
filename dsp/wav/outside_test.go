package wav

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path"
	"testing"

	gowav "github.com/go-audio/wav"
)

// fractions divides integers by the full scale of their bits. The quotient is
// exact but for the rounding to float32.
func fractions(bits int, v ...int64) []float32 {
	out := make([]float32, len(v))
	for i := range v {
		out[i] = float32(math.Ldexp(float64(float32(v[i])), 1-bits))
	}
	return out
}

// extremes are the 15 values in scipy's files of 24 to 64 bits (its
// test_wavfile.py and the table beside its files): the lowest two, the
// highest, halves, and the values around 0.
func extremes(bits int) []int64 {
	top := int64(1) << (bits - 2) // half of full scale, to stay in int64
	return []int64{
		-2 * top, -2*top + 1, -2,
		-top, -top + 1, -1,
		0, 0, 0,
		top, top - 1, 1,
		top + (top - 1), top + (top - 1), 2,
	}
}

// TestExactSamples checks recordings of others for the samples that their
// makers state. Sources: the tests of hound (bc5bd31) and of scipy (3dbf660),
// for 5, 12 and 20 bits the bytes of the files read by hand.
func TestExactSamples(t *testing.T) {
	cases := []struct {
		name     string
		channels int
		rate     float64
		bits     int
		bytes    int
		want     []float32
	}{
		{"hound/pcmwaveformat-16bit-44100Hz-mono.wav", 1, 44100, 16, 2, fractions(16, 2, -3, 5, -7)},
		{"hound/pcmwaveformat-16bit-44100Hz-mono-extra.wav", 1, 44100, 16, 2, fractions(16, 2, -3, 5, -7)},
		{"hound/waveformatex-16bit-44100Hz-mono.wav", 1, 44100, 16, 2, fractions(16, 2, -3, 5, -7)},
		{"hound/waveformatex-16bit-44100Hz-mono-extra.wav", 1, 44100, 16, 2, fractions(16, 2, -3, 5, -7)},
		{"hound/waveformatex-16bit-44100Hz-stereo.wav", 2, 44100, 16, 2, fractions(16, 2, -3, 5, -7, 11, -13, 17, -19)},
		{"hound/pcmwaveformat-8bit-44100Hz-mono.wav", 1, 44100, 8, 1, fractions(8, 19, -53, 89, -127)},
		{"hound/waveformatextensible-24bit-192kHz-mono.wav", 1, 192000, 24, 3, fractions(24, -17, 4194319, -6291437, 8355817)},
		{"hound/waveformatextensible-32bit-48kHz-stereo.wav", 2, 48000, 32, 4, fractions(32, 19, -229373, 33587161, -2147483497)},
		{"hound/nonstandard-02.wav", 2, 48000, 32, 4, fractions(32, 19, -229373, 33587161, -2147483497)},
		{"hound/nonstandard-01.wav", 2, 48000, 24, 3, fractions(24, 0, 0)},
		{"hound/waveformatex-ieeefloat-44100Hz-mono.wav", 1, 44100, 32, 4, []float32{2, 3, -16411, 1019}},
		{"hound/waveformatextensible-ieeefloat-44100Hz-mono.wav", 1, 44100, 32, 4, []float32{2, 3, -16411, 1019}},
		{"hound/pcmwaveformat-24bit-4byte-48kHz-stereo.wav", 2, 48000, 24, 4, fractions(24, -96, 23052, 8388607, -8360672)},
		{"hound/waveformatextensible-24bit-4byte-48kHz-stereo.wav", 2, 48000, 24, 4, fractions(24, -96, 23052, 8388607, -8360672)},
		{"scipy/test-8000Hz-le-3ch-5S-24bit.wav", 3, 8000, 24, 3, fractions(24, extremes(24)...)},
		{"scipy/test-8000Hz-be-3ch-5S-24bit.wav", 3, 8000, 24, 3, fractions(24, extremes(24)...)},
		{"scipy/test-8000Hz-le-3ch-5S-24bit-rf64.wav", 3, 8000, 24, 3, fractions(24, extremes(24)...)},
		{"scipy/test-8000Hz-le-3ch-5S-36bit.wav", 3, 8000, 36, 5, fractions(36, extremes(36)...)},
		{"scipy/test-8000Hz-le-3ch-5S-45bit.wav", 3, 8000, 45, 6, fractions(45, extremes(45)...)},
		{"scipy/test-8000Hz-le-3ch-5S-53bit.wav", 3, 8000, 53, 7, fractions(53, extremes(53)...)},
		{"scipy/test-8000Hz-le-3ch-5S-64bit.wav", 3, 8000, 64, 8, fractions(64, extremes(64)...)},
		{"scipy/test-1234Hz-le-1ch-10S-20bit-extra.wav", 1, 1234, 20, 3, fractions(24, // the low four bits are used
			0x7ffff0, -0x7ffff0, 0x3ffff8, -0x3ffff8, 0x1ffffc, -0x1ffffc, 0x0ffffe, -0x0ffffe, 0x07ffff, -0x07ffff)},
		{"scipy/test-8000Hz-le-4ch-9S-12bit.wav", 4, 8000, 12, 2, fractions(12,
			0, 0, 0, 0, 1448, 2047, 1448, 0, 2047, 0, -2048, 0, 1448, -2048, 1448, 0, 0, 0, 0, 0,
			-1449, 2047, -1449, 0, -2048, 0, 2047, 0, -1449, -2048, -1449, 0, 0, 0, 0, 0)},
		{"scipy/test-8000Hz-le-5ch-9S-5bit.wav", 5, 8000, 5, 1, fractions(5,
			0, 0, 0, 0, 0, 11, 15, 11, 0, 6, 15, 0, -16, 0, 11, 11, -16, 11, 0, 14, 0, 0, 0, 0, 15,
			-12, 15, -12, 0, 14, -16, 0, 15, 0, 11, -12, -16, -12, 0, 6, 0, 0, 0, 0, 0)},
	}
	for _, c := range cases {
		t.Run(path.Base(c.name), func(t *testing.T) {
			r := open(t, file(t, c.name))
			f := r.Format()
			if f.Channels != c.channels || float64(f.Rate) != c.rate || f.Bits != c.bits || f.ContainerBytes != c.bytes {
				t.Errorf("format: got %+v, want %d channels, %v Hz, %d bits in %d bytes", f, c.channels, c.rate, c.bits, c.bytes)
			}
			same(t, c.name, interleave(readAll(t, r, 3)), c.want)
		})
	}
}

// TestSameSound reads one sound stored in several ways.
func TestSameSound(t *testing.T) {
	read := func(name string) [][]float32 { return readAll(t, open(t, file(t, name)), 1000) }
	for _, c := range []struct {
		name   string
		frames int
		as     []string
	}{
		{"scipy/test-44100Hz-le-1ch-4bytes.wav", 4410, []string{"scipy/test-44100Hz-be-1ch-4bytes.wav", "scipy/test-44100Hz-le-1ch-4bytes-rf64.wav"}},
	} {
		want := read(c.name)
		if len(want[0]) != c.frames {
			t.Errorf("%s: got %d frames, want %d", c.name, len(want[0]), c.frames)
		}
		for _, name := range c.as {
			same(t, name, interleave(read(name)), interleave(want))
		}
	}
	// The two float files were computed apart and differ in their last bits:
	// three steps of a float32 near full scale at most.
	const floatStep = 3.0 / (1 << 24)
	little, big := read("scipy/test-44100Hz-2ch-32bit-float-le.wav"), read("scipy/test-44100Hz-2ch-32bit-float-be.wav")
	for c := range little {
		if len(little[c]) != 441 || len(big[c]) != 441 {
			t.Fatalf("float files: got %d and %d frames, want 441", len(little[c]), len(big[c]))
		}
		for i, v := range little[c] {
			if math.Abs(float64(v-big[c][i])) > floatStep {
				t.Errorf("float files: channel %d frame %d: %v and %v", c+1, i, v, big[c][i])
			}
		}
	}
	// CPython's four files were exported apart from one sound. 24 bits were cut
	// off the finest; 16 bits carry shaped dither of some steps (they are
	// checked exactly in TestSecondOpinion), and 8 bits were cut off dithered
	// ones. A wrong scale, sign or offset is far beyond these bounds.
	const ditherSteps = 8.0 / (1 << 15)
	fine := read("cpython/pluck-pcm32.wav")
	for _, c := range []struct {
		name  string
		bound float64
	}{
		{"cpython/pluck-pcm8.wav", 1.0/(1<<7) + ditherSteps},
		{"cpython/pluck-pcm16.wav", ditherSteps},
		{"cpython/pluck-pcm24.wav", 1.0 / (1 << 23)},
	} {
		x := read(c.name)
		if len(x) != 2 || len(x[0]) != 3307 {
			t.Fatalf("%s: got %d channels of %d frames, want 2 of 3307", c.name, len(x), len(x[0]))
		}
		for ch := range x {
			for i := range x[ch] {
				if d := math.Abs(float64(x[ch][i]) - float64(fine[ch][i])); d > c.bound {
					t.Fatalf("%s: channel %d frame %d: %v and %v at 32 bits", c.name, ch+1, i, x[ch][i], fine[ch][i])
				}
			}
		}
	}
}

// TestScipyDamaged holds the reader to what scipy's damaged files are for.
func TestScipyDamaged(t *testing.T) {
	r := open(t, file(t, "scipy/test-44100Hz-le-1ch-4bytes-early-eof.wav"))
	whole := readAll(t, open(t, file(t, "scipy/test-44100Hz-le-1ch-4bytes.wav")), 512)
	if n, known := r.DeclaredFrames(); n != 4410 || !known {
		t.Errorf("declared: got %d, %v, want 4410, true", n, known)
	}
	got := readAll(t, r, 100)
	if len(got[0]) != 236 {
		t.Errorf("early end: got %d frames, want 236", len(got[0]))
	}
	same(t, "early end", got[0], whole[0][:len(got[0])])
	if !hasRemark(r, "cut short") {
		t.Errorf("early end: remarks %q do not say so", r.Remarks())
	}
	for name, say := range map[string]string{
		"scipy/test-44100Hz-le-1ch-4bytes-incomplete-chunk.wav":  "ends after 13 bytes",
		"scipy/test-44100Hz-le-1ch-4bytes-early-eof-no-data.wav": "before its samples",
		"scipy/test-8000Hz-le-3ch-5S-24bit-inconsistent.wav":     "contradicts itself",
		"scipy/test-8000Hz-le-1ch-1byte-ulaw.wav":                "mu-law",
		"scipy/test-1234Hz-le-1ch-10S-20bit-extra.wav":           "1234 samples per second",
	} {
		_, err := NewReader(bytes.NewReader(file(t, name)))
		wantRefusal(t, name, err, say)
	}
}

// TestEveryOutsideFile reads every file there is, whatever it holds, with the
// limits of use: it must be refused or come out finite and as long as it says.
func TestEveryOutsideFile(t *testing.T) {
	seen := 0
	for _, dir := range []string{"scipy", "hound", "cpython"} {
		list, err := os.ReadDir("testdata/" + dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			if path.Ext(e.Name()) != ".wav" {
				continue
			}
			seen++
			r, err := NewReader(bytes.NewReader(file(t, dir+"/"+e.Name())))
			if err != nil {
				if !errors.Is(err, ErrNotRecording) {
					t.Errorf("%s: %v is not ErrNotRecording", e.Name(), err)
				}
				continue
			}
			n, known := r.DeclaredFrames()
			got := readAll(t, r, 97)
			if known && int64(len(got[0])) != n && !hasRemark(r, "cut short") {
				t.Errorf("%s: declares %d frames, gave %d and no remark", e.Name(), n, len(got[0]))
			}
			for _, v := range interleave(got) {
				if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
					t.Errorf("%s: sample %v", e.Name(), v)
				}
			}
		}
	}
	if seen != 42 {
		t.Errorf("got %d files, want 42", seen)
	}
}

// TestSecondOpinion compares with the decoder of go-audio/wav where that one
// is right: plain integers of 16 to 32 bits in finished files.
func TestSecondOpinion(t *testing.T) {
	for _, bits := range []int{16, 24, 32} {
		for channels := 1; channels <= MaxChannels; channels++ {
			b := build(spec{channels: channels, bits: bits, bytes: bits / 8, data: noise(channels*10*bits/8, uint64(bits))})
			d := gowav.NewDecoder(bytes.NewReader(b))
			buf, err := d.FullPCMBuffer()
			if err != nil {
				t.Fatal(err)
			}
			var want []int64
			for _, v := range buf.Data {
				want = append(want, int64(v))
			}
			if len(want) != 10*channels {
				t.Fatalf("second opinion: %d samples, want %d", len(want), 10*channels)
			}
			same(t, "go-audio", interleave(readAll(t, open(t, b), 4)), fractions(bits, want...))
		}
	}
	for _, name := range []string{"cpython/pluck-pcm16.wav", "cpython/pluck-pcm24.wav", "cpython/pluck-pcm32.wav", "hound/pop.wav"} {
		buf, err := gowav.NewDecoder(bytes.NewReader(file(t, name))).FullPCMBuffer()
		if err != nil {
			t.Fatal(err)
		}
		r := open(t, file(t, name))
		var want []int64
		for _, v := range buf.Data {
			want = append(want, int64(v))
		}
		same(t, name, interleave(readAll(t, r, 64)), fractions(r.Format().Bits, want...))
	}
}
