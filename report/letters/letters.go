// Package letters measures the letters of the type that pages are set in, and
// puts them in the order in which they stand on paper.
//
// The type is Liberation Sans: Latin, Greek and Cyrillic.
package letters

import (
	"bytes"
	"fmt"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/text/unicode/bidi"
)

// Faces are the two cuts of the type. They serve one goroutine at a time.
type Faces struct {
	regular, bold *sfnt.Font
	buf           sfnt.Buffer
}

// Load reads the type, which is part of the program.
func Load() (*Faces, error) {
	r, err := sfnt.Parse(liberationsansregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("letters: the regular type: %w", err)
	}
	b, err := sfnt.Parse(liberationsansbold.TTF)
	if err != nil {
		return nil, fmt.Errorf("letters: the bold type: %w", err)
	}
	return &Faces{regular: r, bold: b}, nil
}

func (f *Faces) cut(bold bool) *sfnt.Font {
	if bold {
		return f.bold
	}
	return f.regular
}

// Has says whether there is a letter for r.
func (f *Faces) Has(bold bool, r rune) bool {
	if r > 0xffff { // the writer of PDF takes no more than two bytes
		return false
	}
	i, err := f.cut(bold).GlyphIndex(&f.buf, r)
	return err == nil && i != 0
}

// HasAll says whether there is a letter for each of s.
func (f *Faces) HasAll(bold bool, s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return !f.Has(bold, r) })
}

// Width is how wide a line of the given size is, both mm.
func (f *Faces) Width(bold bool, s string, size float64) float64 {
	c := f.cut(bold)
	em := fixed.I(int(c.UnitsPerEm()))
	var sum fixed.Int26_6
	for _, r := range s {
		if !f.Has(bold, r) {
			r = Lacking
		}
		i, err := c.GlyphIndex(&f.buf, r)
		if err != nil {
			continue
		}
		a, err := c.GlyphAdvance(&f.buf, i, em, font.HintingNone)
		if err != nil {
			continue
		}
		sum += a
	}
	return size * float64(sum) / float64(em)
}

// Lacking stands in for a letter that the type has none of.
const Lacking = '□'

// Visual is s in the order in which it stands on paper, with boxes for letters
// that the type lacks. Scripts that join their letters are not joined.
func (f *Faces) Visual(bold bool, s string) string {
	s = strings.Map(func(r rune) rune {
		if !f.Has(bold, r) {
			return Lacking
		}
		return r
	}, s)
	return LeftToRight([]rune(s))
}

// LeftToRight puts what is written from right to left, in a line that as a
// whole runs from left to right, in the order in which it stands. It is the part
// of Unicode's annex 9 that names need: words and figures, no marks of
// embedding, no brackets to be mirrored.
func LeftToRight(r []rune) string {
	class := func(c rune) bidi.Class { p, _ := bidi.LookupRune(c); return p.Class() }
	backward := func(c rune) bool { k := class(c); return k == bidi.R || k == bidi.AL }
	figure := func(c rune) bool { k := class(c); return k == bidi.EN || k == bidi.AN }
	// decimal says whether r[i] is a point or comma within a number.
	decimal := func(i int) bool {
		return i > 0 && i+1 < len(r) && class(r[i]) == bidi.CS && figure(r[i-1]) && figure(r[i+1])
	}
	var out []rune
	for i := 0; i < len(r); {
		if !backward(r[i]) {
			out = append(out, r[i])
			i++
			continue
		}
		// As far as the last such letter or figure before other letters.
		stop := i + 1
		for j := i + 1; j < len(r) && class(r[j]) != bidi.L; j++ {
			if backward(r[j]) || figure(r[j]) || class(r[j]) == bidi.NSM {
				stop = j + 1
			}
		}
		// From the back, but figures, and marks behind their letter, in order.
		for end := stop; end > i; {
			from := end - 1
			for from > i && (class(r[from]) == bidi.NSM || figure(r[from]) && figure(r[from-1]) || decimal(from) || decimal(from-1)) {
				from--
			}
			out = append(out, r[from:end]...)
			end = from
		}
		i = stop
	}
	return string(out)
}

// TTF is a copy of the type's file, for a writer that embeds it.
func TTF(bold bool) []byte {
	if bold {
		return bytes.Clone(liberationsansbold.TTF)
	}
	return bytes.Clone(liberationsansregular.TTF)
}
