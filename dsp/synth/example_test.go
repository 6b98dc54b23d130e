package synth_test

import (
	"fmt"
	"math/rand/v2"

	"sparkscope/dsp/synth"
)

// A train of pulses at known places in white noise, and the best that any
// estimator could do on it.
func Example() {
	kernel, err := synth.NewKernel("sharp")
	if err != nil {
		fmt.Println(err)
		return
	}
	family, err := synth.FamilyByName("ring-sine")
	if err != nil {
		fmt.Println(err)
		return
	}
	pulse, err := kernel.Convert(family.Draw(nil), 48000)
	if err != nil {
		fmt.Println(err)
		return
	}
	r := rand.New(rand.NewPCG(1, 2))
	var placed []synth.Placed
	for i := range 20 {
		placed = append(placed, synth.Placed{Pos: 500 + 960*float64(i) + r.Float64(), Amp: 0.5, Pulse: pulse})
	}
	const sigma = 0.5 / 316.2 // 50 dB below the peak
	source, err := synth.Recording{
		Rate: 48000, Frames: 20000,
		Signals:  []synth.Signal{synth.NewPulses(placed)},
		Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, NoiseRMS: sigma, Seed: 3}},
	}.Source()
	if err != nil {
		fmt.Println(err)
		return
	}
	samples := source.All()
	fmt.Println(len(samples), "channel,", len(samples[0]), "frames")
	fmt.Printf("bound: %.2g of a sample\n", pulse.Bound(0.5, sigma, 0.25))
	// Output:
	// 1 channel, 20000 frames
	// bound: 0.0015 of a sample
}
