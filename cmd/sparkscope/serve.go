package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os/exec"
	"runtime"
	"strconv"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"sparkscope/report/logbook"
	"sparkscope/report/page"
)

// serveOptions is what the serve command was told.
type serveOptions struct {
	listen string
	open   bool
	book   logbookFile
}

const (
	usualPort   = 7210 // if it is free
	connections = 64   // at a time
)

// newServeCommand makes `sparkscope serve`.
func newServeCommand(stdout, stderr io.Writer) *cobra.Command {
	var o serveOptions
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "The live instrument as a page in the browser",
		Long: `Opens a page on this machine that reads the timing while you turn the plate:
what to turn, which way and how far, then angle, scatter and speed. The browser
listens to the sound input and computes; nothing that is heard leaves the machine,
and no network is needed. Open the address that is printed, in a browser on this
machine. Interrupt (Ctrl-C) ends it.

It answers this machine only. --listen names another address, for other machines
to open; then the printed address has a token in it, and only who has that gets in.
Browsers lend the microphone only to pages of the machine itself or over https: on
another machine the page measures recordings, but hears nothing. For a phone, put
the folder that sparkscope page writes on an https host.

What the page has measured it can keep in the logbook on this machine (see
sparkscope logbook), and shows what is in there of the engine.

Exit status: 0 ended by an interrupt; 2 wrong usage; 3 the address or the
logbook cannot be used.`,
		Example: `  sparkscope serve
  sparkscope serve --open
  sparkscope serve --listen 192.168.1.20:7210`,
		Args: takesNone("serve", "; an address goes behind --listen, and the page itself asks for recordings"),
		RunE: func(cmd *cobra.Command, _ []string) error { return o.run(cmd.Context(), stdout, stderr) },
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.BoolVar(&o.open, "open", false, "open the system's browser too")
	o.book.register(f)
	f.Lookup("logbook").Usage = "where the page keeps results, see sparkscope logbook (default:\nlogbook.sqlite in your data folder)"
	f.StringVar(&o.listen, "listen", "", "answer at this address, `HOST:PORT` (default 127.0.0.1:"+strconv.Itoa(usualPort)+", or a free\nport where that is taken)")
	return cmd
}

// address opens the listener.
func (o *serveOptions) address() (net.Listener, error) {
	if o.listen == "" {
		l, err := net.Listen("tcp", "127.0.0.1:"+strconv.Itoa(usualPort))
		if err != nil {
			l, err = net.Listen("tcp", "127.0.0.1:0")
		}
		return l, err
	}
	host, port, err := net.SplitHostPort(o.listen)
	if err != nil {
		return nil, usagef("--listen %q: want an address and a port: 127.0.0.1:%d", o.listen, usualPort)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return nil, usagef("--listen %q: want a port from 0 to 65535 behind the colon", o.listen)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || ip.IsUnspecified()) {
		return nil, usagef("--listen %q: want one address of this machine in numbers, such as 192.168.1.20:%d, so that no other name can be made to lead to it", o.listen, usualPort)
	}
	l, err := net.Listen("tcp", o.listen)
	if err != nil {
		var oe *net.OpError
		if errors.As(err, &oe) {
			err = oe.Err
		}
		switch {
		case errors.Is(err, syscall.EADDRNOTAVAIL):
			err = errors.New("this machine has no such address")
		case errors.Is(err, syscall.EADDRINUSE):
			err = errors.New("another program answers there; name another port")
		case errors.Is(err, fs.ErrPermission):
			err = errors.New("not everybody may use this port; name one above 1023")
		}
		return nil, fmt.Errorf("%s cannot be listened at: %w", o.listen, err)
	}
	return l, nil
}

func (o *serveOptions) run(ctx context.Context, stdout, stderr io.Writer) error {
	// A name that was typed wrong is told now, not when a result is to be kept.
	// The usual logbook may be ill: the page measures without it.
	if o.book.path != "" {
		err := o.book.use(ctx, false, nil, func(*logbook.Logbook) error { return nil })
		if err != nil && !errors.Is(err, logbook.ErrMissing) {
			return err
		}
	}
	l, err := o.address()
	if err != nil {
		return err
	}
	defer l.Close()
	hosts := page.HostsOf(l.Addr())
	options := page.Options{Hosts: hosts, Hooks: map[string]http.Handler{"logbook": o.book.hook()}}
	at := url.URL{Scheme: "http", Host: hosts[0], Path: "/"}
	own := len(hosts) > 1 // localhost is one of its names
	if !own {
		options.Token = rand.Text()
		at.RawQuery = url.Values{"token": {options.Token}}.Encode()
	}
	h, err := page.Handler(options)
	if err != nil {
		return err
	}
	server := page.Server(h)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(page.Limit(l, connections)) }()
	if _, err := fmt.Fprintf(stdout, "The page is at %s\n", at.String()); err != nil {
		return &outputError{"standard output", errors.Join(err, server.Close())}
	}
	if !own {
		fmt.Fprintf(stderr, "Whoever has that address, with its token, gets in. There a browser does not lend the microphone; see sparkscope serve --help.\n")
	}
	if o.open {
		if err := openBrowser(at.String()); err != nil {
			fmt.Fprintf(stderr, "The browser could not be opened (%v): open the address by hand.\n", err)
		}
	}
	select {
	case err := <-ended:
		return fmt.Errorf("the page cannot be served any more: %w", err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := server.Shutdown(last); err != nil {
		return server.Close()
	}
	return nil
}

// openBrowser asks the system to show an address.
func openBrowser(address string) error {
	switch runtime.GOOS {
	case "darwin":
		return exec.Command("open", address).Start()
	case "windows":
		return exec.Command("rundll32", "url.dll,FileProtocolHandler", address).Start()
	}
	return exec.Command("xdg-open", address).Start()
}
