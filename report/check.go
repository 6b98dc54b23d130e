package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/report/plot"
)

// CheckText writes the health of a recording for a terminal of 80 columns: the
// answer, what to change, then every channel with its pulses drawn.
func CheckText(w io.Writer, r *analysis.CheckResult) error {
	var b strings.Builder
	p := printer{&b}
	p.para("", CheckHeadline(r)+".")
	p.para("", checkedWords(r)+".")
	if len(r.Findings) > 0 {
		p.gap()
		for i, f := range r.Findings {
			s := oneLine(f.Message)
			if o := occurrences(f); o != "" {
				s += " (" + o + ")"
			}
			p.para(fmt.Sprintf("%2d %s: ", i+1, severityWord(f.Severity)), s)
		}
	}
	for _, s := range r.Recording.Remarks {
		if !said(r.Findings, s) {
			p.para("Recording: ", oneLine(s))
		}
	}
	if len(r.Findings) > 0 {
		p.gap()
		p.para("", HandsOff)
	}
	for i := range r.Channels {
		c := &r.Channels[i]
		p.gap()
		head := fmt.Sprintf("Channel %d: %s", c.Channel, RoleWords(r, c))
		if c.Why != "" {
			head += " – " + oneLine(c.Why)
		}
		p.para("", head+".")
		for _, row := range checkRows(c) {
			p.para("  "+pad(row[0], -8), row[1])
		}
		for _, q := range drawn(c) {
			p.gap()
			p.shape(q)
		}
	}
	if r.Setup.EngineFile != "" {
		p.gap()
		for _, d := range r.Decisions {
			if d.Given {
				p.para("Given: ", givenWords(d))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// CheckHeadline is the answer in one line without a full stop.
func CheckHeadline(r *analysis.CheckResult) string {
	n := 0
	for _, f := range r.Findings {
		if f.Severity != analysis.Note {
			n++
		}
	}
	switch {
	case r.Fit == analysis.Fit:
		return "FIT TO MEASURE: yes"
	case r.Fit == analysis.Unfit:
		return "FIT TO MEASURE: no"
	case n == 1:
		return "FIT TO MEASURE: with doubts, one thing to change"
	default:
		return fmt.Sprintf("FIT TO MEASURE: with doubts, %d things to change", n)
	}
}

// checkedWords says what was looked at.
func checkedWords(r *analysis.CheckResult) string {
	rec := r.Recording
	s := fmt.Sprintf("%s: %s s, %s, %s Hz, %d bit", oneLine(baseName(rec.Path)), number(rec.DurationS, 1), count(rec.Channels, "channel"), number(rec.SampleRateHz, 0), rec.Bits)
	if rec.Encoding == "float" {
		s += " floating point"
	}
	if r.Revolutions > 0 {
		lo, hi := round3(r.MinRPM), round3(r.MaxRPM)
		s += fmt.Sprintf("; %s at %s", count(r.Revolutions, "revolution"), lo)
		if hi != lo {
			s += " to " + hi
		}
		s += " rpm"
	}
	return s
}

// said reports whether a finding repeats a remark.
func said(findings []analysis.Finding, remark string) bool {
	for _, f := range findings {
		if f.Message == remark {
			return true
		}
	}
	return false
}

// RoleWords say what a channel was taken for.
func RoleWords(r *analysis.CheckResult, c *analysis.ChannelCheck) string {
	switch c.Role {
	case analysis.SparkRole:
		return "the spark (" + string(r.Setup.SparkKind) + ")"
	case analysis.ReferenceRole:
		return "the reference (" + kindWord(c) + ")"
	case analysis.BothRoles:
		return "spark and reference on one input"
	case analysis.NoRole:
		if len(c.Pulses) == 0 {
			return "no pulses that repeat"
		}
		return "not used"
	default:
		return "not known what it is"
	}
}

// kindWord names a reference by its pulses.
func kindWord(c *analysis.ChannelCheck) string {
	if len(c.Pulses) == 0 {
		return "no pulses"
	}
	switch c.Pulses[0].Kind {
	case "contact":
		return "reed, Hall or optical"
	case "coil":
		return "coil"
	default:
		return "pulses like sparks"
	}
}

// checkRows are a channel's figures, name and sentence.
func checkRows(c *analysis.ChannelCheck) [][2]string {
	level := fmt.Sprintf("highest %s of full scale", share(c.Peak))
	switch {
	case c.Clipped > 0:
		level += fmt.Sprintf(", %s of the samples at the end stop", share(c.Clipped))
	default:
		level += ", nothing clipped"
	}
	rows := [][2]string{{"level", level}}
	if c.HasSNR {
		rows = append(rows, [2]string{"noise", fmt.Sprintf("%s of full scale; the pulses stand %.0f dB above it: %s", share(c.Noise), c.SNR, gradeWords(c.Grade))})
	} else {
		rows = append(rows, [2]string{"noise", share(c.Noise) + " of full scale"})
	}
	hum := "none to be heard"
	switch {
	case !c.Hum.Judged:
		hum = "cannot be told from the engine at this speed, or too short a recording"
	case c.Hum.Found && len(c.Pulses) > 0 && c.Pulses[0].Amp > 0:
		hum = fmt.Sprintf("%.0f Hz, %s of the pulses' height", c.Hum.BaseHz, share(c.Hum.Peak/c.Pulses[0].Amp))
	case c.Hum.Found:
		hum = fmt.Sprintf("%.0f Hz, %s of full scale", c.Hum.BaseHz, share(c.Hum.Peak))
	}
	rows = append(rows, [2]string{"hum", hum})
	if h := &c.Health; h.Cliff.Found {
		rows = append(rows, [2]string{"band", fmt.Sprintf("breaks off at %.1f kHz", h.Cliff.Hz/1000)})
	} else if len(h.PSD) > 0 {
		rows = append(rows, [2]string{"band", fmt.Sprintf("no edge below the recording's own, %.1f kHz", float64(h.Rate)/2000)})
	}
	for i, q := range c.Pulses {
		name := ""
		if i == 0 {
			name = "pulses"
		}
		if i == 4 {
			rows = append(rows, [2]string{"", fmt.Sprintf("and %s more", count(len(c.Pulses)-i, "shape"))})
			break
		}
		rows = append(rows, [2]string{name, pulseWords(q)})
	}
	return rows
}

// gradeWords say what a signal-to-noise ratio is good for.
func gradeWords(g string) string {
	switch g {
	case "good":
		return "good, for any engine"
	case "fair":
		return "fair, enough for ±2° on a road engine"
	default:
		return "poor, pulses will be missed and mistaken"
	}
}

// pulseWords describe one kind of pulse.
func pulseWords(q analysis.PulseCheck) string {
	noun, front := "burst", "upward"
	switch q.Kind {
	case "contact":
		noun = "switching"
	case "coil":
		noun = "double lobe"
	}
	if q.Polarity < 0 {
		front = "downward"
	}
	s := fmt.Sprintf("%s: %s, %s, %s of full scale", q.Use, count(q.N, noun), front, share(q.Amp))
	if q.Use == "other" {
		s = "others" + strings.TrimPrefix(s, "other")
	}
	if q.PerS > 0 {
		s += ", some " + number(q.PerS, fine(q.PerS)) + " per second"
	}
	switch {
	case q.WidthS > 0 && q.Kind == "coil":
		s += fmt.Sprintf(", lobes %s ms apart", number(1000*q.WidthS, 2))
	case q.WidthS > 0:
		s += fmt.Sprintf(", %s ms wide", number(1000*q.WidthS, 2))
	}
	if q.SigmaS > 0 {
		s += fmt.Sprintf(", each timed to ±%s µs by the noise", number(1e6*q.SigmaS, fine(1e6*q.SigmaS)))
	}
	return s
}

// fine is how many places show v with two figures.
func fine(v float64) int {
	if v >= 10 || v <= 0 {
		return 0
	}
	return min(4, 1-int(math.Floor(math.Log10(v))))
}

// share writes a part of one in percent, two figures.
func share(v float64) string {
	p := 100 * v
	switch {
	case p == 0:
		return "0 %"
	case math.Abs(p) < 0.001:
		return "under 0.001 %"
	case math.Abs(p) >= 10:
		return number(p, 0) + " %"
	}
	return number(p, fine(math.Abs(p))) + " %"
}

// drawn are the pulses whose shape is shown: those that matter.
func drawn(c *analysis.ChannelCheck) []analysis.PulseCheck {
	var out []analysis.PulseCheck
	for _, q := range c.Pulses {
		if len(q.Wave) >= 2 && (len(out) == 0 || q.Use == "spark" || q.Use == "reference") && len(out) < 3 {
			out = append(out, q)
		}
	}
	return out
}

// shownPart is the stretch of a shape that is drawn, seconds from its timing
// point: where it does something, and some rest before it.
func shownPart(q analysis.PulseCheck) (from, to float64) {
	const least = 0.05 // of the greatest excursion
	at := func(i int) float64 { return float64(i)*q.StepS - q.OriginS }
	from, to = at(0), at(len(q.Wave)-1)
	if q.Kind != "burst" {
		return from, to
	}
	last := len(q.Wave) - 1
	for last > 1 && math.Abs(q.Wave[last]) < least {
		last--
	}
	end := max(at(last), 12*q.StepS)
	return max(from, -end/4), min(to, 1.1*end)
}

// value is the shape at a time after its timing point, straight between samples.
func value(q analysis.PulseCheck, s float64) float64 {
	x := (s + q.OriginS) / q.StepS
	i := int(math.Floor(x))
	if i < 0 {
		return q.Wave[0]
	}
	if i+1 >= len(q.Wave) {
		return q.Wave[len(q.Wave)-1]
	}
	f := x - float64(i)
	return q.Wave[i]*(1-f) + q.Wave[i+1]*f
}

// shape draws an averaged pulse with characters.
func (p printer) shape(q analysis.PulseCheck) {
	const left, wide, high = 10, 66, 9
	from, to := shownPart(q)
	if !(to > from) {
		return
	}
	step := (to - from) / (wide - 1)
	lo, hi := 0.0, 0.0
	for _, v := range q.Wave {
		lo, hi = min(lo, v), max(hi, v)
	}
	if hi == lo {
		return
	}
	row := func(v float64) int { return int(math.Round((hi - v) / (hi - lo) * (high - 1))) }
	grid := make([][]rune, high)
	for i := range grid {
		grid[i] = []rune(strings.Repeat(" ", wide))
	}
	for k := range wide {
		grid[row(0)][k] = '.'
	}
	mark := int(math.Round(-from / step))
	if mark >= 0 && mark < wide {
		for i := range grid {
			grid[i][mark] = '|'
		}
	}
	for k := range wide {
		a := from + (float64(k)-0.5)*step
		l, h := math.Inf(1), math.Inf(-1)
		const parts = 16
		for i := range parts + 1 {
			v := value(q, a+step*float64(i)/parts)
			l, h = min(l, v), max(h, v)
		}
		for i := row(h); i <= row(l); i++ {
			grid[i][k] = '#'
		}
	}
	for i, g := range grid {
		label := ""
		switch i {
		case 0:
			label = share(hi * q.Amp)
		case high - 1:
			label = share(lo * q.Amp)
		}
		if i == row(0) {
			label = "0"
		}
		p.line(pad(label, left-2) + "  " + string(g))
	}
	unit, scale := "ms", 1000.0
	if to < 0.5e-3 {
		unit, scale = "µs", 1e6
	}
	places := fine(math.Abs(scale * to))
	foot := []rune(strings.Repeat(" ", left+wide))
	put := func(at int, s string) {
		r := []rune(s)
		at = max(0, min(at, len(foot)-len(r)))
		copy(foot[at:], r)
	}
	put(left, number(scale*from, places))
	put(left+wide, number(scale*to, places)+" "+unit)
	if mark > 8 && mark < wide-12 {
		put(left+mark, "0")
	}
	p.line(string(foot))
	p.line(strings.Repeat(" ", left) + fmt.Sprintf("%s, the mean shape; | is its timing point", q.Use))
}

// smoothed is a spectrum in kHz and dB, the mean of so many bins each that some
// 250 are left: single lines of a steady engine would only blacken the picture.
func smoothed(freqHz, psd []float64) (c plot.Curve) {
	by := max(1, len(psd)/250)
	for from := 1; from+by <= len(psd); from += by {
		power := 0.0
		for _, v := range psd[from : from+by] {
			power += v / float64(by)
		}
		if power > 0 {
			c.X = append(c.X, (freqHz[from]+freqHz[from+by-1])/2000)
			c.Y = append(c.Y, 10*math.Log10(power))
		}
	}
	return c
}

// CheckPlot draws shapes and spectra of all channels.
func CheckPlot(w io.Writer, r *analysis.CheckResult, f plot.Format) error {
	in := plot.CheckInput{Title: CheckHeadline(r), Subtitle: checkedWords(r)}
	for i := range r.Channels {
		c := &r.Channels[i]
		ch := plot.CheckChannel{Name: fmt.Sprintf("channel %d: %s", c.Channel, RoleWords(r, c))}
		for _, q := range drawn(c) {
			from, to := shownPart(q)
			s := plot.Curve{Name: q.Use}
			for k, v := range q.Wave {
				t := float64(k)*q.StepS - q.OriginS
				if t >= from-q.StepS && t <= to+q.StepS {
					s.X, s.Y = append(s.X, 1000*t), append(s.Y, 100*v*q.Amp)
				}
			}
			ch.Shapes = append(ch.Shapes, s)
		}
		h := &c.Health
		ch.Spectrum = smoothed(h.FreqHz, h.PSD)
		if h.Cliff.Found {
			ch.EdgeKHz = h.Cliff.Hz / 1000
		}
		in.Channels = append(in.Channels, ch)
	}
	return plot.Draw(w, in, f)
}
