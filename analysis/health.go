package analysis

import (
	"fmt"
	"math"
	"slices"

	"sparkscope/dsp"
	"sparkscope/dsp/health"
)

// Limits of what is said about a channel's state. Common practice, no source,
// where none is named; each is tested from both sides.
const (
	humWarn    = 0.25 // peak of the hum as a part of the pulses' height
	humNote    = 0.05
	poorSNR    = 20.0 // dB from a pulse's height to the rms of the noise: the least that the study of timing covers
	goodSNR    = 34.0 // dB: a clean pulse is timed to some hundredths of a sample from here on
	liveSteps  = 3.0  // an input's noise must be so many steps of the converter before stillness means anything
	stillShare = 0.05 // of the recording at exact zero: above it is no accident
	pumpRise   = 1.5  // of the noise from one pulse to the next: 3.5 dB
	pumpRange  = 2.0  // of noise and pulses together in the course of the recording: 6 dB
	pumpGaps   = 8
	climbRise  = 1.2 // of the noise by the time since a pulse, in the end: 1.6 dB, five times what chance leaves
	gateDrop   = 4.0 // of the noise between two pulses, at once: 12 dB
	closeDrop  = 2.5 // of the noise by the time since a pulse: 8 dB, twice as often as chance leaves between neighbours
	flatShare  = 0.2 // of the pulses that end flat at one level
	restLimit  = 0.1 // of full scale
	leakGain   = 0.5
	leakRest   = 0.1
	// A channel that ends below it does not show the onset of a spark. Sparks ring
	// at some 10 kHz, half a swing of which takes 50 µs (design figure of the onset
	// model): what ends lower passes none of it, and swings at its own limit.
	onsetLeastHz = 10e3
	slackHz      = 2.0  // an engine's line this near 50 or 60 Hz hides hum
	smearHz      = 15.0 // a line that wanders further within a stretch is none
	plateauBelow = 0.97 // of full scale: beyond it is the converter's own end stop
)

// humFound is the mains hum of a channel.
type humFound struct {
	judged bool // found, or stretches were free of the engine's own lines at 50 and at 60 Hz
	found  bool
	baseHz float64
	peak   float64 // fraction of full scale
}

// humOf joins what a channel's stretches say, leaving out those in which the
// engine turned so that its own lines lie where hum would: at 3000 rpm once per
// revolution is 50 Hz. Of the others, harmonics that an engine's line falls upon
// are left out too: 9000 rpm is the third of 50 Hz. Hum of both 50 and 60 Hz must
// have had its chance before it is said that there is none.
//
// Where no stretch tells, there is the hum that was taken out ahead of timing,
// fitted between the pulses. An engine held at 3000 rpm leaves some of itself in
// that: it counts from humWarn of the height of main's pulses on, and that there
// is none it cannot say.
func humOf(h *health.Channel, engine []*group, level dsp.Level, main *group) humFound {
	out := humFound{judged: true}
	for _, base := range []float64{50, 60} {
		usable := 0
		var strength []float64
		for _, s := range h.Hum {
			if linesAt(base, s.FromS, s.ToS, engine) {
				continue
			}
			usable++
			if s.Found && s.Mains.BaseHz == base {
				var power float64
				for k, rms := range s.Mains.Harmonics {
					if k == 0 || !linesAt(float64(k+1)*base, s.FromS, s.ToS, engine) {
						power += rms * rms
					}
				}
				strength = append(strength, math.Sqrt(power))
			}
		}
		out.judged = out.judged && usable > 0
		if peak := math.Sqrt2 * median(strength); 2*len(strength) > usable && peak > out.peak {
			out.found, out.baseHz, out.peak = true, base, peak
		}
	}
	if !out.found && !out.judged && main != nil && level.Hum > 0 && level.Hum >= humWarn*main.amp {
		out.found, out.baseHz, out.peak = true, 50, level.Hum
		if level.HumHz > 55 {
			out.baseHz = 60
		}
	}
	out.judged = out.judged || out.found
	return out
}

