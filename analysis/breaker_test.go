package analysis

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"sparkscope/analysis/circle"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
)

// breaker is an invented engine turned jerkily by hand, its contacts on channel
// 1: they open 18° before top dead centre, dwell 215°.
func breaker(t testing.TB, profile string, edit func(*scene.Spec)) scene.Spec {
	return spec(t, profile, func(s *scene.Spec) {
		s.Contacts, s.Engine.ClosingDeg = true, 360-215
		s.Engine.ScatterDeg, s.Engine.Jerk, s.Engine.Fluctuation = 0.1, 0.3, 0.3
		s.Engine.ReferenceDeg = 19.5
		s.OpeningBounceS, s.ClosingBounceS = 2e-3, 4e-3
		s.RateHz = 32000 // quicker
		if edit != nil {
			edit(s)
		}
	})
}

// openings measures a scene as the command does, with a detector for a breaker
// on the channel named for it, or on both where none is.
func openings(t testing.TB, s scene.Spec, setup Setup) (*scene.Truth, *Result, error) {
	t.Helper()
	truth, src, err := scene.Render(s)
	if err != nil {
		t.Fatal(err)
	}
	x := src.All()
	rate := dsp.Rate(s.RateHz)
	var trains []dsp.Train
	for c := range x {
		o := dsp.Options{}
		switch {
		case setup.SparkChannel == c+1:
			o = dsp.Options{Only: []dsp.Kind{dsp.Contact}, Breaker: true, Longer: setup.OpensIntoLonger()}
		case setup.SparkChannel == 0:
			o = dsp.Options{Breaker: true}
		}
		o.Tables = tables
		d := dsp.NewDetector(rate, c+1, o)
		y := make([]float32, len(x[c]))
		for i, v := range x[c] {
			y[i] = float32(v)
		}
		for len(y) > 0 {
			n := min(len(y), 4096)
			d.Push(y[:n])
			y = y[n:]
		}
		trains = append(trains, d.End())
	}
	rec := Recording{Path: "hand.wav", SampleRateHz: s.RateHz, Channels: len(x), Bits: s.Bits, Encoding: "pcm", DurationS: float64(truth.Frames) / s.RateHz}
	r, err := Measure(rec, trains, setup)
	return truth, r, err
}

// The project's limits for an engine turned by hand, degrees.
const (
	handMean = 0.3
	handRMS  = 0.6
)

// Contacts turned by hand, slowly and less slowly, coupled or not, either way
// up, opening is found whatever bounces, within the limits and the stated ±;
// and their dwell within its ±.
func TestContactsByHand(t *testing.T) {
	angle := Degrees(19.5)
	named := Setup{SparkKind: Contacts, SparkChannel: 1, ReferenceChannel: 2, ReferenceAngle: &angle}
	found := Setup{SparkKind: Contacts, ReferenceAngle: &angle}
	short := named
	dwell := Degrees(110)
	short.Dwell = &dwell
	for _, c := range []struct {
		name, profile string
		edit          func(*scene.Spec)
		setup         Setup
	}{
		{"10 rpm", "10 hold 45s", nil, named},
		{"30 rpm, not coupled", "30 hold 20s", func(s *scene.Spec) { s.ACHz = 0 }, named},
		{"120 rpm", "120 hold 12s", nil, named},
		{"upside down, channels the other way round and found", "60 hold 12s", func(s *scene.Spec) { s.Layout, s.SparkInverted = scene.Swapped, true }, found},
		{"found beside a coil", "110 hold 15s", func(s *scene.Spec) {
			s.Pickup, s.CoilFullRPM = scene.Coil, 200
			s.Engine.Jerk, s.Engine.Fluctuation = 0.15, 0.15
		}, found},
		{"open for longer than closed, said", "60 hold 12s", func(s *scene.Spec) { s.Engine.ClosingDeg = 360 - 120 }, short},
		{"a four-stroke's cam", "60 hold 12s", func(s *scene.Spec) { s.Engine.EveryRevolutions, s.Engine.ClosingDeg = 2, 200 }, named},
		{"opens with much touching again", "60 hold 12s", func(s *scene.Spec) { s.OpeningBounceS = 20e-3 }, named},
	} {
		s := breaker(t, c.profile, c.edit)
		truth, r, err := openings(t, s, c.setup)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var off []float64
		inside := 0
		refs := truth.Of(engine.Reference)
		for _, e := range truth.Of(engine.Spark) {
			if e.AppearsS < refs[0].AppearsS || e.AppearsS > refs[len(refs)-1].AppearsS {
				continue
			}
			inside++
			for _, f := range r.Firings {
				if f.Status == OK && math.Abs(f.TimeS-e.AppearsS) < 5e-3 {
					off = append(off, circle.Wrap(float64(f.Advance)-e.AdvanceDeg))
					break
				}
			}
		}
		mean, sq := 0.0, 0.0
		for _, d := range off {
			mean += d / float64(len(off))
		}
		for _, d := range off {
			sq += (d - mean) * (d - mean)
		}
		rms := math.Sqrt(sq / float64(len(off)))
		if len(off) != inside || r.Counts.OK != inside {
			t.Errorf("%s: %d of %d openings counted, %d in all", c.name, len(off), inside, r.Counts.OK)
		}
		if !(math.Abs(mean) <= handMean && rms <= handRMS) || math.Abs(mean) > float64(r.Advance.Expanded) {
			t.Errorf("%s: mean %+.2f° off, rms %.2f°, stated ±%.2f°", c.name, mean, rms, float64(r.Advance.Expanded))
		}
		truly := 360*float64(s.Engine.EveryRevolutions) - s.Engine.ClosingDeg
		if d := r.Dwell; d == nil || math.Abs(float64(d.Mean)-truly) > float64(d.Expanded) || float64(d.Cycle) != 360*float64(s.Engine.EveryRevolutions) {
			t.Errorf("%s: dwell %+v, truly %g", c.name, d, truly)
		}
	}
}

