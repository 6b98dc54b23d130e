package report

import (
	"fmt"
	"io"
	"slices"

	"sparkscope/analysis"
	"sparkscope/report/plot"
)

// PlotKind is what a picture of a result shows.
type PlotKind string

// The kinds of picture that a result holds all of. A recording has two more,
// its pulses and its health, for which its samples or spectra are needed.
const (
	PlotAdvance      PlotKind = "advance"      // advance against speed; what an empty kind means
	PlotScatter      PlotKind = "scatter"      // how far sparks lie from the mean at their speed
	PlotTime         PlotKind = "time"         // advance and speed over time
	PlotDistribution PlotKind = "distribution" // how often each advance came
	PlotWheel        PlotKind = "wheel"        // one revolution as a degree wheel
)

// Plot writes advance against speed as a picture.
func Plot(w io.Writer, r *analysis.Result, f plot.Format) error {
	return plot.Draw(w, plotInput(r), f)
}

// Picture writes a picture of the result. It fails on a kind that there is not.
func Picture(w io.Writer, r *analysis.Result, kind PlotKind, f plot.Format) error {
	fig, err := figure(r, kind)
	if err != nil {
		return err
	}
	return plot.Draw(w, fig, f)
}

// figure maps a result to what is drawn.
func figure(r *analysis.Result, kind PlotKind) (plot.Figure, error) {
	switch kind {
	case PlotAdvance, "":
		return plotInput(r), nil
	case PlotScatter:
		return scatterFigure(r), nil
	case PlotTime:
		return courseFigure(r), nil
	case PlotDistribution:
		return distributionFigure(r), nil
	case PlotWheel:
		return wheelFigure(r), nil
	}
	return nil, fmt.Errorf("report: a picture of kind %q: there is none", kind)
}

// counted are the sparks that count, their angles on one side of ±180°.
func counted(r *analysis.Result) []plot.Moment {
	c := float64(r.Advance.Mean)
	var out []plot.Moment
	for _, f := range r.Firings {
		if f.Status == analysis.OK && f.HasAngle {
			out = append(out, plot.Moment{S: f.TimeS, RPM: f.RPM, Deg: near(c, float64(f.Advance))})
		}
	}
	return out
}

func scatterFigure(r *analysis.Result) plot.Scatter {
	in := plot.Scatter{Subtitle: plotInput(r).Subtitle}
	in.Title = "Scatter of the sparks"
	if s := r.Advance; s.N > 1 {
		in.Title = fmt.Sprintf("Scatter %s over all speeds (standard deviation)", degrees(float64(s.StdDev), scatterPlaces(s)))
	}
	// The mean at a spark's speed: straight between the means of the ranges.
	var line []analysis.TargetRow
	c := float64(r.Advance.Mean)
	for _, b := range r.Bins {
		if b.N > 0 {
			line = append(line, analysis.TargetRow{RPM: b.MeanRPM, Angle: analysis.Degrees(near(c, float64(b.Mean)))})
		}
		sd := -1.0
		if b.N > 1 {
			sd = float64(b.StdDev)
		}
		in.Ranges = append(in.Ranges, plot.Range{FromRPM: b.FromRPM, ToRPM: b.ToRPM, StdDev: sd, N: b.N})
	}
	means := analysis.Setup{TargetTable: line}
	for _, m := range counted(r) {
		if a, ok := means.TargetAt(m.RPM); ok {
			in.Points = append(in.Points, plot.Point{RPM: m.RPM, Deg: near(0, m.Deg-float64(a))})
		}
	}
	return in
}

func courseFigure(r *analysis.Result) plot.Course {
	of := plotInput(r)
	in := plot.Course{Title: of.Title, Subtitle: of.Subtitle, Moments: counted(r), Target: of.Target, Relative: r.Relative}
	slices.SortStableFunc(in.Moments, func(a, b plot.Moment) int {
		switch {
		case a.S < b.S:
			return -1
		case a.S > b.S:
			return 1
		}
		return 0
	})
	if of.TargetTable != nil {
		c := float64(r.Advance.Mean)
		for _, m := range in.Moments {
			a, _ := r.Setup.TargetAt(m.RPM)
			in.Goals = append(in.Goals, near(c, float64(a)))
		}
		in.GoalHalf = of.TargetTableHalf
	}
	for _, m := range r.Missing {
		if m.What == "spark" {
			in.Missed = append(in.Missed, m.TimeS)
		}
	}
	return in
}

// meanBand is the mean with its ±; nil without one.
func meanBand(r *analysis.Result) *plot.Band {
	if r.Advance.N == 0 {
		return nil
	}
	b := &plot.Band{Deg: float64(r.Advance.Mean)}
	if r.Advance.HasExpanded {
		b.Half = float64(r.Advance.Expanded)
	}
	return b
}

func distributionFigure(r *analysis.Result) plot.Distribution {
	of := plotInput(r)
	in := plot.Distribution{Title: of.Title, Subtitle: of.Subtitle, Mean: meanBand(r), Target: of.Target, Static: of.Static, Relative: r.Relative}
	for _, p := range of.Points {
		in.Deg = append(in.Deg, p.Deg)
	}
	return in
}

func wheelFigure(r *analysis.Result) plot.Wheel {
	of := plotInput(r)
	in := plot.Wheel{Title: of.Title, Subtitle: of.Subtitle, Points: of.Points, Mean: meanBand(r), Target: of.Target, Targets: of.TargetTable, TargetsHalf: of.TargetTableHalf, Static: of.Static, Relative: r.Relative}
	if a := r.Setup.ReferenceAngle; a != nil && !r.Relative {
		in.Reference = &plot.Band{Deg: float64(*a)}
		if t := r.Setup.ReferenceAngleTolerance; t != nil {
			in.Reference.Half = float64(*t)
		}
	}
	return in
}
