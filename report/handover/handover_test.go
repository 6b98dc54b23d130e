package handover

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"html/template"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/report/letters"
	"sparkscope/report/plot"
)

var keep = flag.String("keep", "", "folder to leave the sheets of all cases in, to be looked at")

// long is so many words.
func long(n int) string {
	return strings.TrimSpace(strings.Repeat("The contacts bounce above 4000 rpm, which costs sparks and burns their faces; look to the spring. ", n/18+1))
}

// usual is a report as it mostly is.
func usual() Content {
	var points []plot.Point
	var apart []plot.Point
	var moments []plot.Moment
	for i := range 300 {
		x := float64(i) / 300
		rpm, deg := 1300+4700*x, 18-1.5*x+0.5*math.Sin(float64(i*i))
		points = append(points, plot.Point{RPM: rpm, Deg: deg})
		apart = append(apart, plot.Point{RPM: rpm, Deg: deg - 18 + 1.5*x})
		moments = append(moments, plot.Moment{S: 10 * x, RPM: rpm, Deg: deg})
	}
	target := &plot.Band{Deg: 18, Half: 2}
	c := Content{
		Title: "Ignition timing of bench engine No. 3", Source: "Measured from pull.wav.", Answer: "Fires at 17.2° before top dead centre (±0.8°).",
		Verdict: "WITHIN tolerance", Reason: "target 18° ± 2°.", ToDoHead: "What to do",
		Setup:  []Pair{{"engine", "bench engine No. 3"}, {"reference", "channel 2"}, {"target", "18° ± 2°"}},
		Course: plot.Input{Points: points, Target: target}, Wheel: plot.Wheel{Points: points, Target: target}, Scatter: plot.Scatter{Points: apart}, Speed: plot.Course{Moments: moments, SpeedOnly: true},
		BySpeed:  Table{Head: []string{"rpm", "sparks", "advance", "±"}, Last: 1, More: "more ranges: %d"},
		Findings: []Note{{"Note", "mains hum is 40 dB below the pulses"}},
		Budget:   Table{Head: []string{"source", "known to", "u", "share"}, Text: []bool{true, true, false, false}, More: "smaller parts: %d"},
		Together: "Together ±0.8° at 95 % coverage.", Repeat: "sparkscope measure pull.wav --reference-angle 30", Program: "sparkscope", Cautions: []string{"Stop the engine before you touch anything."},
	}
	for i := range 9 {
		c.BySpeed.Rows = append(c.BySpeed.Rows, []string{fmt.Sprintf("%d – %d", 500*i, 500*i+500), "40", "17.2°", "0.8°"})
		c.Budget.Rows = append(c.Budget.Rows, []string{"reference angle", "±0.5°, rectangular", "0.289°", "40 %"})
	}
	return c
}

// full has more of everything than there is room for.
func full() Content {
	c := usual()
	c.Title, c.Source, c.Answer, c.Reason, c.Before, c.Together, c.Repeat = long(60), long(60), long(60), long(200), long(90), long(90), strings.Repeat("sparkscope --flag=", 60)
	for i := range 30 {
		c.ToDo = append(c.ToDo, Note{"Warning", long(120)})
		c.Caveats = append(c.Caveats, Note{"Warning", long(120)})
		c.Findings = append(c.Findings, Note{"Warning", fmt.Sprint(i, " ", long(150))})
		c.Setup = append(c.Setup, Pair{"name " + long(20), long(70)})
		c.Remarks = append(c.Remarks, long(40))
		c.BySpeed.Rows = append(c.BySpeed.Rows, c.BySpeed.Rows[0])
		c.Budget.Rows = append(c.Budget.Rows, []string{long(20), long(10), "0.1°", "1 %"})
	}
	c.ToDo = c.ToDo[:3] // the caller's limit
	c.Changes = Table{Head: []string{"rpm", "before", "after"}, Last: 1, More: "more: %d"}
	for range 30 {
		c.Changes.Rows = append(c.Changes.Rows, []string{"1000", "15°", "18°"})
	}
	return c
}

