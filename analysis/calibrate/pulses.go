package calibrate

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"sparkscope/dsp"
)

// event is one pulse of a channel.
type event struct {
	t, sigma float64 // seconds
	class    int
}

// mainEvents are the pulses of a channel that are what its pick-up makes: of
// the kind and polarity of the class that repeats most at a good height, and
// not much smaller. A leak from the other channel is smaller; bounce is not
// timed as a pulse of its own.
func mainEvents(tr *dsp.Train) (events []event, kind dsp.Kind, err error) {
	best, top := -1, 0.0
	for _, s := range tr.Shapes {
		if s.N >= 3 {
			top = math.Max(top, s.Amp)
		}
	}
	for i, s := range tr.Shapes {
		if s.N >= 3 && s.Amp >= 0.4*top && (best < 0 || s.N > tr.Shapes[best].N) {
			best = i
		}
	}
	if best < 0 {
		return nil, 0, refuse("no-pulses", "Channel %d holds no pulses that repeat (its largest sample is %.3g %% of full scale).", "Check the lead and the level: peaks should use a third to a half of full scale.", tr.Channel, 100*tr.Level.Peak)
	}
	main := tr.Shapes[best]
	for _, p := range tr.Pulses {
		if p.Class < 0 || p.Class >= len(tr.Shapes) || !finite(p.Pos) || !finite(p.Sigma) {
			continue
		}
		s := tr.Shapes[p.Class]
		if s.Kind == main.Kind && s.Polarity == main.Polarity && s.Amp >= 0.4*main.Amp && math.Abs(p.Amp) >= 0.2*main.Amp {
			events = append(events, event{tr.Rate.Seconds(p.Pos), tr.Rate.Seconds(p.Sigma), p.Class})
		}
	}
	sort.SliceStable(events, func(i, j int) bool { return events[i].t < events[j].t })
	return events, main.Kind, nil
}

// nearest is the index of the event nearest to t; events are in order of time
// and at least one.
func nearest(events []event, t float64) int {
	k := sort.Search(len(events), func(i int) bool { return events[i].t >= t })
	if k == len(events) || k > 0 && t-events[k-1].t < events[k].t-t {
		k--
	}
	return k
}

// spacing is the median time between events.
func spacing(events []event) float64 {
	d := make([]float64, 0, len(events))
	for i := 1; i < len(events); i++ {
		d = append(d, events[i].t-events[i-1].t)
	}
	if len(d) == 0 {
		return 0
	}
	return medianOf(d)
}

// mutual pairs the events of two channels that are nearest to each other and
// not farther apart than reach. It returns indices and how many of a found no
// partner.
func mutual(a, b []event, reach float64) (pairs [][2]int, alone int) {
	for i := range a {
		j := nearest(b, a[i].t)
		if math.Abs(b[j].t-a[i].t) <= reach && nearest(a, b[j].t) == i {
			pairs = append(pairs, [2]int{i, j})
		} else {
			alone++
		}
	}
	return pairs, alone
}

// commonest is the pair of classes that most pairs are of.
func commonest(a, b []event, pairs [][2]int) (ca, cb int) {
	count := map[[2]int]int{}
	most := 0
	for _, p := range pairs {
		k := [2]int{a[p[0]].class, b[p[1]].class}
		count[k]++
		if n := count[k]; n > most {
			most, ca, cb = n, k[0], k[1]
		}
	}
	return ca, cb
}

// waveFit is how the averaged wave of one channel lies on that of the other.
type waveFit struct {
	// Off is by how many samples the timing point of the second lies too late
	// on its wave, as the first's lies on its own: true difference =
	// difference of timing points - Off.
	Off float64
	// Left is what of the second wave, scaled and moved, differs from the
	// first, as a share of its rms.
	Left float64
	// Noise is the standard uncertainty of Off, samples, if what is left were
	// white noise (Cramér-Rao); Spread is how far Off moves when only the
	// fronts are laid over each other: it shows a difference of shape that
	// moves the fit.
	Noise, Spread float64
}

// Stretches of a wave, in samples before and behind its timing point: all that
// tells, and the front alone.
var waveWindows = [][2]int{{-12, 48}, {-12, 8}, {-12, 20}}

