package analysis

import (
	"fmt"
	"math"

	"sparkscope/dsp"
)

// Defaults that stand where the user states none. All are common practice of
// the trade with no source.
const (
	angleToleranceDefault  = 0.5 // degrees: degree wheel and piston stop
	staticToleranceDefault = 0.5 // degrees: lamp and wheel
	// contactDelayDefaultS, seconds, is for a switch whose delay is taken out, or
	// that has next to none, as an optical or Hall one. The 0.1 to 0.5 ms of a
	// reed of which nothing was said are not in it: the finding
	// "reference-delay-unknown" says so beside the answer, and the trend, which
	// asks what may be behind a slope, reckons with them.
	contactDelayDefaultS = 50e-6
	shortDelayDefaultS   = 10e-6  // seconds: clamp, bare coil
	microphoneDelayS     = 150e-6 // seconds: 5 cm of distance
	gridShare            = 0.1    // of a sample: what the grid and the skew of the converter leave
)

// The input quantities of a budget, as Component.Quantity names them: two
// results that share one do not differ by it.
const (
	ReferenceAngleQuantity = "angle of the reference"
	ReferenceDelayQuantity = "delay of the reference"
	SparkDelayQuantity     = "delay of the spark"
	SkewQuantity           = "skew of the converter's channels"
	SparkOnsetQuantity     = "onset on the averaged spark"
	ReferencePointQuantity = "timing point on the averaged reference"
	GridQuantity           = "grid and skew of the converter"
	RandomQuantity         = "random timing"
	VariationQuantity      = "speed variation, its part in the direction that counts"
)

// fluctuationTable is the coefficient of speed fluctuation expected where none
// is stated, by rpm, straight lines between: common practice, no source. A
// small single-cylinder engine with a light flywheel; a smoother one is better.
// Below idle compression makes itself felt: cranked, and much more turned by hand.
var fluctuationTable = [][2]float64{{50, 0.60}, {200, 0.30}, {500, 0.15}, {1000, 0.10}, {1500, 0.08}, {3000, 0.04}, {6000, 0.02}}

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

// fluctuation is the coefficient of speed variation to reckon with at a speed,
// and where it comes from.
func (m *measurement) fluctuation(rpm float64) (delta float64, how string) {
	if f := m.given.SpeedFluctuation; f != nil {
		return *f, "given"
	}
	return defaultFluctuation(rpm), "stated table by speed, common practice, no source"
}

const fluctuationSource = "speed variation within the revolution"

// reach is how a result, a weighted sum of the counted sparks' advances,
// answers to what may be wrong: w being a spark's weight, 1/n in a mean, and in
// the intercept or the slope of a line what least squares give it.
type reach struct {
	angle  float64 // Σ w: to an angle common to all
	speed  float64 // Σ w·rpm: to a time common to all
	x, y   float64 // Σ w·(δ/2)·(exp(iθ) - exp(iθr)), see swing; δ by the spark's own speed
	delta  float64 // Σ |w|·δ / Σ |w|
	weight float64 // Σ |w|
	random float64 // Σ w²·σ², degrees²: the timing's random part
	n      int
	rpm    float64 // Σ |w|·rpm / Σ |w|, for words
}

// tally is what the uncertainty has to know of a counted spark.
type tally struct {
	rpm   float64
	sigma float64 // degrees
	cyl   int     // from 0
}

// add takes in a spark of weight w.
func (m *measurement) add(r *reach, t tally, w float64) {
	delta, _ := m.fluctuation(t.rpm)
	v := m.swings[min(t.cyl, len(m.swings)-1)]
	r.angle += w
	r.speed += w * t.rpm
	r.x += w * delta / 2 * v[0]
	r.y += w * delta / 2 * v[1]
	a := math.Abs(w)
	r.delta += a * delta
	r.rpm += a * t.rpm
	r.weight += a
	r.random += w * w * t.sigma * t.sigma
	r.n++
}

// prepareBudget works out what all budgets need.
func (m *measurement) prepareBudget() {
	for i := range m.arms {
		x, y := swing(m.arms[i:i+1], nil)
		m.swings = append(m.swings, [2]float64{x, y})
	}
}

