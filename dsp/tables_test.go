package dsp_test

import (
	"reflect"
	"sync"
	"testing"

	"sparkscope/dsp"
)

// Detectors that share tables find what each finds with its own, one after the other or,
// behind a lock, side by side.
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
	var got [6]dsp.Train
	for i := range got[:4] {
		got[i] = find(tables, i%2)
	}
	common := dsp.NewCommonTables(new(sync.Mutex), dsp.MostTables)
	var both sync.WaitGroup
	for i := range got[4:] {
		both.Go(func() { got[4+i] = find(common, i) })
	}
	both.Wait()
	for i, tr := range got {
		want := alone[i%2]
		if len(tr.Pulses) == 0 || !reflect.DeepEqual(tr.Pulses, want.Pulses) || !reflect.DeepEqual(tr.Shapes, want.Shapes) {
			t.Errorf("channel %d, run %d: other pulses with shared tables", i%2+1, i/2+1)
		}
	}
}
