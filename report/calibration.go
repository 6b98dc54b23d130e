package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/calibrate"
	"sparkscope/analysis/enginefile"
)

// CalibrationSchema names the layout that CalibrationJSON writes.
const CalibrationSchema = "sparkscope.calibration/1"

// CalibrationFile is what became of a calibration's engine file.
type CalibrationFile struct {
	Path string // of the engine file; empty: none was named
	// Fresh says that there was no such file before.
	Fresh bool
	// Old are the values it held, in words, empty: none; Kept says that they
	// are there still, since nobody said that they may be replaced.
	Old  string
	Kept bool
	// Withheld says that nothing was written since the value is in doubt.
	Withheld bool
	// Agree says whether old and new value lie within their ± of each other;
	// nil where that cannot be said.
	Agree *bool
	// From are the values that came from it, and those that a flag won over.
	From []analysis.Decision
}

// CalibrationSettings are what a calibration puts into an engine file: see
// TolerancedSettings; a delay with the kind of pick-up that it is of.
func CalibrationSettings(c *calibrate.Calibration) []enginefile.Setting {
	s := TolerancedSettings(c.Key, c.Value, c.ToleranceKey, c.Tolerance, "calibrate "+c.Method)
	if c.Kind != "" {
		s = append(s, enginefile.Setting{Key: c.KindKey, Word: c.Kind})
	}
	return s
}

// TolerancedSettings put a value and its tolerance into an engine file, with how
// the value was found: to two digits of the tolerance and one decimal at least
// (an engine file shows that many), the tolerance rounded up.
func TolerancedSettings(key string, value float64, tolKey string, tol float64, note string) []enginefile.Setting {
	places := 3
	if tol > 0 {
		places = min(9, max(1, 1-int(math.Floor(math.Log10(tol)))))
		step := math.Pow(10, -float64(places))
		tol = math.Ceil(tol/step-1e-9) * step
	}
	return []enginefile.Setting{
		{Key: key, Value: value, Decimal: places, Note: note},
		{Key: tolKey, Value: tol, Decimal: places},
	}
}

// in is a number of a calibration with its unit, to as many places as the
// tolerance that is written has.
func in(c *calibrate.Calibration, v float64) string {
	s := enginefile.Setting{Value: v, Decimal: CalibrationSettings(c)[0].Decimal}
	return s.Text() + c.Unit.Symbol()
}

