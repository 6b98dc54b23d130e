package enginefile

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Entry is something that a file says.
type Entry struct {
	Key    string
	Line   int    // from 1
	Value  string // in words, with its unit
	Remark string // what stands behind it after a #; empty: nothing
	// Data is the value itself: a float64, an int64, a string, a []float64 or a
	// []TargetRow, in the key's unit.
	Data any
}

// Entries are all that a file says, in the order in which keys are written; the
// error is that of Parse.
func Entries(doc []byte) ([]Entry, error) {
	doc = bytes.TrimPrefix(doc, []byte(byteOrderMark))
	f, lay, err := parse(doc)
	if err != nil {
		return nil, err
	}
	var all []Entry
	for _, k := range keys {
		data := k.data(&f)
		if data == nil {
			continue
		}
		e := Entry{Key: k.name, Line: lay.line(k.name), Value: k.inWords(data), Data: data}
		if p, ok := lay.find(k.name); ok && p.to > p.from {
			rest, _, _ := bytes.Cut(doc[p.to:], []byte("\n"))
			if r := strings.TrimSpace(string(rest)); strings.HasPrefix(r, "#") {
				e.Remark = strings.TrimSpace(strings.TrimLeft(r, "#"))
			}
		}
		all = append(all, e)
	}
	return all, nil
}

// data is what a file says for a key, see Entry.Data; nil: nothing.
func (k key) data(f *File) any {
	switch p := k.at(f).(type) {
	case **float64:
		if *p != nil {
			return **p
		}
	case **int64:
		if *p != nil {
			return **p
		}
	case **string:
		if *p != nil {
			return **p
		}
	case *[]float64:
		if *p != nil {
			return slices.Clone(*p)
		}
	case *[]TargetRow:
		if *p != nil {
			return slices.Clone(*p)
		}
	}
	return nil
}

// inWords is a value in words, with its unit.
func (k key) inWords(data any) string {
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) + unitOf(k.name) }
	var list []string
	switch v := data.(type) {
	case float64:
		return number(v)
	case int64:
		return number(float64(v))
	case string:
		return v
	case []float64:
		for _, x := range v {
			list = append(list, number(x))
		}
	case []TargetRow:
		for _, r := range v {
			list = append(list, fmt.Sprintf("%g° at %g rpm", *r.AngleDeg, *r.RPM))
		}
	}
	return strings.Join(list, ", ")
}

// unitOf is the unit of a key as people write it, from its name.
func unitOf(key string) string {
	for _, u := range [][2]string{{"_mm", " mm"}, {"_deg", "°"}, {"_us", " µs"}, {"_mh", " mH"}, {"_ohm", " Ω"}, {"_uf", " µF"}} {
		if strings.HasSuffix(key, u[0]) {
			return u[1]
		}
	}
	return ""
}

// Step is a step of the job, and what of it the file knows.
type Step struct {
	Name  string
	With  string // the command that does it, without the program's name
	Lacks []Lack // without which it cannot be done
	Helps []Lack // without which it can be done less well
}

// Lack is something that a file does not say.
type Lack struct {
	Keys []string // any one of them
	Why  string   // what it is for, a clause without a full stop
}

// target is said by either of two keys.
var target = []string{TargetAngle, TargetTable}

// job are the steps in the order in which they are done, with all that they can
// use.
var job = []Step{
	{"Top dead centre, by piston stop and wheel", "bench tdc", nil, []Lack{
		{[]string{EngineRotation}, "the way in which the wheel is turned"},
	}},
	{"Degrees from the piston's drop, and back", "bench drop", []Lack{
		{[]string{EngineStroke}, "the crank's throw is half of it"},
		{[]string{EngineRodLength}, "a short rod moves the piston more than a long one"},
	}, []Lack{
		{[]string{EnginePinOffset}, "without it the pin runs straight above the crankshaft"},
	}},
	{"Marks on the flywheel's rim", "bench rim", []Lack{
		{[]string{EngineFlywheelDiameter}, "it turns degrees into millimetres of the rim"},
		{target, "where the mark goes"},
	}, []Lack{
		{[]string{EngineRotation}, "which side of the mark is before top dead centre"},
	}},
	{"Contact gap against timing", "bench gap", []Lack{
		{target, "what the gap is to give"},
	}, []Lack{
		{[]string{ContactsGapMin}, "the least gap allowed; where timing asks for less, the plate is turned"},
		{[]string{ContactsGapMax}, "the greatest gap allowed; where timing asks for more, the plate is turned"},
		{[]string{ContactsGap}, "the gap as it is set"},
		{[]string{ContactsPlateDiameter}, "it turns degrees of the plate into millimetres of its rim"},
		{[]string{ContactsCamTurnsPerRev}, "on a shaft at half speed the plate's degrees count double"},
	}},
	{"Static timing, by lamp, tone or recording", "contacts", nil, []Lack{
		{target, "where the contacts should open"},
		{[]string{TargetTolerance}, "how near is near enough"},
		{[]string{StaticAngle}, "where they do open, to compare the running engine with"},
	}},
	{"Reference angle, where the magnet passes its pick-up", "calibrate wheel", nil, []Lack{
		{[]string{EngineRotation}, "the way in which the wheel is turned"},
	}},
	{"The running engine, measured", "measure", []Lack{
		{[]string{ReferenceAngle}, "without it no angle counts from top dead centre"},
	}, []Lack{
		{[]string{ReferenceAngleTolerance}, "without it a default goes into the ±"},
		{[]string{ReferenceDelay}, "a reed is 0.1 to 0.5 ms late"},
		{[]string{ReferenceDelayTolerance}, "without it a default goes into the ±"},
		{[]string{SparkDelayTolerance}, "without it a default goes into the ±"},
		{[]string{ReferenceKind}, "else it is found from the signal"},
	}},
	{"The verdict", "measure", []Lack{
		{target, "what it is judged against"},
		{[]string{TargetTolerance}, "how near is near enough"},
		{[]string{ReferenceAngle}, "without it no angle counts from top dead centre"},
	}, nil},
	{"Several cylinders, each by itself", "measure", []Lack{
		{[]string{EngineFiringOffsets}, "when each cylinder fires after the first; [0.0] for a single one"},
		{[]string{EngineStrokesPerCycle}, "whether each fires in every revolution"},
	}, nil},
}

// Steps are the steps of the job in their order, each with what the file does
// not say of what it can use. An engine of one cylinder has no use for the last.
func (f File) Steps() []Step {
	lacking := func(of []Lack) (out []Lack) {
		for _, l := range of {
			if !slices.ContainsFunc(l.Keys, f.says) {
				out = append(out, Lack{slices.Clone(l.Keys), l.Why})
			}
		}
		return out
	}
	var all []Step
	for _, s := range job {
		if f.Cylinders() == 1 && s.Lacks != nil && s.Lacks[0].Keys[0] == EngineFiringOffsets {
			continue
		}
		all = append(all, Step{s.Name, s.With, lacking(s.Lacks), lacking(s.Helps)})
	}
	return all
}

// says whether the file says anything for a key.
func (f File) says(name string) bool {
	k, ok := keyOf(name)
	return ok && k.data(&f) != nil
}
