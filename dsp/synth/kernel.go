package synth

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"
	"strings"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"

	"sparkscope/dsp"
)

// Fine is the number of table points per sample. Four-point interpolation on
// that grid errs by at most (3/128)·(2π·f/Fine)⁴ of a component at f cycles
// per sample: 1.4e-7 at half the sampling rate.
const Fine = 64

// Kernel is the impulse response of a converter in continuous time; times are
// in samples, and its integral is 1. Build one with NewKernel. A Kernel may
// be shared between goroutines; nothing about it changes.
type Kernel struct {
	name  string
	h     []float64 // h[i] is the response at start + i/Fine
	start float64   // samples
	step  []float64 // running integral on the same grid, ends at 1
	delay float64   // samples
	none  bool

	spectra sync.Map // length → *spectrum, remembered
}

// KernelNames are the names that NewKernel knows, with what they are.
func KernelNames() map[string]string {
	return map[string]string{
		"sharp":          "linear phase, half amplitude at 0.47 of the sampling rate, over 90 dB down from 0.5 (like a sound card's converter)",
		"gentle":         "linear phase, half amplitude at 0.42 of the sampling rate, over 66 dB down from 0.5",
		"sharp-minimum":  "magnitude of sharp, minimum phase",
		"gentle-minimum": "magnitude of gentle, minimum phase",
		"none":           "no band limit: the continuous signal is sampled as it is, and aliases",
	}
}

// NewKernel builds the kernel of that name; KernelNames lists them. The
// linear-phase ones are sinc functions under a Kaiser window (Kaiser 1974; the
// window's attenuation and transition width as in Oppenheim and Schafer,
// Discrete-Time Signal Processing, section on Kaiser windows; from memory).
func NewKernel(name string) (*Kernel, error) {
	if make, ok := kernels[name]; ok {
		return make(), nil
	}
	var all []string
	for n := range kernels {
		all = append(all, n)
	}
	sort.Strings(all)
	return nil, fmt.Errorf("synth: converter %q: want one of %s", name, strings.Join(all, ", "))
}

// kernels builds each kernel once, when it is first asked for: the
// minimum-phase ones take a tenth of a second, and none ever changes.
var kernels = map[string]func() *Kernel{
	"sharp":  sync.OnceValue(func() *Kernel { return sincKernel(0.47, 64, 10.5).finish("sharp") }),
	"gentle": sync.OnceValue(func() *Kernel { return sincKernel(0.42, 18, 7).finish("gentle") }),
	"sharp-minimum": sync.OnceValue(func() *Kernel {
		return sincKernel(0.47, 64, 10.5).minimumPhase().finish("sharp-minimum")
	}),
	"gentle-minimum": sync.OnceValue(func() *Kernel {
		return sincKernel(0.42, 18, 7).minimumPhase().finish("gentle-minimum")
	}),
	"none": sync.OnceValue(func() *Kernel { return &Kernel{name: "none", none: true} }),
}

// sincKernel has half amplitude at cutoff cycles per sample and lasts half
// samples to either side.
func sincKernel(cutoff float64, half int, beta float64) *Kernel {
	n := 2*half*Fine + 1
	k := &Kernel{start: -float64(half), h: make([]float64, n)}
	for i := range k.h {
		x := float64(i-half*Fine) / Fine
		w := besselI0(beta*math.Sqrt(max(0, 1-x*x/float64(half*half)))) / besselI0(beta)
		k.h[i] = w * 2 * cutoff * sinc(2*cutoff*x)
	}
	return k
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// besselI0 is the modified Bessel function of order 0, by its power series
// (Abramowitz and Stegun 9.6.12); good to full precision for |x| < 30.
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for i := 1; i < 200; i++ {
		f := x / 2 / float64(i)
		term *= f * f
		sum += term
		if term < 1e-17*sum {
			break
		}
	}
	return sum
}

// stopFloor is the magnitude below which the minimum-phase kernels do not
// follow the linear-phase ones: -120 dB. The logarithm needs some floor.
const stopFloor = 1e-6

