package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/known"
	"sparkscope/analysis/session"
	"sparkscope/report"
	"sparkscope/report/plot"
)

// measureOptions is what the measure command was told.
type measureOptions struct {
	setup                  analysis.Setup
	events, json, plotFile string
	hand                   handOver            // what the reports say besides the result
	picture                picture             // what the picture needs besides the result
	plotKind               string              // "": advance against rpm
	plotAtS                *float64            // where pulses are looked at, seconds; nil: in the middle
	engine                 string              // the engine file, empty: none
	origins                []analysis.Decision // what came from it
	static                 writeBack           // of the static angle into it
	tables                 tablesOptions
	entry                  entryOptions // into the logbook; its file is empty: not
}

// newMeasureCommand makes `sparkscope measure`.
func newMeasureCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	o := measureOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}
	cmd := &cobra.Command{
		Use:   "measure RECORDING",
		Short: "Measure the advance and speed of every spark of a recording",
		Long: `Measures the advance and speed of every spark of a recording and prints the
result. RECORDING is a WAV or FLAC file, or - for such a stream on standard input.

DEG is crank degrees: angles count before top dead centre, negative after it.
DUR is a time with its unit, such as 250us or 0.3ms.

Exit status: 0 measured; with a tolerance: within it; 1 outside it or undecided,
or outside a target by table at some speed; 2 wrong usage; 3 the recording cannot
be measured; 4 an output could not be written. What the ± means: sparkscope help uncertainty.`,
		Example: `  sparkscope measure pull.wav --reference-angle 35
  sparkscope measure pull.wav --reference-angle -20 --target 18 --tolerance 2
  sparkscope measure pull.wav --reference-angle 35 --plot advance.png --events events.csv
  sparkscope measure pull.wav --reference-angle 35 --plot pulses.png --plot-kind pulses
  sparkscope measure after.wav --engine bench.toml --report report.pdf --before before.json --remark "gap set to 0.40 mm"
  sparkscope measure pull.wav --engine bench.toml --target 18 --tolerance 2
  arecord -q -f S16_LE -c 2 -r 48000 -d 20 -t wav | sparkscope measure - --reference-angle 35`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.readEngine(cmd.Flags()); err != nil {
				return err
			}
			o.hand.repeat(cmd.Context())
			return o.run(cmd.Context(), args[0], stdin, stdout, stderr)
		},
	}
	o.register(cmd)
	return cmd
}

// oneRecording wants one recording's name.
func oneRecording(_ *cobra.Command, args []string) error {
	switch {
	case len(args) == 0 || len(args) == 1 && args[0] == "":
		return usagef("which recording? Name a WAV or FLAC file, or - for standard input")
	case len(args) > 1:
		return usagef("want one recording, not %d: %s (a name with spaces goes in quotes)", len(args), inQuotes(args))
	}
	return nil
}

// registerChannels declares the flags that say what the channels are.
func registerChannels(f *pflag.FlagSet, s *analysis.Setup) {
	f.Var(wholeFlag{&s.SparkChannel, 8}, "spark-channel", "channel of the spark, from 1 (default: found from the signals)")
	f.Var(wholeFlag{&s.ReferenceChannel, 8}, "reference-channel", "channel of the reference; the same as the spark's: both\npick-ups on one input (default: found from the signals)")
	f.Var(choiceFlag{func(w string) { s.SparkKind = analysis.SparkKind(w) },
		[]string{string(analysis.Clamp), string(analysis.Microphone), string(analysis.Contacts)}}, "spark-kind", "what made the spark channel; of contacts, the moment they open\ncounts: the edge into the shorter of their two states (default clamp)")
	f.Var(degreesFlag{p: &s.Dwell, min: 1, max: 719}, "dwell", "contacts: for how many crank degrees they are closed, roughly\n(default: for the longer of their two states)")
}

// referenceKindFlag says what made the reference.
func referenceKindFlag(s *analysis.Setup) choiceFlag {
	return choiceFlag{func(w string) { s.ReferenceKind = analysis.ReferenceKind(w) },
		[]string{string(analysis.ContactReference), string(analysis.CoilReference)}}
}

const referenceKindUsage = "contact: reed, Hall, optical; coil: passive magnetic pick-up\n(default: found from the signal)"

