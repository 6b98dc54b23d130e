package study

import (
	"testing"

	"sparkscope/analysis"
)

// TestHabits: faults of twice their threshold are found in at least 95 of 100
// engines, and engines with nothing wrong are left in peace (2 in 200); here
// with few engines, of which none may fail. The command `study findings` prints
// the whole table.
func TestHabits(t *testing.T) {
	const engines, clean = 8, 24
	early := 0 // found at a quarter of the threshold, as chance may have it
	for _, th := range HabitCodes() {
		for i := range engines {
			f, err := TryHabits(i, 7, th.Code, 2)
			if err != nil {
				t.Fatalf("%s: %v", th.Code, err)
			}
			if f[th.Code] == 0 {
				t.Errorf("%s, engine %d: not found at twice the threshold; found %v", th.Code, i, f)
			}
			if f, err = TryHabits(i, 7, th.Code, 0.25); err != nil {
				t.Fatalf("%s: %v", th.Code, err)
			}
			early += f[th.Code]
		}
	}
	if most := 2; early > most {
		t.Errorf("%d findings at a quarter of their thresholds, want at most %d", early, most)
	}
	for i := range clean {
		f, err := TryHabits(i, 8, "", 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(f) > 0 {
			t.Errorf("engine %d, nothing wrong: found %v", i, f)
		}
	}
}

// TestMixUps: a slip of the user's makes an answer that is wrong in a known
// way, and the finding names it.
func TestMixUps(t *testing.T) {
	for _, c := range []struct {
		name string
		slip func(d *drawn)
		code string
	}{
		{"the reference's sign", func(d *drawn) { *d.setup.ReferenceAngle = -*d.setup.ReferenceAngle }, "reference-sign"},
		{"the target's sign", func(d *drawn) { *d.setup.Target = -*d.setup.Target }, "minus-target"},
		{"target read on a plate of half speed", func(d *drawn) { *d.setup.Target /= 2 }, "double-angle"},
		{"target doubled", func(d *drawn) { *d.setup.Target *= 2 }, "double-angle"},
		{"nothing", func(*drawn) {}, ""},
	} {
		for i := range 6 {
			d := drawHabits(i, 3, "timing-offset") // fixed timing, a target
			events := d.with(fault{}, 0)
			c.slip(&d)
			res, err := analysis.Measure(analysis.Recording{SampleRateHz: 192000, Channels: 2}, d.trains(events), d.setup)
			if err != nil {
				t.Fatal(err)
			}
			got := map[string]bool{}
			for _, f := range res.Findings {
				got[f.Code] = true
			}
			for _, code := range []string{"reference-sign", "minus-target", "double-angle"} {
				if got[code] != (code == c.code) {
					t.Errorf("%s, engine %d (fires at %.1f, target %.1f, reference %.1f): %s found: %v", c.name, i, float64(res.Advance.Mean), float64(*d.setup.Target), float64(*d.setup.ReferenceAngle), code, got[code])
				}
			}
		}
	}
}
