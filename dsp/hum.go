package dsp

import (
	"math"
	"math/cmplx"
	"slices"
)

// humFilter takes mains hum out of a channel: a sinusoid near 50 or 60 Hz with
// its harmonics, of slowly wandering phase and size.
//
// Hum is what goes on between the pulses. An engine's own pulses may come 50
// times a second as well; so the sinusoids are fitted by least squares to short
// means of the signal with whatever stands out of them left out, over a second
// at a time, four times a second. Between two fits the one is faded into the
// other, and the sum is taken from the samples.
type humFilter struct {
	rate Rate
	on   bool
	// looked is set once hum was looked for.
	looked bool
	block  int // samples in a mean
	hop    int // means from one fit to the next
	model  humModel

	raw    []float32 // samples not yet passed on, from sample done on
	done   int64
	means  []float64 // from mean number first on
	first  int
	part   float64 // of the mean in the making
	partN  int
	fits   int // fits made
	before humModel
	out    []float32
	level  levelMeter // of the samples as they came
	piece  []float32  // not yet seen by level
	sizes  sizes
	peaks  []float64 // of the hum, fit by fit, thinned
}

// humModel is the hum about one moment.
type humModel struct {
	hz     float64
	orders []int        // harmonics present, 1 the fundamental
	amp    []complex128 // of each: real part cosine, imaginary part sine, at the moment
}

const (
	humMeansHz = 2400.0 // means per second
	humHopS    = 0.25
	humOrders  = 12 // harmonics looked for, up to 720 Hz
	humStepS   = 0.2e-3
)

func newHumFilter(r Rate) *humFilter {
	h := &humFilter{rate: r, block: max(1, int(math.Round(float64(r)/humMeansHz))), sizes: sizesFor(r)}
	h.hop = int(math.Round(humHopS * float64(r) / float64(h.block)))
	h.level = newLevelMeter()
	return h
}

// blockMeans are the means of x, block by block.
func (h *humFilter) blockMeans(x []float32) []float64 {
	out := make([]float64, 0, len(x)/h.block+1)
	for i := 0; i+h.block <= len(x); i += h.block {
		var s float32
		for _, v := range x[i : i+h.block] {
			s += v
		}
		out = append(out, float64(s)/float64(h.block))
	}
	return out
}

// find looks for hum in x, the beginning of the recording. ratio is by how
// much what lies between the pulses shrinks when the hum is taken out of it,
// peak the greatest excursion of the hum; 0 where there is none.
func (h *humFilter) find(x []float32) (ratio, peak float64) {
	const mostS = 4.0 // enough to know the frequency to 0.05 Hz
	y := h.blockMeans(x[:min(len(x), int(mostS*float64(h.rate)))])
	dt := float64(h.block) / float64(h.rate)
	const leastS = 0.4
	if float64(len(y))*dt < leastS {
		return 0, 0
	}
	middle := medianOf(y)
	scale := spread(y)
	if scale == 0 {
		return 0, 0
	}
	clean := make([]float64, len(y))
	for i, v := range y {
		clean[i] = math.Max(-2*scale, math.Min(2*scale, v-middle))
	}
	for _, mains := range []float64{50, 60} {
		hz := h.loudest(clean, mains, dt)
		m, left, ok := h.findAt(y, hz, dt)
		if r := scale / math.Max(left, 1e-12); ok && r > ratio {
			ratio, peak = r, m.peak()
			h.model = m.moved(-float64(len(y)) / 2 * dt)
		}
	}
	return ratio, peak
}

// loudest is the frequency near that of the mains whose fundamental and first
// harmonics are the strongest in y. Mains keep to within a fraction of 1 %,
// and so do recorders' clocks.
func (h *humFilter) loudest(y []float64, mains, dt float64) float64 {
	best, hz := 0.0, mains
	step := 0.2 / (float64(len(y)) * dt)
	for f := mains * 0.992; f <= mains*1.008; f += step {
		sum := 0.0
		// The four side by side, since each step waits for the one before it.
		var turn, c [4]complex128
		for k := range turn {
			turn[k] = cmplx.Rect(1, 2*math.Pi*f*float64(k+1)*dt)
		}
		t0, t1, t2, t3 := turn[0], turn[1], turn[2], turn[3]
		z0, z1, z2, z3 := complex(1, 0), complex(1, 0), complex(1, 0), complex(1, 0)
		for _, v := range y {
			c[0] += complex(v*real(z0), v*imag(z0))
			c[1] += complex(v*real(z1), v*imag(z1))
			c[2] += complex(v*real(z2), v*imag(z2))
			c[3] += complex(v*real(z3), v*imag(z3))
			z0, z1, z2, z3 = z0*t0, z1*t1, z2*t2, z3*t3
		}
		for _, c := range c {
			sum += real(c)*real(c) + imag(c)*imag(c)
		}
		if sum > best {
			best, hz = sum, f
		}
	}
	return hz
}

