package analysis

import (
	"errors"
	"math"
	"slices"

	"sparkscope/dsp"
	"sparkscope/dsp/health"
)

// Fitness says whether a recording can be measured.
type Fitness string

const (
	Fit      Fitness = "yes"
	Doubtful Fitness = "doubts" // it can be measured, and something is wrong that may spoil the result
	Unfit    Fitness = "no"
)

// CheckResult is the health of a recording, before any angle.
type CheckResult struct {
	Recording Recording
	Setup     Setup // as given, with what was found filled in
	Fit       Fitness
	Channels  []ChannelCheck // in order
	Decisions []Decision     // in the order in which they were taken
	// Findings are what is wrong, what most stands in the way first; each says
	// what to change. The first is why a recording is unfit, where it is.
	Findings       []Finding
	Revolutions    int // 0 when it cannot be measured
	MinRPM, MaxRPM float64
}

// Role says what a channel was taken for.
type Role string

const (
	SparkRole     Role = "spark"
	ReferenceRole Role = "reference"
	BothRoles     Role = "both" // both pick-ups on one input
	NoRole        Role = "none" // nothing that repeats, or a channel that is not used
	UnknownRole   Role = "unknown"
)

// ChannelCheck is what is known of one channel. Levels are fractions of full
// scale.
type ChannelCheck struct {
	Channel int
	Role    Role
	Why     string // what the role was taken from; may be empty
	Health  health.Channel
	Peak    float64 // highest |sample| of the whole recording
	Clipped float64 // share of samples at the end stop, 0 to 1
	Noise   float64 // rms between pulses
	// SNR is from the height of the pulses that matter to the rms of the noise,
	// dB; valid when HasSNR.
	SNR    float64
	HasSNR bool
	Grade  string // the SNR in a word: "good", "fair", "poor"; empty without one
	Hum    HumCheck
	Pulses []PulseCheck // each kind of pulse that repeats, those that matter first
}

// HumCheck is the mains hum of a channel.
type HumCheck struct {
	Judged bool    // false: the engine's own lines hide where it would be
	Found  bool    //
	BaseHz float64 // 50 or 60, when Found
	Peak   float64 // of the hum, fraction of full scale, when Found
}

// PulseCheck is one kind of pulse of a channel.
type PulseCheck struct {
	Kind     string // "burst", "contact", "coil": what the front looks like
	Use      string // "spark", "reference", "crosstalk", or "other"
	Classes  []int  // its classes, as indices of the channel's dsp.Train.Shapes
	N        int
	PerS     float64 // as often as the median distance says; 0 when not known
	Polarity int     // +1 or -1: direction of the front as recorded
	Amp      float64 // fraction of full scale
	WidthS   float64 // contact: closed time; coil: from lobe to lobe; 0 when not known
	SigmaS   float64 // random standard uncertainty of one pulse's time, the median
	// Wave is the averaged shape, StepS from value to value, its greatest
	// excursion 1; the timing point is OriginS after Wave[0]. Nil: none.
	Wave    []float64
	StepS   float64
	OriginS float64
}

// ofTheRecording are the findings of a measurement that a check repeats: those
// about the recording itself, none about angles or about what the user said.
var ofTheRecording = []string{
	"recording", "clipping", "low-level", "roles-unsure", "same-signal", "reference-burst", "reference-kind",
	"missed-references", "surplus-references", "reference-gaps", "other-sparks", "sparks-unsure", "missing-samples",
	"noise-suppression", "dropouts", "gain-pumping", "band-limit", "onset-unsure", "noise", "hum", "clipped-before", "rest-level", "leak-only",
}