// linesAt says whether a steady train among groups puts a line near hz within
// a stretch: at its rate, a multiple, a half or one and a half of it.
func linesAt(hz, from, to float64, groups []*group) bool {
	for _, g := range groups {
		a, _ := slices.BinarySearch(g.t, from)
		b, _ := slices.BinarySearch(g.t, to)
		if b-a < 4 {
			continue
		}
		d := make([]float64, 0, b-a-1)
		for i := a + 1; i < b; i++ {
			if v := g.t[i] - g.t[i-1]; v > 0 {
				d = append(d, v)
			}
		}
		if len(d) < 3 {
			continue
		}
		slices.Sort(d)
		slow, fast := 1/d[len(d)-1-len(d)/10], 1/d[len(d)/10]
		orders := []float64{0.5, 1, 1.5}
		for k := 2.0; k*slow-slackHz <= hz && k < 100; k++ {
			orders = append(orders, k)
		}
		for _, k := range orders {
			if k*slow-slackHz <= hz && hz <= k*fast+slackHz && k*(fast-slow) < smearHz {
				return true
			}
		}
	}
	return false
}

// decibels is a ratio of levels in dB.
func decibels(ratio float64) float64 { return 20 * math.Log10(ratio) }

// channelFindings is what is wrong with a channel as recorded. main are its
// pulses that matter, nil when it has none; what names them in a sentence:
// "spark", "reference", "pulse". engine are the trains whose rate is the engine's;
// cut says that clippingFinding speaks of these pulses.
func channelFindings(h *health.Channel, main *group, what string, kind SparkKind, engine []*group, cut bool, level dsp.Level) []Finding {
	var out []Finding
	find := func(code string, sev Severity, count int, first float64, format string, args ...any) {
		out = append(out, Finding{Code: code, Severity: sev, Count: count, FirstS: first, Message: fmt.Sprintf(format, args...)})
	}
	n := h.Channel
	s, all := h.Silence, h.Rate.Seconds(float64(h.Frames))
	if silenced(h) {
		find("noise-suppression", Warning, s.Runs, s.FirstS, "Channel %d is cut to exact silence between its pulses, %.0f %% of the time: the recorder suppresses noise, and takes weak pulses and the first part of others with it. Switch off noise suppression, speech enhancement and automatic gain, or use another input.", n, 100*s.TotalS/all)
	} else if drop, ms := suppressed(h, main); drop > 0 && kind != Microphone {
		// What falls silent then is no piece that is missing.
		find("noise-suppression", Warning, 0, 0, "The noise on channel %d drops by %.0f dB, some %s after each pulse: the recorder suppresses noise, and takes weak pulses with it, and the beginnings of others. Switch off noise suppression, speech enhancement and automatic gain, or use another input.", n, drop, ms)
	} else if s.Runs > 0 && noisy(h) {
		find("dropouts", Warning, s.Runs, s.FirstS, "Channel %d is cut to exact silence for %s in all, up to %s at a time: pieces of the recording are missing, and what follows may come too early or too late. Close other programs, let the recorder use larger buffers, record to the computer's own disk.", n, milliseconds(s.TotalS), milliseconds(s.LongestS))
	}
	if dB := pumping(h, main); dB > 0 {
		find("gain-pumping", Warning, 0, 0, "The gain of channel %d changes with the pulses, by %.0f dB or more: automatic gain control. Heights and the smaller pulses cannot be trusted. Switch it off (it may be called automatic level, microphone boost or speech enhancement), or use a line input.", n, dB)
	}
	if c := h.Cliff; c.Found {
		if converted(h) {
			find("band-limit", Note, 0, 0, "Channel %d holds nothing above %.1f kHz, although it was written at %.4g kHz: it was recorded at a lower rate and converted. It times no better than at that rate.", n, c.Hz/1000, float64(h.Rate)/1000)
		} else {
			find("band-limit", Warning, 0, 0, "The spectrum of channel %d breaks off at %.1f kHz, as a lossy music or voice format or a telephone leaves it. That smears the fronts of the pulses, also ahead of them. Record straight to WAV, without compression and without any processing of speech.", n, c.Hz/1000)
		}
	}
	if main == nil || !(main.amp > 0) {
		return out
	}
	if h.Noise > 0 {
		if dB := decibels(main.amp / h.Noise); dB < poorSNR {
			find("noise", Warning, 0, 0, "The %s pulses on channel %d stand only %.0f dB above the noise: some may be missed, others taken for pulses, and their times scatter. Bring the pick-up nearer, use a screened lead, raise the level at the source rather than at the recorder.", what, n, dB)
		}
	}
	if hum := humOf(h, engine, level, main); hum.found {
		if part := hum.peak / main.amp; part >= humNote {
			sev := Note
			if part >= humWarn {
				sev = Warning
			}
			find("hum", sev, 0, 0, "Mains hum of %.0f Hz on channel %d, %s of the %s pulses' height. Keep the leads away from mains leads and chargers, use screened ones with the screen earthed at one end, run the laptop on its battery.", hum.baseHz, n, percent(part), what)
		}
	}
	// Where the pulses were timed as cut off, that has been said.
	if p := h.Plateau; !cut && main.kind == dsp.Burst && p.Share >= flatShare && math.Abs(p.Level+h.Rest) < plateauBelow {
		sev := Note
		if p.Share >= 0.5 {
			sev = Warning
		}
		find("clipped-before", sev, 0, 0, cutOffText, fmt.Sprintf("%.0f %% of the", 100*p.Share), what, n, percent(math.Abs(p.Level+h.Rest)))
	}
	if main.kind != dsp.Contact && math.Abs(h.Rest) > restLimit {
		find("rest-level", Note, 0, 0, "Channel %d rests at %s of full scale instead of at zero, which takes away room for pulses. A capacitor in the lead, or another input, takes the constant voltage away.", n, percent(h.Rest))
	}
	return out
}

