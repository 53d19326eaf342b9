/* The margin: the question and its answer, the key that is also the filter, lists, cautions. */

const byId = (id) => document.getElementById(id);
const narrow = window.matchMedia('(max-width: 760px)');
const PANELS = ['key', 'list', 'cautions', 'about'];
let openPanel = null;
let listSize = 60;

function say(text) {
  byId('fm-live').textContent = text;
}

function fillWords() {
  for (const place of document.querySelectorAll('[data-t]')) place.textContent = words(place.dataset.t);
  for (const place of document.querySelectorAll('[data-label]')) place.setAttribute('aria-label', words(place.dataset.label));
  byId('fm-site').textContent = content.site.name;
  byId('fm-subtitle').textContent = words('page.subtitle', content.site);
  byId('fm-crs').textContent = content.site.crs;
  byId('fm-paper-foot').textContent = words('print.foot', { ...content.site, site: content.site.name });
}

function buildThemes() {
  const box = byId('fm-themes');
  for (const theme of content.themes) {
    const input = node('input', { type: 'radio', name: 'fm-theme', id: `fm-theme-${theme.id}`, value: theme.id });
    input.addEventListener('change', () => {
      closeCard();
      chooseTheme(theme.id);
      say(`${words('theme.' + theme.id)}. ${byId('fm-lead').textContent}`);
    });
    box.append(node('label', {}, input, node('span', {}, words('theme.' + theme.id))));
  }
}

function buildTabs() {
  for (const name of PANELS) {
    const label = { key: 'tool.panel', list: 'tool.list', cautions: 'tool.cautions', about: 'tool.about' }[name];
    byId('fm-tabs').append(node('button', { type: 'button', id: `fm-${name}-tab`, 'aria-controls': `fm-${name}-panel`, 'aria-expanded': 'false', onclick: () => showPanel(narrow.matches && openPanel === name ? null : name) }, words(label)));
  }
}

/* On a wide screen one panel is always open; on a phone the map is free until one is asked for. */
function showPanel(name) {
  openPanel = name;
  for (const each of PANELS) {
    byId(`fm-${each}-panel`).hidden = each !== name;
    byId(`fm-${each}-tab`).setAttribute('aria-expanded', String(each === name));
  }
  document.body.classList.toggle('fm-panel-open', name !== null);
  if (name === 'list') buildList();
}

function showAnswer() {
  const theme = themeNow();
  byId(`fm-theme-${theme.id}`).checked = true;
  byId('fm-question').textContent = words('question.' + theme.id);
  byId('fm-lead').textContent = theme.subject.some(has) ? leads[theme.id]() : words('lead.nothing');
  byId('fm-work-row').hidden = !(theme.works && works.length);
  byId('fm-work').value = state.work === null ? '' : state.work;
  buildDoubtLinks();
  document.title = `${content.site.name} – ${words('theme.' + theme.id)}`;
}

/* Refused and doubtful rows are one tap from the sentence that counts them. */
function buildDoubtLinks() {
  const box = byId('fm-doubt-links');
  box.replaceChildren();
  if (!themeNow().subject.includes('rejected')) return;
  for (const [name, place, label] of [['rejected', 'fm-refused', 'list.refused'], ['suspect', 'fm-doubtful', 'list.doubtful']]) {
    if (!has(name)) continue;
    box.append(node('button', { type: 'button', class: 'fm-link', onclick: () => showDoubts(place) }, `${words(label)} (${layers.get(name).count})`));
  }
}

function showDoubts(place) {
  showPanel('list');
  const heading = byId(place);
  heading.scrollIntoView({ block: 'start' });
  heading.focus({ preventScroll: true });
}

