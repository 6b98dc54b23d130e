package session

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
	"sparkscope/analysis/compare"
)

// Measured is a part with what it says.
type Measured struct {
	Part
	Counted int               // its sparks that count
	Side    *compare.Side     // nil: too few sparks for a figure
	Scatter *analysis.Degrees // standard deviation about its own curve; nil: fewer than three sparks in every range of speed
}

// Name is what to call the part: "pull up 2".
func (m *Measured) Name() string { return fmt.Sprintf("%s %d", m.Kind, m.Number) }

// CurvePoint is what several pulls say at one speed.
type CurvePoint struct {
	RPM             float64 // at which they are compared
	FromRPM, ToRPM  float64 // its range
	Pulls           int     // that reach it
	Mean            analysis.Degrees
	Lowest, Highest analysis.Degrees // of the pulls' means
	// StdDev is the standard deviation from pull to pull (n-1); 0 for one pull.
	StdDev analysis.Degrees
	// Sampling is the standard deviation from pull to pull that the scatter from
	// spark to spark alone would give.
	Sampling analysis.Degrees
	Expanded analysis.Degrees // ± of Mean at 95 %: all that is wrong alike, and StdDev
}

// Family is all pulls of one direction, laid over each other.
type Family struct {
	Kind  Kind
	Pulls []int        // indexes into Session.Parts of those with a figure, two at least
	Curve []CurvePoint // in order of speed
	// StdDev and Sampling are those of the points, root mean square over the
	// points that two pulls reach and more.
	StdDev, Sampling analysis.Degrees
	// Against is each pull but the first less the first; nil where the two share
	// no speed.
	Against []*compare.Comparison
}

// Session is a recording, split.
type Session struct {
	Result   *analysis.Result
	Options  Options
	Parts    []Measured
	Up, Down *Family // nil: fewer than two pulls with a figure
	// UpDown is all pulls down less all pulls up; nil: there are not both, or they
	// share no speed.
	UpDown *compare.Comparison
	Drift  *Drift // nil: too few parts
}

// ErrTooShort says that a recording holds no session.
var ErrTooShort = errors.New("session: fewer than five sparks have a speed: there is nothing to split")

// New splits a measured recording by Rule and sets its parts against each other.
// The error is ErrTooShort.
func New(r *analysis.Result, o Options) (*Session, error) {
	parts := Split(r.Firings, o)
	if len(parts) == 0 {
		return nil, ErrTooShort
	}
	s := &Session{Result: r, Options: o}
	var up, down []analysis.Firing
	for _, p := range parts {
		m := Measured{Part: p}
		f := r.Firings[p.First:p.Next]
		for i := range f {
			if f[i].Status == analysis.OK {
				m.Counted++
			}
		}
		if side, err := compare.Some(r, m.Name(), f); err == nil {
			m.Side = &side
			m.Scatter = scatter(f, &side)
		}
		switch p.Kind {
		case Up:
			up = append(up, f...)
		case Down:
			down = append(down, f...)
		}
		s.Parts = append(s.Parts, m)
	}
	all := func(name string, f []analysis.Firing) *compare.Side {
		side, err := compare.Some(r, name, f)
		if err != nil {
			return nil
		}
		return &side
	}
	ups, downs := all("a pull up", up), all("a pull down", down)
	s.Up, s.Down = s.family(Up, ups), s.family(Down, downs)
	if ups != nil && downs != nil {
		if c, err := compare.Compare(*ups, *downs, compare.Options{OneRecording: true}); err == nil {
			s.UpDown = c
		}
	}
	s.drift(ups, downs)
	if s.UpDown != nil && s.Drift != nil {
		s.Drift.UpDown = s.Drift.Change / analysis.Degrees(s.Drift.OverS) * analysis.Degrees(middle(down)-middle(up))
	}
	return s, nil
}

// middle is the mean time of those that count, seconds; 0 for none.
func middle(f []analysis.Firing) float64 {
	sum, n := 0.0, 0.0
	for i := range f {
		if f[i].Status == analysis.OK {
			sum += f[i].TimeS
			n++
		}
	}
	return sum / math.Max(1, n)
}

// scatter is the standard deviation of those sparks of f that count about side's
// own curve; nil where no range of speed holds enough.
func scatter(f []analysis.Firing, side *compare.Side) *analysis.Degrees {
	ss, n, free := 0.0, 0, 0
	for i := range f {
		if f[i].Status != analysis.OK {
			continue
		}
		if mean, ok := curve(side.Points, f[i].RPM); ok {
			d := circle.Wrap(float64(f[i].Advance) - mean)
			ss += d * d
			n++
		}
	}
	free = n - len(side.Points)
	if free < 1 {
		return nil
	}
	sd := analysis.Degrees(math.Sqrt(ss / float64(free)))
	return &sd
}

