package report

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"sparkscope/analysis"
)

// Events writes the event table: CSV with a header row, one row for every
// spark event found, in time order, and remarks that begin with # for the
// set-up and for each event that should have been there and was not.
func Events(w io.Writer, r *analysis.Result) error {
	b := bufio.NewWriter(w)
	fmt.Fprintln(b, "time_s,revolution,rpm,advance_deg,status,sigma_deg,cylinder")
	for _, s := range eventRemarks(r) {
		fmt.Fprintln(b, "# "+oneLine(s))
	}
	missing := r.Missing
	flush := func(before float64) {
		for len(missing) > 0 && missing[0].TimeS < before {
			m := missing[0]
			missing = missing[1:]
			what := "missed " + m.What
			if m.What == analysis.UntimedSpark {
				what = m.What
			}
			s := fmt.Sprintf("# %s at %s s, revolution %d", what, field(m.TimeS, 9), m.Revolution)
			if m.Reason != "" {
				s += ": " + m.Reason
			}
			fmt.Fprintln(b, oneLine(s))
		}
	}
	for _, f := range r.Firings {
		flush(f.TimeS)
		rpm, adv, sigma := "", "", ""
		if f.RPM > 0 {
			rpm = field(f.RPM, 3)
		}
		if f.HasAngle {
			adv = field(float64(f.Advance), 5)
			sigma = field(float64(f.Sigma), 5)
		}
		fmt.Fprintf(b, "%s,%d,%s,%s,%s,%s,%d\n", field(f.TimeS, 9), f.Revolution, rpm, adv, status(f.Status), sigma, f.Cylinder)
	}
	flush(math.Inf(1))
	return b.Flush()
}

// status keeps a word from breaking the table.
func status(s analysis.Status) string {
	return strings.Map(func(c rune) rune {
		if c == ',' || c == '"' || c < ' ' {
			return '-'
		}
		return c
	}, string(s))
}

// field writes a number of the table; empty when it is not finite.
func field(v float64, places int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', places, 64)
}

// eventRemarks says what the table was measured from and how.
func eventRemarks(r *analysis.Result) []string {
	out := []string{"recording: " + r.Recording.Path}
	if r.Relative {
		out = append(out, relativeNote)
	} else {
		out = append(out, "advance_deg: crank degrees before top dead centre, negative after, measured against "+reference(r))
	}
	if r.Setup.SparkChannel > 0 {
		out = append(out, fmt.Sprintf("spark channel %d, made by: %s", r.Setup.SparkChannel, r.Setup.SparkKind))
	}
	out = append(out,
		fmt.Sprintf("delays removed before angles were computed, not from time_s: spark %s s, reference %s s", field(r.Setup.SparkDelayS, 9), field(r.Setup.ReferenceDelayS, 9)),
		"status ok counts in the statistics; any other word says why not; sigma_deg is the timing's random standard uncertainty")
	return out
}
