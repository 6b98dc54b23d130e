package bench

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// There and back gives the angle again, on both sides of the top, through an
// inclined gauge too.
func TestDropRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := engine(t)
		a := rapid.Float64Range(1, 120).Draw(t, "angle")
		after := rapid.Bool().Draw(t, "after")
		incline := rapid.Float64Range(0, 60).Draw(t, "incline")
		if after {
			a = -a
		}
		d := Drop{StrokeMM: Given(c.StrokeMM), RodMM: Given(c.RodMM), OffsetMM: Given(c.OffsetMM), InclineDeg: Given(incline)}
		d.AngleDeg = Given(a)
		there, err := d.Solve()
		if err != nil {
			t.Fatal(err)
		}
		d.AngleDeg, d.After = nil, after
		d.DropMM = Given(there.Find("drop_mm").Value)
		back, err := d.Solve()
		if err != nil {
			t.Fatal(err)
		}
		d.DropMM, d.GaugeMM = nil, Given(there.Find("drop_mm").Value/math.Cos(incline*math.Pi/180))
		gauge, err := d.Solve()
		if err != nil {
			t.Fatal(err)
		}
		const digits = 1e-6 // degrees: see TestSliderRoundTrip
		for _, r := range []*Result{back, gauge} {
			if got := r.Find("angle_deg"); math.Abs(got.Value-a) > digits || !(*got.Lo <= got.Value && got.Value <= *got.Hi) {
				t.Fatalf("%+v, %v°: back %v (%v to %v)", c, a, got.Value, *got.Lo, *got.Hi)
			}
		}
		if s := there.Find("set_deg"); !(*s.Lo < a && a < *s.Hi) {
			t.Fatalf("%+v, %v°: set %v to %v", c, a, *s.Lo, *s.Hi)
		}
	})
}

// By hand, stroke 50, rod 100: at 18° the drop is 1.5224 mm (TestDropElsewhere),
// the shortcut 25·(1 - cos 18°) = 1.22359 mm; from 1.5224446 mm it makes
// arccos(1 - 1.5224446/25) = 20.0987°. 0.01 mm is 0.01/0.16698°.
func TestDropByHand(t *testing.T) {
	const paper = 5e-4 // the figures above are rounded
	r, err := Drop{StrokeMM: Given(50), RodMM: Given(100), AngleDeg: Given(18)}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if v := r.Find("without_rod_mm").Value; math.Abs(v-1.22359) > paper {
		t.Errorf("the shortcut: %v mm", v)
	}
	if v := r.Find("deg_per_hundredth").Value; math.Abs(v-0.01/0.16698) > paper {
		t.Errorf("0.01 mm: %v°", v)
	}
	r, err = Drop{StrokeMM: Given(50), RodMM: Given(100), DropMM: Given(1.52244461801272)}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if a, off := r.Find("angle_deg").Value, r.Find("without_rod_error_deg").Value; math.Abs(a-18) > 1e-9 || math.Abs(off-2.0987) > paper {
		t.Errorf("%v°, shortcut off by %v: want 18, 2.0987", a, off)
	}
	// One rectangle alone: ± is 0.95 of its half-width.
	none := ptr(0.0)
	alone, err := Drop{StrokeMM: &Quantity{Value: 50, Tolerance: none}, RodMM: &Quantity{Value: 100, Tolerance: none}, AngleDeg: &Quantity{Value: 18, Tolerance: ptr(0.5)}}.Solve()
	if err != nil || math.Abs(alone.Total.Expanded-0.475) > paper {
		t.Errorf("one rectangle: ±%v, %v: want 0.475", alone.Total.Expanded, err)
	}
	// ±0.01 mm twice, stroke ±0.05·∂s/∂stroke and rod ±0.5·∂s/∂rod by hand: with
	// x = r·sin a and w = √(l² - x²), ∂s/∂r = 1 - cos a + x·sin a/w, half of it for the
	// stroke; ∂s/∂l = 1 - l/w.
	x := 25 * math.Sin(math.Pi/10)
	w := math.Sqrt(1e4 - x*x)
	ds, dl := (1-math.Cos(math.Pi/10)+x*math.Sin(math.Pi/10)/w)/2, 1-100/w
	want := math.Sqrt((2*1e-4 + math.Pow(0.05*ds, 2) + math.Pow(0.5*dl, 2)) / 3)
	wanted, err := Drop{StrokeMM: Given(50), RodMM: Given(100), AngleDeg: Given(18)}.Solve()
	if err != nil || math.Abs(r.Total.Std-want) > 1e-9 || math.Abs(wanted.Total.Std-want) > 1e-9 {
		t.Errorf("u %v mm, %v mm, %v: want %v", r.Total.Std, wanted.Total.Std, err, want)
	}
}

