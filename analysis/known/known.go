// Package known puts what an engine file knows into the setup of a
// measurement.
package known

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
)

// PickupsOnly is f without what is counted from top dead centre.
func PickupsOnly(f enginefile.File) enginefile.File {
	f.Target, f.Static = enginefile.Target{}, enginefile.Static{}
	f.Reference.AngleDeg, f.Reference.AngleToleranceDeg = nil, nil
	return f
}

// use takes what the flags leave open from an engine file into a setup, and
// keeps what it took and what the flags won over, to be said with the result.
type use struct {
	given func(flag string) bool
	setup *analysis.Setup
	name  string // of the file
	said  []analysis.Decision
}

// Use fills in what the flags leave open from the file called name, and returns
// what it took and what the flags won over; given says whether a flag, without
// its dashes, was given. A tolerance belongs to its value: where a flag gives the
// value, the file's tolerance of another value is not used.
func Use(given func(flag string) bool, s *analysis.Setup, name string, f enginefile.File) []analysis.Decision {
	s.EngineFile = name
	u := &use{given: given, setup: s, name: name}
	u.pickups(f)
	u.delays(f)
	if v := f.Engine.SpeedFluctuation; v != nil {
		u.one("speed fluctuation", "speed-fluctuation", fmt.Sprint(*v), func() string { return fmt.Sprint(*s.SpeedFluctuation) },
			func() { s.SpeedFluctuation = v })
	}
	u.angles(f)
	c := f.Contacts
	s.Breaker = analysis.Breaker{CamTurnsPerRev: c.CamTurnsPerRev, PlateDiameterMM: c.PlateDiameterMM, GapMM: c.GapMM, GapMinMM: c.GapMinMM, GapMaxMM: c.GapMaxMM}
	if v := f.Engine.Rotation; v != nil {
		s.Breaker.Rotation = *v
	}
	return u.said
}

func (u *use) say(what, value, why string) {
	u.said = append(u.said, analysis.Decision{What: what, Value: value, Why: why, Given: true})
}

// from says where a value came from.
func (u *use) from() string { return "from " + u.name }

// won says what a flag that says is won over.
func (u *use) won(is, words string) string {
	if is == words {
		return fmt.Sprintf("the flag; %s says the same", u.name)
	}
	return fmt.Sprintf("the flag, not the %s of %s", words, u.name)
}

// changed says whether any of the flags was given; names has spaces between.
func (u *use) changed(names string) bool {
	return slices.ContainsFunc(strings.Fields(names), u.given)
}

// one takes a value that has no tolerance: words as the file says it, is as the
// flag does.
func (u *use) one(what, flag, words string, is func() string, set func()) {
	if u.given(flag) {
		u.say(what, is(), u.won(is(), words))
		return
	}
	set()
	u.say(what, words, u.from())
}

// pickups takes what and where the pick-ups are.
func (u *use) pickups(f enginefile.File) {
	s := u.setup
	whole := func(what, flag string, v *int64, to *int) {
		if v != nil {
			u.one(what, flag, fmt.Sprint(*v), func() string { return fmt.Sprint(*to) }, func() { *to = int(*v) })
		}
	}
	spark, reference := f.Spark.Channel, f.Reference.Channel
	// A flag that moves one pick-up to the channel of the other does not mean
	// that both are there.
	if spark != nil && reference != nil && *spark != *reference {
		taken := func(what, of string, v int64) {
			u.say(what, "not said", fmt.Sprintf("the flag names channel %d of %s for the %s", v, u.name, of))
		}
		switch onSpark, onReference := u.given("spark-channel"), u.given("reference-channel"); {
		case onSpark && !onReference && s.SparkChannel == int(*reference):
			taken("reference channel", "spark", *reference)
			reference = nil
		case onReference && !onSpark && s.ReferenceChannel == int(*spark):
			taken("spark channel", "reference", *spark)
			spark = nil
		}
	}
	whole("spark channel", "spark-channel", spark, &s.SparkChannel)
	whole("reference channel", "reference-channel", reference, &s.ReferenceChannel)
	if v := f.Spark.Kind; v != nil {
		u.one("spark kind", "spark-kind", *v, func() string { return string(s.SparkKind) }, func() { s.SparkKind = analysis.SparkKind(*v) })
	}
	if v := f.Reference.Kind; v != nil {
		u.one("reference kind", "reference-kind", *v, func() string { return string(s.ReferenceKind) }, func() { s.ReferenceKind = analysis.ReferenceKind(*v) })
	}
	if o := f.Engine.FiringOffsetsDeg; o != nil {
		words := make([]string, len(o))
		for i, v := range o {
			words[i] = quantity(v, "°")
		}
		s.FiringOffsets = slices.Clone(o)
		u.say("firing offsets", strings.Join(words, ", "), u.from())
	}
	whole("reference pulses per revolution", "reference-pulses", f.Reference.Pulses, &s.ReferencePulses)
	perRev, why := f.Spark.PerRev, ""
	if n := f.Engine.StrokesPerCycle; perRev == nil && n != nil && *n == 2 && f.Cylinders() == 1 {
		one := 1.0
		perRev, why = &one, ": a two-stroke of one cylinder fires in every revolution"
	}
	if v := perRev; v != nil {
		p := SparksPerRev(*v)
		u.one("sparks per revolution", "sparks-per-rev", PerRevWords(p), func() string { return PerRevWords(s.SparksPerRev) }, func() { s.SparksPerRev = p })
		u.said[len(u.said)-1].Why += why
	}
}

