package logbook

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"sparkscope/report/cell"
)

// ExportSchema names the layout of the lines that ExportLines writes.
const ExportSchema = "sparkscope.logbook/1"

// line is one line of an export: a result with all that belongs to it, or a
// remark on an engine.
type line struct {
	Schema     string       `json:"schema"`
	Kind       string       `json:"kind"` // "result" or "remark"
	Number     int64        `json:"number,omitempty"`
	Engine     string       `json:"engine"`
	Recording  string       `json:"recording,omitempty"`
	Recorded   string       `json:"recorded,omitempty"`
	From       Origin       `json:"recorded_from,omitempty"`
	Added      string       `json:"added,omitempty"`
	Marks      []string     `json:"marks,omitempty"`
	Remarks    []lineRemark `json:"remarks,omitempty"`
	EngineFile *string      `json:"engine_file,omitempty"`
	// Indent is what the result was indented by, so that it becomes the same
	// bytes again; null: it was not, or otherwise, and stays as it is here.
	Indent  *string         `json:"result_indent,omitempty"`
	Result  json.RawMessage `json:"result,omitempty"`
	Written string          `json:"written,omitempty"`
	Text    string          `json:"text,omitempty"`
}

type lineRemark struct {
	Written string `json:"written"`
	Text    string `json:"text"`
}

// check finds what a remark from elsewhere must not be.
func (r lineRemark) check() error {
	if _, err := time.Parse(time.RFC3339, r.Written); err != nil {
		return fmt.Errorf("written %q: want a time such as 2026-03-14T15:30:00Z", r.Written)
	}
	_, err := remarkText(r.Text)
	return err
}

// eachWhole hands every result to take, in the order of their numbers.
func eachWhole(ctx context.Context, tx *sql.Tx, take func(*Whole) error) error {
	var ids []int64
	if err := each(ctx, tx, func(scan func(...any) error) error {
		var id int64
		err := scan(&id)
		ids = append(ids, id)
		return err
	}, "SELECT id FROM results ORDER BY id"); err != nil {
		return err
	}
	for _, id := range ids {
		w, err := whole(ctx, tx, id)
		if err != nil {
			return err
		}
		if err := take(w); err != nil {
			return err
		}
	}
	return nil
}

// ExportLines writes everything as JSON lines, one for each result and one for
// each remark on an engine: what Import reads.
func (l *Logbook) ExportLines(ctx context.Context, w io.Writer) error {
	write := func(x line) error {
		x.Schema = ExportSchema
		var b bytes.Buffer
		e := json.NewEncoder(&b)
		e.SetEscapeHTML(false)
		if err := e.Encode(x); err != nil {
			return err
		}
		_, err := w.Write(b.Bytes())
		return err
	}
	return l.read(ctx, "exporting it", func(tx *sql.Tx) error {
		if err := eachWhole(ctx, tx, func(r *Whole) error {
			x := line{Kind: "result", Number: r.ID, Engine: r.Engine, Recording: r.Recording, Recorded: r.Recorded.text, From: r.From, Added: r.Added, Marks: r.Marks}
			for _, m := range r.Remarks {
				x.Remarks = append(x.Remarks, lineRemark{m.Written, m.Text})
			}
			if r.EngineFile != nil {
				s := string(r.EngineFile)
				x.EngineFile = &s
			}
			var compact bytes.Buffer
			if err := json.Compact(&compact, r.Document); err != nil {
				return fmt.Errorf("logbook: result %d: %w", r.ID, err)
			}
			x.Result = compact.Bytes()
			const indent = "  " // measure's own
			if bytes.Equal(indented(x.Result, indent), r.Document) {
				s := indent
				x.Indent = &s
			}
			return write(x)
		}); err != nil {
			return err
		}
		return each(ctx, tx, func(scan func(...any) error) error {
			x := line{Kind: "remark"}
			if err := scan(&x.Engine, &x.Written, &x.Text); err != nil {
				return err
			}
			return write(x)
		}, "SELECT e.name, m.written, m.text FROM remarks m JOIN engines e ON e.id = m.engine_id WHERE m.result_id IS NULL ORDER BY m.id")
	})
}

// indented is a result as measure writes it; nil: it is no JSON.
func indented(doc []byte, indent string) []byte {
	var b bytes.Buffer
	if json.Indent(&b, doc, "", indent) != nil {
		return nil
	}
	b.WriteByte('\n')
	return b.Bytes()
}