// components lists what is uncertain in a result that answers as r says. first
// is the result's own Type A component, where it has one.
func (m *measurement) components(r reach, first ...Component) []Component {
	s := m.given
	out := first
	sample := 1 / float64(m.roles.refTrain.Rate) // seconds
	// Degrees per second, per sample.
	perSecond, perSample := 6*math.Abs(r.speed), 6*math.Abs(r.speed)*sample
	if len(first) == 0 {
		std := math.Sqrt(r.random)
		one := math.Sqrt(float64(r.n)) * std // of a single spark
		out = append(out, Component{Source: "scatter of the timing, " + m.event() + " and reference", Kind: "A", Std: Degrees(std), Dof: math.Max(1, float64(len(m.tallies)-1)),
			Estimate: fmt.Sprintf("%.2g° for a single %s, from the noise, over the root of %d", one, m.event(), r.n), Shrink: "raise the level of the weaker signal, or record longer",
			Quantity: RandomQuantity, Unit: "°", InputStd: one, Distribution: Normal, Sensitivity: std / math.Max(one, 1e-300)})
		if one == 0 {
			out[0].Sensitivity = 0
		}
	}
	rect := func(source, quantity, unit string, half, sensitivity float64, estimate, shrink string) {
		out = append(out, Component{Source: source, Kind: "B", Std: Degrees(half * sensitivity / math.Sqrt(3)), Estimate: estimate, Shrink: shrink,
			Quantity: quantity, Unit: unit, HalfWidth: half, InputStd: half / math.Sqrt(3), Distribution: Rectangular, Sensitivity: sensitivity})
	}
	if s.ReferenceAngle != nil {
		half, how := angleToleranceDefault, "stated default, common practice, no source"
		if t := s.ReferenceAngleTolerance; t != nil {
			half, how = float64(*t), "given"
		}
		rect("reference angle", ReferenceAngleQuantity, "°", half, math.Abs(r.angle), fmt.Sprintf("±%.3g°, rectangular, %s", half, how), "read the degree wheel more finely, from a piston stop on both sides, and state the tolerance")
	}
	half, how := contactDelayDefaultS, "stated default for a switch, common practice, no source"
	if !s.referenceDelayKnown() {
		how = "stated default for a switch of next to no delay, common practice, no source; a reed's 0.1 to 0.5 ms are not in it"
	}
	if m.res.Setup.ReferenceKind == CoilReference {
		half, how = shortDelayDefaultS, "stated default for a coil, common practice, no source"
	}
	if t := s.referenceTolerance(); t != nil {
		half, how = *t, "given"
	}
	rect("reference delay", ReferenceDelayQuantity, "s", half, perSecond, fmt.Sprintf("±%.3g µs, rectangular, %s", 1e6*half, how), "calibrate the pick-up's delay, or use an optical or Hall one, and state the tolerance")
	half, how = shortDelayDefaultS, "stated default, common practice, no source"
	if s.SparkKind == Microphone {
		half, how = microphoneDelayS, "stated default for a microphone, common practice, no source"
	}
	if t := s.sparkTolerance(); t != nil {
		half, how = *t, "given"
	}
	rect(m.event()+" delay", SparkDelayQuantity, "s", half, perSecond, fmt.Sprintf("±%.3g µs, rectangular, %s", 1e6*half, how), "state the delay tolerance of the spark pick-up")
	if t := s.ConverterSkewToleranceS; t != nil && (m.roles.sparkTrain.Channel == 2) != (m.roles.refTrain.Channel == 2) {
		rect("skew of the converter's channels", SkewQuantity, "s", *t, perSecond, fmt.Sprintf("±%.3g µs, rectangular, given", 1e6**t), "calibrate the skew with more pulses, fed to both channels at once")
	}

	anchor := func(source, quantity string, g *group, shapes []float64) {
		worst := 0.0
		for _, c := range g.classes {
			worst = math.Max(worst, shapes[c])
		}
		out = append(out, Component{Source: source, Kind: "B", Std: Degrees(worst * perSample), Estimate: fmt.Sprintf("%.2g samples, from the averaged pulse", worst), Shrink: m.finer(),
			Quantity: quantity, Unit: "samples", InputStd: worst, Distribution: Normal, Sensitivity: perSample})
	}
	onset := "onset of the spark pulse"
	if s.SparkKind == Contacts {
		onset = "edge of the opening"
	}
	anchor(onset, SparkOnsetQuantity, m.roles.spark, anchors(m.roles.sparkTrain.Shapes))
	anchor("timing point of the reference pulse", ReferencePointQuantity, m.roles.ref, anchors(m.roles.refTrain.Shapes))
	rect("converter's sampling grid", GridQuantity, "samples", gridShare, perSample, fmt.Sprintf("±%.2g sample, rectangular, common practice, no source", gridShare), m.finer())

	if r.weight > 0 {
		r.delta /= r.weight
		r.rpm /= r.weight
	}
	_, how = m.fluctuation(r.rpm)
	where := fmt.Sprintf("%s %.0f° from the reference", m.event(), m.arms[0].to)
	shrink := "put the magnet so that it passes shortly before " + map[bool]string{true: "the contacts open", false: "the spark"}[s.SparkKind == Contacts]
	if len(m.arms) > 1 {
		where = m.event() + "s"
		for c, a := range m.arms {
			if c > 0 {
				where += ","
			}
			where += fmt.Sprintf(" %.0f°", a.to)
		}
		where += " from the reference"
		shrink = "measure one cylinder at a time, the magnet passing shortly before its " + m.event()
	}
	c := Component{Source: fluctuationSource, Kind: "B", Estimate: fmt.Sprintf("%.2g of the mean speed (%s), anywhere in the revolution, %s", r.delta, how, where), Shrink: shrink,
		Quantity: VariationQuantity, Unit: "1", HalfWidth: r.delta, InputStd: r.delta / math.Sqrt2, Distribution: Arcsine}
	if r.delta > 0 {
		c.Sensitivity = math.Hypot(r.x, r.y) * 180 / math.Pi / r.delta
	}
	c.Std = Degrees(c.InputStd * c.Sensitivity)
	return append(out, c)
}

