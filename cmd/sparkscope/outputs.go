package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
)

// output is one file that a run writes.
type output struct {
	flag  string // with its dashes, for messages
	path  string // as the user gave it; "-" is standard output
	write func(io.Writer) error

	file   string      // what path leads to, links followed
	direct bool        // a device or a pipe: written as it is, not replaced
	mode   fs.FileMode // of an earlier file; 0: there is none
	temp   string      // where it waits to be renamed
}

// outputs are all files of a run. They appear together at the end or not at
// all: each is written beside its place first.
type outputs struct {
	list   []*output
	stdout io.Writer
	engine string // an engine file that is read and so must stay; empty: none
}

// add puts an output on the list unless path is empty.
func (o *outputs) add(flag, path string, write func(io.Writer) error) {
	if path != "" {
		o.list = append(o.list, &output{flag: flag, path: path, write: write})
	}
}

// addText puts the text for the terminal on the list, unless a file's content
// goes to standard output.
func (o *outputs) addText(write func(io.Writer) error) {
	for _, f := range o.list {
		if f.path == "/dev/stdout" || f.path == "/dev/fd/1" {
			f.path = "-" // the text must not be written over it
		}
	}
	if !o.usesStdout() {
		o.add(textOutput, "-", write)
	}
}

// usesStdout reports whether standard output is taken by a file's content.
func (o *outputs) usesStdout() bool {
	for _, f := range o.list {
		if f.path == "-" {
			return true
		}
	}
	return false
}

// fileOnStdout reports whether a file's content, and not the text, goes to
// standard output.
func (o *outputs) fileOnStdout() bool {
	for _, f := range o.list {
		if f.path == "-" && f.flag != textOutput {
			return true
		}
	}
	return false
}

// textOutput stands for a flag where the text for the terminal is meant.
const textOutput = "the text"

// check finds out, before any work, whether every output can be written, and
// leaves nothing behind. Two outputs in one place, or one in the place of the
// recording or of the engine file, are wrong usage.
func (o *outputs) check(recording string) error {
	if at, err := resolve(o.engine); o.engine != "" && err == nil {
		for _, f := range o.list {
			if to, err := resolve(f.path); err == nil && f.path != "-" && sameFile(to, at) {
				return usagef("%s %s is the engine file itself", f.flag, f.path)
			}
		}
	}
	if recording != "-" {
		if in, err := resolve(recording); err == nil {
			for _, f := range o.list {
				if at, err := resolve(f.path); err == nil && f.path != "-" && sameFile(at, in) {
					return usagef("%s %s is the recording itself", f.flag, f.path)
				}
			}
		}
	}
	for i, f := range o.list {
		if f.path == "-" {
			f.direct = true
		} else if err := f.inspect(); err != nil {
			return &outputError{f.path, err}
		}
		for _, g := range o.list[:i] {
			if f.path == g.path && f.path == "-" || f.file != "" && sameFile(f.file, g.file) {
				if f.path == os.DevNull {
					continue
				}
				return usagef("%s and %s both name %s", g.flag, f.flag, f.path)
			}
		}
	}
	return nil
}

// resolve follows links as far as they lead; the file itself need not exist.
func resolve(path string) (string, error) {
	for range 40 {
		if real, err := filepath.EvalSymlinks(path); err == nil {
			return filepath.Abs(real)
		}
		// A link to nothing yet: write where it points.
		to, err := os.Readlink(path)
		if err != nil {
			break
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(filepath.Dir(path), to)
		}
		path = to
	}
	dir, err := filepath.EvalSymlinks(filepath.Dir(path))
	if err != nil {
		return "", err
	}
	return filepath.Abs(filepath.Join(dir, filepath.Base(path)))
}

// sameFile reports whether two resolved paths lead to one file.
func sameFile(a, b string) bool {
	if a == b {
		return true
	}
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && os.SameFile(x, y)
}

// inspect finds out what lies at the path and whether it may be written.
func (f *output) inspect() error {
	if strings.HasPrefix(filepath.ToSlash(f.path), "/dev/") {
		// /dev/stdout may lead to an ordinary file that the shell opened:
		// that one must be written through, not replaced.
		f.direct, f.file = true, f.path
		return nil
	}
	file, err := resolve(f.path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("there is no folder %s", filepath.Dir(f.path))
		}
		return err
	}
	f.file = file
	info, err := os.Stat(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return err
	case info.IsDir():
		return errors.New("it is a folder")
	case !info.Mode().IsRegular():
		f.direct = true
		return nil
	default:
		f.mode = info.Mode().Perm()
		old, err := os.OpenFile(file, os.O_WRONLY, 0) // not truncated: only asked whether it may be written
		if err != nil {
			return err
		}
		if err := old.Close(); err != nil {
			return err
		}
	}
	t, err := f.create()
	if err != nil {
		return err
	}
	return errors.Join(t.Close(), os.Remove(t.Name()))
}

// create makes a new file beside the output's place.
func (f *output) create() (*os.File, error) {
	for range 100 {
		name := filepath.Join(filepath.Dir(f.file), fmt.Sprintf(".sparkscope-%08x", rand.Uint32()))
		t, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if !errors.Is(err, fs.ErrExist) {
			return t, err
		}
	}
	return nil, errors.New("no free name for a temporary file")
}

// commit writes every output. Ordinary files are put in place only when all
// has been written.
func (o *outputs) commit() (err error) {
	defer func() {
		for _, f := range o.list {
			if f.temp != "" {
				err = errors.Join(err, os.Remove(f.temp))
			}
		}
	}()
	for _, f := range o.list {
		if !f.direct {
			if err := f.stage(); err != nil {
				return &outputError{f.path, err}
			}
		}
	}
	for _, f := range o.list {
		if f.direct {
			if err := f.through(o.stdout); err != nil {
				return &outputError{f.name(), err}
			}
		}
	}
	for _, f := range o.list {
		if !f.direct {
			if err := os.Rename(f.temp, f.file); err != nil {
				return &outputError{f.path, err}
			}
			f.temp = ""
		}
	}
	return nil
}

// name is the path in words.
func (f *output) name() string {
	if f.path == "-" {
		return "standard output"
	}
	return f.path
}

// stage writes the output into a file beside its place.
func (f *output) stage() error {
	t, err := f.create()
	if err != nil {
		return err
	}
	f.temp = t.Name()
	b := bufio.NewWriterSize(t, 1<<16)
	err = f.write(b)
	if err == nil {
		err = b.Flush()
	}
	if err == nil && f.mode != 0 {
		err = t.Chmod(f.mode)
	}
	return errors.Join(err, t.Close())
}

// through writes a device, a pipe or standard output.
func (f *output) through(stdout io.Writer) error {
	if f.path == "-" {
		return f.write(stdout)
	}
	t, err := os.OpenFile(f.file, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.write(t), t.Close())
}
