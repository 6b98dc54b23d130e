package bench

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// Graybill and Iyer, Regression Analysis, 1994, p. 433, as the tests of the R
// package investr give it (bgreenwell/investr, inst/tinytest/test_calibrate.R):
// at which dial setting is the mean temperature 400? 66.5, with 99 % between
// 65.07 and 68.03.
func TestFiellerReactionChamber(t *testing.T) {
	var p []GapPair
	for i, temp := range []float64{206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16} {
		p = append(p, GapPair{float64(10 * i), temp})
	}
	f := fitPairs(p)
	lo, hi, _ := f.fieller(400, f.scatter, 0, distuv.StudentsT{Sigma: 1, Nu: 9}.Quantile(0.995))
	const printed = 0.005 // two decimals there, one of the estimate
	if at := f.middle + (400-f.mean)/f.slope; math.Abs(at-66.5) > 0.05 || math.Abs(lo-65.07) > printed || math.Abs(hi-68.03) > printed {
		t.Errorf("%v, %v to %v: want 66.5, 65.07 to 68.03", at, lo, hi)
	}
}

// By hand: 0.35 mm fires at 16°, 0.45 mm at 20°: 40° per mm, 18° at 0.4 mm. One
// pair is off by √(0.5² + (40·0.02)²)/√3 = 0.54467°.
func TestGapByHand(t *testing.T) {
	r, err := Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(18), LeastMM: Given(0.3), MostMM: Given(0.5)}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	gap := r.Find("gap_mm")
	u := math.Sqrt((0.25+0.64)/3/2 + 0.25/3)
	if math.Abs(gap.Value-0.4) > exact || math.Abs(r.Find("slope_deg_per_mm").Value-40) > exact || math.Abs(r.Total.Std-u) > exact {
		t.Errorf("%v mm, slope %v, u %v: want 0.4, 40, %v", gap.Value, r.Find("slope_deg_per_mm").Value, r.Total.Std, u)
	}
	if r.Find("plate_crank_deg") != nil || noted(r, "lock-screw") == nil {
		t.Errorf("inside the range: %+v", r)
	}
	// 26° would need 0.6 mm: at 0.5 mm it fires at 22°, and 4° are left, 2° of a
	// half-speed plate, π·70·2/360 = 1.2217 mm at its rim.
	r, err = Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(26), LeastMM: Given(0.3), MostMM: Given(0.5), PlateMM: Given(70), CamTurns: Given(0.5), Rotation: "clockwise"}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]float64{"gap_mm": 0.6, "gap_to_set_mm": 0.5, "plate_crank_deg": 4, "plate_deg": 2, "plate_mm": math.Pi * 70 * 2 / 360} {
		if a := r.Find(key); a == nil || math.Abs(a.Value-want) > exact {
			t.Errorf("%s: %+v, want %v", key, a, want)
		}
	}
	if !strings.Contains(r.Headline, "against the direction in which the cam turns (turn the engine forwards") || !strings.Contains(r.Headline, "to fire earlier") {
		t.Errorf("headline: %s", r.Headline)
	}
	// The other way, on the crank of an engine that turns clockwise.
	r, err = Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(10), LeastMM: Given(0.3), MostMM: Given(0.5), PlateMM: Given(70), CamTurns: Given(1), Rotation: "clockwise"}.Solve()
	if err != nil || !strings.Contains(r.Headline, "in the direction in which the cam turns, that is clockwise, seen from the flywheel side, to fire later") || math.Abs(r.Find("plate_deg").Value+4) > exact {
		t.Errorf("retarded: %v, %+v", err, r)
	}
}

// Without noise the line gives the gap back, whatever the pairs' order, and its
// interval holds it.
func TestGapRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slope := rapid.Float64Range(15, 90).Draw(t, "slope")
		at := rapid.Float64Range(5, 30).Draw(t, "timing at 0.4 mm")
		n := rapid.IntRange(2, 6).Draw(t, "n")
		var pairs, back []GapPair
		for i := range n {
			g := 0.3 + 0.2*float64(i)/float64(n-1)
			pairs = append(pairs, GapPair{g, at + slope*(g-0.4)})
			back = append([]GapPair{pairs[i]}, back...)
		}
		want := rapid.Float64Range(0.3, 0.5).Draw(t, "gap")
		g := Gap{Pairs: pairs, TargetDeg: Given(at + slope*(want-0.4)), TimingToleranceDeg: ptr(0.2), GapToleranceMM: ptr(0.002)}
		r, err := g.Solve()
		if err != nil {
			t.Fatal(err)
		}
		a := r.Find("gap_mm")
		if math.Abs(a.Value-want) > 1e-9 || !(*a.Lo < want && want < *a.Hi) {
			t.Fatalf("%v (%v to %v): want %v", a.Value, *a.Lo, *a.Hi, want)
		}
		g.Pairs = back
		r2, err := g.Solve()
		if err != nil || math.Abs(r2.Find("gap_mm").Value-a.Value) > 1e-12 {
			t.Fatalf("in another order: %v, %v", r2, err)
		}
	})
}

