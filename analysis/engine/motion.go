package engine

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Speed limits of a profile, rpm; 0, a standstill, is allowed besides. The
// lower one is an engine turned slowly by hand, the upper one is beyond any
// engine the instrument is meant for.
const (
	MinRPM = 10.0
	MaxRPM = 30000.0
)

// Course says how the speed gets from the start of a segment to its end.
type Course int

const (
	// Linear changes the speed at a constant rate; with equal ends it holds.
	Linear Course = iota
	// Smooth is half a cosine: the rate is zero at both ends.
	Smooth
)

// Segment is one piece of a speed profile.
type Segment struct {
	FromRPM, ToRPM float64 // speed at its start and end, rpm, averaged over crank angle; 0: standing still
	DurationS      float64 // seconds, > 0
	Course         Course
}

// Profile is a speed over time, in order, without gaps. Before its start and
// after its end the first and last speed hold for ever.
type Profile []Segment

// DurationS is the length of the profile in seconds.
func (p Profile) DurationS() float64 {
	var d float64
	for _, s := range p {
		d += s.DurationS
	}
	return d
}

// Validate says what is wrong with the profile, or nil.
func (p Profile) Validate() error {
	if len(p) == 0 {
		return fmt.Errorf("engine: speed profile is empty: want at least one segment")
	}
	turns := false
	for i, s := range p {
		for _, v := range []float64{s.FromRPM, s.ToRPM} {
			if v != 0 && !(v >= MinRPM && v <= MaxRPM) {
				return fmt.Errorf("engine: speed profile, segment %d: %g rpm: want %g to %g, or 0 for a standstill", i+1, v, MinRPM, MaxRPM)
			}
			turns = turns || v > 0
		}
		if !(s.DurationS > 0 && s.DurationS <= 86400) {
			return fmt.Errorf("engine: speed profile, segment %d: lasts %g s: want more than 0 and at most a day", i+1, s.DurationS)
		}
	}
	if !turns {
		return fmt.Errorf("engine: speed profile: it stands still from start to end: want it to turn at some time")
	}
	return nil
}

// Jerky is the profile as an unsteady hand would follow it: about three times
// a turn, at moments and by factors drawn at random, its speed goes smoothly to
// another one, up to jerk (a fraction, 0 to 0.9) above or below what the
// profile says. Standstills and the length in seconds stay.
func (p Profile) Jerky(jerk float64, seed uint64) Profile {
	const perTurn = 3
	r := rand.New(rand.NewPCG(seed, 0x6a65726b))
	var out Profile
	factor := 1.0
	for _, s := range p {
		m := motionSegment{Segment: s, v0: 6 * s.FromRPM, v1: 6 * s.ToRPM}
		for at, from := 0.0, s.FromRPM*factor; at < s.DurationS; {
			now := max(m.speed(at)/6, MinRPM)
			step := 60 / now / perTurn * (0.5 + r.Float64())
			if s.FromRPM == 0 && s.ToRPM == 0 || s.DurationS-at < 1.5*step {
				step = s.DurationS - at // no crumbs at the end
			}
			factor = 1 + jerk*(2*r.Float64()-1)
			to := m.speed(at+step) / 6 * factor
			if at+step == s.DurationS {
				to = s.ToRPM * factor // exactly
			}
			if to != 0 {
				to = min(max(to, MinRPM), MaxRPM)
			}
			out = append(out, Segment{FromRPM: from, ToRPM: to, DurationS: step, Course: Smooth})
			at, from = at+step, to
		}
	}
	// The next begins with the speed that the last ended with.
	for i := range out {
		if i > 0 {
			out[i].FromRPM = out[i-1].ToRPM
		}
	}
	return out
}

// ProfileGrammar explains the text that ParseProfile reads.
const ProfileGrammar = `A speed profile is a list of steps, separated by commas:
  RPM hold DURATION        start at RPM and hold it (only the first step names RPM)
  hold DURATION            hold the speed reached
  ramp RPM in DURATION     go to RPM at a constant rate
  ramp RPM at RATE         the same, RATE in rpm per second
  swing RPM in DURATION    go to RPM smoothly (half a cosine)
  blip RPM at RATE         up to RPM at RATE and straight back down
DURATION is like 2s, 350ms or 1m30s; a speed of 0 is a standstill. Example:
  1200 hold 2s, ramp 6000 in 3s, hold 1s, blip 9000 at 15000, swing 1200 in 2s`

