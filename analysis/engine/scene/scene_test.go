package scene

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sparkscope/analysis/engine"
	"sparkscope/dsp/synth"
)

func profile(t testing.TB, text string) engine.Profile {
	t.Helper()
	p, err := engine.ParseProfile(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func render(t testing.TB, s Spec) (*Truth, [][]float64) {
	t.Helper()
	truth, src, err := Render(s)
	if err != nil {
		t.Fatal(err)
	}
	return truth, src.All()
}

// quiet is a spec without any disturbance, in floating point.
func quiet(t testing.TB) Spec {
	s := Default()
	s.Engine.Profile = profile(t, "1500 hold 200ms, ramp 4000 at 10000, hold 200ms")
	s.Bits, s.NoiseDB, s.ACHz, s.HumLevel = 0, 300, 0, 0
	s.SparkIntoReference, s.ReferenceIntoSpark = 0, 0
	return s
}

// What concerns samples only must not move an event.
func TestTruthDoesNotDependOnSamples(t *testing.T) {
	base := quiet(t)
	base.Engine.MissProbability, base.Engine.RepeatProbability = 0.1, 0.1
	want, _, err := Render(base)
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Spec){
		"family":    func(s *Spec) { s.Family = "front-s" },
		"converter": func(s *Spec) { s.Kernel = "gentle-minimum" },
		"noise":     func(s *Spec) { s.NoiseDB = 10 },
		"bits":      func(s *Spec) { s.Bits = 8 },
		"layout":    func(s *Spec) { s.Layout = OneChannel },
		"polarity":  func(s *Spec) { s.SparkInverted = true },
		"pick-up":   func(s *Spec) { s.Pickup = Coil },
		"coupling":  func(s *Spec) { s.ACHz, s.HumLevel = 50, 0.1 },
		"bounce":    func(s *Spec) { s.BounceS = 0 },
		"seed":      func(s *Spec) { s.Seed = 99 },
		"echoes":    func(s *Spec) { s.Echoes = []Echo{{0.002, 0.5}} },
		"input": func(s *Spec) {
			s.AGC = &synth.AGC{Target: 0.2, MaxGainDB: 20, AttackS: 1e-3, ReleaseS: 0.1}
			s.Gate = &synth.Gate{Open: 0.01, FloorDB: -30, AttackS: 1e-3, ReleaseS: 0.01}
			s.Codec = &synth.Codec{BandHz: 12000, SNRdB: 15}
			s.ACHz, s.ACQ, s.ShelfHz, s.ShelfDB = 15, 0.7, 30, 6
		},
	} {
		s := base
		change(&s)
		got, _, err := Render(s)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Events) != len(want.Events) {
			t.Errorf("%s: %d events: want %d", name, len(got.Events), len(want.Events))
			continue
		}
		for i, e := range got.Events {
			if e.Event != want.Events[i].Event || e.AppearsS != want.Events[i].AppearsS {
				t.Errorf("%s: event %d is %+v: want %+v", name, i, e, want.Events[i])
				break
			}
		}
	}
}

func TestSeedsReproduce(t *testing.T) {
	s := Default()
	s.Engine.Profile = profile(t, "3000 hold 300ms")
	s.InterferenceRate = 20
	_, a := render(t, s)
	s.Seed++
	_, b := render(t, s)
	s.Family = "changing"
	_, c := render(t, s)
	_, d := render(t, s)
	for ch := range a {
		if slices.Equal(a[ch], b[ch]) {
			t.Errorf("channel %d: another seed gave the same samples", ch+1)
		}
		if !slices.Equal(c[ch], d[ch]) {
			t.Errorf("channel %d: the same seed gave other samples", ch+1)
		}
	}
}

// Blocks of any size give the same samples, to the last bit.
func TestBlocksDoNotMatter(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := Default()
		s.Engine.Profile = profile(t, "5000 hold 60ms")
		s.Pickup = rapid.SampledFrom([]Pickup{Reed, Hall, Coil}).Draw(rt, "pick-up")
		s.Kernel = rapid.SampledFrom([]string{"sharp", "gentle-minimum", "none"}).Draw(rt, "converter")
		_, want := render(t, s)
		_, src, err := Render(s)
		if err != nil {
			rt.Fatal(err)
		}
		var at int
		for done := false; !done; {
			dst := make([][]float64, src.Channels())
			n := rapid.IntRange(1, 3000).Draw(rt, "block")
			for i := range dst {
				dst[i] = make([]float64, n)
			}
			n, done = src.Next(dst)
			for i := range dst {
				if !slices.Equal(dst[i][:n], want[i][at:at+n]) {
					rt.Fatalf("frames %d to %d of channel %d differ", at, at+n, i+1)
				}
			}
			at += n
		}
		if at != len(want[0]) {
			rt.Fatalf("%d frames: want %d", at, len(want[0]))
		}
	})
}

