package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"sparkscope/analysis"
)

// columns is the width of the text report.
const columns = 80

// Text writes the result for a terminal of 80 columns, the answer first.
func Text(w io.Writer, r *analysis.Result) error {
	var b strings.Builder
	p := printer{&b}
	d := decimals(r.Advance)

	head := Headline(r)
	if r.Advance.N > 0 {
		head += ", " + speeds(r)
		if r.Advance.N > 1 {
			head += ", scatter " + degrees(float64(r.Advance.StdDev), scatterPlaces(r.Advance))
		}
	}
	p.para("", head+".")
	p.para("", fmt.Sprintf("Measured from %s (%s s), against %s.", oneLine(baseName(r.Recording.Path)), number(r.Recording.DurationS, 1), reference(r)))
	if r.Relative {
		p.para("", relativeNote+". Give --reference-angle to turn them into advance.")
	}
	if s := dwellWords(r); s != "" {
		p.para("", s)
	}
	if s := largestWords(r); s != "" {
		p.para("", s)
	}
	switch {
	case r.Verdict != nil:
		p.gap()
		p.para("", verdictWord(r.Verdict.Decision)+": "+verdictWords(r)+".")
		if r.Verdict.Advice != "" {
			p.para("  ", r.Verdict.Advice)
		}
		p.beside(r)
	case goal(r, r.Advance) != nil:
		p.gap()
		what := "Target by table"
		if r.Setup.Target != nil {
			what = "Target " + given(*r.Setup.Target)
		}
		p.para("", fmt.Sprintf("%s: the mean lies %s from it. No verdict without --tolerance.", what, signed(near(0, float64(r.Advance.Mean-*goal(r, r.Advance))), d)))
		p.beside(r)
	default:
		p.beside(r)
	}

	_, toDo, rest := sayings(r)
	if len(toDo) > 0 {
		p.gap()
		p.para("", toDoHead+":")
		for _, f := range toDo {
			p.finding(f)
		}
	}
	if len(r.Bins) > 0 {
		p.gap()
		p.table(r)
		p.gap()
		p.chart(r)
	}
	if words := trendWords(r); len(words) > 0 {
		p.gap()
		for _, s := range words {
			p.para("", s)
		}
	}
	if words := staticWords(r); len(words) > 0 {
		p.gap()
		s := "Running against the static angle of " + given(r.Static.Static)
		if r.Static.Tolerance > 0 {
			s += " ± " + given(r.Static.Tolerance)
		}
		p.para("", s+":")
		for _, s := range words {
			p.para("  ", s)
		}
	}
	p.gap()
	p.para("", countsWords(r))

	if len(r.Decisions) > 0 {
		p.gap()
		for _, d := range r.Decisions {
			word := "Found: "
			if d.Given {
				word = "Given: "
			}
			p.para(word, givenWords(d))
		}
	}
	if len(unsaidRemarks(r))+len(rest) > 0 {
		p.gap()
		for _, s := range unsaidRemarks(r) {
			p.para("Recording: ", oneLine(s))
		}
		for _, f := range rest {
			p.finding(f)
		}
	}
	if len(r.Uncertainty) > 0 {
		p.gap()
		p.budget(r)
	}
	return p.close(w)
}

// toDoHead stands above what is said of the engine.
const toDoHead = "What to do"

// scatterPlaces is how many places a standard deviation supports: its own
// relative uncertainty is about 1/sqrt(2(n-1)) (JCGM 100:2008, E.4.3).
func scatterPlaces(s analysis.Summary) int {
	if s.N < 2 {
		return 1
	}
	return max(1, placesFor(float64(s.StdDev)/math.Sqrt(2*float64(s.N-1))))
}

// printer lays out paragraphs and tables.
type printer struct{ b *strings.Builder }

// close ends a text with the cautions below a gap, and writes it.
func (p printer) close(w io.Writer) error {
	p.gap()
	return p.end(w)
}

