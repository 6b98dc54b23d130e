package calibrate

import (
	"math"
	"slices"

	"sparkscope/analysis/enginefile"
	"sparkscope/dsp"
)

const (
	leastPairs       = 20   // pulses seen by both channels
	mostAlone        = 0.25 // share of them that the other channel may lack
	mostScatterShare = 0.25 // of a sample: a difference that varies more is none between channels,
	mostScatterTimes = 5.0  // where it also is this much more than the pulses' own noise
	mostUnlike       = 0.3  // of the wave's rms: shapes that differ more are not the same pulse
	reachS           = 0.01 // farthest that the channels may lie apart, seconds
	doubtful         = 3.0  // times the usual noise of a pulse's timing, above which it is left out
	exactSamples     = 1e-9 // differences below this are none
	withoutWave      = 0.05 // of a sample, ±: what two edges timed alike may differ where there is no averaged wave (measured in simulation, up to a gain of 1 to 4)
)

// Skew gives by how much channel 2 of a converter is later than channel 1, from
// a recording that has the same pulse on both. The trains must come from the
// channels as they were recorded: a separator would take the pulse in one for a
// leak from the other.
func Skew(one, two *dsp.Train) (*Calibration, error) {
	if err := twoTrains(one, two); err != nil {
		return nil, err
	}
	const feed = "Join both inputs to the same source, a pick-up or a clamp with its divider, and record twenty pulses or more."
	a, kindA, err := mainEvents(one)
	if err != nil {
		return nil, err
	}
	b, kindB, err := mainEvents(two)
	if err != nil {
		return nil, err
	}
	if kindA != kindB {
		return nil, refuse("not-same", "Channel 1 has pulses like a %s's, channel 2 like a %s's: that is not the same pulse.", feed, kindA, kindB)
	}
	pairs, alone := mutual(a, b, math.Min(reachS, 0.4*math.Min(spacing(a), spacing(b))))
	alone += len(b) - len(pairs)
	if len(pairs) < leastPairs {
		return nil, refuse("few-pairs", "%d pulses are on both channels at once (%d on channel 1, %d on channel 2).", feed, len(pairs), len(a), len(b))
	}
	if float64(alone) > mostAlone*float64(len(a)+len(b)) {
		return nil, refuse("not-same", "%d of %d pulses are on one channel only: that is not the same pulse on both.", feed, alone, len(a)+len(b))
	}
	rate := float64(one.Rate)
	ca, cb := commonest(a, b, pairs)
	var d, at, noise []float64 // differences and noise in samples, times in seconds
	for _, p := range pairs {
		x, y := a[p[0]], b[p[1]]
		if x.class == ca && y.class == cb {
			d, at, noise = append(d, (y.t-x.t)*rate), append(at, x.t), append(noise, math.Hypot(x.sigma, y.sigma)*rate)
		}
	}
	// A reed that bounces within a sample or two of closing leaves its edge
	// unclear, and the detector says so of that pulse.
	clear := doubtful * medianOf(append([]float64{0}, noise...)) // of at least one number
	var dc, ac, nc []float64
	for i := range d {
		if noise[i] <= clear {
			dc, ac, nc = append(dc, d[i]), append(ac, at[i]), append(nc, noise[i])
		}
	}
	unclear := len(d) - len(dc)
	if len(dc) >= leastPairs {
		d, at, noise = dc, ac, nc
	} else {
		unclear = 0
	}
	if len(d) < leastPairs {
		return nil, refuse("few-pairs", "The pulses differ so much among themselves that only %d pairs are of one shape.", "Feed both inputs from one steady source: a reed and a battery, say.", len(d))
	}
	if slices.Min(d) > -exactSamples && slices.Max(d) < exactSamples {
		return nil, refuse("one-input", "The two channels carry the very same samples: one input, written twice.", "A second channel that was converted on its own differs at least by its noise. Choose an input with two channels, or leave the skew out: both pick-ups on one input have none.")
	}
	ones := make([]float64, len(d))
	for i := range ones {
		ones[i] = 1
	}
	start, drift := lineOf(at, d, ones)
	rest := make([]float64, len(d))
	for i := range d {
		rest[i] = d[i] - start - drift*at[i]
	}
	span := at[len(at)-1] - at[0]
	if moved := math.Abs(drift) * span; moved > 0.2 && moved > 6*math.Sqrt(12)*math.Max(robustSD(rest), 1e-3)/math.Sqrt(float64(len(d))) {
		return nil, refuse("drifts", "The difference between the channels grows by %.2f samples over the %.0f s of the recording.", "Two devices with a clock each cannot be calibrated once for all: record both channels with one device.", moved, span)
	}
	scatter, expected := robustSD(d), medianOf(noise)
	if scatter > mostScatterShare && scatter > mostScatterTimes*expected {
		return nil, refuse("varies", "The difference between the channels varies by %.2f samples (standard deviation) from pulse to pulse, and noise explains %.2f: that is not the same pulse on both.", feed, scatter, expected)
	}
	kept, out := clipped(d, 5)
	n := float64(len(kept))
	mean := sum(kept) / n
	ss := 0.0
	for _, v := range kept {
		ss += (v - mean) * (v - mean)
	}
	sd := math.Sqrt(ss / (n - 1))
	neff := independent(kept)

	c := &Calibration{Method: "skew", Quantity: "skew of the converter", Meaning: "by which channel 2 is later than channel 1",
		Unit: Microseconds, Key: enginefile.ConverterSkew, ToleranceKey: enginefile.ConverterSkewTolerance}
	us := 1e6 / rate
	c.input("recording", "%g samples a second; one sample is %.3f µs", rate, us)
	c.input("pulses on both channels", "%d of one shape (%s)%s", len(d), kindA, leftOut(out+unclear))
	c.step("mean of (timing point on channel 2 - on channel 1)", "%.4f samples = %.3f µs", mean, mean*us)
	c.typeA("scatter of the differences", sd/math.Sqrt(neff)*us, neff-1, "s = %.4f samples of %d pairs, worth %.0f independent ones; the pulses' own noise explains %.4f", sd, len(kept), neff, expected)
	sa, sb := one.Shapes[ca], two.Shapes[cb]
	value := mean
	if w, ok := layOver(sa, sb); ok {
		if w.Left > mostUnlike {
			return nil, refuse("not-same", "The averaged pulses of the channels differ by %.0f %% of their size: that is not the same pulse on both.", feed, 100*w.Left)
		}
		value -= w.Off
		c.step("averaged pulse of channel 2 laid over that of channel 1: timing points compared", "%+.4f samples to take off", w.Off)
		// What noise has left there is in the scatter already.
		beyond := math.Sqrt(math.Max(0, w.Noise*w.Noise-sd*sd/neff))
		c.typeB("averaging of the pulses", beyond*us, "%.2g %% of their size is left when laid over each other, %.2g samples; beyond what the scatter holds", 100*w.Left, w.Noise)
		c.rectangle("difference between the averaged pulses", w.Spread*us, "±%.2g samples, rectangular: laid over by their fronts alone", w.Spread)
	} else {
		c.rectangle("timing points on the two channels", withoutWave*us, "±%g sample, rectangular, from simulated recordings", withoutWave)
		if sa.Polarity != sb.Polarity {
			return nil, refuse("not-same", "Channel 1 has pulses of one polarity, channel 2 of the other: an edge into a switch's short state cannot be told from one out of it then.", feed)
		}
	}
	c.step("onset or edge of the pulse: the same error on both channels", "cancels, the shapes being the same")
	c.step("skew", "%.4f samples · %.3f µs", value, us)
	c.conclude(value * us)
	c.note("holds-for", false, "This holds for this input at this sampling rate, with both inputs connected alike. A filter or a divider on one of them alone adds its own delay: calibrate with them in place.")
	return c, nil
}

func leftOut(n int) string {
	if n == 0 {
		return ""
	}
	return ", " + count(n, "outlier") + " left out"
}
