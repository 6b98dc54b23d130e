package dsp

import (
	"math"
	"slices"
)

// contacts looks for the rectangle of a switch in a train: two classes of
// edges of opposite direction that take turns. It leaves one pulse for each
// closing (or opening): the edge that enters the shorter of the two states,
// with the time spent there as WidthS. Bounce, which is further edges of both
// directions within one change, is dropped.
func (d *Detector) contacts(t *Train) {
	up, down := d.edgeClasses(+1), d.edgeClasses(-1)
	if len(up) == 0 || len(down) == 0 {
		return
	}
	// Direction of each edge in time order.
	type edge struct {
		i    int // in t.Pulses
		sign int
	}
	var edges []edge
	for i, p := range t.Pulses {
		switch {
		case slices.Contains(up, p.Class):
			edges = append(edges, edge{i, +1})
		case slices.Contains(down, p.Class):
			edges = append(edges, edge{i, -1})
		}
	}
	// Time in the state after an upward edge and after a downward one; what
	// is shorter than bounce lasts does not count as a state.
	pos := func(e edge) float64 { return t.Pulses[e.i].Pos }
	bounce := bounceS * float64(d.rate)
	var high, low []float64
	for i := 0; i+1 < len(edges); i++ {
		gap := pos(edges[i+1]) - pos(edges[i])
		if edges[i].sign == edges[i+1].sign || gap < bounce/8 {
			continue
		}
		if edges[i].sign > 0 {
			high = append(high, gap)
		} else {
			low = append(low, gap)
		}
	}
	if len(high) < 2 || len(low) < 2 {
		return
	}
	// Bounce makes many short states of either kind; the states proper are
	// the long ones.
	enter := +1
	if longOnes(high) > longOnes(low) {
		enter = -1
	}
	keep := make([]bool, len(t.Pulses))
	for i := range keep {
		keep[i] = true
	}
	lastEnter := math.Inf(-1)
	open := -1
	for i, e := range edges {
		p := pos(e)
		switch {
		case e.sign == enter && (open < 0 || p-lastEnter > 2*bounce):
			// The first edge into the short state.
			if i > 0 && edges[i-1].sign == enter && p-pos(edges[i-1]) < bounce {
				keep[e.i] = false
				continue
			}
			// Bounce when leaving: an edge in again shortly after one out.
			if i > 0 && edges[i-1].sign != enter && p-pos(edges[i-1]) < bounce && p-lastEnter < 8*bounce {
				keep[e.i] = false
				continue
			}
			open, lastEnter = e.i, p
		case e.sign == enter:
			keep[e.i] = false
		default:
			keep[e.i] = false
			if open >= 0 {
				t.Pulses[open].WidthS = (p - t.Pulses[open].Pos) / float64(d.rate)
			}
		}
	}
	merged := up
	if enter < 0 {
		merged = down
	}
	// One class of events: the commonest of the classes that enter.
	main := merged[0]
	for _, c := range merged {
		if t.Shapes[c].N > t.Shapes[main].N {
			main = c
		}
	}
	out := t.Pulses[:0]
	n := 0
	for i, p := range t.Pulses {
		if !keep[i] {
			continue
		}
		if slices.Contains(merged, p.Class) {
			p.Class = main
			n++
		}
		out = append(out, p)
	}
	t.Pulses = out
	t.Shapes[main].Kind = Contact
	t.Shapes[main].N = n
	for _, c := range slices.Concat(up, down) {
		if c != main {
			t.Shapes[c].Kind = Contact
			t.Shapes[c].N = 0
		}
	}
}

// bounceS is how long contacts bounce: usually 0.5 to 1 ms (general component
// glossaries).
const bounceS = 1e-3

// longOnes is the typical length of the longer of the states in x.
func longOnes(x []float64) float64 {
	y := slices.Clone(x)
	slices.Sort(y)
	return medianOf(y[len(y)/2:])
}

// edgeClasses lists the classes of edges of one direction that are as strong
// as the channel's strongest edges.
func (d *Detector) edgeClasses(sign int) []int {
	strongest := 0.0
	for _, c := range d.classes {
		if c.step {
			strongest = math.Max(strongest, c.peak*c.level)
		}
	}
	var out []int
	for i, c := range d.classes {
		if c.step && c.sign == sign && c.peak*c.level > 0.4*strongest {
			out = append(out, i)
		}
	}
	return out
}
