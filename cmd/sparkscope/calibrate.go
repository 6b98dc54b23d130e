package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/calibrate"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/known"
	"sparkscope/analysis/wheel"
	"sparkscope/dsp"
	"sparkscope/dsp/flac"
	"sparkscope/report"
)

// newCalibrateCommand makes `sparkscope calibrate` with what it can calibrate.
func newCalibrateCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Find what a measurement must know: reference angle, delays, skew",
		Long: `Finds one thing that a measurement must know, with its ±, and shows the working
so that it can be checked on paper. With --engine FILE it is also written into
that file, where measure --engine FILE reads it; remarks and everything else in
the file stay. A value that is there already stays too, unless --replace says
otherwise; old and new are shown.

  wheel       the reference angle, from readings of a degree wheel
  static      the reference angle, from a recording of an ignition with fixed
              timing whose static angle is known
  skew        by how much the sound input takes channel 2 later than channel 1
  pickup      the delay of a reed (or any pick-up), from a recording of it and
              of one without a delay; no ignition involved
  microphone  the delay of a microphone, from its distance and the temperature

The exit status is 4, and the engine file as it was, where it holds another value
already and --replace is not given, and where the value found is in doubt. The
result is shown all the same.`,
		Example: `  sparkscope calibrate wheel --readings 30/30.5/29.5/30/30.5 --engine bench.toml
  sparkscope calibrate pickup reed-and-optical.wav --channel 1 --engine bench.toml
  sparkscope measure pull.wav --engine bench.toml`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("calibrate what? wheel, static, skew, pickup or microphone")
			}
			return usagef("cannot calibrate %q: want wheel, static, skew, pickup or microphone", args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		newCalibrateWheel(stdout),
		newCalibrateStatic(stdin, stdout, stderr),
		newCalibrateSkew(stdin, stdout, stderr),
		newCalibratePickup(stdin, stdout, stderr),
		newCalibrateMicrophone(stdout),
	)
	return cmd
}

// calibrationOutput is where a calibration goes.
type calibrationOutput struct {
	engine, json string
	replace      bool
	from         []analysis.Decision // what came from the engine file
}

func (o *calibrationOutput) register(cmd *cobra.Command) {
	f := cmd.Flags()
	f.Var(fileFlag{&o.engine}, "engine", "write the result into this file, which is made if there is none;\nmeasure --engine reads it")
	f.BoolVar(&o.replace, "replace", false, "let it take the place of a value that the file holds already")
	f.Var(fileFlag{&o.json}, "json", "write the whole result, JSON; - is standard output, and then\nnothing else goes there")
	f.SortFlags = false
}

// outputs are the files to write and what is in the engine file now; to be
// called before the work, which c and f are the results of.
func (o *calibrationOutput) outputs(recording string, stdout io.Writer, c **calibrate.Calibration, f *report.CalibrationFile, doc *[]byte) (outs *outputs, old enginefile.File, err error) {
	outs = &outputs{stdout: stdout}
	outs.add("--json", o.json, func(w io.Writer) error { return report.CalibrationJSON(w, *c, *f) })
	if !outs.usesStdout() {
		outs.list = append(outs.list, &output{flag: "the text", path: "-", write: func(w io.Writer) error { return report.Calibration(w, *c, *f) }})
	}
	f.Path = o.engine
	if o.engine != "" {
		*doc, old, err = readEngineFile(o.engine)
		if errors.Is(err, fs.ErrNotExist) {
			f.Fresh, err = true, nil
		}
		if err != nil {
			return nil, old, engineFileError(o.engine, err)
		}
		if o.engine == "-" {
			return nil, old, usagef("--engine: want the name of a file, not standard output")
		}
		outs.add("--engine", o.engine, func(w io.Writer) error { _, err := w.Write(*doc); return err })
	}
	return outs, old, outs.check(recording)
}

