package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/analysis/session"
	"sparkscope/report/plot"
)

// SessionSchema names the form of SessionJSON.
const SessionSchema = "sparkscope.session/1"

// SessionHeadline says what a session holds, without a full stop: "Session of
// 1 min 12 s: 1 idle, 3 pulls up, 3 pulls down".
func SessionHeadline(s *session.Session) string {
	var order []session.Kind
	n := map[session.Kind]int{}
	for i := range s.Parts {
		k := s.Parts[i].Kind
		if n[k] == 0 {
			order = append(order, k)
		}
		n[k]++
	}
	var words []string
	for _, k := range order {
		words = append(words, partCount(k, n[k]))
	}
	return "Session of " + lasting(s.Result.Recording.DurationS) + ": " + strings.Join(words, ", ")
}

// partCount counts parts in words.
func partCount(k session.Kind, n int) string {
	if n == 1 {
		return "1 " + string(k)
	}
	one, way, _ := strings.Cut(string(k), " ")
	if way != "" {
		way = " " + way
	}
	switch k {
	case session.Cranking:
		return fmt.Sprintf("%d times cranking", n)
	case session.Idle:
		return fmt.Sprintf("%d times idle", n)
	}
	return fmt.Sprintf("%d %ss%s", n, one, way)
}

// lasting writes a length of time.
func lasting(seconds float64) string {
	if seconds < 100 {
		return number(seconds, 1) + " s"
	}
	m := int(math.Round(seconds)) / 60
	if m >= 60 {
		return fmt.Sprintf("%d h %02d min", m/60, m%60)
	}
	return fmt.Sprintf("%d min %02d s", m, int(math.Round(seconds))%60)
}

// moment writes a moment of a recording: 1:02.3.
func moment(seconds float64) string {
	t := math.Round(seconds * 10)
	return fmt.Sprintf("%d:%04.1f", int(t)/600, math.Mod(t, 600)/10)
}

// spreadWords say how far pulls of one direction differ.
func spreadWords(f *session.Family, drift *session.Drift) string {
	d, e := float64(f.StdDev), float64(f.Sampling)
	s := fmt.Sprintf("From one %s to the next the advance differs by %s at equal speed (standard deviation over %d of them); the scatter from spark to spark alone would give %s",
		f.Kind, degrees(d, 2), len(f.Pulls), degrees(e, 2))
	switch {
	case d > 2*e && d > 0.1 && drift != nil && drift.Sure:
		return s + ": something changes from pull to pull, as time goes on."
	case d > 2*e && d > 0.1:
		return s + ": something changes from pull to pull. Look at play, at a mechanism that sticks, and whether the pulls were equally fast."
	}
	return s + ": they are alike."
}

// driftWords say how the advance moves with time, from the first to the last of the
// parts that have their like; and, since a finding may speak of the whole recording,
// what that comes to there.
func driftWords(s *session.Session) string {
	d := s.Drift
	p := differencePlaces(d.Expanded)
	if !d.Sure {
		return fmt.Sprintf("No drift is shown: %s (±%s) over %s, at equal speed.", signed(float64(d.Change), p), degrees(float64(d.Expanded), p), lasting(d.OverS))
	}
	word := "earlier"
	if d.Change < 0 {
		word = "later"
	}
	whole := ""
	if f := s.Result.Firings; len(f) > 0 {
		if span := f[len(f)-1].TimeS - f[0].TimeS; span > 1.02*d.OverS {
			whole = fmt.Sprintf(", which is %s over the whole recording", degrees(math.Abs(float64(d.Change))/d.OverS*span, p))
		}
	}
	return fmt.Sprintf("In the %s from the first to the last part that has its like, it comes to fire %s (±%s) %s at equal speed%s: an engine that warms up, or contacts, plate or magnet that move.", lasting(d.OverS), degrees(math.Abs(float64(d.Change)), p), degrees(float64(d.Expanded), p), word, whole)
}

// upDownWords say how pulls up and down differ; empty: there are not both.
func upDownWords(s *session.Session) string {
	c := s.UpDown
	if c == nil {
		return ""
	}
	t := CompareHeadline(c) + "."
	if d := s.Drift; d != nil && d.Sure {
		if raw, drift := float64(c.Mean.Difference), float64(d.UpDown); raw*drift < 0 {
			t += fmt.Sprintf(" That is as recorded: the drift hides %s of it, since the pulls down come later; without the drift it is about %s.", degrees(math.Abs(drift), 2), degrees(math.Abs(raw-drift), 2))
		} else {
			t += fmt.Sprintf(" Of that, the drift makes %s, since the pulls down come later.", signed(float64(d.UpDown), 2))
		}
	}
	return t
}

