package dsp

import "math"

// frontOf finds the front of an averaged shape: foot is the last sample before
// which nothing rises out of the noise, crest the front's first extremum that
// reaches a good part of the whole excursion. sigma is the rms noise per sample.
func frontOf(wave []float64, sigma float64) (foot, crest int) {
	peak := 0.0
	for _, v := range wave {
		peak = math.Max(peak, math.Abs(v))
	}
	const part = 0.3 // of the largest excursion: a converter's ringing before the event stays below
	i := 0
	for i < len(wave) && math.Abs(wave[i]) < part*peak {
		i++
	}
	for i+1 < len(wave) && math.Abs(wave[i+1]) > math.Abs(wave[i]) {
		i++
	}
	crest = min(i, len(wave)-1)
	return footOf(wave, crest, math.Abs(wave[crest]), sigma), crest
}

// footOf is the last sample before which nothing rises out of the noise sigma, nor to a
// twentieth of height, on the way to a front's crest.
func footOf(wave []float64, crest int, height, sigma float64) int {
	level := math.Max(0.05*height, 4*sigma)
	foot := crest
	for foot > 0 && math.Abs(wave[foot]) > level && wave[foot]*wave[crest] > 0 {
		foot--
	}
	return foot
}
