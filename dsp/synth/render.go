package synth

import (
	"fmt"
	"math"
	"math/rand/v2"

	"sparkscope/dsp"
)

// Feed is how much of a signal reaches a channel.
type Feed struct {
	Signal int     // index into Recording.Signals
	Gain   float64 // 1 as made; negative is the other way up; a small one is crosstalk
}

// Channel is what happens between the pick-ups and the file, in the order of
// its fields.
type Channel struct {
	Feeds    []Feed
	HumPeak  float64 // mains hum with harmonics, summit, fraction of full scale
	HumHz    float64 // its fundamental, Hz
	ClipAt   float64 // an amplifier's limit in front of the coupling, either way, fraction of full scale; 0: none
	ACHz     float64 // corner of the input's coupling, Hz; 0: coupled directly
	ACQ      float64 // 0: one pole; else second order of this quality (a transformer behind a capacitor), 0.1..5
	ShelfHz  float64 // a low shelf's corner, Hz; 0: none
	ShelfDB  float64 // by how much it raises what lies far below, dB; negative: lowers
	NoiseRMS float64 // white noise, standard deviation, fraction of full scale
	DC       float64 // offset of the converter, fraction of full scale
	Seed     uint64  // of the noise; channels that are equal, this too, carry equal samples
}

// Recording is everything about a recording but the pick-ups themselves.
type Recording struct {
	Rate     dsp.Rate
	Frames   int64
	Signals  []Signal
	Channels []Channel
	// Fold above 1 says that Signals are made for Fold times the rate. Hum and
	// ClipAt then act at that rate, and after them the channels go through
	// Limit and down to Rate: a limit in front of the converter cuts what its
	// band limit has not yet rounded.
	Fold  int
	Limit *Kernel
	AGC   *AGC   // turns the channels up and down; nil: none
	Gate  *Gate  // after it; nil: none
	Codec *Codec // after that; nil: none
	Bits  int    // 8 to 32: clipped at full scale and rounded; 0: neither, as floating point
}

// Source renders a recording block by block; memory does not grow with its
// length. Build one with Recording.Source; several may be used in turn but not
// at once, since signals keep what they rendered last.
type Source struct {
	rec     Recording
	pos     int64
	scratch [][]float64
	chans   []channelState
	folder  *folder // nil where signals come at the rate itself
	agc     *agcState
	gate    *gateState
	coders  []*coder    // one per channel; nil without a codec
	made    int64       // frames rendered for the coders
	coded   [][]float64 // one block out of the coders
	taken   int         // frames of it that are used up
}

type channelState struct {
	noise   *rand.Rand
	pole    float64
	x, y    float64
	started bool
	second  *biquad // in place of the pole
	shelf   *biquad
}

const chunk = 4096 // frames rendered at a time
const humBlock = 512

// hum harmonics: number, relative size, phase in radians. Invented: odd
// harmonics stand out, as from a transformer near saturation.
var harmonics = [...][3]float64{{1, 1, 0.3}, {2, 0.1, 1.1}, {3, 0.34, 2.0}, {5, 0.16, 0.7}}

