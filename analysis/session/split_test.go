package session

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
)

// trouble is what speeds are seen through.
type trouble struct {
	noise  float64 // standard deviation of a speed, part
	missed float64 // part of the sparks that are not there
	wrong  float64 // part of the speeds that are half or double, as by a lost or doubled pulse
}

// sparks are the firings of an engine that follows a profile.
func sparks(p engine.Profile, tr trouble, seed uint64) []analysis.Firing {
	r := rand.New(rand.NewPCG(seed, 1))
	m, err := engine.NewMotion(p, 0, 0, 0)
	if err != nil {
		panic(err)
	}
	var out []analysis.Firing
	end := p.DurationS()
	for turn := 1; ; turn++ {
		t := m.TimeAt(float64(360 * turn))
		if !(t < end) {
			return out
		}
		if r.Float64() < tr.missed {
			continue
		}
		v := m.MeanRPM(float64(360*turn)) * (1 + tr.noise*r.NormFloat64())
		switch u := r.Float64(); {
		case u < tr.wrong/2:
			v /= 2
		case u < tr.wrong:
			v *= 2
		}
		out = append(out, analysis.Firing{TimeS: t, Revolution: turn, RPM: v, Status: analysis.OK, HasAngle: true, Advance: 18})
	}
}

func profile(t testing.TB, text string) engine.Profile {
	t.Helper()
	p, err := engine.ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func kinds(parts []Part) string {
	var out []string
	for _, p := range parts {
		out = append(out, string(p.Kind))
	}
	return strings.Join(out, ", ")
}

// TestSplit: what somebody would call the parts of these runs.
func TestSplit(t *testing.T) {
	none := trouble{}
	rough := trouble{noise: 0.02, missed: 0.05, wrong: 0.02}
	for _, c := range []struct {
		name, speed string
		tr          trouble
		o           Options
		want        string
	}{
		{"idle, pull, back", "1300 hold 3s, ramp 6000 in 4s, ramp 1300 in 3s, hold 3s", none, Options{}, "idle, pull up, pull down, idle"},
		{"the same, roughly seen", "1300 hold 3s, ramp 6000 in 4s, ramp 1300 in 3s, hold 3s", rough, Options{}, "idle, pull up, pull down, idle"},
		{"a hold at the top", "1300 hold 3s, swing 6000 in 3s, hold 2s, swing 1300 in 3s, hold 3s", none, Options{}, "idle, pull up, hold, pull down, idle"},
		{"a hold on the way up", "1300 hold 3s, ramp 3000 in 2s, hold 2s, ramp 6000 in 2s, hold 2s, ramp 1300 in 2s, hold 2s", rough, Options{}, "idle, pull up, hold, pull up, hold, pull down, idle"},
		{"too short a pause", "1300 hold 3s, ramp 3000 in 2s, hold 500ms, ramp 6000 in 2s, ramp 1300 in 2s, hold 2s", none, Options{}, "idle, pull up, pull down, idle"},
		{"a blip", "1500 hold 2s, blip 9000 at 15000, hold 2s", none, Options{}, "idle, pull up, pull down, idle"},
		{"starter", "250 hold 2s, swing 1400 in 500ms, hold 3s, ramp 5000 in 3s, hold 2s", rough, Options{}, "cranking, idle, pull up, hold"},
		{"starter, flaring up", "250 hold 2s, swing 2800 in 500ms, swing 1400 in 1s, hold 3s, ramp 5000 in 3s, hold 2s", none, Options{}, "cranking, idle, pull up, hold"},
		{"started a second time", "250 hold 2s, swing 1400 in 500ms, hold 3s, swing 0 in 1s, hold 3s, ramp 250 in 100ms, hold 2s, swing 1400 in 500ms, ramp 4000 in 2s", none, Options{}, "cranking, idle, pull down, cranking"},
		{"a slow pull", "1300 hold 3s, ramp 6000 in 60s, hold 6s", rough, Options{}, "idle, pull up, hold"},
		{"idling alone", "1300 hold 20s", rough, Options{}, "hold"},
		{"idling alone, and said", "1300 hold 20s", rough, Options{IdleBelowRPM: 2000}, "idle"},
		{"warming up", "1200 hold 10s, ramp 1420 in 300s, ramp 5000 in 2s, hold 2s", rough, Options{}, "idle, pull up, hold"},
		{"hunting at idle", hunting(1300, 0.05, 12) + ", ramp 5000 in 3s, hold 2s", none, Options{}, "idle, pull up, hold"},
		{"a large slow engine", "450 hold 4s, ramp 1500 in 5s, hold 3s", none, Options{CrankingBelowRPM: 200}, "idle, pull up, hold"},
		{"a step of a fifth", "3000 hold 3s, ramp 3500 in 1s, hold 3s", none, Options{}, "hold, hold"},
	} {
		got := Split(sparks(profile(t, c.speed), c.tr, 7), c.o)
		if kinds(got) != c.want {
			t.Errorf("%s: %s: want %s", c.name, kinds(got), c.want)
			for _, p := range got {
				t.Logf("  %s %.2f–%.2f s, %.0f–%.0f rpm", p.Kind, p.FromS, p.ToS, p.FromRPM, p.ToRPM)
			}
		}
	}
	if p := Split(nil, Options{}); p != nil {
		t.Errorf("of nothing: %v", p)
	}
}

// hunting swings about a speed once a second.
func hunting(rpm, by float64, times int) string {
	s := fmt.Sprintf("%g hold 100ms", rpm)
	for range times {
		s += fmt.Sprintf(", swing %g in 500ms, swing %g in 500ms", rpm*(1+by), rpm*(1-by))
	}
	return s
}

// Bounds of TestBoundaries. A boundary is where the speed has left the level of a
// hold by holdBand; the level is a median over the hold with the slow end of a pull
// in it, up to another holdBand off, and the noise left in a median of five is 2 %.
// A median of five sparks moves no edge by more than three of them.
const (
	leaves     = 2*holdBand + 0.02
	edgeSparks = 3.0
)

// TestBoundaries: random programmes of a test bench, seen through noise, missed
// and doubled pulses: the parts are those of the programme, and each boundary
// lies within the time in which the speed leaves the hold, and three sparks.
func TestBoundaries(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		type step struct {
			kind Kind
			end  float64 // when it ends
		}
		var p engine.Profile
		var want []step
		at, speed := 0.0, float64(rapid.IntRange(1100, 1800).Draw(rt, "idle"))
		idle := speed
		add := func(kind Kind, to, seconds float64, c engine.Course) {
			p = append(p, engine.Segment{FromRPM: speed, ToRPM: to, DurationS: seconds, Course: c})
			at += seconds
			speed = to
			if n := len(want); n > 0 && want[n-1].kind == kind {
				want[n-1].end = at
				return
			}
			want = append(want, step{kind, at})
		}
		// What begins and ends softly over many seconds has no moment at which it
		// begins.
		const softest = 4.0
		course := func(seconds float64) engine.Course {
			if seconds > softest {
				return engine.Linear
			}
			return rapid.SampledFrom([]engine.Course{engine.Linear, engine.Smooth}).Draw(rt, "course")
		}
		pull := func(kind Kind, to, seconds float64) { add(kind, to, seconds, course(seconds)) }
		seconds := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(rt, name) }
		add(Idle, speed, seconds("idle", 2, 6), engine.Linear)
		for range rapid.IntRange(1, 4).Draw(rt, "pulls") {
			for range rapid.IntRange(1, 2).Draw(rt, "steps") {
				to := speed * rapid.Float64Range(1.8, 2.6).Draw(rt, "up")
				if to > 12000 {
					break
				}
				pull(Up, to, seconds("up", 0.6, 8))
				add(Hold, speed, seconds("hold", 2, 5), engine.Linear)
			}
			// In one go: a spell near the idle on the way would be a hold.
			pull(Down, idle, seconds("down", 0.6, 8))
			add(Idle, speed, seconds("idle", 2, 6), engine.Linear)
		}
		top := 0.0
		for _, s := range p {
			top = max(top, s.ToRPM)
		}
		tr := trouble{noise: seconds("noise", 0, 0.012), missed: seconds("missed", 0, 0.05), wrong: seconds("wrong", 0, 0.01)}
		got := Split(sparks(p, tr, rapid.Uint64().Draw(rt, "seed")), Options{IdleBelowRPM: 1.2 * idle})
		var names []string
		for _, s := range want {
			names = append(names, string(s.kind))
		}
		if kinds(got) != strings.Join(names, ", ") {
			rt.Fatalf("%s: want %s", kinds(got), strings.Join(names, ", "))
		}
		m, err := engine.NewMotion(p, 0, 0, 0)
		if err != nil {
			rt.Fatal(err)
		}
		for i, s := range want[:len(want)-1] {
			// How long the speed takes to leave, or to reach, the hold's.
			steady, way := m.RPMAt(s.end), 1.0
			if want[i].kind == Up || want[i].kind == Down {
				way = -1
			}
			leave := 0.0
			for math.Abs(m.RPMAt(s.end+way*leave)/steady-1) < leaves && leave < 10 {
				leave += 0.005
			}
			slack := leave + edgeSparks*60/(steady*(1-tr.missed)) + 60/steady
			if d := math.Abs(got[i].ToS - s.end); d > slack {
				rt.Fatalf("the %s ends at %.3f s, want %.3f ± %.3f", s.kind, got[i].ToS, s.end, slack)
			}
		}
	})
}

