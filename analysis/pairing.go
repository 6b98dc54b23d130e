package analysis

import (
	"math"
	"slices"

	"sparkscope/dsp"
)

// firingSpark is one pulse of the spark's channel on its way to a Firing.
type firingSpark struct {
	t       float64 // as recorded, seconds
	sigma   float64 // of t, seconds
	amp     float64 // |peak|
	seg     int     // -1: no reference around it
	phi     float64 // revolutions in its segment
	rate    float64 // revolutions per second
	phiSig  float64 // revolutions, from the references
	k       int     // interval of the segment
	cluster int
	slot    int     // revolution number in the segment, by the cluster's centre
	dev     float64 // degrees of rotation after the cluster's centre
	status  Status
	primary bool // of the spark's own class; else a further pulse that might be one
	alien   bool // of no class at all
	echo    bool // of an earlier one, in a microphone
	beside  bool // right at an edge of the reference: crosstalk, unless a firing lacks its spark
	rival   bool // of the kind that may as well be the spark
	edge    bool // like the sparks, and always with an edge of the reference: taken for its leak
	listed  bool // it gets a row
	chosen  bool // it is the spark of its firing
	fills   bool // it is that, and could not be timed
}

// cluster is one place of the circle at which sparks come: one cylinder.
type cluster struct {
	centre float64 // revolutions, (-0.5, 1)
	amp    float64
	sd     float64 // degrees, robust, about the local median
	share  float64
}

const (
	strictDeg     = 2.5  // a spark this near to its neighbours' place is one of theirs
	looseDeg      = 8.0  // and this near still may be; both grow with the engine's scatter
	rescueDeg     = 1.5  // a pulse of odd shape counts only this near
	untimedDeg    = 1.5  // and only with a time at least this certain (standard uncertainty)
	fillAmp       = 0.4  // it is a firing's spark only if this high beside the others
	repeatDeg     = 45.0 // a further spark this soon after is of the same firing
	echoSparkDeg  = 40.0
	farDeg        = 75.0 // from the cylinder's usual place no spark is moved by an advance mechanism
	medianReach   = 5    // neighbours on each side
	endSlots      = 3    // missed sparks counted beyond the first and last spark of a segment
	neighbourSpan = 25
	// mostBridgedDeg is the standard uncertainty of the crank's place, from the
	// references alone, beyond which a spark is not measured.
	mostBridgedDeg = 3.0
	usualShare     = 0.55 // of the revolutions hold as many sparks as an engine is taken to make
	// saidShare suffices for a number the user stated: a cylinder that fires
	// less often than this, of what the best one does, is not in the recording.
	saidShare = 0.1
)

type pairing struct {
	sparks   []firingSpark
	segs     []segment
	clusters []cluster
	num, den int
	missing  []Missing
	unknown  int // other pulses not listed (blips, crosstalk)
	wasted   bool
}

// phases reads the crank's phase at each spark.
func (p *pairing) phases(sparkDelay float64) {
	si, hint := 0, 0
	for i := range p.sparks {
		s := &p.sparks[i]
		s.seg = -1
		tau := s.t - sparkDelay
		for si < len(p.segs) && p.segs[si].end() < tau {
			si++
			hint = 0
		}
		if si == len(p.segs) {
			continue
		}
		if r, ok := p.segs[si].beyond(tau); ok {
			s.seg, s.k, s.phi, s.rate, s.phiSig = si, len(p.segs[si].nodes)-2, r.phi, r.rate, r.sigma
			continue
		}
		k, ok := p.segs[si].find(tau, hint)
		if !ok {
			continue
		}
		hint = k
		r := p.segs[si].at(tau, k)
		s.seg, s.k, s.phi, s.rate, s.phiSig = si, k, r.phi, r.rate, r.sigma
	}
}

const histBins = 180

