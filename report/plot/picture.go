package plot

import (
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// picture is an Input with its axes settled.
type picture struct {
	in                     Input
	xMin, xMax, yMin, yMax float64
	outside                int // sparks beyond yMin or yMax
	dots                   []Point
	most                   int // dots drawn at most
}

// newPicture chooses the axes and thins the dots.
func newPicture(in Input, most int) *picture {
	p := &picture{in: in, most: most}
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

// thin keeps at most as many sparks as can be drawn, and counts those that lie
// outside.
func (p *picture) thin() (dots []Point, outside int) {
	inside := make([]Point, 0, len(p.in.Points))
	for _, q := range p.in.Points {
		if q.Deg < p.yMin || q.Deg > p.yMax {
			outside++
			continue
		}
		inside = append(inside, q)
	}
	return thinned(inside, p.xMin, p.xMax, p.yMin, p.yMax, p.most), outside
}

// draw fills the canvas: title and legend above, the data below, nothing of
// the one over the other.
func (p *picture) draw(c draw.Canvas, bare bool) {
	c = headed(c, p.in.Title, p.in.Subtitle, p.entries(), bare)
	pl := newPlot()
	pl.X.Min, pl.X.Max = p.xMin, p.xMax
	pl.Y.Min, pl.Y.Max = p.yMin, p.yMax
	names := advanceNames(p.in.Relative)
	if p.yMin < 0 && !p.in.Relative {
		names = append([]string{"advance, ° before top dead centre (negative: after)"}, names...)
	}
	name(pl, c, speedNames(), names)
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(p.xMin, p.xMax, min(8, perWidth(c, 45)), rpmSteps, formatRPM))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(p.yMin, p.yMax, min(8, perHeight(c, 20)), degreeSteps, formatDegrees))
	pl.Add(data{p})
	pl.Draw(c)
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

// entries lists what is drawn, in the reader's order of interest.
func (p *picture) entries() []entry {
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
				c.Fill(keyBox(x0, x1, y).Path())
			}
			c.StrokeLine2(medianStyle, x0, y, x1, y)
			marker(c, vg.Point{X: (x0 + x1) / 2, Y: y})
		}})
	}
	if n := len(p.dots); n > 0 {
		out = append(out, dotEntry(n, len(p.in.Points), p.outside))
	}
	if b := p.in.Target; b != nil {
		out = append(out, targetEntry(b))
	}
	if t := p.in.TargetTable; t != nil {
		s := "target by speed"
		if h := p.in.TargetTableHalf; h > 0 {
			s += " ± " + formatDegrees(h)
		}
		out = append(out, entry{s, targetIcon(p.in.TargetTableHalf > 0)})
	}
	if b := p.in.Static; b != nil {
		out = append(out, entry{"static " + formatDegrees(b.Deg), lineIcon(staticStyle)})
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
		out = append(out, entry{s, lineIcon(trendStyle)})
	}
	return out
}
