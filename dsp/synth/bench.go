package synth

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"sort"
)

// Touch is a moment from which a pair of contacts has another resistance.
type Touch struct {
	AtS float64 // seconds from the start
	Ohm float64 // from then on; OpenOhm and above: open
}

// OpenOhm is the resistance of open contacts: what leaks over dirt.
const OpenOhm = 1e7

// Bench is a tone across a pair of contacts: a sound output drives it through
// a resistor, and an input listens at the far end of that resistor.
//
//	output ── SeriesOhm ──┬── LeadOhm ──┬─────────┬──────────┐
//	                      │             │         │         CoilOhm
//	                    input       contacts   condenser     │
//	                      │             │         │      CoilH ∥ LossOhm
//	                      └─────────────┴─────────┴──────────┘
//
// Between two touches the circuit is linear and of second order, and its
// voltage is known in closed form: the steady tone and two exponentials that
// carry on from what the coil and the condenser held. No step size enters.
type Bench struct {
	ToneHz    float64 // by the input's clock
	Level     float64 // of the output without load, peak, fraction of the input's full scale
	SeriesOhm float64 // the output's own resistance in it
	LeadOhm   float64 // leads, clips and what else is in series with the contacts
	InputOhm  float64

	CoilH      float64 // the coil's inductance, H; 0: no coil
	CoilOhm    float64 // its winding's resistance
	LossOhm    float64 // beside the inductance: what the core takes; 0: nothing
	CondenserF float64 // F; some cable is added

	Touches []Touch // in order of time; before the first the contacts are open
	StartS  float64 // when the tone begins; it grows for 0.1 s
	EndS    float64 // and when it ends; 0: never

	DriftDB float64 // the gain moves up and down by so many dB
	DriftS  float64 // in so many seconds
}

// Handled is contacts under a hand: closed at first, and from 1.5 s on n
// openings and closings by turns, a quarter of a second to a second apart. With
// each they touch and part at random moments for chatter seconds before they
// stay, and closed they have from closedOhm to three times that, anew each
// time. made are the changes, at their first touch or parting.
func Handled(r *rand.Rand, n int, closedOhm, chatter float64) (touches []Touch, made []Made) {
	ohm := func() float64 { return closedOhm * (1 + 2*r.Float64()) }
	touches = []Touch{{AtS: 0, Ohm: ohm()}}
	at := 1.5
	for i := range n {
		open := i%2 == 0
		made = append(made, Made{AtS: at, Open: open})
		to, from := ohm(), OpenOhm
		if open {
			to, from = from, to
		}
		touches = append(touches, Touch{AtS: at, Ohm: to})
		last := at
		if chatter > 0 {
			when := make([]float64, 6)
			for k := range when {
				when[k] = at + chatter*r.Float64()
			}
			slices.Sort(when)
			for k, t := range when {
				touches = append(touches, Touch{AtS: t, Ohm: []float64{from, to}[k%2]})
			}
			last = when[len(when)-1]
		}
		at = last + 0.25 + 0.75*r.Float64()
	}
	return touches, made
}

// Made is an opening or a closing of contacts.
type Made struct {
	AtS  float64 // seconds from the start
	Open bool
}

// cableF is the capacitance of two metres of screened cable, F (from memory,
// some 100 pF a metre).
const cableF = 200e-12

// Signal makes the bench's voltage at the input, sample by sample at rate. It
// has no band limit: the jumps at touches want one, see Recording.Fold.
func (b Bench) Signal(rate float64) (Signal, error) {
	for _, c := range []bound{
		{"tone (Hz)", b.ToneHz, 20, rate / 2}, {"level", b.Level, 0, 1000},
		{"series resistor (Ω)", b.SeriesOhm, 1, 1e6}, {"leads (Ω)", b.LeadOhm, 1e-4, 1e4}, {"input (Ω)", b.InputOhm, 100, 1e9},
		{"inductance (H)", b.CoilH, 0, 1000}, {"winding (Ω)", b.CoilOhm, 0, 1e5}, {"loss (Ω)", b.LossOhm, 0, 1e9},
		{"condenser (F)", b.CondenserF, 0, 1e-3}, {"drift (dB)", b.DriftDB, -60, 60}, {"drift's time (s)", b.DriftS, 0, 1e6},
	} {
		if !(c.v >= c.lo && c.v <= c.hi) {
			return nil, fmt.Errorf("synth: contact tone: %s is %g: want %g to %g", c.what, c.v, c.lo, c.hi)
		}
	}
	s := &benchSignal{b: b, rate: rate, pieces: make([]benchPiece, 0, len(b.Touches)+1)}
	w := 2 * math.Pi * b.ToneHz
	var x, y float64 // the condenser's voltage and the coil's current
	at, ohm := 0.0, OpenOhm
	for i := 0; ; i++ {
		p := b.piece(at, ohm, w)
		if i > 0 { // carry on
			u, v := p.steady(phasor(at, w))
			p.u, p.v = x-u, y-v
		}
		s.pieces = append(s.pieces, p)
		if i == len(b.Touches) {
			return s, nil
		}
		t := b.Touches[i]
		if !(t.AtS >= at) || !(t.Ohm > 0) {
			return nil, fmt.Errorf("synth: contact tone: touch %d at %g s of %g Ω: want rising times and resistances above 0", i+1, t.AtS, t.Ohm)
		}
		x, y = p.at(t.AtS, phasor(t.AtS, w))
		at, ohm = t.AtS, t.Ohm
	}
}

