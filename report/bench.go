package report

import (
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"sparkscope/analysis/bench"
)

// BenchSchema names the layout that BenchJSON writes.
const BenchSchema = "sparkscope.bench/1"

// behind is a unit as it stands behind a number.
func behind(unit string) string {
	if unit == "" || unit == "°" {
		return unit
	}
	return " " + unit
}

// Bench writes a calculator's result as text: the answer, what went in, the
// working, the budget, what to know, and the cautions.
func Bench(w io.Writer, r *bench.Result) error {
	var b strings.Builder
	p := printer{&b}
	p.para("", r.Headline)
	p.gap()
	p.line("What went in:")
	for _, x := range r.Inputs {
		p.para("  ", fmt.Sprintf("%s: %s (%s)", x.Name, x.Text, x.Origin))
	}
	p.gap()
	p.line("Worked out:")
	for _, x := range r.Steps {
		p.para("  ", x.Formula)
		if x.Numbers != "" {
			p.para("      = ", x.Numbers)
		}
		p.para("      = ", x.Result)
	}
	p.gap()
	p.line("Comes out:")
	for _, x := range r.Answers {
		p.para("  ", x.Name+": "+x.Text)
	}
	for _, t := range r.Tables {
		p.gap()
		p.benchTable(t)
	}
	if len(r.Budget) > 0 {
		p.gap()
		p.benchBudget(r)
	}
	if len(r.Notes) > 0 {
		p.gap()
		for _, n := range r.Notes {
			lead := "Note: "
			if n.Warning {
				lead = "Warning: "
			}
			p.para(lead, n.Message)
		}
	}
	if len(r.Cautions) > 0 {
		p.gap()
		for _, s := range r.Cautions {
			p.para("", s)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// benchTable writes a table of numbers, each column as wide as it needs.
func (p printer) benchTable(t bench.Table) {
	p.para("", t.Title)
	const between = 3
	lines := make([]string, len(t.Rows)+1)
	for i, c := range t.Columns {
		cells := []string{c.Name}
		for _, row := range t.Rows {
			cells = append(cells, strconv.FormatFloat(row[i], 'f', c.Decimals, 64))
		}
		width := 0
		for _, s := range cells {
			width = max(width, len([]rune(s)))
		}
		for k, s := range cells {
			lines[k] += pad(s, width+between)
		}
	}
	for _, l := range lines {
		p.line(l)
	}
}

// benchBudget writes where the uncertainty comes from.
func (p printer) benchBudget(r *bench.Result) {
	unit := behind(r.Total.Unit)
	p.para("", "Where the uncertainty of "+r.BudgetOf+" comes from (standard uncertainties):")
	for _, x := range r.Budget {
		s := fmt.Sprintf("%s: %s", x.Source, x.Estimate)
		if x.Sensitivity != 1 || x.InputUnit != r.Total.Unit {
			per := ""
			if x.InputUnit != r.Total.Unit {
				per = unit + " per " + x.InputUnit
			}
			s += fmt.Sprintf("; %.3g%s · %.3g%s", x.InputStd, behind(x.InputUnit), x.Sensitivity, per)
		}
		p.para(pad(fmt.Sprintf("%.3g%s", x.Std, unit), 12)+"  "+x.Kind+" ", s)
	}
	how := "normal"
	if r.Total.Dof > 0 && r.Total.Dof < 1000 {
		how = fmt.Sprintf("Student's t, %.0f degrees of freedom", r.Total.Dof)
	}
	s := fmt.Sprintf("Together (root of the sum of squares) u = %.3g%s; factor %.2f for 95 %% (%s)", r.Total.Std, unit, r.Total.Normal, how)
	// Bounded parts reach less far than normal ones of the same u.
	if normal := r.Total.Normal * r.Total.Std; r.Total.Expanded < 0.995*normal {
		s += fmt.Sprintf(" would be ±%.3g%s; but these are bounded, and ±%.3g%s holds 95 %% of their sum (factor %.2f).", normal, unit, r.Total.Expanded, unit, r.Total.Factor)
	} else {
		s += fmt.Sprintf(": ±%.3g%s.", r.Total.Expanded, unit)
	}
	p.para("  ", s)
}

type (
	jsonBench struct {
		Schema     string               `json:"schema"`
		Calculator string               `json:"calculator"`
		Headline   string               `json:"headline"`
		Answers    []jsonBenchAnswer    `json:"answers"`
		Inputs     []jsonBenchInput     `json:"inputs"`
		Working    []jsonBenchStep      `json:"working"`
		Tables     []jsonBenchTable     `json:"tables"`
		Budget     []jsonBenchComponent `json:"uncertainty"`
		Total      *jsonBenchTotal      `json:"total"`
		Notes      []jsonCalNote        `json:"notes"`
		Cautions   []string             `json:"cautions"`
	}
	jsonBenchAnswer struct {
		Key      string   `json:"key"`
		Name     string   `json:"name"`
		Text     string   `json:"text"`
		Value    *float64 `json:"value"`
		Unit     string   `json:"unit"`
		Expanded *float64 `json:"expanded_uncertainty"`
		Lo       *float64 `json:"low"`
		Hi       *float64 `json:"high"`
	}
	jsonBenchInput struct {
		Key       string    `json:"key"`
		Name      string    `json:"name"`
		Text      string    `json:"text"`
		Values    []float64 `json:"values"`
		Tolerance *float64  `json:"tolerance"`
		Origin    string    `json:"origin"`
	}
	jsonBenchStep struct {
		Formula string  `json:"formula"`
		Numbers *string `json:"numbers"`
		Result  string  `json:"result"`
	}
	jsonBenchTable struct {
		Title   string      `json:"title"`
		Columns []string    `json:"columns"`
		Rows    [][]float64 `json:"rows"`
	}
	jsonBenchComponent struct {
		Source       string   `json:"source"`
		Kind         string   `json:"kind"`
		Distribution string   `json:"distribution"`
		HalfWidth    *float64 `json:"half_width"`
		InputStd     *float64 `json:"input_standard_uncertainty"`
		InputUnit    string   `json:"input_unit"`
		Sensitivity  *float64 `json:"sensitivity"`
		Std          *float64 `json:"standard_uncertainty"`
		Dof          *float64 `json:"degrees_of_freedom"`
		Estimate     string   `json:"estimate"`
	}
	jsonBenchTotal struct {
		Of       string   `json:"of"`
		Unit     string   `json:"unit"`
		Std      *float64 `json:"standard_uncertainty"`
		Dof      *float64 `json:"degrees_of_freedom"`
		Factor   *float64 `json:"coverage_factor"`
		Expanded *float64 `json:"expanded_uncertainty"`
	}
)

// BenchJSON writes a calculator's result for programs. Figures are unrounded;
// the unit is in each key, or beside it.
func BenchJSON(w io.Writer, r *bench.Result) error {
	positive := func(v float64) *float64 {
		if v <= 0 {
			return nil // infinite, or none
		}
		return known(v)
	}
	d := jsonBench{Schema: BenchSchema, Calculator: r.Calculator, Headline: r.Headline,
		Answers: make([]jsonBenchAnswer, 0, len(r.Answers)), Inputs: make([]jsonBenchInput, 0, len(r.Inputs)), Working: make([]jsonBenchStep, 0, len(r.Steps)),
		Tables: make([]jsonBenchTable, 0, len(r.Tables)), Budget: make([]jsonBenchComponent, 0, len(r.Budget)), Notes: make([]jsonCalNote, 0, len(r.Notes)),
		Cautions: append([]string{}, r.Cautions...)}
	for _, x := range r.Answers {
		d.Answers = append(d.Answers, jsonBenchAnswer{x.Key, x.Name, x.Text, known(x.Value), x.Unit, x.Expanded, x.Lo, x.Hi})
	}
	for _, x := range r.Inputs {
		in := jsonBenchInput(x)
		in.Values = append([]float64{}, in.Values...) // [] and not null where it is words
		d.Inputs = append(d.Inputs, in)
	}
	for _, x := range r.Steps {
		d.Working = append(d.Working, jsonBenchStep{x.Formula, named(x.Numbers), x.Result})
	}
	for _, x := range r.Tables {
		t := jsonBenchTable{Title: x.Title, Rows: x.Rows}
		for _, c := range x.Columns {
			t.Columns = append(t.Columns, c.Key)
		}
		d.Tables = append(d.Tables, t)
	}
	for _, x := range r.Budget {
		d.Budget = append(d.Budget, jsonBenchComponent{x.Source, x.Kind, x.Distribution, positive(x.HalfWidth), known(x.InputStd), x.InputUnit, known(x.Sensitivity), known(x.Std), positive(x.Dof), x.Estimate})
	}
	if len(r.Budget) > 0 {
		d.Total = &jsonBenchTotal{r.BudgetOf, r.Total.Unit, known(r.Total.Std), positive(r.Total.Dof), known(r.Total.Factor), known(r.Total.Expanded)}
	}
	for _, x := range r.Notes {
		d.Notes = append(d.Notes, jsonCalNote(x))
	}
	b, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}
