package logbook

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// copied is a copy of a file of testdata.
func copied(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// layout is what tables and indexes a logbook has.
func layout(t *testing.T, db *sql.DB) (out []string) {
	t.Helper()
	rows, err := db.Query("SELECT type || ' ' || name || ' ' || coalesce(sql, '') FROM sqlite_schema ORDER BY 1")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// TestOldFile opens a logbook that version 1 wrote: all of it is there, it has
// the layout of a new one, and it goes on from there.
func TestOldFile(t *testing.T) {
	path := copied(t, "version1.sqlite")
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if l.MigratedFrom != 1 {
		t.Errorf("brought from version %d, want 1", l.MigratedFrom)
	}
	rows, err := l.Find(t.Context(), Query{})
	if err != nil || !slices.Equal(ids(rows), []int64{3, 1, 2}) && !slices.Equal(ids(rows), []int64{1, 3, 2}) {
		t.Fatalf("%v, %v", ids(rows), err)
	}
	for words, want := range map[string][]int64{"turn the PLATE": {1, 3, 2}, "kerze": {2}, "borrowed": {3}} {
		found, err := l.Find(t.Context(), Query{Words: []string{words}})
		if err != nil || len(found) != len(want) {
			t.Errorf("%s: %v, %v; want %v", words, ids(found), err, want)
		}
	}
	w, err := l.Result(t.Context(), 2)
	if err != nil || *w.Advance != 18.02 || w.Recorded.String() != "2026-03-14 16:30" || w.Remarks[0].Text != "plate turned by 3°, Kerze neu" || len(w.Document) != 102660 {
		t.Errorf("%+v, %v", w, err)
	}
	if o := mustAdd(t, l, Measurement{Document: sample{"d.wav", "", 17, 18}.document(t), Engine: "säge"}); o.ID != 4 || o.NewEngine {
		t.Errorf("%+v", o)
	}
	if got, want := layout(t, l.db), layout(t, begun(t).db); !slices.Equal(got, want) {
		t.Errorf("the old file has become\n%s\na new one has\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if l, err = Open(t.Context(), path); err != nil || l.MigratedFrom != 0 {
		t.Fatalf("the second time: %+v, %v", l, err)
	}
	l.Close()
}

// TestTwoOpenAnOldFile: two programs that open an old file at once bring it
// through its steps once.
func TestTwoOpenAnOldFile(t *testing.T) {
	path := copied(t, "version1.sqlite")
	var both sync.WaitGroup
	errs, migrated := make([]error, 4), make([]int, 4)
	for i := range errs {
		both.Go(func() {
			l, err := Open(context.Background(), path)
			if errs[i] = err; err == nil {
				migrated[i] = l.MigratedFrom
				errs[i] = l.Close()
			}
		})
	}
	both.Wait()
	n := 0
	for i, err := range errs {
		if err != nil {
			t.Error(err)
		}
		n += migrated[i]
	}
	if n != 1 {
		t.Errorf("brought to the new version %d times: %v", n, migrated)
	}
}

// TestNewerFile: a file of a newer program is refused, and the sentence says why.
func TestNewerFile(t *testing.T) {
	l := begun(t)
	if _, err := l.db.Exec("PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), l.path)
	if err == nil || !strings.Contains(err.Error(), "newer sparkscope (version 99") {
		t.Errorf("%v", err)
	}
}

// TestOtherDatabase: a database of another program is left alone.
func TestOtherDatabase(t *testing.T) {
	path := filepath.Join(t.TempDir(), "other")
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("CREATE TABLE x (y)"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, open := range []func(context.Context, string) (*Logbook, error){Open, Create} {
		if _, err := open(t.Context(), path); err == nil || !strings.Contains(err.Error(), "is not a logbook") {
			t.Errorf("%v", err)
		}
	}
	if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
		t.Errorf("it was changed: %v", err)
	}
}

// TestBrokenStep: a step that fails leaves the file as it was, whole steps
// before it included.
func TestBrokenStep(t *testing.T) {
	path := copied(t, "version1.sqlite")
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	dsn, err := address(path, "rw")
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		t.Fatal(err)
	}
	l := &Logbook{db: db, path: path}
	err = l.bring(t.Context(), false, append(steps(), step{"made up", "CREATE TABLE extra (x); INSERT INTO extra VALUES (1); INSERT INTO nowhere VALUES (1)"}))
	if err == nil || !strings.Contains(err.Error(), "version 3 (made up)") {
		t.Errorf("%v", err)
	}
	if err := l.bring(t.Context(), false, append(steps(), step{"made up", "CREATE TABLE extra (x)"})); err != nil || l.MigratedFrom != 1 {
		t.Errorf("%v, from %d", err, l.MigratedFrom)
	}
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil || version != 3 {
		t.Errorf("version %d, %v", version, err)
	}
	db.Close()
	// And the broken step alone, on a fresh copy: not a byte has changed.
	path = copied(t, "version1.sqlite")
	if dsn, err = address(path, "rw"); err != nil {
		t.Fatal(err)
	}
	if db, err = sql.Open("sqlite", dsn); err != nil {
		t.Fatal(err)
	}
	l = &Logbook{db: db, path: path}
	if err := l.bring(t.Context(), false, append(steps(), step{"made up", "INSERT INTO nowhere VALUES (1)"})); err == nil {
		t.Error("no error")
	}
	db.Close()
	if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
		t.Errorf("a broken step changed the file: %v", err)
	}
}
