package page_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"sparkscope/report/page"
)

const own = "127.0.0.1:7210"

func handler(t *testing.T, o page.Options) http.Handler {
	t.Helper()
	if o.Hosts == nil {
		o.Hosts = []string{own, "localhost:7210"}
	}
	if o.Now == nil {
		begun := time.Unix(0, 0)
		n := 0
		o.Now = func() time.Time { n++; return begun.Add(time.Duration(n) * time.Second) }
	}
	h, err := page.Handler(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// get asks for a path; head is "Name: value" lines.
func get(h http.Handler, method, path string, body io.Reader, head ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://"+own+"/", body)
	r.URL.Path, r.URL.RawQuery, _ = strings.Cut(path, "?")
	r.RequestURI = path
	r.Host = own
	for _, l := range head {
		k, v, _ := strings.Cut(l, ": ")
		if k == "Host" {
			r.Host = v
		} else {
			r.Header.Add(k, v)
		}
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// TestAttacks tries what an attacker would: none gets a file of the page, or to
// a hook.
func TestAttacks(t *testing.T) {
	reached := 0
	hook := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		reached++
		if _, err := io.Copy(io.Discard, r.Body); err != nil {
			http.Error(w, "too much", http.StatusRequestEntityTooLarge)
			return
		}
		fmt.Fprint(w, "the hook, ", r.URL.Path)
	})
	h := handler(t, page.Options{Hooks: map[string]http.Handler{"logbook": hook}})
	for _, c := range []struct {
		name, method, path string
		head               []string
		status             int
	}{
		{"the page", "GET", "/", nil, 200},
		{"by another name of this machine", "GET", "/app.js", []string{"Host: localhost:7210"}, 200},
		{"DNS rebinding", "GET", "/", []string{"Host: evil.example:7210"}, 421},
		{"DNS rebinding without a port", "GET", "/", []string{"Host: evil.example"}, 421},
		{"the right name at another port", "GET", "/", []string{"Host: 127.0.0.1:80"}, 421},
		{"a name that begins alike", "GET", "/", []string{"Host: 127.0.0.1:7210.evil.example"}, 421},
		{"no host", "GET", "/", []string{"Host: "}, 421},
		{"DNS rebinding to a hook", "POST", "/hooks/logbook/add", []string{"Host: evil.example:7210", "Origin: http://evil.example:7210"}, 421},
		{"another page's request", "GET", "/app.js", []string{"Origin: http://evil.example"}, 403},
		{"another page's request to a hook", "POST", "/hooks/logbook/add", []string{"Origin: http://evil.example"}, 403},
		{"a sandboxed page's request", "POST", "/hooks/logbook/add", []string{"Origin: null"}, 403},
		{"another port's page", "POST", "/hooks/logbook/add", []string{"Origin: http://127.0.0.1:8000"}, 403},
		{"https is another origin", "POST", "/hooks/logbook/add", []string{"Origin: https://" + own}, 403},
		{"an image on another page", "GET", "/icon.svg", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: no-cors", "Sec-Fetch-Dest: image"}, 403},
		{"a frame on another page", "GET", "/", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate", "Sec-Fetch-Dest: iframe"}, 403},
		{"a form on another page, without Origin", "POST", "/hooks/logbook/add", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate", "Sec-Fetch-Dest: document"}, 403},
		{"a link on another page to a hook", "GET", "/hooks/logbook/list", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate", "Sec-Fetch-Dest: document"}, 403},
		{"another page of the same site", "GET", "/app.js", []string{"Sec-Fetch-Site: same-site"}, 403},
		{"a link on another page", "GET", "/", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate", "Sec-Fetch-Dest: document"}, 200},
		{"the page's own script", "GET", "/app.js", []string{"Sec-Fetch-Site: same-origin", "Origin: http://" + own}, 200},
		{"up the tree", "GET", "/../../../etc/passwd", nil, 404},
		{"up the tree in hex", "GET", "/%2e%2e/%2e%2e/etc/passwd", nil, 404},
		{"up the tree with backslashes", "GET", `/..\..\go.mod`, nil, 404},
		{"an absolute path", "GET", "//etc/passwd", nil, 404},
		{"a file of the machine", "GET", "/etc/passwd", nil, 404},
		{"a file of the source", "GET", "/handler.go", nil, 404},
		{"the folder of the files", "GET", "/assets/", nil, 404},
		{"the packed engine by its own name", "GET", "/engine.wasm.gz", nil, 404},
		{"a zero byte", "GET", "/app.js\x00", nil, 404},
		{"a hook that is not there", "GET", "/hooks/other/", nil, 404},
		{"writing to the page", "POST", "/", nil, 405},
		{"deleting", "DELETE", "/app.js", nil, 405},
		{"an unknown method", "BREW", "/", nil, 405},
		{"a query", "GET", "/?x=1", nil, 200},
	} {
		before := reached
		w := get(h, c.method, c.path, strings.NewReader("x"), c.head...)
		if w.Code != c.status {
			t.Errorf("%s: %d %q, want %d", c.name, w.Code, w.Body, c.status)
		}
		if reached != before {
			t.Errorf("%s: reached the hook", c.name)
		}
		for _, k := range []string{"Content-Security-Policy", "X-Content-Type-Options", "X-Frame-Options", "Referrer-Policy", "Cross-Origin-Resource-Policy"} {
			if w.Header().Get(k) == "" {
				t.Errorf("%s: no %s", c.name, k)
			}
		}
		if w.Header().Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: lets other pages in", c.name)
		}
	}
	// And the page itself does reach it.
	if w := get(h, "POST", "/hooks/logbook/add/../x", strings.NewReader("x"), "Origin: http://"+own, "Sec-Fetch-Site: same-origin"); w.Code != 200 || !strings.HasPrefix(w.Body.String(), "the hook, /add") {
		t.Errorf("the hook: %d %s", w.Code, w.Body)
	}
	huge := io.LimitReader(zeros{}, page.MostBody+1)
	if w := get(h, "POST", "/hooks/logbook/add", huge, "Origin: http://"+own); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a huge body: %d", w.Code)
	}
}

// zeros never ends.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// TestToken: where a token is asked for, nothing goes out without it.
func TestToken(t *testing.T) {
	h := handler(t, page.Options{Token: "SECRET"})
	for _, c := range []struct {
		name, path string
		head       []string
		status     int
	}{
		{"none", "/", nil, 401},
		{"none, for a script", "/app.js", nil, 401},
		{"a wrong one", "/?token=WRONG", nil, 401},
		{"a part of it", "/?token=SECRE", nil, 401},
		{"an empty one", "/?token=", nil, 401},
		{"the right one at another path", "/app.js?token=SECRET", nil, 401},
		{"the right one", "/?token=SECRET", nil, 303},
		{"a wrong cookie", "/", []string{"Cookie: sparkscope=WRONG"}, 401},
		{"the right cookie", "/", []string{"Cookie: sparkscope=SECRET"}, 200},
		{"the right cookie from another name", "/", []string{"Cookie: sparkscope=SECRET", "Host: evil.example"}, 421},
		{"the right cookie from another page", "/app.js", []string{"Cookie: sparkscope=SECRET", "Origin: http://evil.example"}, 403},
	} {
		w := get(h, "GET", c.path, nil, c.head...)
		if w.Code != c.status {
			t.Errorf("%s: %d, want %d", c.name, w.Code, c.status)
		}
		cookie := w.Header().Get("Set-Cookie")
		if (c.status == 303) != (cookie != "") || cookie != "" && (!strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict")) {
			t.Errorf("%s: cookie %q", c.name, cookie)
		}
		if c.status == 303 && w.Header().Get("Location") != "/" {
			t.Errorf("%s: the token stays in the address line: %q", c.name, w.Header().Get("Location"))
		}
	}
}

// TestRate: a flood is turned away, and after a while it may come again.
func TestRate(t *testing.T) {
	now := time.Unix(0, 0)
	h := handler(t, page.Options{Now: func() time.Time { return now }})
	refused := 0
	for range 500 {
		if get(h, "GET", "/page.json", nil).Code == http.StatusTooManyRequests {
			refused++
		}
	}
	if refused != 300 {
		t.Errorf("of 500 at once %d were turned away, want 300", refused)
	}
	now = now.Add(time.Second)
	if w := get(h, "GET", "/page.json", nil); w.Code != 200 {
		t.Errorf("a second later: %d", w.Code)
	}
}

// TestForeignFlood: whoever is refused, by host, origin or token, is turned away in
// a flood as well, and takes nothing from the page.
func TestForeignFlood(t *testing.T) {
	for _, c := range []struct {
		name  string
		token string
		head  []string
		first int
	}{
		{"another host", "", []string{"Host: evil.example:7210"}, http.StatusMisdirectedRequest},
		{"another page", "", []string{"Origin: http://evil.example"}, http.StatusForbidden},
		{"no token", "secret", nil, http.StatusUnauthorized},
	} {
		now := time.Unix(0, 0)
		h := handler(t, page.Options{Token: c.token, Now: func() time.Time { return now }})
		count := map[int]int{}
		for range 500 {
			count[get(h, "GET", "/page.json", nil, c.head...).Code]++
		}
		if count[c.first] != 200 || count[http.StatusTooManyRequests] != 300 {
			t.Errorf("%s: %v, want 200 of %d and the rest turned away", c.name, count, c.first)
		}
		var own []string
		if c.token != "" {
			own = []string{"Cookie: sparkscope=" + c.token}
		}
		if w := get(h, "GET", "/page.json", nil, own...); w.Code != http.StatusOK {
			t.Errorf("%s: after it the page itself gets %d", c.name, w.Code)
		}
	}
}

// TestSlow: connections that send nothing, or a header for ever, hold neither
// the server nor others' places for ever, and there are no more than so many.
func TestSlow(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h, err := page.Handler(page.Options{Hosts: page.HostsOf(l.Addr())})
	if err != nil {
		t.Fatal(err)
	}
	s := page.Server(h)
	if s.ReadHeaderTimeout <= 0 || s.ReadTimeout <= 0 || s.WriteTimeout <= 0 || s.IdleTimeout <= 0 || s.MaxHeaderBytes > 64<<10 {
		t.Errorf("limits: %+v", s)
	}
	s.ReadHeaderTimeout = 100 * time.Millisecond
	go func() { _ = s.Serve(page.Limit(l, 4)) }()
	defer s.Close()
	var slow []net.Conn
	for range 12 {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: %s\r\nX: ", l.Addr())
		slow = append(slow, c)
	}
	r, err := http.Get("http://" + l.Addr().String() + "/page.json")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != 200 {
		t.Errorf("behind slow ones: %s", r.Status)
	}
	for _, c := range slow {
		if _, err := io.ReadAll(c); err != nil && !strings.Contains(err.Error(), "reset") {
			t.Errorf("a slow one: %v", err)
		}
	}
	big, err := http.NewRequest("GET", "http://"+l.Addr().String()+"/", nil)
	if err != nil {
		t.Fatal(err)
	}
	big.Header.Set("X", strings.Repeat("x", 1<<20))
	if r, err := http.DefaultClient.Do(big); err == nil {
		r.Body.Close()
		if r.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
			t.Errorf("a header of a megabyte: %s", r.Status)
		}
	}
}

// TestFiles: what is served and what the folder holds is whole, of the right
// kind, and needs nothing from elsewhere.
func TestFiles(t *testing.T) {
	files, err := page.Files()
	if err != nil {
		t.Fatal(err)
	}
	h := handler(t, page.Options{})
	for name, b := range files {
		if name == "sw.js" || name == "page.json" {
			continue
		}
		w := get(h, "GET", "/"+name, nil)
		if w.Code != 200 || !bytes.Equal(w.Body.Bytes(), b) || w.Header().Get("Content-Type") == "" {
			t.Errorf("%s: %d, %d bytes, %s; the folder's has %d", name, w.Code, w.Body.Len(), w.Header().Get("Content-Type"), len(b))
		}
		if again := get(h, "GET", "/"+name, nil, "If-None-Match: "+w.Header().Get("ETag")); again.Code != http.StatusNotModified {
			t.Errorf("%s: asked for again: %d", name, again.Code)
		}
		if !strings.HasSuffix(name, ".js") && !strings.HasSuffix(name, ".html") && !strings.HasSuffix(name, ".css") && !strings.HasSuffix(name, ".webmanifest") {
			continue
		}
		for _, far := range []string{"https://", "http://", "//cdn", "@import", "url("} {
			text := string(b)
			for _, near := range []string{"http://127.0.0.1)", "https or from"} {
				text = strings.ReplaceAll(text, near, "")
			}
			if name != "wasm_exec.js" && strings.Contains(text, far) {
				t.Errorf("%s holds %s", name, far)
			}
		}
	}
	w := get(h, "GET", "/engine.wasm", nil, "Accept-Encoding: gzip")
	r, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(r); err != nil || !bytes.Equal(b, files["engine.wasm"]) || w.Header().Get("Content-Encoding") != "gzip" || w.Header().Get("Content-Type") != "application/wasm" {
		t.Errorf("the engine, packed: %v, %d bytes", err, len(b))
	}
	if !bytes.HasPrefix(files["engine.wasm"], []byte("\x00asm")) {
		t.Error("the engine is no WebAssembly")
	}
	sw := string(files["sw.js"])
	for name := range files {
		if name != "sw.js" && !strings.Contains(sw, `"`+name+`"`) {
			t.Errorf("the service worker does not keep %s", name)
		}
	}
	if strings.Contains(sw, "/*version*/") || strings.Contains(sw, "/*files*/") {
		t.Error("the service worker is not filled in")
	}
	var manifest struct {
		Icons []struct{ Src string }
		Start string `json:"start_url"`
	}
	if err := json.Unmarshal(files["manifest.webmanifest"], &manifest); err != nil || manifest.Start != "./" || len(manifest.Icons) < 2 {
		t.Errorf("the manifest: %v %+v", err, manifest)
	}
	for _, i := range manifest.Icons {
		if files[i.Src] == nil {
			t.Errorf("the manifest names %s", i.Src)
		}
	}
}

// TestExec: the program that runs the engine is that of the toolchain.
func TestExec(t *testing.T) {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Skipf("there is no go command to compare with: %v", err)
	}
	want, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "wasm_exec.js"))
	if err != nil {
		t.Skipf("the toolchain's own wasm_exec.js is not there: %v", err)
	}
	files, err := page.Files()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(files["wasm_exec.js"], want) {
		t.Errorf("wasm_exec.js is not that of %s: run report/page/build.sh", runtime.Version())
	}
}

// TestOptions: what cannot be offered is refused.
func TestOptions(t *testing.T) {
	for _, o := range []page.Options{{}, {Hosts: []string{own}, Hooks: map[string]http.Handler{"../x": nil}}, {Hosts: []string{own}, Hooks: map[string]http.Handler{"": nil}}} {
		if _, err := page.Handler(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
