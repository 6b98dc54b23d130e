package print

import (
	"fmt"
	"math"
	"strconv"
)

// TapeOptions say what rim tape is wanted.
type TapeOptions struct {
	Paper     Paper
	Engine    string   // its name; may be empty
	Rotation  Rotation // seen from the flywheel's side
	Diameter  float64  // of the flywheel's rim, mm
	Width     float64  // of the tape, mm; 0: 12
	Reach     float64  // crank degrees either way from top dead centre, a whole ten; 0: 180, all round
	Thickness float64  // thickness of paper and glue, mm
}

// Limits of a tape.
const (
	usualTape     = 12.0
	narrowestTape = 8.0
	widestTape    = 40.0
	smallestRim   = 30.0
	largestRim    = 1000.0
	thickestPaper = 1.0
	leastReach    = 10.0
	mostReach     = 180.0
)

// tab is the length that goes under the neighbour where two strips join, mm.
const tab = 10.0

// tape is what the strips have in common.
type tape struct {
	d     *Document
	perDg float64 // mm of rim per crank degree
	width float64 // mm
	ahead float64 // 1: before top dead centre is on the right, -1: on the left
	reach float64
}

// piece is one strip: from and to are places along the tape, degrees from top
// dead centre, positive to the right.
type piece struct{ from, to float64 }

// Tape draws a tape for the flywheel's rim, in crank degrees both ways from top
// dead centre. N degrees lie N/360 of the rim's circumference from zero: π times
// the diameter or, since glued paper bends about its middle, times the diameter
// and one thickness of paper. What is longer than the page is split, nowhere
// near top dead centre, where a join would do the most harm.
func Tape(o TapeOptions) (*Document, error) {
	if o.Width == 0 {
		o.Width = usualTape
	}
	if o.Reach == 0 {
		o.Reach = mostReach
	}
	for _, err := range []error{
		checkPaper(o.Paper),
		between("a flywheel of", o.Diameter, smallestRim, largestRim, " mm"),
		between("a tape as wide as", o.Width, narrowestTape, widestTape, " mm"),
		between("a reach of", o.Reach, leastReach, mostReach, "°"),
		between("paper of", o.Thickness, 0, thickestPaper, " mm"),
	} {
		if err != nil {
			return nil, err
		}
	}
	if math.Mod(o.Reach, 10) != 0 {
		return nil, fmt.Errorf("print: a reach of %g°: want whole tens of degrees", o.Reach)
	}
	d, err := newDocument("Rim tape")
	if err != nil {
		return nil, err
	}
	t := tape{d: d, perDg: math.Pi * (o.Diameter + o.Thickness) / 360, width: o.Width, ahead: 1, reach: o.Reach}
	if o.Rotation == Anticlockwise {
		t.ahead = -1
	}
	h, w := o.Paper.size() // on its side
	left := margin + 2*rulerHigh + 5
	pieces := t.split(w - margin - left)
	const top, gap = margin + 14, 8.0
	const foot = 62.0 // words and rulers
	perPage := max(1, int((h-foot-top)/(t.width+gap)))
	pages := (len(pieces) + perPage - 1) / perPage
	for i, p := range pieces {
		if i%perPage == 0 {
			g := d.add(o.Paper, true)
			t.head(g, o, left, i/perPage+1, pages, len(pieces))
		}
		g := d.pages[len(d.pages)-1]
		t.strip(g, left, top+float64(i%perPage)*(t.width+gap), p, i, len(pieces))
	}
	return d, nil
}

// split cuts the tape into pieces that with their tabs are no longer than room.
// All joins lie on whole tens; the piece in the middle has zero in its middle.
func (t tape) split(room float64) []piece {
	if 2*t.reach*t.perDg <= room {
		return []piece{{-t.reach, t.reach}}
	}
	step := 20 * math.Floor((room-tab)/(20*t.perDg))
	out := []piece{{-math.Min(step/2, t.reach), math.Min(step/2, t.reach)}}
	for at := step / 2; at < t.reach; at += step {
		to := math.Min(at+step, t.reach)
		out = append(out, piece{at, to})
		out = append([]piece{{-to, -at}}, out...)
	}
	return out
}

