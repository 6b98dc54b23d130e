package print

import (
	"bufio"
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// svgType is the type's family. Those behind it are as wide, letter by letter.
const svgType = "'Liberation Sans',Arimo,Arial,Helvetica,sans-serif"

// WriteSVG writes page n, from 1, with its size in millimetres and one unit to
// the millimetre. Text is text in the named type, which the file does not hold.
func (d *Document) WriteSVG(w io.Writer, n int) error {
	if n < 1 || n > len(d.pages) {
		return fmt.Errorf("print: page %d of %d: there is none", n, len(d.pages))
	}
	g := d.pages[n-1]
	b := bufio.NewWriter(w)
	title := d.title
	if len(d.pages) > 1 {
		title += fmt.Sprintf(", page %d of %d", n, len(d.pages))
	}
	fmt.Fprintf(b, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")
	fmt.Fprintf(b, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%smm\" height=\"%smm\" viewBox=\"0 0 %s %s\" font-family=\"%s\" fill=\"none\">\n",
		num(g.w), num(g.h), num(g.w), num(g.h), svgType)
	fmt.Fprintf(b, "<title>%s</title>\n", escape(title))
	fmt.Fprintf(b, "<rect width=\"%s\" height=\"%s\" fill=\"#fff\"/>\n", num(g.w), num(g.h))
	for _, it := range g.items {
		switch it := it.(type) {
		case line:
			dash := ""
			if it.dashed {
				dash = fmt.Sprintf(" stroke-dasharray=\"%s\"", num(dash1)+" "+num(dash2))
			}
			fmt.Fprintf(b, "<line x1=\"%s\" y1=\"%s\" x2=\"%s\" y2=\"%s\" stroke=\"%s\" stroke-width=\"%s\"%s/>\n",
				num(it.a.x), num(it.a.y), num(it.b.x), num(it.b.y), it.ink, num(it.width), dash)
		case circle:
			fmt.Fprintf(b, "<circle cx=\"%s\" cy=\"%s\" r=\"%s\" %s/>\n", num(it.c.x), num(it.c.y), num(it.r), paint(it.ink, it.width))
		case shape:
			var p strings.Builder
			for i, q := range it.points {
				p.WriteString("ML"[min(i, 1):][:1] + num(q.x) + " " + num(q.y))
			}
			if it.closed {
				p.WriteString("Z")
			}
			fmt.Fprintf(b, "<path d=\"%s\" %s/>\n", p.String(), paint(it.ink, it.width))
		case label:
			opt := ""
			if it.bold {
				opt += " font-weight=\"bold\""
			}
			if it.anchor != start {
				opt += " text-anchor=\"" + []string{"", "middle", "end"}[it.anchor] + "\""
			}
			if it.turn != 0 {
				opt += fmt.Sprintf(" transform=\"rotate(%s %s %s)\"", num(it.turn), num(it.at.x), num(it.at.y))
			}
			// Another type in the place of the named one keeps to the room: where
			// the width is known, and long enough to matter.
			if len([]rune(it.text)) > 8 && d.faces.HasAll(it.bold, it.text) {
				opt += fmt.Sprintf(" textLength=\"%s\" lengthAdjust=\"spacingAndGlyphs\"", num(d.faces.Width(it.bold, it.text, it.size)))
			}
			fmt.Fprintf(b, "<text x=\"%s\" y=\"%s\" font-size=\"%s\" fill=\"%s\"%s>%s</text>\n",
				num(it.at.x), num(it.at.y), num(it.size), it.ink, opt, escape(it.text))
		}
	}
	fmt.Fprint(b, "</svg>\n")
	return b.Flush()
}

// Dashes and the gaps between them, mm.
const dash1, dash2 = 2.0, 1.2

// String is the grey as SVG writes it.
func (k ink) String() string { return fmt.Sprintf("#%02x%02x%02x", uint8(k), uint8(k), uint8(k)) }

func paint(k ink, width float64) string {
	if width == 0 {
		return fmt.Sprintf("fill=\"%s\"", k)
	}
	return fmt.Sprintf("stroke=\"%s\" stroke-width=\"%s\"", k, num(width))
}

// num is a length to a tenth of a thousandth of a millimetre.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 4, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

func escape(s string) string {
	var b bytes.Buffer
	// A bytes.Buffer takes everything, so there is no error.
	_ = xml.EscapeText(&b, []byte(s))
	return b.String()
}
