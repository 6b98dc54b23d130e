// The page: asks for the input, hands it to the worker, shows what comes back.
// No figure is worked out here; see worker.js and the engine.
'use strict';

const $ = (id) => document.getElementById(id);
const STALE_MS = 1000;
const store = {
  get(k) { try { return localStorage.getItem('sparkscope.' + k); } catch (e) { return null; } },
  set(k, v) { try { if (v === null) localStorage.removeItem('sparkscope.' + k); else localStorage.setItem('sparkscope.' + k, v); } catch (e) { /* private mode: not kept */ } },
};

// ---- the worker ----

const worker = new Worker('worker.js');
const waiting = new Map();
let asked = 0;
let busy = false; // it measures a file or ends: nothing else comes from it

function tell(message, transfer) {
  return new Promise((resolve, reject) => {
    const id = ++asked;
    waiting.set(id, { resolve, reject });
    worker.postMessage({ ...message, id }, transfer || []);
  });
}
const ask = (question, argument) => tell({ act: 'ask', question, argument });

worker.onmessage = (e) => {
  const m = e.data;
  switch (m.kind) {
    case 'ready': onReady(); break;
    case 'answer': {
      const w = waiting.get(m.id);
      waiting.delete(m.id);
      if (m.error !== undefined) w.reject(new Error(m.error)); else w.resolve(m.answer);
      break;
    }
    case 'reading': onReading(m); break;
    case 'heard': onHeard(m.a); break;
    case 'progress': $('progress').textContent = `Read ${m.seconds.toFixed(0)} s of it …`; break;
    case 'failed': fail(m.text); break;
  }
};
worker.onerror = (e) => fail('The engine cannot be started' + (e.message ? ': ' + e.message : '.'));

function fail(text) {
  setState(text, true);
  note('failed', text);
}

// ---- what is shown ----

let phase = 'loading'; // loading, idle, opening, listening, lost, tone, ending
let shown = null; // the last reading
let shownAt = 0; // when it came, ms
let held = null;
let silentS = 0;
let stoppedAt = ''; // the time of day; empty: it was not

function setState(text, alarm) {
  $('state').textContent = text;
  $('state').dataset.alarm = alarm ? 'yes' : '';
}

// note shows a sentence that stays until it is taken back.
function note(key, text) {
  let p = $('notes').querySelector(`[data-key="${key}"]`);
  if (!text) { if (p) p.remove(); return; }
  if (!p) {
    p = document.createElement('p');
    p.dataset.key = key;
    $('notes').append(p);
  }
  if (p.textContent !== text) p.textContent = text;
}
function clearNotes() { $('notes').replaceChildren(); }

function text(id, s) { const e = $(id); if (e.textContent !== s) e.textContent = s; }

function show(a) {
  const w = a.words;
  const r = a.reading;
  const d = $('desk');
  d.dataset.mode = w.mode;
  d.dataset.way = w.way;
  d.dataset.provisional = r.provisional && w.by && !r.stale ? 'yes' : '';
  text('act', w.act);
  text('by', w.by);
  text('pm', w.by_plus_minus);
  text('why', w.why);
  text('how', w.how);
  text('angle', w.angle || '–');
  text('angle-of', w.angle_of + (w.plus_minus && w.angle ? ' ' + w.plus_minus.replace(' ', '\u00a0') : ''));
  text('scatter', w.scatter || '–');
  text('n', String(r.n || sparks));
  text('rpm', w.rpm || '–');
  text('marked', w.marked);
  text('counts', w.counts);
  drawAim(a);
}

function onReading(m) {
  const a = m.a;
  shown = a;
  shownAt = performance.now();
  silentS = m.silent;
  if (!held) show(a);
  for (const k of [1, 2]) level(k, a.reading.levels[k - 1], a);
  noticed(a);
  findings(a.reading.findings);
  drawViews(a);
  text('tape', `Kept so far: ${clock(m.tape)} of at most ${clock(m.room)}; then its beginning goes.`);
  age();
  if (phase === 'listening') sayState();
  announce(a.words);
}

const sentence = (s) => s[0].toUpperCase() + s.slice(1) + '.';
function clock(s) { return `${Math.floor(s / 60)} min ${String(Math.floor(s % 60)).padStart(2, '0')} s`; }

function level(k, l, a) {
  const row = $('level-' + k).parentElement;
  row.hidden = !l;
  if (!l) return;
  text('level-name-' + k, k === a.spark_channel && k === a.reference_channel ? `${k}: both` : k === a.spark_channel ? `${k}: spark` : k === a.reference_channel ? `${k}: reference` : `Channel ${k}`);
  let word = Math.round(100 * (l.peak || 0)) + ' % of full scale';
  let bad = true;
  if (l.clipped) word = 'Too high: turn the level down';
  else if (l.dead) word = 'Nothing: is it plugged in?';
  else if (l.low) word += ': very low';
  else bad = false;
  text('level-word-' + k, word);
  $('level-word-' + k).classList.toggle('bad', bad);
  const m = $('level-' + k);
  const percent = Math.round(100 * Math.min(1, l.peak || 0));
  m.setAttribute('aria-valuenow', String(percent));
  m.firstElementChild.style.width = percent + '%';
  m.classList.toggle('bad', bad);
}

let gaps = 0;
let gapAt = 0;

// noticed says what the input did to the samples.
function noticed(a) {
  const i = a.input;
  note('same', i.same ? 'Both channels carry the same signal. The input is mono, or the browser or the system mixes or processes it: switch off echo cancelling and noise suppression there, or take an input with two channels.' : '');
  // What happened once need not be said for ever; the counts below keep it.
  const missing = i.jumps + i.tears;
  if (i.silences + missing !== gaps) {
    gaps = i.silences + missing;
    gapAt = performance.now();
  }
  const fresh = gaps > 0 && performance.now() - gapAt < 15000;
  note('silence', fresh && i.silences > 0 ? `The browser was too slow, and put silence into the sound${i.silences === 1 ? '' : ` (${i.silences} times so far)`}. Nothing is measured across it.` : '');
  note('still', i.still && a.reading.time_s > 5 ? 'This input is digitally silent between the pulses: silence that the browser puts in could not be told from that.' : '');
  note('jump', fresh && missing > 0 ? `Samples were lost${missing === 1 ? '' : ` (${missing} times so far)`}. Nothing is measured across the gap.` : '');
}

function findings(all) {
  const ul = $('findings');
  const key = JSON.stringify(all.map((f) => f.message));
  if (ul.dataset.key === key) return;
  ul.dataset.key = key;
  ul.replaceChildren(...all.filter((f) => f.code !== 'timing-offset').slice(0, 6).map((f) => {
    const li = document.createElement('li');
    const b = document.createElement('strong');
    b.textContent = (f.severity === 'serious' ? '⚠ Serious: ' : '⚠ ');
    li.append(b, f.message);
    return li;
  }));
}

