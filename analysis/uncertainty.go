package analysis

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Defaults that stand where the user states none. All are common practice of
// the trade with no source.
const (
	angleToleranceDefault  = 0.5    // degrees: degree wheel and piston stop
	staticToleranceDefault = 0.5    // degrees: lamp and wheel
	contactDelayDefaultS   = 50e-6  // seconds: a switch whose delay is taken out but not measured
	shortDelayDefaultS     = 10e-6  // seconds: clamp, bare coil
	microphoneDelayS       = 150e-6 // seconds: 5 cm of distance
	gridShare              = 0.1    // of a sample: what the grid and the skew of the converter leave
)

// fluctuationTable is the coefficient of speed fluctuation expected where none
// is stated, by rpm, straight lines between: common practice, no source. A
// small single-cylinder engine with a light flywheel; a smoother one is better.
var fluctuationTable = [][2]float64{{1000, 0.10}, {1500, 0.08}, {3000, 0.04}, {6000, 0.02}}

func defaultFluctuation(rpm float64) float64 {
	t := fluctuationTable
	if rpm <= t[0][0] {
		return t[0][1]
	}
	for i := 1; i < len(t); i++ {
		if rpm <= t[i][0] {
			f := (rpm - t[i-1][0]) / (t[i][0] - t[i-1][0])
			return t[i-1][1] + f*(t[i][1]-t[i-1][1])
		}
	}
	return t[len(t)-1][1]
}

// fluctuationStd is the standard uncertainty in degrees of an angle read
// phase degrees from the reference event, when the speed varies within the
// revolution by the coefficient delta with unknown position θ0:
//
//	ω(θ) = ω̄·(1 + (δ/2)·cos(θ-θ0))
//	error = (δ/2)·(sin(θs-θ0) - sin(θr-θ0)) = δ·sin(Δ/2)·cos((θs+θr)/2 - θ0), Δ = θs-θr
//
// with θ0 anywhere on the circle: an arcsine distribution of amplitude
// δ·|sin(Δ/2)| rad, so amplitude/√2 (JCGM 100:2008, 4.3; first order in δ).
func fluctuationStd(delta, phase float64) float64 {
	return delta * math.Abs(math.Sin(phase*math.Pi/360)) / math.Sqrt2 * 180 / math.Pi
}

// swing is the vector whose length times δ/2 is the amplitude, in radians, of
// what a speed that varies within the revolution does to a mean over cylinders
// with arms, of which share[c] sparks come from cylinder c. The error of
// cylinder c is (δ/2)·(sin(θc-θ0) - sin(θrc-θ0)), θrc being its nearest
// reference event, with one θ0 for all; so the errors add as vectors:
//
//	amplitude = (δ/2)·|Σ wc·(exp(iθc) - exp(iθrc))|, wc = share[c]/Σ share
//
// For one cylinder that is the δ·|sin(Δ/2)| of fluctuationStd. Without any
// share all cylinders count alike.
func swing(arms []arm, share []int) (x, y float64) {
	sum := 0.0
	for _, n := range share {
		sum += float64(n)
	}
	for c, a := range arms {
		w := 1 / float64(len(arms))
		if sum > 0 {
			w = 0
			if c < len(share) {
				w = float64(share[c]) / sum
			}
		}
		s, k := math.Sincos(a.at * math.Pi / 180)
		rs, rk := math.Sincos((a.at - a.to) * math.Pi / 180)
		x += w * (k - rk)
		y += w * (s - rs)
	}
	return x, y
}

// meanFluctuationStd is the standard uncertainty in degrees that a speed
// varying by delta within the revolution leaves in a mean over cylinders: the
// amplitude of swing over √2.
func meanFluctuationStd(delta float64, arms []arm, share []int) float64 {
	return delta / 2 * math.Hypot(swing(arms, share)) / math.Sqrt2 * 180 / math.Pi
}

// fluctuation is the coefficient of speed variation to reckon with at a speed,
// and where it comes from.
func (m *measurement) fluctuation(rpm float64) (delta float64, how string) {
	if f := m.given.SpeedFluctuation; f != nil {
		return *f, "given"
	}
	return defaultFluctuation(rpm), "stated table by speed, common practice, no source"
}

const fluctuationSource = "speed variation within the revolution"

