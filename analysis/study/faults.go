package study

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp/synth"
)

// Fault is one recording of the fault matrix. Its String names it.
type Fault struct {
	Trouble  string       // of FaultKinds
	Severity int          // 1: what must be survived; 2: twice that
	Pickup   scene.Pickup // of the reference
	RateHz   float64      // samples per second
	Family   string       // of synth.Families: the spark's pulse
	Seed     uint64
}

// String names the recording but for its family; no two of Faults have the same name.
func (f Fault) String() string {
	return fmt.Sprintf("%s/%d/%s/%g", f.Trouble, f.Severity, f.Pickup, f.RateHz)
}

// Bench is a fault's recording and what its owner would say of it.
type Bench struct {
	Spec  scene.Spec
	Setup analysis.Setup
	// Header is what a recorder that died left as sizes: "zero" or "unknown",
	// and a file cut off within a sample; "" is a whole file.
	Header string
}

// FaultKind is a trouble of the matrix.
type FaultKind struct {
	Name, Doc string
	double    bool     // twice the limits
	binary    bool     // it is there or not: no second severity
	refuse    []string // codes of which a refusal must have one: it cannot be measured
	pickups   []scene.Pickup
	family    string // the one its sparks have whatever the rule or the user says; empty: any of electric ones
	change    func(b *Bench, twice float64)
}

// Limits of a row of severity 1, the project's own; twice as much for hum as
// large as the signal, 20 dB, a microphone and an engine turned by hand.
const (
	TargetRecall    = 0.98
	TargetPrecision = 0.99
	// OracleGood is how well an oracle with exact event times must do, degrees,
	// for a spark to be one that can be told: those it gets wrong by more need
	// not be counted, and where that is half of them the recording may be refused.
	OracleGood = 0.5
	// clockTolerance is what the speed may be off beyond the clock's error.
	clockTolerance = 100e-6
)

func (b *Bench) speed(text string) {
	p, err := engine.ParseProfile(text)
	if err != nil {
		panic(err) // the texts are in this file
	}
	b.Spec.Engine.Profile = p
}

// reference moves the first magnet, and tells the instrument.
func (b *Bench) reference(deg float64) {
	b.Spec.Engine.ReferenceDeg = deg
	angle := analysis.Degrees(deg)
	b.Setup.ReferenceAngle = &angle
}

// slowest is the lowest speed of the profile that is none at all, rpm.
func (b *Bench) slowest() float64 {
	least := math.Inf(1)
	for _, s := range b.Spec.Engine.Profile {
		for _, v := range []float64{s.FromRPM, s.ToRPM} {
			if v > 0 {
				least = math.Min(least, v)
			}
		}
	}
	return least
}

// wanted is how large the reference's signal is where it is smallest.
func (b *Bench) wanted() float64 {
	if b.Spec.Pickup == scene.Coil {
		return b.Spec.ReferenceLevel * b.slowest() / b.Spec.CoilFullRPM
	}
	return b.Spec.ReferenceLevel
}

// The usual run of the matrix.
const usualRun = "1200 hold 1s, ramp 6000 in 4s, hold 1s"

// newBench is the matrix's recording without a trouble.
func newBench(f Fault) *Bench {
	s, u := base(Case{Family: f.Family, Pickup: f.Pickup, RateHz: f.RateHz, Seed: f.Seed})
	b := &Bench{Spec: s, Setup: u}
	b.speed(usualRun)
	b.Spec.Engine.ClosedDeg = 30 // 0.8 ms at 6000 rpm: no trouble of its own for a reed
	return b
}

// crankedRun is what gain control and noise suppression are met with: cranked, the engine
// is silent for longer than they take to come back, and running it is not. At speed alone
// they would stay where they are, and be no trouble.
const crankedRun = "200 hold 2s, ramp 6000 in 4s, hold 1s"

// newAGC comes back as inputs for speech do, within a tenth of a second or two (common
// practice, no source).
func newAGC(twice float64) *synth.AGC {
	return &synth.AGC{Target: 0.3, MaxGainDB: 30, AttackS: 2e-3 / twice, ReleaseS: 150e-3 / twice}
}

// newGate holds over the pauses within a word (common practice, no source).
func newGate(twice float64) *synth.Gate {
	return &synth.Gate{Open: 0.05, FloorDB: -12 * twice, AttackS: 0.2e-3 * twice, HoldS: 30e-3 / twice, ReleaseS: 50e-3}
}

func newCodec(bandHz, snrDB float64) *synth.Codec { return &synth.Codec{BandHz: bandHz, SNRdB: snrDB} }

var contacts = []scene.Pickup{scene.Reed, scene.Hall}