// run calibrates by work and writes. The engine file is changed only when
// everything else has been written beside it.
func (o *calibrationOutput) run(recording string, stdout io.Writer, work func(enginefile.File) (*calibrate.Calibration, error)) error {
	if o.replace && o.engine == "" {
		return usagef("--replace needs --engine: there is nothing to replace")
	}
	var c *calibrate.Calibration
	var f report.CalibrationFile
	var doc []byte
	outs, old, err := o.outputs(recording, stdout, &c, &f, &doc)
	if err != nil {
		return err
	}
	if c, err = work(old); err != nil {
		return err
	}
	f.From = o.from
	if o.engine == "" {
		return outs.commit()
	}
	settings := report.CalibrationSettings(c)
	if f.Withheld = c.Doubt != ""; f.Withheld {
		outs.list = outs.list[:len(outs.list)-1]
		if err := outs.commit(); err != nil {
			return err
		}
		return &outputError{o.engine, fmt.Errorf("the value is in doubt: %s. See the warning", c.Doubt)}
	}
	differs := compareOld(&f, old, c, settings)
	if f.Kept = differs && !o.replace; f.Kept {
		// All but the engine file, and an exit status that says so.
		outs.list = outs.list[:len(outs.list)-1]
		if err := outs.commit(); err != nil {
			return err
		}
		return &outputError{o.engine, fmt.Errorf("it holds %s already: add --replace to put the new value there", f.Old)}
	}
	if doc, err = enginefile.Set(doc, settings); err != nil {
		return &outputError{o.engine, errors.New(strings.TrimPrefix(err.Error(), "enginefile: "))}
	}
	return outs.commit()
}

// compareOld sets what a file held against what is to be written, and says
// whether it differs.
func compareOld(f *report.CalibrationFile, old enginefile.File, c *calibrate.Calibration, settings []enginefile.Setting) (differs bool) {
	was, hasWas := old.Number(c.Key)
	tol, hasTol := old.Number(c.ToleranceKey)
	kind := map[string]*string{enginefile.SparkKind: old.Spark.Kind, enginefile.ReferenceKind: old.Reference.Kind}[c.KindKey]
	if other := kind != nil && *kind != c.Kind; !hasWas && !hasTol || other {
		if other { // the delay of one kind of pick-up is no other's
			f.Old = fmt.Sprintf("%s = %q", c.KindKey, *kind)
		}
		return other
	}
	unit := c.Unit.Symbol()
	f.Old = c.Key + " = " + quantity(was, unit)
	if !hasWas {
		f.Old = c.Key + " not said"
	}
	if hasTol {
		f.Old += " ±" + quantity(tol, unit)
	}
	if hasWas && hasTol {
		d := math.Abs(c.Value - was)
		if c.Unit == calibrate.Degrees {
			d = math.Min(math.Mod(d, 360), 360-math.Mod(d, 360))
		}
		agree := d <= math.Hypot(c.Tolerance, tol)
		f.Agree = &agree
	}
	for i, s := range settings[:2] {
		v, err := strconv.ParseFloat(s.Text(), 64)
		if has := []bool{hasWas, hasTol}[i]; err != nil || !has || v != []float64{was, tol}[i] {
			differs = true
		}
	}
	return differs
}

// refused turns the refusal of a calculator that had no recording into wrong
// usage, and puts a recording's name before any other.
func refused(path string, err error) error {
	var re *calibrate.RefusedError
	if errors.As(err, &re) && path == "" {
		return usagef("%s", strings.TrimSuffix(re.Error(), "."))
	}
	if path != "" {
		return unreadable(path, err)
	}
	return err
}

// onlyFlags refuses words that stand behind no flag; where says where such words
// go.
func onlyFlags(where string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usagef("%q is one word too many: %s", args[0], where)
		}
		return nil
	}
}

func noArguments(cmd *cobra.Command, args []string) error {
	return onlyFlags("numbers go behind their flags")(cmd, args)
}