// age says how old the figures are, by this page's clock too: an old figure is
// never shown as if it were now.
function age() {
  const live = phase === 'listening' || phase === 'lost';
  let old = 0;
  if (live && shown && shown.reading.advance_deg !== null) {
    const since = (performance.now() - shownAt) / 1000;
    old = Math.max(silentS, since, shown.reading.stale ? shown.reading.age_s + since : 0);
  }
  const stale = old * 1000 > STALE_MS || (live && shown && shown.reading.stale);
  const past = stoppedAt && phase === 'idle' && shown && shown.reading.advance_deg !== null;
  $('desk').dataset.stale = (stale || past) && !held ? 'yes' : '';
  $('desk').dataset.held = held ? 'yes' : '';
  const p = $('age');
  if (past) {
    p.hidden = false;
    text('age', `These are of ${stoppedAt}, when it was stopped.`);
  } else if (held) {
    p.hidden = false;
    text('age', `Held since ${held.at}: not what it reads now.`);
  } else if (stale) {
    p.hidden = false;
    text('age', `These figures are ${Math.max(1, Math.round(old))} s old.`);
  } else {
    p.hidden = true;
    text('age', '');
  }
}
setInterval(() => {
  // The system may change an input's rate under a page that listens.
  if (phase !== 'listening' || !stream) return;
  const rate = stream.getAudioTracks()[0].getSettings().sampleRate;
  if (given && rate && rate !== given) lost('The input has changed its sample rate.');
}, 2000);
setInterval(age, 250);

function sayState() {
  const r = shown.reading;
  const s = { listening: 'Listening: no sparks and reference heard yet.', unfit: 'Something is heard, but it is no measurement yet.', reading: 'Reading.', quiet: 'No spark at the moment.', 'no input': 'Nothing comes from the input.' }[r.state] || '';
  setState(s + (r.provisional && r.advance_deg !== null ? ' Provisional.' : '') + ' ' + route);
}

// announce is for screen readers and for the voice.
let announcedAt = 0;
let spokenAt = 0;
let spokenWords = '';
function announce(w) {
  const now = performance.now();
  if (now - announcedAt > 3000) {
    announcedAt = now;
    text('say', w.speak ? `${w.speak}. Advance ${w.angle}, ${w.rpm} rpm.` : `${w.act}. ${w.why}`);
  }
  if ($('speak').getAttribute('aria-pressed') === 'true' && w.speak && 'speechSynthesis' in window) {
    const since = now - spokenAt;
    // That there is nothing is said once, not every eight seconds.
    if ((w.speak !== spokenWords && since > 2500) || (since > 8000 && w.mode !== 'stale')) {
      utter(w.speak);
    }
  }
}

function utter(words) {
  spokenAt = performance.now();
  spokenWords = words;
  speechSynthesis.cancel();
  const u = new SpeechSynthesisUtterance(words);
  u.lang = 'en';
  speechSynthesis.speak(u);
}

// ---- the input ----

let context = null;
let stream = null;
let tapNode = null;
let route = ''; // how the sound comes in, a sentence
let sparks = 20;
let begunAt = null;
let retry = 0;
let wakeLock = null;
let given; // the rate that the input said it has

async function openInput() {
  if (!navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) {
    throw new Error(window.isSecureContext
      ? 'This browser cannot listen to an input. A recording can still be measured, below.'
      : 'This browser lends the microphone only to pages that come over https or from this machine itself (http://127.0.0.1). Open the page there. A recording can still be measured, below.');
  }
  const off = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: { ideal: 2 } };
  if ($('device').value) off.deviceId = { exact: $('device').value };
  try {
    return await navigator.mediaDevices.getUserMedia({ audio: off });
  } catch (e) {
    switch (e.name) {
      case 'NotAllowedError':
        throw new Error('The browser does not let this page listen. Allow the microphone for this page in the browser (beside the address), and in the system\'s privacy settings, then press Start again. A recording can still be measured, below.');
      case 'NotFoundError':
        throw new Error('There is no input to listen to. Plug the sound card or the adapter in, then press Start again.');
      case 'NotReadableError':
        throw new Error('The input cannot be opened: another program may hold it. Close that, then press Start again.');
      case 'OverconstrainedError':
        $('device').value = '';
        store.set('device', null);
        throw new Error('The input that was chosen is not there any more. Choose another, then press Start again.');
    }
    throw new Error('The input cannot be opened: ' + e.message);
  }
}

const within = (promise, ms) => Promise.race([promise, new Promise((resolve) => setTimeout(resolve, ms))]);

// listen opens the input and hands its samples to the worker. kind: what to do.
async function listen(kind) {
  stream = await openInput();
  const track = stream.getAudioTracks()[0];
  const s = track.getSettings();
  const processed = [['echoCancellation', 'echo cancelling'], ['noiseSuppression', 'noise suppression'], ['autoGainControl', 'automatic gain'], ['voiceIsolation', 'voice isolation']].filter(([k]) => s[k]).map(([, word]) => word);
  note('processed', processed.length ? `The browser does not switch off ${processed.join(' and ')} for this input. It changes the pulses: the angle cannot be trusted. Take another input, or switch it off in the system.` : '');
  try {
    context = new AudioContext(s.sampleRate ? { sampleRate: s.sampleRate, latencyHint: 'interactive' } : { latencyHint: 'interactive' });
  } catch (e) {
    context = new AudioContext({ latencyHint: 'interactive' });
  }
  await within(context.resume(), 2000);
  const rate = context.sampleRate;
  const mono = s.channelCount === 1;
  note('resampled', s.sampleRate && s.sampleRate !== rate ? `The browser resamples the input from ${s.sampleRate} to ${rate} samples a second: narrow pulses get blurred. Set the input to ${rate} in the system's sound settings.` : '');
  note('mono', mono ? 'The input is mono: both pick-ups must be on its one channel.' : '');
  route = `${rate} samples a second${s.sampleRate ? '' : ' (whether they were resampled this browser does not say)'}, ${mono ? 'one channel' : 'two channels'}.`;
  await context.audioWorklet.addModule('tap.js');
  const source = context.createMediaStreamSource(stream);
  const frames = rate > 100000 ? 2048 : rate > 50000 ? 1024 : 512;
  tapNode = new AudioWorkletNode(context, 'sparkscope-tap', { numberOfInputs: 1, numberOfOutputs: 1, outputChannelCount: [1], channelCount: 2, channelCountMode: 'explicit', channelInterpretation: 'discrete', processorOptions: { frames } });
  const channel = new MessageChannel();
  tapNode.port.postMessage({ port: channel.port1 }, [channel.port1]);
  const tone = kind.tone ? { tone: true, toneHz: kind.toneHz } : {};
  const began = await tell({ act: 'listen', port: channel.port2, rate, channels: mono ? 1 : 2, sparks, resume: Boolean(kind.resume), ...tone }, [channel.port2]);
  // Not every browser runs what leads nowhere; the tap puts nothing out.
  source.connect(tapNode).connect(context.destination);
  given = s.sampleRate;
  note('anew', kind.resume && began.anew ? `The input came back in another form (${route.slice(0, -1)}): the reading begins anew, and so does the recording.` : '');
  track.onended = () => lost('The input is gone: was it unplugged?');
  context.onstatechange = () => {
    if ((phase === 'listening' || phase === 'tone') && context && context.state !== 'running') within(context.resume(), 1000).catch(() => {});
  };
  listDevices(s.deviceId);
}

