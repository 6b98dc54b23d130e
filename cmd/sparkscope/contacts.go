package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sparkscope/analysis/bench"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
	"sparkscope/dsp/flac"
	"sparkscope/dsp/synth"
	"sparkscope/dsp/tone"
	"sparkscope/dsp/wav"
	"sparkscope/report"
)

// contactsOptions is what `sparkscope contacts` was told.
type contactsOptions struct {
	channel int
	toneHz  float64
	json    string
	bell    bool
}

// newContactsCommand makes `sparkscope contacts`.
func newContactsCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	var o contactsOptions
	cmd := &cobra.Command{
		Use:   "contacts RECORDING",
		Short: "Hear when contacts open and close, while nothing turns",
		Long: `Hears from a tone across the contacts when they open and when they close, with
the flywheel at its mark and a hand on the screw. A sound output plays the tone
through a resistor across the contacts, and the input listens to what is left of
it; the README shows the wiring. RECORDING is a WAV or FLAC file, or - for such a
stream on standard input, which is followed as it comes.

A line is written for every change, 35 ms after it. Which of two levels is open
cannot be told from one alone: open and close the contacts once to begin with.

Ignition off, battery off, spark plug out and its lead earthed, coil disconnected
from the contacts.

  contacts tone      write the tone, as a file to play
  contacts choose    which tone and which resistor suit a coil
  contacts simulate  make a recording of contacts that do not exist

Exit status: 0 heard; 2 wrong usage; 3 no tone, or not a recording; 4 an output
could not be written.`,
		Example: `  sparkscope contacts tone tone.wav
  sparkscope contacts choose --coil-inductance 3 --coil-resistance 0.6
  arecord -q -f S16_LE -c 1 -r 48000 -t wav | sparkscope contacts - --bell`,
		Args: oneRecording,
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.run(cmd.Context(), args[0], stdin, stdout, stderr)
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.Var(wholeFlag{&o.channel, 64}, "channel", "channel that hears the tone, from 1 (default: the one with the\nloudest tone)")
	f.Var(boundFlag{&o.toneHz, tone.LeastHz, tone.MostHz, "Hz", "HZ"}, "tone", "the tone that is played; the two cards' clocks may differ by\n500 ppm (default: found)")
	f.BoolVar(&o.bell, "bell", false, "ring the terminal's bell at every opening")
	f.Var(fileFlag{&o.json}, "json", "write what is heard as it comes, one JSON object a line; - is\nstandard output, and then nothing else goes there")
	cmd.AddCommand(newContactsTone(stdout), newContactsChoose(stdout), newContactsSimulate(stdout))
	return cmd
}

// boundFlag is a number within bounds.
type boundFlag struct {
	p      *float64
	lo, hi float64
	unit   string
	word   string
}

func (f boundFlag) Set(s string) error {
	v, err := parseNumber(s, f.unit)
	if err != nil {
		return err
	}
	if v < f.lo || v > f.hi {
		return fmt.Errorf("want %g to %g %s", f.lo, f.hi, f.unit)
	}
	*f.p = v
	return nil
}

func (f boundFlag) String() string { return "" }
func (f boundFlag) Type() string   { return f.word }

// listenS is how much is read at once, so that a live source is followed.
const listenS = 0.01

