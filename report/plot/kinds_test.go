package plot

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"
	"pgregory.net/rapid"
)

// kinds are pictures of every kind, usual ones and those of nothing.
func kinds() map[string]Figure {
	e := engine(500, 1200, 6000, 18, -0.3, 0.5)
	target := &Band{18, 2}
	course := Course{Title: "over time", Target: target, Missed: []float64{2, 3.5}}
	byTable := Course{Title: "over time, by table", GoalHalf: 1}
	var deg []float64
	scatter := Scatter{Title: "scatter", Ranges: []Range{{1000, 3000, 0.5, 200}, {3000, 4000, -1, 1}, {4000, 6500, 0.6, 299}}}
	for i, p := range e.Points {
		m := Moment{S: float64(i) / 50, RPM: p.RPM, Deg: p.Deg}
		course.Moments, byTable.Moments = append(course.Moments, m), append(byTable.Moments, m)
		byTable.Goals = append(byTable.Goals, 18+p.RPM/4000)
		deg = append(deg, p.Deg)
		scatter.Points = append(scatter.Points, Point{p.RPM, p.Deg - 18 + 0.3*p.RPM/1000})
	}
	only := course
	only.SpeedOnly = true
	wheel := Wheel{Title: "wheel", Points: e.Points, Mean: &Band{16.9, 0.8}, Target: target, Static: &Band{18, 0.5}, Reference: &Band{30, 0.5}}
	tabled := wheel
	tabled.Target, tabled.Targets, tabled.TargetsHalf = nil, []Point{{1500, 10}, {4000, 22}}, 2
	turned := wheel
	turned.Relative, turned.Reference, turned.Target, turned.Static = true, nil, nil, nil
	wave := func(n int) (k Curve) {
		for i := range n {
			k.X, k.Y = append(k.X, 5+float64(i)/48000), append(k.Y, 40*math.Sin(float64(i)/9)*math.Exp(-float64(i%900)/60))
		}
		return k
	}
	pulses := Pulses{Title: "pulses", Rows: []PulseRow{
		{Name: "channel 1: the spark", Wide: wave(2400), Wides: []Stamp{{5, Counted}, {5.02, PassedBy}}, Close: wave(60), At: 5.0002, Has: true},
		{Name: "channel 2: the reference", Wide: wave(2400), Wides: []Stamp{{5.01, Timed}}, Close: wave(300), At: 5.001, Has: true, Sign: Timed},
		{Name: "channel 3: nothing", Wide: wave(2400)},
	}}
	session := Session{Title: "session", Moments: course.Moments, Parts: []Stretch{{0, 3, false, "idle 1", ""}, {3, 6, true, "up 1", "↑1"}, {6, 10, true, "down 1", "↓1"}},
		Up:   Overlay{Pulls: [][]Point{{{1000, 18}, {3000, 19}}, {{1000, 17.5}, {3000, 18}}, {{2000, 18}}}, Mean: []Point{{1000, 17.7}, {3000, 18.5}}, Low: []float64{17.5, 18}, High: []float64{18, 19}},
		Down: Overlay{Pulls: [][]Point{{{1000, 16}, {3000, 17}}}, Mean: []Point{{1000, 16}, {3000, 17}}, Low: []float64{16, 17}, High: []float64{16, 17}}}
	session.Up.Names = []string{"↑1", "↑2", "↑3"}
	drifting, speedPanel, advancePanel := session, session, session
	drifting.Drifted, drifting.DriftLine, drifting.DriftWords = []Moment{{S: 2, Deg: 0.1}, {S: 5, Deg: 0.4}, {S: 9, Deg: 1}}, [2]Moment{{S: 2}, {S: 9, Deg: 0.95}}, "+1.0° (±0.3°) over 7.0 s"
	speedPanel.Only, advancePanel.Only = SpeedPanel, AdvancePanel
	return map[string]Figure{
		"session": session, "session of none": Session{}, "session with drift": drifting, "session, speed": speedPanel, "session, advance": advancePanel,
		"scatter": scatter, "scatter of none": Scatter{}, "course": course, "course by table": byTable, "speed": only, "course of none": Course{},
		"distribution":        Distribution{Title: "distribution", Deg: deg, Mean: &Band{16.9, 0.8}, Target: target, Static: &Band{18, 0}},
		"distribution of one": Distribution{Deg: []float64{18}}, "distribution of none": Distribution{},
		"wheel": wheel, "wheel by table": tabled, "wheel relative": turned, "wheel of none": Wheel{},
		"pulses": pulses, "pulses of none": Pulses{}, "pulses of an empty channel": Pulses{Rows: []PulseRow{{}}},
	}
}

