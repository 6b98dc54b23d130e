// Package plot draws the advance of an engine's sparks against its speed.
//
// It gets numbers and gives a picture; it computes no statistics. Marks and
// lines differ in shape, dash and lightness as well as in colour, so that the
// picture survives a grey print and any kind of colour vision.
package plot

import (
	"errors"
	"fmt"
	"math"
	"strings"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Point is one spark.
type Point struct {
	RPM float64 // crankshaft speed
	Deg float64 // advance, crank degrees
}

// Bin is what is known of one range of speed.
type Bin struct {
	FromRPM, ToRPM, RPM float64 // its ends and the mean speed of its sparks
	Median              float64 // crank degrees
	Spread              float64 // half-height of the band about Median, degrees; 0: none drawn
}

// Band is a level with its ± limits.
type Band struct {
	Deg  float64 // crank degrees
	Half float64 // ± degrees; 0: a bare line
}

// Line is a straight line of advance against speed, drawn from zero speed to
// ToRPM: dotted to FromRPM, where it is extrapolated, and thin beyond.
type Line struct {
	Intercept    float64 // degrees at zero speed
	SlopePer1000 float64 // degrees per 1000 rpm
	FromRPM      float64 // slowest speed measured, rpm
	ToRPM        float64 // fastest speed measured, rpm
	ZeroHalf     float64 // ± degrees of Intercept; 0: no bar drawn
}

// Corner is a point at which a curve bends, with bars for what is not known of
// it.
type Corner struct {
	Point
	RPMHalf, DegHalf float64 // ± each, rpm and degrees; 0: no bar
}

// Bent is a curve of straight pieces through Points, in order of speed.
type Bent struct {
	Points  []Point  // ends of the pieces
	Corners []Corner // the inner ones, with their bars
}

// Input is all that is drawn. Angles are plain numbers: a caller whose angles
// straddle ±180° moves them to one side first; tick labels are wrapped back.
type Input struct {
	Title    string  // the answer, one line
	Subtitle string  // what it was measured from, one line; may be empty
	Points   []Point // single sparks, any order
	Bins     []Bin   // in order of speed
	Target   *Band   // degrees; nil: none
	// TargetTable is a target by speed, in the place of Target: straight lines
	// between its points, in order of speed, whose ends hold; nil: none.
	// TargetTableHalf is its ± in degrees; 0: a bare line.
	TargetTable     []Point
	TargetTableHalf float64
	Static          *Band // degrees; nil: none
	Trend           *Line // nil: none
	Bent            *Bent // nil: none
	Relative        bool  // angles are relative to the reference event, not to top dead centre
}

// Format is a kind of picture file.
type Format int

// The formats that can be drawn.
const (
	PNG Format = iota // 18 by 12 cm at 160 dots per inch
	SVG
	PDF
)

// FormatOf says which format a file's name asks for by its ending, in either
// case: .png, .svg or .pdf.
func FormatOf(name string) (Format, error) {
	i := strings.LastIndexByte(name, '.')
	if i >= 0 {
		switch strings.ToLower(name[i:]) {
		case ".png":
			return PNG, nil
		case ".svg":
			return SVG, nil
		case ".pdf":
			return PDF, nil
		}
	}
	return 0, fmt.Errorf("plot: name %q: want an ending .png, .svg or .pdf", name)
}

// Limits of what is drawn.
const (
	minSpan   = 2.0  // degrees, the least height of the picture, so that a tenth of a degree does not look like a fault
	edgeShare = 0.01 // share of the sparks that may lie outside the picture when they would flatten the rest
)

// check refuses what cannot be drawn.
func (in Input) check() error {
	bad := func(x ...float64) bool {
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return true
			}
		}
		return false
	}
	err := errors.New("plot: a number that is not finite: want rpm and degrees")
	for _, p := range in.Points {
		if bad(p.RPM, p.Deg) {
			return err
		}
	}
	for _, b := range in.Bins {
		if bad(b.FromRPM, b.ToRPM, b.RPM, b.Median, b.Spread) {
			return err
		}
	}
	for _, q := range in.TargetTable {
		if bad(q.RPM, q.Deg, in.TargetTableHalf) {
			return err
		}
	}
	for _, b := range []*Band{in.Target, in.Static} {
		if b != nil && bad(b.Deg, b.Half) {
			return err
		}
	}
	if l := in.Bent; l != nil {
		for _, q := range l.Points {
			if bad(q.RPM, q.Deg) {
				return fmt.Errorf("plot: curve %+v: not a number", *l)
			}
		}
		for _, q := range l.Corners {
			if bad(q.RPM, q.Deg, q.RPMHalf, q.DegHalf) {
				return fmt.Errorf("plot: corner %+v: not a number", q)
			}
		}
	}
	if l := in.Trend; l != nil && bad(l.Intercept, l.SlopePer1000, l.FromRPM, l.ToRPM, l.ZeroHalf) {
		return err
	}
	return nil
}

// style is a text style of the picture's own font.
func style(size vg.Length, heavy bool) text.Style {
	fnt := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if heavy {
		fnt.Weight = bold
	}
	return text.Style{
		Color:   ink,
		Font:    fnt,
		Handler: text.Plain{Fonts: fonts},
		XAlign:  text.XLeft,
		YAlign:  text.YBottom,
	}
}

// bold is the weight of the title.
const bold = xfont.WeightBold

// fonts holds the outlines that texts are measured and drawn with.
var fonts = font.NewCache(liberation.Collection())

// newPlot is a plot with this picture's fonts and quiet axes.
func newPlot() *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle = style(9.5, false)
		a.Label.TextStyle.XAlign, a.Label.TextStyle.YAlign = text.XCenter, text.YBottom
		a.Label.Padding = 3
		a.Tick.Label = style(9, false)
		a.Tick.Length = 4
		a.Tick.LineStyle.Color = ink
		a.LineStyle.Color = ink
		a.LineStyle.Width = 0.7
		a.Tick.LineStyle.Width = 0.7
		a.Padding = 0
	}
	p.X.Tick.Label.XAlign, p.X.Tick.Label.YAlign = text.XCenter, text.YTop
	p.Y.Tick.Label.XAlign, p.Y.Tick.Label.YAlign = text.XRight, text.YCenter
	return p
}

// size implements Figure.
func (in Input) size() (wide, tall vg.Length) { return width, height }

// heading implements Figure.
func (in Input) heading() string { return in.Title }

// paint implements Figure.
func (in Input) paint(c draw.Canvas, bare bool) { newPicture(in, most(bare)).draw(c, bare) }
