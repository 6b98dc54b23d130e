package report

import (
	"fmt"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/report/plot"
)

// usualQuestion is what a comparison is mostly asked to tell, degrees, where no
// tolerance is stated: that of a road engine (common practice, no source).
const usualQuestion = 2.0

// eventsOf is what a side counts.
func eventsOf(s *compare.Side) string {
	if s.Setup.SparkKind == analysis.Contacts {
		return "openings"
	}
	return "sparks"
}

// goalWords names a target.
func goalWords(g *analysis.Setup) string {
	w := "the target by table"
	if g.Target != nil {
		w = "the target of " + given(*g.Target)
	}
	return w
}

// CompareTarget says how far each side lies from the target, each with its own
// ±, in a sentence with its full stop; empty without a target.
func CompareTarget(c *compare.Comparison) string {
	if c.Goal == nil {
		return ""
	}
	first := offSentence(c, &c.First, func(r *compare.Row) *compare.Off { return r.FirstOff })
	second := offSentence(c, &c.Second, func(r *compare.Row) *compare.Off { return r.SecondOff })
	on := ""
	if len(c.Rows) > 1 {
		on = ", on the mean of these speeds"
	}
	w := fmt.Sprintf("Against %s%s: %s; %s.", goalWords(c.Goal), on, first, second)
	for _, s := range []*compare.Side{&c.First, &c.Second} {
		if s.Doubt == "" && s.OpenS > 0 && c.Goal.Tolerance != nil {
			w += fmt.Sprintf(" Nothing was stated of the delay of %s's reference: what is decided holds for every delay that a reed may have, up to %s ms.", oneLine(s.Name), number(1e3*s.OpenS, 1))
		}
		if s.Doubt != "" && c.Goal.Tolerance != nil {
			w += fmt.Sprintf(" What was found in %s (%s) leaves no verdict standing: measure says what to mend first.", oneLine(s.Name), s.Doubt)
		}
	}
	return w
}

// offSentence says how far one side lies from the target.
func offSentence(c *compare.Comparison, s *compare.Side, get func(*compare.Row) *compare.Off) string {
	mean := get(&c.Mean)
	w := oneLine(s.Name) + " " + offWords(mean)
	if len(c.Rows) > 1 && !(s == &c.First && c.Kind == compare.StaticFirst) {
		most := &c.Rows[0]
		for i := range c.Rows {
			if r := &c.Rows[i]; math.Abs(float64(get(r).Deviation)) > math.Abs(float64(get(most).Deviation)) {
				most = r
			}
		}
		if o := get(most); offWords(o) != offWords(mean) {
			w += fmt.Sprintf(" and at most, at %s rpm, %s", round3(most.RPM), offWords(o))
		}
	}
	if c.Goal.Tolerance == nil {
		return w
	}
	return w + ", " + heldWords(c, get)
}

// offWords is a distance from the target: "2.1° (±0.6°) too early".
func offWords(o *compare.Off) string {
	p := differencePlaces(o.Expanded)
	d := math.Abs(float64(o.Deviation))
	pm := "±" + degrees(float64(o.Expanded), p)
	if number(d, p) == number(0, p) {
		return "on target (" + pm + ")"
	}
	word := "early"
	if o.Deviation < 0 {
		word = "late"
	}
	if d > float64(o.Expanded) {
		word = "too " + word
	}
	return fmt.Sprintf("%s (%s) %s", degrees(d, p), pm, word)
}

// heldWords says how the rows stand to the tolerance.
func heldWords(c *compare.Comparison, get func(*compare.Row) *compare.Off) string {
	n := map[string]int{}
	for i := range c.Rows {
		n[get(&c.Rows[i]).Decision]++
	}
	limit := "±" + given(*c.Goal.Tolerance)
	words := []struct{ decision, words string }{
		{analysis.Within, "within " + limit}, {analysis.Outside, "outside " + limit}, {analysis.Undecided, "undecided against " + limit},
	}
	var said []string
	for _, w := range words {
		switch k := n[w.decision]; {
		case k == len(c.Rows):
			return w.words
		case k > 0:
			said = append(said, fmt.Sprintf("%s at %d of %d speeds", w.words, k, len(c.Rows)))
		}
	}
	return strings.Join(said, ", ")
}

// targetTable is the table of both sides against the target.
func targetTable(p *printer, c *compare.Comparison) {
	if c.Goal == nil {
		return
	}
	held := c.Goal.Tolerance != nil
	side := func(o *compare.Off, target bool) string {
		d := differencePlaces(o.Expanded)
		t := ""
		if target {
			t = degrees(float64(o.Target), 1)
		}
		w := pad(t, 9) + pad(signed(float64(o.Deviation), d), 8) + pad(degrees(float64(o.Expanded), d), 7)
		if held {
			w += pad(o.Decision, 11)
		}
		return w
	}
	head := func(name string) string {
		w := pad("target", 9) + pad(name+" off", 8) + pad("±", 7)
		if held {
			w += pad("verdict", 11)
		}
		return w
	}
	p.gap()
	p.line(pad("rpm", 8) + head("A") + head("B"))
	for i := range c.Rows {
		r := &c.Rows[i]
		p.line(pad(number(r.RPM, 0), 8) + side(r.FirstOff, true) + side(r.SecondOff, true))
	}
	if len(c.Rows) > 1 {
		one := c.Goal.Target != nil
		p.line(pad("all", 8) + side(c.Mean.FirstOff, one) + side(c.Mean.SecondOff, one))
	}
	p.gap()
	p.para("", "off: side less target, plus where it is early. Nothing cancels here: each ± is the whole of that side, its reference angle and the engine's scatter included.")
}

// tooWide says that a comparison cannot settle what it is mostly asked, and
// what would; empty where it can.
func tooWide(c *compare.Comparison) string {
	ask, why := usualQuestion, "that such a comparison is mostly asked about"
	if c.Goal != nil && c.Goal.Tolerance != nil {
		ask, why = float64(*c.Goal.Tolerance), "of the tolerance"
	}
	m := &c.Mean
	if float64(m.Expanded) <= ask {
		return ""
	}
	w := fmt.Sprintf("The ± of the difference, %s, is wider than the %s %s: this comparison cannot settle a question of that size.",
		degrees(float64(m.Expanded), differencePlaces(m.Expanded)), degrees(ask, plainDecimals(ask)), why)
	w += " Its largest part, named above, has to come down first."
	if c.First.Static() || c.Second.Static() {
		w += " Turned by hand the speed is uneven, and counts the more the farther the magnet lies from where the contacts open: put it so that it passes the pick-up a few degrees before they open, and take both recordings again."
	}
	return w
}

// goalLine is a target as a line by speed, moved by whole turns to about.
func goalLine(g *analysis.Setup, about float64) []plot.Bar {
	if g.Target != nil {
		return []plot.Bar{{Deg: near(about, float64(*g.Target))}}
	}
	var out []plot.Bar
	for _, t := range g.TargetTable {
		d := near(about, float64(t.Angle))
		if n := len(out); n > 0 {
			d = near(out[n-1].Deg, float64(t.Angle))
		}
		out = append(out, plot.Bar{RPM: t.RPM, Deg: d})
	}
	return out
}
