package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/known"
	"sparkscope/report"
	"sparkscope/report/logbook"
)

// entryOptions say how a result goes into the logbook.
type entryOptions struct {
	logbookFile
	file       string // as --logbook of measure says; empty: it was not asked for
	name       string // of the engine
	recorded   string
	marks      []string
	remarks    []string
	date       logbook.Date // recorded, read
	engineText []byte       // of the engine file
	nameOfFile string       // the engine's name in it
	usage      string
	reported   bool // name and date are for a report too, and need no logbook
}

// register declares the flags. usage is that of --logbook; before stands before
// the others' usage.
func (e *entryOptions) register(f *pflag.FlagSet, usage, before string) {
	f.Var(fileFlag{&e.file}, "logbook", usage)
	shared := strings.Replace(before, "for --logbook:", "for --logbook and --report:", 1)
	f.StringVar(&e.name, "engine-name", "", shared+"`NAME` of the engine (default: that in the --engine file)")
	f.StringVar(&e.recorded, "recorded", "", shared+"`DATE` of the recording, 2026-03-14 or 2026-03-14T15:30\n(default: the time of its file)")
	f.StringArrayVar(&e.marks, "mark", nil, before+"a mark on the result: before, after, or any other\n`WORD`; may be repeated")
	if f.Lookup("remark") == nil { // measure has one, for its report too
		f.StringArrayVar(&e.remarks, "remark", nil, before+"a remark on the result, `TEXT`; may be repeated")
	}
	e.usage = before
}

// check finds what does not go together, and what keeps the logbook from being
// written, before any work is done. paths are what is to be added.
func (e *entryOptions) check(ctx context.Context, engine string, paths []string) error {
	if e.name != "" {
		if err := logbook.Check(e.name, nil, nil); err != nil {
			return usagef("--engine-name: %s", plainError(err))
		}
	}
	asked := !e.reported && (e.name != "" || e.recorded != "") || len(e.marks) > 0
	if e.file == "" && e.usage != "" {
		switch {
		case !asked:
		case len(e.marks) > 0:
			return usagef("--mark is for the logbook: it needs --logbook")
		case e.name != "":
			return usagef("--engine-name is for the report and the logbook: it needs --report or --logbook")
		default:
			return usagef("--recorded is for the report and the logbook: it needs --report or --logbook")
		}
		if e.recorded != "" {
			if _, err := logbook.ParseDate(e.recorded, time.Local); err != nil {
				return usagef("--recorded: %s", plainError(err))
			}
		}
		return nil
	}
	e.path = e.file
	if e.recorded != "" {
		if len(paths) > 1 {
			return usagef("--recorded is the date of one recording: add those of other dates one by one")
		}
		var err error
		if e.date, err = logbook.ParseDate(e.recorded, time.Local); err != nil {
			return usagef("--recorded: %s", plainError(err))
		}
	}
	if engine != "" {
		doc, f, err := readEngineFile(engine)
		if err != nil {
			return engineFileError(engine, err)
		}
		e.engineText = doc
		if f.Engine.Name != nil {
			e.nameOfFile = *f.Engine.Name
		}
	}
	if e.name == "" && e.nameOfFile == "" {
		if engine != "" {
			return usagef("which engine? %s has no engine.name: put one in, or give --engine-name", engine)
		}
		return usagef("which engine? Give --engine-name, or an --engine file with a name in it")
	}
	name := e.name
	if name == "" {
		name = e.nameOfFile
	}
	if err := logbook.Check(name, e.marks, e.remarks); err != nil {
		return usagef("%s", plainError(err))
	}
	// The logbook is looked at now, so that nobody measures for nothing; it is
	// begun when there is something to put in.
	path, err := e.logbookFile.name(true)
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if err := (&output{path: path}).inspect(); err != nil {
			return &outputError{path, err}
		}
		return nil
	}
	return e.use(ctx, true, nil, func(*logbook.Logbook) error { return nil })
}