// FaultKinds are the troubles, in the order of the table. twice is 1 or 2.
func FaultKinds() []FaultKind {
	oneChannel := func(b *Bench) {
		b.reference(60)
		b.Spec.SparkIntoReference, b.Spec.ReferenceIntoSpark = 0, 0
	}
	both := func(b *Bench) {
		b.Spec.Layout = scene.OneChannel
		b.Setup.SparkChannel, b.Setup.ReferenceChannel = 1, 1
		oneChannel(b)
	}
	return []FaultKind{
		{Name: "none", Doc: "the usual run without a trouble", binary: true, change: func(*Bench, float64) {}},
		{Name: "bounce", Doc: "the reed bounces for 0.5 ms (1 ms), closed for 40°, at least 1.1 ms", pickups: []scene.Pickup{scene.Reed}, change: func(b *Bench, twice float64) {
			b.Spec.Engine.ClosedDeg, b.Spec.BounceS = 40, 0.5e-3*twice
		}},
		{Name: "spark-leak", Doc: "the spark in the reference's channel, (twice) as large as a contact's pulse, as a coil's at mid-speed", change: func(b *Bench, twice float64) {
			wanted := b.Spec.ReferenceLevel
			if b.Spec.Pickup == scene.Coil {
				wanted /= 2
			}
			b.Spec.SparkIntoReference = twice * wanted / b.Spec.SparkLevel
		}},
		{Name: "reference-leak", Doc: "the reference in the spark's channel, (twice) as large as a spark, a coil's at full speed", change: func(b *Bench, twice float64) {
			b.Spec.SparkLevel = 0.3
			b.Spec.ReferenceIntoSpark = twice * b.Spec.SparkLevel / b.Spec.ReferenceLevel
		}},
		{Name: "weak", Doc: "both signals 40 dB (46 dB) lower, 16 bits, noise of the converter 90 dB below full scale", change: func(b *Bench, twice float64) {
			b.Spec.SparkLevel, b.Spec.ReferenceLevel, b.Spec.HumLevel = 5e-3/twice, 4e-3/twice, 2e-5/twice
			b.Spec.NoiseDB = 20 * math.Log10(b.Spec.SparkLevel/31.6e-6)
		}},
		{Name: "clip", Doc: "turned up until a spark is 12 dB (18 dB) above full scale; the converter clips", change: func(b *Bench, twice float64) {
			b.Spec.ClipDB = 12 + 20*math.Log10(twice)
		}},
		{Name: "clip-front", Doc: "the same, cut off by an amplifier in front of the coupling", change: func(b *Bench, twice float64) {
			b.Spec.ClipDB, b.Spec.ClipFront = 12+20*math.Log10(twice), true
		}},
		{Name: "noise", Doc: "20 dB (14 dB) from a spark to the noise, 18 dB (12 dB) from the reference; 3000 to 6000 rpm", double: true, change: func(b *Bench, twice float64) {
			b.speed("3000 hold 1s, ramp 6000 in 4s, hold 1s")
			b.Spec.CoilFullRPM = 3000
			b.Spec.NoiseDB = 20 - 20*math.Log10(twice)
		}},
		{Name: "missed", Doc: "10 % (20 %) of the sparks and 5 % (10 %) of the references fail", change: func(b *Bench, twice float64) {
			b.Spec.Engine.MissProbability, b.Spec.Engine.ReferenceMissProb = 0.1*twice, 0.05*twice
		}},
		{Name: "repeated", Doc: "20 % (40 %) of the sparks come twice, 5 to 15° apart", change: func(b *Bench, twice float64) {
			b.Spec.Engine.RepeatProbability = 0.2 * twice
		}},
		{Name: "closing", Doc: "contacts close 150° after the spark: a pulse of 60 % (120 %), the other way up", change: func(b *Bench, twice float64) {
			b.Spec.Engine.ClosingDeg, b.Spec.ClosingLevel = 150, 0.6*twice
		}},
		{Name: "bursts", Doc: "2 (4) bursts a second, as large as a spark", change: func(b *Bench, twice float64) {
			b.Spec.InterferenceRate = 2 * twice
		}},
		{Name: "hum", Doc: "mains hum (twice) as large as the reference where that is smallest", double: true, change: func(b *Bench, twice float64) {
			b.Spec.ReferenceLevel = 0.25
			b.Spec.HumLevel = twice * b.wanted()
		}},
		{Name: "gain-control", Doc: "automatic gain control to 0.3 of full scale, up to 30 dB, attack 2 ms (1 ms), release 150 ms (75 ms), from 200 rpm on: it moves by 10 dB (20 dB) within a turn then", change: func(b *Bench, twice float64) {
			b.speed(crankedRun)
			b.Spec.AGC = newAGC(twice)
		}},
		{Name: "gate", Doc: "noise suppression: opens at 5 % of full scale in 0.2 ms (0.4 ms), holds 30 ms (15 ms), closes to -12 dB (-24 dB) in 50 ms, from 200 rpm on: all the way between two pulses then", change: func(b *Bench, twice float64) {
			b.speed(crankedRun)
			b.Spec.Gate = newGate(twice)
		}},
		{Name: "band", Doc: "a lossy codec's band limit at 16 kHz (8 kHz), no coding noise", change: func(b *Bench, twice float64) {
			b.Spec.Codec = newCodec(16000/twice, 0)
		}},
		{Name: "codec", Doc: "lossy coding: band limit 16 kHz (8 kHz), coding noise 18 dB (12 dB) below each band", change: func(b *Bench, twice float64) {
			b.Spec.Codec = newCodec(16000/twice, 18-20*math.Log10(twice))
		}},
		{Name: "swapped", Doc: "the spark is on channel 2", binary: true, change: func(b *Bench, _ float64) { b.Spec.Layout = scene.Swapped }},
		{Name: "inverted", Doc: "both channels the other way up", binary: true, change: func(b *Bench, _ float64) {
			b.Spec.SparkInverted, b.Spec.ReferenceInverted = true, true
		}},
		{Name: "identical", Doc: "two channels that are one input with both pick-ups, 42° apart", binary: true, change: func(b *Bench, _ float64) {
			b.Spec.Layout = scene.Identical
			oneChannel(b)
		}},
		{Name: "one-channel", Doc: "both pick-ups on a single channel, 42° apart, and said to be; the reference's signal (half) as large as usual", change: func(b *Bench, twice float64) {
			both(b)
			b.Spec.ReferenceLevel /= twice
		}},
		{Name: "phone", Doc: "one channel of a phone: gain control, noise suppression and coding as above, together, from 200 rpm on", change: func(b *Bench, twice float64) {
			both(b)
			b.speed(crankedRun)
			b.Spec.AGC, b.Spec.Gate, b.Spec.Codec = newAGC(twice), newGate(twice), newCodec(16000/twice, 18-20*math.Log10(twice))
		}},
		{Name: "dead-spark", Doc: "the spark's channel is dead", binary: true, refuse: []string{"no-sparks", "dead-channel", "one-input"}, change: func(b *Bench, _ float64) { b.Spec.Layout = scene.DeadSpark }},
		{Name: "dead-reference", Doc: "the reference's channel is dead", binary: true, refuse: []string{"no-reference", "dead-channel"}, change: func(b *Bench, _ float64) {
			b.Spec.Layout, b.Spec.ReferenceIntoSpark = scene.DeadReference, 0
		}},
		{Name: "same-spark", Doc: "the spark's pick-up on both channels, and no reference", binary: true, refuse: []string{"same-signal", "no-reference", "one-input"}, change: func(b *Bench, _ float64) { b.Spec.Layout = scene.SameSpark }},
		{Name: "same-reference", Doc: "the reference's pick-up on both channels, and no spark", binary: true, refuse: []string{"same-signal", "no-sparks", "one-input"}, change: func(b *Bench, _ float64) { b.Spec.Layout = scene.SameReference }},
		{Name: "microphone", family: "snap", Doc: "a microphone 0.5 m from an open gap, the plug out, 300 to 1500 rpm; echoes of 40 and 25 % (80 and 50 %) after 4 and 9 ms; its delay is given", double: true, change: func(b *Bench, twice float64) {
			b.speed("300 hold 1s, ramp 1500 in 5s, hold 2s")
			b.Spec.MicrophoneM, b.Spec.CoilFullRPM = 0.5, 1500
			b.Spec.Echoes = []scene.Echo{{DelayS: 4e-3, Gain: 0.4 * twice}, {DelayS: 9e-3, Gain: -0.25 * twice}}
			b.Setup.SparkKind, b.Setup.SparkDelayS = analysis.Microphone, b.Spec.SoundDelayS()
		}},
		{Name: "hand-marks", Doc: "turned by hand at 30 rpm, jerking by 30 % (60 %), uneven by 0.3 (0.6) within the turn; six magnets, said", double: true, pickups: contacts, change: func(b *Bench, twice float64) {
			b.speed("30 hold 40s")
			b.Spec.Engine.Jerk, b.Spec.Engine.Fluctuation = 0.3*twice, 0.3*twice
			b.Spec.Engine.MagnetDeg, b.Setup.ReferencePulses = engine.EqualMagnets(6), 6
			b.Spec.Engine.ClosedDeg = 14
		}},
		{Name: "hand-near", Doc: "the same with one magnet, 1.5° before the spark, which scatters by 0.2°", double: true, pickups: contacts, change: func(b *Bench, twice float64) {
			b.speed("30 hold 40s")
			b.Spec.Engine.Jerk, b.Spec.Engine.Fluctuation, b.Spec.Engine.ScatterDeg = 0.3*twice, 0.3*twice, 0.2
			b.reference(19.5)
		}},
		{Name: "kick", Doc: "kicked over three times: from a standstill to 500 rpm in 0.5 s (0.25 s), and dying in 1.5 s (0.8 s); the magnet 3° before the spark, which scatters by 0.3°", change: func(b *Bench, twice float64) {
			one := "hold 400ms, swing 500 in 500ms, swing 0 in 1500ms"
			if twice > 1 {
				one = "hold 400ms, swing 500 in 250ms, swing 0 in 800ms"
			}
			b.speed("0 " + one + ", " + one + ", " + one + ", hold 400ms")
			b.Spec.CoilFullRPM, b.Spec.Engine.ScatterDeg = 500, 0.3
			b.reference(21)
		}},
		{Name: "cranking", Doc: "200 rpm on the starter, compression makes it uneven by 0.15 (0.3); the magnet 1.5° before the spark, which scatters by 0.3°", change: func(b *Bench, twice float64) {
			b.speed("200 hold 12s")
			b.Spec.CoilFullRPM, b.Spec.Engine.ScatterDeg = 200, 0.3
			b.Spec.Engine.Fluctuation, b.Spec.Engine.FastestDeg = 0.15*twice, 180
			b.reference(19.5)
		}},
		{Name: "fast", Doc: "9000 to 15 000 rpm (12 000 to 20 000), closed for 60°, bounce 0.2 ms", change: func(b *Bench, twice float64) {
			b.speed("9000 hold 500ms, ramp 15000 in 4s, hold 500ms")
			if twice > 1 {
				b.speed("12000 hold 500ms, ramp 20000 in 4s, hold 500ms")
			}
			b.Spec.Engine.ClosedDeg, b.Spec.BounceS, b.Spec.CoilFullRPM = 60, math.Min(b.Spec.BounceS, 0.2e-3), 12000
		}},
		{Name: "blips", Doc: "three times from 1500 rpm to 9000, 7000 and 6000 at 15 000 rpm/s (30 000)", change: func(b *Bench, twice float64) {
			b.speed(fmt.Sprintf("1500 hold 1s, blip 9000 at %[1]g, hold 500ms, blip 7000 at %[1]g, hold 500ms, blip 6000 at %[1]g, hold 1s", 15000*twice))
		}},
		{Name: "stall", Doc: "from 1500 rpm to a standstill in 1 s (0.5 s), up again in 1 s (0.5 s), twice; the magnet 3° before the spark, which scatters by 0.3°", change: func(b *Bench, twice float64) {
			t := fmt.Sprintf("ramp 0 in %[1]gs, hold 700ms, ramp 1500 in %[1]gs, hold 1s", 1/twice)
			b.speed("1500 hold 1s, " + t + ", " + t)
			b.Spec.CoilFullRPM, b.Spec.Engine.ScatterDeg = 1500, 0.3
			b.reference(21)
		}},
		{Name: "on-spark", Doc: "the reference right on the spark", binary: true, change: func(b *Bench, _ float64) { b.reference(18) }},
		{Name: "after-spark", Doc: "the reference 10° (2°) after the spark", change: func(b *Bench, twice float64) {
			b.reference(8)
			if twice > 1 {
				b.reference(16)
			}
		}},
		{Name: "half-turn", Doc: "the reference half a turn away from the spark", binary: true, change: func(b *Bench, _ float64) { b.reference(-162) }},
		{Name: "coupling", Doc: "coupled at 15 Hz (30 Hz), from 300 to 3000 rpm", change: func(b *Bench, twice float64) {
			b.speed("300 hold 2s, ramp 3000 in 5s, hold 1s")
			b.Spec.ACHz, b.Spec.CoilFullRPM = 15*twice, 3000
		}},
		{Name: "transformer", Doc: "coupled through a transformer, second order at 15 Hz (30 Hz), quality 0.7", change: func(b *Bench, twice float64) {
			b.Spec.ACHz, b.Spec.ACQ = 15*twice, 0.7
		}},
		{Name: "shelf", Doc: "a low shelf of 6 dB (12 dB) below 100 Hz, and an offset of 5 % (10 %) of full scale", change: func(b *Bench, twice float64) {
			b.Spec.ShelfHz, b.Spec.ShelfDB, b.Spec.DC = 100, 6*twice, 0.05*twice
		}},
		{Name: "gentle", Doc: "a gentle linear-phase converter", binary: true, change: func(b *Bench, _ float64) { b.Spec.Kernel = "gentle" }},
		{Name: "minimum", Doc: "a sharp minimum-phase converter", binary: true, change: func(b *Bench, _ float64) { b.Spec.Kernel = "sharp-minimum" }},
		{Name: "gentle-minimum", Doc: "a gentle minimum-phase converter", binary: true, change: func(b *Bench, _ float64) { b.Spec.Kernel = "gentle-minimum" }},
		{Name: "clock", Doc: "the recorder's clock 500 ppm (1000 ppm) fast: speeds off by as much, angles not", change: func(b *Bench, twice float64) { b.Spec.ClockPPM = 500 * twice }},
		{Name: "died", Doc: "a recorder that died: sizes of zero (unknown) in the header, cut off within a sample", change: func(b *Bench, twice float64) {
			b.Header = "zero"
			if twice > 1 {
				b.Header = "unknown"
			}
		}},
		{Name: "every-second", Doc: "a four-stroke that fires every second revolution", binary: true, change: func(b *Bench, _ float64) { b.Spec.Engine.EveryRevolutions = 2 }},
		{Name: "two-cylinders", Doc: "two cylinders on one lead, 180° apart", binary: true, change: func(b *Bench, _ float64) { b.Spec.Engine.CylinderDeg = []float64{0, 180} }},
		{Name: "hand-contacts-slow", Doc: "the contacts themselves in the spark's place, dwell 215°, bouncing for 1 ms (5 ms) when they open and 3 ms (10 ms) when they close; turned by hand at 10 rpm, jerking by 30 % (60 %), uneven by 0.3 (0.6) within the turn; the magnet 1.5° before they open, which scatters by 0.2°", double: true, pickups: contacts, change: func(b *Bench, twice float64) {
			byHand(b, twice, "10 hold 50s")
		}},
		{Name: "hand-contacts-direct", Doc: "the same at 60 rpm, recorded without any coupling, upside down", double: true, pickups: contacts, change: func(b *Bench, twice float64) {
			byHand(b, twice, "60 hold 20s")
			b.Spec.ACHz, b.Spec.SparkInverted = 0, true
		}},
		{Name: "hand-contacts-quick", Doc: "the same at 120 rpm, coupled", double: true, pickups: contacts, change: func(b *Bench, twice float64) {
			byHand(b, twice, "120 hold 12s")
		}},
		{Name: "hand-contacts-marks", Doc: "the same at 30 rpm with six magnets, said, the nearest 12° before they open", double: true, pickups: contacts, change: func(b *Bench, twice float64) {
			byHand(b, twice, "30 hold 40s")
			b.Spec.Engine.MagnetDeg, b.Setup.ReferencePulses = engine.EqualMagnets(6), 6
			b.reference(30)
		}},
		{Name: "hand-contacts-far", Doc: "the same at 60 rpm with one magnet, 42° before they open: not to be answered", binary: true, pickups: contacts, refuse: []string{"reference-far-by-hand"}, change: func(b *Bench, twice float64) {
			byHand(b, twice, "60 hold 20s")
			b.reference(60)
		}},
	}
}