func TestGapNotes(t *testing.T) {
	for _, c := range []struct {
		name, code string
		g          Gap
		want       bool
	}{
		{"between the gaps", "carried-on", Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(19.9)}, false},
		{"beyond them", "carried-on", Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(20.1)}, true},
		{"rising", "falling", Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(18)}, false},
		{"falling", "falling", Gap{Pairs: []GapPair{{0.35, 20}, {0.45, 16}}, TargetDeg: Given(18)}, true},
		{"on the line", "scatter", Gap{Pairs: []GapPair{{0.3, 14}, {0.35, 16}, {0.4, 18.3}, {0.45, 20}, {0.5, 22}}, TargetDeg: Given(18)}, false},
		{"off it", "scatter", Gap{Pairs: []GapPair{{0.3, 14}, {0.35, 16}, {0.4, 21}, {0.45, 20}, {0.5, 22}}, TargetDeg: Given(18)}, true},
		{"no range", "no-range", Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(18)}, true},
		{"two", "two-pairs", Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(18)}, true},
		{"no cam", "cam", Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 20}}, TargetDeg: Given(28), MostMM: Given(0.5)}, true},
	} {
		r, err := c.g.Solve()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		} else if got := noted(r, c.code) != nil; got != c.want {
			t.Errorf("%s: note %s %v, want %v", c.name, c.code, got, c.want)
		}
	}
}

func TestGapRefuses(t *testing.T) {
	two := []GapPair{{0.35, 16}, {0.45, 20}}
	for _, c := range []struct {
		g          Gap
		code, word string
	}{
		{Gap{Pairs: two}, "missing", "target"},
		{Gap{TargetDeg: Given(18)}, "pair", "no pair"},
		{Gap{Pairs: two[:1], TargetDeg: Given(18)}, "pair", "one pair"},
		{Gap{Pairs: []GapPair{{0.35, 16}, {0.35, 20}}, TargetDeg: Given(18)}, "pair", "same gap"},
		{Gap{Pairs: []GapPair{{-0.35, 16}, {0.35, 20}}, TargetDeg: Given(18)}, "pair", "Pair 1"},
		{Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 200}}, TargetDeg: Given(18)}, "pair", "Pair 2"},
		{Gap{Pairs: []GapPair{{0.35, 16}, {math.NaN(), 20}}, TargetDeg: Given(18)}, "pair", "Pair 2"},
		{Gap{Pairs: []GapPair{{0.35, 16}, {0.45, 16}}, TargetDeg: Given(18)}, "flat", "does not change"},
		{Gap{Pairs: []GapPair{{0.40, 17.8}, {0.41, 18.2}}, TargetDeg: Given(18)}, "flat", "further apart"},
		{Gap{Pairs: []GapPair{{0.35, 16}, {0.4, 24}, {0.45, 20}}, TargetDeg: Given(18)}, "scatter", "3 pairs"},
		{Gap{Pairs: two, TargetDeg: Given(18), LeastMM: Given(0.5), MostMM: Given(0.3)}, "range", "least first"},
		{Gap{Pairs: two, TargetDeg: Given(18), CamTurns: Given(2)}, "cam", "half-speed"},
		{Gap{Pairs: two, TargetDeg: Given(18), PlateMM: Given(2)}, "plate", "2 mm"},
		{Gap{Pairs: two, TargetDeg: Given(181)}, "target", "181°"},
		{Gap{Pairs: two, TargetDeg: Given(18), GapToleranceMM: ptr(-1.0)}, "tolerance", "-1"},
	} {
		_, err := c.g.Solve()
		refusal(t, err, c.code, c.word)
	}
}

