package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"sparkscope/analysis"
	"sparkscope/dsp"
	"sparkscope/dsp/flac"
	"sparkscope/report"
	"sparkscope/report/plot"
)

// The kinds of picture that need more than a result.
const (
	plotPulses = "pulses"
	plotHealth = "health"
)

// plotKinds are all kinds of picture.
var plotKinds = []string{
	string(report.PlotAdvance), string(report.PlotScatter), string(report.PlotTime), string(report.PlotDistribution), string(report.PlotWheel), plotPulses, plotHealth,
}

// kindFlag is a choice whose words are in its usage.
type kindFlag struct{ choiceFlag }

func (f kindFlag) Type() string { return "KIND" }

// momentFlag is a time of a recording.
type momentFlag struct{ p **float64 }

func (f momentFlag) Set(s string) error {
	d, err := time.ParseDuration(s)
	if err != nil || d < 0 {
		return errors.New("want a time of the recording with its unit, such as 12.5s or 1m30s")
	}
	v := d.Seconds()
	*f.p = &v
	return nil
}

func (f momentFlag) String() string { return "" }
func (f momentFlag) Type() string   { return "TIME" }

// picture is what a picture needs besides the result.
type picture struct {
	pulses plot.Pulses
	health *analysis.CheckResult
}

// validatePlot finds what does not go together.
func (o *measureOptions) validatePlot() error {
	switch {
	case o.plotKind != "" && o.plotFile == "":
		return usagef("--plot-kind %s needs --plot, the file to draw it into", o.plotKind)
	case o.plotAtS != nil && o.plotKind != plotPulses:
		return usagef("--plot-at is for --plot-kind pulses: the other pictures show the whole recording")
	}
	return nil
}

// draw writes the picture.
func (p *picture) draw(w io.Writer, r *analysis.Result, kind string, f plot.Format) error {
	switch kind {
	case plotPulses:
		return plot.Draw(w, p.pulses, f)
	case plotHealth:
		return report.CheckPlot(w, p.health, f)
	}
	return report.Picture(w, r, report.PlotKind(kind), f)
}

// prepare gets what the picture that was asked for needs.
func (p *picture) prepare(ctx context.Context, o *measureOptions, path string, rec analysis.Recording, trains []dsp.Train, r *analysis.Result) error {
	if o.plotFile == "" || o.plotKind != plotPulses && o.plotKind != plotHealth {
		return nil
	}
	check, err := analysis.Check(rec, trains, o.setup)
	if err != nil {
		return unreadable(path, err)
	}
	p.health = check
	if o.plotKind == plotHealth {
		return nil
	}
	at := rec.DurationS / 2
	if n := r.Counts.OK; n > 0 {
		ok := slices.DeleteFunc(slices.Clone(r.Firings), func(f analysis.Firing) bool { return f.Status != analysis.OK })
		at = ok[len(ok)/2].TimeS
	}
	if o.plotAtS != nil {
		if at = *o.plotAtS; at > rec.DurationS {
			return usagef("--plot-at %g s: the recording ends at %.3g s", at, rec.DurationS)
		}
	}
	view := newPulseView(at, rec, trains, check, r)
	if err := view.read(ctx, path); err != nil {
		return unreadable(path, err)
	}
	p.pulses = view.figure(r)
	return nil
}

// window is a stretch of a recording, seconds.
type window struct{ from, to float64 }

// pulseView is what is looked at: a stretch of some revolutions, and within it
// one pulse of each channel.
type pulseView struct {
	at     float64 // seconds
	rate   float64 // Hz
	wide   window
	closes []window // by channel; empty: no pulse there
	rows   []plot.PulseRow
}

// Of a pulse, what is shown: seconds. Of a spark its front and the ringing that
// follows, of a reference all of it, within reason.
const (
	burstBefore, burstAfter = 0.25e-3, 0.9e-3
	longestPulse            = 12e-3
	revolutionsShown        = 2.6
	longestView             = 3.0
)

