// Package enginefile reads and changes the file in which a bench keeps what it
// knows of an engine and of the pick-ups on it: bytes in, values out.
//
// The file is TOML with the unit of every number in its key's name:
//
//	[reference]
//	kind = "contact"            # or "coil"
//	pulses = 1                  # per revolution
//	angle_deg = 30.2            # before top dead centre
//	angle_tolerance_deg = 0.4
//	delay_us = 182.0
//	delay_tolerance_us = 6.0
//
//	[spark]
//	delay_us = 0.0
//	delay_tolerance_us = 5.0
//
//	[converter]
//	skew_us = 2.6               # channel 2 later than channel 1
//	skew_tolerance_us = 0.2
//
// A tolerance is ±, the half-width of a rectangular distribution. Every key may
// be left out. Reading is strict: a key that is not known, a number that cannot
// be, nan and inf are errors that name the line, the key and what would be
// right.
package enginefile

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// File is what a file says; nil and empty: nothing.
type File struct {
	Reference Reference `toml:"reference"`
	Spark     Spark     `toml:"spark"`
	Converter Converter `toml:"converter"`
}

// Reference is what is known of the reference pick-up.
type Reference struct {
	Kind              *string  `toml:"kind"`                // "contact" or "coil"
	Pulses            *int64   `toml:"pulses"`              // per revolution, 1 to 360
	AngleDeg          *float64 `toml:"angle_deg"`           // crank degrees before top dead centre, (-180, 180]
	AngleToleranceDeg *float64 `toml:"angle_tolerance_deg"` // half-width, rectangular, 0 to 180
	DelayUS           *float64 `toml:"delay_us"`            // from the true event to its trace, microseconds
	DelayToleranceUS  *float64 `toml:"delay_tolerance_us"`  // half-width, rectangular, microseconds
}

// Spark is what is known of the spark pick-up.
type Spark struct {
	DelayUS          *float64 `toml:"delay_us"`           // from the true spark to its trace, microseconds
	DelayToleranceUS *float64 `toml:"delay_tolerance_us"` // half-width, rectangular, microseconds
}

// Converter is what is known of the sound input.
type Converter struct {
	SkewUS          *float64 `toml:"skew_us"`           // channel 2 later than channel 1, microseconds
	SkewToleranceUS *float64 `toml:"skew_tolerance_us"` // half-width, rectangular, microseconds
}

// Keys of the numbers that a calibration can set.
const (
	ReferenceAngle          = "reference.angle_deg"
	ReferenceAngleTolerance = "reference.angle_tolerance_deg"
	ReferenceDelay          = "reference.delay_us"
	ReferenceDelayTolerance = "reference.delay_tolerance_us"
	SparkDelay              = "spark.delay_us"
	SparkDelayTolerance     = "spark.delay_tolerance_us"
	ConverterSkew           = "converter.skew_us"
	ConverterSkewTolerance  = "converter.skew_tolerance_us"
)

// Most a delay and a skew may be, microseconds: sound from 30 m away is 90 000
// late, and channels that are started one by one a few thousand.
const (
	mostDelayUS = 100_000
	mostSkewUS  = 10_000
)

// number is one key of a number: where it goes and what it may be.
type number struct {
	key      string
	at       func(*File) **float64
	min, max float64
	circle   bool // a place on the circle: half a turn is 180, not -180
	unit     string
	example  string
}

// numbers are all of them, in the order in which they are written.
var numbers = []number{
	{ReferenceAngle, func(f *File) **float64 { return &f.Reference.AngleDeg }, -180, 180, true, "degrees", "30.2"},
	{ReferenceAngleTolerance, func(f *File) **float64 { return &f.Reference.AngleToleranceDeg }, 0, 180, false, "degrees", "0.4"},
	{ReferenceDelay, func(f *File) **float64 { return &f.Reference.DelayUS }, -mostDelayUS, mostDelayUS, false, "microseconds", "182.0"},
	{ReferenceDelayTolerance, func(f *File) **float64 { return &f.Reference.DelayToleranceUS }, 0, mostDelayUS, false, "microseconds", "6.0"},
	{SparkDelay, func(f *File) **float64 { return &f.Spark.DelayUS }, -mostDelayUS, mostDelayUS, false, "microseconds", "5.0"},
	{SparkDelayTolerance, func(f *File) **float64 { return &f.Spark.DelayToleranceUS }, 0, mostDelayUS, false, "microseconds", "5.0"},
	{ConverterSkew, func(f *File) **float64 { return &f.Converter.SkewUS }, -mostSkewUS, mostSkewUS, false, "microseconds", "2.6"},
	{ConverterSkewTolerance, func(f *File) **float64 { return &f.Converter.SkewToleranceUS }, 0, mostSkewUS, false, "microseconds", "0.2"},
}

// others are the keys that are no numbers of a calibration.
var others = []string{"reference.kind", "reference.pulses"}

