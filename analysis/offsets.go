package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis/circle"
)

// mostOffOffset is how far a cylinder's own advance may lie from that of all
// for the firing offsets to be believed, degrees: cylinders of one ignition
// differ by a few (common practice, no source), and a wrong offset by tens.
const mostOffOffset = 12

// firingPlace is one place of the revolution at which cylinders fire.
type firingPlace struct {
	deg       float64 // of forward rotation after the first cylinder's, 0 to less than 360
	cylinders []int   // from 1
}

// firingPlaces are the places within one revolution at which the stated
// cylinders fire, in order of rotation; nil: not stated.
func (s Setup) firingPlaces() []firingPlace {
	var all []firingPlace
	for i, d := range s.FiringOffsets {
		d = math.Mod(d, 360)
		k := slices.IndexFunc(all, func(p firingPlace) bool { return math.Abs(circle.Wrap(p.deg-d)) < 1e-6 })
		if k < 0 {
			all = append(all, firingPlace{deg: d})
			k = len(all) - 1
		}
		all[k].cylinders = append(all[k].cylinders, i+1)
	}
	slices.SortFunc(all, func(a, b firingPlace) int { return int(math.Copysign(1, a.deg-b.deg)) })
	return all
}

// validateOffsets holds the firing offsets to two revolutions.
func (s Setup) validateOffsets() error {
	for i, d := range s.FiringOffsets {
		if !(d >= 0 && d < 720) || i == 0 && d != 0 {
			return fmt.Errorf("analysis: firing offset of cylinder %d, %g degrees: want 0 for the first, and 0 to less than 720", i+1, d)
		}
	}
	if len(s.FiringOffsets) > 12 {
		return fmt.Errorf("analysis: %d firing offsets: want 12 at most", len(s.FiringOffsets))
	}
	return nil
}

// placeWords names a place by its cylinders.
func placeWords(p firingPlace) string {
	var n []string
	for _, c := range p.cylinders {
		n = append(n, fmt.Sprint(c))
	}
	if len(n) == 1 {
		return "cylinder " + n[0]
	}
	return "cylinders " + strings.Join(n, " and ")
}

// statedCylinders takes each place at which sparks come for that of a stated
// cylinder: raw are their advances before the first cylinder's top dead centre,
// in order of rotation, aim is what they lean to, and open is the angle by
// which the reference leaves them open. It returns what to add to each raw
// advance and the number of each cylinder; ok is false where nothing is stated
// or the sparks do not come at the stated places, and then a finding says so.
func (m *measurement) statedCylinders(raw []float64, aim float64, toward string, open float64) (shift []float64, cylinder []int, ok bool) {
	places := m.given.firingPlaces()
	n := len(raw)
	if len(places) == 0 {
		return nil, nil, false
	}
	unused := func(why string) {
		m.find("offsets-unused", Note, 0, 0, "The stated firing offsets were not used: %s", why)
	}
	if len(places) == 1 {
		if len(m.given.FiringOffsets) > 1 {
			unused("all cylinders fire at one place of the revolution, so that one pick-up cannot tell them apart. To measure each, clamp one lead at a time.")
		} else if n > 1 {
			unused("they are of one cylinder, but sparks come at several places of a revolution.")
		}
		return nil, nil, false
	}
	if n == 1 && m.p.den > 1 {
		unused(fmt.Sprintf("sparks are counted at one place, in every second revolution, and the offsets have %d places. Those of a cylinder that fires in the revolutions between are not counted here: clamp one lead at a time, and measure each by itself.", len(places)))
		return nil, nil, false
	}
	if n == 1 {
		unused(fmt.Sprintf("sparks come at one place of the revolution, and the offsets have %d. It was taken for the cylinder whose top dead centre the reference angle counts from. To measure all at once, put the clamp where it catches every lead.", len(places)))
		return nil, nil, false
	}
	if n != len(places) {
		unused(fmt.Sprintf("sparks come at %d places of the revolution, and the offsets have %d.", n, len(places)))
		return nil, nil, false
	}
	best, bestSpread, bestTurn, bestMove := math.Inf(1), 0.0, 0, 0.0
	for turn := range n {
		own := make([]float64, n)
		for c := range n {
			own[c] = raw[c] + places[(c+turn)%n].deg
		}
		mean, _ := circle.Mean(own)
		move := fold(mean, aim, min(open, 360)) - mean
		off, spread := 0.0, 0.0
		for _, a := range own {
			off = math.Max(off, math.Abs(circle.Wrap(a+move-aim)))
			spread = math.Max(spread, math.Abs(circle.Wrap(a-mean)))
		}
		if off < best {
			best, bestSpread, bestTurn, bestMove = off, spread, turn, move
		}
	}
	if bestSpread > mostOffOffset {
		m.find("offsets-unused", Warning, 0, 0, "The stated firing offsets were not used: the sparks come up to %.0f° from where they say. Are they in the order of the cylinders' numbers, in the direction of rotation, and of this engine?", bestSpread)
		return nil, nil, false
	}
	shift, cylinder = make([]float64, n), make([]int, n)
	// Numbered by the lowest cylinder of each place.
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return places[a].cylinders[0] - places[b].cylinders[0] })
	var words []string
	for number, i := range order {
		c := ((i-bestTurn)%n + n) % n
		shift[c] = places[i].deg + bestMove
		cylinder[c] = number + 1
		m.stated = append(m.stated, places[i])
		words = append(words, fmt.Sprintf("%s at %.4g°", placeWords(places[i]), places[i].deg))
	}
	why := fmt.Sprintf("the sparks come where the stated firing offsets have them (%s, within %.1f°); each advance is taken against its own cylinder's top dead centre, which is which by what is nearest %s", strings.Join(words, ", "), bestSpread, toward)
	m.decide("cylinders", fmt.Sprint(n), why, false)
	if len(m.given.FiringOffsets) > n {
		m.find("offsets-shared", Note, 0, 0, "Of the %d stated cylinders some fire at one place of the revolution and cannot be told apart: %s.", len(m.given.FiringOffsets), strings.Join(words, ", "))
	}
	return shift, cylinder, true
}