// opened hands a recording to use.
func opened(path string, stdin io.Reader, use func(io.Reader) error) error {
	if path == "-" {
		return use(stdin)
	}
	file, err := openRecording(path)
	if err != nil {
		return err
	}
	defer file.Close()
	return use(file)
}

// listenApart finds the pulses of every channel by itself, as recorded: where
// two channels carry the same pulse on purpose, a separator would take one for
// a leak of the other.
func listenApart(ctx context.Context, r io.Reader, path string) ([]dsp.Train, error) {
	reader, err := flac.Open(r)
	if err != nil {
		return nil, unreadable(path, err)
	}
	f := reader.Format()
	if f.Channels < 2 {
		return nil, unreadable(path, errors.New("the recording has one channel only: this needs one pick-up on each of two"))
	}
	type found struct {
		trains []dsp.Train
		err    error
	}
	done := make(chan found, 1)
	go func() {
		detectors := make([]*dsp.Detector, f.Channels)
		data := make([][]float32, f.Channels)
		for c := range detectors {
			detectors[c] = dsp.NewDetector(f.Rate, c+1, dsp.Options{Tables: converters})
			data[c] = make([]float32, blockFrames)
		}
		for ctx.Err() == nil {
			n, err := reader.Read(data)
			for c, d := range detectors {
				d.Push(data[c][:n])
			}
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				done <- found{nil, unreadable(path, err)}
				return
			}
		}
		var out found
		for _, d := range detectors {
			out.trains = append(out.trains, d.End())
		}
		dsp.Settle(out.trains)
		done <- out
	}()
	select {
	case out := <-done:
		return out.trains, out.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func newCalibrateWheel(stdout io.Writer) *cobra.Command {
	var o calibrationOutput
	w := calibrate.Wheel{DivisionDeg: 1}
	division := &w.DivisionDeg
	var lists wheelFlags
	cmd := &cobra.Command{
		Use:   "wheel --readings DEG/DEG/…",
		Short: "The reference angle, from readings of a degree wheel",
		Long: `Finds the reference angle from readings of a degree wheel on the crank: where
the reference switches, turning slowly in the running direction, read several
times, never while turning back. --wheel says how the wheel is graduated, and
--counts which way a wheel from 0 to 360 counts; there 350 is 10 the other way.

Best read the piston stop too, on both sides: top dead centre is half-way, and
the wheel may then sit anyhow. Read five times: one reading shows no misreading,
and is taken with a ± of a whole division. Plug lead off and earthed, and a wheel
that cannot slip.

DEG is in degrees as the wheel shows them; several are separated by / or, in
quotes, by spaces.`,
		Example: `  sparkscope calibrate wheel --readings 30/30.5/29.5/30/30.5
  sparkscope calibrate wheel --readings 330/329.5/330 --counts after --division 0.5
  sparkscope calibrate wheel --wheel 0-180-0 --readings 30b/30.5b/30b --turned-back 33b/33.5b
  sparkscope calibrate wheel --readings '31 31.5 31' --stop-before '61 61 61.5' --stop-after '301 300.5 301' --engine bench.toml`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := lists.parse(); err != nil {
				return err
			}
			if len(w.Readings) == 0 {
				return usagef("want the readings: --readings 30/30.5/29.5")
			}
			if lists.graduated.Lettered() && cmd.Flags().Changed("counts") {
				return usagef("--counts is for a wheel from 0 to 360: on one graduated %s the letters say which way the figures run", lists.graduated)
			}
			w.Graduated = lists.graduated
			return o.run("-", stdout, func(enginefile.File) (*calibrate.Calibration, error) {
				c, err := w.Calibrate()
				return c, refusedBy("", err)
			})
		},
	}
	f := cmd.Flags()
	lists.list(f, &w.Readings, "readings", "where the reference switches, turning in the running direction")
	lists.list(f, &w.Back, "turned-back", "where it lets go when turned back: shows hysteresis, not used\notherwise")
	lists.list(f, &w.StopBefore, "stop-before", "at the piston stop, turning forwards (before top dead centre)")
	lists.list(f, &w.StopAfter, "stop-after", "at the piston stop, turning backwards (after top dead centre)")
	lists.graduation(f)
	f.Var(choiceFlag{func(s string) { w.CountsAfter = s == "after" }, []string{"before", "after"}}, "counts", "whether the wheel's figures count before or after top dead\ncentre (default before)")
	f.Var(boundedFlag{&division, 0, 30, true, "degrees", "DEG"}, "division", "between two lines of the wheel, or to what it was read (default 1)")
	f.Var(boundedFlag{&w.PointerToleranceDeg, 0, 30, false, "degrees", "DEG"}, "pointer-tolerance", "± of pointer and eye (default 0.25)")
	f.Var(boundedFlag{&w.ZeroToleranceDeg, 0, 30, false, "degrees", "DEG"}, "zero-tolerance", "± of the wheel's zero where no stop was read (default 0.5)")
	o.register(cmd)
	return cmd
}

