package synth

import (
	"fmt"
	"math"
	"sort"
)

// Signal is the output of one pick-up, as the converter delivers it. AddTo
// adds its samples first, first+1, … to dst; what it adds to a sample does not
// depend on how the samples are cut into blocks.
type Signal interface {
	AddTo(dst []float64, first int64)
}

// Placed is one pulse at its place.
type Placed struct {
	Pos   float64 // onset, samples from the first frame, fractional
	Amp   float64 // signed; the pulse's largest |value|, fraction of full scale
	Pulse *Converted
}

// Pulses is a signal of pulses that add up where they overlap.
type Pulses struct {
	placed   []Placed
	from, to float64 // widest span, samples about an onset
}

// NewPulses takes pulses in any order; the slice is copied.
func NewPulses(p []Placed) *Pulses {
	out := &Pulses{placed: append([]Placed(nil), p...)}
	sort.SliceStable(out.placed, func(i, j int) bool { return out.placed[i].Pos < out.placed[j].Pos })
	for _, v := range out.placed {
		a, b := v.Pulse.Span()
		out.from, out.to = min(out.from, a), max(out.to, b)
	}
	return out
}

// AddTo adds the pulses to dst, whose first sample is number first.
func (p *Pulses) AddTo(dst []float64, first int64) {
	lo, hi := float64(first), float64(first)+float64(len(dst))
	i := sort.Search(len(p.placed), func(i int) bool { return p.placed[i].Pos+p.to >= lo })
	for ; i < len(p.placed) && p.placed[i].Pos+p.from <= hi; i++ {
		v := p.placed[i]
		from, to := v.Pulse.Span()
		n0 := int64(math.Ceil(v.Pos + from))
		start := max(n0, first)
		end := min(int64(math.Floor(v.Pos+to)), first+int64(len(dst))-1)
		if v.Pulse.shape != nil {
			for n := start; n <= end; n++ {
				dst[n-first] += v.Amp * v.Pulse.At(float64(n)-v.Pos)
			}
			continue
		}
		// All samples of a pulse lie at the same place between two table
		// points, so the weights of tableAt are found once.
		q := (float64(n0) - v.Pos - v.Pulse.start) * Fine
		j0 := int64(math.Floor(q))
		f := q - float64(j0)
		wa := -f * (f - 1) * (f - 2) / 6 * v.Amp
		wb := (f + 1) * (f - 1) * (f - 2) / 2 * v.Amp
		wc := -(f + 1) * f * (f - 2) / 2 * v.Amp
		wd := (f + 1) * f * (f - 1) / 6 * v.Amp
		tab := v.Pulse.tab
		for n := start; n <= end; n++ {
			j := j0 + Fine*(n-n0)
			if j < 1 || j+2 >= int64(len(tab)) {
				continue // nothing but zeros there
			}
			dst[n-first] += wa*tab[j-1] + wb*tab[j] + wc*tab[j+1] + wd*tab[j+2]
		}
	}
}

// Switch is a signal that jumps between two levels: a contact.
type Switch struct {
	edges    []float64
	off, amp float64
	table    []float64 // one rising edge, 0 to 1; nil without a band limit
	start    float64   // where it begins, samples
	length   float64   // how long it takes, samples
	rise     float64   // samples
}

// NewSwitch makes a contact signal. edges are the moments at which it goes
// from one state to the other, samples, rising; riseSamples is how long each
// change takes (a straight ramp centred on its moment; 0 is a jump). It sits
// at off before the first edge, off+amp after it, and so on by turns.
func NewSwitch(k *Kernel, edges []float64, off, amp, riseSamples float64) (*Switch, error) {
	for i := 1; i < len(edges); i++ {
		if !(edges[i] >= edges[i-1]) {
			return nil, fmt.Errorf("synth: contact edge %d at sample %g after one at %g: want rising order", i+1, edges[i], edges[i-1])
		}
	}
	if !(riseSamples >= 0 && riseSamples <= 1e4) {
		return nil, fmt.Errorf("synth: contact edges take %g samples: want 0 to 10000", riseSamples)
	}
	s := &Switch{edges: append([]float64(nil), edges...), off: off, amp: amp, rise: riseSamples}
	from, to := k.Span()
	s.start = math.Floor(from-riseSamples/2) - 1
	s.length = to + riseSamples/2 + 1 - s.start
	if k.none { // a table would round off its corners
		return s, nil
	}
	n := int(math.Ceil(s.length*Fine)) + 1
	s.table = make([]float64, n)
	parts := int(riseSamples*Fine/2) + 1
	for i := range s.table {
		x := s.start + float64(i)/Fine
		if riseSamples == 0 {
			s.table[i] = k.Step(x)
			continue
		}
		var sum float64
		for p := range parts { // midpoint rule over the ramp
			sum += k.Step(x + riseSamples*((float64(p)+0.5)/float64(parts)-0.5))
		}
		s.table[i] = sum / float64(parts)
	}
	return s, nil
}

func (s *Switch) edge(x float64) float64 {
	if s.table == nil {
		if s.rise == 0 {
			if x < 0 {
				return 0
			}
			return 1
		}
		return min(max(x/s.rise+0.5, 0), 1)
	}
	p := (x - s.start) * Fine
	if p >= float64(len(s.table)-2) {
		return 1
	}
	return tableAt(s.table, p)
}

