package logbook

import (
	"bytes"
	"compress/zlib"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path"
	"strings"
	"time"
	"unicode"
)

// Schema is the layout of the results that are taken: what measure --json
// writes.
const Schema = "sparkscope.measurement/1"

// Limits of what is taken in.
const (
	MostDocumentBytes = 16 << 20 // of a result; one of a hundred ranges of speed has 1 MB
	MostFileBytes     = 1 << 20  // of an engine file
	MostNameBytes     = 200      // of an engine's name
	MostMarkBytes     = 60
	MostRemarkBytes   = 4000
)

// Measurement is a result to be added.
type Measurement struct {
	Document   []byte // the result, JSON of Schema, as it came
	Name       string // of the recording; empty: the end of the path in the document
	Engine     string // the engine's name
	EngineFile []byte // text of the engine file it was measured with; nil: none
	Recorded   Date   // zero: unknown, and then Added is taken for it
	From       Origin // where Recorded comes from
	Added      time.Time
	Marks      []string
	Remarks    []string
}

// document is what the logbook reads of a result.
type document struct {
	Schema    string `json:"schema"`
	Recording struct {
		Path        string   `json:"path"`
		Fingerprint *string  `json:"fingerprint"`
		SampleRate  *float64 `json:"sample_rate_hz"`
		Channels    int      `json:"channels"`
		Bits        int      `json:"bits"`
		Encoding    string   `json:"encoding"`
		Duration    *float64 `json:"duration_s"`
	} `json:"recording"`
	Setup    json.RawMessage `json:"setup"`
	Relative bool            `json:"relative_to_reference"`
	Counts   struct {
		Sparks int `json:"sparks"`
		OK     int `json:"ok"`
		Missed int `json:"missed_sparks"`
	} `json:"counts"`
	Speed struct {
		Min  *float64 `json:"min_rpm"`
		Max  *float64 `json:"max_rpm"`
		Mean *float64 `json:"mean_rpm"`
	} `json:"speed"`
	Advance struct {
		Mean     *float64 `json:"mean_deg"`
		Median   *float64 `json:"median_deg"`
		StdDev   *float64 `json:"stddev_deg"`
		Expanded *float64 `json:"expanded_uncertainty_deg"`
	} `json:"advance"`
	Verdict *struct {
		Decision  string   `json:"decision"`
		Target    *float64 `json:"target_deg"`
		Tolerance *float64 `json:"tolerance_deg"`
		Deviation *float64 `json:"deviation_deg"`
	} `json:"verdict"`
	Findings []struct {
		Code     string `json:"code"`
		Severity string `json:"severity"`
		Message  string `json:"message"`
	} `json:"findings"`
}

// target is what the engine should fire at as the result has it: of a verdict,
// else of the set-up, where it is one angle.
func (d *document) target() (target, tolerance, deviation *float64) {
	if d.Verdict != nil {
		return d.Verdict.Target, d.Verdict.Tolerance, d.Verdict.Deviation
	}
	var s struct {
		Target    *float64 `json:"target_deg"`
		Tolerance *float64 `json:"tolerance_deg"`
	}
	if json.Unmarshal(d.Setup, &s) != nil || s.Target == nil {
		return nil, nil, nil
	}
	if d.Advance.Mean != nil {
		// As an advance, in (-180, 180].
		v := math.Mod(*d.Advance.Mean-*s.Target+540, 360) - 180
		deviation = &v
	}
	return s.Target, s.Tolerance, deviation
}

