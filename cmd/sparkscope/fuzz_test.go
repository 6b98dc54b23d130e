package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"testing"
)

// patternRecording is a WAV file of 16-bit samples whose channels play a
// pattern again and again for a second: whatever the pattern is, it comes with
// a rhythm, and so gets far into the measurement.
func patternRecording(pattern []byte, rate uint32, channels int, period int) []byte {
	frames := int(rate)
	data := make([]byte, 0, 2*channels*frames)
	for i := range frames {
		for c := range channels {
			var v int16
			// Two bytes a frame and channel, silence after the pattern.
			if at := ((i+c*period/3)%period)*2*channels + 2*c; at+1 < len(pattern) {
				v = int16(binary.LittleEndian.Uint16(pattern[at:]))
			}
			data = binary.LittleEndian.AppendUint16(data, uint16(v))
		}
	}
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00")
	b = binary.LittleEndian.AppendUint16(b, uint16(channels))
	b = binary.LittleEndian.AppendUint32(b, rate)
	b = binary.LittleEndian.AppendUint32(b, rate*uint32(channels)*2)
	b = binary.LittleEndian.AppendUint16(b, uint16(channels)*2)
	b = append(b, 16, 0, 'd', 'a', 't', 'a')
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	b = append(b, data...)
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

// FuzzMeasure holds the whole measurement to any rhythm of any pattern: it
// measures or says why not, with the exit status that goes with it; and what
// it says is finite, in range, and adds up.
func FuzzMeasure(f *testing.F) {
	pulse := func(v ...int16) []byte {
		var b []byte
		for _, x := range v {
			b = binary.LittleEndian.AppendUint16(b, uint16(x))
		}
		return b
	}
	f.Add(pulse(0, 0, 9000, 0, 20000, 20000, -12000, 20000, 6000, 20000, -2000, 20000, 0, 20000), uint16(480), byte(0), byte(2))
	f.Add(pulse(0, 30000, -20000, 9000, -3000, 1000), uint16(200), byte(1), byte(1))
	f.Add(pulse(32767, 32767, -32768, -32768), uint16(5), byte(0), byte(2))
	f.Add([]byte{}, uint16(1), byte(2), byte(3))
	f.Fuzz(func(t *testing.T, pattern []byte, period uint16, rate, channels byte) {
		if len(pattern) > 4096 {
			t.Skip("longer than a pattern needs to be")
		}
		rates := []uint32{8000, 11025, 16000}
		wav := patternRecording(pattern, rates[int(rate)%len(rates)], 1+int(channels)%3, 1+int(period))
		var stdout, stderr bytes.Buffer
		status := run(context.Background(), []string{"measure", "-", "--json", "-", "--reference-angle", "20"}, bytes.NewReader(wav), &stdout, &stderr)
		switch status {
		case exitMeasure:
			if stdout.Len() > 0 || stderr.Len() == 0 {
				t.Fatalf("cannot be measured: %d bytes of result, said %q", stdout.Len(), stderr.String())
			}
			return
		case exitOK:
		default:
			t.Fatalf("exit status %d: want 0 or 3; said %q", status, stderr.String())
		}
		var r struct {
			Counts  struct{ Sparks, OK int }
			Advance struct {
				Mean        *float64 `json:"mean_deg"`
				StdDev      *float64 `json:"stddev_deg"`
				Uncertainty *float64 `json:"expanded_uncertainty_deg"`
			}
			Bins []struct{ N int }
		}
		if err := json.Unmarshal(stdout.Bytes(), &r); err != nil {
			t.Fatalf("not JSON: %v", err)
		}
		n := 0
		for _, b := range r.Bins {
			n += b.N
		}
		if r.Counts.OK < 1 || r.Counts.OK > r.Counts.Sparks || n != r.Counts.OK {
			t.Errorf("%d sparks, %d of them counted, %d in bins", r.Counts.Sparks, r.Counts.OK, n)
		}
		if m := r.Advance.Mean; m == nil || !(*m > -180 && *m <= 180) {
			t.Errorf("mean advance %v: want an angle in (-180, 180]", m)
		}
		for _, v := range []*float64{r.Advance.StdDev, r.Advance.Uncertainty} {
			if v != nil && (*v < 0 || math.IsInf(*v, 0)) {
				t.Errorf("a spread of %g degrees", *v)
			}
		}
	})
}