// cutOffText wants how many ("3 of 4", "40 % of the"), of what, where, at which level.
const cutOffText = "%s %s pulses on channel %d are cut off flat at %s of full scale, below the end stop of the input: something before the recorder is overdriven, and turning the recording level down does not help. Turn down what comes before it (pre-amplifier, microphone boost), clip the clamp on more loosely, or put a divider in its lead."

// clippingFinding says that so many of a group's pulses are cut off: at the end
// stop of the input, or, where the recording is known never to get there, before it.
func clippingFinding(tr *dsp.Train, g *group, what string, clipped int, first float64, h *health.Channel) Finding {
	sev := Note
	if 5*clipped > len(g.t) {
		sev = Warning
	}
	f := Finding{Code: "clipping", Severity: sev, Count: clipped, FirstS: first}
	if h != nil && tr.Level.Peak < plateauBelow {
		f.Code = "clipped-before"
		f.Message = fmt.Sprintf(cutOffText, fmt.Sprintf("%d of %d", clipped, len(g.t)), what, tr.Channel, percent(tr.Level.Peak))
	} else {
		f.Message = fmt.Sprintf("%d of %d %s pulses on channel %d run into the end stop of the input. Their fronts are used all the same, but turn the level down until none does; where that changes nothing, the recorder sets it by itself: switch its automatic gain off.", clipped, len(g.t), what, tr.Channel)
	}
	return f
}

// cutPulses says whether any of a group's pulses was timed as cut off.
func cutPulses(tr *dsp.Train, g *group) bool {
	return slices.ContainsFunc(tr.Pulses, func(p dsp.Pulse) bool { return p.Clipped && g.has(p.Class) })
}

// milliseconds words a time below a second or so.
func milliseconds(s float64) string {
	if s >= 1 {
		return fmt.Sprintf("%.1f s", s)
	}
	return fmt.Sprintf("%.0f ms", 1000*s)
}

// noisy says whether an input has noise enough of its own that exact silence
// cannot be chance.
func noisy(h *health.Channel) bool { return h.Step > 0 && h.Live >= liveSteps*h.Step }

// silenced says whether a channel is cut to silence between its pulses, rather
// than here and there.
func silenced(h *health.Channel) bool {
	return noisy(h) && h.Silence.Runs >= 5 && h.Silence.TotalS > stillShare*h.Rate.Seconds(float64(h.Frames))
}

// gated says whether the noise between pulses is level, drops within one part
// of the way by 12 dB or more, and is level again. Ringing and echoes die
// away gradually. A switch does not ring: on its channel noise that dies away
// does as well.
func gated(h *health.Channel, main *group) bool {
	x := h.Gaps.Noise
	if h.Gaps.N < pumpGaps || h.Step <= 0 || slices.Max(x) < liveSteps*h.Step {
		return false
	}
	if last := math.Max(x[len(x)-1], h.Step/2); main != nil && main.kind == dsp.Contact && x[0] > gateDrop*last && x[2] > 1.5*last {
		return true
	}
	level := func(s []float64) bool { return slices.Max(s) <= 1.4*math.Max(slices.Min(s), h.Step) }
	for k := 2; k <= len(x)-3; k++ {
		if a, b := x[:k], x[k+1:]; level(a) && level(b) && slices.Min(a) > gateDrop*math.Max(slices.Max(b), h.Step/2) {
			return true
		}
	}
	return false
}

