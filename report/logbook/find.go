package logbook

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Row is a result as a list shows it. A pointer that is nil: not known. It has
// no more than a list needs: every column of ten thousand rows takes 3 ms.
type Row struct {
	ID        int64
	Engine    string
	Recording string // name of the recording's file, without its folder
	Recorded  Date
	From      Origin
	Relative  bool // angles are relative to the reference, not to top dead centre

	MinRPM, MaxRPM            *float64
	OK                        int      // sparks that count
	Advance, StdDev, Expanded *float64 // mean, scatter, ± of the mean at 95 %; degrees
	Target, Tolerance         *float64 // degrees
	Deviation                 *float64 // of the mean from the target, degrees
	Decision                  string   // of the verdict; empty: none

	Marks []string // in alphabetic order
}

// Remark is a sentence on a result or on an engine.
type Remark struct {
	Written string // RFC 3339
	Result  int64  // 0: it is on the engine
	Text    string
}

// Finding is what a result says of engine or recording.
type Finding struct{ Code, Severity, Message string }

// Query says which results are wanted; the zero value wants all.
type Query struct {
	Engine   string   // its name, in any case of letters
	Words    []string // each must be in engine, recording, date, marks, remarks or findings, in any case of letters
	From, To Date     // recorded on these days or between; zero: no limit
	Decision string   // of the verdict
	Finding  string   // code of a finding
	Mark     string   // a mark, in any case of letters
	Last     int      // the newest so many; 0: all
}

// NoEngineError says that no engine has the name.
type NoEngineError struct {
	Name  string
	Known []string // the engines there are, in alphabetic order
}

func (e *NoEngineError) Error() string {
	if len(e.Known) == 0 {
		return fmt.Sprintf("logbook: no engine %q: the logbook is empty", e.Name)
	}
	const most = 5
	names := e.Known
	more := ""
	if len(names) > most {
		more = fmt.Sprintf(" and %d more", len(names)-most)
		names = names[:most]
	}
	return fmt.Sprintf("logbook: no engine %q: there is %s%s", e.Name, quoted(names), more)
}

func quoted(names []string) string {
	var out []string
	for _, n := range names {
		out = append(out, fmt.Sprintf("%q", n))
	}
	return strings.Join(out, ", ")
}

// ErrNoResult is the cause where there is no result of a number.
var ErrNoResult = errors.New("there is no such result; sparkscope logbook list shows those there are")

const rowColumns = `r.id, r.engine_id, c.name, c.recorded, c.recorded_unix_s, c.recorded_from, r.relative_to_reference, r.rpm_min, r.rpm_max, r.sparks_ok,
	r.advance_deg, r.advance_stddev_deg, r.expanded_uncertainty_deg, r.target_deg, r.tolerance_deg, r.deviation_deg, r.decision`

const rowTables = ` FROM results r JOIN recordings c ON c.id = r.recording_id`

// scanRow reads a row; name has the engines' names by their numbers.
func scanRow(rows interface{ Scan(...any) error }, name map[int64]string) (r Row, err error) {
	var decision sql.NullString
	var engine int64
	err = rows.Scan(&r.ID, &engine, &r.Recording, &r.Recorded.text, &r.Recorded.unixS, &r.From, &r.Relative, &r.MinRPM, &r.MaxRPM, &r.OK,
		&r.Advance, &r.StdDev, &r.Expanded, &r.Target, &r.Tolerance, &r.Deviation, &decision)
	r.Engine, r.Decision = name[engine], decision.String
	return r, err
}

// engineNames are the engines' names by their numbers.
func engineNames(ctx context.Context, tx *sql.Tx) (map[int64]string, error) {
	out := map[int64]string{}
	return out, each(ctx, tx, func(scan func(...any) error) error {
		var id int64
		var name string
		err := scan(&id, &name)
		out[id] = name
		return err
	}, "SELECT id, name FROM engines")
}

