'use strict';
// One visit, typed at the tank without a network. Kept in this browser until it is saved as a CSV to send home.
const D = JSON.parse(document.getElementById('data').textContent);
const KEY = `visit ${D.site} ${D.day}`;
const HEAD = ['record', 'date', 'site', 'tank', ...D.parameters, 'kit', 'water_changed', 'fish_seen', 'fish_look', 'filter',
  'job', 'found', 'flow_before', 'flow_after', 'media_share', 'rinse_water', 'event', 'count', 'hours', 'by', 'note'];
let S = {by: '', date: D.day, tanks: {}, more: []};
const told = document.getElementById('told');
try { S = JSON.parse(localStorage.getItem(KEY)) || S; } catch (e) { /* nothing kept yet */ }

function keep() {
  try { localStorage.setItem(KEY, JSON.stringify(S)); told.textContent = 'Kept on this phone. Not sent yet: save the CSV at the end.'; }
  catch (e) { told.textContent = 'This browser keeps nothing when it is closed: save the CSV before you close it.'; }
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
function choose(title, words, value, set) {
  const box = el('select', {onchange: e => { set(e.target.value); keep(); }}, ...['', ...words].map(w => el('option', {value: w}, w || '–')));
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
// Drops are counted, less and more; what is kept is their number times what one is worth.
function drops(name, row, worth) {
  const shown = el('output', {});
  const count = () => Math.round(Number(row[name] || 0) / worth);
  const draw = () => { shown.textContent = row[name] ? `${count()} = ${row[name]}` : '–'; };
  const by = n => () => { row[name] = String(Number((Math.max(0, count() + n) * worth).toFixed(6))); draw(); keep(); };
  const none = () => { row[name] = ''; draw(); keep(); };
  draw();
  return el('div', {class: 'taps', role: 'group', 'aria-label': name}, el('button', {type: 'button', onclick: by(-1), 'aria-label': 'one less'}, '−'), shown,
    el('button', {type: 'button', onclick: by(1), 'aria-label': 'one more'}, '+'), el('button', {type: 'button', onclick: none}, 'not tested'));
}
function reading(test, row) {
  const says = `${test.title}${test.unit ? ', ' + test.unit : ''}`;
  const beside = el('small', {}, `last ${test.last}${test.expect ? ' · expect ' + test.expect : ''}`);
  if (test.steps.length) return el('div', {}, el('span', {}, says), ' ', beside, taps(test.name, test.steps, row));
  if (test.drops) return el('div', {}, el('span', {}, `${says}, drops of ${test.drops}`), ' ', beside, drops(test.name, row, test.drops));
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
  const more = el('div', {}, ...S.more.filter(one => one.tank === tank.id).map(one => extraForm(tank, one)));
  return el('details', {}, el('summary', {}, el('strong', {}, tank.title), ` ${tank.class}`),
    el('p', {}, tank.reason), el('p', {class: 'small'}, tank.facts), el('ul', {}, ...tank.jobs.map(job => el('li', {}, job))),
    ...tank.tests.map(test => reading(test, row)),
    field('Water changed, such as 30% or 40 L', row.water_changed, set('water_changed')),
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
  const visits = D.tanks.map(tank => ({...base, ...S.tanks[tank.id], tank: tank.id, record: 'visits', site: D.site, kit: tank.kit}))
    .filter(row => Object.entries(S.tanks[row.tank] || {}).some(([, value]) => value));
  const more = S.more.filter(row => row.job || row.event).map(row => ({...base, ...row}));
  return [HEAD, ...[...visits, ...more].map(row => HEAD.map(name => row[name]))].map(row => row.map(cell).join(',')).join('\n') + '\n';
}
function save() {
  const link = el('a', {href: URL.createObjectURL(new Blob([csv()], {type: 'text/csv'})), download: D.file});
  link.click();
  told.textContent = `Saved as ${D.file}. Send it home, or put it into visits/ of the log folder.`;
}
document.getElementById('form').append(
  field('Date', S.date, v => { S.date = v; }), field('Who (role or initials)', S.by, v => { S.by = v; }),
  ...D.tanks.map(tankForm),
  el('p', {}, el('button', {type: 'button', id: 'save', onclick: save}, 'Save the CSV'), ' ',
    el('button', {type: 'button', onclick: () => { if (confirm('Take back everything typed here?')) { localStorage.removeItem(KEY); location.reload(); } }}, 'Start anew')));
