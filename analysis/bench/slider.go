package bench

import (
	"fmt"
	"math"
)

// Slider is the geometry of crank, rod and piston.
//
// The crank angle φ is counted in the running direction from where the crank
// pin stands highest along the bore; the bore's centre line (of the piston pin)
// passes the crank's centre at a distance of OffsetMM, on the side to which the
// crank pin moves when it leaves top dead centre. With r = StrokeMM/2, l =
// RodMM, e = OffsetMM the piston pin stands
//
//	h(φ) = r·cos φ + √(l² - (r·sin φ - e)²)
//
// above the crank's centre (Pythagoras, in the triangle of rod and bore), and
// highest at sin φ0 = e/(l + r), where rod and crank are in line. Angles in this
// package are counted from there, top dead centre.
type Slider struct {
	StrokeMM float64 // twice the crank's throw; > 0
	RodMM    float64 // between the centres of big and small end; > StrokeMM/2 + |OffsetMM|
	OffsetMM float64 // of the pin, see above; 0: the bore points at the crank's centre
}

// Possible says whether the crank can go round.
func (s Slider) Possible() bool {
	return s.StrokeMM > 0 && finite(s.StrokeMM) && finite(s.RodMM) && finite(s.OffsetMM) && s.RodMM > s.StrokeMM/2+math.Abs(s.OffsetMM)
}

// top is φ at top dead centre, radians.
func (s Slider) top() float64 { return math.Asin(s.OffsetMM / (s.RodMM + s.StrokeMM/2)) }

// height is h(φ), mm; φ in radians.
func (s Slider) height(phi float64) float64 {
	sin, cos := math.Sincos(phi)
	x := s.StrokeMM/2*sin - s.OffsetMM
	return s.StrokeMM/2*cos + math.Sqrt(s.RodMM*s.RodMM-x*x)
}

// highest is h at top dead centre, mm.
func (s Slider) highest() float64 {
	return math.Sqrt((s.RodMM+s.StrokeMM/2)*(s.RodMM+s.StrokeMM/2) - s.OffsetMM*s.OffsetMM)
}

// bottomAfter is how far bottom dead centre lies after the top, crank degrees:
// half a turn, and a little more or less where the pin is offset.
func (s Slider) bottomAfter() float64 {
	return 180 + (math.Asin(s.OffsetMM/(s.RodMM-s.StrokeMM/2))-s.top())*180/math.Pi
}

// Travel is the way of the piston from top to bottom dead centre, mm: the
// stroke, and a few micrometres more where the pin is offset.
func (s Slider) Travel() float64 {
	l := s.RodMM - s.StrokeMM/2
	return s.highest() - math.Sqrt(l*l-s.OffsetMM*s.OffsetMM)
}

// Drop is how far the piston stands below its highest, mm, at an angle in crank
// degrees before top dead centre, negative after it.
func (s Slider) Drop(beforeDeg float64) float64 {
	return math.Max(0, s.highest()-s.height(s.top()-beforeDeg*math.Pi/180))
}

// PerDegree is how fast the drop grows with the angle before top dead centre,
// mm per crank degree: positive before it, negative after.
func (s Slider) PerDegree(beforeDeg float64) float64 {
	sin, cos := math.Sincos(s.top() - beforeDeg*math.Pi/180)
	r := s.StrokeMM / 2
	x := r*sin - s.OffsetMM
	return (-r*sin - x*r*cos/math.Sqrt(s.RodMM*s.RodMM-x*x)) * math.Pi / 180
}

// The working is written with the angle ψ = a - φ0 that the crank pin stands
// before its highest place, a being the angle before top dead centre, so that
// φ = -ψ; without an offset they are the same.

// dropWorking is Drop with its figures put in.
func (s Slider) dropWorking(beforeDeg float64) (formula, numbers string) {
	if s.OffsetMM == 0 {
		return "drop s = l + r - r·cos a - √(l² - (r·sin a)²), r = stroke/2, l = rod",
			fmt.Sprintf("l = %s, r = %s mm, a = %s°", trim(s.RodMM), trim(s.StrokeMM/2), trim(roundTo(beforeDeg, 4)))
	}
	return "drop s = √((l + r)² - e²) - r·cos ψ - √(l² - (r·sin ψ + e)²), ψ = a - asin(e/(l + r)), r = stroke/2, l = rod, e = offset",
		fmt.Sprintf("l = %s, r = %s, e = %s mm, a = %s°, ψ = %s°", trim(s.RodMM), trim(s.StrokeMM/2), trim(s.OffsetMM), trim(roundTo(beforeDeg, 4)), fixed(beforeDeg-s.top()*180/math.Pi, 4))
}