// Evenly turned, the dwell is found to a fraction of a degree.
func TestDwell(t *testing.T) {
	angle, even := Degrees(19.5), 0.0
	s := breaker(t, "60 hold 12s", func(s *scene.Spec) { s.Engine.Jerk, s.Engine.Fluctuation, s.Engine.ScatterDeg = 0, 0, 0 })
	_, r, err := openings(t, s, Setup{SparkKind: Contacts, SparkChannel: 1, ReferenceChannel: 2, ReferenceAngle: &angle, SpeedFluctuation: &even})
	if err != nil {
		t.Fatal(err)
	}
	// A millisecond of unseen touching is 0.4° at 60 rpm.
	if d := r.Dwell; d == nil || math.Abs(float64(d.Mean)-215) > 0.1 || d.StdDev > 0.2 || d.N < 9 || d.Given {
		t.Errorf("dwell %+v, truly 215°", d)
	}
}

// Where contacts give no answer, or one in doubt, that is said, and why.
func TestContactsRefused(t *testing.T) {
	angle := Degrees(19.5)
	named := Setup{SparkKind: Contacts, SparkChannel: 1, ReferenceChannel: 2, ReferenceAngle: &angle}
	refused := func(name string, s scene.Spec, setup Setup, code, words string) {
		_, _, err := openings(t, s, setup)
		var no *CannotMeasureError
		if !errors.As(err, &no) || no.Code != code || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v, want %s with %q", name, err, code, words)
		}
	}
	far := func(deg float64) scene.Spec {
		return breaker(t, "60 hold 12s", func(s *scene.Spec) { s.Engine.ReferenceDeg = deg })
	}
	refused("one mark far away", far(60), named, "reference-far-by-hand", "several magnets")
	alike := breaker(t, "60 hold 12s", func(s *scene.Spec) { s.Engine.ClosedDeg, s.Engine.ReferenceDeg = 130, 19.5 })
	refused("a reference as long as the contacts", alike, Setup{SparkKind: Contacts, ReferenceAngle: &angle}, "roles-unsure", "--spark-channel")

	has := func(name string, s scene.Spec, setup Setup, code string, want bool) {
		_, r, err := openings(t, s, setup)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		for _, f := range r.Findings {
			if f.Code == code {
				if !want {
					t.Errorf("%s: %s", name, f.Message)
				}
				return
			}
		}
		if want {
			t.Errorf("%s: no finding %s", name, code)
		}
	}
	has("one mark 15° away", far(33), named, "reference-far-by-hand", true)
	has("one mark 1.5° away", far(19.5), named, "reference-far-by-hand", false)
	half := breaker(t, "60 hold 12s", func(s *scene.Spec) { s.Engine.ClosingDeg, s.Engine.Jerk, s.Engine.Fluctuation = 172, 0, 0 })
	has("open for nearly half", half, named, "contacts-edge", true)
	said := named
	dwell := Degrees(190)
	said.Dwell = &dwell
	has("the same, dwell said", half, said, "contacts-edge", false)
	has("the same, dwell found as said", half, said, "dwell-differs", false)
	dwell2 := Degrees(300)
	wrong := named
	wrong.Dwell = &dwell2
	has("dwell said wrongly", half, wrong, "dwell-differs", true)
}

