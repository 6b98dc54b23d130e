package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
	"sparkscope/report/print"
)

// newPrintCommand makes `sparkscope print` with its sheets.
func newPrintCommand(stdout, stderr io.Writer) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "print",
		Short: "Draw a degree wheel, a rim tape, pointers, a worksheet on paper",
		Long: `Draws a sheet for the bench at true scale, as PDF or SVG. Print it at 100 %,
"actual size" and not "fit to page", then lay a steel rule on both check rulers,
across the page and up it, before you trust it.

  wheel      a degree wheel; figures count both ways, and it goes on any shaft
  tape       a tape for the flywheel's rim, in crank degrees both ways from top
             dead centre; strips with joining marks where it is longer than a page
  pointer    two pointers of card, one of them a sight that keeps the eye square
  worksheet  the steps of the job in order, with the engine's figures and room to
             write`,
		Example: `  sparkscope print wheel --rotation clockwise --output wheel.pdf
  sparkscope print tape --flywheel-diameter 120 --output tape.pdf
  sparkscope print worksheet --engine bench.toml --paper Letter --output sheet.pdf`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("print what? wheel, tape, pointer or worksheet")
			}
			return usagef("cannot print %q: want wheel, tape, pointer or worksheet", args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(
		newPrintWheel(stdout, stderr),
		newPrintTape(stdout, stderr),
		newPrintPointer(stdout, stderr),
		newPrintWorksheet(stdout, stderr),
	)
	return cmd
}

// mmFlag is a length in millimetres; with zero set, it may be 0.
type mmFlag struct {
	p    *float64
	zero bool
}

func (f mmFlag) Set(s string) error {
	v, err := parseNumber(s, "millimetres")
	switch {
	case err != nil:
		return err
	case v < 0 || v == 0 && !f.zero:
		if f.zero {
			return errors.New("want millimetres, 0 or above")
		}
		return errors.New("want millimetres above 0")
	}
	*f.p = v
	return nil
}

func (f mmFlag) String() string { return "" }
func (f mmFlag) Type() string   { return "MM" }

// textFlag is any text.
type textFlag struct{ p *string }

func (f textFlag) Set(s string) error { *f.p = s; return nil }
func (f textFlag) String() string     { return "" }
func (f textFlag) Type() string       { return "TEXT" }

// printOptions is what all sheets were told.
type printOptions struct {
	output, engine, name string
	paper                print.Paper
	rotation             print.Rotation
	flywheel             float64 // diameter of the rim, mm; 0: not said

	file enginefile.File
	said []string // where values came from, for the text
}

// printFlags registers the flags of all sheets.
func (o *printOptions) printFlags(f *pflag.FlagSet) {
	f.SortFlags = false
	f.VarP(fileFlag{&o.output}, "output", "o", "the file to write; the ending decides: .pdf .svg. Of several pages\nin SVG each is a file of its own, NAME-1.svg and so on")
	f.Var(choiceFlag{func(s string) {
		if s == "Letter" {
			o.paper = print.Letter
		}
	}, []string{"A4", "Letter"}}, "paper", "what it is printed on (default A4)")
	f.Var(textFlag{&o.name}, "name", "the engine's name, to stand on the sheet")
	f.Var(fileFlag{&o.engine}, "engine", "what is known of the engine, TOML; flags win over it")
}

func (o *printOptions) rotationFlag(f *pflag.FlagSet, seen string) {
	f.Var(choiceFlag{func(s string) { o.rotation = rotationOf(s) }, []string{"clockwise", "anticlockwise"}}, "rotation", seen)
}

func (o *printOptions) flywheelFlag(f *pflag.FlagSet) {
	f.Var(mmFlag{p: &o.flywheel}, "flywheel-diameter", "across the flywheel's rim, where the marks are")
}

func rotationOf(s string) print.Rotation {
	if s == enginefile.Clockwise {
		return print.Clockwise
	}
	return print.Anticlockwise
}

// readEngine takes from the engine file what the flags leave open.
func (o *printOptions) readEngine(flags *pflag.FlagSet) (err error) {
	if o.file, err = openEngineFile(o.engine); err != nil {
		return err
	}
	e := o.file.Engine
	// use takes a value of the file where the sheet has such a flag and it was
	// not given, and says so.
	use := func(flag, what, value, given string, take func()) {
		switch {
		case flags.Lookup(flag) == nil:
		case !flags.Changed(flag):
			take()
			o.said = append(o.said, fmt.Sprintf("%s %s, from %s.", what, value, o.engine))
		case value != given:
			o.said = append(o.said, fmt.Sprintf("%s %s by the flag, not the %s of %s.", what, given, value, o.engine))
		}
	}
	if e.Name != nil {
		use("name", "Name", *e.Name, o.name, func() { o.name = *e.Name })
	}
	if e.Rotation != nil {
		use("rotation", "Rotation", *e.Rotation, o.rotation.String(), func() { o.rotation = rotationOf(*e.Rotation) })
	}
	if e.FlywheelDiameterMM != nil {
		use("flywheel-diameter", "Flywheel", quantity(*e.FlywheelDiameterMM, " mm"), quantity(o.flywheel, " mm"), func() { o.flywheel = *e.FlywheelDiameterMM })
	}
	return nil
}

