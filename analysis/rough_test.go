package analysis

import (
	"cmp"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
)

// roughIdle is a speed that changes by about 2 % rms from one twentieth of a
// second to the next, as an engine that misfires at idle (from memory).
func roughIdle(seed uint64, seconds float64) *profile {
	rng := rand.New(rand.NewPCG(seed, 3))
	p := steady(1200, 0.3)
	for p.end() < seconds {
		ramp(p, 0.05, 1200*(1+0.02*math.Max(-2.5, math.Min(2.5, rng.NormFloat64()))), true)
	}
	return p
}

// TestRoughIdle: at a rough idle a revolution can differ from its neighbours
// by more than a stray reference pulse would; every event is real and must be
// used, since bridging it costs degrees.
func TestRoughIdle(t *testing.T) {
	for seed := range uint64(20) {
		w := world{prof: roughIdle(seed, 25), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: seed}
		m := w.build()
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
		if err != nil {
			t.Fatal(err)
		}
		if res.Counts.MissedReferences != 0 || res.Counts.RejectedReferences != 0 {
			t.Errorf("seed %d: %d references taken for missed, %d rejected; none was", seed, res.Counts.MissedReferences, res.Counts.RejectedReferences)
		}
		if want := len(m.sparks) - 2; res.Counts.OK < want {
			t.Errorf("seed %d: %d sparks counted, want at least %d", seed, res.Counts.OK, want)
		}
	}
}

// TestDisplacedReferenceStillFound: what the sparks do not vouch for goes, as before.
func TestDisplacedReferenceStillFound(t *testing.T) {
	w := world{prof: steady(3000, 10), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: 4}
	m := w.build()
	moved := 0
	m.edit(m.refCh, func(tr *dsp.Train) {
		for i := 40; i+40 < len(tr.Pulses); i += 50 {
			tr.Pulses[i].Pos += 5.0 / 360 / 50 * testRate // 5 degrees late
			moved++
		}
	})
	res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(62)})
	if err != nil {
		t.Fatal(err)
	}
	if res.Counts.MissedReferences != moved {
		t.Errorf("%d displaced references bridged, want %d", res.Counts.MissedReferences, moved)
	}
	for _, f := range res.Firings {
		if f.Status == OK && math.Abs(float64(f.Advance)-20) > 2 {
			t.Errorf("at %.4f s: advance %.2f, want 20 within 2", f.TimeS, f.Advance)
		}
	}
}

// TestStrayInFirstTurn: at a slow idle a stray reference pulse in the first or
// the last turn of a recording is told from a shaft that runs at twice the
// speed for one turn.
func TestStrayInFirstTurn(t *testing.T) {
	for _, share := range []float64{0.3, 0.45, 0.55, 0.7} {
		for _, last := range []bool{false, true} {
			w := world{prof: steady(700, 6), refAngle: 4, refKind: dsp.Lobes, scatter: 0.3, phase0: -0.03, seed: 2}
			m := w.build()
			m.edit(m.refCh, func(tr *dsp.Train) {
				i := 0
				if last {
					i = len(tr.Pulses) - 2
				}
				p := tr.Pulses[i]
				p.Pos += share * (tr.Pulses[i+1].Pos - p.Pos)
				tr.Pulses = append(tr.Pulses, p)
			})
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(4)})
			if err != nil {
				t.Fatal(err)
			}
			if res.Counts.Revolutions != len(m.refs)-1 || res.Counts.RejectedReferences != 1 {
				t.Errorf("stray at %.2f of a turn, last %v: %+v, want %d revolutions and one rejected", share, last, res.Counts, len(m.refs)-1)
			}
			for _, f := range res.Firings {
				if f.Status == OK && math.Abs(float64(f.Advance)-20) > 2 {
					t.Errorf("stray at %.2f of a turn, last %v: at %.4f s advance %.2f, want 20 within 2", share, last, f.TimeS, f.Advance)
				}
			}
		}
	}
}