func newCalibrateMicrophone(stdout io.Writer) *cobra.Command {
	var o calibrationOutput
	var distance, temperature, distanceTol, temperatureTol *float64
	cmd := &cobra.Command{
		Use:   "microphone --distance M --temperature C",
		Short: "The delay of a microphone, from its distance and the temperature",
		Long: `Finds how late a microphone hears a spark, from its distance and the temperature
of the air: sound takes 2.9 ms for a metre. It goes to spark.delay_us.

A microphone is honest only for an open gap: plug out, earthed, engine spun. On
a running engine it hears combustion and exhaust. No fuel vapour near the gap.`,
		Example: `  sparkscope calibrate microphone --distance 0.30 --distance-tolerance 0.005 --temperature 18
  sparkscope calibrate microphone --distance 0.5 --temperature 25 --engine bench.toml`,
		Args: noArguments,
		RunE: func(*cobra.Command, []string) error {
			if distance == nil || temperature == nil {
				return usagef("want --distance in metres and --temperature in degrees Celsius")
			}
			return o.run("-", stdout, func(enginefile.File) (*calibrate.Calibration, error) {
				c, err := calibrate.Microphone{DistanceM: *distance, DistanceToleranceM: distanceTol, TemperatureC: *temperature, TemperatureTolerance: temperatureTol}.Calibrate()
				return c, refusedBy("", err)
			})
		},
	}
	f := cmd.Flags()
	f.Var(boundedFlag{&distance, 0.02, 30, false, "metres", "M"}, "distance", "from the spark gap to the microphone's membrane, metres")
	f.Var(boundedFlag{&distanceTol, 0, 30, false, "metres", "M"}, "distance-tolerance", "± of it, metres (default 0.01)")
	f.Var(boundedFlag{&temperature, -40, 60, false, "degrees Celsius", "C"}, "temperature", "of the air between them, degrees Celsius")
	f.Var(boundedFlag{&temperatureTol, 0, 40, false, "degrees Celsius", "C"}, "temperature-tolerance", "± of it (default 5)")
	o.register(cmd)
	return cmd
}

func newCalibrateSkew(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	var o calibrationOutput
	cmd := &cobra.Command{
		Use:   "skew RECORDING",
		Short: "By how much the sound input takes channel 2 later than channel 1",
		Long: `Finds by how much the sound input is later on channel 2 than on channel 1, from
a recording that has the same pulse on both: join the two inputs and feed them
from one source, a reed and a battery, say, never the spark lead; fifty pulses
or more. Many inputs take their channels at one moment; some take them by turns.

The same pulse has the same shape on both channels, so that what is not known
of its onset cancels.`,
		Example: `  sparkscope calibrate skew both-inputs.wav
  sparkscope calibrate skew both-inputs.wav --engine bench.toml`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.run(args[0], stdout, func(enginefile.File) (c *calibrate.Calibration, err error) {
				err = opened(args[0], stdin, func(r io.Reader) error {
					stop := progress(cmd.Context(), stderr, args[0])
					trains, err := listenApart(cmd.Context(), r, args[0])
					stop()
					if err != nil {
						return err
					}
					c, err = calibrate.Skew(&trains[0], &trains[1])
					return refusedBy(args[0], err)
				})
				return c, err
			})
		},
	}
	o.register(cmd)
	return cmd
}

