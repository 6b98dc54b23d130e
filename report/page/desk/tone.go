package desk

import (
	"errors"

	"sparkscope/dsp"
	"sparkscope/dsp/tone"
)

// toneListener hears the contacts in a tone, on whichever channel has it.
type toneListener struct {
	rate      dsp.Rate
	detectors []*tone.Detector
	channel   int // from 0; -1: not known yet
	total     int64
	openings  int
	changes   []toneChange // the last few, newest last
	clipped   int64
}

// toneChange is a change of the contacts, for the page.
type toneChange struct {
	N       int     `json:"n"` // counted from 1
	State   string  `json:"state"`
	TimeS   float64 `json:"time_s"`
	WithinS float64 `json:"within_s"`
}

const mostChanges = 8 // shown

type toneQuestion struct {
	Rate     float64 `json:"rate_hz"`
	Channels int     `json:"channels"`
	ToneHz   float64 `json:"tone_hz"`
}

func (d *Desk) toneStart(q toneQuestion) (any, error) {
	l := &toneListener{rate: dsp.Rate(q.Rate), channel: -1}
	if q.Channels < 1 || q.Channels > 8 {
		return nil, errors.New("want 1 to 8 channels")
	}
	for range q.Channels {
		t, err := tone.New(l.rate, tone.Options{ToneHz: q.ToneHz})
		if err != nil {
			return nil, plain(err)
		}
		l.detectors = append(l.detectors, t)
	}
	d.tone, d.session = l, nil
	return struct{}{}, nil
}

func (l *toneListener) push(block [][]float32) {
	if len(block) != len(l.detectors) {
		return
	}
	l.total += int64(len(block[0]))
	for c, t := range l.detectors {
		changes := t.Push(block[c])
		if l.channel < 0 && t.Now().Locked {
			l.channel = c
		}
		if c != l.channel {
			continue
		}
		for _, x := range changes {
			if x.State == tone.Open {
				l.openings++
			}
			n := 1
			if k := len(l.changes); k > 0 {
				n = l.changes[k-1].N + 1
			}
			l.changes = append(l.changes, toneChange{n, x.State.String(), l.rate.Seconds(x.Pos), l.rate.Seconds(x.Within)})
			l.changes = l.changes[max(0, len(l.changes)-mostChanges):]
		}
	}
}

// toneAnswer is what is heard now.
type toneAnswer struct {
	TimeS    float64      `json:"time_s"`
	Locked   bool         `json:"locked"`
	State    string       `json:"state"`
	ToneHz   float64      `json:"tone_hz"`
	Channel  int          `json:"channel"`
	Level    float64      `json:"level"`
	Clipped  bool         `json:"clipped"`
	Openings int          `json:"openings"`
	Changes  []toneChange `json:"changes"`
}

func (d *Desk) toneRead(none) (any, error) {
	l := d.tone
	if l == nil {
		return nil, errors.New("no tone is being listened for")
	}
	a := toneAnswer{TimeS: l.rate.Seconds(float64(l.total)), State: tone.Unknown.String(), Openings: l.openings, Changes: l.changes}
	if l.channel >= 0 {
		now := l.detectors[l.channel].Now()
		a.Locked, a.State, a.ToneHz, a.Channel, a.Level = now.Locked, now.State.String(), now.ToneHz, l.channel+1, now.Level
		a.Clipped = now.Clipped > l.clipped
		l.clipped = now.Clipped
	}
	if a.Changes == nil {
		a.Changes = []toneChange{}
	}
	return a, nil
}
