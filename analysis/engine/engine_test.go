package engine

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// timeTol, in seconds, is what an event of the virtual engine may be off; the
// closed forms stay far below it.
const timeTol = 1e-9

func mustProfile(t testing.TB, text string) Profile {
	t.Helper()
	p, err := ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func mustMotion(t testing.TB, p Profile, fluct, fastest, start float64) *Motion {
	t.Helper()
	m, err := NewMotion(p, fluct, fastest, start)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Constant speed: angle = 6·rpm·t.
func TestHold(t *testing.T) {
	m := mustMotion(t, mustProfile(t, "3000 hold 10s"), 0, 0, 100)
	for _, at := range []float64{-0.5, 0, 0.1234, 9.99, 12} {
		deg := 100 + 18000*at
		if got := m.AngleAt(at); math.Abs(got-deg) > 1e-8 {
			t.Errorf("angle at %g s: %g: want %g", at, got, deg)
		}
		if got := m.TimeAt(deg); math.Abs(got-at) > 1e-12 {
			t.Errorf("time of %g°: %g: want %g", deg, got, at)
		}
	}
	if got := m.MeanRPM(1234.5); math.Abs(got-3000) > 1e-8 {
		t.Errorf("mean speed %g: want 3000", got)
	}
}

// A straight ramp: angle = 6·(n0·t + a·t²/2), a in rpm/s.
func TestRamp(t *testing.T) {
	m := mustMotion(t, mustProfile(t, "1000 ramp 10000 at 15000, ramp 1000 at 15000"), 0, 0, 0)
	for at := 0.0; at < 0.6; at += 0.0437 {
		deg := 6 * (1000*at + 15000*at*at/2)
		if got := m.TimeAt(deg); math.Abs(got-at) > 1e-12 {
			t.Errorf("up: time of %g°: %g: want %g", deg, got, at)
		}
		if got := m.RPMAt(at); math.Abs(got-1000-15000*at) > 1e-6 {
			t.Errorf("up: speed at %g s: %g: want %g", at, got, 1000+15000*at)
		}
	}
	top := 6 * (1000*0.6 + 15000*0.18)
	for at := 0.0; at < 0.6; at += 0.0437 {
		deg := top + 6*(10000*at-15000*at*at/2)
		if got := m.TimeAt(deg) - 0.6; math.Abs(got-at) > 1e-12 {
			t.Errorf("down: time of %g°: %g: want %g", deg, got, at)
		}
	}
}

// Half a cosine covers the mean of its ends, and its middle is the mean.
func TestSwing(t *testing.T) {
	m := mustMotion(t, mustProfile(t, "1200 swing 6000 in 2s"), 0, 0, 0)
	if got, want := m.TimeAt(6*3600*2.0), 2.0; math.Abs(got-want) > 1e-12 {
		t.Errorf("end after %g s: want %g", got, want)
	}
	if got := m.RPMAt(1); math.Abs(got-3600) > 1e-9 {
		t.Errorf("%g rpm in the middle: want 3600", got)
	}
	// First half: ∫ = n0·τ + Δn/2·(τ - T/π·sin(πτ/T)), by hand at τ = T/2.
	if got, want := m.AngleAt(1), 6*(1200+2400*(1-2/math.Pi)); math.Abs(got-want) > 1e-8 {
		t.Errorf("angle in the middle %g: want %g", got, want)
	}
}

// Against numerical integration of dθ/dt = mean(t)·(1 + δ/2·cos(θ-θ0)) by the
// classical Runge-Kutta method.
func TestFluctuationAgainstRungeKutta(t *testing.T) {
	const fluct, fastest, start = 0.6, 75.0, -20.0
	p := mustProfile(t, "300 ramp 3000 in 1s, swing 1500 in 500ms")
	m := mustMotion(t, p, fluct, fastest, start)
	mean := func(u float64) float64 { // rpm
		if u < 1 {
			return 300 + 2700*u
		}
		return 3000 - 1500*(1-math.Cos(math.Pi*(u-1)/0.5))/2
	}
	f := func(u, th float64) float64 {
		return 6 * mean(u) * (1 + fluct/2*math.Cos((th-fastest)*math.Pi/180))
	}
	th := start
	const n = 150000
	h := 1.5 / n
	for i := range n {
		u := float64(i) * h
		if i%10000 == 0 {
			if got := m.TimeAt(th); math.Abs(got-u) > timeTol {
				t.Errorf("time of %g°: %.12f: Runge-Kutta %.12f", th, got, u)
			}
			if got, want := m.RPMAt(u), f(u, th)/6; math.Abs(got-want) > 1e-5 {
				t.Errorf("speed at %g s: %g: want %g", u, got, want)
			}
		}
		// Exactly to the seam of the two segments: 1 s is a multiple of h.
		k1 := f(u, th)
		k2 := f(u+h/2, th+h/2*k1)
		k3 := f(u+h/2, th+h/2*k2)
		k4 := f(u+h, th+h*k3)
		th += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
	}
}

// At constant mean speed a whole turn takes (1/n)/sqrt(1-(δ/2)²): the known
// integral ∫₀^2π dθ/(1+ε·cos θ) = 2π/sqrt(1-ε²).
func TestWholeTurn(t *testing.T) {
	const fluct = 0.5
	m := mustMotion(t, mustProfile(t, "1200 hold 5s"), fluct, 33, 0)
	want := 0.05 / math.Sqrt(1-fluct*fluct/4)
	for _, deg := range []float64{0, 11, 180, 213, 359.999, 1000} {
		if got := m.TimeAt(deg+360) - m.TimeAt(deg); math.Abs(got-want) > 1e-13 {
			t.Errorf("turn from %g°: %g s: want %g", deg, got, want)
		}
	}
}

func TestTimeAndAngleAreInverse(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var p Profile
		speed := rapid.Float64Range(30, 15000)
		from := speed.Draw(rt, "start")
		for range rapid.IntRange(1, 6).Draw(rt, "segments") {
			to := speed.Draw(rt, "rpm")
			// Slope up to 15000 rpm/s and far beyond.
			d := rapid.Float64Range(0.05, 60).Draw(rt, "seconds")
			c := rapid.SampledFrom([]Course{Linear, Smooth}).Draw(rt, "course")
			p = append(p, Segment{FromRPM: from, ToRPM: to, DurationS: d, Course: c})
			from = to
		}
		m := mustMotion(t, p, rapid.Float64Range(0, 1.5).Draw(rt, "δ"), rapid.Float64Range(-360, 360).Draw(rt, "θ0"), rapid.Float64Range(-360, 360).Draw(rt, "start angle"))
		for range 20 {
			at := rapid.Float64Range(-1, p.DurationS()+1).Draw(rt, "t")
			deg := m.AngleAt(at)
			if back := m.TimeAt(deg); math.Abs(back-at) > timeTol {
				rt.Fatalf("%.12f s is at %g°, which is at %.12f s", at, deg, back)
			}
			if later := m.AngleAt(at + 1e-3); later <= deg {
				rt.Fatalf("at %g s the crankshaft turns backwards", at)
			}
		}
	})
}