// refusedBy is refused for a recording; nil stays nil.
func refusedBy(path string, err error) error {
	if err == nil {
		return nil
	}
	return refused(path, err)
}

func newCalibratePickup(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	var o calibrationOutput
	var channel, other, pulses int
	var p calibrate.Pickup
	cmd := &cobra.Command{
		Use:   "pickup RECORDING --channel N",
		Short: "The delay of a reed, from it and a pick-up without a delay",
		Long: `Finds the delay of a pick-up, a reed above all, on its own: record it on one
channel, and on the other a pick-up without a delay worth speaking of (optical,
or a bare coil), both passing once per revolution, while the shaft turns from
slow to fast and back. No ignition is involved. The two marks may lie some
degrees apart: over a range of speeds a constant angle and a constant delay tell
themselves apart; the nearer they lie, the less does uneven turning matter.

The fastest 1.5 times the slowest will do; five times is better, and 500 to 2500
rpm is enough. Spin the shaft by a drill or a motor of its own, the magnet glued
and bound, behind a guard; stand out of its plane. Turned in the engine: plug
out, spark lead earthed, ignition off.

A skew that --engine knows of is taken out.`,
		Example: `  sparkscope calibrate pickup reed-and-optical.wav --channel 1
  sparkscope calibrate pickup reed-and-coil.wav --channel 2 --lag-free-tolerance 20us --speed-fluctuation 0.02 --engine bench.toml`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			if channel == 0 {
				return usagef("which channel has the pick-up to be calibrated? Want --channel 1 or 2")
			}
			if other == channel {
				return usagef("--channel and --lag-free-channel both name channel %d", channel)
			}
			if other == 0 {
				other = 3 - channel
				if channel > 2 {
					return usagef("--channel %d needs --lag-free-channel", channel)
				}
			}
			return o.run(args[0], stdout, func(file enginefile.File) (c *calibrate.Calibration, err error) {
				bench := analysis.Setup{ReferencePulses: pulses}
				o.from = known.Use(cmd.Flags().Changed, &bench, o.engine, enginefile.File{
					Reference: enginefile.Reference{Pulses: file.Reference.Pulses}, Converter: file.Converter})
				p.SkewS, p.SkewToleranceS, p.Pulses = bench.ConverterSkewS, bench.ConverterSkewToleranceS, bench.ReferencePulses
				err = opened(args[0], stdin, func(r io.Reader) error {
					stop := progress(cmd.Context(), stderr, args[0])
					trains, err := listenApart(cmd.Context(), r, args[0])
					stop()
					if err != nil {
						return err
					}
					if n := max(channel, other); n > len(trains) {
						return usagef("channel %d: the recording has only %s", n, channels(len(trains)))
					}
					c, err = p.Calibrate(&trains[channel-1], &trains[other-1])
					return refusedBy(args[0], err)
				})
				return c, err
			})
		},
	}
	f := cmd.Flags()
	f.Var(wholeFlag{&channel, 8}, "channel", "channel of the pick-up to be calibrated")
	f.Var(wholeFlag{&other, 8}, "lag-free-channel", "channel of the one without a delay (default: the other)")
	f.Var(delayFlag{func(v float64) { p.LagFreeDelayS = v }, -maxDelay}, "lag-free-delay", "the delay that it does have (default 0s)")
	f.Var(delayFlag{func(v float64) { p.LagFreeToleranceS = &v }, 0}, "lag-free-tolerance", "± of that (default 10us)")
	f.Var(wholeFlag{&pulses, 360}, "reference-pulses", "pulses per revolution, for the speeds shown (default 1)")
	f.Var(fractionFlag{&p.Turning.Given}, "speed-fluctuation", "(fastest - slowest)/mean speed within one revolution at the\nlowest speed (default: a table by rpm, for a running engine)")
	o.register(cmd)
	return cmd
}

