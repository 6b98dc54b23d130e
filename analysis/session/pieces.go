package session

import (
	"cmp"
	"math"
	"slices"
)

// piece is a stretch of sparks [a, b) over which the logarithm of speed follows
// a straight line, from one value to another.
type piece struct {
	a, b     int
	from, to float64
	seconds  float64
}

// rate is how fast its speed changes, of the logarithm per second.
func (p *piece) rate() float64 {
	if p.seconds <= 0 {
		return 0
	}
	return (p.to - p.from) / p.seconds
}

// steady finds the groups of pieces [i, j) next to each other over which the
// speed holds: long enough, within the band, and not on the way of a pull. The
// longest is taken first.
func steady(p []piece) [][2]int {
	type group struct {
		i, j    int
		seconds float64
	}
	var all []group
	for i := range p {
		lo, hi, seconds := math.Inf(1), math.Inf(-1), 0.0
		j := i
		for ; j < len(p); j++ {
			q := &p[j]
			if slow := math.Abs(q.to-q.from) <= slowestRate*q.seconds; slow && j == i && q.seconds >= holdS {
				lo, hi = (q.from+q.to)/2, (q.from+q.to)/2
				seconds += q.seconds
				continue
			}
			l, h := min(lo, q.from, q.to), max(hi, q.from, q.to)
			if h-l > tilt {
				break
			}
			lo, hi = l, h
			seconds += q.seconds
		}
		for k := j; k > i; k-- {
			if seconds >= holdS {
				all = append(all, group{i, k, seconds})
			}
			seconds -= p[k-1].seconds
		}
	}
	slices.SortStableFunc(all, func(a, b group) int { return cmp.Compare(b.seconds, a.seconds) })
	taken := make([]bool, len(p))
	var out [][2]int
	for _, g := range all {
		if slices.Contains(taken[g.i:g.j], true) {
			continue
		}
		whole := piece{from: p[g.i].from, to: p[g.j-1].to, seconds: g.seconds}
		if g.i > 0 && !taken[g.i-1] && whole.of(&p[g.i-1]) || g.j < len(p) && !taken[g.j] && whole.of(&p[g.j]) {
			continue
		}
		for k := g.i; k < g.j; k++ {
			taken[k] = true
		}
		out = append(out, [2]int{g.i, g.j})
	}
	slices.SortFunc(out, func(a, b [2]int) int { return a[0] - b[0] })
	return out
}

// of is whether p goes the way of its neighbour q and more than a third as fast:
// then it is a part of the pull that q is of.
func (p *piece) of(q *piece) bool {
	x, y := p.rate(), q.rate()
	return x*y > 0 && math.Abs(x) > max(slowestRate, math.Abs(y)/3)
}

// Limits of how speed is cut into pieces.
const (
	cellSparks = 5    // sparks, least, of which one median is taken
	cellS      = 0.08 // and seconds, least
	leastCells = 3    // in a piece
	// How far the lines of a hold may go up or down: more than holdBand to either
	// side, since they take in the end of a pull, which is cut off afterwards.
	tilt     = 3 * holdBand
	longestS = 120. // of a piece: what goes on longer is cut, and joined again
	// leastNoise is how far, as a part of the speed, it may stray from a line and
	// still be called straight: what bends less is no bend to a mechanic.
	leastNoise = 0.007
	// bend is what a further piece must gain, in squares of the noise. The
	// criteria of Akaike and Schwarz would ask for 6 and for 3·log(cells), some 20
	// to 30, where noise is without memory; an engine's is not.
	bend = 25.
)

// cell is the median of a few sparks next to each other.
type cell struct {
	a, b int     // sparks
	t, x float64 // mean time, median of the logarithm of speed
	w    float64 // 1/noise²
}

