package plot

import (
	"bytes"
	"fmt"
	"image/color"
	"io"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Figure is what can be drawn: Input, Scatter, Course, Session, Distribution, Wheel,
// Pulses, Months, CheckInput and CompareInput.
type Figure interface {
	// check refuses what cannot be drawn.
	check() error
	// size is that of the picture on its own.
	size() (wide, tall vg.Length)
	// heading is the picture's title, for those who do not see it.
	heading() string
	// paint fills the canvas; bare: for a page that has words of its own, so
	// without title and subtitle, and with fewer dots.
	paint(c draw.Canvas, bare bool)
}

// Draw writes the picture. It fails on numbers that are not finite and on
// write errors; where there is nothing to be drawn the picture says so.
func Draw(w io.Writer, fig Figure, f Format) error {
	if err := fig.check(); err != nil {
		return err
	}
	wide, tall := fig.size()
	return write(w, f, fig.heading(), wide, tall, func(c draw.Canvas) { fig.paint(c, false) })
}

// DrawBare writes the picture for a page that has words of its own: without
// title, and wide by tall millimetres.
func DrawBare(w io.Writer, fig Figure, f Format, wide, tall float64) error {
	if err := fig.check(); err != nil {
		return err
	}
	return write(w, f, fig.heading(), vg.Length(wide)*vg.Millimeter, vg.Length(tall)*vg.Millimeter, func(c draw.Canvas) { fig.paint(c, true) })
}

// Upon draws the picture, without its title, upon a canvas. It fails as Draw
// does on numbers.
func Upon(c draw.Canvas, fig Figure) error {
	if err := fig.check(); err != nil {
		return err
	}
	fig.paint(c, true)
	return nil
}

// write writes what paint draws upon a canvas of the given size.
func write(w io.Writer, f Format, title string, wide, tall vg.Length, paint func(draw.Canvas)) error {
	switch f {
	case SVG:
		svg := vgsvg.New(wide, tall)
		paint(draw.NewCanvas(svg, wide, tall))
		return writeSVG(w, svg)
	case PNG, PDF:
		return writeOther(w, f, title, wide, tall, paint)
	}
	return fmt.Errorf("plot: format %d: want PNG, SVG or PDF", f)
}

// writeSVG writes the picture with a generic font behind the named one, since
// an SVG does not carry its fonts along.
func writeSVG(w io.Writer, c io.WriterTo) error {
	var buf bytes.Buffer
	if _, err := c.WriteTo(&buf); err != nil {
		return err
	}
	b := bytes.ReplaceAll(buf.Bytes(), []byte("font-family:Liberation Sans"), []byte("font-family:'Liberation Sans',Arimo,Arial,Helvetica,sans-serif"))
	_, err := w.Write(b)
	return err
}

// Size of a picture that has no other, and limits of what is drawn in it.
const (
	width     = 18 * vg.Centimeter
	height    = 12 * vg.Centimeter
	pngDPI    = 160
	maxPoints = 4000 // dots drawn; the rest is thinned to one per cell
	barePoint = 900  // the same in a bare picture, which is smaller
)

// most is how many dots are drawn.
func most(bare bool) int {
	if bare {
		return barePoint
	}
	return maxPoints
}

// headed paints the ground, title, subtitle and key of a picture and returns
// the canvas that is left below them. Bare: the key alone.
func headed(c draw.Canvas, title, subtitle string, key []entry, bare bool) draw.Canvas {
	c.SetColor(color.White)
	c.Fill(c.Rectangle.Path())
	if bare {
		c = draw.Crop(c, 2, -6, 2, -2)
		if len(key) > 0 {
			c.Max.Y = legend(&c, c.Max.Y-10, key, 8) - 6
		}
		return c
	}
	c = draw.Crop(c, 10, -14, 8, -10)
	y := c.Max.Y
	head := style(13, true)
	for head.Font.Size > 9 && head.Width(title) > c.Max.X-c.Min.X {
		head.Font.Size -= 0.5
	}
	y -= head.Font.Size
	c.FillText(head, vg.Point{X: c.Min.X, Y: y}, fit(head, title, c.Max.X-c.Min.X))
	if subtitle != "" {
		sub := style(9, false)
		sub.Color = softInk
		y -= 14
		c.FillText(sub, vg.Point{X: c.Min.X, Y: y}, fit(sub, subtitle, c.Max.X-c.Min.X))
	}
	if len(key) > 0 {
		y = legend(&c, y-18, key, 9)
	}
	c.Max.Y = y - 8
	return c
}

// fontSlack is room for a viewer of SVG that lacks the font and takes a wider.
const fontSlack = 1.15

// entry is one item of the key.
type entry struct {
	text string
	icon func(c *draw.Canvas, x0, x1, y vg.Length) // y: middle
}

// legend draws the items in rows from y downwards and returns where it ended.
func legend(c *draw.Canvas, y vg.Length, key []entry, size vg.Length) vg.Length {
	const icon, gap = 22, 14
	sty := style(size, false)
	x := c.Min.X
	for _, e := range key {
		w := icon + 4 + fontSlack*sty.Width(e.text)
		if x > c.Min.X && x+w > c.Max.X {
			x, y = c.Min.X, y-size-5
		}
		e.icon(c, x, x+icon, y+3)
		c.FillText(sty, vg.Point{X: x + icon + 4, Y: y}, fit(sty, e.text, c.Max.X-x-icon-4))
		x += w + gap
	}
	return y
}

func lineIcon(sty draw.LineStyle) func(*draw.Canvas, vg.Length, vg.Length, vg.Length) {
	return func(c *draw.Canvas, x0, x1, y vg.Length) { c.StrokeLine2(sty, x0, y, x1, y) }
}

func keyBox(x0, x1, y vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x0, Y: y - 5}, Max: vg.Point{X: x1, Y: y + 5}}
}