func TestParseProfile(t *testing.T) {
	p := mustProfile(t, "1200 hold 2s, ramp 6000 in 3s, hold 1s, blip 9000 at 15000, swing 1200 in 2s, ramp 1500 at 100")
	want := Profile{
		{1200, 1200, 2, Linear}, {1200, 6000, 3, Linear}, {6000, 6000, 1, Linear},
		{6000, 9000, 0.2, Linear}, {9000, 6000, 0.2, Linear}, {6000, 1200, 2, Smooth}, {1200, 1500, 3, Linear},
	}
	if len(p) != len(want) {
		t.Fatalf("%d segments: want %d", len(p), len(want))
	}
	for i := range p {
		if p[i] != want[i] {
			t.Errorf("segment %d is %+v: want %+v", i+1, p[i], want[i])
		}
	}
	for _, bad := range []string{"", "hold 2s", "1200", "1200 hold", "1200 hold 2", "1200 hold 2s,", "1200 ramp in 2s", "1200 ramp 1200 in 2s",
		"1200 ramp 3000 at -5", "1200 ramp 3000 at 0", "1200 hold -2s", "1200 swing 2000 at 100", "1200 blip 2000 in 1s", "5 hold 1s", "NaN hold 1s",
		"1200 ramp 1e9 in 1s", "1200 hold 1s, 1300 hold 1s"} {
		if p, err := ParseProfile(bad); err == nil {
			t.Errorf("%q: %+v: want an error", bad, p)
		}
	}
}

