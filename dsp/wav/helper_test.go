package wav

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// bytesOrder both reads and appends.
type bytesOrder interface {
	binary.ByteOrder
	binary.AppendByteOrder
}

// spec describes a recording that build makes, independently of Writer.
type spec struct {
	container  string // RIFF unless set
	tag        uint16 // format tag, 1 unless set
	channels   int
	rate       uint32
	bits       int // wBitsPerSample
	bytes      int // container bytes
	valid      int // valid bits, extensible only
	extensible bool
	align      int // block align when it is to be wrong
	before     []byte
	between    []byte // between fmt and data
	after      []byte
	data       []byte
	dataSize   *uint32 // what the header says, when it is to be wrong
	riffSize   *uint32
	long       uint64 // ds64 data size
	noPad      bool
}

func (s spec) order() bytesOrder {
	if s.container == "RIFX" {
		return binary.BigEndian
	}
	return binary.LittleEndian
}

func chunk(o bytesOrder, id string, body []byte, pad bool) []byte {
	b := append([]byte(id), o.AppendUint32(nil, uint32(len(body)))...)
	b = append(b, body...)
	if pad && len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func build(s spec) []byte {
	o := s.order()
	if s.container == "" {
		s.container = "RIFF"
	}
	if s.tag == 0 {
		s.tag = tagPCM
	}
	if s.rate == 0 {
		s.rate = 48000
	}
	align := s.align
	if align == 0 {
		align = s.channels * s.bytes
	}
	var f []byte
	tag := s.tag
	if s.extensible {
		tag = tagExtensible
	}
	f = o.AppendUint16(f, tag)
	f = o.AppendUint16(f, uint16(s.channels))
	f = o.AppendUint32(f, s.rate)
	f = o.AppendUint32(f, s.rate*uint32(align))
	f = o.AppendUint16(f, uint16(align))
	f = o.AppendUint16(f, uint16(s.bits))
	if s.extensible {
		f = o.AppendUint16(f, 22)
		f = o.AppendUint16(f, uint16(s.valid))
		f = o.AppendUint32(f, 0)
		f = o.AppendUint32(f, uint32(s.tag))
		f = o.AppendUint16(f, 0)
		f = o.AppendUint16(f, 0x10)
		f = append(f, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71)
	} else if s.tag != tagPCM {
		f = o.AppendUint16(f, 0)
	}
	var body []byte
	if s.container == "RF64" || s.container == "BW64" {
		d := o.AppendUint64(nil, 0)
		d = o.AppendUint64(d, s.long)
		d = o.AppendUint64(d, 0)
		d = o.AppendUint32(d, 0)
		body = append(body, chunk(o, "ds64", d, true)...)
	}
	body = append(body, s.before...)
	body = append(body, chunk(o, "fmt ", f, true)...)
	body = append(body, s.between...)
	d := chunk(o, "data", s.data, !s.noPad)
	if s.dataSize != nil {
		o.PutUint32(d[4:], *s.dataSize)
	}
	body = append(body, d...)
	body = append(body, s.after...)
	size := uint32(len(body) + 4)
	if s.riffSize != nil {
		size = *s.riffSize
	}
	out := append([]byte(s.container), o.AppendUint32(nil, size)...)
	out = append(out, "WAVE"...)
	return append(out, body...)
}

func u32(v uint32) *uint32 { return &v }

// pack appends the integer v of the given bits at the upper end of a
// container of n bytes, as the format has it.
func pack(b []byte, o bytesOrder, v int64, bits, n int) []byte {
	u := uint64(v) << (8*n - bits)
	if bits <= 8 {
		u ^= 0x80
	}
	for i := range n {
		k := i
		if o == bytesOrder(binary.BigEndian) {
			k = n - 1 - i
		}
		b = append(b, byte(u>>(8*k)))
	}
	return b
}

// readAll reads with blocks of the given length, checks what Read promises
// and returns the samples per channel.
func readAll(t testing.TB, r *Reader, block int) [][]float32 {
	t.Helper()
	n := r.Format().Channels
	dst, out := make([][]float32, n), make([][]float32, n)
	for i := range dst {
		dst[i], out[i] = make([]float32, block), []float32{}
	}
	for last := block; ; {
		k, err := r.Read(dst)
		if err == io.EOF && k == 0 {
			if k, again := r.Read(dst); k != 0 || again != io.EOF {
				t.Fatalf("Read after the end: got %d, %v, want 0, EOF", k, again)
			}
			return out
		}
		if err != nil {
			t.Fatalf("Read: %v", err)
		}
		if k < 1 || k > block || last < block {
			t.Fatalf("Read of %d frames gave %d after %d: only the last block may be short", block, k, last)
		}
		last = k
		for i := range out {
			out[i] = append(out[i], dst[i][:k]...)
		}
	}
}

// anyRate lets through the test files below MinRate.
var anyRate = limits{1, MaxRate}

func open(t testing.TB, b []byte) *Reader {
	t.Helper()
	r, err := newReader(bytes.NewReader(b), anyRate)
	if err != nil {
		t.Fatalf("NewReader: %v", err)
	}
	return r
}

func file(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func interleave(x [][]float32) []float32 {
	var out []float32
	for i := range x[0] {
		for c := range x {
			out = append(out, x[c][i])
		}
	}
	return out
}

func same(t testing.TB, what string, got, want []float32) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: got %d samples, want %d", what, len(got), len(want))
	}
	for i := range want {
		if math.Float32bits(got[i]+0) != math.Float32bits(want[i]+0) {
			t.Fatalf("%s: sample %d: got %v, want %v", what, i, got[i], want[i])
		}
	}
}

func hasRemark(r *Reader, part string) bool {
	return strings.Contains(strings.Join(r.Remarks(), "\n"), part)
}