// write draws the sheet and writes its file or files.
func (o *printOptions) write(stdout, stderr io.Writer, d *print.Document, err error) error {
	if err != nil {
		return usagef("%s", plainError(err))
	}
	outs := &outputs{stdout: stdout, engine: o.engine}
	ending := filepath.Ext(o.output)
	var names []string
	add := func(name string, write func(io.Writer) error) {
		names = append(names, name)
		outs.add("--output", name, write)
	}
	pdf := false
	switch strings.ToLower(ending) {
	case ".pdf":
		pdf = true
		add(o.output, d.WritePDF)
	case ".svg":
		for n := 1; n <= d.Pages(); n++ {
			name := o.output
			if d.Pages() > 1 {
				name = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(o.output, ending), n, ending)
			}
			add(name, func(w io.Writer) error { return d.WriteSVG(w, n) })
		}
	case "":
		if o.output == "" {
			return usagef("which file? Say --output with a name that ends in .pdf or .svg")
		}
		fallthrough
	default:
		return usagef("--output %q: want a name that ends in .pdf or .svg", o.output)
	}
	outs.addText(func(w io.Writer) error {
		pages := "1 page"
		if d.Pages() > 1 {
			pages = fmt.Sprintf("%d pages", d.Pages())
		}
		_, err := fmt.Fprintf(w, "%s: %s, %s.\n", strings.Join(names, ", "), pages, o.paper)
		for _, s := range o.said {
			if err == nil {
				_, err = fmt.Fprintln(w, s)
			}
		}
		if err == nil {
			_, err = fmt.Fprintln(w, "Print at 100 %, then lay a steel rule on both check rulers: 100 mm must be 100 mm,\nacross the page and up it.")
		}
		return err
	})
	if err := outs.check("-"); err != nil {
		return err
	}
	if err := outs.commit(); err != nil {
		return err
	}
	if s := d.Lacking(); s != "" && pdf {
		fmt.Fprintf(stderr, "Note: the PDF's type has no letters %s: they are empty boxes there. An SVG shows\nthem where the system has them.\n", s)
	}
	return nil
}

// newPrintWheel makes `sparkscope print wheel`.
func newPrintWheel(stdout, stderr io.Writer) *cobra.Command {
	var o printOptions
	var diameter, hole float64
	var otherEnd bool
	cmd := &cobra.Command{
		Use:   "wheel",
		Short: "A degree wheel for the crankshaft",
		Long: `Draws a degree wheel. The outer figures count from 0 to 180 both ways from top
dead centre; two rings within count from 0 to 360, one each way. With --rotation
its halves say which is before top dead centre and which after; a wheel reads the
wrong way on an engine that turns the other way.`,
		Example: `  sparkscope print wheel --rotation clockwise --output wheel.pdf
  sparkscope print wheel --engine bench.toml --other-end --hole 17 --output wheel.pdf`,
		Args: onlyFlags("the file is named by --output, and numbers go behind their flags"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := o.readEngine(cmd.Flags()); err != nil {
				return err
			}
			r := o.rotation
			if otherEnd {
				if r == print.Unknown {
					return usagef("--other-end needs --rotation, or an --engine file with it: a wheel for either rotation goes on either end")
				}
				r = r.Reversed()
			}
			d, err := print.Wheel(print.WheelOptions{Paper: o.paper, Engine: o.name, Rotation: r, Diameter: diameter, Hole: hole})
			return o.write(stdout, stderr, d, err)
		},
	}
	f := cmd.Flags()
	o.printFlags(f)
	o.rotationFlag(f, "which way the engine turns, seen from the flywheel side\n(default: a wheel for either)")
	f.BoolVar(&otherEnd, "other-end", false, "the wheel goes on the shaft's end away from the flywheel, where\nthe engine turns the other way as you look at it")
	f.Var(mmFlag{p: &diameter}, "diameter", "across the wheel, 120 to 190 (default 180)")
	f.Var(mmFlag{p: &hole}, "hole", "of the shaft or bolt, 2 to 40 (default: circles for many)")
	return cmd
}

