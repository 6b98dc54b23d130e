package dsp

import (
	"math"
)

// Separator takes the leak between two channels out of both.
//
// Two pick-ups side by side hear each other: x1 = s + k1·r, x2 = r + k2·s. A
// pulse that comes from one of them alone shows in both channels in a fixed
// proportion, whatever its shape: in the plane of the two channels' slopes it
// lies along a line. Pulses of the two sources lie along two lines, and their
// directions are the gains. From the first stretch of the recording the two
// commonest directions are taken; from there on s and r are
//
//	s = (x1 - k1·x2)/(1 - k1·k2),   r = (x2 - k2·x1)/(1 - k1·k2).
//
// Where the directions are not clear, or nothing leaks, the channels pass
// unchanged.
type Separator struct {
	rate  Rate
	held  [2][]float32
	ready bool
	into1 float64 // k1: part of source 2 in channel 1
	into2 float64 // k2: part of source 1 in channel 2
}

const (
	separateSamples = 1 << 19 // of the first stretch
	leastLeak       = 0.003   // below which a leak is left alone
)

// NewSeparator makes one for a pair of channels of equal rate.
func NewSeparator(rate Rate) *Separator { return &Separator{rate: rate} }

// Leak returns the gains in force: the part of channel 2's source in channel
// 1, and of channel 1's in channel 2. Both are 0 until known or when nothing
// was found.
func (s *Separator) Leak() (into1, into2 float64) { return s.into1, s.into2 }

// Ready says whether the gains are settled, so that Apply may be used.
func (s *Separator) Ready() bool { return s.ready }

// Gather takes the next samples of both channels, equally many, while the
// separator is not ready. It returns nil until the first stretch is complete,
// and then all that was gathered, separated; the slices are the caller's.
func (s *Separator) Gather(a, b []float32) (outA, outB []float32) {
	s.held[0] = append(s.held[0], a...)
	s.held[1] = append(s.held[1], b...)
	if len(s.held[0]) < separateSamples {
		return nil, nil
	}
	return s.Flush()
}

// Flush settles on what was gathered and returns it; nil when it was returned
// before. To be called at the end of a recording shorter than the first stretch.
func (s *Separator) Flush() (outA, outB []float32) {
	if s.ready {
		return nil, nil
	}
	n := min(len(s.held[0]), separateSamples)
	s.settle(s.held[0][:n], s.held[1][:n])
	outA, outB = s.held[0], s.held[1]
	s.held[0], s.held[1] = nil, nil
	s.Apply(outA, outB)
	return outA, outB
}

// Idle says whether, once ready, the channels pass unchanged.
func (s *Separator) Idle() bool { return s.into1 == 0 && s.into2 == 0 }

// Apply separates a pair of blocks in place.
func (s *Separator) Apply(a, b []float32) {
	if s.Idle() {
		return
	}
	gain, k1, k2 := s.weights()
	for i, x := range a {
		y := b[i]
		a[i] = gain*x - k1*y
		b[i] = gain*y - k2*x
	}
}

// One separates one channel (1 or 2) of a pair of blocks into dst, which is as
// long, and changes neither; so two may work on the same pair at once.
func (s *Separator) One(channel int, dst, a, b []float32) {
	gain, k1, k2 := s.weights()
	own, other, k := a, b, k1
	if channel == 2 {
		own, other, k = b, a, k2
	}
	for i, x := range own {
		dst[i] = gain*x - k*other[i]
	}
}

func (s *Separator) weights() (gain, k1, k2 float32) {
	g := 1 / (1 - s.into1*s.into2)
	return float32(g), float32(s.into1 * g), float32(s.into2 * g)
}

// slopeBlock is what one block shows of the two channels' slopes.
type slopeBlock struct{ e11, e22, e12 float64 }