// suppressed says by how many dB a noise gate turns a channel down between pulses,
// and in words how long after one; 0 when there is none.
func suppressed(h *health.Channel, main *group) (dB float64, after string) {
	if atS, drop := closes(h); drop > 0 {
		return decibels(drop), milliseconds(atS)
	}
	if gated(h, main) {
		x := h.Gaps.Noise
		return decibels(slices.Max(x) / math.Max(x[len(x)-1], h.Step)), "time"
	}
	return 0, ""
}

// closes looks for a noise gate in the noise by the time since a pulse: level for
// an octave or more, at closeDrop of that or less within two octaves, and never
// back; or, as a gate of a slow release has it, level for three octaves and then down,
// however long that takes. Ringing that dies away is never level so long, unless it would
// last for tens of milliseconds. It says when that is half done, and the ratio of the whole fall.
func closes(h *health.Channel) (atS, drop float64) {
	for _, c := range []struct {
		level, within int // parts, of half an octave each
		drop          float64
	}{{2, 4, closeDrop}, {6, len(h.Gaps.Since), gateDrop}} {
		if atS, drop := fallen(h, c.level, c.within, c.drop); drop > 0 {
			return atS, drop
		}
	}
	return 0, 0
}

// fallen looks for noise that is level for so many parts of the time since a pulse
// and one more, falls to 1/drop of that or below within so many parts, and does not come back.
func fallen(h *health.Channel, level, within int, drop float64) (atS, ratio float64) {
	const (
		steady = 1.2 // largest ratio of parts: chance leaves less over eight pulses
		back   = 0.7
	)
	x := h.Gaps.Since
	for k := level + 1; k < len(x); k++ {
		lo, hi := x[k-1].Noise, x[k-1].Noise
		for _, s := range x[k-level-1 : k] {
			lo, hi = math.Min(lo, s.Noise), math.Max(hi, s.Noise)
		}
		if hi > steady*lo || lo < liveSteps*h.Step || !(h.Step > 0) {
			continue
		}
		least := lo
		for _, s := range x[k:min(k+within, len(x))] {
			least = math.Min(least, math.Max(s.Noise, h.Step/2))
		}
		if lo < drop*least {
			continue
		}
		half := k
		for x[half].Noise > math.Sqrt(lo*least) {
			half++
		}
		if slices.ContainsFunc(x[half:], func(s health.Since) bool { return s.Noise > back*lo }) {
			return 0, 0
		}
		for _, s := range x[k:] {
			least = math.Min(least, math.Max(s.Noise, h.Step/2))
		}
		return x[half].FromS, lo / least
	}
	return 0, 0
}

// pumping says by how many dB the gain of a channel changes with its pulses; 0
// when it does not. Gain that comes back after a loud pulse lifts the noise
// towards the next one, which nothing else does: what pulses leave behind dies
// away. Or pulses and noise change together from one moment to the next, down
// where pulses are many; an engine's own pulses may change as well, but not
// the noise of the input along with them.
func pumping(h *health.Channel, main *group) float64 {
	floor := 1.5 * h.Step
	if x := h.Gaps.Noise; h.Gaps.N >= pumpGaps && slices.Min(x) > floor {
		n := len(x)
		early, middle, late := (x[0]+x[1])/2, (x[n/2-1]+x[n/2])/2, (x[n-2]+x[n-1])/2
		if x[n-1] >= pumpRise*x[0] && late > middle && middle > early {
			return decibels(x[n-1] / x[0])
		}
	}
	if r := climbs(h); r > 0 {
		return decibels(r)
	}
	if main == nil || main.kind == dsp.Lobes { // a coil's pulses grow with speed
		return 0
	}
	var noise, height, rate []float64
	for _, w := range h.Windows {
		if w.Pulses > 0 && w.Noise > floor && w.Height > 0 {
			noise = append(noise, math.Log(w.Noise))
			height = append(height, math.Log(w.Height))
			rate = append(rate, math.Log(float64(w.Pulses)))
		}
	}
	if len(noise) < 10 {
		return 0
	}
	spread := func(x []float64) float64 {
		y := slices.Clone(x)
		slices.Sort(y)
		return y[len(y)-1-len(y)/10] - y[len(y)/10]
	}
	sn, sh := spread(noise), spread(height)
	if least := math.Log(pumpRange); sn < least || sh < least || sn > 2*sh || sh > 2*sn {
		return 0
	}
	if correlation(noise, height) < 0.85 || correlation(height, rate) > 0.2 {
		return 0
	}
	return decibels(math.Exp(math.Min(sn, sh)))
}

