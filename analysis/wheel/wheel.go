// Package wheel reads the figures of a degree wheel, however it is graduated,
// and averages readings on the circle.
package wheel

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"sparkscope/analysis/circle"
)

// Graduation is how the figures run around a wheel.
type Graduation string

// The graduations. Where figures stand more than once, a letter behind the
// figure says which is meant.
const (
	// Full runs once around, 0 to 360. No letters.
	Full Graduation = "0-360"
	// Halves rises from 0 to 180 on both sides. 38b is 38 degrees before the
	// zero: turned forwards, the figures fall towards it; 38a is after it, where
	// they rise.
	Halves Graduation = "0-180-0"
	// Quarters rises from 0 to 90, falls to a second 0 and so on. b and a are
	// before and after the first zero, bb and ab before and after the second,
	// which is half a turn away ("before bottom", "after bottom").
	Quarters Graduation = "0-90-0-90-0"
)

// Graduations are all of them, as a flag takes them.
func Graduations() []string { return []string{string(Full), string(Halves), string(Quarters)} }

// Lettered says whether figures need a letter. A letter also tells how the
// figures run when turned forwards.
func (g Graduation) Lettered() bool { return g != Full }

// Parse reads one figure and gives its place on the circle, degrees in
// [0, 360). On a Full wheel the place is the figure, and -10 is 350. On the
// others it is counted before the (first) zero: 38b is 38, 38a is 322, 10ab is
// 170, 10bb is 190. The error is a sentence: what is wrong with
// the figure, and what would be right.
func (g Graduation) Parse(s string) (float64, error) {
	letters := strings.TrimLeft(s, "+-.0123456789")
	figure := strings.TrimSuffix(s, letters)
	if strings.Contains(s, ",") {
		return 0, fmt.Errorf("%q: want a number of degrees with a point, not a comma; several go with / between them", s)
	}
	v, err := strconv.ParseFloat(figure, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q: want a number of degrees, without a unit; several go with / between them", s)
	}
	if g == Full {
		switch {
		case letters == "a" || letters == "b" || letters == "aa" || letters == "ab" || letters == "bb":
			return 0, fmt.Errorf("%s: a wheel that runs from 0 to 360 has no letters: say that it is graduated 0-180-0 or 0-90-0-90-0, or leave the letter out", s)
		case letters != "":
			return 0, fmt.Errorf("%q: want a number of degrees, without a unit; several go with / between them", s)
		case v < -360 || v > 360:
			return 0, fmt.Errorf("%s is no degree of a wheel: want 0 to 360, or -360 to 0 where it is read the other way", s)
		}
		return round360(v), nil
	}
	top := 180.0
	if g == Quarters {
		top = 90
	}
	if v < 0 || v > top {
		return 0, fmt.Errorf("%s stands nowhere on a wheel graduated %s: want 0 to %g", s, g, top)
	}
	switch {
	case letters == "b":
		return round360(v), nil
	case letters == "a":
		return round360(-v), nil
	case letters == "ab" && g == Quarters:
		return round360(180 - v), nil
	case letters == "bb" && g == Quarters:
		return round360(180 + v), nil
	case letters == "" && g == Halves && (v == 0 || v == 180):
		return v, nil
	case g == Halves:
		return 0, fmt.Errorf("%s stands twice on a wheel graduated 0-180-0: want %gb where the figures fall towards 0 when turned forwards (before it), %ga where they rise (after it)", figure, v, v)
	}
	return 0, fmt.Errorf("%s stands up to four times on a wheel graduated 0-90-0-90-0: want %gb or %ga before or after the first 0, %gbb or %gab before or after the second, turned forwards", figure, v, v, v, v)
}

// Format is a place as the wheel shows it, the inverse of Parse, to so many
// decimals.
func (g Graduation) Format(place float64, decimals int) string {
	p := math.Pow(10, float64(decimals))
	place = round360(math.Round(round360(place)*p) / p)
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', decimals, 64) }
	switch {
	case g == Full:
		return num(place)
	case g == Halves && place == 0, g == Halves && place == 180:
		return num(place)
	case g == Halves && place < 180:
		return num(place) + "b"
	case g == Halves:
		return num(360-place) + "a"
	case place <= 90:
		return num(place) + "b"
	case place <= 180:
		return num(180-place) + "ab"
	case place < 270:
		return num(place-180) + "bb"
	}
	return num(360-place) + "a"
}

// Figure is a place as the wheel shows it, with as few decimals as it has, nine
// at most.
func (g Graduation) Figure(place float64) string {
	s := g.Format(place, 9)
	letters := strings.TrimLeft(s, ".0123456789")
	figure := strings.TrimSuffix(s, letters)
	return strings.TrimSuffix(strings.TrimRight(figure, "0"), ".") + letters
}

// round360 brings degrees into [0, 360).
func round360(v float64) float64 {
	v = math.Mod(v, 360)
	if v < 0 {
		v += 360
	}
	if v >= 360 { // a hair below 0
		return 0
	}
	return v + 0 // -0 becomes 0
}

// MostApartDeg is how far a reading of one place may lie from the middle of
// all of them, degrees: beyond it one was misread (common practice, no source).
const MostApartDeg = 15

// Mean is what repeated readings of one place come to.
type Mean struct {
	Deg float64 // circular mean, [0, 360)
	SD  float64 // standard deviation with n-1, degrees; 0 with one reading
	N   int
}

// ApartError says that readings of one place do not belong together.
type ApartError struct{ Reading, OffDeg float64 }

func (e *ApartError) Error() string {
	return fmt.Sprintf("wheel: %g° lies %.0f° from the middle of the readings", e.Reading, e.OffDeg)
}

// Average finds the middle of readings on the circle: the circular mean first
// (Mardia and Jupp, Directional Statistics, 2000, 2.2), then mean and standard
// deviation of the deviations from it, which for readings this close are those
// of plain numbers. It needs one finite reading at least; readings that lie far
// apart give an ApartError.
func Average(r []float64) (Mean, error) {
	centre, length := circle.Mean(r)
	var sum, ss float64
	for _, v := range r {
		sum += circle.Wrap(v - centre)
	}
	n := float64(len(r))
	off := sum / n
	farthest, odd := 0.0, 0.0
	for _, v := range r {
		d := math.Abs(circle.Wrap(v-centre) - off)
		if d >= farthest {
			farthest, odd = d, v
		}
		ss += d * d
	}
	if farthest > MostApartDeg || length < 0.5 {
		return Mean{}, &ApartError{odd, farthest}
	}
	out := Mean{Deg: math.Mod(centre+off+720, 360), N: len(r)}
	if out.N > 1 {
		out.SD = math.Sqrt(ss / (n - 1))
	}
	return out, nil
}
