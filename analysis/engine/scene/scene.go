// Package scene joins the virtual engine and the synthesiser: a Spec in, a
// recording with its truth out.
//
// It is the one place that knows both, so that engine stays free of samples
// and dsp/synth of engines. Tests of other packages get their recordings here:
//
//	spec := scene.Default()
//	truth, source, err := scene.Render(spec)
//	samples := source.All()
package scene

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"

	"sparkscope/analysis/engine"
	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// Pickup says what made the reference signal.
type Pickup string

// The reference pick-ups. Reed and Hall are contacts; only the reed bounces.
const (
	Reed Pickup = "reed"
	Hall Pickup = "hall"
	Coil Pickup = "coil"
)

// Layout says which pick-up is on which channel.
type Layout string

// The layouts of the recording.
const (
	Stereo        Layout = "stereo"         // spark on channel 1, reference on channel 2
	Swapped       Layout = "swapped"        // the other way round
	Identical     Layout = "identical"      // two channels, both with both pick-ups: a mono input written twice
	OneChannel    Layout = "one"            // a single channel with both pick-ups
	DeadSpark     Layout = "dead-spark"     // channel 1 carries noise only
	DeadReference Layout = "dead-reference" // channel 2 carries noise only
	SameSpark     Layout = "same-spark"     // both channels carry the spark's pick-up alone
	SameReference Layout = "same-reference" // both channels carry the reference's alone
	OneSource     Layout = "one-source"     // the reference's pick-up on both channels, each converted on its own
	TwoPickups    Layout = "two-pickups"    // no spark: the reference's pick-up on channel 1, a Hall sensor without delay on channel 2, see LagFreeDeg
)

// layouts are all of them, in the order in which they are named to people.
var layouts = []Layout{Stereo, Swapped, Identical, OneChannel, DeadSpark, DeadReference, SameSpark, SameReference, OneSource, TwoPickups}

// Echo is a later, weaker copy of a sound on its way from a wall to a
// microphone.
type Echo struct {
	DelayS float64 // after the direct sound, s, > 0
	Gain   float64 // its size relative to the direct sound, signed, -1..1
}

// SoundMS is the speed of sound in air in m/s at a temperature in °C: 343.2 m/s
// at 20 °C, growing with the root of the absolute temperature (ISO 9613-1:1993,
// equation for c; humidity adds at most 0.4 %).
func SoundMS(celsius float64) float64 { return 343.2 * math.Sqrt((celsius+273.15)/293.15) }

// SoundDelayS is how long sound takes from the spark to the microphone, s.
func (s Spec) SoundDelayS() float64 { return s.MicrophoneM / SoundMS(s.AirC) }

// Interference is the kind of a burst that came from neither pick-up.
const Interference engine.Kind = "interference"

// Spec is everything about a recording. Times are seconds, levels fractions of
// full scale.
type Spec struct {
	Engine engine.Engine

	RateHz   float64
	Bits     int    // 8, 16, 24 or 32; 0: floating point, neither clipped nor rounded
	Kernel   string // the converter's band limit, see synth.KernelNames
	ClockPPM float64
	SkewS    float64 // by how much the converter's channel 2 is later than channel 1
	Layout   Layout
	Seed     uint64 // of everything but the engine

	Family           string  // of the spark pulse, see synth.Families
	SparkLevel       float64 // largest |value| of a mean spark pulse after the converter; above 1 it clips
	SparkVariation   float64 // standard deviation of a spark's size, relative, 0..0.5
	SparkInverted    bool
	SparkDelayS      float64 // from the true spark to its onset in the recording
	MicrophoneM      float64 // distance of a microphone from the spark: its sound is that much later still; m, 0..10
	AirC             float64 // temperature of the air, °C, -40..60
	Echoes           []Echo  // of the sparks' and the closing contacts' sound
	ClosingLevel     float64 // size of the opposite pulse when contacts close, relative to a spark; see Engine.ClosingDeg
	InterferenceRate float64 // bursts per second, at random times
	InterferenceSize float64 // their mean size, relative to a spark

	// Contacts says that the spark's channel shows the contacts themselves: a low
	// voltage of SparkLevel while they are open, none while they are closed, from
	// an opening, which is the engine's spark, to the closing ClosingDeg later.
	Contacts       bool
	OpeningBounceS float64 // how long they touch again and again after they part
	ClosingBounceS float64 // and part again and again after they touch
	ContactStaysS  float64 // mean stay in either state meanwhile

	Pickup            Pickup
	ReferenceLevel    float64 // contact: height of the rectangle; coil: a lobe's height at CoilFullRPM
	ReferenceInverted bool
	NormallyClosed    bool    // the magnet opens the contact
	ReferenceDelayS   float64 // from the true event to its appearance, both edges alike
	RiseS             float64 // how long a contact's edge takes, centred on its moment
	BounceS           float64 // how long a reed bounces after closing; cut to 0.8 of its closed time
	CoilSpacingDeg    float64 // between the two lobes' summits, crank degrees
	CoilFullRPM       float64 // speed at which the lobes reach ReferenceLevel; they grow in proportion to speed

	LagFreeDeg float64 // TwoPickups: how far behind the reference's mark, in the sense of rotation, the other one's lies, degrees

	SparkIntoReference float64 // crosstalk: part of the spark signal on the reference's channel
	ReferenceIntoSpark float64
	HumLevel           float64 // on the reference channel; a third of it on the spark channel
	HumHz              float64
	NoiseDB            float64 // 20·log10(SparkLevel/σ), σ the standard deviation of the noise per sample, on all channels; 300 and above: no noise
	ACHz               float64 // corner of the inputs' coupling; 0: none
	ACQ                float64 // 0: that coupling has one pole; else it is of second order and this quality (transformer)
	ShelfHz            float64 // corner of a low shelf behind the coupling; 0: none
	ShelfDB            float64 // its gain for what lies far below the corner
	DC                 float64

	// ClipDB turns the inputs up until a mean spark is this much above full
	// scale, and with it the reference, hum, bursts and noise; 0: they stay as
	// their levels say. Where they are cut off says ClipFront: in an amplifier
	// at full scale in front of the coupling, before the converter's band limit
	// rounds the corners and the coupling shifts what is left; or else behind
	// both, sample by sample, as a converter's numbers end.
	ClipDB    float64
	ClipFront bool

	AGC   *synth.AGC   // automatic gain control; nil: none
	Gate  *synth.Gate  // noise suppression; nil: none
	Codec *synth.Codec // lossy coding; nil: none
}

