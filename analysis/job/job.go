// Package job says where the timing of an engine stands: which steps are done,
// with their figures, and what is next.
//
// It keeps nothing: it is a view of the engine file and of the results that it
// names. Angles are crank degrees before top dead centre.
package job

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/bench"
	"sparkscope/analysis/compare"
	"sparkscope/analysis/enginefile"
)

// State is how far a step is.
type State string

// The states of a step.
const (
	Done      State = "done"
	Next      State = "next"       // the first that is open
	Open      State = "open"       // to be done after others
	LeftOut   State = "left out"   // by the engine file
	NotNeeded State = "not needed" // the engine is within tolerance as it is
)

// The steps' names, stable, in their order.
const (
	TDC       = "tdc"
	Marks     = "marks"
	Reference = "reference"
	Gap       = "gap"
	Static    = "static"
	Running   = "running"
	Lock      = "lock"
	Again     = "again"
	Judged    = "judged"
)

// Keys are all steps in the order in which they are done.
var Keys = []string{TDC, Marks, Reference, Gap, Static, Running, Lock, Again, Judged}

// Calculated is a calculator's result; nil where there is none.
type Calculated struct {
	Name   string // of the file
	Result *bench.Result
}

// Measured is a measurement's result; nil where there is none.
type Measured struct {
	Name   string // of the file
	Result *analysis.Result
}

// Input is what a job is seen from.
type Input struct {
	Engine string // the engine file, as it goes on a command line
	File   enginefile.File
	// Results that the file or the user names, and why one that is named could
	// not be read, by the step's key.
	TDC, Gap               *Calculated
	Static, Running, Again *Measured
	Unread                 map[string]string
}

// Figure is one figure of a step.
type Figure struct {
	Key  string // stable, with its unit: "running_deg"
	Name string // in words
	// Value is in degrees or, of a gap, in mm; Expanded is its ± at 95 %
	// coverage, and Tolerance the half-width of a rectangular distribution.
	// Nil: there is none; without a Value, Words say it.
	Value, Expanded, Tolerance *float64
	Unit                       string // "°" or "mm"
	Words                      string
	From                       string // where it came from: a key of the engine file, or the name of a result
}

// Step is one step of the job.
type Step struct {
	Key, Name string
	State     State
	Figures   []Figure
	Compared  *compare.Comparison // of running: with static; of again: with running; nil: none
	Remarks   []string            // sentences: what does not go together, what to do about it
	Do        string              // what is done at the bench, sentences
	How       []string            // commands, with what is known filled in
	Hand      []string            // the same entered by hand: commands
	Cautions  []string            // sentences
	Needs     []string            // keys of the engine file that it needs and that say nothing
}

// Sheet is where a job stands.
type Sheet struct {
	Engine string // as in Input
	Name   string // of the engine; empty: not said
	Steps  []Step // all, in order
	// Decision is analysis.Within, Outside or Undecided; empty: not judged.
	Decision string
	// Next is the step to do, nil when the engine is judged within tolerance.
	Next *Step
}

// Cautions of the work, common practice.
const (
	safeByHand  = "Ignition off, spark plug out, its lead earthed, before the crank is turned: contacts that open make a spark."
	safeStop    = "A piston stop takes the crank by hand only, gently, never the starter. Take it out again, and count it among the tools."
	safeLoose   = "Wheel, pointer, tape, stop and tools off before the engine is started; hands, hair and cables clear of the flywheel."
	safeCoil    = "The coil's lead comes off the contacts: its low-voltage side kicks to hundreds of volts and stays away from a sound input."
	safeWhere   = "Run it outside: exhaust gas kills in closed rooms. No open fuel near a spark, ears protected."
	safeStopped = "Stop the engine before you touch clamp, leads, plug or magnet."
	safeAdvance = "Too much advance can destroy an engine: change it in small steps, measure again."
)

// LeftOutSteps reads a list of steps to be left out. The error says which
// there are; judging is never left out.
func LeftOutSteps(list string) ([]string, error) {
	var out []string
	for _, w := range strings.FieldsFunc(list, func(r rune) bool { return r == ',' || r == ' ' }) {
		if !slices.Contains(Keys, w) || w == Judged {
			return nil, fmt.Errorf("there is no step %q to be left out: want some of %s", w, strings.Join(Keys[:len(Keys)-1], ", "))
		}
		out = append(out, w)
	}
	return out, nil
}

