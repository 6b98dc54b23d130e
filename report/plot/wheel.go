package plot

import (
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Wheel is one revolution as a degree wheel: top dead centre above, time
// clockwise, so that before top dead centre is to the left.
type Wheel struct {
	Title, Subtitle string
	Points          []Point // single sparks; the faster, the farther out
	Mean            *Band   // of them, with its ±; nil: none
	Target          *Band   // nil: none
	Targets         []Point // a target by speed, in order of speed, in Target's place; nil: none
	TargetsHalf     float64 // ± of Targets
	Static          *Band   // nil: none
	Reference       *Band   // where the reference passes, with its ±; nil: not known
	Relative        bool    // angles are relative to the reference event, which is then above
}

func (in Wheel) size() (wide, tall vg.Length) { return width, height }
func (in Wheel) heading() string              { return in.Title }

func (in Wheel) check() error {
	for _, p := range append(append([]Point{}, in.Points...), in.Targets...) {
		if !finite(p.RPM, p.Deg) {
			return errNotFinite
		}
	}
	for _, b := range []*Band{in.Mean, in.Target, in.Static, in.Reference} {
		if b != nil && !finite(b.Deg, b.Half) {
			return errNotFinite
		}
	}
	if !finite(in.TargetsHalf) {
		return errNotFinite
	}
	return nil
}

// Rings of the wheel, shares of its radius.
const (
	scaleRing = 0.86 // the scale's inner edge
	rimDots   = 0.80 // the fastest spark
	hub       = 0.22 // no speed
)

// meanWedge is the mark of the mean: a pointer from the hub.
func meanWedge(c *draw.Canvas, from, to vg.Point) {
	c.StrokeLine2(meanStyle, from.X, from.Y, to.X, to.Y)
	d := to.Sub(from)
	l := vg.Length(math.Hypot(float64(d.X), float64(d.Y)))
	if l == 0 {
		return
	}
	u := d.Scale(1 / l)
	n := vg.Point{X: -u.Y, Y: u.X}
	base := to.Sub(u.Scale(7))
	c.FillPolygon(ink, []vg.Point{to, base.Add(n.Scale(3)), base.Sub(n.Scale(3))})
}

// referenceMark is the mark of the reference: a triangle.
func referenceMark(c *draw.Canvas, at vg.Point) {
	c.DrawGlyph(draw.GlyphStyle{Color: restInk, Radius: 5, Shape: draw.PyramidGlyph{}}, at)
}

func (in Wheel) key(drawn int) []entry {
	var key []entry
	if b := in.Mean; b != nil {
		s := "mean " + formatDegrees(b.Deg)
		if b.Half > 0 {
			s += " ± " + formatDegrees(b.Half)
		}
		key = append(key, entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
			meanWedge(c, vg.Point{X: x0, Y: y}, vg.Point{X: x1, Y: y})
		}})
	}
	if drawn > 0 {
		e := dotEntry(drawn, len(in.Points), 0)
		e.text += ", farther out: faster"
		key = append(key, e)
	}
	switch {
	case in.Target != nil:
		key = append(key, targetEntry(in.Target))
	case in.Targets != nil:
		s := "target by speed"
		if in.TargetsHalf > 0 {
			s += " ± " + formatDegrees(in.TargetsHalf)
		}
		key = append(key, entry{s, targetIcon(in.TargetsHalf > 0)})
	}
	if in.Static != nil {
		key = append(key, entry{"static " + formatDegrees(in.Static.Deg), lineIcon(staticStyle)})
	}
	if in.Reference != nil {
		key = append(key, entry{"reference " + formatDegrees(in.Reference.Deg), func(c *draw.Canvas, x0, x1, y vg.Length) {
			referenceMark(c, vg.Point{X: (x0 + x1) / 2, Y: y})
		}})
	}
	return key
}

func (in Wheel) paint(c draw.Canvas, bare bool) {
	top := 100.0
	for _, q := range in.Points {
		top = max(top, q.RPM)
	}
	for _, q := range in.Targets {
		top = max(top, q.RPM)
	}
	dots := thinned(in.Points, 0, top, -180, 180, most(bare))
	c = headed(c, in.Title, in.Subtitle, in.key(len(dots)), bare)

	// The wheel to the left, the part of it that matters enlarged to the right.
	r := min((c.Max.Y-c.Min.Y)/2-8, 0.31*(c.Max.X-c.Min.X))
	mid := vg.Point{X: c.Min.X + r + 6, Y: (c.Min.Y + c.Max.Y) / 2}
	in.dial(&c, mid, r, top, dots, bare)
	right := c
	right.Min.X = mid.X + r + 16
	in.strip(right, top, bare)
}

// around is the point at an advance, so far from the middle.
func around(mid vg.Point, r vg.Length, deg float64) vg.Point {
	s, k := math.Sincos(deg * math.Pi / 180)
	return vg.Point{X: mid.X - r*vg.Length(s), Y: mid.Y + r*vg.Length(k)}
}

