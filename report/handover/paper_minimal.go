//go:build minimal

package handover

import (
	"errors"
	"io"
)

// PDF refuses: a program built with the tag minimal, as that of the page is,
// writes pages alone, and is smaller by the writer of PDF.
func PDF(io.Writer, Content) error {
	return errors.New("handover: this program writes no PDF")
}
