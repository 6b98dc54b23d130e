// Package pdf writes drawings as PDF, with the letters that are used embedded.
//
// A page is a canvas of gonum/plot's, so that one drawing serves PNG, SVG and
// PDF alike. The origin is the page's lower left corner, lengths are points.
// Letters that the type lacks are drawn as boxes; those of scripts that run
// from right to left stand in their order, not joined.
package pdf

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"strings"

	"codeberg.org/go-pdf/fpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"sparkscope/report/letters"
)

// Document is a PDF in the making. It holds no date: the same drawing is the
// same bytes.
type Document struct {
	p          *fpdf.Fpdf
	faces      *letters.Faces
	wide, tall vg.Length
	lacking    []rune
}

// New begins a document whose pages are all of one size, points.
func New(title string, wide, tall vg.Length) (*Document, error) {
	faces, err := letters.Load()
	if err != nil {
		return nil, err
	}
	p := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: float64(wide), Ht: float64(tall)}})
	p.SetAutoPageBreak(false, 0)
	p.SetMargins(0, 0, 0)
	p.SetCatalogSort(true)
	p.SetTitle(clean(title), true)
	p.SetCreator("sparkscope", true)
	p.SetLang("en")
	p.AddUTF8FontFromBytes("page", "", letters.TTF(false))
	p.AddUTF8FontFromBytes("page", "B", letters.TTF(true))
	return &Document{p: p, faces: faces, wide: wide, tall: tall}, nil
}

// Page adds a page and returns what to draw upon. Drawing upon an earlier page
// after that goes onto the new one.
func (d *Document) Page() vg.CanvasSizer {
	d.p.AddPageFormat("P", fpdf.SizeType{Wd: float64(d.wide), Ht: float64(d.tall)})
	d.p.SetLineCapStyle("butt")
	d.p.SetLineJoinStyle("round")
	c := &canvas{d: d, state: state{m: identity}}
	vg.Initialize(c)
	return c
}

// Lacking are the letters that were to be drawn and that the type has none of,
// each once, in order of appearance.
func (d *Document) Lacking() string { return string(d.lacking) }

// WriteTo writes the document, once.
func (d *Document) WriteTo(w io.Writer) (int64, error) {
	if d.p.PageCount() == 0 {
		return 0, errors.New("pdf: no page")
	}
	var b bytes.Buffer
	if err := d.p.Output(&b); err != nil {
		return 0, fmt.Errorf("pdf: %w", err)
	}
	out := b.Bytes()
	if err := Undated(out); err != nil {
		return 0, err
	}
	n, err := w.Write(out)
	return int64(n), err
}

// Undated takes the dates out of a PDF that fpdf wrote, which need not have any
// (ISO 32000-1, 14.3.3). It changes pdf, and fails where it finds none.
func Undated(pdf []byte) error {
	for _, key := range []string{"/CreationDate (", "/ModDate ("} {
		i := bytes.LastIndex(pdf, []byte(key))
		n := bytes.IndexByte(pdf[max(i, 0):], ')')
		if i < 0 || n < 0 {
			return fmt.Errorf("pdf: no %s…)", key)
		}
		for j := i; j <= i+n; j++ {
			pdf[j] = ' '
		}
	}
	return nil
}

// clean is s without what no line of text has.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n':
			return ' '
		case r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\ufffd"))
}

// affine maps (x, y) to (a·x + c·y + e, b·x + d·y + f).
type affine struct{ a, b, c, d, e, f float64 }

var identity = affine{a: 1, d: 1}

// then is m after n: n is done first.
func (m affine) then(n affine) affine {
	return affine{
		a: m.a*n.a + m.c*n.b, b: m.b*n.a + m.d*n.b,
		c: m.a*n.c + m.c*n.d, d: m.b*n.c + m.d*n.d,
		e: m.a*n.e + m.c*n.f + m.e, f: m.b*n.e + m.d*n.f + m.f,
	}
}

// state is what Push keeps.
type state struct {
	m       affine
	ink     color.Color
	width   vg.Length
	dash    []vg.Length
	dashOff vg.Length
}

// canvas is a page as gonum/plot draws upon it.
type canvas struct {
	d *Document
	state
	kept []state
}

// Size implements vg.CanvasSizer.
func (c *canvas) Size() (x, y vg.Length) { return c.d.wide, c.d.tall }

// SetLineWidth implements vg.Canvas.
func (c *canvas) SetLineWidth(w vg.Length) { c.width = w }

// SetLineDash implements vg.Canvas.
func (c *canvas) SetLineDash(pattern []vg.Length, offset vg.Length) {
	c.dash, c.dashOff = pattern, offset
}

// SetColor implements vg.Canvas. What is translucent is drawn as on white.
func (c *canvas) SetColor(k color.Color) {
	if k == nil {
		k = color.Black
	}
	c.ink = k
}

// Rotate implements vg.Canvas.
func (c *canvas) Rotate(rad float64) {
	s, k := math.Sincos(rad)
	c.m = c.m.then(affine{a: k, b: s, c: -s, d: k})
}

// Translate implements vg.Canvas.
func (c *canvas) Translate(p vg.Point) {
	c.m = c.m.then(affine{a: 1, d: 1, e: float64(p.X), f: float64(p.Y)})
}

// Scale implements vg.Canvas.
func (c *canvas) Scale(x, y float64) { c.m = c.m.then(affine{a: x, d: y}) }

// Push implements vg.Canvas.
func (c *canvas) Push() { c.kept = append(c.kept, c.state) }

// Pop implements vg.Canvas. It panics without a Push before it.
func (c *canvas) Pop() {
	c.state = c.kept[len(c.kept)-1]
	c.kept = c.kept[:len(c.kept)-1]
}