// csvColumns are the columns of ExportCSV.
var csvColumns = [...]string{
	"number", "engine", "recorded", "recorded_from", "recording", "fingerprint", "sample_rate_hz", "duration_s", "relative_to_reference",
	"rpm_min", "rpm_mean", "rpm_max", "sparks", "sparks_ok", "missed_sparks",
	"advance_deg", "advance_median_deg", "advance_stddev_deg", "expanded_uncertainty_deg", "target_deg", "tolerance_deg", "deviation_deg", "decision",
	"findings", "marks", "remarks", "added",
}

// ExportCSV writes one row for each result, with a header whose names hold the
// units. What is not known is empty; codes of findings, marks and remarks are
// parted by a semicolon, and texts are guarded as cell.Text does.
func (l *Logbook) ExportCSV(ctx context.Context, w io.Writer) error {
	out := csv.NewWriter(w)
	number := func(p *float64) string {
		if p == nil {
			return ""
		}
		return strconv.FormatFloat(*p, 'g', -1, 64)
	}
	if err := out.Write(csvColumns[:]); err != nil {
		return err
	}
	err := l.read(ctx, "exporting it", func(tx *sql.Tx) error {
		return eachWhole(ctx, tx, func(r *Whole) error {
			var codes, remarks []string
			for _, f := range r.Findings {
				codes = append(codes, f.Code)
			}
			for _, m := range r.Remarks {
				remarks = append(remarks, m.Text)
			}
			return out.Write([]string{
				strconv.FormatInt(r.ID, 10), cell.Text(r.Engine), r.Recorded.text, string(r.From), cell.Text(r.Recording), r.Fingerprint, number(r.SampleRateHz), number(r.DurationS), strconv.FormatBool(r.Relative),
				number(r.MinRPM), number(r.MeanRPM), number(r.MaxRPM), strconv.Itoa(r.Sparks), strconv.Itoa(r.OK), strconv.Itoa(r.Missed),
				number(r.Advance), number(r.Median), number(r.StdDev), number(r.Expanded), number(r.Target), number(r.Tolerance), number(r.Deviation), r.Decision,
				strings.Join(codes, ";"), cell.Text(strings.Join(r.Marks, ";")), cell.Text(strings.Join(remarks, ";")), r.Added,
			})
		})
	})
	out.Flush()
	return errors.Join(err, out.Error())
}

// Imported counts what an import did.
type Imported struct {
	Added int // results that are new here
	Known int // results that were here already
}

// importAtOnce is how many results of an import go into one transaction: so
// that another program that wants to write waits for seconds at most.
const importAtOnce = 100

// importing gathers what is to be added.
type importing struct {
	l     *Logbook
	ready []prepared
	done  Imported
}

func (i *importing) put(ctx context.Context, m Measurement, remarks []lineRemark) error {
	p, err := prepare(m)
	if err != nil {
		return err
	}
	p.written = remarks
	p.Document = nil // it is packed
	i.ready = append(i.ready, p)
	if len(i.ready) >= importAtOnce {
		return i.flush(ctx)
	}
	return nil
}

