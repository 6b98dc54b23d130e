package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis/circle"
	"sparkscope/analysis/fit"
)

const (
	trendMinEvents   = 12     // a trend needs as many,
	trendMinRPM      = 200    // a spread of this much between the 1 % and 99 % points,
	trendMinShare    = 0.1    // and of this share of the median speed
	straightFloorDeg = 0.3    // bins may lie this far off a curve beyond their scatter
	bendFloorDeg     = 0.15   // a curve must depart this far from the best with a corner fewer: what pick-ups and converter may bend
	upDownFloorDeg   = 0.3    // the angle may differ this much between rising and falling speed
	upDownShare      = 0.1    // or this share of the curve's whole rise, before one curve stands for nothing
	upDownSure       = 4      // standard uncertainties, in the worst of up to 16 bins
	leastOfWay       = 5      // sparks of a bin while the speed rises, or falls, for a mean of their own
	widestGap        = 1. / 3 // of the range of speed without a spark: beyond it nothing shows that a line is straight
	stepShare        = 0.05   // of the range of speed: a steep piece narrower than this may be a step
	changingShare    = 2e-3   // of the speed within ten sparks: rising or falling
)

// What a delay may be where nothing is stated of it, seconds: the sparks'
// pick-up late, or the reference's. design: a reed closes 0.1 to 0.5 ms late,
// sound takes 2.9 ms per metre; the others are common practice with no source.
const (
	reedMostS       = 0.5e-3
	coilMostS       = 20e-6
	clampMostS      = 20e-6
	microphoneMostS = 10e-3
	ignitionMostS   = 0.2e-3 // from the trigger to the spark: a coil takes tens of µs, a box with a processor more
	leastReedS      = 0.1e-3 // a delay that a trend must be able to see
	longestLeg      = 3      // no mechanical advance works over a wider range of speed, top to bottom, without a corner (common practice, no source)
)