// end is close without a gap.
func (p printer) end(w io.Writer) error {
	for _, s := range cautions {
		p.para("", s)
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

func (p printer) line(s string) { p.b.WriteString(strings.TrimRight(s, " ") + "\n") }

// gap is an empty line.
func (p printer) gap() { p.b.WriteByte('\n') }

// para writes s after lead, broken at spaces so that no line is longer than 80
// columns; further lines stand under the first.
func (p printer) para(lead, s string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(lead))
	if lead == "" {
		indent = ""
	}
	line, n := lead, utf8.RuneCountInString(lead)
	fresh := true
	for _, word := range strings.Fields(s) {
		k := utf8.RuneCountInString(word)
		if !fresh && n+1+k > columns {
			p.line(line)
			line, n, fresh = indent, len(indent), true
		}
		if !fresh {
			line, n = line+" ", n+1
		}
		line, n, fresh = line+word, n+k, false
	}
	p.line(line)
}

// pad sets s to the right or, with a negative width, to the left of a column,
// counting runes.
func pad(s string, width int) string {
	fill := strings.Repeat(" ", max(0, abs(width)-utf8.RuneCountInString(s)))
	if width < 0 {
		return s + fill
	}
	return fill + s
}

func abs(n int) int { return max(n, -n) }

// finding writes what the reader must know.
func (p printer) finding(f analysis.Finding) {
	s := oneLine(f.Message)
	if o := occurrences(f); o != "" {
		s += " (" + o + ")"
	}
	p.para(severityWord(f.Severity)+": ", s)
}

// beside writes the findings that bear on the answer as a whole.
func (p printer) beside(r *analysis.Result) {
	first, _, _ := sayings(r)
	for _, f := range first {
		p.finding(f)
	}
}

// table writes the advance by speed.
func (p printer) table(r *analysis.Result) {
	name := "advance"
	if r.Relative {
		name = "angle"
	}
	wide := []int{13, 9, 11, 8, 10, 10}
	byTable := len(r.Setup.TargetTable) > 0 && !r.Relative
	if byTable {
		wide = []int{13, 8, 9, 8, 9, 9}
	}
	if spark(r) == "opening" {
		wide[1]++ // a longer word
	}
	head := pad("rpm", wide[0]) + pad(spark(r)+"s", wide[1]) + pad(name, wide[2]) + pad("±", wide[3]) + pad("median", wide[4]) + pad("scatter", wide[5])
	if byTable {
		head += pad("target", 9)
	}
	if r.Verdict != nil {
		head += "   verdict"
	}
	p.line(head)
	row := func(speed string, s analysis.Summary, verdict string) {
		d := decimals(s)
		u, sd := "–", "–"
		if s.HasExpanded {
			u = degrees(float64(s.Expanded), d)
		}
		if s.N > 1 {
			sd = degrees(float64(s.StdDev), scatterPlaces(s))
		}
		line := pad(speed, wide[0]) + pad(fmt.Sprint(s.N), wide[1]) + pad(degrees(float64(s.Mean), d), wide[2]) + pad(u, wide[3]) +
			pad(degrees(float64(s.Median), d), wide[4]) + pad(sd, wide[5])
		if t := goal(r, s); byTable && t != nil {
			line += pad(degrees(float64(*t), max(1, d)), 9)
		}
		p.line(line + "   " + verdict)
	}
	for i, b := range r.Bins {
		v := ""
		if r.Verdict != nil && i < len(r.Verdict.Bins) {
			v = r.Verdict.Bins[i].Decision
		}
		row(number(b.FromRPM, 0)+" - "+number(b.ToRPM, 0), b.Summary, v)
	}
	if len(r.Bins) > 1 {
		v := ""
		if r.Verdict != nil {
			v = r.Verdict.Decision
		}
		row("all", r.Advance, v)
	}
	for i, c := range r.Cylinders {
		v := ""
		if r.Verdict != nil && i < len(r.Verdict.Cylinders) {
			v = r.Verdict.Cylinders[i].Decision
		}
		row(cylinderName(c), c.Summary, v)
	}
	if r.Advance.Mean < 0 && !r.Relative {
		p.line(minusNote)
	}
}

// cylinderName is a cylinder's name in a narrow column; of several that fire at
// one place all their numbers.
func cylinderName(c analysis.Cylinder) string {
	if len(c.Stated) < 2 {
		return fmt.Sprintf("cylinder %d", c.Number)
	}
	var n []string
	for _, k := range c.Stated {
		n = append(n, fmt.Sprint(k))
	}
	return "cylinders " + strings.Join(n, "+")
}

// goal is what the engine should fire at over a summary's sparks; nil without a
// target.
func goal(r *analysis.Result, s analysis.Summary) *analysis.Degrees {
	switch {
	case r.Relative:
		return nil
	case r.Setup.Target != nil:
		return r.Setup.Target
	}
	return s.Target
}

// chart writes advance against speed with characters: one row per bin, the
// angle to the right.
func (p printer) chart(r *analysis.Result) {
	const left, wide, most = 8, 68, 24
	c := float64(r.Advance.Mean)
	bins := make([]analysis.Bin, 0, len(r.Bins))
	for _, b := range r.Bins {
		if b.N > 0 {
			bins = append(bins, b)
		}
	}
	step := (len(bins) + most - 1) / most
	if step < 1 {
		return
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	take := func(v float64) { lo, hi = min(lo, v), max(hi, v) }
	for _, b := range bins {
		m := near(c, float64(b.Median))
		take(m - float64(b.StdDev))
		take(m + float64(b.StdDev))
	}
	aimed, tolerance, static := false, 0.0, math.NaN()
	if goal(r, r.Advance) != nil {
		aimed = true
		if r.Setup.Tolerance != nil {
			tolerance = float64(*r.Setup.Tolerance)
		}
		for _, b := range bins {
			t := near(c, float64(*goal(r, b.Summary)))
			take(t - tolerance)
			take(t + tolerance)
		}
	}
	if s := r.Setup.Static; s != nil && !r.Relative {
		static = near(c, float64(*s))
		take(static)
	}
	if !(hi-lo >= 2) { // also when one of them is not a number
		mid := (lo + hi) / 2
		lo, hi = mid-1, mid+1
	}
	if math.IsNaN(lo) || math.IsInf(hi-lo, 0) {
		return
	}
	tick, places := chartTick(hi - lo)
	lo, hi = math.Floor(lo/tick)*tick, math.Ceil(hi/tick)*tick
	col := func(v float64) int { return int(math.Round((v - lo) / (hi - lo) * (wide - 1))) }

	scale := []rune(strings.Repeat(" ", left+wide+8))
	marks := []rune(strings.Repeat(" ", wide))
	for i := 0; ; i++ {
		v := lo + float64(i)*tick
		if v > hi+tick/2 {
			break
		}
		label := []rune(degrees(near(0, v), places))
		at := left + col(v) - (len(label)-1)/2
		copy(scale[at:], label)
		marks[col(v)] = '|'
	}
	p.line(string(scale))
	p.line(pad("rpm", left-2) + "  " + string(marks))
	for i := 0; i < len(bins); i += step {
		b := bins[i]
		row := []rune(strings.Repeat(" ", wide))
		put := func(v float64, m rune) {
			if k := col(v); k >= 0 && k < wide {
				row[k] = m
			}
		}
		if aimed {
			target := near(c, float64(*goal(r, b.Summary)))
			if tolerance > 0 {
				put(target-tolerance, '[')
				put(target+tolerance, ']')
			}
			put(target, ':')
		}
		if !math.IsNaN(static) {
			put(static, 'S')
		}
		m := near(c, float64(b.Median))
		for k := col(m - float64(b.StdDev)); k <= col(m+float64(b.StdDev)); k++ {
			if k >= 0 && k < wide && row[k] == ' ' {
				row[k] = '-'
			}
		}
		put(m, 'o')
		p.line(pad(number(b.MeanRPM, 0), left-2) + "  " + string(row))
	}
	key := "o median, - scatter"
	if aimed {
		key += ", : target"
		if tolerance > 0 {
			key += ", [ ] tolerance"
		}
	}
	if !math.IsNaN(static) {
		key += ", S static"
	}
	if step > 1 {
		key += fmt.Sprintf("; every row stands for %d rows of the table", step)
	}
	p.line(strings.Repeat(" ", left) + key)
}

// chartTick is a round step that gives four to nine ticks, and the places it
// needs.
func chartTick(span float64) (step float64, places int) {
	for _, s := range []float64{0.5, 1, 2, 5, 10, 20, 30, 60} {
		if span/s <= 7 {
			if s < 1 {
				return s, 1
			}
			return s, 0
		}
	}
	return 90, 0
}
