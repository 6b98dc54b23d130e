package scene

import (
	"runtime"
	"testing"

	"sparkscope/dsp/synth"
)

// BenchmarkTenMinutes renders ten minutes of stereo at 192 kHz and 24 bits,
// block by block, and reports the memory it holds.
//
//	go test -run '^$' -bench TenMinutes -benchtime 1x ./analysis/engine/scene
func BenchmarkTenMinutes(b *testing.B) {
	for b.Loop() {
		s := Default()
		s.Engine.Profile = profile(b, "1300 hold 60s, swing 9000 in 240s, hold 60s, swing 1300 in 240s")
		s.RateHz, s.Bits = 192000, 24
		truth, src, err := Render(s)
		if err != nil {
			b.Fatal(err)
		}
		dst := make([][]float64, src.Channels())
		for i := range dst {
			dst[i] = make([]float64, 16384)
		}
		for done := false; !done; {
			_, done = src.Next(dst)
		}
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.Sys)/(1<<20), "MiB-from-system")
		b.ReportMetric(float64(len(truth.Events)), "events")
	}
}

// BenchmarkConvert tabulates each pulse family at 192 kHz.
func BenchmarkConvert(b *testing.B) {
	k, err := synth.NewKernel("sharp")
	if err != nil {
		b.Fatal(err)
	}
	for _, f := range synth.Families() {
		b.Run(f.Name, func(b *testing.B) {
			s := f.Draw(nil)
			for b.Loop() {
				if _, err := k.Convert(s, 192000); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
