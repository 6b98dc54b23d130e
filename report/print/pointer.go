package print

import (
	"fmt"
	"math"
)

// PointerOptions say for what the pointers are.
type PointerOptions struct {
	Paper    Paper
	Engine   string  // its name; may be empty
	Flywheel float64 // diameter of its rim, mm; 0: not known
	Wheel    float64 // diameter of the degree wheel, mm; 0: 180
}

// A pointer's measures, mm.
const (
	pointerWide = 24.0
	pointerTip  = 32.0 // from the tip to where the sides are parallel
	pointerLong = 62.0 // from the tip to the fold
	pointerFoot = 34.0 // from the fold on
	slotWide    = 6.5  // a bolt of 6 mm
	slotLong    = 18.0
	sightDeep   = 16.0 // from one leaf of the sight to the other, with a hole for a bolt
	sightLow    = 26.0 // the leaf in front
	sightHigh   = 40.0 // the leaf behind, which has the line
)

// Pointer draws two pointers to be cut from card, and how far off a reading is
// with the eye not square to the scale.
func Pointer(o PointerOptions) (*Document, error) {
	if o.Wheel == 0 {
		o.Wheel = usualWheel
	}
	if err := checkPaper(o.Paper); err != nil {
		return nil, err
	}
	if err := between("a wheel of", o.Wheel, smallestWheel, largestWheel, " mm"); err != nil {
		return nil, err
	}
	if o.Flywheel != 0 {
		if err := between("a flywheel of", o.Flywheel, smallestRim, largestRim, " mm"); err != nil {
			return nil, err
		}
	}
	d, err := newDocument("Pointer card")
	if err != nil {
		return nil, err
	}
	g := d.add(o.Paper, false)
	d.text(g, margin, margin+4, "Pointer card", style{size: 4.6, bold: true})
	d.name(g, margin, margin+9.5, g.w-2*margin, 1, o.Engine, style{size: 3})
	const top = margin + 18
	left := margin + 2*rulerHigh + 5
	d.plainPointer(g, left+pointerWide/2, top)
	d.sight(g, left+pointerWide+24+pointerWide/2, top)
	d.pointerNotes(g, left+2*pointerWide+24+22, top, o)
	f := d.foot(g, top+110)
	f.steps("How to use them",
		"Glue the page on stiff card or thin sheet, cut along the full lines, fold along the broken ones.",
		"Bolt the foot to the engine, not to anything that moves. The tip, or the sight's higher leaf, stands close to the scale without touching it.",
		"Plain pointer: look square at the scale, along the line.",
		"Sight: move the eye until the point of the notch stands on the line, and read where the line goes on. That is square, every time.")
	f.say("Caution", handWords+" Take pointer and scale off before the engine is started, unless both are of metal and screwed down. "+deferWords)
	f.right()
	f.check("A pointer works at any scale.")
	return d, nil
}

// plainPointer is a tip with a line, and a foot to be folded back.
func (d *Document) plainPointer(g *page, x, y float64) {
	h := pointerWide / 2
	low := y + pointerLong + pointerFoot
	g.outline(thin, black, point{x, y}, point{x + h, y + pointerTip}, point{x + h, low}, point{x - h, low}, point{x - h, y + pointerTip})
	g.line(x, y, x, y+pointerLong-16, thin, black)
	d.text(g, x, y+pointerLong-11, "read at the line", style{size: 2.4, anchor: middle})
	d.text(g, x, y-2.5, "Plain pointer", style{size: 2.8, bold: true, anchor: middle})
	d.fold(g, x, y+pointerLong)
	d.slot(g, x, y+pointerLong+pointerFoot/2)
}

// fold is a line to fold along, across a card.
func (d *Document) fold(g *page, x, y float64) {
	g.dashes(x-pointerWide/2, y, x+pointerWide/2, y, thin, grey)
	d.text(g, x+pointerWide/2+1.5, y+0.8, "fold", style{size: 2.2})
}

// slot is for a bolt, lengthwise, about (x, y).
func (d *Document) slot(g *page, x, y float64) {
	const r = slotWide / 2
	up, down := y-slotLong/2+r, y+slotLong/2-r
	g.arc(x, up, r, -90, 90, thin, black)
	g.arc(x, down, r, 90, 270, thin, black)
	g.line(x-r, up, x-r, down, thin, black)
	g.line(x+r, up, x+r, down, thin, black)
	d.centred(g, x, y, "6 mm", style{size: 2.2, turn: -90})
}

// sight is a strip that is folded to a U: the line on the leaf behind, a notch
// in the lower leaf in front.
func (d *Document) sight(g *page, x, y float64) {
	h := pointerWide / 2

	const notch = 5.0
	bottom := y + sightHigh + sightDeep + sightLow

	g.outline(thin, black,
		point{x - h, y}, point{x + h, y}, point{x + h, bottom},
		point{x + notch, bottom}, point{x, bottom - notch}, point{x - notch, bottom}, point{x - h, bottom})
	g.line(x, y, x, y+sightHigh-8, thin, black)
	d.text(g, x, y-2.5, "Sight", style{size: 2.8, bold: true, anchor: middle})
	d.text(g, x, y+sightHigh-3.5, "leaf behind", style{size: 2.4, anchor: middle})
	d.fold(g, x, y+sightHigh)
	g.circle(x, y+sightHigh+sightDeep/2, slotWide/2, thin, black)
	d.centred(g, x, y+sightHigh+sightDeep/2, "6 mm", style{size: 2.2})
	d.centred(g, x-h/2-1.8, y+sightHigh+sightDeep/2, "floor", style{size: 2.4})
	d.fold(g, x, y+sightHigh+sightDeep)
	d.text(g, x, y+sightHigh+sightDeep+7, "leaf in front", style{size: 2.4, anchor: middle})
	d.text(g, x, y+sightHigh+sightDeep+11, "(cut out the notch)", style{size: 2.2, anchor: middle})
}

// pointerNotes is what the eye does to a reading, worked out.
func (d *Document) pointerNotes(g *page, x, y float64, o PointerOptions) {
	width := g.w - margin - x
	st := style{size: footSize}
	// An eye to the side by aside at a distance of away moves the mark by
	// gap·aside/away, by similar triangles.
	const gap, aside, away = 3.0, 20.0, 300.0
	off := gap * aside / away
	d.text(g, x, y-2.5, "Why square", style{size: 2.8, bold: true})
	words := fmt.Sprintf("A line %g mm in front of the scale, seen from %g mm to the side at %g mm, is read off by %g · %g/%g = %.1f mm.", gap, aside, away, gap, aside, away, off)
	y = d.paragraph(g, x, y+2, width, words, st) + 1.5
	for _, c := range []struct {
		what string
		dia  float64
	}{{"wheel", o.Wheel}, {"flywheel", o.Flywheel}} {
		if c.dia == 0 {
			continue
		}
		per := 360 / (math.Pi * c.dia)
		y = d.paragraph(g, x, y, width, fmt.Sprintf("%s of %g mm: 1 mm is 360°/(π · %g mm) = %.2f°, so that is %.2f°.", capital(c.what), c.dia, c.dia, per, off*per), st) + 1.5
	}
	if o.Flywheel == 0 {
		y = d.paragraph(g, x, y, width, "Your flywheel: 1 mm is 114.6°/(its diameter in mm).", st) + 1.5
	}
	d.paragraph(g, x, y, width, "The larger the circle, the less it matters.", st)
}

func capital(s string) string { return string(s[0]-'a'+'A') + s[1:] }