// registerSetup declares the flags that say how to measure.
func (o *measureOptions) registerSetup(f *pflag.FlagSet) {
	s := &o.setup
	registerChannels(f, s)
	f.Var(degreesFlag{p: &s.ReferenceAngle, min: -180, max: 180}, "reference-angle", "where the reference truly passes its pick-up, before top dead\ncentre (default: none, angles are relative to the reference)")
	f.Var(referenceKindFlag(s), "reference-kind", referenceKindUsage)
	f.Var(wholeFlag{&s.ReferencePulses, 360}, "reference-pulses", "reference pulses per revolution (default 1)")
	f.Var(sparksFlag{&s.SparksPerRev}, "sparks-per-rev", "sparks per revolution: 1, 2 …, or 1/2 (default: found)")
	f.Var(fractionFlag{&s.SpeedFluctuation}, "speed-fluctuation", "(fastest - slowest)/mean speed within one revolution, the most\nto be expected (default: a table by rpm)")
	f.Var(degreesFlag{p: &s.Static, min: -180, max: 180}, "static", "static angle read with lamp and wheel, to compare with")
	f.Var(degreesFlag{p: &s.StaticTolerance, min: 0, max: 180}, "static-tolerance", "± of the static angle")
	f.Var(delayFlag{func(v float64) { s.SparkDelayS = v }, -maxDelay}, "spark-delay", "time from a spark to its trace in the recording (default 0s)")
	f.Var(delayFlag{func(v float64) { s.ReferenceDelayS, s.ReferenceDelayStated = v, true }, -maxDelay}, "reference-delay", "time from a reference event to its trace; 0 of an optical or Hall\npick-up (default: not known, 0s is reckoned with)")
	f.Var(degreesFlag{p: &s.ReferenceAngleTolerance, min: 0, max: 180}, "reference-angle-tolerance", "± of the reference angle")
	f.Var(delayFlag{func(v float64) { s.DelayToleranceS = &v }, 0}, "delay-tolerance", "± of both delays")
	f.Var(delayFlag{func(v float64) { s.SparkDelayToleranceS = &v }, 0}, "spark-delay-tolerance", "± of the spark's delay alone")
	f.Var(delayFlag{func(v float64) { s.ReferenceDelayToleranceS = &v }, 0}, "reference-delay-tolerance", "± of the reference's delay alone")
	f.Var(degreesFlag{p: &s.Target, min: -180, max: 180}, "target", "what the engine should fire at; needs --reference-angle")
	f.Var(degreesFlag{p: &s.Tolerance, max: 180, positive: true}, "tolerance", "± of the target: asks for a verdict and sets the exit status")
	f.Var(fileFlag{&o.engine}, "engine", "what is known of the engine and its pick-ups, TOML, see sparkscope\nhelp engine; flags win over it")
}

// register declares the flags.
func (o *measureOptions) register(cmd *cobra.Command) {
	f := cmd.Flags()
	f.SortFlags = false
	o.registerSetup(f)
	for _, out := range []struct {
		p                  *string
		name, value, usage string
	}{
		{&o.events, "events", "FILE", "write a table of every spark, CSV; - as with --json"},
		{&o.json, "json", "FILE", "write the whole result, JSON; - is standard output, and then\nnothing else goes there"},
		{&o.plotFile, "plot", "FILE", "draw a picture; the ending decides: .png .svg .pdf"},
	} {
		f.Var(fileFlag{out.p}, out.name, out.usage)
	}
	f.Var(kindFlag{choiceFlag{func(w string) { o.plotKind = w }, plotKinds}}, "plot-kind", "what the picture shows: advance or scatter, against rpm; time,\nadvance and speed over it; distribution of the advance; wheel, one\nrevolution as a degree wheel; pulses as recorded with their timing\npoints; health of the signals (default advance)")
	f.Var(momentFlag{&o.plotAtS}, "plot-at", "for pulses: at which time of the recording (default: the middle)")
	o.hand.register(f)
	o.tables.register(f)
	o.entry.register(f, "add the result to this logbook (see sparkscope logbook)", "for --logbook: ")
	o.static.register(f, "write-static", "contacts: put the angle at which they open, with its ±, into the\nengine file, static.angle_deg")
}

