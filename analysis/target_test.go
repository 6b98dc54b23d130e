package analysis

import (
	"math"
	"strings"
	"testing"

	"sparkscope/dsp"
)

// risingTable is a target by speed that the curve of risingAdvance follows.
var risingTable = []TargetRow{{2000, 10}, {3500, 24}}

func risingAdvance(rpm float64) float64 {
	return 10 + 14*math.Min(1, math.Max(0, (rpm-2000)/1500))
}

func TestTargetAt(t *testing.T) {
	table := Setup{TargetTable: []TargetRow{{1500, 10}, {4000, 22.5}, {5000, 20}}}
	for _, c := range []struct {
		name string
		s    Setup
		rpm  float64
		want Degrees
		not  bool
	}{
		{"none", Setup{}, 3000, 0, true},
		{"one angle", Setup{Target: deg(-3)}, 3000, -3, false},
		{"held below", table, 10, 10, false},
		{"first row", table, 1500, 10, false},
		{"half-way", table, 2750, 16.25, false}, // (10 + 22.5)/2
		{"a row", table, 4000, 22.5, false},
		{"falling", table, 4400, 21.5, false}, // 22.5 - 0.4·2.5
		{"last row", table, 5000, 20, false},
		{"held above", table, 12000, 20, false},
	} {
		got, ok := c.s.TargetAt(c.rpm)
		if ok == c.not || math.Abs(float64(got-c.want)) > 1e-12 || c.s.HasTarget() == c.not {
			t.Errorf("%s, %g rpm: %v, %t: want %v", c.name, c.rpm, got, ok, c.want)
		}
	}
}

func TestTargetRefusals(t *testing.T) {
	ok := Setup{ReferenceAngle: deg(30), ReferencePulses: 1, TargetTable: risingTable, Tolerance: deg(2)}
	if err := ok.Validate(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		want string
		edit func(*Setup)
	}{
		{"a table of targets needs the reference angle", func(s *Setup) { s.ReferenceAngle = nil }},
		{"a target of 3 degrees and a table of targets: want one of them", func(s *Setup) { s.Target = deg(3) }},
		{"row 2 of the target table, 2000 rpm after 2000: want rising speeds", func(s *Setup) { s.TargetTable = []TargetRow{{2000, 1}, {2000, 2}} }},
		{"row 1 of the target table, 0 rpm and 1 degrees: want a speed above 0", func(s *Setup) { s.TargetTable = []TargetRow{{0, 1}} }},
		{"row 1 of the target table, NaN rpm", func(s *Setup) { s.TargetTable = []TargetRow{{math.NaN(), 1}} }},
		{"row 1 of the target table, 5 rpm and -180 degrees", func(s *Setup) { s.TargetTable = []TargetRow{{5, -180}} }},
		{"a tolerance of ±2 degrees needs a target", func(s *Setup) { s.TargetTable = nil }},
	} {
		s := ok
		c.edit(&s)
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: want … %s …", err, c.want)
		}
	}
}