// findAt fits hum of a frequency to y; the model is of the middle of y, left
// the spread of what it leaves. ok is false where there is none, or none that
// stays.
func (h *humFilter) findAt(y []float64, hz, dt float64) (m humModel, left float64, ok bool) {
	// A few harmonics first: they cannot bend to pulses that come as often as
	// the hum, which so stand out and are left out when more are fitted.
	m = humModel{hz: hz}
	at := float64(len(y)) / 2
	for k := 1; k <= humOrders; k++ {
		m.orders = append(m.orders, k)
		m.amp = append(m.amp, 0)
		if k == 2 || k > 2 && k%3 == 0 {
			if m, left, ok = m.fit(y, at, dt, k > 2); !ok {
				return m, 0, false
			}
			// Less than the rest by so much, it makes no half of it.
			if k == 2 && m.peak() < 0.5*left {
				return m, 0, false
			}
		}
	}
	// Harmonics that are there: well above what noise makes of a fit.
	noise := left * math.Sqrt(2/float64(len(y)))
	var keep humModel
	keep.hz = m.hz
	for i, a := range m.amp {
		if cmplx.Abs(a) > 6*noise {
			keep.orders = append(keep.orders, m.orders[i])
			keep.amp = append(keep.amp, a)
		}
	}
	if len(keep.orders) == 0 {
		return m, 0, false
	}
	m, _, ok = keep.fit(y, at, dt, true)
	if !ok {
		return m, 0, false
	}
	// Hum stays: thirds of the stretch agree with each other. How it turns from
	// one to the next is what its frequency is off.
	third := len(y) / 3
	strong := m.strongest()
	var turn [3]float64
	for i := range 3 {
		c := (float64(i) + 0.5) * float64(third)
		p := m.moved((c - at) * dt)
		q, _, ok := p.fit(y[i*third:(i+1)*third], c-float64(i*third), dt, true)
		size := cmplx.Abs(q.amp[strong]) / cmplx.Abs(p.amp[strong])
		turn[i] = cmplx.Phase(q.amp[strong] / p.amp[strong])
		if !ok || size < 0.6 || size > 1.6 || math.Abs(turn[i]) > 1 {
			return m, 0, false
		}
	}
	m.hz += (turn[2] - turn[0]) / (2 * math.Pi * float64(m.orders[strong]) * 2 * float64(third) * dt)
	m, left, ok = m.fit(y, at, dt, true)
	if !ok {
		return m, 0, false
	}
	return m, left, true
}

func (m humModel) strongest() int {
	best := 0
	for i, a := range m.amp {
		if cmplx.Abs(a) > cmplx.Abs(m.amp[best]) {
			best = i
		}
	}
	return best
}

// peak is the most that the hum can reach.
func (m humModel) peak() float64 {
	s := 0.0
	for _, a := range m.amp {
		s += cmplx.Abs(a)
	}
	return s
}

// moved is the same hum seen seconds later.
func (m humModel) moved(seconds float64) humModel {
	out := humModel{hz: m.hz, orders: m.orders, amp: slices.Clone(m.amp)}
	for i, k := range m.orders {
		// amp = c - js for c·cos + s·sin: later by t it has turned on by ωt.
		out.amp[i] *= cmplx.Rect(1, 2*math.Pi*m.hz*float64(k)*seconds)
	}
	return out
}