// TestUntimedSpark: a spark too much disturbed to be timed is listed and not
// called missed, and a remark says where it must have been, also where it falls on an
// edge of the reference; what is small there is crosstalk.
func TestUntimedSpark(t *testing.T) {
	for _, c := range []struct {
		name                    string
		amp, sigma              float64
		interference, missed, n int // n: sparks counted out of the edited ones
	}{
		{"high, no time", 0.4, 8, 1, 0, 0},
		{"high, timed", 0.4, 0.5, 0, 0, 1},
		{"low", 0.05, 8, 0, 1, 0},
	} {
		// The switch opens just as the spark comes: 14 degrees after it closed.
		w := world{prof: steady(3000, 6), refAngle: 34, refKind: dsp.Contact, phase0: -0.3, seed: 9}
		m := w.build()
		edited := 0
		m.edit(m.sparkCh, func(tr *dsp.Train) {
			for i := 10; i+10 < len(tr.Pulses); i += 20 {
				tr.Pulses[i].Class, tr.Pulses[i].Amp, tr.Pulses[i].Sigma = -1, c.amp, c.sigma
				edited++
			}
		})
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(34)})
		if err != nil {
			t.Fatal(err)
		}
		got := map[Status]int{}
		for _, f := range res.Firings {
			got[f.Status]++
		}
		if got[Interference] != c.interference*edited || res.Counts.MissedSparks != c.missed*edited {
			t.Errorf("%s: %d listed as interference and %d missed of %d, want %d and %d", c.name,
				got[Interference], res.Counts.MissedSparks, edited, c.interference*edited, c.missed*edited)
		}
		untimed := 0
		for _, x := range res.Missing {
			if x.What == UntimedSpark {
				untimed++
			}
		}
		if untimed != c.interference*edited {
			t.Errorf("%s: %d remarks of sparks without a time, want %d", c.name, untimed, c.interference*edited)
		}
		if whole := len(m.sparks) - edited; got[OK] < whole-2+c.n*edited || got[OK] > whole+c.n*edited {
			t.Errorf("%s: %d counted, want %d less two at the ends", c.name, got[OK], whole+c.n*edited)
		}
	}
}

// TestSingleInputRareHighPulses: on one input, many low pulses and a few high
// ones leave no plain choice of a reference; an answer or a refusal, no panic.
func TestSingleInputRareHighPulses(t *testing.T) {
	tr := dsp.Train{Channel: 1, Rate: testRate, Frames: int64(10 * testRate),
		Shapes: []dsp.Shape{{Kind: dsp.Burst, Polarity: 1, Amp: 0.05}, {Kind: dsp.Burst, Polarity: 1, Amp: 0.6}}}
	for i := range 200 {
		p := dsp.Pulse{Pos: 1000 + 2000*float64(i), Sigma: 0.1, Amp: 0.05}
		tr.Pulses = append(tr.Pulses, p)
		if i%7 == 0 {
			tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: p.Pos + 300, Sigma: 0.1, Amp: 0.6, Class: 1})
		}
	}
	res, err := Measure(Recording{SampleRateHz: testRate, Channels: 1, DurationS: 10}, []dsp.Train{tr}, Setup{SparkChannel: 1, ReferenceChannel: 1})
	if err != nil && !errors.Is(err, ErrCannotMeasure) {
		t.Fatal(err)
	}
	if err == nil && res.Counts.Revolutions > 200 {
		t.Errorf("%d revolutions from 200 pulses", res.Counts.Revolutions)
	}
}

