package wav

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/dsp"
)

// RawForms are the forms of bare samples that RawReader takes, little-endian
// and interleaved: whole numbers of 16, 24 or 32 bits, floats of 32.
func RawForms() []string { return []string{"s16le", "s24le", "s32le", "f32le"} }

// RawReader reads bare samples, without any header, as recorders write them
// into a pipe.
type RawReader struct {
	r        io.Reader
	form     string
	bytes    int // per sample
	rate     dsp.Rate
	channels int
	buf      []byte
}

// NewRawReader reads from r samples of one of RawForms, of a rate in Hz (8000 to
// 768 000) and 1 to 8 channels.
func NewRawReader(r io.Reader, form string, rate float64, channels int) (*RawReader, error) {
	sizes := map[string]int{"s16le": 2, "s24le": 3, "s32le": 4, "f32le": 4}
	n := sizes[form]
	switch {
	case n == 0:
		return nil, fmt.Errorf("wav: samples of form %q: want one of %s", form, strings.Join(RawForms(), ", "))
	case !(rate >= 8000 && rate <= 768000) || rate != math.Trunc(rate):
		return nil, fmt.Errorf("wav: %g samples a second: want a whole number from 8000 to 768000", rate)
	case channels < 1 || channels > 8:
		return nil, fmt.Errorf("wav: %d channels: want 1 to 8", channels)
	}
	return &RawReader{r: r, form: form, bytes: n, rate: dsp.Rate(rate), channels: channels}, nil
}

// Format is what was said of the samples.
func (r *RawReader) Format() Format {
	f := Format{Rate: r.rate, Channels: r.channels, Encoding: PCM, Bits: 8 * r.bytes}
	if r.form == "f32le" {
		f.Encoding = Float
	}
	return f
}

// Read fills dst, one slice per channel, with fractions of full scale, as far
// as one read of the source brings whole frames, and returns how many; at the
// end 0 and io.EOF. A frame that is cut off at the end is left out. Floats that
// are not finite are read as 0.
func (r *RawReader) Read(dst [][]float32) (frames int, err error) {
	if len(dst) != r.channels || len(dst[0]) == 0 {
		return 0, fmt.Errorf("wav: reading into %d channels: want %d, not empty", len(dst), r.channels)
	}
	frame := r.bytes * r.channels
	want := frame * len(dst[0])
	if cap(r.buf) < want {
		b := make([]byte, len(r.buf), want)
		copy(b, r.buf)
		r.buf = b
	}
	for len(r.buf) < frame {
		n, err := r.r.Read(r.buf[len(r.buf):want])
		r.buf = r.buf[:len(r.buf)+n]
		if err != nil && len(r.buf) < frame {
			if errors.Is(err, io.EOF) {
				return 0, io.EOF
			}
			return 0, err
		}
	}
	frames = min(len(r.buf)/frame, len(dst[0]))
	for i := range frames {
		for c := range dst {
			dst[c][i] = r.sample(r.buf[i*frame+c*r.bytes:])
		}
	}
	r.buf = r.buf[:copy(r.buf, r.buf[frames*frame:])]
	return frames, nil
}

func (r *RawReader) sample(b []byte) float32 {
	switch r.form {
	case "s16le":
		return float32(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
	case "s24le":
		v := int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24) >> 8
		return float32(v) / (1 << 23)
	case "s32le":
		return float32(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
	}
	v := math.Float32frombits(binary.LittleEndian.Uint32(b))
	if v != v || math.IsInf(float64(v), 0) {
		return 0
	}
	return v
}
