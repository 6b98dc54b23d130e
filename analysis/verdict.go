package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis/circle"
)

// verdict decides a mean against the target (JCGM 106:2012, 7.4 and 8.2): the
// probability that it truly lies within the tolerance, from the distribution
// of its budget and a flat prior. Against a table it is the mean of the sparks'
// deviations, each from the table at its own speed. A reference of whose delay
// nothing was stated counts as one of none, give or take its default: where one
// as late as a reed's may be would be decided otherwise, the verdict says what it
// rests on.
func (m *measurement) verdict() {
	res := m.res
	tol := m.given.Tolerance
	if res.Advance.Target == nil || tol == nil {
		return
	}
	off := func(s Summary) Degrees { return Degrees(circle.Wrap(float64(s.Mean - *s.Target))) }
	v := &Verdict{Target: *res.Advance.Target, ByTable: m.given.Target == nil, Tolerance: *tol, Deviation: off(res.Advance)}
	v.Decision, v.Probability, v.Settle, v.Advice = judge(res.Advance, v.Deviation, *tol)
	if v.Decision != Undecided {
		if _, _, hangs := res.Advance.Budget.DecideLate(v.Deviation, *tol, LateBy(OpenDelay(res.Findings), res.MeanRPM)); hangs {
			v.Advice = hangsOnDelay
		}
	}
	one := func(s Summary) BinVerdict {
		bv := BinVerdict{Target: *s.Target, Deviation: off(s)}
		bv.Decision, bv.Probability, bv.Settle, bv.Advice = judge(s, bv.Deviation, *tol)
		return bv
	}
	for _, b := range res.Bins {
		v.Bins = append(v.Bins, one(b.Summary))
	}
	for _, c := range res.Cylinders {
		v.Cylinders = append(v.Cylinders, one(c.Summary))
	}
	res.Verdict = v
	doubt := doubtOf(res.Findings)
	if doubt == nil {
		return
	}
	const none = "The figures may be of something else altogether, so that there is no verdict; mend what is said below first."
	v.Doubt, v.Decision, v.Settle, v.Advice = doubt.Code, Undecided, nil, none
	for _, all := range [][]BinVerdict{v.Bins, v.Cylinders} {
		for i := range all {
			all[i].Decision, all[i].Settle, all[i].Advice = Undecided, nil, none
		}
	}
}

// doubting are warnings that the figures may be those of something else than
// the sparks against the reference: no uncertainty covers that.
var doubting = []string{"roles-unsure", "reference-burst", "sparks-unsure", "onset-unsure"}

// doubtful says whether a finding leaves no verdict standing. What is said of
// the engine casts no doubt on what was measured.
func doubtful(f *Finding) bool {
	return f.Severity == Serious && !f.Engine || f.Severity == Warning && slices.Contains(doubting, f.Code)
}

// Doubt is the code of the first finding that leaves no verdict standing, the
// serious ones first; empty: none does.
func Doubt(all []Finding) string {
	if f := doubtOf(all); f != nil {
		return f.Code
	}
	return ""
}

// doubtOf is the first finding that leaves no verdict standing, the serious
// ones first; nil: none.
func doubtOf(all []Finding) *Finding {
	var doubt *Finding
	for i := range all {
		if f := &all[i]; doubtful(f) && (doubt == nil || f.Severity == Serious && doubt.Severity != Serious) {
			doubt = f
		}
	}
	return doubt
}

// DelayUnknown is the code of the finding that the reference may have a delay of
// which nothing was stated.
const DelayUnknown = "reference-delay-unknown"

// OpenDelay is how late the reference may be, seconds, where nothing was stated
// of its delay: as much as the finding DelayUnknown says; 0 without it.
func OpenDelay(all []Finding) float64 {
	if slices.ContainsFunc(all, func(f Finding) bool { return f.Code == DelayUnknown }) {
		return reedMostS
	}
	return 0
}

// LateBy is how much later than said the engine fires where the reference is
// that late: it passes a whole angle more before the spark.
func LateBy(delayS, rpm float64) Degrees { return Degrees(6 * rpm * delayS) }

// hangsOnDelay says what a verdict rests on that is not the same for all of them.
const hangsOnDelay = "With the delay of a reed, of which nothing was stated, this verdict may be another: state it (calibrate pickup finds it, --reference-delay), or 0 of an optical or Hall pick-up."

// judge decides one mean, dev away from the target.
func judge(s Summary, dev, tol Degrees) (decision string, p float64, settle *Settlement, advice string) {
	if s.Budget == nil {
		return Undecided, 0.5, nil, "One spark is no mean: record longer at this speed."
	}
	p = s.Budget.conformity(float64(dev), float64(tol))
	decision = decide(p)
	if decision != Undecided {
		return decision, p, nil, ""
	}
	settle = s.Budget.settle(float64(dev), float64(tol), s.N)
	return decision, p, settle, s.Budget.advice(settle, dev, tol)
}

