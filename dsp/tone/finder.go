package tone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"sparkscope/dsp"
)

// finder looks for the tone in spectra of whole frames.
type finder struct {
	rate     dsp.Rate
	n        int       // samples in a frame
	ring     []float64 // the last frames
	at       int       // where the next sample goes
	filled   int       // samples in ring
	fft      *fourier.FFT
	window   []float64
	x        []float64
	spectrum []complex128
	power    []float64
	lo, hi   int // bins searched
	last     float64
	unrolled []float64
	around   []float64
}

func newFinder(r dsp.Rate, toneHz float64) *finder {
	f := &finder{rate: r, n: 1 << int(math.Round(math.Log2(frameS*float64(r))))}
	f.ring = make([]float64, frames*f.n)
	f.unrolled = make([]float64, frames*f.n)
	f.fft = fourier.NewFFT(f.n)
	f.window = make([]float64, f.n)
	for i := range f.window {
		f.window[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(f.n))
	}
	f.x = make([]float64, f.n)
	f.spectrum = make([]complex128, f.n/2+1)
	f.power = make([]float64, f.n/2+1)
	f.around = make([]float64, 0, 2*reach)
	from, to := LeastHz, math.Min(MostHz, 0.45*float64(r))
	if toneHz > 0 {
		from, to = toneHz*(1-toneShare), toneHz*(1+toneShare)
	}
	bin := float64(r) / float64(f.n)
	f.lo, f.hi = max(2, int(from/bin)), min(f.n/2-2, int(math.Ceil(to/bin)))
	return f
}

// sample takes one; true at the end of a frame.
func (f *finder) sample(x float64) bool {
	f.ring[f.at] = x
	f.at++
	f.filled = min(f.filled+1, len(f.ring))
	if f.at == len(f.ring) {
		f.at = 0
	}
	return f.at%f.n == 0
}

// kept are the samples of the last frames, in order.
func (f *finder) kept() []float64 {
	n := copy(f.unrolled, f.ring[f.at:])
	copy(f.unrolled[n:], f.ring[:f.at])
	return f.unrolled[len(f.unrolled)-f.filled:]
}

// reach is how many bins to either side of a line its surroundings are.
const reach = 48

// choose says which tone to listen to from here on; ok is false where that is
// the one that l listens to, or there is none.
func (f *finder) choose(l *lockIn) (freq float64, ok bool) {
	end := f.at
	if end == 0 {
		end = len(f.ring)
	}
	for i, v := range f.ring[end-f.n : end] {
		f.x[i] = v * f.window[i]
	}
	f.fft.Coefficients(f.spectrum, f.x)
	for i, c := range f.spectrum {
		f.power[i] = real(c)*real(c) + imag(c)*imag(c)
	}
	top := f.lo
	for i := f.lo; i <= f.hi; i++ {
		if f.power[i] > f.power[top] {
			top = i
		}
	}
	f.around = f.around[:0]
	for i := max(1, top-reach/2); i <= min(len(f.power)-1, top+reach/2); i++ {
		if i < top-3 || i > top+3 {
			f.around = append(f.around, f.power[i])
		}
	}
	slices.Sort(f.around)
	p := f.power
	if !(p[top] > leastProminence*f.around[len(f.around)/2]) || p[top] < p[top-1] || p[top] < p[top+1] {
		f.last = 0
		return 0, false
	}
	// The summit of the Hann window's lobe, by a parabola through the
	// logarithms of three bins: within 0.02 bin.
	a, b, c := math.Log(p[top-1]+1e-300), math.Log(p[top]), math.Log(p[top+1]+1e-300)
	freq = float64(top)
	if den := a - 2*b + c; den < 0 {
		freq += math.Min(0.5, math.Max(-0.5, (a-c)/2/den))
	}
	bin := freq
	freq /= float64(f.n)
	if l == nil {
		return freq, true
	}
	own := l.f * float64(f.n)
	again := math.Abs(bin-f.last) < 1
	f.last = bin
	if math.Abs(bin-own) < 4 {
		return 0, false
	}
	// Another line: it must be stronger than the tone is, and was when open.
	at := min(max(int(math.Round(own)), 1), len(p)-2)
	mine := math.Max(p[at], math.Max(p[at-1], p[at+1]))
	// A tone of peak A makes a line of power (A·n/4)².
	was := math.Max(l.open, l.closed) * l.gain * l.gain * float64(f.n) * float64(f.n) / 16
	if again && p[top] > takeOver*math.Max(mine, was) {
		return freq, true
	}
	return 0, false
}
