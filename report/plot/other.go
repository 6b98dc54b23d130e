//go:build !minimal

package plot

import (
	"io"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"sparkscope/report/pdf"
)

// writeOther writes a PNG or a PDF.
func writeOther(w io.Writer, f Format, title string, wide, tall vg.Length, paint func(draw.Canvas)) error {
	if f == PNG {
		img := vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(wide, tall), vgimg.UseDPI(pngDPI))}
		paint(draw.NewCanvas(img, wide, tall))
		_, err := img.WriteTo(w)
		return err
	}
	doc, err := pdf.New(title, wide, tall)
	if err != nil {
		return err
	}
	paint(draw.NewCanvas(doc.Page(), wide, tall))
	_, err = doc.WriteTo(w)
	return err
}
