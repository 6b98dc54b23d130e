package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/report"
	"sparkscope/report/logbook"
)

// queryOptions say which results are wanted.
type queryOptions struct {
	logbookFile
	q        logbook.Query
	from, to string
}

func (o *queryOptions) register(f *pflag.FlagSet) {
	o.logbookFile.register(f)
	f.StringVar(&o.q.Engine, "engine-name", "", "only of the engine of this `NAME`")
	f.StringVar(&o.from, "from", "", "only recorded on this `DATE` or later, 2026-03-14")
	f.StringVar(&o.to, "to", "", "only recorded on this `DATE` or earlier")
	f.Var(choiceFlag{func(w string) { o.q.Decision = w }, []string{"within", "outside", "undecided"}}, "verdict", "only with this verdict")
	f.StringVar(&o.q.Finding, "finding", "", "only with a finding of this `CODE`, such as timing-offset")
	f.StringVar(&o.q.Mark, "mark", "", "only with this mark, `WORD`")
	f.Var(wholeFlag{&o.q.Last, 1 << 30}, "last", "only the newest so many (default: all)")
}

// dates reads --from and --to.
func (o *queryOptions) dates() error {
	for _, d := range []struct {
		flag, text string
		to         *logbook.Date
	}{{"--from", o.from, &o.q.From}, {"--to", o.to, &o.q.To}} {
		if d.text == "" {
			continue
		}
		var err error
		if *d.to, err = logbook.ParseDate(d.text, time.Local); err != nil {
			return usagef("%s: %s", d.flag, plainError(err))
		}
	}
	return nil
}

// list prints the results that are wanted.
func (o *queryOptions) list(ctx context.Context, stdout io.Writer) error {
	if err := o.dates(); err != nil {
		return err
	}
	return o.use(ctx, false, stdout, func(b *logbook.Logbook) error {
		rows, err := b.Find(ctx, o.q)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return none(ctx, b, stdout)
		}
		if err := report.HistoryList(stdout, entriesOf(rows, nil)); err != nil {
			return err
		}
		_, err = fmt.Fprintln(stdout)
		return err
	})
}

// none says that nothing was found, and why.
func none(ctx context.Context, b *logbook.Logbook, stdout io.Writer) error {
	n, err := b.Count(ctx)
	if err != nil {
		return err
	}
	said := "No result is like that."
	if n == 0 {
		said = `The logbook is empty: "sparkscope logbook add RECORDING" adds a result.`
	}
	_, err = fmt.Fprintln(stdout, said)
	return err
}

// newLogbookListCommand makes `sparkscope logbook list`.
func newLogbookListCommand(stdout io.Writer) *cobra.Command {
	var o queryOptions
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the results, by engine, in the order in which they were recorded",
		Long: `Lists the results of the logbook, by engine and in the order in which they were
recorded: number, date, recording, advance with its ±, speeds, verdict and
marks. The flags below leave out what is not asked for.`,
		Example: `  sparkscope logbook list --last 20
  sparkscope logbook list --engine-name 'bench two-stroke' --from 2026-01-01
  sparkscope logbook list --verdict outside --finding timing-scatter`,
		Args: takesNone("list", ": an engine is named by --engine-name, a word is looked for by search"),
		RunE: func(cmd *cobra.Command, _ []string) error { return o.list(cmd.Context(), stdout) },
	}
	o.register(cmd.Flags())
	return cmd
}

// newLogbookSearchCommand makes `sparkscope logbook search`.
func newLogbookSearchCommand(stdout io.Writer) *cobra.Command {
	var o queryOptions
	cmd := &cobra.Command{
		Use:   "search WORD [WORD ...]",
		Short: "List the results in which all words occur",
		Long: `Lists the results in which every WORD occurs: in the engine's name, the name of
the recording's file, its date, the verdict, marks, remarks on result or engine,
or the findings. Capitals make no difference; a WORD with blanks goes in quotes.`,
		Example: `  sparkscope logbook search condenser
  sparkscope logbook search 'new plug' 2026-03 --verdict within`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("say which word is to be looked for")
			}
			for _, a := range args {
				if a == "" {
					return usagef("an empty word is in everything: list shows all results")
				}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o.q.Words = args
			return o.list(cmd.Context(), stdout)
		},
	}
	o.register(cmd.Flags())
	return cmd
}