// benchPiece is the circuit between two touches.
type benchPiece struct {
	fromS      float64
	a, b, c, d float64    // rates of change of voltage and current, 1/s: [a b; c d]
	mean       complex128 // of the two eigenvalues
	root       complex128 // half their difference
	sx, sy     complex128 // the steady tone, as phasors of a sine
	u, v       float64    // what is left of before, at fromS
}

// piece solves the circuit for contacts of some resistance.
func (b Bench) piece(from, ohm, w float64) benchPiece {
	source := b.SeriesOhm * b.InputOhm / (b.SeriesOhm + b.InputOhm)
	emf := b.InputOhm / (b.SeriesOhm + b.InputOhm)
	g := 1 / (source + b.LeadOhm)
	cap := b.CondenserF + cableF
	k, loss := 1.0, 0.0 // the part of the voltage behind the winding that is the inductance's
	if b.LossOhm > 0 {
		k, loss = b.LossOhm/(b.LossOhm+b.CoilOhm), 1/b.LossOhm
	}
	p := benchPiece{fromS: from, a: -(g + 1/ohm) / cap}
	if b.CoilH > 0 {
		p.a -= k * loss / cap
		p.b, p.c, p.d = -k/cap, k/b.CoilH, -k*b.CoilOhm/b.CoilH
	} else {
		p.d = -1e3 // a current that nothing drives and that drives nothing
	}
	p.mean = complex((p.a+p.d)/2, 0)
	p.root = cmplx.Sqrt(complex((p.a-p.d)*(p.a-p.d)/4+p.b*p.c, 0))
	// (jω - A)·(sx, sy) = (g·emf/cap, 0)
	ja, jd := complex(-p.a, w), complex(-p.d, w)
	det := ja*jd - complex(p.b*p.c, 0)
	drive := complex(g*emf/cap, 0)
	p.sx, p.sy = drive*jd/det, drive*complex(p.c, 0)/det
	return p
}

// phasor is the tone's phase at a moment.
func phasor(t, w float64) complex128 { return cmplx.Rect(1, math.Mod(w*t, 2*math.Pi)) }

// steady is voltage and current of the steady tone at a phase.
func (p *benchPiece) steady(e complex128) (x, y float64) {
	return imag(p.sx * e), imag(p.sy * e)
}

// at is voltage and current at a moment of the piece, e the tone's phase then,
// for a tone of height 1.
func (p *benchPiece) at(t float64, e complex128) (x, y float64) {
	x, y = p.steady(e)
	if p.u == 0 && p.v == 0 {
		return x, y
	}
	dt := complex(t-p.fromS, 0)
	slow := p.mean + p.root
	if real(slow*dt) < -60 {
		return x, y
	}
	// exp(A·t) = (e⁺ + e⁻)/2·I + (e⁺ - e⁻)/(2·root)·(A - mean·I)
	plus, minus := cmplx.Exp(slow*dt), cmplx.Exp((p.mean-p.root)*dt)
	even := real(plus+minus) / 2
	odd := real(dt * plus)
	if cmplx.Abs(p.root*dt) > 1e-9 {
		odd = real((plus - minus) / (2 * p.root))
	}
	m := real(p.mean)
	x += even*p.u + odd*((p.a-m)*p.u+p.b*p.v)
	y += even*p.v + odd*(p.c*p.u+(p.d-m)*p.v)
	return x, y
}

type benchSignal struct {
	b      Bench
	rate   float64
	pieces []benchPiece
}

// toneRiseS is how long a tone takes to grow, in a raised cosine.
const toneRiseS = 0.1

// AddTo adds the input's voltage to dst, whose first sample is number first.
func (s *benchSignal) AddTo(dst []float64, first int64) {
	w := 2 * math.Pi * s.b.ToneHz
	i := sort.Search(len(s.pieces), func(i int) bool { return s.pieces[i].fromS > float64(first)/s.rate }) - 1
	i = max(i, 0)
	source := s.b.SeriesOhm * s.b.InputOhm / (s.b.SeriesOhm + s.b.InputOhm)
	emf := s.b.InputOhm / (s.b.SeriesOhm + s.b.InputOhm)
	share := s.b.LeadOhm / (source + s.b.LeadOhm) // of the way from the condenser's voltage to the source's
	drift := s.b.DriftDB != 0 && s.b.DriftS > 0
	turn := phasor(1/s.rate, w)
	var e complex128
	for n := range dst {
		k := first + int64(n)
		t := float64(k) / s.rate
		if n == 0 || k%benchBlock == 0 {
			// Within blocks at fixed places the phase turns by multiplication.
			start := k / benchBlock * benchBlock
			e = phasor(float64(start)/s.rate, w)
			for ; start < k; start++ {
				e *= turn
			}
		} else {
			e *= turn
		}
		for i+1 < len(s.pieces) && s.pieces[i+1].fromS <= t {
			i++
		}
		on := t - s.b.StartS
		if on <= 0 || s.b.EndS > 0 && t >= s.b.EndS {
			continue
		}
		x, _ := s.pieces[i].at(t, e)
		v := x + share*(emf*imag(e)-x)
		if on < toneRiseS {
			v *= 0.5 - 0.5*math.Cos(math.Pi*on/toneRiseS)
		}
		if drift {
			v *= math.Pow(10, s.b.DriftDB/20*math.Sin(2*math.Pi*t/s.b.DriftS))
		}
		dst[n] += s.b.Level * v
	}
}

// benchBlock is how many samples the phase turns by multiplication.
const benchBlock = 128
