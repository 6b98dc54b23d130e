package print

import (
	"bytes"
	"compress/zlib"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden sheets again")

// scaleTolerance is how far a graduation may lie from its place, mm: half the
// finest line of a printer of 300 dots to the inch is 0.042 mm.
const scaleTolerance = 0.05

// drawn is what a reader of the written file finds on a page, mm from the
// upper left.
type drawn struct {
	w, h  float64
	lines [][4]float64 // x1 y1 x2 y2
	texts []drawnText  // of an SVG
}

type drawnText struct {
	x, y, size, turn float64
	anchor, text     string
}

// readSVG reads a page back from its SVG, with its size from the attributes in
// millimetres.
func readSVG(t *testing.T, d *Document, n int) drawn {
	t.Helper()
	var b bytes.Buffer
	if err := d.WriteSVG(&b, n); err != nil {
		t.Fatal(err)
	}
	var p drawn
	dec := xml.NewDecoder(&b)
	var scale float64 // mm to a unit
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return p
		}
		if err != nil {
			t.Fatal(err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		attr := func(name string) string {
			for _, a := range e.Attr {
				if a.Name.Local == name {
					return a.Value
				}
			}
			return ""
		}
		number := func(name string) float64 {
			v, err := strconv.ParseFloat(attr(name), 64)
			if err != nil {
				t.Fatalf("<%s %s=%q>: %v", e.Name.Local, name, attr(name), err)
			}
			return v * scale
		}
		switch e.Name.Local {
		case "svg":
			scale = 1
			mm := func(name string) float64 {
				v, err := strconv.ParseFloat(strings.TrimSuffix(attr(name), "mm"), 64)
				if err != nil || !strings.HasSuffix(attr(name), "mm") {
					t.Fatalf("svg %s=%q: want millimetres", name, attr(name))
				}
				return v
			}
			p.w, p.h = mm("width"), mm("height")
			var x, y, w, h float64
			if _, err := fmt.Sscan(attr("viewBox"), &x, &y, &w, &h); err != nil || x != 0 || y != 0 {
				t.Fatalf("viewBox %q: %v", attr("viewBox"), err)
			}
			scale = p.w / w
			if math.Abs(p.h/h-scale) > 1e-9 {
				t.Fatalf("viewBox %q on %g × %g mm: stretched", attr("viewBox"), p.w, p.h)
			}
		case "line":
			p.lines = append(p.lines, [4]float64{number("x1"), number("y1"), number("x2"), number("y2")})
		case "text":
			dt := drawnText{x: number("x"), y: number("y"), size: number("font-size"), anchor: attr("text-anchor")}
			if s := attr("transform"); s != "" {
				if _, err := fmt.Sscanf(s, "rotate(%f", &dt.turn); err != nil {
					t.Fatalf("transform %q: %v", s, err)
				}
			}
			inner, err := dec.Token()
			if err != nil {
				t.Fatal(err)
			}
			dt.text = string(inner.(xml.CharData))
			p.texts = append(p.texts, dt)
		}
	}
}

var (
	mediaBox = regexp.MustCompile(`/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]`)
	pdfLine  = regexp.MustCompile(`(?m)^([-0-9.]+) ([-0-9.]+) m ([-0-9.]+) ([-0-9.]+) l S$`)
)

// readPDF reads the lines of all pages back from the content streams.
func readPDF(t *testing.T, d *Document) []drawn {
	t.Helper()
	var b bytes.Buffer
	if err := d.WritePDF(&b); err != nil {
		t.Fatal(err)
	}
	pdf := b.Bytes()
	// Without a size of its own a page has the one of the page tree, which
	// stands behind all pages.
	var sizes [][]byte
	for _, o := range bytes.Split(pdf, []byte("endobj")) {
		if bytes.Contains(o, []byte("/Type /Page\n")) {
			sizes = append(sizes, o)
		}
	}
	all := mediaBox.FindAllSubmatch(pdf, -1)
	if len(all) == 0 {
		t.Fatal("the PDF has no MediaBox")
	}
	shared := all[len(all)-1]
	var pages []drawn
	for rest := pdf; ; {
		i := bytes.Index(rest, []byte("stream\n"))
		if i < 0 {
			break
		}
		rest = rest[i+len("stream\n"):]
		z, err := zlib.NewReader(bytes.NewReader(rest))
		if err != nil {
			continue
		}
		s, err := io.ReadAll(z)
		if err != nil || !pdfLine.Match(s) {
			continue
		}
		box := shared
		if n := len(pages); n < len(sizes) {
			if own := mediaBox.FindSubmatch(sizes[n]); own != nil {
				box = own
			}
		}
		num := func(b []byte) float64 {
			v, err := strconv.ParseFloat(string(b), 64)
			if err != nil {
				t.Fatal(err)
			}
			return v * 25.4 / 72
		}
		p := drawn{w: num(box[1]), h: num(box[2])}
		for _, m := range pdfLine.FindAllSubmatch(s, -1) {
			p.lines = append(p.lines, [4]float64{num(m[1]), p.h - num(m[2]), num(m[3]), p.h - num(m[4])})
		}
		pages = append(pages, p)
	}
	if len(pages) != d.Pages() || len(sizes) != d.Pages() {
		t.Fatalf("the PDF has %d pages with lines and %d pages, want %d", len(pages), len(sizes), d.Pages())
	}
	return pages
}

// both is every page as each format has it.
func both(t *testing.T, d *Document) map[string][]drawn {
	t.Helper()
	var svg []drawn
	for n := range d.Pages() {
		svg = append(svg, readSVG(t, d, n+1))
	}
	return map[string][]drawn{"SVG": svg, "PDF": readPDF(t, d)}
}

// has says whether there is a line from a to b, or from b to a.
func (p drawn) has(x1, y1, x2, y2 float64) bool {
	near := func(x, y, u, v float64) bool { return math.Hypot(x-u, y-v) <= scaleTolerance }
	return slices.ContainsFunc(p.lines, func(l [4]float64) bool {
		return near(l[0], l[1], x1, y1) && near(l[2], l[3], x2, y2) || near(l[2], l[3], x1, y1) && near(l[0], l[1], x2, y2)
	})
}

func must(d *Document, err error) *Document {
	if err != nil {
		panic(err)
	}
	return d
}

func target(v float64) *float64 { return &v }

// sheets are sheets of every kind, as they are used.
func sheets() map[string]*Document {
	name := "Bench engine No. 3"
	figures := []Figure{{"stroke", "40 mm"}, {"connecting rod", ""}, {"flywheel", "120 mm"}, {"rotation, seen from the flywheel's side", "clockwise"}, {"target, before top dead centre", "18°"}, {"tolerance", "±2°"}, {"contact gap", ""}}
	return map[string]*Document{
		"wheel":         must(Wheel(WheelOptions{Engine: name, Rotation: Clockwise})),
		"wheel-letter":  must(Wheel(WheelOptions{Paper: Letter, Diameter: 190})),
		"wheel-small":   must(Wheel(WheelOptions{Rotation: Anticlockwise, Diameter: 120, Hole: 17})),
		"tape":          must(Tape(TapeOptions{Engine: name, Rotation: Clockwise, Diameter: 120})),
		"tape-letter":   must(Tape(TapeOptions{Paper: Letter, Diameter: 200, Rotation: Anticlockwise})),
		"tape-large":    must(Tape(TapeOptions{Diameter: 600, Width: 20})),
		"pointer":       must(Pointer(PointerOptions{Engine: name, Flywheel: 120})),
		"worksheet":     must(Worksheet(WorksheetOptions{Engine: name, Flywheel: 120, Target: target(18), Figures: figures})),
		"sheet-unnamed": must(Worksheet(WorksheetOptions{Paper: Letter, Figures: slices.Repeat(figures, 3)[:20]})),
	}
}

// TestWheelGraduations holds every graduation to its place, and every outer
// figure to its own.
func TestWheelGraduations(t *testing.T) {
	for _, o := range []WheelOptions{{Rotation: Clockwise}, {Paper: Letter, Diameter: 190}, {Diameter: 120, Rotation: Anticlockwise}} {
		dia := o.Diameter
		if dia == 0 {
			dia = 180
		}
		for format, pages := range both(t, must(Wheel(o))) {
			p := pages[0]
			centre := complex(p.w/2, 12+dia/2) // amid the page, its edge 12 mm from the page's
			for deg := range 360 {
				long := 3.5
				if deg%10 == 0 {
					long = 7.5
				} else if deg%5 == 0 {
					long = 5.5
				}
				if deg == 0 {
					continue
				}
				// Clockwise from the top: minus a quarter turn, y down.
				dir := cmplx.Rect(1, float64(deg-90)*math.Pi/180)
				a, b := centre+complex(dia/2, 0)*dir, centre+complex(dia/2-long, 0)*dir
				if !p.has(real(a), imag(a), real(b), imag(b)) {
					t.Fatalf("%s, %g mm: no graduation at %d° from %.2f to %.2f", format, dia, deg, a, b)
				}
			}
			if !p.has(real(centre), 12, real(centre), 12+7.5) {
				t.Errorf("%s, %g mm: no mark at top dead centre", format, dia)
			}
			if p.has(real(centre)+0.2, 12, real(centre)+0.2, 12+7.5) {
				t.Errorf("%s: a mark 0.2 mm beside top dead centre is taken for it", format)
			}
			if format != "SVG" {
				continue
			}
			seen := map[int]int{}
			for _, f := range p.texts {
				n, err := strconv.Atoi(f.text)
				at := complex(f.x, f.y) - centre
				if err != nil || cmplx.Abs(at) < dia/2-17 || cmplx.Abs(at) > dia/2-8 || n > 180 {
					continue
				}
				// A figure's base line is at right angles to its radius, so it
				// stands where its foot does.
				deg := math.Mod(cmplx.Phase(at)*180/math.Pi+450, 360)
				want := math.Min(deg, 360-deg)
				if f.anchor == "middle" && math.Abs(want-float64(n)) < 0.02 && math.Abs(math.Remainder(f.turn-deg, 360)) < 0.02 {
					seen[n]++
				}
			}
			for n := 0; n <= 180; n += 10 {
				want := 2
				if n == 0 || n == 180 {
					want = 1
				}
				if seen[n] < want {
					t.Errorf("%g mm: %d figures %d in the outer ring, want %d", dia, seen[n], n, want)
				}
			}
		}
	}
}

// TestSides holds "before top dead centre" to the side that runs ahead: on a
// wheel that turns clockwise that is the right-hand one, as the crank 30° before
// the top has its zero mark still 30° to come.
func TestSides(t *testing.T) {
	find := func(p drawn, s string) []float64 {
		var x []float64
		for _, f := range p.texts {
			if f.text == s {
				x = append(x, f.x)
			}
		}
		if len(x) == 0 {
			t.Fatalf("no %q", s)
		}
		return x
	}
	for _, c := range []struct {
		r    Rotation
		sign float64
	}{{Clockwise, 1}, {Anticlockwise, -1}} {
		p := readSVG(t, must(Wheel(WheelOptions{Rotation: c.r})), 1)
		if b := (find(p, "BEFORE")[0] - p.w/2) * c.sign; b <= 0 {
			t.Errorf("wheel, %v: BEFORE is on the wrong side", c.r)
		}
		if b := (find(p, "AFTER")[0] - p.w/2) * c.sign; b >= 0 {
			t.Errorf("wheel, %v: AFTER is on the wrong side", c.r)
		}
		p = readSVG(t, must(Tape(TapeOptions{Rotation: c.r, Diameter: 120, Reach: 60})), 1)
		zero := find(p, "0")
		for _, x := range find(p, "before top dead centre") {
			// The ruler has zeros too; the tape's is the rightmost.
			if (x-slices.Max(zero))*c.sign <= 0 {
				t.Errorf("tape, %v: before is on the wrong side of zero", c.r)
			}
		}
	}
	p := readSVG(t, must(Wheel(WheelOptions{})), 1)
	if n := len(find(p, "BEFORE")) + len(find(p, "AFTER")); n != 4 {
		t.Errorf("a wheel for either rotation says before and after %d times, want both on both sides", n)
	}
}

// TestTapeGraduations lays the strips end to end and holds every graduation to
// N/360 of the circumference.
func TestTapeGraduations(t *testing.T) {
	for _, c := range []struct {
		o    TapeOptions
		step float64 // degrees
		figs float64 // from figure to figure, degrees
	}{
		{TapeOptions{Diameter: 120}, 1, 10},
		{TapeOptions{Diameter: 120, Thickness: 0.2, Rotation: Anticlockwise}, 1, 10},
		{TapeOptions{Diameter: 60, Paper: Letter}, 1, 20},
		{TapeOptions{Diameter: 40}, 2, 30},
		{TapeOptions{Diameter: 254, Reach: 60, Width: 25}, 1, 10},
		{TapeOptions{Diameter: 600, Width: 20}, 0.5, 10},
		{TapeOptions{Diameter: 1000, Paper: Letter}, 0.5, 10},
	} {
		reach := c.o.Reach
		if reach == 0 {
			reach = 180
		}
		wide := c.o.Width
		if wide == 0 {
			wide = 12
		}
		perDeg := math.Pi * (c.o.Diameter + c.o.Thickness) / 360
		for format, pages := range both(t, must(Tape(c.o))) {
			at := -reach // where the next strip should begin
			for _, p := range pages {
				// Strips by their lower edge, a line from end to end.
				var edges [][4]float64
				for _, l := range p.lines {
					if l[1] == l[3] && l[1] < p.h-62 && math.Min(l[0], l[2]) > 27 && slices.ContainsFunc(p.lines, func(m [4]float64) bool {
						return math.Abs(m[1]-(l[1]-wide)) < 0.01 && math.Abs(m[0]-l[0]) < 0.01 && math.Abs(m[2]-l[2]) < 0.01 && m[1] == m[3]
					}) {
						edges = append(edges, l)
					}
				}
				slices.SortFunc(edges, func(a, b [4]float64) int { return int(math.Copysign(1, a[1]-b[1])) })
				for _, e := range edges {
					// Without the tab's edges, which end where a strip begins.
					if slices.ContainsFunc(edges, func(f [4]float64) bool { return f[1] == e[1] && math.Abs(f[0]-e[2]) < 0.01 }) {
						continue
					}
					length := math.Abs(e[2] - e[0])
					degrees := math.Round(length / perDeg)
					if math.Abs(length-degrees*perDeg) > scaleTolerance {
						t.Fatalf("%s, %+v: a strip of %.3f mm is no whole number of degrees", format, c.o, length)
					}
					for k := 0.0; k <= degrees; k += c.step {
						x := math.Min(e[0], e[2]) + k*perDeg
						if !slices.ContainsFunc(p.lines, func(l [4]float64) bool {
							return math.Abs(l[0]-x) <= scaleTolerance && math.Abs(l[2]-x) <= scaleTolerance && math.Abs(math.Max(l[1], l[3])-e[1]) <= 2.01 && math.Abs(l[1]-l[3]) > 1.1
						}) {
							t.Fatalf("%s, %+v: no graduation at %g°", format, c.o, at+k)
						}
						deg := math.Abs(at + k)
						if format != "SVG" || math.Mod(deg, c.figs) != 0 || k == 0 || k == degrees || deg == 0 {
							continue
						}
						if !slices.ContainsFunc(p.texts, func(f drawnText) bool {
							return f.text == strconv.Itoa(int(deg)) && f.anchor == "middle" && math.Abs(f.x-x) <= scaleTolerance && f.y < e[1] && f.y > e[1]-wide
						}) {
							t.Fatalf("%+v: no figure %g over its graduation", c.o, deg)
						}
					}
					at += degrees
				}
			}
			if at != reach {
				t.Errorf("%s, %+v: the strips end at %g°, want %g°", format, c.o, at, reach)
			}
		}
	}
}

// TestTapeJoins holds joins away from top dead centre.
func TestTapeJoins(t *testing.T) {
	for dia := smallestRim; dia <= largestRim; dia += 7.3 {
		for _, room := range []float64{241, 259} {
			tp := tape{perDg: math.Pi * dia / 360, reach: 180}
			at := -180.0
			for i, p := range tp.split(room) {
				if p.from != at {
					t.Fatalf("%g mm: piece %d begins at %g°, the last ended at %g°", dia, i, p.from, at)
				}
				at = p.to
				lead := tab
				if i == 0 {
					lead = 0
				}
				if long := lead + (p.to-p.from)*tp.perDg; long > room+1e-9 || p.to <= p.from {
					t.Fatalf("%g mm: piece %+v is %.1f mm long, with %g mm of room", dia, p, long, room)
				}
				if math.Abs(p.from) < 10 || math.Abs(p.to) < 10 {
					t.Fatalf("%g mm: a join at %g° or %g°", dia, p.from, p.to)
				}
			}
			if at != 180 {
				t.Fatalf("%g mm: ends at %g°", dia, at)
			}
		}
	}
}

// TestRulers holds both check rulers of every page, and the page's own size, to
// the true measure.
func TestRulers(t *testing.T) {
	for name, d := range sheets() {
		for format, pages := range both(t, d) {
			for n, p := range pages {
				w, h := 210.0, 297.0 // ISO 216
				if strings.Contains(name, "letter") || name == "sheet-unnamed" {
					w, h = 8.5*25.4, 11*25.4
				}
				if strings.HasPrefix(name, "tape") {
					w, h = h, w
				}
				if math.Abs(p.w-w) > scaleTolerance || math.Abs(p.h-h) > scaleTolerance {
					t.Errorf("%s of %s: page %d is %.2f × %.2f mm, want %.2f × %.2f", format, name, n+1, p.w, p.h, w, h)
				}
				x, y := 10+2*6.4+5, h-10-6.4+0.6 // zero of the ruler across
				u, v := 10+6.4, h-10             // zero of the one that stands
				mm := func(k int) float64 { return []float64{3.4, 1.8, 1.8, 1.8, 1.8, 2.6, 1.8, 1.8, 1.8, 1.8}[k%10] }
				for k := range 101 {
					s := float64(k)
					if !p.has(x+s, y, x+s, y-mm(k)) || !p.has(u, v-s, u-mm(k), v-s) {
						t.Fatalf("%s of %s, page %d: no graduation at %d mm of both rulers", format, name, n+1, k)
					}
				}
				for k := range 5 {
					s := float64(k) * 25.4
					if !p.has(x+s, y, x+s, y+3.4) || !p.has(u, v-s, u+3.4, v-s) {
						t.Fatalf("%s of %s, page %d: no graduation at %d in of both rulers", format, name, n+1, k)
					}
				}
				if p.has(x+101, y, x+101, y-1.8) {
					t.Errorf("%s of %s: the ruler is longer than 100 mm", format, name)
				}
			}
		}
	}
}

// box is where a text stands, mm.
func (d *Document) box(l label) (x0, y0, x1, y1 float64) {
	w := d.room(l.bold, l.text, l.size)
	x0 = l.at.x - []float64{0, 0.5, 1}[l.anchor]*w
	return x0, l.at.y - 0.73*l.size, x0 + w, l.at.y + 0.05*l.size
}

// TestTextApart: upright texts stay within the margins and off each other,
// with names of any length.
func TestTextApart(t *testing.T) {
	all := sheets()
	names := []string{
		"W", strings.Repeat("wide ", 60), strings.Repeat("M", 300), strings.Repeat("שלום עולם ", 20), strings.Repeat("двигатель ", 20), "発動機 \n\x00<&>\"",
	}
	if testing.Short() {
		names = names[2:3] // under the race detector it is the same, only slow
	}
	for i, name := range names {
		for _, paper := range []Paper{A4, Letter} {
			at := fmt.Sprintf(" named %d on %v", i, paper)
			for _, dia := range []float64{120, 150, 190} {
				all[fmt.Sprint("wheel ", dia)+at] = must(Wheel(WheelOptions{Paper: paper, Engine: name, Diameter: dia, Rotation: Rotation(i % 3)}))
			}
			for _, dia := range []float64{30, 45, 75, 120, 1000} {
				for _, width := range []float64{8, 40} {
					if width == 40 && dia == 1000 {
						continue // many pages of the same
					}
					all[fmt.Sprint("tape ", dia, width)+at] = must(Tape(TapeOptions{Paper: paper, Engine: name, Diameter: dia, Width: width, Rotation: Rotation(i % 3)}))
				}
			}
			all["pointer"+at] = must(Pointer(PointerOptions{Paper: paper, Engine: name}))
			all["worksheet"+at] = must(Worksheet(WorksheetOptions{Paper: paper, Engine: name, Flywheel: 987.65, Target: target(-123.45),
				Figures: slices.Repeat([]Figure{{name, name}}, 20)}))
		}
	}
	texts := 0
	for name, d := range all {
		for n, g := range d.pages {
			var labels []label
			for _, it := range g.items {
				if l, ok := it.(label); ok && l.turn == 0 {
					labels = append(labels, l)
				}
			}
			texts += len(labels)
			for i, l := range labels {
				x0, y0, x1, y1 := d.box(l)
				if x0 < margin-0.7 || y0 < margin-0.7 || x1 > g.w-margin+0.7 || y1 > g.h-margin+0.7 {
					t.Errorf("%s, page %d: %q leaves the margins", name, n+1, l.text)
				}
				for _, m := range labels[:i] {
					u0, v0, u1, v1 := d.box(m)
					if x0 < u1 && u0 < x1 && y0 < v1 && v0 < y1 {
						t.Errorf("%s, page %d: %q and %q stand on each other", name, n+1, l.text, m.text)
					}
				}
			}
		}
	}
	if texts < 500 {
		t.Fatalf("only %d texts were looked at", texts)
	}
}

// TestPDFAsks: it asks to be printed unscaled, holds its type and no date, and
// is the same each time.
func TestPDFAsks(t *testing.T) {
	var a, b bytes.Buffer
	if err := sheets()["worksheet"].WritePDF(&a); err != nil {
		t.Fatal(err)
	}
	if err := sheets()["worksheet"].WritePDF(&b); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same sheet twice is not the same file")
	}
	for _, want := range []string{"/PrintScaling /None", "/FontFile2", "/ToUnicode"} {
		if !bytes.Contains(a.Bytes(), []byte(want)) {
			t.Errorf("the PDF has no %s", want)
		}
	}
	for _, no := range []string{"/CreationDate", "/ModDate", "/OpenAction"} {
		if bytes.Contains(a.Bytes(), []byte(no)) {
			t.Errorf("the PDF has a %s", no)
		}
	}
}

