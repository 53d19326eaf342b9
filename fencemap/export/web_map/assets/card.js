/* The card of one thing: its facts with units and meanings, why, and where each comes from. */

function node(tag, attributes, ...inside) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes || {})) {
    if (key === 'class') made.className = value;
    else if (key.startsWith('on')) made.addEventListener(key.slice(2), value);
    else if (value !== false && value !== null) made.setAttribute(key, value === true ? '' : value);
  }
  for (const child of inside) if (child !== null) made.append(child);
  return made;
}
/* A user's text: never markup, its direction its own. */
const said = (text) => node('bdi', { class: 'fm-said' }, String(text));

let explaining = false;
const ids = new Map();
const uids = new Map();
const ORIGIN_FIELDS = new Set(['uid', 'source_file', 'source_row']);
const SPREAD = { gap_mm: 'sigma_mm', distance_m: 'sigma_m', volume_m3: 'sigma_m3' };
const REFERENCES = new Set(['run_id', 'bay_id', 'panel_id', 'stone_id', 'parent_id', 'worst_element', 'element_id', 'of', 'lots']);

/* Names of all things that can be shown; what is surveyed comes before what was worked out. */
function indexNames() {
  const order = ['elements', 'stones', 'curbs', 'trees', 'lots', 'condition_bays', 'condition_runs', 'runs'];
  const names = [...layers.keys()].filter((name) => layers.get(name).style);
  names.sort((a, b) => (order.indexOf(a) + 1 || 99) - (order.indexOf(b) + 1 || 99));
  for (const name of names) {
    const layer = layers.get(name);
    for (let row = 0; row < layer.count; row += 1) {
      const id = layer.id(row);
      if (id !== '') {
        if (!ids.has(id)) ids.set(id, []);
        ids.get(id).push([name, row]);
      }
      const uid = layer.value('uid', row);
      if (uid !== null) uids.set(uid, [name, row]);
    }
  }
}

function lookOf(layer, row) {
  return layer.looks[layer.classOf[row]] || layer.style.classings[0].looks[0];
}

function subtitleOf(layer, row) {
  const parts = [layer.title];
  for (const field of ['kind', 'operation', 'lots', 'run_id']) {
    const value = layer.value(field, row);
    if (value !== null && String(value) !== layer.id(row)) parts.push(String(value));
  }
  return parts.join(' · ');
}

function valueNode(layer, field, row) {
  const value = layer.value(field.name, row);
  const box = node('dd', {});
  if (field.dtype === 'boolean') box.append(value ? words('card.yes') : words('card.no'));
  else if (field.dtype === 'real' || field.dtype === 'integer') {
    const share = field.name.endsWith('_probability');
    box.append(share ? withUnit(Number((100 * value).toPrecision(value > 0.99 && value < 1 ? 4 : 2)), '%') : withUnit(value, field.unit));
    const sigma = SPREAD[field.name] ? layer.value(SPREAD[field.name], row) : null;
    if (sigma !== null) box.append(node('small', {}, ` ± ${withUnit(sigma, field.unit)} (${words('card.sigma')})`));
  } else if (REFERENCES.has(field.name)) box.append(...references(layer, row, String(value)));
  else if (field.name === 'other' || field.name === 'raw') box.append(...pairs(String(value)));
  else box.append(said(value));
  const term = field.vocabulary && content.vocabularies[field.vocabulary] ? content.vocabularies[field.vocabulary][value] : null;
  const meaning = field.meaning + (term ? ` — ${value}: ${term}` : '');
  box.append(node('small', { class: 'fm-meaning' }, meaning));
  return box;
}

/* Names of other things become buttons that go there. */
function references(layer, row, text) {
  const made = [];
  text.split(';').forEach((piece, at) => {
    if (at) made.push('; ');
    const name = piece.trim();
    const known = name !== layer.id(row) && ids.has(name);
    made.push(known ? node('button', { type: 'button', class: 'fm-link', onclick: () => go(name) }, said(name)) : said(piece));
  });
  return made;
}

function pairs(text) {
  let read = null;
  try {
    read = JSON.parse(text);
  } catch (error) {
    return [said(text)];
  }
  if (read === null || typeof read !== 'object') return [said(text)];
  return Object.entries(read).map(([key, value]) => node('div', {}, said(key), ': ', said(typeof value === 'object' ? JSON.stringify(value) : value)));
}

function factList(layer, row, fields) {
  const list = node('dl', { class: 'fm-facts' });
  for (const field of fields) list.append(node('dt', {}, field.label), valueNode(layer, field, row));
  return list;
}

