package enginefile

import (
	"bytes"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// byteOrderMark is what some editors put before a text; it says nothing.
const byteOrderMark = "\xef\xbb\xbf"

var (
	aHeader   = regexp.MustCompile(`^\s*\[+\s*["']?([A-Za-z_.]+)`)
	aKey      = regexp.MustCompile(`^\s*([A-Za-z_.]+)\s*([=:]?)\s*(.*)$`)
	aComma    = regexp.MustCompile(`^[-+]?\d*,\d+\s*(#.*)?$`)
	aUnit     = regexp.MustCompile(`^[-+]?[\d.]+\s*[^\s\d.,#_eE][^#]*(#.*)?$`)
	aNoDigit  = regexp.MustCompile(`^[-+]?(\.\d|\d+\.(\s|#|$))`)
	aLeading0 = regexp.MustCompile(`^[-+]?0\d`)
)

// unreadable says what is wrong with a line that is no TOML; said is what the
// parser says of it.
func unreadable(doc []byte, line int, said string) *Problem {
	if bytes.HasPrefix(doc, []byte("\xff\xfe")) || bytes.HasPrefix(doc, []byte("\xfe\xff")) {
		return problem(line, "", "this is text in UTF-16: save it as UTF-8")
	}
	lines := strings.Split(string(doc), "\n")
	if line < 1 || line > len(lines) {
		return problem(line, "", "this is not TOML: %s", said)
	}
	text := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\t' {
			return '?'
		}
		return r
	}, strings.TrimSpace(lines[line-1]))
	switch {
	case bytes.IndexByte(doc, 0) >= 0:
		return problem(line, "", "this is not TOML: it is no text at all")
	case !utf8.ValidString(lines[line-1]):
		return problem(line, "", "a character here is not UTF-8: save the file as UTF-8")
	}
	m := aKey.FindStringSubmatch(text)
	if name, ok := strings.CutPrefix(said, "key "); ok && strings.HasSuffix(name, " is already defined") {
		name = strings.TrimSuffix(name, " is already defined")
		return problem(line, name, "this is not TOML: %s stands there twice: want it once", name)
	}
	if name, ok := strings.CutPrefix(said, "table "); ok && strings.HasSuffix(name, " already exists") {
		name = strings.TrimSuffix(name, " already exists")
		return problem(line, "", "this is not TOML: [%s] stands there twice: want it once, with all its keys below", name)
	}
	if strings.HasPrefix(text, "[") && !strings.Contains(text, "]") || !strings.HasPrefix(text, "[") && strings.HasSuffix(text, "]") && m != nil && m[2] == "" {
		return problem(line, "", "this is not TOML: want the name of a table in square brackets, such as [engine], not %.40q", text)
	}
	table := ""
	for _, l := range lines[:line-1] {
		if h := aHeader.FindStringSubmatch(l); h != nil {
			table = h[1] + "."
		}
	}
	if m == nil || !known(table+m[1]) {
		if strings.Contains(said, "'=' after key") {
			return problem(line, "", "this is not TOML: want a key, = and its value, a [table], or a remark behind a #, not %.40q", text)
		}
		return problem(line, "", "this is not TOML: %s", said)
	}
	name, value := table+m[1], m[3]
	want := ""
	for _, k := range append(append([]key{}, keys...), rowKeys...) {
		if k.name == name {
			want = k.want
		}
	}
	hint := ""
	switch {
	case m[2] != "=":
		return problem(line, name, "this is not TOML: want %s = value, not %.60q", m[1], text)
	case value == "" || strings.HasPrefix(value, "#"):
		return problem(line, name, "%s has no value: want %s, or a # before the line", name, want)
	case strings.ContainsAny(value, "“”„‘’«»"):
		hint = `, in straight quotes: "`
	case aComma.MatchString(value):
		hint = ", with a point, not a comma"
	case aNoDigit.MatchString(value):
		hint = ", with a figure on both sides of the point"
	case aLeading0.MatchString(value):
		hint = ", without a 0 before it"
	case strings.HasPrefix(want, "\"") || strings.Contains(want, "text"):
		if !strings.ContainsAny(value, `"'`) {
			hint = ", in quotes"
		}
	case aUnit.MatchString(value):
		hint = ", without a unit: it stands in the name"
	}
	if hint == "" {
		return problem(line, name, "this is not TOML: %s: %s; want %s", name, said, want)
	}
	return problem(line, name, "%s is %.40s: want %s%s", name, strings.TrimSpace(value), want, hint)
}
