// Package print draws sheets for the bench at true scale: a degree wheel, a tape
// for the flywheel's rim, a pointer, a worksheet.
//
// A sheet is drawn once, in millimetres upon pages of a known size, and then
// written as PDF or SVG. Both keep text as text. The origin is the page's upper
// left corner, x to the right and y down; angles in degrees, clockwise.
package print

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"sparkscope/report/letters"
)

// Paper is a size of paper.
type Paper int

// The papers there are.
const (
	A4     Paper = iota // 210 × 297 mm, ISO 216
	Letter              // 8.5 × 11 in, ANSI A
)

// inch is one inch, mm, by definition.
const inch = 25.4

// size is the paper upright, mm.
func (p Paper) size() (w, h float64) {
	if p == Letter {
		return 8.5 * inch, 11 * inch
	}
	return 210, 297
}

// String is the paper's name.
func (p Paper) String() string {
	if p == Letter {
		return "US Letter"
	}
	return "A4"
}

// Rotation is which way the crankshaft turns.
type Rotation int

// The ways an engine may turn.
const (
	Unknown Rotation = iota // not said: sheets then serve both ways
	Clockwise
	Anticlockwise
)

// String is the rotation in words.
func (r Rotation) String() string {
	switch r {
	case Clockwise:
		return "clockwise"
	case Anticlockwise:
		return "anticlockwise"
	}
	return "not said"
}

// Reversed is the rotation as seen from the shaft's other end.
func (r Rotation) Reversed() Rotation {
	switch r {
	case Clockwise:
		return Anticlockwise
	case Anticlockwise:
		return Clockwise
	}
	return r
}

// ink is a grey: 0 black, 255 white. The sheets need no colour.
type ink uint8

const (
	black ink = 0
	grey  ink = 105
	pale  ink = 170
	white ink = 255
)

// Widths of lines, mm. A printer of 300 dots to the inch makes lines of 0.085 mm
// and its multiples.
const (
	hair  = 0.1
	thin  = 0.17
	solid = 0.3
	thick = 0.5
)

// margin is what stays free at the page's edge, mm: more than printers leave
// blank (4 to 7 mm; common practice, no source).
const margin = 10.0

type point struct{ x, y float64 } // mm

// line is a straight line.
type line struct {
	a, b   point
	width  float64 // mm
	ink    ink
	dashed bool
}

// circle is a circle, or with width 0 a disc.
type circle struct {
	c     point
	r     float64 // mm
	width float64 // mm
	ink   ink
}

// shape is a line through points, closed and filled with width 0.
type shape struct {
	points []point
	width  float64 // mm; 0: filled
	closed bool
	ink    ink
}

// anchor is which part of a text lies at its point.
type anchor int

const (
	start anchor = iota
	middle
	end
)

// label is a text on its base line.
type label struct {
	at     point
	size   float64 // mm, of the type: a capital is 0.73 of it
	text   string
	bold   bool
	ink    ink
	anchor anchor
	turn   float64 // degrees clockwise about at
}

// page is one side of paper with what is drawn on it, in order.
type page struct {
	w, h  float64 // mm
	items []any   // line, circle, shape, label
}

// Document is a sheet of one or more pages, ready to be written.
type Document struct {
	title   string
	pages   []*page
	faces   *letters.Faces
	lacking string // letters the type has none of
}

// Pages is the number of pages, at least 1.
func (d *Document) Pages() int { return len(d.pages) }

// Lacking is the letters, each once, of which the PDF's type has none: there
// they are drawn as empty boxes. An SVG shows them where the system has them.
func (d *Document) Lacking() string { return d.lacking }

func newDocument(title string) (*Document, error) {
	f, err := letters.Load()
	if err != nil {
		return nil, err
	}
	return &Document{title: title, faces: f}, nil
}

// add begins a page, upright or on its side.
func (d *Document) add(p Paper, landscape bool) *page {
	w, h := p.size()
	if landscape {
		w, h = h, w
	}
	g := &page{w: w, h: h}
	d.pages = append(d.pages, g)
	return g
}

func (g *page) line(x1, y1, x2, y2, width float64, k ink) {
	g.items = append(g.items, line{a: point{x1, y1}, b: point{x2, y2}, width: width, ink: k})
}

func (g *page) dashes(x1, y1, x2, y2, width float64, k ink) {
	g.items = append(g.items, line{a: point{x1, y1}, b: point{x2, y2}, width: width, ink: k, dashed: true})
}

func (g *page) circle(x, y, r, width float64, k ink) {
	g.items = append(g.items, circle{point{x, y}, r, width, k})
}

func (g *page) box(x, y, w, h, width float64, k ink) {
	g.items = append(g.items, shape{points: []point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, width: width, closed: true, ink: k})
}

func (g *page) fill(k ink, p ...point) {
	g.items = append(g.items, shape{points: p, closed: true, ink: k})
}

func (g *page) outline(width float64, k ink, p ...point) {
	g.items = append(g.items, shape{points: p, width: width, closed: true, ink: k})
}

// arc is part of a circle, from one angle to another, clockwise from the top.
func (g *page) arc(x, y, r, from, to, width float64, k ink) {
	n := 2 + int(math.Abs(to-from))
	p := make([]point, n)
	for i := range p {
		p[i] = polar(x, y, r, from+(to-from)*float64(i)/float64(n-1))
	}
	g.items = append(g.items, shape{points: p, width: width, ink: k})
}

// arrowHead is a filled tip at p that points in a direction, degrees clockwise
// from up.
func (g *page) arrowHead(p point, dir, length float64, k ink) {
	a := polar(p.x, p.y, length, dir+180-18)
	b := polar(p.x, p.y, length, dir+180+18)
	g.fill(k, p, a, b)
}