// byHand puts the contacts in the spark's place and turns by hand.
func byHand(b *Bench, twice float64, speed string) {
	b.speed(speed)
	b.Spec.Contacts, b.Setup.SparkKind = true, analysis.Contacts
	e := &b.Spec.Engine
	e.ClosingDeg, e.ClosedDeg = 360-215, 14
	e.Jerk, e.Fluctuation, e.ScatterDeg = 0.3*twice, 0.3*twice, 0.2
	b.Spec.OpeningBounceS, b.Spec.ClosingBounceS = 1e-3, 3e-3
	if twice > 1 {
		b.Spec.OpeningBounceS, b.Spec.ClosingBounceS = 5e-3, 10e-3
	}
	b.reference(19.5)
}

// electric are the pulse families a clamp may give: all but a sound's.
func electric() (out []string) {
	for _, f := range synth.Families() {
		if f.Name != "snap" {
			out = append(out, f.Name)
		}
	}
	return out
}

// Faults is the matrix: every trouble at both severities, with every pick-up
// that it concerns, at four rates. With a family of "", the electric ones, in
// their order in synth.Families, take turns: from one rate to the next by one,
// from one pick-up to the next by four, from severity 1 to 2 by six, and a
// trouble begins one after the trouble before it. So, as there are twelve, a
// trouble with three pick-ups meets each of them once at each severity, and six
// of them at any one rate; and a rate and pick-up meets each with every twelfth
// trouble. Which trouble meets which shape where hangs on nothing else.
func Faults(seed uint64, family string) []Fault {
	families := electric()
	var out []Fault
	for i, k := range FaultKinds() {
		pickups := k.pickups
		if pickups == nil {
			pickups = []scene.Pickup{scene.Reed, scene.Hall, scene.Coil}
		}
		for severity := 1; severity <= 2; severity++ {
			if k.binary && severity == 2 {
				continue
			}
			for j, p := range pickups {
				for n, rate := range []float64{44100, 48000, 96000, 192000} {
					f := Fault{k.Name, severity, p, rate, family, seed}
					switch {
					case k.family != "":
						f.Family = k.family
					case family == "":
						f.Family = families[(i+6*(severity-1)+4*j+n)%len(families)]
					}
					out = append(out, f)
				}
			}
		}
	}
	return out
}