const leads = {
  condition() {
    const layer = layers.get(['condition_bays', 'condition_runs', 'condition_lots'].find(has));
    const grades = [];
    let unjudged = 0;
    for (let row = 0; row < layer.count; row += 1) {
      const grade = layer.value('worst_condition', row);
      if (grade === null) unjudged += 1;
      else grades[grade] = (grades[grade] || 0) + 1;
    }
    const values = { count: layer.count, things: words('things.' + layer.name), unjudged };
    if (!grades.length) return words('lead.condition_none', values);
    const worst = grades.length - 1;
    return words('lead.condition', { ...values, worst, worst_count: grades[worst] });
  },
  contact() {
    const layer = layers.get('soil_contact');
    const sums = { total: 0 };
    for (let row = 0; row < layer.count; row += 1) {
      const metres = layer.value('length_m', row) || 0;
      const verdict = layer.value('contact', row);
      sums[verdict] = (sums[verdict] || 0) + metres;
      if (verdict !== 'no rail') sums.total += metres;
    }
    const text = (key) => length(sums[key] || 0);
    return words('lead.contact', { contact: text('in contact'), total: text('total'), undecided: text('undecided'), not_seen: text('not seen') });
  },
  protection() {
    const counts = { covered: 0, reach: 0, free: 0, count: 0 };
    for (const name of ['stones', 'curbs']) {
      const layer = layers.get(name);
      for (let row = 0; layer && row < layer.count; row += 1) {
        counts.count += 1;
        const found = verdictOf(layer, row);
        if (found) counts[found.verdict] += 1;
      }
    }
    const work = works.length ? lower(workName(state.work)) : words('work.all');
    return has('stone_ledger') ? words('lead.protection', { ...counts, work }) : words('lead.protection_reach', { ...counts, covered: counts.reach, work });
  },
  survey() {
    const count = (name) => (has(name) ? layers.get(name).count : 0);
    return words('lead.survey', { count: count('elements'), rejected: count('rejected'), suspect: count('suspect') });
  },
};
const lower = (text) => text.slice(0, 1).toLowerCase() + text.slice(1);

function buildWorks() {
  const select = byId('fm-work');
  for (const work of works) select.append(node('option', { value: work.key }, workName(work.key)));
  select.append(node('option', { value: '' }, workName(null)));
  select.addEventListener('change', () => {
    closeCard();
    chooseWork(select.value === '' ? null : select.value);
    say(byId('fm-lead').textContent);
  });
}

/* The key. Layers that answer the question come first, what lies beneath them last. */
function buildKey() {
  const box = byId('fm-key');
  const focused = document.activeElement && box.contains(document.activeElement) ? document.activeElement.id : null;
  const names = layersOfTheme(themeNow()).reverse();
  const place = (name) => {
    const at = themeNow().subject.indexOf(name);
    if (at >= 0) return at;
    if (classingNow(layers.get(name)).field === '@work') return 0.5;
    return layers.get(name).style.beneath ? 90 : 80;
  };
  names.sort((a, b) => place(a) - place(b));
  box.replaceChildren(...names.map(keyGroup));
  if (focused && byId(focused)) byId(focused).focus();
  buildMini();
  showCounts();
}

/* On a phone: the chief classes in one row under the map; a tap opens the whole key. */
function buildMini() {
  const name = themeNow().subject.find((each) => has(each) && layers.get(each).style && state.on[state.theme][each]);
  const box = byId('fm-mini');
  box.replaceChildren();
  if (!name) return;
  const layer = layers.get(name);
  const kind = layer.kind;
  let looks = layer.looks.map((look) => [look, kind]);
  if (themeNow().works && layers.has('stones')) looks = [...looks, ...layers.get('stones').looks.map((look) => [look, 2])];
  const counted = new Set();
  for (const each of themeNow().works ? [name, 'stones'] : [name]) {
    if (layers.has(each)) countClasses(layers.get(each)).forEach(({ count }, at) => count && counted.add(layers.get(each).looks[at]));
  }
  for (const [look, of] of looks.filter(([each]) => counted.has(each)).slice(0, 6)) {
    box.append(node('span', {}, keySymbol(look, of), nameOfLook(look) || layer.title));
  }
}

