package plot

import (
	"image/color"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The palette. What is drawn as a line or a mark has one of four steps of
// lightness, each at least half as bright again as the one before (as contrast
// ratios go), in grey and to eyes that lack red, green or blue receptors; and no
// two lines share both dash and width, no two marks their shape, so that colour
// is never needed. All are opaque, since what is translucent darkens in print.
var (
	ink     = color.RGBA{R: 0x1c, G: 0x22, B: 0x2b, A: 0xff} // text, axes, median, mean
	restInk = color.RGBA{R: 0x0f, G: 0x4a, B: 0x66, A: 0xff} // static, reference
	goalInk = color.RGBA{R: 0xa0, G: 0x60, B: 0x00, A: 0xff} // target
	dotInk  = color.RGBA{R: 0x7d, G: 0x9b, B: 0xb8, A: 0xff} // single sparks
	softInk = color.RGBA{R: 0x55, G: 0x5c, B: 0x66, A: 0xff} // subtitle, trend, bars: beside others, never instead
	bandInk = color.RGBA{R: 0xda, G: 0xe3, B: 0xea, A: 0xff} // spread: a ground
	hatch   = color.RGBA{R: 0xea, G: 0xc9, B: 0xad, A: 0xff} // tolerance: a ground
	gridInk = color.RGBA{R: 0xe9, G: 0xeb, B: 0xed, A: 0xff}
)

var (
	medianStyle = draw.LineStyle{Color: ink, Width: 1.8}
	targetStyle = draw.LineStyle{Color: goalInk, Width: 1.3}
	limitStyle  = draw.LineStyle{Color: goalInk, Width: 0.6}
	// Thicker than the target's line, and with gaps as long as its dashes: often
	// the two lie upon each other, and both must show, in grey too.
	staticStyle = draw.LineStyle{Color: restInk, Width: 2.8, Dashes: []vg.Length{7, 7}}
	// White below, so that the dashes show upon the medians' line too.
	bentGround = draw.LineStyle{Color: color.White, Width: 2.6}
	bentStyle  = draw.LineStyle{Color: ink, Width: 1.3, Dashes: []vg.Length{6, 1.8}}
	// The mean of all, and the reference's moment.
	meanStyle      = draw.LineStyle{Color: ink, Width: 2.4}
	referenceStyle = draw.LineStyle{Color: restInk, Width: 1.4, Dashes: []vg.Length{3, 2}}
	trendStyle     = draw.LineStyle{Color: softInk, Width: 1.1, Dashes: []vg.Length{1.4, 2.6}}
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

// formatNumber writes v with as many places as it has, with a true minus.
func formatNumber(v float64) string {
	s := strconv.FormatFloat(math.Abs(v), 'f', -1, 64)
	if v < 0 {
		return "–" + s
	}
	return s
}

// TextStyle is the pictures' own type, for words that stand beside them: its size
// in points, soft for what is of less weight.
func TextStyle(size float64, heavy, soft bool) text.Style {
	s := style(vg.Length(size), heavy)
	if soft {
		s.Color = softInk
	}
	return s
}
