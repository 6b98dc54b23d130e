package desk

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"sparkscope/analysis/bench"
	"sparkscope/analysis/wheel"
	"sparkscope/report"
)

type benchQuestion struct {
	Calculator string            `json:"calculator"`
	Fields     map[string]string `json:"fields"`
}

// benchFields reads what was typed into a calculator's fields.
type benchFields struct {
	f   map[string]string
	err error
}

// number is a field's number; nil where it is empty.
func (b *benchFields) number(name string) *float64 {
	s := strings.TrimSpace(b.f[name])
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil || v != v || v > 1e9 || v < -1e9 {
		if b.err == nil {
			b.err = fmt.Errorf("%q is no number", s)
		}
		return nil
	}
	return &v
}

// quantity is a field with its ± beside it, or else what the engine file says.
func (b *benchFields) quantity(name string, file *float64) *bench.Quantity {
	tol := b.number(name + "_tolerance")
	if v := b.number(name); v != nil {
		return &bench.Quantity{Value: *v, Tolerance: tol}
	}
	if file != nil {
		return &bench.Quantity{Value: *file, Tolerance: tol, Origin: "from " + engineName}
	}
	return nil
}

// places are readings of a wheel, with spaces or strokes between.
func (b *benchFields) places(g wheel.Graduation, name string) []float64 {
	var out []float64
	for _, w := range strings.FieldsFunc(b.f[name], func(r rune) bool { return r == ' ' || r == '/' || r == ';' || r == '\n' }) {
		v, err := g.Parse(strings.Replace(w, ",", ".", 1))
		if err != nil {
			if b.err == nil {
				b.err = plain(err)
			}
			return nil
		}
		out = append(out, v)
	}
	return out
}

// solver is a calculator with its figures in it.
type solver interface {
	Solve() (*bench.Result, error)
}

// bench works out what is needed before the engine runs.
func (d *Desk) bench(q benchQuestion) (any, error) {
	b := &benchFields{f: q.Fields}
	e, c := d.file.Engine, d.file.Contacts
	rotation, origin := "", ""
	if e.Rotation != nil {
		rotation, origin = *e.Rotation, "from "+engineName
	}
	var s solver
	var missing string
	need := func(given bool, what string) {
		if !given && missing == "" {
			missing = what
		}
	}
	angle := func() *bench.Quantity {
		if v := b.number("angle"); v != nil {
			return &bench.Quantity{Value: *v}
		}
		if v := d.file.Target.AngleDeg; v != nil {
			return &bench.Quantity{Value: *v, Origin: "the target, from " + engineName}
		}
		return nil
	}
	switch q.Calculator {
	case "tdc":
		g := wheel.Graduation(q.Fields["wheel"])
		if g == "" {
			g = wheel.Full
		}
		t := bench.DeadCentre{Graduated: g, DivisionDeg: 1, Readings: b.places(g, "readings")}
		if v := b.number("division"); v != nil {
			t.DivisionDeg = *v
		}
		t.StrokeMM, t.RodMM, t.OffsetMM = b.quantity("stroke", e.StrokeMM), b.quantity("rod", e.RodLengthMM), b.quantity("offset", e.PinOffsetMM)
		if t.StrokeMM == nil || t.RodMM == nil {
			t.StrokeMM, t.RodMM, t.OffsetMM = nil, nil, nil
		}
		need(len(t.Readings) > 0, "the readings at the stop, from both sides: 42 320")
		s = t
	case "drop":
		t := bench.Drop{StrokeMM: b.quantity("stroke", e.StrokeMM), RodMM: b.quantity("rod", e.RodLengthMM), OffsetMM: b.quantity("offset", e.PinOffsetMM)}
		t.DropMM, t.GaugeMM = b.quantity("drop", nil), b.quantity("gauge", nil)
		if v := b.number("incline"); v != nil {
			t.InclineDeg = &bench.Quantity{Value: *v}
		}
		if t.DropMM == nil && t.GaugeMM == nil {
			t.AngleDeg = angle()
		}
		need(t.StrokeMM != nil, "the stroke in mm")
		need(t.RodMM != nil, "the rod from centre to centre in mm")
		need(t.AngleDeg != nil || t.DropMM != nil || t.GaugeMM != nil, "an angle in degrees, or a drop in mm")
		s = t
	case "rim":
		t := bench.Rim{DiameterMM: b.quantity("diameter", e.FlywheelDiameterMM), ArcMM: b.quantity("arc", nil), ChordMM: b.quantity("across", nil), Rotation: rotation, RotationOrigin: origin}
		if t.ArcMM == nil && t.ChordMM == nil {
			t.AngleDeg = angle()
		}
		need(t.DiameterMM != nil, "the flywheel's diameter in mm")
		need(t.AngleDeg != nil || t.ArcMM != nil || t.ChordMM != nil, "an angle in degrees, or a distance in mm")
		s = t
	case "gap":
		t := bench.Gap{LeastMM: b.quantity("least", c.GapMinMM), MostMM: b.quantity("most", c.GapMaxMM), PlateMM: b.quantity("plate", c.PlateDiameterMM), CamTurns: b.quantity("cam", c.CamTurnsPerRev), TargetDeg: angle(), Rotation: rotation, RotationOrigin: origin}
		if p := strings.TrimSpace(q.Fields["pairs"]); p != "" {
			var err error
			if t.Pairs, err = bench.ParsePairs(p); err != nil {
				return nil, plain(err)
			}
		}
		need(len(t.Pairs) > 0, "gaps in mm and the timings measured with them: 0.35:16 0.45:20")
		need(t.TargetDeg != nil, "the target in degrees")
		s = t
	case "tone":
		t := bench.ContactTone{CoilMH: b.quantity("coil", c.CoilInductanceMH), CoilOhm: b.quantity("resistance", c.CoilResistanceOhm), CondenserUF: b.quantity("condenser", c.CondenserUF)}
		s = t
	default:
		return nil, fmt.Errorf("there is no calculator %q", q.Calculator)
	}
	if b.err != nil {
		return nil, b.err
	}
	if missing != "" {
		return nil, fmt.Errorf("want %s", missing)
	}
	r, err := s.Solve()
	if err != nil {
		return nil, plain(err)
	}
	var out bytes.Buffer
	if err := report.BenchJSON(&out, r); err != nil {
		return nil, err
	}
	return json.RawMessage(out.Bytes()), nil
}