// perDegreeWorking is PerDegree with its figures put in.
func (s Slider) perDegreeWorking(beforeDeg float64) (formula, numbers string) {
	if s.OffsetMM == 0 {
		return "ds/da = (r·sin a + r²·sin a·cos a/√(l² - (r·sin a)²))·π/180",
			fmt.Sprintf("l = %s, r = %s mm, a = %s°", trim(s.RodMM), trim(s.StrokeMM/2), fixed(beforeDeg, 2))
	}
	return "ds/da = (r·sin ψ + (r·sin ψ + e)·r·cos ψ/√(l² - (r·sin ψ + e)²))·π/180, ψ = a - asin(e/(l + r))",
		fmt.Sprintf("l = %s, r = %s, e = %s mm, a = %s°, ψ = %s°", trim(s.RodMM), trim(s.StrokeMM/2), trim(s.OffsetMM), fixed(beforeDeg, 2), fixed(beforeDeg-s.top()*180/math.Pi, 2))
}

// sides gives what both angles of one height have in common: the pin lies at
// the angle β, seen from the crank's centre, and the crank pin γ to either side
// of that; radians. dropMM must lie in [0, Travel].
//
// With D the distance of the pin from the crank's centre, the law of cosines is
// cos γ = (r² + D² - l²)/(2·r·D); near top dead centre its half-angle form keeps
// the digits: sin²(γ/2) = (l + r - D)·(l - r + D)/(4·r·D).
func (s Slider) sides(dropMM float64) (beta, gamma float64) {
	r, l, e := s.StrokeMM/2, s.RodMM, s.OffsetMM
	h := s.highest() - dropMM
	d := math.Hypot(h, e)
	// l + r - D without cancellation: (l+r)² - D² = drop·(2·highest - drop).
	gap := dropMM * (2*s.highest() - dropMM) / (l + r + d)
	q := gap * (l - r + d) / (4 * r * d)
	return math.Atan2(e, h), 2 * math.Asin(math.Sqrt(math.Max(0, math.Min(1, q))))
}

// Before is the angle before top dead centre, crank degrees, at which the piston
// stands dropMM below its highest on its way up; ok is false outside 0 to
// Travel.
func (s Slider) Before(dropMM float64) (deg float64, ok bool) {
	if !(dropMM >= 0 && dropMM <= s.Travel()) {
		return 0, false
	}
	beta, gamma := s.sides(dropMM)
	return (s.top() - beta + gamma) * 180 / math.Pi, true
}

// After is the same on its way down: an angle after top dead centre.
func (s Slider) After(dropMM float64) (deg float64, ok bool) {
	if !(dropMM >= 0 && dropMM <= s.Travel()) {
		return 0, false
	}
	beta, gamma := s.sides(dropMM)
	return (beta + gamma - s.top()) * 180 / math.Pi, true
}

// HalfwayAfter is how far the middle between two places of one piston height
// lies after top dead centre, crank degrees; halfDeg is half the angle between
// them. It is 0 without an offset: β - φ0 of the working, with D from the law of
// cosines the other way round.
func (s Slider) HalfwayAfter(halfDeg float64) float64 {
	sin, cos := math.Sincos(halfDeg * math.Pi / 180)
	r, l := s.StrokeMM/2, s.RodMM
	d := r*cos + math.Sqrt(l*l-r*r*sin*sin)
	return (math.Asin(s.OffsetMM/d) - s.top()) * 180 / math.Pi
}

// Quickest is where the piston moves most per degree on its way up, crank
// degrees before top dead centre: a little under 80.
func (s Slider) Quickest() float64 {
	// One maximum between the dead centres; by golden section.
	const golden = 0.6180339887498949
	a, b := 0.0, 180.0
	for b-a > 1e-7 {
		x, y := b-golden*(b-a), a+golden*(b-a)
		if s.PerDegree(x) > s.PerDegree(y) {
			b = y
		} else {
			a = x
		}
	}
	return (a + b) / 2
}
