package plot

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// errNotFinite is what every picture says of nan and inf.
var errNotFinite = errors.New("plot: a number that is not finite")

// finite says whether all are.
func finite(v ...float64) bool {
	return !slices.ContainsFunc(v, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
}

// Scatter is how far the sparks lie from the mean at their speed.
type Scatter struct {
	Title, Subtitle string
	Points          []Point // RPM, and Deg: advance less the mean at that speed, positive earlier
	Ranges          []Range // in order of speed
}

// Range is what is known of the scatter in one range of speed.
type Range struct {
	FromRPM, ToRPM float64
	StdDev         float64 // degrees, 0 or more; below 0: not known
	N              int     // sparks
}

func (in Scatter) size() (wide, tall vg.Length) { return width, height }
func (in Scatter) heading() string              { return in.Title }

func (in Scatter) check() error {
	for _, p := range in.Points {
		if !finite(p.RPM, p.Deg) {
			return errNotFinite
		}
	}
	for _, r := range in.Ranges {
		if !finite(r.FromRPM, r.ToRPM, r.StdDev) {
			return errNotFinite
		}
	}
	return nil
}

func (in Scatter) paint(c draw.Canvas, bare bool) {
	// The axes of the picture of the advance itself: the two are read together.
	p := newPicture(Input{Points: in.Points}, most(bare))
	reach := 0.0
	for _, r := range in.Ranges {
		reach = max(reach, 1.25*r.StdDev)
	}
	reach = max(reach, p.yMax, -p.yMin)
	p.yMin, p.yMax = -reach, reach
	p.dots, p.outside = p.thin()
	key := []entry{{"± scatter (standard deviation) at that speed", func(c *draw.Canvas, x0, x1, y vg.Length) {
		c.SetColor(bandInk)
		c.Fill(keyBox(x0, x1, y).Path())
		c.StrokeLine2(medianStyle, x0, y+5, x1, y+5)
		c.StrokeLine2(medianStyle, x0, y-5, x1, y-5)
	}}}
	if len(p.dots) > 0 {
		key = append(key, dotEntry(len(p.dots), len(in.Points), p.outside))
	}
	c = headed(c, in.Title, in.Subtitle, key, bare)
	pl := newPlot()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = p.xMin, p.xMax, p.yMin, p.yMax
	name(pl, c, speedNames(), []string{"from the mean at that speed, ° (positive: earlier)", "from the mean, ° (+: earlier)", "from the mean, °", "°"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(p.xMin, p.xMax, perWidth(c, 55), rpmSteps, formatRPM))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(p.yMin, p.yMax, min(8, perHeight(c, 20)), degreeSteps, formatDegrees))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		at := func(x float64) vg.Length { return max(c.Min.X, min(c.Max.X, tx(x))) }
		for _, r := range in.Ranges {
			if r.StdDev > 0 {
				c.SetColor(bandInk)
				c.Fill(vg.Rectangle{Min: vg.Point{X: at(r.FromRPM), Y: ty(-r.StdDev)}, Max: vg.Point{X: at(r.ToRPM), Y: ty(r.StdDev)}}.Path())
			}
		}
		frame(&c, pl, tx, ty)
		if len(in.Points) == 0 {
			empty(c, "no spark with an angle")
			return
		}
		c.StrokeLine2(draw.LineStyle{Color: ink, Width: 0.7}, c.Min.X, ty(0), c.Max.X, ty(0))
		for _, q := range p.dots {
			c.DrawGlyph(dotStyle(len(p.dots)), vg.Point{X: tx(q.RPM), Y: ty(q.Deg)})
		}
		figure := style(8, false)
		figure.XAlign = draw.XCenter
		for _, r := range in.Ranges {
			if r.StdDev < 0 {
				continue
			}
			x0, x1 := at(r.FromRPM), at(r.ToRPM)
			for _, v := range []float64{-r.StdDev, r.StdDev} {
				c.StrokeLine2(medianStyle, x0, ty(v), x1, ty(v))
			}
			if s := formatDegrees(r.StdDev); figure.Width(s) < x1-x0 {
				c.FillText(figure, vg.Point{X: (x0 + x1) / 2, Y: ty(r.StdDev) + 2}, s)
			}
		}
	}})
	pl.Draw(c)
}

// perWidth is how many labels of so many points go beside each other.
func perWidth(c draw.Canvas, each vg.Length) int {
	return max(2, int((c.Max.X-c.Min.X)/each))
}

// perHeight is how many labels of so many points go above each other.
func perHeight(c draw.Canvas, each vg.Length) int {
	return max(1, int((c.Max.Y-c.Min.Y-30)/each))
}

// speedNames are the names of an axis of speed, the longest first.
func speedNames() []string { return []string{"engine speed, rpm", "rpm"} }
