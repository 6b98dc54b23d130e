package report

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"sparkscope/analysis"
	"sparkscope/report/plot"
)

// checks are invented results: one with all that can be said, one with nothing.
func checks() map[string]*analysis.CheckResult {
	ring := make([]float64, 60)
	for i := 10; i < len(ring); i++ {
		t := float64(i - 10)
		ring[i] = math.Exp(-t/12) * math.Sin(t/1.5) / 0.9
	}
	step := make([]float64, 40)
	for i := 15; i < 30; i++ {
		step[i] = -1
	}
	doubts := &analysis.CheckResult{
		Recording: analysis.Recording{Path: "/home/x/pull.wav", SampleRateHz: 48000, Channels: 2, Bits: 16, Encoding: "pcm", DurationS: 8.25, Remarks: []string{"The recording is cut short: 12 frames are missing."}},
		Setup:     analysis.Setup{SparkChannel: 1, ReferenceChannel: 2, SparkKind: analysis.Clamp, ReferenceKind: analysis.ContactReference},
		Fit:       analysis.Doubtful, Revolutions: 321, MinRPM: 1302, MaxRPM: 6011,
		Decisions: []analysis.Decision{{What: "spark channel", Value: "1", Why: "it holds the most sparks"}},
		Findings: []analysis.Finding{
			{Code: "hum", Severity: analysis.Warning, Message: "Mains hum of 50 Hz on channel 2, 31 % of the reference pulses' height. Keep the leads away from mains leads and chargers."},
			{Code: "dropouts", Severity: analysis.Warning, Message: "Channel 1 is cut to exact silence for 45 ms in all.", Count: 3, FirstS: 1.25},
			{Code: "rest-level", Severity: analysis.Note, Message: "Channel 2 rests at 12 % of full scale instead of at zero."},
		},
		Channels: []analysis.ChannelCheck{
			{
				Channel: 1, Role: analysis.SparkRole, Why: "it holds the most sparks", Peak: 0.62, Noise: 0.0016, SNR: 48.7, HasSNR: true, Grade: "good",
				Hum: analysis.HumCheck{Judged: true},
				Pulses: []analysis.PulseCheck{
					{Kind: "burst", Use: "spark", N: 321, PerS: 38.9, Polarity: 1, Amp: 0.47, SigmaS: 5e-8, Wave: ring, StepS: 1.0 / 48000, OriginS: 10.0 / 48000},
					{Kind: "burst", Use: "crosstalk", N: 310, PerS: 38.2, Polarity: -1, Amp: 0.02},
				},
			},
			{
				Channel: 2, Role: analysis.ReferenceRole, Peak: 1, Clipped: 0.0123, Noise: 0.01, SNR: 31, HasSNR: true, Grade: "fair",
				Hum: analysis.HumCheck{Judged: true, Found: true, BaseHz: 50, Peak: 0.124},
				Pulses: []analysis.PulseCheck{
					{Kind: "contact", Use: "reference", N: 321, PerS: 39, Polarity: -1, Amp: 0.4, WidthS: 7.8e-4, SigmaS: 4.5e-7, Wave: step, StepS: 1.0 / 48000, OriginS: 15.0 / 48000},
				},
			},
		},
	}
	for i := range doubts.Channels {
		h := &doubts.Channels[i].Health
		h.Rate, h.LookedS, h.Pieces = 48000, 8, 3
		for k := range 301 {
			h.FreqHz = append(h.FreqHz, float64(k)*80)
			h.PSD = append(h.PSD, 1e-8/(1+float64(k)))
		}
	}
	doubts.Channels[1].Health.Cliff.Found, doubts.Channels[1].Health.Cliff.Hz, doubts.Channels[1].Health.Cliff.DropDB = true, 16020, 40
	return map[string]*analysis.CheckResult{
		"check-doubts": doubts,
		"check-least": {
			Recording: analysis.Recording{Path: "-", SampleRateHz: 44100, Channels: 1, Bits: 8, Encoding: "pcm"},
			Fit:       analysis.Unfit,
			Findings:  []analysis.Finding{{Code: "no-sparks", Severity: analysis.Serious, Message: "There are no repeating pulses in the recording."}},
			Channels:  []analysis.ChannelCheck{{Channel: 1, Role: analysis.NoRole}},
		},
	}
}

func TestCheckGolden(t *testing.T) {
	for name, r := range checks() {
		for ending, write := range map[string]func(io.Writer, *analysis.CheckResult) error{".txt": CheckText, ".json": CheckJSON} {
			var got bytes.Buffer
			if err := write(&got, r); err != nil {
				t.Fatalf("%s%s: %v", name, ending, err)
			}
			if ending == ".txt" {
				for line := range strings.Lines(got.String()) {
					if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > columns {
						t.Errorf("%s: a line of %d characters: %q", name, n, line)
					}
				}
			} else if !json.Valid(got.Bytes()) {
				t.Errorf("%s: not JSON", name)
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

// TestCheckPlot: every kind of picture is drawn, with what matters in it, and
// nothing that is no number is.
func TestCheckPlot(t *testing.T) {
	for name, r := range checks() {
		for _, f := range []plot.Format{plot.PNG, plot.SVG, plot.PDF} {
			var b bytes.Buffer
			if err := CheckPlot(&b, r, f); err != nil || b.Len() < 500 {
				t.Errorf("%s, format %d: %d bytes, %v", name, f, b.Len(), err)
			}
			if f != plot.SVG {
				continue
			}
			for _, want := range []string{"FIT TO MEASURE", "channel 1"} {
				if !strings.Contains(b.String(), want) {
					t.Errorf("%s: no %q in the picture", name, want)
				}
			}
			if edge := strings.Contains(b.String(), "breaks off at 16.0 kHz"); edge != (name == "check-doubts") {
				t.Errorf("%s: edge drawn: %v", name, edge)
			}
		}
	}
	bad := checks()["check-doubts"]
	bad.Channels[0].Pulses[0].Wave[3] = math.NaN()
	if err := CheckPlot(io.Discard, bad, plot.SVG); err == nil {
		t.Error("a shape that is no number was drawn")
	}
	for _, write := range []func(io.Writer, *analysis.CheckResult) error{CheckText, CheckJSON} {
		if err := write(&broken{}, checks()["check-least"]); err == nil {
			t.Error("a write error was lost")
		}
	}
}
