package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
)

// noise returns n bytes, the same for the same seed.
func noise(n int, seed uint64) []byte {
	g := rand.New(rand.NewPCG(seed, 1))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(g.Uint32())
	}
	return b
}

func wantRefusal(t *testing.T, name string, err error, say string) {
	t.Helper()
	if !errors.Is(err, ErrNotRecording) {
		t.Errorf("%s: got error %v, want ErrNotRecording", name, err)
		return
	}
	msg := err.Error()
	if !strings.Contains(msg, say) || !strings.HasPrefix(msg, "wav: ") || strings.Contains(msg, "\n") {
		t.Errorf("%s: got %q, want one sentence with %q", name, msg, say)
	}
}

// kinds are the sample formats that are tested, with their truth: the value
// of the integer or float that was put in.
type kind struct {
	tag                uint16
	bits, valid, bytes int
	extensible         bool
}

var kinds = []kind{
	{tagPCM, 8, 8, 1, false}, {tagPCM, 16, 16, 2, false}, {tagPCM, 24, 24, 3, false}, {tagPCM, 32, 32, 4, false},
	{tagPCM, 12, 12, 2, false}, {tagPCM, 20, 20, 3, false}, {tagPCM, 24, 24, 4, false}, {tagPCM, 64, 64, 8, false},
	{tagFloat, 32, 32, 4, false}, {tagFloat, 64, 64, 8, false},
	{tagPCM, 8, 8, 1, true}, {tagPCM, 16, 16, 2, true}, {tagPCM, 16, 12, 2, true}, {tagPCM, 24, 24, 3, true},
	{tagPCM, 24, 20, 3, true}, {tagPCM, 32, 24, 4, true}, {tagPCM, 32, 20, 4, true}, {tagPCM, 32, 32, 4, true},
	{tagFloat, 32, 32, 4, true}, {tagFloat, 64, 64, 8, true}, {tagPCM, 48, 44, 6, true},
}

// samples makes n values of a kind: the bytes and what they must be read as.
func (k kind) samples(o bytesOrder, n int) (b []byte, want []float32) {
	g := rand.New(rand.NewPCG(uint64(k.valid), uint64(n)))
	for i := range n {
		if k.tag == tagFloat {
			v := g.NormFloat64()
			if k.bits == 32 {
				b = o.AppendUint32(b, math.Float32bits(float32(v)))
			} else {
				b = o.AppendUint64(b, math.Float64bits(v))
			}
			want = append(want, float32(v))
			continue
		}
		v := int64(g.Uint64()) >> (64 - k.valid)
		switch i {
		case 0:
			v = -1 << (k.valid - 1)
		case 1:
			v = 1<<(k.valid-1) - 1
		case 2:
			v = 0
		}
		b = pack(b, o, v, k.valid, k.bytes)
		want = append(want, fractions(k.valid, v)...)
	}
	return b, want
}