// trend fits advance against speed: the straight line with its covariance, the
// curve of straight pieces that the sparks ask for, and what may be concluded.
// adv are degrees about centre, without the difference
// between cylinders; all are in order of time.
func (m *measurement) trend(rpm, adv, sig []float64, centre float64) {
	res := m.res
	n := len(rpm)
	if n < trendMinEvents {
		return
	}
	sorted := slices.Clone(rpm)
	slices.Sort(sorted)
	med := quantile(sorted, 0.5)
	p1, p99 := quantile(sorted, 0.01), quantile(sorted, 0.99)
	if p99-p1 < trendMinRPM || p99-p1 < trendMinShare*med {
		return
	}
	bins := m.binOf(rpm)
	way := Changing(rpm)
	ch, ok := fit.Choose(rpm, adv, fit.Options{
		Sigma: sig, Floor: bendFloorDeg,
		Independent: func(r []float64) float64 { return EffectiveN(withoutWays(r, bins, way, len(res.Bins))) },
	})
	if !ok {
		return
	}
	t := &Trend{FromRPM: res.MinRPM, ToRPM: res.MaxRPM, N: n, IndependentN: ch.Independent}
	inflate := float64(n) / ch.Independent
	t.CurveStd = Degrees(ch.Curve.Scale)
	for i := range ch.Candidates {
		t.Alternatives = append(t.Alternatives, alternative(&ch, i))
	}
	r := make([]float64, n) // residuals about the curve, degrees, outliers drawn in
	for i := range r {
		r[i] = ch.Residuals[i] / math.Sqrt(ch.Weights[i])
	}
	t.LackOfFit = Degrees(lackOfFit(r, bins, len(res.Bins), inflate))
	curveSpan := span(&ch.Curve, res.MinRPM, res.MaxRPM)
	t.UpDown = upDown(r, bins, way, len(res.Bins), inflate, rpm)
	single := t.LackOfFit == 0
	if u := t.UpDown; u != nil {
		d := math.Abs(float64(u.Difference))
		if d > upDownSure*float64(u.Std) && d > math.Max(upDownFloorDeg, upDownShare*curveSpan) {
			single = false
		}
	}
	corners := len(ch.Curve.Corners)
	t.Straight = corners == 0 && single

	f := ch.Line
	if !t.Straight {
		// A robust line would settle on one leg of a curve and call the other
		// an outlier; the plain line at least speaks of all.
		prior := make([]float64, n)
		s := math.Max(float64(res.Advance.StdDev), 1e-6)
		for i := range prior {
			prior[i] = s * s / (s*s + sig[i]*sig[i])
		}
		if f, ok = fit.Straight(rpm, adv, prior); !ok {
			return
		}
		f = f.Inflate(inflate)
	}
	y0, v0 := f.At(0)
	t.Intercept = Degrees(circle.Wrap(centre + y0))
	t.InterceptStd = Degrees(math.Sqrt(v0))
	t.SlopePer1000 = Degrees(1000 * f.B)
	t.SlopeStd = Degrees(1000 * math.Sqrt(f.VarB))
	t.Correlation = f.Correlation(0)
	t.Covariance = 1000 * f.Covariance(0)
	t.EquivalentDelayS = -f.B / 6
	t.EquivalentDelayStdS = math.Sqrt(f.VarB) / 6
	t.ResidualStd = Degrees(f.Scale)
	for _, v := range []float64{float64(t.Intercept), float64(t.InterceptStd), float64(t.SlopePer1000), float64(t.SlopeStd), t.Correlation, float64(t.ResidualStd)} {
		if !finite(v) {
			return
		}
	}
	if single && corners > 0 {
		t.pieces(&ch.Curve, centre)
	}
	gap, at := 0.0, 0.0
	for i := 1; i < n; i++ {
		if d := sorted[i] - sorted[i-1]; d > gap {
			gap, at = d, sorted[i-1]
		}
	}
	m.explain(t, &ch, single)
	if t.Straight && gap > widestGap*(sorted[n-1]-sorted[0]) && t.Explanation != TooLittleRange {
		t.Explanation = NotDistinguishable
		t.Why = fmt.Sprintf("There is no spark between %.0f and %.0f rpm, so nothing shows what the angle does there: a delay would go straight across, an advance mechanism need not. Record the speeds between, in one slow pull.", at, at+gap)
	}
	res.Trend = t
}

// binOf gives for each spark the index of its bin in Result.Bins.
func (m *measurement) binOf(rpm []float64) []int16 {
	b := m.res.Bins
	out := make([]int16, len(rpm))
	at := 0
	for i, v := range rpm {
		for at > 0 && v < b[at].FromRPM {
			at--
		}
		for at < len(b)-1 && v >= b[at].ToRPM {
			at++
		}
		out[i] = int16(at)
	}
	return out
}

// Changing says for each spark whether the speed rises (1), falls (-1) or
// holds (0) around it, from the sparks five before and five after.
func Changing(rpm []float64) []int8 {
	const reach = 5
	out := make([]int8, len(rpm))
	for i := range rpm {
		a, b := rpm[max(0, i-reach)], rpm[min(len(rpm)-1, i+reach)]
		switch d := b - a; {
		case d > changingShare*rpm[i]:
			out[i] = 1
		case d < -changingShare*rpm[i]:
			out[i] = -1
		}
	}
	return out
}

// ways are means of residuals by bin and by way of the speed.
type ways struct{ n, sum, ss [3]float64 } // falling, holding, rising

func byWay(r []float64, bins []int16, way []int8, count int) []ways {
	out := make([]ways, count)
	for i, v := range r {
		w, k := &out[bins[i]], way[i]+1
		w.n[k]++
		w.sum[k] += v
		w.ss[k] += v * v
	}
	return out
}

// withoutWays are residuals less the mean of their bin and way, so that what
// hangs together in time is told from what differs between rising and falling
// speed.
func withoutWays(r []float64, bins []int16, way []int8, count int) []float64 {
	w := byWay(r, bins, way, count)
	out := make([]float64, len(r))
	for i, v := range r {
		b, k := &w[bins[i]], way[i]+1
		out[i] = v
		if b.n[k] >= 2*leastOfWay {
			out[i] -= b.sum[k] / b.n[k]
		}
	}
	return out
}

