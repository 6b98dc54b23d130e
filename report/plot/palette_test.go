package plot

import (
	"fmt"
	"image/color"
	"math"
	"testing"

	"gonum.org/v1/plot/vg/draw"
)

// linear undoes the transfer of sRGB (IEC 61966-2-1, as WCAG 2.2 cites it).
func linear(c color.Color) [3]float64 {
	r, g, b, _ := c.RGBA()
	var out [3]float64
	for i, v := range [3]uint32{r, g, b} {
		x := float64(v) / 0xffff
		if x <= 0.04045 {
			out[i] = x / 12.92
		} else {
			out[i] = math.Pow((x+0.055)/1.055, 2.4)
		}
	}
	return out
}

// luminance is the relative luminance of WCAG 2.2, which is also what a grey
// print keeps.
func luminance(c [3]float64) float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }

// contrast is the contrast ratio of WCAG 2.2, from 1 to 21.
func contrast(a, b [3]float64) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// sights are eyes, as what they make of linear sRGB. Those without one kind of
// receptor: Machado, Oliveira and Fernandes, A Physiologically-based Model for
// Simulation of Color Vision Deficiency, IEEE Trans. Visualization and Computer
// Graphics 15 (2009), table of matrices, severity 1.0.
var sights = map[string][3][3]float64{
	"usual":                  {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"grey print":             {{0.2126, 0.7152, 0.0722}, {0.2126, 0.7152, 0.0722}, {0.2126, 0.7152, 0.0722}},
	"without red (protan)":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"without green (deutan)": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
}

func seen(m [3][3]float64, c color.Color) [3]float64 {
	v := linear(c)
	var out [3]float64
	for i := range m {
		for j := range v {
			out[i] += m[i][j] * v[j]
		}
		out[i] = min(1, max(0, out[i]))
	}
	return out
}

// TestContrast: the ratio against the examples that everybody knows, black on
// white 21 and #777 on white 4.48 (WCAG 2.2, "understanding" of 1.4.3).
func TestContrast(t *testing.T) {
	white := linear(color.White)
	for _, c := range []struct {
		c    color.Color
		want float64
	}{{color.Black, 21}, {color.Gray{0x77}, 4.48}} {
		if got := contrast(linear(c.c), white); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%v on white: %.3f, want %.2f", c.c, got, c.want)
		}
	}
}

// TestPalette: what is drawn can be told apart in grey and by eyes that lack a
// receptor. Limits: WCAG 2.2, 1.4.3 (text 4.5) and 1.4.11 (lines and marks 3),
// but for the dots, of which there are many and whose outlines carry nothing
// (2.5); steps of 1.5 between the inks are this project's own.
func TestPalette(t *testing.T) {
	steps := []struct {
		name string
		c    color.Color
		on   float64 // least contrast on white
	}{{"ink", ink, 4.5}, {"rest", restInk, 4.5}, {"goal", goalInk, 4.5}, {"dots", dotInk, 2.5}}
	const step = 1.5
	for sight, m := range sights {
		white := seen(m, color.White)
		for i, s := range steps {
			if got := contrast(seen(m, s.c), white); got < s.on {
				t.Errorf("%s: %s on white: contrast %.2f, want %.1f", sight, s.name, got, s.on)
			}
			for _, o := range steps[:i] {
				if got := contrast(seen(m, s.c), seen(m, o.c)); got < step {
					t.Errorf("%s: %s beside %s: contrast %.2f, want %.1f", sight, s.name, o.name, got, step)
				}
			}
		}
		for name, ground := range map[string]color.Color{"band": bandInk, "hatch": hatch, "grid": gridInk} {
			if got := contrast(seen(m, softInk), seen(m, ground)); got < 3 {
				t.Errorf("%s: soft ink on %s: contrast %.2f, want 3", sight, name, got)
			}
			if got := contrast(seen(m, goalInk), seen(m, ground)); got < 3 {
				t.Errorf("%s: the target on %s: contrast %.2f, want 3", sight, name, got)
			}
		}
		if got := contrast(seen(m, softInk), white); got < 4.5 {
			t.Errorf("%s: subtitle on white: contrast %.2f, want 4.5", sight, got)
		}
	}
}

// TestLinesDiffer: no two lines of one picture need their colour to be told
// apart: they differ in dash or clearly in width.
func TestLinesDiffer(t *testing.T) {
	lines := map[string]draw.LineStyle{
		"median": medianStyle, "target": targetStyle, "limit": limitStyle, "static": staticStyle, "curve": bentStyle, "trend": trendStyle,
		"mean": meanStyle, "reference": referenceStyle,
	}
	look := func(s draw.LineStyle) string { return fmt.Sprint(s.Dashes) }
	for a, x := range lines {
		for b, y := range lines {
			if a < b && look(x) == look(y) && max(x.Width, y.Width) < 1.25*min(x.Width, y.Width) {
				t.Errorf("%s and %s are alike but for their colour: dashes %v, widths %.1f and %.1f", a, b, x.Dashes, x.Width, y.Width)
			}
		}
	}
}
