package print

import "strconv"

// A check ruler, mm. rulerLength is what it is to be checked by; inches go on
// the other side of its line.
const (
	rulerLength = 100.0
	rulerInches = 4
	rulerHigh   = 6.4 // of each side: ticks and figures
)

// ruler draws a check ruler from (x, y) on to the right, millimetres above the
// line and inches below it; upright: upwards, millimetres to the left.
func (d *Document) ruler(g *page, x, y float64, upright bool) {
	turn := 0.0
	at := func(u, v float64) point { return point{x + u, y - v} } // along, and to the left of it
	if upright {
		turn = -90
		at = func(u, v float64) point { return point{x - v, y - u} }
	}
	mark := func(u, v1, v2, width float64) {
		a, b := at(u, v1), at(u, v2)
		g.line(a.x, a.y, b.x, b.y, width, black)
	}
	figure := func(u, v float64, s string, a anchor) {
		p := at(u, v)
		d.text(g, p.x, p.y, s, style{size: 2.2, anchor: a, turn: turn})
	}
	a, b := at(0, 0), at(rulerInches*inch, 0)
	g.line(a.x, a.y, b.x, b.y, thin, black)
	for mm := range int(rulerLength) + 1 {
		u, long, w := float64(mm), 1.8, hair
		switch {
		case mm%10 == 0:
			long, w = 3.4, thin
			s := strconv.Itoa(mm)
			if mm == int(rulerLength) {
				s += " mm"
			}
			if mm == 0 || mm == int(rulerLength) {
				figure(u-0.6, 3.9, s, start)
			} else {
				figure(u, 3.9, s, middle)
			}
		case mm%5 == 0:
			long = 2.6
		}
		mark(u, 0, long, w)
	}
	const per = 8 // eighths of an inch
	for i := range rulerInches*per + 1 {
		u, long, w := float64(i)*inch/per, 1.8, hair
		switch {
		case i%per == 0:
			long, w = 3.4, thin
			s := strconv.Itoa(i / per)
			if i == rulerInches*per {
				s += " in"
			}
			if i == 0 || i == rulerInches*per {
				figure(u-0.6, -5.5, s, start)
			} else {
				figure(u, -5.5, s, middle)
			}
		case i%(per/2) == 0:
			long = 2.6
		}
		mark(u, 0, -long, w)
	}
}

// Words that stand on every sheet.
const (
	printWords = "Print at 100 % (“actual size”, not “fit to page”). Then lay a steel rule on both check rulers, across the page and up it: 100 mm must be 100 mm (4 in be 4 in), both ways."
	deferWords = "The maker's manual, local rules and a qualified mechanic come before anything on this sheet."
	handWords  = "Before you turn the engine by hand: ignition off, spark lead off the plug and earthed, hands clear of what pinches."
)

// footSize is the type of the words at a sheet's foot, mm.
const footSize = 2.6

// foot sets words beside and above the check rulers: a column as wide as the
// horizontal ruler, and another to its right.
type foot struct {
	d           *Document
	g           *page
	top         float64
	x, y, width float64
}

// footGap is between the columns, mm.
const footGap = 8.0

// rulers draws both check rulers at the lower left of a page, from the lower
// margin up, and returns where there is room beside the upright one.
func (d *Document) rulers(g *page) (left float64) {
	d.ruler(g, margin+rulerHigh, g.h-margin, true)
	left = margin + 2*rulerHigh + 5
	d.ruler(g, left, g.h-margin-rulerHigh+0.6, false)
	return left
}

// foot draws the rulers and begins with the first base line at y.
func (d *Document) foot(g *page, y float64) *foot {
	return &foot{d: d, g: g, top: y, x: d.rulers(g), y: y, width: rulerInches * inch}
}

// right goes on at the head of the column to the right.
func (f *foot) right() {
	f.x += f.width + footGap
	f.y = f.top
	f.width = f.g.w - margin - f.x
}

func (f *foot) head(s string) {
	f.d.text(f.g, f.x, f.y, s, style{size: footSize, bold: true})
	f.y += footSize * leading
}

// say sets a heading and a paragraph.
func (f *foot) say(head, words string) {
	f.head(head)
	f.y = 0.8 + f.d.paragraph(f.g, f.x, f.y, f.width, words, style{size: footSize})
}

// steps sets a heading and numbered steps.
func (f *foot) steps(head string, steps ...string) {
	f.head(head)
	f.y = 0.8 + f.d.steps(f.g, f.x, f.y, f.width, style{size: footSize}, steps...)
}

// check says how the sheet is printed and checked, the last line on the margin.
func (f *foot) check(more string) {
	lines := f.d.wrap(printWords+" "+more, f.width, style{size: footSize})
	f.y = f.g.h - margin - float64(len(lines))*footSize*leading
	f.say("Check the scale", printWords+" "+more)
}
