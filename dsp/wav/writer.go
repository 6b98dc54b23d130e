package wav

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/go-audio/audio"
	gowav "github.com/go-audio/wav"
)

// maxDataBytes is the most that the 32-bit sizes of a RIFF file leave for
// samples, with room for the header and the pad byte.
const maxDataBytes = math.MaxUint32 - 128

// writeFrames is how many frames are converted at once.
const writeFrames = 4096

// Writer writes a recording block by block. While it is being written, its
// header says that the length is not known yet, so that a recording that dies
// can be read as far as it went. It is not safe for concurrent use.
type Writer struct {
	w       *destination
	f       Format
	enc     *gowav.Encoder   // PCM
	ints    *audio.IntBuffer // PCM: one piece, interleaved
	bytes   []byte           // Float: one piece
	sizeAt  int64            // where the size of the data chunk stands
	data    int64            // bytes of samples written
	clipped int64
	err     error // what every later call returns
}

// NewWriter begins a recording at the start of w, which is not closed by it.
// Of f it takes Rate (whole Hz), Channels, Encoding and Bits: 8, 16, 24 or 32
// as PCM, 32 as Float; ContainerBytes may be left 0 and the rest is ignored.
// The limits of Reader hold.
func NewWriter(w io.WriteSeeker, f Format) (*Writer, error) {
	container := f.Bits / 8
	switch {
	case f.Channels < 1 || f.Channels > MaxChannels:
		return nil, fmt.Errorf("wav: writing %d channels: want 1 to %d", f.Channels, MaxChannels)
	case !(f.Rate >= MinRate && f.Rate <= MaxRate) || float64(f.Rate) != math.Trunc(float64(f.Rate)):
		return nil, fmt.Errorf("wav: writing %v samples per second: want a whole number from %.0f to %.0f", float64(f.Rate), MinRate, MaxRate)
	case f.Encoding == PCM && (f.Bits == 8 || f.Bits == 16 || f.Bits == 24 || f.Bits == 32):
	case f.Encoding == Float && f.Bits == 32:
	default:
		return nil, fmt.Errorf("wav: writing %d bits of %q: want 8, 16, 24 or 32 of %q, or 32 of %q", f.Bits, f.Encoding, PCM, Float)
	}
	if f.ContainerBytes != 0 && f.ContainerBytes != container {
		return nil, fmt.Errorf("wav: writing %d bits in %d bytes: want %d", f.Bits, f.ContainerBytes, container)
	}
	f = Format{Rate: f.Rate, Channels: f.Channels, Bits: f.Bits, ContainerBytes: container, Encoding: f.Encoding, Container: "RIFF"}
	wr := &Writer{w: &destination{WriteSeeker: w}, f: f}
	var err error
	if f.Encoding == Float {
		err = wr.beginFloat()
	} else {
		err = wr.beginPCM()
	}
	if err == nil {
		err = wr.patch(math.MaxUint32, math.MaxUint32, math.MaxUint32)
	}
	if err != nil {
		return nil, wr.failed("writing the header", err)
	}
	return wr, nil
}

// destination remembers its first error, since the encoder passes on only the
// text of some.
type destination struct {
	io.WriteSeeker
	err error
}

func (d *destination) Write(p []byte) (int, error) {
	n, err := d.WriteSeeker.Write(p)
	if d.err == nil {
		d.err = err
	}
	return n, err
}

func (d *destination) Seek(offset int64, whence int) (int64, error) {
	n, err := d.WriteSeeker.Seek(offset, whence)
	if d.err == nil {
		d.err = err
	}
	return n, err
}

// failed wraps an error met in doing something with the destination.
func (w *Writer) failed(doing string, err error) error {
	if w.w.err != nil {
		err = w.w.err
	}
	return fmt.Errorf("wav: %s: %w", doing, err)
}

func (w *Writer) beginPCM() error {
	// The encoder sets aside a minute of sound; told the true rate only
	// afterwards, it grows its buffer to one piece.
	w.enc = gowav.NewEncoder(w.w, 1, w.f.Bits, w.f.Channels, tagPCM)
	w.enc.SampleRate = int(w.f.Rate)
	w.ints = &audio.IntBuffer{
		Format:         &audio.Format{NumChannels: w.f.Channels, SampleRate: int(w.f.Rate)},
		SourceBitDepth: w.f.Bits,
		Data:           make([]int, 0, writeFrames*w.f.Channels),
	}
	w.sizeAt = 40
	return w.enc.Write(w.ints) // no samples: the header alone
}

func (w *Writer) beginFloat() error {
	var b []byte
	put16 := func(v int) { b = binary.LittleEndian.AppendUint16(b, uint16(v)) }
	put32 := func(v int) { b = binary.LittleEndian.AppendUint32(b, uint32(v)) }
	b = append(b, "RIFF\x00\x00\x00\x00WAVEfmt "...)
	put32(18)
	put16(tagFloat)
	put16(w.f.Channels)
	put32(int(w.f.Rate))
	put32(int(w.f.Rate) * w.f.FrameBytes())
	put16(w.f.FrameBytes())
	put16(w.f.Bits)
	put16(0)                 // no extension
	b = append(b, "fact"...) // formats other than PCM must have one
	put32(4)
	put32(0)
	b = append(b, "data"...)
	put32(0)
	w.sizeAt = int64(len(b)) - 4
	w.bytes = make([]byte, 0, writeFrames*w.f.FrameBytes())
	_, err := w.w.Write(b)
	return err
}

