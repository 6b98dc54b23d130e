package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/study"
)

func newStudyFindingsCommand(stdout, stderr io.Writer) *cobra.Command {
	count, clean, seed := 100, 200, uint64(1)
	cmd := &cobra.Command{
		Use:   "findings [flags]",
		Short: "How often faults of an engine are found, and how often none is imagined",
		Long: `Draws engines at random, gives each one fault of a stated size, measures it, and
counts how often the fault becomes a finding: at 0.5, 1, 1.5 and 2 times the
threshold. Then engines whose owner mixed something up, a fixed delay against a
real advance curve, and engines with nothing wrong, of which nothing should be
said.`,
		Args: takesNone("study findings", ""),
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.IntVar(&count, "engines", count, "`N` engines with each fault at each size")
	f.IntVar(&clean, "clean", clean, "`N` engines with nothing wrong")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same engines")
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if count < 1 || count > 100000 || clean < 1 || clean > 100000 {
			return usagef("--engines %d, --clean %d: want 1 to 100000", count, clean)
		}
		fmt.Fprintf(stdout, "%s%s\n%s", studyHead(cmd), study.FindingsLegend, study.HabitHead())
		if err := each(cmd.Context(), study.HabitCodes(), func(t analysis.Threshold) (string, error) {
			return study.HabitRow(t, count, seed)
		}, func(row string) error {
			_, err := io.WriteString(stdout, row)
			return err
		}); err != nil {
			return err
		}
		put := func(row string) error {
			_, err := io.WriteString(stdout, row)
			return err
		}
		if err := put(study.SlipHead); err != nil {
			return err
		}
		if err := each(cmd.Context(), study.Slips(), func(s study.Slip) (string, error) { return study.SlipRow(s, count, seed) }, put); err != nil {
			return err
		}
		if err := put(study.BendHead()); err != nil {
			return err
		}
		if err := each(cmd.Context(), study.Bends(), func(b study.Bend) (string, error) { return study.BendRow(b, count, seed) }, put); err != nil {
			return err
		}
		s, err := study.CleanHabits(clean, seed)
		if err != nil {
			return err
		}
		_, err = io.WriteString(stdout, s)
		return err
	}
	return cmd
}
