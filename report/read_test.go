package report_test

import (
	"strings"
	"testing"

	"sparkscope/report"
)

// What is no result is refused in the user's words, not in a parser's.
func TestReadNoResult(t *testing.T) {
	for _, c := range []struct{ name, data, want string }{
		{"a recording", "RIFF\x24\x00\x00\x00WAVEfmt ", "it is a recording, and a result is what measure --json FILE makes"},
		{"a FLAC recording", "fLaC\x00\x00\x00\x22", "it is a recording"},
		{"nothing", " \n", "it is empty"},
		{"half a result", `{"schema": "`, "it is no JSON from character 12 on"},
		{"a text", "advance 18", "it is no JSON"},
		{"another's JSON", `{"schema": 3}`, "schema is of the wrong kind"},
		{"JSON of no schema", `{}`, "it names no schema"},
	} {
		_, err := report.ReadJSON(strings.NewReader(c.data))
		if err == nil || !strings.HasSuffix(err.Error(), c.want) && !strings.Contains(err.Error(), c.want+",") {
			t.Errorf("%s: %v: want %q", c.name, err, c.want)
		}
	}
	if _, err := report.ReadBenchJSON(strings.NewReader("RIFF")); err == nil || !strings.Contains(err.Error(), "bench --json FILE makes") {
		t.Errorf("a recording for a calculator's result: %v", err)
	}
}