async function listDevices(current) {
  if (!navigator.mediaDevices || !navigator.mediaDevices.enumerateDevices) return;
  const all = (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === 'audioinput' && d.deviceId);
  const was = $('device').value || store.get('device') || '';
  const options = [new Option('the system\'s own', '')];
  all.forEach((d, i) => { if (d.deviceId !== 'default') options.push(new Option(d.label || `Input ${i + 1}`, d.deviceId)); });
  $('device').replaceChildren(...options);
  $('device').value = options.some((o) => o.value === was) ? was : '';
  if (current && was === '' && options[0].text === 'the system\'s own') {
    const now = all.find((d) => d.deviceId === current);
    if (now && now.label) options[0].text = 'the system\'s own: ' + now.label.replace(/^Default - /, '');
  }
}

$('device').addEventListener('change', () => store.set('device', $('device').value || null));

function closeInput() {
  if (tapNode) tapNode.port.postMessage({ end: true });
  if (stream) for (const t of stream.getTracks()) { t.onended = null; t.stop(); }
  if (context) { context.onstatechange = null; context.close().catch(() => {}); }
  tapNode = stream = context = null;
}

async function start() {
  if (phase !== 'idle') return;
  setPhase('opening');
  clearNotes();
  held = null;
  press('hold', false);
  shown = null;
  silentS = 0;
  stoppedAt = '';
  setState('Opening the input …');
  try {
    await listen({});
    text('mark', 'Mark before');
    begunAt = new Date();
    shownAt = performance.now();
    setPhase('listening');
    $('cautions').classList.add('short');
    text('act', 'Listening');
    text('why', 'Start the engine; the clamp on the spark lead, the pick-up at its magnet.');
    $('desk').dataset.mode = 'listen';
    setState('Listening. ' + route);
    sendWant();
    stayAwake();
  } catch (e) {
    closeInput();
    setPhase('idle');
    setState(e.message, true);
    note('input', e.message);
    text('say', e.message);
  }
}

// stayAwake keeps a phone's screen on; the system takes it back when the page is
// hidden.
function stayAwake() {
  if (navigator.wakeLock && phase === 'listening' && !document.hidden) navigator.wakeLock.request('screen').then((l) => { wakeLock = l; }, () => {});
}
document.addEventListener('visibilitychange', stayAwake);

// lost keeps what there is and tries to go on.
function lost(why) {
  if (phase !== 'listening' && phase !== 'tone') return;
  const tone = phase === 'tone';
  closeInput();
  if (tone) { stopTone(); note('input', why); return; }
  setPhase('lost');
  silentS = Math.max(silentS, 1.01);
  note('lost', why + ' What was read is kept. When the input is there again, it goes on by itself; or press Stop.');
  text('say', why);
  if (pressed('speak') && 'speechSynthesis' in window) utter('No input');
  setState('Waiting for the input.', true);
  clearInterval(retry);
  retry = setInterval(goOn, 2000);
}

async function goOn() {
  if (phase !== 'lost' || stream) return;
  try {
    await listen({ resume: true });
    clearInterval(retry);
    note('lost', '');
    setPhase('listening');
  } catch (e) {
    closeInput();
  }
}

async function stop() {
  if (phase !== 'listening' && phase !== 'lost') return;
  clearInterval(retry);
  setPhase('ending');
  closeInput();
  if (wakeLock) { wakeLock.release().catch(() => {}); wakeLock = null; }
  setState('Measuring all of it …');
  const name = 'live ' + stamp(begunAt);
  try {
    const f = await tell({ act: 'end', name });
    setState('Stopped. The report is ready below.');
    recorded = { name, at: begunAt || new Date(), file: false };
    finished(f);
  } catch (e) {
    setState('Stopped. There is no report: ' + e.message, true);
    text('result-head', 'No report: ' + e.message);
  }
  $('desk').dataset.mode = 'idle';
  $('desk').dataset.way = '';
  $('desk').dataset.provisional = '';
  $('aim').hidden = true;
  held = null;
  press('hold', false);
  stoppedAt = new Date().toLocaleTimeString();
  text('act', 'Stopped');
  text('why', 'Press Start to listen again.');
  text('how', '');
  note('lost', '');
  $('save-wav').disabled = false;
  $('d-save').open = true;
  setPhase('idle');
}

function stamp(d) {
  const two = (n) => String(n).padStart(2, '0');
  return `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())} ${two(d.getHours())}-${two(d.getMinutes())}-${two(d.getSeconds())}`;
}

let report = null;
let recorded = { name: '', at: new Date(), file: false }; // what was measured, and when
function finished(f) {
  if (!f) return;
  report = f;
  text('result-head', f.headline);
  $('result').hidden = false;
  $('result').textContent = f.text;
  $('save-report').disabled = false;
  $('save-json').disabled = false;
  // Whoever keeps results, such as a logbook, listens for this.
  document.dispatchEvent(new CustomEvent('sparkscope:finished', { detail: { result: f.result, headline: f.headline, engine: toml, name: values['engine.name'] || '',
    recording: recorded.name, recorded: recorded.at.toISOString(), file: recorded.file } }));
}

function setPhase(p) {
  const had = document.activeElement;
  phase = p;
  const on = p === 'listening' || p === 'lost';
  $('start').hidden = on || p === 'ending';
  $('stop').hidden = !on && p !== 'ending';
  $('stop').disabled = !on;
  for (const id of ['hold', 'mark', 'reset']) $(id).disabled = !on;
  $('device').disabled = p !== 'idle';
  $('file').disabled = p !== 'idle';
  $('tone-start').disabled = p !== 'idle';
  $('start').disabled = p === 'loading' || p === 'tone';
  document.body.dataset.phase = p;
  // The button that was pressed goes; the keyboard stays with its successor.
  if (had === $('start') && on) $('stop').focus();
  if (had === $('stop') && p === 'idle') $('start').focus();
}

function press(id, on) { $(id).setAttribute('aria-pressed', on ? 'true' : 'false'); }
const pressed = (id) => $(id).getAttribute('aria-pressed') === 'true';

const acts = {
  start, stop,
  hold() {
    if ($('hold').disabled || !shown) return;
    held = held ? null : { at: new Date().toLocaleTimeString() };
    press('hold', Boolean(held));
    if (!held) show(shown);
    age();
  },
  async mark() {
    if ($('mark').disabled) return;
    try {
      const m = await ask('mark');
      text('say', `Marked: ${m.mark}`);
      text('mark', 'Mark after');
      note('mark', '');
    } catch (e) { note('mark', e.message); }
  },
  async reset() {
    if ($('reset').disabled) return;
    held = null;
    press('hold', false);
    await ask('reset');
    text('mark', 'Mark before');
    text('say', 'Reset');
  },
  speak() {
    if (!('speechSynthesis' in window)) { note('speak', 'This browser has no voice.'); return; }
    press('speak', !pressed('speak'));
    if (!pressed('speak')) speechSynthesis.cancel();
    store.set('speak', pressed('speak') ? 'yes' : null);
  },
  fewer() { setSparks(sparks - (sparks > 10 ? 5 : 1)); },
  more() { setSparks(sparks + (sparks >= 10 ? 5 : 1)); },
};
for (const id of ['start', 'stop', 'hold', 'mark', 'reset', 'speak', 'fewer', 'more']) $(id).addEventListener('click', () => acts[id]());

