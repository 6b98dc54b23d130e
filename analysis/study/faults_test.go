package study

import (
	"fmt"
	"math"
	"os"
	"slices"
	"sort"
	"strings"
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp/synth"
)

// faultTruth is the truth of a fault's recording.
func faultTruth(t *testing.T, f Fault) (*scene.Truth, Bench) {
	t.Helper()
	b, err := f.Bench()
	if err != nil {
		t.Fatalf("%s: %v", f, err)
	}
	truth, _, err := scene.Render(b.Spec)
	if err != nil {
		t.Fatalf("%s: %v", f, err)
	}
	return truth, b
}

// Every row of the matrix has a name of its own and a recording; every one that
// should be measured is fair: the oracle, which knows all the times, stays
// within the limits in mean and knows nearly all of the angles at severity 1.
func TestFaultsAreFair(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range Faults(3, "") {
		if seen[f.String()] {
			t.Errorf("%s twice", f)
		}
		seen[f.String()] = true
		if f.RateHz != 48000 || f.Pickup == scene.Coil || f.Pickup == scene.Reed && f.Trouble != "bounce" {
			continue // the oracle does not see samples
		}
		truth, b := faultTruth(t, f)
		k, _ := f.kind()
		errs := oracle(truth, b.Setup)
		if k.refuse != nil {
			good := 0
			for _, d := range errs {
				if math.Abs(d) <= OracleGood {
					good++
				}
			}
			// One that must be refused has no angles, or the oracle's are mostly
			// wrong too.
			if 2*good > len(errs) {
				t.Errorf("%s: must be refused, and the oracle has %d of %d angles right", f, good, len(errs))
			}
			continue
		}
		if f.Severity > 1 {
			continue
		}
		var mean float64
		bad := 0
		for _, d := range errs {
			mean += d / float64(len(errs))
			if math.Abs(d) > OracleGood {
				bad++
			}
		}
		limit := TargetMean
		if k.double {
			limit *= 2
		}
		// An engine that starts and stops has turns whose speed no pulse tells.
		most := 0.02
		if f.Trouble == "kick" {
			most = 0.2
		}
		if f.Trouble == "hand-marks" || f.Trouble == "hand-contacts-marks" {
			most = 0.1
		}
		least := 15
		if f.Trouble == "hand-contacts-slow" {
			least = 8 // 50 s at 10 rpm have no more turns
		}
		if len(errs) < least || math.Abs(mean) > limit || float64(bad) > most*float64(len(errs)) {
			t.Errorf("%s: the oracle has %d angles, %d of them beyond %g, mean error %.3f: want it to do what is asked of the instrument", f, len(errs), bad, OracleGood, mean)
		}
	}
	if len(seen) < 900 {
		t.Errorf("%d rows", len(seen))
	}
}

