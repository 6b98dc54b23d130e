package plot

import (
	"fmt"
	"image/color"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The palette: five steps of lightness that stay apart in grey, and opaque
// throughout, since the PDF writer darkens what is translucent.
var (
	ink     = color.RGBA{R: 0x1c, G: 0x22, B: 0x2b, A: 0xff} // text, axes, median
	dotInk  = color.RGBA{R: 0x6e, G: 0x8f, B: 0xae, A: 0xff} // single sparks
	bandInk = color.RGBA{R: 0xda, G: 0xe3, B: 0xea, A: 0xff} // spread of a bin
	gridInk = color.RGBA{R: 0xe9, G: 0xeb, B: 0xed, A: 0xff}
	goalInk = color.RGBA{R: 0xa8, G: 0x4a, B: 0x12, A: 0xff} // target
	hatch   = color.RGBA{R: 0xea, G: 0xc9, B: 0xad, A: 0xff} // tolerance
	restInk = color.RGBA{R: 0x0f, G: 0x5f, B: 0x58, A: 0xff} // static
	softInk = color.RGBA{R: 0x55, G: 0x5c, B: 0x66, A: 0xff} // subtitle, trend
)

// picture is an Input with its axes settled.
type picture struct {
	in                     Input
	xMin, xMax, yMin, yMax float64
	outside                int // sparks beyond yMin or yMax
	dots                   []Point
}

// newPicture chooses the axes and thins the dots.
func newPicture(in Input) *picture {
	p := &picture{in: in}
	p.setX()
	p.setY()
	p.dots, p.outside = p.thin()
	return p
}

// setX spans the speeds, from zero where the static angle or an extrapolation
// is to be seen or where zero is near anyway.
func (p *picture) setX() {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range p.in.Points {
		lo, hi = min(lo, q.RPM), max(hi, q.RPM)
	}
	for _, b := range p.in.Bins {
		lo, hi = min(lo, b.RPM), max(hi, b.RPM)
	}
	if lo > hi {
		lo, hi = 0, 1000
	}
	if l := p.in.Trend; l != nil && l.ZeroHalf > 0 || lo < 0.4*hi {
		lo = 0
	}
	if span := max(200, 0.1*hi); hi-lo < span {
		mid := (lo + hi) / 2
		lo, hi = max(0, mid-span/2), mid+span/2
	}
	pad := 0.04 * (hi - lo)
	p.xMin, p.xMax = lo-pad, hi+pad
	if lo <= pad {
		p.xMin = -0.015 * (hi - lo) // room for a bar at zero speed
	}
}

// setY spans the sparks and every line that is drawn. A few sparks far from
// all others (edgeShare) do not set the scale: they are counted as outside.
func (p *picture) setY() {
	lo, hi := math.Inf(1), math.Inf(-1)
	take := func(v ...float64) {
		for _, x := range v {
			lo, hi = min(lo, x), max(hi, x)
		}
	}
	if len(p.in.Points) > 0 {
		ys := make([]float64, len(p.in.Points))
		for i, q := range p.in.Points {
			ys[i] = q.Deg
		}
		slices.Sort(ys)
		cut := int(edgeShare / 2 * float64(len(ys)))
		l, h := ys[cut], ys[len(ys)-1-cut]
		reach := max(3*(h-l), minSpan)
		for ys[0] < l-reach {
			ys = ys[1:]
		}
		for ys[len(ys)-1] > h+reach {
			ys = ys[:len(ys)-1]
		}
		take(ys[0], ys[len(ys)-1])
	}
	for _, b := range p.in.Bins {
		take(b.Median-b.Spread, b.Median+b.Spread)
	}
	if l := p.in.Bent; l != nil {
		for _, q := range l.Points {
			take(q.Deg)
		}
	}
	for _, q := range p.in.along(p.xMin, p.xMax) {
		take(q.Deg-p.in.TargetTableHalf, q.Deg+p.in.TargetTableHalf)
	}
	for _, b := range []*Band{p.in.Target, p.in.Static} {
		if b != nil {
			take(b.Deg-b.Half, b.Deg+b.Half)
		}
	}
	if l := p.in.Trend; l != nil && l.ZeroHalf > 0 {
		take(l.Intercept-l.ZeroHalf, l.Intercept+l.ZeroHalf)
	}
	if lo > hi {
		lo, hi = 0, 0
	}
	if hi-lo < minSpan {
		mid := (lo + hi) / 2
		lo, hi = mid-minSpan/2, mid+minSpan/2
	}
	pad := 0.06 * (hi - lo)
	p.yMin, p.yMax = lo-pad, hi+pad
}

// thin keeps one spark per cell of a grid over the picture, coarser until at
// most maxPoints are left, and counts the sparks that lie outside.
func (p *picture) thin() (dots []Point, outside int) {
	inside := make([]Point, 0, len(p.in.Points))
	for _, q := range p.in.Points {
		if q.Deg < p.yMin || q.Deg > p.yMax {
			outside++
			continue
		}
		inside = append(inside, q)
	}
	if len(inside) <= maxPoints {
		return inside, outside
	}
	for nx, ny := 420.0, 260.0; ; nx, ny = nx*0.8, ny*0.8 {
		seen := make(map[[2]int]bool, maxPoints)
		dots = dots[:0]
		for _, q := range inside {
			cell := [2]int{
				int(nx * (q.RPM - p.xMin) / (p.xMax - p.xMin)),
				int(ny * (q.Deg - p.yMin) / (p.yMax - p.yMin)),
			}
			if !seen[cell] {
				seen[cell] = true
				dots = append(dots, q)
			}
		}
		if len(dots) <= maxPoints {
			return dots, outside
		}
	}
}

// draw fills the canvas: title and legend above, the data below, nothing of
// the one over the other.
func (p *picture) draw(c draw.Canvas) {
	c.SetColor(color.White)
	c.Fill(c.Rectangle.Path())
	c = draw.Crop(c, 10, -14, 8, -10)

	y := c.Max.Y
	title := style(13, true)
	for title.Font.Size > 9 && title.Width(p.in.Title) > c.Max.X-c.Min.X {
		title.Font.Size -= 0.5
	}
	y -= title.Font.Size
	c.FillText(title, vg.Point{X: c.Min.X, Y: y}, p.in.Title)
	if p.in.Subtitle != "" {
		sub := style(9, false)
		sub.Color = softInk
		y -= 14
		c.FillText(sub, vg.Point{X: c.Min.X, Y: y}, fit(sub, p.in.Subtitle, c.Max.X-c.Min.X))
	}
	y = p.legend(&c, y-18)
	c.Max.Y = y - 8

	pl := newPlot()
	pl.X.Min, pl.X.Max = p.xMin, p.xMax
	pl.Y.Min, pl.Y.Max = p.yMin, p.yMax
	pl.X.Label.Text = "engine speed, rpm"
	switch {
	case p.in.Relative:
		pl.Y.Label.Text = "spark, ° relative to the reference (positive: before it)"
	case p.yMin < 0:
		pl.Y.Label.Text = "advance, ° before top dead centre (negative: after)"
	default:
		pl.Y.Label.Text = "advance, ° before top dead centre"
	}
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(p.xMin, p.xMax, 8, rpmSteps, formatRPM))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(p.yMin, p.yMax, 8, degreeSteps, formatDegrees))
	pl.Add(data{p})
	pl.Draw(c)
}

