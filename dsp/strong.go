package dsp

import (
	"math"
	"slices"
)

// weed drops candidates that are weak against others, fewer though these be,
// and true is returned when there were any. By number alone the weak would set
// what counts as strong: a lossy codec leaves noise between an engine's pulses
// that comes many times as often as they do. What tells the two apart is that
// an engine's pulses come in a rhythm and that noise does not. Where both do, or
// neither, nobody is dropped: the strong ones may be interference, and the weak ones
// the pick-up under it.
func (d *Detector) weed() bool {
	const (
		least = 10   // strong ones that make a rhythm
		gap   = 3    // from the weakest strong one to the strongest of the weak
		most  = 0.25 // of all: where there are more, they set what counts as strong (upperOf16)
	)
	n := len(d.cands)
	sizes := make([]float64, n)
	for i, s := range d.cands {
		sizes[i] = s.swing(d.z)
	}
	falling := slices.Clone(sizes)
	slices.Sort(falling)
	slices.Reverse(falling)
	strong, widest := 0, float64(gap)
	for i := least; i < n && float64(i) <= most*float64(n); i++ {
		if r := falling[i-1] / falling[i]; r >= widest {
			strong, widest = i, r
		}
	}
	if strong == 0 {
		return false
	}
	top := falling[strong/10]
	var kept, dropped []*snippet
	var strongAt, weakAt []float64
	for i, s := range d.cands {
		at := float64(s.pos) + float64(s.feature)
		if sizes[i] >= falling[strong-1] {
			// A slow front may set off the search twice.
			if k := len(strongAt); k == 0 || at-strongAt[k-1] > float64(d.z.block) {
				strongAt = append(strongAt, at)
			}
		} else {
			weakAt = append(weakAt, at)
		}
		if sizes[i] >= leastShare*top {
			kept = append(kept, s)
		} else {
			dropped = append(dropped, s)
		}
	}
	if len(dropped) == 0 || !inRhythm(strongAt) || inRhythm(weakAt) {
		return false
	}
	d.cands = kept
	d.scan.peaks = []float64{top}
	return true
}

// inRhythm says whether events, in the order of time, come in a rhythm, be it
// one that quickens, or one of two beats, such as a contact's two edges: a pair
// of intervals then takes about as long as the pair after it. Of events that
// come at random the middle ratio of the two is about 2.
func inRhythm(at []float64) bool {
	const steady = 1.3
	var ratios []float64
	for i := 4; i < len(at); i++ {
		ratios = append(ratios, math.Abs(math.Log((at[i]-at[i-2])/(at[i-2]-at[i-4]))))
	}
	return len(ratios) > 0 && medianOf(ratios) < math.Log(steady)
}
