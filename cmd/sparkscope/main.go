// Sparkscope measures when a small engine fires, from a sound recording of
// its spark and of a pick-up that passes once per revolution.
//
// # Commands
//
//	sparkscope measure RECORDING   advance and speed of every spark of a recording
//	sparkscope check RECORDING     whether a recording is fit to measure, what to change
//	sparkscope serve               the live instrument as a page in the browser
//	sparkscope page FOLDER         that page as a folder of files, for a phone
//	sparkscope session RECORDING   a long one, split into idle, holds and pulls
//	sparkscope batch FOLDER        all recordings of a folder, into one table
//	sparkscope logbook             results kept by engine, found again, over months
//	sparkscope calibrate           reference angle, delays, skew, with their ±
//	sparkscope engine              the file of an engine: new, show, check
//	sparkscope job ENGINE.toml     where its timing stands, what is next and how
//	sparkscope bench               top dead centre, piston drop, rim, gap: before it runs
//	sparkscope print               degree wheel, rim tape, pointers, worksheet on paper
//	sparkscope contacts            when contacts open and close, while nothing turns
//	sparkscope demo                a worked example on an invented engine
//	sparkscope simulate            a recording of an invented engine, with its truth
//	sparkscope study               the instrument itself against simulated truth
//	sparkscope help COMMAND        all flags of a command
//
// # A first look
//
// The demo makes a recording of an engine that does not exist, so that its
// true advance is known, and measures it:
//
//	sparkscope demo
//
// Its recording is measured like any other. The reference of that engine
// passes its pick-up 30 degrees before top dead centre:
//
//	sparkscope measure sparkscope-demo/recording.wav --reference-angle 30
//
// # Angles
//
// Angles are crank degrees before top dead centre: positive before, negative
// after. Without --reference-angle no recording can say where top dead centre
// is; angles are then relative to the reference and every output says so:
//
//	sparkscope measure sparkscope-demo/recording.wav
//
// With a target the answer becomes a verdict, and the exit status with it.
// What is not known of the pick-ups' delays counts against it; here they were
// tried and are known to 10 µs:
//
//	sparkscope measure sparkscope-demo/recording.wav --reference-angle 30 --delay-tolerance 10us --target 18 --tolerance 2
//
// # Calibrating
//
// What the measurement must know of its pick-ups is found one at a time, each
// with its ± and its working, and kept in a file that measure reads:
//
//	sparkscope calibrate wheel --readings 30/30.5/29.5/30/30.5 --engine bench.toml
//	sparkscope measure sparkscope-demo/recording.wav --engine bench.toml
//
// # Before the engine runs
//
// What the bench needs is worked out from what was read there, with its ± and
// its working:
//
//	sparkscope bench tdc --readings 42/320
//	sparkscope bench drop --stroke 50 --rod 100 --angle 18
//	sparkscope bench rim --diameter 160 --angle 18
//	sparkscope bench gap --pairs 0.35:16/0.45:20 --target 18
//
// # Outputs
//
// The result goes to standard output as text. Tables, pictures and the whole
// result go to files beside it:
//
//	sparkscope measure sparkscope-demo/recording.wav --reference-angle 30 --events events.csv --json result.json --plot advance.png
//
// # Exit status
//
//	0  measured; within tolerance, or no target given
//	1  measured, and not shown to be within tolerance; check: not fit, or with doubts
//	2  wrong usage
//	3  the recording cannot be measured
//	4  an output could not be written
//
// A run that fails leaves no half-written output and earlier outputs as they
// were.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"math"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/calibrate"
	"sparkscope/report"
	"sparkscope/report/logbook"
)

// version is what --version says.
const version = "0.1.0"

// Exit statuses of every command.
const (
	exitOK       = 0
	exitVerdict  = 1 // measured, and not shown to be within tolerance
	exitUsage    = 2
	exitMeasure  = 3 // the recording cannot be measured
	exitNoOutput = 4 // an output could not be written
)

// errNotWithin ends a run that measured but did not show the engine to be
// within tolerance. The report has said so already; nothing is added to it.
var errNotWithin = errors.New("not shown to be within tolerance")

// usageError is a wrong use of the command line: exit status 2.
type usageError struct{ msg string }

func (e *usageError) Error() string { return e.msg }