// minimumPhase gives the kernel with the same magnitude response whose phase
// is the least possible: the folded real cepstrum (Oppenheim and Schafer,
// Discrete-Time Signal Processing, chapter on the cepstrum), on the Fine grid
// and so with the band limit far below the grid's own.
func (k *Kernel) minimumPhase() *Kernel {
	// The kernel's zeros in the stop band make its cepstrum decay slowly: so
	// long a transform keeps the wrap-around in it below 1e-5 of the gain.
	n := 1
	for n < 24*len(k.h) {
		n *= 2
	}
	ft := fourier.NewCmplxFFT(n)
	c := make([]complex128, n)
	for i, v := range k.h {
		c[i] = complex(v/Fine, 0)
	}
	c = ft.Coefficients(nil, c)
	for i, v := range c {
		c[i] = complex(math.Log(math.Hypot(cmplx.Abs(v), stopFloor)), 0)
	}
	c = ft.Sequence(nil, c)
	for i := range c {
		c[i] = complex(real(c[i])/float64(n), 0)
		switch {
		case i == 0 || i == n/2:
		case i < n/2:
			c[i] *= 2
		default:
			c[i] = 0
		}
	}
	c = ft.Coefficients(nil, c)
	for i, v := range c {
		c[i] = cmplx.Exp(v)
	}
	c = ft.Sequence(nil, c)
	out := &Kernel{h: make([]float64, 2*len(k.h))}
	for i := range out.h {
		out.h[i] = real(c[i]) / float64(n) * Fine
		// The tail has decayed to nothing by here; the taper keeps what is
		// left of it from ending in a step.
		if rest := float64(len(out.h)-1-i) / float64(8*Fine); rest < 1 {
			out.h[i] *= 0.5 - 0.5*math.Cos(math.Pi*rest)
		}
	}
	// Zero before its start, also for the interpolation.
	out.h = append(make([]float64, 2), out.h...)
	out.start = -2.0 / Fine
	return out
}

// finish names the kernel, makes its integral 1, and tabulates the running
// integral and the delay.
func (k *Kernel) finish(name string) *Kernel {
	k.name = name
	var sum, first float64
	for i, v := range k.h {
		sum += v
		first += v * (k.start + float64(i)/Fine)
	}
	for i := range k.h {
		k.h[i] *= Fine / sum
	}
	k.delay = first / sum
	k.step = make([]float64, len(k.h))
	for i := 1; i < len(k.h); i++ {
		// Integral of the cubic through four neighbours, between the inner two.
		at := func(j int) float64 {
			if j < 0 || j >= len(k.h) {
				return 0
			}
			return k.h[j]
		}
		k.step[i] = k.step[i-1] + (13*(at(i-1)+at(i))-at(i-2)-at(i+1))/24/Fine
	}
	end := k.step[len(k.step)-1]
	for i := range k.step {
		k.step[i] /= end
	}
	return k
}

// Name is the name it was built by.
func (k *Kernel) Name() string { return k.name }

// DelaySamples is the delay of slow signals through the kernel (its first
// moment), in samples: 0 for linear phase, some samples for minimum phase.
// Event times are never corrected for it: an onset is where the continuous
// signal has it.
func (k *Kernel) DelaySamples() float64 { return k.delay }

// Span is where the response is not zero, in samples.
func (k *Kernel) Span() (from, to float64) {
	if k.none {
		return 0, 0
	}
	return k.start, k.start + float64(len(k.h)-1)/Fine
}

// At is the impulse response x samples after the impulse. The kernel "none"
// has no such response: 0.
func (k *Kernel) At(x float64) float64 { return tableAt(k.h, (x-k.start)*Fine) }

// Step is the response to a unit step, x samples after it: 0 well before, 1
// well after, 1/2 at x = 0 for linear phase.
func (k *Kernel) Step(x float64) float64 {
	if k.none {
		if x < 0 {
			return 0
		}
		return 1
	}
	p := (x - k.start) * Fine
	if p >= float64(len(k.step)-1) {
		return 1
	}
	return tableAt(k.step, p)
}

// Gain is the magnitude of the frequency response at f cycles per sample.
func (k *Kernel) Gain(f float64) float64 {
	if k.none {
		return 1
	}
	// Horner's scheme: a polynomial in the phasor of one table step.
	z := cmplx.Exp(complex(0, -2*math.Pi*f/Fine))
	var s complex128
	for i := len(k.h) - 1; i >= 0; i-- {
		s = s*z + complex(k.h[i], 0)
	}
	return cmplx.Abs(s) / Fine
}

// tableAt interpolates between table points by the cubic through the four
// nearest (Lagrange); outside the table it is 0.
func tableAt(tab []float64, p float64) float64 {
	i := int(math.Floor(p))
	if i < 0 || i >= len(tab) {
		return 0
	}
	f := p - float64(i)
	if i >= 1 && i+2 < len(tab) {
		a, b, c, d := tab[i-1], tab[i], tab[i+1], tab[i+2]
		return b + f*(c-a/3-b/2-d/6+f*(a/2-b+c/2+f*((d-a)/6+(b-c)/2)))
	}
	// At the ends the table is flat: straight lines do.
	if i+1 < len(tab) {
		return tab[i] + f*(tab[i+1]-tab[i])
	}
	return tab[i] * (1 - f)
}

