// Package fingerprint names a recording by its samples: a copy under another
// name, or in another container that holds the same values, has the same
// fingerprint, and one that was cut, filtered or made louder has another.
//
// A fingerprint is the SHA-256 (FIPS 180-4) of
//
//	sparkscope samples 1\n
//	RATE Hz, CHANNELS channels\n
//
// followed by every frame in order, and in it every channel's sample as an
// IEEE 754 number of 32 bits, low byte first: a fraction of full scale, so that
// 16 bits and the same in 24 are alike, and zero always as +0.
package fingerprint

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"math"
	"strconv"

	"sparkscope/dsp"
)

// Sum is a fingerprint in the making.
type Sum struct {
	h        hash.Hash
	channels int
	buf      []byte // frames, ready to be hashed
}

// New begins the fingerprint of a recording with that many channels, at least 1.
func New(rate dsp.Rate, channels int) *Sum {
	s := &Sum{h: sha256.New(), channels: channels}
	fmt.Fprintf(s.h, "sparkscope samples 1\n%s Hz, %d channels\n", strconv.FormatFloat(float64(rate), 'f', -1, 64), channels)
	return s
}

// Push takes the next frames of all channels: data has a slice for each, at
// least frames long, of fractions of full scale. How a recording is cut into
// blocks makes no difference. It panics on another number of channels.
func (s *Sum) Push(data [][]float32, frames int) {
	if len(data) != s.channels {
		panic(fmt.Sprintf("fingerprint: %d channels: want %d", len(data), s.channels))
	}
	const most = 4096 // frames at a time
	for at := 0; at < frames; at += most {
		n := min(most, frames-at)
		if need := 4 * n * s.channels; cap(s.buf) < need {
			s.buf = make([]byte, need)
		}
		b := s.buf[:4*n*s.channels]
		for c, x := range data {
			o := 4 * c
			for _, v := range x[at : at+n] {
				binary.LittleEndian.PutUint32(b[o:], math.Float32bits(v+0)) // -0 + 0 is +0
				o += 4 * s.channels
			}
		}
		s.h.Write(b)
	}
}

// String is the fingerprint of what was pushed so far: 64 hexadecimal digits.
func (s *Sum) String() string { return hex.EncodeToString(s.h.Sum(nil)) }
