package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/report/plot"
)

var keepReports = flag.String("keep", "", "folder to leave the reports and pictures of all results in, to be looked at")

// TestPictures: every kind of picture of every result is drawn, and says what
// angles are counted from.
func TestPictures(t *testing.T) {
	for name, r := range results() {
		for _, kind := range []PlotKind{"", PlotAdvance, PlotScatter, PlotTime, PlotDistribution, PlotWheel} {
			var b bytes.Buffer
			if err := Picture(&b, r, kind, plot.SVG); err != nil {
				t.Errorf("%s, %s: %v", name, kind, err)
				continue
			}
			d := xml.NewDecoder(bytes.NewReader(b.Bytes()))
			for {
				if _, err := d.Token(); errors.Is(err, io.EOF) {
					break
				} else if err != nil {
					t.Errorf("%s, %s: not well-formed: %v", name, kind, err)
					break
				}
			}
			if kind != PlotScatter && r.Relative != strings.Contains(b.String(), "reference event") {
				t.Errorf("%s, %s: relative %v, and the picture says otherwise", name, kind, r.Relative)
			}
			if *keepReports != "" {
				if err := os.WriteFile(filepath.Join(*keepReports, name+"-"+string(kind)+".svg"), b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if err := Picture(io.Discard, full(), "cake", plot.SVG); err == nil {
		t.Error("a kind that there is not is drawn")
	}
}

// TestReports: of every result there is a report of two sheets, and html-validate
// has nothing to say where it is installed.
func TestReports(t *testing.T) {
	dir := *keepReports
	if dir == "" {
		dir = t.TempDir()
	}
	var pages []string
	for name, r := range results() {
		h := HandOver{Engine: "bench engine No. 3", Remarks: []string{"gap set to 0.40 mm"}, Repeat: "sparkscope measure pull.wav", Program: "sparkscope"}
		var page, paper bytes.Buffer
		if err := errors.Join(h.HTML(&page, r), h.PDF(&paper, r)); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if n := bytes.Count(paper.Bytes(), []byte("/Type /Page\n")); n != 2 {
			t.Errorf("%s: %d sheets, want 2", name, n)
		}
		for _, want := range []string{Headline(r), "Ignition timing: bench engine No. 3", "gap set to 0.40 mm", "sparkscope measure pull.wav", "Signature", HandsOff} {
			if !strings.Contains(page.String(), want) {
				t.Errorf("%s: the page lacks %q", name, want)
			}
		}
		if r.Verdict != nil && !strings.Contains(page.String(), verdictWord(r.Verdict.Decision)) {
			t.Errorf("%s: the page lacks the verdict", name)
		}
		path := filepath.Join(dir, name+".html")
		pages = append(pages, path)
		if err := errors.Join(os.WriteFile(path, page.Bytes(), 0o644), os.WriteFile(filepath.Join(dir, name+".pdf"), paper.Bytes(), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	validator, err := exec.LookPath("html-validate")
	if err != nil {
		t.Skip("html-validate is not in the path: the pages are not validated (npm install html-validate@10.17.0)")
	}
	if out, err := exec.Command(validator, append([]string{"--preset", "standard"}, pages...)...).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestReportShowsTheBadRange: of many ranges within, the one that is not stands in
// the sheets' table, and is counted under the verdict.
func TestReportShowsTheBadRange(t *testing.T) {
	r := full()
	bin := r.Bins[0]
	v := *r.Verdict
	r.Verdict, r.Bins, v.Bins = &v, nil, nil
	for i := range 30 {
		b := bin
		b.FromRPM, b.ToRPM = 1000+250*float64(i), 1250+250*float64(i)
		r.Bins = append(r.Bins, b)
		v.Bins = append(v.Bins, analysis.BinVerdict{Decision: analysis.Within})
	}
	v.Bins[7].Decision = analysis.Undecided
	var page bytes.Buffer
	if err := (HandOver{}).HTML(&page, r); err != nil {
		t.Fatal(err)
	}
	sheets, _, _ := strings.Cut(page.String(), `<section class="rest">`)
	for _, s := range []string{"1 of 30 ranges of speed is not shown to be within.", "2750 – 3000", "more ranges of speed"} {
		if !strings.Contains(sheets, s) {
			t.Errorf("the sheets do not say %q", s)
		}
	}
}

// TestReportEscapes: nothing of what a file said gets into the page as markup.
func TestReportEscapes(t *testing.T) {
	const evil = `</title></style><script>alert(1)</script>"'><img src=x onerror=alert(2)><svg onload=alert(3)>`
	r := full()
	r.Recording.Path, r.Recording.Fingerprint = "x/"+evil+".wav", evil
	r.Recording.Remarks = []string{evil}
	r.Setup.EngineFile = evil
	r.Verdict.Advice = evil
	r.Decisions = append(r.Decisions, analysis.Decision{What: evil, Value: evil, Why: evil})
	for i := range r.Findings {
		r.Findings[i].Message = evil
	}
	r.Uncertainty[0].Source, r.Uncertainty[0].Estimate, r.Uncertainty[0].Shrink = evil, evil, evil
	h := HandOver{Engine: evil, Notes: evil, Remarks: []string{evil}, Repeat: evil, Program: evil}
	var b, paper bytes.Buffer
	if err := errors.Join(h.HTML(&b, r), h.PDF(&paper, r)); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "<img", "<svg onload", "onerror=alert(2)>"} {
		if strings.Contains(b.String(), bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if strings.Count(b.String(), "</title>")-1 != 0 || strings.Count(b.String(), "</style>")-1 != 0 {
		t.Error("title or style ends where a file said so")
	}
}

// TestReportBefore: what was before is set against what is, by speed.
func TestReportBefore(t *testing.T) {
	before := full()
	before.Advance.Mean -= 3
	component := analysis.Component{Source: "scatter of the timing", Kind: "A", Std: 0.05, Dof: 100}
	budget := func(s *analysis.Summary) {
		b := analysis.NewBudget([]analysis.Component{component})
		s.Budget, s.Expanded, s.HasExpanded = b, b.Expanded, true
	}
	after := full()
	for _, r := range []*analysis.Result{before, after} {
		budget(&r.Advance)
		for i := range r.Bins {
			budget(&r.Bins[i].Summary)
		}
	}
	for i := range before.Bins {
		before.Bins[i].Mean -= 3
	}
	c, err := compare.Compare(compare.FromResult("before", before), compare.FromResult("after", after), compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	content := HandOver{Before: c}.content(after)
	if !strings.HasPrefix(content.Before, "After fires 3.0") {
		t.Errorf("it says %q", content.Before)
	}
	for _, row := range content.Changes.Rows {
		if !strings.HasPrefix(row[3], "+3.0") || row[5] != "earlier" {
			t.Errorf("by speed: %q, want earlier by 3.0°", row)
		}
	}
	if len(content.Changes.Rows) < 3 {
		t.Errorf("%d rows", len(content.Changes.Rows))
	}
	if none := (HandOver{}).content(after); none.Before != "" || len(none.Changes.Rows) > 0 {
		t.Error("something from before where there is nothing")
	}
}

// many is the result of ten minutes at the top: as many sparks as a report may
// have to show.
func many() *analysis.Result {
	r := full()
	r.Firings = nil
	for i := range 60000 {
		x := float64(i) / 60000
		r.Firings = append(r.Firings, analysis.Firing{TimeS: 600 * x, Revolution: i, RPM: 1300 + 4700*x, Advance: analysis.Degrees(18 - 2*x + 0.5*math.Sin(float64(i)*float64(i))), HasAngle: true, Status: analysis.OK})
	}
	return r
}

// BenchmarkReport: both reports of 60 000 sparks, which together are to take
// less than a second.
func BenchmarkReport(b *testing.B) {
	r := many()
	for name, write := range map[string]func(io.Writer, *analysis.Result) error{"pdf": HandOver{}.PDF, "html": HandOver{}.HTML} {
		b.Run(name, func(b *testing.B) {
			n := 0
			for b.Loop() {
				var w bytes.Buffer
				if err := write(&w, r); err != nil {
					b.Fatal(err)
				}
				n = w.Len()
			}
			b.ReportMetric(float64(n), "bytes")
		})
	}
}