// SparksPerRev is a file's number of sparks per revolution: 0.5 or a whole one.
func SparksPerRev(v float64) analysis.SparksPerRev {
	if v == 0.5 {
		return analysis.SparksPerRev{Num: 1, Den: 2}
	}
	return analysis.SparksPerRev{Num: int(v), Den: 1}
}

// PerRevWords is a number of sparks per revolution as the result says it.
func PerRevWords(p analysis.SparksPerRev) string {
	if p.Den > 1 {
		return fmt.Sprintf("%d/%d", p.Num, p.Den)
	}
	return fmt.Sprint(p.Num)
}

// measured is a value of the file with its tolerance.
type measured struct {
	what, unit  string
	flag        string // that wins over both; empty: none
	tolFlags    string // that win over the tolerance, with spaces between
	v, tol      *float64
	set, setTol func(v float64)
	is          func() float64 // as the flag says it
	per         float64        // so many of the file's unit make one of the setup's
}

// number takes one value with its tolerance.
func (u *use) number(m measured) {
	pm := ""
	if m.tol != nil {
		pm = " ±" + quantity(*m.tol, m.unit)
	}
	switch {
	case m.v == nil && m.tol == nil:
	case m.flag != "" && u.given(m.flag):
		if m.v != nil {
			is := quantity(m.is()*m.per, m.unit)
			u.say(m.what, is, u.won(is, quantity(*m.v, m.unit)+pm))
		}
	default:
		value := 0.0
		if m.v != nil {
			value = *m.v
			m.set(value / m.per)
		}
		words := quantity(value, m.unit)
		switch {
		case m.tol != nil && u.changed(m.tolFlags):
			u.say(m.what, words, u.from()+fmt.Sprintf(", its tolerance by the flag, not the%s there", pm))
		case m.tol != nil:
			m.setTol(*m.tol / m.per)
			u.say(m.what, words+pm, u.from())
		default:
			u.say(m.what, words, u.from())
		}
	}
}

// delays takes the delays and the skew.
func (u *use) delays(f enginefile.File) {
	s := u.setup
	u.number(measured{what: "reference delay", unit: " µs", flag: "reference-delay", tolFlags: "delay-tolerance reference-delay-tolerance",
		v: f.Reference.DelayUS, tol: f.Reference.DelayToleranceUS, per: 1e6,
		set: func(v float64) { s.ReferenceDelayS, s.ReferenceDelayStated = v, true }, setTol: func(v float64) { s.ReferenceDelayToleranceS = &v },
		is: func() float64 { return s.ReferenceDelayS }})
	u.number(measured{what: "spark delay", unit: " µs", flag: "spark-delay", tolFlags: "delay-tolerance spark-delay-tolerance",
		v: f.Spark.DelayUS, tol: f.Spark.DelayToleranceUS, per: 1e6,
		set: func(v float64) { s.SparkDelayS = v }, setTol: func(v float64) { s.SparkDelayToleranceS = &v },
		is: func() float64 { return s.SparkDelayS }})
	u.number(measured{what: "skew of the converter, channel 2 after channel 1,", unit: " µs",
		v: f.Converter.SkewUS, tol: f.Converter.SkewToleranceUS, per: 1e6,
		set: func(v float64) { s.ConverterSkewS = v }, setTol: func(v float64) { s.ConverterSkewToleranceS = &v }})
}