// steps are the graduations' and the figures' steps, degrees, and the figures'
// size, mm: as many figures as stand apart.
func (t tape) steps() (tick, figure, size float64) {
	switch {
	case t.perDg >= 3:
		tick = 0.5
	case t.perDg >= 0.45: // lines of 0.1 mm and as much between, and then some
		tick = 1
	default:
		tick = 2
	}
	size = math.Min(3.6, 0.27*t.width)
	// The closest are the figure at an end, which stands within it, and its
	// neighbour, which stands over its line: one and a half of three figures,
	// and air. TDC beside zero takes no more.
	const air = 1.2
	wide := 1.5 * t.d.room(true, "180", 1)
	const legible = 2.8 // mm, where there is a choice
	figure = 10
	fits := func() float64 { return (figure*t.perDg - air) / wide }
	for figure < 30 && fits() < math.Min(size, legible) {
		figure += 10
	}
	return tick, figure, math.Min(size, fits())
}

// strip draws one piece with its upper edge at y.
func (t tape) strip(g *page, left, y float64, p piece, i, n int) {
	d := t.d
	lead := 0.0 // room for the tab
	if i > 0 {
		lead = tab
	}
	base := y + t.width
	x := func(deg float64) float64 { return left + lead + (deg-p.from)*t.perDg }
	x0, x1 := x(p.from), x(p.to)
	// Edges to cut.
	g.line(x0, y, x1, y, hair, black)
	g.line(x0, base, x1, base, hair, black)
	scale := math.Min(t.width/usualTape, 1.4)
	tick, figure, size := t.steps()
	long := func(deg float64) (float64, float64) {
		switch {
		case math.Mod(deg, 10) == 0:
			return 5.2 * scale, solid
		case math.Mod(deg, 5) == 0 && tick < 2:
			return 3.9 * scale, thin
		case math.Mod(deg, 1) != 0:
			return 1.7 * scale, hair
		}
		return 2.7 * scale, hair
	}
	figures := base - 5.2*scale - 0.6
	for k := int(math.Round(p.from / tick)); k <= int(math.Round(p.to/tick)); k++ {
		deg := float64(k) * tick
		l, w := long(deg)
		if deg == 0 {
			continue
		}
		g.line(x(deg), base, x(deg), base-l, w, black)
		if math.Mod(deg, figure) != 0 {
			continue
		}
		s := strconv.Itoa(int(math.Abs(deg)))
		switch deg {
		case p.to: // its neighbour, or the other end, has it
			if i == n-1 {
				d.text(g, x(deg)-0.7, figures, s, style{size: size, bold: true, anchor: end})
			}
		case p.from:
			d.text(g, x(deg)+0.7, figures, s, style{size: size, bold: true})
		default:
			d.text(g, x(deg), figures, s, style{size: size, bold: true, anchor: middle})
		}
	}
	words := y + 0.5 + 0.73*t.wordSize()
	t.join(g, x, y, p, i, n, words, long, tick)
	lo, hi := p.from*t.perDg, p.to*t.perDg // the words' room, mm from zero
	if i < n-1 {
		hi -= 6
	}
	if p.from < 0 && p.to > 0 {
		g.line(x(0), y, x(0), base, thick, black)
		d.text(g, x(0)+0.9, figures, "0", style{size: size, bold: true})
		d.text(g, x(0)-0.9, figures, "TDC", style{size: 0.8 * size, bold: true, anchor: end})
		// The way the rim runs.
		from, to := x(0)+t.ahead*1.5, x(0)+t.ahead*9
		at := words - halfCapital*t.wordSize()
		g.line(from, at, to-t.ahead, at, solid, black)
		g.arrowHead(point{to, at}, t.ahead*90, 2, black)
	}
	t.sides(g, words, x(0), lo, hi)
}

func (t tape) wordSize() float64 { return math.Min(2.4, 0.17*t.width) }

// sides says over the figures which side is before top dead centre, between lo
// and hi, mm to the right of zero.
func (t tape) sides(g *page, y, zero, lo, hi float64) {
	const clear = 11.0 // arrow, and as much on the other side
	st := style{size: t.wordSize()}
	for _, dir := range []float64{1, -1} {
		s, short := "after top dead centre", "after"
		if dir == t.ahead {
			s, short = "before top dead centre", "before"
		}
		from, to := math.Max(clear, dir*lo), dir*hi
		if dir < 0 {
			from, to = math.Max(clear, -hi), -lo
		}
		room := to - from
		w := t.d.room(false, s, st.size)
		if room < w+4 {
			s, w = short, t.d.room(false, short, st.size)
		}
		if room < w+4 {
			continue
		}
		// As many as go in with 40 mm from one to the next, evenly.
		n := math.Max(1, math.Floor(room/math.Max(w+8, 40)))
		for k := range int(n) {
			c := from + room*(float64(k)+0.5)/n
			t.d.text(g, zero+dir*c, y, s, style{size: st.size, anchor: middle})
		}
	}
}