// settle finds the gains.
func (s *Separator) settle(a, b []float32) {
	s.ready = true
	// What an end stop has cut off is no longer a sum of the two sources.
	for _, x := range [][]float32{a, b} {
		cut := 0
		for _, v := range x {
			if v >= clipLevel || v <= -clipLevel {
				cut++
			}
		}
		if cut > 20 {
			return
		}
	}
	blocks := s.slopes(a, b)
	into1, into2, ok := leakOf(blocks)
	if !ok || math.Abs(1-into1*into2) < 0.25 {
		return
	}
	if math.Abs(into1) < leastLeak {
		into1 = 0
	}
	if math.Abs(into2) < leastLeak {
		into2 = 0
	}
	// Taking a leak out must leave much less, in the channel it reached, of the
	// blocks that its source made alone. Which source that is says the nearer of
	// the two lines: where much leaks both ways, both lie on the same side of the
	// middle between the channels.
	line1, line2 := math.Atan(into2), math.Pi/2-math.Atan(into1)
	var was1, was2, left1, left2 float64
	for _, b := range active(blocks) {
		if !b.single() {
			continue
		}
		a := b.direction()
		if math.Abs(math.Remainder(a-line2, math.Pi)) < math.Abs(math.Remainder(a-line1, math.Pi)) {
			was1 += b.e11
			left1 += b.e11 - 2*into1*b.e12 + into1*into1*b.e22
		} else {
			was2 += b.e22
			left2 += b.e22 - 2*into2*b.e12 + into2*into2*b.e11
		}
	}
	if left1 < 0.5*was1 {
		s.into1 = into1
	}
	if left2 < 0.5*was2 {
		s.into2 = into2
	}
	if s.swells(a, b) {
		s.into1, s.into2 = 0, 0
	}
}

// swells says whether a channel would come out larger than it went in. A leak
// adds to what it leaks into, so that its channel is smaller without it. Where one
// gets larger the lines were those of no sources: of sparks that all fall
// on the slope of one coil's lobes, each at a slightly other place, a few lie
// near one line by chance, and what would be taken out of the spark's channel, many
// times over, is the coil's whole signal. The slopes tell little of that, as a
// coil has next to none.
func (s *Separator) swells(a, b []float32) bool {
	if s.Idle() {
		return false
	}
	const (
		most = 2   // times the energy: what a leak's own filter leaves of slow levels is no larger
		near = 0.1 // of the noise, as which its energy is known
		step = 13  // of the samples, every so many
	)
	gain, k1, k2 := s.weights()
	var was, now [2][]float64
	for i := 0; i < len(a); i += step {
		x, y := a[i], b[i]
		was[0], now[0] = append(was[0], float64(x)), append(now[0], float64(gain*x-k1*y))
		was[1], now[1] = append(was[1], float64(y)), append(now[1], float64(gain*y-k2*x))
	}
	for c := range was {
		signalWas, noiseWas := energies(was[c])
		signal, noise := energies(now[c])
		if signal > most*signalWas+near*(noise+noiseWas) {
			return true
		}
	}
	return false
}

// energies are those of what stands out of x and of what is there most of the
// time, about the median; it changes x.
func energies(x []float64) (signal, noise float64) {
	mid := medianOf(x)
	var all float64
	for i, v := range x {
		x[i] = (v - mid) * (v - mid)
		all += x[i]
	}
	const ofNormal = 0.4549 // median of the square of a standard normal value
	noise = math.Min(medianOf(x)/ofNormal*float64(len(x)), all)
	return all - noise, noise
}

// single says whether the block's slopes lie along one line, as those of one
// source do; both sources at once, or noise, spread.
func (b slopeBlock) single() bool {
	return math.Hypot(b.e11-b.e22, 2*b.e12) >= 0.9*(b.e11+b.e22)
}

// direction is that of the block's slopes in the plane of the two channels, from
// channel 1's axis towards channel 2's, -π/2..π/2.
func (b slopeBlock) direction() float64 { return math.Atan2(2*b.e12, b.e11-b.e22) / 2 }

