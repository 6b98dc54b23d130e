package main

import (
	"errors"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis/bench"
	"sparkscope/analysis/enginefile"
	"sparkscope/report"
)

// newBenchCommand makes `sparkscope bench` with its calculators.
func newBenchCommand(stdout io.Writer) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "bench",
		Short: "Work out what the bench needs before the engine runs",
		Long: `Works out what is needed before an engine runs, from what you read at the bench,
with its ± and its working, so that you can check it on paper. --engine FILE
supplies what the engine file knows; flags win over it.

  tdc   top dead centre, from readings of a degree wheel at a piston stop
  drop  crank degrees to piston drop, and back
  rim   crank degrees to distance along the flywheel's rim, and back
  gap   the contact gap for a target, from gaps and timings measured

The reference angle, where the reed closes, is calibrate wheel's.`,
		Example: `  sparkscope bench tdc --readings 42/320
  sparkscope bench drop --stroke 50 --rod 100 --angle 18
  sparkscope bench rim --diameter 160 --angle 18
  sparkscope bench gap --pairs 0.35:16/0.45:20 --target 18`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("bench what? %s", benchNames)
			}
			return usagef("there is nothing called %q on the bench: want %s", args[0], benchNames)
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newBenchTDC(stdout), newBenchDrop(stdout), newBenchRim(stdout), newBenchGap(stdout))
	return cmd
}

// benchNames are the calculators in words.
const benchNames = "tdc, drop, rim or gap"

// benchOutput is where a calculator's result goes, and the engine file that it
// may take figures from.
type benchOutput struct {
	json, engine string
	file         enginefile.File
	write        writeBack
	settings     func(*bench.Result) []enginefile.Setting // that write puts into the file; nil: none
}

func (o *benchOutput) register(f *pflag.FlagSet) {
	f.Var(fileFlag{&o.engine}, "engine", "take what the flags above leave open from this engine file")
	f.Var(fileFlag{&o.json}, "json", "write the whole result, JSON; - is standard output, and then\nnothing else goes there")
	f.SortFlags = false
}

// open reads the engine file, if one is named.
func (o *benchOutput) open() (err error) {
	if o.engine != "" {
		o.file, err = openEngineFile(o.engine)
	}
	return err
}

// or is a quantity from its flags or else from the engine file, where it is v,
// in unit; nil where neither has it.
func (o *benchOutput) or(q quantityFlag, v *float64, unit string) *bench.Quantity {
	switch {
	case q.value == nil && v == nil:
		return nil
	case q.value == nil:
		return &bench.Quantity{Value: *v, Tolerance: q.tolerance, Origin: "from " + o.engine}
	case v != nil && *v != *q.value:
		return &bench.Quantity{Value: *q.value, Tolerance: q.tolerance, Origin: "given, not the " + quantity(*v, unit) + " of " + o.engine}
	}
	return q.quantity()
}

// target is the one angle that the engine file asks for; nil: none, or a table
// by speed.
func (o *benchOutput) target() *bench.Quantity {
	if v := o.file.Target.AngleDeg; v != nil {
		return &bench.Quantity{Value: *v, Origin: "the target, from " + o.engine}
	}
	return nil
}

// missing is wrong usage: a figure that neither a flag nor the engine file has.
func (o *benchOutput) missing(flag, what, key string) error {
	if o.engine != "" {
		return usagef("want %s: --%s, or %s in %s", what, flag, key, o.engine)
	}
	return usagef("want %s: --%s, or %s in a file that --engine names", what, flag, key)
}

// run works out and writes.
func (o *benchOutput) run(stdout io.Writer, work func() (*bench.Result, error)) error {
	var r *bench.Result
	outs := &outputs{stdout: stdout, engine: o.engine}
	outs.add("--json", o.json, func(w io.Writer) error { return report.BenchJSON(w, r) })
	outs.addText(func(w io.Writer) error {
		if err := report.Bench(w, r); err != nil {
			return err
		}
		return o.write.text(w)
	})
	if err := o.write.open(o.engine, outs); err != nil {
		return err
	}
	if err := outs.check("-"); err != nil {
		return err
	}
	var err error
	if r, err = work(); err != nil {
		var re *bench.RefusedError
		if errors.As(err, &re) {
			return usagef("%s", strings.TrimSuffix(re.Error(), "."))
		}
		return err
	}
	if o.write.asked {
		o.write.put(o.settings(r), nil)
	}
	return errors.Join(outs.commit(), o.write.err())
}

