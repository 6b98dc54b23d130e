package desk

import (
	"encoding/json"
	"testing"

	"sparkscope/analysis/enginefile"
)

// FuzzSet: whatever is typed into a field of whatever file, the file stays one
// that can be read, or stays as it was.
func FuzzSet(f *testing.F) {
	f.Add(engineFile, "target.angle_deg", "18,5")
	f.Add(engineFile, "target.table", "1500:10 4000:22")
	f.Add("[target]\ntable = [\n  { rpm = 1, angle_deg = 1.0 },\n  { rpm = 2, angle_deg = 1.0 },\n]\n", "target.table", "")
	f.Add("target = { angle_deg = 18.0 }\n", "target.angle_deg", "")
	f.Add("", "engine.firing_offsets_deg", "0 180")
	f.Add("[engine]\nnotes = '''\na\n'''\n", "engine.notes", "")
	f.Fuzz(func(t *testing.T, doc, key, text string) {
		d := New()
		q, err := json.Marshal(map[string]string{"toml": doc})
		if err != nil {
			t.Skip()
		}
		if _, err := d.Ask("engine", q); err != nil {
			return
		}
		before := string(d.doc)
		q, err = json.Marshal(setQuestion{key, text})
		if err != nil {
			t.Skip()
		}
		_, err = d.Ask("set", q)
		if err != nil && string(d.doc) != before {
			t.Errorf("refused (%v), and changed:\n%s", err, d.doc)
		}
		if _, perr := enginefile.Parse(d.doc); perr != nil {
			t.Errorf("%s = %q leaves a file that cannot be read: %v\n%s", key, text, perr, d.doc)
		}
	})
}

// FuzzAsk: no question and no argument takes the desk down.
func FuzzAsk(f *testing.F) {
	for q := range questions {
		f.Add(q, `{}`)
	}
	f.Add("start", `{"rate_hz":48000,"channels":2,"sparks":20}`)
	f.Add("bench", `{"calculator":"tdc","fields":{"readings":"42 320"}}`)
	f.Add("bench", `{"calculator":"drop","fields":{"stroke":"50","rod":"100","angle":"18"}}`)
	f.Add("tone", `{"rate_hz":48000,"channels":2,"tone_hz":3025}`)
	f.Fuzz(func(t *testing.T, question, argument string) {
		d := New()
		b, err := d.Ask(question, []byte(argument))
		if err == nil && !json.Valid(b) {
			t.Errorf("%s %s: %q", question, argument, b)
		}
		d.Push([][]float32{{0.1, 0}, {0, 0.2}}, 0)
	})
}