// radius is how far out a speed lies.
func radius(r vg.Length, rpm, top float64) vg.Length {
	return r * vg.Length(hub+(rimDots-hub)*rpm/top)
}

func (in Wheel) dial(c *draw.Canvas, mid vg.Point, r vg.Length, top float64, dots []Point, bare bool) {
	at := func(share, deg float64) vg.Point { return around(mid, r*vg.Length(share), deg) }
	ring := func(sty draw.LineStyle, share float64) {
		var p vg.Path
		p.Move(at(share, -90))
		p.Arc(mid, r*vg.Length(share), 0, 2*math.Pi)
		p.Close()
		c.SetLineStyle(sty)
		c.Stroke(p)
	}
	// Sector from one advance to another between two rings.
	sector := func(k color.Color, from, to, inner, outer float64) {
		var poly []vg.Point
		n := max(2, int(math.Ceil((to-from)/2)))
		for i := 0; i <= n; i++ {
			poly = append(poly, at(outer, from+(to-from)*float64(i)/float64(n)))
		}
		for i := n; i >= 0; i-- {
			poly = append(poly, at(inner, from+(to-from)*float64(i)/float64(n)))
		}
		c.FillPolygon(k, poly)
	}
	if b := in.Target; b != nil && b.Half > 0 {
		sector(hatch, b.Deg-min(180, b.Half), b.Deg+min(180, b.Half), hub, scaleRing)
	}
	ring(draw.LineStyle{Color: ink, Width: 0.7}, 1)
	ring(draw.LineStyle{Color: ink, Width: 0.7}, scaleRing)
	ring(draw.LineStyle{Color: gridInk, Width: 0.6}, rimDots)
	ring(draw.LineStyle{Color: gridInk, Width: 0.6}, hub)
	figures := 9.0
	if bare {
		figures = 7.5
	}
	sty := style(vg.Length(figures), false)
	sty.XAlign, sty.YAlign = draw.XCenter, draw.YCenter
	for d := -175; d <= 180; d += 5 {
		inner := 0.97
		switch {
		case d%30 == 0:
			inner = scaleRing
		case d%10 == 0:
			inner = 0.94
		}
		width := vg.Length(0.5)
		if d == 0 {
			width = 2
		}
		a, b := at(inner, float64(d)), at(1, float64(d))
		c.StrokeLine2(draw.LineStyle{Color: ink, Width: width}, a.X, a.Y, b.X, b.Y)
		if d%30 == 0 && d != 0 {
			c.FillText(sty, at(0.77, float64(d)), fmt.Sprint(max(d, -d)))
		}
	}
	for _, q := range dots {
		c.DrawGlyph(dotStyle(len(dots)), around(mid, radius(r, q.RPM, top), q.Deg))
	}
	ray := func(sty draw.LineStyle, deg, inner, outer float64) {
		a, b := at(inner, deg), at(outer, deg)
		c.StrokeLine2(sty, a.X, a.Y, b.X, b.Y)
	}
	if b := in.Target; b != nil {
		if b.Half > 0 && b.Half < 180 {
			ray(limitStyle, b.Deg-b.Half, hub, scaleRing)
			ray(limitStyle, b.Deg+b.Half, hub, scaleRing)
		}
		ray(targetStyle, b.Deg, hub, 1)
	}
	if in.Targets != nil {
		for _, by := range []float64{-in.TargetsHalf, 0, in.TargetsHalf} {
			sty := limitStyle
			if by == 0 {
				sty = targetStyle
			} else if in.TargetsHalf <= 0 {
				continue
			}
			c.StrokeLines(sty, in.goal(func(rpm, deg float64) vg.Point { return around(mid, radius(r, rpm, top), deg+by) }, top))
		}
	}
	if b := in.Static; b != nil {
		ray(staticStyle, b.Deg, hub, 1)
	}
	if b := in.Mean; b != nil {
		// In the scale alone: the sparks are inside.
		meanWedge(c, at(scaleRing, b.Deg), at(0.995, b.Deg))
	}
	if b := in.Reference; b != nil && !in.Relative {
		referenceMark(c, at(1.03, b.Deg))
	}
	// Names at the top, on the hub, and which way time runs.
	word := style(vg.Length(figures), true)
	word.XAlign, word.YAlign = draw.XCenter, draw.YBottom
	name := "TDC"
	if in.Relative {
		name = "reference"
	}
	c.FillText(word, vg.Point{X: mid.X, Y: mid.Y + r + 2}, name)
	small := style(vg.Length(figures-0.5), false)
	small.Color = softInk
	small.XAlign, small.YAlign = draw.XRight, draw.YBottom
	c.FillText(small, vg.Point{X: mid.X - 0.4*r, Y: mid.Y + r - 1}, "before")
	small.XAlign = draw.XLeft
	c.FillText(small, vg.Point{X: mid.X + 0.4*r, Y: mid.Y + r - 1}, "after")
	turn := draw.LineStyle{Color: softInk, Width: 1}
	var arc []vg.Point
	for d := 140.0; d >= -140; d -= 10 {
		arc = append(arc, at(0.13, d))
	}
	c.StrokeLines(turn, arc)
	tip := arc[len(arc)-1]
	c.FillPolygon(softInk, []vg.Point{tip.Add(vg.Point{X: -5, Y: -2}), tip.Add(vg.Point{X: 2, Y: -4}), tip.Add(vg.Point{X: 1.5, Y: 3})})
	small.XAlign, small.YAlign = draw.XCenter, draw.YCenter
	c.FillText(small, mid, "time")
}