// at is the spec with the levels that its input's gain makes of them.
func (s Spec) at() Spec {
	if s.ClipDB > 0 {
		g := math.Pow(10, s.ClipDB/20) / s.SparkLevel
		s.SparkLevel *= g
		s.ReferenceLevel *= g
		s.HumLevel *= g
	}
	return s
}

// Default is a clean recording of engine.Default with a sound card's
// converter: 48 kHz, 16 bit, reed with bounce, a little of every disturbance.
func Default() Spec {
	return Spec{
		Engine:             engine.Default(),
		RateHz:             48000,
		Bits:               16,
		Kernel:             "sharp",
		Layout:             Stereo,
		Seed:               1,
		Family:             "ring-sine",
		SparkLevel:         0.5,
		OpeningBounceS:     0.3e-3,
		ClosingBounceS:     0.8e-3,
		ContactStaysS:      bounceStayS,
		SparkVariation:     0.1,
		AirC:               20,
		InterferenceSize:   1,
		Pickup:             Reed,
		ReferenceLevel:     0.4,
		RiseS:              5e-6,
		BounceS:            0.3e-3,
		CoilSpacingDeg:     8,
		CoilFullRPM:        6000,
		SparkIntoReference: 0.02,
		ReferenceIntoSpark: 0.01,
		HumLevel:           0.002,
		HumHz:              50,
		NoiseDB:            50,
		ACHz:               8,
	}
}

