package plot

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Curve is a line through points of equal number, X rising.
type Curve struct {
	Name string    // for the key
	X, Y []float64 // units as the picture's axes say
}

// CheckChannel is what is drawn of one channel.
type CheckChannel struct {
	Name     string  // its heading
	Shapes   []Curve // X milliseconds from the timing point, Y percent of full scale
	Spectrum Curve   // X kHz, Y dB of (full scale)²/Hz
	EdgeKHz  float64 // where the spectrum breaks off; 0: nowhere
}

// CheckInput is all that the picture of a check shows.
type CheckInput struct {
	Title, Subtitle string         // one line each
	Channels        []CheckChannel // in order
}

// Sizes of the picture of a check.
const (
	checkRow  = 6.4 * vg.Centimeter // height per channel
	checkHead = 1.8 * vg.Centimeter
	mostRows  = 4
)

// check implements Figure: it refuses numbers that are not finite, and curves
// whose X and Y differ in number.
func (in CheckInput) check() error {
	for _, c := range in.Channels {
		for _, k := range append(slices.Clone(c.Shapes), c.Spectrum) {
			if err := k.check(); err != nil {
				return err
			}
		}
	}
	return nil
}

// check refuses what is no curve.
func (k Curve) check() error {
	if len(k.X) != len(k.Y) {
		return fmt.Errorf("plot: a curve of %d and %d numbers: want as many of each", len(k.X), len(k.Y))
	}
	for i := range k.X {
		if s := k.X[i] + k.Y[i]; math.IsNaN(s) || math.IsInf(s, 0) {
			return errors.New("plot: a number that is not finite: want times, levels and frequencies")
		}
	}
	return nil
}

// size implements Figure.
func (in CheckInput) size() (wide, tall vg.Length) {
	return width, checkHead + checkRow*vg.Length(max(1, min(mostRows, len(in.Channels))))
}

// heading implements Figure.
func (in CheckInput) heading() string { return in.Title }

// paint draws a recording's health: each channel's pulses to the left, with the
// timing point at zero, its spectrum to the right. Of more than four channels
// the first four are drawn, and the picture says so.
func (in CheckInput) paint(c draw.Canvas, bare bool) {
	if n := len(in.Channels); n > mostRows {
		in.Subtitle += fmt.Sprintf("; the first %d of %d channels are drawn", mostRows, n)
		in.Channels = in.Channels[:mostRows]
	}
	c = headed(c, in.Title, in.Subtitle, nil, bare)
	if len(in.Channels) == 0 {
		return
	}
	row := (c.Max.Y - c.Min.Y) / vg.Length(len(in.Channels))
	half := (c.Max.X - c.Min.X) / 2
	head := style(10, true)
	for i, ch := range in.Channels {
		top := c.Max.Y - row*vg.Length(i)
		c.FillText(head, vg.Point{X: c.Min.X, Y: top - 12}, fit(head, ch.Name, c.Max.X-c.Min.X))
		left, right := c, c
		left.Min.Y, left.Max.Y = top-row+8, top-20
		right.Min.Y, right.Max.Y = left.Min.Y, left.Max.Y
		left.Max.X = c.Min.X + half - 8
		right.Min.X = c.Min.X + half + 8
		shapesPlot(left, ch)
		spectrumPlot(right, ch)
	}
}

// shapeStyles tell curves apart by dash and weight as well as by colour.
var shapeStyles = []draw.LineStyle{
	{Color: ink, Width: 1.4},
	{Color: goalInk, Width: 1.4, Dashes: []vg.Length{5, 2.5}},
	{Color: restInk, Width: 1.6, Dashes: []vg.Length{1.5, 2}},
}

// empty says in the middle of a plot why there is nothing in it.
func empty(c draw.Canvas, s string) {
	sty := style(9, false)
	sty.Color = softInk
	sty.XAlign, sty.YAlign = text.XCenter, text.YCenter
	c.FillText(sty, c.Center(), fit(sty, s, c.Max.X-c.Min.X))
}

