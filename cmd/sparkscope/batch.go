package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/known"
	"sparkscope/analysis/session"
	"sparkscope/report"
	"sparkscope/report/table"
)

// batchOptions is what the batch command was told.
type batchOptions struct {
	measure measureOptions
	out     string
	workers int
	again   bool
	tables  string // ending of the tables of single recordings
}

// batchFolder is where results go without --out, below the folder of recordings.
const batchFolder = "sparkscope-results"

// newBatchCommand makes `sparkscope batch`.
func newBatchCommand(stdout, stderr io.Writer) *cobra.Command {
	o := batchOptions{measure: measureOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}, tables: "parquet"}
	cmd := &cobra.Command{
		Use:   "batch FOLDER",
		Short: "Measure all recordings of a folder, into one table",
		Long: `Measures every recording (.wav, .flac) in FOLDER and the folders below it, each on
a processor core of its own, and writes one table over all. What is finished is
kept: an interrupt (Ctrl-C) loses only what was being measured, and a second run
measures only what is new, whatever it is called now, for recordings are known by
their content. A recording that cannot be measured is reported, with the reason in
the table, and passed over.

Into --out (default: ` + batchFolder + ` in FOLDER) come
  recordings.csv, recordings.json   one row for each recording
  firings/KEY.parquet               one row for each spark; --tables csv or json
  bins/KEY.parquet                  one row for each range of speed
  results/KEY.json                  the result, as measure --json writes it
  done/KEY.json                     what is finished
KEY is of a recording's content and of how it was measured: other flags, or another
engine file, measure again, beside the old. Sessions are split, and the tables say
which part a spark is of. All columns: report/README.md.

Exit status: 0 done, some may not be measurable; 2 wrong usage; 3 there are no
recordings, none can be measured, or it was interrupted; 4 an output could not be
written. A target or a tolerance leaves the exit status alone.`,
		Example: `  sparkscope batch season --reference-angle 30
  sparkscope batch season --engine bench.toml --tolerance 2 --out results
  sparkscope batch season --engine bench.toml --workers 2 --tables csv`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("which folder of recordings? Name one")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := o.measure.readEngine(cmd.Flags()); err != nil {
				return err
			}
			return o.run(cmd.Context(), args[0], stdout, stderr)
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.Var(folderFlag{fileFlag{&o.out}}, "out", "where results are kept (default: "+batchFolder+" in FOLDER)")
	f.Var(wholeFlag{&o.workers, 1024}, "workers", "recordings measured at a time (default: one for each core)")
	f.BoolVar(&o.again, "again", false, "measure what is finished, too")
	f.Var(choiceFlag{func(w string) { o.tables = w }, []string{"parquet", "csv", "json"}}, "tables", "form of the tables of single recordings (default parquet)")
	o.measure.registerSetup(f)
	f.Lookup("tolerance").Usage = "± of the target: asks for a verdict"
	return cmd
}

// doneSchema names what is kept of a finished recording.
const doneSchema = "sparkscope.batch/1"

// done is what is kept of a finished recording.
type done struct {
	Schema string          `json:"schema"`
	Row    table.Recording `json:"row"`
}

// batch is a run.
type batch struct {
	o      *batchOptions
	folder string
	out    string
	setup  string // key of how recordings are measured
	paths  []string
	sizes  []int64

	read  atomic.Int64 // bytes read so far, of twice the sizes
	rows  []*table.Recording
	mu    sync.Mutex // what follows
	state tally
	show  *batchShow
}

// tally counts recordings.
type tally struct{ fresh, kept, refused int }

func (t tally) all() int { return t.fresh + t.kept + t.refused }

// run measures all.
func (o *batchOptions) run(ctx context.Context, folder string, stdout, stderr io.Writer) error {
	if err := o.measure.validate(); err != nil {
		return err
	}
	b := &batch{o: o, folder: folder, out: o.out, setup: setupKey(o.measure.setup)}
	if b.out == "" {
		b.out = filepath.Join(folder, batchFolder)
	}
	if err := b.find(); err != nil {
		return err
	}
	if info, err := os.Stat(b.out); err == nil && !info.IsDir() {
		return &outputError{b.out, errors.New("it is a file, where a folder is to be")}
	}
	for _, d := range []string{"firings", "bins", "results", "done"} {
		if err := os.MkdirAll(filepath.Join(b.out, d), 0o777); err != nil {
			return &outputError{b.out, err}
		}
	}
	workers := o.workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, len(b.paths))
	// Every recording in hand takes what a single one may.
	if limit := debug.SetMemoryLimit(-1); limit < math.MaxInt64 {
		defer debug.SetMemoryLimit(debug.SetMemoryLimit(limit * int64(workers)))
	}
	b.rows = make([]*table.Recording, len(b.paths))
	b.show = newBatchShow(b, stderr)
	next := make(chan int)
	errs := make(chan error, workers)
	stop, cancel := context.WithCancel(ctx)
	defer cancel()
	var all sync.WaitGroup
	for range workers {
		all.Go(func() {
			for i := range next {
				if err := b.one(stop, i); err != nil {
					if stop.Err() == nil {
						errs <- err
					}
					cancel()
				}
			}
		})
	}
