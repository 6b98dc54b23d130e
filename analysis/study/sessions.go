package study

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/analysis/session"
	"sparkscope/dsp"
)

// DrawnSession is one recording of the session study.
type DrawnSession struct {
	Spec    scene.Spec
	Setup   analysis.Setup
	SecondS float64 // how long it lasts
}

// DrawSession makes session number n of a seed.
func DrawSession(n int, seed uint64) (DrawnSession, error) {
	r := rand.New(rand.NewPCG(seed, uint64(n)))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	d := DrawnSession{Spec: scene.Default()}
	s, e := &d.Spec, &d.Spec.Engine
	s.Seed, e.Seed = r.Uint64()>>16, r.Uint64()>>16
	s.Pickup, s.BounceS = scene.Hall, 0
	s.NoiseDB = between(35, 60)
	e.ScatterDeg = between(0.2, 1)
	e.MissProbability = pick(r, 0, 0, 0.03)
	e.DriftDeg = pick(r, 0, 0, between(0.3, 2), -between(0.3, 2))
	e.StickingDeg = pick(r, 0, between(-0.8, 0.8))
	low := between(12, 16)
	e.Advance = engine.Curve{{RPM: 1200, AdvanceDeg: low}, {RPM: between(2500, 3800), AdvanceDeg: low + pick(r, 0, between(2, 8))}}
	idle, top := between(1250, 1600), between(3800, 5500)
	var p strings.Builder
	fmt.Fprintf(&p, "%.0f hold %.2fs", idle, between(2, 5))
	for range 2 + r.IntN(3) {
		reach := top * pick(r, 1, 1, between(0.7, 1))
		fmt.Fprintf(&p, ", ramp %.0f in %.2fs, hold %.2fs, ramp %.0f in %.2fs, hold %.2fs", reach, between(2.5, 5), between(1.5, 3), idle*between(0.98, 1.02), between(2.5, 5), between(1.5, 4))
	}
	var err error
	if e.Profile, err = engine.ParseProfile(p.String()); err != nil {
		return d, err
	}
	d.SecondS = e.Profile.DurationS()
	angle := analysis.Degrees(e.ReferenceDeg)
	d.Setup.ReferenceAngle = &angle
	return d, nil
}

// SessionCovered is what a session said of its engine's drift.
type SessionCovered struct {
	DriftDeg    float64 // of the engine over the recording
	Seen        bool    // a drift was found, with a ±
	Error, Half float64 // of it, degrees
	Sure        bool
	Parts       int
	// Of every pull less the first of its direction.
	PullErrors, PullHalves []float64
}

// CoverSession measures and splits it. tables are shared with other sessions, or nil.
func CoverSession(d DrawnSession, tables *dsp.Tables) (SessionCovered, error) {
	c := SessionCovered{DriftDeg: d.Spec.Engine.DriftDeg}
	_, r, err := listen(d.Spec, d.Setup, tables)
	if err != nil {
		return c, err
	}
	s, err := session.New(r, session.Options{})
	if errors.Is(err, session.ErrTooShort) {
		return c, nil
	} else if err != nil {
		return c, err
	}
	perSecond := c.DriftDeg / d.SecondS
	if x := s.Drift; x != nil {
		c.Seen, c.Sure, c.Parts = true, x.Sure, x.Parts
		c.Error, c.Half = float64(x.Change)-perSecond*x.OverS, float64(x.Expanded)
	}
	for _, f := range []*session.Family{s.Up, s.Down} {
		if f == nil {
			continue
		}
		first := &s.Parts[f.Pulls[0]]
		for i, a := range f.Against {
			if a == nil {
				continue
			}
			p := &s.Parts[f.Pulls[i+1]]
			// Where pulls are of unlike length, what they share is not at their middles.
			if math.Abs(p.MaxRPM-first.MaxRPM) > 0.03*first.MaxRPM {
				continue
			}
			c.PullErrors = append(c.PullErrors, float64(a.Mean.Difference)-perSecond*((p.FromS+p.ToS)-(first.FromS+first.ToS))/2)
			c.PullHalves = append(c.PullHalves, float64(a.Mean.Expanded))
		}
	}
	return c, nil
}