// TestFormats reads every kind of sample with 1 to 8 channels, in every
// container, with chunks of every sort around.
func TestFormats(t *testing.T) {
	const frames = 21 // odd, so that many data chunks have an odd size
	layouts := []struct {
		name   string
		change func(s *spec, o bytesOrder)
	}{
		{"plain", func(*spec, bytesOrder) {}},
		{"chunks before", func(s *spec, o bytesOrder) {
			s.before = chunk(o, "JUNK", make([]byte, 28), true)
			s.between = append(chunk(o, "fact", make([]byte, 4), true), chunk(o, "LIST", []byte("INFOISFT\x05\x00\x00\x00abcde\x00x"), true)...)
		}},
		{"odd chunks without pad byte", func(s *spec, o bytesOrder) {
			s.before = chunk(o, "JUNK", []byte("abc"), false)
			s.between = chunk(o, "bext", []byte("abcdefg"), false)
			s.noPad = true
			s.after = chunk(o, "LIST", []byte("INFO"), true)
		}},
		{"odd chunk with a pad byte that is no zero", func(s *spec, o bytesOrder) {
			s.between = append(chunk(o, "note", []byte("abc"), false), 'x')
		}},
		{"chunks after", func(s *spec, o bytesOrder) {
			s.after = append(chunk(o, "LIST", []byte("INFO"), true), chunk(o, "id3 ", []byte("abc"), false)...)
		}},
		{"RIFF size wrong", func(s *spec, o bytesOrder) { s.riffSize = u32(4) }},
	}
	for _, container := range []string{"RIFF", "RIFX", "RF64", "BW64"} {
		for _, k := range kinds {
			for channels := 1; channels <= MaxChannels; channels++ {
				for _, l := range layouts {
					s := spec{container: container, tag: k.tag, channels: channels, bits: k.bits, bytes: k.bytes, valid: k.valid, extensible: k.extensible}
					var want []float32
					s.data, want = k.samples(s.order(), frames*channels)
					l.change(&s, s.order())
					if strings.HasSuffix(container, "64") {
						s.dataSize, s.long = u32(math.MaxUint32), uint64(len(s.data))
					}
					name := fmt.Sprintf("%s, %+v, %d channels, %s", container, k, channels, l.name)
					r := open(t, build(s))
					f := r.Format()
					encoding := PCM
					if k.tag == tagFloat {
						encoding = Float
					}
					wantFormat := Format{Rate: 48000, Channels: channels, Bits: k.valid, ContainerBytes: k.bytes, Encoding: encoding,
						Extensible: k.extensible, BigEndian: container == "RIFX", Container: container}
					if f != wantFormat {
						t.Fatalf("%s: format: got %+v, want %+v", name, f, wantFormat)
					}
					if n, known := r.DeclaredFrames(); n != frames || !known {
						t.Fatalf("%s: declared: got %d, %v, want %d, true", name, n, known, frames)
					}
					same(t, name, interleave(readAll(t, r, 5)), want)
					if len(r.Remarks()) > 0 {
						t.Fatalf("%s: remarks %q, want none", name, r.Remarks())
					}
				}
			}
		}
	}
}

// TestSplits reads one recording through sources that split their reads in
// every way, and with blocks of every length.
func TestSplits(t *testing.T) {
	for _, k := range []kind{{tagPCM, 24, 24, 3, false}, {tagPCM, 24, 24, 4, false}, {tagFloat, 32, 32, 4, true}} {
		s := spec{tag: k.tag, channels: 2, bits: k.bits, bytes: k.bytes, valid: k.valid, extensible: k.extensible, between: chunk(binary.LittleEndian, "LIST", []byte("INFOx"), true)}
		var want []float32
		s.data, want = k.samples(binary.LittleEndian, 2*100)
		s.data = append(s.data, 7) // part of a frame
		b := build(s)
		var remarks string
		for name, wrap := range map[string]func(io.Reader) io.Reader{
			"whole":    func(r io.Reader) io.Reader { return r },
			"one byte": iotest.OneByteReader,
			"half":     iotest.HalfReader,
			"data err": iotest.DataErrReader,
			"5 bytes":  func(r io.Reader) io.Reader { return &stepReader{r: r, n: 5} },
			"odd":      func(r io.Reader) io.Reader { return &stepReader{r: r, n: 97} },
		} {
			for block := 1; block <= 101; block += 4 {
				r, err := NewReader(wrap(bytes.NewReader(b)))
				if err != nil {
					t.Fatal(err)
				}
				same(t, fmt.Sprintf("%s, blocks of %d", name, block), interleave(readAll(t, r, block)), want)
				said := strings.Join(r.Remarks(), "\n")
				if remarks == "" {
					remarks = said
				}
				if said != remarks || !strings.Contains(said, "incomplete (1 of") {
					t.Fatalf("%s, blocks of %d: remarks %q, elsewhere %q", name, block, said, remarks)
				}
			}
		}
	}
}

// stepReader returns at most n bytes, and every other time none.
type stepReader struct {
	r    io.Reader
	n    int
	rest bool
}

func (s *stepReader) Read(p []byte) (int, error) {
	if s.rest = !s.rest; s.rest {
		return 0, nil
	}
	return s.r.Read(p[:min(len(p), s.n)])
}

