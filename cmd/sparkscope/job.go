package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/analysis"
	"sparkscope/analysis/bench"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/job"
	"sparkscope/report"
)

// jobOptions is what the job command was told.
type jobOptions struct {
	results map[string]*string // by the step's key: the file's name
	sets    []string
	keep    bool
	json    string
}

// resultKeys are the steps that take a result, in their order, with the key that
// keeps its name and what writes it.
var resultKeys = []struct{ step, key, usage string }{
	{job.TDC, enginefile.JobTDCResult, "what bench tdc --json has written"},
	{job.Gap, enginefile.JobGapResult, "what bench gap --json has written"},
	{job.Static, enginefile.JobStaticResult, "what measure --spark-kind contacts --json has written"},
	{job.Running, enginefile.JobRunningResult, "what measure --json has written before the adjustment"},
	{job.Again, enginefile.JobAgainResult, "what measure --json has written after it"},
}

// newJobCommand makes `sparkscope job`.
func newJobCommand(stdout io.Writer) *cobra.Command {
	o := jobOptions{results: map[string]*string{}}
	cmd := &cobra.Command{
		Use:   "job ENGINE.toml",
		Short: "Where the timing of an engine stands: what is done, what is next and how",
		Long: `Shows where the timing of one engine stands, from top dead centre to the verdict:
each step with its figures, then the next one with the commands that do it. It
keeps nothing of its own: all is in the engine file, and in the results whose
names stand there below [job]. So a job can be left and resumed at any time.

  tdc        top dead centre, by piston stop
  marks      the target on the flywheel's rim
  reference  the angle at which the reference switches
  gap        the contact gap
  static     where the contacts open
  running    the running engine, as found
  lock       adjusted and locked
  again      the running engine, measured again
  judged     against target and tolerance

--set enters any figure of the engine file by hand; sparkscope engine new explains
them all. Steps that an engine does without: --set job.left_out='gap, static'.
Only --set and --keep write into the file. A result's name is looked up beside
the engine file.

Exit status: 0 shown, whatever the verdict; 2 wrong usage; 4 an output could not
be written.`,
		Example: `  sparkscope job bench.toml
  sparkscope job bench.toml --running before.json --keep
  sparkscope job bench.toml --set static.angle_deg=17.8 --set static.angle_tolerance_deg=0.5
  sparkscope job bench.toml --json -`,
		Args: oneEngineFile,
		RunE: func(_ *cobra.Command, args []string) error { return o.run(args[0], stdout) },
	}
	f := cmd.Flags()
	f.SortFlags = false
	for _, r := range resultKeys {
		o.results[r.step] = new(string)
		f.Var(fileFlag{o.results[r.step]}, r.step, r.usage)
	}
	f.BoolVar(&o.keep, "keep", false, "keep the names of these results in the engine file")
	f.StringArrayVar(&o.sets, "set", nil, "put a value into the engine file: `KEY=VALUE`; once for each")
	f.Var(fileFlag{&o.json}, "json", engineJSONUsage)
	return cmd
}

// settings are what --set and --keep put into the engine file at path.
func (o *jobOptions) settings(path string) ([]enginefile.Setting, error) {
	var all []enginefile.Setting
	for _, s := range o.sets {
		name, value, ok := strings.Cut(s, "=")
		if !ok {
			return nil, usagef("--set %q: want KEY=VALUE, such as static.angle_deg=17.8", s)
		}
		set, err := enginefile.SettingOf(strings.TrimSpace(name), value)
		if err != nil {
			return nil, usagef("--set %q: %s", s, plainError(err))
		}
		for _, other := range all {
			if other.Key == set.Key {
				return nil, usagef("--set names %s twice", set.Key)
			}
		}
		if set.Key == enginefile.JobLeftOut {
			if _, err := job.LeftOutSteps(set.Word); err != nil {
				return nil, usagef("--set %q: %s", s, plainError(err))
			}
		}
		set.Note = "hand"
		if set.Word != "" {
			set.Note = ""
		}
		all = append(all, set)
	}
	if !o.keep {
		return all, nil
	}
	kept := false
	for _, r := range resultKeys {
		name := *o.results[r.step]
		if name == "" {
			continue
		}
		kept = true
		set, err := enginefile.SettingOf(r.key, besideEngine(path, name))
		if err != nil {
			return nil, usagef("--%s %q: a name of at most 120 printable characters is wanted to be kept", r.step, name)
		}
		all = append(all, set)
	}
	if !kept {
		return nil, usagef("--keep needs a result to keep, such as --running before.json")
	}
	return all, nil
}