// smoothCircle smooths a histogram round the circle (counts per 2 degrees) by
// a triangular window of ±16 degrees.
func smoothCircle(hist []float64) []float64 {
	const reach = 8
	out := make([]float64, len(hist))
	for i := range hist {
		for d := -reach + 1; d < reach; d++ {
			out[i] += hist[(i+d+len(hist))%len(hist)] * float64(reach-max(d, -d))
		}
	}
	return out
}

func circleHist(sparks []firingSpark, use func(*firingSpark) bool) []float64 {
	hist := make([]float64, histBins)
	for i := range sparks {
		if s := &sparks[i]; use(s) {
			hist[min(int(fraction(s.phi)*histBins), histBins-1)]++
		}
	}
	return hist
}

func argmax(x []float64) int {
	b := 0
	for i, v := range x {
		if v > x[b] {
			b = i
		}
	}
	return b
}

// alignSegments turns segments of equal teeth, whose numbering is open by
// 1/teeth of a revolution, so that their sparks come at one place.
func (p *pairing) alignSegments(teeth int) {
	if teeth < 2 || len(p.segs) < 2 {
		return
	}
	first := -1.0
	for si := range p.segs {
		h := circleHist(p.sparks, func(s *firingSpark) bool { return s.primary && s.seg == si })
		sm := smoothCircle(h)
		m := argmax(sm)
		if sm[m] == 0 {
			continue
		}
		at := (float64(m) + 0.5) / histBins
		if first < 0 {
			first = at
			continue
		}
		k := math.Round(math.Mod(first-at+2, 1) * float64(teeth))
		shift := k / float64(teeth)
		if shift == 0 || shift == 1 {
			continue
		}
		for i := range p.segs[si].nodes {
			p.segs[si].nodes[i].phi += shift
		}
		for i := range p.segs[si].missing {
			p.segs[si].missing[i].phi += shift
		}
		for i := range p.sparks {
			if p.sparks[i].seg == si {
				p.sparks[i].phi += shift
			}
		}
	}
}

// countPerRev finds how many separate sparks a revolution holds in more than
// share of the cases (0 to 1), not counting those within apart degrees after
// another.
func (p *pairing) countPerRev(apart, share float64) int {
	kept := make([]int32, 0, len(p.sparks))
	for i := range p.sparks {
		s := &p.sparks[i]
		if !s.primary || s.seg < 0 {
			continue
		}
		if n := len(kept); n > 0 {
			if l := &p.sparks[kept[n-1]]; l.seg == s.seg && s.phi-l.phi < apart/360 {
				continue
			}
		}
		kept = append(kept, int32(i))
	}
	var hist [16]int
	for i := range kept {
		c := 0
		s := &p.sparks[kept[i]]
		for j := i + 1; j < len(kept) && c < 15; j++ {
			if o := &p.sparks[kept[j]]; o.seg != s.seg || o.phi >= s.phi+1-20.0/360 {
				break
			}
			c++
		}
		hist[c]++
	}
	n, left := 1, len(kept)-hist[0]
	for n < 12 && float64(left) > share*float64(len(kept)) {
		n++
		left -= hist[n-1]
	}
	return n
}

// findClusters puts the n densest places of the circle in order of rotation.
func (p *pairing) findClusters(n int) {
	h := smoothCircle(circleHist(p.sparks, func(s *firingSpark) bool { return s.primary && s.seg >= 0 }))
	apart := int(math.Min(30, 0.6*360/float64(n)) / 360 * histBins)
	p.clusters = nil
	for range n {
		m := argmax(h)
		if h[m] <= 0 {
			break
		}
		p.clusters = append(p.clusters, cluster{centre: (float64(m) + 0.5) / histBins})
		for d := -apart; d <= apart; d++ {
			h[(m+d+2*histBins)%histBins] = 0
		}
	}
	slices.SortFunc(p.clusters, func(a, b cluster) int {
		if a.centre < b.centre {
			return -1
		}
		return 1
	})
}

