package letters

import (
	"bytes"
	"math"
	"testing"

	"golang.org/x/image/font/sfnt"
)

// TestVisual: names in other alphabets, in the order in which they stand.
func TestVisual(t *testing.T) {
	f, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ in, want string }{
		{"plain", "plain"},
		{"Двигатель № 3", "Двигатель № 3"},
		{"Κινητήρας", "Κινητήρας"},
		// Unicode annex 9, its example of words in capitals for right to left:
		// "car means CAR." stands as "car means RAC.".
		{"car שלום.", "car םולש."},
		{"מנוע 12 שלום", "םולש 12 עונמ"},
		{"a שלום 3.5 b", "a 3.5 םולש b"},
		{"中文 b", "□□ b"},
		{"😀", "□"},
	} {
		// A point between figures belongs to the number.
		if got := f.Visual(false, c.in); got != c.want {
			t.Errorf("%q stands as %q, want %q", c.in, got, c.want)
		}
	}
}

// TestWidth: what a line measures: a figure is 1139 units wide of 2048 to the em,
// in either cut (from memory, of the types that this one is metrically equal to).
func TestWidth(t *testing.T) {
	f, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, bold := range []bool{false, true} {
		if got, want := f.Width(bold, "0123456789", 10), 10*10*1139.0/2048; math.Abs(got-want) > 0.01 {
			t.Errorf("ten figures: %.3f, want %.3f", got, want)
		}
	}
	if got := f.Width(false, "中", 1); got != f.Width(false, string(Lacking), 1) {
		t.Errorf("a letter that is lacking: %.3f, want that of its box", got)
	}
	if !f.HasAll(false, "Ω Я é °±µ□") || f.HasAll(false, "Ω中") || f.Has(true, 0x1f600) {
		t.Error("what it has is not what it says")
	}
}

// TestTTF: a copy each time, and a type that others read.
func TestTTF(t *testing.T) {
	a, b := TTF(true), TTF(true)
	if _, err := sfnt.Parse(a); err != nil {
		t.Fatal(err)
	}
	a[0] ^= 0xff
	if bytes.Equal(a, b) {
		t.Error("two callers share one copy")
	}
}
