package desk

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"sparkscope/analysis/enginefile"
)

type engineQuestion struct {
	TOML string `json:"toml"`
}

// engineAnswer is what an engine file says.
type engineAnswer struct {
	TOML     string            `json:"toml"`
	Values   map[string]string `json:"values"` // by key, as they are typed into a field
	Problems []string          `json:"problems"`
	Doubts   []string          `json:"doubts"`
}

const mostEngineFile = 2 << 20 // bytes

// engine takes an engine file. What is wrong in it is said, and then the file
// from before stays in use.
func (d *Desk) engine(q engineQuestion) (any, error) {
	if len(q.TOML) > mostEngineFile {
		return nil, errors.New("this is no engine file: it is longer than 2 MB")
	}
	a := engineAnswer{TOML: q.TOML, Values: map[string]string{}, Problems: []string{}, Doubts: []string{}}
	f, wrong, doubts := enginefile.Inspect([]byte(q.TOML))
	say := func(p *enginefile.Problem) string {
		s := strings.TrimPrefix(p.Error(), "enginefile: ")
		return s
	}
	for _, p := range wrong {
		a.Problems = append(a.Problems, say(p))
	}
	for _, p := range doubts {
		a.Doubts = append(a.Doubts, say(p))
	}
	if len(wrong) > 0 {
		return a, nil
	}
	d.doc, d.file = []byte(q.TOML), f
	a.Values = d.values()
	return a, nil
}

