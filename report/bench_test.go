package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"sparkscope/analysis/bench"
)

// benchResults are one of each calculator.
func benchResults(t *testing.T) []*bench.Result {
	t.Helper()
	var all []*bench.Result
	for _, solve := range []func() (*bench.Result, error){
		bench.DeadCentre{Readings: []float64{42, 320, 41}, DivisionDeg: 1, StrokeMM: bench.Given(50), RodMM: bench.Given(100)}.Solve,
		bench.Drop{StrokeMM: bench.Given(50), RodMM: bench.Given(100), AngleDeg: bench.Given(-18), InclineDeg: bench.Given(20)}.Solve,
		bench.Rim{DiameterMM: bench.Given(160), AngleDeg: bench.Given(18)}.Solve,
		bench.Gap{Pairs: []bench.GapPair{{GapMM: 0.35, TimingDeg: 16}, {GapMM: 0.45, TimingDeg: 20}}, TargetDeg: bench.Given(26), MostMM: bench.Given(0.5), CamTurns: bench.Given(0.5), PlateMM: bench.Given(70)}.Solve,
	} {
		r, err := solve()
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	return all
}

// The text holds every answer, input, step, note and caution, and no line is too
// long but those that cannot be broken.
func TestBenchText(t *testing.T) {
	for _, r := range benchResults(t) {
		var b bytes.Buffer
		if err := Bench(&b, r); err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(b.String()), " ")
		has := func(what, s string) {
			t.Helper()
			if !strings.Contains(text, strings.Join(strings.Fields(s), " ")) {
				t.Errorf("%s: the text has no %s %q", r.Calculator, what, s)
			}
		}
		has("headline", r.Headline)
		for _, x := range r.Answers {
			has("answer", x.Name+": "+x.Text)
		}
		for _, x := range r.Inputs {
			has("input", x.Name+": "+x.Text)
		}
		for _, x := range r.Steps {
			has("formula", x.Formula)
			has("numbers", x.Numbers)
			has("result", x.Result)
		}
		for _, x := range r.Budget {
			has("part", x.Source+": "+x.Estimate)
		}
		for _, x := range r.Notes {
			has("note", x.Message)
		}
		for _, x := range r.Cautions {
			has("caution", x)
		}
		for line := range strings.Lines(b.String()) {
			if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > columns {
				t.Errorf("%s: a line of %d columns: %q", r.Calculator, n, line)
			}
		}
	}
}

// JSON keeps every figure, unrounded, and knows no null where a list belongs.
func TestBenchJSON(t *testing.T) {
	for _, r := range benchResults(t) {
		var b bytes.Buffer
		if err := BenchJSON(&b, r); err != nil {
			t.Fatal(err)
		}
		var d struct {
			Schema, Calculator string
			Answers            []struct {
				Key      string
				Value    float64
				Expanded *float64 `json:"expanded_uncertainty"`
				Low      *float64
			}
			Inputs []struct {
				Key    string
				Values []float64
			}
			Working []struct{ Formula, Result string }
			Tables  []struct {
				Columns []string
				Rows    [][]float64
			}
			Budget []struct {
				Std float64 `json:"standard_uncertainty"`
			} `json:"uncertainty"`
			Total struct {
				Expanded float64 `json:"expanded_uncertainty"`
			}
			Notes    []struct{ Code string }
			Cautions []string
		}
		if err := json.Unmarshal(b.Bytes(), &d); err != nil {
			t.Fatal(err)
		}
		if d.Schema != BenchSchema || d.Calculator != r.Calculator || len(d.Answers) != len(r.Answers) || len(d.Inputs) != len(r.Inputs) || len(d.Working) != len(r.Steps) ||
			len(d.Tables) != len(r.Tables) || len(d.Budget) != len(r.Budget) || len(d.Notes) != len(r.Notes) || len(d.Cautions) != len(r.Cautions) || d.Total.Expanded != r.Total.Expanded {
			t.Errorf("%s: %+v", r.Calculator, d)
		}
		for i, x := range d.Answers {
			if want := r.Answers[i]; x.Key != want.Key || x.Value != want.Value || (x.Expanded == nil) != (want.Expanded == nil) || x.Expanded != nil && *x.Expanded != *want.Expanded {
				t.Errorf("%s: answer %+v, want %+v", r.Calculator, x, want)
			}
		}
		var sum float64
		for _, x := range d.Budget {
			sum += x.Std * x.Std
		}
		if math.Abs(math.Sqrt(sum)-r.Total.Std) > 1e-12 {
			t.Errorf("%s: the parts make %v, the total is %v", r.Calculator, math.Sqrt(sum), r.Total.Std)
		}
		for _, x := range d.Inputs {
			if x.Values == nil {
				t.Errorf("%s: input %s has null for a list", r.Calculator, x.Key)
			}
		}
	}
}

// brokenPipe takes nothing.
type brokenPipe struct{}

var errBroken = errors.New("broken")

func (brokenPipe) Write([]byte) (int, error) { return 0, errBroken }

func TestBenchWriteError(t *testing.T) {
	r := benchResults(t)[0]
	if err := Bench(brokenPipe{}, r); !errors.Is(err, errBroken) {
		t.Errorf("text: %v", err)
	}
	if err := BenchJSON(brokenPipe{}, r); !errors.Is(err, errBroken) {
		t.Errorf("JSON: %v", err)
	}
}
