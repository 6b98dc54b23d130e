package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/analysis"
)

// mostResultBytes is the largest result that is read back: ten thousand bins'
// budgets would fit.
const mostResultBytes = 64 << 20

// ReadJSON reads a result that JSON wrote, as far as a comparison needs it:
// recording, setup, speeds, counts, the mean and every bin with their budgets,
// and as far as a job does: of each finding its code, severity and words
// and whether it is about the engine, and the
// verdict on the mean.
// What was null stays unset. Text that is not such a result, or of another
// schema, is an error that says so.
func ReadJSON(r io.Reader) (*analysis.Result, error) {
	data, err := io.ReadAll(io.LimitReader(r, mostResultBytes+1))
	if err != nil {
		return nil, err
	}
	if len(data) > mostResultBytes {
		return nil, fmt.Errorf("more than %d MB: not a result of measure", mostResultBytes>>20)
	}
	var d jsonDocument
	if err := json.Unmarshal(data, &d); err != nil {
		return nil, noResult(data, "measure", err)
	}
	if d.Schema != Schema {
		if d.Schema == "" {
			return nil, errors.New("not a result as measure --json writes it: it names no schema")
		}
		return nil, fmt.Errorf("a result of schema %q: want %q; measure the recording again", d.Schema, Schema)
	}
	s := d.Setup
	res := &analysis.Result{
		Relative: d.Relative,
		Recording: analysis.Recording{
			Path: d.Recording.Path, SampleRateHz: orZero(d.Recording.SampleRate), Channels: d.Recording.Channels,
			Bits: d.Recording.Bits, Encoding: d.Recording.Encoding, DurationS: orZero(d.Recording.Duration), Remarks: d.Recording.Remarks,
		},
		Setup: analysis.Setup{
			SparkChannel: s.SparkChannel, SparkKind: analysis.SparkKind(s.SparkKind),
			ReferenceChannel: s.ReferenceChannel, ReferenceKind: analysis.ReferenceKind(s.ReferenceKind),
			ReferenceAngle: angle(s.ReferenceAngle), ReferenceAngleTolerance: angle(s.ReferenceAngleTolerance),
			ReferencePulses: s.ReferencePulses, FiringOffsets: s.FiringOffsets, SpeedFluctuation: s.SpeedFluctuation,
			SparkDelayS: orZero(s.SparkDelay), ReferenceDelayS: orZero(s.ReferenceDelay), DelayToleranceS: s.DelayTolerance,
			SparkDelayToleranceS: s.SparkDelayTolerance, ReferenceDelayToleranceS: s.ReferenceDelayTolerance,
			ConverterSkewS: orZero(s.ConverterSkew), ConverterSkewToleranceS: s.ConverterSkewTolerance,
			Dwell: angle(s.Dwell), Static: angle(s.Static), StaticTolerance: angle(s.StaticTolerance), Target: angle(s.Target), Tolerance: angle(s.Tolerance),
		},
		Counts: analysis.Counts{
			Revolutions: d.Counts.Revolutions, Sparks: d.Counts.Sparks, OK: d.Counts.OK, MissedSparks: d.Counts.MissedSparks,
			RepeatedSparks: d.Counts.RepeatedSparks, OtherSparks: d.Counts.OtherSparks,
			MissedReferences: d.Counts.MissedReferences, RejectedReferences: d.Counts.RejectedReferences,
		},
		MinRPM: orZero(d.Speed.Min), MaxRPM: orZero(d.Speed.Max), MeanRPM: orZero(d.Speed.Mean),
		Advance:     summaryFrom(d.Advance, d.Uncertainty),
		Uncertainty: componentsFrom(d.Uncertainty),
	}
	for _, f := range d.Findings {
		res.Findings = append(res.Findings, analysis.Finding{Code: f.Code, Severity: analysis.Severity(f.Severity), Message: f.Message, Count: f.Count, FirstS: orZero(f.First), Engine: f.Engine})
	}
	for _, t := range s.TargetTable {
		if t.RPM == nil || t.Angle == nil {
			return nil, errors.New("its target table has an empty row: not a result as measure --json writes it")
		}
		res.Setup.TargetTable = append(res.Setup.TargetTable, analysis.TargetRow{RPM: *t.RPM, Angle: analysis.Degrees(*t.Angle)})
	}
	res.Verdict = verdictFrom(d.Verdict)
	if d.Recording.Fingerprint != nil {
		res.Recording.Fingerprint = *d.Recording.Fingerprint
	}
	if s.EngineFile != nil {
		res.Setup.EngineFile = *s.EngineFile
	}
	from := math.Inf(-1)
	for i, b := range d.Bins {
		out := analysis.Bin{FromRPM: orZero(b.From), ToRPM: orZero(b.To), MeanRPM: orZero(b.RPM), Summary: summaryFrom(b.jsonSummary, b.Uncertainty)}
		if b.From == nil || b.To == nil || b.RPM == nil || !(out.ToRPM > out.FromRPM) || out.FromRPM < from {
			return nil, fmt.Errorf("row %d of its bins has no range of speed, or not in order: not a result as measure --json writes it", i+1)
		}
		from = out.FromRPM
		res.Bins = append(res.Bins, out)
	}
	if res.Advance.N == 0 || len(res.Bins) == 0 {
		return nil, errors.New("a result without a counted spark")
	}
	return res, nil
}