function setSparks(n) {
  sparks = Math.max(1, Math.min(1000, n));
  text('sparks', String(sparks));
  store.set('sparks', String(sparks));
  ask('sparks', { n: sparks }).catch(() => {});
}

document.addEventListener('keydown', (e) => {
  if (!pressed('keys') || e.ctrlKey || e.altKey || e.metaKey || /^(INPUT|TEXTAREA|SELECT)$/.test(e.target.tagName)) return;
  const act = { s: phase === 'idle' ? 'start' : 'stop', h: 'hold', m: 'mark', r: 'reset', v: 'speak', '+': 'more', '=': 'more', '-': 'fewer' }[e.key.toLowerCase()];
  if (act) { e.preventDefault(); acts[act](); }
});

$('keys').addEventListener('click', () => {
  press('keys', !pressed('keys'));
  store.set('keys', pressed('keys') ? null : 'no');
});

window.addEventListener('beforeunload', (e) => {
  if (phase === 'listening' || phase === 'lost') e.preventDefault(); // the recording would be gone
});

// ---- drawing ----

function pen(id, draw) {
  const c = $(id);
  if (c.parentElement.tagName === 'FIGURE') c.parentElement.classList.add('has');
  const box = c.getBoundingClientRect();
  if (box.width < 10 || box.height < 10) return;
  const scale = window.devicePixelRatio || 1;
  const w = Math.round(box.width * scale);
  const h = Math.round(box.height * scale);
  if (c.width !== w || c.height !== h) { c.width = w; c.height = h; }
  const g = c.getContext('2d');
  g.setTransform(scale, 0, 0, scale, 0, 0);
  g.clearRect(0, 0, box.width, box.height);
  const css = getComputedStyle(document.documentElement);
  const ink = (n) => css.getPropertyValue('--' + n).trim();
  const size = parseFloat(css.fontSize);
  g.font = `${0.8 * size}px ${css.fontFamily}`;
  g.lineJoin = 'round';
  draw(g, box.width, box.height, ink, 0.8 * size);
}

// ticks are round numbers from lo to hi, about so many.
function ticks(lo, hi, about) {
  const raw = (hi - lo) / Math.max(1, about);
  const p = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * p).find((s) => s >= raw) || raw;
  const out = [];
  for (let k = Math.ceil(lo / step); k * step <= hi + 1e-9; k++) out.push(k * step);
  return { at: out, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}
const wrap = (a) => { const x = ((a + 180) % 360 + 360) % 360 - 180; return x === -180 ? 180 : x; };

function line(g, points) {
  g.beginPath();
  points.forEach(([x, y], i) => (i ? g.lineTo(x, y) : g.moveTo(x, y)));
  g.stroke();
}

// drawAim draws where the engine fires beside where it should: left is later.
function drawAim(a) {
  const r = a.reading;
  const has = r.deviation_deg !== null && r.deviation_deg !== undefined;
  $('aim').hidden = !has;
  if (!has) return;
  pen('aim', (g, w, h, ink, em) => {
    const tol = a.tolerance_deg || 0;
    const u = r.expanded_uncertainty_deg || 0;
    const reach = [2, 4, 8, 16, 32, 64, 180].find((s) => s >= Math.max(1.6 * tol, 1.15 * (Math.abs(r.deviation_deg) + Math.min(u, 8)))) || 180;
    const x = (d) => w / 2 + Math.max(-1, Math.min(1, d / reach)) * (w / 2 - 1.2 * em);
    const y = h * 0.52;
    if (tol) {
      g.fillStyle = ink('line');
      g.globalAlpha = 0.6;
      g.fillRect(x(-tol), y - h * 0.22, x(tol) - x(-tol), h * 0.44);
      g.globalAlpha = 1;
    }
    g.strokeStyle = ink('soft');
    g.lineWidth = 2;
    line(g, [[x(-reach), y], [x(reach), y]]);
    g.fillStyle = ink('soft');
    g.textAlign = 'center';
    const t = ticks(-reach, reach, Math.min(8, w / (6 * em)));
    for (const k of t.at) {
      line(g, [[x(k), y - 5], [x(k), y + 5]]);
      if (k !== 0) g.fillText(`${Math.abs(k).toFixed(t.digits)}°`, x(k), h - 0.25 * em);
    }
    g.lineWidth = 4;
    g.strokeStyle = ink('ink');
    line(g, [[x(0), y - h * 0.28], [x(0), y + h * 0.28]]);
    g.fillStyle = ink('ink');
    g.fillText('target', x(0), h - 0.25 * em);
    g.textAlign = 'left';
    g.fillText('later', 0.2 * em, em);
    g.textAlign = 'right';
    g.fillText('earlier', w - 0.2 * em, em);
    const colour = a.words.mode === 'good' ? 'good' : r.deviation_deg > 0 ? 'early' : 'late';
    g.strokeStyle = g.fillStyle = ink(colour);
    g.lineWidth = 5;
    if (u) {
      line(g, [[x(r.deviation_deg - u), y], [x(r.deviation_deg + u), y]]);
      for (const d of [-u, u]) line(g, [[x(r.deviation_deg + d), y - 8], [x(r.deviation_deg + d), y + 8]]);
    }
    const m = x(r.deviation_deg);
    const s = Math.max(9, h * 0.2);
    g.beginPath();
    g.moveTo(m, y - 2);
    g.lineTo(m - s * 0.6, y - s - 2);
    g.lineTo(m + s * 0.6, y - s - 2);
    g.closePath();
    g.fill();
  });
}

// graph draws axes and calls back with the way from figures to places.
function graph(id, xs, ys, labels, paint) {
  pen(id, (g, w, h, ink, em) => {
    const left = 4.2 * em;
    const bottom = 2.6 * em;
    const top = 1.6 * em;
    const x = (v) => left + (v - xs[0]) / (xs[1] - xs[0]) * (w - left - em);
    const y = (v) => h - bottom - (v - ys[0]) / (ys[1] - ys[0]) * (h - bottom - top);
    g.strokeStyle = ink('line');
    g.fillStyle = ink('soft');
    g.lineWidth = 1;
    const tx = ticks(xs[0], xs[1], Math.max(2, (w - left) / (6 * em)));
    const ty = ticks(ys[0], ys[1], Math.max(2, h / (4 * em)));
    g.textAlign = 'center';
    for (const k of tx.at) {
      line(g, [[x(k), h - bottom], [x(k), top]]);
      g.fillText(labels.x ? labels.x(k, tx.digits) : k.toFixed(tx.digits), x(k), h - bottom + 1.2 * em);
    }
    g.textAlign = 'right';
    for (const k of ty.at) {
      line(g, [[left, y(k)], [w - em, y(k)]]);
      g.fillText(labels.y ? labels.y(k, ty.digits) : k.toFixed(ty.digits), left - 0.4 * em, y(k) + 0.35 * em);
    }
    g.fillStyle = ink('ink');
    g.textAlign = 'left';
    g.fillText(labels.top, 0.2 * em, em);
    g.textAlign = 'right';
    g.fillText(labels.bottom, w - 0.5 * em, h - 0.3 * em);
    g.save();
    g.beginPath();
    g.rect(left, top, w - left - em, h - bottom - top);
    g.clip();
    paint(g, x, y, ink, em);
    g.restore();
  });
}