// TestLarge crosses the end of the buffer in every position of a frame.
func TestLarge(t *testing.T) {
	for _, channels := range []int{1, 2, 5, 7} {
		k := kind{tagPCM, 24, 24, 3, false}
		s := spec{channels: channels, bits: 24, bytes: 3}
		var want []float32
		s.data, want = k.samples(binary.LittleEndian, 3*bufferBytes/(3*channels)*channels)
		b := build(s)
		same(t, "blocks of 4096", interleave(readAll(t, open(t, b), 4096)), want)
		same(t, "one block", interleave(readAll(t, open(t, b), len(want))), want)
		r, err := NewReader(&stepReader{r: bytes.NewReader(b), n: 65536 - 1})
		if err != nil {
			t.Fatal(err)
		}
		same(t, "short reads", interleave(readAll(t, r, 100000)), want)
	}
}

// TestUnfinished reads headers that recorders leave behind. The sizes are
// those of sox and arecord writing to a pipe, as looked at, and the two
// values that mean 'not known'.
func TestUnfinished(t *testing.T) {
	k := kind{tagPCM, 16, 16, 2, false}
	data, want := k.samples(binary.LittleEndian, 200)
	for _, size := range []uint32{0, math.MaxUint32, 0x7FFFF000, 0x7FFFEFFC, 0x80000000, 0x7FFFFFFF, 0xFFFFFFFE} {
		for _, riff := range []uint32{0, 36, math.MaxUint32, size + 36} {
			r := open(t, build(spec{channels: 2, bits: 16, bytes: 2, data: data, dataSize: u32(size), riffSize: u32(riff)}))
			if n, known := r.DeclaredFrames(); known || n != 0 {
				t.Errorf("size %#x: declared: got %d, %v, want 0, false", size, n, known)
			}
			same(t, fmt.Sprintf("size %#x", size), interleave(readAll(t, r, 33)), want)
			if len(r.Remarks()) != 1 || !hasRemark(r, "never finished") {
				t.Errorf("size %#x: remarks %q, want one that says so", size, r.Remarks())
			}
		}
	}
	for _, long := range []uint64{0, 1 << 63, math.MaxUint64} {
		r := open(t, build(spec{container: "RF64", channels: 2, bits: 16, bytes: 2, data: data, dataSize: u32(math.MaxUint32), long: long}))
		same(t, "RF64 without size", interleave(readAll(t, r, 33)), want)
		if _, known := r.DeclaredFrames(); known || !hasRemark(r, "never finished") {
			t.Errorf("RF64 without size: remarks %q, want one that says so", r.Remarks())
		}
	}
	// A 32-bit size of 0 leaves the word to the ds64 chunk as well.
	r := open(t, build(spec{container: "RF64", channels: 2, bits: 16, bytes: 2, data: data, dataSize: u32(0), long: 40}))
	same(t, "RF64, 32-bit size 0", interleave(readAll(t, r, 33)), want[:20])
	// Between RIFF's limit and what fits into an RF64 header.
	for _, long := range []uint64{1<<32 + 8, 1 << 40, math.MaxInt64} {
		r := open(t, build(spec{container: "RF64", channels: 2, bits: 16, bytes: 2, data: data, dataSize: u32(math.MaxUint32), long: long}))
		if n, known := r.DeclaredFrames(); !known || n != int64(long/4) {
			t.Errorf("RF64 of %d bytes: declared: got %d, %v, want %d, true", long, n, known, long/4)
		}
		same(t, "RF64 cut short", interleave(readAll(t, r, 33)), want)
		if !hasRemark(r, "cut short") {
			t.Errorf("RF64 of %d bytes: remarks %q, want one that says so", long, r.Remarks())
		}
	}
}