// pieces cuts sparks [a, b) into straight pieces such that the sum of squared
// departures, in units of the noise, and bend for each piece, is least. That is
// optimal partitioning with the pruning of R. Killick, P. Fearnhead and I. A.
// Eckley, "Optimal detection of changepoints with a linear computational cost",
// Journal of the American Statistical Association 107 (2012), 1590-1598, section
// 3.
func (s *splitter) pieces(a, b int) []piece {
	c := s.cells(a, b)
	n := len(c)
	if n == 0 {
		return nil
	}
	// best[j] is the least cost of the first j cells, cut[j] where its last piece
	// begins. The candidates grow as cells are added, each with its own origin,
	// so that an hour's times do not eat the digits.
	best, cut := make([]float64, n+1), make([]int, n+1)
	best[0] = -bend
	type candidate struct {
		from int
		line line
	}
	live := make([]candidate, 0, 256)
	for j := 1; j <= n; j++ {
		live = append(live, candidate{from: j - 1})
		best[j] = math.Inf(1)
		for k := range live {
			d := &live[k]
			d.line.add(c[j-1].t-c[d.from].t, c[j-1].x-c[d.from].x, c[j-1].w)
			if j-d.from < leastCells && !(j == n && d.from == 0) {
				continue
			}
			if v := best[d.from] + d.line.rest() + bend; v < best[j] {
				best[j], cut[j] = v, d.from
			}
		}
		kept := live[:0]
		for _, d := range live {
			young := j-d.from < leastCells
			if young || best[d.from]+d.line.rest() <= best[j] && c[j-1].t-c[d.from].t < longestS {
				kept = append(kept, d)
			}
		}
		live = kept
	}
	if math.IsInf(best[n], 1) {
		cut[n] = 0
	}
	var out []piece
	for j := n; j > 0; j = cut[j] {
		i := cut[j]
		var l line
		for _, q := range c[i:j] {
			l.add(q.t-c[i].t, q.x-c[i].x, q.w)
		}
		p := piece{a: c[i].a, b: c[j-1].b, seconds: s.t[c[j-1].b-1] - s.t[c[i].a]}
		p.from, p.to = c[i].x+l.at(s.t[p.a]-c[i].t), c[i].x+l.at(s.t[p.b-1]-c[i].t)
		out = append(out, p)
	}
	slices.Reverse(out)
	return out
}

// cells are the medians that pieces are made of.
func (s *splitter) cells(a, b int) []cell {
	var out []cell
	for i := a; i < b; {
		k := i + 1
		for k < b && (k-i < cellSparks || s.t[k]-s.t[i] < cellS) {
			k++
		}
		if b-k < cellSparks {
			k = b
		}
		t := 0.0
		for _, v := range s.t[i:k] {
			t += (v - s.t[i]) / float64(k-i)
		}
		out = append(out, cell{a: i, b: k, t: s.t[i] + t, x: median(slices.Clone(s.raw[i:k]))})
		i = k
	}
	// A cell between two others that differs from both is a fault of seeing.
	x := make([]float64, len(out))
	for i := range out {
		x[i] = out[i].x
	}
	for i := 1; i+1 < len(out); i++ {
		out[i].x = median([]float64{x[i-1], x[i], x[i+1]})
	}
	// The noise around each, from second differences, of which a ramp has none.
	const reach = 20
	second := make([]float64, len(out))
	for i := 1; i+1 < len(out); i++ {
		second[i] = math.Abs(out[i-1].x - 2*out[i].x + out[i+1].x)
	}
	noise := make([]float64, len(out))
	runningMedian(noise, second, func(i int) (int, int) { return i - reach, i + reach + 1 })
	for i := range out {
		v := max(leastNoise, 1.4826*noise[i]/math.Sqrt(6))
		out[i].w = 1 / (v * v)
	}
	return out
}

// line is a weighted least-squares line that grows point by point.
type line struct {
	w, t, x    float64 // weight, weighted means
	tt, tx, xx float64 // weighted sums about the means
}

// add takes in a point (W. P. Welford's update, weighted, of means and sums).
func (l *line) add(t, x, w float64) {
	l.w += w
	r := w / l.w
	dt, dx := t-l.t, x-l.x
	l.t += r * dt
	l.x += r * dx
	l.tt += w * dt * (t - l.t)
	l.tx += w * dt * (x - l.x)
	l.xx += w * dx * (x - l.x)
}

// rest is the weighted sum of squared departures from the line.
func (l *line) rest() float64 {
	if l.tt <= 0 {
		return max(0, l.xx)
	}
	return max(0, l.xx-l.tx*l.tx/l.tt)
}

// at is the line's value.
func (l *line) at(t float64) float64 {
	if l.tt <= 0 {
		return l.x
	}
	return l.x + l.tx/l.tt*(t-l.t)
}
