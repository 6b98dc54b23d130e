package dsp_test

import (
	"reflect"
	"testing"

	"sparkscope/dsp"
)

// Detectors that share tables find what each finds with its own.
func TestTablesDoNotMatter(t *testing.T) {
	rate, x := read(t, "steady")
	find := func(tables *dsp.Tables, c int) dsp.Train {
		d := dsp.NewDetector(rate, c+1, dsp.Options{Tables: tables})
		d.Push(x[c])
		return d.Finish()
	}
	var alone [2]dsp.Train
	for c := range alone {
		alone[c] = find(nil, c)
	}
	tables := dsp.NewTables()
	var got [4]dsp.Train
	for i := range got {
		got[i] = find(tables, i%2)
	}
	for i, tr := range got {
		want := alone[i%2]
		if len(tr.Pulses) == 0 || !reflect.DeepEqual(tr.Pulses, want.Pulses) || !reflect.DeepEqual(tr.Shapes, want.Shapes) {
			t.Errorf("channel %d, run %d: other pulses with shared tables", i%2+1, i/2+1)
		}
	}
}