// ParseProfile reads a speed profile in the words of ProfileGrammar.
func ParseProfile(text string) (Profile, error) {
	var p Profile
	speed := math.NaN()
	for n, step := range strings.Split(text, ",") {
		bad := func(what string) error {
			return fmt.Errorf("engine: speed profile, step %d %q: %s", n+1, strings.TrimSpace(step), what)
		}
		w := strings.Fields(step)
		if n == 0 {
			if len(w) == 0 {
				return nil, bad("it is empty: want e.g. \"1200 hold 2s\"")
			}
			v, err := strconv.ParseFloat(w[0], 64)
			if err != nil {
				return nil, bad("want it to begin with a speed in rpm, like \"1200 hold 2s\"")
			}
			speed, w = v, w[1:]
		}
		switch {
		case len(w) == 2 && w[0] == "hold":
			d, err := time.ParseDuration(w[1])
			if err != nil {
				return nil, bad(fmt.Sprintf("%q is no duration: want e.g. 2s or 350ms", w[1]))
			}
			p = append(p, Segment{FromRPM: speed, ToRPM: speed, DurationS: d.Seconds()})
		case len(w) == 4 && (w[0] == "ramp" || w[0] == "swing" || w[0] == "blip"):
			to, err := strconv.ParseFloat(w[1], 64)
			if err != nil {
				return nil, bad(fmt.Sprintf("%q is no speed: want rpm, e.g. 6000", w[1]))
			}
			if to == speed {
				return nil, bad("that speed is reached already: want hold")
			}
			var seconds float64
			switch {
			case w[2] == "in" && w[0] != "blip":
				d, err := time.ParseDuration(w[3])
				if err != nil {
					return nil, bad(fmt.Sprintf("%q is no duration: want e.g. 2s or 350ms", w[3]))
				}
				seconds = d.Seconds()
			case w[2] == "at" && w[0] != "swing":
				r, err := strconv.ParseFloat(w[3], 64)
				if err != nil || !(r > 0) {
					return nil, bad(fmt.Sprintf("%q is no rate: want rpm per second, e.g. 5000", w[3]))
				}
				seconds = math.Abs(to-speed) / r
			default:
				return nil, bad("want \"ramp RPM in DURATION\", \"ramp RPM at RATE\", \"swing RPM in DURATION\" or \"blip RPM at RATE\"")
			}
			c := Linear
			if w[0] == "swing" {
				c = Smooth
			}
			p = append(p, Segment{FromRPM: speed, ToRPM: to, DurationS: seconds, Course: c})
			if w[0] == "blip" {
				p = append(p, Segment{FromRPM: to, ToRPM: speed, DurationS: seconds})
			} else {
				speed = to
			}
		default:
			return nil, bad("want hold, ramp, swing or blip")
		}
	}
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return p, nil
}

// Motion is the crankshaft's angle as a function of time and back, in closed
// form. Build one with NewMotion.
//
// Within the revolution the speed is mean(t)·(1 + (δ/2)·cos(θ-θ0)): δ is the
// coefficient of speed fluctuation, (fastest - slowest)/mean with the mean
// taken over crank angle. Separating the variables gives
//
//	∫ dθ/(1 + (δ/2)·cos(θ-θ0)) = ∫ mean(t) dt
//
// and both sides have elementary integrals (the left one is the half-angle
// substitution known from Kepler's equation), so no step size enters.
type Motion struct {
	segs  []motionSegment
	eps   float64 // δ/2
	theta float64 // θ0, degrees
	u0    float64 // left side at the angle of time 0
}

type motionSegment struct {
	Segment
	t, u   float64 // time (s) and ∫mean dt (degrees) at its start
	v0, v1 float64 // degrees per second
}

// NewMotion prepares a motion. fluctuation is δ, 0 to 1.8; fastestDeg is θ0,
// the crank angle at which the crankshaft is fastest; startDeg is the crank
// angle at time 0. Both angles grow forwards from top dead centre.
func NewMotion(p Profile, fluctuation, fastestDeg, startDeg float64) (*Motion, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if !(fluctuation >= 0 && fluctuation <= 1.8) {
		return nil, fmt.Errorf("engine: speed fluctuation %g: want 0 to 1.8", fluctuation)
	}
	if math.IsNaN(fastestDeg+startDeg) || math.IsInf(fastestDeg+startDeg, 0) {
		return nil, fmt.Errorf("engine: angle of fastest speed %g° or of the start %g°: want finite numbers", fastestDeg, startDeg)
	}
	m := &Motion{eps: fluctuation / 2, theta: fastestDeg}
	m.u0 = m.even(startDeg)
	var t, u float64
	for _, s := range p {
		ms := motionSegment{Segment: s, t: t, u: u, v0: 6 * s.FromRPM, v1: 6 * s.ToRPM}
		m.segs = append(m.segs, ms)
		t += s.DurationS
		u += s.DurationS * (ms.v0 + ms.v1) / 2 // both courses average to the middle
	}
	return m, nil
}