function span(values, least) {
  let lo = Math.min(...values);
  let hi = Math.max(...values);
  const room = Math.max(0, least - (hi - lo)) / 2 + 0.08 * (hi - lo);
  return [lo - room, hi + room];
}
const degree = (k, digits) => wrap(k).toFixed(digits) + '°';

let drawnAt = 0;
let captionAt = 0;
function drawViews(a) {
  const now = performance.now();
  if (now - drawnAt < (matchMedia('(prefers-reduced-motion: reduce)').matches ? 1000 : 180)) return;
  drawnAt = now;
  const say = now - captionAt > 1000;
  if (say) captionAt = now;
  if (a.strip) drawStrip(a, say);
  if (a.curve) drawCurve(a, say);
  if (a.wheel) drawWheel(a, say);
  if (a.pulses) drawPulses(a, say);
}

function caption(id, s) { text('t-' + id, s); $('c-' + id).setAttribute('aria-label', s); }

function drawStrip(a, say) {
  const s = a.strip;
  if (!s.length) return;
  const now = a.reading.time_s;
  const target = a.reading.target_deg;
  const mid = s[s.length - 1][1];
  const near = (v) => v - 360 * Math.round((v - mid) / 360);
  const all = s.flatMap((p) => [p[2], p[3]]);
  if (target !== null && target !== undefined) all.push(near(target));
  graph('c-strip', [-60, 0], span(all, 3), { top: 'advance, °', bottom: 's before now', y: degree }, (g, x, y, ink) => {
    if (target !== null && target !== undefined) {
      g.strokeStyle = ink('ink');
      g.setLineDash([8, 6]);
      g.lineWidth = 2;
      line(g, [[x(-60), y(near(target))], [x(0), y(near(target))]]);
      g.setLineDash([]);
    }
    g.strokeStyle = ink('soft');
    g.lineWidth = 2;
    for (const p of s) line(g, [[x(p[0] - now), y(p[2]) + 0.5], [x(p[0] - now), y(p[3]) - 0.5]]);
    g.fillStyle = ink('lead');
    for (const p of s) { g.beginPath(); g.arc(x(p[0] - now), y(p[1]), 2.5, 0, 7); g.fill(); }
  });
  if (say) caption('strip', `Last minute: from ${wrap(Math.min(...s.map((p) => p[2]))).toFixed(1)}° to ${wrap(Math.max(...s.map((p) => p[3]))).toFixed(1)}°, ${Math.round(Math.min(...s.map((p) => p[4])))} to ${Math.round(Math.max(...s.map((p) => p[4])))} rpm. Dots: means of 0.1 s; bars: least and most${target === null ? '' : '; dashed: the target'}.`);
}

function drawCurve(a, say) {
  const c = a.curve;
  if (!c.length) return;
  const all = c.flatMap((p) => [p[1] - p[2], p[1] + p[2]]).concat((a.target || []).map((p) => p[1]));
  const xs = span(c.map((p) => p[0]), 1000);
  graph('c-curve', [Math.max(0, xs[0]), xs[1]], span(all, 4), { top: 'advance, °', bottom: 'rpm', y: degree }, (g, x, y, ink) => {
    if (a.target) {
      g.strokeStyle = ink('ink');
      g.setLineDash([8, 6]);
      g.lineWidth = 2;
      line(g, a.target.map((p) => [x(p[0]), y(p[1])]));
      g.setLineDash([]);
    }
    g.strokeStyle = g.fillStyle = ink('lead');
    g.lineWidth = 2;
    line(g, c.map((p) => [x(p[0]), y(p[1])]));
    for (const p of c) {
      line(g, [[x(p[0]), y(p[1] - p[2])], [x(p[0]), y(p[1] + p[2])]]);
      g.beginPath();
      g.arc(x(p[0]), y(p[1]), 4, 0, 7);
      g.fill();
    }
  });
  if (say) caption('curve', c.map((p) => `${Math.round(p[0])} rpm ${wrap(p[1]).toFixed(1)}°`).join(', ') + `. Bars: scatter${a.target ? '; dashed: the target' : ''}.`);
}

function drawWheel(a, say) {
  const v = a.wheel;
  if (!v.sparks.length) return;
  pen('c-wheel', (g, w, h, ink, em) => {
    const cx = w / 2;
    const cy = h / 2;
    const R = Math.min(w, h) / 2 - 2.2 * em;
    // Top dead centre is on top; before it lies on the side from which the crank comes up.
    const way = v.anticlockwise ? 1 : -1;
    const at = (deg, r) => { const t = (way * deg - 90) * Math.PI / 180; return [cx + r * Math.cos(t), cy + r * Math.sin(t)]; };
    g.strokeStyle = ink('soft');
    g.lineWidth = 2;
    g.beginPath();
    g.arc(cx, cy, R, 0, 7);
    g.stroke();
    g.fillStyle = ink('soft');
    g.textAlign = 'center';
    g.textBaseline = 'middle';
    for (let d = -180; d < 180; d += 10) {
      line(g, [at(d, R), at(d, R - (d % 30 ? 0.5 : 1) * em)]);
      if (d % 30 === 0) g.fillText(d === -180 ? '180' : d === 0 ? (v.relative ? '0' : 'TDC') : String(Math.abs(d)), ...at(d, R + em));
    }
    if (v.target !== null && v.tolerance !== null) {
      g.fillStyle = ink('line');
      g.beginPath();
      g.moveTo(cx, cy);
      g.arc(cx, cy, R, (way * v.target - v.tolerance - 90) * Math.PI / 180, (way * v.target + v.tolerance - 90) * Math.PI / 180);
      g.closePath();
      g.fill();
    }
    g.lineWidth = 3;
    if (v.target !== null) {
      g.strokeStyle = ink('ink');
      g.setLineDash([8, 6]);
      line(g, [at(v.target, 0.15 * R), at(v.target, R)]);
      g.setLineDash([]);
    }
    if (v.reference !== null) {
      g.strokeStyle = ink('mark');
      g.fillStyle = ink('mark');
      line(g, [at(v.reference, R), at(v.reference, R - 1.6 * em)]);
      g.fillText('ref', ...at(v.reference, R - 2.4 * em));
    }
    g.fillStyle = ink('lead');
    v.sparks.forEach((s, i) => {
      const [x, y] = at(s, R * (0.62 + 0.2 * (i / Math.max(1, v.sparks.length))));
      g.beginPath();
      g.arc(x, y, 3, 0, 7);
      g.fill();
    });
    if (v.sparks.length) {
      g.strokeStyle = ink('lead');
      g.lineWidth = 5;
      line(g, [at(v.mean, 0.15 * R), at(v.mean, 0.6 * R)]);
    }
    g.fillStyle = ink('ink');
    g.fillText('before', cx + way * 0.45 * R, cy + 0.45 * R);
    g.fillText('after', cx - way * 0.45 * R, cy + 0.45 * R);
    g.textBaseline = 'alphabetic';
  });
  if (say) caption('wheel', `${v.relative ? 'Relative to the reference event' : `Degrees before (${v.anticlockwise ? 'right' : 'left'}) and after (${v.anticlockwise ? 'left' : 'right'}) top dead centre, as it turns ${v.anticlockwise ? 'anticlockwise' : 'clockwise'}`}. Dots: the last ${v.sparks.length} sparks, the newest outermost; thick line: their mean ${v.sparks.length ? wrap(v.mean).toFixed(1) + '°' : '–'}${v.target === null ? '' : `; dashed: the target ${v.target.toFixed(1)}°`}${v.reference === null ? '' : '; ref: where the reference passes its pick-up'}.`);
}

