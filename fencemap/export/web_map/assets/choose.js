/* What is shown: the question, its layers, how they are sorted into classes, what is hidden. */

const state = { theme: null, on: {}, classing: {}, hidden: {}, work: null, rings: false, names: false, grid: true };
const listeners = [];
const changed = (what) => listeners.forEach((listener) => listener(what));

const themeNow = () => content.themes.find((theme) => theme.id === state.theme);
const has = (name) => layers.has(name) && layers.get(name).count > 0;

/* Layers of the question that have rows, from the ground up. */
function layersOfTheme(theme) {
  const order = content.styles.map((style) => style.layer);
  return order.filter((name) => theme.layers.includes(name) && has(name));
}
const layersShown = () => layersOfTheme(themeNow()).filter((name) => state.on[state.theme][name]);

function firstTheme() {
  const found = content.themes.find((theme) => theme.subject.some(has));
  return (found || content.themes[0]).id;
}

/* Works: every pair of phase and operation that any layer names, as the plan orders them. */
function listWorks() {
  const found = new Map();
  for (const name of ['protection_zones', 'stone_ledger', 'exposure', 'covers', 'keep_out', 'interception_lines']) {
    const layer = layers.get(name);
    if (!layer || !layer.field.has('operation')) continue;
    for (let row = 0; row < layer.count; row += 1) {
      const key = workKey(layer, row);
      if (!found.has(key)) found.set(key, { key, phase: layer.value('phase', row), operation: layer.value('operation', row) });
    }
  }
  const works = [...found.values()];
  const order = Object.keys(content.vocabularies.operation || {});
  const place = (work) => (work.operation === 'standing' ? -1 : order.indexOf(work.operation));
  works.sort((a, b) => (place(a) < 0) - (place(b) < 0) || String(a.phase).localeCompare(String(b.phase), 'en') || place(a) - place(b));
  return works;
}
const workKey = (layer, row) => JSON.stringify([layer.value('phase', row), layer.value('operation', row)]);
let works = [];

function workName(key) {
  if (key === null) return words('work.all');
  const [phase, operation] = JSON.parse(key);
  if (operation === 'standing') return words('work.standing');
  if (phase === null) return capital(operation);
  return words(/^phase/i.test(phase) ? 'work.named' : 'work.one', { phase, operation: capital(operation) });
}
const capital = (text) => (text ? text[0].toUpperCase() + text.slice(1) : '');

function fitsWork(layer, row) {
  if (state.work === null || !layer.field.has('operation') || !layer.field.has('phase')) return true;
  return workKey(layer, row) === state.work;
}

/* Stone -> what the ledger, or without one the exposure, says of the chosen work. */
let verdicts = new Map();
function readLedger() {
  verdicts = new Map();
  const weight = { free: 1, reach: 2, covered: 3 };
  const take = (name, verdictOf) => {
    const layer = layers.get(name);
    if (!layer) return;
    for (let row = 0; row < layer.count; row += 1) {
      if (!fitsWork(layer, row)) continue;
      const stone = `${layer.value('stone_layer', row)}/${layer.value('stone_id', row)}`;
      const verdict = verdictOf(layer, row);
      const before = verdicts.get(stone);
      const rank = layer.value('rank', row);
      if (!before || weight[verdict] > weight[before.verdict]) verdicts.set(stone, { verdict, rank });
      else if (verdict === before.verdict && rank !== null && (before.rank === null || rank < before.rank)) before.rank = rank;
    }
  };
  take('stone_ledger', (layer, row) => layer.value('verdict', row));
  if (!has('stone_ledger')) take('exposure', () => 'reach');
}
const verdictOf = (layer, row) => verdicts.get(`${layer.name}/${layer.id(row)}`) || null;

/* The way a layer is sorted now. Stones take the ledger's verdict where a work is asked about. */
function classingsOf(layer) {
  const asks = themeNow().works && (has('stone_ledger') || has('exposure'));
  return layer.style.classings.filter((classing) => {
    if (classing.field === '@work') return asks;
    if (layer.style.classings.some((other) => other.field === '@work')) return !asks;
    return classing.field === '' || classing.whole || layer.columns[classing.field] !== undefined;
  });
}
function classingNow(layer) {
  const options = classingsOf(layer);
  const chosen = state.classing[layer.name];
  return options.find((classing) => classing.field === chosen) || options[0] || layer.style.classings[0];
}
const hiddenKey = (layer) => `${state.theme}/${layer.name}/${classingNow(layer).field}`;
const hiddenIn = (layer) => state.hidden[hiddenKey(layer)] || new Set();

