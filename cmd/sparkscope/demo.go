package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/report"
	"sparkscope/report/plot"
)

// The demo's files. demoNote tells a former demo from any other folder.
const (
	demoNote      = "what-to-look-at.txt"
	demoHeading   = "sparkscope demo: an engine that does not exist\n"
	demoRecording = "recording.wav"
	demoTruth     = "truth.csv"
)

var demoFiles = []string{demoNote, demoRecording, demoTruth, "result.txt", "result.json", "events.csv", "plot.png", "plot.svg", "plot.pdf"}

// newDemoCommand makes `sparkscope demo`.
func newDemoCommand(stdout, stderr io.Writer) *cobra.Command {
	dir := "sparkscope-demo"
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "A worked example on an invented engine, with its true values",
		Long: `Makes the recording of an engine that does not exist, measures it as measure
would, writes everything into a folder and says what to look at, with the true
values beside the measured ones. A folder that holds anything but a former demo
is left alone.

Exit status: 0 done; 2 wrong usage; 4 the folder could not be written.`,
		Args: takesNone("demo", "; the folder is named by --dir"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runDemo(cmd.Context(), dir, stdout)
		},
	}
	cmd.Flags().Var(folderFlag{fileFlag{&dir}}, "dir", "to write into (default ./sparkscope-demo)")
	return cmd
}

// demoScene is the invented engine: a small two-stroke with fixed timing set
// to 18° with lamp and wheel, whose ignition takes 40 µs to fire, with a few
// sparks missed or repeated and two reference pulses lost.
func demoScene() scene.Spec {
	s := scene.Default()
	s.Engine.LagS = 40e-6
	s.Engine.MissProbability = 0.006
	s.Engine.RepeatProbability = 0.008
	s.Engine.MissedReferenceAtRevs = []int{120, 300}
	return s
}

// demoSetup is what the owner of that engine would know of it.
func demoSetup(s scene.Spec) analysis.Setup {
	deg := func(v float64) *analysis.Degrees { d := analysis.Degrees(v); return &d }
	delays := 10e-6 // s: both pick-ups were tried against one without a lag
	return analysis.Setup{
		SparkKind:      analysis.Clamp,
		ReferenceAngle: deg(s.Engine.ReferenceDeg), DelayToleranceS: &delays,
		Static: deg(18), StaticTolerance: deg(0.5),
		Target: deg(18), Tolerance: deg(2),
	}
}

// runDemo simulates, measures, writes and tells.
func runDemo(ctx context.Context, dir string, stdout io.Writer) error {
	if err := demoFolder(dir); err != nil {
		return err
	}
	in := func(name string) string { return filepath.Join(dir, name) }
	spec := demoScene()
	truth, err := writeScene(ctx, spec, in(demoRecording), in(demoTruth))
	if err != nil {
		return err
	}
	file, err := openRecording(in(demoRecording))
	if err != nil {
		return err
	}
	defer file.Close()
	r, err := measureStream(ctx, file, in(demoRecording), demoSetup(spec))
	if err != nil {
		return err
	}
	var told strings.Builder
	told.WriteString(demoHeading + "\n")
	tellDemo(&told, dir, truth, r)

	outs := &outputs{stdout: stdout}
	outs.add("", in("result.txt"), func(w io.Writer) error { return report.Text(w, r) })
	outs.add("", in("result.json"), func(w io.Writer) error { return report.JSON(w, r) })
	outs.add("", in("events.csv"), func(w io.Writer) error { return report.Events(w, r) })
	for ending, f := range map[string]plot.Format{"png": plot.PNG, "svg": plot.SVG, "pdf": plot.PDF} {
		outs.add("", in("plot."+ending), func(w io.Writer) error { return report.Plot(w, r, f) })
	}
	tell := func(w io.Writer) error { _, err := io.WriteString(w, told.String()); return err }
	outs.add("", in(demoNote), tell)
	outs.add("", "-", tell)
	if err := outs.check("-"); err != nil {
		return err
	}
	return outs.commit()
}

// demoFolder makes the folder, and refuses one that holds anything else than
// a former demo.
func demoFolder(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := os.MkdirAll(dir, 0o777); err != nil {
			return &outputError{dir, err}
		}
	case err != nil:
		return &outputError{dir, err}
	}
	note := filepath.Join(dir, demoNote)
	if len(entries) > 0 {
		head, err := os.ReadFile(note)
		if err != nil || !strings.HasPrefix(string(head), demoHeading) {
			return &outputError{dir, errors.New("the folder is not empty and holds no former demo; name another with --dir")}
		}
		known := map[string]bool{}
		for _, f := range demoFiles {
			known[f] = true
		}
		for _, e := range entries {
			if !known[e.Name()] || !e.Type().IsRegular() {
				return &outputError{dir, fmt.Errorf("the folder holds %s, which is not the demo's; name another with --dir", e.Name())}
			}
		}
	}
	// First of all, so that a demo that was stopped is known for one.
	if err := os.WriteFile(note, []byte(demoHeading), 0o666); err != nil {
		return &outputError{note, err}
	}
	return nil
}

