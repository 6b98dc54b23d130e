package report

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"sparkscope/analysis/enginefile"
)

// engines are files that are shown and checked: one that says much, with long
// and awkward texts, one with doubts, one that is wrong, and one that says
// nothing.
var engines = map[string]string{
	"engine-full": `[engine]
name = "bench two-stroke with a name that is rather long for a line of eighty columns"
stroke_mm = 44
rod_length_mm = 88.5 # measured: pin to pin, by a remark that goes on and on beyond the end of the line
firing_offsets_deg = [0]
notes = """
Two lines of notes, the second with a bell \u0007 in it,
and no end of words, so that the line must be broken somewhere, wherever that is."""
[target]
table = [ { rpm = 1500, angle_deg = 10 }, { rpm = 4000, angle_deg = 22.5 } ]
tolerance_deg = 2
[reference]
angle_deg = 29.10 # by calibrate wheel
`,
	"engine-doubts": "[engine]\nstroke_mm = 4.4\n[target]\nangle_deg = -18\ntolerance_deg = 2\n",
	"engine-wrong":  "[engine]\nstroke = 44\nrod = 88\n",
	"engine-empty":  "# nothing\n",
}

// engineOf is what the command hands over of a file.
func engineOf(t *testing.T, name, doc string) Engine {
	t.Helper()
	f, wrong, doubts := enginefile.Inspect([]byte(doc))
	e := Engine{Path: name + ".toml", Wrong: wrong, Doubts: doubts, Steps: f.Steps()}
	if len(wrong) == 0 {
		var err error
		if e.Entries, err = enginefile.Entries([]byte(doc)); err != nil {
			t.Fatal(err)
		}
	}
	return e
}

func TestEngineGolden(t *testing.T) {
	for name, doc := range engines {
		e := engineOf(t, name, doc)
		for _, out := range []struct {
			ending string
			write  func(io.Writer, Engine) error
			show   bool
		}{
			{"-show.txt", EngineText, true}, {"-show.json", EngineJSON, true},
			{"-check.txt", EngineCheckText, false}, {"-check.json", EngineCheckJSON, false},
		} {
			if out.show && len(e.Wrong) > 0 {
				continue // what is wrong is not shown
			}
			var got bytes.Buffer
			if err := out.write(&got, e); err != nil {
				t.Fatal(err)
			}
			if err := out.write(&broken{}, e); err == nil {
				t.Errorf("%s%s: a write error was lost", name, out.ending)
			}
			if strings.HasSuffix(out.ending, ".txt") {
				for line := range strings.Lines(got.String()) {
					if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > columns {
						t.Errorf("%s: a line of %d characters: %q", name, n, line)
					}
				}
				if strings.ContainsRune(got.String(), 7) {
					t.Errorf("%s: a control character", name)
				}
			} else if !json.Valid(got.Bytes()) {
				t.Errorf("%s: not JSON", name)
			}
			file := filepath.Join("testdata", name+out.ending)
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