// fit cuts s to a width, with an ellipsis.
func fit(sty text.Style, s string, w vg.Length) string {
	if sty.Width(s) <= w {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && sty.Width(string(r)+"…") > w {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// data draws everything inside the axes.
type data struct{ p *picture }

// Plot implements plot.Plotter.
func (d data) Plot(c draw.Canvas, pl *plot.Plot) {
	p := d.p
	tx, ty := pl.Transforms(&c)
	at := func(x, y float64) vg.Point { return vg.Point{X: tx(x), Y: ty(y)} }
	across := func(sty draw.LineStyle, deg float64) {
		c.StrokeLine2(sty, c.Min.X, ty(deg), c.Max.X, ty(deg))
	}

	for _, b := range p.runs() {
		var poly []vg.Point
		for _, q := range b {
			poly = append(poly, at(q.RPM, q.Median+q.Spread))
		}
		for _, q := range slices.Backward(b) {
			poly = append(poly, at(q.RPM, q.Median-q.Spread))
		}
		if len(b) > 1 {
			c.FillPolygon(bandInk, poly)
		}
	}
	grid := draw.LineStyle{Color: gridInk, Width: 0.6}
	for _, t := range pl.X.Tick.Marker.Ticks(p.xMin, p.xMax) {
		c.StrokeLine2(grid, tx(t.Value), c.Min.Y, tx(t.Value), c.Max.Y)
	}
	for _, t := range pl.Y.Tick.Marker.Ticks(p.yMin, p.yMax) {
		across(grid, t.Value)
	}
	if p.yMin < 0 && p.yMax > 0 && !p.in.Relative && len(p.in.Points)+len(p.in.Bins) > 0 {
		across(draw.LineStyle{Color: ink, Width: 0.5}, 0)
		s := style(8, false)
		const tdc = "top dead centre"
		c.FillText(s, vg.Point{X: c.Max.X - fontSlack*s.Width(tdc), Y: ty(0) + 2}, tdc)
	}
	if b := p.in.Target; b != nil && b.Half > 0 {
		hatching(&c, vg.Rectangle{
			Min: vg.Point{X: c.Min.X, Y: ty(b.Deg - b.Half)},
			Max: vg.Point{X: c.Max.X, Y: ty(b.Deg + b.Half)},
		}, 11)
	}
	course := p.in.along(p.xMin, p.xMax)
	shifted := func(by float64) []vg.Point {
		var out []vg.Point
		for _, q := range course {
			out = append(out, at(q.RPM, q.Deg+by))
		}
		return out
	}
	if h := p.in.TargetTableHalf; h > 0 && course != nil {
		hatchedBetween(&c, shifted(-h), shifted(h), 11)
	}
	for _, q := range p.dots {
		c.DrawGlyph(dotStyle(len(p.dots)), at(q.RPM, q.Deg))
	}
	if b := p.in.Target; b != nil {
		if b.Half > 0 {
			across(limitStyle, b.Deg-b.Half)
			across(limitStyle, b.Deg+b.Half)
		}
		across(targetStyle, b.Deg)
	}
	if course != nil {
		if h := p.in.TargetTableHalf; h > 0 {
			c.StrokeLines(limitStyle, shifted(-h), shifted(h))
		}
		c.StrokeLines(targetStyle, shifted(0))
	}
	if b := p.in.Static; b != nil {
		across(staticStyle, b.Deg)
	}
	if l := p.in.Trend; l != nil {
		v := func(rpm float64) float64 { return l.Intercept + l.SlopePer1000*rpm/1000 }
		from := l.FromRPM
		if l.ZeroHalf > 0 {
			from = 0
			whisker(&c, tx(0), ty(l.Intercept-l.ZeroHalf), ty(l.Intercept+l.ZeroHalf))
		}
		c.StrokeLines(trendStyle, c.ClipLinesXY([]vg.Point{at(from, v(from)), at(l.ToRPM, v(l.ToRPM))})...)
	}
	for _, b := range p.runs() {
		var line []vg.Point
		for _, q := range b {
			line = append(line, at(q.RPM, q.Median))
		}
		c.StrokeLines(medianStyle, line)
	}
	if l := p.in.Bent; l != nil {
		var line []vg.Point
		for _, q := range l.Points {
			line = append(line, at(q.RPM, q.Deg))
		}
		c.StrokeLines(bentGround, line) // upon the medians' line, below their marks
		c.StrokeLines(bentStyle, line)
	}
	for _, b := range p.runs() {
		for _, q := range b {
			y := at(q.RPM, q.Median)
			if len(b) == 1 && q.Spread > 0 {
				whisker(&c, y.X, ty(q.Median-q.Spread), ty(q.Median+q.Spread))
			}
			marker(&c, y)
		}
	}
	if l := p.in.Bent; l != nil {
		for _, q := range l.Corners {
			y := at(q.RPM, q.Deg)
			if q.DegHalf > 0 {
				whisker(&c, y.X, ty(q.Deg-q.DegHalf), ty(q.Deg+q.DegHalf))
			}
			if q.RPMHalf > 0 {
				level(&c, y.Y, tx(q.RPM-q.RPMHalf), tx(q.RPM+q.RPMHalf))
			}
			diamond(&c, y)
		}
	}
	if len(p.in.Points) == 0 && len(p.in.Bins) == 0 {
		s := style(10, false)
		s.XAlign, s.YAlign = text.XCenter, text.YCenter
		c.FillText(s, c.Center(), "no spark with an angle")
	}
}

// along is the course of the target table from one speed to another: its points
// between, and where it is at both; nil without a table.
func (in Input) along(from, to float64) []Point {
	t := in.TargetTable
	if len(t) == 0 {
		return nil
	}
	at := func(rpm float64) Point {
		q := Point{RPM: rpm, Deg: t[len(t)-1].Deg}
		for i, p := range t {
			if rpm > p.RPM {
				continue
			}
			q.Deg = p.Deg
			if i > 0 {
				b := t[i-1]
				q.Deg = b.Deg + (p.Deg-b.Deg)*(rpm-b.RPM)/(p.RPM-b.RPM)
			}
			break
		}
		return q
	}
	out := []Point{at(from)}
	for _, p := range t {
		if p.RPM > from && p.RPM < to {
			out = append(out, p)
		}
	}
	return append(out, at(to))
}

// runs are the stretches of bins that lie side by side: no line is drawn over
// speeds at which there was no spark.
func (p *picture) runs() [][]Bin {
	var out [][]Bin
	for i, b := range p.in.Bins {
		if i == 0 || b.FromRPM > p.in.Bins[i-1].ToRPM+1 {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], b)
	}
	return out
}

var (
	medianStyle = draw.LineStyle{Color: ink, Width: 1.6}
	targetStyle = draw.LineStyle{Color: goalInk, Width: 1.4}
	limitStyle  = draw.LineStyle{Color: goalInk, Width: 0.6}
	// Thicker than the target's line, and with gaps as long as its dashes: often
	// the two lie upon each other, and both must show, in grey too.
	staticStyle = draw.LineStyle{Color: restInk, Width: 2.8, Dashes: []vg.Length{7, 7}}
	// White below, so that the dashes show upon the medians' line too.
	bentGround = draw.LineStyle{Color: color.White, Width: 2.6}
	bentStyle  = draw.LineStyle{Color: ink, Width: 1.3, Dashes: []vg.Length{6, 1.8}}
	trendStyle = draw.LineStyle{Color: softInk, Width: 1.1, Dashes: []vg.Length{1.4, 2.6}}
)

// dotStyle makes dots larger where there are few.
func dotStyle(n int) draw.GlyphStyle {
	r := vg.Length(1.0)
	switch {
	case n <= 60:
		r = 2.2
	case n <= 600:
		r = 1.5
	}
	return draw.GlyphStyle{Color: dotInk, Radius: r, Shape: draw.CircleGlyph{}}
}

// marker is a bin's median: a square, white inside, so that it stands out on
// any ground.
func marker(c *draw.Canvas, at vg.Point) {
	c.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 4.4, Shape: draw.BoxGlyph{}}, at)
	c.DrawGlyph(draw.GlyphStyle{Color: color.White, Radius: 2.4, Shape: draw.BoxGlyph{}}, at)
}