// parsed reads a result and says what is wrong with one that is none.
func parsed(text []byte) (*document, error) {
	if len(text) > MostDocumentBytes {
		return nil, fmt.Errorf("logbook: a result of %d MB: want at most %d", len(text)>>20, MostDocumentBytes>>20)
	}
	var d document
	if err := json.Unmarshal(text, &d); err != nil {
		return nil, fmt.Errorf("logbook: not a result as measure --json writes it: %w", err)
	}
	switch {
	case d.Schema == "":
		return nil, errors.New("logbook: not a result as measure --json writes it: it names no schema")
	case d.Schema != Schema:
		return nil, fmt.Errorf("logbook: a result of schema %q: want %q; measure the recording again", d.Schema, Schema)
	case d.Counts.OK <= 0 || d.Advance.Mean == nil || len(d.Setup) == 0:
		return nil, errors.New("logbook: a result without a counted spark")
	}
	return &d, nil
}

// digests are of a result without the path of its recording, which says nothing
// of what was measured, and of its set-up without that of the engine file.
func digests(text []byte, d *document, engineFile []byte) (result, setup string, err error) {
	whole := map[string]json.RawMessage{}
	if err := json.Unmarshal(text, &whole); err != nil {
		return "", "", err
	}
	recording, err := without(whole["recording"], "path")
	if err != nil {
		return "", "", err
	}
	whole["recording"] = recording
	b, err := json.Marshal(whole)
	if err != nil {
		return "", "", err
	}
	plain, err := without(d.Setup, "engine_file")
	if err != nil {
		return "", "", err
	}
	hash := func(parts ...[]byte) string {
		h := sha256.New()
		for _, p := range parts {
			fmt.Fprintf(h, "%d\n", len(p))
			h.Write(p)
		}
		return hex.EncodeToString(h.Sum(nil))
	}
	return hash(b), hash(plain, engineFile), nil
}

// without is a JSON object in a canonical order without one of its members.
func without(object json.RawMessage, name string) (json.RawMessage, error) {
	m := map[string]json.RawMessage{}
	if err := json.Unmarshal(object, &m); err != nil {
		return nil, err
	}
	delete(m, name)
	return json.Marshal(m)
}

// packed is text as an SQLite archive would store it: by zlib, unless that makes
// it no smaller.
func packed(text []byte) ([]byte, error) {
	var b bytes.Buffer
	z := zlib.NewWriter(&b)
	if _, err := z.Write(text); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	if b.Len() >= len(text) {
		return text, nil
	}
	return b.Bytes(), nil
}

// unpacked is what packed was given, so many bytes.
func unpacked(data []byte, size int) ([]byte, error) {
	if len(data) == size {
		return data, nil
	}
	if size < 0 || size > MostDocumentBytes {
		return nil, fmt.Errorf("a document of %d bytes: want at most %d", size, MostDocumentBytes)
	}
	z, err := zlib.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	out := make([]byte, size)
	if _, err := io.ReadFull(z, out); err != nil {
		return nil, err
	}
	return out, z.Close() // at the end of the data Close checks nothing; ReadFull read all there should be
}

// oneLine is a name or a mark as it is kept: a line without blanks around it.
func oneLine(what, s string, most int) (string, error) {
	s = strings.TrimSpace(s)
	switch {
	case s == "":
		return "", fmt.Errorf("logbook: %s is empty", what)
	case len(s) > most:
		return "", fmt.Errorf("logbook: %s of %d bytes: want at most %d", what, len(s), most)
	case strings.ContainsFunc(s, unicode.IsControl):
		return "", fmt.Errorf("logbook: %s %q: want one line of text", what, s)
	}
	return s, nil
}

// remark is a remark as it is kept: text without blanks around it.
func remarkText(s string) (string, error) {
	s = strings.TrimSpace(strings.ReplaceAll(s, "\r\n", "\n"))
	switch {
	case s == "":
		return "", errors.New("logbook: a remark is empty")
	case len(s) > MostRemarkBytes:
		return "", fmt.Errorf("logbook: a remark of %d bytes: want at most %d", len(s), MostRemarkBytes)
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		return "", errors.New("logbook: a remark with control characters: want text")
	}
	return s, nil
}

