package calibrate

import (
	"cmp"
	"math"
	"slices"

	"sparkscope/analysis/circle"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/fit"
	"sparkscope/dsp"
)

// Pickup is what is known of two pick-ups that pass the same mark, one of them
// without a delay worth speaking of.
type Pickup struct {
	// LagFreeDelayS is the delay of the other pick-up, seconds, and its ±; nil:
	// ±10 µs.
	LagFreeDelayS     float64
	LagFreeToleranceS *float64
	// SkewS is by how much channel 2 of the converter is later than channel 1,
	// seconds, and its ±; nil: ±0.1 sample.
	SkewS          float64
	SkewToleranceS *float64
	// Pulses per revolution, for the speeds shown; 0: one. The delay does not
	// depend on it.
	Pulses  int
	Turning Turning
}

const (
	lagFreeDefaultS  = 10e-6 // common practice, no source
	skewDefaultShare = 0.1   // of a sample: common practice, no source
	leastPassages    = 40    // that a line over speed needs
	mostStray        = 0.2   // share of passages that may stand apart from the rest
	mostLooseDeg     = 5     // scatter of the rest, standard deviation: two shafts, or no pick-up
	curveBins        = 8
	leastInBin       = 5
	bendFactor       = 3.5  // standard errors off the line that make a delay not constant
	bendFloorDeg     = 0.02 // and what is never called so: interpolation between passages
)

// passage is one passage of the mark: the pick-up's angle behind the lag-free
// one, degrees, at a speed, degrees per second.
type passage struct{ at, behind, speed, sigma float64 }

