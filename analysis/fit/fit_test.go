package fit

import (
	"bufio"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var long = flag.Bool("long", false, "draw the full counts of the tables")

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.15g, want %.15g (±%g)", what, got, want, tol)
	}
}

// legs is straight lines between points, level beyond them.
func legs(p ...[2]float64) func(float64) float64 {
	return func(x float64) float64 {
		if x <= p[0][0] {
			return p[0][1]
		}
		for i := 1; i < len(p); i++ {
			if x <= p[i][0] {
				return p[i-1][1] + (p[i][1]-p[i-1][1])*(x-p[i-1][0])/(p[i][0]-p[i-1][0])
			}
		}
		return p[len(p)-1][1]
	}
}

// draw scatters n points about f from lo to hi.
func draw(rng *rand.Rand, n int, lo, hi float64, f, sd func(float64) float64, outliers float64) (x, y []float64) {
	for range n {
		v := lo + (hi-lo)*rng.Float64()
		e := sd(v) * rng.NormFloat64()
		if rng.Float64() < outliers {
			e += 10 * rng.NormFloat64()
		}
		x, y = append(x, v), append(y, f(v)+e)
	}
	return x, y
}

func alike(s float64) func(float64) float64 { return func(float64) float64 { return s } }

// TestNorris: certified values of NIST StRD, data set Norris, for the line and
// for the curve without corners.
func TestNorris(t *testing.T) {
	f, err := os.Open("../testdata/nist/Norris.dat")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var x, y []float64
	sc := bufio.NewScanner(f)
	for n := 1; sc.Scan(); n++ {
		if w := strings.Fields(sc.Text()); n >= 61 && len(w) == 2 {
			b, e1 := strconv.ParseFloat(w[0], 64)
			a, e2 := strconv.ParseFloat(w[1], 64)
			if e1 != nil || e2 != nil {
				t.Fatalf("line %d: %q", n, sc.Text())
			}
			x, y = append(x, a), append(y, b)
		}
	}
	if len(x) != 36 {
		t.Fatalf("%d observations, want 36", len(x))
	}
	l, ok := Straight(x, y, nil)
	if !ok {
		t.Fatal("no fit")
	}
	ch, ok := Choose(x, y, Options{Plain: true})
	if !ok {
		t.Fatal("no choice")
	}
	if k := len(ch.Curve.Corners); k != 0 {
		t.Errorf("%d corners in a straight line", k)
	}
	for what, l := range map[string]Line{"line": l, "curve without corners": ch.Line} {
		b0, v0 := l.At(0)
		const rel = 1e-10
		near(t, what+": B0", b0, -0.262323073774029, rel*0.26)
		near(t, what+": B1", l.B, 1.00211681802045, rel)
		near(t, what+": sd B0", math.Sqrt(v0), 0.232818234301152, rel*0.23)
		near(t, what+": sd B1", math.Sqrt(l.VarB), 0.429796848199937e-03, rel*4.3e-4)
		near(t, what+": residual sd", l.Scale, 0.884796396144373, rel)
	}
}

// TestThermometerLine: JCGM 100:2008, H.3, a line whose intercept and slope
// are correlated. Tolerances are half of the last figure printed there.
func TestThermometerLine(t *testing.T) {
	x := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	y := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	l, ok := Straight(x, y, nil)
	if !ok {
		t.Fatal("no fit")
	}
	y1, v1 := l.At(20)
	near(t, "y1", y1, -0.1712, 5e-5)
	near(t, "u(y1)", math.Sqrt(v1), 0.0029, 5e-5)
	near(t, "y2", l.B, 0.00218, 5e-6)
	near(t, "u(y2)", math.Sqrt(l.VarB), 0.00067, 5e-6)
	near(t, "r", l.Correlation(20), -0.930, 5e-4)
	near(t, "s", l.Scale, 0.0035, 5e-5)
	b, v := l.At(30)
	near(t, "b(30)", b, -0.1494, 5e-5)
	near(t, "u(b(30))", math.Sqrt(v), 0.0041, 5e-5)
	// The same from the two variances and their covariance (H.3.5), and what
	// leaving that out would give, 0.0073: the covariance matters.
	d := 30.0 - 20
	near(t, "u(b(30)) by covariance", math.Sqrt(v1+d*d*l.VarB+2*d*l.Covariance(20)), 0.0041, 5e-5)
	near(t, "without covariance", math.Sqrt(v1+d*d*l.VarB), 0.0073, 5e-5)
	// A curve without corners is the same line with the same covariance.
	ch, ok := Choose(x, y, Options{Plain: true})
	if !ok {
		t.Fatal("no choice")
	}
	b, v = ch.Line.At(30)
	near(t, "b(30) of the curve", b, -0.1494, 5e-5)
	near(t, "u(b(30)) of the curve", math.Sqrt(v), 0.0041, 5e-5)
}

