package plot

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Stretch is a part of a session.
type Stretch struct {
	FromS, ToS float64 // seconds from the recording's begin
	Pull       bool    // drawn upon a ground, so that its ends show
	Label      string  // a few letters; drawn where there is room
}

// Overlay is all pulls of one direction.
type Overlay struct {
	Pulls [][]Point // each in order of speed
	Mean  []Point   // in order of speed
	// Low and High are the lowest and highest pull at each of Mean, degrees.
	Low, High []float64
}

// Session is the speed over time with the parts of a session, and below it the
// advance of every pull over speed.
type Session struct {
	Title, Subtitle string
	Moments         []Moment // in order of time; of each, time and speed are drawn
	Parts           []Stretch
	Up, Down        Overlay
	Relative        bool // angles are relative to the reference event
}

func (in Session) size() (wide, tall vg.Length) { return width, 16 * vg.Centimeter }
func (in Session) heading() string              { return in.Title }

func (in Session) check() error {
	for _, m := range in.Moments {
		if !finite(m.S, m.RPM) {
			return errNotFinite
		}
	}
	for _, p := range in.Parts {
		if !finite(p.FromS, p.ToS) {
			return errNotFinite
		}
	}
	for _, o := range []Overlay{in.Up, in.Down} {
		for _, p := range append([][]Point{o.Mean}, o.Pulls...) {
			for _, q := range p {
				if !finite(q.RPM, q.Deg) {
					return errNotFinite
				}
			}
		}
		if !finite(o.Low...) || !finite(o.High...) || len(o.Low) != len(o.Mean) || len(o.High) != len(o.Mean) {
			return errNotFinite
		}
	}
	return nil
}

// The lines of a session: pulls up are whole, pulls down are dashed.
var (
	upStyle       = draw.LineStyle{Color: dotInk, Width: 0.9}
	downStyle     = draw.LineStyle{Color: dotInk, Width: 0.9, Dashes: []vg.Length{4, 2.4}}
	upMeanStyle   = draw.LineStyle{Color: ink, Width: 2.2}
	downMeanStyle = draw.LineStyle{Color: restInk, Width: 2.2, Dashes: []vg.Length{5, 3}}
)

func (in Session) paint(c draw.Canvas, bare bool) {
	var key []entry
	add := func(s string, icon func(*draw.Canvas, vg.Length, vg.Length, vg.Length)) {
		key = append(key, entry{s, icon})
	}
	if len(in.Up.Pulls) > 0 {
		add("pull up", lineIcon(upStyle))
	}
	if len(in.Up.Mean) > 0 {
		add("mean of the pulls up, lowest to highest", func(c *draw.Canvas, x0, x1, y vg.Length) {
			box := keyBox(x0, x1, y)
			c.SetColor(bandInk)
			c.Fill(box.Path())
			c.StrokeLine2(upMeanStyle, x0, y, x1, y)
		})
	}
	if len(in.Down.Pulls) > 0 {
		add("pull down", lineIcon(downStyle))
	}
	if len(in.Down.Mean) > 0 {
		add("mean of the pulls down", lineIcon(downMeanStyle))
	}
	c = headed(c, in.Title, in.Subtitle, key, bare)
	upper, lower := c, c
	cut := c.Min.Y + 0.62*(c.Max.Y-c.Min.Y)
	upper.Min.Y, lower.Max.Y = cut+4, cut-8
	in.speed(upper)
	in.advance(lower)
}

