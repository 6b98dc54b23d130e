package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/report/plot"
)

// ComparisonSchema names the form of CompareJSON.
const ComparisonSchema = "sparkscope.comparison/1"

// CompareHeadline answers in one sentence without its full stop.
func CompareHeadline(c *compare.Comparison) string {
	first, second := oneLine(c.First.Name), oneLine(c.Second.Name)
	switch c.Kind {
	case compare.StaticFirst:
		first, second = "static ("+first+")", "running ("+second+")"
	}
	span := speedSpan(c)
	m := &c.Mean
	p := differencePlaces(m.Expanded)
	switch {
	case c.Changes:
		low, high := &c.Rows[0], &c.Rows[len(c.Rows)-1]
		s := fmt.Sprintf("What lies between %s and %s depends on speed: %s at %s rpm, %s at %s rpm", first, second,
			earlier(low, ""), round3(low.RPM), earlier(high, ""), round3(high.RPM))
		if most := extreme(c); most != low && most != high {
			s += fmt.Sprintf(", and most at %s rpm: %s", round3(most.RPM), earlier(most, ""))
		}
		return s
	case m.Sure:
		return fmt.Sprintf("%s fires %s than %s, %s", capital(second), earlier(m, ""), first, span)
	default:
		return fmt.Sprintf("No difference is shown between %s and %s: %s (±%s) %s", first, second, signed(float64(m.Difference), p), degrees(float64(m.Expanded), p), span)
	}
}

// differencePlaces is how many decimals a difference with that ± is shown with:
// what its ± supports, and one at least, since plates are set to tenths and ±1°
// may be anything from 0.5° to 1.5°.
func differencePlaces(expanded analysis.Degrees) int { return max(1, placesFor(float64(expanded))) }

// earlier words a row's difference: "2.1° (±0.3°) earlier".
func earlier(r *compare.Row, same string) string {
	p := differencePlaces(r.Expanded)
	d := float64(r.Difference)
	if number(math.Abs(d), p) == number(0, p) {
		return "alike within ±" + degrees(float64(r.Expanded), p) + same
	}
	word := "earlier"
	if d < 0 {
		word = "later"
	}
	return fmt.Sprintf("%s (±%s) %s", degrees(math.Abs(d), p), degrees(float64(r.Expanded), p), word)
}

func capital(s string) string {
	if strings.HasPrefix(s, "running") || strings.HasPrefix(s, "speed") || strings.HasPrefix(s, "cylinder") || strings.HasPrefix(s, "a pull") {
		return strings.ToUpper(s[:1]) + s[1:]
	}
	return s
}

// extreme is the row that lies farthest off the mean difference.
func extreme(c *compare.Comparison) *compare.Row {
	most := &c.Rows[0]
	for i := range c.Rows {
		if r := &c.Rows[i]; math.Abs(near(0, float64(r.Difference-c.Mean.Difference))) > math.Abs(near(0, float64(most.Difference-c.Mean.Difference))) {
			most = r
		}
	}
	return most
}

// speedSpan says over which speeds the rows reach.
func speedSpan(c *compare.Comparison) string {
	lo, hi := round3(c.Rows[0].RPM), round3(c.Rows[len(c.Rows)-1].RPM)
	if lo == hi {
		return "at " + lo + " rpm"
	}
	return "from " + lo + " to " + hi + " rpm alike"
}

// sharedWords says what does not count in a difference.
func sharedWords(c *compare.Comparison) string {
	if len(c.Shared) == 0 {
		return "The two share nothing that would cancel: each side's uncertainty counts in full."
	}
	return "The same on both sides, and so not in the ± but as far as it acts differently: " + strings.Join(c.Shared, ", ") + "."
}

// largestOfDifference names the component that counts most.
func largestOfDifference(c *compare.Comparison) string {
	m, ok := c.Mean.Budget.Main()
	if !ok {
		return ""
	}
	return fmt.Sprintf("Most of the ± comes from %s (%s of the variance). To make it smaller: %s.", m.Source, percentOf(m.Share), m.Shrink)
}

func percentOf(share float64) string { return number(100*share, 0) + " %" }

