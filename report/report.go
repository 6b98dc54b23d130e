// Package report writes an analysis.Result as text, tables, pictures and pages.
//
// Every output is a view of the one result: nothing is measured or estimated
// here, only worded, rounded and laid out. README.md lists every output field
// with its unit.
package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"sparkscope/analysis"
	"sparkscope/report/plot"
)

// Headline is the answer in one line without a full stop: "Fires at 18.3°
// before top dead centre (±0.6°)".
func Headline(r *analysis.Result) string {
	if r.Advance.N == 0 {
		return "No " + spark(r) + " could be counted"
	}
	d := decimals(r.Advance)
	at := "Fires at "
	switch contacts := r.Setup.SparkKind == analysis.Contacts; {
	case contacts && r.Relative:
		at = "Contacts open "
	case contacts:
		at = "Contacts open at "
	case r.Relative:
		at = "Fires "
	}
	s := at + direction(r.Advance.Mean, d, r.Relative)
	if r.Advance.HasExpanded {
		s += " (±" + degrees(float64(r.Advance.Expanded), d) + ")"
	}
	return s
}

// relativeNote is said wherever angles are shown that lack a reference angle.
const relativeNote = "No reference angle was given: angles are relative to the reference event (minus: after it), not to top dead centre"

// direction words an angle: "18.3° before top dead centre".
func direction(a analysis.Degrees, decimals int, relative bool) string {
	of := "top dead centre"
	if relative {
		of = "the reference event"
	}
	s := degrees(math.Abs(float64(a)), decimals)
	switch {
	case number(math.Abs(float64(a)), decimals) == number(0, decimals):
		if relative {
			return "at the reference event"
		}
		return of
	case a > 0:
		return s + " before " + of
	default:
		return s + " after " + of
	}
}

// reference says what the angles were measured against.
func reference(r *analysis.Result) string {
	kind := ""
	switch r.Setup.ReferenceKind {
	case analysis.ContactReference:
		kind = "contact "
	case analysis.CoilReference:
		kind = "coil "
	}
	s := "the " + kind + "reference"
	if r.Setup.ReferenceChannel > 0 {
		s += fmt.Sprintf(" on channel %d", r.Setup.ReferenceChannel)
	}
	if r.Setup.ReferenceAngle != nil && !r.Relative {
		s += ", " + direction(*r.Setup.ReferenceAngle, plainDecimals(float64(*r.Setup.ReferenceAngle)), false)
	}
	return s
}

// decimals is how many places after the point a mean may show: those that its
// uncertainty leaves standing (JCGM 100:2008, 7.2.6), at most two; one where
// no uncertainty is known.
func decimals(s analysis.Summary) int {
	if !s.HasExpanded {
		return 1
	}
	return placesFor(float64(s.Expanded))
}

// placesFor is the number of places after the point that an uncertainty u
// supports, from 0 to 2: two significant figures where they read 10 to 35, else
// one. The rule is that of the Review of Particle Physics, section "Rounding"
// of its introduction (from memory).
func placesFor(u float64) int {
	if !(u > 0) || math.IsInf(u, 0) {
		return 2
	}
	e := math.Floor(math.Log10(u) + 1e-9)
	n := -int(e)
	if u/math.Pow(10, e) < 3.55 {
		n++
	}
	return max(0, min(2, n))
}

// plainDecimals is how many places write a value that somebody typed.
func plainDecimals(v float64) int {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if i := strings.IndexByte(s, '.'); i >= 0 {
		return min(len(s)-i-1, 4)
	}
	return 0
}

// number writes v with so many places, never "-0.0"; "–" when it is not finite.
func number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// degrees writes an angle with its sign.
func degrees(v float64, decimals int) string { return number(v, decimals) + "°" }

// given writes an angle that somebody typed.
func given(a analysis.Degrees) string { return degrees(float64(a), plainDecimals(float64(a))) }

// signed writes a difference, with a plus where it is positive.
func signed(v float64, decimals int) string {
	s := degrees(v, decimals)
	if v > 0 && s != degrees(0, decimals) {
		return "+" + s
	}
	return s
}

// near is a moved by whole turns to within half a turn of c, so that angles
// either side of ±180° are drawn side by side.
func near(c, a float64) float64 { return a - 360*math.Round((a-c)/360) }

// count writes a number with its noun: "1 spark", "20 sparks".
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// speeds writes the range of speed; one figure where it does not spread.
func speeds(r *analysis.Result) string {
	lo, hi := round3(r.MinRPM), round3(r.MaxRPM)
	if lo == hi {
		return lo + " rpm"
	}
	return lo + " to " + hi + " rpm"
}

// round3 writes a speed to at most four figures: more than the eye wants, less
// than the timing knows.
func round3(rpm float64) string {
	if rpm >= 1000 {
		rpm = math.Round(rpm/10) * 10
	}
	return number(rpm, 0)
}

