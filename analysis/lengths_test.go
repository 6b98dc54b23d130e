package analysis

import "testing"

// Of a contact that bounces the length may be that of its first touch, and where
// its end was not seen it seems to last until the next closing: neither says how
// fast the shaft turns.
func TestLengthsThatSayNothing(t *testing.T) {
	const period, closed = 0.3, 0.035
	for _, v := range []struct {
		name  string
		width float64
		kept  bool
	}{
		{"as long as its neighbours", closed, true},
		{"twice as long", 2 * closed, true},
		{"half a revolution", period / 2, true},
		{"a first touch", 0.0001, false},
		{"until the next one", period, false},
		{"until the one after that", 1.8 * period, false},
	} {
		ticks := make([]tick, 9)
		for i := range ticks {
			ticks[i] = tick{t: period * float64(i), width: closed}
		}
		ticks[4].width = v.width
		forgetLengths(ticks)
		for i, c := range ticks {
			want := closed
			if i == 4 {
				if want = v.width; !v.kept {
					want = 0
				}
			}
			if c.width != want {
				t.Errorf("%s: pulse %d lasts %g: want %g", v.name, i, c.width, want)
			}
		}
	}
}