// at is where a point lies on the page, whose own y runs down.
func (c *canvas) at(p vg.Point) (x, y float64) {
	u, v := float64(p.X), float64(p.Y)
	return c.m.a*u + c.m.c*v + c.m.e, float64(c.d.tall) - (c.m.b*u + c.m.d*v + c.m.f)
}

// scale is by how much lengths are enlarged.
func (c *canvas) scale() float64 { return math.Sqrt(math.Abs(c.m.a*c.m.d - c.m.b*c.m.c)) }

func (c *canvas) rgb() (r, g, b int) {
	k := color.NRGBAModel.Convert(c.ink).(color.NRGBA)
	over := func(v uint8) int { return (int(v)*int(k.A) + 255*(255-int(k.A))) / 255 }
	return over(k.R), over(k.G), over(k.B)
}

// Stroke implements vg.Canvas.
func (c *canvas) Stroke(p vg.Path) {
	if c.width <= 0 || len(p) == 0 {
		return
	}
	k := c.scale()
	c.d.p.SetDrawColor(c.rgb())
	c.d.p.SetLineWidth(float64(c.width) * k)
	var dash []float64
	for _, l := range c.dash {
		dash = append(dash, float64(l)*k)
	}
	c.d.p.SetDashPattern(dash, float64(c.dashOff)*k)
	c.path(p)
	c.d.p.DrawPath("D")
}

// Fill implements vg.Canvas.
func (c *canvas) Fill(p vg.Path) {
	if len(p) == 0 {
		return
	}
	c.d.p.SetFillColor(c.rgb())
	c.path(p)
	c.d.p.DrawPath("F")
}

// path lays a path down.
func (c *canvas) path(p vg.Path) {
	doc := c.d.p
	var pen vg.Point
	for i, s := range p {
		switch s.Type {
		case vg.MoveComp:
			pen = s.Pos
			doc.MoveTo(c.at(pen))
		case vg.LineComp:
			pen = s.Pos
			doc.LineTo(c.at(pen))
		case vg.ArcComp:
			pen = c.arc(s, i == 0)
		case vg.CurveComp:
			p1, p2 := pen, s.Pos
			switch len(s.Control) {
			case 1: // a quadratic curve as a cubic one
				q := s.Control[0]
				p1 = pen.Add(q.Sub(pen).Scale(2. / 3))
				p2 = s.Pos.Add(q.Sub(s.Pos).Scale(2. / 3))
			case 2:
				p1, p2 = s.Control[0], s.Control[1]
			}
			x1, y1 := c.at(p1)
			x2, y2 := c.at(p2)
			x3, y3 := c.at(s.Pos)
			doc.CurveBezierCubicTo(x1, y1, x2, y2, x3, y3)
			pen = s.Pos
		case vg.CloseComp:
			doc.ClosePath()
		}
	}
}

// arc lays an arc down as curves of a quarter circle at most, whose error is
// 0.03 % of the radius, and returns where it ends.
func (c *canvas) arc(s vg.PathComp, first bool) vg.Point {
	doc := c.d.p
	on := func(t, r float64) vg.Point {
		sin, cos := math.Sincos(t)
		return vg.Point{X: s.Pos.X + vg.Length(r*cos), Y: s.Pos.Y + vg.Length(r*sin)}
	}
	r := float64(s.Radius)
	from := on(s.Start, r)
	if first {
		doc.MoveTo(c.at(from))
	} else {
		doc.LineTo(c.at(from))
	}
	n := max(1, int(math.Ceil(math.Abs(s.Angle)/(math.Pi/2)-1e-9)))
	step := s.Angle / float64(n)
	k := 4. / 3 * math.Tan(step/4) * r
	for i := range n {
		a, b := s.Start+float64(i)*step, s.Start+float64(i+1)*step
		p, q := on(a, r), on(b, r)
		sa, ca := math.Sincos(a)
		sb, cb := math.Sincos(b)
		x1, y1 := c.at(vg.Point{X: p.X - vg.Length(k*sa), Y: p.Y + vg.Length(k*ca)})
		x2, y2 := c.at(vg.Point{X: q.X + vg.Length(k*sb), Y: q.Y - vg.Length(k*cb)})
		x3, y3 := c.at(q)
		doc.CurveBezierCubicTo(x1, y1, x2, y2, x3, y3)
	}
	return on(s.Start+s.Angle, r)
}

// FillString implements vg.Canvas.
func (c *canvas) FillString(f font.Face, at vg.Point, s string) {
	size := float64(f.Font.Size) * c.scale()
	if size == 0 || s == "" {
		return
	}
	cut, heavy := "", f.Font.Weight >= xfont.WeightSemiBold
	if heavy {
		cut = "B"
	}
	s = clean(s)
	for _, r := range s {
		if !c.d.faces.Has(heavy, r) && !strings.ContainsRune(string(c.d.lacking), r) {
			c.d.lacking = append(c.d.lacking, r)
		}
	}
	doc := c.d.p
	doc.SetFont("page", cut, size)
	doc.SetTextColor(c.rgb())
	x, y := c.at(at)
	turn := math.Atan2(c.m.b, c.m.a) * 180 / math.Pi
	if turn != 0 {
		doc.TransformBegin()
		doc.TransformRotate(turn, x, y)
	}
	doc.Text(x, y, c.d.faces.Visual(heavy, s))
	if turn != 0 {
		doc.TransformEnd()
	}
}

// DrawImage implements vg.Canvas. No drawing of ours holds an image.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {
	panic("pdf: images are not drawn")
}
