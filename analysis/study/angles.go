// Package study measures the whole chain, from a recording's samples to
// angles, against the truth of an invented engine.
package study

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
)

// Case is one recording of the study. Its String names it.
type Case struct {
	Family  string       // of synth.Families
	Pickup  scene.Pickup // of the reference
	RateHz  float64      // samples per second
	Speed   string       // of Speeds
	Trouble string       // of Troubles
	Seed    uint64
}

// String names the case; no two of Cases have the same name.
func (c Case) String() string {
	return fmt.Sprintf("%s/%s/%g/%s/%s", c.Family, c.Pickup, c.RateHz, c.Speed, c.Trouble)
}

// Named is something a case can have, and what it is.
type Named struct {
	Name, Doc string
	change    func(*scene.Spec, *analysis.Setup)
}

// Every engine fires 18° before top dead centre with a scatter of 0.5°, which
// is known for each spark; the reference is 12° ahead of the spark. The speed
// does not fluctuate within the revolution unless a speed says so: one
// reference per revolution cannot see that it does.
func base(c Case) (scene.Spec, analysis.Setup) {
	s := scene.Default()
	s.Family, s.Pickup, s.RateHz, s.Seed = c.Family, c.Pickup, c.RateHz, c.Seed
	s.Engine.Seed, s.Engine.Fluctuation = c.Seed, 0
	if s.Pickup != scene.Reed {
		s.BounceS = 0
	}
	angle := analysis.Degrees(s.Engine.ReferenceDeg)
	return s, analysis.Setup{ReferenceAngle: &angle}
}

func profile(text string) func(*scene.Spec, *analysis.Setup) {
	return func(s *scene.Spec, _ *analysis.Setup) { s.Engine.Profile, _ = engine.ParseProfile(text) }
}

// Speeds are the speed profiles.
func Speeds() []Named {
	var out []Named
	for _, rpm := range []int{1000, 1500, 2000, 3000, 4500, 6000} {
		out = append(out, Named{fmt.Sprint(rpm), "steady", profile(fmt.Sprintf("%d hold 5s", rpm))})
	}
	return append(out,
		Named{"pull", "1000 to 6000 rpm in 8 s and held", profile("1000 hold 0.5s, ramp 6000 in 8s, hold 0.5s")},
		Named{"blips", "1500 rpm and three times up at 15 000 rpm/s, to 9000, 7000 and 6000", profile("1500 hold 1s, blip 9000 at 15000, hold 500ms, blip 7000 at 15000, hold 500ms, blip 6000 at 15000, hold 1s")},
		Named{"idle", "1300 rpm, fluctuating by 4 % within the revolution", func(s *scene.Spec, _ *analysis.Setup) {
			s.Engine.Profile, _ = engine.ParseProfile("1300 hold 8s")
			s.Engine.Fluctuation = 0.04
		}},
	)
}

