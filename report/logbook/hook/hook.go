// Package hook hands a logbook to a page.
//
// It is an http.Handler for what lies below one path, and checks nothing of who
// asks: it stands behind the page's own checks of host, origin and token.
//
//	GET  /                     {"results", "engines": [{"name", "results"}]}
//	GET  /results?engine=NAME&last=N    {"results": [...]}, the newest last; both may be left out
//	GET  /results/NUMBER                the result as it came
//	GET  /results/NUMBER/engine-file    the engine file it was measured with
//	GET  /engine-file?engine=NAME       the newest engine file of an engine
//	POST /results                       adds a result, see Entry; {"number", "already", "engine", "same_recording"}
//	POST /results/NUMBER/remarks        {"text"}
//
// What is posted is JSON, by its Content-Type too. Errors are {"error"}, a
// sentence for the user.
package hook

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"sparkscope/report/logbook"
)

// Entry is a result that is posted.
type Entry struct {
	Result     json.RawMessage `json:"result"` // of logbook.Schema
	Engine     string          `json:"engine"` // its name
	EngineFile string          `json:"engine_file"`
	Recording  string          `json:"recording"`     // what to call it
	Recorded   string          `json:"recorded"`      // RFC 3339, or a date; empty: unknown
	From       logbook.Origin  `json:"recorded_from"` // logbook.Given or logbook.FileTime
	Marks      []string        `json:"marks"`
	Remarks    []string        `json:"remarks"`
}

// MostEntry is the largest body (bytes) that is taken; a remark may have mostRemark.
const (
	MostEntry  = logbook.MostDocumentBytes + 2*logbook.MostFileBytes
	mostRemark = 64 << 10
	mostListed = 1000
)

// Hook is the handler.
type Hook struct {
	// Open opens the logbook; create: it is begun where there is none. An error
	// of logbook.ErrMissing says that there is none yet.
	Open func(ctx context.Context, create bool) (*logbook.Logbook, error)
	Now  func() time.Time
}

// row is a result in a list; what is not known is null.
type row struct {
	Number    int64    `json:"number"`
	Engine    string   `json:"engine"`
	Recording string   `json:"recording"`
	Recorded  string   `json:"recorded"`
	From      string   `json:"recorded_from"`
	Relative  bool     `json:"relative_to_reference"`
	Advance   *float64 `json:"advance_deg"`
	Expanded  *float64 `json:"expanded_uncertainty_deg"`
	StdDev    *float64 `json:"stddev_deg"`
	Min       *float64 `json:"min_rpm"`
	Max       *float64 `json:"max_rpm"`
	Target    *float64 `json:"target_deg"`
	Deviation *float64 `json:"deviation_deg"`
	Decision  string   `json:"decision"`
	Marks     []string `json:"marks"`
}

// badRequest is an error that is the asker's.
type badRequest struct{ error }

func bad(format string, a ...any) error { return badRequest{fmt.Errorf(format, a...)} }

// ServeHTTP answers one request.
func (h *Hook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	kind, body, err := h.answer(w, r)
	if err != nil {
		status := http.StatusInternalServerError
		var b badRequest
		var ne *logbook.NoEngineError
		var large *http.MaxBytesError
		switch {
		case errors.As(err, &large):
			status, err = http.StatusRequestEntityTooLarge, fmt.Errorf("more than %d MB", large.Limit>>20)
		case errors.Is(err, errNowhere), errors.Is(err, logbook.ErrNoResult), errors.As(err, &ne):
			status = http.StatusNotFound
		case errors.As(err, &b), errors.Is(err, logbook.ErrRefused):
			status = http.StatusBadRequest
		case logbook.NotWritten(err):
			status = http.StatusInsufficientStorage
		}
		kind = "application/json"
		if body, err = json.Marshal(map[string]string{"error": strings.TrimPrefix(err.Error(), "logbook: ")}); err != nil {
			body = []byte(`{"error": "it failed"}`)
		}
		w.Header().Set("Content-Type", kind)
		w.WriteHeader(status)
		_, _ = w.Write(body) // the browser has gone: nobody is left to be told
		return
	}
	w.Header().Set("Content-Type", kind)
	_, _ = w.Write(body)
}

var errNowhere = errors.New("there is nothing here")