function factsOf(layer, row) {
  const skip = new Set([...ORIGIN_FIELDS, 'because', 'kind', ...Object.values(SPREAD)]);
  const known = layer.fields.filter((field) => !skip.has(field.name) && layer.value(field.name, row) !== null);
  const wanted = layer.style ? layer.style.facts : [];
  const first = wanted.map((name) => known.find((field) => field.name === name)).filter(Boolean);
  return { first, more: known.filter((field) => !first.includes(field)) };
}

function originNode(layer, row) {
  const file = layer.value('source_file', row);
  const line = layer.value('source_row', row);
  const uid = layer.value('uid', row);
  let text = '';
  if (file !== null && line !== null) text = words('card.from_row', { file, row: line });
  else if (file !== null) text = layer.computed ? words('card.computed', { step: file }) : words('card.from_file', { file });
  const box = node('p', { class: 'fm-origin' }, node('b', {}, words('card.origin')), ' ', said(text));
  if (uid !== null) box.append(node('br', {}), `${words('card.uid')}: `, node('code', {}, uid));
  return box;
}

/* Rows of tables that belong to this thing: ledger lines, mending, readings, doubts. */
function relatedNodes(layer, row) {
  const made = [];
  for (const [table, key, of] of content.related) {
    if (!of.includes(layer.name)) continue;
    const rows = relatedRows(layers.get(table), key, layer, layer.id(row));
    if (!rows.length) continue;
    const list = node('ul', { class: 'fm-related' });
    const order = layers.get(table).field.has('operation') ? (at) => Number(workKey(layers.get(table), at) !== state.work) : () => 0;
    for (const at of rows.slice().sort((a, b) => order(a) - order(b) || a - b).slice(0, 60)) list.append(relatedItem(layers.get(table), at, key));
    const open = table === 'stone_ledger' || table === 'suspect';
    made.push(node('details', open ? { open: true } : {}, node('summary', {}, words('card.related', { layer: layers.get(table).title, count: rows.length })), list));
  }
  return made;
}

const byKey = new Map();
function relatedRows(table, key, layer, id) {
  if (!byKey.has(table.name)) {
    const index = new Map();
    for (let row = 0; row < table.count; row += 1) {
      const value = table.value(key, row);
      if (!index.has(value)) index.set(value, []);
      index.get(value).push(row);
    }
    byKey.set(table.name, index);
  }
  const rows = byKey.get(table.name).get(id) || [];
  return table.field.has('stone_layer') ? rows.filter((row) => table.value('stone_layer', row) === layer.name) : rows;
}

function relatedItem(table, row, key) {
  const skip = new Set([...ORIGIN_FIELDS, key, 'stone_layer', 'because', 'reason', 'remedy', 'code', 'input', ...Object.values(SPREAD)]);
  const item = node('li', {});
  if (table.field.has('operation') && table.field.has('phase')) {
    const work = workKey(table, row);
    const verdict = table.value('verdict', row);
    for (const name of ['phase', 'operation', 'verdict', 'distance_m']) skip.add(name);
    item.append(node('b', {}, said(verdict === null ? workName(work) : `${workName(work)}: ${verdict}`)));
    if (work === state.work) item.className = 'fm-chosen';
    else if (state.work !== null) item.className = 'fm-other';
    const because = table.value('because', row);
    if (because !== null) item.append(node('p', {}, said(because)));
  }
  for (const field of table.fields) {
    if (skip.has(field.name) || table.value(field.name, row) === null) continue;
    item.append(node('span', { class: 'fm-pair' }, `${field.label}: `, ...valueNode(table, field, row).childNodes));
  }
  for (const name of ['reason', 'remedy']) {
    const text = table.value(name, row);
    if (text !== null) item.append(node('p', {}, said(text)));
  }
  return item;
}

