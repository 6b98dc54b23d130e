package compare

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"sparkscope/analysis"
)

func deg(v float64) *analysis.Degrees { d := analysis.Degrees(v); return &d }

// about is a component with a standard uncertainty std (unit of the quantity)
// and a sensitivity.
func about(quantity string, std, sensitivity float64) analysis.Component {
	c := analysis.Component{Source: quantity, Kind: "B", Quantity: quantity, InputStd: std, Sensitivity: sensitivity,
		Std: analysis.Degrees(std * sensitivity), Distribution: analysis.Normal}
	if quantity == analysis.RandomQuantity {
		c.Kind, c.Dof = "A", 50
	}
	return c
}

// side has a point at each speed, with the given parts as a function of it.
func side(name string, rpm, mean []float64, parts func(rpm float64) []analysis.Component) Side {
	s := Side{Name: name, Setup: analysis.Setup{SparkKind: analysis.Clamp, ReferenceKind: analysis.ContactReference, ReferenceAngle: deg(30)}}
	for i := range rpm {
		p := Point{RPM: rpm[i], FromRPM: rpm[i] - 50, ToRPM: rpm[i] + 50, N: 50, Mean: analysis.Degrees(mean[i]), Parts: parts(rpm[i])}
		s.Points = append(s.Points, p)
	}
	s.All = s.Points[0]
	s.All.ToRPM = s.Points[len(rpm)-1].ToRPM
	return s
}

func angleOnly(float64) []analysis.Component {
	return []analysis.Component{about(analysis.ReferenceAngleQuantity, 0.3, 1), about(analysis.RandomQuantity, 0.02, 1)}
}

// TestSharedAngleCancels: a reference that nobody touched is wrong by the same
// on both sides, so that only what is random is left, twice; once it was moved,
// it counts on both sides.
func TestSharedAngleCancels(t *testing.T) {
	rpm := []float64{1000, 2000, 3000}
	a := side("a", rpm, []float64{18, 18, 18}, angleOnly)
	b := side("b", rpm, []float64{20, 20, 20}, angleOnly)
	for _, tt := range []struct {
		name  string
		o     Options
		angle float64 // of b
		want  float64 // combined standard uncertainty of a row, degrees
	}{
		{"untouched", Options{}, 30, math.Sqrt2 * 0.02},
		{"moved", Options{Moved: true}, 30, math.Sqrt2 * math.Hypot(0.3, 0.02)},
		{"another angle", Options{}, 31, math.Sqrt2 * math.Hypot(0.3, 0.02)},
	} {
		b.Setup.ReferenceAngle = deg(tt.angle)
		c, err := Compare(a, b, tt.o)
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Rows) != 3 || c.Kind != Speeds || c.Changes {
			t.Fatalf("%s: %d rows, kind %s, changes %v; want 3, speeds, false", tt.name, len(c.Rows), c.Kind, c.Changes)
		}
		for _, r := range c.Rows {
			if got := float64(r.Budget.Combined); math.Abs(got-tt.want) > 1e-9 {
				t.Errorf("%s at %g rpm: combined %g, want %g", tt.name, r.RPM, got, tt.want)
			}
			if r.Difference != 2 {
				t.Errorf("%s: difference %g, want 2", tt.name, r.Difference)
			}
		}
	}
}

