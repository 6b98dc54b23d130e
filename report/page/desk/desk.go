// Package desk answers what the page of the live instrument asks.
//
// It is the whole instrument but for the browser: samples are pushed in, and
// questions are asked by name, JSON in and JSON out. It starts no goroutine and
// reads no clock, so that it runs in a page's worker, and in tests.
package desk

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/known"
	"sparkscope/analysis/live"
	"sparkscope/dsp"
	"sparkscope/dsp/fingerprint"
	"sparkscope/report"
)

// engineName is what an engine file is called in what the page shows.
const engineName = "the set-up"

// Desk is one page's instrument. It is not safe for concurrent use.
type Desk struct {
	// Source is the recording that "measure" reads; it must be set before.
	Source io.Reader
	// Progress is told by "measure" how many seconds have been read; nil: nobody.
	Progress func(seconds float64)

	tables  *dsp.Tables // of all its detectors, which run one after the other
	doc     []byte
	file    enginefile.File
	session *live.Session
	rate    dsp.Rate
	watch   *live.Watch
	recent  *recent
	sum     *fingerprint.Sum // of what was heard since Start, whatever became of the set-up
	began   startQuestion
	again   int // times that the session was begun anew since the input had not settled
	last    live.Reading
	marks   live.Marks
	tone    *toneListener
}

// New makes a desk with an empty engine file.
func New() *Desk { return &Desk{tables: dsp.NewTables()} }

// Ask answers a question. argument and answer are JSON; the error is a sentence
// for the user.
func (d *Desk) Ask(question string, argument []byte) ([]byte, error) {
	if len(argument) == 0 {
		argument = []byte("{}")
	}
	f, ok := questions[question]
	if !ok {
		return nil, fmt.Errorf("there is no question %q", question)
	}
	a, err := f(d, argument)
	if err != nil {
		return nil, err
	}
	return json.Marshal(a)
}

// questions are all that may be asked.
var questions = map[string]func(*Desk, []byte) (any, error){
	"engine":  asked((*Desk).engine),
	"set":     asked((*Desk).set),
	"fields":  asked((*Desk).fields),
	"start":   asked((*Desk).start),
	"renew":   asked((*Desk).renew),
	"read":    asked((*Desk).read),
	"sparks":  asked((*Desk).sparks),
	"mark":    asked((*Desk).mark),
	"reset":   asked((*Desk).reset),
	"finish":  asked((*Desk).finish),
	"measure": asked((*Desk).measure),
	"tone":    asked((*Desk).toneStart),
	"heard":   asked((*Desk).toneRead),
	"bench":   asked((*Desk).bench),
}

// asked reads the argument before it asks.
func asked[A any](f func(*Desk, A) (any, error)) func(*Desk, []byte) (any, error) {
	return func(d *Desk, argument []byte) (any, error) {
		var a A
		r := json.NewDecoder(bytes.NewReader(argument))
		r.DisallowUnknownFields()
		if err := r.Decode(&a); err != nil {
			return nil, fmt.Errorf("the question cannot be read: %w", err)
		}
		return f(d, a)
	}
}

// setup is how to measure, from the engine file.
func (d *Desk) setup() (analysis.Setup, []analysis.Decision) {
	s := analysis.Setup{SparkKind: analysis.Clamp, ReferencePulses: 1}
	if len(bytes.TrimSpace(d.doc)) == 0 {
		return s, nil
	}
	said := known.Use(func(string) bool { return false }, &s, engineName, d.file)
	return s, said
}

type startQuestion struct {
	Rate     float64 `json:"rate_hz"`
	Channels int     `json:"channels"`
	Sparks   int     `json:"sparks"`
	// Keep: the mark stays, since it is the same engine on another input.
	Keep bool `json:"keep"`
}

// settleS is how long after its start a browser's input may still stumble: then
// everything begins anew, but so many times at most; seconds.
const (
	settleS   = 2.0
	mostAgain = 3
)

func (d *Desk) start(q startQuestion) (any, error) {
	if err := d.begin(q); err != nil {
		return nil, err
	}
	d.again, d.sum = 0, fingerprint.New(d.rate, q.Channels)
	return struct{}{}, nil
}

type renewed struct {
	Anew bool `json:"anew"` // what was read is forgotten, but for the mark
}

// renew takes the set-up as it is now. Where no angle is another by it, nothing is
// forgotten.
func (d *Desk) renew(none) (any, error) {
	if d.session == nil {
		return nil, errNoSession
	}
	if s, _ := d.setup(); d.session.Renew(s) {
		return renewed{false}, nil
	}
	q := d.began
	q.Keep = true
	if err := d.begin(q); err != nil {
		return nil, err
	}
	d.again = 0
	return renewed{true}, nil
}