// addResult adds a result that was measured just now from the recording at
// path, and says so.
func (e *entryOptions) addResult(ctx context.Context, r *analysis.Result, path, engine string, said io.Writer) error {
	var doc bytes.Buffer
	if err := report.JSON(&doc, r); err != nil {
		return err
	}
	return e.use(ctx, true, said, func(b *logbook.Logbook) error { return e.addDocument(ctx, b, doc.Bytes(), r, path, said) })
}

// addDocument adds the result that doc is, of r, and says so.
func (e *entryOptions) addDocument(ctx context.Context, b *logbook.Logbook, doc []byte, r *analysis.Result, path string, said io.Writer) error {
	m := logbook.Measurement{Document: doc, Engine: e.name, EngineFile: e.engineText, Added: time.Now(), Marks: e.marks, Remarks: e.remarks}
	if m.Engine == "" {
		m.Engine = e.nameOfFile
	}
	switch info, err := os.Stat(path); {
	case e.recorded != "":
		m.Recorded, m.From = e.date, logbook.Given
	case path != "-" && err == nil && info.Mode().IsRegular():
		m.Recorded, m.From = logbook.DateOf(info.ModTime()), logbook.FileTime
	}
	o, err := b.Add(ctx, m)
	if err != nil {
		return err
	}
	when := m.Recorded.String() + " " + originWords(m.From)
	if m.From == logbook.FileTime && filepath.Base(r.Recording.Path) != filepath.Base(path) {
		when = m.Recorded.String() + " (the time of the result's file)"
	}
	if m.From == "" {
		when = originWords(logbook.Added)
	}
	if o.Already {
		_, err := fmt.Fprintf(said, "In the logbook already, as number %d of %s: the same figures of the same recording.\n", o.ID, o.Engine)
		if err == nil && m.From == logbook.Given && m.Recorded.String() != o.Recorded {
			_, err = fmt.Fprintf(said, "It keeps its date, %s: --recorded %s changes nothing.\n", o.Recorded, m.Recorded)
		}
		return err
	}
	name := filepath.Base(r.Recording.Path)
	if r.Recording.Path == "-" {
		name = "standard input"
	}
	verdict := ""
	if r.Verdict != nil {
		verdict = ", " + r.Verdict.Decision
	}
	if o.Known > 0 && m.From != logbook.Given && o.Recorded != m.Recorded.String() {
		when = o.Recorded + " (the date it has in the logbook)"
	}
	fresh := ""
	if o.NewEngine {
		fresh = ", a new engine"
	}
	if _, err := fmt.Fprintf(said, "Added as number %d of %s%s: %s, recorded %s.\n%s%s.\n", o.ID, o.Engine, fresh, name, when, report.Headline(r), verdict); err != nil {
		return err
	}
	if o.Known > 0 {
		_, err = fmt.Fprintf(said, "The same recording, measured otherwise, is number %d.\n", o.Known)
		if err == nil && o.Redated {
			_, err = fmt.Fprintf(said, "The date of number %d is changed too: it is now %s.\n", o.Known, o.Recorded)
		}
	}
	return err
}

// originWords says where a date comes from.
func originWords(o logbook.Origin) string {
	switch o {
	case logbook.Given:
		return "(date given)"
	case logbook.FileTime:
		return "(the time of its file)"
	}
	return "at an unknown date; when it was added stands for it"
}

// newLogbookAddCommand makes `sparkscope logbook add`.
func newLogbookAddCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	o := measureOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}
	cmd := &cobra.Command{
		Use:   "add RECORDING|RESULT [MORE ...]",
		Short: "Measure a recording and add the result, or add a result",
		Long: `Measures recordings as sparkscope measure does, with the same flags, and adds the
results to the logbook; or adds results that measure --json has written. The
engine is that of the --engine file, whose text is kept as it is now, or
--engine-name. What is in the logbook already is not added again.

The date of a recording is that of --recorded, else the time of its file, and
the logbook remembers which of the two.

Exit status: 0 added, or there already; with a tolerance: within it; 1 added, and
outside it or undecided; 2 wrong usage; 3 a recording cannot be measured; 4 the
logbook could not be written.`,
		Example: `  sparkscope logbook add pull.wav --engine bench.toml
  sparkscope logbook add before.wav --engine bench.toml --mark before
  sparkscope logbook add before.json --engine-name 'bench two-stroke' --recorded 2026-03-14`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 || args[0] == "" {
				return usagef("which recording? Name a WAV or FLAC file, - for standard input, or a result that measure --json has written")
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	o.entry.register(f, "the logbook's file (default: logbook.sqlite in your data folder)", "")
	o.registerSetup(f)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := o.readEngine(f); err != nil {
			return err
		}
		if err := o.validate(); err != nil {
			return err
		}
		if err := o.entry.check(cmd.Context(), o.engine, args); err != nil {
			return err
		}
		return o.addAll(cmd.Context(), f, args, stdin, stdout, stderr)
	}
	return cmd
}

