package analysis

import (
	"math"
	"slices"
)

// A recorder or a browser that is too busy leaves samples out, mostly some
// milliseconds of them and without a word, or writes some twice. The engine
// tells: one turn is too short or too long, and the turns before and after it are
// as they were. No flywheel does that. A turn without power is too long, but so
// are those after it; a reference that is late makes one turn long and the next
// as much too short; on a ramp it lies with those around on a line, and at its
// corners those around do not.
const (
	// tornShare is the least by which such a turn departs from those around it,
	// as a share of it; tornApart is how many times farther it must lie from them
	// than they from each other, and tornTimes than turns do in general.
	tornShare = 0.03
	tornApart = 3.0
	tornTimes = 8.0
	// tornBeside is how many turns on either side must agree.
	tornBeside = 2
	// tornSlowS is a turn above which a shaft may do anything, seconds.
	tornSlowS = 0.25
	// tornTurns give a scatter.
	tornTurns = 10
)

// MissingSamples is the Missing.What of a place where the recording does not go
// on as it should.
const MissingSamples = "samples"

// torn lists the places about which samples are missing, or were written twice,
// and counts no spark whose angle is worked out across one.
func (m *measurement) torn() {
	f := m.res.Firings
	for i := range m.p.segs {
		s := &m.p.segs[i]
		if i > 0 && parted(&m.p.segs[i-1], s) {
			m.tornEnds++
			last := m.p.segs[i-1].nodes[len(m.p.segs[i-1].nodes)-1]
			m.p.missing = append(m.p.missing, Missing{What: MissingSamples, TimeS: (last.t + s.nodes[0].t) / 2, Revolution: m.p.segs[i-1].first + int(math.Floor(last.phi+1e-9)),
				Reason: "the turns before and after it agree, and the time between them is no number of turns"})
		}
		for _, k := range tornAt(s.nodes, 1/float64(max(1, len(m.gaps)))) {
			at := (s.nodes[k].t + s.nodes[k+1].t) / 2
			m.p.missing = append(m.p.missing, Missing{What: MissingSamples, TimeS: at, Revolution: s.first + int(math.Floor(s.nodes[k].phi+1e-9)),
				Reason: "a turn of another length than those before and after it, which agree"})
			from, to := s.nodes[k-1].t+m.sparkLate(), s.nodes[k+2].t+m.sparkLate()
			j, _ := slices.BinarySearchFunc(f, from, func(x Firing, t float64) int {
				if x.TimeS < t {
					return -1
				}
				return 1
			})
			for ; j < len(f) && f[j].TimeS < to; j++ {
				if f[j].Status == OK {
					f[j].Status = NoReference
					m.acrossTears++
				}
			}
		}
	}
}

// parted is whether two segments are one rhythm but for samples between them: as
// fast on either side, and no whole number of turns apart.
func parted(a, b *segment) bool {
	const most = 4.5 // turns apart; more is a gap
	if len(a.nodes) <= tornBeside+1 || len(b.nodes) <= tornBeside+1 {
		return false
	}
	turns := func(x []node) (least, most float64) {
		least, most = math.Inf(1), 0
		for i := 1; i < len(x); i++ {
			t := (x[i].t - x[i-1].t) / (x[i].phi - x[i-1].phi)
			least, most = math.Min(least, t), math.Max(most, t)
		}
		return least, most
	}
	l, h := turns(a.nodes[len(a.nodes)-1-tornBeside:])
	l2, h2 := turns(b.nodes[:tornBeside+1])
	l, h = math.Min(l, l2), math.Max(h, h2)
	around := (l + h) / 2
	apart := (b.nodes[0].t - a.nodes[len(a.nodes)-1].t) / around
	off := math.Abs(apart - math.Round(apart))
	return h <= tornSlowS && apart < most && off > tornShare && (h-l)/around < off/tornApart
}

// tornAt are the indices of the nodes after which, up to the next, samples are
// missing. one is the way from tooth to tooth, revolutions.
func tornAt(nodes []node, one float64) []int {
	n := len(nodes) - 1
	if n < tornTurns {
		return nil
	}
	speed := make([]float64, n) // seconds per revolution
	for i := range speed {
		speed[i] = (nodes[i+1].t - nodes[i].t) / (nodes[i+1].phi - nodes[i].phi)
	}
	// How long the turns last, as logarithms; where one lies within several that
	// were bridged, the others are taken to be as around them.
	turn := make([]float64, n)
	for i := range turn {
		around := median3(speed[max(0, i-tornBeside)], speed[i], speed[min(n-1, i+tornBeside)])
		way := nodes[i+1].phi - nodes[i].phi
		turn[i] = math.Log(around + (speed[i]-around)*way/math.Min(way, one))
		if around > tornSlowS || math.IsInf(turn[i], 0) {
			turn[i] = math.NaN()
		}
	}
	apart := make([]float64, n) // of each from those beside it
	var known []float64
	for i := range turn {
		apart[i] = math.NaN()
		if i >= 1 && i+1 < n {
			apart[i] = math.Abs(turn[i] - (turn[i-1]+turn[i+1])/2)
		}
		if !math.IsNaN(apart[i]) {
			known = append(known, apart[i])
		}
	}
	if len(known) < tornTurns-2 {
		return nil
	}
	usual := 1.4826 * medianInPlace(known)
	var out []int
	for i := tornBeside; i+tornBeside < n; i++ {
		if !(apart[i] > math.Max(tornShare, tornTimes*usual)) {
			continue
		}
		// Those around it lie on a line, as where the speed changes steadily; it
		// does not. Their places are symmetric about it.
		level, slope, square := 0.0, 0.0, 0.0
		for k := 1; k <= tornBeside; k++ {
			level += turn[i-k] + turn[i+k]
			slope += float64(k) * (turn[i+k] - turn[i-k])
			square += 2 * float64(k*k)
		}
		level /= 2 * tornBeside
		slope /= square
		least, most := math.Inf(1), math.Inf(-1)
		for k := -tornBeside; k <= tornBeside; k++ {
			if k != 0 {
				r := turn[i+k] - level - slope*float64(k)
				least, most = math.Min(least, r), math.Max(most, r)
			}
		}
		// Where one of them is not known, this is no number and not below.
		if most-least < math.Abs(turn[i]-level)/tornApart {
			out = append(out, i)
		}
	}
	return out
}

func median3(a, b, c float64) float64 {
	return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
}