// oneLine is s without line breaks and other control characters: file names
// come from anywhere, and a remark or a table row must stay one line.
func oneLine(s string) string {
	return strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f || c >= 0x80 && c < 0xa0 || c == 0x2028 || c == 0x2029 {
			return '?'
		}
		return c
	}, s)
}

// OneLine is s with a question mark for each line break and other control
// character, for names and messages that go to a terminal.
func OneLine(s string) string { return oneLine(s) }

// severityWord names a finding's weight for the reader.
func severityWord(s analysis.Severity) string {
	switch s {
	case analysis.Serious:
		return "Serious"
	case analysis.Warning:
		return "Warning"
	default:
		return "Note"
	}
}

// occurrences says how often a finding was met and when first; empty when that
// does not apply.
func occurrences(f analysis.Finding) string {
	switch {
	case f.Count <= 0:
		return ""
	case f.Count == 1:
		return "once, at " + number(f.FirstS, 2) + " s"
	default:
		return fmt.Sprintf("%d times, first at %s s", f.Count, number(f.FirstS, 2))
	}
}

// unsaidRemarks are the reader's remarks that no finding repeats: what the
// reader must know is said once.
func unsaidRemarks(r *analysis.Result) []string {
	var out []string
	for _, s := range r.Recording.Remarks {
		if !slices.ContainsFunc(r.Findings, func(f analysis.Finding) bool { return f.Message == s }) {
			out = append(out, s)
		}
	}
	return out
}

// besides parts the findings into those to be said beside the answer, the
// serious ones first, and the rest.
func besides(r *analysis.Result) (beside, rest []analysis.Finding) {
	for _, f := range r.Findings {
		if f.Beside {
			beside = append(beside, f)
		} else {
			rest = append(rest, f)
		}
	}
	worstFirst(beside)
	return beside, rest
}

// worstFirst puts the serious findings first, then the warnings.
func worstFirst(all []analysis.Finding) {
	rank := map[analysis.Severity]int{analysis.Serious: 0, analysis.Warning: 1, analysis.Note: 2}
	slices.SortStableFunc(all, func(a, b analysis.Finding) int { return rank[a.Severity] - rank[b.Severity] })
}

// mostToDo is how many of the findings about the engine stand right below the
// verdict: whoever reads on the spot does one thing at a time.
const mostToDo = 3

// sayings parts the findings for a page: those to be said beside the answer,
// what to do to the engine, the worst first and at most mostToDo, and the rest
// in order, with what is left of the engine before it.
func sayings(r *analysis.Result) (beside, toDo, rest []analysis.Finding) {
	first, others := besides(r)
	engine := func(f analysis.Finding) bool { return f.Engine }
	for _, f := range r.Findings {
		if f.Engine {
			toDo = append(toDo, f)
		}
	}
	worstFirst(toDo)
	beside, rest = slices.DeleteFunc(first, engine), slices.DeleteFunc(others, engine)
	if len(toDo) > mostToDo {
		rest = append(slices.Clone(toDo[mostToDo:]), rest...)
		toDo = toDo[:mostToDo]
	}
	return beside, toDo, rest
}

// minusNote is said below a table of advances that are after top dead centre.
const minusNote = "A minus stands for after top dead centre."

// cautions stand below every result that somebody may act on.
var cautions = []string{
	HandsOff,
	"Too much advance can destroy an engine: change it in small steps, measure again.",
	"The maker's manual and a qualified mechanic come before any figure given here.",
}

// HandsOff stands below whatever sends somebody to the pick-ups and leads.
const HandsOff = "Stop the engine before you touch clamp, leads, plug or magnet."

// trendWords puts the trend into sentences, each without line breaks; none when
// there is no trend.
func trendWords(r *analysis.Result) []string {
	t := r.Trend
	if t == nil {
		return nil
	}
	slopeU, zeroU := 2*float64(t.SlopeStd), 2*float64(t.InterceptStd)
	sd, zd := placesFor(slopeU), placesFor(zeroU)
	slope := fmt.Sprintf("%s per 1000 rpm (±%s)", signed(float64(t.SlopePer1000), sd), degrees(slopeU, sd))
	var out []string
	if t.Why != "" {
		out = append(out, explanationWord(t)+". "+oneLine(t.Why))
	}
	switch {
	case len(t.Corners) > 0:
		s := "Corners:"
		for i, c := range t.Corners {
			if i > 0 {
				s += ","
			}
			u := 2 * float64(c.AdvanceStd)
			s += fmt.Sprintf(" %s (±%s) at %s rpm (±%s)", degrees(float64(c.Advance), placesFor(u)), degrees(u, placesFor(u)), number(c.RPM, 0), number(2*c.RPMStd, 0))
		}
		out = append(out, s+".")
	case !t.Straight:
		out = append(out, "The angle does not follow a straight line over speed (straight-line fit: "+slope+"): read it from the table.")
	default:
		out = append(out, fmt.Sprintf("Straight line: %s, carried on to zero speed %s (±%s from the fit alone).", slope, degrees(float64(t.Intercept), zd), degrees(zeroU, zd)))
	}
	return out
}