// fit finds the hum in the means y, spaced dt seconds; at is where in y the
// amplitudes hold. What stands out of the rest is left out: of what the hum
// as given leaves where known is set. left is the spread of what remains.
func (m humModel) fit(y []float64, at, dt float64, known bool) (out humModel, left float64, ok bool) {
	n := 1 + 2*len(m.orders)
	turns := make([]complex128, len(m.orders))
	start := make([]complex128, len(m.orders))
	for i, k := range m.orders {
		w := 2 * math.Pi * m.hz * float64(k) * dt
		turns[i] = cmplx.Rect(1, w)
		start[i] = cmplx.Rect(1, -w*at)
	}
	res := make([]float64, len(y))
	coef := make([]float64, n)
	coef[0] = medianOf(thinOut(y, 1000))
	if known {
		for i, a := range m.amp {
			coef[1+2*i], coef[2+2*i] = real(a), -imag(a)
		}
	}
	z := make([]complex128, len(turns))
	residuals := func() {
		copy(z, start)
		for j, s := range y {
			s -= coef[0]
			for i, t := range turns {
				u := z[i]
				s -= coef[1+2*i]*real(u) + coef[2+2*i]*imag(u)
				z[i] = u * t
			}
			res[j] = s
		}
	}
	rounds, first := 3, 2.5
	if !known {
		rounds, first = 6, 4
	}
	g := make([]float64, n*n)
	r := make([]float64, n)
	var side [4][]float64 // equations not yet in g and r: the terms, then what they add up to
	for i := range side {
		side[i] = make([]float64, n+1)
	}
	for round := range rounds {
		residuals()
		few := thinOut(res, 1000)
		mid, s := medianOf(few), spread(few)
		left = s
		if round == rounds-1 {
			break
		}
		limit := math.Max(first, 2.5) * s
		first -= 0.5
		clear(g)
		clear(r)
		used := 0
		copy(z, start)
		for j, x := range y {
			if math.Abs(res[j]-mid) <= limit {
				v := side[used%len(side)]
				v[0], v[n] = 1, x
				for i, u := range z {
					v[1+2*i], v[2+2*i] = real(u), imag(u)
				}
				if used++; used%len(side) == 0 {
					addProducts(g, r, side[:], n)
				}
			}
			for i, t := range turns {
				z[i] *= t
			}
		}
		addProducts(g, r, side[:used%len(side)], n)
		if used < 4*n || used*10 < len(y)*3 || !solveSymmetric(g, r, coef, n) {
			return m, left, false
		}
	}
	out = humModel{hz: m.hz, orders: m.orders, amp: make([]complex128, len(m.orders))}
	for i := range out.amp {
		out.amp[i] = complex(coef[1+2*i], -coef[2+2*i])
	}
	return out, left, true
}

// addProducts adds equations, four at most, of n terms and their sum, to the lower triangle
// of the normal equations g and to their right side r: one after the other, but with what
// they add to in hand meanwhile.
func addProducts(g, r []float64, equations [][]float64, n int) {
	if len(equations) < 4 {
		for _, v := range equations {
			for a := range n {
				va := v[a]
				row := g[a*n : a*n+a+1]
				for b := range row {
					row[b] += va * v[b]
				}
				r[a] += va * v[n]
			}
		}
		return
	}
	v0, v1, v2, v3 := equations[0][:n+1], equations[1][:n+1], equations[2][:n+1], equations[3][:n+1]
	for a := range n {
		a0, a1, a2, a3 := v0[a], v1[a], v2[a], v3[a]
		row := g[a*n : a*n+a+1]
		w0, w1, w2, w3 := v0[:len(row)], v1[:len(row)], v2[:len(row)], v3[:len(row)]
		for b, s := range row {
			row[b] = s + a0*w0[b] + a1*w1[b] + a2*w2[b] + a3*w3[b]
		}
		r[a] = r[a] + a0*v0[n] + a1*v1[n] + a2*v2[n] + a3*v3[n]
	}
}

