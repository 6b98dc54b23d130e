package plot

import (
	"image/color"
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
	Short      string  // the same, a letter or two; may be empty
}

// Overlay is all pulls of one direction.
type Overlay struct {
	Pulls [][]Point // each in order of speed
	Names []string  // of each pull, a figure or two: "1"; drawn upon its line
	Mean  []Point   // in order of speed
	// Low and High are the lowest and highest pull at each of Mean, degrees.
	Low, High []float64
}

// SessionPanel is a part of the picture of a session.
type SessionPanel int

// The panels.
const (
	AllPanels    SessionPanel = iota
	SpeedPanel                // the speed over time with the parts
	AdvancePanel              // the advance of every pull over speed
)

// Session is the speed over time with the parts of a session, below it the
// advance of every pull over speed, and below that, where it is known, how the
// advance drifts.
type Session struct {
	Title, Subtitle string
	Moments         []Moment // in order of time; of each, time and speed are drawn
	Parts           []Stretch
	Up, Down        Overlay
	Relative        bool // angles are relative to the reference event
	// Drifted is what each part departs by from its like as time goes on, degrees
	// (Deg) over time (S); nil: not known. DriftLine are the two ends of the line
	// through it, and DriftWords say what it comes to.
	Drifted    []Moment
	DriftLine  [2]Moment
	DriftWords string
	Only       SessionPanel
}

func (in Session) size() (wide, tall vg.Length) {
	if in.Drifted != nil && in.Only == AllPanels {
		return width, 20 * vg.Centimeter
	}
	return width, 16 * vg.Centimeter
}
func (in Session) heading() string { return in.Title }

func (in Session) check() error {
	for _, m := range in.Moments {
		if !finite(m.S, m.RPM) {
			return errNotFinite
		}
	}
	for _, m := range append([]Moment{in.DriftLine[0], in.DriftLine[1]}, in.Drifted...) {
		if !finite(m.S, m.Deg) {
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
	if in.Only == SpeedPanel {
		c = headed(c, in.Title, in.Subtitle, nil, bare)
		in.speed(c).Draw(c)
		return
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
	if in.Only == AdvancePanel {
		c = headed(c, in.Title, in.Subtitle, key, bare)
		in.advance(c).Draw(c)
		return
	}
	if in.Drifted != nil {
		add("drift of each part against its like: "+in.DriftWords, func(c *draw.Canvas, x0, x1, y vg.Length) {
			c.StrokeLine2(driftStyle, x0, y, x1, y)
			c.DrawGlyph(partGlyph, vg.Point{X: (x0 + x1) / 2, Y: y})
		})
	}
	c = headed(c, in.Title, in.Subtitle, key, bare)
	upper, lower, last := c, c, c
	cut := c.Min.Y + 0.62*(c.Max.Y-c.Min.Y)
	if in.Drifted != nil {
		cut = c.Min.Y + 0.72*(c.Max.Y-c.Min.Y)
		low := c.Min.Y + 0.23*(c.Max.Y-c.Min.Y)
		lower.Min.Y, last.Max.Y = low+4, low-8
	}
	upper.Min.Y, lower.Max.Y = cut+4, cut-8
	under := []stacked{{in.speed(upper), upper}, {in.advance(lower), lower}}
	if in.Drifted != nil {
		under = append(under, stacked{in.drift(last), last})
	}
	aligned(under)
}

// stacked is a plot and where it goes.
type stacked struct {
	*plot.Plot
	c draw.Canvas
}

// aligned draws plots, one under the other, so that what is drawn in them begins
// and ends at the same place: times stand above each other.
func aligned(all []stacked) {
	left, right := all[0].c.Min.X, all[0].c.Max.X
	for _, p := range all {
		in := p.DataCanvas(p.c)
		left, right = max(left, in.Min.X), min(right, in.Max.X)
	}
	for _, p := range all {
		in := p.DataCanvas(p.c)
		p.c.Min.X += left - in.Min.X
		p.c.Max.X += right - in.Max.X
		p.Draw(p.c)
	}
}

// How parts and their drift are drawn.
var (
	driftStyle = draw.LineStyle{Color: ink, Width: 1.4}
	partGlyph  = draw.GlyphStyle{Color: dotInk, Radius: 2.6, Shape: draw.CircleGlyph{}}
)

// times are the ends of the time axis, seconds.
func (in Session) times() (t0, t1 float64) {
	t1 = 1
	for _, m := range in.Moments {
		t1 = max(t1, m.S)
	}
	return 0, 1.005 * t1
}

// drift is a plot of what each part departs by from its like over time.
func (in Session) drift(c draw.Canvas) *plot.Plot {
	lo, hi := min(0, in.DriftLine[0].Deg, in.DriftLine[1].Deg), max(0, in.DriftLine[0].Deg, in.DriftLine[1].Deg)
	for _, m := range in.Drifted {
		lo, hi = min(lo, m.Deg), max(hi, m.Deg)
	}
	if hi-lo < minSpan {
		lo, hi = (lo+hi-minSpan)/2, (lo+hi+minSpan)/2
	}
	pl := newPlot()
	pl.X.Min, pl.X.Max = in.times()
	pl.Y.Min, pl.Y.Max = lo-0.1*(hi-lo), hi+0.1*(hi-lo)
	name(pl, c, []string{"time in the recording, s", "s"}, []string{"drift, degrees", "drift, °", "°"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(pl.X.Min, pl.X.Max, perWidth(c, 55), rpmSteps, formatPlain))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(pl.Y.Min, pl.Y.Max, min(5, perHeight(c, 18)), degreeSteps, formatDegrees))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		c.StrokeLine2(driftStyle, tx(in.DriftLine[0].S), ty(in.DriftLine[0].Deg), tx(in.DriftLine[1].S), ty(in.DriftLine[1].Deg))
		for _, m := range in.Drifted {
			c.DrawGlyph(partGlyph, vg.Point{X: tx(m.S), Y: ty(m.Deg)})
		}
	}})
	return pl
}