// TestKinds draws every kind in every format, with and without its title. With
// -keep FOLDER it leaves them to be looked at.
func TestKinds(t *testing.T) {
	for name, fig := range kinds() {
		for ending, f := range map[string]Format{".png": PNG, ".svg": SVG, ".pdf": PDF} {
			var b, bare bytes.Buffer
			if f != PNG || *keep != "" { // which takes longest, and differs from the others in its last step
				if err := Draw(&b, fig, f); err != nil {
					t.Fatalf("%s%s: %v", name, ending, err)
				}
			}
			if err := DrawBare(&bare, fig, f, 90, 65); err != nil {
				t.Fatalf("%s%s, bare: %v", name, ending, err)
			}
			if f == SVG {
				for _, s := range [][]byte{b.Bytes(), bare.Bytes()} {
					if err := xmlValid(s); err != nil {
						t.Errorf("%s: not well-formed: %v", name, err)
					}
					if bytes.Contains(s, []byte("NaN")) {
						t.Errorf("%s: a place that is no number", name)
					}
				}
			}
			if *keep != "" {
				for what, b := range map[string]*bytes.Buffer{"": &b, " bare": &bare} {
					if err := os.WriteFile(filepath.Join(*keep, name+what+ending), b.Bytes(), 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
}

// TestKindsRefuse: no picture is made of what is no number.
func TestKindsRefuse(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, fig := range map[string]Figure{
		"scatter, point":  Scatter{Points: []Point{{nan, 0}}},
		"scatter, range":  Scatter{Ranges: []Range{{StdDev: inf}}},
		"course, moment":  Course{Moments: []Moment{{S: 1, RPM: inf}}},
		"course, missed":  Course{Missed: []float64{nan}},
		"course, target":  Course{Target: &Band{Deg: nan}},
		"course, goal":    Course{Goals: []float64{inf}},
		"distribution":    Distribution{Deg: []float64{nan}},
		"distribution, ±": Distribution{Mean: &Band{Half: nan}},
		"wheel, point":    Wheel{Points: []Point{{1, nan}}},
		"wheel, target":   Wheel{Targets: []Point{{nan, 1}}},
		"wheel, band":     Wheel{Reference: &Band{Deg: inf}},
		"pulses, sample":  Pulses{Rows: []PulseRow{{Wide: Curve{X: []float64{nan}, Y: []float64{0}}}}},
		"pulses, lengths": Pulses{Rows: []PulseRow{{Close: Curve{X: []float64{1}}}}},
		"pulses, stamp":   Pulses{Rows: []PulseRow{{Wides: []Stamp{{S: nan}}}}},
	} {
		var b bytes.Buffer
		if err := Draw(&b, fig, SVG); err == nil || b.Len() > 0 {
			t.Errorf("%s: error %v, %d bytes written", name, err, b.Len())
		}
	}
}

// TestWheelPlaces: top dead centre above, before it to the left, after it to the
// right, and the faster, the farther out.
func TestWheelPlaces(t *testing.T) {
	var mid vg.Point
	for _, c := range []struct{ deg, x, y float64 }{{0, 0, 1}, {90, -1, 0}, {-90, 1, 0}, {180, 0, -1}, {30, -0.5, math.Sqrt(3) / 2}} {
		p := around(mid, 1, c.deg)
		if math.Hypot(float64(p.X)-c.x, float64(p.Y)-c.y) > 1e-12 {
			t.Errorf("%g° lies at %v, want (%.3f, %.3f)", c.deg, p, c.x, c.y)
		}
	}
	if a, b := radius(100, 1000, 6000), radius(100, 6000, 6000); !(a < b) || math.Abs(float64(b)-100*rimDots) > 1e-9 {
		t.Errorf("1000 rpm at %v, the fastest at %v", a, b)
	}
}

// TestTextsInside: the texts of a bare picture lie on it, however small it is.
func TestTextsInside(t *testing.T) {
	for name, fig := range kinds() {
		for _, size := range [][2]vg.Length{{90, 65}, {186, 60}, {186, 75}} {
			var rec recorder.Canvas
			w, h := size[0]*vg.Millimeter, size[1]*vg.Millimeter
			if err := Upon(draw.NewCanvas(&rec, w, h), fig); err != nil {
				t.Fatal(err)
			}
			// Those that are not turned: the recorder gives each its own place.
			turned, texts := 0, 0
			for _, a := range rec.Actions {
				switch a := a.(type) {
				case *recorder.Rotate:
					turned++
				case *recorder.Pop:
					turned = 0
				case *recorder.FillString:
					if turned > 0 {
						continue
					}
					texts++
					wide := style(a.Size, false).Width(a.String)
					if a.Point.X < -1 || a.Point.X+wide > w+1 || a.Point.Y < -1 || a.Point.Y+a.Size > h+2 {
						t.Errorf("%s, %v: %q at %v, %.0f pt wide: off a picture of %.0f × %.0f pt", name, size, a.String, a.Point, wide, w, h)
					}
				}
			}
			if texts == 0 {
				t.Errorf("%s, %v: no text at all", name, size)
			}
		}
	}
}

// TestKindsEscape: titles and names come from files.
func TestKindsEscape(t *testing.T) {
	const evil = `<script>alert(1)</script>"><img src=x onerror=alert(2)>`
	for i, fig := range []Figure{
		Scatter{Title: evil, Subtitle: evil}, Course{Title: evil, Subtitle: evil}, Distribution{Title: evil}, Wheel{Title: evil}, Pulses{Title: evil, Rows: []PulseRow{{Name: evil}}},
		CheckInput{Title: evil, Channels: []CheckChannel{{Name: evil}}},
	} {
		var b bytes.Buffer
		if err := Draw(&b, fig, SVG); err != nil {
			t.Fatal(err)
		}
		if s := b.String(); strings.Contains(s, "<script") || strings.Contains(s, "<img") {
			t.Errorf("picture %d: markup passed through", i)
		}
	}
}

// TestEnvelope: what is left of a line reaches as high and as low as the whole,
// keeps its ends' order, and is short.
func TestEnvelope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 3000).Draw(t, "n")
		columns := rapid.IntRange(1, 300).Draw(t, "columns")
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = float64(i)+rnd.Float64(), rnd.NormFloat64()
		}
		ex, ey := envelope(x, y, columns)
		if len(ex) != len(ey) || len(ex) > 2*columns+2 {
			t.Fatalf("%d and %d points of %d in %d columns", len(ex), len(ey), n, columns)
		}
		if !slices.IsSorted(ex) {
			t.Fatal("time runs back")
		}
		if n > 0 && (slices.Max(y) != slices.Max(ey) || slices.Min(y) != slices.Min(ey)) {
			t.Fatalf("reaches from %g to %g, the line from %g to %g", slices.Min(ey), slices.Max(ey), slices.Min(y), slices.Max(y))
		}
	})
}