// Calibration writes a calibration as text: the answer, what went in, the
// working, the budget, and what goes or went into an engine file.
func Calibration(w io.Writer, c *calibrate.Calibration, f CalibrationFile) error {
	var b strings.Builder
	p := printer{&b}
	title := strings.ToUpper(c.Quantity[:1]) + c.Quantity[1:]
	p.para("", fmt.Sprintf("%s %s %s, ±%s at 95 %% coverage.", title, in(c, c.Value), c.Meaning, in(c, c.Expanded)))
	p.gap()
	p.line("What went in:")
	for _, x := range c.Inputs {
		p.para("  ", x.Name+": "+x.Value)
	}
	for _, d := range f.From {
		p.para("  Given: ", givenWords(d))
	}
	p.gap()
	p.line("Worked out:")
	for _, x := range c.Working {
		p.para("  ", x.Formula)
		p.para("      = ", x.Result)
	}
	if len(c.Curve) > 0 {
		p.gap()
		p.line("What the line leaves, by speed:")
		p.line(pad("rpm", 15) + pad("passages", 11) + pad("behind", 10) + pad("left", 10) + pad("±", 9) + pad("as time", 12))
		for _, x := range c.Curve {
			p.line(pad(number(x.FromRPM, 0)+" - "+number(x.ToRPM, 0), 15) + pad(fmt.Sprint(x.N), 11) + pad(fmt.Sprintf("%.2f°", x.AngleDeg), 10) +
				pad(fmt.Sprintf("%+.3f°", x.ResidualDeg), 10) + pad(fmt.Sprintf("%.3f°", 1.96*x.ResidualStdDeg), 9) + pad(fmt.Sprintf("%+.2f µs", x.ResidualUS), 12))
		}
	}
	p.gap()
	p.line("Where the uncertainty comes from (standard uncertainties):")
	for _, x := range c.Budget {
		lead := pad(fmt.Sprintf("%.3g%s", x.Std, c.Unit.Symbol()), 12) + "  " + x.Kind + " "
		p.para(lead, x.Source+": "+x.Estimate)
	}
	student := "normal"
	if c.Dof > 0 && c.Dof < 1000 {
		student = fmt.Sprintf("Student's t, %.0f degrees of freedom", c.Dof)
	}
	p.para("  ", fmt.Sprintf("Together (root of the sum of squares) u = %.3g%s; factor %.2f for 95 %% (%s): ±%.3g%s.", c.Std, c.Unit.Symbol(), c.Factor, student, c.Expanded, c.Unit.Symbol()))
	if len(c.Notes) > 0 {
		p.gap()
		for _, n := range c.Notes {
			lead := "Note: "
			if n.Warning {
				lead = "Warning: "
			}
			p.para(lead, n.Message)
		}
	}
	p.gap()
	p.para("", fmt.Sprintf("For the engine file. A tolerance there is the half-width of a rectangular distribution: √3·%.3g%s/1.96 = %.3g%s, rounded up.", c.Expanded, c.Unit.Symbol(), c.Tolerance, c.Unit.Symbol()))
	for _, s := range CalibrationSettings(c) {
		p.line("  " + s.Key + " = " + s.Text())
	}
	if f.Path != "" {
		p.gap()
		p.para("", fileWords(f))
	}
	return p.close(w)
}

// fileWords says what became of the engine file.
func fileWords(f CalibrationFile) string {
	agree := ""
	if f.Agree != nil {
		agree = " Old and new agree within their ±."
		if !*f.Agree {
			agree = " Old and new differ by more than their ± allow: one of them is wrong."
		}
	}
	switch {
	case f.Withheld:
		return fmt.Sprintf("Not written into %s: the value is in doubt, see the warning.", f.Path)
	case f.Kept:
		return fmt.Sprintf("%s holds %s and was left as it is: with --replace the new value takes its place.%s", f.Path, f.Old, agree)
	case f.Old != "":
		return fmt.Sprintf("Written into %s, in the place of %s.%s", f.Path, f.Old, agree)
	case f.Fresh:
		return fmt.Sprintf("Written into %s, a new file: measure --engine %s uses it.", f.Path, f.Path)
	}
	return fmt.Sprintf("Written into %s: measure --engine %s uses it.", f.Path, f.Path)
}

