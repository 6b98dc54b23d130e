//go:build unix

package main

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"

	"sparkscope/dsp/wav"
)

// patience is how long a test waits for something that comes soon, or never.
const patience = 60 * time.Second

// screen is a terminal: what it shows after all that was written to it.
type screen struct {
	mu         sync.Mutex
	wide, high int
	cells      [][]rune
	row, col   int
	scrolled   int
	all        bytes.Buffer
	part       []byte // of an escape sequence or a rune
}

func newScreen(wide, high int) *screen {
	s := &screen{}
	s.resize(wide, high)
	return s
}

func (s *screen) resize(wide, high int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wide, s.high, s.row, s.col = wide, high, 0, 0
	s.cells = make([][]rune, high)
	for i := range s.cells {
		s.cells[i] = []rune(strings.Repeat(" ", wide))
	}
}

var escape = regexp.MustCompile(`^\x1b\[(\??[0-9;]*)([A-Za-z])`)

func (s *screen) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all.Write(b)
	n := len(b)
	b = append(s.part, b...)
	for len(b) > 0 {
		if b[0] == 0x1b {
			m := escape.FindSubmatch(b)
			if m == nil {
				if len(b) > 16 {
					return n, errors.New("an escape sequence that this terminal does not know")
				}
				break
			}
			from, to := -1, 0
			switch string(m[1]) + string(m[2]) {
			case "H":
				s.row, s.col = 0, 0
			case "K":
				from, to = s.row, s.row
			case "J":
				from, to = s.row, s.high-1
			case "2J":
				from, to = 0, s.high-1
			}
			for r := from; r >= 0 && r <= to; r++ {
				c := 0
				if r == s.row && string(m[1]) == "" {
					c = s.col
				}
				for ; c < s.wide; c++ {
					s.cells[r][c] = ' '
				}
			}
			b = b[len(m[0]):]
			continue
		}
		if !utf8.FullRune(b) {
			break
		}
		r, size := utf8.DecodeRune(b)
		b = b[size:]
		switch r {
		case '\r':
			s.col = 0
		case '\n':
			if s.row++; s.row == s.high {
				s.row--
				s.scrolled++
				s.cells = append(s.cells[1:], []rune(strings.Repeat(" ", s.wide)))
			}
		default:
			if s.col >= s.wide { // it wraps
				s.col = 0
				if s.row < s.high-1 {
					s.row++
				} else {
					s.scrolled++
				}
			}
			s.cells[s.row][s.col] = r
			s.col++
		}
	}
	s.part = append([]byte(nil), b...)
	return n, nil
}

func (s *screen) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var lines []string
	for _, l := range s.cells {
		lines = append(lines, strings.TrimRight(string(l), " "))
	}
	return strings.Join(lines, "\n")
}

func (s *screen) written() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.all.String()
}

// engineFile is a recording of an engine that fires 18° before top dead centre.
func engineFile(t *testing.T, speed string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "run.wav")
	var stderr bytes.Buffer
	if status := run(t.Context(), []string{"simulate", "--out", path, "--truth", path + ".csv", "--bits", "16", "--speed", speed}, nil, io.Discard, &stderr); status != exitOK {
		t.Fatalf("simulate: %d: %s", status, &stderr)
	}
	return path
}

// self is this very program as the command.
func self(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	path, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return &exec.Cmd{Path: path, Args: append([]string{"sparkscope"}, args...), Dir: t.TempDir()}
}

// waitFor waits until what holds.
func waitFor(t *testing.T, what string, holds func() bool, state func() string) {
	t.Helper()
	for end := time.Now().Add(patience); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s: never came. There is:\n%s", what, state())
		}
	}
}