// usagef makes a usageError; the message is one sentence without the
// command's name and without a full stop.
func usagef(format string, a ...any) error {
	return &usageError{msg: fmt.Sprintf(format, a...)}
}

// takesNone refuses words after a command that has flags only; hint says what is
// wanted in their place, from the punctuation on, or nothing.
func takesNone(command, hint string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usagef("%s takes no %q%s", command, args[0], hint)
		}
		return nil
	}
}

// outputError is an output that could not be written: exit status 4.
type outputError struct {
	path string // as the user gave it
	err  error
}

func (e *outputError) Error() string {
	// A PathError names the temporary file, which says nothing to the user.
	err := e.err
	var pe *os.PathError
	if errors.As(err, &pe) {
		err = pe.Err
	}
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Sprintf("cannot write %s: permission denied; name a file in a folder of your own", e.path)
	}
	return fmt.Sprintf("cannot write %s: %v", e.path, err)
}

func (e *outputError) Unwrap() error { return e.err }

func main() {
	keepSmall()
	// The FLAC decoder speaks to its makers on the standard logger, once for
	// every frame of a recording at 176.4 kHz. Nothing here uses that logger.
	log.SetOutput(io.Discard)
	// A reader that goes away ends the run as an output that could not be
	// written, with the temporary files removed, not by a signal.
	signal.Ignore(syscall.SIGPIPE)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	status := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// keepSmall lets the garbage collector run sooner than it would, so that a
// recording of any length is measured in well under 64 MiB. The limit is a soft
// one: a recording with very many sparks goes above it, at some cost in time.
// Whoever sets GOGC or GOMEMLIMIT knows better.
func keepSmall() {
	if os.Getenv("GOGC") == "" && os.Getenv("GOMEMLIMIT") == "" {
		debug.SetGCPercent(100)
		debug.SetMemoryLimit(42 << 20)
	}
}

// roomy runs a command without that limit, where its memory is above it by what
// it does and the collector would run all the time.
func roomy(run func(*cobra.Command, []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		if os.Getenv("GOMEMLIMIT") == "" {
			defer debug.SetMemoryLimit(debug.SetMemoryLimit(math.MaxInt64))
		}
		return run(cmd, args)
	}
}

// run is the whole program: args without the program's name, and the exit
// status. It reads and writes nothing but what it is given and the files that
// args name.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRootCommand(stdin, stdout, stderr)
	root.SetArgs(args)
	cmd, err := root.ExecuteContextC(withArgs(ctx, args))
	name := root.Name()
	if cmd != nil {
		name = cmd.CommandPath()
	}
	var ue *usageError
	var oe *outputError
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, errNotWithin), errors.Is(err, errNotFit):
		return exitVerdict
	case errors.Is(err, errWrongFile):
		return exitUsage
	case errors.As(err, &ue):
		fmt.Fprintf(stderr, "%s: %s.\nFor help: %s --help\n", name, ue.msg, name)
		return exitUsage
	case errors.As(err, &oe), logbook.NotWritten(err):
		err = errors.New(plainError(err))
		fmt.Fprintf(stderr, "%s: %v\n", name, err)
		return exitNoOutput
	case errors.Is(err, context.Canceled):
		fmt.Fprintf(stderr, "%s: stopped; no file was written\n", name)
		return exitMeasure
	default:
		fmt.Fprintf(stderr, "%s: %s\n", name, plainError(err))
		var re *calibrate.RefusedError
		if errors.Is(err, analysis.ErrCannotMeasure) || errors.As(err, &re) {
			fmt.Fprintln(stderr, report.HandsOff)
		}
		return exitMeasure
	}
}

