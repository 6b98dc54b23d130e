package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// engineOf is the number of a result's engine.
func engineOf(ctx context.Context, tx *sql.Tx, result int64) (engine int64, err error) {
	err = tx.QueryRowContext(ctx, "SELECT engine_id FROM results WHERE id = ?", result).Scan(&engine)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, fmt.Errorf("logbook: result %d: %w", result, ErrNoResult)
	}
	return engine, err
}

// Mark puts a mark on a result, or takes it off. A mark that is there already
// stays; one that is not there cannot be taken off.
func (l *Logbook) Mark(ctx context.Context, result int64, word string, off bool) error {
	word, err := oneLine("the mark", word, MostMarkBytes)
	if err != nil {
		return err
	}
	return l.changed(ctx, "marking a result", func(tx *sql.Tx) error {
		if _, err := engineOf(ctx, tx, result); err != nil {
			return err
		}
		if !off {
			_, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO marks (result_id, word) VALUES (?, ?)", result, word)
			return err
		}
		r, err := tx.ExecContext(ctx, "DELETE FROM marks WHERE result_id = ? AND word = ?", result, word)
		if err != nil {
			return err
		}
		if n, err := r.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("logbook: result %d has no mark %q", result, word))
		}
		return nil
	})
}

// RemarkResult writes a remark on a result.
func (l *Logbook) RemarkResult(ctx context.Context, result int64, s string, written time.Time) error {
	s, err := remarkText(s)
	if err != nil {
		return refused{err}
	}
	return l.changed(ctx, "writing a remark", func(tx *sql.Tx) error {
		engine, err := engineOf(ctx, tx, result)
		if err != nil {
			return err
		}
		return remark(ctx, tx, engine, &result, DateOf(written).text, s)
	})
}

// RemarkEngine writes a remark on an engine.
func (l *Logbook) RemarkEngine(ctx context.Context, engine, s string, written time.Time) error {
	s, err := remarkText(s)
	if err != nil {
		return refused{err}
	}
	return l.changed(ctx, "writing a remark", func(tx *sql.Tx) error {
		id, _, err := engineID(ctx, tx, engine)
		if err != nil {
			return err
		}
		if id == 0 {
			return noEngine(ctx, tx, engine)
		}
		return remark(ctx, tx, id, nil, DateOf(written).text, s)
	})
}

// Remove takes a result out, with its marks and remarks, and what nothing else
// needs: its recording, its set-up, and its engine where it was the last and
// nothing was remarked of the engine itself.
func (l *Logbook) Remove(ctx context.Context, result int64) error {
	return l.changed(ctx, "removing a result", func(tx *sql.Tx) error {
		if _, err := engineOf(ctx, tx, result); err != nil {
			return err
		}
		for _, s := range []string{
			"DELETE FROM results WHERE id = ?1",
			"DELETE FROM recordings WHERE ?1 AND id NOT IN (SELECT recording_id FROM results)",
			"DELETE FROM setups WHERE ?1 AND id NOT IN (SELECT setup_id FROM results)",
			"DELETE FROM engines WHERE ?1 AND id NOT IN (SELECT engine_id FROM results) AND id NOT IN (SELECT engine_id FROM remarks)",
		} {
			if _, err := tx.ExecContext(ctx, s, result); err != nil {
				return err
			}
		}
		return nil
	})
}
