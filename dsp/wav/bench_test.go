package wav

import (
	"bytes"
	"io"
	"testing"
)

// benchRead decodes 4 MB again and again, in blocks of 4096 frames, and
// reports samples per second over all channels.
func benchRead(b *testing.B, k kind, channels int) {
	data := noise(4<<20/(k.bytes*channels)*k.bytes*channels, 9)
	if k.tag == tagFloat {
		for i := 3; i < len(data); i += 4 {
			data[i] = 0x3E // no NaN
		}
	}
	file := build(spec{tag: k.tag, rate: 192000, channels: channels, bits: k.bits, bytes: k.bytes, data: data})
	dst := make([][]float32, channels)
	for i := range dst {
		dst[i] = make([]float32, 4096)
	}
	samples := len(data) / k.bytes
	src := bytes.NewReader(file)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		src.Reset(file)
		r, err := NewReader(src)
		if err != nil {
			b.Fatal(err)
		}
		got := 0
		for {
			n, err := r.Read(dst)
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			got += n * channels
		}
		if got != samples {
			b.Fatalf("got %d samples, want %d", got, samples)
		}
	}
	b.ReportMetric(float64(samples)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

func BenchmarkReadStereo16(b *testing.B)    { benchRead(b, kind{tagPCM, 16, 16, 2, false}, 2) }
func BenchmarkReadStereo24(b *testing.B)    { benchRead(b, kind{tagPCM, 24, 24, 3, false}, 2) }
func BenchmarkReadStereo32(b *testing.B)    { benchRead(b, kind{tagPCM, 32, 32, 4, false}, 2) }
func BenchmarkReadStereoFloat(b *testing.B) { benchRead(b, kind{tagFloat, 32, 32, 4, false}, 2) }
func BenchmarkReadMono16(b *testing.B)      { benchRead(b, kind{tagPCM, 16, 16, 2, false}, 1) }
func BenchmarkReadMono24(b *testing.B)      { benchRead(b, kind{tagPCM, 24, 24, 3, false}, 1) }
func BenchmarkReadMonoFloat(b *testing.B)   { benchRead(b, kind{tagFloat, 32, 32, 4, false}, 1) }
func BenchmarkReadEight24(b *testing.B)     { benchRead(b, kind{tagPCM, 24, 24, 3, false}, 8) }

// seekBuffer is a file in memory.
type seekBuffer struct {
	b  []byte
	at int64
}

func (s *seekBuffer) Write(p []byte) (int, error) {
	if need := s.at + int64(len(p)); need > int64(len(s.b)) {
		s.b = append(s.b, make([]byte, need-int64(len(s.b)))...)
	}
	copy(s.b[s.at:], p)
	s.at += int64(len(p))
	return len(p), nil
}

func (s *seekBuffer) Seek(off int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		off += s.at
	case io.SeekEnd:
		off += int64(len(s.b))
	}
	s.at = off
	return off, nil
}

func benchWrite(b *testing.B, f Format) {
	x := [][]float64{make([]float64, 4096), make([]float64, 4096)}
	for i := range x[0] {
		x[0][i], x[1][i] = float64(i)/5000, -float64(i)/5000
	}
	out := &seekBuffer{}
	b.ReportAllocs()
	for b.Loop() {
		out.b, out.at = out.b[:0], 0
		w, err := NewWriter(out, f)
		if err != nil {
			b.Fatal(err)
		}
		for range 16 {
			if err := w.Write(x); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(16*2*4096*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

func BenchmarkWriteStereo16(b *testing.B) {
	benchWrite(b, Format{Rate: 192000, Channels: 2, Bits: 16, Encoding: PCM})
}
func BenchmarkWriteStereo24(b *testing.B) {
	benchWrite(b, Format{Rate: 192000, Channels: 2, Bits: 24, Encoding: PCM})
}
func BenchmarkWriteStereoFloat(b *testing.B) {
	benchWrite(b, Format{Rate: 192000, Channels: 2, Bits: 32, Encoding: Float})
}