func FuzzParseProfile(f *testing.F) {
	f.Add("1200 hold 2s, ramp 6000 in 3s, hold 1s, blip 9000 at 15000, swing 1200 in 2s")
	f.Add("1200 ramp 3000 at NaN")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := ParseProfile(text)
		if err == nil && p.Validate() != nil {
			t.Fatalf("%q gave a profile that is not valid", text)
		}
	})
}

func TestCurve(t *testing.T) {
	c, err := ParseCurve("1200:10, 3200:22")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range [][2]float64{{500, 10}, {1200, 10}, {2200, 16}, {3200, 22}, {9000, 22}} {
		if got := c.At(p[0]); math.Abs(got-p[1]) > 1e-12 {
			t.Errorf("at %g rpm %g°: want %g", p[0], got, p[1])
		}
	}
	if c, err = ParseCurve("-5.5"); err != nil || c.At(3000) != -5.5 {
		t.Errorf("fixed curve gives %v, %v: want -5.5", c, err)
	}
	for _, bad := range []string{"", "x", "1200:10, 1100:12", "1200:", "10, 12", "1200:200", "NaN"} {
		if c, err := ParseCurve(bad); err == nil {
			t.Errorf("%q: %v: want an error", bad, c)
		}
	}
}

func run(t testing.TB, e Engine) []Event {
	t.Helper()
	ev, err := e.Run()
	if err != nil {
		t.Fatal(err)
	}
	return ev
}

// At constant speed everything follows by hand: the spark comes
// (reference - advance) degrees after the reference, i.e. that over 6·rpm later.
func TestSparkAfterReference(t *testing.T) {
	for _, c := range []struct{ adv, ref float64 }{{18, 30}, {18, 62}, {-4, 10}, {25, -35}, {18, 18}} {
		e := Default()
		e.Profile, e.Fluctuation, e.ScatterDeg = mustProfile(t, "4000 hold 1s"), 0, 0
		e.Advance, e.ReferenceDeg = Curve{{1, c.adv}}, c.ref
		phase := math.Mod(c.ref-c.adv+360, 360)
		last := math.NaN()
		n := 0
		for _, v := range run(t, e) {
			switch v.Kind {
			case Reference:
				last = v.TimeS
			case Spark:
				if math.IsNaN(last) {
					continue
				}
				got := (v.TimeS - last) * 6 * 4000
				if math.Abs(got-phase) > 1e-6 && math.Abs(math.Abs(got-phase)-360) > 1e-6 {
					t.Fatalf("advance %g°, reference %g°: spark %g° after the reference: want %g", c.adv, c.ref, got, phase)
				}
				if math.Abs(v.AdvanceDeg-c.adv) > 1e-7 || math.Abs(v.RPM-4000) > 1e-6 {
					t.Fatalf("spark at %g°, %g rpm: want %g°, 4000 rpm", v.AdvanceDeg, v.RPM, c.adv)
				}
				n++
			}
		}
		if n < 60 {
			t.Errorf("%d sparks in a second at 4000 rpm: want 66 or so", n)
		}
	}
}

// A lag retards by 6·rpm·lag degrees.
func TestLag(t *testing.T) {
	e := Default()
	e.Profile, e.Fluctuation, e.ScatterDeg, e.LagS = mustProfile(t, "6000 hold 1s"), 0, 0, 60e-6
	for _, v := range run(t, e) {
		if want := 18 - 6*6000*60e-6; v.Kind == Spark && math.Abs(v.AdvanceDeg-want) > 1e-7 {
			t.Fatalf("advance %g°: want %g", v.AdvanceDeg, want)
		}
	}
}