// What stands beside an angle: 0.01 mm of an inclined gauge is less of the
// piston's way; with an offset the same drop lies elsewhere after the top; and a
// drop within its own ± may be the top.
func TestDropBeside(t *testing.T) {
	solve := func(d Drop) *Result {
		d.StrokeMM, d.RodMM = Given(50), Given(100)
		r, err := d.Solve()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	straight, inclined := solve(Drop{AngleDeg: Given(20)}), solve(Drop{AngleDeg: Given(20), InclineDeg: Given(60)})
	if a, b := straight.Find("deg_per_hundredth").Value, inclined.Find("deg_per_hundredth").Value; math.Abs(b-a/2) > exact {
		t.Errorf("0.01 mm: %v° straight, %v° at 60°: want half", a, b)
	}
	if a, b := straight.Find("drop_mm").Value, inclined.Find("gauge_mm").Value; math.Abs(b-2*a) > exact {
		t.Errorf("a gauge at 60° shows %v mm of %v: want twice", b, a)
	}
	// From TestDropElsewhere: offset 1.5 mm, 25° after the top.
	const drop = 2.89853531157388
	down, up := solve(Drop{OffsetMM: Given(1.5), DropMM: Given(drop), After: true}), solve(Drop{OffsetMM: Given(1.5), DropMM: Given(drop)})
	if a, b := down.Find("angle_deg").Value, up.Find("other_side_deg").Value; math.Abs(a+25) > exact || math.Abs(b+25) > exact {
		t.Errorf("%v, other side %v: want -25", a, b)
	}
	if a, b := up.Find("angle_deg").Value, down.Find("other_side_deg").Value; a <= 0 || a == 25 || math.Abs(a-b) > exact {
		t.Errorf("%v, other side %v: want the same", a, b)
	}
	if noted(solve(Drop{DropMM: Given(0.01)}), "at-the-top") == nil || noted(solve(Drop{DropMM: Given(0.02)}), "at-the-top") != nil {
		t.Error("0.01 mm may be the top, 0.02 mm is not")
	}
}

func TestDropRefuses(t *testing.T) {
	s, l := Given(50), Given(100)
	for _, c := range []struct {
		d          Drop
		code, word string
	}{
		{Drop{RodMM: l, AngleDeg: Given(18)}, "missing", "needs the stroke"},
		{Drop{StrokeMM: s, RodMM: l}, "missing", "Want one"},
		{Drop{StrokeMM: s, RodMM: l, AngleDeg: Given(18), DropMM: Given(1)}, "missing", "Want one"},
		{Drop{StrokeMM: s, RodMM: Given(20), AngleDeg: Given(18)}, "rod", "cannot go round"},
		{Drop{StrokeMM: s, RodMM: Given(26), OffsetMM: Given(-2), AngleDeg: Given(18)}, "rod", "offset"},
		{Drop{StrokeMM: Given(0), RodMM: l, AngleDeg: Given(18)}, "stroke", "0 mm"},
		{Drop{StrokeMM: s, RodMM: l, AngleDeg: Given(175)}, "angle", "bottom"},
		{Drop{StrokeMM: s, RodMM: l, AngleDeg: Given(math.NaN())}, "number", "angle"},
		{Drop{StrokeMM: s, RodMM: l, DropMM: Given(51)}, "drop", "never 51 mm"},
		{Drop{StrokeMM: s, RodMM: l, DropMM: Given(-1)}, "drop", "never -1 mm"},
		{Drop{StrokeMM: s, RodMM: l, DropMM: Given(49.99)}, "drop", "bottom"},
		{Drop{StrokeMM: s, RodMM: l, GaugeMM: Given(1), InclineDeg: Given(80)}, "incline", "80°"},
		{Drop{StrokeMM: &Quantity{Value: 50, Tolerance: ptr(-1.0)}, RodMM: l, DropMM: Given(1)}, "tolerance", "stroke"},
	} {
		_, err := c.d.Solve()
		refusal(t, err, c.code, c.word)
	}
}

// Benches with everything drawn from what is stated: lengths, offset,
// inclination, angle or gauge, and the gauge's zero. Near the top too, where the
// curve is not straight.
func TestDropCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 3))
	u := func(h float64) float64 { return h * (2*r.Float64() - 1) }
	const angleTol = 0.5
	for _, c := range []struct {
		name    string
		lo, hi  float64
		offset  float64
		incline float64
		way     string // "wanted", "measured": angle to drop; "back": from the gauge to the angle
	}{
		{"angle wanted", 15, 40, 0, 0, "wanted"},
		{"angle wanted, near the top", 1, 5, 0, 0, "wanted"},
		{"angle wanted, offset, inclined", 15, 40, 1.5, 25, "wanted"},
		{"angle measured", 15, 40, 0, 0, "measured"},
		{"angle measured, near the top", 0, 3, 0, 0, "measured"},
		{"angle measured, offset, inclined", 15, 40, 1.5, 25, "measured"},
		{"drop to angle", 15, 40, 0, 0, "back"},
		{"drop to angle, near the top", 1, 5, 0, 0, "back"},
		{"drop to angle, offset, inclined", 15, 40, -2, 25, "back"},
		{"drop to angle, far", 60, 110, 1, 0, "back"},
	} {
		all := map[string]*covered{}
		for range 600 {
			stroke, rod := 40+30*r.Float64(), 85+30*r.Float64()
			truth := Slider{stroke + u(strokeTolMM), rod + u(rodTolMM), c.offset}
			d := Drop{StrokeMM: Given(stroke), RodMM: Given(rod)}
			incline := 0.0
			if c.offset != 0 {
				truth.OffsetMM += u(offsetTolMM)
				d.OffsetMM = Given(c.offset)
			}
			if c.incline != 0 {
				incline = c.incline + u(inclineTolDeg)
				d.InclineDeg = Given(c.incline)
			}
			cos := math.Cos(incline * math.Pi / 180)
			angle, gauge := c.lo+(c.hi-c.lo)*r.Float64(), u(gaugeTolMM)+u(gaugeTolMM)
			right := map[string]float64{}
			switch c.way {
			case "back":
				d.GaugeMM = Given(math.Max(0, truth.Drop(angle)/cos+gauge))
				right["angle_deg"] = angle
			case "wanted":
				d.AngleDeg = Given(angle)
			default:
				d.AngleDeg = &Quantity{Value: angle, Tolerance: ptr(angleTol)}
				angle += u(angleTol)
				right["drop_mm"] = truth.Drop(angle)
				if c.incline != 0 {
					right["gauge_mm"] = truth.Drop(angle) / cos
				}
			}
			res, err := d.Solve()
			if err != nil {
				t.Fatal(err)
			}
			if c.way == "wanted" {
				// The gauge as it would read there, and where the crank stands when it
				// is set to the figure.
				shown := res.Find("gauge_mm")
				if c.incline != 0 {
					right["gauge_mm"] = truth.Drop(angle)/cos + gauge
				} else {
					shown = res.Find("drop_mm")
					right["drop_mm"] = truth.Drop(angle) + gauge
				}
				right["set_deg"], _ = truth.Before(math.Max(0, (shown.Value-gauge)*cos))
			}
			for key, v := range right {
				a, miss := res.Find(key), 2.0 // beyond the interval
				if *a.Lo <= v && v <= *a.Hi {
					miss = 0
				}
				if all[key] == nil {
					all[key] = &covered{}
				}
				all[key].add(miss, 1)
			}
		}
		for _, key := range slices.Sorted(maps.Keys(all)) {
			all[key].check(t, c.name+": "+key)
		}
	}
}
