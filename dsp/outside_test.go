package dsp

import (
	"bufio"
	"compress/gzip"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// golden is testdata/outside/golden.json, which make.py beside it computes
// with scipy and numpy.
type golden struct {
	Bessel struct {
		X, Want []float64
	} `json:"bessel_i0"`
	Kaiser struct {
		Cases []struct {
			N    int
			Beta float64
			Want []float64
		}
	}
	Spread struct {
		Cases []struct {
			X           []float64
			Median, MAD float64
		}
	}
	Evidence struct {
		Cases []struct {
			N      int
			Cov, Y []float64
			Want   float64
		}
	}
	Gram struct {
		Cases []struct {
			Shape, Deriv  []float64
			Terms         int
			Gram, Inverse []float64
		}
	}
}

func readGolden(t *testing.T) golden {
	t.Helper()
	b, err := os.ReadFile("testdata/outside/golden.json")
	if err != nil {
		t.Fatal(err)
	}
	var g golden
	if err := json.Unmarshal(b, &g); err != nil {
		t.Fatal(err)
	}
	if len(g.Bessel.X) == 0 || len(g.Kaiser.Cases) == 0 || len(g.Spread.Cases) == 0 || len(g.Evidence.Cases) == 0 || len(g.Gram.Cases) == 0 {
		t.Fatal("golden.json lacks a part")
	}
	return g
}

// roundings is what two ways of computing the same in float64 may differ by,
// relative: some hundreds of units in the last place, for sums of a few
// hundred terms.
const roundings = 1e-13

func near(got, want, tol float64) bool {
	return math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))
}

// scipy.special.i0.
func TestBesselI0AgainstScipy(t *testing.T) {
	g := readGolden(t)
	for i, x := range g.Bessel.X {
		if got, want := besselI0(x), g.Bessel.Want[i]; !near(got/want, 1, roundings) {
			t.Errorf("I0(%g) = %.17g, scipy has %.17g", x, got, want)
		}
	}
}

// scipy.signal.windows.kaiser. Its ends are 1/I0(beta); ours are 0 from the
// ends on, since a kernel stops there.
func TestKaiserAgainstScipy(t *testing.T) {
	for _, c := range readGolden(t).Kaiser.Cases {
		for i, want := range c.Want {
			if i == 0 || i == c.N-1 {
				want = 0
			}
			u := 2*float64(i)/float64(c.N-1) - 1
			if got := kaiser(u, c.Beta); !near(got, want, roundings) {
				t.Errorf("beta %g at %g: %.17g, scipy has %.17g", c.Beta, u, got, want)
			}
		}
	}
}

// numpy.median and scipy.stats.median_abs_deviation(scale='normal'), which
// divides by 0.6744897501960817 where we multiply by 1.4826: they differ by
// 1.5e-5.
func TestSpreadAgainstScipy(t *testing.T) {
	const scales = 2e-5
	for i, c := range readGolden(t).Spread.Cases {
		if got := medianOf(c.X); got != c.Median {
			t.Errorf("case %d: median %.17g, numpy has %.17g", i, got, c.Median)
		}
		if got := spread(c.X); math.Abs(got-c.MAD) > scales*c.MAD {
			t.Errorf("case %d: spread %.17g, scipy has %.17g", i, got, c.MAD)
		}
	}
}

// logEvidence is what evidence makes of a covariance whose upper triangle stands row by row in
// c, with y as one more column; u is work space as large.
func logEvidence(c, u []float64, n int) float64 {
	copy(u, c)
	f := cholesky{u: u, n: n, det: 1}
	for range n {
		if !f.next() {
			return math.Inf(-1)
		}
	}
	return f.log()
}

// scipy.stats.multivariate_normal.logpdf without its constant. The matrices'
// condition numbers are below 1e4.
func TestEvidenceAgainstScipy(t *testing.T) {
	const tol = 1e-10
	for _, c := range readGolden(t).Evidence.Cases {
		// The upper triangle, with y as one more column.
		var with []float64
		for i := range c.N {
			with = append(append(with, c.Cov[i*c.N:(i+1)*c.N]...), c.Y[i])
		}
		got := logEvidence(with, make([]float64, len(with)), c.N)
		if !near(got, c.Want, tol) {
			t.Errorf("n = %d: %.17g, scipy has %.17g", c.N, got, c.Want)
		}
	}
	if got := logEvidence([]float64{1, 2, 1, 2, 1, 1}, make([]float64, 6), 2); !math.IsInf(got, -1) {
		t.Errorf("not positive definite: %g, want -Inf", got)
	}
}