// settle finds how well the largest component would have to be known for the
// verdict to be decided, and how small the whole would have to be. n is the
// number of sparks.
func (b *Budget) settle(dev, tol float64, n int) *Settlement {
	main, ok := b.Main()
	if !ok {
		return nil
	}
	s := &Settlement{Margin: Degrees(tol - math.Abs(dev)), Source: main.Source, Unit: main.Unit, From: main.HalfWidth}
	if s.From == 0 {
		s.From = main.InputStd
	}
	decided := func(f float64) bool { // with the largest f times as large
		c := append([]Component(nil), b.Components...)
		c[b.Largest].Std *= Degrees(f)
		return decide(newSum(c).within(dev, tol)) != Undecided
	}
	// The greatest factor that decides; it shrinks further than it must by no
	// more than 2^-20.
	greatest := func(decides func(f float64) bool) float64 {
		lo, hi := 0.0, 1.0
		for range 20 {
			if mid := (lo + hi) / 2; decides(mid) {
				lo = mid
			} else {
				hi = mid
			}
		}
		return lo
	}
	if s.Alone = decided(0); s.Alone {
		f := greatest(decided)
		s.To = downTo2(f*s.From, scaleOf(s.Unit))
		if s.To >= s.From {
			s.To = f * s.From // so near that two figures do not show it
		}
		if main.Kind == "A" && f > 0 {
			s.Sparks = upTo2(float64(n) / (f * f))
		}
	}
	// All of them f times as large is the same as the limits so many times nearer.
	all := newSum(b.Components)
	s.Expanded = Degrees(downTo2(greatest(func(f float64) bool { return decide(all.within(dev/f, tol/f)) != Undecided })*float64(b.Expanded), 1))
	return s
}

// downTo2 is v rounded down to two significant figures of v·scale, the unit in
// which it is said: who does what is said then does enough. v >= 0.
func downTo2(v, scale float64) float64 {
	if !(v > 0) {
		return v
	}
	step := math.Pow(10, math.Floor(math.Log10(v*scale))-1)
	return math.Floor(v*scale/step) * step / scale
}

// upTo2 is v rounded up to two significant figures.
func upTo2(v float64) int {
	step := math.Max(1, math.Pow(10, math.Floor(math.Log10(math.Max(v, 1)))-1))
	return int(math.Ceil(v/step) * step)
}

// scaleOf is what a quantity is multiplied by to be said: see quantity.
func scaleOf(unit string) float64 {
	switch unit {
	case "s":
		return 1e6
	case "1":
		return 100
	}
	return 1
}

// advice puts a settlement into words.
func (b *Budget) advice(s *Settlement, dev, tol Degrees) string {
	main, ok := b.Main()
	if !ok || s == nil {
		return ""
	}
	inside := "inside"
	if s.Margin < 0 {
		inside = "outside"
	}
	at := fmt.Sprintf("The mean lies %.2f° %s the limit of ±%.4g°", math.Abs(float64(s.Margin)), inside, float64(tol))
	largest := fmt.Sprintf("the %s, %.0f %% of the uncertainty", main.Source, 100*main.Share)
	how := strings.TrimSuffix(main.Shrink, ".")
	from := quantity(s.From, s.Unit)
	if from == quantity(s.To, s.Unit) {
		from = fmt.Sprintf("%.4g", s.From*scaleOf(s.Unit)) + unitWord(s.Unit)
	}
	switch {
	case s.Expanded < b.Expanded/8:
		return at + fmt.Sprintf(", so near that it would take a ± of %.2g° to tell: better to set the timing nearer the target than to measure more finely. The largest part of the ± is %s.", float64(s.Expanded), largest)
	case s.Alone && s.Sparks > 0:
		return at + fmt.Sprintf(". It would be settled with %s brought down by about %d sparks: %s.", largest, s.Sparks, how)
	case s.Alone && s.To > 0:
		return at + fmt.Sprintf(". It would be settled with %s, known to ±%s instead of ±%s: %s.", largest, quantity(s.To, s.Unit), from, how)
	default:
		second := ""
		for i, c := range b.Components {
			if i != b.Largest && c.Share > 0.1 {
				second += fmt.Sprintf(", the %s (%.0f %%)", c.Source, 100*c.Share)
			}
		}
		return at + fmt.Sprintf(". The ± would have to come down from %.2g° to %.2g°; the largest part is %s, and mending that alone would not do%s. First: %s.", float64(b.Expanded), float64(s.Expanded), largest, second, how)
	}
}

// quantity writes an input quantity in the unit that people use. Two figures
// are what a settlement was rounded to; a third is shown where there is one.
func quantity(v float64, unit string) string {
	return fmt.Sprintf("%.3g", v*scaleOf(unit)) + unitWord(unit)
}

// unitWord is a unit as people say it, after a number.
func unitWord(unit string) string {
	switch unit {
	case "s":
		return " µs"
	case "1":
		return " % of the speed"
	case "°":
		return "°"
	}
	return " " + unit
}