// A trouble of the gain moves it: the samples with it, divided by those without,
// come back by 10 dB within some turn where the gain is controlled, twice that at
// severity 2, and by the whole depth of the gate in some turn where noise is
// suppressed. A row that its trouble hardly touches shows nothing.
func TestGainMoves(t *testing.T) {
	const (
		controlled = 10.0 // dB, at severity 1
		near       = 2.0  // dB: of open, and of closed, after three of its time constants and more
		least      = 1e-4 // of full scale: a sample that is nearly nothing has no ratio
	)
	for _, f := range Faults(3, "") {
		if f.Trouble != "gain-control" && f.Trouble != "gate" {
			continue
		}
		if f.RateHz != 48000 {
			continue // the gain goes by the clock
		}
		b, err := f.Bench()
		if err != nil {
			t.Fatal(err)
		}
		b.Spec.Bits = 0
		var x [2][][]float64
		var truth *scene.Truth
		for i := range x {
			if i == 1 {
				b.Spec.AGC, b.Spec.Gate = nil, nil
			}
			var src *synth.Source
			if truth, src, err = scene.Render(b.Spec); err != nil {
				t.Fatal(err)
			}
			for range src.Channels() {
				x[i] = append(x[i], make([]float64, truth.Frames))
			}
			src.Next(x[i])
		}
		refs := truth.Of(engine.Reference)
		most, closed, opened := 0.0, math.Inf(1), math.Inf(1) // dB, of a turn
		for k := range refs[1:] {
			lo, hi := math.Inf(1), 0.0
			for i := int(refs[k].AppearsS * f.RateHz); i < int(refs[k+1].AppearsS*f.RateHz); i++ {
				for c := range x[0] {
					if math.Abs(x[1][c][i]) > least {
						g := x[0][c][i] / x[1][c][i]
						lo, hi = math.Min(lo, g), math.Max(hi, g)
					}
				}
			}
			most = math.Max(most, 20*math.Log10(hi/lo))
			closed, opened = math.Min(closed, 20*math.Log10(lo)), math.Min(opened, 20*math.Log10(hi))
		}
		if f.Trouble == "gain-control" {
			// A coil at 200 rpm is so weak that the control ends at its 30 dB.
			want := controlled * float64(f.Severity)
			if f.Pickup == scene.Coil {
				want = math.Min(want, 18)
			}
			if most < want {
				t.Errorf("%s: the gain moves by %.1f dB within a turn at most: want %g", f, most, want)
			}
			continue
		}
		if floor := -12 * float64(f.Severity); closed > floor+near || opened < -near {
			t.Errorf("%s: no turn closes further than to %.1f dB, or one opens to %.1f only: want %g and 0 within %g", f, closed, opened, floor, near)
		}
	}
}

// The families take turns as the legend says: a trouble with three pick-ups
// meets every electric one at each severity, six of them at one rate alone; a
// microphone hears a snap; one that is asked for is in all other rows.
func TestFamiliesTakeTurns(t *testing.T) {
	type part struct {
		trouble  string
		severity int
		rate     float64 // 0: all
	}
	met := map[part]map[string]bool{}
	pickups := map[string]map[scene.Pickup]bool{}
	note := func(p part, family string) {
		if met[p] == nil {
			met[p] = map[string]bool{}
		}
		met[p][family] = true
	}
	for _, f := range Faults(3, "") {
		note(part{f.Trouble, f.Severity, 0}, f.Family)
		note(part{f.Trouble, 0, f.RateHz}, f.Family)
		if pickups[f.Trouble] == nil {
			pickups[f.Trouble] = map[scene.Pickup]bool{}
		}
		pickups[f.Trouble][f.Pickup] = true
		b, err := f.Bench()
		if err != nil || b.Spec.Family != f.Family {
			t.Fatalf("%s: the spark is %q, %v: want the row's %q", f, b.Spec.Family, err, f.Family)
		}
	}
	for p, families := range met {
		n := len(pickups[p.trouble])
		want := 4 * n
		if p.rate != 0 {
			k, _ := Fault{Trouble: p.trouble}.kind()
			if want = n; !k.binary {
				want = 2 * n
			}
		}
		if p.trouble == "microphone" {
			want = 1
		}
		if len(families) != want || families["snap"] != (p.trouble == "microphone") {
			t.Errorf("%v has %d families, %v: want %d", p, len(families), families, want)
		}
	}
	for _, f := range Faults(3, "decay") {
		if want := map[bool]string{true: "snap", false: "decay"}[f.Trouble == "microphone"]; f.Family != want {
			t.Errorf("%s, decay asked for, has %s: want %s", f, f.Family, want)
		}
	}
}

