package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/analysis/session"
	"sparkscope/report/handover"
	"sparkscope/report/plot"
)

// HandOver is what a report for the engine's owner has besides the result.
type HandOver struct {
	Engine   string              // what the engine is called; may be empty
	Recorded string              // when, as the user says it; may be empty
	Notes    string              // what the engine file notes; may be empty
	Remarks  []string            // what was done, and what else there is to say
	Repeat   string              // the command that measures it again; may be empty
	Program  string              // name and version of the program; may be empty
	Before   *compare.Comparison // with an earlier measurement, which is its first side; nil: none
	Session  *session.Session    // that the measurement was split into; nil: none. It takes the place of Before
}

// PDF writes the report on two sheets of A4.
func (h HandOver) PDF(w io.Writer, r *analysis.Result) error {
	return handover.PDF(w, h.content(r))
}

// content is what goes onto the sheets.
func (h HandOver) content(r *analysis.Result) handover.Content {
	c := handover.Content{
		Title:    "Ignition timing",
		Source:   fmt.Sprintf("Measured from %s, against %s.", Source(r), reference(r)),
		Answer:   Headline(r) + ".",
		Setup:    h.setup(r),
		Repeat:   oneLine(h.Repeat),
		Program:  h.Program,
		Cautions: append(slices.Clone(cautions), handOverCautions),
	}
	if h.Engine != "" {
		c.Title += ": " + oneLine(h.Engine)
	}
	if s := largestWords(r); s != "" {
		c.Source += " " + s
	}
	if r.Advance.N > 0 {
		c.Answer = Headline(r) + ", " + speeds(r)
		if r.Advance.N > 1 {
			c.Answer += ", scatter " + degrees(float64(r.Advance.StdDev), scatterPlaces(r.Advance))
		}
		c.Answer += "."
	}
	if v := r.Verdict; v != nil {
		c.Verdict, c.Reason = verdictWord(v.Decision), verdictWords(r)+"."
		if s := notWithin(r); s != "" {
			c.Reason = s + " " + c.Reason
		}
		if v.Advice != "" {
			c.Reason += " " + oneLine(v.Advice)
		}
	}
	if r.Relative {
		c.Caveats = append(c.Caveats, handover.Note{Lead: "Note", Text: relativeNote + "."})
	}
	note := func(f analysis.Finding) handover.Note {
		s := oneLine(f.Message)
		if o := occurrences(f); o != "" {
			s += " (" + o + ")"
		}
		return handover.Note{Lead: severityWord(f.Severity), Text: s}
	}
	c.ToDoHead = toDoHead
	beside, toDo, rest := sayings(r)
	for _, f := range beside {
		c.Caveats = append(c.Caveats, note(f))
	}
	worst := append([]analysis.Finding{}, rest...)
	worstFirst(worst)
	for _, f := range toDo {
		c.ToDo = append(c.ToDo, note(f))
	}
	for _, f := range worst {
		c.Findings = append(c.Findings, note(f))
	}
	for _, s := range unsaidRemarks(r) {
		c.Findings = append(c.Findings, handover.Note{Lead: "Recording", Text: oneLine(s)})
	}
	for _, s := range h.Remarks {
		c.Remarks = append(c.Remarks, oneLine(s))
	}
	c.Course, c.Wheel, c.Scatter = plotInput(r), wheelFigure(r), scatterFigure(r)
	speed := courseFigure(r)
	speed.SpeedOnly = true
	c.Speed = speed
	c.BySpeed = bySpeed(r)
	c.Budget, c.Together = budgetTable(r)
	if b := h.Before; b != nil && len(b.Rows) > 0 {
		s := CompareHeadline(b)
		c.Before, c.Changes = strings.ToUpper(s[:1])+s[1:]+". "+sharedWords(b), changesTable(b)
	}
	if h.Session != nil {
		h.session(&c)
	}
	return c
}

// session puts what the parts of a session say on the sheets: their pulls over each
// other in the place of the scatter, their names upon the speed, and words and table
// where others have before and after.
func (h HandOver) session(c *handover.Content) {
	s := h.Session
	c.Title = strings.Replace(c.Title, "Ignition timing", "Ignition timing, session", 1)
	c.Scatter, c.ScatterCaption = sessionFigure(s, plot.AdvancePanel), "The pulls over each other"
	c.Speed, c.SpeedCaption = sessionFigure(s, plot.SpeedPanel), "Speed over time, and the parts"
	c.BeforeHead, c.ChangesIn = "The session and its pulls", "sparkscope session"
	words := []string{SessionHeadline(s) + "."}
	if s.Drift != nil {
		words = append(words, driftWords(s))
	}
	if w := upDownWords(s); w != "" {
		words = append(words, w)
	}
	c.Before = strings.Join(words, " ")
	c.Changes = handover.Table{Head: []string{"rpm", "pulls up", "mean", "±", "from pull to pull", "pulls down", "mean", "±", "from pull to pull"}, More: "more ranges of speed: %d"}
	at := map[float64]int{} // row by the range's lower end
	for half, f := range []*session.Family{s.Up, s.Down} {
		if f == nil {
			continue
		}
		for i := range f.Curve {
			x := &f.Curve[i]
			k, ok := at[x.FromRPM]
			if !ok {
				k = len(c.Changes.Rows)
				at[x.FromRPM] = k
				row := []string{number(x.FromRPM, 0) + " – " + number(x.ToRPM, 0), "–", "–", "–", "–", "–", "–", "–", "–"}
				c.Changes.Rows = append(c.Changes.Rows, row)
			}
			d := differencePlaces(x.Expanded)
			own := c.Changes.Rows[k][1+4*half:]
			own[0], own[1], own[2] = fmt.Sprint(x.Pulls), degrees(float64(x.Mean), d), degrees(float64(x.Expanded), d)
			if x.Pulls > 1 {
				own[3] = degrees(float64(x.StdDev), 2)
			}
		}
	}
}

