package print

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"codeberg.org/go-pdf/fpdf"

	"sparkscope/report/letters"
	"sparkscope/report/pdf"
)

// pointSize is one PDF unit, mm: 72 to the inch.
const pointSize = inch / 72

// WritePDF writes all pages. The letters that are used are embedded; the file
// asks viewers to print without scaling, and holds no date: the same sheet is
// the same bytes.
func (d *Document) WritePDF(w io.Writer) error {
	if len(d.pages) == 0 {
		return errors.New("print: no page")
	}
	first := d.pages[0]
	p := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: first.w, Ht: first.h}})
	p.SetAutoPageBreak(false, 0)
	p.SetMargins(0, 0, 0)
	p.SetCatalogSort(true)
	p.SetTitle(d.title, true)
	p.SetCreator("sparkscope", true)
	p.SetDisplayMode("real", "SinglePage") // its place is taken below
	p.AddUTF8FontFromBytes("sheet", "", letters.TTF(false))
	p.AddUTF8FontFromBytes("sheet", "B", letters.TTF(true))
	for _, g := range d.pages {
		p.AddPageFormat("P", fpdf.SizeType{Wd: g.w, Ht: g.h})
		p.SetLineCapStyle("butt")
		p.SetLineJoinStyle("miter")
		for _, it := range g.items {
			d.putPDF(p, it)
		}
	}
	var b bytes.Buffer
	if err := p.Output(&b); err != nil {
		return fmt.Errorf("print: the PDF: %w", err)
	}
	out := b.Bytes()
	if err := unscaled(out); err != nil {
		return err
	}
	if err := pdf.Undated(out); err != nil {
		return err
	}
	_, err := w.Write(out)
	return err
}

// putPDF draws one item.
func (d *Document) putPDF(p *fpdf.Fpdf, it any) {
	stroke := func(k ink, width float64) {
		p.SetDrawColor(int(k), int(k), int(k))
		p.SetLineWidth(width)
	}
	switch it := it.(type) {
	case line:
		stroke(it.ink, it.width)
		if it.dashed {
			p.SetDashPattern([]float64{dash1, dash2}, 0)
		}
		p.Line(it.a.x, it.a.y, it.b.x, it.b.y)
		if it.dashed {
			p.SetDashPattern(nil, 0)
		}
	case circle:
		if it.width == 0 {
			p.SetFillColor(int(it.ink), int(it.ink), int(it.ink))
			p.Circle(it.c.x, it.c.y, it.r, "F")
			return
		}
		stroke(it.ink, it.width)
		p.Circle(it.c.x, it.c.y, it.r, "D")
	case shape:
		stroke(it.ink, it.width)
		for i, q := range it.points {
			if i == 0 {
				p.MoveTo(q.x, q.y)
			} else {
				p.LineTo(q.x, q.y)
			}
		}
		if it.closed {
			p.ClosePath()
		}
		if it.width == 0 {
			p.SetFillColor(int(it.ink), int(it.ink), int(it.ink))
			p.DrawPath("F")
		} else {
			p.DrawPath("D")
		}
	case label:
		cut := ""
		if it.bold {
			cut = "B"
		}
		p.SetFont("sheet", cut, it.size/pointSize)
		p.SetTextColor(int(it.ink), int(it.ink), int(it.ink))
		s := d.faces.Visual(it.bold, it.text)
		x := it.at.x - []float64{0, 0.5, 1}[it.anchor]*d.faces.Width(it.bold, s, it.size)
		if it.turn != 0 {
			p.TransformBegin()
			p.TransformRotate(-it.turn, it.at.x, it.at.y)
		}
		p.Text(x, it.at.y, s)
		if it.turn != 0 {
			p.TransformEnd()
		}
	}
}

// What the library writes into the catalogue for the display mode, which nobody
// needs, and what a true scale needs in its place (ISO 32000-1, 12.2). Both
// take the same room, so that every offset stays right.
var (
	displayMode = []byte("/OpenAction [3 0 R /XYZ null null 1]\n/PageLayout /SinglePage\n")
	preferences = []byte("/ViewerPreferences <</PrintScaling /None>>")
)

// unscaled makes a PDF ask to be printed at 100 %. It changes file.
func unscaled(file []byte) error {
	i := bytes.LastIndex(file, displayMode)
	if i < 0 {
		return errors.New("print: the PDF's catalogue has no place for its print scale")
	}
	room := file[i : i+len(displayMode)-1]
	for j := copy(room, preferences); j < len(room); j++ {
		room[j] = ' '
	}
	return nil
}
