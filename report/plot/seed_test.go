package plot

import (
	"testing"

	"sparkscope/dsp/rerun"
)

func TestMain(m *testing.M) { rerun.Main(m) }
