/* Start: read the blocks, build the page round the map that folium made, draw. */

let drawing = null;
let photoLayer = null;
let home = null;

async function start(foliumMap) {
  map = foliumMap;
  try {
    Object.assign(content, await readBlock('fm-data'));
    photo = await readBlock('fm-photo');
    build();
  } catch (error) {
    const place = byId('fm-live');
    place.className = 'fm-broken';
    place.textContent = error.message === 'too_old' && content.strings.page ? words('page.too_old') : String(error.message);
    throw error;
  }
}

function build() {
  loadLayers();
  indexNames();
  works = listWorks();
  fillWords();
  buildThemes();
  buildTabs();
  buildWorks();
  buildCautions();
  prepareMap();
  listeners.push(follow);
  chooseTheme(firstTheme());
  buildSheetSwitches();
  buildAbout();
  buildFind();
  connect();
  showPanel(narrow.matches ? null : 'key');
  readAddress();
  fitPaper();
  requestAnimationFrame(() => requestAnimationFrame(() => { document.documentElement.dataset.ready = 'yes'; }));
}

function follow(what) {
  drawing.repaint();
  if (what === 'drawing') drawEdges();
  else {
    showAnswer();
    if (what === 'shown') {
      const group = document.activeElement && document.activeElement.closest('.fm-group');
      if (group && document.activeElement.id.startsWith('fm-layer-')) buildKey();
      else showCounts();
    } else buildKey();
    buildList();
  }
}

function prepareMap() {
  home = homeBounds();
  map.attributionControl && map.attributionControl.remove();
  const container = map.getContainer();
  container.setAttribute('role', 'region');
  container.setAttribute('aria-label', words('page.map_label'));
  if (photo) {
    const bounds = L.latLngBounds([photo.bounds[1], photo.bounds[0]], [photo.bounds[3], photo.bounds[2]]);
    photoLayer = new Photo({ tileSize: 512, bounds, minZoom: 1, maxZoom: 25, minNativeZoom: photo.min_level + 1, maxNativeZoom: photo.max_level + 1, updateWhenZooming: false, className: 'fm-photo-tiles' });
    photoLayer.addTo(map);
  }
  wholeSite(false);
  if (home) map.setMaxBounds(home.pad(1.5));
  drawing = new Drawing();
  drawing.addTo(map);
}

function homeBounds() {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  for (const layer of layers.values()) {
    if (!layer.index) continue;
    for (const axis of [0, 1]) {
      box[axis] = Math.min(box[axis], layer.index.bounds[axis]);
      box[axis + 2] = Math.max(box[axis + 2], layer.index.bounds[axis + 2]);
    }
  }
  if (box[0] <= box[2]) return L.latLngBounds([latOf(box[3]), lonOf(box[0])], [latOf(box[1]), lonOf(box[2])]);
  if (photo) return L.latLngBounds([photo.bounds[1], photo.bounds[0]], [photo.bounds[3], photo.bounds[2]]);
  return null;
}

function wholeSite(animate) {
  if (!home) return;
  map.invalidateSize({ animate: false });
  map.fitBounds(home, { padding: [14, 14], maxZoom: 22, animate });
}