// newPrintTape makes `sparkscope print tape`.
func newPrintTape(stdout, stderr io.Writer) *cobra.Command {
	var o printOptions
	var width, thick float64
	var reach *analysis.Degrees
	cmd := &cobra.Command{
		Use:   "tape",
		Short: "A tape of crank degrees for the flywheel's rim",
		Long: `Draws a tape for the flywheel's rim, in crank degrees both ways from top dead
centre: N degrees lie N/360 of the rim's circumference, π times the diameter,
from zero. An arrow shows which way the rim must run; with --rotation the figures
stand upright for whoever looks from the flywheel's side. What is longer than
the page is split into strips with joining marks.

Glued paper bends about its middle, so a tape of 0.1 mm paper is 0.3 mm short all
round: --paper-thickness 0.1 makes up for it.`,
		Example: `  sparkscope print tape --flywheel-diameter 120 --output tape.pdf
  sparkscope print tape --engine bench.toml --reach 60 --width 20 --output tape.svg`,
		Args: onlyFlags("the file is named by --output, and numbers go behind their flags"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := o.readEngine(cmd.Flags()); err != nil {
				return err
			}
			if o.flywheel == 0 {
				return usagef("a tape needs --flywheel-diameter, or an --engine file with it")
			}
			t := print.TapeOptions{Paper: o.paper, Engine: o.name, Rotation: o.rotation, Diameter: o.flywheel, Width: width, Thickness: thick}
			if reach != nil {
				t.Reach = float64(*reach)
			}
			d, err := print.Tape(t)
			return o.write(stdout, stderr, d, err)
		},
	}
	f := cmd.Flags()
	o.printFlags(f)
	o.flywheelFlag(f)
	o.rotationFlag(f, "which way the engine turns, seen from the flywheel side")
	f.Var(degreesFlag{p: &reach, min: 10, max: 180}, "reach", "how far it goes either way from top dead centre, whole tens\n(default 180: all round)")
	f.Var(mmFlag{p: &width}, "width", "of the tape, 8 to 40 (default 12)")
	f.Var(mmFlag{p: &thick, zero: true}, "paper-thickness", "of paper and glue, 0 to 1 (default 0)")
	return cmd
}

// newPrintPointer makes `sparkscope print pointer`.
func newPrintPointer(stdout, stderr io.Writer) *cobra.Command {
	var o printOptions
	var diameter float64
	cmd := &cobra.Command{
		Use:   "pointer",
		Short: "Two pointers to be cut from card",
		Long: `Draws a plain pointer and a sight, to be cut from card and bolted to the engine
beside the wheel or the rim, and works out how far off a reading is with the eye
not square to the scale.`,
		Example: `  sparkscope print pointer --flywheel-diameter 120 --output pointer.pdf`,
		Args:    onlyFlags("the file is named by --output, and numbers go behind their flags"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := o.readEngine(cmd.Flags()); err != nil {
				return err
			}
			d, err := print.Pointer(print.PointerOptions{Paper: o.paper, Engine: o.name, Flywheel: o.flywheel, Wheel: diameter})
			return o.write(stdout, stderr, d, err)
		},
	}
	f := cmd.Flags()
	o.printFlags(f)
	o.flywheelFlag(f)
	f.Var(mmFlag{p: &diameter}, "diameter", "across the degree wheel, 120 to 190 (default 180)")
	return cmd
}

// newPrintWorksheet makes `sparkscope print worksheet`.
func newPrintWorksheet(stdout, stderr io.Writer) *cobra.Command {
	var o printOptions
	var target, tolerance *analysis.Degrees
	cmd := &cobra.Command{
		Use:   "worksheet",
		Short: "The steps of the job in order, with room to write",
		Long: `Draws two pages to write a job down on: what is known of the engine, tables for
the readings of each step in order, the verdict and a signature. What is not
known is left open.`,
		Example: `  sparkscope print worksheet --engine bench.toml --output sheet.pdf
  sparkscope print worksheet --name "Bench twin" --target 18 --tolerance 2 --output sheet.pdf`,
		Args: onlyFlags("the file is named by --output, and numbers go behind their flags"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := o.readEngine(cmd.Flags()); err != nil {
				return err
			}
			t := &o.file.Target
			if target != nil {
				*t = enginefile.Target{AngleDeg: (*float64)(target), ToleranceDeg: t.ToleranceDeg}
			}
			if tolerance != nil {
				t.ToleranceDeg = (*float64)(tolerance)
			}
			figures := o.figures()
			if o.engine != "" {
				o.said = append(o.said, fmt.Sprintf("Everything else that is known, from %s.", o.engine))
			}
			d, err := print.Worksheet(print.WorksheetOptions{Paper: o.paper, Engine: o.name, Figures: figures, Flywheel: o.flywheel, Target: t.AngleDeg, File: o.engine})
			return o.write(stdout, stderr, d, err)
		},
	}
	f := cmd.Flags()
	o.printFlags(f)
	o.flywheelFlag(f)
	o.rotationFlag(f, "which way the engine turns, seen from the flywheel side")
	f.Var(degreesFlag{p: &target, min: -180, max: 180}, "target", "what the engine should fire at, before top dead centre")
	f.Var(degreesFlag{p: &tolerance, min: 0, max: 180, positive: true}, "tolerance", "how closely, ±")
	return cmd
}

