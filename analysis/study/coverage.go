package study

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// Drawn is one recording of the coverage study: an engine, what is wrong with
// it, and what its owner states. Every error comes from the distribution that
// the owner states, so the stated interval is put to the test as a whole.
type Drawn struct {
	Number int // from 0; it and the seed decide everything
	Spec   scene.Spec
	Setup  analysis.Setup

	// Line is what the engine does but for its scatter, degrees before top
	// dead centre at zero speed and per 1000 rpm. The ignition's lag is in it
	// with the momentary speed at the spark over the mean one.
	StaticDeg, PerThousand float64

	Strata []Stratum // what the recording is an example of
}

// Stratum is a class of recordings.
type Stratum struct{ Of, Value string }

// pick draws one of the values.
func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// Draw makes recording number n of a seed. The speed within the revolution
// varies by variation times what the owner states; nothing else depends on it.
func Draw(n int, seed uint64, variation float64) (Drawn, error) {
	r := rand.New(rand.NewPCG(seed, uint64(n)))
	uniform := func(half float64) float64 { return half * (2*r.Float64() - 1) }
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	d := Drawn{Number: n, Spec: scene.Default()}
	s, u := &d.Spec, &d.Setup
	s.Seed, s.Engine.Seed = r.Uint64()>>16, r.Uint64()>>16

	// The recorder.
	s.RateHz = pick(r, 44100.0, 48000, 96000, 192000)
	s.Kernel = pick(r, "sharp", "gentle")
	s.Bits = pick(r, 16, 24)
	s.NoiseDB = between(35, 60)
	s.ACHz = between(0.1, 20)
	s.ClockPPM = between(-100, 100)
	s.SparkInverted, s.ReferenceInverted = r.IntN(2) == 0, r.IntN(2) == 0

	// Pick-ups.
	families := synth.Families()
	s.Family = families[r.IntN(len(families))].Name
	s.SparkVariation = between(0.03, 0.2)
	s.Pickup = pick(r, scene.Reed, scene.Hall, scene.Coil)
	s.BounceS = 0
	if s.Pickup == scene.Reed {
		s.BounceS = between(0.1e-3, 0.3e-3)
	}
	s.CoilSpacingDeg = between(6, 12)

	// The engine, and where its magnet sits.
	e := &s.Engine
	e.ScatterDeg = between(0.1, 1.5)
	e.MissProbability = pick(r, 0, 0, 0.05)
	e.RepeatProbability = pick(r, 0, 0, 0.05)
	e.LagS = between(0, 60e-6)
	advance := between(5, 30)
	perThousand := pick(r, 0, 0, between(-1, 3))
	e.Advance = engine.Curve{{RPM: 10, AdvanceDeg: advance + 0.01*perThousand}, {RPM: 20000, AdvanceDeg: advance + 20*perThousand}}
	place := pick(r, "10-20°", "40-90°", "150-210°")
	ahead := map[string][2]float64{"10-20°": {10, 20}, "40-90°": {40, 90}, "150-210°": {150, 210}}[place]

	// Speed and length.
	kind := pick(r, "steady", "pull", "blip")
	sparks := pick(r, "12-25", "25-60", "60-150")
	count := map[string][2]float64{"12-25": {14, 25}, "25-60": {26, 60}, "60-150": {61, 150}}[sparks]
	turns := between(count[0], count[1])
	e.EveryRevolutions = 1
	if r.IntN(6) == 0 {
		e.EveryRevolutions = 2
		turns *= 2
	}
	low := between(900, 3000)
	high := low
	var profile string
	switch kind {
	case "steady":
		low = between(900, 6000)
		high = low
		profile = fmt.Sprintf("%.0f hold %.4fs", low, turns*60/low)
	case "pull":
		high = low * between(1.5, 2.5)
		profile = fmt.Sprintf("%.0f ramp %.0f in %.4fs", low, high, turns*60/((low+high)/2))
	case "blip":
		high = low * between(1.3, 2)
		half := turns * 0.4 * 60 / ((low + high) / 2)
		rest := turns * 0.1 * 60 / low
		profile = fmt.Sprintf("%.0f hold %.4fs, swing %.0f in %.4fs, swing %.0f in %.4fs, hold %.4fs", low, rest, high, half, low, half, rest)
	}
	var err error
	if e.Profile, err = engine.ParseProfile(profile); err != nil {
		return d, err
	}
	e.StartDeg = between(0, 360)
	middle := (low + high) / 2
	e.ReferenceDeg = e.Advance.At(middle) + between(ahead[0], ahead[1])
	if e.ReferenceDeg > 180 {
		e.ReferenceDeg -= 360
	}

	// What the owner states, and how far that is from the truth.
	angleTol := analysis.Degrees(pick(r, 0.1, 0.3, 0.5, 1))
	delayTol, sparkTol := pick(r, 2e-6, 5e-6, 20e-6, 50e-6), pick(r, 2e-6, 10e-6)
	given := analysis.Degrees(e.ReferenceDeg + uniform(float64(angleTol)))
	u.ReferenceAngle, u.ReferenceAngleTolerance = &given, &angleTol
	u.ReferenceDelayToleranceS, u.SparkDelayToleranceS = &delayTol, &sparkTol
	u.SparkDelayS, u.ReferenceDelayS = between(0, 50e-6), between(0, 300e-6)
	s.SparkDelayS, s.ReferenceDelayS = u.SparkDelayS+uniform(sparkTol), u.ReferenceDelayS+uniform(delayTol)
	stated := pick(r, 0, 0.005, 0.02, 0.06)
	u.SpeedFluctuation = &stated
	e.Fluctuation = variation * stated
	e.FastestDeg = between(0, 360)

	// What it should do: the truth lies on both sides of the limits.
	tolerance := analysis.Degrees(pick(r, 0.5, 1, 2))
	target := analysis.Degrees(e.Advance.At(middle) - 6*middle*e.LagS + uniform(2.2*float64(tolerance)))
	u.Target, u.Tolerance = &target, &tolerance

	d.StaticDeg, d.PerThousand = advance, perThousand
	band := "35-45 dB"
	if s.NoiseDB > 45 {
		band = "45-60 dB"
	}
	d.Strata = []Stratum{
		{"pick-up", string(s.Pickup)}, {"rate", fmt.Sprintf("%g Hz", s.RateHz)}, {"converter", s.Kernel}, {"speed", kind},
		{"sparks", sparks}, {"magnet before spark", place}, {"noise", band},
		{"stated reference delay", fmt.Sprintf("±%g µs", 1e6*delayTol)}, {"stated angle", fmt.Sprintf("±%g°", float64(angleTol))},
		{"stated speed variation", fmt.Sprintf("%g %%", 100*stated)}, {"family", s.Family},
	}
	return d, s.Validate()
}

