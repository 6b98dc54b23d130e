package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/known"
	"sparkscope/report"
	"sparkscope/report/plot"
)

// mostCompared is how many recordings one comparison takes: a picture of more
// cannot be read.
const mostCompared = 4

// compareOptions is what the compare command was told.
type compareOptions struct {
	measure        measureOptions // how recordings are measured
	moved          bool
	ways, cylinder bool
	labels         []string
	json, plotFile string
	goal           analysis.Setup      // its target and tolerance, by flags or engine file
	byFlag         bool                // the target is by flag
	aimed          []analysis.Decision // where they came from
	from           []analysis.Decision // what came from the engine file and was used
}

// newCompareCommand makes `sparkscope compare`.
func newCompareCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	o := compareOptions{measure: measureOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}}
	cmd := &cobra.Command{
		Use:   "compare FIRST SECOND [MORE ...]",
		Short: "Set one measurement against another: before and after, static and running",
		Long: `Sets measurements against the first: by how much each fires earlier or later,
at every speed that both share, with the ± of the difference. What is the same
on both sides, such as the reference angle of a pick-up that nobody touched,
cancels and does not count.

FIRST, SECOND and MORE are recordings (WAV or FLAC), or results that measure
--json has written. The flags below say how recordings are measured; results
carry their own. Where the two were set up differently, as a static recording of
the contacts and a running one of the clamp, measure each with its own flags and
compare the results. One that was turned by hand comes first, in whichever
order they are named.

With a target (--target, the table of an --engine file, or what the results
themselves were held against) every side is held against it too, with the whole
± of that side, and with --tolerance called within, outside or undecided. That
is said, not acted upon: it leaves the exit status alone.

With --up-down or --cylinders there is one recording, whose parts are compared
with each other: the sparks at falling speed with those at rising speed (a
mechanism that sticks shows so), or cylinder by cylinder.

Exit status: 0 compared; 2 wrong usage; 3 a recording cannot be measured, or
the two share no speed; 4 an output could not be written.`,
		Example: `  sparkscope compare before.wav after.wav --reference-angle 35
  sparkscope compare before.json after.json --plot change.png
  sparkscope compare static.json running.json
  sparkscope compare before.json after.json --target 18 --tolerance 2
  sparkscope compare --up-down pull.wav --reference-angle 35`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.measure.readEngine(cmd.Flags()); err != nil {
				return err
			}
			if err := o.aim(cmd.Flags()); err != nil {
				return err
			}
			return o.run(cmd.Context(), args, stdin, stdout, stderr)
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.BoolVar(&o.moved, "moved", false, "pick-up, magnet or wheel was moved in between: nothing of the\nreference cancels")
	f.BoolVar(&o.ways, "up-down", false, "compare falling with rising speed within one recording")
	f.BoolVar(&o.cylinder, "cylinders", false, "compare the cylinders of one recording with the first")
	f.StringArrayVar(&o.labels, "label", nil, "`NAME` of the next of FIRST, SECOND …; once for each (default:\nits file's name)")
	f.Var(fileFlag{&o.json}, "json", "write the whole comparison, JSON; - is standard output, and then\nnothing else goes there")
	f.Var(fileFlag{&o.plotFile}, "plot", "draw both and their difference; the ending decides: .png .svg .pdf")
	o.measure.registerSetup(f)
	f.Lookup("target").Usage = "what the engine should fire at: how far each side is from it"
	f.Lookup("tolerance").Usage = "± of the target: whether each side is within it"
	for _, name := range lampFlags {
		f.Lookup(name).Hidden = true
	}
	return cmd
}

// lampFlags are about a static angle that was read: no recording, and so
// nothing to set against one.
var lampFlags = [...]string{"static", "static-tolerance"}

