package analysis

import (
	"math"
	"strings"
	"testing"

	"sparkscope/analysis/circle"
	"sparkscope/dsp"
)

// TestSparkOrClosing: contacts that close 144° after the spark give a pulse of
// the other polarity. Where it is of like height, what the user said of the
// engine decides which is the spark, and the other is named with its angle and
// is in the table; where nothing was said, the higher ones are taken and the
// doubt is said. A small one in a place where no spark can be needs no word.
func TestSparkOrClosing(t *testing.T) {
	const closing = 20 - 144.0 // degrees before top dead centre, the world's own
	ref := deg(62)
	for _, c := range []struct {
		name  string
		size  float64 // of the closing pulse, beside a spark
		s     Setup
		want  float64 // mean advance
		other string  // angle that the warning names; "": none
	}{
		{"as high, nothing said", 1.2, Setup{}, closing - 62, "-42°"},
		{"as high, reference known", 1.2, Setup{ReferenceAngle: ref}, 20, "-124°"},
		{"as high, target", 1.2, Setup{ReferenceAngle: ref, Target: deg(25)}, 20, "-124°"},
		{"as high, aimed at the other", 0.8, Setup{ReferenceAngle: ref, Target: deg(-120)}, closing, "20°"},
		{"as high, static", 1.2, Setup{ReferenceAngle: ref, Static: deg(22)}, 20, "-124°"},
		{"smaller, reference known", 0.6, Setup{ReferenceAngle: ref}, 20, ""},
		{"smaller, nothing said", 0.6, Setup{}, -42, "174°"},
		{"small, nothing said", 0.4, Setup{}, -42, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := world{prof: steady(2500, 4), refAngle: 62, refKind: dsp.Contact, scatter: 0.3, blip: true, seed: 11}
			m := w.build()
			tr := &m.trains[0]
			for i := range tr.Pulses {
				if p := &tr.Pulses[i]; p.Class == 1 {
					p.Amp *= c.size / 0.6
				}
			}
			tr.Shapes[1].Amp *= c.size / 0.6
			res, err := Measure(record(w), m.trains, c.s)
			if err != nil {
				t.Fatal(err)
			}
			const near = 0.2 // degrees: the mean of 160 sparks that scatter by 0.3°
			if got := float64(res.Advance.Mean); math.Abs(circle.Wrap(got-c.want)) > near {
				t.Errorf("mean %.2f°, want %.2f°", got, c.want)
			}
			said := ""
			for _, f := range res.Findings {
				if f.Code == "spark-or-closing" {
					said = f.Message
				}
			}
			if (said != "") != (c.other != "") || c.other != "" && !strings.Contains(said, "near "+c.other) {
				t.Errorf("finding %q, want the other angle %q", said, c.other)
			}
			if c.other == "" {
				return
			}
			if c.size > 1 && res.Counts.Sparks < 2*res.Counts.OK-1 {
				t.Errorf("%d rows for %d counted: want those that may be the sparks listed too", res.Counts.Sparks, res.Counts.OK)
			}
			for _, s := range m.sparks {
				found := false
				for _, f := range res.Firings {
					found = found || math.Abs(f.TimeS-s.t) < 1e-6
				}
				if !found {
					t.Fatalf("spark at %.4f s is not in the table", s.t)
				}
			}
		})
	}
}
