package analysis

import (
	"math"
	"reflect"
	"testing"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// outcome is a measurement of a world held against its truth.
type outcome struct {
	res       *Result
	m         made
	rms, mean float64
	recall    float64
	wrong     int // counted rows that are no true first spark, or off by more than 3°
}

func run(t *testing.T, w world, s Setup) outcome {
	t.Helper()
	m := w.build()
	return hold(t, w, m, s)
}

func hold(t *testing.T, w world, m made, s Setup) outcome {
	t.Helper()
	if s.ReferenceAngle == nil {
		s.ReferenceAngle = deg(w.refAngle)
	}
	s.SparkDelayS, s.ReferenceDelayS = w.sparkDelay, w.refDelay
	res, err := Measure(record(w), m.trains, s)
	if err != nil {
		t.Fatalf("Measure: %v", err)
	}
	finiteAll(t, reflect.ValueOf(res), "Result")
	o := outcome{res: res, m: m}
	byTime := map[int64]truthSpark{}
	key := func(x float64) int64 { return int64(math.Round(x * 1e8)) }
	trueOnes := 0
	first, last := m.refs[0], m.refs[len(m.refs)-1]
	for _, x := range m.sparks {
		byTime[key(x.t+w.sparkDelay)] = x
		if !x.repeated && !x.stray && x.t > first && x.t < last && !(w.gap[1] > 0 && x.t > w.gap[0]-0.2 && x.t < w.gap[1]+0.2) {
			trueOnes++
		}
	}
	got, n := 0, 0
	var ss, sum float64
	prev := math.Inf(-1)
	for _, f := range res.Firings {
		if f.TimeS < prev {
			t.Fatalf("rows out of order at %.6f", f.TimeS)
		}
		prev = f.TimeS
		x, ok := byTime[key(f.TimeS)]
		if !ok {
			x, ok = byTime[key(f.TimeS)+1]
		}
		if !ok {
			x, ok = byTime[key(f.TimeS)-1]
		}
		if f.Status != OK {
			continue
		}
		if !ok || x.repeated || x.stray {
			o.wrong++
			t.Logf("counted row at %.6f s is no true spark (known %v, %+v), advance %.2f", f.TimeS, ok, x, f.Advance)
			continue
		}
		e := circle.Wrap(float64(f.Advance) - x.adv)
		if math.Abs(e) > 3 {
			o.wrong++
			if o.wrong > 5 {
				continue
			}
			t.Logf("row at %.6f s: advance %.2f, truth %.2f", f.TimeS, f.Advance, x.adv)
		}
		got++
		n++
		sum += e
		ss += e * e
	}
	if n > 0 {
		o.mean, o.rms = sum/float64(n), math.Sqrt(ss/float64(n))
	}
	o.recall = float64(got) / float64(max(1, trueOnes))
	return o
}

// finiteAll fails on any NaN or infinity anywhere in v.
func finiteAll(t *testing.T, v reflect.Value, path string) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			t.Fatalf("%s is %v", path, f)
		}
	case reflect.Pointer:
		if !v.IsNil() {
			finiteAll(t, v.Elem(), path)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			finiteAll(t, v.Field(i), path+"."+v.Type().Field(i).Name)
		}
	case reflect.Slice:
		for i := range v.Len() {
			finiteAll(t, v.Index(i), path+"[]")
		}
	}
}

func curve(rpm float64) float64 { // 22° from 1200 to 3200 rpm, an invented engine
	return 5 + 22*math.Min(1, math.Max(0, (rpm-1200)/2000))
}

func blips() *profile {
	p := steady(1100, 1)
	for range 4 {
		ramp(p, 0.45, 5400, true) // top acceleration π/2·4300/0.45 = 15 000 rpm/s
		ramp(p, 0.3, 5400, false)
		ramp(p, 0.9, 1100, true)
		ramp(p, 0.5, 1100, false)
	}
	return p
}

func pull() *profile {
	p := steady(1100, 1.5)
	ramp(p, 8, 6000, false)
	ramp(p, 1, 6000, false)
	return ramp(p, 2, 1300, true)
}

// maxMean and maxRMS are the limits of issue 2; with exact times and smooth
// speed the work here must use a small part of them.
const (
	maxMean = 0.05
	maxRMS  = 0.15
)

