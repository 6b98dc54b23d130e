package compare

import (
	"errors"
	"slices"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
)

// ErrNoTopDeadCentre says that sides that count from their reference cannot be
// held against a target, which counts from top dead centre.
var ErrNoTopDeadCentre = errors.New("a target counts from top dead centre, and they have no reference angle")

// Off is how far one side lies from the target.
type Off struct {
	Target    analysis.Degrees // at the side's own speed; of a mean over rows with a table only Deviation is meant
	Deviation analysis.Degrees // side less target: positive where it fires earlier
	// Expanded is the ± of Deviation at a coverage of 95 %. Nothing cancels
	// here: all of the side's own uncertainty counts, and the engine's scatter.
	Expanded analysis.Degrees
	// Decision is the verdict against the tolerance: analysis.Within, Outside
	// or Undecided; empty without a tolerance.
	Decision string
}

// off holds one point of side s against the target; nil without one.
func (c *Comparison) off(s *Side, p Point) *Off {
	if c.Goal == nil {
		return nil
	}
	target, ok := c.Goal.TargetAt(p.RPM)
	if !ok {
		return nil
	}
	return c.judged(s, p, target, analysis.Degrees(circle.Wrap(float64(p.Mean-target))))
}

// meanOff is the mean over all rows alike, the mean of each of which get
// returns; p has the budget of that mean.
func (c *Comparison) meanOff(s *Side, p Point, get func(*Row) *Off) *Off {
	base, sum, n := get(&c.Rows[0]), 0.0, float64(len(c.Rows))
	if base == nil {
		return nil
	}
	for i := range c.Rows {
		sum += circle.Wrap(float64(get(&c.Rows[i]).Deviation-base.Deviation)) / n
	}
	target, _ := c.Goal.TargetAt(p.RPM)
	return c.judged(s, p, target, analysis.Degrees(circle.Wrap(float64(base.Deviation)+sum)))
}

// judged is a deviation with its ± and verdict.
func (c *Comparison) judged(s *Side, p Point, target, deviation analysis.Degrees) *Off {
	parts := slices.Clone(p.Parts)
	if p.Sampling > 0 {
		parts = append(parts, scatter(s.Name, p))
	}
	b := analysis.NewBudget(parts)
	o := &Off{Target: target, Deviation: deviation, Expanded: b.Expanded}
	if t := c.Goal.Tolerance; t != nil {
		o.Decision, _, _ = b.DecideLate(deviation, *t, analysis.LateBy(s.OpenS, p.RPM))
		if s.Doubt != "" {
			o.Decision = analysis.Undecided
		}
	}
	return o
}
