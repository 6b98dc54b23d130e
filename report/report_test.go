package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"sparkscope/analysis"
	"sparkscope/report/plot"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func deg(v float64) *analysis.Degrees { d := analysis.Degrees(v); return &d }

// full is a hand-built result of an invented engine in which every part of a
// result is present. Its figures hang together but were not measured.
func full() *analysis.Result {
	r := &analysis.Result{
		Recording: analysis.Recording{Path: "bench/pull 3.wav", SampleRateHz: 48000, Channels: 2, Bits: 16, Encoding: "pcm", DurationS: 12.5,
			Remarks: []string{"the header gives no length: read to the end"}},
		Setup: analysis.Setup{
			SparkChannel: 1, ReferenceChannel: 2, SparkKind: analysis.Clamp, ReferenceKind: analysis.ContactReference,
			ReferenceAngle: deg(35), ReferencePulses: 1, SparksPerRev: analysis.SparksPerRev{Num: 1, Den: 1},
			Static: deg(19), StaticTolerance: deg(0.5), ReferenceDelayS: 250e-6, Target: deg(18), Tolerance: deg(2),
		},
		Decisions: []analysis.Decision{
			{What: "spark channel", Value: "1", Why: "its pulses are short bursts that start from rest"},
			{What: "reference kind", Value: "contact", Given: true},
		},
		Counts: analysis.Counts{Revolutions: 606, Sparks: 604, OK: 601, MissedSparks: 4, RepeatedSparks: 2, OtherSparks: 1, MissedReferences: 3, RejectedReferences: 12},
		MinRPM: 1213.4, MaxRPM: 6047.1, MeanRPM: 3120.2,
		Advance: analysis.Summary{N: 601, Mean: 18.2712, Median: 18.25, StdDev: 0.4312, Robust: 0.41, Expanded: 0.6123, HasExpanded: true},
		Trend: &analysis.Trend{Intercept: 19.02, InterceptStd: 0.33, SlopePer1000: -0.361, SlopeStd: 0.021, Correlation: -0.9,
			EquivalentDelayS: 60.2e-6, EquivalentDelayStdS: 3.5e-6, ResidualStd: 0.4, FromRPM: 1250, ToRPM: 5800, Straight: true, N: 601,
			IndependentN: 580, Covariance: -0.00624, Explanation: analysis.AngleAndDelay, Why: "The angle falls in a straight line through all speeds, as a constant angle and a net delay (spark less reference) of 60 ± 7 µs would make it: pick-up or ignition, not separable until the pick-up's own delay is known. Nothing is taken out.",
			CurveStd: 0.4, UpDown: &analysis.UpDown{RPM: 3100, Difference: 0.05, Std: 0.06},
			Alternatives: []analysis.Alternative{
				{Name: "constant", Parameters: 2, ScatterDeg: 0.62, Criterion: 501.2},
				{Name: "straight line", Parameters: 3, ScatterDeg: 0.4, Taken: true},
				{Name: "1 corner", Corners: 1, Parameters: 6, ScatterDeg: 0.4, Criterion: 17.3, DepartureDeg: 0.06},
			}},
		Static: &analysis.StaticComparison{Static: 19, Tolerance: 0.5, Differences: []analysis.Difference{
			{At: "idle", RPM: 1250, Running: 18.57, Value: -0.43, Expanded: 0.8},
			{At: "top", RPM: 5800, Running: 16.93, Value: -2.07, Expanded: 0.8},
			{At: "zero speed", Running: 19.02, Value: 0.02, Expanded: 0.9},
		}},
		Verdict: &analysis.Verdict{Decision: analysis.Within, Target: 18, Tolerance: 2, Deviation: 0.2712, Probability: 0.9999},
		Findings: []analysis.Finding{
			{Code: "bridged-references", Severity: analysis.Warning, Message: "3 reference pulses were missing and were bridged from their neighbours", Count: 3, FirstS: 2.125},
			{Code: "hum", Severity: analysis.Note, Message: "mains hum is 40 dB below the pulses"},
		},
	}
	r.Advance.SamplingStd, r.Advance.Budget = 0.0176, budget(0.289, 0.0176)
	r.Uncertainty = r.Advance.Budget.Components
	r.Trend.InterceptBudget, r.Trend.SlopeBudget = budget(0.289, 0.33), budget(0, 0.021)
	for i := range 5 {
		lo := 1000 * float64(i+1)
		m := analysis.Degrees(19.02 - 0.361*(lo+500)/1000)
		s := analysis.Summary{N: 120 + i, Mean: m, Median: m - 0.02, StdDev: 0.4, Robust: 0.39, Expanded: 0.62, HasExpanded: true, SamplingStd: 0.036, Budget: budget(0.289, 0.036)}
		if i == 4 {
			s = analysis.Summary{N: 1, Mean: m, Median: m}
		}
		r.Bins = append(r.Bins, analysis.Bin{FromRPM: lo, ToRPM: lo + 1000, MeanRPM: lo + 500, Summary: s})
		r.Verdict.Bins = append(r.Verdict.Bins, analysis.BinVerdict{Decision: analysis.Within, Probability: 0.99})
	}
	r.Verdict.Bins[4] = analysis.BinVerdict{Decision: analysis.Undecided, Probability: 0.6}
	r.Firings = []analysis.Firing{
		{TimeS: 0.0312345678, Revolution: 0, RPM: 1213.4, Advance: 18.71234, Sigma: 0.0123, HasAngle: true, Status: analysis.OK},
		{TimeS: 0.0334, Revolution: 0, RPM: 1214, Advance: 2.5, Sigma: 0.02, HasAngle: true, Status: analysis.Repeated},
		{TimeS: 0.0811, Revolution: 1, RPM: 1220.25, Advance: 18.4, Sigma: 0.0123, HasAngle: true, Status: analysis.OK},
		{TimeS: 12.4, Revolution: 605, Status: analysis.NoReference},
	}
	r.Missing = []analysis.Missing{
		{What: "spark", TimeS: 0.13, Revolution: 2, Reason: "no pulse where one\nwas due"},
		{What: "reference", TimeS: 12.5, Revolution: 606, Reason: "twice the usual distance"},
	}
	return r
}