// The noise is as strong as stated: σ = level / 10^(dB/20).
func TestSignalToNoise(t *testing.T) {
	s := quiet(t)
	for _, db := range []float64{20, 40, 60} {
		s.NoiseDB = 300
		_, clean := render(t, s)
		s.NoiseDB = db
		_, noisy := render(t, s)
		for ch := range clean {
			var sum float64
			for i, v := range noisy[ch] {
				sum += (v - clean[ch][i]) * (v - clean[ch][i])
			}
			got := math.Sqrt(sum / float64(len(clean[ch])))
			want := 0.5 / math.Pow(10, db/20)
			// Standard deviation of that figure: 1/sqrt(2n), 0.5 %; four of them.
			if tol := 4 / math.Sqrt(2*float64(len(clean[ch]))); math.Abs(got/want-1) > tol {
				t.Errorf("%g dB, channel %d: noise of %g: want %g within %.1g %%", db, ch+1, got, want, 100*tol)
			}
		}
	}
}

// crossings gives where x passes level going up (or down), by straight lines
// between samples, in samples.
func crossings(x []float64, level float64, up bool) []float64 {
	var out []float64
	for i := 1; i < len(x); i++ {
		a, b := x[i-1]-level, x[i]-level
		if (up && a < 0 && b >= 0) || (!up && a >= 0 && b < 0) {
			out = append(out, float64(i-1)+a/(a-b))
		}
	}
	return out
}

// edgeNear gives where x passes level near position at, by sinc interpolation
// under a Hann window 60 samples long and bisection.
func edgeNear(x []float64, level, at float64) float64 {
	value := func(p float64) float64 {
		var v float64
		for n := int(p) - 29; n <= int(p)+30; n++ {
			d := p - float64(n)
			w := math.Cos(math.Pi * d / 61)
			k := 1.0
			if d != 0 {
				k = math.Sin(math.Pi*d) / (math.Pi * d)
			}
			v += w * w * k * (x[n] - level)
		}
		return v
	}
	lo, hi := at-0.5, at+0.5
	up := value(hi) > value(lo)
	for range 40 {
		if m := (lo + hi) / 2; (value(m) > 0) == up {
			hi = m
		} else {
			lo = m
		}
	}
	return (lo + hi) / 2
}

// A contact seen through a linear-phase converter passes half its height at
// its edge. Tolerance: what the interpolation between samples leaves.
func TestContactEdges(t *testing.T) {
	for _, rise := range []float64{0, 30e-6} {
		s := quiet(t)
		s.Pickup, s.Kernel, s.RiseS = Hall, "gentle", rise
		s.RateHz = 96000
		truth, x := render(t, s)
		refs := truth.Of(engine.Reference)
		seen := 0
		for _, r := range refs {
			for i, edge := range []float64{r.AppearsS, r.EndS + s.ReferenceDelayS} {
				want := edge * s.RateHz
				if want < 40 || want > float64(truth.Frames)-40 {
					continue
				}
				seen++
				if d := edgeNear(x[1], s.ReferenceLevel/2, want) - want; math.Abs(d) > 0.002 {
					t.Errorf("rise %g s: edge %d of the reference at %g s is %g samples from its truth", rise, i+1, r.AppearsS, d)
				}
			}
		}
		if seen < 30 {
			t.Errorf("only %d edges", seen)
		}
	}
}

