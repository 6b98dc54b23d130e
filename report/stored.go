package report

import (
	"fmt"
	"io"
	"strings"

	"sparkscope/analysis"
)

// Stored writes a result that was read back, as far as ReadJSON reads one: the
// answer, the verdict, the table by speed, and what was found of the engine. It
// fails on write errors only.
func Stored(w io.Writer, r *analysis.Result) error {
	var b strings.Builder
	p := printer{&b}
	p.para("", Headline(r)+", "+speeds(r)+", scatter "+degrees(float64(r.Advance.StdDev), scatterPlaces(r.Advance))+".")
	if v := r.Verdict; v != nil {
		p.para("", verdictWord(v.Decision)+": "+verdictWords(r)+".")
	}
	for _, f := range r.Findings {
		p.finding(f)
	}
	p.gap()
	p.line(pad("rpm", 13) + pad("sparks", 9) + pad("advance", 11) + pad("±", 8))
	row := func(name string, s analysis.Summary) {
		d := decimals(s)
		half := "–"
		if s.HasExpanded {
			half = degrees(float64(s.Expanded), d)
		}
		p.line(pad(name, 13) + pad(fmt.Sprint(s.N), 9) + pad(degrees(float64(s.Mean), d), 11) + pad(half, 8))
	}
	for _, x := range r.Bins {
		row(number(x.FromRPM, 0)+" - "+number(x.ToRPM, 0), x.Summary)
	}
	row("all", r.Advance)
	_, err := io.WriteString(w, b.String())
	return err
}
