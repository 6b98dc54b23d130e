package job

import (
	"slices"
	"strings"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/bench"
	"sparkscope/analysis/enginefile"
)

// known is an engine file with all that a job needs, and no step done.
const known = "[engine]\nname = \"E\"\nflywheel_diameter_mm = 120\n[target]\nangle_deg = 18\ntolerance_deg = 1.5\n"

// parsed is a file of known and more.
func parsed(t *testing.T, more string) enginefile.File {
	t.Helper()
	f, err := enginefile.Parse([]byte(known + more))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// states are the first letters of the steps' states, in their order.
func states(s *Sheet) string {
	var b strings.Builder
	for i := range s.Steps {
		b.WriteString(map[State]string{Done: "x", Next: ">", Open: ".", LeftOut: "-", NotNeeded: "n"}[s.Steps[i].State])
	}
	return b.String()
}

// TestByHand: every step can be entered by hand, in any order, and what is next
// is the first that is open; the verdict by hand is within where all of the ± is.
func TestByHand(t *testing.T) {
	const (
		tdc    = "\ntdc_deg = 0.0\n"
		mark   = "mark_deg = 18\n"
		locked = "locked = \"plate\"\n"
		ref    = "[reference]\nangle_deg = 28.7\n"
		gap    = "[contacts]\ngap_mm = 0.4\n"
		static = "[static]\nangle_deg = 17.8\n"
		early  = ref + gap + static + "[job]" + tdc + mark
		late   = "running_deg = 15\nrunning_tolerance_deg = 1\n"
	)
	for _, c := range []struct{ name, more, states, next, decision string }{
		{"bare", "", ">........", TDC, ""},
		{"the reference first", ref, ">.x......", TDC, ""},
		{"before it runs", early, "xxxxx>...", Running, ""},
		{"it runs late", early + late, "xxxxxx>..", Lock, ""},
		{"adjusted", early + late + locked, "xxxxxxx>.", Again, ""},
		{"well at once", early + "running_deg = 18.4\nrunning_tolerance_deg = 1\n", "xxxxxxnnx", "", analysis.Within},
		// 18.6 - 18 + 1 > 1.5, and 18.6 - 18 - 1 < 1.5
		{"not known well enough", early + late + locked + "again_deg = 18.6\nagain_tolerance_deg = 1\n", "xxxxxxxxx", Lock, analysis.Undecided},
		{"all of it within", early + late + locked + "again_deg = 18.5\nagain_tolerance_deg = 1\n", "xxxxxxxxx", "", analysis.Within},
		{"none of it within", early + late + locked + "again_deg = 20.6\nagain_tolerance_deg = 1\n", "xxxxxxxxx", Lock, analysis.Outside},
		{"without its ±", early + late + locked + "again_deg = 18\n", "xxxxxxxx>", Judged, ""},
		{"no contacts", ref + "[job]" + tdc + mark + "left_out = \"gap, static\"\n", "xxx-->...", Running, ""},
		{"not measured again", early + late + locked + "left_out = \"again\"\n", "xxxxxxx-x", Lock, analysis.Outside},
	} {
		s, err := See(Input{Engine: "e.toml", File: parsed(t, c.more)})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		next := ""
		if s.Next != nil {
			next = s.Next.Key
		}
		if got := states(s); got != c.states || next != c.next || s.Decision != c.decision {
			t.Errorf("%s: %s, next %q, decision %q; want %s, %q, %q", c.name, got, next, s.Decision, c.states, c.next, c.decision)
		}
		for i := range s.Steps {
			st := &s.Steps[i]
			if st.Key != Keys[i] || st.Do == "" && st.State != Done || len(st.Cautions) == 0 {
				t.Errorf("%s: step %d is %+v", c.name, i, st)
			}
			if st.State == Done && len(st.Figures) == 0 {
				t.Errorf("%s: %s is done, and shows no figure", c.name, st.Key)
			}
			for _, h := range slices.Concat(st.How, st.Hand) {
				if !strings.HasPrefix(h, "sparkscope ") || !strings.Contains(h, " e.toml") {
					t.Errorf("%s: %s: %q is no command with the engine file", c.name, st.Key, h)
				}
			}
		}
	}
	f := parsed(t, "[job]\nleft_out = \"gap, spark\"\n")
	if _, err := See(Input{File: f}); err == nil || !strings.Contains(err.Error(), `job.left_out: there is no step "spark" to be left out: want some of tdc, marks`) {
		t.Errorf("a step that there is not: %v", err)
	}
	if _, err := LeftOutSteps(Judged); err == nil {
		t.Error("the verdict can be left out")
	}
}

// result is a measurement of the running engine, held against known's target.
func result(mean float64, decision string, change func(*analysis.Result)) *analysis.Result {
	deg := func(v float64) *analysis.Degrees { d := analysis.Degrees(v); return &d }
	sum := analysis.Summary{N: 90, Mean: analysis.Degrees(mean), Expanded: 0.9, HasExpanded: true, Budget: analysis.NewBudget([]analysis.Component{{Std: 0.45, Distribution: analysis.Normal}})}
	r := &analysis.Result{
		Setup:   analysis.Setup{SparkKind: analysis.Clamp, ReferenceAngle: deg(28.7), Target: deg(18), Tolerance: deg(1.5)},
		Advance: sum, Bins: []analysis.Bin{{FromRPM: 1000, ToRPM: 2000, MeanRPM: 1500, Summary: sum}}, MinRPM: 1000, MaxRPM: 2000, MeanRPM: 1500,
		Verdict: &analysis.Verdict{Decision: decision, Target: 18, Tolerance: 1.5},
	}
	if decision != analysis.Within {
		r.Findings = []analysis.Finding{{Code: "timing-offset", Message: "Turn it."}}
	}
	if change != nil {
		change(r)
	}
	return r
}

// TestResults: results count where they are of the right kind and were measured
// with what the engine file says now; else the sheet says why they do not.
func TestResults(t *testing.T) {
	f := parsed(t, "[reference]\nangle_deg = 28.7\n[job]\nlocked = \"plate\"\nleft_out = \"tdc marks gap\"\n")
	hand := func(r *analysis.Result) {
		r.Setup.SparkKind = analysis.Contacts
		r.MinRPM, r.MaxRPM, r.MeanRPM = 90, 110, 100
	}
	in := func(static, running, again *analysis.Result) Input {
		i := Input{Engine: "e.toml", File: f}
		for _, x := range []struct {
			to   **Measured
			name string
			r    *analysis.Result
		}{{&i.Static, "s.json", static}, {&i.Running, "r.json", running}, {&i.Again, "a.json", again}} {
			if x.r != nil {
				*x.to = &Measured{x.name, x.r}
			}
		}
		return i
	}
	good := result(15, analysis.Outside, nil)
	for _, c := range []struct {
		name         string
		in           Input
		states, says string
		decision     string
	}{
		{"all of them", in(result(15, analysis.Outside, hand), good, result(18, analysis.Within, nil)), "--x-xxxxx", "", analysis.Within},
		{"contacts where the engine should run", in(nil, result(15, analysis.Outside, hand), nil), "--x->.x..", "r.json does not count here: it is of contacts turned by hand", ""},
		{"running where contacts should be", in(good, nil, nil), "--x->.x..", "s.json does not count here: it was measured without --spark-kind contacts", ""},
		{"from the reference", in(nil, result(15, "", func(r *analysis.Result) { r.Relative = true }), nil), "--x->.x..", "its angles are relative to the reference", ""},
		{"another reference angle", in(nil, result(15, analysis.Outside, func(r *analysis.Result) { *r.Setup.ReferenceAngle = 30 }), nil), "--x->.x..", "it was measured with a reference angle of 30°, and the engine file says 28.7°", ""},
		{"another target", in(nil, result(15, analysis.Within, func(r *analysis.Result) { *r.Setup.Target = 15 }), nil), "--x->.x..", "another target or tolerance", ""},
		{"no target", in(nil, result(15, "", func(r *analysis.Result) { r.Setup.Target, r.Setup.Tolerance, r.Verdict = nil, nil, nil }), nil), "--x->.x..", "r.json does not count here: it was measured without a target. Measure the recording again with --engine e.toml.", ""},
		{"another tolerance", in(nil, result(15, analysis.Within, func(r *analysis.Result) { *r.Setup.Tolerance = 4 }), nil), "--x->.x..", "another target or tolerance", ""},
	} {
		s, err := See(c.in)
		if err != nil {
			t.Fatal(err)
		}
		var said []string
		for i := range s.Steps {
			said = append(said, s.Steps[i].Remarks...)
		}
		if got := states(s); got != c.states || s.Decision != c.decision || (c.says == "") != (len(said) == 0) || !strings.Contains(strings.Join(said, "\n"), c.says) {
			t.Errorf("%s: %s, %q, says %q; want %s, %q, %q", c.name, got, s.Decision, said, c.states, c.decision, c.says)
		}
	}
	s, err := See(in(result(15, analysis.Outside, hand), good, result(18, analysis.Within, nil)))
	if err != nil {
		t.Fatal(err)
	}
	if c := s.step(Running).Compared; c == nil || c.First.Name != "s.json" {
		t.Error("running is not compared with static")
	}
	if c := s.step(Again).Compared; c == nil || c.Mean.Difference != 3 {
		t.Errorf("measured again is not compared with before: %+v", c)
	}
	// Before it is measured again, what running asks for stands with the lock.
	if s, err = See(in(nil, good, nil)); err != nil {
		t.Fatal(err)
	}
	if figures := s.step(Lock).Figures; !slices.ContainsFunc(figures, func(f Figure) bool { return f.Words == "Turn it." && f.From == "r.json" }) {
		t.Errorf("the lock does not say what is asked for: %+v", figures)
	}
	// A result that has gone leaves its step open, and says so.
	gone := in(nil, good, nil)
	gone.Running, gone.Unread = nil, map[string]string{Running: "r.json: there is no such file."}
	if s, err = See(gone); err != nil || s.step(Running).State == Done || s.step(Running).Remarks[0] != "r.json: there is no such file." {
		t.Errorf("%v, %+v", err, s.step(Running))
	}
	// What the file does not ask for, the result may have been held against.
	open, err := enginefile.Parse([]byte("[reference]\nangle_deg = 28.7\n"))
	if err != nil {
		t.Fatal(err)
	}
	if s, err = See(Input{Engine: "e.toml", File: open, Running: &Measured{"r.json", result(18, analysis.Within, nil)}}); err != nil || s.step(Running).State != Done || s.Decision != analysis.Within {
		t.Errorf("without a target in the file: %v, %+v", err, s)
	}
	// A target by table leaves open which of its angles is marked and set.
	table, err := enginefile.Parse([]byte("[target]\ntable = [ { rpm = 1500, angle_deg = 10 }, { rpm = 4000, angle_deg = 22 } ]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if s, err = See(Input{Engine: "e.toml", File: table}); err != nil || s.step(Marks).How[0] != "sparkscope bench rim --engine e.toml --angle …" || !strings.Contains(s.step(Gap).How[0], " --target … ") {
		t.Errorf("by table: %v, %q, %q", err, s.step(Marks).How, s.step(Gap).How)
	}
	// A calculator's answer is shown.
	tdc := Input{Engine: "e.toml", File: parsed(t, ""), TDC: &Calculated{"t.json", &bench.Result{Calculator: "tdc", Headline: "There."}}}
	if s, err = See(tdc); err != nil || s.step(TDC).State != Done || s.step(TDC).Figures[0].Words != "There." {
		t.Errorf("%v, %+v", err, s.step(TDC))
	}
}

// TestAskedFor: the step of the adjustment shows what the running engine asks
// for: to stop, to turn the plate, or not to turn it, and nothing of an engine
// that asks for nothing.
func TestAskedFor(t *testing.T) {
	f := parsed(t, "[reference]\nangle_deg = 28.7\n")
	for _, c := range []struct{ code, want string }{
		{"too-advanced", "Stop."}, {"timing-offset", "Turn."}, {"offset-by-speed", "Do not turn."}, {"alternating", ""},
	} {
		r := result(15, analysis.Outside, func(r *analysis.Result) {
			r.Findings = []analysis.Finding{{Code: "drift", Message: "Drifts."}, {Code: c.code, Message: c.want}}
		})
		in := Input{Engine: "e.toml", File: f, Running: &Measured{Name: "r.json", Result: r}}
		sheet, err := See(in)
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, s := range sheet.Steps {
			for _, x := range s.Figures {
				if s.Key == Lock && x.Key == "asked" {
					got = x.Words
				}
			}
		}
		if got != c.want {
			t.Errorf("%s: asked for %q, want %q", c.code, got, c.want)
		}
	}
}
