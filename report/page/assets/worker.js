// The worker: runs the engine, feeds it samples, asks it, keeps the recording.
'use strict';

importScripts('wasm_exec.js');

const ROOM_BYTES = 512 * 2 ** 20; // of the recording that is kept
const CHUNK_FRAMES = 1 << 16;

let engine = null; // exports of the program
let roomFrames = 0;
let view = null; // of the program's samples, made again when its memory grew
let input = null; // what is being listened to
let want = [];
let cost = 0; // ms of a reading, smoothed
let lastRead = 0;
let lastBlock = 0;
let file = null; // that is being measured
const fileReader = typeof FileReaderSync === 'undefined' ? null : new FileReaderSync();
let tape = null;

self.sparkscopeReady = () => { self.postMessage({ kind: 'ready' }); };
self.sparkscopeRead = (offset, size) => {
  try {
    return new Uint8Array(fileReader.readAsArrayBuffer(file.slice(offset, offset + size)));
  } catch (e) {
    return null;
  }
};
let toldProgress = 0;
self.sparkscopeProgress = (s) => {
  const now = performance.now();
  if (now - toldProgress > 200) {
    toldProgress = now;
    self.postMessage({ kind: 'progress', seconds: s });
  }
};

async function load() {
  const go = new Go();
  const response = await fetch('engine.wasm');
  if (!response.ok) throw new Error('the engine cannot be loaded: ' + response.status);
  // A host that does not say that it is WebAssembly gets it read first.
  const said = (response.headers.get('Content-Type') || '').startsWith('application/wasm');
  const made = said ? await WebAssembly.instantiateStreaming(response, go.importObject)
    : await WebAssembly.instantiate(await response.arrayBuffer(), go.importObject);
  engine = made.instance.exports;
  const run = go.run(made.instance);
  run.then(() => self.postMessage({ kind: 'failed', text: 'The engine has stopped. Load the page again.' }));
  roomFrames = engine.room();
}

const loaded = load().catch((e) => {
  self.postMessage({ kind: 'failed', text: String(e && e.message ? e.message : e) });
  throw e;
});

function ask(question, argument) {
  const a = JSON.parse(self.sparkscopeAsk(question, JSON.stringify(argument === undefined ? {} : argument)));
  if (a.error !== undefined) throw new Error(a.error);
  return a.answer;
}

function samples() {
  if (view === null || view.buffer !== engine.mem.buffer) {
    view = new Float32Array(engine.mem.buffer, engine.where(), 2 * roomFrames);
  }
  return view;
}

// block takes one block of the tap: both channels, one behind the other.
function block(x, at) {
  if (!input) return;
  const n = x.length / 2;
  const to = samples();
  to.set(x.subarray(0, n), 0);
  to.set(x.subarray(n), roomFrames);
  const anew = engine.push(n, input.channels, at);
  lastBlock = performance.now();
  // The input stumbled as it started: the recording begins where the reading does.
  if (tape && anew >= 0) tape = new Tape(input.rate, input.channels);
  if (tape) tape.add(x, n, Math.max(0, anew));
  if (lastBlock - lastRead >= Math.max(80, Math.min(400, 6 * cost))) look();
}

function look(silent) {
  if (!input) return;
  const begun = performance.now();
  lastRead = begun;
  try {
    const a = ask(input.tone ? 'heard' : 'read', input.tone ? {} : { want, silent_s: silent || 0 });
    const took = performance.now() - begun;
    cost += (took - cost) / 8;
    self.postMessage({ kind: input.tone ? 'heard' : 'reading', a, cost, tape: tape ? tape.seconds() : 0, room: ROOM_BYTES / 4 / input.channels / input.rate, silent: silent || 0 });
  } catch (e) {
    self.postMessage({ kind: 'failed', text: e.message });
  }
}

// Nothing coming in is said too: the engine knows no clock.
setInterval(() => {
  if (input && lastBlock > 0 && performance.now() - lastBlock > 500) {
    look((performance.now() - lastBlock) / 1000);
  }
}, 250);