// place gives every spark with a phase its cluster, revolution and deviation.
func (p *pairing) place() {
	for i := range p.sparks {
		s := &p.sparks[i]
		if s.seg < 0 {
			continue
		}
		best := math.Inf(1)
		for c := range p.clusters {
			d := s.phi - p.clusters[c].centre
			r := math.Round(d)
			if a := math.Abs(d - r); a < best {
				best = a
				s.cluster, s.slot, s.dev = c, int(r), 360*(d-r)
			}
		}
	}
}

// slotRun is the candidates of one firing: sparks[idx[i]].
type slotRun struct {
	seg, slot int
	cand      []int32
	pick      int32 // index into sparks, -1: none
	med       float64
	spread    float64 // robust scatter of the picks around, degrees
	has       bool    // med is known
}

// pair chooses the true spark of each firing.
func (p *pairing) pair(givenRate bool) {
	idx := make([][]int32, len(p.clusters))
	for c := range idx {
		idx[c] = make([]int32, 0, len(p.sparks)/len(idx)+8)
	}
	for i := range p.sparks {
		s := &p.sparks[i]
		switch {
		case s.seg < 0:
			// Where no reference says which firings lack their spark, what is as
			// high as what fills such a place may be one.
			high := len(p.clusters) > 0 && s.amp >= fillAmp*p.clusters[0].amp
			if s.primary || s.echo || (s.alien || high) && !s.beside {
				s.listed, s.status = true, NoReference
			}
		case s.echo:
			s.listed, s.status = true, Interference
		case s.primary:
			s.listed, s.status = true, Interference
			idx[s.cluster] = append(idx[s.cluster], int32(i))
		}
	}
	for c := range p.clusters {
		slots := make([]slotRun, 0, len(idx[c]))
		list := idx[c]
		// In order of time is in order of slot, except where the wrap of a
		// deviation falls between; a stable sort restores it.
		slices.SortStableFunc(list, func(a, b int32) int {
			x, y := &p.sparks[a], &p.sparks[b]
			if x.seg != y.seg {
				return x.seg - y.seg
			}
			return x.slot - y.slot
		})
		for from := 0; from < len(list); {
			to := from + 1
			a := &p.sparks[list[from]]
			for to < len(list) && p.sparks[list[to]].seg == a.seg && p.sparks[list[to]].slot == a.slot {
				to++
			}
			slots = append(slots, slotRun{seg: a.seg, slot: a.slot, cand: list[from:to], pick: list[from]})
			from = to
		}
		p.choose(c, slots)
		if len(p.clusters) == 1 {
			p.everySecond(slots, givenRate)
		}
		p.others(c, slots)
		p.missed(c, slots)
	}
	for i := range p.sparks {
		if s := &p.sparks[i]; (s.rival || s.edge) && !s.listed {
			s.listed, s.status = true, Interference
			if s.seg < 0 {
				s.status = NoReference
			}
		}
	}
}

// medians sets each slot's local median deviation of the picks around it.
func (p *pairing) medians(slots []slotRun) {
	var buf [2*medianReach + 1]float64
	for i := range slots {
		n := 0
		for j := max(0, i-medianReach); j <= min(len(slots)-1, i+medianReach); j++ {
			if slots[j].pick >= 0 && slots[j].seg == slots[i].seg && abs(slots[j].slot-slots[i].slot) <= neighbourSpan {
				buf[n] = p.sparks[slots[j].pick].dev
				n++
			}
		}
		slots[i].has = n >= 3
		if n > 0 {
			m := medianInPlace(buf[:n])
			for k := range n {
				buf[k] = math.Abs(buf[k] - m)
			}
			slots[i].med, slots[i].spread = m, 1.4826*medianInPlace(buf[:n])
		}
	}
}

func abs(x int) int {
	if x < 0 {
		return -x
	}
	return x
}

