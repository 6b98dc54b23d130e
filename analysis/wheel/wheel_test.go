package wheel

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/analysis/circle"
)

// exact allows for the last bits of numbers up to 360.
const exact = 1e-9

func TestParse(t *testing.T) {
	for _, c := range []struct {
		g    Graduation
		s    string
		want float64
	}{
		{Full, "0", 0}, {Full, "38.5", 38.5}, {Full, "360", 0}, {Full, "-10", 350}, {Full, "-360", 0}, {Full, "+7", 7},
		{Halves, "38b", 38}, {Halves, "38a", 322}, {Halves, "0", 0}, {Halves, "180", 180}, {Halves, "0b", 0}, {Halves, "0a", 0}, {Halves, "180a", 180},
		{Quarters, "38b", 38}, {Quarters, "38a", 322}, {Quarters, "10ab", 170}, {Quarters, "10bb", 190}, {Quarters, "90b", 90}, {Quarters, "90ab", 90}, {Quarters, "90a", 270}, {Quarters, "0bb", 180},
	} {
		got, err := c.g.Parse(c.s)
		if err != nil || math.Abs(got-c.want) > exact {
			t.Errorf("%s on %s: %v, %v: want %v", c.s, c.g, got, err, c.want)
		}
	}
	for _, c := range []struct {
		g       Graduation
		s, word string
	}{
		{Full, "", "number of degrees"}, {Full, "x", "number"}, {Full, "30,5", "comma"}, {Full, "400", "no degree"}, {Full, "38b", "no letters"}, {Full, "38°", "without a unit"},
		{Full, "nan", "number"}, {Full, "1e400", "number"}, {Full, "1-2", "number"},
		{Halves, "38", "38b"}, {Halves, "190b", "0 to 180"}, {Halves, "-5b", "0 to 180"}, {Halves, "10bb", "stands twice"}, {Halves, "10x", "stands twice"},
		{Quarters, "38", "38bb"}, {Quarters, "0", "up to four times"}, {Quarters, "95b", "0 to 90"},
	} {
		if v, err := c.g.Parse(c.s); err == nil || !strings.Contains(err.Error(), c.word) {
			t.Errorf("%q on %s: %v, %v: want a word on %q", c.s, c.g, v, err, c.word)
		}
	}
}

// What Format writes, Parse reads as the same place.
func TestFormatRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := Graduation(rapid.SampledFrom(Graduations()).Draw(t, "graduation"))
		place := float64(rapid.IntRange(0, 3599).Draw(t, "tenths")) / 10
		s := g.Format(place, 1)
		if got, err := g.Parse(s); err != nil || math.Abs(circle.Wrap(got-place)) > exact {
			t.Fatalf("%v on %s is %q, read as %v, %v", place, g, s, got, err)
		}
	})
	for place, want := range map[float64]string{0: "0", 10: "10b", 38.25: "38.25b", 180: "180", 260: "100a"} {
		if s := Halves.Figure(place); s != want {
			t.Errorf("%v is shown as %q: want %q", place, s, want)
		}
	}
	if s := Full.Format(359.97, 1); s != "0.0" {
		t.Errorf("359.97 to one decimal is %q: want 0.0", s)
	}
}

// Turning all readings turns their mean by as much and leaves their spread,
// across the wrap too.
func TestAverageTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.SliceOfN(rapid.Float64Range(-6, 6), 1, 8).Draw(t, "readings")
		by := rapid.Float64Range(-720, 720).Draw(t, "turn")
		a, err := Average(r)
		if err != nil {
			t.Fatal(err)
		}
		turned := make([]float64, len(r))
		for i, v := range r {
			turned[i] = math.Mod(v+by, 360)
		}
		b, err := Average(turned)
		if err != nil || math.Abs(circle.Wrap(b.Deg-a.Deg-by)) > exact || math.Abs(b.SD-a.SD) > 1e-7 || !(b.Deg >= 0 && b.Deg < 360) {
			t.Fatalf("turned by %v: %+v, %v: was %+v", by, b, err, a)
		}
	})
}

// R CircStats by way of scipy's tests (../shared/external/README.md): the
// circular mean of 355 5 2 359 10 350 is 0.167690146°. Average adds the mean
// deviation from it, which makes it the plain mean, 1/6°.
func TestAverageCircular(t *testing.T) {
	m, err := Average([]float64{355, 5, 2, 359, 10, 350})
	if err != nil || math.Abs(m.Deg-1.0/6) > exact || math.Abs(circle.Wrap(m.Deg-0.167690146)) > 0.0011 {
		t.Errorf("%+v, %v", m, err)
	}
	var apart *ApartError
	if _, err := Average([]float64{0, 180}); !errors.As(err, &apart) {
		t.Errorf("opposite readings: %v", err)
	}
	if _, err := Average([]float64{30, 30, 80}); !errors.As(err, &apart) || apart.Reading != 80 {
		t.Errorf("a misreading: %v", err)
	}
}

// FuzzParse holds the reader of figures to: a place on the circle that is
// written and read again as the same, or an error that says what is right.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"38b", "38.5", "-10", "90ab", "0bb", "1e3", "٣", "--1", "38b38", "+.5a", "0x1p4", "inf"} {
		f.Add(s, byte(0))
		f.Add(s, byte(1))
		f.Add(s, byte(2))
	}
	f.Fuzz(func(t *testing.T, s string, which byte) {
		g := Graduation(Graduations()[int(which)%3])
		v, err := g.Parse(s)
		if err != nil {
			if !strings.Contains(err.Error(), "want") && !strings.Contains(err.Error(), "say") {
				t.Fatalf("%q on %s: %v says nothing of what is right", s, g, err)
			}
			return
		}
		if !(v >= 0 && v < 360) {
			t.Fatalf("%q on %s: %v", s, g, v)
		}
		if again, err := g.Parse(g.Format(v, 9)); err != nil || math.Abs(circle.Wrap(again-v)) > 1e-8 {
			t.Fatalf("%q on %s is %v, written as %q, read as %v, %v", s, g, v, g.Format(v, 9), again, err)
		}
	})
}