// Validate says what is wrong with the spec, or nil.
func (s Spec) Validate() error {
	if err := s.Engine.Validate(); err != nil {
		return err
	}
	type check struct {
		what   string
		v      float64
		lo, hi float64
	}
	checks := []check{
		{"sampling rate (Hz)", s.RateHz, 8000, 384000},
		{"clock error (ppm)", s.ClockPPM, -10000, 10000},
		{"skew of the channels (s)", s.SkewS, -0.01, 0.01},
		{"angle between two pick-ups (degrees)", s.LagFreeDeg, -180, 180},
		{"spark level", s.SparkLevel, 1e-6, 1000},
		{"spark variation", s.SparkVariation, 0, 0.5},
		{"spark delay (s)", s.SparkDelayS, -0.1, 0.1},
		{"closing level", s.ClosingLevel, 0, 10},
		{"interference rate (1/s)", s.InterferenceRate, 0, 1000},
		{"interference size", s.InterferenceSize, 0, 100},
		{"reference level", s.ReferenceLevel, 0, 1000},
		{"reference delay (s)", s.ReferenceDelayS, -0.1, 0.1},
		{"rise time (s)", s.RiseS, 0, 0.01},
		{"bounce (s)", s.BounceS, 0, 0.1},
		{"coil spacing (degrees)", s.CoilSpacingDeg, 0.5, 180},
		{"speed of full coil level (rpm)", s.CoilFullRPM, 1, 1e6},
		{"crosstalk of the spark", s.SparkIntoReference, -100, 100},
		{"crosstalk of the reference", s.ReferenceIntoSpark, -100, 100},
		{"hum level", s.HumLevel, 0, 100},
		{"hum frequency (Hz)", s.HumHz, 0, 1000},
		{"signal to noise (dB)", s.NoiseDB, -20, 300},
		{"coupling corner (Hz)", s.ACHz, 0, 2000},
		{"offset", s.DC, -1, 1},
		{"distance of the microphone (m)", s.MicrophoneM, 0, 10},
		{"temperature of the air (°C)", s.AirC, -40, 60},
		{"quality of the coupling", s.ACQ, 0, 5},
		{"corner of the low shelf (Hz)", s.ShelfHz, 0, 2000},
		{"gain of the low shelf (dB)", s.ShelfDB, -40, 40},
		{"clipping (dB)", s.ClipDB, 0, 60},
		{"bounce of opening contacts (s)", s.OpeningBounceS, 0, 1},
		{"bounce of closing contacts (s)", s.ClosingBounceS, 0, 1},
		{"mean stay of bouncing contacts (s)", s.ContactStaysS, 1e-6, 1},
	}
	for _, e := range s.Echoes {
		checks = append(checks, check{"echo's delay (s)", e.DelayS, 1e-6, 1}, check{"echo's part", e.Gain, -1, 1})
	}
	for _, c := range checks {
		if !(c.v >= c.lo && c.v <= c.hi) {
			return fmt.Errorf("scene: %s is %g: want %g to %g", c.what, c.v, c.lo, c.hi)
		}
	}
	if s.ACQ != 0 && s.ACQ < 0.1 {
		return fmt.Errorf("scene: quality of the coupling is %g: want 0.1 to 5, or 0 for one pole", s.ACQ)
	}
	if s.AGC != nil {
		if err := s.AGC.Validate(); err != nil {
			return err
		}
	}
	if s.Gate != nil {
		if err := s.Gate.Validate(); err != nil {
			return err
		}
	}
	if s.Codec != nil {
		if err := s.Codec.Validate(); err != nil {
			return err
		}
	}
	if _, err := synth.FamilyByName(s.Family); err != nil {
		return err
	}
	if _, err := synth.NewKernel(s.Kernel); err != nil {
		return err
	}
	if e := s.Engine; s.Contacts && (e.ClosingDeg == 0 || e.MissProbability > 0 || e.RepeatProbability > 0 || len(s.Echoes) > 0 || s.MicrophoneM > 0) {
		return fmt.Errorf("scene: contacts that open: want an angle at which they close again, and neither missed nor repeated sparks nor a microphone")
	}
	switch s.Bits {
	case 0, 8, 16, 24, 32:
	default:
		return fmt.Errorf("scene: %d bits per sample: want 8, 16, 24, 32, or 0 for floating point", s.Bits)
	}
	switch s.Pickup {
	case Reed, Hall, Coil:
	default:
		return fmt.Errorf("scene: reference pick-up %q: want reed, hall or coil", s.Pickup)
	}
	if !slices.Contains(layouts, s.Layout) {
		var names []string
		for _, l := range layouts {
			names = append(names, string(l))
		}
		return fmt.Errorf("scene: layout %q: want one of %s", s.Layout, strings.Join(names, ", "))
	}
	if s.Pickup != Coil {
		m := append(append([]float64(nil), s.Engine.MagnetDeg...), 360)
		for i := 1; i < len(m); i++ {
			if s.Engine.ClosedDeg >= m[i]-m[i-1] {
				return fmt.Errorf("scene: a magnet acts for %g°, the next one follows after %g°: want it to have passed before", s.Engine.ClosedDeg, m[i]-m[i-1])
			}
		}
		// The reference event is the entry into the shorter state.
		if n := len(s.Engine.MagnetDeg); s.Engine.ClosedDeg*float64(n) >= 180 {
			return fmt.Errorf("scene: %d magnet(s) act for %g° each: want less than half a revolution in all", n, s.Engine.ClosedDeg)
		}
	}
	return nil
}

// Event is one true event of a recording.
type Event struct {
	engine.Event
	AppearsS float64 // onset, edge or zero crossing in the recording, s from its first frame: true time + delay, on the recorder's clock
	Amp      float64 // signed size in its own pick-up's signal, fraction of full scale; 0 for missed ones
}

// Truth is what a perfect instrument would find, in order of AppearsS.
type Truth struct {
	Spec   Spec
	Frames int64
	Events []Event // those that appear within the recording
	// SparkChannel and ReferenceChannel count from 1; the same when both
	// pick-ups are on one channel, 0 when the channel is dead.
	SparkChannel, ReferenceChannel int
}

// Of lists the events of some kinds, in order.
func (t *Truth) Of(kinds ...engine.Kind) []Event {
	var out []Event
	for _, e := range t.Events {
		for _, k := range kinds {
			if e.Kind == k {
				out = append(out, e)
				break
			}
		}
	}
	return out
}

