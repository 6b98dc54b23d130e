package history

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func entry(n int64, day, mean float64) Entry {
	return Entry{Number: n, Day: day, Advance: &mean, Reference: "r"}
}

func entries(x, y []float64) (out []Entry) {
	for i := range x {
		out = append(out, entry(int64(i+1), x[i], y[i]))
	}
	return out
}

// ulps is for figures that scipy prints with 16 digits.
const ulps = 1e-11

// TestScipy holds the line to scipy 1.10, stats.linregress(x, y) and
// stats.t.ppf(0.975, 4): slope and its ± times 30, the line's ends, and the
// root of the sum of squares about it over 4.
func TestScipy(t *testing.T) {
	c, left := Of(entries([]float64{0, 12, 31, 45.5, 70, 98}, []float64{18.1, 18.0, 17.7, 17.75, 17.2, 17.0}))
	if left != 0 || len(c.Stretches) != 1 || c.Stretches[0].Line == nil {
		t.Fatalf("%+v", c)
	}
	l := c.Stretches[0].Line
	for name, v := range map[string][2]float64{
		"slope": {l.PerMonth, -0.3507102828098531}, "its ±": {l.PerMonthHalf, 0.10317265033380858},
		"begin": {l.FromDeg, 18.124762153004042}, "end": {l.ToDeg, 16.979108562491856}, "residual": {l.Residual, 0.10149411633036065},
	} {
		if math.Abs(v[0]-v[1]) > ulps {
			t.Errorf("%s %v, want %v", name, v[0], v[1])
		}
	}
	if !l.Shown || l.N != 6 || l.Days != 98 {
		t.Errorf("%+v", l)
	}
}

// TestHonest: no line through too few, over an adjustment, or over another
// reference.
func TestHonest(t *testing.T) {
	x := []float64{0, 10, 20, 30, 40, 50}
	y := []float64{18, 18.1, 18, 17.9, 18, 18.05}
	change := func(i int, f func(*Entry)) []Entry {
		e := entries(x, y)
		f(&e[i])
		return e
	}
	sameDay := entries(x, y)
	for i := range sameDay {
		sameDay[i].Day = float64(i / 2)
	}
	for name, c := range map[string]struct {
		e         []Entry
		stretches int
		line      bool // in the last
		left      int
	}{
		"six":                 {entries(x, y), 1, true, 0},
		"five":                {entries(x[:5], y), 1, true, 0},
		"four":                {entries(x[:4], y), 1, false, 0},
		"three days":          {sameDay, 1, false, 0},
		"adjusted":            {change(3, func(e *Entry) { e.Marks = []string{"After"} }), 2, false, 0},
		"adjusted, then five": {change(1, func(e *Entry) { e.Marks = []string{"after"} }), 2, true, 0},
		"before":              {change(3, func(e *Entry) { e.Marks = []string{"before"} }), 1, true, 0},
		"another reference":   {change(5, func(e *Entry) { e.Reference = "s" }), 2, false, 0},
		"one is relative":     {change(5, func(e *Entry) { e.Relative = true }), 1, true, 1},
		"no mean":             {change(5, func(e *Entry) { e.Advance = nil }), 1, true, 1},
	} {
		got, left := Of(c.e)
		last := got.Stretches[len(got.Stretches)-1]
		if len(got.Stretches) != c.stretches || (last.Line != nil) != c.line || left != c.left || (last.NoLine == "") != c.line {
			t.Errorf("%s: %d stretches, line %v (%s), %d left out", name, len(got.Stretches), last.Line, last.NoLine, left)
		}
	}
	if c, _ := Of(entries(x, y)); c.Stretches[0].Line.Shown {
		t.Error("a slope is shown where there is none")
	}
	if c, left := Of(nil); len(c.Entries) != 0 || left != 0 {
		t.Error("nothing")
	}
}

func TestOtherSpeeds(t *testing.T) {
	at := func(e Entry, lo, hi float64) Entry {
		e.MinRPM, e.MaxRPM = &lo, &hi
		return e
	}
	for _, c := range []struct {
		lo, hi float64
		want   bool
	}{{1400, 4000, false}, {1500, 4200, false}, {1400, 2500, true}, {2600, 4000, true}} {
		got, _ := Of([]Entry{at(entry(1, 0, 18), 1400, 4000), at(entry(2, 1, 18), c.lo, c.hi)})
		if got.OtherSpeeds != c.want {
			t.Errorf("1400-4000 and %g-%g: %t", c.lo, c.hi, got.OtherSpeeds)
		}
	}
}

// TestTurns: the order of the entries makes no difference, nor does half a turn.
func TestTurns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(5, 12).Draw(t, "n")
		var e, far []Entry
		day := 0.0
		for i := range n {
			day += rapid.Float64Range(1, 20).Draw(t, "days on")
			mean := rapid.Float64Range(-3, 3).Draw(t, "mean")
			e = append(e, entry(int64(i), day, mean))
			m := mean + 179
			if m > 180 {
				m -= 360
			}
			far = append(far, entry(int64(i), day, m))
		}
		a, _ := Of(e)
		b, _ := Of(rapid.Permutation(e).Draw(t, "order"))
		c, _ := Of(far)
		x, y, z := a.Stretches[0].Line, b.Stretches[0].Line, c.Stretches[0].Line
		if x == nil || y == nil || z == nil || math.Abs(x.PerMonth-y.PerMonth) > 1e-9 || math.Abs(x.PerMonth-z.PerMonth) > 1e-6 || math.Abs(x.PerMonthHalf-z.PerMonthHalf) > 1e-6 {
			t.Fatalf("%+v\n%+v\n%+v", x, y, z)
		}
	})
}