// speed is a plot of the speed over time and the parts.
func (in Session) speed(c draw.Canvas) *plot.Plot {
	top := 100.0
	for _, m := range in.Moments {
		top = max(top, m.RPM)
	}
	pl := newPlot()
	pl.Y.Min, pl.Y.Max = 0, 1.2*top
	pl.X.Min, pl.X.Max = in.times()
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
			text := p.Label
			if fontSlack*label.Width(text) >= r.Max.X-r.Min.X {
				text = p.Short
			}
			if w := label.Width(text); fontSlack*w < r.Max.X-r.Min.X {
				c.FillText(label, vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: c.Max.Y - 11}, text)
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
	return pl
}

// advance is a plot of the pulls over speed.
func (in Session) advance(c draw.Canvas) *plot.Plot {
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
		for i, o := range []Overlay{in.Up, in.Down} {
			o.number(&c, points, i)
		}
		if none {
			empty(c, "no pull with a figure")
		}
	}})
	return pl
}

// mostNumbered is how many pulls of a direction have their numbers upon them: more
// would hide the lines.
const mostNumbered = 6

// number writes the pulls' names upon their lines, each at another place, so that
// those of pulls that lie upon each other stand apart. Those of the second overlay
// stand between those of the first.
func (o Overlay) number(c *draw.Canvas, points func([]Point) []vg.Point, second int) {
	n := len(o.Pulls)
	if n > mostNumbered || len(o.Names) != n || n < 2 {
		return
	}
	label := style(8, true)
	label.XAlign, label.YAlign = text.XCenter, text.YCenter
	for i, p := range o.Pulls {
		q := points(p)
		if len(q) < 2 {
			continue
		}
		// From a tenth to nine tenths of its way.
		at := 0.1 + 0.8*(float64(2*i+second)+0.5)/float64(2*n)
		x := q[0].X + vg.Length(at)*(q[len(q)-1].X-q[0].X)
		for k := 1; k < len(q); k++ {
			if a, b := q[k-1], q[k]; x <= b.X || k == len(q)-1 {
				y := a.Y + (b.Y-a.Y)*(x-a.X)/(b.X-a.X)
				w := label.Width(o.Names[i])/2 + 2.2
				c.SetColor(color.White)
				c.Fill(vg.Rectangle{Min: vg.Point{X: x - w, Y: y - 5}, Max: vg.Point{X: x + w, Y: y + 5}}.Path())
				c.FillText(label, vg.Point{X: x, Y: y}, o.Names[i])
				break
			}
		}
	}
}