// TestBeyondPlaceholder lets a stream go on where the placeholder in its
// header is reached. The bound is moved near, to save 2 GiB of samples.
func TestBeyondPlaceholder(t *testing.T) {
	k := kind{tagPCM, 24, 24, 3, false}
	data, want := k.samples(binary.LittleEndian, 200)
	copy(data[90:], "\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80") // no chunk name
	for i := 30; i < 34; i++ {
		want[i] = fractions(24, -0x7f7f80)[0]
	}
	list := chunk(binary.LittleEndian, "LIST", []byte("INFO"), true)
	for _, c := range []struct {
		name  string
		size  uint32
		left  int64
		after []byte
		want  int
	}{
		{"placeholder, on a frame", 0x7FFFF000, 90, nil, 200},
		{"placeholder, within a frame", 0x80000000, 92, nil, 200},
		{"placeholder, then a chunk", 0x7FFFF000, 600, list, 200},
		{"placeholder, then nothing", 0x7FFFF000, 600, nil, 200},
		{"size in earnest", 0x7FFF0000, 90, nil, 30},
	} {
		r := open(t, build(spec{channels: 2, bits: 24, bytes: 3, data: data, dataSize: u32(c.size), after: c.after}))
		r.left = c.left
		same(t, c.name, interleave(readAll(t, r, 7)), want[:c.want])
	}
}

// TestBehindTheSamples says what follows the samples.
func TestBehindTheSamples(t *testing.T) {
	o := binary.LittleEndian
	data := noise(41, 1) // odd: 20 frames of 2 bytes and one byte
	for _, c := range []struct {
		name  string
		after []byte
		size  *uint32
		say   string
	}{
		{"second data chunk", chunk(o, "data", data, true), nil, "second block"},
		{"samples that the header forgot", noise(1000, 2), nil, "1000 bytes behind"},
		{"size too small", nil, u32(20), "bytes behind"},
	} {
		r := open(t, build(spec{channels: 1, bits: 16, bytes: 2, data: data, dataSize: c.size, after: c.after}))
		readAll(t, r, 7)
		if !hasRemark(r, c.say) {
			t.Errorf("%s: remarks %q, want one with %q", c.name, r.Remarks(), c.say)
		}
	}
	r, err := NewReader(io.MultiReader(bytes.NewReader(build(spec{channels: 1, bits: 16, bytes: 2, data: data[:40]})), forever{}))
	if err != nil {
		t.Fatal(err)
	}
	readAll(t, r, 64)
	if !hasRemark(r, "more than 64 MiB") {
		t.Errorf("endless source: remarks %q", r.Remarks())
	}
}

// forever is an endless source of bytes that are no chunk.
type forever struct{}

func (forever) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}

// TestNotNumbers replaces what is no number, and counts it.
func TestNotNumbers(t *testing.T) {
	in := []float64{0.5, math.NaN(), math.Inf(1), math.Inf(-1), -3.25, math.MaxFloat64, math.Copysign(0, -1), 1e-300}
	for _, channels := range []int{1, 2, 4} {
		for _, bits := range []int{32, 64} {
			var data []byte
			want := []float32{0.5, 0, 0, 0, -3.25, 0, 0, 0}
			for _, v := range in {
				if bits == 32 {
					data = binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(v)))
				} else {
					data = binary.LittleEndian.AppendUint64(data, math.Float64bits(v))
				}
			}
			r := open(t, build(spec{tag: tagFloat, channels: channels, bits: bits, bytes: bits / 8, data: data}))
			got := interleave(readAll(t, r, 3))
			for i := range got {
				if got[i] != want[i] {
					t.Errorf("%d bits, %d channels: sample %d: got %v, want %v", bits, channels, i, got[i], want[i])
				}
			}
			if len(r.Remarks()) != 1 || !hasRemark(r, "4 samples are not numbers") {
				t.Errorf("%d bits: remarks %q, want the count 4", bits, r.Remarks())
			}
		}
	}
}

