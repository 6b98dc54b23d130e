package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/analysis/enginefile"
	"sparkscope/report"
)

// errWrongFile ends a check of an engine file that no command takes. The report
// has said so already.
var errWrongFile = errors.New("the engine file is wrong")

// newEngineCommand makes `sparkscope engine` with what can be done to a file.
func newEngineCommand(stdout io.Writer) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "engine",
		Short: "The file of an engine: make one, show it, check it",
		Long: `The engine file holds what is known of one engine: what it is, what it should fire
at, contacts, static timing, pick-ups. It is plain text (TOML) for your editor.
Other commands read it with --engine FILE, and calibrate writes into it. Flags win
over the file, and every output says which value came from where.

  new FILE     write a file that explains every key and says nothing yet
  show FILE    what it says, and what each step of the job still lacks
  check FILE   what is wrong in it, or doubtful

Units stand in the names: stroke_mm, angle_deg, delay_us. Angles are crank degrees
before top dead centre, after it negative. Nothing has a default. What is usual
(common practice, no source; the maker's figures come first): a road engine is
held to ±2°, a race engine to ±0.5°; a contact gap is 0.3 to 0.5 mm.

The target is one angle, target.angle_deg, or a table of speeds and angles,
target.table. Between the rows it goes in straight lines; below the first and
above the last their angles hold.

Reading is strict: a key that is not known, a value that cannot be and nan are
refused with their line and with what would be right. Remarks behind a # stay
when sparkscope writes.`,
		Example: `  sparkscope engine new bench.toml --name 'bench two-stroke'
  sparkscope engine show bench.toml
  sparkscope engine check bench.toml
  sparkscope measure pull.wav --engine bench.toml`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("do what with the engine file? new, show or check")
			}
			if filepath.Ext(args[0]) == ".toml" {
				return usagef("do what with %s? new, show or check, in front of its name", args[0])
			}
			return usagef("there is no engine %s: want new, show or check", args[0])
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newEngineNew(stdout), newEngineShow(stdout), newEngineCheck(stdout))
	return cmd
}

// oneEngineFile wants one file's name.
func oneEngineFile(_ *cobra.Command, args []string) error {
	switch {
	case len(args) == 0 || len(args) == 1 && args[0] == "":
		return usagef("which file? Name an engine file, such as bench.toml")
	case len(args) > 1:
		return usagef("want one file, not %d: %s (a name with spaces goes in quotes)", len(args), inQuotes(args))
	}
	return nil
}

// exampleName is the template's line with a name behind a #.
var exampleName = regexp.MustCompile(`(?m)^#name = .*\n`)

