package synth

import (
	"math"
	"testing"
)

// The closed form is what the circuit's equations give step by step (the
// classical Runge-Kutta method, steps far below the shortest time constant),
// through an opening, a closing and what rings after them.
func TestBenchFollowsItsEquations(t *testing.T) {
	const rate = 96000.0
	b := Bench{ToneHz: 3025, Level: 0.7, SeriesOhm: 220, LeadOhm: 1.1, InputOhm: 1e4, CoilH: 3e-3, CoilOhm: 0.6, LossOhm: 400, CondenserF: 0.2e-6,
		Touches: []Touch{{0, 0.4}, {0.6e-3, OpenOhm}, {1.5e-3, 0.7}}, StartS: -1}
	sig, err := b.Signal(rate)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]float64, 200)
	sig.AddTo(got, 0)
	ohm := func(at float64) float64 {
		switch {
		case at < 0.6e-3:
			return 0.4
		case at < 1.5e-3:
			return OpenOhm
		}
		return 0.7
	}
	// Nodes by Kirchhoff: n at the input, m at the contacts; the coil's branch
	// has its winding, and then inductance and loss side by side.
	input := func(at, m float64) float64 {
		e := math.Sin(2 * math.Pi * b.ToneHz * at)
		return (e/b.SeriesOhm + m/b.LeadOhm) / (1/b.SeriesOhm + 1/b.InputOhm + 1/b.LeadOhm)
	}
	rates := func(at, m, i float64) (dm, di float64) {
		n := input(at, m)
		behind := (m/b.CoilOhm - i) / (1/b.CoilOhm + 1/b.LossOhm) // between winding and inductance
		branch := (m - behind) / b.CoilOhm
		return ((n-m)/b.LeadOhm - m/ohm(at) - branch) / (b.CondenserF + cableF), behind / b.CoilH
	}
	// Begin where the closed form does: open, in the steady state.
	p := b.piece(0, OpenOhm, 2*math.Pi*b.ToneHz)
	m, i := p.steady(1)
	const steps = 400 // a sample: 26 ns
	h := 1 / rate / steps
	worst := 0.0
	for k := range got {
		at := float64(k) / rate
		worst = max(worst, math.Abs(got[k]-b.Level*input(at, m)))
		for j := range steps {
			s := at + float64(j)*h
			k1, l1 := rates(s, m, i)
			k2, l2 := rates(s+h/2, m+h/2*k1, i+h/2*l1)
			k3, l3 := rates(s+h/2, m+h/2*k2, i+h/2*l2)
			k4, l4 := rates(s+h*(1-1e-9), m+h*k3, i+h*l3)
			m += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
			i += h / 6 * (l1 + 2*l2 + 2*l3 + l4)
		}
	}
	const tol = 1e-4 // a touch falls within a step
	if worst > tol {
		t.Errorf("closed form and equations differ by %g, want at most %g", worst, tol)
	}
	peak := 0.0
	for _, v := range got {
		peak = max(peak, math.Abs(v))
	}
	if peak < 0.1 {
		t.Errorf("the greatest voltage is %g: nothing was tried", peak)
	}
}

// What the bench adds does not depend on the blocks, but for the last bits of
// the turning phase.
func TestBenchBlocks(t *testing.T) {
	b := Bench{ToneHz: 3025, Level: 0.7, SeriesOhm: 100, LeadOhm: 1.1, InputOhm: 1e4, CoilH: 3e-3, CoilOhm: 0.6, DriftDB: 3, DriftS: 1,
		Touches: []Touch{{0.01, 0.4}, {0.02, OpenOhm}}}
	sig, err := b.Signal(48000)
	if err != nil {
		t.Fatal(err)
	}
	whole, cut := make([]float64, 9600), make([]float64, 9600)
	sig.AddTo(whole, 0)
	for at := 0; at < len(cut); at += 77 {
		sig.AddTo(cut[at:min(at+77, len(cut))], int64(at))
	}
	for i := range whole {
		if math.Abs(whole[i]-cut[i]) > 1e-13 {
			t.Fatalf("sample %d: %g in one block, %g in blocks of 77", i, whole[i], cut[i])
		}
	}
}

func TestBenchRefuses(t *testing.T) {
	good := Bench{ToneHz: 3025, Level: 0.7, SeriesOhm: 100, LeadOhm: 1.1, InputOhm: 1e4}
	for name, change := range map[string]func(*Bench){
		"tone above half the rate": func(b *Bench) { b.ToneHz = 24001 },
		"no resistor":              func(b *Bench) { b.SeriesOhm = 0 },
		"level that is no number":  func(b *Bench) { b.Level = math.NaN() },
		"touches out of order":     func(b *Bench) { b.Touches = []Touch{{1, 1}, {0.5, 1}} },
		"touch of no resistance":   func(b *Bench) { b.Touches = []Touch{{1, 0}} },
	} {
		b := good
		change(&b)
		if _, err := b.Signal(48000); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := good.Signal(48000); err != nil {
		t.Error(err)
	}
}
