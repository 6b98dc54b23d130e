package analysis

import (
	"math"

	"sparkscope/dsp"
)

// past is a place that the shaft is known to have passed after a segment's last
// event: the end of that event's own pulse, a switch's other edge or the far
// lobe of a coil. It takes the same angle in each turn.
//
// The last spark of an engine that stops comes a few degrees after the last
// reference, and there is no next one to bracket it: what stands between it and
// the next start is a standstill, through which no curve leads. But the magnet
// has gone by, and where the spark comes before that is over it has a place on
// either side.
type past struct {
	t, phi float64
	sigma  float64 // of phi, revolutions
	known  bool
}

// passing sets what is past the last event of each segment after which the
// reference comes again: at the end of the recording one spark more or less is
// nothing, while a kicked engine stops every few turns. share is what part of a
// pulse's length, as ticks have it, leads from the event to the place.
func passing(segs []segment, ticks []tick, share float64) {
	turns := make([]float64, 0, len(ticks)) // what the shaft turns within a pulse
	for i := range segs {
		s := &segs[i]
		for k := range len(s.nodes) - 1 {
			n := &s.nodes[k]
			if w := share * ticks[n.tick].width; w > 0 && n.t+w < s.nodes[k+1].t {
				turns = append(turns, s.at(n.t+w, k).phi-n.phi)
			}
		}
	}
	const fewest, widest = 5, 0.2 // pulses, and their scatter beside their length
	if len(turns) < fewest {
		return
	}
	mid, sd := median(turns), robustScatter(turns)
	if !(mid > 0) || sd > widest*mid {
		return
	}
	for i := range segs {
		s := &segs[i]
		end := s.nodes[len(s.nodes)-1]
		w := share * ticks[end.tick].width
		if w > 0 && int(end.tick) < len(ticks)-1 && end.t+w < ticks[end.tick+1].t {
			s.past = past{t: end.t + w, phi: end.phi + mid, sigma: sd, known: true}
		}
	}
}

// passingShare is the part of a pulse's length that passing asks for: a switch's
// pulse lasts from edge to edge, and of a coil the distance of the lobes is
// known, with the event half-way between them.
func passingShare(kind dsp.Kind) float64 {
	switch kind {
	case dsp.Contact:
		return 1
	case dsp.Lobes:
		return 0.5
	default:
		return 0
	}
}

// end is the last moment of which at or beyond can tell the phase.
func (s *segment) end() float64 {
	last := s.nodes[len(s.nodes)-1].t
	if s.past.known {
		return s.past.t
	}
	return last
}

// beyond reads the phase at t, between the segment's last event and what is past
// it: from the parabola through these two and the event before, which a shaft
// that is slowed evenly keeps to. How unevenly it may be slowed, half of what the
// parabola lies off the straight line allows for. ok is false where t does not
// lie there, or the shaft would have turned back.
func (s *segment) beyond(t float64) (r reading, ok bool) {
	n := len(s.nodes)
	last := s.nodes[n-1]
	if !s.past.known || !(t > last.t && t <= s.past.t) {
		return reading{}, false
	}
	speed := (s.past.phi - last.phi) / (s.past.t - last.t)
	end := node{t: s.past.t, phi: s.past.phi, sigma: s.past.sigma / speed}
	phi, rate, variance := lagrange([]node{s.nodes[n-2], last, end}, t, last.phi)
	open := 0.5 * math.Abs(phi-(last.phi+speed*(t-last.t)))
	if !(phi >= last.phi && phi <= end.phi && rate > 0) {
		return reading{}, false
	}
	return reading{phi: phi, rate: rate, sigma: math.Sqrt(variance + open*open)}, true
}
