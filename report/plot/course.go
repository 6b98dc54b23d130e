package plot

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Moment is a spark in time.
type Moment struct {
	S   float64 // seconds from the recording's begin
	RPM float64 // crankshaft speed
	Deg float64 // advance, crank degrees
}

// Course is advance and speed over time.
type Course struct {
	Title, Subtitle string
	Moments         []Moment  // in order of time
	Target          *Band     // degrees; nil: none
	Goals           []float64 // a target by speed, at each of Moments, degrees; nil: none
	GoalHalf        float64   // ± of Goals
	Missed          []float64 // seconds at which a spark was missed
	Relative        bool      // angles are relative to the reference event
	SpeedOnly       bool      // draw the speed alone
}

func (in Course) size() (wide, tall vg.Length) { return width, 13 * vg.Centimeter }
func (in Course) heading() string              { return in.Title }

func (in Course) check() error {
	for _, m := range in.Moments {
		if !finite(m.S, m.RPM, m.Deg) {
			return errNotFinite
		}
	}
	if !finite(in.Missed...) || !finite(in.Goals...) || !finite(in.GoalHalf) || in.Target != nil && !finite(in.Target.Deg, in.Target.Half) {
		return errNotFinite
	}
	return nil
}

// missCross is a spark that was missed.
func missCross(c *draw.Canvas, at vg.Point) {
	c.DrawGlyph(draw.GlyphStyle{Color: goalInk, Radius: 3.4, Shape: draw.CrossGlyph{}}, at)
}

func (in Course) paint(c draw.Canvas, bare bool) {
	pts := make([]Point, len(in.Moments))
	for i, m := range in.Moments {
		pts[i] = Point{RPM: m.S, Deg: m.Deg}
	}
	goal := Input{Points: pts, Target: in.Target}
	if in.Goals != nil {
		for i, m := range in.Moments {
			goal.TargetTable = append(goal.TargetTable, Point{RPM: m.S, Deg: in.Goals[i]})
		}
		goal.TargetTableHalf = in.GoalHalf
	}
	drawn := most(bare)
	if in.SpeedOnly {
		drawn, goal.Points = 0, nil
	}
	p := newPicture(goal, drawn)
	// Of time, what was recorded, and no more.
	t0, t1 := 0.0, 1.0
	if n := len(pts); n > 0 {
		t0, t1 = pts[0].RPM, pts[n-1].RPM
	}
	for _, s := range in.Missed {
		t0, t1 = min(t0, s), max(t1, s)
	}
	if t0 < 0.3*t1 {
		t0 = 0
	}
	if t1-t0 < 0.01 {
		t1 = t0 + 0.01
	}
	pad := 0.01 * (t1 - t0)
	p.xMin, p.xMax = t0-pad, t1+pad
	p.dots, p.outside = p.thin()

	var key []entry
	if len(p.dots) > 0 && !in.SpeedOnly {
		key = append(key, dotEntry(len(p.dots), len(pts), p.outside))
	}
	if in.Target != nil && !in.SpeedOnly {
		key = append(key, targetEntry(in.Target))
	}
	if in.Goals != nil && !in.SpeedOnly {
		s := "target by speed"
		if in.GoalHalf > 0 {
			s += " ± " + formatDegrees(in.GoalHalf)
		}
		key = append(key, entry{s, targetIcon(in.GoalHalf > 0)})
	}
	if len(in.Missed) > 0 {
		key = append(key, entry{"spark missed", func(c *draw.Canvas, x0, x1, y vg.Length) { missCross(c, vg.Point{X: (x0 + x1) / 2, Y: y}) }})
	}
	c = headed(c, in.Title, in.Subtitle, key, bare)
	upper, lower := c, c
	if !in.SpeedOnly {
		cut := c.Min.Y + 0.36*(c.Max.Y-c.Min.Y)
		upper.Min.Y, lower.Max.Y = cut+4, cut-4
	}
	times := plot.ConstantTicks(ticks(p.xMin, p.xMax, perWidth(c, 55), rpmSteps, formatPlain))

	top := 0.0
	for _, m := range in.Moments {
		top = max(top, m.RPM)
	}
	speed := newPlot()
	speed.X.Min, speed.X.Max, speed.Y.Min, speed.Y.Max = p.xMin, p.xMax, 0, 1.08*max(top, 100)
	name(speed, lower, []string{"time in the recording, s", "s"}, []string{"speed, rpm", "rpm"})
	speed.X.Tick.Marker = times
	speed.Y.Tick.Marker = plot.ConstantTicks(ticks(0, speed.Y.Max, min(4, perHeight(lower, 15)), rpmSteps, formatRPM))

	advance := newPlot()
	if !in.SpeedOnly {
		advance.X.Min, advance.X.Max, advance.Y.Min, advance.Y.Max = p.xMin, p.xMax, p.yMin, p.yMax
		advance.X.Tick.Marker = times
		name(advance, upper, nil, advanceNames(in.Relative))
		advance.Y.Tick.Marker = plot.ConstantTicks(ticks(p.yMin, p.yMax, min(7, perHeight(upper, 20)), degreeSteps, formatDegrees))
		// One time axis for both: that with the wider labels decides.
		a, b := advance.DataCanvas(upper), speed.DataCanvas(lower)
		upper.Min.X += max(0, b.Min.X-a.Min.X)
		lower.Min.X += max(0, a.Min.X-b.Min.X)
		upper.Max.X += min(0, b.Max.X-a.Max.X)
		lower.Max.X += min(0, a.Max.X-b.Max.X)
		advance.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
			frame(&c, advance, tx, ty)
			in.target(&c, p, tx, ty)
			for _, q := range p.dots {
				c.DrawGlyph(dotStyle(len(p.dots)), vg.Point{X: tx(q.RPM), Y: ty(q.Deg)})
			}
			in.targetLine(&c, p, tx, ty)
			for _, s := range in.Missed {
				missCross(&c, vg.Point{X: tx(s), Y: c.Min.Y + 5})
			}
			if len(pts) == 0 {
				empty(c, "no spark with an angle")
			}
		}})
		advance.Draw(upper)
	}
	speed.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, speed, tx, ty)
		x, y := make([]float64, len(in.Moments)), make([]float64, len(in.Moments))
		for i, m := range in.Moments {
			x[i], y[i] = m.S, m.RPM
		}
		x, y = envelope(x, y, 400)
		stroke(&c, draw.LineStyle{Color: ink, Width: 1.1}, Curve{X: x, Y: y}, tx, ty)
		if in.SpeedOnly {
			for _, s := range in.Missed {
				missCross(&c, vg.Point{X: tx(s), Y: c.Min.Y + 5})
			}
		}
	}})
	speed.Draw(lower)
}

