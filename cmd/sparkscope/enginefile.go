package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"strings"

	"sparkscope/analysis/enginefile"
)

// mostEngineFile is how much of an engine file is read, bytes: what is longer
// is something else.
const mostEngineFile = 2 << 20

// readEngineFile reads an engine file. Where there is none, err is one for
// which errors.Is(err, fs.ErrNotExist) holds.
func readEngineFile(path string) (doc []byte, f enginefile.File, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, f, err
	}
	defer file.Close()
	if info, err := file.Stat(); err == nil && info.IsDir() {
		return nil, f, errors.New("this is a folder, not an engine file")
	}
	if doc, err = io.ReadAll(io.LimitReader(file, mostEngineFile)); err != nil {
		return nil, f, err
	}
	f, err = enginefile.Parse(doc)
	return doc, f, err
}

// openEngineFile reads the engine file that --engine names; empty: none.
func openEngineFile(path string) (f enginefile.File, err error) {
	if path == "" {
		return f, nil
	}
	if _, f, err = readEngineFile(path); err != nil {
		err = engineFileError(path, err)
	}
	return f, err
}

// engineFileError says what is wrong with the file that --engine names.
func engineFileError(path string, err error) error { return wrongFile("--engine "+path, err) }

// wrongFile puts words that name a file before what is wrong with it.
func wrongFile(words string, err error) error {
	var pe *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return usagef("%s: there is no such file", words)
	case errors.As(err, &pe):
		err = pe.Err
	}
	return usagef("%s: %s", words, strings.TrimPrefix(err.Error(), "enginefile: "))
}

// quantity is a number of a file with its unit, without digits that come from
// binary arithmetic only.
func quantity(v float64, unit string) string {
	return fmt.Sprintf("%.10g%s", math.Round(v*1e9)/1e9, unit)
}
