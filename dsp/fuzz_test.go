package dsp

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"
)

// checkTrain holds what a detector says to what its types promise.
func checkTrain(t *testing.T, d *Detector, frames int) Train {
	t.Helper()
	tr := d.Finish()
	if tr.Frames != int64(frames) {
		t.Errorf("%d frames seen, %d pushed", tr.Frames, frames)
	}
	finite := func(what string, v ...float64) {
		for _, x := range v {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Errorf("%s: %g", what, x)
			}
		}
	}
	finite("level", tr.Level.Peak, tr.Level.Mean, tr.Level.RMS, tr.Level.Noise)
	count := make([]int, len(tr.Shapes))
	last := math.Inf(-1)
	for i, p := range tr.Pulses {
		finite("pulse", p.Pos, p.Sigma, p.Amp, p.WidthS, p.Match)
		if p.Pos < last {
			t.Errorf("pulse %d at %g after one at %g", i, p.Pos, last)
		}
		last = p.Pos
		if p.Sigma <= 0 || p.Match < 0 || p.Match > 1 || p.WidthS < 0 {
			t.Errorf("pulse %d: %+v", i, p)
		}
		if p.Class < -1 || p.Class >= len(tr.Shapes) {
			t.Fatalf("pulse %d of class %d, there are %d", i, p.Class, len(tr.Shapes))
		}
		// A timing point may lie before the first sample or after the last:
		// a front that the recording cut.
		if p.Pos < -1e4 || p.Pos > float64(frames)+1e4 {
			t.Errorf("pulse %d at %g of %d frames", i, p.Pos, frames)
		}
		if p.Class >= 0 {
			count[p.Class]++
		}
	}
	for i, s := range tr.Shapes {
		finite("shape", s.Amp, s.AnchorSigma, s.WaveOrigin)
		finite("wave", s.Wave...)
		if s.N != count[i] {
			t.Errorf("class %d (%v) says %d pulses, there are %d", i, s.Kind, s.N, count[i])
		}
		if s.Polarity != 1 && s.Polarity != -1 || s.Amp < 0 || s.AnchorSigma < 0 {
			t.Errorf("class %d: polarity %d, size %g, anchor %g", i, s.Polarity, s.Amp, s.AnchorSigma)
		}
	}
	return tr
}

// largestSample is beyond whole numbers of 24 bits passed off as fractions of
// full scale. For what is larger yet there is TestHugeSamples.
const largestSample = 1e8

// FuzzDetector feeds a detector any finite samples at any rate, in blocks of
// any size: first as they are, then a few times over with quiet between, so
// that something repeats.
func FuzzDetector(f *testing.F) {
	samples := func(v ...float32) []byte {
		var b []byte
		for _, x := range v {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
		}
		return b
	}
	f.Add(samples(0, 1, -0.8, 0.5, -0.2, 0.1), uint32(48000), uint16(1200), uint16(100), byte(0))
	f.Add(samples(0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.4), uint32(8000), uint16(300), uint16(1), byte(1))
	f.Add(samples(0, 0.2, 0.5, 0.7, 0.5, 0, -0.5, -0.7, -0.5, -0.2, 0), uint32(192000), uint16(3000), uint16(4096), byte(2))
	f.Add(samples(1e30, -1e30, 1e-40, math.MaxFloat32), uint32(384000), uint16(40), uint16(7), byte(3))
	f.Add(samples(), uint32(44100), uint16(0), uint16(0), byte(4))
	f.Fuzz(func(t *testing.T, data []byte, rate uint32, gap, block uint16, shaping byte) {
		if len(data) > 1<<12 {
			t.Skip("longer than needed")
		}
		hz := Rate(8000 + rate%(384000-8000+1))
		var one []float32
		for ; len(data) >= 4; data = data[4:] {
			v := math.Float32frombits(binary.LittleEndian.Uint32(data))
			if v != v || v-v != 0 {
				v = 0 // the reader hands out finite samples only
			}
			v = max(-largestSample, min(v, largestSample))
			if shaping&1 != 0 { // most bit patterns are far from full scale
				v = float32(math.Remainder(float64(v), 2))
			}
			one = append(one, v)
		}
		x := slices.Clone(one)
		seed := uint32(1)
		for range 12 {
			for range int(gap) % 4096 {
				v := float32(0)
				if shaping&2 != 0 { // some noise between
					seed = seed*1664525 + 1013904223
					v = float32(int32(seed)) / (1 << 41)
				}
				x = append(x, v)
			}
			x = append(x, one...)
			if len(x) > 1<<15 {
				break
			}
		}
		var o Options
		switch shaping >> 2 & 3 {
		case 1:
			o.Only = []Kind{Burst}
		case 2:
			o.Only = []Kind{Contact}
		case 3:
			o.Only = []Kind{Lobes}
		}
		d := NewDetector(hz, 1, o)
		n := max(int(block), 1)
		for rest := x; len(rest) > 0; {
			m := min(n, len(rest))
			d.Push(rest[:m])
			rest = rest[m:]
		}
		checkTrain(t, d, len(x))
	})
}
