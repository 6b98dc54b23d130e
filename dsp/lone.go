package dsp

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/optimize"
)

// levelled is what is known of a front less a straight line: of a channel that drifts, the
// level before the front and its slope are known as well as the quiet stretch there tells them.
type levelled struct {
	x, y   []float64 // places, from their middle, and values
	mid    float64
	tt, yy float64 // sums of squares
}

func (s *onsetSearch) levelled() (l levelled) {
	for j, v := range s.y {
		if s.known(j) {
			l.x, l.y = append(l.x, float64(j)), append(l.y, v)
		}
	}
	l.mid = mean(l.x)
	floats.AddConst(-l.mid, l.x)
	l.tt = floats.Dot(l.x, l.x)
	floats.AddConst(-mean(l.y), l.y)
	floats.AddScaled(l.y, -floats.Dot(l.x, l.y)/l.tt, l.x)
	l.yy = floats.Dot(l.y, l.y)
	return l
}

// misfit is the rms of what an answer leaves of it, of the size that fits best and less a
// straight line too.
func (l *levelled) misfit(answer func(x float64) float64) float64 {
	var ky, kk, k1, kt float64
	for j, v := range l.y {
		w := answer(l.x[j] + l.mid)
		ky += w * v
		kk += w * w
		k1 += w
		kt += w * l.x[j]
	}
	n := float64(len(l.y))
	kk -= k1*k1/n + kt*kt/l.tt
	return math.Sqrt(math.Max(l.yy-ky*ky/kk, 0) / n)
}

const (
	loneRest   = 24   // samples after its crest in which a lone impulse rings
	loneNear   = 0.08 // what a converter that is not its own leaves of one: other pulses leave more
	loneMisfit = 0.025
	loneDelay  = 5.0 // samples by which its top comes after it, at most
)

// lone is where the centroid of a pulse far shorter than a sample lies behind a converter of
// least phase: that is by how much slow signals are late behind it. How much of this lies
// before the impulse's first rise hangs on how far down the converter's stop band is, which
// nothing shows: of -100 and -120 dB the same pulse is told 0.65 sample apart, with one
// centroid. ok is false where y is no such pulse.
func (s *onsetSearch) lone() (centroid float64, ok bool) {
	l := s.levelled()
	misfit := func(t kernel, at float64) float64 {
		return l.misfit(func(x float64) float64 { return t.between((x - at) * onsetTicks) })
	}
	top := farthest(s.y)
	left, k, pos := math.Inf(1), bandLimit{}, 0.0
	try := func(c bandLimit) {
		t := s.kept.kernel(c, s.laid())
		for d := -loneDelay; d <= 0.5; d += 0.125 {
			if m := misfit(t, float64(top)+d); m < left {
				left, k, pos = m, c, float64(top)+d
			}
		}
	}
	for _, c := range converters() {
		c.minimum = true
		try(c)
	}
	if left > loneNear+2*s.sigma {
		return 0, false
	}
	for _, cutoff := range []float64{0.42, 0.44, 0.46, 0.48, 0.5} {
		for _, half := range []float64{12, 24, 48} {
			for _, beta := range []float64{6, 10} {
				try(bandLimit{cutoff: cutoff, half: half, beta: beta, minimum: true})
			}
		}
	}
	// Downhill from there, all of it at once: a steeper limit farther down is much like a
	// gentler one farther up.
	of := func(x []float64) (at float64, c bandLimit, possible bool) {
		c = bandLimit{cutoff: x[1] / 50, half: 20 * math.Exp(x[2]), beta: 2 * x[3], minimum: true}
		return x[0], c, c.cutoff > 0.3 && c.cutoff < 0.52 && c.half > 6 && c.half < 90 && c.beta > 1 && c.beta < 12
	}
	found, _ := optimize.Minimize(optimize.Problem{Func: func(x []float64) float64 {
		at, c, possible := of(x)
		if !possible {
			return 1
		}
		t := s.kept.kernelTable(c, s.laid())
		return misfit(t, at)
	}}, []float64{pos, 50 * k.cutoff, math.Log(k.half / 20), k.beta / 2}, &optimize.Settings{
		FuncEvaluations: 250, Converger: &optimize.FunctionConverge{Absolute: 1e-5, Iterations: 20},
	}, &optimize.NelderMead{SimplexSize: 0.3})
	// Short of its end it may be good enough all the same; what is no number is not.
	if found == nil || !(found.F <= loneMisfit+2*s.sigma) {
		return 0, false
	}
	at, c, _ := of(found.X)
	t := s.kept.kernelTable(c, s.laid())
	return at + t.centroid(), true
}

// between is at between two ticks.
func (k kernel) between(tick float64) float64 {
	f := math.Floor(tick)
	a := k.at(int(f))
	return a + (tick-f)*(k.at(int(f)+1)-a)
}

// centroid is its first moment, samples after the event.
func (k kernel) centroid() float64 {
	var sum, first float64
	for i, v := range k.h {
		sum += v
		first += v * float64(i-k.zero) / onsetTicks
	}
	return first / sum
}
