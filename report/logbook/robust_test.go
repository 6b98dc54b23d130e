package logbook

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// The test binary run again with these set is a program that writes into a
// logbook: so many results, each said on standard output before it is begun and
// when it has been confirmed.
const (
	writerFile = "LOGBOOK_TEST_FILE"
	writerName = "LOGBOOK_TEST_NAME" // engine and prefix of the recordings' names
	writerN    = "LOGBOOK_TEST_N"
)

func TestMain(m *testing.M) {
	if path := os.Getenv(writerFile); path != "" {
		if err := write(path, os.Getenv(writerName), os.Getenv(writerN)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func write(path, name, count string) error {
	n, err := strconv.Atoi(count)
	if err != nil {
		return err
	}
	ctx := context.Background()
	l, err := Create(ctx, path)
	if err != nil {
		return err
	}
	text, err := os.ReadFile("testdata/result.json")
	if err != nil {
		return err
	}
	for i := range n {
		doc := strings.Replace(string(text), `"path": "before.wav"`, fmt.Sprintf(`"path": "%s-%d.wav"`, name, i), 1)
		doc = strings.Replace(doc, `"fingerprint": "`, fmt.Sprintf(`"fingerprint": "%s-%d-`, name, i), 1)
		fmt.Printf("begin %s-%d.wav\n", name, i)
		if _, err := l.Add(ctx, Measurement{Document: []byte(doc), Engine: name, Added: noon, Marks: []string{"m"}, Remarks: []string{"r"}}); err != nil {
			return err
		}
		fmt.Printf("done %s-%d.wav\n", name, i)
	}
	return l.Close()
}

// writer is such a program, not yet started.
func writer(ctx context.Context, path, name string, n int) *exec.Cmd {
	cmd := exec.CommandContext(ctx, os.Args[0])
	cmd.Env = append(os.Environ(), writerFile+"="+path, writerName+"="+name, writerN+"="+strconv.Itoa(n))
	cmd.Stderr = os.Stderr
	return cmd
}

// inOrder fails unless SQLite's own check of the whole file finds nothing, no
// reference leads nowhere, and every result has its document.
func inOrder(t *testing.T, l *Logbook) {
	t.Helper()
	var said string
	if err := l.db.QueryRow("PRAGMA integrity_check").Scan(&said); err != nil || said != "ok" {
		t.Fatalf("integrity check: %s, %v", said, err)
	}
	rows, err := l.db.Query("PRAGMA foreign_key_check")
	if err != nil {
		t.Fatal(err)
	}
	if rows.Next() {
		t.Error("a reference leads nowhere")
	}
	rows.Close()
	for _, q := range []string{
		"SELECT count(*) FROM results WHERE id NOT IN (SELECT result_id FROM documents) OR id NOT IN (SELECT result_id FROM said) OR id NOT IN (SELECT result_id FROM marks)",
		"SELECT count(*) FROM recordings WHERE id NOT IN (SELECT recording_id FROM results)",
		"SELECT count(*) FROM setups WHERE id NOT IN (SELECT setup_id FROM results)",
	} {
		var n int
		if err := l.db.QueryRow(q).Scan(&n); err != nil || n != 0 {
			t.Errorf("%s: %d, %v", q, n, err)
		}
	}
}

// TestKilled kills a program that writes, again and again, with the signal that
// lets it do nothing more: the file is in order every time, and whatever was confirmed is in
// it. What a power cut does beyond that, pages that the disk has not written,
// needs the disk to keep what it was told to keep, which no test here shows.
func TestKilled(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("the test kills with a signal")
	}
	const kills = 12
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	r := rand.New(rand.NewPCG(1, 6))
	confirmed := map[string]bool{}
	for k := range kills {
		cmd := writer(t.Context(), path, fmt.Sprintf("k%d", k), 1000)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		// After so many lines it is somewhere in the next addition, and how far
		// depends on how long this loop is kept busy.
		left, busy := 2+r.IntN(8), r.IntN(4_000_000)
		for lines.Scan() {
			if name, ok := strings.CutPrefix(lines.Text(), "done "); ok {
				confirmed[name] = true
			}
			if left--; left == 0 {
				x := 0
				for i := range busy {
					x += i
				}
				runtime.KeepAlive(x)
				if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
					t.Fatal(err)
				}
			}
		}
		var exit *exec.ExitError
		if err := cmd.Wait(); !errors.As(err, &exit) {
			t.Fatalf("the writer ended by itself: %v", err)
		}
		l, err := Open(t.Context(), path)
		if errors.Is(err, ErrMissing) && len(confirmed) == 0 {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		inOrder(t, l)
		rows, err := l.Find(t.Context(), Query{})
		if err != nil {
			t.Fatal(err)
		}
		there := map[string]bool{}
		for _, r := range rows {
			there[r.Recording] = true
		}
		for name := range confirmed {
			if !there[name] {
				t.Errorf("kill %d: %s was confirmed and is lost", k+1, name)
			}
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if len(confirmed) < kills {
		t.Errorf("only %d additions were confirmed: the test kills too early", len(confirmed))
	}
}

// TestTwoPrograms: two programs write at once, and this one backs up meanwhile:
// nothing is lost, and each backup is whole and of one moment.
func TestTwoPrograms(t *testing.T) {
	const each = 25
	dir := t.TempDir()
	path := filepath.Join(dir, "logbook.sqlite")
	l, err := Create(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var both []*exec.Cmd
	var outs []io.ReadCloser
	for _, name := range []string{"a", "b"} {
		cmd := writer(t.Context(), path, name, each)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		both, outs = append(both, cmd), append(outs, out)
	}
	copies := 0
	first := bufio.NewScanner(outs[0])
	go func() { _, _ = io.Copy(io.Discard, outs[1]) }() // its pipe must not fill; Wait says how it ended
	for first.Scan() {
		if copies < 5 && strings.HasPrefix(first.Text(), "done ") {
			copies++
			if err := l.Backup(t.Context(), filepath.Join(dir, fmt.Sprintf("backup%d.sqlite", copies))); err != nil {
				t.Error(err)
			}
		}
	}
	for _, cmd := range both {
		if err := cmd.Wait(); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := l.Count(t.Context()); n != 2*each || err != nil {
		t.Errorf("%d results, %v; want %d", n, err, 2*each)
	}
	inOrder(t, l)
	before := 0
	for i := range copies {
		b, err := Open(t.Context(), filepath.Join(dir, fmt.Sprintf("backup%d.sqlite", i+1)))
		if err != nil {
			t.Fatal(err)
		}
		inOrder(t, b)
		n, err := b.Count(t.Context())
		if err != nil || n <= 0 || n < before {
			t.Errorf("backup %d: %d results after %d, %v", i+1, n, before, err)
		}
		before = n
		b.Close()
	}
	if copies == 0 {
		t.Error("no backup was taken")
	}
	left, err := filepath.Glob(filepath.Join(dir, ".sparkscope-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestBusy: a program that holds the logbook too long is named as the reason.
func TestBusy(t *testing.T) {
	l := begun(t)
	other, err := Open(t.Context(), l.path)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.db.Exec("PRAGMA busy_timeout(1)"); err != nil {
		t.Fatal(err)
	}
	_, err = l.Add(t.Context(), Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x", Added: noon})
	if err == nil || !strings.Contains(err.Error(), "another program") {
		t.Errorf("%v", err)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x"})
}

// full fails unless adding to the logbook says that the disk is full and leaves
// it whole, with the n results that it had.
func full(t *testing.T, l *Logbook, n int) {
	t.Helper()
	var all []Measurement
	for i := range 30 {
		all = append(all, Measurement{Document: sample{fmt.Sprintf("more%d.wav", i), "", 15 + float64(i)/10, 18}.document(t), Engine: "new", Added: noon, Marks: []string{"m"}})
	}
	_, err := l.AddAll(t.Context(), all)
	if err == nil || !strings.Contains(err.Error(), "disk is full") || !strings.Contains(err.Error(), "make room") {
		t.Fatalf("%v", err)
	}
	if got, err := l.Count(t.Context()); got != n || err != nil {
		t.Errorf("%d results, %v; want %d", got, err, n)
	}
	if engines, err := l.Engines(t.Context()); err != nil || len(engines) != 1 {
		t.Errorf("engines %v, %v", engines, err)
	}
	inOrder(t, l)
}

// TestFull: the file may not grow any more, as SQLite's own limit has it, and as
// on a disk that is full, where one can be made.
func TestFull(t *testing.T) {
	t.Run("limit", func(t *testing.T) {
		l := begun(t)
		mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x", Marks: []string{"m"}})
		var pages int
		if err := l.db.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
			t.Fatal(err)
		}
		if _, err := l.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages+10)); err != nil {
			t.Fatal(err)
		}
		full(t, l, 1)
		if _, err := l.db.Exec("PRAGMA max_page_count = 1000000"); err != nil {
			t.Fatal(err)
		}
		mustAdd(t, l, Measurement{Document: sample{"b.wav", "", 15, 18}.document(t), Engine: "x"})
	})
	t.Run("disk", func(t *testing.T) {
		if runtime.GOOS != "linux" {
			t.Skip("a small disk is made by Linux's mount")
		}
		dir := t.TempDir()
		if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", dir).CombinedOutput(); err != nil {
			t.Skipf("no small disk can be made here: %s", strings.TrimSpace(string(out)))
		}
		defer func() {
			if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
				t.Errorf("umount: %s", out)
			}
		}()
		l, err := Create(t.Context(), filepath.Join(dir, "logbook.sqlite"))
		if err != nil {
			t.Fatal(err)
		}
		mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x", Marks: []string{"m"}})
		full(t, l, 1)
		// A backup has no room either: it says so, and leaves nothing half there.
		other, err := os.Create(filepath.Join(dir, "other"))
		for err == nil {
			_, err = other.Write(make([]byte, 4096))
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatalf("filling the disk: %v", err)
		}
		other.Close()
		to := filepath.Join(dir, "backup.sqlite")
		if err := l.Backup(t.Context(), to); err == nil || !strings.Contains(err.Error(), "disk is full") {
			t.Errorf("backup: %v", err)
		}
		left, err := filepath.Glob(filepath.Join(dir, "*"))
		hidden, errH := filepath.Glob(filepath.Join(dir, ".sparkscope*"))
		if len(left) != 2 || len(hidden) != 0 || err != nil || errH != nil {
			t.Errorf("left behind: %v %v", left, hidden)
		}
		l.Close()
	})
}

// TestReadOnly: a logbook that cannot be written is read, and a change says why
// it cannot be made. The driver's own mode stands for a file's permissions, which
// mean nothing to root.
func TestReadOnly(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	l, err := Create(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x"})
	l.Close()
	r, err := read(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if rows, err := r.Find(t.Context(), Query{}); len(rows) != 1 || err != nil {
		t.Errorf("%v, %v", rows, err)
	}
	if err := r.Mark(t.Context(), 1, "x", false); err == nil || !strings.Contains(err.Error(), "read-only") {
		t.Errorf("%v", err)
	}
}

// TestOrdinaryProgram opens a logbook with the sqlite3 program.
func TestOrdinaryProgram(t *testing.T) {
	program, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Skip("the program sqlite3 is not installed (Debian: sqlite3)")
	}
	l := begun(t)
	doc := sample{"a.wav", "", 15.25, 18}.document(t)
	mustAdd(t, l, Measurement{Document: doc, Engine: "Säge", Recorded: day(t, "2026-03-14"), From: Given, Marks: []string{"before"}})
	ask := func(query string) string {
		out, err := exec.Command(program, l.path, query).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", query, err, out)
		}
		return strings.TrimSuffix(string(out), "\n")
	}
	for query, want := range map[string]string{
		"PRAGMA integrity_check":   "ok",
		"PRAGMA foreign_key_check": "",
		"PRAGMA user_version":      strconv.Itoa(Version()),
		"SELECT e.name, c.recorded, r.advance_deg, m.word FROM results r JOIN engines e ON e.id = r.engine_id JOIN recordings c ON c.id = r.recording_id JOIN marks m ON m.result_id = r.id": "Säge|2026-03-14|15.25|before",
		"SELECT sqlar_uncompress(packed, bytes) FROM documents WHERE result_id = 1":                                                                                                          strings.TrimSuffix(string(doc), "\n") + "\n",
	} {
		if got := ask(query); got != strings.TrimSuffix(want, "\n") && got != want {
			t.Errorf("%s: %.200s; want %.200s", query, got, want)
		}
	}
	// What it writes is read here.
	ask("INSERT INTO marks VALUES (1, 'by hand')")
	if w, err := l.Result(t.Context(), 1); err != nil || len(w.Marks) != 2 {
		t.Errorf("%+v, %v", w, err)
	}
}

// TestRestore: into nothing, over a logbook that others have open, over one that
// is damaged, and from what is no backup.
func TestRestore(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	l, err := Create(ctx, in("l"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	mustAdd(t, l, Measurement{Document: sample{"a.wav", "", 15, 18}.document(t), Engine: "x"})
	if err := l.Backup(ctx, in("backup")); err != nil {
		t.Fatal(err)
	}
	mustAdd(t, l, Measurement{Document: sample{"b.wav", "", 16, 18}.document(t), Engine: "x"})
	names := func(path string) string {
		t.Helper()
		b, err := Open(ctx, path)
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		rows, err := b.Find(ctx, Query{})
		if err != nil {
			t.Fatal(err)
		}
		out := ""
		for _, r := range rows {
			out += r.Recording + " "
		}
		return out
	}
	if kept, err := Restore(ctx, in("backup"), in("new"), false); kept != "" || err != nil || names(in("new")) != "a.wav " {
		t.Errorf("into nothing: %q, %v", kept, err)
	}
	if _, err := Restore(ctx, in("backup"), in("l"), false); !errors.Is(err, ErrExists) || names(in("l")) != "a.wav b.wav " {
		t.Errorf("over a logbook, not told to: %v", err)
	}
	kept, err := Restore(ctx, in("backup"), in("l"), true)
	if err != nil || names(in("l")) != "a.wav " || names(kept) != "a.wav b.wav " {
		t.Errorf("over a logbook: %q, %v", kept, err)
	}
	if n, err := l.Count(ctx); n != 1 || err != nil {
		t.Errorf("who had it open sees %d results, %v; want 1", n, err)
	}
	mustAdd(t, l, Measurement{Document: sample{"c.wav", "", 16, 18}.document(t), Engine: "x"})
	if got := names(in("l")); got != "a.wav c.wav " {
		t.Errorf("what is added afterwards: %q", got)
	}
	// Of an old version; it stays as it is.
	old := copied(t, "version1.sqlite")
	was, err := os.ReadFile(old)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(ctx, old, in("fromold"), false); err != nil || !strings.Contains(names(in("fromold")), "before.wav") {
		t.Errorf("of an old version: %v", err)
	}
	if now, err := os.ReadFile(old); err != nil || string(now) != string(was) {
		t.Errorf("the old backup was changed: %v", err)
	}
	// Over a damaged one.
	if err := os.WriteFile(in("damaged"), []byte("not any more"), 0o600); err != nil {
		t.Fatal(err)
	}
	kept, err = Restore(ctx, in("backup"), in("damaged"), true)
	if b, errB := os.ReadFile(kept); err != nil || errB != nil || string(b) != "not any more" || names(in("damaged")) != "a.wav " {
		t.Errorf("over a damaged one: %v, %v", err, errB)
	}
	// A backup that is damaged, or none.
	b, err := os.ReadFile(in("backup"))
	if err != nil {
		t.Fatal(err)
	}
	for i := 4096; i < len(b); i++ {
		b[i] ^= 0x5a
	}
	if err := os.WriteFile(in("bad"), b, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, from := range []string{in("bad"), in("none"), dir, in("damaged.before-restore"), in("l")} {
		if _, err := Restore(ctx, from, in("l"), true); err == nil {
			t.Errorf("%s: restored", from)
		}
	}
	if got := names(in("l")); got != "a.wav c.wav " {
		t.Errorf("a restore that failed left %q", got)
	}
	if left, err := filepath.Glob(in(".sparkscope-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	if err := l.Backup(ctx, in("l")); err == nil {
		t.Error("backed up onto itself")
	}
}