// even maps crank angle to the angle an engine without fluctuation would
// have turned: ∫dθ/(1+ε·cos(θ-θ0)), degrees.
func (m *Motion) even(deg float64) float64 {
	if m.eps == 0 {
		return deg
	}
	x := deg - m.theta
	k := math.Floor((x + 180) / 360)
	h := (x - 360*k) * math.Pi / 360
	a := math.Atan2(math.Sqrt(1-m.eps)*math.Sin(h), math.Sqrt(1+m.eps)*math.Cos(h))
	return (360*k + a*360/math.Pi) / math.Sqrt(1-m.eps*m.eps)
}

// uneven is the inverse of even.
func (m *Motion) uneven(u float64) float64 {
	if m.eps == 0 {
		return u
	}
	x := u * math.Sqrt(1-m.eps*m.eps)
	k := math.Floor((x + 180) / 360)
	h := (x - 360*k) * math.Pi / 360
	a := math.Atan2(math.Sqrt(1+m.eps)*math.Sin(h), math.Sqrt(1-m.eps)*math.Cos(h))
	return 360*k + a*360/math.Pi + m.theta
}

// turned is ∫mean dt from the segment's start to τ seconds after it, degrees.
func (s *motionSegment) turned(tau float64) float64 {
	if s.Course == Smooth {
		d := s.DurationS
		return s.v0*tau + (s.v1-s.v0)/2*(tau-d/math.Pi*math.Sin(math.Pi*tau/d))
	}
	return tau * (s.v0 + (s.v1-s.v0)/2*tau/s.DurationS)
}

// speed is the mean speed τ seconds after the segment's start, degrees per second.
func (s *motionSegment) speed(tau float64) float64 {
	if s.Course == Smooth {
		return s.v0 + (s.v1-s.v0)/2*(1-math.Cos(math.Pi*tau/s.DurationS))
	}
	return s.v0 + (s.v1-s.v0)*tau/s.DurationS
}

// when is the inverse of turned.
func (s *motionSegment) when(u float64) float64 {
	if u <= 0 {
		return 0
	}
	if s.Course == Linear {
		a := (s.v1 - s.v0) / s.DurationS
		return 2 * u / (s.v0 + math.Sqrt(max(0, s.v0*s.v0+2*a*u)))
	}
	lo, hi := 0.0, s.DurationS
	tau := u / ((s.v0 + s.v1) / 2)
	for range 80 {
		f := s.turned(tau) - u
		if f > 0 {
			hi = tau
		} else {
			lo = tau
		}
		next := tau - f/s.speed(tau)
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-tau) < 1e-15*(1+s.t) {
			return next
		}
		tau = next
	}
	return tau
}

func (m *Motion) at(t float64) (u, v float64) {
	i := sort.Search(len(m.segs), func(i int) bool { return m.segs[i].t > t }) - 1
	if i < 0 {
		return m.segs[0].v0 * t, m.segs[0].v0
	}
	s := &m.segs[i]
	tau := t - s.t
	if tau <= s.DurationS {
		return s.u + s.turned(tau), s.speed(tau)
	}
	return s.u + s.turned(s.DurationS) + s.v1*(tau-s.DurationS), s.v1
}

// AngleAt is the crank angle at t seconds, degrees, unwrapped.
func (m *Motion) AngleAt(t float64) float64 {
	u, _ := m.at(t)
	return m.uneven(m.u0 + u)
}

// RPMAt is the crankshaft's momentary speed at t seconds, fluctuation included.
func (m *Motion) RPMAt(t float64) float64 {
	u, v := m.at(t)
	x := (m.uneven(m.u0+u) - m.theta) * math.Pi / 180
	return v * (1 + m.eps*math.Cos(x)) / 6
}

// TimeAt is when the crankshaft passes the unwrapped angle, in seconds. It is
// the inverse of AngleAt and holds before and after the profile too; infinite
// for angles never passed since the engine stands there.
func (m *Motion) TimeAt(deg float64) float64 {
	u := m.even(deg) - m.u0
	i := sort.Search(len(m.segs), func(i int) bool { return m.segs[i].u > u }) - 1
	if i < 0 {
		return u / m.segs[0].v0
	}
	s := &m.segs[i]
	rest := u - s.u
	if end := s.turned(s.DurationS); rest > end {
		if i < len(m.segs)-1 { // by rounding alone
			return s.t + s.DurationS
		}
		return s.t + s.DurationS + (rest-end)/s.v1
	}
	return s.t + s.when(rest)
}

// MeanRPM is the speed averaged over the one revolution centred on the
// unwrapped angle: 60 s/min over the time that revolution takes.
func (m *Motion) MeanRPM(deg float64) float64 {
	return 60 / (m.TimeAt(deg+180) - m.TimeAt(deg-180))
}