// staticSettings are what a recording turned by hand puts into an engine file,
// and why it must not; nil: it may.
func staticSettings(r *analysis.Result) ([]enginefile.Setting, error) {
	switch {
	case !r.Advance.HasExpanded:
		return nil, errors.New("the static angle has no ±: record more turns")
	case r.Verdict != nil && r.Verdict.Doubt != "":
		return nil, errors.New("the static angle is in doubt: see what is said of it above")
	}
	return report.TolerancedSettings(enginefile.StaticAngle, float64(r.Advance.Mean), enginefile.StaticAngleTolerance, halfWidth(float64(r.Advance.Expanded)), "measure, contacts turned by hand"), nil
}

// readEngine fills in what the engine file knows and the flags leave open.
func (o *measureOptions) readEngine(flags *pflag.FlagSet) error {
	if o.engine == "" {
		return nil
	}
	f, err := openEngineFile(o.engine)
	if err != nil {
		return err
	}
	o.origins = known.Use(flags.Changed, &o.setup, o.engine, f)
	o.hand.knows(f.Engine)
	return nil
}

// fileFlag is a path that is not empty.
type fileFlag struct{ p *string }

func (f fileFlag) Set(s string) error {
	if s == "" {
		return errors.New("want the name of a file")
	}
	*f.p = s
	return nil
}

func (f fileFlag) String() string { return "" }
func (f fileFlag) Type() string   { return "FILE" }

// folderFlag is the name of a folder.
type folderFlag struct{ fileFlag }

func (f folderFlag) Type() string { return "FOLDER" }

// validate finds what does not go together.
func (o *measureOptions) validate() error {
	s := o.setup
	needs := func(given bool, flag string, has bool, other string) error {
		if given && !has {
			return usagef("%s needs %s", flag, other)
		}
		return nil
	}
	const angle = "--reference-angle, or an --engine file with one: without it no angle can be counted from top dead centre"
	for _, err := range []error{
		needs(s.Target != nil, "--target", s.ReferenceAngle != nil, angle),
		needs(s.Tolerance != nil, "--tolerance", s.HasTarget(), "--target, or an --engine file with one"),
		needs(s.Static != nil, "--static", s.ReferenceAngle != nil, angle),
		needs(s.StaticTolerance != nil, "--static-tolerance", s.Static != nil, "--static"),
		needs(s.ReferenceAngleTolerance != nil, "--reference-angle-tolerance", s.ReferenceAngle != nil, "--reference-angle, or an --engine file with one"),
	} {
		if err != nil {
			return err
		}
	}
	if s.DelayToleranceS != nil && (s.SparkDelayToleranceS != nil || s.ReferenceDelayToleranceS != nil) {
		return usagef("--delay-tolerance is the ± of both delays: give it alone, or --spark-delay-tolerance and --reference-delay-tolerance")
	}
	if o.static.asked {
		switch {
		case s.SparkKind != analysis.Contacts:
			return usagef("--write-static needs --spark-kind contacts: only contacts turned by hand give a static angle")
		case s.ReferenceAngle == nil:
			return usagef("--write-static needs %s", angle)
		}
	}
	if err := s.Validate(); err != nil {
		return usagef("%s", plainError(err))
	}
	if err := o.hand.validate(o.entry.file != ""); err != nil {
		return err
	}
	return o.validatePlot()
}

// outputs are the files to write once there is a result in *r.
func (o *measureOptions) outputs(r **analysis.Result, stdout io.Writer) (*outputs, error) {
	outs := &outputs{stdout: stdout}
	outs.add("--events", o.events, func(w io.Writer) error { return report.Events(w, *r) })
	outs.add("--json", o.json, func(w io.Writer) error { return report.JSON(w, *r) })
	o.hand.outputs(outs, r)
	if o.plotFile != "" {
		format, err := plot.FormatOf(o.plotFile)
		if err != nil {
			return nil, usagef("--plot %q: want a name that ends in .png, .svg or .pdf", o.plotFile)
		}
		outs.add("--plot", o.plotFile, func(w io.Writer) error { return o.picture.draw(w, *r, o.plotKind, format) })
	}
	return outs, o.tables.add(outs, func() (*analysis.Result, *session.Session) { return *r, nil })
}