// A curve is followed at the speed around the spark itself.
func TestCurveIsFollowed(t *testing.T) {
	e := Default()
	e.Advance, e.ScatterDeg = Curve{{1500, 10}, {5000, 28}}, 0
	for _, v := range run(t, e) {
		if v.Kind == Spark && math.Abs(v.AdvanceDeg-e.Advance.At(v.RPM)) > 1e-4 {
			t.Fatalf("%g° at %g rpm: want %g", v.AdvanceDeg, v.RPM, e.Advance.At(v.RPM))
		}
	}
}

func TestScatter(t *testing.T) {
	e := Default()
	e.Profile, e.ScatterDeg, e.AlternatingDeg = mustProfile(t, "6000 hold 40s"), 0.7, 0
	stats := func() (n int, mean, sd, alt float64) {
		var a []float64
		for _, v := range run(t, e) {
			if v.Kind == Spark {
				a = append(a, v.AdvanceDeg)
			}
		}
		for i, v := range a {
			mean += v / float64(len(a))
			alt += v * float64(1-2*(i%2)) / float64(len(a)) * 2
		}
		for _, v := range a {
			sd += (v - mean) * (v - mean) / float64(len(a)-1)
		}
		return len(a), mean, math.Sqrt(sd), math.Abs(alt)
	}
	n, mean, sd, _ := stats()
	if n < 3900 {
		t.Fatalf("%d sparks: want 4000", n)
	}
	// Four standard deviations of the mean and of the standard deviation.
	if math.Abs(mean-18) > 4*0.7/math.Sqrt(float64(n)) || math.Abs(sd-0.7) > 4*0.7/math.Sqrt(2*float64(n)) {
		t.Errorf("mean %g°, standard deviation %g°: want 18, 0.7", mean, sd)
	}
	e.AlternatingDeg = 3
	if _, _, _, alt := stats(); math.Abs(alt-3) > 4*2*0.7/math.Sqrt(float64(n)) {
		t.Errorf("firings alternate by %g°: want 3", alt)
	}
}

func TestFiringPlans(t *testing.T) {
	count := func(e Engine, k Kind) (n int) {
		for _, v := range run(t, e) {
			if v.Kind == k && v.TimeS >= 0 && v.TimeS < e.Profile.DurationS() {
				n++
			}
		}
		return n
	}
	e := Default()
	e.Profile, e.ScatterDeg = mustProfile(t, "3000 hold 2s"), 0
	e.Fluctuation = 0
	for _, c := range []struct {
		name      string
		every     int
		cylinders []float64
		magnets   []float64
		sparks    int
		refs      int
	}{
		{"two-stroke", 1, []float64{0}, []float64{0}, 100, 100},
		{"four-stroke", 2, []float64{0}, []float64{0}, 50, 100},
		{"twin", 1, []float64{0, 180}, []float64{0}, 200, 100},
		{"four-stroke twin", 2, []float64{0, 360}, []float64{0}, 100, 100},
		{"three magnets", 1, []float64{0}, EqualMagnets(3), 100, 300},
		{"uneven magnets", 1, []float64{0}, []float64{0, 90}, 100, 200},
	} {
		e.EveryRevolutions, e.CylinderDeg, e.MagnetDeg = c.every, c.cylinders, c.magnets
		if s, r := count(e, Spark), count(e, Reference); absInt(s-c.sparks) > 1 || absInt(r-c.refs) > 1 {
			t.Errorf("%s: %d sparks, %d references in 100 revolutions: want %d, %d", c.name, s, r, c.sparks, c.refs)
		}
		for _, v := range run(t, e) {
			if v.Kind == Spark && math.Abs(v.AdvanceDeg-18) > 1e-6 {
				t.Fatalf("%s: cylinder %d fires at %g°: want 18", c.name, v.Cylinder, v.AdvanceDeg)
			}
		}
	}
}

func absInt(x int) int { return max(x, -x) }

