package wav

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"

	"sparkscope/dsp"
)

// unknown is a data size that the header does not tell.
const unknown = -1

// maxFmtBytes bounds the format chunk; the longest in use have some 50 bytes.
const maxFmtBytes = 64 << 10

// limits are the sampling rates that are accepted, in Hz.
type limits struct{ minRate, maxRate dsp.Rate }

// header is what stands before the samples.
type header struct {
	Format
	order    binary.ByteOrder
	dataSize int64 // bytes of samples that the header promises, or unknown
	// placeholder is set when the size is one that recorders write before
	// they know it, so that an earlier end is no damage.
	placeholder bool
	remarks     []string
}

// parseHeader takes everything up to the first sample.
func parseHeader(s *source, lim limits) (header, error) {
	h := header{order: binary.LittleEndian}
	head := s.peek(12)
	if len(head) < 12 || string(head[8:]) != "WAVE" {
		return h, noWave(s)
	}
	h.Container = string(head[:4])
	switch h.Container {
	case "RIFF", "RF64", "BW64":
	case "RIFX":
		h.order, h.BigEndian = binary.BigEndian, true
	default:
		return h, noWave(s)
	}
	riffSize := h.order.Uint32(head[4:])
	s.take(12)

	var long uint64 // data size from a ds64 chunk
	haveFmt := false
	for {
		at := s.off
		head := s.peek(8)
		if len(head) < 8 {
			if err := s.broken(); err != nil {
				return h, fail("reading the header", s.off, err)
			}
			what := "its samples"
			if !haveFmt {
				what = "the description of its samples"
			}
			return h, refuse("this WAV file ends after %d bytes, before %s: it was cut off, so copy it again or record again", s.off+int64(len(head)), what)
		}
		id, size := string(head[:4]), int64(h.order.Uint32(head[4:]))
		if !plausibleID(head[:4]) {
			return h, refuse("the header of this WAV file is damaged at byte %d (%q where the name of a chunk is wanted): copy it again or record again", at, id)
		}
		s.take(8)
		switch {
		case id == "fmt " && !haveFmt:
			if err := h.parseFmt(s, at, size, lim); err != nil {
				return h, err
			}
			haveFmt = true
		case id == "data":
			if !haveFmt {
				return h, refuse("in this WAV file the samples come before their description, so they cannot be read: %s", advice)
			}
			return h, h.sizeOfData(s, size, int64(riffSize), long)
		case id == "ds64" && size >= 16 && s.fill(16) >= 16:
			long = h.order.Uint64(s.peek(16)[8:])
			s.skip(size)
		default:
			s.skip(size)
		}
		if size%2 == 1 {
			skipPad(s)
		}
	}
}

// noWave says what a source is that does not begin as a WAVE file.
func noWave(s *source) error {
	head := s.peek(512)
	if err := s.broken(); err != nil {
		return fail("reading the header", 0, err)
	}
	switch {
	case len(head) == 0:
		return refuse("this recording is empty (0 bytes): record again, and stop the recorder before copying the file")
	case len(head) >= 12 && (string(head[:4]) == "RIFF" || string(head[:4]) == "RIFX"):
		return refuse("this is a RIFF file that holds %q and not WAVE sound, perhaps a video: %s", head[8:12], advice)
	case len(head) < 12 && bytes.HasPrefix([]byte("RIFF"), head[:min(4, len(head))]):
		return refuse("this WAV file ends after %d bytes, within its header: it was cut off, so copy it again or record again", len(head))
	}
	return identify(head)
}

// parseFmt reads the fmt chunk, whose head at byte at was taken.
func (h *header) parseFmt(s *source, at, size int64, lim limits) error {
	if size < 16 || size > maxFmtBytes {
		return refuse("the header of this WAV file is damaged: its format chunk at byte %d claims %d bytes, and 16 to 40 are usual; copy it again or record again", at, size)
	}
	b := append([]byte(nil), s.peek(int(min(size, 40)))...)
	if s.skip(size) < size {
		if err := s.broken(); err != nil {
			return fail("reading the header", s.off, err)
		}
		return refuse("this WAV file ends after %d bytes, within the description of its samples: it was cut off, so copy it again or record again", s.off)
	}
	tag := h.order.Uint16(b)
	h.Channels = int(h.order.Uint16(b[2:]))
	h.Rate = dsp.Rate(h.order.Uint32(b[4:]))
	align := int(h.order.Uint16(b[12:]))
	bits := int(h.order.Uint16(b[14:]))
	valid := bits
	if tag == tagExtensible {
		if len(b) < 40 {
			return refuse("the header of this WAV file is damaged: an extensible format chunk of %d bytes, and 40 are wanted; %s", size, advice)
		}
		h.Extensible = true
		if v := int(h.order.Uint16(b[18:])); v > bits {
			h.remark("the header claims %d valid bits in samples of %d bits; all %d were taken", v, bits, bits)
		} else if v > 0 {
			valid = v
		}
		sub := h.order.Uint32(b[24:])
		if !bytes.Equal(b[28:40], guidTail(h.order)) || sub > 0xFFFF {
			return refuse("the sound in this WAV file is in a format that is not plain samples (sub-format %x): %s", b[24:40], advice)
		}
		tag = uint16(sub)
	}

	switch tag {
	case tagPCM:
		h.Encoding = PCM
	case tagFloat:
		h.Encoding = Float
	default:
		return wrongTag(tag)
	}
	if h.Channels < 1 || h.Channels > MaxChannels {
		return refuse("the header of this WAV file claims %d channels: 1 to %d can be measured", h.Channels, MaxChannels)
	}
	if h.Rate < lim.minRate || h.Rate > lim.maxRate {
		return refuse("the header of this WAV file claims %.0f samples per second: %.0f to %.0f can be measured", h.Rate, lim.minRate, lim.maxRate)
	}
	if bits < 1 || bits > 64 {
		return refuse("the header of this WAV file claims %d bits per sample: 8, 16, 24 or 32 are usual, 1 to 64 can be measured; %s", bits, advice)
	}
	if h.Encoding == Float && bits != 32 && bits != 64 {
		return refuse("the header of this WAV file claims floating-point samples of %d bits: 32 and 64 can be measured; %s", bits, advice)
	}
	h.Bits = valid
	least := (bits + 7) / 8
	h.ContainerBytes = align / h.Channels
	switch c := h.ContainerBytes; {
	case align%h.Channels != 0 || c < least || c > 8,
		c != least && (h.Encoding == Float || bits <= 8):
		return refuse("the header of this WAV file contradicts itself (%d channels of %d bits make %d bytes per frame, and it says %d): %s",
			h.Channels, bits, h.Channels*least, align, advice)
	}
	if h.Encoding == Float {
		h.Bits = bits // a float has no unused bits
	}
	return nil
}