// said is what somebody says of a result, as it is kept.
func said(engine string, marks, remarks []string) (name string, m, r []string, err error) {
	if name, err = oneLine("the engine's name", engine, MostNameBytes); err != nil {
		return "", nil, nil, err
	}
	for _, s := range marks {
		if s, err = oneLine("the mark", s, MostMarkBytes); err != nil {
			return "", nil, nil, err
		}
		m = append(m, s)
	}
	for _, s := range remarks {
		if s, err = remarkText(s); err != nil {
			return "", nil, nil, err
		}
		r = append(r, s)
	}
	return name, m, r, nil
}

// Check finds what Add would refuse of an engine's name, marks and remarks, so that
// nobody measures for nothing.
func Check(engine string, marks, remarks []string) error {
	_, _, _, err := said(engine, marks, remarks)
	return err
}

// Outcome is what became of a result that was to be added.
type Outcome struct {
	ID      int64 // its number
	Already bool  // the same figures of the same engine were there before, under ID
	// Known is the first result of the same recording that was there before,
	// measured otherwise; 0: the recording is new.
	Known     int64
	Engine    string // its engine's name as the logbook has it
	NewEngine bool   // the engine was not in the logbook before
	// Recorded is the date of the recording as the logbook has it now, and Redated
	// says that it had another before, which its earlier results had too.
	Recorded string
	Redated  bool
}

// Add adds a result. A result of the same figures that the engine has already is
// not added again; its marks and remarks are.
func (l *Logbook) Add(ctx context.Context, m Measurement) (Outcome, error) {
	out, err := l.AddAll(ctx, []Measurement{m})
	if err != nil {
		return Outcome{}, err
	}
	return out[0], nil
}

