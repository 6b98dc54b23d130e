package study

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
	"sparkscope/dsp/tone"
)

// ToneCase is one condition of the contact tone's study.
type ToneCase struct {
	Name, Doc string
	Bench     synth.Bench // without touches
	RateHz    float64
	ClosedOhm float64 // of closed contacts: from this to three times this, anew each time
	Hum       float64 // peak, fraction of full scale
	Noise     float64 // rms per sample, fraction of full scale
	ACHz      float64
	Chatter   float64 // how long contacts touch and part before they stay open or closed, s
	AGC       *synth.AGC
	Changes   int     // openings and closings made
	QuietS    float64 // how long it then listens to contacts that stay, half of it open, half closed
	Seed      uint64
}

// ToneCases are the rows of the table. Coils, outputs and inputs are invented.
func ToneCases(changes int, hours float64, seed uint64) []ToneCase {
	base := ToneCase{
		Bench: synth.Bench{ToneHz: tone.UsualHz, Level: 0.8, SeriesOhm: 100, LeadOhm: tone.UsualLeadOhm, InputOhm: tone.UsualInputOhm,
			CoilH: 3e-3, CoilOhm: 0.6, LossOhm: 400, CondenserF: 0.2e-6},
		RateHz: 48000, ClosedOhm: tone.UsualClosedOhm, Hum: 0.01, Noise: 1e-4, ACHz: 8, Chatter: 1e-3, Changes: changes, Seed: seed,
	}
	var out []ToneCase
	add := func(name, doc string, quiet bool, change func(*ToneCase)) {
		c := base
		c.Name, c.Doc = name, doc
		if quiet {
			c.QuietS = 3600 * hours
		}
		if change != nil {
			change(&c)
		}
		out = append(out, c)
	}
	add("usual", "a source coil of 3 mH with its condenser, 100 Ω, hum of 1 %, noise 80 dB down, bounce of 1 ms", true, nil)
	add("disconnected", "coil and condenser disconnected", false, func(c *ToneCase) { c.Bench.CoilH, c.Bench.CondenserF = 0, 0 })
	add("battery-coil", "a coil of 8 mH and 3 Ω, 330 Ω in series", false, func(c *ToneCase) { c.Bench.CoilH, c.Bench.CoilOhm, c.Bench.SeriesOhm = 8e-3, 3, 330 })
	add("small-coil", "a coil of 1 mH", false, func(c *ToneCase) { c.Bench.CoilH = 1e-3 })
	add("no-lead", "no resistor in the lead, 0.02 Ω in all", false, func(c *ToneCase) { c.Bench.LeadOhm, c.ClosedOhm = 0.01, 0.01 })
	add("dirty", "contacts of 1 to 3 Ω while closed", false, func(c *ToneCase) { c.ClosedOhm = 1 })
	add("chatter", "touching and parting for 20 ms before they stay", false, func(c *ToneCase) { c.Chatter = 20e-3 })
	add("hum", "hum of half of full scale", true, func(c *ToneCase) { c.Hum = 0.5 })
	add("noise", "noise 30 dB below full scale", true, func(c *ToneCase) { c.Noise = math.Pow(10, -1.5) })
	add("much-noise", "noise 14 dB below full scale: as loud as open contacts", true, func(c *ToneCase) { c.Noise = 0.2 })
	add("drift", "the gain goes up and down by 6 dB, once in 20 s", true, func(c *ToneCase) { c.Bench.DriftDB, c.Bench.DriftS = 6, 20 })
	add("clock", "the player's clock 300 ppm slower than the recorder's", false, func(c *ToneCase) { c.Bench.ToneHz *= 1 - 300e-6 })
	add("coupling", "the input's coupling at 40 Hz", false, func(c *ToneCase) { c.ACHz = 40 })
	add("agc", "automatic gain, 20 dB at most, 0.3 s", true, func(c *ToneCase) {
		c.AGC = &synth.AGC{Target: 0.4, MaxGainDB: 20, AttackS: 5e-3, ReleaseS: 0.3}
	})
	add("low-rate", "16 000 samples a second", false, func(c *ToneCase) { c.RateHz = 16000 })
	for _, ratio := range []float64{4, 3, 2, 1.8, 1.4} {
		add(fmt.Sprintf("ratio-%g", ratio), fmt.Sprintf("open contacts leave only %g times what closed ones do", ratio), ratio <= 2, func(c *ToneCase) {
			// Without coil and condenser, so that the resistance decides:
			// R = closed, and the open level is that of a resistor beside it.
			c.Bench.CoilH, c.Bench.CondenserF, c.Bench.SeriesOhm = 0, 0, 1000
			c.Bench.LeadOhm = 1000 / (ratio - 1)
			c.ClosedOhm = 1e-2
			c.Bench.InputOhm = 1e8
		})
	}
	return out
}

// ToneRow is what came out of a ToneCase.
type ToneRow struct {
	Case         ToneCase
	Ratio        float64 // of the levels of open and closed contacts, as the detector has them
	Made, Heard  int     // changes
	False        int     // changes that were not made
	Held         int     // moments that their ± holds
	DelayMS      float64 // from a change to its being known, median
	WorstDelayMS float64
	RMSMS        float64 // of the moments' errors
	QuietFalse   int     // in QuietS
}

// bounceMostS is the longest bounce; more is chatter.
const bounceMostS = 1e-3

// mostLateS is how late a change may be known and still count as heard.
const mostLateS = 0.25

