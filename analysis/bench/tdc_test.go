package bench

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/analysis/circle"
	"sparkscope/analysis/wheel"
)

// exact allows for the last bits of numbers up to 360.
const exact = 1e-9

func ptr[T any](v T) *T { return &v }

// refusal checks that err refuses with the code, and says the word.
func refusal(t *testing.T, err error, code, word string) {
	t.Helper()
	var re *RefusedError
	if !errors.As(err, &re) || re.Code != code || !strings.Contains(re.Error(), word) {
		t.Errorf("%v: want a refusal %q with the word %q", err, code, word)
	}
}

// noted is the note with that code, or nil.
func noted(r *Result, code string) *Note {
	for i := range r.Notes {
		if r.Notes[i].Code == code {
			return &r.Notes[i]
		}
	}
	return nil
}

// cranked gives a stop its crank.
func cranked(d DeadCentre, c *Slider) DeadCentre {
	d.StrokeMM, d.RodMM, d.OffsetMM = Given(c.StrokeMM), Given(c.RodMM), Given(c.OffsetMM)
	return d
}

func TestDeadCentre(t *testing.T) {
	for _, c := range []struct {
		name      string
		d         DeadCentre
		top, half float64
	}{
		{"two readings", DeadCentre{Readings: []float64{320, 42}, DivisionDeg: 1}, 1, 41},
		{"the other order", DeadCentre{Readings: []float64{42, 320}, DivisionDeg: 1}, 1, 41},
		{"not across the wrap", DeadCentre{Readings: []float64{150, 230}, DivisionDeg: 1}, 190, 40},
		{"several, mixed, across the wrap", DeadCentre{Readings: []float64{359.5, 80, 0.5, 81, 0, 79}, DivisionDeg: 1}, 40, 40},
		{"by sides", DeadCentre{Forwards: []float64{42}, Backwards: []float64{320, 320}, DivisionDeg: 1}, 1, 41},
		{"by sides, falling", DeadCentre{Forwards: []float64{42}, Backwards: []float64{320, 320}, CountsAfter: ptr(false), DivisionDeg: 1}, 1, 41},
		{"by sides, rising", DeadCentre{Forwards: []float64{320}, Backwards: []float64{42}, CountsAfter: ptr(true), DivisionDeg: 1}, 1, 41},
		{"0-180-0: 42b, 40a", DeadCentre{Graduated: wheel.Halves, Readings: []float64{42, 320}, DivisionDeg: 1}, 1, 41},
		{"wheel half a turn out: 140b, 138a", DeadCentre{Graduated: wheel.Halves, Forwards: []float64{222}, Backwards: []float64{140}, DivisionDeg: 1}, 181, 41},
	} {
		r, err := c.d.Solve()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		top, bottom, half := r.Find("tdc_deg"), r.Find("bdc_deg"), r.Find("stop_deg")
		if math.Abs(circle.Wrap(top.Value-c.top)) > exact || math.Abs(circle.Wrap(bottom.Value-c.top-180)) > exact || math.Abs(half.Value-c.half) > exact {
			t.Errorf("%s: top %v, bottom %v, half %v: want %v, half a turn on, %v", c.name, top.Value, bottom.Value, half.Value, c.top, c.half)
		}
	}
	// By hand, one reading each side, division 1, eye 0.25: halves of ±1, ±0.5
	// and ±0.25 twice each, u² = 2·(0.25 + 0.0625 + 0.015625)/3.
	r, _ := DeadCentre{Readings: []float64{42, 320}, DivisionDeg: 1}.Solve()
	if want := math.Sqrt(2 * (0.25 + 0.0625 + 0.015625) / 3); math.Abs(r.Total.Std-want) > exact {
		t.Errorf("u %v: want %v", r.Total.Std, want)
	}
	// With 0.02 mm at a stop where a piston of 50 mm stroke and a rod of 100 mm
	// moves 0.3427 mm per degree (25·(sin 41° + λ/2·sin 82°/√(1-λ²·sin² 41°))·π/180,
	// λ = 1/4): twice half of 0.02/0.3427/√3.
	rate := 25 * (math.Sin(41*math.Pi/180) + 0.125*math.Sin(82*math.Pi/180)/math.Sqrt(1-math.Pow(math.Sin(41*math.Pi/180)/4, 2))) * math.Pi / 180
	r, _ = cranked(DeadCentre{Readings: []float64{42, 320}, DivisionDeg: 1}, &Slider{50, 100, 0}).Solve()
	if want := math.Sqrt(2 * (0.25 + 0.0625 + 0.015625 + math.Pow(0.01/rate, 2)) / 3); math.Abs(r.Total.Std-want) > exact {
		t.Errorf("with a stop: u %v: want %v", r.Total.Std, want)
	}
}

