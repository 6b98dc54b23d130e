package synth

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Codec is a plain model of lossy coding, channel by channel: a steep low-pass,
// then a lapped transform whose coefficients are rounded band by band. What
// the rounding takes away comes back as noise over the whole of a block and
// its neighbour: before a pulse too (pre-echo). Its delay is taken out.
//
// The transform is the modified discrete cosine transform with a sine window
// (Princen, Johnson and Bradley, ICASSP 1987); blocks of 1024 samples at
// 48 kHz, and as long in time at other rates. Each band, 100 Hz or a fifth of
// its frequency wide, has a step of its own so that its noise lies SNRdB below
// what it holds; a band 100 dB below full scale is left out. The figures are
// invented; what a real coder knows of hearing is not in it.
type Codec struct {
	BandHz float64 // half amplitude of the low-pass; from 500 Hz below to 500 Hz above it falls by 80 dB. 0: none
	SNRdB  float64 // signal over coding noise in each band, dB, 3..100; 0: no rounding
}

// Validate says what is wrong with the codec, or nil.
func (c Codec) Validate() error {
	if c.SNRdB != 0 {
		if err := within("lossy coding", []bound{{"signal over noise (dB)", c.SNRdB, 3, 100}}); err != nil {
			return err
		}
	}
	if c.BandHz == 0 {
		return nil
	}
	return within("lossy coding", []bound{{"band limit (Hz)", c.BandHz, 1000, 200000}})
}

// blockS is how far the transform's blocks are apart, seconds.
const blockS = 1024.0 / 48000

// Silence of a band: a sine of this amplitude (fraction of full scale) would
// be left out.
const silence = 1e-5

// coder codes one channel. Blocks of hop samples go in and come out delayed.
type coder struct {
	hop    int
	low    *lowpass // nil without a band limit
	past   []float64
	lap    []float64 // second half of the last block's inverse
	window []float64
	fft    *fourier.CmplxFFT
	pre    []complex128 // exp(-jπn/(2·hop))
	post   []complex128 // exp(-jπ(k+½)(hop+1)/(2·hop))
	buf    []complex128
	coef   []float64
	bands  []int // edges, in coefficients
	snr    float64
}

// codecHop is the distance of the blocks in samples, even.
func codecHop(rate float64) int { return 2 * int(math.Round(blockS*rate/2)) }

func newCoder(c Codec, rate float64) *coder {
	n := codecHop(rate)
	k := &coder{hop: n, past: make([]float64, n), lap: make([]float64, n), window: make([]float64, 2*n),
		fft: fourier.NewCmplxFFT(2 * n), pre: make([]complex128, 2*n), post: make([]complex128, n),
		buf: make([]complex128, 2*n), coef: make([]float64, n)}
	for i := range k.window {
		k.window[i] = math.Sin(math.Pi * (float64(i) + 0.5) / float64(2*n))
		k.pre[i] = cmplx.Rect(1, -math.Pi*float64(i)/float64(2*n))
	}
	for i := range k.post {
		k.post[i] = cmplx.Rect(1, -math.Pi*(float64(i)+0.5)*float64(n+1)/float64(2*n))
	}
	if c.SNRdB > 0 {
		k.snr = math.Pow(10, c.SNRdB/10)
		perHz := 2 * float64(n) / rate // coefficients
		for at := 0.0; at < float64(n); at += math.Max(100*perHz, at/5) {
			k.bands = append(k.bands, int(at))
		}
		k.bands = append(k.bands, n)
	}
	if c.BandHz > 0 && c.BandHz < rate/2 {
		k.low = newLowpass(c.BandHz, rate, n)
	}
	return k
}

// delay is how many samples later than they went in samples come out.
func (k *coder) delay() int {
	if k.low == nil {
		return k.hop
	}
	return k.hop + k.low.half
}

// block codes the next hop samples, in place.
func (k *coder) block(x []float64) {
	if k.low != nil {
		k.low.block(x)
	}
	n := k.hop
	for i := range 2 * n {
		v := 0.0
		if i < n {
			v = k.past[i]
		} else {
			v = x[i-n]
		}
		k.buf[i] = complex(v*k.window[i], 0) * k.pre[i]
	}
	copy(k.past, x)
	k.fft.Coefficients(k.buf, k.buf)
	for i := range k.coef {
		k.coef[i] = real(k.buf[i] * k.post[i])
	}
	k.round()
	// The inverse: Σ X cos(π/N·(n + n0)(k + ½)), n0 = (N+1)/2, turned into a
	// transform the same way.
	for i := range k.buf {
		k.buf[i] = 0
		if i < n {
			k.buf[i] = complex(k.coef[i], 0) * cmplx.Conj(k.post[i])
		}
	}
	k.fft.Sequence(k.buf, k.buf)
	for i := range 2 * n {
		v := real(k.buf[i]*cmplx.Conj(k.pre[i])) * k.window[i] * 2 / float64(n)
		if i < n {
			x[i] = v + k.lap[i]
		} else {
			k.lap[i-n] = v
		}
	}
}

// round coarsens the coefficients band by band. Rounding to a step d makes
// noise of d²/12 (the rounding errors spread evenly).
func (k *coder) round() {
	// A sine of amplitude a in the middle of a band has coefficients of about
	// a·hop/π around it.
	least := silence * float64(k.hop) / math.Pi
	for b := 1; b < len(k.bands); b++ {
		c := k.coef[k.bands[b-1]:k.bands[b]]
		var power float64
		for _, v := range c {
			power += v * v
		}
		if power < least*least {
			clear(c)
			continue
		}
		step := math.Sqrt(12 * power / float64(len(c)) / k.snr)
		for i, v := range c {
			c[i] = step * math.Round(v/step)
		}
	}
}

// lowpass is a linear-phase filter applied in blocks by overlap-save.
type lowpass struct {
	half int // taps to either side
	fft  *fourier.FFT
	h    []complex128
	c    []complex128
	x    []float64 // the last taps, then the block
	y    []float64
}

// newLowpass: a Kaiser window of beta 7.86, 80 dB (Oppenheim and Schafer,
// Discrete-Time Signal Processing, section on Kaiser windows; from memory).
func newLowpass(hz, rate float64, block int) *lowpass {
	const beta, attenuation, transitionHz = 7.86, 80, 1000
	half := int(math.Ceil((attenuation - 8) / (2.285 * 2 * math.Pi * transitionHz / rate) / 2))
	size := 1
	for size < block+2*half+1 {
		size *= 2
	}
	l := &lowpass{half: half, fft: fourier.NewFFT(size), x: make([]float64, size), y: make([]float64, size)}
	taps := make([]float64, size)
	for i := -half; i <= half; i++ {
		r := float64(i) / float64(half)
		w := besselI0(beta*math.Sqrt(max(0, 1-r*r))) / besselI0(beta)
		taps[i+half] = w * 2 * hz / rate * sinc(2*hz/rate*float64(i)) / float64(size)
	}
	l.h = l.fft.Coefficients(nil, taps)
	l.c = make([]complex128, len(l.h))
	return l
}

func (l *lowpass) block(x []float64) {
	copy(l.x, l.x[len(x):])
	at := len(l.x) - len(x)
	copy(l.x[at:], x)
	l.c = l.fft.Coefficients(l.c, l.x)
	for i := range l.c {
		l.c[i] *= l.h[i]
	}
	l.y = l.fft.Sequence(l.y, l.c)
	copy(x, l.y[at:]) // the last of a circular convolution are not wrapped
}
