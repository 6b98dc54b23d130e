package report

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/bench"
	"sparkscope/analysis/job"
)

// JobSchema names the form of JobJSON.
const JobSchema = "sparkscope.job/1"

// ReadBenchJSON reads back what BenchJSON wrote, as far as a job shows it: which
// calculator it was, its headline and its answers.
func ReadBenchJSON(r io.Reader) (*bench.Result, error) {
	data, err := io.ReadAll(io.LimitReader(r, mostResultBytes+1))
	if err != nil {
		return nil, err
	}
	var d jsonBench
	if err := json.Unmarshal(data, &d); err != nil {
		return nil, noResult(data, "bench", err)
	}
	if d.Schema != BenchSchema {
		if d.Schema == "" {
			return nil, errors.New("not a result as bench --json writes it: it names no schema")
		}
		return nil, fmt.Errorf("a result of schema %q: want %q, as bench --json writes it", d.Schema, BenchSchema)
	}
	res := &bench.Result{Calculator: d.Calculator, Headline: d.Headline}
	for _, a := range d.Answers {
		res.Answers = append(res.Answers, bench.Answer{Key: a.Key, Name: a.Name, Text: a.Text, Value: orZero(a.Value), Unit: a.Unit, Expanded: a.Expanded, Lo: a.Lo, Hi: a.Hi})
	}
	return res, nil
}

// figureWords are a figure of a job as it is shown, without what it is called.
func figureWords(f job.Figure) string {
	if f.Value == nil {
		return oneLine(f.Words)
	}
	unit := f.Unit
	if unit == "mm" {
		unit = " mm"
	}
	switch {
	case f.Expanded != nil:
		p := placesFor(*f.Expanded)
		return number(*f.Value, p) + unit + " ±" + number(*f.Expanded, p) + unit + " at 95 %"
	case f.Tolerance != nil:
		return plain(*f.Value) + unit + " ±" + plain(*f.Tolerance) + unit
	}
	return plain(*f.Value) + unit
}

// plain is a number with the digits that somebody typed.
func plain(v float64) string { return number(v, plainDecimals(v)) }

// jobMark is how a state stands before its step.
var jobMark = map[job.State]string{job.Done: "[x]", job.Next: "[>]", job.Open: "[ ]", job.LeftOut: "[-]", job.NotNeeded: "[-]"}

// Job writes where a job stands: each step with its figures, then what is next
// and how.
func Job(w io.Writer, s *job.Sheet) error {
	var b strings.Builder
	p := printer{&b}
	name := s.Name
	if name == "" {
		name = "an engine without a name"
	}
	p.para("", oneLine(name)+": "+jobHeadline(s)+".")
	p.gap()
	for i := range s.Steps {
		st := &s.Steps[i]
		word := ""
		if st.State == job.LeftOut || st.State == job.NotNeeded {
			word = ": " + string(st.State)
		}
		p.line(fmt.Sprintf("%s %d %s%s", jobMark[st.State], i+1, st.Name, word))
		for _, f := range st.Figures {
			p.para(jobIndent, f.Name+": "+figureWords(f)+" ("+oneLine(f.From)+")")
		}
		if st.Compared != nil {
			p.para(jobIndent, CompareHeadline(st.Compared)+".")
		}
		for _, r := range st.Remarks {
			p.para(jobIndent+"Note: ", oneLine(r))
		}
	}
	if n := s.Next; n != nil {
		p.gap()
		p.para("", "Next: "+n.Name+". "+n.Do)
		if len(n.Needs) > 0 {
			p.para("  ", "First put into the engine file: "+strings.Join(n.Needs, ", ")+".")
		}
		for _, c := range n.How {
			p.line("  " + oneLine(c)) // to be copied: not broken
		}
		if len(n.Hand) > 0 {
			p.line("  by hand:")
			for _, c := range n.Hand {
				p.line("  " + oneLine(c))
			}
		}
		p.gap()
		for _, c := range n.Cautions {
			if !slices.Contains(cautions, c) { // below
				p.para("", c)
			}
		}
	} else {
		p.gap()
	}
	return p.end(w)
}

// jobIndent is where the figures of a step begin.
const jobIndent = "      "

// jobHeadline says in a clause where a job stands.
func jobHeadline(s *job.Sheet) string {
	finished := 0
	for i := range s.Steps {
		if st := s.Steps[i].State; st == job.Done || st == job.LeftOut || st == job.NotNeeded {
			finished++
		}
	}
	switch s.Decision {
	case analysis.Within:
		if s.Next == nil {
			return "judged WITHIN tolerance; the job is done"
		}
		return fmt.Sprintf("judged WITHIN tolerance, but step %q is open", strings.ToLower(s.Next.Name))
	case analysis.Outside:
		return "judged OUTSIDE tolerance: adjust, tighten and measure again"
	case analysis.Undecided:
		return "judged UNDECIDED: measure better, or adjust, tighten and measure again"
	}
	return fmt.Sprintf("%d of %d steps done, not judged yet", finished, len(s.Steps))
}

type (
	jsonJob struct {
		Schema   string        `json:"schema"`
		Engine   string        `json:"engine_file"`
		Name     string        `json:"name"`
		Headline string        `json:"headline"`
		Decision *string       `json:"decision"`
		Next     *string       `json:"next"`
		Steps    []jsonJobStep `json:"steps"`
		Cautions []string      `json:"cautions"`
	}
	jsonJobStep struct {
		Key      string          `json:"key"`
		Name     string          `json:"name"`
		State    string          `json:"state"`
		Figures  []jsonJobFigure `json:"figures"`
		Compared *string         `json:"compared"`
		Remarks  []string        `json:"remarks"`
		Do       string          `json:"do"`
		How      []string        `json:"commands"`
		Hand     []string        `json:"by_hand"`
		Cautions []string        `json:"cautions"`
		Needs    []string        `json:"needs"`
	}
	jsonJobFigure struct {
		Key       string   `json:"key"`
		Name      string   `json:"name"`
		Value     *float64 `json:"value"`
		Unit      string   `json:"unit"`
		Expanded  *float64 `json:"expanded_uncertainty"`
		Tolerance *float64 `json:"tolerance"`
		Words     *string  `json:"words"`
		From      string   `json:"from"`
	}
)

// JobJSON writes what Job does for programs, figures unrounded.
func JobJSON(w io.Writer, s *job.Sheet) error {
	list := func(of []string) []string { return append([]string{}, of...) }
	d := jsonJob{Schema: JobSchema, Engine: s.Engine, Name: s.Name, Headline: jobHeadline(s), Decision: named(s.Decision), Cautions: list(cautions)}
	if s.Next != nil {
		d.Next = &s.Next.Key
	}
	for i := range s.Steps {
		st := &s.Steps[i]
		j := jsonJobStep{Key: st.Key, Name: st.Name, State: string(st.State), Figures: []jsonJobFigure{}, Remarks: list(st.Remarks), Do: st.Do, How: list(st.How), Hand: list(st.Hand), Cautions: list(st.Cautions), Needs: list(st.Needs)}
		for _, f := range st.Figures {
			j.Figures = append(j.Figures, jsonJobFigure{f.Key, f.Name, maybe(f.Value), f.Unit, maybe(f.Expanded), maybe(f.Tolerance), named(f.Words), f.From})
		}
		if st.Compared != nil {
			words := CompareHeadline(st.Compared) + "."
			j.Compared = &words
		}
		d.Steps = append(d.Steps, j)
	}
	return indented(w, d)
}