// A wheel of 60 mm that sits up to 0.2 mm off centre is out by 0.2/30 rad at
// most, and by (1 - cos 80°) of that between stops at 80° and the top: arcsine.
// The bottom of an offset pin, e = 4, r = 25, l = 80 mm, lies 180° + asin(4/55) -
// asin(4/105) = 181.98742° after the top (rod and crank in line, both ways).
func TestDeadCentreByHand(t *testing.T) {
	d := DeadCentre{Readings: []float64{80, 280}, DivisionDeg: 1}
	plain, err := d.Solve()
	if err != nil {
		t.Fatal(err)
	}
	d.WheelMM = ptr(60.0)
	r, err := d.Solve()
	if err != nil {
		t.Fatal(err)
	}
	part := 0.2 / 30 * (1 - math.Cos(80*math.Pi/180)) * 180 / math.Pi / math.Sqrt2
	if want := math.Hypot(plain.Total.Std, part); math.Abs(r.Total.Std-want) > exact {
		t.Errorf("off centre: u %v, want %v", r.Total.Std, want)
	}
	const paper = 5e-6 // the figure above is rounded
	after := func(d DeadCentre, sense float64) float64 {
		r, err := cranked(d, &Slider{50, 80, 4}).Solve()
		if err != nil {
			t.Fatal(err)
		}
		return mod360(sense * (r.Find("tdc_deg").Value - r.Find("bdc_deg").Value))
	}
	falling := after(DeadCentre{Readings: []float64{40, 320}, CountsAfter: ptr(false), DivisionDeg: 1}, 1)
	rising := after(DeadCentre{Readings: []float64{40, 320}, CountsAfter: ptr(true), DivisionDeg: 1}, -1)
	if math.Abs(falling-181.98742) > paper || math.Abs(rising-181.98742) > paper {
		t.Errorf("the bottom lies %v° and %v° after the top: want 181.98742", falling, rising)
	}
}

// Wheels turned on the crank turn the answer and nothing else; wheels that count
// the other way mirror it; the order of the sides does not matter.
func TestDeadCentreTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		half := rapid.Float64Range(5, 80).Draw(t, "half")
		top := rapid.Float64Range(0, 360).Draw(t, "top")
		noise := rapid.SliceOfN(rapid.Float64Range(-1, 1), 6, 6).Draw(t, "noise")
		n := rapid.IntRange(1, 3).Draw(t, "n")
		read := func(top, sense float64) (fwd, back []float64) {
			for i := range n {
				fwd = append(fwd, math.Mod(top+sense*(half+noise[i])+720, 360))
				back = append(back, math.Mod(top+sense*(-half+noise[3+i])+720, 360))
			}
			return fwd, back
		}
		crank := &Slider{50, 95, 1}
		solve := func(d DeadCentre) (float64, float64) {
			d.DivisionDeg = 1
			r, err := cranked(d, crank).Solve()
			if err != nil {
				t.Fatal(err)
			}
			return r.Find("tdc_deg").Value, r.Total.Expanded
		}
		f0, b0 := read(0, 1)
		at0, u0 := solve(DeadCentre{Forwards: f0, Backwards: b0, CountsAfter: ptr(false)})
		f, b := read(top, 1)
		same := func(what string, at, u, want float64) {
			if math.Abs(circle.Wrap(at-want)) > 1e-7 || math.Abs(u-u0) > 1e-7 {
				t.Fatalf("%s: %v ±%v, want %v ±%v", what, at, u, want, u0)
			}
		}
		at, u := solve(DeadCentre{Forwards: f, Backwards: b, CountsAfter: ptr(false)})
		same("turned", at, u, at0+top)
		f, b = read(top, -1)
		at, u = solve(DeadCentre{Forwards: f, Backwards: b, CountsAfter: ptr(true)})
		same("mirrored", at, u, top-circle.Wrap(at0))
		mixed := append(append([]float64{}, b...), f...)
		at, u = solve(DeadCentre{Readings: mixed, CountsAfter: ptr(true)})
		same("any order", at, u, top-circle.Wrap(at0))
	})
}

