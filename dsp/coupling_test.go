package dsp_test

import (
	"fmt"
	"math"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/synth"
)

// turning is a coil at a wheel that is sped up: seconds between passages follow
// the speed, the lobes' spacing (degrees) and height (at 6000 rpm) too.
func turning(t testing.TB, hz, fromRPM, toRPM, seconds, spacingDeg, amp float64) (x, at, degPerSample []float64) {
	t.Helper()
	k, err := synth.NewKernel("sharp")
	if err != nil {
		t.Fatal(err)
	}
	var lobes []synth.Lobe
	for s := 0.113; s < seconds; {
		rpm := fromRPM + (toRPM-fromRPM)*s/seconds
		pos := s*hz + 0.37
		lobes = append(lobes, synth.Lobe{Pos: pos, Half: spacingDeg / 2 / (6 * rpm) * hz, Amp: amp * rpm / 6000})
		at = append(at, pos)
		degPerSample = append(degPerSample, 6*rpm/hz)
		s += 60 / rpm
	}
	l, err := synth.NewLobes(k, lobes)
	if err != nil {
		t.Fatal(err)
	}
	x = make([]float64, int((seconds+0.2)*hz))
	l.AddTo(x, 0)
	return x, at, degPerSample
}

// ac is x behind a capacitor with its corner at hz.
func ac(x []float64, rate, hz float64) []float64 {
	if hz == 0 {
		return x
	}
	a := math.Exp(-2 * math.Pi * hz / rate)
	y := make([]float64, len(x))
	for i := 1; i < len(x); i++ {
		y[i] = a*y[i-1] + (1+a)/2*(x[i]-x[i-1])
	}
	return y
}

// A capacitor in the way moves a coil's crossings by 2π·fc·s², s half the
// lobes' spacing: 0.8° at 300 rpm for lobes 8° apart and 15 Hz, 2.1° for 20°
// at 600 rpm. It is found from the recording and undone. Two capacitors are
// told from one where the speed varies; else what they would make is stated.
func TestCoilThroughCoupling(t *testing.T) {
	const (
		inMean = 0.15 // degrees, the project's limit
		rms    = 0.3
		quiet  = 2e-5 // rms noise: 50 dB below the smallest lobe
	)
	for _, c := range []struct {
		from, to, spacing float64
		corner, second    float64
	}{
		{300, 300, 8, 0, 0}, {300, 300, 8, 8, 0}, {300, 300, 8, 15, 0}, {300, 300, 20, 15, 0}, {600, 600, 20, 15, 0},
		{300, 6000, 20, 15, 0}, {300, 15000, 8, 15, 0}, {300, 300, 8, 10, 10}, {300, 3000, 20, 8, 8},
	} {
		for _, hz := range []float64{44100, 96000} {
			t.Run(fmt.Sprintf("%g to %g rpm, %g°, %g and %g Hz at %g", c.from, c.to, c.spacing, c.corner, c.second, hz), func(t *testing.T) {
				x, at, deg := turning(t, hz, c.from, c.to, 8, c.spacing, 0.4)
				x = ac(ac(x, hz, c.corner), hz, c.second)
				tr := detect(samples(x, 1, 0.003, quiet), 1<<14, dsp.Rate(hz))
				e := errorsOf(t, tr, at)
				var mean, square, stated float64
				for i := range e {
					mean += e[i] * deg[i] / float64(len(e))
					square += e[i] * e[i] * deg[i] * deg[i] / float64(len(e))
					stated += tr.Shapes[0].AnchorSigma * deg[i] / float64(len(e))
				}
				if math.Abs(mean) > inMean || math.Sqrt(square) > rms {
					t.Errorf("crossings %.3f° late in the mean, %.3f° rms", mean, math.Sqrt(square))
				}
				if math.Abs(mean) > 2*stated {
					t.Errorf("crossings %.3f° late in the mean, stated ±%.3f°", mean, 2*stated)
				}
			})
		}
	}
}

