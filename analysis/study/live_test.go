package study

import (
	"math"
	"testing"
)

// even is a clock that stands still: nothing takes any time.
func even() float64 { return 0 }

// TestDelays: where nothing takes time, a spark waits for the end of its block,
// the next look and the turns after it, and for no more.
func TestDelays(t *testing.T) {
	d, err := Times{BlockS: 0.02, TickS: 0.1, Clock: even}.Delays(48000, 3000, 6, 1)
	if err != nil {
		t.Fatal(err)
	}
	if d.Sparks < 150 || d.Busy != 0 || d.FirstS < 1 || d.FirstS > 2 {
		t.Errorf("%+v", d)
	}
	// A look every 0.1 s, a block of 0.02 s, some milliseconds of tail.
	if !(d.Median > 0 && d.Median < d.P99 && d.P99 <= d.Top && d.Top < 0.15) {
		t.Errorf("delays of %g, %g, %g s", d.Median, d.P99, d.Top)
	}
	// What takes its time comes later: each of some 350 blocks and looks 5 ms.
	used := 0.0
	slow := func() float64 { used += 0.005; return used }
	late, err := Times{BlockS: 0.02, TickS: 0.1, Clock: slow}.Delays(48000, 3000, 6, 1)
	if err != nil {
		t.Fatal(err)
	}
	if late.Median < d.Median+0.004 || late.Busy < 0.25 {
		t.Errorf("with 5 ms for each: %+v, without %+v", late, d)
	}
	// Slower than the recording: it falls behind for good.
	used = 0
	behind := func() float64 { used += 0.03; return used }
	lost, err := Times{BlockS: 0.02, TickS: 0.1, Clock: behind}.Delays(48000, 3000, 6, 1)
	if err != nil {
		t.Fatal(err)
	}
	if lost.Top < 1 || lost.Busy < 1 {
		t.Errorf("with 30 ms for each 20: %+v", lost)
	}
}

// TestTurns: the words follow a turn, and a turn that leaves the engine early
// leaves the words as they were.
func TestTurns(t *testing.T) {
	times := Times{BlockS: 0.02, TickS: 0.1, Tables: tables, Clock: even}
	v, err := times.Turns(1300, 1, 1, -1, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	if v.Most < 0.1 || v.Most > AimTurnS {
		t.Errorf("%+v", v)
	}
	if v, err = times.Turns(1300, 1, 3, 1, 1, 1); err != nil || v.Most > 0.2 {
		t.Errorf("early before and after: %+v, %v", v, err)
	}
	if v, err = times.Turns(1300, 1, 2, 0, 1, 1); err != nil || !math.IsInf(v.Most, 1) {
		t.Errorf("on target there is no right word: %+v, %v", v, err)
	}
}

// TestReplays: a recording of each kind reads as measure has it.
func TestReplays(t *testing.T) {
	times := Times{BlockS: 0.02, TickS: 0.1, Tables: tables, Clock: even}
	c := ReplayCases()[0]
	v, err := times.Replays(c, 1)
	if err != nil {
		t.Fatal(err)
	}
	if v.Looks < 20 || v.Early < 20 || v.Apart > AimReplay || math.Abs(v.Summary) > AimReplay || v.Refused+v.LiveRefused != "" {
		t.Errorf("%+v", v)
	}
}

// TestGrow: time passes and sparks are counted.
func TestGrow(t *testing.T) {
	var hours []float64
	counted := 0
	if err := (Times{BlockS: 0.02, TickS: 0.1, Clock: even}).Grow(0.02, 0.01, 1, func(h float64, sparks int) bool {
		hours, counted = append(hours, h), sparks
		return true
	}); err != nil {
		t.Fatal(err)
	}
	// 50 a second, one of a hundred missed, the first second not yet read.
	if want := 0.02 * 3600 * 50 * 0.99; len(hours) != 2 || hours[1] != 0.02 || math.Abs(float64(counted)-want) > 0.05*want {
		t.Errorf("at %v h %d sparks, want %.0f", hours, counted, want)
	}
}