// tableSlope is the derivative of what tableAt interpolates, per table point.
func tableSlope(tab []float64, p float64) float64 {
	i := int(math.Floor(p))
	if i < 1 || i+2 >= len(tab) {
		return 0
	}
	f := p - float64(i)
	a, b, c, d := tab[i-1], tab[i], tab[i+1], tab[i+2]
	return c - a/3 - b/2 - d/6 + f*(a-2*b+c+f*((d-a)/2+3*(b-c)/2))
}

// Converted is a shape as a converter delivers it, tabulated: a function of
// the time since the onset in samples. It may be shared and is never changed.
type Converted struct {
	tab   []float64
	start float64 // samples
	peak  float64
	shape *Shape // when there is no band limit: taken as it is
	rate  float64
	scale float64
}

// Convert tabulates shape * kernel at a sampling rate and scales it so that
// its largest |value|, at any phase of the samples, is 1. The integral is
// taken by Gauss-Legendre quadrature on pieces between the shape's breaks, so
// that jumps and kinks cost nothing. It fails on a shape without content.
func (k *Kernel) Convert(s Shape, rate dsp.Rate) (*Converted, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if !(rate >= 1000 && rate <= 1e6) {
		return nil, fmt.Errorf("synth: %g samples per second: want 1000 to 1000000", float64(rate))
	}
	fs := float64(rate)
	if k.none {
		c := &Converted{shape: &s, rate: fs, scale: 1}
		for i := range int(s.LengthS * fs * 256) {
			c.peak = max(c.peak, math.Abs(s.F(float64(i)/256/fs)))
		}
		c.peak = max(c.peak, math.Abs(s.F(0)))
		if !(c.peak > 0) || math.IsInf(c.peak, 0) {
			return nil, fmt.Errorf("synth: shape %q: peak %g: want a finite value above 0", s.Name, c.peak)
		}
		c.scale, c.peak = 1/c.peak, 1
		return c, nil
	}
	// The shape's weights on the fine grid: each quadrature node is spread
	// over its four neighbours by the weights of the same cubic that would
	// interpolate the kernel at the node's place.
	n := int(math.Ceil(s.LengthS*fs*Fine)) + 4
	if n > 1<<22 {
		return nil, fmt.Errorf("synth: shape %q lasts %g s at %g samples per second: want at most %d samples", s.Name, s.LengthS, fs, (1<<22)/Fine)
	}
	w := make([]float64, n) // w[i] is the weight at (i-1)/Fine samples
	for _, piece := range s.pieces(fs) {
		a, b := piece[0], piece[1]
		for q, x := range gaussX {
			t := (a + b) / 2
			t += (b - a) / 2 * x
			v := s.F(t/fs) * gaussW[q] * (b - a) / 2
			p := t * Fine
			i := int(math.Floor(p))
			if i < 0 || i+3 >= n {
				continue
			}
			f := p - float64(i)
			w[i] += v * -f * (f - 1) * (f - 2) / 6
			w[i+1] += v * (f + 1) * (f - 1) * (f - 2) / 2
			w[i+2] += v * -(f + 1) * f * (f - 2) / 2
			w[i+3] += v * (f + 1) * f * (f - 1) / 6
		}
	}
	c := &Converted{tab: k.convolve(w), start: k.start - 1.0/Fine, rate: fs}
	for _, v := range c.tab {
		c.peak = max(c.peak, math.Abs(v))
	}
	if !(c.peak > 0) || math.IsInf(c.peak, 0) {
		return nil, fmt.Errorf("synth: shape %q: peak %g after the converter: want a finite value above 0", s.Name, c.peak)
	}
	// The grid is so fine that the highest point lies within 1e-3 of the
	// true summit even for a component at half the sampling rate.
	c.scale = 1 / c.peak
	for i := range c.tab {
		c.tab[i] *= c.scale
	}
	c.peak = 1
	// What rings on below 1e-7 of the peak is cut, to render less.
	end := len(c.tab)
	for end > 8 && math.Abs(c.tab[end-1]) < 1e-7 {
		end--
	}
	c.tab = append(c.tab[:end:end], 0, 0, 0)
	return c, nil
}

