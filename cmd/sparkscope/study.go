package main

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/dsp"
	"sparkscope/dsp/study"
)

// newStudyCommand builds "sparkscope study": the instrument measured against
// simulated truth. It is for who works on the instrument or doubts it; its
// tables are committed beside the code they judge.
func newStudyCommand(stdout, stderr io.Writer) *cobra.Command {
	studies := []*cobra.Command{
		newStudyTimingCommand(stdout), newStudyAnglesCommand(stdout), newStudyFaultsCommand(stdout, stderr), newStudyCoverageCommand(stdout, stderr),
		newStudyFindingsCommand(stdout, stderr), newStudyContactsCommand(stdout), newStudyLiveCommand(stdout, stderr), newStudySpeedCommand(stdout, stderr), newStudyLogbookCommand(stdout, stderr), newStudyBatchCommand(stdout, stderr), newStudySessionCommand(stdout, stderr),
	}
	var names []string
	for _, c := range studies {
		names = append(names, c.Name())
		switch c.Name() {
		case "timing", "angles", "faults", "coverage", "findings", "session":
			// Several recordings at a time, each rendered in memory.
			c.RunE = roomy(c.RunE)
		}
	}
	last := len(names) - 1
	oneOf := strings.Join(names[:last], ", ") + " or " + names[last]
	cmd := &cobra.Command{
		Use:   "study " + strings.Join(names, "|"),
		Short: "Measure the instrument itself against simulated truth",
		Long: `Measures the instrument itself:

  timing   single pulses at known moments: constant and random error of each
           pulse family, converter, sampling rate and signal-to-noise ratio,
           beside the least error that any instrument could have
  angles   whole recordings of invented engines: advance against the truth
  faults   the same for everything that goes wrong in a shop, at two severities,
           beside an oracle that knows the exact times
  coverage how often the stated ± holds the truth, and verdicts are right
  findings how often faults of an engine are found, and none is imagined
  session  how often the ± of a session's drift holds the truth
  contacts what the contact tone hears of simulated contacts
  live     delay, processor and memory of the live instrument
  speed    how long a long recording takes, and how much memory
  logbook  how long lists and a backup of ten thousand results take`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("study needs to know what: %s", oneOf)
			}
			return usagef("there is no study of %q: want %s", args[0], oneOf)
		},
		RunE: func(*cobra.Command, []string) error { return nil },
	}
	cmd.AddCommand(studies...)
	return cmd
}

// studyWorkers is how many cases are worked on at once; what comes out does not
// depend on it.
var studyWorkers = runtime.GOMAXPROCS(0)

// upTo are the numbers from 0 on, so many.
func upTo(count int) []int {
	numbers := make([]int, count)
	for i := range numbers {
		numbers[i] = i
	}
	return numbers
}

// shared is a study's work on one recording, with what all know of converters.
func shared[T, R any](work func(T, *dsp.Tables) (R, error)) func(T) (R, error) {
	return func(item T) (R, error) { return work(item, converters) }
}

