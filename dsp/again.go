package dsp

import "math"

// This file finds a second pulse soon after one whose shape varies. What varies cannot be
// taken out of the signal, and whatever comes while it still rings would be taken for its
// ring, but for what pulses of its class hardly ever do: die away, and be loud again.

// fading is how the pulses of a class die away: for stretches (see stretch) that begin half
// a block apart, from the coarse mark on, the peak-to-peak excursion relative to the pulse's
// own that three in four do not exceed.
type fading []float64

const (
	// louder is by how much another pulse is louder than three in four of its class are so
	// long after their own mark: what an engine's sparks vary by leaves that free
	// (TestAgainAfterVarying).
	louder = 1.8
	// rises is by how much it is louder than what came just before.
	rises = 1.5
	// soonest is how many half blocks after a pulse another is looked for: before that it
	// still is what it began with.
	soonest = 2
	// onRingAlike is the part of the likeness that pulses of its class have which is left on
	// the ring of another.
	onRingAlike = 0.7
)

// stretch is over how many samples it is looked how loud it is: about a cycle of a ring,
// and more than a few.
func stretch(z sizes) int { return max(z.block/2, 6) }

// sizeAt is the peak-to-peak excursion of a pulse with its mark at x[m].
func sizeAt(x []float32, m int, z sizes) float64 {
	return excursion(x[max(m-z.block/2, 0):min(m+2*z.block, len(x))])
}

// excursion is that of x, peak to peak.
func excursion(x []float32) float64 {
	lo, hi := extremes(x)
	return float64(hi - lo)
}

// fadingOf learns it from members; nil where there is too little to learn from.
func fadingOf(members []*snippet, z sizes) (f fading) {
	half := z.block / 2
	for k := 0; ; k++ {
		var ratios []float64
		for _, s := range members {
			from := s.feature + k*half
			if size := sizeAt(s.x, s.feature, z); size > 0 && from+stretch(z) <= len(s.x) && from < s.feature+z.post {
				ratios = append(ratios, excursion(s.x[from:from+stretch(z)])/size)
			}
		}
		if len(ratios) < leastMembers {
			return f
		}
		f = append(f, quantileInPlace(ratios, 0.75))
	}
}

// dying is a pulse that could not be taken out of the signal, and rings on.
type dying struct {
	c    *class
	mark int64   // its coarse mark, samples
	size float64 // peak to peak
	a    float64 // in units of the template
}

// ringsOn notes that a pulse f of class c is still there. What is weak beside the channel's
// pulses, such as a codec's noise, comes again as it will, and ends no other's ring.
func (d *Detector) ringsOn(c *class, f *fitted) {
	if m := int(math.Round(f.q + c.featOff)); m >= 0 && d.strong(c) {
		d.dying = dying{c, d.base + int64(m), sizeAt(d.buf, m, d.z), f.a}
	}
}

// again looks in block b for the beginning of another pulse while one dies away, and
// records it; true where there is one.
func (d *Detector) again(b int) bool {
	c := d.dying.c
	if c == nil {
		return false
	}
	half, w, size := d.z.block/2, stretch(d.z), d.dying.size
	m := int(d.dying.mark - d.base)
	own := func(from int) float64 { return excursion(d.buf[from : from+w]) }
	for at := max(b*d.z.block, m+soonest*half); at < (b+1)*d.z.block && at+w <= len(d.buf); at++ {
		k := (at - m) / half
		if k >= len(c.fades) {
			d.dying = dying{}
			return false
		}
		r := own(at)
		if r < leastSecond*size || r < louder*c.fades[k]*size {
			continue
		}
		before := math.Inf(1)
		for u := max(m+half, at-3*half, 0); u <= at-half; u++ {
			before = min(before, own(u))
		}
		if r <= rises*before {
			continue
		}
		// The window has just taken in what is so loud.
		mark := at + w - 1
		if other, _, ok := d.recognise(mark); ok && other != c {
			return false // of another kind, which is found as any other
		}
		f, like, ok := c.onRing(d.buf, float64(mark)-c.featOff, d.z)
		pos := float64(d.base) + f.q + c.t.anchor
		if !ok || like < onRingAlike*c.alike || f.a < leastSecond*d.dying.a || f.a >= c.level*mostTimes || pos < d.lastPos+float64(d.z.block) {
			return false
		}
		d.lastPos, d.lastSize, d.dying = pos, c.peak*f.a, dying{}
		d.emit(c, f)
		d.markBlock = mark / d.z.block
		return true
	}
	return false
}

// onRing is place for a pulse that begins while another rings: where most of the front is,
// and not what is most like one, which the ring itself may be.
func (c *class) onRing(x []float32, q0 float64, z sizes) (f fitted, like float64, ok bool) {
	near, q, most := c.t.near(z), 0, 0.0
	for l := int(math.Round(q0)) - z.block - 4; l <= int(math.Round(q0))+4; l++ {
		if r, gain := c.t.alikeAt(x, l, near); r > 0 && r*gain > most {
			q, most, like = l, r*gain, r
		}
	}
	if most == 0 {
		return f, 0, false
	}
	f, ok = c.t.fitFront(x, float64(q), 3)
	return f, like, ok && f.a > 0
}
