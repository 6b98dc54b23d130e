package logbook

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// sample is a result as measure --json wrote it, of testdata/result.json, with
// some of its figures replaced.
type sample struct {
	path, fingerprint string
	mean              float64
	target            float64
}

func (s sample) document(t testing.TB) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/result.json")
	if err != nil {
		t.Fatal(err)
	}
	set := func(from, to string) {
		if !bytes.Contains(b, []byte(from)) {
			t.Fatalf("testdata/result.json has no %s", from)
		}
		b = bytes.Replace(b, []byte(from), []byte(to), 1)
	}
	set(`"path": "before.wav"`, fmt.Sprintf(`"path": %q`, s.path))
	fingerprint, err := json.Marshal(s.fingerprint)
	if err != nil {
		t.Fatal(err)
	}
	if s.fingerprint == "" {
		fingerprint = []byte("null")
	}
	i := bytes.Index(b, []byte(`"fingerprint": "`))
	j := i + bytes.IndexByte(b[i:], '\n')
	b = slices.Concat(b[:i], []byte(`"fingerprint": `), fingerprint, b[j:])
	i = bytes.Index(b, []byte(`"advance": {`))
	k := i + bytes.Index(b[i:], []byte(`"mean_deg": `))
	j = k + bytes.IndexByte(b[k:], ',')
	return slices.Concat(b[:k], fmt.Appendf(nil, `"mean_deg": %v`, s.mean), b[j:])
}

