package print

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"sparkscope/report/letters"
)

// oddNames are names that something may stumble over.
var oddNames = []string{
	"", "Bench engine", "Двигатель", "שלום 3.5 12", "中文", "😀\U0010ffff", "a\x00b\xff\n", "<&>\"'",
	")(\\", "\u202e\u2066x", "é̂", "]]>", "٣٫٥", strings.Repeat("M", 200), strings.Repeat("S", 20000),
}

// TestOddNames puts them on a sheet: both files are whole, and the SVG is XML
// that holds what the name comes to.
func TestOddNames(t *testing.T) {
	for _, name := range oddNames {
		d := must(Pointer(PointerOptions{Engine: name}))
		var b bytes.Buffer
		if err := d.WritePDF(&b); err != nil || !bytes.HasSuffix(bytes.TrimSpace(b.Bytes()), []byte("%%EOF")) {
			t.Fatalf("%q: the PDF is not whole: %v", name, err)
		}
		b.Reset()
		if err := d.WriteSVG(&b, 1); err != nil {
			t.Fatal(err)
		}
		var all strings.Builder
		for dec := xml.NewDecoder(&b); ; {
			tok, err := dec.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%q: the SVG is not XML: %v", name, err)
			}
			if c, ok := tok.(xml.CharData); ok {
				all.Write(c)
			}
		}
		want := []rune(clean(name))
		if want = want[:min(len(want), 20)]; !strings.Contains(all.String(), string(want)) {
			t.Errorf("%q: not on the sheet", name)
		}
	}
}

// FuzzName: whatever a name holds, putting it in order loses no letter that the
// type has, and no line of it is wider than its room.
func FuzzName(f *testing.F) {
	for _, s := range oddNames {
		f.Add(s)
	}
	d, err := newDocument("")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, name string) {
		name = clean(name)
		before := []rune(strings.Map(func(r rune) rune {
			if !d.faces.Has(false, r) {
				return letters.Lacking
			}
			return r
		}, name))
		after := []rune(d.faces.Visual(false, name))
		slices.Sort(before)
		slices.Sort(after)
		if !slices.Equal(before, after) {
			t.Errorf("%q stands as %q", name, d.faces.Visual(false, name))
		}
		const room = 40.0
		st := style{size: 3}
		lines := d.wrap(name, room, st)
		for _, l := range append(lines, d.cut(name, room, st)) {
			if d.room(false, l, 3) > room {
				t.Errorf("%q: the line %q does not go into %g mm", name, l, room)
			}
		}
		if got, want := strings.Join(lines, ""), strings.ReplaceAll(name, " ", ""); strings.ReplaceAll(got, " ", "") != want {
			t.Errorf("%q is broken into %q", name, lines)
		}
	})
}