// figures are the lines of a worksheet's table, what is not known left open.
func (o *printOptions) figures() []print.Figure {
	var list []print.Figure
	add := func(what, value string) { list = append(list, print.Figure{What: what, Value: value}) }
	of := func(v *float64, unit string) string {
		if v == nil {
			return ""
		}
		return quantity(*v, unit)
	}
	within := func(v, tol *float64, unit string) string {
		if v == nil || tol == nil {
			return of(v, unit)
		}
		return of(v, unit) + " ±" + of(tol, unit)
	}
	e, c := o.file.Engine, o.file.Contacts
	add("stroke", of(e.StrokeMM, " mm"))
	add("connecting rod, centre to centre", of(e.RodLengthMM, " mm"))
	if e.PinOffsetMM != nil && *e.PinOffsetMM != 0 {
		add("piston pin offset", of(e.PinOffsetMM, " mm"))
	}
	flywheel := ""
	if o.flywheel != 0 {
		flywheel = quantity(o.flywheel, " mm")
	}
	add("flywheel's diameter", flywheel)
	rotation := ""
	if o.rotation != print.Unknown {
		rotation = o.rotation.String()
	}
	add("rotation, from the flywheel side", rotation)
	strokes := ""
	if e.StrokesPerCycle != nil {
		strokes = fmt.Sprint(*e.StrokesPerCycle)
	}
	add("strokes per cycle", strokes)
	if len(e.FiringOffsetsDeg) > 1 {
		var s []string
		for _, v := range e.FiringOffsetsDeg {
			s = append(s, quantity(v, "°"))
		}
		add("cylinders fire at", strings.Join(s, ", "))
	}
	t := o.file.Target
	const mostRows = 6
	for i, r := range t.Table {
		if i == mostRows-1 && len(t.Table) > mostRows {
			add(fmt.Sprintf("target at %d more speeds", len(t.Table)-i), "see the engine file")
			break
		}
		add("target at "+of(r.RPM, " rpm"), beforeOrAfter(*r.AngleDeg))
	}
	if t.Table == nil {
		angle := ""
		if t.AngleDeg != nil {
			angle = beforeOrAfter(*t.AngleDeg)
		}
		add("target", angle)
	}
	tolerance := ""
	if t.ToleranceDeg != nil {
		tolerance = "±" + of(t.ToleranceDeg, "°")
	}
	add("tolerance", tolerance)
	gap := ""
	switch {
	case c.GapMinMM != nil && c.GapMaxMM != nil:
		gap = of(c.GapMinMM, "") + " to " + of(c.GapMaxMM, " mm")
	case c.GapMinMM != nil:
		gap = "at least " + of(c.GapMinMM, " mm")
	case c.GapMaxMM != nil:
		gap = "at most " + of(c.GapMaxMM, " mm")
	}
	add("contact gap allowed", gap)
	if c.GapMM != nil {
		add("contact gap as set", of(c.GapMM, " mm"))
	}
	if c.PlateDiameterMM != nil {
		add("contact plate's diameter", of(c.PlateDiameterMM, " mm"))
	}
	if o.file.Static.AngleDeg != nil {
		add("static angle as read", within(o.file.Static.AngleDeg, o.file.Static.AngleToleranceDeg, "°"))
	}
	add("reference angle", within(o.file.Reference.AngleDeg, o.file.Reference.AngleToleranceDeg, "°"))
	if o.file.Reference.DelayUS != nil {
		add("reference delay", within(o.file.Reference.DelayUS, o.file.Reference.DelayToleranceUS, " µs"))
	}
	return list
}

// beforeOrAfter is an angle in words.
func beforeOrAfter(deg float64) string {
	side := "before TDC"
	if deg < 0 {
		side = "after TDC"
	}
	return quantity(math.Abs(deg), "° ") + side
}
