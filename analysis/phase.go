package analysis

import (
	"math"
	"sort"
)

// reading is the crank's phase at one moment.
type reading struct {
	phi    float64 // revolutions
	rate   float64 // revolutions per second
	sigma  float64 // standard uncertainty of phi from the reference events and the bridging, revolutions
	bridge bool    // between events with a missed one among the four used
}

// find returns k with nodes[k].t <= t < nodes[k+1].t (the last node belongs to
// the last interval), trying hint first; ok is false outside the nodes.
func (s *segment) find(t float64, hint int) (k int, ok bool) {
	n := len(s.nodes)
	if n < 2 || !(t >= s.nodes[0].t && t <= s.nodes[n-1].t) {
		return 0, false
	}
	for k := max(hint, 0); k < hint+4 && k < n-1; k++ {
		if s.nodes[k].t <= t && t < s.nodes[k+1].t {
			return k, true
		}
	}
	k = sort.Search(n, func(i int) bool { return s.nodes[i].t > t }) - 1
	return min(k, n-2), true
}

// at reads the phase at t, between nodes k and k+1, from the cubic through the
// four neighbouring events (Lagrange; fewer near the ends of a short segment).
// The phase of a shaft under constant angular acceleration is a polynomial of
// second degree in time, so it is met exactly. Where the cubic is not
// monotone or leaves the bracket, the straight line stands in with a larger
// sigma. There is no extrapolation: find refuses.
func (s *segment) at(t float64, k int) reading {
	n := len(s.nodes)
	m := min(4, n)
	a := min(max(k-1, 0), n-m)
	p := s.nodes[a : a+m]
	lo, hi := s.nodes[k], s.nodes[k+1]

	phi, rate, variance := lagrange(p, t, lo.phi)
	r := reading{phi: phi, rate: rate}
	step := smallestStep(p)
	for i := range len(p) - 1 {
		if p[i+1].phi-p[i].phi > 1.5*step {
			r.bridge = true
		}
	}
	if !(phi >= lo.phi && phi <= hi.phi && rate > 0) {
		f := (t - lo.t) / (hi.t - lo.t)
		r.rate = (hi.phi - lo.phi) / (hi.t - lo.t)
		r.phi = lo.phi + f*(hi.phi-lo.phi)
		lin := r.rate * math.Hypot((1-f)*lo.sigma, f*hi.sigma)
		r.sigma = math.Hypot(lin, 0.1*f*(1-f)*4*(hi.phi-lo.phi))
		return r
	}
	// What the curvature leaves open: a quarter of the difference between the
	// parabolas through the left three and the right three (from experiments,
	// no source); twice that across a missed event. In the first and the last
	// interval one of the two would be extrapolated: there it is the whole of
	// the difference between the cubic and the parabola through the nearest
	// three, which is as much of the cubic's last term.
	if m == 4 {
		l, _, _ := lagrange(p[:3], t, lo.phi)
		q, _, _ := lagrange(p[1:], t, lo.phi)
		open := 0.25 * math.Abs(l-q)
		switch k - a {
		case 0:
			open = math.Abs(phi - l)
		case 2:
			open = math.Abs(phi - q)
		}
		if r.bridge {
			open *= 2
		}
		variance += open * open
	}
	r.sigma = math.Sqrt(variance)
	return r
}

func smallestStep(p []node) float64 {
	s := math.Inf(1)
	for i := range len(p) - 1 {
		s = math.Min(s, p[i+1].phi-p[i].phi)
	}
	return s
}

// lagrange evaluates the polynomial through p at t: value, slope, and the
// variance of the value from the sigmas of the nodes' times. base keeps the
// sums small.
func lagrange(p []node, t, base float64) (phi, rate, variance float64) {
	var w, dw [4]float64
	for i := range p {
		num, den, der := 1.0, 1.0, 0.0
		for j := range p {
			if j == i {
				continue
			}
			d := t - p[j].t
			der = der*d + num
			num *= d
			den *= p[i].t - p[j].t
		}
		w[i], dw[i] = num/den, der/den
	}
	for i := range p {
		phi += w[i] * (p[i].phi - base)
		rate += dw[i] * (p[i].phi - base)
	}
	for i := range p {
		e := w[i] * rate * p[i].sigma
		variance += e * e
	}
	return base + phi, rate, variance
}

// timeAt is the inverse of at: when the phase is phi, by the cubic in phi
// through the four neighbouring events, held inside its bracket. Beyond the
// ends it returns the end's time.
func (s *segment) timeAt(phi float64) float64 {
	n := len(s.nodes)
	if phi <= s.nodes[0].phi {
		return s.nodes[0].t
	}
	if phi >= s.nodes[n-1].phi {
		return s.nodes[n-1].t
	}
	k := sort.Search(n, func(i int) bool { return s.nodes[i].phi > phi }) - 1
	return s.timeNear(phi, min(k, n-2))
}

// timeNear is timeAt with the interval known to lie at or near k.
func (s *segment) timeNear(phi float64, k int) float64 {
	n := len(s.nodes)
	for k > 0 && s.nodes[k].phi > phi {
		k--
	}
	for k < n-2 && s.nodes[k+1].phi < phi {
		k++
	}
	m := min(4, n)
	a := min(max(k-1, 0), n-m)
	t := 0.0
	for i := a; i < a+m; i++ {
		w := 1.0
		for j := a; j < a+m; j++ {
			if j != i {
				w *= (phi - s.nodes[j].phi) / (s.nodes[i].phi - s.nodes[j].phi)
			}
		}
		t += w * (s.nodes[i].t - s.nodes[k].t)
	}
	return math.Min(math.Max(s.nodes[k].t+t, s.nodes[k].t), s.nodes[k+1].t)
}

// rpmAt is the mean speed over one revolution centred on phase phi, in rpm;
// over what is there of it near the ends of the segment.
func (s *segment) rpmAt(phi float64, k int) float64 {
	n := len(s.nodes)
	first, last := s.nodes[0].phi, s.nodes[n-1].phi
	half := 0.5
	// Keep the window centred where the segment allows at least a quarter turn
	// on both sides; nearer to an end take one revolution from the end.
	if d := math.Min(phi-first, last-phi); d < half {
		if d >= 0.25 {
			half = d
		} else {
			from := math.Max(first, math.Min(phi-0.5, last-1))
			to := math.Min(last, from+1)
			if to <= from {
				return 0
			}
			return 60 * (to - from) / (s.timeNear(to, k) - s.timeNear(from, k))
		}
	}
	return 60 * 2 * half / (s.timeNear(phi+half, k) - s.timeNear(phi-half, k))
}