// budget is one of two sources with these standard uncertainties.
func budget(angle, scatter float64) *analysis.Budget {
	u := math.Hypot(angle, scatter)
	b := &analysis.Budget{Combined: analysis.Degrees(u), Dof: 4000, Expanded: analysis.Degrees(1.9 * u), Factor: 1.9, Components: []analysis.Component{
		{Source: "reference angle", Kind: "B", Std: analysis.Degrees(angle), Estimate: "±0.5° rectangular, stated default", Shrink: "halve the piston-stop readings",
			Quantity: "angle of the reference", Unit: "°", HalfWidth: 0.5, InputStd: 0.289, Distribution: analysis.Rectangular, Sensitivity: angle / 0.289, Share: angle * angle / u / u},
		{Source: "scatter of the timing", Kind: "A", Std: analysis.Degrees(scatter), Dof: 600, Estimate: "601 sparks", Shrink: "record longer",
			Quantity: "random timing", Unit: "s", InputStd: 1e-6, Distribution: analysis.Normal, Sensitivity: scatter * 1e6, Share: scatter * scatter / u / u},
	}}
	if scatter > angle {
		b.Largest = 1
	}
	return b
}

// relative is a result without a reference angle, whose angles straddle ±180°.
func relative() *analysis.Result {
	r := full()
	r.Relative = true
	r.Setup.ReferenceAngle, r.Setup.Target, r.Setup.Tolerance, r.Setup.Static, r.Setup.StaticTolerance = nil, nil, nil, nil, nil
	r.Verdict, r.Static, r.Trend = nil, nil, nil
	r.Advance.Mean, r.Advance.Median = -179.6, -179.5
	for i := range r.Bins {
		m := analysis.Degrees(179.2 + 0.4*float64(i))
		if m > 180 {
			m -= 360
		}
		r.Bins[i].Mean, r.Bins[i].Median = m, m
	}
	for i := range r.Firings {
		if r.Firings[i].HasAngle {
			r.Firings[i].Advance = 179.9
		}
	}
	return r
}

