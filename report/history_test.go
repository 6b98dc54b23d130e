package report

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sparkscope/analysis/history"
	"sparkscope/report/plot"
)

// golden holds what is written to a file of testdata; -update writes it again.
func golden(t *testing.T, name string, write func(w *bytes.Buffer) error) {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("%s: got\n%s\nwant\n%s", name, b.Bytes(), want)
	}
}

func ptr(v float64) *float64 { return &v }

// season is an engine over some months, with names that try to break out.
func season() history.Course {
	var all []history.Entry
	for i, mean := range []float64{15.02, 18.01, 18.03, 17.8, 17.46, 17.41, 16.97} {
		e := history.Entry{Number: int64(i + 1), Engine: "<b>Säge</b>", Recording: "a very long name of a recording.wav", Recorded: []string{"2026-03-14", "2026-03-14 16:30", "2026-04-18", "2026-05-16", "2026-06-13", "2026-07-18", "2026-08-15"}[i],
			From: []string{"given", "given", "file", "file", "given", "added", "given"}[i], Day: []float64{0, 0.7, 35, 63, 91, 126, 154}[i],
			MinRPM: ptr(1400), MaxRPM: ptr(4000), OK: 90, Advance: ptr(mean), Expanded: ptr(0.84), Target: ptr(18), Tolerance: ptr(1.5), Deviation: ptr(mean - 18), Decision: "within", Reference: "r"}
		switch i {
		case 0:
			e.Marks, e.Decision = []string{"before"}, "outside"
		case 1:
			e.Marks = []string{"after", "new\nline"}
		case 5:
			e.Expanded, e.Target, e.Tolerance, e.Deviation, e.Decision = nil, nil, nil, nil, ""
		}
		all = append(all, e)
	}
	c, _ := history.Of(all)
	return c
}

// TestHistory holds list, trend and JSON to golden files.
func TestHistory(t *testing.T) {
	c := season()
	golden(t, "history-list.txt", func(w *bytes.Buffer) error { return HistoryList(w, c.Entries) })
	golden(t, "history.txt", func(w *bytes.Buffer) error { return HistoryText(w, "<b>Säge</b>", &c, 0, 1) })
	golden(t, "history.json", func(w *bytes.Buffer) error { return HistoryJSON(w, "<b>Säge</b>", &c, 3000, 0) })
}

// TestHistoryEmpty: nothing and one are said to be so.
func TestHistoryEmpty(t *testing.T) {
	none, _ := history.Of(nil)
	one, _ := history.Of(season().Entries[:1])
	for _, c := range []history.Course{none, one} {
		var text, doc bytes.Buffer
		if err := HistoryText(&text, "x", &c, 0, 0); err != nil || strings.Contains(text.String(), "earlier and earlier") {
			t.Errorf("%s, %v", text.String(), err)
		}
		if err := HistoryJSON(&doc, "x", &c, 0, 0); err != nil || !json.Valid(doc.Bytes()) || strings.Contains(doc.String(), `"results": null`) {
			t.Errorf("%s, %v", doc.String(), err)
		}
	}
}

// TestHistoryPlot: it is drawn in every format, near half a turn too, and what
// came from a user is escaped.
func TestHistoryPlot(t *testing.T) {
	c := season()
	far := season()
	for i := range far.Entries {
		v := *far.Entries[i].Advance + 162.5 // some beyond half a turn
		if v > 180 {
			v -= 360
		}
		far.Entries[i].Advance = &v
	}
	far, _ = history.Of(far.Entries)
	none, _ := history.Of(nil)
	for _, x := range []history.Course{c, far, none} {
		for _, f := range []plot.Format{plot.PNG, plot.SVG, plot.PDF} {
			var b bytes.Buffer
			if err := HistoryPlot(&b, "<b>Säge</b>", &x, 0, f); err != nil || b.Len() == 0 {
				t.Errorf("%v", err)
			}
			if f == plot.SVG && strings.Contains(b.String(), "<b>") {
				t.Error("a name is not escaped")
			}
		}
	}
}
