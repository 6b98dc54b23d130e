package report

import (
	"fmt"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/live"
)

// LiveWords is a reading in words and rounded figures, for a page that is read
// from two metres away with both hands busy. Empty: nothing to say.
type LiveWords struct {
	// Mode is what the page is doing in one word: "listen", "unfit", "turn",
	// "good", "read" (no target to hold against) or "stale".
	Mode string `json:"mode"`
	// Way is "early" or "late" where something is to be turned, else empty.
	Way string `json:"way"`
	// Act is what to do, in a few words: "Retard: turn clockwise", "Leave it".
	Act string `json:"act"`
	// By and ByPlusMinus are how far: "2.1°", "± 0.4°". Where the act speaks of
	// turning they are degrees of the plate, else of the crankshaft.
	By          string `json:"by"`
	ByPlusMinus string `json:"by_plus_minus"`
	Why         string `json:"why"`   // one sentence: where it fires, where it should, how sure that is
	How         string `json:"how"`   // one sentence: how to turn the plate
	Speech      string `json:"speak"` // to be spoken
	Angle       string `json:"angle"`
	PlusMinus   string `json:"plus_minus"` // of the angle: "± 0.4°"
	AngleOf     string `json:"angle_of"`   // "before top dead centre, mean of 20 sparks"
	Scatter     string `json:"scatter"`
	RPM         string `json:"rpm"`
	Target      string `json:"target"`
	Counts      string `json:"counts"`
	Marked      string `json:"marked"` // one sentence: the marked readings, and the difference
}

// WordsOf puts a reading into words; marks are readings to compare.
func WordsOf(r live.Reading, marks live.Marks) LiveWords {
	w := LiveWords{Mode: "listen", Act: "Listening", Why: "Start the engine; the clamp on the spark lead, the pick-up at its magnet."}
	w.Counts = fmt.Sprintf("%s, %d missed, %d repeated", count(r.Counts.Sparks, "spark"), r.Counts.Missed, r.Counts.Repeated)
	w.Marked = markedWords(r, marks)
	if r.Breaks > 0 {
		w.Counts += fmt.Sprintf(", samples lost %s (last at %s)", times(r.Breaks), Clock(r.LastBreakS))
	}
	const noInput = "Nothing has come from the input for %s s: was it unplugged, or was the machine asleep?"
	if !r.HasAngle {
		if r.State == live.NoInput {
			w.Mode, w.Act, w.Why = "unfit", "No input", fmt.Sprintf(noInput, number(r.SilentS, 0))
		}
		if r.State == live.Unfit {
			w.Mode, w.Act, w.Why = "unfit", "No reading", oneLine(r.Why)
		}
		return w
	}
	w.Angle, w.RPM = degrees(math.Abs(float64(r.Advance)), 1), number(r.RPM, 0)
	where := direction(r.Advance, 1, r.Relative)
	w.AngleOf = strings.TrimSpace(strings.TrimPrefix(where, w.Angle))
	if r.N > 1 {
		w.Scatter = degrees(float64(r.Scatter), 1)
	}
	if r.HasTarget {
		w.Target = degrees(float64(r.Target), 1)
	}
	if r.HasExpanded {
		w.PlusMinus = "± " + degrees(float64(r.Expanded), 1)
		w.ByPlusMinus = w.PlusMinus
	}

	if r.Stale {
		w.Mode, w.Act, w.By, w.PlusMinus = "stale", "No spark", "", ""
		w.ByPlusMinus = ""
		w.Why = fmt.Sprintf("None for %s s. The figures below are old: the last reading was %s at %s rpm.", number(r.AgeS, 0), where, w.RPM)
		w.Speech = "No spark"
		if r.State == live.NoInput {
			w.Act, w.Speech = "No input", "No input"
			w.Why = fmt.Sprintf(noInput+" The figures below are old: the last reading was %s at %s rpm.", number(r.SilentS, 0), where, w.RPM)
		}
		return w
	}
	switch {
	case r.Relative:
		w.Mode, w.Act, w.By = "read", "Spark at", w.Angle
		w.Why = sentence(w.AngleOf + ". Give the reference's angle and a target in the set-up to be told what to turn")
		w.Speech = spoken(r.Advance, 1)
		return w
	case !r.HasTarget:
		w.Mode, w.Act, w.By = "read", "Fires at", w.Angle
		w.Why = sentence(w.AngleOf + ". Give a target in the set-up to be told what to turn")
		w.Speech = spoken(r.Advance, 1)
		return w
	}
	if r.Hangs() {
		way := "early"
		if r.Deviation < 0 {
			way = "late"
		}
		w.Mode, w.Act, w.By = "read", "Fires at", w.Angle
		w.Why = fmt.Sprintf("That is %s %s of %s if the reference has no delay; with a reed's, up to %s later. State its delay in the set-up to be told what to turn, 0 of an optical or Hall pick-up.",
			degrees(math.Abs(float64(r.Deviation)), 1), way, w.Target, degrees(float64(r.LateBy), 1))
		w.Speech = spoken(r.Advance, 1)
		return w
	}
	d := float64(r.Deviation)
	size := degrees(math.Abs(d), 1)
	u, known := float64(r.Expanded), r.HasExpanded
	sure, late := !known || math.Abs(d) > u, "early"
	w.Act = "Retard"
	if d < 0 {
		w.Act, late = "Advance", "late"
	}
	w.Mode, w.By, w.Way = "turn", size, late
	w.Speech = fmt.Sprintf("%s %s", w.Act, spoken(analysis.Degrees(math.Abs(d)), 1))
	w.How = sentence(r.Setup.Breaker.Turn(analysis.Degrees(-d)))
	if by, side, ok := r.Setup.Breaker.Plate(analysis.Degrees(-d)); ok {
		if side == "" {
			side = "the plate"
		}
		w.Speech = fmt.Sprintf("%s: turn %s %s", w.Act, side, spoken(by, 1))
		w.Act += ": turn " + side
		w.By = degrees(float64(by), 1)
		if known {
			w.ByPlusMinus = "± " + degrees(u*float64(by)/math.Abs(d), 1)
		}
	} else {
		w.Act += " by"
	}
	w.Why = fmt.Sprintf("It fires %s %s of %s", size, late, w.Target)
	switch {
	case known && sure:
		w.Why += ", and that is sure to 95 %"
	case known:
		w.Why += fmt.Sprintf("; which way is not sure, since ±%s is more than that", degrees(u, 1))
	}
	if r.Settled {
		tol := float64(*r.Setup.Tolerance)
		w.Mode, w.Act, w.Way, w.Speech = "good", "Leave it", "", "On target"
		w.By, w.ByPlusMinus = size, w.PlusMinus
		w.Why += fmt.Sprintf(": within the ±%s", degrees(tol, plainDecimals(tol)))
		if known && math.Abs(d)+u > tol {
			w.Why += fmt.Sprintf(", though ±%s reaches beyond", degrees(u, 1))
		}
	} else if size == degrees(0, 1) {
		w.Mode, w.Act, w.Way, w.How, w.Speech = "good", "Leave it", "", "", "On target"
		w.By, w.ByPlusMinus = size, w.PlusMinus
		w.Why = "It fires on " + w.Target
	}
	w.Why += "."
	return w
}

