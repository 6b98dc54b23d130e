package health_test

import (
	"testing"

	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/health"
)

// raw renders a scene as a recorder would hand it over.
func raw(t testing.TB, s scene.Spec) [][]float32 {
	t.Helper()
	_, src, err := scene.Render(s)
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float32
	for _, c := range src.All() {
		y := make([]float32, len(c))
		for i, v := range c {
			y[i] = float32(v)
		}
		out = append(out, y)
	}
	return out
}

// What a monitor costs per sample, in the first 20 s and over ten minutes.
func BenchmarkMonitor(b *testing.B) {
	s := scene.Default()
	s.RateHz, s.Bits = 192000, 24
	x := raw(b, s)[0]
	for _, c := range []struct {
		name    string
		repeats int
	}{{"first", 2}, {"ten minutes", 60}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				m := health.NewMonitor(dsp.Rate(s.RateHz), 1, s.Bits)
				for range c.repeats {
					for i := 0; i+16384 <= len(x); i += 16384 {
						m.Push(x[i : i+16384])
					}
				}
				m.Finish()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(c.repeats*len(x)), "ns/sample")
		})
	}
}