// TestVerdictByTable: every deviation is that of the sparks from the table at
// their own speeds, by range and overall; the decision is the probability's;
// and where the mean hides ranges that are outside, the reader is told.
func TestVerdictByTable(t *testing.T) {
	// What stands in the way of a closer agreement: the sums are taken about
	// different centres, in double precision.
	const rounding = 1e-9
	for _, c := range []struct {
		name    string
		table   []TargetRow
		overall string
		said    bool // that ranges are outside
	}{
		{"followed", risingTable, Within, false},
		{"a table that falls at the top", []TargetRow{{2000, 10}, {3500, 24}, {5000, 24}, {5600, 19}}, "", true},
		{"early at idle, late at the top: the mean hides it", []TargetRow{{2000, 10 - 4}, {3500, 24 + 4}}, Within, true},
		{"off everywhere", []TargetRow{{2000, 0}, {3500, 14}}, Outside, false},
	} {
		w := world{prof: pull(), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 5, advance: risingAdvance}
		s := Setup{ReferenceAngle: deg(30), ReferenceAngleTolerance: deg(0.2), DelayToleranceS: ptr(5e-6), TargetTable: c.table, Tolerance: deg(2)}
		if c.name == "early at idle, late at the top: the mean hides it" {
			// As many sparks early as late: the target is moved until the mean fits.
			r := measureWorld(t, w, s)
			by := r.Advance.Mean - *r.Advance.Target
			s.TargetTable = []TargetRow{{2000, c.table[0].Angle + by}, {3500, c.table[1].Angle + by}}
		}
		r := measureWorld(t, w, s)
		v := r.Verdict
		if v == nil || !v.ByTable || len(v.Bins) != len(r.Bins) {
			t.Fatalf("%s: verdict %+v", c.name, v)
		}
		if c.overall != "" && v.Decision != c.overall || v.Decision != decide(v.Probability) {
			t.Errorf("%s: %s (%.3f), want %q", c.name, v.Decision, v.Probability, c.overall)
		}
		if got := hasFinding(r, "outside-by-speed"); got != c.said {
			t.Errorf("%s: said that ranges are outside: %t, want %t", c.name, got, c.said)
		}
		sum, n, outside := 0.0, 0, 0
		bins := make([]struct{ off, target, n float64 }, len(r.Bins))
		for _, f := range r.Firings {
			if f.Status != OK {
				continue
			}
			at, _ := s.TargetAt(f.RPM)
			sum += float64(f.Advance - at)
			n++
			for i, b := range r.Bins {
				if f.RPM >= b.FromRPM && f.RPM < b.ToRPM {
					bins[i].off += float64(f.Advance - at)
					bins[i].target += float64(at)
					bins[i].n++
				}
			}
		}
		if got, want := float64(v.Deviation), sum/float64(n); math.Abs(got-want) > rounding {
			t.Errorf("%s: deviation %.9f, want %.9f", c.name, got, want)
		}
		if math.Abs(float64(r.Advance.Mean-v.Target-v.Deviation)) > rounding {
			t.Errorf("%s: mean %v less target %v is not the deviation %v", c.name, r.Advance.Mean, v.Target, v.Deviation)
		}
		for i, b := range v.Bins {
			k := bins[i]
			if k.n != float64(r.Bins[i].N) || math.Abs(float64(b.Deviation)-k.off/k.n) > rounding || math.Abs(float64(b.Target)-k.target/k.n) > rounding || *r.Bins[i].Target != b.Target {
				t.Errorf("%s, range %d: %d sparks, deviation %v, target %v: want %v", c.name, i, r.Bins[i].N, b.Deviation, b.Target, k)
			}
			if r.Bins[i].Budget != nil && b.Decision != decide(b.Probability) {
				t.Errorf("%s, range %d: %s with %.3f", c.name, i, b.Decision, b.Probability)
			}
			if b.Decision == Outside {
				outside++
			}
		}
		if c.said && outside == 0 {
			t.Errorf("%s: no range is outside", c.name)
		}
	}
}

// TestOneTargetAsGiven: with one angle it stands in every range to the last
// digit.
func TestOneTargetAsGiven(t *testing.T) {
	w := world{prof: pull(), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 5}
	r := measureWorld(t, w, Setup{ReferenceAngle: deg(30), Target: deg(17.3), Tolerance: deg(2)})
	if r.Verdict.ByTable || r.Verdict.Target != 17.3 || *r.Advance.Target != 17.3 {
		t.Errorf("%+v", r.Verdict)
	}
	for i, b := range r.Bins {
		if *b.Target != 17.3 || r.Verdict.Bins[i].Target != 17.3 {
			t.Errorf("range %d: %v", i, *b.Target)
		}
	}
	if hasFinding(r, "outside-by-speed") {
		t.Error("ranges of a single target are no matter of its table")
	}
	none := measureWorld(t, w, Setup{ReferenceAngle: deg(30)})
	if none.Advance.Target != nil || none.Bins[0].Target != nil {
		t.Error("a target that nobody gave")
	}
}

// TestOpenChoicesLeanToTheTable: equal pulses leave the angle open by a part of
// a turn; the answer nearest the table's middle is taken.
func TestOpenChoicesLeanToTheTable(t *testing.T) {
	w := world{prof: pull(), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 7, advance: risingAdvance, teeth: []float64{0, 0.5}}
	s := Setup{ReferenceAngle: deg(30), ReferencePulses: 2, TargetTable: []TargetRow{{2000, -170}, {3500, -156}}, Tolerance: deg(2)}
	r := measureWorld(t, w, s)
	if m := float64(r.Advance.Mean); m > -150 {
		t.Errorf("mean %v: want the answer half a turn away, near the table", m)
	}
	if !hasFinding(r, "equal-pulses") {
		t.Error("nobody was told")
	}
}
