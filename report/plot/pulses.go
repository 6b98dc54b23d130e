package plot

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Sign says how a pulse was taken.
type Sign int

// The signs of pulses.
const (
	Counted  Sign = iota // a spark that counts
	Timed                // a reference pulse
	PassedBy             // seen, and neither
)

// Stamp is where a pulse was timed.
type Stamp struct {
	S    float64 // seconds
	Sign Sign
}

// PulseRow is what a channel holds for a while.
type PulseRow struct {
	Name  string
	Wide  Curve   // some revolutions: X seconds, Y percent of full scale; X rises
	Wides []Stamp // pulses within
	Close Curve   // one pulse; the same units
	At    float64 // its timing point, seconds
	Has   bool    // Close and At hold a pulse
	Sign  Sign    // of that pulse
}

// Pulses is the recording itself about some pulses, with the moments at which
// they were timed.
type Pulses struct {
	Title, Subtitle string
	Rows            []PulseRow // in order of the channels; of more than four the first four are drawn
}

func (in Pulses) size() (wide, tall vg.Length) {
	return width, checkHead + 0.6*vg.Centimeter + checkRow*vg.Length(max(1, min(mostRows, len(in.Rows))))
}
func (in Pulses) heading() string { return in.Title }

func (in Pulses) check() error {
	for _, r := range in.Rows {
		for _, k := range []Curve{r.Wide, r.Close} {
			if err := k.check(); err != nil {
				return err
			}
		}
		for _, m := range r.Wides {
			if !finite(m.S) {
				return errNotFinite
			}
		}
		if !finite(r.At) {
			return errNotFinite
		}
	}
	return nil
}

// mark draws a pulse's mark: shape tells them apart.
func (s Sign) mark(c *draw.Canvas, at vg.Point) {
	switch s {
	case Counted:
		diamond(c, at)
	case Timed:
		referenceMark(c, at)
	default:
		missCross(c, at)
	}
}

// line is how a pulse's moment is drawn.
func (s Sign) line() draw.LineStyle {
	switch s {
	case Counted:
		return draw.LineStyle{Color: goalInk, Width: 0.9}
	case Timed:
		return referenceStyle
	}
	return draw.LineStyle{Color: softInk, Width: 0.7, Dashes: []vg.Length{1, 2}}
}

func (in Pulses) paint(c draw.Canvas, bare bool) {
	if len(in.Rows) > mostRows {
		in.Subtitle += "; the first four channels are drawn"
		in.Rows = in.Rows[:mostRows]
	}
	icon := func(s Sign) func(*draw.Canvas, vg.Length, vg.Length, vg.Length) {
		return func(c *draw.Canvas, x0, x1, y vg.Length) {
			x := (x0 + x1) / 2
			c.StrokeLine2(s.line(), x, y-6, x, y+6)
			s.mark(c, vg.Point{X: x, Y: y})
		}
	}
	c = headed(c, in.Title, in.Subtitle, []entry{
		{"spark that counts, and its timing point", icon(Counted)},
		{"reference pulse, and its timing point", icon(Timed)},
		{"seen, not used", icon(PassedBy)},
	}, bare)
	if len(in.Rows) == 0 {
		empty(c, "no channel")
		return
	}
	row := (c.Max.Y - c.Min.Y) / vg.Length(len(in.Rows))
	head := style(10, true)
	// One time axis for all: that with the widest labels decides.
	var from [2]vg.Length
	for _, r := range in.Rows {
		for k, pl := range []*plot.Plot{r.wideAxes(c), r.closeAxes(c)} {
			if pl != nil {
				from[k] = max(from[k], pl.DataCanvas(c).Min.X-c.Min.X)
			}
		}
	}
	cut := c.Min.X + 0.6*(c.Max.X-c.Min.X)
	for i, r := range in.Rows {
		top := c.Max.Y - row*vg.Length(i)
		c.FillText(head, vg.Point{X: c.Min.X, Y: top - 12}, fit(head, r.Name, c.Max.X-c.Min.X))
		left, right := c, c
		left.Min.Y, left.Max.Y = top-row+8, top-18
		right.Min.Y, right.Max.Y = left.Min.Y, left.Max.Y
		left.Max.X, right.Min.X = cut-8, cut+8
		for k, side := range []*draw.Canvas{&left, &right} {
			if pl := []*plot.Plot{r.wideAxes(c), r.closeAxes(c)}[k]; pl != nil {
				side.Min.X += from[k] - (pl.DataCanvas(c).Min.X - c.Min.X)
			}
		}
		r.wide(left)
		r.close(right)
	}
}