// kind finds the fault's trouble.
func (f Fault) kind() (FaultKind, error) {
	var all []string
	for _, k := range FaultKinds() {
		if k.Name == f.Trouble {
			return k, nil
		}
		all = append(all, k.Name)
	}
	return FaultKind{}, fmt.Errorf("study: trouble %q: want one of %s", f.Trouble, strings.Join(all, ", "))
}

// Bench is the fault's recording and what its owner would say of it.
func (f Fault) Bench() (Bench, error) {
	k, err := f.kind()
	if err != nil {
		return Bench{}, err
	}
	b := newBench(f)
	k.change(b, float64(f.Severity))
	return *b, b.Spec.Validate()
}

// FaultRow is what came out for a Fault.
type FaultRow struct {
	Fault
	Score
	Refused string // the code of a refusal; else empty
	Reason  string // its sentence

	Stated    float64  // expanded uncertainty of the mean advance, degrees
	HasStated bool     // whether any is stated
	Warnings  []string // codes of findings of severity warning or above
	ofEngine  []string // those of them that speak of the engine, and of no figure
	Lost      int      // true sparks that are neither a row of the event table nor a remark of it
	LostLater int      // true second sparks that are no row of the event table of their own

	OracleN       int     // sparks of which the oracle has an angle
	OracleMean    float64 // its mean error, degrees
	OracleRMS     float64
	OracleLargest float64
	OracleBad     int // of how many it is wrong by more than OracleGood: those need not be counted

	kind FaultKind
	ppm  float64
}

