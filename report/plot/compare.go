package plot

import (
	"errors"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Bar is a point with its ±.
type Bar struct {
	RPM  float64 // crankshaft speed
	Deg  float64 // crank degrees
	Half float64 // ± degrees; 0: no bar drawn
}

// CompareCurve is what is known of one side by speed.
type CompareCurve struct {
	Name   string
	Points []Bar // in order of speed
	Level  bool  // one angle that holds for all speeds, drawn across
}

// CompareInput is all that the picture of a comparison shows.
type CompareInput struct {
	Title, Subtitle string         // one line each
	Sides           []CompareCurve // the first is what the others are compared with
	Differences     []CompareCurve // of Sides[1:] less Sides[0], degrees
	Relative        bool           // angles are relative to the reference event
	// Target is the line of what the engine should fire at, in order of speed,
	// level beyond its ends; one point: an angle for all speeds; nil: none.
	Target    []Bar
	Tolerance float64 // ± degrees about Target; 0: none
}

// mostSides is how many lines can be told apart.
const mostSides = 4

// sideStyle tells sides apart by shape, dash and lightness.
type sideStyle struct {
	line  draw.LineStyle
	shape draw.GlyphDrawer
	size  vg.Length
	open  bool // white inside
}

func sideStyles() []sideStyle {
	return []sideStyle{
		{draw.LineStyle{Color: softInk, Width: 1.2, Dashes: []vg.Length{6, 3}}, draw.CircleGlyph{}, 4, true},
		{draw.LineStyle{Color: ink, Width: 1.5}, draw.BoxGlyph{}, 3.6, false},
		{draw.LineStyle{Color: goalInk, Width: 1.5, Dashes: []vg.Length{1.6, 2.4}}, draw.TriangleGlyph{}, 5, false},
		{draw.LineStyle{Color: restInk, Width: 1.5, Dashes: []vg.Length{9, 2, 2, 2}}, draw.TriangleGlyph{}, 5, true},
	}
}

// check implements Figure: it refuses numbers that are not finite, and more than
// four sides.
func (in CompareInput) check() error {
	if n := len(in.Sides); n < 2 || n > mostSides || len(in.Differences) != n-1 {
		return fmt.Errorf("plot: %d sides and %d differences: want two to %d sides and a difference for each but the first", len(in.Sides), len(in.Differences), mostSides)
	}
	for _, list := range [][]CompareCurve{in.Sides, in.Differences, {{Points: in.Target}, {Points: []Bar{{Deg: in.Tolerance}}}}} {
		for _, c := range list {
			for _, p := range c.Points {
				if s := p.RPM + p.Deg + p.Half; math.IsNaN(s) || math.IsInf(s, 0) {
					return errors.New("plot: a number that is not finite: want rpm and degrees")
				}
			}
		}
	}
	return nil
}

// size implements Figure.
func (in CompareInput) size() (wide, tall vg.Length) { return width, 14 * vg.Centimeter }

// heading implements Figure.
func (in CompareInput) heading() string { return in.Title }

// paint draws a comparison: the sides above, what lies between them below, on
// one axis of speed.
func (in CompareInput) paint(c draw.Canvas, bare bool) {
	c = headed(c, in.Title, in.Subtitle, nil, bare)
	y := c.Max.Y + 8
	// The key.
	styles := sideStyles()
	x := c.Min.X
	y -= 16
	key := style(9, false)
	entries := len(in.Sides)
	if in.Target != nil {
		entries++
	}
	share := (c.Max.X - c.Min.X) / vg.Length(entries)
	for i, s := range in.Sides {
		c.StrokeLine2(styles[i].line, x, y+3, x+24, y+3)
		styles[i].mark(&c, vg.Point{X: x + 12, Y: y + 3})
		c.FillText(key, vg.Point{X: x + 30, Y: y}, fit(key, s.Name, share-40))
		x += share
	}
	if in.Target != nil {
		words := "target by speed"
		if len(in.Target) == 1 {
			words = "target " + formatDegrees(in.Target[0].Deg)
		}
		if in.Tolerance > 0 {
			words += " ±" + formatDegrees(in.Tolerance)
		}
		c.StrokeLine2(targetStyle, x, y+3, x+24, y+3)
		c.FillText(key, vg.Point{X: x + 30, Y: y}, fit(key, words, share-40))
	}
	c.Max.Y = y - 8

	lo, hi := math.Inf(1), math.Inf(-1)
	for k, list := range [][]CompareCurve{in.Sides, in.Differences} {
		for _, s := range list {
			if s.Level && k == 0 {
				continue
			}
			for _, p := range s.Points {
				lo, hi = min(lo, p.RPM), max(hi, p.RPM)
			}
		}
	}
	if lo > hi {
		lo, hi = 0, 1000
	}
	if span := max(200, 0.1*hi); hi-lo < span {
		lo, hi = max(0, (lo+hi-span)/2), (lo+hi+span)/2
	}
	pad := 0.05 * (hi - lo)
	upper, lower := c, c
	cut := c.Min.Y + 0.42*(c.Max.Y-c.Min.Y)
	upper.Min.Y, lower.Max.Y = cut+4, cut-4
	label := "advance, ° before top dead centre"
	if in.Relative {
		label = "spark, ° relative to the reference"
	}
	panel(upper, in.Sides, styles, lo-pad, hi+pad, label, course(in.Target, lo-pad, hi+pad), in.Tolerance, false)
	panel(lower, in.Differences, styles[1:], lo-pad, hi+pad, "difference, ° (positive: earlier)", nil, 0, true)
}

// course is a target's line from one speed to another, level beyond its ends.
func course(target []Bar, x0, x1 float64) []Bar {
	if len(target) == 0 {
		return nil
	}
	at := func(x float64) Bar {
		for i, q := range target {
			switch {
			case x > q.RPM:
			case i == 0:
				return Bar{RPM: x, Deg: q.Deg}
			default:
				p := target[i-1]
				return Bar{RPM: x, Deg: p.Deg + (q.Deg-p.Deg)*(x-p.RPM)/(q.RPM-p.RPM)}
			}
		}
		return Bar{RPM: x, Deg: target[len(target)-1].Deg}
	}
	out := []Bar{at(x0)}
	for _, q := range target {
		if q.RPM > x0 && q.RPM < x1 {
			out = append(out, q)
		}
	}
	return append(out, at(x1))
}

// panel draws curves upon axes of speed and degrees, and over them a target's
// course with its ± tolerance.
func panel(c draw.Canvas, curves []CompareCurve, styles []sideStyle, x0, x1 float64, label string, target []Bar, tolerance float64, zero bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range target {
		lo, hi = min(lo, q.Deg-tolerance), max(hi, q.Deg+tolerance)
	}
	for _, s := range curves {
		for _, p := range s.Points {
			lo, hi = min(lo, p.Deg-p.Half), max(hi, p.Deg+p.Half)
		}
	}
	if zero {
		lo, hi = min(lo, 0), max(hi, 0)
	}
	if lo > hi {
		lo, hi = 0, 0
	}
	if hi-lo < minSpan {
		lo, hi = (lo+hi-minSpan)/2, (lo+hi+minSpan)/2
	}
	pad := 0.08 * (hi - lo)
	pl := newPlot()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = x0, x1, lo-pad, hi+pad
	if zero {
		pl.X.Label.Text = "engine speed, rpm"
	}
	pl.Y.Label.Text = label
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(x0, x1, 8, rpmSteps, formatRPM))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(pl.Y.Min, pl.Y.Max, 6, degreeSteps, formatDegrees))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		if zero {
			c.StrokeLine2(draw.LineStyle{Color: ink, Width: 0.9}, c.Min.X, ty(0), c.Max.X, ty(0))
		}
		for _, by := range []float64{0, -tolerance, tolerance} {
			sty := targetStyle
			if by != 0 {
				sty = limitStyle
			}
			var line []vg.Point
			for _, q := range target {
				line = append(line, vg.Point{X: tx(q.RPM), Y: ty(q.Deg + by)})
			}
			if len(line) > 1 {
				c.StrokeLines(sty, line)
			}
		}
		for i, s := range curves {
			sty := styles[i]
			if s.Level && len(s.Points) > 0 {
				p := s.Points[0]
				hatching(&c, vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: ty(p.Deg - p.Half)}, Max: vg.Point{X: c.Max.X, Y: ty(p.Deg + p.Half)}}, 11)
				c.StrokeLine2(sty.line, c.Min.X, ty(p.Deg), c.Max.X, ty(p.Deg))
				continue
			}
			var line []vg.Point
			for _, p := range s.Points {
				line = append(line, vg.Point{X: tx(p.RPM), Y: ty(p.Deg)})
			}
			if len(line) > 1 {
				c.StrokeLines(sty.line, line)
			}
			for k, p := range s.Points {
				if p.Half > 0 {
					// A little apart, so that bars at one speed can be told.
					x := line[k].X + vg.Length(i)*1.6
					bar := draw.LineStyle{Color: sty.line.Color, Width: 1}
					c.StrokeLine2(bar, x, ty(p.Deg-p.Half), x, ty(p.Deg+p.Half))
					c.StrokeLine2(bar, x-3, ty(p.Deg-p.Half), x+3, ty(p.Deg-p.Half))
					c.StrokeLine2(bar, x-3, ty(p.Deg+p.Half), x+3, ty(p.Deg+p.Half))
				}
			}
			for _, at := range line {
				sty.mark(&c, at)
			}
		}
	}})
	pl.Draw(c)
}

// mark draws a side's sign.
func (s sideStyle) mark(c *draw.Canvas, at vg.Point) {
	c.DrawGlyph(draw.GlyphStyle{Color: s.line.Color, Radius: s.size, Shape: s.shape}, at)
	if s.open {
		c.DrawGlyph(draw.GlyphStyle{Color: color.White, Radius: 0.55 * s.size, Shape: s.shape}, at)
	}
}