// Held is one stated interval beside the error that it should hold.
type Held struct {
	Error    float64 // measured minus true
	Expanded float64 // stated half-width, the same unit
	Std      float64 // stated standard uncertainty
	Dominant string  // largest source of it
}

// hold sets an error beside its budget.
func hold(e float64, b *analysis.Budget) *Held {
	h := &Held{Error: e, Expanded: float64(b.Expanded), Std: float64(b.Combined)}
	if c, ok := b.Main(); ok {
		h.Dominant = c.Source
	}
	return h
}

// Ok says whether the interval holds the truth.
func (h Held) Ok() bool { return math.Abs(h.Error) <= h.Expanded }

// Covered is what came of a recording.
type Covered struct {
	Drawn
	Refused          string
	Mistaken         int // counted sparks that are no true ones: the recording was misread
	Mean             Held
	Bins             []Held
	Intercept, Slope *Held     // degrees; degrees per 1000 rpm; nil where no straight trend is given
	Verdicts         []Settled // of the mean, then of each bin
	Exact            *Covered  // the same of an instrument that knows each event's time exactly; nil: it refuses, or was not tried
}

// Settled is a verdict beside the truth.
type Settled struct {
	Decision string
	Oracle   string // of an instrument that knows each event's time exactly, and of the calibrations what the owner states; empty: not tried
	Within   bool   // whether the true mean lies within tolerance
	Bin      bool
}