// explanationWord is what the trend is taken for as the head of a sentence.
func explanationWord(t *analysis.Trend) string {
	w := t.Explanation
	switch w {
	case "":
		return "Trend"
	case analysis.AngleAndDelay: // which of the two the recording alone does not tell
		return "Straight line, taken for a constant angle and a delay"
	}
	return strings.ToUpper(w[:1]) + w[1:]
}

// staticWords sets running against static, one sentence per speed.
func staticWords(r *analysis.Result) []string {
	if r.Static == nil {
		return nil
	}
	var out []string
	for _, d := range r.Static.Differences {
		n := placesFor(float64(d.Expanded))
		at := "at " + d.At
		if d.RPM > 0 {
			at += " (" + round3(d.RPM) + " rpm)"
		}
		word := "agrees with the static angle"
		if math.Abs(float64(d.Value)) > float64(d.Expanded) {
			word = "earlier than static"
			if d.Value < 0 {
				word = "later than static"
			}
		}
		out = append(out, fmt.Sprintf("%s: %s, %s (±%s), %s", at, degrees(float64(d.Running), n), signed(float64(d.Value), n), degrees(float64(d.Expanded), n), word))
	}
	return out
}

// verdictWord is a decision as a heading.
func verdictWord(d string) string {
	switch d {
	case analysis.Within:
		return "WITHIN tolerance"
	case analysis.Outside:
		return "OUTSIDE tolerance"
	default:
		return "UNDECIDED"
	}
}

// verdictWords is the verdict in one sentence after its heading.
func verdictWords(r *analysis.Result) string {
	v := r.Verdict
	d := decimals(r.Advance)
	s := fmt.Sprintf("target %s ± %s, deviation %s", given(v.Target), given(v.Tolerance), signed(float64(v.Deviation), d))
	if v.ByTable {
		s = fmt.Sprintf("target by table ± %s, deviation from it %s in the mean of all sparks", given(v.Tolerance), signed(float64(v.Deviation), d))
	}
	if v.Doubt != "" {
		return s // a probability would promise what nobody can
	}
	return s + ", probability of being within " + percent(v.Probability)
}

// percent writes a probability and never claims certainty.
func percent(p float64) string {
	switch {
	case p > 0.999:
		return "over 99.9 %"
	case p < 0.001:
		return "under 0.1 %"
	default:
		return number(100*p, 1) + " %"
	}
}

// countsWords are the counts in one sentence.
func countsWords(r *analysis.Result) string {
	c := r.Counts
	s := fmt.Sprintf("%s found in %s: %d counted", count(c.Sparks, spark(r)), count(c.Revolutions, "revolution"), c.OK)
	if c.RepeatedSparks > 0 {
		s += fmt.Sprintf(", %d repeated", c.RepeatedSparks)
	}
	if c.OtherSparks > 0 {
		s += fmt.Sprintf(", %d not usable", c.OtherSparks)
	}
	s += fmt.Sprintf("; %d missed. References: %d missed", c.MissedSparks, c.MissedReferences)
	if c.RejectedReferences > 0 {
		s += fmt.Sprintf(", %s of that channel not taken as reference", count(c.RejectedReferences, "pulse"))
	}
	return s + "."
}

// spark is what the event on the spark's channel is called.
func spark(r *analysis.Result) string {
	if r.Setup.SparkKind == analysis.Contacts {
		return "opening"
	}
	return "spark"
}

// dwellWords says how long the contacts are closed; empty where that is not
// known.
func dwellWords(r *analysis.Result) string {
	w := r.Dwell
	if w == nil {
		return ""
	}
	d := 1
	if w.Expanded >= 10 {
		d = 0
	}
	s := fmt.Sprintf("Dwell %s (±%s), of %s from one opening to the next", degrees(float64(w.Mean), d), degrees(float64(w.Expanded), d), degrees(float64(w.Cycle), 0))
	if w.N > 1 {
		s += fmt.Sprintf("; scatter %s", degrees(float64(w.StdDev), 1))
	}
	if !w.Given {
		s += ". Opening is taken for the edge into the shorter state"
	}
	return s + "."
}

// zeroSpeedLimit is how uncertain the angle at zero speed may be, ± degrees,
// and still be drawn.
const zeroSpeedLimit = 10

