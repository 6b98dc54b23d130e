package desk

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/wav"
)

const engineFile = `[reference]
angle_deg = 30.0 # by the wheel
angle_tolerance_deg = 0.3
delay_us = 0.0

[target]
angle_deg = 16.0
tolerance_deg = 1.0
`

// made is a recording of an invented engine, as a 16-bit converter gives it.
func made(t *testing.T, rate float64, profile string) (*scene.Truth, [][]float32) {
	t.Helper()
	spec := scene.Default()
	spec.RateHz = rate
	var err error
	if spec.Engine.Profile, err = engine.ParseProfile(profile); err != nil {
		t.Fatal(err)
	}
	truth, src, err := scene.Render(spec)
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float32, 2)
	for c, x := range src.All() {
		out[c] = make([]float32, len(x))
		for i, v := range x {
			out[c][i] = float32(math.Round(v*32768) / 32768)
		}
	}
	return truth, out
}

// ask asks and decodes.
func ask[T any](t *testing.T, d *Desk, question, argument string) T {
	t.Helper()
	b, err := d.Ask(question, []byte(argument))
	if err != nil {
		t.Fatalf("%s %s: %v", question, argument, err)
	}
	var v T
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%s: %v", question, err)
	}
	return v
}

// play pushes a recording in blocks and asks for a reading after each tenth of a
// second.
func play(t *testing.T, d *Desk, rate float64, x [][]float32, each func(reading)) {
	t.Helper()
	const block = 512
	last := 0
	for from := 0; from+block <= len(x[0]); from += block {
		d.Push([][]float32{x[0][from : from+block], x[1][from : from+block]}, int64(from))
		if float64(from-last) > rate/10 && each != nil {
			last = from
			each(ask[reading](t, d, "read", `{"want":["strip","curve","wheel","pulses"]}`))
		}
	}
}

// reading is what the tests look at of an answer.
type reading struct {
	Reading struct {
		State   string   `json:"state"`
		Time    float64  `json:"time_s"`
		Advance *float64 `json:"advance_deg"`
		N       int      `json:"n"`
		Breaks  int      `json:"breaks"`
	} `json:"reading"`
	Words  map[string]string `json:"words"`
	Input  inputState        `json:"input"`
	Again  int               `json:"again"`
	Strip  [][]float64       `json:"strip"`
	Curve  [][]float64       `json:"curve"`
	Wheel  *wheelView        `json:"wheel"`
	Pulses *pulseView        `json:"pulses"`
}

