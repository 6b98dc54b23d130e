// Package synth makes samples of pulses whose true moments are known: shapes
// in continuous time, seen through the band limit of a converter, placed at
// any fraction of a sample.
//
// The steps, in the order of a real recording:
//
//  1. a Shape or an Edge in continuous time, with a documented onset;
//  2. a Kernel, the converter's band limit; Convert tabulates shape * kernel
//     on a grid much finer than the samples;
//  3. Signals: Pulses, Switch, Lobes place what was tabulated at event times;
//  4. Channels mix signals (gain, polarity, crosstalk), add hum, couple them
//     through a high-pass, add noise and offset, clip and quantise.
//
// It knows nothing of engines. Randomness comes from explicit seeds only, and
// the samples do not depend on the block size they are asked for in.
package synth
