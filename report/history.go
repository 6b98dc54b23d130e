package report

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/analysis/history"
	"sparkscope/report/plot"
)

// entryPlaces is how many places an entry's mean may show.
func entryPlaces(e *history.Entry) int {
	if e.Expanded == nil {
		return 1
	}
	return placesFor(*e.Expanded)
}

// orDash writes a figure that may not be known.
func orDash(p *float64, write func(float64) string) string {
	if p == nil {
		return "–"
	}
	return write(*p)
}

// day is the date of an entry, without the time of day.
func day(e *history.Entry) string {
	if len(e.Recorded) > len("2026-03-14") {
		return e.Recorded[:len("2026-03-14")]
	}
	return e.Recorded
}

// verdictOf is an entry's verdict, or that there is none.
func verdictOf(e *history.Entry) string {
	if e.Decision == "" {
		return "–"
	}
	return e.Decision
}

// wide is a text as a column of so many letters, cut where it is longer.
func wide(s string, width int) string {
	r := []rune(oneLine(s))
	if len(r) > width {
		r = append(r[:width-1], '…')
	}
	return string(r) + strings.Repeat(" ", width-len(r))
}

// rangeOf is an entry's range of speed.
func rangeOf(e *history.Entry) string {
	if e.MinRPM == nil || e.MaxRPM == nil {
		return "–"
	}
	return round3(*e.MinRPM) + "-" + round3(*e.MaxRPM)
}