// A reed opens and closes again only while it may bounce; then it stays.
func TestBounceStaysInside(t *testing.T) {
	for _, c := range []struct {
		nc     bool
		bounce float64
	}{{false, 400e-6}, {true, 400e-6}, {false, 5e-3}} { // the last longer than the magnet acts
		nc := c.nc
		s := quiet(t)
		s.Kernel, s.RiseS, s.RateHz = "none", 0, 384000
		s.BounceS, s.NormallyClosed = c.bounce, nc
		s.ReferenceDelayS = 150e-6
		truth, x := render(t, s)
		bounces := 0
		for _, e := range truth.Of(engine.Reference) {
			on, off := e.AppearsS, e.EndS+s.ReferenceDelayS
			if off+1e-3 > float64(truth.Frames)/s.RateHz {
				continue
			}
			// Sums of 0.4 and -0.4 are not quite 0.
			at := func(t float64) float64 { return math.Round(1e9*x[1][int(t*s.RateHz)]) / 1e9 }
			closed, open := s.ReferenceLevel, 0.0 // of the contact, whatever the magnet does
			// The magnet makes it enter `active`; bounce follows closing.
			active, rest := s.ReferenceLevel, 0.0
			if nc {
				active, rest = 0, s.ReferenceLevel
			}
			if at(on-10e-6) != rest || at(on+5e-6) != active {
				t.Errorf("normally closed %t: level %g just before, %g just after the magnet acts: want %g, %g", nc, at(on-10e-6), at(on+5e-6), rest, active)
			}
			from, until, next := on, min(on+s.BounceS, on+0.8*(off-on)), off
			if nc {
				from, until, next = off, off+s.BounceS, off+1e-3
			}
			for u := from + 5e-6; u < next-5e-6; u += 2.6e-6 {
				switch v := at(u); {
				case v == open && u > until+3e-6:
					t.Fatalf("normally closed %t: open again %g s after closing: want bounce to end after %g s", nc, u-from, until-from)
				case v == open:
					bounces++
				case v != closed:
					t.Fatalf("level %g: want %g or %g", v, open, closed)
				}
			}
		}
		if bounces == 0 {
			t.Errorf("normally closed %t: no bounce at all", nc)
		}
	}
}

// A coil's zero crossing is its truth, and its lobes grow with speed and
// shrink in time.
func TestCoilCrossing(t *testing.T) {
	for _, kernel := range []string{"sharp", "none"} {
		s := quiet(t)
		s.Pickup, s.Kernel, s.RateHz = Coil, kernel, 44100
		s.Engine.Profile = profile(t, "600 hold 300ms, ramp 12000 in 700ms, hold 200ms")
		truth, x := render(t, s)
		for _, e := range truth.Of(engine.Reference) {
			pos := e.AppearsS * s.RateHz
			half := s.CoilSpacingDeg / 2 / (6 * e.MomentRPM) * s.RateHz
			a, b := int(pos-1.5*half), int(pos+1.5*half)+1
			if a < 1 || b >= len(x[1]) {
				continue
			}
			// The crossing by a cubic through its four neighbours; the passage
			// is an odd function there, so that is good to 1e-3 sample even
			// with the summits 2.4 samples away.
			c := crossings(x[1][a:b], 0, false)
			if len(c) != 1 {
				t.Fatalf("%s: %d crossings at %g rpm: want 1", kernel, len(c), e.MomentRPM)
			}
			i := a + int(c[0])
			f := c[0] - math.Floor(c[0])
			for range 5 {
				p := cubic(x[1][i-1:i+3], f)
				slope := (cubic(x[1][i-1:i+3], f+1e-4) - p) / 1e-4
				f -= p / slope
			}
			if d := float64(i) + f - pos; math.Abs(d) > 0.003 {
				t.Errorf("%s: crossing at %g rpm is %g samples from its truth", kernel, e.MomentRPM, d)
			}
			if top := slices.Max(x[1][a:b]); math.Abs(top/(0.4*e.MomentRPM/6000)-1) > 0.15 {
				t.Errorf("%s: lobe of %g at %g rpm: want %g", kernel, top, e.MomentRPM, 0.4*e.MomentRPM/6000)
			}
		}
	}
}

func cubic(y []float64, f float64) float64 {
	return -f*(f-1)*(f-2)/6*y[0] + (f+1)*(f-1)*(f-2)/2*y[1] - (f+1)*f*(f-2)/2*y[2] + (f+1)*f*(f-1)/6*y[3]
}

