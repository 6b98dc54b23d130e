package live

import (
	"math"
	"reflect"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
)

// Renew takes another set-up without listening anew, and is true, where no angle
// that was read is another by it: where only target and tolerance, the ± of what
// is stated, the static angle or what is known of the breaker differ. Else, and
// for a set-up that is not valid, it changes nothing and is false.
func (s *Session) Renew(setup analysis.Setup) bool {
	if setup.Validate() != nil || !reflect.DeepEqual(timing(s.setup), timing(setup)) {
		return false
	}
	// A target or a static angle also settles which of several pulses is meant.
	// Then the sparks of the last seconds are elsewhere by it.
	if s.heard != nil && len(s.recent) > 0 {
		try := setup
		if s.found && s.last != nil {
			try.SparkChannel, try.ReferenceChannel, try.ReferenceKind = s.last.Setup.SparkChannel, s.last.Setup.ReferenceChannel, s.last.Setup.ReferenceKind
		}
		res, err := analysis.Measure(s.recording(), s.heard, try)
		if err != nil || !alike(s.recent, res.Firings) {
			return false
		}
	}
	s.setup = setup
	return true
}

// alike is whether the sparks that were counted are there again, at their angles.
func alike(was, is []analysis.Firing) bool {
	const same = 1e-6 // degrees: rounding
	k := 0
	for _, f := range was {
		for k < len(is) && is[k].TimeS < f.TimeS {
			k++
		}
		if k == len(is) || is[k].TimeS != f.TimeS || is[k].Status != analysis.OK || math.Abs(circle.Wrap(float64(is[k].Advance-f.Advance))) > same {
			return false
		}
	}
	return true
}

// timing is what of a set-up decides on angles and on how pulses are found.
func timing(s analysis.Setup) analysis.Setup {
	s.Target, s.Tolerance, s.TargetTable = nil, nil, nil
	s.SpeedFluctuation, s.ReferenceAngleTolerance = nil, nil
	s.DelayToleranceS, s.SparkDelayToleranceS, s.ReferenceDelayToleranceS, s.ConverterSkewToleranceS = nil, nil, nil, nil
	s.Static, s.StaticTolerance = nil, nil
	s.ReferenceDelayStated = false
	s.EngineFile, s.Breaker = "", analysis.Breaker{}
	return s
}