// Troubles are what goes wrong in a shop.
func Troubles() []Named {
	return []Named{
		{"none", "50 dB, coupling at 8 Hz, 2 % and 1 % crosstalk, a little hum", func(*scene.Spec, *analysis.Setup) {}},
		{"missed-sparks", "5 % of the sparks fail", func(s *scene.Spec, _ *analysis.Setup) { s.Engine.MissProbability = 0.05 }},
		{"repeated-sparks", "10 % of the sparks come twice, 5 to 15° apart", func(s *scene.Spec, _ *analysis.Setup) { s.Engine.RepeatProbability = 0.1 }},
		{"lost-references", "2 % of the references, and three in a row", func(s *scene.Spec, _ *analysis.Setup) {
			s.Engine.ReferenceMissProb = 0.02
			s.Engine.MissedReferenceAtRevs = []int{60, 61, 62}
		}},
		{"all-three", "the last three together", func(s *scene.Spec, _ *analysis.Setup) {
			s.Engine.MissProbability, s.Engine.RepeatProbability, s.Engine.ReferenceMissProb = 0.05, 0.1, 0.02
		}},
		{"crosstalk", "5 % of each signal in the other's channel", func(s *scene.Spec, _ *analysis.Setup) {
			s.SparkIntoReference, s.ReferenceIntoSpark = 0.05, 0.05
		}},
		{"leak", "the spark is as strong as the reference in its channel", func(s *scene.Spec, _ *analysis.Setup) {
			s.SparkIntoReference = s.ReferenceLevel / s.SparkLevel
		}},
		{"closing", "contacts close 150° after the spark: a pulse of 30 %, the other way up", func(s *scene.Spec, _ *analysis.Setup) {
			s.Engine.ClosingDeg, s.ClosingLevel = 150, 0.3
		}},
		{"swapped", "spark on channel 2", func(s *scene.Spec, _ *analysis.Setup) { s.Layout = scene.Swapped }},
		{"inverted", "both channels the other way up", func(s *scene.Spec, _ *analysis.Setup) {
			s.SparkInverted, s.ReferenceInverted = true, true
		}},
		{"one-channel", "both pick-ups on one channel, the reference 42° before the spark", func(s *scene.Spec, u *analysis.Setup) {
			s.Layout = scene.OneChannel
			s.Engine.ReferenceDeg = 60
			*u.ReferenceAngle = 60
			s.SparkIntoReference, s.ReferenceIntoSpark = 0, 0
			u.SparkChannel, u.ReferenceChannel = 1, 1
		}},
		{"every-second", "fires in every second revolution", func(s *scene.Spec, _ *analysis.Setup) { s.Engine.EveryRevolutions = 2 }},
		{"two-per-rev", "two cylinders, 180° apart", func(s *scene.Spec, _ *analysis.Setup) { s.Engine.CylinderDeg = []float64{0, 180} }},
		{"three-magnets", "equally spaced, said", func(s *scene.Spec, u *analysis.Setup) {
			s.Engine.MagnetDeg = engine.EqualMagnets(3)
			u.ReferencePulses = 3
		}},
		{"hum", "mains hum as strong as the reference, of a coil at 1000 rpm", func(s *scene.Spec, _ *analysis.Setup) {
			s.HumLevel = s.ReferenceLevel
			if s.Pickup == scene.Coil {
				s.HumLevel *= 1000 / s.CoilFullRPM
			}
		}},
		{"weak", "both signals 40 dB down", func(s *scene.Spec, _ *analysis.Setup) {
			s.SparkLevel, s.ReferenceLevel, s.HumLevel = 0.005, 0.004, 2e-5
			s.Bits = 24
		}},
		{"noisy", "30 dB", func(s *scene.Spec, _ *analysis.Setup) { s.NoiseDB = 30 }},
		{"clipped", "the spark four times as large as full scale", func(s *scene.Spec, _ *analysis.Setup) { s.SparkLevel = 4; s.SparkIntoReference = 0.005; s.NoiseDB = 68 }},
		{"bursts", "an interference burst per second, as large as a spark", func(s *scene.Spec, _ *analysis.Setup) { s.InterferenceRate = 1 }},
		{"minimum", "minimum-phase converters, which delay both channels", func(s *scene.Spec, _ *analysis.Setup) { s.Kernel = "sharp-minimum" }},
	}
}

func byName(list []Named, name string) (Named, error) {
	var all []string
	for _, n := range list {
		if n.Name == name {
			return n, nil
		}
		all = append(all, n.Name)
	}
	return Named{}, fmt.Errorf("study: %q: want one of %s", name, strings.Join(all, ", "))
}

// Spec is the case's recording, and what its owner would tell the instrument.
func (c Case) Spec() (scene.Spec, analysis.Setup, error) {
	s, u := base(c)
	speed, err := byName(Speeds(), c.Speed)
	if err != nil {
		return s, u, err
	}
	trouble, err := byName(Troubles(), c.Trouble)
	if err != nil {
		return s, u, err
	}
	speed.change(&s, &u)
	trouble.change(&s, &u)
	return s, u, s.Validate()
}

