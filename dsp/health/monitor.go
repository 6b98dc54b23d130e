package health

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"sparkscope/dsp"
)

// Monitor listens to one channel, as it was recorded, and says at the end what
// state it is in. It must get the raw samples, before anything is taken out of
// them.
//
// Every 16th sample of the whole recording is watched for digital silence.
// All else comes from stretches of about 1.4 s: without a break in the first 14 s
// or so, afterwards one in twenty. So a long recording costs little, and memory
// does not grow with the samples (some 100 bytes per second looked at). What it
// finds does not depend on how the samples are split into blocks.
type Monitor struct {
	rate    dsp.Rate
	channel int
	rail    float64 // the converter's upper end stop; 0: floating point, there is none
	stretch int     // samples
	block   int     // samples of the short blocks within a stretch
	few     int     // of them, those whose mean and rms are taken

	n   int64 // frames seen
	buf []float32

	least []float64 // the least of each frequency of all spectra

	zeros     int64 // watched samples in a row that are exactly 0
	zeroRuns  []zeroRun
	moreZeros Silence // what zeroRuns no longer holds
	leadZeros int64

	rep        Channel
	looked     int64
	sumSq, sum float64 // of the blocks' means and squares
	rests      []float64
	noises     []float64
	live       []float64
	clipped    int64
	tops       []top
	gaps       []gap
	afters     []float32             // noise right after a pulse, see sinceS
	since      [sinceParts][]float32 // by the time since the pulse, as a part of that
	looks      int
	sampleOf   int // events in rep.Sample
	sketches   []sketch
}

// Sizes and schedule. They weigh cost against how soon a trouble shows: common
// practice, no source.
const (
	stretchS    = 1.4     // about: a power of two of samples
	closeFirst  = 10      // stretches looked at without a break
	oneIn       = 20      // afterwards
	blockS      = 0.25e-3 // short blocks
	blockFew    = 16      // samples of each, at its beginning, whose mean and rms are taken
	watchEvery  = 16      // samples
	silenceS    = 5e-3    // a run of zeros this long is no chance of a quiet signal
	guardBefore = 1e-3    // kept clear of an event, s
	guardAfter  = 4e-3    // the ringing dies in it
	windowS     = 0.1     // one figure of noise and one of pulses each
	maxZeroRuns = 4096    // listed one by one
	maxTops     = 8192    // pulses whose tops are looked at
	maxGaps     = 8192    //
	profile     = 8       // parts of a gap between pulses
	bandSegment = 4096    // samples of a Welch segment
	bandLength  = 1 << 17 // samples of a piece, at most
	maxSketches = 4       // stretches kept for comparing channels
	humHigh     = 1 << 12 // blocks of a hum spectrum, 1.02 s
	humLow      = humHigh / 2
)

type zeroRun struct{ from, to int64 }

// top is what the summit of one event looks like.
type top struct {
	level float64 // signed, about the level of rest
	flat  bool
}

// The time since a pulse is looked at in parts that each end half an octave later.
// Where the first begins some rings have died, and a quick noise gate has not
// closed; the median of the first sinceFirst is what the others are compared with.
const (
	sinceFromS = 0.5e-3
	sinceFirst = 4
	sinceParts = 18 // up to 0.256 s
	leastSince = 5  // pulses that must be so far apart for a part to be told
)

// sinceS is where a part of the time since a pulse begins, seconds.
func sinceS(part int) float64 { return sinceFromS * math.Exp2(float64(part)/2) }

// gap is how the noise goes between two pulses: rms of its parts in order.
type gap [profile]float64

// sketch is one stretch in little: the extremes of its short blocks.
type sketch struct{ lo, hi []float32 }

// NewMonitor listens to a channel, counted from 1, of so many bits per sample;
// 0 bits: floating point, which has no end stop.
func NewMonitor(rate dsp.Rate, channel, bits int) *Monitor {
	m := &Monitor{rate: rate, channel: channel}
	m.stretch = 256
	for float64(m.stretch)*math.Sqrt2 < stretchS*float64(rate) {
		m.stretch *= 2
	}
	m.block = max(8, int(math.Round(blockS*float64(rate))))
	m.few = min(m.block, blockFew)
	if bits > 0 {
		m.rail = 1 - 1.5*math.Ldexp(1, 1-bits)
		m.rail = min(m.rail, 0.999)
	}
	m.rep = Channel{Channel: channel, Rate: rate, Step: math.Inf(1)}
	return m
}

