package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Threshold is the limit beyond which something about the engine becomes a
// finding. All are in Thresholds; the code reads its limits from the same
// constants.
type Threshold struct {
	Code     string  // of the finding
	Quantity string  // what is compared with Value
	Unit     string  // of Value: "°", "1" a ratio, "%"
	Value    float64 // the limit
	Source   string  // where it comes from
}

// Limits of what an engine may do before it is said, fixed before they were
// tried (study findings prints how they do).
const (
	scatterLimit   = 1.5  // degrees, standard deviation
	alternateLimit = 1.0  // degrees between firings by turns
	growthLimit    = 2.0  // scatter at the fastest third over that at the slowest
	growthLeast    = 0.7  // degrees, scatter at the top below which growth does not matter
	driftLimit     = 1.0  // degrees from the beginning to the end
	stickLimit     = 1.0  // degrees between rising and falling speed
	breakUpLimit   = 0.05 // share of the firings that fail above some speed
	breakUpTimes   = 3    // and how many times that below it
	bounceLimit    = 0.05 // share of the firings with a further spark
	advancedLimit  = 3.0  // degrees beyond target and tolerance, or the target alone
	mixUpWindow    = 2.5  // degrees within which an answer fits a mix-up
	mixUpApart     = 5.0  // degrees from the target at which a mix-up is thought of
)

// Significance beyond which chance is ruled out: at 4.5 standard deviations it
// makes one false finding in 150 000 looks; the likelihood ratio of the same
// rarity is 10 (half the square).
const (
	sureZ     = 4.5
	sureRatio = 10
	leastLook = 20 // sparks below which nothing is said about the engine's habits
)

const practice = "common practice, no source"

// Thresholds is the table of all limits, for the help and for the study that
// tries them.
func Thresholds() []Threshold {
	return []Threshold{
		{"timing-offset", "distance of the mean from the target, alike at all speeds", "tolerance", 1, "the tolerance that the owner states"},
		{"timing-scatter", "standard deviation without that of the timing", "°", scatterLimit, practice + "; an ignition with contacts in order stays below 1°"},
		{"alternating", "difference between firings by turns", "°", alternateLimit, practice},
		{"scatter-grows", "scatter in the fastest third over that in the slowest", "1", growthLimit, practice},
		{"drift", "change from beginning to end at equal speed", "°", driftLimit, practice},
		{"sticking", "difference between rising and falling speed", "°", stickLimit, practice},
		{"break-up", "share of the firings without a spark above some speed", "%", 100 * breakUpLimit, practice},
		{"contact-bounce", "share of the firings with a further spark", "%", 100 * bounceLimit, practice},
		{"too-advanced", "how far beyond target and tolerance", "°", advancedLimit, practice},
	}
}

// habits is what the counted sparks look like to somebody who looks for a
// cause: in time order, about each bin's own line.
type habits struct {
	t, rpm, r, sigma []float64 // seconds, rpm, degrees, degrees
	rev              []int
}

func (m *measurement) habits() habits {
	var h habits
	k := 0
	for i := range m.res.Firings {
		f := &m.res.Firings[i]
		if f.Status != OK {
			continue
		}
		if k < len(m.resid) {
			h.t = append(h.t, f.TimeS)
			h.rpm = append(h.rpm, f.RPM)
			h.r = append(h.r, m.resid[k])
			h.sigma = append(h.sigma, float64(f.Sigma))
			h.rev = append(h.rev, f.Revolution)
		}
		k++
	}
	return h
}

// advise adds what is to be said of the engine itself: what it does, how sure
// that is, and what to do next. It is help, not an oracle.
func (m *measurement) advise() {
	h := m.habits()
	m.mixUps()
	m.tooAdvanced()
	m.offset()
	if len(h.r) >= leastLook {
		alternating := m.alternating(&h)
		m.scattered(&h, alternating)
		if c, ok := m.course(&h); ok {
			m.drift(&h, c)
			m.sticking(c)
		}
	}
	m.breakUp(&h)
	m.bounce()
}

// sureWord says how sure a finding is, from how many of its own standard
// deviations it lies beyond nothing.
func sureWord(z float64) string {
	switch {
	case z > 8:
		return "beyond doubt"
	case z > sureZ:
		return "almost surely"
	}
	return "probably"
}