// setup is the engine and what was told of it.
func (h HandOver) setup(r *analysis.Result) []handover.Pair {
	var out []handover.Pair
	add := func(name, value string) {
		if value != "" {
			out = append(out, handover.Pair{Name: name, Value: oneLine(value)})
		}
	}
	half := func(a *analysis.Degrees, tol *analysis.Degrees) string {
		if a == nil {
			return ""
		}
		s := given(*a)
		if tol != nil && *tol > 0 {
			s += " ± " + given(*tol)
		}
		return s
	}
	s := &r.Setup
	engine := h.Engine
	if engine == "" {
		engine = strings.Repeat("_", 28) // to be filled in
	}
	add("engine", engine)
	if b := s.Breaker; b.GapMM != nil {
		add("contact gap", number(*b.GapMM, 2)+" mm")
	}
	rec := r.Recording
	words := fmt.Sprintf("%s, %s s, %s Hz, %d bit, %s", Source(r), number(rec.DurationS, 1), number(rec.SampleRateHz, 0), rec.Bits, count(rec.Channels, "channel"))
	add("recording", words)
	add("recorded on", h.Recorded)
	add("fingerprint", rec.Fingerprint)
	kind := "clamp on the spark lead"
	switch s.SparkKind {
	case analysis.Microphone:
		kind = "microphone"
	case analysis.Contacts:
		kind = "contacts themselves, opening"
	}
	add("spark", fmt.Sprintf("channel %d, %s", s.SparkChannel, kind))
	switch s.ReferenceKind {
	case analysis.ContactReference:
		kind = "reed, Hall or optical"
	case analysis.CoilReference:
		kind = "passive coil"
	default:
		kind = "kind not told"
	}
	ref := fmt.Sprintf("channel %d, %s", s.ReferenceChannel, kind)
	if s.ReferencePulses > 1 {
		ref += fmt.Sprintf(", %d pulses per revolution", s.ReferencePulses)
	}
	add("reference", ref)
	if a := half(s.ReferenceAngle, s.ReferenceAngleTolerance); a != "" && !r.Relative {
		add("reference angle", a+" before top dead centre")
	} else {
		add("reference angle", "not given")
	}
	delay := func(d float64, tol *float64) string {
		if d == 0 && tol == nil {
			return ""
		}
		w := number(1e6*d, 0) + " µs"
		if tol != nil {
			w += " ± " + number(1e6**tol, 0) + " µs"
		}
		return w
	}
	both := s.DelayToleranceS
	first := func(a, b *float64) *float64 {
		if a != nil {
			return a
		}
		return b
	}
	add("reference's delay", delay(s.ReferenceDelayS, first(both, s.ReferenceDelayToleranceS)))
	add("spark's delay", delay(s.SparkDelayS, first(both, s.SparkDelayToleranceS)))
	switch {
	case s.Target != nil && !r.Relative:
		add("target", half(s.Target, s.Tolerance)+" before top dead centre")
	case len(s.TargetTable) > 0 && !r.Relative:
		var w []string
		for _, t := range s.TargetTable {
			w = append(w, given(t.Angle)+" at "+number(t.RPM, 0))
		}
		t := strings.Join(w, ", ") + " rpm"
		if s.Tolerance != nil {
			t += ", ± " + given(*s.Tolerance)
		}
		add("target", t)
	default:
		add("target", "none given")
	}
	add("static angle", half(s.Static, s.StaticTolerance))
	add("sparks", strings.TrimSuffix(countsWords(r), "."))
	add("notes", h.Notes)
	return out
}

// handOverCautions are the usual dangers of work on a running engine; common
// practice, no source.
const handOverCautions = "The ignition's high voltage can kill. Keep clear of turning parts; run the engine in open air, for its exhaust gas is poisonous; keep sparks away from fuel; protect your ears. Local rules hold."