// Cases is the study: every family with every pick-up, without trouble and
// through minimum-phase converters; every rate and speed with every pick-up;
// every other trouble with every pick-up.
func Cases(families []string, seed uint64) []Case {
	pickups := []scene.Pickup{scene.Reed, scene.Hall, scene.Coil}
	const usual = "ring-sine"
	var out []Case
	for _, v := range []string{"none", "minimum"} {
		for _, f := range families {
			for _, p := range pickups {
				out = append(out, Case{f, p, 48000, "pull", v, seed})
			}
		}
	}
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		for _, v := range Speeds() {
			for _, p := range pickups {
				if rate == 48000 && v.Name == "pull" {
					continue // among the families
				}
				out = append(out, Case{usual, p, rate, v.Name, "none", seed})
			}
		}
	}
	for _, v := range Troubles() {
		if v.Name == "none" || v.Name == "minimum" {
			continue // among the families
		}
		for _, p := range pickups {
			out = append(out, Case{usual, p, 48000, "pull", v.Name, seed})
		}
	}
	return out
}

// Targets of the study, the project's own.
const (
	TargetMean = 0.15 // mean error, degrees
	TargetRMS  = 0.3  // error of single sparks, degrees rms, from 48 kHz on
)

// Row is what came out for a Case.
type Row struct {
	Case
	Score
	Refused string // why it was not measured; else empty

	Stated    float64 // expanded uncertainty of the mean advance, the bench's tolerances by default, degrees
	Own       float64 // the same where the bench is known exactly: the instrument's own
	HasStated bool    // whether any is stated
}

// MeanOver, RMSOver say whether a target is missed.
func (r Row) MeanOver() bool { return r.Refused == "" && !(math.Abs(r.Mean) <= TargetMean) }

// RMSOver says whether the single sparks miss their target.
func (r Row) RMSOver() bool { return r.Refused == "" && r.RateHz >= 48000 && !(r.RMS <= TargetRMS) }

// Held says whether the stated uncertainty holds the mean error.
func (r Row) Held() bool { return r.Refused != "" || r.HasStated && math.Abs(r.Mean) <= r.Stated }

// OwnHeld says whether the instrument's own uncertainty does.
func (r Row) OwnHeld() bool { return r.Refused != "" || r.HasStated && math.Abs(r.Mean) <= r.Own }

// exact is the setup of a bench on which nothing is uncertain.
func exact(u analysis.Setup, s scene.Spec) analysis.Setup {
	var angle analysis.Degrees
	var delayS float64
	u.ReferenceAngleTolerance, u.DelayToleranceS, u.SpeedFluctuation = &angle, &delayS, &s.Engine.Fluctuation
	return u
}

// Run renders the case's recording, measures it, and compares. tables are shared with other
// cases, or nil.
func Run(c Case, tables *dsp.Tables) (Row, error) {
	row := Row{Case: c}
	spec, setup, err := c.Spec()
	if err != nil {
		return row, err
	}
	truth, source, err := scene.Render(spec)
	if err != nil {
		return row, err
	}
	heard := ears(source.Rate(), source.Channels(), tables)
	block := make([][]float64, source.Channels())
	for i := range block {
		block[i] = make([]float64, 4096)
	}
	for done := false; !done; {
		var n int
		n, done = source.Next(block)
		single := make([][]float32, len(block))
		for i := range block {
			single[i] = make([]float32, n)
			for j, v := range block[i][:n] {
				single[i][j] = float32(v)
			}
		}
		heard.Push(single)
	}
	trains := heard.Finish()
	recording := analysis.Recording{
		SampleRateHz: spec.RateHz, Channels: len(trains), Bits: spec.Bits, Encoding: "pcm",
		DurationS: source.Rate().Seconds(float64(truth.Frames)),
	}
	result, err := analysis.Measure(recording, trains, setup)
	if errors.Is(err, analysis.ErrCannotMeasure) {
		row.Refused = err.Error()
		err = nil
	}
	if err != nil {
		return row, err
	}
	row.Score = score(truth, result, nil)
	if result != nil {
		row.Stated, row.HasStated = float64(result.Advance.Expanded), result.Advance.HasExpanded
		own, err := analysis.Measure(recording, trains, exact(setup, spec))
		if err != nil {
			return row, err
		}
		row.Own = float64(own.Advance.Expanded)
	}
	return row, nil
}

