package main

import (
	"bufio"
	"context"
	"io"
	"net/http"
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
