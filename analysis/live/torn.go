package live

import (
	"math"
	"slices"

	"sparkscope/analysis"
)

// A recorder or a browser that is too busy leaves samples out, mostly some
// milliseconds of them and without a word. The engine tells: where some are
// missing, one turn is too short, and the turns before and after it are as they
// were. No flywheel does that. A turn without power is too long, but so are those
// after it; a spark that is early makes one turn short and the next as much too
// long; on a ramp, and at its corners, the turns around do not agree.
const (
	// tornShare is the least by which such a turn departs from those around it,
	// as a share of it; and tornTimes is how many times farther it must lie from
	// them than they from each other, and than turns do in general.
	tornShare = 0.03
	tornApart = 3.0
	tornTimes = 8.0
	// tornBeside is how many turns on either side must agree.
	tornBeside = 2
	// slowS is a turn above which a shaft may do anything, seconds.
	slowS = 0.25
	// leastTurns give a scatter.
	leastTurns = 10
)

// torn returns the moments about which samples are missing, or were put in more
// often than they came, among firings that count, in order of time: the middle
// between the sparks on either side, seconds.
func torn(f []analysis.Firing) []float64 {
	var out []float64
	for _, of := range byCylinder(f) {
		out = append(out, tornOne(of)...)
	}
	slices.Sort(out)
	// Each cylinder saw it.
	k := 0
	for _, at := range out {
		if k == 0 || at-out[k-1] > turnAt(f, at) {
			out[k] = at
			k++
		}
	}
	return out[:k]
}

// byCylinder parts firings into those of each cylinder, in order of time.
func byCylinder(f []analysis.Firing) map[int][]analysis.Firing {
	out := map[int][]analysis.Firing{}
	for _, x := range f {
		out[x.Cylinder] = append(out[x.Cylinder], x)
	}
	return out
}

func tornOne(f []analysis.Firing) []float64 {
	if len(f) < leastTurns+1 {
		return nil
	}
	// How long the turns last, as logarithms, from each spark to the next; where
	// several lie between two sparks, all but one are taken to be as usual.
	turn := make([]float64, len(f)-1)
	for i := range turn {
		dt := f[i+1].TimeS - f[i].TimeS
		// Its own speed is wrong where samples are missing; that around is not.
		rpm := median3(f[max(0, i-tornBeside)].RPM, f[i].RPM, f[min(len(f)-1, i+1+tornBeside)].RPM)
		if dt <= 0 || rpm <= 0 || 60/rpm > slowS {
			turn[i] = math.NaN()
			continue
		}
		turn[i] = math.Log(dt - math.Max(0, math.Round(dt*rpm/60)-1)*60/rpm)
	}
	off := make([]float64, 0, len(turn)) // of each from those beside it
	apart := make([]float64, len(turn))
	for i := range turn {
		apart[i] = math.NaN()
		if i >= 1 && i+1 < len(turn) {
			if d := math.Abs(turn[i] - (turn[i-1]+turn[i+1])/2); !math.IsNaN(d) {
				off = append(off, d)
				apart[i] = d
			}
		}
	}
	if len(off) < leastTurns-2 {
		return nil
	}
	slices.Sort(off)
	usual := 1.4826 * off[len(off)/2]
	var out []float64
	for i := tornBeside; i+tornBeside < len(turn); i++ {
		if !(apart[i] > math.Max(tornShare, tornTimes*usual)) {
			continue
		}
		beside := append(slices.Clone(turn[i-tornBeside:i]), turn[i+1:i+1+tornBeside]...)
		if spread := slices.Max(beside) - slices.Min(beside); spread < apart[i]/tornApart {
			out = append(out, (f[i].TimeS+f[i+1].TimeS)/2)
		}
	}
	return out
}

func median3(a, b, c float64) float64 {
	return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
}

// turnAt is how long a turn lasts about a moment, seconds.
func turnAt(f []analysis.Firing, at float64) float64 {
	k, _ := slices.BinarySearchFunc(f, at, func(x analysis.Firing, at float64) int {
		if x.TimeS < at {
			return -1
		}
		return 1
	})
	// Beside the moment the speed is wrong.
	rpm := median3(f[max(0, k-tornBeside-1)].RPM, f[min(len(f)-1, k)].RPM, f[min(len(f)-1, k+tornBeside)].RPM)
	if rpm <= 0 {
		return slowS
	}
	return 60 / rpm
}

// whole leaves out the firings whose turn, or one beside it that its angle is
// worked out from, is torn.
func whole(f []analysis.Firing, at []float64) []analysis.Firing {
	if len(at) == 0 {
		return f
	}
	out := f[:0:0]
	for _, x := range f {
		if !near(x.TimeS, at, 1.5*turnAt(f, x.TimeS)) {
			out = append(out, x)
		}
	}
	return out
}

// near is whether a moment lies within so many seconds of one of some, in order.
func near(t float64, at []float64, within float64) bool {
	k, _ := slices.BinarySearch(at, t)
	return k < len(at) && at[k]-t <= within || k > 0 && t-at[k-1] <= within
}
