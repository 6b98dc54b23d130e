package dsp_test

import (
	"fmt"
	"math"
	"testing"

	"sparkscope/dsp"
)

// withHum is x with hum of a frequency and size (0 to peak) that is not clean:
// three harmonics, and mains that wander by 0.05 Hz.
func withHum(x []float64, hz, rate, peak float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		s := float64(i) / rate
		turn := 2*math.Pi*hz*s + 2*math.Pi*0.05*10*math.Sin(s/10)
		y[i] = v + peak*(math.Sin(turn)+0.3*math.Sin(2*turn+0.4)+0.3*math.Sin(3*turn+1)+0.1*math.Sin(5*turn))/1.5
	}
	return y
}

// Hum as strong as the pulses, and twice as strong, is taken out before the
// search, also where the pulses come as often as the hum turns over.
func TestHumIsTakenOut(t *testing.T) {
	const hz = 48000
	coil := func(rpm float64) ([]float64, []float64) {
		x, at, _ := turning(t, hz, rpm, rpm, 6, 8, 0.4*6000/rpm)
		return x, at
	}
	slow, slowAt := coil(1000)
	locked, lockedAt := coil(3000)
	contact, contactAt := contactChannel(t, 120, 0, 2e-3, false)
	burst, burstAt := burstChannel(t, "decay", 120, 0)
	for _, c := range []struct {
		name  string
		x, at []float64
		limit float64 // error of a pulse, samples: 0.3° of that speed
		kind  dsp.Kind
	}{
		{"coil at 1000 rpm", slow, slowAt, 2.4, dsp.Lobes}, {"coil at 3000 rpm", locked, lockedAt, 0.8, dsp.Lobes},
		{"contact", contact, contactAt, 0.8, dsp.Contact}, {"decay", burst, burstAt, 0.8, dsp.Burst},
	} {
		for _, mains := range []float64{50, 60.02} {
			for _, peak := range []float64{0.4, 0.8} {
				name := fmt.Sprintf("%s, %g Hz, %g", c.name, mains, peak)
				tr := detect(samples(withHum(c.x, mains, hz, peak), 0.5, 0, noise), 1<<14, hz)
				why := ""
				e := nearest(positions(tr, largest(t, tr)), c.at)
				if mean, worst := meanAbove(e); len(e) != len(c.at) || len(tr.Pulses) != len(c.at) || worst > c.limit || tr.Shapes[0].Kind != c.kind {
					why = fmt.Sprintf("%v: want %d; error %.3f samples in the mean, %.3f at worst", kinds(tr), len(c.at), mean, worst)
				}
				judge(t, name, why)
				if math.Abs(tr.Level.HumHz-mains) > 0.3 || math.Abs(tr.Level.Hum-0.5*peak*1.13) > 0.1*peak {
					t.Errorf("%s: hum of %.3f at %.2f Hz taken out: true %.3f at %g", name, tr.Level.Hum, tr.Level.HumHz, 0.5*peak*1.13, mains)
				}
			}
		}
	}
}

// Where there is no hum nothing is taken out: not from pulses that come 50
// times a second and so have lines at 50 Hz and all its multiples.
func TestNoHumIsMadeUp(t *testing.T) {
	const hz = 48000
	x, _, _ := turning(t, hz, 3000, 3000, 8, 8, 0.4)
	for _, offset := range []float64{0, 0.2} {
		if tr := detect(samples(x, 1, offset, noise), 1<<14, hz); tr.Level.Hum != 0 {
			t.Errorf("offset %g: hum of %.4f at %.2f Hz taken out of a coil at 3000 rpm", offset, tr.Level.Hum, tr.Level.HumHz)
		}
	}
	for name, y := range channels(t, 0) {
		if tr := detect(samples(y, 1, 0, noise), 1<<14, hz); tr.Level.Hum != 0 {
			t.Errorf("%s: hum of %.4f at %.2f Hz taken out", name, tr.Level.Hum, tr.Level.HumHz)
		}
	}
}

// What comes out does not depend on how the samples were pushed.
func TestHumAndBlocks(t *testing.T) {
	b, _ := burstChannel(t, "ring-sine", 120, 0)
	l, _ := coilChannel(t, 120, 0, 1.2e-3, rate, 0.4)
	for name, x := range map[string][]float64{"burst": b, "coil": l} {
		y := samples(withHum(x, 50, rate, 0.4), 0.5, 0, noise)
		want := detect(y, len(y), rate)
		if want.Level.Hum == 0 {
			t.Errorf("%s: no hum found", name)
		}
		for _, block := range []int{1, 777, 30011} {
			got := detect(y, block, rate)
			if fmt.Sprint(got) != fmt.Sprint(want) {
				t.Errorf("%s in blocks of %d: %d pulses, level %+v; at once %d, %+v", name, block, len(got.Pulses), got.Level, len(want.Pulses), want.Level)
			}
		}
	}
}