// goal is the target by speed as a line.
func (in Wheel) goal(at func(rpm, deg float64) vg.Point, top float64) []vg.Point {
	var out []vg.Point
	course := Input{TargetTable: in.Targets}.along(0, top)
	for i, q := range course {
		if i > 0 { // in small steps, since on the wheel it is no straight line
			p := course[i-1]
			for k := 1; k < 8; k++ {
				f := float64(k) / 8
				out = append(out, at(p.RPM+f*(q.RPM-p.RPM), p.Deg+f*(q.Deg-p.Deg)))
			}
		}
		out = append(out, at(q.RPM, q.Deg))
	}
	return out
}

// strip draws the angles that matter enlarged, upon straight axes: the wheel
// unrolled.
func (in Wheel) strip(c draw.Canvas, top float64, bare bool) {
	flat := Input{Points: in.Points, Target: in.Target, Static: in.Static, TargetTable: in.Targets, TargetTableHalf: in.TargetsHalf, Relative: in.Relative}
	p := newPicture(flat, most(bare)/2)
	p.xMin, p.xMax = 0, 1.04*top
	p.dots, p.outside = p.thin()
	pl := newPlot()
	// Before top dead centre is to the left, as on the wheel.
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = -p.yMax, -p.yMin, 0, 1.04*top
	names := []string{"enlarged: ° before top dead centre", "enlarged: ° before TDC", "° before TDC", "° before"}
	if in.Relative {
		names = []string{"enlarged: ° before the reference", "° before reference", "° before"}
	}
	name(pl, c, names, []string{"speed, rpm", "rpm"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(-p.yMax, -p.yMin, perWidth(c, 32), degreeSteps, func(v float64) string { return formatDegrees(-v) }))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(0, 1.04*top, 5, rpmSteps, formatRPM))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		upright := func(sty draw.LineStyle, deg float64) { c.StrokeLine2(sty, tx(-deg), c.Min.Y, tx(-deg), c.Max.Y) }
		if b := in.Target; b != nil && b.Half > 0 {
			hatching(&c, vg.Rectangle{Min: vg.Point{X: tx(-b.Deg - b.Half), Y: c.Min.Y}, Max: vg.Point{X: tx(-b.Deg + b.Half), Y: c.Max.Y}}, 11)
		}
		frame(&c, pl, tx, ty)
		for _, q := range p.dots {
			c.DrawGlyph(dotStyle(2*len(p.dots)), vg.Point{X: tx(-q.Deg), Y: ty(q.RPM)})
		}
		if b := in.Target; b != nil {
			if b.Half > 0 {
				upright(limitStyle, b.Deg-b.Half)
				upright(limitStyle, b.Deg+b.Half)
			}
			upright(targetStyle, b.Deg)
		}
		if in.Targets != nil {
			for _, by := range []float64{-in.TargetsHalf, in.TargetsHalf, 0} {
				sty := limitStyle
				if by == 0 {
					sty = targetStyle
				}
				c.StrokeLines(sty, c.ClipLinesXY(in.goal(func(rpm, deg float64) vg.Point { return vg.Point{X: tx(-deg - by), Y: ty(rpm)} }, top))...)
			}
		}
		if b := in.Static; b != nil {
			upright(staticStyle, b.Deg)
		}
		if b := in.Mean; b != nil {
			x := tx(-b.Deg)
			meanWedge(&c, vg.Point{X: x, Y: c.Min.Y}, vg.Point{X: x, Y: c.Max.Y})
			if b.Half > 0 {
				level(&c, c.Max.Y-12, tx(-b.Deg-b.Half), tx(-b.Deg+b.Half))
			}
		}
		if b := in.Reference; b != nil && -b.Deg >= pl.X.Min && -b.Deg <= pl.X.Max {
			referenceMark(&c, vg.Point{X: tx(-b.Deg), Y: c.Min.Y + 5})
		}
		if len(in.Points) == 0 {
			empty(c, "no spark")
		}
	}})
	pl.Draw(c)
}