func newCalibrateStatic(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	var o calibrationOutput
	var static, tolerance *analysis.Degrees
	var fixedTiming bool
	s := analysis.Setup{SparkKind: analysis.Clamp}
	cmd := &cobra.Command{
		Use:   "static RECORDING --static DEG",
		Short: "The reference angle, from a running engine with fixed timing",
		Long: `Finds the reference angle from a recording of an ignition with fixed timing
whose static angle is known, read with lamp and degree wheel. Over speed, delays
make the angle a straight line; carried on to zero speed they vanish, and there
the engine fires at its static angle.

The slope of the line is pick-up or ignition, not separable from one recording:
it is shown, and never taken out. An ignition with an advance mechanism is
refused where it can be told from a delay. Where it cannot, in a narrow range of
speed, the result carries a warning and is not written into an engine file,
unless you know that there is no such mechanism: --fixed-timing.

Lamp across the contacts: ignition off, spark lead off and earthed. Stop the
engine before touching clamp, leads or magnet.

DEG is crank degrees before top dead centre, negative after it.`,
		Example: `  sparkscope calibrate static pull.wav --static 18 --static-tolerance 0.5
  sparkscope calibrate static pull.wav --static 18 --speed-fluctuation 0.05 --engine bench.toml`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			if static == nil && o.engine == "" {
				return usagef("want the static angle: --static 18, or an --engine file with one")
			}
			return o.run(args[0], stdout, func(file enginefile.File) (c *calibrate.Calibration, err error) {
				// The reference angle is what is to be found.
				o.from = known.Use(cmd.Flags().Changed, &s, o.engine, known.PickupsOnly(file))
				o.from = append(o.from, known.Static(cmd.Flags().Changed, o.engine, file, &static, &tolerance)...)
				if static == nil {
					return nil, usagef("want the static angle: --static 18, or static.angle_deg in %s", o.engine)
				}
				cal := calibrate.Static{AngleDeg: float64(*static), FixedTiming: fixedTiming, Turning: calibrate.Turning{Given: s.SpeedFluctuation}}
				if tolerance != nil {
					v := float64(*tolerance)
					cal.ToleranceDeg = &v
				}
				err = opened(args[0], stdin, func(r io.Reader) error {
					stop := progress(cmd.Context(), stderr, args[0])
					rec, trains, err := listen(cmd.Context(), r, args[0], s)
					stop()
					if err != nil {
						return err
					}
					result, err := analysis.Measure(rec, trains, s)
					if err != nil {
						return unreadable(args[0], err)
					}
					c, err = cal.Calibrate(result, trains)
					return refusedBy(args[0], err)
				})
				return c, err
			})
		},
	}
	f := cmd.Flags()
	f.Var(degreesFlag{p: &static, min: -180, max: 180}, "static", "static angle, read with lamp and wheel")
	f.Var(degreesFlag{p: &tolerance, min: 0, max: 180}, "static-tolerance", "± of it (default 0.5)")
	f.BoolVar(&fixedTiming, "fixed-timing", false, "the ignition has no advance mechanism, that is known: the slope\nis a delay in a narrow range of speed too")
	f.Var(fractionFlag{&s.SpeedFluctuation}, "speed-fluctuation", "(fastest - slowest)/mean speed within one revolution at the\nlowest speed (default: a table by rpm)")
	f.Var(wholeFlag{&s.SparkChannel, 8}, "spark-channel", "channel of the spark, from 1 (default: found from the signals)")
	f.Var(wholeFlag{&s.ReferenceChannel, 8}, "reference-channel", "channel of the reference (default: found from the signals)")
	f.Var(choiceFlag{func(w string) { s.SparkKind = analysis.SparkKind(w) },
		[]string{string(analysis.Clamp), string(analysis.Microphone), string(analysis.Contacts)}}, "spark-kind", "what made the spark channel (default clamp)")
	f.Var(choiceFlag{func(w string) { s.ReferenceKind = analysis.ReferenceKind(w) },
		[]string{string(analysis.ContactReference), string(analysis.CoilReference)}}, "reference-kind", "contact: reed, Hall, optical; coil: passive magnetic pick-up\n(default: found from the signal)")
	f.Var(sparksFlag{&s.SparksPerRev}, "sparks-per-rev", "sparks per revolution: 1, or 1/2 (default: found)")
	f.Var(delayFlag{func(v float64) { s.SparkDelayS = v }, -maxDelay}, "spark-delay", "time from a spark to its trace in the recording (default 0s)")
	f.Var(delayFlag{func(v float64) { s.ReferenceDelayS, s.ReferenceDelayStated = v, true }, -maxDelay}, "reference-delay", "time from a reference event to its trace; 0 of an optical or Hall\npick-up (default: not known, 0s is reckoned with)")
	o.register(cmd)
	return cmd
}

