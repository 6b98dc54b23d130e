package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// step brings a logbook from one version to the next. Steps are never changed
// once they are published: a file that has been through one stays as it is.
type step struct {
	why string // what the version is for
	sql string
}

// steps are in the order of their versions: the first makes version 1 of an
// empty file.
func steps() []step {
	return []step{
		{"the logbook as it began", version1},
		{"finding words and recordings among ten thousand results", version2},
	}
}

// Times are texts of RFC 3339 with the offset of where they were taken, or a
// date alone, and beside them the second since 1970 to sort by.
const version1 = `
CREATE TABLE engines (
	id       INTEGER PRIMARY KEY,
	name     TEXT NOT NULL UNIQUE,
	added_at TEXT NOT NULL
);
CREATE TABLE setups (
	id          INTEGER PRIMARY KEY,
	engine_id   INTEGER NOT NULL REFERENCES engines(id),
	digest      TEXT NOT NULL,
	setup       TEXT NOT NULL,
	engine_file TEXT,
	UNIQUE (engine_id, digest)
);
CREATE TABLE recordings (
	id              INTEGER PRIMARY KEY,
	fingerprint     TEXT UNIQUE,
	name            TEXT NOT NULL,
	sample_rate_hz  REAL,
	channels        INTEGER,
	bits            INTEGER,
	encoding        TEXT,
	duration_s      REAL,
	recorded        TEXT NOT NULL,
	recorded_unix_s INTEGER NOT NULL,
	recorded_from   TEXT NOT NULL CHECK (recorded_from IN ('given', 'file', 'added'))
);
CREATE TABLE results (
	id                       INTEGER PRIMARY KEY AUTOINCREMENT,
	engine_id                INTEGER NOT NULL REFERENCES engines(id),
	setup_id                 INTEGER NOT NULL REFERENCES setups(id),
	recording_id             INTEGER NOT NULL REFERENCES recordings(id),
	digest                   TEXT NOT NULL,
	added_at                 TEXT NOT NULL,
	relative_to_reference    INTEGER NOT NULL,
	rpm_min                  REAL,
	rpm_max                  REAL,
	rpm_mean                 REAL,
	sparks                   INTEGER NOT NULL,
	sparks_ok                INTEGER NOT NULL,
	missed_sparks            INTEGER NOT NULL,
	advance_deg              REAL,
	advance_median_deg       REAL,
	advance_stddev_deg       REAL,
	expanded_uncertainty_deg REAL,
	target_deg               REAL,
	tolerance_deg            REAL,
	deviation_deg            REAL,
	decision                 TEXT,
	UNIQUE (engine_id, digest)
);
CREATE TABLE documents (
	result_id INTEGER PRIMARY KEY REFERENCES results(id) ON DELETE CASCADE,
	bytes     INTEGER NOT NULL,
	packed    BLOB NOT NULL
);
CREATE TABLE findings (
	result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE,
	code      TEXT NOT NULL,
	severity  TEXT NOT NULL,
	message   TEXT NOT NULL
);
CREATE INDEX findings_by_result ON findings(result_id);
CREATE TABLE marks (
	result_id INTEGER NOT NULL REFERENCES results(id) ON DELETE CASCADE,
	word      TEXT NOT NULL,
	PRIMARY KEY (result_id, word)
) WITHOUT ROWID;
CREATE TABLE remarks (
	id        INTEGER PRIMARY KEY,
	engine_id INTEGER NOT NULL REFERENCES engines(id),
	result_id INTEGER REFERENCES results(id) ON DELETE CASCADE,
	written   TEXT NOT NULL,
	text      TEXT NOT NULL
);
CREATE INDEX remarks_by_result ON remarks(result_id);
`

// With ten thousand results a word took 130 ms to find among their findings, for
// LIKE folds the case of every letter anew; they are kept folded, one text for a
// result. And an addition looked through all results for its recording.
const version2 = `
CREATE TABLE said (
	result_id INTEGER PRIMARY KEY REFERENCES results(id) ON DELETE CASCADE,
	folded    TEXT NOT NULL
);
INSERT INTO said SELECT result_id, lower(group_concat(code || char(10) || message, char(10))) FROM findings GROUP BY result_id;
CREATE INDEX results_by_recording ON results(recording_id);
CREATE INDEX results_by_setup ON results(setup_id);
CREATE INDEX findings_by_code ON findings(code);
`

// Version is the version of the logbooks that this program writes.
func Version() int { return len(steps()) }

// prepare sees that the file is a logbook of this version, and makes it one.
func (l *Logbook) prepare(ctx context.Context, fresh bool) error {
	return l.bring(ctx, fresh, steps())
}

func newer(path string, version, known int) error {
	return fmt.Errorf("logbook: %s: was written by a newer sparkscope (version %d of its layout; this program knows %d and older): take the newer program, so that nothing of it is lost", path, version, known)
}

// bring brings the file through the steps that it has not been through, all in
// one transaction.
func (l *Logbook) bring(ctx context.Context, fresh bool, steps []step) error {
	version, ours, err := l.version(ctx, l.db)
	if err != nil {
		return err
	}
	if !ours && !fresh {
		return notALogbook(l.path)
	}
	if version > len(steps) {
		return newer(l.path, version, len(steps))
	}
	if ours && version == len(steps) {
		return nil
	}
	tx, err := l.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	err = func() error {
		// Another program may have been quicker while this one waited.
		version, ours, err := l.version(ctx, tx)
		if err != nil {
			return err
		}
		if ours {
			l.MigratedFrom = version
		} else if version = 0; true {
			if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID)); err != nil {
				return err
			}
		}
		if version >= len(steps) {
			l.MigratedFrom = 0
			return nil
		}
		for i, s := range steps[version:] {
			if _, err := tx.ExecContext(ctx, s.sql); err != nil {
				return fmt.Errorf("logbook: %s: step to version %d (%s): %w", l.path, version+i+1, s.why, err)
			}
		}
		_, err = tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", len(steps)))
		return err
	}()
	if err != nil {
		return errors.Join(err, quiet(tx.Rollback()))
	}
	return tx.Commit()
}

// querier is a database or a transaction.
type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

// version is that of the file; ours: it is a logbook.
func (l *Logbook) version(ctx context.Context, q querier) (version int, ours bool, err error) {
	var id int
	if err := q.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return 0, false, err
	}
	err = q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version)
	return version, id == applicationID, err
}
