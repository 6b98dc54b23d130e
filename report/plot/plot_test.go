package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"image"
	"image/draw"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var keep = flag.String("keep", "", "folder to leave the pictures of all cases in, to be looked at")

// engine is an invented engine: advance base + slope·rpm with scatter sd.
func engine(n int, from, to, base, per1000, sd float64) Input {
	rnd := rand.New(rand.NewPCG(7, uint64(n)))
	in := Input{Title: "Fires at 18.3° ± 0.6° before top dead centre", Subtitle: "recording.wav: 1200 sparks from 1210 to 6050 rpm, reference at 35° before top dead centre"}
	for range n {
		rpm := from + (to-from)*rnd.Float64()
		in.Points = append(in.Points, Point{rpm, base + per1000*rpm/1000 + sd*rnd.NormFloat64()})
	}
	step := 500.0
	for lo := math.Floor(from/step) * step; lo < to || lo == from; lo += step {
		l, h := max(lo, from), min(lo+step, to)
		mid := (l + h) / 2
		in.Bins = append(in.Bins, Bin{FromRPM: lo, ToRPM: lo + step, RPM: mid, Median: base + per1000*mid/1000, Spread: sd})
	}
	return in
}

// cases are the pictures that were looked at when the drawing was written.
func cases() map[string]Input {
	trend := func(in Input, base, slope float64) Input {
		in.Trend = &Line{Intercept: base, SlopePer1000: slope, FromRPM: in.Bins[0].RPM, ToRPM: in.Bins[len(in.Bins)-1].RPM, ZeroHalf: 0.7}
		return in
	}
	many := engine(60000, 1200, 6100, 19, -0.36, 0.5)
	many.Target, many.Static = &Band{18, 2}, &Band{19.5, 0.5}
	many.Points[5].Deg = 150
	few := engine(6, 1000, 2400, 22, 0, 0.4)
	few.Target = &Band{20, 0.5}
	far := engine(800, 1500, 7000, 31, 0.1, 0.4)
	far.Target = &Band{18, 1}
	bent := engine(0, 900, 6100, 8, 0, 0.5)
	bent.Points, bent.Target = nil, &Band{20, 2}
	rnd := rand.New(rand.NewPCG(7, 3))
	rise := func(rpm float64) float64 { return 8 + 22*math.Min(1, math.Max(0, (rpm-1200)/2000)) }
	for range 700 {
		rpm := 900 + 5200*rnd.Float64()
		bent.Points = append(bent.Points, Point{rpm, rise(rpm) + 0.5*rnd.NormFloat64()})
	}
	for i, b := range bent.Bins {
		bent.Bins[i].Median = rise(b.RPM)
	}
	bent.Bent = &Bent{Points: []Point{{900, 8}, {1195, 8}, {3210, 30}, {6100, 30}},
		Corners: []Corner{{Point{1195, 8}, 60, 0.3}, {Point{3210, 30}, 40, 0.2}}}
	gap := engine(900, 1500, 2400, 12, 0, 0.8)
	b := engine(900, 5000, 6000, 26, 0, 0.8)
	gap.Points, gap.Bins = append(gap.Points, b.Points...), append(gap.Bins, b.Bins...)
	neg := engine(700, 900, 4200, -4, 1.5, 0.5)
	rel := engine(500, 900, 4200, 181, -0.3, 0.5)
	rel.Relative = true
	rel.Title, rel.Subtitle = "Fires 179.4° after the reference event (± 0.3°)", "no reference angle given: angles are relative to the reference event"
	tabled := engine(900, 900, 5200, 8, 4, 0.5)
	tabled.TargetTable, tabled.TargetTableHalf = []Point{{1500, 14}, {3000, 20}, {3001, 24}, {9000, 20}}, 2
	return map[string]Input{
		"tabled":   tabled,
		"many":     trend(many, 19, -0.36),
		"few":      few,
		"single":   engine(300, 3000, 3000.5, 15, 0, 0.2),
		"far":      trend(far, 31, 0.1),
		"gap":      gap,
		"bent":     bent,
		"negative": neg,
		"relative": rel,
		"wide":     engine(3000, 300, 14500, 5, 2, 1),
		"empty":    {Title: "No spark counted"},
		"one":      {Title: "Fires at 18° before top dead centre", Points: []Point{{2000, 18}}},
	}
}