// lackOfFit is the farthest that a bin's mean residual lies from none, where
// that is more than its scatter and straightFloorDeg explain; else 0.
func lackOfFit(r []float64, bins []int16, count int, inflate float64) float64 {
	most := 0.0
	for _, w := range byWay(r, bins, make([]int8, len(r)), count) {
		n, sum := w.n[1], w.sum[1]
		if n < leastOfWay {
			continue
		}
		mean := sum / n
		sd := math.Sqrt(math.Max(0, w.ss[1]-n*mean*mean) / (n - 1))
		if d := math.Abs(mean); d > straightFloorDeg+3*sd*math.Sqrt(inflate/n) {
			most = math.Max(most, d)
		}
	}
	return most
}

// upDown is the difference between rising and falling speed in the bin where
// it is surest; nil where no bin has both.
func upDown(r []float64, bins []int16, way []int8, count int, inflate float64, rpm []float64) *UpDown {
	var out *UpDown
	sure := -1.0
	var all float64
	w := byWay(r, bins, way, count)
	var free float64
	for i := range w {
		for k := range w[i].n {
			if n := w[i].n[k]; n > 1 {
				all += w[i].ss[k] - w[i].sum[k]*w[i].sum[k]/n
				free += n - 1
			}
		}
	}
	if free < 1 {
		return nil
	}
	for i := range w {
		b := &w[i]
		if b.n[0] < leastOfWay || b.n[2] < leastOfWay {
			continue
		}
		variance := func(k int) float64 {
			m := b.sum[k] / b.n[k]
			own := math.Max(0, b.ss[k]-b.n[k]*m*m)
			const few = 8 // few sparks borrow from the scatter of all
			return (own + few*all/free) / (b.n[k] - 1 + few) / b.n[k]
		}
		d := b.sum[2]/b.n[2] - b.sum[0]/b.n[0]
		std := math.Sqrt((variance(0) + variance(2)) * inflate)
		if std > 0 && math.Abs(d)/std > sure {
			sure = math.Abs(d) / std
			out = &UpDown{Difference: Degrees(d), Std: Degrees(std)}
			at, n := 0.0, 0.0
			for j, k := range bins {
				if int(k) == i {
					at += rpm[j]
					n++
				}
			}
			out.RPM = at / n
		}
	}
	return out
}

// span is how far a curve's highest value lies above its lowest.
func span(c *fit.Curve, from, to float64) float64 {
	lo, _ := c.At(from)
	hi := lo
	for _, x := range append([]float64{to}, c.Corners...) {
		y, _ := c.At(x)
		lo, hi = math.Min(lo, y), math.Max(hi, y)
	}
	return hi - lo
}

// alternative turns candidate i into a line of the table.
func alternative(ch *fit.Choice, i int) Alternative {
	c := &ch.Candidates[i]
	least := math.Inf(1)
	for j := range ch.Candidates {
		least = math.Min(least, ch.Candidates[j].Criterion)
	}
	a := Alternative{Corners: len(c.Curve.Corners), Parameters: c.Parameters, ScatterDeg: c.Scatter, Criterion: c.Criterion - least, DepartureDeg: c.Departure, Taken: i == ch.Best}
	switch {
	case c.Level:
		a.Name = "constant"
	case a.Corners == 0:
		a.Name = "straight line"
	case a.Corners == 1:
		a.Name = "1 corner"
	default:
		a.Name = fmt.Sprintf("%d corners", a.Corners)
		if c.Curve.EndsAlike {
			a.Name += ", ends alike"
		}
	}
	return a
}

