package analysis

import (
	"math"
	"math/rand/v2"
	"slices"

	"sparkscope/dsp"
)

// profile is a speed over time with its exact phase: pieces of raised-cosine
// or straight changes of speed, each integrated in closed form.
type profile struct{ pieces []piece }

type piece struct {
	t0, t1   float64 // seconds
	from, to float64 // rpm
	smooth   bool
	phi0     float64 // revolutions at t0
}

func ramp(p *profile, dur, to float64, smooth bool) *profile {
	pc := piece{t1: dur, from: to, to: to, smooth: smooth}
	if n := len(p.pieces); n > 0 {
		l := p.pieces[n-1]
		pc.t0, pc.t1, pc.from = l.t1, l.t1+dur, l.to
		pc.phi0 = l.phi0 + l.turned(l.t1)
	}
	p.pieces = append(p.pieces, pc)
	return p
}

func steady(rpm, dur float64) *profile { return ramp(&profile{}, dur, rpm, false) }

func (p piece) turned(t float64) float64 {
	x := t - p.t0
	d := p.t1 - p.t0
	if p.smooth {
		return (p.from*x + (p.to-p.from)/2*(x-d/math.Pi*math.Sin(math.Pi*x/d))) / 60
	}
	return (p.from*x + (p.to-p.from)*x*x/(2*d)) / 60
}

func (p *profile) end() float64 { return p.pieces[len(p.pieces)-1].t1 }

func (p *profile) phase(t float64) float64 {
	for _, c := range p.pieces {
		if t <= c.t1 {
			return c.phi0 + c.turned(t)
		}
	}
	l := p.pieces[len(p.pieces)-1]
	return l.phi0 + l.turned(l.t1) + (t-l.t1)*l.to/60
}