// addAll measures and adds every one of paths.
func (o *measureOptions) addAll(ctx context.Context, f *pflag.FlagSet, paths []string, stdin io.Reader, stdout, stderr io.Writer) error {
	within := true
	for i, path := range paths {
		doc, r, err := o.documentOf(ctx, f, path, stdin, stderr)
		if err != nil {
			return err
		}
		within = within && shownWithin(r.Verdict)
		said := io.Writer(nil)
		if i == len(paths)-1 {
			said = stdout
		}
		if err := o.entry.use(ctx, true, said, func(b *logbook.Logbook) error {
			return o.entry.addDocument(ctx, b, doc, r, path, stdout)
		}); err != nil {
			return err
		}
	}
	if !within {
		return errNotWithin
	}
	return nil
}

// documentOf reads a result or measures a recording.
func (o *measureOptions) documentOf(ctx context.Context, f *pflag.FlagSet, path string, stdin io.Reader, stderr io.Writer) ([]byte, *analysis.Result, error) {
	in, err := openInput(path, stdin)
	if err != nil {
		return nil, nil, err
	}
	defer in.Close()
	b := bufio.NewReaderSize(in, 1<<16)
	if head, err := b.Peek(1); err == nil && head[0] == '{' {
		var other error
		own := map[string]bool{"logbook": true, "engine-name": true, "recorded": true, "mark": true, "remark": true, "engine": true}
		f.Visit(func(g *pflag.Flag) {
			if !own[g.Name] && other == nil {
				other = usagef("%s is a result: --%s says how a recording is measured", path, g.Name)
			}
		})
		if other != nil {
			return nil, nil, other
		}
		doc, err := io.ReadAll(io.LimitReader(b, logbook.MostDocumentBytes+1))
		if err != nil {
			return nil, nil, unreadable(path, err)
		}
		r, err := report.ReadJSON(bytes.NewReader(doc))
		if err != nil {
			return nil, nil, unreadable(path, err)
		}
		return doc, r, nil
	} else if err != nil && !errors.Is(err, io.EOF) {
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	stop := progress(ctx, stderr, path)
	r, err := measureFile(ctx, b, path, o.setup, true)
	stop()
	if err != nil {
		return nil, nil, err
	}
	r.Decisions = known.SayOrigins(r.Decisions, o.origins)
	var doc bytes.Buffer
	if err := report.JSON(&doc, r); err != nil {
		return nil, nil, err
	}
	return doc.Bytes(), r, nil
}

// sharedWith tells a report what was said for the logbook, and the other way about.
func (e *entryOptions) sharedWith(h *handOver) {
	e.reported = len(h.files) > 0
	if e.name != "" {
		h.Engine = e.name
	}
	h.Recorded, e.remarks = e.recorded, h.Remarks
}

// addMeasured is addResult where a logbook was asked for, after everything else was
// written. What it says goes where the text goes.
func (e *entryOptions) addMeasured(ctx context.Context, r *analysis.Result, path, engine string, outs *outputs, stdout, stderr io.Writer) error {
	if e.file == "" {
		return nil
	}
	said := stdout
	if outs.fileOnStdout() {
		said = stderr
	}
	if err := e.addResult(ctx, r, path, engine, said); err != nil {
		return fmt.Errorf("measured, and every file written, but not added to the logbook: %w", err)
	}
	return nil
}