// CompareText writes comparisons for a terminal of 80 columns, each answer
// first; from is where the set-up of what was measured for them came from. It
// fails on write errors only.
func CompareText(w io.Writer, all []*compare.Comparison, from []analysis.Decision) error {
	var b strings.Builder
	p := printer{&b}
	for i, c := range all {
		if i > 0 {
			p.gap()
		}
		p.para("", CompareHeadline(c)+".")
		if s := CompareTarget(c); s != "" {
			p.para("", s)
		}
		if s := hint(c); s != "" {
			p.para("", s)
		}
		p.gap()
		p.para("A: ", sideWords(&c.First))
		p.para("B: ", sideWords(&c.Second))
		p.gap()
		p.line(pad("rpm", 8) + pad("A", 10) + pad(eventsOf(&c.First), 9) + pad("B", 9) + pad(eventsOf(&c.Second), 9) + pad("B less A", 11) + pad("±", 8) + "   shown")
		for k := range c.Rows {
			r := &c.Rows[k]
			d := differencePlaces(r.Expanded)
			p.line(pad(number(r.RPM, 0), 8) + pad(degrees(float64(r.First.Mean), d), 10) + pad(fmt.Sprint(r.First.N), 9) +
				pad(degrees(float64(r.Second.Mean), d), 9) + pad(fmt.Sprint(r.Second.N), 9) +
				pad(signed(float64(r.Difference), d), 11) + pad(degrees(float64(r.Expanded), d), 8) + "   " + shown(r))
		}
		if len(c.Rows) > 1 {
			d := differencePlaces(c.Mean.Expanded)
			p.line(pad("all", 8) + pad("", 37) + pad(signed(float64(c.Mean.Difference), d), 11) + pad(degrees(float64(c.Mean.Expanded), d), 8) + "   " + shown(&c.Mean))
		}
		targetTable(&p, c)
		p.gap()
		p.para("", "B less A: plus where B fires earlier. ±: 95 %; shown: the difference is larger than its ±.")
		p.para("", sharedWords(c))
		if s := largestOfDifference(c); s != "" {
			p.para("", s)
		}
		if s := tooWide(c); s != "" {
			p.para("", s)
		}
	}
	if len(from) > 0 {
		p.gap()
		for _, d := range from {
			p.para("Given: ", givenWords(d))
		}
	}
	return p.close(w)
}

// hint says what a difference may mean and what to do; empty where there is
// none.
func hint(c *compare.Comparison) string {
	some := c.Mean.Sure || c.Changes
	switch {
	case !some:
		return ""
	case c.Kind == compare.WithinOne && strings.HasPrefix(c.First.Name, "speed"):
		return "An advance that differs between rising and falling speed comes from a mechanism that sticks or is slow to follow, or from a pull so fast that the angle of one revolution is read at the speed of another. Record a slower pull; if it stays, clean and oil the mechanism and look at its springs."
	case c.Kind == compare.StaticFirst && c.Changes:
		return "Running differs from static by more at one speed than at another: a delay (of the pick-up, or of the ignition) grows in proportion to speed, an advance mechanism does so between its stops. The trend of the running recording says which it may be."
	case c.Kind == compare.StaticFirst:
		return "Running differs from static by the same at all speeds: play in the spindle or the plate that only shows when running, contacts that lift later or earlier at speed, or one of the two read wrongly."
	}
	return ""
}

// sideWords says what a side is.
func sideWords(s *compare.Side) string {
	w := oneLine(s.Name) + ": " + count(s.All.N, strings.TrimSuffix(eventsOf(s), "s"))
	if len(s.Points) > 0 {
		w += fmt.Sprintf(", %s to %s rpm", round3(s.Points[0].RPM), round3(s.Points[len(s.Points)-1].RPM))
	}
	if a := s.Setup.ReferenceAngle; a != nil && !s.Relative {
		w += ", reference " + direction(*a, plainDecimals(float64(*a)), false)
	} else {
		w += ", relative to its reference"
	}
	return w
}

func shown(r *compare.Row) string {
	switch {
	case !r.Sure:
		return "no"
	case r.Difference > 0:
		return "B earlier"
	}
	return "B later"
}

// The JSON of comparisons.
type (
	jsonComparisons struct {
		Schema      string           `json:"schema"`
		Comparisons []jsonComparison `json:"comparisons"`
		Decisions   []jsonDecision   `json:"decisions"`
	}
	jsonComparison struct {
		Kind    string              `json:"kind"`
		Answer  string              `json:"answer"`
		First   jsonSide            `json:"first"`
		Second  jsonSide            `json:"second"`
		Changes bool                `json:"depends_on_speed"`
		Shared  []string            `json:"shared"`
		Target  *jsonGoal           `json:"target"`
		Mean    jsonDifferenceRow   `json:"mean"`
		Rows    []jsonDifferenceRow `json:"rows"`
	}
	jsonGoal struct {
		Answer    string          `json:"answer"`
		Angle     *float64        `json:"angle_deg"`
		Table     []jsonTargetRow `json:"table"`
		Tolerance *float64        `json:"tolerance_deg"`
	}
	jsonOff struct {
		Target    *float64 `json:"target_deg"`
		Deviation *float64 `json:"deviation_deg"`
		Expanded  *float64 `json:"expanded_uncertainty_deg"`
		Decision  *string  `json:"decision"`
	}
	jsonSide struct {
		Name     string   `json:"name"`
		N        int      `json:"n"`
		Min      *float64 `json:"min_rpm"`
		Max      *float64 `json:"max_rpm"`
		Relative bool     `json:"relative_to_reference"`
		Angle    *float64 `json:"reference_angle_deg"`
	}
	jsonDifferenceRow struct {
		RPM        *float64 `json:"rpm"`
		First      *float64 `json:"first_mean_deg"`
		Second     *float64 `json:"second_mean_deg"`
		FirstN     int      `json:"first_n"`
		SecondN    int      `json:"second_n"`
		Difference *float64 `json:"difference_deg"`
		Expanded   *float64 `json:"expanded_uncertainty_deg"`
		Shown      bool     `json:"shown"`
		FirstOff   *jsonOff `json:"first_against_target"`
		SecondOff  *jsonOff `json:"second_against_target"`
		jsonBudget
		Components []jsonComponent `json:"uncertainty"`
	}
)

