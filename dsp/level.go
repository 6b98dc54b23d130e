package dsp

import "math"

// levelMeter gathers a channel's level block by block.
type levelMeter struct {
	lo, hi  float64
	blocks  int64
	n       int64 // samples in sum and sumsq
	sum     float64
	sumsq   float64
	origin  float64 // about which sums are taken, so that an offset does not cancel badly
	clipped int64
	run     int
}

func newLevelMeter() levelMeter { return levelMeter{lo: math.Inf(1), hi: math.Inf(-1)} }

// block takes a short block and returns its least and greatest sample.
func (m *levelMeter) block(x []float32) (lo, hi float32) {
	lo, hi = extremes(x)
	if m.blocks == 0 {
		m.origin = float64(x[0])
	}
	// Mean and rms come from every fourth block.
	if m.blocks++; m.blocks%4 == 1 {
		o := float32(m.origin)
		// Two sums of each side by side: an addition waits for the one before it.
		var s, q, s1, q1 float32
		y := x
		for ; len(y) >= 2; y = y[2:] {
			u, v := y[0]-o, y[1]-o
			s += u
			q += u * u
			s1 += v
			q1 += v * v
		}
		for _, v := range y {
			v -= o
			s += v
			q += v * v
		}
		s, q = s+s1, q+q1
		m.n += int64(len(x))
		m.sum += float64(s)
		m.sumsq += float64(q)
	}
	m.lo = min(m.lo, float64(lo))
	m.hi = max(m.hi, float64(hi))
	if hi >= clipLevel || lo <= -clipLevel {
		for _, v := range x {
			if v >= clipLevel || v <= -clipLevel {
				m.run++
				if m.run == 2 {
					m.clipped++
				}
				if m.run >= 2 {
					m.clipped++
				}
			} else {
				m.run = 0
			}
		}
	} else {
		m.run = 0
	}
	return lo, hi
}

func (m *levelMeter) result(noise float64) Level {
	if m.n == 0 {
		return Level{}
	}
	n := float64(m.n)
	if math.IsInf(m.sum, 0) || math.IsNaN(m.sum) || math.IsInf(m.sumsq, 0) || math.IsNaN(m.sumsq) {
		m.sum, m.sumsq = 0, 0 // beyond what can be squared: the peak must do
	}
	mean := m.sum / n
	return Level{
		Peak:    math.Max(math.Abs(m.lo), math.Abs(m.hi)),
		Mean:    mean + m.origin,
		RMS:     math.Sqrt(math.Max(m.sumsq/n-mean*mean, 0)),
		Noise:   noise,
		Clipped: m.clipped,
	}
}
