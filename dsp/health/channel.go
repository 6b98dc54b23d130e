package health

import (
	"math"
	"slices"

	"sparkscope/dsp"
)

// Channel is the state of one channel as it was recorded. Levels are fractions
// of full scale, times seconds from the first sample frame. No figure is NaN or
// infinite.
type Channel struct {
	Channel int // counted from 1
	Rate    dsp.Rate
	Frames  int64
	LookedS float64 // seconds that were looked at closely; the figures are of these, but for Silence

	Low, High float64 // least and greatest sample
	Rest      float64 // level between pulses: the median over stretches of 1.4 s
	RMS       float64 // about the mean, nearly
	Noise     float64 // rms between pulses about a straight line through a third of a millisecond or less, so that neither hum nor drift counts
	Live      float64 // the same of those moments alone that are not perfectly still
	Step      float64 // least difference between neighbouring samples that are not equal; 0: there is none, the channel is constant
	Clipped   float64 // share of samples at the converter's end stop in runs of two or more, 0 to 1

	Silence Silence
	Plateau Plateau
	Gaps    Gaps
	Windows []Window // every tenth of a second that holds a quiet moment, in order of time
	Hum     []HumAt  // of each stretch, in order of time

	FreqHz, PSD []float64 // one-sided power spectral density, 1/Hz; nil where the recording is too short
	Pieces      int       // stretches that the spectrum is the mean of
	Cliff       Cliff

	// Sample is a stretch of the channel, the one with the most pulses so far as
	// was looked; SampleStart is the frame it begins at.
	Sample      []float32
	SampleStart int64

	sketches []sketch
}

// Silence is where the samples are exactly zero for 5 ms or longer, neither at
// the beginning nor at the end of the recording. An input with any noise at all
// does not do that.
type Silence struct {
	Runs             int
	TotalS, LongestS float64
	FirstS           float64 // valid when Runs > 0
}

func (s *Silence) add(_, length float64) {
	s.Runs++
	s.TotalS += length
	s.LongestS = max(s.LongestS, length)
}

// Plateau is a level at which the tops of pulses are cut off.
type Plateau struct {
	Level  float64 // from Rest, with its sign
	Share  float64 // of the pulses looked at that end flat at this level, 0 to 1; a switch's do by nature
	Pulses int     // looked at
}

// Gaps is how the noise goes between pulses: the rms of eight equal parts of
// the way from one to the next, the median over all gaps that are long enough.
type Gaps struct {
	N     int
	Noise []float64 // nil when N is 0
	// Since is the noise by the time since the end of a pulse, in order of time,
	// each part half an octave long: a recorder goes by the clock, and is done with
	// closing in a part of Noise. A part that few gaps reach is left out.
	Since []Since
}

// Since is the noise some time after a pulse: the median over the gaps that last
// so long of its ratio to the same gap's first two octaves, times the
// median of that.
type Since struct {
	FromS, ToS float64
	Noise      float64 // rms
}

// Window is a tenth of a second.
type Window struct {
	AtS    float64 // its middle
	Noise  float64 // rms between pulses
	Height float64 // from the lowest to the highest sample of a pulse, their median; 0: no pulses
	Pulses int
}

// HumAt is what one stretch says of the mains.
type HumAt struct {
	FromS, ToS float64
	Found      bool
	Mains      Mains // when Found
}

// Cliff is a frequency far below half the sampling rate at which the spectrum
// breaks off, as lossy codecs, telephones and resampling leave it.
type Cliff struct {
	Found  bool
	Hz     float64
	DropDB float64 // within an eighth of that frequency
}

// numbers sees to it that no figure is NaN or infinite, whatever the samples.
func (c *Channel) numbers() {
	for _, p := range []*float64{&c.Low, &c.High, &c.Rest, &c.RMS, &c.Noise, &c.Live, &c.Step, &c.Clipped, &c.Plateau.Level, &c.Plateau.Share} {
		if math.IsNaN(*p) || math.IsInf(*p, 0) {
			*p = 0
		}
	}
	bad := func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }
	c.Windows = slices.DeleteFunc(c.Windows, func(w Window) bool { return bad(w.Noise) || bad(w.Height) })
	if slices.ContainsFunc(c.Gaps.Noise, bad) || slices.ContainsFunc(c.Gaps.Since, func(s Since) bool { return bad(s.Noise) }) {
		c.Gaps = Gaps{}
	}
	if slices.ContainsFunc(c.PSD, bad) {
		c.FreqHz, c.PSD, c.Pieces, c.Cliff = nil, nil, 0, Cliff{}
	}
}

