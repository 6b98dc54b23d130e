package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"sparkscope/report/page"
)

// newPageCommand makes `sparkscope page`.
func newPageCommand(stdout io.Writer) *cobra.Command {
	return &cobra.Command{
		Use:   "page FOLDER",
		Short: "The page as a folder of files, for a phone",
		Long: `Writes the page of sparkscope serve as a folder of files, for any host that hands
out files over https. Opened there once, a phone or a laptop can install it, and
then it works with no network. The page computes in the browser: the host gets no
sound and no figure.

The folder must not exist yet, or be empty, or hold an earlier page, whose files
are replaced.

Exit status: 0 written; 2 wrong usage; 4 it could not be written.`,
		Example: `  sparkscope page sparkscope-page`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return usagef("want the name of the folder to write")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error { return writePage(args[0], stdout) },
	}
}

// writePage writes the page into a folder, the file that makes it a page last.
func writePage(folder string, stdout io.Writer) error {
	files, err := page.Files()
	if err != nil {
		return err
	}
	if info, err := os.Stat(folder); err == nil && !info.IsDir() {
		return &outputError{folder, errors.New("it is a file, where a folder is to be")}
	}
	there, err := os.ReadDir(folder)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return &outputError{folder, err}
	}
	for _, f := range there {
		if _, ours := files[f.Name()]; !ours || f.IsDir() {
			return usagef("%s holds %s, which is no part of the page: name a new folder", folder, f.Name())
		}
	}
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return &outputError{folder, err}
	}
	outs := &outputs{stdout: stdout}
	total := 0
	for _, name := range slices.Sorted(maps.Keys(files)) {
		b := files[name]
		total += len(b)
		outs.add("", filepath.Join(folder, name), func(w io.Writer) error {
			_, err := w.Write(b)
			return err
		})
	}
	if err := outs.check("-"); err != nil {
		return err
	}
	if err := outs.commit(); err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%s: %d files, %.1f MB. Put the folder on any https host, open it there once, and install it.\n", folder, len(files), float64(total)/1e6)
	return nil
}
