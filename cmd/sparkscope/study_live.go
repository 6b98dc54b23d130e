package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sparkscope/analysis/study"
)

// liveParts are the parts of the study, in order.
var liveParts = []string{"delay", "turn", "processor", "replay", "memory"}

func newStudyLiveCommand(stdout, stderr io.Writer) *cobra.Command {
	var (
		parts   []string
		rates   = []float64{48000, 192000}
		speeds  = []float64{1200, 3000, 6000}
		block   = 1000 * blockS
		seconds = 30.0
		turns   = 8
		rows    []string
		hours   = 8.0
		seed    = uint64(1)
	)
	cmd := &cobra.Command{
		Use:   "live [flags]",
		Short: "The live instrument: delay, turns of the plate, processor, memory",
		Long: `Plays recordings of an invented engine to the live instrument and prints

  delay      from a spark to its figure, less two revolutions
  turn       from a turn of the plate by 2° to the right word, at idle
  processor  the share of a core that "sparkscope live" takes, in real time
  replay     how far its readings are from what measure says of the same file
  memory     what it holds over hours that pass in minutes

Delay and turn are told by the recording's own clock: a block of samples is there
when its last one was recorded, one thing is done after the other, looks come as
often as those of the command live, and the processor time that each thing really
took here is added. So it is the delay on a computer as quick as this one that
does nothing else.

Took four minutes of processor time in all.`,
		Example: `  sparkscope study live --part delay --block 125
  sparkscope study live --part memory --hours 1`,
		Args: takesNone("study live", "; parts of it are named by --part"),
	}
	f := cmd.Flags()
	f.StringSliceVar(&parts, "part", nil, "only these parts: `NAME,...`")
	f.Float64SliceVar(&rates, "rate", rates, "sampling rates of delay, `HZ,...`")
	f.Float64SliceVar(&speeds, "speed", speeds, "speeds of delay, `RPM,...`")
	f.Float64Var(&block, "block", block, "length of the blocks that the source delivers, `MS`")
	f.Float64Var(&seconds, "seconds", seconds, "length of a recording of delay and processor, `S`")
	f.IntVar(&turns, "turns", turns, "turns of the plate in a row of the table: `N`")
	f.StringSliceVar(&rows, "case", nil, "only rows of turn whose name, RPM/TURNS TO A SPARK/EARLY/THEN, holds each `TEXT,...`, as in --case 1300/2/,/+1.0/")
	f.Float64Var(&hours, "hours", hours, "how long memory is watched: `HOURS`")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same recordings")
	f.SortFlags = false
	tidyDefaults(f)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		asked, err := chosen("part", liveParts, parts)
		if err != nil {
			return err
		}
		for _, r := range rates {
			if !(r >= 8000 && r <= 384000) {
				return usagef("--rate %g: want 8000 to 384000", r)
			}
		}
		for _, v := range speeds {
			if !(v >= 300 && v <= 20000) {
				return usagef("--speed %g: want 300 to 20000", v)
			}
		}
		switch {
		case !(block >= 1 && block <= 1000):
			return usagef("--block %g: want 1 to 1000 ms", block)
		case !(seconds >= 5 && seconds <= 600):
			return usagef("--seconds %g: want 5 to 600", seconds)
		case turns < 1 || turns > 1000:
			return usagef("--turns %d: want 1 to 1000", turns)
		case !(hours >= 0.5 && hours <= 100):
			return usagef("--hours %g: want 0.5 to 100", hours)
		}
		var cases []turnCase
		for _, c := range turnCases() {
			if c.holds(rows) {
				cases = append(cases, c)
			}
		}
		if len(cases) == 0 {
			return usagef("--case %s: there is no such row; without --case all are listed", strings.Join(rows, ","))
		}
		begun := time.Now()
		clock := func() float64 { return time.Since(begun).Seconds() }
		if _, known := processorS(); known {
			clock = func() float64 { s, _ := processorS(); return s }
		}
		// What the simulation needs besides shall not make the collector run more
		// often than the command live has it.
		defer debug.SetMemoryLimit(debug.SetMemoryLimit(math.MaxInt64))
		l := liveStudy{Times: study.Times{BlockS: block / 1000, TickS: showS.Seconds(), Clock: clock}, w: stdout, seed: seed}
		fmt.Fprintf(stdout, "%s%s; %s/%s. * over the aim\n", studyHead(cmd), cores(runtime.NumCPU()), runtime.GOOS, runtime.GOARCH)
		for _, p := range []struct {
			name string
			run  func(context.Context) error
		}{
			{"delay", func(ctx context.Context) error { return l.delay(ctx, rates, speeds, seconds) }},
			{"turn", func(ctx context.Context) error { return l.turn(ctx, cases, turns) }},
			{"processor", func(ctx context.Context) error { return l.processor(ctx, seconds, stderr) }},
			{"replay", l.replay},
			{"memory", func(ctx context.Context) error { return l.memory(ctx, hours) }},
		} {
			if !slices.Contains(asked, p.name) {
				continue
			}
			if err := p.run(cmd.Context()); err != nil {
				return err
			}
		}
		return nil
	}
	return cmd
}

