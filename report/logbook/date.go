package logbook

import (
	"fmt"
	"time"
)

// Date is when something was recorded: a date alone, or a moment to the minute
// or second with the offset of the place where it was. It is shown as it was
// written there, wherever it is read.
type Date struct {
	text  string // RFC 3339, or its date alone
	unixS int64  // to sort by; a date alone sorts before every time of that day
}

// Origin says where the date of a recording comes from.
type Origin string

// Where a date comes from.
const (
	Given    Origin = "given" // by the user
	FileTime Origin = "file"  // when the file was last written to
	Added    Origin = "added" // when the result was added: nothing else is known
)

// earliestZone is by how many seconds a day begins earlier than in UTC where it
// begins first, at UTC+14.
const earliestZone = 14 * 3600

// ParseDate reads "2026-03-14", "2026-03-14T15:30" in the zone, or a moment of
// RFC 3339 with its own offset.
func ParseDate(s string, zone *time.Location) (Date, error) {
	if t, err := time.Parse(time.DateOnly, s); err == nil {
		return Date{s, t.Unix() - earliestZone}, nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return DateOf(t), nil
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02 15:04:05"} {
		if t, err := time.ParseInLocation(layout, s, zone); err == nil {
			return DateOf(t), nil
		}
	}
	return Date{}, fmt.Errorf("logbook: date %q: want year, month and day, such as 2026-03-14, or with the time, 2026-03-14T15:30", s)
}

// DateOf is a moment as a date, to the second, in its own zone.
func DateOf(t time.Time) Date {
	t = t.Truncate(time.Second)
	return Date{t.Format(time.RFC3339), t.Unix()}
}

// Text is the date as it is stored.
func (d Date) Text() string { return d.text }

// UnixS is the second since 1970 (UTC) that the date sorts by.
func (d Date) UnixS() int64 { return d.unixS }

// Days are the days from 1970 on, by the clock of the place where it was; a
// date alone is the beginning of that day.
func (d Date) Days() float64 {
	t, err := time.Parse(time.DateOnly, d.text)
	if err != nil {
		if t, err = time.Parse(time.RFC3339, d.text); err != nil {
			return float64(d.unixS) / 86400
		}
		_, offset := t.Zone()
		t = t.Add(time.Duration(offset) * time.Second)
	}
	return float64(t.Unix()) / 86400
}

// String is the date, and where it is known the time of day to the minute.
func (d Date) String() string {
	if len(d.text) < len("2006-01-02T15:04") {
		return d.text
	}
	return d.text[:10] + " " + d.text[11:16]
}

// Day is the date without the time of day.
func (d Date) Day() string {
	if len(d.text) < 10 {
		return d.text
	}
	return d.text[:10]
}