// Find lists the results that q wants, in the order in which they were recorded.
func (l *Logbook) Find(ctx context.Context, q Query) ([]Row, error) {
	var rows []Row
	err := l.read(ctx, "reading it", func(tx *sql.Tx) (err error) {
		rows, err = find(ctx, tx, q)
		return err
	})
	return rows, err
}

// read runs see on one state of the logbook, whatever others write meanwhile.
func (l *Logbook) read(ctx context.Context, doing string, see func(tx *sql.Tx) error) error {
	tx, err := l.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return l.plain(doing, err)
	}
	err = see(tx)
	return l.plain(doing, errors.Join(err, quiet(tx.Rollback())))
}

func find(ctx context.Context, tx *sql.Tx, q Query) ([]Row, error) {
	where, args := []string{"1"}, []any{}
	limit := func(condition string, a ...any) {
		where, args = append(where, condition), append(args, a...)
	}
	if q.Engine != "" {
		id, _, err := engineID(ctx, tx, q.Engine)
		if err != nil {
			return nil, err
		}
		if id == 0 {
			return nil, noEngine(ctx, tx, q.Engine)
		}
		limit("r.engine_id = ?", id)
	}
	if q.Decision != "" {
		limit("r.decision = ?", q.Decision)
	}
	if q.Finding != "" {
		limit("r.id IN (SELECT result_id FROM findings WHERE code = ?)", q.Finding)
	}
	if q.From != (Date{}) {
		limit("substr(c.recorded, 1, 10) >= ?", q.From.Day())
	}
	if q.To != (Date{}) {
		limit("substr(c.recorded, 1, 10) <= ?", q.To.Day())
	}
	names, err := engineNames(ctx, tx)
	if err != nil {
		return nil, err
	}
	// Words and marks are compared here, where letters of all alphabets have two
	// cases: those that have them are found first, by as few columns as that takes.
	if q.Mark != "" {
		marks, err := texts(ctx, tx, "SELECT result_id, word FROM marks")
		if err != nil {
			return nil, err
		}
		has := map[int64]bool{}
		for id, words := range marks {
			has[id] = slices.ContainsFunc(words, func(m string) bool { return strings.EqualFold(m, q.Mark) })
		}
		limit(oneOfThese, numbers(has))
	}
	if len(q.Words) > 0 {
		has, err := wordy(ctx, tx, q.Words, names)
		if err != nil {
			return nil, err
		}
		if has != nil {
			limit(oneOfThese, numbers(has))
		}
	}
	order := "" // a list without a limit is sorted here, which takes half the time
	if q.Last > 0 {
		order = " ORDER BY c.recorded_unix_s DESC, r.id DESC LIMIT ?"
		args = append(args, q.Last)
	}
	rows, err := tx.QueryContext(ctx, "SELECT "+rowColumns+rowTables+" WHERE "+strings.Join(where, " AND ")+order, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Row
	for rows.Next() {
		r, err := scanRow(rows, names)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	slices.SortFunc(out, func(a, b Row) int {
		return cmp.Or(cmp.Compare(a.Recorded.unixS, b.Recorded.unixS), cmp.Compare(a.ID, b.ID))
	})
	return out, addMarks(ctx, tx, out)
}

// oneOfThese limits results to those of a list of numbers.
const oneOfThese = "r.id IN (SELECT value FROM json_each(?))"

// numbers are those that has holds, as a JSON list.
func numbers(has map[int64]bool) string {
	b := []byte{'['}
	for id, yes := range has {
		if yes {
			if len(b) > 1 {
				b = append(b, ',')
			}
			b = strconv.AppendInt(b, id, 10)
		}
	}
	return string(append(b, ']'))
}

func noEngine(ctx context.Context, tx *sql.Tx, name string) error {
	all, err := engines(ctx, tx)
	if err != nil {
		return err
	}
	e := &NoEngineError{Name: name}
	for _, x := range all {
		e.Known = append(e.Known, x.Name)
	}
	slices.Sort(e.Known)
	return e
}

// addMarks fills in the marks of the rows.
func addMarks(ctx context.Context, tx *sql.Tx, rows []Row) error {
	all, err := texts(ctx, tx, "SELECT result_id, word FROM marks ORDER BY result_id, word")
	if err != nil {
		return err
	}
	for i := range rows {
		rows[i].Marks = all[rows[i].ID]
	}
	return nil
}

// texts are those that a query of a result's number and a text gives.
func texts(ctx context.Context, tx *sql.Tx, query string, args ...any) (map[int64][]string, error) {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64][]string{}
	for rows.Next() {
		var id int64
		var s string
		if err := rows.Scan(&id, &s); err != nil {
			return nil, err
		}
		out[id] = append(out[id], s)
	}
	return out, rows.Err()
}

// holds says whether s has the word in it, which is in small letters already.
func holds(s, word string) bool { return strings.Contains(strings.ToLower(s), word) }

// wordy are the results that have every one of the words somewhere; nil: all do.
func wordy(ctx context.Context, tx *sql.Tx, words []string, names map[int64]string) (map[int64]bool, error) {
	marks, err := texts(ctx, tx, "SELECT result_id, word FROM marks")
	if err != nil {
		return nil, err
	}
	remarks, err := texts(ctx, tx, "SELECT result_id, text FROM remarks WHERE result_id IS NOT NULL")
	if err != nil {
		return nil, err
	}
	engines, err := texts(ctx, tx, "SELECT engine_id, text FROM remarks WHERE result_id IS NULL")
	if err != nil {
		return nil, err
	}
	for id, name := range names {
		engines[id] = append(engines[id], name)
	}
	words = slices.Clone(words)
	for i, w := range words {
		words[i] = strings.ToLower(w)
	}
	said := make([]map[int64]bool, len(words))
	for i, w := range words {
		has := map[int64]bool{}
		said[i] = has
		if err := each(ctx, tx, func(scan func(...any) error) error {
			var id int64
			err := scan(&id)
			has[id] = true
			return err
		}, "SELECT result_id FROM said WHERE instr(folded, ?)", w); err != nil {
			return nil, err
		}
	}
	out, all := map[int64]bool{}, 0
	err = each(ctx, tx, func(scan func(...any) error) error {
		all++
		var id, engine int64
		var name, recorded string
		var decision sql.NullString
		if err := scan(&id, &engine, &name, &recorded, &decision); err != nil {
			return err
		}
		own := [...]string{name, Date{text: recorded}.String(), decision.String}
		for i, w := range words {
			in := func(all []string) bool {
				return slices.ContainsFunc(all, func(s string) bool { return holds(s, w) })
			}
			if !said[i][id] && !in(own[:]) && !in(engines[engine]) && !in(marks[id]) && !in(remarks[id]) {
				return nil
			}
		}
		out[id] = true
		return nil
	}, "SELECT r.id, r.engine_id, c.name, c.recorded, r.decision"+rowTables)
	if err == nil && len(out) == all {
		out = nil
	}
	return out, err
}

// Engine is an engine and what the logbook has of it.
type Engine struct {
	Name        string
	Results     int
	First, Last Date // recorded; zero without a result
}

// Engines lists the engines, in the order in which they were added.
func (l *Logbook) Engines(ctx context.Context) (all []Engine, err error) {
	err = l.read(ctx, "reading it", func(tx *sql.Tx) error {
		all, err = engines(ctx, tx)
		return err
	})
	return all, err
}

func engines(ctx context.Context, tx *sql.Tx) ([]Engine, error) {
	rows, err := tx.QueryContext(ctx, `SELECT e.name, count(r.id), min(c.recorded_unix_s), max(c.recorded_unix_s) FROM engines e
		LEFT JOIN results r ON r.engine_id = e.id LEFT JOIN recordings c ON c.id = r.recording_id GROUP BY e.id ORDER BY e.id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Engine
	for rows.Next() {
		var e Engine
		var first, last sql.NullInt64
		if err := rows.Scan(&e.Name, &e.Results, &first, &last); err != nil {
			return nil, err
		}
		e.First.unixS, e.Last.unixS = first.Int64, last.Int64
		out = append(out, e)
	}
	return out, rows.Err()
}

// Count is how many results there are.
func (l *Logbook) Count(ctx context.Context) (n int, err error) {
	err = l.db.QueryRowContext(ctx, "SELECT count(*) FROM results").Scan(&n)
	return n, l.plain("reading it", err)
}

// Whole is all that the logbook has of a result.
type Whole struct {
	Row
	Fingerprint    string // of the recording's samples; empty: not known
	SampleRateHz   *float64
	Channels, Bits int
	Encoding       string
	DurationS      *float64
	Added          string // when, RFC 3339
	MeanRPM        *float64
	Sparks, Missed int
	Median         *float64 // degrees

	Document   []byte // the result as it came, JSON
	Setup      []byte // the set-up as the result has it, JSON
	EngineFile []byte // nil: none
	Findings   []Finding
	Remarks    []Remark // on the result, in the order in which they were written
	SameSound  []int64  // other results of the same recording
}

// Result is the result of a number. ErrNoResult is the cause where there is none.
func (l *Logbook) Result(ctx context.Context, id int64) (w *Whole, err error) {
	err = l.read(ctx, "reading it", func(tx *sql.Tx) error {
		w, err = whole(ctx, tx, id)
		return err
	})
	if err != nil {
		return nil, err
	}
	return w, nil
}

func whole(ctx context.Context, tx *sql.Tx, id int64) (*Whole, error) {
	names, err := engineNames(ctx, tx)
	if err != nil {
		return nil, err
	}
	row, err := scanRow(tx.QueryRowContext(ctx, "SELECT "+rowColumns+rowTables+" WHERE r.id = ?", id), names)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("logbook: result %d: %w", id, ErrNoResult)
	}
	if err != nil {
		return nil, err
	}
	w := &Whole{Row: row}
	var setupID int64
	var fingerprint sql.NullString
	if err := tx.QueryRowContext(ctx, `SELECT r.setup_id, c.fingerprint, c.sample_rate_hz, c.channels, c.bits, c.encoding, c.duration_s, r.added_at, r.rpm_mean, r.sparks, r.missed_sparks, r.advance_median_deg`+rowTables+" WHERE r.id = ?", id).
		Scan(&setupID, &fingerprint, &w.SampleRateHz, &w.Channels, &w.Bits, &w.Encoding, &w.DurationS, &w.Added, &w.MeanRPM, &w.Sparks, &w.Missed, &w.Median); err != nil {
		return nil, err
	}
	w.Fingerprint = fingerprint.String
	var size int
	var data []byte
	if err := tx.QueryRowContext(ctx, "SELECT bytes, packed FROM documents WHERE result_id = ?", id).Scan(&size, &data); err != nil {
		return nil, err
	}
	if w.Document, err = unpacked(data, size); err != nil {
		return nil, fmt.Errorf("logbook: result %d: its document is damaged: %w", id, err)
	}
	var setup string
	var file sql.NullString
	if err := tx.QueryRowContext(ctx, "SELECT setup, engine_file FROM setups WHERE id = ?", setupID).Scan(&setup, &file); err != nil {
		return nil, err
	}
	w.Setup = []byte(setup)
	if file.Valid {
		w.EngineFile = []byte(file.String)
	}
	marks, err := texts(ctx, tx, "SELECT result_id, word FROM marks WHERE result_id = ? ORDER BY word", id)
	if err != nil {
		return nil, err
	}
	w.Marks = marks[id]
	if err := each(ctx, tx, func(scan func(...any) error) error {
		var f Finding
		err := scan(&f.Code, &f.Severity, &f.Message)
		w.Findings = append(w.Findings, f)
		return err
	}, "SELECT code, severity, message FROM findings WHERE result_id = ? ORDER BY rowid", id); err != nil {
		return nil, err
	}
	if err := each(ctx, tx, func(scan func(...any) error) error {
		r := Remark{Result: id}
		err := scan(&r.Written, &r.Text)
		w.Remarks = append(w.Remarks, r)
		return err
	}, "SELECT written, text FROM remarks WHERE result_id = ? ORDER BY id", id); err != nil {
		return nil, err
	}
	return w, each(ctx, tx, func(scan func(...any) error) error {
		var other int64
		err := scan(&other)
		w.SameSound = append(w.SameSound, other)
		return err
	}, "SELECT id FROM results WHERE recording_id = (SELECT recording_id FROM results WHERE id = ?1) AND id <> ?1 ORDER BY id", id)
}

// each hands every row of a query to take.
func each(ctx context.Context, tx *sql.Tx, take func(scan func(...any) error) error, query string, args ...any) error {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := take(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// EngineFile is the text of the engine file with which the engine's newest
// result that has one was measured; nil: there is none.
func (l *Logbook) EngineFile(ctx context.Context, engine string) (file []byte, err error) {
	err = l.read(ctx, "reading it", func(tx *sql.Tx) error {
		id, _, err := engineID(ctx, tx, engine)
		if err != nil {
			return err
		}
		if id == 0 {
			return noEngine(ctx, tx, engine)
		}
		var s string
		err = tx.QueryRowContext(ctx, `SELECT s.engine_file FROM results r JOIN setups s ON s.id = r.setup_id JOIN recordings c ON c.id = r.recording_id
			WHERE r.engine_id = ? AND s.engine_file IS NOT NULL ORDER BY c.recorded_unix_s DESC, r.id DESC LIMIT 1`, id).Scan(&s)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		file = []byte(s)
		return err
	})
	return file, err
}

// referenceKeys are what of a set-up says how the reference was set up, and by
// how much spark and reference are corrected.
var referenceKeys = [...]string{
	"reference_kind", "reference_angle_deg", "reference_angle_tolerance_deg", "reference_pulses_per_rev", "reference_delay_s", "reference_delay_tolerance_s",
	"spark_kind", "spark_delay_s", "spark_delay_tolerance_s", "delay_tolerance_s", "converter_skew_s",
}

// References says of every result of an engine, by its number, how the
// reference was set up: two with the same text share what is wrong with it.
func (l *Logbook) References(ctx context.Context, engine string) (out map[int64]string, err error) {
	out = map[int64]string{}
	err = l.read(ctx, "reading it", func(tx *sql.Tx) error {
		id, _, err := engineID(ctx, tx, engine)
		if err != nil {
			return err
		}
		known := map[string]string{} // by the set-up's text
		return each(ctx, tx, func(scan func(...any) error) error {
			var result int64
			var setup string
			if err := scan(&result, &setup); err != nil {
				return err
			}
			if _, done := known[setup]; !done {
				m := map[string]json.RawMessage{}
				if err := json.Unmarshal([]byte(setup), &m); err != nil {
					return fmt.Errorf("logbook: set-up of result %d: %w", result, err)
				}
				var b strings.Builder
				for _, k := range referenceKeys {
					fmt.Fprintf(&b, "%s %s;", k, m[k])
				}
				known[setup] = b.String()
			}
			out[result] = known[setup]
			return nil
		}, "SELECT r.id, s.setup FROM results r JOIN setups s ON s.id = r.setup_id WHERE r.engine_id = ?", id)
	})
	return out, err
}

// Remarks are those on an engine and on its results, in the order in which they
// were written.
func (l *Logbook) Remarks(ctx context.Context, engine string) (all []Remark, err error) {
	err = l.read(ctx, "reading it", func(tx *sql.Tx) error {
		all, err = remarksOf(ctx, tx, engine)
		return err
	})
	return all, err
}

func remarksOf(ctx context.Context, tx *sql.Tx, engine string) (all []Remark, err error) {
	id, _, err := engineID(ctx, tx, engine)
	if err != nil {
		return nil, err
	}
	if id == 0 {
		return nil, noEngine(ctx, tx, engine)
	}
	return all, each(ctx, tx, func(scan func(...any) error) error {
		var r Remark
		var result sql.NullInt64
		err := scan(&r.Written, &result, &r.Text)
		r.Result = result.Int64
		all = append(all, r)
		return err
	}, "SELECT written, result_id, text FROM remarks WHERE engine_id = ? ORDER BY id", id)
}