func (d *Desk) begin(q startQuestion) error {
	s, _ := d.setup()
	if err := s.Validate(); err != nil {
		return plain(err)
	}
	for _, c := range []int{s.SparkChannel, s.ReferenceChannel} {
		if c > q.Channels {
			return fmt.Errorf("the set-up names channel %d, and the input has %d: correct spark.channel and reference.channel, or leave them empty to have them found", c, q.Channels)
		}
	}
	session, err := live.New(dsp.Rate(q.Rate), q.Channels, 0, s, live.Options{Sparks: q.Sparks, Tables: d.tables})
	if err != nil {
		return plain(err)
	}
	d.session, d.rate, d.last, d.tone = session, dsp.Rate(q.Rate), live.Reading{}, nil
	d.watch, d.recent, d.began = live.NewWatch(q.Channels), newRecent(d.rate, q.Channels), q
	if !q.Keep {
		d.marks = live.Marks{}
	}
	return nil
}

// Push takes the next samples, fractions of full scale, one slice per channel;
// at is the number of the first by the input's own count, or below 0 where it is
// not known. Without a session, or a tone to listen for, they are dropped.
//
// anew is with which of its frames the recording began anew, since the input had
// not settled before; below 0: it goes on.
func (d *Desk) Push(block [][]float32, at int64) (anew int) {
	anew = -1
	if len(block) == 0 || len(block[0]) == 0 {
		return anew
	}
	if d.tone != nil {
		d.tone.push(block)
	}
	if d.session == nil || len(block) != d.watch.Channels() {
		return anew
	}
	from := 0
	part := make([][]float32, len(block))
	push := func(to int) {
		if to > from {
			for c := range block {
				part[c] = block[c][from:to]
			}
			d.session.Push(part)
			d.recent.push(part)
			d.sum.Push(part, to-from)
			from = to
		}
	}
	for _, k := range d.watch.Look(block, at) {
		push(k)
		if d.again < mostAgain && d.rate.Seconds(float64(d.session.Samples())) < settleS {
			q := d.began
			q.Keep = true
			if err := d.begin(q); err == nil { // as it was before, with the same
				d.again++
				d.sum = fingerprint.New(d.rate, q.Channels)
				from, anew = k, k
				continue
			}
		}
		d.session.Break()
	}
	push(len(block[0]))
	return anew
}

type readQuestion struct {
	Want []string `json:"want"` // "strip", "curve", "wheel", "pulses"
	// LostS is for how long nothing had come before what comes next; 0: no gap.
	// SilentS is for how long nothing has come now. The desk knows no clock.
	LostS   float64 `json:"lost_s"`
	SilentS float64 `json:"silent_s"`
}

type readAnswer struct {
	Reading json.RawMessage  `json:"reading"` // report.ReadingSchema
	Words   report.LiveWords `json:"words"`
	Input   inputState       `json:"input"`
	Again   int              `json:"again"` // times that it began anew, with what came before forgotten
	Spark   int              `json:"spark_channel"`
	Ref     int              `json:"reference_channel"`
	Within  *float64         `json:"tolerance_deg"` // ± of the target
	Strip   []stripPoint     `json:"strip,omitempty"`
	Curve   []curvePoint     `json:"curve,omitempty"`
	Target  []targetPoint    `json:"target,omitempty"`
	Wheel   *wheelView       `json:"wheel,omitempty"`
	Pulses  *pulseView       `json:"pulses,omitempty"`
}

// inputState is what was noticed of the input.
type inputState struct {
	Silences int  `json:"silences"` // stretches of inserted silence
	Jumps    int  `json:"jumps"`    // of the input's own count
	Tears    int  `json:"tears"`    // of the engine's rhythm, as where samples are missing
	Still    bool `json:"still"`    // it is digitally silent so often that inserted silence cannot be told
	Same     bool `json:"same"`     // both channels carry one signal
	Mono     bool `json:"mono"`
}

var errNoSession = errors.New("nothing is being listened to: press Start first")

