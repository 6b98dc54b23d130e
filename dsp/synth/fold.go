package synth

import "math"

// folder brings channels that were made at several times the rate down to it,
// through a converter's band limit.
type folder struct {
	fold    int
	taps    []float64   // of the kernel, last in time first
	behind  int         // how many wide samples before its own an output needs
	ahead   int         // and after it
	x       [][]float64 // wide samples by channel, from number lo on
	lo, top int64       // top: the next to be made
}

func newFolder(k *Kernel, fold, channels int) *folder {
	f := &folder{fold: fold, taps: []float64{1}, x: make([][]float64, channels)}
	if k.none {
		return f
	}
	a, b := k.Span()
	f.ahead, f.behind = -int(math.Ceil(a*float64(fold))), int(math.Floor(b*float64(fold)))
	f.taps = f.taps[:0]
	for j := f.behind; j >= -f.ahead; j-- {
		f.taps = append(f.taps, k.At(float64(j)/float64(fold))/float64(fold))
	}
	f.lo = -int64(f.behind)
	return f
}

// run makes len(dst[0]) outputs from number first on, in order and each once.
// wide makes the next samples at the wide rate. Before the first it was as at
// the first.
func (f *folder) run(dst [][]float64, first int64, wide func(x [][]float64, first int64)) {
	need := (first+int64(len(dst[0]))-1)*int64(f.fold) + int64(f.ahead) + 1
	part := make([][]float64, len(dst))
	for f.top < need {
		n := int(min(need-f.top, chunk))
		for c := range part {
			part[c] = make([]float64, n)
		}
		wide(part, f.top)
		for c := range part {
			if f.top == 0 {
				for range f.behind {
					f.x[c] = append(f.x[c], part[c][0])
				}
			}
			f.x[c] = append(f.x[c], part[c]...)
		}
		f.top += int64(n)
	}
	for c := range dst {
		for i := range dst[c] {
			at := (first+int64(i))*int64(f.fold) - int64(f.behind) - f.lo
			var sum float64
			for j, v := range f.x[c][at : at+int64(len(f.taps))] {
				sum += v * f.taps[j]
			}
			dst[c][i] = sum
		}
	}
	done := (first+int64(len(dst[0])))*int64(f.fold) - int64(f.behind) - f.lo
	for c := range f.x {
		f.x[c] = append(f.x[c][:0], f.x[c][min(done, int64(len(f.x[c]))):]...)
	}
	f.lo += done
}
