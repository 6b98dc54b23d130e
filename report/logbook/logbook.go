// Package logbook keeps the results of measurements in one file, a database
// that any program for SQLite 3 opens, and finds them again.
//
// # What is in it
//
//	engines     by name
//	setups      how an engine and its pick-ups were set up: the set-up as the
//	            result has it, and the engine file as it was then
//	recordings  by the fingerprint of their samples, so that a renamed or
//	            re-packed copy is the same recording
//	results     one for each measurement, with columns to search by
//	documents   the result itself, every byte as it came
//	findings    what a result says of engine and recording
//	marks       a word on a result: before, after, or any other
//	remarks     sentences on a result or on an engine
//
// A document is stored as SQLite's own archives store a file: packed by zlib
// where that makes it smaller, with its length beside it. The sqlite3 program
// reads one by
//
//	select sqlar_uncompress(packed, bytes) from documents where result_id = 1;
//
// # How it is kept safe
//
// Every change is one transaction with a rollback journal, and has reached the
// disk before it is said to be done (synchronous = EXTRA): a program that dies
// or a power cut leaves all of a change or nothing. There is no second file to
// forget when the logbook is copied while nobody writes. Two programs may write
// at once; each waits for the other. No path inside matters.
package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"modernc.org/sqlite" // also registers the driver
)

// applicationID marks a file as a logbook: "Spsc" (SQLite's application_id).
const applicationID = 0x53707363

// waitMS is how long (ms) one program waits for another that is writing. A
// backup of ten thousand results takes a tenth of it.
const waitMS = 15000

// Logbook is an open logbook. It may be used by several goroutines.
type Logbook struct {
	db   *sql.DB
	path string
	// MigratedFrom is the version that the file had before it was opened, where
	// it had to be brought to this program's; 0: it had not.
	MigratedFrom int
}

// Path is the file's name as it was given.
func (l *Logbook) Path() string { return l.path }

// Close closes the file.
func (l *Logbook) Close() error { return l.db.Close() }

// ErrMissing is the cause where there is no such file.
var ErrMissing = errors.New("there is no such logbook")

// Open opens a logbook that exists and brings it to this program's version. A
// file that is missing (ErrMissing), no logbook, or of a newer program is an
// error that says so.
func Open(ctx context.Context, path string) (*Logbook, error) { return open(ctx, path, false) }

// Create opens a logbook, and begins one where there is no file. The folder must
// exist.
func Create(ctx context.Context, path string) (*Logbook, error) { return open(ctx, path, true) }

func open(ctx context.Context, path string, create bool) (*Logbook, error) {
	fresh, err := look(path, create)
	if err != nil {
		return nil, err
	}
	if fresh && !create {
		return nil, fmt.Errorf("logbook: %s: %w; the first result that is added begins one", path, ErrMissing)
	}
	mode := "rw"
	if fresh {
		mode = "rwc"
	}
	dsn, err := address(path, mode)
	if err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return nil, fmt.Errorf("logbook: %s: %w", path, err)
	}
	// One connection: readers and writers of one program take turns, so that
	// none of them ever finds the file locked by another of the same program.
	db.SetMaxOpenConns(1)
	l := &Logbook{db: db, path: path}
	if err := l.prepare(ctx, fresh); err != nil {
		return nil, errors.Join(l.plain("opening it", err), db.Close())
	}
	return l, nil
}

// look finds out what lies at path before SQLite does, which would say less.
// fresh: nothing, or an empty file. create: one is to be begun.
func look(path string, create bool) (fresh bool, err error) {
	info, err := os.Stat(path)
	var pe *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if dir, err := os.Stat(filepath.Dir(path)); create && (err != nil || !dir.IsDir()) {
			return false, fmt.Errorf("logbook: %s: %w, and no folder %s to begin one in", path, ErrMissing, filepath.Dir(path))
		}
		return true, nil
	case errors.As(err, &pe):
		return false, fmt.Errorf("logbook: %s: cannot be read: %w", path, pe.Err)
	case err != nil:
		return false, err
	case info.IsDir():
		return false, fmt.Errorf("logbook: %s: is a folder; a logbook is a file in one", path)
	case !info.Mode().IsRegular():
		return false, fmt.Errorf("logbook: %s: is no ordinary file", path)
	case info.Size() == 0:
		return true, nil
	}
	f, err := os.Open(path)
	if err != nil {
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return false, fmt.Errorf("logbook: %s: cannot be read: %w", path, err)
	}
	defer f.Close()
	head := make([]byte, 16)
	if _, err := io.ReadFull(f, head); err != nil || string(head) != "SQLite format 3\x00" {
		return false, notALogbook(path)
	}
	return false, nil
}

