package dsp

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// A file may hold far less than its sampling rate could: a lossy codec's low-pass, a
// resampler, a device that stops at 20 kHz. The averaged shape says so itself. A
// pulse that begins somewhere has a spectrum that falls steadily, by some power
// of the frequency; a band limit is a cliff, level on either side, down to noise.

const (
	cliffDrop  = 25.0 // dB from the lowest part below the cliff to the highest above it
	cliffTo    = 0.40 // of the rate: a limit above is one that onset fits anyway
	cliffFrom  = 0.04
	bandPlace  = 0.47 // of the new rate, where the limit is put
	bandHalf   = 24   // half-length of the filter that thins to it, new samples
	bandBeta   = 5.0
	bandSigma  = 0.25 // new samples: what lies above the limit and would tell how the pulse sets out
	bandWindow = 256  // samples before and after the front that are looked at
)

// cliffOf finds a band limit in the spectrum of an averaged shape, as a fraction
// of the rate; 0 when there is none to see. at is the sample of its front.
func cliffOf(wave []float64, at int) float64 {
	from, to := max(at-bandWindow, 0), min(at+bandWindow, len(wave)-1)
	if at-from < 16 || to-at < 16 {
		return 0
	}
	// Differences, so that a contact's step ends too. Hann's window, either
	// side as long as there is shape.
	n := 2048
	x := make([]float64, n)
	for i := from; i < to; i++ {
		u := float64(i-at) / float64(to-at)
		if i < at {
			u = float64(at-i) / float64(at-from)
		}
		w := math.Cos(math.Pi / 2 * u)
		x[i-from] = (wave[i+1] - wave[i]) * w * w
	}
	c := fourier.NewFFT(n).Coefficients(nil, x)
	sum := make([]float64, len(c)+1)
	for i, v := range c {
		d := 2 * math.Sin(math.Pi*(float64(i)+0.5)/float64(n))
		a := cmplx.Abs(v) / d
		sum[i+1] = sum[i] + a*a
	}
	density := func(lo, hi float64) float64 {
		i, j := int(math.Round(lo*float64(n))), int(math.Round(hi*float64(n)))
		j = max(j, i+1)
		if j >= len(sum) {
			return 0
		}
		return (sum[j] - sum[i]) / float64(j-i)
	}
	// The window smears a cliff over about this much.
	smear := 2.5 / float64(to-from)
	best, edge := cliffDrop, 0.0
	for f := cliffFrom; f < cliffTo; f += 1.0 / 512 {
		gap := math.Max(smear, 0.03*f)
		top := f - gap
		if f < 3*gap {
			continue
		}
		far, middle, near := density(0.6*top, 0.75*top), density(0.75*top, 0.9*top), density(0.85*top, top)
		var above float64
		width := 0.12 * f
		for lo := f + gap; lo+width < 0.49; lo += width {
			above = math.Max(above, density(lo, lo+width))
		}
		if above <= 0 || far <= 0 || near <= 0 {
			continue
		}
		// What goes on falling as it did before is no cliff: so much per octave.
		tilt := math.Max(0, 10*math.Log10(far/near)/math.Log2(0.925/0.675))
		fall := 10*math.Log10(near/above) - tilt*math.Log2((f+gap+width/2)/(0.925*top))
		if d := math.Min(fall, 10*math.Log10(math.Min(far, middle)/above)); d > best {
			best = d
			// The limit itself is where half of the density is left: the window smears it evenly.
			edge = f + gap
			for edge > 0.8*top && density(edge-smear/4, edge+smear/4) < near/2 {
				edge -= 1 / float64(n)
			}
		}
	}
	return edge
}

// slowed is wave at a rate at which a band limit at edge lies where converters
// have theirs; sample k of it lies at every*k of wave.
func slowed(wave []float64, edge float64) (y []float64, every float64) {
	every = bandPlace / edge
	reach := bandHalf * every
	at := func(i int) float64 { return wave[min(max(i, 0), len(wave)-1)] }
	for k := 0; float64(k)*every <= float64(len(wave)-1); k++ {
		x := float64(k) * every
		var v, sum float64
		for i := int(math.Ceil(x - reach)); float64(i) <= x+reach; i++ {
			u := (float64(i) - x) / every
			w := sinc(u) * kaiser(u/bandHalf, bandBeta)
			v += w * at(i)
			sum += w
		}
		y = append(y, v/sum)
	}
	return y, every
}