// shelf is x behind a tone control, (s+g·w)/(s+w), w = 2π·hz and g its gain for
// low notes, by the bilinear transform.
func shelf(x []float64, rate, hz, db float64) []float64 {
	k, g := math.Tan(math.Pi*hz/rate), math.Pow(10, db/20)
	y := make([]float64, len(x))
	for i := 1; i < len(x); i++ {
		y[i] = ((1+g*k)*x[i] + (g*k-1)*x[i-1] - (k-1)*y[i-1]) / (1 + k)
	}
	return y
}

// A tone control that raises or lowers low notes moves the crossings of slow
// pulses: by 0.75° at 1500 rpm for 6 dB below 100 Hz. Where the speed varies it is
// found and undone. At one speed a coil's own shape might do the same, and that
// is said; without one nothing is.
func TestCoilBehindToneControl(t *testing.T) {
	const (
		inMean = 0.15 // degrees, the project's limit
		rms    = 0.3
		quiet  = 1e-4
	)
	for _, c := range []struct {
		from, to, spacing, hz, db, corner float64
		open                              bool
	}{
		{1200, 6000, 8, 100, 6, 8, false}, {1200, 6000, 8, 100, 12, 8, false}, {1200, 6000, 8, 100, -6, 8, false},
		{1200, 6000, 8, 60, 6, 0, false}, {1200, 6000, 8, 200, 6, 15, false}, {1200, 6000, 20, 100, 6, 8, false}, {300, 3000, 8, 100, 6, 8, false},
		{1500, 1500, 8, 100, 6, 8, true}, {1500, 1500, 8, 100, 0, 8, false}, {1200, 6000, 8, 100, 0, 8, false},
	} {
		x, at, deg := turning(t, rate, c.from, c.to, 8, c.spacing, 0.4)
		tr := detect(samples(shelf(ac(x, rate, c.corner), rate, c.hz, c.db), 1, 0.003, quiet), 1<<14, rate)
		e := errorsOf(t, tr, at)
		var mean, square, stated float64
		for i := range e {
			mean += e[i] * deg[i] / float64(len(e))
			square += e[i] * e[i] * deg[i] * deg[i] / float64(len(e))
			stated += tr.Shapes[0].AnchorSigma * deg[i] / float64(len(e))
		}
		if tr.Shapes[0].TailOpen != c.open {
			t.Errorf("%+v: open %t", c, tr.Shapes[0].TailOpen)
		}
		if !c.open && (math.Abs(mean) > inMean || math.Sqrt(square) > rms) {
			t.Errorf("%+v: crossings %.3f° late in the mean, %.3f° rms", c, mean, math.Sqrt(square))
		}
		if math.Abs(mean) > 2*stated {
			t.Errorf("%+v: crossings %.3f° late in the mean, stated ±%.3f°", c, mean, 2*stated)
		}
	}
}

// The lobes' height falls with the speed: 1:50 from 15 000 to 300 rpm. Noise of
// which the slowest are only three times the rms, and the leak of a spark as
// high as the middle ones, must neither hide nor add any.
func TestCoilFromCranking(t *testing.T) {
	const hz = 48000
	x, at, deg := turning(t, hz, 300, 15000, 10, 8, 0.3)
	leak, _ := burstChannel(t, "ring-sine", 3000, 0)
	for i := range x {
		x[i] += 0.02 * leak[i]
	}
	tr := detect(samples(x, 1, 0, 0.005), 1<<14, hz)
	got := positions(tr, largest(t, tr))
	found, extra := 0, 0
	var square float64
	i := 0
	for _, p := range got {
		for i < len(at) && at[i] < p-3/deg[min(i, len(at)-1)] {
			i++
		}
		if i < len(at) && math.Abs(at[i]-p)*deg[i] < 3 {
			square += (at[i] - p) * (at[i] - p) * deg[i] * deg[i]
			found++
			i++
		} else {
			extra++
		}
	}
	rms := math.Sqrt(square / float64(found))
	// The bound for the slowest is 0.8°, for most far less; the project's limit
	// for 20 dB is 0.6°.
	if float64(found) < 0.98*float64(len(at)) || extra > found/100 || rms > 0.6 || tr.Shapes[0].Kind != dsp.Lobes {
		t.Errorf("%v: %d of %d found, %d besides, %.3f° rms", kinds(tr), found, len(at), extra, rms)
	}
}