// answer is the body of an answer and its media type.
func (h *Hook) answer(w http.ResponseWriter, r *http.Request) (kind string, body []byte, err error) {
	parts := strings.Split(strings.Trim(r.URL.Path, "/"), "/")
	ctx := r.Context()
	var number int64
	if len(parts) > 1 {
		if number, err = strconv.ParseInt(parts[1], 10, 64); err != nil || number < 1 {
			return "", nil, errNowhere
		}
		parts[1] = "N"
	}
	asked := r.Method + " " + strings.Join(parts, "/")
	switch asked {
	case "GET ", "GET results", "GET results/N", "GET results/N/engine-file", "GET engine-file":
		err = h.use(ctx, false, func(l *logbook.Logbook) error {
			var err error
			kind, body, err = get(ctx, l, asked, number, r)
			return err
		})
		if errors.Is(err, logbook.ErrMissing) && (asked == "GET " || asked == "GET results") {
			return "application/json", []byte(`{"results": [], "engines": []}`), nil
		}
		return kind, body, err
	case "POST results":
		var e Entry
		if err := decode(w, r, MostEntry, &e); err != nil {
			return "", nil, err
		}
		m, err := h.measurement(e)
		if err != nil {
			return "", nil, err
		}
		var o logbook.Outcome
		if err := h.use(ctx, true, func(l *logbook.Logbook) (err error) {
			o, err = l.Add(ctx, m)
			return err
		}); err != nil {
			return "", nil, err
		}
		return asJSON(map[string]any{"number": o.ID, "already": o.Already, "engine": o.Engine, "same_recording": o.Known})
	case "POST results/N/remarks":
		var x struct {
			Text string `json:"text"`
		}
		if err := decode(w, r, mostRemark, &x); err != nil {
			return "", nil, err
		}
		if err := h.use(ctx, false, func(l *logbook.Logbook) error { return l.RemarkResult(ctx, number, x.Text, h.Now()) }); err != nil {
			return "", nil, err
		}
		return asJSON(map[string]any{"number": number})
	}
	return "", nil, errNowhere
}

// use opens the logbook for one request, so that it may be moved, restored and
// backed up by others in between.
func (h *Hook) use(ctx context.Context, create bool, work func(*logbook.Logbook) error) error {
	l, err := h.Open(ctx, create)
	if err != nil {
		return err
	}
	return errors.Join(work(l), l.Close())
}

func asJSON(v any) (kind string, body []byte, err error) {
	body, err = json.Marshal(v)
	return "application/json", body, err
}

// decode reads a body of JSON, strictly.
func decode(w http.ResponseWriter, r *http.Request, most int64, into any) error {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return bad("the body is %q: want application/json", r.Header.Get("Content-Type"))
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, most))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return err
		}
		return bad("not what a page posts: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return bad("not what a page posts: something follows")
	}
	return nil
}

// measurement is what is to be added.
func (h *Hook) measurement(e Entry) (m logbook.Measurement, err error) {
	m = logbook.Measurement{Document: e.Result, Engine: e.Engine, Name: e.Recording, Added: h.Now(), Marks: e.Marks, Remarks: e.Remarks}
	if e.EngineFile != "" {
		m.EngineFile = []byte(e.EngineFile)
	}
	if e.Recorded != "" {
		if m.Recorded, err = logbook.ParseDate(e.Recorded, time.Local); err != nil {
			return m, badRequest{err}
		}
		if m.From = e.From; m.From != logbook.FileTime {
			m.From = logbook.Given
		}
	}
	return m, nil
}

// get answers what is only read.
func get(ctx context.Context, l *logbook.Logbook, asked string, number int64, r *http.Request) (kind string, body []byte, err error) {
	engine := r.URL.Query().Get("engine")
	switch asked {
	case "GET results":
		q := logbook.Query{Engine: engine, Last: mostListed}
		if s := r.URL.Query().Get("last"); s != "" {
			if q.Last, err = strconv.Atoi(s); err != nil || q.Last < 1 || q.Last > mostListed {
				return "", nil, bad("last=%s: want 1 to %d", s, mostListed)
			}
		}
		rows, err := l.Find(ctx, q)
		if err != nil {
			return "", nil, err
		}
		out := []row{}
		for _, x := range rows {
			out = append(out, row{x.ID, x.Engine, x.Recording, x.Recorded.String(), string(x.From), x.Relative, x.Advance, x.Expanded, x.StdDev, x.MinRPM, x.MaxRPM, x.Target, x.Deviation, x.Decision, append([]string{}, x.Marks...)})
		}
		return asJSON(map[string]any{"results": out})
	case "GET results/N", "GET results/N/engine-file":
		x, err := l.Result(ctx, number)
		if err != nil {
			return "", nil, err
		}
		if asked == "GET results/N" {
			return "application/json", x.Document, nil
		}
		return file(x.EngineFile)
	case "GET engine-file":
		b, err := l.EngineFile(ctx, engine)
		if err != nil {
			return "", nil, err
		}
		return file(b)
	}
	all, err := l.Engines(ctx)
	if err != nil {
		return "", nil, err
	}
	type named struct {
		Name    string `json:"name"`
		Results int    `json:"results"`
	}
	n, out := 0, []named{}
	for _, e := range all {
		n += e.Results
		out = append(out, named{e.Name, e.Results})
	}
	return asJSON(map[string]any{"results": n, "engines": out})
}

// file is an engine file, which nobody takes for a page.
func file(b []byte) (string, []byte, error) {
	if b == nil {
		return "", nil, errNowhere
	}
	return "text/plain; charset=utf-8", b, nil
}