// Contacts that are closed for less than half of a turn, which was not said:
// the edge taken for their opening lies where no contacts open, and --dwell is
// named; where it was said, nothing of it is.
func TestClosingForOpening(t *testing.T) {
	sixMarks := func(s *scene.Spec) {
		s.Engine.ClosingDeg, s.Engine.MagnetDeg = 360-140, engine.EqualMagnets(6)
		s.Engine.ReferenceDeg = 30
		s.Engine.Jerk, s.Engine.Fluctuation = 0.1, 0.1
	}
	oneMark := func(s *scene.Spec) {
		sixMarks(s)
		s.Engine.MagnetDeg = engine.EqualMagnets(1)
		s.Engine.Jerk, s.Engine.Fluctuation = 0, 0.01
	}
	angle, target, dwell, even := Degrees(30), Degrees(18), Degrees(140), 0.03
	for _, c := range []struct {
		name  string
		edit  func(*scene.Spec)
		setup Setup
		want  bool
	}{
		{"not said, turned evenly", oneMark, Setup{ReferencePulses: 1, SpeedFluctuation: &even}, true},
		{"not said, with a target", sixMarks, Setup{ReferencePulses: 6, Target: &target}, true},
		{"said", sixMarks, Setup{ReferencePulses: 6, Target: &target, Dwell: &dwell}, false},
		{"said, turned evenly", oneMark, Setup{ReferencePulses: 1, SpeedFluctuation: &even, Dwell: &dwell}, false},
	} {
		c.setup.SparkKind, c.setup.SparkChannel, c.setup.ReferenceChannel = Contacts, 1, 2
		c.setup.ReferenceAngle = &angle
		_, r, err := openings(t, breaker(t, "60 hold 20s", c.edit), c.setup)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		got := false
		for _, f := range r.Findings {
			if f.Code == "closing-for-opening" {
				got = true
				if !strings.Contains(f.Message, "--dwell 1") {
					t.Errorf("%s: it names no dwell of some 140°: %s", c.name, f.Message)
				}
			}
		}
		if got != c.want {
			t.Errorf("%s: opens at %.1f°, finding %v, want %v", c.name, float64(r.Advance.Mean), got, c.want)
		}
	}
}

// A recording of contacts turned by hand that is measured without saying so is
// refused with a hint, or answered with a serious doubt.
func TestContactsNotSaid(t *testing.T) {
	angle := Degrees(19.5)
	for _, profile := range []string{"30 hold 20s", "110 hold 8s"} {
		s := breaker(t, profile, nil)
		_, src, err := scene.Render(s)
		if err != nil {
			t.Fatal(err)
		}
		var trains []dsp.Train
		for c, x := range src.All() {
			d := dsp.NewDetector(dsp.Rate(s.RateHz), c+1, dsp.Options{Tables: tables})
			y := make([]float32, len(x))
			for i, v := range x {
				y[i] = float32(v)
			}
			d.Push(y)
			trains = append(trains, d.End())
		}
		r, err := Measure(Recording{Path: "hand.wav", SampleRateHz: s.RateHz, Channels: 2, Bits: s.Bits, Encoding: "pcm", DurationS: 20}, trains, Setup{ReferenceAngle: &angle})
		switch {
		case err != nil && !strings.Contains(err.Error(), "--spark-kind contacts"):
			t.Errorf("%s: refused without a hint: %v", profile, err)
		case err == nil && !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Code == "contacts-not-said" }):
			t.Errorf("%s: %.1f° without a doubt", profile, float64(r.Advance.Mean))
		}
	}
}