// values is what the file says, as it is typed into fields.
func (d *Desk) values() map[string]string {
	out := map[string]string{}
	entries, err := enginefile.Entries(d.doc)
	if err != nil {
		return out
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	for _, e := range entries {
		switch v := e.Data.(type) {
		case float64:
			out[e.Key] = number(v)
		case int64:
			out[e.Key] = fmt.Sprint(v)
		case string:
			out[e.Key] = v
		case []float64:
			var s []string
			for _, x := range v {
				s = append(s, number(x))
			}
			out[e.Key] = strings.Join(s, " ")
		case []enginefile.TargetRow:
			var s []string
			for _, r := range v {
				s = append(s, number(*r.RPM)+":"+number(*r.AngleDeg))
			}
			out[e.Key] = strings.Join(s, " ")
		}
	}
	return out
}

type setQuestion struct {
	Key  string `json:"key"`
	Text string `json:"text"` // empty: not known any more
}

// set changes one value of the engine file.
func (d *Desk) set(q setQuestion) (any, error) {
	doc, err := changed(d.doc, q.Key, strings.TrimSpace(q.Text))
	if err != nil {
		return nil, labelled(q.Key, plain(err).Error())
	}
	a, err := d.engine(engineQuestion{string(doc)})
	if err != nil {
		return nil, err
	}
	if p := a.(engineAnswer).Problems; len(p) > 0 {
		return nil, labelled(q.Key, p[0])
	}
	return a, nil
}

// labelled is a message about a key that says too what its field is called.
func labelled(key, message string) error {
	for _, g := range form {
		for _, f := range g.Fields {
			if f.Key == key {
				return fmt.Errorf("%s: %s", f.Label, message)
			}
		}
	}
	return errors.New(message)
}

// flagWords are the command's flags in a message.
var flagWords = regexp.MustCompile(`--[a-z]+(-[a-z]+)*`)

// onPage is a message with the set-up's fields in place of the command's flags; a
// flag for which there is no field stays.
func onPage(message string) string {
	return flagWords.ReplaceAllStringFunc(message, func(flag string) string {
		key, ok := map[string]string{
			"--reference-angle": enginefile.ReferenceAngle, "--reference-angle-tolerance": enginefile.ReferenceAngleTolerance,
			"--reference-channel": enginefile.ReferenceChannel, "--reference-kind": enginefile.ReferenceKind, "--reference-pulses": enginefile.ReferencePulses,
			"--reference-delay": enginefile.ReferenceDelay, "--reference-delay-tolerance": enginefile.ReferenceDelayTolerance,
			"--spark-channel": enginefile.SparkChannel, "--spark-kind": enginefile.SparkKind, "--sparks-per-rev": enginefile.SparkPerRev,
			"--spark-delay": enginefile.SparkDelay, "--spark-delay-tolerance": enginefile.SparkDelayTolerance,
			"--speed-fluctuation": enginefile.EngineSpeedFluctuation, "--target": enginefile.TargetAngle, "--tolerance": enginefile.TargetTolerance,
		}[flag]
		for _, g := range form {
			for _, f := range g.Fields {
				if ok && f.Key == key {
					return fmt.Sprintf("“%s” (set-up, %s)", f.Label, g.Title)
				}
			}
		}
		return flag
	})
}

// changed is doc with one value put in, or taken out where text is empty.
func changed(doc []byte, key, text string) ([]byte, error) {
	list := key == enginefile.EngineFiringOffsets || key == enginefile.TargetTable
	if text == "" || list {
		var err error
		if doc, err = without(doc, key); err != nil || text == "" {
			return doc, err
		}
		line, err := listLine(key, text)
		if err != nil {
			return nil, err
		}
		return inserted(doc, key, line), nil
	}
	if key == enginefile.TargetAngle {
		var err error
		if doc, err = without(doc, enginefile.TargetTable); err != nil { // one of the two
			return nil, err
		}
	}
	s, err := enginefile.SettingOf(key, strings.Replace(text, ",", ".", 1))
	if err != nil {
		return nil, err
	}
	return enginefile.Set(doc, []enginefile.Setting{s})
}

// without puts a value behind a #, so that it is not known any more.
func without(doc []byte, key string) ([]byte, error) {
	entries, err := enginefile.Entries(doc)
	if err != nil {
		return nil, err
	}
	k := slices.IndexFunc(entries, func(e enginefile.Entry) bool { return e.Key == key })
	if k < 0 {
		return doc, nil
	}
	lines := strings.Split(string(doc), "\n")
	at := entries[k].Line - 1
	// A value of several lines goes as a whole: as many as it takes until the
	// file can be read, and no longer says it.
	for n := 1; at+n <= len(lines); n++ {
		out := slices.Clone(lines)
		for i := at; i < at+n; i++ {
			out[i] = "#" + out[i]
		}
		s := []byte(strings.Join(out, "\n"))
		left, err := enginefile.Entries(s)
		if err == nil && len(left) == len(entries)-1 {
			return s, nil
		}
	}
	return nil, fmt.Errorf("%s cannot be taken out of the file: change it by hand", key)
}

// listLine is the line of a list, from how it is typed.
func listLine(key, text string) (string, error) {
	words := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' || r == '/' || r == '\n' })
	_, name, _ := strings.Cut(key, ".")
	number := func(s string) (string, error) {
		v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
		if err != nil {
			return "", fmt.Errorf("%q is no number", s)
		}
		s = strconv.FormatFloat(v, 'f', -1, 64)
		if !strings.Contains(s, ".") {
			s += ".0"
		}
		return s, nil
	}
	var parts []string
	for _, w := range words {
		if key == enginefile.EngineFiringOffsets {
			v, err := number(w)
			if err != nil {
				return "", err
			}
			parts = append(parts, v)
			continue
		}
		rpm, deg, ok := strings.Cut(w, ":")
		if !ok {
			return "", fmt.Errorf("%q: want speed:angle, as in 1500:10 4000:22", w)
		}
		r, err := number(rpm)
		if err != nil {
			return "", err
		}
		a, err := number(deg)
		if err != nil {
			return "", err
		}
		parts = append(parts, fmt.Sprintf("{ rpm = %s, angle_deg = %s }", r, a))
	}
	return name + " = [" + strings.Join(parts, ", ") + "]", nil
}

// inserted puts a line of a table into doc, behind the table's head.
func inserted(doc []byte, key, line string) []byte {
	table, _, _ := strings.Cut(key, ".")
	lines := strings.Split(string(doc), "\n")
	for i, l := range lines {
		if head, _, _ := strings.Cut(l, "#"); strings.TrimSpace(head) == "["+table+"]" {
			return []byte(strings.Join(slices.Insert(lines, i+1, line), "\n"))
		}
	}
	s := strings.TrimRight(string(doc), "\n")
	if s != "" {
		s += "\n\n"
	}
	return []byte(s + "[" + table + "]\n" + line + "\n")
}

// field is one key as a form shows it.
type field struct {
	Key   string   `json:"key"`
	Label string   `json:"label"`
	Unit  string   `json:"unit"`
	Help  string   `json:"help"`
	Words []string `json:"words,omitempty"` // a choice
	Long  bool     `json:"long,omitempty"`
}

// group is a part of the form.
type group struct {
	Title  string  `json:"title"`
	Fields []field `json:"fields"`
}

func (d *Desk) fields(none) (any, error) { return form, nil }

// form is the engine file as a form, what belongs together in one group.
var form = []group{
	{"What it should fire at", []field{
		{Key: enginefile.TargetAngle, Label: "Target", Unit: "°", Help: "crank degrees before top dead centre, from the maker's manual"},
		{Key: enginefile.TargetTable, Label: "Target by speed", Unit: "rpm:°", Help: "instead of one target: 1500:10 4000:22"},
		{Key: enginefile.TargetTolerance, Label: "Tolerance", Unit: "± °", Help: "road engine mostly 2, race engine 0.5 (common practice, no source)"},
	}},
	{"The reference pick-up", []field{
		{Key: enginefile.ReferenceAngle, Label: "Reference angle", Unit: "°", Help: "where it passes its pick-up, before top dead centre; after it: negative"},
		{Key: enginefile.ReferenceAngleTolerance, Label: "Its tolerance", Unit: "± °"},
		{Key: enginefile.ReferenceChannel, Label: "Channel", Help: "empty: found from the signals"},
		{Key: enginefile.ReferenceKind, Label: "Kind", Words: []string{"contact", "coil"}, Help: "contact: reed, Hall, optical; coil: passive magnetic"},
		{Key: enginefile.ReferencePulses, Label: "Pulses per revolution"},
		{Key: enginefile.ReferenceDelay, Label: "Delay", Unit: "µs"},
		{Key: enginefile.ReferenceDelayTolerance, Label: "Delay's tolerance", Unit: "± µs"},
	}},
	{"The spark pick-up", []field{
		{Key: enginefile.SparkChannel, Label: "Channel", Help: "empty: found from the signals"},
		{Key: enginefile.SparkKind, Label: "Kind", Words: []string{"clamp", "microphone", "contacts"}},
		{Key: enginefile.SparkPerRev, Label: "Sparks per revolution", Help: "0.5: every second revolution"},
		{Key: enginefile.SparkDelay, Label: "Delay", Unit: "µs"},
		{Key: enginefile.SparkDelayTolerance, Label: "Delay's tolerance", Unit: "± µs"},
		{Key: enginefile.ConverterSkew, Label: "Channel 2 after channel 1", Unit: "µs"},
		{Key: enginefile.ConverterSkewTolerance, Label: "Its tolerance", Unit: "± µs"},
	}},
	{"The engine", []field{
		{Key: enginefile.EngineName, Label: "Name"},
		{Key: enginefile.EngineStrokesPerCycle, Label: "Strokes per cycle", Help: "2 or 4"},
		{Key: enginefile.EngineFiringOffsets, Label: "Firing offsets", Unit: "°", Help: "one for each cylinder, the first 0: 0 180"},
		{Key: enginefile.EngineRotation, Label: "Rotation", Words: []string{"clockwise", "anticlockwise"}, Help: "seen from the flywheel side"},
		{Key: enginefile.EngineStroke, Label: "Stroke", Unit: "mm"},
		{Key: enginefile.EngineRodLength, Label: "Rod, centre to centre", Unit: "mm"},
		{Key: enginefile.EnginePinOffset, Label: "Pin offset", Unit: "mm", Help: "positive towards the side on which the crank pin goes down"},
		{Key: enginefile.EngineFlywheelDiameter, Label: "Flywheel diameter", Unit: "mm"},
		{Key: enginefile.EngineSpeedFluctuation, Label: "Speed fluctuation", Help: "(fastest - slowest)/mean within one revolution"},
		{Key: enginefile.EngineNotes, Label: "Notes", Long: true},
	}},
	{"The contact breaker", []field{
		{Key: enginefile.ContactsGap, Label: "Gap as set", Unit: "mm"},
		{Key: enginefile.ContactsGapMin, Label: "Least gap allowed", Unit: "mm"},
		{Key: enginefile.ContactsGapMax, Label: "Most gap allowed", Unit: "mm"},
		{Key: enginefile.ContactsPlateDiameter, Label: "Plate diameter", Unit: "mm"},
		{Key: enginefile.ContactsCamTurnsPerRev, Label: "Cam turns per crank turn", Help: "1 or 0.5"},
		{Key: enginefile.ContactsCoilInductance, Label: "Coil's inductance", Unit: "mH", Help: "of a coil that cannot be disconnected"},
		{Key: enginefile.ContactsCoilResistance, Label: "Coil's resistance", Unit: "Ω"},
		{Key: enginefile.ContactsCondenser, Label: "Condenser", Unit: "µF"},
	}},
	{"The static angle", []field{
		{Key: enginefile.StaticAngle, Label: "As read with lamp and wheel", Unit: "°"},
		{Key: enginefile.StaticAngleTolerance, Label: "Its tolerance", Unit: "± °"},
	}},
}