// stagnant is the logarithm of the height of a stagnant surface layer against
// the logarithm of the flow: Bacon and Watts, Biometrika 58 (1971), 525-534,
// the numbers as in the BUGS examples, volume 2, "Stagnant".
func stagnant() (x, y []float64) {
	return []float64{-1.39, -1.39, -1.08, -1.08, -0.94, -0.80, -0.63, -0.63, -0.25, -0.25, -0.12, -0.12, 0.01, 0.11, 0.11, 0.11, 0.25, 0.25, 0.34, 0.34, 0.44, 0.59, 0.70, 0.70, 0.85, 0.85, 0.99, 0.99, 1.19},
		[]float64{1.12, 1.12, 0.99, 1.03, 0.92, 0.90, 0.81, 0.83, 0.65, 0.67, 0.60, 0.59, 0.51, 0.44, 0.43, 0.43, 0.33, 0.30, 0.25, 0.24, 0.13, -0.01, -0.13, -0.14, -0.30, -0.33, -0.46, -0.43, -0.65}
}

// TestStagnant: two straight lines that meet at an unknown place.
func TestStagnant(t *testing.T) {
	x, y := stagnant()
	ch, ok := Choose(x, y, Options{Plain: true})
	if !ok {
		t.Fatal("no choice")
	}
	c := ch.Curve
	if len(c.Corners) != 1 {
		t.Fatalf("corners at %v, want one", c.Corners)
	}
	at, value, vx, vy := c.Corner(0)
	s1, v1 := c.Slope(0)
	s2, v2 := c.Slope(1)
	// Least squares, recomputed with scipy 1.10.1: a grid of places, then
	// optimize.least_squares in all four parameters; standard uncertainties
	// from the inverse of JᵀJ with 25 degrees of freedom.
	const figures = 2e-7 // the program prints eight
	near(t, "corner", at, 0.035912, 1e-6)
	near(t, "value there", value, 0.52950346, figures)
	near(t, "slope before", s1, -0.42207681, figures)
	near(t, "slope after", s2, -1.01659265, figures)
	near(t, "scatter", c.Scale, 0.019371486982283723, 1e-9)
	near(t, "u(slope before)", math.Sqrt(v1), 0.01140273, figures)
	near(t, "u(slope after)", math.Sqrt(v2), 0.01411125, figures)
	for _, q := range ch.Candidates {
		if len(q.Curve.Corners) == 1 { // as the tangent has it, not yet widened
			_, _, vx, vy := q.Curve.Corner(0)
			near(t, "u(value)", math.Sqrt(vy), 0.01762416, figures)
			near(t, "u(corner)", math.Sqrt(vx), 0.02188606, figures)
		}
	}
	// The corner's is at least the tangent's, and wider as the profile asks.
	if u := math.Sqrt(vx); u < 0.02188606-figures || u > 2*0.02188606 {
		t.Errorf("u(corner) %g, want 0.0219 or a little more", u)
	}
	// Published posterior means of the same data (BUGS examples, volume 2,
	// "Stagnant", model 2, as quoted with the data): corner 0.02557, value
	// 0.538, slopes -0.417 and -1.015, scatter 0.02214. A posterior mean is not
	// the least sum of squares; it lies within its own spread of it.
	near(t, "corner, published", at, 0.02557, math.Sqrt(vx))
	near(t, "value, published", value, 0.538, math.Sqrt(vy))
	near(t, "slope before, published", s1, -0.417, math.Sqrt(v1))
	near(t, "slope after, published", s2, -1.015, math.Sqrt(v2))
}

