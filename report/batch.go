package report

import (
	"fmt"
	"io"
	"strings"
)

// BatchRow is a recording of many. A pointer is nil where the figure is not known.
type BatchRow struct {
	Name           string
	Refused        string // why it cannot be measured, a sentence; empty: it was
	Sparks         int    // counted
	MinRPM, MaxRPM *float64
	Mean, Expanded *float64 // degrees, and ± at 95 %
	Decision       string   // empty: no tolerance
	Relative       bool     // the angle is relative to the reference
}

// BatchText writes a table over many recordings for a terminal of 80 columns, and
// below it end, a sentence. It fails on write errors only.
func BatchText(w io.Writer, rows []BatchRow, end string) error {
	var b strings.Builder
	p := printer{&b}
	wide := 20
	for i := range rows {
		wide = max(wide, len([]rune(oneLine(rows[i].Name))))
	}
	wide = min(wide, 30)
	p.line(pad("recording", -wide) + pad("sparks", 8) + pad("rpm", 14) + pad("advance", 9) + pad("±", 7) + "  verdict")
	relative := false
	for i := range rows {
		r := &rows[i]
		name := []rune(oneLine(r.Name))
		if len(name) > wide-1 {
			name = append([]rune("…"), name[len(name)-wide+2:]...)
		}
		if r.Refused != "" {
			p.line(pad(string(name), -wide) + "  cannot be measured")
			continue
		}
		advance, u, verdict := "–", "–", ""
		if r.Mean != nil {
			d := 1
			if r.Expanded != nil {
				d = placesFor(*r.Expanded)
				u = degrees(*r.Expanded, d)
			}
			advance = degrees(*r.Mean, d)
		}
		relative = relative || r.Relative
		if r.Decision != "" {
			verdict = "  " + r.Decision
		}
		speed := "–"
		if r.MinRPM != nil && r.MaxRPM != nil {
			speed = round3(*r.MinRPM) + " - " + round3(*r.MaxRPM)
		}
		p.line(pad(string(name), -wide) + pad(fmt.Sprint(r.Sparks), 8) + pad(speed, 14) + pad(advance, 9) + pad(u, 7) + verdict)
	}
	for i := range rows {
		if r := &rows[i]; r.Refused != "" {
			p.gap()
			p.para("", oneLine(r.Name)+": "+oneLine(r.Refused))
		}
	}
	p.gap()
	p.para("", end)
	if relative {
		p.para("", relativeNote+".")
	}
	return p.close(w)
}
