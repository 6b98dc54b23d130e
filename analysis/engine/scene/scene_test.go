package scene

import (
	"testing"
	"time"
	"sparkscope/dsp/synth"
)

func TestSmoke(t *testing.T) {
	for _, f := range synth.Families() {
		s := Default()
		s.Family = f.Name
		t0 := time.Now()
		tr, src, err := Render(s)
		if err != nil { t.Fatal(err) }
		t1 := time.Now()
		x := src.All()
		t.Log(f.Name, t1.Sub(t0), time.Since(t1), len(tr.Events), tr.Frames, len(x[0]))
	}
}