feeding:
	for i := range b.paths {
		select {
		case next <- i:
		case <-stop.Done():
			break feeding
		}
	}
	close(next)
	all.Wait()
	b.show.end()
	if err := b.tables(stdout); err != nil {
		return err
	}
	select {
	case err := <-errs:
		return err
	default:
	}
	switch t := b.state; {
	case ctx.Err() != nil:
		return fmt.Errorf("stopped: %d of %d recordings are finished and kept in %s; the same command goes on from there", t.all(), len(b.paths), b.out)
	case t.fresh+t.kept == 0 && len(b.paths) == 1:
		return fmt.Errorf("%s: the one recording in it cannot be measured; the table says why", folder)
	case t.fresh+t.kept == 0:
		return fmt.Errorf("%s: none of the %d recordings in it can be measured; the table says why", folder, len(b.paths))
	}
	return nil
}

// setupKey is a key of how recordings are measured: whatever may change a result.
func setupKey(s analysis.Setup) string {
	s.EngineFile = "" // its content is in the rest
	b, err := json.Marshal(struct {
		Version, Firing, Bin, Recording string
		Setup                           analysis.Setup
	}{version, table.FiringSchema, table.BinSchema, table.RecordingSchema, s})
	if err != nil {
		return "0" // a number that is none: Validate has refused it
	}
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:4])
}

// find lists the recordings, in order of their names.
func (b *batch) find() error {
	info, err := os.Stat(b.folder)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: there is no such folder", b.folder)
	case err != nil:
		return fmt.Errorf("%s: cannot be read: %w", b.folder, err)
	case !info.IsDir():
		return usagef("%s is a file: batch wants a folder, measure a recording", b.folder)
	}
	out, _ := resolve(b.out)
	// What lies in --out is no recording to be measured: all would be left out.
	if at, err := resolve(b.folder); err == nil && out != "" && at == out {
		return usagef("--out %s is the folder of the recordings itself: name another, in it or elsewhere", b.out)
	}
	err = filepath.WalkDir(b.folder, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			if p == b.folder {
				return err
			}
			return nil // what may not be looked into is not asked for
		}
		if at, err := resolve(p); d.IsDir() && err == nil && out != "" && at == out {
			return filepath.SkipDir
		}
		if strings.HasPrefix(d.Name(), ".") && p != b.folder {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		switch strings.ToLower(filepath.Ext(p)) {
		case ".wav", ".wave", ".rf64", ".bw64", ".flac":
		default:
			return nil
		}
		if info, err := os.Stat(p); err == nil && info.Mode().IsRegular() {
			b.paths, b.sizes = append(b.paths, p), append(b.sizes, info.Size())
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("%s: cannot be read: %w", b.folder, plainPath(err))
	}
	if len(b.paths) == 0 {
		return fmt.Errorf("%s: there are no recordings in it, no .wav and no .flac", b.folder)
	}
	return nil
}

// plainPath drops the path from an error that names it.
func plainPath(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// name is what to call recording i: its path below the folder, with slashes.
func (b *batch) name(i int) string {
	if rel, err := filepath.Rel(b.folder, b.paths[i]); err == nil {
		return filepath.ToSlash(rel)
	}
	return b.paths[i]
}

// counting counts the bytes that are read.
type counting struct {
	ctx context.Context
	r   io.Reader
	all *atomic.Int64 // of all recordings
	own *atomic.Int64 // of this one
}

func (c counting) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := c.r.Read(p)
	c.all.Add(int64(n))
	c.own.Add(int64(n))
	return n, err
}

// one sees to recording i. The error is that of an output, or of ctx; what is
// wrong with the recording goes into its row.
func (b *batch) one(ctx context.Context, i int) error {
	var own atomic.Int64
	defer func() {
		// It counts in full, also when less was read of it.
		b.read.Add(max(0, 2*b.sizes[i]-own.Load()))
	}()
	key, err := b.key(ctx, i, &own)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		b.finish(i, broken(b.name(i), err), false)
		return nil
	}
	at := filepath.Join(b.out, "done", key+".json")
	if row := readDone(at); row != nil && !b.o.again && b.complete(key, row) {
		row.Recording = b.name(i)
		b.finish(i, row, true)
		return nil
	}
	outs := &outputs{stdout: io.Discard}
	row := b.measure(ctx, i, key, outs, &own)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	row.Key = &key
	outs.add("--out", at, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(done{doneSchema, *row})
	})
	for _, f := range outs.list {
		if err := f.inspect(); err != nil {
			return &outputError{f.path, err}
		}
	}
	if err := outs.commit(); err != nil {
		return err
	}
	b.finish(i, row, false)
	return nil
}