// degreesOf takes an angle into a setup.
func degreesOf(to **analysis.Degrees) func(float64) {
	return func(v float64) { d := analysis.Degrees(v); *to = &d }
}

// angles takes the reference angle, and what is counted from top dead centre
// where there is one.
func (u *use) angles(f enginefile.File) {
	s := u.setup
	u.number(measured{what: "reference angle", unit: "°", flag: "reference-angle", tolFlags: "reference-angle-tolerance",
		v: f.Reference.AngleDeg, tol: f.Reference.AngleToleranceDeg, per: 1,
		set: degreesOf(&s.ReferenceAngle), setTol: degreesOf(&s.ReferenceAngleTolerance),
		is: func() float64 { return float64(*s.ReferenceAngle) }})
	const open = ", not used: without a reference angle no angle is counted from top dead centre"
	static := measured{what: "static angle", unit: "°", flag: "static", tolFlags: "static-tolerance",
		v: f.Static.AngleDeg, tol: f.Static.AngleToleranceDeg, per: 1,
		set: degreesOf(&s.Static), setTol: degreesOf(&s.StaticTolerance),
		is: func() float64 { return float64(*s.Static) }}
	if s.ReferenceAngle == nil && static.v != nil && !u.given("static") {
		u.say(static.what, quantity(*static.v, "°"), u.from()+open)
	} else {
		u.number(static)
	}
	u.target(f.Target, open)
	if v := f.Target.ToleranceDeg; v != nil {
		words := "±" + quantity(*v, "°")
		if !s.HasTarget() && !u.given("tolerance") {
			u.say("tolerance", words, u.from()+", not used: there is no target to hold against")
		} else {
			u.one("tolerance", "tolerance", words, func() string { return "±" + quantity(float64(*s.Tolerance), "°") }, func() { degreesOf(&s.Tolerance)(*v) })
		}
	}
}

// target takes the target, one angle or a table; open is why it is not used
// where there is no reference angle.
func (u *use) target(t enginefile.Target, open string) {
	s := u.setup
	words := ""
	switch {
	case t.AngleDeg != nil:
		words = quantity(*t.AngleDeg, "°")
	case t.Table != nil:
		words = "table of " + count(len(t.Table), "row")
	default:
		return
	}
	if s.ReferenceAngle == nil && !u.given("target") {
		u.say("target", words, u.from()+open)
		return
	}
	u.one("target", "target", words, func() string { return quantity(float64(*s.Target), "°") }, func() {
		if t.AngleDeg != nil {
			degreesOf(&s.Target)(*t.AngleDeg)
		}
		for _, r := range t.Table {
			s.TargetTable = append(s.TargetTable, analysis.TargetRow{RPM: *r.RPM, Angle: analysis.Degrees(*r.AngleDeg)})
		}
	})
	if s.TargetTable != nil {
		u.said[len(u.said)-1].Why += ", straight lines between its rows, its ends held beyond them"
	}
}

// Static fills in the static angle with its tolerance from the file called
// name where the flags leave them open, and returns what it took and what the
// flags won over; given is as with Use.
func Static(given func(flag string) bool, name string, f enginefile.File, angle, tolerance **analysis.Degrees) []analysis.Decision {
	u := &use{given: given, name: name}
	u.number(measured{what: "static angle", unit: "°", flag: "static", tolFlags: "static-tolerance",
		v: f.Static.AngleDeg, tol: f.Static.AngleToleranceDeg, per: 1,
		set: degreesOf(angle), setTol: degreesOf(tolerance), is: func() float64 { return float64(**angle) }})
	return u.said
}

// count is a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// quantity is a number of a file with its unit, without digits that come from
// binary arithmetic only.
func quantity(v float64, unit string) string {
	return fmt.Sprintf("%.10g%s", math.Round(v*1e9)/1e9, unit)
}

// SayOrigins puts what came from an engine file among a result's decisions and
// returns them: in the place of one that says the same, else behind them. One
// that was decided otherwise than was said stands as it is, and the saying
// behind it.
func SayOrigins(decisions, said []analysis.Decision) []analysis.Decision {
next:
	for _, d := range said {
		for i := range decisions {
			if decisions[i].What == d.What && decisions[i].Value == d.Value {
				decisions[i] = d
				continue next
			}
		}
		decisions = append(decisions, d)
	}
	return decisions
}
