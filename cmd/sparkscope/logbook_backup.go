package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"sparkscope/report/logbook"
)

// newLogbookBackupCommand makes `sparkscope logbook backup`.
func newLogbookBackupCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	cmd := &cobra.Command{
		Use:   "backup FILE",
		Short: "Write a copy of the whole logbook",
		Long: `Writes a copy of the whole logbook, of one moment, while other programs may go on
writing into the logbook. The copy is read through before it takes the place of an
earlier one. Keep it on another disk.`,
		Example: `  sparkscope logbook backup /media/stick/logbook.sqlite`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("want the name of one file to write the copy to, best on another disk")
			}
			return nil
		},
	}
	l.register(cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return l.use(cmd.Context(), false, stdout, func(b *logbook.Logbook) error {
			if sameFile(b.Path(), args[0]) {
				return usagef("%s is the logbook itself: want another file, best on another disk", args[0])
			}
			outs := &outputs{stdout: stdout}
			outs.add("", args[0], nil)
			if err := outs.check("-"); err != nil {
				return err
			}
			if err := b.Backup(cmd.Context(), args[0]); logbook.NotWritten(err) {
				return err
			} else if err != nil {
				return &outputError{args[0], err}
			}
			_, err := fmt.Fprintf(stdout, "Backed up to %s.\n", args[0])
			return err
		})
	}
	return cmd
}

// newLogbookRestoreCommand makes `sparkscope logbook restore`.
func newLogbookRestoreCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	var replace bool
	cmd := &cobra.Command{
		Use:   "restore BACKUP",
		Short: "Make the logbook what a backup is",
		Long: `Makes the logbook what the backup is. Where there is a logbook already, it is
replaced only with --replace, and kept beside it under its name with
.before-restore behind. To add what a backup has to a logbook, use import.`,
		Example: `  sparkscope logbook restore /media/stick/logbook.sqlite`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("want the name of one backup")
			}
			return nil
		},
	}
	l.register(cmd.Flags())
	cmd.Flags().BoolVar(&replace, "replace", false, "let it take the place of the logbook that is there")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		path, err := l.name(true)
		if err != nil {
			return err
		}
		kept, err := logbook.Restore(cmd.Context(), args[0], path, replace)
		switch {
		case errors.Is(err, logbook.ErrExists):
			return usagef("%s is a logbook already: --replace puts the backup in its place and keeps it as %s.before-restore; import adds to it what the backup has", path, filepath.Base(path))
		case err != nil:
			return err
		}
		if kept != "" {
			fmt.Fprintf(stdout, "What was there is kept as %s.\n", kept)
		}
		return l.use(cmd.Context(), false, stdout, func(*logbook.Logbook) error {
			_, err := fmt.Fprintf(stdout, "Restored from %s.\n", args[0])
			return err
		})
	}
	return cmd
}