// AddTo adds the contact's level to dst, whose first sample is number first.
func (s *Switch) AddTo(dst []float64, first int64) {
	settle := s.start + s.length + 1
	done := sort.Search(len(s.edges), func(i int) bool { return s.edges[i]+settle >= float64(first) })
	for n := range dst {
		pos := float64(first) + float64(n)
		for done < len(s.edges) && s.edges[done]+settle < pos {
			done++
		}
		v := float64(done % 2)
		for i := done; i < len(s.edges) && s.edges[i]+s.start <= pos; i++ {
			if i%2 == 0 {
				v += s.edge(pos - s.edges[i])
			} else {
				v -= s.edge(pos - s.edges[i])
			}
		}
		dst[n] += s.off + s.amp*v
	}
}

// Lobe is one passage of a magnet past a coil: two lobes of opposite sign.
type Lobe struct {
	Pos  float64 // zero crossing between the lobes, samples
	Half float64 // from the crossing to either lobe's summit, samples, >= 0.5
	Amp  float64 // height of the first lobe, signed, fraction of full scale
}

// Lobes is the signal of a passive magnetic pick-up: each passage is the
// derivative of a Gaussian, -(x/s)·exp(1/2 - x²/(2s²)) with s = Half, seen
// through the converter.
type Lobes struct {
	lobes  []Lobe
	k      *Kernel
	widest float64
	cached int
	n0     int64
	wave   []float64
}

// lobeReach is how many half spacings a passage lasts to either side: its
// tail is below 1e-9 of a lobe there.
const lobeReach = 7

// NewLobes takes passages in any order; the slice is copied.
func NewLobes(k *Kernel, l []Lobe) (*Lobes, error) {
	out := &Lobes{k: k, lobes: append([]Lobe(nil), l...), cached: -1}
	sort.SliceStable(out.lobes, func(i, j int) bool { return out.lobes[i].Pos < out.lobes[j].Pos })
	for _, v := range out.lobes {
		if !(v.Half >= 0.5 && v.Half < 1e6) {
			return nil, fmt.Errorf("synth: half a lobe spacing is %g samples: want 0.5 to a million", v.Half)
		}
		out.widest = max(out.widest, v.Half)
	}
	return out, nil
}

func (l *Lobes) span(v Lobe) (from, to float64) {
	a, b := l.k.Span()
	return v.Pos - lobeReach*v.Half + a, v.Pos + lobeReach*v.Half + b
}

// render computes one passage's samples into l.wave, from sample l.n0 on.
func (l *Lobes) render(i int) {
	if l.cached == i {
		return
	}
	l.cached = i
	v := l.lobes[i]
	from, to := l.span(v)
	l.n0 = int64(math.Ceil(from))
	n := int(math.Floor(to)) - int(l.n0) + 1
	l.wave = append(l.wave[:0], make([]float64, n)...)
	f := func(x float64) float64 {
		y := x / v.Half
		if math.Abs(y) > lobeReach+1 {
			return 0
		}
		return -v.Amp * y * math.Exp(0.5-y*y/2)
	}
	// A passage of more than 4 samples between crossing and summit has no
	// content where a linear-phase converter changes anything.
	if l.k.none || (l.k.start < -1 && v.Half >= 4) {
		for j := range l.wave {
			l.wave[j] = f(float64(l.n0+int64(j)) - v.Pos)
		}
		return
	}
	// The convolution as a plain sum over a grid: the error of that is the
	// passage's content above the grid's frequency less half the sampling
	// rate, below 1e-10 for steps of a quarter of Half and a quarter of a sample.
	per := 4
	if v.Half >= 4 {
		per = 1
	}
	a, b := l.k.Span()
	i0, i1 := int(math.Ceil(a*float64(per))), int(math.Floor(b*float64(per)))
	taps := make([]float64, i1-i0+1)
	for i := range taps {
		taps[i] = l.k.At(float64(i0+i)/float64(per)) / float64(per)
	}
	src := make([]float64, (n-1)*per+len(taps))
	for i := range src { // src[i] is the passage at n0 + (i-i1)/per
		src[i] = f(float64(l.n0) - v.Pos + float64(i-i1)/float64(per))
	}
	for j := range l.wave {
		var sum float64
		for t, h := range taps { // tap t looks (i0+t)/per samples back
			sum += h * src[j*per+i1-(i0+t)]
		}
		l.wave[j] = sum
	}
}

// AddTo adds the passages to dst, whose first sample is number first.
func (l *Lobes) AddTo(dst []float64, first int64) {
	_, b := l.k.Span()
	reach := lobeReach*l.widest + b
	i := sort.Search(len(l.lobes), func(i int) bool { return l.lobes[i].Pos+reach >= float64(first) })
	for ; i < len(l.lobes) && l.lobes[i].Pos-lobeReach*l.widest-reach <= float64(first)+float64(len(dst)); i++ {
		from, to := l.span(l.lobes[i])
		if to < float64(first) || from > float64(first)+float64(len(dst)) {
			continue
		}
		l.render(i)
		for j, v := range l.wave {
			if n := l.n0 + int64(j) - first; n >= 0 && n < int64(len(dst)) {
				dst[n] += v
			}
		}
	}
}