// plotInput maps a result to what is drawn.
func plotInput(r *analysis.Result) plot.Input {
	c := float64(r.Advance.Mean)
	in := plot.Input{Title: Headline(r), Relative: r.Relative}
	from := oneLine(baseName(r.Recording.Path))
	if r.Relative {
		in.Subtitle = "Relative to the reference event: no reference angle was given. " + from
	} else {
		in.Subtitle = from + ": " + count(r.Counts.OK, spark(r)) + ", " + speeds(r)
		if a := r.Setup.ReferenceAngle; a != nil {
			in.Subtitle += ", reference at " + direction(*a, plainDecimals(float64(*a)), false)
		}
	}
	for _, f := range r.Firings {
		if f.Status == analysis.OK && f.HasAngle {
			in.Points = append(in.Points, plot.Point{RPM: f.RPM, Deg: near(c, float64(f.Advance))})
		}
	}
	for _, b := range r.Bins {
		if b.N > 0 {
			in.Bins = append(in.Bins, plot.Bin{
				FromRPM: b.FromRPM, ToRPM: b.ToRPM, RPM: b.MeanRPM,
				Median: near(c, float64(b.Median)), Spread: float64(b.StdDev),
			})
		}
	}
	band := func(deg, half *analysis.Degrees) *plot.Band {
		if deg == nil {
			return nil
		}
		b := &plot.Band{Deg: near(c, float64(*deg))}
		if half != nil {
			b.Half = float64(*half)
		}
		return b
	}
	if !r.Relative {
		in.Target = band(r.Setup.Target, r.Setup.Tolerance)
		for _, t := range r.Setup.TargetTable {
			in.TargetTable = append(in.TargetTable, plot.Point{RPM: t.RPM, Deg: near(c, float64(t.Angle))})
		}
		if tol := r.Setup.Tolerance; tol != nil {
			in.TargetTableHalf = float64(*tol)
		}
		in.Static = band(r.Setup.Static, r.Setup.StaticTolerance)
	}
	if t := r.Trend; t != nil && len(t.Corners) > 0 {
		in.Bent = bent(t, c)
	} else if t != nil && t.Straight {
		in.Trend = &plot.Line{Intercept: near(c, float64(t.Intercept)), SlopePer1000: float64(t.SlopePer1000), FromRPM: t.FromRPM, ToRPM: t.ToRPM}
		if r.Static != nil {
			for _, d := range r.Static.Differences {
				// An extrapolation that says nothing would only flatten the picture.
				if d.RPM == 0 && d.Expanded <= zeroSpeedLimit {
					in.Trend.ZeroHalf = float64(d.Expanded)
				}
			}
		}
	}
	return in
}

// bent maps a trend with corners to what is drawn, angles near c.
func bent(t *analysis.Trend, c float64) *plot.Bent {
	out := &plot.Bent{}
	for i, s := range t.Segments {
		out.Points = append(out.Points, plot.Point{RPM: s.FromRPM, Deg: near(c, float64(s.From))})
		if i == len(t.Segments)-1 {
			out.Points = append(out.Points, plot.Point{RPM: s.ToRPM, Deg: near(c, float64(s.To))})
		}
	}
	for _, q := range t.Corners {
		out.Corners = append(out.Corners, plot.Corner{
			Point:   plot.Point{RPM: q.RPM, Deg: near(c, float64(q.Advance))},
			RPMHalf: 2 * q.RPMStd, DegHalf: 2 * float64(q.AdvanceStd),
		})
	}
	return out
}

// baseName is the last part of a path of either style of separator; "standard
// input" for "-".
func baseName(path string) string {
	if path == "-" {
		return "standard input"
	}
	if i := strings.LastIndexAny(path, `/\`); i >= 0 {
		return path[i+1:]
	}
	return path
}

// tried is one line of the table of curves that were tried.
type tried struct{ Name, Scatter, Criterion, Departure, Taken string }

// alternatives are the curves that were tried, for a table.
func alternatives(r *analysis.Result) []tried {
	if r.Trend == nil {
		return nil
	}
	var out []tried
	for _, a := range r.Trend.Alternatives {
		x := tried{Name: a.Name, Scatter: degrees(a.ScatterDeg, 2), Criterion: number(a.Criterion, 1), Departure: "–"}
		if a.Corners > 0 {
			x.Departure = degrees(a.DepartureDeg, 2)
		}
		if a.Taken {
			x.Taken = "taken"
		}
		out = append(out, x)
	}
	return out
}

// givenWords is a decision in words: what, its value, and why.
func givenWords(d analysis.Decision) string {
	s := d.What + " " + d.Value
	if d.Why != "" && !(d.Given && d.Why == "given") {
		s += " – " + d.Why
	}
	return oneLine(s)
}

// Source names the recording on one line, without its folder.
func Source(r *analysis.Result) string { return oneLine(baseName(r.Recording.Path)) }
