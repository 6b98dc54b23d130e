// Package bench is the arithmetic of a bench before an engine runs: top dead
// centre, piston drop, distance along the flywheel's rim, contact gap. Each
// calculator gives its working, so that it can be checked on paper.
//
// Numbers in, one Result out. No files, no clock, no randomness.
package bench

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"sparkscope/analysis"
)

// Result is what a calculator found, and how.
type Result struct {
	Calculator string // "tdc", "drop", "rim", "gap"
	Headline   string // the answer in words
	Answers    []Answer
	Inputs     []Input
	Steps      []Step
	Tables     []Table
	// Budget is where the uncertainty of BudgetOf comes from (JCGM 100:2008);
	// empty where the answers have none.
	Budget   []Component
	BudgetOf string // the quantity in words: "the reading at top dead centre"
	Total    Total
	Notes    []Note
	Cautions []string // what may hurt in the work that the result asks for
}

// Answer is one figure of a result.
type Answer struct {
	Key   string // stable, with its unit: "drop_mm"
	Name  string // in words
	Text  string // as it is to be shown, with its unit and ±
	Value float64
	Unit  string // "°", "mm" …
	// Expanded is the ± at 95 % coverage, in Unit; nil: none is stated. Where
	// the interval Lo to Hi is not symmetric it is the larger half.
	Expanded *float64
	Lo, Hi   *float64 // the interval; nil: none is stated
}

// Input is what went in.
type Input struct {
	Key    string // stable, with its unit: "stroke_mm"
	Name   string // in words
	Text   string // as shown: value, unit, ±
	Values []float64
	// Tolerance is the ± of each value, half-width of a rectangular
	// distribution, in the unit of Key; nil: none.
	Tolerance *float64
	Origin    string // where it came from: "given", "stated default, …"
}

// Step is one line of the working.
type Step struct {
	Formula string // in symbols, or words
	Numbers string // the same with the figures put in; empty: the formula has none
	Result  string // with its unit
}

// Component is one line of an uncertainty budget.
type Component struct {
	Source       string
	Kind         string  // "A" from repetition, "B" from other knowledge
	Distribution string  // analysis.Normal, Rectangular or Arcsine
	HalfWidth    float64 // ± of the input quantity, in InputUnit; 0 where it has none
	InputStd     float64 // standard uncertainty of the input quantity, in InputUnit
	InputUnit    string
	Sensitivity  float64 // size, unit of the total per InputUnit
	Std          float64 // InputStd·Sensitivity, unit of the total
	Dof          float64 // degrees of freedom; 0: infinite
	Estimate     string  // what it was taken from
}

// Total is the end of an uncertainty budget.
type Total struct {
	Unit   string
	Std    float64 // root of the sum of squares
	Dof    float64 // effective degrees of freedom (Welch-Satterthwaite, JCGM 100:2008, G.4.1); 0: infinite
	Normal float64 // Student's factor for 95 % and Dof, which would be right if the sum were normal (G.3)
	Factor float64 // Expanded/Std; 0 where Std is
	// Expanded is the half-width that holds 95 % of the sum of the parts'
	// distributions (JCGM 101:2008, 5.3), where that is less than Normal·Std: a
	// sum that is mostly one bounded part reaches no further than that part
	// (JCGM 100:2008, G.6.5). Of a single rectangle it is 0.95 of its half-width.
	Expanded float64
}

// Table is a few rows of numbers beside the answer.
type Table struct {
	Title   string
	Columns []Column
	Rows    [][]float64 // as many as Columns each
}

// Column is a column of a Table.
type Column struct {
	Key      string // stable, with its unit: "drop_mm"
	Name     string // as shown over the column, with its unit
	Decimals int    // as shown
}

// Note is something the reader must know. Code is stable.
type Note struct {
	Code    string
	Warning bool // the figure may be wrong or useless unless the reader looks into it
	Message string
}

// RefusedError says why there is no result, and what to change.
type RefusedError struct {
	Code   string // stable
	Reason string // a sentence: what is wrong
	Remedy string // a sentence: what to change
}

// Error joins the reason and the remedy.
func (e *RefusedError) Error() string { return strings.TrimSpace(e.Reason + " " + e.Remedy) }

// refuse makes a RefusedError; the args are those of reason and remedy in turn.
func refuse(code, reason, remedy string, args ...any) error {
	said, advice, _ := strings.Cut(fmt.Sprintf(reason+"\x00"+remedy, args...), "\x00")
	return &RefusedError{Code: code, Reason: said, Remedy: advice}
}

