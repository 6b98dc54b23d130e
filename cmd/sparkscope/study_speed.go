package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

func newStudySpeedCommand(stdout, stderr io.Writer) *cobra.Command {
	var (
		recording string
		minutes   = 10.0
		runs      = 5
	)
	cmd := &cobra.Command{
		Use:   "speed [flags]",
		Short: "Time and memory for a long recording",
		Long: `Measures a long recording several times and prints how long that took, the
processor time and the peak memory; beside it, where it is installed, the
statistics of sox, which reads every sample and does little else. Whole
processes are timed, by turns, after one run of each that does not count.

Without --recording it simulates one into the folder for temporary files: stereo
at 192 kHz and 24 bit, 70 MB per minute, removed afterwards.`,
		Args: takesNone("study speed", "; a recording is named by --recording"),
	}
	f := cmd.Flags()
	f.StringVar(&recording, "recording", "", "measure this `FILE` instead of a simulated one")
	f.Float64Var(&minutes, "minutes", minutes, "length of the simulated recording, `MIN`")
	f.IntVar(&runs, "runs", runs, "how often each is timed: `N`")
	f.SortFlags = false
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if runs < 1 || runs > 1000 {
			return usagef("--runs %d: want 1 to 1000", runs)
		}
		if !(minutes >= 0.01 && minutes <= 30) {
			return usagef("--minutes %g: want 0.01 to 30", minutes)
		}
		if recording != "" && (cmd.Flags().Changed("minutes")) {
			return usagef("--minutes is the length of the simulated recording; with --recording there is none")
		}
		return studySpeed(cmd, recording, minutes, runs, stdout, stderr)
	}
	return cmd
}

// longProfile is an engine worked between idle and 6000 rpm for so long.
func longProfile(minutes float64) string {
	text := "1300 hold 1s"
	for t := 1.0; t < 60*minutes; t += 10 {
		text += ", swing 6000 in 3s, hold 2s, swing 1300 in 3s, hold 2s"
	}
	return text
}

// spent is what one process took.
type spent struct {
	wall, processor float64 // seconds
	peakMiB         float64 // 0: not known here
}

// timed runs a command to its end, its output thrown away.
func timed(ctx context.Context, name string, args ...string) (spent, error) {
	c := exec.CommandContext(ctx, name, args...)
	start := time.Now()
	err := c.Run()
	s := spent{wall: time.Since(start).Seconds()}
	if c.ProcessState == nil {
		return s, err
	}
	s.processor = (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds()
	s.peakMiB = peakMiB(c.ProcessState)
	return s, err
}

func studySpeed(cmd *cobra.Command, recording string, minutes float64, runs int, stdout, stderr io.Writer) error {
	ctx := cmd.Context()
	self, err := os.Executable()
	if err != nil {
		return err
	}
	what := "the recording given"
	var leaveOut []string
	if recording != "" {
		leaveOut = []string{"minutes"}
	} else {
		dir, err := os.MkdirTemp("", "sparkscope-speed-")
		if err != nil {
			return &outputError{os.TempDir(), err}
		}
		defer os.RemoveAll(dir)
		recording = filepath.Join(dir, "long.wav")
		fmt.Fprintf(stderr, "simulating %g minutes\n", minutes)
		// In a process of its own: what this one holds is counted as a part of
		// the peak of those that it starts.
		out, err := exec.CommandContext(ctx, self, "simulate", "--out", recording, "--rate", "192000", "--bits", "24", "--speed", longProfile(minutes)).Output()
		if err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return &outputError{recording, err}
		}
		what = "stereo, 24 bit" + strings.TrimPrefix(strings.TrimSpace(string(out)), recording)
	}
	info, err := os.Stat(recording)
	if err != nil {
		return &usageError{msg: fmt.Sprintf("--recording: %v", err)}
	}
	type contender struct {
		name    string
		command []string
		took    []spent
	}
	all := []*contender{{name: "sparkscope measure", command: []string{self, "measure", recording}}}
	sox, err := exec.LookPath("sox")
	if err == nil {
		all = append(all, &contender{name: "sox -n stat", command: []string{sox, recording, "-n", "stat"}})
	}
	for run := range runs + 1 {
		fmt.Fprintf(stderr, "run %d of %d\n", run, runs)
		for _, c := range all {
			s, err := timed(ctx, c.command[0], c.command[1:]...)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				return fmt.Errorf("%s: %w", c.name, err)
			}
			if run > 0 { // the first fills the system's cache
				c.took = append(c.took, s)
			}
		}
	}
	fmt.Fprintf(stdout, "%s\n%s, %.0f MB; %d processor cores; %s/%s.\n", studyHead(cmd, leaveOut...), what, float64(info.Size())/1e6, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH)
	if len(all) == 1 {
		fmt.Fprintln(stdout, "sox is not installed: nothing to compare with.")
	}
	fmt.Fprintln(stdout, "A process's peak is at least what this one held when it started it.")
	fmt.Fprintf(stdout, "\n%-20s %4s %9s %12s %9s\n", "", "run", "wall, s", "processor, s", "peak, MiB")
	for run := range runs {
		for _, c := range all {
			fmt.Fprintf(stdout, "%-20s %4d %9.2f %12.2f %9.1f\n", c.name, run+1, c.took[run].wall, c.took[run].processor, c.took[run].peakMiB)
		}
	}
	fmt.Fprintln(stdout)
	var walls []float64
	for _, c := range all {
		pick := func(of func(spent) float64) float64 {
			var v []float64
			for _, s := range c.took {
				v = append(v, of(s))
			}
			slices.Sort(v)
			return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
		}
		wall := pick(func(s spent) float64 { return s.wall })
		walls = append(walls, wall)
		fmt.Fprintf(stdout, "%-20s %4s %9.2f %12.2f %9.1f\n", c.name, "mid", wall,
			pick(func(s spent) float64 { return s.processor }), pick(func(s spent) float64 { return s.peakMiB }))
	}
	if len(walls) == 2 {
		fmt.Fprintf(stdout, "\nMeasuring took %.2f times as long as sox took to read.\n", walls[0]/walls[1])
	}
	return nil
}
