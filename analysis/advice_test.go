package analysis

import (
	"math"
	"strings"
	"testing"

	"sparkscope/dsp"
	"sparkscope/dsp/health"
)

// said is the message of the finding with a code; empty: none.
func said(r *Result, code string) string {
	for _, f := range r.Findings {
		if f.Code == code {
			return f.Message
		}
	}
	return ""
}

// TestPlate: contacts open the earlier the farther their plate is turned
// against the cam; on a shaft of half speed by half as many degrees; and the
// rim moves by π·D·angle/360.
func TestPlate(t *testing.T) {
	for _, c := range []struct {
		name string
		b    Breaker
		d    float64
		want string
	}{
		{"nothing known, later", Breaker{}, -4, "turn the plate by 4.0° of the crankshaft in the direction in which the cam turns (where the cam turns at half the crankshaft's speed, half as many degrees of the plate)"},
		{"nothing known, earlier", Breaker{}, 4, "turn the plate by 4.0° of the crankshaft against the direction in which the cam turns (where"},
		// π·60·2/360 = 1.047
		{"half speed", Breaker{CamTurnsPerRev: ptr(0.5), PlateDiameterMM: ptr(60), Rotation: "clockwise"}, 4, "turn the plate by 2.0° (1.0 mm at its rim) against the direction in which the cam turns"},
		// π·60·4/360 = 2.094
		{"on the crank, earlier", Breaker{CamTurnsPerRev: ptr(1), PlateDiameterMM: ptr(60), Rotation: "clockwise"}, 4, "turn the plate by 4.0° (2.1 mm at its rim) against the direction in which the cam turns (anticlockwise, seen from the flywheel side)"},
		{"on the crank, later", Breaker{CamTurnsPerRev: ptr(1), Rotation: "clockwise"}, -4, "turn the plate by 4.0° in the direction in which the cam turns (clockwise, seen from the flywheel side)"},
	} {
		m := &measurement{given: Setup{Breaker: c.b}}
		got := m.plate(c.d)
		whole := !strings.HasSuffix(c.want, "(where")
		if !strings.HasPrefix(got, c.want) || whole && got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// TestGap: wider fires earlier, narrower later, and only where it is allowed.
func TestGap(t *testing.T) {
	both := Breaker{GapMM: ptr(0.4), GapMinMM: ptr(0.3), GapMaxMM: ptr(0.5)}
	at := func(gap float64) Breaker { b := both; b.GapMM = &gap; return b }
	for _, c := range []struct {
		name      string
		b         Breaker
		d         float64
		want, not string
	}{
		{"earlier", both, 2, "a wider contact gap fires earlier too: 0.40 mm is set, up to 0.50 mm", "narrower"},
		{"later", both, -2, "a narrower contact gap fires later too: 0.40 mm is set, down to 0.30 mm", "wider"},
		{"earlier, at the end", at(0.5), 2, "does not help", "wider"},
		{"later, at the end", at(0.3), -2, "does not help", "narrower"},
		{"later, wide", at(0.5), -2, "a narrower contact gap", "not help"},
		{"setting not said", Breaker{GapMinMM: ptr(0.3), GapMaxMM: ptr(0.5)}, -2, "down to the 0.30 mm that are allowed", "set"},
		{"nothing said", Breaker{}, 2, "a wider contact gap fires earlier too, within the range that the maker states", "narrower"},
	} {
		m := &measurement{given: Setup{Breaker: c.b}}
		if got := m.gap(c.d); !strings.Contains(got, c.want) || strings.Contains(got, c.not) {
			t.Errorf("%s: %q, want %q in it and not %q", c.name, got, c.want, c.not)
		}
	}
}

// TestSetting: what is said of an engine that is set wrong, and that one order
// is given, in the right direction.
func TestSetting(t *testing.T) {
	base := world{prof: pull(), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	at := func(deg float64) world { w := base; w.advance = func(float64) float64 { return deg }; return w }
	hand := world{prof: steady(90, 40), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2, advance: func(float64) float64 { return 24 }}
	rising := base
	rising.advance = func(rpm float64) float64 { return 12 + 14*(rpm-1000)/5000 }
	lagging := base
	lagging.advance = func(rpm float64) float64 { return 18 - 6*200e-6*rpm }
	creeping := base
	creeping.advance = func(rpm float64) float64 { return 18 - 6*40e-6*rpm }
	lagHand := hand
	lagHand.advance = func(rpm float64) float64 { return 18 - (rpm-80)/4 }
	aim := func(target float64) Setup {
		return Setup{ReferenceAngle: deg(30), ReferenceDelayToleranceS: ptr(10e-6), Target: deg(target), Tolerance: deg(2)}
	}
	contacts := aim(18)
	sign := aim(18)
	sign.ReferenceAngle = deg(-30) // truly 30
	contacts.SparkKind = Contacts
	contacts.SpeedFluctuation = ptr(0.05)
	for _, c := range []struct {
		name    string
		w       world
		s       Setup
		codes   []string // said
		no      []string // not said
		in, not []string // of all that is said
		verdict string
	}{
		{name: "4° late", w: at(14), s: aim(18), codes: []string{"timing-offset"}, no: []string{"too-advanced"},
			in: []string{"4.0° (±", "later than the target", "against the direction in which the cam turns", "wider contact gap", "rpm, ", "Beyond doubt the engine fires 4.0°"}, not: []string{"in the direction"}, verdict: Outside},
		{name: "4° early", w: at(22), s: aim(18), codes: []string{"timing-offset"}, no: []string{"too-advanced"},
			in: []string{"4.0° (±", "earlier than the target", "in the direction in which the cam turns", "narrower contact gap"}, not: []string{"against the direction in"}, verdict: Outside},
		{name: "8° early", w: at(26), s: aim(18), codes: []string{"too-advanced"}, no: []string{"timing-offset"},
			in: []string{"Stop: beyond doubt the engine fires 8.0° (±", "by 8.0° of the crankshaft in the direction", "narrower"}, not: []string{"against the direction in"}, verdict: Outside},
		{name: "early at the top only", w: rising, s: aim(14), codes: []string{"too-advanced"}, no: []string{"timing-offset"},
			in: []string{"Stop: at ", "not alike at all speeds"}, not: []string{"turn the plate by"}},
		{name: "late at the bottom, early at the top", w: rising, s: aim(22), codes: []string{"offset-by-speed"}, no: []string{"timing-offset", "too-advanced"},
			in: []string{"does not keep to its target over speed: at 1", "later, at 6", "earlier than the target", "moves all speeds alike", "as an advance curve makes it"}, not: []string{"turn the plate by"}},
		{name: "later with speed", w: lagging, s: aim(18), codes: []string{"offset-by-speed"}, no: []string{"timing-offset", "too-advanced"},
			in: []string{"later, at 6000 rpm it fires 7.2° (±0.8°) later than the target", "as a fixed delay makes it", "Beyond doubt the engine does not keep"}, not: []string{"turn the plate by"}, verdict: Outside},
		{name: "later with speed, within the tolerance", w: creeping, s: aim(18), no: []string{"offset-by-speed", "timing-offset", "too-advanced"}},
		{name: "later with speed, turned by hand", w: lagHand, s: contacts, no: []string{"offset-by-speed"}},
		{name: "twice the target", w: at(26), s: aim(13), codes: []string{"too-advanced", "double-angle"}, no: []string{"timing-offset"},
			in: []string{"Stop: ", "mix-up would explain it"}, not: []string{"turn the plate"}, verdict: Outside},
		{name: "half the target", w: at(12), s: aim(24), codes: []string{"double-angle"}, no: []string{"timing-offset", "too-advanced"},
			not: []string{"turn the plate"}, verdict: Outside},
		{name: "minus the target", w: at(-18), s: aim(18), codes: []string{"minus-target"}, no: []string{"timing-offset", "too-advanced", "double-angle"},
			not: []string{"turn the plate"}, verdict: Outside},
		{name: "sign of the reference", w: at(18), s: sign, codes: []string{"reference-sign"}, no: []string{"timing-offset", "too-advanced"},
			not: []string{"turn the plate"}, verdict: Outside},
		{name: "turned by hand", w: hand, s: aim(18), codes: []string{"timing-offset"}, no: []string{"too-advanced"},
			in: []string{"6.0° (±", "earlier"}, not: []string{"piston", "knock"}},
		{name: "contacts turned by hand", w: hand, s: contacts, codes: []string{"timing-offset"}, no: []string{"too-advanced"},
			in: []string{"the contacts open 6.0° (±", "earlier than the target", "turn the plate by 6.0°"}, not: []string{"piston", "knock"}},
		{name: "5° early with a small target is no doubling", w: at(15.1), s: aim(10), codes: []string{"too-advanced"}, no: []string{"double-angle"},
			in: []string{"by 5.1° of the crankshaft in the direction"}, verdict: Outside},
		{name: "as it should be", w: at(18), s: aim(18), no: []string{"timing-offset", "too-advanced"}, verdict: Within},
	} {
		res, err := Measure(record(c.w), c.w.build().trains, c.s)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		all := ""
		for _, code := range []string{"timing-offset", "offset-by-speed", "too-advanced", "minus-target", "reference-sign", "double-angle"} {
			all += said(res, code) + "\n"
		}
		for _, code := range c.codes {
			if said(res, code) == "" {
				t.Errorf("%s: %s not said, but %q", c.name, code, all)
			}
		}
		for _, code := range c.no {
			if s := said(res, code); s != "" {
				t.Errorf("%s: %s said: %q", c.name, code, s)
			}
		}
		wording(t, c.name, all, c.in, c.not)
		if v := res.Verdict; c.verdict != "" && v.Decision != c.verdict {
			t.Errorf("%s: %s, doubt %q, probability %g; want %s", c.name, v.Decision, v.Doubt, v.Probability, c.verdict)
		}
	}
}

// TestThresholds: each limit is said once, in a unit, with its source.
func TestThresholds(t *testing.T) {
	seen := map[string]bool{}
	mains := map[string]int{}
	for _, x := range Thresholds() {
		if x.Code == "" || x.Quantity == "" || x.Source == "" || strings.TrimLeft(x.Unit, "1 ") == "" || !(x.Value > 0) || math.IsInf(x.Value, 0) {
			t.Errorf("%+v: want all fields, and a unit in words", x)
		}
		if key := x.Code + x.Quantity; seen[key] {
			t.Errorf("%s: %s twice", x.Code, x.Quantity)
		} else {
			seen[key] = true
		}
		if x.Main {
			mains[x.Code]++
		}
	}
	for code, n := range mains {
		if n != 1 {
			t.Errorf("%s has %d main limits, want 1", code, n)
		}
	}
}

// TestContactBounce: a firing counts once, however many pulses follow its spark;
// 120 % of the firings were said to bounce. Echoes that a microphone hears are no
// bounce, and what a cut-off or smeared input may have made is noted, with what to
// mend first, and is no fault of the engine.
func TestContactBounce(t *testing.T) {
	w := world{prof: pull(), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2, repeat: 0.2}
	setup := Setup{ReferenceAngle: deg(30), ReferenceDelayToleranceS: ptr(50e-6)}
	const after = 200e-6 // s: what follows a second spark
	twice := func(m *made) {
		tr := &m.trains[m.sparkCh-1]
		var out []dsp.Pulse
		for i, p := range tr.Pulses {
			out = append(out, p)
			// 15° at 6000 rpm are 0.42 ms.
			if i > 0 && p.Pos-tr.Pulses[i-1].Pos < 15.0/360*60/1000*testRate {
				p.Pos += after * testRate
				out = append(out, p)
			}
		}
		tr.Pulses = out
	}
	smeared := func(hz float64) func(*made) Recording {
		return func(m *made) Recording {
			rec := record(w)
			rec.Health = []health.Channel{{Channel: 1, Rate: testRate}, {Channel: 2, Rate: testRate}}
			rec.Health[m.sparkCh-1].Cliff = health.Cliff{Found: hz > 0, Hz: hz, DropDB: 40}
			return rec
		}
	}
	for _, v := range []struct {
		name   string
		kind   SparkKind
		edit   func(*made)
		health func(*made) Recording
		want   Severity // empty: not found
		say    string
	}{
		{name: "a fifth", want: Warning, say: "the contacts bounce"},
		{name: "a fifth, each twice", edit: twice, want: Warning, say: "the contacts bounce"},
		{name: "a microphone", kind: Microphone},
		{name: "cut off", edit: func(m *made) {
			for i := range m.trains[m.sparkCh-1].Pulses {
				m.trains[m.sparkCh-1].Pulses[i].Clipped = true
			}
		}, want: Note, say: "pulses are cut off"},
		{name: "a few cut off", edit: func(m *made) {
			for i := range m.trains[m.sparkCh-1].Pulses[:10] {
				m.trains[m.sparkCh-1].Pulses[i].Clipped = true
			}
		}, want: Warning, say: "the contacts bounce"},
		{name: "smeared", health: smeared(12000), want: Note, say: "breaks off at 12.0 kHz"},
		{name: "not smeared", health: smeared(0), want: Warning, say: "the contacts bounce"},
	} {
		m := w.build()
		if v.edit != nil {
			v.edit(&m)
		}
		rec := record(w)
		if v.health != nil {
			rec = v.health(&m)
		}
		s := setup
		if s.SparkKind = v.kind; v.kind == Microphone {
			s.SparkDelayS = 1e-3
		}
		r, err := Measure(rec, m.trains, s)
		if err != nil {
			t.Errorf("%s: %v", v.name, err)
			continue
		}
		var f Finding
		for _, g := range r.Findings {
			if g.Code == "contact-bounce" {
				f = g
			}
		}
		if f.Severity != v.want || !strings.Contains(f.Message, v.say) || f.Engine != (v.want == Warning) {
			t.Errorf("%s: %s, of the engine: %v: %q: want %q and %q", v.name, f.Severity, f.Engine, f.Message, v.want, v.say)
		}
		// 20 % by construction, of some two hundred: within three standard deviations.
		if share := float64(f.Count) / float64(r.Counts.OK); v.want != "" && math.Abs(share-0.2) > 0.09 {
			t.Errorf("%s: %d of %d firings, %.0f %%: want about a fifth", v.name, f.Count, r.Counts.OK, 100*share)
		}
		if note := said(r, "repeated-sparks"); strings.Contains(note, "contact") == (v.kind == Microphone) {
			t.Errorf("%s: %q", v.name, note)
		}
	}
}

// TestMissedByBounce: a reference that is there, but so far off by bounce that it
// was not taken, is no matter of the gap; one that is not there is. Any default
// recording of a reed to 6000 rpm was told to check its gap.
func TestMissedByBounce(t *testing.T) {
	w := world{prof: steady(3000, 4), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
	for _, v := range []struct {
		name  string
		late  float64 // s; 0: not there at all
		want  string
		never string
	}{
		{"late by bounce", 0.4e-3, "bounces", "Check the gap"},
		{"not there", 0, "Check the gap", "bounces"},
	} {
		m := w.build()
		tr := &m.trains[m.refCh-1]
		var out []dsp.Pulse
		for i, p := range tr.Pulses {
			if i%40 == 20 {
				if v.late == 0 {
					continue
				}
				p.Pos += v.late * testRate
			}
			out = append(out, p)
		}
		tr.Pulses = out
		r, err := Measure(record(w), m.trains, Setup{ReferenceAngle: deg(30)})
		if err != nil {
			t.Errorf("%s: %v", v.name, err)
			continue
		}
		if got := said(r, "missed-references"); !strings.Contains(got, v.want) || strings.Contains(got, v.never) {
			t.Errorf("%s: %q: want %q and no %q", v.name, got, v.want, v.never)
		}
	}
}

// TestCheckReedLimit: check says from which speed on a reed's closed time is as
// short as its bounce, as measure does, and takes nothing from its fitness.
func TestCheckReedLimit(t *testing.T) {
	for rpm, want := range map[float64]bool{6000: true, 4000: false} { // 14° closed: 4667 rpm
		w := world{prof: steady(rpm, 3), refAngle: 30, refKind: dsp.Contact, scatter: 0.3, seed: 2}
		r, err := Check(record(w), w.build().trains, Setup{})
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, f := range r.Findings {
			if f.Code == "reed-speed-limit" {
				found = true
				if f.Severity != Note {
					t.Errorf("%g rpm: %s", rpm, f.Severity)
				}
			}
		}
		if found != want || r.Fit != Fit {
			t.Errorf("%g rpm: found %v, want %v; fit %q", rpm, found, want, r.Fit)
		}
	}
}
