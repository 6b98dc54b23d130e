// Package study measures the detectors against synthetic pulses, and contacts
// that open and close, whose moments are known: how far off they are always, how
// much they scatter, and, of pulses, how that compares with the least scatter
// any estimator can have.
package study

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// Case is one condition of the timing study.
type Case struct {
	Family string  // of Families
	Kernel string  // of synth.KernelNames
	RateHz float64 // samples per second
	SNRdB  float64 // 20·log10(peak/σ), peak the converted pulse's largest |value|; of a contact its height
	Pulses int     // how many, at least 2
	BandHz float64 // the recording's band limit below the converter's, as a codec leaves it; 0: none
	Seed   uint64
}

// Families are the names a Case may have: the pulse families of the
// synthesiser, and the reference pick-ups:
//
//   - "contact", a rectangle of 3.5 to 4.5 ms, without bounce, whose edges take 2 µs
//   - "coil-quick" and "coil-slow", passages whose lobes lie 0.55 and 3 ms
//     apart (8° at 2400 rpm and at 450 rpm)
func Families() []string {
	var all []string
	for _, f := range synth.Families() {
		all = append(all, f.Name)
	}
	return append(all, "contact", "coil-quick", "coil-slow")
}

// spacingS is the time between the lobes of a coil's family, seconds; 0 for
// others.
func spacingS(family string) float64 {
	switch family {
	case "coil-quick":
		return 0.55e-3
	case "coil-slow":
		return 3e-3
	}
	return 0
}

// Limits of the timing, the project's own.
const (
	LimitConstantSamples = 0.2 // constant error, plus
	LimitConstantUS      = 2.0 // this, µs: judged at 50 dB
	LimitRatio           = 1.5 // random error over the bound from 20 to 60 dB
	LimitRatioLow        = 3.0 // the same from 16 to 20 dB, slips counted
)

// Row is what came out for a Case. Times are in samples unless named.
type Row struct {
	Case
	Found, Missed, Extra int
	Slips                int     // errors further than SlipLimit from the median error
	SlipLimit            float64 // a quarter of the pulse's period, at least six bounds
	Constant             float64 // median error: positive is late
	Random               float64 // standard deviation of the errors about their mean, slips included
	RandomClean          float64 // the same without slips
	Bound                float64 // Cramér-Rao bound, root mean square over the pulses
	Anchor               float64 // the standard uncertainty the detector states for the constant error
	Sigma                float64 // median of the random uncertainty it states
}

// ConstantUS is the constant error in microseconds.
func (r Row) ConstantUS() float64 { return r.Constant / r.RateHz * 1e6 }

// Ratio is the random error over the bound, slips included.
func (r Row) Ratio() float64 { return r.Random / r.Bound }

// SlipRate is the share of the pulses found that slipped.
func (r Row) SlipRate() float64 {
	if r.Found == 0 {
		return 0
	}
	return float64(r.Slips) / float64(r.Found)
}

// Held says whether the stated uncertainty of the anchor, doubled for 95 %,
// holds the constant error, with twice the standard error of the median that
// the scatter leaves (1.2533·σ/√n).
func (r Row) Held() bool {
	if r.Found < 2 {
		return false
	}
	return math.Abs(r.Constant) <= 2*r.Anchor+2*1.2533*r.RandomClean/math.Sqrt(float64(r.Found))
}

// Minimum says whether the converter is a minimum-phase one, which the
// detector does not expect.
func (c Case) Minimum() bool { return strings.HasSuffix(c.Kernel, "-minimum") }

// LimitConstant is how large the constant error may be, samples.
func (c Case) LimitConstant() float64 { return LimitConstantSamples + LimitConstantUS*1e-6*c.RateHz }

// ConstantOver says whether the constant error is over its limit; it is judged
// at 50 dB only.
func (r Row) ConstantOver() bool {
	return r.SNRdB == 50 && !(r.Found >= 2 && math.Abs(r.Constant) <= r.LimitConstant())
}

// RatioOver says whether the random error is over the limit for its
// signal-to-noise ratio; there is none below 16 dB and above 60.
func (r Row) RatioOver() bool {
	limit := LimitRatio
	switch {
	case r.SNRdB < 16 || r.SNRdB > 60:
		return false
	case r.SNRdB < 20:
		limit = LimitRatioLow
	}
	return !(r.Found >= 2 && r.Ratio() <= limit)
}

// event is one pulse that was made.
type event struct {
	pos    float64 // true timing point, samples
	bound  float64 // Cramér-Rao bound, samples
	period float64 // of its dominant oscillation, samples
}

