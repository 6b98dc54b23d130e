package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/synth"
	"sparkscope/dsp/wav"
)

// newSimulateCommand builds "sparkscope simulate": a recording whose truth is
// known, to learn on and to prove the instrument with.
func newSimulateCommand(stdout, stderr io.Writer) *cobra.Command {
	spec := scene.Default()
	var (
		out, truthPath, engineFile   string
		speed, advance, sparksPerRev string
		cylinders, magnets           []float64
		pulses                       int
		list, inverted               bool
		lag, sparkDelay, refDelay    time.Duration
		rise, bounce                 time.Duration
		pickup, layout               string
		sparkKind                    string
		dwell                        float64
		echoes, header, breakUp      string
		cutEnd                       bool
		agc                          = synth.AGC{Target: 0, MaxGainDB: 30, AttackS: 2e-3, ReleaseS: 0.3}
		gate                         = synth.Gate{Open: 0, FloorDB: -40, AttackS: 1e-3, HoldS: 0.05, ReleaseS: 0.1}
		codec                        synth.Codec
	)
	cmd := &cobra.Command{
		Use:   "simulate --out FILE.wav [--truth FILE.csv] [flags]",
		Short: "Make a recording of an invented engine, with its truth",
		Long: `Makes the recording of an engine that does not exist and, beside it, a table of
when every spark and every reference event truly happened. Without further
flags it is a small two-stroke with a fixed ignition 18° before top dead centre
and a reed whose magnet acts from 30° before, idling, revved and idling again.

` + engine.ProfileGrammar + `

What an input does to the signals comes in this order: pick-ups and crosstalk,
hum, a limit in front (--clip-front), the converter's band limit, coupling, low
shelf, noise, automatic gain control, noise suppression, lossy coding, and the
converter's own limit and rounding. None of it moves a time in the table of
truth: --spark-delay, --reference-delay, --microphone-distance and --clock-error
do, and the table has both times.

The same flags and seed give the same recording. --list shows the pulse
families and the converters.`,
		Example: `  sparkscope simulate --out run.wav --truth run.csv
  sparkscope simulate --out blip.wav --speed "1500 hold 1s, blip 9000 at 15000, hold 1s"
  sparkscope simulate --out curve.wav --advance "1200:10, 3200:22" --reference-kind coil
  sparkscope simulate --out bench.wav --engine bench.toml
  sparkscope simulate --out kick.wav --speed "0 hold 500ms, swing 400 in 300ms, swing 0 in 1s, hold 500ms"
  sparkscope simulate --out phone.wav --layout one --reference-angle 60 --agc 0.3 --gate 0.01 --codec-band 16000`,
		Args: takesNone("simulate", "; the recording is named by --out"),
	}
	f := cmd.Flags()
	e := &spec.Engine
	f.StringVar(&out, "out", "", "the recording to write, a WAV `FILE`")
	f.StringVar(&truthPath, "truth", "", "the table of true events to write, a CSV `FILE`")
	f.Var(fileFlag{&engineFile}, "engine", "take what it says of an engine, which fires where it should, TOML,\nsee sparkscope help engine; the flags below win over it")
	f.BoolVar(&list, "list", false, "list pulse families and converters, and do nothing else")
	f.Uint64Var(&spec.Seed, "seed", 1, "seed `NUMBER`: the same number, the same recording")

	f.StringVar(&speed, "speed", "1300 hold 2s, swing 6000 in 3s, hold 1s, swing 1300 in 3s, hold 1s", "speed `PROFILE`, see above")
	f.Float64Var(&e.Fluctuation, "speed-fluctuation", e.Fluctuation, "(fastest - slowest)/mean speed within one revolution: `PART`")
	f.Float64Var(&e.FastestDeg, "fastest-angle", e.FastestDeg, "where in the revolution it is fastest, `DEG` after top dead centre")
	f.Float64Var(&e.StartDeg, "start-angle", e.StartDeg, "where the crankshaft stands at the start, `DEG` after top dead centre")
	f.Float64Var(&e.Jerk, "jerk", 0, "turned by an unsteady hand: three times a turn another speed, up to this `PART` above or below")

	f.StringVar(&advance, "advance", "18", "degrees before top dead centre, fixed or as an `rpm:deg,...` curve")
	f.DurationVar(&lag, "ignition-lag", 0, "the ignition's own lag, real retard: `DUR` like 60us")
	f.Float64Var(&e.ScatterDeg, "scatter", e.ScatterDeg, "standard deviation of the advance, `DEG`")
	f.Float64Var(&e.AlternatingDeg, "alternating", e.AlternatingDeg, "`DEG` between firings by turns")
	f.Float64Var(&e.DriftDeg, "drift", 0, "how much earlier it fires at the end than at the beginning, `DEG`")
	f.Float64Var(&e.StickingDeg, "sticking", 0, "how much earlier it fires while the speed rises than while it falls, `DEG`")
	f.Float64Var(&e.ScatterGrowth, "scatter-growth", 0, "scatter at the fastest speed, `TIMES` that at the slowest; 0: it does not grow")
	f.StringVar(&breakUp, "break-up", "", "above this speed, this part of the firings has no spark: `RPM:PART` like 4000:0.2")
	f.StringVar(&sparksPerRev, "sparks-per-rev", "1", "`N`: 1, 2 ... or 1/2 for every second revolution")
	f.Float64SliceVar(&cylinders, "cylinder-angles", nil, "offsets `DEG,...` of the firings instead of equal ones, beginning with 0")
	f.Float64Var(&e.MissProbability, "missed-sparks", 0, "`PROBABILITY` of a spark not to come")
	f.Float64Var(&e.RepeatProbability, "repeated-sparks", 0, "`PROBABILITY` of a second spark after the first")
	f.Float64Var(&e.RepeatFromDeg, "repeat-from", e.RepeatFromDeg, "earliest second spark, `DEG` after the first")
	f.Float64Var(&e.RepeatToDeg, "repeat-to", e.RepeatToDeg, "latest second spark, `DEG` after the first")
	f.Float64Var(&e.ClosingDeg, "closing-angle", 0, "contacts close this many `DEG` after the spark; 0: no contacts")
	f.Float64Var(&spec.ClosingLevel, "closing-level", 0.15, "their pulse, opposite to a spark and this `PART` of it")

	f.StringVar(&sparkKind, "spark-kind", "clamp", "what the spark's channel shows, clamp or contacts: `KIND`")
	f.Float64Var(&dwell, "dwell", 200, "contacts: how long they are closed before each opening, `DEG`")
	durationVar(f, &spec.OpeningBounceS, "opening-bounce", "contacts: how long they touch again after they part: `DUR`")
	durationVar(f, &spec.ClosingBounceS, "closing-bounce", "contacts: how long they part again after they touch: `DUR`")
	f.StringVar(&spec.Family, "family", spec.Family, "pulse family of the sparks, see --list: `NAME`")
	f.Float64Var(&spec.SparkLevel, "spark-level", spec.SparkLevel, "size of a spark, `PART` of full scale; above 1 it clips")
	f.Float64Var(&spec.SparkVariation, "spark-variation", spec.SparkVariation, "standard deviation of its size, `PART`")
	f.BoolVar(&spec.SparkInverted, "spark-inverted", false, "spark channel the other way up")
	f.DurationVar(&sparkDelay, "spark-delay", 0, "from a spark to its trace in the recording: `DUR`")
	f.Float64Var(&spec.MicrophoneM, "microphone-distance", 0, "of a microphone from the spark, `M`: its sound is that much later still")
	f.Float64Var(&spec.AirC, "air-temperature", spec.AirC, "of the air the sound goes through, `CELSIUS`")
	f.StringVar(&echoes, "echoes", "", "later copies of a spark's sound: `DUR:PART,...` like 1.4ms:-0.35,6ms:0.2")

	f.StringVar(&pickup, "reference-kind", string(spec.Pickup), "reed, hall or coil: `KIND`")
	f.Float64Var(&e.ReferenceDeg, "reference-angle", e.ReferenceDeg, "true reference event, `DEG` before top dead centre")
	f.IntVar(&pulses, "reference-pulses", 1, "equal magnets per revolution: `N`")
	f.Float64SliceVar(&magnets, "magnet-angles", nil, "offsets `DEG,...` of the magnets instead, beginning with 0")
	f.Float64Var(&e.ClosedDeg, "closed-angle", e.ClosedDeg, "how long a magnet acts, `DEG`")
	f.Float64Var(&e.ReferenceMissProb, "missed-references", 0, "`PROBABILITY` of a reference not to come")
	f.IntSliceVar(&e.MissedReferenceAtRevs, "lose-references", nil, "`REV,...` whose references are lost besides")
	f.DurationVar(&refDelay, "reference-delay", 0, "from a reference event to its trace in the recording: `DUR`")
	f.Float64Var(&spec.ReferenceLevel, "reference-level", spec.ReferenceLevel, "height of its pulse, `PART` of full scale")
	f.BoolVar(&spec.ReferenceInverted, "reference-inverted", false, "reference channel the other way up")
	f.BoolVar(&spec.NormallyClosed, "normally-closed", false, "the magnet opens the contact")
	f.DurationVar(&rise, "rise", seconds(spec.RiseS), "how long a contact's edge takes: `DUR`")
	f.DurationVar(&bounce, "bounce", seconds(spec.BounceS), "how long a reed bounces after closing: `DUR`")
	f.Float64Var(&spec.CoilSpacingDeg, "coil-spacing", spec.CoilSpacingDeg, "between the two lobes of a coil, `DEG`")
	f.Float64Var(&spec.CoilFullRPM, "coil-full-rpm", spec.CoilFullRPM, "`RPM` at which they reach the reference level")

	f.Float64Var(&spec.SparkIntoReference, "spark-into-reference", spec.SparkIntoReference, "crosstalk, `PART` of the spark signal")
	f.Float64Var(&spec.ReferenceIntoSpark, "reference-into-spark", spec.ReferenceIntoSpark, "crosstalk, `PART` of the reference signal")
	f.Float64Var(&spec.HumLevel, "hum", spec.HumLevel, "mains hum on the reference channel, `PART` of full scale")
	f.Float64Var(&spec.HumHz, "hum-frequency", spec.HumHz, "its frequency in `HZ`")
	f.Float64Var(&spec.NoiseDB, "snr", spec.NoiseDB, "`DB` from a spark's peak to the rms of the noise")
	f.Float64Var(&spec.InterferenceRate, "interference", 0, "bursts `PER_SECOND` from somewhere else")
	f.Float64Var(&spec.InterferenceSize, "interference-size", spec.InterferenceSize, "their size, `PART` of a spark")

	f.Float64Var(&spec.RateHz, "rate", spec.RateHz, "sampling rate in `HZ`")
	f.IntVar(&spec.Bits, "bits", spec.Bits, "8, 16, 24 or 32 `BITS`; 0: 32-bit floating point")
	f.StringVar(&spec.Kernel, "converter", spec.Kernel, "its band limit, see --list: `NAME`")
	f.Float64Var(&spec.ClockPPM, "clock-error", 0, "how much too fast the recorder's clock runs, `PPM`")
	f.Float64Var(&spec.ACHz, "coupling", spec.ACHz, "corner of the inputs' coupling in `HZ`; 0: none")
	f.Float64Var(&spec.ACQ, "coupling-q", 0, "a transformer's coupling, of second order and this `QUALITY`; 0: one pole")
	f.Float64Var(&spec.ShelfHz, "shelf", 0, "corner of a low shelf behind the coupling in `HZ`; 0: none")
	f.Float64Var(&spec.ShelfDB, "shelf-gain", 6, "how much it raises what is far below, `DB`; negative lowers")
	f.Float64Var(&spec.DC, "offset", 0, "constant offset, `PART` of full scale")
	f.Float64Var(&spec.ClipDB, "clipping", 0, "turn the input up until a spark is this many `DB` above full scale, and all else with it")
	f.BoolVar(&spec.ClipFront, "clip-front", false, "what is above full scale is cut off in front of the coupling, not only in the converter")
	f.Float64Var(&agc.Target, "agc", 0, "automatic gain control to this `PART` of full scale; 0: none")
	f.Float64Var(&agc.MaxGainDB, "agc-gain", agc.MaxGainDB, "how much it turns up at most, `DB`")
	durationVar(f, &agc.AttackS, "agc-attack", "its time constant for a level that rises: `DUR`")
	durationVar(f, &agc.ReleaseS, "agc-release", "and for one that falls: `DUR`")
	f.Float64Var(&gate.Open, "gate", 0, "noise suppression that opens at this `PART` of full scale; 0: none")
	f.Float64Var(&gate.FloorDB, "gate-floor", gate.FloorDB, "its gain while closed, `DB`")
	durationVar(f, &gate.AttackS, "gate-attack", "its time constant of opening: `DUR`")
	durationVar(f, &gate.HoldS, "gate-hold", "how long it stays open: `DUR`")
	durationVar(f, &gate.ReleaseS, "gate-release", "its time constant of closing: `DUR`")
	f.Float64Var(&codec.BandHz, "codec-band", 0, "lossy coding: its band limit in `HZ`; 0: none")
	f.Float64Var(&codec.SNRdB, "codec-snr", 0, "lossy coding: `DB` from what a band holds to its coding noise; 0: no such noise")
	f.StringVar(&header, "header", "whole", "sizes in the header: whole, or as a recorder leaves them that died: zero or unknown: `NAME`")
	f.BoolVar(&cutEnd, "cut-end", false, "the file ends in the middle of a sample")
	f.StringVar(&layout, "layout", string(spec.Layout), "stereo, swapped, identical, one, dead-spark, dead-reference, same-spark, same-reference, or, to calibrate by,\none-source or two-pickups: `NAME`")
	durationVar(f, &spec.SkewS, "skew", "by how much the input takes channel 2 later than channel 1: `DUR`")
	f.Float64Var(&spec.LagFreeDeg, "lag-free-after", 0, "two-pickups: how far behind the reference the pick-up without a delay passes, `DEG`")
	f.BoolVar(&inverted, "inverted", false, "both channels the other way up")
	f.SortFlags = false
	tidyDefaults(f)

	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if list {
			return listSynth(stdout)
		}
		if out == "" {
			return usagef("which file? Name the WAV file to write by --out")
		}
		var known simulated
		if engineFile != "" {
			file, err := openEngineFile(engineFile)
			if err != nil {
				return err
			}
			if known, err = fromEngine(cmd.Flags(), engineFile, file); err != nil {
				return err
			}
		}
		if !strings.EqualFold(filepath.Ext(out), ".wav") && out != "-" && !strings.HasPrefix(out, "/dev/") {
			return usagef("--out %q: want a name that ends in .wav, the format that is written", out)
		}
		for _, p := range []string{"missed-sparks", "repeated-sparks", "missed-references"} {
			if v, _ := cmd.Flags().GetFloat64(p); !(v >= 0 && v <= 1) {
				return usagef("--%s %g: want a probability, 0 to 1", p, v)
			}
		}
		if !(spec.RateHz >= 8000 && spec.RateHz <= 384000) {
			return usagef("--rate %g: want 8000 to 384000 samples per second", spec.RateHz)
		}
		var err error
		if e.Profile, err = engine.ParseProfile(speed); err != nil {
			return usagef("--speed: %s", unprefixed(err))
		}
		if e.Advance, err = engine.ParseCurve(advance); err != nil {
			return usagef("--advance: %s", unprefixed(err))
		}
		if e.CylinderDeg, e.EveryRevolutions, err = firingPlan(sparksPerRev); err != nil {
			return err
		}
		if cylinders != nil {
			e.CylinderDeg = cylinders
		}
		switch {
		case magnets != nil:
			e.MagnetDeg = magnets
		case pulses < 1 || pulses > 60:
			return usagef("--reference-pulses %d: want 1 to 60", pulses)
		default:
			e.MagnetDeg = engine.EqualMagnets(pulses)
			// More magnets than the usual closed angle has room for.
			if !cmd.Flags().Changed("closed-angle") {
				e.ClosedDeg = min(e.ClosedDeg, 0.4*360/float64(pulses))
			}
		}
		if inverted {
			spec.SparkInverted, spec.ReferenceInverted = !spec.SparkInverted, !spec.ReferenceInverted
		}
		if spec.Echoes, err = parseEchoes(echoes); err != nil {
			return err
		}
		if e.BreakUpRPM, e.BreakUpShare, err = parseBreakUp(breakUp); err != nil {
			return err
		}
		if header != "whole" && header != "zero" && header != "unknown" {
			return usagef("--header %q: want whole, zero or unknown", header)
		}
		for _, g := range []struct {
			flag string
			v    float64
		}{{"--agc", agc.Target}, {"--gate", gate.Open}, {"--codec-band", codec.BandHz}, {"--codec-snr", codec.SNRdB}} {
			if !(g.v >= 0) {
				return usagef("%s %g: want a positive number, or 0 for none", g.flag, g.v)
			}
		}
		if half := spec.RateHz / 2; codec.BandHz >= half {
			return usagef("--codec-band %g cuts nothing off: at --rate %g the recording ends at %g Hz", codec.BandHz, spec.RateHz, half)
		}
		for _, o := range []struct {
			without string
			on      bool
			flags   []string
		}{
			{"--agc", agc.Target > 0, []string{"agc-gain", "agc-attack", "agc-release"}},
			{"--gate", gate.Open > 0, []string{"gate-floor", "gate-attack", "gate-hold", "gate-release"}},
			{"--shelf", spec.ShelfHz != 0, []string{"shelf-gain"}},
			{"--coupling", spec.ACHz != 0, []string{"coupling-q"}},
			{"--closing-angle", e.ClosingDeg != 0, []string{"closing-level"}},
			{"--spark-kind contacts", sparkKind == "contacts", []string{"dwell", "opening-bounce", "closing-bounce"}},
			{"--scatter", e.ScatterDeg != 0, []string{"scatter-growth"}},
			{"--repeated-sparks", e.RepeatProbability != 0, []string{"repeat-from", "repeat-to"}},
			{"--interference", spec.InterferenceRate != 0, []string{"interference-size"}},
			{"--hum", spec.HumLevel != 0, []string{"hum-frequency"}},
			{"--layout two-pickups", layout == string(scene.TwoPickups), []string{"lag-free-after"}},
			{"--microphone-distance", spec.MicrophoneM != 0, []string{"air-temperature"}},
			{"--reference-kind coil", pickup == string(scene.Coil) || layout == string(scene.TwoPickups), []string{"coil-spacing", "coil-full-rpm"}},
			{"--reference-kind reed", pickup == string(scene.Reed) || bounce == 0, []string{"bounce"}},
			{"--reference-kind reed or hall", pickup != string(scene.Coil), []string{"closed-angle", "rise", "normally-closed"}},
		} {
			for _, name := range o.flags {
				if !o.on && cmd.Flags().Changed(name) {
					return usagef("--%s does nothing without %s", name, o.without)
				}
			}
		}
		switch sparkKind {
		case "clamp":
		case "contacts":
			for _, name := range []string{"closing-angle", "family", "spark-variation", "missed-sparks", "break-up", "repeated-sparks", "microphone-distance", "echoes"} {
				if cmd.Flags().Changed(name) {
					return usagef("--%s is for sparks: with --spark-kind contacts the channel shows the contacts themselves", name)
				}
			}
			cycle := 360 * float64(e.EveryRevolutions) / float64(len(e.CylinderDeg))
			if !(dwell >= 1 && dwell <= cycle-1) {
				return usagef("--dwell %g: want 1 to %g degrees, from one opening to the next less one", dwell, cycle-1)
			}
			spec.Contacts, e.ClosingDeg = true, cycle-dwell
		default:
			return usagef("--spark-kind %q: want clamp or contacts", sparkKind)
		}
		if agc.Target > 0 {
			spec.AGC = &agc
		}
		if gate.Open > 0 {
			spec.Gate = &gate
		}
		if codec != (synth.Codec{}) {
			spec.Codec = &codec
		}
		e.LagS, e.Seed = lag.Seconds(), spec.Seed
		spec.SparkDelayS, spec.ReferenceDelayS = sparkDelay.Seconds(), refDelay.Seconds()
		spec.RiseS, spec.BounceS = rise.Seconds(), bounce.Seconds()
		spec.Pickup, spec.Layout = scene.Pickup(pickup), scene.Layout(layout)
		if e.ClosingDeg == 0 {
			spec.ClosingLevel = 0
		}
		if err := spec.Validate(); err != nil {
			return usagef("%s", unprefixed(err))
		}
		if spec.RateHz != math.Trunc(spec.RateHz) {
			return usagef("--rate %g: want a whole number of samples per second", spec.RateHz)
		}
		truth, err := recordScene(cmd.Context(), spec, damage{header, cutEnd}, out, truthPath, stdout)
		if err != nil {
			return err
		}
		say := stdout
		if truthPath == "-" {
			say = stderr
		}
		sayTruth(say, truth, out, truthPath)
		return known.say(say)
	}
	return cmd
}

