// Package rerun makes the property tests of a package draw the same in every run.
package rerun

import (
	"flag"
	"os"
)

// Main is for a package's TestMain. It gives pgregory.net/rapid a seed, so that a
// run can be repeated; -rapid.seed N draws others.
func Main(m interface{ Run() int }) {
	flag.Parse()
	if f := flag.Lookup("rapid.seed"); f != nil && f.Value.String() == "0" {
		if err := flag.Set("rapid.seed", "20261125"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