// Random streams; each purpose its own, so that switching one effect on leaves
// the others as they were.
const (
	streamSize uint64 = iota + 101
	streamShape
	streamBounce
	streamBurst
	streamNoise
)

// variants is how many different pulses a changing family has in one
// recording; each spark draws one of them.
const variants = 37

// Render makes the recording. The truth does not depend on anything that only
// concerns the samples. The source yields the samples block by block.
func Render(s Spec) (*Truth, *synth.Source, error) {
	truth, events, err := s.truth()
	if err != nil {
		return nil, nil, err
	}
	s = s.at()
	clock := 1 + s.ClockPPM*1e-6
	k, err := synth.NewKernel(s.Kernel)
	if err != nil {
		return nil, nil, err
	}
	// What is cut off in front of the converter is made with a band several
	// times as wide, and only then goes through the converter's.
	made, limit, fold := s, k, 1
	if s.ClipFront {
		fold = 4
		if s.RateHz < 64000 {
			fold = 8
		}
		made.RateHz *= float64(fold)
		if k, err = synth.NewKernel("sharp"); err != nil {
			return nil, nil, err
		}
	}
	shapeRate := dsp.Rate(made.RateHz * clock) // samples per true second
	sparks, err := made.sparkSignal(k, shapeRate, events)
	if err != nil {
		return nil, nil, err
	}
	reference, err := made.referenceSignal(k, float64(shapeRate), events)
	if err != nil {
		return nil, nil, err
	}
	bursts, err := made.burstSignal(k, shapeRate, events)
	if err != nil {
		return nil, nil, err
	}
	signals := []synth.Signal{sparks, reference, bursts}
	if s.SkewS != 0 { // all three once more, as channel 2 has them
		late := s.late(events)
		for _, render := range []func() (synth.Signal, error){
			func() (synth.Signal, error) { return made.sparkSignal(k, shapeRate, late) },
			func() (synth.Signal, error) { return made.referenceSignal(k, float64(shapeRate), late) },
			func() (synth.Signal, error) { return made.burstSignal(k, shapeRate, late) },
		} {
			signal, err := render()
			if err != nil {
				return nil, nil, err
			}
			signals = append(signals, signal)
		}
	}
	rec := synth.Recording{Rate: dsp.Rate(s.RateHz), Frames: truth.Frames, Bits: s.Bits,
		Fold: fold, Limit: limit, AGC: s.AGC, Gate: s.Gate, Codec: s.Codec, Signals: signals}
	sign := func(inverted bool) float64 {
		if inverted {
			return -1
		}
		return 1
	}
	channel := func(spark, ref, burst, hum float64, n uint64) synth.Channel {
		c := synth.Channel{HumPeak: hum, HumHz: s.HumHz, ACHz: s.ACHz, ACQ: s.ACQ, ShelfHz: s.ShelfHz, ShelfDB: s.ShelfDB, DC: s.DC, Seed: s.Seed*1000003 + streamNoise<<8 + n}
		if s.ClipFront {
			c.ClipAt = 1
		}
		if s.NoiseDB < 300 {
			c.NoiseRMS = s.SparkLevel * math.Pow(10, -s.NoiseDB/20)
		}
		for i, g := range []float64{spark, ref, burst} {
			if g != 0 {
				c.Feeds = append(c.Feeds, synth.Feed{Signal: i, Gain: g})
			}
		}
		return c
	}
	sp, rf := sign(s.SparkInverted), sign(s.ReferenceInverted)
	spark := channel(sp, rf*s.ReferenceIntoSpark, 1, s.HumLevel/3, 1)
	ref := channel(sp*s.SparkIntoReference, rf, 0.5, s.HumLevel, 2)
	both := channel(sp, rf, 1, s.HumLevel, 1)
	switch s.Layout {
	case Stereo:
		rec.Channels = []synth.Channel{spark, ref}
	case Swapped:
		rec.Channels = []synth.Channel{ref, spark}
	case Identical:
		rec.Channels = []synth.Channel{both, both}
	case OneChannel:
		rec.Channels = []synth.Channel{both}
	case DeadSpark:
		rec.Channels = []synth.Channel{channel(0, 0, 0, 0, 1), ref}
	case DeadReference:
		rec.Channels = []synth.Channel{spark, channel(0, 0, 0, 0, 2)}
	case SameSpark:
		alone := channel(sp, 0, 1, s.HumLevel, 1)
		rec.Channels = []synth.Channel{alone, alone}
	case SameReference:
		alone := channel(0, rf, 1, s.HumLevel, 1)
		rec.Channels = []synth.Channel{alone, alone}
	case OneSource, TwoPickups:
		rec.Channels = []synth.Channel{channel(0, rf, 0, s.HumLevel, 1), channel(0, rf, 0, s.HumLevel, 2)}
	}
	if s.SkewS != 0 && len(rec.Channels) == 2 {
		c := &rec.Channels[1]
		c.Feeds = slices.Clone(c.Feeds)
		for i := range c.Feeds {
			c.Feeds[i].Signal += 3
		}
	}
	if s.Layout == TwoPickups {
		other, err := made.lagFree(k, float64(shapeRate), events)
		if err != nil {
			return nil, nil, err
		}
		c := &rec.Channels[1]
		c.Feeds = []synth.Feed{{Signal: len(rec.Signals), Gain: 1}}
		rec.Signals = append(rec.Signals, other)
	}
	src, err := rec.Source()
	if err != nil {
		return nil, nil, err
	}
	return truth, src, nil
}