// spectrum is the kernel's transform at one length, with the tables of that
// transform. Making both takes longer than using them, and one recording
// converts many shapes of nearly the same length.
type spectrum struct {
	mu sync.Mutex // a transform has working memory of its own
	ft *fourier.FFT
	h  []complex128
}

// convolve is the full linear convolution of w and the kernel's table, by fast
// Fourier transform.
func (k *Kernel) convolve(w []float64) []float64 {
	n := smooth(len(w) + len(k.h))
	v, ok := k.spectra.Load(n)
	if !ok {
		s := &spectrum{ft: fourier.NewFFT(n)}
		s.h = s.ft.Coefficients(nil, append(append(make([]float64, 0, n), k.h...), make([]float64, n-len(k.h))...))
		v, _ = k.spectra.LoadOrStore(n, s)
	}
	s := v.(*spectrum)
	s.mu.Lock()
	defer s.mu.Unlock()
	x := append(append(make([]float64, 0, n), w...), make([]float64, n-len(w))...)
	c := s.ft.Coefficients(nil, x)
	for i := range c {
		c[i] *= s.h[i] / complex(float64(n), 0)
	}
	return s.ft.Sequence(x, c)[:len(w)+len(k.h)-1]
}

// smooth is the least power of two, or of that and a 3 or a 5, from n up: a transform of
// such a length is quick.
func smooth(n int) int {
	least := 1
	for least < n {
		least *= 2
	}
	for _, m := range []int{least / 8 * 5, least / 4 * 3} {
		if m >= n {
			return m
		}
	}
	return least
}

// gaussX and gaussW are the nodes and weights of Gauss-Legendre quadrature
// with 8 points on [-1, 1] (Abramowitz and Stegun, table 25.4).
var (
	gaussX = [...]float64{
		-0.960289856497536, -0.796666477413627, -0.525532409916329, -0.183434642495650,
		0.183434642495650, 0.525532409916329, 0.796666477413627, 0.960289856497536,
	}
	gaussW = [...]float64{
		0.101228536290376, 0.222381034453374, 0.313706645877887, 0.362683783378362,
		0.362683783378362, 0.313706645877887, 0.222381034453374, 0.101228536290376,
	}
)

// Span is where the pulse is not zero, in samples after its onset. A
// linear-phase converter makes it begin before the onset.
func (c *Converted) Span() (from, to float64) {
	if c.shape != nil {
		return 0, c.shape.LengthS * c.rate
	}
	return c.start, c.start + float64(len(c.tab)-1)/Fine
}

// At is the pulse x samples after its onset; its largest |value| is 1.
func (c *Converted) At(x float64) float64 {
	if c.shape != nil {
		if x < 0 || x > c.shape.LengthS*c.rate {
			return 0
		}
		return c.scale * c.shape.F(x/c.rate)
	}
	return tableAt(c.tab, (x-c.start)*Fine)
}

// Slope is the derivative of At, per sample. Where there is no band limit it
// is a difference over 1/128 sample.
func (c *Converted) Slope(x float64) float64 {
	if c.shape != nil {
		return (c.At(x+1.0/256) - c.At(x-1.0/256)) * 128
	}
	return tableSlope(c.tab, (x-c.start)*Fine) * Fine
}

// Sampled is the noiseless pulse and its slope per sample on the grid of
// samples, when the onset lies phase (0 to 1) samples after a sample. first is
// the place of value[0] on that grid: value[i] = At(first + i - phase).
func (c *Converted) Sampled(phase float64) (first int, value, slope []float64) {
	from, to := c.Span()
	first = int(math.Ceil(from + phase))
	for i := first; float64(i)-phase <= to; i++ {
		value = append(value, c.At(float64(i)-phase))
		slope = append(slope, c.Slope(float64(i)-phase))
	}
	return first, value, slope
}

// Bound is the Cramér-Rao bound for the time of this pulse, in samples: the
// least standard deviation of any unbiased estimator that knows the pulse and
// finds it, at amplitude amp, in white noise of standard deviation sigma per
// sample: sigma/(amp·sqrt(Σ slope²)) (Kay, Estimation Theory, 1993, chapter
// 3). It is infinite only for a flat pulse.
func (c *Converted) Bound(amp, sigma, phase float64) float64 {
	_, _, slope := c.Sampled(phase)
	var e float64
	for _, v := range slope {
		e += v * v
	}
	return sigma / (math.Abs(amp) * math.Sqrt(e))
}
