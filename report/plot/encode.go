package plot

import (
	"bytes"
	"io"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// latinCanvas hands text to the PDF writer in Windows-1252, which is how that
// writer reads it; UTF-8 would come out as two wrong characters each.
type latinCanvas struct{ vg.Canvas }

// FillString implements vg.Canvas.
func (c latinCanvas) FillString(f font.Face, at vg.Point, s string) {
	if f.Font.Weight == bold {
		// The PDF writer registers a bold face under a name by which it does
		// not find it again.
		f = fonts.Lookup(style(f.Font.Size, false).Font, f.Font.Size)
	}
	c.Canvas.FillString(f, at, windows1252(s))
}

// windows1252 encodes s; what the encoding lacks becomes a question mark.
func windows1252(s string) string {
	out := make([]byte, 0, len(s))
	for _, r := range s {
		switch {
		case r < 0x80 || r >= 0xa0 && r <= 0xff:
			out = append(out, byte(r))
		case r == '–':
			out = append(out, 0x96)
		case r == '—':
			out = append(out, 0x97)
		case r == '…':
			out = append(out, 0x85)
		case r == '‘':
			out = append(out, 0x91)
		case r == '’':
			out = append(out, 0x92)
		case r == '“':
			out = append(out, 0x93)
		case r == '”':
			out = append(out, 0x94)
		default:
			out = append(out, '?')
		}
	}
	return string(out)
}

// writeSVG writes the picture with a generic font behind the named one, since
// an SVG does not carry its fonts along.
func writeSVG(w io.Writer, c io.WriterTo) error {
	var buf bytes.Buffer
	if _, err := c.WriteTo(&buf); err != nil {
		return err
	}
	b := bytes.ReplaceAll(buf.Bytes(), []byte("font-family:Liberation Sans"), []byte("font-family:'Liberation Sans',sans-serif"))
	_, err := w.Write(b)
	return err
}
