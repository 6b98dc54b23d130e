package bench

import (
	"errors"
	"math"
	"testing"

	"sparkscope/dsp/tone"
)

// The figures of the answer are those of the circuit, and the working leads to
// them: a coil of 3 mH and 0.6 Ω at 2π·3025 Hz has √(0.6² + 57.02²) Ω.
func TestContactTone(t *testing.T) {
	r, err := ContactTone{CoilMH: Given(3), CoilOhm: Given(0.6)}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	c := tone.Circuit{SeriesOhm: r.Find("series_ohm").Value, LeadOhm: tone.UsualLeadOhm, ClosedOhm: tone.UsualClosedOhm, InputOhm: tone.UsualInputOhm, CoilH: 3e-3, CoilOhm: 0.6}
	a := r.Find("ratio")
	if got, want := a.Value, c.Ratio(r.Find("tone_hz").Value); math.Abs(got-want) > 1e-9*want {
		t.Errorf("ratio %g, the circuit's is %g", got, want)
	}
	// By hand, the input left out: |57.02j + 1.7|/|57.02j + 101.7| over 1.15/101.15.
	if want := math.Hypot(1.7, 57.02) / math.Hypot(101.7, 57.02) / (1.15 / 101.15); math.Abs(a.Value/want-1) > 0.01 {
		t.Errorf("ratio %.2f, by hand %.2f", a.Value, want)
	}
	if !(*a.Lo < a.Value && a.Value < *a.Hi) {
		t.Errorf("ratio %g, from %g to %g", a.Value, *a.Lo, *a.Hi)
	}
	if len(r.Steps) < 6 || len(r.Tables[0].Rows) < 5 || len(r.Cautions) == 0 {
		t.Errorf("%d steps, %d rows, %d cautions", len(r.Steps), len(r.Tables[0].Rows), len(r.Cautions))
	}
}

func TestContactToneRefused(t *testing.T) {
	share, v, negative := 1.0, Given(1), Given(-1)
	for name, c := range map[string]ContactTone{
		"inductance alone":       {CoilMH: v},
		"resistance alone":       {CoilOhm: v},
		"tolerance of no coil":   {ToleranceShare: &share},
		"all of it uncertain":    {CoilMH: v, CoilOhm: v, ToleranceShare: &share},
		"a negative resistance":  {CoilMH: v, CoilOhm: negative},
		"a condenser of nothing": {CondenserUF: negative},
	} {
		if r, err := c.Solve(); err == nil {
			t.Errorf("%s: %s", name, r.Headline)
		}
	}
	var no *RefusedError
	if _, err := (ContactTone{CoilMH: v}).Solve(); !errors.As(err, &no) || no.Remedy == "" {
		t.Errorf("%v: want what to do", err)
	}
}