// whisker is an upright ± bar.
func whisker(c *draw.Canvas, x, y0, y1 vg.Length) {
	sty := draw.LineStyle{Color: softInk, Width: 1.1}
	c.StrokeLine2(sty, x, y0, x, y1)
	c.StrokeLine2(sty, x-3, y0, x+3, y0)
	c.StrokeLine2(sty, x-3, y1, x+3, y1)
}

// level is a lying ± bar.
func level(c *draw.Canvas, y, x0, x1 vg.Length) {
	sty := draw.LineStyle{Color: softInk, Width: 1.1}
	c.StrokeLine2(sty, x0, y, x1, y)
	c.StrokeLine2(sty, x0, y-3, x0, y+3)
	c.StrokeLine2(sty, x1, y-3, x1, y+3)
}

// diamond is a corner of a curve: dark, unlike a median's square.
func diamond(c *draw.Canvas, at vg.Point) {
	for _, d := range []struct {
		r   vg.Length
		ink color.Color
	}{{5.4, color.White}, {4.2, ink}} {
		c.FillPolygon(d.ink, []vg.Point{{X: at.X - d.r, Y: at.Y}, {X: at.X, Y: at.Y + d.r}, {X: at.X + d.r, Y: at.Y}, {X: at.X, Y: at.Y - d.r}})
	}
}