// TestSearchIsGlobal: no set of corners on a fine grid leaves less than the
// search, by brute force with ordinary least squares solved otherwise; up to
// half a percent, which is 0.3 in the criterion of these 60 points, where a
// corner counts at least 15.
func TestSearchIsGlobal(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	for range 20 {
		f := legs([2]float64{rng.Float64() * 3, 1}, [2]float64{4 + 2*rng.Float64(), 1 + 3*rng.NormFloat64()}, [2]float64{9, 2 * rng.NormFloat64()})
		x, y := draw(rng, 60, 0, 10, f, alike(0.5), 0)
		ch, ok := Choose(x, y, Options{Plain: true})
		if !ok {
			t.Fatal("no choice")
		}
		for _, c := range ch.Candidates {
			k := len(c.Curve.Corners)
			if c.Level || c.Curve.EndsAlike || k == 0 || k > 2 {
				continue
			}
			ss := 0.0
			for i := range x {
				v, _ := c.Curve.At(x[i])
				ss += (y[i] - v) * (y[i] - v)
			}
			best := math.Inf(1)
			sorted := slices.Clone(x)
			slices.Sort(sorted)
			lo, hi := sorted[0], sorted[len(x)-1]
			room := leastShare * (hi - lo)
			allowed := func(cs ...float64) bool {
				last, at := lo, 0
				for _, q := range cs {
					i, _ := slices.BinarySearch(sorted, q)
					if q-last < room || i-at < leastPoints {
						return false
					}
					last, at = q, i
				}
				return hi-last >= room && len(x)-at >= leastPoints
			}
			for a := lo; a < hi; a += (hi - lo) / 100 {
				if k == 1 {
					if allowed(a) {
						best = math.Min(best, plainSS(x, y, a))
					}
					continue
				}
				for b := a; b < hi; b += (hi - lo) / 100 {
					if allowed(a, b) {
						best = math.Min(best, plainSS(x, y, a, b))
					}
				}
			}
			if ss > best*1.005 {
				t.Errorf("%d corners at %v leave %.6f, the grid finds %.6f", k, c.Curve.Corners, ss, best)
			}
		}
	}
}

// plainSS is the sum of squares left by a curve with corners c, by
// orthogonalising its functions one after another.
func plainSS(x, y []float64, c ...float64) float64 {
	cols := [][]float64{make([]float64, len(x)), slices.Clone(x)}
	for i := range x {
		cols[0][i] = 1
	}
	for _, q := range c {
		h := make([]float64, len(x))
		for i, v := range x {
			h[i] = math.Max(0, v-q)
		}
		cols = append(cols, h)
	}
	r := slices.Clone(y)
	take := func(v, q []float64) {
		var a, b float64
		for i := range v {
			a += v[i] * q[i]
			b += q[i] * q[i]
		}
		if b > 0 {
			for i := range v {
				v[i] -= a / b * q[i]
			}
		}
	}
	for i, q := range cols {
		for range 2 {
			for _, p := range cols[:i] {
				take(q, p)
			}
		}
		take(r, q)
	}
	ss := 0.0
	for _, v := range r {
		ss += v * v
	}
	return ss
}

// world is a way of scattering for the rates below.
type world struct {
	name     string
	sd       func(float64) float64
	outliers float64
}

var worlds = []world{
	{"normal", alike(0.4), 0},
	{"one in twenty off by 10°", alike(0.4), 0.05},
	{"four times the scatter at idle", func(x float64) float64 { return 0.3 + 0.9*(6000-x)/4900 }, 0},
}

