package synth

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
)

// Shape is one pulse in continuous time. Its onset is at t = 0: the last
// moment at which it and everything before it is exactly zero.
type Shape struct {
	Name    string
	F       func(t float64) float64 // of t in seconds; asked for 0 <= t <= LengthS only
	LengthS float64                 // seconds; beyond it the shape counts as zero
	BreaksS []float64               // where F jumps or has a kink, seconds within (0, LengthS)
	ScaleS  float64                 // the quickest thing F does between breaks, seconds: an eighth of a period, half a time constant
}

// Validate says what is wrong with the shape, or nil.
func (s Shape) Validate() error {
	if s.F == nil || !(s.LengthS > 0 && s.LengthS <= 1) || !(s.ScaleS > 0) {
		return fmt.Errorf("synth: shape %q: length %g s, scale %g s: want a function, a length up to 1 s and a scale above 0", s.Name, s.LengthS, s.ScaleS)
	}
	if s.LengthS/s.ScaleS > 1e6 {
		return fmt.Errorf("synth: shape %q: %g times as long as its quickest part: want at most a million", s.Name, s.LengthS/s.ScaleS)
	}
	return nil
}

// pieces cuts the shape at its breaks and then into lengths over which it and
// a kernel vary little; in samples.
func (s Shape) pieces(fs float64) [][2]float64 {
	edges := []float64{0, s.LengthS * fs}
	for _, b := range s.BreaksS {
		if b > 0 && b < s.LengthS {
			edges = append(edges, b*fs)
		}
	}
	sort.Float64s(edges)
	longest := min(0.5, s.ScaleS*fs)
	var out [][2]float64
	for i := 1; i < len(edges); i++ {
		a, b := edges[i-1], edges[i]
		n := math.Ceil((b - a) / longest)
		for j := range int(n) {
			out = append(out, [2]float64{a + (b-a)*float64(j)/n, a + (b-a)*float64(j+1)/n})
		}
	}
	return out
}

// Family is a kind of pulse. A Varying one is different at every event.
type Family struct {
	Name    string
	Doc     string // one line: what it looks like and where its onset is
	Varying bool
	draw    func(r *rand.Rand) Shape
}

// Draw gives one shape of the family. r may be nil for a family that does not
// vary.
func (f Family) Draw(r *rand.Rand) Shape {
	s := f.draw(r)
	s.Name = f.Name
	return s
}

// FamilyByName finds a family; the error lists the names there are.
func FamilyByName(name string) (Family, error) {
	var all []string
	for _, f := range Families() {
		if f.Name == name {
			return f, nil
		}
		all = append(all, f.Name)
	}
	return Family{}, fmt.Errorf("synth: pulse family %q: want one of %s", name, strings.Join(all, ", "))
}

// mode is one decaying oscillation: amp·exp(-t/tau)·sin(2π·hz·t + phase).
type mode struct{ amp, hz, tau, phase float64 }

func (m mode) at(t float64) float64 {
	return m.amp * math.Exp(-t/m.tau) * math.Sin(2*math.Pi*m.hz*t+m.phase)
}

func fixed(s Shape) func(*rand.Rand) Shape { return func(*rand.Rand) Shape { return s } }

// smoother rises from 0 to 1 over 0..1 with two derivatives zero at both ends.
func smoother(x float64) float64 {
	x = min(max(x, 0), 1)
	return x * x * x * (10 + x*(-15+6*x))
}

