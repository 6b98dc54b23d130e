package engine

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strconv"
	"strings"
)

// CurvePoint is one point of an advance curve.
type CurvePoint struct {
	RPM        float64 // speed averaged over one revolution, > 0
	AdvanceDeg float64 // degrees before top dead centre
}

// Curve is an advance over speed: straight lines between its points, constant
// beyond them. One point alone is a fixed ignition.
type Curve []CurvePoint

// At is the advance at a speed, degrees before top dead centre.
func (c Curve) At(rpm float64) float64 {
	i := sort.Search(len(c), func(i int) bool { return c[i].RPM >= rpm })
	switch {
	case i == 0:
		return c[0].AdvanceDeg
	case i == len(c):
		return c[len(c)-1].AdvanceDeg
	}
	a, b := c[i-1], c[i]
	return a.AdvanceDeg + (b.AdvanceDeg-a.AdvanceDeg)*(rpm-a.RPM)/(b.RPM-a.RPM)
}

// Validate says what is wrong with the curve, or nil.
func (c Curve) Validate() error {
	if len(c) == 0 {
		return fmt.Errorf("engine: advance curve is empty: want at least one point")
	}
	for i, p := range c {
		if !(p.RPM > 0 && p.RPM <= MaxRPM) || !(p.AdvanceDeg > -180 && p.AdvanceDeg <= 180) {
			return fmt.Errorf("engine: advance curve, point %d: %g rpm, %g°: want up to %g rpm and angles in (-180, 180]", i+1, p.RPM, p.AdvanceDeg, MaxRPM)
		}
		if i > 0 && p.RPM <= c[i-1].RPM {
			return fmt.Errorf("engine: advance curve, point %d: %g rpm after %g: want rising speeds", i+1, p.RPM, c[i-1].RPM)
		}
	}
	return nil
}

// ParseCurve reads "18" (fixed) or "1200:10, 3200:22" (rpm:degrees, straight
// lines between).
func ParseCurve(text string) (Curve, error) {
	var c Curve
	parts := strings.Split(text, ",")
	for _, s := range parts {
		s = strings.TrimSpace(s)
		rpm, deg, pair := strings.Cut(s, ":")
		if !pair {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil || len(parts) > 1 {
				return nil, fmt.Errorf("engine: advance curve %q: want degrees (18) or rpm:degrees pairs (1200:10, 3200:22)", text)
			}
			c = append(c, CurvePoint{RPM: 1, AdvanceDeg: v})
			continue
		}
		r, err1 := strconv.ParseFloat(strings.TrimSpace(rpm), 64)
		d, err2 := strconv.ParseFloat(strings.TrimSpace(deg), 64)
		if err1 != nil || err2 != nil {
			return nil, fmt.Errorf("engine: advance curve, point %q: want rpm:degrees, e.g. 1200:10", s)
		}
		c = append(c, CurvePoint{RPM: r, AdvanceDeg: d})
	}
	if err := c.Validate(); err != nil {
		return nil, err
	}
	return c, nil
}

// Kind says what an event of the engine is.
type Kind string

// The kinds of events. Missed ones did not happen: their times are where the
// event would have been.
const (
	Spark           Kind = "spark"
	Repeated        Kind = "repeated" // a further spark shortly after the first of a firing
	Missed          Kind = "missed"
	Reference       Kind = "reference"
	MissedReference Kind = "missed-reference"
	Closing         Kind = "closing" // the contacts close: dwell begins
)

// Event is one true event, before any pick-up's delay.
type Event struct {
	Kind       Kind
	TimeS      float64 // seconds from the start of the motion; may lie outside the profile, see Engine.Run
	AngleDeg   float64 // unwrapped crank angle, degrees forwards; 0 is a top dead centre of cylinder 1
	AdvanceDeg float64 // before the top dead centre of its own cylinder, (-180, 180]; for references the reference angle of this magnet
	RPM        float64 // averaged over the revolution centred on the event
	MomentRPM  float64 // momentary speed
	Revolution int     // whole revolutions since the first recorded reference event, which is 0; -1 before it
	Cylinder   int     // from 1; 0 for references
	Magnet     int     // from 1 for references; else 0
	EndS       float64 // references: when the magnet has passed (ClosedDeg later); else equal to TimeS
	Strength   float64 // relative size: 1 for a spark, less for a repeated one
}