// SessionText writes a session for a terminal of 80 columns, what was found first;
// from is where the set-up came from. It fails on write errors only.
func SessionText(w io.Writer, s *session.Session, from []analysis.Decision) error {
	var b strings.Builder
	p := printer{&b}
	r := s.Result
	p.para("", SessionHeadline(s)+".")
	p.para("", fmt.Sprintf("Measured from %s, against %s.", oneLine(baseName(r.Recording.Path)), reference(r)))
	if r.Relative {
		p.para("", relativeNote+". Give --reference-angle to turn them into advance.")
	}
	p.gap()
	for _, f := range []*session.Family{s.Up, s.Down} {
		if f != nil {
			p.para("", spreadWords(f, s.Drift))
		}
	}
	if s.Up == nil && s.Down == nil {
		p.para("", "There are no two pulls of one direction with enough sparks to be set against each other.")
	}
	if s.Drift != nil {
		p.para("", driftWords(s))
	}
	if c := s.UpDown; c != nil {
		p.para("", upDownWords(s))
		if c.Mean.Sure || c.Changes {
			p.para("", "An advance that differs between pulls up and down comes from a mechanism that sticks or is slow to follow, or from a pull so fast that the angle of one revolution is read at the speed of another. Record a slower pull; if it stays, clean and oil the mechanism and look at its springs.")
		}
	}
	if v := r.Verdict; v != nil {
		p.para("", verdictWord(v.Decision)+", the recording as a whole: "+verdictWords(r)+".")
	}
	p.beside(r)
	p.gap()
	p.line(pad("part", -14) + pad("from", 8) + pad("to", 8) + pad("rpm", 15) + pad("sparks", 8) + pad(angleWord(r), 17) + pad("scatter", 9))
	for i := range s.Parts {
		p.line(partRow(&s.Parts[i]))
	}
	for _, f := range []*session.Family{s.Up, s.Down} {
		if f != nil {
			p.family(s, f)
		}
	}
	p.gap()
	p.para("", countsWords(r))
	if all := append(append([]analysis.Decision{}, r.Decisions...), from...); len(all) > 0 {
		p.gap()
		for _, d := range all {
			word := "Found: "
			if d.Given {
				word = "Given: "
			}
			p.para(word, givenWords(d))
		}
	}
	_, toDo, rest := sayings(r)
	if len(toDo)+len(rest)+len(unsaidRemarks(r)) > 0 {
		p.gap()
		for _, t := range unsaidRemarks(r) {
			p.para("Recording: ", oneLine(t))
		}
		for _, f := range append(toDo, rest...) {
			p.finding(f)
		}
	}
	p.gap()
	p.para("", "±: 95 %, all that is wrong alike in it. lowest, highest: of the pulls at that speed. What is said of one pull less another, of drift, and of up and down holds only what differs within the session: what is wrong alike cancels.")
	return p.close(w)
}

// angleWord is what an angle is called in the head of a table.
func angleWord(r *analysis.Result) string {
	if r.Relative {
		return "angle"
	}
	return "advance"
}

// partRow is a part's line of the table.
func partRow(m *session.Measured) string {
	speed := round3(m.FromRPM) + " - " + round3(m.ToRPM)
	if m.Steady() {
		speed = round3(m.MedianRPM)
	}
	advance, scatter := "–", "–"
	if m.Side != nil {
		u := analysis.NewBudget(m.Side.All.Parts).Expanded
		d := differencePlaces(u)
		advance = degrees(float64(m.Side.All.Mean), d) + " ±" + degrees(float64(u), d)
		if q := m.Side.Points; !m.Steady() && len(q) > 1 {
			// From the beginning of the pull to its end.
			a, z := q[0].Mean, q[len(q)-1].Mean
			if m.Kind == session.Down {
				a, z = z, a
			}
			advance = degrees(float64(a), d) + " to " + degrees(float64(z), d)
		}
	}
	if m.Scatter != nil {
		scatter = degrees(float64(*m.Scatter), 2)
	}
	return pad(m.Name(), -14) + pad(moment(m.FromS), 8) + pad(moment(m.ToS), 8) + pad(speed, 15) + pad(fmt.Sprint(m.Counted), 8) + pad(advance, 17) + pad(scatter, 9)
}

// mostAgainst is how many pulls are listed one by one.
const mostAgainst = 12