// lookedAt says whether a stretch is on the schedule.
func lookedAt(stretch int64) bool { return stretch < closeFirst || stretch%oneIn == 0 }

// spectrumOf says whether a spectrum is taken of the k-th stretch looked at:
// ever more rarely, since a recorder's filter stays what it is.
func spectrumOf(k int) bool { return k == 0 || k == 2 || k == 4 || k == 16 || k == 64 }

// humOf says whether hum is looked for in the k-th stretch looked at.
func humOf(k int) bool { return k < 6 || k%4 == 0 }

// Push takes the next samples and does not change them.
func (m *Monitor) Push(x []float32) {
	m.watch(x)
	for len(x) > 0 {
		in := m.n % int64(m.stretch)
		take := min(int64(len(x)), int64(m.stretch)-in)
		if lookedAt(m.n / int64(m.stretch)) {
			if cap(m.buf) == 0 {
				m.buf = make([]float32, 0, m.stretch)
			}
			m.buf = append(m.buf, x[:take]...)
			if len(m.buf) == m.stretch {
				m.look(m.n + take - int64(len(m.buf)))
				m.buf = m.buf[:0]
			}
		}
		m.n += take
		x = x[take:]
	}
}

// watch follows runs of exact zeros at every 16th sample.
func (m *Monitor) watch(x []float32) {
	first := int((watchEvery - m.n%watchEvery) % watchEvery)
	run := m.zeros
	for i := first; i < len(x); i += watchEvery {
		if x[i] == 0 {
			run++
		} else if run > 0 {
			m.endZeros(m.n+int64(i), run)
			run = 0
		}
	}
	m.zeros = run
}

// endZeros books a run of watched zeros that ended before sample at.
func (m *Monitor) endZeros(at, run int64) {
	length := run * watchEvery
	from := (at-1)/watchEvery*watchEvery + watchEvery - length
	if at%watchEvery == 0 {
		from = at - length
	}
	if from <= 0 {
		m.leadZeros = length
		return
	}
	if float64(length) < silenceS*float64(m.rate) {
		return
	}
	if len(m.zeroRuns) < maxZeroRuns {
		m.zeroRuns = append(m.zeroRuns, zeroRun{from, from + length})
		return
	}
	m.moreZeros.Runs++
	m.moreZeros.TotalS += m.rate.Seconds(float64(length))
	m.moreZeros.LongestS = max(m.moreZeros.LongestS, m.rate.Seconds(float64(length)))
}

// marks of the blocks of a stretch.
const (
	quiet = iota
	nearby
	event
)

// look analyses the stretch in buf, which begins at sample start.
func (m *Monitor) look(start int64) {
	x := m.buf
	nb := len(x) / m.block
	if nb < 8 {
		return
	}
	lo, hi := make([]float32, nb), make([]float32, nb)
	mean, sd := make([]float32, nb), make([]float32, nb)
	step := float32(math.Inf(1))
	for b := range nb {
		y := x[b*m.block : (b+1)*m.block]
		l, h := y[0], y[0]
		o := y[0]
		var s, q float32
		for _, v := range y {
			if v < l {
				l = v
			}
			if v > h {
				h = v
			}
		}
		// The first few samples are enough for the rest.
		few := y[:min(len(y), m.few)]
		var t float32
		for i, v := range few {
			d := v - o
			s += d
			q += d * d
			t += d * float32(i)
		}
		n := float32(len(few))
		lo[b], hi[b] = l, h
		mean[b] = o + s/n
		// About a straight line, so that hum and droop are no noise.
		t -= s * (n - 1) / 2
		sd[b] = float32(math.Sqrt(float64(max(q-s*s/n-12*t*t/(n*(n*n-1)), 0) / (n - 2))))
		if b%16 == 0 {
			for i := 1; i < len(y); i++ {
				d := y[i] - y[i-1]
				if d < 0 {
					d = -d
				}
				if d > 0 && d < step {
					step = d
				}
			}
		}
	}
	r := &m.rep
	if s := float64(step); s < r.Step {
		r.Step = s
	}
	m.looked += int64(nb * m.block)
	lowest, highest := slices.Min(lo), slices.Max(hi)
	r.Low, r.High = min(r.Low, float64(lowest)), max(r.High, float64(highest))
	for b := range nb {
		m.sum += float64(mean[b])
		m.sumSq += float64(mean[b])*float64(mean[b]) + float64(sd[b])*float64(sd[b])
	}
	m.rests = append(m.rests, float64(medianOf32(mean)))
	if m.rail > 0 && (float64(highest) >= m.rail || float64(lowest) <= -m.rail) {
		m.countClipped(x)
	}

	mark, events := m.events(lo, hi)
	m.noiseOf(mark, sd)
	m.windows(start, mark, sd, lo, hi, events)
	m.topsOf(x, lo, hi, mean, events)
	m.gapsOf(sd, events)
	if humOf(m.looks) {
		m.hum(start, mean, mark)
	}
	if spectrumOf(m.looks) {
		m.band(x, events)
		if len(m.sketches) < maxSketches {
			m.sketches = append(m.sketches, sketch{lo, hi})
		}
	}
	m.looks++
	if n := len(events); r.Sample == nil || n > 2*m.sampleOf && m.sampleOf < 20 {
		r.Sample = append(r.Sample[:0], x...)
		r.SampleStart, m.sampleOf = start, n
	}
}

