package calibrate

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

func pow10(x float64) float64 { return math.Pow(10, x) }

var skewRuns = flag.Int("skew-runs", 6, "recordings on which the coverage of the skew is counted")

// Recordings of one pulse on both channels, of any shape, level and noise: the
// stated interval holds the true skew.
func TestSkewCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 5))
	families := append([]synth.Family{{}}, synth.Families()...) // the first: a contact
	kernels := []string{"sharp", "sharp-minimum"}
	var miss, stated []float64
	held := 0
	for i := range *skewRuns {
		f := sameFeed{family: families[r.IntN(len(families))].Name, kernel: kernels[r.IntN(2)], rate: []float64{44100, 48000, 96000}[r.IntN(3)],
			skewS: 30e-6 * (2*r.Float64() - 1), gain: [2]float64{1, 0.3 + 0.7*r.Float64()}, noiseDB: 40 + 20*r.Float64(), pulses: 50, periodS: 0.03, seed: uint64(i), acHz: 8}
		tr := f.trains(t)
		c, err := Skew(&tr[0], &tr[1])
		if err != nil {
			t.Errorf("%+v: %v", f, err)
			continue
		}
		e := c.Value - 1e6*f.skewS
		miss, stated = append(miss, math.Abs(e)), append(stated, c.Expanded)
		if math.Abs(e) <= c.Expanded {
			held++
		} else {
			t.Logf("%q %s %g Hz, gain %.2f, %.0f dB: %+.3f µs, ±%.3f", f.family, f.kernel, f.rate, f.gain[1], f.noiseDB, e, c.Expanded)
		}
	}
	t.Logf("%d of %d held; mean ± %.3f µs", held, len(miss), sum(stated)/float64(len(miss)))
	if n := float64(*skewRuns); float64(held) < n*(0.95-3*math.Sqrt(0.95*0.05/n)) {
		t.Errorf("%d of %v held: want 95 %%", held, n)
	}
	if *skewRuns >= 100 {
		coverage(t, held, miss, stated)
	}
}

func TestSkewRefuses(t *testing.T) {
	good := sameFeed{family: "decay", kernel: "sharp", rate: 48000, skewS: 5e-6, gain: [2]float64{1, 1}, noiseDB: 50, pulses: 40, periodS: 0.03, seed: 1}
	for _, c := range []struct {
		name, code, word string
		change           func(*sameFeed)
	}{
		{"one channel dead", "no-pulses", "Channel 2 holds no pulses", func(f *sameFeed) { f.gain[1] = 0 }},
		{"a few pulses", "few-pairs", "pulses are on both channels at once", func(f *sameFeed) { f.pulses = 12 }},
		{"not the same moment", "varies", "varies by", func(f *sameFeed) { f.jitterS = 60e-6 }},
		{"two clocks", "drifts", "a clock each", func(f *sameFeed) { f.driftPPM = 30 }},
	} {
		f := good
		c.change(&f)
		tr := f.trains(t)
		_, err := Skew(&tr[0], &tr[1])
		refusal(t, err, c.code, c.word)
	}
	// One input, written twice, has no skew to be calibrated.
	one := good.trains(t)
	twice := one[0]
	twice.Channel = 2
	_, err := Skew(&one[0], &twice)
	refusal(t, err, "one-input", "written twice")
	// A spark and a reference are no one pulse.
	contact := good
	contact.family = ""
	a, b := good.trains(t), contact.trains(t)
	_, err = Skew(&a[0], &b[1])
	refusal(t, err, "not-same", "not the same pulse")
}

// Two channels of an oscilloscope on one 1.2 kHz square wave, edges found by
// others to a tenth of a nanosecond (sigrok-dumps, misc/square_wave_2ch,
// public domain: -833.271, 0.0642, 833.398 and -833.270, 0.0646, 833.398 µs):
// their mean difference is 0.0005 µs, and nothing on the way may change it.
func TestSkewOfOscilloscope(t *testing.T) {
	const rate, want, printed = 50e6, 0.0005, 0.0005 // µs, and half the last printed digit
	edges := [2][3]float64{{-833.271, 0.0642, 833.398}, {-833.270, 0.0646, 833.398}}
	tr := make([]dsp.Train, 2)
	for c := range tr {
		tr[c] = dsp.Train{Channel: c + 1, Rate: rate, Shapes: []dsp.Shape{{Kind: dsp.Contact, N: 30, Polarity: 1, Amp: 0.5}}}
		for rep := range 10 { // as if recorded ten times over, a millisecond apart at least
			for _, e := range edges[c] {
				tr[c].Pulses = append(tr[c].Pulses, dsp.Pulse{Pos: (e + 2000 + 5000*float64(rep)) * 1e-6 * rate, Sigma: 0.02, Amp: 0.5, WidthS: 4e-4})
			}
		}
	}
	got, err := Skew(&tr[0], &tr[1])
	if err != nil || math.Abs(got.Value-want) > printed {
		t.Errorf("%v, %v: want %v µs", got, err, want)
	}
}