// time inverts phase by bisection to the last bit.
func (p *profile) time(phi float64) float64 {
	lo, hi := 0.0, p.end()
	// The piece first, then bisection inside it.
	for _, c := range p.pieces {
		if c.phi0 <= phi {
			lo, hi = c.t0, c.t1
		}
	}
	for range 60 {
		m := (lo + hi) / 2
		if p.phase(m) < phi {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}

func (p *profile) rpm(t float64) float64 {
	return 60 * (p.phase(t+1e-5) - p.phase(t-1e-5)) / 2e-5
}

const testRate = 48000.0

// truthKind of a spark pulse.
type truthSpark struct {
	t        float64
	rev      int
	adv      float64 // degrees before TDC, of this event
	repeated bool
	stray    bool
}

// world makes exact trains of an invented engine.
type world struct {
	prof        *profile
	refAngle    float64                   // degrees BTDC
	advance     func(rpm float64) float64 // degrees BTDC
	scatter     float64                   // degrees
	everySecond bool
	offsets     []float64 // of further cylinders, degrees of rotation
	missSpark   float64
	missRef     float64
	repeat      float64 // share with a second spark 5 to 15 degrees later
	strays      int     // interference on the spark's channel
	refStrays   int
	sparkDelay  float64
	refDelay    float64
	refKind     dsp.Kind
	swap        bool
	invert      bool
	seed        uint64
	teeth       []float64 // phases of the pulses of a revolution, 0 first; nil: one
	refJitterS  float64
	from, to    float64 // sparks only within; to 0: all
	blip        bool    // closing blip of opposite polarity, 60 % as high
	echo        bool    // crosstalk both ways
	gap         [2]float64
	splitSpark  bool
	phase0      float64 // revolutions at which the reference stands at t = 0, negative share
}

type made struct {
	trains     []dsp.Train
	sparks     []truthSpark
	missed     int       // sparks missed between the first and last present
	missedRefs int       // between the first and last present, in runs of up to 3
	refs       []float64 // true times of the reference events present
	sparkCh    int
	refCh      int
}

func (w world) build() made {
	rng := rand.New(rand.NewPCG(w.seed, 7))
	var out made
	if w.advance == nil {
		w.advance = func(float64) float64 { return 20 }
	}
	teeth := w.teeth
	if teeth == nil {
		teeth = []float64{0}
	}
	end := w.prof.phase(w.prof.end())
	var refs []float64
	run, started := 0, false
	for k := 0; float64(k) < end+1; k++ {
		for _, q := range teeth {
			phi := float64(k) + q + w.phase0
			if phi < 0 || phi > end {
				continue
			}
			t := w.prof.time(phi)
			if w.gap[1] > 0 && t > w.gap[0] && t < w.gap[1] {
				continue
			}
			if rng.Float64() < w.missRef {
				run++
				continue
			}
			if started {
				out.missedRefs += run
			}
			run, started = 0, true
			refs = append(refs, t)
		}
	}
	offs := append([]float64{0}, w.offsets...)
	pendingMiss := 0
	seen := false
	for k := -1; float64(k) < end+1; k++ {
		if w.everySecond && (k&1) != 0 {
			continue
		}
		for _, off := range offs {
			// rotation from the reference to this spark, degrees
			guess := w.prof.time(math.Min(math.Max(float64(k)+w.phase0+(w.refAngle-w.advance(2000)+off)/360, 0), end))
			rpm := w.prof.rpm(guess)
			adv := w.advance(rpm)
			if w.scatter > 0 {
				adv += w.scatter * rng.NormFloat64()
			}
			phi := float64(k) + w.phase0 + (w.refAngle-adv+off)/360
			if phi < 0 || phi > end {
				continue
			}
			t := w.prof.time(phi)
			if w.to > 0 && (t < w.from || t > w.to) {
				continue
			}
			if rng.Float64() < w.missSpark {
				pendingMiss++
				continue
			}
			if seen {
				out.missed += pendingMiss
			}
			pendingMiss, seen = 0, true
			out.sparks = append(out.sparks, truthSpark{t: t, rev: k, adv: adv})
			if rng.Float64() < w.repeat {
				later := 5 + 10*rng.Float64()
				if p2 := phi + later/360; p2 < end {
					out.sparks = append(out.sparks, truthSpark{t: w.prof.time(p2), rev: k, adv: adv - later, repeated: true})
				}
			}
		}
	}
	for range w.strays {
		out.sparks = append(out.sparks, truthSpark{t: rng.Float64() * w.prof.end(), stray: true})
	}
	slices.SortFunc(out.sparks, func(a, b truthSpark) int {
		if a.t < b.t {
			return -1
		}
		return 1
	})
	pol := 1
	if w.invert {
		pol = -1
	}
	out.sparkCh, out.refCh = 1, 2
	out.refs = refs
	if w.swap {
		out.sparkCh, out.refCh = 2, 1
	}
	spark := dsp.Train{Channel: out.sparkCh, Rate: testRate, Frames: int64(w.prof.end() * testRate), Level: dsp.Level{Peak: 0.5, Noise: 1e-4}}
	ref := dsp.Train{Channel: out.refCh, Rate: testRate, Frames: spark.Frames, Level: dsp.Level{Peak: 0.4, Noise: 1e-4}}
	spark.Shapes = []dsp.Shape{{Kind: dsp.Burst, Polarity: pol, Amp: 0.5, AnchorSigma: 0.05}}
	ref.Shapes = []dsp.Shape{{Kind: w.refKind, Polarity: -pol, Amp: 0.4, AnchorSigma: 0.02}}
	if w.splitSpark {
		spark.Shapes = append(spark.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: pol, Amp: 0.35, AnchorSigma: 0.05})
	}
	put := func(tr *dsp.Train, t float64, class int, width float64) {
		a := tr.Shapes[class].Amp * float64(tr.Shapes[class].Polarity) * (0.85 + 0.3*rng.Float64())
		tr.Pulses = append(tr.Pulses, dsp.Pulse{Pos: t * testRate, Sigma: 0.01, Amp: a, Class: class, Match: 0.99, WidthS: width})
		tr.Shapes[class].N++
	}
	for _, s := range out.sparks {
		c := 0
		if w.splitSpark && rng.Float64() < 0.4 {
			c = 1
		}
		put(&spark, s.t+w.sparkDelay, c, 0)
	}
	for _, t := range refs {
		width := 0.0
		if w.refKind != dsp.Burst {
			width = 14.0 / 6 / math.Max(w.prof.rpm(t), 10)
		}
		put(&ref, t+w.refDelay+w.refJitterS*rng.NormFloat64(), 0, width)
	}
	for range w.refStrays {
		t := rng.Float64() * w.prof.end()
		// A stray pulse of the reference's own shape within a few degrees of
		// a reference event cannot be told from it while the speed changes.
		if f := fraction(w.prof.phase(t) - w.phase0 + 0.5); math.Abs(f-0.5) < 0.08 {
			continue
		}
		put(&ref, t, 0, 0)
	}
	if w.blip {
		spark.Shapes = append(spark.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: -pol, Amp: 0.3, AnchorSigma: 0.1})
		c := len(spark.Shapes) - 1
		for _, s := range out.sparks {
			if !s.repeated && !s.stray {
				if p := w.prof.phase(s.t) + 0.4; p < end {
					put(&spark, w.prof.time(p)+w.sparkDelay, c, 0)
				}
			}
		}
	}
	if w.echo {
		spark.Shapes = append(spark.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: -pol, Amp: 0.3})
		c := len(spark.Shapes) - 1
		for _, t := range refs {
			put(&spark, t+w.refDelay+20e-6+0.1e-6*rng.NormFloat64(), c, 0)
		}
		ref.Shapes = append(ref.Shapes, dsp.Shape{Kind: dsp.Burst, Polarity: pol, Amp: 0.45})
		c = len(ref.Shapes) - 1
		for _, s := range out.sparks {
			put(&ref, s.t+w.sparkDelay+15e-6+0.1e-6*rng.NormFloat64(), c, 0)
		}
	}
	byPos := func(a, b dsp.Pulse) int {
		if a.Pos < b.Pos {
			return -1
		}
		return 1
	}
	slices.SortFunc(spark.Pulses, byPos)
	slices.SortFunc(ref.Pulses, byPos)
	out.trains = []dsp.Train{spark, ref}
	if w.swap {
		out.trains = []dsp.Train{ref, spark}
	}
	return out
}

func deg(x float64) *Degrees { d := Degrees(x); return &d }

func record(w world) Recording {
	return Recording{SampleRateHz: testRate, Channels: 2, Bits: 16, Encoding: "pcm", DurationS: w.prof.end()}
}