// Calibrate gives the delay of the pick-up of train a from that of the
// lag-free one of train b. Both turn with one shaft; their marks may lie some
// degrees apart. At a speed of x degrees per second the pick-up appears
//
//	angle between the marks + delay·x
//
// degrees behind the lag-free one: over a range of speeds a straight line,
// whose intercept is the angle and whose slope is the delay. The trains must
// come from the channels as they were recorded.
func (p Pickup) Calibrate(a, b *dsp.Train) (*Calibration, error) {
	if err := twoTrains(a, b); err != nil {
		return nil, err
	}
	own, ownHow := stated(p.LagFreeToleranceS, lagFreeDefaultS)
	rate := float64(a.Rate)
	skewTol, skewHow := stated(p.SkewToleranceS, skewDefaultShare/rate)
	if !(math.Abs(p.LagFreeDelayS) <= 0.1 && own >= 0 && own <= 0.1 && math.Abs(p.SkewS) <= reachS && skewTol >= 0 && skewTol <= reachS) {
		return nil, refuse("input", "Delay of the lag-free pick-up %g s ±%g s, skew %g s ±%g s.", "Want delays within ±0.1 s and a skew within ±0.01 s.", p.LagFreeDelayS, own, p.SkewS, skewTol)
	}
	ea, kindA, err := mainEvents(a)
	if err != nil {
		return nil, err
	}
	eb, kindB, err := mainEvents(b)
	if err != nil {
		return nil, err
	}
	for _, x := range []struct {
		channel int
		kind    dsp.Kind
	}{{a.Channel, kindA}, {b.Channel, kindB}} {
		if x.kind == dsp.Burst { // its lag would come out as the pick-up's delay
			return nil, refuse("spark", "Channel %d holds a spark, not a pick-up that passes the mark. No ignition may be involved: its own lag would be taken for the pick-up's delay.", "Put an optical pick-up or a bare coil at the mark and on that channel, and turn the shaft from slow to fast with the ignition off.", x.channel)
		}
	}
	pass, lost := passages(ea, eb)
	if len(pass) < leastPassages {
		return nil, refuse("few-passages", "The mark passes both pick-ups %d times at a speed that can be followed (%d pulses on channel %d, %d on channel %d).", "Want %d or more: both pick-ups on one shaft, one pulse each per revolution, turned from slow to fast and back.", len(pass), len(ea), a.Channel, len(eb), b.Channel, leastPassages)
	}
	kept, stray, loose := settlePassages(pass)
	if float64(stray+lost) > mostStray*float64(len(pass)+lost) || loose > mostLooseDeg {
		return nil, refuse("stray", "The pulses of channel %d fit no smooth course against channel %d (%d of %d stand apart, the others scatter by %.1f°).", "Check that both pick-ups see the same shaft, that neither bounces or drops out, and that the two leads do not hear each other.", a.Channel, b.Channel, stray+lost, len(pass)+lost, loose)
	}
	pulses := float64(max(1, p.Pulses))
	var x, y, w, rpm []float64
	for _, q := range kept {
		x, y = append(x, q.speed), append(y, q.behind)
		rpm = append(rpm, q.speed/6/pulses)
	}
	sorted := slices.Clone(rpm)
	slices.Sort(sorted)
	low, high := quantileOf(sorted, 0.05), quantileOf(sorted, 0.95)
	if high < leastSpeedRatio*low {
		return nil, refuse("narrow", "The speeds go from %.0f to %.0f rpm only: over so little the angle between the marks and the delay cannot be told apart.", "Turn from slow to fast: the fastest at least %.1f times the slowest, better five times.", low, high, leastSpeedRatio)
	}
	line, w, ok := fitPassages(kept, x, y)
	if !ok {
		return nil, refuse("no-line", "No line could be laid through the passages.", "Record a steady pull from slow to fast and back.")
	}
	resid := make([]float64, len(y))
	for i := range y {
		v, _ := line.At(x[i])
		resid[i] = (y[i] - v) * math.Sqrt(w[i])
	}
	neff := independent(resid)
	line = line.Inflate(float64(len(y)) / math.Max(2, neff))

	c := &Calibration{Method: "pickup", Quantity: "delay of the reference pick-up", Meaning: "from the true event to its appearance in the recording",
		Unit: Microseconds, Key: enginefile.ReferenceDelay, ToleranceKey: enginefile.ReferenceDelayTolerance, Constant: true, KindKey: enginefile.ReferenceKind, Kind: "contact"}
	if kindA == dsp.Lobes {
		c.Kind = "coil"
	}
	skew := 0.0 // by how much the pick-up's channel is later than the lag-free one's
	if a.Channel == 2 {
		skew = p.SkewS
	} else if b.Channel == 2 {
		skew = 0 - p.SkewS // 0, not -0, where there is none
	}
	c.input("pick-up", "channel %d, %s, %d pulses", a.Channel, kindA, len(ea))
	c.input("lag-free pick-up", "channel %d, %s, %d pulses; its delay %.4g µs ±%.4g µs (%s)", b.Channel, kindB, len(eb), 1e6*p.LagFreeDelayS, 1e6*own, ownHow)
	c.input("skew of the converter", "%.4g µs ±%.4g µs (%s)", 1e6*p.SkewS, 1e6*skewTol, skewHow)
	c.input("passages", "%d, %.0f to %.0f rpm%s", len(kept), low, high, leftOut(stray))
	atZero, vZero := line.At(0)
	us := 1e6 * line.B
	c.step("angle behind the lag-free pick-up = angle between the marks + delay·speed", "%.3f° + %.2f µs·(degrees per second)", atZero, us)
	c.step("angle between the marks, from the pick-up's to the lag-free one's", "%.3f° ±%.3f° (correlation with the delay %.2f)", atZero, normal95*math.Sqrt(vZero), line.Correlation(0))
	value := us - 1e6*skew + 1e6*p.LagFreeDelayS
	c.step("delay = slope - skew + delay of the lag-free pick-up", "%.2f µs - %.2f µs + %.2f µs = %.2f µs", us, 1e6*skew, 1e6*p.LagFreeDelayS, value)

	c.typeA("slope of the line", 1e6*math.Sqrt(line.VarB), math.Max(1, neff-2), "%d passages worth %.0f independent ones, scatter %.3f° about the line", len(kept), neff, line.Scale)
	c.rectangle("delay of the lag-free pick-up", 1e6*own, "±%.4g µs, rectangular, %s", 1e6*own, ownHow)
	c.rectangle("skew of the converter", 1e6*skewTol, "±%.3g µs, rectangular, %s", 1e6*skewTol, skewHow)
	anchor := func(source string, tr *dsp.Train, kind dsp.Kind) {
		worst := 0.0
		for _, s := range tr.Shapes {
			if s.Kind == kind && s.N >= 3 {
				worst = math.Max(worst, s.AnchorSigma)
			}
		}
		c.typeB(source, worst/rate*1e6, "%.2g samples, from the averaged pulse", worst)
	}
	anchor("timing point of the pick-up", a, kindA)
	anchor("timing point of the lag-free pick-up", b, kindB)
	_, uneven := p.Turning.uneven(rpm, x, y, w)
	c.typeB("speed variation within the revolution", 1e6*uneven, "%s; marks %.1f° apart", p.Turning.words(), math.Abs(atZero))
	for _, e := range []struct {
		what string
		tr   *dsp.Train
		kind dsp.Kind
	}{{"pick-up's", a, kindA}, {"lag-free pick-up's", b, kindB}} {
		if e.kind == dsp.Lobes {
			c.crossingSlope(e.what, e.tr, x, w)
		}
	}
	c.curve(kept, x, y, line, pulses)
	c.conclude(value)
	if value+c.Expanded < 0 {
		// No trace comes before its event: what is taken for lag-free lags.
		return nil, refuse("early", "By this the pick-up on channel %d would act %.1f µs (±%.1f µs) before its mark passes: it is the other, taken as lag-free, that is late.", "Mostly the channels are exchanged: calibrate channel %d instead. Or else the lag-free pick-up has a delay of its own, to be given.", a.Channel, -value, c.Expanded, b.Channel)
	}
	// The slope hangs on the fastest passages; so does what is left of it.
	if c.Constant {
		c.note("constant", false, "One delay explains all speeds of the recording, from %.0f to %.0f rpm, to within its scatter. Beyond them it is not known.", low, high)
	}
	if kindA == dsp.Contact && kindB == dsp.Contact {
		c.note("which-edge", false, "Of both pick-ups the edge into the shorter state was timed. Where the two stay on for different angles, the leading edges must be those that belong together.")
	}
	return c, nil
}

