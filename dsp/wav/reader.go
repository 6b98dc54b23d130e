package wav

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/bits"
)

// Reader reads a recording from front to back, once. It holds a fixed amount
// of memory, whatever the header claims and however long the recording is.
// It is not safe for concurrent use.
type Reader struct {
	src    source
	head   header
	left   int64 // bytes of samples not read yet; math.MaxInt64 when unknown
	frames int64 // frames handed out
	shift  int   // bits by which samples sit too low in their containers
	bad    int64 // samples that were no numbers
	err    error // what every later Read returns
}

// NewReader reads the header of a recording up to the first sample. It never
// seeks, and waits for no more of r than it needs: the header, one frame, and
// the first placementWindow samples where their place in the container is in
// doubt. Further reads of r may take up to 256 KiB at a time.
//
// The error is ErrNotRecording (errors.Is) when r holds something else, or a
// recording without samples or outside of what Format can say; otherwise it
// wraps r's own.
func NewReader(r io.Reader) (*Reader, error) {
	return newReader(r, limits{MinRate, MaxRate})
}

func newReader(src io.Reader, lim limits) (*Reader, error) {
	r := &Reader{src: newSource(src)}
	h, err := parseHeader(&r.src, lim)
	if err != nil {
		return nil, err
	}
	r.head, r.left = h, h.dataSize
	if r.left == unknown {
		r.left = math.MaxInt64
	}
	r.findPlacement()
	return r, nil
}

// Format describes the samples.
func (r *Reader) Format() Format { return r.head.Format }

// DeclaredFrames returns how many sample frames the header promises; known is
// false when it does not tell, as from a pipe or a recorder that was never
// stopped. Fewer may come; more never do where it is known.
func (r *Reader) DeclaredFrames() (n int64, known bool) {
	if r.head.dataSize == unknown || r.head.placeholder {
		return 0, false
	}
	return r.head.dataSize / int64(r.head.FrameBytes()), true
}

// Remarks returns, one sentence each, what the user must know about the
// recording although it could be read. They are complete once Read has
// returned io.EOF.
func (r *Reader) Remarks() []string { return append([]string(nil), r.head.remarks...) }

// Read fills dst, one slice per channel and all equally long, with the next
// samples as fractions of full scale: an integer v of n bits becomes
// v/2^(n-1), of up to 8 bits (v-128)/128; floats stay as they are, even above
// 1, and those that are no finite float32 become 0 and are counted in a
// remark. Integers of more than 24 bits are rounded to nearest.
//
// It returns the number of frames, which is len(dst[0]) except before the end
// or an error of the source, and at the end 0 and io.EOF. The samples do not
// depend on how the source splits its reads nor on the length of dst. It
// panics when dst does not have one slice per channel, equally long.
func (r *Reader) Read(dst [][]float32) (frames int, err error) {
	if len(dst) != r.head.Channels {
		panic(fmt.Sprintf("wav: Read into %d channels: the recording has %d", len(dst), r.head.Channels))
	}
	want := len(dst[0])
	for _, c := range dst {
		if len(c) != want {
			panic(fmt.Sprintf("wav: Read into channels of %d and %d frames: want the same length", want, len(c)))
		}
	}
	if r.err != nil {
		return 0, r.err
	}
	size := r.head.FrameBytes()
	for frames < want {
		n := int(min(int64(want-frames), r.left/int64(size)))
		if n > 0 {
			// Whatever whole frames are buffered, so that nothing is moved
			// within the buffer but a split frame.
			n = min(n, r.src.fill(size)/size)
		}
		if n == 0 && r.goesOn() {
			r.left = math.MaxInt64
			continue
		}
		if n == 0 {
			r.err = r.finish()
			break
		}
		b := r.src.take(n * size)
		r.left -= int64(n * size)
		r.decode(dst, frames, b, n)
		frames += n
		r.frames += int64(n)
	}
	if frames == 0 && want > 0 {
		return 0, r.err
	}
	return frames, nil
}

// goesOn reports whether a stream has reached the size that stands in its
// header as a placeholder, and the samples go on: a live source lasts longer
// than 2 GiB, and what follows is no chunk.
func (r *Reader) goesOn() bool {
	if r.left >= int64(r.head.FrameBytes()) || !r.head.placeholder {
		return false
	}
	const ahead = 8
	b := r.src.peek(int(r.left) + ahead)
	return len(b) == int(r.left)+ahead && !plausibleID(b[r.left:][:4]) && !plausibleID(b[r.left:][1:5])
}

// finish is called once, at the last whole frame: it says how the recording
// ended.
func (r *Reader) finish() error {
	h := &r.head
	size := int64(h.FrameBytes())
	early := r.left >= size
	if err := r.src.broken(); err != nil && early {
		return fail("reading samples", r.src.off+int64(r.src.fill(0)), err)
	}
	part := r.src.skip(min(r.left, size)) // bytes of a frame that is not whole
	frames := r.frames
	seconds := func(n int64) float64 { return float64(n) / float64(h.Rate) }
	switch {
	case early && (h.dataSize == unknown || h.placeholder):
		h.remark("the header was never finished (the recording came through a pipe, or the recorder was not stopped): measured up to the end, %.3f s", seconds(frames))
	case early:
		declared := h.dataSize / size
		h.remark("the recording is cut short: its header promises %d samples per channel (%.3f s) and %d (%.3f s) are there; measured as far as it goes",
			declared, seconds(declared), frames, seconds(frames))
	}
	if part > 0 {
		h.remark("the last sample is incomplete (%d of %d bytes) and was left out", part, size)
	}
	if !early {
		r.readTail()
	}
	if r.bad > 0 {
		h.remark("%d samples are not numbers (NaN or infinite) and were taken as 0: the program that wrote them has a fault", r.bad)
	}
	return io.EOF
}