// Contacts whose gaps and timings are drawn from what is stated, and ones that
// scatter by three times as much, which the pairs themselves must show.
func TestGapCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 8))
	u := func(h float64) float64 { return h * (2*r.Float64() - 1) }
	for _, c := range []struct {
		name        string
		n           int
		target      float64 // as a gap
		zero, worse float64
	}{
		{"two pairs", 2, 0.42, zeroTolDeg, 1}, {"two pairs, carried on", 2, 0.55, zeroTolDeg, 1}, {"three", 3, 0.38, zeroTolDeg, 1}, {"six", 6, 0.4, zeroTolDeg, 1},
		{"six, the zero known", 6, 0.47, 0, 1}, {"three, mostly the zero", 3, 0.4, 4, 1}, {"eight, scatter three times what is stated", 8, 0.4, zeroTolDeg, 3},
	} {
		var got, plate covered
		refused := 0
		for range 800 {
			slope, at := 35+30*r.Float64(), 12+10*r.Float64()
			timing := func(g float64) float64 { return at + slope*(g-0.4) }
			zero := u(c.zero)
			var pairs []GapPair
			for i := range c.n {
				g := 0.3 + 0.2*float64(i)/float64(c.n-1)
				pairs = append(pairs, GapPair{g, timing(g+u(c.worse*feelerTolMM)) + zero + u(c.worse*timingTolDeg)})
			}
			res, err := Gap{Pairs: pairs, TargetDeg: Given(timing(c.target)), ZeroToleranceDeg: &c.zero, MostMM: Given(0.45)}.Solve()
			var re *RefusedError
			if errors.As(err, &re) && (re.Code == "flat" || re.Code == "scatter") {
				refused++
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			a := res.Find("gap_mm")
			miss := 2.0 // beyond the interval
			if *a.Lo <= c.target && c.target <= *a.Hi {
				miss = 0
			}
			got.add(miss, 1)
			if p := res.Find("plate_crank_deg"); p != nil {
				plate.add(math.Abs(p.Value-(timing(c.target)-timing(0.45))), *p.Expanded)
			}
		}
		// One true set in a hundred is suspected by chance, and of three pairs
		// refused then: 8 of 800, 17 with three standard deviations. Pairs that are
		// truly worse than stated may be refused.
		if refused > 17 && c.worse == 1 {
			t.Errorf("%s: %d of 800 refused", c.name, refused)
		}
		t.Logf("%s: %d refused", c.name, refused)
		got.check(t, c.name)
		if plate.n > 400 {
			plate.check(t, c.name+": the plate")
		}
	}
}

// FuzzParsePairs holds the reader of pairs to: finite numbers, or an error that
// says what is right.
func FuzzParsePairs(f *testing.F) {
	for _, s := range []string{"0.35:17.5/0.45:21", "0.35:17.5 0.45:-2", "0.35", "0,35:17", ":", "nan:1", "1e999:2", "/ /", "0.3mm:4"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		pairs, err := ParsePairs(s)
		if err != nil {
			if !strings.Contains(err.Error(), "want") {
				t.Fatalf("%q: %v says nothing of what is right", s, err)
			}
			return
		}
		if len(pairs) == 0 {
			t.Fatalf("%q: no pairs and no error", s)
		}
		for _, p := range pairs {
			if !finite(p.GapMM) || !finite(p.TimingDeg) {
				t.Fatalf("%q: %+v", s, p)
			}
		}
		// Whatever they are, there is a result or a refusal, never a panic, and
		// the result is finite.
		if r, err := (Gap{Pairs: pairs, TargetDeg: Given(18), LeastMM: Given(0.3), MostMM: Given(0.5), PlateMM: Given(70), CamTurns: Given(1)}).Solve(); err == nil {
			for _, a := range r.Answers {
				if !finite(a.Value) || a.Lo != nil && !(*a.Lo <= a.Value && a.Value <= *a.Hi) {
					t.Fatalf("%q: %+v", s, a)
				}
			}
		}
	})
}

// Pairs that go the wrong way round are doubted before anything is set by them.
func TestFallingIsDoubtedFirst(t *testing.T) {
	r, err := Gap{Pairs: []GapPair{{0.35, 20}, {0.45, 16}}, TargetDeg: Given(18)}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(r.Headline, "Check the pairs first") || !strings.Contains(r.Headline, "for 18° set the contact gap") {
		t.Errorf("headline %q: want the doubt first, then the answer", r.Headline)
	}
}