// each runs work on every item, several at once, and hands the results to
// take in the items' order.
func each[T, R any](ctx context.Context, items []T, work func(T) (R, error), take func(R) error) error {
	type answer struct {
		r   R
		err error
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	answers := make([]chan answer, len(items))
	for i := range answers {
		answers[i] = make(chan answer, 1)
	}
	next := make(chan int)
	go func() {
		defer close(next)
		for i := range items {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	}()
	for range studyWorkers {
		go func() {
			for i := range next {
				r, err := work(items[i])
				answers[i] <- answer{r, err}
			}
		}()
	}
	for i := range items {
		select {
		case a := <-answers[i]:
			if a.err != nil {
				return a.err
			}
			if err := take(a.r); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// counted shows on a terminal how many of all recordings are done: done is one
// more, clear takes the line away for what is printed instead.
func counted(stderr io.Writer, all int) (done, clear func()) {
	if !onTerminal(stderr) {
		return func() {}, func() {}
	}
	begun := time.Now()
	n, shown := 0, false
	done = func() {
		n++
		shown = true
		fmt.Fprintf(stderr, "\r%d of %d recordings, %.0f s", n, all, time.Since(begun).Seconds())
	}
	clear = func() {
		if shown {
			fmt.Fprint(stderr, "\r\x1b[K")
			shown = false
		}
	}
	return done, clear
}

// chosen is the part of all that is asked for; all of it when nothing is.
func chosen(flag string, all, asked []string) ([]string, error) {
	for _, a := range asked {
		if !slices.Contains(all, a) {
			return nil, usagef("--%s %q: want some of %s", flag, a, strings.Join(all, ", "))
		}
	}
	if len(asked) == 0 {
		return all, nil
	}
	return asked, nil
}

// studySNRs are the signal-to-noise ratios of the table, dB.
var studySNRs = []float64{10, 14, 16, 18, 20, 30, 40, 50, 60}

// studyRates are the sampling rates of the table, Hz.
var studyRates = []float64{44100, 48000, 96000, 192000}

func newStudyTimingCommand(stdout io.Writer) *cobra.Command {
	var (
		families, kernels []string
		rates, snrs       []float64
		pulses            = 300
		seed              = uint64(1)
		all               bool
	)
	cmd := &cobra.Command{
		Use:   "timing [flags]",
		Short: "Constant and random timing error against the least possible",
		Long: `Times simulated pulses whose moments are known and prints, for each case, the
constant error, the uncertainty the instrument states for it, the random error
and its ratio to the Cramér-Rao bound.

Without flags: every family, converter and rate at 50 dB, and every family at
every signal-to-noise ratio with the sharp converter at 48 and 192 kHz.
With one of --family, --converter, --rate, --snr: every combination of those
named, all where none is named.`,
		Args: takesNone("study timing", "; cases are named by --family, --converter, --rate, --snr"),
	}
	f := cmd.Flags()
	f.StringSliceVar(&families, "family", nil, "pulse families: `NAME,...`")
	f.StringSliceVar(&kernels, "converter", nil, "converters: `NAME,...`")
	f.Float64SliceVar(&rates, "rate", nil, "sampling rates: `HZ,...`")
	f.Float64SliceVar(&snrs, "snr", nil, "peak over rms noise: `DB,...`")
	f.IntVar(&pulses, "pulses", pulses, "pulses in each case: `N`")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same pulses")
	f.BoolVar(&all, "all", false, "every combination (over half an hour)")
	f.SortFlags = false
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if pulses < 10 || pulses > 100000 {
			return usagef("--pulses %d: want 10 to 100000", pulses)
		}
		short := !all && len(families)+len(kernels)+len(rates)+len(snrs) == 0
		var err error
		if families, err = chosen("family", study.Families(), families); err != nil {
			return err
		}
		if kernels, err = chosen("converter", []string{"sharp", "gentle", "sharp-minimum", "gentle-minimum"}, kernels); err != nil {
			return err
		}
		for _, r := range rates {
			if !(r >= 8000 && r <= 384000) {
				return usagef("--rate %g: want 8000 to 384000", r)
			}
		}
		for _, s := range snrs {
			if !(s >= 0 && s <= 120) {
				return usagef("--snr %g: want 0 to 120", s)
			}
		}
		if len(rates) == 0 {
			rates = studyRates
		}
		product := func(rates, snrs []float64, kernels []string, skip float64) (out []study.Case) {
			for _, fam := range families {
				for _, k := range kernels {
					for _, r := range rates {
						for _, s := range snrs {
							if s != skip {
								out = append(out, study.Case{Family: fam, Kernel: k, RateHz: r, SNRdB: s, Pulses: pulses, Seed: seed})
							}
						}
					}
				}
			}
			return out
		}
		var parts [][]study.Case
		if short {
			// What the first part holds is not run again for the second.
			parts = [][]study.Case{product(rates, []float64{50}, kernels, -1), product([]float64{48000, 192000}, studySNRs, []string{"sharp"}, 50)}
		} else {
			if len(snrs) == 0 {
				snrs = studySNRs
			}
			parts = [][]study.Case{product(rates, snrs, kernels, -1)}
		}
		fmt.Fprintf(stdout, "%s%s", studyHead(cmd), study.Legend)
		var rows []study.Row
		for _, cases := range parts {
			fmt.Fprintf(stdout, "\n%s\n", study.Header())
			if err := each(cmd.Context(), cases, shared(study.Run), func(r study.Row) error {
				rows = append(rows, r)
				_, err := fmt.Fprintln(stdout, r)
				return err
			}); err != nil {
				return err
			}
		}
		_, err = fmt.Fprintf(stdout, "\n%s", study.Summary(rows))
		return err
	}
	return cmd
}

// studyHead is what every table begins with: the command that makes it again,
// and the program that made this one. Nothing in it changes from run to run.
func studyHead(cmd *cobra.Command, leaveOut ...string) string {
	return commandLine(cmd, leaveOut...) + "\n" + builtFrom() + "\n"
}

// commandLine is the command as it would have to be typed to get the same
// whatever the defaults become: with every flag that has a value, given or not,
// but for those to leave out.
func commandLine(cmd *cobra.Command, leaveOut ...string) string {
	line := cmd.CommandPath()
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		v := f.Value.String()
		if list, ok := f.Value.(pflag.SliceValue); ok {
			values := list.GetSlice()
			if f.Value.Type() == "float64Slice" {
				for i, x := range values { // 2.000000
					if n, err := strconv.ParseFloat(x, 64); err == nil {
						values[i] = strconv.FormatFloat(n, 'g', -1, 64)
					}
				}
			}
			v = strings.Join(values, ",")
		}
		switch {
		case f.Name == "help", v == "", slices.Contains(leaveOut, f.Name):
		case f.Value.Type() == "bool":
			if v == "true" {
				line += " --" + f.Name
			}
		default:
			line += " --" + f.Name + " " + v
		}
	})
	return line
}

// builtFrom says which revision of the sources this program was made of, as
// the Go tool wrote it into it.
func builtFrom() string {
	revision, changed := "", false
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				revision = s.Value
			case "vcs.modified":
				changed = s.Value == "true"
			}
		}
	}
	switch {
	case revision == "":
		return "built from a revision that is not known (go run, or no version control)"
	case changed:
		return "built from revision " + revision + ", with changes since"
	}
	return "built from revision " + revision
}

// tidyDefaults keeps pflag from showing "default []" for a list that may be left
// out, and floating point numbers with six decimals.
func tidyDefaults(f *pflag.FlagSet) {
	f.VisitAll(func(f *pflag.Flag) {
		// Of lists of words and whole numbers pflag knows "[]" for none, and "" for
		// a default; of others the other way round.
		if f.Value.Type() == "float64Slice" {
			f.DefValue = strings.ReplaceAll(strings.Trim(f.DefValue, "[]"), ".000000", "")
		}
	})
}