// Check says what state a recording is in. It never refuses because of what
// was recorded: what Measure would refuse makes the recording unfit, with the
// reason as the first finding. The error is that of Setup.Validate, or says
// that there are no channels.
func Check(rec Recording, trains []dsp.Train, setup Setup) (*CheckResult, error) {
	p, err := prepare(rec, trains, setup)
	if err != nil {
		return nil, err
	}
	trains, setup = p.trains, p.setup
	roles := p.roles
	out := &CheckResult{Recording: rec, Setup: setup, Fit: Fit}
	measured, err := p.measure()
	var refused *CannotMeasureError
	switch {
	case errors.As(err, &refused):
		out.Findings = append(out.Findings, Finding{Code: refused.Code, Severity: Serious, Message: refused.Error()})
		if roles != nil {
			out.Findings = append(out.Findings, healthFindings(&rec, roles, setup.SparkKind)...)
		}
	case err != nil:
		return nil, err
	default:
		out.Setup = measured.Setup
		out.Decisions = measured.Decisions
		out.Revolutions, out.MinRPM, out.MaxRPM = measured.Counts.Revolutions, measured.MinRPM, measured.MaxRPM
		for _, f := range measured.Findings {
			if f.Code == "reed-speed-limit" {
				f.Severity = Note // of angles above a speed; if it is a reed at all
				out.Findings = append(out.Findings, f)
			}
			if slices.Contains(ofTheRecording, f.Code) {
				out.Findings = append(out.Findings, f)
			}
		}
	}
	groups := make([][]*group, len(trains))
	for i := range trains {
		groups[i] = mergeSplit(groupsOf(i, &trains[i]))
	}
	if roles != nil {
		out.Setup.SparkChannel, out.Setup.ReferenceChannel = roles.sparkTrain.Channel, roles.refTrain.Channel
	}
	for i := range trains {
		c := checkChannel(&trains[i], healthOf(rec.Health, trains[i].Channel), groups[i], roles)
		if roles == nil {
			var engine []*group
			for _, gs := range groups {
				if g := mainGroup(gs, anyGroup); g != nil {
					engine = append(engine, g)
				}
			}
			if h := healthOf(rec.Health, c.Channel); h != nil {
				main := mainGroup(groups[i], anyGroup)
				out.Findings = append(out.Findings, channelFindings(h, main, "repeating", setup.SparkKind, engine, false, trains[i].Level)...)
				c.Hum = humCheck(humOf(h, engine, trains[i].Level, main))
			}
		}
		out.Channels = append(out.Channels, c)
	}
	if roles == nil {
		for i := range rec.Health {
			for k := range i {
				if f, ok := leakFinding(&rec.Health[k], &rec.Health[i]); ok {
					out.Findings = append(out.Findings, f)
				}
			}
		}
	}
	for _, d := range out.Decisions {
		for i := range out.Channels {
			c := &out.Channels[i]
			if (d.What == "spark channel" && c.Role == SparkRole || d.What == "reference channel" && (c.Role == ReferenceRole || c.Role == BothRoles)) && !d.Given {
				c.Why = d.Why
			}
		}
	}
	rank := map[Severity]int{Serious: 0, Warning: 1, Note: 2}
	slices.SortStableFunc(out.Findings, func(a, b Finding) int { return rank[a.Severity] - rank[b.Severity] })
	if len(out.Findings) > 0 {
		switch out.Findings[0].Severity {
		case Serious:
			out.Fit = Unfit
		case Warning:
			out.Fit = Doubtful
		}
	}
	return out, nil
}

func healthOf(all []health.Channel, channel int) *health.Channel {
	for i := range all {
		if all[i].Channel == channel {
			return &all[i]
		}
	}
	return nil
}

func humCheck(h humFound) HumCheck {
	return HumCheck{Judged: h.judged, Found: h.found, BaseHz: h.baseHz, Peak: h.peak}
}