func TestLayouts(t *testing.T) {
	s := quiet(t)
	s.NoiseDB = 50
	_, stereo := render(t, s)
	s.Layout = Swapped
	truth, swapped := render(t, s)
	if !slices.Equal(stereo[0], swapped[1]) || !slices.Equal(stereo[1], swapped[0]) || truth.SparkChannel != 2 || truth.ReferenceChannel != 1 {
		t.Error("swapped: want the channels of stereo the other way round")
	}
	s.Layout = Identical
	_, same := render(t, s)
	if !slices.Equal(same[0], same[1]) {
		t.Error("identical: want two equal channels")
	}
	s.NoiseDB = 300
	s.Layout = OneChannel
	truth, one := render(t, s)
	s.Layout = Stereo
	_, two := render(t, s)
	if len(one) != 1 || truth.SparkChannel != 1 || truth.ReferenceChannel != 1 {
		t.Fatalf("one: %d channels, spark on %d, reference on %d: want all on one", len(one), truth.SparkChannel, truth.ReferenceChannel)
	}
	for i, v := range one[0] {
		if math.Abs(v-two[0][i]-two[1][i]) > 1e-12 {
			t.Fatalf("one: frame %d is %g: want the sum of both pick-ups %g", i, v, two[0][i]+two[1][i])
		}
	}
	for _, l := range []Layout{DeadSpark, DeadReference} {
		s.Layout = l
		truth, x := render(t, s)
		dead := 0
		if l == DeadReference {
			dead = 1
		}
		if slices.Max(x[dead]) > 1e-12 || slices.Max(x[1-dead]) < 0.1 || []int{truth.SparkChannel, truth.ReferenceChannel}[dead] != 0 {
			t.Errorf("%s: want one silent channel and one alive", l)
		}
	}
}

// Crosstalk, polarity, offset, clipping and rounding act as stated.
func TestChannelEffects(t *testing.T) {
	s := quiet(t)
	_, clean := render(t, s)
	s.SparkIntoReference, s.DC = -0.3, 0.01
	s.SparkInverted = true
	_, x := render(t, s)
	for i := range x[0] {
		if want := -clean[0][i] + 0.01; math.Abs(x[0][i]-want) > 1e-12 {
			t.Fatalf("inverted spark channel: frame %d is %g: want %g", i, x[0][i], want)
		}
		if want := clean[1][i] + 0.3*clean[0][i] + 0.01; math.Abs(x[1][i]-want) > 1e-12 {
			t.Fatalf("reference with crosstalk: frame %d is %g: want %g", i, x[1][i], want)
		}
	}
	for _, bits := range []int{8, 16, 24} {
		s := quiet(t)
		s.Bits, s.SparkLevel = bits, 3
		_, x := render(t, s)
		full := math.Ldexp(1, bits-1)
		if top, low := slices.Max(x[0]), slices.Min(x[0]); top != 1-1/full || low != -1 {
			t.Errorf("%d bits, clipped: from %g to %g: want -1 to %g", bits, low, top, 1-1/full)
		}
		for i, v := range x[1] {
			if v*full != math.Round(v*full) {
				t.Fatalf("%d bits: frame %d is %g: want a whole number of steps", bits, i, v)
			}
			if math.Abs(v-clean[1][i]) > 0.5/full+1e-12 {
				t.Fatalf("%d bits: frame %d is %g: want %g within half a step", bits, i, v, clean[1][i])
			}
		}
	}
}

// One pole: a step decays as exp(-2π·fc·t).
func TestCoupling(t *testing.T) {
	s := quiet(t)
	s.Engine.Profile = profile(t, "60 hold 1500ms")
	s.Pickup, s.Engine.ClosedDeg, s.ACHz = Hall, 100, 20
	truth, x := render(t, s)
	for _, e := range truth.Of(engine.Reference)[:1] {
		n := e.AppearsS * s.RateHz
		for _, dt := range []float64{1e-3, 5e-3, 20e-3} {
			i := int(n + dt*s.RateHz)
			want := 0.4 * math.Exp(-2*math.Pi*20*(float64(i)-n)/s.RateHz)
			if got := x[1][i]; math.Abs(got-want) > 1e-3*0.4 {
				t.Errorf("%g s after the edge: %g: want %g", dt, got, want)
			}
		}
	}
}

// A recorder's fast clock stretches everything.
func TestClock(t *testing.T) {
	s := quiet(t)
	slow, _ := render(t, s)
	s.ClockPPM = 100
	fast, _ := render(t, s)
	a, b := slow.Of(engine.Spark), fast.Of(engine.Spark)
	for i := range b {
		if want := a[i].AppearsS * 1.0001; math.Abs(b[i].AppearsS-want) > 1e-12 {
			t.Fatalf("spark %d at %g s: want %g", i, b[i].AppearsS, want)
		}
	}
}

