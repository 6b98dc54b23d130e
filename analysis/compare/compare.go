// Package compare sets one measurement against another: the difference by
// speed, with the uncertainty that the two do not share.
//
// A difference is the second side less the first: positive where the second
// fires earlier. What is wrong by the same amount on both sides, such as the
// reference angle of a pick-up that was not touched in between, is in neither
// difference nor uncertainty (JCGM 100:2008, 5.2.2: fully correlated inputs).
package compare

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
)

// Point is the advance at about one speed.
type Point struct {
	RPM            float64          // mean of its sparks
	FromRPM, ToRPM float64          // its range
	N              int              // counted sparks
	Mean           analysis.Degrees // their mean advance
	// Sampling is how far the mean of as many other sparks would differ by the
	// engine's scatter alone (standard deviation). A comparison is of engines,
	// not of the sparks that happened to be recorded, so it counts here.
	Sampling analysis.Degrees
	Parts    []analysis.Component // budget of Mean, without Sampling
}

// Side is one of the measurements to compare.
type Side struct {
	Name     string         // as the reader calls it
	Setup    analysis.Setup // as used
	Relative bool           // angles are relative to the reference event
	Points   []Point        // in order of speed
	All      Point          // over all speeds
	// Doubt is the code of a finding that leaves no verdict standing on this
	// side; empty: none.
	Doubt string
	// OpenS is how late the reference may be, seconds, where nothing was stated of
	// its delay: see analysis.OpenDelay.
	OpenS float64
}

// Static is whether a side was turned by hand: its contacts were listened to,
// or it was so slow that no engine runs.
func (s *Side) Static() bool {
	return s.Setup.SparkKind == analysis.Contacts || s.All.ToRPM < handRPM
}

const (
	handRPM = 150 // below it an engine is turned by hand; common practice, no source
	// Between points farther apart than this share of their speed a straight
	// line is a guess, and no row is made.
	widestStep = 0.35
	leastN     = 3 // sparks for a point of its own
	// Where nothing tells how the advance changes with speed: as steep as a
	// mechanism may be, degrees per rpm (common practice, no source: 22 degrees
	// in 2000 rpm).
	steepest = 0.011
	// What no setting of an engine answers to, degrees: a fifth of the
	// tolerance of a race engine (common practice, no source).
	changeFloor = 0.1
)

// distanceQuantity is how far apart in speed two points are.
const distanceQuantity = "distance in speed"

// ErrNothingInCommon says that two sides share no speed.
var ErrNothingInCommon = errors.New("no speed in common")

// FromResult is a measurement as one side of a comparison.
func FromResult(name string, r *analysis.Result) Side {
	s := Side{Name: name, Setup: r.Setup, Relative: r.Relative, Doubt: analysis.Doubt(r.Findings), OpenS: analysis.OpenDelay(r.Findings)}
	point := func(rpm, from, to float64, m *analysis.Summary) Point {
		p := Point{RPM: rpm, FromRPM: from, ToRPM: to, N: m.N, Mean: m.Mean, Sampling: m.SamplingStd}
		if m.Budget != nil {
			p.Parts = m.Budget.Components
		}
		return p
	}
	s.All = point(r.MeanRPM, r.MinRPM, r.MaxRPM, &r.Advance)
	for i := range r.Bins {
		if b := &r.Bins[i]; b.N >= leastN && b.HasExpanded {
			s.Points = append(s.Points, point(b.MeanRPM, b.FromRPM, b.ToRPM, &b.Summary))
		}
	}
	return s
}

// Directions parts one measurement into its sparks at rising and at falling
// speed. It fails where speed did not both rise and fall.
func Directions(r *analysis.Result) (rising, falling Side, err error) {
	f := counted(r)
	rpm := make([]float64, len(f))
	for i := range f {
		rpm[i] = f[i].RPM
	}
	way := analysis.Changing(rpm)
	rising, err = part(r, f, "speed rising", func(i int) bool { return way[i] > 0 })
	if err == nil {
		falling, err = part(r, f, "speed falling", func(i int) bool { return way[i] < 0 })
	}
	if err != nil {
		return rising, falling, fmt.Errorf("%w. Record a pull that goes up and comes down again, slowly", err)
	}
	return rising, falling, nil
}