function drawPulses(a, say) {
  const v = a.pulses;
  const both = v.traces;
  if (!both.length) return;
  pen('c-pulses', (g, w, h, ink, em) => {
    const tall = h / Math.max(1, both.length);
    both.forEach((t, k) => {
      const top = k * tall + 1.5 * em;
      const low = (k + 1) * tall - 2 * em;
      const last = t.first_ms + (t.x.length - 1) * t.step_ms;
      const x = (ms) => 2 * em + (ms + 1) / 4 * (w - 4.5 * em);
      const most = Math.max(0.01, ...t.x.map(Math.abs));
      const y = (s) => (top + low) / 2 - s / most * (low - top) / 2;
      g.strokeStyle = ink('line');
      g.fillStyle = ink('soft');
      g.lineWidth = 1;
      g.textAlign = 'center';
      for (let ms = -1; ms <= 3; ms++) {
        line(g, [[x(ms), top], [x(ms), low]]);
        g.fillText(`${ms} ms`, x(ms), low + 1.2 * em);
      }
      line(g, [[x(-1), y(0)], [x(3), y(0)]]);
      g.strokeStyle = ink('lead');
      g.lineWidth = 2;
      line(g, t.x.map((s, i) => [x(Math.min(last, t.first_ms + i * t.step_ms)), y(s)]));
      if (t.timed) {
        g.strokeStyle = ink('early');
        g.fillStyle = ink('early');
        g.lineWidth = 3;
        line(g, [[x(0), top], [x(0), low]]);
        g.beginPath();
        g.moveTo(x(0), top);
        g.lineTo(x(0) - 7, top - 10);
        g.lineTo(x(0) + 7, top - 10);
        g.closePath();
        g.fill();
      }
      g.fillStyle = ink('ink');
      g.textAlign = 'left';
      // As much of it as there is room for; the caption says the rest.
      const words = [`channel ${t.channel}: ${TRACES[t.what]}, height ${(100 * most).toFixed(0)} %`, `channel ${t.channel}: ${TRACES[t.what]}`];
      g.fillText(words.find((s) => x(0) + em + g.measureText(s).width < w) || `channel ${t.channel}`, x(0) + em, top - 0.2 * em);
    });
  });
  if (say) caption('pulses', both.map((t) => `Channel ${t.channel}: ${TRACES[t.what]}, height ${(100 * Math.max(0, ...t.x.map(Math.abs))).toFixed(0)} % of full scale.`).join(' ') + (both.some((t) => t.timed) ? ' The marked line at 0 ms is the timing point.' : ' No timing point yet.'));
}
const TRACES = { spark: 'the last spark', reference: 'the last reference', pulse: 'the last pulse found', highest: 'no pulse known yet, the highest just now' };

function sendWant() {
  const want = [...document.querySelectorAll('details[data-want]')].filter((d) => d.open).map((d) => d.dataset.want);
  tell({ act: 'want', want }).catch(() => {});
}
for (const d of document.querySelectorAll('details[data-want]')) d.addEventListener('toggle', sendWant);
window.addEventListener('resize', () => { if (shown) { drawAim(shown); drawnAt = 0; drawViews(shown); } });

// ---- light and dark ----

function theme(t) {
  if (t) document.documentElement.dataset.theme = t; else delete document.documentElement.dataset.theme;
  $('theme').textContent = { light: 'Light', dark: 'Dark' }[t] || 'Light or dark';
  $('theme').setAttribute('aria-label', 'Light or dark: now ' + (t || 'as the system'));
  if (shown) { drawAim(shown); drawnAt = 0; drawViews(shown); }
}
$('theme').addEventListener('click', () => {
  const next = { '': 'light', light: 'dark', dark: '' }[document.documentElement.dataset.theme || ''];
  store.set('theme', next || null);
  theme(next);
});

// ---- saving ----

function save(blob, name) {
  const a = document.createElement('a');
  a.href = URL.createObjectURL(blob);
  a.download = name;
  a.click();
  setTimeout(() => URL.revokeObjectURL(a.href), 60000);
}
// The recording is of what was heard live, the report may be of a dropped file.
const fileName = (at, end) => 'sparkscope ' + stamp(at || new Date()) + end;
$('save-wav').addEventListener('click', async () => {
  const t = await tell({ act: 'tape' });
  if (!t) return;
  save(t.wav, fileName(begunAt, '.wav'));
  if (t.dropped) text('tape', 'The beginning is not in it: there was no more room.');
});
$('save-report').addEventListener('click', () => save(new Blob([report.html], { type: 'text/html' }), fileName(recorded.at, '.html')));
$('save-json').addEventListener('click', () => save(new Blob([JSON.stringify(report.result)], { type: 'application/json' }), fileName(recorded.at, '.json')));

// ---- a recording ----

async function measureFile(f) {
  if (phase !== 'idle' || busy) { note('file', 'Stop first, then drop the recording again.'); return; }
  note('file', '');
  $('d-file').open = true;
  busy = true;
  $('progress').textContent = 'Reading it …';
  try {
    const got = await tell({ act: 'measure', file: f });
    $('progress').textContent = `${f.name}: ${got.headline}`;
    recorded = { name: f.name, at: new Date(f.lastModified || Date.now()), file: true };
    finished(got);
    $('d-save').open = true;
  } catch (e) {
    $('progress').textContent = `${f.name}: ${e.message}`;
  }
  busy = false;
}
$('file').addEventListener('change', () => { const f = $('file').files[0]; if (f) measureFile(f); $('file').value = ''; });
let over = 0;
window.addEventListener('dragenter', (e) => { e.preventDefault(); over++; document.body.classList.add('drop'); });
window.addEventListener('dragleave', () => { if (--over <= 0) { over = 0; document.body.classList.remove('drop'); } });
window.addEventListener('dragover', (e) => e.preventDefault());
window.addEventListener('drop', (e) => {
  e.preventDefault();
  over = 0;
  document.body.classList.remove('drop');
  const f = e.dataTransfer && e.dataTransfer.files[0];
  if (!f) return;
  if (/\.toml$/i.test(f.name)) loadToml(f); else measureFile(f);
});

// ---- the contact tone ----

let beepNode = null;
let toneGain = null;
let changesSeen = 0;