// Cover renders the recording, measures it through the whole chain, and sets
// each stated interval and each verdict against the truth. tables are shared with other
// recordings, or nil.
func Cover(d Drawn, tables *dsp.Tables) (Covered, error) {
	c := Covered{Drawn: d}
	truth, result, err := listen(d.Spec, d.Setup, tables)
	if errors.Is(err, analysis.ErrCannotMeasure) {
		c.Refused = err.Error()
		return c, nil
	}
	if err != nil {
		return c, err
	}
	c.compare(truth, result)
	exact, err := exactTimes(truth, d.Setup)
	if err != nil && !errors.Is(err, analysis.ErrCannotMeasure) {
		return c, err
	}
	if exact != nil && exact.Verdict != nil && len(c.Verdicts) > 0 {
		c.Verdicts[0].Oracle = exact.Verdict.Decision
		c.Exact = &Covered{Drawn: d}
		c.Exact.compare(truth, exact)
	}
	return c, nil
}

// exactTimes measures the truth's own event times as they appear in the recording,
// delays and all, without any error of finding them.
func exactTimes(truth *scene.Truth, setup analysis.Setup) (*analysis.Result, error) {
	const rate = 1e9
	frames := int64(float64(truth.Frames) / truth.Spec.RateHz * rate)
	train := func(channel int, kind dsp.Kind, events []scene.Event) dsp.Train {
		t := dsp.Train{Channel: channel, Rate: rate, Frames: frames, Level: dsp.Level{Peak: 0.5, Noise: 1e-6}}
		t.Shapes = []dsp.Shape{{Kind: kind, N: len(events), Polarity: 1, Amp: 0.5}}
		for _, e := range events {
			p := dsp.Pulse{Pos: e.AppearsS * rate, Sigma: 1, Amp: 0.5 * e.Strength, Match: 1}
			if kind == dsp.Contact {
				p.WidthS = e.EndS - e.TimeS
			}
			t.Pulses = append(t.Pulses, p)
		}
		return t
	}
	kind := dsp.Contact
	if truth.Spec.Pickup == scene.Coil {
		kind = dsp.Lobes
	}
	trains := []dsp.Train{train(1, dsp.Burst, truth.Of(engine.Spark, engine.Repeated)), train(2, kind, truth.Of(engine.Reference))}
	return analysis.Measure(analysis.Recording{SampleRateHz: rate, Channels: 2, DurationS: float64(frames) / rate}, trains, setup)
}

// listen records the scene and measures it.
func listen(spec scene.Spec, setup analysis.Setup, tables *dsp.Tables) (*scene.Truth, *analysis.Result, error) {
	truth, source, err := scene.Render(spec)
	if err != nil {
		return nil, nil, err
	}
	heard := ears(source.Rate(), source.Channels(), tables)
	block := make([][]float64, source.Channels())
	single := make([][]float32, source.Channels())
	for i := range block {
		block[i], single[i] = make([]float64, 4096), make([]float32, 4096)
	}
	for done := false; !done; {
		var n int
		n, done = source.Next(block)
		push := make([][]float32, len(block))
		for i := range block {
			for j, v := range block[i][:n] {
				single[i][j] = float32(v)
			}
			push[i] = single[i][:n]
		}
		heard.Push(push)
	}
	trains := heard.Finish()
	recording := analysis.Recording{
		SampleRateHz: spec.RateHz, Channels: len(trains), Bits: spec.Bits, Encoding: "pcm",
		DurationS: source.Rate().Seconds(float64(truth.Frames)),
	}
	result, err := analysis.Measure(recording, trains, setup)
	return truth, result, err
}