// See makes the sheet. The error is one of LeftOutSteps.
func See(in Input) (*Sheet, error) {
	s := &Sheet{Engine: in.Engine}
	if n := in.File.Engine.Name; n != nil {
		s.Name = *n
	}
	var out []string
	if l := in.File.Job.LeftOut; l != nil {
		var err error
		if out, err = LeftOutSteps(*l); err != nil {
			return nil, fmt.Errorf("%s: %w", enginefile.JobLeftOut, err)
		}
	}
	v := view{in: in, command: "sparkscope job " + in.Engine}
	for _, f := range []func() Step{v.tdc, v.marks, v.reference, v.gap, v.static, v.running, v.lock, v.again} {
		st := f()
		if why := in.Unread[st.Key]; why != "" {
			st.State, st.Figures, st.Compared = Open, nil, nil
			st.Remarks = append(st.Remarks, why)
		}
		if slices.Contains(out, st.Key) {
			st.State = LeftOut
		}
		s.Steps = append(s.Steps, st)
	}
	last := s.step(Again)
	before := s.step(Running)
	by := last
	if last.State == LeftOut {
		by = before
	}
	if v.decision(before, in.Running, in.File.Job.RunningDeg, in.File.Job.RunningToleranceDeg) == analysis.Within && last.State != Done {
		by = before
		for _, k := range []string{Lock, Again} {
			if st := s.step(k); st.State == Open {
				st.State = NotNeeded
			}
		}
	}
	s.Steps = append(s.Steps, v.judged(s, by))
	for i := range s.Steps {
		if s.Next == nil && s.Steps[i].State == Open {
			s.Steps[i].State, s.Next = Next, &s.Steps[i]
		}
	}
	if s.Next == nil && s.Decision != analysis.Within {
		s.Next = s.step(Lock)
	}
	return s, nil
}

// step finds a step that is there.
func (s *Sheet) step(key string) *Step {
	return &s.Steps[slices.IndexFunc(s.Steps, func(x Step) bool { return x.Key == key })]
}

// view works the steps out.
type view struct {
	in      Input
	command string // that shows the job
}

// file is a figure of the engine file; ok is false where it says nothing.
func (v view) file(key, tolKey, name, unit string) (Figure, bool) {
	value, ok := v.in.File.Number(key)
	f := Figure{Key: strings.ReplaceAll(key, ".", "_"), Name: name, Value: &value, Unit: unit, From: key}
	if tol, has := v.in.File.Number(tolKey); has {
		f.Tolerance = &tol
	}
	return f, ok
}

// needs are those of keys for which the file says nothing.
func (v view) needs(keys ...string) (out []string) {
	for _, k := range keys {
		if _, ok := v.in.File.Number(k); !ok && !(k == enginefile.TargetAngle && len(v.in.File.Target.Table) > 0) {
			out = append(out, k)
		}
	}
	return out
}

// hand is the command that enters figures by hand.
func (v view) hand(sets ...string) string {
	return v.command + " --set " + strings.Join(sets, " --set ")
}

// keep is the command that keeps a result's name.
func (v view) keep(flag, name string) string {
	return fmt.Sprintf("%s --%s %s --keep", v.command, flag, name)
}

// target is the one angle to be marked and set, as it goes on a command line.
func (v view) target() string {
	if t := v.in.File.Target.AngleDeg; t != nil {
		return fmt.Sprintf("%g", *t)
	}
	return "…"
}

// by is the engine file on a command line and, where its target is a table by
// speed, the flag that says which angle of it is meant.
func (v view) by(flag string) string {
	if len(v.in.File.Target.Table) > 0 {
		return "--engine " + v.in.Engine + " " + flag + " …"
	}
	return "--engine " + v.in.Engine
}

// done says Done where has, else Open.
func done(has bool) State {
	if has {
		return Done
	}
	return Open
}

// calculated adds what a calculator answered.
func (st *Step) calculated(c *Calculated) {
	if c != nil {
		st.Figures = append(st.Figures, Figure{Key: st.Key + "_result", Name: "worked out", Words: c.Result.Headline, From: c.Name})
	}
}