// TestDelayBySpeed: a delay that both share acts in proportion to speed, so
// that between standstill and running all of it counts (6 degrees per rpm and
// second).
func TestDelayBySpeed(t *testing.T) {
	const std = 30e-6 // s
	delays := func(rpm float64) []analysis.Component {
		return []analysis.Component{about(analysis.ReferenceDelayQuantity, std, 6*rpm)}
	}
	static := side("static", []float64{60}, []float64{18}, delays)
	static.Setup.SparkKind = analysis.Contacts
	running := side("running", []float64{1500, 6000}, []float64{18, 17}, delays)
	c, err := Compare(static, running, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if c.Kind != StaticFirst || len(c.Rows) != 2 {
		t.Fatalf("kind %s with %d rows, want static with 2", c.Kind, len(c.Rows))
	}
	for i, rpm := range []float64{1500, 6000} {
		if got, want := float64(c.Rows[i].Budget.Combined), 6*(rpm-60)*std; math.Abs(got-want) > 1e-9 {
			t.Errorf("at %g rpm: combined %g, want %g", rpm, got, want)
		}
	}
	if got, want := float64(c.Rows[1].Difference), -1.0; got != want {
		t.Errorf("difference %g, want %g", got, want)
	}
}

// TestOnTheLineBetween: speeds of one side between those of the other.
func TestOnTheLineBetween(t *testing.T) {
	a := side("a", []float64{1000, 1300, 1600, 5000}, []float64{10, 13, 16, 50}, angleOnly)
	b := side("b", []float64{1150, 3000}, []float64{11.5, 33}, angleOnly)
	c, err := Compare(a, b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	// 3000 lies between 1600 and 5000, too far apart for a straight line.
	if len(c.Rows) != 1 || c.Rows[0].RPM != 1150 || math.Abs(float64(c.Rows[0].Difference)) > 1e-9 {
		t.Fatalf("rows %+v, want one at 1150 without a difference", c.Rows)
	}
	// Half-way the random part is 1/√2 of either.
	if got, want := float64(c.Rows[0].Budget.Combined), math.Hypot(0.02, 0.02/math.Sqrt2); math.Abs(got-want) > 1e-9 {
		t.Errorf("combined %g, want %g", got, want)
	}
}

// TestAcrossTheWrap: 179 and -179 degrees are two degrees apart.
func TestAcrossTheWrap(t *testing.T) {
	rpm := []float64{1000, 1200}
	c, err := Compare(side("a", rpm, []float64{179, 180}, angleOnly), side("b", rpm, []float64{-179, -178}, angleOnly), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range append(c.Rows, c.Mean) {
		if math.Abs(float64(r.Difference)-2) > 1e-9 {
			t.Errorf("difference %g, want 2", r.Difference)
		}
	}
}

func TestRefusals(t *testing.T) {
	a := side("idle", []float64{1000}, []float64{18}, angleOnly)
	b := side("top", []float64{6000}, []float64{18}, angleOnly)
	if _, err := Compare(a, b, Options{}); !errors.Is(err, ErrNothingInCommon) || !strings.Contains(err.Error(), "idle") {
		t.Errorf("nothing in common: %v", err)
	}
	b = side("b", []float64{1000}, []float64{18}, angleOnly)
	b.Relative = true
	if _, err := Compare(a, b, Options{}); err == nil || !strings.Contains(err.Error(), "reference angle") {
		t.Errorf("relative against absolute: %v", err)
	}
}

// TestHolds draws engines and instruments at random: the stated ± must hold
// the true difference in 95 of 100, and a difference that is the same at all
// speeds must not be called one that depends on speed in more than 5 of 100,
// both within three standard deviations of the count.
func TestHolds(t *testing.T) {
	const runs = 3000
	rng := rand.New(rand.NewPCG(4, 1))
	const angle, delay, random, scatter, sparks = 0.3, 20e-6, 0.03, 0.6, 40
	rpm := []float64{1200, 1500, 1900, 2400, 3000}
	held, rows, changes := 0, 0, 0
	for range runs {
		wrongAngle, wrongDelay := angle*rng.NormFloat64(), delay*rng.NormFloat64()
		truth := 3 * (rng.Float64() - 0.5)
		make := func(name string, at float64) Side {
			mean := make([]float64, len(rpm))
			var sd []float64
			for i, v := range rpm {
				// The sparks themselves, so that the scatter is estimated as it is.
				sum, ss := 0.0, 0.0
				for range sparks {
					x := scatter * rng.NormFloat64()
					sum += x
					ss += x * x
				}
				m := sum / sparks
				sd = append(sd, math.Sqrt((ss-sparks*m*m)/(sparks-1)/sparks))
				mean[i] = at + m + wrongAngle - 6*v*wrongDelay + random*rng.NormFloat64()
			}
			s := side(name, rpm, mean, func(v float64) []analysis.Component {
				return []analysis.Component{about(analysis.ReferenceAngleQuantity, angle, 1), about(analysis.ReferenceDelayQuantity, delay, 6*v), about(analysis.RandomQuantity, random, 1)}
			})
			for i := range s.Points {
				s.Points[i].Sampling, s.Points[i].N = analysis.Degrees(sd[i]), sparks
			}
			return s
		}
		c, err := Compare(make("a", 18), make("b", 18+truth), Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range append(c.Rows, c.Mean) {
			rows++
			if math.Abs(float64(r.Difference)-truth) <= float64(r.Expanded) {
				held++
			}
		}
		if c.Changes {
			changes++
		}
	}
	share := float64(held) / float64(rows)
	if slack := 3 * math.Sqrt(0.05*0.95/runs); share < 0.95-slack || share > 0.98 {
		t.Errorf("held %.3f of %d rows, want 0.95 to 0.98", share, rows)
	}
	if p := float64(changes) / runs; p > 0.05+3*math.Sqrt(0.05*0.95/runs) {
		t.Errorf("%.3f called dependent on speed without being so, want at most 0.05", p)
	}
}