// RunTone simulates a case and listens to it.
func RunTone(c ToneCase) (ToneRow, error) {
	row := ToneRow{Case: c}
	r := rand.New(rand.NewPCG(c.Seed, 0x746f6e65))
	b := c.Bench
	b.StartS = 0.2
	touches, made := synth.Handled(r, c.Changes, c.ClosedOhm, c.Chatter)
	b.Touches = touches
	at := b.Touches[len(b.Touches)-1].AtS + 1
	changes, now, err := listenTone(b, c, at, 4)
	if err != nil {
		return row, err
	}
	row.Made = len(made)
	var delays []float64
	used := make([]bool, len(changes))
	sum := 0.0
	for _, m := range made {
		for k, g := range changes {
			if used[k] || (g.State == tone.Open) != m.Open || g.State != tone.Open && g.State != tone.Closed || g.Pos/c.RateHz < m.AtS-0.05 || g.Seen/c.RateHz > m.AtS+c.Chatter+mostLateS {
				continue
			}
			used[k] = true
			row.Heard++
			off := g.First/c.RateHz - m.AtS
			if c.Chatter > bounceMostS && off > 0 {
				// Any moment of it is right.
				off = math.Max(0, off-c.Chatter)
			}
			sum += off * off
			if math.Abs(off) <= g.FirstWithin/c.RateHz {
				row.Held++
			}
			delays = append(delays, 1e3*(g.Seen/c.RateHz-m.AtS))
			break
		}
	}
	for _, u := range used {
		if !u {
			row.False++
		}
	}
	if row.Heard > 0 {
		slices.Sort(delays)
		row.DelayMS, row.WorstDelayMS = delays[len(delays)/2], delays[len(delays)-1]
		row.RMSMS = 1e3 * math.Sqrt(sum/float64(row.Heard))
	}
	if now.ClosedLevel > 0 {
		row.Ratio = now.OpenLevel / now.ClosedLevel
	}
	if c.QuietS > 0 {
		// One change, so that the state is known, and then none; both ways.
		for _, end := range []float64{synth.OpenOhm, c.ClosedOhm} {
			b.Touches = []synth.Touch{{AtS: 0, Ohm: c.ClosedOhm}, {AtS: 1.5, Ohm: synth.OpenOhm}, {AtS: 2, Ohm: c.ClosedOhm}, {AtS: 2.5, Ohm: synth.OpenOhm}, {AtS: 3, Ohm: end}}
			changes, _, err := listenTone(b, c, c.QuietS/2+4, 1)
			if err != nil {
				return row, err
			}
			for _, g := range changes {
				if g.Pos/c.RateHz > 3.5 {
					row.QuietFalse++
				}
			}
		}
	}
	return row, nil
}

// listenTone renders a bench and hands it to a detector.
func listenTone(b synth.Bench, c ToneCase, seconds float64, fold int) ([]tone.Change, tone.Reading, error) {
	fail := func(err error) ([]tone.Change, tone.Reading, error) { return nil, tone.Reading{}, err }
	sig, err := b.Signal(c.RateHz * float64(fold))
	if err != nil {
		return fail(err)
	}
	limit, err := synth.NewKernel("sharp")
	if err != nil {
		return fail(err)
	}
	rec := synth.Recording{Rate: dsp.Rate(c.RateHz), Frames: int64(seconds * c.RateHz), Bits: 16, AGC: c.AGC, Signals: []synth.Signal{sig},
		Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, ACHz: c.ACHz, NoiseRMS: c.Noise, HumPeak: c.Hum, HumHz: 50, Seed: c.Seed}}}
	if fold > 1 {
		rec.Fold, rec.Limit = fold, limit
	}
	src, err := rec.Source()
	if err != nil {
		return fail(err)
	}
	d, err := tone.New(dsp.Rate(c.RateHz), tone.Options{})
	if err != nil {
		return fail(err)
	}
	x := [][]float64{make([]float64, 4096)}
	y := make([]float32, 4096)
	var out []tone.Change
	for {
		n, done := src.Next(x)
		for i, v := range x[0][:n] {
			y[i] = float32(v)
		}
		out = append(out, d.Push(y[:n])...)
		if done {
			return out, d.Now(), nil
		}
	}
}

// ToneLegend explains the table.
const ToneLegend = `
  ratio  level of open contacts over that of closed ones, as heard at the end
  made   openings and closings made; heard: known within 250 ms and the right
         way; false: changes told that were not made
  delay  from the change to its being known, median and largest, ms
  error  of the moment told, rms, ms, from the first parting or touch; where the
         contacts chatter for longer than bounce, up to the last one
  held   moments within the ± that was told
  quiet  false changes while the contacts stay, and for how long that was heard
`

// ToneHeader is the line above the rows.
func ToneHeader() string {
	return fmt.Sprintf("%-13s %7s %5s %6s %6s %7s %8s %7s %6s  %s", "case", "ratio", "made", "heard", "false", "delay", "largest", "error", "held", "quiet")
}

// String is the row as a line of the table.
func (r ToneRow) String() string {
	ratio := "–"
	if r.Ratio > 0 {
		ratio = fmt.Sprintf("%.3g", r.Ratio)
	}
	quiet := "–"
	if r.Case.QuietS > 0 {
		quiet = fmt.Sprintf("%d in %.2g h", r.QuietFalse, r.Case.QuietS/3600)
	}
	return fmt.Sprintf("%-13s %7s %5d %6d %6d %7.1f %8.1f %7.2f %6d  %s", r.Case.Name, ratio, r.Made, r.Heard, r.False, r.DelayMS, r.WorstDelayMS, r.RMSMS, r.Held, quiet)
}
