// Package wav turns RIFF/WAVE bytes into blocks of samples per channel, and
// back.
//
// Reading is this package's own work, over an io.Reader: the recordings that
// matter come from pipes, from recorders that died before they wrote the sizes
// into the header, as floats, as RF64. github.com/go-audio/wav, measured
// against such input, returns wrong values without an error (floats as integer
// bit patterns, mu-law as linear, swapped channels after a short read from a
// pipe, no samples at all where a size was never filled in) and can be made to
// allocate what a header claims. Writing is that library's: its encoder stores
// the right values. Writer mends what it leaves open (the pad byte, the sizes
// while the recording is still running) and adds 32-bit float.
//
// The chunk layout follows the Multimedia Programming Interface and Data
// Specifications 1.0 (1991), the extensible format and its sample containers
// the published description of WAVEFORMATEXTENSIBLE, and the 64-bit sizes EBU
// Tech 3306 (RF64) and ITU-R BS.2088 (BW64).
package wav

import (
	"errors"
	"fmt"

	"sparkscope/dsp"
)

// Encoding says what the bits of a sample mean.
type Encoding string

const (
	// PCM is a signed integer (unsigned, 128 in the middle, up to 8 bits).
	PCM Encoding = "pcm"
	// Float is an IEEE 754 binary32 or binary64 number, full scale at 1.
	Float Encoding = "float"
)

// Format describes the samples of a recording.
type Format struct {
	Rate           dsp.Rate // samples per second of each channel, Hz
	Channels       int      // 1 to MaxChannels
	Bits           int      // valid bits per sample: 1 to 64 (PCM), 32 or 64 (Float)
	ContainerBytes int      // bytes one sample takes in the file, 1 to 8
	Encoding       Encoding // PCM or Float
	Extensible     bool     // the header was of the extensible kind
	BigEndian      bool     // RIFX: the most significant byte comes first
	Container      string   // RIFF, RIFX, RF64 or BW64
}

// FrameBytes is the number of bytes that one sample of every channel takes.
func (f Format) FrameBytes() int { return f.Channels * f.ContainerBytes }

// The recordings that are accepted. What lies outside is refused with the
// value and the limit, since a header that says so is far more often damaged
// than true.
const (
	MaxChannels = 8               // most channels
	MinRate     = dsp.Rate(8000)  // lowest sampling rate, Hz
	MaxRate     = dsp.Rate(384e3) // highest sampling rate, Hz
)

// ErrNotRecording marks, for errors.Is, every error that says: these bytes are
// no recording that can be measured. The error's text is one sentence that
// says what they are instead, and what to do.
var ErrNotRecording = errors.New("wav: not a recording that can be measured")

// refusal is an error that is ErrNotRecording.
type refusal struct{ text string }

func (e *refusal) Error() string        { return "wav: " + e.text }
func (e *refusal) Is(target error) bool { return target == ErrNotRecording }

func refuse(format string, args ...any) error {
	return &refusal{fmt.Sprintf(format, args...)}
}