// durationVar is a flag that takes a duration and keeps it in seconds.
func durationVar(f *pflag.FlagSet, s *float64, name, usage string) {
	f.Var((*secondsValue)(s), name, usage)
}

type secondsValue float64

func (s *secondsValue) String() string { return seconds(float64(*s)).String() }
func (s *secondsValue) Type() string   { return "duration" }
func (s *secondsValue) Set(text string) error {
	d, err := time.ParseDuration(text)
	if err == nil {
		*s = secondsValue(d.Seconds())
	}
	return err
}

// parseEchoes reads delay:part pairs.
func parseEchoes(text string) ([]scene.Echo, error) {
	var out []scene.Echo
	for _, s := range strings.Split(text, ",") {
		if strings.TrimSpace(text) == "" {
			break
		}
		delay, part, _ := strings.Cut(strings.TrimSpace(s), ":")
		d, err1 := time.ParseDuration(delay)
		g, err2 := strconv.ParseFloat(part, 64)
		if err1 != nil || err2 != nil {
			return nil, usagef("--echoes: %q: want delay:part, e.g. 1.4ms:-0.35", strings.TrimSpace(s))
		}
		out = append(out, scene.Echo{DelayS: d.Seconds(), Gain: g})
	}
	return out, nil
}

// parseBreakUp reads a speed and the part of the firings that fail above it.
func parseBreakUp(text string) (rpm, part float64, err error) {
	if text == "" {
		return 0, 0, nil
	}
	a, b, _ := strings.Cut(text, ":")
	rpm, err1 := strconv.ParseFloat(strings.TrimSpace(a), 64)
	part, err2 := strconv.ParseFloat(strings.TrimSpace(b), 64)
	if err1 != nil || err2 != nil || !(rpm >= 0 && rpm <= engine.MaxRPM) || !(part >= 0 && part <= 1) {
		return 0, 0, usagef("--break-up %q: want a speed in rpm and a part from 0 to 1 with a colon between them, e.g. 4000:0.2", text)
	}
	return rpm, part, nil
}