// budget lists the uncertainty of a mean advance at a speed: n events of
// standard deviation sd, worth neff independent ones, share[c] of them of
// cylinder c. n 0 leaves the Type A line out (the caller has its own).
func (m *measurement) budget(rpm, sd float64, n int, neff float64, share []int) []Component {
	s := m.given
	var out []Component
	if n > 0 {
		neff = math.Max(1, neff)
		est := fmt.Sprintf("scatter %.2g° of %d sparks, worth %.0f independent ones", sd, n, neff)
		out = append(out, Component{Source: "scatter of the engine and the timing", Kind: "A", Std: Degrees(sd / math.Sqrt(neff)), Dof: math.Max(1, neff-1),
			Estimate: est, Shrink: "record longer at this speed"})
	}
	rect := func(source string, half, factor float64, estimate, shrink string) {
		out = append(out, Component{Source: source, Kind: "B", Std: Degrees(half * factor / math.Sqrt(3)), Estimate: estimate, Shrink: shrink})
	}
	perSecond := 6 * rpm // degrees per second of delay
	if s.ReferenceAngle != nil {
		half, how := angleToleranceDefault, "stated default, common practice, no source"
		if t := s.ReferenceAngleTolerance; t != nil {
			half, how = float64(*t), "given"
		}
		rect("reference angle", half, 1, fmt.Sprintf("±%.3g°, rectangular, %s", half, how), "read the degree wheel more finely, from a piston stop on both sides, and state the tolerance")
	}
	half, how := contactDelayDefaultS, "stated default for a switch, common practice, no source"
	if m.res.Setup.ReferenceKind == CoilReference {
		half, how = shortDelayDefaultS, "stated default for a coil, common practice, no source"
	}
	if t := s.referenceTolerance(); t != nil {
		half, how = *t, "given"
	}
	rect("reference delay", half, perSecond, fmt.Sprintf("±%.3g µs, rectangular, %s", 1e6*half, how), "calibrate the pick-up's delay, or use an optical or Hall one, and state the tolerance")
	half, how = shortDelayDefaultS, "stated default, common practice, no source"
	if s.SparkKind == Microphone {
		half, how = microphoneDelayS, "stated default for a microphone, common practice, no source"
	}
	if t := s.sparkTolerance(); t != nil {
		half, how = *t, "given"
	}
	rect("spark delay", half, perSecond, fmt.Sprintf("±%.3g µs, rectangular, %s", 1e6*half, how), "state the delay tolerance of the spark pick-up")
	if t := s.ConverterSkewToleranceS; t != nil && (m.roles.sparkTrain.Channel == 2) != (m.roles.refTrain.Channel == 2) {
		rect("skew of the converter's channels", *t, perSecond, fmt.Sprintf("±%.3g µs, rectangular, given", 1e6**t), "calibrate the skew with more pulses, fed to both channels at once")
	}

	perSample := func(rate float64) float64 { return perSecond / rate }
	anchor := func(source string, g *group, rate float64, shapes []float64) {
		worst := 0.0
		for _, c := range g.classes {
			worst = math.Max(worst, shapes[c])
		}
		out = append(out, Component{Source: source, Kind: "B", Std: Degrees(worst * perSample(rate)),
			Estimate: fmt.Sprintf("%.2g samples, from the averaged pulse", worst), Shrink: "record at a higher sampling rate"})
	}
	r := m.roles
	anchor("onset of the spark pulse", r.spark, float64(r.sparkTrain.Rate), anchors(r.sparkTrain.Shapes))
	anchor("timing point of the reference pulse", r.ref, float64(r.refTrain.Rate), anchors(r.refTrain.Shapes))
	rect("converter's sampling grid", gridShare, perSample(float64(r.refTrain.Rate)), fmt.Sprintf("±%.2g sample, rectangular, common practice, no source", gridShare), "record at a higher sampling rate")

	delta, how := m.fluctuation(rpm)
	where := fmt.Sprintf("spark %.0f° from the reference", m.arms[0].to)
	shrink := "put the magnet so that it passes shortly before the spark"
	if len(m.arms) > 1 {
		where = "sparks"
		for c, a := range m.arms {
			if c > 0 {
				where += ","
			}
			where += fmt.Sprintf(" %.0f°", a.to)
		}
		where += " from the reference"
		shrink = "measure one cylinder at a time, the magnet passing shortly before its spark"
	}
	out = append(out, Component{Source: fluctuationSource, Kind: "B", Std: Degrees(meanFluctuationStd(delta, m.arms, share)),
		Estimate: fmt.Sprintf("%.2g of the mean speed (%s), %s", delta, how, where), Shrink: shrink})
	return out
}

// combined is the root sum of squares and its effective degrees of freedom
// (Welch-Satterthwaite, JCGM 100:2008, G.4.1); nu 0 means infinite.
func combined(c []Component) (u, nu float64) {
	var sum, den float64
	for _, x := range c {
		v := float64(x.Std * x.Std)
		sum += v
		if x.Dof > 0 {
			den += v * v / x.Dof
		}
	}
	if den > 0 && sum > 0 {
		nu = sum * sum / den
		if nu > 1e6 {
			nu = 0
		}
	}
	return math.Sqrt(sum), nu
}

// coverage is the factor for 95 % from Student's t with nu degrees of freedom
// (JCGM 100:2008, G.3), the normal value for nu 0. Fractions of a degree of
// freedom are kept.
func coverage(nu float64) float64 {
	if nu <= 0 {
		return distuv.UnitNormal.Quantile(0.975)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, nu)}.Quantile(0.975)
}

// conformity is the probability that a quantity measured dev away from its
// target, with standard uncertainty u and nu degrees of freedom (0: infinite),
// truly lies within ±tol of it (JCGM 106:2012, 7.4, with a flat prior).
func conformity(dev, tol, u, nu float64) float64 {
	if u <= 0 {
		if math.Abs(dev) <= tol {
			return 1
		}
		return 0
	}
	cdf := distuv.UnitNormal.CDF
	if nu > 0 {
		cdf = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, nu)}.CDF
	}
	p := cdf((tol-dev)/u) - cdf((-tol-dev)/u)
	if !finite(p) {
		return 0
	}
	return math.Max(0, math.Min(1, p))
}

func decide(p float64) string {
	switch {
	case p >= 0.95:
		return Within
	case p <= 0.05:
		return Outside
	}
	return Undecided
}