// TestLettersLacking: what the type has no letters for is named.
func TestLettersLacking(t *testing.T) {
	d := must(Pointer(PointerOptions{Engine: "中文 中"}))
	if d.Lacking() != "中文" {
		t.Errorf("lacking %q, want 中文", d.Lacking())
	}
	if d := must(Pointer(PointerOptions{Engine: "Двигатель"})); d.Lacking() != "" {
		t.Errorf("lacking %q, want none", d.Lacking())
	}
	if got := clean("a\n\tb\x00\x1b[31m \xff"); got != "a b[31m \ufffd" {
		t.Errorf("clean: %q", got)
	}
}

// TestRefused: what cannot be drawn is said.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"wheel too large", second(Wheel(WheelOptions{Diameter: 190.1})), "a wheel of 190.1 mm: want 120 to 190 mm"},
		{"wheel too small", second(Wheel(WheelOptions{Diameter: 119})), "want 120 to 190 mm"},
		{"wheel not a number", second(Wheel(WheelOptions{Diameter: math.NaN()})), "a wheel of NaN"},
		{"hole", second(Wheel(WheelOptions{Diameter: 130, Hole: 30})), "a hole of 30 mm: want 2 to 24 mm"},
		{"no flywheel", second(Tape(TapeOptions{})), "a flywheel of 0 mm: want 30 to 1000 mm"},
		{"infinite flywheel", second(Tape(TapeOptions{Diameter: math.Inf(1)})), "a flywheel of +Inf mm"},
		{"reach", second(Tape(TapeOptions{Diameter: 100, Reach: 45})), "want whole tens"},
		{"paper", second(Tape(TapeOptions{Diameter: 100, Thickness: -1})), "paper of -1 mm"},
		{"width", second(Tape(TapeOptions{Diameter: 100, Width: 50})), "want 8 to 40 mm"},
		{"no such paper", second(Pointer(PointerOptions{Paper: 7})), "want the paper A4 or Letter"},
		{"figures", second(Worksheet(WorksheetOptions{Figures: make([]Figure, 21)})), "want at most 20"},
		{"target", second(Worksheet(WorksheetOptions{Target: target(math.NaN())})), "a target of NaN"},
		{"page", must(Pointer(PointerOptions{})).WriteSVG(io.Discard, 2), "page 2 of 1"},
		{"full disk, SVG", must(Pointer(PointerOptions{})).WriteSVG(fullDisk{}, 1), "no space"},
		{"full disk, PDF", must(Pointer(PointerOptions{})).WritePDF(fullDisk{}), "no space"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, c.err, c.want)
		}
	}
}

