package tone

import (
	"math"
	"testing"
)

// Levels worked out by hand, with numbers that make it easy: ω = 10 000 /s.
func TestCircuitWorked(t *testing.T) {
	hz := 1e4 / (2 * math.Pi)
	near := func(what string, got, want float64) {
		if math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("%s: %.12g, want %.12g", what, got, want)
		}
	}
	// 3 Ω and 0.4 mH (4 Ω) are 5 Ω in size; into 1e8 Ω of input, through 1 Ω of
	// series resistor and 0.001 Ω of lead: |3.001 + 4j|/|4.001 + 4j|.
	c := Circuit{SeriesOhm: 1, LeadOhm: 0.001, ClosedOhm: 0.999, InputOhm: 1e8, CoilH: 0.4e-3, CoilOhm: 3}
	if got, want := c.OpenLevel(hz), math.Hypot(3.001, 4)/math.Hypot(4.001, 4); math.Abs(got/want-1) > 1e-6 { // the input takes 5e-8
		t.Errorf("open: %.9f, want %.9f", got, want)
	}
	// Nothing but the input: 900/(900 + 100).
	c = Circuit{SeriesOhm: 100, LeadOhm: 1, ClosedOhm: 1, InputOhm: 900}
	near("open, nothing connected", c.OpenLevel(hz), 0.9)
	// 1 + 1 beside 900 is 1800/902.
	near("closed", c.ClosedLevel(hz), 1800.0/902/(100+1800.0/902))
	// 1 µF is 100 Ω: with 40 Ω in series and no more, at 1e4 /s, 0 - 100j.
	c = Circuit{SeriesOhm: 40, LeadOhm: 0.001, ClosedOhm: 1, InputOhm: 1e8, CondenserF: 1e-6}
	if got, want := c.OpenLevel(hz), 100/math.Hypot(40.001, 100); math.Abs(got/want-1) > 2e-5 {
		t.Errorf("condenser: %.9f, want %.9f", got, want)
	}
	// 10 mH and 1 µF resonate at 1e4 /s.
	c.CoilH = 10e-3
	near("resonance", c.ResonanceHz(), hz)
}

// The choice holds what its words say, for coils from small to large.
func TestChoose(t *testing.T) {
	base := Circuit{LeadOhm: UsualLeadOhm, ClosedOhm: UsualClosedOhm, InputOhm: UsualInputOhm}
	for _, mh := range []float64{0, 0.02, 0.3, 1, 3, 10, 100} {
		for _, uf := range []float64{0, 0.2, 1} {
			c := base
			c.CoilH, c.CondenserF = mh/1e3, uf/1e6
			if mh > 0 {
				c.CoilOhm = 0.5
			}
			all, best, enough, err := Choose(c, 0.2)
			if err != nil {
				t.Fatal(err)
			}
			x := all[best]
			if enough != (x.Least >= LeastRatio) {
				t.Errorf("%g mH, %g µF: enough %v, ratio %.1f", mh, uf, enough, x.Least)
			}
			for i, y := range all {
				good := y.Least >= LeastRatio && !y.Resonant
				if good && i < best || !enough && good {
					t.Errorf("%g mH, %g µF: %g Hz taken, and %g would do", mh, uf, x.ToneHz, y.ToneHz)
				}
				for _, m := range []float64{50, 60} {
					if d := math.Abs(math.Remainder(y.ToneHz, m)); d < 25 {
						t.Errorf("%g Hz is %g Hz from a harmonic of %g", y.ToneHz, d, m)
					}
				}
			}
			// No resistor gives half as much again as the one taken, where the list
			// of them does not end.
			if x.SeriesOhm > resistors[0] && x.SeriesOhm < resistors[len(resistors)-1] {
				c.SeriesOhm = 1e5
				if most := c.Ratio(x.ToneHz); x.Ratio < most/1.6 {
					t.Errorf("%g mH, %g µF: ratio %.1f of %.1f that a large resistor gives", mh, uf, x.Ratio, most)
				}
				if x.Open < 0.25 {
					t.Errorf("%g mH, %g µF: open contacts leave %.2f", mh, uf, x.Open)
				}
			}
		}
	}
	if _, _, _, err := Choose(base, 1); err == nil {
		t.Error("a tolerance of all of it is taken")
	}
	base.CoilOhm = -1
	if _, _, _, err := Choose(base, 0); err == nil {
		t.Error("a negative resistance is taken")
	}
}