func shapesPlot(c draw.Canvas, ch CheckChannel) {
	if len(ch.Shapes) == 0 {
		empty(c, "no pulses that repeat")
		return
	}
	x0, x1, y0, y1 := 0.0, 0.0, 0.0, 0.0
	for _, s := range ch.Shapes {
		for i := range s.X {
			x0, x1 = min(x0, s.X[i]), max(x1, s.X[i])
			y0, y1 = min(y0, s.Y[i]), max(y1, s.Y[i])
		}
	}
	pl := newPlot()
	span := func(a, b float64) (float64, float64) {
		if b-a <= 0 {
			a, b = a-1, b+1
		}
		return a - 0.06*(b-a), b + 0.06*(b-a)
	}
	pl.X.Min, pl.X.Max = x0, x1
	if x1 <= x0 {
		pl.X.Min, pl.X.Max = -1, 1
	}
	pl.Y.Min, pl.Y.Max = span(y0, y1)
	name(pl, c, []string{"ms from the timing point", "ms"}, []string{"% of full scale", "%"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(pl.X.Min, pl.X.Max, 5, rpmSteps, formatPlain))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(pl.Y.Min, pl.Y.Max, 5, rpmSteps, formatPlain))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		c.StrokeLine2(draw.LineStyle{Color: goalInk, Width: 0.9, Dashes: []vg.Length{2, 2}}, tx(0), c.Min.Y, tx(0), c.Max.Y)
		for i, s := range ch.Shapes {
			stroke(&c, shapeStyles[i%len(shapeStyles)], s, tx, ty)
		}
		if len(ch.Shapes) > 1 {
			sty := style(8.5, false)
			y := c.Max.Y - 11
			for i, s := range ch.Shapes {
				w := fontSlack * sty.Width(s.Name)
				c.StrokeLine2(shapeStyles[i%len(shapeStyles)], c.Max.X-w-26, y+3, c.Max.X-w-6, y+3)
				c.FillText(sty, vg.Point{X: c.Max.X - w - 2, Y: y}, s.Name)
				y -= 11
			}
		}
	}})
	pl.Draw(c)
}

func spectrumPlot(c draw.Canvas, ch CheckChannel) {
	s := ch.Spectrum
	if len(s.X) < 2 {
		empty(c, "too short a recording for a spectrum")
		return
	}
	y0, y1 := slices.Min(s.Y), slices.Max(s.Y)
	y0 = max(y0, y1-140)
	pl := newPlot()
	pl.X.Min, pl.X.Max = 0, s.X[len(s.X)-1]
	pl.Y.Min, pl.Y.Max = y0-4, y1+4
	name(pl, c, []string{"kHz"}, []string{"spectrum, dB per Hz", "dB per Hz"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(0, pl.X.Max, 6, rpmSteps, formatPlain))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(pl.Y.Min, pl.Y.Max, 5, rpmSteps, formatPlain))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		if k := ch.EdgeKHz; k > 0 {
			c.StrokeLine2(targetStyle, tx(k), c.Min.Y, tx(k), c.Max.Y)
			sty := style(8.5, false)
			words := fmt.Sprintf("breaks off at %.1f kHz", k)
			x := tx(k) + 3
			if w := fontSlack * sty.Width(words); x+w > c.Max.X {
				x = tx(k) - 3 - w
			}
			c.FillText(sty, vg.Point{X: x, Y: c.Max.Y - 11}, words)
		}
		stroke(&c, draw.LineStyle{Color: ink, Width: 0.8}, s, tx, ty)
	}})
	pl.Draw(c)
}

// lines draws within the axes.
type lines struct {
	f func(c draw.Canvas, tx, ty func(float64) vg.Length)
}

// Plot implements plot.Plotter.
func (l lines) Plot(c draw.Canvas, pl *plot.Plot) {
	tx, ty := pl.Transforms(&c)
	l.f(c, tx, ty)
}

// frame draws the grid.
func frame(c *draw.Canvas, pl *plot.Plot, tx, ty func(float64) vg.Length) {
	grid := draw.LineStyle{Color: gridInk, Width: 0.6}
	for _, t := range pl.X.Tick.Marker.Ticks(pl.X.Min, pl.X.Max) {
		c.StrokeLine2(grid, tx(t.Value), c.Min.Y, tx(t.Value), c.Max.Y)
	}
	for _, t := range pl.Y.Tick.Marker.Ticks(pl.Y.Min, pl.Y.Max) {
		c.StrokeLine2(grid, c.Min.X, ty(t.Value), c.Max.X, ty(t.Value))
	}
}

// stroke draws a curve, cut at the frame.
func stroke(c *draw.Canvas, sty draw.LineStyle, s Curve, tx, ty func(float64) vg.Length) {
	pts := make([]vg.Point, len(s.X))
	for i := range s.X {
		pts[i] = vg.Point{X: tx(s.X[i]), Y: ty(s.Y[i])}
	}
	c.StrokeLines(sty, c.ClipLinesXY(pts)...)
}

// formatPlain writes a tick without superfluous noughts.
func formatPlain(v float64) string {
	if v < 0 {
		return "–" + fmt.Sprintf("%.4g", -v) // as formatDegrees has it
	}
	return fmt.Sprintf("%.4g", v)
}