function keyGroup(name) {
  const layer = layers.get(name);
  const on = state.on[state.theme][name];
  const many = layer.looks.length > 1 || (layer.looks.length === 1 && nameOfLook(layer.looks[0]) !== '');
  const box = node('input', { type: 'checkbox', id: `fm-layer-${name}`, checked: on });
  box.addEventListener('change', () => turnLayer(name, box.checked));
  const head = node('label', { class: 'fm-layer' }, box, many ? null : keySymbol(layer.looks[0], layer.kind), node('span', { class: 'fm-name' }, layer.title), node('span', { class: 'fm-count' }, String(fitCount(layer))));
  const group = node('div', { class: 'fm-group', role: 'group', 'aria-label': layer.title, 'data-layer': name, 'data-on': String(on) }, head);
  const options = classingsOf(layer);
  if (options.length > 1 && on) group.append(classingSelect(layer, options));
  if (many && on) group.append(classList(layer));
  if (on && layer.style.ring && layer.columns[layer.style.ring]) group.append(ringBox(layer));
  if (on && layer.unplaced) group.append(node('p', { class: 'fm-note' }, words('key.unplaced', { count: layer.unplaced })));
  return group;
}

function fitCount(layer) {
  let count = 0;
  for (let row = 0; row < layer.count; row += 1) count += fitsWork(layer, row) ? 1 : 0;
  return count;
}

function classingSelect(layer, options) {
  const select = node('select', { id: `fm-classing-${layer.name}` });
  for (const option of options) select.append(node('option', { value: option.field, selected: option.field === classingNow(layer).field }, words('classing.' + option.field)));
  select.addEventListener('change', () => chooseClassing(layer.name, select.value));
  return node('label', { class: 'fm-classing' }, words('classing.legend'), ' ', select);
}

function classList(layer) {
  const list = node('ul', { class: 'fm-classes' });
  const counts = countClasses(layer);
  const hidden = hiddenIn(layer);
  const measure = layer.style.measure ? layer.field.get(layer.style.measure) : null;
  layer.looks.forEach((look, at) => {
    if (!counts[at].count && (!classingNow(layer).whole || look.value === null)) return;
    const box = node('input', { type: 'checkbox', id: `fm-class-${layer.name}-${at}`, checked: !hidden.has(at) });
    box.addEventListener('change', () => turnClass(layer.name, at, box.checked));
    const sum = measure && counts[at].count ? node('span', { class: 'fm-sum' }, amount(counts[at].sum, measure.unit)) : null;
    list.append(node('li', { 'data-on': String(!hidden.has(at)) }, node('label', { 'data-value': look.value === null ? '' : String(nameOfLook(look)) }, box, keySymbol(look, layer.kind), node('span', { class: 'fm-name' }, nameOfLook(look)), sum, node('span', { class: 'fm-count' }, String(counts[at].count)))));
  });
  return list;
}

function ringBox(layer) {
  const box = node('input', { type: 'checkbox', id: 'fm-rings', checked: state.rings });
  box.addEventListener('change', () => {
    state.rings = box.checked;
    changed('drawing');
  });
  const sigma = layer.columns[layer.style.ring].v;
  const silent = sigma.filter((value) => value === null).length;
  return node('div', { class: 'fm-extra' }, node('label', {}, box, node('span', {}, words('key.rings'))), silent ? node('p', { class: 'fm-note' }, words('key.rings_unknown', { count: silent })) : null);
}

function showCounts() {
  byId('fm-shown').textContent = words('key.shown', countShown());
  byId('fm-show-all').hidden = !anythingHidden();
  for (const group of document.querySelectorAll('.fm-group')) {
    const hidden = hiddenIn(layers.get(group.dataset.layer));
    for (const item of group.querySelectorAll('.fm-classes li')) {
      const box = item.querySelector('input');
      box.checked = !hidden.has(Number(box.id.slice(box.id.lastIndexOf('-') + 1)));
      item.dataset.on = String(box.checked);
    }
  }
}