// countClipped counts samples at an end stop in runs of two or more.
func (m *Monitor) countClipped(x []float32) {
	rail := float32(m.rail)
	run := int64(0)
	for _, v := range x {
		if v >= rail || v <= -rail {
			run++
			continue
		}
		if run >= 2 {
			m.clipped += run
		}
		run = 0
	}
	if run >= 2 {
		m.clipped += run
	}
}

// events finds where the signal swings as pulses do: spans of blocks, and the
// mark of each block.
func (m *Monitor) events(lo, hi []float32) (mark []uint8, spans [][2]int) {
	nb := len(lo)
	swing := make([]float32, nb)
	for b := range nb {
		l, h := lo[b], hi[b]
		if b+1 < nb {
			l, h = min(l, lo[b+1]), max(h, hi[b+1])
		}
		swing[b] = h - l
	}
	few := thinned(swing)
	slices.Sort(few)
	var tops [8]float32 // the greatest, in falling order
	for _, v := range swing {
		if v > tops[7] {
			tops[7] = v
			for i := 7; i > 0 && tops[i] > tops[i-1]; i-- {
				tops[i], tops[i-1] = tops[i-1], tops[i]
			}
		}
	}
	threshold := max(6*few[len(few)/4], 0.15*tops[7])
	mark = make([]uint8, nb)
	join := max(1, int(2e-3*float64(m.rate)/float64(m.block)))
	for b := range nb {
		if !(swing[b] > threshold) {
			continue
		}
		end := min(b+1, nb-1)
		if n := len(spans); n > 0 && b-spans[n-1][1] <= join {
			spans[n-1][1] = end
		} else {
			spans = append(spans, [2]int{b, end})
		}
	}
	if len(spans)*4 > nb/join { // no pulses: all of it swings
		return mark, nil
	}
	before, after := m.blocksIn(guardBefore), m.blocksIn(guardAfter)
	for _, s := range spans {
		for b := max(0, s[0]-before); b <= min(nb-1, s[1]+after); b++ {
			if b >= s[0] && b <= s[1] {
				mark[b] = event
			} else if mark[b] == quiet {
				mark[b] = nearby
			}
		}
	}
	return mark, spans
}

func (m *Monitor) blocksIn(s float64) int {
	return max(1, int(math.Round(s*float64(m.rate)/float64(m.block))))
}

// noiseOf takes the noise of a stretch: the median of the short blocks' own
// rms, away from pulses where enough is left, so that neither pulses nor hum
// nor an offset enter.
func (m *Monitor) noiseOf(mark []uint8, sd []float32) {
	var q, near, live []float32
	for b, k := range mark {
		switch k {
		case quiet:
			q = append(q, sd[b])
			if sd[b] > 0 {
				live = append(live, sd[b])
			}
		case nearby:
			near = append(near, sd[b])
		}
	}
	if len(live) > 0 {
		m.live = append(m.live, float64(medianOf32(live)))
	}
	if len(q)*10 < len(mark) {
		q = append(q, near...)
	}
	if len(q)*10 < len(mark) {
		q = sd
	}
	m.noises = append(m.noises, float64(medianOf32(q)))
}

