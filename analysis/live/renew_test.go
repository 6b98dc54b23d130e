package live_test

import (
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine/scene"
	"sparkscope/analysis/live"
)

// TestRenew: another target is taken while it listens, with nothing forgotten; what
// makes the angles others is not, and neither is a target by which another of two
// equal pulses is meant.
func TestRenew(t *testing.T) {
	for _, pulses := range []int{1, 2} {
		_, rate, x := made(t, func(s *scene.Spec) {
			s.Engine.Profile = profile(t, "1500 hold 3s")
			s.RateHz = 44100
			if pulses == 2 {
				s.Engine.MagnetDeg = []float64{0, 180}
			}
		})
		setup := analysis.Setup{SparkKind: analysis.Clamp, ReferencePulses: pulses, ReferenceAngle: deg(30), Target: deg(18), Tolerance: deg(2)}
		s, err := live.New(rate, 2, 16, setup, live.Options{Tables: tables})
		if err != nil {
			t.Fatal(err)
		}
		var was live.Reading
		play(s, rate, x, 0.5, func(float64) { was = s.Read() })
		if !was.HasAngle || was.N < 20 {
			t.Fatalf("%d pulses: %+v", pulses, was)
		}
		other := setup
		other.Target, other.Tolerance, other.Breaker.PlateDiameterMM = deg(16), deg(1), new(float64)
		*other.Breaker.PlateDiameterMM = 70
		if !s.Renew(other) {
			t.Fatalf("%d pulses: another target is not taken", pulses)
		}
		is := s.Read()
		if is.Advance != was.Advance || is.Counts != was.Counts || is.Target != 16 || is.Deviation != was.Advance-16 || is.TimeS != was.TimeS {
			t.Errorf("%d pulses: with another target %+v, before %+v", pulses, is, was)
		}
		for name, change := range map[string]func(*analysis.Setup){
			"a reference angle": func(s *analysis.Setup) { s.ReferenceAngle = deg(31) },
			"a delay":           func(s *analysis.Setup) { s.ReferenceDelayS = 1e-4 },
			"a channel":         func(s *analysis.Setup) { s.SparkChannel = 2 },
			"a wrong target":    func(s *analysis.Setup) { s.Target = deg(400) },
		} {
			wrong := other
			change(&wrong)
			if s.Renew(wrong) {
				t.Errorf("%d pulses: %s is taken", pulses, name)
			}
		}
		far := other
		far.Target = deg(-164) // 180 degrees from where it was
		if taken := s.Renew(far); taken != (pulses == 1) {
			t.Errorf("%d pulses: a target half a turn away: taken %v", pulses, taken)
		}
	}
}
