package analysis

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"sparkscope/analysis/circle"
)

// TargetRow is one row of a target by speed.
type TargetRow struct {
	RPM   float64 // of the crankshaft, above 0
	Angle Degrees // before top dead centre, (-180, 180]
}

// HasTarget says whether there is a target: one angle, or a table.
func (s Setup) HasTarget() bool { return s.Target != nil || len(s.TargetTable) > 0 }

// TargetAt is what the engine should fire at, at a speed in rpm: the one angle,
// or straight lines between the rows of the table, whose first and last angle
// hold beyond its ends. ok is false without a target.
func (s Setup) TargetAt(rpm float64) (a Degrees, ok bool) {
	if s.Target != nil {
		return *s.Target, true
	}
	t := s.TargetTable
	if len(t) == 0 {
		return 0, false
	}
	switch i := sort.Search(len(t), func(i int) bool { return t[i].RPM >= rpm }); i {
	case 0:
		return t[0].Angle, true
	case len(t):
		return t[i-1].Angle, true
	default:
		p, q := t[i-1], t[i]
		return Degrees(circle.Wrap(float64(p.Angle) + float64(q.Angle-p.Angle)*(rpm-p.RPM)/(q.RPM-p.RPM))), true
	}
}

// aimed is the target for choices that are open by a good part of a turn: the
// one angle, or half-way between the table's least and greatest.
func (s Setup) aimed() (a float64, ok bool) {
	switch {
	case s.Target != nil:
		return float64(*s.Target), true
	case len(s.TargetTable) > 0:
		lo, hi := s.targetSpan()
		return circle.Wrap((lo + hi) / 2), true
	}
	return 0, false
}

// targetSpan is the least and the greatest angle of the target, as numbers
// between which no turn lies; there must be one.
func (s Setup) targetSpan() (lo, hi float64) {
	if s.Target != nil {
		return float64(*s.Target), float64(*s.Target)
	}
	byAngle := func(a, b TargetRow) int { return int(math.Copysign(1, float64(a.Angle-b.Angle))) }
	return float64(slices.MinFunc(s.TargetTable, byAngle).Angle), float64(slices.MaxFunc(s.TargetTable, byAngle).Angle)
}

// validateTarget holds the table to rising speeds.
func (s Setup) validateTarget() error {
	for i, r := range s.TargetTable {
		if !(r.RPM > 0) || math.IsInf(r.RPM, 0) || !(r.Angle > -180 && r.Angle <= 180) {
			return fmt.Errorf("analysis: row %d of the target table, %g rpm and %g degrees: want a speed above 0 and degrees above -180, up to 180", i+1, r.RPM, float64(r.Angle))
		}
		if i > 0 && r.RPM <= s.TargetTable[i-1].RPM {
			return fmt.Errorf("analysis: row %d of the target table, %g rpm after %g: want rising speeds", i+1, r.RPM, s.TargetTable[i-1].RPM)
		}
	}
	if s.Target != nil && s.TargetTable != nil {
		return fmt.Errorf("analysis: a target of %g degrees and a table of targets: want one of them", float64(*s.Target))
	}
	if !s.HasTarget() {
		if s.Tolerance != nil {
			return fmt.Errorf("analysis: a tolerance of ±%g degrees needs a target to hold against", float64(*s.Tolerance))
		}
		return nil
	}
	if s.ReferenceAngle == nil {
		what := "a table of targets"
		if s.Target != nil {
			what = fmt.Sprintf("a target of %g degrees", float64(*s.Target))
		}
		return fmt.Errorf("analysis: %s needs the reference angle: without it the angles are not counted from top dead centre", what)
	}
	return nil
}

// meanTarget is the mean of the target at sparks' speeds, nil without one.
func (m *measurement) meanTarget(rpm []float64, idx []int32) *Degrees {
	if !m.given.HasTarget() {
		return nil
	}
	if t := m.given.Target; t != nil {
		d := *t // as given, to the last digit
		return &d
	}
	sum := 0.0
	at := func(v float64) {
		a, _ := m.given.TargetAt(v)
		sum += float64(a)
	}
	n := len(rpm)
	if idx != nil {
		n = len(idx)
		for _, i := range idx {
			at(rpm[i])
		}
	} else {
		for _, v := range rpm {
			at(v)
		}
	}
	d := Degrees(sum / float64(n))
	return &d
}

// offByRange says the ranges of speed in which the engine is outside its table
// while their mean is not.
func (m *measurement) offByRange() {
	v := m.res.Verdict
	if v == nil || !v.ByTable || v.Decision == Outside || v.Doubt != "" {
		return
	}
	var where []string
	sparks := 0
	bins := m.res.Bins
	for i := 0; i < len(bins); i++ {
		if v.Bins[i].Decision != Outside {
			continue
		}
		k, lo, hi := i, v.Bins[i].Deviation, v.Bins[i].Deviation // ranges side by side are said as one
		for ; k < len(bins) && v.Bins[k].Decision == Outside && (k == i || bins[k].FromRPM <= bins[k-1].ToRPM); k++ {
			sparks += bins[k].N
			lo, hi = min(lo, v.Bins[k].Deviation), max(hi, v.Bins[k].Deviation)
		}
		by := fmt.Sprintf("%+.1f°", float64(lo))
		if to := fmt.Sprintf("%+.1f°", float64(hi)); to != by {
			by += " to " + to
		}
		where = append(where, fmt.Sprintf("%.0f to %.0f rpm (%s)", bins[i].FromRPM, bins[k-1].ToRPM, by))
		i = k - 1
	}
	if len(where) == 0 {
		return
	}
	m.beside("outside-by-speed", Warning, "Not at every speed: %d of the %d sparks are of ranges in which the engine is outside its target table, whatever the mean over all says: %s.", sparks, m.res.Advance.N, strings.Join(where, ", "))
}