// windows takes noise and pulse height every tenth of a second.
func (m *Monitor) windows(start int64, mark []uint8, sd, lo, hi []float32, events [][2]int) {
	w := m.blocksIn(windowS)
	e := 0
	for from := 0; from+w <= len(mark); from += w {
		var q []float32
		calm := 0
		for b := from; b < from+w; b++ {
			if mark[b] == quiet {
				if calm%4 == 0 {
					q = append(q, sd[b])
				}
				calm++
			}
		}
		win := Window{AtS: m.rate.Seconds(float64(start) + (float64(from)+float64(w)/2)*float64(m.block))}
		var heights []float32
		for ; e < len(events) && events[e][0] < from+w; e++ {
			a, z := events[e][0], events[e][1]+1
			heights = append(heights, slices.Max(hi[a:z])-slices.Min(lo[a:z]))
		}
		win.Pulses = len(heights)
		if len(heights) > 0 {
			win.Height = float64(medianOf32(heights))
		}
		if calm*8 >= w {
			win.Noise = float64(medianOf32(q))
			m.rep.Windows = append(m.rep.Windows, win)
		}
	}
}

// topsOf looks at each event's highest excursion. A summit that was cut off is
// as wide near its top as further down: a parabola's widths at 3 % and at 20 %
// below the top are as sqrt(0.03/0.20) = 0.39, a flat one's as nearly 1.
func (m *Monitor) topsOf(x, lo, hi, mean []float32, events [][2]int) {
	rest := float64(medianOf32(mean))
	for _, e := range events {
		if len(m.tops) >= maxTops {
			return
		}
		from, to := e[0]*m.block, (e[1]+1)*m.block
		if from == 0 || to >= len(x) {
			continue
		}
		at, size := from, 0.0
		for i := from; i < to; i++ {
			if d := math.Abs(float64(x[i]) - rest); d > size {
				at, size = i, d
			}
		}
		peak := float64(x[at]) - rest
		width := func(share float64) int {
			in := func(i int) bool { return (float64(x[i])-rest)/peak >= 1-share }
			l, h := at, at
			for l > 0 && in(l-1) {
				l--
			}
			for h+1 < len(x) && in(h+1) {
				h++
			}
			return h - l + 1
		}
		near, far := width(0.03), width(0.20)
		m.tops = append(m.tops, top{peak, near >= 3 && 10*near >= 7*far})
	}
}

// gapsOf takes how the noise goes between two pulses, where they leave room.
func (m *Monitor) gapsOf(sd []float32, events [][2]int) {
	before, after := m.blocksIn(guardBefore), m.blocksIn(guardAfter)
	for i := 1; i < len(events) && i <= 24 && len(m.afters) < maxGaps && len(m.gaps) < maxGaps; i++ {
		from, to := events[i-1][1]+1+after, events[i][0]-before
		// Each gap is compared with itself: the engine may be louder at one speed
		// than at another, and only the slow ones have gaps that last.
		end := events[i-1][1] + 1
		piece := func(k, n int) []float32 {
			a, z := end+m.blocksIn(sinceS(k)), end+m.blocksIn(sinceS(k+n))
			if z > to {
				return nil
			}
			return sd[a:z] // empty where a block is longer than the part
		}
		if first := medianOf32(piece(0, sinceFirst)); first > 0 {
			m.afters = append(m.afters, first)
			for k := range m.since {
				if x := piece(k, 1); len(x) > 0 {
					m.since[k] = append(m.since[k], medianOf32(x)/first)
				}
			}
		}
		part := (to - from) / profile
		if part < 6 {
			continue
		}
		var g gap
		for k := range g {
			g[k] = float64(medianOf32(sd[from+k*part : from+(k+1)*part]))
		}
		m.gaps = append(m.gaps, g)
	}
}