// Second sparks: each needs a row of its own, which the first spark's is not
// however near, and which no remark of a missing spark replaces.
func TestLostLater(t *testing.T) {
	truth, _ := faultTruth(t, Fault{"repeated", 1, scene.Hall, 48000, "ring-sine", 3})
	seconds := truth.Of(engine.Repeated)
	if len(seconds) < 50 {
		t.Fatalf("%d second sparks", len(seconds))
	}
	r := perfect(truth)
	if first, later := lost(truth, r); first != 0 || later != len(seconds) {
		t.Errorf("the first sparks alone: %d and %d lost: want 0 and all %d", first, later, len(seconds))
	}
	for i, e := range seconds {
		f := analysis.Firing{TimeS: e.AppearsS + 0.3*window, Status: analysis.Repeated}
		if i%2 == 1 {
			f.Status = analysis.Interference
		}
		at := sort.Search(len(r.Firings), func(i int) bool { return r.Firings[i].TimeS >= f.TimeS })
		r.Firings = slices.Insert(r.Firings, at, f)
	}
	if first, later := lost(truth, r); first != 0 || later != 0 {
		t.Errorf("each with a row, whatever it is called: %d and %d lost: want none", first, later)
	}
	whole := slices.Clone(r.Firings)
	drop := func(times ...float64) {
		r.Firings = slices.DeleteFunc(slices.Clone(whole), func(f analysis.Firing) bool {
			return slices.ContainsFunc(times, func(t float64) bool { return math.Abs(f.TimeS-t) < 0.4*window })
		})
	}
	// The nearest pair of all, 5° at 6000 rpm: within the window of each other.
	near, apart := 0, math.Inf(1)
	firsts := truth.Of(engine.Spark)
	for i, e := range seconds {
		j := sort.Search(len(firsts), func(j int) bool { return firsts[j].AppearsS > e.AppearsS }) - 1
		if d := e.AppearsS - firsts[j].AppearsS; d < apart {
			near, apart = i, d
		}
	}
	if apart >= window {
		t.Fatalf("no second spark within %g s of its first", window)
	}
	drop(seconds[near].AppearsS, seconds[7].AppearsS)
	r.Missing = append(r.Missing, analysis.Missing{What: "spark", TimeS: seconds[7].AppearsS})
	if first, later := lost(truth, r); first != 0 || later != 2 {
		t.Errorf("two without a row, one of them remarked and one %.3g ms after its first: %d and %d lost: want 0 and 2", 1e3*apart, first, later)
	}
	row, err := Judge(Fault{"repeated", 1, scene.Hall, 48000, "ring-sine", 3}, truth, r, nil)
	if err != nil || row.LostLater != 2 || !slices.Contains(row.Failures(), "accounts") {
		t.Errorf("judged %d later ones lost, %v, %v: want 2, accounts", row.LostLater, row.Failures(), err)
	}
}

// The oracle against sums by hand: at constant acceleration the crank's angle
// is a parabola in time, which a cubic meets exactly; a known delay is taken
// out; a lost reference is bridged.
func TestOracle(t *testing.T) {
	f := Fault{"none", 1, scene.Hall, 48000, "ring-sine", 5}
	b, err := f.Bench()
	if err != nil {
		t.Fatal(err)
	}
	b.Spec.Engine.Profile = engine.Profile{{FromRPM: 1000, ToRPM: 6000, DurationS: 3}}
	b.Spec.SparkDelayS, b.Setup.SparkDelayS = 2e-3, 2e-3
	b.Spec.Engine.MissedReferenceAtRevs = []int{40}
	truth, _, err := scene.Render(b.Spec)
	if err != nil {
		t.Fatal(err)
	}
	errs := oracle(truth, b.Setup)
	refs := truth.Of(engine.Reference)
	inner := 0
	for i, d := range errs {
		at := truth.Of(engine.Spark)[i].AppearsS
		if at > refs[2].AppearsS && at < refs[len(refs)-3].AppearsS { // elsewhere a straight line stands in
			inner++
			const rounding = 1e-6
			if math.Abs(d) > rounding {
				t.Errorf("spark %d at %g s: %g° off", i, at, d)
			}
		}
	}
	if inner < 150 {
		t.Errorf("%d inner sparks", inner)
	}
	// Not told of the delay, it is late by 6·rpm·d: negative, and more the faster.
	b.Setup.SparkDelayS = 0
	for i, d := range oracle(truth, b.Setup) {
		s := truth.Of(engine.Spark)[i]
		want := -6 * s.MomentRPM * 2e-3
		if s.AppearsS > refs[2].AppearsS && s.AppearsS < refs[len(refs)-4].AppearsS && math.Abs(math.Remainder(d-want, 360)) > 0.05*math.Abs(want) {
			t.Errorf("spark %d, delayed: %g° off: want about %g", i, d, want)
		}
	}
}

