package page

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

// Options of a Handler.
type Options struct {
	// Hosts are the values of the Host header that are answered: "127.0.0.1:8000".
	// All others are refused, so that no foreign name can be made to lead here.
	Hosts []string
	// Token must come with every request, as the cookie that the page's address
	// with "?token=" sets; empty: none is asked for.
	Token string
	// Hooks are what else is offered to the page, by name: each handles what lies
	// below "/hooks/NAME/", behind the same checks as the page, with the path
	// below that. A hook sees bodies of at most MostBody.
	Hooks map[string]http.Handler
	// Now is the clock for the limit of requests; nil: time.Now.
	Now func() time.Time
}

// Limits of a Handler.
const (
	MostBody   = 64 << 20 // bytes of a request's body, for hooks; the page takes none
	perSecond  = 50       // requests, on average
	atOnce     = 200      // and at most so many at once
	cookieName = "sparkscope"
)

// policy is the content security policy: nothing from elsewhere, no script but
// the page's files, and its WebAssembly.
const policy = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; worker-src 'self'; connect-src 'self'; style-src 'self'; img-src 'self' data:; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// server is a Handler.
type server struct {
	o     Options
	files map[string]served

	mu      sync.Mutex
	own     budget // of the page and of who opens its address
	foreign budget // of what is refused by its host, its origin or its token
}

// budget is how many requests may come now.
type budget struct {
	left  float64
	since time.Time // when that was
}

// served is a file ready to go.
type served struct {
	body, packed []byte // packed: by gzip; nil: only that way or another
	tag, kind    string
}

// Handler serves the page. No path of a request names a file of the machine: all
// that is handed out is in memory.
func Handler(o Options) (http.Handler, error) {
	if len(o.Hosts) == 0 {
		return nil, fmt.Errorf("page: no host is named that may be asked for")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	for name := range o.Hooks {
		if name == "" || strings.Trim(name, "abcdefghijklmnopqrstuvwxyz-") != "" {
			return nil, fmt.Errorf("page: hook %q: want small letters", name)
		}
	}
	s := &server{o: o, files: map[string]served{}, own: budget{atOnce, o.Now()}, foreign: budget{atOnce, o.Now()}}
	for name, kind := range types {
		if name == "sw.js" { // what is on this machine needs no keeping, and would be kept too long
			continue
		}
		f := served{kind: kind}
		var err error
		switch name {
		case "page.json":
			f.body, err = json.Marshal(about{Kind: "serve", Hooks: append([]string{}, slices.Sorted(maps.Keys(o.Hooks))...)})
		case engineFile:
			if f.packed, err = asset(name + ".gz"); err == nil {
				f.body, err = engine()
			}
		default:
			f.body, err = asset(name)
		}
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(f.body)
		f.tag = `"` + hex.EncodeToString(sum[:12]) + `"`
		s.files[name] = f
	}
	return s, nil
}

// ServeHTTP answers one request, or says why not.
func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Permissions-Policy", "microphone=(self), camera=(), geolocation=(), usb=(), payment=()")
	h.Set("Cache-Control", "no-cache")
	refuse := func(status int, why string) {
		h.Set("Content-Type", "text/plain; charset=utf-8")
		w.WriteHeader(status)
		fmt.Fprintln(w, why)
	}
	// Who is refused spends a budget of his own: else a foreign page could ask so
	// often that the user's own gets no answer.
	spend := func(b *budget) bool {
		if s.allow(b) {
			return true
		}
		h.Set("Retry-After", "1")
		refuse(http.StatusTooManyRequests, "Too many requests: wait a second.")
		return false
	}
	if !slices.Contains(s.o.Hosts, r.Host) {
		if spend(&s.foreign) {
			refuse(http.StatusMisdirectedRequest, "This is not the address that sparkscope serve has printed.")
		}
		return
	}
	if !sameOrigin(r) {
		if spend(&s.foreign) {
			refuse(http.StatusForbidden, "Another page asked for this.")
		}
		return
	}
	if s.o.Token != "" && !s.knows(r) && !s.isToken(r.URL.Query().Get("token")) {
		if !spend(&s.foreign) {
			return
		}
	} else if !spend(&s.own) {
		return
	}
	if s.o.Token != "" && !s.admitted(w, r) {
		return
	}
	if rest, ok := strings.CutPrefix(r.URL.Path, "/hooks/"); ok {
		name, below, _ := strings.Cut(rest, "/")
		hook := s.o.Hooks[name]
		if hook == nil {
			refuse(http.StatusNotFound, "There is nothing here.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, MostBody)
		to := r.Clone(r.Context())
		to.URL.Path, to.URL.RawPath = "/"+below, ""
		hook.ServeHTTP(w, to)
		return
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		h.Set("Allow", "GET, HEAD")
		refuse(http.StatusMethodNotAllowed, "The page is only to be read.")
		return
	}
	name := strings.TrimPrefix(r.URL.Path, "/")
	if name == "" {
		name = "index.html"
	}
	f, ok := s.files[name]
	if !ok {
		refuse(http.StatusNotFound, "There is nothing here.")
		return
	}
	f.send(w, r)
}

// send hands the file out.
func (f served) send(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("ETag", f.tag)
	h.Set("Vary", "Accept-Encoding")
	if r.Header.Get("If-None-Match") == f.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := f.body
	if f.packed != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = f.packed
	}
	h.Set("Content-Length", fmt.Sprint(len(body)))
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return
	}
	_, _ = w.Write(body) // the browser has gone: nobody is left to be told
}