// key names recording i by its bytes, and how it is measured.
func (b *batch) key(ctx context.Context, i int, own *atomic.Int64) (string, error) {
	f, err := openRecording(b.paths[i])
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.CopyBuffer(h, struct{ io.Reader }{counting{ctx, f, &b.read, own}}, make([]byte, 1<<18)); err != nil {
		return "", fmt.Errorf("cannot be read: %w", plainPath(err))
	}
	return hex.EncodeToString(h.Sum(nil)[:12]) + "-" + b.setup, nil
}

// readDone reads what is kept of a finished recording; nil where there is none, or
// it is not whole.
func readDone(path string) *table.Recording {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil
	}
	var d done
	if json.Unmarshal(raw, &d) != nil || d.Schema != doneSchema || d.Row.Schema != table.RecordingSchema {
		return nil
	}
	return &d.Row
}

// complete is whether the tables of a finished recording are there, in the form
// that is asked for.
func (b *batch) complete(key string, row *table.Recording) bool {
	if row.State != table.Measured {
		return true
	}
	for _, name := range []string{"firings/" + key + "." + b.o.tables, "bins/" + key + "." + b.o.tables, "results/" + key + ".json"} {
		if _, err := os.Stat(filepath.Join(b.out, filepath.FromSlash(name))); err != nil {
			return false
		}
	}
	return true
}

// measure measures recording i and puts what is to be written of it on outs.
func (b *batch) measure(ctx context.Context, i int, key string, outs *outputs, own *atomic.Int64) (row *table.Recording) {
	defer func() {
		// A fault of this program must not cost a season's night.
		if r := recover(); r != nil {
			outs.list = nil
			row = broken(b.name(i), fmt.Errorf("a fault of this program: %v. Please report it with the recording", r))
		}
	}()
	f, err := openRecording(b.paths[i])
	if err != nil {
		return broken(b.name(i), err)
	}
	defer f.Close()
	name := b.name(i)
	rec, trains, err := listenBy(ctx, counting{ctx, f, &b.read, own}, name, b.o.measure.setup, true, detectAlone)
	if err != nil {
		return broken(name, err)
	}
	r, err := analysis.Measure(rec, trains, b.o.measure.setup)
	if err != nil {
		return broken(name, err)
	}
	r.Decisions = known.SayOrigins(r.Decisions, b.o.measure.origins)
	s, err := session.New(r, session.Options{})
	if err != nil {
		s = nil
	}
	ending := "." + b.o.tables
	form, err := table.FormatOf("x" + ending)
	if err != nil {
		return broken(name, err)
	}
	outs.add("--out", filepath.Join(b.out, "firings", key+ending), func(w io.Writer) error { return table.Write(w, form, table.WithKey(table.Firings(r, s), key)) })
	outs.add("--out", filepath.Join(b.out, "bins", key+ending), func(w io.Writer) error { return table.Write(w, form, table.WithKey(table.Bins(r, s), key)) })
	outs.add("--out", filepath.Join(b.out, "results", key+".json"), func(w io.Writer) error { return report.JSON(w, r) })
	whole := table.Whole(r)
	return &whole
}

// broken is the row of a recording that cannot be measured.
func broken(name string, err error) *table.Recording {
	why := strings.TrimPrefix(plainError(err), name+": ")
	row := table.Broken(name, why)
	return &row
}

// finish takes in recording i's row; kept: it was finished before.
func (b *batch) finish(i int, row *table.Recording, kept bool) {
	b.rows[i] = row
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case row.State != table.Measured:
		b.state.refused++
	case kept:
		b.state.kept++
	default:
		b.state.fresh++
	}
	b.show.finished(row, kept)
}