// Quantity is a number that goes in: its value, how well it is known, and where
// it came from.
type Quantity struct {
	Value float64
	// Tolerance is its ±, half-width of a rectangular distribution, in the
	// unit of Value; nil: the calculator's default.
	Tolerance *float64
	Origin    string // as it is to be shown; empty: "given"
}

// Given is a quantity that the user gave, with the calculator's default ±.
func Given(v float64) *Quantity { return &Quantity{Value: v} }

// assumed is how a default of the calculators is shown.
const assumed = "stated default, common practice, no source"

// bare is a quantity whose ± does not matter.
func (q *Quantity) bare() *Quantity {
	return &Quantity{Value: q.Value, Tolerance: new(float64), Origin: q.Origin}
}

// check refuses numbers that are none; nil is fine.
func (q *Quantity) check(name string) error {
	switch {
	case q == nil:
	case !finite(q.Value):
		return refuse("number", "The %s is %g.", "Want a number.", name, q.Value)
	case q.Tolerance != nil && !(*q.Tolerance >= 0 && finite(*q.Tolerance)):
		return refuse("tolerance", "The ± of the %s is %g.", "Want 0 or more.", name, *q.Tolerance)
	}
	return nil
}

// tolerance is the ± of a quantity, and how it is known.
func (q *Quantity) tolerance(fallback float64) (half float64, how string) {
	if q.Tolerance != nil {
		return *q.Tolerance, "given"
	}
	return fallback, assumed
}

// input shows a quantity; fallback is the default of its ±.
func (r *Result) input(key, name, unit string, q *Quantity, fallback float64) (half float64, how string) {
	half, how = q.tolerance(fallback)
	origin := q.Origin
	if origin == "" {
		origin = "given"
	}
	text := trim(q.Value) + space(unit)
	if half > 0 {
		text += " ±" + trim(half) + space(unit)
		if how != origin {
			origin += "; its ±: " + how
		}
	}
	r.Inputs = append(r.Inputs, Input{Key: key, Name: name, Text: text, Values: []float64{q.Value}, Tolerance: &half, Origin: origin})
	return half, how
}

// inputs shows a list of numbers as text.
func (r *Result) inputs(key, name, text, origin string, values ...float64) {
	r.Inputs = append(r.Inputs, Input{Key: key, Name: name, Text: text, Values: values, Origin: origin})
}

func (r *Result) step(formula, numbers, result string, args ...any) {
	r.Steps = append(r.Steps, Step{formula, numbers, fmt.Sprintf(result, args...)})
}

func (r *Result) note(code string, warning bool, format string, args ...any) {
	r.Notes = append(r.Notes, Note{code, warning, fmt.Sprintf(format, args...)})
}

// rectangle adds an input quantity known within ±half.
func (r *Result) rectangle(source string, half float64, unit string, sensitivity float64, format string, args ...any) {
	r.part(Component{Source: source, Kind: "B", Distribution: analysis.Rectangular, HalfWidth: half, InputStd: half / math.Sqrt(3), InputUnit: unit, Sensitivity: math.Abs(sensitivity), Estimate: fmt.Sprintf(format, args...)})
}

// scatter adds an input quantity known from repetition.
func (r *Result) scatter(source string, std, dof float64, unit string, sensitivity float64, format string, args ...any) {
	r.part(Component{Source: source, Kind: "A", Distribution: analysis.Normal, InputStd: std, InputUnit: unit, Sensitivity: math.Abs(sensitivity), Dof: dof, Estimate: fmt.Sprintf(format, args...)})
}

func (r *Result) part(c Component) {
	c.Std = c.InputStd * c.Sensitivity
	r.Budget = append(r.Budget, c)
}

// conclude adds up the budget; of is the quantity it is of.
func (r *Result) conclude(of, unit string) {
	r.BudgetOf, r.Total = of, total(r.Budget, unit)
}

// total adds up a budget whose parts are independent of each other.
func total(budget []Component, unit string) Total {
	parts := make([]analysis.Component, len(budget))
	for i, c := range budget {
		parts[i] = analysis.Component{Kind: c.Kind, Std: analysis.Degrees(c.Std), Dof: c.Dof, Distribution: c.Distribution}
	}
	u, nu := analysis.Combine(parts)
	t := Total{Unit: unit, Std: u, Dof: nu, Normal: studentFactor(nu)}
	t.Expanded = math.Min(t.Normal*t.Std, analysis.HalfWidth(parts))
	if t.Std > 0 {
		t.Factor = t.Expanded / t.Std
	}
	return t
}

