package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"sparkscope/analysis/enginefile"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"sparkscope": main, clerkName: beClerk})
}

// atOnce are the scripts of commands that do several things at once, each in a
// way of its own: what the race detector has to see, and all it has time for.
var atOnce = []string{"batch", "calibrate", "contacts", "live", "logbook", "measure", "page", "study"}

// notAtOnce leaves out a long test that runs commands as others do.
func notAtOnce(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("long, and with -short only commands run that do several things at once")
	}
}

// TestScripts runs the command lines of testdata/script as a user would.
func TestScripts(t *testing.T) {
	scripts, err := filepath.Glob("testdata/script/*.txtar")
	if err != nil || len(scripts) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	if testing.Short() {
		scripts = nil
		for _, name := range atOnce {
			scripts = append(scripts, "testdata/script/"+name+".txtar")
		}
	}
	free := newClerks(t)
	testscript.Run(t, testscript.Params{
		Files: scripts,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			// exits STATUS COMMAND...: the exact exit status. Where it can, a
			// clerk does it.
			"exits": func(ts *testscript.TestScript, neg bool, args []string) {
				if neg || len(args) < 2 {
					ts.Fatalf("usage: exits STATUS COMMAND...")
				}
				got := 0
				if takesClerk(args[1:]) {
					a, err := free.ask(ts, args[2:])
					ts.Check(err)
					_, err = io.WriteString(ts.Stdout(), a.Stdout)
					ts.Check(err)
					_, err = io.WriteString(ts.Stderr(), a.Stderr)
					ts.Check(err)
					got = a.Status
				} else if err := ts.Exec(args[1], args[2:]...); err != nil {
					var exit *exec.ExitError
					if !errors.As(err, &exit) {
						ts.Fatalf("%v", err)
					}
					got = exit.ExitCode()
				}
				if want, err := strconv.Atoi(args[0]); err != nil || got != want {
					ts.Fatalf("exit status %d: want %s", got, args[0])
				}
			},
			// validjson FILE: one JSON value and nothing else, without NaN.
			"validjson": func(ts *testscript.TestScript, neg bool, args []string) {
				if s := ts.ReadFile(args[0]); !json.Valid([]byte(s)) {
					ts.Fatalf("%s is not JSON:\n%s", args[0], s)
				}
			},
			// eventtable FILE: the event table's columns, in order of time.
			"eventtable": func(ts *testscript.TestScript, neg bool, args []string) {
				c := csv.NewReader(strings.NewReader(ts.ReadFile(args[0])))
				c.Comment = '#'
				rows, err := c.ReadAll()
				ts.Check(err)
				if len(rows) < 2 || strings.Join(rows[0][:5], ",") != "time_s,revolution,rpm,advance_deg,status" {
					ts.Fatalf("%s: %d rows, header %v", args[0], len(rows), rows[0])
				}
				last := -1.0
				for i, row := range rows[1:] {
					v, err := strconv.ParseFloat(row[0], 64)
					if err != nil || v < last {
						ts.Fatalf("%s, row %d: time %q after %v", args[0], i+1, row[0], last)
					}
					last = v
				}
			},
			// onlyfiles NAME...: nothing else lies in the current folder,
			// above all no temporary file.
			"onlyfiles": func(ts *testscript.TestScript, neg bool, args []string) {
				entries, err := os.ReadDir(ts.MkAbs("."))
				ts.Check(err)
				want := map[string]bool{".tmp": true} // testscript's own
				for _, a := range args {
					want[a] = true
				}
				for _, e := range entries {
					if !want[e.Name()] {
						ts.Fatalf("there is a file %s", e.Name())
					}
				}
			},
		},
	})
}

