package enginefile

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where a key of the file stands.
type place struct {
	name     string // with its table: "reference.angle_deg"
	table    string // of the header above it, "" above the first
	line     int    // from 1
	from, to int    // of the value, bytes
	end      int    // of the whole key = value, bytes
	inline   bool   // within { }
}

// header is a [table] line.
type header struct {
	name string
	end  int // of its brackets, bytes
}

// layout is where everything in a file stands, in its order.
type layout struct {
	keys    []place
	headers []header
}

func (l layout) find(key string) (place, bool) {
	for _, k := range l.keys {
		if k.name == key {
			return k, true
		}
	}
	return place{}, false
}

func (l layout) line(key string) int {
	k, _ := l.find(key)
	return k.line
}

// layoutOf walks through a file.
func layoutOf(doc []byte) (layout, error) {
	var l layout
	var p unstable.Parser
	p.Reset(doc)
	var table []string
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = table[:0]
			end := 0
			for k := e.Key(); k.Next(); {
				table = append(table, string(k.Node().Data))
				end = int(k.Node().Raw.Offset + k.Node().Raw.Length)
			}
			l.headers = append(l.headers, header{strings.Join(table, "."), end})
		case unstable.KeyValue:
			l.add(doc, table, table, e, false)
		}
	}
	if err := p.Error(); err != nil {
		return l, fmt.Errorf("enginefile: this is not TOML: %s", strings.TrimPrefix(err.Error(), "toml: "))
	}
	return l, nil
}

// add notes a key and, of one with a table in braces, the keys within.
func (l *layout) add(doc []byte, table, prefix []string, e *unstable.Node, inline bool) {
	name := slices.Clone(prefix)
	for k := e.Key(); k.Next(); {
		name = append(name, string(k.Node().Data))
	}
	v := e.Value()
	if v.Kind == unstable.InlineTable {
		for it := v.Children(); it.Next(); {
			l.add(doc, table, name, it.Node(), true)
		}
		return
	}
	from := int(v.Raw.Offset)
	l.keys = append(l.keys, place{
		name: strings.Join(name, "."), table: strings.Join(table, "."),
		line: 1 + bytes.Count(doc[:e.Raw.Offset], []byte("\n")),
		from: from, to: from + int(v.Raw.Length), end: int(e.Raw.Offset + e.Raw.Length), inline: inline,
	})
}

// Setting is a number to be put into a file.
type Setting struct {
	Key     string // one of the constants
	Value   float64
	Decimal int    // digits after the point
	Note    string // how it was found, a remark beside it; empty: none
}

// Text is the value as it is written.
func (s Setting) Text() string {
	t := strconv.FormatFloat(s.Value, 'f', max(1, s.Decimal), 64)
	if strings.Trim(t, "-0.") == "" {
		t = strings.TrimPrefix(t, "-")
	}
	return t
}

// noteMark begins the remarks that Set writes, and so those it may replace.
const noteMark = "# by "

// Set puts numbers into a file and returns the changed one: doc may be empty.
// Remarks, the order of the keys, and everything else stay as they are. The
// result is read again: where it does not hold exactly the old values and the
// new ones, there is an error and no result.
func Set(doc []byte, settings []Setting) ([]byte, error) {
	before, _, err := parse(doc)
	if err != nil {
		return nil, err
	}
	out := doc
	for _, s := range settings {
		if out, err = put(out, s); err != nil {
			return nil, err
		}
	}
	after, _, err := parse(out)
	if err != nil {
		return nil, err
	}
	want := before
	for _, s := range settings {
		v, err := strconv.ParseFloat(s.Text(), 64)
		if err != nil {
			return nil, fmt.Errorf("enginefile: %s: %w", s.Key, err)
		}
		for _, n := range numbers {
			if n.key == s.Key {
				*n.at(&want) = &v
			}
		}
	}
	if !same(after, want) {
		return nil, byHand(settings)
	}
	return out, nil
}

// byHand is the answer where a file is written in a way that cannot be changed
// safely.
func byHand(settings []Setting) error {
	var lines []string
	for _, s := range settings {
		lines = append(lines, s.Key+" = "+s.Text())
	}
	return fmt.Errorf("enginefile: it is written in a way that cannot be changed safely: write %s into it by hand", strings.Join(lines, " and "))
}

// same compares two files value by value.
func same(a, b File) bool {
	for _, n := range numbers {
		x, y := *n.at(&a), *n.at(&b)
		if (x == nil) != (y == nil) || x != nil && *x != *y {
			return false
		}
	}
	eq := func(x, y *string) bool { return (x == nil) == (y == nil) && (x == nil || *x == *y) }
	p, q := a.Reference.Pulses, b.Reference.Pulses
	return eq(a.Reference.Kind, b.Reference.Kind) && (p == nil) == (q == nil) && (p == nil || *p == *q)
}

// put sets one number.
func put(doc []byte, s Setting) ([]byte, error) {
	if !slices.ContainsFunc(numbers, func(n number) bool { return n.key == s.Key }) {
		return nil, fmt.Errorf("enginefile: %q is no key of a number", s.Key)
	}
	lay, err := layoutOf(doc)
	if err != nil {
		return nil, err
	}
	newline := "\n"
	if bytes.Contains(doc, []byte("\r\n")) {
		newline = "\r\n"
	}
	note := ""
	if s.Note != "" {
		note = " " + noteMark + s.Note
	}
	if k, ok := lay.find(s.Key); ok {
		rest := doc[k.to:]
		stop := bytes.IndexAny(rest, "\r\n")
		if stop < 0 {
			stop = len(rest)
		}
		if old := strings.TrimLeft(string(rest[:stop]), " \t"); !k.inline && (old == "" || strings.HasPrefix(old, noteMark)) {
			return splice(doc, k.from, k.to+stop, s.Text()+note), nil
		}
		return splice(doc, k.from, k.to, s.Text()), nil
	}
	table, key, _ := strings.Cut(s.Key, ".")
	line := key + " = " + s.Text() + note
	// Behind the last key of the table under its own header, or that header.
	at := -1
	for _, h := range lay.headers {
		if h.name == table {
			at = h.end
		}
	}
	if at >= 0 {
		for _, k := range lay.keys {
			if k.table == table {
				at = max(at, k.end)
			}
		}
	} else {
		for _, k := range lay.keys {
			if k.table == "" && strings.HasPrefix(k.name, table+".") {
				if k.inline {
					return nil, byHand([]Setting{s})
				}
				at = k.end
				line = s.Key + " = " + s.Text() + note
			}
		}
	}
	if at >= 0 {
		stop := bytes.IndexByte(doc[at:], '\n')
		if stop < 0 {
			return splice(doc, len(doc), len(doc), newline+line+newline), nil
		}
		return splice(doc, at+stop+1, at+stop+1, line+newline), nil
	}
	lead := ""
	switch {
	case len(doc) == 0:
	case !bytes.HasSuffix(doc, []byte("\n")):
		lead = newline + newline
	case !bytes.HasSuffix(doc, []byte("\n\n")) && !bytes.HasSuffix(doc, []byte("\n\r\n")):
		lead = newline
	}
	return splice(doc, len(doc), len(doc), lead+"["+table+"]"+newline+line+newline), nil
}

// splice returns doc with [from, to) replaced; doc stays as it is.
func splice(doc []byte, from, to int, text string) []byte {
	out := make([]byte, 0, len(doc)+len(text))
	out = append(out, doc[:from]...)
	out = append(out, text...)
	return append(out, doc[to:]...)
}
