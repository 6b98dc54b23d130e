package main

import (
	"bufio"
	"io"

	"sparkscope/dsp/flac"
	"sparkscope/dsp/wav"
)

// recording hands out the samples of a recording, whatever it is kept in.
type recording interface {
	blockSource
	Format() wav.Format
	// Remarks are what the user must know about the recording although it could
	// be read, complete once Read has returned io.EOF.
	Remarks() []string
}

// openSamples reads the header of a recording, WAV or FLAC: its first bytes
// decide, not its name. It waits for no more of r than that takes.
func openSamples(r io.Reader) (recording, error) {
	// The buffer is the smallest there is, so that a reader behind it gets what
	// it asks for straight from r.
	b := bufio.NewReaderSize(r, 16)
	if head, err := b.Peek(len(flac.Magic)); err == nil && string(head) == flac.Magic {
		// Not a bare *flac.Reader: a nil one would be no nil recording.
		f, err := flac.NewReader(b)
		if err != nil {
			return nil, err
		}
		return f, nil
	}
	w, err := wav.NewReader(b)
	if err != nil {
		return nil, err
	}
	return w, nil
}
