package table

import (
	"math"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/session"
)

// known is v, or nil where it is no finite number.
func known[T ~float64](v T) *float64 {
	f := float64(v)
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

// maybe is what p points to, or nil.
func maybe[T ~float64](p *T) *float64 {
	if p == nil {
		return nil
	}
	return known(*p)
}

// named is s, or nil where it is empty.
func named(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func count[I int32 | int64](n int) *I {
	v := I(n)
	return &v
}

// WithKey names the results in the rows by a key, as batch does.
func WithKey[T Firing | Bin](rows []T, key string) []T {
	for i := range rows {
		switch r := any(&rows[i]).(type) {
		case *Firing:
			r.Key = &key
		case *Bin:
			r.Key = &key
		}
	}
	return rows
}

// Firings are the firings of a result, in time order. Where s is not nil, it is the
// session that the result was split into, and each row says which part it is of.
func Firings(r *analysis.Result, s *session.Session) []Firing {
	out := make([]Firing, 0, len(r.Firings))
	part := 0 // of s, the next whose sparks come
	for i := range r.Firings {
		f := &r.Firings[i]
		row := Firing{
			Schema: FiringSchema, Recording: r.Recording.Path, Fingerprint: named(r.Recording.Fingerprint), Relative: r.Relative,
			Time: f.TimeS, Revolution: int64(f.Revolution), Cylinder: int32(f.Cylinder), Status: string(f.Status), Counted: f.Status == analysis.OK,
		}
		if f.RPM > 0 {
			row.Speed = known(f.RPM)
		}
		if f.HasAngle {
			row.Advance, row.Sigma = known(f.Advance), known(f.Sigma)
		}
		if s != nil {
			for part < len(s.Parts) && s.Parts[part].Next <= i {
				part++
			}
			if part < len(s.Parts) && s.Parts[part].First <= i {
				p := &s.Parts[part]
				row.Part, row.PartKind, row.PartNumber = count[int32](part+1), named(string(p.Kind)), count[int32](p.Number)
			}
		}
		out = append(out, row)
	}
	return out
}

// Bins are the ranges of speed of a result; with a session besides, those of each
// of its parts too, which name their part.
func Bins(r *analysis.Result, s *session.Session) []Bin {
	var out []Bin
	fresh := func() Bin {
		return Bin{Schema: BinSchema, Recording: r.Recording.Path, Fingerprint: named(r.Recording.Fingerprint), Relative: r.Relative}
	}
	for i := range r.Bins {
		b := &r.Bins[i]
		row := fresh()
		row.From, row.To, row.N = b.FromRPM, b.ToRPM, int64(b.N)
		if b.N > 0 {
			row.Speed, row.Mean, row.Median = known(b.MeanRPM), known(b.Mean), known(b.Median)
		}
		if b.N > 1 {
			row.StdDev = known(b.StdDev)
		}
		if b.HasExpanded {
			row.Expanded = known(b.Expanded)
		}
		row.Target = maybe(b.Target)
		if r.Verdict != nil && i < len(r.Verdict.Bins) {
			row.Decision = named(r.Verdict.Bins[i].Decision)
		}
		out = append(out, row)
	}
	if s == nil {
		return out
	}
	for k := range s.Parts {
		p := &s.Parts[k]
		if p.Side == nil {
			continue
		}
		for i := range p.Side.Points {
			q := &p.Side.Points[i]
			row := fresh()
			row.Part, row.PartKind, row.PartNumber = count[int32](k+1), named(string(p.Kind)), count[int32](p.Number)
			row.From, row.To, row.N = q.FromRPM, q.ToRPM, int64(q.N)
			row.Speed, row.Mean = known(q.RPM), known(q.Mean)
			row.Expanded = known(analysis.NewBudget(q.Parts).Expanded)
			out = append(out, row)
		}
	}
	return out
}

// States of a recording.
const (
	Measured = "measured"
	Refused  = "refused" // it cannot be measured, and Message says why
)

// Whole is a recording that was measured, as one row.
func Whole(r *analysis.Result) Recording {
	c := &r.Counts
	row := Recording{
		Schema: RecordingSchema, Recording: r.Recording.Path, Fingerprint: named(r.Recording.Fingerprint), State: Measured,
		Duration: known(r.Recording.DurationS), Rate: known(r.Recording.SampleRateHz), Channels: count[int32](r.Recording.Channels), Bits: count[int32](r.Recording.Bits),
		EngineFile: named(r.Setup.EngineFile), Relative: &r.Relative, Reference: maybe(r.Setup.ReferenceAngle),
		Revolutions: count[int64](c.Revolutions), Sparks: count[int64](c.Sparks), Counted: count[int64](c.OK), Missed: count[int64](c.MissedSparks),
		MinSpeed: known(r.MinRPM), MaxSpeed: known(r.MaxRPM), MeanSpeed: known(r.MeanRPM),
		Target: maybe(r.Advance.Target), Tolerance: maybe(r.Setup.Tolerance),
	}
	if a := &r.Advance; a.N > 0 {
		row.Mean, row.Median = known(a.Mean), known(a.Median)
		if a.N > 1 {
			row.StdDev = known(a.StdDev)
		}
		if a.HasExpanded {
			row.Expanded = known(a.Expanded)
		}
	}
	if r.Trend != nil {
		row.Slope = known(r.Trend.SlopePer1000)
	}
	if v := r.Verdict; v != nil {
		row.Target, row.Deviation, row.Decision = known(v.Target), known(v.Deviation), named(v.Decision)
	}
	serious, warnings := 0, 0
	var codes []string
	for _, f := range r.Findings {
		switch f.Severity {
		case analysis.Serious:
			serious++
		case analysis.Warning:
			warnings++
		}
		if !slices.Contains(codes, f.Code) {
			codes = append(codes, f.Code)
		}
	}
	row.Serious, row.Warnings, row.Codes = count[int32](serious), count[int32](warnings), named(strings.Join(codes, " "))
	return row
}

// Broken is a recording that cannot be measured, as one row: why is a sentence.
func Broken(path, why string) Recording {
	return Recording{Schema: RecordingSchema, Recording: path, State: Refused, Message: named(why)}
}
