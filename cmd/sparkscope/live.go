package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"sparkscope/analysis"
	"sparkscope/analysis/known"
	"sparkscope/analysis/live"
	"sparkscope/dsp/flac"
	"sparkscope/dsp/wav"
	"sparkscope/report"
)

// liveOptions is what the live command was told.
type liveOptions struct {
	measure  measureOptions
	sparks   int
	raw      string
	rate     float64
	channels int
	speed    float64
	record   string
	save     string
	json     bool
	plain    bool
}

// Times of the live command.
const (
	blockS  = 0.02                   // seconds of samples at once
	showS   = 100 * time.Millisecond // between two readings on a screen
	lineS   = time.Second            // between two lines where there is no screen
	streamS = 100 * time.Millisecond // between two JSON objects
)

// newLiveCommand makes `sparkscope live`.
func newLiveCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	o := liveOptions{measure: measureOptions{setup: analysis.Setup{SparkKind: analysis.Clamp}}, sparks: 20, channels: 2, rate: 48000, speed: 1}
	cmd := &cobra.Command{
		Use:   "live RECORDING",
		Short: "Read the timing while the engine runs",
		Long: `Shows the timing while the engine runs: how far from the target and which way,
the advance as the mean of the last sparks, its scatter, the speed, the last
minute, the level of both channels. RECORDING is - for what a recorder program
writes into a pipe, a WAV stream or, with --raw, bare samples; or a WAV or FLAC
file, which is played at the speed at which it was recorded.

Keys: h hold, m mark the reading, first as before the work, then as after it,
r reset, + and - the number of sparks in the mean, q quit. On quit all of it, or
about the last 20 minutes, is measured once more as measure does, and printed.
--record keeps the recording; if the program is killed, what was written up to
then can be read.

A figure older than a second is said to be old. "Provisional" stands for the
first seconds, while the shape of the pulses is being learned.

Work at a running engine: keep hands, hair and sleeves away from flywheel and
belt, off the spark lead, and the exhaust gas out of the room; wear ear
protection. Stop the engine before you turn the plate, where the maker does not
say otherwise.

Exit status: 0 it ran, with at least one reading; 2 wrong usage; 3 nothing could be
measured; 4 an output could not be written.`,
		Example: `  arecord -q -f S16_LE -c 2 -r 48000 -t wav | sparkscope live - --reference-angle 35 --target 18 --tolerance 2
  sparkscope live pull.wav --reference-angle 35 --target 18
  sox -q -d -t raw -e signed -b 16 -c 2 -r 48000 - | sparkscope live - --raw s16le --rate 48000 --record pull.wav
  sparkscope live - --json --engine bench.toml <pipe`,
		Args: oneRecording,
		// Its pulses of twenty minutes and the samples it learns from are above the limit.
		RunE: roomy(func(cmd *cobra.Command, args []string) error {
			if err := o.measure.readEngine(cmd.Flags()); err != nil {
				return err
			}
			return o.run(cmd, args[0], stdin, stdout, stderr)
		}),
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.Var(wholeFlag{&o.sparks, 1000}, "sparks", "sparks whose mean is shown (default 20)")
	f.BoolVar(&o.json, "json", false, "write one JSON object a line for every reading, ten a second")
	f.BoolVar(&o.plain, "plain", false, "write a line a second instead of a screen")
	f.Var(fileFlag{&o.record}, "record", "keep what is heard, a WAV FILE")
	f.Var(fileFlag{&o.save}, "save", "on quit write the whole result, JSON, as measure does")
	f.Float64Var(&o.speed, "speed", o.speed, "play a file so many `TIMES` as fast as it was recorded; 0: as fast as\npossible")
	f.StringVar(&o.raw, "raw", "", "bare samples on standard input, of `FORM` "+strings.Join(wav.RawForms(), ", "))
	f.Float64Var(&o.rate, "rate", o.rate, "sampling rate of --raw, `HZ`")
	f.IntVar(&o.channels, "channels", o.channels, "channels of --raw, `N`")
	o.measure.registerSetup(f)
	f.Lookup("tolerance").Usage = "± of the target: asks for a verdict"
	return cmd
}

// liveSource is where samples come from.
type liveSource interface {
	blockSource
	Format() wav.Format
}