// join draws a piece's two ends: joining marks, tab, cuts.
func (t tape) join(g *page, x func(float64) float64, y float64, p piece, i, n int, words float64, long func(float64) (float64, float64), tick float64) {
	d := t.d
	base := y + t.width
	g.line(x(p.to), y-2, x(p.to), base+2, hair, black)
	letter := func(k int) string { return string(rune('A' + k)) }
	st := style{size: t.wordSize(), bold: true}
	if i < n-1 {
		st.anchor = end
		d.text(g, x(p.to)-1, words, letter(i), st)
		d.text(g, x(p.to)-0.8, base+4.2, "cut here", style{size: 2, anchor: end})
	}
	if i == 0 {
		g.line(x(p.from), y-2, x(p.from), base+2, hair, black)
		return
	}
	// The tab, with the graduations of the neighbour that comes to lie on it.
	left := x(p.from) - tab
	g.dashes(left, y, x(p.from), y, hair, grey)
	g.dashes(left, base, x(p.from), base, hair, grey)
	g.line(left, y, left, base, hair, grey)
	for k := 1; float64(k)*tick*t.perDg < tab; k++ {
		deg := p.from - float64(k)*tick
		l, _ := long(deg)
		g.line(x(deg), base, x(deg), base-l, hair, pale)
	}
	g.line(x(p.from), y, x(p.from), base, thin, black)
	d.text(g, left+1, words, letter(i-1), style{size: t.wordSize(), bold: true})
	d.text(g, left, base+4.2, "glue under "+letter(i-1), style{size: 2})
}

// head is what the page is, how it is used, and the rulers.
func (t tape) head(g *page, o TapeOptions, left float64, page, pages, pieces int) {
	d := t.d
	title := "Rim tape"
	if pages > 1 {
		title += fmt.Sprintf(", page %d of %d", page, pages)
	}
	d.text(g, left, margin+4, title, style{size: 4.6, bold: true})
	x := left + d.room(true, title, 4.6) + 5
	across := fmt.Sprintf("flywheel %g mm", o.Diameter)
	if o.Thickness != 0 {
		across += fmt.Sprintf(" and paper %g mm", o.Thickness)
	}
	facts := fmt.Sprintf("%s · one turn is %.2f mm · 1° is %.3f mm · 1 mm is %.3f°", across, 360*t.perDg, t.perDg, 1/t.perDg)
	w := d.room(false, facts, 3)
	d.text(g, g.w-margin, margin+4, facts, style{size: 3, anchor: end})
	d.fitted(g, x, margin+4, g.w-margin-w-5-x, o.Engine, style{size: 3})
	f := d.foot(g, g.h-margin-52)
	arrow := "Glue it flat round the clean rim, the mark TDC at the pointer with the piston at top dead centre, the arrow the way the rim runs."
	if o.Rotation != Unknown {
		arrow += " With an engine that turns " + o.Rotation.String() + ", seen from the flywheel's side, the figures then stand upright for you on that side."
	}
	first := "Cut out the strip."
	if pieces > 1 {
		first = "Cut out the strips, each on the line of its last graduation. Lay A on A, B on B, so that the graduations meet."
	}
	f.steps("How to use it", first, arrow, "Read at a fixed pointer, turning in the running direction, eye square to the rim.")
	f.right()
	if o.Reach == mostReach {
		ends := "Begin at TDC and glue both ways; the ends meet at 180°. A gap or an overlap there is the paper's thickness, or a rim that is not as stated: measure it again. "
		if o.Thickness == 0 {
			const sheet = 0.1 // mm, of usual office paper; from memory
			ends += fmt.Sprintf("Paper of 0.1 mm leaves a gap of %.1f mm and puts 30° off by %.2g°. ", math.Pi*sheet, 30*sheet/(o.Diameter+sheet))
		}
		f.say("Where the ends meet", ends)
	}
	f.say("Caution", handWords+" Take the tape off before the engine is started: it may come loose. "+deferWords)
	f.check("A scale that is 1 % off puts 30° off by 0.3°.")
}