// TestPlacement finds samples at the low end of their containers, and leaves
// alone those that are quiet, or use the spare bits.
func TestPlacement(t *testing.T) {
	o := binary.LittleEndian
	low := func(n, bits int, extend bool, v ...int64) (b []byte) {
		for _, x := range v {
			if !extend {
				x &= 1<<bits - 1
			}
			b = pack(b, o, x, 8*n, n)
		}
		return b
	}
	v := []int64{0, 0, 5, -6, 8388607, -8388608, 77, -1}
	for _, c := range []struct {
		name   string
		bits   int
		bytes  int
		data   []byte
		want   []float32
		remark bool
	}{
		{"24 in 4, sign extended", 24, 4, low(4, 24, true, v...), fractions(24, v...), true},
		{"24 in 4, not extended", 24, 4, low(4, 24, false, v...), fractions(24, v...), true},
		{"12 in 2", 12, 2, low(2, 12, true, 2047, -2048, 3, -3), fractions(12, 2047, -2048, 3, -3), true},
		{"24 in 4, quiet, at the high end", 24, 4, low(4, 32, true, 256, -256, 512, 0), fractions(32, 256, -256, 512, 0), false},
		{"24 in 4, spare bits used", 24, 4, low(4, 32, true, 1<<30+1, -1<<30+3, 5, 0), fractions(32, 1<<30+1, -1<<30+3, 5, 0), false},
		{"24 in 4, upper bits like a sign but for the sign", 24, 4, low(4, 32, true, -0x8000FF, 1, 1, 1), fractions(32, -0x8000FF, 1, 1, 1), false},
		{"silence", 24, 4, make([]byte, 16), make([]float32, 4), false},
	} {
		r := open(t, build(spec{channels: 2, bits: c.bits, bytes: c.bytes, data: c.data}))
		same(t, c.name, interleave(readAll(t, r, 3)), c.want)
		if (len(r.Remarks()) > 0) != c.remark {
			t.Errorf("%s: remarks %q", c.name, r.Remarks())
		}
	}
}

// TestValidBits takes all bits where the header claims more than there are.
func TestValidBits(t *testing.T) {
	k := kind{tagPCM, 16, 16, 2, true}
	data, want := k.samples(binary.LittleEndian, 10)
	r := open(t, build(spec{channels: 1, bits: 16, bytes: 2, valid: 17, extensible: true, data: data}))
	same(t, "17 valid bits of 16", interleave(readAll(t, r, 3)), want)
	if r.Format().Bits != 16 || !hasRemark(r, "17 valid bits in samples of 16") {
		t.Errorf("17 valid bits of 16: %d bits, remarks %q", r.Format().Bits, r.Remarks())
	}
}