// truth works out all events and what of them belongs to the recording.
func (s Spec) truth() (*Truth, []Event, error) {
	if err := s.Validate(); err != nil {
		return nil, nil, err
	}
	raw, err := s.Engine.Run()
	if err != nil {
		return nil, nil, err
	}
	given := s
	s = s.at()
	sound := s.SoundDelayS()
	clock := 1 + s.ClockPPM*1e-6
	duration := s.Engine.Profile.DurationS()
	size := rand.New(rand.NewPCG(s.Seed, streamSize))
	var all []Event
	for _, e := range raw {
		v := Event{Event: e}
		// One draw per event, used or not.
		vary := 1 + s.SparkVariation*min(max(size.NormFloat64(), -3), 3)
		vary = max(vary, 0.1)
		if e.Kind == engine.Reference || e.Kind == engine.MissedReference {
			v.AppearsS = (e.TimeS + s.ReferenceDelayS) * clock
		} else {
			v.AppearsS = (e.TimeS + s.SparkDelayS + sound) * clock
		}
		switch e.Kind {
		case engine.Spark, engine.Repeated:
			v.Amp = s.SparkLevel * e.Strength * vary
			if s.Contacts {
				v.Amp = s.SparkLevel
			}
		case engine.Closing:
			v.Amp = -s.SparkLevel * s.ClosingLevel * vary
			if s.Contacts {
				v.Amp = -s.SparkLevel
			}
		case engine.Reference:
			v.Amp = s.ReferenceLevel
			if s.Pickup == Coil {
				v.Amp *= e.MomentRPM / s.CoilFullRPM
			}
		}
		if (e.Kind == engine.Spark || e.Kind == engine.Repeated || e.Kind == engine.Closing) && s.SparkInverted ||
			e.Kind == engine.Reference && s.ReferenceInverted {
			v.Amp = -v.Amp
		}
		if e.Kind == engine.Closing && s.ClosingLevel == 0 && !s.Contacts {
			continue
		}
		all = append(all, v)
	}
	if s.InterferenceRate > 0 {
		r := rand.New(rand.NewPCG(s.Seed, streamBurst))
		for t := r.ExpFloat64() / s.InterferenceRate; t < duration; t += r.ExpFloat64() / s.InterferenceRate {
			all = append(all, Event{Event: engine.Event{Kind: Interference, TimeS: t, EndS: t},
				AppearsS: t * clock, Amp: s.SparkLevel * s.InterferenceSize * (0.4 + 1.2*r.Float64())})
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].AppearsS < all[j].AppearsS })
	t := &Truth{Spec: given, Frames: int64(math.Round(duration * s.RateHz)), SparkChannel: 1, ReferenceChannel: 2}
	switch s.Layout {
	case Swapped:
		t.SparkChannel, t.ReferenceChannel = 2, 1
	case OneChannel, Identical:
		t.ReferenceChannel = 1
	case DeadSpark:
		t.SparkChannel = 0
	case DeadReference:
		t.ReferenceChannel = 0
	case SameSpark:
		t.ReferenceChannel = 0
	case SameReference, OneSource, TwoPickups:
		t.SparkChannel, t.ReferenceChannel = 0, 1
	}
	for _, e := range all {
		on := t.SparkChannel
		if e.Kind == engine.Reference || e.Kind == engine.MissedReference {
			on = t.ReferenceChannel
		}
		if on == 2 {
			e.AppearsS += s.SkewS * clock
		}
		if e.AppearsS >= 0 && e.AppearsS*s.RateHz < float64(t.Frames) {
			t.Events = append(t.Events, e)
		}
	}
	return t, all, nil
}

