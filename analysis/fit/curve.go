package fit

import (
	"cmp"
	"math"
	"slices"
)

// MostCorners is how many corners a curve may have.
const MostCorners = 4

// Limits of where corners may lie.
const (
	leastPoints = 3    // in every straight piece
	leastShare  = 0.02 // of the whole width for every straight piece
	gridCells   = 20   // of equal width; corners are first sought at their borders
)

// full is the number of parameters of a curve with MostCorners, corners included.
const full = 2 + 2*MostCorners

// Curve is a continuous curve of straight pieces with its full covariance.
type Curve struct {
	X0        float64   // unit of x
	A, B      float64   // value of the first piece at X0 (which may lie beyond it), and its slope
	Corners   []float64 // where it bends, ascending
	Bends     []float64 // change of slope at each corner
	EndsAlike bool      // the first and the last piece were given one slope
	Scale     float64   // residual standard deviation, in the unit of y, at the points' typical weight
	N         int       // points
	// cov is of A, B, Bends …, Corners …, in this order.
	cov [full][full]float64
}

// gradient is how the value at x depends on A, B, Bends …, Corners ….
func (c *Curve) gradient(x float64) (g [full]float64) {
	k := len(c.Corners)
	g[0], g[1] = 1, x-c.X0
	for j, q := range c.Corners {
		if x > q {
			g[2+j], g[2+k+j] = x-q, -c.Bends[j]
		}
	}
	return g
}

// variance of what depends on the parameters by g.
func (c *Curve) variance(g *[full]float64) float64 {
	p := 2 + 2*len(c.Corners)
	v := 0.0
	for i := range p {
		for j := range p {
			v += g[i] * g[j] * c.cov[i][j]
		}
	}
	return math.Max(0, v)
}

// At is the curve's value at x and its variance: for the mean of y there, not
// for a single y.
func (c *Curve) At(x float64) (y, variance float64) {
	y = c.A + c.B*(x-c.X0)
	for j, q := range c.Corners {
		if x > q {
			y += c.Bends[j] * (x - q)
		}
	}
	g := c.gradient(x)
	return y, c.variance(&g)
}

// Slope of piece i, counted from 0, and its variance.
func (c *Curve) Slope(i int) (slope, variance float64) {
	var g [full]float64
	g[1], slope = 1, c.B
	for j := range i {
		g[2+j] = 1
		slope += c.Bends[j]
	}
	return slope, c.variance(&g)
}

// Corner j, counted from 0: where it lies, what the curve is there, and the
// variances of both. That of y is of the corner itself, wherever it lies, and
// so holds the uncertainty of x too.
func (c *Curve) Corner(j int) (x, y, varX, varY float64) {
	k := len(c.Corners)
	x = c.Corners[j]
	y, _ = c.At(x)
	g := c.gradient(x)
	g[2+k+j], _ = c.Slope(j)
	return x, y, c.cov[2+k+j][2+k+j], c.variance(&g)
}

// Rise is how much the curve rises from its first corner to its last beyond
// what its first piece's slope would give, and its variance. It needs a corner.
func (c *Curve) Rise() (rise, variance float64) {
	k := len(c.Corners)
	var g [full]float64
	last := c.Corners[k-1]
	for j := range k - 1 {
		rise += c.Bends[j] * (last - c.Corners[j])
		g[2+j] = last - c.Corners[j]
		g[2+k+j] = -c.Bends[j]
		g[2+k+k-1] += c.Bends[j]
	}
	return rise, c.variance(&g)
}

// Inflate multiplies all variances, as Line.Inflate does.
func (c *Curve) Inflate(by float64) {
	for i := range c.cov {
		for j := range c.cov {
			c.cov[i][j] *= by
		}
	}
}

// line is a curve without corners as a line, about the place where its value
// and its slope are uncorrelated.
func (c *Curve) line() Line {
	l := Line{A: c.A, B: c.B, X0: c.X0, VarA: c.cov[0][0], VarB: c.cov[1][1], Scale: c.Scale, N: c.N}
	if l.VarB > 0 {
		d := -c.cov[0][1] / l.VarB
		l.X0 += d
		l.A += c.B * d
		l.VarA = math.Max(0, l.VarA-d*d*l.VarB)
	}
	return l
}

