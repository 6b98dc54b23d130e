package live

// Watch notices what an input did to the samples on their way: stretches of
// silence that were put in, and samples that were left out.
//
// A browser that runs out of samples, and some sound servers, put zeros in their
// place, on all channels at once, and go on behind them with the samples that came
// late. A converter
// in whose noise both channels are at zero for longFrames samples in a row does
// not exist, but one without noise between the pulses does: where single zeros
// on all channels are common, a long stretch of them says nothing.
type Watch struct {
	channels int
	next     int64 // number of the next sample by the input's count; -1: not known
	run      int64 // zeros on all channels, until now
	began    bool  // something else than zeros has come
	silences int
	jumps    int
	// Frames lately, and zeros on all channels among them.
	frames, zeros float64
}

const (
	// longFrames of zeros make a silence: half a block of a browser's audio.
	longFrames = 64
	// stillShare is the share of zeros on all channels from which stretches of
	// them come by themselves: an input without noise is at zero for most of the
	// time, one whose noise is a step or more for a seventh of it at most, and a
	// browser that puts in as much as this is of no use.
	stillShare = 0.3
	// memoryFrames is over how many frames that share is followed.
	memoryFrames = 1 << 17
)

// NewWatch watches an input of so many channels.
func NewWatch(channels int) *Watch { return &Watch{channels: channels, next: -1} }

// Look takes a block, one slice per channel, that starts at number at by the input's count, or below 0,
// and returns before which of its frames samples are missing or too many, in
// order; 0 is before the block.
func (w *Watch) Look(block [][]float32, at int64) []int {
	n := len(block[0])
	var out []int
	if at >= 0 {
		if w.next >= 0 && at != w.next {
			w.jumps++
			out = append(out, 0)
		}
		w.next = at + int64(n)
	}
	for i := range n {
		zero := true
		for c := range block {
			if block[c][i] != 0 {
				zero = false
				break
			}
		}
		if zero {
			w.run++
			continue
		}
		if w.began { // what comes before the first sample is the start, no gap
			w.count(w.run, w.run)
			if w.run >= longFrames && !w.Still() {
				w.silences++
				if len(out) == 0 || out[len(out)-1] != i {
					out = append(out, i)
				}
			}
		}
		w.count(1, 0)
		w.run, w.began = 0, true
	}
	return out
}

func (w *Watch) count(frames, zeros int64) {
	w.frames += float64(frames)
	w.zeros += float64(zeros)
	if w.frames > memoryFrames {
		w.frames /= 2
		w.zeros /= 2
	}
}

// Still is whether the input is at zero so often that a silence cannot be told.
func (w *Watch) Still() bool { return w.frames > 0 && w.zeros > stillShare*w.frames }

// Silences is how many stretches of silence were put in so far.
func (w *Watch) Silences() int { return w.silences }

// Jumps is how often the input's count jumped so far.
func (w *Watch) Jumps() int { return w.jumps }

// Channels is how many channels it watches.
func (w *Watch) Channels() int { return w.channels }