func (s Spec) sparkSignal(k *synth.Kernel, rate dsp.Rate, events []Event) (synth.Signal, error) {
	if s.Contacts {
		return s.contactsSignal(k, float64(rate), events)
	}
	family, err := synth.FamilyByName(s.Family)
	if err != nil {
		return nil, err
	}
	n := 1
	if family.Varying {
		n = variants
	}
	r := rand.New(rand.NewPCG(s.Seed, streamShape))
	bank := make([]*synth.Converted, n)
	for i := range bank {
		if bank[i], err = k.Convert(family.Draw(r), rate); err != nil {
			return nil, err
		}
	}
	var p []synth.Placed
	for _, e := range events {
		pulse := bank[r.IntN(n)]
		switch e.Kind {
		case engine.Spark, engine.Repeated, engine.Closing:
			amp := e.Amp
			if s.SparkInverted { // the channel's feed turns it over
				amp = -amp
			}
			p = append(p, synth.Placed{Pos: e.AppearsS * s.RateHz, Amp: amp, Pulse: pulse})
			for _, o := range s.Echoes {
				p = append(p, synth.Placed{Pos: (e.AppearsS + o.DelayS*(1+s.ClockPPM*1e-6)) * s.RateHz, Amp: amp * o.Gain, Pulse: pulse})
			}
		}
	}
	return synth.NewPulses(p), nil
}

// contactsSignal is the voltage across contacts that a small battery drives: a
// rectangle that bounces at both ends.
func (s Spec) contactsSignal(k *synth.Kernel, rate float64, events []Event) (synth.Signal, error) {
	r := rand.New(rand.NewPCG(s.Seed, streamBounce+1000))
	type change struct {
		at   float64
		open bool
	}
	var list []change
	for _, e := range events {
		if e.Kind == engine.Spark || e.Kind == engine.Closing {
			list = append(list, change{e.AppearsS, e.Kind == engine.Spark})
		}
	}
	var edges []float64
	for i, c := range list {
		if i > 0 && list[i-1].open == c.open {
			return nil, fmt.Errorf("scene: contacts that open twice without closing between: want them to close before the next opening")
		}
		until := c.at + s.ClosingBounceS
		if c.open {
			until = c.at + s.OpeningBounceS
		}
		if i+1 < len(list) {
			until = min(until, c.at+0.5*(list[i+1].at-c.at))
		}
		edges = append(edges, c.at*s.RateHz)
		for t := c.at + s.ContactStaysS*r.ExpFloat64(); ; {
			back := t + s.ContactStaysS*r.ExpFloat64()
			if back >= until {
				break
			}
			edges = append(edges, t*s.RateHz, back*s.RateHz)
			t = back + s.ContactStaysS*r.ExpFloat64()
		}
	}
	level, amp := 0.0, s.SparkLevel
	if len(list) > 0 && !list[0].open {
		level, amp = s.SparkLevel, -s.SparkLevel
	}
	return synth.NewSwitch(k, edges, level, amp, s.RiseS*rate)
}

// burstSignal renders the interference: crackles of a few damped rings.
func (s Spec) burstSignal(k *synth.Kernel, rate dsp.Rate, events []Event) (synth.Signal, error) {
	r := rand.New(rand.NewPCG(s.Seed, streamBurst+1000))
	var bank []*synth.Converted
	var p []synth.Placed
	for _, e := range events {
		if e.Kind != Interference {
			continue
		}
		if len(bank) < 40 {
			c, err := k.Convert(crackle(r), rate)
			if err != nil {
				return nil, err
			}
			bank = append(bank, c)
		}
		p = append(p, synth.Placed{Pos: e.AppearsS * s.RateHz, Amp: e.Amp, Pulse: bank[r.IntN(len(bank))]})
	}
	return synth.NewPulses(p), nil
}

func crackle(r *rand.Rand) synth.Shape {
	type ring struct{ at, amp, hz, tau float64 }
	rings := make([]ring, 4+r.IntN(7))
	var breaks []float64
	for i := range rings {
		rings[i] = ring{at: 1.5e-3 * r.Float64(), amp: 2*r.Float64() - 1, hz: 2000 + 12000*r.Float64(), tau: (30 + 170*r.Float64()) * 1e-6}
		if i == 0 {
			rings[i].at = 0
		}
		breaks = append(breaks, rings[i].at)
	}
	return synth.Shape{Name: "interference", LengthS: 5e-3, ScaleS: 7e-6, BreaksS: breaks, F: func(t float64) float64 {
		var v float64
		for _, o := range rings {
			if t >= o.at {
				v += o.amp * math.Exp(-(t-o.at)/o.tau) * math.Sin(2*math.Pi*o.hz*(t-o.at))
			}
		}
		return v
	}}
}

// bounceStayS is the mean stay of a bouncing reed in one state, seconds. From
// memory: contacts part a few times, each time for tens of microseconds.
const bounceStayS = 45e-6

