// Package calibrate finds what a bench must know of its pick-ups before it can
// trust a running angle: the reference angle, the delays, and the skew of the
// converter; each with its uncertainty and the working, so that it can be
// checked on paper.
//
// Numbers in, one Calibration out. No files, no clock, no randomness.
package calibrate

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// Unit is the unit of a calibrated quantity.
type Unit string

// The units.
const (
	Degrees      Unit = "deg"
	Microseconds Unit = "us"
)

// Symbol is the unit as it stands behind a number, with its space.
func (u Unit) Symbol() string {
	if u == Degrees {
		return "°"
	}
	return " µs"
}

// Calibration is one calibrated quantity and how it was found.
type Calibration struct {
	Method   string // "static", "wheel", "skew", "pickup", "microphone"
	Quantity string // in words: "reference angle"
	Meaning  string // what the number says, a phrase to stand behind it: "before top dead centre"
	Unit     Unit
	Value    float64
	Std      float64 // combined standard uncertainty
	Dof      float64 // effective degrees of freedom, Welch-Satterthwaite; 0: infinite
	Factor   float64 // coverage factor for 95 %, from Student's t
	Expanded float64 // Factor·Std
	// Tolerance is the half-width of the rectangular distribution that stands
	// for the same uncertainty where others take it up: √3·Expanded/1.96.
	// Without few readings that is √3·Std.
	Tolerance float64

	// Doubt says why the value may be far off by more than its ±, a sentence; it
	// is then not written into an engine file. Empty: no such doubt.
	Doubt string

	// Key and ToleranceKey are where the engine file keeps them.
	Key, ToleranceKey string
	// Kind is of the pick-up whose delay it is, as KindKey of the engine file says
	// it: the delay is no other's. Empty: it is of no kind of pick-up.
	KindKey, Kind string

	Inputs  []Input
	Working []Step
	Budget  []Component
	Notes   []Note
	Curve   []CurvePoint // pickup: what the straight line leaves, by speed; else nil
	// Constant says, with a Curve, whether one delay explains all speeds.
	Constant bool
}

// Input is a number or a few that went in.
type Input struct{ Name, Value string }

// Step is one line of the working: a formula with its numbers, and what comes out.
type Step struct{ Formula, Result string }

// Component is one line of the uncertainty budget (JCGM 100:2008).
type Component struct {
	Source   string
	Kind     string  // "A" from repetition, "B" from other knowledge
	Std      float64 // standard uncertainty of the result, in its unit
	Dof      float64 // degrees of freedom; 0: infinite
	Estimate string  // what it was taken from
}

// Note is something the reader must know. Code is stable.
type Note struct {
	Code    string
	Warning bool // the number may be wrong unless the reader looks into it
	Message string
}

// CurvePoint is the mean over a range of speed of a pick-up's angle behind the
// lag-free one, and what the fitted line leaves of it.
type CurvePoint struct {
	FromRPM, ToRPM, MeanRPM float64
	N                       int
	AngleDeg                float64 // behind the lag-free pick-up
	ResidualDeg             float64 // above the line
	ResidualStdDeg          float64 // standard uncertainty of it
	ResidualUS              float64 // the same as a time at this speed
}

// RefusedError says why a calibration cannot be made from what was given, and
// what to change.
type RefusedError struct {
	Code   string // stable
	Reason string // a sentence: what is wrong
	Remedy string // a sentence: what to change
}

// Error joins the reason and the remedy.
func (e *RefusedError) Error() string {
	if e.Remedy == "" {
		return e.Reason
	}
	return e.Reason + " " + e.Remedy
}

// refuse makes a RefusedError; the args are those of reason and remedy in turn.
func refuse(code, reason, remedy string, args ...any) error {
	said, advice, _ := strings.Cut(fmt.Sprintf(reason+"\x00"+remedy, args...), "\x00")
	return &RefusedError{Code: code, Reason: said, Remedy: advice}
}

// normal95 is the factor for 95 % of a normal distribution, with which others
// expand a rectangular tolerance.
var normal95 = distuv.UnitNormal.Quantile(0.975)

// conclude fills in what follows from value and budget: root sum of squares,
// effective degrees of freedom by Welch-Satterthwaite (JCGM 100:2008, G.4.1),
// the factor for 95 % from Student's t (G.3), fractions of a degree of freedom
// kept, and the tolerance.
func (c *Calibration) conclude(value float64) {
	c.Value = value
	var sum, den float64
	for _, b := range c.Budget {
		v := b.Std * b.Std
		sum += v
		if b.Dof > 0 {
			den += v * v / b.Dof
		}
	}
	c.Std, c.Factor = math.Sqrt(sum), normal95
	if den > 0 {
		if nu := sum * sum / den; nu < 1e6 {
			c.Dof = nu
			c.Factor = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, nu)}.Quantile(0.975)
		}
	}
	c.Expanded = c.Factor * c.Std
	c.Tolerance = math.Sqrt(3) * c.Expanded / normal95
}

func (c *Calibration) input(name, format string, args ...any) {
	c.Inputs = append(c.Inputs, Input{name, fmt.Sprintf(format, args...)})
}

func (c *Calibration) step(formula, format string, args ...any) {
	c.Working = append(c.Working, Step{formula, fmt.Sprintf(format, args...)})
}

func (c *Calibration) note(code string, warning bool, format string, args ...any) {
	c.Notes = append(c.Notes, Note{code, warning, fmt.Sprintf(format, args...)})
}

// typeA adds what repetition shows.
func (c *Calibration) typeA(source string, std, dof float64, format string, args ...any) {
	c.Budget = append(c.Budget, Component{Source: source, Kind: "A", Std: std, Dof: dof, Estimate: fmt.Sprintf(format, args...)})
}

// typeB adds what is known otherwise, as a standard uncertainty.
func (c *Calibration) typeB(source string, std float64, format string, args ...any) {
	c.Budget = append(c.Budget, Component{Source: source, Kind: "B", Std: std, Estimate: fmt.Sprintf(format, args...)})
}

// rectangle adds a half-width of a rectangular distribution, in the result's
// unit.
func (c *Calibration) rectangle(source string, half float64, format string, args ...any) {
	c.typeB(source, half/math.Sqrt(3), format, args...)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// stated says where a tolerance comes from: the user, or a default.
func stated(p *float64, fallback float64) (v float64, how string) {
	if p != nil {
		return *p, "given"
	}
	return fallback, "stated default, common practice, no source"
}

// studentFactor is the factor for 95 % with nu degrees of freedom.
func studentFactor(nu int) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(nu)}.Quantile(0.975)
}
