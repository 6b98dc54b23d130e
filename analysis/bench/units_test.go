package bench

import (
	"math"
	"testing"
)

// TestUnits: an arc as long as the radius is one radian, and a degree is π/180
// of that (SI Brochure, 9th edition, tables 4 and 8); an inch is 25.4 mm exactly
// (SI Brochure, 8th edition, table 8, note; from memory).
func TestUnits(t *testing.T) {
	const radian, inch = 57.29577951308232, 25.4 // degrees, mm
	for _, c := range []struct {
		diameter, arc, want float64
	}{{160, 80, radian}, {2 * inch, inch, radian}, {360 / math.Pi, 1, 1}, {100, 100 * math.Pi / 4, 90}} {
		r, err := Rim{DiameterMM: Given(c.diameter), ArcMM: Given(c.arc)}.Solve()
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Find("angle_deg").Value; math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%g mm along a rim of %g mm: %.10f°, want %.10f°", c.arc, c.diameter, got, c.want)
		}
	}
}