// day is a date of the tests.
func day(t testing.TB, s string) Date {
	t.Helper()
	d, err := ParseDate(s, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// begun is a new logbook in a folder of its own.
func begun(t testing.TB) *Logbook {
	t.Helper()
	l, err := Create(t.Context(), filepath.Join(t.TempDir(), "logbook.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// mustAdd adds a measurement.
func mustAdd(t testing.TB, l *Logbook, m Measurement) Outcome {
	t.Helper()
	if m.Added.IsZero() {
		m.Added = noon
	}
	o, err := l.Add(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func ids(rows []Row) (out []int64) {
	for _, r := range rows {
		out = append(out, r.ID)
	}
	return out
}

// TestAddAndShow: what was added comes out, the document byte by byte.
func TestAddAndShow(t *testing.T) {
	l := begun(t)
	doc := sample{"/somewhere/else/before.wav", strings.Repeat("a", 64), 15.01, 18}.document(t)
	o := mustAdd(t, l, Measurement{Document: doc, Engine: " bench two-stroke ", EngineFile: []byte("[engine]\n"), Recorded: day(t, "2026-03-14"), From: Given, Marks: []string{"before"}, Remarks: []string{"cold"}})
	if o.ID != 1 || o.Already || o.Known != 0 || !o.NewEngine || o.Engine != "bench two-stroke" {
		t.Fatalf("added as %+v", o)
	}
	w, err := l.Result(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(w.Document, doc) {
		t.Error("the document is not as it came")
	}
	// The figures of testdata/result.json, read by eye.
	if w.Recording != "before.wav" || *w.Advance != 15.01 || w.OK != 89 || w.Sparks != 90 || w.Decision != "undecided" || *w.Target != 18 || *w.Tolerance != 2 ||
		w.Recorded.String() != "2026-03-14" || w.From != Given || string(w.EngineFile) != "[engine]\n" || !slices.Equal(w.Marks, []string{"before"}) ||
		len(w.Remarks) != 1 || w.Remarks[0].Text != "cold" || w.Relative || len(w.Findings) == 0 {
		t.Errorf("%+v", w)
	}
	var setup map[string]any
	if err := json.Unmarshal(w.Setup, &setup); err != nil || setup["reference_angle_deg"] != 28.7 {
		t.Errorf("set-up %s: %v", w.Setup, err)
	}
	if _, err := l.Result(t.Context(), 2); !errors.Is(err, ErrNoResult) {
		t.Errorf("result 2: %v", err)
	}
}

// TestRedated: a date that is given is that of all results of the recording, and
// that is said; with the same figures the date is kept.
func TestRedated(t *testing.T) {
	l := begun(t)
	a := strings.Repeat("a", 64)
	mustAdd(t, l, Measurement{Document: sample{"one.wav", a, 15, 18}.document(t), Engine: "x", Recorded: day(t, "2026-01-02"), From: FileTime})
	again := mustAdd(t, l, Measurement{Document: sample{"one.wav", a, 15.5, 18}.document(t), Engine: "x"})
	if again.Redated || again.Recorded != "2026-01-02" {
		t.Error("no date was given:", again)
	}
	other := mustAdd(t, l, Measurement{Document: sample{"one.wav", a, 15.7, 18}.document(t), Engine: "x", Recorded: day(t, "2026-02-03"), From: Given})
	if !other.Redated || other.Known != 1 || other.Recorded != "2026-02-03" {
		t.Error("a date was given:", other)
	}
	kept := mustAdd(t, l, Measurement{Document: sample{"one.wav", a, 15.7, 18}.document(t), Engine: "x", Recorded: day(t, "2026-03-04"), From: Given})
	if !kept.Already || kept.Redated || kept.Recorded != "2026-02-03" {
		t.Error("the same figures with another date:", kept)
	}
}

// TestSameRecording: by the samples, not by the name; the same figures are not
// added twice, but a mark on them is.
func TestSameRecording(t *testing.T) {
	l := begun(t)
	a, b := strings.Repeat("a", 64), strings.Repeat("b", 64)
	mustAdd(t, l, Measurement{Document: sample{"one.wav", a, 15, 18}.document(t), Engine: "x", Recorded: day(t, "2026-01-02"), From: FileTime})
	same := mustAdd(t, l, Measurement{Document: sample{"copy/renamed.wav", a, 15, 18}.document(t), Engine: "X", Marks: []string{"kept"}})
	if !same.Already || same.ID != 1 || same.NewEngine || same.Engine != "x" {
		t.Errorf("the copy: %+v", same)
	}
	again := mustAdd(t, l, Measurement{Document: sample{"copy/renamed.wav", a, 15.5, 18}.document(t), Engine: "x"})
	if again.Already || again.Known != 1 || again.ID != 2 {
		t.Errorf("measured otherwise: %+v", again)
	}
	other := mustAdd(t, l, Measurement{Document: sample{"one.wav", b, 15, 18}.document(t), Engine: "x"})
	if other.Already || other.Known != 0 {
		t.Errorf("another recording of the same name: %+v", other)
	}
	// Without a fingerprint nothing is known of the recording, and so it is its own.
	for range 2 {
		mustAdd(t, l, Measurement{Document: sample{"one.wav", "", 15, 18}.document(t), Engine: "x"})
	}
	rows, err := l.Find(t.Context(), Query{})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 4 {
		t.Fatalf("%d results, want 4", len(rows))
	}
	w, err := l.Result(t.Context(), 1)
	if err != nil || !slices.Equal(w.SameSound, []int64{2}) || !slices.Equal(w.Marks, []string{"kept"}) {
		t.Errorf("result 1: %+v, %v", w, err)
	}
}

// TestFind: every way of asking.
func TestFind(t *testing.T) {
	l := begun(t)
	add := func(path string, mean float64, engine, date string, marks, remarks []string) {
		mustAdd(t, l, Measurement{Document: sample{path, fmt.Sprintf("%064d", len(path)*1000+int(mean*10)), mean, 18}.document(t), Engine: engine, Recorded: day(t, date), From: Given, Marks: marks, Remarks: remarks})
	}
	add("a.wav", 15, "mower", "2026-05-01", nil, nil)
	add("b.wav", 16, "Säge", "2026-03-01", []string{"before"}, []string{"100% kalt, Öl neu"})
	add("c.wav", 17, "mower", "2026-04-01T10:30", []string{"after"}, nil)
	add("d.wav", 18, "mower", "2026-04-01", nil, nil)
	if err := l.RemarkEngine(t.Context(), "SÄGE", "borrowed from next door", noon); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		q    Query
		want []int64
	}{
		{"all, in order of date", Query{}, []int64{2, 4, 3, 1}},
		{"the last two", Query{Last: 2}, []int64{3, 1}},
		{"more than there are", Query{Last: 9}, []int64{2, 4, 3, 1}},
		{"an engine", Query{Engine: "MOWER"}, []int64{4, 3, 1}},
		{"an engine in another alphabet's case", Query{Engine: "SÄGE"}, []int64{2}},
		{"from a day", Query{From: day(t, "2026-04-01")}, []int64{4, 3, 1}},
		{"to a day, it included", Query{To: day(t, "2026-04-01")}, []int64{2, 4, 3}},
		{"a verdict", Query{Decision: "undecided", Engine: "mower"}, []int64{4, 3, 1}},
		{"a verdict that none has", Query{Decision: "outside"}, nil},
		{"a finding", Query{Finding: "timing-offset", Last: 1}, []int64{1}},
		{"a mark", Query{Mark: "After"}, []int64{3}},
		{"a word of a remark", Query{Words: []string{"öl"}}, []int64{2}},
		{"of the engine's remark", Query{Words: []string{"NEXT", "door"}}, []int64{2}},
		{"two words, of which one is missing", Query{Words: []string{"öl", "warm"}}, nil},
		{"a sign that SQL knows", Query{Words: []string{"100%"}}, []int64{2}},
		{"a sign that SQL knows, in findings", Query{Words: []string{"%"}}, []int64{2}},
		{"a word of a finding", Query{Words: []string{"Turn the plate"}, Last: 2}, []int64{3, 1}},
		{"a recording", Query{Words: []string{"c.wav"}}, []int64{3}},
		{"a month", Query{Words: []string{"2026-04"}, Last: 1}, []int64{3}},
	} {
		rows, err := l.Find(t.Context(), c.q)
		if err != nil || !slices.Equal(ids(rows), c.want) {
			t.Errorf("%s: %v, %v; want %v", c.name, ids(rows), err, c.want)
		}
	}
	_, err := l.Find(t.Context(), Query{Engine: "saw"})
	var ne *NoEngineError
	if !errors.As(err, &ne) || !slices.Equal(ne.Known, []string{"Säge", "mower"}) {
		t.Errorf("an engine that is not there: %v", err)
	}
	all, err := l.Engines(t.Context())
	if err != nil || len(all) != 2 || all[0].Name != "mower" || all[0].Results != 3 {
		t.Errorf("engines: %+v, %v", all, err)
	}
}

// TestChanges: marks, remarks, removal.
func TestChanges(t *testing.T) {
	l := begun(t)
	ctx := t.Context()
	mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x", EngineFile: []byte("one")})
	mustAdd(t, l, Measurement{Document: sample{"b.wav", "", 16, 18}.document(t), Engine: "y", EngineFile: []byte("two")})
	for _, err := range []error{
		l.Mark(ctx, 1, "before", false), l.Mark(ctx, 1, "before", false), l.Mark(ctx, 1, "new plug", false), l.Mark(ctx, 1, "before", true),
		l.RemarkResult(ctx, 1, "two\r\nlines", noon), l.RemarkEngine(ctx, "X", "of the engine", noon),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	w, err := l.Result(ctx, 1)
	if err != nil || !slices.Equal(w.Marks, []string{"new plug"}) || len(w.Remarks) != 1 || w.Remarks[0].Text != "two\nlines" {
		t.Errorf("%+v, %v", w, err)
	}
	if file, err := l.EngineFile(ctx, "x"); err != nil || string(file) != "one" {
		t.Errorf("engine file %q, %v", file, err)
	}
	for name, err := range map[string]error{
		"mark nothing":             l.Mark(ctx, 7, "x", false),
		"take off what is not":     l.Mark(ctx, 1, "before", true),
		"an empty mark":            l.Mark(ctx, 1, " ", false),
		"a mark of two lines":      l.Mark(ctx, 1, "a\nb", false),
		"remark on nothing":        l.RemarkResult(ctx, 7, "x", noon),
		"an empty remark":          l.RemarkResult(ctx, 1, "\n", noon),
		"a remark on no engine":    l.RemarkEngine(ctx, "z", "x", noon),
		"a remark that is a novel": l.RemarkResult(ctx, 1, strings.Repeat("x", MostRemarkBytes+1), noon),
		"remove nothing":           l.Remove(ctx, 7),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if err := errors.Join(l.Remove(ctx, 2), l.Remove(ctx, 1)); err != nil {
		t.Fatal(err)
	}
	all, err := l.Engines(ctx)
	if err != nil || len(all) != 1 || all[0].Name != "x" || all[0].Results != 0 {
		t.Errorf("an engine of which something is remarked stays: %+v, %v", all, err)
	}
	for _, table := range []string{"results", "documents", "findings", "marks", "recordings", "setups", "said"} {
		var n int
		if err := l.db.QueryRow("SELECT count(*) FROM " + table).Scan(&n); err != nil || n != 0 {
			t.Errorf("%s: %d rows, %v", table, n, err)
		}
	}
	// A number is never given twice: notes on paper stay right.
	if o := mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x"}); o.ID != 3 {
		t.Errorf("number %d, want 3", o.ID)
	}
}

// TestRefusals: what is no result, or no logbook, is refused with a sentence, and nothing is
// written.
func TestRefusals(t *testing.T) {
	l := begun(t)
	good := sample{"a.wav", "", 15, 18}.document(t)
	for name, m := range map[string]Measurement{
		"no JSON":             {Document: []byte("RIFF"), Engine: "x"},
		"no result":           {Document: []byte("{}"), Engine: "x"},
		"another schema":      {Document: []byte(`{"schema":"other/1"}`), Engine: "x"},
		"no spark":            {Document: []byte(`{"schema":"sparkscope.measurement/1"}`), Engine: "x"},
		"no engine":           {Document: good},
		"an engine's name":    {Document: good, Engine: "a\tb"},
		"a long name":         {Document: good, Engine: strings.Repeat("x", MostNameBytes+1)},
		"a large engine file": {Document: good, Engine: "x", EngineFile: make([]byte, MostFileBytes+1)},
		"a large document":    {Document: append(good, bytes.Repeat([]byte(" "), MostDocumentBytes)...), Engine: "x"},
	} {
		if _, err := l.AddAll(t.Context(), []Measurement{{Document: good, Engine: "x", Added: noon}, m}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if n, err := l.Count(t.Context()); n != 0 || err != nil {
		t.Errorf("%d results, %v; want none", n, err)
	}
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	for name, path := range map[string]string{
		"missing":        filepath.Join(dir, "none"),
		"no folder":      filepath.Join(dir, "none", "none"),
		"a folder":       dir,
		"text":           write("text", []byte("bench.toml is another file than this one")),
		"short":          write("short", []byte("SQLite")),
		"empty":          write("empty", nil),
		"damaged header": write("damaged", append([]byte("SQLite format 3\x00"), make([]byte, 4096)...)),
	} {
		l, err := Open(t.Context(), path)
		if err == nil {
			t.Errorf("%s: opened", name)
			l.Close()
			continue
		}
		if !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v does not name the file", name, err)
		}
	}
}

// TestNames: signs that mean something in an address, and other alphabets.
func TestNames(t *testing.T) {
	for _, name := range []string{"my logbook.sqlite", "100%.sqlite", "what?.sqlite", "a#b&c=d.sqlite", "Säge é 日本.sqlite", "%41.sqlite"} {
		path := filepath.Join(t.TempDir(), name)
		l, err := Create(t.Context(), path)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%s: it lies elsewhere: %v", name, err)
		}
	}
}

// TestDates: what is read, how it is shown, and how it sorts, in whichever zone.
func TestDates(t *testing.T) {
	far := time.FixedZone("far", 13*3600)
	for _, c := range []struct {
		in, text, shown string
		days            float64 // from 2026-03-14 on, by the clock of the place
	}{
		{"2026-03-14", "2026-03-14", "2026-03-14", 0},
		{"2026-03-14T06:00", "2026-03-14T06:00:00+13:00", "2026-03-14 06:00", 0.25},
		{"2026-03-14 18:00:30", "2026-03-14T18:00:30+13:00", "2026-03-14 18:00", 0.75 + 30.0/86400},
		{"2026-03-15T12:00:00-05:00", "2026-03-15T12:00:00-05:00", "2026-03-15 12:00", 1.5},
	} {
		d, err := ParseDate(c.in, far)
		base, _ := ParseDate("2026-03-14", far)
		if err != nil || d.Text() != c.text || d.String() != c.shown || d.Day() != c.shown[:10] || math.Abs(d.Days()-base.Days()-c.days) > 1e-9 || d.UnixS() < base.UnixS() {
			t.Errorf("%s: %+v, shown as %s, %g days, %v", c.in, d, d, d.Days()-base.Days(), err)
		}
	}
	for _, s := range []string{"", "14.3.2026", "2026-02-30", "2026-03-14T25:00", "yesterday"} {
		if _, err := ParseDate(s, far); err == nil {
			t.Errorf("%q: no error", s)
		}
	}
}
