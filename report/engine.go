package report

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"sparkscope/analysis/enginefile"
)

// Names of the layouts that EngineJSON and EngineCheckJSON write.
const (
	EngineSchema      = "sparkscope.engine/1"
	EngineCheckSchema = "sparkscope.engine-check/1"
)

// Engine is an engine file that is to be shown or checked.
type Engine struct {
	Path    string // as the user named it
	Entries []enginefile.Entry
	Steps   []enginefile.Step
	// Wrong and Doubts are those of enginefile.Inspect; of a file with anything
	// wrong there is nothing else.
	Wrong, Doubts []*enginefile.Problem
}

// EngineText writes what a file says, and what it lacks for each step of the
// job.
func EngineText(w io.Writer, e Engine) error {
	var b strings.Builder
	p := printer{&b}
	p.para("", oneLine(e.title())+".")
	p.gap()
	if len(e.Entries) == 0 {
		p.line("It says nothing yet.")
	} else {
		p.line("It says:")
		wide := 0
		for _, x := range e.Entries {
			wide = max(wide, len(x.Key))
		}
		for _, x := range e.Entries {
			lead := "  " + pad(x.Key, -wide) + "  "
			for i, s := range strings.Split(x.Value, "\n") {
				if i > 0 {
					lead = strings.Repeat(" ", utf8.RuneCountInString(lead))
				}
				if x.Remark != "" {
					s += "  # " + x.Remark
				}
				p.para(lead, oneLine(s))
			}
		}
	}
	p.gap()
	p.line("What that is enough for:")
	for _, s := range e.Steps {
		word := "ready"
		if len(s.Lacks) > 0 {
			word = "lacks"
		}
		p.para("  "+word+"  ", s.Name+": sparkscope "+s.With)
		for _, l := range s.Lacks {
			p.para("         needs ", lackWords(l))
		}
		for _, l := range s.Helps {
			p.para("         better with ", lackWords(l))
		}
	}
	if n := len(e.Doubts); n > 0 {
		p.gap()
		p.para("", fmt.Sprintf("%s: sparkscope engine check %s tells.", doubtCount(n), oneLine(e.Path)))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// title names the file and its engine.
func (e Engine) title() string {
	for _, x := range e.Entries {
		if x.Key == enginefile.EngineName {
			return e.Path + ": " + x.Value
		}
	}
	return e.Path + ": an engine without a name"
}

// doubtCount counts doubts in words.
func doubtCount(n int) string {
	if n == 1 {
		return "One value is doubtful"
	}
	return fmt.Sprintf("%d values are doubtful", n)
}

// lackWords are something that a file does not say, and what it is for.
func lackWords(l enginefile.Lack) string { return strings.Join(l.Keys, " or ") + ": " + l.Why }

// EngineCheckText writes what is wrong in a file, or doubtful.
func EngineCheckText(w io.Writer, e Engine) error {
	var b strings.Builder
	p := printer{&b}
	path := oneLine(e.Path)
	switch n := len(e.Wrong); {
	case n == 1:
		p.para("", "WRONG: one thing in "+path+". No command takes it as it is.")
	case n > 1:
		p.para("", fmt.Sprintf("WRONG: %d things in %s. No command takes it as it is.", n, path))
	case len(e.Doubts) > 0:
		p.para("", fmt.Sprintf("NOTHING WRONG in %s, but %s. It can be used.", path, lower(doubtCount(len(e.Doubts)))))
	case len(e.Entries) == 0:
		p.para("", "NOTHING WRONG in "+path+", but it says nothing yet: sparkscope help engine lists what it may say.")
	default:
		p.para("", "NOTHING WRONG in "+path+", and nothing doubtful.")
	}
	for _, x := range e.problems() {
		p.gap()
		p.para("", oneLine(x.words()))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// lower is s with a small first letter; s begins with an ASCII one.
func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// found is a problem with what it is.
type found struct {
	*enginefile.Problem
	severity string
}

// problems are all of them, those that are wrong first.
func (e Engine) problems() []found {
	var all []found
	for _, p := range e.Wrong {
		all = append(all, found{p, "wrong"})
	}
	for _, p := range e.Doubts {
		all = append(all, found{p, "doubtful"})
	}
	return all
}

// words are a problem as a sentence.
func (f found) words() string {
	head := strings.ToUpper(f.severity[:1]) + f.severity[1:]
	if f.Line > 0 {
		head += fmt.Sprintf(", line %d", f.Line)
	}
	return head + ": " + f.Message + "."
}

type (
	jsonEngine struct {
		Schema string            `json:"schema"`
		Path   string            `json:"path"`
		Values []jsonEngineValue `json:"values"`
		Steps  []jsonEngineStep  `json:"steps"`
		Doubts int               `json:"doubts"`
	}
	jsonEngineValue struct {
		Key    string `json:"key"`
		Value  any    `json:"value"`
		Line   int    `json:"line"`
		Remark string `json:"remark"`
	}
	jsonEngineRow struct {
		RPM   *float64 `json:"rpm"`
		Angle *float64 `json:"angle_deg"`
	}
	jsonEngineStep struct {
		Name  string           `json:"name"`
		With  string           `json:"command"`
		Ready bool             `json:"ready"`
		Lacks []jsonEngineLack `json:"lacks"`
		Helps []jsonEngineLack `json:"better_with"`
	}
	jsonEngineLack struct {
		Keys []string `json:"keys"`
		Why  string   `json:"why"`
	}
	jsonEngineCheck struct {
		Schema   string              `json:"schema"`
		Path     string              `json:"path"`
		Usable   bool                `json:"usable"`
		Problems []jsonEngineProblem `json:"problems"`
	}
	jsonEngineProblem struct {
		Severity string  `json:"severity"`
		Line     *int    `json:"line"`
		Key      *string `json:"key"`
		Message  string  `json:"message"`
	}
)

// EngineJSON writes what EngineText does for programs; units are in the keys.
func EngineJSON(w io.Writer, e Engine) error {
	d := jsonEngine{Schema: EngineSchema, Path: e.Path, Values: make([]jsonEngineValue, 0, len(e.Entries)), Steps: make([]jsonEngineStep, 0, len(e.Steps)), Doubts: len(e.Doubts)}
	for _, x := range e.Entries {
		v := jsonEngineValue{Key: x.Key, Value: x.Data, Line: x.Line, Remark: x.Remark}
		if rows, ok := x.Data.([]enginefile.TargetRow); ok {
			out := make([]jsonEngineRow, 0, len(rows))
			for _, r := range rows {
				out = append(out, jsonEngineRow{maybe(r.RPM), maybe(r.AngleDeg)})
			}
			v.Value = out
		}
		d.Values = append(d.Values, v)
	}
	lacks := func(of []enginefile.Lack) []jsonEngineLack {
		out := make([]jsonEngineLack, 0, len(of))
		for _, l := range of {
			out = append(out, jsonEngineLack(l))
		}
		return out
	}
	for _, s := range e.Steps {
		d.Steps = append(d.Steps, jsonEngineStep{s.Name, s.With, len(s.Lacks) == 0, lacks(s.Lacks), lacks(s.Helps)})
	}
	return indented(w, d)
}

// EngineCheckJSON writes what EngineCheckText does for programs.
func EngineCheckJSON(w io.Writer, e Engine) error {
	d := jsonEngineCheck{Schema: EngineCheckSchema, Path: e.Path, Usable: len(e.Wrong) == 0, Problems: []jsonEngineProblem{}}
	for _, x := range e.problems() {
		p := jsonEngineProblem{Severity: x.severity, Key: named(x.Key), Message: x.Message}
		if x.Line > 0 {
			p.Line = &x.Line
		}
		d.Problems = append(d.Problems, p)
	}
	return indented(w, d)
}

// indented writes v as JSON.
func indented(w io.Writer, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(append(b, '\n'))
	return err
}
