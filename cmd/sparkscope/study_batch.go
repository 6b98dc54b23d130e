package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"

	"github.com/spf13/cobra"
)

func newStudyBatchCommand(stdout, stderr io.Writer) *cobra.Command {
	var (
		recordings = 8
		minutes    = 2.0
		workers    = 2
		runs       = 5
	)
	cmd := &cobra.Command{
		Use:   "batch [flags]",
		Short: "How much faster many recordings are measured by several workers",
		Long: `Measures a folder of recordings by batch, with one worker and with several by
turns, and prints how long each took and how many times faster several are. A
worker measures a recording on one processor core; processor time over wall time
says how many cores were at work. Whole processes are timed, into a fresh folder of
results each, after one run of each that does not count.

The recordings are simulated into the folder for temporary files: stereo at
96 kHz and 24 bit, 35 MB per minute, removed afterwards.`,
		Args: takesNone("study batch", ""),
	}
	f := cmd.Flags()
	f.IntVar(&recordings, "recordings", recordings, "how many recordings: `N`")
	f.Float64Var(&minutes, "minutes", minutes, "length of each, `MIN`")
	f.IntVar(&workers, "workers", workers, "workers beside one: `N`")
	f.IntVar(&runs, "runs", runs, "how often each is timed: `N`")
	f.SortFlags = false
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		switch {
		case runs < 1 || runs > 1000:
			return usagef("--runs %d: want 1 to 1000", runs)
		case !(minutes >= 0.01 && minutes <= 30):
			return usagef("--minutes %g: want 0.01 to 30", minutes)
		case workers < 2 || workers > 256:
			return usagef("--workers %d: want 2 to 256", workers)
		case recordings < workers || recordings > 1000:
			return usagef("--recordings %d: want as many as there are workers, to 1000", recordings)
		}
		return studyBatch(cmd, recordings, minutes, []int{1, workers}, runs, stdout, stderr)
	}
	return cmd
}

func studyBatch(cmd *cobra.Command, recordings int, minutes float64, workers []int, runs int, stdout, stderr io.Writer) error {
	ctx := cmd.Context()
	self, err := os.Executable()
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "sparkscope-batch-")
	if err != nil {
		return &outputError{os.TempDir(), err}
	}
	defer os.RemoveAll(dir)
	folder := filepath.Join(dir, "recordings")
	if err := os.Mkdir(folder, 0o777); err != nil {
		return &outputError{folder, err}
	}
	bytes := int64(0)
	for i := range recordings {
		fmt.Fprintf(stderr, "simulating %d of %d\n", i+1, recordings)
		path := filepath.Join(folder, fmt.Sprintf("%02d.wav", i+1))
		if err := exec.CommandContext(ctx, self, "simulate", "--out", path, "--rate", "96000", "--bits", "24", "--seed", strconv.Itoa(i+1), "--speed", longProfile(minutes)).Run(); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return &outputError{path, err}
		}
		info, err := os.Stat(path)
		if err != nil {
			return err
		}
		bytes += info.Size()
	}
	took := make([][]spent, len(workers))
	for run := range runs + 1 {
		fmt.Fprintf(stderr, "run %d of %d\n", run, runs)
		for k, n := range workers {
			out := filepath.Join(dir, fmt.Sprintf("results-%d-%d", run, n))
			s, err := timed(ctx, self, "batch", folder, "--out", out, "--workers", strconv.Itoa(n), "--reference-angle", "30")
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				return fmt.Errorf("batch with %d workers: %w", n, err)
			}
			if run > 0 { // the first fills the system's cache
				took[k] = append(took[k], s)
			}
		}
	}
	fmt.Fprintf(stdout, "%s\n%d recordings of %g minutes, stereo, 96 kHz, 24 bit, %.0f MB in all; %d processor cores; %s/%s.\n", studyHead(cmd), recordings, minutes, float64(bytes)/1e6, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(stdout, "\n%7s %4s %9s %12s %7s %9s\n", "workers", "run", "wall, s", "processor, s", "cores", "peak, MiB")
	line := func(n int, run string, s spent) {
		fmt.Fprintf(stdout, "%7d %4s %9.2f %12.2f %7.2f %9.1f\n", n, run, s.wall, s.processor, s.processor/s.wall, s.peakMiB)
	}
	for run := range runs {
		for k, n := range workers {
			line(n, strconv.Itoa(run+1), took[k][run])
		}
	}
	fmt.Fprintln(stdout)
	var walls []float64
	for k, n := range workers {
		mid := func(of func(spent) float64) float64 {
			var v []float64
			for _, s := range took[k] {
				v = append(v, of(s))
			}
			slices.Sort(v)
			return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
		}
		s := spent{mid(func(s spent) float64 { return s.wall }), mid(func(s spent) float64 { return s.processor }), mid(func(s spent) float64 { return s.peakMiB })}
		walls = append(walls, s.wall)
		line(n, "mid", s)
	}
	var ratios []float64
	for run := range runs {
		ratios = append(ratios, took[0][run].wall/took[1][run].wall)
	}
	slices.Sort(ratios)
	fmt.Fprintf(stdout, "\n%d workers are %.2f times as fast as one (%.2f to %.2f from run to run).\n", workers[1], walls[0]/walls[1], ratios[0], ratios[len(ratios)-1])
	return nil
}