// Judge sets what was measured of a fault's recording against its truth. err
// is what measuring it gave; the error returned says that the row cannot be
// judged.
func Judge(f Fault, truth *scene.Truth, result *analysis.Result, refused *analysis.CannotMeasureError) (FaultRow, error) {
	k, err := f.kind()
	if err != nil {
		return FaultRow{}, err
	}
	b, err := f.Bench()
	if err != nil {
		return FaultRow{}, err
	}
	row := FaultRow{Fault: f, kind: k, ppm: truth.Spec.ClockPPM}
	untold := map[int]bool{}
	for i, d := range oracle(truth, b.Setup) {
		if !(math.Abs(d) <= OracleGood) {
			untold[i] = true
		}
		row.OracleN++
		row.OracleMean += d
		row.OracleRMS += d * d
		row.OracleLargest = math.Max(row.OracleLargest, math.Abs(d))
	}
	if n := float64(row.OracleN); n > 0 {
		row.OracleMean, row.OracleRMS = row.OracleMean/n, math.Sqrt(row.OracleRMS/n)
	}
	row.OracleBad = len(untold)
	row.Score = score(truth, result, untold)
	if refused != nil {
		row.Refused, row.Reason = refused.Code, refused.Error()
		return row, nil
	}
	row.Stated, row.HasStated = float64(result.Advance.Expanded), result.Advance.HasExpanded
	for _, w := range result.Findings {
		if w.Severity == analysis.Warning || w.Severity == analysis.Serious {
			row.Warnings = append(row.Warnings, w.Code)
			if w.Engine {
				row.ofEngine = append(row.ofEngine, w.Code)
			}
		}
	}
	row.Lost, row.LostLater = lost(truth, result)
	return row, nil
}

