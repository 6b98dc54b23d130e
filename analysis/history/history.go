// Package history says how the timing of one engine moved from date to date.
//
// A straight line is laid through the means only where that is honest: within
// one stretch, in which nobody adjusted the engine (a result marked "after"
// begins a new one) and the reference was not set up otherwise, with enough
// results on enough days. What is wrong with the reference by the same amount in
// every one of them does not tilt the line; so its ± comes from the scatter of
// the means about it, and not from the ± of each, which is mostly shared.
package history

import (
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"sparkscope/analysis/circle"
)

// Entry is one result of an engine. A pointer that is nil: not known.
type Entry struct {
	Number    int64
	Engine    string
	Recording string  // name of its file
	Recorded  string  // date, and time of day where it is known
	From      string  // where the date comes from: "given", "file" or "added"
	Day       float64 // Recorded as days since any day that is the same for all entries
	Relative  bool    // angles are relative to the reference

	MinRPM, MaxRPM               *float64
	OK                           int // sparks that count
	Advance, StdDev, Expanded    *float64
	Target, Tolerance, Deviation *float64
	Decision                     string // of the verdict; empty: none
	Marks                        []string
	Reference                    string // how the reference was set up: the same text, the same set-up
}

// Adjusted is the mark of a result with which something new begins.
const Adjusted = "after"

// Limits of a line: fewer results, or fewer days, and their scatter says too
// little (common practice, no source).
const (
	LeastResults = 5
	LeastDays    = 4
)

// Line is a straight line through the means of a stretch.
type Line struct {
	N              int     // results
	Days           float64 // from the first to the last
	PerMonth       float64 // slope, degrees per 30 days; positive: it fires earlier and earlier
	PerMonthHalf   float64 // ± of it at 95 %, by Student's distribution with N-2 degrees of freedom
	FromDay, ToDay float64 // of the stretch
	FromDeg, ToDeg float64 // the line there
	Residual       float64 // standard deviation about the line, degrees
	Shown          bool    // the slope is larger than its ±
}

// Stretch is a row of entries that can be held against each other.
type Stretch struct {
	From, To int    // entries From to To-1
	Begins   string // what begins it: "", "adjusted" or "reference"
	Line     *Line  // nil: none was laid, for the reason in NoLine
	NoLine   string // a clause without a full stop
}

// Course is how the timing of one engine moved.
type Course struct {
	Entries   []Entry // in order of time
	Stretches []Stretch
	// OtherSpeeds: the recordings do not cover the same range of speed, so that the
	// means may differ though the engine did not change.
	OtherSpeeds bool
}

// month is the length (days) that slopes are given for.
const month = 30

// Of sorts the entries of an engine by time and looks at how they go on. Those
// without a mean are left out, and those relative to a reference as well, unless
// all are; left says how many.
func Of(entries []Entry) (c Course, left int) {
	absolute := slices.ContainsFunc(entries, func(e Entry) bool { return !e.Relative && e.Advance != nil })
	for _, e := range entries {
		if e.Advance == nil || absolute && e.Relative {
			left++
			continue
		}
		c.Entries = append(c.Entries, e)
	}
	slices.SortStableFunc(c.Entries, func(a, b Entry) int {
		switch {
		case a.Day < b.Day:
			return -1
		case a.Day > b.Day:
			return 1
		}
		return int(a.Number - b.Number)
	})
	for i, e := range c.Entries {
		begins := ""
		switch {
		case i == 0:
		case slices.ContainsFunc(e.Marks, func(m string) bool { return strings.EqualFold(m, Adjusted) }):
			begins = "adjusted"
		case e.Reference != c.Entries[i-1].Reference:
			begins = "reference"
		}
		if i == 0 || begins != "" {
			c.Stretches = append(c.Stretches, Stretch{From: i, Begins: begins})
		}
		c.Stretches[len(c.Stretches)-1].To = i + 1
		c.OtherSpeeds = c.OtherSpeeds || otherSpeeds(c.Entries[0], e)
	}
	for i := range c.Stretches {
		s := &c.Stretches[i]
		s.Line, s.NoLine = line(c.Entries[s.From:s.To])
	}
	return c, left
}

// mostSpeedApart is by how much, as a share of the range, the ends of two
// ranges of speed may differ and still be called the same.
const mostSpeedApart = 0.25

func otherSpeeds(a, b Entry) bool {
	if a.MinRPM == nil || a.MaxRPM == nil || b.MinRPM == nil || b.MaxRPM == nil {
		return false
	}
	wide := max(*a.MaxRPM-*a.MinRPM, 0.1**a.MaxRPM)
	return math.Abs(*a.MinRPM-*b.MinRPM) > mostSpeedApart*wide || math.Abs(*a.MaxRPM-*b.MaxRPM) > mostSpeedApart*wide
}

// line lays a line through the means of a stretch by least squares, all alike.
func line(entries []Entry) (*Line, string) {
	days := map[float64]bool{}
	var x, y []float64
	for _, e := range entries {
		days[math.Floor(e.Day)] = true
		x = append(x, e.Day)
		// About the first, so that nothing is torn apart at half a turn.
		y = append(y, circle.Wrap(*e.Advance-*entries[0].Advance))
	}
	n := len(x)
	switch {
	case n < LeastResults:
		return nil, "it takes " + words(LeastResults) + " results or more"
	case len(days) < LeastDays:
		return nil, "they are of fewer than " + words(LeastDays) + " days"
	}
	var mx, my float64
	for i := range x {
		mx += x[i] / float64(n)
		my += y[i] / float64(n)
	}
	var sxx, sxy float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	slope := sxy / sxx
	ss := 0.0
	for i := range x {
		r := y[i] - my - slope*(x[i]-mx)
		ss += r * r
	}
	dof := float64(n - 2)
	sd := math.Sqrt(ss / dof)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(0.975)
	at := func(day float64) float64 { return *entries[0].Advance + my + slope*(day-mx) }
	l := &Line{N: n, Days: x[n-1] - x[0], PerMonth: month * slope, PerMonthHalf: month * t * sd / math.Sqrt(sxx),
		FromDay: x[0], ToDay: x[n-1], FromDeg: at(x[0]), ToDeg: at(x[n-1]), Residual: sd}
	l.Shown = math.Abs(l.PerMonth) > l.PerMonthHalf
	return l, ""
}

// words are small whole numbers.
func words(n int) string {
	return [...]string{"no", "one", "two", "three", "four", "five", "six"}[n]
}