func TestDeadCentreNotes(t *testing.T) {
	crank := &Slider{50, 100, 0}
	for _, c := range []struct {
		name, code string
		d          DeadCentre
		want       bool
	}{
		{"near, no crank", "near-stop", DeadCentre{Readings: []float64{10, 350}}, true},
		{"usual, no crank", "near-stop", DeadCentre{Readings: []float64{40, 320}}, false},
		{"far, no crank", "far-stop", DeadCentre{Readings: []float64{80, 280}}, true},
		{"near", "near-stop", cranked(DeadCentre{Readings: []float64{3, 3.5, 3, 357, 356.5, 357}}, crank), true},
		{"near, but a stop that holds well", "near-stop", cranked(DeadCentre{Readings: []float64{6, 354}, StopMM: ptr(0.005)}, crank), false},
		{"near, with a stop taken to hold", "near-stop", cranked(DeadCentre{Readings: []float64{10, 10.5, 350, 350}}, crank), true},
		{"one side read alike", "readings-disagree", DeadCentre{Readings: []float64{40, 41.5, 320}}, false}, // 1° of division and twice ±0.25°
		{"one side read apart", "readings-disagree", DeadCentre{Readings: []float64{40, 41.6, 320}}, true},
		{"apart across the wrap", "readings-disagree", DeadCentre{Readings: []float64{359, 1.5, 300}}, true},
		{"usual, a stop that gives", "near-stop", cranked(DeadCentre{Readings: []float64{40, 320}, StopMM: ptr(0.6)}, crank), true},
		{"usual", "near-stop", cranked(DeadCentre{Readings: []float64{40, 320}}, crank), false},
		{"usual", "far-stop", cranked(DeadCentre{Readings: []float64{76, 284}}, crank), false},
		{"below the quickest place", "far-stop", cranked(DeadCentre{Readings: []float64{78, 282}}, crank), true},
		{"half a turn apart", "top-or-bottom", DeadCentre{Readings: []float64{90, 270.5}}, true},
		{"not quite", "top-or-bottom", DeadCentre{Readings: []float64{88, 272}}, false},
	} {
		c.d.DivisionDeg = 1
		r, err := c.d.Solve()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		} else if got := noted(r, c.code) != nil; got != c.want {
			t.Errorf("%s: note %s %v, want %v: %+v", c.name, c.code, got, c.want, r.Notes)
		}
	}
}

func TestDeadCentreRefuses(t *testing.T) {
	for _, c := range []struct {
		d          DeadCentre
		code, word string
	}{
		{DeadCentre{DivisionDeg: 1}, "reading", "no reading"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30}}, "reading", "one reading only"},
		{DeadCentre{DivisionDeg: 1, Forwards: []float64{30}}, "reading", "one side only"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}, Forwards: []float64{30}}, "reading", "both with and without"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 31, 30.5}}, "stop", "apart"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 31, 330, 60}}, "reading", "far apart"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, math.NaN()}}, "reading", "NaN"},
		{DeadCentre{DivisionDeg: 0, Readings: []float64{30, 330}}, "division", "0°"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}, EyeToleranceDeg: ptr(-1.0)}, "tolerance", "-1"},
		{cranked(DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}}, &Slider{50, 20, 0}), "rod", "cannot go round"},
		{cranked(DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}}, &Slider{-1, 20, 0}), "stroke", "-1 mm"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}, WheelMM: ptr(1.0)}, "wheel", "1 mm"},
		{DeadCentre{DivisionDeg: 1, Forwards: []float64{320}, Backwards: []float64{42}, CountsAfter: ptr(false)}, "stop", "exchanged"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}, StrokeMM: Given(50)}, "missing", "not both"},
		{DeadCentre{DivisionDeg: 1, Readings: []float64{30, 330}, OffsetMM: Given(1)}, "missing", "not both"},
	} {
		_, err := c.d.Solve()
		refusal(t, err, c.code, c.word)
	}
}

// covered counts how often a ± held and how wide it was against what would
// have done for 95 %.
type covered struct {
	held, n      int
	miss, stated []float64
}

func (c *covered) add(miss, stated float64) {
	c.n++
	if miss <= stated {
		c.held++
	}
	c.miss, c.stated = append(c.miss, miss), append(c.stated, stated)
}

// check holds the share to 92 to 99 %: below, the ± lies; above, it is no 95 %.
func (c *covered) check(t *testing.T, what string) {
	t.Helper()
	share := float64(c.held) / float64(c.n)
	t.Logf("%s: %.1f %% of %d held", what, 100*share, c.n)
	if !(share >= 0.92 && share <= 0.99) {
		t.Errorf("%s: %.1f %% of %d held: want 92 to 99 %%", what, 100*share, c.n)
	}
}

