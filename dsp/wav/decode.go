package wav

import (
	"encoding/binary"
	"math"
)

// The loops below turn little-endian samples into fractions of full scale.
// Every integer is moved to the upper end of an int32 (int64) first: one
// conversion and one exact power of two then serve all widths, and the valid
// bits need not be known. The slices are cut to their lengths up front so that
// the compiler drops the bounds checks from the loops.

const (
	unit16 = 1.0 / (1 << 15)
	unit32 = 1.0 / (1 << 31)
	unit64 = 1.0 / (1 << 63)
)

var le = binary.LittleEndian

func stereo16(left, right []float32, b []byte) {
	right = right[:len(left)]
	for i := range left {
		v := le.Uint32(b[4*i:])
		left[i] = float32(int16(v)) * unit16
		right[i] = float32(int32(v)>>16) * unit16
	}
}

// stereo24 needs slack bytes of capacity behind b.
func stereo24(left, right []float32, b []byte) {
	right = right[:len(left)]
	b = b[:len(b)+slack]
	one := func(v uint64) (l, r float32) {
		return float32(int32(uint32(v)<<8)) * unit32, float32(int32(uint32(v>>16)&^0xFF)) * unit32
	}
	// Four frames at a time, so that lengths are checked a quarter as often.
	i := 0
	for ; i+4 <= len(left); i += 4 {
		c := (*[18 + 8]byte)(b[6*i:])
		l, r := (*[4]float32)(left[i:]), (*[4]float32)(right[i:])
		l[0], r[0] = one(le.Uint64(c[0:]))
		l[1], r[1] = one(le.Uint64(c[6:]))
		l[2], r[2] = one(le.Uint64(c[12:]))
		l[3], r[3] = one(le.Uint64(c[18:]))
	}
	for ; i < len(left); i++ {
		left[i], right[i] = one(le.Uint64(b[6*i:]))
	}
}

func stereo32(left, right []float32, b []byte) {
	right = right[:len(left)]
	for i := range left {
		v := le.Uint64(b[8*i:])
		left[i] = float32(int32(v)) * unit32
		right[i] = float32(int32(v>>32)) * unit32
	}
}

// exponent is set in full in a binary32 that is infinite or no number.
const exponent = 0x7F800000

func stereoFloat(left, right []float32, b []byte) (bad int64) {
	right = right[:len(left)]
	for i := range left {
		v := le.Uint64(b[8*i:])
		l, r := uint32(v), uint32(v>>32)
		if l&exponent == exponent {
			l = 0
			bad++
		}
		if r&exponent == exponent {
			r = 0
			bad++
		}
		left[i], right[i] = math.Float32frombits(l), math.Float32frombits(r)
	}
	return bad
}

func pcm8(d []float32, b []byte, stride int) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		d[i] = float32(int8(b[j]^0x80)) * (1.0 / (1 << 7))
	}
}

func pcm16(d []float32, b []byte, stride int) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		d[i] = float32(int16(le.Uint16(b[j:]))) * unit16
	}
}

func pcm24(d []float32, b []byte, stride int) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		c := b[j : j+3 : j+3]
		d[i] = float32(int32(uint32(c[0])<<8|uint32(c[1])<<16|uint32(c[2])<<24)) * unit32
	}
}

func pcm32(d []float32, b []byte, stride int) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		d[i] = float32(int32(le.Uint32(b[j:]))) * unit32
	}
}

// pcmWide serves samples of 5 to 8 bytes.
func pcmWide(d []float32, b []byte, stride, c int) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		var v uint64
		for _, x := range b[j : j+c] {
			v = v>>8 | uint64(x)<<56
		}
		d[i] = float32(int64(v)) * unit64
	}
}

func float4(d []float32, b []byte, stride int) (bad int64) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		v := le.Uint32(b[j:])
		if v&exponent == exponent {
			v = 0
			bad++
		}
		d[i] = math.Float32frombits(v)
	}
	return bad
}

func float8(d []float32, b []byte, stride int) (bad int64) {
	for i, j := 0, 0; i < len(d); i, j = i+1, j+stride {
		// The conversion makes infinite what no float32 can hold.
		v := math.Float32bits(float32(math.Float64frombits(le.Uint64(b[j:]))))
		if v&exponent == exponent {
			v = 0
			bad++
		}
		d[i] = math.Float32frombits(v)
	}
	return bad
}