// undecided is after top dead centre, not straight, and short of its verdict.
func undecided() *analysis.Result {
	r := full()
	r.Advance = analysis.Summary{N: 40, Mean: -3.24, Median: -3.1, StdDev: 1.8, Robust: 1.2, Expanded: 1.43, HasExpanded: true}
	r.Setup.Target, r.Setup.Tolerance = deg(-2), deg(1)
	r.Verdict = &analysis.Verdict{Decision: analysis.Undecided, Target: -2, Tolerance: 1, Deviation: -1.24, Probability: 0.41,
		Advice: "Calibrate the reference angle: it makes up most of the uncertainty."}
	r.Static, r.Missing, r.Decisions, r.Findings = nil, nil, nil, nil
	r.Trend.Straight = false
	r.Trend.Explanation, r.Trend.Why = analysis.AdvanceCurve, "The angle rises from -8.0° to -3.0° up to 1800 rpm (±60), then holds about -3.0° up to the fastest recorded, 2900 rpm. No constant delay does that: a delay is straight through all speeds."
	r.Trend.Corners = []analysis.Corner{{RPM: 1801.2, RPMStd: 30.4, Advance: -3.02, AdvanceStd: 0.11}}
	r.Trend.Segments = []analysis.Segment{
		{FromRPM: 1250, ToRPM: 1801.2, From: -8, To: -3.02, SlopePer1000: 9.03, SlopeStd: 0.5, EquivalentDelayS: -1505e-6, EquivalentDelayStdS: 83e-6},
		{FromRPM: 1801.2, ToRPM: 2900, From: -3.02, To: -3.05, SlopePer1000: -0.03, SlopeStd: 0.2, EquivalentDelayS: 5e-6, EquivalentDelayStdS: 33e-6},
	}
	r.Trend.Ends = &analysis.Ends{SlopePer1000: 0.1, SlopeStd: 0.2, EquivalentDelayS: -17e-6, EquivalentDelayStdS: 33e-6, Rise: 5, RiseStd: 0.2}
	r.Recording.Remarks = nil
	r.Bins = r.Bins[:2]
	for i := range r.Bins {
		r.Bins[i].Mean, r.Bins[i].Median = -3, -3
		r.Verdict.Bins = append(r.Verdict.Bins, analysis.BinVerdict{Decision: analysis.Undecided, Probability: 0.4})
	}
	return r
}

// byTable is judged against a target by speed: within in the mean, outside in
// one range.
func byTable() *analysis.Result {
	r := full()
	r.Setup.Target = nil
	r.Setup.TargetTable = []analysis.TargetRow{{RPM: 2000, Angle: 12.5}, {RPM: 4000, Angle: 18}}
	r.Setup.EngineFile = "bench.toml"
	r.Decisions = append(r.Decisions, analysis.Decision{What: "target", Value: "table of 2 rows", Why: "from bench.toml, straight lines between its rows, its ends held beyond them", Given: true})
	r.Advance.Target = deg(17.0123)
	r.Verdict = &analysis.Verdict{Decision: analysis.Within, ByTable: true, Target: 17.0123, Tolerance: 2, Deviation: 1.2589, Probability: 0.9931}
	for i := range r.Bins {
		t, _ := r.Setup.TargetAt(r.Bins[i].MeanRPM)
		r.Bins[i].Target = &t
		v := analysis.BinVerdict{Decision: analysis.Within, Target: t, Deviation: r.Bins[i].Mean - t, Probability: 0.98}
		if i == 0 {
			v.Decision, v.Probability = analysis.Outside, 0.0001
		}
		r.Verdict.Bins = append(r.Verdict.Bins, v)
	}
	return r
}

