package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"sparkscope/analysis"
	"sparkscope/report/plot"
)

//go:embed page.html
var pageSource string

var page = template.Must(template.New("page").Parse(pageSource))

// HTML writes the result as one page that needs nothing from elsewhere: the
// picture is inside it, and there is no script.
func HTML(w io.Writer, r *analysis.Result) error {
	var svg bytes.Buffer
	if err := Plot(&svg, r, plot.SVG); err != nil {
		return err
	}
	pic := svg.Bytes()
	if i := bytes.Index(pic, []byte("<svg")); i >= 0 {
		pic = pic[i:] // without the XML declaration, which HTML does not allow inside
	}
	type row struct{ Speed, N, Mean, U, Median, Scatter, Target, Verdict string }
	type budgetRow struct{ N, Source, Kind, Input, PerUnit, Std, Dof, Share, Estimate, Shrink string }
	type pair struct{ Lead, Text string }
	v := struct {
		Headline, EventName, Source, Against, RelativeNote, VerdictWord, VerdictText, Advice, AngleName, MinusNote, Counts, Static, Together string
		ToDoHead                                                                                                                             string
		Picture                                                                                                                              template.HTML
		Rows                                                                                                                                 []row
		Trend, StaticLines, Cautions                                                                                                         []string
		Decisions, Findings, Beside, ToDo                                                                                                    []pair
		Budget                                                                                                                               []budgetRow
		Dwell, Largest, Sampling, Sum, GridNote                                                                                              string
		Tried                                                                                                                                []tried
		GridHeads                                                                                                                            []string
		ByTable                                                                                                                              bool
		Grid                                                                                                                                 []gridRow
	}{
		Headline: Headline(r),
		Source:   oneLine(baseName(r.Recording.Path)),
		Against:  reference(r),
		Counts:   countsWords(r),
		Picture:  template.HTML(pic), //nolint:gosec // written by package plot, which escapes its texts
		Trend:    trendWords(r), Tried: alternatives(r), StaticLines: staticWords(r), Cautions: cautions,
		ToDoHead: toDoHead, AngleName: "advance", EventName: spark(r), ByTable: len(r.Setup.TargetTable) > 0 && !r.Relative,
	}
	if r.Advance.N > 0 {
		v.Headline += ", " + speeds(r)
	}
	if r.Relative {
		v.RelativeNote, v.AngleName = relativeNote+".", "angle"
	}
	if r.Advance.Mean < 0 && !r.Relative {
		v.MinusNote = minusNote
	}
	if r.Verdict != nil {
		v.VerdictWord, v.VerdictText, v.Advice = verdictWord(r.Verdict.Decision), verdictWords(r)+".", r.Verdict.Advice
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
	for _, s := range unsaidRemarks(r) {
		v.Findings = append(v.Findings, pair{"Recording", s})
	}
	say := func(f analysis.Finding) pair {
		s := f.Message
		if o := occurrences(f); o != "" {
			s += " (" + o + ")"
		}
		return pair{severityWord(f.Severity), s}
	}
	beside, toDo, rest := sayings(r)
	for _, f := range beside {
		v.Beside = append(v.Beside, say(f))
	}
	for _, f := range toDo {
		v.ToDo = append(v.ToDo, say(f))
	}
	for _, f := range rest {
		v.Findings = append(v.Findings, say(f))
	}
	for i, c := range r.Uncertainty {
		dof := "∞"
		if c.Dof > 0 {
			dof = number(c.Dof, 0)
		}
		v.Budget = append(v.Budget, budgetRow{fmt.Sprint(i + 1), c.Source, c.Kind, input(c), perUnit(c, "°"), degrees(float64(c.Std), 3), dof, sharePercent(c.Share), c.Estimate, c.Shrink})
	}
	v.Dwell, v.Largest, v.Sampling = dwellWords(r), largestWords(r), samplingWords(r)
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
	var b bytes.Buffer // whole or not at all
	if err := page.Execute(&b, v); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}