// plate is how to move the contact plate by d degrees of the crank, positive
// to fire earlier.
func plate(d float64) string {
	way := "against the engine's rotation"
	if d < 0 {
		way = "with the engine's rotation"
	}
	return fmt.Sprintf("turn the plate %s by %.1f° of the crankshaft (%.1f° of the plate where it sits on a shaft of half speed)", way, math.Abs(d), math.Abs(d)/2)
}

// targetAt is the target at a speed; ok is false without one.
func (m *measurement) targetAt(rpm float64) (t float64, ok bool) {
	if m.res.Relative {
		return 0, false
	}
	a, ok := m.given.TargetAt(rpm)
	return float64(a), ok
}

// offset: the same distance from the target at all speeds.
func (m *measurement) offset() {
	if m.given.Tolerance == nil {
		return
	}
	tol := float64(*m.given.Tolerance)
	var dev []float64
	n, sum := 0, 0.0
	for i := range m.res.Bins {
		b := &m.res.Bins[i]
		t, ok := m.targetAt(b.MeanRPM)
		if !ok {
			return
		}
		d := wrap(float64(b.Mean) - t)
		sum += d * float64(b.N)
		n += b.N
		if b.N >= 5 {
			dev = append(dev, d)
		}
	}
	if n == 0 || len(dev) == 0 {
		return
	}
	mean := sum / float64(n)
	for _, d := range dev {
		if math.Abs(d-mean) > math.Max(1, math.Abs(mean)/2) {
			return // not alike at all speeds: the trend says more
		}
	}
	u := float64(m.res.Advance.Expanded)
	if math.Abs(mean) <= tol || math.Abs(mean) <= u || math.Abs(mean) > 30 {
		return
	}
	way := "earlier"
	if mean < 0 {
		way = "later"
	}
	m.find("timing-offset", Warning, 0, 0, "The engine fires %.1f° (±%.1f°) %s than the target, alike from %.0f to %.0f rpm. With the engine stopped, %s, tighten, and measure again: tightening moves it. If the plate is at its end, change the contact gap within its range: a wider gap fires earlier.",
		math.Abs(mean), u, way, m.res.MinRPM, m.res.MaxRPM, plate(-mean))
}

// tooAdvanced: too early for the stated engine, at some speed.
func (m *measurement) tooAdvanced() {
	tol := 0.0
	if t := m.given.Tolerance; t != nil {
		tol = float64(*t)
	}
	worst, at, u := 0.0, 0.0, 0.0
	for i := range m.res.Bins {
		b := &m.res.Bins[i]
		t, ok := m.targetAt(b.MeanRPM)
		if !ok {
			return
		}
		if d := wrap(float64(b.Mean)-t) - tol; b.N >= 3 && d > worst && d < 90 {
			worst, at, u = d, b.MeanRPM, float64(b.Expanded)
		}
	}
	if worst <= advancedLimit {
		return
	}
	m.beside("too-advanced", Serious, "Stop: at %.0f rpm the engine fires %.1f° (±%.1f°) earlier than its target allows. Too much advance makes it knock and can hole a piston within minutes. Do not run it under load; check reference angle and target first, then %s.", at, worst, u, plate(-worst-tol))
}

// mixUps: answers that are wrong in a way that a known slip makes.
func (m *measurement) mixUps() {
	a := m.res.Advance
	t, ok := m.targetAt(m.res.MeanRPM)
	if !ok || a.N == 0 || m.given.ReferenceAngle == nil {
		return
	}
	mean, g := float64(a.Mean), float64(*m.given.ReferenceAngle)
	fits := func(x float64) bool { return math.Abs(wrap(x-t)) < mixUpWindow }
	if math.Abs(wrap(mean-t)) < mixUpApart {
		return
	}
	switch {
	case fits(mean - 2*g):
		m.beside("reference-sign", Warning, "With the reference angle's sign the other way (%.1f° instead of %.1f°) the engine would fire at %.1f°, as its target says. Was the wheel read against the direction of rotation, or before and after top dead centre mixed up? The reference angle counts before top dead centre; after it, it is negative.", -g, g, wrap(mean-2*g))
	case fits(-mean) && math.Abs(t) > 3:
		// minus-target says it.
	case fits(mean / 2):
		m.beside("double-angle", Warning, "The engine seems to fire at %.1f°, twice its target. Was the target, or the reference angle, read on a plate or wheel that turns at half the crankshaft's speed? One degree there is two of the crankshaft.", mean)
	case fits(2 * mean):
		m.beside("double-angle", Warning, "The engine seems to fire at %.1f°, half its target. Was the target, or the reference angle, given in degrees of a shaft that turns at half the crankshaft's speed? One degree there is two of the crankshaft.", mean)
	}
}