// Tape keeps what was heard, as floats, in pieces that the browser may put on
// disk; the oldest go when there is no more room.
class Tape {
  constructor(rate, channels) {
    this.rate = rate;
    this.channels = channels;
    this.pieces = [];
    this.bytes = 0;
    this.dropped = 0;
    this.open = new Float32Array(channels * CHUNK_FRAMES);
    this.fill = 0;
  }

  add(x, n, from) {
    const c = this.channels;
    for (let i = from; i < n; i++) {
      this.open[this.fill++] = x[i];
      if (c === 2) this.open[this.fill++] = x[n + i];
      if (this.fill === this.open.length) this.close();
    }
  }

  close() {
    if (this.fill === 0) return;
    const b = new Blob([this.open.subarray(0, this.fill)]);
    this.pieces.push(b);
    this.bytes += b.size;
    this.fill = 0;
    while (this.bytes > ROOM_BYTES) {
      const old = this.pieces.shift();
      this.bytes -= old.size;
      this.dropped += old.size;
    }
  }

  seconds() { return (this.bytes / 4 + this.fill) / this.channels / this.rate; }

  wav() {
    this.close();
    const head = new DataView(new ArrayBuffer(58));
    const text = (at, s) => { for (let i = 0; i < s.length; i++) head.setUint8(at + i, s.charCodeAt(i)); };
    const c = this.channels;
    text(0, 'RIFF'); head.setUint32(4, 50 + this.bytes, true); text(8, 'WAVE');
    text(12, 'fmt '); head.setUint32(16, 18, true); head.setUint16(20, 3, true); head.setUint16(22, c, true);
    head.setUint32(24, this.rate, true); head.setUint32(28, this.rate * c * 4, true); head.setUint16(32, c * 4, true); head.setUint16(34, 32, true);
    head.setUint16(36, 0, true);
    text(38, 'fact'); head.setUint32(42, 4, true); head.setUint32(46, this.bytes / 4 / c, true);
    text(50, 'data'); head.setUint32(54, this.bytes, true);
    return new Blob([head.buffer, ...this.pieces], { type: 'audio/wav' });
  }
}

const acts = {
  // A question for the engine alone.
  ask(m) { return ask(m.question, m.argument); },

  listen(m) {
    let anew = true;
    if (m.tone) {
      ask('tone', { rate_hz: m.rate, channels: m.channels, tone_hz: m.toneHz });
      tape = null;
    } else if (m.resume && input && !input.tone && input.rate === m.rate && input.channels === m.channels) {
      ask('read', { lost_s: Math.max(0.001, (performance.now() - lastBlock) / 1000) });
      anew = false;
    } else {
      ask('start', { rate_hz: m.rate, channels: m.channels, sparks: m.sparks, keep: Boolean(m.resume) });
      tape = new Tape(m.rate, m.channels);
    }
    if (input) input.port.close();
    input = { port: m.port, rate: m.rate, channels: m.channels, tone: Boolean(m.tone) };
    lastBlock = performance.now();
    m.port.onmessage = (e) => block(e.data.x, e.data.at);
    return { anew };
  },

  // renew takes a changed set-up; the recording goes on.
  renew() { return input && !input.tone ? ask('renew') : { anew: false }; },

  want(m) { want = m.want; return {}; },

  look() { look(); return {}; },

  // end stops listening and measures all of it.
  end(m) {
    if (!input) return null;
    input.port.close();
    const was = input;
    input = null;
    if (was.tone) return null;
    return ask('finish', { name: m.name, whole: Boolean(tape) && tape.dropped === 0 });
  },

  tape() { return tape && tape.seconds() > 0 ? { wav: tape.wav(), dropped: tape.dropped } : null; },

  measure(m) {
    if (!fileReader) throw new Error('This browser cannot read files in a worker.');
    file = m.file;
    return ask('measure', { name: m.file.name });
  },
};

self.onmessage = async (e) => {
  const m = e.data;
  try {
    await loaded;
    self.postMessage({ kind: 'answer', id: m.id, answer: acts[m.act](m) });
  } catch (err) {
    self.postMessage({ kind: 'answer', id: m.id, error: err.message || String(err) });
  }
};