// hum looks for the mains in the blocks' means, the pulses bridged by straight
// lines.
func (m *Monitor) hum(start int64, mean []float32, mark []uint8) {
	segment := humHigh
	if len(mean) < segment {
		segment = humLow
	}
	if len(mean) < segment {
		return
	}
	y := make([]float64, len(mean))
	used := make([]bool, len(mean))
	short := m.blocksIn(1e-3)
	far := 0
	last := -1
	for b := range mean {
		if mark[b] == event {
			far = short
		} else if far > 0 {
			far--
		}
		if far > 0 || mark[b] == event || b+1 < len(mark) && mark[b+1] == event {
			continue
		}
		y[b], used[b] = float64(mean[b]), true
		for i := last + 1; i < b; i++ {
			if last < 0 {
				y[i] = y[b]
			} else {
				y[i] = y[last] + (y[b]-y[last])*float64(i-last)/float64(b-last)
			}
		}
		last = b
	}
	for i := last + 1; last >= 0 && i < len(y); i++ {
		y[i] = y[last]
	}
	blockRate := dsp.Rate(float64(m.rate) / float64(m.block))
	freq, psd, err := Spectrum(y, blockRate, segment)
	if err != nil {
		return // a sample that is no number: other checks speak of it
	}
	h := HumAt{FromS: m.rate.Seconds(float64(start)), ToS: m.rate.Seconds(float64(start) + float64(len(m.buf)))}
	if found, ok := Hum(freq, psd); ok && lonely(psd, found.BaseHz/(freq[1]-freq[0])) {
		fitHum(&found, y, used, float64(blockRate))
		h.Mains, h.Found = found, true
	}
	m.rep.Hum = append(m.rep.Hum, h)
}