// solveSymmetric solves g·x = r, g given by its lower triangle and positive
// definite, by Cholesky's factors, which replace it; false when it is singular.
func solveSymmetric(g, r, x []float64, n int) bool {
	for i := range n {
		for j := range i + 1 {
			s := g[i*n+j]
			for k := range j {
				s -= g[i*n+k] * g[j*n+k]
			}
			if i == j {
				if !(s > 1e-12) {
					return false
				}
				g[i*n+i] = math.Sqrt(s)
			} else {
				g[i*n+j] = s / g[j*n+j]
			}
		}
	}
	for i := range n {
		s := r[i]
		for k := range i {
			s -= g[i*n+k] * x[k]
		}
		x[i] = s / g[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		s := x[i]
		for k := i + 1; k < n; k++ {
			s -= g[k*n+i] * x[k]
		}
		x[i] = s / g[i*n+i]
	}
	return true
}

// push takes the next samples and returns those that are ready, valid until
// the next call.
func (h *humFilter) push(x []float32) []float32 {
	h.meter(x, false)
	h.raw = append(h.raw, x...)
	for _, v := range x {
		h.part += float64(v)
		if h.partN++; h.partN == h.block {
			h.means = append(h.means, h.part/float64(h.block))
			h.part, h.partN = 0, 0
		}
	}
	h.out = h.out[:0]
	for h.first+len(h.means) >= h.fits*h.hop+2*h.hop {
		h.next()
	}
	return h.out
}

// flush ends the recording and returns the rest.
func (h *humFilter) flush() []float32 {
	h.meter(nil, true)
	h.out = h.out[:0]
	for len(h.raw) > 0 {
		h.next()
	}
	return h.out
}

// meter keeps the level of the samples as they came.
func (h *humFilter) meter(x []float32, last bool) {
	h.piece = append(h.piece, x...)
	n := h.sizes.block
	i := 0
	for ; i+n <= len(h.piece); i += n {
		h.level.block(h.piece[i : i+n])
	}
	h.piece = h.piece[:copy(h.piece, h.piece[i:])]
}

// next makes one fit and passes on what lies between the one before and it.
func (h *humFilter) next() {
	dt := float64(h.block) / float64(h.rate)
	centre := h.fits * h.hop
	lo := max(centre-2*h.hop-h.first, 0)
	hi := min(max(centre+2*h.hop-h.first, 0), len(h.means))
	m := h.model
	if h.fits > 0 {
		m = h.before.moved(float64(h.hop) * dt)
	} else {
		// The model is of the middle of the mean that begins the recording.
		m = m.moved(0)
	}
	if hi-lo >= h.hop {
		got, _, ok := m.fit(h.means[lo:hi], float64(centre-h.first-lo), dt, true)
		if ok {
			// The frequency follows the phase.
			i := m.strongest()
			if h.fits > 0 && cmplx.Abs(m.amp[i]) > 0 && cmplx.Abs(got.amp[i]) > 0 {
				turn := cmplx.Phase(got.amp[i] / m.amp[i])
				if math.Abs(turn) < 1 {
					got.hz += 0.3 * turn / (2 * math.Pi * float64(m.orders[i]) * float64(h.hop) * dt)
				}
			}
			m = got
		}
	}
	if h.fits > 0 {
		h.pass(h.before, m)
	}
	if len(h.peaks) < 1000 {
		h.peaks = append(h.peaks, m.peak())
	}
	h.before = m
	h.fits++
	if drop := centre - h.hop - h.first; drop > 4*h.hop {
		h.means = h.means[:copy(h.means, h.means[drop:])]
		h.first += drop
	}
}

// pass takes the hum out of the samples between two fits, a at the middle of
// the mean that begins them, b at that of the mean after them.
func (h *humFilter) pass(a, b humModel) {
	n := min(h.hop*h.block, len(h.raw))
	// The samples begin half a mean before a's moment.
	lead := -float64(h.block-1) / 2 / float64(h.rate)
	step := max(1, int(humStepS*float64(h.rate)))
	points := n/step + 4 // from one step before to two after
	grid := make([]float64, points)
	span := float64(h.hop*h.block) / float64(h.rate)
	dt := float64(step) / float64(h.rate)
	for e, m := range []humModel{a, b} {
		t0 := lead - dt
		if e == 1 {
			t0 -= span
		}
		for i, k := range m.orders {
			w := 2 * math.Pi * m.hz * float64(k)
			// A mean over a block is less than what it is the mean of.
			x := w / float64(h.rate) / 2
			gain := 1.0
			if h.block > 1 {
				gain = math.Sin(x*float64(h.block)) / (float64(h.block) * math.Sin(x))
			}
			z := m.amp[i] * cmplx.Rect(1/gain, w*t0)
			turn := cmplx.Rect(1, w*dt)
			for p := range grid {
				f := math.Max(0, math.Min(1, (float64(p-1)*dt+lead)/span))
				if e == 0 {
					f = 1 - f
				}
				grid[p] += f * real(z)
				z *= turn
			}
		}
	}
	from := len(h.out)
	h.out = append(h.out, h.raw[:n]...)
	out := h.out[from:]
	for p := 0; p*step < n; p++ {
		// The cubic through four points of the grid.
		y0, y1, y2, y3 := grid[p], grid[p+1], grid[p+2], grid[p+3]
		c1 := float32((-2*y0 - 3*y1 + 6*y2 - y3) / 6)
		c2 := float32((y0 - 2*y1 + y2) / 2)
		c3 := float32((-y0 + 3*y1 - 3*y2 + y3) / 6)
		c0 := float32(y1)
		inv := 1 / float32(step)
		seg := out[p*step : min((p+1)*step, n)]
		for i, v := range seg {
			if v >= clipLevel || v <= -clipLevel {
				continue // an end stop knows no hum
			}
			u := float32(i) * inv
			seg[i] = v - (c0 + u*(c1+u*(c2+u*c3)))
		}
	}
	h.raw = h.raw[:copy(h.raw, h.raw[n:])]
	h.done += int64(n)
}

// thinOut keeps about n values of x, evenly spread.
func thinOut(x []float64, n int) []float64 {
	step := max(1, len(x)/n)
	out := make([]float64, 0, len(x)/step+1)
	for i := 0; i < len(x); i += step {
		out = append(out, x[i])
	}
	return out
}