// run listens to the end.
func (o *contactsOptions) run(ctx context.Context, path string, stdin io.Reader, stdout, stderr io.Writer) error {
	outs := &outputs{stdout: stdout}
	outs.add("--json", o.json, nil)
	if err := outs.check(path); err != nil {
		return err
	}
	in, err := openInput(path, stdin)
	if err != nil {
		return err
	}
	defer in.Close()
	reader, err := flac.Open(in)
	if err != nil {
		return unreadable(path, err)
	}
	f := reader.Format()
	if o.channel > f.Channels {
		return usagef("--channel %d: the recording has only %s", o.channel, channels(f.Channels))
	}
	l := &contactsListener{rate: f.Rate, noTone: noTone(o.toneHz), channel: o.channel - 1, detectors: make([]*tone.Detector, f.Channels)}
	for c := range l.detectors {
		if l.detectors[c], err = tone.New(f.Rate, tone.Options{ToneHz: o.toneHz}); err != nil {
			return unreadable(path, err)
		}
	}
	l.write = func(e report.ContactEvent) error {
		if err := report.ContactText(stdout, e); err != nil {
			return &outputError{"standard output", err}
		}
		return nil
	}
	if o.json == "-" {
		l.write = func(e report.ContactEvent) error {
			if err := report.ContactJSON(stdout, e); err != nil {
				return &outputError{"standard output", err}
			}
			return nil
		}
	} else if o.json != "" {
		var file *os.File // made when there is something to write
		defer func() {
			if file != nil {
				file.Close()
			}
		}()
		text := l.write
		l.write = func(e report.ContactEvent) error {
			var err error
			if file == nil {
				file, err = os.Create(o.json)
			}
			if err == nil {
				err = report.ContactJSON(file, e)
			}
			if err != nil {
				return &outputError{o.json, err}
			}
			return text(e)
		}
	}
	if path == "-" {
		l.waiting = func() { fmt.Fprintln(stderr, "No tone is heard yet.") }
	}
	if o.bell {
		l.opened = func() { fmt.Fprint(stderr, "\a") }
	}
	return l.listen(ctx, reader, path)
}

// contactsListener follows a source.
type contactsListener struct {
	rate      dsp.Rate
	channel   int // from 0; -1: not known yet
	detectors []*tone.Detector
	write     func(report.ContactEvent) error
	opened    func()
	waiting   func() // called once when there is no tone for a while; nil: not called
	noTone    error
	frames    int64 // taken
	told      bool  // that there is a tone
	openings  int
	changes   int
}

// listen reads to the end of src, or until ctx ends; then what was heard stands.
func (l *contactsListener) listen(ctx context.Context, src blockSource, path string) error {
	type piece struct {
		data   [][]float32
		frames int
		err    error
	}
	// A read may wait for ever; an interrupt must not.
	pieces, used := make(chan piece), make(chan [][]float32, 2)
	for range cap(used) {
		b := make([][]float32, len(l.detectors))
		for c := range b {
			b[c] = make([]float32, max(1, int(listenS*float64(l.rate))))
		}
		used <- b
	}
	go func() {
		defer close(pieces)
		for {
			var b [][]float32
			select {
			case b = <-used:
			case <-ctx.Done():
				return
			}
			n, err := src.Read(b)
			select {
			case pieces <- piece{b, n, err}:
			case <-ctx.Done():
				return
			}
			if n == 0 {
				return
			}
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return l.end()
		case p, ok := <-pieces:
			if !ok {
				return l.end()
			}
			if p.err != nil && !errors.Is(p.err, io.EOF) {
				return errors.Join(l.end(), unreadable(path, p.err))
			}
			if p.frames == 0 {
				if err := l.end(); err != nil {
					return err
				}
				if !l.told {
					return unreadable(path, l.noTone)
				}
				return nil
			}
			if err := l.take(p.data, p.frames); err != nil {
				return err
			}
			used <- p.data
		}
	}
}

// noTone is what is said of a recording without a tone; hz is the one that was
// asked for, or 0.
func noTone(hz float64) error {
	what, also := "there is no steady tone in it", ""
	if hz > 0 {
		what, also = fmt.Sprintf("there is no steady tone near %g Hz in it", hz), " Leave --tone out to have it found."
	}
	return errors.New(what + ". Is the tone playing, and loud enough? Closed contacts leave little of it: open them." + also + " Are output, resistors, contacts and input wired as the README shows, and is noise suppression off?")
}

