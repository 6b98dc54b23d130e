package print

import (
	"fmt"
	"math"
	"strconv"
)

// WheelOptions say what degree wheel is wanted.
type WheelOptions struct {
	Paper    Paper
	Engine   string   // its name; may be empty
	Rotation Rotation // as one looks at the wheel's figures
	Diameter float64  // mm, 0: 180
	Hole     float64  // mm, 0: circles for many shafts
}

// Limits of a degree wheel, mm.
const (
	usualWheel    = 180.0
	smallestWheel = 120.0
	largestWheel  = 190.0 // across A4 between the margins; on Letter the words below need the rest
	smallestHole  = 2.0
	largestHole   = 40.0
	// Below it the middle holds words or large holes, not both.
	roomyWheel = 150.0
	tightHole  = 24.0
)

// Lengths of graduations, mm, from the wheel's edge inwards.
const (
	unitTick = 3.5
	fiveTick = 5.5
	tenTick  = 7.5
)

// Wheel draws a degree wheel, zero at top dead centre. The outer figures count
// 0 to 180 from there both ways; the two rings within count 0 to 360, one
// clockwise and one the other way. With a rotation the halves say which is
// before top dead centre: that in the direction of rotation, since its marks
// pass the pointer before zero does.
func Wheel(o WheelOptions) (*Document, error) {
	if err := checkPaper(o.Paper); err != nil {
		return nil, err
	}
	if o.Diameter == 0 {
		o.Diameter = usualWheel
	}
	if err := between("a wheel of", o.Diameter, smallestWheel, largestWheel, " mm"); err != nil {
		return nil, err
	}
	most := largestHole
	if o.Diameter < roomyWheel {
		most = tightHole
	}
	if o.Hole != 0 {
		if err := between("a hole of", o.Hole, smallestHole, most, " mm"); err != nil {
			return nil, err
		}
	}
	d, err := newDocument("Degree wheel")
	if err != nil {
		return nil, err
	}
	g := d.add(o.Paper, false)
	radius := o.Diameter / 2
	cx, cy := g.w/2, margin+2+radius
	d.wheelHead(g, o, cx, cy, radius)
	inner := d.graduations(g, cx, cy, radius)
	d.holes(g, cx, cy, o.Hole, most)
	d.wheelWords(g, cx, cy, most/2+2, inner-2, o.Rotation)
	d.wheelFoot(g, cy+radius, o)
	return d, nil
}

// wheelHead puts what the sheet is into the corners that the circle leaves.
func (d *Document) wheelHead(g *page, o WheelOptions, cx, cy, radius float64) {
	// The circle is this far from the corner at the lowest line of text.
	const lowest = margin + 16.0
	across := math.Sqrt(math.Max(0, radius*radius-(cy-lowest)*(cy-lowest)))
	width := cx - across - margin - 3
	d.fitted(g, margin, margin+4, width, "Degree wheel", style{size: 4.6, bold: true})
	d.name(g, margin, margin+9.5, width, 2, o.Engine, style{size: 3})
	d.fitted(g, g.w-margin, margin+4, width, fmt.Sprintf("%g mm across", o.Diameter), style{size: 3, anchor: end})
	said := "for either rotation"
	if o.Rotation != Unknown {
		said = "turns " + o.Rotation.String()
	}
	d.fitted(g, g.w-margin, margin+8, width, said, style{size: 3, anchor: end})
}

// graduations draws the edge, the marks and the three rings of figures, and
// returns the radius within them.
func (d *Document) graduations(g *page, cx, cy, radius float64) float64 {
	g.circle(cx, cy, radius, hair, black)
	for deg := range 360 {
		long, w := unitTick, hair
		switch {
		case deg == 0:
			continue // drawn last
		case deg%10 == 0:
			long, w = tenTick, solid
		case deg%5 == 0:
			long, w = fiveTick, thin
		}
		a, b := polar(cx, cy, radius, float64(deg)), polar(cx, cy, radius-long, float64(deg))
		g.line(a.x, a.y, b.x, b.y, w, black)
	}
	// The largest figures go into eight tenths of ten degrees: three of them
	// are 1.67 sizes wide.
	fit := func(r float64) float64 { return 0.48 * r * 10 * math.Pi / 180 }
	outer := radius - tenTick - 1.2
	size := math.Min(4.2, fit(outer-2))
	mid := outer - halfCapital*size
	for deg := 0; deg < 360; deg += 10 {
		p := polar(cx, cy, mid, float64(deg))
		d.centred(g, p.x, p.y, strconv.Itoa(min(deg, 360-deg)), style{size: size, bold: true, turn: float64(deg)})
	}
	r := outer - 2*halfCapital*size - 1.3
	for i, dir := range []int{1, -1} {
		g.circle(cx, cy, r, hair, grey)
		size := math.Min(2.8, fit(r-2))
		mid := r - 0.9 - halfCapital*size
		for deg := 0; deg < 360; deg += 10 {
			p := polar(cx, cy, mid, float64(deg*dir))
			d.centred(g, p.x, p.y, strconv.Itoa(deg), style{size: size, turn: float64((deg*dir + 360) % 360)})
		}
		// Which way this ring counts, between its figures 0 and 10.
		from, to := 3.3, 6.4
		if i == 1 {
			from, to = -from, -to
		}
		g.arc(cx, cy, mid, from, to, thin, black)
		g.arrowHead(polar(cx, cy, mid, to), to+90*float64(dir), 1.5, black)
		r -= 2*halfCapital*size + 1.8
	}
	g.circle(cx, cy, r, hair, grey)
	// Top dead centre, by the longest line of all.
	a := polar(cx, cy, radius, 0)
	g.line(a.x, a.y, a.x, cy-(radius-tenTick), thick, black)
	g.fill(black, point{cx, cy - r + 0.6}, point{cx - 1.6, cy - r + 4}, point{cx + 1.6, cy - r + 4})
	d.centred(g, cx, cy-r+6.2, "top dead centre", style{size: 2.6})
	return r
}