async function startTone() {
  if (phase !== 'idle') return;
  setPhase('opening');
  clearNotes();
  const hz = parseFloat($('tone-hz').value.replace(',', '.'));
  try {
    if (!(hz >= 900 && hz <= 16000)) throw new Error('The tone must lie from 900 to 16000 Hz.');
    await listen({ tone: true, toneHz: hz });
    // The tone goes out on the left, the beep on the right.
    const merger = context.createChannelMerger(2);
    merger.connect(context.destination);
    const tone = context.createOscillator();
    tone.frequency.value = hz;
    toneGain = context.createGain();
    toneGain.gain.setValueAtTime(0, context.currentTime);
    toneGain.gain.linearRampToValueAtTime(Number($('tone-gain').value), context.currentTime + 0.05);
    tone.connect(toneGain).connect(merger, 0, 0);
    tone.start();
    beepNode = merger;
    changesSeen = 0;
    setPhase('tone');
    $('tone-start').hidden = true;
    $('tone-stop').hidden = false;
  } catch (e) {
    closeInput();
    setPhase('idle');
    note('input', e.message);
    text('tone-text', e.message);
  }
}

async function stopTone() {
  closeInput();
  await tell({ act: 'end' }).catch(() => {});
  $('tone-start').hidden = false;
  $('tone-stop').hidden = true;
  text('tone-state', '–');
  $('tone-state').dataset.state = '';
  setPhase('idle');
}

function beep() {
  if (!pressed('tone-beep') || !context) return;
  const o = context.createOscillator();
  const g = context.createGain();
  o.frequency.value = 660;
  g.gain.setValueAtTime(0.4, context.currentTime);
  g.gain.linearRampToValueAtTime(0, context.currentTime + 0.15);
  o.connect(g).connect(beepNode, 0, 1);
  o.start();
  o.stop(context.currentTime + 0.16);
  if (navigator.vibrate) navigator.vibrate(80);
}

function onHeard(a) {
  if (phase !== 'tone') return;
  shownAt = performance.now();
  const word = { open: '○ Open', closed: '● Closed', lost: '⚠ Lost', unknown: a.locked ? 'Open or closed?' : 'No tone' }[a.state];
  text('tone-state', word);
  $('tone-state').dataset.state = a.state;
  text('tone-text', !a.locked ? 'No tone is heard yet: is it wired as the README shows, and the output turned up? Closed contacts leave little of it: open them.'
    : a.state === 'lost' ? 'Less of the tone than closed contacts ever left: a lead is off.'
      : a.clipped ? 'The input clips: turn the output or the input down.'
        : `${a.tone_hz.toFixed(1)} Hz on channel ${a.channel}, ${(100 * a.level).toFixed(1)} % of full scale. ${a.openings === 1 ? '1 opening' : a.openings + ' openings'}.` + (a.state === 'unknown' ? ' Open and close the contacts once: a level alone does not say which is which.' : ''));
  const fresh = a.changes.filter((c) => c.n > changesSeen);
  if (fresh.length) {
    changesSeen = fresh[fresh.length - 1].n;
    if (fresh.some((c) => c.state === 'open')) beep();
    $('tone-changes').replaceChildren(...a.changes.slice().reverse().map((c) => {
      const li = document.createElement('li');
      li.value = c.n;
      li.textContent = `${c.time_s.toFixed(3)} s ±${c.within_s.toFixed(3)}: ${c.state}`;
      return li;
    }));
  }
}
$('tone-start').addEventListener('click', startTone);
$('tone-stop').addEventListener('click', stopTone);
$('tone-beep').addEventListener('click', () => press('tone-beep', !pressed('tone-beep')));
$('tone-gain').addEventListener('input', () => { if (toneGain && context) toneGain.gain.setTargetAtTime(Number($('tone-gain').value), context.currentTime, 0.02); });

// ---- the set-up ----

let toml = store.get('engine') || '';
let values = {};

function fieldOf(f, id) {
  const box = document.createElement('div');
  box.className = 'field';
  const label = document.createElement('label');
  label.htmlFor = id;
  label.textContent = f.label + (f.unit ? `, ${f.unit}` : '');
  let input;
  if (f.words) {
    input = document.createElement('select');
    input.append(new Option('–', ''), ...f.words.map((w) => new Option(w, w)));
  } else {
    input = document.createElement(f.long ? 'textarea' : 'input');
    if (f.long) input.rows = 3;
    else input.inputMode = 'text';
  }
  input.id = id;
  box.append(label, input);
  if (f.help) {
    const s = document.createElement('small');
    s.id = id + '-help';
    s.textContent = f.help;
    input.setAttribute('aria-describedby', s.id);
    box.append(s);
  }
  return { box, input };
}

function wrong(box, message) {
  let p = box.querySelector('.error');
  box.classList.toggle('wrong', Boolean(message));
  const input = box.querySelector('input, select, textarea');
  if (!message) { if (p) p.remove(); input.removeAttribute('aria-invalid'); return; }
  if (!p) { p = document.createElement('p'); p.className = 'error'; p.setAttribute('role', 'alert'); box.append(p); }
  p.textContent = message;
  input.setAttribute('aria-invalid', 'true');
}

async function buildFields() {
  const groups = await ask('fields');
  $('fields').replaceChildren(...groups.map((group) => {
    const set = document.createElement('fieldset');
    const legend = document.createElement('legend');
    legend.textContent = group.title;
    set.append(legend);
    for (const f of group.fields) {
      const { box, input } = fieldOf(f, 'f-' + f.key.replace('.', '-'));
      input.dataset.key = f.key;
      input.addEventListener('change', async () => {
        try {
          takeEngine(await ask('set', { key: f.key, text: input.value }));
          wrong(box, '');
        } catch (e) {
          wrong(box, e.message);
        }
      });
      set.append(box);
    }
    return set;
  }));
}
$('fields').addEventListener('submit', (e) => e.preventDefault());

// takeEngine shows what an engine file says; wrong ones change nothing.
function takeEngine(a) {
  if (a.problems.length) {
    text('setup-state', 'Not taken: ' + a.problems.join('; ') + '.');
    return;
  }
  toml = a.toml;
  values = a.values;
  store.set('engine', toml || null);
  $('toml').value = toml;
  for (const i of $('fields').querySelectorAll('[data-key]')) { i.value = values[i.dataset.key] || ''; wrong(i.parentElement, ''); }
  text('setup-state', a.doubts.length ? 'Doubtful: ' + a.doubts.join('; ') + '.' : '');
  const bits = [values['engine.name'], values['target.angle_deg'] ? `target ${values['target.angle_deg']}°` : values['target.table'] ? 'target by speed' : '', values['reference.angle_deg'] ? `reference at ${values['reference.angle_deg']}°` : ''].filter(Boolean);
  text('engine-name', bits.length ? sentence(bits.join(', ')) : 'No set-up yet: without a reference angle, angles are relative.');
  tellEngine();
  if (phase === 'listening') tell({ act: 'renew' }).then((r) => note('setup', r.anew ? 'The set-up is another: what was read before it is left out. The recording goes on, and so does the mark.' : ''), (e) => note('setup', e.message));
}

// tellEngine tells whoever keeps results which engine it is.
function tellEngine() { document.dispatchEvent(new CustomEvent('sparkscope:engine', { detail: { name: values['engine.name'] || '' } })); }

