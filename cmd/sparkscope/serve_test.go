package main

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"strings"
	"testing"
)

// served starts the command, returns the address it prints, and ends it after
// the test, when its exit status must be 0.
func served(t *testing.T, args ...string) (address string) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	r, w := io.Pipe()
	var stderr strings.Builder
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, append([]string{"serve"}, args...), strings.NewReader(""), w, &stderr) }()
	t.Cleanup(func() {
		stop()
		if status := <-ended; status != exitOK {
			t.Errorf("exit status %d after an interrupt: %s", status, stderr.String())
		}
	})
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	address, ok := strings.CutPrefix(strings.TrimSpace(line), "The page is at ")
	if !ok {
		t.Fatalf("it prints %q", line)
	}
	return address
}

func fetch(t *testing.T, address string) (status int, body string) {
	t.Helper()
	c := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	r, err := c.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

// TestServe: the address that is printed is that of the page, on this machine
// alone; a second one finds a place of its own.
func TestServe(t *testing.T) {
	one, two := served(t), served(t, "--listen", "127.0.0.1:0")
	if one == two {
		t.Errorf("both at %s", one)
	}
	for _, a := range []string{one, two} {
		if !strings.HasPrefix(a, "http://127.0.0.1:") {
			t.Errorf("%s is not this machine alone", a)
		}
		if status, body := fetch(t, a); status != 200 || !strings.Contains(body, "<title>sparkscope</title>") {
			t.Errorf("%s: %d", a, status)
		}
		if status, _ := fetch(t, a+"../../etc/passwd"); status != 404 {
			t.Errorf("%s: a file of the machine: %d", a, status)
		}
	}
}

// TestServeOthers: at an address that others can reach, nothing goes out without
// the token of the address that is printed.
func TestServeOthers(t *testing.T) {
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	at := ""
	for _, a := range addrs {
		if ip, ok := a.(*net.IPNet); ok && ip.IP.To4() != nil && !ip.IP.IsLoopback() {
			at = net.JoinHostPort(ip.IP.String(), "0")
		}
	}
	if at == "" {
		t.Skip("this machine has no address that others can reach")
	}
	address := served(t, "--listen", at)
	bare, token, ok := strings.Cut(address, "?token=")
	if !ok || len(token) < 20 {
		t.Fatalf("%s has no token", address)
	}
	for _, a := range []string{bare, bare + "app.js", bare + "?token=" + strings.ToLower(token), bare + "?token=" + token[1:]} {
		if status, body := fetch(t, a); status != 401 || strings.Contains(body, "<title>") {
			t.Errorf("%s: %d %q", a, status, body)
		}
	}
	if status, _ := fetch(t, address); status != 303 {
		t.Errorf("with the token: %d", status)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := (&http.Client{Jar: jar}).Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if b, err := io.ReadAll(r.Body); err != nil || r.StatusCode != 200 || !strings.Contains(string(b), "<title>sparkscope</title>") || strings.Contains(r.Request.URL.String(), "token") {
		t.Errorf("in a browser: %s at %s, %v", r.Status, r.Request.URL, err)
	}
}
