// Package study measures the detector against synthetic pulses whose moments
// are known: how far off it is always, how much it scatters, and how that
// compares with the least scatter any estimator can have.
package study

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// Case is one condition of the timing study.
type Case struct {
	Family string  // of synth.Families
	Kernel string  // of synth.KernelNames
	RateHz float64 // samples per second
	SNRdB  float64 // 20·log10(peak/σ), peak the converted pulse's largest |value|
	Pulses int     // how many
	Seed   uint64
}

// Row is what came out for a Case. Times are in samples unless named.
type Row struct {
	Case
	Found, Missed, Extra int
	Slips                int     // further than a quarter of a ring's period off, see Slip
	Constant             float64 // median error: positive is late, samples
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

// Debug, when set, sees each train.
var Debug func(dsp.Train)

// Run makes a channel of pulses at random fractions of a sample, one every
// 18 to 24 ms, of sizes that vary by 10 %, and times them.
func Run(c Case) (Row, error) {
	row := Row{Case: c}
	family, err := synth.FamilyByName(c.Family)
	if err != nil {
		return row, err
	}
	kernel, err := synth.NewKernel(c.Kernel)
	if err != nil {
		return row, err
	}
	rng := rand.New(rand.NewPCG(c.Seed, 0x5eed))
	const peak = 0.5
	sigma := peak * math.Pow(10, -c.SNRdB/20)
	shapes := []*synth.Converted{}
	count := 1
	if family.Varying {
		count = 40
	}
	for range count {
		v, err := kernel.Convert(family.Draw(rng), dsp.Rate(c.RateHz))
		if err != nil {
			return row, err
		}
		shapes = append(shapes, v)
	}
	var placed []synth.Placed
	var bound float64
	at := 0.05 * c.RateHz
	for range c.Pulses {
		at += (0.018 + 0.006*rng.Float64()) * c.RateHz
		p := synth.Placed{Pos: at, Amp: peak * (1 + 0.1*rng.NormFloat64()), Pulse: shapes[rng.IntN(len(shapes))]}
		b := p.Pulse.Bound(p.Amp, sigma, math.Ceil(at)-at)
		bound += b * b
		placed = append(placed, p)
	}
	row.Bound = math.Sqrt(bound / float64(c.Pulses))
	src, err := synth.Recording{
		Rate:     dsp.Rate(c.RateHz),
		Frames:   int64(at + 0.05*c.RateHz),
		Signals:  []synth.Signal{synth.NewPulses(placed)},
		Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, NoiseRMS: sigma, Seed: c.Seed}},
	}.Source()
	if err != nil {
		return row, err
	}
	det := dsp.NewDetector(dsp.Rate(c.RateHz), 1, dsp.Options{})
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
	train := det.Finish()
	if Debug != nil {
		Debug(train)
	}
	row.score(train, placed, kernel.DelaySamples())
	return row, nil
}

// score pairs what was found with what was made.
func (r *Row) score(t dsp.Train, placed []synth.Placed, delay float64) {
	// The class that holds most and strongest pulses is the one that was made.
	main := -1
	for i, s := range t.Shapes {
		if main < 0 || float64(s.N)*s.Amp > float64(t.Shapes[main].N)*t.Shapes[main].Amp {
			main = i
		}
	}
	if main < 0 {
		r.Missed = len(placed)
		return
	}
	r.Anchor = t.Shapes[main].AnchorSigma
	window := 0.004 * r.RateHz
	var errs, sigmas []float64
	used := make([]bool, len(t.Pulses))
	for _, p := range placed {
		best := -1
		for i, q := range t.Pulses {
			if q.Class == main && !used[i] && math.Abs(q.Pos-p.Pos) < window && (best < 0 || math.Abs(q.Pos-p.Pos) < math.Abs(t.Pulses[best].Pos-p.Pos)) {
				best = i
			}
		}
		if best < 0 {
			r.Missed++
			continue
		}
		used[best] = true
		errs = append(errs, t.Pulses[best].Pos-p.Pos)
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
	// A slip is an error far outside the scatter of the rest and of the size
	// of an oscillation: at least a fifth of a sample and six bounds.
	limit := math.Max(0.2, 8*r.Bound)
	var clean []float64
	for _, e := range errs {
		if math.Abs(e-r.Constant) > limit {
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

// Header names the columns of String.
func Header() string {
	return fmt.Sprintf("%-16s %-14s %6s %4s | %5s %4s %5s %5s | %8s %7s %7s | %8s %8s %6s", "family", "converter", "rate", "SNR",
		"found", "miss", "extra", "slips", "const/sa", "const/us", "stated", "rand/sa", "bound", "ratio")
}

func (r Row) String() string {
	return fmt.Sprintf("%-16s %-14s %6.0f %4.0f | %5d %4d %5d %5d | %+8.3f %+7.2f %7.3f | %8.4f %8.4f %6.2f", r.Family, r.Kernel, r.RateHz, r.SNRdB,
		r.Found, r.Missed, r.Extra, r.Slips, r.Constant, r.ConstantUS(), r.Anchor, r.Random, r.Bound, r.Ratio())
}