func second(_ *Document, err error) error { return err }

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space") }

// rendered draws a sheet's first page by a program of others, 300 dots to the inch.
func rendered(t *testing.T, d *Document, program string) image.Image {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		t.Skipf("no %s here", program)
	}
	var in bytes.Buffer
	var cmd *exec.Cmd
	var err error
	if program == "pdftoppm" {
		err = d.WritePDF(&in)
		cmd = exec.Command(program, "-r", "300", "-f", "1", "-l", "1", "-gray", "-png", "-")
	} else {
		err = d.WriteSVG(&in, 1)
		cmd = exec.Command(program, "-d", "300", "-p", "300")
	}
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdin = &in
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v", program, err)
	}
	img, err := png.Decode(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// TestRendered has other programs draw the wheel and the ruler, and measures
// the picture: the middle of the ink across a graduation.
func TestRendered(t *testing.T) {
	if testing.Short() {
		t.Skip("a large picture, slow to measure under the race detector")
	}
	const perMM = 300 / 25.4
	d := must(Wheel(WheelOptions{Rotation: Clockwise}))
	for _, program := range []string{"pdftoppm", "rsvg-convert"} {
		t.Run(program, func(t *testing.T) {
			img := rendered(t, d, program)
			size := img.Bounds().Size()
			if w, h := float64(size.X)/perMM, float64(size.Y)/perMM; math.Abs(w-210) > 0.1 || math.Abs(h-297) > 0.1 {
				t.Errorf("the page is %.2f × %.2f mm", w, h)
			}
			// dark at a place in mm, between pixels.
			dark := func(x, y float64) float64 {
				x, y = x*perMM-0.5, y*perMM-0.5
				i, j := math.Floor(x), math.Floor(y)
				at := func(i, j float64) float64 {
					r, _, _, _ := img.At(int(i), int(j)).RGBA()
					return 1 - float64(r)/65535
				}
				u, v := x-i, y-j
				return (1-v)*((1-u)*at(i, j)+u*at(i+1, j)) + v*((1-u)*at(i, j+1)+u*at(i+1, j+1))
			}
			// middle is how far from (x, y), across the direction of the
			// graduation, its ink has its middle.
			middle := func(x, y, ux, uy float64) (float64, float64) {
				var sum, first float64
				for s := -0.4; s <= 0.4; s += 0.01 {
					k := dark(x+s*ux, y+s*uy)
					sum += k
					first += k * s
				}
				return first / sum, sum * 0.01 // mm of full ink
			}
			cx, cy, r := 105.0, 102.0, 90-2.0 // amid the shortest marks
			worst := 0.0
			for deg := range 360 {
				s, c := math.Sincos(float64(deg) * math.Pi / 180)
				off, ink := middle(cx+r*s, cy-r*c, c, s)
				if !(math.Abs(off) <= scaleTolerance) || ink < 0.04 {
					t.Errorf("the graduation at %d° lies %.3f mm off, ink %.3f mm", deg, off, ink)
				}
				worst = math.Max(worst, math.Abs(off))
			}
			t.Logf("the graduation that is farthest from its place is %.4f mm off", worst)
			ends := func(x, y, ux, uy float64) float64 {
				a, _ := middle(x, y, ux, uy)
				b, ink := middle(x+100*ux, y+100*uy, ux, uy)
				if ink < 0.04 {
					t.Errorf("no mark at the ruler's end")
				}
				return 100 + b - a
			}
			x, y := 10+2*6.4+5, 297-10-6.4+0.6
			if got := ends(x, y-2.9, 1, 0); !(math.Abs(got-100) <= scaleTolerance) {
				t.Errorf("the ruler across is %.3f mm long", got)
			}
			if got := ends(10+6.4-2.9, 297-10, 0, -1); !(math.Abs(got-100) <= scaleTolerance) {
				t.Errorf("the standing ruler is %.3f mm long", got)
			}
		})
	}
}

// TestPDFText: text is text, for whoever searches or reads aloud.
func TestPDFText(t *testing.T) {
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("no pdftotext here")
	}
	var in bytes.Buffer
	if err := must(Tape(TapeOptions{Diameter: 120, Engine: "Двигатель № 3 “big”"})).WritePDF(&in); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("pdftotext", "-layout", "-", "-")
	cmd.Stdin = &in
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Двигатель № 3 “big”", "before top dead centre", "376.99 mm", "1 mm is 0.955°", "TDC", "qualified mechanic"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("the PDF's text has no %q", want)
		}
	}
}

// TestGolden holds the sheets to what was looked at: -update writes them.
func TestGolden(t *testing.T) {
	all := sheets()
	for _, name := range []string{"wheel", "tape", "pointer", "worksheet"} {
		d := all[name]
		for n := range d.Pages() {
			var b bytes.Buffer
			if err := d.WriteSVG(&b, n+1); err != nil {
				t.Fatal(err)
			}
			file := filepath.Join("testdata", fmt.Sprintf("%s-%d.svg", name, n+1))
			if *update {
				if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(b.Bytes(), want) {
				t.Errorf("%s is not what it was; if that is right: go test ./report/print -update, and look at it", file)
			}
		}
	}
}
