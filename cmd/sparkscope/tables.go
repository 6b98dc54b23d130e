package main

import (
	"io"

	"github.com/spf13/pflag"

	"sparkscope/analysis"
	"sparkscope/analysis/session"
	"sparkscope/report/table"
)

// tablesOptions is which tables a run writes.
type tablesOptions struct{ firings, bins string }

// register declares the flags.
func (o *tablesOptions) register(f *pflag.FlagSet) {
	f.Var(fileFlag{&o.firings}, "table", "write one row for each spark, for other programs; the ending\ndecides: .csv .json .parquet")
	f.Var(fileFlag{&o.bins}, "bin-table", "the same, one row for each range of speed")
}

// add puts the tables on the list; what get returns is known when they are
// written: a result and, of a session, the session.
func (o *tablesOptions) add(outs *outputs, get func() (*analysis.Result, *session.Session)) error {
	for _, t := range []struct {
		flag, path string
		write      func(w io.Writer, f table.Format) error
	}{
		{"--table", o.firings, func(w io.Writer, f table.Format) error { return table.Write(w, f, table.Firings(get())) }},
		{"--bin-table", o.bins, func(w io.Writer, f table.Format) error { return table.Write(w, f, table.Bins(get())) }},
	} {
		if t.path == "" {
			continue
		}
		f, err := table.FormatOf(t.path)
		if err != nil {
			return usagef("%s %q: want a name that ends in .csv, .json or .parquet", t.flag, t.path)
		}
		outs.add(t.flag, t.path, func(w io.Writer) error { return t.write(w, f) })
	}
	return nil
}