// targetIcon is the target's line, with its tolerance.
func targetIcon(tolerance bool) func(*draw.Canvas, vg.Length, vg.Length, vg.Length) {
	return func(c *draw.Canvas, x0, x1, y vg.Length) {
		if tolerance {
			hatching(c, keyBox(x0, x1, y), 5)
			c.StrokeLine2(limitStyle, x0, y-5, x1, y-5)
			c.StrokeLine2(limitStyle, x0, y+5, x1, y+5)
		}
		c.StrokeLine2(targetStyle, x0, y, x1, y)
	}
}

// targetEntry words a target.
func targetEntry(b *Band) entry {
	s := "target " + formatDegrees(b.Deg)
	if b.Half > 0 {
		s += " ± " + formatDegrees(b.Half)
	}
	return entry{s, targetIcon(b.Half > 0)}
}

// dotEntry words n dots drawn of all, with so many outside the picture.
func dotEntry(n, all, outside int) entry {
	s := "one spark"
	if n+outside < all {
		s = fmt.Sprintf("spark (%d of %d drawn)", n, all)
	}
	if outside > 0 {
		s += fmt.Sprintf(", %d outside the picture", outside)
	}
	return entry{s, func(c *draw.Canvas, x0, x1, y vg.Length) {
		c.DrawGlyph(dotStyle(60), vg.Point{X: (x0 + x1) / 2, Y: y})
	}}
}

// fit cuts s to a width, with an ellipsis.
func fit(sty text.Style, s string, w vg.Length) string {
	if sty.Width(s) <= w {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && sty.Width(string(r)+"…") > w {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// thinned keeps one point per cell of a grid over the picture, coarser until at
// most so many are left.
func thinned(pts []Point, xMin, xMax, yMin, yMax float64, most int) []Point {
	if len(pts) <= most {
		return pts
	}
	var dots []Point
	for nx, ny := 420, 260; ; nx, ny = nx*4/5, ny*4/5 {
		seen := make([]bool, (nx+1)*(ny+1))
		cell := func(n int, v, lo, hi float64) int { return max(0, min(n, int(float64(n)*(v-lo)/(hi-lo)))) }
		dots = dots[:0]
		for _, q := range pts {
			i := cell(nx, q.RPM, xMin, xMax)*(ny+1) + cell(ny, q.Deg, yMin, yMax)
			if seen[i] {
				continue
			}
			if seen[i] = true; len(dots) == most {
				dots = nil
				break
			}
			dots = append(dots, q)
		}
		if dots != nil {
			return dots
		}
	}
}

// name labels the axes, each with the first of its names for which there is room
// on the canvas, else with the last: gonum/plot would squeeze the drawing to
// give a long one room.
func name(pl *plot.Plot, c draw.Canvas, x, y []string) {
	first := func(names []string, room vg.Length) string {
		sty := style(9.5, false)
		for _, s := range names {
			if sty.Width(s) < room {
				return s
			}
		}
		if len(names) == 0 {
			return ""
		}
		return names[len(names)-1]
	}
	// What ticks and their labels take of either side.
	pl.X.Label.Text = first(x, c.Max.X-c.Min.X-62)
	pl.Y.Label.Text = first(y, c.Max.Y-c.Min.Y-42)
}

// advanceNames are the names of an axis of advance, the longest first.
func advanceNames(relative bool) []string {
	if relative {
		return []string{"spark, ° relative to the reference (positive: before it)", "spark, ° before the reference", "° before reference", "°"}
	}
	return []string{"advance, ° before top dead centre", "° before top dead centre", "° before TDC", "°"}
}