// twin has two places at which cylinders fire, one of them with two cylinders.
func twin() *analysis.Result {
	r := full()
	r.Setup.FiringOffsets = []float64{0, 180, 540}
	r.Setup.SparksPerRev = analysis.SparksPerRev{Num: 2, Den: 1}
	half := r.Advance
	half.N, half.Mean, half.Median = 300, 18.91, 18.9
	late := r.Advance
	late.N, late.Mean, late.Median = 301, 17.63, 17.6
	r.Cylinders = []analysis.Cylinder{{Number: 1, Stated: []int{1}, Summary: half}, {Number: 2, Stated: []int{2, 3}, OffsetDeg: 180, Summary: late}}
	r.Verdict.Cylinders = []analysis.BinVerdict{
		{Decision: analysis.Within, Target: 18, Deviation: 0.91, Probability: 0.9992},
		{Decision: analysis.Undecided, Target: 18, Deviation: -0.37, Probability: 0.9, Advice: "Calibrate the reference angle."},
	}
	return r
}

// least is the least a result can be: one spark counted.
func least() *analysis.Result {
	return &analysis.Result{
		Recording: analysis.Recording{Path: "-", SampleRateHz: 44100, Channels: 1, Bits: 8, Encoding: "pcm", DurationS: 0.2},
		Counts:    analysis.Counts{Revolutions: 2, Sparks: 1, OK: 1},
		Advance:   analysis.Summary{N: 1, Mean: -17.4, Median: -17.4},
		MinRPM:    300, MaxRPM: 300, MeanRPM: 300, Relative: true,
		Firings: []analysis.Firing{{TimeS: 0.1, RPM: 300, Advance: -17.4, HasAngle: true, Sigma: 0.1, Status: analysis.OK}},
	}
}

// toDo is an engine with a doubt about the answer and four findings of its own,
// one more than stand at the top.
func toDo() *analysis.Result {
	r := full()
	r.Verdict.Decision, r.Verdict.Probability = analysis.Outside, 0.001
	r.Findings = append(r.Findings,
		analysis.Finding{Code: "double-angle", Severity: analysis.Warning, Message: "The engine seems to fire at twice its target.", Beside: true},
		analysis.Finding{Code: "timing-scatter", Severity: analysis.Warning, Message: "The timing scatters.", Engine: true},
		analysis.Finding{Code: "drift", Severity: analysis.Warning, Message: "The timing drifts.", Engine: true},
		analysis.Finding{Code: "contact-bounce", Severity: analysis.Warning, Message: "The contacts bounce.", Count: 61, FirstS: 0.5, Engine: true},
		analysis.Finding{Code: "too-advanced", Severity: analysis.Serious, Message: "Stop: the engine fires much too early.", Count: 240, FirstS: 3, Beside: true, Engine: true})
	return r
}

// TestWhatToDo: what to do to the engine stands between the verdict and the
// table, the worst first and three at most; the rest of it below, and nothing
// twice.
func TestWhatToDo(t *testing.T) {
	for name, c := range map[string]struct {
		write         func(io.Writer, *analysis.Result) error
		verdict, head string // of the table
	}{"text": {Text, "OUTSIDE tolerance", "median"}, "html": {HTML, "OUTSIDE tolerance", "and what was done about them"}} {
		var b bytes.Buffer
		if err := c.write(&b, toDo()); err != nil {
			t.Fatal(err)
		}
		s, last := b.String(), -1
		for _, part := range []string{c.verdict, "seems to fire at twice", "What to do", "much too early", "timing scatters", "timing drifts", c.head, "contacts bounce"} {
			at := strings.Index(s, part)
			if at <= last {
				t.Errorf("%s: %q at %d, want it after %d", name, part, at, last)
			}
			if part != c.head && part != c.verdict && strings.Count(s, part) != 1 {
				t.Errorf("%s: %q %d times, want once", name, part, strings.Count(s, part))
			}
			last = at
		}
		b.Reset()
		if err := c.write(&b, full()); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), "What to do") {
			t.Errorf("%s: something to do to an engine in order", name)
		}
	}
}

func results() map[string]*analysis.Result {
	return map[string]*analysis.Result{"full": full(), "relative": relative(), "undecided": undecided(), "least": least(), "bytable": byTable(), "twin": twin(), "todo": toDo()}
}