// family writes pulls laid over each other.
func (p printer) family(s *session.Session, f *session.Family) {
	p.gap()
	p.line(fmt.Sprintf("%d %ss %s laid over each other:", len(f.Pulls), "pull", strings.TrimPrefix(string(f.Kind), "pull ")))
	p.line(pad("rpm", 8) + pad("pulls", 7) + pad("mean", 9) + pad("±", 8) + pad("lowest", 9) + pad("highest", 9) + pad("spread", 9))
	for i := range f.Curve {
		c := &f.Curve[i]
		d := differencePlaces(c.Expanded)
		spread := "–"
		if c.Pulls > 1 {
			spread = degrees(float64(c.StdDev), 2)
		}
		p.line(pad(number(c.RPM, 0), 8) + pad(fmt.Sprint(c.Pulls), 7) + pad(degrees(float64(c.Mean), d), 9) + pad(degrees(float64(c.Expanded), d), 8) +
			pad(degrees(float64(c.Lowest), d), 9) + pad(degrees(float64(c.Highest), d), 9) + pad(spread, 9))
	}
	for i, c := range f.Against {
		if i == mostAgainst {
			p.line(fmt.Sprintf("and %d more, which --json has", len(f.Against)-i))
			break
		}
		first, m := &s.Parts[f.Pulls[0]], &s.Parts[f.Pulls[i+1]]
		if c == nil {
			p.line(fmt.Sprintf("%s and %s share no speed.", m.Name(), first.Name()))
			continue
		}
		d := differencePlaces(c.Mean.Expanded)
		word := "not shown"
		switch {
		case c.Mean.Sure && c.Mean.Difference > 0:
			word = "earlier"
		case c.Mean.Sure:
			word = "later"
		}
		p.line(fmt.Sprintf("%s less %s: %s (±%s), %s", m.Name(), first.Name(), signed(float64(c.Mean.Difference), d), degrees(float64(c.Mean.Expanded), d), word))
	}
}

// The JSON of a session.
type (
	jsonSession struct {
		Schema    string             `json:"schema"`
		Answer    string             `json:"answer"`
		Recording jsonRecording      `json:"recording"`
		Relative  bool               `json:"relative_to_reference"`
		Rule      jsonSessionRule    `json:"rule"`
		Parts     []jsonPart         `json:"parts"`
		Up        *jsonFamily        `json:"pulls_up"`
		Down      *jsonFamily        `json:"pulls_down"`
		UpDown    *jsonUpLessDown    `json:"down_less_up"`
		Drift     *jsonDrift         `json:"drift"`
		Result    jsonSessionSummary `json:"all"`
		Decisions []jsonDecision     `json:"decisions"`
		Findings  []jsonFinding      `json:"findings"`
	}
	jsonSessionRule struct {
		Cranking *float64 `json:"cranking_below_rpm"`
		Idle     *float64 `json:"idle_below_rpm"`
		Text     string   `json:"text"`
	}
	jsonSessionSummary struct {
		Counts  jsonCounts   `json:"counts"`
		Speed   jsonSpeed    `json:"speed"`
		Advance jsonSummary  `json:"advance"`
		Verdict *jsonVerdict `json:"verdict"`
	}
	jsonPart struct {
		Part     int         `json:"part"`
		Kind     string      `json:"kind"`
		Number   int         `json:"number"`
		From     *float64    `json:"from_s"`
		To       *float64    `json:"to_s"`
		FromRPM  *float64    `json:"from_rpm"`
		ToRPM    *float64    `json:"to_rpm"`
		Min      *float64    `json:"min_rpm"`
		Max      *float64    `json:"max_rpm"`
		Median   *float64    `json:"median_rpm"`
		N        int         `json:"n"`
		Mean     *float64    `json:"mean_deg"`
		Expanded *float64    `json:"expanded_uncertainty_deg"`
		StdDev   *float64    `json:"stddev_deg"`
		Bins     []jsonPoint `json:"bins"`
	}
	jsonPoint struct {
		From     *float64 `json:"rpm_from"`
		To       *float64 `json:"rpm_to"`
		RPM      *float64 `json:"rpm_mean"`
		N        int      `json:"n"`
		Mean     *float64 `json:"mean_deg"`
		Expanded *float64 `json:"expanded_uncertainty_deg"`
		Sampling *float64 `json:"sampling_stddev_deg"`
	}
	jsonFamily struct {
		Parts    []int             `json:"parts"`
		StdDev   *float64          `json:"pull_to_pull_stddev_deg"`
		Sampling *float64          `json:"expected_from_scatter_stddev_deg"`
		Curve    []jsonPullPoint   `json:"curve"`
		Against  []jsonAgainstPull `json:"against_first"`
	}
	jsonPullPoint struct {
		From     *float64 `json:"rpm_from"`
		To       *float64 `json:"rpm_to"`
		RPM      *float64 `json:"rpm"`
		Pulls    int      `json:"pulls"`
		Mean     *float64 `json:"mean_deg"`
		Expanded *float64 `json:"expanded_uncertainty_deg"`
		Lowest   *float64 `json:"lowest_deg"`
		Highest  *float64 `json:"highest_deg"`
		StdDev   *float64 `json:"pull_to_pull_stddev_deg"`
	}
	jsonAgainstPull struct {
		Part       int      `json:"part"`
		Difference *float64 `json:"difference_deg"`
		Expanded   *float64 `json:"expanded_uncertainty_deg"`
		Shown      bool     `json:"shown"`
	}
	jsonUpLessDown struct {
		Answer  string              `json:"answer"`
		Changes bool                `json:"depends_on_speed"`
		Mean    jsonSessionDiffer   `json:"mean"`
		Rows    []jsonSessionDiffer `json:"rows"`
	}
	jsonSessionDiffer struct {
		RPM        *float64 `json:"rpm"`
		Difference *float64 `json:"difference_deg"`
		Expanded   *float64 `json:"expanded_uncertainty_deg"`
		Shown      bool     `json:"shown"`
	}
	jsonDrift struct {
		Change   *float64 `json:"change_deg"`
		Expanded *float64 `json:"expanded_uncertainty_deg"`
		Over     *float64 `json:"over_s"`
		Parts    int      `json:"parts"`
		Shown    bool     `json:"shown"`
		UpDown   *float64 `json:"of_down_less_up_deg"`
	}
)