func (v view) tdc() Step {
	st := Step{Key: TDC, Name: "Top dead centre", Do: "Wheel on the crank, piston stop in the plug hole; turn gently to it both ways, three times each, and read the wheel. Then put the wheel right, and read the stop again on both sides.",
		Cautions: []string{safeByHand, safeStop},
		How: []string{
			"sparkscope bench tdc --wheel 0-180-0 --readings … --engine " + v.in.Engine + " --json tdc.json",
			v.keep("tdc", "tdc.json"),
		},
		Hand: []string{v.hand(enginefile.JobTDC+"=0.0", enginefile.JobTDCTolerance+"=…")}}
	st.calculated(v.in.TDC)
	f, has := v.file(enginefile.JobTDC, enginefile.JobTDCTolerance, "the wheel reads at top dead centre", "°")
	if has {
		st.Figures = append(st.Figures, f)
	}
	st.State = done(has || v.in.TDC != nil)
	return st
}

func (v view) marks() Step {
	st := Step{Key: Marks, Name: "Marks on the rim", Do: "Mark top dead centre and the target on the flywheel's rim, by wheel, tape or distance.",
		Cautions: []string{safeByHand},
		How: []string{
			"sparkscope bench rim " + v.by("--angle"),
			v.hand(enginefile.JobMark + "=" + v.target()),
		},
		Needs: v.needs(enginefile.EngineFlywheelDiameter, enginefile.TargetAngle)}
	f, has := v.file(enginefile.JobMark, "", "marked before top dead centre", "°")
	if has {
		st.Figures = append(st.Figures, f)
	}
	st.State = done(has)
	return st
}

func (v view) reference() Step {
	st := Step{Key: Reference, Name: "Reference angle", Do: "Turn in the running direction until the reference switches, read the wheel, five times.",
		Cautions: []string{safeByHand},
		How:      []string{"sparkscope calibrate wheel --wheel 0-180-0 --readings … --stop-before … --stop-after … --engine " + v.in.Engine},
		Hand:     []string{v.hand(enginefile.ReferenceAngle+"=…", enginefile.ReferenceAngleTolerance+"=…")}}
	f, has := v.file(enginefile.ReferenceAngle, enginefile.ReferenceAngleTolerance, "the reference switches before top dead centre", "°")
	if has {
		st.Figures = append(st.Figures, f)
	}
	st.State = done(has)
	return st
}

func (v view) gap() Step {
	st := Step{Key: Gap, Name: "Contact gap", Do: "Measure two gaps and the angles at which the contacts open with them; set the gap that comes out, tighten, measure it again.",
		Cautions: []string{safeByHand, "Tightening the lock screw moves the contacts: tighten, then measure gap and timing again."},
		How:      []string{"sparkscope bench gap " + v.by("--target") + " --pairs … --write-gap"},
		Hand:     []string{v.hand(enginefile.ContactsGap + "=…")},
		Needs:    v.needs(enginefile.TargetAngle)}
	st.calculated(v.in.Gap)
	f, has := v.file(enginefile.ContactsGap, "", "set to", "mm")
	if has {
		st.Figures = append(st.Figures, f)
	}
	st.State = done(has)
	return st
}

// measured adds a result, and says what is wrong with it here; ok is false
// where it does not count.
func (v view) measured(st *Step, m *Measured) (ok bool) {
	if m == nil {
		return false
	}
	r := m.Result
	byHand := r.Setup.SparkKind == analysis.Contacts
	angle, has := v.in.File.Number(enginefile.ReferenceAngle)
	say := func(format string, a ...any) bool {
		st.Remarks = append(st.Remarks, m.Name+" does not count here: "+fmt.Sprintf(format, a...))
		return false
	}
	switch {
	case byHand != (st.Key == Static) && byHand:
		return say("it is of contacts turned by hand, not of the running engine.")
	case byHand != (st.Key == Static):
		return say("it was measured without --spark-kind contacts, and so is not of contacts turned by hand.")
	case r.Relative:
		return say("its angles are relative to the reference. Measure the recording again with --engine %s, once that has a reference angle.", v.in.Engine)
	case has && r.Setup.ReferenceAngle != nil && math.Abs(float64(*r.Setup.ReferenceAngle)-angle) > 1e-9:
		return say("it was measured with a reference angle of %g°, and the engine file says %g°. Measure the recording again.", float64(*r.Setup.ReferenceAngle), angle)
	case st.Key != Static && v.hasTarget() && r.Setup.Target == nil && len(r.Setup.TargetTable) == 0:
		return say("it was measured without a target. Measure the recording again with --engine %s.", v.in.Engine)
	case st.Key != Static && v.hasTarget() && v.otherTarget(r):
		return say("it was measured against another target or tolerance than the engine file has now. Measure the recording again.")
	}
	mean := float64(r.Advance.Mean)
	name := "fires before top dead centre"
	if byHand {
		name = "contacts open before top dead centre"
	}
	f := Figure{Key: st.Key + "_deg", Name: name, Value: &mean, Unit: "°", From: m.Name}
	if r.Advance.HasExpanded {
		u := float64(r.Advance.Expanded)
		f.Expanded = &u
	}
	st.Figures = append(st.Figures, f)
	return true
}

