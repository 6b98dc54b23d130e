package dsp

import "math"

// Settle decides from all channels of a recording, as End returns them and
// which share one converter, whether that is of linear or of least phase, and
// where it is of least phase makes every timing point earlier by what it was
// late. It changes trains, and is to be called once.
func Settle(trains []Train) {
	const (
		fewest = 4 // pulses of a class that has a say
		enough = 6 // log of the evidence that is believed
	)
	var evidence float64
	var voters []*least
	var delays, shifts, peaks []float64
	for _, t := range trains {
		for k := range t.Shapes {
			if s := &t.Shapes[k]; s.least.known && s.N >= fewest {
				evidence += s.least.evidence
				if s.least.evidence > 0 {
					voters = append(voters, &s.least)
				}
			}
		}
	}
	if evidence < enough || len(voters) == 0 {
		return
	}
	share(voters)
	for _, l := range voters {
		delays = append(delays, l.delay)
		shifts = append(shifts, l.shift)
		peaks = append(peaks, l.peak)
	}
	delay, shift, peak := medianOf(delays), medianOf(shifts), medianOf(peaks)
	for i := range trains {
		t := &trains[i]
		by := make([]float64, len(t.Shapes))
		for k := range t.Shapes {
			s := &t.Shapes[k]
			switch {
			case s.least.known && s.least.evidence > 0:
				by[k] = s.least.shift
				s.AnchorSigma = s.least.sigma
			case s.Kind == Lobes:
				by[k] = delay
			default:
				// A front too slow to tell is as late as slow signals, one that a
				// stop cut off as the others: what is between them is not known.
				by[k] = (delay + shift) / 2
				s.AnchorSigma = math.Hypot(s.AnchorSigma, (delay-shift)/math.Sqrt(12))
			}
			s.WaveOrigin -= by[k]
		}
		for k := range t.Pulses {
			switch p := &t.Pulses[k]; {
			case p.Class < 0:
			case p.touch:
				p.Pos -= peak // timed by its top, not by its front
			default:
				p.Pos -= by[p.Class]
			}
		}
	}
}

// share puts one converter in the place of those that each front alone suits
// best: all went through the same. A contact's step shows it, a spark's front,
// of which nothing is known, takes up much of what it does. Of the converters
// of all fronts that is the one which explains all fronts together best.
func share(fronts []*least) {
	const most = 6 // fronts that are asked; the cost goes with the square
	var asked []*least
	for _, l := range fronts {
		if l.front != nil && len(asked) < most {
			asked = append(asked, l)
		}
	}
	if len(asked) < 2 {
		return
	}
	type answer struct{ shift, sigma float64 }
	var best []answer
	var teacher *least
	top := math.Inf(-1)
	for _, by := range asked {
		var sum float64
		var all []answer
		for _, l := range asked {
			shift, sigma, e := l.behind(by.kernel)
			sum += e
			all = append(all, answer{shift, sigma})
		}
		if sum > top {
			top, best, teacher = sum, all, by
		}
	}
	if teacher == nil {
		return
	}
	delay, peak, kernel := teacher.delay, teacher.peak, teacher.kernel
	for i, l := range asked {
		l.shift, l.sigma = best[i].shift, best[i].sigma
		l.delay, l.peak, l.kernel = delay, peak, kernel
	}
}
