package dsp

import "testing"

// A wave whose crest is its last sample, as coding noise makes them, has a
// window that ends with it: `study faults --trouble codec --severity 2 --rate
// 192000` had one that ended a sample later.
func TestNearAtTheEnd(t *testing.T) {
	w := &template{wave: make([]float64, 40), length: 20, foot: 30, crest: 39}
	w.wave[39] = 1
	n := w.near(sizes{nearPre: 8, nearPost: 30})
	if len(n.x) == 0 || n.x[len(n.x)-1] != 1 {
		t.Errorf("the window holds %v: want it to end with the crest", n.x)
	}
}
