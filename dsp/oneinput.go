package dsp

import (
	"math"
	"slices"
)

// This file tells a spark and a coil apart that share one input.

// besideLobes looks, once the classes of a channel are known, whether the lobes
// of a coil are left when its bursts are taken out. If so, the channel holds
// both: classes that are the lobes themselves are given up, since their shape
// follows the speed, and the rest of the channel is searched for both.
func (d *Detector) besideLobes(all []*snippet) {
	if !d.opt.may(Lobes) || len(d.opt.Only) == 1 || len(d.classes) == 0 {
		return
	}
	var bursts []*class
	for _, c := range d.classes {
		if !c.likeLobes(all, d) {
			bursts = append(bursts, c)
		}
	}
	if len(bursts) == 0 {
		return
	}
	was := d.classes
	whole := slices.Clone(d.buf)
	d.classes = bursts
	end := -1
	var out [][2]float64 // stretches of what was taken out, and what that may have left
	for _, s := range all {
		m := int(s.pos-d.base) + s.feature
		if m <= end {
			continue
		}
		if c, f, ok := d.recognise(m); ok {
			d.takeOut(c, &f, -1)
			d.blank(c, &f)
			end = f.start + c.t.crest
			out = append(out, [2]float64{float64(d.base) + float64(f.start+c.t.foot), float64(d.base) + float64(f.start+2*len(c.t.wave))})
		}
	}
	d.lobes.settle(d)
	most := 0.0
	for _, c := range bursts {
		most = math.Max(most, c.peak)
	}
	if d.lobes.on && !d.lobes.apart(d, out, most) {
		d.lobes.on = false
	}
	d.buf = append(d.buf[:0], whole...)
	for b := range d.lo {
		d.lo[b], d.hi[b] = extremes(d.buf[b*d.z.block : (b+1)*d.z.block])
	}
	if !d.lobes.on {
		d.classes = was
	}
}

// apart says whether most of the lobes left lie outside given stretches, since
// what is left of a pulse that was taken out has lobes as well, and are more than
// a leak beside bursts as high as most: as many as half of them, and leastLobe as
// high.
func (l *lobeFinder) apart(d *Detector, out [][2]float64, most float64) bool {
	const leastLobe = 0.03
	x := d.settled()
	trial := *l
	trial.from = d.base + int64(max(len(x)-int(settleS*float64(l.rate)), 0))
	from := float64(trial.from) // the search moves it on
	trial.pulses = nil
	trial.search(x, d.base, d.base+int64(len(x)), true)
	found := trial.pulses
	free, i, bursts := 0, 0, 0
	for _, o := range out {
		if o[0] > from {
			bursts++
		}
	}
	var amps []float64
	for _, p := range found {
		amps = append(amps, math.Abs(p.Amp))
		for i < len(out) && out[i][1] < p.Pos {
			i++
		}
		if i == len(out) || p.Pos+p.WidthS*float64(l.rate) < out[i][0] {
			free++
		}
	}
	return 5*free >= 3*len(found) && 2*len(found) >= bursts && medianOf(amps) >= leastLobe*most
}

// likeLobes says whether a class may be the lobes of a coil, seen at one speed:
// its front takes more than 1.5° of the distance between its pulses.
func (c *class) likeLobes(all []*snippet, d *Detector) bool {
	var first, last float64
	n := 0
	for _, s := range all {
		if f, like, ok := c.place(s.x, float64(s.feature)-c.featOff, d.z); ok && like >= c.alike {
			if n == 0 {
				first = float64(s.pos) + f.q
			}
			last = float64(s.pos) + f.q
			n++
		}
	}
	return n > 1 && float64(c.t.crest-c.t.foot) > 1.5/360*(last-first)/float64(n-1)
}

// blank draws a straight line over what a pulse that was taken out may have
// left, where its class varies.
func (d *Detector) blank(c *class, f *fitted) {
	if c.stable {
		return
	}
	from := max(f.start+c.t.foot-4, 0)
	to := min(f.start+len(c.t.wave), len(d.buf)-1)
	if to <= from {
		return
	}
	a, b := d.buf[from], d.buf[to]
	for i := from; i < to; i++ {
		d.buf[i] = a + (b-a)*float32(i-from)/float32(to-from)
	}
	n := d.z.block
	for k := from / n; k <= to/n && k < len(d.lo); k++ {
		d.lo[k], d.hi[k] = extremes(d.buf[k*n : (k+1)*n])
	}
}
