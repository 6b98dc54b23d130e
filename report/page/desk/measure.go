package desk

import (
	"errors"
	"fmt"
	"io"

	"sparkscope/analysis"
	"sparkscope/dsp"
	"sparkscope/dsp/fingerprint"
	"sparkscope/dsp/flac"
	"sparkscope/dsp/health"
	"sparkscope/dsp/wav"
)

type measureQuestion struct {
	Name string `json:"name"`
}

// leastGoodRate is as in the measure command: below it a remark is due, Hz.
const leastGoodRate = 32000

// measure measures the recording in Source, as the measure command does.
func (d *Desk) measure(q measureQuestion) (any, error) {
	if d.Source == nil {
		return nil, errors.New("there is no recording")
	}
	setup, _ := d.setup()
	if err := setup.Validate(); err != nil {
		return nil, plain(err)
	}
	in, err := flac.Open(d.Source)
	if err != nil {
		return nil, plain(err)
	}
	f := in.Format()
	for _, c := range []int{setup.SparkChannel, setup.ReferenceChannel} {
		if c > f.Channels {
			return nil, fmt.Errorf("the set-up names channel %d, and the recording has %d", c, f.Channels)
		}
	}
	bits := f.Bits
	if f.Encoding == wav.Float {
		bits = 0
	}
	var options []dsp.Options
	var monitors []*health.Monitor
	block := make([][]float32, f.Channels)
	for c := range f.Channels {
		options = append(options, setup.Listening(c+1))
		options[c].Tables = d.tables
		monitors = append(monitors, health.NewMonitor(f.Rate, c+1, bits))
		block[c] = make([]float32, 1<<14)
	}
	listener := dsp.NewListenerWith(f.Rate, f.Channels, options)
	sum := fingerprint.New(f.Rate, f.Channels)
	frames := int64(0)
	part := make([][]float32, f.Channels)
	for {
		n, err := in.Read(block)
		for c := range block {
			part[c] = block[c][:n]
			monitors[c].Push(part[c])
		}
		if n > 0 {
			sum.Push(part, n)
			listener.Push(part)
			frames += int64(n)
			if d.Progress != nil {
				d.Progress(f.Rate.Seconds(float64(frames)))
			}
		}
		if errors.Is(err, io.EOF) || n == 0 && err == nil {
			break
		}
		if err != nil {
			return nil, plain(err)
		}
	}
	rec := analysis.Recording{SampleRateHz: float64(f.Rate), Channels: f.Channels, Bits: f.Bits, Encoding: string(f.Encoding),
		DurationS: f.Rate.Seconds(float64(frames)), Remarks: in.Remarks(), Fingerprint: sum.String()}
	for _, m := range monitors {
		rec.Health = append(rec.Health, m.Finish())
	}
	if f.Rate < leastGoodRate {
		rec.Remarks = append(rec.Remarks, fmt.Sprintf("The recording has %.0f samples a second: one is %.1f° of a turn at 6000 rpm, and a reed's bounce is hardly seen. Record at 44 100 or more.", float64(f.Rate), 360*100/float64(f.Rate)))
	}
	r, err := analysis.Measure(rec, listener.Finish(), setup)
	if err != nil {
		return nil, plain(err)
	}
	return d.finishedOf(r, q.Name, nil)
}