// SessionLegend explains the table of Sessions.
const SessionLegend = `
Each session is an invented engine that idles, is pulled up and down two to four
times, not always to the same speed, and is held in between: 15 to 60 s. Scatter
0.2 to 1°, missed sparks, advance that rises or not, a mechanism that sticks by up
to 0.8° or not, and in half of them a drift of 0.3 to 2° either way. The truth is
what the engine drifts by between the middles of the parts that are compared.

  n        intervals
  held     share that holds the truth; aim: 95 %
  wilson   what that share may be, 95 %
  error    mean error, taken along the drift's own way: + too large, - too small; degrees
  ±        what that mean may be off by chance, 95 %
  stated   median half-width stated, degrees
  shown    share said to drift, beyond the ±
`

// pullRow is the row of what is said of pulls, for which nothing is counted as shown.
const pullRow = "a pull less the first"

// Sessions is the table of what sessions said.
func Sessions(all []SessionCovered) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-34s %6s %8s %16s %8s %7s %7s %7s\n", "", "n", "held", "wilson", "error", "±", "stated", "shown")
	row := func(name string, in func(c *SessionCovered) (errs, halves []float64)) {
		n, held, shown := 0, 0, 0
		sum, square := 0.0, 0.0
		var wide []float64
		for i := range all {
			errs, halves := in(&all[i])
			sign := 1.0
			if all[i].DriftDeg < 0 {
				sign = -1
			}
			for k, e := range errs {
				n++
				if math.Abs(e) <= halves[k] {
					held++
				}
				sum += sign * e
				square += e * e
				wide = append(wide, halves[k])
			}
			if all[i].Sure {
				shown += len(errs)
			}
		}
		if n == 0 {
			fmt.Fprintf(&b, "%-34s %6d\n", name, 0)
			return
		}
		lo, hi := wilson(held, n)
		mean := sum / float64(n)
		chance := 1.96 * math.Sqrt(math.Max(0, square/float64(n)-mean*mean)/float64(n))
		fmt.Fprintf(&b, "%-34s %6d %7.1f%% %6.1f to %5.1f%% %+8.3f %7.3f %7.2f", name, n, 100*float64(held)/float64(n), 100*lo, 100*hi, mean, chance, middleOf(wide))
		if name != pullRow {
			fmt.Fprintf(&b, " %6.1f%%", 100*float64(shown)/float64(n))
		}
		b.WriteString("\n")
	}
	drift := func(keep func(c *SessionCovered) bool) func(c *SessionCovered) (errs, halves []float64) {
		return func(c *SessionCovered) (errs, halves []float64) {
			if !c.Seen || !keep(c) {
				return nil, nil
			}
			return []float64{c.Error}, []float64{c.Half}
		}
	}
	row("drift, all", drift(func(*SessionCovered) bool { return true }))
	row("drift, engines that do not drift", drift(func(c *SessionCovered) bool { return c.DriftDeg == 0 }))
	row("drift, engines that do", drift(func(c *SessionCovered) bool { return c.DriftDeg != 0 }))
	row("drift, from 7 parts and fewer", drift(func(c *SessionCovered) bool { return c.Parts <= 7 }))
	row("drift, from 8 parts and more", drift(func(c *SessionCovered) bool { return c.Parts > 7 }))
	row(pullRow, func(c *SessionCovered) (errs, halves []float64) { return c.PullErrors, c.PullHalves })
	seen := 0
	for i := range all {
		if all[i].Seen {
			seen++
		}
	}
	fmt.Fprintf(&b, "\n%d of %d sessions had parts enough for a drift with its ±.\n", seen, len(all))
	return b.String()
}

// middleOf is the upper median of x, which is not empty.
func middleOf(x []float64) float64 {
	x = slices.Clone(x)
	slices.Sort(x)
	return x[len(x)/2]
}
