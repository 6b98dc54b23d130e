package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis/history"
	"sparkscope/report/logbook"
	"sparkscope/report/logbook/hook"
)

// newLogbookCommand makes `sparkscope logbook`.
func newLogbookCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "logbook",
		Short: "Keep results by engine, find them again, see how one engine moves",
		Long: `Keeps the results of measurements in one file and finds them again: by engine,
by date, by verdict, by a word; and shows how the timing of one engine moves
over months. A recording is known by its samples, so that a copy under another
name is the same recording. The recordings themselves stay where they are.

The file is FILE of --logbook, else logbook.sqlite in your data folder; the last
line of every output says which. It is an SQLite database, which many programs
open. On another computer: copy the file while nobody writes into it, or back up
here and restore there, or export here and import there.

Exit status: 0 done; 1 (add) the engine is not shown to be within tolerance; 2
wrong usage; 3 no such logbook, result or engine, or the recording cannot be
measured; 4 the logbook or another file could not be written.`,
		Example: `  sparkscope logbook add pull.wav --engine bench.toml
  sparkscope logbook list
  sparkscope logbook trend 'bench two-stroke' --plot months.png
  sparkscope logbook backup /media/stick/logbook.sqlite`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return unknownCommand(cmd, args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		newLogbookAddCommand(stdin, stdout, stderr), newLogbookListCommand(stdout), newLogbookSearchCommand(stdout), newLogbookShowCommand(stdout),
		newLogbookTrendCommand(stdout), newLogbookMarkCommand(stdout), newLogbookRemarkCommand(stdout), newLogbookRemoveCommand(stdout),
		newLogbookExportCommand(stdout), newLogbookImportCommand(stdout, stderr), newLogbookBackupCommand(stdout), newLogbookRestoreCommand(stdout),
	)
	return cmd
}

// logbookFile is the flag --logbook.
type logbookFile struct{ path string }

func (l *logbookFile) register(f *pflag.FlagSet) {
	f.SortFlags = false
	f.Var(fileFlag{&l.path}, "logbook", "the logbook's file (default: logbook.sqlite in your data folder)")
}

// name is the file: what was said, or the one in the user's data folder, whose
// folder is made where make says so.
func (l *logbookFile) name(mkdir bool) (string, error) {
	if l.path != "" {
		return l.path, nil
	}
	dir, err := dataFolder()
	if err != nil {
		return "", usagef("where is the logbook? No data folder is known here (%v): name the file by --logbook", err)
	}
	if mkdir {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return "", &outputError{dir, err}
		}
	}
	return filepath.Join(dir, "logbook.sqlite"), nil
}

// dataFolder is where this system keeps a program's data for one user, and in
// it a folder of this program's own: XDG Base Directory Specification; on Windows
// and macOS as their makers say.
func dataFolder() (string, error) {
	switch runtime.GOOS {
	case "windows":
		if dir := os.Getenv("LocalAppData"); dir != "" {
			return filepath.Join(dir, "sparkscope"), nil
		}
		return "", errors.New("%LocalAppData% is not set")
	case "darwin":
		home, err := os.UserHomeDir()
		return filepath.Join(home, "Library", "Application Support", "sparkscope"), err
	}
	if dir := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "sparkscope"), nil
	}
	home, err := os.UserHomeDir()
	return filepath.Join(home, ".local", "share", "sparkscope"), err
}

// use opens the logbook, has work done in it, and says at the end which it was.
// said is where that goes; nil: nowhere.
func (l *logbookFile) use(ctx context.Context, create bool, said io.Writer, work func(*logbook.Logbook) error) (err error) {
	path, err := l.name(create)
	if err != nil {
		return err
	}
	open := logbook.Open
	if create {
		open = logbook.Create
	}
	b, err := open(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := work(b); err != nil {
		return err
	}
	if said == nil {
		return nil
	}
	n, err := b.Count(ctx)
	if err != nil {
		return err
	}
	results := fmt.Sprintf("%d results", n)
	if n == 1 {
		results = "1 result"
	}
	if b.MigratedFrom > 0 {
		results += fmt.Sprintf("; brought from version %d of its layout to %d", b.MigratedFrom, logbook.Version())
	}
	_, err = fmt.Fprintf(said, "Logbook: %s, %s.\n", path, results)
	return err
}

// hook offers the logbook to a page. It is begun when the first result comes.
func (l *logbookFile) hook() http.Handler {
	return &hook.Hook{Now: time.Now, Open: func(ctx context.Context, create bool) (*logbook.Logbook, error) {
		path, err := l.name(create)
		if err != nil {
			return nil, err
		}
		if create {
			return logbook.Create(ctx, path)
		}
		return logbook.Open(ctx, path)
	}}
}

// checkBeside finds out whether every output can be written, and that none is
// the logbook.
func checkBeside(outs *outputs, b *logbook.Logbook) error {
	for _, f := range outs.list {
		if f.path != "-" && sameFile(f.path, b.Path()) {
			return usagef("%s %s is the logbook itself", f.flag, f.path)
		}
	}
	return outs.check("-")
}

// resultNumber reads the number of a result.
func resultNumber(s string) (int64, error) {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < 1 {
		return 0, usagef("result %q: want its number, as logbook list shows it", s)
	}
	return n, nil
}

// entryOf is a row as reports take it.
func entryOf(r logbook.Row, references map[int64]string) history.Entry {
	return history.Entry{
		Number: r.ID, Engine: r.Engine, Recording: r.Recording, Recorded: r.Recorded.String(), From: string(r.From), Day: r.Recorded.Days(),
		Relative: r.Relative, MinRPM: r.MinRPM, MaxRPM: r.MaxRPM, OK: r.OK, Advance: r.Advance, StdDev: r.StdDev, Expanded: r.Expanded,
		Target: r.Target, Tolerance: r.Tolerance, Deviation: r.Deviation, Decision: r.Decision, Marks: r.Marks, Reference: references[r.ID],
	}
}

// entriesOf are rows as reports take them.
func entriesOf(rows []logbook.Row, references map[int64]string) (out []history.Entry) {
	for _, r := range rows {
		out = append(out, entryOf(r, references))
	}
	return out
}