func (o *liveOptions) run(cmd *cobra.Command, path string, stdin io.Reader, stdout, stderr io.Writer) (finished error) {
	if err := o.measure.validate(); err != nil {
		return err
	}
	switch {
	case o.raw != "" && path != "-":
		return usagef("--raw is for standard input: name - as the recording")
	case o.raw == "" && (cmd.Flags().Changed("rate") || cmd.Flags().Changed("channels")):
		return usagef("--rate and --channels say what --raw samples are; a WAV stream says it itself")
	case o.raw != "" && !slices.Contains(wav.RawForms(), o.raw):
		return usagef("--raw %s: want %s", o.raw, strings.Join(wav.RawForms(), ", "))
	case !(o.rate >= 8000 && o.rate <= 768000) || o.rate != math.Trunc(o.rate):
		return usagef("--rate %g: want a whole number of samples a second from 8000 to 768000", o.rate)
	case o.channels < 1 || o.channels > 8:
		return usagef("--channels %d: want 1 to 8", o.channels)
	case !(o.speed >= 0 && o.speed <= 1000):
		return usagef("--speed %g: want 0 to 1000", o.speed)
	case o.record != "" && o.record != "-" && filepath.Ext(o.record) != "" && !strings.EqualFold(filepath.Ext(o.record), ".wav"):
		return usagef("--record %q: want a name that ends in .wav, the format that is written", o.record)
	case o.json && o.plain:
		return usagef("--json and --plain: give one of them")
	}
	outs := &outputs{stdout: stdout, engine: o.measure.engine}
	outs.add("--record", o.record, nil)
	outs.add("--save", o.save, nil)
	if err := outs.check(path); err != nil {
		return err
	}
	if o.record == "-" || o.save == "-" {
		return usagef("--record and --save want a file: standard output is for the readings")
	}
	in, err := openInput(path, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	// Whoever ends it, what was heard is kept and said.
	ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	src, err := o.open(ctx, path, stdin, in, stderr)
	if err != nil {
		return err
	}
	f := src.Format()
	s := o.measure.setup
	if err := hasChannels(f, s); err != nil {
		return err
	}
	session, err := live.New(f.Rate, f.Channels, stepBits(f), s, live.Options{Sparks: o.sparks})
	if err != nil {
		return unreadable(path, err)
	}
	tape, err := newTape(o.record, f)
	if err != nil {
		return err
	}
	show := newLiveShow(o, stdout, stderr)
	input := newLiveInput(session, f.Rate, f.Channels, path == "-", show.say)
	readings, playErr := o.play(ctx, path, src, input, tape, show)
	show.end()
	tapeErr := tape.close()
	var oe *outputError
	if errors.As(playErr, &oe) {
		return playErr
	}
	defer func() {
		if tapeErr != nil {
			finished = tapeErr // the most that went wrong
		}
	}()
	if session.Samples() == 0 && path == "-" && playErr == nil {
		return unreadable(path, errNothingCame)
	}
	result, err := session.Finish()
	if err != nil {
		if playErr != nil && !errors.Is(playErr, context.Canceled) {
			err = playErr
		}
		if readings > 0 {
			fmt.Fprintf(stderr, "%v\n", unreadable(path, err))
			return nil
		}
		return unreadable(path, err)
	}
	result.Recording.Path = path
	result.Decisions = known.SayOrigins(result.Decisions, o.measure.origins)
	last := &outputs{stdout: stdout, engine: o.measure.engine}
	last.add("--save", o.save, func(w io.Writer) error { return report.JSON(w, result) })
	if !o.json {
		last.add("the text", "-", func(w io.Writer) error { return report.Text(w, result) })
	}
	if err := last.check(path); err != nil {
		return err
	}
	if err := last.commit(); err != nil {
		return err
	}
	if playErr != nil && !errors.Is(playErr, context.Canceled) {
		return unreadable(path, playErr)
	}
	return nil
}

// errNothingCame is an end before the first sample.
var errNothingCame = errors.New("nothing came in: the recorder ended before its first sample. Run its command alone: it says why")

// open waits until the source says what it holds, or ctx ends.
func (o *liveOptions) open(ctx context.Context, path string, stdin, in io.Reader, stderr io.Writer) (liveSource, error) {
	if f, ok := stdin.(*os.File); ok && path == "-" && term.IsTerminal(int(f.Fd())) {
		return nil, usagef("- is for what a recorder writes into a pipe, and standard input is the keyboard; for the pipe of each system see the examples")
	}
	type opened struct {
		src liveSource
		err error
	}
	begun := make(chan opened, 1)
	go func() {
		head := &countingReader{r: in}
		src, err := o.source(head)
		switch {
		case err != nil && o.raw != "":
			err = usagef("%v", plainError(err))
		case err != nil && path == "-" && head.n == 0:
			err = unreadable(path, errNothingCame)
		case err != nil:
			err = unreadable(path, err)
		}
		begun <- opened{src, err}
	}()
	const longS = 3 * time.Second
	long := time.After(longS)
	for {
		select {
		case b := <-begun:
			return b.src, b.err
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-long:
			fmt.Fprintln(stderr, "Nothing has come in yet: waiting for the recorder.")
		}
	}
}

// countingReader counts the bytes that were read.
type countingReader struct {
	r io.Reader
	n int64
}

func (c *countingReader) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n += int64(n)
	return n, err
}

