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
	var delays, shifts []float64
	for _, t := range trains {
		for _, s := range t.Shapes {
			if s.least.known && s.N >= fewest {
				evidence += s.least.evidence
				if s.least.evidence > 0 {
					delays = append(delays, s.least.delay)
					shifts = append(shifts, s.least.shift)
				}
			}
		}
	}
	if evidence < enough || len(delays) == 0 {
		return
	}
	delay, shift := medianOf(delays), medianOf(shifts)
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
			if p := &t.Pulses[k]; p.Class >= 0 {
				p.Pos -= by[p.Class]
			}
		}
	}
}
