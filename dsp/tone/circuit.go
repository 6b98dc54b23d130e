package tone

import (
	"fmt"
	"math"
	"math/cmplx"
)

// Circuit is what the tone goes through: see the wiring in the project's
// README. Resistances in ohms, above 0 unless said otherwise.
type Circuit struct {
	SeriesOhm float64 // from the output to the input's socket, the output's own in it
	LeadOhm   float64 // in series with the contacts: leads, clips, the small resistor
	ClosedOhm float64 // of the closed contacts themselves
	InputOhm  float64

	CoilH      float64 // inductance of a coil that stays connected, H; 0: none
	CoilOhm    float64 // resistance of its winding; 0 and above
	CondenserF float64 // across the contacts, F; 0: none
}

// Usual values, from memory: line inputs are some 10 kΩ, test leads with clips
// 0.1 Ω, clean contacts 0.05 Ω. The small resistor of the wiring is 1 Ω.
const (
	UsualInputOhm  = 10e3
	UsualLeadOhm   = 1.1
	UsualClosedOhm = 0.05
)

// Validate says what is wrong with the circuit, or nil.
func (c Circuit) Validate() error {
	for _, x := range []struct {
		what      string
		v, lo, hi float64
		unit      string
		scale     float64
		orNone    bool
	}{
		{what: "series resistor", v: c.SeriesOhm, lo: 1, hi: 1e5, unit: "Ω", scale: 1},
		{what: "leads", v: c.LeadOhm, lo: 0.001, hi: 100, unit: "Ω", scale: 1},
		{what: "closed contacts", v: c.ClosedOhm, lo: 0.001, hi: 100, unit: "Ω", scale: 1},
		{what: "input", v: c.InputOhm, lo: 100, hi: 1e8, unit: "Ω", scale: 1},
		{what: "coil's inductance", v: c.CoilH, lo: 1e-5, hi: 10, unit: "mH", scale: 1e3, orNone: true},
		{what: "coil's resistance", v: c.CoilOhm, lo: 0, hi: 1000, unit: "Ω", scale: 1},
		{what: "condenser", v: c.CondenserF, lo: 1e-9, hi: 1e-4, unit: "µF", scale: 1e6, orNone: true},
	} {
		if x.orNone && x.v == 0 {
			continue
		}
		if !(x.v >= x.lo && x.v <= x.hi) {
			return fmt.Errorf("tone: %s of %g %s: want %g to %g %s", x.what, x.v*x.scale, x.unit, x.lo*x.scale, x.hi*x.scale, x.unit)
		}
	}
	return nil
}

// CoilImpedance is R + jωL, ohms; infinite without a coil.
func (c Circuit) CoilImpedance(hz float64) complex128 {
	if c.CoilH == 0 {
		return cmplx.Inf()
	}
	return complex(c.CoilOhm, 2*math.Pi*hz*c.CoilH)
}

// Behind is what lies between the input's two terminals with contacts of some
// resistance (infinite: open), ohms.
func (c Circuit) Behind(hz, contactOhm float64) complex128 {
	y := complex(1/contactOhm, 2*math.Pi*hz*c.CondenserF)
	if c.CoilH > 0 {
		y += 1 / c.CoilImpedance(hz)
	}
	in := 1 / complex(c.InputOhm, 0)
	if y == 0 {
		return 1 / in
	}
	return 1 / (in + 1/(complex(c.LeadOhm, 0)+1/y))
}

// Level is the part of the output's voltage that the input gets.
func (c Circuit) Level(hz, contactOhm float64) float64 {
	z := c.Behind(hz, contactOhm)
	return cmplx.Abs(z / (complex(c.SeriesOhm, 0) + z))
}

// OpenLevel and ClosedLevel are Level with open and with closed contacts.
func (c Circuit) OpenLevel(hz float64) float64 { return c.Level(hz, math.Inf(1)) }

// ClosedLevel is Level with closed contacts.
func (c Circuit) ClosedLevel(hz float64) float64 { return c.Level(hz, c.ClosedOhm) }

// Ratio is OpenLevel over ClosedLevel.
func (c Circuit) Ratio(hz float64) float64 { return c.OpenLevel(hz) / c.ClosedLevel(hz) }

