package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"sparkscope/analysis/study"
)

func newStudySessionCommand(stdout, stderr io.Writer) *cobra.Command {
	var (
		count = 400
		seed  = uint64(1)
	)
	cmd := &cobra.Command{
		Use:   "session [flags]",
		Short: "How often the ± of a session's drift holds the truth",
		Long: `Simulates sessions of invented engines that drift or do not, measures and splits
each, and counts how often what is said of drift, and of one pull less another,
holds the truth, and whether it is off one way.

Took three minutes of processor time.`,
		Args: takesNone("study session", ""),
	}
	f := cmd.Flags()
	f.IntVar(&count, "sessions", count, "`N` sessions")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same sessions")
	f.SortFlags = false
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if count < 1 || count > 100000 {
			return usagef("--sessions %d: want 1 to 100000", count)
		}
		done, clear := counted(stderr, count)
		defer clear()
		var rows []study.SessionCovered
		if err := each(cmd.Context(), upTo(count), func(n int) (study.SessionCovered, error) {
			d, err := study.DrawSession(n, seed)
			if err != nil {
				return study.SessionCovered{}, err
			}
			return study.CoverSession(d, converters)
		}, func(c study.SessionCovered) error {
			rows = append(rows, c)
			done()
			return nil
		}); err != nil {
			return err
		}
		clear()
		_, err := fmt.Fprintf(stdout, "%s%s\n%s", studyHead(cmd), study.SessionLegend, study.Sessions(rows))
		return err
	}
	return cmd
}
