package main

import (
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"sparkscope/report/logbook"
)

// newLogbookMarkCommand makes `sparkscope logbook mark`.
func newLogbookMarkCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	var off bool
	cmd := &cobra.Command{
		Use:   "mark NUMBER WORD",
		Short: "Put a mark on a result: before, after, or any other word",
		Long: `Puts a mark on a result. The mark "after" says that the engine was adjusted before
this recording: trend lays no line across it. Any other word is yours.`,
		Example: `  sparkscope logbook mark 4 after
  sparkscope logbook mark 4 'new condenser'
  sparkscope logbook mark 4 after --off`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 2 {
				return usagef("want the number of a result, and a word (with blanks in it, in quotes)")
			}
			_, err := resultNumber(args[0])
			return err
		},
	}
	l.register(cmd.Flags())
	cmd.Flags().BoolVar(&off, "off", false, "take the mark off")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		n, err := resultNumber(args[0])
		if err != nil {
			return err
		}
		return l.use(cmd.Context(), false, stdout, func(b *logbook.Logbook) error {
			if err := b.Mark(cmd.Context(), n, args[1], off); err != nil {
				return err
			}
			said := "Result %d is marked %q.\n"
			if off {
				said = "Result %d is no longer marked %q.\n"
			}
			_, err := fmt.Fprintf(stdout, said, n, args[1])
			return err
		})
	}
	return cmd
}

// newLogbookRemarkCommand makes `sparkscope logbook remark`.
func newLogbookRemarkCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	var engine string
	cmd := &cobra.Command{
		Use:   "remark NUMBER TEXT | remark --engine-name NAME TEXT",
		Short: "Write a remark on a result, or on an engine",
		Long:  `Writes a remark on a result, or on an engine, in the logbook. Earlier remarks stay.`,
		Example: `  sparkscope logbook remark 4 'contacts filed, gap 0.38'
  sparkscope logbook remark --engine-name 'bench two-stroke' 'magnet glued on again in March'`,
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case engine != "" && len(args) != 1:
				return usagef("want one remark besides the engine's name, in quotes")
			case engine == "" && len(args) != 2:
				return usagef("want the number of a result, and a remark (in quotes); a remark on an engine needs --engine-name instead of the number")
			}
			return nil
		},
	}
	l.register(cmd.Flags())
	cmd.Flags().StringVar(&engine, "engine-name", "", "the engine of this `NAME`")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		var n int64
		if engine == "" {
			var err error
			if n, err = resultNumber(args[0]); err != nil {
				return err
			}
		}
		return l.use(cmd.Context(), false, stdout, func(b *logbook.Logbook) error {
			if engine != "" {
				if err := b.RemarkEngine(cmd.Context(), engine, args[0], time.Now()); err != nil {
					return err
				}
				_, err := fmt.Fprintf(stdout, "Remarked on %s.\n", engine)
				return err
			}
			if err := b.RemarkResult(cmd.Context(), n, args[1], time.Now()); err != nil {
				return err
			}
			_, err := fmt.Fprintf(stdout, "Remarked on result %d.\n", n)
			return err
		})
	}
	return cmd
}

// newLogbookRemoveCommand makes `sparkscope logbook remove`.
func newLogbookRemoveCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	cmd := &cobra.Command{
		Use:   "remove NUMBER",
		Short: "Take a result out, with its marks and remarks",
		Long: `Takes a result out of the logbook, with its marks and remarks. Its number is not
given again. The recording's file is not touched.`,
		Args: oneNumber,
	}
	l.register(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		n, err := resultNumber(args[0])
		if err != nil {
			return err
		}
		return l.use(cmd.Context(), false, stdout, func(b *logbook.Logbook) error {
			if err := b.Remove(cmd.Context(), n); err != nil {
				return err
			}
			_, err := fmt.Fprintf(stdout, "Result %d is taken out.\n", n)
			return err
		})
	}
	return cmd
}