func newEngineNew(stdout io.Writer) *cobra.Command {
	var name string
	cmd := &cobra.Command{
		Use:   "new FILE",
		Short: "Write an engine file that explains every key and says nothing yet",
		Long: `Writes an engine file in which every key stands behind a # with what it is. Take
the # away where you know the figure, and put yours in. A file that is there
already is left as it is: exit status 4. FILE may be - for standard output.`,
		Example: `  sparkscope engine new bench.toml
  sparkscope engine new bench.toml --name 'bench two-stroke'`,
		Args: oneEngineFile,
		RunE: func(cmd *cobra.Command, args []string) error {
			doc := []byte(enginefile.Template)
			if cmd.Flags().Changed("name") {
				doc = exampleName.ReplaceAll(doc, nil) // it would stand above the name itself
				var err error
				if doc, err = enginefile.Set(doc, []enginefile.Setting{{Key: enginefile.EngineName, Word: name}}); err != nil {
					return usagef("--name %q: want a short text of one line, such as \"bench two-stroke\"", name)
				}
			}
			path := args[0]
			if path == "-" {
				if _, err := stdout.Write(doc); err != nil {
					return &outputError{"standard output", err}
				}
				return nil
			}
			if err := writeNew(path, doc); err != nil {
				return err
			}
			_, err := fmt.Fprintf(stdout, "Wrote %s. Open it in an editor, take the # away before what you know, then:\n  sparkscope engine show %s\n", path, quoted(path))
			if err != nil {
				return &outputError{"standard output", err}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&name, "name", "", "what the engine is called, one `LINE`")
	return cmd
}

// quoted is a name as it goes on a command line.
func quoted(name string) string {
	if strings.ContainsAny(name, " '\"\\$&;()<>|*?`#!~\t\n") {
		return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
	}
	return name
}

// writeNew writes a file that must not be there yet.
func writeNew(path string, doc []byte) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	switch {
	case errors.Is(err, fs.ErrExist):
		if info, err := os.Stat(path); err == nil && info.IsDir() {
			return &outputError{path, errors.New("it is a folder")}
		}
		return &outputError{path, errors.New("it is there already and was left as it is; name another, or edit that one")}
	case errors.Is(err, fs.ErrNotExist):
		return &outputError{path, errors.New("there is no such folder")}
	case err != nil:
		return &outputError{path, err}
	}
	_, err = file.Write(doc)
	if err = errors.Join(err, file.Close()); err != nil {
		return &outputError{path, errors.Join(err, os.Remove(path))}
	}
	return nil
}

// engineView is what show and check print.
type engineView struct {
	json string
	text func(io.Writer, report.Engine) error
	data func(io.Writer, report.Engine) error
}

// run reads the file, writes, and returns what was found in it.
func (v engineView) run(path string, stdout io.Writer, strict bool) (report.Engine, error) {
	e := report.Engine{Path: path}
	outs := &outputs{stdout: stdout, engine: path}
	outs.add("--json", v.json, func(w io.Writer) error { return v.data(w, e) })
	outs.addText(func(w io.Writer) error { return v.text(w, e) })
	doc, _, err := readEngineFile(path)
	var wrong *enginefile.Problem
	if err != nil && (strict || !errors.As(err, &wrong)) {
		return e, wrongFile(path, err)
	}
	f, bad, doubts := enginefile.Inspect(doc)
	e.Wrong, e.Doubts, e.Steps = bad, doubts, f.Steps()
	if len(bad) == 0 {
		if e.Entries, err = enginefile.Entries(doc); err != nil {
			return e, wrongFile(path, err)
		}
	}
	if err := outs.check(""); err != nil {
		return e, err
	}
	return e, outs.commit()
}

const engineJSONUsage = "write it for programs, JSON; - is standard output, and then\nnothing else goes there"

func newEngineShow(stdout io.Writer) *cobra.Command {
	v := engineView{text: report.EngineText, data: report.EngineJSON}
	cmd := &cobra.Command{
		Use:   "show FILE",
		Short: "Show what an engine file says, and what each step still lacks",
		Long: `Shows what an engine file says, with the remarks behind its values, and for each
step of the job whether it can be done with that: what it needs, and what it would
be better with.`,
		Example: `  sparkscope engine show bench.toml
  sparkscope engine show bench.toml --json -`,
		Args: oneEngineFile,
		RunE: func(_ *cobra.Command, args []string) error {
			_, err := v.run(args[0], stdout, true)
			return err
		},
	}
	cmd.Flags().Var(fileFlag{&v.json}, "json", engineJSONUsage)
	return cmd
}

func newEngineCheck(stdout io.Writer) *cobra.Command {
	v := engineView{text: report.EngineCheckText, data: report.EngineCheckJSON}
	cmd := &cobra.Command{
		Use:   "check FILE",
		Short: "Say what is wrong in an engine file, or doubtful",
		Long: `Says what is wrong in an engine file, so that no command takes it, with the line,
the key and what would be right; and what is doubtful: possible, but unlike what
is usual, or not going together with the rest.

Exit status: 0 nothing is wrong, doubtful or not; 2 something is.`,
		Example: `  sparkscope engine check bench.toml
  sparkscope engine check bench.toml --json -`,
		Args: oneEngineFile,
		RunE: func(_ *cobra.Command, args []string) error {
			e, err := v.run(args[0], stdout, false)
			if err != nil {
				return err
			}
			if len(e.Wrong) > 0 {
				return errWrongFile
			}
			return nil
		},
	}
	cmd.Flags().Var(fileFlag{&v.json}, "json", engineJSONUsage)
	return cmd
}