// alternating: every second firing differs. It returns half the difference,
// degrees, 0 without a finding.
func (m *measurement) alternating(h *habits) float64 {
	step := 1
	if s := m.res.Setup.SparksPerRev; s.Den == 2 {
		step = 2
	}
	var n [2]float64
	var sum [2]float64
	for i, r := range h.r {
		k := (h.rev[i] / step) & 1
		n[k]++
		sum[k] += r
	}
	if n[0] < leastLook/2 || n[1] < leastLook/2 {
		return 0
	}
	d := sum[1]/n[1] - sum[0]/n[0]
	ss := 0.0
	for i, r := range h.r {
		k := (h.rev[i] / step) & 1
		x := r - sum[k]/n[k]
		ss += x * x
	}
	sd := math.Sqrt(ss / math.Max(1, n[0]+n[1]-2))
	z := math.Abs(d) / math.Max(1e-9, sd*math.Sqrt(1/n[0]+1/n[1]))
	if math.Abs(d) < alternateLimit || z < sureZ {
		return 0
	}
	m.find("alternating", Warning, 0, 0, "The timing alternates: every second firing comes %.1f° later than the one before it (%s; %.0f firings). Look for play of the contact cam or spindle, a bent shaft, and, where the cam turns at half the speed, at its two lobes.", math.Abs(d), sureWord(z), n[0]+n[1])
	return math.Abs(d) / 2
}

// scattered: too much scatter, or scatter that grows with speed.
func (m *measurement) scattered(h *habits, alternating float64) {
	rms := func(idx []int) (sd float64, free float64) {
		v, noise := 0.0, 0.0
		for _, i := range idx {
			v += h.r[i] * h.r[i]
			noise += h.sigma[i] * h.sigma[i]
		}
		free = float64(len(idx) - 1)
		if free < 1 {
			return 0, 0
		}
		return math.Sqrt(math.Max(0, (v-noise)/free-alternating*alternating)), free
	}
	all := make([]int, len(h.r))
	for i := range all {
		all[i] = i
	}
	sd, free := rms(all)
	// Its own relative uncertainty is 1/√(2n) (JCGM 100:2008, E.4.3).
	z := (sd/scatterLimit - 1) * math.Sqrt(2*free)
	if sd > scatterLimit && z > 2 {
		m.find("timing-scatter", Warning, 0, 0, "The timing scatters by %.1f° (standard deviation, %.0f sparks, that of the measurement taken out): more than an ignition in order does. Look at the contacts (burnt, loose, dirty), the condenser, play of the plate and of the spindle, and at the plug lead.", sd, free+1)
	}
	// The slowest third against the fastest.
	order := slices.Clone(all)
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case h.rpm[a] < h.rpm[b]:
			return -1
		case h.rpm[a] > h.rpm[b]:
			return 1
		}
		return 0
	})
	k := len(order) / 3
	if k < leastLook/2 {
		return
	}
	slow, fast := order[:k], order[len(order)-k:]
	if h.rpm[fast[0]] < 1.3*h.rpm[slow[k-1]] {
		return
	}
	lo, f1 := rms(slow)
	hi, f2 := rms(fast)
	if hi < growthLeast || hi <= growthLimit*lo {
		return
	}
	// The logarithm of a ratio of standard deviations has a standard deviation
	// of √(1/2f1 + 1/2f2).
	if zz := math.Log(hi/math.Max(lo, 0.05)) / math.Sqrt(1/(2*f1)+1/(2*f2)); zz > sureZ {
		m.find("scatter-grows", Warning, 0, 0, "The scatter grows with speed: %.1f° below %.0f rpm, %.1f° above %.0f rpm (%s). Contacts that float at speed (weak spring), a loose plate, worn bearings of the spindle, or a coil and condenser at their limit do that.", lo, h.rpm[slow[k-1]], hi, h.rpm[fast[0]], sureWord(zz))
	}
}

