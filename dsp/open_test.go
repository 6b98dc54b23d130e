package dsp

import "testing"

// A pulse that goes on beyond a stop crosses it in a moment and stays there; one that was cut
// off before the converter, and only touches its stop, is now on one side of it, now on the other.
func TestGoesOn(t *testing.T) {
	const end, n = 20, 20 + 6*openFine
	points := func(open, shut func(b int) int) *openPoints {
		p := &openPoints{bins: make([][]openPoint, n), cut: make([]int, n)}
		for b := range n {
			p.bins[b] = make([]openPoint, open(b))
			p.cut[b] = shut(b)
			p.atEnd += p.cut[b]
		}
		return p
	}
	beyond := func(from, to int) func(b int) bool { return func(b int) bool { return b > end+from && b <= end+to } }
	for _, c := range []struct {
		name  string
		cut   func(b int) bool
		mixed func(b int) bool
		want  bool
	}{
		{"a top of one sample", beyond(0, openFine), beyond(0, 2), true},
		{"two tops", func(b int) bool { return beyond(0, 20)(b) || beyond(40, 60)(b) }, beyond(0, 3), true},
		{"about the stop for a sample", beyond(0, openFine), beyond(0, openFine), false},
		{"to and fro", func(b int) bool { return b > end && (b-end)/6%2 == 0 }, beyond(0, 0), false},
	} {
		p := points(func(b int) int {
			if c.mixed(b) || !c.cut(b) {
				return 6
			}
			return 0
		}, func(b int) int {
			if c.cut(b) {
				return 6
			}
			return 0
		})
		if got := p.goesOn(end); got != c.want {
			t.Errorf("%s: goes on %v, want %v", c.name, got, c.want)
		}
		// The same where most samples stop short of the converter's end.
		p.before = p.atEnd
		if p.goesOn(end) {
			t.Errorf("%s, cut off by an amplifier: goes on", c.name)
		}
	}
}