// ResonanceHz is where coil and condenser resonate, 1/(2π√(L·C)); 0 without
// either.
func (c Circuit) ResonanceHz() float64 {
	if c.CoilH == 0 || c.CondenserF == 0 {
		return 0
	}
	return 1 / (2 * math.Pi * math.Sqrt(c.CoilH*c.CondenserF))
}

// tones are the tones to choose from, Hz, in the order in which they are
// wanted. Each lies 25 Hz from the nearest harmonics of 50 and of 60 Hz, as far
// as one can from both. Below 3 kHz a coil leaves less, and there is more of the
// mains; above it, its iron and its own capacitance take more.
var tones = [...]float64{UsualHz, 3625, 4225, 4825, 5425, 6025, 2425, 1825, 1225}

// UsualHz is the tone where nothing asks for another.
const UsualHz = 3025.0

// resistors are the values to choose the series resistor from, ohms (IEC 60063,
// series E6). Below 100 Ω a headphone output of 1 V would drive more than
// 10 mA, above 1 kΩ little is left for the input.
var resistors = [...]float64{100, 150, 220, 330, 470, 680, 1000}

// WorksAt is the least ratio of open to closed at which all changes were heard:
// sparkscope study contacts, dsp/study/contacts.txt.
const WorksAt = 1.8

// LeastRatio is the ratio that a tone should reach: five times WorksAt, so that
// contacts that are dirty, or a coil that is half of what was said, still work.
const LeastRatio = 9.0

// Candidate is a tone with the resistor that suits it.
type Candidate struct {
	ToneHz    float64
	SeriesOhm float64
	BehindOhm float64 // magnitude of what the input sees with open contacts
	Open      float64 // part of the output's voltage
	Closed    float64
	Ratio     float64
	Least     float64 // of Ratio, with the coil's inductance as far off as said
	Most      float64
	// Resonant says that the tone is too near the resonance of coil and
	// condenser for the ratio to be relied on: from 0.7 to 1.4 of its frequency.
	Resonant bool
}

// Choose finds the tone and the series resistor that suit a circuit, whose
// SeriesOhm it does not look at. tolerance is by what part the inductance may
// be off. It returns the choice and all candidates; best is the index of the
// choice, and enough says that its least ratio reaches LeastRatio.
//
// The resistor is the one nearest to twice what the input sees with open
// contacts: the ratio is then two thirds and more of the most that any resistor
// gives, and a third of the output's voltage is left. The tone is the usual one
// where its ratio is enough, else the nearest higher one, or a lower one where
// those are too near a resonance. Where none is enough, the one with the largest
// ratio is taken.
func Choose(c Circuit, tolerance float64) (all []Candidate, best int, enough bool, err error) {
	c.SeriesOhm = resistors[0]
	if err := c.Validate(); err != nil {
		return nil, 0, false, err
	}
	if !(tolerance >= 0 && tolerance <= 0.9) {
		return nil, 0, false, fmt.Errorf("tone: an inductance known to %g %%: want 0 to 90 %%", 100*tolerance)
	}
	best = -1
	for _, hz := range tones {
		x := Candidate{ToneHz: hz, BehindOhm: cmplx.Abs(c.Behind(hz, math.Inf(1)))}
		r := resistors[0]
		for _, v := range resistors {
			if math.Abs(math.Log(v/(2*x.BehindOhm))) < math.Abs(math.Log(r/(2*x.BehindOhm))) {
				r = v
			}
		}
		c.SeriesOhm, x.SeriesOhm = r, r
		x.Open, x.Closed, x.Ratio = c.OpenLevel(hz), c.ClosedLevel(hz), c.Ratio(hz)
		x.Least, x.Most = x.Ratio, x.Ratio
		for _, k := range []float64{1 - tolerance, 1 + tolerance} {
			d := c
			d.CoilH *= k
			x.Least, x.Most = math.Min(x.Least, d.Ratio(hz)), math.Max(x.Most, d.Ratio(hz))
		}
		if f := c.ResonanceHz(); f > 0 {
			x.Resonant = hz > 0.7*f/math.Sqrt(1+tolerance) && hz < 1.4*f/math.Sqrt(1-tolerance)
		}
		all = append(all, x)
	}
	for i, x := range all {
		if x.Least >= LeastRatio && !x.Resonant {
			return all, i, true, nil
		}
		if best < 0 || !x.Resonant && (all[best].Resonant || x.Least > all[best].Least) {
			best = i
		}
	}
	return all, best, all[best].Least >= LeastRatio, nil
}