// TestColumnWidth, against the rule worked by hand: 1001 values evenly over 10°
// have a quartile distance of 5°, and 2·5/10.003 is just under 1°; of 8 over 1°
// it is 4/7°, and 2·(4/7)/2 = 0.57°.
func TestColumnWidth(t *testing.T) {
	even := func(n int, span float64) (out []float64) {
		for i := range n {
			out = append(out, span*float64(i)/float64(n-1))
		}
		return out
	}
	for _, c := range []struct {
		v    []float64
		want float64
	}{{even(1001, 10), 1}, {even(1001, 11), 2}, {even(8, 1), 1}, {[]float64{3, 3, 3}, 0.01}, {nil, 0.1}} {
		if got := columnWidth(c.v); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%d values: %g, want %g", len(c.v), got, c.want)
		}
	}
}

// TestPDFIsTheSameTwice: a PDF embeds its letters, whatever alphabet they are of,
// and is the same twice.
func TestPDFIsTheSameTwice(t *testing.T) {
	in := engine(50, 1200, 6000, 18, 0, 0.5)
	in.Title, in.Subtitle = "Κινητήρας Двигатель", "中"
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := Draw(w, in, PDF); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two PDFs of one picture differ")
	}
	if !bytes.Contains(a.Bytes(), []byte("/FontFile2")) {
		t.Error("no letters are embedded")
	}
}

func ExampleFormatOf() {
	f, err := FormatOf("advance.svg")
	fmt.Println(f == SVG, err)
	// Output: true <nil>
}