// sizeOfData works out where the samples end, by the rule: the size is an
// upper bound; 0 and 0xFFFFFFFF (where no ds64 chunk tells better) mean until
// the source ends. (A bound that is a placeholder gives way, see goesOn.)
func (h *header) sizeOfData(s *source, size, riffSize int64, long uint64) error {
	h.dataSize = size
	switch {
	case (h.Container == "RF64" || h.Container == "BW64") && (size == math.MaxUint32 || size == 0):
		h.dataSize, h.placeholder = unknown, true
		if long > 0 && long <= math.MaxInt64 {
			h.dataSize, h.placeholder = int64(long), false
		}
	case size == 0 && h.finishedEmpty(s, riffSize):
		return refuse("this WAV file holds no samples: check that the recorder was recording from the right input, then record again")
	case size == 0 || size == math.MaxUint32:
		h.dataSize, h.placeholder = unknown, true
	case size >= 0x7FFFE000 && size <= 0x80000000, size >= 0xFFFFF000:
		// What programs that write to a pipe put where the size belongs: the
		// largest the field holds, signed or not, rounded down to frames or
		// to blocks of 4096.
		h.placeholder = true
	}
	frame := h.FrameBytes()
	if n := s.fill(frame); n < frame || h.dataSize != unknown && h.dataSize < int64(frame) {
		if err := s.broken(); err != nil {
			return fail("reading the first sample", s.off, err)
		}
		return refuse("this WAV file has a header of %d bytes and no samples: check that the recorder was recording from the right input, then record again", s.off)
	}
	return nil
}

// finishedEmpty reports whether a data chunk of size 0 is meant: the RIFF
// size reaches beyond it, and a chunk stands there that fits.
func (h *header) finishedEmpty(s *source, riffSize int64) bool {
	end := riffSize + 8
	if riffSize == math.MaxUint32 || end <= s.off {
		return false
	}
	b := s.peek(8)
	return len(b) == 8 && plausibleID(b[:4]) && s.off+8+int64(h.order.Uint32(b[4:])) <= end
}

// skipPad takes the byte that fills a chunk of odd size, if the writer did not
// forget it.
func skipPad(s *source) {
	b := s.peek(5)
	if len(b) == 0 {
		return
	}
	missing := b[0] != 0 && len(b) == 5 && !knownID[string(b[1:5])] && plausibleID(b[:4])
	if !missing {
		s.take(1)
	}
}

// knownID are the chunk names by which a missing pad byte, or a present one
// that is not zero, is told.
var knownID = map[string]bool{
	"fmt ": true, "data": true, "LIST": true, "fact": true, "bext": true, "JUNK": true, "junk": true,
	"cue ": true, "smpl": true, "inst": true, "id3 ": true, "ID3 ": true, "iXML": true, "PEAK": true,
	"PAD ": true, "FLLR": true, "ds64": true, "axml": true, "chna": true, "minf": true, "afsp": true, "_PMX": true,
}

// plausibleID reports whether b can be the name of a chunk: four printable
// ASCII characters, no blank in front.
func plausibleID(b []byte) bool {
	for _, c := range b {
		if c < ' ' || c > '~' {
			return false
		}
	}
	return b[0] != ' '
}

// fail wraps an error of the source, which is no statement about the
// recording.
func fail(doing string, off int64, err error) error {
	return fmt.Errorf("wav: %s at byte %d: %w", doing, off, err)
}

func (h *header) remark(format string, args ...any) {
	h.remarks = append(h.remarks, fmt.Sprintf(format, args...))
}
