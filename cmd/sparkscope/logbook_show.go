package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"sparkscope/report"
	"sparkscope/report/logbook"
)

// newLogbookShowCommand makes `sparkscope logbook show`.
func newLogbookShowCommand(stdout io.Writer) *cobra.Command {
	var l logbookFile
	var jsonFile, engineFile string
	cmd := &cobra.Command{
		Use:   "show NUMBER",
		Short: "Show a result with its marks, remarks and findings",
		Long: `Shows what the logbook has of a result. The result itself, as it came, goes to the
file of --json, which compare, job and other programs read; the engine file, as
it was when the result was measured, to that of --engine-file.`,
		Example: `  sparkscope logbook show 3
  sparkscope logbook show 3 --json then.json --engine-file then.toml`,
		Args: oneNumber,
	}
	f := cmd.Flags()
	l.register(f)
	f.Var(fileFlag{&jsonFile}, "json", "write the result as it came, JSON; - is standard output, and then\nnothing else goes there")
	f.Var(fileFlag{&engineFile}, "engine-file", "write the engine file as it was then, TOML; - as with --json")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		n, err := resultNumber(args[0])
		if err != nil {
			return err
		}
		return showResult(cmd.Context(), &l, n, jsonFile, engineFile, stdout)
	}
	return cmd
}

// oneNumber wants the number of one result.
func oneNumber(cmd *cobra.Command, args []string) error {
	switch {
	case len(args) == 0:
		return usagef("which result? Give its number, as logbook list shows it")
	case len(args) > 1:
		return usagef("want the number of one result, not %d", len(args))
	}
	_, err := resultNumber(args[0])
	return err
}

func showResult(ctx context.Context, l *logbookFile, n int64, jsonFile, engineFile string, stdout io.Writer) error {
	outs := &outputs{stdout: stdout}
	var w *logbook.Whole
	outs.add("--json", jsonFile, func(out io.Writer) error { _, err := out.Write(w.Document); return err })
	outs.add("--engine-file", engineFile, func(out io.Writer) error { _, err := out.Write(w.EngineFile); return err })
	said := stdout
	if outs.usesStdout() {
		said = nil
	}
	return l.use(ctx, false, said, func(b *logbook.Logbook) error {
		outs.addText(func(out io.Writer) error {
			text, err := resultText(w)
			if err == nil {
				_, err = io.WriteString(out, text)
			}
			return err
		})
		if err := checkBeside(outs, b); err != nil {
			return err
		}
		var err error
		if w, err = b.Result(ctx, n); err != nil {
			return err
		}
		if engineFile != "" && w.EngineFile == nil {
			return fmt.Errorf("result %d was measured without an engine file", n)
		}
		return outs.commit()
	})
}

// resultText is what the logbook has of a result, in words.
func resultText(w *logbook.Whole) (string, error) {
	r, err := report.ReadJSON(strings.NewReader(string(w.Document)))
	if err != nil {
		return "", fmt.Errorf("result %d: %w", w.ID, err)
	}
	var b strings.Builder
	date := w.Recorded.String() + " " + originWords(w.From)
	if w.From == logbook.Added {
		date = originWords(w.From)
	}
	fmt.Fprintf(&b, "Number %d of %s: %s, recorded %s.\n", w.ID, w.Engine, w.Recording, date)
	if len(w.Marks) > 0 {
		fmt.Fprintf(&b, "Marks: %s.\n", strings.Join(w.Marks, ", "))
	}
	if len(w.SameSound) > 0 {
		var same []string
		for _, id := range w.SameSound {
			same = append(same, fmt.Sprint(id))
		}
		fmt.Fprintf(&b, "The same recording, measured otherwise: number %s.\n", strings.Join(same, ", "))
	}
	for _, x := range w.Remarks {
		fmt.Fprintf(&b, "Remark: %s\n", strings.ReplaceAll(x.Text, "\n", "\n        "))
	}
	b.WriteByte('\n')
	if err := report.Stored(&b, r); err != nil {
		return "", err
	}
	b.WriteByte('\n')
	if w.Fingerprint != "" {
		fmt.Fprintf(&b, "Fingerprint of the samples: %s\n", w.Fingerprint)
	}
	if w.EngineFile != nil {
		fmt.Fprintf(&b, "The engine file as it was is kept: --engine-file writes it.\n")
	}
	return b.String(), nil
}