// holes draws what to cut for the shaft.
func (d *Document) holes(g *page, cx, cy, hole, most float64) {
	reach := most/2 + 1
	g.line(cx-reach, cy, cx+reach, cy, hair, black)
	g.line(cx, cy-reach, cx, cy+reach, hair, black)
	if hole != 0 {
		g.circle(cx, cy, hole/2, solid, black)
		p := polar(cx, cy, hole/2+2.2, 135)
		d.text(g, p.x, p.y, fmt.Sprintf("%g mm", hole), style{size: 2.2})
		return
	}
	n := 0
	for dia := 4.0; dia <= most; dia += 2 {
		g.circle(cx, cy, dia/2, hair, grey)
		n++
	}
	// Neighbours are labelled on different rays, since they are 1 mm apart.
	for i := range n {
		dia := 4 + 2*float64(i)
		if dia < 8 {
			continue
		}
		p := polar(cx, cy, dia/2, []float64{45, 135, 225, 315}[i%4])
		g.circle(p.x, p.y, 1.35, 0, white)
		d.centred(g, p.x, p.y, fmt.Sprint(dia), style{size: 1.9})
	}
}

// wheelWords says on either side which half it is.
func (d *Document) wheelWords(g *page, cx, cy, from, to float64, r Rotation) {
	room := to - from - 1
	at := (from + to) / 2
	say := func(side, y float64, s string, st style) {
		st.anchor = middle
		d.fitted(g, cx+side*at, cy+y, room, s, st)
	}
	if r == Unknown {
		for _, side := range []float64{1, -1} {
			first, second := "BEFORE", "AFTER"
			if side < 0 {
				first, second = second, first
			}
			say(side, -6.6, first, style{size: 4, bold: true})
			say(side, -3.2, "if the wheel turns", style{size: 2.4})
			say(side, -0.2, "clockwise", style{size: 2.4})
			say(side, 5, second, style{size: 4, bold: true})
			say(side, 8.4, "if it turns", style{size: 2.4})
			say(side, 11.4, "anticlockwise", style{size: 2.4})
		}
		return
	}
	sign := 1.0
	if r == Anticlockwise {
		sign = -1
	}
	say(sign, 0, "BEFORE", style{size: 5, bold: true})
	say(sign, 4, "top dead centre", style{size: 2.8})
	say(-sign, 0, "AFTER", style{size: 5, bold: true})
	say(-sign, 4, "top dead centre", style{size: 2.8})
	// The way it turns: below, where nothing else is.
	rr := to - 7
	const half = 28.0
	tip := 180 + sign*half
	g.arc(cx, cy, rr, 180-sign*half, tip-sign*3, solid, black)
	g.arrowHead(polar(cx, cy, rr, tip), tip+sign*88, 4, black)
	y := cy + rr*math.Cos(half*math.Pi/180) - 2.5
	d.fitted(g, cx, y, 1.2*rr, "the wheel turns this way", style{size: 2.6, anchor: middle})
}

// wheelFoot is what to do with it, and the rulers.
func (d *Document) wheelFoot(g *page, top float64, o WheelOptions) {
	f := d.foot(g, top+5)
	hole := "the circle of your shaft"
	if o.Hole != 0 {
		hole = "the hole"
	}
	f.steps("How to use it",
		"Glue it on stiff sheet. Cut the edge and "+hole+". Fix it on the crankshaft, face towards you.",
		"Fix a pointer of stiff wire on the engine, close to the marks.",
		"Find top dead centre with a piston stop: turn gently to it one way and the other, and shift the wheel or bend the pointer until both stops read alike on either side of 0.",
		"Read while you turn in the running direction, eye square to the wheel.")
	f.say("Caution", handWords+" Take the stop out and the wheel off before the engine is started: card on a running shaft flies apart. "+deferWords)
	f.right()
	rings := ""
	words := "A mark that passes the pointer before 0 does is before top dead centre: it lies ahead of 0 in the direction of rotation. "
	switch o.Rotation {
	case Unknown:
		words += "Cross out the words that are not for your engine. "
	default:
		words += "This wheel is for one that turns " + o.Rotation.String() + " as you look at its figures; on the shaft's other end it would read the wrong way. "
		rings = " The one that counts " + o.Rotation.String() + " counts before top dead centre, the other after it."
	}
	f.say("Before and after", words+"Outer figures: 0 to 180 both ways. Inner rings: 0 to 360, each the way of its arrow."+rings)
	f.check("A scale that is off by the same factor both ways does no harm to angles. One that is 1 mm longer one way than the other makes them up to 0.3° wrong.")
}