func TestGolden(t *testing.T) {
	for name, r := range results() {
		for ending, write := range map[string]func(io.Writer, *analysis.Result) error{
			".txt": Text, ".json": JSON, ".csv": Events,
		} {
			var got bytes.Buffer
			if err := write(&got, r); err != nil {
				t.Errorf("%s%s: %v", name, ending, err)
				continue
			}
			file := filepath.Join("testdata", name+ending)
			if *update {
				if err := os.WriteFile(file, got.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
				continue
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got.Bytes(), bytes.ReplaceAll(want, []byte("\r\n"), []byte("\n"))) {
				t.Errorf("%s differs (go test ./report -update rewrites it):\n%s", file, firstDifference(string(want), got.String()))
			}
		}
	}
}

func firstDifference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range max(len(w), len(g)) {
		a, b := "(end)", "(end)"
		if i < len(w) {
			a = w[i]
		}
		if i < len(g) {
			b = g[i]
		}
		if a != b {
			return fmt.Sprintf("line %d\nwant %s\ngot  %s", i+1, a, b)
		}
	}
	return "no line differs"
}

func TestTextFitsTheTerminal(t *testing.T) {
	for name, r := range results() {
		var b bytes.Buffer
		if err := Text(&b, r); err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(b.String(), "\n") {
			if n := utf8.RuneCountInString(line); n > columns {
				t.Errorf("%s, line %d: %d columns: want at most %d\n%s", name, i+1, n, columns, line)
			}
		}
	}
}

// Every output must say that angles without a reference angle are relative.
func TestRelativeIsSaidEverywhere(t *testing.T) {
	for name, write := range map[string]func(io.Writer, *analysis.Result) error{
		"text": Text, "json": JSON, "events": Events, "html": HTML,
		"plot": func(w io.Writer, r *analysis.Result) error { return Plot(w, r, plot.SVG) },
	} {
		var with, without bytes.Buffer
		if err := errors.Join(write(&with, full()), write(&without, relative())); err != nil {
			t.Fatal(err)
		}
		word := "elative to the reference"
		if name == "json" {
			word = `"relative_to_reference": true`
		}
		if strings.Contains(with.String(), word) {
			t.Errorf("%s: says %q of angles that have a reference angle", name, word)
		}
		if !strings.Contains(without.String(), word) {
			t.Errorf("%s: does not say %q", name, word)
		}
	}
}

// The names that outside programs read.
func TestJSONNames(t *testing.T) {
	var b bytes.Buffer
	if err := JSON(&b, full()); err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if doc["schema"] != "sparkscope.measurement/1" {
		t.Errorf("schema %v", doc["schema"])
	}
	first := func(v any) map[string]any {
		if l, ok := v.([]any); ok {
			v = l[0]
		}
		m, _ := v.(map[string]any)
		return m
	}
	for part, names := range map[string]string{
		"recording":   "path sample_rate_hz channels bits encoding duration_s",
		"setup":       "spark_channel reference_channel reference_kind reference_angle_deg spark_delay_s reference_delay_s",
		"counts":      "revolutions sparks ok missed_sparks repeated_sparks missed_references",
		"speed":       "min_rpm max_rpm mean_rpm",
		"advance":     "mean_deg median_deg stddev_deg expanded_uncertainty_deg",
		"bins":        "rpm_from rpm_to rpm_mean n mean_deg median_deg stddev_deg expanded_uncertainty_deg",
		"trend":       "intercept_deg slope_deg_per_1000rpm equivalent_delay_s straight",
		"uncertainty": "source kind standard_uncertainty_deg",
		"verdict":     "decision target_deg tolerance_deg",
		"findings":    "code severity message",
	} {
		m := first(doc[part])
		for name := range strings.FieldsSeq(names) {
			if m[name] == nil {
				t.Errorf("%s has no %s", part, name)
			}
		}
	}
	if got := first(doc["trend"])["equivalent_delay_s"]; got != 60.2e-6 {
		t.Errorf("equivalent_delay_s %v: want 60.2e-6, unrounded", got)
	}
}