// take hands one piece to the detectors.
func (l *contactsListener) take(data [][]float32, n int) error {
	const waitS = 2
	if l.frames += int64(n); !l.told && l.waiting != nil && l.rate.Seconds(float64(l.frames)) > waitS {
		l.waiting()
		l.waiting = nil
	}
	changes := make([][]tone.Change, len(data))
	for c, d := range l.detectors {
		changes[c] = d.Push(data[c][:n])
	}
	if l.channel < 0 {
		for c, d := range l.detectors {
			if now := d.Now(); now.Locked && (l.channel < 0 || now.Level > l.detectors[l.channel].Now().Level) {
				l.channel = c
			}
		}
		if l.channel < 0 {
			return nil
		}
	}
	now := l.detectors[l.channel].Now()
	if now.Locked && !l.told {
		l.told = true
		if err := l.write(l.event("tone", now, nil)); err != nil {
			return err
		}
	}
	for _, c := range changes[l.channel] {
		l.changes++
		if c.State == tone.Open {
			l.openings++
		}
		if err := l.write(l.event("change", now, &c)); err != nil {
			return err
		}
		if c.State == tone.Open && l.opened != nil {
			l.opened()
		}
	}
	return nil
}

// end says what there was.
func (l *contactsListener) end() error {
	if !l.told {
		return nil
	}
	return l.write(l.event("end", l.detectors[l.channel].Now(), nil))
}

// event puts what is heard into words for the report.
func (l *contactsListener) event(kind string, now tone.Reading, c *tone.Change) report.ContactEvent {
	e := report.ContactEvent{Event: kind, Channel: l.channel + 1, State: now.State.String(), TimeS: l.rate.Seconds(now.Pos),
		ToneHz: now.ToneHz, Level: now.Level, OpenLevel: now.OpenLevel, ClosedLevel: now.ClosedLevel, Clipped: now.Clipped, Openings: l.openings, Changes: l.changes}
	if c != nil {
		e.State, e.Before = c.State.String(), c.Before.String()
		e.TimeS, e.WithinS, e.SeenS = l.rate.Seconds(c.Pos), l.rate.Seconds(c.Within), l.rate.Seconds(c.Seen)
		e.FirstS, e.FirstWithinS = l.rate.Seconds(c.First), l.rate.Seconds(c.FirstWithin)
		e.OpenLevel, e.ClosedLevel = c.OpenLevel, c.ClosedLevel
	}
	return e
}

