package analysis

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"sparkscope/dsp"
)

func TestPercent(t *testing.T) {
	for _, c := range []struct {
		share float64
		want  string
	}{
		{0, "0 %"}, {1, "100 %"}, {1.6, "160 %"}, {0.994, "99 %"}, {0.9999, "100 %"}, {0.41, "41 %"}, {0.0996, "10 %"},
		{0.0994, "9.9 %"}, {0.05, "5.0 %"}, {0.0042, "0.42 %"}, {0.00996, "1.0 %"}, {0.00031, "0.031 %"}, {1e-12, "0 %"},
	} {
		if got := percent(c.share); got != c.want {
			t.Errorf("%g: %q, want %q", c.share, got, c.want)
		}
	}
}

// TestRefusalWords: what a refusal tells to do fits the channel that is dead
// and its level.
func TestRefusalWords(t *testing.T) {
	w := world{prof: steady(3000, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	good := func() []dsp.Train { return w.build().trains }
	empty := func(ch int, peak float64) dsp.Train {
		return dsp.Train{Channel: ch, Rate: testRate, Frames: 1000, Level: dsp.Level{Peak: peak}}
	}
	exponent := regexp.MustCompile(`\de[+-]\d`)
	for _, c := range []struct {
		name         string
		trains       []dsp.Train
		s            Setup
		holds, lacks []string
	}{
		{"dead clamp", []dsp.Train{empty(1, 0.001), good()[1]}, Setup{SparkChannel: 1, ReferenceChannel: 2},
			[]string{"clamp is closed round the spark lead", "0.10 % of full scale"}, []string{"battery"}},
		{"dead microphone", []dsp.Train{empty(1, 0.001), good()[1]}, Setup{SparkChannel: 1, ReferenceChannel: 2, SparkKind: Microphone},
			[]string{"earthed plug"}, []string{"battery", "clamp"}},
		{"dead lead of the contacts", []dsp.Train{empty(1, 0.001), good()[1]}, Setup{SparkChannel: 1, ReferenceChannel: 2, SparkKind: Contacts},
			[]string{"contacts"}, []string{"battery", "clamp"}},
		{"dead pick-up", []dsp.Train{good()[0], empty(2, 0)}, Setup{SparkChannel: 1},
			[]string{"pick-up", "battery", " 0 % of full scale"}, []string{"clamp"}},
		{"hum at full scale on the spark's channel", []dsp.Train{empty(1, 1), good()[1]}, Setup{SparkChannel: 1, ReferenceChannel: 2},
			[]string{"100 % of full scale", "level down"}, []string{"raise"}},
		{"hum at full scale", []dsp.Train{empty(1, 1), empty(2, 0.7)}, Setup{},
			[]string{"channel 1 100 % of full scale", "channel 2 70 %", "level down"}, []string{"raise"}},
		{"loud noise", []dsp.Train{empty(1, 0.4), empty(2, 0.3)}, Setup{}, []string{"would not help"}, []string{"raise", "level down"}},
		{"silence", []dsp.Train{empty(1, 0.0004), empty(2, 0.0003)}, Setup{}, []string{"raise", "0.040 %"}, []string{"level down"}},
	} {
		_, err := Measure(record(w), c.trains, c.s)
		if !errors.Is(err, ErrCannotMeasure) {
			t.Errorf("%s: error %v, want a refusal", c.name, err)
			continue
		}
		text := err.Error()
		wording(t, c.name, text, c.holds, c.lacks)
		if exponent.MatchString(text) {
			t.Errorf("%s: %q holds a power of ten", c.name, text)
		}
	}
	// Weak pulses keep their figure in the decisions and the finding.
	m := w.build()
	for i := range m.trains {
		m.trains[i].Shapes[0].Amp = 0.0042
	}
	res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
	if err != nil {
		t.Fatal(err)
	}
	for _, what := range []string{"spark pulses", "reference pulses"} {
		if d := decision(t, res, what); !strings.Contains(d.Value, "0.42 % of full scale") {
			t.Errorf("%s: %q, want 0.42 %% of full scale", what, d.Value)
		}
	}
}

// wording says what a text lacks that should be in it, and what it holds that should not.
func wording(t *testing.T, name, text string, in, not []string) {
	t.Helper()
	for _, s := range in {
		if !strings.Contains(text, s) {
			t.Errorf("%s: %q, want %q in it", name, text, s)
		}
	}
	for _, s := range not {
		if strings.Contains(text, s) {
			t.Errorf("%s: %q, want no %q in it", name, text, s)
		}
	}
}
