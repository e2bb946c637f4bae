'use strict';
// One visit, typed at the tank without a network. Kept in this browser until it is saved as a CSV to send home.
const D = JSON.parse(document.getElementById('data').textContent);
const KEY = `visit ${D.site} ${D.day}`;
const HEAD = ['record', 'date', 'time', 'site', 'tank', 'taken', ...D.parameters, 'kit', 'water_changed', 'change_kind', 'new_water', 'fish_seen', 'fish_look', 'filter',
  'job', 'found', 'flow_before', 'flow_after', 'media_share', 'rinse_water', 'event', 'count', 'hours', 'by', 'note'];
let S = {by: '', date: D.day, tanks: {}, more: []};
const message = document.getElementById('message');
try { S = JSON.parse(localStorage.getItem(KEY)) || S; } catch (e) { /* nothing kept yet */ }

function keep() {
  try { localStorage.setItem(KEY, JSON.stringify(S)); message.textContent = 'Kept on this phone. Not sent yet: save the CSV at the end.'; }
  catch (e) { message.textContent = 'This browser keeps nothing when it is closed: save the CSV before you close it.'; }
}
function el(tag, attrs, ...inside) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attrs)) name.startsWith('on') ? made[name] = value : made.setAttribute(name, value);
  made.append(...inside);
  return made;
}
function field(title, value, set, mode) {
  return el('label', {}, el('span', {}, title), el('input', {value: value || '', inputmode: mode || 'text', oninput: e => { set(e.target.value.trim()); keep(); }}));
}
function choose(title, words, value, set, none = '–') {
  const box = el('select', {onchange: e => { set(e.target.value); keep(); }}, ...['', ...words].map(w => el('option', {value: w}, w || none)));
  box.value = value || '';
  return el('label', {}, el('span', {}, title), box);
}
// Steps to tap: one, or two that touch for a colour between them. Tapped again, a step is taken back.
function taps(name, steps, row, tank) {
  const box = el('div', {class: 'taps', role: 'group', 'aria-label': name});
  const draw = () => {
    const on = (row[name] || '').split('-').filter(Boolean);
    box.replaceChildren(...steps.map((step, place) => el('button', {type: 'button', 'aria-pressed': on.includes(step), onclick: () => {
      const one = on.length === 1 && Math.abs(steps.indexOf(on[0]) - place) === 1;
      const next = on.includes(step) ? on.filter(s => s !== step) : one ? [...on, step] : [step];
      row[name] = next.sort((a, b) => steps.indexOf(a) - steps.indexOf(b)).join('-');
      draw(); keep();
    }}, step)));
  };
  draw();
  return box;
}
// Drops are counted, less and more; beside their number what they come to.
function drops(name, row, worth) {
  const shown = el('output', {});
  const count = () => Number.parseInt(row[name] || '0', 10);
  const at = n => Number((n * worth).toFixed(6));
  const draw = () => { shown.textContent = row[name] ? `${row[name]}: ${at(count() - 1)}–${at(count())}` : '–'; };
  const by = n => () => { row[name] = `${Math.max(1, count() + n)} drops`; draw(); keep(); };
  const none = () => { row[name] = ''; draw(); keep(); };
  draw();
  return el('div', {class: 'taps', role: 'group', 'aria-label': name}, el('button', {type: 'button', onclick: by(-1), 'aria-label': 'one less'}, '−'), shown,
    el('button', {type: 'button', onclick: by(1), 'aria-label': 'one more'}, '+'), el('button', {type: 'button', onclick: none}, 'not tested'));
}
function reading(test, row) {
  const says = `${test.title}${test.unit ? ', ' + test.unit : ''}`;
  const beside = el('small', {}, `${test.last === '–' ? 'never read' : 'last ' + test.last}${test.expect ? ' · expect ' + test.expect : ''}`);
  if (test.steps.length) return el('div', {}, el('span', {}, says), ' ', beside, taps(test.name, test.steps, row));
  if (test.drops) return el('div', {}, el('span', {}, says), ' ', beside, drops(test.name, row, test.drops));
  return el('div', {}, field(says, row[test.name], v => { row[test.name] = v; }, 'decimal'), beside);
}
function extra(tank, kind, box) {
  const row = {record: kind, tank: tank.id};
  S.more.push(row);
  box.append(extraForm(tank, row));
  keep();
}
function extraForm(tank, row) {
  const set = name => v => { row[name] = v; };
  const parts = row.record === 'services'
    ? [tank.filters.length > 1 ? choose('Filter', tank.filters, row.filter, set('filter')) : '', choose('Job', D.jobs, row.job, set('job')),
       choose('Found', D.found, row.found, set('found')), field('Flow before, L/h', row.flow_before, set('flow_before'), 'decimal'),
       field('Flow after, L/h', row.flow_after, set('flow_after'), 'decimal'), field('Media handled, 0 to 1', row.media_share, set('media_share'), 'decimal'),
       choose('Rinsed in', D.rinse, row.rinse_water, set('rinse_water'))]
    : [choose('Event', D.events, row.event, set('event')), field('How many fish', row.count, set('count'), 'decimal'), field('Hours', row.hours, set('hours'), 'decimal')];
  const made = el('fieldset', {}, el('legend', {}, row.record === 'services' ? 'Filter service' : 'Event'), ...parts, field('Note', row.note, set('note')));
  made.append(el('button', {type: 'button', onclick: () => { S.more.splice(S.more.indexOf(row), 1); made.remove(); keep(); }}, 'Take back'));
  return made;
}
function tankForm(tank) {
  const row = S.tanks[tank.id] = S.tanks[tank.id] || {};
  const set = name => v => { row[name] = v; };
  const now = new Date();  // the time of a visit is that of its first touch, on its own day
  const local = new Date(now - 60000 * now.getTimezoneOffset()).toISOString();
  const begun = () => { if (local.slice(0, 10) === S.date) row.time = row.time || new Date().toTimeString().slice(0, 5); };
  const more = el('div', {}, ...S.more.filter(one => one.tank === tank.id).map(one => extraForm(tank, one)));
  return el('details', {oninput: begun, onchange: begun, onclick: e => { if (e.target.tagName === 'BUTTON') begun(); }}, el('summary', {}, el('strong', {}, tank.title), ` ${tank.class}`),
    el('p', {}, tank.reason), el('p', {class: 'small'}, tank.facts), el('ul', {}, ...tank.jobs.map(job => el('li', {}, job))),
    choose('Sample taken', ['after', 'none'], row.taken, set('taken'), 'before the change'),
    ...tank.tests.map(test => reading(test, row)),
    field('Water changed, such as 30% or 40 L', row.water_changed, set('water_changed')),
    choose('Kind of change', D.kinds, row.change_kind, set('change_kind'), 'change'),
    tank.ro ? choose('New water', ['no RO', 'ro'], row.new_water, set('new_water'), `${tank.ro}, as last time`) : '',
    field('Fish seen', row.fish_seen, set('fish_seen'), 'numeric'), choose('Fish look', D.looks, row.fish_look, set('fish_look')),
    field('Note', row.note, set('note')), more,
    el('button', {type: 'button', onclick: () => extra(tank, 'services', more)}, 'Add a filter service'), ' ',
    el('button', {type: 'button', onclick: () => extra(tank, 'events', more)}, 'Add an event'));
}
function cell(value) {
  const text = String(value ?? '');
  return /[",\n;]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}
function csv() {
  const base = {date: S.date, by: S.by};
  const water = (tank, row) => /^(none)?$/.test(row.water_changed || '') ? {change_kind: '', new_water: ''}
    : {new_water: row.new_water === 'no RO' ? '' : row.new_water || tank.ro};
  const visits = D.tanks.map(tank => [tank, S.tanks[tank.id] || {}])
    .filter(([, row]) => Object.entries(row).some(([name, value]) => value && !['time', 'taken', 'change_kind', 'new_water'].includes(name)))
    .map(([tank, row]) => ({...base, ...row, taken: row.taken || 'before', ...water(tank, row), tank: tank.id, record: 'visits', site: D.site, kit: tank.kit}));
  const more = S.more.filter(row => row.job || row.event).map(row => ({...base, ...row}));
  return [HEAD, ...[...visits, ...more].map(row => HEAD.map(name => row[name]))].map(row => row.map(cell).join(',')).join('\n') + '\n';
}
function save() {
  const link = el('a', {href: URL.createObjectURL(new Blob([csv()], {type: 'text/csv'})), download: D.file});
  link.click();
  message.textContent = `Saved as ${D.file}. Send it home, or put it into visits/ of the log folder.`;
}
document.getElementById('form').append(
  field('Date', S.date, v => { S.date = v; }), field('Who (role or initials)', S.by, v => { S.by = v; }),
  ...D.tanks.map(tankForm),
  el('p', {}, el('button', {type: 'button', id: 'save', onclick: save}, 'Save the CSV'), ' ',
    el('button', {type: 'button', onclick: () => { if (confirm('Take back everything typed here?')) { localStorage.removeItem(KEY); location.reload(); } }}, 'Start anew')));
