package main

import (
	"context"
	"errors"
	"io"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/known"
	"sparkscope/report"
	"sparkscope/report/plot"
)

// errNotFit ends a check of a recording that is not, or not without doubt, fit
// to measure. The report has said so already.
var errNotFit = errors.New("not shown to be fit to measure")

// checkOptions is what the check command was told.
type checkOptions struct {
	setup                  analysis.Setup
	json, plotFile, engine string
	origins                []analysis.Decision // what came from the engine file
}

// newCheckCommand makes `sparkscope check`.
func newCheckCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	o := checkOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}
	cmd := &cobra.Command{
		Use:   "check RECORDING",
		Short: "Say whether a recording is fit to measure, and what to change",
		Long: `Looks at the health of a recording before any angle is measured: level, noise,
clipping, mains hum, automatic gain, noise suppression, lossy formats, missing
pieces, what each channel holds and the shape of its pulses. It says whether
the recording is fit to measure and what to change, what most stands in the way
first. RECORDING is a WAV or FLAC file, or - for such a stream on standard input.

Exit status: 0 fit to measure; 1 with doubts, or not; 2 wrong usage;
3 not a recording that can be read; 4 an output could not be written.`,
		Example: `  sparkscope check pull.wav
  sparkscope check pull.wav --plot health.png
  sparkscope check pull.wav --engine bench.toml
  arecord -q -f S16_LE -c 2 -r 48000 -d 5 -t wav | sparkscope check -`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			file, err := openEngineFile(o.engine)
			if err != nil {
				return err
			}
			if o.engine != "" {
				o.origins = known.Use(cmd.Flags().Changed, &o.setup, o.engine, known.PickupsOnly(file))
			}
			return o.run(cmd.Context(), args[0], stdin, stdout, stderr)
		},
	}
	s := &o.setup
	f := cmd.Flags()
	f.SortFlags = false
	registerChannels(f, s)
	f.Var(referenceKindFlag(s), "reference-kind", referenceKindUsage)
	f.Var(fileFlag{&o.engine}, "engine", "what is known of the pick-ups, TOML, see sparkscope help engine;\nthe flags above win over it")
	f.Var(fileFlag{&o.json}, "json", "write all figures, shapes and spectra, JSON; - is standard\noutput, and then nothing else goes there")
	f.Var(fileFlag{&o.plotFile}, "plot", "draw shapes and spectra; the ending decides: .png .svg .pdf")
	return cmd
}

// run checks and writes.
func (o *checkOptions) run(ctx context.Context, path string, stdin io.Reader, stdout, stderr io.Writer) error {
	if err := o.setup.Validate(); err != nil {
		return usagef("%s", plainError(err))
	}
	var result *analysis.CheckResult
	outs := &outputs{stdout: stdout}
	outs.add("--json", o.json, func(w io.Writer) error { return report.CheckJSON(w, result) })
	if o.plotFile != "" {
		format, err := plot.FormatOf(o.plotFile)
		if err != nil {
			return usagef("--plot %q: want a name that ends in .png, .svg or .pdf", o.plotFile)
		}
		outs.add("--plot", o.plotFile, func(w io.Writer) error { return report.CheckPlot(w, result, format) })
	}
	outs.engine = o.engine
	outs.addText(func(w io.Writer) error { return report.CheckText(w, result) })
	if err := outs.check(path); err != nil {
		return err
	}
	in, err := openInput(path, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	stop := progress(ctx, stderr, path)
	rec, trains, err := listen(ctx, in, path, o.setup)
	if err == nil {
		result, err = analysis.Check(rec, trains, o.setup)
		if err != nil {
			err = unreadable(path, err)
		}
	}
	stop()
	if err != nil {
		return err
	}
	result.Decisions = known.SayOrigins(result.Decisions, o.origins)
	if err := outs.commit(); err != nil {
		return err
	}
	if result.Fit != analysis.Fit {
		return errNotFit
	}
	return nil
}
