package enginefile

import (
	"bytes"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Setting is a value to be put into a file.
type Setting struct {
	Key     string  // of a number, a word or a text: one of the constants
	Value   float64 // of a number
	Decimal int     // digits after the point of a number, one at least; none where it must be whole
	Note    string  // how it was found, one line, a remark beside it; empty: none
	Word    string  // of a word or a text; Value and Decimal then mean nothing
}

// Text is the value as it is written.
func (s Setting) Text() string {
	k, _ := keyOf(s.Key)
	switch kindOf(k) {
	case aWord:
		return quote(s.Word)
	case aWhole:
		return strconv.FormatFloat(s.Value, 'f', 0, 64)
	}
	t := strconv.FormatFloat(s.Value, 'f', max(1, s.Decimal), 64)
	if strings.Trim(t, "-0.") == "" {
		t = strings.TrimPrefix(t, "-")
	}
	return t
}

// kind is what sort of value a key has.
type kind int

const (
	aNumber kind = iota
	aWhole       // number
	aWord        // or a text
	aList
)

func kindOf(k key) kind {
	if k.at == nil {
		return aNumber
	}
	switch k.at(&File{}).(type) {
	case **int64:
		return aWhole
	case **string:
		return aWord
	case **float64:
		return aNumber
	}
	return aList
}

// SettingOf is a setting whose value is text, as somebody types it: a number in
// the key's unit, to as many digits as were typed, or a word. The error says what
// would be right.
func SettingOf(name, text string) (Setting, error) {
	k, ok := keyOf(name)
	if !ok {
		return Setting{}, unknownKey(0, name)
	}
	s := Setting{Key: name}
	text = strings.TrimSpace(text)
	switch kindOf(k) {
	case aList:
		return s, problem(0, name, "%s has several values: write it into the file by hand", name)
	case aWord:
		if s.Word = text; k.short && !oneLine(text) || k.words != nil && !slices.Contains(k.words, text) {
			return s, bad(0, name, "", fmt.Sprintf("%.60q", text), k.want)
		}
		return s, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !k.allowed(v) || kindOf(k) == aWhole && v != math.Trunc(v) {
		return s, bad(0, name, "", fmt.Sprintf("%.60q", text), k.want)
	}
	s.Value = v
	for _, written := range []string{text, strconv.FormatFloat(v, 'f', -1, 64)} {
		if _, digits, ok := strings.Cut(written, "."); ok && !strings.ContainsAny(written, "eE") {
			s.Decimal = max(s.Decimal, min(9, len(digits)))
		}
	}
	return s, nil
}

// quote writes a text as TOML does on one line.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// noteMark begins the remarks that Set writes, and so those it may replace.
const noteMark = "# by "

// Set puts values into a file and returns the changed one: doc may be empty.
// Remarks, the order of the keys, and everything else stay as they are. The
// result is read again: where it does not hold exactly the old values and the
// new ones, there is an error and no result.
func Set(doc []byte, settings []Setting) ([]byte, error) {
	before, _, err := parse(doc)
	if err != nil {
		return nil, err
	}
	out, mark := bytes.CutPrefix(doc, []byte(byteOrderMark))
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
		if err := s.into(&want); err != nil {
			return nil, err
		}
	}
	if !reflect.DeepEqual(after, want) {
		return nil, byHand(settings)
	}
	if mark {
		out = append([]byte(byteOrderMark), out...)
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

// into is what the setting says, in a file that is read.
func (s Setting) into(f *File) error {
	k, _ := keyOf(s.Key)
	switch p := k.at(f).(type) {
	case **string:
		*p = &s.Word
	case **int64:
		v, err := strconv.ParseInt(s.Text(), 10, 64)
		if err != nil {
			return fmt.Errorf("enginefile: %s is %g: want %s", s.Key, s.Value, k.want)
		}
		*p = &v
	case **float64:
		v, err := strconv.ParseFloat(s.Text(), 64)
		if err != nil {
			return fmt.Errorf("enginefile: %s is %g: want %s", s.Key, s.Value, k.want)
		}
		*p = &v
	}
	return nil
}

// put sets one value.
func put(doc []byte, s Setting) ([]byte, error) {
	k, ok := keyOf(s.Key)
	if !ok || kindOf(k) == aList {
		return nil, fmt.Errorf("enginefile: %q is no key of a single value", s.Key)
	}
	if !utf8.ValidString(s.Word) || !utf8.ValidString(s.Note) || strings.ContainsFunc(s.Note, unicode.IsControl) {
		return nil, fmt.Errorf("enginefile: %s: want plain text, the remark on one line", s.Key)
	}
	if is := kindOf(k); is != aWord && !k.allowed(s.Value) || is == aWhole && s.Value != math.Trunc(s.Value) {
		return nil, fmt.Errorf("enginefile: %s is %g: want %s", s.Key, s.Value, k.want)
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
	// Below the line in which it stands behind a #, as an example; else behind
	// the last key of the table under its own header, or that header.
	if i := lay.example(doc, table, key); i >= 0 {
		if !bytes.HasSuffix(doc[:i], []byte("\n")) {
			line = newline + line
		}
		return splice(doc, i, i, line+newline), nil
	}
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
				if k.inline && !strings.Contains(k.name, "[") {
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

// example is where the line ends in which a key stands as an example, behind a #
// and below its table's own header: the first such line; -1: there is none.
func (l layout) example(doc []byte, table, name string) int {
	for i, h := range l.headers {
		if h.name != table {
			continue
		}
		stop := len(doc)
		if i+1 < len(l.headers) {
			stop = bytes.LastIndexByte(doc[:l.headers[i+1].end], '\n') + 1
		}
		for at := h.end; at < stop; {
			end := stop
			if n := bytes.IndexByte(doc[at:stop], '\n'); n >= 0 {
				end = at + n + 1
			}
			rest, is := strings.CutPrefix(strings.TrimSpace(string(doc[at:end])), "#")
			rest, named := strings.CutPrefix(strings.TrimLeft(rest, " \t"), name)
			within := slices.ContainsFunc(l.keys, func(k place) bool { return k.from < end && at < k.end })
			if is && named && strings.HasPrefix(strings.TrimLeft(rest, " \t"), "=") && !within {
				return end
			}
			at = end
		}
	}
	return -1
}

// splice returns doc with [from, to) replaced; doc stays as it is.
func splice(doc []byte, from, to int, text string) []byte {
	out := make([]byte, 0, len(doc)+len(text))
	out = append(out, doc[:from]...)
	out = append(out, text...)
	return append(out, doc[to:]...)
}