// poison fills every number that might come out wrong with what JSON cannot
// hold.
func poison(v float64) *analysis.Result {
	r := full()
	d := analysis.Degrees(v)
	r.Recording.SampleRateHz, r.Recording.DurationS = v, v
	r.MinRPM, r.MaxRPM, r.MeanRPM = v, v, v
	r.Advance = analysis.Summary{N: 3, Mean: d, Median: d, StdDev: d, Robust: d, Expanded: d, HasExpanded: true}
	for i := range r.Bins {
		r.Bins[i] = analysis.Bin{FromRPM: v, ToRPM: v, MeanRPM: v, Summary: r.Advance}
	}
	*r.Trend = analysis.Trend{Intercept: d, InterceptStd: d, SlopePer1000: d, SlopeStd: d, EquivalentDelayS: v, EquivalentDelayStdS: v, Straight: true,
		IndependentN: v, Covariance: v, CurveStd: d, LackOfFit: d, Why: "as it is",
		Corners:  []analysis.Corner{{RPM: v, RPMStd: v, Advance: d, AdvanceStd: d}},
		Segments: []analysis.Segment{{FromRPM: v, ToRPM: v, From: d, To: d, SlopePer1000: d, SlopeStd: d, EquivalentDelayS: v, EquivalentDelayStdS: v}},
		Ends:     &analysis.Ends{SlopePer1000: d, SlopeStd: d, EquivalentDelayS: v, EquivalentDelayStdS: v, Rise: d, RiseStd: d},
		UpDown:   &analysis.UpDown{RPM: v, Difference: d, Std: d}, Alternatives: []analysis.Alternative{{ScatterDeg: v, Criterion: v, DepartureDeg: v}}}
	r.Static.Differences[0] = analysis.Difference{At: "idle", RPM: v, Running: d, Value: d, Expanded: d}
	r.Uncertainty[0].Std, r.Uncertainty[0].Dof = d, v
	r.Verdict.Probability, r.Verdict.Deviation = v, d
	r.Findings[0].FirstS = v
	r.Firings[0] = analysis.Firing{TimeS: v, RPM: v, Advance: d, Sigma: d, HasAngle: true, Status: analysis.OK}
	r.Missing[0].TimeS = v
	return r
}

func TestNoOutputHoldsWhatIsNoNumber(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		r := poison(v)
		var j, e, x bytes.Buffer
		if err := errors.Join(JSON(&j, r), Events(&e, r), Text(&x, r)); err != nil {
			t.Fatalf("%v: %v", v, err)
		}
		if !json.Valid(j.Bytes()) {
			t.Errorf("%v: not JSON", v)
		}
		for name, s := range map[string]string{"json": j.String(), "events": e.String(), "text": x.String()} {
			for _, bad := range []string{"NaN", "Inf", "-922337"} {
				if strings.Contains(s, bad) {
					t.Errorf("%s holds %q", name, bad)
				}
			}
		}
		if err := Plot(io.Discard, r, plot.SVG); err == nil {
			t.Errorf("%v: drawn: want an error", v)
		}
	}
}

// The event table read back by a CSV reader that knows # remarks gives the
// firings again.
func TestEventsReadBack(t *testing.T) {
	r := full()
	var b bytes.Buffer
	if err := Events(&b, r); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(b.String(), "time_s,revolution,rpm,advance_deg,status") {
		t.Errorf("first line: %q", strings.SplitN(b.String(), "\n", 2)[0])
	}
	c := csv.NewReader(&b)
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(r.Firings)+1 {
		t.Fatalf("%d rows: want a header and %d", len(rows), len(r.Firings))
	}
	for i, f := range r.Firings {
		row := rows[i+1]
		if _, decimals, _ := strings.Cut(row[0], "."); len(decimals) != 9 {
			t.Errorf("row %d: time %q: want 9 decimals", i, row[0])
		}
		if v, err := strconv.ParseFloat(row[0], 64); err != nil || math.Abs(v-f.TimeS) > 0.5e-9 {
			t.Errorf("row %d: time %q: want %v", i, row[0], f.TimeS)
		}
		if row[4] != string(f.Status) {
			t.Errorf("row %d: status %q: want %q", i, row[4], f.Status)
		}
		if v, err := strconv.ParseFloat(row[3], 64); f.HasAngle && (err != nil || math.Abs(v-float64(f.Advance)) > 1e-5) {
			t.Errorf("row %d: advance %q: want %v", i, row[3], f.Advance)
		}
		if !f.HasAngle && row[3]+row[2] != "" {
			t.Errorf("row %d: %q, %q: want nothing where nothing is known", i, row[2], row[3])
		}
	}
}

