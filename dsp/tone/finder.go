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
	lo, hi   int     // bins searched
	last     float64 // line of the last frame, bins; 0: none
	row      int     // frames in which it has stood
	stated   float64 // the tone to look for, bins; 0: any
	parts    []float64
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
	f.parts = make([]float64, 0, int(2*float64(f.n)/(partS*float64(r))))
	from, to := LeastHz, math.Min(MostHz, 0.45*float64(r))
	bin := float64(r) / float64(f.n)
	if toneHz > 0 {
		f.stated = toneHz / bin
		from, to = toneHz*(1-toneShare)-bin, toneHz*(1+toneShare)+bin // a line has two neighbours
	}
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

const (
	// readBins is how far off a line's frequency may be read in a frame whose
	// noise is as near as leastProminence lets it come: for a tone 20 dB above
	// the median of a bin's noise about 0.1 bin.
	readBins = 0.1
	// lineBins is how far a tone's frequency may seem to wander from frame to
	// frame: what it is read to, twice, and a step of the contacts near a
	// frame's end. A card's own clock does not wander by a thousandth of it; the
	// speed of an engine held steady does, by 0.3 % and more.
	lineBins = 0.3
	// partS is the length of the parts in which a frame is looked at. The pulses
	// of an engine come every 4 ms (15 000 rpm) or less often, so that between
	// them there are parts with none.
	partS = 2e-3
	// leastLasting is the least median of the parts' powers over their mean: a
	// tone at one level has 1, one at two levels has more or, where the higher
	// is heard for less than half of a frame, next to nothing, and then the next
	// frame tells. Mere noise has ln 2, and pulses that fill less than half of
	// the time next to nothing in every frame.
	leastLasting = 0.5
)

// lasting says whether the line at f cycles per sample is there for most of the
// frame x, and not made by pulses.
func (f *finder) lasting(x []float64, freq float64) bool {
	n := int(math.Round(partS * float64(f.rate)))
	ds, dc := math.Sincos(2 * math.Pi * freq)
	f.parts = f.parts[:0]
	mean := 0.0
	for i := 0; i+n <= len(x); i += n {
		s, c, re, im := 0.0, 1.0, 0.0, 0.0
		for _, v := range x[i : i+n] {
			re, im = re+v*c, im+v*s
			c, s = c*dc-s*ds, s*dc+c*ds
		}
		f.parts = append(f.parts, re*re+im*im)
		mean += re*re + im*im
	}
	mean /= float64(len(f.parts))
	slices.Sort(f.parts)
	return f.parts[len(f.parts)/2] > leastLasting*mean
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
		f.last, f.row = 0, 0
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
	if f.stated > 0 && math.Abs(bin-f.stated) > toneShare*f.stated+readBins {
		f.last, f.row = 0, 0
		return 0, false
	}
	if !f.lasting(f.ring[end-f.n:end], freq) {
		// A change of the contacts, or no tone at all: the frame says nothing.
		return 0, false
	}
	again := math.Abs(bin-f.last) < lineBins
	if f.row++; !again {
		f.row = 1
	}
	f.last = bin
	if l == nil {
		return freq, f.row >= frames
	}
	own := l.f * float64(f.n)
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
