package dsp

import (
	"math"
	"reflect"
	"slices"
	"testing"
)

// A snapshot that goes on by itself, to the end of the recording and over what it
// forgets on the way, leaves the noise floors of the detector that it was taken of as
// they were, and its coil looks at its own.
func TestSnapshotKeepsItsOwnFloors(t *testing.T) {
	const hz = 48000
	x := make([]float32, 30*hz)
	for i := range x {
		x[i] = float32(1e-3 * math.Sin(float64(i)*float64(i)))
	}
	d := NewDetector(hz, 1, Options{})
	d.Push(x)
	before := floorLog{slices.Clone(d.near.from), slices.Clone(d.near.q)}
	if len(before.q) == 0 {
		t.Fatal("no floors")
	}
	c := d.clone(0)
	if c.lobes.floors != &c.near {
		t.Error("its coil looks at another's floors")
	}
	c.Push(x)
	c.End()
	if !reflect.DeepEqual(d.near, before) {
		t.Error("the floors of the detector itself have changed")
	}
}