// newContactsTone makes `sparkscope contacts tone`.
func newContactsTone(stdout io.Writer) *cobra.Command {
	hz, level, rate := tone.UsualHz, 0.5, 48000.0
	duration := 10 * time.Minute
	const rise = 100 * time.Millisecond
	cmd := &cobra.Command{
		Use:   "tone FILE.wav",
		Short: "Write the contact tone, as a file to play",
		Long: `Writes a WAV file with the tone for the contacts, one channel, 16 bit. It grows
over 0.1 s and ends as softly. Play it in a loop, with the player's
equaliser and every effect off. contacts choose says which tone suits a coil.

Turn the output down before you play it, and take headphones off: it is shrill.`,
		Example: `  sparkscope contacts tone tone.wav
  sparkscope contacts tone tone.wav --tone 4225 --level 0.3 --duration 2m`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return usagef("which file? Name the WAV file to write, such as tone.wav")
			}
			if !strings.EqualFold(filepath.Ext(args[0]), ".wav") {
				return usagef("%q: want a name that ends in .wav, the format that is written", args[0])
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			if rate != math.Trunc(rate) {
				return usagef("--rate %g: want whole samples per second", rate)
			}
			if hz > 0.45*rate {
				return usagef("--tone %g: want at most %g at %g samples per second", hz, 0.45*rate, rate)
			}
			if duration < time.Second || duration > time.Hour {
				return usagef("--duration %v: want 1s to 1h", duration)
			}
			frames := int(duration.Seconds() * rate)
			outs := &outputs{stdout: stdout}
			outs.add("the tone", args[0], nil)
			outs.add("the text", "-", func(w io.Writer) error {
				return report.ToneFile(w, report.Tone{Path: args[0], ToneHz: hz, Level: level, RateHz: rate, DurationS: duration.Seconds(), RiseS: rise.Seconds()})
			})
			if err := outs.check("-"); err != nil {
				return err
			}
			return outs.commitRecording(func(f *os.File) error {
				return writeTone(f, hz, level, rate, frames, int(rise.Seconds()*rate))
			})
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.Var(boundFlag{&hz, tone.LeastHz, tone.MostHz, "Hz", "HZ"}, "tone", "its frequency (default 3025)")
	f.Var(boundFlag{&level, 0.001, 1, "full scale", "PART"}, "level", "its height, part of full scale (default 0.5)")
	f.DurationVar(&duration, "duration", duration, "how long: `DUR`")
	f.Var(boundFlag{&rate, 8000, 384000, "samples per second", "HZ"}, "rate", "samples per second (default 48000)")
	return cmd
}

// writeTone writes the tone as 16-bit WAV, with a soft start and end of ramp
// frames (raised cosine).
func writeTone(w io.WriteSeeker, hz, level, rate float64, frames, ramp int) error {
	out, err := wav.NewWriter(w, wav.Format{Rate: dsp.Rate(rate), Channels: 1, Encoding: wav.PCM, Bits: 16})
	if err != nil {
		return err
	}
	block := [][]float64{make([]float64, 4096)}
	for at := 0; at < frames; at += len(block[0]) {
		n := min(len(block[0]), frames-at)
		for i := range n {
			k := at + i
			v := level * math.Sin(2*math.Pi*math.Mod(hz/rate*float64(k), 1))
			if edge := min(k, frames-1-k); edge < ramp {
				v *= 0.5 - 0.5*math.Cos(math.Pi*float64(edge)/float64(ramp))
			}
			block[0][i] = v
		}
		if err := out.Write([][]float64{block[0][:n]}); err != nil {
			return err
		}
	}
	return out.Close()
}

// newContactsChoose makes `sparkscope contacts choose`.
func newContactsChoose(stdout io.Writer) *cobra.Command {
	var o benchOutput
	var t bench.ContactTone
	var percent, coil, winding, condenser *float64
	cmd := &cobra.Command{
		Use:   "choose [flags]",
		Short: "Which tone, through which resistor, suits a coil",
		Long: `Works out which contact tone and which series resistor tell open contacts from
closed ones best, with a coil left connected across them, or a condenser, or
neither; with its working, so that you can check it on paper.`,
		Example: `  sparkscope contacts choose
  sparkscope contacts choose --coil-inductance 3 --coil-resistance 0.6 --condenser 0.2
  sparkscope contacts choose --engine bench.toml`,
		Args: noArguments,
		RunE: func(*cobra.Command, []string) error {
			if percent != nil {
				v := *percent / 100
				t.ToleranceShare = &v
			}
			if err := o.open(); err != nil {
				return err
			}
			c := o.file.Contacts
			t.CoilMH, t.CoilOhm = o.or(quantityFlag{value: coil}, c.CoilInductanceMH, " mH"), o.or(quantityFlag{value: winding}, c.CoilResistanceOhm, " Ω")
			t.CondenserUF = o.or(quantityFlag{value: condenser}, c.CondenserUF, " µF")
			return o.run(stdout, t.Solve)
		},
	}
	f := cmd.Flags()
	f.Var(boundedFlag{&coil, 0.01, 10000, false, "millihenries", "MH"}, "coil-inductance", "of the coil that stays across the contacts, mH (default: none does)")
	f.Var(boundedFlag{&winding, 0, 1000, false, "ohms", "OHM"}, "coil-resistance", "of its winding, Ω")
	f.Var(boundedFlag{&percent, 0, 90, false, "percent", "PERCENT"}, "coil-tolerance", "± of the inductance, % (default 20)")
	f.Var(boundedFlag{&condenser, 0.001, 100, false, "microfarads", "UF"}, "condenser", "across the contacts, µF (default: none)")
	f.Var(boundedFlag{&t.LeadOhm, 0.001, 100, false, "ohms", "OHM"}, "lead", "leads and the small resistor in them, Ω (default 1.1)")
	f.Var(boundedFlag{&t.ClosedOhm, 0.001, 100, false, "ohms", "OHM"}, "closed", "closed contacts, Ω (default 0.05)")
	f.Var(boundedFlag{&t.InputOhm, 100, 1e8, false, "ohms", "OHM"}, "input-resistance", "of the sound input, Ω (default 10000)")
	o.register(f)
	return cmd
}

// newContactsSimulate makes `sparkscope contacts simulate`.
func newContactsSimulate(stdout io.Writer) *cobra.Command {
	b := synth.Bench{ToneHz: tone.UsualHz, Level: 0.8, SeriesOhm: 100, LeadOhm: tone.UsualLeadOhm, InputOhm: tone.UsualInputOhm}
	var out, truth string
	var seed uint64 = 1
	changes, rate, closed, snr, hum, coupling, clock := 6, 48000.0, tone.UsualClosedOhm, 80.0, 0.01, 8.0, 0.0
	chatter := time.Millisecond
	var coilMH, condenserUF float64
	cmd := &cobra.Command{
		Use:   "simulate --out FILE.wav [--truth FILE.csv] [flags]",
		Short: "Make a recording of the contact tone, with its truth",
		Long: `Makes the recording of a contact tone across contacts that do not exist, opened and
closed by turns, and beside it a table of when they truly did. They are closed at
first; the tone begins after 0.2 s and the first opening comes at 1.5 s.`,
		Example: `  sparkscope contacts simulate --out hand.wav --truth hand.csv --coil-inductance 3 --coil-resistance 0.6`,
		Args:    takesNone("contacts simulate", "; the recording is named by --out"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return usagef("which file? Name the WAV file to write by --out")
			}
			if out == "-" || !strings.EqualFold(filepath.Ext(out), ".wav") {
				return usagef("--out %q: want a name that ends in .wav, the format that is written", out)
			}
			if changes < 1 || changes > 10000 {
				return usagef("--changes %d: want 1 to 10000", changes)
			}
			if chatter < 0 || chatter > time.Second {
				return usagef("--chatter %v: want 0s to 1s", chatter)
			}
			if rate != math.Trunc(rate) {
				return usagef("--rate %g: want whole samples per second", rate)
			}
			b.CoilH, b.CondenserF, b.StartS = coilMH/1e3, condenserUF/1e6, 0.2
			b.ToneHz *= 1 - clock*1e-6
			touches, made := synth.Handled(rand.New(rand.NewPCG(seed, 0x68616e64)), changes, closed, chatter.Seconds())
			b.Touches = touches
			const fold = 4
			signal, err := b.Signal(rate * fold)
			if err != nil {
				return usagef("%s", unprefixed(err))
			}
			limit, err := synth.NewKernel("sharp")
			if err != nil {
				return err
			}
			last := touches[len(touches)-1].AtS
			rec := synth.Recording{Rate: dsp.Rate(rate), Frames: int64((last + 1) * rate), Bits: 16, Fold: fold, Limit: limit, Signals: []synth.Signal{signal},
				Channels: []synth.Channel{{Feeds: []synth.Feed{{Signal: 0, Gain: 1}}, ACHz: coupling, HumPeak: hum, HumHz: 50, NoiseRMS: math.Pow(10, -snr/20), Seed: seed}}}
			src, err := rec.Source()
			if err != nil {
				return usagef("%s", unprefixed(err))
			}
			outs := &outputs{stdout: stdout}
			outs.add("--out", out, nil)
			outs.add("--truth", truth, func(w io.Writer) error {
				if _, err := fmt.Fprintf(w, "# contact tone of %g Hz by the recorder's clock, level %g, %g Ω in series, leads %g Ω, input %g Ω; coil %g H, %g Ω, loss %g Ω; condenser %g F\n# closed contacts %g Ω and up; touching and parting for %v; hum %g, noise %g dB, coupling %g Hz, seed %d\ntime_s,state\n",
					b.ToneHz, b.Level, b.SeriesOhm, b.LeadOhm, b.InputOhm, b.CoilH, b.CoilOhm, b.LossOhm, b.CondenserF, closed, chatter, hum, -snr, coupling, seed); err != nil {
					return err
				}
				for _, m := range made {
					state := "closed"
					if m.Open {
						state = "open"
					}
					if _, err := fmt.Fprintf(w, "%.9f,%s\n", m.AtS, state); err != nil {
						return err
					}
				}
				return nil
			})
			if !outs.usesStdout() {
				outs.add("the text", "-", func(w io.Writer) error {
					_, err := fmt.Fprintf(w, "%s: %.1f s, %g Hz, %d openings and closings\n", out, float64(rec.Frames)/rate, rate, len(made))
					return err
				})
			}
			if err := outs.check("-"); err != nil {
				return err
			}
			return outs.commitRecording(func(f *os.File) error {
				return writeWAV(cmd.Context(), f, scene.Spec{RateHz: rate, Bits: 16}, src)
			})
		},
	}
	f := cmd.Flags()
	f.SortFlags = false
	f.StringVar(&out, "out", "", "the recording to write, a WAV `FILE`")
	f.Var(fileFlag{&truth}, "truth", "the table of true changes to write, CSV")
	f.IntVar(&changes, "changes", changes, "openings and closings by turns: `N`")
	f.DurationVar(&chatter, "chatter", chatter, "how long they touch and part before they stay: `DUR`")
	f.Var(boundFlag{&b.ToneHz, tone.LeastHz, tone.MostHz, "Hz", "HZ"}, "tone", "its frequency (default 3025)")
	f.Var(boundFlag{&b.Level, 0, 10, "full scale", "PART"}, "level", "of the output without load, part of the input's full scale\n(default 0.8)")
	f.Var(boundFlag{&b.SeriesOhm, 1, 1e5, "ohms", "OHM"}, "series", "series resistor (default 100)")
	f.Var(boundFlag{&b.LeadOhm, 0.001, 100, "ohms", "OHM"}, "lead", "leads and the small resistor (default 1.1)")
	f.Var(boundFlag{&closed, 0.001, 100, "ohms", "OHM"}, "closed", "closed contacts: from this to three times this (default 0.05)")
	f.Var(boundFlag{&coilMH, 0, 10000, "millihenries", "MH"}, "coil-inductance", "of a coil across them (default: none)")
	f.Var(boundFlag{&b.CoilOhm, 0, 1000, "ohms", "OHM"}, "coil-resistance", "of its winding")
	f.Var(boundFlag{&b.LossOhm, 0, 1e6, "ohms", "OHM"}, "coil-loss", "beside its inductance (default: no loss)")
	f.Var(boundFlag{&condenserUF, 0, 100, "microfarads", "UF"}, "condenser", "across the contacts (default: none)")
	f.Var(boundFlag{&hum, 0, 1, "full scale", "PART"}, "hum", "mains hum, part of full scale (default 0.01)")
	f.Var(boundFlag{&snr, 0, 300, "dB", "DB"}, "noise-below", "noise, dB below full scale, rms (default 80)")
	f.Var(boundFlag{&coupling, 0, 1000, "Hz", "HZ"}, "coupling", "corner of the input's coupling (default 8)")
	f.Var(boundFlag{&clock, -10000, 10000, "ppm", "PPM"}, "clock-error", "how much slower the player's clock runs than the recorder's\n(default 0)")
	f.Var(boundFlag{&rate, 8000, 192000, "samples per second", "HZ"}, "rate", "samples per second (default 48000)")
	f.Uint64Var(&seed, "seed", seed, "seed `NUMBER`: the same number, the same recording")
	return cmd
}