// Departure is the farthest that two curves lie apart between from and to.
func (c *Curve) Departure(d *Curve, from, to float64) float64 {
	at := []float64{from, to}
	for _, q := range slices.Concat(c.Corners, d.Corners) {
		if q > from && q < to {
			at = append(at, q)
		}
	}
	most := 0.0
	for _, x := range at { // the difference of two such curves is one itself
		a, _ := c.At(x)
		b, _ := d.At(x)
		most = math.Max(most, math.Abs(a-b))
	}
	return most
}

// points are scattered numbers in order of x, with running sums that make the
// least squares over any stretch a matter of a few additions. Inside, x counts
// from x0 in units of wide.
type points struct {
	x          []float64 // ascending, as given
	x0, wide   float64
	lo, hi     float64 // ends in the inner unit
	u, y, w    []float64
	s0, s1, s2 []float64 // sums of w, w·u, w·u² over the points before
	sy, suy    []float64
	syy, mean  float64 // of y about mean
	least      int
	grid       []float64 // inner unit
	sumW       float64
}

// newPoints takes x in ascending order.
func newPoints(x []float64) *points {
	n := len(x)
	p := &points{x: x, least: leastPoints}
	p.x0 = (x[0] + x[n-1]) / 2
	p.wide = (x[n-1] - x[0]) / 2
	p.u = make([]float64, n)
	for i, v := range x {
		p.u[i] = (v - p.x0) / p.wide
	}
	p.lo, p.hi = -1, 1
	for _, q := range []*[]float64{&p.s0, &p.s1, &p.s2, &p.sy, &p.suy} {
		*q = make([]float64, n+1)
	}
	// Borders of the grid's cells, as far as there are points between them.
	at := p.least - 1
	for i := 1; i < gridCells; i++ {
		c := -1 + 2*float64(i)/gridCells
		if k := p.after(c); k > at && n-k >= p.least {
			p.grid = append(p.grid, c)
			at = k
		}
	}
	return p
}

// after is the number of points at or below c.
func (p *points) after(c float64) int {
	i, _ := slices.BinarySearchFunc(p.u, c, func(e, t float64) int {
		if e <= t {
			return -1
		}
		return 1
	})
	return i
}

// set takes values and weights.
func (p *points) set(y, w []float64) {
	p.y, p.w = y, w
	var sw, m float64
	for i, v := range y {
		sw += w[i]
		m += w[i] * (v - m) / sw
	}
	p.mean, p.sumW, p.syy = m, sw, 0
	for i, v := range y {
		d := v - m
		p.s0[i+1] = p.s0[i] + w[i]
		p.s1[i+1] = p.s1[i] + w[i]*p.u[i]
		p.s2[i+1] = p.s2[i] + w[i]*p.u[i]*p.u[i]
		p.sy[i+1] = p.sy[i] + w[i]*d
		p.suy[i+1] = p.suy[i] + w[i]*p.u[i]*d
		p.syy += w[i] * d * d
	}
}

// moments are the sums over the points beyond a place.
type moments struct{ s0, s1, s2, sy, suy float64 }

func (p *points) beyond(i int) moments {
	n := len(p.u)
	return moments{p.s0[n] - p.s0[i], p.s1[n] - p.s1[i], p.s2[n] - p.s2[i], p.sy[n] - p.sy[i], p.suy[n] - p.suy[i]}
}

// system is the normal equations of a curve about given corners.
type system struct {
	k    int
	c    [MostCorners]float64
	m    [MostCorners]moments
	all  moments
	gram [full][full]float64
	rhs  [full]float64
}