// Cylinders parts a measurement of two cylinders or more into one side for
// each, in the order in which they fire after the reference.
func Cylinders(r *analysis.Result) ([]Side, error) {
	f := counted(r)
	most := 0
	for i := range f {
		most = max(most, f[i].Cylinder)
	}
	if most < 2 {
		return nil, errors.New("the recording holds one cylinder: there is nothing to compare within it")
	}
	var out []Side
	for c := 1; c <= most; c++ {
		s, err := part(r, f, fmt.Sprintf("cylinder %d", c), func(i int) bool { return f[i].Cylinder == c })
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// Some is the side of some sparks of a measurement, f, a part of its Firings in
// their order: those that count. It fails where there are fewer than three of them,
// or fewer than three in every range of speed.
func Some(r *analysis.Result, name string, f []analysis.Firing) (Side, error) {
	var own []analysis.Firing
	for i := range f {
		if f[i].Status == analysis.OK {
			own = append(own, f[i])
		}
	}
	s, err := part(r, own, name, func(int) bool { return true })
	if err != nil {
		return s, err
	}
	// What is common to all sparks of the recording acts on these at their own
	// speeds.
	s.All.FromRPM, s.All.ToRPM = math.Inf(1), math.Inf(-1)
	for i := range own {
		s.All.FromRPM, s.All.ToRPM = min(s.All.FromRPM, own[i].RPM), max(s.All.ToRPM, own[i].RPM)
	}
	n := 0
	for i := range s.Points {
		n += s.Points[i].N
	}
	var in []weighted
	for i := range s.Points {
		in = append(in, weighted{s.Points[i].Parts, float64(s.Points[i].N) / float64(n)})
	}
	s.All.Parts = blend(in)
	return s, nil
}

// At is the side's advance at a speed within the range of speed from, to, rpm: on
// a straight line between its points to either side, as Compare takes it; ok is
// false where there is none near.
func (s *Side) At(rpm, from, to float64) (p Point, ok bool) {
	return s.at(Point{RPM: rpm, FromRPM: from, ToRPM: to})
}

// counted are the sparks that count, in time order.
func counted(r *analysis.Result) []analysis.Firing {
	var f []analysis.Firing
	for i := range r.Firings {
		if r.Firings[i].Status == analysis.OK {
			f = append(f, r.Firings[i])
		}
	}
	return f
}

// part is the side of those sparks of f for which in holds.
func part(r *analysis.Result, f []analysis.Firing, name string, in func(i int) bool) (Side, error) {
	s := Side{Name: name, Setup: r.Setup, Relative: r.Relative, Doubt: analysis.Doubt(r.Findings), OpenS: analysis.OpenDelay(r.Findings)}
	s.All = pick(f, in, 0, math.Inf(1), r.Advance.Budget)
	if s.All.N < leastN {
		return s, fmt.Errorf("%s: %d sparks, want at least %d", name, s.All.N, leastN)
	}
	s.All.FromRPM, s.All.ToRPM = r.MinRPM, r.MaxRPM
	for i := range r.Bins {
		b := &r.Bins[i]
		if p := pick(f, in, b.FromRPM, b.ToRPM, b.Budget); p.N >= leastN {
			s.Points = append(s.Points, p)
		}
	}
	if len(s.Points) == 0 {
		return s, fmt.Errorf("%s: fewer than %d sparks at any speed", name, leastN)
	}
	return s, nil
}

// pick is the point of those sparks of f that lie in [from, to) rpm and for
// which in holds. What is common to all sparks comes from budget.
func pick(f []analysis.Firing, in func(i int) bool, from, to float64, budget *analysis.Budget) Point {
	p := Point{FromRPM: from, ToRPM: to}
	var x, y []float64
	random, centre := 0.0, 0.0
	for i := range f {
		if v := f[i].RPM; v >= from && v < to && in(i) {
			if p.N == 0 {
				centre = float64(f[i].Advance)
			}
			p.N++
			x = append(x, v)
			y = append(y, circle.Wrap(float64(f[i].Advance)-centre))
			random += float64(f[i].Sigma * f[i].Sigma)
		}
	}
	if p.N == 0 {
		return p
	}
	n := float64(p.N)
	mx, my := mean(x), mean(y)
	// The scatter is about a line: within the range the advance may change.
	sxx, sxy := 0.0, 0.0
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	slope, free := 0.0, n-1
	if sxx > 0 && p.N > 4 {
		slope, free = sxy/sxx, n-2
	}
	ss := 0.0
	rest := make([]float64, len(x))
	for i := range x {
		rest[i] = y[i] - my - slope*(x[i]-mx)
		ss += rest[i] * rest[i]
	}
	p.RPM, p.Mean = mx, analysis.Degrees(circle.Wrap(centre+my))
	if free > 0 {
		p.Sampling = analysis.Degrees(math.Sqrt(ss / free / math.Max(1, analysis.EffectiveN(rest))))
	}
	if budget != nil {
		for _, c := range budget.Components {
			if c.Quantity == analysis.RandomQuantity {
				c.Std = analysis.Degrees(math.Sqrt(random) / n)
				c.Dof = math.Max(1, free)
			}
			p.Parts = append(p.Parts, c)
		}
	}
	return p
}

// Row is the difference at one speed.
type Row struct {
	RPM           float64
	First, Second Point            // the two sides at this speed; one of them may lie between two of its own
	Difference    analysis.Degrees // second less first: positive where the second is earlier
	Expanded      analysis.Degrees // coverage 95 %
	Sure          bool             // the difference is larger than Expanded
	Budget        *analysis.Budget // of Difference
	// FirstOff and SecondOff are how far each side lies from the target; nil
	// without one.
	FirstOff, SecondOff *Off
}

// Kind says what a comparison is of.
type Kind string

// The kinds of comparison.
const (
	Speeds      Kind = "speeds"     // two measurements at the same speeds
	StaticFirst Kind = "static"     // the first was turned by hand, the second ran
	WithinOne   Kind = "within one" // parts of one recording
)

// Comparison is two sides set against each other.
type Comparison struct {
	Kind          Kind
	First, Second Side
	Rows          []Row           // in order of speed, at least one
	Mean          Row             // over all rows alike; of its points only the difference is meant
	Changes       bool            // the difference depends on speed, beyond what its own scatter explains
	Shared        []string        // quantities that both sides share, and that therefore count only as far as they act differently
	Goal          *analysis.Setup // the target that both were held against; nil: none
}

// Options are what the reader knows of the two sides beyond their setups.
type Options struct {
	// Moved: reference pick-up, magnet or wheel was touched in between, so
	// that its angle and delay are not shared even where the figures agree.
	Moved bool
	// OneRecording: the sides are parts of one recording and share all but
	// scatter.
	OneRecording bool
	// Goal holds the target, by angle or by table, and perhaps the tolerance
	// that both sides are held against; nil, or without a target: they are not.
	Goal *analysis.Setup
}

// Compare sets second against first. It fails with ErrNothingInCommon when
// they share no speed, with ErrNoTopDeadCentre when there is a target for sides
// that count from their reference, and where one counts from top dead centre
// and the other from its reference.
func Compare(first, second Side, o Options) (*Comparison, error) {
	if first.Relative != second.Relative {
		return nil, fmt.Errorf("%s and %s count from different marks: one has a reference angle, the other has none. Give both the same", first.Name, second.Name)
	}
	c := &Comparison{Kind: Speeds, First: first, Second: second}
	if o.Goal != nil && o.Goal.HasTarget() {
		if first.Relative {
			return nil, fmt.Errorf("%s and %s: %w", first.Name, second.Name, ErrNoTopDeadCentre)
		}
		c.Goal = o.Goal
	}
	switch {
	case o.OneRecording:
		c.Kind = WithinOne
	case first.Static() && !second.Static():
		c.Kind = StaticFirst
	}
	if c.Kind == StaticFirst {
		for _, p := range second.Points {
			c.add(first.All, p, o)
		}
	} else {
		c.common(o)
	}
	if len(c.Rows) == 0 {
		return nil, fmt.Errorf("%s (%.0f to %.0f rpm) and %s (%.0f to %.0f rpm): %w. Record both over the same speeds",
			first.Name, first.All.FromRPM, first.All.ToRPM, second.Name, second.All.FromRPM, second.All.ToRPM, ErrNothingInCommon)
	}
	c.average(o)
	return c, nil
}

// common makes a row at each speed of the side with fewer points at which the
// other is known.
func (c *Comparison) common(o Options) {
	few, many := &c.First, &c.Second
	if len(many.Points) < len(few.Points) {
		few, many = many, few
	}
	for _, p := range few.Points {
		q, ok := many.at(p)
		switch {
		case !ok:
		case few == &c.First:
			c.add(p, q, o)
		default:
			c.add(q, p, o)
		}
	}
}

// at is the side's advance at p's speed, on a straight line between its
// points to either side. Nothing is extrapolated; but a point whose range
// overlaps p's stands for it, with what the distance may do as a part of its
// own.
func (s *Side) at(p Point) (Point, bool) {
	i := 0
	for i < len(s.Points) && s.Points[i].RPM < p.RPM {
		i++
	}
	if i < len(s.Points) && s.Points[i].RPM == p.RPM {
		return s.Points[i], true
	}
	if i > 0 && i < len(s.Points) {
		a, b := s.Points[i-1], s.Points[i]
		if b.RPM-a.RPM <= widestStep*b.RPM {
			return between(a, b, p.RPM), true
		}
	}
	best := -1
	for _, k := range []int{i - 1, i} {
		if k < 0 || k >= len(s.Points) {
			continue
		}
		q := &s.Points[k]
		if q.FromRPM < p.ToRPM && p.FromRPM < q.ToRPM && (best < 0 || math.Abs(q.RPM-p.RPM) < math.Abs(s.Points[best].RPM-p.RPM)) {
			best = k
		}
	}
	if best < 0 {
		return Point{}, false
	}
	q := s.Points[best]
	// The steepest that this side shows anywhere stands for what it does here.
	slope, seen := 0.0, false
	for k := 1; k < len(s.Points); k++ {
		a, b := s.Points[k-1], s.Points[k]
		if d := b.RPM - a.RPM; d > 0 {
			slope, seen = math.Max(slope, math.Abs(circle.Wrap(float64(b.Mean-a.Mean)))/d), true
		}
	}
	if !seen {
		slope = steepest
	}
	off := math.Abs(q.RPM - p.RPM)
	q.Parts = append(slices.Clone(q.Parts), analysis.Component{
		Source: "the two were not at the same speed", Kind: "B", Std: analysis.Degrees(slope * off / math.Sqrt(3)),
		Estimate: fmt.Sprintf("%.0f rpm apart, up to %.2g° per 1000 rpm", off, 1000*slope), Shrink: "record both over the same range of speed, from end to end",
		Quantity: distanceQuantity, Unit: "rpm", HalfWidth: off, InputStd: off / math.Sqrt(3), Distribution: analysis.Rectangular, Sensitivity: slope,
	})
	return q, true
}

// between is the point at rpm on the line from a to b.
func between(a, b Point, rpm float64) Point {
	w := (rpm - a.RPM) / (b.RPM - a.RPM)
	v := 1 - w
	p := Point{RPM: rpm, FromRPM: a.FromRPM, ToRPM: b.ToRPM, N: a.N}
	if w > 0.5 {
		p.N = b.N
	}
	p.Mean = analysis.Degrees(circle.Wrap(float64(a.Mean) + w*circle.Wrap(float64(b.Mean-a.Mean))))
	p.Sampling = analysis.Degrees(math.Hypot(v*float64(a.Sampling), w*float64(b.Sampling)))
	p.Parts = blend([]weighted{{a.Parts, v}, {b.Parts, w}})
	return p
}

// weighted is a point's parts and its weight in a mean.
type weighted struct {
	parts  []analysis.Component
	weight float64 // 0..1
}

// blend is the budget of a weighted mean of points of one side: what is random
// adds up in squares, what they have in common in plain numbers.
func blend(in []weighted) []analysis.Component {
	var out []analysis.Component
	for _, p := range in {
		for _, x := range p.parts {
			y := find(out, x.Quantity)
			if y == nil {
				z := x
				z.Std, z.Sensitivity = 0, 0
				out = append(out, z)
				y = &out[len(out)-1]
			}
			if x.Quantity == analysis.RandomQuantity {
				y.Std = analysis.Degrees(math.Hypot(float64(y.Std), p.weight*float64(x.Std)))
				y.Dof = math.Min(y.Dof, x.Dof)
				continue
			}
			y.Std += analysis.Degrees(p.weight) * x.Std
			y.Sensitivity += p.weight * x.Sensitivity
			y.InputStd = math.Max(y.InputStd, x.InputStd)
			y.HalfWidth = math.Max(y.HalfWidth, x.HalfWidth)
		}
	}
	return out
}

func find(parts []analysis.Component, quantity string) *analysis.Component {
	for i := range parts {
		if parts[i].Quantity == quantity {
			return &parts[i]
		}
	}
	return nil
}

// add makes a row of two points.
func (c *Comparison) add(a, b Point, o Options) {
	d := circle.Wrap(float64(b.Mean - a.Mean))
	row := Row{RPM: b.RPM, First: a, Second: b, Difference: analysis.Degrees(d), Budget: analysis.NewBudget(c.parts(a, b, d, o))}
	row.Expanded = row.Budget.Expanded
	row.Sure = math.Abs(d) > float64(row.Expanded)
	row.FirstOff, row.SecondOff = c.off(&c.First, a), c.off(&c.Second, b)
	c.Rows = append(c.Rows, row)
}

// parts are the components of b less a, d degrees.
func (c *Comparison) parts(a, b Point, d float64, o Options) []analysis.Component {
	out := []analysis.Component{scatter(c.First.Name, a), scatter(c.Second.Name, b)}
	share := func(q string) {
		if !slices.Contains(c.Shared, q) {
			c.Shared = append(c.Shared, q)
		}
	}
	for _, x := range a.Parts {
		y := find(b.Parts, x.Quantity)
		switch {
		case y == nil:
			out = append(out, of(x, c.First.Name))
		case x.Quantity == analysis.VariationQuantity && c.sameMark(o) && near(a.RPM, b.RPM):
			share(x.Quantity)
			out = append(out, variation(x, *y, d))
		case c.shares(x, *y, o):
			share(x.Quantity)
			x.Sensitivity = math.Abs(x.Sensitivity - y.Sensitivity)
			x.Std = analysis.Degrees(x.Sensitivity * x.InputStd)
			x.Estimate += ", the same on both sides: only the difference in speed counts"
			out = append(out, x)
		default:
			out = append(out, of(x, c.First.Name), of(*y, c.Second.Name))
		}
	}
	for _, y := range b.Parts {
		if find(a.Parts, y.Quantity) == nil {
			out = append(out, of(y, c.Second.Name))
		}
	}
	return slices.DeleteFunc(out, func(x analysis.Component) bool { return x.Std == 0 })
}

// near is whether two speeds are alike enough for a turn to be uneven alike.
func near(a, b float64) bool { return math.Abs(a-b) <= widestStep*math.Max(a, b) }

func of(x analysis.Component, name string) analysis.Component {
	x.Source += " (" + name + ")"
	return x
}

func scatter(name string, p Point) analysis.Component {
	return analysis.Component{Source: "the engine's scatter (" + name + ")", Kind: "A", Std: p.Sampling, Dof: math.Max(1, float64(p.N-1)),
		Estimate: fmt.Sprintf("of %d sparks", p.N), Shrink: "record longer at each speed", Quantity: "scatter", Unit: "°",
		InputStd: float64(p.Sampling), Distribution: analysis.Normal, Sensitivity: 1}
}

// sameMark is whether both sides count from one event of one pick-up that
// nobody touched.
func (c *Comparison) sameMark(o Options) bool {
	a, b := c.First.Setup, c.Second.Setup
	same := a.ReferenceKind == b.ReferenceKind && a.ReferenceDelayS == b.ReferenceDelayS && (a.ReferenceAngle == nil) == (b.ReferenceAngle == nil) &&
		(a.ReferenceAngle == nil || *a.ReferenceAngle == *b.ReferenceAngle)
	return c.Kind == WithinOne || same && !o.Moved
}

// shares is whether a quantity is off by the same on both sides.
func (c *Comparison) shares(x, y analysis.Component, o Options) bool {
	const equal = 1e-9 // relative: the same statement, read back from a text
	if math.Abs(x.InputStd-y.InputStd) > equal*x.InputStd {
		return false
	}
	a, b := c.First.Setup, c.Second.Setup
	switch x.Quantity {
	case analysis.RandomQuantity, distanceQuantity, analysis.VariationQuantity:
		return false
	case analysis.ReferenceAngleQuantity, analysis.ReferenceDelayQuantity:
		return c.sameMark(o)
	case analysis.SparkDelayQuantity:
		return c.Kind == WithinOne || a.SparkKind == b.SparkKind && a.SparkDelayS == b.SparkDelayS
	case analysis.SkewQuantity:
		return c.Kind == WithinOne || a.ConverterSkewS == b.ConverterSkewS && a.SparkChannel == b.SparkChannel && a.ReferenceChannel == b.ReferenceChannel
	}
	// The averaged pulses are each recording's own: what is wrong with the one
	// need not be wrong with the other.
	return c.Kind == WithinOne
}

// variation is what an uneven turn does to the difference d, degrees, of two
// angles read from one mark at one speed: as much as to an angle that wide
// (amplitude δ·|sin(d/2)|; package analysis, fluctuation).
func variation(x, y analysis.Component, d float64) analysis.Component {
	z := x
	z.HalfWidth = math.Max(x.HalfWidth, y.HalfWidth)
	z.InputStd = z.HalfWidth / math.Sqrt2
	z.Sensitivity = math.Abs(math.Sin(d*math.Pi/360)) * 180 / math.Pi
	z.Std = analysis.Degrees(z.Sensitivity * z.InputStd)
	z.Estimate = fmt.Sprintf("%.2g of the mean speed, over the %.1f° between the two", z.HalfWidth, math.Abs(d))
	return z
}

// average fills in Mean, over all rows alike, and Changes.
func (c *Comparison) average(o Options) {
	n := float64(len(c.Rows))
	base, sum := float64(c.Rows[0].Difference), 0.0
	pool := func(get func(*Row) *Point) Point {
		p := Point{FromRPM: math.Inf(1)}
		var in []weighted
		s2 := 0.0
		for i := range c.Rows {
			q := get(&c.Rows[i])
			p.FromRPM, p.ToRPM = math.Min(p.FromRPM, q.FromRPM), math.Max(p.ToRPM, q.ToRPM)
			p.N += q.N
			p.RPM += q.RPM / n
			s2 += float64(q.Sampling * q.Sampling)
			in = append(in, weighted{q.Parts, 1 / n})
		}
		p.Sampling = analysis.Degrees(math.Sqrt(s2) / n)
		p.Parts = blend(in)
		return p
	}
	a, b := pool(func(r *Row) *Point { return &r.First }), pool(func(r *Row) *Point { return &r.Second })
	if c.Kind == StaticFirst { // one and the same in all rows
		a = c.First.All
	}
	for i := range c.Rows {
		sum += circle.Wrap(float64(c.Rows[i].Difference)-base) / n
	}
	d := circle.Wrap(base + sum)
	c.Mean = Row{RPM: b.RPM, First: a, Second: b, Difference: analysis.Degrees(d), Budget: analysis.NewBudget(c.parts(a, b, d, o))}
	c.Mean.Expanded = c.Mean.Budget.Expanded
	c.Mean.Sure = math.Abs(d) > float64(c.Mean.Expanded)
	if c.Goal != nil {
		c.Mean.FirstOff = c.meanOff(&c.First, a, func(r *Row) *Off { return r.FirstOff })
		c.Mean.SecondOff = c.meanOff(&c.Second, b, func(r *Row) *Off { return r.SecondOff })
	}
	c.Changes = c.changes(d)
}

// changes is whether some row lies off the mean difference d beyond its own
// scatter; what all rows have in common does not come into it. The limit is
// that of the largest of so many (Bonferroni's inequality).
func (c *Comparison) changes(d float64) bool {
	if len(c.Rows) < 2 {
		return false
	}
	k := together(len(c.Rows))
	for i := range c.Rows {
		r := &c.Rows[i]
		v := 0.0
		for _, x := range r.Budget.Components {
			if x.Kind == "A" || x.Quantity == distanceQuantity {
				v += float64(x.Std * x.Std)
			}
		}
		if off := math.Abs(circle.Wrap(float64(r.Difference) - d)); off > k*math.Sqrt(v) && off > changeFloor {
			return true
		}
	}
	return false
}

// together is the normal quantile within which n values all lie with a
// probability of at least 95 %.
func together(n int) float64 { return math.Sqrt2 * math.Erfinv(1-0.05/float64(n)) }

func mean(x []float64) float64 {
	m := 0.0
	for i, v := range x {
		m += (v - m) / float64(i+1)
	}
	return m
}
