package bench

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// By hand: on a flywheel of 160 mm, 18° is π·160·18/360 = 25.1327 mm along the
// rim and 160·sin 9° = 25.0295 mm across; one millimetre is 360/(π·160) =
// 0.716197°. The ± of the first: 0.5 mm of the diameter over 160 mm, and half of
// 0.3 mm twice.
func TestRimByHand(t *testing.T) {
	const paper = 5e-5 // the figures above are rounded
	r, err := Rim{DiameterMM: Given(160), AngleDeg: Given(18), Rotation: "clockwise"}.Solve()
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]float64{"arc_mm": 25.1327, "chord_mm": 25.0295, "deg_per_mm": 0.716197, "line_deg": 0.3 * 0.716197, "eye_deg_per_mm": 2.0 / 300 * 0.716197} {
		if got := r.Find(key).Value; math.Abs(got-want) > paper {
			t.Errorf("%s: %v, want %v", key, got, want)
		}
	}
	if want := math.Sqrt((math.Pow(0.5*25.1327/160, 2) + 2*0.15*0.15) / 3); math.Abs(r.Total.Std-want) > paper {
		t.Errorf("u %v mm, want %v", r.Total.Std, want)
	}
	if n := noted(r, "which-way"); n == nil || !strings.Contains(n.Message, "under the pointer, and measure in the running direction, clockwise") {
		t.Errorf("which way: %+v", n)
	}
	r, err = Rim{DiameterMM: Given(160), AngleDeg: Given(-18), Rotation: "clockwise"}.Solve()
	if err != nil || !strings.Contains(noted(r, "which-way").Message, "under the pointer, and measure against the running direction, anticlockwise") {
		t.Errorf("after top dead centre: %v, %+v", err, noted(r, "which-way"))
	}
}

func TestRimRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dia := rapid.Float64Range(10, 3000).Draw(t, "diameter")
		a := rapid.Float64Range(0.01, 149).Draw(t, "angle")
		there, err := Rim{DiameterMM: Given(dia), AngleDeg: Given(a)}.Solve()
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range []Rim{{DiameterMM: Given(dia), ArcMM: Given(there.Find("arc_mm").Value)}, {DiameterMM: Given(dia), ChordMM: Given(there.Find("chord_mm").Value)}} {
			back, err := m.Solve()
			if err != nil || math.Abs(back.Find("angle_deg").Value-a) > exact {
				t.Fatalf("%v mm, %v°: back %+v, %v", dia, a, back, err)
			}
		}
		if there.Find("chord_mm").Value > there.Find("arc_mm").Value {
			t.Fatalf("%v mm, %v°: across is longer than along", dia, a)
		}
	})
}

func TestRimRefuses(t *testing.T) {
	d := Given(160)
	for _, c := range []struct {
		m          Rim
		code, word string
	}{
		{Rim{AngleDeg: Given(18)}, "missing", "diameter is not known"},
		{Rim{DiameterMM: d}, "missing", "Want one"},
		{Rim{DiameterMM: d, AngleDeg: Given(18), ArcMM: Given(2)}, "missing", "Want one"},
		{Rim{DiameterMM: Given(5), AngleDeg: Given(18)}, "diameter", "5 mm"},
		{Rim{DiameterMM: Given(math.Inf(1)), AngleDeg: Given(18)}, "number", "diameter"},
		{Rim{DiameterMM: d, AngleDeg: Given(181)}, "angle", "181°"},
		{Rim{DiameterMM: d, ArcMM: Given(300)}, "distance", "half a turn"},
		{Rim{DiameterMM: d, ChordMM: Given(161)}, "distance", "does not fit"},
		{Rim{DiameterMM: d, ChordMM: Given(159.9)}, "distance", "tape"},
		{Rim{DiameterMM: d, AngleDeg: Given(18), LineMM: Given(-1)}, "number", "line"},
		{Rim{DiameterMM: d, AngleDeg: Given(18), EyeMM: Given(1)}, "eye", "10 mm"},
	} {
		_, err := c.m.Solve()
		refusal(t, err, c.code, c.word)
	}
}

// Marks whose diameter, lines and distance are drawn from what is stated.
func TestRimCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 2))
	u := func(h float64) float64 { return h * (2*r.Float64() - 1) }
	for _, way := range []string{"angle to distance", "along the rim", "straight across"} {
		var got covered
		for range 800 {
			dia := 80 + 200*r.Float64()
			truth := dia + u(diameterTolMM)
			a := 5 + 60*r.Float64()
			lines := u(lineDefaultMM/2) + u(lineDefaultMM/2)
			m := Rim{DiameterMM: Given(dia)}
			key, want := "angle_deg", a
			switch way {
			case "angle to distance":
				m.AngleDeg = Given(a)
				// What would have been right, as the lines fall.
				key, want = "arc_mm", math.Pi*truth*a/360+lines
			case "along the rim":
				m.ArcMM = Given(math.Pi*truth*a/360 + lines + u(measuredTolMM))
			default:
				m.ChordMM = Given(truth*math.Sin(a/2*math.Pi/180) + lines*math.Cos(a/2*math.Pi/180) + u(chordTolMM))
			}
			res, err := m.Solve()
			if err != nil {
				t.Fatal(err)
			}
			x := res.Find(key)
			got.add(math.Abs(x.Value-want), *x.Expanded)
		}
		got.check(t, way)
	}
}
