package study

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/dsp"
)

// FindingsLegend is the head of the table of findings.
const FindingsLegend = `
Engines that do not exist, each drawn at random: fixed ignition or an advance
mechanism, 0.2 to 0.9 degrees of scatter, pulls up and down or holds, up to 1 %
of missed and 2 % of further sparks, a Hall pick-up, pulses timed to 0.3 to 1 us.
Their true events go straight to the analysis, without samples: what is tried
here is what is said of the engine, not how pulses are timed. Then each has one
fault, so many times its threshold large.

  threshold  the limit in the code at which it becomes a finding
  0.5 to 2   engines out of all in which it was found, the fault so many times
             the threshold
  others     findings of the other codes of the table at twice the threshold,
             per engine: what a fault drags along
`

// HabitCodes are the limits that faults are tried against, in the order of the
// table.
func HabitCodes() []analysis.Threshold {
	var out []analysis.Threshold
	for _, t := range analysis.Thresholds() {
		if t.Main {
			out = append(out, t)
		}
	}
	return out
}

// fault is what is wrong with an engine, in multiples of the threshold.
type fault struct {
	code string
	size float64 // times the threshold
}

// drawn is an engine of the study.
type drawn struct {
	e      engine.Engine
	setup  analysis.Setup
	fixed  bool
	jitter float64 // seconds, of one pulse
}

// drawHabits draws engine number n. Nothing is wrong with it.
func drawHabits(n int, seed uint64, code string) drawn {
	rng := rand.New(rand.NewPCG(seed, uint64(n)))
	e := engine.Default()
	e.Seed = rng.Uint64()
	e.ScatterDeg = 0.2 + 0.7*rng.Float64()
	e.MissProbability = 0.01 * rng.Float64()
	e.RepeatProbability = 0.02 * rng.Float64()
	e.Fluctuation = 0.02 * rng.Float64()
	e.ReferenceDeg = 30 + 20*rng.Float64()
	adv := 12 + 14*rng.Float64()
	fixed := rng.Float64() < 0.6
	e.Advance = engine.Curve{{RPM: 1, AdvanceDeg: adv}}
	if !fixed {
		from := 1200 + 600*rng.Float64()
		e.Advance = engine.Curve{{RPM: from, AdvanceDeg: adv - 8}, {RPM: from + 1500 + 800*rng.Float64(), AdvanceDeg: adv}}
	}
	profiles := []string{
		"1200 hold 2s, swing 6000 in 6s, hold 2s, swing 1200 in 6s, hold 2s",
		"1500 hold 3s, swing 3000 in 2s, hold 3s, swing 5000 in 3s, hold 3s, swing 1500 in 4s, hold 2s",
		"1100 hold 4s, ramp 7000 in 8s, hold 1s, ramp 1100 in 8s, hold 4s",
	}
	e.Profile, _ = engine.ParseProfile(profiles[rng.IntN(len(profiles))])
	s := analysis.Setup{SparkChannel: 1, ReferenceChannel: 2, ReferenceKind: analysis.ContactReference, ReferencePulses: 1}
	a, small := analysis.Degrees(e.ReferenceDeg), analysis.Degrees(0.3)
	s.ReferenceAngle, s.ReferenceAngleTolerance = &a, &small
	delay, f := 10e-6, 0.02
	s.ReferenceDelayToleranceS, s.SpeedFluctuation = &delay, &f
	if fixed || code == "timing-offset" || code == "too-advanced" || code == "offset-by-speed" {
		e.Advance = engine.Curve{{RPM: 1, AdvanceDeg: adv}}
		t, tol := analysis.Degrees(adv), analysis.Degrees(2)
		s.Target, s.Tolerance = &t, &tol
		fixed = true
	}
	return drawn{e: e, setup: s, fixed: fixed, jitter: (0.3 + 0.7*rng.Float64()) * 1e-6}
}

