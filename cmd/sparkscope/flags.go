package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"sparkscope/analysis"
)

// The flag types below refuse NaN, infinities and values out of range at once
// and say what would be right; pflag names the flag and the value before.

// parseNumber reads a finite number and says what is wrong with any other.
func parseNumber(s, unit string) (float64, error) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		if strings.Contains(s, ",") {
			return 0, fmt.Errorf("want a number of %s with a point, not a comma", unit)
		}
		return 0, fmt.Errorf("want a number of %s, without a unit", unit)
	}
	return v, nil
}

// degreesFlag is an angle that may be left out. Where min is -180 it is a place
// on the circle, and half a turn is 180, never -180.
type degreesFlag struct {
	p        **analysis.Degrees
	min, max float64
	positive bool // zero is no answer either
}

func (f degreesFlag) Set(s string) error {
	v, err := parseNumber(s, "degrees")
	if err != nil {
		return err
	}
	if f.min == -180 && (v <= f.min || v > f.max) {
		return errors.New("want degrees above -180, up to 180: half a turn is 180")
	}
	if v < f.min || v > f.max || f.positive && v == 0 {
		if f.positive {
			return fmt.Errorf("want degrees above 0, at most %g", f.max)
		}
		return fmt.Errorf("want degrees from %g to %g", f.min, f.max)
	}
	d := analysis.Degrees(v)
	*f.p = &d
	return nil
}

func (f degreesFlag) String() string { return "" }
func (f degreesFlag) Type() string   { return "DEG" }

// maxDelay bounds every delay: sound that comes from 30 m away is 0.09 s late.
const maxDelay = 100 * time.Millisecond

// delayFlag is a time, a Go duration such as 250us.
type delayFlag struct {
	set func(seconds float64)
	min time.Duration
}

func (f delayFlag) Set(s string) error {
	d, err := time.ParseDuration(s)
	if err != nil {
		if strings.Contains(s, ",") {
			return errors.New("want a time with a point, not a comma, and with its unit, such as 0.3ms")
		}
		return errors.New("want a time with its unit, such as 250us or 0.3ms")
	}
	if d < f.min || d > maxDelay {
		return fmt.Errorf("want a time from %v to %v", f.min, maxDelay)
	}
	f.set(d.Seconds())
	return nil
}

func (f delayFlag) String() string { return "" }
func (f delayFlag) Type() string   { return "DUR" }

// fractionFlag is a ratio from 0 to 2 that may be left out.
type fractionFlag struct{ p **float64 }

func (f fractionFlag) Set(s string) error {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v >= 0 && v <= 2) {
		return errors.New("want a fraction from 0 to 2, such as 0.05")
	}
	*f.p = &v
	return nil
}

func (f fractionFlag) String() string { return "" }
func (f fractionFlag) Type() string   { return "F" }

// wholeFlag is a whole number from 1 to max; 0 stands for not given.
type wholeFlag struct {
	p   *int
	max int
}

func (f wholeFlag) Set(s string) error {
	v, err := strconv.Atoi(s)
	if err != nil || v < 1 || v > f.max {
		return fmt.Errorf("want a whole number from 1 to %d", f.max)
	}
	*f.p = v
	return nil
}

func (f wholeFlag) String() string { return "" }
func (f wholeFlag) Type() string   { return "N" }

// sparksFlag is a number of sparks per revolution: whole, or 1/2.
type sparksFlag struct{ p *analysis.SparksPerRev }

func (f sparksFlag) Set(s string) error {
	if s == "1/2" {
		*f.p = analysis.SparksPerRev{Num: 1, Den: 2}
		return nil
	}
	v, err := strconv.Atoi(s)
	if err != nil || v < 1 || v > 12 {
		return errors.New("want 1, 2 … 12, or 1/2 for every second revolution")
	}
	*f.p = analysis.SparksPerRev{Num: v, Den: 1}
	return nil
}

func (f sparksFlag) String() string { return "" }
func (f sparksFlag) Type() string   { return "N" }

// choiceFlag is one of a few words.
type choiceFlag struct {
	set   func(string)
	words []string
}

func (f choiceFlag) Set(s string) error {
	for _, w := range f.words {
		if s == w {
			f.set(s)
			return nil
		}
	}
	n := len(f.words) - 1
	return fmt.Errorf("want %s or %s", strings.Join(f.words[:n], ", "), f.words[n])
}

func (f choiceFlag) String() string { return "" }
func (f choiceFlag) Type() string   { return strings.Join(f.words, "|") }

// speedFlag is a speed of the crankshaft, rpm.
type speedFlag struct{ p *float64 }

func (f speedFlag) Set(s string) error {
	v, err := parseNumber(s, "rpm")
	if err != nil {
		return err
	}
	if !(v > 0 && v <= 30000) {
		return errors.New("want a speed above 0 and up to 30000 rpm")
	}
	*f.p = v
	return nil
}

func (f speedFlag) String() string { return "" }
func (f speedFlag) Type() string   { return "RPM" }