// alphabets has names that are not Latin.
func alphabets() Content {
	c := usual()
	c.Title = "Κινητήρας Двигатель № 3 発動機 محرك 12"
	c.Setup = append(c.Setup, Pair{"notes", "Σταθερό, исправен, 良好, جيد 5.5"}, Pair{"recording", strings.Repeat("발동기", 40) + ".wav"})
	c.Remarks = []string{"تم ضبط الفجوة 0.40 mm", "Зазор 0,40 мм"}
	return c
}

func contents() map[string]Content {
	return map[string]Content{"usual": usual(), "full": full(), "alphabets": alphabets(), "nothing": {}}
}

func faces(t *testing.T) setter {
	f, err := letters.Load()
	if err != nil {
		t.Fatal(err)
	}
	return setter{f}
}

// TestFits: whatever there is, both sheets have room for what is kept of it,
// the pictures stay large enough to be read, and what is left out is counted and
// kept for the screen.
func TestFits(t *testing.T) {
	set := faces(t)
	for name, c := range contents() {
		s := set.fitted(c, slack)
		if h := set.secondTall(&s); h > tall {
			t.Errorf("%s: the second sheet is %.0f mm tall, of %.0f", name, h, tall)
		}
		if h := s.height; h.Course < 40 || h.Pair < 36 || h.Speed < 20 {
			t.Errorf("%s: pictures of %.0f, %.0f and %.0f mm: too small to be read", name, h.Course, h.Pair, h.Speed)
		}
		if len(s.BySpeed.Rows) != len(c.BySpeed.Rows) && s.MoreBySpeed == "" || len(s.Findings) != len(c.Findings) && s.MoreFindings == "" || len(s.Setup) != len(c.Setup) && s.MoreSetup == "" {
			t.Errorf("%s: left out in silence", name)
		}
	}
	s := set.fitted(full(), slack)
	if got := len(s.Findings); got < leastFindings {
		t.Errorf("full: %d findings, want %d at least", got, leastFindings)
	}
	kept := map[string]bool{}
	for _, n := range s.Whole {
		kept[n.Text] = true
	}
	for _, n := range full().Findings[2:] {
		if text := strings.Join(strings.Fields(n.Text), " "); !kept[text] {
			t.Errorf("full: %.20q… is on no sheet and not among the rest", text)
		}
	}
	if s := set.fitted(usual(), slack); len(s.Whole) > 0 || s.MoreFindings+s.MoreBySpeed != "" {
		t.Errorf("usual: shortened without need: %v", s.Whole)
	}
}

// TestWrap: no line is wider than it may be, and no letter gets lost.
func TestWrap(t *testing.T) {
	set := faces(t)
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOfN(rapid.RuneFrom([]rune("abc DЖω中ש 12.5°")), 0, 300, -1).Draw(t, "s")
		w := rapid.Float64Range(12, 190).Draw(t, "w")
		lines := set.wrap(false, s, textSize, w)
		for _, l := range lines {
			if set.room(false, l, textSize) > w+1e-9 && len([]rune(l)) > 1 {
				t.Fatalf("%q is %.1f mm wide, of %.1f", l, set.room(false, l, textSize), w)
			}
		}
		if got, want := strings.ReplaceAll(strings.Join(lines, ""), " ", ""), strings.Join(strings.Fields(s), ""); got != want {
			t.Fatalf("%q became %q", want, got)
		}
		n := rapid.IntRange(1, 4).Draw(t, "lines")
		short := set.shortened(false, s, textSize, w, n)
		if got := len(set.wrap(false, short, textSize, w)); got > n {
			t.Fatalf("%q takes %d lines, of %d", short, got, n)
		}
	})
}

func TestCut(t *testing.T) {
	tab := Table{Head: []string{"n"}, Last: 1, More: "more: %d"}
	for i := range 11 {
		tab.Rows = append(tab.Rows, []string{fmt.Sprint(i)})
	}
	for _, c := range []struct {
		n      int
		spread bool
		want   string
		more   string
	}{{20, true, "0 1 2 3 4 5 6 7 8 9 10", ""}, {4, true, "0 3 6 9 10", "more: 6"}, {4, false, "0 1 2 3 10", "more: 6"}, {1, true, "0 10", "more: 9"}} {
		got, more := cut(tab, c.n, c.spread)
		var all []string
		for _, r := range got.Rows {
			all = append(all, r[0])
		}
		if s := strings.Join(all, " "); s != c.want || more != c.more {
			t.Errorf("%d rows: %s, %q; want %s, %q", c.n, s, more, c.want, c.more)
		}
	}
}

