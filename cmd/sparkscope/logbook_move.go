package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/report/logbook"
)

// newLogbookExportCommand makes `sparkscope logbook export`.
func newLogbookExportCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	format := ""
	cmd := &cobra.Command{
		Use:   "export FILE",
		Short: "Write everything as JSON lines or as a table (CSV)",
		Long: `Writes the whole logbook. As JSON lines (.jsonl), one for each result with the
result itself in it, it can be imported into another logbook. As CSV, one row for
each result, it is a table for other programs. The ending decides, or --format;
- is standard output, and then nothing else goes there.`,
		Example: `  sparkscope logbook export all.jsonl
  sparkscope logbook export results.csv
  sparkscope logbook export - --format csv`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("want the name of one file to write, such as all.jsonl or results.csv, or -")
			}
			return nil
		},
	}
	l.register(cmd.Flags())
	cmd.Flags().Var(choiceFlag{func(w string) { format = w }, []string{"jsonl", "csv"}}, "format", "how it is written (default: by the ending)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		path := args[0]
		if format == "" {
			format = strings.ToLower(strings.TrimPrefix(filepath.Ext(path), "."))
		}
		if format != "jsonl" && format != "csv" {
			return usagef("%s: want a name that ends in .jsonl or .csv, or --format", path)
		}
		said := stdout
		if path == "-" {
			said = nil
		}
		return l.use(cmd.Context(), false, said, func(b *logbook.Logbook) error {
			outs := &outputs{stdout: stdout}
			outs.add("export", path, func(w io.Writer) error {
				if format == "csv" {
					return b.ExportCSV(cmd.Context(), w)
				}
				return b.ExportLines(cmd.Context(), w)
			})
			if err := checkBeside(outs, b); err != nil {
				return err
			}
			if err := outs.commit(); err != nil || path == "-" {
				return err
			}
			_, err := fmt.Fprintf(stdout, "Exported to %s.\n", path)
			return err
		})
	}
	return cmd
}

// newLogbookImportCommand makes `sparkscope logbook import`.
func newLogbookImportCommand(stdout, stderr io.Writer) *cobra.Command {
	var l logbookFile
	cmd := &cobra.Command{
		Use:   "import FILE",
		Short: "Add what another logbook has: its file, a backup, or its export",
		Long: `Adds what another logbook has and this one has not: results, marks, remarks. FILE
is the other logbook itself, a backup of it, or its export as JSON lines. What is
here already is not added again, so that it may be done twice. Results get new
numbers here.`,
		Example: `  sparkscope logbook import /media/stick/logbook.sqlite
  sparkscope logbook import all.jsonl`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("want the name of one file: another logbook, or what export has written")
			}
			return nil
		},
	}
	l.register(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return l.use(cmd.Context(), true, stdout, func(b *logbook.Logbook) error {
			done, err := b.Import(cmd.Context(), args[0])
			if err != nil && done != (logbook.Imported{}) {
				fmt.Fprintf(stderr, "%d results were added before that; when it is mended, import again: nothing is added twice.\n", done.Added)
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(stdout, "Imported from %s: %d new, %d here already.\n", args[0], done.Added, done.Known)
			return err
		})
	}
	return cmd
}