// hatching fills a rectangle with slanted lines, which leave what lies below
// visible and print in grey.
func hatching(c *draw.Canvas, r vg.Rectangle, step vg.Length) {
	sty := draw.LineStyle{Color: hatch, Width: 0.7}
	h := r.Max.Y - r.Min.Y
	for x := r.Min.X - h; x < r.Max.X; x += step {
		a, b := vg.Point{X: x, Y: r.Min.Y}, vg.Point{X: x + h, Y: r.Max.Y}
		if a.X < r.Min.X {
			a = vg.Point{X: r.Min.X, Y: a.Y + r.Min.X - a.X}
		}
		if b.X > r.Max.X {
			b = vg.Point{X: r.Max.X, Y: b.Y - (b.X - r.Max.X)}
		}
		c.StrokeLine2(sty, a.X, a.Y, b.X, b.Y)
	}
}

// hatchedBetween fills what lies between two lines as hatching does; both have
// their points at the same rising places.
func hatchedBetween(c *draw.Canvas, low, high []vg.Point, step vg.Length) {
	const fine = 0.5 // points
	sty := draw.LineStyle{Color: hatch, Width: 0.7}
	left, right := low[0].X, low[len(low)-1].X
	bottom, top := low[0].Y, high[0].Y
	for i := range low {
		bottom, top = min(bottom, low[i].Y), max(top, high[i].Y)
	}
	i := 0
	inside := func(q vg.Point) bool {
		for i > 0 && q.X < low[i].X {
			i--
		}
		for i < len(low)-2 && q.X > low[i+1].X {
			i++
		}
		f := (q.X - low[i].X) / (low[i+1].X - low[i].X)
		return q.Y >= low[i].Y+f*(low[i+1].Y-low[i].Y) && q.Y <= high[i].Y+f*(high[i+1].Y-high[i].Y)
	}
	for x := left - (top - bottom); x < right; x += step {
		var from vg.Point
		drawing := false
		for d := vg.Length(0); d <= top-bottom; d += fine {
			q := vg.Point{X: x + d, Y: bottom + d}
			in := q.X >= left && q.X <= right && inside(q)
			if in && !drawing {
				from, drawing = q, true
			}
			if last := d+fine > top-bottom; drawing && (!in || last) {
				c.StrokeLine2(sty, from.X, from.Y, q.X, q.Y)
				drawing = false
			}
		}
	}
}