// Magnets pass their offsets later than the first, by forward rotation, and
// each says its own angle.
func TestMagnets(t *testing.T) {
	e := Default()
	e.Profile, e.Fluctuation = mustProfile(t, "3000 hold 1s"), 0
	e.ReferenceDeg, e.MagnetDeg = 40, []float64{0, 70, 250}
	first := math.NaN()
	seen := 0
	for _, v := range run(t, e) {
		if v.Kind != Reference {
			continue
		}
		if v.Magnet == 1 {
			first = v.TimeS
		}
		if math.IsNaN(first) {
			continue
		}
		seen++
		off := e.MagnetDeg[v.Magnet-1]
		if got := (v.TimeS - first) * 18000; math.Abs(got-off) > 1e-7 {
			t.Fatalf("magnet %d passes %g° after the first: want %g", v.Magnet, got, off)
		}
		if want := []float64{40, -30, 150}[v.Magnet-1]; math.Abs(v.AdvanceDeg-want) > 1e-9 {
			t.Fatalf("magnet %d at %g°: want %g", v.Magnet, v.AdvanceDeg, want)
		}
		if got := (v.EndS - v.TimeS) * 18000; math.Abs(got-e.ClosedDeg) > 1e-7 {
			t.Fatalf("magnet %d acts for %g°: want %g", v.Magnet, got, e.ClosedDeg)
		}
	}
	if seen < 140 {
		t.Errorf("%d references: want about 150", seen)
	}
}

// Misses, repeats and losses come as often as stated, and where stated; one
// effect leaves the others' events as they were.
func TestMissesAndRepeats(t *testing.T) {
	e := Default()
	e.Profile = mustProfile(t, "6000 hold 30s")
	plain := run(t, e)
	e.MissProbability, e.RepeatProbability, e.ReferenceMissProb, e.ClosingDeg = 0.1, 0.2, 0.05, 110
	e.MissedReferenceAtRevs = []int{7}
	got := run(t, e)
	n := map[Kind]int{}
	last := Event{}
	var firings []float64
	for _, v := range got {
		n[v.Kind]++
		switch v.Kind {
		case Spark, Missed:
			firings = append(firings, v.TimeS)
			last = v
		case Repeated:
			if d := v.AngleDeg - last.AngleDeg; last.Kind != Spark || d < 5 || d > 15 {
				t.Fatalf("repeated spark %g° after a %q: want 5 to 15 after a spark", d, last.Kind)
			}
		case Reference:
			if v.Revolution == 7 {
				t.Error("reference of revolution 7 is there: want it lost")
			}
		}
	}
	total := float64(n[Spark] + n[Missed])
	within := func(what string, k int, p, of float64) {
		if tol := 4 * math.Sqrt(p*(1-p)*of); math.Abs(float64(k)-p*of) > tol+1 {
			t.Errorf("%s: %d of %g: want %g within %.0f", what, k, of, p*of, tol)
		}
	}
	within("missed", n[Missed], 0.1, total)
	within("repeated", n[Repeated], 0.2, float64(n[Spark]))
	within("lost references", n[MissedReference], 0.05, float64(n[Reference]+n[MissedReference]))
	if n[Closing] != int(total) {
		t.Errorf("%d closings for %g firings", n[Closing], total)
	}
	i := 0
	for _, v := range plain {
		if v.Kind == Spark {
			if v.TimeS != firings[i] {
				t.Fatalf("firing %d moved from %g to %g s when misses were switched on", i, v.TimeS, firings[i])
			}
			i++
		}
	}
}

// Revolutions count from the first reference event in the recording.
func TestRevolutions(t *testing.T) {
	e := Default()
	e.Profile = mustProfile(t, "3000 hold 1s")
	rev := math.MinInt
	for _, v := range run(t, e) {
		if v.Kind == Reference {
			if v.TimeS >= 0 && rev == math.MinInt {
				if v.Revolution != 0 {
					t.Errorf("first reference is of revolution %d: want 0", v.Revolution)
				}
				rev = -1
			}
			if rev != math.MinInt {
				if v.Revolution != rev+1 {
					t.Fatalf("reference of revolution %d follows %d", v.Revolution, rev)
				}
				rev = v.Revolution
			}
		} else if v.Kind == Spark && rev != math.MinInt && v.Revolution != rev {
			t.Fatalf("spark after the reference of revolution %d is of revolution %d", rev, v.Revolution)
		}
	}
}

