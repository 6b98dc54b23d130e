package study

import (
	"fmt"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
)

// Slip is something that an owner mixes up, so that the answer is wrong in a
// known way.
type Slip struct {
	Name string // for the table
	Code string // of the finding that should name it; empty: none should
	make func(d *drawn)
}

// Slips are those that are tried, and none at all.
func Slips() []Slip {
	return []Slip{
		{"reference angle with the wrong sign", "reference-sign", func(d *drawn) { *d.setup.ReferenceAngle = -*d.setup.ReferenceAngle }},
		{"target with the wrong sign", "minus-target", func(d *drawn) { *d.setup.Target = -*d.setup.Target }},
		{"target halved, as on a shaft of half speed", "double-angle", func(d *drawn) { *d.setup.Target /= 2 }},
		{"target doubled", "double-angle", func(d *drawn) { *d.setup.Target *= 2 }},
		{"none", "", func(*drawn) {}},
	}
}

// mixUps are the codes of findings that name a slip.
var mixUps = [...]string{"reference-sign", "minus-target", "double-angle"}

// Slipped is what was said of one engine whose owner made a slip.
type Slipped struct {
	Named   bool // by the slip's own code, or with none: no slip was named
	Other   bool // another slip was named
	Ordered bool // somebody was sent to the plate
	Outside bool // the verdict
}

// TrySlip measures engine number n, which fires on its target, with a slip.
func TrySlip(s Slip, n int, seed uint64) (Slipped, error) {
	d := drawHabits(n, seed, "timing-offset") // fixed timing, a target
	events := d.with(fault{}, 0)
	s.make(&d)
	res, err := d.measure(events)
	if err != nil {
		return Slipped{}, fmt.Errorf("engine %d, %s: %w", n, s.Name, err)
	}
	out := Slipped{Named: s.Code == "", Outside: res.Verdict != nil && res.Verdict.Decision == analysis.Outside}
	for _, f := range res.Findings {
		for _, code := range mixUps {
			if f.Code == code && code == s.Code {
				out.Named = true
			} else if f.Code == code {
				out.Other = true
			}
		}
		out.Ordered = out.Ordered || strings.Contains(f.Message, "turn the plate")
	}
	return out, nil
}

// SlipHead heads the rows of slips.
const SlipHead = `
Slips of the owner's, of engines that fire on their target:
  named    engines out of all of which the right slip is named (of none: none)
  other    of which another slip is named
  order    of which somebody is sent to turn the plate
  outside  whose verdict is outside, which a slip leaves standing

slip                                        code             named other order outside
`

// SlipRow is a line of the table: count engines with one slip.
func SlipRow(s Slip, count int, seed uint64) (string, error) {
	var n [4]int
	for i := range count {
		x, err := TrySlip(s, i, seed)
		if err != nil {
			return "", err
		}
		for k, yes := range []bool{x.Named, x.Other, x.Ordered, x.Outside} {
			if yes {
				n[k]++
			}
		}
	}
	code := s.Code
	if code == "" {
		code = "–"
	}
	return fmt.Sprintf("%-43s %-16s %5d %5d %5d %7d\n", s.Name, code, n[0], n[1], n[2], n[3]), nil
}

// Bend is something that moves the timing with speed, and what the trend should
// take it for.
type Bend struct {
	Name  string  // for the table
	Want  string  // the right explanation of a trend
	Limit float64 // what sizes are multiples of
	Unit  string  // of Limit
	Why   string  // where Limit comes from
	make  func(d *drawn, size float64)
}

// Bends are a fixed delay and a real advance curve.
func Bends() []Bend {
	return []Bend{
		{"fixed delay", analysis.AngleAndDelay, 100, "µs", "the least delay of a reed, which a trend must be able to see", func(d *drawn, us float64) {
			d.e.LagS = us * 1e-6
		}},
		{"advance curve", analysis.AdvanceCurve, 2.5, "°", "half of what an advance mechanism moves at least, 5° (common practice, no source)", func(d *drawn, rise float64) {
			// Its mechanism works from a quarter to the middle of the range that
			// all profiles of the study cover.
			adv := d.e.Advance[0].AdvanceDeg
			d.e.Advance = engine.Curve{{RPM: 2100, AdvanceDeg: adv - rise}, {RPM: 3200, AdvanceDeg: adv}}
		}},
	}
}

// TryBend measures engine number n, with fixed timing otherwise, and returns
// what its trend is taken for; empty: there is none.
func TryBend(b Bend, n int, seed uint64, times float64) (string, error) {
	d := drawHabits(n, seed, "timing-offset")
	d.setup.Target, d.setup.Tolerance = nil, nil
	b.make(&d, times*b.Limit)
	res, err := d.measure(d.with(fault{}, 0))
	if err != nil {
		return "", fmt.Errorf("engine %d, %s: %w", n, b.Name, err)
	}
	if res.Trend == nil {
		return "", nil
	}
	return res.Trend.Explanation, nil
}

// BendHead heads the rows of bends.
func BendHead() string {
	var b strings.Builder
	b.WriteString(`
A fixed delay against a real advance curve: engines whose trend is taken for
what it is, by size in multiples of the limit; mistaken: at twice the limit,
engines in which the one is taken for the other.

`)
	fmt.Fprintf(&b, "%-15s %5s %-9s", "cause", "limit", "unit")
	for _, x := range HabitSizes() {
		fmt.Fprintf(&b, " %5g", x)
	}
	b.WriteString("   mistaken   limit's source\n")
	return b.String()
}

// BendRow is a line of the table: count engines at each of HabitSizes.
func BendRow(x Bend, count int, seed uint64) (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "%-15s %5g %-9s", x.Name, x.Limit, x.Unit)
	mistaken := 0
	for _, size := range HabitSizes() {
		n := 0
		for i := range count {
			got, err := TryBend(x, i, seed, size)
			if err != nil {
				return "", err
			}
			switch {
			case got == x.Want:
				n++
			case size == 2 && (got == analysis.AngleAndDelay || got == analysis.AdvanceCurve):
				mistaken++
			}
		}
		fmt.Fprintf(&b, " %5d", n)
	}
	fmt.Fprintf(&b, "   %8d   %s\n", mistaken, x.Why)
	return b.String(), nil
}