func (s Spec) referenceSignal(k *synth.Kernel, rate float64, events []Event) (synth.Signal, error) {
	clock := 1 + s.ClockPPM*1e-6
	if s.Pickup == Coil {
		var l []synth.Lobe
		for _, e := range events {
			if e.Kind == engine.Reference {
				amp := math.Abs(e.Amp)
				// Narrower than a sample the passage is beyond any pick-up.
				// One that takes seconds has no height to speak of.
				half := min(max(s.CoilSpacingDeg/2/(6*e.MomentRPM)*rate, 0.5), rate)
				l = append(l, synth.Lobe{Pos: e.AppearsS * s.RateHz, Half: half, Amp: amp})
			}
		}
		return synth.NewLobes(k, l)
	}
	r := rand.New(rand.NewPCG(s.Seed, streamBounce))
	var edges []float64
	last := math.Inf(-1)
	for _, e := range events {
		if e.Kind != engine.Reference {
			continue
		}
		on, off := e.AppearsS, (e.EndS+s.ReferenceDelayS)*clock
		if s.Pickup == Hall || s.BounceS == 0 {
			if on > last {
				edges = append(edges, on*s.RateHz, off*s.RateHz)
				last = off
			}
			continue
		}
		// The contact bounces when it closes: at the beginning of the
		// magnet's passage, or at its end when the magnet opens it.
		closes, until := on, min(on+s.BounceS, on+0.8*(off-on))
		if s.NormallyClosed {
			closes, until = off, off+s.BounceS
		}
		var b []float64
		for t := closes + 0.3*bounceStayS; ; {
			open := t + bounceStayS*r.ExpFloat64()
			shut := open + bounceStayS*r.ExpFloat64()
			if shut >= until {
				break
			}
			b = append(b, open*s.RateHz, shut*s.RateHz)
			t = shut
		}
		if on <= last {
			continue
		}
		edges = append(edges, on*s.RateHz)
		if s.NormallyClosed {
			edges = append(edges, off*s.RateHz)
			edges = append(edges, b...)
			last = until
		} else {
			edges = append(edges, b...)
			edges = append(edges, off*s.RateHz)
			last = off
		}
	}
	level, amp := 0.0, s.ReferenceLevel
	if s.NormallyClosed {
		level, amp = s.ReferenceLevel, -s.ReferenceLevel
	}
	return synth.NewSwitch(k, edges, level, amp, s.RiseS*rate)
}

// late are the events as the converter's channel 2 has them.
func (s Spec) late(events []Event) []Event {
	out := slices.Clone(events)
	for i := range out {
		out[i].AppearsS += s.SkewS * (1 + s.ClockPPM*1e-6)
		out[i].EndS += s.SkewS
	}
	return out
}

// lagFree is the signal of the second of TwoPickups: a Hall sensor, whose mark
// passes LagFreeDeg after the reference's and acts as long.
func (s Spec) lagFree(k *synth.Kernel, rate float64, events []Event) (synth.Signal, error) {
	profile := s.Engine.Profile
	if s.Engine.Jerk > 0 {
		profile = profile.Jerky(s.Engine.Jerk, s.Engine.Seed)
	}
	m, err := engine.NewMotion(profile, s.Engine.Fluctuation, s.Engine.FastestDeg, s.Engine.StartDeg)
	if err != nil {
		return nil, err
	}
	clock := 1 + s.ClockPPM*1e-6
	var edges []float64
	for _, e := range events {
		if e.Kind == engine.Reference {
			on, off := m.TimeAt(e.AngleDeg+s.LagFreeDeg), m.TimeAt(e.AngleDeg+s.LagFreeDeg+s.Engine.ClosedDeg)
			edges = append(edges, (on+s.SkewS)*clock*s.RateHz, (off+s.SkewS)*clock*s.RateHz)
		}
	}
	return synth.NewSwitch(k, edges, 0, s.ReferenceLevel, s.RiseS*rate)
}

