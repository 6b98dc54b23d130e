package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/live"
)

// ReadingSchema names the form of LiveJSON.
const ReadingSchema = "sparkscope.reading/1"

// LiveRows and columns are the least terminal that LiveScreen fits.
const LiveRows = 24

// LiveView is what a screen of the live instrument shows beside the reading.
type LiveView struct {
	Strip  []live.Spark // the last minute
	StripS float64      // how long that is, seconds
	Held   bool         // the reading is held
	Marks  live.Marks   // readings to compare
	Record string       // the file that is written; empty: none
	Note   string       // something to say besides; empty: nothing
	Keys   bool         // keys can be pressed
}

// LiveHeadline says what to turn, which way and how far: "2.1° EARLY: retard".
// Without a target it is the angle.
func LiveHeadline(r live.Reading) string {
	switch {
	case r.State == live.NoInput && !r.HasAngle:
		return fmt.Sprintf("NO INPUT for %s s", number(r.SilentS, 0))
	case r.State == live.NoInput:
		return fmt.Sprintf("NO INPUT for %s s (the last reading was %s)", number(r.SilentS, 0), direction(r.Advance, 1, r.Relative))
	case !r.HasAngle && r.State == live.Unfit:
		return "NO READING"
	case !r.HasAngle:
		return "listening …"
	case r.Stale:
		return fmt.Sprintf("NO SPARK for %s s (the last reading was %s)", number(r.AgeS, 0), direction(r.Advance, 1, r.Relative))
	case !r.HasTarget:
		return direction(r.Advance, 1, r.Relative)
	}
	return DeviationWords(r)
}

// DeviationWords says how far from its target a reading is, how sure that is,
// and which way to turn: "2.1° ±0.4° EARLY: retard", "ON TARGET".
func DeviationWords(r live.Reading) string {
	d := float64(r.Deviation)
	size := degrees(math.Abs(d), 1)
	if size == degrees(0, 1) && !r.Hangs() {
		return "ON TARGET"
	}
	if r.HasExpanded {
		size += " ±" + degrees(float64(r.Expanded), 1)
	}
	if r.Hangs() {
		return hangsWords(r) + ": its delay is not known"
	}
	what, do := " EARLY: ", "retard"
	if d < 0 {
		what, do = " LATE: ", "advance"
	}
	switch tol := r.Setup.Tolerance; {
	case r.Settled && tol != nil:
		do = fmt.Sprintf("leave it, that is within ±%s", degrees(float64(*tol), plainDecimals(float64(*tol))))
	case r.HasExpanded && math.Abs(d) <= float64(r.Expanded):
		do += ", but which way is not sure"
	}
	return size + what + do
}

// hangsWords is how far from its target a reading is that hangs on the
// reference's delay: "2.1° EARLY, or up to 9.0° later with a reed".
func hangsWords(r live.Reading) string {
	way := " EARLY"
	if r.Deviation < 0 {
		way = " LATE"
	}
	return degrees(math.Abs(float64(r.Deviation)), 1) + way + ", or up to " + degrees(float64(r.LateBy), 1) + " later with a reed"
}

// largeWords is the reading in the few letters that are set large: what to do
// and by how much, or the angle where there is no target.
func largeWords(r live.Reading) string {
	switch {
	case r.State == live.NoInput:
		return "NO INPUT"
	case !r.HasAngle && r.State == live.Unfit:
		return "NO READING"
	case !r.HasAngle:
		return "LISTENING"
	case r.Stale:
		return "NO SPARK"
	case !r.HasTarget || r.Hangs():
		return degrees(float64(r.Advance), 1)
	case r.Settled || degrees(math.Abs(float64(r.Deviation)), 1) == degrees(0, 1):
		return "LEAVE IT"
	}
	size := degrees(math.Abs(float64(r.Deviation)), 1)
	if r.Deviation < 0 {
		return "ADVANCE " + size
	}
	return "RETARD " + size
}

