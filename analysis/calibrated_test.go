package analysis

import (
	"math"
	"slices"
	"testing"
)

// sameAngleDeg is what differs between two ways to the same angle: rounding of
// times of some seconds, at 6000 rpm.
const sameAngleDeg = 1e-6

// A channel that the converter delivers late by a known time measures as if it
// were not late, whichever pick-up is on it; times in the table stay as recorded.
func TestConverterSkew(t *testing.T) {
	w := world{prof: ramp(steady(1500, 1), 2, 6000, true), refAngle: 30, scatter: 0.3}
	m := w.build()
	const skewS = 30e-6
	base, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
	if err != nil {
		t.Fatal(err)
	}
	late := slices.Clone(m.trains)
	for i := range late {
		if late[i].Channel == 2 {
			late[i].Pulses = slices.Clone(late[i].Pulses)
			for k := range late[i].Pulses {
				late[i].Pulses[k].Pos += skewS * float64(late[i].Rate)
			}
		}
	}
	raw, err := Measure(record(w), late, Setup{ReferenceAngle: deg(30)})
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Abs(float64(raw.Advance.Mean - base.Advance.Mean)); d < 0.3 {
		t.Fatalf("a skew of 30 µs moved the mean by %v° only: this test proves nothing", d)
	}
	got, err := Measure(record(w), late, Setup{ReferenceAngle: deg(30), ConverterSkewS: skewS, ConverterSkewToleranceS: ptr(2e-6)})
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Abs(float64(got.Advance.Mean - base.Advance.Mean)); d > sameAngleDeg || got.Counts != base.Counts {
		t.Errorf("mean %v, without skew %v; counts %+v, %+v", got.Advance.Mean, base.Advance.Mean, got.Counts, base.Counts)
	}
	if !slices.EqualFunc(got.Firings, raw.Firings, func(a, b Firing) bool { return a.TimeS == b.TimeS }) {
		t.Error("the times of the table are no longer as recorded")
	}
	want := 6 * base.MeanRPM * 2e-6 / math.Sqrt(3)
	found := false
	for _, c := range got.Uncertainty {
		if c.Source == "skew of the converter's channels" {
			found = true
			if math.Abs(float64(c.Std)-want) > 1e-9 || c.Kind != "B" {
				t.Errorf("skew in the budget: %+v, want %v°", c, want)
			}
		}
	}
	if !found {
		t.Error("the skew's tolerance is not in the budget")
	}
}

// Each delay's tolerance acts on its own line, and the one for both wins.
func TestSeparateTolerances(t *testing.T) {
	w := world{prof: ramp(steady(1500, 1), 2, 6000, true), refAngle: 30, scatter: 0.3}
	m := w.build()
	for _, c := range []struct {
		name           string
		s              Setup
		sparkUS, refUS float64
	}{
		{"separate", Setup{SparkDelayToleranceS: ptr(3e-6), ReferenceDelayToleranceS: ptr(7e-6)}, 3, 7},
		{"one for both wins", Setup{SparkDelayToleranceS: ptr(3e-6), ReferenceDelayToleranceS: ptr(7e-6), DelayToleranceS: ptr(11e-6)}, 11, 11},
		{"one only", Setup{ReferenceDelayToleranceS: ptr(7e-6)}, 10, 7}, // a clamp's default is ±10 µs
	} {
		c.s.ReferenceAngle = deg(30)
		r, err := Measure(record(w), m.trains, c.s)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range r.Uncertainty {
			want := map[string]float64{"spark delay": c.sparkUS, "reference delay": c.refUS}[l.Source]
			if got := float64(l.Std) * math.Sqrt(3) / (6 * r.MeanRPM) * 1e6; want > 0 && math.Abs(got-want) > 1e-6 {
				t.Errorf("%s: %s ±%v µs, want ±%v", c.name, l.Source, got, want)
			}
		}
	}
	for _, s := range []Setup{{SparkDelayToleranceS: ptr(-1)}, {ReferenceDelayToleranceS: ptr(math.NaN())}, {ConverterSkewS: 0.02}, {ConverterSkewS: math.Inf(1)}, {ConverterSkewToleranceS: ptr(1)}} {
		if s.Validate() == nil {
			t.Errorf("%+v was accepted", s)
		}
	}
}