func cores(n int) string {
	if n == 1 {
		return "1 processor core"
	}
	return fmt.Sprintf("%d processor cores", n)
}

// liveStudy writes the parts of the study.
type liveStudy struct {
	study.Times
	w    io.Writer
	seed uint64
}

// over marks what is over its aim.
func over(bad bool) string {
	if bad {
		return "*"
	}
	return " "
}

func (l *liveStudy) delay(ctx context.Context, rates, speeds []float64, seconds float64) error {
	fmt.Fprintf(l.w, "\nFROM SPARK TO FIGURE, less two revolutions; blocks of %g ms, a look every %g ms; aims: half of them %g ms, 99 %% %g ms\n",
		1000*l.BlockS, 1000*l.TickS, 1000*study.AimMedianS, 1000*study.AimMostS)
	fmt.Fprintf(l.w, "%9s %6s %14s %8s %8s  %8s  %9s %8s\n", "rate, Hz", "rpm", "first shown, s", "sparks", "half, ms", "99 %, ms", "most, ms", "busy, %")
	for _, rate := range rates {
		for _, rpm := range speeds {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			d, err := l.Delays(rate, rpm, seconds, l.seed)
			if err != nil {
				return err
			}
			fmt.Fprintf(l.w, "%9g %6g %14.2f %8d %8.0f%s %8.0f%s %9.0f %8.1f\n", rate, rpm, d.FirstS, d.Sparks,
				1000*d.Median, over(d.Median > study.AimMedianS), 1000*d.P99, over(d.P99 > study.AimMostS), 1000*d.Top, 100*d.Busy)
		}
	}
	return nil
}

// turnCase is a row of turn: an idling engine, and the plate before and after.
type turnCase struct {
	rpm      float64
	every    int     // turns to a spark
	from, to float64 // degrees early
}

// turnCases are all of them, in order.
func turnCases() (all []turnCase) {
	for _, rpm := range []float64{900, 1300} {
		for _, every := range []int{1, 2} {
			for _, way := range [][2]float64{{1, -1}, {0, 2}, {1.5, -0.5}} {
				all = append(all, turnCase{rpm, every, way[0], way[1]})
			}
		}
	}
	return all
}

// holds says whether the case's name has each of the texts in it.
func (c turnCase) holds(texts []string) bool {
	name := fmt.Sprintf("%g/%d/%+.1f/%+.1f", c.rpm, c.every, c.from, c.to)
	return !slices.ContainsFunc(texts, func(t string) bool { return !strings.Contains(name, t) })
}

func (l *liveStudy) turn(ctx context.Context, cases []turnCase, turns int) error {
	fmt.Fprintf(l.w, "\nFROM A TURN OF THE PLATE BY 2° TO THE RIGHT WORD, at idle, mean of 20 sparks, scatter 0.5°; aim %g s\n", study.AimTurnS)
	fmt.Fprintf(l.w, "%6s %13s %17s %6s %8s %8s\n", "rpm", "spark every", "early, °", "turns", "half, s", "most, s")
	for _, c := range cases {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		t, err := l.Turns(c.rpm, c.every, c.from, c.to, turns, l.seed)
		if err != nil {
			return err
		}
		most := fmt.Sprintf("%.2f", t.Most)
		if math.IsInf(t.Most, 1) {
			most = "never"
		}
		fmt.Fprintf(l.w, "%6g %13s %17s %6d %8.2f %8s%s\n", c.rpm, map[int]string{1: "turn", 2: "second turn"}[c.every],
			fmt.Sprintf("from %+.1f to %+.1f", t.From, t.To), t.Turns, t.Median, most, over(t.Most > study.AimTurnS))
	}
	return nil
}

