// Package dsp turns the samples of a recording's channels into timed pulses.
//
// It knows nothing of engines: samples go in block by block, pulses with a
// timing point finer than one sample come out, sorted into the classes of
// shapes that each channel was found to hold.
package dsp

// Rate is a number of samples per second (Hz), always positive.
type Rate float64

// Seconds converts a position in samples to seconds from the first sample.
func (r Rate) Seconds(pos float64) float64 { return pos / float64(r) }

// Kind says what the front of a class of pulses looks like, and so which
// moment of it is its timing point.
type Kind int

const (
	// Burst is a short pulse that starts from rest: a spark's discharge in a
	// clamp, with or without ringing. Timing point: its onset.
	Burst Kind = iota
	// Contact is the rectangle of a switch (reed, Hall, optical), AC coupled
	// or not. Timing point: the edge that enters the shorter of its two states.
	Contact
	// Lobes is the double lobe of a passive magnetic pick-up. Timing point:
	// the zero crossing between the lobes.
	Lobes
)

// String names the kind in the words of the glossary (README.md).
func (k Kind) String() string {
	switch k {
	case Contact:
		return "contact"
	case Lobes:
		return "coil"
	default:
		return "burst"
	}
}

// Pulse is one timed event of a channel.
type Pulse struct {
	Pos     float64 // timing point, samples from the first sample frame, fractional
	Sigma   float64 // random standard uncertainty of Pos, samples; > 0
	Amp     float64 // signed peak excursion from the local baseline, fraction of full scale
	WidthS  float64 // Contact: time in the shorter state; Lobes: spacing of the lobes; Burst: 0. Seconds, 0 when not known
	Match   float64 // likeness to its class's shape, 0 to 1; 0 when it has no class
	Class   int     // index into Train.Shapes, or -1: unlike anything that repeats
	Clipped bool    // the converter was at its end stop within the pulse

	touch bool // of a contact, too short to get half-way: timed by its top
}

// Shape is one class of pulses that repeats in a channel.
type Shape struct {
	Kind     Kind
	N        int     // pulses in the class
	Polarity int     // +1 or -1: direction of the front as recorded
	Amp      float64 // median of the pulses' |Amp|, fraction of full scale
	// AnchorSigma is the standard uncertainty, in samples, of where the
	// class's timing point lies on its averaged shape. It is common to all
	// pulses of the class and does not average out.
	AnchorSigma float64
	// Wave is the averaged shape, one value per sample, scaled to a peak
	// excursion of 1; its timing point lies at WaveOrigin (samples from
	// Wave[0], fractional). Nil when the class is not timed by its shape.
	Wave       []float64
	WaveOrigin float64
	// TailOpen says of Lobes that they have a tail which may be their own or that
	// of an input that raises or lowers low notes, and that at the speeds recorded
	// the two look alike; the difference is in AnchorSigma.
	TailOpen bool

	least least // what it would be behind a converter of least phase
}

// Level describes a channel as a whole, in fractions of full scale.
type Level struct {
	Peak    float64 // largest |sample|
	Mean    float64 // mean, of every fourth short block
	RMS     float64 // about Mean, of the same blocks
	Noise   float64 // rms of the noise between pulses, estimated
	Clipped int64   // samples at an end stop in runs of two or more
	Hum     float64 // greatest excursion of the mains hum that was taken out before the search; 0: none was
	HumHz   float64 // its fundamental, Hz
}

// Train is everything found in one channel.
type Train struct {
	Channel int // counted from 1
	Rate    Rate
	Frames  int64   // sample frames seen
	Shapes  []Shape // in order of first appearance
	Pulses  []Pulse // in order of Pos
	Level   Level
}