// markedWords sets a marked reading beside the one that was marked after it, or,
// until there is one, beside what is read now.
func markedWords(r live.Reading, m live.Marks) string {
	if m.Before == nil {
		return ""
	}
	before := *m.Before
	s := fmt.Sprintf("Before: %s at %s rpm", degrees(float64(before.Advance), 1), number(before.RPM, 0))
	word, later := "now", r
	if m.After != nil {
		word, later = "after", *m.After
		s += fmt.Sprintf("; after: %s at %s rpm", degrees(float64(later.Advance), 1), number(later.RPM, 0))
	}
	d, u, ok := live.Difference(before, later)
	if !ok {
		return s + "."
	}
	way := "earlier"
	if d < 0 {
		way = "later"
	}
	size := degrees(math.Abs(float64(d)), 1)
	if m.After == nil {
		s += "; " + word + " "
	} else {
		s += ": "
	}
	s += fmt.Sprintf("%s ± %s %s", size, degrees(math.Max(0.1, float64(u)), 1), way)
	switch {
	case size == degrees(0, 1):
		s = strings.TrimSuffix(s, " "+way)
	case math.Abs(float64(d)) <= float64(u):
		s += " (no more than the scatter)"
	}
	if rpm := math.Abs(later.RPM - before.RPM); rpm > 100 && rpm > 0.05*before.RPM {
		if m.After == nil {
			s += fmt.Sprintf("; but at %s rpm: compare at one speed", number(later.RPM, 0))
		} else {
			s += "; but at another speed: compare at one"
		}
	}
	return s + "."
}

// times is how often: "once", "3 times".
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// sentence makes a clause into a sentence.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// spoken is an angle as one says it.
func spoken(a analysis.Degrees, decimals int) string {
	s := number(math.Abs(float64(a)), decimals) + " degrees"
	if a < 0 {
		s += " after"
	}
	return s
}