func (p *pairing) choose(c int, slots []slotRun) {
	cl := &p.clusters[c]
	where := 0.0 // of the recording as a whole
	for range 2 {
		p.medians(slots)
		var d, all []float64
		stride := max(1, len(slots)/20000)
		for i := 0; i < len(slots); i += stride {
			if s := slots[i]; s.pick >= 0 {
				if s.has {
					d = append(d, math.Abs(p.sparks[s.pick].dev-s.med))
				}
				all = append(all, p.sparks[s.pick].dev)
			}
		}
		cl.sd = 1.4826 * medianInPlace(d)
		global := medianInPlace(all)
		where = global
		strict := func(sd float64) float64 { return math.Min(math.Max(strictDeg, 4*sd), 45) }
		loose := math.Min(math.Max(looseDeg, 6*cl.sd), 60)
		for i := range slots {
			s := &slots[i]
			s.pick = -1
			// Where the advance moves fast from firing to firing, as in a blip,
			// the median says less: the first spark must not lose to a second
			// one that happens to lie nearer to it.
			local := math.Max(cl.sd, s.spread)
			med, tight := s.med, strict(local)
			wide := math.Min(math.Max(looseDeg, 6*local), 60)
			if !s.has {
				// Too few neighbours: the recording as a whole must do.
				med, wide = global, math.Max(loose, 15)
			}
			late := int32(-1)
			for _, k := range s.cand {
				dev := math.Abs(p.sparks[k].dev - med)
				if dev <= tight {
					late = k
					break
				}
				// Where the references leave the place itself open, as while the engine
				// starts, it is this firing's all the same, and is not measured.
				reach := wide
				if open := 360 * p.sparks[k].phiSig; open > mostBridgedDeg {
					reach = math.Max(wide, 3*open)
				}
				if dev <= reach && late < 0 {
					late = k
				}
			}
			s.pick = late
		}
		// A sharp turn of the advance, as at the top of a throttle blip, lies
		// off its median but between its neighbours.
		for i := range slots {
			s := &slots[i]
			if s.pick >= 0 || !s.has {
				continue
			}
			prev, next := -1, -1
			if i > 0 && slots[i-1].pick >= 0 && slots[i-1].seg == s.seg && s.slot-slots[i-1].slot <= 3 {
				prev = int(slots[i-1].pick)
			}
			if i+1 < len(slots) && slots[i+1].pick >= 0 && slots[i+1].seg == s.seg && slots[i+1].slot-s.slot <= 3 {
				next = int(slots[i+1].pick)
			}
			if prev < 0 || next < 0 {
				continue
			}
			for _, k := range s.cand {
				if math.Abs(p.sparks[k].dev-p.sparks[prev].dev) <= loose && math.Abs(p.sparks[k].dev-p.sparks[next].dev) <= loose {
					s.pick = k
					break
				}
			}
		}
	}
	for i := range slots {
		s := &slots[i]
		if s.pick < 0 {
			continue
		}
		true1 := &p.sparks[s.pick]
		if math.Abs(true1.dev-where) > farDeg {
			// No advance moves that far: it is the reference that is misread here.
			true1.status = NoReference
			s.pick = -1
			continue
		}
		true1.chosen, true1.status = true, OK
		if !s.has && len(slots) < minPulses {
			true1.status = Isolated
		}
		// The spark before may be the true one and lie where the reference had
		// not begun: then this is its second.
		if before := int(s.pick) - 1; before >= 0 {
			if b := &p.sparks[before]; b.primary && b.seg < 0 && (true1.t-b.t)*true1.rate*360 < repeatDeg {
				true1.status, true1.chosen = Repeated, false
				s.pick = -1
				continue
			}
		}
		for _, k := range s.cand {
			o := &p.sparks[k]
			if k != s.pick && o.phi > true1.phi && (o.phi-true1.phi)*360 <= repeatDeg {
				o.status = Repeated
			}
		}
	}
	for i := range slots { // single events far from any other
		s := &slots[i]
		if s.pick < 0 || s.has || len(slots) < 10 {
			continue
		}
		near := false
		for _, j := range []int{i - 1, i + 1} {
			if j >= 0 && j < len(slots) && slots[j].pick >= 0 && slots[j].seg == s.seg && abs(slots[j].slot-s.slot) <= neighbourSpan {
				near = true
			}
		}
		if !near && len(p.segs[s.seg].nodes) < 4 {
			p.sparks[s.pick].status = Isolated
			p.sparks[s.pick].chosen = false
			s.pick = -1
		}
	}
}