// TestRates draws recordings of a straight line and of a mechanism of 22° in
// the middle of the speeds, and counts corners. Issue 3 asks for the corner
// points of a real curve; the limits are those of the brief for it: at most 5 %
// with a false corner, at least 95 % found where they are clear, which 22° is
// from 50 sparks. The count of draws leaves 2.5 standard deviations of slack.
// -long draws 500 recordings for each row, as the table in the README.
func TestRates(t *testing.T) {
	runs := 500
	if !*long {
		runs = 60
	}
	for _, n := range []int{20, 50, 150, 600} {
		for _, w := range worlds {
			rng := rand.New(rand.NewPCG(31, uint64(n)))
			runs := runs
			if n == 600 {
				runs /= 4
			}
			wrong, found, tried := 0, 0, 0
			var in, corners, ss float64
			for range runs {
				x, y := draw(rng, n, 1100, 6000, func(x float64) float64 { return 18 + 1.5*x/1000 }, w.sd, w.outliers)
				ch, ok := Choose(x, y, Options{})
				if !ok {
					t.Fatal("no choice")
				}
				if len(ch.Curve.Corners) > 0 {
					wrong++
				}
				tried++
				x, y = draw(rng, n, 1100, 6000, legs([2]float64{2000, 8}, [2]float64{4000, 30}), w.sd, w.outliers)
				ch, _ = Choose(x, y, Options{})
				if len(ch.Curve.Corners) != 2 {
					continue
				}
				found++
				for j, want := range []float64{2000, 4000} {
					at, _, v, _ := ch.Curve.Corner(j)
					z := (at - want) / math.Sqrt(v)
					ss += z * z
					corners++
					if math.Abs(z) < 1.96 {
						in++
					}
				}
			}
			rate := func(k int) float64 { return float64(k) / float64(tried) }
			t.Logf("%3d sparks, %-30s: false corner %4.1f %%, both found %5.1f %%, interval of a corner holds %4.1f %%", n, w.name, 100*rate(wrong), 100*rate(found), 100*in/corners)
			slack := 2.5 * math.Sqrt(0.05*0.95/float64(tried))
			if rate(wrong) > 0.05+slack {
				t.Errorf("%d sparks, %s: false corners in %.3f", n, w.name, rate(wrong))
			}
			if n >= 50 && rate(found) < 0.95-slack {
				t.Errorf("%d sparks, %s: corners found in %.3f", n, w.name, rate(found))
			}
			// What the interval of a corner holds; under 50 sparks the places
			// are rough, and the docs say so.
			want := 0.95 // of 50 sparks a little less, see above
			if n == 50 {
				want = 0.91
			}
			if n >= 50 && in/corners < want-3*math.Sqrt(0.05/corners) {
				t.Errorf("%d sparks, %s: interval holds %.3f", n, w.name, in/corners)
			}
		}
	}
}

// TestEndsAlike: a mechanism seen through a delay. The common slope of the ends
// is the delay's, and the rise what the mechanism adds.
func TestEndsAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	mech := legs([2]float64{1800, 8}, [2]float64{3800, 30})
	const slope = 1.5e-3 // 250 µs
	taken, runs := 0, 60
	var inSlope, inRise float64
	for range runs {
		x, y := draw(rng, 400, 1000, 6000, func(x float64) float64 { return mech(x) + slope*x }, alike(0.5), 0.05)
		ch, ok := Choose(x, y, Options{})
		if !ok {
			t.Fatal("no choice")
		}
		if !ch.Curve.EndsAlike || len(ch.Curve.Corners) != 2 {
			continue
		}
		taken++
		s, v := ch.Curve.Slope(0)
		s2, v2 := ch.Curve.Slope(2)
		near(t, "the ends' slopes", s2, s, 1e-12)
		near(t, "and their variances", v2, v, 1e-9*v)
		if math.Abs(s-slope) < 1.96*math.Sqrt(v) {
			inSlope++
		}
		rise, rv := ch.Curve.Rise()
		if math.Abs(rise-22) < 1.96*math.Sqrt(rv) {
			inRise++
		}
	}
	t.Logf("ends alike in %d of %d; slope's interval holds %.0f, rise's %.0f", taken, runs, inSlope, inRise)
	if taken < runs*9/10 || inSlope < 0.85*float64(taken) || inRise < 0.85*float64(taken) {
		t.Errorf("ends alike in %d of %d; slope's interval holds %.0f, rise's %.0f", taken, runs, inSlope, inRise)
	}
	// And where the ends differ, they are not said to be alike.
	alikes := 0
	for range runs {
		x, y := draw(rng, 400, 1000, 6000, func(x float64) float64 { return mech(x) + slope*math.Max(0, x-3800) }, alike(0.5), 0)
		if ch, _ := Choose(x, y, Options{}); ch.Curve.EndsAlike {
			alikes++
		}
	}
	if alikes > runs/20 {
		t.Errorf("ends that differ by a 250 µs delay's slope called alike in %d of %d", alikes, runs)
	}
}

