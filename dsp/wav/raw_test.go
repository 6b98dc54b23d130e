package wav_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"

	"sparkscope/dsp/wav"
)

// Bare samples of every form, whole and byte by byte, cut off within a frame.
func TestRaw(t *testing.T) {
	values := []float64{0, 0.5, -0.5, -1, 0.25, 0.999}
	for _, form := range wav.RawForms() {
		var b []byte
		for _, v := range values {
			switch form {
			case "s16le":
				b = binary.LittleEndian.AppendUint16(b, uint16(int16(v*(1<<15))))
			case "s24le":
				n := int32(v * (1 << 23))
				b = append(b, byte(n), byte(n>>8), byte(n>>16))
			case "s32le":
				b = binary.LittleEndian.AppendUint32(b, uint32(int32(v*(1<<31))))
			default:
				b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
			}
		}
		b = append(b, 7) // a frame begun and not ended
		for name, src := range map[string]io.Reader{"whole": bytes.NewReader(b), "byte by byte": iotest.OneByteReader(bytes.NewReader(b))} {
			r, err := wav.NewRawReader(src, form, 48000, 2)
			if err != nil {
				t.Fatal(err)
			}
			var got []float64
			dst := [][]float32{make([]float32, 2), make([]float32, 2)}
			for {
				n, err := r.Read(dst)
				for i := range n {
					got = append(got, float64(dst[0][i]), float64(dst[1][i]))
				}
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if len(got) != len(values) {
				t.Fatalf("%s, %s: %d samples, want %d", form, name, len(got), len(values))
			}
			for i, v := range values {
				if math.Abs(got[i]-v) > 1.0/(1<<15) { // a step of 16 bits
					t.Errorf("%s, %s: sample %d is %g, want %g", form, name, i, got[i], v)
				}
			}
		}
	}
	nan := binary.LittleEndian.AppendUint32(nil, math.Float32bits(float32(math.NaN())))
	r, _ := wav.NewRawReader(bytes.NewReader(nan), "f32le", 48000, 1)
	x := [][]float32{{1}}
	if n, err := r.Read(x); n != 1 || err != nil || x[0][0] != 0 {
		t.Errorf("NaN is read as %g, %d, %v", x[0][0], n, err)
	}
	for _, c := range []struct {
		form     string
		rate     float64
		channels int
		want     string
	}{{"u8", 48000, 2, `"u8": want one of s16le, s24le, s32le, f32le`}, {"s16le", 100, 2, "100"}, {"s16le", 48000, 0, "0 channels"}} {
		if _, err := wav.NewRawReader(nil, c.form, c.rate, c.channels); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