// TestRefusals holds every refusal to naming what it saw.
func TestRefusals(t *testing.T) {
	o := binary.LittleEndian
	ok := spec{channels: 1, bits: 16, bytes: 2, data: noise(20, 3)}
	with := func(f func(*spec)) []byte {
		s := ok
		f(&s)
		return build(s)
	}
	long := func(head string) []byte { return append([]byte(head), noise(600, 4)...) }
	header := build(spec{channels: 1, bits: 16, bytes: 2})
	for _, c := range []struct {
		name string
		b    []byte
		say  string
	}{
		{"nothing", nil, "0 bytes"},
		{"one byte", []byte("R"), "ends after 1 bytes"},
		{"RIFF alone", []byte("RIFF"), "ends after 4 bytes"},
		{"text", []byte("time,volts\n0.1,0.2\n0.2,0.3\n"), "text file"},
		{"short text", []byte("hello"), "text file"},
		{"long text", []byte(strings.Repeat("Ölstand prüfen. ", 100)), "text file"},
		{"text of 16 bits", []byte("\xff\xfeh\x00e\x00l\x00l\x00o\x00 \x00y\x00o\x00u\x00"), "text file"},
		{"zeros", make([]byte, 4096), "zero bytes"},
		{"noise", long("\x01\x02\x03\x04"), "does not begin like a WAV"},
		{"few bytes", []byte{1, 2, 3}, "only 3 bytes"},
		{"MP3 with tag", long("ID3\x04"), "MP3"},
		{"MP3 bare", long("\xff\xfb\x90\x00"), "MP3"},
		{"AAC", long("\xff\xf1\x50\x80"), "AAC"},
		{"FLAC", long("fLaC"), "FLAC"},
		{"Ogg", long("OggS"), "Ogg"},
		{"AIFF", long("FORM\x00\x00\x10\x00AIFF"), "AIFF"},
		{"AIFF-C", long("FORM\x00\x00\x10\x00AIFC"), "AIFF-C"},
		{"AU", long(".snd"), "AU"},
		{"MPEG-4", long("\x00\x00\x00\x20ftypM4A "), "MPEG-4"},
		{"video", long("RIFF\x00\x10\x00\x00AVI "), `"AVI "`},
		{"mu-law", with(func(s *spec) { s.tag, s.bits, s.bytes = 7, 8, 1 }), "mu-law, format tag 0x0007"},
		{"A-law", with(func(s *spec) { s.tag, s.bits, s.bytes = 6, 8, 1 }), "A-law"},
		{"A-law, extensible", with(func(s *spec) { s.tag, s.bits, s.bytes, s.extensible = 6, 8, 1, true }), "A-law"},
		{"ADPCM", with(func(s *spec) { s.tag, s.bits, s.align = 2, 4, 256 }), "ADPCM, format tag 0x0002"},
		{"IMA ADPCM", with(func(s *spec) { s.tag, s.bits, s.align = 0x11, 4, 256 }), "IMA ADPCM"},
		{"MP3 in WAV", with(func(s *spec) { s.tag, s.bits, s.align = 0x55, 0, 1 }), "MP3, format tag 0x0055"},
		{"unheard-of tag", with(func(s *spec) { s.tag = 0x4242 }), "0x4242"},
		{"0 Hz", replace32(build(ok), 24, 0), "claims 0 samples per second: 8000 to 384000"},
		{"7999 Hz", with(func(s *spec) { s.rate = 7999 }), "7999 samples per second"},
		{"384001 Hz", with(func(s *spec) { s.rate = 384001 }), "384001 samples per second"},
		{"0 channels", with(func(s *spec) { s.channels = 0 }), "0 channels: 1 to 8"},
		{"9 channels", with(func(s *spec) { s.channels = 9 }), "9 channels: 1 to 8"},
		{"65535 channels", with(func(s *spec) { s.channels = 65535 }), "65535 channels: 1 to 8"},
		{"frame too small", with(func(s *spec) { s.align = 1 }), "make 2 bytes per frame, and it says 1"},
		{"frame of 0", with(func(s *spec) { s.align = 65536 }), "it says 0"},
		{"frame uneven", with(func(s *spec) { s.channels, s.align = 2, 5 }), "it says 5"},
		{"frame far too large", with(func(s *spec) { s.align = 9 }), "it says 9"},
		{"float in too large a frame", with(func(s *spec) { s.tag, s.bits, s.bytes = tagFloat, 32, 8 }), "make 4 bytes per frame, and it says 8"},
		{"8 bits in 2 bytes", with(func(s *spec) { s.bits = 8 }), "make 1 bytes per frame, and it says 2"},
		{"0 bits", with(func(s *spec) { s.bits = 0 }), "0 bits per sample"},
		{"65 bits", with(func(s *spec) { s.bits = 65 }), "65 bits per sample"},
		{"float of 16 bits", with(func(s *spec) { s.tag = tagFloat }), "floating-point samples of 16 bits"},
		{"other sub-format", replace32(with(func(s *spec) { s.extensible, s.valid = true, 16 }), 52, 5), "sub-format"},
		{"header only", header, "bytes and no samples"},
		{"header only, size not filled in", replace32(header, 40, math.MaxUint32), "bytes and no samples"},
		{"no sample but chunks", build(spec{channels: 1, bits: 16, bytes: 2, after: chunk(o, "LIST", make([]byte, 40), true)}), "holds no samples"},
		{"half a frame", with(func(s *spec) { s.channels, s.data = 2, s.data[:3] }), "bytes and no samples"},
		{"data before fmt", replace32(build(ok), 12, o.Uint32([]byte("data"))), "before their description"},
		{"no fmt", build(ok)[:12], "before the description"},
		{"fmt of 14", replace32(build(ok), 16, 14), "claims 14 bytes"},
		{"fmt of 4 GB", replace32(build(ok), 16, math.MaxUint32), "claims 4294967295 bytes"},
		{"chunk of 4 GB", with(func(s *spec) { s.before = replace32(chunk(o, "LIST", []byte("INFO"), true), 4, 0xFFFFFFF0) }), "before the description"},
		{"broken chunk name", replace32(build(ok), 36, 1), "damaged at byte 36"},
	} {
		_, err := NewReader(bytes.NewReader(c.b))
		wantRefusal(t, c.name, err, c.say)
		_, one := NewReader(iotest.OneByteReader(bytes.NewReader(c.b)))
		if fmt.Sprint(one) != fmt.Sprint(err) {
			t.Errorf("%s: byte by byte %v, at once %v", c.name, one, err)
		}
	}
	for _, rate := range []uint32{8000, 384000} {
		if _, err := NewReader(bytes.NewReader(with(func(s *spec) { s.rate = rate }))); err != nil {
			t.Errorf("%d Hz: %v, want it read", rate, err)
		}
	}
}