// AddAll adds results, all of them or, on an error, none.
func (l *Logbook) AddAll(ctx context.Context, all []Measurement) ([]Outcome, error) {
	var ready []prepared
	for _, m := range all {
		p, err := prepare(m)
		if err != nil {
			return nil, err
		}
		ready = append(ready, p)
	}
	var out []Outcome
	err := l.changed(ctx, "adding a result", func(tx *sql.Tx) error {
		for _, p := range ready {
			o, err := add(ctx, tx, p)
			if err != nil {
				return err
			}
			out = append(out, o)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// prepared is a measurement, checked, with all that is computed outside of the
// transaction.
type prepared struct {
	Measurement
	d             *document
	digest, setup string
	setupText     []byte
	size          int          // of the document
	packed        []byte       // the document
	written       []lineRemark // remarks with the time at which they were written, from elsewhere
}

// ErrRefused is the cause where what was to be added is not as it has to be.
var ErrRefused = errors.New("refused")

// refused is a sentence whose cause is ErrRefused.
type refused struct{ error }

func (r refused) Is(target error) bool { return target == ErrRefused }
func (r refused) Unwrap() error        { return r.error }

func prepare(m Measurement) (p prepared, err error) {
	if p, err = checked(m); err != nil {
		return p, refused{err}
	}
	return p, nil
}

// checked does what prepare does.
func checked(m Measurement) (p prepared, err error) {
	p.Measurement = m
	if p.d, err = parsed(m.Document); err != nil {
		return p, err
	}
	if p.Engine, p.Marks, p.Remarks, err = said(m.Engine, m.Marks, m.Remarks); err != nil {
		return p, err
	}
	if len(m.EngineFile) > MostFileBytes {
		return p, fmt.Errorf("logbook: an engine file of %d bytes: want at most %d", len(m.EngineFile), MostFileBytes)
	}
	if p.Name == "" {
		p.Name = baseName(p.d.Recording.Path)
	}
	if p.Name, err = oneLine("the recording's name", p.Name, 4*MostNameBytes); err != nil {
		return p, err
	}
	if p.Recorded == (Date{}) {
		p.Recorded, p.From = DateOf(m.Added), Added
	}
	if p.digest, p.setup, err = digests(m.Document, p.d, m.EngineFile); err != nil {
		return p, fmt.Errorf("logbook: not a result as measure --json writes it: %w", err)
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, p.d.Setup); err != nil {
		return p, err
	}
	p.setupText = compact.Bytes()
	p.size = len(m.Document)
	p.packed, err = packed(m.Document)
	return p, err
}

// baseName is the last part of a path of either kind of system.
func baseName(p string) string {
	if p == "-" || p == "" {
		return "standard input"
	}
	return path.Base(strings.ReplaceAll(p, `\`, "/"))
}

// engineID finds an engine by its name, in any case of letters; 0: there is none.
func engineID(ctx context.Context, q querier, name string) (id int64, as string, err error) {
	rows, err := q.QueryContext(ctx, "SELECT id, name FROM engines ORDER BY id")
	if err != nil {
		return 0, "", err
	}
	defer rows.Close()
	for rows.Next() {
		var i int64
		var n string
		if err := rows.Scan(&i, &n); err != nil {
			return 0, "", err
		}
		if n == name || id == 0 && strings.EqualFold(n, name) {
			id, as = i, n
		}
	}
	return id, as, rows.Err()
}

func add(ctx context.Context, tx *sql.Tx, p prepared) (out Outcome, err error) {
	added := DateOf(p.Added).text
	engine, name, err := engineID(ctx, tx, p.Engine)
	if err != nil {
		return out, err
	}
	if engine == 0 {
		name, out.NewEngine = p.Engine, true
		if engine, err = insert(ctx, tx, "INSERT INTO engines (name, added_at) VALUES (?, ?)", name, added); err != nil {
			return out, err
		}
	}
	out.Engine = name
	err = tx.QueryRowContext(ctx, "SELECT id FROM results WHERE engine_id = ? AND digest = ?", engine, p.digest).Scan(&out.ID)
	switch {
	case err == nil:
		out.Already = true
		err = tx.QueryRowContext(ctx, "SELECT recorded FROM recordings WHERE id = (SELECT recording_id FROM results WHERE id = ?)", out.ID).Scan(&out.Recorded)
		if err != nil {
			return out, err
		}
		return out, annotate(ctx, tx, engine, out.ID, p)
	case !errors.Is(err, sql.ErrNoRows):
		return out, err
	}
	setup, err := once(ctx, tx,
		"SELECT id FROM setups WHERE engine_id = ? AND digest = ?", []any{engine, p.setup},
		"INSERT INTO setups (engine_id, digest, setup, engine_file) VALUES (?, ?, ?, ?)", engine, p.setup, string(p.setupText), text(p.EngineFile))
	if err != nil {
		return out, err
	}
	d := p.d
	r := d.Recording
	recording := []any{r.Fingerprint, p.Name, r.SampleRate, r.Channels, r.Bits, r.Encoding, r.Duration, p.Recorded.text, p.Recorded.unixS, string(p.From)}
	const insertRecording = `INSERT INTO recordings (fingerprint, name, sample_rate_hz, channels, bits, encoding, duration_s, recorded, recorded_unix_s, recorded_from)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	var rec int64
	if r.Fingerprint == nil {
		rec, err = insert(ctx, tx, insertRecording, recording...)
	} else if rec, err = once(ctx, tx, "SELECT id FROM recordings WHERE fingerprint = ?", []any{*r.Fingerprint}, insertRecording, recording...); err == nil {
		err = tx.QueryRowContext(ctx, "SELECT coalesce(min(id), 0) FROM results WHERE recording_id = ?", rec).Scan(&out.Known)
		if err == nil {
			err = tx.QueryRowContext(ctx, "SELECT recorded FROM recordings WHERE id = ?", rec).Scan(&out.Recorded)
		}
		if err == nil && p.From == Given {
			out.Redated = out.Recorded != p.Recorded.text
			out.Recorded = p.Recorded.text
			// What the user says is better than a file's time.
			_, err = tx.ExecContext(ctx, "UPDATE recordings SET recorded = ?, recorded_unix_s = ?, recorded_from = 'given' WHERE id = ?", p.Recorded.text, p.Recorded.unixS, rec)
		}
	}
	if err != nil {
		return out, err
	}
	var decision *string
	if d.Verdict != nil {
		decision = &d.Verdict.Decision
	}
	target, tolerance, deviation := d.target()
	out.ID, err = insert(ctx, tx, `INSERT INTO results (engine_id, setup_id, recording_id, digest, added_at, relative_to_reference,
		rpm_min, rpm_max, rpm_mean, sparks, sparks_ok, missed_sparks,
		advance_deg, advance_median_deg, advance_stddev_deg, expanded_uncertainty_deg, target_deg, tolerance_deg, deviation_deg, decision)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		engine, setup, rec, p.digest, added, d.Relative,
		d.Speed.Min, d.Speed.Max, d.Speed.Mean, d.Counts.Sparks, d.Counts.OK, d.Counts.Missed,
		d.Advance.Mean, d.Advance.Median, d.Advance.StdDev, d.Advance.Expanded, target, tolerance, deviation, decision)
	if err != nil {
		return out, err
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO documents (result_id, bytes, packed) VALUES (?, ?, ?)", out.ID, p.size, p.packed); err != nil {
		return out, err
	}
	var said []string
	for _, f := range d.Findings {
		said = append(said, strings.ToLower(f.Code), strings.ToLower(f.Message))
		if _, err := tx.ExecContext(ctx, "INSERT INTO findings (result_id, code, severity, message) VALUES (?, ?, ?, ?)", out.ID, f.Code, f.Severity, f.Message); err != nil {
			return out, err
		}
	}
	if len(said) > 0 {
		if _, err := tx.ExecContext(ctx, "INSERT INTO said (result_id, folded) VALUES (?, ?)", out.ID, strings.Join(said, "\n")); err != nil {
			return out, err
		}
	}
	return out, annotate(ctx, tx, engine, out.ID, p)
}

// annotate adds marks and remarks to a result.
func annotate(ctx context.Context, tx *sql.Tx, engine, result int64, p prepared) error {
	for _, w := range p.Marks {
		if _, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO marks (result_id, word) VALUES (?, ?)", result, w); err != nil {
			return err
		}
	}
	for _, s := range p.Remarks {
		if err := remark(ctx, tx, engine, &result, DateOf(p.Added).text, s); err != nil {
			return err
		}
	}
	for _, r := range p.written {
		if err := remark(ctx, tx, engine, &result, r.Written, r.Text); err != nil {
			return err
		}
	}
	return nil
}

// remark adds a remark, but not one that is there already, as from an import that is
// done twice.
func remark(ctx context.Context, tx *sql.Tx, engine int64, result *int64, written, s string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO remarks (engine_id, result_id, written, text) SELECT ?1, ?2, ?3, ?4
		WHERE NOT EXISTS (SELECT 1 FROM remarks WHERE engine_id = ?1 AND result_id IS ?2 AND written = ?3 AND text = ?4)`, engine, result, written, s)
	return err
}

// text is b as a text, or NULL where there is none.
func text(b []byte) any {
	if b == nil {
		return nil
	}
	return string(b)
}

// insert is a statement that inserts one row, and its number.
func insert(ctx context.Context, tx *sql.Tx, statement string, args ...any) (int64, error) {
	r, err := tx.ExecContext(ctx, statement, args...)
	if err != nil {
		return 0, err
	}
	return r.LastInsertId()
}

// once is the number of the row that find finds, or of a new one.
func once(ctx context.Context, tx *sql.Tx, find string, by []any, statement string, args ...any) (id int64, err error) {
	err = tx.QueryRowContext(ctx, find, by...).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return insert(ctx, tx, statement, args...)
	}
	return id, err
}
