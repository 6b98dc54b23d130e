package analysis

import (
	"testing"

	"sparkscope/dsp"
)

// A coil whose pulses have a tail that a tone control may have made is warned of.
func TestCoilTail(t *testing.T) {
	for _, open := range []bool{false, true} {
		w := world{prof: steady(2500, 3), refAngle: 40, refKind: dsp.Lobes, scatter: 0.3, seed: 1}
		m := w.build()
		m.edit(m.refCh, func(tr *dsp.Train) { tr.Shapes[0].TailOpen = open })
		res, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(40)})
		if err != nil {
			t.Fatal(err)
		}
		if hasFinding(res, "coil-tail") != open {
			t.Errorf("tail %t: found %t", open, !open)
		}
	}
}