func TestScenarios(t *testing.T) {
	fixed := func(a float64) func(float64) float64 { return func(float64) float64 { return a } }
	cases := []struct {
		name                string
		w                   world
		s                   Setup
		minRecall           float64
		exact               bool // counts of missed and repeated must be exact
		sparksNum, sparkDen int
		rms                 float64
		minMissedRefs       float64 // share of the true ones that must be found
	}{
		{name: "steady", w: world{prof: steady(3000, 4), refAngle: 62, refKind: dsp.Contact, scatter: 0.3}, minRecall: 1, exact: true},
		{name: "pull with curve", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, advance: curve}, minRecall: 1, exact: true},
		{name: "blips", w: world{prof: blips(), refAngle: 62, refKind: dsp.Contact, advance: curve, scatter: 0.3}, minRecall: 0.995, exact: true, rms: 0.3},
		{name: "blips, missed and repeated", w: world{prof: blips(), refAngle: 35, refKind: dsp.Lobes, advance: curve, scatter: 0.3, missSpark: 0.1, missRef: 0.05, repeat: 0.2}, minRecall: 0.97, rms: 1.2},
		{name: "pull, missed and repeated", w: world{prof: pull(), refAngle: 35, refKind: dsp.Contact, advance: curve, scatter: 0.3, missSpark: 0.1, missRef: 0.05, repeat: 0.2}, minRecall: 0.98, exact: true, minMissedRefs: 1},
		{name: "every second revolution", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, everySecond: true, missSpark: 0.05}, minRecall: 0.99, exact: true, sparksNum: 1, sparkDen: 2},
		{name: "every second, blips", w: world{prof: blips(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, everySecond: true, advance: curve}, minRecall: 0.99, exact: true, sparksNum: 1, sparkDen: 2, rms: 0.3},
		{name: "straddling the reference", w: world{prof: steady(4000, 5), refAngle: 20, refKind: dsp.Contact, scatter: 1.0}, minRecall: 0.99, exact: true},
		{name: "straddling through a pull", w: world{prof: pull(), refAngle: 16, refKind: dsp.Contact, scatter: 0.5, advance: curve}, minRecall: 0.99, exact: true},
		{name: "reference after the spark", w: world{prof: pull(), refAngle: -35, refKind: dsp.Contact, scatter: 0.3, advance: curve}, minRecall: 0.99, exact: true},
		{name: "reference half a turn away", w: world{prof: pull(), refAngle: -160, refKind: dsp.Contact, scatter: 0.3}, minRecall: 0.99, exact: true},
		{name: "advance around 180", w: world{prof: pull(), refAngle: -160, refKind: dsp.Contact, scatter: 2, advance: fixed(180)}, minRecall: 0.99, exact: true},
		{name: "swapped and inverted", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, swap: true, invert: true}, minRecall: 1, exact: true},
		{name: "both bursts", w: world{prof: pull(), refAngle: 62, refKind: dsp.Burst, scatter: 0.3}, minRecall: 1, exact: true},
		{name: "both bursts, swapped", w: world{prof: blips(), refAngle: 62, refKind: dsp.Burst, scatter: 0.4, swap: true}, minRecall: 0.99, exact: true, rms: 0.3},
		{name: "closing blip", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, blip: true}, minRecall: 1, exact: true},
		{name: "crosstalk both ways", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, echo: true, blip: true}, minRecall: 1, exact: true},
		{name: "crosstalk both ways, bursts", w: world{prof: pull(), refAngle: 62, refKind: dsp.Burst, scatter: 0.3, echo: true}, minRecall: 1, exact: true},
		{name: "crosstalk both ways, bursts, swapped", w: world{prof: pull(), refAngle: 62, refKind: dsp.Burst, scatter: 0.3, echo: true, swap: true}, minRecall: 1, exact: true},
		{name: "reference on the spark, crosstalk", w: world{prof: pull(), refAngle: 20.2, refKind: dsp.Contact, scatter: 0.3, blip: true}, minRecall: 0.99, exact: true},
		{name: "one shape split in two", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, splitSpark: true}, minRecall: 1, exact: true},
		{name: "delays", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.2, sparkDelay: 60e-6, refDelay: 300e-6}, minRecall: 0.99, exact: true},
		{name: "microphone far away", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.2, sparkDelay: 5.8e-3}, s: Setup{SparkKind: Microphone}, minRecall: 0.99},
		{name: "interference", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, strays: 40, refStrays: 15}, minRecall: 0.98},
		{name: "two cylinders evenly", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, offsets: []float64{180}, missSpark: 0.05}, minRecall: 0.99, exact: true, sparksNum: 2, sparkDen: 1},
		{name: "three cylinders", w: world{prof: steady(4000, 5), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, offsets: []float64{120, 240}}, minRecall: 0.99, exact: true, sparksNum: 3, sparkDen: 1},
		{name: "twin with 90 degrees", w: world{prof: pull(), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, offsets: []float64{90}}, minRecall: 0.99, exact: true, sparksNum: 2, sparkDen: 1},
		{name: "cranking", w: world{prof: steady(200, 20), refAngle: 30, refKind: dsp.Contact, scatter: 0.3}, minRecall: 0.98, exact: true},
		{name: "by hand", w: world{prof: ramp(ramp(steady(30, 8), 8, 60, true), 20, 35, true), refAngle: 30, refKind: dsp.Contact, scatter: 0.3}, minRecall: 0.9, exact: true},
		{name: "15000 rpm", w: world{prof: ramp(ramp(steady(3000, 1), 3, 15000, false), 2, 15000, false), refAngle: 40, refKind: dsp.Lobes, scatter: 0.3}, minRecall: 1, exact: true},
		{name: "reference drops out", w: world{prof: steady(3000, 6), refAngle: 40, refKind: dsp.Lobes, scatter: 0.3, gap: [2]float64{2, 3}}, minRecall: 0.98},
		{name: "timing held by few sparks", w: world{prof: steady(1000, 1.5), refAngle: 40, refKind: dsp.Contact, scatter: 0.3}, minRecall: 0.95},
		{name: "wide scatter", w: world{prof: pull(), refAngle: 40, refKind: dsp.Contact, scatter: 3}, minRecall: 0.99, exact: true},
		{name: "two equal magnets", w: world{prof: pull(), refAngle: 40, refKind: dsp.Contact, scatter: 0.3, teeth: []float64{0, 0.5}, missRef: 0.03}, s: Setup{ReferencePulses: 2}, minRecall: 0.99, exact: true},
		{name: "four equal magnets, blips", w: world{prof: blips(), refAngle: 40, refKind: dsp.Contact, scatter: 0.3, teeth: []float64{0, 0.25, 0.5, 0.75}}, s: Setup{ReferencePulses: 4, Target: deg(20)}, minRecall: 0.99, exact: true},
		{name: "three uneven magnets", w: world{prof: pull(), refAngle: 40, refKind: dsp.Contact, scatter: 0.3, teeth: []float64{0, 0.2, 0.5}, missRef: 0.02}, s: Setup{ReferencePulses: 3, Target: deg(20)}, minRecall: 0.99, exact: true},
	}
	for i, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.w.seed = uint64(i + 1)
			if c.w.phase0 == 0 {
				c.w.phase0 = -0.3
			}
			o := run(t, c.w, c.s)
			if o.wrong != 0 {
				t.Errorf("%d wrong rows counted", o.wrong)
			}
			if o.recall < c.minRecall {
				t.Errorf("recall %.4f, want %.4f; counts %+v", o.recall, c.minRecall, o.res.Counts)
			}
			rms := c.rms
			if rms == 0 {
				rms = maxRMS
			}
			if o.rms > rms || math.Abs(o.mean) > maxMean {
				t.Errorf("error mean %.4f°, rms %.4f°: want %.2f, %.2f", o.mean, o.rms, maxMean, rms)
			}
			if o.res.Setup.SparkChannel != o.m.sparkCh || o.res.Setup.ReferenceChannel != o.m.refCh {
				t.Errorf("roles: spark %d reference %d, want %d and %d", o.res.Setup.SparkChannel, o.res.Setup.ReferenceChannel, o.m.sparkCh, o.m.refCh)
			}
			num, den := c.sparksNum, c.sparkDen
			if num == 0 {
				num, den = 1, 1
			}
			if o.res.Setup.SparksPerRev != (SparksPerRev{num, den}) {
				t.Errorf("sparks per revolution %v, want %d/%d", o.res.Setup.SparksPerRev, num, den)
			}
			repeated := 0
			for _, x := range o.m.sparks {
				if x.repeated {
					repeated++
				}
			}
			if c.exact {
				// The ends may hold up to three more that the truth cannot count.
				if d := o.res.Counts.MissedSparks - o.m.missed; d < 0 || d > 6 || c.w.missSpark == 0 && d != 0 {
					t.Errorf("missed sparks %d, truth %d", o.res.Counts.MissedSparks, o.m.missed)
				}
				if o.res.Counts.RepeatedSparks != repeated {
					t.Errorf("repeated %d, truth %d", o.res.Counts.RepeatedSparks, repeated)
				}
			}
			if c.minMissedRefs > 0 && float64(o.res.Counts.MissedReferences) < c.minMissedRefs*float64(o.m.missedRefs) {
				t.Errorf("missed references %d, truth %d", o.res.Counts.MissedReferences, o.m.missedRefs)
			}
			t.Logf("recall %.4f mean %+.4f rms %.4f counts %+v truth missed %d refs %d rep %d", o.recall, o.mean, o.rms, o.res.Counts, o.m.missed, o.m.missedRefs, repeated)
		})
	}
}