// verdictFrom is a verdict without those of its ranges and cylinders.
func verdictFrom(j *jsonVerdict) *analysis.Verdict {
	if j == nil {
		return nil
	}
	v := &analysis.Verdict{Decision: j.Decision, Target: analysis.Degrees(orZero(j.Target)), ByTable: j.ByTable, Tolerance: analysis.Degrees(orZero(j.Tolerance)),
		Deviation: analysis.Degrees(orZero(j.Deviation)), Probability: orZero(j.Probability), Advice: j.Advice}
	if j.Doubt != nil {
		v.Doubt = *j.Doubt
	}
	return v
}

func orZero(p *float64) float64 {
	if p == nil {
		return 0
	}
	return *p
}

func angle(p *float64) *analysis.Degrees {
	if p == nil {
		return nil
	}
	a := analysis.Degrees(*p)
	return &a
}

func summaryFrom(j jsonSummary, parts []jsonComponent) analysis.Summary {
	s := analysis.Summary{
		N: j.N, Mean: analysis.Degrees(orZero(j.Mean)), Median: analysis.Degrees(orZero(j.Median)), StdDev: analysis.Degrees(orZero(j.StdDev)),
		Robust: analysis.Degrees(orZero(j.Robust)), Target: angle(j.Target), SamplingStd: analysis.Degrees(orZero(j.Sampling)),
		Expanded: analysis.Degrees(orZero(j.Expanded)), HasExpanded: j.Expanded != nil,
	}
	if s.HasExpanded {
		s.Budget = analysis.NewBudget(componentsFrom(parts))
	}
	return s
}

func componentsFrom(in []jsonComponent) []analysis.Component {
	var out []analysis.Component
	for _, c := range in {
		out = append(out, analysis.Component{
			Source: c.Source, Kind: strings.ToUpper(c.Kind), Std: analysis.Degrees(max(0, orZero(c.Std))), Dof: orZero(c.Dof), Estimate: c.Estimate, Shrink: c.Shrink,
			Quantity: c.Quantity, Unit: c.Unit, HalfWidth: orZero(c.HalfWidth), InputStd: orZero(c.InputStd), Distribution: c.Distribution,
			Sensitivity: orZero(c.Sensitivity), Share: orZero(c.Share),
		})
	}
	return out
}

// noResult says of data, which is not JSON as command --json writes it, what it is.
func noResult(data []byte, command string, err error) error {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	what := err.Error()
	switch {
	case bytes.HasPrefix(data, []byte("RIFF")), bytes.HasPrefix(data, []byte("RF64")), bytes.HasPrefix(data, []byte("fLaC")):
		what = "it is a recording, and a result is what " + command + " --json FILE makes"
	case len(bytes.TrimSpace(data)) == 0:
		what = "it is empty"
	case errors.As(err, &syntax) && syntax.Offset > 1:
		what = fmt.Sprintf("it is no JSON from character %d on", syntax.Offset)
	case errors.As(err, &syntax):
		what = "it is no JSON"
	case errors.As(err, &kind):
		what = fmt.Sprintf("%s is of the wrong kind", kind.Field)
	}
	return fmt.Errorf("not a result as %s --json writes it: %s", command, what)
}
