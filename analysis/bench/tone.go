package bench

import (
	"fmt"
	"math"
	"math/cmplx"

	"sparkscope/dsp/tone"
)

// ContactTone is what is known of the circuit that a contact tone goes through;
// see tone.Circuit. Nil: not said.
type ContactTone struct {
	CoilMH         *Quantity // inductance of the coil that stays connected, mH; nil: none does
	CoilOhm        *Quantity // its winding, Ω; belongs to CoilMH
	ToleranceShare *float64  // ± of the inductance, part of it; nil: 0.2
	CondenserUF    *Quantity // across the contacts, µF; nil: none
	LeadOhm        *float64  // leads and the small resistor; nil: tone.UsualLeadOhm
	ClosedOhm      *float64  // closed contacts; nil: tone.UsualClosedOhm
	InputOhm       *float64  // nil: tone.UsualInputOhm
}

// coilShare is how well an inductance is known, unless said: a coil's meter
// measures at another frequency than the tone's, and iron makes it differ
// (common practice, no source).
const coilShare = 0.2

// Solve finds the tone and the series resistor.
func (t ContactTone) Solve() (*Result, error) {
	r := &Result{Calculator: "contact-tone"}
	or := func(p *float64, fallback float64, key, name, unit string) float64 {
		v, how := fallback, "stated default, from memory"
		if p != nil {
			v, how = *p, "given"
		}
		r.inputs(key, name, trim(v)+space(unit), how, v)
		return v
	}
	c := tone.Circuit{}
	share := 0.0
	switch {
	case t.CoilMH != nil && t.CoilOhm == nil:
		return nil, refuse("coil-resistance", "The coil's inductance is given and its resistance is not.", "Give both; a meter on its winding, disconnected, shows the resistance.")
	case t.CoilMH == nil && t.CoilOhm != nil:
		return nil, refuse("coil-inductance", "The coil's resistance is given and its inductance is not.", "Give both; leave both out where the coil is disconnected.")
	case t.CoilMH == nil && t.ToleranceShare != nil:
		return nil, refuse("coil-inductance", "A tolerance is given for an inductance that is not.", "Give the inductance too.")
	case t.CoilMH != nil:
		c.CoilH, c.CoilOhm = t.CoilMH.Value/1e3, t.CoilOhm.Value
		how := assumed
		share = coilShare
		if t.ToleranceShare != nil {
			share, how = *t.ToleranceShare, "given"
		}
		r.inputs("coil_mh", "inductance of the coil", trim(t.CoilMH.Value)+" mH", origin(t.CoilMH), t.CoilMH.Value)
		r.inputs("coil_tolerance_share", "± of the inductance", trim(100*share)+" %", how, share)
		r.inputs("coil_ohm", "resistance of its winding", trim(t.CoilOhm.Value)+" Ω", origin(t.CoilOhm), t.CoilOhm.Value)
	}
	if t.CondenserUF != nil {
		c.CondenserF = t.CondenserUF.Value / 1e6
		r.inputs("condenser_uf", "condenser across the contacts", trim(t.CondenserUF.Value)+" µF", origin(t.CondenserUF), t.CondenserUF.Value)
	}
	c.LeadOhm = or(t.LeadOhm, tone.UsualLeadOhm, "lead_ohm", "leads and the small resistor, R2", "Ω")
	c.ClosedOhm = or(t.ClosedOhm, tone.UsualClosedOhm, "closed_ohm", "closed contacts, Rc", "Ω")
	c.InputOhm = or(t.InputOhm, tone.UsualInputOhm, "input_ohm", "sound input, Ri", "Ω")
	all, best, enough, err := tone.Choose(c, share)
	if err != nil {
		return nil, err
	}
	x := all[best]
	c.SeriesOhm = x.SeriesOhm

	behind := "Z"
	switch {
	case c.CoilH > 0 && c.CondenserF > 0:
		behind = "Z = 1/(1/(R + jωL) + jωC)"
	case c.CoilH > 0:
		behind = "Z = R + jωL"
	case c.CondenserF > 0:
		behind = "Z = 1/(jωC)"
	}
	w := 2 * math.Pi * x.ToneHz
	r.step("ω = 2π·f", fmt.Sprintf("2π·%.0f Hz", x.ToneHz), "%.0f /s", w)
	switch {
	case c.CoilH > 0 && c.CondenserF > 0:
		z := 1 / (1/c.CoilImpedance(x.ToneHz) + complex(0, w*c.CondenserF))
		r.step(behind+", across open contacts", fmt.Sprintf("1/(1/(%s + j%.1f) + j%.6f)", trim(c.CoilOhm), w*c.CoilH, w*c.CondenserF), "%.1f %+.1fj Ω, size %.1f Ω", real(z), imag(z), cmplx.Abs(z))
		r.step("resonance of both = 1/(2π·√(L·C))", fmt.Sprintf("1/(2π·√(%s mH · %s µF))", trim(c.CoilH*1e3), trim(c.CondenserF*1e6)), "%.0f Hz", c.ResonanceHz())
	case c.CoilH > 0:
		z := c.CoilImpedance(x.ToneHz)
		r.step(behind+", across open contacts", fmt.Sprintf("%s + j·%.0f·%s mH", trim(c.CoilOhm), w, trim(c.CoilH*1e3)), "%.1f %+.1fj Ω, size %.1f Ω", real(z), imag(z), cmplx.Abs(z))
	case c.CondenserF > 0:
		r.step(behind+", across open contacts", fmt.Sprintf("1/(j·%.0f·%s µF)", w, trim(c.CondenserF*1e6)), "%.1f Ω in size", 1/(w*c.CondenserF))
	}
	if c.CoilH > 0 || c.CondenserF > 0 {
		r.step("open: Zo = 1/(1/Ri + 1/(R2 + Z))", "", "%.1f Ω in size", x.BehindOhm)
	} else {
		r.step("open: Zo = Ri, nothing else being connected", "", "%.0f Ω", x.BehindOhm)
	}
	r.step("closed: Zc = R2 + Rc (all else beside it is far more)", fmt.Sprintf("%s + %s", trim(c.LeadOhm), trim(c.ClosedOhm)), "%.3g Ω", cmplx.Abs(c.Behind(x.ToneHz, c.ClosedOhm)))
	r.step("series resistor R1: the value of the series E6, 100 Ω to 1 kΩ, nearest to 2·Zo", fmt.Sprintf("2·%.1f Ω = %.0f Ω", x.BehindOhm, 2*x.BehindOhm), "%.0f Ω", x.SeriesOhm)
	r.step("level of open contacts = |Zo/(R1 + Zo)|", "", "%.3f of the output's", x.Open)
	r.step("level of closed contacts = |Zc/(R1 + Zc)|", fmt.Sprintf("%.3g/(%.0f + %.3g)", c.LeadOhm+c.ClosedOhm, x.SeriesOhm, c.LeadOhm+c.ClosedOhm), "%.4f of the output's", x.Closed)

	r.answer("tone_hz", "tone", "Hz", x.ToneHz, 0)
	r.answer("series_ohm", "series resistor R1", "Ω", x.SeriesOhm, 0)
	a := r.answer("ratio", "level of open over that of closed contacts", "", x.Ratio, 0)
	a.Text = fmt.Sprintf("%.1f (%.0f dB)", x.Ratio, 20*math.Log10(x.Ratio))
	if c.CoilH > 0 {
		lo, hi := x.Least, x.Most
		a.Lo, a.Hi = &lo, &hi
		a.Text += fmt.Sprintf("; %.1f to %.1f with the inductance %s %% off", lo, hi, trim(100*share))
	}
	o := r.answer("open_share", "level of open contacts", "", x.Open, 0)
	o.Text = fmt.Sprintf("%.1f %% of the output's", 100*x.Open)

	tab := Table{Title: "All tones looked at, each with the resistor that suits it:", Columns: []Column{
		{"tone_hz", "tone/Hz", 0}, {"series_ohm", "R1/Ω", 0}, {"behind_ohm", "Zo/Ω", 1}, {"open_share", "open/%", 1}, {"closed_share", "closed/%", 2}, {"ratio", "ratio", 1}, {"ratio_least", "at least", 1}}}
	for _, k := range all {
		tab.Rows = append(tab.Rows, []float64{k.ToneHz, k.SeriesOhm, k.BehindOhm, 100 * k.Open, 100 * k.Closed, k.Ratio, k.Least})
	}
	r.Tables = append(r.Tables, tab)

	r.Headline = fmt.Sprintf("A tone of %.0f Hz through %.0f Ω: open contacts leave %.0f times what closed ones do.", x.ToneHz, x.SeriesOhm, x.Ratio)
	r.note("lowest", false, "The usual tone, %.0f Hz, is kept where its ratio is %g or more for certain, and else a higher one is taken: what a coil loses in its iron, and its own capacitance, grow with frequency and are not in these formulas. A ratio of %g is the least that was shown to work (sparkscope study contacts).", tone.UsualHz, tone.LeastRatio, tone.WorksAt)
	if !enough {
		r.note("low-ratio", true, "No tone reaches a ratio of %g: open and closed lie near each other. Disconnect the coil, or the condenser, or clean the contacts.", tone.LeastRatio)
	}
	if x.Resonant {
		r.note("resonance", true, "The tone lies near the resonance of coil and condenser, %.0f Hz, where a little more inductance changes much. Disconnect the condenser if you can.", c.ResonanceHz())
	}
	r.note("lines", false, "Every tone lies 25 Hz from the nearest harmonics of 50 and of 60 Hz.")
	r.Cautions = append(r.Cautions, toneCautions...)
	return r, nil
}

// toneCautions are shown with the circuit. Common practice, no source.
var toneCautions = []string{
	"Before you connect: ignition off, battery off, spark plug out and its lead earthed, coil disconnected from the contacts. A coil that stays connected kicks with hundreds of volts when the flywheel turns: then by hand only, slowly, and never with the starter.",
	"Turn the output down before you connect, and up until open contacts use a third of the input's full scale. No headphones on the ears on that output: the tone is shrill.",
	manual,
}