// TestWrongEdgeRefused: pulses that last for most of a revolution were timed
// at the edge that ends the true pulse; no angle is better than one that is
// wrong by the pulse's width.
func TestWrongEdgeRefused(t *testing.T) {
	for _, share := range []float64{0.05, 0.5, 1} {
		w := world{prof: steady(3000, 6), refAngle: 34, refKind: dsp.Contact, phase0: -0.3, seed: 9}
		m := w.build()
		rng := rand.New(rand.NewPCG(1, 1))
		m.edit(m.refCh, func(tr *dsp.Train) {
			for i := range tr.Pulses {
				if rng.Float64() < share {
					tr.Pulses[i].Pos += tr.Pulses[i].WidthS * testRate
					tr.Pulses[i].WidthS = 0.02 - tr.Pulses[i].WidthS // a revolution lasts 20 ms
				}
			}
		})
		_, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(34)})
		if refused := errors.Is(err, ErrCannotMeasure); refused != (share > 0.3) {
			t.Errorf("share %.2f: %v", share, err)
		}
	}
}

// TestStrangersRefused: sparks and a reference that are of no common shaft
// make a refusal, or at most few counted rows with an answer that says so;
// a reference that drops out for a while is measured all the same.
func TestStrangersRefused(t *testing.T) {
	refused := 0
	for seed := range uint64(20) {
		w := world{prof: steady(3000, 6), refAngle: 34, refKind: dsp.Contact, phase0: -0.3, scatter: 0.3, seed: seed}
		m := w.build()
		rng := rand.New(rand.NewPCG(seed, 1))
		m.edit(m.refCh, func(tr *dsp.Train) { // a third of the pulses, anywhere
			var kept []dsp.Pulse
			for _, p := range tr.Pulses {
				if rng.Float64() < 0.35 {
					p.Pos += (rng.Float64() - 0.5) * 0.02 * testRate
					kept = append(kept, p)
				}
			}
			tr.Pulses = kept
		})
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(34)})
		if err != nil {
			if !errors.Is(err, ErrCannotMeasure) {
				t.Fatal(err)
			}
			refused++
			continue
		}
		t.Logf("seed %d: measured %+v", seed, res.Counts)
	}
	if refused < 18 {
		t.Errorf("%d of 20 refused", refused)
	}
	w := world{prof: steady(3000, 6), refAngle: 34, refKind: dsp.Contact, phase0: -0.3, scatter: 0.3, gap: [2]float64{2, 4}, seed: 3}
	res, err := Measure(record(w), w.build().trains, Setup{ReferenceAngle: deg(34)})
	if err != nil {
		t.Fatalf("a reference that dropped out for a third: %v", err)
	}
	if res.Counts.OK < 190 {
		t.Errorf("a reference that dropped out for a third: %+v", res.Counts)
	}
}

// TestOneInputUnsure: on one input, when many sparks cannot be told from the
// reference, there is no answer; when nearly all can, there is.
func TestOneInputUnsure(t *testing.T) {
	for _, drop := range []float64{0, 0.1, 0.35} {
		w := world{prof: steady(3000, 6), refAngle: 50, refKind: dsp.Contact, phase0: -0.3, scatter: 0.3, seed: 4}
		m := w.build()
		rng := rand.New(rand.NewPCG(4, 4))
		spark, ref := m.trains[2-m.refCh], m.trains[m.refCh-1]
		one := dsp.Train{Channel: 1, Rate: ref.Rate, Frames: ref.Frames, Shapes: append(append([]dsp.Shape(nil), ref.Shapes...), spark.Shapes...), Level: ref.Level}
		one.Pulses = append(one.Pulses, ref.Pulses...)
		for _, p := range spark.Pulses {
			if rng.Float64() < drop {
				continue
			}
			if p.Class >= 0 {
				p.Class += len(ref.Shapes)
			}
			one.Pulses = append(one.Pulses, p)
		}
		slices.SortFunc(one.Pulses, func(a, b dsp.Pulse) int { return cmp.Compare(a.Pos, b.Pos) })
		_, err := Measure(Recording{SampleRateHz: testRate, Channels: 1, DurationS: 6}, []dsp.Train{one}, Setup{SparkChannel: 1, ReferenceChannel: 1, ReferenceAngle: deg(50)})
		if refused := errors.Is(err, ErrCannotMeasure); refused != (drop > 0.3) {
			t.Errorf("%.0f %% of the sparks not seen: %v", 100*drop, err)
		}
	}
}