// Describe lists the set-up, one "name: value" per line, for people and for
// the remarks of the truth table.
func (s Spec) Describe() []string {
	e := s.Engine
	f := func(format string, a ...any) string { return fmt.Sprintf(format, a...) }
	var prof, curve []string
	for _, p := range e.Profile {
		course := "straight"
		if p.Course == engine.Smooth {
			course = "smooth"
		}
		if p.FromRPM == p.ToRPM {
			prof = append(prof, f("%g rpm for %g s", p.FromRPM, p.DurationS))
			continue
		}
		prof = append(prof, f("%g to %g rpm in %g s (%s)", p.FromRPM, p.ToRPM, p.DurationS, course))
	}
	if len(e.Advance) == 1 {
		curve = []string{f("%g° fixed", e.Advance[0].AdvanceDeg)}
	} else {
		for _, p := range e.Advance {
			curve = append(curve, f("%g° at %g rpm", p.AdvanceDeg, p.RPM))
		}
	}
	list := []string{
		f("speed profile: %s", strings.Join(prof, ", ")),
		f("speed fluctuation within the revolution: %g, fastest %g° after top dead centre", e.Fluctuation, e.FastestDeg),
		f("advance: %s; ignition lag %g s, already in advance_deg", strings.Join(curve, ", "), e.LagS),
		f("scatter: %g° standard deviation, firings alternate by %g°", e.ScatterDeg, e.AlternatingDeg),
		f("fires every %d revolution(s); cylinder offsets %v°", e.EveryRevolutions, e.CylinderDeg),
		f("probability of a missed spark %g, of a repeated one %g (%g° to %g° later), of a missed reference %g; missed besides in revolutions %v",
			e.MissProbability, e.RepeatProbability, e.RepeatFromDeg, e.RepeatToDeg, e.ReferenceMissProb, e.MissedReferenceAtRevs),
		f("contacts close %g° after the spark, pulse of %g of a spark", e.ClosingDeg, s.ClosingLevel),
		f("reference: %s, %g° before top dead centre, magnets at %v°, acting for %g°", s.Pickup, e.ReferenceDeg, e.MagnetDeg, e.ClosedDeg),
		f("reference signal: level %g, inverted %t, normally closed %t, delay %g s, rise %g s, bounce %g s, coil lobes %g° apart, full level at %g rpm",
			s.ReferenceLevel, s.ReferenceInverted, s.NormallyClosed, s.ReferenceDelayS, s.RiseS, s.BounceS, s.CoilSpacingDeg, s.CoilFullRPM),
		f("spark signal: %s, level %g ± %g %%, inverted %t, delay %g s", s.Family, s.SparkLevel, 100*s.SparkVariation, s.SparkInverted, s.SparkDelayS),
		f("disturbances: spark into reference %g, reference into spark %g, hum %g at %g Hz, interference %g per second of size %g",
			s.SparkIntoReference, s.ReferenceIntoSpark, s.HumLevel, s.HumHz, s.InterferenceRate, s.InterferenceSize),
		f("recorder: %g Hz, %d bits, converter %s, layout %s, signal to noise %g dB, coupling %g Hz, offset %g, clock %g ppm",
			s.RateHz, s.Bits, s.Kernel, s.Layout, s.NoiseDB, s.ACHz, s.DC, s.ClockPPM),
		f("seeds: engine %d, recording %d", e.Seed, s.Seed),
	}
	add := func(on bool, format string, a ...any) {
		if on {
			list = append(list, f(format, a...))
		}
	}
	add(e.DriftDeg != 0, "drift: %g° earlier at the end than at the beginning", e.DriftDeg)
	add(e.TurnDeg != 0, "turn: %g° earlier from %g s on", e.TurnDeg, e.TurnAtS)
	add(e.StickingDeg != 0, "sticking: %g° earlier while the speed rises than while it falls", e.StickingDeg)
	add(e.ScatterGrowth != 0, "scatter at the fastest speed: %g times that at the slowest", e.ScatterGrowth)
	add(e.BreakUpShare != 0, "break-up: above %g rpm a share of %g of the firings has no spark", e.BreakUpRPM, e.BreakUpShare)
	add(s.SkewS != 0, "skew: channel 2 of the converter %g s later than channel 1", s.SkewS)
	add(s.Layout == TwoPickups, "channel 2: a Hall sensor without delay, %g° behind the reference's mark", s.LagFreeDeg)
	add(s.Contacts, "the spark's channel shows the contacts: %g of full scale while open, %g° closed before each opening; bounce when opening %g s, when closing %g s", s.SparkLevel, 360*float64(e.EveryRevolutions)/float64(len(e.CylinderDeg))-e.ClosingDeg, s.OpeningBounceS, s.ClosingBounceS)
	add(e.Jerk > 0, "jerky: %g of the speed either way", e.Jerk)
	add(s.MicrophoneM > 0, "microphone %g m away in air of %g °C: %.1f µs later still", s.MicrophoneM, s.AirC, 1e6*s.SoundDelayS())
	for _, o := range s.Echoes {
		add(true, "echo: %g s later, %g of the sound", o.DelayS, o.Gain)
	}
	add(s.ACQ > 0, "coupling of second order, quality %g", s.ACQ)
	add(s.ShelfHz > 0, "low shelf: %g dB below %g Hz", s.ShelfDB, s.ShelfHz)
	add(s.ClipDB > 0, "turned up until a spark is %g dB above full scale, levels above are before that", s.ClipDB)
	add(s.ClipFront, "clips in front of the coupling")
	if a := s.AGC; a != nil {
		add(true, "automatic gain control: to level %g, at most %g dB up, attack %g s, release %g s", a.Target, a.MaxGainDB, a.AttackS, a.ReleaseS)
	}
	if g := s.Gate; g != nil {
		add(true, "noise suppression: opens at level %g, %g dB while closed, attack %g s, hold %g s, release %g s", g.Open, g.FloorDB, g.AttackS, g.HoldS, g.ReleaseS)
	}
	if c := s.Codec; c != nil {
		add(true, "lossy coding: band limit %g Hz, %g dB over its noise", c.BandHz, c.SNRdB)
	}
	return list
}