// passages sets each pulse of a against the pulses of b around it. The phase
// between them is the cubic in time through four of b, which must be of a
// smooth course; lost counts the pulses of a for which they are not.
func passages(a, b []event) (out []passage, lost int) {
	for i := range a {
		k := nearest(b, a[i].t)
		if b[k].t > a[i].t {
			k--
		}
		if k < 1 || k+2 >= len(b) {
			continue // at the ends there is nothing to interpolate between
		}
		q := b[k-1 : k+3]
		smooth := true
		for j := range 2 {
			r := (q[j+2].t - q[j+1].t) / (q[j+1].t - q[j].t)
			smooth = smooth && r > 0.6 && r < 1.6
		}
		if !smooth {
			lost++
			continue
		}
		var phase, rate float64
		for j := range q {
			num, den, der := 1.0, 1.0, 0.0
			for m := range q {
				if m != j {
					d := a[i].t - q[m].t
					der = der*d + num
					num *= d
					den *= q[j].t - q[m].t
				}
			}
			phase += num / den * float64(j-1)
			rate += der / den * float64(j-1)
		}
		if !(rate > 0) || !finite(phase) {
			lost++
			continue
		}
		sigma := 360 * rate * math.Hypot(a[i].sigma, b[nearest(b, a[i].t)].sigma)
		out = append(out, passage{a[i].t, circle.Wrap(360 * (phase - math.Floor(phase))), 360 * rate, sigma})
	}
	return out, lost
}

// settlePassages takes the angles about their circular middle and leaves out
// those that stand apart from their neighbours in speed: more than six robust
// standard deviations from the median of those, loose being that deviation in
// degrees.
func settlePassages(all []passage) (kept []passage, stray int, loose float64) {
	var s, k float64
	for _, q := range all {
		a, b := math.Sincos(q.behind * math.Pi / 180)
		s, k = s+a, k+b
	}
	centre := math.Atan2(s, k) * 180 / math.Pi
	p := slices.Clone(all)
	for i := range p {
		p[i].behind = centre + circle.Wrap(p[i].behind-centre)
	}
	by := slices.Clone(p)
	slices.SortFunc(by, func(x, y passage) int { return cmp.Compare(x.speed, y.speed) })
	// Deviation from the median of the neighbours in speed, less the local slope's
	// share, which a window of a twentieth keeps small.
	half := max(5, len(by)/40)
	dev := make([]float64, len(by))
	for i := range by {
		lo, hi := max(0, i-half), min(len(by), i+half+1)
		v := make([]float64, 0, hi-lo)
		for _, q := range by[lo:hi] {
			v = append(v, q.behind)
		}
		dev[i] = by[i].behind - medianOf(v)
	}
	loose = robustSD(dev)
	limit := math.Max(6*loose, 0.5)
	for i := range by {
		if math.Abs(dev[i]) <= limit {
			kept = append(kept, by[i])
		} else {
			stray++
		}
	}
	slices.SortFunc(kept, func(x, y passage) int {
		switch {
		case x.at < y.at:
			return -1
		case x.at > y.at:
			return 1
		}
		return 0
	})
	return kept, stray, loose
}