// Families lists the pulse families. All figures are invented; together they
// span what the front of a discharge may look like: a jump, a kink, a
// parabola, flatter still. The onset of each is at t = 0 in the sense of Shape.
//
// To add one: give it a name, a line that says where its onset is, and a Shape
// with its breaks and its quickest part; TestOnsetIsLastZero and
// TestConvertAgainstBruteForce take it up by themselves.
func Families() []Family {
	us := 1e-6
	ring := func(m ...mode) func(float64) float64 {
		return func(t float64) float64 {
			var v float64
			for _, o := range m {
				v += o.at(t)
			}
			return v
		}
	}
	short := mode{1, 13800, 48 * us, 0}
	return []Family{
		{Name: "ring-late", Doc: "long ring at 8.7 kHz whose second half-cycle is the tallest; the front starts with a slope",
			draw: fixed(Shape{LengthS: 3400 * us, ScaleS: 8 * us, F: func(t float64) float64 {
				return mode{1, 8700, 230 * us, 0}.at(t) * (1 - 0.82*math.Exp(-t/(55*us)))
			}})},
		{Name: "ring-long", Doc: "long ring at 4.3 kHz with an overtone at 11.9 kHz; the front starts with a slope",
			draw: fixed(Shape{LengthS: 9000 * us, ScaleS: 8 * us, F: ring(mode{1, 4300, 640 * us, 0}, mode{0.35, 11900, 130 * us, 0})})},
		{Name: "ring-short", Doc: "strongly damped ring at 13.8 kHz; the front starts with a slope",
			draw: fixed(Shape{LengthS: 750 * us, ScaleS: 6 * us, F: ring(short)})},
		{Name: "ring-sine", Doc: "ring at 10.6 kHz from phase 0: a kink, no jump, at the onset",
			draw: fixed(Shape{LengthS: 2400 * us, ScaleS: 8 * us, F: ring(mode{1, 10600, 160 * us, 0})})},
		{Name: "ring-cosine", Doc: "ring at 7.2 kHz from phase 90°: a jump at the onset",
			draw: fixed(Shape{LengthS: 3000 * us, ScaleS: 10 * us, F: ring(mode{1, 7200, 200 * us, math.Pi / 2})})},
		{Name: "decay", Doc: "jump, then exponential decay in 85 µs",
			draw: fixed(Shape{LengthS: 1300 * us, ScaleS: 20 * us, F: func(t float64) float64 { return math.Exp(-t / (85 * us)) }})},
		{Name: "impulse", Doc: "one arch of 4 µs: shorter than a sample at every usual rate",
			draw: fixed(Shape{LengthS: 4 * us, ScaleS: 0.5 * us, F: func(t float64) float64 { return math.Sin(math.Pi * t / (4 * us)) }})},
		{Name: "front-parabola", Doc: "rises as a parabola over 45 µs, then decays in 120 µs; no slope at the onset",
			draw: fixed(Shape{LengthS: 2000 * us, ScaleS: 15 * us, BreaksS: []float64{45 * us}, F: func(t float64) float64 {
				if t < 45*us {
					x := t / (45 * us)
					return x * x
				}
				return math.Exp(-(t - 45*us) / (120 * us))
			}})},
		{Name: "front-s", Doc: "rises along an S over 130 µs (slope and curvature zero at the onset), then rings out at 3.4 kHz",
			draw: fixed(Shape{LengthS: 4200 * us, ScaleS: 20 * us, BreaksS: []float64{130 * us}, F: func(t float64) float64 {
				if t < 130*us {
					return smoother(t / (130 * us))
				}
				return mode{1, 3400, 260 * us, math.Pi / 2}.at(t - 130*us)
			}})},
		{Name: "double", Doc: "damped ring and, 190 µs later, a second discharge of 0.85 of its size; onset of the first",
			draw: fixed(Shape{LengthS: 1000 * us, ScaleS: 6 * us, BreaksS: []float64{190 * us}, F: func(t float64) float64 {
				v := short.at(t)
				if t >= 190*us {
					v += 0.85 * mode{1, 13800, 48 * us, 0}.at(t-190*us)
				}
				return v
			}})},
		{Name: "avalanche", Doc: "jump, then three exponentials of both signs: the largest excursion comes after the front",
			draw: fixed(Shape{LengthS: 5600 * us, ScaleS: 3 * us, F: func(t float64) float64 {
				return 0.7*math.Exp(-t/(9*us)) - 1.35*math.Exp(-t/(60*us)) + 1.15*math.Exp(-t/(350*us))
			}})},
		{Name: "snap", Doc: "microphone: a burst at 3.3 kHz that swells in 90 µs, and its echo 1.4 ms later",
			draw: fixed(Shape{LengthS: 6500 * us, ScaleS: 15 * us, BreaksS: []float64{1400 * us}, F: func(t float64) float64 {
				snap := func(t float64) float64 {
					return mode{1, 3300, 330 * us, 0.9}.at(t) * (1 - math.Exp(-t/(90*us)))
				}
				v := snap(t)
				if t >= 1400*us {
					v -= 0.33 * snap(t-1400*us)
				}
				return v
			}})},
		{Name: "changing", Varying: true, Doc: "ring at 9.6 kHz ± 10 %, decay 190 µs ± 30 %, with a later part at 5.1 kHz of changing size; the front starts with a slope",
			draw: func(r *rand.Rand) Shape {
				hz, tau, late, hz2 := 9600.0, 190*us, 0.5, 5100.0
				if r != nil {
					hz *= 0.9 + 0.2*r.Float64()
					tau *= 0.7 + 0.6*r.Float64()
					late *= 0.4 + 1.2*r.Float64()
					hz2 *= 0.9 + 0.2*r.Float64()
				}
				a, b := mode{1, hz, tau, 0}, mode{late, hz2, 240 * us, 0}
				return Shape{LengthS: 3800 * us, ScaleS: 8 * us, F: func(t float64) float64 {
					return a.at(t) + b.at(t)*(1-math.Exp(-t/(80*us)))
				}}
			}},
	}
}