// maxTailBytes bounds how far the bytes after the samples are followed.
const maxTailBytes = 64 << 20

// readTail looks at what follows the samples.
func (r *Reader) readTail() {
	h, s := &r.head, &r.src
	if h.dataSize%2 == 1 {
		skipPad(s)
	}
	end := s.off + maxTailBytes
	more := false // more samples follow in a chunk of their own
	for s.off < end {
		b := s.peek(8)
		if len(b) < 8 || !plausibleID(b[:4]) {
			break
		}
		size := int64(h.order.Uint32(b[4:]))
		more = more || string(b[:4]) == "data"
		s.take(8)
		if s.skip(min(size, end-s.off)); size%2 == 1 {
			skipPad(s)
		}
	}
	if more {
		h.remark("the file holds a second block of sound behind the first; only the first was measured")
	}
	if n := s.skip(end - s.off); s.off >= end {
		h.remark("the file goes on for more than %d MiB behind the samples that its header promises; they were left out", maxTailBytes>>20)
	} else if n > 0 {
		h.remark("the file goes on for %d bytes behind the samples that its header promises; they were left out", n)
	}
}

// placementWindow is how many samples are looked at to find where they sit in
// containers that are larger than they need.
const placementWindow = 4096

// findPlacement finds out whether samples smaller than their containers sit at
// the upper end, as the rule for extensible headers has it, or at the lower
// end, with or without the sign extended, as some recorders and converters
// write them. The low place is taken only where the upper bits of all samples
// in the window are unused and the lower ones are not.
func (r *Reader) findPlacement() {
	h := &r.head
	c := h.ContainerBytes
	spare := 8*c - h.Bits
	if h.Encoding == Float || spare == 0 || c == 1 {
		return
	}
	size := h.FrameBytes()
	n := placementWindow / h.Channels * size
	if int64(n) > r.left {
		n = int(r.left)
	}
	b := r.src.peek(n)
	low := false
	for ; len(b) >= c; b = b[c:] {
		v := h.container(b)
		low = low || v&(1<<spare-1) != 0
		top := int64(v<<(64-8*c)) >> (63 - spare) // spare bits and the sign
		zero := uint64(v)<<(64-8*c)>>(64-spare) == 0
		if !zero && top != -1 {
			return
		}
	}
	if low {
		r.shift = spare
		h.remark("the %d-bit samples sit in the low end of %d-bit words, against the rule for WAV; they were read as such", h.Bits, 8*c)
	}
}

// container returns the bits of one integer sample.
func (h *header) container(b []byte) uint64 {
	var v uint64
	for i := 0; i < h.ContainerBytes; i++ {
		if h.BigEndian {
			v = v<<8 | uint64(b[i])
		} else {
			v |= uint64(b[i]) << (8 * i)
		}
	}
	return v
}

// decode turns n frames of b into samples from dst[c][at] on. It may change b.
func (r *Reader) decode(dst [][]float32, at int, b []byte, n int) {
	h := &r.head
	if h.BigEndian {
		swap(b, h.ContainerBytes)
	}
	if r.shift > 0 {
		lift(b, h.ContainerBytes, r.shift)
	}
	if h.Channels == 2 {
		left, right := dst[0][at:at+n], dst[1][at:at+n]
		switch {
		case h.ContainerBytes == 2:
			stereo16(left, right, b)
			return
		case h.ContainerBytes == 3:
			stereo24(left, right, b[:len(b):len(b)+slack])
			return
		case h.ContainerBytes == 4 && h.Encoding == PCM:
			stereo32(left, right, b)
			return
		case h.ContainerBytes == 4:
			r.bad += stereoFloat(left, right, b)
			return
		}
	}
	c, stride := h.ContainerBytes, h.FrameBytes()
	for i, d := range dst {
		d, b := d[at:at+n], b[i*c:]
		switch {
		case h.Encoding == Float && c == 4:
			r.bad += float4(d, b, stride)
		case h.Encoding == Float:
			r.bad += float8(d, b, stride)
		case c == 1:
			pcm8(d, b, stride)
		case c == 2:
			pcm16(d, b, stride)
		case c == 3:
			pcm24(d, b, stride)
		case c == 4:
			pcm32(d, b, stride)
		default:
			pcmWide(d, b, stride, c)
		}
	}
}

// swap turns the bytes of every sample of c bytes around.
func swap(b []byte, c int) {
	switch c {
	case 1:
	case 2:
		for ; len(b) >= 2; b = b[2:] {
			binary.LittleEndian.PutUint16(b, binary.BigEndian.Uint16(b))
		}
	case 4:
		for ; len(b) >= 4; b = b[4:] {
			binary.LittleEndian.PutUint32(b, binary.BigEndian.Uint32(b))
		}
	case 8:
		for ; len(b) >= 8; b = b[8:] {
			binary.LittleEndian.PutUint64(b, bits.ReverseBytes64(binary.LittleEndian.Uint64(b)))
		}
	default:
		for ; len(b) >= c; b = b[c:] {
			for i, j := 0, c-1; i < j; i, j = i+1, j-1 {
				b[i], b[j] = b[j], b[i]
			}
		}
	}
}

// lift moves every little-endian sample of c bytes up by shift bits.
func lift(b []byte, c, shift int) {
	for ; len(b) >= c; b = b[c:] {
		var v uint64
		for i := 0; i < c; i++ {
			v |= uint64(b[i]) << (8 * i)
		}
		v <<= shift
		for i := 0; i < c; i++ {
			b[i] = byte(v >> (8 * i))
		}
	}
}