// Engine is everything that decides when sparks and references truly happen.
// Default gives a small two-stroke.
type Engine struct {
	Profile     Profile
	Fluctuation float64 // δ = (fastest - slowest)/mean within one revolution, 0 to 1.8
	FastestDeg  float64 // crank angle after top dead centre at which it is fastest, degrees
	StartDeg    float64 // crank angle at time 0, degrees after a top dead centre of cylinder 1
	Jerk        float64 // unsteadiness as of an engine turned by hand, 0 to 0.9, see Profile.Jerky

	Advance        Curve
	LagS           float64 // the ignition's own lag from its trigger to the spark, s, >= 0: real retard
	ScatterDeg     float64 // standard deviation of a normal scatter, degrees, >= 0
	AlternatingDeg float64 // firings alternate by ± half of this, degrees

	// Faults that come with time and with speed.
	DriftDeg      float64 // by how much earlier it fires at the profile's end than at its beginning, in proportion to time, degrees
	TurnDeg       float64 // by how much earlier it fires once its plate was turned, degrees,
	TurnAtS       float64 // which is at this time, s
	StickingDeg   float64 // by how much earlier it fires while the speed rises than while it falls, half either way, degrees
	ScatterGrowth float64 // scatter at the profile's fastest speed, times ScatterDeg, in proportion to speed from ScatterDeg at its slowest; 0: it does not grow
	BreakUpRPM    float64 // above it, rpm,
	BreakUpShare  float64 // so great a share of the firings has no spark besides the misses of all speeds, 0..1; 0: none

	EveryRevolutions int       // a cylinder fires every n-th revolution: 1 two-stroke or wasted spark, 2 four-stroke
	CylinderDeg      []float64 // firing offsets of the cylinders, degrees forwards from cylinder 1; {0} for one

	MissProbability   float64 // of a spark not to happen, 0..1
	RepeatProbability float64 // of a further spark, 0..1
	RepeatFromDeg     float64 // and where: uniformly from … to … degrees after the first
	RepeatToDeg       float64
	ClosingDeg        float64 // contacts close this many degrees after the spark; 0: no such event

	ReferenceDeg          float64   // crank degrees before top dead centre of the first magnet's true event
	MagnetDeg             []float64 // offsets of the magnets, degrees forwards from the first; {0} for one
	ClosedDeg             float64   // how long a magnet acts, crank degrees
	ReferenceMissProb     float64   // of a reference event not to be recorded, 0..1
	MissedReferenceAtRevs []int     // whole revolutions whose reference events are lost besides

	Seed uint64 // of scatter, misses and repeats
}

// Default is an invented single-cylinder two-stroke: fixed ignition 18° before
// top dead centre with half a degree of scatter, a magnet that acts from 30°
// before top dead centre for 14°, idling, revved and idling again in 10 s.
func Default() Engine {
	p, _ := ParseProfile("1300 hold 2s, swing 6000 in 3s, hold 1s, swing 1300 in 3s, hold 1s")
	return Engine{
		Profile:          p,
		Fluctuation:      0.04,
		FastestDeg:       60,
		StartDeg:         200,
		Advance:          Curve{{RPM: 1, AdvanceDeg: 18}},
		ScatterDeg:       0.5,
		EveryRevolutions: 1,
		CylinderDeg:      []float64{0},
		RepeatFromDeg:    5,
		RepeatToDeg:      15,
		ReferenceDeg:     30,
		MagnetDeg:        []float64{0},
		ClosedDeg:        14,
		Seed:             1,
	}
}

// EqualMagnets gives the offsets of n magnets equally spaced round the
// flywheel. n must be positive.
func EqualMagnets(n int) []float64 {
	d := make([]float64, n)
	for i := range d {
		d[i] = 360 * float64(i) / float64(n)
	}
	return d
}