// besideEngine is a file's name as the engine file keeps it: counted from its
// own folder, where there is a way.
func besideEngine(engine, name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	if rel, err := filepath.Rel(filepath.Dir(engine), name); err == nil {
		return filepath.ToSlash(rel)
	}
	return name
}

// resultPath is where a name that the engine file keeps leads.
func resultPath(engine, name string) string {
	if name = filepath.FromSlash(name); filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(engine), name)
}

// run shows the job, and changes the file where that was asked for.
func (o *jobOptions) run(path string, stdout io.Writer) error {
	if path == "-" {
		return usagef("want the name of an engine file, not standard input: the job is kept in it")
	}
	doc, f, err := readEngineFile(path)
	if err != nil {
		return wrongFile(path, err)
	}
	settings, err := o.settings(path)
	if err != nil {
		return err
	}
	if len(settings) > 0 {
		if doc, err = enginefile.Set(doc, settings); err != nil {
			return usagef("%s: %s", path, plainError(err))
		}
		if f, err = enginefile.Parse(doc); err != nil {
			return wrongFile(path, err)
		}
	}
	sheet, err := o.sheet(path, f)
	if err != nil {
		return err
	}
	outs := &outputs{stdout: stdout}
	outs.add("--json", o.json, func(w io.Writer) error { return report.JobJSON(w, sheet) })
	outs.addText(func(w io.Writer) error { return report.Job(w, sheet) })
	if len(settings) > 0 {
		outs.add("--set and --keep", path, func(w io.Writer) error { _, err := w.Write(doc); return err })
	} else {
		outs.engine = path
	}
	for _, r := range resultKeys {
		if name := *o.results[r.step]; name != "" {
			if err := outs.check(name); err != nil {
				return err
			}
		}
	}
	if err := outs.check("-"); err != nil {
		return err
	}
	return outs.commit()
}

// sheet sees the job from the file and the results. One that a flag names must
// be there; one that only the file names may have gone, and the sheet says so.
func (o *jobOptions) sheet(path string, f enginefile.File) (*job.Sheet, error) {
	in := job.Input{Engine: quoted(path), File: f, Unread: map[string]string{}}
	j := f.Job
	kept := map[string]*string{job.TDC: j.TDCResult, job.Gap: j.GapResult, job.Static: j.StaticResult, job.Running: j.RunningResult, job.Again: j.AgainResult}
	for _, r := range resultKeys {
		name, flag := *o.results[r.step], true
		if name == "" {
			if kept[r.step] == nil {
				continue
			}
			name, flag = resultPath(path, *kept[r.step]), false
		}
		err := readResult(&in, r.step, name)
		switch {
		case err == nil:
		case flag:
			return nil, usagef("--%s %s: %s", r.step, name, plainError(err))
		default:
			in.Unread[r.step] = fmt.Sprintf("%s: %s.", name, plainError(err))
		}
	}
	s, err := job.See(in)
	if err != nil {
		return nil, usagef("%s: %s", path, plainError(err))
	}
	return s, nil
}

// readResult reads a result of a step.
func readResult(in *job.Input, step, name string) error {
	file, err := os.Open(name)
	if err != nil {
		var pe *fs.PathError
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return errors.New("there is no such file")
		case errors.As(err, &pe):
			return pe.Err
		}
		return err
	}
	defer file.Close()
	if info, err := file.Stat(); err == nil && info.IsDir() {
		return errors.New("this is a folder, not a result")
	}
	if step == job.TDC || step == job.Gap {
		var r *bench.Result
		if r, err = report.ReadBenchJSON(file); err != nil {
			return err
		}
		if r.Calculator != step {
			return fmt.Errorf("is a result of bench %s, not of bench %s", r.Calculator, step)
		}
		c := &job.Calculated{Name: name, Result: r}
		if step == job.TDC {
			in.TDC = c
		} else {
			in.Gap = c
		}
		return nil
	}
	var r *analysis.Result
	if r, err = report.ReadJSON(file); err != nil {
		return err
	}
	m := &job.Measured{Name: name, Result: r}
	switch step {
	case job.Static:
		in.Static = m
	case job.Running:
		in.Running = m
	default:
		in.Again = m
	}
	return nil
}