// fontSlack is room for a viewer of SVG that lacks the font and takes a wider.
const fontSlack = 1.15

// entry is one item of the legend.
type entry struct {
	text string
	icon func(c *draw.Canvas, x0, x1, y vg.Length) // y: middle
}

// legend draws the items in rows from y downwards and returns where it ended.
func (p *picture) legend(c *draw.Canvas, y vg.Length) vg.Length {
	const icon, gap, row = 22, 14, 14
	sty := style(9, false)
	x := c.Min.X
	for _, e := range p.entries() {
		w := icon + 4 + fontSlack*sty.Width(e.text)
		if x > c.Min.X && x+w > c.Max.X {
			x, y = c.Min.X, y-row
		}
		e.icon(c, x, x+icon, y+3)
		c.FillText(sty, vg.Point{X: x + icon + 4, Y: y}, e.text)
		x += w + gap
	}
	return y
}

// entries lists what is drawn, in the reader's order of interest.
func (p *picture) entries() []entry {
	line := func(sty draw.LineStyle) func(*draw.Canvas, vg.Length, vg.Length, vg.Length) {
		return func(c *draw.Canvas, x0, x1, y vg.Length) { c.StrokeLine2(sty, x0, y, x1, y) }
	}
	box := func(x0, x1, y vg.Length) vg.Rectangle {
		return vg.Rectangle{Min: vg.Point{X: x0, Y: y - 5}, Max: vg.Point{X: x1, Y: y + 5}}
	}
	var out []entry
	if len(p.in.Bins) > 0 {
		spread := ""
		for _, b := range p.in.Bins {
			if b.Spread > 0 {
				spread = ", band: ± scatter"
			}
		}
		out = append(out, entry{"median by speed" + spread, func(c *draw.Canvas, x0, x1, y vg.Length) {
			if spread != "" {
				c.SetColor(bandInk)
				c.Fill(box(x0, x1, y).Path())
			}
			c.StrokeLine2(medianStyle, x0, y, x1, y)
			marker(c, vg.Point{X: (x0 + x1) / 2, Y: y})
		}})
	}
	if n := len(p.dots); n > 0 {
		s := "one spark"
		if n+p.outside < len(p.in.Points) {
			s = fmt.Sprintf("spark (%d of %d drawn)", n, len(p.in.Points))
		}
		if p.outside > 0 {
			s += fmt.Sprintf(", %d outside the picture", p.outside)
		}
		out = append(out, entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
			c.DrawGlyph(dotStyle(60), vg.Point{X: (x0 + x1) / 2, Y: y})
		}})
	}
	if b := p.in.Target; b != nil {
		s := "target " + formatDegrees(b.Deg)
		if b.Half > 0 {
			s += " ± " + formatDegrees(b.Half)
		}
		out = append(out, entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
			if b.Half > 0 {
				hatching(c, box(x0, x1, y), 5)
				c.StrokeLine2(limitStyle, x0, y-5, x1, y-5)
				c.StrokeLine2(limitStyle, x0, y+5, x1, y+5)
			}
			c.StrokeLine2(targetStyle, x0, y, x1, y)
		}})
	}
	if t := p.in.TargetTable; t != nil {
		s := "target by speed"
		if h := p.in.TargetTableHalf; h > 0 {
			s += " ± " + formatDegrees(h)
		}
		out = append(out, entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
			if p.in.TargetTableHalf > 0 {
				hatching(c, box(x0, x1, y), 5)
				c.StrokeLine2(limitStyle, x0, y-5, x1, y-5)
				c.StrokeLine2(limitStyle, x0, y+5, x1, y+5)
			}
			c.StrokeLine2(targetStyle, x0, y, x1, y)
		}})
	}
	if b := p.in.Static; b != nil {
		out = append(out, entry{"static " + formatDegrees(b.Deg), line(staticStyle)})
	}
	if l := p.in.Bent; l != nil {
		out = append(out, entry{"fitted curve, its corners ±", func(c *draw.Canvas, x0, x1, y vg.Length) {
			c.StrokeLine2(bentStyle, x0, y, x1, y)
			diamond(c, vg.Point{X: (x0 + x1) / 2, Y: y})
		}})
	}
	if l := p.in.Trend; l != nil {
		s := "straight-line trend"
		if l.ZeroHalf > 0 {
			s += ", to zero speed, ± against static"
		}
		out = append(out, entry{s, line(trendStyle)})
	}
	return out
}

// Steps between ticks, as leading figures.
var (
	rpmSteps    = []float64{1, 2, 5, 10}
	degreeSteps = []float64{1, 2, 5, 10}
)

// ticks are round values from lo to hi, at most about n of them. From 10
// degrees up an axis of angles steps by parts of the circle.
func ticks(lo, hi float64, n int, steps []float64, format func(float64) string) []plot.Tick {
	raw := (hi - lo) / float64(n)
	decade := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * decade
	for _, s := range steps {
		if s*decade >= raw {
			step = s * decade
			break
		}
	}
	var out []plot.Tick
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+1e-9*step; i++ {
		v := i*step + 0 // + 0: no negative zero
		out = append(out, plot.Tick{Value: v, Label: format(v)})
	}
	return out
}

// formatRPM writes a speed.
func formatRPM(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
}

// formatDegrees writes an angle wrapped to (-180, 180], with a true minus.
func formatDegrees(v float64) string {
	v = math.Round(v*100) / 100
	for v > 180 {
		v -= 360
	}
	for v <= -180 {
		v += 360
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', -1, 64) + "°"
	if v < 0 {
		return "–" + s // en dash: in every font and in Windows-1252, unlike U+2212
	}
	return s
}