// pieces fills in corners, segments and ends from the curve.
func (t *Trend) pieces(c *fit.Curve, centre float64) {
	from := t.FromRPM
	for j := range len(c.Corners) + 1 {
		s, v := c.Slope(j)
		seg := Segment{FromRPM: from, ToRPM: t.ToRPM, SlopePer1000: Degrees(1000 * s), SlopeStd: Degrees(1000 * math.Sqrt(v)), EquivalentDelayS: -s / 6, EquivalentDelayStdS: math.Sqrt(v) / 6}
		if j < len(c.Corners) {
			x, y, vx, vy := c.Corner(j)
			t.Corners = append(t.Corners, Corner{RPM: x, RPMStd: math.Sqrt(vx), Advance: Degrees(circle.Wrap(centre + y)), AdvanceStd: Degrees(math.Sqrt(vy))})
			seg.ToRPM, from = x, x
		}
		y, _ := c.At(seg.FromRPM)
		seg.From = Degrees(circle.Wrap(centre + y))
		y, _ = c.At(seg.ToRPM)
		seg.To = Degrees(circle.Wrap(centre + y))
		t.Segments = append(t.Segments, seg)
	}
	// Of a piece as narrow as the fit allows nothing tells whether it is steep
	// or a step somewhere in it.
	for i := 1; i+1 < len(t.Segments); i++ {
		if w := t.Segments[i].ToRPM - t.Segments[i].FromRPM; w < stepShare*(t.ToRPM-t.FromRPM) {
			for _, q := range []*Corner{&t.Corners[i-1], &t.Corners[i]} {
				q.RPMStd = math.Max(q.RPMStd, w/math.Sqrt(12))
			}
		}
	}
	if c.EndsAlike {
		s, v := c.Slope(0)
		rise, rv := c.Rise()
		t.Ends = &Ends{SlopePer1000: Degrees(1000 * s), SlopeStd: Degrees(1000 * math.Sqrt(v)), EquivalentDelayS: -s / 6, EquivalentDelayStdS: math.Sqrt(v) / 6, Rise: Degrees(rise), RiseStd: Degrees(math.Sqrt(rv))}
	}
}

// delays is what net delay, spark less reference, in seconds, the pick-ups
// alone may leave after what was taken out: least and most.
func (m *measurement) delays() (least, most float64) {
	s := m.given
	var r, k [2]float64
	switch t := s.referenceTolerance(); {
	case t != nil:
		r = [2]float64{-*t, *t}
	case s.referenceDelayKnown() && m.res.Setup.ReferenceKind == ContactReference:
		r = [2]float64{-contactDelayDefaultS, contactDelayDefaultS}
	case m.res.Setup.ReferenceKind == ContactReference:
		r = [2]float64{0, reedMostS}
	default:
		r = [2]float64{-coilMostS, coilMostS}
	}
	switch t := s.sparkTolerance(); {
	case t != nil:
		k = [2]float64{-*t, *t}
	case s.SparkKind == Microphone && s.SparkDelayS != 0:
		k = [2]float64{-microphoneDelayS, microphoneDelayS}
	case s.SparkKind == Microphone:
		k = [2]float64{0, microphoneMostS}
	case s.SparkDelayS != 0:
		k = [2]float64{-shortDelayDefaultS, shortDelayDefaultS}
	default:
		k = [2]float64{0, clampMostS}
	}
	return k[0] - r[1], k[1] - r[0]
}