// numpy's matrix product and numpy.linalg.inv.
func TestNormalEquationsAgainstNumpy(t *testing.T) {
	const tol = 1e-10 // condition numbers up to about 1e4
	for i, c := range readGolden(t).Gram.Cases {
		g := gram(c.Shape, c.Deriv, c.Terms)
		compare := func(what string, want []float64) {
			for a := range c.Terms {
				for b := range c.Terms {
					if got, w := g[a*4+b], want[a*c.Terms+b]; !near(got, w, tol) {
						t.Errorf("case %d, %s[%d,%d] = %.17g, numpy has %.17g", i, what, a, b, got, w)
					}
				}
			}
		}
		compare("gram", c.Gram)
		if !invert(&g, c.Terms) {
			t.Errorf("case %d: singular", i)
			continue
		}
		compare("inverse", c.Inverse)
	}
	flat := gram(make([]float64, 8), []float64{1, 2, 1, 0, 0, 0, 0, 0}, 3)
	if invert(&flat, 3) {
		t.Error("a shape of zeros has an inverse")
	}
}

// checkData finds the folder of outside check data beside the project, and
// skips where there is none.
func checkData(t *testing.T, parts ...string) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = up
	}
	p := filepath.Join(append([]string{dir, "..", "shared", "external"}, parts...)...)
	if _, err := os.Stat(p); err != nil {
		t.Skipf("outside check data is not here: %s", filepath.Join(parts...))
	}
	return p
}

// scopeTrace reads one channel of an oscilloscope's table: seconds and volts.
// The volts become fractions of a full scale of 4 V.
func scopeTrace(t *testing.T, path string) (startS, rate float64, x []float32) {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	z, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	var first, last float64
	lines := bufio.NewScanner(z)
	for n := 0; lines.Scan(); n++ {
		if n < 2 {
			continue // headings
		}
		at, volt, ok := strings.Cut(lines.Text(), ",")
		s, err1 := strconv.ParseFloat(at, 64)
		v, err2 := strconv.ParseFloat(volt, 64)
		if !ok || err1 != nil || err2 != nil {
			t.Fatalf("%s, line %d: %q", path, n+1, lines.Text())
		}
		if len(x) == 0 {
			first = s
		}
		last = s
		x = append(x, float32(v/4))
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return first, float64(len(x)-1) / (last - first), x
}

// Two oscilloscope channels on the same square wave (sigrok-dumps,
// misc/square_wave_2ch at 0ad1347, public domain): 1.2 kHz at 50 MS/s, true
// delay between the channels 0. The rising edges were found independently,
// where a line between two samples passes half the height.
//
// The detector's lengths are in milliseconds of recordings whose contacts
// close some tens of times a second, so the samples are passed off as 96 kHz,
// which slows the wave to 2.3 Hz. It times where an edge begins; these take two
// to three samples, so half the height is up to 1.5 samples later.
func TestOscilloscope(t *testing.T) {
	const (
		wave     = 96000.0 // Hz, claimed
		skip     = 10000   // samples: past the first rising edge, so that the high state is the shorter
		begins   = 1.5     // samples from an edge's begin to half its height, at most
		together = 0.35    // samples: both channels; about six of the per-edge uncertainties stated
		apart    = 0.25    // samples: between two edges of a channel; four of them, and the mid-height's own
	)
	rising := map[string][]float64{ // µs, mid-height
		"scope_16_1.csv.gz": {0.0642, 833.398},
		"scope_16_2.csv.gz": {0.0646, 833.398},
	}
	found := map[string][]float64{} // samples of 20 ns from the trigger
	for name, want := range rising {
		startS, rate, x := scopeTrace(t, checkData(t, "scope", name))
		if math.Abs(rate-50e6) > 1 {
			t.Fatalf("%s: %g samples per second, want 50 million", name, rate)
		}
		d := NewDetector(wave, 1, Options{Only: []Kind{Contact}})
		d.Push(x[skip:])
		train := d.Finish()
		if len(train.Shapes) != 1 || train.Shapes[0].Kind != Contact || train.Shapes[0].Polarity != 1 || len(train.Pulses) != len(want) {
			t.Fatalf("%s: %d pulses, shapes %+v: want %d rising edges of a contact", name, len(train.Pulses), train.Shapes, len(want))
		}
		for i, p := range train.Pulses {
			at := p.Pos + skip + startS*rate
			found[name] = append(found[name], at)
			if late := want[i]*1e-6*rate - at; late < 0 || late > begins {
				t.Errorf("%s: edge %d at %.3f µs, half-way up at %.3f µs: %.2f samples later, want 0 to %g", name, i+1, at/rate*1e6, want[i], late, begins)
			}
		}
		got, period := found[name][1]-found[name][0], (want[1]-want[0])*1e-6*rate
		if math.Abs(got-period) > apart {
			t.Errorf("%s: %.3f samples between edges, independently %.3f", name, got, period)
		}
	}
	a, b := found["scope_16_1.csv.gz"], found["scope_16_2.csv.gz"]
	for i := range a {
		if d := math.Abs(a[i] - b[i]); d > together {
			t.Errorf("edge %d: channels %.3f samples apart, true delay 0", i+1, d)
		}
	}
}