// fitPassages fits the line, each passage weighted by its timing and by what
// all scatter besides.
func fitPassages(p []passage, x, y []float64) (line fit.Line, w []float64, ok bool) {
	w = make([]float64, len(p))
	for i := range w {
		w[i] = 1
	}
	start, ok := fit.Straight(x, y, nil)
	if !ok {
		return start, w, false
	}
	if line, ok = fit.Robust(x, y, nil, start); !ok {
		return line, w, false
	}
	var r []float64
	for i := range x {
		v, _ := line.At(x[i])
		r = append(r, y[i]-v)
	}
	s := math.Max(robustSD(r), 1e-6)
	for i := range w {
		w[i] = s * s / (s*s + p[i].sigma*p[i].sigma)
	}
	l, ok := fit.Robust(x, y, w, line)
	return l, w, ok
}

// crossingSlope adds what AC coupling does to the zero crossing of a coil.
func (c *Calibration) crossingSlope(whose string, tr *dsp.Train, x, w []float64) {
	var wide []float64 // spacing of the lobes, degrees
	last := math.NaN()
	for _, p := range tr.Pulses {
		if p.Class < 0 || p.Class >= len(tr.Shapes) || tr.Shapes[p.Class].Kind != dsp.Lobes || p.WidthS <= 0 {
			continue
		}
		now := tr.Rate.Seconds(p.Pos)
		if dt := now - last; dt > 0 && dt < 6 {
			wide = append(wide, 360*p.WidthS/dt)
		}
		last = now
	}
	if len(wide) < 3 {
		return
	}
	k := medianOf(wide)
	e := make([]float64, len(x))
	for i, v := range x {
		e[i] = v * crossingLateS(k/v)
	}
	_, b := lineOf(x, e, w)
	c.rectangle("zero crossing of the "+whose+" coil through AC coupling", 1e6*math.Abs(b), "corner of the input up to %g Hz (stated default, common practice, no source), lobes %.0f° apart", couplingHz, k)
}

// curve fills in what the line leaves, by speed, says whether that is more than
// scatter, and puts what is into the budget.
func (c *Calibration) curve(p []passage, x, y []float64, line fit.Line, pulses float64) {
	lo, hi := slices.Min(x), slices.Max(x)
	type bin struct {
		n            int
		x, y, rr, yy float64
	}
	bins := make([]bin, curveBins)
	at := func(v float64) int { return min(curveBins-1, int(float64(curveBins)*(v-lo)/(hi-lo))) }
	for i := range x {
		v, _ := line.At(x[i])
		b := &bins[at(x[i])]
		b.n++
		b.x, b.y, b.rr, b.yy = b.x+x[i], b.y+y[i], b.rr+y[i]-v, b.yy+(y[i]-v)*(y[i]-v)
	}
	worst := 0.0
	for i, b := range bins {
		if b.n < leastInBin {
			continue
		}
		n := float64(b.n)
		mean := b.rr / n
		sd := math.Sqrt(math.Max(0, b.yy/n-mean*mean) * n / (n - 1))
		_, v := line.At(b.x / n)
		se := math.Sqrt(sd*sd/n + v)
		rpm := func(k int) float64 { return (lo + (hi-lo)*float64(k)/curveBins) / 6 / pulses }
		c.Curve = append(c.Curve, CurvePoint{FromRPM: rpm(i), ToRPM: rpm(i + 1), MeanRPM: b.x / n / 6 / pulses, N: b.n,
			AngleDeg: b.y / n, ResidualDeg: mean, ResidualStdDeg: se, ResidualUS: 1e6 * mean / (b.x / n)})
		if math.Abs(mean) > bendFloorDeg+bendFactor*se {
			c.Constant = false
		}
		worst = math.Max(worst, math.Abs(mean)/(b.x/n))
	}
	if !c.Constant {
		c.rectangle("delay not the same at all speeds", 1e6*worst, "±%.3g µs, rectangular, what the line leaves at worst", 1e6*worst)
		c.note("not-constant", true, "One delay does not explain all speeds (see the table): the pick-up is later or earlier by up to %.0f µs than the line says. The ± holds that much. Above some speed a reed bounces for as long as it is closed; use the delay only where the table is flat, or an optical or Hall pick-up.", 1e6*worst)
	}
}
