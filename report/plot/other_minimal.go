//go:build minimal

package plot

import (
	"errors"
	"io"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// writeOther refuses: a program built with the tag minimal, as that of the page
// is, draws SVG alone, and is smaller by the other formats' writers.
func writeOther(io.Writer, Format, string, vg.Length, vg.Length, func(draw.Canvas)) error {
	return errors.New("plot: this program draws SVG only")
}