// everySecond finds firing in every second revolution and takes out sparks of
// the wrong revolution between right ones.
func (p *pairing) everySecond(slots []slotRun, given bool) {
	revs := make([]int32, 0, len(slots)) // indices of slots with a pick
	for i := range slots {
		if slots[i].pick >= 0 {
			revs = append(revs, int32(i))
		}
	}
	ones, even, total := 0, 0, 0
	for i := 1; i < len(revs); i++ {
		a, b := slots[revs[i-1]], slots[revs[i]]
		if a.seg != b.seg {
			continue
		}
		total++
		d := b.slot - a.slot
		if d == 1 {
			ones++
		}
		if d%2 == 0 {
			even++
		}
	}
	second := total >= 2 && ones*10 <= total && float64(even) >= 0.8*float64(total)
	if !given {
		p.den = 1
		if second {
			p.den = 2
		}
	}
	if p.den != 2 {
		return
	}
	if !second && ones*2 > total {
		p.wasted = true // the user says every second revolution, the recording says every one
		return
	}
	for i := 1; i+1 < len(revs); i++ {
		a, s, b := slots[revs[i-1]], &slots[revs[i]], slots[revs[i+1]]
		if a.pick < 0 || a.seg != s.seg || b.seg != s.seg {
			continue
		}
		if (s.slot-a.slot)%2 != 0 && (b.slot-a.slot)%2 == 0 {
			o := &p.sparks[s.pick]
			o.status, o.chosen = Interference, false
			s.pick = -1
			revs = slices.Delete(revs, i, i+1)
			i--
		}
	}
}

// expected is the deviation at which cluster c's spark would come in a slot of
// a segment, from the nearest picks; ok is false without any. hint is where
// among slots to look.
func (p *pairing) expected(slots []slotRun, seg, slot, hint int) (dev float64, ok bool) {
	var left, right = -1, -1
	for i := min(hint, len(slots)-1); i >= 0 && i > hint-40; i-- {
		if slots[i].seg == seg && slots[i].slot <= slot && slots[i].pick >= 0 {
			left = i
			break
		}
	}
	for i := max(hint, 0); i < len(slots) && i < hint+40; i++ {
		if slots[i].seg == seg && slots[i].slot > slot && slots[i].pick >= 0 {
			right = i
			break
		}
	}
	switch {
	case left >= 0 && right >= 0:
		a, b := slots[left], slots[right]
		f := float64(slot-a.slot) / float64(b.slot-a.slot)
		return p.settled(a)*(1-f) + p.settled(b)*f, true
	case left >= 0:
		return p.settled(slots[left]), true
	case right >= 0:
		return p.settled(slots[right]), true
	}
	return 0, false
}

// settled is a slot's place without the scatter of its own spark.
func (p *pairing) settled(s slotRun) float64 {
	if s.has {
		return s.med
	}
	return p.sparks[s.pick].dev
}