/* Photo strength, grid, names: how the sheet looks, not what it says. */
function buildSheetSwitches() {
  const box = byId('fm-on-sheet');
  const tick = (key, id) => {
    const input = node('input', { type: 'checkbox', id, checked: state[key] });
    input.addEventListener('change', () => {
      state[key] = input.checked;
      changed('drawing');
    });
    box.append(node('label', {}, input, node('span', {}, words(key === 'grid' ? 'tool.grid' : 'key.names'))));
  };
  tick('names', 'fm-names');
  if (content.grid) tick('grid', 'fm-grid');
  if (photo) {
    const slider = node('input', { type: 'range', id: 'fm-photo', min: 0, max: 100, step: 10, value: 100, 'aria-label': words('tool.photo_strength') });
    slider.addEventListener('input', () => photoLayer.setOpacity(slider.value / 100));
    box.append(node('label', { class: 'fm-photo' }, node('span', {}, words('tool.photo')), slider));
  }
}

/* What is in view, as buttons: the way to everything that needs no eye and no mouse. */
function buildList() {
  if (openPanel !== 'list') return;
  const box = byId('fm-list');
  const focused = document.activeElement && box.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const found = inView();
  const total = found.reduce((sum, [, rows]) => sum + rows.length, 0);
  const made = [node('h3', { id: 'fm-list-count' }, total ? words('list.count', { count: total }) : words('list.none'))];
  let left = listSize;
  for (const [name, rows] of found) {
    if (left <= 0) break;
    const layer = layers.get(name);
    made.push(node('h4', {}, `${layer.title} (${rows.length})`));
    made.push(node('ul', { class: 'fm-items' }, ...rows.slice(0, left).map((row) => listItem(layer, row))));
    left -= Math.min(left, rows.length);
  }
  const rest = total - (listSize - Math.max(0, left));
  if (rest > 0) made.push(node('button', { type: 'button', id: 'fm-list-more', onclick: () => { listSize += 200; buildList(); } }, words('list.more', { count: Math.min(200, rest) })));
  if (themeNow().subject.includes('rejected')) made.push(...doubts());
  box.replaceChildren(...made);
  const again = focused && [...box.querySelectorAll('button')].find((button) => button.dataset.key === focused);
  if (again) again.focus({ preventScroll: true });
}

function inView() {
  const bounds = map.getBounds();
  const box = [worldX(bounds.getWest()), worldY(bounds.getNorth()), worldX(bounds.getEast()), worldY(bounds.getSouth())];
  const names = layersShown().reverse();
  const subject = themeNow().subject;
  names.sort((a, b) => subject.includes(b) - subject.includes(a));
  const found = [];
  for (const name of names) {
    const layer = layers.get(name);
    const rows = layer.index ? layer.index.query(box).filter((row) => layer.seen[row]) : [];
    rows.sort((a, b) => layer.classOf[a] - layer.classOf[b] || a - b);
    if (rows.length) found.push([name, rows]);
  }
  return found;
}

function listItem(layer, row) {
  const look = lookOf(layer, row);
  const button = node('button', { type: 'button', 'data-key': `${layer.name}/${row}`, onclick: () => showRow(layer.name, row, { focus: true }) }, keySymbol(look, layer.placed(row) ? layer.kindOf(row) : layer.kind), said(layer.id(row) || layer.title), node('span', { class: 'fm-item-class' }, said(nameOfLook(look))));
  return node('li', {}, button);
}

/* Refused and doubtful rows, and pieces without a position: everything the sheet can't show. */
function doubts() {
  const made = [];
  const refused = layers.get('rejected');
  const doubtful = layers.get('suspect');
  made.push(node('h3', { id: 'fm-refused', tabindex: '-1' }, `${words('list.refused')} (${refused ? refused.count : 0})`));
  if (has('rejected')) made.push(doubtList(refused, false));
  else made.push(node('p', {}, words('list.refused_none')));
  made.push(node('h3', { id: 'fm-doubtful', tabindex: '-1' }, `${words('list.doubtful')} (${doubtful ? doubtful.count : 0})`));
  if (has('suspect')) made.push(doubtList(doubtful, true));
  else made.push(node('p', {}, words('list.doubtful_none')));
  const iron = layers.get('elements');
  if (iron && iron.unplaced) {
    const rows = [];
    for (let row = 0; row < iron.count && rows.length < 200; row += 1) if (!iron.placed(row)) rows.push(row);
    made.push(node('h3', {}, `${words('list.no_position')} (${iron.unplaced})`), node('ul', { class: 'fm-items' }, ...rows.map((row) => listItem(iron, row))));
  }
  return made;
}