const (
	peak    = 0.5   // size of the pulses, fraction of full scale
	spread  = 0.1   // standard deviation of the size, relative
	leastS  = 0.018 // shortest and longest time between pulses, seconds
	mostS   = 0.024
	borderS = 0.05 // quiet before the first and after the last, seconds
)

// Run makes a channel of pulses at random fractions of a sample, one every
// 18 to 24 ms, of sizes that vary by 10 % (contacts do not), in white noise,
// and times them. tables are shared with other cases, or nil.
func Run(c Case, tables *dsp.Tables) (Row, error) {
	row := Row{Case: c}
	if c.Pulses < 2 {
		return row, fmt.Errorf("study: %d pulses: want at least 2", c.Pulses)
	}
	kernel, err := synth.NewKernel(c.Kernel)
	if err != nil {
		return row, err
	}
	rng := rand.New(rand.NewPCG(c.Seed, 0x5eed))
	sigma := peak * math.Pow(10, -c.SNRdB/20)
	var signal synth.Signal
	var events []event
	switch {
	case c.Family == "contact":
		signal, events, err = contact(c, kernel, rng, sigma)
	case spacingS(c.Family) > 0:
		signal, events, err = coil(c, kernel, rng, sigma)
	default:
		signal, events, err = bursts(c, kernel, rng, sigma)
	}
	if err != nil {
		return row, err
	}
	var codec *synth.Codec
	if c.BandHz > 0 {
		codec = &synth.Codec{BandHz: c.BandHz}
	}
	src, err := synth.Recording{
		Codec:    codec,
		Rate:     dsp.Rate(c.RateHz),
		Frames:   int64(events[len(events)-1].pos + borderS*c.RateHz),
		Signals:  []synth.Signal{signal},
		Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, NoiseRMS: sigma, Seed: c.Seed}},
	}.Source()
	if err != nil {
		return row, err
	}
	det := dsp.NewDetector(dsp.Rate(c.RateHz), 1, dsp.Options{Tables: tables})
	buf := [][]float64{make([]float64, 4096)}
	single := make([]float32, 4096)
	for {
		n, done := src.Next(buf)
		for i, v := range buf[0][:n] {
			single[i] = float32(v)
		}
		det.Push(single[:n])
		if done {
			break
		}
	}
	row.score(det.Finish(), events)
	return row, nil
}

// moments places pulses.
func moments(c Case, rng *rand.Rand) []float64 {
	at := borderS * c.RateHz
	out := make([]float64, c.Pulses)
	for i := range out {
		at += (leastS + (mostS-leastS)*rng.Float64()) * c.RateHz
		out[i] = at
	}
	return out
}

// energies is the sum of squares of a pulse and of its slope.
func energies(value, slope []float64) (v, s float64) {
	for i := range value {
		v += value[i] * value[i]
		s += slope[i] * slope[i]
	}
	return v, s
}

// eventOf works out bound and period. The period is that of the rms frequency,
// 2π·sqrt(ΣT²/ΣT'²): for a ring its own, for a pulse that does not oscillate a
// measure of how short it is.
func eventOf(pos, amp, sigma, valueEnergy, slopeEnergy float64) event {
	return event{
		pos:    pos,
		bound:  sigma / (math.Abs(amp) * math.Sqrt(slopeEnergy)),
		period: 2 * math.Pi * math.Sqrt(valueEnergy/slopeEnergy),
	}
}

// bursts are pulses of one of the synthesiser's families.
func bursts(c Case, kernel *synth.Kernel, rng *rand.Rand, sigma float64) (synth.Signal, []event, error) {
	family, err := synth.FamilyByName(c.Family)
	if err != nil {
		return nil, nil, fmt.Errorf("study: pulse family %q: want one of %s", c.Family, strings.Join(Families(), ", "))
	}
	var shapes []*synth.Converted
	count := 1
	if family.Varying {
		count = 40
	}
	for range count {
		v, err := kernel.Convert(family.Draw(rng), dsp.Rate(c.RateHz))
		if err != nil {
			return nil, nil, err
		}
		shapes = append(shapes, v)
	}
	var placed []synth.Placed
	var events []event
	for _, at := range moments(c, rng) {
		p := synth.Placed{Pos: at, Amp: peak * (1 + spread*rng.NormFloat64()), Pulse: shapes[rng.IntN(len(shapes))]}
		_, value, slope := p.Pulse.Sampled(at - math.Floor(at))
		v, s := energies(value, slope)
		events = append(events, eventOf(at, p.Amp, sigma, v, s))
		placed = append(placed, p)
	}
	return synth.NewPulses(placed), events, nil
}