func notALogbook(path string) error {
	return fmt.Errorf("logbook: %s: is not a logbook of sparkscope; name another file", path)
}

// address is the file as the driver wants it.
//
// mode is one of SQLite's: ro, rw or rwc, which begins a file.
func address(path, mode string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	abs = filepath.ToSlash(abs)
	if !strings.HasPrefix(abs, "/") {
		abs = "/" + abs // a drive's letter
	}
	q := fmt.Sprintf("mode=%s&_txlock=immediate&_pragma=busy_timeout(%d)&_pragma=foreign_keys(1)&_pragma=synchronous(EXTRA)", mode, waitMS)
	// As an address: the signs that would end its path, https://www.sqlite.org/uri.html.
	return "file:" + strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(abs) + "?" + q, nil
}

// problem is a failure whose cause the user can do something about.
type problem struct {
	said  string
	cause error
}

func (p *problem) Error() string { return p.said }
func (p *problem) Unwrap() error { return p.cause }

// NotWritten says whether err is of a logbook that could not be written: no
// room, no right to, or another program that did not let go of it.
func NotWritten(err error) bool {
	var p *problem
	if !errors.As(err, &p) {
		return false
	}
	switch code(p.cause) {
	case codeBusy, codeLocked, codeReadOnly, codeFull, codeIO, codeCantOpen:
		return true
	}
	return false
}

// SQLite's result codes, https://www.sqlite.org/rescode.html.
const (
	codeBusy     = 5
	codeLocked   = 6
	codeReadOnly = 8
	codeIO       = 10
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeNotADB   = 26
)

// code is SQLite's primary result code of err; 0: it is none of SQLite's.
func code(err error) int {
	var se *sqlite.Error
	if !errors.As(err, &se) {
		return 0
	}
	return se.Code() & 0xff
}

// plain says what an error of SQLite means for the user, and what to do. What
// was under way is doing: "adding a result". Other errors pass.
func (l *Logbook) plain(doing string, err error) error {
	if err == nil {
		return nil
	}
	var said string
	switch code(err) {
	case codeBusy, codeLocked:
		said = fmt.Sprintf("another program has been writing to it for more than %d s; wait until it is done, or close it, and try again", waitMS/1000)
	case codeReadOnly:
		said = "it cannot be written: the file or its folder is read-only; copy it to where you may write, or name another by --logbook"
	case codeFull:
		said = "the disk is full: nothing of this was written, and what was there is whole; make room, or move the logbook to another disk, and do it again"
	case codeIO:
		said = "the disk or the network drive failed while it was read or written; look after the disk, and restore a backup if it happens again"
	case codeCorrupt:
		said = "it is damaged; restore a backup: sparkscope logbook restore"
	case codeNotADB:
		said = "is not a logbook of sparkscope; name another file"
	case codeCantOpen:
		said = "it cannot be opened or its folder cannot be written: see that you may write there"
	default:
		return err
	}
	return &problem{fmt.Sprintf("logbook: %s: %s: %s", l.path, doing, said), err}
}

// changed runs change in one transaction that is written to the disk as a whole
// before changed returns nil; on any error nothing of it is.
func (l *Logbook) changed(ctx context.Context, doing string, change func(tx *sql.Tx) error) error {
	tx, err := l.db.BeginTx(ctx, nil)
	if err != nil {
		return l.plain(doing, err)
	}
	if err := change(tx); err != nil {
		return l.plain(doing, errors.Join(err, quiet(tx.Rollback())))
	}
	return l.plain(doing, tx.Commit())
}

// quiet drops what a rollback says when the transaction has ended by itself, as
// it does on a full disk.
func quiet(err error) error {
	if err == nil || errors.Is(err, sql.ErrTxDone) || code(err) != 0 {
		return nil
	}
	return err
}