// studentFactor is the factor for 95 % with nu degrees of freedom, the normal
// one for 0 (JCGM 100:2008, G.3). Fractions are kept.
func studentFactor(nu float64) float64 {
	if nu <= 0 {
		return distuv.UnitNormal.Quantile(0.975)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, nu)}.Quantile(0.975)
}

// answer adds a figure with a symmetric ±; expanded 0: none is stated.
func (r *Result) answer(key, name, unit string, v, expanded float64) *Answer {
	a := Answer{Key: key, Name: name, Unit: unit, Value: v, Text: with(v, expanded, unit)}
	if expanded > 0 {
		lo, hi := v-expanded, v+expanded
		a.Expanded, a.Lo, a.Hi = &expanded, &lo, &hi
	}
	r.Answers = append(r.Answers, a)
	return &r.Answers[len(r.Answers)-1]
}

// spanned adds a figure with an interval that need not be symmetric about it.
func (r *Result) spanned(key, name, unit string, v, lo, hi float64) *Answer {
	e := math.Max(hi-v, v-lo)
	r.Answers = append(r.Answers, Answer{Key: key, Name: name, Unit: unit, Value: v, Expanded: &e, Lo: &lo, Hi: &hi, Text: spannedText(v, lo, hi, unit)})
	return &r.Answers[len(r.Answers)-1]
}

// spannedText shows an interval as a ± where its halves are alike to a tenth.
func spannedText(v, lo, hi float64, unit string) string {
	a, b := v-lo, hi-v
	e := math.Max(a, b)
	if math.Min(a, b) >= 0.9*e {
		return with(v, e, unit)
	}
	d := places(e)
	return fmt.Sprintf("%s%s (%s to %s%s)", fixed(v, d), space(unit), fixed(lo, d), fixed(hi, d), space(unit))
}

// Find is the answer with that key, or nil.
func (r *Result) Find(key string) *Answer {
	for i := range r.Answers {
		if r.Answers[i].Key == key {
			return &r.Answers[i]
		}
	}
	return nil
}

// with is a number and its ± to two digits of the ±, four decimals at most.
func with(v, expanded float64, unit string) string {
	if expanded <= 0 {
		return trim(roundTo(v, 4)) + space(unit)
	}
	d := places(expanded)
	return fmt.Sprintf("%s%s ±%s%s", fixed(v, d), space(unit), fixed(expanded, d), space(unit))
}

// places is how many decimals show two digits of a ±: none from 10 up, four at
// most.
func places(expanded float64) int {
	if !(expanded > 0) {
		return 4
	}
	return min(4, max(0, 1-int(math.Floor(math.Log10(expanded)))))
}

// fixed is a number with so many decimals, without the sign of a zero.
func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// trim is a number with as few digits as it has, nine decimals at most.
func trim(v float64) string { return strconv.FormatFloat(roundTo(v, 9), 'f', -1, 64) }

func roundTo(v float64, decimals int) float64 {
	p := math.Pow(10, float64(decimals))
	return math.Round(v*p)/p + 0
}

// space is a unit as it stands behind a number.
func space(unit string) string {
	if unit == "" || unit == "°" {
		return unit
	}
	return " " + unit
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Cautions of the work, in the order in which they are shown. Common practice,
// no source.
const (
	unplugged       = "Before the crank is turned: ignition off, spark plug out, its lead earthed. Contacts that open make a spark, and an engine with its plug in can fire and turn by itself."
	byHand          = "The piston stop takes the crank by hand only, gently, never the starter or a kick: it would go through the piston. Take it out again, and count it among the tools, before the engine is turned over."
	gentle          = "Turn the crank by hand, and keep fingers out of the plug hole and away from the flywheel."
	marks           = "Measure and mark with the engine still. A centre punch or a deep notch can start a crack in a flywheel: scribe, or use paint."
	contactsCaution = "Measure a gap with the engine still and the contacts at their widest, with a clean feeler that just drags. Keep oil and grease off the contacts."
	smallSteps      = "Too much advance can destroy an engine: change it in small steps, and measure again after each."
	manual          = "The maker's manual and a qualified mechanic come before any figure given here."
)