// TestValueVariance: the stated variance of the curve's value, before,
// between and beyond the corners, is what repeated draws show. 150 draws know
// a standard deviation to 6 %; the tangent makes it a little too small.
func TestValueVariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 5))
	f := legs([2]float64{2000, 8}, [2]float64{4000, 30})
	at := []float64{1500, 2300, 3000, 3700, 5000, 5500}
	seen, stated := make([]float64, len(at)), make([]float64, len(at))
	const runs = 150
	for range runs {
		x, y := draw(rng, 200, 1000, 6000, f, alike(0.5), 0)
		ch, ok := Choose(x, y, Options{Plain: true})
		if !ok {
			t.Fatal("no choice")
		}
		for _, c := range ch.Candidates {
			if len(c.Curve.Corners) != 2 || c.Curve.EndsAlike {
				continue
			}
			for i, q := range at {
				v, variance := c.Curve.At(q)
				seen[i] += (v - f(q)) * (v - f(q)) / runs
				stated[i] += variance / runs
			}
		}
	}
	for i, q := range at {
		near(t, "stated over seen sd at "+strconv.FormatFloat(q, 'f', 0, 64), math.Sqrt(stated[i]/seen[i]), 1, 0.2)
	}
	// And how the value at a place depends on each parameter, by differences.
	x, y := draw(rng, 200, 1000, 6000, f, alike(0.5), 0)
	ch, _ := Choose(x, y, Options{Plain: true})
	c := ch.Curve
	if len(c.Corners) != 2 {
		t.Fatalf("corners %v", c.Corners)
	}
	g := c.gradient(5000)
	for i := range 2 + 2*2 {
		shifted := func(d float64) float64 {
			q := c
			q.Bends, q.Corners = slices.Clone(c.Bends), slices.Clone(c.Corners)
			switch {
			case i == 0:
				q.A += d
			case i == 1:
				q.B += d
			case i < 4:
				q.Bends[i-2] += d
			default:
				q.Corners[i-4] += d
			}
			v, _ := q.At(5000)
			return v
		}
		const d = 1e-6
		near(t, "dependence", (shifted(d)-shifted(-d))/(2*d), g[i], 1e-4*(1+math.Abs(g[i])))
	}
}

// TestCorrelated: errors that hang together in time make no corners, and the
// line's uncertainty grows as they ask. First-order autoregression of 0.8 is
// worth a ninth of the points.
func TestCorrelated(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 5))
	const runs, n = 150, 400
	independent := func(r []float64) float64 { return float64(len(r)) / 9 }
	wrong := 0
	var slopes []float64
	stated := 0.0
	for range runs {
		x, y := make([]float64, n), make([]float64, n)
		e := 0.0
		for i := range x {
			e = 0.8*e + 0.3*rng.NormFloat64()
			x[i] = 1000 + 5000*float64(i)/n // one pull
			y[i] = 20 + e
		}
		ch, ok := Choose(x, y, Options{Independent: independent})
		if !ok {
			t.Fatal("no choice")
		}
		if len(ch.Curve.Corners) > 0 {
			wrong++
		}
		slopes = append(slopes, ch.Line.B)
		stated += math.Sqrt(ch.Line.VarB) / runs
	}
	ss := 0.0
	for _, s := range slopes {
		ss += s * s / runs
	}
	t.Logf("false corners in %d of %d; stated over seen sd of the slope %.2f", wrong, runs, stated/math.Sqrt(ss))
	if wrong > runs/20+5 {
		t.Errorf("false corners in %d of %d", wrong, runs)
	}
	near(t, "stated sd over seen", stated/math.Sqrt(ss), 1, 0.25)
}

