package report

import (
	"encoding/json"
	"fmt"
	"io"

	"sparkscope/analysis"
)

// CheckSchema names the layout that CheckJSON writes.
const CheckSchema = "sparkscope.check/1"

// CheckJSON writes the whole health of a recording, shapes and spectra too.
// Figures that are not known are null.
func CheckJSON(w io.Writer, r *analysis.CheckResult) error {
	b, err := json.MarshalIndent(checkDocument(r), "", "  ")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

type (
	jsonCheck struct {
		Schema      string             `json:"schema"`
		Fit         string             `json:"fit"`
		Recording   jsonRecording      `json:"recording"`
		Setup       jsonCheckSetup     `json:"setup"`
		Revolutions int                `json:"revolutions"`
		Speed       *jsonCheckSpeed    `json:"speed"`
		Decisions   []jsonDecision     `json:"decisions"`
		Findings    []jsonFinding      `json:"findings"`
		Channels    []jsonCheckChannel `json:"channels"`
	}
	jsonCheckSetup struct {
		SparkChannel     *int    `json:"spark_channel"`
		SparkKind        string  `json:"spark_kind"`
		ReferenceChannel *int    `json:"reference_channel"`
		ReferenceKind    string  `json:"reference_kind"`
		EngineFile       *string `json:"engine_file"`
	}
	jsonCheckSpeed struct {
		Min *float64 `json:"min_rpm"`
		Max *float64 `json:"max_rpm"`
	}
	jsonCheckChannel struct {
		Channel   int              `json:"channel"`
		Role      string           `json:"role"`
		Why       string           `json:"why"`
		Peak      *float64         `json:"peak"`
		Rest      *float64         `json:"rest"`
		RMS       *float64         `json:"rms"`
		Noise     *float64         `json:"noise_rms"`
		SNR       *float64         `json:"snr_db"`
		Grade     *string          `json:"snr_grade"`
		Clipped   *float64         `json:"clipped_share"`
		FlatShare *float64         `json:"flat_top_share"`
		FlatLevel *float64         `json:"flat_top_level"`
		Silence   jsonCheckSilence `json:"silence"`
		Hum       jsonCheckHum     `json:"hum"`
		Edge      *float64         `json:"band_edge_hz"`
		Spectrum  jsonSpectrum     `json:"spectrum"`
		Pulses    []jsonCheckPulse `json:"pulses"`
	}
	jsonCheckSilence struct {
		Runs    int      `json:"runs"`
		Total   *float64 `json:"total_s"`
		Longest *float64 `json:"longest_s"`
		First   *float64 `json:"first_s"`
	}
	jsonCheckHum struct {
		Judged bool     `json:"judged"`
		Base   *float64 `json:"base_hz"`
		Peak   *float64 `json:"peak"`
	}
	jsonSpectrum struct {
		Pieces int        `json:"pieces"`
		Freq   []*float64 `json:"frequency_hz"`
		PSD    []*float64 `json:"density_per_hz"`
	}
	jsonCheckPulse struct {
		Kind     string     `json:"kind"`
		Use      string     `json:"use"`
		N        int        `json:"n"`
		PerS     *float64   `json:"per_s"`
		Polarity int        `json:"polarity"`
		Height   *float64   `json:"height"`
		Width    *float64   `json:"width_s"`
		Sigma    *float64   `json:"timing_standard_uncertainty_s"`
		Step     *float64   `json:"shape_step_s"`
		Origin   *float64   `json:"shape_timing_point_s"`
		Shape    []*float64 `json:"shape"`
	}
)

// checkDocument maps a check to what is written.
func checkDocument(r *analysis.CheckResult) jsonCheck {
	channel := func(n int) *int {
		if n == 0 {
			return nil
		}
		return &n
	}
	positive := func(v float64) *float64 {
		if v > 0 {
			return known(v)
		}
		return nil
	}
	list := func(x []float64) []*float64 {
		out := make([]*float64, 0, len(x))
		for _, v := range x {
			out = append(out, known(v))
		}
		return out
	}
	d := jsonCheck{
		Schema: CheckSchema, Fit: string(r.Fit), Recording: recordingOf(r.Recording),
		Setup:       jsonCheckSetup{channel(r.Setup.SparkChannel), string(r.Setup.SparkKind), channel(r.Setup.ReferenceChannel), string(r.Setup.ReferenceKind), named(r.Setup.EngineFile)},
		Revolutions: r.Revolutions, Decisions: make([]jsonDecision, 0, len(r.Decisions)),
		Findings: findingsOf(r.Findings), Channels: make([]jsonCheckChannel, 0, len(r.Channels)),
	}
	if r.Revolutions > 0 {
		d.Speed = &jsonCheckSpeed{known(r.MinRPM), known(r.MaxRPM)}
	}
	for _, x := range r.Decisions {
		d.Decisions = append(d.Decisions, jsonDecision(x))
	}
	for i := range r.Channels {
		c := &r.Channels[i]
		h := &c.Health
		j := jsonCheckChannel{
			Channel: c.Channel, Role: string(c.Role), Why: c.Why, Peak: known(c.Peak), Noise: known(c.Noise), Clipped: known(c.Clipped),
			Spectrum: jsonSpectrum{h.Pieces, list(h.FreqHz), list(h.PSD)}, Pulses: make([]jsonCheckPulse, 0, len(c.Pulses)),
			Silence: jsonCheckSilence{Runs: h.Silence.Runs, Total: known(h.Silence.TotalS), Longest: known(h.Silence.LongestS)},
			Hum:     jsonCheckHum{Judged: c.Hum.Judged},
		}
		if h.LookedS > 0 {
			j.Rest, j.RMS = known(h.Rest), known(h.RMS)
		}
		if h.Silence.Runs > 0 {
			j.Silence.First = known(h.Silence.FirstS)
		}
		if c.Hum.Found {
			j.Hum.Base, j.Hum.Peak = known(c.Hum.BaseHz), known(c.Hum.Peak)
		}
		if h.Plateau.Share > 0 {
			j.FlatShare, j.FlatLevel = known(h.Plateau.Share), known(h.Plateau.Level+h.Rest)
		}
		if c.HasSNR {
			j.SNR, j.Grade = known(c.SNR), &c.Grade
		}
		if h.Cliff.Found {
			j.Edge = known(h.Cliff.Hz)
		}
		for _, q := range c.Pulses {
			x := jsonCheckPulse{
				Kind: q.Kind, Use: q.Use, N: q.N, PerS: positive(q.PerS), Polarity: q.Polarity, Height: known(q.Amp),
				Width: positive(q.WidthS), Sigma: positive(q.SigmaS), Shape: list(q.Wave),
			}
			if len(q.Wave) > 0 {
				x.Step, x.Origin = known(q.StepS), known(q.OriginS)
			}
			j.Pulses = append(j.Pulses, x)
		}
		d.Channels = append(d.Channels, j)
	}
	return d
}