// polar is the point at a distance r from (x, y), angle clockwise from the top.
func polar(x, y, r, deg float64) point {
	s, c := math.Sincos(deg * math.Pi / 180)
	return point{x + r*s, y - r*c}
}

// style is how a text is set.
type style struct {
	size   float64 // mm
	bold   bool
	ink    ink
	anchor anchor
	turn   float64 // degrees clockwise
}

// text sets one line on its base line.
func (d *Document) text(g *page, x, y float64, s string, st style) {
	s = clean(s)
	if s == "" {
		return
	}
	for _, r := range s {
		if !d.faces.Has(st.bold, r) && !strings.ContainsRune(d.lacking, r) {
			d.lacking += string(r)
		}
	}
	g.items = append(g.items, label{point{x, y}, st.size, s, st.bold, st.ink, st.anchor, st.turn})
}

// halfCapital is half the height of a figure in units of the type's size: the
// type's capitals and figures are 1409 and 1419 of 2048 units high.
const halfCapital = 0.345

// centred sets a line with the middle of its figures at (x, y).
func (d *Document) centred(g *page, x, y float64, s string, st style) {
	st.anchor = middle
	p := polar(x, y, -halfCapital*st.size, st.turn)
	d.text(g, p.x, p.y, s, st)
}

// fitted sets a line no wider than width: smaller, down to seven tenths, and
// then cut short.
func (d *Document) fitted(g *page, x, y, width float64, s string, st style) {
	s = clean(s)
	if w := d.room(st.bold, s, st.size); w > width {
		st.size *= math.Max(0.7, width/w)
		s = d.cut(s, width, st)
	}
	d.text(g, x, y, s, st)
}

// goesIn is how many of the first letters of r go into a width, with more after
// them. It looks no further than about twice as far as they reach: a name may be
// very long.
func (d *Document) goesIn(r []rune, more string, width float64, st style) int {
	tooWide := func(n int) bool { return d.room(st.bold, string(r[:n])+more, st.size) > width }
	far := 16
	for far < len(r) && !tooWide(far) {
		far *= 2
	}
	far = min(far, len(r))
	return sort.Search(far, func(n int) bool { return tooWide(n + 1) })
}

// cut shortens s until it is no wider than width.
func (d *Document) cut(s string, width float64, st style) string {
	r := []rune(s)
	if d.goesIn(r, "", width, st) == len(r) {
		return s
	}
	return strings.TrimRight(string(r[:d.goesIn(r, "…", width, st)]), " ") + "…"
}

// wrap breaks s into lines no wider than width.
func (d *Document) wrap(s string, width float64, st style) []string {
	var lines []string
	var now []rune
	for _, word := range strings.Fields(clean(s)) {
		r := []rune(word)
		for {
			next := r
			if len(now) > 0 {
				next = slices.Concat(now, []rune{' '}, r)
			}
			n := d.goesIn(next, "", width, st)
			if n == len(next) {
				now = next
				break
			}
			if len(now) > 0 {
				lines = append(lines, string(now))
				now = nil
				continue
			}
			// One word wider than the line: as much of it as goes in, one letter
			// at the least.
			n = max(n, 1)
			lines = append(lines, string(r[:n]))
			r = r[n:]
			if len(r) == 0 {
				break
			}
		}
	}
	if len(now) > 0 {
		lines = append(lines, string(now))
	}
	return lines
}

// leading is from one base line to the next, in units of the type's size.
const leading = 1.34

// paragraph sets s in lines from the base line y on and returns the base line
// after the last.
func (d *Document) paragraph(g *page, x, y, width float64, s string, st style) float64 {
	for _, l := range d.wrap(s, width, st) {
		d.text(g, x, y, l, st)
		y += st.size * leading
	}
	return y
}

// steps sets numbered paragraphs and returns the base line after the last.
func (d *Document) steps(g *page, x, y, width float64, st style, steps ...string) float64 {
	const indent = 4.0
	for i, s := range steps {
		d.text(g, x, y, fmt.Sprintf("%d.", i+1), st)
		y = d.paragraph(g, x+indent, y, width-indent, s, st)
	}
	return y
}

// name sets a name in at most most lines.
func (d *Document) name(g *page, x, y, width float64, most int, s string, st style) float64 {
	lines := d.wrap(s, width, st)
	if len(lines) > most {
		last := strings.Join(lines[most-1:], " ")
		lines = append(lines[:most-1:most-1], d.cut(last, width, st))
	}
	for _, l := range lines {
		d.text(g, x, y, l, st)
		y += st.size * leading
	}
	return y
}

// spare is by how much a line may come out wider than it is measured: where a
// system has none of the types that an SVG names, what stands in for them is
// often DejaVu Sans, which sets the words of these sheets 1.16 times as wide, and
// bold figures 1.25 times (696 of 1000 units against 556).
const (
	spare     = 1.16
	spareBold = 1.25
)

// room is the width to reserve for a line, mm.
func (d *Document) room(bold bool, s string, size float64) float64 {
	k := spare
	if bold {
		k = spareBold
	}
	return k * d.faces.Width(bold, s, size)
}

// clean is s as one line without characters that neither format can hold.
func clean(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			return ' '
		case r < ' ', r >= 0x7f && r < 0xa0, r == 0xfffe, r == 0xffff:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\ufffd"))), " ")
}

// between refuses a number that is not within limits.
func between(what string, v, lo, hi float64, unit string) error {
	if !(v >= lo && v <= hi) {
		return fmt.Errorf("print: %s %g%s: want %g to %g%s", what, v, unit, lo, hi, unit)
	}
	return nil
}

var errPaper = errors.New("print: want the paper A4 or Letter")

func checkPaper(p Paper) error {
	if p != A4 && p != Letter {
		return errPaper
	}
	return nil
}