function connect() {
  const click = (id, act) => byId(id).addEventListener('click', act);
  const moving = !window.matchMedia('(prefers-reduced-motion: reduce)').matches;
  map.options.inertia = moving;
  click('fm-closer', () => map.zoomIn(1, { animate: moving }));
  click('fm-farther', () => map.zoomOut(1, { animate: moving }));
  click('fm-whole', () => wholeSite(moving));
  click('fm-measure', () => measure(!measuring.on));
  click('fm-measure-add', () => addPoint(map.getCenter()));
  click('fm-measure-undo', () => { measuring.points.pop(); drawMeasure(); });
  click('fm-measure-end', () => { measure(false); byId('fm-measure').focus(); });
  click('fm-locate', () => locate(!position.on));
  click('fm-mini', () => showPanel('key'));
  click('fm-print', () => window.print());
  click('fm-show-all', () => { showEverything(); byId('fm-key-tab').focus(); });
  click('fm-skip', (event) => { event.preventDefault(); showPanel('list'); byId('fm-list-panel').focus(); });
  map.on('locationfound', located);
  map.on('locationerror', notLocated);
  map.on('mousemove', hover);
  map.on('mouseout', () => { byId('fm-pointer').textContent = ''; });
  map.on('popupclose', (event) => { if (event.popup === popup) cardClosed(); });
  map.on('moveend zoomend resize', settled);
  map.on('click', clicked);
  map.getContainer().addEventListener('keydown', mapKeys);
  document.addEventListener('keydown', anyKey);
  window.addEventListener('hashchange', readAddress);
  window.addEventListener('beforeprint', () => { fitPaper(); document.body.classList.add('fm-on-paper'); });
  window.addEventListener('afterprint', () => document.body.classList.remove('fm-on-paper'));
  narrow.addEventListener('change', () => showPanel(narrow.matches ? null : 'key'));
  new ResizeObserver(() => { if (!document.body.classList.contains('fm-on-paper') && !window.matchMedia('print').matches) { map.invalidateSize({ animate: false }); fitPaper(); } }).observe(map.getContainer());
  settled();
}

let settling = 0;
function settled() {
  drawScale();
  drawEdges();
  clearTimeout(settling);
  settling = setTimeout(buildList, 120);
}

const reachPx = () => (window.matchMedia('(pointer: coarse)').matches ? 18 : 11);

function clicked(event) {
  if (measuring.on) {
    addPoint(event.latlng);
    return;
  }
  openAt(event.latlng, false);
}

function openAt(latlng, focus) {
  const others = thingsAt(latlng, reachPx());
  if (!others.length) {
    closeCard();
    return;
  }
  const { name, row } = others[0];
  const layer = layers.get(name);
  openCard(name, row, { others, focus, at: layer.kindOf(row) === 0 ? undefined : latlng, opener: map.getContainer() });
}

function mapKeys(event) {
  if (event.target !== map.getContainer() || event.key !== 'Enter') return;
  if (measuring.on) addPoint(map.getCenter());
  else openAt(map.getCenter(), true);
  event.preventDefault();
}

function anyKey(event) {
  measureKeys(event);
  if (event.key === 'Escape' && popup && !measuring.on) closeCard();
}

/* The mouse over a thing: its name beside the pointer. */
let hint = null;
function hover(event) {
  showPointer(event);
  if (measuring.on || window.matchMedia('(pointer: coarse)').matches) return;
  const found = thingsAt(event.latlng, 7)[0];
  map.getContainer().style.cursor = found ? 'pointer' : '';
  if (!found) {
    if (hint) hint.remove();
    hint = null;
    return;
  }
  const layer = layers.get(found.name);
  const text = [layer.title, layer.id(found.row), nameOfLook(lookOf(layer, found.row))].filter(Boolean).join(' · ');
  if (!hint) hint = L.tooltip({ className: 'fm-hint-box', direction: 'top', offset: [0, -8], opacity: 1 });
  hint.setContent(said(text.length > 120 ? text.slice(0, 119) + '…' : text)).setLatLng(event.latlng);
  if (!map.hasLayer(hint)) hint.addTo(map);
}

window.fencemap = Object.freeze({
  start,
  go: (name) => go(name, {}),
  get map() { return map; },
  get content() { return content; },
  counts: () => countShown(),
  visible: () => Object.fromEntries(layersShown().map((name) => [name, layers.get(name).seen.reduce((sum, one) => sum + one, 0)])),
  theme: (id) => chooseTheme(id),
  metresBetween,
  squareMetres,
  toGrid,
  paintMs: () => drawing.lastMs,
});