// compare takes the counted sparks' true advances for the measurand.
func (c *Covered) compare(truth *scene.Truth, r *analysis.Result) {
	sparks := truth.Of(engine.Spark)
	type pair struct{ rpm, err, moment float64 }
	within := func(mean analysis.Degrees, e float64) bool {
		return math.Abs(math.Remainder(float64(mean)-e-float64(*c.Setup.Target), 360)) <= float64(*c.Setup.Tolerance)
	}
	var all []pair
	for _, f := range r.Firings {
		if f.Status != analysis.OK {
			continue
		}
		i := sort.Search(len(sparks), func(i int) bool { return sparks[i].AppearsS >= f.TimeS })
		if i > 0 && (i == len(sparks) || f.TimeS-sparks[i-1].AppearsS < sparks[i].AppearsS-f.TimeS) {
			i--
		}
		if i == len(sparks) || math.Abs(sparks[i].AppearsS-f.TimeS) > window {
			c.Mistaken++
			continue
		}
		e := math.Remainder(float64(f.Advance)-sparks[i].AdvanceDeg, 360)
		all = append(all, pair{f.RPM, e, sparks[i].MomentRPM / sparks[i].RPM})
	}
	mean := func(from, to float64) (e float64, n int) {
		for _, p := range all {
			if p.rpm >= from && p.rpm < to {
				e += p.err
				n++
			}
		}
		return e / math.Max(1, float64(n)), n
	}
	e, _ := mean(0, math.Inf(1))
	c.Mean = *hold(e, r.Advance.Budget)
	c.Verdicts = append(c.Verdicts, Settled{Decision: r.Verdict.Decision, Within: within(r.Advance.Mean, e)})
	for i, b := range r.Bins {
		if e, n := mean(b.FromRPM, b.ToRPM); n > 0 && b.HasExpanded {
			c.Bins = append(c.Bins, *hold(e, b.Budget))
			c.Verdicts = append(c.Verdicts, Settled{Decision: r.Verdict.Bins[i].Decision, Within: within(b.Mean, e), Bin: true})
		}
	}
	if t := r.Trend; t != nil && t.Straight {
		var ratio float64
		for _, p := range all {
			ratio += p.moment / float64(len(all))
		}
		slope := c.PerThousand - 6000*c.Spec.Engine.LagS*ratio
		c.Intercept = hold(float64(t.Intercept)-c.StaticDeg, t.InterceptBudget)
		c.Slope = hold(float64(t.SlopePer1000)-slope, t.SlopeBudget)
	}
}

// wilson is the interval at 95 % for a proportion of k in n (E. B. Wilson,
// Journal of the American Statistical Association 22, 1927).
func wilson(k, n int) (lo, hi float64) {
	if n == 0 {
		return 0, 1
	}
	const z = 1.959964
	p, m := float64(k)/float64(n), float64(n)
	c := (p + z*z/(2*m)) / (1 + z*z/m)
	h := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return math.Max(0, c-h), math.Min(1, c+h)
}

// tally gathers intervals of one kind.
type tally struct {
	n, ok  int
	stated float64   // sum of the half-widths
	reach  []float64 // |error| over half-width
	errors []float64 // |error|

	exactN, exactOk int // of exact times
}

func (t *tally) addExact(h Held) {
	t.exactN++
	if h.Ok() {
		t.exactOk++
	}
}

func (t *tally) add(h Held) {
	t.n++
	if h.Ok() {
		t.ok++
	}
	t.stated += h.Expanded
	e := math.Abs(h.Error)
	t.errors = append(t.errors, e)
	if h.Expanded > 0 {
		e /= h.Expanded
	}
	t.reach = append(t.reach, e)
}

// at is the sample quantile of x, p in [0, 1].
func at(x []float64, p float64) float64 {
	if len(x) == 0 {
		return 0
	}
	x = append([]float64(nil), x...)
	sort.Float64s(x)
	return x[min(int(math.Ceil(p*float64(len(x))))-1, len(x)-1)]
}

// Targets of the coverage study: issue's own.
const (
	TargetHeld    = 0.95 // overall
	TargetStratum = 0.92 // in every stratum
	TargetWide    = 1.4  // stated half-width over the one that would have held 95 %
	leastStratum  = 40   // recordings below which a stratum says nothing
)

func (t *tally) line(name string, target float64) string {
	if t.n == 0 {
		return fmt.Sprintf("  %-52s %5d\n", name, 0)
	}
	share := float64(t.ok) / float64(t.n)
	lo, hi := wilson(t.ok, t.n)
	mark := " "
	switch {
	case t.n < leastStratum:
		mark = "?"
	case share < target:
		mark = "!"
	}
	need := at(t.reach, 0.95)
	wide := " "
	if t.n >= leastStratum && 1/need > TargetWide {
		wide = "w"
	}
	exact := "      -"
	if t.exactN > 0 {
		exact = fmt.Sprintf("%5.1f %%", 100*ratio(t.exactOk, t.exactN))
	}
	return fmt.Sprintf("  %-52s %5d  %5.1f %%%s %5.1f - %5.1f  %7.3f %7.3f  %5.2f%s %s\n", name, t.n, 100*share, mark, 100*lo, 100*hi,
		t.stated/float64(t.n), need*t.stated/float64(t.n), 1/need, wide, exact)
}