// sameOrigin is whether a request comes from the page itself, or from somebody
// who typed or followed its address.
func sameOrigin(r *http.Request) bool {
	if o := r.Header.Get("Origin"); o != "" {
		u, err := url.Parse(o)
		return err == nil && u.Scheme == "http" && u.Host == r.Host && r.Header.Get("Sec-Fetch-Site") != "cross-site"
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return true
	}
	// A link on another page may lead to this one, but nothing of it may be
	// loaded from there.
	return r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document" && r.Method == http.MethodGet && r.URL.Path == "/"
}

// admitted is whether the request has the token; if not, it has been answered.
func (s *server) admitted(w http.ResponseWriter, r *http.Request) bool {
	if s.knows(r) {
		return true
	}
	if t := r.URL.Query().Get("token"); t != "" && r.URL.Path == "/" && r.Method == http.MethodGet && s.isToken(t) {
		http.SetCookie(w, &http.Cookie{Name: cookieName, Value: s.o.Token, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
		// Away from the address line, and so from the history.
		w.Header().Set("Location", "/")
		w.WriteHeader(http.StatusSeeOther)
		return false
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(http.StatusUnauthorized)
	fmt.Fprintln(w, "Open the whole address that sparkscope serve has printed, with its token.")
	return false
}

// knows is whether the request's cookie is the token.
func (s *server) knows(r *http.Request) bool {
	c, err := r.Cookie(cookieName)
	return err == nil && s.isToken(c.Value)
}

func (s *server) isToken(a string) bool {
	return subtle.ConstantTimeCompare([]byte(a), []byte(s.o.Token)) == 1
}

// allow is whether one more request may come now out of b.
func (s *server) allow(b *budget) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.o.Now()
	b.left = min(atOnce, b.left+perSecond*max(0, now.Sub(b.since).Seconds()))
	b.since = now
	if b.left < 1 {
		return false
	}
	b.left--
	return true
}

// HostsOf are the Host headers of a listener's own address: its numbers, and
// localhost where it is this machine's own.
func HostsOf(addr net.Addr) []string {
	host, port, err := net.SplitHostPort(addr.String())
	if err != nil {
		return nil
	}
	out := []string{net.JoinHostPort(host, port)}
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		out = append(out, net.JoinHostPort("localhost", port))
	}
	return out
}

// Server is an http.Server for a Handler, with limits against those who send
// slowly or much.
func Server(h http.Handler) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       60 * time.Second,
		WriteTimeout:      120 * time.Second,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
	}
}

// Limit is a listener that holds at most so many connections at a time; further
// ones wait.
func Limit(l net.Listener, most int) net.Listener {
	return &limited{Listener: l, free: make(chan struct{}, most)}
}

type limited struct {
	net.Listener
	free chan struct{}
}

// Accept waits for a free place and then for a connection.
func (l *limited) Accept() (net.Conn, error) {
	l.free <- struct{}{}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &held{Conn: c, release: sync.OnceFunc(func() { <-l.free })}, nil
}

type held struct {
	net.Conn
	release func()
}

// Close gives the place back.
func (h *held) Close() error {
	defer h.release()
	return h.Conn.Close()
}