// place sets the corners; ok is false where a piece has too few points or is
// too short.
func (p *points) place(s *system, c []float64) bool {
	s.k = len(c)
	s.all = p.beyond(0)
	last, at := p.lo, 0
	for j, q := range c {
		if !(q-last >= 2*leastShare) {
			return false
		}
		i := p.after(q)
		if i-at < p.least {
			return false
		}
		s.c[j], s.m[j] = q, p.beyond(i)
		last, at = q, i
	}
	return len(c) == 0 || p.hi-last >= 2*leastShare && len(p.u)-at >= p.least
}

// linear fills in the equations of 1, u and the hinges (u - c)+.
func (s *system) linear() {
	g := &s.gram
	g[0][0], g[0][1], g[1][1] = s.all.s0, s.all.s1, s.all.s2
	s.rhs[0], s.rhs[1] = s.all.sy, s.all.suy
	for j := range s.k {
		m, c := &s.m[j], s.c[j]
		g[0][2+j] = m.s1 - c*m.s0
		g[1][2+j] = m.s2 - c*m.s1
		s.rhs[2+j] = m.suy - c*m.sy
		for i := 0; i <= j; i++ {
			g[2+i][2+j] = m.s2 - (s.c[i]+c)*m.s1 + s.c[i]*c*m.s0
		}
	}
}

// corners adds the equations of moving the corners, with bends b.
func (s *system) corners(b []float64) {
	g, k := &s.gram, s.k
	for j := range k {
		m := &s.m[j]
		at := 2 + k + j
		g[0][at], g[1][at] = -b[j]*m.s0, -b[j]*m.s1
		s.rhs[at] = -b[j] * m.sy
		for i := range k {
			later := m
			if i > j {
				later = &s.m[i]
			}
			g[2+i][at] = -b[j] * (later.s1 - s.c[i]*later.s0)
			if i <= j {
				g[2+k+i][at] = b[i] * b[j] * m.s0
			}
		}
	}
}

// mirror makes the first p rows and columns symmetric.
func (s *system) mirror(p int) {
	for i := range p {
		for j := range i {
			s.gram[i][j] = s.gram[j][i]
		}
	}
}

// tie is the map from free parameters to all p of them with ends alike: the
// last of k bends is minus the sum of the others.
func tie(p, k int) (t *[full][full]float64, free int) {
	t = new([full][full]float64)
	for i := range p {
		if i == 1+k {
			for j := 2; j < 1+k; j++ {
				t[i][j] = -1
			}
			continue
		}
		t[i][free] = 1
		free++
	}
	return t, free
}

// solve returns the parameters that solve the p equations under the tie, and,
// if wanted, the inverse of the tied system spread over all parameters.
func (s *system) solve(p int, alike bool, inverse *[full][full]float64) (theta [full]float64, ok bool) {
	s.mirror(p)
	f := p
	a, r := &s.gram, &s.rhs
	var t *[full][full]float64
	if alike {
		var tied [full][full]float64
		var tr [full]float64
		t, f = tie(p, s.k)
		var half [full][full]float64
		for i := range p {
			for j := range f {
				for k := range p {
					half[i][j] += s.gram[i][k] * t[k][j]
				}
			}
		}
		for i := range f {
			for k := range p {
				tr[i] += t[k][i] * s.rhs[k]
				for j := range f {
					tied[i][j] += t[k][i] * half[k][j]
				}
			}
		}
		a, r = &tied, &tr
	}
	// Scaled to ones in the diagonal, then Cholesky.
	var d [full]float64
	for i := range f {
		if !(a[i][i] > 0) {
			return theta, false
		}
		d[i] = 1 / math.Sqrt(a[i][i])
	}
	var l [full][full]float64
	for i := range f {
		for j := 0; j <= i; j++ {
			v := a[i][j] * d[i] * d[j]
			for k := range j {
				v -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = v / l[j][j]
			} else if v < 1e-12 {
				return theta, false
			} else {
				l[i][i] = math.Sqrt(v)
			}
		}
	}
	back := func(b [full]float64) (x [full]float64) {
		for i := range f {
			v := b[i] * d[i]
			for k := range i {
				v -= l[i][k] * x[k]
			}
			x[i] = v / l[i][i]
		}
		for i := f - 1; i >= 0; i-- {
			v := x[i]
			for k := i + 1; k < f; k++ {
				v -= l[k][i] * x[k]
			}
			x[i] = v / l[i][i]
		}
		for i := range f {
			x[i] *= d[i]
		}
		return x
	}
	spread := func(x [full]float64) (y [full]float64) {
		if t == nil {
			return x
		}
		for i := range p {
			for j := range f {
				y[i] += t[i][j] * x[j]
			}
		}
		return y
	}
	if inverse != nil {
		var cols [full][full]float64
		for j := range f {
			var e [full]float64
			e[j] = 1
			cols[j] = spread(back(e))
		}
		for i := range p { // T·inverse·Tᵀ
			for j := range p {
				v := 0.0
				if t == nil {
					v = cols[j][i]
				} else {
					for k := range f {
						v += cols[k][i] * t[j][k]
					}
				}
				inverse[i][j] = v
			}
		}
	}
	return spread(back(*r)), true
}