// SessionJSON writes a session with full precision; from as for SessionText. A part
// is named by its place among parts, from 1.
func SessionJSON(w io.Writer, s *session.Session, from []analysis.Decision) error {
	r := s.Result
	whole := document(r)
	d := jsonSession{
		Schema: SessionSchema, Answer: SessionHeadline(s) + ".", Recording: whole.Recording, Relative: r.Relative,
		Rule:  jsonSessionRule{Text: strings.Join(strings.Fields(session.Rule), " ")},
		Parts: []jsonPart{}, Result: jsonSessionSummary{whole.Counts, whole.Speed, whole.Advance, whole.Verdict}, Decisions: whole.Decisions, Findings: whole.Findings,
	}
	for _, x := range from {
		d.Decisions = append(d.Decisions, jsonDecision(x))
	}
	if v := s.Options.CrankingBelowRPM; v > 0 {
		d.Rule.Cranking = known(v)
	}
	if v := s.Options.IdleBelowRPM; v > 0 {
		d.Rule.Idle = known(v)
	}
	for i := range s.Parts {
		d.Parts = append(d.Parts, partJSON(i+1, &s.Parts[i]))
	}
	d.Up, d.Down = familyJSON(s.Up), familyJSON(s.Down)
	differ := func(x *compare.Row) jsonSessionDiffer {
		return jsonSessionDiffer{known(x.RPM), known(x.Difference), known(x.Expanded), x.Sure}
	}
	if c := s.UpDown; c != nil {
		j := &jsonUpLessDown{Answer: CompareHeadline(c) + ".", Changes: c.Changes, Mean: differ(&c.Mean), Rows: []jsonSessionDiffer{}}
		for i := range c.Rows {
			j.Rows = append(j.Rows, differ(&c.Rows[i]))
		}
		d.UpDown = j
	}
	if x := s.Drift; x != nil {
		d.Drift = &jsonDrift{known(x.Change), known(x.Expanded), known(x.OverS), x.Parts, x.Sure, known(x.UpDown)}
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(d)
}

func partJSON(n int, m *session.Measured) jsonPart {
	j := jsonPart{
		Part: n, Kind: string(m.Kind), Number: m.Number, From: known(m.FromS), To: known(m.ToS), FromRPM: known(m.FromRPM), ToRPM: known(m.ToRPM),
		Min: known(m.MinRPM), Max: known(m.MaxRPM), Median: known(m.MedianRPM), N: m.Counted, StdDev: maybe(m.Scatter), Bins: []jsonPoint{},
	}
	if m.Side == nil {
		return j
	}
	j.Mean, j.Expanded = known(m.Side.All.Mean), known(analysis.NewBudget(m.Side.All.Parts).Expanded)
	for i := range m.Side.Points {
		q := &m.Side.Points[i]
		j.Bins = append(j.Bins, jsonPoint{known(q.FromRPM), known(q.ToRPM), known(q.RPM), q.N, known(q.Mean), known(analysis.NewBudget(q.Parts).Expanded), known(q.Sampling)})
	}
	return j
}

func familyJSON(f *session.Family) *jsonFamily {
	if f == nil {
		return nil
	}
	j := &jsonFamily{StdDev: known(f.StdDev), Sampling: known(f.Sampling), Curve: []jsonPullPoint{}, Against: []jsonAgainstPull{}}
	for _, i := range f.Pulls {
		j.Parts = append(j.Parts, i+1)
	}
	for i := range f.Curve {
		c := &f.Curve[i]
		q := jsonPullPoint{From: known(c.FromRPM), To: known(c.ToRPM), RPM: known(c.RPM), Pulls: c.Pulls, Mean: known(c.Mean), Expanded: known(c.Expanded), Lowest: known(c.Lowest), Highest: known(c.Highest)}
		if c.Pulls > 1 {
			q.StdDev = known(c.StdDev)
		}
		j.Curve = append(j.Curve, q)
	}
	for i, c := range f.Against {
		a := jsonAgainstPull{Part: f.Pulls[i+1] + 1}
		if c != nil {
			a.Difference, a.Expanded, a.Shown = known(c.Mean.Difference), known(c.Mean.Expanded), c.Mean.Sure
		}
		j.Against = append(j.Against, a)
	}
	return j
}

// SessionPlot draws the speed over time with the parts, and the pulls over each
// other.
func SessionPlot(w io.Writer, s *session.Session, f plot.Format) error {
	return plot.Draw(w, sessionFigure(s, plot.AllPanels), f)
}

// sessionFigure is the picture of a session, or one of its panels.
func sessionFigure(s *session.Session, only plot.SessionPanel) plot.Session {
	r := s.Result
	about := float64(r.Advance.Mean)
	in := plot.Session{Title: SessionHeadline(s), Subtitle: oneLine(baseName(r.Recording.Path)) + ", against " + reference(r), Relative: r.Relative, Only: only}
	for i := range r.Firings {
		if q := &r.Firings[i]; q.RPM > 0 {
			in.Moments = append(in.Moments, plot.Moment{S: q.TimeS, RPM: q.RPM})
		}
	}
	for i := range s.Parts {
		m := &s.Parts[i]
		label := strings.TrimPrefix(m.Name(), "pull ")
		short := fmt.Sprint(m.Number)
		switch m.Kind {
		case session.Up:
			short = "↑" + short
		case session.Down:
			short = "↓" + short
		case session.Idle, session.Cranking, session.Hold:
			short = ""
		}
		in.Parts = append(in.Parts, plot.Stretch{FromS: m.FromS, ToS: m.ToS, Pull: m.Kind == session.Up || m.Kind == session.Down, Label: label, Short: short})
		var pull []plot.Point
		if m.Side != nil {
			for _, q := range m.Side.Points {
				pull = append(pull, plot.Point{RPM: q.RPM, Deg: near(about, float64(q.Mean))})
			}
		}
		switch {
		case pull == nil:
		case m.Kind == session.Up:
			in.Up.Pulls, in.Up.Names = append(in.Up.Pulls, pull), append(in.Up.Names, "↑"+fmt.Sprint(m.Number))
		case m.Kind == session.Down:
			in.Down.Pulls, in.Down.Names = append(in.Down.Pulls, pull), append(in.Down.Names, "↓"+fmt.Sprint(m.Number))
		}
	}
	overlay := func(o *plot.Overlay, f *session.Family) {
		if f == nil {
			return
		}
		for i := range f.Curve {
			c := &f.Curve[i]
			o.Mean = append(o.Mean, plot.Point{RPM: c.RPM, Deg: near(about, float64(c.Mean))})
			o.Low, o.High = append(o.Low, near(about, float64(c.Lowest))), append(o.High, near(about, float64(c.Highest)))
		}
	}
	overlay(&in.Up, s.Up)
	overlay(&in.Down, s.Down)
	if d := s.Drift; d != nil {
		for i, t := range d.PartTimesS {
			in.Drifted = append(in.Drifted, plot.Moment{S: t, Deg: d.PartDegrees[i]})
		}
		in.DriftLine = [2]plot.Moment{{S: d.FromS}, {S: d.FromS + d.OverS, Deg: float64(d.Change)}}
		p := differencePlaces(d.Expanded)
		in.DriftWords = fmt.Sprintf("%s (±%s) over %s", signed(float64(d.Change), p), degrees(float64(d.Expanded), p), lasting(d.OverS))
	}
	return in
}