// LiveScreen is the screen of a terminal of 80 columns and 24 rows, without
// colour and without control characters: at most LiveRows lines.
func LiveScreen(r live.Reading, v LiveView) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, clip80(fmt.Sprintf(format, args...))) }
	state := ""
	if r.Provisional {
		state = "provisional: still learning the pulses"
	}
	if v.Held {
		state = "HELD"
	}
	add("%s%s", pad("sparkscope live   "+Clock(r.TimeS), -40), state)
	add("   %s", LiveHeadline(r))
	for _, row := range large(largeWords(r)) {
		add("   %s", row)
	}
	turn := []string{"", ""}
	if r.HasTarget && r.HasAngle && !r.Stale && !r.Settled && !r.Hangs() && math.Abs(float64(r.Deviation)) >= 0.05 {
		copy(turn, wrapWords(r.Setup.Breaker.Turn(-r.Deviation), columns-4, 2))
	}
	for _, row := range turn {
		add("   %s", row)
	}
	switch {
	case !r.HasAngle && r.Why != "":
		for _, s := range wrapWords(oneLine(r.Why), columns-4, 4) {
			add("   %s", s)
		}
		add("")
	case r.HasAngle:
		old := ""
		if r.Stale || r.AgeS > 1 {
			old = "   of " + number(r.AgeS, 0) + " s ago"
		}
		u := ""
		if r.HasExpanded {
			u = ", ±" + degrees(float64(r.Expanded), 1)
		}
		add("   advance  %s   mean of %d%s%s", pad(direction(r.Advance, 1, r.Relative), -36), r.N, u, old)
		mark := ""
		if b := v.Marks.Before; b != nil {
			word, later := "now", r
			if v.Marks.After != nil {
				word, later = "after", *v.Marks.After
			}
			mark = fmt.Sprintf("before %s, %s %s", degrees(float64(b.Advance), 1), word, signed(near(0, float64(later.Advance-b.Advance)), 1))
			if _, u, ok := live.Difference(*b, later); ok {
				mark += " ±" + degrees(math.Max(0.1, float64(u)), 1)
			}
		}
		add("   scatter  %s   %s", pad(degrees(float64(r.Scatter), 1), -16), mark) // which takes up to 38 columns
		target := ""
		if r.HasTarget {
			target = "target " + degrees(float64(r.Target), 1)
		}
		add("   speed    %s   %s", pad(number(r.RPM, 0)+" rpm", -36), target)
		add("")
	default:
		add("   Start the engine; the clamp on the spark lead, the pick-up at its magnet.")
		add("")
	}
	out = append(out, strip(r, v)...)
	for c, l := range r.Levels {
		if c >= 4 {
			break
		}
		name := fmt.Sprintf("channel %d", c+1)
		switch c + 1 {
		case r.Setup.SparkChannel:
			name = fmt.Sprintf("%d spark", c+1)
		case r.Setup.ReferenceChannel:
			name = fmt.Sprintf("%d reference", c+1)
		}
		n := int(math.Round(30 * math.Min(1, l.Peak)))
		word := ""
		switch {
		case l.Clipped:
			word = "TOO HIGH: turn the level down"
		case l.Dead:
			word = "NOTHING: is it plugged in?"
		case l.Low:
			word = "very low: turn the level up"
		}
		add("%s [%s%s] %s %s", pad(name, -12), strings.Repeat("#", n), strings.Repeat(" ", 30-n), pad(number(100*l.Peak, 0)+" %", 5), word)
	}
	counts := fmt.Sprintf("%s, %d missed, %d repeated", count(r.Counts.Sparks, "spark"), r.Counts.Missed, r.Counts.Repeated)
	if r.Breaks > 0 {
		counts += fmt.Sprintf(", samples lost %d times (last at %s)", r.Breaks, Clock(r.LastBreakS))
	}
	add("%s", counts)
	if v.Note != "" {
		for i, line := range wrapWords(oneLine(v.Note), columns-2, 2) {
			add("%s %s", [2]string{"!", " "}[i], line)
		}
	}
	if r.Same {
		add("! Both channels carry the same signal: the input is mono, or one plug feeds both.")
	}
	keys := "h hold   m mark   r reset   + - sparks in the mean   q quit"
	if v.Record != "" {
		keys += "   recording to " + oneLine(baseName(v.Record))
	}
	for _, f := range worst(r.Findings) {
		if f.Code == "timing-offset" {
			continue // the headline says it
		}
		if len(out) >= LiveRows-1 {
			break
		}
		s := wrapWords(oneLine(f.Message), columns-2, 2)
		for i, line := range s {
			if len(out) >= LiveRows-1 {
				break
			}
			if i == 0 {
				add("! %s", line)
			} else {
				add("  %s", line)
			}
		}
	}
	for v.Keys && len(out) < LiveRows-1 {
		add("")
	}
	if v.Keys {
		add("%s", keys)
	}
	return out[:min(len(out), LiveRows)]
}