// hasTarget says whether the file has a target.
func (v view) hasTarget() bool {
	return v.in.File.Target.AngleDeg != nil || len(v.in.File.Target.Table) > 0
}

// otherTarget says whether a result was held against something else than what
// the file asks for.
func (v view) otherTarget(r *analysis.Result) bool {
	t := v.in.File.Target
	differs := func(a *analysis.Degrees, b *float64) bool {
		return (a == nil) != (b == nil) || a != nil && math.Abs(float64(*a)-*b) > 1e-9
	}
	if differs(r.Setup.Target, t.AngleDeg) || t.ToleranceDeg != nil && differs(r.Setup.Tolerance, t.ToleranceDeg) || len(t.Table) != len(r.Setup.TargetTable) {
		return true
	}
	for i, row := range t.Table {
		if x := r.Setup.TargetTable[i]; x.RPM != *row.RPM || float64(x.Angle) != *row.AngleDeg {
			return true
		}
	}
	return false
}

func (v view) static() Step {
	st := Step{Key: Static, Name: "Static timing", Do: "Turn in the running direction until the contacts open, by lamp, by tone (sparkscope contacts -), or recorded while turned by hand.",
		Cautions: []string{safeByHand, safeCoil},
		How: []string{
			"sparkscope measure hand.wav --spark-kind contacts --engine " + v.in.Engine + " --json hand.json --write-static",
			v.keep("static", "hand.json"),
		},
		Hand:  []string{v.hand(enginefile.StaticAngle+"=…", enginefile.StaticAngleTolerance+"=0.5")},
		Needs: v.needs(enginefile.TargetAngle)}
	ok := v.measured(&st, v.in.Static)
	f, has := v.file(enginefile.StaticAngle, enginefile.StaticAngleTolerance, "the engine file has now", "°")
	if has {
		st.Figures = append(st.Figures, f)
	}
	st.State = done(ok || has)
	return st
}

// ran is the part that both measurements of the running engine share.
func (v view) ran(st *Step, m *Measured, file string, key, tolKey string) {
	st.Do = "Record idle, a slow pull to the top, and back; check it before anything is taken off."
	st.Cautions = []string{safeLoose, safeWhere, safeStopped}
	st.How = []string{
		"sparkscope check " + file + ".wav --engine " + v.in.Engine,
		"sparkscope measure " + file + ".wav --engine " + v.in.Engine + " --json " + file + ".json",
		v.keep(st.Key, file+".json"),
	}
	st.Hand = []string{v.hand(key+"=…", tolKey+"=…")}
	st.Needs = v.needs(enginefile.ReferenceAngle, enginefile.TargetAngle, enginefile.TargetTolerance)
	ok := v.measured(st, m)
	if !ok {
		var f Figure
		if f, ok = v.file(key, tolKey, "fires before top dead centre, by hand", "°"); ok {
			st.Figures = append(st.Figures, f)
		}
	}
	st.State = done(ok)
}

// compare sets a result against an earlier one, where both count.
func (st *Step) compare(first, second *Measured) {
	if first == nil || second == nil || len(st.Figures) == 0 || st.Figures[0].From != second.Name {
		return
	}
	if c, err := compare.Compare(compare.FromResult(first.Name, first.Result), compare.FromResult(second.Name, second.Result), compare.Options{}); err == nil {
		st.Compared = c
	} else {
		st.Remarks = append(st.Remarks, err.Error()+".")
	}
}

// counts says whether a result counts for a step.
func (v view) counts(key string, m *Measured) *Measured {
	if v.measured(&Step{Key: key}, m) {
		return m
	}
	return nil
}

func (v view) running() Step {
	st := Step{Key: Running, Name: "Running, as found"}
	v.ran(&st, v.in.Running, "before", enginefile.JobRunning, enginefile.JobRunningTolerance)
	st.compare(v.counts(Static, v.in.Static), v.in.Running)
	return st
}