// newPulseView chooses what is looked at about a time.
func newPulseView(at float64, rec analysis.Recording, trains []dsp.Train, check *analysis.CheckResult, r *analysis.Result) *pulseView {
	v := &pulseView{at: at, rate: rec.SampleRateHz}
	rpm := r.MeanRPM
	best := math.Inf(1)
	counts := map[float64]bool{} // times of the sparks that count
	for _, f := range r.Firings {
		if f.Status == analysis.OK {
			counts[f.TimeS] = true
			if d := math.Abs(f.TimeS - at); d < best {
				best, rpm = d, f.RPM
			}
		}
	}
	half := 0.02
	if rpm > 0 {
		half = min(longestView, revolutionsShown*60/rpm) / 2
	}
	v.wide = window{max(0, at-half), min(rec.DurationS, at+half)}
	for i := range trains {
		t := &trains[i]
		c := &check.Channels[i]
		use := map[int]analysis.PulseCheck{} // by class
		for _, p := range c.Pulses {
			for _, k := range p.Classes {
				use[k] = p
			}
		}
		row := plot.PulseRow{Name: fmt.Sprintf("channel %d: %s", t.Channel, report.RoleWords(check, c))}
		nearest := math.Inf(1)
		var within window
		for _, p := range t.Pulses {
			s := t.Rate.Seconds(p.Pos)
			sign := plot.PassedBy
			switch {
			case counts[s]:
				sign = plot.Counted
			case p.Class >= 0 && use[p.Class].Use == "reference":
				sign = plot.Timed
			}
			if s < v.wide.from || s > v.wide.to {
				continue
			}
			row.Wides = append(row.Wides, plot.Stamp{S: s, Sign: sign})
			d := math.Abs(s - at)
			if sign == plot.PassedBy {
				d += longestView // only where there is nothing else
			}
			if d < nearest {
				nearest, row.At, row.Has, row.Sign = d, s, true, sign
				within = window{s - burstBefore, s + burstAfter}
				if q, ok := use[p.Class]; ok && q.Kind != "burst" && q.WidthS > 0 {
					w := min(q.WidthS, longestPulse)
					within = window{s - 0.4*w - burstBefore, s + 1.4*w + burstBefore}
				}
			}
		}
		v.rows, v.closes = append(v.rows, row), append(v.closes, within)
	}
	return v
}

// read takes the samples of the view out of the recording, which is read a
// second time for that.
func (v *pulseView) read(ctx context.Context, path string) error {
	in, err := openRecording(path)
	if err != nil {
		return err
	}
	defer in.Close()
	src, err := flac.Open(in)
	if err != nil {
		return err
	}
	n := src.Format().Channels
	data := make([][]float32, n)
	for c := range data {
		data[c] = make([]float32, blockFrames)
	}
	last := v.wide.to
	for _, c := range v.closes {
		last = max(last, c.to)
	}
	for at := 0; float64(at)/v.rate <= last; {
		if err := ctx.Err(); err != nil {
			return err
		}
		got, err := src.Read(data)
		for c := range min(n, len(v.rows)) {
			row := &v.rows[c]
			for i, x := range data[c][:got] {
				s, y := float64(at+i)/v.rate, 100*float64(x)
				if s >= v.wide.from && s <= v.wide.to {
					row.Wide.X, row.Wide.Y = append(row.Wide.X, s), append(row.Wide.Y, y)
				}
				if w := v.closes[c]; s >= w.from && s <= w.to {
					row.Close.X, row.Close.Y = append(row.Close.X, s), append(row.Close.Y, y)
				}
			}
		}
		at += got
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// figure is the view as it is drawn.
func (v *pulseView) figure(r *analysis.Result) plot.Pulses {
	return plot.Pulses{
		Title:    fmt.Sprintf("What was recorded at %.3f s, and where its pulses were timed", v.at),
		Subtitle: report.Source(r) + ": the samples as they were recorded",
		Rows:     v.rows,
	}
}