// target draws the ground of the tolerance.
func (in Course) target(c *draw.Canvas, p *picture, tx, ty func(float64) vg.Length) {
	if b := in.Target; b != nil && b.Half > 0 {
		hatching(c, vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: ty(b.Deg - b.Half)}, Max: vg.Point{X: c.Max.X, Y: ty(b.Deg + b.Half)}}, 11)
	}
	if in.Goals != nil && in.GoalHalf > 0 && len(in.Goals) > 1 {
		low, high := goalLine(p, -in.GoalHalf, tx, ty), goalLine(p, in.GoalHalf, tx, ty)
		hatchedBetween(c, low, high, 11)
	}
}

// targetLine draws the lines of target and tolerance.
func (in Course) targetLine(c *draw.Canvas, p *picture, tx, ty func(float64) vg.Length) {
	if b := in.Target; b != nil {
		for _, by := range []float64{-b.Half, b.Half} {
			if b.Half > 0 {
				c.StrokeLine2(limitStyle, c.Min.X, ty(b.Deg+by), c.Max.X, ty(b.Deg+by))
			}
		}
		c.StrokeLine2(targetStyle, c.Min.X, ty(b.Deg), c.Max.X, ty(b.Deg))
	}
	if len(in.Goals) > 1 {
		if in.GoalHalf > 0 {
			c.StrokeLines(limitStyle, goalLine(p, -in.GoalHalf, tx, ty), goalLine(p, in.GoalHalf, tx, ty))
		}
		c.StrokeLines(targetStyle, goalLine(p, 0, tx, ty))
	}
}

// goalLine is a target by speed over time, of as many points as can be seen.
func goalLine(p *picture, by float64, tx, ty func(float64) vg.Length) []vg.Point {
	const seen = 400
	t := p.in.TargetTable
	var out []vg.Point
	for i := 0; i < len(t); i += max(1, len(t)/seen) {
		out = append(out, vg.Point{X: tx(t[i].RPM), Y: ty(t[i].Deg + by)})
	}
	return out
}

// envelope is a line of at most about 2·n points that looks like the one
// through all of them: of each of n columns the lowest and the highest, in the
// order in which they came. X must rise.
func envelope(x, y []float64, n int) (ex, ey []float64) {
	if len(x) <= 2*n {
		return x, y
	}
	wide := (x[len(x)-1] - x[0]) / float64(n)
	for i := 0; i < len(x); {
		end := i
		lo, hi := i, i
		column := math.Floor((x[i] - x[0]) / wide)
		for end < len(x) && math.Floor((x[end]-x[0])/wide) == column {
			if y[end] < y[lo] {
				lo = end
			}
			if y[end] > y[hi] {
				hi = end
			}
			end++
		}
		a, b := min(lo, hi), max(lo, hi)
		ex, ey = append(ex, x[a]), append(ey, y[a])
		if b != a {
			ex, ey = append(ex, x[b]), append(ey, y[b])
		}
		i = max(end, i+1)
	}
	return ex, ey
}
