package report

import (
	"strings"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/live"
)

// TestWordsOf: what to turn, which way and how far, and how sure that is.
func TestWordsOf(t *testing.T) {
	tol := analysis.Degrees(2)
	cam, plate, one := 0.5, 70.0, 1.0
	onCrank := analysis.Breaker{CamTurnsPerRev: &one, Rotation: "clockwise"}
	setup := analysis.Setup{Tolerance: &tol, Breaker: analysis.Breaker{CamTurnsPerRev: &cam, PlateDiameterMM: &plate}}
	base := live.Reading{HasAngle: true, State: live.Timing, N: 20, Advance: 20.1, Scatter: 0.3, RPM: 1504, HasExpanded: true, Expanded: 0.4,
		HasTarget: true, Target: 18, Deviation: 2.1, Setup: setup}
	for _, c := range []struct {
		name   string
		change func(*live.Reading)
		mode   string
		act    string
		by     string
		holds  []string // in Why and How
	}{
		{"early", func(*live.Reading) {}, "turn", "Retard: turn the plate", "1.1°", []string{"2.1° early of 18.0°", "sure to 95 %", "Turn the plate by 1.1° (0.6 mm at its rim) in the direction in which the cam turns."}},
		{"late", func(r *live.Reading) { r.Deviation = -3 }, "turn", "Advance: turn the plate", "1.5°", []string{"3.0° late", "against the direction"}},
		{"on the crankshaft", func(r *live.Reading) { r.Setup.Breaker = onCrank }, "turn", "Retard: turn clockwise", "2.1°", []string{"2.1° early", "in the direction in which the cam turns (clockwise, seen from the flywheel side)"}},
		{"on the crankshaft, late", func(r *live.Reading) { r.Setup.Breaker, r.Deviation = onCrank, -2.1 }, "turn", "Advance: turn anticlockwise", "2.1°", []string{"2.1° late"}},
		{"plate not known", func(r *live.Reading) { r.Setup.Breaker = analysis.Breaker{} }, "turn", "Retard by", "2.1°", []string{"of the crankshaft"}},
		{"not sure", func(r *live.Reading) { r.Deviation, r.Expanded = 2.1, 2.5 }, "turn", "Retard: turn the plate", "1.1°", []string{"not sure", "±2.5°"}},
		{"within", func(r *live.Reading) { r.Deviation, r.Settled = 0.5, true }, "good", "Leave it", "0.5°", []string{"within the ±2°"}},
		{"just within", func(r *live.Reading) { r.Deviation, r.Settled = 1.8, true }, "good", "Leave it", "1.8°", []string{"reaches beyond"}},
		{"the reference's delay not known", func(r *live.Reading) { r.LateBy = 4.5 }, "read", "Fires at", "20.1°", []string{"2.1° early of 18.0° if the reference has no delay; with a reed's, up to 4.5° later", "State its delay"}},
		{"late, the reference's delay not known", func(r *live.Reading) { r.Deviation, r.LateBy = -3, 4.5 }, "read", "Fires at", "20.1°", []string{"3.0° late"}},
		{"a delay that is less than the ±", func(r *live.Reading) { r.LateBy = 0.3 }, "turn", "Retard: turn the plate", "1.1°", nil},
		{"stale", func(r *live.Reading) { r.Stale, r.AgeS = true, 3.2 }, "stale", "No spark", "", []string{"None for 3 s", "old"}},
		{"no input", func(r *live.Reading) { r.Stale, r.State, r.SilentS = true, live.NoInput, 3.2 }, "stale", "No input", "", []string{"for 3 s", "old"}},
		{"no input from the start", func(r *live.Reading) { *r = live.Reading{State: live.NoInput, SilentS: 2} }, "unfit", "No input", "", []string{"for 2 s"}},
		{"no target", func(r *live.Reading) { r.HasTarget = false }, "read", "Fires at", "20.1°", []string{"Before top dead centre.", "target in the set-up"}},
		{"relative", func(r *live.Reading) { r.HasTarget, r.Relative = false, true }, "read", "Spark at", "20.1°", []string{"efore the reference event"}},
		{"nothing", func(r *live.Reading) { *r = live.Reading{} }, "listen", "Listening", "", []string{"Start the engine"}},
		{"unfit", func(r *live.Reading) { *r = live.Reading{State: live.Unfit, Why: "no reference"} }, "unfit", "No reading", "", []string{"no reference"}},
	} {
		r := base
		c.change(&r)
		w := WordsOf(r, live.Marks{})
		if w.Mode != c.mode || w.Act != c.act || w.By != c.by {
			t.Errorf("%s: %s, %s %s", c.name, w.Mode, w.Act, w.By)
		}
		for _, h := range c.holds {
			if !strings.Contains(w.Why+" "+w.How, h) {
				t.Errorf("%s: %q is not in %q %q", c.name, h, w.Why, w.How)
			}
		}
	}
	// All that stands beside the word "turn" is the plate's own; what is spoken too.
	if w := WordsOf(base, live.Marks{}); w.Speech != "Retard: turn the plate 1.1 degrees" || w.ByPlusMinus != "± 0.2°" || w.PlusMinus != "± 0.4°" || w.Way != "early" {
		t.Errorf("%q, %q of the plate, %q of the crankshaft, %q", w.Speech, w.ByPlusMinus, w.PlusMinus, w.Way)
	}
	hangs := base
	hangs.LateBy = 4.5
	if got := LiveHeadline(hangs); got != "2.1° EARLY, or up to 4.5° later with a reed: its delay is not known" || largeWords(hangs) != "20.1°" {
		t.Errorf("%q, %q", got, largeWords(hangs))
	}
	before := base
	before.Advance = 17.6
	marks := live.Marks{Before: &before}
	if w := WordsOf(base, marks); w.Marked != "Before: 17.6° at 1504 rpm; now 2.5° ± 0.2° earlier." {
		t.Errorf("marked: %q", w.Marked)
	}
	if w := WordsOf(live.Reading{}, marks); w.Marked != "Before: 17.6° at 1504 rpm." {
		t.Errorf("marked, and nothing is read now: %q", w.Marked)
	}
	after := base
	after.Advance = 15.1
	marks.After = &after
	for _, now := range []live.Reading{base, {}} { // what is read now is nothing to the two
		if w := WordsOf(now, marks); w.Marked != "Before: 17.6° at 1504 rpm; after: 15.1° at 1504 rpm: 2.5° ± 0.2° later." {
			t.Errorf("marked before and after: %q", w.Marked)
		}
	}
	before.RPM = 3000
	for _, m := range []live.Marks{marks, {Before: &before}} {
		if w := WordsOf(base, m); !strings.Contains(w.Marked, "but at ") || !strings.Contains(w.Marked, "compare at one") {
			t.Errorf("marked at another speed: %q", w.Marked)
		}
	}
}
