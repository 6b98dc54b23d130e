package analysis

import (
	"slices"
	"strings"
	"testing"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// TestStatedCylinders: with stated firing offsets each cylinder is measured
// against its own top dead centre; where the sparks do not come there, the
// offsets are not used, and the reader is told.
func TestStatedCylinders(t *testing.T) {
	// The mean of so many sparks with half a degree of scatter, and events that
	// the speed does not shift within the revolution.
	const close = 0.15
	for _, c := range []struct {
		name    string
		offsets []float64 // truth, of further cylinders
		stated  []float64
		setup   Setup
		teeth   []float64
		used    bool
		unused  string // part of what is said
		every   bool   // each fires in every second revolution
		numbers []int  // of Stated, one place after the other by Number, joined
		advance float64
	}{
		{name: "a quarter more than half a turn", offsets: []float64{225}, stated: []float64{0, 225}, used: true, numbers: []int{1, 2}},
		{name: "given as four strokes", offsets: []float64{225}, stated: []float64{0, 585}, used: true, numbers: []int{1, 2}},
		{name: "three, numbered against rotation", offsets: []float64{100, 240}, stated: []float64{0, 240, 100}, used: true, numbers: []int{1, 2, 3}},
		{name: "three, one in the second revolution", offsets: []float64{100, 240}, stated: []float64{0, 460, 240}, used: true, numbers: []int{1, 2, 3}},
		{name: "four strokes, two at each place", offsets: []float64{180}, stated: []float64{0, 540, 180, 360}, used: true, numbers: []int{1, 4, 2, 3}},
		{name: "even", offsets: []float64{180}, stated: []float64{0, 180}, used: true, numbers: []int{1, 2}},
		{name: "even, far from top dead centre", offsets: []float64{180}, stated: []float64{0, 180}, advance: 110, setup: Setup{Target: deg(110)}, used: true, numbers: []int{1, 2}},
		{name: "two magnets", offsets: []float64{150}, stated: []float64{0, 150}, teeth: []float64{0, 0.5}, setup: Setup{ReferencePulses: 2}, used: true, numbers: []int{1, 2}},
		{name: "the other way round", offsets: []float64{225}, stated: []float64{0, 135}, unused: "the sparks come up to 45° from where they say"},
		{name: "one lead clamped", stated: []float64{0, 180}, unused: "sparks come at one place of the revolution, and the offsets have 2"},
		{name: "four strokes, the second in between", every: true, offsets: []float64{540}, stated: []float64{0, 540}, unused: "in every second revolution, and the offsets have 2 places. Those of a cylinder that fires in the revolutions between are not counted here"},
		{name: "together", stated: []float64{0, 360}, unused: "all cylinders fire at one place"},
		{name: "a third that is silent", offsets: []float64{120}, stated: []float64{0, 120, 240}, unused: "sparks come at 2 places of the revolution, and the offsets have 3"},
		{name: "more than stated", offsets: []float64{180}, stated: []float64{0}, unused: "they are of one cylinder"},
		{name: "one, as stated", stated: []float64{0}},
	} {
		at := c.advance
		if at == 0 {
			at = 20
		}
		w := world{prof: steady(3000, 4), refAngle: at + 12, refKind: dsp.Contact, scatter: 0.5, seed: 31, phase0: -0.3, everySecond: c.every, offsets: c.offsets, teeth: c.teeth,
			advance: func(float64) float64 { return at }}
		s := c.setup
		s.ReferenceAngle, s.FiringOffsets = deg(w.refAngle), c.stated
		r, err := Measure(record(w), w.build().trains, s)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		told := ""
		for _, f := range r.Findings {
			if f.Code == "offsets-unused" {
				told = f.Message
			}
		}
		if (told == "") != (c.unused == "") || !strings.Contains(told, c.unused) {
			t.Errorf("%s: told %q, want … %s …", c.name, told, c.unused)
		}
		if got := hasFinding(r, "cylinders-even") || hasFinding(r, "cylinders-uneven"); got != (len(c.offsets) > 0 && !c.used && !c.every) {
			t.Errorf("%s: said that top dead centres were guessed: %t", c.name, got)
		}
		want := 0 // cylinders: none by itself where one alone is counted
		if len(c.offsets) > 0 && !c.every {
			want = len(c.offsets) + 1
		}
		if len(r.Cylinders) != want {
			t.Errorf("%s: %d cylinders, want %d", c.name, len(r.Cylinders), want)
		}
		var numbers []int
		total := 0
		for i, k := range r.Cylinders {
			total += k.N
			numbers = append(numbers, k.Stated...)
			if k.Number != i+1 || (k.Stated != nil) != c.used || !k.HasExpanded || k.Budget == nil {
				t.Errorf("%s: %+v", c.name, k)
			}
			if k.StdDev < 0.35 || k.StdDev > 0.65 { // 0.5 of some 190 sparks: ± 5 % (one sigma), and room for six
				t.Errorf("%s, cylinder %d: scatter %v, want 0.5", c.name, k.Number, k.StdDev)
			}
			if !c.used {
				continue
			}
			near(t, c.name, float64(k.Mean), at, close)
			// Its sparks come at its place, counted from those of cylinder 1.
			if want := circle.Wrap(c.stated[k.Stated[0]-1]); circle.Wrap(k.OffsetDeg-want) != 0 {
				t.Errorf("%s, cylinder %d: offset %v, want %v", c.name, k.Number, k.OffsetDeg, want)
			}
		}
		if c.used && !slices.Equal(numbers, c.numbers) {
			t.Errorf("%s: numbers %v, want %v", c.name, numbers, c.numbers)
		}
		if len(r.Cylinders) > 0 && total != r.Counts.OK {
			t.Errorf("%s: %d sparks of cylinders, %d counted", c.name, total, r.Counts.OK)
		}
		if got := hasFinding(r, "offsets-shared"); got != (c.used && len(c.numbers) > len(r.Cylinders)) {
			t.Errorf("%s: said that some share a place: %t", c.name, got)
		}
	}
}

// TestVerdictOfCylinders: each is judged by itself.
func TestVerdictOfCylinders(t *testing.T) {
	w := world{prof: steady(3000, 4), refAngle: 32, refKind: dsp.Contact, scatter: 0.3, seed: 32, phase0: -0.3, offsets: []float64{183}}
	s := Setup{ReferenceAngle: deg(32), ReferenceAngleTolerance: deg(0.2), DelayToleranceS: ptr(5e-6), SpeedFluctuation: ptr(0.0), SparksPerRev: SparksPerRev{2, 1},
		FiringOffsets: []float64{0, 180}, Target: deg(20), Tolerance: deg(1.5)}
	r, err := Measure(record(w), w.build().trains, s)
	if err != nil {
		t.Fatal(err)
	}
	// Cylinder 2 fires 3° late of its place.
	v := r.Verdict
	if len(v.Cylinders) != 2 || v.Cylinders[0].Decision != Within || v.Cylinders[1].Decision != Outside {
		t.Fatalf("%+v", v)
	}
	near(t, "cylinder 1", float64(v.Cylinders[0].Deviation), 0, 0.15)
	near(t, "cylinder 2", float64(v.Cylinders[1].Deviation), -3, 0.15)
	for _, bad := range [][]float64{{1}, {0, 720}, {0, -1}, make([]float64, 13)} {
		s.FiringOffsets = bad
		if err := s.Validate(); err == nil {
			t.Errorf("offsets %v: no error", bad)
		}
	}
}