// fitHum takes the strengths of the lines that were found from the blocks that
// hold no pulse alone: a straight line across every pulse takes away from
// them. It is the least-squares fit of a constant and of all lines together; where
// the blocks do not tell them apart, m stays as it is.
func fitHum(m *Mains, y []float64, used []bool, rate float64) {
	var lines []int
	for k, h := range m.Harmonics {
		if h > 0 {
			lines = append(lines, k)
		}
	}
	n := 1 + 2*len(lines)
	normal := mat.NewSymDense(n, nil)
	right := mat.NewVecDense(n, nil)
	row := make([]float64, n)
	for b, ok := range used {
		if !ok {
			continue
		}
		row[0] = 1
		s, c := math.Sincos(2 * math.Pi * m.BaseHz * float64(b) / rate)
		turn, z := complex(c, s), complex(1, 0)
		for k, i := 0, 0; i < len(lines); k++ {
			z *= turn
			if lines[i] == k {
				row[1+2*i], row[2+2*i] = real(z), imag(z)
				i++
			}
		}
		for i := range n {
			for j := i; j < n; j++ {
				normal.SetSym(i, j, normal.At(i, j)+row[i]*row[j])
			}
			right.SetVec(i, right.AtVec(i)+row[i]*y[b])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || chol.Cond() > 1e4 {
		return
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, right); err != nil {
		return
	}
	power := 0.0
	for i, k := range lines {
		p := (x.AtVec(1+2*i)*x.AtVec(1+2*i) + x.AtVec(2+2*i)*x.AtVec(2+2*i)) / 2
		m.Harmonics[k] = math.Sqrt(p)
		power += p
	}
	m.RMS = math.Sqrt(power)
}

// lonely says whether the line at bin at stands far above every other within
// 10 bins or so: pulses that come a few times a second put lines all over.
func lonely(psd []float64, at float64) bool {
	mid := int(math.Round(at))
	top, other := 0.0, 0.0
	for i := max(2, mid-10); i <= min(len(psd)-1, mid+10); i++ {
		if i >= mid-2 && i <= mid+2 {
			top = max(top, psd[i])
		} else if i < mid-3 || i > mid+3 {
			other = max(other, psd[i])
		}
	}
	return top > 16*other // 12 dB: common practice, no source
}

// band adds the spectrum of a piece, of the stretch's middle pulse and what is
// around it where there are pulses.
func (m *Monitor) band(x []float32, events [][2]int) {
	n := min(len(x), bandLength)
	if n < 2*bandSegment {
		return
	}
	from := 0
	if len(events) > 0 {
		from = events[len(events)/2][0]*m.block - n/2
		from = max(0, min(from, len(x)-n))
	}
	y := make([]float64, n)
	for i, v := range x[from : from+n] {
		y[i] = float64(v)
	}
	freq, psd, err := Spectrum(y, m.rate, bandSegment)
	if err != nil {
		return
	}
	r := &m.rep
	if r.PSD == nil {
		r.FreqHz, r.PSD = freq, make([]float64, len(psd))
	}
	r.Pieces++
	for i, v := range psd {
		r.PSD[i] += (v - r.PSD[i]) / float64(r.Pieces)
	}
	if m.least == nil {
		m.least = psd
	}
	for i, v := range psd {
		m.least[i] = min(m.least[i], v)
	}
}

// Finish ends the recording. The Monitor is not used again.
func (m *Monitor) Finish() Channel {
	if len(m.buf) > 0 {
		m.look(m.n - int64(len(m.buf)))
	}
	r := &m.rep
	r.Frames = m.n
	r.LookedS = m.rate.Seconds(float64(m.looked))
	if math.IsInf(r.Step, 1) {
		r.Step = 0
	}
	if m.looked > 0 {
		n := float64(m.looked / int64(m.block))
		mean := m.sum / n
		r.RMS = math.Sqrt(max(0, m.sumSq/n-mean*mean))
		r.Rest = medianOf(m.rests)
		// The median of a few samples' rms lies a little below the rms:
		// Wilson and Hilferty, Proc. Nat. Acad. Sci. 17 (1931) 684.
		dof := float64(m.few - 2)
		low := math.Pow(1-2/(9*dof), 1.5)
		r.Noise = medianOf(m.noises) / low
		r.Live = medianOf(m.live) / low
		r.Clipped = float64(m.clipped) / float64(m.looked)
	}
	r.Silence = m.moreZeros
	for _, z := range m.zeroRuns {
		r.Silence.add(m.rate.Seconds(float64(z.from)), m.rate.Seconds(float64(z.to-z.from)))
	}
	if len(m.zeroRuns) > 0 {
		r.Silence.FirstS = m.rate.Seconds(float64(m.zeroRuns[0].from))
	}
	r.Plateau = plateauOf(m.tops)
	r.Gaps = gapsSummary(m.gaps)
	for k, x := range m.since {
		if len(x) >= leastSince {
			r.Gaps.Since = append(r.Gaps.Since, Since{FromS: sinceS(k), ToS: sinceS(k + 1), Noise: float64(medianOf32(x) * medianOf32(m.afters))})
		}
	}
	r.Cliff = cliffOf(r.FreqHz, r.PSD, r.Noise)
	if !r.Cliff.Found {
		// A top that a stop cut off after the coding fills the band above it: one
		// piece without such a top is enough to see it.
		r.Cliff = cliffOf(r.FreqHz, m.least, r.Noise)
	}
	r.sketches = m.sketches
	r.numbers()
	return *r
}

// plateauOf finds the level at which tops are cut off, if there is one.
func plateauOf(tops []top) (p Plateau) {
	p.Pulses = len(tops)
	var flat []float64
	for _, t := range tops {
		if t.flat {
			flat = append(flat, t.level)
		}
	}
	if len(flat) < 5 {
		return p
	}
	// The two ways up apart: the commoner one.
	var up, down []float64
	for _, v := range flat {
		if v > 0 {
			up = append(up, v)
		} else {
			down = append(down, v)
		}
	}
	if len(down) > len(up) {
		up = down
	}
	level := medianOf(up)
	same := 0
	higher := 0
	for _, t := range tops {
		switch q := t.level / level; {
		case q > 1.05:
			higher++
		case t.flat && q > 0.95:
			same++
		}
	}
	// A level that some pulses pass is none that cuts them off.
	if higher*20 > same {
		return p
	}
	p.Level, p.Share = level, float64(same)/float64(len(tops))
	return p
}

// gapsSummary takes the median of every part.
func gapsSummary(gaps []gap) Gaps {
	g := Gaps{N: len(gaps)}
	if g.N == 0 {
		return g
	}
	v := make([]float64, len(gaps))
	for k := range profile {
		for i := range gaps {
			v[i] = gaps[i][k]
		}
		g.Noise = append(g.Noise, medianOf(v))
	}
	return g
}

func medianOf(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	y := slices.Clone(x)
	slices.Sort(y)
	return (y[(len(y)-1)/2] + y[len(y)/2]) / 2
}

// thinned is a copy of x with at most 512 of its values, evenly spread: enough
// for a median to a few percent, at a tenth of the cost.
func thinned(x []float32) []float32 {
	by := (len(x) + 511) / 512
	if by <= 1 {
		return slices.Clone(x)
	}
	y := make([]float32, 0, 512)
	for i := by / 2; i < len(x); i += by {
		y = append(y, x[i])
	}
	return y
}

// medianOf32 is the median, of a thinned copy where there are many.
func medianOf32(x []float32) float32 {
	if len(x) == 0 {
		return 0
	}
	y := thinned(x)
	slices.Sort(y)
	return (y[(len(y)-1)/2] + y[len(y)/2]) / 2
}