// lost counts true sparks that the event table does not account for: no row
// within window of them, whatever its status, that is not another spark's; and
// no remark of a missed spark, or one that could not be timed, within a quarter of
// the time to the next spark.
// For second sparks, counted apart, nothing but a row will do.
func lost(truth *scene.Truth, result *analysis.Result) (first, later int) {
	// The end cuts off what began in the last millisecond before it.
	end := float64(truth.Frames)/truth.Spec.RateHz - 1e-3
	sparks := truth.Of(engine.Spark, engine.Repeated)
	sparks = slices.DeleteFunc(sparks, func(e scene.Event) bool { return e.AppearsS > end })
	// Nearest pairs first: a second spark may come within the window of the first.
	type pair struct {
		spark, row int
		apart      float64 // seconds
	}
	var pairs []pair
	for i, e := range sparks {
		from := sort.Search(len(result.Firings), func(j int) bool { return result.Firings[j].TimeS >= e.AppearsS-window })
		for j := from; j < len(result.Firings) && result.Firings[j].TimeS <= e.AppearsS+window; j++ {
			pairs = append(pairs, pair{i, j, math.Abs(result.Firings[j].TimeS - e.AppearsS)})
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(a.apart, b.apart) })
	told, taken := map[int]bool{}, map[int]bool{}
	for _, p := range pairs {
		if !told[p.spark] && !taken[p.row] {
			told[p.spark], taken[p.row] = true, true
		}
	}
	var remarks []float64
	for _, m := range result.Missing {
		if m.What == "spark" || m.What == analysis.UntimedSpark {
			remarks = append(remarks, m.TimeS)
		}
	}
	slices.Sort(remarks)
	for i, e := range sparks {
		if told[i] {
			continue
		}
		if e.Kind == engine.Repeated {
			later++
			continue
		}
		quarter := 15 / math.Max(e.MomentRPM, engine.MinRPM) / float64(len(truth.Spec.Engine.CylinderDeg))
		if i := nearest(len(remarks), func(i int) float64 { return remarks[i] }, e.AppearsS); i >= 0 && math.Abs(remarks[i]-e.AppearsS) <= quarter {
			continue
		}
		first++
	}
	return first, later
}

// oracle works out the angles of all sparks between the first and the last
// reference from exact times of what is truly in the recording, knowing which
// revolution and magnet each reference is: the crank's angle at a spark is the
// cubic in time through the two references before and the two after it (Aitken
// and Neville's scheme), the straight line where there are none or the cubic
// leaves the bracket. It shares nothing with package analysis. What comes out
// are its errors against the true advance, degrees, by number of the spark.
func oracle(truth *scene.Truth, setup analysis.Setup) map[int]float64 {
	e := truth.Spec.Engine
	var t, angle []float64
	for _, r := range truth.Of(engine.Reference) {
		if r.Amp == 0 {
			continue
		}
		t = append(t, r.AppearsS-setup.ReferenceDelayS)
		angle = append(angle, 360*float64(r.Revolution)+e.MagnetDeg[r.Magnet-1]-e.ReferenceDeg)
	}
	out := map[int]float64{}
	if truth.SparkChannel == 0 || truth.ReferenceChannel == 0 {
		return out
	}
	turn := 360 / float64(len(e.CylinderDeg))
	for n, s := range truth.Of(engine.Spark) {
		at := s.AppearsS - setup.SparkDelayS
		i := 1
		for i < len(t) && t[i] < at {
			i++
		}
		if i >= len(t) || at < t[0] {
			continue
		}
		deg := angle[i-1] + (angle[i]-angle[i-1])*(at-t[i-1])/(t[i]-t[i-1])
		if i >= 2 && i+1 < len(t) {
			p := [4]float64{angle[i-2], angle[i-1], angle[i], angle[i+1]}
			for order := 1; order < 4; order++ {
				for j := 0; j+order < 4; j++ {
					a, b := t[i-2+j], t[i-2+j+order]
					p[j] = ((b-at)*p[j] + (at-a)*p[j+1]) / (b - a)
				}
			}
			if p[0] >= angle[i-1] && p[0] <= angle[i] {
				deg = p[0]
			}
		}
		out[n] = math.Remainder(-deg-s.AdvanceDeg, turn)
	}
	return out
}