// TestCutKeeps: the rows that are not within stay when others go, and are counted
// where there are too many.
func TestCutKeeps(t *testing.T) {
	for _, c := range []struct {
		n    int
		bad  []int
		want string
		more string
	}{{4, []int{5}, "0 4 5 9 10", "more: 6"}, {4, []int{1, 2, 6, 7}, "1 2 6 7 10", "more: 6"}, {2, []int{3, 4, 8}, "3 8 10", "more: 8 (1 of them not shown to be within)"}} {
		tab := Table{Head: []string{"n"}, Last: 1, More: "more: %d", Keep: make([]bool, 11)}
		for i := range 11 {
			tab.Rows = append(tab.Rows, []string{fmt.Sprint(i)})
		}
		for _, i := range c.bad {
			tab.Keep[i] = true
		}
		got, more := cut(tab, c.n, true)
		var all []string
		for _, r := range got.Rows {
			all = append(all, r[0])
		}
		if s := strings.Join(all, " "); s != c.want || more != c.more {
			t.Errorf("%d rows, bad %v: %s, %q; want %s, %q", c.n, c.bad, s, more, c.want, c.more)
		}
	}
}

// TestFitKeeps: of a full report's speeds, each one alone that is not within
// stands on the sheet.
func TestFitKeeps(t *testing.T) {
	set := faces(t)
	c := full()
	body := len(c.BySpeed.Rows) - c.BySpeed.Last
	for _, i := range []int{1, body / 2, body - 2} {
		c.BySpeed.Keep = make([]bool, body)
		c.BySpeed.Keep[i] = true
		s := set.fitted(c, slack)
		if s.MoreBySpeed == "" {
			t.Fatal("nothing is left out: the test says nothing")
		}
		found := false
		for _, r := range s.BySpeed.Rows {
			found = found || &r[0] == &c.BySpeed.Rows[i][0]
		}
		if !found || set.secondTall(&s) > tall {
			t.Errorf("row %d of %d: found %v, %v mm tall", i, body, found, set.secondTall(&s))
		}
	}
}

// TestPDF has the sheets read by poppler: two of A4, with every word that was
// kept, in Greek and Cyrillic too, and nothing outside the margins.
func TestPDF(t *testing.T) {
	for name, c := range contents() {
		var b, again bytes.Buffer
		if err := errors.Join(PDF(&b, c), PDF(&again, c)); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if !bytes.Equal(b.Bytes(), again.Bytes()) {
			t.Errorf("%s: not the same twice", name)
		}
		path := filepath.Join(t.TempDir(), "x.pdf")
		if *keep != "" {
			path = filepath.Join(*keep, name+".pdf")
		}
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := exec.LookPath("pdftotext"); err != nil {
			t.Skip("no pdftotext to read it with: install poppler-utils")
		}
		info, err := exec.Command("pdfinfo", path).Output()
		if err != nil {
			t.Fatal(err)
		}
		if s := string(info); !strings.Contains(s, "Pages:           2\n") || !strings.Contains(s, "(A4)") {
			t.Errorf("%s: %s", name, s)
		}
		out, err := exec.Command("pdftotext", "-layout", path, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		text := string(out)
		want := []string{"Engine and set-up", "Findings, and what was done about them", "Remarks", "Signature"}
		if name == "alphabets" {
			want = append(want, "Κινητήρας Двигатель № 3", "Зазор 0,40 мм", "□ stands for")
		}
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: the PDF does not say %q", name, w)
			}
		}
		if name == "usual" && strings.Contains(text, "□") {
			t.Error("usual: a letter is lacking")
		}
		// Words with their places, in points from the upper left corner.
		boxes, err := exec.Command("pdftotext", "-bbox", path, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(boxes)) {
			var x0, y0, x1, y1 float64
			if n, _ := fmt.Sscanf(strings.TrimSpace(line), `<word xMin="%f" yMin="%f" xMax="%f" yMax="%f">`, &x0, &y0, &x1, &y1); n < 4 {
				continue
			}
			const edge = margin / point
			if x0 < edge-2 || x1 > paperWide/point-edge+6 || y0 < edge-4 || y1 > paperTall/point-edge+4 {
				t.Errorf("%s: beyond the margins: %s", name, strings.TrimSpace(line))
			}
		}
	}
}