func (i *importing) flush(ctx context.Context) error {
	var done Imported
	err := i.l.changed(ctx, "importing", func(tx *sql.Tx) error {
		for _, p := range i.ready {
			o, err := add(ctx, tx, p)
			if err != nil {
				return err
			}
			if o.Already {
				done.Known++
			} else {
				done.Added++
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	i.ready = i.ready[:0]
	i.done.Added += done.Added
	i.done.Known += done.Known
	return nil
}

// Import adds what another logbook's export (JSON lines) or the other logbook
// itself, such as a backup, has and this one has not: results, marks, remarks.
// Importing twice adds nothing twice. Results get new numbers here. Where it
// fails, done counts what was added before; it may be repeated.
func (l *Logbook) Import(ctx context.Context, path string) (done Imported, err error) {
	if sameFile(path, l.path) {
		return done, fmt.Errorf("logbook: %s: is this logbook itself", path)
	}
	f, err := os.Open(path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return done, fmt.Errorf("logbook: %s: there is no such file", path)
		}
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return done, fmt.Errorf("logbook: %s: cannot be read: %w", path, err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return done, fmt.Errorf("logbook: %s: is a folder; want a file in it", path)
	}
	b := bufio.NewReaderSize(f, 1<<16)
	i := &importing{l: l}
	if head, _ := b.Peek(6); string(head) == "SQLite" {
		err = i.fromLogbook(ctx, path)
	} else {
		err = i.lines(ctx, path, b)
	}
	return i.done, err
}

// fromLogbook imports a logbook, by way of a copy of this program's version.
func (i *importing) fromLogbook(ctx context.Context, path string) (err error) {
	dir, err := os.MkdirTemp("", "sparkscope-import-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	temp := filepath.Join(dir, "logbook.sqlite")
	if err := current(ctx, path, temp); err != nil {
		return err
	}
	src, err := Open(ctx, temp)
	if err != nil {
		return err
	}
	// Through the same lines as an export, so that there is one way of moving.
	r, w := io.Pipe()
	go func() {
		w.CloseWithError(src.ExportLines(ctx, w))
	}()
	err = i.lines(ctx, path, bufio.NewReaderSize(r, 1<<16))
	return errors.Join(err, r.Close(), src.Close())
}

// mostLineBytes bounds a line of an export: a result and its engine file.
const mostLineBytes = MostDocumentBytes + 2*MostFileBytes + 1<<20

func (i *importing) lines(ctx context.Context, path string, b *bufio.Reader) error {
	type engineRemark struct{ engine, written, text string }
	var engines []engineRemark
	n := 0
	for ; ; n++ {
		text, err := oneOf(b)
		if err == nil && len(bytes.TrimSpace(text)) == 0 {
			continue
		}
		if errors.Is(err, io.EOF) && len(bytes.TrimSpace(text)) == 0 {
			break
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("logbook: %s, line %d: %w", path, n+1, err)
		}
		var x line
		if err := json.Unmarshal(text, &x); err != nil || x.Schema != ExportSchema {
			if n == 0 {
				return fmt.Errorf("logbook: %s: is neither a logbook nor what logbook export writes", path)
			}
			return fmt.Errorf("logbook: %s, line %d: is not what logbook export writes", path, n+1)
		}
		switch x.Kind {
		case "result":
			err = i.result(ctx, x)
		case "remark":
			engines = append(engines, engineRemark{x.Engine, x.Written, x.Text})
			err = lineRemark{x.Written, x.Text}.check()
		default:
			err = fmt.Errorf("logbook: kind %q: want result or remark", x.Kind)
		}
		if err != nil {
			return fmt.Errorf("logbook: %s, line %d: %w", path, n+1, err)
		}
	}
	if n == 0 {
		return fmt.Errorf("logbook: %s: is empty", path)
	}
	if err := i.flush(ctx); err != nil {
		return err
	}
	return i.l.changed(ctx, "importing", func(tx *sql.Tx) error {
		for _, r := range engines {
			name, err := oneLine("the engine's name", r.engine, MostNameBytes)
			if err != nil {
				return err
			}
			id, _, err := engineID(ctx, tx, name)
			if err == nil && id == 0 {
				id, err = insert(ctx, tx, "INSERT INTO engines (name, added_at) VALUES (?, ?)", name, r.written)
			}
			if err == nil {
				err = remark(ctx, tx, id, nil, r.written, r.text)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// oneOf reads a line; the last may lack its end.
func oneOf(b *bufio.Reader) (out []byte, err error) {
	for {
		piece, err := b.ReadSlice('\n')
		out = append(out, piece...)
		if len(out) > mostLineBytes {
			return nil, fmt.Errorf("a line of more than %d MB", mostLineBytes>>20)
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return out, err
		}
	}
}

func (i *importing) result(ctx context.Context, x line) error {
	m := Measurement{Document: x.Result, Engine: x.Engine, Name: x.Recording, From: x.From, Marks: x.Marks}
	if x.Indent != nil {
		m.Document = indented(x.Result, *x.Indent)
	}
	if x.EngineFile != nil {
		m.EngineFile = []byte(*x.EngineFile)
	}
	var err error
	if m.Recorded, err = ParseDate(x.Recorded, time.UTC); err != nil {
		return err
	}
	switch x.From {
	case Given, FileTime, Added:
	default:
		return fmt.Errorf("recorded_from %q: want %s, %s or %s", x.From, Given, FileTime, Added)
	}
	if m.Added, err = time.Parse(time.RFC3339, x.Added); err != nil {
		return fmt.Errorf("added %q: want a time such as 2026-03-14T15:30:00Z", x.Added)
	}
	for _, r := range x.Remarks {
		if err := r.check(); err != nil {
			return err
		}
	}
	return i.put(ctx, m, x.Remarks)
}