// TestLiveTerminal presses every key on a terminal of 80 by 24 and on a small one.
func TestLiveTerminal(t *testing.T) {
	file := engineFile(t, "1500 hold 60s")
	cmd := self(t, "live", file, "--reference-angle", "30", "--reference-delay", "0", "--target", "16", "--tolerance", "1", "--speed", "4")
	cmd.Env = append(os.Environ(), "TERM=xterm", "NO_COLOR=1")
	s := newScreen(80, 24)
	tty, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 80})
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	copied := make(chan error, 1)
	go func() { _, err := io.Copy(s, tty); copied <- err }()
	shows := func(what string) {
		t.Helper()
		waitFor(t, what, func() bool { return regexp.MustCompile(what).MatchString(s.text()) }, s.text)
	}
	drawn := func(more int) { // waits until it was drawn so many times more
		t.Helper()
		times := func() int { return strings.Count(s.written(), "\x1b[H") }
		begun := times()
		waitFor(t, "another drawing", func() bool { return times() >= begun+more }, s.text)
	}
	press := func(key string) {
		t.Helper()
		if _, err := tty.WriteString(key); err != nil {
			t.Fatal(err)
		}
	}
	shows(`2\.\d° ±\d\.\d° EARLY: retard`)
	shows(`advance +1[78]\.\d° before top dead centre +mean of 20`)
	shows(`1 spark +\[#+ *\] +\d+ %`)
	shows(`2 reference +\[#+ *\] +\d+ %`)
	shows(`\d+ sparks, 0 missed, 0 repeated`)
	shows(`h hold   m mark   r reset   \+ - sparks in the mean   q quit`)
	press("m")
	shows(`before 1[78]\.\d°, now [+-]?0\.\d° ±0\.\d°`)
	press("m")
	shows(`before 1[78]\.\d°, after [+-]?0\.\d° ±0\.\d°`)
	press("h")
	shows(`HELD`)
	held := s.text()
	t.Logf("the screen:\n%s", held)
	press("+")
	press("h")
	shows(`mean of 25`)
	if strings.Contains(s.text(), "HELD") {
		t.Errorf("still held:\n%s", s.text())
	}
	press("-")
	shows(`mean of 20`)
	press("r")
	waitFor(t, "a reset", func() bool { return !strings.Contains(s.text(), "before 1") }, s.text)
	shows(`EARLY: retard`)
	if s.scrolled > 0 {
		t.Errorf("the screen scrolled %d times", s.scrolled)
	}
	if n := len(strings.Split(held, "\n")); n != 24 {
		t.Errorf("%d lines", n)
	}
	// A window that was made small, and large again.
	for _, size := range [][2]int{{40, 8}, {132, 50}, {80, 24}} {
		s.resize(size[0], size[1])
		if err := pty.Setsize(tty, &pty.Winsize{Cols: uint16(size[0]), Rows: uint16(size[1])}); err != nil {
			t.Fatal(err)
		}
		drawn(3) // what was on its way for the old size
		s.resize(size[0], size[1])
		before := s.scrolled
		drawn(3)
		shows(`sparkscope live`)
		shows(`EARLY: retard`)
		if s.scrolled != before {
			t.Errorf("at %d by %d it scrolls:\n%s", size[0], size[1], s.text())
		}
	}
	press("q")
	if err := cmd.Wait(); err != nil {
		t.Errorf("quit: %v", err)
	}
	<-copied
	all := s.written()
	if !strings.Contains(all, "Fires at") {
		t.Error("there is no summary")
	}
	if regexp.MustCompile(`\x1b\[[0-9;]*m`).MatchString(all) {
		t.Error("there is colour, or bold")
	}
	if strings.LastIndex(all, "\x1b[?25h") < strings.LastIndex(all, "\x1b[?25l") {
		t.Error("the cursor stays hidden")
	}
}

// TestLiveDumb: a terminal that can do nothing gets lines.
func TestLiveDumb(t *testing.T) {
	file := engineFile(t, "1500 hold 12s")
	cmd := self(t, "live", file, "--reference-angle", "30", "--speed", "8")
	cmd.Env = append(os.Environ(), "TERM=dumb")
	s := newScreen(80, 24)
	tty, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 80})
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	io.Copy(s, tty)
	if err := cmd.Wait(); err != nil {
		t.Errorf("%v", err)
	}
	all := s.written()
	if strings.Contains(all, "\x1b") {
		t.Errorf("control sequences: %q", all[:min(200, len(all))])
	}
	if !regexp.MustCompile(`(?m)^00:\d\d\.\d  1[78]\.\d° before top dead centre`).MatchString(all) || !strings.Contains(all, "Fires at") {
		t.Errorf("%s", all)
	}
}

