// Package flac turns FLAC bytes into blocks of samples per channel, with the
// reading interface of dsp/wav.
//
// Decoding is github.com/mewkiz/flac's. This package adds what a measurement
// needs around it: a stream that is cut off or damaged is read as far as it is
// whole, and says so; nothing is allocated by what a header claims; a decoder
// that panics on damaged bytes ends the recording and not the program; and the
// checksum of all samples, which every usual encoder writes into the header, is
// held against what was decoded.
//
// The format is that of RFC 9639 (2024).
package flac

import (
	"bufio"
	"bytes"
	"crypto/md5"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"

	"sparkscope/dsp"
	"sparkscope/dsp/wav"
)

// Magic is what every FLAC stream begins with.
const Magic = "fLaC"

// maxBits is the most bits of a sample that the decoder takes; more exist since
// 2022, for converters that do not.
const maxBits = 24

// infoBytes is the length of the block that describes the stream (RFC 9639,
// 8.2); typeInfo is its type.
const (
	infoBytes = 34
	typeInfo  = 0
)

const (
	advice = "save or export the recording again, as WAV or FLAC with 16 or 24 bit"
	again  = "copy it again or record again"
)

// refusal is an error for which errors.Is(err, wav.ErrNotRecording) holds.
type refusal struct{ text string }

func (e *refusal) Error() string        { return "flac: " + e.text }
func (e *refusal) Is(target error) bool { return target == wav.ErrNotRecording }

func refuse(format string, args ...any) error { return &refusal{fmt.Sprintf(format, args...)} }

// Reader reads a recording from front to back, once. It holds a fixed amount of
// memory, whatever the header claims and however long the recording is. It is
// not safe for concurrent use.
type Reader struct {
	src     *watched
	stream  *flac.Stream
	format  wav.Format
	now     [][]int32 // the frame in hand, one slice per channel
	at      int       // samples of it handed out
	scale   float32
	decoded int64 // samples per channel decoded
	sum     hash.Hash
	pack    []byte // samples as the checksum takes them
	remarks []string
	err     error // what Read returns once now is used up
}

// NewReader reads the header and the first frame of a recording. It never
// seeks.
//
// The error is wav.ErrNotRecording (errors.Is) when r holds something else, or
// a recording without samples or outside of what wav.Format can say; otherwise
// it wraps r's own.
func NewReader(r io.Reader) (*Reader, error) {
	w := &watched{r: r}
	b := bufio.NewReaderSize(w, 1<<16)
	head, _ := b.Peek(8)
	switch {
	case w.err != nil:
		return nil, fmt.Errorf("flac: reading the header: %w", w.err)
	case len(head) < 8 && bytes.HasPrefix([]byte(Magic), head[:min(4, len(head))]):
		return nil, refuse("this FLAC file ends after %d bytes, within its header: it was cut off, so %s", len(head), again)
	case len(head) < 8 || string(head[:4]) != Magic:
		return nil, refuse("this does not begin like a FLAC recording (%q where %s is wanted): %s", head[:min(4, len(head))], Magic, advice)
	case head[4]&0x7f != typeInfo || head[5] != 0 || head[6] != 0 || head[7] != infoBytes:
		return nil, refuse("the header of this FLAC file is damaged, it does not say what its samples are: %s", again)
	}
	s, err := open(b)
	if err != nil {
		if w.err != nil {
			return nil, fmt.Errorf("flac: reading the header: %w", w.err)
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil, refuse("this FLAC file ends within its header: it was cut off, so %s", again)
		}
		return nil, refuse("the header of this FLAC file is damaged: %s", again)
	}
	i := s.Info
	f := wav.Format{
		Rate: dsp.Rate(i.SampleRate), Channels: int(i.NChannels), Bits: int(i.BitsPerSample),
		ContainerBytes: (int(i.BitsPerSample) + 7) / 8, Encoding: wav.PCM, Container: "FLAC",
	}
	switch {
	case f.Rate < wav.MinRate || f.Rate > wav.MaxRate:
		return nil, refuse("the header of this FLAC file claims %.0f samples per second: %.0f to %.0f can be measured", f.Rate, wav.MinRate, wav.MaxRate)
	case f.Bits > maxBits:
		return nil, refuse("this FLAC file has %d bits per sample, and up to %d can be read: %s", f.Bits, maxBits, advice)
	}
	rd := &Reader{src: w, stream: s, format: f, scale: 1 / float32(int64(1)<<(f.Bits-1)), now: make([][]int32, f.Channels), sum: md5.New()}
	rd.next()
	if rd.decoded == 0 {
		if w.err != nil {
			return nil, fmt.Errorf("flac: reading the first sample: %w", w.err)
		}
		return nil, refuse("this FLAC file has a header and no whole sample behind it: check that the recorder was recording from the right input, then record again")
	}
	return rd, nil
}

// Format describes the samples; Container is FLAC.
func (r *Reader) Format() wav.Format { return r.format }

// Remarks returns, one sentence each, what the user must know about the
// recording although it could be read. They are complete once Read has returned
// io.EOF.
func (r *Reader) Remarks() []string { return append([]string(nil), r.remarks...) }