// with puts a fault into the engine's events.
func (d *drawn) with(f fault, limit float64) []engine.Event {
	switch f.code {
	case "timing-offset": // threshold: the tolerance
		d.shift(f.size * float64(*d.setup.Tolerance) * sign(d.e.Seed))
	case "offset-by-speed":
		// On the target at the slowest speed, in a straight line so far from it at
		// the fastest.
		adv, slowest, fastest := d.e.Advance[0].AdvanceDeg, math.Inf(1), 0.0
		for _, s := range d.e.Profile {
			slowest, fastest = min(slowest, s.FromRPM, s.ToRPM), max(fastest, s.FromRPM, s.ToRPM)
		}
		d.e.Advance = engine.Curve{{RPM: slowest, AdvanceDeg: adv}, {RPM: fastest, AdvanceDeg: adv + f.size*limit*float64(*d.setup.Tolerance)*sign(d.e.Seed)}}
	case "too-advanced":
		d.shift(f.size*limit + float64(*d.setup.Tolerance))
	case "timing-scatter":
		d.e.ScatterDeg = f.size * limit
	case "alternating":
		d.e.AlternatingDeg = f.size * limit
	case "contact-bounce":
		d.e.RepeatProbability = f.size * limit / 100
	}
	events, err := d.e.Run()
	if err != nil {
		panic(err) // the engines of this study are valid
	}
	rng := rand.New(rand.NewPCG(d.e.Seed, 99))
	end := d.e.Profile.DurationS()
	var rpm []float64
	for i := range events {
		if events[i].Kind == engine.Spark {
			rpm = append(rpm, events[i].RPM)
		}
	}
	slices.Sort(rpm)
	third, two := rpm[len(rpm)/3], rpm[2*len(rpm)/3]
	move := func(ev *engine.Event, deg float64) { ev.TimeS -= deg / (6 * ev.RPM) } // earlier by deg
	kept := events[:0]
	for i := range events {
		ev := events[i]
		if ev.Kind == engine.Spark {
			switch f.code {
			case "scatter-grows":
				// From the slowest third to the fastest, in proportion to speed.
				x := math.Max(0, math.Min(1, (ev.RPM-third)/(two-third)))
				r := 1 + (f.size*limit-1)*x
				move(&ev, d.e.ScatterDeg*math.Sqrt(math.Max(0, r*r-1))*rng.NormFloat64())
			case "drift":
				move(&ev, f.size*limit*(ev.TimeS/end-0.5)*sign(d.e.Seed))
			case "sticking":
				if dir := speedChange(events, i); dir != 0 {
					move(&ev, dir*f.size*limit/2*sign(d.e.Seed))
				}
			case "break-up":
				if ev.RPM > two && rng.Float64() < f.size*limit/100 {
					continue
				}
			}
		}
		kept = append(kept, ev)
	}
	return kept
}

// shift makes the engine fire deg earlier than its target.
func (d *drawn) shift(deg float64) {
	d.e.Advance = slices.Clone(d.e.Advance)
	for i := range d.e.Advance {
		d.e.Advance[i].AdvanceDeg += deg
	}
}

// sign is +1 or -1, by the engine.
func sign(seed uint64) float64 {
	if seed&2 != 0 {
		return 1
	}
	return -1
}

// speedChange is whether the speed rises (1) or falls (-1) around event i, 0
// where it holds: by more than 0.4 % over about ten revolutions, the true speeds.
func speedChange(events []engine.Event, i int) float64 {
	a, b := max(0, i-10), min(len(events)-1, i+10)
	switch d := events[b].RPM - events[a].RPM; {
	case d > 0.004*events[i].RPM:
		return 1
	case d < -0.004*events[i].RPM:
		return -1
	}
	return 0
}

// trains hands events on as a detector would, timed with the engine's jitter.
func (d *drawn) trains(events []engine.Event) []dsp.Train {
	const rate = 192000
	rng := rand.New(rand.NewPCG(d.e.Seed, 98))
	frames := int64(d.e.Profile.DurationS() * rate)
	spark := dsp.Train{Channel: 1, Rate: rate, Frames: frames, Level: dsp.Level{Peak: 0.5, Noise: 1e-4}, Shapes: []dsp.Shape{{Kind: dsp.Burst, Polarity: 1, Amp: 0.5, AnchorSigma: 0.05}}}
	ref := dsp.Train{Channel: 2, Rate: rate, Frames: frames, Level: dsp.Level{Peak: 0.4, Noise: 1e-4}, Shapes: []dsp.Shape{{Kind: dsp.Contact, Polarity: 1, Amp: 0.4, AnchorSigma: 0.05}}}
	for i := range events {
		ev := &events[i]
		if ev.TimeS < 0 || ev.TimeS > d.e.Profile.DurationS() {
			continue
		}
		p := dsp.Pulse{Pos: (ev.TimeS + d.jitter*rng.NormFloat64()) * rate, Sigma: d.jitter * rate, Amp: 0.45 + 0.1*rng.Float64(), Match: 0.99}
		switch ev.Kind {
		case engine.Spark, engine.Repeated:
			p.Amp *= ev.Strength
			spark.Pulses = append(spark.Pulses, p)
			spark.Shapes[0].N++
		case engine.Reference:
			p.WidthS = ev.EndS - ev.TimeS
			ref.Pulses = append(ref.Pulses, p)
			ref.Shapes[0].N++
		}
	}
	return []dsp.Train{spark, ref}
}

