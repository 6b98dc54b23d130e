package study

import (
	"math"
	"slices"
	"sort"

	"sparkscope/analysis"
	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp"
)

// ears hear channels of one rate. The recordings of a study may share what is worked out of
// converters (nil: they do not); what is found does not depend on it.
func ears(rate dsp.Rate, channels int, tables *dsp.Tables) *dsp.Listener {
	return dsp.NewListenerWith(rate, channels, slices.Repeat([]dsp.Options{{Tables: tables}}, channels))
}

// Tally sets a count found against the true one.
type Tally struct{ True, Found int }

// Score is a result set against its truth. Angles are measured minus true,
// degrees.
type Score struct {
	Sparks     Tally   // true ones between the first and the last reference that references can tell; found and counted, anywhere
	Matched    int     // of the true ones, how many were counted
	Counted    int     // of the counted ones, how many are true
	Wrong      int     // counted, but no true first spark, or more than 3° off
	Shifted    int     // counted in another revolution than most are, against the truth
	Mean       float64 // mean error
	RMS        float64 // of the error, about 0
	Largest    float64 // largest |error|
	SpeedError float64 // median of (speed found)/(true speed) - 1
	Missed     Tally   // sparks that failed
	Repeated   Tally   // further sparks of a firing
	References Tally   // references lost
}

// Recall is the share of the true sparks that were counted.
func (r Score) Recall() float64 { return ratio(r.Matched, r.Sparks.True) }

// Precision is the share of the counted sparks that are true.
func (r Score) Precision() float64 { return ratio(r.Counted, r.Sparks.Found) }

func ratio(a, b int) float64 {
	if b == 0 {
		return 0
	}
	return float64(a) / float64(b)
}

// A spark found within window of a true one is that one: far more than any
// timing error, far less than the time between a spark and its repetition.
const window = 0.2e-3 // seconds

// far is an error that no timing makes: another event was taken. Degrees.
const far = 3

// score sets a result against the truth; a nil result leaves what was found 0.
// untold are true sparks, by their number, that are not asked for.
func score(truth *scene.Truth, result *analysis.Result, untold map[int]bool) (r Score) {
	references := truth.Of(engine.Reference)
	if len(references) < 2 {
		return r
	}
	from, to := references[0].AppearsS, references[len(references)-1].AppearsS
	count := func(kind engine.Kind) (n int) {
		for _, e := range truth.Of(kind) {
			if e.AppearsS > from && e.AppearsS < to {
				n++
			}
		}
		return n
	}
	sparks := truth.Of(engine.Spark)
	asked := func(i int) bool { return sparks[i].AppearsS > from && sparks[i].AppearsS < to && !untold[i] }
	for i := range sparks {
		if asked(i) {
			r.Sparks.True++
		}
	}
	r.Missed.True = count(engine.Missed)
	r.Repeated.True = count(engine.Repeated)
	r.References.True = count(engine.MissedReference)
	if result == nil {
		return r
	}
	r.Missed.Found = result.Counts.MissedSparks
	r.Repeated.Found = result.Counts.RepeatedSparks
	r.References.Found = result.Counts.MissedReferences
	turn := 360 / float64(len(truth.Spec.Engine.CylinderDeg)) // each cylinder has a top dead centre of its own
	shifts := map[int]int{}
	var speeds []float64
	var sum, square float64
	for _, f := range result.Firings {
		if f.Status != analysis.OK {
			continue
		}
		r.Sparks.Found++
		i := nearest(len(sparks), func(i int) float64 { return sparks[i].AppearsS }, f.TimeS)
		if i < 0 || math.Abs(sparks[i].AppearsS-f.TimeS) > window {
			r.Wrong++
			continue
		}
		r.Counted++
		if asked(i) {
			r.Matched++
		}
		e := math.Remainder(float64(f.Advance)-sparks[i].AdvanceDeg, turn)
		if math.Abs(e) > far {
			r.Wrong++
		}
		shifts[f.Revolution-sparks[i].Revolution]++
		if sparks[i].RPM > 0 {
			speeds = append(speeds, f.RPM/sparks[i].RPM-1)
		}
		sum += e
		square += e * e
		r.Largest = math.Max(r.Largest, math.Abs(e))
	}
	// Revolutions are counted from the first reference found, which need not
	// be the first that happened.
	most := 0
	for _, n := range shifts {
		most = max(most, n)
	}
	r.Shifted = r.Counted - most
	if n := float64(r.Counted); n > 0 {
		r.Mean, r.RMS = sum/n, math.Sqrt(square/n)
		if slices.Sort(speeds); len(speeds) > 0 {
			r.SpeedError = speeds[len(speeds)/2]
		}
	}
	return r
}

// nearest is which of n rising times is nearest to t; -1 when there is none.
func nearest(n int, at func(int) float64, t float64) int {
	i := sort.Search(n, func(i int) bool { return at(i) >= t })
	if i > 0 && (i == n || t-at(i-1) < at(i)-t) {
		i--
	}
	if i == n {
		return -1
	}
	return i
}