// axes are those of a trace.
func axes(k Curve, x func(float64) float64, label []string, c draw.Canvas) *plot.Plot {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, y := range k.Y {
		lo, hi = min(lo, y), max(hi, y)
	}
	pad := max(0.1*(hi-lo), 1e-6)
	pl := newPlot()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = x(k.X[0]), x(k.X[len(k.X)-1]), lo-pad, hi+2.2*pad
	name(pl, c, label, []string{"% of full scale", "%"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(pl.X.Min, pl.X.Max, perWidth(c, 52), rpmSteps, func(v float64) string { return trimmed(v, 5) }))
	pl.Y.Tick.Marker = plot.ConstantTicks(ticks(pl.Y.Min, pl.Y.Max, 5, rpmSteps, formatPlain))
	return pl
}

// wideAxes are those of the revolutions; nil where there is nothing.
func (r PulseRow) wideAxes(c draw.Canvas) *plot.Plot {
	if len(r.Wide.X) < 2 || !(r.Wide.X[len(r.Wide.X)-1] > r.Wide.X[0]) {
		return nil
	}
	return axes(r.Wide, func(s float64) float64 { return s }, []string{"time in the recording, s", "s"}, c)
}

// closeAxes are those of the one pulse; nil where there is none.
func (r PulseRow) closeAxes(c draw.Canvas) *plot.Plot {
	if !r.Has || len(r.Close.X) < 2 || !(r.Close.X[len(r.Close.X)-1] > r.Close.X[0]) {
		return nil
	}
	return axes(r.Close, r.ms, []string{"ms from the timing point", "ms"}, c)
}

// ms is a moment from the pulse's timing point, milliseconds.
func (r PulseRow) ms(s float64) float64 { return 1000 * (s - r.At) }

func (r PulseRow) wide(c draw.Canvas) {
	pl := r.wideAxes(c)
	if pl == nil {
		empty(c, "nothing recorded there")
		return
	}
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		for _, m := range r.Wides {
			c.StrokeLine2(m.Sign.line(), tx(m.S), c.Min.Y, tx(m.S), c.Max.Y)
		}
		x, y := envelope(r.Wide.X, r.Wide.Y, int(c.Max.X-c.Min.X))
		stroke(&c, draw.LineStyle{Color: ink, Width: 0.7}, Curve{X: x, Y: y}, tx, ty)
		for _, m := range r.Wides {
			m.Sign.mark(&c, vg.Point{X: tx(m.S), Y: c.Max.Y - 6})
		}
	}})
	pl.Draw(c)
}

func (r PulseRow) close(c draw.Canvas) {
	pl := r.closeAxes(c)
	if pl == nil {
		empty(c, "no pulse there")
		return
	}
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		frame(&c, pl, tx, ty)
		c.StrokeLine2(r.Sign.line(), tx(0), c.Min.Y, tx(0), c.Max.Y)
		k := Curve{Y: r.Close.Y}
		for _, s := range r.Close.X {
			k.X = append(k.X, r.ms(s))
		}
		stroke(&c, draw.LineStyle{Color: ink, Width: 0.9}, k, tx, ty)
		if vg.Length(len(k.X))*2.2 < c.Max.X-c.Min.X { // room to tell single samples apart
			for i := range k.X {
				c.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 1.3, Shape: draw.CircleGlyph{}}, vg.Point{X: tx(k.X[i]), Y: ty(k.Y[i])})
			}
		}
		r.Sign.mark(&c, vg.Point{X: tx(0), Y: c.Max.Y - 6})
	}})
	pl.Draw(c)
}

// trimmed writes a number to so many places at most.
func trimmed(v float64, places int) string {
	k := math.Pow(10, float64(places))
	return formatNumber(math.Round(v*k) / k)
}