// TestPartsCover: whatever the speeds, parts lie one behind the other, without
// overlap, and hold every spark with a speed.
func TestPartsCover(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, 300).Draw(rt, "sparks")
		f := make([]analysis.Firing, n)
		at := 0.0
		for i := range f {
			at += rapid.SampledFrom([]float64{0.001, 0.01, 0.05, 0.05, 0.05, 0.3, 3}).Draw(rt, "after")
			f[i] = analysis.Firing{TimeS: at, RPM: rapid.SampledFrom([]float64{0, 100, 500, 700, 1300, 1300, 1310, 3000, 6000, 20000}).Draw(rt, "rpm")}
		}
		parts := Split(f, Options{})
		with := 0
		for i := range f {
			if f[i].RPM > 0 {
				with++
			}
		}
		if with < 5 {
			if parts != nil {
				rt.Fatalf("%d sparks, and %d parts", with, len(parts))
			}
			return
		}
		at2, numbers := 0, map[Kind]int{}
		for i, p := range parts {
			numbers[p.Kind]++
			if p.First < at2 || p.Next <= p.First || p.ToS < p.FromS || p.Number != numbers[p.Kind] || i > 0 && p.FromS < parts[i-1].ToS {
				rt.Fatalf("part %d of %+v", i, parts)
			}
			if !(p.MinRPM <= p.MedianRPM && p.MedianRPM <= p.MaxRPM) {
				rt.Fatalf("speeds of %+v", p)
			}
			for _, s := range f[at2:p.First] {
				if s.RPM > 0 {
					rt.Fatal("a spark belongs to no part")
				}
			}
			at2 = p.Next
		}
		for _, s := range f[at2:] {
			if s.RPM > 0 {
				rt.Fatal("a spark belongs to no part")
			}
		}
	})
}