// Validate says what is wrong with the engine, or nil.
func (e Engine) Validate() error {
	if err := e.Profile.Validate(); err != nil {
		return err
	}
	if err := e.Advance.Validate(); err != nil {
		return err
	}
	checks := []struct {
		what   string
		v      float64
		lo, hi float64
	}{
		{"speed fluctuation", e.Fluctuation, 0, 1.8},
		{"angle of fastest speed (degrees)", e.FastestDeg, -720, 720},
		{"start angle (degrees)", e.StartDeg, -720, 720},
		{"jerk", e.Jerk, 0, 0.9},
		{"ignition lag (s)", e.LagS, 0, 0.1},
		{"scatter (degrees)", e.ScatterDeg, 0, 30},
		{"alternating scatter (degrees)", e.AlternatingDeg, -60, 60},
		{"drift (degrees)", e.DriftDeg, -60, 60},
		{"turn of the plate (degrees)", e.TurnDeg, -60, 60},
		{"time of the turn (s)", e.TurnAtS, 0, 1e6},
		{"difference of sticking (degrees)", e.StickingDeg, -60, 60},
		{"growth of the scatter", e.ScatterGrowth, 0, 30},
		{"speed of breaking up (rpm)", e.BreakUpRPM, 0, MaxRPM},
		{"share of breaking up", e.BreakUpShare, 0, 1},
		{"miss probability", e.MissProbability, 0, 1},
		{"repeat probability", e.RepeatProbability, 0, 1},
		{"start of repeats (degrees)", e.RepeatFromDeg, 0, 90},
		{"end of repeats (degrees)", e.RepeatToDeg, e.RepeatFromDeg, 90},
		{"closing angle (degrees)", e.ClosingDeg, 0, 359},
		{"reference angle (degrees)", e.ReferenceDeg, -180, 180},
		{"closed angle (degrees)", e.ClosedDeg, 0.1, 359},
		{"probability of a lost reference", e.ReferenceMissProb, 0, 1},
	}
	for _, c := range checks {
		if !(c.v >= c.lo && c.v <= c.hi) {
			return fmt.Errorf("engine: %s is %g: want %g to %g", c.what, c.v, c.lo, c.hi)
		}
	}
	if e.EveryRevolutions < 1 || e.EveryRevolutions > 2 {
		return fmt.Errorf("engine: fires every %d revolutions: want 1 or 2", e.EveryRevolutions)
	}
	for _, l := range []struct {
		what string
		v    []float64
	}{{"cylinder", e.CylinderDeg}, {"magnet", e.MagnetDeg}} {
		if len(l.v) < 1 || len(l.v) > 60 {
			return fmt.Errorf("engine: %d %s offsets: want 1 to 60", len(l.v), l.what)
		}
		for i, d := range l.v {
			if !(d >= 0 && d < 720) || (i == 0 && d != 0) || (i > 0 && d <= l.v[i-1]) {
				return fmt.Errorf("engine: %s offset %d is %g°: want rising offsets that begin with 0 and stay below 720", l.what, i+1, d)
			}
		}
	}
	if e.MagnetDeg[len(e.MagnetDeg)-1] >= 360 {
		return fmt.Errorf("engine: magnet offset %g°: want less than 360", e.MagnetDeg[len(e.MagnetDeg)-1])
	}
	return nil
}

// streams of random numbers: each purpose its own, so that switching one
// effect on leaves every other one as it was.
const (
	streamScatter uint64 = iota + 1
	streamMiss
	streamRepeat
	streamReference
)