// course is how the angle at equal speed goes with time and with the way the
// speed changes, both fitted together: a recording that goes up and comes down
// once has the one nearly look like the other.
type course struct {
	perSecond, perSecondStd float64 // degrees per second
	way, wayStd             float64 // rising less falling, degrees
}

// course fits it by least squares to the residuals. Time and way are taken as
// far as they are no matter of speed: within each bin, less their straight
// line over speed, as the residuals are less theirs (Frisch and Waugh,
// Econometrica 1, 1933: the coefficients are those of the whole fit).
func (m *measurement) course(h *habits) (c course, ok bool) {
	res := m.res
	way := Changing(h.rpm)
	type row struct{ at, t, w, y float64 }
	var rows []row
	for i := range res.Bins {
		b := &res.Bins[i]
		var t, w, v, r, at []float64
		for k := range h.r {
			if h.rpm[k] >= b.FromRPM && h.rpm[k] < b.ToRPM {
				t, w, v, r, at = append(t, h.t[k]), append(w, float64(way[k])/2), append(v, h.rpm[k]), append(r, h.r[k]), append(at, h.t[k])
			}
		}
		if len(t) < binLineMin {
			continue
		}
		withoutLine(t, v)
		withoutLine(w, v)
		withoutLine(r, v)
		for k := range t {
			rows = append(rows, row{at[k], t[k], w[k], r[k]})
		}
	}
	n := float64(len(rows))
	var tt, ww, tw, ty, wy float64
	for _, x := range rows {
		tt += x.t * x.t
		ww += x.w * x.w
		tw += x.t * x.w
		ty += x.t * x.y
		wy += x.w * x.y
	}
	det := tt*ww - tw*tw
	if n < leastLook || !(tt > 0) {
		return c, false
	}
	both := det > 1e-3*tt*ww // else they cannot be told apart
	if both {
		c.perSecond, c.way = (ww*ty-tw*wy)/det, (tt*wy-tw*ty)/det
	} else {
		c.perSecond = ty / tt
	}
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.at, b.at) })
	e := make([]float64, len(rows))
	ss := 0.0
	for k, x := range rows {
		e[k] = x.y - c.perSecond*x.t - c.way*x.w
		ss += e[k] * e[k]
	}
	v := ss / math.Max(1, n-3) * n / math.Max(1, EffectiveN(e))
	if both {
		c.perSecondStd, c.wayStd = math.Sqrt(v*ww/det), math.Sqrt(v*tt/det)
		return c, true
	}
	// One of them it is, and nobody can say which.
	c.perSecondStd, c.wayStd = math.Inf(1), math.Inf(1)
	return c, true
}

// withoutLine takes from y its straight line over x, both of one length.
func withoutLine(y, x []float64) {
	mx, sx := meanVar(x)
	my, _ := meanVar(y)
	cov := 0.0
	for k := range x {
		cov += (x[k] - mx) * (y[k] - my)
	}
	slope := 0.0
	if sx > 0 {
		slope = cov / sx
	}
	for k := range x {
		y[k] -= my + slope*(x[k]-mx)
	}
}

// drift: the timing moves in the course of the recording, at equal speed.
func (m *measurement) drift(h *habits, c course) {
	span := h.t[len(h.t)-1] - h.t[0]
	d, z := c.perSecond*span, math.Abs(c.perSecond)/math.Max(c.perSecondStd, 1e-12)
	if math.Abs(d) < driftLimit || z < sureZ {
		return
	}
	way := "later"
	if d > 0 {
		way = "earlier"
	}
	m.find("drift", Warning, 0, 0, "At equal speed the engine fires %.1f° %s at the end of the recording than at its beginning, %.0f s before (%s). An ignition that warms (coil, condenser, electronics) or a plate that creeps does that: tighten the plate, measure cold and warm, and see whether it comes back.", math.Abs(d), way, span, sureWord(z))
}

// stickZ is how sure the fit of the whole recording must be, in the same
// direction, of what one range of speed shows.
const stickZ = 3