// Stops read with everything drawn from what is stated: a misreading of up to
// a division where a side is read once, scatter where it is read more often,
// rounding to the division, the eye, the stop's play, the wheel off its centre
// and, where the sense is not known, the side of the offset.
func TestDeadCentreCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	u := func(h float64) float64 { return h * (2*r.Float64() - 1) }
	for _, c := range []struct {
		name   string
		n      int
		noise  float64
		crank  *Slider
		near   bool
		wheel  bool
		sensed bool
	}{
		{name: "once", n: 1}, {name: "three, scatter 0.3°", n: 3, noise: 0.3}, {name: "three, scatter 1°", n: 3, noise: 1}, {name: "six, scatter 0.7°", n: 6, noise: 0.7},
		{name: "once, near, with the stop's play", n: 1, crank: &Slider{50, 100, 0}, near: true},
		{name: "four, offset, its side known", n: 4, noise: 0.5, crank: &Slider{50, 80, 4}, sensed: true},
		{name: "six, offset, its side not known", n: 6, noise: 0.5, crank: &Slider{50, 80, 4}},
		{name: "once, wheel of 60 mm off centre", n: 1, wheel: true},
	} {
		var got covered
		for range 800 {
			top, stop := 360*r.Float64(), 35+30*r.Float64()
			if c.near {
				stop = 4 + 4*r.Float64()
			}
			crank := Slider{50, 100, 0}
			if c.crank != nil {
				crank = *c.crank
			}
			drop := crank.Drop(stop)
			off, dir := offCentreDefaultMM, 2*math.Pi*r.Float64()
			eccentric := func(at float64) float64 {
				if !c.wheel {
					return 0
				}
				return off / 30 * math.Sin(at*math.Pi/180-dir) * 180 / math.Pi
			}
			read := func(before bool) []float64 {
				eye := u(eyeDefaultDeg)
				give := 0.0
				if c.crank != nil {
					give = u(stopDefaultMM)
				}
				deg, ok := crank.Before(drop + give)
				if !before {
					deg, ok = crank.After(drop + give)
					deg = -deg
				}
				if !ok {
					t.Fatal("no such drop")
				}
				out := make([]float64, c.n)
				for i := range out {
					slip := c.noise * r.NormFloat64()
					if c.n == 1 {
						slip = u(1)
					}
					at := top + deg
					out[i] = mod360(math.Round(at + eccentric(at) + eye + slip))
				}
				return out
			}
			d := DeadCentre{Forwards: read(true), Backwards: read(false), DivisionDeg: 1}
			if c.crank != nil {
				d = cranked(d, c.crank)
			}
			if c.wheel {
				d.WheelMM = ptr(60.0)
			}
			if c.sensed {
				d.CountsAfter = ptr(false)
			}
			res, err := d.Solve()
			if err != nil {
				t.Fatal(err)
			}
			a := res.Find("tdc_deg")
			got.add(math.Abs(circle.Wrap(a.Value-top-eccentric(top))), *a.Expanded)
		}
		got.check(t, c.name)
	}
}

// FuzzDeadCentre holds a stop read anyhow to: an answer on the circle with a ±,
// whose two candidates lie half a turn apart, or a sentence that says what to
// change.
func FuzzDeadCentre(f *testing.F) {
	f.Add("42/320", byte(0), 0.0, false)
	f.Add("38b/38.5b/42a", byte(1), 1.0, true)
	f.Add("10bb/10ab/12bb", byte(2), -2.0, false)
	f.Add("0/0/0/180", byte(0), 0.0, true)
	f.Fuzz(func(t *testing.T, list string, which byte, offset float64, cranked bool) {
		g := wheel.Graduation(wheel.Graduations()[int(which)%3])
		d := DeadCentre{Graduated: g, DivisionDeg: 1}
		for _, word := range strings.Split(list, "/") {
			if v, err := g.Parse(word); err == nil {
				d.Readings = append(d.Readings, v)
			}
		}
		if cranked {
			d.StrokeMM, d.RodMM, d.OffsetMM = Given(50), Given(100), Given(offset)
		}
		r, err := d.Solve()
		var re *RefusedError
		if err != nil {
			if !errors.As(err, &re) || re.Reason == "" || re.Remedy == "" {
				t.Fatalf("%q: %v", list, err)
			}
			return
		}
		top, bottom := r.Find("tdc_deg"), r.Find("bdc_deg")
		if !(top.Value >= 0 && top.Value < 360 && bottom.Value >= 0 && bottom.Value < 360 && *top.Expanded > 0 && finite(*top.Expanded)) {
			t.Fatalf("%q: %+v, %+v", list, top, bottom)
		}
		if d := math.Abs(circle.Wrap(top.Value - bottom.Value)); !cranked && math.Abs(d-180) > 1e-6 {
			t.Fatalf("%q: the two lie %v° apart", list, d)
		}
	})
}