// source reads what o says that r holds.
func (o *liveOptions) source(r io.Reader) (liveSource, error) {
	if o.raw != "" {
		return wav.NewRawReader(r, o.raw, o.rate, o.channels)
	}
	return flac.Open(r)
}

// play listens until the source ends, ctx does, or the user quits, and returns
// how many readings with an angle there were.
func (o *liveOptions) play(ctx context.Context, path string, src liveSource, s *liveInput, tape *tape, show *liveShow) (readings int, err error) {
	f := src.Format()
	n := max(1, int(blockS*float64(f.Rate)))
	type piece struct {
		x   [][]float32
		err error
	}
	pieces := make(chan piece, 8)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		// A file is played as it was recorded; a pipe comes as it comes.
		begun, played := time.Now(), 0
		for {
			x := make([][]float32, f.Channels)
			for c := range x {
				x[c] = make([]float32, n)
			}
			k, err := src.Read(x)
			for c := range x {
				x[c] = x[c][:k]
			}
			played += k
			if path != "-" && o.speed > 0 && err == nil {
				due := time.Duration(float64(played) / float64(f.Rate) / o.speed * float64(time.Second))
				if wait := due - time.Since(begun); wait > 0 {
					select {
					case <-time.After(wait):
					case <-ctx.Done():
						return
					}
				}
			}
			select {
			case pieces <- piece{x, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	now := stopwatch()
	every := show.every
	tick := time.NewTicker(every)
	defer tick.Stop()
	look := func() error {
		r := s.read(now())
		if r.HasAngle && !r.Stale {
			readings++
		}
		return show.show(r, s.Session)
	}
	heard := 0.0 // seconds of samples since the last look, where time does not pass as recorded
	for {
		select {
		case <-ctx.Done():
			return readings, ctx.Err()
		case key := <-show.keys:
			if show.press(key, s.Session) {
				return readings, nil
			}
			if err := look(); err != nil {
				return readings, err
			}
		case p := <-pieces:
			if len(p.x[0]) > 0 {
				if err := tape.write(p.x); err != nil {
					show.say(fmt.Sprintf("The recording ends here: %v. What was written is kept; the reading goes on.", err))
				}
				s.push(p.x, now())
				heard += float64(len(p.x[0])) / float64(f.Rate)
			}
			if p.err != nil {
				if errors.Is(p.err, io.EOF) {
					p.err = nil
				}
				if err := look(); err != nil {
					return readings, err
				}
				return readings, p.err
			}
			if path != "-" && o.speed == 0 && heard >= every.Seconds() {
				heard = 0
				if err := look(); err != nil {
					return readings, err
				}
			}
		case <-tick.C:
			if path != "-" && o.speed == 0 {
				continue
			}
			if err := look(); err != nil {
				return readings, err
			}
		}
	}
}

// tape keeps what is heard, as long as it can be written.
type tape struct {
	err  error // what ended it
	file *os.File
	w    *wav.Writer
	buf  [][]float64
	path string
}

func newTape(path string, f wav.Format) (*tape, error) {
	if path == "" {
		return &tape{}, nil
	}
	if _, err := os.Stat(path); err == nil {
		return nil, usagef("--record %s: there is such a file already; a recording is not written over another", path)
	}
	file, err := os.Create(path)
	if err != nil {
		return nil, &outputError{path, err}
	}
	if f.Encoding == wav.Float {
		f.Bits = 32
	}
	w, err := wav.NewWriter(file, f)
	if err != nil {
		return nil, &outputError{path, errors.Join(err, file.Close())}
	}
	return &tape{file: file, w: w, path: path}, nil
}

// write appends a block. Only the first error is returned; after it nothing more
// is written.
func (t *tape) write(x [][]float32) error {
	if t.w == nil || t.err != nil {
		return nil
	}
	t.buf = t.buf[:0]
	for _, c := range x {
		y := make([]float64, len(c))
		for i, v := range c {
			y[i] = float64(v)
		}
		t.buf = append(t.buf, y)
	}
	if err := t.w.Write(t.buf); err != nil {
		t.err = &outputError{t.path, err}
	}
	return t.err
}

// close finishes the recording, and returns what went wrong at any time.
func (t *tape) close() error {
	if t.w == nil {
		return nil
	}
	werr, ferr := t.w.Close(), t.file.Close()
	switch {
	case t.err != nil:
		return t.err
	case werr != nil:
		return &outputError{t.path, werr}
	case ferr != nil:
		return &outputError{t.path, ferr}
	}
	return nil
}

// liveShow writes readings as the user wants them.
type liveShow struct {
	o       *liveOptions
	stdout  io.Writer
	every   time.Duration
	screen  bool
	keys    chan byte
	restore func()
	held    *live.Reading
	marks   live.Marks
	last    live.Reading
	stderr  io.Writer
	note    string // the last that was said
}

func newLiveShow(o *liveOptions, stdout, stderr io.Writer) *liveShow {
	w := &liveShow{o: o, stdout: stdout, stderr: stderr, every: lineS, keys: make(chan byte, 8), restore: func() {}}
	switch {
	case o.json:
		w.every = streamS
	case !o.plain && onTerminal(stdout) && os.Getenv("TERM") != "dumb":
		w.every, w.screen = showS, true
		w.listen(stderr)
		fmt.Fprint(stdout, "\x1b[?25l\x1b[2J")
	}
	return w
}

// listen reads keys from the terminal, which standard input may not be.
func (w *liveShow) listen(stderr io.Writer) {
	tty, err := openKeys()
	if err != nil {
		return // then there are none; interrupt ends it
	}
	old, err := term.MakeRaw(int(tty.Fd()))
	if err != nil {
		tty.Close()
		return
	}
	w.restore = func() {
		if err := term.Restore(int(tty.Fd()), old); err != nil {
			fmt.Fprintln(stderr, "the terminal could not be set back:", err)
		}
		tty.Close()
	}
	go func() {
		b := make([]byte, 1)
		for {
			if n, err := tty.Read(b); err != nil || n == 0 {
				return
			}
			w.keys <- b[0]
		}
	}()
}

// press does what a key says; true: quit.
func (w *liveShow) press(key byte, s *live.Session) bool {
	switch key {
	case 'q', 'Q', 3, 4: // also ctrl-C and ctrl-D, which a raw terminal hands on
		return true
	case 'h', 'H', ' ':
		if w.held != nil {
			w.held = nil
		} else {
			r := w.last
			w.held = &r
		}
	case 'm', 'M':
		w.marks.Set(w.last)
	case 'r', 'R':
		s.Reset()
		w.held, w.marks = nil, live.Marks{}
	case '+', '=':
		w.o.sparks = min(w.o.sparks+5, 1000)
		s.SetSparks(w.o.sparks)
	case '-':
		w.o.sparks = max(1, w.o.sparks-5)
		s.SetSparks(w.o.sparks)
	}
	return false
}

// say tells the user something that is no reading.
func (w *liveShow) say(text string) {
	w.note = text
	if !w.screen {
		fmt.Fprintf(w.stderr, "%s  %s\n", report.Clock(w.last.TimeS), text)
	}
}

func (w *liveShow) show(r live.Reading, s *live.Session) error {
	w.last = r
	var err error
	switch {
	case w.o.json:
		err = report.LiveJSON(w.stdout, r)
	case !w.screen:
		_, err = fmt.Fprintln(w.stdout, report.LiveLine(r))
	default:
		shown := r
		if w.held != nil {
			shown = *w.held
		}
		wide, high := terminalSize(w.stdout)
		lines := report.LiveScreen(shown, report.LiveView{Strip: s.Strip(), StripS: 60, Held: w.held != nil, Marks: w.marks, Record: w.o.record, Note: w.note, Keys: true})
		var b bytes.Buffer
		b.WriteString("\x1b[H")
		for i, line := range lines[:min(len(lines), high)] {
			if i > 0 { // behind the last line the terminal would scroll
				b.WriteString("\r\n")
			}
			if r := []rune(line); len(r) > wide {
				line = string(r[:wide])
			}
			b.WriteString(line)
			if len([]rune(line)) < wide { // in the last column it would take that away
				b.WriteString("\x1b[K")
			}
		}
		b.WriteString("\x1b[J")
		_, err = w.stdout.Write(b.Bytes())
	}
	if err != nil {
		return &outputError{"standard output", err}
	}
	return nil
}

// terminalSize is how many columns and rows a terminal has; many where it does
// not say.
func terminalSize(w io.Writer) (wide, high int) {
	if f, ok := w.(*os.File); ok {
		if wide, high, err := term.GetSize(int(f.Fd())); err == nil && wide > 0 && high > 0 {
			return wide, high
		}
	}
	return 1000, 1000
}

// end gives the terminal back.
func (w *liveShow) end() {
	w.restore()
	if w.screen {
		fmt.Fprint(w.stdout, "\x1b[?25h\r\n")
	}
}
