package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"sparkscope/dsp/study"
)

// newStudyContactsCommand builds "sparkscope study contacts".
func newStudyContactsCommand(stdout io.Writer) *cobra.Command {
	var (
		cases   []string
		changes = 100
		hours   = 0.4
		seed    = uint64(1)
	)
	cmd := &cobra.Command{
		Use:   "contacts [flags]",
		Short: "The contact tone: what it hears of simulated contacts",
		Long: `Opens and closes simulated contacts with a tone across them, coil and condenser
connected or not, under hum, noise and all else, and prints how many openings
and closings were heard, how late, how exactly, and what was heard that was not
there.`,
		Args: takesNone("study contacts", "; cases are named by --case"),
	}
	f := cmd.Flags()
	f.StringSliceVar(&cases, "case", nil, "cases: `NAME,...`; all where none is named")
	f.IntVar(&changes, "changes", changes, "openings and closings in each case: `N`")
	f.Float64Var(&hours, "hours", hours, "how long to listen to contacts that stay as they are: `HOURS`")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same contacts")
	f.SortFlags = false
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if changes < 2 || changes > 100000 {
			return usagef("--changes %d: want 2 to 100000", changes)
		}
		if !(hours >= 0 && hours <= 100) {
			return usagef("--hours %g: want 0 to 100", hours)
		}
		var names []string
		all := study.ToneCases(changes, hours, seed)
		for _, c := range all {
			names = append(names, c.Name)
		}
		asked, err := chosen("case", names, cases)
		if err != nil {
			return err
		}
		var run []study.ToneCase
		for _, c := range all {
			for _, name := range asked {
				if c.Name == name {
					run = append(run, c)
				}
			}
		}
		fmt.Fprintf(stdout, "%s%s\n", studyHead(cmd), study.ToneLegend)
		for _, c := range run {
			fmt.Fprintf(stdout, "  %-13s %s\n", c.Name, c.Doc)
		}
		fmt.Fprintf(stdout, "\n%s\n", study.ToneHeader())
		return each(cmd.Context(), run, study.RunTone, func(r study.ToneRow) error {
			_, err := fmt.Fprintln(stdout, r)
			return err
		})
	}
	return cmd
}
