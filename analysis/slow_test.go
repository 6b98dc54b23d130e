package analysis

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
)

// compression is a shaft cranked on a four-stroke: slow in every second turn,
// by the share given (from memory; the principle is all that matters).
func compression(rpm, share, seconds float64) *profile {
	p := steady(rpm, 0.05)
	for p.end() < seconds {
		ramp(p, 60/rpm/2, rpm*(1+share/2), true)
		ramp(p, 60/rpm, rpm*(1-share/2), true)
		ramp(p, 60/rpm/2, rpm, true)
	}
	return p
}

// TestSlowShafts: of a kick, a stall, and an engine cranked unevenly every
// spark between the first and the last reference event counts. The spark lies
// 10° after the event, where a change of speed has little room: within 1°.
func TestSlowShafts(t *testing.T) {
	kick := ramp(ramp(steady(1, 0.2), 0.4, 550, false), 0.4, 700, false)
	ramp(kick, 0.8, 1, false)
	stall := ramp(steady(1350, 2), 1.2, 1, false)
	start := ramp(steady(1, 0.1), 0.9, 1500, false)
	ramp(start, 2, 1500, false)
	for _, c := range []struct {
		name string
		prof *profile
	}{
		{"kick", kick}, {"stall", stall}, {"start", start},
		{"cranking", compression(200, 0.1, 10)},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := world{prof: c.prof, refAngle: 30, refKind: dsp.Contact, scatter: 0.2, phase0: -0.4, seed: 3}
			m := w.build()
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range m.sparks {
				if s.t < m.refs[0] || s.t > m.refs[len(m.refs)-1] {
					continue
				}
				found := false
				for _, f := range res.Firings {
					if math.Abs(f.TimeS-s.t) > 1e-6 {
						continue
					}
					found = true
					if f.Status != OK || math.Abs(float64(f.Advance)-s.adv) > 1 {
						t.Errorf("spark at %.4f s: %s, advance %.2f° ± %.2f°, truly %.2f°", s.t, f.Status, f.Advance, f.Sigma, s.adv)
					}
				}
				if !found {
					t.Errorf("spark at %.4f s: not in the table", s.t)
				}
			}
		})
	}
}

// handDeg is what the way of 4° from a mark to the spark may be misread when the
// speed changes by two thirds before the next mark.
const handDeg = 3.0

// TestTurnedByHand: a shaft turned by hand slows down to a third within a turn
// and then goes on, so that the way to the next of six marks takes twice as
// long as the one before. While it is slow its pulses are long; no mark is
// taken for missed, and with a mark near the spark each angle is right. A mark
// that is truly missed is found so.
func TestTurnedByHand(t *testing.T) {
	teeth := []float64{0, 1. / 6, 2. / 6, 3. / 6, 4. / 6, 5. / 6}
	for _, c := range []struct {
		seed uint64
		miss float64
	}{{1, 0}, {2, 0}, {3, 0}, {4, 0.05}} {
		rng := rand.New(rand.NewPCG(c.seed, 5))
		p := steady(30, 0.5)
		for p.end() < 25 {
			ramp(p, 0.4+0.4*rng.Float64(), 36+12*rng.Float64(), true)
			ramp(p, 0.3+0.3*rng.Float64(), 10+6*rng.Float64(), true)
			ramp(p, 0.2+0.3*rng.Float64(), 30+12*rng.Float64(), true)
		}
		w := world{prof: p, refAngle: 24, refKind: dsp.Contact, scatter: 0.2, teeth: teeth, missRef: c.miss, phase0: -0.4, seed: c.seed}
		m := w.build()
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(24), ReferencePulses: 6, Target: deg(20)})
		if err != nil {
			t.Fatal(err)
		}
		if got := res.Counts.MissedReferences; got != m.missedRefs && (c.miss == 0 || abs(got-m.missedRefs) > 1) { // one may pass for a standstill
			t.Errorf("seed %d: %d marks taken for missed, truly %d", c.seed, got, m.missedRefs)
		}
		for _, f := range res.Firings {
			if s := m.sparks[nearestSpark(m.sparks, f.TimeS)]; f.Status == OK && math.Abs(float64(f.Advance)-s.adv) > handDeg {
				t.Errorf("seed %d: at %.3f s %.2f° ± %.2f°, truly %.2f°", c.seed, f.TimeS, f.Advance, f.Sigma, s.adv)
			}
		}
		if res.Counts.OK < len(m.sparks)-2 {
			t.Errorf("seed %d: %d of %d sparks counted", c.seed, res.Counts.OK, len(m.sparks))
		}
	}
}

// nearestSpark is the index of the spark nearest to t.
func nearestSpark(sparks []truthSpark, t float64) int {
	best := 0
	for i, s := range sparks {
		if math.Abs(s.t-t) < math.Abs(sparks[best].t-t) {
			best = i
		}
	}
	return best
}

// TestSpacingOrSpeed: of a shaft turned at 30 rpm whose speed swings by 30 %
// within the turn six equal magnets come in gaps as uneven as those of an uneven
// wheel; their pulses' lengths tell the two apart. At 600 rpm no shaft does that.
func TestSpacingOrSpeed(t *testing.T) {
	const n = 6
	for _, c := range []struct {
		name   string
		rpm    float64
		length func(speed float64) float64 // of a pulse beside that at the mean speed
		uneven bool
	}{
		{"speed", 30, func(speed float64) float64 { return 1 / speed }, false},
		{"wheel", 30, func(float64) float64 { return 1 }, true},
		{"lengths unknown", 30, func(float64) float64 { return 0 }, true},
		{"running", 600, func(speed float64) float64 { return 1 / speed }, true},
	} {
		rng := rand.New(rand.NewPCG(1, 9))
		var ticks []tick
		at := 0.0
		for i := range 20 * n {
			speed := 1 + 0.15*math.Sin(2*math.Pi*float64(i)/n)
			turn := 60 / c.rpm
			at += turn / n / (1 + 0.15*math.Sin(2*math.Pi*(float64(i)-0.5)/n))
			ticks = append(ticks, tick{t: at, sigma: 1e-5, width: 0.04 * turn * c.length(speed) * (1 + 0.05*rng.NormFloat64())})
		}
		if _, uneven := toothPattern(ticks, n); uneven != c.uneven {
			t.Errorf("%s: uneven spacing %v, want %v", c.name, uneven, c.uneven)
		}
	}
}