// at solves for given corners: the parameters and the sum of squares left.
func (p *points) at(s *system, c []float64, alike bool) (theta [full]float64, ss float64, ok bool) {
	if !p.place(s, c) {
		return theta, 0, false
	}
	s.linear()
	if theta, ok = s.solve(2+s.k, alike, nil); !ok {
		return theta, 0, false
	}
	ss = p.syy
	for i := range 2 + s.k {
		ss -= theta[i] * s.rhs[i]
	}
	return theta, math.Max(0, ss), true
}

// model is a fitted curve in the inner unit.
type model struct {
	c     []float64
	theta [full]float64
	alike bool
	ss    float64
	mean  float64 // of y, which theta is about
}

// refine moves the corners from c to the nearest least sum of squares
// (Gauss-Newton in all parameters, the straight pieces solved anew at each
// step, steps halved while they do not help). Corner held stays where it is;
// -1: none.
func (p *points) refine(c []float64, alike bool, held int) (model, bool) {
	var s system
	m := model{c: slices.Clone(c), alike: alike, mean: p.mean}
	var ok bool
	if m.theta, m.ss, ok = p.at(&s, m.c, alike); !ok || len(c) == 0 {
		return m, ok
	}
	k := len(c)
	next := make([]float64, k)
	for range 15 {
		p.place(&s, m.c)
		s.linear()
		s.corners(m.theta[2 : 2+k])
		// The right side for a step: what the curve leaves of y.
		s.mirror(2 + 2*k)
		for i := range 2 + 2*k {
			for j := range 2 + k {
				s.rhs[i] -= s.gram[i][j] * m.theta[j]
			}
		}
		if held >= 0 {
			at := 2 + k + held
			for i := range 2 + 2*k {
				s.gram[i][at], s.gram[at][i] = 0, 0
			}
			s.gram[at][at], s.rhs[at] = 1, 0
		}
		step, ok := s.solve(2+2*k, alike, nil)
		if !ok {
			return m, true
		}
		better := false
		size := 0.0
		for f := 1.0; f > 0.05; f /= 2 {
			for j := range k {
				next[j] = m.c[j] + f*step[2+k+j]
			}
			if theta, ss, ok := p.at(&s, next, alike); ok && ss < m.ss {
				size = 0
				for j := range k {
					size = math.Max(size, math.Abs(next[j]-m.c[j]))
				}
				better = m.ss-ss > 1e-12*m.ss
				copy(m.c, next)
				m.theta, m.ss = theta, ss
				break
			}
		}
		if !better || size < 1e-9 {
			return m, true
		}
	}
	return m, true
}