// gapSettings are the gap to set: that for the target, to 0.01 mm, as feelers
// go; or, where it is not allowed, the nearest that is, as it was given.
func gapSettings(r *bench.Result) []enginefile.Setting {
	s := enginefile.Setting{Key: enginefile.ContactsGap, Value: r.Find("gap_mm").Value, Decimal: 2, Note: "bench gap"}
	if a := r.Find("gap_to_set_mm"); a != nil {
		s.Value, s.Decimal = a.Value, 3
	}
	return []enginefile.Setting{s}
}

// offsetUsage says what an offset is.
const offsetUsage = "how far the pin's line in the bore passes the crank's centre, mm;\npositive on the side to which the crank pin moves when it leaves\ntop dead centre (default 0)"

func newBenchTDC(stdout io.Writer) *cobra.Command {
	var o benchOutput
	d := bench.DeadCentre{DivisionDeg: 1}
	division := &d.DivisionDeg
	var lists wheelFlags
	var stroke, rod, offset, stop *float64
	cmd := &cobra.Command{
		Use:   "tdc --readings DEG/DEG/…",
		Short: "Top dead centre, from readings at a piston stop",
		Long: `Finds where a degree wheel reads at top dead centre. Screw a piston stop into the
plug hole, turn the crank gently by hand until the piston meets it, and read the
wheel; turn the crank the other way round until it meets it again, and read.
Top dead centre lies half-way. Read each side three times or more.

Ignition off, plug out, its lead earthed. Never use the starter against a stop.

--readings takes both sides in any order; they are told apart by where they lie.
Half-way are two places, top and bottom; the shorter arc is taken for the top's.
Instead, --forwards (turning as the engine runs) and --backwards, together with
the way the wheel counts, say which is which.

With --stroke and --rod it is worked out how much the stop's own play matters.
DEG is in degrees as the wheel shows them; several are separated by / or, in
quotes, by spaces.`,
		Example: `  sparkscope bench tdc --readings 42/320
  sparkscope bench tdc --forwards 61/61/61.5 --backwards 301/300.5/301 --counts before
  sparkscope bench tdc --wheel 0-180-0 --readings 38b/38.5b/42a/42a --stroke 50 --rod 100 --json tdc.json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := lists.parse(); err != nil {
				return err
			}
			d.Graduated = lists.graduated
			if d.Graduated.Lettered() && d.CountsAfter != nil {
				return usagef("--counts is for a wheel from 0 to 360: on one graduated %s the letters say which way the figures run", d.Graduated)
			}
			if len(d.Readings)+len(d.Forwards)+len(d.Backwards) == 0 {
				return usagef("want the readings at the stop, both sides: --readings 42/320")
			}
			if err := o.open(); err != nil {
				return err
			}
			e := o.file.Engine
			d.StrokeMM, d.RodMM, d.OffsetMM = o.or(quantityFlag{value: stroke}, e.StrokeMM, " mm"), o.or(quantityFlag{value: rod}, e.RodLengthMM, " mm"), o.or(quantityFlag{value: offset}, e.PinOffsetMM, " mm")
			switch both := d.StrokeMM != nil && d.RodMM != nil; {
			case both:
			case stroke != nil || offset != nil && d.StrokeMM != nil:
				return o.missing("rod", "the rod from centre to centre in mm", "engine.rod_length_mm")
			case rod != nil || offset != nil:
				return o.missing("stroke", "the stroke in mm", "engine.stroke_mm")
			case stop != nil:
				return usagef("--stop-tolerance needs stroke and rod, which say how many degrees it is: --stroke and --rod, in mm")
			default: // a file that has one of them only is no help here
				d.StrokeMM, d.RodMM, d.OffsetMM = nil, nil, nil
			}
			d.StopMM = stop
			if d.OffCentreMM != nil && d.WheelMM == nil {
				return usagef("--off-centre needs --wheel-diameter, at which the wheel is read, in mm")
			}
			return o.run(stdout, d.Solve)
		},
	}
	f := cmd.Flags()
	lists.list(f, &d.Readings, "readings", "at the stop, both sides, in any order")
	lists.list(f, &d.Forwards, "forwards", "instead: at the stop, turning as the engine runs")
	lists.list(f, &d.Backwards, "backwards", "and turning against it")
	lists.graduation(f)
	f.Var(choiceFlag{func(s string) { after := s == "after"; d.CountsAfter = &after }, []string{"before", "after"}}, "counts", "which way a wheel from 0 to 360 counts: before top dead centre,\nfalling when turned forwards; after it, rising (default: not said)")
	f.Var(boundedFlag{&division, 0, 30, true, "degrees", "DEG"}, "division", "between two lines of the wheel, or to what it was read (default 1)")
	f.Var(boundedFlag{&d.EyeToleranceDeg, 0, 30, false, "degrees", "DEG"}, "pointer-tolerance", "± of pointer and eye (default 0.25)")
	f.Var(boundedFlag{&stroke, 0, 2000, true, "millimetres", "MM"}, "stroke", "stroke, mm")
	f.Var(boundedFlag{&rod, 0, 5000, true, "millimetres", "MM"}, "rod", "rod from centre to centre, mm")
	f.Var(boundedFlag{&offset, -200, 200, false, "millimetres", "MM"}, "offset", offsetUsage)
	f.Var(boundedFlag{&stop, 0, 10, false, "millimetres", "MM"}, "stop-tolerance", "± to which the stop holds the piston each time, mm (default 0.02)")
	f.Var(boundedFlag{&d.WheelMM, 20, 2000, false, "millimetres", "MM"}, "wheel-diameter", "diameter at which the wheel is read, mm: for how much it matters\nthat it is off centre (default: left out)")
	f.Var(boundedFlag{&d.OffCentreMM, 0, 20, false, "millimetres", "MM"}, "off-centre", "± of the wheel's centre from the crank's, mm (default 0.2)")
	o.register(f)
	return cmd
}

// quantity is a number from a flag with its tolerance's; nil without it.
func (q quantityFlag) quantity() *bench.Quantity {
	if q.value == nil {
		return nil
	}
	return &bench.Quantity{Value: *q.value, Tolerance: q.tolerance}
}

// quantityFlag is a number and its ±, each a flag.
type quantityFlag struct{ value, tolerance *float64 }

// millimetres registers a length and its ±.
func (q *quantityFlag) millimetres(f *pflag.FlagSet, name string, min, max float64, usage, tolUsage string) {
	f.Var(boundedFlag{&q.value, min, max, min == 0, "millimetres", "MM"}, name, usage)
	f.Var(boundedFlag{&q.tolerance, 0, max, false, "millimetres", "MM"}, name+"-tolerance", tolUsage)
}

// degrees registers an angle and its ±.
func (q *quantityFlag) degrees(f *pflag.FlagSet, name string, min, max float64, usage, tolUsage string) {
	f.Var(boundedFlag{&q.value, min, max, false, "degrees", "DEG"}, name, usage)
	f.Var(boundedFlag{&q.tolerance, 0, 180, false, "degrees", "DEG"}, name+"-tolerance", tolUsage)
}

func newBenchDrop(stdout io.Writer) *cobra.Command {
	var o benchOutput
	var stroke, rod, offset, angle, incline quantityFlag
	var drop, gauge, gaugeTol *float64
	var after bool
	cmd := &cobra.Command{
		Use:   "drop --stroke MM --rod MM --angle DEG | --drop MM | --gauge MM",
		Short: "Crank degrees to piston drop, and back",
		Long: `Works out how far the piston stands below its highest at an angle of the crank,
or the angle from the drop, with the rod's length and the pin's offset. A dial
gauge that stands inclined to the bore shows more than the drop; --incline.

Also shown: what 0.01 mm on the gauge is in degrees, and by how much the shortcut
that leaves out the rod is wrong. Without --angle, --drop and --gauge it is the
drop at the engine file's target.

DEG is crank degrees before top dead centre, negative after it; MM millimetres.`,
		Example: `  sparkscope bench drop --stroke 50 --rod 100 --angle 18
  sparkscope bench drop --stroke 50 --rod 100 --drop 1.52
  sparkscope bench drop --engine bench.toml
  sparkscope bench drop --engine bench.toml --gauge 2.4 --incline 25 --json drop.json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := o.open(); err != nil {
				return err
			}
			e := o.file.Engine
			d := bench.Drop{StrokeMM: o.or(stroke, e.StrokeMM, " mm"), RodMM: o.or(rod, e.RodLengthMM, " mm"), OffsetMM: o.or(offset, e.PinOffsetMM, " mm"),
				AngleDeg: angle.quantity(), InclineDeg: incline.quantity(), After: after, GaugeToleranceMM: gaugeTol, DropMM: quantityFlag{drop, gaugeTol}.quantity(), GaugeMM: quantityFlag{gauge, gaugeTol}.quantity()}
			switch {
			case d.StrokeMM == nil:
				return o.missing("stroke", "the stroke in mm", "engine.stroke_mm")
			case d.RodMM == nil:
				return o.missing("rod", "the rod from centre to centre in mm", "engine.rod_length_mm")
			}
			given := 0
			for _, p := range []*float64{angle.value, drop, gauge} {
				if p != nil {
					given++
				}
			}
			if given == 0 {
				d.AngleDeg = o.target()
			}
			switch {
			case given == 0 && d.AngleDeg == nil:
				return usagef("want --angle in degrees, or --drop or --gauge in mm: the others are worked out")
			case given > 1:
				return usagef("want only one of --angle, --drop and --gauge: the others are worked out")
			case offset.tolerance != nil && d.OffsetMM == nil:
				return usagef("--offset-tolerance needs --offset, in mm")
			case angle.tolerance != nil && angle.value == nil:
				return usagef("--angle-tolerance needs --angle")
			case gaugeTol != nil && angle.tolerance != nil && *angle.tolerance > 0:
				return usagef("--gauge-tolerance does not go with --angle-tolerance: an angle that was measured has no gauge in it")
			case incline.tolerance != nil && incline.value == nil:
				return usagef("--incline-tolerance needs --incline, in degrees")
			case incline.value != nil && drop != nil:
				return usagef("--incline does not go with --drop, which is along the bore: want --gauge, as the gauge shows it")
			case after && angle.value != nil:
				return usagef("--after is for a drop: an angle after top dead centre is negative, --angle -18")
			}
			return o.run(stdout, d.Solve)
		},
	}
	f := cmd.Flags()
	stroke.millimetres(f, "stroke", 0, 2000, "stroke, mm", "± of it (default 0.05)")
	rod.millimetres(f, "rod", 0, 5000, "rod from centre to centre, mm", "± of it (default 0.5)")
	offset.millimetres(f, "offset", -200, 200, offsetUsage, "± of it (default 0.2, where there is an offset)")
	angle.degrees(f, "angle", -180, 180, "find the drop at this angle (default: the engine file's target)", "± of an angle that was measured (default: none, the angle is the\none that is wanted)")
	f.Var(boundedFlag{&drop, 0, 2000, false, "millimetres", "MM"}, "drop", "find the angle of this drop, along the bore")
	f.Var(boundedFlag{&gauge, 0, 5000, false, "millimetres", "MM"}, "gauge", "find the angle of this reading of the dial gauge")
	f.Var(boundedFlag{&gaugeTol, 0, 10, false, "millimetres", "MM"}, "gauge-tolerance", "± to which the drop is read or set, there and at the top\n(default 0.01)")
	f.BoolVar(&after, "after", false, "the drop is on the piston's way down, after top dead centre")
	incline.degrees(f, "incline", 0, 60, "between the gauge's stem and the bore (default 0)", "± of it (default 2, where it is inclined)")
	o.register(f)
	return cmd
}

