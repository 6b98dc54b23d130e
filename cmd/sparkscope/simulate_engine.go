package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/known"
)

// simulated is what a simulation takes from an engine file: the flags that it
// sets, in their order, and those that were given and won.
type simulated struct {
	name       string // of the file
	taken, won []string
}

// fromEngine sets the flags that an engine file speaks of and nobody gave: a
// recording of that engine firing where it should. What the target says becomes
// the advance.
func fromEngine(flags *pflag.FlagSet, name string, f enginefile.File) (simulated, error) {
	s := simulated{name: name}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	set := func(flag, value string) error {
		if flags.Changed(flag) {
			s.won = append(s.won, "--"+flag)
			return nil
		}
		if err := flags.Set(flag, value); err != nil {
			return usagef("--engine %s: its --%s %s: %v", name, flag, value, err)
		}
		s.taken = append(s.taken, "--"+flag+" "+value)
		return nil
	}
	type setting struct{ flag, value string }
	var all []setting
	add := func(flag, value string) { all = append(all, setting{flag, value}) }
	us := func(v float64) string { return number(v) + "us" }
	if v := f.Engine.SpeedFluctuation; v != nil {
		add("speed-fluctuation", number(*v))
	}
	if v := f.Target.AngleDeg; v != nil {
		add("advance", number(*v))
	}
	if t := f.Target.Table; t != nil {
		var points []string
		for _, r := range t {
			points = append(points, number(*r.RPM)+":"+number(*r.AngleDeg))
		}
		add("advance", strings.Join(points, ","))
	}
	perRev, offsets := firingOf(f)
	if perRev != "" {
		add("sparks-per-rev", perRev)
	}
	if offsets != nil {
		var list []string
		for _, v := range offsets {
			list = append(list, number(v))
		}
		add("cylinder-angles", strings.Join(list, ","))
	}
	if v := f.Spark.Kind; v != nil && *v != "microphone" { // that takes a distance, which no file has
		add("spark-kind", *v)
	}
	if v := f.Spark.DelayUS; v != nil {
		add("spark-delay", us(*v))
	}
	if v := f.Reference.Kind; v != nil {
		add("reference-kind", map[string]string{"contact": "reed", "coil": "coil"}[*v])
	}
	if v := f.Reference.AngleDeg; v != nil {
		add("reference-angle", number(*v))
	}
	if v := f.Reference.Pulses; v != nil {
		add("reference-pulses", fmt.Sprint(*v))
	}
	if v := f.Reference.DelayUS; v != nil {
		add("reference-delay", us(*v))
	}
	if v := f.Converter.SkewUS; v != nil {
		add("skew", us(*v))
	}
	if a, b := f.Spark.Channel, f.Reference.Channel; a != nil && b != nil {
		switch {
		case *a == 2 && *b == 1:
			add("layout", "swapped")
		case *a == *b:
			add("layout", "one")
		}
	}
	for _, x := range all {
		if err := set(x.flag, x.value); err != nil {
			return s, err
		}
	}
	return s, nil
}

// firingOf is how often and where an engine's cylinders fire, as the flags say
// it; "" and nil: not said.
func firingOf(f enginefile.File) (perRev string, offsets []float64) {
	if v := f.Spark.PerRev; v != nil {
		perRev = known.PerRevWords(known.SparksPerRev(*v))
	}
	n := f.Cylinders()
	if n < 2 {
		if perRev == "" && n == 1 && f.Engine.StrokesPerCycle != nil && *f.Engine.StrokesPerCycle == 4 {
			perRev = "1/2"
		}
		return perRev, nil
	}
	offsets = slices.Clone(f.Engine.FiringOffsetsDeg)
	four := f.Engine.StrokesPerCycle != nil && *f.Engine.StrokesPerCycle == 4
	// With four strokes each cylinder fires in every second revolution, but for
	// an ignition whose sparks in the other revolution are wasted: more sparks
	// than firings.
	if four && !(f.Spark.PerRev != nil && 2**f.Spark.PerRev > float64(n)) {
		slices.Sort(offsets)
		return "1/2", offsets
	}
	for i, v := range offsets {
		offsets[i] = math.Mod(v, 360)
	}
	slices.Sort(offsets)
	return "", slices.Compact(offsets)
}

// say writes which values came from where.
func (s simulated) say(w io.Writer) error {
	if s.name == "" {
		return nil
	}
	line := "nothing"
	if len(s.taken) > 0 {
		line = strings.Join(s.taken, " ")
	}
	if len(s.won) > 0 {
		line += "; not for " + strings.Join(s.won, " ") + ", given here"
	}
	_, err := fmt.Fprintf(w, "from %s: %s\n", s.name, line)
	return err
}
