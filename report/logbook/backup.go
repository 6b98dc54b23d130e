package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"

	"modernc.org/sqlite"
)

// beside is a free name for a file that waits beside path to be put in its place.
func beside(path string) (string, error) {
	for range 100 {
		name := filepath.Join(filepath.Dir(path), fmt.Sprintf(".sparkscope-%08x", rand.Uint32()))
		if _, err := os.Lstat(name); errors.Is(err, fs.ErrNotExist) {
			return name, nil
		}
	}
	return "", fmt.Errorf("logbook: no free name for a file beside %s", path)
}

// sameFile says whether two names lead to one file.
func sameFile(a, b string) bool {
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && os.SameFile(x, y)
}

// Backup writes a copy of the whole logbook to path, while others may go on
// writing into the logbook: the copy is of one moment. It has been read through
// and has reached the disk before it takes the place of an earlier file there.
func (l *Logbook) Backup(ctx context.Context, path string) error {
	if sameFile(path, l.path) {
		return fmt.Errorf("logbook: %s: is the logbook itself; name another file for its backup", path)
	}
	return placed(path, func(temp string) error { return l.copyTo(ctx, temp) })
}

// placed has a file made beside path, and puts it there when it is whole. It
// leaves nothing behind when that fails.
func placed(path string, fill func(temp string) error) error {
	temp, err := beside(path)
	if err != nil {
		return err
	}
	err = fill(temp)
	if err == nil {
		err = settled(temp)
	}
	if err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		if gone := os.Remove(temp); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
	}
	return err
}

// settled sees that the file has reached the disk.
func settled(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// copyTo writes a copy of one moment to a file that must not exist, and reads
// it through.
func (l *Logbook) copyTo(ctx context.Context, temp string) error {
	if _, err := l.db.ExecContext(ctx, "VACUUM INTO ?", temp); err != nil {
		return l.plain("copying it", err)
	}
	c, err := read(ctx, temp)
	if err != nil {
		return err
	}
	return errors.Join(c.sound(ctx), c.Close())
}

// sound reads the whole file through and says whether it is in order.
func (l *Logbook) sound(ctx context.Context) error {
	var said string
	if err := l.db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&said); err != nil {
		return l.plain("reading it through", err)
	}
	if said != "ok" {
		return fmt.Errorf("logbook: %s: is damaged (%s); take another backup", l.path, said)
	}
	return nil
}

// read opens a logbook of any version up to this program's for reading alone: the
// file is left as it is.
func read(ctx context.Context, path string) (*Logbook, error) {
	fresh, err := look(path, false)
	if err != nil {
		return nil, err
	}
	if fresh {
		if _, err := os.Stat(path); err == nil {
			return nil, fmt.Errorf("logbook: %s: is empty", path)
		}
		return nil, fmt.Errorf("logbook: %s: %w", path, ErrMissing)
	}
	dsn, err := address(path, "ro")
	if err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	l := &Logbook{db: db, path: path}
	version, ours, err := l.version(ctx, db)
	switch {
	case err != nil:
		err = l.plain("opening it", err)
	case !ours:
		err = notALogbook(path)
	case version > Version():
		err = newer(path, version, Version())
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return l, nil
}

// current makes temp a copy of the logbook at path, of any version, that is of
// this program's.
func current(ctx context.Context, path, temp string) error {
	src, err := read(ctx, path)
	if err != nil {
		return err
	}
	if err := errors.Join(src.sound(ctx), src.copyTo(ctx, temp), src.Close()); err != nil {
		return err
	}
	l, err := Open(ctx, temp)
	if err != nil {
		return err
	}
	return l.Close()
}

// ErrExists is the cause where Restore would replace a logbook and was not told
// to.
var ErrExists = errors.New("there is a logbook already")

// Restore makes the logbook at path what the backup is, which stays as it is. A
// logbook that is there already is replaced only where replace says so, and is
// first kept whole in the file that Restore returns; kept is empty where there
// was none. A program that has it open goes on with what was restored.
func Restore(ctx context.Context, backup, path string, replace bool) (kept string, err error) {
	if sameFile(backup, path) {
		return "", fmt.Errorf("logbook: %s: is the logbook itself, not a backup of it", backup)
	}
	temp, err := beside(path)
	if err != nil {
		return "", err
	}
	defer func() {
		if gone := os.Remove(temp); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
	}()
	_, missing := os.Stat(path)
	switch {
	case errors.Is(missing, fs.ErrNotExist):
		if err := current(ctx, backup, temp); err != nil {
			return "", err
		}
		if err := settled(temp); err != nil {
			return "", err
		}
		return "", os.Rename(temp, path)
	case missing != nil:
		return "", missing
	case !replace:
		return "", fmt.Errorf("logbook: %s: %w", path, ErrExists)
	}
	if err := current(ctx, backup, temp); err != nil {
		return "", err
	}
	kept = path + ".before-restore"
	if sameFile(kept, backup) {
		return "", fmt.Errorf("logbook: %s: is where the logbook itself would be kept; rename it first", backup)
	}
	l, err := Open(ctx, path)
	if err != nil {
		// It is damaged or no logbook: kept byte by byte, and then replaced.
		if err := placed(kept, func(to string) error { return copyFile(path, to) }); err != nil {
			return "", err
		}
		if err := settled(temp); err != nil {
			return "", err
		}
		return kept, os.Rename(temp, path)
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	if err := placed(kept, func(to string) error {
		_, err := l.db.ExecContext(ctx, "VACUUM INTO ?", to)
		return l.plain("keeping it", err)
	}); err != nil {
		return "", err
	}
	return kept, l.plain("restoring it", l.become(ctx, temp))
}

// become makes the open logbook, within its locks, what the file is.
func (l *Logbook) become(ctx context.Context, file string) error {
	c, err := l.db.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	return c.Raw(func(dc any) error {
		b, err := dc.(interface {
			NewRestore(src string) (*sqlite.Backup, error)
		}).NewRestore(file)
		if err != nil {
			return err
		}
		_, err = b.Step(-1)
		return errors.Join(err, b.Finish())
	})
}

// copyFile copies a file's bytes.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