// low says whether the stratum is marked as holding too little, and how
// probable that mark would be by chance if the interval held just TargetHeld.
func (t *tally) low() (marked bool, chance float64) {
	if t.n < leastStratum {
		return false, 0
	}
	most := math.Ceil(TargetStratum*float64(t.n)) - 1 // so many held are marked still
	return float64(t.ok) <= most, distuv.Binomial{N: float64(t.n), P: TargetHeld}.CDF(most)
}

// CoverageLegend explains the tables of Coverage.
const CoverageLegend = `
Each recording is an invented engine with everything drawn at random: pick-up,
sampling rate, linear-phase converter, pulse family, noise (35 to 60 dB), input
coupling (0 to 20 Hz), clock (±100 ppm), speed profile, number of sparks, scatter
(0.1 to 1.5°), ignition lag, missed and repeated sparks, place of the magnet. Its
owner states a reference angle, two delays, their tolerances and a speed
variation; each true value is drawn from what is stated: rectangular within the
tolerance, and speed varying within the revolution by the stated part, fastest
anywhere. The measurand is the true mean advance of the counted sparks; of
intercept and slope, the engine's own line without its scatter. Recordings that
are refused, and those in which something else was taken for a spark, are counted
apart and are in no row.

  n        intervals
  held     share that holds the truth; a ! marks less than 95 % overall, 92 % in
           a stratum; a ? fewer than 40, which say little
  wilson   what that share may be, 95 %
  stated   mean half-width stated, degrees (slope: per 1000 rpm)
  needed   the same, all widths multiplied by what would have held just 95 %
  ratio    stated over needed; a w marks more than 1.4
  exact    share that would have held the truth, had the times of all events been
           known exactly: the draws and the analysis without the detector

A stratum is a part of the recordings, and the smaller it is the more its share is
chance. Below the table stands how many marks of a stratum chance alone would make.
`