// mostBytes bounds a file: one that is longer is not this file.
const mostBytes = 1 << 20

// Number is what the file says for a key, one of those above, and whether it
// says anything.
func (f File) Number(key string) (v float64, ok bool) {
	for _, n := range numbers {
		if n.key == key {
			if p := *n.at(&f); p != nil {
				return *p, true
			}
		}
	}
	return 0, false
}

// Parse reads a file. Nothing in it is an empty File.
func Parse(doc []byte) (File, error) {
	f, _, err := parse(doc)
	return f, err
}

// parse reads a file and says where its keys stand.
func parse(doc []byte) (File, layout, error) {
	if len(doc) > mostBytes {
		return File{}, layout{}, fmt.Errorf("enginefile: %d bytes: want a short text of keys and values", len(doc))
	}
	var f File
	d := toml.NewDecoder(bytes.NewReader(doc))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return File{}, layout{}, plain(err)
	}
	lay, err := layoutOf(doc)
	if err != nil {
		return File{}, layout{}, err
	}
	// The decoder also takes keys in capitals, and then two may mean one.
	for _, k := range lay.keys {
		if !known(k.name) {
			return File{}, layout{}, unknownKey(k.line, k.name)
		}
	}
	if err := f.check(lay); err != nil {
		return File{}, layout{}, err
	}
	return f, lay, nil
}

func known(key string) bool {
	return slices.Contains(others, key) || slices.ContainsFunc(numbers, func(n number) bool { return n.key == key })
}

// check holds every value to what it may be.
func (f *File) check(lay layout) error {
	bad := func(key, is, want string) error {
		return fmt.Errorf("enginefile: line %d: %s is %s: want %s", lay.line(key), key, is, want)
	}
	for _, n := range numbers {
		p := *n.at(f)
		if p == nil {
			continue
		}
		v := *p
		want := fmt.Sprintf("%s from %g to %g", n.unit, n.min, n.max)
		if n.circle {
			want = fmt.Sprintf("%s above %g, up to %g", n.unit, n.min, n.max)
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || v < n.min || v > n.max || n.circle && v == n.min {
			return bad(n.key, fmt.Sprint(v), want+", such as "+n.example)
		}
	}
	r := f.Reference
	if r.Kind != nil && *r.Kind != "contact" && *r.Kind != "coil" {
		return bad("reference.kind", fmt.Sprintf("%q", *r.Kind), `"contact" (reed, Hall, optical) or "coil"`)
	}
	if r.Pulses != nil && (*r.Pulses < 1 || *r.Pulses > 360) {
		return bad("reference.pulses", fmt.Sprint(*r.Pulses), "a whole number from 1 to 360")
	}
	if r.AngleToleranceDeg != nil && r.AngleDeg == nil {
		return fmt.Errorf("enginefile: line %d: %s stands without %s, which it belongs to", lay.line(ReferenceAngleTolerance), ReferenceAngleTolerance, ReferenceAngle)
	}
	return nil
}

// unknownKey says that there is no such key, and which there are.
func unknownKey(line int, key string) error {
	table, _, _ := strings.Cut(key, ".")
	var near []string
	for _, n := range numbers {
		if strings.HasPrefix(n.key, table+".") {
			near = append(near, n.key)
		}
	}
	if len(near) == 0 {
		return fmt.Errorf("enginefile: line %d: there is no %q here: want the tables [reference], [spark] and [converter]", line, key)
	}
	for _, o := range others {
		if strings.HasPrefix(o, table+".") {
			near = append(near, o)
		}
	}
	return fmt.Errorf("enginefile: line %d: there is no key %q: want one of %s", line, key, strings.Join(near, ", "))
}

// plain turns what the decoder says into one sentence.
func plain(err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) && len(strict.Errors) > 0 {
		e := strict.Errors[0]
		line, _ := e.Position()
		return unknownKey(line, strings.Join(e.Key(), "."))
	}
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return fmt.Errorf("enginefile: %s", strings.TrimPrefix(err.Error(), "toml: "))
	}
	line, _ := de.Position()
	key := strings.Join(de.Key(), ".")
	said := strings.TrimPrefix(de.Error(), "toml: ")
	if strings.HasPrefix(said, "cannot ") || strings.Contains(said, "to fit in") || strings.Contains(said, "value out of range") {
		want := "a table, [" + key + "]"
		switch key {
		case "reference.kind":
			want = `"contact" or "coil"`
		case "reference.pulses":
			want = "a whole number from 1 to 360"
		default:
			for _, n := range numbers {
				if n.key == key {
					want = fmt.Sprintf("a number of %s, such as %s", n.unit, n.example)
				}
			}
		}
		return fmt.Errorf("enginefile: line %d: %s: want %s", line, key, want)
	}
	return fmt.Errorf("enginefile: line %d: this is not TOML: %s", line, said)
}
