package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/known"
	"sparkscope/analysis/session"
	"sparkscope/report"
	"sparkscope/report/plot"
)

// sessionOptions is what the session command was told.
type sessionOptions struct {
	measure        measureOptions
	split          session.Options
	json, plotFile string
	tables         tablesOptions
	hand           handOver
	entry          entryOptions
}

// newSessionCommand makes `sparkscope session`.
func newSessionCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	o := sessionOptions{measure: measureOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}}
	cmd := &cobra.Command{
		Use:   "session RECORDING",
		Short: "Split a long recording into idle, holds and pulls, and set them against each other",
		Long: `Splits a long recording by itself into cranking, idle, holds, pulls up and pulls
down, measures each, and lays the pulls over each other: advance against rpm of
every pull with their mean and its band, how far they differ, whether the advance
drifts while the session lasts, and whether pulls up and down differ. RECORDING is
a WAV or FLAC file of any length, or - for such a stream on standard input.

` + session.Rule + `

A target or a tolerance is said of the recording as a whole, and leaves the exit
status alone.

Exit status: 0 measured; 2 wrong usage; 3 the recording cannot be measured, or
holds no session; 4 an output could not be written.`,
		Example: `  sparkscope session dyno.wav --reference-angle 30
  sparkscope session dyno.flac --engine bench.toml --plot session.png --json session.json
  sparkscope session dyno.wav --engine bench.toml --report dyno.pdf --logbook season.sqlite
  sparkscope session dyno.wav --reference-angle 30 --idle-below 2500`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.measure.readEngine(cmd.Flags()); err != nil {
				return err
			}
			o.hand.Engine, o.hand.Notes = o.measure.hand.Engine, o.measure.hand.Notes // as the engine file says
			o.hand.repeat(cmd.Context())
			return o.run(cmd.Context(), args[0], stdin, stdout, stderr)
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.Var(speedFlag{&o.split.CrankingBelowRPM}, "cranking-below", "slower is cranking (default 600)")
	f.Var(speedFlag{&o.split.IdleBelowRPM}, "idle-below", "a hold slower than this is idle (default: found)")
	f.Var(fileFlag{&o.json}, "json", "write the whole session, JSON; - is standard output, and then\nnothing else goes there")
	f.Var(fileFlag{&o.plotFile}, "plot", "draw speed over time and the pulls over each other; the ending\ndecides: .png .svg .pdf")
	o.hand.registerReport(f)
	o.hand.registerRemark(f)
	o.tables.register(f)
	o.entry.register(f, "add the result of the whole recording to this logbook (see\nsparkscope logbook)", "for --logbook: ")
	o.measure.registerSetup(f)
	f.Lookup("tolerance").Usage = "± of the target: asks for a verdict"
	return cmd
}

// run measures, splits and writes.
func (o *sessionOptions) run(ctx context.Context, path string, stdin io.Reader, stdout, stderr io.Writer) error {
	if err := o.measure.validate(); err != nil {
		return err
	}
	if err := o.hand.validate(o.entry.file != ""); err != nil {
		return err
	}
	var s *session.Session
	var r *analysis.Result
	outs := &outputs{stdout: stdout, engine: o.measure.engine}
	outs.add("--json", o.json, func(w io.Writer) error { return report.SessionJSON(w, s, nil) })
	if o.plotFile != "" {
		format, err := plot.FormatOf(o.plotFile)
		if err != nil {
			return usagef("--plot %q: want a name that ends in .png, .svg or .pdf", o.plotFile)
		}
		outs.add("--plot", o.plotFile, func(w io.Writer) error { return report.SessionPlot(w, s, format) })
	}
	if err := o.tables.add(outs, func() (*analysis.Result, *session.Session) { return s.Result, s }); err != nil {
		return err
	}
	o.hand.outputs(outs, &r)
	outs.addText(func(w io.Writer) error { return report.SessionText(w, s, nil) })
	if err := outs.check(path); err != nil {
		return err
	}
	o.entry.sharedWith(&o.hand)
	if err := o.entry.check(ctx, o.measure.engine, []string{path}); err != nil {
		return err
	}
	in, err := openInput(path, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	stop := progress(ctx, stderr, path)
	r, err = measureFile(ctx, in, path, o.measure.setup, o.tables != tablesOptions{} || o.json != "" || len(o.hand.files) > 0 || o.entry.file != "")
	stop()
	if err != nil {
		return err
	}
	r.Decisions = known.SayOrigins(r.Decisions, o.measure.origins)
	if s, err = session.New(r, o.split); err != nil {
		return unreadable(path, err)
	}
	o.hand.Session = s
	if err := outs.commit(); err != nil {
		return err
	}
	return o.entry.addMeasured(ctx, r, path, o.measure.engine, outs, stdout, stderr)
}