// Read fills dst, one slice per channel and all equally long, with the next
// samples as fractions of full scale: an integer v of n bits becomes v/2^(n-1).
//
// It returns the number of frames, which is len(dst[0]) except before the end or
// an error of the source, and at the end 0 and io.EOF. It panics when dst does
// not have one slice per channel, equally long.
func (r *Reader) Read(dst [][]float32) (frames int, err error) {
	if len(dst) != r.format.Channels {
		panic(fmt.Sprintf("flac: Read into %d channels: the recording has %d", len(dst), r.format.Channels))
	}
	want := len(dst[0])
	for _, c := range dst {
		if len(c) != want {
			panic(fmt.Sprintf("flac: Read into channels of %d and %d frames: want the same length", want, len(c)))
		}
	}
	for frames < want {
		if r.at == len(r.now[0]) {
			if r.err == nil {
				r.next()
			}
			if r.err != nil {
				break
			}
		}
		n := min(want-frames, len(r.now[0])-r.at)
		for c, d := range dst {
			d = d[frames : frames+n]
			for i, v := range r.now[c][r.at : r.at+n] {
				d[i] = float32(v) * r.scale
			}
		}
		r.at += n
		frames += n
	}
	if frames == 0 && want > 0 {
		return 0, r.err
	}
	return frames, nil
}

// next decodes the next frame, or sets err and says how the recording ended.
func (r *Reader) next() {
	r.at = 0
	for c := range r.now {
		r.now[c] = nil
	}
	// What stands behind the last sample that was promised is no sound: a tag of
	// another kind, as some programs append.
	total := int64(r.stream.Info.NSamples)
	if total > 0 && r.decoded >= total {
		r.end(nil)
		return
	}
	f, err := parse(r.stream)
	if err == nil {
		err = r.fits(f)
	}
	if err != nil {
		r.end(err)
		return
	}
	for c, s := range f.Subframes {
		r.now[c] = s.Samples
	}
	r.decoded += int64(len(r.now[0]))
	r.check()
}

// errOther is a frame that is not of the stream.
var errOther = errors.New("a frame of another kind")

// fits holds a frame to what the header says of all.
func (r *Reader) fits(f *frame.Frame) error {
	if len(f.Subframes) != r.format.Channels ||
		f.SampleRate != 0 && dsp.Rate(f.SampleRate) != r.format.Rate ||
		f.BitsPerSample != 0 && int(f.BitsPerSample) != r.format.Bits {
		return errOther
	}
	for _, s := range f.Subframes {
		if len(s.Samples) != int(f.BlockSize) || f.BlockSize == 0 {
			return errOther
		}
	}
	return nil
}

// check adds the frame in hand to the checksum, in the order and form of RFC
// 9639, 8.2: little-endian, channel by channel.
func (r *Reader) check() {
	size := r.format.ContainerBytes
	n := len(r.now[0]) * len(r.now) * size
	if cap(r.pack) < n {
		r.pack = make([]byte, n)
	}
	b := r.pack[:n]
	k := 0
	for i := range r.now[0] {
		for _, c := range r.now {
			v := c[i]
			for range size {
				b[k] = byte(v)
				v >>= 8
				k++
			}
		}
	}
	r.sum.Write(b)
}

// end says how the recording ended: err is what the decoder said, nil where all
// that was promised is there.
func (r *Reader) end(err error) {
	r.err = io.EOF
	if r.src.err != nil {
		r.err = fmt.Errorf("flac: reading samples: %w", r.src.err)
		return
	}
	i := r.stream.Info
	seconds := func(n int64) float64 { return float64(n) / float64(r.format.Rate) }
	total := int64(i.NSamples)
	cut := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
	switch {
	case err == nil || err == io.EOF && total == 0:
		if i.MD5sum != [md5.Size]byte{} && !bytes.Equal(i.MD5sum[:], r.sum.Sum(nil)) {
			r.remark("the checksum of all samples is not the one in the header of this FLAC file: it was damaged, or made by a program with a fault. Compare it with the original")
		}
	case cut && total > 0:
		r.remark("the recording is cut short: its header promises %d samples per channel (%.3f s) and %d (%.3f s) are there; measured as far as it goes", total, seconds(total), r.decoded, seconds(r.decoded))
	case cut:
		r.remark("the recording is cut off within a block of samples; measured up to there, %.3f s", seconds(r.decoded))
	case total > 0:
		r.remark("the FLAC file is damaged behind %.3f s of %.3f s; measured up to there. If there is another copy, use that", seconds(r.decoded), seconds(total))
	default:
		r.remark("the FLAC file is damaged behind %.3f s; measured up to there. If there is another copy, use that", seconds(r.decoded))
	}
}

func (r *Reader) remark(format string, args ...any) {
	r.remarks = append(r.remarks, fmt.Sprintf(format, args...))
}

// errDamaged stands for a panic of the decoder.
var errDamaged = errors.New("damaged")

// open and parse are the decoder's, which panics on some damaged bytes.
func open(r io.Reader) (s *flac.Stream, err error) {
	defer func() {
		if recover() != nil {
			s, err = nil, errDamaged
		}
	}()
	return flac.New(r)
}

func parse(s *flac.Stream) (f *frame.Frame, err error) {
	defer func() {
		if recover() != nil {
			f, err = nil, errDamaged
		}
	}()
	return s.ParseNext()
}

// watched remembers an error of the source that is not its end: the decoder
// does not always hand it on as it was.
type watched struct {
	r   io.Reader
	err error
}

func (w *watched) Read(p []byte) (int, error) {
	n, err := w.r.Read(p)
	if err != nil && err != io.EOF {
		w.err = err
	}
	return n, err
}