// TestLive: the desk reads what is there, in words and views, and its report is
// that of the file within what is asked of it.
func TestLive(t *testing.T) {
	// An early template averages few pulses: see TestReadings of analysis/live.
	const off = 0.35 // degrees
	truth, x := made(t, 44100, "1500 hold 4s, swing 2500 in 2s")
	want, n := 0.0, 0
	for _, e := range truth.Of(engine.Spark) {
		if e.AppearsS > 1 && e.AppearsS < 4 {
			want += e.AdvanceDeg
			n++
		}
	}
	want /= float64(n)
	d := New()
	ask[any](t, d, "engine", string(must(json.Marshal(map[string]string{"toml": engineFile}))))
	ask[any](t, d, "start", `{"rate_hz":44100,"channels":2,"sparks":20}`)
	var got reading
	marked, unknown := false, false
	play(t, d, 44100, x, func(r reading) {
		if r.Reading.Advance == nil && r.Reading.Time > 0.4 {
			unknown = true // before anything is known, what is highest is shown
			for _, tr := range r.Pulses.Traces {
				if tr.Timed != (tr.What != "highest") || len(tr.X) == 0 {
					t.Errorf("at %.1f s: %s of %d samples, timed %v", r.Reading.Time, tr.What, len(tr.X), tr.Timed)
				}
			}
			if len(r.Pulses.Traces) != 2 {
				t.Errorf("at %.1f s %d traces", r.Reading.Time, len(r.Pulses.Traces))
			}
		}
		if r.Reading.Time < 4 {
			got = r
		}
		if !marked && r.Reading.N == 20 {
			marked = true
			ask[any](t, d, "mark", "")
		}
		if marked && r.Reading.Time > 5 && !strings.Contains(r.Words["marked"], "Before: ") {
			t.Errorf("at %.1f s the mark is gone: %q", r.Reading.Time, r.Words["marked"])
		}
	})
	if got.Reading.Advance == nil || math.Abs(*got.Reading.Advance-want) > off {
		t.Fatalf("read %v, true %.2f", got.Reading, want)
	}
	if got.Words["act"] != "Retard by" || got.Words["mode"] != "turn" || !strings.Contains(got.Words["plus_minus"], "±") {
		t.Errorf("words %v", got.Words)
	}
	if len(got.Strip) < 5 || len(got.Curve) < 1 || got.Wheel == nil || math.Abs(got.Wheel.Mean-want) > off || *got.Wheel.Reference != 30 || *got.Wheel.Target != 16 {
		t.Errorf("views: %d of the strip, %v, %+v", len(got.Strip), got.Curve, got.Wheel)
	}
	if !unknown {
		t.Error("no look at the pulses before there is a reading")
	}
	p := got.Pulses
	if p == nil || len(p.Traces) != 2 || p.Traces[0].What != "spark" || p.Traces[0].Channel != truth.SparkChannel || p.Traces[1].What != "reference" || p.Traces[1].Channel != truth.ReferenceChannel {
		t.Fatalf("the pulses: %+v", p)
	}
	// The timing point lies where the trace begins to rise: before it there is
	// noise, within a millisecond behind it the pulse.
	for _, tr := range p.Traces {
		before, after := 0.0, 0.0
		for i, v := range tr.X {
			ms := tr.FirstMS + float64(i)*tr.StepMS
			switch a := math.Abs(float64(v)); {
			case ms < -0.1:
				before = math.Max(before, a)
			case ms > 0 && ms < 1:
				after = math.Max(after, a)
			}
		}
		if tr.FirstMS > 0 || after < 0.2 || before > 0.3*after {
			t.Errorf("the %s's trace from %.2f ms: up to %.2f before the timing point, %.2f behind it", tr.What, tr.FirstMS, before, after)
		}
	}
	ask[any](t, d, "set", `{"key":"engine.name","text":"old iron"}`)
	end := ask[finished](t, d, "finish", `{"name":"live 1"}`)
	for _, want := range []string{"old iron", "Before and after, as read while listening: Before: "} {
		if !strings.Contains(end.HTML, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	file := measured(t, x)
	if end.Headline != file.Headline || !strings.Contains(end.HTML, "live 1") {
		t.Errorf("at the end %q, the file %q", end.Headline, file.Headline)
	}
	// The last block that is not full is not pushed, and floats are no steps.
	const same = 0.02 // degrees, what the live instrument must keep to
	if a, b := meanOf(t, end), meanOf(t, file); math.Abs(a-b) > same {
		t.Errorf("at the end %.4f°, the file %.4f°", a, b)
	}
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

func meanOf(t *testing.T, f finished) float64 {
	t.Helper()
	var r struct {
		Advance struct {
			Mean float64 `json:"mean_deg"`
		} `json:"advance"`
	}
	if err := json.Unmarshal(f.Result, &r); err != nil {
		t.Fatal(err)
	}
	return r.Advance.Mean
}

// seeker is a file in memory.
type seeker struct {
	bytes.Buffer
	at int64
}

func (s *seeker) Write(p []byte) (int, error) {
	b := s.Bytes()
	n := copy(b[s.at:], p)
	s.at += int64(n)
	m, err := s.Buffer.Write(p[n:])
	s.at += int64(m)
	return n + m, err
}

func (s *seeker) Seek(to int64, whence int) (int64, error) {
	switch whence {
	case 1:
		to += s.at
	case 2:
		to += int64(s.Len())
	}
	s.at = to
	return to, nil
}

// measured is what "measure" says of a recording, with the engine file.
func measured(t *testing.T, x [][]float32) finished {
	t.Helper()
	f := &seeker{}
	w, err := wav.NewWriter(f, wav.Format{Rate: 44100, Channels: 2, Bits: 16, Encoding: wav.PCM})
	if err != nil {
		t.Fatal(err)
	}
	y := make([][]float64, 2)
	for c := range x {
		for _, v := range x[c] {
			y[c] = append(y[c], float64(v))
		}
	}
	if err := w.Write(y); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	d := New()
	ask[any](t, d, "engine", string(must(json.Marshal(map[string]string{"toml": engineFile}))))
	d.Source = bytes.NewReader(f.Bytes())
	return ask[finished](t, d, "measure", `{"name":"pull.wav"}`)
}

// TestStopped: an engine that stops is said to have stopped, and an input from
// which nothing comes to be one.
func TestStopped(t *testing.T) {
	_, x := made(t, 44100, "1500 hold 3s, ramp 0 in 500ms, hold 3s")
	d := New()
	ask[any](t, d, "start", `{"rate_hz":44100,"channels":2,"sparks":20}`)
	read := false
	var last reading
	play(t, d, 44100, x, func(r reading) {
		read = read || r.Words["mode"] == "read"
		last = r
	})
	if !read || last.Words["mode"] != "stale" || last.Words["act"] != "No spark" || last.Reading.State != "quiet" {
		t.Errorf("stopped 3 s ago: %v %+v", last.Words, last.Reading)
	}
	if r := ask[reading](t, d, "read", `{"silent_s":2}`); r.Words["act"] != "No input" || r.Reading.State != "no input" {
		t.Errorf("nothing for 2 s: %v %+v", r.Words, r.Reading)
	}
}

// TestMeasure: a dropped recording is measured as the measure command does: the
// same listener, the same setup, to the last digit.
func TestMeasure(t *testing.T) {
	_, x := made(t, 44100, "1500 hold 3s")
	got := measured(t, x)
	reference, target, tolerance, known := analysis.Degrees(30), analysis.Degrees(16), analysis.Degrees(1), analysis.Degrees(0.3)
	l := dsp.NewListener(44100, 2)
	own := [][]float32{append([]float32{}, x[0]...), append([]float32{}, x[1]...)}
	l.Push(own)
	want, err := analysis.Measure(analysis.Recording{SampleRateHz: 44100, Channels: 2, Bits: 16, Encoding: "pcm", DurationS: 3}, l.Finish(),
		analysis.Setup{SparkKind: analysis.Clamp, ReferencePulses: 1, ReferenceAngle: &reference, ReferenceAngleTolerance: &known, ReferenceDelayStated: true, Target: &target, Tolerance: &tolerance})
	if err != nil {
		t.Fatal(err)
	}
	if m := meanOf(t, got); m != float64(want.Advance.Mean) {
		t.Errorf("%.9f, want %.9f", m, want.Advance.Mean)
	}
	d := New()
	d.Source = strings.NewReader("no recording")
	if _, err := d.Ask("measure", []byte(`{"name":"x"}`)); err == nil || strings.Contains(err.Error(), "wav:") {
		t.Errorf("no recording: %v", err)
	}
}

// TestStumble: an input that stumbles as it starts begins anew; later it is a
// gap, and is said.
func TestStumble(t *testing.T) {
	_, x := made(t, 44100, "1500 hold 6s")
	stumbled := func(at float64) [][]float32 {
		k := int(at * 44100)
		out := make([][]float32, 2)
		for c := range x {
			out[c] = append(append(append(out[c], x[c][:k]...), make([]float32, 441)...), x[c][k:]...)
		}
		return out
	}
	for _, c := range []struct {
		at            float64
		again, breaks int
	}{{0.4, 1, 0}, {3.5, 0, 1}} {
		d := New()
		ask[any](t, d, "start", `{"rate_hz":44100,"channels":2,"sparks":20}`)
		var last reading
		play(t, d, 44100, stumbled(c.at), func(r reading) { last = r })
		if last.Again != c.again || last.Reading.Breaks != c.breaks || last.Reading.State != "reading" {
			t.Errorf("stumbled at %g s: %+v, begun anew %d times", c.at, last.Reading, last.Again)
		}
	}
}

// TestSet: the form changes the file, and what is written by hand stays.
func TestSet(t *testing.T) {
	d := New()
	quote := func(s string) string { return string(must(json.Marshal(s))) }
	ask[any](t, d, "engine", `{"toml":`+quote(engineFile)+`}`)
	for _, c := range []struct{ key, text, want string }{
		{"target.angle_deg", "18,5", "18.5"},
		{"engine.name", `old "iron"`, `old "iron"`},
		{"engine.firing_offsets_deg", "0 180", "0 180"},
		{"target.table", "1500:10 4000:22.5", "1500:10 4000:22.5"},
		{"target.table", "", ""},
		{"target.angle_deg", "18", "18"},
		{"reference.kind", "coil", "coil"},
		{"contacts.cam_turns_per_rev", "0.5", "0.5"},
		{"engine.notes", "a\nb", "a\nb"},
		{"engine.notes", "", ""},
		{"engine.firing_offsets_deg", "", ""},
		{"reference.angle_tolerance_deg", "", ""},
	} {
		if c.key == "target.table" && c.text != "" { // one of the two
			ask[any](t, d, "set", `{"key":"target.angle_deg","text":""}`)
		}
		a := ask[engineAnswer](t, d, "set", `{"key":`+quote(c.key)+`,"text":`+quote(c.text)+`}`)
		if a.Values[c.key] != c.want {
			t.Errorf("%s %q: the file says %q\n%s", c.key, c.text, a.Values[c.key], a.TOML)
		}
		if !strings.Contains(a.TOML, "# by the wheel") {
			t.Fatalf("%s: the remark is gone\n%s", c.key, a.TOML)
		}
	}
	for _, c := range []struct{ key, text string }{{"target.angle_deg", "much"}, {"reference.kind", "reed"}, {"target.table", "1500-10"}, {"engine.firing_offsets_deg", "a"}, {"no.such", "1"}, {"spark.channel", "99"}} {
		before := string(d.doc)
		if _, err := d.Ask("set", []byte(`{"key":`+quote(c.key)+`,"text":`+quote(c.text)+`}`)); err == nil || string(d.doc) != before {
			t.Errorf("%s %q is taken", c.key, c.text)
		}
	}
	bad := ask[engineAnswer](t, d, "engine", `{"toml":"[target]\nangel = 1\n"}`)
	if len(bad.Problems) == 0 || !strings.Contains(string(d.doc), "18.0") {
		t.Errorf("a wrong file: %+v; kept %s", bad, d.doc)
	}
}

// TestFieldNames: an error names the field, and a finding the field in place of the
// flag; what has no field stays.
func TestFieldNames(t *testing.T) {
	_, err := New().Ask("set", []byte(`{"key":"target.angle_deg","text":"abc"}`))
	if err == nil || !strings.HasPrefix(err.Error(), "Target: ") || !strings.Contains(err.Error(), "abc") {
		t.Errorf("a wrong target: %v", err)
	}
	for _, c := range [][2]string{
		{"Give --reference-delay, or give --reference-delay-tolerance.", "Give “Delay” (set-up, The reference pick-up), or give “Delay's tolerance” (set-up, The reference pick-up)."},
		{"give --dwell 60", "give --dwell 60"},
		{"nothing - here", "nothing - here"},
	} {
		if got := onPage(c[0]); got != c[1] {
			t.Errorf("%q: %q, want %q", c[0], got, c[1])
		}
	}
}

// TestForm: every field of the form is a key of the file.
func TestForm(t *testing.T) {
	seen := map[string]bool{}
	for _, g := range form {
		for _, f := range g.Fields {
			if seen[f.Key] {
				t.Errorf("%s stands twice in the form", f.Key)
			}
			seen[f.Key] = true
			d := New()
			if _, err := d.Ask("set", must(json.Marshal(setQuestion{f.Key, "?"}))); err != nil && strings.Contains(err.Error(), "there is no key") {
				t.Errorf("%s: %v", f.Key, err)
			}
			for _, w := range f.Words {
				a := ask[engineAnswer](t, New(), "set", string(must(json.Marshal(setQuestion{f.Key, w}))))
				if a.Values[f.Key] != w {
					t.Errorf("%s cannot be %q", f.Key, w)
				}
			}
		}
	}
}

// TestBench: the calculators, with what is left open taken from the set-up.
func TestBench(t *testing.T) {
	d := New()
	ask[any](t, d, "engine", `{"toml":"[engine]\nstroke_mm = 50.0\nrod_length_mm = 100.0\nflywheel_diameter_mm = 160.0\n[target]\nangle_deg = 18.0\n"}`)
	// Worked by hand: h = r cos φ + √(l² - r² sin² φ), so the drop at 18° is
	// 25(1 - cos 18°) + 100 - √(10000 - 625 sin² 18°) = 1.2236 + 0.2989 = 1.5225;
	// along the rim 160π·18/360 = 25.13. Half-way between 42 and 320 is 1.
	for _, c := range []struct {
		question, key string
		want, off     float64
	}{
		{`{"calculator":"drop","fields":{}}`, "drop_mm", 1.5225, 1e-3},
		{`{"calculator":"drop","fields":{"angle":"18"}}`, "drop_mm", 1.5225, 1e-3},
		{`{"calculator":"rim","fields":{}}`, "", 25.13, 5e-3},
		{`{"calculator":"tdc","fields":{"readings":"42 320"}}`, "", 1, 0.01},
		{`{"calculator":"gap","fields":{"pairs":"0.35:16 0.45:20"}}`, "", 0.40, 1e-6},
		{`{"calculator":"tone","fields":{"coil":"3","resistance":"0,6"}}`, "", 3025, 0.5},
	} {
		r := ask[struct {
			Headline string
			Answers  []struct {
				Key   string
				Value *float64
			}
		}](t, d, "bench", c.question)
		ok := false
		for _, a := range r.Answers {
			ok = ok || a.Value != nil && math.Abs(*a.Value-c.want) <= c.off && (c.key == "" || a.Key == c.key)
		}
		if !ok || r.Headline == "" {
			t.Errorf("%s: %+v, want %g", c.question, r, c.want)
		}
	}
	for _, q := range []string{`{"calculator":"tdc","fields":{}}`, `{"calculator":"drop","fields":{"drop":"x"}}`, `{"calculator":"no","fields":{}}`, `{"calculator":"gap","fields":{"pairs":"1"}}`} {
		if _, err := d.Ask("bench", []byte(q)); err == nil || strings.Contains(err.Error(), "bench:") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

// TestTone: the contacts are heard to open and to close.
func TestTone(t *testing.T) {
	const rate, hz = 48000, 3025.0
	d := New()
	ask[any](t, d, "tone", `{"rate_hz":48000,"channels":2,"tone_hz":3025}`)
	rng := rand.New(rand.NewPCG(3, 4))
	// Closed, open from 1.0 s to 1.5 s, closed.
	for from := 0; from < 2.5*rate; from += 480 {
		b := [][]float32{make([]float32, 480), make([]float32, 480)}
		for i := range b[0] {
			s := float64(from+i) / rate
			level := 0.005
			if s >= 1 && s < 1.5 {
				level = 0.3
			}
			b[0][i] = float32(rng.NormFloat64() * 1e-4)
			b[1][i] = float32(level*math.Sin(2*math.Pi*hz*s) + rng.NormFloat64()*1e-4)
		}
		d.Push(b, -1)
	}
	a := ask[toneAnswer](t, d, "heard", "")
	if !a.Locked || a.Channel != 2 || a.State != "closed" || a.Openings != 1 || len(a.Changes) != 2 {
		t.Fatalf("%+v", a)
	}
	for i, want := range []float64{1, 1.5} {
		if c := a.Changes[i]; math.Abs(c.TimeS-want) > c.WithinS+1e-4 {
			t.Errorf("%s at %.4f ± %.4f s, want %g", c.State, c.TimeS, c.WithinS, want)
		}
	}
}

// TestAsk: what cannot be answered is a sentence.
func TestAsk(t *testing.T) {
	d := New()
	for _, c := range []struct{ question, argument string }{
		{"nothing", ""}, {"read", ""}, {"finish", "{}"}, {"heard", ""}, {"mark", ""}, {"measure", "{}"},
		{"start", `{"rate_hz":10,"channels":2}`}, {"start", `{"rate_hz":48000,"channels":0}`}, {"start", `[`}, {"start", `{"what":1}`},
		{"tone", `{"rate_hz":48000,"channels":9}`}, {"tone", `{"rate_hz":1,"channels":1}`},
	} {
		if _, err := d.Ask(c.question, []byte(c.argument)); err == nil || strings.Contains(err.Error(), "live:") {
			t.Errorf("%s %s: %v", c.question, c.argument, err)
		}
	}
	d.Push(nil, 0)
	d.Push([][]float32{{0.1}}, 0) // nobody listens
	ask[any](t, d, "engine", `{"toml":"[spark]\nchannel = 2\n"}`)
	if _, err := d.Ask("start", []byte(`{"rate_hz":48000,"channels":1}`)); err == nil || !strings.Contains(err.Error(), "channel 2") {
		t.Errorf("a channel that is not there: %v", err)
	}
}