// patch fills in the sizes and returns to the end.
func (w *Writer) patch(riff, fact, data uint32) error {
	put := func(at int64, v uint32) error {
		if _, err := w.w.Seek(at, io.SeekStart); err != nil {
			return err
		}
		_, err := w.w.Write(binary.LittleEndian.AppendUint32(nil, v))
		return err
	}
	err := put(4, riff)
	if err == nil && w.f.Encoding == Float {
		err = put(w.sizeAt-8, fact)
	}
	if err == nil {
		err = put(w.sizeAt, data)
	}
	if err == nil {
		_, err = w.w.Seek(0, io.SeekEnd)
	}
	return err
}

// Write appends a block: one slice per channel, equally long, in fractions of
// full scale. Integers are rounded to nearest; what lies beyond the end stops
// of ±1 is set to the nearest value there is, and counted. (+1 itself is one
// step beyond the upper stop of an integer.) Floats are clipped at ±1 too. A
// value that is no number, a block of the wrong shape, and a recording that
// would grow beyond 4 GiB are errors, and nothing more is written after one.
func (w *Writer) Write(block [][]float64) error {
	if w.err == nil {
		w.err = w.write(block)
	}
	return w.err
}

func (w *Writer) write(block [][]float64) error {
	if len(block) != w.f.Channels {
		return fmt.Errorf("wav: writing a block of %d channels: want %d", len(block), w.f.Channels)
	}
	frames := len(block[0])
	for i, c := range block {
		if len(c) != frames {
			return fmt.Errorf("wav: writing a block of %d and %d samples in channels 1 and %d: want the same number", frames, len(c), i+1)
		}
	}
	if more := int64(frames) * int64(w.f.FrameBytes()); w.data+more > maxDataBytes {
		return fmt.Errorf("wav: %d bytes of samples and %d more: a WAV file holds %d", w.data, more, int64(maxDataBytes))
	}
	for at := 0; at < frames; at += writeFrames {
		n := min(frames-at, writeFrames)
		var err error
		if w.f.Encoding == Float {
			err = w.pieceFloat(block, at, n)
		} else {
			err = w.piecePCM(block, at, n)
		}
		if err != nil {
			return err
		}
		w.data += int64(n * w.f.FrameBytes())
	}
	return nil
}

func (w *Writer) piecePCM(block [][]float64, at, n int) error {
	d := w.ints.Data[:n*w.f.Channels]
	scale := math.Ldexp(1, w.f.Bits-1)
	zero := 0
	if w.f.Bits == 8 {
		zero = 128
	}
	for c, x := range block {
		j := c
		for i, v := range x[at : at+n] {
			v = math.RoundToEven(v * scale)
			switch {
			case v >= -scale && v <= scale-1:
			case v < 0:
				v = -scale
				w.clipped++
			case v > 0:
				v = scale - 1
				w.clipped++
			default:
				return notANumber(c, at+i)
			}
			d[j] = int(v) + zero
			j += w.f.Channels
		}
	}
	w.ints.Data = d
	if err := w.enc.Write(w.ints); err != nil {
		return w.failed("writing samples", err)
	}
	return nil
}

func (w *Writer) pieceFloat(block [][]float64, at, n int) error {
	b := w.bytes[:0]
	for i := at; i < at+n; i++ {
		for c, x := range block {
			v := x[i]
			switch {
			case v >= -1 && v <= 1:
			case v < 0:
				v = -1
				w.clipped++
			case v > 0:
				v = 1
				w.clipped++
			default:
				return notANumber(c, i)
			}
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
		}
	}
	if _, err := w.w.Write(b); err != nil {
		return w.failed("writing samples", err)
	}
	return nil
}

func notANumber(channel, frame int) error {
	return fmt.Errorf("wav: writing sample %d of channel %d of a block: not a number", frame, channel+1)
}

// Clipped returns how many samples were set to an end stop so far.
func (w *Writer) Clipped() int64 { return w.clipped }

// Frames returns how many frames were written so far.
func (w *Writer) Frames() int64 { return w.data / int64(w.f.FrameBytes()) }

// Close adds the pad byte where the samples need one and fills in the sizes.
// It does not close the destination. A recording that had an error in Write
// is finished with what was written, and the error returned again.
func (w *Writer) Close() error {
	if w.err == errClosed {
		return nil
	}
	failed := w.err
	w.err = errClosed
	err := w.end()
	if failed != nil {
		return failed
	}
	return err
}

var errClosed = errors.New("wav: writing to a recording that was closed")

func (w *Writer) end() error {
	if w.enc != nil {
		// It fills in its sizes, which leave out the pad byte.
		if err := w.enc.Close(); err != nil {
			return w.failed("finishing the recording", err)
		}
	}
	pad := w.data % 2
	if pad == 1 {
		if _, err := w.w.Write([]byte{0}); err != nil {
			return w.failed("finishing the recording", err)
		}
	}
	if err := w.patch(uint32(w.sizeAt+4+w.data+pad-8), uint32(w.Frames()), uint32(w.data)); err != nil {
		return w.failed("finishing the recording", err)
	}
	return nil
}