// Limits of the search for a cliff at frequency f, as parts of f and of half
// the sampling rate. They follow from what must not be taken for one: common
// practice, no source.
const (
	cliffFrom  = 0.05 // of half the rate: below, the bins are too wide
	cliffTo    = 0.88 // of half the rate: above, it is the converter's own filter
	cliffEnd   = 0.97 // of half the rate: nothing is asked of what lies above
	cliffFar   = 0.80 // below: the level from here …
	cliffNear  = 0.94 // … to here; above: from its inverse to the inverse of cliffFar
	cliffDB    = 15.0 // least fall
	cliffUnder = 0.25 // what is left above must lie this far below the mean density of the noise
)

// cliffOf looks for a fall of 15 dB or more within an eighth of the frequency,
// after which the spectrum stays down and beside which on either side it is
// nearly level by comparison. A pulse's own spectrum falls over octaves, or from
// a resonance, but then into the noise: what is left above the cliff must be
// a quarter of the noise's density or less, noise being its rms between pulses, as
// if it were spread evenly. Noise that fills the band leaves no such hole.
func cliffOf(freqHz, psd []float64, noise float64) (c Cliff) {
	if len(psd) < 256 {
		return c
	}
	n := len(psd) - 1
	nyquist := freqHz[n]
	even := noise * noise / nyquist
	at := func(share float64) int { return min(n, int(share*float64(n))) }
	level := func(from, to int) float64 { return medianOf(psd[from:max(to, from+1)]) + 1e-300 }
	db := func(v float64) float64 { return 10 * math.Log10(v) }
	end := at(cliffEnd)
	for i := at(cliffFrom); i <= at(cliffTo); i = max(i+1, int(1.01*float64(i))) {
		f := float64(i)
		b0, b1 := int(cliffFar*f), int(cliffNear*f)
		a0, a1 := int(f/cliffNear), min(end, int(f/cliffFar))
		if b1-b0 < 8 || a1-a0 < 8 {
			continue
		}
		below, above := level(b0, b1), level(a0, a1)
		drop := db(below / above)
		if drop < cliffDB || drop <= c.DropDB || above > cliffUnder*even {
			continue
		}
		// Each side by itself falls much less.
		fall := func(from, to int) float64 {
			third := (to - from) / 3
			return db(level(from, from+third) / level(to-third, to))
		}
		if fall(b0, b1) > drop/4 || fall(a0, a1) > drop/4 {
			continue
		}
		stays := true
		for k := a0; k < end; k += 16 {
			stays = stays && level(k, min(k+16, end)) < below*math.Pow(10, -0.07*drop)
		}
		if !stays {
			continue
		}
		half := math.Sqrt(below * above)
		k := b1
		for k < a0 && psd[k] > half {
			k++
		}
		c = Cliff{Found: true, Hz: freqHz[k], DropDB: drop}
	}
	return c
}

// loudest is the greatest swing of a short block.
func loudest(s sketch) float32 {
	top := float32(0)
	for i := range s.lo {
		top = max(top, s.hi[i]-s.lo[i])
	}
	return top
}

// Likeness compares two channels of one recording: b as gain times a, and the
// share of b's swing that this leaves unexplained, 0 to 1 as a ratio of rms. It
// is taken from the extremes of those short blocks in up to four stretches in
// which either swings, about their own medians. ok is false where there is nothing to compare.
func Likeness(a, b *Channel) (gain, rest float64, ok bool) {
	type sums struct{ ab, aa, bb float64 }
	var up, down sums
	n := 0
	for k := range min(len(a.sketches), len(b.sketches)) {
		p, q := a.sketches[k], b.sketches[k]
		if len(p.lo) != len(q.lo) {
			continue
		}
		ml := func(x []float32) float64 { return float64(medianOf32(x)) }
		pl, ph, ql, qh := ml(p.lo), ml(p.hi), ml(q.lo), ml(q.hi)
		loudA, loudB := loudest(p), loudest(q)
		for i := range p.lo {
			if p.hi[i]-p.lo[i] < 0.2*loudA && q.hi[i]-q.lo[i] < 0.2*loudB {
				continue // noise, which the two do not share
			}
			al, ah := float64(p.lo[i])-pl, float64(p.hi[i])-ph
			bl, bh := float64(q.lo[i])-ql, float64(q.hi[i])-qh
			// The same way up, and upside down.
			up.ab += al*bl + ah*bh
			down.ab += al*bh + ah*bl
			up.aa += al*al + ah*ah
			up.bb += bl*bl + bh*bh
			n++
		}
	}
	if n == 0 || !(up.aa > 0) || !(up.bb > 0) {
		return 0, 1, false
	}
	ab := up.ab
	if math.Abs(down.ab) > math.Abs(ab) {
		ab = down.ab
	}
	gain = ab / up.aa
	rest = math.Sqrt(max(0, 1-ab*ab/(up.aa*up.bb)))
	return gain, rest, !math.IsNaN(gain) && !math.IsInf(gain, 0) && !math.IsNaN(rest)
}
