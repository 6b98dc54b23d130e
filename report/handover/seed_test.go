package handover

import (
	"flag"
	"os"
	"testing"
)

// TestMain fixes the seed of the property tests, so that a run can be repeated;
// -rapid.seed N draws others.
func TestMain(m *testing.M) {
	flag.Parse()
	if f := flag.Lookup("rapid.seed"); f != nil && f.Value.String() == "0" {
		if err := flag.Set("rapid.seed", "20261125"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
