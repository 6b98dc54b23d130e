// Lets the page's engine listen for hours, as quickly as it can, and prints how
// much memory it has at every half hour: node memory.js ASSETS SAMPLES HOURS.
// SAMPLES is stereo, 48 000 Hz, floats of 32 bits, one channel behind the other;
// it is played again and again.
'use strict';

const fs = require('fs');
const path = require('path');
const zlib = require('zlib');
const [assets, file, hours] = [process.argv[2], process.argv[3], Number(process.argv[4])];
const rate = 48000;
const block = 512; // as the page's

(0, eval)(fs.readFileSync(path.join(assets, 'wasm_exec.js'), 'utf8'));
const bytes = fs.readFileSync(file);
const all = new Float32Array(bytes.buffer, bytes.byteOffset, bytes.length / 4);
const n = all.length / 2;

globalThis.sparkscopeProgress = () => {};
globalThis.sparkscopeReady = () => setTimeout(listen, 0);

let engine = null;
function ask(question, argument) {
  const a = JSON.parse(globalThis.sparkscopeAsk(question, JSON.stringify(argument)));
  if (a.error !== undefined) throw new Error(a.error);
  return a.answer;
}

function listen() {
  const room = engine.room();
  let view = null;
  ask('start', { rate_hz: rate, channels: 2, sparks: 20 });
  let at = 0;
  let from = 0;
  let reads = 0;
  let sparks = 0;
  for (let half = 1; half <= 2 * hours; half++) {
    while (at < half * 1800 * rate) {
      if (!view || view.buffer !== engine.mem.buffer) view = new Float32Array(engine.mem.buffer, engine.where(), 2 * room);
      if (from + block > n) from = 0;
      view.set(all.subarray(from, from + block), 0);
      view.set(all.subarray(n + from, n + from + block), room);
      engine.push(block, 2, at);
      at += block;
      from += block;
      if (at >= 2 * rate * (reads + 1)) { // a look lasts 2.5 s
        sparks = ask('read', { want: reads++ % 10 === 0 ? ['strip', 'curve', 'wheel', 'pulses'] : [], silent_s: 0 }).reading.counts.sparks;
      }
    }
    console.log(`${half / 2} ${sparks} ${engine.mem.buffer.byteLength / 2 ** 20}`);
  }
  process.exit(0);
}

const go = new globalThis.Go();
const module_ = new WebAssembly.Module(zlib.gunzipSync(fs.readFileSync(path.join(assets, 'engine.wasm.gz'))));
const instance = new WebAssembly.Instance(module_, go.importObject);
engine = instance.exports;
go.run(instance);