// evil is what nobody may get into a page.
const evil = `</title><script>alert(1)</script>"'><img src=x onerror=alert(2)><!-- {{.}} ${x} javascript:alert(3)`

// TestEscapes puts it everywhere where words from outside may stand.
func TestEscapes(t *testing.T) {
	c := usual()
	notes := []Note{{evil, evil}}
	c.Title, c.Source, c.Answer, c.Verdict, c.Reason, c.Before, c.Together, c.Repeat, c.Program, c.ToDoHead = evil, evil, evil, evil, evil, evil, evil, evil, evil, evil
	c.Caveats, c.ToDo, c.Findings, c.Remarks, c.Cautions = notes, notes, notes, []string{evil}, []string{evil}
	c.Setup = []Pair{{evil, evil}}
	tab := Table{Head: []string{evil}, Rows: [][]string{{evil}}, Note: evil, More: "%d"}
	c.BySpeed, c.Changes, c.Budget = tab, tab, tab
	var b bytes.Buffer
	if err := HTML(&b, c, ""); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "<img", "<!--", "onerror=alert(2)>"} {
		if strings.Contains(b.String(), bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if n := strings.Count(b.String(), "&lt;script&gt;"); n < 15 {
		t.Errorf("it stands in %d places, escaped: want it everywhere", n)
	}
	if err := PDF(&b, c); err != nil {
		t.Errorf("PDF: %v", err)
	}
}

// TestRefuses: no page of what is no number, and a writer that fails is told of.
func TestRefuses(t *testing.T) {
	c := usual()
	c.Scatter = plot.Scatter{Points: []plot.Point{{RPM: math.NaN()}}}
	var b bytes.Buffer
	if err := HTML(&b, c, ""); err == nil || b.Len() > 0 {
		t.Errorf("page: error %v, %d bytes written", err, b.Len())
	}
	if err := PDF(&b, c); err == nil || b.Len() > 0 {
		t.Errorf("PDF: error %v, %d bytes written", err, b.Len())
	}
	if HTML(broken{}, usual(), "") == nil || PDF(broken{}, usual()) == nil {
		t.Error("a writer that fails is not told of")
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("disk full") }

// TestPages: two sheets and the rest, and nothing from elsewhere.
func TestPages(t *testing.T) {
	for name, c := range contents() {
		var b bytes.Buffer
		if err := HTML(&b, c, template.HTML("<p>the rest</p>")); err != nil {
			t.Fatal(err)
		}
		s := b.String()
		for _, bad := range []string{"src=", "href=", "@import", "url(", "<?xml", "NaN"} {
			if strings.Contains(s, bad) {
				t.Errorf("%s: the page holds %q", name, bad)
			}
		}
		if strings.Count(s, `class="sheet"`) != 2 || !strings.Contains(s, "<p>the rest</p>") {
			t.Errorf("%s: not two sheets and the rest", name)
		}
		if *keep != "" {
			if err := os.WriteFile(filepath.Join(*keep, name+".html"), b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// BenchmarkPDF and BenchmarkHTML: a report is to take less than a second.
func BenchmarkPDF(b *testing.B) {
	c := usual()
	for b.Loop() {
		var w bytes.Buffer
		if err := PDF(&w, c); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(w.Len()))
	}
}

func BenchmarkHTML(b *testing.B) {
	c := usual()
	for b.Loop() {
		var w bytes.Buffer
		if err := HTML(&w, c, ""); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(w.Len()))
	}
}