function cardNode(name, row, others) {
  const layer = layers.get(name);
  const { first, more } = factsOf(layer, row);
  const look = layer.style ? lookOf(layer, row) : null;
  const heading = node('h2', { tabindex: '-1' }, said(layer.id(row) || layer.title));
  const card = node('article', { class: 'fm-card', 'data-id': layer.id(row), 'data-layer': name });
  card.append(node('div', { class: 'fm-card-head' }, heading, node('button', { type: 'button', class: 'fm-close', 'aria-label': words('card.close'), onclick: closeCard }, '×')));
  card.append(node('p', { class: 'fm-kind' }, said(subtitleOf(layer, row))));
  if (look && nameOfLook(look)) card.append(node('p', { class: 'fm-class' }, keySymbol(look, layer.kindOf(row)), node('b', {}, said(nameOfLook(look)))));
  if (!layer.placed(row)) card.append(node('p', { class: 'fm-note' }, words('card.no_place')));
  const because = layer.value('because', row);
  if (because !== null) card.append(node('p', { class: 'fm-because' }, node('b', {}, words('card.because')), ' ', said(because)));
  const shownFirst = first.length ? first : more;
  card.append(factList(layer, row, shownFirst));
  card.append(...relatedNodes(layer, row));
  if (first.length && more.length) card.append(node('details', {}, node('summary', {}, words('card.more', { count: more.length })), factList(layer, row, more)));
  card.append(originNode(layer, row));
  card.append(explainButton(card));
  const also = (others || []).filter((other) => other.name !== name || other.row !== row).slice(0, 8);
  if (also.length) card.append(alsoNode(also, others));
  card.classList.toggle('fm-explained', explaining);
  return { card, heading };
}

function explainButton(card) {
  const button = node('button', { type: 'button', class: 'fm-link', 'aria-pressed': String(explaining) }, words('card.explain'));
  button.addEventListener('click', () => {
    explaining = !explaining;
    card.classList.toggle('fm-explained', explaining);
    button.setAttribute('aria-pressed', String(explaining));
    if (popup) popup.update();
  });
  return button;
}

function alsoNode(also, others) {
  const list = node('ul', { class: 'fm-also' });
  for (const { name, row } of also) {
    const layer = layers.get(name);
    const label = [layer.title, layer.id(row)].filter(Boolean).join(' ');
    list.append(node('li', {}, node('button', { type: 'button', class: 'fm-link', onclick: () => openCard(name, row, { others, focus: true }) }, said(label))));
  }
  return node('div', {}, node('p', { class: 'fm-also-head' }, words('card.also')), list);
}

let popup = null;
let opener = null;
const marked = [];

function openCard(name, row, options) {
  const layer = layers.get(name);
  const place = (options && options.at) || placeOf(layer, row);
  const { card, heading } = cardNode(name, row, options && options.others);
  if (options && options.focus) opener = options.opener || document.activeElement;
  markRow(layer, row);
  const size = map.getSize();
  const next = L.popup({ closeButton: false, maxWidth: Math.min(350, size.x - 40), minWidth: Math.min(300, size.x - 44), maxHeight: Math.max(160, size.y * 0.62), className: 'fm-pop', autoPanPaddingTopLeft: [12, 12], autoPanPaddingBottomRight: [12, 40] });
  next.setLatLng(place).setContent(card);
  popup = next;
  next.openOn(map);
  next.getElement().setAttribute('role', 'dialog');
  next.getElement().setAttribute('aria-label', layer.id(row) || layer.title);
  const scroller = next.getElement().querySelector('.leaflet-popup-content');
  scroller.setAttribute('tabindex', '0');
  next.fm = { name, row };
  writeAddress(layer, row);
  if (options && options.focus) heading.focus({ preventScroll: true });
}

function placeOf(layer, row) {
  const anchor = layer.anchor(row);
  return anchor ? L.latLng(latOf(anchor[1]), lonOf(anchor[0])) : map.getCenter();
}

function closeCard() {
  map.closePopup();
}

function cardClosed() {
  popup = null;
  unmark();
  clearAddress();
  if (opener && document.contains(opener)) opener.focus({ preventScroll: true });
  opener = null;
}

/* The chosen thing gets a bright edge on top of everything. */
function markRow(layer, row) {
  unmark();
  if (!layer.placed(row)) return;
  const parts = layer.parts[row].map((part) => {
    const path = [];
    for (let at = 0; at < part.length; at += 2) path.push([latOf(part[at + 1]), lonOf(part[at])]);
    return path;
  });
  const kind = layer.kindOf(row);
  for (const [weight, color] of [[9, '#fff'], [4, '#b3261e']]) {
    const style = { weight, color, opacity: 0.95, fill: false, interactive: false };
    if (kind === 0) for (const part of parts) marked.push(L.circleMarker(part[0], { ...style, weight: weight / 1.6, radius: 12 }).addTo(map));
    else if (kind === 1) marked.push(L.polyline(parts, style).addTo(map));
    else marked.push(L.polygon(parts, { ...style, weight: weight / 1.4 }).addTo(map));
  }
}

function unmark() {
  while (marked.length) marked.pop().remove();
}
