package analysis

import "errors"

// ErrCannotMeasure is what errors.Is finds in every error of Measure that
// says: this recording cannot carry a measurement.
var ErrCannotMeasure = errors.New("analysis: the recording cannot be measured")

// CannotMeasureError says why a recording cannot be measured, and what to
// change in the wiring or the level. errors.Is(err, ErrCannotMeasure) holds.
type CannotMeasureError struct {
	Code   string // stable: "no-sparks", "no-reference", "dead-channel", "same-signal", "no-channel", "no-overlap", "no-pairing", "reference-edge", "input"
	Reason string // a sentence: what is wrong with the recording
	Remedy string // a sentence: what to change
}

// Error joins the reason and the remedy.
func (e *CannotMeasureError) Error() string {
	if e.Remedy == "" {
		return e.Reason
	}
	return e.Reason + " " + e.Remedy
}

// Is makes every CannotMeasureError an ErrCannotMeasure.
func (e *CannotMeasureError) Is(target error) bool { return target == ErrCannotMeasure }

func cannot(code, reason, remedy string) error {
	return &CannotMeasureError{Code: code, Reason: reason, Remedy: remedy}
}