// measure measures the engine's events.
func (d *drawn) measure(events []engine.Event) (*analysis.Result, error) {
	slices.SortStableFunc(events, func(a, b engine.Event) int { return cmp.Compare(a.TimeS, b.TimeS) })
	rec := analysis.Recording{SampleRateHz: 192000, Channels: 2, Bits: 24, Encoding: "pcm", DurationS: d.e.Profile.DurationS()}
	return analysis.Measure(rec, d.trains(events), d.setup)
}

// Found is what was said of one engine: how often each code of the table.
type Found map[string]int

// TryHabits measures engine number n, with a fault of the given code so many
// times its threshold large, or with none where code is empty.
func TryHabits(n int, seed uint64, code string, size float64) (Found, error) {
	limit := 0.0
	for _, t := range HabitCodes() {
		if t.Code == code {
			limit = t.Value
		}
	}
	d := drawHabits(n, seed, code)
	events := d.with(fault{code, size}, limit)
	res, err := d.measure(events)
	if err != nil {
		return nil, fmt.Errorf("engine %d: %w", n, err)
	}
	found := Found{}
	for _, f := range res.Findings {
		for _, t := range HabitCodes() {
			if t.Code == f.Code {
				found[f.Code]++
			}
		}
	}
	return found, nil
}

// HabitSizes are the sizes that are tried, in multiples of the threshold.
func HabitSizes() []float64 { return []float64{0.5, 1, 1.5, 2} }

// HabitRow is a line of the table: of engines tried with a fault, how many were
// found at each of HabitSizes.
func HabitRow(t analysis.Threshold, count int, seed uint64) (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "%-15s %5g %-9s", t.Code, t.Value, t.Unit)
	others := 0
	for _, size := range HabitSizes() {
		n := 0
		for i := range count {
			f, err := TryHabits(i, seed, t.Code, size)
			if err != nil {
				return "", err
			}
			if f[t.Code] > 0 {
				n++
			}
			if size == 2 {
				for code, k := range f {
					if code != t.Code {
						others += k
					}
				}
			}
		}
		fmt.Fprintf(&b, " %5d", n)
	}
	fmt.Fprintf(&b, "   %5.2f   %s\n", float64(others)/float64(count), t.Quantity)
	return b.String(), nil
}

// HabitHead heads the rows.
func HabitHead() string {
	return fmt.Sprintf("%-15s %5s %-9s %5s %5s %5s %5s   %5s   %s\n", "code", "limit", "unit", "0.5", "1", "1.5", "2", "others", "quantity")
}

// CleanHabits measures engines with nothing wrong and lists what was said of
// them all the same.
func CleanHabits(count int, seed uint64) (string, error) {
	said := Found{}
	total := 0
	for i := range count {
		f, err := TryHabits(1_000_000+i, seed, "", 0)
		if err != nil {
			return "", err
		}
		for code, n := range f {
			said[code] += n
			total += n
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "\n%d engines with nothing wrong: %d false findings", count, total)
	for _, t := range HabitCodes() {
		if said[t.Code] > 0 {
			fmt.Fprintf(&b, ", %s %d", t.Code, said[t.Code])
		}
	}
	b.WriteString(".\n\nAll limits and their sources:\n")
	for _, t := range analysis.Thresholds() {
		fmt.Fprintf(&b, "  %-16s %5g %-9s %s (%s)\n", t.Code, t.Value, t.Unit, t.Quantity, t.Source)
	}
	return b.String(), nil
}