func TestCSVHasEveryEvent(t *testing.T) {
	s := Default()
	s.Engine.MissProbability, s.Engine.RepeatProbability, s.Engine.ReferenceMissProb = 0.1, 0.1, 0.05
	s.Engine.ClosingDeg, s.ClosingLevel, s.InterferenceRate = 110, 0.1, 2
	truth, _, err := Render(s)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := truth.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	last := -1.0
	for _, line := range strings.Split(b.String(), "\n") {
		if line == "" || strings.HasPrefix(line, "#") || strings.HasPrefix(line, "time_s") {
			continue
		}
		w := strings.Split(line, ",")
		count[w[4]]++
		var at float64
		if _, err := fmt.Sscan(w[0], &at); err != nil || at < last {
			t.Fatalf("row %q: want times in order", line)
		}
		last = at
	}
	for _, k := range []engine.Kind{engine.Spark, engine.Repeated, engine.Missed, engine.Reference, engine.MissedReference, engine.Closing, Interference} {
		if n := len(truth.Of(k)); n == 0 || count[string(k)] != n {
			t.Errorf("%s: %d rows: want %d, and some", k, count[string(k)], n)
		}
	}
}

func TestValidate(t *testing.T) {
	if err := Default().Validate(); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Spec){
		"rate":      func(s *Spec) { s.RateHz = math.NaN() },
		"bits":      func(s *Spec) { s.Bits = 12 },
		"pick-up":   func(s *Spec) { s.Pickup = "lamp" },
		"layout":    func(s *Spec) { s.Layout = "" },
		"family":    func(s *Spec) { s.Family = "bang" },
		"converter": func(s *Spec) { s.Kernel = "brick" },
		"magnets":   func(s *Spec) { s.Engine.MagnetDeg = engine.EqualMagnets(36) },
		"noise":     func(s *Spec) { s.NoiseDB = math.Inf(-1) },
		"engine":    func(s *Spec) { s.Engine.EveryRevolutions = 3 },
		"jerk":      func(s *Spec) { s.Engine.Jerk = 1 },
		"distance":  func(s *Spec) { s.MicrophoneM = -1 },
		"echo":      func(s *Spec) { s.Echoes = []Echo{{0, 0.5}} },
		"loud echo": func(s *Spec) { s.Echoes = []Echo{{1e-3, 1.5}} },
		"quality":   func(s *Spec) { s.ACQ = 0.01 },
		"shelf":     func(s *Spec) { s.ShelfHz, s.ShelfDB = 20, 50 },
		"clipping":  func(s *Spec) { s.ClipDB = -3 },
		"gain":      func(s *Spec) { s.AGC = &synth.AGC{Target: -1} },
		"gate":      func(s *Spec) { s.Gate = &synth.Gate{Open: 0.1, FloorDB: 10, AttackS: 1e-3, ReleaseS: 0.1} },
		"codec":     func(s *Spec) { s.Codec = &synth.Codec{SNRdB: 1} },
	} {
		s := Default()
		change(&s)
		if _, _, err := Render(s); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Every family gives pulses of the stated size where the truth says.
func TestFamiliesSize(t *testing.T) {
	for _, f := range synth.Families() {
		s := quiet(t)
		s.Engine.Profile = profile(t, "1500 hold 150ms")
		s.Family, s.SparkVariation, s.RateHz = f.Name, 0, 192000
		truth, x := render(t, s)
		for _, e := range truth.Of(engine.Spark) {
			n := int(e.AppearsS * s.RateHz)
			if n+800 > len(x[0]) {
				continue
			}
			var peak float64
			for _, v := range x[0][max(0, n-20) : n+800] {
				peak = max(peak, math.Abs(v))
			}
			// Sampling may miss the summit by half a sample: 4-µs pulses suffer most.
			if peak > 0.5001 || peak < 0.3 {
				t.Errorf("%s: peak %g: want 0.5", f.Name, peak)
			}
		}
	}
}

// Speed of sound: 331.4 m/s at 0 °C and 343.2 at 20 °C (ISO 9613-1; the first
// by the same equation, to a decimeter per second). A microphone adds distance
// over speed to the sparks and nothing to the references, and echoes come when
// and as large as said without being events.
func TestMicrophone(t *testing.T) {
	const tenth = 0.1
	for c, want := range map[float64]float64{20: 343.2, 0: 331.3} {
		if got := SoundMS(c); math.Abs(got-want) > tenth {
			t.Errorf("%g °C: %g m/s: want %g", c, got, want)
		}
	}
	s := quiet(t)
	s.Family, s.SparkVariation, s.RateHz = "decay", 0, 96000
	near, a := render(t, s)
	s.MicrophoneM = 1.5
	far, _ := render(t, s)
	for i, e := range far.Of(engine.Spark) {
		if want := near.Of(engine.Spark)[i].AppearsS + 1.5/343.2; math.Abs(e.AppearsS-want) > 1e-9 {
			t.Fatalf("spark %d appears at %.9f s: want %.9f", i, e.AppearsS, want)
		}
	}
	if near.Of(engine.Reference)[3] != far.Of(engine.Reference)[3] {
		t.Error("the reference has moved")
	}
	s.MicrophoneM = 0
	s.Echoes = []Echo{{DelayS: 240 / s.RateHz, Gain: -0.5}, {DelayS: 480 / s.RateHz, Gain: 0.25}} // whole samples
	truth, b := render(t, s)
	if len(truth.Events) != len(near.Events) {
		t.Errorf("%d events with echoes: want %d", len(truth.Events), len(near.Events))
	}
	for i := 480; i < len(a[0]); i++ {
		if want := a[0][i] - 0.5*a[0][i-240] + 0.25*a[0][i-480]; math.Abs(b[0][i]-want) > 1e-9 {
			t.Fatalf("frame %d is %g: want %g", i, b[0][i], want)
		}
	}
	if !slices.Equal(a[1], b[1]) {
		t.Error("echoes on the reference's channel")
	}
}

// Turned up until a spark is 12 dB above full scale, everything is four times
// full scale over the spark's level, and the noise keeps its distance.
func TestClipping(t *testing.T) {
	s := quiet(t)
	s.NoiseDB, s.HumLevel = 60, 0.01
	_, plain := render(t, s)
	s.ClipDB = 12
	truth, loud := render(t, s)
	g := math.Pow(10, 12.0/20) / s.SparkLevel
	for c := range loud {
		for i, v := range loud[c] {
			if math.Abs(v-g*plain[c][i]) > 1e-9 {
				t.Fatalf("channel %d, frame %d: %g: want %g", c+1, i, v, g*plain[c][i])
			}
		}
	}
	if truth.Spec.SparkLevel != s.SparkLevel {
		t.Error("the truth's set-up is not the one that was given")
	}
	s.ClipFront = true
	_, cut := render(t, s)
	if top := slices.Max(cut[0]); top > 1.4 || top < 0.9 { // the band limit overshoots each jump by 9 % and more where they follow quickly
		t.Errorf("cut off in front, up to %g: want 1", top)
	}
}

// A contact's edge cut off in front of the converter is an edge of what is
// left, when it was: a third of the way up its 5 µs. Behind the converter's
// band limit it would be cut a fifth of a sample, 4 µs, sooner.
func TestFrontClipKeepsEdges(t *testing.T) {
	for _, rate := range []float64{48000, 192000} {
		s := quiet(t)
		s.Pickup, s.Kernel, s.RateHz, s.ReferenceLevel, s.ClipFront = Hall, "gentle", rate, 3, true
		truth, x := render(t, s)
		seen := 0
		for _, r := range truth.Of(engine.Reference) {
			// The rise passes half of 1 a sixth of the way up, a third of 5 µs early.
			want := (r.AppearsS - s.RiseS/3) * rate
			if want < 60 || want > float64(truth.Frames)-60 {
				continue
			}
			seen++
			const wide = 0.02 // samples: the ramp's foot and its end are not the same to a band limit
			if d := edgeNear(x[1], 0.5, want) - want; math.Abs(d) > wide {
				t.Errorf("%g Hz: edge at %g s is %.3f samples from its truth", rate, r.AppearsS, d)
			}
		}
		if seen < 15 {
			t.Errorf("only %d edges", seen)
		}
	}
}

// Made wide and brought down, with nothing cut off, a recording is what it is
// without the detour.
func TestWideIsTheSame(t *testing.T) {
	for _, kernel := range []string{"gentle", "gentle-minimum"} {
		s := quiet(t)
		s.Kernel, s.SparkLevel, s.ReferenceLevel = kernel, 0.4, 0.3
		for _, p := range []Pickup{Hall, Coil} {
			s.Pickup, s.ClipFront = p, false
			_, plain := render(t, s)
			s.ClipFront = true
			_, wide := render(t, s)
			for c := range plain {
				// A spark's size is that of its largest value, which a wider
				// band lets through higher.
				var cross, square float64
				for i, v := range wide[c] {
					cross += v * plain[c][i]
					square += v * v
				}
				g := cross / square
				if math.Abs(g-1) > 0.2 || c == 1 && math.Abs(g-1) > 1e-4 {
					t.Errorf("%s, %s, channel %d: %g times as large by the detour", kernel, p, c+1, 1/g)
				}
				for i := range plain[c] {
					const rest = 1e-4 // what either band limit lets through of what it should stop
					if math.Abs(plain[c][i]-g*wide[c][i]) > rest {
						t.Fatalf("%s, %s, channel %d, frame %d: %g by the detour: want %g", kernel, p, c+1, i, g*wide[c][i], plain[c][i])
					}
				}
			}
		}
	}
}

// Both channels carry one pick-up alone.
func TestSameLayouts(t *testing.T) {
	s := quiet(t)
	_, stereo := render(t, s)
	for i, l := range []Layout{SameSpark, SameReference} {
		s.Layout = l
		truth, x := render(t, s)
		if !slices.Equal(x[0], x[1]) || !slices.Equal(x[0], stereo[i]) {
			t.Errorf("%s: want that pick-up twice", l)
		}
		if truth.SparkChannel != 1-i || truth.ReferenceChannel != i {
			t.Errorf("%s: spark on %d, reference on %d", l, truth.SparkChannel, truth.ReferenceChannel)
		}
	}
}

// What the layouts for calibrating are made of: one source converted twice,
// channel 2 later; and two pick-ups on one shaft.
func TestCalibrationLayouts(t *testing.T) {
	const skew, tolerance = 37e-6, 1e-3 // tolerance in samples: a crossing read by a cubic
	s := quiet(t)
	s.Pickup, s.BounceS, s.SkewS = Hall, 0, skew
	s.Layout = OneSource
	truth, x := render(t, s)
	refs := truth.Of(engine.Reference)
	if truth.SparkChannel != 0 || truth.ReferenceChannel != 1 || len(refs) < 5 {
		t.Fatalf("spark on %d, reference on %d, %d references", truth.SparkChannel, truth.ReferenceChannel, len(refs))
	}
	half := s.ReferenceLevel / 2
	for _, e := range refs[1:5] {
		a, b := edgeNear(x[0], half, e.AppearsS*s.RateHz), edgeNear(x[1], half, (e.AppearsS+skew)*s.RateHz)
		if math.Abs(a-e.AppearsS*s.RateHz) > tolerance || math.Abs(b-a-skew*s.RateHz) > tolerance {
			t.Errorf("edges at %.4f and %.4f samples, true %.4f and %.4f later", a, b, e.AppearsS*s.RateHz, skew*s.RateHz)
		}
	}
	s.Layout, s.LagFreeDeg, s.ReferenceDelayS = TwoPickups, 5, 150e-6
	truth, x = render(t, s)
	m, err := engine.NewMotion(s.Engine.Profile, s.Engine.Fluctuation, s.Engine.FastestDeg, s.Engine.StartDeg)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range truth.Of(engine.Reference)[1:5] {
		want := (m.TimeAt(e.AngleDeg+5) + skew) * s.RateHz
		if b := edgeNear(x[1], half, want); math.Abs(b-want) > tolerance {
			t.Errorf("the other pick-up at %.4f samples, true %.4f", b, want)
		}
		want = (e.TimeS + 150e-6) * s.RateHz
		if a := edgeNear(x[0], half, want); math.Abs(a-want) > tolerance {
			t.Errorf("the late pick-up at %.4f samples, true %.4f", a, want)
		}
	}
	// In an ordinary recording the truth knows of the skew too.
	s = quiet(t)
	s.SkewS = skew
	late, _ := render(t, s)
	s.SkewS = 0
	plain, _ := render(t, s)
	for _, k := range []engine.Kind{engine.Spark, engine.Reference} {
		a, b := late.Of(k), plain.Of(k)
		want := map[engine.Kind]float64{engine.Spark: 0, engine.Reference: skew}[k]
		if d := a[3].AppearsS - b[3].AppearsS; math.Abs(d-want) > 1e-12 {
			t.Errorf("%s appears %g s later, want %g", k, d, want)
		}
	}
}
