package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/analysis/enginefile"
	"sparkscope/report"
)

// argsKey is under what a context holds the command's arguments.
type argsKey struct{}

// withArgs keeps the arguments for a command that says how it was called.
func withArgs(ctx context.Context, args []string) context.Context {
	return context.WithValue(ctx, argsKey{}, slices.Clone(args))
}

// handOver is what reports say besides the result, and where they go.
type handOver struct {
	files  []string
	before string // a recording, or a result that --json has written
	report.HandOver
}

// register declares the flags.
func (h *handOver) register(f *pflag.FlagSet) {
	h.registerReport(f)
	f.Var(fileFlag{&h.before}, "before", "for the report: the recording or the result (--json) from before\nthe work, to be compared with")
	h.registerRemark(f)
}

// registerReport declares the flag that names reports.
func (h *handOver) registerReport(f *pflag.FlagSet) {
	f.Var(filesFlag{&h.files}, "report", "write two sheets of A4 to hand over with the engine; the ending\ndecides: .pdf or .html, a page with everything on it; - as with\n--json is the page; may be given twice")
}

// registerRemark declares the flag for what was done.
func (h *handOver) registerRemark(f *pflag.FlagSet) {
	f.Var(remarkFlag{&h.Remarks}, "remark", "for report and logbook: what was done, one line; may be given again")
}

// filesFlag is a list of paths.
type filesFlag struct{ p *[]string }

func (f filesFlag) Set(s string) error {
	if s == "" {
		return errors.New("want the name of a file")
	}
	*f.p = append(*f.p, s)
	return nil
}

func (f filesFlag) String() string { return "" }
func (f filesFlag) Type() string   { return "FILE" }

// remarkFlag is a list of lines.
type remarkFlag struct{ p *[]string }

func (f remarkFlag) Set(s string) error {
	if strings.TrimSpace(s) == "" {
		return errors.New("want some words")
	}
	*f.p = append(*f.p, s)
	return nil
}

func (f remarkFlag) String() string { return "" }
func (f remarkFlag) Type() string   { return "TEXT" }

// knows takes the engine's name and notes from its file.
func (h *handOver) knows(e enginefile.Engine) {
	if e.Name != nil {
		h.Engine = *e.Name
	}
	if e.Notes != nil {
		h.Notes = strings.Join(strings.Fields(*e.Notes), " ") // of several lines too
	}
}

// repeat keeps how the command was called, as it goes on a command line. Remarks
// stand on the report themselves, and measure nothing.
func (h *handOver) repeat(ctx context.Context) {
	h.Program = "sparkscope " + version
	args, _ := ctx.Value(argsKey{}).([]string)
	words := []string{"sparkscope"}
	for i := 0; i < len(args); i++ {
		a := args[i]
		if a == "--remark" {
			i++
			continue
		}
		if strings.HasPrefix(a, "--remark=") {
			continue
		}
		words = append(words, quoted(a))
	}
	h.Repeat = strings.Join(words, " ")
}

// validate finds what does not go together; logbook: a remark goes there too.
func (h *handOver) validate(logbook bool) error {
	switch {
	case len(h.files) == 0 && h.before != "":
		return usagef("--before is for the report: it needs --report. To compare alone: sparkscope compare")
	case len(h.files) == 0 && !logbook && len(h.Remarks) > 0:
		return usagef("--remark is for the report and the logbook: it needs --report or --logbook")
	case h.before == "-":
		return usagef("--before needs a file")
	}
	for _, path := range h.files {
		if !isPage(path) && !isPDF(path) {
			return usagef("--report %q: want a name that ends in .html or .pdf", path)
		}
	}
	return nil
}

// isPDF is whether a report's name asks for sheets.
func isPDF(path string) bool { return strings.EqualFold(filepath.Ext(path), ".pdf") }

// isPage is whether it asks for a page: standard output and devices, which have no
// ending, do.
func isPage(path string) bool {
	switch ext := strings.ToLower(filepath.Ext(path)); {
	case path == "-" || strings.HasPrefix(filepath.ToSlash(path), "/dev/"):
		return true
	default:
		return ext == ".html" || ext == ".htm"
	}
}

// check finds, before any work, that a report would be written over what was
// measured before.
func (h *handOver) check(outs *outputs, recording string) error {
	if h.before == "" {
		return nil
	}
	if h.before == recording {
		return usagef("--before %s is the recording itself", h.before)
	}
	if err := outs.check(h.before); err != nil {
		var ue *usageError
		if errors.As(err, &ue) { // it takes its argument for the recording
			return usagef("%s", strings.Replace(ue.msg, "is the recording itself", "is the result from before itself", 1))
		}
		return err
	}
	return nil
}

// outputs puts the reports on the list.
func (h *handOver) outputs(outs *outputs, r **analysis.Result) {
	for _, path := range h.files {
		outs.add("--report", path, func(w io.Writer) error {
			if isPDF(path) {
				return h.PDF(w, *r)
			}
			return h.HTML(w, *r)
		})
	}
}

// compare sets the result against the one from before, which is measured with
// the same flags where it is a recording.
func (h *handOver) compare(ctx context.Context, o *measureOptions, path string, r *analysis.Result, stderr io.Writer) error {
	if h.before == "" {
		return nil
	}
	c := compareOptions{measure: measureOptions{setup: o.setup}}
	old, err := c.result(ctx, h.before, false, strings.NewReader(""), stderr)
	if err != nil {
		return fmt.Errorf("--before: %w", err)
	}
	h.Before, err = compare.Compare(compare.FromResult("before", old), compare.FromResult("after", r), compare.Options{})
	if err != nil {
		return fmt.Errorf("--before %s and %s cannot be compared: %w", h.before, path, err)
	}
	return nil
}
