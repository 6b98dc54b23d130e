package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/analysis/study"
	"sparkscope/dsp/synth"
)

func newStudyAnglesCommand(stdout io.Writer) *cobra.Command {
	var (
		only []string
		seed = uint64(1)
	)
	cmd := &cobra.Command{
		Use:   "angles [flags]",
		Short: "Angles of whole recordings against the truth",
		Long: `Simulates recordings of an invented engine, measures each, and sets what comes
out against the truth: pulse families, pick-ups, sampling rates, speeds, and the
troubles of a shop. Takes a few minutes.`,
		Args: takesNone("study angles", "; cases are named by --case"),
	}
	f := cmd.Flags()
	f.StringSliceVar(&only, "case", nil, "only cases whose name holds each `TEXT,...`, as in --case coil,/pull/")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same recordings")
	f.SortFlags = false
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var families []string
		for _, f := range synth.Families() {
			families = append(families, f.Name)
		}
		var cases []study.Case
		for _, c := range study.Cases(families, seed) {
			fits := true
			for _, t := range only {
				fits = fits && strings.Contains(c.String(), t)
			}
			if fits {
				cases = append(cases, c)
			}
		}
		if len(cases) == 0 {
			return usagef("--case %s: there is no such case; without --case all are listed", strings.Join(only, ","))
		}
		fmt.Fprintf(stdout, "%s%s\n%s\n", studyHead(cmd), study.Legend(), study.Header())
		var rows []study.Row
		if err := each(cmd.Context(), cases, shared(study.Run), func(r study.Row) error {
			rows = append(rows, r)
			_, err := fmt.Fprintln(stdout, r.Line())
			return err
		}); err != nil {
			return err
		}
		_, err := fmt.Fprintf(stdout, "\n%s", study.Summary(rows))
		return err
	}
	return cmd
}
