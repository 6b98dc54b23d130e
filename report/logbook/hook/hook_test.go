package hook

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"sparkscope/report/logbook"
)

// ask sends one request and returns the status and the answer.
func ask(t *testing.T, h http.Handler, method, path, kind, body string) (int, string) {
	t.Helper()
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func hookAt(path string) *Hook {
	return &Hook{Now: func() time.Time { return time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC) },
		Open: func(ctx context.Context, create bool) (*logbook.Logbook, error) {
			if create {
				return logbook.Create(ctx, path)
			}
			return logbook.Open(ctx, path)
		}}
}

// posted is a result as a page posts it.
func posted(t *testing.T, change func(*Entry)) string {
	t.Helper()
	doc, err := os.ReadFile("../testdata/result.json")
	if err != nil {
		t.Fatal(err)
	}
	e := Entry{Result: doc, Engine: "Säge", EngineFile: "[engine]\n", Recording: "live 2026-03-14", Recorded: "2026-03-14T10:00:00+01:00", Marks: []string{"before"}, Remarks: []string{"cold"}}
	change(&e)
	b, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestHook: from no logbook to a result with a remark.
func TestHook(t *testing.T) {
	path := filepath.Join(t.TempDir(), "logbook.sqlite")
	h := hookAt(path)
	for _, p := range []string{"/", "/results", "/results?engine=x"} {
		if code, body := ask(t, h, "GET", p, "", ""); code != 200 || !strings.Contains(body, `"results": []`) {
			t.Errorf("%s without a logbook: %d %s", p, code, body)
		}
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Error("a question has begun a logbook")
	}
	const js = "application/json"
	same := func(*Entry) {}
	if code, body := ask(t, h, "POST", "/results", js+"; charset=utf-8", posted(t, same)); code != 200 || body != `{"already":false,"engine":"Säge","number":1,"same_recording":0}` {
		t.Fatalf("posted: %d %s", code, body)
	}
	if code, body := ask(t, h, "POST", "/results", js, posted(t, same)); code != 200 || !strings.Contains(body, `"already":true`) {
		t.Errorf("posted again: %d %s", code, body)
	}
	if code, body := ask(t, h, "POST", "/results/1/remarks", js, `{"text": "two\nlines"}`); code != 200 {
		t.Errorf("remark: %d %s", code, body)
	}
	for p, want := range map[string]string{
		"/":                                `"engines":[{"name":"Säge","results":1}]`,
		"/results?engine=S%C3%84GE&last=5": `"recording":"live 2026-03-14","recorded":"2026-03-14 10:00","recorded_from":"given"`,
		"/results":                         `"decision":"undecided","marks":["before"]`,
		"/results/1":                       `"sparkscope.measurement/1"`,
		"/results/1/engine-file":           "[engine]\n",
		"/engine-file?engine=S%C3%A4ge":    "[engine]\n",
	} {
		if code, body := ask(t, h, "GET", p, "", ""); code != 200 || !strings.Contains(body, want) {
			t.Errorf("%s: %d %.300s; want %s", p, code, body, want)
		}
	}
	l, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w, err := l.Result(t.Context(), 1)
	if err != nil || len(w.Remarks) != 2 {
		t.Errorf("%+v, %v", w, err)
	}
	// What is wrong is said, and changes nothing.
	for _, c := range []struct {
		name, method, path, kind, body string
		want                           int
	}{
		{"a path", "GET", "/other", "", "", 404},
		{"no result", "GET", "/results/9", "", "", 404},
		{"no number", "GET", "/results/x", "", "", 404},
		{"outwards", "GET", "/results/../../etc", "", "", 404},
		{"no engine", "GET", "/results?engine=x", "", "", 404},
		{"all of them", "GET", "/results?last=100000", "", "", 400},
		{"another method", "DELETE", "/results/1", "", "", 404},
		{"a form", "POST", "/results", "application/x-www-form-urlencoded", posted(t, same), 400},
		{"text", "POST", "/results", "text/plain", posted(t, same), 400},
		{"no JSON", "POST", "/results", js, "{", 400},
		{"more than one", "POST", "/results", js, posted(t, same) + "{}", 400},
		{"a field that is none", "POST", "/results", js, `{"resul": 1}`, 400},
		{"no result in it", "POST", "/results", js, posted(t, func(e *Entry) { e.Result = json.RawMessage("{}") }), 400},
		{"no name", "POST", "/results", js, posted(t, func(e *Entry) { e.Engine = " " }), 400},
		{"a date", "POST", "/results", js, posted(t, func(e *Entry) { e.Recorded = "soon" }), 400},
		{"a mark", "POST", "/results", js, posted(t, func(e *Entry) { e.Marks = []string{"a\nb"} }), 400},
		{"too much", "POST", "/results", js, `{"engine": "` + strings.Repeat("x", MostEntry) + `"}`, 413},
		{"a remark on nothing", "POST", "/results/9/remarks", js, `{"text": "x"}`, 404},
		{"an empty remark", "POST", "/results/1/remarks", js, `{"text": " "}`, 400},
		{"a novel", "POST", "/results/1/remarks", js, `{"text": "` + strings.Repeat("x", mostRemark) + `"}`, 413},
	} {
		code, body := ask(t, h, c.method, c.path, c.kind, c.body)
		var e struct{ Error string }
		if err := json.Unmarshal([]byte(body), &e); code != c.want || err != nil || e.Error == "" {
			t.Errorf("%s: %d %.200s; want %d", c.name, code, body, c.want)
		}
	}
	var all bytes.Buffer
	if err := l.ExportLines(t.Context(), &all); err != nil || strings.Count(all.String(), "\n") != 1 {
		t.Errorf("it holds\n%.500s\n%v", all.String(), err)
	}
}
