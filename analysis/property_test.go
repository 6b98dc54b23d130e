package analysis

import (
	"errors"
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// drawWorld makes an invented engine with everything that goes wrong at once,
// within the severities of the fault table.
func drawWorld(t *rapid.T) world {
	kinds := []dsp.Kind{dsp.Contact, dsp.Lobes, dsp.Burst}
	w := world{
		refAngle:  rapid.Float64Range(-180, 180).Draw(t, "reference angle"),
		refKind:   rapid.SampledFrom(kinds).Draw(t, "kind"),
		scatter:   rapid.Float64Range(0.1, 1).Draw(t, "scatter"),
		missSpark: rapid.Float64Range(0, 0.1).Draw(t, "missed"),
		missRef:   rapid.Float64Range(0, 0.05).Draw(t, "missed references"),
		repeat:    rapid.Float64Range(0, 0.2).Draw(t, "repeated"),
		strays:    rapid.IntRange(0, 10).Draw(t, "strays"),
		refStrays: rapid.IntRange(0, 5).Draw(t, "reference strays"),
		swap:      rapid.Bool().Draw(t, "swap"),
		invert:    rapid.Bool().Draw(t, "invert"),
		seed:      rapid.Uint64Range(1, 1<<40).Draw(t, "seed"),
		phase0:    -rapid.Float64Range(0, 1).Draw(t, "phase"),
	}
	w.everySecond = rapid.Bool().Draw(t, "every second")
	if rapid.Bool().Draw(t, "curve") {
		w.advance = curve
	}
	w.prof = steady(rapid.Float64Range(700, 2500).Draw(t, "idle"), 1)
	for range rapid.IntRange(1, 4).Draw(t, "pieces") {
		to := rapid.Float64Range(800, 9000).Draw(t, "to")
		from := w.prof.pieces[len(w.prof.pieces)-1].to
		// at most 8 000 rpm/s here; the blips have their own tests
		dur := math.Max(0.6, math.Abs(to-from)*math.Pi/2/8000)
		ramp(w.prof, dur+rapid.Float64Range(0, 1).Draw(t, "longer"), to, true)
	}
	return w
}

// TestNoWrongPair: whatever is missing or added, no counted row is another
// spark's, and nearly all true ones are counted.
func TestNoWrongPair(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := drawWorld(rt)
		m := w.build()
		s := Setup{ReferenceAngle: deg(w.refAngle), SparkChannel: m.sparkCh, ReferenceChannel: m.refCh}
		res, err := Measure(record(w), m.trains, s)
		if err != nil {
			rt.Fatalf("Measure: %v", err)
		}
		truth := map[int64]truthSpark{}
		n := 0
		for _, x := range m.sparks {
			for d := int64(-1); d <= 1; d++ {
				truth[int64(math.Round(x.t*1e8))+d] = x
			}
			if !x.repeated && !x.stray && x.t > m.refs[0] && x.t < m.refs[len(m.refs)-1] {
				n++
			}
		}
		got := 0
		for _, f := range res.Firings {
			if f.Status != OK {
				continue
			}
			x, ok := truth[int64(math.Round(f.TimeS*1e8))]
			if !ok {
				rt.Fatalf("row at %.8f s is no event", f.TimeS)
			}
			if x.stray {
				// A stray within the engine's own scatter cannot be told.
				continue
			}
			if x.repeated || math.Abs(circle.Wrap(float64(f.Advance)-x.adv)) > math.Max(2.5, 3*float64(f.Sigma)) {
				rt.Fatalf("row at %.6f s: advance %.2f ± %.2f, truth %.2f, repeated %v; refs %.4f missing %+v", f.TimeS, f.Advance, f.Sigma, x.adv, x.repeated, near5(m.refs, f.TimeS), res.Missing)
			}
			got++
		}
		if float64(got) < 0.95*float64(n)-4 {
			rt.Fatalf("counted %d of %d; %+v", got, n, res.Counts)
		}
	})
}