// TestLiveEnds: however it ends, what was recorded up to then is a recording, and
// sound to the last sample.
func TestLiveEnds(t *testing.T) {
	b, err := os.ReadFile(engineFile(t, "1500 hold 4s"))
	if err != nil {
		t.Fatal(err)
	}
	samples := b[44:] // 16 bit, stereo, 48 kHz
	for _, c := range []struct {
		name string
		sig  os.Signal
		code int
	}{
		{"terminated", syscall.SIGTERM, exitOK},
		{"hung up", syscall.SIGHUP, exitOK},
		{"interrupted", syscall.SIGINT, exitOK},
		{"killed", syscall.SIGKILL, -1},
		{"the recorder ends", nil, exitOK},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			cmd := self(t, "live", "-", "--raw", "s16le", "--rate", "48000", "--record", "kept.wav", "--save", "kept.json", "--reference-angle", "30", "--plain")
			kept := filepath.Join(cmd.Dir, "kept.wav")
			var out, stderr bytes.Buffer
			cmd.Stdout, cmd.Stderr = &out, &stderr
			in, err := cmd.StdinPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			if _, err := in.Write(samples); err != nil {
				t.Fatal(err)
			}
			waitFor(t, "what was sent", func() bool {
				info, err := os.Stat(kept)
				return err == nil && info.Size() >= int64(44+len(samples))
			}, stderr.String)
			if c.sig == nil {
				in.Close()
			} else if err := cmd.Process.Signal(c.sig); err != nil {
				t.Fatal(err)
			}
			err = cmd.Wait()
			in.Close()
			if got := cmd.ProcessState.ExitCode(); got != c.code {
				t.Errorf("ended with %d, %v: %s", got, err, &stderr)
			}
			if c.code == exitOK && !strings.Contains(out.String(), "Fires at") {
				t.Errorf("there is no summary: %s%s", &out, &stderr)
			}
			f, err := os.Open(kept)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			r, err := wav.NewReader(f)
			if err != nil {
				t.Fatal(err)
			}
			x := [][]float32{make([]float32, 1<<16), make([]float32, 1<<16)}
			frames := 0
			for {
				n, err := r.Read(x)
				for i := range n {
					for c := range 2 {
						at := 4*(frames+i) + 2*c
						if want := int16(uint16(samples[at]) | uint16(samples[at+1])<<8); x[c][i] != float32(want)/32768 {
							t.Fatalf("frame %d, channel %d: %g, want %d", frames+i, c+1, x[c][i]*32768, want)
						}
					}
				}
				frames += n
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("after %d frames: %v", frames, err)
				}
			}
			if frames != len(samples)/4 {
				t.Errorf("%d frames of %d", frames, len(samples)/4)
			}
			sox, err := exec.LookPath("sox")
			if err != nil {
				t.Skip("sox is not installed: nobody else reads it")
			}
			raw, err := exec.Command(sox, "-V1", kept, "-t", "raw", "-e", "signed", "-b", "16", "-L", "-").Output()
			if err != nil || !bytes.Equal(raw, samples) {
				t.Errorf("sox reads %d bytes of %d, %v", len(raw), len(samples), err)
			}
		})
	}
}

// TestLiveClosed: who reads no more ends it as an output that could not be
// written, and the recording is kept.
func TestLiveClosed(t *testing.T) {
	cmd := self(t, "live", engineFile(t, "1500 hold 20s"), "--record", "kept.wav", "--reference-angle", "30", "--json", "--speed", "10")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	out.Close()
	cmd.Wait()
	if got := cmd.ProcessState.ExitCode(); got != exitNoOutput || !strings.Contains(stderr.String(), "standard output") {
		t.Errorf("ended with %d: %s", got, &stderr)
	}
	f, err := os.Open(filepath.Join(cmd.Dir, "kept.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := wav.NewReader(f); err != nil {
		t.Error(err)
	}
}

// TestLiveNothing: a recorder that never sends anything can be waited for no
// longer, and the keyboard is no recorder.
func TestLiveNothing(t *testing.T) {
	cmd := self(t, "live", "-")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	ended := make(chan struct{})
	go func() { cmd.Wait(); close(ended) }()
	// Until it listens to signals, one ends it at once.
	waitFor(t, "an end", func() bool {
		cmd.Process.Signal(os.Interrupt)
		select {
		case <-ended:
			return true
		default:
			return false
		}
	}, func() string { return "" })

	cmd = self(t, "live", "-")
	tty, err := pty.Start(cmd)
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	s := newScreen(200, 24)
	io.Copy(s, tty)
	cmd.Wait()
	if got := cmd.ProcessState.ExitCode(); got != exitUsage || !strings.Contains(s.text(), "standard input is the keyboard") {
		t.Errorf("at the keyboard it ended with %d: %s", got, s.text())
	}
}
