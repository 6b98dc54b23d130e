package page_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"sparkscope/report/page"
)

// FuzzRequest: whatever is asked for, only a file of the page goes out, only to
// who names this machine, and nothing fails.
func FuzzRequest(f *testing.F) {
	f.Add("GET", "/", own, "", "")
	f.Add("GET", "/../page.go", own, "", "same-origin")
	f.Add("POST", "/hooks/x/..", "evil.example", "http://"+own, "cross-site")
	f.Add("HEAD", "/app.js", own, "null", "none")
	files, err := page.Files()
	if err != nil {
		f.Fatal(err)
	}
	h, err := page.Handler(page.Options{Hosts: []string{own}})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, method, path, host, origin, site string) {
		r := &http.Request{Method: method, URL: &url.URL{Path: path}, Host: host, Header: http.Header{}, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1}
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		r.Header.Set("Sec-Fetch-Site", site)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			return
		}
		name := strings.TrimPrefix(path, "/")
		if _, ok := files[name]; !ok && name != "" || host != own || origin != "" && origin != "http://"+own || site == "cross-site" {
			t.Errorf("%s %q to %q from %q (%s) is answered", method, path, host, origin, site)
		}
	})
}
