package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"sparkscope/analysis"
)

// Schema names the layout that JSON writes.
const Schema = "sparkscope.measurement/1"

// JSON writes the whole result but the single sparks, which are the event
// table's. Figures that are not known are null or absent.
func JSON(w io.Writer, r *analysis.Result) error {
	b, err := json.MarshalIndent(document(r), "", "  ")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

// A pointer stands for a number that may be unknown: null then.
type (
	jsonDocument struct {
		Schema      string          `json:"schema"`
		Recording   jsonRecording   `json:"recording"`
		Setup       jsonSetup       `json:"setup"`
		Relative    bool            `json:"relative_to_reference"`
		Decisions   []jsonDecision  `json:"decisions"`
		Counts      jsonCounts      `json:"counts"`
		Speed       jsonSpeed       `json:"speed"`
		Caveats     []jsonFinding   `json:"caveats"`
		Advance     jsonSummary     `json:"advance"`
		Bins        []jsonBin       `json:"bins"`
		Cylinders   []jsonCylinder  `json:"cylinders"`
		Trend       *jsonTrend      `json:"trend"`
		Dwell       *jsonDwell      `json:"dwell"`
		Static      *jsonStatic     `json:"static"`
		Uncertainty []jsonComponent `json:"uncertainty"`
		Verdict     *jsonVerdict    `json:"verdict"`
		Findings    []jsonFinding   `json:"findings"`
		Missing     []jsonMissing   `json:"missing"`
	}
	jsonDwell struct {
		Mean     float64 `json:"mean_deg"`
		Expanded float64 `json:"expanded_uncertainty_deg"`
		StdDev   float64 `json:"stddev_deg"`
		N        int     `json:"n"`
		Cycle    float64 `json:"cycle_deg"`
		Given    bool    `json:"given"`
	}
	jsonRecording struct {
		Path        string   `json:"path"`
		SampleRate  *float64 `json:"sample_rate_hz"`
		Channels    int      `json:"channels"`
		Bits        int      `json:"bits"`
		Encoding    string   `json:"encoding"`
		Duration    *float64 `json:"duration_s"`
		Remarks     []string `json:"remarks"`
		Fingerprint *string  `json:"fingerprint"`
	}
	jsonSetup struct {
		SparkChannel            int             `json:"spark_channel"`
		SparkKind               string          `json:"spark_kind"`
		ReferenceChannel        int             `json:"reference_channel"`
		ReferenceKind           string          `json:"reference_kind"`
		ReferenceAngle          *float64        `json:"reference_angle_deg"`
		ReferenceAngleTolerance *float64        `json:"reference_angle_tolerance_deg"`
		ReferencePulses         int             `json:"reference_pulses_per_rev"`
		SparksPerRev            *string         `json:"sparks_per_rev"`
		FiringOffsets           []float64       `json:"firing_offsets_deg"`
		SpeedFluctuation        *float64        `json:"speed_fluctuation"`
		SparkDelay              *float64        `json:"spark_delay_s"`
		ReferenceDelay          *float64        `json:"reference_delay_s"`
		DelayTolerance          *float64        `json:"delay_tolerance_s"`
		SparkDelayTolerance     *float64        `json:"spark_delay_tolerance_s"`
		ReferenceDelayTolerance *float64        `json:"reference_delay_tolerance_s"`
		ConverterSkew           *float64        `json:"converter_skew_s"`
		ConverterSkewTolerance  *float64        `json:"converter_skew_tolerance_s"`
		EngineFile              *string         `json:"engine_file"`
		Dwell                   *float64        `json:"dwell_deg"`
		Static                  *float64        `json:"static_deg"`
		StaticTolerance         *float64        `json:"static_tolerance_deg"`
		Target                  *float64        `json:"target_deg"`
		TargetTable             []jsonTargetRow `json:"target_table"`
		Tolerance               *float64        `json:"tolerance_deg"`
	}
	jsonTargetRow struct {
		RPM   *float64 `json:"rpm"`
		Angle *float64 `json:"angle_deg"`
	}
	jsonDecision struct {
		What  string `json:"what"`
		Value string `json:"value"`
		Why   string `json:"why"`
		Given bool   `json:"given"`
	}
	jsonCounts struct {
		Revolutions        int `json:"revolutions"`
		Sparks             int `json:"sparks"`
		OK                 int `json:"ok"`
		MissedSparks       int `json:"missed_sparks"`
		RepeatedSparks     int `json:"repeated_sparks"`
		OtherSparks        int `json:"other_sparks"`
		MissedReferences   int `json:"missed_references"`
		RejectedReferences int `json:"rejected_references"`
	}
	jsonSpeed struct {
		Min  *float64 `json:"min_rpm"`
		Max  *float64 `json:"max_rpm"`
		Mean *float64 `json:"mean_rpm"`
	}
	jsonSummary struct {
		N        int      `json:"n"`
		Mean     *float64 `json:"mean_deg"`
		Median   *float64 `json:"median_deg"`
		StdDev   *float64 `json:"stddev_deg"`
		Robust   *float64 `json:"robust_stddev_deg"`
		Expanded *float64 `json:"expanded_uncertainty_deg"`
		Sampling *float64 `json:"sampling_stddev_deg"`
		Target   *float64 `json:"target_deg"`
		jsonBudget
	}
	jsonBin struct {
		From *float64 `json:"rpm_from"`
		To   *float64 `json:"rpm_to"`
		RPM  *float64 `json:"rpm_mean"`
		jsonSummary
		Uncertainty []jsonComponent `json:"uncertainty"`
	}
	jsonCylinder struct {
		Cylinder int      `json:"cylinder"`
		Stated   []int    `json:"stated_cylinders"`
		Offset   *float64 `json:"firing_offset_deg"`
		jsonSummary
		Uncertainty []jsonComponent `json:"uncertainty"`
	}
	// jsonBudget is what a budget of a mean comes to.
	jsonBudget struct {
		Combined *float64     `json:"combined_standard_uncertainty_deg"`
		Dof      *float64     `json:"effective_degrees_of_freedom"`
		Factor   *float64     `json:"coverage_factor"`
		Largest  *jsonLargest `json:"largest_uncertainty"`
	}
	jsonLargest struct {
		Source string   `json:"source"`
		Share  *float64 `json:"variance_share"`
		Shrink string   `json:"smaller_by"`
	}
	// jsonSlopeBudget is the budget of a slope.
	jsonSlopeBudget struct {
		Combined   *float64             `json:"combined_standard_uncertainty_deg_per_1000rpm"`
		Dof        *float64             `json:"effective_degrees_of_freedom"`
		Factor     *float64             `json:"coverage_factor"`
		Expanded   *float64             `json:"expanded_uncertainty_deg_per_1000rpm"`
		Largest    *jsonLargest         `json:"largest_uncertainty"`
		Components []jsonSlopeComponent `json:"uncertainty"`
	}
	jsonInterceptBudget struct {
		jsonBudget
		Expanded   *float64        `json:"expanded_uncertainty_deg"`
		Components []jsonComponent `json:"uncertainty"`
	}
	jsonSlopeComponent struct {
		Source string   `json:"source"`
		Kind   string   `json:"kind"`
		Std    *float64 `json:"standard_uncertainty_deg_per_1000rpm"`
		jsonInput
		Sensitivity *float64 `json:"sensitivity_deg_per_1000rpm_per_unit"`
	}
	// jsonInput is what is known of an input quantity.
	jsonInput struct {
		Dof          *float64 `json:"degrees_of_freedom"`
		Estimate     string   `json:"estimate"`
		Shrink       string   `json:"smaller_by"`
		Quantity     string   `json:"quantity"`
		Unit         string   `json:"unit"`
		HalfWidth    *float64 `json:"half_width"`
		InputStd     *float64 `json:"input_standard_uncertainty"`
		Distribution string   `json:"distribution"`
		Share        *float64 `json:"variance_share"`
	}
	jsonTrend struct {
		InterceptBudget    *jsonInterceptBudget `json:"intercept_budget"`
		SlopeBudget        *jsonSlopeBudget     `json:"slope_budget"`
		Intercept          *float64             `json:"intercept_deg"`
		InterceptStd       *float64             `json:"intercept_standard_uncertainty_deg"`
		Slope              *float64             `json:"slope_deg_per_1000rpm"`
		SlopeStd           *float64             `json:"slope_standard_uncertainty_deg_per_1000rpm"`
		Correlation        *float64             `json:"correlation"`
		EquivalentDelay    *float64             `json:"equivalent_delay_s"`
		EquivalentDelayStd *float64             `json:"equivalent_delay_standard_uncertainty_s"`
		ResidualStd        *float64             `json:"residual_stddev_deg"`
		From               *float64             `json:"rpm_from"`
		To                 *float64             `json:"rpm_to"`
		Straight           bool                 `json:"straight"`
		N                  int                  `json:"n"`
		IndependentN       *float64             `json:"independent_n"`
		Covariance         *float64             `json:"covariance_deg2_per_1000rpm"`
		Explanation        string               `json:"explanation"`
		Why                string               `json:"why"`
		Corners            []jsonCorner         `json:"corners"`
		Segments           []jsonSegment        `json:"segments"`
		Ends               *jsonEnds            `json:"ends_alike"`
		CurveStd           *float64             `json:"curve_stddev_deg"`
		LackOfFit          *float64             `json:"lack_of_fit_deg"`
		UpDown             *jsonUpDown          `json:"up_less_down"`
		Alternatives       []jsonAlternative    `json:"alternatives"`
	}
	jsonCorner struct {
		RPM        *float64 `json:"rpm"`
		RPMStd     *float64 `json:"rpm_standard_uncertainty"`
		Advance    *float64 `json:"advance_deg"`
		AdvanceStd *float64 `json:"advance_standard_uncertainty_deg"`
	}
	jsonSegment struct {
		From               *float64 `json:"rpm_from"`
		To                 *float64 `json:"rpm_to"`
		AdvanceFrom        *float64 `json:"advance_from_deg"`
		AdvanceTo          *float64 `json:"advance_to_deg"`
		Slope              *float64 `json:"slope_deg_per_1000rpm"`
		SlopeStd           *float64 `json:"slope_standard_uncertainty_deg_per_1000rpm"`
		EquivalentDelay    *float64 `json:"equivalent_delay_s"`
		EquivalentDelayStd *float64 `json:"equivalent_delay_standard_uncertainty_s"`
	}
	jsonEnds struct {
		Slope              *float64 `json:"slope_deg_per_1000rpm"`
		SlopeStd           *float64 `json:"slope_standard_uncertainty_deg_per_1000rpm"`
		EquivalentDelay    *float64 `json:"equivalent_delay_s"`
		EquivalentDelayStd *float64 `json:"equivalent_delay_standard_uncertainty_s"`
		Rise               *float64 `json:"rise_deg"`
		RiseStd            *float64 `json:"rise_standard_uncertainty_deg"`
	}
	jsonUpDown struct {
		RPM        *float64 `json:"rpm"`
		Difference *float64 `json:"difference_deg"`
		Std        *float64 `json:"standard_uncertainty_deg"`
	}
	jsonAlternative struct {
		Name       string   `json:"name"`
		Corners    int      `json:"corners"`
		Parameters int      `json:"parameters"`
		Scatter    *float64 `json:"stddev_deg"`
		Criterion  *float64 `json:"criterion_above_least"`
		Departure  *float64 `json:"departure_deg"`
		Taken      bool     `json:"taken"`
	}
	jsonStatic struct {
		Static      *float64         `json:"static_deg"`
		Tolerance   *float64         `json:"tolerance_deg"`
		Differences []jsonDifference `json:"differences"`
	}
	jsonDifference struct {
		At       string   `json:"at"`
		RPM      *float64 `json:"rpm"`
		Running  *float64 `json:"running_deg"`
		Value    *float64 `json:"difference_deg"`
		Expanded *float64 `json:"expanded_uncertainty_deg"`
	}
	jsonComponent struct {
		Source string   `json:"source"`
		Kind   string   `json:"kind"`
		Std    *float64 `json:"standard_uncertainty_deg"`
		jsonInput
		Sensitivity *float64 `json:"sensitivity_deg_per_unit"`
	}
	jsonVerdict struct {
		Decision    string                `json:"decision"`
		Target      *float64              `json:"target_deg"`
		ByTable     bool                  `json:"target_by_table"`
		Tolerance   *float64              `json:"tolerance_deg"`
		Deviation   *float64              `json:"deviation_deg"`
		Probability *float64              `json:"conformity_probability"`
		Advice      string                `json:"advice"`
		Doubt       *string               `json:"doubt"`
		Settle      *jsonSettlement       `json:"would_settle"`
		Bins        []jsonBinVerdict      `json:"bins"`
		Cylinders   []jsonCylinderVerdict `json:"cylinders"`
	}
	jsonBinVerdict struct {
		From *float64 `json:"rpm_from"`
		To   *float64 `json:"rpm_to"`
		jsonOneVerdict
	}
	jsonOneVerdict struct {
		Decision    string          `json:"decision"`
		Target      *float64        `json:"target_deg"`
		Deviation   *float64        `json:"deviation_deg"`
		Probability *float64        `json:"conformity_probability"`
		Advice      string          `json:"advice"`
		Settle      *jsonSettlement `json:"would_settle"`
	}
	jsonCylinderVerdict struct {
		Cylinder int `json:"cylinder"`
		jsonOneVerdict
	}
	jsonSettlement struct {
		Margin   *float64 `json:"margin_deg"`
		Source   string   `json:"source"`
		Unit     string   `json:"unit"`
		From     *float64 `json:"known_to"`
		To       *float64 `json:"must_be_known_to"`
		Sparks   int      `json:"sparks_needed"`
		Expanded *float64 `json:"expanded_uncertainty_needed_deg"`
	}
	jsonFinding struct {
		Code     string   `json:"code"`
		Severity string   `json:"severity"`
		Message  string   `json:"message"`
		Count    int      `json:"count"`
		First    *float64 `json:"first_s"`
		Engine   bool     `json:"about_engine"`
	}
	jsonMissing struct {
		What       string   `json:"what"`
		Time       *float64 `json:"time_s"`
		Revolution int      `json:"revolution"`
		Reason     string   `json:"reason"`
	}
)

// known is v, or nil when it is no finite number.
func known[T ~float64](v T) *float64 {
	f := float64(v)
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

// oneVerdict is the verdict for a part of the sparks.
func oneVerdict(b analysis.BinVerdict) jsonOneVerdict {
	return jsonOneVerdict{Decision: b.Decision, Target: known(b.Target), Deviation: known(b.Deviation), Probability: known(b.Probability), Advice: b.Advice, Settle: settlement(b.Settle)}
}

// targetRows are the rows of a target by speed; null without one.
func targetRows(t []analysis.TargetRow) []jsonTargetRow {
	var out []jsonTargetRow
	for _, r := range t {
		out = append(out, jsonTargetRow{known(r.RPM), known(r.Angle)})
	}
	return out
}

// named is s, or nil when it is empty.
func named(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// maybe is what p points to, or nil.
func maybe[T ~float64](p *T) *float64 {
	if p == nil {
		return nil
	}
	return known(*p)
}

// document maps a result to what is written.
func document(r *analysis.Result) jsonDocument {
	s := r.Setup
	beside, _ := besides(r)
	d := jsonDocument{
		Schema:    Schema,
		Recording: recordingOf(r.Recording),
		Setup: jsonSetup{
			SparkChannel: s.SparkChannel, SparkKind: string(s.SparkKind),
			ReferenceChannel: s.ReferenceChannel, ReferenceKind: string(s.ReferenceKind),
			ReferenceAngle: maybe(s.ReferenceAngle), ReferenceAngleTolerance: maybe(s.ReferenceAngleTolerance),
			ReferencePulses: s.ReferencePulses, SparksPerRev: perRev(s.SparksPerRev),
			FiringOffsets: s.FiringOffsets, SpeedFluctuation: maybe(s.SpeedFluctuation),
			SparkDelay: known(s.SparkDelayS), ReferenceDelay: known(s.ReferenceDelayS), DelayTolerance: maybe(s.DelayToleranceS),
			SparkDelayTolerance: maybe(s.SparkDelayToleranceS), ReferenceDelayTolerance: maybe(s.ReferenceDelayToleranceS),
			ConverterSkew: known(s.ConverterSkewS), ConverterSkewTolerance: maybe(s.ConverterSkewToleranceS), EngineFile: named(s.EngineFile),
			Dwell: maybe(s.Dwell), Static: maybe(s.Static), StaticTolerance: maybe(s.StaticTolerance),
			Target: maybe(s.Target), TargetTable: targetRows(s.TargetTable), Tolerance: maybe(s.Tolerance),
		},
		Relative:  r.Relative,
		Decisions: make([]jsonDecision, 0, len(r.Decisions)),
		Counts: jsonCounts{
			Revolutions: r.Counts.Revolutions, Sparks: r.Counts.Sparks, OK: r.Counts.OK,
			MissedSparks: r.Counts.MissedSparks, RepeatedSparks: r.Counts.RepeatedSparks, OtherSparks: r.Counts.OtherSparks,
			MissedReferences: r.Counts.MissedReferences, RejectedReferences: r.Counts.RejectedReferences,
		},
		Speed:       jsonSpeed{Min: known(r.MinRPM), Max: known(r.MaxRPM), Mean: known(r.MeanRPM)},
		Caveats:     findingsOf(beside),
		Advance:     summary(r.Advance),
		Bins:        make([]jsonBin, 0, len(r.Bins)),
		Uncertainty: make([]jsonComponent, 0, len(r.Uncertainty)),
		Findings:    findingsOf(r.Findings),
		Missing:     make([]jsonMissing, 0, len(r.Missing)),
	}
	for _, x := range r.Decisions {
		d.Decisions = append(d.Decisions, jsonDecision(x))
	}
	for _, b := range r.Bins {
		d.Bins = append(d.Bins, jsonBin{From: known(b.FromRPM), To: known(b.ToRPM), RPM: known(b.MeanRPM), jsonSummary: summary(b.Summary), Uncertainty: components(b.Budget)})
	}
	d.Cylinders = make([]jsonCylinder, 0, len(r.Cylinders))
	for _, c := range r.Cylinders {
		j := jsonCylinder{Cylinder: c.Number, Stated: append([]int{}, c.Stated...), jsonSummary: summary(c.Summary), Uncertainty: components(c.Budget)}
		if c.Stated != nil {
			j.Offset = known(c.OffsetDeg)
		}
		d.Cylinders = append(d.Cylinders, j)
	}
	if t := r.Trend; t != nil {
		d.Trend = &jsonTrend{
			InterceptBudget: interceptBudget(t.InterceptBudget), SlopeBudget: slopeBudget(t.SlopeBudget),
			Intercept: known(t.Intercept), InterceptStd: known(t.InterceptStd),
			Slope: known(t.SlopePer1000), SlopeStd: known(t.SlopeStd), Correlation: known(t.Correlation),
			EquivalentDelay: known(t.EquivalentDelayS), EquivalentDelayStd: known(t.EquivalentDelayStdS),
			ResidualStd: known(t.ResidualStd), From: known(t.FromRPM), To: known(t.ToRPM), Straight: t.Straight, N: t.N,
		}
		d.Trend.more(t)
	}
	if w := r.Dwell; w != nil {
		d.Dwell = &jsonDwell{Mean: float64(w.Mean), Expanded: float64(w.Expanded), StdDev: float64(w.StdDev), N: w.N, Cycle: float64(w.Cycle), Given: w.Given}
	}
	if c := r.Static; c != nil {
		d.Static = &jsonStatic{Static: known(c.Static), Tolerance: known(c.Tolerance), Differences: make([]jsonDifference, 0, len(c.Differences))}
		for _, x := range c.Differences {
			d.Static.Differences = append(d.Static.Differences, jsonDifference{
				At: x.At, RPM: known(x.RPM), Running: known(x.Running), Value: known(x.Value), Expanded: known(x.Expanded),
			})
		}
	}
	for _, c := range r.Uncertainty {
		d.Uncertainty = append(d.Uncertainty, component(c))
	}
	if v := r.Verdict; v != nil {
		d.Verdict = &jsonVerdict{
			Decision: v.Decision, Target: known(v.Target), ByTable: v.ByTable, Tolerance: known(v.Tolerance), Deviation: known(v.Deviation),
			Probability: known(v.Probability), Advice: v.Advice, Doubt: named(v.Doubt), Settle: settlement(v.Settle), Bins: make([]jsonBinVerdict, 0, len(v.Bins)),
		}
		for i, b := range v.Bins {
			j := jsonBinVerdict{jsonOneVerdict: oneVerdict(b)}
			if i < len(r.Bins) {
				j.From, j.To = known(r.Bins[i].FromRPM), known(r.Bins[i].ToRPM)
			}
			d.Verdict.Bins = append(d.Verdict.Bins, j)
		}
		d.Verdict.Cylinders = make([]jsonCylinderVerdict, 0, len(v.Cylinders))
		for i, b := range v.Cylinders {
			j := jsonCylinderVerdict{jsonOneVerdict: oneVerdict(b)}
			if i < len(r.Cylinders) {
				j.Cylinder = r.Cylinders[i].Number
			}
			d.Verdict.Cylinders = append(d.Verdict.Cylinders, j)
		}
	}
	for _, m := range r.Missing {
		d.Missing = append(d.Missing, jsonMissing{What: m.What, Time: known(m.TimeS), Revolution: m.Revolution, Reason: m.Reason})
	}
	return d
}

// recordingOf maps what is known of the recording as a whole.
func recordingOf(r analysis.Recording) jsonRecording {
	return jsonRecording{
		Path: r.Path, SampleRate: known(r.SampleRateHz), Channels: r.Channels,
		Bits: r.Bits, Encoding: r.Encoding, Duration: known(r.DurationS),
		Remarks: append([]string{}, r.Remarks...), Fingerprint: named(r.Fingerprint),
	}
}

// findingsOf maps findings, in order.
func findingsOf(all []analysis.Finding) []jsonFinding {
	out := make([]jsonFinding, 0, len(all))
	for _, f := range all {
		j := jsonFinding{Code: f.Code, Severity: string(f.Severity), Message: f.Message, Count: f.Count, Engine: f.Engine}
		if f.Count > 0 {
			j.First = known(f.FirstS)
		}
		out = append(out, j)
	}
	return out
}

// summary maps what has no basis to null: an angle of no spark, a scatter of
// one.
func summary(s analysis.Summary) jsonSummary {
	j := jsonSummary{N: s.N}
	if s.N > 0 {
		j.Mean, j.Median = known(s.Mean), known(s.Median)
	}
	if s.N > 1 {
		j.StdDev, j.Robust = known(s.StdDev), known(s.Robust)
	}
	if s.N > 1 {
		j.Sampling = known(s.SamplingStd)
	}
	j.Target = maybe(s.Target)
	if s.HasExpanded {
		j.Expanded = known(s.Expanded)
		j.jsonBudget = budgetOf(s.Budget)
	}
	return j
}

func component(c analysis.Component) jsonComponent {
	return jsonComponent{Source: c.Source, Kind: c.Kind, Std: known(c.Std), jsonInput: inputOf(c), Sensitivity: known(c.Sensitivity)}
}

func inputOf(c analysis.Component) jsonInput {
	j := jsonInput{Estimate: c.Estimate, Shrink: c.Shrink, Quantity: c.Quantity, Unit: c.Unit, InputStd: known(c.InputStd), Distribution: c.Distribution, Share: known(c.Share)}
	if c.Dof > 0 {
		j.Dof = known(c.Dof)
	}
	if c.HalfWidth > 0 {
		j.HalfWidth = known(c.HalfWidth)
	}
	return j
}

// components lists those of b, none when it is nil.
func components(b *analysis.Budget) []jsonComponent {
	out := []jsonComponent{}
	if b != nil {
		for _, c := range b.Components {
			out = append(out, component(c))
		}
	}
	return out
}

func budgetOf(b *analysis.Budget) jsonBudget {
	if b == nil {
		return jsonBudget{}
	}
	j := jsonBudget{Combined: known(b.Combined), Factor: known(b.Factor), Largest: largestOf(b)}
	if b.Dof > 0 {
		j.Dof = known(b.Dof)
	}
	return j
}

func largestOf(b *analysis.Budget) *jsonLargest {
	c, ok := b.Main()
	if !ok {
		return nil
	}
	return &jsonLargest{Source: c.Source, Share: known(c.Share), Shrink: c.Shrink}
}

func interceptBudget(b *analysis.Budget) *jsonInterceptBudget {
	if b == nil {
		return nil
	}
	return &jsonInterceptBudget{jsonBudget: budgetOf(b), Expanded: known(b.Expanded), Components: components(b)}
}

func slopeBudget(b *analysis.Budget) *jsonSlopeBudget {
	if b == nil {
		return nil
	}
	j := &jsonSlopeBudget{Combined: known(b.Combined), Factor: known(b.Factor), Expanded: known(b.Expanded), Largest: largestOf(b), Components: []jsonSlopeComponent{}}
	if b.Dof > 0 {
		j.Dof = known(b.Dof)
	}
	for _, c := range b.Components {
		j.Components = append(j.Components, jsonSlopeComponent{Source: c.Source, Kind: c.Kind, Std: known(c.Std), jsonInput: inputOf(c), Sensitivity: known(c.Sensitivity)})
	}
	return j
}

// perRev writes a rate of sparks as "1", "2" or "1/2"; nil when it is not
// known.
func perRev(s analysis.SparksPerRev) *string {
	if s.Num <= 0 || s.Den <= 0 {
		return nil
	}
	t := fmt.Sprint(s.Num)
	if s.Den > 1 {
		t += fmt.Sprintf("/%d", s.Den)
	}
	return &t
}

// more fills in the curve.
func (j *jsonTrend) more(t *analysis.Trend) {
	j.IndependentN, j.Covariance, j.Explanation, j.Why = known(t.IndependentN), known(t.Covariance), t.Explanation, t.Why
	j.CurveStd, j.LackOfFit = known(t.CurveStd), known(t.LackOfFit)
	j.Corners, j.Segments, j.Alternatives = []jsonCorner{}, []jsonSegment{}, []jsonAlternative{}
	for _, c := range t.Corners {
		j.Corners = append(j.Corners, jsonCorner{known(c.RPM), known(c.RPMStd), known(c.Advance), known(c.AdvanceStd)})
	}
	for _, s := range t.Segments {
		j.Segments = append(j.Segments, jsonSegment{
			known(s.FromRPM), known(s.ToRPM), known(s.From), known(s.To),
			known(s.SlopePer1000), known(s.SlopeStd), known(s.EquivalentDelayS), known(s.EquivalentDelayStdS),
		})
	}
	if e := t.Ends; e != nil {
		j.Ends = &jsonEnds{known(e.SlopePer1000), known(e.SlopeStd), known(e.EquivalentDelayS), known(e.EquivalentDelayStdS), known(e.Rise), known(e.RiseStd)}
	}
	if u := t.UpDown; u != nil {
		j.UpDown = &jsonUpDown{known(u.RPM), known(u.Difference), known(u.Std)}
	}
	for _, a := range t.Alternatives {
		j.Alternatives = append(j.Alternatives, jsonAlternative{a.Name, a.Corners, a.Parameters, known(a.ScatterDeg), known(a.Criterion), known(a.DepartureDeg), a.Taken})
	}
}

func settlement(s *analysis.Settlement) *jsonSettlement {
	if s == nil {
		return nil
	}
	j := &jsonSettlement{Margin: known(s.Margin), Source: s.Source, Unit: s.Unit, From: known(s.From), Sparks: s.Sparks, Expanded: known(s.Expanded)}
	if s.Alone {
		j.To = known(s.To)
	}
	return j
}
