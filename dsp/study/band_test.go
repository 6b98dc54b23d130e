package study

import (
	"math"
	"testing"
)

// A recording that holds less than its rate could says so itself: the anchors
// keep within what they state, whatever rings before them. Without that they
// were up to ten samples early at 12 kHz.
func TestBandLimit(t *testing.T) {
	const (
		hold = 1.96 // the stated standard uncertainty, for 95 %
		most = 1.5  // samples; half a period of the band limit's own ringing is 1.5 to 2
	)
	for _, family := range Families() {
		if spacingS(family) > 0 {
			continue // too slow for a limit to show
		}
		for _, hz := range []float64{16000, 12000} {
			r, err := Run(Case{Family: family, Kernel: "sharp", RateHz: 48000, SNRdB: 50, Pulses: 60, BandHz: hz, Seed: 7}, tables)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(r.Constant) > most || math.Abs(r.Constant) > hold*r.Anchor {
				t.Errorf("%s, %g Hz: %+.2f samples off, stated %.2f", family, hz, r.Constant, r.Anchor)
			}
		}
	}
}