// TestManualExamples runs every command of the manual (the package comment),
// in order, in one empty folder.
func TestManualExamples(t *testing.T) {
	notAtOnce(t)
	source, err := os.ReadFile("main.go")
	if err != nil {
		t.Fatal(err)
	}
	manual, _, _ := strings.Cut(string(source), "\npackage main")
	t.Chdir(t.TempDir())
	n := 0
	for line := range strings.Lines(manual) {
		line, ok := strings.CutPrefix(strings.TrimRight(line, "\n"), "//\tsparkscope ")
		if !ok || strings.Contains(line, "   ") { // the list of commands explains, it does not show
			continue
		}
		n++
		var stdout, stderr bytes.Buffer
		if status := run(hears.once(context.Background()), strings.Fields(line), strings.NewReader(""), &stdout, &stderr); status != exitOK {
			t.Errorf("sparkscope %s: exit status %d\n%s", line, status, stderr.String())
		}
		if stdout.Len() == 0 || stderr.Len() > 0 {
			t.Errorf("sparkscope %s: %d bytes of result; messages %q", line, stdout.Len(), stderr.String())
		}
	}
	if n < 4 {
		t.Errorf("%d examples found in the manual: want at least 4", n)
	}
}

// header is a WAV header of 16-bit stereo at 48 kHz without an end.
var header = []byte("RIFF\xff\xff\xff\xffWAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x80\xbb\x00\x00\x00\xee\x02\x00\x04\x00\x10\x00data\xff\xff\xff\xff")

// stalled is a live input that stops delivering: after the header and some
// samples it says so and waits for ever.
type stalled struct {
	head    io.Reader
	waiting func()
}

func (s *stalled) Read(p []byte) (int, error) {
	if n, err := s.head.Read(p); n > 0 || !errors.Is(err, io.EOF) {
		return n, err
	}
	s.waiting()
	select {}
}

// An interrupt ends a run at once even while it waits for samples, and leaves
// no file.
func TestInterrupt(t *testing.T) {
	t.Chdir(t.TempDir())
	ctx, cancel := context.WithCancel(context.Background())
	in := &stalled{head: bytes.NewReader(append(header, make([]byte, 400000)...)), waiting: cancel}
	var stdout, stderr bytes.Buffer
	status := run(ctx, []string{"measure", "-", "--json", "x.json"}, in, &stdout, &stderr)
	if status != exitMeasure || stdout.Len() > 0 || !strings.Contains(stderr.String(), "stopped") {
		t.Errorf("exit status %d, stdout %q, stderr %q", status, stdout.String(), stderr.String())
	}
	if entries, _ := os.ReadDir("."); len(entries) > 0 {
		t.Errorf("%s is left behind", entries[0].Name())
	}
}

// Outputs appear together or not at all.
func TestOutputsAllOrNothing(t *testing.T) {
	write := func(s string) func(io.Writer) error {
		return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
	}
	boom := errors.New("drawing failed")
	for name, fail := range map[string]func(io.Writer) error{
		"at once":  func(io.Writer) error { return boom },
		"half-way": func(w io.Writer) error { _, _ = w.Write(make([]byte, 1<<20)); return boom },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			old, fresh, bad := filepath.Join(dir, "old"), filepath.Join(dir, "new"), filepath.Join(dir, "bad")
			if err := os.WriteFile(old, []byte("earlier"), 0o600); err != nil {
				t.Fatal(err)
			}
			var stdout bytes.Buffer
			o := &outputs{stdout: &stdout}
			o.add("--a", old, write("later"))
			o.add("--b", fresh, write("later"))
			o.add("--c", bad, fail)
			o.add("--d", "-", write("later"))
			if err := o.check("-"); err != nil {
				t.Fatal(err)
			}
			var oe *outputError
			if err := o.commit(); !errors.As(err, &oe) || oe.path != bad {
				t.Errorf("error %v: want one about %s", err, bad)
			}
			entries, err := os.ReadDir(dir)
			if err != nil || len(entries) != 1 {
				t.Errorf("%v, %v: want the earlier file alone", entries, err)
			}
			if b, _ := os.ReadFile(old); string(b) != "earlier" {
				t.Errorf("earlier file now holds %q", b)
			}
			if stdout.Len() > 0 {
				t.Errorf("standard output got %q", stdout.String())
			}

			o.list[2].write = write("later")
			if err := o.commit(); err != nil {
				t.Fatal(err)
			}
			for _, f := range []string{old, fresh, bad} {
				if b, _ := os.ReadFile(f); string(b) != "later" {
					t.Errorf("%s holds %q: want %q", f, b, "later")
				}
			}
			if info, err := os.Stat(old); err != nil || info.Mode().Perm() != 0o600 {
				t.Errorf("%v, %v: want the earlier file's mode kept", info.Mode(), err)
			}
			if stdout.String() != "later" {
				t.Errorf("standard output got %q", stdout.String())
			}
		})
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left") }