// lockWords are what the running engine asks for: the finding that says to stop,
// how far to turn what and which way, or that turning does not mend it. Only one
// of them is said of a measurement.
func (v view) lockWords() (words, from string) {
	for _, m := range []*Measured{v.counts(Again, v.in.Again), v.counts(Running, v.in.Running)} {
		if m == nil {
			continue
		}
		for _, f := range m.Result.Findings {
			switch f.Code {
			case "too-advanced", "timing-offset", "offset-by-speed":
				return f.Message, m.Name
			}
		}
		return "", ""
	}
	return "", ""
}

func (v view) lock() Step {
	st := Step{Key: Lock, Name: "Adjusted and locked", Do: "Engine stopped: one thing, a little. Tighten, then measure gap and static timing again, since tightening moves them.",
		Cautions: []string{safeStopped, safeByHand, safeAdvance},
		Hand:     []string{v.hand(enginefile.JobLocked+"='what was turned, how far, which way'", enginefile.ContactsGap+"=…", enginefile.StaticAngle+"=…", enginefile.StaticAngleTolerance+"=0.5")}}
	if l := v.in.File.Job.Locked; l != nil {
		st.Figures = append(st.Figures, Figure{Key: "job_locked", Name: "done", Words: *l, From: enginefile.JobLocked})
		st.State = Done
	} else {
		st.State = Open
	}
	if words, from := v.lockWords(); words != "" {
		st.Figures = append(st.Figures, Figure{Key: "asked", Name: "asked for", Words: words, From: from})
	}
	return st
}

func (v view) again() Step {
	st := Step{Key: Again, Name: "Running, measured again"}
	v.ran(&st, v.in.Again, "after", enginefile.JobAgain, enginefile.JobAgainTolerance)
	st.compare(v.counts(Running, v.in.Running), v.in.Again)
	return st
}

// decision is what a step of the running engine comes to: the verdict of its
// result or, of figures by hand, whether ± and tolerance settle it: within where
// all of the figure's ± is, outside where none of it is. Empty: it cannot be
// said.
func (v view) decision(st *Step, m *Measured, deg, tol *float64) string {
	switch t := v.in.File.Target; {
	case st.State != Done:
	case m != nil && v.counts(st.Key, m) != nil:
		if w := m.Result.Verdict; w != nil {
			return w.Decision
		}
	case deg == nil || tol == nil || t.AngleDeg == nil || t.ToleranceDeg == nil:
	default:
		switch off := math.Abs(math.Remainder(*deg-*t.AngleDeg, 360)); {
		case off+*tol <= *t.ToleranceDeg:
			return analysis.Within
		case off-*tol > *t.ToleranceDeg:
			return analysis.Outside
		}
		return analysis.Undecided
	}
	return ""
}

func (v view) judged(s *Sheet, by *Step) Step {
	st := Step{Key: Judged, Name: "Judged", State: Open, Cautions: []string{safeAdvance},
		Needs: v.needs(enginefile.ReferenceAngle, enginefile.TargetAngle, enginefile.TargetTolerance)}
	j := v.in.File.Job
	m, deg, tol := v.in.Again, j.AgainDeg, j.AgainToleranceDeg
	if by.Key == Running {
		m, deg, tol = v.in.Running, j.RunningDeg, j.RunningToleranceDeg
	}
	s.Decision = v.decision(by, m, deg, tol)
	if s.Decision == "" {
		st.Do = "The verdict comes with the running engine, measured against target and tolerance."
		if by.State == Done {
			st.Remarks = append(st.Remarks, "Measured, and not judged: want target and tolerance in the engine file and, of a figure by hand, its ± and a target that is one angle.")
		}
		return st
	}
	st.State = Done
	words := strings.ToUpper(s.Decision) + " tolerance"
	if s.Decision == analysis.Undecided {
		words = "UNDECIDED"
	}
	t := v.in.File.Target
	switch {
	case t.AngleDeg != nil && t.ToleranceDeg != nil:
		words += fmt.Sprintf(": target %g° ± %g°", *t.AngleDeg, *t.ToleranceDeg)
	case t.ToleranceDeg != nil:
		words += fmt.Sprintf(": target by table, ± %g°", *t.ToleranceDeg)
	}
	if m != nil && v.counts(by.Key, m) != nil && m.Result.Verdict != nil && m.Result.Verdict.Advice != "" {
		st.Remarks = append(st.Remarks, m.Result.Verdict.Advice)
	}
	st.Figures = append(st.Figures, Figure{Key: "decision", Name: "the engine is", Words: words, From: by.Figures[0].From})
	return st
}