// newRootCommand builds the command line.
func newRootCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	root := &cobra.Command{
		Use:   "sparkscope",
		Short: "Measures when an engine fires, from a sound recording",
		Long: `Sparkscope measures when a small engine fires, and at what speed, from a sound
recording of its spark on one channel and of a pick-up that passes once per
revolution on the other.

To see what it does, on an engine that does not exist:  sparkscope demo`,
		Version:       version,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return unknownCommand(cmd, args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SetVersionTemplate("sparkscope {{.Version}}\n")
	root.SetFlagErrorFunc(flagError)
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages", fmt.Sprintf(".FlagUsagesWrapped %d", helpWidth)))
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetHelpCommand(&cobra.Command{
		Use:   "help [COMMAND]",
		Short: "Show what a command does and all its flags",
		RunE: func(cmd *cobra.Command, args []string) error {
			of, rest, err := root.Find(args)
			if err != nil || of == nil || len(rest) > 0 {
				return unknownCommand(root, strings.Join(args, " "))
			}
			return of.Help()
		},
	})
	root.AddCommand(commands(stdin, stdout, stderr)...)
	return root
}

// helpWidth is how many characters a line of the flags' list has at most, about.
const helpWidth = 122

// plainError is an error's text without the package that found it, which says
// nothing to the user.
func plainError(err error) string {
	s := err.Error()
	for _, p := range []string{"analysis: ", "wav: ", "flac: ", "session: ", "table: ", "dsp: ", "plot: ", "report: ", "calibrate: ", "enginefile: ", "logbook: ", "print: "} {
		s = strings.ReplaceAll(strings.TrimPrefix(s, p), ": "+p, ": ")
	}
	return s
}

// unknownCommand says that there is no such command, and which one may have
// been meant.
func unknownCommand(root *cobra.Command, name string) error {
	if name == "version" {
		return usagef("there is no command %q; sparkscope --version shows it", name)
	}
	// Of a short word two letters are most of it.
	root.SuggestionsMinimumDistance = min(2, len(name)/3)
	if s := root.SuggestionsFor(name); len(s) > 0 {
		return usagef("there is no command %q; perhaps %q was meant", name, s[0])
	}
	if end := strings.ToLower(filepath.Ext(name)); (end == ".wav" || end == ".flac") && root.Parent() == nil {
		return usagef("there is no command %q; to measure a recording, put measure in front of its name", name)
	}
	return usagef("there is no command %q", name)
}

// flagError turns what the flag parser says into one sentence.
func flagError(cmd *cobra.Command, err error) error {
	var missing *pflag.NotExistError
	var novalue *pflag.ValueRequiredError
	var invalid *pflag.InvalidValueError
	switch {
	case errors.As(err, &missing):
		// Of a word that is no command of these, the flags are not looked at.
		if words := cmd.Flags().Args(); len(words) > 0 && cmd.HasAvailableSubCommands() && cmd.HasParent() && cmd.Args != nil {
			return cmd.Args(cmd, words)
		}
		name := missing.GetSpecifiedName()
		if missing.GetSpecifiedShortnames() != "" {
			return usagef("there is no flag -%s", name)
		}
		if s := nearestFlag(cmd, name); s != "" {
			return usagef("there is no flag --%s; perhaps --%s was meant", name, s)
		}
		return usagef("there is no flag --%s", name)
	case errors.As(err, &novalue):
		return usagef("--%s needs a value", novalue.GetFlag().Name)
	case errors.As(err, &invalid):
		return usagef("--%s %q: %v", invalid.GetFlag().Name, invalid.GetValue(), plainCause(invalid.Unwrap()))
	}
	return &usageError{msg: err.Error()}
}

// plainCause drops the parser's own words from a number that does not parse.
func plainCause(err error) string {
	s := err.Error()
	switch {
	case strings.HasPrefix(s, "strconv.ParseInt"), strings.HasPrefix(s, "strconv.ParseUint"):
		return "want a whole number"
	case strings.HasPrefix(s, "strconv.ParseFloat"):
		return "want a number, with a point, not a comma, and without a unit"
	case strings.HasPrefix(s, "strconv.ParseBool"):
		return "want true or false"
	case strings.HasPrefix(s, "time: "):
		return "want a duration such as 250us or 2s"
	}
	return s
}

// nearestFlag is the flag of cmd whose name is name but for two letters, or
// else the shortest that holds it; empty when there is none.
func nearestFlag(cmd *cobra.Command, name string) string {
	near, part := "", ""
	best := 3
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if d := editDistance(f.Name, name); d < best {
			near, best = f.Name, d
		}
		if strings.Contains(f.Name, name) && (part == "" || len(f.Name) < len(part)) {
			part = f.Name
		}
	})
	if near != "" {
		return near
	}
	return part
}

// editDistance counts the letters to insert, drop or change to turn a into b
// (Levenshtein).
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
