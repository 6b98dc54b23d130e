package analysis

import (
	"math"
	"slices"

	"sparkscope/dsp"
)

// Echoes of a snap that a microphone hears: the same sound again after a fixed
// time, whatever the engine does. The first arrival is the spark.

const (
	echoFromS  = 0.4e-3 // sooner than this it is part of the snap
	echoToS    = 25e-3  // 8.5 m of detour
	echoWidthS = 40e-6  // how well an echo keeps its time, either way: what overlaps moves it
	echoShare  = 0.3    // of the revolutions show an echo
	echoFew    = 0.3    // of a spark's echoes must be found
	echoTurn   = 8.0    // degrees: as near to a whole turn after a spark comes the next one, not its echo
	echoesMost = 10
	echoLike   = 1.6 // an echo's size beside its spark's is the same all along, within this factor
)

// soundGroups are the further groups of a microphone's channel that may be the
// spark too: an echo that overlaps it changes its shape.
func (m *measurement) soundGroups() []*group {
	var out []*group
	if m.given.SparkKind != Microphone {
		return nil
	}
	for _, g := range m.roles.also {
		if g.kind == dsp.Burst && g.amp > 0.3*m.roles.spark.amp {
			out = append(out, g)
		}
	}
	return out
}

// echoes marks the sparks that are echoes of an earlier one, and returns how
// late they come, seconds, shortest first.
func (p *pairing) echoes() []float64 {
	var turns float64
	for _, s := range p.segs {
		turns += s.nodes[len(s.nodes)-1].phi - s.nodes[0].phi
	}
	type pair struct {
		lag   float64
		i, j  int
		whole bool // whole turns apart, as sparks are
	}
	var pairs []pair
	for i := range p.sparks {
		a := &p.sparks[i]
		if !a.primary {
			continue
		}
		for j := i + 1; j < len(p.sparks); j++ {
			b := &p.sparks[j]
			if b.t-a.t > echoToS {
				break
			}
			if !b.primary || b.t-a.t < echoFromS {
				continue
			}
			whole := false
			if a.seg >= 0 && a.seg == b.seg {
				d := b.phi - a.phi
				whole = math.Abs(d-math.Round(d))*360 < echoTurn && math.Round(d) >= 1
			}
			pairs = append(pairs, pair{b.t - a.t, i, j, whole})
		}
	}
	slices.SortFunc(pairs, func(a, b pair) int {
		switch {
		case a.lag < b.lag:
			return -1
		case a.lag > b.lag:
			return 1
		}
		return a.i - b.i
	})
	// The commonest lags, but not those of sparks whole turns apart at a steady
	// speed.
	type echo struct{ lag, width, size float64 }
	var list []echo
	taken := make([]bool, len(pairs))
	for len(list) < echoesMost {
		best, bestN := -1, 0
		from, n := 0, 0
		for to := range pairs {
			if !taken[to] && !pairs[to].whole {
				n++
			}
			for pairs[to].lag-pairs[from].lag > 2*echoWidthS {
				if !taken[from] && !pairs[from].whole {
					n--
				}
				from++
			}
			if n > bestN {
				best, bestN = from, n
			}
		}
		if float64(bestN) < math.Max(echoShare*turns, 6) {
			break
		}
		var in, size, angle []float64
		start := pairs[best].lag
		for k := best; k < len(pairs) && pairs[k].lag <= start+2*echoWidthS; k++ {
			if q := pairs[k]; !taken[k] && !q.whole {
				in = append(in, q.lag)
				a, b := &p.sparks[q.i], &p.sparks[q.j]
				size = append(size, b.amp/a.amp)
				if a.seg >= 0 && a.seg == b.seg {
					angle = append(angle, b.phi-a.phi)
				}
			}
			taken[k] = true
		}
		lag := median(in)
		// A second cylinder keeps its angle, an echo its time. Where the speed
		// does not tell them apart, what is as loud as a spark is one.
		keepsAngle := len(angle) > 3 && robustScatter(angle) < robustScatter(in)/lag*median(angle)
		if keepsAngle && median(size) > 0.9 || median(size) > 1.2 {
			continue
		}
		list = append(list, echo{lag, math.Min(math.Max(3*robustScatter(in), 10e-6), echoWidthS), median(size)})
	}
	if len(list) == 0 {
		return nil
	}
	var lags []float64
	for _, e := range list {
		lags = append(lags, e.lag)
	}
	slices.Sort(lags)
	// Chance lets a spark come one of these lags after something, too. But a
	// spark has all its echoes after it and none before, the first echo one less
	// after and one before, and so on.
	after := func(i, j int) bool { // j comes as an echo of i would
		a, b := &p.sparks[i], &p.sparks[j]
		if a.seg >= 0 && a.seg == b.seg {
			if d := b.phi - a.phi; math.Round(d) >= 1 && math.Abs(d-math.Round(d))*360 < echoTurn {
				return false
			}
		}
		for _, e := range list {
			if q := b.amp / a.amp / e.size; math.Abs(b.t-a.t-e.lag) <= e.width && q < echoLike && q > 1/echoLike {
				return true
			}
		}
		return false
	}
	type link struct{ from, to int }
	var links []link
	score := make([]int, len(p.sparks))
	for i := range p.sparks {
		for j := i + 1; p.sparks[i].primary && j < len(p.sparks) && p.sparks[j].t-p.sparks[i].t <= echoToS; j++ {
			if p.sparks[j].primary && after(i, j) {
				links = append(links, link{i, j})
				score[i]++
				score[j]--
			}
		}
	}
	for _, l := range links {
		if score[l.from] > score[l.to] {
			p.sparks[l.to].echo = true
		}
	}
	// What has nothing after it is no spark where sparks have echoes.
	best := map[int]int{}
	for i := range p.sparks {
		if a := &p.sparks[i]; a.primary && a.seg >= 0 {
			turn := a.seg<<32 + int(math.Floor(a.phi))
			best[turn] = max(best[turn], score[i])
		}
	}
	var tops []float64
	for _, v := range best {
		tops = append(tops, float64(v))
	}
	for i := range p.sparks {
		if len(tops) > 0 && float64(score[i]) < echoFew*median(tops) {
			p.sparks[i].echo = p.sparks[i].primary
		}
		if p.sparks[i].echo {
			p.sparks[i].primary = false
		}
	}
	return lags
}