// processor runs this very program on a recording, in real time.
func (l *liveStudy) processor(ctx context.Context, seconds float64, stderr io.Writer) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "sparkscope-live-")
	if err != nil {
		return &outputError{os.TempDir(), err}
	}
	defer os.RemoveAll(dir)
	fmt.Fprintf(l.w, "\nSHARE OF A CORE, \"sparkscope live FILE --json\" in real time, ten readings a second; aim %g %%\n", 100*study.AimShare)
	fmt.Fprintf(l.w, "%-26s %6s %9s %14s %9s\n", "", "rpm", "wall, s", "processor, s", "share, %")
	for _, rate := range []int{48000, 192000} {
		for _, rpm := range []int{1200, 6000} {
			file := filepath.Join(dir, "run.wav")
			out, err := exec.CommandContext(ctx, self, "simulate", "--out", file, "--truth", filepath.Join(dir, "run.csv"), "--rate", fmt.Sprint(rate), "--bits", "24",
				"--speed", fmt.Sprintf("%d hold %gs", rpm, seconds)).CombinedOutput()
			if err != nil {
				fmt.Fprintf(stderr, "%s", out)
				return &outputError{file, err}
			}
			s, err := timed(ctx, self, "live", file, "--reference-angle", "30", "--json")
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err != nil {
				return fmt.Errorf("sparkscope live: %w", err)
			}
			share := s.processor / seconds
			fmt.Fprintf(l.w, "%-26s %6d %9.1f %14.2f %9.1f%s\n", fmt.Sprintf("stereo, 24 bit, %d kHz", rate/1000), rpm, s.wall, s.processor, 100*share, over(share > study.AimShare))
		}
	}
	return nil
}

func (l *liveStudy) replay(ctx context.Context) error {
	fmt.Fprintf(l.w, "\nA REPLAYED FILE: how far readings are from measure's mean of the same sparks, and the summary from measure's; aim %g°, but for provisional ones\n", study.AimReplay)
	fmt.Fprintf(l.w, "%-22s %9s %9s %12s %9s %11s\n", "", "readings", "most, °", "provisional", "most, °", "summary, °")
	for _, c := range study.ReplayCases() {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		r, err := l.Replays(c, l.seed)
		if err != nil {
			return err
		}
		switch {
		case r.Refused != "":
			fmt.Fprintf(l.w, "%-22s measure refuses it: %s\n", r.Name, r.Refused)
		case r.LiveRefused != "":
			fmt.Fprintf(l.w, "%-22s measure takes it, live refuses it: %s *\n", r.Name, r.LiveRefused)
		default:
			fmt.Fprintf(l.w, "%-22s %9d %9.3f%s %11d %9.3f %11.4f%s\n", r.Name, r.Looks, r.Apart, over(r.Apart > study.AimReplay), r.Early, r.EarlyApart,
				r.Summary, over(math.Abs(r.Summary) > study.AimReplay))
		}
	}
	return nil
}

func (l *liveStudy) memory(ctx context.Context, hours float64) error {
	fmt.Fprintf(l.w, "\nMEMORY, stereo at 48 kHz, 3000 rpm, a look a second; what is still in use after the collector ran; aim: from the first hour on no more than %g MiB more\n", study.AimGrowth)
	fmt.Fprintf(l.w, "%7s %9s %11s\n", "hours", "sparks", "heap, MiB")
	first, last := 0.0, 0.0
	err := l.Grow(hours, 0.5, l.seed, func(h float64, sparks int) bool {
		runtime.GC()
		runtime.GC() // what had a finalizer went with the first
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		last = float64(m.HeapAlloc) / (1 << 20)
		if h <= 1 {
			first = last
		}
		fmt.Fprintf(l.w, "%7.1f %9d %11.2f\n", h, sparks, last)
		return ctx.Err() == nil
	})
	if err != nil {
		return err
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	fmt.Fprintf(l.w, "From the first hour on %+.2f MiB.%s\n", last-first, over(last-first > study.AimGrowth))
	return nil
}
