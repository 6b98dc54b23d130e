package study

import (
	"strings"
	"testing"
)

// The study hears what it made where that can be heard, and not where the step
// is too small: its own figures can come out either way.
func TestTone(t *testing.T) {
	for _, c := range ToneCases(6, 20.0/3600, 3) {
		switch c.Name {
		case "usual", "low-rate", "chatter", "ratio-2":
			row, err := RunTone(c)
			if err != nil {
				t.Fatal(err)
			}
			if row.Made != 6 || row.Heard != 6 || row.False != 0 || row.QuietFalse != 0 || row.Held != 6 {
				t.Errorf("%s: %+v", c.Name, row)
			}
			if !(row.DelayMS > 20 && row.DelayMS < 100) { // it waits for 30 ms
				t.Errorf("%s: known %.1f ms late", c.Name, row.DelayMS)
			}
		case "ratio-1.4":
			row, err := RunTone(c)
			if err != nil {
				t.Fatal(err)
			}
			if row.Heard != 0 || row.Ratio != 0 || !strings.Contains(row.String(), "–") {
				t.Errorf("%s: %+v", c.Name, row)
			}
		}
	}
	// Contacts of which the study says that they do not move, do: it must notice.
	c := ToneCases(2, 0, 3)[0]
	c.Chatter = 0.6 // longer than a change takes to be known: it is told more than once or late
	row, err := RunTone(c)
	if err != nil {
		t.Fatal(err)
	}
	if row.False == 0 && row.Heard == row.Made {
		t.Errorf("touching and parting for 0.6 s: %+v, want changes more than were made", row)
	}
}