// worst are the findings that a person at the engine must see, the serious
// ones first; no notes.
func worst(all []analysis.Finding) []analysis.Finding {
	var out []analysis.Finding
	for _, sev := range []analysis.Severity{analysis.Serious, analysis.Warning} {
		for _, f := range all {
			if f.Severity == sev {
				out = append(out, f)
			}
		}
	}
	return out
}

// strip draws the last minute: four rows and a caption, the newest to the right.
func strip(r live.Reading, v LiveView) []string {
	const rows, wide, left = 4, 68, 9
	if len(v.Strip) == 0 || v.StripS <= 0 {
		return nil
	}
	centre := float64(v.Strip[len(v.Strip)-1].Advance)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range v.Strip {
		a := near(centre, float64(s.Advance))
		lo, hi = math.Min(lo, a), math.Max(hi, a)
	}
	target := math.NaN()
	if r.HasTarget {
		target = near(centre, float64(r.Target))
		lo, hi = math.Min(lo, target), math.Max(hi, target)
	}
	if hi-lo < 2 {
		mid := (lo + hi) / 2
		lo, hi = mid-1, mid+1
	}
	grid := make([][]rune, rows)
	for i := range grid {
		grid[i] = []rune(strings.Repeat(" ", wide))
	}
	row := func(a float64) int { return int(math.Round((hi - a) / (hi - lo) * (rows - 1))) }
	if !math.IsNaN(target) {
		for k := range wide {
			grid[row(target)][k] = '-'
		}
	}
	for _, s := range v.Strip {
		k := wide - 1 - int((r.TimeS-s.TimeS)/v.StripS*wide)
		if k >= 0 && k < wide {
			grid[row(near(centre, float64(s.Advance)))][k] = 'o'
		}
	}
	var out []string
	for i, g := range grid {
		label := ""
		switch i {
		case 0:
			label = degrees(near(0, hi), 1)
		case rows - 1:
			label = degrees(near(0, lo), 1)
		}
		out = append(out, clip80(pad(label, left-2)+" |"+strings.TrimRight(string(g), " ")))
	}
	return append(out, clip80(pad("", left-2)+" "+fmt.Sprintf("the last %s s, newest to the right", number(v.StripS, 0))))
}

// LiveLine is a reading in one line, for what is no terminal.
func LiveLine(r live.Reading) string {
	s := Clock(r.TimeS) + "  " + LiveHeadline(r)
	if r.HasAngle && !r.Stale && r.State != live.NoInput {
		s += "; "
		if r.HasTarget {
			s += direction(r.Advance, 1, r.Relative) + ", "
		}
		s += fmt.Sprintf("scatter %s, %s rpm", degrees(float64(r.Scatter), 1), number(r.RPM, 0))
	}
	if r.State == live.Unfit {
		s += ": " + oneLine(r.Why)
	}
	if r.Provisional && r.HasAngle {
		s += " (provisional)"
	}
	return s
}

// Clock writes seconds as 01:02.3.
func Clock(s float64) string {
	t := int64(math.Floor(s * 10))
	return fmt.Sprintf("%02d:%02d.%d", t/600, t/10%60, t%10)
}