func (r FaultRow) limit() float64 {
	if r.kind.double {
		return 2
	}
	return 1
}

// Needless says whether it was refused although the oracle does well.
func (r FaultRow) Needless() bool {
	return r.Refused != "" && r.kind.refuse == nil && 2*r.OracleBad < r.OracleN
}

// counting are warnings that say what the engine or the recorder did, or what
// the stated uncertainty holds already; not that a figure may be off beyond it.
// A delay of which nothing was said is asked for whatever the trouble.
var counting = []string{"missed-sparks", "repeated-sparks", "missed-references", "recording", "reference-far", "reference-delay-unknown"}

// warned says whether any finding casts doubt on the figures. One about the engine
// takes them as they are: that contacts bounce or timing scatters is no word of
// a wrong angle, and is itself wrong where the angle is.
func (r FaultRow) warned() bool {
	return slices.ContainsFunc(r.Warnings, func(c string) bool {
		return !slices.Contains(counting, c) && !slices.Contains(r.ofEngine, c)
	})
}

// Silent says whether a wrong number comes without a warning: an error beyond
// the row's limit and beyond the stated uncertainty, or a speed that is out.
func (r FaultRow) Silent() bool {
	if r.Refused != "" || r.warned() {
		return false
	}
	if r.Counted == 0 {
		return r.Sparks.Found > 0
	}
	beyond := func(v, limit float64) bool {
		return !(math.Abs(v) <= r.limit()*limit) && !(r.HasStated && math.Abs(v) <= r.Stated)
	}
	// By hand, one mark tells how long whole turns took, and the turn about a
	// spark is made of parts of two that differ by what the hand jerks: a third
	// and more. The curve through its neighbours leaves a tenth of that and
	// more open. Nothing hangs on it: a delay of 1 ms is 0.2° at 30 rpm.
	speedOut := 0.01
	if strings.HasPrefix(r.Trouble, "hand-") {
		speedOut = 0.05
	}
	return beyond(r.Mean, TargetMean) || beyond(r.RMS, TargetRMS) || math.Abs(r.SpeedError) > speedOut || r.Precision() < 0.9
}

// Failures names the targets that the row misses; empty is a pass.
func (r FaultRow) Failures() []string {
	var out []string
	add := func(on bool, what string) {
		if on {
			out = append(out, what)
		}
	}
	if r.kind.refuse != nil {
		add(r.Refused == "", "not-refused")
		add(r.Refused != "" && !slices.Contains(r.kind.refuse, r.Refused), "code")
		return out
	}
	if r.Severity == 1 && r.Refused != "" {
		add(r.Needless(), "refused")
		return out
	}
	add(r.Silent(), "silent")
	if r.Refused != "" {
		return out
	}
	add(r.Lost+r.LostLater > 0, "accounts")
	if r.Severity > 1 {
		return out
	}
	add(!(r.Recall() >= TargetRecall), "recall")
	add(!(r.Precision() >= TargetPrecision), "precision")
	add(r.Counted == 0 || !(math.Abs(r.Mean) <= r.limit()*TargetMean), "mean")
	add(r.Counted == 0 || !(r.RMS <= r.limit()*TargetRMS), "rms")
	add(!(math.Abs(r.SpeedError+r.ppm*1e-6/(1+r.ppm*1e-6)) <= clockTolerance) && r.Trouble == "clock", "speed")
	return out
}

// FaultsLegend explains the columns.
func FaultsLegend() string {
	var b strings.Builder
	fmt.Fprintf(&b, `
Every engine fires 18 degrees before top dead centre; unless a trouble says so,
its known scatter is 0.5, the reference acts 12 degrees before the spark, the
speed is even within the revolution, a magnet acts for 30, and the speed goes
  %s
Every recording is written as a file and measured as the command measure does,
with its reference angle and what else the trouble's line says is given. Errors
are of single sparks, measured minus true, degrees. Pulls of ten minutes are in
the study of speed. The seed is 3, and not 1 as in the other studies: with 1 a
recording of an engine turned by hand comes out such that the oracle itself has 3
of 20 angles off by more than it asks of the instrument.
  trouble/severity/pick-up/rate: severity 1 must be survived; 2, in brackets
           below, is twice as bad: it may be refused or warned of
  family   of the spark's pulse (study timing tells them apart). They take turns,
           so that a trouble with three pick-ups meets all %d at each severity;
           a microphone hears a snap
  sparks   true ones between the first and the last reference of which the oracle
           knows the angle within %g; ok: those found and counted, anywhere
  recall, prec   share of these true ones counted, of the counted ones true
  wrong    counted, but no true first spark, or more than %d degrees off
  mean, rms  of the error; stated: expanded uncertainty of the mean advance with
           the instrument's defaults, 95 %%; ! marks one that does not hold mean
  lost     true sparks that are neither a row of the event table nor a remark of
           it that says one is missing, or is there and cannot be timed; later:
           second sparks that are no row of their own. The table may say of a row
           what it will, but of each there must be one
  oracle   number, mean, rms and largest error of angles worked out from exact
           times of what truly is in the recording, references known one by one
           (the plain cubic in time through the four around the spark)
  verdict  ok, or the targets missed, at severity 1: recall %g, prec %g, mean
           %g, rms %g (mean and rms twice that where = stands); accounts: none lost,
           none of the later ones; speed: off by the clock's error within %.0f ppm; refused: although the oracle
           knows over half of the angles within %g. At any severity, silent: mean or rms
           beyond these limits and beyond what is stated, or a tenth of the
           counted no sparks, or speed out by 1 %% (by hand 5 %%), with no warning but of what was
           missed or repeated, of the engine, of the file, of a reference far from the spark. Rows that cannot be measured: not-refused, or
           refused by an unfitting code
           needless marks such a refusal at severity 2
  then the codes of findings of severity warning and above, or of the refusal

Troubles:
`, usualRun, len(electric()), OracleGood, far, TargetRecall, TargetPrecision, TargetMean, TargetRMS, clockTolerance*1e6, OracleGood)
	for _, k := range FaultKinds() {
		mark := " "
		if k.double {
			mark = "="
		}
		fmt.Fprintf(&b, "%s %-15s %s\n", mark, k.Name, k.Doc)
	}
	return b.String()
}