func TestEveryCaseInEveryFormat(t *testing.T) {
	for name, in := range cases() {
		for ending, f := range map[string]Format{".png": PNG, ".svg": SVG, ".pdf": PDF} {
			var buf bytes.Buffer
			if err := Draw(&buf, in, f); err != nil {
				t.Errorf("%s%s: %v", name, ending, err)
				continue
			}
			switch f {
			case PNG:
				img, err := png.Decode(&buf)
				if err != nil {
					t.Errorf("%s: %v", name, err)
				} else if *keep == "" && img.Bounds().Dx() < 1000 {
					t.Errorf("%s: %v pixels: want at least 1000 across", name, img.Bounds())
				}
				buf.Reset()
				_ = Draw(&buf, in, f)
			case SVG:
				if err := xmlValid(buf.Bytes()); err != nil {
					t.Errorf("%s: not well-formed: %v", name, err)
				}
				if buf.Len() > 1<<20 {
					t.Errorf("%s: SVG of %d bytes: want under a megabyte, whatever the number of sparks", name, buf.Len())
				}
			case PDF:
				if !bytes.HasPrefix(buf.Bytes(), []byte("%PDF-")) {
					t.Errorf("%s: no PDF header", name)
				}
			}
			if *keep != "" {
				if err := os.WriteFile(filepath.Join(*keep, name+ending), buf.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

func xmlValid(b []byte) error {
	d := xml.NewDecoder(bytes.NewReader(b))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func TestThinKeepsWhatIsSeen(t *testing.T) {
	in := cases()["many"]
	p := newPicture(in, maxPoints)
	if n := len(p.dots); n > maxPoints || n < maxPoints/3 {
		t.Errorf("%d dots of %d: want at most %d, and not far fewer", n, len(in.Points), maxPoints)
	}
	if p.outside != 1 {
		t.Errorf("%d sparks outside: want the 1 at 150 degrees", p.outside)
	}
	// Every spark inside the picture has a dot near it: thinning leaves no hole.
	for _, q := range in.Points {
		if q.Deg > p.yMax || q.Deg < p.yMin {
			continue
		}
		found := false
		for _, d := range p.dots {
			if math.Abs(d.RPM-q.RPM) < (p.xMax-p.xMin)/40 && math.Abs(d.Deg-q.Deg) < (p.yMax-p.yMin)/40 {
				found = true
				break
			}
		}
		if !found {
			t.Fatalf("no dot near the spark at %.0f rpm, %.2f degrees", q.RPM, q.Deg)
		}
	}
}

func TestAxesHoldWhatIsDrawn(t *testing.T) {
	for name, in := range cases() {
		p := newPicture(in, maxPoints)
		if !(p.xMin < p.xMax && p.yMin < p.yMax) || p.yMax-p.yMin < minSpan {
			t.Errorf("%s: axes %g..%g, %g..%g", name, p.xMin, p.xMax, p.yMin, p.yMax)
		}
		for _, b := range []*Band{in.Target, in.Static} {
			if b != nil && (b.Deg-b.Half < p.yMin || b.Deg+b.Half > p.yMax) {
				t.Errorf("%s: %v outside %g..%g", name, *b, p.yMin, p.yMax)
			}
		}
		for _, q := range in.along(p.xMin, p.xMax) {
			if q.Deg-in.TargetTableHalf < p.yMin || q.Deg+in.TargetTableHalf > p.yMax {
				t.Errorf("%s: the table's target %v outside %g..%g", name, q, p.yMin, p.yMax)
			}
		}
		for _, b := range in.Bins {
			if b.RPM < p.xMin || b.RPM > p.xMax {
				t.Errorf("%s: bin at %g rpm outside %g..%g", name, b.RPM, p.xMin, p.xMax)
			}
		}
	}
}

// TestAlong: the course of a target table goes through its rows, in straight
// lines, and holds its ends.
func TestAlong(t *testing.T) {
	in := Input{TargetTable: []Point{{2000, 10}, {3000, 20}, {5000, 18}}}
	for _, c := range []struct {
		from, to float64
		want     []Point
	}{
		{1000, 6000, []Point{{1000, 10}, {2000, 10}, {3000, 20}, {5000, 18}, {6000, 18}}},
		{2500, 4000, []Point{{2500, 15}, {3000, 20}, {4000, 19}}},
		{2000, 3000, []Point{{2000, 10}, {3000, 20}}},
		{100, 200, []Point{{100, 10}, {200, 10}}},
		{7000, 8000, []Point{{7000, 18}, {8000, 18}}},
	} {
		if got := in.along(c.from, c.to); !slices.Equal(got, c.want) {
			t.Errorf("%g to %g: %v, want %v", c.from, c.to, got, c.want)
		}
	}
	if got := (Input{}).along(0, 1); got != nil {
		t.Errorf("no table: %v", got)
	}
}

// TestTableIsDrawn: where the tolerance lies, about a rising target, there is its
// colour; a degree beyond it there is none. Sparks stay away from both.
func TestTableIsDrawn(t *testing.T) {
	in := Input{Title: "table", TargetTable: []Point{{2000, 10}, {4000, 30}}, TargetTableHalf: 3, Points: []Point{{1000, 20}, {5000, 20}}}
	var b bytes.Buffer
	if err := Draw(&b, in, PNG); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	// Along the target's slope, columns of the middle of the picture: its own
	// colours are reddish, all others are not.
	reddish := func(x, y int) bool {
		r, _, bl, _ := img.At(x, y).RGBA()
		return int(r>>8)-int(bl>>8) > 30
	}
	size := img.Bounds().Size()
	first, last, columns := 0, 0, 0
	for x := size.X * 2 / 5; x < size.X*3/5; x++ {
		lo, hi := -1, -1
		for y := size.Y / 4; y < size.Y; y++ { // below the legend
			if reddish(x, y) {
				if lo < 0 {
					lo = y
				}
				hi = y
			}
		}
		if lo < 0 {
			t.Fatalf("column %d: no target", x)
		}
		if columns == 0 {
			first = lo
		}
		last = lo
		columns++
		// ± 3° of a picture of about 24° in three quarters of its height.
		if tall := float64(hi-lo) / float64(size.Y); tall < 0.1 || tall > 0.25 {
			t.Fatalf("column %d: the band is %.2f of the picture high", x, tall)
		}
	}
	if first-last < size.Y/10 {
		t.Errorf("the band goes from %d to %d over %d columns: want it to rise", first, last, columns)
	}
}

// The static angle and the target are often the same: both lines must still be
// seen, printed in grey too. Below the legend the picture with both must differ
// from the one with the target alone by plain steps of grey.
func TestStaticShowsOnTarget(t *testing.T) {
	const (
		step  = 60      // of 255: what the eye tells apart on paper (common practice, no source)
		least = 150 * 2 // pixels: two rows over a fifth of the width
	)
	grey := func(in Input) (*image.Gray, error) {
		var b bytes.Buffer
		if err := Draw(&b, in, PNG); err != nil {
			return nil, err
		}
		img, err := png.Decode(&b)
		if err != nil {
			return nil, err
		}
		g := image.NewGray(img.Bounds())
		draw.Draw(g, g.Bounds(), img, image.Point{}, draw.Src)
		return g, nil
	}
	in := Input{Title: "one", Target: &Band{Deg: 18}}
	one, err := grey(in)
	if err != nil {
		t.Fatal(err)
	}
	in.Static = &Band{Deg: 18}
	both, err := grey(in)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for y := one.Rect.Dy() / 4; y < one.Rect.Dy(); y++ {
		for x := range one.Rect.Dx() {
			d := int(one.GrayAt(x, y).Y) - int(both.GrayAt(x, y).Y)
			if max(d, -d) >= step {
				n++
			}
		}
	}
	if n < least {
		t.Errorf("%d pixels differ by %d or more with the static angle on the target: want at least %d", n, step, least)
	}
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		format func(float64) string
		want   string
	}{
		{0, 6300, formatRPM, "0 1000 2000 3000 4000 5000 6000"},
		{2900, 3120, formatRPM, "2900 2950 3000 3050 3100"},
		{13.9, 24.1, formatDegrees, "14° 16° 18° 20° 22° 24°"},
		{-3.1, 3.2, formatDegrees, "–3° –2° –1° 0° 1° 2° 3°"},
		{14, 16, formatDegrees, "14° 14.5° 15° 15.5° 16°"},
		{178, 184, formatDegrees, "178° 179° 180° –179° –178° –177° –176°"},
	} {
		var got []string
		for _, k := range ticks(c.lo, c.hi, 8, rpmSteps, c.format) {
			got = append(got, k.Label)
		}
		if g := strings.Join(got, " "); g != c.want {
			t.Errorf("ticks %g..%g: got %q, want %q", c.lo, c.hi, g, c.want)
		}
	}
}

func TestRefusesNumbersThatAreNone(t *testing.T) {
	for name, in := range map[string]Input{
		"point":   {Points: []Point{{math.NaN(), 1}}},
		"bin":     {Bins: []Bin{{Median: math.Inf(1)}}},
		"target":  {Target: &Band{Deg: math.NaN()}},
		"table":   {TargetTable: []Point{{1000, math.NaN()}}},
		"± of it": {TargetTable: []Point{{1000, 1}}, TargetTableHalf: math.Inf(1)},
		"trend":   {Trend: &Line{Intercept: math.Inf(-1)}},
		"curve":   {Bent: &Bent{Points: []Point{{1000, math.NaN()}}}},
		"corner":  {Bent: &Bent{Corners: []Corner{{Point{1000, 10}, math.Inf(1), 1}}}},
	} {
		if err := Draw(io.Discard, in, SVG); err == nil {
			t.Errorf("%s: drawn: want an error", name)
		}
	}
}

func TestFormatOf(t *testing.T) {
	for name, want := range map[string]Format{"a.png": PNG, "b.c/x.SVG": SVG, "x.pdf": PDF} {
		if f, err := FormatOf(name); err != nil || f != want {
			t.Errorf("%s: %v, %v", name, f, err)
		}
	}
	for _, name := range []string{"", "png", "a.jpeg", "a.png.gz", "a."} {
		if _, err := FormatOf(name); err == nil {
			t.Errorf("%q: accepted", name)
		}
	}
}

// A title is data: it may come from a file's name.
func TestSVGEscapes(t *testing.T) {
	var buf bytes.Buffer
	in := Input{Title: `<script>alert("x")</script> & ]]>`, Subtitle: `"><img src=x>`}
	if err := Draw(&buf, in, SVG); err != nil {
		t.Fatal(err)
	}
	if s := buf.String(); strings.Contains(s, "<script") || strings.Contains(s, "<img") {
		t.Errorf("markup passed through:\n%s", s)
	}
	if err := xmlValid(buf.Bytes()); err != nil {
		t.Error(err)
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestWriteErrorsAreReturned(t *testing.T) {
	for _, f := range []Format{PNG, SVG, PDF} {
		if err := Draw(broken{}, cases()["few"], f); err == nil {
			t.Errorf("format %d: no error from a writer that fails", f)
		}
	}
}