// A recording's name is chosen by whoever made it.
func TestHostileNames(t *testing.T) {
	r := full()
	r.Recording.Path = "x/<script>alert(1)</script>\n# forged\x1b[31m,\"&.wav"
	r.Findings[0].Message = "<img src=x onerror=alert(1)>"
	var page, events, text, doc bytes.Buffer
	if err := errors.Join(HTML(&page, r), Events(&events, r), Text(&text, r), JSON(&doc, r)); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "<img", "onerror=alert(1)>"} {
		if strings.Contains(page.String(), bad) {
			t.Errorf("page holds %q", bad)
		}
	}
	if strings.Contains(events.String(), "\n# forged") {
		t.Error("a line break of the name went into the event table")
	}
	if strings.ContainsRune(text.String(), 0x1b) {
		t.Error("an escape sequence of the name went to the terminal")
	}
	var back struct{ Recording struct{ Path string } }
	if err := json.Unmarshal(doc.Bytes(), &back); err != nil || back.Recording.Path != r.Recording.Path {
		t.Errorf("path read back as %q, %v", back.Recording.Path, err)
	}
}

func TestPageNeedsNothingFromElsewhere(t *testing.T) {
	for name, r := range results() {
		var b bytes.Buffer
		if err := HTML(&b, r); err != nil {
			t.Fatal(err)
		}
		s := b.String()
		for _, bad := range []string{"src=", "href=", "@import", "<script", "<?xml", "url("} {
			if strings.Contains(s, bad) {
				t.Errorf("%s: page holds %q", name, bad)
			}
		}
		for _, want := range []string{"<svg", "</html>", Headline(r)} {
			if !strings.Contains(s, want) {
				t.Errorf("%s: page lacks %q", name, want)
			}
		}
	}
}

// What the reader of the recording remarks is said once, as a remark or as the
// finding that repeats it.
func TestRemarksAreSaidOnce(t *testing.T) {
	const remark = "the recording is cut short"
	for _, found := range []bool{false, true} {
		r := full()
		r.Recording.Remarks = []string{remark}
		if found {
			r.Findings = append(r.Findings, analysis.Finding{Code: "recording", Severity: analysis.Warning, Message: remark})
		}
		for name, write := range map[string]func(io.Writer, *analysis.Result) error{"text": Text, "page": HTML} {
			var b bytes.Buffer
			if err := write(&b, r); err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(b.String(), remark); n != 1 {
				t.Errorf("%s, a finding that repeats it %v: said %d times, want once", name, found, n)
			}
		}
	}
}

// A table of angles after top dead centre says what its minus means, on the
// terminal and on the page; one of angles before it has nothing to say.
func TestMinusIsExplained(t *testing.T) {
	for name, want := range map[string]bool{"full": false, "relative": false, "undecided": true} {
		for kind, write := range map[string]func(io.Writer, *analysis.Result) error{"text": Text, "page": HTML} {
			var b bytes.Buffer
			if err := write(&b, results()[name]); err != nil {
				t.Fatal(err)
			}
			if got := strings.Contains(b.String(), minusNote); got != want {
				t.Errorf("%s, %s: minus explained %v, want %v", name, kind, got, want)
			}
		}
	}
}