// readingsFlag is a list of readings of a degree wheel, kept as written until
// it is known how the wheel is graduated.
type readingsFlag struct{ p *[]string }

func (f readingsFlag) Set(s string) error {
	words := strings.FieldsFunc(s, func(r rune) bool { return r == '/' || r == ' ' })
	if len(words) == 0 {
		return errors.New("want degrees, such as 30/30.5/29.5")
	}
	*f.p = append(*f.p, words...)
	return nil
}

func (f readingsFlag) String() string { return "" }
func (f readingsFlag) Type() string   { return "DEG/DEG/…" }

// wheelFlags are the readings of a degree wheel that a command takes.
type wheelFlags struct {
	graduated wheel.Graduation
	lists     []wheelList
}

// wheelList is one list of readings: its flag, as written, and where it goes.
type wheelList struct {
	flag  string
	words *[]string
	to    *[]float64
}

// list registers a flag of readings.
func (w *wheelFlags) list(f *pflag.FlagSet, to *[]float64, name, usage string) {
	words := new([]string)
	f.Var(readingsFlag{words}, name, usage)
	w.lists = append(w.lists, wheelList{name, words, to})
}

// graduation registers --wheel.
func (w *wheelFlags) graduation(f *pflag.FlagSet) {
	w.graduated = wheel.Full
	f.Var(choiceFlag{func(s string) { w.graduated = wheel.Graduation(s) }, wheel.Graduations()}, "wheel", "how its figures run (default 0-360). On the other two, a figure\ntakes a letter: 38b before the 0, 38a after it, turned forwards;\nat the second 0 of 0-90-0-90-0, 38bb and 38ab")
}

// parse reads all lists, once the flags are known.
func (w *wheelFlags) parse() error {
	for _, l := range w.lists {
		*l.to = nil
		for _, word := range *l.words {
			v, err := w.graduated.Parse(word)
			if err != nil {
				return usagef("--%s: %v", l.flag, err)
			}
			*l.to = append(*l.to, v)
		}
	}
	return nil
}

// boundedFlag is a number within limits that may be left out.
type boundedFlag struct {
	p         **float64
	min, max  float64
	positive  bool // zero is no answer
	unit, typ string
}

func (f boundedFlag) Set(s string) error {
	v, err := parseNumber(s, f.unit)
	if err != nil {
		return err
	}
	if v < f.min || v > f.max || f.positive && v == 0 {
		if f.positive {
			return fmt.Errorf("want %s above 0, at most %g", f.unit, f.max)
		}
		return fmt.Errorf("want %s from %g to %g", f.unit, f.min, f.max)
	}
	**f.pointer() = v
	return nil
}

// pointer is where the number goes; it is made when there is none.
func (f boundedFlag) pointer() **float64 {
	if *f.p == nil {
		*f.p = new(float64)
	}
	return f.p
}

func (f boundedFlag) String() string { return "" }
func (f boundedFlag) Type() string   { return f.typ }