// Legend explains the columns of Header and String.
func Legend() string {
	var b strings.Builder
	fmt.Fprintf(&b, `
Every engine fires 18 degrees before top dead centre with a known scatter of
0.5; the reference acts 12 degrees before the spark. Errors are of single
sparks, measured minus true, degrees.
  sparks   true ones between the first and the last reference; ok: those found
           and counted, anywhere
  recall   share of the true ones that were counted
  prec     share of the counted ones that are true
  wrong    counted, but no true spark, or more than %d degrees off; a ! marks any
  shift    counted under another number of the revolution than most are, against
           the truth: revolutions were lost or made up on the way; a ! marks any
  mean     mean error; a ! marks more than %g
  stated   expanded uncertainty that the instrument states for its mean advance,
           95 %% coverage, with its defaults for degree wheel, delays and uneven
           running; a ! marks less than |mean|
  own      the same where it is told that those are exact: its own share
  rms      root mean square error; a ! marks more than %g, from 48 kHz on
  missed, repeat, refs  sparks that failed, further sparks, references lost:
           true/found

Speeds:
`, far, TargetMean, TargetRMS)
	for _, s := range Speeds() {
		fmt.Fprintf(&b, "  %-16s %s\n", s.Name, s.Doc)
	}
	b.WriteString("Troubles:\n")
	for _, s := range Troubles() {
		fmt.Fprintf(&b, "  %-16s %s\n", s.Name, s.Doc)
	}
	return b.String()
}

// Header names the columns of String.
func Header() string {
	return fmt.Sprintf("%-47s %6s %5s %6s %5s %5s  %5s  %7s  %6s  %6s  %6s %7s %9s %9s %9s", "case: family/pick-up/rate/speed/trouble", "sparks", "ok", "recall", "prec", "wrong", "shift",
		"mean", "stated", "own", "rms", "largest", "missed", "repeat", "refs")
}

// Line is the row as a line of the table.
func (r Row) Line() string {
	mark := func(on bool) string {
		if on {
			return "!"
		}
		return " "
	}
	if r.Refused != "" {
		return fmt.Sprintf("%-47s %6d  refused: %s", r.Case, r.Sparks.True, r.Refused)
	}
	t := func(t Tally) string { return fmt.Sprintf("%d/%d", t.True, t.Found) }
	stated, own := "none", "none"
	if r.HasStated {
		stated, own = fmt.Sprintf("%.3f", r.Stated), fmt.Sprintf("%.3f", r.Own)
	}
	return fmt.Sprintf("%-47s %6d %5d %6.3f %5.3f %5d%s %5d%s %+7.3f%s %6s%s %6s%s %6.3f%s %7.2f %9s %9s %9s", r.Case, r.Sparks.True, r.Sparks.Found, r.Recall(), r.Precision(),
		r.Wrong, mark(r.Wrong > 0), r.Shifted, mark(r.Shifted > 0), r.Mean, mark(r.MeanOver()),
		stated, mark(!r.Held()), own, mark(!r.OwnHeld()), r.RMS, mark(r.RMSOver()), r.Largest, t(r.Missed), t(r.Repeated), t(r.References))
}

// Summary draws rows together.
func Summary(rows []Row) string {
	var refused, wrong, wrongRows, shifted, mean, open, openOwn, rms, lost int
	least, worst := 1.0, 0.0
	for _, r := range rows {
		if r.Refused != "" {
			refused++
			continue
		}
		if r.Wrong > 0 {
			wrong += r.Wrong
			wrongRows++
		}
		if r.Shifted > 0 {
			shifted++
		}
		if r.MeanOver() {
			mean++
		}
		if !r.Held() {
			open++
		}
		if !r.OwnHeld() {
			openOwn++
		}
		if r.RMSOver() {
			rms++
		}
		if r.Recall() < 0.98 {
			lost++
		}
		least = math.Min(least, r.Recall())
		worst = math.Max(worst, math.Abs(r.Mean))
	}
	return fmt.Sprintf(`%d recordings, %d refused.
Wrong pairs: %d, in %d recordings; revolutions miscounted: %d recordings.
Mean error over %g: %d recordings; the largest is %.3f.
Mean error not held by the stated uncertainty: %d recordings; by the instrument's own share: %d.
Single sparks over %g rms: %d recordings.
Recall below 0.98: %d recordings; the least is %.3f.
`, len(rows), refused, wrong, wrongRows, shifted, TargetMean, mean, worst, open, openOwn, TargetRMS, rms, lost, least)
}
