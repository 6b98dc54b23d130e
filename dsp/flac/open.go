package flac

import (
	"bufio"
	"io"

	"sparkscope/dsp/wav"
)

// Recording hands out the samples of a recording, whatever it is kept in: as
// wav.Reader and Reader do.
type Recording interface {
	Read(dst [][]float32) (int, error)
	Format() wav.Format
	// Remarks are what the user must know about the recording although it could
	// be read, complete once Read has returned io.EOF.
	Remarks() []string
}

// Open reads the header of a recording, WAV or FLAC: its first bytes decide, not
// its name. It waits for no more of r than that takes.
func Open(r io.Reader) (Recording, error) {
	// The buffer is the smallest there is, so that a reader behind it gets what
	// it asks for straight from r.
	b := bufio.NewReaderSize(r, 16)
	if head, err := b.Peek(len(Magic)); err == nil && string(head) == Magic {
		// Not a bare *Reader: a nil one would be no nil Recording.
		f, err := NewReader(b)
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