// Source begins rendering at the first frame.
func (r Recording) Source() (*Source, error) {
	if !(r.Rate >= 1000 && r.Rate <= 1e6) || r.Frames < 0 {
		return nil, fmt.Errorf("synth: %d frames at %g per second: want 1000 to 1000000 per second", r.Frames, float64(r.Rate))
	}
	if r.Bits != 0 && (r.Bits < 8 || r.Bits > 32) {
		return nil, fmt.Errorf("synth: %d bits per sample: want 8 to 32, or 0 for no rounding", r.Bits)
	}
	if len(r.Channels) < 1 || len(r.Channels) > 64 {
		return nil, fmt.Errorf("synth: %d channels: want 1 to 64", len(r.Channels))
	}
	s := &Source{rec: r}
	for range r.Signals {
		s.scratch = append(s.scratch, make([]float64, chunk))
	}
	for i, c := range r.Channels {
		for _, f := range c.Feeds {
			if f.Signal < 0 || f.Signal >= len(r.Signals) {
				return nil, fmt.Errorf("synth: channel %d takes signal %d: want 0 to %d", i+1, f.Signal, len(r.Signals)-1)
			}
			if math.IsNaN(f.Gain) || math.IsInf(f.Gain, 0) {
				return nil, fmt.Errorf("synth: channel %d takes signal %d at gain %g: want a finite gain", i+1, f.Signal, f.Gain)
			}
		}
		for _, v := range []float64{c.HumPeak, c.HumHz, c.ACHz, c.NoiseRMS, c.ClipAt} {
			if !(v >= 0 && v < float64(r.Rate)) {
				return nil, fmt.Errorf("synth: channel %d: hum %g at %g Hz, coupling %g Hz, noise %g, limit %g: want finite values, none negative", i+1, c.HumPeak, c.HumHz, c.ACHz, c.NoiseRMS, c.ClipAt)
			}
		}
		st := channelState{
			noise: rand.New(rand.NewPCG(c.Seed, 0x6e6f697365)),
			pole:  math.Exp(-2 * math.Pi * c.ACHz / float64(r.Rate)),
		}
		if c.ACQ != 0 && c.ACHz > 0 {
			if err := within("coupling", []bound{{"quality", c.ACQ, 0.1, 5}, {"corner (Hz)", c.ACHz, 0, float64(r.Rate) / 4}}); err != nil {
				return nil, err
			}
			st.second = secondOrderHigh(c.ACHz, c.ACQ, float64(r.Rate))
		}
		if c.ShelfHz > 0 {
			if err := within("low shelf", []bound{{"corner (Hz)", c.ShelfHz, 0, float64(r.Rate) / 4}, {"gain (dB)", c.ShelfDB, -40, 40}}); err != nil {
				return nil, err
			}
			st.shelf = lowShelf(c.ShelfHz, c.ShelfDB, float64(r.Rate))
		}
		s.chans = append(s.chans, st)
	}
	if r.Fold > 1 {
		if r.Fold > 64 || r.Limit == nil {
			return nil, fmt.Errorf("synth: signals at %d times the rate: want up to 64 times, and a band limit", r.Fold)
		}
		s.folder = newFolder(r.Limit, r.Fold, len(r.Channels))
	}
	if r.AGC != nil {
		if err := r.AGC.Validate(); err != nil {
			return nil, err
		}
		s.agc = newAGC(*r.AGC, float64(r.Rate))
	}
	if r.Gate != nil {
		if err := r.Gate.Validate(); err != nil {
			return nil, err
		}
		s.gate = newGate(*r.Gate, float64(r.Rate))
	}
	if r.Codec != nil {
		if err := r.Codec.Validate(); err != nil {
			return nil, err
		}
		for range r.Channels {
			s.coders = append(s.coders, newCoder(*r.Codec, float64(r.Rate)))
			s.coded = append(s.coded, make([]float64, codecHop(float64(r.Rate))))
		}
		s.taken = len(s.coded[0])
		for left := s.coders[0].delay(); left > 0; { // what comes out first is from before the recording
			n := min(left, len(s.coded[0]))
			s.code()
			s.taken = n
			left -= n
		}
	}
	return s, nil
}

// Channels is how many slices Next wants.
func (s *Source) Channels() int { return len(s.rec.Channels) }

// Frames is the length of the recording in frames.
func (s *Source) Frames() int64 { return s.rec.Frames }

// Rate is the sampling rate.
func (s *Source) Rate() dsp.Rate { return s.rec.Rate }

// Next fills dst, one slice per channel and all of the same length, and says
// how many frames it wrote; done is true when the recording has ended. Values
// are fractions of full scale.
func (s *Source) Next(dst [][]float64) (frames int, done bool) {
	want := len(dst[0])
	for frames < want && s.pos < s.rec.Frames {
		n := int(min(int64(want-frames), s.rec.Frames-s.pos, chunk))
		s.block(dst, frames, n)
		frames += n
		s.pos += int64(n)
	}
	return frames, s.pos >= s.rec.Frames
}

// block makes the next n frames of dst from frame at on, n at most chunk.
func (s *Source) block(dst [][]float64, at, n int) {
	out := make([][]float64, len(dst))
	for c := range out {
		out[c] = dst[c][at : at+n]
	}
	if s.coders == nil {
		s.analog(out, s.pos)
	} else {
		for i := 0; i < n; {
			if s.taken == len(s.coded[0]) {
				s.code()
			}
			m := min(n-i, len(s.coded[0])-s.taken)
			for c := range out {
				copy(out[c][i:i+m], s.coded[c][s.taken:])
			}
			s.taken += m
			i += m
		}
	}
	for c := range s.rec.Channels {
		if dc := s.rec.Channels[c].DC; dc != 0 {
			for i := range out[c] {
				out[c][i] += dc
			}
		}
		if s.rec.Bits > 0 {
			full := math.Ldexp(1, s.rec.Bits-1)
			for i, v := range out[c] {
				out[c][i] = min(max(math.RoundToEven(v*full), -full), full-1) / full
			}
		}
	}
}