// checkChannel gathers what is known of one channel; h may be nil and roles
// too.
func checkChannel(t *dsp.Train, h *health.Channel, groups []*group, r *roles) ChannelCheck {
	c := ChannelCheck{Channel: t.Channel, Role: UnknownRole, Peak: t.Level.Peak, Noise: t.Level.Noise}
	if t.Frames > 0 {
		c.Clipped = float64(t.Level.Clipped) / float64(t.Frames)
	}
	if h != nil {
		c.Health = *h
		c.Noise = h.Noise
		c.Clipped = math.Max(c.Clipped, h.Clipped)
	}
	if len(groups) == 0 {
		c.Role = NoRole
	}
	uses := func(*group) string { return "other" }
	if r != nil {
		spark, ref := r.sparkTrain.Channel == t.Channel, r.refTrain.Channel == t.Channel
		switch {
		case spark && ref:
			c.Role = BothRoles
		case spark:
			c.Role = SparkRole
		case ref:
			c.Role = ReferenceRole
		default:
			c.Role = NoRole
		}
		uses = func(g *group) string {
			switch {
			case spark && r.spark.has(g.classes[0]):
				return "spark"
			case ref && r.ref.has(g.classes[0]):
				return "reference"
			}
			other := r.ref
			if ref {
				other = r.spark
			}
			if spark != ref && other != nil {
				if share, _, sd := coincidence(g, other, coincidentS); share > 0.8 && sd < crosstalkSdS {
					return "crosstalk"
				}
			}
			return "other"
		}
		if h != nil {
			main := r.spark
			if ref && (!spark || r.ref.amp < r.spark.amp) {
				main = r.ref
			}
			c.Hum = humCheck(humOf(h, []*group{r.ref, r.spark}, t.Level, main))
		}
	}
	for _, g := range groups {
		p := PulseCheck{Kind: g.kind.String(), Use: uses(g), Classes: slices.Clone(g.classes), N: len(g.t), Polarity: g.polarity, Amp: g.amp, WidthS: g.width, SigmaS: median(g.sigma)}
		var d []float64
		for i := 1; i < len(g.t); i++ {
			d = append(d, g.t[i]-g.t[i-1])
		}
		if m := median(d); m > 0 {
			p.PerS = 1 / m
		}
		rate := float64(t.Rate)
		if s := t.Shapes[g.classes[0]]; len(s.Wave) > 0 {
			p.Wave, p.StepS, p.OriginS = slices.Clone(s.Wave), 1/rate, s.WaveOrigin/rate
		} else if h != nil {
			p.Wave, p.OriginS = averaged(h, g, rate)
			p.StepS = 1 / rate
		}
		if slices.ContainsFunc(p.Wave, func(v float64) bool { return !finite(v) }) {
			p.Wave = nil
		}
		c.Pulses = append(c.Pulses, p)
	}
	order := map[string]int{"spark": 0, "reference": 0, "other": 1, "crosstalk": 2}
	slices.SortStableFunc(c.Pulses, func(a, b PulseCheck) int { return order[a.Use] - order[b.Use] })
	// Where noise is suppressed, what is left is not the input's.
	cut := false
	if h != nil {
		drop, _ := suppressed(h, mainGroup(groups, anyGroup))
		cut = silenced(h) || drop > 0
	}
	if len(c.Pulses) > 0 && c.Pulses[0].Amp > 0 && c.Noise > 0 && !cut {
		amp := c.Pulses[0].Amp
		for _, p := range c.Pulses[1:] { // both pick-ups on one input: the lower counts
			if order[p.Use] == 0 {
				amp = math.Min(amp, p.Amp)
			}
		}
		c.SNR, c.HasSNR = decibels(amp/c.Noise), true
		switch {
		case c.SNR >= goodSNR:
			c.Grade = "good"
		case c.SNR >= poorSNR:
			c.Grade = "fair"
		default:
			c.Grade = "poor"
		}
	}
	return c
}

// averaged draws the shape of pulses that are not timed by one, as a coil's:
// the mean of those within the stretch that was kept, to the nearest sample.
func averaged(h *health.Channel, g *group, rate float64) (wave []float64, originS float64) {
	reach := 1.5 * g.width * rate
	if g.width <= 0 {
		reach = 1e-3 * rate
	}
	n := int(reach)
	if n < 4 {
		return nil, 0
	}
	wave = make([]float64, 2*n+1)
	used := 0
	for _, t := range g.t {
		at := int(math.Round(t*rate)) - int(h.SampleStart)
		if at-n < 0 || at+n >= len(h.Sample) {
			continue
		}
		if used++; used > 64 {
			break
		}
		for i := range wave {
			wave[i] += float64(h.Sample[at-n+i])
		}
	}
	if used == 0 {
		return nil, 0
	}
	rest := (wave[0] + wave[2*n]) / 2
	top := 0.0
	for i := range wave {
		wave[i] -= rest
		top = math.Max(top, math.Abs(wave[i]))
	}
	if top == 0 {
		return nil, 0
	}
	for i := range wave {
		wave[i] /= top
	}
	return wave, float64(n) / rate
}