func (d *Desk) read(q readQuestion) (any, error) {
	if d.session == nil {
		return nil, errNoSession
	}
	if q.LostS > 0 {
		d.session.Lost(q.LostS)
	}
	r := d.session.ReadAfter(q.SilentS)
	d.last = r
	r.Findings = slices.Clone(r.Findings) // the session's own stay as they are
	for i := range r.Findings {
		r.Findings[i].Message = strings.Replace(onPage(r.Findings[i].Message), "; the event table says why for each", "", 1)
	}
	r.Why = onPage(r.Why)
	var b bytes.Buffer
	if err := report.LiveJSON(&b, r); err != nil {
		return nil, err
	}
	a := readAnswer{Reading: b.Bytes(), Words: report.WordsOf(r, d.marks), Spark: r.Setup.SparkChannel, Ref: r.Setup.ReferenceChannel}
	if r.HasTarget && r.Setup.Tolerance != nil {
		t := float64(*r.Setup.Tolerance)
		a.Within = &t
	}
	a.Input = inputState{Silences: d.watch.Silences(), Jumps: d.watch.Jumps(), Tears: d.session.Tears(), Still: d.watch.Still(), Mono: d.watch.Channels() == 1}
	a.Again = d.again
	a.Input.Same = r.Same
	for _, w := range q.Want {
		switch w {
		case "strip":
			a.Strip = stripOf(d.session.Strip())
		case "curve":
			a.Curve = curveOf(d.session.Curve())
			a.Target = targetsOf(r.Setup, a.Curve)
		case "wheel":
			a.Wheel = wheelOf(r, d.session.Strip())
		case "pulses":
			a.Pulses = d.pulses(r)
		default:
			return nil, fmt.Errorf("there is no view %q", w)
		}
	}
	return a, nil
}

type sparksQuestion struct {
	N int `json:"n"`
}

func (d *Desk) sparks(q sparksQuestion) (any, error) {
	if d.session != nil {
		d.session.SetSparks(q.N)
		d.began.Sparks = max(1, min(q.N, 1000))
	}
	return struct{}{}, nil
}

type none struct{}

func (d *Desk) mark(none) (any, error) {
	if !d.last.HasAngle {
		return nil, errors.New("there is no reading to mark yet")
	}
	d.marks.Set(d.last)
	word := "before"
	if d.marks.After != nil {
		word = "after"
	}
	return struct {
		Mark string `json:"mark"`
	}{word}, nil
}

func (d *Desk) reset(none) (any, error) {
	if d.session != nil {
		d.session.Reset()
	}
	d.marks, d.last = live.Marks{}, live.Reading{}
	return struct{}{}, nil
}

type finishQuestion struct {
	Name string `json:"name"` // what to call the recording
	// Whole: the recording was kept from its beginning. Else it gets no fingerprint,
	// since nobody has the samples any more that it would name.
	Whole bool `json:"whole"`
}

// finished is a whole measurement for the page.
type finished struct {
	Headline string          `json:"headline"`
	Text     string          `json:"text"`
	HTML     string          `json:"html"`
	Result   json.RawMessage `json:"result"` // report.Schema
}

func (d *Desk) finish(q finishQuestion) (any, error) {
	if d.session == nil {
		return nil, errNoSession
	}
	s := d.session
	d.session = nil
	r, err := s.Finish()
	if err != nil {
		return nil, plain(err)
	}
	if q.Whole {
		r.Recording.Fingerprint = d.sum.String()
	}
	return d.finishedOf(r, q.Name, d.markedRemarks())
}

// markedRemarks say what the mark came to, for the report: the two are means of a
// few sparks each as they were shown, and no whole measurements to set side by side.
func (d *Desk) markedRemarks() []string {
	if s := report.WordsOf(d.last, d.marks).Marked; s != "" {
		return []string{"Before and after, as read while listening: " + s}
	}
	return nil
}

// finishedOf is r for the page, under a name, with remarks of what was done.
func (d *Desk) finishedOf(r *analysis.Result, name string, remarks []string) (any, error) {
	_, said := d.setup()
	h := report.HandOver{Remarks: remarks}
	if e := d.file.Engine.Name; e != nil {
		h.Engine = *e
	}
	r.Recording.Path = name
	r.Decisions = known.SayOrigins(r.Decisions, said)
	for i := range r.Findings {
		r.Findings[i].Message = onPage(r.Findings[i].Message)
	}
	var text, html, result bytes.Buffer
	if err := errors.Join(report.Text(&text, r), h.HTML(&html, r), report.JSON(&result, r)); err != nil {
		return nil, err
	}
	// Some sentences are the outputs' own.
	return finished{report.Headline(r), onPage(text.String()), onPage(html.String()), result.Bytes()}, nil
}

// plain is an error without the names of packages.
func plain(err error) error {
	s := err.Error()
	for _, p := range []string{"analysis: ", "live: ", "wav: ", "dsp: ", "tone: ", "enginefile: ", "wheel: ", "report: ", "plot: "} {
		s = strings.ReplaceAll(strings.TrimPrefix(s, p), ": "+p, ": ")
	}
	return errors.New(onPage(s))
}