// TestSplitIsPure: the sparks stay as they are, and times may begin anywhere.
func TestSplitIsPure(t *testing.T) {
	f := sparks(profile(t, "1300 hold 3s, ramp 6000 in 4s, ramp 1300 in 3s, hold 3s"), trouble{noise: 0.02}, 3)
	before := slices.Clone(f)
	a := Split(f, Options{})
	if !slices.Equal(before, f) {
		t.Error("the sparks were changed")
	}
	later := slices.Clone(f)
	for i := range later {
		later[i].TimeS += 4096
	}
	b := Split(later, Options{})
	if kinds(a) != kinds(b) {
		t.Fatalf("4096 s later: %s, before: %s", kinds(b), kinds(a))
	}
	for i := range a {
		if math.Abs(b[i].FromS-a[i].FromS-4096) > 1e-6 {
			t.Errorf("4096 s later part %d begins at %g, before at %g", i, b[i].FromS, a[i].FromS)
		}
	}
}

// BenchmarkSplit is an hour of sparks.
func BenchmarkSplit(b *testing.B) {
	text := "1300 hold 10s"
	for range 60 {
		text += ", ramp 6000 in 15s, hold 10s, ramp 1300 in 10s, hold 25s"
	}
	f := sparks(profile(b, text), trouble{noise: 0.02, missed: 0.01}, 1)
	b.ReportMetric(float64(len(f)), "sparks")
	for b.Loop() {
		Split(f, Options{})
	}
}