// aim takes target and tolerance out of what was said. Results have reference
// angles of their own, so that the target stands without one here.
func (o *compareOptions) aim(flags *pflag.FlagSet) error {
	for _, name := range lampFlags {
		if flags.Changed(name) {
			return usagef("--%s is for measure, which holds a running engine against an angle read with the lamp. To compare static with running, name a recording of each", name)
		}
	}
	s := &o.measure.setup
	if s.Tolerance != nil && flags.Changed("tolerance") && !flags.Changed("target") && o.measure.engine == "" {
		o.goal.Tolerance = s.Tolerance // of the target that the results have
		s.Tolerance = nil
	}
	o.goal.Target, o.goal.TargetTable = s.Target, s.TargetTable
	if s.Tolerance != nil {
		o.goal.Tolerance = s.Tolerance
	}
	said := o.measure.origins
	if o.measure.engine != "" && s.ReferenceAngle == nil {
		// Nothing of the file's target was taken: there was no angle to count
		// it from. A result has one.
		f, err := openEngineFile(o.measure.engine)
		if err != nil {
			return err
		}
		zero := analysis.Degrees(0)
		o.goal = analysis.Setup{Target: s.Target, Tolerance: s.Tolerance, ReferenceAngle: &zero}
		said = known.Use(flags.Changed, &o.goal, o.measure.engine, enginefile.File{Target: f.Target})
	}
	o.aimed = ofTarget(said, true)
	o.byFlag = flags.Changed("target")
	if s.ReferenceAngle == nil {
		s.Target, s.TargetTable, s.Tolerance = nil, nil, nil
	}
	return nil
}

// run measures what has to be measured, compares and writes.
func (o *compareOptions) run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) error {
	within := o.ways || o.cylinder
	switch {
	case o.ways && o.cylinder:
		return usagef("--up-down and --cylinders ask two questions: give one of them")
	case within && len(args) != 1:
		return usagef("--up-down and --cylinders look into one recording: name one, not %d", len(args))
	case within && o.moved:
		return usagef("--moved is about two recordings; there is one")
	case !within && len(args) < 2:
		return usagef("want two recordings or results to compare, not %d", len(args))
	case len(args) > mostCompared:
		return usagef("want at most %d recordings or results, not %d", mostCompared, len(args))
	case len(o.labels) > len(args) || within && len(o.labels) > 0:
		return usagef("%d labels for %d names: one --label for each, in order", len(o.labels), len(args))
	}
	if err := o.measure.validate(); err != nil {
		return err
	}
	var all []*compare.Comparison
	outs := &outputs{stdout: stdout, engine: o.measure.engine}
	outs.add("--json", o.json, func(w io.Writer) error { return report.CompareJSON(w, all, o.from) })
	if o.plotFile != "" {
		format, err := plot.FormatOf(o.plotFile)
		if err != nil {
			return usagef("--plot %q: want a name that ends in .png, .svg or .pdf", o.plotFile)
		}
		outs.add("--plot", o.plotFile, func(w io.Writer) error { return report.ComparePlot(w, all, format) })
	}
	outs.addText(func(w io.Writer) error { return report.CompareText(w, all, o.from) })
	for i, a := range args {
		if a == "" {
			return usagef("a recording or result has an empty name")
		}
		for _, b := range args[:i] {
			if a == b {
				return usagef("%s is named twice: there is nothing to compare it with", a)
			}
		}
		if err := outs.check(a); err != nil {
			return err
		}
	}
	var results []*analysis.Result
	for _, a := range args {
		r, err := o.result(ctx, a, within, stdin, stderr)
		if err != nil {
			return err
		}
		results = append(results, r)
	}
	var err error
	if all, err = o.compare(args, results); err != nil {
		return err
	}
	return outs.commit()
}

