package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/report"
	"sparkscope/report/logbook"
)

// newStudyLogbookCommand makes `sparkscope study logbook`.
func newStudyLogbookCommand(stdout, stderr io.Writer) *cobra.Command {
	results, runs := 10000, 5
	var kept string
	cmd := &cobra.Command{
		Use:   "logbook [flags]",
		Short: "Time for lists and a backup of a full logbook",
		Long: `Fills a logbook in the folder for temporary files with results of one simulated
recording, which differ in their mean, their date and their engine, and prints how
long every kind of list takes, an addition, and a backup. It is removed afterwards.`,
		Args: noArguments,
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.IntVar(&results, "results", results, "how many results: `N`")
	f.Var(fileFlag{&kept}, "logbook", "time this logbook instead; it is left as it is")
	f.IntVar(&runs, "runs", runs, "how often each is timed: `N`")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if results < 1 || results > 1_000_000 {
			return usagef("--results %d: want 1 to 1000000", results)
		}
		if runs < 1 || runs > 1000 {
			return usagef("--runs %d: want 1 to 1000", runs)
		}
		if kept != "" && cmd.Flags().Changed("results") {
			return usagef("--results is of a logbook that is filled; with --logbook none is")
		}
		return studyLogbook(cmd, kept, results, runs, stdout, stderr)
	}
	return cmd
}

// template is a result of the demo's recording, whose mean stands for another in
// each of many.
func template(ctx context.Context, dir string) (*analysis.Result, error) {
	path := filepath.Join(dir, "pull.wav")
	spec := demoScene()
	if _, err := writeScene(ctx, spec, path, filepath.Join(dir, "truth.csv")); err != nil {
		return nil, err
	}
	return measurePath(ctx, path, demoSetup(spec))
}

func studyLogbook(cmd *cobra.Command, kept string, results, runs int, stdout, stderr io.Writer) (err error) {
	ctx := cmd.Context()
	dir, err := os.MkdirTemp("", "sparkscope-logbook-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	r, err := template(ctx, dir)
	if err != nil {
		return err
	}
	path := filepath.Join(dir, "logbook.sqlite")
	if kept != "" {
		if _, err := logbook.Restore(ctx, kept, path, false); err != nil {
			return err
		}
	}
	l, err := logbook.Create(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	first := time.Date(2020, 1, 1, 12, 0, 0, 0, time.UTC)
	done, clear := counted(stderr, results)
	n := 0
	next := func() (logbook.Measurement, error) {
		one := *r
		one.Advance.Mean += analysis.Degrees(float64(n%97) / 50)
		one.Recording.Path, one.Recording.Fingerprint = fmt.Sprintf("pull-%d.wav", n), fmt.Sprintf("%064d", n)
		var doc bytes.Buffer
		if err := report.JSON(&doc, &one); err != nil {
			return logbook.Measurement{}, err
		}
		at := logbook.DateOf(first.Add(time.Duration(n) * 5 * time.Hour))
		m := logbook.Measurement{Document: doc.Bytes(), Engine: fmt.Sprintf("engine %d", n%20), Recorded: at, From: logbook.Given, Added: first}
		if n%50 == 0 {
			m.Marks, m.Remarks = []string{"after"}, []string{"plate turned"}
		}
		n++
		return m, nil
	}
	if kept != "" {
		if n, err = l.Count(ctx); err != nil {
			return err
		}
		results = n
	}
	for n < results {
		var some []logbook.Measurement
		for range min(100, results-n) {
			m, err := next()
			if err != nil {
				return err
			}
			some = append(some, m)
			done()
		}
		if _, err := l.AddAll(ctx, some); err != nil {
			return err
		}
	}
	clear()
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	middle, err := l.Result(ctx, int64(results/2+1))
	if err != nil {
		return err
	}
	engines, err := l.Engines(ctx)
	if err != nil {
		return err
	}
	leaveOut, copied := []string{}, ""
	if kept != "" {
		leaveOut, copied = append(leaveOut, "results"), "A copy of "+filepath.Base(kept)+": "
	}
	_, err = fmt.Fprintf(stdout, "%s\n%s%d results of %d engines, one has %.0f kB as JSON; the logbook has %.0f MB. %d processor cores; %s/%s.\n\nEach %d times, ms        shortest  middle longest  results\n",
		studyHead(cmd, leaveOut...), copied, results, len(engines), float64(len(middle.Document))/1000, float64(info.Size())/1e6, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runs)
	if err != nil {
		return err
	}
	measure := func(name string, work func() (int, error)) error {
		var ms []float64
		found := 0
		for range runs {
			begun := time.Now()
			n, err := work()
			if err != nil {
				return err
			}
			ms, found = append(ms, float64(time.Since(begun).Microseconds())/1000), n
		}
		slices.Sort(ms)
		number := fmt.Sprintf("%9d", found)
		if found < 0 {
			number = ""
		}
		_, err := fmt.Fprintln(stdout, strings.TrimRight(fmt.Sprintf("%-22s %9.1f %7.1f %7.1f%s", name, ms[0], ms[len(ms)/2], ms[len(ms)-1], number), " "))
		return err
	}
	finding := ""
	if len(middle.Findings) > 0 {
		finding = middle.Findings[0].Code
	}
	march, april := logbook.DateOf(first.AddDate(0, 2, 0)), logbook.DateOf(first.AddDate(0, 3, 0))
	for _, q := range []struct {
		name string
		q    logbook.Query
	}{
		{"list, all", logbook.Query{}}, {"the last 40", logbook.Query{Last: 40}}, {"an engine", logbook.Query{Engine: "engine 7"}}, {"an engine, last 40", logbook.Query{Engine: "engine 7", Last: 40}},
		{"a month", logbook.Query{From: march, To: april}}, {"a verdict", logbook.Query{Decision: middle.Decision}}, {"a finding", logbook.Query{Finding: finding}}, {"a mark", logbook.Query{Mark: "after"}},
		{"a word, rare", logbook.Query{Words: []string{"pull-99"}}}, {"a word of remarks", logbook.Query{Words: []string{"turned"}}}, {"a word of findings", logbook.Query{Words: []string{"reference"}}},
	} {
		if err := measure(q.name, func() (int, error) {
			rows, err := l.Find(ctx, q.q)
			return len(rows), err
		}); err != nil {
			return err
		}
	}
	if err := measure("show one", func() (int, error) { _, err := l.Result(ctx, int64(results/2+1)); return 1, err }); err != nil {
		return err
	}
	if err := measure("add one", func() (int, error) {
		m, err := next()
		if err == nil {
			_, err = l.Add(ctx, m)
		}
		return 1, err
	}); err != nil {
		return err
	}
	return measure("backup", func() (int, error) { return -1, l.Backup(ctx, filepath.Join(dir, "backup.sqlite")) })
}
