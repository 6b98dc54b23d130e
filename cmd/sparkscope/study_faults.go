package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/study"
	"sparkscope/dsp/synth"
)

func newStudyFaultsCommand(stdout, stderr io.Writer) *cobra.Command {
	var (
		troubles, pickups []string
		severities        []int
		rates             []float64
		seed              = uint64(3) // with 1, by chance, one of them holds less than can be asked: see TestFaultsAreFair
		family, keep      string
	)
	cmd := &cobra.Command{
		Use:   "faults [flags]",
		Short: "Everything that goes wrong in a shop, measured against the truth",
		Long: `Records an invented engine with every trouble of a shop, at two severities, at
four sampling rates and with every pick-up, measures each file as the command
measure does, and sets what comes out against the truth and against an oracle
that knows the exact times. The shape of the spark's pulse changes from row to
row by a fixed rule; with --family it is the same in all but a microphone's rows.

The seed is 3, and not 1 as in the other studies: with 1 a recording of an engine
turned by hand comes out such that the oracle itself has 3 of 20 angles off by
more than it asks of the instrument.

Severity 1 alone took seven minutes of processor time, all rows thirteen.`,
		Example: `  sparkscope study faults --severity 1 --rate 48000
  sparkscope study faults --trouble none --family front-s
  sparkscope study faults --trouble hum,clip --pickup coil --keep /tmp/recordings`,
		Args: takesNone("study faults", "; recordings are chosen by --trouble, --severity, --rate, --pickup, --family"),
	}
	f := cmd.Flags()
	f.StringSliceVar(&troubles, "trouble", nil, "only these troubles: `NAME,...`")
	f.IntSliceVar(&severities, "severity", nil, "only this severity, 1 or 2: `N`")
	f.Float64SliceVar(&rates, "rate", nil, "only these sampling rates: `HZ,...`")
	f.StringSliceVar(&pickups, "pickup", nil, "only these references, of reed, hall and coil: `NAME,...`")
	f.StringVar(&family, "family", "", "this pulse family in all rows: `NAME` as in study timing")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same recordings")
	f.StringVar(&keep, "keep", "", "keep the recordings and their truth in this `FOLDER`")
	f.SortFlags = false
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var names []string
		for _, k := range study.FaultKinds() {
			names = append(names, k.Name)
		}
		if _, err := chosen("trouble", names, troubles); err != nil {
			return err
		}
		if family != "" {
			var families []string
			for _, f := range synth.Families() {
				families = append(families, f.Name)
			}
			if !slices.Contains(families, family) {
				return usagef("--family %q: want one of %s", family, strings.Join(families, ", "))
			}
		}
		var faults []study.Fault
		for _, c := range study.Faults(seed, family) {
			if in(troubles, c.Trouble) && in(severities, c.Severity) && in(rates, c.RateHz) && in(pickups, string(c.Pickup)) {
				faults = append(faults, c)
			}
		}
		if len(faults) == 0 {
			return usagef("no recording of the matrix is all of that: without flags all are listed")
		}
		folder := keep
		if keep == "" {
			var err error
			if folder, err = os.MkdirTemp("", "sparkscope-faults-"); err != nil {
				return &outputError{"a temporary folder", err}
			}
			defer os.RemoveAll(folder)
		} else if err := os.MkdirAll(keep, 0o777); err != nil {
			return &outputError{keep, err}
		}
		fmt.Fprintf(stdout, "%s%s\n%s\n", studyHead(cmd), study.FaultsLegend(), study.FaultsHeader())
		var rows []study.FaultRow
		done, clear := counted(stderr, len(faults))
		defer clear()
		work := func(c study.Fault) (study.FaultRow, error) { return runFault(cmd.Context(), c, folder, keep != "") }
		if err := each(cmd.Context(), faults, work, func(r study.FaultRow) error {
			rows = append(rows, r)
			clear()
			_, err := fmt.Fprintln(stdout, r.Line())
			done()
			return err
		}); err != nil {
			return err
		}
		clear()
		_, err := fmt.Fprintf(stdout, "\n%s", study.FaultsSummary(rows))
		return err
	}
	return cmd
}

// in says whether v is asked for: everything is where nothing is.
func in[T comparable](asked []T, v T) bool { return len(asked) == 0 || slices.Contains(asked, v) }

// runFault records a fault in the folder, measures the file, and judges.
func runFault(ctx context.Context, c study.Fault, folder string, keep bool) (row study.FaultRow, err error) {
	if ctx == nil {
		ctx = context.Background()
	}
	bench, err := c.Bench()
	if err != nil {
		return row, fmt.Errorf("%s: %w", c, err)
	}
	path := filepath.Join(folder, strings.ReplaceAll(c.String(), "/", "_")+".wav")
	table := ""
	if keep {
		table = strings.TrimSuffix(path, ".wav") + ".csv"
	}
	truth, err := recordScene(ctx, bench.Spec, damage{bench.Header, bench.Header != ""}, path, table, io.Discard)
	if err != nil {
		return row, err
	}
	if !keep {
		defer func() { err = errors.Join(err, os.Remove(path)) }()
	}
	result, err := measurePath(ctx, path, bench.Setup)
	var refused *analysis.CannotMeasureError
	if err != nil && !errors.As(err, &refused) {
		return row, fmt.Errorf("%s: %w", c, err)
	}
	return study.Judge(c, truth, result, refused)
}

// measurePath measures a recording's file.
func measurePath(ctx context.Context, path string, setup analysis.Setup) (*analysis.Result, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return measureStream(ctx, f, path, setup)
}