// FaultsHeader names the columns of FaultRow.Line.
func FaultsHeader() string {
	return fmt.Sprintf("%-31s %-14s %6s %5s %6s %5s %5s %7s %6s %7s %4s %5s  %6s %7s %6s %7s  verdict; codes", "trouble/severity/pick-up/rate", "family", "sparks", "ok", "recall", "prec", "wrong",
		"mean", "rms", "stated", "lost", "later", "oracle", "mean", "rms", "largest")
}

// Line is the row as a line of the table.
func (r FaultRow) Line() string {
	verdict := "ok"
	switch f := r.Failures(); {
	case len(f) > 0:
		verdict = "FAILS " + strings.Join(f, ",")
	case r.Needless():
		verdict = "needless"
	case r.Refused != "":
		verdict = "ok, refused"
	}
	o := fmt.Sprintf("%6d %+7.3f %6.3f %7.2f", r.OracleN, r.OracleMean, r.OracleRMS, r.OracleLargest)
	if r.OracleN == 0 {
		o = fmt.Sprintf("%6d %7s %6s %7s", 0, "-", "-", "-")
	}
	if r.Refused != "" {
		return fmt.Sprintf("%-31s %-14s %6d %5s %6s %5s %5s %7s %6s %7s %4s %5s  %s  %s; %s", r.Fault, r.Family, r.Sparks.True, "-", "-", "-", "-", "-", "-", "-", "-", "-", o, verdict, r.Refused)
	}
	stated := "none!"
	if r.HasStated {
		stated = fmt.Sprintf("%.3f ", r.Stated)
		if !(math.Abs(r.Mean) <= r.Stated) {
			stated = fmt.Sprintf("%.3f!", r.Stated)
		}
	}
	mean, rms := "-", "-" // of nothing
	if r.Counted > 0 {
		mean, rms = fmt.Sprintf("%+.3f", r.Mean), fmt.Sprintf("%.3f", r.RMS)
	} else if r.HasStated {
		stated = fmt.Sprintf("%.3f!", r.Stated)
	}
	codes := ""
	if len(r.Warnings) > 0 {
		codes = "; " + strings.Join(r.Warnings, " ")
	}
	if r.Trouble == "clock" {
		codes += fmt.Sprintf("; speed %+.0f ppm", r.SpeedError*1e6)
	}
	return fmt.Sprintf("%-31s %-14s %6d %5d %6.3f %5.3f %5d %7s %6s %7s %4d %5d  %s  %s%s", r.Fault, r.Family, r.Sparks.True, r.Sparks.Found, r.Recall(), r.Precision(), r.Wrong,
		mean, rms, stated, r.Lost, r.LostLater, o, verdict, codes)
}

// FaultsSummary draws rows together, each severity by itself.
func FaultsSummary(rows []FaultRow) string {
	var b strings.Builder
	for severity := 1; severity <= 2; severity++ {
		count := map[string]int{}
		var n, failing, refused, right, needless, open int
		for _, r := range rows {
			if r.Severity != severity {
				continue
			}
			n++
			f := r.Failures()
			if len(f) > 0 {
				failing++
			}
			for _, what := range f {
				count[what]++
			}
			switch {
			case r.Refused == "":
				if !r.HasStated || r.Counted == 0 || !(math.Abs(r.Mean) <= r.Stated) {
					open++
				}
			case r.kind.refuse != nil:
				right++
			default:
				refused++
				if r.Needless() {
					needless++
				}
			}
		}
		if n == 0 {
			continue
		}
		var parts []string
		for _, what := range []string{"recall", "precision", "mean", "rms", "speed", "accounts", "refused", "silent", "not-refused", "code"} {
			parts = append(parts, fmt.Sprintf("%s %d", what, count[what]))
		}
		fmt.Fprintf(&b, `Severity %d: %d recordings, %d miss a target: %s.
  Refused: %d that cannot be measured, as they must be; %d others (%.1f %% of those that can be), %d of them needlessly.
  Mean error not held by the stated uncertainty: %d. Wrong numbers without a warning: %d.
`, severity, n, failing, strings.Join(parts, ", "), right, refused, 100*ratio(refused, n-right-count["not-refused"]), needless, open, count["silent"])
	}
	return b.String()
}
