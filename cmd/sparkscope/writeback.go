package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"sparkscope/analysis/enginefile"
)

// writeBack puts figures that a command found into its engine file, when that
// was asked for.
type writeBack struct {
	flag          string // that asks for it, without its dashes
	asked         bool
	replace       bool
	engine        string
	doc           []byte // the file, and then the changed one
	old           enginefile.File
	said          []string // what was written, in words
	kept          error    // why it was not
	outs          *outputs
	beforeWriting int // outputs without the engine file
}

// register declares the flag that asks, and --replace.
func (w *writeBack) register(f *pflag.FlagSet, flag, usage string) {
	w.flag = flag
	f.BoolVar(&w.asked, flag, false, usage)
	f.BoolVar(&w.replace, "replace", false, "let it take the place of a value that the file holds already")
}

// open reads the file and puts it on the list of outputs, behind all others; to
// be called before the work. engine is the file that --engine names.
func (w *writeBack) open(engine string, outs *outputs) error {
	switch {
	case !w.asked && w.replace:
		return usagef("--replace needs --%s: there is nothing to replace", w.flag)
	case !w.asked:
		return nil
	case engine == "":
		return usagef("--%s needs --engine: the file to write into", w.flag)
	}
	var err error
	if w.doc, w.old, err = readEngineFile(engine); err != nil {
		return engineFileError(engine, err)
	}
	w.engine, w.outs = engine, outs
	outs.engine = "" // two outputs in one place are found all the same
	w.beforeWriting = len(outs.list)
	outs.add("--"+w.flag, engine, func(out io.Writer) error { _, err := out.Write(w.doc); return err })
	return nil
}

// put changes the file in memory; withheld says why it must not, nil: it may.
// Without --replace a value that the file holds already stays, and so do its
// companions.
func (w *writeBack) put(settings []enginefile.Setting, withheld error) {
	if !w.asked {
		return
	}
	w.kept = withheld
	for _, s := range settings {
		if was, has := w.old.Number(s.Key); has && !w.replace && w.kept == nil {
			if v, err := strconv.ParseFloat(s.Text(), 64); err != nil || v != was {
				w.kept = fmt.Errorf("it holds %s = %s already: add --replace to put the new value there", s.Key, quantity(was, ""))
			}
		}
	}
	if w.kept == nil {
		doc, err := enginefile.Set(w.doc, settings)
		if err != nil {
			w.kept = errors.New(strings.TrimPrefix(err.Error(), "enginefile: "))
		} else {
			w.doc = doc
		}
	}
	if w.kept != nil {
		w.outs.list = w.outs.list[:w.beforeWriting]
		return
	}
	for _, s := range settings {
		w.said = append(w.said, s.Key+" = "+s.Text())
	}
}

// text says what was written, behind a result's own text.
func (w *writeBack) text(out io.Writer) error {
	if len(w.said) == 0 {
		return nil
	}
	_, err := fmt.Fprintf(out, "\nWritten into %s:\n  %s\n", w.engine, strings.Join(w.said, "\n  "))
	return err
}

// err is why nothing was written, though it was asked for; nil: it was, or
// nobody asked. To be returned once the other outputs are there.
func (w *writeBack) err() error {
	if w.kept == nil {
		return nil
	}
	return &outputError{w.engine, w.kept}
}

// halfWidth is the half-width of a rectangular distribution whose standard
// uncertainty is that of an expanded one at 95 % coverage: √3·U/1.96 (JCGM
// 100:2008, 4.3.7 and G.1.3), which is what a tolerance in an engine file is.
func halfWidth(expanded float64) float64 { return math.Sqrt(3) * expanded / 1.96 }
