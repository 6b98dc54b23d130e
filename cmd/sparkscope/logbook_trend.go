package main

import (
	"bytes"
	"context"
	"io"

	"github.com/spf13/cobra"

	"sparkscope/analysis/history"
	"sparkscope/report"
	"sparkscope/report/logbook"
	"sparkscope/report/plot"
)

// trendOptions is what the trend command was told.
type trendOptions struct {
	queryOptions
	rpm            int
	json, plotFile string
}

// newLogbookTrendCommand makes `sparkscope logbook trend`.
func newLogbookTrendCommand(stdout io.Writer) *cobra.Command {
	var o trendOptions
	cmd := &cobra.Command{
		Use:   "trend ENGINE",
		Short: "How the timing of one engine moves from date to date",
		Long: `Shows the mean advance of one engine with its ± from date to date, against the
target, and lays a straight line through the means where that is honest: at least
five results of four days, between which nobody adjusted the engine (a result
marked "after" begins anew) and the reference was not set up otherwise.

Where the recordings cover different speeds, --rpm takes the means of the range of
speed that holds it.`,
		Example: `  sparkscope logbook trend 'bench two-stroke'
  sparkscope logbook trend 'bench two-stroke' --rpm 3000 --plot months.png`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("want the name of one engine (with blanks in it, in quotes), as logbook list shows it")
			}
			return nil
		},
	}
	f := cmd.Flags()
	o.logbookFile.register(f)
	f.StringVar(&o.from, "from", "", "only recorded on this `DATE` or later, 2026-03-14")
	f.StringVar(&o.to, "to", "", "only recorded on this `DATE` or earlier")
	f.Var(wholeFlag{&o.rpm, 100000}, "rpm", "take the means at this speed (default: over all speeds)")
	f.Var(fileFlag{&o.json}, "json", "write it as JSON; - is standard output, and then nothing else goes\nthere")
	f.Var(fileFlag{&o.plotFile}, "plot", "draw it; the ending decides: .png .svg .pdf")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		o.q.Engine = args[0]
		return o.run(cmd.Context(), stdout)
	}
	return cmd
}

func (o *trendOptions) run(ctx context.Context, stdout io.Writer) error {
	if err := o.dates(); err != nil {
		return err
	}
	var c history.Course
	var left int
	name, rpm := o.q.Engine, float64(o.rpm)
	outs := &outputs{stdout: stdout}
	outs.add("--json", o.json, func(w io.Writer) error { return report.HistoryJSON(w, name, &c, rpm, left) })
	if o.plotFile != "" {
		format, err := plot.FormatOf(o.plotFile)
		if err != nil {
			return usagef("--plot %q: want a name that ends in .png, .svg or .pdf", o.plotFile)
		}
		outs.add("--plot", o.plotFile, func(w io.Writer) error { return report.HistoryPlot(w, name, &c, rpm, format) })
	}
	said := stdout
	if outs.usesStdout() {
		said = nil
	}
	outs.addText(func(w io.Writer) error { return report.HistoryText(w, name, &c, rpm, left) })
	return o.use(ctx, false, said, func(b *logbook.Logbook) error {
		if err := checkBeside(outs, b); err != nil {
			return err
		}
		rows, err := b.Find(ctx, o.q)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return none(ctx, b, stdout)
		}
		name = rows[0].Engine
		references, err := b.References(ctx, name)
		if err != nil {
			return err
		}
		entries := entriesOf(rows, references)
		if rpm > 0 {
			if entries, left, err = atSpeed(ctx, b, entries, rpm); err != nil {
				return err
			}
		}
		var relative int
		c, relative = history.Of(entries)
		left += relative
		return outs.commit()
	})
}

// atSpeed are the entries with the means at a speed, and how many have none.
func atSpeed(ctx context.Context, b *logbook.Logbook, entries []history.Entry, rpm float64) (out []history.Entry, left int, err error) {
	for _, e := range entries {
		w, err := b.Result(ctx, e.Number)
		if err != nil {
			return nil, 0, err
		}
		r, err := report.ReadJSON(bytes.NewReader(w.Document))
		if err != nil {
			return nil, 0, err
		}
		if report.AtSpeed(&e, r, rpm) {
			out = append(out, e)
		} else {
			left++
		}
	}
	return out, left, nil
}