// speed draws the speed over time and the parts.
func (in Session) speed(c draw.Canvas) {
	t0, t1, top := 0.0, 1.0, 100.0
	for _, m := range in.Moments {
		t1, top = max(t1, m.S), max(top, m.RPM)
	}
	pl := newPlot()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = t0, t1*1.005, 0, 1.2*top
	name(pl, c, []string{"time in the recording, s", "s"}, []string{"speed, rpm", "rpm"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(pl.X.Min, pl.X.Max, perWidth(c, 55), rpmSteps, formatPlain))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(0, pl.Y.Max, min(4, perHeight(c, 24)), rpmSteps, formatRPM))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		label := style(8, false)
		label.Color = softInk
		label.XAlign = text.XCenter
		for _, p := range in.Parts {
			r := vg.Rectangle{Min: vg.Point{X: tx(p.FromS), Y: c.Min.Y}, Max: vg.Point{X: tx(p.ToS), Y: c.Max.Y}}
			if p.Pull {
				c.SetColor(bandInk)
				c.Fill(r.Path())
			}
			if w := label.Width(p.Label); fontSlack*w < r.Max.X-r.Min.X {
				c.FillText(label, vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: c.Max.Y - 11}, p.Label)
			}
		}
		frame(&c, pl, tx, ty)
		x, y := make([]float64, len(in.Moments)), make([]float64, len(in.Moments))
		for i, m := range in.Moments {
			x[i], y[i] = m.S, m.RPM
		}
		x, y = envelope(x, y, 500)
		stroke(&c, draw.LineStyle{Color: ink, Width: 1.1}, Curve{X: x, Y: y}, tx, ty)
		if len(in.Moments) == 0 {
			empty(c, "no spark with a speed")
		}
	}})
	pl.Draw(c)
}

// advance draws the pulls over speed.
func (in Session) advance(c draw.Canvas) {
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	take := func(x, y float64) { x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y) }
	for _, o := range []Overlay{in.Up, in.Down} {
		for _, p := range append([][]Point{o.Mean}, o.Pulls...) {
			for _, q := range p {
				take(q.RPM, q.Deg)
			}
		}
		for i, q := range o.Mean {
			take(q.RPM, o.Low[i])
			take(q.RPM, o.High[i])
		}
	}
	none := x0 > x1
	if none {
		x0, x1, y0, y1 = 0, 1000, 0, 0
	}
	if x1-x0 < 200 {
		x0, x1 = (x0+x1)/2-100, (x0+x1)/2+100
	}
	if y1-y0 < minSpan {
		y0, y1 = (y0+y1-minSpan)/2, (y0+y1+minSpan)/2
	}
	pl := newPlot()
	pl.X.Min, pl.X.Max = x0-0.03*(x1-x0), x1+0.03*(x1-x0)
	pl.Y.Min, pl.Y.Max = y0-0.06*(y1-y0), y1+0.06*(y1-y0)
	name(pl, c, []string{"engine speed, rpm", "rpm"}, advanceNames(in.Relative))
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(pl.X.Min, pl.X.Max, perWidth(c, 55), rpmSteps, formatRPM))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(pl.Y.Min, pl.Y.Max, min(7, perHeight(c, 20)), degreeSteps, formatDegrees))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		points := func(q []Point) (out []vg.Point) {
			for _, p := range q {
				out = append(out, vg.Point{X: tx(p.RPM), Y: ty(p.Deg)})
			}
			return out
		}
		if m := in.Up.Mean; len(m) > 1 {
			var edge []vg.Point
			for i := range m {
				edge = append(edge, vg.Point{X: tx(m[i].RPM), Y: ty(in.Up.High[i])})
			}
			for i := len(m) - 1; i >= 0; i-- {
				edge = append(edge, vg.Point{X: tx(m[i].RPM), Y: ty(in.Up.Low[i])})
			}
			c.FillPolygon(bandInk, edge)
		}
		frame(&c, pl, tx, ty)
		for _, o := range []struct {
			Overlay
			one, mean draw.LineStyle
		}{{in.Up, upStyle, upMeanStyle}, {in.Down, downStyle, downMeanStyle}} {
			for _, p := range o.Pulls {
				if q := points(p); len(q) > 1 {
					c.StrokeLines(o.one, q)
				} else if len(q) == 1 {
					c.DrawGlyph(dotStyle(60), q[0])
				}
			}
		}
		if q := points(in.Up.Mean); len(q) > 1 {
			c.StrokeLines(upMeanStyle, q)
		}
		if q := points(in.Down.Mean); len(q) > 1 {
			c.StrokeLines(downMeanStyle, q)
		}
		if none {
			empty(c, "no pull with a figure")
		}
	}})
	pl.Draw(c)
}