// others judges the pulses of the spark's channel that are not of its class:
// one that fills an empty firing at its very place counts, one that follows a
// spark is a repeated one, one of no class is listed as interference; the
// rest (closing blips, crosstalk) are no sparks.
func (p *pairing) others(c int, slots []slotRun) {
	cl := p.clusters[c]
	tol := math.Min(math.Max(rescueDeg, 3*cl.sd), 10)
	pos := 0
	for i := range p.sparks {
		s := &p.sparks[i]
		if s.primary || s.seg < 0 || s.cluster != c {
			continue
		}
		for pos < len(slots) && (slots[pos].seg < s.seg || slots[pos].seg == s.seg && slots[pos].slot < s.slot) {
			pos++
		}
		var own *slotRun
		if pos < len(slots) && slots[pos].seg == s.seg && slots[pos].slot == s.slot {
			own = &slots[pos]
		}
		if own != nil && own.pick >= 0 {
			if s.beside {
				continue
			}
			t := &p.sparks[own.pick]
			if late := (s.phi - t.phi) * 360; late > 0 && late <= echoSparkDeg {
				s.listed, s.status = true, Repeated
				continue
			}
		} else if dev, ok := p.expected(slots, s.seg, s.slot, pos); ok && p.rightRevolution(slots, s, pos) && (!s.beside || s.amp >= fillAmp*cl.amp) {
			off := math.Abs(s.dev - dev)
			if off <= tol && 360*s.rate*s.sigma <= untimedDeg {
				s.listed, s.status, s.chosen = true, OK, true
				// Its shape is not that of the others: allow for the difference.
				s.sigma = math.Hypot(s.sigma, math.Max(cl.sd, 0.3)/360/s.rate)
				continue
			}
			if s.alien && s.amp >= fillAmp*cl.amp && off <= math.Max(looseDeg, tol) {
				// The spark of this firing, too much disturbed to be timed: it
				// does not count, and it is not missed.
				s.listed, s.status, s.fills = true, Interference, true
				p.miss(UntimedSpark, s.seg, s.slot, float64(s.slot)+cl.centre+dev/360, "what is there is too much disturbed to be timed, and is listed as interference")
				continue
			}
		}
		if s.alien && !s.beside {
			s.listed, s.status = true, Interference
		}
	}
}

// miss lists what is not there, or not to be timed, in a slot of a segment at a phase.
func (p *pairing) miss(what string, seg, slot int, phi float64, why string) {
	sg := &p.segs[seg]
	p.missing = append(p.missing, Missing{What: what, TimeS: sg.timeAt(phi), Revolution: sg.first + slot, Reason: why})
}

// rightRevolution is false for a pulse in the empty revolution of an engine
// that fires in every second one.
func (p *pairing) rightRevolution(slots []slotRun, s *firingSpark, pos int) bool {
	if p.den != 2 {
		return true
	}
	for _, j := range []int{pos - 1, pos} {
		if j >= 0 && j < len(slots) && slots[j].seg == s.seg && slots[j].pick >= 0 {
			return (slots[j].slot-s.slot)%2 == 0
		}
	}
	return false
}

// missed lists the firings that had no spark.
func (p *pairing) missed(c int, slots []slotRun) {
	if p.wasted {
		return
	}
	// Firings that hold a spark, counted or one that could not be timed.
	have := make([]int32, 0, len(slots)) // slots with a pick
	filled := map[[2]int]bool{}
	for i := range p.sparks {
		s := &p.sparks[i]
		if !s.primary && s.cluster == c && s.seg >= 0 && (s.chosen || s.fills) {
			filled[[2]int{s.seg, s.slot}] = true
		}
	}
	for i, s := range slots {
		if s.pick >= 0 {
			have = append(have, int32(i))
		}
	}
	step := 1
	if p.den == 2 {
		step = 2
	}
	cl := p.clusters[c]
	add := func(seg, slot, hint int, why string) bool {
		if filled[[2]int{seg, slot}] {
			return true
		}
		sg := &p.segs[seg]
		dev, ok := p.expected(slots, seg, slot, hint)
		if !ok {
			return false
		}
		phi := float64(slot) + cl.centre + dev/360
		n := len(sg.nodes)
		if margin := 3.0 / 360; phi < sg.nodes[0].phi+margin || phi > sg.nodes[n-1].phi-margin {
			return false
		}
		p.miss("spark", seg, slot, phi, why)
		return true
	}
	for i, at := range have {
		h := &slots[at]
		if i == 0 || slots[have[i-1]].seg != h.seg {
			for k := 1; k <= endSlots; k++ {
				if !add(h.seg, h.slot-k*step, int(at), "the reference had begun, and the firings after it are there") {
					break
				}
			}
		} else {
			a := &slots[have[i-1]]
			for slot := a.slot + step; slot < h.slot; slot += step {
				add(h.seg, slot, int(have[i-1]), "the firings before and after it are there")
			}
		}
		if i == len(have)-1 || slots[have[i+1]].seg != h.seg {
			for k := 1; k <= endSlots; k++ {
				if !add(h.seg, h.slot+k*step, int(at), "the reference went on, and the firings before it are there") {
					break
				}
			}
		}
	}
}