// Coverage prints how often the stated intervals hold the truth.
func Coverage(rows []Covered) string {
	var b strings.Builder
	refused, mistaken := 0, 0
	judged, marked, chance := 0, 0, 0.0
	type group struct {
		name string
		t    map[string]*tally
	}
	groups := []*group{{name: "mean"}, {name: "bins"}, {name: "intercept"}, {name: "slope"}}
	for _, g := range groups {
		g.t = map[string]*tally{"": {}}
	}
	var order []string
	// into is the tallies that an interval of a recording belongs to.
	into := func(g *group, dominant string, strata []Stratum) []*tally {
		out := []*tally{g.t[""]}
		for _, s := range append(slices.Clip(strata), Stratum{"largest source", dominant}) {
			key := s.Of + "\x00" + s.Value
			if g.t[key] == nil {
				g.t[key] = &tally{}
			}
			out = append(out, g.t[key])
		}
		return out
	}
	// exact, or nil, is the same interval of exact times.
	add := func(g *group, h Held, exact *Held, strata []Stratum) {
		for _, t := range into(g, h.Dominant, strata) {
			t.add(h)
			if exact != nil {
				t.addExact(*exact)
			}
		}
	}
	for _, c := range rows {
		switch {
		case c.Refused != "":
			refused++
			continue
		case c.Mistaken > 0:
			mistaken++
			continue
		}
		if order == nil {
			for _, s := range c.Strata {
				order = append(order, s.Of)
			}
			order = append(order, "largest source")
		}
		var mean, intercept, slope *Held
		if x := c.Exact; x != nil {
			mean, intercept, slope = &x.Mean, x.Intercept, x.Slope
			for _, h := range x.Bins {
				for _, t := range into(groups[1], h.Dominant, c.Strata) {
					t.addExact(h)
				}
			}
		}
		add(groups[0], c.Mean, mean, c.Strata)
		for _, h := range c.Bins {
			add(groups[1], h, nil, c.Strata)
		}
		if c.Slope != nil {
			add(groups[2], *c.Intercept, intercept, c.Strata)
			add(groups[3], *c.Slope, slope, c.Strata)
		}
	}
	fmt.Fprintf(&b, "%d recordings: %d measured, %d refused, %d in which something else was taken for a spark.\n\n", len(rows), len(rows)-refused-mistaken, refused, mistaken)
	fmt.Fprintf(&b, "  %-52s %5s  %7s  %13s  %7s %7s  %5s  %7s\n", "", "n", "held", "wilson", "stated", "needed", "ratio", "exact")
	for _, g := range groups {
		b.WriteString(g.t[""].line(g.name+", all", TargetHeld))
	}
	t := groups[0].t[""]
	if len(t.errors) > 0 {
		fmt.Fprintf(&b, "\nMean: stated half-width %.3f on the average; the same for all, %.3f would have held 95 %%: ratio %.2f.\n",
			t.stated/float64(t.n), at(t.errors, 0.95), t.stated/float64(t.n)/at(t.errors, 0.95))
	}
	for _, of := range order {
		b.WriteString("\n")
		for _, g := range groups {
			var keys []string
			for k := range g.t {
				if strings.HasPrefix(k, of+"\x00") {
					keys = append(keys, k)
				}
			}
			sort.Strings(keys)
			for _, k := range keys {
				value := strings.TrimPrefix(k, of+"\x00")
				if value == "" {
					continue
				}
				b.WriteString(g.t[k].line(g.name+", "+of+" "+value, TargetStratum))
				// The bins of one recording share its errors: no binomial there.
				if m, p := g.t[k].low(); g != groups[1] && g.t[k].n >= leastStratum {
					judged++
					chance += p
					if m {
						marked++
					}
				}
			}
		}
	}
	fmt.Fprintf(&b, "\nOf %d strata of means, intercepts and slopes with %d recordings and more, %d hold\nless than 92 %%. Did each interval hold just 95 %%, chance would make %.1f of them do so.\n", judged, leastStratum, marked, chance)
	return b.String()
}

// Verdicts prints how often a verdict is wrong, and how often there is none.
func Verdicts(rows []Covered) string {
	var b strings.Builder
	b.WriteString(`
Targets and tolerances (±0.5, 1, 2°) such that the truth lies up to 2.2
tolerances from the target. The oracle knows each event's time exactly, and of
the calibrations what the owner states.

                                       verdicts  wrong  wrong, wilson
`)
	line := func(name string, bin bool, decision string) {
		n, wrong := 0, 0
		for _, c := range rows {
			if c.Mistaken > 0 {
				continue
			}
			for _, v := range c.Verdicts {
				if v.Bin == bin && v.Decision == decision {
					n++
					if v.Within != (decision == analysis.Within) {
						wrong++
					}
				}
			}
		}
		lo, hi := wilson(wrong, n)
		mark := ""
		if n > 0 && float64(wrong) > 0.05*float64(n) {
			mark = "!"
		}
		share := 0.0
		if n > 0 {
			share = float64(wrong) / float64(n)
		}
		fmt.Fprintf(&b, "  %-36s %8d %5.1f %%%s  %.1f - %.1f %%\n", name, n, 100*share, mark, 100*lo, 100*hi)
	}
	line("mean, called within", false, analysis.Within)
	line("mean, called outside", false, analysis.Outside)
	line("bins, called within", true, analysis.Within)
	line("bins, called outside", true, analysis.Outside)
	n, open, oracles, openOracle := 0, 0, 0, 0
	for _, c := range rows {
		if c.Mistaken > 0 || len(c.Verdicts) == 0 {
			continue
		}
		v := c.Verdicts[0]
		n++
		if v.Decision == analysis.Undecided {
			open++
		}
		if v.Oracle != "" {
			oracles++
			if v.Oracle == analysis.Undecided {
				openOracle++
			}
		}
	}
	if n > 0 && oracles > 0 {
		fmt.Fprintf(&b, "\nUndecided: %.1f %% of %d; the oracle: %.1f %% of %d.\n", 100*float64(open)/float64(n), n, 100*float64(openOracle)/float64(oracles), oracles)
	}
	return b.String()
}