func newBenchRim(stdout io.Writer) *cobra.Command {
	var o benchOutput
	var diameter, line, gap, eye quantityFlag
	var angle, arc, across, tolerance *float64
	var rotation string
	cmd := &cobra.Command{
		Use:   "rim --diameter MM --angle DEG | --distance MM | --across MM",
		Short: "Crank degrees to distance along the flywheel's rim, and back",
		Long: `Works out how far apart two marks on the flywheel's rim are, along the rim with a
tape or straight across with callipers, or how many crank degrees they are.

Also shown: what one scribed line's width, one millimetre on the rim, and one
millimetre that your eye is to one side mean in degrees, and which way to
measure.

DEG is crank degrees before top dead centre, negative after it; MM millimetres.`,
		Example: `  sparkscope bench rim --diameter 160 --angle 18 --rotation clockwise
  sparkscope bench rim --diameter 160 --distance 25
  sparkscope bench rim --engine bench.toml
  sparkscope bench rim --engine bench.toml --across 24.8 --json rim.json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			given := 0
			for _, p := range []*float64{angle, arc, across} {
				if p != nil {
					given++
				}
			}
			switch {
			case given > 1:
				return usagef("want only one of --angle, --distance and --across: the others are worked out")
			case tolerance != nil && arc == nil && across == nil:
				return usagef("--tolerance belongs to --distance or --across")
			}
			if err := o.open(); err != nil {
				return err
			}
			e := o.file.Engine
			m := bench.Rim{DiameterMM: o.or(diameter, e.FlywheelDiameterMM, " mm"), AngleDeg: quantityFlag{value: angle}.quantity(),
				ArcMM: quantityFlag{arc, tolerance}.quantity(), ChordMM: quantityFlag{across, tolerance}.quantity(),
				LineMM: line.quantity(), PointerGapMM: gap.quantity(), EyeMM: eye.quantity()}
			if given == 0 {
				if m.AngleDeg = o.target(); m.AngleDeg == nil {
					return usagef("want --angle in degrees, or --distance along the rim or --across in mm: the others are worked out")
				}
			}
			if m.DiameterMM == nil {
				return o.missing("diameter", "the flywheel's diameter in mm", "engine.flywheel_diameter_mm")
			}
			m.Rotation, m.RotationOrigin = o.rotation(rotation)
			return o.run(stdout, m.Solve)
		},
	}
	f := cmd.Flags()
	diameter.millimetres(f, "diameter", 0, 3000, "of the flywheel's rim where it is marked, mm", "± of it (default 0.5)")
	f.Var(boundedFlag{&angle, -180, 180, false, "degrees", "DEG"}, "angle", "find the distances of this angle (default: the engine file's\ntarget)")
	f.Var(boundedFlag{&arc, 0, 10000, false, "millimetres", "MM"}, "distance", "find the angle of this distance along the rim, mm")
	f.Var(boundedFlag{&across, 0, 3000, false, "millimetres", "MM"}, "across", "find the angle of this distance straight across, mm")
	f.Var(boundedFlag{&tolerance, 0, 100, false, "millimetres", "MM"}, "tolerance", "± of the distance, mm (default 0.5 along the rim, 0.1 across)")
	f.Var(boundedFlag{&line.value, 0, 20, false, "millimetres", "MM"}, "line", "width of a scribed line, mm (default 0.3)")
	f.Var(boundedFlag{&gap.value, 0, 200, false, "millimetres", "MM"}, "pointer-gap", "how far the rim lies behind the pointer, mm (default 2)")
	f.Var(boundedFlag{&eye.value, 10, 5000, false, "millimetres", "MM"}, "eye", "how far your eye is from the pointer, mm (default 300)")
	f.Var(rotationFlag(&rotation), "rotation", "how the flywheel turns, seen from its side (default: not said)")
	o.register(f)
	return cmd
}

// rotationFlag is which way a thing turns.
func rotationFlag(p *string) choiceFlag {
	return choiceFlag{func(s string) { *p = s }, []string{enginefile.Clockwise, enginefile.Anticlockwise}}
}

// rotation is that of the flag or else of the engine file, and where it came
// from.
func (o *benchOutput) rotation(flag string) (rotation, origin string) {
	in := o.file.Engine.Rotation
	switch {
	case flag == "" && in != nil:
		return *in, "from " + o.engine
	case flag != "" && in != nil && *in != flag:
		return flag, "given, not the " + *in + " of " + o.engine
	}
	return flag, ""
}

// pairsFlag is a list of gaps with their timings.
type pairsFlag struct{ p *[]bench.GapPair }

func (f pairsFlag) Set(s string) error {
	pairs, err := bench.ParsePairs(s)
	if err == nil {
		*f.p = append(*f.p, pairs...)
	}
	return err
}

func (f pairsFlag) String() string { return "" }
func (f pairsFlag) Type() string   { return "MM:DEG/…" }

func newBenchGap(stdout io.Writer) *cobra.Command {
	var o benchOutput
	var g bench.Gap
	var target, least, most, plate *float64
	var cam, rotation string
	cmd := &cobra.Command{
		Use:   "gap --pairs MM:DEG/MM:DEG/… --target DEG",
		Short: "The contact gap for a target, from gaps and timings measured",
		Long: `Finds the contact gap that gives the target, from two or more gaps and the
timings measured with them on this engine: a wider gap opens sooner. Where it
lies outside what is allowed, it is worked out how far to turn the plate instead,
in crank degrees and in millimetres at its rim, and which way.

The interval is that of the inverse regression (Fieller's theorem), from the ±
that are stated, or from the pairs' own scatter where that is more.

Ignition off, plug out, its lead earthed. After the lock screw is tightened,
measure again: tightening moves the contacts.

MM is millimetres, DEG crank degrees before top dead centre.`,
		Example: `  sparkscope bench gap --pairs 0.35:16/0.45:20 --target 18
  sparkscope bench gap --pairs '0.32:15.5 0.40:18.5 0.48:21.5' --target 26 --gap-min 0.3 --gap-max 0.5 --cam half-speed --plate-diameter 70
  sparkscope bench gap --engine bench.toml --pairs 0.35:16/0.45:20 --json gap.json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if len(g.Pairs) == 0 {
				return usagef("want gaps and their timings: --pairs 0.35:16/0.45:20")
			}
			if err := o.open(); err != nil {
				return err
			}
			c := o.file.Contacts
			g.TargetDeg = o.or(quantityFlag{value: target}, o.file.Target.AngleDeg, "°")
			if g.TargetDeg == nil {
				if len(o.file.Target.Table) > 0 {
					return usagef("the target of %s is a table by speed: say which angle of it the timings are to have, --target DEG", o.engine)
				}
				return o.missing("target", "the target in crank degrees before top dead centre", "target.angle_deg")
			}
			g.LeastMM, g.MostMM = o.or(quantityFlag{value: least}, c.GapMinMM, " mm"), o.or(quantityFlag{value: most}, c.GapMaxMM, " mm")
			g.PlateMM = o.or(quantityFlag{value: plate}, c.PlateDiameterMM, " mm")
			var turns *float64
			if cam != "" {
				turns = new(float64)
				*turns = map[string]float64{"crank": 1, "half-speed": 0.5}[cam]
			}
			g.CamTurns = o.or(quantityFlag{value: turns}, c.CamTurnsPerRev, "")
			g.Rotation, g.RotationOrigin = o.rotation(rotation)
			return o.run(stdout, g.Solve)
		},
	}
	f := cmd.Flags()
	f.Var(pairsFlag{&g.Pairs}, "pairs", "a gap in mm and the timing measured with it in degrees, two or more")
	f.Var(boundedFlag{&target, -180, 180, false, "degrees", "DEG"}, "target", "timing that is wanted")
	f.Var(boundedFlag{&g.GapToleranceMM, 0, 5, false, "millimetres", "MM"}, "gap-tolerance", "± of a gap as set, each time anew, mm (default 0.02)")
	f.Var(boundedFlag{&g.TimingToleranceDeg, 0, 90, false, "degrees", "DEG"}, "timing-tolerance", "± of a timing as read, each time anew (default 0.5)")
	f.Var(boundedFlag{&g.ZeroToleranceDeg, 0, 90, false, "degrees", "DEG"}, "zero-tolerance", "± that all timings share: top dead centre, the reference angle\n(default 0.5)")
	f.Var(boundedFlag{&least, 0, 5, true, "millimetres", "MM"}, "gap-min", "least gap that is allowed, mm (default: not said)")
	f.Var(boundedFlag{&most, 0, 5, true, "millimetres", "MM"}, "gap-max", "greatest gap that is allowed, mm (default: not said)")
	f.Var(choiceFlag{func(s string) { cam = s }, []string{"crank", "half-speed"}}, "cam", "where the cam sits: on the crank, or on a half-speed shaft")
	f.Var(boundedFlag{&plate, 5, 1000, false, "millimetres", "MM"}, "plate-diameter", "of the plate where its turning is read, mm")
	f.Var(rotationFlag(&rotation), "rotation", "how the engine turns, seen from the flywheel side")
	o.settings = gapSettings
	o.write.register(f, "write-gap", "put the gap to set into the engine file, contacts.gap_mm")
	o.register(f)
	return cmd
}