// search finds the best places for k corners: all sets of the grid's borders
// by the sum of squares they leave, then a few of the best refined.
func (p *points) search(k int, alike bool) (model, bool) {
	if k == 0 {
		return p.refine(nil, false, -1)
	}
	const tries = 3
	g := len(p.grid)
	if g < k {
		return model{}, false
	}
	// Hinges at the borders less their share of 1 and u, among each other and
	// with y: then k of them leave a system of k equations.
	hinge := make([][]float64, g)
	for j := range hinge {
		hinge[j] = make([]float64, g)
	}
	with := make([]float64, g)
	all := p.beyond(0)
	det := all.s0*all.s2 - all.s1*all.s1
	if !(det > 0) {
		return model{}, false
	}
	type pair struct{ a, b float64 }
	share := make([]pair, g)
	mom := make([]moments, g)
	before := make([]int, g)
	for j, c := range p.grid {
		before[j] = p.after(c)
		mom[j] = p.beyond(before[j])
		h1, hu := mom[j].s1-c*mom[j].s0, mom[j].s2-c*mom[j].s1
		share[j] = pair{(all.s2*h1 - all.s1*hu) / det, (all.s0*hu - all.s1*h1) / det}
		with[j] = mom[j].suy - c*mom[j].sy - share[j].a*all.sy - share[j].b*all.suy
		for i := 0; i <= j; i++ {
			ci := p.grid[i]
			i1, iu := mom[i].s1-ci*mom[i].s0, mom[i].s2-ci*mom[i].s1
			v := mom[j].s2 - (ci+c)*mom[j].s1 + ci*c*mom[j].s0 - share[j].a*i1 - share[j].b*iu
			hinge[i][j], hinge[j][i] = v, v
		}
	}
	// gain of a set by Cholesky on the fly.
	type found struct {
		set  [MostCorners]int
		gain float64
	}
	var best []found
	var set [MostCorners]int
	free := k
	if alike {
		free--
	}
	gain := func() float64 {
		var l [MostCorners][MostCorners]float64
		var z [MostCorners]float64
		total := 0.0
		for i := range free {
			a := set[i]
			for j := 0; j <= i; j++ {
				b := set[j]
				v := hinge[a][b]
				if alike {
					e := set[k-1]
					v += hinge[e][e] - hinge[a][e] - hinge[b][e]
				}
				dd := v
				for q := range j {
					v -= l[i][q] * l[j][q]
				}
				if i != j {
					l[i][j] = v / l[j][j]
				} else if v <= 1e-10*dd {
					return 0
				} else {
					l[i][i] = math.Sqrt(v)
				}
			}
			v := with[a]
			if alike {
				v -= with[set[k-1]]
			}
			for q := range i {
				v -= l[i][q] * z[q]
			}
			z[i] = v / l[i][i]
			total += z[i] * z[i]
		}
		return total
	}
	var walk func(level, from int)
	walk = func(level, from int) {
		if level == k {
			v := gain()
			if len(best) == tries && v <= best[tries-1].gain {
				return
			}
			i, _ := slices.BinarySearchFunc(best, v, func(f found, v float64) int { return cmp.Compare(v, f.gain) })
			best = slices.Insert(best, i, found{set, v})
			if len(best) > tries {
				best = best[:tries]
			}
			return
		}
		for i := from; i <= g-(k-level); i++ {
			if level > 0 && before[i]-before[set[level-1]] < p.least {
				continue
			}
			set[level] = i
			walk(level+1, i+1)
		}
	}
	walk(0, 0)
	var out model
	ok := false
	c := make([]float64, k)
	for _, f := range best {
		for j := range k {
			c[j] = p.grid[f.set[j]]
		}
		if m, good := p.refine(c, alike, -1); good && (!ok || m.ss < out.ss) {
			out, ok = m, true
		}
	}
	if ok {
		out = p.polish(out)
	}
	return out, ok
}

// polish tries single corners further away and nearer: as a function of a
// corner's place the sum of squares has a least value between any two points,
// and with few points the steps of refine end in one that is not the least.
func (p *points) polish(m model) model {
	var s system
	k := len(m.c)
	next := make([]float64, k)
	for h := 1.0 / gridCells; h > 1e-6; h /= 2 {
		for j := range k {
			for _, d := range []float64{-h, h} {
				copy(next, m.c)
				next[j] += d
				if theta, ss, ok := p.at(&s, next, m.alike); ok && ss < m.ss*(1-1e-12) {
					copy(m.c, next)
					m.theta, m.ss = theta, ss
				}
			}
		}
	}
	q, ok := p.refine(m.c, m.alike, -1)
	if ok && q.ss <= m.ss {
		return q
	}
	return m
}

