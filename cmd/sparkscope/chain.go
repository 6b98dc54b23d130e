package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"

	"sparkscope/analysis"
	"sparkscope/dsp"
	"sparkscope/dsp/fingerprint"
	"sparkscope/dsp/flac"
	"sparkscope/dsp/health"
	"sparkscope/dsp/wav"
)

// blockSource hands out samples: a recording's reader, or a live input.
type blockSource interface {
	// Read fills dst, one slice per channel, with fractions of full scale, and
	// returns how many frames it got; at the end 0 and io.EOF.
	Read(dst [][]float32) (frames int, err error)
}

// Sizes of the pipe between the source and the detectors.
const (
	blockFrames = 1 << 14 // frames per block
	blocks      = 4       // blocks in being: one read, one or two worked on, one waiting
	// At the beginning there may be more, since each detector stops once to learn
	// what its pulses look like, and the others go on meanwhile, to where they
	// learn: at different places, as far apart as the stretch for learning is long.
	aheadSamples = 1 << 21 // of all channels, waiting
	aheadFrames  = 1 << 21 // read: afterwards all have learned
)

// block is a piece of all channels, on loan to the detectors.
type block struct {
	data   [][]float32 // one slice per channel, blockFrames long
	frames int
	leaks  bool         // the leak between its two channels is still in it
	raw    bool         // as recorded, and not yet seen by the monitors
	users  atomic.Int32 // detectors that have not finished with it
}

// pool lends blocks to the one who reads and takes them back from the detectors.
type pool struct {
	channels int
	free     chan *block
	made     atomic.Int32 // blocks in being
	sent     atomic.Int64 // frames handed to the detectors
}

func newPool(channels int) *pool {
	most := blocks
	if channels > 1 {
		most += aheadSamples / (channels * blockFrames)
	}
	return &pool{channels: channels, free: make(chan *block, most)}
}

// get waits for a block where there may be no more.
func (p *pool) get() *block {
	select {
	case b := <-p.free:
		return b
	default:
	}
	if n := int(p.made.Load()); n >= blocks && (n >= cap(p.free) || p.sent.Load() >= aheadFrames) {
		return <-p.free
	}
	p.made.Add(1)
	b := &block{data: make([][]float32, p.channels)}
	for c := range b.data {
		b.data[c] = make([]float32, blockFrames)
	}
	return b
}

// put takes a block back, and gives up those that are no longer needed.
func (p *pool) put(b *block) {
	if p.sent.Load() >= aheadFrames {
		if p.made.Add(-1) >= blocks {
			return
		}
		p.made.Add(1)
	}
	p.free <- b
}

// converters is what has been worked out of converters so far: for the channels of a
// recording, and for one recording after the other. What is found does not depend on it.
var converters = dsp.NewCommonTables(new(sync.Mutex), 2*dsp.MostTables)