// TestShifts: later by any time, or the reference angle by whole turns, and
// no angle changes.
func TestShifts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := drawWorld(rt)
		m := w.build()
		s := Setup{ReferenceAngle: deg(w.refAngle)}
		a, err := Measure(record(w), m.trains, s)
		if err != nil {
			rt.Fatalf("Measure: %v", err)
		}
		later := rapid.Float64Range(0, 1000).Draw(rt, "later")
		for i := range m.trains {
			for k := range m.trains[i].Pulses {
				m.trains[i].Pulses[k].Pos += later * testRate
			}
		}
		turn := circle.Wrap(w.refAngle) - 360
		if turn < -360 {
			turn += 720
		}
		s.ReferenceAngle = deg(turn)
		b, err := Measure(record(w), m.trains, s)
		if err != nil {
			rt.Fatalf("Measure, later: %v", err)
		}
		if len(a.Firings) != len(b.Firings) {
			rt.Fatalf("%d and %d rows", len(a.Firings), len(b.Firings))
		}
		for i, f := range a.Firings {
			g := b.Firings[i]
			if f.Status != g.Status || f.Revolution != g.Revolution {
				rt.Fatalf("row %d: %+v, later %+v", i, f, g)
			}
			if f.HasAngle && (math.Abs(circle.Wrap(float64(f.Advance-g.Advance))) > 1e-4 || math.Abs(f.RPM-g.RPM) > 1e-3) {
				rt.Fatalf("row %d: %+v, later %+v", i, f, g)
			}
		}
	})
}

// TestAnything: pulses thrown at random must be refused or measured, never
// panic, never yield a figure that is not a number.
func TestAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, 3).Draw(rt, "channels")
		var trains []dsp.Train
		for c := range n {
			tr := dsp.Train{Channel: c + 1, Rate: dsp.Rate(rapid.Float64Range(8000, 384000).Draw(rt, "rate"))}
			for range rapid.IntRange(0, 3).Draw(rt, "classes") {
				tr.Shapes = append(tr.Shapes, dsp.Shape{Kind: dsp.Kind(rapid.IntRange(0, 2).Draw(rt, "kind")), Polarity: 1 - 2*rapid.IntRange(0, 1).Draw(rt, "pol"), Amp: rapid.Float64Range(0, 1).Draw(rt, "amp"), AnchorSigma: rapid.Float64().Draw(rt, "anchor")})
			}
			pos := 0.0
			for range rapid.IntRange(0, 60).Draw(rt, "pulses") {
				pos += rapid.OneOf(rapid.Float64Range(0, 5000), rapid.Just(1000.0), rapid.Just(0.0), rapid.Just(math.NaN())).Draw(rt, "step")
				tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: pos, Sigma: rapid.Float64Range(0, 1).Draw(rt, "sigma"), Class: rapid.IntRange(-1, len(tr.Shapes)).Draw(rt, "class"), Amp: 0.1})
				if math.IsNaN(pos) {
					pos = 0
				}
			}
			trains = append(trains, tr)
		}
		s := Setup{ReferencePulses: rapid.IntRange(0, 4).Draw(rt, "pulses per turn"), ReferenceAngle: deg(20), Target: deg(20), Tolerance: deg(1), Static: deg(18)}
		if rapid.Bool().Draw(rt, "same") {
			s.SparkChannel, s.ReferenceChannel = 1, 1
		}
		res, err := Measure(Recording{}, trains, s)
		if err != nil {
			var e *CannotMeasureError
			if !errors.As(err, &e) {
				rt.Fatalf("error of another kind: %v", err)
			}
			return
		}
		finiteAll(t, reflect.ValueOf(res), "Result")
		c := res.Counts
		if c.Sparks != c.OK+c.RepeatedSparks+c.OtherSparks || c.Sparks != len(res.Firings) || res.Advance.N != c.OK {
			rt.Fatalf("counts do not add up: %+v, %d rows", c, len(res.Firings))
		}
	})
}

// BenchmarkMeasure: 120 000 revolutions (ten minutes at 12 000 rpm).
func BenchmarkMeasure(b *testing.B) {
	p := ramp(ramp(steady(9000, 1), 300, 14000, true), 320, 9500, true)
	w := world{prof: p, refAngle: 62, refKind: dsp.Contact, scatter: 0.3, seed: 1, missSpark: 0.02, repeat: 0.02, missRef: 0.005}
	m := w.build()
	b.ReportAllocs()
	for b.Loop() {
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(62), Target: deg(20), Tolerance: deg(2)})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(res.Counts.Revolutions), "revolutions")
	}
}

// near5 is the six times of a sorted list around t.
func near5(list []float64, t float64) []float64 {
	i := 0
	for i < len(list) && list[i] < t {
		i++
	}
	return list[max(0, i-3):min(len(list), i+3)]
}
