package report

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
)

// ContactsSchema names the layout of the lines that ContactJSON writes.
const ContactsSchema = "sparkscope.contacts/1"

// ContactEvent is something that was heard in a contact tone.
type ContactEvent struct {
	Event        string  // "tone": it was found; "change"; "end" of the recording
	Channel      int     // from 1
	State        string  // "unknown", "closed", "open" or "lost"
	Before       string  // of a change
	TimeS        float64 // from the start of the recording
	WithinS      float64 // of a change: by how much TimeS may be off
	SeenS        float64 // of a change: when it was beyond doubt
	FirstS       float64 // of a change: the first touch or parting on the way to it
	FirstWithinS float64
	ToneHz       float64
	Level        float64 // peak, fraction of full scale
	OpenLevel    float64 // 0: not known
	ClosedLevel  float64 // 0: not known
	Clipped      int64   // samples at full scale so far
	Openings     int     // so far
	Changes      int     // so far
}

type jsonContact struct {
	Schema       string   `json:"schema"`
	Event        string   `json:"event"`
	TimeS        float64  `json:"time_s"`
	WithinS      *float64 `json:"within_s,omitempty"`
	State        string   `json:"state"`
	Before       string   `json:"before,omitempty"`
	FirstS       *float64 `json:"first_s,omitempty"`
	FirstWithinS *float64 `json:"first_within_s,omitempty"`
	SeenS        *float64 `json:"seen_s,omitempty"`
	Channel      int      `json:"channel"`
	ToneHz       float64  `json:"tone_hz"`
	Level        float64  `json:"level"`
	OpenLevel    *float64 `json:"open_level,omitempty"`
	ClosedLevel  *float64 `json:"closed_level,omitempty"`
	Clipped      int64    `json:"clipped_samples"`
	Openings     int      `json:"openings"`
	Changes      int      `json:"changes"`
}

// ContactJSON writes one event as one line.
func ContactJSON(w io.Writer, e ContactEvent) error {
	known := func(v float64) *float64 {
		if v > 0 {
			return &v
		}
		return nil
	}
	j := jsonContact{Schema: ContactsSchema, Event: e.Event, TimeS: e.TimeS, State: e.State, Channel: e.Channel, ToneHz: e.ToneHz, Level: e.Level,
		OpenLevel: known(e.OpenLevel), ClosedLevel: known(e.ClosedLevel), Clipped: e.Clipped, Openings: e.Openings, Changes: e.Changes}
	if e.Event == "change" {
		j.Before, j.WithinS, j.FirstS, j.FirstWithinS, j.SeenS = e.Before, &e.WithinS, &e.FirstS, &e.FirstWithinS, &e.SeenS
	}
	b, err := json.Marshal(j)
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

// ContactText writes one event as one line for people, or at the end a few.
func ContactText(w io.Writer, e ContactEvent) error {
	var b strings.Builder
	p := printer{&b}
	at := pad(number(e.TimeS, 3), 9) + " s  "
	switch e.Event {
	case "tone":
		p.line(fmt.Sprintf("A tone of %.1f Hz on channel %d. Open or closed? The first change tells.", e.ToneHz, e.Channel))
	case "change":
		line := at
		switch e.State {
		case "open", "closed":
			line += fmt.Sprintf("%-7s ±%s s", strings.ToUpper(e.State), number(e.WithinS, 3))
			if e.OpenLevel > 0 && e.ClosedLevel > 0 {
				line += fmt.Sprintf("   open %.0f dB above closed", 20*math.Log10(e.OpenLevel/e.ClosedLevel))
			}
			if e.FirstS < e.TimeS {
				line += fmt.Sprintf("   first at %s s ±%s", number(e.FirstS, 3), number(e.FirstWithinS, 3))
			}
		case "lost":
			line += "LOST    the tone is gone: a lead is off, or the player has stopped"
		default:
			line += "another tone is louder, and is listened to from here: open and close again"
		}
		p.line(line)
	case "end":
		if e.Changes == 0 {
			p.para("", "No change was heard: the contacts stayed as they were, open or closed. Open them by hand to see whether the level moves; if it does not, look at the wiring.")
		} else {
			word := "openings"
			if e.Openings == 1 {
				word = "opening"
			}
			p.para("", fmt.Sprintf("%d %s; at the end %s.", e.Openings, word, map[string]string{"open": "open", "closed": "closed", "lost": "the tone was gone", "unknown": "it was not known which"}[e.State]))
			if e.OpenLevel > 0.9 || e.Clipped > 0 {
				p.para("", fmt.Sprintf("The input clips (%d samples): turn the output or the input down.", e.Clipped))
			} else if e.OpenLevel > 0 && e.OpenLevel < 0.03 {
				p.para("", fmt.Sprintf("Open contacts use only %s of full scale: turn the output or the input up to a third.", percent(e.OpenLevel)))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Tone is a file with the contact tone.
type Tone struct {
	Path             string
	ToneHz, RateHz   float64
	Level            float64 // peak, part of full scale
	DurationS, RiseS float64
}

// ToneFile says what was written, and what to mind when playing it.
func ToneFile(w io.Writer, t Tone) error {
	var b strings.Builder
	p := printer{&b}
	p.para("", fmt.Sprintf("%s: %g Hz, %g of full scale (peak), %g s with a soft start and end of %g s, one channel, %g samples a second, 16 bit.", t.Path, t.ToneHz, t.Level, t.DurationS, t.RiseS, t.RateHz))
	p.gap()
	p.para("", "Ignition and battery off, spark plug out and its lead earthed, coil disconnected from the contacts. Turn the output down before you play it, and up until open contacts use a third of the input's full scale. No headphones on the ears: it is shrill.")
	_, err := io.WriteString(w, b.String())
	return err
}