// TestLineIsRobust: outliers of one in ten, and scatter that depends on x, do
// not move the line, and its variance is what repeated draws show.
func TestLineIsRobust(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 9))
	const runs, n = 200, 300
	ss, stated := 0.0, 0.0
	for range runs {
		x, y := draw(rng, n, 1000, 6000, func(x float64) float64 { return 3 - 0.0015*x }, func(x float64) float64 { return 0.2 + 600/x }, 0)
		for i := range y {
			if rng.Float64() < 0.1 {
				y[i] += 10
			}
		}
		ch, ok := Choose(x, y, Options{})
		if !ok {
			t.Fatal("no choice")
		}
		ss += (ch.Line.B + 0.0015) * (ch.Line.B + 0.0015) / runs
		stated += math.Sqrt(ch.Line.VarB) / runs
	}
	near(t, "stated sd over seen", stated/math.Sqrt(ss), 1, 0.2)
}

// TestRobust: outliers of one in ten do not move a line; the stated
// standard deviation holds what repeated draws show.
func TestRobust(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 9))
	const runs, n = 200, 300
	var slopes []float64
	var stated float64
	for range runs {
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = 1000 + 5000*rng.Float64()
			y[i] = 3 - 0.0015*(x[i]-3000) + 0.4*rng.NormFloat64()
			if rng.Float64() < 0.1 {
				y[i] += 10
			}
		}
		s, _ := Straight(x, y, nil)
		f, ok := Robust(x, y, nil, s)
		if !ok {
			t.Fatal("no fit")
		}
		slopes = append(slopes, f.B)
		stated += math.Sqrt(f.VarB) / runs
	}
	m, ss := 0.0, 0.0
	for _, s := range slopes {
		m += s / runs
	}
	for _, s := range slopes {
		ss += (s - m) * (s - m)
	}
	sd := math.Sqrt(ss / (runs - 1))
	near(t, "slope", m, -0.0015, 3*sd/math.Sqrt(runs))
	near(t, "stated sd over seen sd", stated/sd, 1, 0.2)
}

// TestFloor: a bend that is sure but small is left out where a floor says so.
func TestFloor(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	x, y := draw(rng, 5000, 1000, 6000, legs([2]float64{3500, 10}, [2]float64{6000, 10.4}), alike(0.1), 0)
	a, _ := Choose(x, y, Options{})
	b, _ := Choose(x, y, Options{Floor: 0.15})
	if len(a.Curve.Corners) != 1 || len(b.Curve.Corners) != 0 {
		t.Errorf("%d corners without a floor, %d with: want 1 and 0", len(a.Curve.Corners), len(b.Curve.Corners))
	}
}

// TestSorted: in order, and each once, also where all lie in one bucket.
func TestSorted(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, n := range []int{1, 2, 9, 1000, 50000} {
		x := make([]float64, n)
		for i := range x {
			x[i] = 1200 + 3*rng.NormFloat64()
			if i%7 == 0 {
				x[i] = 9000 * rng.Float64()
			}
			if i%11 == 0 {
				x[i] = 1200
			}
		}
		seen := make([]bool, n)
		q := sorted(x)
		for i, v := range q {
			if seen[v.i] || v.x != x[v.i] || i > 0 && (v.x < q[i-1].x || v.x == q[i-1].x && v.i < q[i-1].i) {
				t.Fatalf("%d values: wrong at %d", n, i)
			}
			seen[v.i] = true
		}
	}
}

// TestHarmless: what cannot be fitted is refused, and nothing panics.
func TestHarmless(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	same := make([]float64, 50)
	for i := range same {
		same[i] = 3000
	}
	if _, ok := Choose(same, same, Options{}); ok {
		t.Error("a line through one x")
	}
	if _, ok := Choose(same[:5], []float64{1, 2, 3, 4, 5}, Options{}); ok {
		t.Error("a line through five points")
	}
	for n := 8; n < 80; n++ {
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = 1000 + float64(rng.IntN(6))*100 // few places
			y[i] = math.Round(x[i] / 300)          // and an exact step
		}
		ch, ok := Choose(x, y, Options{})
		if !ok {
			continue
		}
		for _, v := range []float64{ch.Curve.A, ch.Curve.B, ch.Curve.Scale, ch.Line.A, ch.Line.VarB} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%d points: %+v", n, ch.Curve)
			}
		}
	}
}

func BenchmarkChoose(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	x, y := draw(rng, 120000, 1100, 6000, legs([2]float64{1800, 8}, [2]float64{3800, 30}), alike(0.4), 0.02)
	for b.Loop() {
		Choose(x, y, Options{})
	}
}
