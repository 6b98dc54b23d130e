package report

import (
	"fmt"
	"math"
	"strings"

	"sparkscope/analysis"
)

// largestWords says what makes up the largest part of the ± of the mean, and what would
// shrink it; empty without a budget.
func largestWords(r *analysis.Result) string {
	c, ok := r.Advance.Budget.Main()
	if !ok {
		return ""
	}
	for i, x := range r.Advance.Budget.Components {
		if i != r.Advance.Budget.Largest && sharePercent(x.Share) == sharePercent(c.Share) {
			return fmt.Sprintf("The largest parts of the ± (%s each) are the %s and the %s. To make it smaller: %s; %s.",
				sharePercent(c.Share), oneLine(c.Source), oneLine(x.Source), oneLine(c.Shrink), oneLine(x.Shrink))
		}
	}
	return fmt.Sprintf("The largest part of the ± (%s) is the %s. To make it smaller: %s.", sharePercent(c.Share), oneLine(c.Source), oneLine(c.Shrink))
}

// sharePercent writes a share of the variance.
func sharePercent(share float64) string {
	if share > 0 && share < 0.005 {
		return "under 1 %"
	}
	return number(100*share, 0) + " %"
}

// three writes v with three significant figures and no exponent.
func three(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return number(v, 0)
	}
	e := int(math.Floor(math.Log10(math.Abs(v))))
	return number(v, max(0, min(6, 2-e)))
}

// perUnit writes a sensitivity coefficient in the units that people use:
// microseconds for seconds.
func perUnit(c analysis.Component, of string) string {
	if c.Unit == "" {
		return "–"
	}
	v, unit := c.Sensitivity, c.Unit
	switch unit {
	case "s":
		v, unit = v*1e-6, "µs"
	case "samples":
		unit = "sample"
	case "1":
		v, unit = v/100, "%"
	}
	if unit == of {
		return three(v)
	}
	return three(v) + of + "/" + unit
}

// input writes what is known of an input quantity: "±0.5°, rectangular".
func input(c analysis.Component) string {
	v, sign := c.HalfWidth, "±"
	if v == 0 {
		v, sign = c.InputStd, "standard uncertainty "
	}
	unit := " " + c.Unit
	switch c.Unit {
	case "":
		return ""
	case "°", "°/1000 rpm":
		unit = c.Unit
	case "s":
		v, unit = v*1e6, " µs"
	case "1":
		v, unit = 100*v, " %"
	}
	return sign + three(v) + unit + ", " + c.Distribution
}

// together sums up a budget: "u 0.37°, 120 degrees of freedom, k=1.98".
func together(b *analysis.Budget, of string) string {
	dof := "degrees of freedom without limit"
	if b.Dof > 0 && b.Dof < 1e4 {
		dof = number(b.Dof, 0) + " effective degrees of freedom"
	}
	return fmt.Sprintf("standard uncertainty %s%s, %s, k=%s", three(float64(b.Combined)), of, dof, number(b.Factor, 2))
}

// samplingWords says what the scatter means for the mean.
func samplingWords(r *analysis.Result) string {
	s := r.Advance.SamplingStd
	if s <= 0 {
		return ""
	}
	return fmt.Sprintf("The ± is that of the mean of these very %ss. From %s scatter alone, another recording of as many would give a mean that differs by %s (standard deviation).", spark(r), map[bool]string{true: "their", false: "the engine's"}[spark(r) == "opening"], degrees(float64(s), max(1, placesFor(float64(s)/3))))
}

// gridRow is a line of the table of all budgets: standard uncertainties by
// source, in the order of the mean's budget.
type gridRow struct {
	Of      string   // "mean", a range of speed, "intercept", "slope"
	Cells   []string // standard uncertainties, degrees or degrees per 1000 rpm
	Largest int      // index into Cells, -1: none
	U       string   // expanded uncertainty, coverage 95 %
}

// budgetGrid lists mean, bins and trend, each with its standard uncertainties
// by source. heads are the sources' numbers; none without a budget.
func budgetGrid(r *analysis.Result) (heads []string, rows []gridRow) {
	all := r.Advance.Budget
	if all == nil || len(all.Components) == 0 {
		return nil, nil
	}
	for i := range all.Components {
		heads = append(heads, fmt.Sprintf("(%d)", i+1))
	}
	add := func(of string, b *analysis.Budget) {
		if b == nil || len(b.Components) != len(all.Components) {
			return
		}
		row := gridRow{Of: of, Largest: b.Largest, U: "±" + three(float64(b.Expanded))}
		for _, c := range b.Components {
			places := 3
			if c.Std >= 9.9995 {
				places = 2
			}
			row.Cells = append(row.Cells, number(float64(c.Std), places))
		}
		rows = append(rows, row)
	}
	if len(r.Bins) > 1 {
		for _, b := range r.Bins {
			add(number(b.FromRPM, 0)+"-"+number(b.ToRPM, 0), b.Budget)
		}
	}
	if t := r.Trend; t != nil {
		add("intercept", t.InterceptBudget)
		add("slope", t.SlopeBudget)
	}
	if len(rows) == 0 {
		return nil, nil
	}
	return heads, rows
}

const slopeNote = "The intercept is the trend at zero speed; the slope is in degrees per 1000 rpm. In these two, (1) is the scatter about the line."

// budget writes the uncertainty budget of the mean, and a table of those of
// bins and trend.
func (p printer) budget(r *analysis.Result) {
	p.line("Where the uncertainty of the mean comes from (JCGM 100:2008):")
	p.line(pad("u", 8) + pad("share", 7) + pad("per unit", 15) + "  source, A or B: taken from")
	for i, c := range r.Uncertainty {
		s := fmt.Sprintf("(%d) %s, %s", i+1, oneLine(c.Source), c.Kind)
		if c.Estimate != "" {
			s += ": " + oneLine(c.Estimate)
		}
		if c.Dof > 0 {
			s += fmt.Sprintf(" (%s degrees of freedom)", number(c.Dof, 0))
		}
		share := sharePercent(c.Share)
		if c.Share > 0 && c.Share < 0.005 {
			share = "<1 %"
		}
		p.para(pad(degrees(float64(c.Std), 3), 8)+pad(share, 7)+pad(perUnit(c, "°"), 15)+"  ", s)
	}
	if b := r.Advance.Budget; b != nil {
		p.para("  ", fmt.Sprintf("Together: %s: ±%s at 95 %% coverage.", together(b, "°"), degrees(float64(b.Expanded), max(2, decimals(r.Advance)))))
	} else if r.Advance.HasExpanded {
		p.para("  ", fmt.Sprintf("Together ±%s at 95 %% coverage.", degrees(float64(r.Advance.Expanded), max(2, decimals(r.Advance)))))
	}
	if s := samplingWords(r); s != "" {
		p.para("  ", s)
	}
	heads, rows := budgetGrid(r)
	if len(rows) == 0 {
		return
	}
	p.gap()
	p.line("The same by speed and for the trend: standard uncertainties by source, degrees.")
	const first, cell = 11, 6
	line := pad("", first)
	for _, h := range heads {
		line += pad(h, cell)
	}
	p.line(line + pad("±", 8))
	trend := false
	for _, row := range rows {
		line := pad(row.Of, first)
		for _, c := range row.Cells {
			line += pad(c, cell)
		}
		p.line(line + pad(strings.TrimPrefix(row.U, "±"), 8))
		trend = trend || row.Of == "slope"
	}
	if trend {
		p.para("", slopeNote)
	}
}