func TestPlacesFor(t *testing.T) {
	for _, c := range []struct {
		u    float64
		want int
	}{
		{0.6, 1}, {0.61, 1}, {0.13, 2}, {0.04, 2}, {1.4, 1}, {2, 1}, {4, 0}, {12, 0}, {0, 2}, {math.NaN(), 2}, {math.Inf(1), 2},
		// Both sides of each switch from one figure to two.
		{0.354, 2}, {0.356, 1}, {3.54, 1}, {3.56, 0}, {0.1, 2}, {0.0999, 2}, {0.94, 1}, {1, 1}, {9.4, 0}, {10, 0},
	} {
		if got := placesFor(c.u); got != c.want {
			t.Errorf("placesFor(%v) = %d, want %d", c.u, got, c.want)
		}
	}
}

func TestDirection(t *testing.T) {
	for _, c := range []struct {
		a        analysis.Degrees
		places   int
		relative bool
		want     string
	}{
		{18.26, 1, false, "18.3° before top dead centre"},
		{-3.24, 1, false, "3.2° after top dead centre"},
		{-0.04, 1, false, "top dead centre"},
		{0.05001, 1, false, "0.1° before top dead centre"},
		{-17.4, 0, true, "17° after the reference event"},
		{0, 2, true, "at the reference event"},
	} {
		if got := direction(c.a, c.places, c.relative); got != c.want {
			t.Errorf("direction(%v, %d, %v) = %q, want %q", c.a, c.places, c.relative, got, c.want)
		}
	}
}

func TestNear(t *testing.T) {
	for _, c := range []struct{ center, a, want float64 }{
		{-179, 179, -181}, {179, -179, 181}, {10, 20, 20}, {0, 180, 180}, {-170, 10, -350 + 360},
	} {
		if got := near(c.center, c.a); math.Abs(math.Remainder(got-c.want, 360)) > 1e-12 || math.Abs(got-c.center) > 180 {
			t.Errorf("near(%v, %v) = %v, want %v", c.center, c.a, got, c.want)
		}
	}
}

type broken struct{ after int }

func (b *broken) Write(p []byte) (int, error) {
	if b.after -= len(p); b.after < 0 {
		return 0, errors.New("disk full")
	}
	return len(p), nil
}

func TestWriteErrorsAreReturned(t *testing.T) {
	for name, write := range map[string]func(io.Writer, *analysis.Result) error{
		"text": Text, "json": JSON, "events": Events, "html": HTML,
		"plot": func(w io.Writer, r *analysis.Result) error { return Plot(w, r, plot.PDF) },
	} {
		if err := write(&broken{after: 100}, full()); err == nil {
			t.Errorf("%s: no error from a writer that fails", name)
		}
	}
}

// TestBeside: what bears on the answer as a whole is said right after the
// verdict in text and page, once, and a doubted verdict promises no
// probability.
func TestBeside(t *testing.T) {
	r := full()
	const grave, table = "The wheel may carry four magnets.", "By engine speed"
	r.Findings = append(r.Findings, analysis.Finding{Code: "reference-pulses", Severity: analysis.Serious, Message: grave, Beside: true})
	r.Verdict.Doubt, r.Verdict.Decision = "reference-pulses", analysis.Undecided
	var text, html, doc strings.Builder
	for _, err := range []error{Text(&text, r), HTML(&html, r), JSON(&doc, r)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct{ out, after, before string }{
		"text": {text.String(), "UNDECIDED", "rpm   sparks"}, "page": {html.String(), "UNDECIDED", table},
	} {
		at := strings.Index(c.out, grave)
		if at < strings.Index(c.out, c.after) || at > strings.Index(c.out, c.before) || strings.Count(c.out, grave) != 1 {
			t.Errorf("%s: the finding stands at %d, %d times", name, at, strings.Count(c.out, grave))
		}
		if strings.Contains(c.out, "probability of being within") {
			t.Errorf("%s: a doubted verdict states a probability", name)
		}
	}
	if d := document(r); len(d.Caveats) != 1 || d.Caveats[0].Code != "reference-pulses" || d.Verdict.Doubt == nil || *d.Verdict.Doubt != "reference-pulses" {
		t.Errorf("JSON: caveats %+v, doubt %v", d.Caveats, d.Verdict.Doubt)
	}
}
