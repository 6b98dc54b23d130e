// The tap: takes the samples out of the browser's audio graph, packs them into
// blocks of both channels, and hands them to the worker. It computes nothing.
'use strict';

class Tap extends AudioWorkletProcessor {
  constructor(options) {
    super();
    this.frames = options.processorOptions.frames;
    this.out = null; // the worker's port
    this.fill = 0;
    this.begin = 0; // number of the block's first frame
    this.done = false;
    this.block = new Float32Array(2 * this.frames);
    this.port.onmessage = (e) => {
      if (e.data.port) this.out = e.data.port;
      if (e.data.end) this.done = true;
    };
  }

  send() {
    if (this.fill > 0 && this.out) {
      const x = this.fill === this.frames ? this.block : new Float32Array(2 * this.fill);
      if (x !== this.block) {
        x.set(this.block.subarray(0, this.fill), 0);
        x.set(this.block.subarray(this.frames, this.frames + this.fill), this.fill);
      }
      this.out.postMessage({ x, at: this.begin }, [x.buffer]);
      this.block = new Float32Array(2 * this.frames);
    }
    this.fill = 0;
  }

  process(inputs) {
    const a = inputs[0];
    if (this.done) return false;
    if (!this.out || !a || a.length === 0) return true;
    const n = a[0].length;
    if (this.fill > 0 && this.begin + this.fill !== currentFrame) this.send(); // frames were left out
    if (this.fill === 0) this.begin = currentFrame;
    this.block.set(a[0], this.fill);
    this.block.set(a.length > 1 ? a[1] : a[0], this.frames + this.fill);
    this.fill += n;
    if (this.fill + n > this.frames) this.send();
    return true;
  }
}

registerProcessor('sparkscope-tap', Tap);