// tables writes the tables over all that is finished, and says what there is.
func (b *batch) tables(stdout io.Writer) error {
	var rows []table.Recording
	var before map[string]table.Recording
	for i, r := range b.rows {
		if r != nil {
			rows = append(rows, *r)
			continue
		}
		// It was interrupted before this one: what an earlier run says of it stays.
		if before == nil {
			before = b.before()
		}
		if old, ok := before[b.name(i)]; ok {
			rows = append(rows, old)
		}
	}
	outs := &outputs{stdout: stdout}
	for _, name := range []string{"recordings.csv", "recordings.json"} {
		f, err := table.FormatOf(name)
		if err != nil {
			return err
		}
		outs.add("--out", filepath.Join(b.out, name), func(w io.Writer) error { return table.Write(w, f, rows) })
	}
	outs.addText(func(w io.Writer) error { return report.BatchText(w, batchRows(rows), b.text()) })
	if err := outs.check("-"); err != nil {
		return err
	}
	return outs.commit()
}

// before are the rows of the last run, by name, as far as it measured in the same
// way.
func (b *batch) before() map[string]table.Recording {
	out := map[string]table.Recording{}
	raw, err := os.ReadFile(filepath.Join(b.out, "recordings.json"))
	if err != nil {
		return out
	}
	var rows []table.Recording
	if json.Unmarshal(raw, &rows) != nil {
		return out
	}
	for _, r := range rows {
		if r.Schema == table.RecordingSchema && r.Key != nil && strings.HasSuffix(*r.Key, "-"+b.setup) {
			out[r.Recording] = r
		}
	}
	return out
}

// batchRows are rows in words.
func batchRows(rows []table.Recording) []report.BatchRow {
	var out []report.BatchRow
	for i := range rows {
		r := &rows[i]
		q := report.BatchRow{Name: r.Recording, MinRPM: r.MinSpeed, MaxRPM: r.MaxSpeed, Mean: r.Mean, Expanded: r.Expanded, Relative: r.Relative != nil && *r.Relative}
		if r.State != table.Measured {
			q.Refused = "unknown"
			if r.Message != nil {
				q.Refused = *r.Message
			}
		}
		if r.Counted != nil {
			q.Sparks = int(*r.Counted)
		}
		if r.Decision != nil {
			q.Decision = *r.Decision
		}
		out = append(out, q)
	}
	return out
}

// text is what is said below the table.
func (b *batch) text() string {
	t := b.state
	s := fmt.Sprintf("%d measured now, %d kept from before, %d cannot be measured", t.fresh, t.kept, t.refused)
	if left := len(b.paths) - t.all(); left > 0 {
		s += fmt.Sprintf(", %d left", left)
	}
	return s + ". Tables are in " + b.out + "."
}

// batchShow says how far the run is: on a terminal on one line that is written
// over, with the time left, elsewhere a line for each recording.
type batchShow struct {
	b        *batch
	w        io.Writer
	terminal bool
	total    int64 // bytes to read: each recording to know it, and to measure it
	begun    time.Time
	stop     chan struct{}
	ended    sync.WaitGroup
}

func newBatchShow(b *batch, w io.Writer) *batchShow {
	s := &batchShow{b: b, w: w, terminal: onTerminal(w), begun: time.Now(), stop: make(chan struct{})}
	for _, n := range b.sizes {
		s.total += 2 * n
	}
	if s.terminal {
		s.ended.Go(func() {
			tick := time.NewTicker(500 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-s.stop:
					return
				case <-tick.C:
					b.mu.Lock()
					fmt.Fprint(w, "\r\x1b[K"+s.line(time.Since(s.begun)))
					b.mu.Unlock()
				}
			}
		})
	}
	return s
}

// line says how far it is after so long.
func (s *batchShow) line(elapsed time.Duration) string {
	t, n := s.b.state, len(s.b.paths)
	out := fmt.Sprintf("%d of %d recordings", t.all(), n)
	if t.refused > 0 {
		out += fmt.Sprintf(", %d cannot be measured", t.refused)
	}
	if read := s.b.read.Load(); read > 0 && elapsed > 2*time.Second {
		left := time.Duration(float64(elapsed) * float64(max(0, s.total-read)) / float64(read))
		out += ", " + left.Round(time.Second).String() + " left"
	}
	return out
}

// finished is called, one at a time, for each recording that is done with.
func (s *batchShow) finished(row *table.Recording, kept bool) {
	t, n := s.b.state, len(s.b.paths)
	name, what := report.OneLine(row.Recording), "measured"
	switch {
	case row.State != table.Measured:
		what = "cannot be measured: " + report.OneLine(*row.Message)
	case kept:
		what = "known already"
	}
	if s.terminal {
		if row.State != table.Measured {
			fmt.Fprintf(s.w, "\r\x1b[K%s: %s\n", name, what)
		}
		return
	}
	fmt.Fprintf(s.w, "%d/%d %s: %s\n", t.all(), n, name, what)
}

// end ends the line.
func (s *batchShow) end() {
	close(s.stop)
	s.ended.Wait()
	if s.terminal {
		fmt.Fprint(s.w, "\r\x1b[K")
	}
}