// damage is what a recorder that died does to its file.
type damage struct {
	header string // "zero", "unknown": the sizes it had written by then; else they are right
	cutEnd bool
}

// do damages a complete recording.
func (d damage) do(f *os.File) error {
	if d.cutEnd {
		n, err := f.Seek(0, io.SeekEnd)
		if err != nil {
			return err
		}
		if err := f.Truncate(n - 1); err != nil {
			return err
		}
	}
	size := []byte{0, 0, 0, 0}
	switch d.header {
	case "unknown":
		size = []byte{255, 255, 255, 255}
	case "zero":
	default:
		return nil
	}
	r, err := os.Open(f.Name()) // f itself is for writing alone
	if err != nil {
		return err
	}
	head := make([]byte, 128)
	_, err = r.ReadAt(head, 0)
	if err := errors.Join(r.Close(), err); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	at := bytes.Index(head, []byte("data"))
	if at < 0 {
		return errors.New("it has no samples")
	}
	for _, p := range []int64{4, int64(at) + 4} { // the whole file's and the samples'
		if _, err := f.WriteAt(size, p); err != nil {
			return err
		}
	}
	return nil
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// unprefixed is an error's text without the name of the package it came from.
func unprefixed(err error) string {
	s := err.Error()
	for _, p := range []string{"engine: ", "scene: ", "synth: "} {
		s = strings.TrimPrefix(s, p)
	}
	return s
}

// firingPlan turns sparks per revolution into offsets of firings, degrees, and
// how many revolutions a cycle has.
func firingPlan(text string) (offsets []float64, revolutions int, err error) {
	if text == "1/2" {
		return []float64{0}, 2, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > 12 {
		return nil, 0, usagef("--sparks-per-rev %q: want 1, 2 ... 12, or 1/2", text)
	}
	return engine.EqualMagnets(n), 1, nil
}

func listSynth(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
	fmt.Fprintln(t, "Pulse families (--family):")
	for _, f := range synth.Families() {
		fmt.Fprintf(t, "  %s\t%s\n", f.Name, f.Doc)
	}
	fmt.Fprintln(t, "Converters (--converter):")
	names := synth.KernelNames()
	var all []string
	for n := range names {
		all = append(all, n)
	}
	sort.Strings(all)
	for _, n := range all {
		fmt.Fprintf(t, "  %s\t%s\n", n, names[n])
	}
	return t.Flush()
}

func sayTruth(w io.Writer, t *scene.Truth, out, truthPath string) {
	var mean float64
	sparks := t.Of(engine.Spark)
	for _, e := range sparks {
		mean += e.AdvanceDeg / float64(len(sparks))
	}
	fmt.Fprintf(w, "%s: %.1f s, %g Hz, %d sparks (mean advance %.2f°), %d repeated, %d missed, %d references, %d missed\n",
		out, float64(t.Frames)/t.Spec.RateHz, t.Spec.RateHz, len(sparks), mean, len(t.Of(engine.Repeated)), len(t.Of(engine.Missed)),
		len(t.Of(engine.Reference)), len(t.Of(engine.MissedReference)))
	if truthPath != "" && truthPath != "-" {
		fmt.Fprintf(w, "%s: %d true events\n", truthPath, len(t.Events))
	}
}

// writeScene is recordScene for two files.
func writeScene(ctx context.Context, spec scene.Spec, out, truthPath string) (*scene.Truth, error) {
	return recordScene(ctx, spec, damage{}, out, truthPath, io.Discard)
}

// recordScene renders a scene into a recording and, unless truthPath is empty,
// its truth into a table ("-": standard output). Neither file appears before
// both are complete.
func recordScene(ctx context.Context, spec scene.Spec, harm damage, out, truthPath string, stdout io.Writer) (truth *scene.Truth, err error) {
	if out == "-" {
		return nil, usagef("--out -: the length of a recording is written into its beginning last; want a file")
	}
	truth, src, err := scene.Render(spec)
	if err != nil {
		return nil, err
	}
	if ctx == nil {
		ctx = context.Background()
	}
	// The table is an output like any other; the recording must be able to
	// go back to its header, so it gets its file itself.
	o := outputs{stdout: stdout}
	o.add("--out", out, nil)
	o.add("--truth", truthPath, truth.WriteCSV)
	if err := o.check("-"); err != nil {
		return nil, err
	}
	if err := o.commitRecording(func(f *os.File) error {
		if err := writeWAV(ctx, f, spec, src); err != nil {
			return err
		}
		return harm.do(f)
	}); err != nil {
		return nil, err
	}
	return truth, nil
}

// commitRecording is commit where the first output is a recording: write gets a
// file for it, since it must be able to go back to its header.
func (o *outputs) commitRecording(write func(*os.File) error) (err error) {
	recording := o.list[0]
	o.list = o.list[1:]
	f, err := recording.open()
	if err != nil {
		return &outputError{recording.path, err}
	}
	defer func() {
		if recording.temp != "" {
			err = errors.Join(err, os.Remove(recording.temp))
		}
	}()
	err = write(f)
	if err == nil && recording.mode != 0 {
		err = f.Chmod(recording.mode)
	}
	if e := f.Close(); err == nil {
		err = e
	}
	switch {
	case errors.Is(err, context.Canceled):
		return err
	case err != nil:
		return &outputError{recording.path, err}
	}
	if err := o.commit(); err != nil {
		return err
	}
	if recording.temp != "" {
		if err := os.Rename(recording.temp, recording.file); err != nil {
			return &outputError{recording.path, err}
		}
		recording.temp = ""
	}
	return nil
}

// open gives a file to write the output into: a new one beside its place,
// named in f.temp, or the device or pipe itself.
func (f *output) open() (*os.File, error) {
	if f.direct {
		return os.OpenFile(f.file, os.O_WRONLY, 0)
	}
	t, err := f.create()
	if err == nil {
		f.temp = t.Name()
	}
	return t, err
}

func writeWAV(ctx context.Context, w io.WriteSeeker, spec scene.Spec, src *synth.Source) error {
	format := wav.Format{Rate: dsp.Rate(spec.RateHz), Channels: src.Channels(), Bits: spec.Bits, Encoding: wav.PCM}
	if spec.Bits == 0 {
		format.Bits, format.Encoding = 32, wav.Float
	}
	enc, err := wav.NewWriter(w, format)
	if err != nil {
		return err
	}
	block := make([][]float64, src.Channels())
	for i := range block {
		block[i] = make([]float64, 16384)
	}
	part := make([][]float64, len(block))
	for done := false; !done; {
		if err := ctx.Err(); err != nil {
			return err
		}
		var n int
		n, done = src.Next(block)
		for i := range block {
			part[i] = block[i][:n]
		}
		if err := enc.Write(part); err != nil {
			return err
		}
	}
	return enc.Close()
}
