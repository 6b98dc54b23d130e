package bench

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Drops found by solving the constraint itself (crank pin and piston pin a rod
// apart, the piston pin on the bore) by bisection in Python's decimal arithmetic
// with 60 digits, top dead centre by searching the highest place: no formula of
// ours in it. scipy.optimize.brentq gives the same to 4e-9 mm.
func TestDropElsewhere(t *testing.T) {
	const rounding = 1e-12 // mm: a few last bits of a height of 130 mm
	for _, c := range []struct{ r, l, e, before, want float64 }{
		{25, 100, 0, 2, 0.0190355684290947}, {25, 100, 0, 18, 1.52244461801272}, {25, 100, 0, 40, 7.14850870228721}, {25, 100, 0, -25, 2.90201606451329}, {25, 100, 0, 120, 39.8718790511668},
		{25, 100, 1.5, 2, 0.0190389329660462}, {25, 100, 1.5, 18, 1.52397307097777}, {25, 100, 1.5, 40, 7.16305774203084}, {25, 100, 1.5, -25, 2.89853531157388}, {25, 100, 1.5, 120, 39.9823971939961},
		{21.5, 88, -1, 2, 0.0162956020640083}, {21.5, 88, -1, 18, 1.30259859044014}, {21.5, 88, -1, 40, 6.11338820921269}, {21.5, 88, -1, -25, 2.48719914995102}, {21.5, 88, -1, 120, 34.1768178228105},
		{34, 56, 3, 2, 0.0333266081287101}, {34, 56, 3, 18, 2.67712465455202}, {34, 56, 3, 40, 12.5819021234274}, {34, 56, 3, -25, 5.01904190362774}, {34, 56, 3, 120, 60.7117351964935},
	} {
		s := Slider{2 * c.r, c.l, c.e}
		if got := s.Drop(c.before); math.Abs(got-c.want) > rounding {
			t.Errorf("r %g, l %g, e %g, %g° before: %.12f mm, want %.12f", c.r, c.l, c.e, c.before, got, c.want)
		}
	}
}

// A worked example of the textbooks (Theory of Machines, example 15.3; exact
// geometry in ../shared/external/README.md): crank 0.3 m, rod 1 m, 200 rpm: the
// piston is quickest at 74.529°, with 6.5617 m/s.
func TestQuickestWorkedExample(t *testing.T) {
	s := Slider{StrokeMM: 600, RodMM: 1000}
	at := s.Quickest()
	speed := s.PerDegree(at) / 1000 * 360 * 200 / 60 // mm per degree, to m/s
	if math.Abs(at-74.529) > 0.0005 || math.Abs(speed-6.5617) > 0.00005 {
		t.Errorf("quickest at %.4f°, %.5f m/s: want 74.529°, 6.5617 m/s", at, speed)
	}
}

// engine draws a geometry that can go round.
func engine(t *rapid.T) Slider {
	stroke := rapid.Float64Range(10, 150).Draw(t, "stroke")
	ratio := rapid.Float64Range(0.8, 3).Draw(t, "rod per stroke")
	offset := rapid.Float64Range(-0.1, 0.1).Draw(t, "offset per stroke")
	return Slider{stroke, stroke * ratio, stroke * offset}
}

func TestSliderRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := engine(t)
		// At the very bottom the drop does not tell the angle, and beyond it the
		// piston is on its other way. An offset moves the bottom nearer to the top
		// on one side, by 15° in the worst of these engines.
		bottom := math.Min(s.bottomAfter(), 360-s.bottomAfter()) - 1.5
		a := rapid.Float64Range(0.01, bottom-10).Draw(t, "angle")
		// The drop of 0.01° is 1e-8 of the stroke, of which a height of a
		// hundred millimetres keeps 1e-14: six digits.
		const digits = 1e-6
		back, ok := s.Before(s.Drop(a))
		if !ok || math.Abs(back-a) > digits/math.Min(1, a) {
			t.Fatalf("%+v: %v° before, %v mm, back %v", s, a, s.Drop(a), back)
		}
		back, ok = s.After(s.Drop(-a))
		if !ok || math.Abs(back-a) > digits/math.Min(1, a) {
			t.Fatalf("%+v: %v° after, %v mm, back %v", s, a, s.Drop(-a), back)
		}
		// Turned the other way round, before is after and the offset is on the
		// other side.
		m := Slider{s.StrokeMM, s.RodMM, -s.OffsetMM}
		if d := m.Drop(-a) - s.Drop(a); math.Abs(d) > 1e-9 {
			t.Fatalf("%+v: mirrored, %v mm apart", s, d)
		}
		// The bottom is lowest.
		if b := s.bottomAfter(); math.Abs(s.Drop(-b)-s.Travel()) > 1e-9 || math.Abs(s.PerDegree(-b)) > 1e-9 {
			t.Fatalf("%+v: bottom %v° after the top, %v mm down, want %v", s, b, s.Drop(-b), s.Travel())
		}
		// The slope is that of the drop.
		const h = 1e-4
		if slope := (s.Drop(a+h) - s.Drop(a-h)) / (2 * h); math.Abs(slope-s.PerDegree(a)) > 1e-6*s.StrokeMM {
			t.Fatalf("%+v at %v°: %v mm per degree, want %v", s, a, s.PerDegree(a), slope)
		}
		// Half-way between two places of one height.
		drop := s.Drop(a)
		before, _ := s.Before(drop)
		after, _ := s.After(drop)
		if mid := (after - before) / 2; math.Abs(mid-s.HalfwayAfter((before+after)/2)) > digits/math.Min(1, a) {
			t.Fatalf("%+v, %v mm: half-way lies %v° after, want %v", s, drop, s.HalfwayAfter((before+after)/2), mid)
		}
	})
}

// The rod grown long is the shortcut without a rod, r·(1 - cos).
func TestDropWithoutRod(t *testing.T) {
	const share = 1e-6 // λ·sin²/2 with a rod of a million strokes
	s := Slider{StrokeMM: 50, RodMM: 50e6}
	for _, a := range []float64{10, 40, 90, 150} {
		if got, want := s.Drop(a), 25*(1-math.Cos(a*math.Pi/180)); math.Abs(got-want) > 25*share {
			t.Errorf("%g°: %v mm, want %v", a, got, want)
		}
	}
	if _, ok := s.Before(51); ok {
		t.Error("a drop of more than the stroke was taken")
	}
	if (Slider{StrokeMM: 50, RodMM: 26, OffsetMM: 2}).Possible() || (Slider{StrokeMM: 50, RodMM: 25}).Possible() || !(Slider{StrokeMM: 50, RodMM: 30, OffsetMM: 2}).Possible() {
		t.Error("a crank that cannot go round")
	}
}

// What is said of the usual rods, 1.5 to 2.3 strokes, where none is known: the
// piston moves most per degree at 73° to 78°, and at 15° 0.31 to 0.32 of that.
func TestUsualRods(t *testing.T) {
	for _, ratio := range []float64{1.5, 1.7, 2, 2.3} {
		s := Slider{StrokeMM: 50, RodMM: 50 * ratio}
		at := s.Quickest()
		share := s.PerDegree(nearDeg) / s.PerDegree(at)
		if at < 73 || at > 78.3 || share < 0.305 || share > 0.325 || farDeg < 73 || farDeg > 78 {
			t.Errorf("rod of %g strokes: most at %.2f°, at 15° %.3f of it", ratio, at, share)
		}
	}
}