// values of a model at all points, into f, mean included.
func (p *points) values(m *model, f []float64) {
	i := 0
	a, b := m.mean+m.theta[0], m.theta[1]
	for j := 0; j <= len(m.c); j++ {
		end := len(p.u)
		if j < len(m.c) {
			end = p.after(m.c[j])
		}
		for ; i < end; i++ {
			f[i] = a + b*p.u[i]
		}
		if j < len(m.c) {
			a -= m.theta[2+j] * m.c[j]
			b += m.theta[2+j]
		}
	}
}

// curve turns a model into outer units; variance is that of a point of weight
// one.
func (p *points) curve(m *model, variance float64) Curve {
	k := len(m.c)
	c := Curve{X0: p.x0, A: m.mean + m.theta[0], B: m.theta[1] / p.wide, EndsAlike: m.alike, N: len(p.u), Scale: math.Sqrt(variance)}
	unit := [full]float64{0: 1, 1: 1 / p.wide}
	for j := range k {
		c.Corners = append(c.Corners, p.x0+p.wide*m.c[j])
		c.Bends = append(c.Bends, m.theta[2+j]/p.wide)
		unit[2+j], unit[2+k+j] = 1/p.wide, p.wide
	}
	var s system
	p.place(&s, m.c)
	s.linear()
	s.corners(m.theta[2 : 2+k])
	var inv [full][full]float64
	if _, ok := s.solve(2+2*k, m.alike, &inv); ok {
		for i := range 2 + 2*k {
			for j := range 2 + 2*k {
				c.cov[i][j] = variance * inv[i][j] * unit[i] * unit[j]
			}
		}
	}
	return c
}

// widen makes the variance of every corner's place at least what its profile
// asks for: the places at which the best curve leaves a sum of squares no
// larger than a 95 % interval allows, the other parameters being free. With
// few points about a corner that is wider than the tangent at the least sum of
// squares says. by is the inflation of the variances for errors that hang
// together.
func (p *points) widen(c *Curve, m *model, variance, by float64) {
	k := len(m.c)
	free := float64(len(p.u))/by - float64(2+2*k)
	if free < 1 {
		free = 1
	}
	const normal = 1.96
	t := normal + 2.4/free + 2.8/(free*free) // Student's t for 95 %, to 1 % from 3 degrees of freedom
	limit := m.ss + variance*by*t*t
	for j := range k {
		tangent := math.Sqrt(c.cov[2+k+j][2+k+j]) / p.wide
		if !(tangent > 0) {
			continue
		}
		half := 0.0
		for _, way := range []float64{-1, 1} {
			edge := false // the corner may not go there: too few points beyond
			fits := func(d float64) bool {
				at := slices.Clone(m.c)
				at[j] += way * d
				q, ok := p.refine(at, m.alike, j)
				edge = !ok
				return ok && q.ss <= limit
			}
			in, out := 0.0, t*tangent
			for range 6 {
				if !fits(out) {
					break
				}
				in, out = out, 1.5*out
			}
			for range 6 {
				if mid := (in + out) / 2; fits(mid) {
					in = mid
				} else {
					out = mid
				}
			}
			if edge { // nothing speaks against the next corner or the end
				switch {
				case way < 0 && j == 0:
					out = m.c[0] - p.lo
				case way < 0:
					out = m.c[j] - m.c[j-1]
				case j == k-1:
					out = p.hi - m.c[j]
				default:
					out = m.c[j+1] - m.c[j]
				}
			}
			half = math.Max(half, out)
		}
		if f := half / normal / tangent; f > 1 {
			at := 2 + k + j
			for i := range 2 + 2*k {
				c.cov[i][at] *= f
				c.cov[at][i] *= f
			}
		}
	}
}