func replace32(b []byte, at int, v uint32) []byte {
	b = bytes.Clone(b)
	binary.LittleEndian.PutUint32(b[at:], v)
	return b
}

// TestTruncated cuts a recording at every byte: whole frames only, the right
// ones, and a remark.
func TestTruncated(t *testing.T) {
	s := spec{channels: 2, bits: 24, valid: 24, bytes: 3, extensible: true, before: chunk(binary.LittleEndian, "bext", []byte("abc"), true)}
	var want []float32
	s.data, want = kind{tagPCM, 24, 24, 3, true}.samples(binary.LittleEndian, 2*13)
	b := build(s)
	start := len(b) - len(s.data)
	for n := range b {
		r, err := NewReader(bytes.NewReader(b[:n]))
		if n < start+6 {
			if !errors.Is(err, ErrNotRecording) {
				t.Errorf("cut at %d: got %v, want ErrNotRecording", n, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		same(t, fmt.Sprintf("cut at %d", n), interleave(readAll(t, r, 4)), want[:(n-start)/6*2])
		if !hasRemark(r, "cut short") || hasRemark(r, "incomplete") != ((n-start)%6 != 0) {
			t.Errorf("cut at %d: remarks %q", n, r.Remarks())
		}
	}
}

// TestMemory bounds what a header can make the reader allocate, and Read.
func TestMemory(t *testing.T) {
	data := noise(600, 5)
	o := binary.LittleEndian
	for name, b := range map[string][]byte{
		"data":  build(spec{channels: 2, bits: 24, bytes: 3, data: data, dataSize: u32(0xFFFFFF00)}),
		"RF64":  build(spec{container: "RF64", channels: 2, bits: 24, bytes: 3, data: data, dataSize: u32(math.MaxUint32), long: 1 << 60}),
		"LIST":  build(spec{channels: 2, bits: 24, bytes: 3, data: data, between: replace32(chunk(o, "LIST", data, true), 4, 0xFFFFFFF0)}),
		"fmt":   replace32(build(spec{channels: 2, bits: 24, bytes: 3, data: data}), 16, 0xFFFFFFF0),
		"after": build(spec{channels: 2, bits: 24, bytes: 3, data: data, after: replace32(chunk(o, "LIST", data, true), 4, 0xFFFFFFF0)}),
	} {
		var before, after runtime.MemStats
		dst := [][]float32{make([]float32, 64), make([]float32, 64)}
		runtime.ReadMemStats(&before)
		if r, err := NewReader(bytes.NewReader(b)); err == nil {
			for err == nil {
				_, err = r.Read(dst)
			}
		}
		runtime.ReadMemStats(&after)
		if n := after.TotalAlloc - before.TotalAlloc; n > 2*bufferBytes {
			t.Errorf("%s claims 4 GB: %d bytes allocated, want at most %d", name, n, 2*bufferBytes)
		}
	}
	r, err := NewReader(io.MultiReader(bytes.NewReader(build(spec{channels: 2, bits: 24, bytes: 3, data: data, dataSize: u32(math.MaxUint32)})), forever{}))
	if err != nil {
		t.Fatal(err)
	}
	dst := [][]float32{make([]float32, 5000), make([]float32, 5000)}
	if n := testing.AllocsPerRun(100, func() {
		if k, err := r.Read(dst); k != 5000 || err != nil {
			t.Fatalf("Read: got %d, %v", k, err)
		}
	}); n != 0 {
		t.Errorf("Read allocates %v times, want never", n)
	}
}

// TestSourceErrors passes on what the source says, after the samples before.
func TestSourceErrors(t *testing.T) {
	broken := errors.New("cable pulled")
	b := build(spec{channels: 1, bits: 16, bytes: 2, data: noise(100, 6)})
	for n := range b {
		r, err := NewReader(io.MultiReader(bytes.NewReader(b[:n]), iotest.ErrReader(broken)))
		frames := 0
		dst := [][]float32{make([]float32, 1000)}
		for err == nil {
			var k int
			k, err = r.Read(dst)
			frames += k
		}
		if !errors.Is(err, broken) || errors.Is(err, ErrNotRecording) {
			t.Fatalf("broken at %d: got %v, want %v", n, err, broken)
		}
		if want := max(0, n-44) / 2; frames != want {
			t.Errorf("broken at %d: got %d frames, want %d", n, frames, want)
		}
	}
	if _, err := NewReader(stuck{}); !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("source that gives nothing: got %v, want ErrNoProgress", err)
	}
}

type stuck struct{}

func (stuck) Read([]byte) (int, error) { return 0, nil }

// TestNoWaiting reads from a live source: a block must come out as soon as
// its bytes went in.
func TestNoWaiting(t *testing.T) {
	b := build(spec{channels: 2, bits: 16, bytes: 2, data: noise(400, 7), dataSize: u32(0x80000000)})
	src := &live{b: b, allowed: 48}
	r, err := NewReader(src)
	if err != nil {
		t.Fatal(err)
	}
	dst := [][]float32{make([]float32, 10), make([]float32, 10)}
	for i := 1; i <= 10; i++ {
		src.allowed = 44 + 40*i
		if n, err := r.Read(dst); n != 10 || err != nil {
			t.Fatalf("block %d: got %d, %v, want 10 frames", i, n, err)
		}
	}
}

// live stands for a pipe: asked for more than has been allowed, it would
// block, and fails instead.
type live struct {
	b           []byte
	at, allowed int
}

func (l *live) Read(p []byte) (int, error) {
	if l.at >= l.allowed {
		return 0, errors.New("asked for bytes that are not needed")
	}
	n := copy(p, l.b[l.at:l.allowed])
	l.at += n
	return n, nil
}

// FuzzReader holds any input to: no panic, whole and finite frames no more
// than the bytes can hold, and the same outcome byte by byte.
func FuzzReader(f *testing.F) {
	f.Add([]byte("RIFF"))
	for _, k := range kinds {
		data, _ := k.samples(binary.LittleEndian, 12)
		f.Add(build(spec{tag: k.tag, channels: 2, bits: k.bits, bytes: k.bytes, valid: k.valid, extensible: k.extensible, data: data, after: chunk(binary.LittleEndian, "LIST", []byte("INFOx"), false)}))
		f.Add(build(spec{container: "RIFX", tag: k.tag, channels: 3, bits: k.bits, bytes: k.bytes, valid: k.valid, extensible: k.extensible, data: data}))
	}
	f.Add(build(spec{container: "RF64", channels: 1, bits: 24, bytes: 3, data: noise(31, 8), dataSize: u32(math.MaxUint32), long: 31}))
	f.Fuzz(func(t *testing.T, b []byte) {
		run := func(src io.Reader, block int) (out [][]float32, remarks []string, err error) {
			r, err := NewReader(src)
			if err != nil {
				if !errors.Is(err, ErrNotRecording) {
					t.Fatalf("%v is not ErrNotRecording", err)
				}
				return nil, nil, err
			}
			out = readAll(t, r, block)
			if n := len(out[0]) * r.Format().FrameBytes(); n > len(b) || n == 0 {
				t.Fatalf("%d bytes of samples from %d", n, len(b))
			}
			for _, v := range interleave(out) {
				if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
					t.Fatalf("sample %v", v)
				}
			}
			return out, r.Remarks(), nil
		}
		x, rx, ex := run(bytes.NewReader(b), 1000)
		y, ry, ey := run(iotest.OneByteReader(bytes.NewReader(b)), 7)
		if fmt.Sprint(ex, rx) != fmt.Sprint(ey, ry) {
			t.Fatalf("at once: %v %q; byte by byte: %v %q", ex, rx, ey, ry)
		}
		for c := range x {
			same(t, "byte by byte", y[c], x[c])
		}
	})
}
