// The logbook on this machine, where the page's host offers it: saves what was
// measured, and shows what is kept of the engine.
'use strict';

(() => {
  const at = 'hooks/logbook/';
  const shownMost = 20;
  let last = null; // what was measured last

  const make = (tag, attributes = {}, ...inside) => {
    const e = document.createElement(tag);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    e.append(...inside);
    return e;
  };
  const engine = make('input', { id: 'log-engine', autocomplete: 'off', maxlength: '200' });
  const mark = make('select', { id: 'log-mark' }, make('option', { value: '' }, 'no mark'), make('option', { value: 'before' }, 'before the work'), make('option', { value: 'after' }, 'after the work'));
  const remark = make('input', { id: 'log-remark', autocomplete: 'off', maxlength: '1000' });
  const button = make('button', { id: 'log-save', type: 'button', disabled: '' }, 'Save to the logbook');
  const state = make('p', { id: 'log-state', role: 'status' }, 'Nothing is measured yet.');
  const body = make('tbody', { id: 'log-rows' });
  const head = make('tr', {}, ...['No.', 'Recorded', 'Recording', 'Advance', 'Verdict', 'Marks'].map((s) => make('th', { scope: 'col' }, s)));
  const table = make('table', { id: 'log-table' }, make('caption', { class: 'away' }, 'What the logbook has of this engine'), make('thead', {}, head), body);
  table.hidden = true;
  const scroll = make('div', { class: 'scroll', tabindex: '0', role: 'region', 'aria-label': 'Results in the logbook' }, table);
  const field = (label, input) => make('label', { class: 'field', for: input.id }, label, input);
  const details = make('details', { id: 'd-logbook' }, make('summary', {}, 'Logbook'),
    make('p', {}, 'What is saved here stays on this machine, beside what the command has put there. “After” says that the engine was adjusted before.'),
    make('div', { class: 'bar' }, field('Engine', engine), field('Mark', mark), field('Remark', remark)),
    make('div', { class: 'bar' }, button), state, scroll);
  document.getElementById('extra').append(make('section', { class: 'views', 'aria-label': 'Logbook' }, details));

  // say is what the host answers, or an Error with its sentence.
  async function say(path, options) {
    const r = await fetch(at + path, options);
    let answer = null;
    try { answer = await r.json(); } catch (e) { /* no sentence came */ }
    if (!r.ok) throw Object.assign(new Error((answer && answer.error) || `The logbook cannot be reached (${r.status}).`), { status: r.status });
    return answer;
  }
  const post = (path, what) => say(path, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(what) });

  const degrees = (v, half) => {
    if (v === null) return '–';
    const places = half === null ? 1 : half >= 0.355 && half < 1 || half >= 3.55 ? (half < 1 ? 1 : 0) : half < 0.355 ? 2 : 1;
    return v.toFixed(places) + '°' + (half === null ? '' : ` ± ${half.toFixed(places)}°`);
  };

  let asked = 0; // times the list was asked for: what an earlier answer brings is not shown beside the last
  async function list() {
    const mine = ++asked;
    if (!details.open) return;
    const name = engine.value.trim();
    body.replaceChildren();
    table.hidden = true;
    if (!name) return;
    let rows;
    try {
      rows = (await say(`results?last=${shownMost}&engine=${encodeURIComponent(name)}`)).results;
    } catch (e) {
      if (mine === asked && e.status !== 404) state.textContent = e.message;
      return;
    }
    if (mine !== asked) return;
    for (const r of rows.reverse()) {
      body.append(make('tr', {}, make('td', {}, make('a', { href: at + 'results/' + r.number, download: `result ${r.number}.json` }, String(r.number))), make('td', {}, r.recorded), make('td', {}, r.recording),
        make('td', {}, degrees(r.advance_deg, r.expanded_uncertainty_deg) + (r.relative_to_reference ? ' to the reference' : '')), make('td', {}, r.decision || '–'), make('td', {}, r.marks.join(', '))));
    }
    table.hidden = rows.length === 0;
  }

  document.addEventListener('sparkscope:finished', (e) => {
    last = e.detail;
    button.disabled = false;
    state.textContent = 'Not saved yet: ' + last.headline + '.';
    if (last.name && !engine.value) engine.value = last.name;
    list();
  });
  document.addEventListener('sparkscope:engine', (e) => {
    if (e.detail.name) { engine.value = e.detail.name; list(); }
  });
  engine.addEventListener('change', list);
  details.addEventListener('toggle', list);

  button.addEventListener('click', async () => {
    if (!engine.value.trim()) {
      state.textContent = 'Which engine is it? Give its name.';
      engine.focus();
      return;
    }
    button.disabled = true;
    try {
      const r = await post('results', { result: last.result, engine: engine.value, engine_file: last.engine || '', recording: last.recording || '', recorded: last.recorded || '',
        recorded_from: last.file ? 'file' : 'given', marks: mark.value ? [mark.value] : [], remarks: remark.value.trim() ? [remark.value] : [] });
      state.textContent = r.already ? `It is in the logbook already, as number ${r.number} of ${r.engine}.` : `Saved as number ${r.number} of ${r.engine}.`;
      mark.value = '';
      remark.value = '';
      list();
    } catch (e) {
      state.textContent = 'It is not saved: ' + e.message;
      button.disabled = false;
    }
  });
})();