// finer is what would make the times of the recording finer.
func (m *measurement) finer() string {
	for _, r := range []*dsp.Train{m.roles.sparkTrain, m.roles.refTrain} {
		if h := healthOf(m.res.Recording.Health, r.Channel); h != nil && h.Cliff.Found && !converted(h) {
			return "record straight to WAV, not in a lossy format or by telephone, at a higher sampling rate"
		}
	}
	return "record at a higher sampling rate"
}

// meanBudget is the budget of the mean over some of the counted sparks, all
// of them when idx is nil. The measurand is the mean of these sparks as they
// truly came: their scatter is theirs, and no uncertainty of it.
func (m *measurement) meanBudget(idx []int32) *Budget {
	var r reach
	if idx == nil {
		for _, t := range m.tallies {
			m.add(&r, t, 1/float64(len(m.tallies)))
		}
	}
	for _, i := range idx {
		m.add(&r, m.tallies[i], 1/float64(len(idx)))
	}
	return newBudget(m.components(r))
}

// biweightDof is the share of the degrees of freedom that a biweight's
// standard deviation has: 0.7 (Mosteller and Tukey, Data Analysis and
// Regression, 1977, for the biweight mean; from memory).
const biweightDof = 0.7

// trendBudgets fills in the budgets of the trend's intercept and slope: the
// fit's own standard deviations, and how far what is common to all sparks
// tilts the line. A wrong angle lifts it; a delay, in proportion to speed,
// goes all into the slope. The engine's scatter is in them, as the line is the
// engine's and not these sparks'.
func (m *measurement) trendBudgets() {
	t := m.res.Trend
	if t == nil {
		return
	}
	mean, ss := 0.0, 0.0
	for i, x := range m.tallies {
		d := x.rpm - mean
		mean += d / float64(i+1)
		ss += d * (x.rpm - mean)
	}
	if !(ss > 0) {
		return
	}
	var a, b reach
	for _, x := range m.tallies {
		w := (x.rpm - mean) / ss
		m.add(&b, x, 1000*w)
		m.add(&a, x, 1/float64(len(m.tallies))-mean*w)
	}
	first := func(what, unit string, std Degrees) Component {
		return Component{Source: "scatter about the line", Kind: "A", Std: std, Dof: math.Max(1, biweightDof*(t.IndependentN-2)),
			Estimate: fmt.Sprintf("%.2g° about the line, %d sparks worth %.0f independent ones, %.0f to %.0f rpm", float64(t.ResidualStd), t.N, t.IndependentN, t.FromRPM, t.ToRPM),
			Shrink:   "record longer, over a wider range of speed", Quantity: what, Unit: unit, InputStd: float64(std), Distribution: Normal, Sensitivity: 1}
	}
	t.InterceptBudget = newBudget(m.components(a, first("intercept of the fit", "°", t.InterceptStd)))
	t.SlopeBudget = newBudget(m.components(b, first("slope of the fit", "°/1000 rpm", t.SlopeStd)))
}
