package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
)

// mostEngineFile is how much of an engine file is read, bytes: what is longer
// is something else.
const mostEngineFile = 2 << 20

// readEngineFile reads an engine file. Where there is none, err is one for
// which errors.Is(err, fs.ErrNotExist) holds.
func readEngineFile(path string) (doc []byte, f enginefile.File, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, f, err
	}
	defer file.Close()
	if info, err := file.Stat(); err == nil && info.IsDir() {
		return nil, f, errors.New("is a folder")
	}
	if doc, err = io.ReadAll(io.LimitReader(file, mostEngineFile)); err != nil {
		return nil, f, err
	}
	f, err = enginefile.Parse(doc)
	return doc, f, err
}

// engineFileError puts the file's name before what is wrong with it.
func engineFileError(path string, err error) error {
	var pe *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return usagef("--engine %s: there is no such file", path)
	case errors.As(err, &pe):
		err = pe.Err
	}
	return usagef("--engine %s: %s", path, strings.TrimPrefix(err.Error(), "enginefile: "))
}

// useEngineFile fills in what the flags leave open from the file called name,
// and returns what it took and what the flags won over, to be said with the
// result. A tolerance belongs to its value: where a flag gives the value, the
// file's tolerance of another value is not used.
func useEngineFile(flags *pflag.FlagSet, s *analysis.Setup, name string, f enginefile.File) []analysis.Decision {
	s.EngineFile = name
	var said []analysis.Decision
	say := func(what, value, why string) {
		said = append(said, analysis.Decision{What: what, Value: value, Why: why, Given: true})
	}
	from, not := "from "+name, "the flag, not the %s of "+name
	r := f.Reference
	if r.Kind != nil {
		if flags.Changed("reference-kind") {
			say("reference kind", string(s.ReferenceKind), fmt.Sprintf(not, *r.Kind))
		} else {
			s.ReferenceKind = analysis.ReferenceKind(*r.Kind)
			say("reference kind", *r.Kind, from)
		}
	}
	if r.Pulses != nil {
		if flags.Changed("reference-pulses") {
			say("reference pulses per revolution", fmt.Sprint(s.ReferencePulses), fmt.Sprintf(not, fmt.Sprint(*r.Pulses)))
		} else {
			s.ReferencePulses = int(*r.Pulses)
			say("reference pulses per revolution", fmt.Sprint(*r.Pulses), from)
		}
	}
	// changed says whether any of the flags was given; names has spaces between.
	changed := func(names string) bool { return slices.ContainsFunc(strings.Fields(names), flags.Changed) }
	// number takes one value with its tolerance; tolFlags are those that win
	// over the tolerance, per is how many of the file's unit make one of the
	// setup's.
	number := func(what, unit, flag, tolFlags string, v, tol *float64, set, setTol func(float64), is func() float64, per float64) {
		pm := func() string {
			if tol == nil {
				return ""
			}
			return " ±" + quantity(*tol, unit)
		}
		switch {
		case v == nil && tol == nil:
		case flag != "" && flags.Changed(flag):
			if v != nil {
				say(what, quantity(is()*per, unit), fmt.Sprintf(not, quantity(*v, unit)+pm()))
			}
		default:
			value := 0.0
			if v != nil {
				value = *v
				set(value / per)
			}
			words := quantity(value, unit)
			switch {
			case tol != nil && changed(tolFlags):
				say(what, words, from+fmt.Sprintf(", its tolerance by the flag, not the%s there", pm()))
			case tol != nil:
				setTol(*tol / per)
				say(what, words+pm(), from)
			default:
				say(what, words, from)
			}
		}
	}
	number("reference angle", "°", "reference-angle", "reference-angle-tolerance", r.AngleDeg, r.AngleToleranceDeg,
		func(v float64) { d := analysis.Degrees(v); s.ReferenceAngle = &d },
		func(v float64) { d := analysis.Degrees(v); s.ReferenceAngleTolerance = &d },
		func() float64 { return float64(*s.ReferenceAngle) }, 1)
	number("reference delay", " µs", "reference-delay", "delay-tolerance reference-delay-tolerance", r.DelayUS, r.DelayToleranceUS,
		func(v float64) { s.ReferenceDelayS = v }, func(v float64) { s.ReferenceDelayToleranceS = &v },
		func() float64 { return s.ReferenceDelayS }, 1e6)
	number("spark delay", " µs", "spark-delay", "delay-tolerance spark-delay-tolerance", f.Spark.DelayUS, f.Spark.DelayToleranceUS,
		func(v float64) { s.SparkDelayS = v }, func(v float64) { s.SparkDelayToleranceS = &v },
		func() float64 { return s.SparkDelayS }, 1e6)
	number("skew of the converter, channel 2 after channel 1,", " µs", "", "", f.Converter.SkewUS, f.Converter.SkewToleranceUS,
		func(v float64) { s.ConverterSkewS = v }, func(v float64) { s.ConverterSkewToleranceS = &v }, nil, 1e6)
	return said
}

// quantity is a number of a file with its unit, without digits that come from
// binary arithmetic only.
func quantity(v float64, unit string) string {
	return fmt.Sprintf("%.10g%s", math.Round(v*1e9)/1e9, unit)
}

// sayOrigins puts what came from an engine file among a result's decisions:
// in the place of one that says the same, else behind them.
func sayOrigins(r *analysis.Result, said []analysis.Decision) {
next:
	for _, d := range said {
		for i := range r.Decisions {
			if r.Decisions[i].What == d.What {
				r.Decisions[i] = d
				continue next
			}
		}
		r.Decisions = append(r.Decisions, d)
	}
}