// detect runs one detector and one monitor per channel over all that src holds
// and returns what they found, by channel. Reading and each detector run side by side;
// what comes out does not depend on that. When ctx ends, it returns at once
// with ctx's error and leaves src to its reader, which may be waiting in it.
func detect(ctx context.Context, src blockSource, rate dsp.Rate, channels, bits int, setup analysis.Setup) ([]dsp.Train, []health.Channel, error) {
	pool := newPool(channels)
	var separator *dsp.Separator
	if channels == 2 {
		separator = dsp.NewSeparator(rate)
	}
	queues := make([]chan *block, channels)
	trains := make([]dsp.Train, channels)
	states := make([]health.Channel, channels)
	monitors := make([]*health.Monitor, channels)
	for c := range monitors {
		monitors[c] = health.NewMonitor(rate, c+1, bits)
	}
	var detectors sync.WaitGroup
	for c := range channels {
		queues[c] = make(chan *block, cap(pool.free))
		detectors.Go(func() {
			o := setup.Listening(c + 1)
			o.Tables = converters
			d := dsp.NewDetector(rate, c+1, o)
			own := make([]float32, blockFrames)
			for b := range queues[c] {
				x := b.data[c][:b.frames]
				if b.raw {
					monitors[c].Push(x)
				}
				if b.leaks {
					separator.One(c+1, own[:b.frames], b.data[0][:b.frames], b.data[1][:b.frames])
					x = own[:b.frames]
				}
				d.Push(x)
				if b.users.Add(-1) == 0 {
					pool.put(b)
				}
			}
			if ctx.Err() == nil {
				trains[c], states[c] = d.End(), monitors[c].Finish()
			}
		})
	}
	done := make(chan error, 1)
	go func() {
		err := feed(ctx, src, separator, monitors, pool, queues)
		for _, q := range queues {
			close(q)
		}
		detectors.Wait()
		if err == nil && ctx.Err() == nil {
			dsp.Settle(trains)
		}
		done <- err
	}()
	select {
	case err := <-done:
		if err != nil {
			return nil, nil, err
		}
		return trains, states, ctx.Err()
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
}

// leastGoodRate is the sampling rate (Hz) below which a result comes with a
// remark: at 32 kHz the simulated reeds are still found without loss, at 22 not.
const leastGoodRate = 32000

// feed reads blocks and hands each to every queue, until the end of src. With a
// separator the first stretch is gathered in it and comes out separated, so that
// the monitors are shown it here; after that each detector takes the leak out of
// its own channel.
func feed(ctx context.Context, src blockSource, separator *dsp.Separator, monitors []*health.Monitor, pool *pool, queues []chan *block) error {
	send := func(b *block, frames int, raw, leaks bool) {
		b.frames, b.raw, b.leaks = frames, raw, leaks
		pool.sent.Add(int64(frames))
		b.users.Store(int32(len(queues)))
		for _, q := range queues {
			q <- b
		}
	}
	// resend cuts what the separator gathered into blocks.
	resend := func(x, y []float32) {
		for len(x) > 0 {
			b := pool.get()
			n := copy(b.data[0], x)
			copy(b.data[1], y)
			send(b, n, false, false)
			x, y = x[n:], y[n:]
		}
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		b := pool.get()
		n, err := src.Read(b.data)
		switch {
		case n == 0:
			pool.put(b)
		case separator == nil:
			send(b, n, true, false)
		case separator.Ready():
			send(b, n, true, !separator.Idle())
		default:
			var pushed sync.WaitGroup
			for c, m := range monitors {
				pushed.Go(func() { m.Push(b.data[c][:n]) })
			}
			x, y := separator.Gather(b.data[0][:n], b.data[1][:n])
			pushed.Wait()
			pool.put(b)
			resend(x, y)
		}
		if errors.Is(err, io.EOF) {
			if separator != nil {
				resend(separator.Flush())
			}
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// measureStream measures the recording that r holds; path is what to call it.
func measureStream(ctx context.Context, r io.Reader, path string, setup analysis.Setup) (*analysis.Result, error) {
	return measureFile(ctx, r, path, setup, false)
}

// measureFile is measureStream that, where wanted, also takes the recording's
// fingerprint, at some 5 ns a sample.
func measureFile(ctx context.Context, r io.Reader, path string, setup analysis.Setup, fingerprinted bool) (*analysis.Result, error) {
	rec, trains, err := listenTo(ctx, r, path, setup, fingerprinted)
	if err != nil {
		return nil, err
	}
	result, err := analysis.Measure(rec, trains, setup)
	if err != nil {
		return nil, unreadable(path, err)
	}
	return result, nil
}

// listen takes in the recording that r holds: its pulses by channel, and what
// is known of it as a whole. path is what to call it.
func listen(ctx context.Context, r io.Reader, path string, setup analysis.Setup) (rec analysis.Recording, trains []dsp.Train, err error) {
	return listenTo(ctx, r, path, setup, false)
}

// fingerprinting is a source of which a fingerprint is taken as it is read.
type fingerprinting struct {
	blockSource
	sum *fingerprint.Sum
}

func (f fingerprinting) Read(dst [][]float32) (int, error) {
	n, err := f.blockSource.Read(dst)
	f.sum.Push(dst, n)
	return n, err
}

// listenTo is listen that, where wanted, also takes the recording's fingerprint.
func listenTo(ctx context.Context, r io.Reader, path string, setup analysis.Setup, fingerprinted bool) (rec analysis.Recording, trains []dsp.Train, err error) {
	how := detecting(detect)
	if other, ok := ctx.Value(detectingKey{}).(detecting); ok {
		how = other
	}
	return listenBy(ctx, r, path, setup, fingerprinted, how)
}

// detectingKey is under what a context may hold another way to run the detectors.
type detectingKey struct{}

// detecting is a way to run the detectors: detect or detectAlone, which give the
// same.
type detecting func(ctx context.Context, src blockSource, rate dsp.Rate, channels, bits int, setup analysis.Setup) ([]dsp.Train, []health.Channel, error)

// listenBy is listenTo by one way of running the detectors.
func listenBy(ctx context.Context, r io.Reader, path string, setup analysis.Setup, fingerprinted bool, detect detecting) (rec analysis.Recording, trains []dsp.Train, err error) {
	reader, err := flac.Open(r)
	if err != nil {
		return rec, nil, unreadable(path, err)
	}
	f := reader.Format()
	if err := hasChannels(f, setup); err != nil {
		return rec, nil, err
	}
	var source blockSource = reader
	var sum *fingerprint.Sum
	if fingerprinted {
		sum = fingerprint.New(f.Rate, f.Channels)
		source = fingerprinting{reader, sum}
	}
	trains, states, err := detect(ctx, source, f.Rate, f.Channels, stepBits(f), setup)
	if err != nil {
		if ctx.Err() != nil {
			return rec, nil, err
		}
		return rec, nil, unreadable(path, err)
	}
	rec = analysis.Recording{
		Path:         path,
		SampleRateHz: float64(f.Rate),
		Channels:     f.Channels,
		Bits:         f.Bits,
		Encoding:     string(f.Encoding),
		DurationS:    f.Rate.Seconds(float64(trains[0].Frames)),
		Remarks:      reader.Remarks(),
		Health:       states,
	}
	if sum != nil {
		rec.Fingerprint = sum.String()
	}
	if f.Rate < leastGoodRate {
		rec.Remarks = append(rec.Remarks, fmt.Sprintf("The recording has %.0f samples a second: one is %.1f° of a turn at 6000 rpm, and a reed's bounce is hardly seen. Record at 44 100 or more.", float64(f.Rate), 360*100/float64(f.Rate)))
	}
	return rec, trains, nil
}

// hasChannels finds a channel that was named and is not there.
func hasChannels(f wav.Format, setup analysis.Setup) error {
	for _, c := range []struct {
		flag string
		n    int
	}{{"--spark-channel", setup.SparkChannel}, {"--reference-channel", setup.ReferenceChannel}} {
		if c.n > f.Channels {
			return usagef("%s %d: the recording has only %s", c.flag, c.n, channels(f.Channels))
		}
	}
	return nil
}

// stepBits is the bits of a sample that is a whole number of steps; 0: it is
// not.
func stepBits(f wav.Format) int {
	if f.Encoding == wav.Float {
		return 0
	}
	return f.Bits
}

// channels counts channels in words.
func channels(n int) string {
	if n == 1 {
		return "1 channel"
	}
	return fmt.Sprintf("%d channels", n)
}

// unreadable puts the recording's name before what is wrong with it.
func unreadable(path string, err error) error {
	if path == "-" {
		path = "standard input"
	}
	return fmt.Errorf("%s: %w", path, err)
}
