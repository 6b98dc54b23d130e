package dsp

import (
	"cmp"
	"math"
	"slices"
)

// Settle decides from all channels of a recording, as End returns them and
// which share one converter, whether that is of linear or of least phase, and
// where it is of least phase makes every timing point earlier by what it was
// late. Fronts that each alone took up another converter have one in common then. It changes trains, and is to be called once.
func Settle(trains []Train) {
	converterOf(trains).apply(trains)
	// What was kept to decide has no use afterwards.
	for _, t := range trains {
		for k := range t.Shapes {
			t.Shapes[k].least.front = nil
		}
	}
}

// converterShift is by how much what went through the converter found is to be
// made earlier; the zero value: nothing.
type converterShift struct {
	known bool
	by    [][]float64 // of each shape of each train, samples
	sigma [][]float64 // their shapes' AnchorSigma then, samples
	peak  float64     // of what was timed by its top, samples
}

// converterOf decides it. It looks at the trains' shapes alone, and changes
// nothing.
func converterOf(trains []Train) (c converterShift) {
	const (
		fewest = 4 // pulses of a class that has a say
		// Log of the evidence that is believed: very strong, 150 to 1 (Kass and Raftery,
		// J. Am. Stat. Assoc. 90 (1995) 773), since there are more converters of least
		// phase to choose from than of linear, and noise suits one or the other.
		enough = 5
	)
	var evidence float64
	var voters []*least
	var delays, shifts, peaks []float64
	fronts := make([][]least, len(trains))
	for i, t := range trains {
		fronts[i] = make([]least, len(t.Shapes))
		for k := range t.Shapes {
			fronts[i][k] = t.Shapes[k].least
			if l := &fronts[i][k]; l.known && t.Shapes[k].N >= fewest {
				evidence += l.evidence
				if l.evidence > 0 {
					voters = append(voters, l)
				}
			}
		}
	}
	if evidence < enough || len(voters) == 0 {
		return linear(trains, fronts, fewest)
	}
	share(voters, func(l *least) bandLimit { return l.kernel })
	for _, l := range voters {
		delays = append(delays, l.delay)
		shifts = append(shifts, l.shift)
		peaks = append(peaks, l.peak)
	}
	delay, shift := medianOf(delays), medianOf(shifts)
	c.known, c.peak = true, medianOf(peaks)
	for i := range trains {
		t := &trains[i]
		by, sigma := make([]float64, len(t.Shapes)), make([]float64, len(t.Shapes))
		for k := range t.Shapes {
			s, l := &t.Shapes[k], &fronts[i][k]
			sigma[k] = s.AnchorSigma
			switch {
			case l.known && l.evidence > 0:
				by[k] = l.shift
				sigma[k] = l.sigma
			case s.Kind == Lobes:
				by[k] = delay
			default:
				// A front too slow to tell is as late as slow signals, one that a
				// stop cut off as the others: what is between them is not known.
				by[k] = (delay + shift) / 2
				sigma[k] = math.Hypot(s.AnchorSigma, (delay-shift)/math.Sqrt(12))
			}
		}
		c.by, c.sigma = append(c.by, by), append(c.sigma, sigma)
	}
	return c
}

// apply shifts shapes and pulses, whose shapes must be those that it was made
// from.
func (c converterShift) apply(trains []Train) {
	if !c.known {
		return
	}
	for i := range trains {
		t, by := &trains[i], c.by[i]
		for k := range t.Shapes {
			t.Shapes[k].AnchorSigma = c.sigma[i][k]
			t.Shapes[k].WaveOrigin -= by[k]
		}
		for k := range t.Pulses {
			switch p := &t.Pulses[k]; {
			case p.Class < 0:
			case p.touch:
				p.Pos -= c.peak // timed by its top, not by its front
			default:
				p.Pos -= by[p.Class]
			}
		}
		inOrder(t.Pulses) // two of different shapes that nearly touch may change places
	}
}

// inOrder puts pulses in the order of time.
func inOrder(p []Pulse) {
	slices.SortStableFunc(p, func(a, b Pulse) int { return cmp.Compare(a.Pos, b.Pos) })
}

// linear gives all fronts behind a converter of linear phase the same one.
// fronts are those of the trains' shapes, which it may change.
func linear(trains []Train, fronts [][]least, fewest int) (c converterShift) {
	var all []*least
	for i, t := range trains {
		for k := range t.Shapes {
			if l := &fronts[i][k]; l.known && t.Shapes[k].N >= fewest {
				all = append(all, l)
			}
		}
	}
	asked := share(all, func(l *least) bandLimit { return l.plain })
	c.known = len(asked) > 0
	for i, t := range trains {
		by, sigma := make([]float64, len(t.Shapes)), make([]float64, len(t.Shapes))
		for k := range t.Shapes {
			sigma[k] = t.Shapes[k].AnchorSigma
			if l := &fronts[i][k]; slices.Contains(asked, l) {
				by[k], sigma[k] = l.shift, l.sigma
			}
		}
		c.by, c.sigma = append(c.by, by), append(c.sigma, sigma)
	}
	return c
}

// share puts one converter in the place of those that each front alone suits
// best: all went through the same. A contact's step shows it, a spark's front,
// of which nothing is known, takes up much of what it does. Of the converters
// of all fronts that is the one which explains all fronts together best. It
// returns the fronts that have it now.
func share(fronts []*least, of func(*least) bandLimit) []*least {
	const most = 6 // fronts that are asked; the cost goes with the square
	var asked []*least
	for _, l := range fronts {
		if l.front != nil && len(asked) < most {
			asked = append(asked, l)
		}
	}
	if len(asked) < 2 {
		return nil
	}
	type answer struct{ shift, sigma float64 }
	var best []answer
	var teacher *least
	top := math.Inf(-1)
	kept := &onsetTables{}
	asks := map[bandLimit]bool{}
	for _, by := range asked {
		k := by.inRecording(of(by))
		if asks[k] {
			continue // explains no more than it did for the one before that has it
		}
		asks[k] = true
		var sum float64
		var all []answer
		for _, l := range asked {
			shift, sigma, e := l.behind(k, kept)
			sum += e
			all = append(all, answer{shift, sigma})
		}
		if sum > top {
			top, best, teacher = sum, all, by
		}
	}
	if teacher == nil {
		return nil
	}
	delay, peak := teacher.delay, teacher.peak
	for i, l := range asked {
		if l.lone {
			delay = l.delay - l.shift + best[i].shift // that was seen, not worked out
		}
		l.shift, l.sigma = best[i].shift, best[i].sigma
	}
	for _, l := range asked {
		l.delay, l.peak = delay, peak
	}
	return asked
}