async function loadToml(f) {
  try {
    takeEngine(await ask('engine', { toml: await f.text() }));
    $('d-setup').open = true;
  } catch (e) {
    text('setup-state', e.message);
  }
}
$('toml-load').addEventListener('change', () => { const f = $('toml-load').files[0]; if (f) loadToml(f); $('toml-load').value = ''; });
$('toml-save').addEventListener('click', () => save(new Blob([toml], { type: 'text/plain' }), ((values['engine.name'] || 'engine').replace(/[^\p{L}\p{N} _-]/gu, '') || 'engine') + '.toml'));
$('toml-clear').addEventListener('click', async () => takeEngine(await ask('engine', { toml: '' })));
$('toml-take').addEventListener('click', async () => { try { takeEngine(await ask('engine', { toml: $('toml').value })); } catch (e) { text('setup-state', e.message); } });
window.addEventListener('storage', async (e) => {
  // Another tab changed the set-up.
  if (e.key === 'sparkscope.engine' && phase === 'idle') takeEngine(await ask('engine', { toml: e.newValue || '' }));
});

// ---- the calculators ----

const calculators = [
  { name: 'tdc', title: 'Top dead centre', text: 'Turn the crank by hand against a piston stop, from both sides, and read the wheel. Ignition off, plug out, its lead earthed; never the starter.', fields: [
    { key: 'readings', label: 'Readings, both sides', help: 'degrees, in any order: 42 320' }, { key: 'wheel', label: 'The wheel', words: ['0-360', '0-180-0', '0-90-0-90-0'], help: 'as it is graduated; with letters: 38b 42a' },
    { key: 'division', label: 'Division', unit: '°' }, { key: 'stroke', label: 'Stroke', unit: 'mm' }, { key: 'rod', label: 'Rod', unit: 'mm' }, { key: 'offset', label: 'Pin offset', unit: 'mm' }] },
  { name: 'drop', title: 'Piston drop', text: 'From crank degrees to how far the piston stands below its highest, or back.', fields: [
    { key: 'angle', label: 'Angle', unit: '°', help: 'before top dead centre; empty: the target' }, { key: 'drop', label: 'or drop', unit: 'mm' }, { key: 'gauge', label: 'or gauge reading', unit: 'mm' },
    { key: 'stroke', label: 'Stroke', unit: 'mm' }, { key: 'rod', label: 'Rod', unit: 'mm' }, { key: 'offset', label: 'Pin offset', unit: 'mm' }, { key: 'incline', label: 'Gauge inclined by', unit: '°' }] },
  { name: 'rim', title: 'Flywheel rim', text: 'From crank degrees to the distance of two marks on the rim, or back.', fields: [
    { key: 'angle', label: 'Angle', unit: '°', help: 'before top dead centre; empty: the target' }, { key: 'arc', label: 'or along the rim', unit: 'mm' }, { key: 'across', label: 'or straight across', unit: 'mm' }, { key: 'diameter', label: 'Diameter', unit: 'mm' }] },
  { name: 'gap', title: 'Contact gap', text: 'The gap for a target, from two gaps and the timings measured with them.', fields: [
    { key: 'pairs', label: 'Gap and timing', unit: 'mm:°', help: '0.35:16 0.45:20' }, { key: 'angle', label: 'Target', unit: '°' }, { key: 'least', label: 'Least gap', unit: 'mm' }, { key: 'most', label: 'Most gap', unit: 'mm' }, { key: 'plate', label: 'Plate diameter', unit: 'mm' }, { key: 'cam', label: 'Cam turns per crank turn', help: '1 or 0.5' }] },
  { name: 'tone', title: 'Tone and resistor', text: 'Which tone and which R1 suit a coil that stays connected.', fields: [
    { key: 'coil', label: 'Coil', unit: 'mH' }, { key: 'resistance', label: 'Its winding', unit: 'Ω' }, { key: 'condenser', label: 'Condenser', unit: 'µF' }] },
];

function buildBench() {
  for (const c of calculators) {
    const b = document.createElement('button');
    b.type = 'button';
    b.textContent = c.title;
    b.setAttribute('aria-pressed', 'false');
    b.addEventListener('click', () => openBench(c, b));
    $('bench-pick').append(b);
  }
}

function openBench(c, button) {
  for (const b of $('bench-pick').children) b.setAttribute('aria-pressed', b === button ? 'true' : 'false');
  const set = document.createElement('fieldset');
  const legend = document.createElement('legend');
  legend.textContent = c.title;
  set.append(legend);
  const inputs = {};
  for (const f of c.fields) {
    const { box, input } = fieldOf(f, 'b-' + f.key);
    inputs[f.key] = input;
    set.append(box);
  }
  const p = document.createElement('p');
  p.textContent = c.text;
  const go = document.createElement('button');
  go.type = 'submit';
  go.textContent = 'Work it out';
  $('bench-form').replaceChildren(p, set, go);
  $('bench-out').replaceChildren();
  $('bench-form').onsubmit = async (e) => {
    e.preventDefault();
    const fields = {};
    for (const [k, i] of Object.entries(inputs)) if (i.value.trim()) fields[k] = i.value;
    try {
      showBench(await ask('bench', { calculator: c.name, fields }));
    } catch (err) {
      const q = document.createElement('p');
      q.className = 'error';
      q.textContent = err.message;
      $('bench-out').replaceChildren(q);
    }
  };
}

function showBench(r) {
  const el = (tag, s) => { const x = document.createElement(tag); x.textContent = s; return x; };
  const out = [el('h3', r.headline)];
  const table = document.createElement('table');
  for (const a of r.answers) {
    const tr = document.createElement('tr');
    const th = el('th', a.name);
    th.scope = 'row';
    tr.append(th, el('td', a.text));
    table.append(tr);
  }
  out.push(table);
  for (const n of r.notes) out.push(el('p', n.message));
  for (const c of r.cautions) out.push(el('p', '⚠ ' + c));
  const d = document.createElement('details');
  d.append(el('summary', 'The working'));
  const ul = document.createElement('ul');
  for (const i of r.inputs) ul.append(el('li', `${i.name}: ${i.text} (${i.origin})`));
  for (const s of r.working) ul.append(el('li', [s.formula, s.numbers, s.result].filter(Boolean).join(' = ')));
  d.append(ul);
  out.push(d);
  $('bench-out').replaceChildren(...out);
}

// ---- begin ----

async function onReady() {
  theme(store.get('theme') || '');
  setSparks(Number(store.get('sparks')) || 20);
  press('speak', store.get('speak') === 'yes');
  press('keys', store.get('keys') !== 'no');
  await buildFields();
  buildBench();
  const a = await ask('engine', { toml });
  if (a.problems.length) { // kept by an earlier version, or by hand
    $('toml').value = toml;
    text('setup-state', 'The set-up that was kept is not taken: ' + a.problems.join('; ') + '.');
    text('engine-name', 'No set-up.');
  } else {
    takeEngine(a);
  }
  setPhase('idle');
  setState('Ready.');
  listDevices();
  if (navigator.mediaDevices && navigator.mediaDevices.addEventListener) navigator.mediaDevices.addEventListener('devicechange', () => { listDevices(); goOn(); });
  try {
    const about = await (await fetch('page.json')).json();
    if (about.hooks.includes('logbook')) {
      const script = document.createElement('script');
      script.onload = () => tellEngine();
      script.src = 'logbook.js';
      document.body.append(script);
    }
    if (about.kind === 'folder' && 'serviceWorker' in navigator) await navigator.serviceWorker.register('sw.js');
  } catch (e) { /* without a network, or on a host that does not keep it: the page works all the same */ }
}
theme(store.get('theme') || '');