// slopeS is the time over which a slope is taken, where samples come quicker: a
// coil's lobes take milliseconds, and from one quick sample to the next rise less
// than the noise.
const slopeS = 1.0 / 48000

// slopes sums the products of the slopes block by block, each from the mean of
// the samples of slopeS to that of the next.
func (s *Separator) slopes(a, b []float32) []slopeBlock {
	n := sizesFor(s.rate).block
	k := max(1, int(math.Round(slopeS*float64(s.rate))))
	out := make([]slopeBlock, 0, len(a)/n+1)
	for from := k; from+n <= len(a); from += n {
		var v slopeBlock
		x0, y0 := sum(a[from-k:from]), sum(b[from-k:from])
		for i := from; i+k <= from+n; i += k {
			x1, y1 := sum(a[i:i+k]), sum(b[i:i+k])
			x, y := float64(x1-x0), float64(y1-y0)
			v.e11 += x * x
			v.e22 += y * y
			v.e12 += x * y
			x0, y0 = x1, y1
		}
		out = append(out, v)
	}
	return out
}

func sum(x []float32) (s float32) {
	for _, v := range x {
		s += v
	}
	return s
}

// active picks the blocks that rise far out of either channel's noise.
func active(all []slopeBlock) []slopeBlock {
	few := make([]float64, 0, 4096)
	median := func(get func(slopeBlock) float64) float64 {
		few = few[:0]
		for i := 0; i < len(all); i += max(1, len(all)/4000) {
			few = append(few, get(all[i]))
		}
		return medianOf(few)
	}
	const above = 40
	n1 := above*median(func(b slopeBlock) float64 { return b.e11 }) + 1e-12
	n2 := above*median(func(b slopeBlock) float64 { return b.e22 }) + 1e-12
	var out []slopeBlock
	for _, b := range all {
		if b.e11 > n1 || b.e22 > n2 {
			out = append(out, b)
		}
	}
	return out
}

// leakOf finds the two commonest directions. into1 is the proportion in which
// channel 2's source shows in channel 1, into2 the reverse; ok is false when
// there are not two clear ones.
func leakOf(blocks []slopeBlock) (into1, into2 float64, ok bool) {
	const (
		bins  = 360 // half a degree each, over the half-circle of directions
		apart = 16  // bins between two directions, at least
		least = 6
	)
	var angles []float64
	for _, b := range active(blocks) {
		if !b.single() {
			continue
		}
		angles = append(angles, b.direction())
	}
	if len(angles) < 2*least {
		return 0, 0, false
	}
	var hist [bins]float64
	bin := func(a float64) int { return int((a/math.Pi+0.5)*bins) % bins }
	for _, a := range angles {
		for o := -2; o <= 2; o++ { // smoothed
			hist[(bin(a)+o+bins)%bins] += 3 - math.Abs(float64(o))
		}
	}
	first := 0
	for i, v := range hist {
		if v > hist[first] {
			first = i
		}
	}
	away := func(i, j int) int {
		d := (i - j + bins) % bins
		return min(d, bins-d)
	}
	second := -1
	for i, v := range hist {
		if away(i, first) >= apart && (second < 0 || v > hist[second]) {
			second = i
		}
	}
	centre := func(c int) (float64, int) {
		mid := (float64(c)+0.5)/bins*math.Pi - math.Pi/2
		var off []float64
		for _, a := range angles {
			d := math.Remainder(a-mid, math.Pi)
			if math.Abs(d) < 3*math.Pi/180 {
				off = append(off, d)
			}
		}
		return mid + medianOf(off), len(off)
	}
	a1, n1 := centre(first)
	a2, n2 := centre(second)
	if n1 < least || n2 < least || 10*min(n1, n2) < len(angles) {
		return 0, 0, false
	}
	// The direction nearer channel 1's own axis is the source of channel 1.
	if math.Abs(math.Sin(a1)) > math.Abs(math.Sin(a2)) {
		a1, a2 = a2, a1
	}
	return math.Cos(a2) / math.Sin(a2), math.Tan(a1), true
}