// dropEdges sets aside those of the sparks that come right at an edge of a
// contact, where its leak looks like a spark: if most edges have one, and there
// are others enough. At a steady speed a second cylinder whose spark lies there, of an
// ignition that hardly scatters, looks the same: each of them keeps its row.
func (p *pairing) dropEdges(ref *group) {
	if ref.kind != dsp.Contact {
		return
	}
	for _, edges := range [][]float64{ref.t, ref.trailing().t} {
		var at []int
		var off []float64
		free, j := 0, 0
		for i := range p.sparks {
			s := &p.sparks[i]
			if !s.primary {
				continue
			}
			for j < len(edges) && edges[j] < s.t-coincidentS {
				j++
			}
			if j == len(edges) || edges[j] > s.t+coincidentS {
				free++
				continue
			}
			at = append(at, i)
			off = append(off, s.t-edges[j])
		}
		if 2*len(at) < len(edges) || 2*free < len(ref.t) || robustScatter(off) > crosstalkSdS+ref.grid {
			continue
		}
		// A leak keeps its distance; a spark that happens to come here does not.
		d := median(off)
		for k, i := range at {
			if math.Abs(off[k]-d) < 2*crosstalkSdS {
				p.sparks[i].primary, p.sparks[i].beside, p.sparks[i].edge = false, true, true
			}
		}
	}
}

// collectSparks puts the pulses of the spark's channel in order of time:
// those of its groups as primary, others that may be sparks beside them.
func collectSparks(r *roles, main []*group) []firingSpark {
	tr, ref, refTrain, single, polarity := r.sparkTrain, r.ref, r.refTrain, r.single, r.spark.polarity
	rate := float64(tr.Rate)
	isMain := func(class int) bool {
		for _, g := range main {
			if g.has(class) {
				return true
			}
		}
		return false
	}
	n := 0
	for i := range tr.Pulses {
		if tr.Pulses[i].Class >= 0 {
			n++
		}
	}
	out := make([]firingSpark, 0, n)
	rr := float64(refTrain.Rate)
	j := 0
	nearReference := func(t float64) bool {
		for j < len(refTrain.Pulses) && refTrain.Pulses[j].Pos/rr < t-0.25 {
			j++
		}
		for k := j; k < len(refTrain.Pulses); k++ {
			q := &refTrain.Pulses[k]
			if !ref.has(q.Class) {
				continue
			}
			d := t - q.Pos/rr
			if d < -coincidentS {
				return false
			}
			if d <= coincidentS || q.WidthS > 0 && math.Abs(d-q.WidthS) <= coincidentS {
				return true
			}
		}
		return false
	}
	for i := range tr.Pulses {
		q := &tr.Pulses[i]
		s := firingSpark{t: q.Pos / rate, sigma: q.Sigma / rate, amp: math.Abs(q.Amp), seg: -1}
		_, leak := slices.BinarySearch(r.leaks, s.t)
		switch {
		case leak:
			s.beside, s.edge = true, isMain(q.Class)
		case isMain(q.Class):
			s.primary = true
		case single && ref.has(q.Class):
			continue
		case r.rival != nil && r.rival.has(q.Class):
			s.rival, s.beside = true, true
		case q.Class < 0:
			s.alien, s.beside = true, nearReference(s.t)
		case q.Class < len(tr.Shapes) && tr.Shapes[q.Class].Kind == dsp.Burst && tr.Shapes[q.Class].Polarity == polarity:
			s.beside = nearReference(s.t)
		case q.Class < len(tr.Shapes) && tr.Shapes[q.Class].Kind == dsp.Burst && !nearReference(s.t):
			// The other way up, as a closing blip: it counts only in the place of
			// a spark that is lacking.
			s.beside = true
		default:
			continue
		}
		out = append(out, s)
	}
	return out
}