func TestValidate(t *testing.T) {
	if err := Default().Validate(); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Engine){
		"no profile":    func(e *Engine) { e.Profile = nil },
		"no curve":      func(e *Engine) { e.Advance = nil },
		"fluctuation":   func(e *Engine) { e.Fluctuation = 2 },
		"not a number":  func(e *Engine) { e.ScatterDeg = math.NaN() },
		"probability":   func(e *Engine) { e.MissProbability = -0.1 },
		"repeats":       func(e *Engine) { e.RepeatFromDeg, e.RepeatToDeg = 15, 5 },
		"cycle":         func(e *Engine) { e.EveryRevolutions = 0 },
		"cylinders":     func(e *Engine) { e.CylinderDeg = []float64{180} },
		"magnets":       func(e *Engine) { e.MagnetDeg = []float64{0, 400} },
		"magnet order":  func(e *Engine) { e.MagnetDeg = []float64{0, 90, 90} },
		"no magnets":    func(e *Engine) { e.MagnetDeg = nil },
		"profile speed": func(e *Engine) { e.Profile[0].FromRPM = math.Inf(1) },
	} {
		e := Default()
		change(&e)
		if _, err := e.Run(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestWrap(t *testing.T) {
	for _, c := range [][2]float64{{0, 0}, {180, 180}, {-180, 180}, {181, -179}, {-181, 179}, {360, 0}, {540, 180}, {-540, 180}, {719, -1}} {
		if got := wrap(c[0]); math.Abs(got-c[1]) > 1e-12 {
			t.Errorf("wrap(%g) = %g: want %g", c[0], got, c[1])
		}
	}
}

// An engine that stops and starts again: what it turned through is the area
// under its speed, nothing happens while it stands, and angle and time are
// inverse again afterwards.
func TestStall(t *testing.T) {
	p := mustProfile(t, "1200 hold 1s, ramp 0 in 500ms, hold 1s, ramp 1200 in 1s, hold 1s")
	m := mustMotion(t, p, 0, 0, 0)
	// 1200 rpm are 7200°/s: 7200 + 1800, then 3600, then 7200.
	for _, v := range []struct{ at, deg, rpm float64 }{{1, 7200, 1200}, {1.25, 7200 + 7200*0.1875, 600}, {1.5, 9000, 0}, {2.4, 9000, 0}, {3, 9000 + 900, 600}, {3.5, 9000 + 3600, 1200}, {4.5, 9000 + 10800, 1200}} {
		if deg, rpm := m.AngleAt(v.at), m.RPMAt(v.at); math.Abs(deg-v.deg) > 1e-8 || math.Abs(rpm-v.rpm) > 1e-8 {
			t.Errorf("%g s: %g°, %g rpm: want %g, %g", v.at, deg, rpm, v.deg, v.rpm)
		}
		if v.rpm > 0 && math.Abs(m.TimeAt(v.deg)-v.at) > 1e-9 {
			t.Errorf("%g°: %g s: want %g", v.deg, m.TimeAt(v.deg), v.at)
		}
	}
	// Close to the angle at which it stands, rounding must not make a time
	// infinite or late.
	for d := 0.1; d < 1; d += 0.0137 {
		m := mustMotion(t, Profile{{1234.5, 1234.5, d, Linear}, {1234.5, 0, d / 3, Linear}, {0, 0, 1, Linear}, {0, 777, d, Linear}}, 0, 0, 0)
		stop := m.AngleAt(d + d/3)
		for _, off := range []float64{-1e-9, -1e-11, -1e-13, 0, 1e-13, 1e-11, 1e-9} {
			got := m.TimeAt(stop + off)
			if before, after := math.Abs(got-4*d/3), math.Abs(got-4*d/3-1); !(min(before, after) < 1e-4) {
				t.Errorf("%g s, %g° from its standstill: %g s", d, off, got)
			}
		}
	}
	for d := 0.1; d < 1; d += 0.00137 {
		for _, c := range []Course{Linear, Smooth} {
			m := mustMotion(t, Profile{{1234.5, 0, d, c}, {0, 0, 1, Linear}, {0, 777, d, Linear}}, 0, 0, 0)
			for deg, i := m.segs[1].u, 0; i < 8; deg, i = math.Nextafter(deg, 0), i+1 {
				if got := m.TimeAt(deg); !(math.Abs(got-d) < 1e-4 || math.Abs(got-d-1) < 1e-4) {
					t.Fatalf("%g s, %g° before its standstill: %g s", d, m.segs[1].u-deg, got)
				}
			}
		}
	}
	e := Default()
	e.Profile, e.ScatterDeg, e.Fluctuation = p, 0, 0.3
	last := -1.0
	for _, v := range run(t, e) {
		if v.TimeS > 1.5001 && v.TimeS < 2.4999 {
			t.Errorf("%s at %g s, while it stands", v.Kind, v.TimeS)
		}
		if v.TimeS < last {
			t.Errorf("%s at %g s after %g s", v.Kind, v.TimeS, last)
		}
		last = v.TimeS
	}
	// Kicked over: from a standstill to a standstill, beyond which is nothing.
	e.Profile = mustProfile(t, "0 hold 300ms, swing 400 in 300ms, swing 0 in 900ms, hold 300ms")
	sparks := 0
	for _, v := range run(t, e) {
		if !(v.TimeS > 0.3 && v.TimeS < 1.5) || math.IsNaN(v.AngleDeg+v.RPM+v.MomentRPM) {
			t.Errorf("%+v: want it between 0.3 and 1.5 s", v)
		}
		if v.Kind == Spark {
			sparks++
		}
	}
	if sparks != 4 && sparks != 3 { // 400 rpm for 0.6 s on average half: four turns
		t.Errorf("%d sparks in four turns", sparks)
	}
}

// A jerky hand keeps the length in time, stays within what is said, is steady
// in what it draws, and really jerks: three times a turn or so.
func TestJerky(t *testing.T) {
	p := mustProfile(t, "30 hold 20s, ramp 60 in 10s")
	q := p.Jerky(0.5, 3)
	if err := q.Validate(); err != nil {
		t.Fatal(err)
	}
	if d := q.DurationS(); math.Abs(d-30) > 1e-9 {
		t.Errorf("%g s: want 30", d)
	}
	var from float64
	spread, n := 0.0, 0
	for i, s := range q {
		if i > 0 && s.FromRPM != q[i-1].ToRPM {
			t.Fatalf("segment %d begins with %g rpm, the last ended with %g", i, s.FromRPM, q[i-1].ToRPM)
		}
		from += s.DurationS
		mean := 30 + max(0, from-20)*3
		if f := s.ToRPM / mean; f < 0.4999 || f > 1.5001 {
			t.Errorf("%g rpm where the profile says %g", s.ToRPM, mean)
		} else {
			spread += (f - 1) * (f - 1)
			n++
		}
	}
	// Uniform within ±0.5: a standard deviation of 0.5/√3; of n draws that is
	// known to within a tenth or so.
	if sd := math.Sqrt(spread / float64(n)); math.Abs(sd-0.5/math.Sqrt(3)) > 0.06 {
		t.Errorf("factors spread by %g: want %g", sd, 0.5/math.Sqrt(3))
	}
	turns := mustMotion(t, q, 0, 0, 0).AngleAt(30) / 360
	if each := float64(n) / turns; each < 2.4 || each > 3.6 {
		t.Errorf("%g changes a turn: want about 3", each)
	}
	e := Default()
	e.Profile, e.Jerk, e.Fluctuation = p, 0.5, 0.5
	a, b := run(t, e), run(t, e)
	for i := range a {
		if a[i] != b[i] {
			t.Fatal("the same seed gave two motions")
		}
	}
	e.Seed++
	if c := run(t, e); c[len(c)-1].TimeS == a[len(a)-1].TimeS {
		t.Error("another seed gave the same motion")
	}
}