function doubtList(layer, goes) {
  const list = node('ul', { class: 'fm-doubts' });
  for (let row = 0; row < Math.min(layer.count, 300); row += 1) {
    const file = layer.value('source_file', row);
    const line = layer.value('source_row', row);
    const name = layer.value('element_id', row);
    const column = layer.value('column', row);
    const value = layer.value('value', row);
    const item = node('li', {});
    if (name !== null) item.append(goes && layer.placed(row) ? node('button', { type: 'button', class: 'fm-link', onclick: () => showRow('suspect', row, { focus: true }) }, said(name)) : node('b', {}, said(name)), ' ');
    item.append(node('span', { class: 'fm-place' }, said([file, line].filter((part) => part !== null).join(':'))));
    if (column !== null) item.append(node('p', { class: 'fm-cell' }, said(column), value === null ? '' : ': ', value === null ? '' : said(value)));
    item.append(node('p', {}, said(layer.value('reason', row) || '')));
    if (layer.value('remedy', row) !== null) item.append(node('p', { class: 'fm-remedy' }, said(layer.value('remedy', row))));
    list.append(item);
  }
  return list;
}

function buildCautions() {
  const box = byId('fm-cautions');
  const strip = byId('fm-strip');
  const count = content.cautions.length;
  strip.hidden = count === 0;
  if (!count) {
    box.append(node('p', {}, words('caution.none')));
    return;
  }
  strip.textContent = words(count === 1 ? 'caution.strip_one' : 'caution.strip', { count, first: content.cautions[0].title });
  strip.addEventListener('click', () => {
    showPanel('cautions');
    byId('fm-cautions').querySelector('h3').focus();
  });
  for (const caution of content.cautions) {
    box.append(node('article', { class: 'fm-caution' }, node('h3', { tabindex: '-1' }, said(caution.title)), node('p', {}, said(caution.text)), node('p', { class: 'fm-note' }, words('caution.source', { source: caution.source }))));
  }
}

function buildAbout() {
  const box = byId('fm-about');
  const site = content.site;
  const add = (text) => box.append(node('p', {}, text));
  box.append(node('h3', {}, words('about.heading')));
  add(words('about.made_for', site));
  add(words('about.crs', site));
  add(site.heights === 'site' ? words('about.heights_site') : words('about.heights', site));
  add(words('about.rounding'));
  if (photo) add(words('about.photo', photo) + (photo.cut ? ' ' + words('about.photo_cut', photo) : ''));
  else add(words('about.photo_none'));
  const titles = content.left_out.layers.map((name) => name.replaceAll('_', ' '));
  if (titles.length) add(words('about.left_out', { layers: titles.join(', ') }));
  for (const [name, count] of content.left_out.rows) add(words('about.left_out_rows', { layer: words('layer.' + name), count }));
  add(words('about.private'));
  add(words('about.colours'));
  add(words('about.offline') + ' ' + words('about.tried'));
  add(words('about.licences'));
  box.append(appearance());
}

function appearance() {
  const select = node('select', { id: 'fm-appearance' });
  for (const name of ['auto', 'light', 'dark']) select.append(node('option', { value: name }, words('about.appearance_' + name)));
  const stored = remembered('appearance') || 'auto';
  select.value = stored;
  dress(stored);
  select.addEventListener('change', () => {
    remember('appearance', select.value);
    dress(select.value);
  });
  return node('label', {}, words('about.appearance'), ' ', select);
}

function dress(name) {
  if (name === 'auto') delete document.documentElement.dataset.dress;
  else document.documentElement.dataset.dress = name;
}

/* A browser may forbid storage for files; the map does without. */
function remembered(key) {
  try {
    return window.localStorage.getItem('fencemap.' + key);
  } catch (error) {
    return null;
  }
}
function remember(key, value) {
  try {
    window.localStorage.setItem('fencemap.' + key, value);
  } catch (error) {
    /* nothing to keep it in */
  }
}