// What a row is called, for results made from the truth.
func TestJudge(t *testing.T) {
	f := Fault{"missed", 1, scene.Reed, 48000, "ring-sine", 3}
	truth, _ := faultTruth(t, f)
	stated := func(r *analysis.Result, u float64) {
		r.Advance.Expanded, r.Advance.HasExpanded = analysis.Degrees(u), true
	}
	warn := func(r *analysis.Result, code string) {
		r.Findings = append(r.Findings, analysis.Finding{Code: code, Severity: analysis.Warning})
	}
	all := func(by float64) func(*analysis.Result) {
		return func(r *analysis.Result) {
			stated(r, 1)
			for i := range r.Firings {
				r.Firings[i].Advance += analysis.Degrees(by)
			}
		}
	}
	for _, v := range []struct {
		name     string
		severity int
		change   func(*analysis.Result)
		want     string
	}{
		{"perfect", 1, all(0), ""},
		{"off within what is stated", 1, all(0.2), "mean"},
		{"off beyond it", 1, all(1.2), "silent,mean,rms"},
		{"the same with a warning", 1, func(r *analysis.Result) { all(1.2)(r); warn(r, "clipping") }, "mean,rms"},
		{"with one that is none of the figures'", 1, func(r *analysis.Result) { all(1.2)(r); warn(r, "missed-sparks") }, "silent,mean,rms"},
		{"with one about the engine", 1, func(r *analysis.Result) {
			all(1.2)(r)
			warn(r, "contact-bounce")
			r.Findings[len(r.Findings)-1].Engine = true
		}, "silent,mean,rms"},
		{"twice as bad, and warned of", 2, func(r *analysis.Result) { all(1.2)(r); warn(r, "clipping") }, ""},
		{"twice as bad, and silent", 2, all(1.2), "silent"},
		{"single sparks out", 1, func(r *analysis.Result) {
			stated(r, 0.2)
			for i := range r.Firings {
				r.Firings[i].Advance += analysis.Degrees(0.5 * float64(1-2*(i%2)))
			}
		}, "silent,rms"},
		{"a twentieth not counted", 1, func(r *analysis.Result) {
			stated(r, 1)
			for i := range r.Firings {
				if i%20 == 7 {
					r.Firings[i].Status = analysis.Interference
				}
			}
		}, "recall"},
		{"a few left out altogether", 1, func(r *analysis.Result) { stated(r, 1); r.Firings = r.Firings[:len(r.Firings)-3] }, "accounts"},
		{"the same, remarked", 1, func(r *analysis.Result) {
			stated(r, 1)
			for _, e := range r.Firings[len(r.Firings)-3:] {
				r.Missing = append(r.Missing, analysis.Missing{What: "spark", TimeS: e.TimeS + 1e-3})
			}
			r.Firings = r.Firings[:len(r.Firings)-3]
		}, ""},
		{"every twentieth from nowhere", 1, func(r *analysis.Result) {
			stated(r, 1)
			for i := 0; i < 300; i += 20 {
				w := r.Firings[i]
				w.TimeS += 1e-3
				r.Firings = slices.Insert(r.Firings, i+1, w)
			}
		}, "precision"},
		{"another event of each turn", 1, func(r *analysis.Result) {
			stated(r, 1)
			warn(r, "reference-far")
			for i := range r.Firings {
				r.Firings[i].TimeS += 2e-3
			}
		}, "silent,accounts,recall,precision,mean,rms"},
		{"half the speed", 1, func(r *analysis.Result) {
			stated(r, 1)
			for i := range r.Firings {
				r.Firings[i].RPM /= 2
			}
		}, "silent"},
	} {
		r := perfect(truth)
		v.change(r)
		g := f
		g.Severity = v.severity
		row, err := Judge(g, truth, r, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(row.Failures(), ","); got != v.want {
			t.Errorf("%s: %q: want %q\n%s\n%s", v.name, got, v.want, FaultsHeader(), row.Line())
		}
	}
	for _, v := range []struct {
		fault Fault
		code  string
		want  string
		say   string
	}{
		{f, "no-pairing", "refused", "FAILS refused; no-pairing"},
		{Fault{"missed", 2, scene.Reed, 48000, "ring-sine", 3}, "no-pairing", "", "needless; no-pairing"},
		{Fault{"dead-spark", 1, scene.Reed, 48000, "ring-sine", 3}, "dead-channel", "", "ok, refused; dead-channel"},
		{Fault{"dead-spark", 1, scene.Reed, 48000, "ring-sine", 3}, "no-reference", "code", "FAILS code"},
	} {
		truth, _ := faultTruth(t, v.fault)
		row, err := Judge(v.fault, truth, nil, &analysis.CannotMeasureError{Code: v.code})
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(row.Failures(), ","); got != v.want || !strings.Contains(row.Line(), v.say) {
			t.Errorf("%s refused by %s: %q: want %q and %q in\n%s", v.fault, v.code, got, v.want, v.say, row.Line())
		}
	}
	dead := Fault{"dead-spark", 1, scene.Reed, 48000, "ring-sine", 3}
	truth, _ = faultTruth(t, dead)
	row, err := Judge(dead, truth, perfect(truth), nil)
	if err != nil || strings.Join(row.Failures(), ",") != "not-refused" {
		t.Errorf("measured without a spark: %v, %v", row.Failures(), err)
	}
}

// A fast clock: speeds that are as they would be without it are a miss.
func TestJudgeClock(t *testing.T) {
	f := Fault{"clock", 1, scene.Hall, 48000, "ring-sine", 3}
	truth, _ := faultTruth(t, f)
	for _, v := range []struct {
		ppm  float64
		want string
	}{{-500, ""}, {0, "speed"}, {-350, "speed"}, {500, "speed"}} {
		r := perfect(truth)
		r.Advance.Expanded, r.Advance.HasExpanded = 1, true
		for i := range r.Firings {
			r.Firings[i].RPM *= 1 + v.ppm*1e-6
		}
		row, err := Judge(f, truth, r, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(row.Failures(), ","); got != v.want {
			t.Errorf("speed off by %g ppm: %q: want %q", v.ppm, got, v.want)
		}
	}
}

func TestFaultsSummary(t *testing.T) {
	f := Fault{"none", 1, scene.Reed, 48000, "ring-sine", 3}
	k, _ := f.kind()
	good := Score{Sparks: Tally{100, 100}, Matched: 100, Counted: 100}
	off := good
	off.Mean, off.RMS = 2, 2
	dead := FaultKind{refuse: []string{"dead-channel"}}
	s := FaultsSummary([]FaultRow{
		{Fault: f, Score: good, kind: k, HasStated: true, Stated: 1, OracleN: 100},
		{Fault: f, Score: off, kind: k, HasStated: true, Stated: 1, OracleN: 100},
		{Fault: f, kind: k, Refused: "no-sparks", OracleN: 100},
		{Fault: f, kind: k, Refused: "no-sparks", OracleN: 100, OracleBad: 60},
		{Fault: f, kind: dead, Refused: "dead-channel"},
	})
	for _, w := range []string{"5 recordings, 2 miss a target", "mean 1, rms 1", "refused 1, silent 1", "1 that cannot be measured, as they must be; 2 others (50.0 %", "1 of them needlessly", "stated uncertainty: 1.", "without a warning: 1."} {
		if !strings.Contains(s, w) {
			t.Errorf("want %q in\n%s", w, s)
		}
	}
	if strings.Contains(s, "Severity 2") {
		t.Errorf("no row of severity 2 in\n%s", s)
	}
}

// Where the crank's angle is a cubic in time, the cubic through four
// references meets it: references and sparks by bisection of
// θ = 3000t + 2000t² + 700t³ degrees, reference at θ = 360k - 30.
func TestOracleCubic(t *testing.T) {
	theta := func(t float64) float64 { return t * (3000 + t*(2000+t*700)) }
	when := func(deg float64) float64 {
		lo, hi := 0.0, 10.0
		for range 200 {
			if m := (lo + hi) / 2; theta(m) < deg {
				lo = m
			} else {
				hi = m
			}
		}
		return lo
	}
	truth := &scene.Truth{SparkChannel: 1, ReferenceChannel: 2}
	truth.Spec.Engine = engine.Default()
	for k := 1; k < 12; k++ {
		deg := 360*float64(k) - 30
		truth.Events = append(truth.Events,
			scene.Event{Event: engine.Event{Kind: engine.Reference, Revolution: k, Magnet: 1}, AppearsS: when(deg), Amp: 1},
			scene.Event{Event: engine.Event{Kind: engine.Spark, AdvanceDeg: -147}, AppearsS: when(deg + 177)})
	}
	errs := oracle(truth, analysis.Setup{})
	if len(errs) != 10 { // the last spark has no reference after it
		t.Fatalf("%d angles: want 10", len(errs))
	}
	const rounding = 1e-6
	for i := 1; i < 9; i++ {
		if math.Abs(errs[i]) > rounding {
			t.Errorf("spark %d: %g° off", i, errs[i])
		}
	}
	if math.Abs(errs[0]) < 1 {
		t.Errorf("the first spark, by the straight line: %g° off: want more than a degree", errs[0])
	}
}

// The committed table has the rows and the legend that today's code prints: a
// row added or renamed is a table to be made again.
func TestFaultsTableIsCurrent(t *testing.T) {
	b, err := os.ReadFile("faults.txt")
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for _, part := range []string{FaultsLegend(), FaultsHeader()} {
		if !strings.Contains(text, strings.TrimRight(part, " \n")) {
			t.Errorf("faults.txt does not hold\n%s", part)
		}
	}
	if s := strings.Join(strings.Fields(FaultsLegend()), " "); !strings.Contains(s, "The seed is 3, and not 1 as in the other studies: with 1") {
		t.Error("the legend does not say why the seed is 3")
	}
	// A table of some rates says so in its first line; nothing else may be left out.
	first, _, _ := strings.Cut(text, "\n")
	var rates []string
	switch w := strings.Fields(first); {
	case first == "sparkscope study faults --seed 3":
	case len(w) == 7 && strings.Join(w[:4], " ") == "sparkscope study faults --rate" && strings.Join(w[5:], " ") == "--seed 3":
		rates = strings.Split(w[4], ",")
	default:
		t.Fatalf("faults.txt begins with %q", first)
	}
	var want, got []string
	for _, f := range Faults(3, "") {
		if rates == nil || slices.Contains(rates, fmt.Sprint(f.RateHz)) {
			want = append(want, f.String()+" "+f.Family)
		}
	}
	for _, line := range strings.Split(text, "\n") {
		if words := strings.Fields(line); len(words) > 9 && strings.Count(words[0], "/") == 3 && words[0] != "trouble/severity/pick-up/rate" {
			got = append(got, words[0]+" "+words[1])
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("faults.txt has %d rows, the matrix %d: run study faults again", len(got), len(want))
	}
}