// CompareJSON writes comparisons with full precision; from as for CompareText.
func CompareJSON(w io.Writer, all []*compare.Comparison, from []analysis.Decision) error {
	side := func(s *compare.Side) jsonSide {
		return jsonSide{Name: s.Name, N: s.All.N, Min: known(s.All.FromRPM), Max: known(s.All.ToRPM), Relative: s.Relative, Angle: maybe(s.Setup.ReferenceAngle)}
	}
	off := func(o *compare.Off) *jsonOff {
		if o == nil {
			return nil
		}
		j := &jsonOff{Target: known(o.Target), Deviation: known(o.Deviation), Expanded: known(o.Expanded)}
		if o.Decision != "" {
			j.Decision = &o.Decision
		}
		return j
	}
	row := func(r *compare.Row) jsonDifferenceRow {
		return jsonDifferenceRow{
			RPM: known(r.RPM), First: known(r.First.Mean), Second: known(r.Second.Mean), FirstN: r.First.N, SecondN: r.Second.N,
			Difference: known(r.Difference), Expanded: known(r.Expanded), Shown: r.Sure, FirstOff: off(r.FirstOff), SecondOff: off(r.SecondOff), jsonBudget: budgetOf(r.Budget), Components: components(r.Budget),
		}
	}
	d := jsonComparisons{Schema: ComparisonSchema, Comparisons: []jsonComparison{}, Decisions: []jsonDecision{}}
	for _, x := range from {
		d.Decisions = append(d.Decisions, jsonDecision(x))
	}
	for _, c := range all {
		j := jsonComparison{Kind: string(c.Kind), Answer: CompareHeadline(c) + ".", First: side(&c.First), Second: side(&c.Second), Changes: c.Changes, Shared: append([]string{}, c.Shared...), Mean: row(&c.Mean)}
		j.Mean.First, j.Mean.Second = nil, nil // of means over rows only the difference is meant
		if c.Goal != nil {
			j.Target = &jsonGoal{Answer: CompareTarget(c), Angle: maybe(c.Goal.Target), Tolerance: maybe(c.Goal.Tolerance)}
			if c.Goal.Target == nil {
				j.Mean.FirstOff.Target, j.Mean.SecondOff.Target = nil, nil
				for _, t := range c.Goal.TargetTable {
					j.Target.Table = append(j.Target.Table, jsonTargetRow{RPM: known(t.RPM), Angle: known(t.Angle)})
				}
			}
		}
		for i := range c.Rows {
			j.Rows = append(j.Rows, row(&c.Rows[i]))
		}
		d.Comparisons = append(d.Comparisons, j)
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(d)
}

// ComparePlot draws the sides above and their differences below.
func ComparePlot(w io.Writer, all []*compare.Comparison, f plot.Format) error {
	if len(all) == 0 {
		return fmt.Errorf("report: no comparison to draw")
	}
	in := plot.CompareInput{Title: CompareHeadline(all[0]), Subtitle: "difference: second less first, ± at 95 %", Relative: all[0].First.Relative}
	if len(all) > 1 {
		in.Title = fmt.Sprintf("%d recordings against %s", len(all), oneLine(all[0].First.Name))
	}
	about := float64(all[0].First.All.Mean)
	if g := all[0].Goal; g != nil {
		in.Target = goalLine(g, about)
		if g.Tolerance != nil {
			in.Tolerance = float64(*g.Tolerance)
		}
	}
	curve := func(s *compare.Side) plot.CompareCurve {
		c := plot.CompareCurve{Name: oneLine(s.Name)}
		for _, p := range s.Points {
			c.Points = append(c.Points, plot.Bar{RPM: p.RPM, Deg: near(about, float64(p.Mean)), Half: float64(analysis.NewBudget(p.Parts).Expanded)})
		}
		return c
	}
	first := curve(&all[0].First)
	if all[0].Kind == compare.StaticFirst {
		first.Level = true
		a := &all[0].First.All
		first.Points = []plot.Bar{{RPM: a.RPM, Deg: float64(a.Mean), Half: float64(analysis.NewBudget(a.Parts).Expanded)}}
	}
	in.Sides = append(in.Sides, first)
	for _, c := range all {
		in.Sides = append(in.Sides, curve(&c.Second))
		d := plot.CompareCurve{Name: oneLine(c.Second.Name)}
		for i := range c.Rows {
			d.Points = append(d.Points, plot.Bar{RPM: c.Rows[i].RPM, Deg: float64(c.Rows[i].Difference), Half: float64(c.Rows[i].Expanded)})
		}
		in.Differences = append(in.Differences, d)
	}
	return plot.Draw(w, in, f)
}