// HistoryList writes the entries as a table for each engine, in the order in which
// engines come first. It fails on write errors only.
func HistoryList(w io.Writer, entries []history.Entry) error {
	var b strings.Builder
	p := printer{&b}
	var engines []string
	relative := false
	for _, e := range entries {
		relative = relative || e.Relative
		if !slices.Contains(engines, e.Engine) {
			engines = append(engines, e.Engine)
		}
	}
	for i, name := range engines {
		if i > 0 {
			p.gap()
		}
		n := 0
		for _, e := range entries {
			if e.Engine == name {
				n++
			}
		}
		p.line(oneLine(name) + ": " + count(n, "result"))
		p.line("  no.  recorded    recording           advance      ±        rpm  verdict")
		for k := range entries {
			if e := &entries[k]; e.Engine == name {
				p.line(entryLine(e) + "  " + wide(verdictOf(e), 9) + "  " + oneLine(strings.Join(e.Marks, ", ")))
			}
		}
	}
	if relative {
		p.gap()
		p.para("", "r: "+relativeNote+".")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// entryLine is what the tables of entries begin with.
func entryLine(e *history.Entry) string {
	d := entryPlaces(e)
	mark := " "
	if e.Relative {
		mark = "r"
	}
	return pad(fmt.Sprint(e.Number), 5) + "  " + wide(day(e), 10) + "  " + wide(e.Recording, 18) + pad(orDash(e.Advance, func(v float64) string { return degrees(v, d) }), 9) + mark +
		pad(orDash(e.Expanded, func(v float64) string { return degrees(v, d) }), 6) + pad(rangeOf(e), 11)
}

// perMonth words a slope: "0.35° (±0.10°) a month".
func perMonth(l *history.Line) string {
	d := max(1, placesFor(l.PerMonthHalf))
	v := l.PerMonth
	if v < 0 {
		v = -v
	}
	return degrees(v, d) + " (±" + degrees(l.PerMonthHalf, d) + ") a month"
}

// stretchWords says what a stretch begins with, and what goes on in it.
func stretchWords(c *history.Course, s *history.Stretch) string {
	from, to := &c.Entries[s.From], &c.Entries[s.To-1]
	words := ""
	switch s.Begins {
	case "adjusted":
		words = fmt.Sprintf("From number %d on, after an adjustment: ", from.Number)
	case "reference":
		words = fmt.Sprintf("From number %d on, with the reference set up otherwise: ", from.Number)
	}
	over := count(s.To-s.From, "result")
	if day(from) != day(to) {
		over += " from " + day(from) + " to " + day(to)
	} else {
		over += " of " + day(from)
	}
	if s.Line == nil && s.To-s.From == 1 {
		return words + over + "."
	}
	return words + over + ". " + lineWords(s) + "."
}

// lineWords say what a stretch's line shows, or why there is none.
func lineWords(s *history.Stretch) string {
	l := s.Line
	switch {
	case l == nil:
		return "No line is laid through them: " + s.NoLine
	case !l.Shown:
		return "No trend is shown: a straight line through the means moves by " + perMonth(l) + ", which is within its ±"
	case l.PerMonth > 0:
		return "It fires earlier and earlier, by " + perMonth(l)
	}
	return "It fires later and later, by " + perMonth(l)
}

// trendAt says at which speed means were taken.
func trendAt(rpm float64) string {
	if rpm == 0 {
		return ""
	}
	return " at " + number(rpm, 0) + " rpm"
}

// HistoryText writes how the timing of an engine moved; rpm is the speed at which the means
// are taken, 0: over all speeds; left is how many results of the engine are not in it. It fails on
// write errors only.
func HistoryText(w io.Writer, engine string, c *history.Course, rpm float64, left int) error {
	var b strings.Builder
	p := printer{&b}
	p.para("", oneLine(engine)+": mean advance"+trendAt(rpm)+" from date to date.")
	p.gap()
	p.line("  no.  recorded    recording           advance      ±        rpm    target    off")
	given, file := 0, 0
	for i := range c.Entries {
		e := &c.Entries[i]
		for _, s := range c.Stretches {
			if s.From == i && s.Begins != "" {
				p.line("  " + map[string]string{"adjusted": "--- adjusted", "reference": "--- the reference was set up otherwise"}[s.Begins])
			}
		}
		switch e.From {
		case "given":
			given++
		case "file":
			file++
		}
		d := entryPlaces(e)
		p.line(entryLine(e) + pad(orDash(e.Target, func(v float64) string { return degrees(v, max(1, min(plainDecimals(v), 2))) }), 10) +
			pad(orDash(e.Deviation, func(v float64) string { return signed(v, d) }), 7) + "  " + oneLine(strings.Join(e.Marks, ", ")))
	}
	p.gap()
	if len(c.Stretches) == len(c.Entries) {
		p.para("", fmt.Sprintf("No line is laid through them: it takes %d results or more, of %d days, between which nothing was adjusted.", history.LeastResults, history.LeastDays))
	} else {
		for i := range c.Stretches {
			p.para("", stretchWords(c, &c.Stretches[i]))
		}
	}
	lined := slices.ContainsFunc(c.Stretches, func(s history.Stretch) bool { return s.Line != nil })
	if lined {
		p.para("", "The line is laid by least squares, and its ± at 95 % comes from the scatter of the means about it: what is wrong with the reference by the same amount in all of them does not tilt it. A month is 30 days.")
	}
	if c.OtherSpeeds && rpm == 0 {
		p.para("Note: ", "The recordings do not cover the same speeds. If the advance of this engine changes with speed, their means differ though nothing has changed; take them at one speed, with --rpm.")
	}
	if left > 0 {
		p.para("Note: ", notInTrend(left, rpm))
	}
	if other := len(c.Entries) - given - file; len(c.Entries) > 0 {
		p.para("Dates: ", datesWords(given, file, other))
	}
	p.para("", "±: 95 %, the reference angle and the delays included. off: mean less target, plus where it is early.")
	_, err := io.WriteString(w, b.String())
	return err
}

func notInTrend(left int, rpm float64) string {
	s := count(left, "result") + " of this engine "
	if left == 1 {
		s += "is not in it: "
	} else {
		s += "are not in it: "
	}
	if rpm > 0 {
		return s + "no sparks counted at that speed, or angles relative to the reference."
	}
	return s + "angles relative to the reference cannot be held against angles from top dead centre."
}

// datesWords says where the dates come from.
func datesWords(given, file, other int) string {
	var parts []string
	for _, x := range []struct {
		n    int
		what string
	}{{given, "given by hand"}, {file, "from the time of the recording's file"}, {other, "from when the result was added, for want of better"}} {
		if x.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", x.n, x.what))
		}
	}
	return strings.Join(parts, ", ") + "."
}

// The JSON of a history.
type (
	jsonHistory struct {
		Schema    string        `json:"schema"`
		Engine    string        `json:"engine"`
		RPM       *float64      `json:"rpm"`
		Entries   []jsonEntry   `json:"results"`
		Stretches []jsonStretch `json:"stretches"`
		Other     bool          `json:"other_speeds"`
		Left      int           `json:"left_out"`
	}
	jsonEntry struct {
		Number    int64    `json:"number"`
		Recorded  string   `json:"recorded"`
		From      string   `json:"recorded_from"`
		Recording string   `json:"recording"`
		Mean      *float64 `json:"mean_deg"`
		Expanded  *float64 `json:"expanded_uncertainty_deg"`
		Min       *float64 `json:"min_rpm"`
		Max       *float64 `json:"max_rpm"`
		OK        int      `json:"ok"`
		Target    *float64 `json:"target_deg"`
		Deviation *float64 `json:"deviation_deg"`
		Decision  *string  `json:"decision"`
		Relative  bool     `json:"relative_to_reference"`
		Marks     []string `json:"marks"`
	}
	jsonStretch struct {
		First  int64     `json:"first_number"`
		Last   int64     `json:"last_number"`
		Begins *string   `json:"begins_with"`
		Line   *jsonLine `json:"line"`
		NoLine *string   `json:"no_line"`
	}
	jsonLine struct {
		N        int     `json:"n"`
		Days     float64 `json:"days"`
		Slope    float64 `json:"slope_deg_per_30_days"`
		Half     float64 `json:"slope_expanded_uncertainty_deg_per_30_days"`
		From     float64 `json:"first_day_deg"`
		To       float64 `json:"last_day_deg"`
		Residual float64 `json:"residual_stddev_deg"`
		Shown    bool    `json:"shown"`
	}
)

// HistorySchema names the layout that HistoryJSON writes.
const HistorySchema = "sparkscope.history/1"

// HistoryJSON writes how the timing of an engine moved; what is not known is null.
func HistoryJSON(w io.Writer, engine string, c *history.Course, rpm float64, left int) error {
	d := jsonHistory{Schema: HistorySchema, Engine: engine, Entries: []jsonEntry{}, Stretches: []jsonStretch{}, Other: c.OtherSpeeds, Left: left}
	if rpm > 0 {
		d.RPM = &rpm
	}
	for _, e := range c.Entries {
		d.Entries = append(d.Entries, jsonEntry{e.Number, e.Recorded, e.From, e.Recording, e.Advance, e.Expanded, e.MinRPM, e.MaxRPM, e.OK, e.Target, e.Deviation, named(e.Decision), e.Relative, append([]string{}, e.Marks...)})
	}
	for _, s := range c.Stretches {
		j := jsonStretch{First: c.Entries[s.From].Number, Last: c.Entries[s.To-1].Number, Begins: named(s.Begins), NoLine: named(s.NoLine)}
		if l := s.Line; l != nil {
			j.Line = &jsonLine{l.N, l.Days, l.PerMonth, l.PerMonthHalf, circle.Wrap(l.FromDeg), circle.Wrap(l.ToDeg), l.Residual, l.Shown}
		}
		d.Stretches = append(d.Stretches, j)
	}
	b, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

// HistoryPlot draws how the timing of an engine moved.
func HistoryPlot(w io.Writer, engine string, c *history.Course, rpm float64, f plot.Format) error {
	in := plot.Months{Title: oneLine(engine) + ": mean advance" + trendAt(rpm)}
	begins := map[int]bool{}
	base := 0.0
	if len(c.Entries) > 0 {
		base = *c.Entries[0].Advance
		in.Relative = c.Entries[0].Relative
		if last := &c.Stretches[len(c.Stretches)-1]; last.To-last.From > 1 {
			in.Subtitle = lineWords(last)
		}
	}
	for _, s := range c.Stretches {
		begins[s.From] = s.Begins != ""
		if l := s.Line; l != nil {
			to := near(base, l.FromDeg) - l.FromDeg
			in.Lines = append(in.Lines, plot.Sloped{FromDay: l.FromDay, FromDeg: l.FromDeg + to, ToDay: l.ToDay, ToDeg: l.ToDeg + to})
		}
	}
	for i := range c.Entries {
		e := &c.Entries[i]
		r := plot.Reading{Day: e.Day, Date: day(e), Deg: near(base, *e.Advance), Begins: begins[i], Note: oneLine(strings.Join(e.Marks, ", "))}
		if e.Expanded != nil {
			r.Half = *e.Expanded
		}
		if e.Target != nil {
			r.Goal, r.Target = true, near(base, *e.Target)
		}
		if e.Tolerance != nil {
			r.GoalHalf = *e.Tolerance
		}
		in.Readings = append(in.Readings, r)
	}
	return plot.Draw(w, in, f)
}

// AtSpeed puts into e what the result says of the range of speed that holds rpm,
// in the place of what it says of all speeds; ok is false where no spark was
// counted there.
func AtSpeed(e *history.Entry, r *analysis.Result, rpm float64) (ok bool) {
	for _, b := range r.Bins {
		if rpm < b.FromRPM || rpm >= b.ToRPM || b.N == 0 {
			continue
		}
		e.Advance, e.StdDev, e.Expanded, e.OK = known(b.Mean), known(b.StdDev), expandedOf(b.Summary), b.N
		e.MinRPM, e.MaxRPM = known(b.FromRPM), known(b.ToRPM)
		if e.Target = maybe(b.Target); e.Target == nil {
			e.Target = maybe(r.Setup.Target)
		}
		e.Deviation = nil
		if e.Target != nil && e.Advance != nil {
			v := circle.Wrap(*e.Advance - *e.Target)
			e.Deviation = &v
		}
		return true
	}
	return false
}

func expandedOf(s analysis.Summary) *float64 {
	if !s.HasExpanded {
		return nil
	}
	return known(s.Expanded)
}
