package dsp_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"sparkscope/dsp"
)

// lumps adds lumps of noise, each another, as a lossy codec leaves them: one
// every apart samples on average, at random.
func lumps(x []float64, apart, size float64, rng *rand.Rand) {
	for pos := 500.0; int(pos)+100 < len(x); pos += apart * rng.ExpFloat64() {
		width := 10 + 20*rng.Float64()
		hz := 0.05 + 0.2*rng.Float64() // cycles per sample
		phase := 2 * math.Pi * rng.Float64()
		for i := range 100 {
			u := (float64(i) - 50) / width
			x[int(pos)+i] += size * (0.5 + rng.Float64()) * math.Exp(-u*u) * math.Cos(2*math.Pi*hz*float64(i)+phase)
		}
	}
}

// spread is x with a pause after each pulse, and where the pulses then are.
func spread(x, at []float64, pause int) (y, moved []float64) {
	from := 0
	for i, a := range at {
		to := int(a) + int(0.012*rate)
		y = append(y, x[from:to]...)
		for range pause {
			y = append(y, x[to])
		}
		moved = append(moved, a+float64(i*pause))
		from = to
	}
	return append(y, x[from:]...), moved
}

// Noise that comes in lumps between the pulses, many times as often as they do,
// takes nothing from them: a contact stays a contact, and bursts are of one class.
func TestLumpsBetweenPulses(t *testing.T) {
	for _, kind := range []string{"contact", "burst"} {
		const n = 60
		var x, at []float64
		want := dsp.Burst
		if kind == "contact" {
			x, at = contactChannel(t, n, 0, 4e-3, false)
			want = dsp.Contact
		} else {
			x, at = burstChannel(t, "ring-sine", n, 0)
		}
		x, at = spread(x, at, int(0.03*rate))
		lumps(x, 60, 0.012, rand.New(rand.NewPCG(21, 22)))
		tr := detect(samples(x, 1, 0, noise/10), 4096, rate)
		if len(tr.Shapes) != 1 || tr.Shapes[0].Kind != want || len(tr.Pulses) != n {
			t.Fatalf("%s: %d pulses of %d shapes (the first is a %v), want %d of one", kind, len(tr.Pulses), len(tr.Shapes), tr.Shapes[0].Kind, n)
		}
		for i, p := range tr.Pulses {
			if math.Abs(p.Pos-at[i]) > 0.5 {
				t.Errorf("%s: pulse %d is %+.2f samples off", kind, i, p.Pos-at[i])
			}
		}
	}
}

// Pulses that come in a rhythm are not given up for interference, however large
// this is: neither where it comes at random, nor where it has a rhythm as well.
func TestWeakInRhythm(t *testing.T) {
	for _, regular := range []bool{false, true} {
		const n = 220
		x, at := burstChannel(t, "decay", n, 0)
		rng := rand.New(rand.NewPCG(23, 24))
		for i := range x {
			x[i] /= 12
		}
		big, _ := burstChannel(t, "impulse", n, 0)
		half := int(0.01 * rate)
		for i := 6; i < n; i += 11 {
			if !regular && rng.Float64() < 0.3 {
				continue
			}
			from := int(at[i]) - 100
			to := from + half
			if !regular {
				to += int(0.15 * rng.Float64() * rate)
			}
			for k := 0; k < 400 && to+k < len(x); k++ {
				x[to+k] += big[from+k]
			}
		}
		tr := detect(samples(x, 1, 0, noise/20), 4096, rate)
		found := 0
		for _, p := range tr.Pulses {
			for _, a := range at {
				if math.Abs(p.Pos-a) < 2 {
					found++
				}
			}
		}
		if found < n*9/10 {
			t.Errorf("regular %v: %d of %d found", regular, found, n)
		}
	}
}