// contact is a switch; its events are the edges into the shorter state.
func contact(c Case, kernel *synth.Kernel, rng *rand.Rand, sigma float64) (synth.Signal, []event, error) {
	const riseS = 2e-6
	rise := riseS * c.RateHz
	from, to := kernel.Span()
	var edges []float64
	var events []event
	for _, at := range moments(c, rng) {
		edges = append(edges, at, at+(3.5e-3+1e-3*rng.Float64())*c.RateHz)
		var e float64
		for n := math.Ceil(at + from - rise); n <= at+to+rise; n++ {
			x := n - at
			slope := (kernel.Step(x+rise/2) - kernel.Step(x-rise/2)) / rise
			e += slope * slope
		}
		ev := eventOf(at, peak, sigma, 0, e)
		ev.period = 4 // an edge has no period: what is a sample off has slipped
		events = append(events, ev)
	}
	signal, err := synth.NewSwitch(kernel, edges, 0, peak, rise)
	return signal, events, err
}

// coil is a passive magnetic pick-up; its events are the zero crossings.
func coil(c Case, kernel *synth.Kernel, rng *rand.Rand, sigma float64) (synth.Signal, []event, error) {
	half := spacingS(c.Family) / 2 * c.RateHz
	var lobes []synth.Lobe
	var events []event
	for _, at := range moments(c, rng) {
		l := synth.Lobe{Pos: at, Half: half, Amp: peak * (1 + spread*rng.NormFloat64())}
		var v, s float64
		// The lobes are slow against every converter here: their slope is that
		// of the derivative of a Gaussian itself.
		for n := math.Ceil(at - 6*half); n <= at+6*half; n++ {
			y := (n - at) / half
			g := math.Exp(0.5 - y*y/2)
			v += y * y * g * g
			d := (1 - y*y) * g / half
			s += d * d
		}
		events = append(events, eventOf(at, l.Amp, sigma, v, s))
		lobes = append(lobes, l)
	}
	signal, err := synth.NewLobes(kernel, lobes)
	return signal, events, err
}

// score pairs what was found with what was made.
func (r *Row) score(t dsp.Train, events []event) {
	var period float64
	for _, e := range events {
		r.Bound += e.bound * e.bound
		period += e.period
	}
	r.Bound = math.Sqrt(r.Bound / float64(len(events)))
	r.SlipLimit = math.Max(period/float64(len(events))/4, 6*r.Bound)
	// The class that holds most and strongest pulses is the one that was made.
	main := -1
	for i, s := range t.Shapes {
		if main < 0 || float64(s.N)*s.Amp > float64(t.Shapes[main].N)*t.Shapes[main].Amp {
			main = i
		}
	}
	if main < 0 {
		r.Missed, r.Extra = len(events), len(t.Pulses)
		return
	}
	r.Anchor = t.Shapes[main].AnchorSigma
	window := 0.004 * r.RateHz
	var errs, sigmas []float64
	used := make([]bool, len(t.Pulses))
	for _, e := range events {
		best := -1
		for i, q := range t.Pulses {
			if q.Class == main && !used[i] && math.Abs(q.Pos-e.pos) < window && (best < 0 || math.Abs(q.Pos-e.pos) < math.Abs(t.Pulses[best].Pos-e.pos)) {
				best = i
			}
		}
		if best < 0 {
			r.Missed++
			continue
		}
		used[best] = true
		errs = append(errs, t.Pulses[best].Pos-e.pos)
		sigmas = append(sigmas, t.Pulses[best].Sigma)
	}
	for _, u := range used {
		if !u {
			r.Extra++
		}
	}
	r.Found = len(errs)
	if r.Found < 2 {
		return
	}
	r.Constant = median(errs)
	r.Sigma = median(sigmas)
	var clean []float64
	for _, e := range errs {
		if math.Abs(e-r.Constant) > r.SlipLimit {
			r.Slips++
		} else {
			clean = append(clean, e)
		}
	}
	r.Random, r.RandomClean = deviation(errs), deviation(clean)
}

func median(x []float64) float64 {
	y := slices.Clone(x)
	slices.Sort(y)
	return (y[(len(y)-1)/2] + y[len(y)/2]) / 2
}

// deviation is the standard deviation about the mean, n-1.
func deviation(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	var m, s float64
	for _, v := range x {
		m += v
	}
	m /= float64(len(x))
	for _, v := range x {
		s += (v - m) * (v - m)
	}
	return math.Sqrt(s / float64(len(x)-1))
}

