package dsp

// Listener is the whole way from the samples of a recording's channels to
// their pulses: two channels are first separated, then each has its detector.
// It runs in the caller's goroutine.
type Listener struct {
	separator *Separator
	detectors []*Detector
}

// NewListener listens to a number of channels, counted from 1.
func NewListener(rate Rate, channels int) *Listener { return NewListenerWith(rate, channels, nil) }

// NewListenerWith listens with options of each channel, of which there may be
// fewer than channels.
func NewListenerWith(rate Rate, channels int, options []Options) *Listener {
	l := &Listener{}
	tables := NewTables()
	for c := range channels {
		o := Options{}
		if c < len(options) {
			o = options[c]
		}
		if o.Tables == nil {
			o.Tables = tables
		}
		l.detectors = append(l.detectors, NewDetector(rate, c+1, o))
	}
	if channels == 2 {
		l.separator = NewSeparator(rate)
	}
	return l
}

// Push takes the next samples, one slice per channel, all of a length. The
// samples may be changed.
func (l *Listener) Push(block [][]float32) {
	switch {
	case l.separator == nil:
	case l.separator.Ready():
		l.separator.Apply(block[0], block[1])
	default:
		a, b := l.separator.Gather(block[0], block[1])
		if a == nil {
			return
		}
		block = [][]float32{a, b}
	}
	for c, d := range l.detectors {
		d.Push(block[c])
	}
}

// Finish ends the recording and returns what was found, by channel.
func (l *Listener) Finish() []Train {
	if l.separator != nil {
		if a, b := l.separator.Flush(); a != nil {
			l.detectors[0].Push(a)
			l.detectors[1].Push(b)
		}
	}
	var out []Train
	for _, d := range l.detectors {
		out = append(out, d.End())
	}
	Settle(out)
	return out
}