// compare sets the sides against the first.
func (o *compareOptions) compare(args []string, results []*analysis.Result) ([]*compare.Comparison, error) {
	var sides []compare.Side
	switch {
	case o.ways:
		up, down, err := compare.Directions(results[0])
		if err != nil {
			return nil, unreadable(args[0], err)
		}
		sides = []compare.Side{up, down}
	case o.cylinder:
		var err error
		if sides, err = compare.Cylinders(results[0]); err != nil {
			return nil, unreadable(args[0], err)
		}
	default:
		for i, r := range results {
			name := strings.TrimSuffix(filepath.Base(args[i]), filepath.Ext(args[i]))
			if i < len(o.labels) && o.labels[i] != "" {
				name = o.labels[i]
			}
			sides = append(sides, compare.FromResult(name, r))
		}
	}
	for i := range sides {
		if sides[i].Relative && o.byFlag {
			return nil, usagef("--target counts from top dead centre, and %s has no reference angle: it needs --reference-angle", sides[i].Name)
		}
		if sides[i].Relative && o.goal.HasTarget() { // the engine file's
			o.goal, o.aimed = analysis.Setup{}, ofTarget(o.measure.origins, true)
		}
	}
	o.from = append(o.from, o.aimed...)
	goal, err := o.target(sides)
	if err != nil {
		return nil, err
	}
	sides = staticFirst(sides)
	var all []*compare.Comparison
	for _, s := range sides[1:] {
		c, err := compare.Compare(sides[0], s, compare.Options{Moved: o.moved, OneRecording: o.ways || o.cylinder, Goal: goal})
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, nil
}

// ofTarget are those that are about the target, or the others.
func ofTarget(all []analysis.Decision, target bool) (out []analysis.Decision) {
	for _, d := range all {
		if (d.What == "target" || d.What == "tolerance") == target {
			out = append(out, d)
		}
	}
	return out
}

// target is what the sides are held against: what was said, else what all of
// them that have a target were held against when they were measured. Nil: none.
func (o *compareOptions) target(sides []compare.Side) (*analysis.Setup, error) {
	if o.goal.HasTarget() {
		return &o.goal, nil
	}
	var goal *analysis.Setup
	for i := range sides {
		s := &sides[i].Setup
		if sides[i].Relative || !s.HasTarget() {
			continue
		}
		if goal == nil {
			goal = &analysis.Setup{Target: s.Target, TargetTable: s.TargetTable, Tolerance: s.Tolerance}
			continue
		}
		if !sameAngle(goal.Target, s.Target) || !slices.Equal(goal.TargetTable, s.TargetTable) {
			goal = nil // neither is that of both
			break
		}
		if !sameAngle(goal.Tolerance, s.Tolerance) {
			goal.Tolerance = nil
		}
	}
	if o.goal.Tolerance != nil {
		if goal == nil {
			return nil, usagef("--tolerance needs --target, an --engine file with one, or results that were held against one and the same")
		}
		goal.Tolerance = o.goal.Tolerance
	}
	return goal, nil
}

func sameAngle(a, b *analysis.Degrees) bool {
	return a == nil && b == nil || a != nil && b != nil && *a == *b
}

// staticFirst moves the one side that was turned by hand to the front, where
// the others ran.
func staticFirst(sides []compare.Side) []compare.Side {
	at, n := 0, 0
	for i := range sides {
		if sides[i].Static() {
			at, n = i, n+1
		}
	}
	if n != 1 || at == 0 {
		return sides
	}
	out := []compare.Side{sides[at]}
	return append(append(out, sides[:at]...), sides[at+1:]...)
}

// result measures a recording or reads a result. The parts of a recording
// cannot be told from its result alone.
func (o *compareOptions) result(ctx context.Context, path string, within bool, stdin io.Reader, stderr io.Writer) (*analysis.Result, error) {
	in, err := openInput(path, stdin)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	b := bufio.NewReaderSize(in, 1<<16)
	if head, err := b.Peek(1); err == nil && (head[0] == '{' || head[0] == '\n' || head[0] == ' ') {
		if within {
			return nil, usagef("%s is a result: --up-down and --cylinders need the recording itself, for a result does not hold the single sparks", path)
		}
		r, err := report.ReadJSON(b)
		if err != nil {
			return nil, unreadable(path, err)
		}
		return r, nil
	} else if err != nil && !errors.Is(err, io.EOF) {
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	stop := progress(ctx, stderr, path)
	defer stop()
	o.from = ofTarget(o.measure.origins, false) // of what is measured here; a result has its own
	return measureStream(ctx, b, path, o.measure.setup)
}
