package study

import (
	"testing"
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
// way; the finding names it and no other, nobody is sent to the plate for it,
// and the verdict stands.
func TestMixUps(t *testing.T) {
	for _, s := range Slips() {
		for i := range 6 {
			got, err := TrySlip(s, i, 3)
			if err != nil {
				t.Fatal(err)
			}
			if want := (Slipped{Named: true, Outside: s.Code != ""}); got != want {
				t.Errorf("%s, engine %d: %+v, want %+v", s.Name, i, got, want)
			}
		}
	}
}

// TestBends: at twice its limit a fixed delay is taken for one, and an advance
// curve for a curve.
func TestBends(t *testing.T) {
	for _, b := range Bends() {
		for i := range 6 {
			got, err := TryBend(b, i, 3, 2)
			if err != nil {
				t.Fatal(err)
			}
			if got != b.Want {
				t.Errorf("%s, engine %d: taken for %q", b.Name, i, got)
			}
		}
	}
}