// curve is the mean at a speed, degrees: on straight lines between the points, and
// level beyond the outer ones as far as their ranges go.
func curve(p []compare.Point, rpm float64) (mean float64, ok bool) {
	i := slices.IndexFunc(p, func(q compare.Point) bool { return q.RPM >= rpm })
	switch {
	case len(p) == 0 || rpm < p[0].FromRPM || rpm >= p[len(p)-1].ToRPM:
		return 0, false
	case i == 0:
		return float64(p[0].Mean), true
	case i < 0:
		return float64(p[len(p)-1].Mean), true
	}
	a, b := p[i-1], p[i]
	return float64(a.Mean) + circle.Wrap(float64(b.Mean-a.Mean))*(rpm-a.RPM)/(b.RPM-a.RPM), true
}

// family lays the pulls of one direction over each other; all is the side of all
// their sparks.
func (s *Session) family(kind Kind, all *compare.Side) *Family {
	if all == nil {
		return nil
	}
	f := &Family{Kind: kind}
	for i := range s.Parts {
		if p := &s.Parts[i]; p.Kind == kind && p.Side != nil {
			f.Pulls = append(f.Pulls, i)
		}
	}
	if len(f.Pulls) < 2 {
		return nil
	}
	var variance, sampling, points float64
	for _, q := range all.Points {
		var at []compare.Point
		for _, i := range f.Pulls {
			if p, ok := s.Parts[i].Side.At(q.RPM, q.FromRPM, q.ToRPM); ok {
				at = append(at, p)
			}
		}
		if len(at) == 0 {
			continue
		}
		c := point(q, at)
		if c.Pulls > 1 {
			variance += float64(c.StdDev * c.StdDev)
			sampling += float64(c.Sampling * c.Sampling)
			points++
		}
		f.Curve = append(f.Curve, c)
	}
	if points > 0 {
		f.StdDev, f.Sampling = analysis.Degrees(math.Sqrt(variance/points)), analysis.Degrees(math.Sqrt(sampling/points))
	}
	first := s.Parts[f.Pulls[0]].Side
	for _, i := range f.Pulls[1:] {
		c, err := compare.Compare(*first, *s.Parts[i].Side, compare.Options{OneRecording: true})
		if err != nil {
			c = nil
		}
		f.Against = append(f.Against, c)
	}
	return f
}

// quantity names what pulls differ by in a budget.
const quantity = "from pull to pull"

// point joins the pulls' advances at one speed; all is what all their sparks say
// there.
func point(all compare.Point, at []compare.Point) CurvePoint {
	c := CurvePoint{RPM: all.RPM, FromRPM: all.FromRPM, ToRPM: all.ToRPM, Pulls: len(at)}
	base, n := float64(at[0].Mean), float64(len(at))
	mean, lo, hi, sampling := 0.0, math.Inf(1), math.Inf(-1), 0.0
	for _, p := range at {
		d := circle.Wrap(float64(p.Mean) - base)
		mean += d / n
		lo, hi = min(lo, d), max(hi, d)
		sampling += float64(p.Sampling*p.Sampling) / n
	}
	ss := 0.0
	for _, p := range at {
		d := circle.Wrap(float64(p.Mean)-base) - mean
		ss += d * d
	}
	wrap := func(d float64) analysis.Degrees { return analysis.Degrees(circle.Wrap(base + d)) }
	c.Mean, c.Lowest, c.Highest, c.Sampling = wrap(mean), wrap(lo), wrap(hi), analysis.Degrees(math.Sqrt(sampling))
	parts := slices.Clone(all.Parts)
	extra := analysis.Component{Source: "what pulls differ by", Kind: "A", Quantity: quantity, Unit: "°", Distribution: analysis.Normal, Sensitivity: 1,
		Shrink: "record more pulls", Estimate: fmt.Sprintf("of %d pulls", len(at))}
	if len(at) > 1 {
		c.StdDev = analysis.Degrees(math.Sqrt(ss / (n - 1)))
		extra.Std, extra.Dof = c.StdDev/analysis.Degrees(math.Sqrt(n)), n-1
	} else {
		extra.Std, extra.Dof = c.Sampling, math.Max(1, float64(at[0].N-1))
	}
	extra.InputStd = float64(extra.Std)
	c.Expanded = analysis.NewBudget(append(parts, extra)).Expanded
	return c
}