// climbs looks for gain that comes back in the noise by the time since a pulse,
// where only some gaps are long enough to see it, as while an engine is cranked: the
// noise rises for two octaves and a half, each half at least as loud as the one
// before, by climbRise in all, to the end. It says by how much, and 0 where it does
// not. Each gap is compared with its own beginning, so that neither speed nor level
// of the engine comes into it.
func climbs(h *health.Channel) (rise float64) {
	const parts = 5 // half octaves
	x := h.Gaps.Since
	if len(x) < 2*parts {
		return 0
	}
	last, early := x[len(x)-1].Noise, x[0].Noise
	for _, s := range x[:len(x)-parts] {
		early = math.Max(early, s.Noise)
	}
	if early <= 1.5*h.Step || last < climbRise*early {
		return 0
	}
	for k := len(x) - parts; k < len(x); k++ {
		if x[k].Noise < x[k-1].Noise {
			return 0
		}
	}
	return last / x[0].Noise
}

// correlation of two equally long samples (Pearson); 0 where one does not vary.
func correlation(x, y []float64) float64 {
	var mx, my float64
	for i := range x {
		mx += x[i] / float64(len(x))
		my += y[i] / float64(len(x))
	}
	var xy, xx, yy float64
	for i := range x {
		xy += (x[i] - mx) * (y[i] - my)
		xx += (x[i] - mx) * (x[i] - mx)
		yy += (y[i] - my) * (y[i] - my)
	}
	if !(xx > 1e-12) || !(yy > 1e-12) {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}

// leakFinding is what to say when one channel holds nothing but a weak copy of
// the other.
func leakFinding(a, b *health.Channel) (Finding, bool) {
	gain, rest, ok := health.Likeness(a, b)
	if !ok {
		return Finding{}, false
	}
	from, to := a.Channel, b.Channel
	size := math.Abs(gain)
	if size > 1 {
		from, to, size = to, from, 1/size
	}
	if rest > leakRest || size >= leakGain {
		return Finding{}, false
	}
	return Finding{Code: "leak-only", Severity: Serious, Message: fmt.Sprintf("Channel %d holds nothing but what leaks over from channel %d (%s of it): its own pick-up does not come in. Check its plug, lead and battery, and that the socket is stereo.", to, from, percent(size))}, true
}

// healthFindings are those of a recording's channels, roles known.
func healthFindings(rec *Recording, r *roles, kind SparkKind) []Finding {
	var out []Finding
	engine := []*group{r.ref, r.spark}
	for i := range rec.Health {
		h := &rec.Health[i]
		switch h.Channel {
		case r.sparkTrain.Channel:
			main, what := r.spark, "spark"
			if r.single && r.ref.amp < r.spark.amp {
				main, what = r.ref, "reference"
			}
			out = append(out, channelFindings(h, main, what, kind, engine, cutPulses(r.sparkTrain, main), r.sparkTrain.Level)...)
			if c := h.Cliff; c.Found && c.Hz < onsetLeastHz && kind != Contacts {
				out = append(out, Finding{Code: "onset-unsure", Severity: Warning, Message: fmt.Sprintf("The sparks' channel %d holds nothing above %.1f kHz. A spark's pulse sets out more quickly than that: which of the swings that are left was the first cannot be told, and the spark may be timed too early or too late by one of them, %.0f µs and more. Record straight to WAV, without compression and without any processing of speech.", h.Channel, c.Hz/1000, 1e6/(2*c.Hz))})
			}
		case r.refTrain.Channel:
			out = append(out, channelFindings(h, r.ref, "reference", "", engine, cutPulses(r.refTrain, r.ref), r.refTrain.Level)...)
		}
	}
	for i := range rec.Health {
		for k := range i {
			if f, ok := leakFinding(&rec.Health[k], &rec.Health[i]); ok {
				out = append(out, f)
			}
		}
	}
	return out
}

// converted says whether a spectrum ends where that of a lower sampling rate
// does, rather than where a lossy format cuts it.
func converted(h *health.Channel) bool {
	c := h.Cliff
	return c.Found && float64(h.Rate) > 80000 && (c.Hz > 18500 && c.Hz < 24500 || c.Hz > 40000 && c.Hz < 48500)
}