// run measures and writes. Nothing is written before everything is known.
func (o *measureOptions) run(ctx context.Context, path string, stdin io.Reader, stdout, stderr io.Writer) error {
	if err := o.validate(); err != nil {
		return err
	}
	var result *analysis.Result
	outs, err := o.outputs(&result, stdout)
	if err != nil {
		return err
	}
	outs.engine = o.engine
	outs.addText(func(w io.Writer) error {
		if err := report.Text(w, result); err != nil {
			return err
		}
		return o.static.text(w)
	})
	if err := o.static.open(o.engine, outs); err != nil {
		return err
	}
	if err := o.hand.check(outs, path); err != nil {
		return err
	}
	if o.plotKind == plotPulses && path == "-" {
		return usagef("--plot-kind pulses needs a file: the recording is read twice, and standard input can be read once")
	}
	if err := outs.check(path); err != nil {
		return err
	}
	o.entry.sharedWith(&o.hand)
	if err := o.entry.check(ctx, o.engine, []string{path}); err != nil {
		return err
	}
	in, err := openInput(path, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	stop := progress(ctx, stderr, path)
	rec, trains, err := listenTo(ctx, in, path, o.setup, o.json != "" || len(o.hand.files) > 0 || o.entry.file != "" || o.tables != tablesOptions{})
	if err == nil {
		if result, err = analysis.Measure(rec, trains, o.setup); err != nil {
			err = unreadable(path, err)
		}
	}
	if err == nil {
		err = o.hand.compare(ctx, o, path, result, stderr)
	}
	if err == nil {
		err = o.picture.prepare(ctx, o, path, rec, trains, result)
	}
	stop()
	if err != nil {
		return err
	}
	result.Decisions = known.SayOrigins(result.Decisions, o.origins)
	if o.static.asked {
		o.static.put(staticSettings(result))
	}
	if err := errors.Join(outs.commit(), o.static.err()); err != nil {
		return err
	}
	if err := o.entry.addMeasured(ctx, result, path, o.engine, outs, stdout, stderr); err != nil {
		return err
	}
	if !shownWithin(result.Verdict) {
		return errNotWithin
	}
	return nil
}

// shownWithin says whether nobody asked, or the answer is yes: against a table
// it is no too where the mean is within, but a range of speed is outside.
func shownWithin(v *analysis.Verdict) bool {
	if v == nil {
		return true
	}
	if v.ByTable && slices.ContainsFunc(v.Bins, func(b analysis.BinVerdict) bool { return b.Decision == analysis.Outside }) {
		return false
	}
	return v.Decision == analysis.Within
}

// openInput opens a recording, or takes stdin for "-" and leaves that open.
func openInput(path string, stdin io.Reader) (io.ReadCloser, error) {
	if path == "-" {
		return io.NopCloser(stdin), nil
	}
	return openRecording(path)
}

// inQuotes lists what was typed, as a sentence does.
func inQuotes(words []string) string {
	q := make([]string, len(words))
	for i, w := range words {
		q[i] = strconv.Quote(w)
	}
	last := len(q) - 1
	if last < 1 {
		return strings.Join(q, "")
	}
	return strings.Join(q[:last], ", ") + " and " + q[last]
}

// openRecording opens a file for reading and says plainly why it cannot.
func openRecording(path string) (*os.File, error) {
	file, err := os.Open(path)
	if err != nil {
		var pe *fs.PathError
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, fmt.Errorf("%s: there is no such recording", path)
		case errors.As(err, &pe):
			return nil, fmt.Errorf("%s: cannot be read: %w", path, pe.Err)
		}
		return nil, err
	}
	if info, err := file.Stat(); err == nil && info.IsDir() {
		return nil, errors.Join(fmt.Errorf("%s: this is a folder, not a recording: name a recording in it", path), file.Close())
	}
	return file, nil
}

// progress says on a terminal, after a moment, that the recording is being
// read. The returned func ends it.
func progress(ctx context.Context, stderr io.Writer, path string) (stop func()) {
	if !onTerminal(stderr) {
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		begun := time.Now()
		shown := false
		for {
			select {
			case <-ctx.Done():
				if shown {
					fmt.Fprint(stderr, "\r\x1b[K")
				}
				return
			case <-tick.C:
				shown = true
				fmt.Fprintf(stderr, "\rreading %s … %.0f s", path, time.Since(begun).Seconds())
			}
		}
	}()
	return func() { cancel(); <-ended }
}

// onTerminal says whether somebody watches what is written to w.
func onTerminal(w io.Writer) bool {
	file, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