// layOver fits the wave of b over that of a; ok is false where a class has none.
func layOver(a, b dsp.Shape) (w waveFit, ok bool) {
	if len(a.Wave) < 24 || len(b.Wave) < 24 {
		return w, false
	}
	for i, win := range waveWindows {
		centre, reach := 0.0, 4.0
		if i > 0 {
			// Farther away lies the next half-wave of a ring, which says nothing.
			centre, reach = w.Off, 0.5
		}
		f, ok := fitWave(a, b, win[0], win[1], centre, reach)
		if i == 0 {
			if !ok {
				return w, false
			}
			w = f
			continue
		}
		// A stretch with next to no signal says nothing.
		if ok && f.Noise < 3*w.Noise {
			w.Spread = math.Max(w.Spread, math.Abs(f.Off-w.Off))
		}
	}
	return w, true
}

// fitWave lays b's wave over a's from start to stop samples behind the timing
// point, looking within reach of centre.
func fitWave(a, b dsp.Shape, start, stop int, centre, reach float64) (w waveFit, ok bool) {
	const margin = 8
	from := max(int(math.Ceil(a.WaveOrigin))+start, margin)
	to := min(int(math.Ceil(a.WaveOrigin))+stop, len(a.Wave)-margin)
	n := 0
	fit := func(tau float64) (rest, size float64) {
		var ab, bb, aa float64
		n = 0
		for i := from; i < to; i++ {
			u := float64(i) - a.WaveOrigin - tau + b.WaveOrigin
			if u < margin || u > float64(len(b.Wave)-margin-1) {
				continue
			}
			v := sinc(b.Wave, u)
			ab, bb, aa = ab+a.Wave[i]*v, bb+v*v, aa+a.Wave[i]*a.Wave[i]
			n++
		}
		if n < 8 || bb == 0 || aa == 0 {
			return 1, 0
		}
		return math.Sqrt(math.Max(0, 1-ab*ab/(aa*bb))), math.Sqrt(aa)
	}
	best, rest := centre, 2.0
	for tau := centre - reach; tau <= centre+reach; tau += 0.125 {
		if r, _ := fit(tau); r < rest {
			best, rest = tau, r
		}
	}
	lo, hi := best-0.125, best+0.125
	for range 50 {
		third := (hi - lo) / 3
		r1, _ := fit(lo + third)
		r2, _ := fit(hi - third)
		if r1 < r2 {
			hi -= third
		} else {
			lo += third
		}
	}
	w.Off = (lo + hi) / 2
	left, size := fit(w.Off)
	var dd float64
	for i := from; i < to; i++ {
		d := (a.Wave[i+1] - a.Wave[i-1]) / 2
		dd += d * d
	}
	if dd == 0 || size == 0 {
		return w, false
	}
	w.Left = left
	w.Noise = left * size / math.Sqrt(float64(max(1, n-2))*dd)
	return w, true
}

// sinc reads a wave between its samples: windowed sinc of 16 points (Hann).
func sinc(w []float64, u float64) float64 {
	k := int(math.Floor(u))
	f := u - float64(k)
	if f < 1e-9 {
		return w[k]
	}
	s := math.Sin(math.Pi * f)
	sum := 0.0
	for j := -7; j <= 8; j++ {
		i := k + j
		if i < 0 || i >= len(w) {
			continue
		}
		d := f - float64(j)
		h := math.Cos(math.Pi * d / 17)
		v := s / (math.Pi * d) * h * h
		if j&1 != 0 {
			v = -v
		}
		sum += w[i] * v
	}
	return sum
}

// twoTrains checks that there are two channels that can be set against each
// other.
func twoTrains(a, b *dsp.Train) error {
	for _, t := range []*dsp.Train{a, b} {
		if !(t.Rate > 0) || math.IsInf(float64(t.Rate), 0) {
			return fmt.Errorf("calibrate: channel %d: sampling rate %g Hz: want a positive number", t.Channel, float64(t.Rate))
		}
	}
	if a.Rate != b.Rate {
		return fmt.Errorf("calibrate: sampling rates %g and %g Hz: want one recording", float64(a.Rate), float64(b.Rate))
	}
	return nil
}

func sum(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s
}

// clipped is x without what lies farther than k robust standard deviations
// from the median, and how many were left out.
func clipped(x []float64, k float64) (kept []float64, out int) {
	m, s := medianOf(x), robustSD(x)
	for _, v := range x {
		if math.Abs(v-m) <= k*s+1e-12 {
			kept = append(kept, v)
		}
	}
	return slices.Clip(kept), len(x) - len(kept)
}