// Run lists all events in order of time, from one revolution before the start
// of the profile to one after its end, so that what hangs over the edges of a
// recording is there too. What an engine that stands still never reaches is
// left out.
func (e Engine) Run() ([]Event, error) {
	if err := e.Validate(); err != nil {
		return nil, err
	}
	profile := e.Profile
	if e.Jerk > 0 {
		profile = profile.Jerky(e.Jerk, e.Seed)
	}
	m, err := NewMotion(profile, e.Fluctuation, e.FastestDeg, e.StartDeg)
	if err != nil {
		return nil, err
	}
	duration := e.Profile.DurationS()
	first := int(math.Floor(e.StartDeg/360)) - 2
	last := int(math.Ceil(m.AngleAt(duration)/360)) + 2
	scatter := rand.New(rand.NewPCG(e.Seed, streamScatter))
	miss := rand.New(rand.NewPCG(e.Seed, streamMiss))
	repeat := rand.New(rand.NewPCG(e.Seed, streamRepeat))
	lost := rand.New(rand.NewPCG(e.Seed, streamReference))

	var out []Event
	add := func(v Event) {
		if math.IsInf(v.TimeS, 0) || math.IsNaN(v.TimeS) {
			return
		}
		v.RPM, v.MomentRPM = m.MeanRPM(v.AngleDeg), m.RPMAt(v.TimeS)
		if v.EndS == 0 {
			v.EndS = v.TimeS
		}
		out = append(out, v)
	}
	// References first: revolutions are counted from the first one recorded.
	for k := first; k <= last; k++ {
		for j, off := range e.MagnetDeg {
			deg := 360*float64(k) - e.ReferenceDeg + off
			v := Event{Kind: Reference, TimeS: m.TimeAt(deg), AngleDeg: deg, AdvanceDeg: wrap(e.ReferenceDeg - off),
				Magnet: j + 1, EndS: m.TimeAt(deg + e.ClosedDeg), Strength: 1}
			if lost.Float64() < e.ReferenceMissProb {
				v.Kind = MissedReference
			}
			add(v)
		}
	}
	zero := math.NaN() // angle of the first reference event inside the recording
	for _, v := range out {
		if v.TimeS >= 0 && v.Magnet == 1 && v.Kind == Reference {
			zero = v.AngleDeg
			break
		}
	}
	if math.IsNaN(zero) {
		zero = 0
	}
	for i := range out {
		out[i].Revolution = int(math.Floor((out[i].AngleDeg-zero)/360 + 1e-9))
		for _, r := range e.MissedReferenceAtRevs {
			if out[i].Revolution == r {
				out[i].Kind = MissedReference
			}
		}
	}
	n := 0
	for k := first; k <= last; k++ {
		if mod(k, e.EveryRevolutions) != 0 {
			continue
		}
		for cyl, off := range e.CylinderDeg {
			tdc := 360*float64(k) + off
			n++
			normal := scatter.NormFloat64()
			// The speed that sets the advance is the one around the spark
			// itself; three rounds settle it to far below a nanodegree for
			// curves of up to some 10° per 1000 rpm.
			adv := e.Advance.At(m.MeanRPM(tdc))
			for range 3 {
				adv = e.Advance.At(m.MeanRPM(tdc - adv))
			}
			shift := e.scatterAt(m.MeanRPM(tdc-adv)) * normal
			if n%2 == 0 {
				shift += e.AlternatingDeg / 2
			} else {
				shift -= e.AlternatingDeg / 2
			}
			shift += e.wander(m, tdc-adv, duration)
			t := m.TimeAt(tdc-adv-shift) + e.LagS
			if math.IsInf(t, 0) {
				miss.Float64()
				for range 3 {
					repeat.Float64()
				}
				continue
			}
			deg := m.AngleAt(t)
			v := Event{Kind: Spark, TimeS: t, AngleDeg: deg, AdvanceDeg: wrap(tdc - deg), Cylinder: cyl + 1, Strength: 1}
			v.Revolution = int(math.Floor((deg - zero) / 360))
			chanceOfNone := e.MissProbability
			if e.BreakUpShare > 0 && m.MeanRPM(deg) > e.BreakUpRPM {
				chanceOfNone = 1 - (1-e.MissProbability)*(1-e.BreakUpShare)
			}
			if miss.Float64() < chanceOfNone {
				v.Kind = Missed
			}
			add(v)
			// Drawn even when not used, for the same reason as the streams.
			chance, where, size := repeat.Float64(), repeat.Float64(), repeat.Float64()
			if v.Kind == Spark && chance < e.RepeatProbability {
				w := v
				w.Kind, w.AngleDeg = Repeated, deg+e.RepeatFromDeg+where*(e.RepeatToDeg-e.RepeatFromDeg)
				w.TimeS = m.TimeAt(w.AngleDeg)
				w.EndS = w.TimeS
				w.AdvanceDeg = wrap(tdc - w.AngleDeg)
				w.Revolution = int(math.Floor((w.AngleDeg - zero) / 360))
				w.Strength = 0.4 + 0.5*size
				add(w)
			}
			if e.ClosingDeg > 0 {
				w := v
				w.Kind, w.AngleDeg = Closing, deg+e.ClosingDeg
				w.TimeS = m.TimeAt(w.AngleDeg)
				w.EndS = w.TimeS
				w.AdvanceDeg = wrap(tdc - w.AngleDeg)
				w.Revolution = int(math.Floor((w.AngleDeg - zero) / 360))
				add(w)
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].TimeS < out[j].TimeS })
	return out, nil
}

// scatterAt is the standard deviation of the advance at a speed, degrees.
func (e Engine) scatterAt(rpm float64) float64 {
	if e.ScatterGrowth == 0 || math.IsNaN(rpm) { // no speed where it stands still
		return e.ScatterDeg
	}
	lo, hi := math.Inf(1), 0.0
	for _, s := range e.Profile {
		lo, hi = min(lo, s.FromRPM, s.ToRPM), max(hi, s.FromRPM, s.ToRPM)
	}
	if !(hi > lo) {
		return e.ScatterDeg
	}
	return e.ScatterDeg * (1 + (e.ScatterGrowth-1)*max(0, min(1, (rpm-lo)/(hi-lo))))
}

// wander is by how much earlier than its curve it fires at a crank angle by
// drift, a turn of the plate and sticking, degrees. duration is the profile's, seconds.
func (e Engine) wander(m *Motion, deg, duration float64) float64 {
	early := 0.0
	if e.DriftDeg != 0 {
		early = e.DriftDeg * max(0, min(1, m.TimeAt(deg)/duration))
	}
	if e.TurnDeg != 0 && m.TimeAt(deg) >= e.TurnAtS {
		early += e.TurnDeg
	}
	if e.StickingDeg != 0 {
		// Rising or falling: by more than risingShare over ten turns around.
		const turns, risingShare = 5 * 360, 0.004
		switch d := (m.MeanRPM(deg+turns) - m.MeanRPM(deg-turns)) / m.MeanRPM(deg); {
		case d > risingShare:
			early += e.StickingDeg / 2
		case d < -risingShare:
			early -= e.StickingDeg / 2
		}
	}
	return early
}

// wrap brings an angle into (-180, 180].
func wrap(deg float64) float64 {
	return deg - 360*math.Ceil((deg-180)/360)
}

func mod(k, n int) int {
	return ((k % n) + n) % n
}