// A result that standard output does not take is an output not written.
func TestStandardOutputFails(t *testing.T) {
	o := &outputs{stdout: fullDisk{}}
	dir := t.TempDir()
	o.add("--a", filepath.Join(dir, "a"), func(w io.Writer) error { _, err := w.Write([]byte("x")); return err })
	o.add("text", "-", func(w io.Writer) error { _, err := w.Write([]byte("x")); return err })
	var oe *outputError
	if err := errors.Join(o.check("-"), o.commit()); !errors.As(err, &oe) {
		t.Errorf("error %v: want an outputError", err)
	}
	if entries, _ := os.ReadDir(dir); len(entries) > 0 {
		t.Errorf("%s is left behind", entries[0].Name())
	}
}

// An output that is a link is written where the link leads.
func TestOutputThroughLink(t *testing.T) {
	dir := t.TempDir()
	real, link, dangling := filepath.Join(dir, "real"), filepath.Join(dir, "link"), filepath.Join(dir, "dangling")
	if err := errors.Join(os.WriteFile(real, nil, 0o644), os.Symlink("real", link), os.Symlink("target", dangling)); err != nil {
		t.Skip("no links on this system:", err)
	}
	o := &outputs{}
	for _, f := range []string{link, dangling} {
		o.add("--a", f, func(w io.Writer) error { _, err := io.WriteString(w, "x"); return err })
	}
	if err := errors.Join(o.check("-"), o.commit()); err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{real, filepath.Join(dir, "target")} {
		if b, err := os.ReadFile(f); string(b) != "x" {
			t.Errorf("%s: %q, %v", f, b, err)
		}
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Error("the link was replaced")
	}
	same := &outputs{}
	same.add("--a", link, nil)
	same.add("--b", real, nil)
	var ue *usageError
	if err := same.check("-"); !errors.As(err, &ue) {
		t.Errorf("%v: want two names of one file to be wrong usage", err)
	}
}

// An output that the system refuses says what to do, too; who runs the tests may
// be allowed everything, so the refusal is made here.
func TestOutputRefused(t *testing.T) {
	for _, c := range []struct {
		err  error
		want string
	}{
		{&os.PathError{Op: "open", Path: "x.json.tmp", Err: syscall.EACCES}, "cannot write x.json: permission denied; name a file in a folder of your own"},
		{&os.PathError{Op: "write", Path: "x.json.tmp", Err: syscall.ENOSPC}, "cannot write x.json: no space left on device"},
	} {
		if got := (&outputError{"x.json", c.err}).Error(); got != c.want {
			t.Errorf("%v: %q, want %q", c.err, got, c.want)
		}
	}
}

func TestEditDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"abc", "", 3}, {"target", "targt", 1}, {"static", "sttaic", 2}, {"kitten", "sitting", 3}} {
		if got := editDistance(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

// TestStepsHaveCommands: the command that each step of the job names is there.
func TestStepsHaveCommands(t *testing.T) {
	root := newRootCommand(strings.NewReader(""), io.Discard, io.Discard)
	for _, s := range (enginefile.File{}).Steps() {
		words := strings.Fields(s.With)
		cmd, rest, err := root.Find(words)
		if err != nil || len(rest) > 0 || cmd == root || cmd.CommandPath() != "sparkscope "+s.With {
			t.Errorf("%s: there is no command %q: %v, %v", s.Name, s.With, rest, err)
		}
	}
}