// TestUnlikeReferenceRefused: a reference of unknown shape most of whose
// channel's pulses fit no rhythm is not the reference; one with a few strays is.
func TestUnlikeReferenceRefused(t *testing.T) {
	for _, strays := range []float64{0, 0.1, 1} {
		w := world{prof: steady(3000, 6), refAngle: 34, refKind: dsp.Burst, phase0: -0.3, seed: 9}
		m := w.build()
		rng := rand.New(rand.NewPCG(5, 5))
		m.edit(m.refCh, func(tr *dsp.Train) {
			for _, p := range slices.Clone(tr.Pulses) {
				if rng.Float64() < strays {
					p.Pos += (0.2 + 0.6*rng.Float64()) * 0.02 * testRate
					tr.Pulses = append(tr.Pulses, p)
				}
			}
			slices.SortFunc(tr.Pulses, func(a, b dsp.Pulse) int { return cmp.Compare(a.Pos, b.Pos) })
		})
		_, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(34), SparkChannel: m.sparkCh, ReferenceChannel: m.refCh})
		if refused := errors.Is(err, ErrCannotMeasure); refused != (strays > 0.5) {
			t.Errorf("strays %.1f: %v", strays, err)
		}
	}
}

// TestHalfTheReferenceLeft: from some moment on only every second or third
// reference event is there, as when the gap has grown too wide. The sparks go
// on as before, so the shaft does too: angles stay right, the events are
// missed ones, and no spark is one too many.
func TestHalfTheReferenceLeft(t *testing.T) {
	for _, every := range []int{2, 3} {
		for _, first := range []bool{false, true} {
			w := world{prof: ramp(steady(3000, 3), 2, 3300, true), refAngle: 58, refKind: dsp.Contact, scatter: 0.3, phase0: -0.3, seed: 8}
			m := w.build()
			gone := 0
			m.edit(m.refCh, func(tr *dsp.Train) {
				var kept []dsp.Pulse
				for i, p := range tr.Pulses {
					if (i < len(tr.Pulses)/2) == first && i%every != 0 {
						gone++
						continue
					}
					kept = append(kept, p)
				}
				tr.Pulses = kept
			})
			res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(58)})
			if err != nil {
				t.Errorf("every %d, from the first %v: %v", every, first, err)
				continue
			}
			for _, f := range res.Firings {
				if f.Status == OK && math.Abs(float64(f.Advance)-20) > 2 {
					t.Errorf("every %d, from the first %v: at %.4f s advance %.2f°, want 20° within 2°", every, first, f.TimeS, f.Advance)
					break
				}
			}
			// The border of the two stretches has no events on both sides.
			const border = 4
			if c := res.Counts; c.OK < len(m.sparks)-border || c.MissedReferences < gone-border || c.MissedReferences > gone+border {
				t.Errorf("every %d, from the first %v: %+v, want about %d counted and %d missed references", every, first, c, len(m.sparks), gone)
			}
		}
	}
}

// TestStartMissesNothing: where an engine starts so fast that two references do not
// tell where the crank was between them, the sparks there are not measured, but none
// is called missed, and none something else than a spark.
func TestStartMissesNothing(t *testing.T) {
	s := spec(t, "200 hold 1500ms, swing 1200 in 500ms, hold 1s", func(s *scene.Spec) {
		s.Engine.ReferenceDeg, s.Pickup, s.Seed = 60, scene.Reed, 3
	})
	rec, trains := heard(t, s, nil)
	res, err := Measure(rec, trains, Setup{ReferenceAngle: deg(60)})
	if err != nil {
		t.Fatal(err)
	}
	got := map[Status]int{}
	for _, f := range res.Firings {
		got[f.Status]++
	}
	if got[Interference] > 0 || res.Counts.MissedSparks > 0 {
		t.Errorf("%v, %d missed: want none missed, and no interference", got, res.Counts.MissedSparks)
	}
	if got[NoReference] == 0 {
		t.Error("all are measured: this recording shows nothing")
	}
}
