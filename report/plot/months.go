package plot

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Reading is the mean advance of one recording.
type Reading struct {
	Day      float64 // days since any day
	Date     string  // the same in words
	Deg      float64 // advance, crank degrees
	Half     float64 // ± of it; 0: no bar
	Target   float64 // degrees
	Goal     bool    // there is a Target
	GoalHalf float64 // ± of it
	Begins   bool    // with it a new stretch begins: nothing is drawn from the one before to it
	Note     string  // a word beside it; may be empty
}

// Sloped is a straight line between two days.
type Sloped struct {
	FromDay, FromDeg, ToDay, ToDeg float64
}

// Months is the advance of one engine from date to date.
type Months struct {
	Title, Subtitle string
	Readings        []Reading // in order of time
	Lines           []Sloped
	Relative        bool
}

func (in Months) size() (wide, tall vg.Length) { return width, height }
func (in Months) heading() string              { return in.Title }

func (in Months) check() error {
	for _, r := range in.Readings {
		if !finite(r.Day, r.Deg, r.Half, r.Target, r.GoalHalf) {
			return errNotFinite
		}
	}
	for _, l := range in.Lines {
		if !finite(l.FromDay, l.FromDeg, l.ToDay, l.ToDeg) {
			return errNotFinite
		}
	}
	return nil
}

// span is what the axes show.
func (in Months) span() (x0, x1, y0, y1 float64) {
	if len(in.Readings) == 0 {
		return 0, 1, -1, 1
	}
	x0, x1 = in.Readings[0].Day, in.Readings[len(in.Readings)-1].Day
	y0, y1 = math.Inf(1), math.Inf(-1)
	for _, r := range in.Readings {
		y0, y1 = min(y0, r.Deg-r.Half), max(y1, r.Deg+r.Half)
		if r.Goal {
			y0, y1 = min(y0, r.Target-r.GoalHalf), max(y1, r.Target+r.GoalHalf)
		}
	}
	if x1-x0 < 1 {
		x0, x1 = (x0+x1)/2-0.5, (x0+x1)/2+0.5
	}
	if y1-y0 < minSpan {
		y0, y1 = (y0+y1-minSpan)/2, (y0+y1+minSpan)/2
	}
	dx, dy := 0.05*(x1-x0), 0.08*(y1-y0)
	return x0 - dx, x1 + dx, y0 - dy, y1 + dy
}

// dates are ticks at the days of readings, as many as have room.
func (in Months) dates(c draw.Canvas, x0, x1 float64) (out []plot.Tick) {
	sty := style(9, false)
	per := float64(c.Max.X-c.Min.X-50) / (x1 - x0)
	end := math.Inf(-1)
	for _, r := range in.Readings {
		half := float64(sty.Width(r.Date))*fontSlack/2 + 3
		at := per * (r.Day - x0)
		label := r.Date
		if at-half < end {
			label = ""
		} else {
			end = at + half
		}
		out = append(out, plot.Tick{Value: r.Day, Label: label})
	}
	return out
}

func (in Months) paint(c draw.Canvas, bare bool) {
	x0, x1, y0, y1 := in.span()
	key := []entry{{"mean of a recording, ± at 95 %", func(c *draw.Canvas, a, b, y vg.Length) {
		whisker(c, (a+b)/2, y-6, y+6)
		marker(c, vg.Point{X: (a + b) / 2, Y: y})
	}}}
	tolerance, goal := false, false
	for _, r := range in.Readings {
		goal = goal || r.Goal
		tolerance = tolerance || r.Goal && r.GoalHalf > 0
	}
	if goal {
		key = append(key, entry{"target", targetIcon(tolerance)})
	}
	if len(in.Lines) > 0 {
		key = append(key, entry{"straight line through the means", lineIcon(trendStyle)})
	}
	for i, r := range in.Readings {
		if r.Begins && i > 0 {
			key = append(key, entry{"adjusted, or set up otherwise", func(c *draw.Canvas, a, b, y vg.Length) {
				c.StrokeLine2(referenceStyle, (a+b)/2, y-6, (a+b)/2, y+6)
			}})
			break
		}
	}
	c = headed(c, in.Title, in.Subtitle, key, bare)
	pl := newPlot()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = x0, x1, y0, y1
	name(pl, c, []string{"recorded on"}, advanceNames(in.Relative))
	pl.X.Tick.Marker = plot.ConstantTicks(in.dates(c, x0, x1))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(y0, y1, min(8, perHeight(c, 22)), degreeSteps, formatDegrees))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		if len(in.Readings) == 0 {
			empty(c, "no result")
			return
		}
		in.goals(&c, tx, ty)
		for _, l := range in.Lines {
			c.StrokeLine2(trendStyle, tx(l.FromDay), ty(l.FromDeg), tx(l.ToDay), ty(l.ToDeg))
		}
		for i, r := range in.Readings {
			if r.Begins && i > 0 {
				x := (tx(in.Readings[i-1].Day) + tx(r.Day)) / 2
				c.StrokeLine2(referenceStyle, x, c.Min.Y, x, c.Max.Y)
			}
			if r.Half > 0 {
				whisker(&c, tx(r.Day), ty(r.Deg-r.Half), ty(r.Deg+r.Half))
			}
		}
		sty := style(8, false)
		for i, r := range in.Readings {
			at := vg.Point{X: tx(r.Day), Y: ty(r.Deg)}
			marker(&c, at)
			if r.Note == "" {
				continue
			}
			room := c.Max.X - at.X - 8
			for _, next := range in.Readings[i+1:] {
				if d := ty(next.Deg+next.Half) - at.Y; d > -2 && ty(next.Deg-next.Half)-at.Y < 14 {
					room = tx(next.Day) - at.X - 10
					break
				}
			}
			if sty.Width(r.Note) < room {
				c.FillText(sty, vg.Point{X: at.X + 7, Y: at.Y + 4}, r.Note)
			}
		}
	}})
	pl.Draw(c)
}

// goals draws the targets, each as far as halfway to its neighbours.
func (in Months) goals(c *draw.Canvas, tx, ty func(float64) vg.Length) {
	n := len(in.Readings)
	for i := 0; i < n; {
		r := in.Readings[i]
		end := i + 1
		for end < n && in.Readings[end].Goal == r.Goal && in.Readings[end].Target == r.Target && in.Readings[end].GoalHalf == r.GoalHalf {
			end++
		}
		a, b := c.Min.X, c.Max.X
		if i > 0 {
			a = (tx(in.Readings[i-1].Day) + tx(r.Day)) / 2
		}
		if end < n {
			b = (tx(in.Readings[end-1].Day) + tx(in.Readings[end].Day)) / 2
		}
		if r.Goal {
			if r.GoalHalf > 0 {
				hatching(c, vg.Rectangle{Min: vg.Point{X: a, Y: ty(r.Target - r.GoalHalf)}, Max: vg.Point{X: b, Y: ty(r.Target + r.GoalHalf)}}, 11)
				for _, by := range []float64{-r.GoalHalf, r.GoalHalf} {
					c.StrokeLine2(limitStyle, a, ty(r.Target+by), b, ty(r.Target+by))
				}
			}
			c.StrokeLine2(targetStyle, a, ty(r.Target), b, ty(r.Target))
		}
		i = end
	}
}
