// Package health says what state a channel is in as it was recorded.
//
// A Monitor takes the raw samples block by block and gives a Channel: level,
// noise between the pulses, clipping, digital silence, mains hum, and a spectrum
// with the frequency at which it breaks off. Spectrum and Hum look at one
// stretch; they want it whole, so they are for a second or so. What the figures
// mean for a measurement is judged elsewhere, where the pulses are known.
package health

import (
	"fmt"
	"math"
	"slices"

	"github.com/mjibson/go-dsp/spectral"
	"github.com/mjibson/go-dsp/window"

	"sparkscope/dsp"
)

// periodicHann is the Hann window whose next sample would begin the next
// period: the window of length n+1 without its last sample. Harris, Proc. IEEE
// 66 (1978) 51, calls it DFT-even; scipy's welch uses it too.
func periodicHann(n int) []float64 { return window.Hann(n + 1)[:n] }

// Spectrum is the one-sided power spectral density of x by Welch's method
// (IEEE Trans. Audio Electroacoust. AU-15 (1967) 70): segments of the given
// length that overlap by half, under a Hann window, the mean of x taken off
// first. psd[i] is at freqHz[i], in (fraction of full scale)²/Hz, so that its
// integral over frequency is about the variance of x; both have segment/2+1
// values, from 0 to half the rate. x is not changed.
//
// A segment must be even and lie in [8, len(x)], and x must hold numbers: an
// error says which it was not. The transforms are go-dsp's, which equal scipy's for
// just these choices (no padding, even segments).
func Spectrum(x []float64, rate dsp.Rate, segment int) (freqHz, psd []float64, err error) {
	if segment < 8 || segment%2 != 0 || segment > len(x) {
		return nil, nil, fmt.Errorf("health: segments of %d samples: want an even number from 8 to the %d there are", segment, len(x))
	}
	if !(rate > 0) || math.IsInf(float64(rate), 0) {
		return nil, nil, fmt.Errorf("health: %g samples per second: want more than 0", float64(rate))
	}
	var mean float64
	for i, v := range x {
		mean += (v - mean) / float64(i+1)
	}
	if math.IsNaN(mean) || math.IsInf(mean, 0) {
		return nil, nil, fmt.Errorf("health: a sample is no number: want numbers only")
	}
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v - mean
	}
	hann := periodicHann(segment) // once, not for every segment
	psd, freqHz = spectral.Pwelch(y, float64(rate), &spectral.PwelchOptions{
		NFFT:     segment,
		Noverlap: segment / 2,
		Window:   func(int) []float64 { return hann },
	})
	return freqHz, psd, nil
}

// Mains is the hum of the mains found in a channel.
type Mains struct {
	BaseHz    float64 // 50 or 60
	RMS       float64 // of the base and its harmonics together, fraction of full scale
	Harmonics []float64
	// Harmonics[k] is the rms of the line at (k+1)·BaseHz, fraction of full
	// scale; 0 where no line stands out.
}

// Limits of the search for hum.
const (
	resolutionHz = 2    // spectral bins must be at least this fine: a Hann line is 4 bins wide, and 50 and 60 Hz lie 10 apart
	harmonics    = 10   // looked at, as far as half the rate allows
	standOut     = 10.0 // a line's bin must exceed the floor beside it this often
	lineHalf     = 2    // bins on each side that a Hann line fills
	floorFar     = 8    // bins on each side, beyond the line's, that show the floor
)

// Hum says how strong the mains hum is in a spectrum made by Spectrum: for
// 50 Hz and for 60 Hz it adds up the power of the lines at the base and its
// harmonics that stand out of their surroundings, less the floor beside them,
// and returns the stronger of the two. ok is false when neither base stands
// out, or when the bins are wider than 2 Hz and so cannot tell 50 from 60.
//
// An engine held at 3000 or 3600 rpm puts lines at the same places: hum is
// judged on a stretch with the engine stopped, or on what is left between
// pulses.
func Hum(freqHz, psd []float64) (m Mains, ok bool) {
	if len(freqHz) != len(psd) || len(freqHz) < 3 {
		return Mains{}, false
	}
	binHz := freqHz[1] - freqHz[0]
	if !(binHz > 0) || binHz > resolutionHz {
		return Mains{}, false
	}
	for _, base := range []float64{50, 60} {
		c := Mains{BaseHz: base}
		var power float64
		found := false
		for k := 1; k <= harmonics; k++ {
			p, stands := line(psd, base*float64(k)/binHz, binHz)
			if !stands {
				p = 0
			}
			found = found || k == 1 && stands
			c.Harmonics = append(c.Harmonics, math.Sqrt(p))
			power += p
		}
		if c.RMS = math.Sqrt(power); found && c.RMS > m.RMS {
			m, ok = c, true
		}
	}
	return m, ok
}

// line is the power of a spectral line at bin at, less the floor around it,
// and whether it stands out.
func line(psd []float64, at, binHz float64) (power float64, stands bool) {
	mid := int(math.Round(at))
	if mid-lineHalf < 1 || mid+lineHalf >= len(psd)-1 {
		return 0, false
	}
	var beside []float64
	for d := lineHalf + 1; d <= lineHalf+floorFar; d++ {
		if mid-d > lineHalf { // the lowest bins hold what is left of an offset
			beside = append(beside, psd[mid-d])
		}
		if mid+d < len(psd) {
			beside = append(beside, psd[mid+d])
		}
	}
	if len(beside) < 4 {
		return 0, false
	}
	slices.Sort(beside)
	floor := beside[len(beside)/2]
	top := 0.0
	for _, v := range psd[mid-lineHalf : mid+lineHalf+1] {
		power += (v - floor) * binHz
		top = max(top, v)
	}
	inner := max(psd[mid-1], psd[mid], psd[mid+1])
	return max(power, 0), top > standOut*floor && inner == top
}
