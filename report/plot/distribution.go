package plot

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Distribution is how often each advance came.
type Distribution struct {
	Title, Subtitle string
	Deg             []float64 // of the counted sparks, degrees
	Mean            *Band     // of them, with its ±; nil: none
	Target          *Band     // nil: none
	Static          *Band     // nil: none
	Relative        bool      // angles are relative to the reference event
}

func (in Distribution) size() (wide, tall vg.Length) { return width, height }
func (in Distribution) heading() string              { return in.Title }

func (in Distribution) check() error {
	if !finite(in.Deg...) {
		return errNotFinite
	}
	for _, b := range []*Band{in.Mean, in.Target, in.Static} {
		if b != nil && !finite(b.Deg, b.Half) {
			return errNotFinite
		}
	}
	return nil
}

// columnWidth is how wide the columns are, degrees: that of Freedman and
// Diaconis (1981), twice the quartile distance over the cube root of the
// number, up to the next of 1, 2 and 5 tenths, hundredths and so on.
func columnWidth(sorted []float64) float64 {
	n := len(sorted)
	if n < 2 {
		return 0.1
	}
	raw := 2 * (sorted[3*(n-1)/4] - sorted[(n-1)/4]) / math.Cbrt(float64(n))
	raw = max(raw, (sorted[n-1]-sorted[0])/80, 0.01)
	decade := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, s := range []float64{1, 2, 5} {
		if s*decade >= raw*(1-1e-9) {
			return s * decade
		}
	}
	return 10 * decade
}

func (in Distribution) paint(c draw.Canvas, bare bool) {
	pts := make([]Point, len(in.Deg))
	for i, d := range in.Deg {
		pts[i].Deg = d
	}
	p := newPicture(Input{Points: pts, Target: in.Target, Static: in.Static}, most(bare)) // for its span of angles
	sorted := slices.Sorted(slices.Values(in.Deg))
	step := columnWidth(sorted)
	count := map[int]int{}
	highest := 1
	for _, d := range sorted {
		i := int(math.Floor(d/step + 1e-9))
		count[i]++
		highest = max(highest, count[i])
	}
	var key []entry
	if len(sorted) > 0 {
		s := fmt.Sprintf("sparks per %s", formatDegrees(step))
		if p.outside > 0 {
			s += fmt.Sprintf(", %d outside the picture", p.outside)
		}
		key = append(key, entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
			column(c, vg.Rectangle{Min: vg.Point{X: x0 + 6, Y: y - 5}, Max: vg.Point{X: x1 - 6, Y: y + 5}})
		}})
	}
	if b := in.Mean; b != nil {
		s := "mean"
		if b.Half > 0 {
			s += " with its ±"
		}
		key = append(key, entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
			x := (x0 + x1) / 2
			c.StrokeLine2(meanStyle, x, y-6, x, y+6)
			if b.Half > 0 {
				level(c, y, x-8, x+8)
			}
		}})
	}
	if in.Target != nil {
		key = append(key, targetEntry(in.Target))
	}
	if in.Static != nil {
		key = append(key, entry{"static " + formatDegrees(in.Static.Deg), lineIcon(staticStyle)})
	}
	c = headed(c, in.Title, in.Subtitle, key, bare)
	pl := newPlot()
	pl.X.Min, pl.X.Max, pl.Y.Min, pl.Y.Max = p.yMin, p.yMax, 0, 1.12*float64(highest)
	name(pl, c, advanceNames(in.Relative), []string{"sparks"})
	pl.X.Tick.Marker = plot.ConstantTicks(ticks(p.yMin, p.yMax, perWidth(c, 45), degreeSteps, formatDegrees))
	pl.Y.Tick.Marker = plot.ConstantTicks(slices.DeleteFunc(ticks(0, pl.Y.Max, 6, rpmSteps, formatPlain), func(t plot.Tick) bool { return t.Value != math.Trunc(t.Value) }))
	pl.Add(lines{func(c draw.Canvas, tx, ty func(float64) vg.Length) {
		if b := in.Target; b != nil && b.Half > 0 {
			hatching(&c, vg.Rectangle{Min: vg.Point{X: tx(b.Deg - b.Half), Y: c.Min.Y}, Max: vg.Point{X: tx(b.Deg + b.Half), Y: c.Max.Y}}, 11)
		}
		frame(&c, pl, tx, ty)
		for i, n := range count {
			lo, hi := max(float64(i)*step, p.yMin), min(float64(i+1)*step, p.yMax)
			if hi > lo {
				column(&c, vg.Rectangle{Min: vg.Point{X: tx(lo), Y: ty(0)}, Max: vg.Point{X: tx(hi), Y: ty(float64(n))}})
			}
		}
		upright := func(sty draw.LineStyle, deg float64) { c.StrokeLine2(sty, tx(deg), c.Min.Y, tx(deg), c.Max.Y) }
		if b := in.Target; b != nil {
			if b.Half > 0 {
				upright(limitStyle, b.Deg-b.Half)
				upright(limitStyle, b.Deg+b.Half)
			}
			upright(targetStyle, b.Deg)
		}
		if b := in.Static; b != nil {
			upright(staticStyle, b.Deg)
		}
		if b := in.Mean; b != nil {
			upright(meanStyle, b.Deg)
			if b.Half > 0 {
				level(&c, ty(1.06*float64(highest)), tx(b.Deg-b.Half), tx(b.Deg+b.Half))
			}
		}
		if len(sorted) == 0 {
			empty(c, "no spark with an angle")
		}
	}})
	pl.Draw(c)
}

// column is one column of a distribution.
func column(c *draw.Canvas, r vg.Rectangle) {
	c.SetColor(dotInk)
	c.Fill(r.Path())
	c.StrokeLines(draw.LineStyle{Color: ink, Width: 0.6}, []vg.Point{{X: r.Min.X, Y: r.Min.Y}, {X: r.Min.X, Y: r.Max.Y}, {X: r.Max.X, Y: r.Max.Y}, {X: r.Max.X, Y: r.Min.Y}})
}
