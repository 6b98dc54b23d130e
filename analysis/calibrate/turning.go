package calibrate

import (
	"math"
	"slices"
)

// Turning is how far the speed is taken to vary within a revolution. The zero
// value is the stated table.
type Turning struct {
	// Given is (fastest - slowest)/mean at the lowest speed of the recording,
	// 0 to 2; nil: the table.
	Given *float64
}

// fluctuationTable is the coefficient of speed fluctuation by rpm, straight
// lines between: that of the measurement (analysis, README.md, Uncertainty),
// common practice, no source.
var fluctuationTable = [][2]float64{{1000, 0.10}, {1500, 0.08}, {3000, 0.04}, {6000, 0.02}}

// models are the coefficients by speed that are reckoned with. A given one may
// stay as it is, or fall with the square of the speed, as a flywheel that
// stores the same uneven work of each revolution makes it (Cs = E/(I·ω²),
// textbook): which, is not known.
func (t Turning) models(lowest float64) []func(rpm float64) float64 {
	if t.Given == nil {
		return []func(float64) float64{func(rpm float64) float64 {
			tab := fluctuationTable
			for i := 1; i < len(tab); i++ {
				if rpm <= tab[i][0] {
					f := math.Max(0, (rpm-tab[i-1][0])/(tab[i][0]-tab[i-1][0]))
					return tab[i-1][1] + f*(tab[i][1]-tab[i-1][1])
				}
			}
			return tab[len(tab)-1][1]
		}}
	}
	d := *t.Given
	return []func(float64) float64{
		func(float64) float64 { return d },
		func(rpm float64) float64 { return d * math.Min(1, lowest*lowest/(rpm*rpm)) },
	}
}

func (t Turning) words() string {
	if t.Given != nil {
		return "given at the lowest speed, constant or falling with its square, whichever is worse"
	}
	return "a table by rpm, common practice, no source"
}

// lineOf is the straight line through y over x, weights w, by least squares:
// what an error y of known course does to a line that was fitted with w.
func lineOf(x, y, w []float64) (intercept, slope float64) {
	var sw, mx, my float64
	for i := range x {
		sw += w[i]
		mx += w[i] * x[i]
		my += w[i] * y[i]
	}
	mx, my = mx/sw, my/sw
	var xx, xy float64
	for i := range x {
		d := x[i] - mx
		xx += w[i] * d * d
		xy += w[i] * d * (y[i] - my)
	}
	slope = xy / xx
	return my - slope*mx, slope
}

// uneven is the standard uncertainty that speed varying within the revolution
// leaves in a line of angle over speed: of its value at zero speed, and of its
// slope. apart[i] is how many degrees lie between the two events at rpm[i]; the
// error there has the amplitude δ·|sin(apart/2)| radians and a phase that is
// not known but the same for all (analysis, README.md, Uncertainty): an
// arcsine distribution. x are the speeds in the unit of the slope.
func (t Turning) uneven(rpm, x, apart, w []float64) (interceptDeg, slopeDeg float64) {
	lowest := slices.Min(rpm)
	e := make([]float64, len(rpm))
	for _, model := range t.models(lowest) {
		for i := range rpm {
			e[i] = model(rpm[i]) * math.Abs(math.Sin(apart[i]*math.Pi/360)) * 180 / math.Pi / math.Sqrt2
		}
		a, b := lineOf(x, e, w)
		interceptDeg = math.Max(interceptDeg, math.Abs(a))
		slopeDeg = math.Max(slopeDeg, math.Abs(b))
	}
	return interceptDeg, slopeDeg
}

// couplingHz is the corner of a sound input's coupling that is reckoned with:
// common practice, no source.
const couplingHz = 15.0

// crossingLateS is by about how much AC coupling moves the zero crossing of a
// coil's pulse whose lobes are spacingS apart: 2π·fc·s², s half the spacing.
func crossingLateS(spacingS float64) float64 {
	return 2 * math.Pi * couplingHz * spacingS * spacingS / 4
}

// quantileOf is the quantile of sorted numbers (type 7, Hyndman and Fan, 1996).
func quantileOf(sorted []float64, p float64) float64 {
	h := p * float64(len(sorted)-1)
	k := min(int(h), len(sorted)-2)
	if len(sorted) == 1 {
		return sorted[0]
	}
	return sorted[k] + (h-float64(k))*(sorted[k+1]-sorted[k])
}

func medianOf(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return quantileOf(s, 0.5)
}

// robustSD is 1.4826 times the median absolute deviation from the median.
func robustSD(x []float64) float64 {
	m := medianOf(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - m)
	}
	return 1.4826 * medianOf(d)
}

// independent is how many independent values as many as r are worth, for their
// mean, from the correlation of each with the next: n·(1-ρ)/(1+ρ) for an
// autoregression of first order, and never more than n.
func independent(r []float64) float64 {
	n := float64(len(r))
	if len(r) < 10 {
		return n
	}
	mean := 0.0
	for _, v := range r {
		mean += v / n
	}
	var c0, c1 float64
	for i, v := range r {
		c0 += (v - mean) * (v - mean)
		if i > 0 {
			c1 += (v - mean) * (r[i-1] - mean)
		}
	}
	if c0 == 0 {
		return n
	}
	rho := math.Max(0, math.Min(0.95, c1/c0))
	return math.Max(2, n*(1-rho)/(1+rho))
}