// Legend explains the columns of Header and String.
const Legend = `
Times in samples (sa) or microseconds (us), late positive.
  SNR     peak of the pulse over the rms noise of a sample, dB
  miss    pulses not found; more: pulses found that were not made
  slip    found pulses whose error lies further from the median error than a
          quarter of the period of the pulse's rms frequency, 2 pi sqrt(sum T^2 /
          sum T'^2), and than six bounds: nearer to another half-cycle than to
          their own. An edge of a contact slips when it is a sample off.
  const   constant error, the median, against the true moment (for minimum-phase
          converters too); a ! marks more than 0.2 sample + 2 us at 50 dB
  stated  the detector's standard uncertainty of it; a ? marks a constant error
          beyond twice that and what the scatter leaves of the median
  rand    random error, standard deviation, slips included
  bound   Cramer-Rao bound of this pulse and noise, the pulse known
  ratio   rand/bound; a ! marks more than 1.5 from 20 to 60 dB, 3 from 16 to 20

Minimum-phase converters delay every pulse, and the constant error counts from
the true moment, whether the detector knew of the delay or not. What is common to
both channels an angle does not see: study angles --case /minimum has whole
recordings through such converters.
`

// Header names the columns of String.
func Header() string {
	return fmt.Sprintf("%-14s %-14s %6s %3s %4s %4s %4s %8s  %7s %6s  %7s %7s %6s", "family", "converter", "rate", "SNR",
		"miss", "more", "slip", "const/sa", "/us", "stated", "rand/sa", "bound", "ratio")
}

// String is the row as a line of the table.
func (r Row) String() string {
	mark := func(on bool, m string) string {
		if on {
			return m
		}
		return " "
	}
	head := fmt.Sprintf("%-14s %-14s %6.0f %3.0f %4d %4d %4d ", r.Family, r.Kernel, r.RateHz, r.SNRdB, r.Missed, r.Extra, r.Slips)
	if r.Found < 2 {
		return head + fmt.Sprintf("%8s%s %7s %6s  %7s %7.4f %6s%s", "-", mark(r.ConstantOver(), "!"), "-", "-", "-", r.Bound, "-", mark(r.RatioOver(), "!"))
	}
	return head + fmt.Sprintf("%+8.3f%s %+7.2f %6.3f%s %7.4f %7.4f %6.2f%s", r.Constant, mark(r.ConstantOver(), "!"), r.ConstantUS(),
		r.Anchor, mark(!r.Held(), "?"), r.Random, r.Bound, r.Ratio(), mark(r.RatioOver(), "!"))
}

// Summary draws rows together: per family the worst constant error at 50 dB
// and the worst ratio from 20 to 60 dB, and how many rows are over a limit.
func Summary(rows []Row) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-14s %32s   %36s\n", "family", "largest constant error at 50 dB", "largest ratio, 20 to 60 dB")
	var judgedC, overC, overMinimum, notHeld, judgedR, overR, slips, found int
	for _, name := range Families() {
		var worstC, worstR *Row
		for i := range rows {
			r := &rows[i]
			if r.Family != name {
				continue
			}
			if r.SNRdB == 50 {
				judgedC++
				if r.ConstantOver() {
					overC++
					if r.Minimum() {
						overMinimum++
					}
				}
				if !r.Held() {
					notHeld++
				}
				if r.Found >= 2 && (worstC == nil || math.Abs(r.Constant)/r.LimitConstant() > math.Abs(worstC.Constant)/worstC.LimitConstant()) {
					worstC = r
				}
			}
			if r.SNRdB >= 16 && r.SNRdB <= 60 {
				judgedR++
				if r.RatioOver() {
					overR++
				}
				slips += r.Slips
				found += r.Found
			}
			if r.SNRdB >= 20 && r.SNRdB <= 60 && r.Found >= 2 && (worstR == nil || r.Ratio() > worstR.Ratio()) {
				worstR = r
			}
		}
		if worstC == nil && worstR == nil {
			continue
		}
		c, q := "", ""
		if worstC != nil {
			c = fmt.Sprintf("%+.3f sa %+.2f us %s %.0f", worstC.Constant, worstC.ConstantUS(), worstC.Kernel, worstC.RateHz)
		}
		if worstR != nil {
			q = fmt.Sprintf("%.2f %s %.0f Hz %.0f dB", worstR.Ratio(), worstR.Kernel, worstR.RateHz, worstR.SNRdB)
		}
		fmt.Fprintf(&b, "%-14s %44s   %36s\n", name, c, q)
	}
	fmt.Fprintf(&b, "\nConstant error over the limit: %d of %d rows at 50 dB, %d of them minimum-phase.\n", overC, judgedC, overMinimum)
	fmt.Fprintf(&b, "Constant error not held by the stated uncertainty: %d of %d rows at 50 dB.\n", notHeld, judgedC)
	fmt.Fprintf(&b, "Random error over the limit: %d of %d rows from 16 to 60 dB; %d slips in %d pulses there.\n", overR, judgedR, slips, found)
	return b.String()
}