// notWithin says how many ranges of speed are not shown to be within, which a
// verdict over all of them does not show; nothing where all are.
func notWithin(r *analysis.Result) string {
	n := 0
	for _, b := range r.Verdict.Bins {
		if b.Decision != analysis.Within {
			n++
		}
	}
	switch {
	case n == 0:
		return ""
	case n == 1:
		return fmt.Sprintf("1 of %d ranges of speed is not shown to be within.", len(r.Verdict.Bins))
	}
	return fmt.Sprintf("%d of %d ranges of speed are not shown to be within.", n, len(r.Verdict.Bins))
}

// bySpeed is the table of the advance by speed.
func bySpeed(r *analysis.Result) handover.Table {
	aimed := r.Setup.HasTarget() && !r.Relative
	t := handover.Table{Head: []string{"rpm", spark(r) + "s", "advance", "±", "scatter"}, More: "more ranges of speed: %d"}
	if r.Relative {
		t.Head[2] = "angle"
	} else if r.Advance.Mean < 0 {
		t.Note = minusNote
	}
	if aimed {
		t.Head = append(t.Head, "target")
	}
	if r.Verdict != nil {
		t.Head = append(t.Head, "verdict")
	}
	add := func(name string, s analysis.Summary, verdict string) {
		d := decimals(s)
		row := []string{name, number(float64(s.N), 0), degrees(float64(s.Mean), d), "–", "–"}
		if s.HasExpanded {
			row[3] = degrees(float64(s.Expanded), d)
		}
		if s.N > 1 {
			row[4] = degrees(float64(s.StdDev), scatterPlaces(s))
		}
		if aimed {
			w := "–"
			switch g := goal(r, s); {
			case g != nil:
				w = degrees(float64(*g), max(1, d))
			case r.Setup.Target != nil:
				w = given(*r.Setup.Target)
			}
			row = append(row, w)
		}
		if r.Verdict != nil {
			row = append(row, verdict)
		}
		t.Rows = append(t.Rows, row)
	}
	verdict := func(all []analysis.BinVerdict, i int) string {
		if i < len(all) {
			return all[i].Decision
		}
		return ""
	}
	var bins, cylinders []analysis.BinVerdict
	total := ""
	if v := r.Verdict; v != nil {
		bins, cylinders, total = v.Bins, v.Cylinders, v.Decision
	}
	for i, b := range r.Bins {
		add(number(b.FromRPM, 0)+" – "+number(b.ToRPM, 0), b.Summary, verdict(bins, i))
		t.Keep = append(t.Keep, i < len(bins) && bins[i].Decision != analysis.Within)
	}
	add("all", r.Advance, total)
	t.Last = 1
	for i, c := range r.Cylinders {
		if i == 4 {
			break // a report has no room for more; the page has them
		}
		add(cylinderName(c), c.Summary, verdict(cylinders, i))
		t.Last++
	}
	return t
}

// budgetTable is the budget of the mean, its largest parts first.
func budgetTable(r *analysis.Result) (handover.Table, string) {
	t := handover.Table{Head: []string{"source", "known to", "standard uncertainty", "share"}, Text: []bool{true, true, false, false}, More: "smaller parts: %d"}
	all := append([]analysis.Component{}, r.Uncertainty...)
	for i := range all { // few: by hand, and stable
		for j := i; j > 0 && all[j].Share > all[j-1].Share; j-- {
			all[j], all[j-1] = all[j-1], all[j]
		}
	}
	for _, c := range all {
		in := oneLine(input(c))
		if in == "" {
			in = "–"
		}
		t.Rows = append(t.Rows, []string{oneLine(c.Source), in, degrees(float64(c.Std), 3), sharePercent(c.Share)})
	}
	if !r.Advance.HasExpanded {
		return t, ""
	}
	sum := fmt.Sprintf("Together ±%s at 95 %% coverage (JCGM 100:2008).", degrees(float64(r.Advance.Expanded), max(2, decimals(r.Advance))))
	return t, sum
}

// changesTable sets before against after, by speed.
func changesTable(c *compare.Comparison) handover.Table {
	t := handover.Table{Head: []string{"rpm", "before", "after", "change", "±", "shown"}, More: "more speeds: %d"}
	row := func(name string, x *compare.Row, sides bool) {
		d := differencePlaces(x.Expanded)
		before, after := "", ""
		if sides {
			before, after = degrees(float64(x.First.Mean), d), degrees(float64(x.Second.Mean), d)
		}
		word := "no"
		switch {
		case x.Sure && x.Difference > 0:
			word = "earlier"
		case x.Sure:
			word = "later"
		}
		t.Rows = append(t.Rows, []string{name, before, after, signed(float64(x.Difference), d), degrees(float64(x.Expanded), d), word})
	}
	for i := range c.Rows {
		row(number(math.Round(c.Rows[i].RPM), 0), &c.Rows[i], true)
	}
	if len(c.Rows) > 1 {
		row("all", &c.Mean, false)
		t.Last = 1
	}
	return t
}
