package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"sparkscope/analysis"
	"sparkscope/report/handover"
)

//go:embed rest.html
var restSource string

var below = template.Must(template.New("rest").Parse(restSource))

// HTML writes the result as one page that needs nothing from elsewhere; see
// HandOver for what more it may say.
func HTML(w io.Writer, r *analysis.Result) error { return HandOver{}.HTML(w, r) }

// HTML writes the report as one page that needs nothing from elsewhere: the
// pictures are inside it, and there is no script. Printed it is two sheets of
// A4; what has no room there stands below them on the screen.
func (h HandOver) HTML(w io.Writer, r *analysis.Result) error {
	fragment, err := rest(r)
	if err != nil {
		return err
	}
	return handover.HTML(w, h.content(r), fragment)
}

// rest is the part of the page that is not printed: all figures.
func rest(r *analysis.Result) (template.HTML, error) {
	type row struct{ Speed, N, Mean, U, Median, Scatter, Target, Verdict string }
	type budgetRow struct{ N, Source, Kind, Input, PerUnit, Std, Dof, Share, Estimate, Shrink string }
	type pair struct{ Lead, Text string }
	v := struct {
		EventName, VerdictWord, AngleName, Static, Together string
		Rows                                                []row
		Trend, StaticLines                                  []string
		Decisions                                           []pair
		Budget                                              []budgetRow
		Dwell, Sampling, Sum, GridNote                      string
		Tried                                               []tried
		GridHeads                                           []string
		ByTable                                             bool
		Grid                                                []gridRow
	}{
		Trend: trendWords(r), Tried: alternatives(r), StaticLines: staticWords(r),
		AngleName: "advance", EventName: spark(r), ByTable: len(r.Setup.TargetTable) > 0 && !r.Relative,
	}
	if r.Relative {
		v.AngleName = "angle"
	}
	if r.Verdict != nil {
		v.VerdictWord = verdictWord(r.Verdict.Decision)
	}
	if r.Static != nil {
		v.Static = given(r.Static.Static)
		if r.Static.Tolerance > 0 {
			v.Static += " ± " + given(r.Static.Tolerance)
		}
	}
	add := func(speed string, s analysis.Summary, verdict string) {
		d := decimals(s)
		x := row{Speed: speed, N: number(float64(s.N), 0), Mean: degrees(float64(s.Mean), d), U: "–", Median: degrees(float64(s.Median), d), Scatter: "–", Verdict: verdict}
		if s.HasExpanded {
			x.U = degrees(float64(s.Expanded), d)
		}
		if s.N > 1 {
			x.Scatter = degrees(float64(s.StdDev), scatterPlaces(s))
		}
		if t := goal(r, s); v.ByTable && t != nil {
			x.Target = degrees(float64(*t), max(1, d))
		}
		v.Rows = append(v.Rows, x)
	}
	for i, b := range r.Bins {
		word := ""
		if r.Verdict != nil && i < len(r.Verdict.Bins) {
			word = r.Verdict.Bins[i].Decision
		}
		add(number(b.FromRPM, 0)+" – "+number(b.ToRPM, 0), b.Summary, word)
	}
	word := ""
	if r.Verdict != nil {
		word = r.Verdict.Decision
	}
	add("all", r.Advance, word)
	for i, c := range r.Cylinders {
		word := ""
		if r.Verdict != nil && i < len(r.Verdict.Cylinders) {
			word = r.Verdict.Cylinders[i].Decision
		}
		add(cylinderName(c), c.Summary, word)
	}
	for _, d := range r.Decisions {
		lead := "Found"
		if d.Given {
			lead = "Given"
		}
		v.Decisions = append(v.Decisions, pair{lead, givenWords(d)})
	}
	for i, c := range r.Uncertainty {
		dof := "∞"
		if c.Dof > 0 {
			dof = number(c.Dof, 0)
		}
		v.Budget = append(v.Budget, budgetRow{fmt.Sprint(i + 1), c.Source, c.Kind, input(c), perUnit(c, "°"), degrees(float64(c.Std), 3), dof, sharePercent(c.Share), c.Estimate, c.Shrink})
	}
	v.Dwell, v.Sampling = dwellWords(r), samplingWords(r)
	v.GridHeads, v.Grid = budgetGrid(r)
	if len(v.Grid) > 0 && v.Grid[len(v.Grid)-1].Of == "slope" {
		v.GridNote = slopeNote
	}
	if b := r.Advance.Budget; b != nil {
		v.Sum = together(b, "°")
	}
	if r.Advance.HasExpanded {
		v.Together = degrees(float64(r.Advance.Expanded), max(2, decimals(r.Advance)))
	}
	var b bytes.Buffer
	if err := below.Execute(&b, v); err != nil {
		return "", err
	}
	return template.HTML(b.String()), nil //nolint:gosec // html/template has escaped it
}
