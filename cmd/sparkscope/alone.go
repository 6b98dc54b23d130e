package main

import (
	"context"
	"errors"
	"io"

	"sparkscope/analysis"
	"sparkscope/dsp"
	"sparkscope/dsp/health"
)

// detectAlone is detect on one processor core: the same blocks go through the same
// separator, monitors and detectors, one after the other, and the same comes out.
// With many recordings to measure, the cores are better used by one recording
// each.
func detectAlone(ctx context.Context, src blockSource, rate dsp.Rate, channels, bits int, setup analysis.Setup) ([]dsp.Train, []health.Channel, error) {
	var separator *dsp.Separator
	if channels == 2 {
		separator = dsp.NewSeparator(rate)
	}
	detectors, monitors := make([]*dsp.Detector, channels), make([]*health.Monitor, channels)
	data := make([][]float32, channels)
	for c := range channels {
		o := setup.Listening(c + 1)
		o.Tables = converters
		detectors[c] = dsp.NewDetector(rate, c+1, o)
		monitors[c] = health.NewMonitor(rate, c+1, bits)
		data[c] = make([]float32, blockFrames)
	}
	own := make([]float32, blockFrames)
	// In blocks, as detect hands them on.
	push := func(x, y []float32) {
		for at := 0; at < len(x); at += blockFrames {
			to := min(at+blockFrames, len(x))
			detectors[0].Push(x[at:to])
			detectors[1].Push(y[at:to])
		}
	}
	for {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		n, err := src.Read(data)
		if n > 0 {
			for c, m := range monitors {
				m.Push(data[c][:n])
			}
			switch {
			case separator == nil || separator.Ready() && separator.Idle():
				for c, d := range detectors {
					d.Push(data[c][:n])
				}
			case separator.Ready():
				for c, d := range detectors {
					separator.One(c+1, own[:n], data[0][:n], data[1][:n])
					d.Push(own[:n])
				}
			default:
				push(separator.Gather(data[0][:n], data[1][:n]))
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, nil, err
		}
	}
	if separator != nil {
		push(separator.Flush())
	}
	trains, states := make([]dsp.Train, channels), make([]health.Channel, channels)
	for c := range channels {
		trains[c], states[c] = detectors[c].End(), monitors[c].Finish()
	}
	dsp.Settle(trains)
	return trains, states, nil
}