// code renders and codes the next block.
func (s *Source) code() {
	part := make([][]float64, len(s.coded))
	for i := 0; i < len(s.coded[0]); {
		n := min(chunk, len(s.coded[0])-i)
		for c := range part {
			part[c] = s.coded[c][i : i+n]
		}
		s.analog(part, s.made)
		s.made += int64(n)
		i += n
	}
	for c, k := range s.coders {
		k.block(s.coded[c])
	}
	s.taken = 0
}

// front makes at most chunk frames of what comes before the couplings, at rate.
func (s *Source) front(dst [][]float64, first int64, rate float64) {
	n := len(dst[0])
	for i, sig := range s.rec.Signals {
		clear(s.scratch[i][:n])
		sig.AddTo(s.scratch[i][:n], first)
	}
	for c := range s.rec.Channels {
		ch, out := &s.rec.Channels[c], dst[c]
		clear(out)
		for _, f := range ch.Feeds {
			for i, v := range s.scratch[f.Signal][:n] {
				out[i] += f.Gain * v
			}
		}
		if ch.HumPeak > 0 {
			addHum(out, first, ch.HumPeak, ch.HumHz/rate)
		}
		if ch.ClipAt > 0 {
			for i, x := range out {
				out[i] = min(max(x, -ch.ClipAt), ch.ClipAt)
			}
		}
	}
}

// analog renders the frames from first on, up to and with the gate: at most
// chunk of them, each once and in order.
func (s *Source) analog(dst [][]float64, first int64) {
	rate := float64(s.rec.Rate)
	if s.folder == nil {
		s.front(dst, first, rate)
	} else {
		s.folder.run(dst, first, func(x [][]float64, at int64) { s.front(x, at, rate*float64(s.rec.Fold)) })
	}
	for c := range s.rec.Channels {
		ch, st, out := &s.rec.Channels[c], &s.chans[c], dst[c]
		switch {
		case st.second != nil:
			st.second.run(out)
		case ch.ACHz > 0:
			// One pole and a zero at 0 Hz, gain 1 at half the sampling rate.
			g := (1 + st.pole) / 2
			for i, x := range out {
				if !st.started { // the input has settled long before
					st.x, st.started = x, true
				}
				st.y = st.pole*st.y + g*(x-st.x)
				st.x = x
				out[i] = st.y
			}
		}
		if st.shelf != nil {
			st.shelf.run(out)
		}
		if ch.NoiseRMS > 0 {
			for i := range out {
				out[i] += ch.NoiseRMS * st.noise.NormFloat64()
			}
		}
	}
	if s.agc != nil {
		s.agc.run(dst)
	}
	if s.gate != nil {
		s.gate.run(dst)
	}
}

// addHum adds hum whose phase is a function of the sample number alone. Within
// blocks at fixed places it turns by multiplication, which is much quicker
// than a sine for each sample.
func addHum(out []float64, first int64, peak, perSample float64) {
	var total float64
	for _, h := range harmonics {
		total += h[1]
	}
	for i := 0; i < len(out); {
		n := first + int64(i)
		block := n / humBlock * humBlock
		end := min(len(out), i+int(block+humBlock-n))
		for _, h := range harmonics {
			turn := 2 * math.Pi * h[0] * perSample
			s0, c0 := math.Sincos(turn*float64(block) + h[2])
			sd, cd := math.Sincos(turn)
			a := peak * h[1] / total
			for j := block; j < first+int64(end); j++ {
				if j >= n {
					out[j-first] += a * s0
				}
				s0, c0 = s0*cd+c0*sd, c0*cd-s0*sd
			}
		}
		i = end
	}
}

// All renders the whole recording at once: one slice per channel. For tests
// and short recordings.
func (s *Source) All() [][]float64 {
	out := make([][]float64, s.Channels())
	for i := range out {
		out[i] = make([]float64, s.rec.Frames-s.pos)
	}
	if len(out[0]) > 0 {
		s.Next(out)
	}
	return out
}