type (
	jsonCalibration struct {
		Schema    string              `json:"schema"`
		Method    string              `json:"method"`
		Quantity  string              `json:"quantity"`
		Meaning   string              `json:"meaning"`
		Unit      string              `json:"unit"`
		Value     *float64            `json:"value"`
		Std       *float64            `json:"standard_uncertainty"`
		Dof       *float64            `json:"degrees_of_freedom"`
		Factor    *float64            `json:"coverage_factor"`
		Expanded  *float64            `json:"expanded_uncertainty"`
		Tolerance *float64            `json:"tolerance"`
		Inputs    []jsonCalInput      `json:"inputs"`
		Working   []jsonCalStep       `json:"working"`
		Budget    []jsonCalComponent  `json:"uncertainty"`
		Constant  *bool               `json:"constant"`
		Curve     []jsonCurvePoint    `json:"curve"`
		Notes     []jsonCalNote       `json:"notes"`
		Settings  []jsonCalSetting    `json:"settings"`
		File      *jsonCalibrationOut `json:"engine_file"`
	}
	jsonCalInput struct {
		Name  string `json:"name"`
		Value string `json:"value"`
	}
	jsonCalStep struct {
		Formula string `json:"formula"`
		Result  string `json:"result"`
	}
	jsonCalComponent struct {
		Source   string   `json:"source"`
		Kind     string   `json:"kind"`
		Std      *float64 `json:"standard_uncertainty"`
		Dof      *float64 `json:"degrees_of_freedom"`
		Estimate string   `json:"estimate"`
	}
	jsonCurvePoint struct {
		From     *float64 `json:"rpm_from"`
		To       *float64 `json:"rpm_to"`
		RPM      *float64 `json:"rpm_mean"`
		N        int      `json:"n"`
		Angle    *float64 `json:"angle_deg"`
		Residual *float64 `json:"residual_deg"`
		Std      *float64 `json:"residual_standard_uncertainty_deg"`
		Time     *float64 `json:"residual_us"`
	}
	jsonCalNote struct {
		Code    string `json:"code"`
		Warning bool   `json:"warning"`
		Message string `json:"message"`
	}
	jsonCalSetting struct {
		Key   string          `json:"key"`
		Value json.RawMessage `json:"value"`
	}
	jsonCalibrationOut struct {
		Path    string         `json:"path"`
		Written bool           `json:"written"`
		Fresh   bool           `json:"new_file"`
		Old     *string        `json:"old"`
		Agree   *bool          `json:"old_and_new_agree"`
		From    []jsonDecision `json:"decisions"`
	}
)

// CalibrationJSON writes a calibration for programs. Figures are in "unit",
// "deg" or "us"; "settings" are those of the engine file, unit in each key.
func CalibrationJSON(w io.Writer, c *calibrate.Calibration, f CalibrationFile) error {
	dof := func(v float64) *float64 {
		if v <= 0 {
			return nil // infinite
		}
		return known(v)
	}
	d := jsonCalibration{
		Schema: CalibrationSchema, Method: c.Method, Quantity: c.Quantity, Meaning: c.Meaning, Unit: string(c.Unit),
		Value: known(c.Value), Std: known(c.Std), Dof: dof(c.Dof), Factor: known(c.Factor), Expanded: known(c.Expanded), Tolerance: known(c.Tolerance),
		Inputs: make([]jsonCalInput, 0, len(c.Inputs)), Working: make([]jsonCalStep, 0, len(c.Working)), Budget: make([]jsonCalComponent, 0, len(c.Budget)),
		Notes: make([]jsonCalNote, 0, len(c.Notes)), Curve: make([]jsonCurvePoint, 0, len(c.Curve)),
	}
	for _, x := range c.Inputs {
		d.Inputs = append(d.Inputs, jsonCalInput(x))
	}
	for _, x := range c.Working {
		d.Working = append(d.Working, jsonCalStep(x))
	}
	for _, x := range c.Budget {
		d.Budget = append(d.Budget, jsonCalComponent{x.Source, x.Kind, known(x.Std), dof(x.Dof), x.Estimate})
	}
	for _, x := range c.Notes {
		d.Notes = append(d.Notes, jsonCalNote(x))
	}
	for _, x := range c.Curve {
		d.Curve = append(d.Curve, jsonCurvePoint{known(x.FromRPM), known(x.ToRPM), known(x.MeanRPM), x.N, known(x.AngleDeg), known(x.ResidualDeg), known(x.ResidualStdDeg), known(x.ResidualUS)})
	}
	if len(c.Curve) > 0 {
		d.Constant = &c.Constant
	}
	for _, s := range CalibrationSettings(c) {
		d.Settings = append(d.Settings, jsonCalSetting{s.Key, json.RawMessage(s.Text())})
	}
	if f.Path != "" {
		d.File = &jsonCalibrationOut{Path: f.Path, Written: !f.Kept && !f.Withheld, Fresh: f.Fresh, Old: named(f.Old), Agree: f.Agree, From: make([]jsonDecision, 0, len(f.From))}
		for _, x := range f.From {
			d.File.From = append(d.File.From, jsonDecision(x))
		}
	}
	b, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}
