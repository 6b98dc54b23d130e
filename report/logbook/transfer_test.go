package logbook

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// lively is a logbook with something of everything.
func lively(t *testing.T) *Logbook {
	t.Helper()
	l := begun(t)
	a := strings.Repeat("a", 64)
	mustAdd(t, l, Measurement{Document: sample{"a.wav", a, 15, 18}.document(t), Engine: "Säge <1>", EngineFile: []byte("# Öl & \"Kerze\"\n"), Recorded: day(t, "2026-03-14"), From: Given, Marks: []string{"before", "cold; wet"}, Remarks: []string{"two\nlines"}})
	mustAdd(t, l, Measurement{Document: sample{"a.wav", a, 15.5, 18}.document(t), Engine: "Säge <1>", Recorded: day(t, "2026-03-14T10:00:00+02:00"), From: FileTime, Marks: []string{"after"}})
	mustAdd(t, l, Measurement{Document: bytes.ReplaceAll(sample{"b.wav", "", 16, 18}.document(t), []byte("\n  "), []byte("\n\t ")), Engine: "mower"})
	if err := l.RemarkEngine(t.Context(), "mower", "borrowed, with a \"quote\"", noon); err != nil {
		t.Fatal(err)
	}
	return l
}

// exported is what ExportLines writes.
func exported(t *testing.T, l *Logbook) string {
	t.Helper()
	var b bytes.Buffer
	if err := l.ExportLines(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestMove: by an export and by the file itself everything arrives on another
// computer, once, and documents byte by byte where measure wrote them.
func TestMove(t *testing.T) {
	from := lively(t)
	lines := exported(t, from)
	dir := t.TempDir()
	asLines := filepath.Join(dir, "all.jsonl")
	if err := os.WriteFile(asLines, []byte(lines), 0o600); err != nil {
		t.Fatal(err)
	}
	asFile := filepath.Join(dir, "backup.sqlite")
	if err := from.Backup(t.Context(), asFile); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{asLines, asFile} {
		to := begun(t)
		if done, err := to.Import(t.Context(), path); err != nil || done != (Imported{3, 0}) {
			t.Fatalf("%s: %+v, %v", path, done, err)
		}
		inOrderButMarks(t, to)
		if got := exported(t, to); got != lines {
			t.Errorf("%s: it exports\n%.3000s\nwant\n%.3000s", path, got, lines)
		}
		for id := int64(1); id <= 2; id++ {
			x, errX := from.Result(t.Context(), id)
			y, errY := to.Result(t.Context(), id)
			if errX != nil || errY != nil || !bytes.Equal(x.Document, y.Document) || !bytes.Equal(x.EngineFile, y.EngineFile) || !slices.Equal(x.SameSound, y.SameSound) {
				t.Errorf("%s: result %d is not the same: %v, %v", path, id, errX, errY)
			}
		}
		for _, again := range []string{asLines, asFile} {
			if done, err := to.Import(t.Context(), again); err != nil || done != (Imported{0, 3}) {
				t.Errorf("%s again: %+v, %v", again, done, err)
			}
		}
		if got := exported(t, to); got != lines {
			t.Errorf("%s: importing twice changed it", path)
		}
	}
}

// inOrderButMarks is inOrder where results need no mark.
func inOrderButMarks(t *testing.T, l *Logbook) {
	t.Helper()
	for _, check := range []string{"PRAGMA integrity_check", "SELECT coalesce((SELECT 'lost' FROM pragma_foreign_key_check), 'ok')"} {
		var said string
		if err := l.db.QueryRow(check).Scan(&said); err != nil || said != "ok" {
			t.Errorf("%s: %s, %v", check, said, err)
		}
	}
}

// TestExportCSV: a row for each result, every cell as the result has it.
func TestExportCSV(t *testing.T) {
	var b bytes.Buffer
	if err := lively(t).ExportCSV(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 4 || !slices.Equal(rows[0], csvColumns[:]) {
		t.Fatalf("%v, %v", rows, err)
	}
	cell := func(row int, column string) string { return rows[row][slices.Index(rows[0], column)] }
	for column, want := range map[string]string{"number": "1", "engine": "Säge <1>", "recorded": "2026-03-14", "advance_deg": "15", "target_deg": "18", "marks": "before;cold; wet", "remarks": "two\nlines", "decision": "undecided", "sparks_ok": "89", "sample_rate_hz": "44100"} {
		if got := cell(1, column); got != want {
			t.Errorf("%s: %q, want %q", column, got, want)
		}
	}
	if got := cell(3, "fingerprint"); got != "" {
		t.Errorf("fingerprint %q", got)
	}
}

// TestImportRefuses: what is no export is refused, with the line; results before
// that line may have been taken, and no more.
func TestImportRefuses(t *testing.T) {
	lines := exported(t, lively(t))
	first, rest, _ := strings.Cut(lines, "\n")
	for name, c := range map[string]struct{ text, say string }{
		"empty":           {"", "is empty"},
		"text":            {"hello", "neither a logbook nor"},
		"another JSON":    {`{"schema":"x"}`, "neither a logbook nor"},
		"cut":             {first + "\n" + rest[:200], "line 2"},
		"a kind":          {strings.Replace(lines, `"kind":"result"`, `"kind":"other"`, 1), `kind "other"`},
		"a date":          {strings.Replace(lines, `"recorded":"2026-03-14"`, `"recorded":"14 March"`, 1), "14 March"},
		"where from":      {strings.Replace(lines, `"recorded_from":"given"`, `"recorded_from":"moon"`, 1), "moon"},
		"added":           {strings.Replace(lines, `"added":"2026`, `"added":"20xx`, 1), "20xx"},
		"a remark's time": {strings.Replace(lines, `"written":"2026`, `"written":"20xx`, 1), "20xx"},
		"no result":       {strings.Replace(lines, `"ok":89`, `"ok":0`, 1), "without a counted spark"},
	} {
		path := filepath.Join(t.TempDir(), "x.jsonl")
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		l := begun(t)
		_, err := l.Import(t.Context(), path)
		if err == nil || !strings.Contains(err.Error(), c.say) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", name, err)
		}
		if n, err := l.Count(t.Context()); n != 0 || err != nil {
			t.Errorf("%s: %d results, %v", name, n, err)
		}
	}
	l := begun(t)
	if _, err := l.Import(t.Context(), l.path); err == nil {
		t.Error("imported itself")
	}
	if _, err := l.Import(t.Context(), filepath.Join(t.TempDir(), "none")); err == nil {
		t.Error("imported nothing")
	}
}

// FuzzImport: no line of any kind breaks the import or the logbook.
func FuzzImport(f *testing.F) {
	f.Add([]byte(`{"schema":"sparkscope.logbook/1","kind":"remark","engine":"x","written":"2026-03-14T12:00:00Z","text":"y"}`))
	f.Add([]byte(`{"schema":"sparkscope.logbook/1","kind":"result","engine":"x","recorded":"2026-03-14","recorded_from":"given","added":"2026-03-14T12:00:00Z","result":{"schema":"sparkscope.measurement/1","setup":{},"recording":{},"counts":{"ok":1},"advance":{"mean_deg":1}}}`))
	f.Add([]byte("SQLite format 3\x00"))
	l := begun(f)
	path := filepath.Join(f.TempDir(), "x")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		before, err := l.Count(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		done, _ := l.Import(t.Context(), path) // what it makes of it is free, but for its count
		if after, err := l.Count(t.Context()); err != nil || after != before+done.Added {
			t.Fatalf("%d results after %d, %+v, %v", after, before, done, err)
		}
	})
}