// clip80 cuts a line to the terminal's width.
func clip80(s string) string {
	r := []rune(s)
	if len(r) > columns {
		r = append(r[:columns-1], '…')
	}
	return strings.TrimRight(string(r), " ")
}

// wrapWords breaks s into at most so many lines of so many runes.
func wrapWords(s string, width, most int) []string {
	var out []string
	line := ""
	for _, w := range strings.Fields(s) {
		if line != "" && len([]rune(line))+1+len([]rune(w)) > width {
			out = append(out, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += w
	}
	out = append(out, line)
	if len(out) > most {
		out = out[:most]
		out[most-1] += " …"
	}
	return out
}

// jsonReading is one reading.
type jsonReading struct {
	Schema      string        `json:"schema"`
	Time        *float64      `json:"time_s"`
	State       string        `json:"state"`
	Why         *string       `json:"why"`
	Provisional bool          `json:"provisional"`
	Stale       bool          `json:"stale"`
	Relative    bool          `json:"relative_to_reference"`
	N           int           `json:"n"`
	Advance     *float64      `json:"advance_deg"`
	Scatter     *float64      `json:"stddev_deg"`
	Expanded    *float64      `json:"expanded_uncertainty_deg"`
	RPM         *float64      `json:"rpm"`
	Last        *float64      `json:"last_spark_s"`
	Age         *float64      `json:"age_s"`
	Silent      float64       `json:"no_input_for_s"`
	Target      *float64      `json:"target_deg"`
	Deviation   *float64      `json:"deviation_deg"`
	Words       string        `json:"words"`
	Within      *bool         `json:"within_tolerance"`
	Counts      jsonLive      `json:"counts"`
	Breaks      int           `json:"breaks"`
	LastBreak   *float64      `json:"last_break_s"`
	Same        bool          `json:"channels_alike"`
	Levels      []jsonLevel   `json:"levels"`
	Findings    []jsonFinding `json:"findings"`
}

type jsonLive struct {
	Sparks   int `json:"sparks"`
	Missed   int `json:"missed_sparks"`
	Repeated int `json:"repeated_sparks"`
}

type jsonLevel struct {
	Channel int      `json:"channel"`
	Peak    *float64 `json:"peak"`
	Clipped bool     `json:"clipped"`
	Low     bool     `json:"low"`
	Dead    bool     `json:"dead"`
}

// LiveJSON writes a reading as one line.
func LiveJSON(w io.Writer, r live.Reading) error {
	j := jsonReading{
		Schema: ReadingSchema, Time: known(r.TimeS), State: string(r.State), Why: named(r.Why), Provisional: r.Provisional, Stale: r.Stale,
		Relative: r.Relative, N: r.N, Words: LiveHeadline(r), Breaks: r.Breaks, Same: r.Same,
		Counts: jsonLive{r.Counts.Sparks, r.Counts.Missed, r.Counts.Repeated}, Levels: []jsonLevel{}, Findings: findingsOf(worst(r.Findings)),
	}
	if v := known(r.SilentS); v != nil {
		j.Silent = *v
	}
	if r.Breaks > 0 {
		j.LastBreak = known(r.LastBreakS)
	}
	if r.HasAngle {
		j.Advance, j.RPM, j.Last, j.Age = known(r.Advance), known(r.RPM), known(r.LastS), known(r.AgeS)
		if r.N > 1 {
			j.Scatter = known(r.Scatter)
		}
		if r.HasExpanded {
			j.Expanded = known(r.Expanded)
		}
	}
	if r.HasTarget {
		j.Target, j.Deviation, j.Within = known(r.Target), known(r.Deviation), &r.Settled
	}
	for c, l := range r.Levels {
		j.Levels = append(j.Levels, jsonLevel{c + 1, known(l.Peak), l.Clipped, l.Low, l.Dead})
	}
	return json.NewEncoder(w).Encode(j)
}