// sticking: rising and falling speed differ.
func (m *measurement) sticking(c course) {
	t := m.res.Trend
	if t == nil || t.UpDown == nil {
		return
	}
	u := t.UpDown
	d, z := float64(u.Difference), math.Abs(float64(u.Difference))/math.Max(1e-9, float64(u.Std))
	if math.Abs(d) < stickLimit || z < sureZ || c.way*d < stickZ*c.wayStd*math.Abs(d) || math.Abs(c.way) < stickLimit/2 {
		return
	}
	way := "later"
	if d > 0 {
		way = "earlier"
	}
	m.find("sticking", Warning, 0, 0, "Around %.0f rpm the engine fires %.1f° (±%.1f°) %s while the speed rises than while it falls (%s). An advance mechanism that sticks or is slow to follow does that: clean and oil it, look at its springs. Pulls of several thousand rpm a second blur it: record a slower one.", u.RPM, math.Abs(d), 2*float64(u.Std), way, sureWord(z))
}

// breakUp: sparks fail above some speed.
func (m *measurement) breakUp(h *habits) {
	if m.everyNthQuiet() || len(h.t) < leastLook {
		return
	}
	type firing struct {
		rpm    float64
		missed bool
		t      float64
	}
	var all []firing
	for i := range h.t {
		all = append(all, firing{h.rpm[i], false, h.t[i]})
	}
	missed := 0
	for _, x := range m.res.Missing {
		if x.What != "spark" {
			continue
		}
		k, _ := slices.BinarySearch(h.t, x.TimeS)
		if k == 0 || k == len(h.t) || h.t[k]-h.t[k-1] > 2 {
			continue // at an end, or across a stop: not the ignition's doing
		}
		w := (x.TimeS - h.t[k-1]) / (h.t[k] - h.t[k-1])
		all = append(all, firing{h.rpm[k-1] + w*(h.rpm[k]-h.rpm[k-1]), true, x.TimeS})
		missed++
	}
	if missed < 3 {
		return
	}
	slices.SortStableFunc(all, func(a, b firing) int {
		switch {
		case a.rpm < b.rpm:
			return -1
		case a.rpm > b.rpm:
			return 1
		}
		return 0
	})
	like := func(k, n int) float64 { // of k in n at their own rate
		if k == 0 || k == n {
			return 0
		}
		p := float64(k) / float64(n)
		return float64(k)*math.Log(p) + float64(n-k)*math.Log(1-p)
	}
	best, at, lo, hi := 0.0, 0, 0.0, 0.0
	below := 0
	for i := 1; i < len(all); i++ {
		if all[i-1].missed {
			below++
		}
		if i < leastLook || len(all)-i < leastLook || all[i].rpm < 1.02*all[0].rpm {
			continue
		}
		a, b := below, missed-below
		pa, pb := float64(a)/float64(i), float64(b)/float64(len(all)-i)
		if pb < breakUpLimit || pb < breakUpTimes*pa {
			continue
		}
		if g := like(a, i) + like(b, len(all)-i) - like(missed, len(all)); g > best {
			best, at, lo, hi = g, i, pa, pb
		}
	}
	if best < sureRatio {
		return
	}
	first := math.Inf(1)
	n := 0
	for _, f := range all[at:] {
		if f.missed {
			n++
			first = math.Min(first, f.t)
		}
	}
	m.find("break-up", Warning, n, first, "Above about %.0f rpm %.0f %% of the firings have no spark, below it %.0f %%. Contacts that float (weak spring, too wide a gap), a coil or condenser at its limit, a plug gap too wide, or a mixture that does not light break the spark up at speed.", all[at].rpm, 100*hi, 100*lo)
}

// everyNthQuiet is whether sparks are left out by rule, which is no break-up.
func (m *measurement) everyNthQuiet() bool {
	for i := range m.res.Findings {
		switch m.res.Findings[i].Code {
		case "every-second", "reference-pulses":
			return true
		}
	}
	return false
}

// bounce: further sparks in many firings.
func (m *measurement) bounce() {
	c := m.res.Counts
	if c.OK < leastLook || c.RepeatedSparks < 5 {
		return
	}
	share := float64(c.RepeatedSparks) / float64(c.OK)
	if share <= bounceLimit {
		return
	}
	m.find("contact-bounce", Warning, c.RepeatedSparks, 0, "In %s of the firings a further spark comes within a few degrees: the contacts bounce. Look at the spring and the pivot of the moving contact, at its faces, and at the gap.", percent(share))
	for i := range m.res.Firings {
		if f := &m.res.Firings[i]; f.Status == Repeated {
			m.res.Findings[len(m.res.Findings)-1].FirstS = f.TimeS
			return
		}
	}
}