// explain says what the trend may be taken for.
func (m *measurement) explain(t *Trend, ch *fit.Choice, single bool) {
	pickLo, pickHi := m.delays()
	d, u := t.EquivalentDelayS, t.EquivalentDelayStdS
	slope := float64(t.SlopePer1000)
	wide := t.ToRPM / math.Max(1, t.FromRPM)
	const toTell = "What would tell: the pick-up's delay measured on its own, and a recording from idle to well above the speed at which an advance mechanism comes to its stop: a delay is straight through all of it, a mechanism is not."
	across := math.Abs(slope) * (t.ToRPM - t.FromRPM) / 1000
	switch {
	case !single:
		t.Explanation = NoSingleCurve
		switch x := t.UpDown; {
		case x != nil && math.Abs(float64(x.Difference)) > upDownSure*float64(x.Std) && math.Abs(float64(x.Difference)) > upDownFloorDeg:
			word := "later"
			if x.Difference > 0 {
				word = "earlier"
			}
			t.Why = fmt.Sprintf("At the same speed the spark comes %.1f° (±%.1f°) %s while the speed rises than while it falls, near %.0f rpm. So no one curve holds for both, and no corners are given: an advance mechanism that sticks or lags does that, and an ignition box that reckons with the speed of the turn before. Record slow pulls, up and down apart.", math.Abs(float64(x.Difference)), 2*float64(x.Std), word, x.RPM)
		default:
			t.Why = fmt.Sprintf("The means by speed lie up to %.1f° off the best curve of up to %d corners, more than their scatter explains: the angle steps, or wanders in time. Look at the picture and the event table.", float64(t.LackOfFit), fit.MostCorners)
		}
	case len(ch.Curve.Corners) > 0:
		m.explainCorners(t, ch, pickLo, pickHi)
	case ch.Candidates[ch.Best].Level || across < bendFloorDeg:
		if math.Abs(d)+2*u > leastReedS {
			t.Explanation = TooLittleRange
			t.Why = fmt.Sprintf("From %.0f to %.0f rpm no slope shows, but a net delay (spark less reference) of up to %.0f µs either way could hide in the scatter. Record over a wider range of speed, or longer.", t.FromRPM, t.ToRPM, 1e6*(math.Abs(d)+2*u))
			return
		}
		t.Explanation = Constant
		t.Why = fmt.Sprintf("The angle holds from %.0f to %.0f rpm: no corner, and no slope beyond its uncertainty. A net delay (spark less reference) would be %.0f ± %.0f µs.", t.FromRPM, t.ToRPM, 1e6*d, 2e6*u)
	case d+2*u < pickLo || d-2*u > pickHi+ignitionMostS:
		t.Explanation = AdvanceCurve
		t.Why = fmt.Sprintf("The angle %s in a straight line, by %.1f° from %.0f to %.0f rpm. That would be a net delay (spark less reference) of %.0f µs, and these pick-ups with an ignition's own lag can make %.0f to %.0f µs at most. So it is an advance curve, recorded between two of its corners: record from idle to the top to find them.", direction(slope), across, t.FromRPM, t.ToRPM, 1e6*d, 1e6*pickLo, 1e6*(pickHi+ignitionMostS))
	case wide < longestLeg:
		t.Explanation = NotDistinguishable
		t.Why = fmt.Sprintf("The angle %s in a straight line, by %.1f° from %.0f to %.0f rpm. A net delay (spark less reference) of %.0f ± %.0f µs makes such a line, and so does one leg of an advance curve: within this range of speed they cannot be told apart. %s", direction(slope), across, t.FromRPM, t.ToRPM, 1e6*d, 2e6*u, toTell)
	case d-2*u > pickHi:
		t.Explanation = AngleAndDelay
		t.Why = fmt.Sprintf("The angle falls in a straight line through all speeds, as a constant angle and a net delay (spark less reference) of %.0f ± %.0f µs would make it. The pick-ups account for %.0f µs at most: the rest is the ignition's own lag, so the spark truly comes later with speed.", 1e6*d, 2e6*u, 1e6*pickHi)
	default:
		t.Explanation = AngleAndDelay
		t.Why = fmt.Sprintf("The angle %s in a straight line through all speeds, as a constant angle and a net delay (spark less reference) of %.0f ± %.0f µs would make it: pick-up or ignition, not separable until the pick-up's own delay is known. An advance that %s evenly from %.0f to %.0f rpm would look the same; it is left aside because no mechanism is taken to work over a range of 1 to %d without a corner (common practice, no source). Nothing is taken out.", direction(slope), 1e6*d, 2e6*u, direction(slope), t.FromRPM, t.ToRPM, longestLeg)
	}
}

func direction(slope float64) string {
	if slope > 0 {
		return "rises"
	}
	return "falls"
}

