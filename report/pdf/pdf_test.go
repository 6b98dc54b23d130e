package pdf_test

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/font"
	vgfont "gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgimg"

	"sparkscope/report/pdf"
)

const wide, tall = 200 * vg.Millimeter, 120 * vg.Millimeter

var dark = color.Gray{0x20}

// drawing uses everything that a canvas can do.
func drawing(c vg.Canvas) {
	faces := vgfont.NewCache(liberation.Collection())
	face := func(size vg.Length, heavy bool) vgfont.Face {
		f := vgfont.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
		if heavy {
			f.Weight = font.WeightBold
		}
		return faces.Lookup(f, size)
	}
	c.SetColor(color.White)
	c.Fill(vg.Rectangle{Max: vg.Point{X: wide, Y: tall}}.Path())
	c.SetColor(dark)
	// A disc, a ring, a sector from arcs in both directions.
	disc := func(x, y, r vg.Length) vg.Path {
		var p vg.Path
		p.Move(vg.Point{X: x + r, Y: y})
		p.Arc(vg.Point{X: x, Y: y}, r, 0, 2*math.Pi)
		p.Close()
		return p
	}
	c.Fill(disc(60, 60, 40))
	c.SetLineWidth(8)
	c.Stroke(disc(170, 60, 40))
	var sector vg.Path
	sector.Move(vg.Point{X: 240, Y: 60})
	sector.Arc(vg.Point{X: 240, Y: 60}, 50, 2.2, -1.9)
	sector.Close()
	c.SetColor(color.RGBA{R: 0xa0, G: 0x60, A: 0xff})
	c.Fill(sector)
	// Curves of both kinds.
	var curve vg.Path
	curve.Move(vg.Point{X: 300, Y: 30})
	curve.QuadTo(vg.Point{X: 350, Y: 150}, vg.Point{X: 400, Y: 30})
	curve.CubeTo(vg.Point{X: 430, Y: -40}, vg.Point{X: 470, Y: 150}, vg.Point{X: 520, Y: 60})
	c.SetLineWidth(5)
	c.Stroke(curve)
	// Turned, moved and stretched, dashed, and back again.
	c.Push()
	c.Translate(vg.Point{X: 100, Y: 200})
	c.Rotate(0.5)
	c.SetColor(color.RGBA{R: 0x0f, G: 0x4a, B: 0x66, A: 0xff})
	c.SetLineDash([]vg.Length{10, 5}, 3)
	c.SetLineWidth(4)
	var line vg.Path
	line.Move(vg.Point{})
	line.Line(vg.Point{X: 180, Y: 0})
	line.Line(vg.Point{X: 180, Y: 60})
	c.Stroke(line)
	c.Scale(2, 2) // the canvases of gonum are of two minds about the width of lines
	c.FillString(face(12, false), vg.Point{X: 5, Y: 8}, "turned")
	c.Pop()
	var straight vg.Path
	straight.Move(vg.Point{X: 20, Y: 130})
	straight.Line(vg.Point{X: 540, Y: 130})
	c.Stroke(straight)
	c.FillString(face(26, true), vg.Point{X: 320, Y: 240}, "Fires at 18.3°")
	c.FillString(face(22, false), vg.Point{X: 320, Y: 190}, "Κινητήρας № 3")
}

// lightness is an image in grey, averaged over squares.
func lightness(img image.Image, square int) [][]float64 {
	b := img.Bounds()
	out := make([][]float64, b.Dy()/square)
	for j := range out {
		out[j] = make([]float64, b.Dx()/square)
		for i := range out[j] {
			for y := range square {
				for x := range square {
					g := color.GrayModel.Convert(img.At(b.Min.X+i*square+x, b.Min.Y+j*square+y)).(color.Gray)
					out[j][i] += float64(g.Y) / float64(square*square)
				}
			}
		}
	}
	return out
}

// TestAsDrawn: what poppler draws of the PDF is what gonum's own canvas for
// images draws of the same.
func TestAsDrawn(t *testing.T) {
	if _, err := exec.LookPath("pdftoppm"); err != nil {
		t.Skip("no pdftoppm to draw it with: install poppler-utils")
	}
	doc, err := pdf.New("drawing", wide, tall)
	if err != nil {
		t.Fatal(err)
	}
	drawing(doc.Page())
	var b bytes.Buffer
	if _, err := doc.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	at := filepath.Join(t.TempDir(), "d")
	if err := os.WriteFile(at+".pdf", b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	const dpi = 144
	if out, err := exec.Command("pdftoppm", "-r", "144", "-png", "-singlefile", at+".pdf", at).CombinedOutput(); err != nil {
		t.Fatalf("pdftoppm: %v: %s", err, out)
	}
	f, err := os.Open(at + ".png")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	img := vgimg.NewWith(vgimg.UseWH(wide, tall), vgimg.UseDPI(dpi))
	drawing(img)
	// Of squares of 4 pixels (0.7 mm); a letter's edge may lie half a pixel
	// elsewhere, which is an eighth of one.
	const square, different, allowed = 4, 70.0, 0.002
	a, w := lightness(got, square), lightness(img.Image(), square)
	rows, cols := min(len(a), len(w)), min(len(a[0]), len(w[0]))
	if len(a)-rows > 1 || len(w)-rows > 1 {
		t.Fatalf("%d and %d rows", len(a), len(w))
	}
	n, inked := 0, 0
	for j := range rows {
		for i := range cols {
			if math.Abs(a[j][i]-w[j][i]) > different {
				n++
			}
			if w[j][i] < 200 {
				inked++
			}
		}
	}
	if share := float64(n) / float64(rows*cols); share > allowed || inked < 1000 {
		t.Errorf("%.2f %% of the picture differs, of %d squares with ink", 100*share, inked)
	}
}

// TestLacking: letters that the type has none of are named, once each.
func TestLacking(t *testing.T) {
	doc, err := pdf.New("中\x00\n<&>", 100, 100)
	if err != nil {
		t.Fatal(err)
	}
	faces := vgfont.NewCache(liberation.Collection())
	f := faces.Lookup(vgfont.Font{Typeface: "Liberation", Variant: "Sans"}, 10)
	doc.Page().FillString(f, vg.Point{}, "発動機 発 Двигатель\x00\n")
	if got := doc.Lacking(); got != "発動機" {
		t.Errorf("lacking %q", got)
	}
	var b bytes.Buffer
	if _, err := doc.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	for _, no := range []string{"/CreationDate", "/ModDate"} {
		if strings.Contains(b.String(), no) {
			t.Errorf("it has a %s", no)
		}
	}
}

func TestNoPage(t *testing.T) {
	doc, err := pdf.New("", 100, 100)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := doc.WriteTo(&bytes.Buffer{}); err == nil {
		t.Error("a document without a page is written")
	}
	if pdf.Undated([]byte("%PDF-1.4 without dates")) == nil {
		t.Error("what has no dates is taken")
	}
}