// comparison is what a measurement missed the truth by.
type comparison struct {
	paired        int     // counted sparks that have a true one
	strangers     int     // counted sparks that have none
	trueMean      float64 // advance of the paired ones, degrees
	meanError     float64 // measured minus true, degrees
	rms, greatest float64 // of single sparks, degrees
}

// againstTruth pairs counted sparks with true ones by time. from and to bound the
// measured speed, rpm.
func againstTruth(truth *scene.Truth, r *analysis.Result, from, to float64) comparison {
	sparks := truth.Of(engine.Spark)
	var c comparison
	var sum, square float64
	for _, f := range r.Firings {
		if f.Status != analysis.OK || f.RPM < from || f.RPM >= to {
			continue
		}
		i := sort.Search(len(sparks), func(i int) bool { return sparks[i].AppearsS >= f.TimeS })
		if i > 0 && (i == len(sparks) || f.TimeS-sparks[i-1].AppearsS < sparks[i].AppearsS-f.TimeS) {
			i--
		}
		const window = 0.5e-3 // s: far longer than any timing error, far shorter than a revolution
		if i == len(sparks) || math.Abs(sparks[i].AppearsS-f.TimeS) > window {
			c.strangers++
			continue
		}
		e := math.Remainder(float64(f.Advance)-sparks[i].AdvanceDeg, 360)
		c.paired++
		c.trueMean += sparks[i].AdvanceDeg
		sum += e
		square += e * e
		c.greatest = max(c.greatest, math.Abs(e))
	}
	if n := float64(c.paired); n > 0 {
		c.trueMean, c.meanError, c.rms = c.trueMean/n, sum/n, math.Sqrt(square/n)
	}
	return c
}

// tellDemo says in plain words what was done and what to look at.
func tellDemo(w io.Writer, dir string, truth *scene.Truth, r *analysis.Result) {
	p := func(format string, a ...any) { fmt.Fprintf(w, format+"\n", a...) }
	all := againstTruth(truth, r, 0, math.Inf(1))
	p("%s.", report.Headline(r))
	p("")
	p("A small two-stroke was invented and %.0f s of it recorded: idle, up to %.0f rpm", float64(truth.Frames)/truth.Spec.RateHz, r.MaxRPM)
	p("and back. Its timing was set to 18° at rest; its ignition takes 40 µs to fire,")
	p("a few sparks fail or come twice, and two pulses of the reed are lost. The")
	p("instrument was told where the reed switches (%g° before top dead centre), that", truth.Spec.Engine.ReferenceDeg)
	p("no delay is more than 10 µs off, and what the engine should do (18° ± 2°). The")
	p("rest it found from the recording:")
	p("")
	p("                               true     measured")
	u := ""
	if r.Advance.HasExpanded {
		u = fmt.Sprintf("  ± %.2f°", float64(r.Advance.Expanded))
	}
	p("  mean advance              %7.2f°    %7.2f°%s", all.trueMean, all.trueMean+all.meanError, u)
	for i, b := range r.Bins {
		if len(r.Bins) < 2 || i > 0 && i < len(r.Bins)-1 {
			continue // the slowest and the fastest say enough
		}
		c := againstTruth(truth, r, b.FromRPM, b.ToRPM)
		p("  at %4.0f to %4.0f rpm       %7.2f°    %7.2f°", b.FromRPM, b.ToRPM, c.trueMean, c.trueMean+c.meanError)
	}
	if r.Trend != nil {
		p("  carried to zero speed       18.00°    %7.2f°", float64(r.Trend.Intercept))
		p("  delay behind the slope      40   µs   %5.0f   µs", r.Trend.EquivalentDelayS*1e6)
	}
	p("  sparks that failed        %5d      %5d", len(truth.Of(engine.Missed)), r.Counts.MissedSparks)
	p("  sparks that came twice    %5d      %5d", len(truth.Of(engine.Repeated)), r.Counts.RepeatedSparks)
	p("  reference pulses lost     %5d      %5d", len(truth.Of(engine.MissedReference)), r.Counts.MissedReferences)
	p("  error of a single spark               %5.2f° rms, %.2f° at most", all.rms, all.greatest)
	if all.strangers > 0 {
		p("  counted, but no true spark            %5d", all.strangers)
	}
	p("")
	p("In %s:", dir)
	p("  plot.png (.svg, .pdf)  look here first: every spark, the median by speed, the")
	p("                         static angle, the target, and the slope that 40 µs make")
	p("  result.txt             what `sparkscope measure` prints: answer, table, remarks,")
	p("                         where the ± comes from")
	p("  events.csv, truth.csv  every spark as measured and as it was, to hold side by side")
	p("  result.json            the same result for other programs")
	p("  recording.wav          to look at in an audio editor: sparks on channel %d, the", truth.SparkChannel)
	p("                         reed on channel %d", truth.ReferenceChannel)
	p("")
	p("To measure it yourself:")
	p("  sparkscope measure %s --reference-angle %g \\", filepath.ToSlash(filepath.Join(dir, demoRecording)), truth.Spec.Engine.ReferenceDeg)
	p("    --delay-tolerance 10us --static 18 --static-tolerance 0.5 --target 18 --tolerance 2")
}