// explainCorners puts a curve with corners into words.
func (m *measurement) explainCorners(t *Trend, ch *fit.Choice, pickLo, pickHi float64) {
	var b strings.Builder
	piece := func(s *Segment) string {
		rise := float64(s.SlopePer1000) * (s.ToRPM - s.FromRPM) / 1000
		if math.Abs(float64(s.SlopePer1000)) <= 3*float64(s.SlopeStd) || math.Abs(rise) < bendFloorDeg {
			return fmt.Sprintf("holds about %.1f°", float64(s.From)+rise/2)
		}
		word := direction(rise)
		if s.FromRPM > t.FromRPM && s.ToRPM < t.ToRPM && s.ToRPM-s.FromRPM < stepShare*(t.ToRPM-t.FromRPM) {
			word = "steps, or " + word + " steeply,"
		}
		return fmt.Sprintf("%s from %.1f° to %.1f°", word, float64(s.From), float64(s.To))
	}
	b.WriteString("The angle ")
	for i := range t.Segments {
		if i > 0 {
			c := t.Corners[i-1]
			fmt.Fprintf(&b, " up to %.0f rpm (±%.0f), then ", c.RPM, 2*c.RPMStd)
		}
		b.WriteString(piece(&t.Segments[i]))
	}
	fmt.Fprintf(&b, " up to the fastest recorded, %.0f rpm. ", t.ToRPM)
	t.Explanation = AdvanceCurve
	if bends := ch.Curve.Bends; len(bends) > 1 {
		one := true
		for _, q := range bends[1:] {
			one = one && q*bends[0] > 0
		}
		if one {
			b.WriteString("The pieces bend all one way: it may be a smooth curve, of which they are chords. ")
		}
	}

	// What speed within the revolution may bend: its amplitude at the slow end
	// less that at the fast end, one θ0 for both.
	bend := 0.0
	for _, rpm := range []float64{t.FromRPM, t.ToRPM} {
		delta, _ := m.fluctuation(rpm)
		bend = math.Abs(delta/2*math.Hypot(swing(m.arms, nil))*180/math.Pi - bend)
	}
	line := fit.Curve{X0: ch.Line.X0, A: ch.Line.A, B: ch.Line.B}
	if off := ch.Curve.Departure(&line, t.FromRPM, t.ToRPM); off < bend {
		t.Explanation = NotDistinguishable
		fmt.Fprintf(&b, "That departs from a straight line by only %.1f°, and speed that varies within the revolution may bend a straight line by %.1f° here: it is an advance curve or that. Put the magnet so that it passes shortly before the spark. ", off, bend)
	} else {
		b.WriteString("No constant delay does that: a delay is straight through all speeds. ")
	}
	if e := t.Ends; e != nil {
		d, u := e.EquivalentDelayS, e.EquivalentDelayStdS
		switch {
		case math.Abs(d) <= 3*u && 2*u > leastReedS:
			fmt.Fprintf(&b, "A net delay (spark less reference) besides it is known only to ±%.0f µs.", 2e6*u)
		case math.Abs(d) <= 3*u:
			fmt.Fprintf(&b, "The first and the last piece are level: any net delay (spark less reference) besides it is under %.0f µs.", 1e6*(math.Abs(d)+2*u))
		case d+2*u >= pickLo && d-2*u <= pickHi+ignitionMostS:
			fmt.Fprintf(&b, "The first and the last piece have one slope, as a net delay (spark less reference) of %.0f ± %.0f µs would make it at every speed: pick-up or ignition, not separable. Without it the angle would rise by %.1f° ± %.1f° between the corners.", 1e6*d, 2e6*u, float64(e.Rise), 2*float64(e.RiseStd))
		default:
			fmt.Fprintf(&b, "The first and the last piece have one slope, which would be a net delay (spark less reference) of %.0f ± %.0f µs, more than the pick-ups can make: the curve itself slopes there.", 1e6*d, 2e6*u)
		}
	} else {
		b.WriteString("How much of it a net delay adds at every speed cannot be told from this curve: that takes two level pieces, one below and one above the mechanism's range.")
	}
	t.Why = strings.TrimSpace(b.String())
}