function nameOfLook(look) {
  if (look.label === 'unlisted' && content.left_out.rows.some(([name]) => name === 'stone_ledger')) return words('class.unlisted_cut');
  if (look.label) return words('class.' + look.label);
  return look.value === null ? '' : String(look.value);
}

/* Give every row its class; words that no look knows form one class of their own. */
function sortRows(layer) {
  const classing = classingNow(layer);
  const looks = classing.looks.slice();
  const place = new Map(looks.map((look, at) => [look.value, at]));
  let other = -1;
  const valueOf = classing.field === '@work'
    ? (row) => (verdictOf(layer, row) || { verdict: null }).verdict
    : classing.field === '' ? () => null : (row) => layer.value(classing.field, row);
  for (let row = 0; row < layer.count; row += 1) {
    const value = valueOf(row);
    let at = place.get(value);
    if (at === undefined) {
      if (other < 0) other = looks.push({ value: Symbol('other'), colour: '#8f9298', shape: 'hexagon', width: 3, dash: [1, 3], pattern: 'dots', fill: 0.3, label: 'other' }) - 1;
      at = other;
    }
    layer.classOf[row] = at;
  }
  layer.looks = looks;
}

function showRows(layer) {
  const on = state.on[state.theme][layer.name];
  const hidden = hiddenIn(layer);
  for (let row = 0; row < layer.count; row += 1) {
    layer.seen[row] = on && !hidden.has(layer.classOf[row]) && fitsWork(layer, row) ? 1 : 0;
  }
}

function refresh(what) {
  readLedger();
  for (const name of layersOfTheme(themeNow())) {
    const layer = layers.get(name);
    sortRows(layer);
    showRows(layer);
  }
  changed(what || 'shown');
}

/* Rows by class: how many, and the sum of the layer's measure. */
function countClasses(layer) {
  const counts = layer.looks.map(() => ({ count: 0, sum: 0 }));
  const measure = layer.style.measure;
  for (let row = 0; row < layer.count; row += 1) {
    if (!fitsWork(layer, row)) continue;
    const cell = counts[layer.classOf[row]];
    cell.count += 1;
    if (measure) cell.sum += layer.value(measure, row) || 0;
  }
  return counts;
}

function countShown() {
  const total = { shown: 0, count: 0 };
  for (const name of layersShown()) {
    const layer = layers.get(name);
    for (let row = 0; row < layer.count; row += 1) {
      if (!fitsWork(layer, row)) continue;
      total.count += 1;
      total.shown += layer.seen[row];
    }
  }
  return total;
}

function chooseTheme(id) {
  state.theme = id;
  if (!state.on[id]) {
    const theme = themeNow();
    state.on[id] = Object.fromEntries(theme.layers.map((name) => [name, theme.on.includes(name)]));
    const subjects = theme.subject.filter((name) => has(name) && layers.get(name).style);
    if (subjects.length && !subjects.some((name) => state.on[id][name])) state.on[id][subjects[0]] = true;
  }
  if (!themeNow().works) state.work = null;
  else if (state.work === null && !state.allWorks && works.length) state.work = works[0].key;
  refresh('theme');
}

function chooseWork(key) {
  state.work = key;
  state.allWorks = key === null;
  refresh('work');
}

function turnLayer(name, on) {
  state.on[state.theme][name] = on;
  showRows(layers.get(name));
  changed('shown');
}

function turnClass(name, at, on) {
  const layer = layers.get(name);
  const hidden = new Set(hiddenIn(layer));
  if (on) hidden.delete(at);
  else hidden.add(at);
  state.hidden[hiddenKey(layer)] = hidden;
  showRows(layer);
  changed('shown');
}

function chooseClassing(name, field) {
  state.classing[name] = field;
  refresh('key');
}

function showEverything() {
  for (const name of layersOfTheme(themeNow())) {
    state.hidden[hiddenKey(layers.get(name))] = new Set();
  }
  refresh('key');
}

const anythingHidden = () => layersOfTheme(themeNow()).some((name) => hiddenIn(layers.get(name)).size > 0);

/* Show one row whatever the key says; tells whether it had been hidden. */
function reveal(name, row) {
  const layer = layers.get(name);
  if (layer.seen[row]) return false;
  state.on[state.theme][name] = true;
  const hidden = new Set(hiddenIn(layer));
  hidden.delete(layer.classOf[row]);
  state.hidden[hiddenKey(layer)] = hidden;
  if (!fitsWork(layer, row)) state.work = workKey(layer, row);
  refresh('key');
  return true;
}
