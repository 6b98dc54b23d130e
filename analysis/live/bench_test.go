package live_test

import (
	"fmt"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine/scene"
	"sparkscope/analysis/live"
)

// BenchmarkRead takes a look at an engine that has run for 14 s.
//
//	go test -run '^$' -bench Read ./analysis/live
func BenchmarkRead(b *testing.B) {
	for _, rate := range []float64{48000, 192000} {
		for _, rpm := range []int{1200, 6000} {
			b.Run(fmt.Sprintf("%g/%d", rate, rpm), func(b *testing.B) {
				_, r, x := made(b, func(s *scene.Spec) {
					s.RateHz = rate
					s.Engine.Profile = profile(b, fmt.Sprintf("%d hold 14s", rpm))
				})
				s, err := live.New(r, 2, 16, analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(30)}, live.Options{})
				if err != nil {
					b.Fatal(err)
				}
				play(s, r, x, 0.02, func(float64) {})
				for b.Loop() {
					s.Read()
				}
			})
		}
	}
}
