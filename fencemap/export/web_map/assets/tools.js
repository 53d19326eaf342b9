/* Find, links, measure, locate, scale bar, grid edge, paper. */

function choiceOf(name) {
  const found = ids.get(name);
  if (found) {
    const theme = themeNow();
    return { all: found, best: found.find(([layer]) => theme.layers.includes(layer) && layers.get(layer).seen[found.find(([l]) => l === layer)[1]]) || found.find(([layer]) => theme.layers.includes(layer)) || found[0] };
  }
  if (uids.has(name)) return { all: [uids.get(name)], best: uids.get(name) };
  const cut = name.indexOf('/');
  if (cut > 0 && layers.has(name.slice(0, cut)) && ids.has(name.slice(cut + 1))) {
    const best = ids.get(name.slice(cut + 1)).find(([layer]) => layer === name.slice(0, cut));
    if (best) return { all: [best], best };
  }
  return null;
}

/* Open the card of what is called `name`; true if there is such a thing. */
function go(name, options) {
  const choice = choiceOf(String(name));
  if (!choice) return false;
  const [layer, row] = choice.best;
  const revealed = showRow(layer, row, options || {});
  let text = words('find.found', { name });
  if (choice.all.length > 1 && new Set(choice.all.map(([each]) => each)).size === 1) text = words('find.many', { count: choice.all.length });
  say(revealed ? `${text} ${words('find.hidden')}` : text);
  return true;
}

function showRow(name, row, options) {
  const theme = themeNow();
  let revealed = false;
  if (!theme.layers.includes(name)) {
    const other = content.themes.find((each) => each.layers.includes(name));
    if (other) chooseTheme(other.id);
  }
  if (layers.get(name).style) revealed = reveal(name, row);
  const layer = layers.get(name);
  if (layer.placed(row)) bringIntoView(layer, row);
  if (narrow.matches) showPanel(null);
  openCard(name, row, options);
  return revealed;
}

function bringIntoView(layer, row) {
  const at = 4 * row;
  const bounds = L.latLngBounds([latOf(layer.boxes[at + 1]), lonOf(layer.boxes[at])], [latOf(layer.boxes[at + 3]), lonOf(layer.boxes[at + 2])]);
  const fit = Math.min(map.getBoundsZoom(bounds.pad(0.8)), 22.5);
  const zoom = Math.min(Math.max(map.getZoom(), 20.5), fit);
  map.setView(placeOf(layer, row), zoom, { animate: false });
}

function writeAddress(layer, row) {
  const id = layer.id(row);
  const own = ids.get(id) || [];
  const plain = own.length === 1 || (own.length && own[0][0] === layer.name);
  try {
    window.history.replaceState(null, '', '#' + encodeURIComponent(plain ? id : `${layer.name}/${id}`));
  } catch (error) {
    /* an address that can't be written (half a surrogate pair) is no reason to stop */
  }
}

function clearAddress() {
  if (window.location.hash.length > 1) window.history.replaceState(null, '', '#');
}

function readAddress() {
  const raw = window.location.hash.slice(1);
  if (!raw || raw === 'fm-list-panel') return;
  let name = raw;
  try {
    name = decodeURIComponent(raw);
  } catch (error) {
    /* not our writing; taken as it stands */
  }
  if (popup && popup.fm && layers.get(popup.fm.name).id(popup.fm.row) === name) return;
  if (!go(name, {})) say(words('find.none', { text: name }));
}

function buildFind() {
  const input = byId('fm-find-text');
  const names = byId('fm-find-names');
  const sorted = [...ids.keys()].sort((a, b) => (a < b ? -1 : a > b ? 1 : 0));
  const offer = () => {
    const text = input.value.trim().toLowerCase();
    const found = [];
    for (const id of sorted) {
      if (id.toLowerCase().includes(text) && found.push(id) >= 40) break;
    }
    names.replaceChildren(...found.map((id) => node('option', { value: id.length > 80 ? id.slice(0, 80) : id })));
    return found;
  };
  input.addEventListener('input', offer);
  input.addEventListener('focus', offer);
  byId('fm-find').addEventListener('submit', (event) => {
    event.preventDefault();
    const text = input.value.trim();
    if (!text) return;
    const exact = ids.has(text) || uids.has(text) ? text : sorted.find((id) => id.toLowerCase() === text.toLowerCase()) || offer()[0];
    if (exact === undefined || !go(exact, { focus: true })) say(words('find.none', { text }));
  });
  const settle = () => byId(narrow.matches ? 'fm-find-there' : 'fm-find-here').append(byId('fm-find'));
  narrow.addEventListener('change', settle);
  settle();
}

/* Measuring: points by mouse, touch or the cross in the middle. */
const measuring = { on: false, points: [], drawn: [] };

function measure(on) {
  measuring.on = on;
  measuring.points = [];
  byId('fm-measure').setAttribute('aria-pressed', String(on));
  byId('fm-measure-bar').hidden = !on;
  document.body.classList.toggle('fm-measuring', on);
  drawMeasure();
  say(words(on ? 'measure.start' : 'measure.ended'));
  if (on) {
    closeCard();
    map.getContainer().focus({ preventScroll: true });
  }
}

function addPoint(latlng) {
  measuring.points.push([latlng.lng, latlng.lat]);
  drawMeasure();
}

function drawMeasure() {
  measuring.drawn.forEach((layer) => layer.remove());
  measuring.drawn = [];
  const points = measuring.points;
  const path = points.map(([lon, lat]) => [lat, lon]);
  const options = { interactive: false, color: '#b3261e', weight: 3, fill: points.length > 2, fillOpacity: 0.08 };
  if (points.length > 1) {
    measuring.drawn.push(L.polyline(path, { ...options, color: '#fff', weight: 6, fill: false }).addTo(map));
    if (points.length > 2) measuring.drawn.push(L.polygon(path, { ...options, stroke: false, fill: true }).addTo(map));
    measuring.drawn.push(L.polyline(path, { ...options, fill: false }).addTo(map));
  }
  for (const place of path) measuring.drawn.push(L.circleMarker(place, { interactive: false, radius: 5, weight: 2, color: '#fff', fillColor: '#b3261e', fillOpacity: 1 }).addTo(map));
  const text = measureText(points);
  byId('fm-measure-out').textContent = text;
}

function measureText(points) {
  if (!points.length) return words('measure.start');
  if (points.length === 1) return words('measure.one');
  let metres = 0;
  for (let at = 1; at < points.length; at += 1) metres += metresBetween(points[at - 1], points[at]);
  const total = words('measure.total', { length: length(metres), count: points.length });
  return points.length > 2 ? `${total}; ${words('measure.area', { area: amount(squareMetres(points), 'm2') })}` : total;
}

function measureKeys(event) {
  if (!measuring.on) return;
  if (event.key === 'Escape') {
    measure(false);
    byId('fm-measure').focus();
  } else if (event.key === 'Backspace' && event.target === map.getContainer()) {
    measuring.points.pop();
    drawMeasure();
    event.preventDefault();
  }
}

/* Where this device is: metres at best, so it is a ring, never a nearest piece. */
const position = { on: false, drawn: [] };

function locate(on) {
  position.on = on;
  byId('fm-locate').setAttribute('aria-pressed', String(on));
  position.drawn.forEach((layer) => layer.remove());
  position.drawn = [];
  if (!on) {
    map.stopLocate();
    say(words('locate.off'));
    return;
  }
  say(words('locate.asking'));
  map.locate({ enableHighAccuracy: true, timeout: 20000, watch: false });
}

function located(event) {
  const accuracy = length(event.accuracy);
  position.drawn.forEach((layer) => layer.remove());
  position.drawn = [
    L.circle(event.latlng, { radius: event.accuracy, interactive: false, color: '#1f4fa3', weight: 2, fillOpacity: 0.1, className: 'fm-accuracy' }).addTo(map),
    L.circleMarker(event.latlng, { radius: 6, interactive: false, color: '#fff', weight: 2, fillColor: '#1f4fa3', fillOpacity: 1, className: 'fm-here' }).addTo(map),
  ];
  const away = metresBetween([event.latlng.lng, event.latlng.lat], content.origin);
  if (home && !home.pad(1).contains(event.latlng)) {
    say(words('locate.away', { distance: length(away) }));
    return;
  }
  map.setView(event.latlng, Math.max(map.getZoom(), Math.min(20, map.getBoundsZoom(event.latlng.toBounds(event.accuracy * 2.5)))));
  say(words('locate.here', { accuracy }));
}

function notLocated(event) {
  locate(false);
  say(words('locate.denied', { reason: event.message }));
}

/* Scale bar: two rows of blocks, true on the ground at the middle of the map. */
function drawScale() {
  const metres = metresOfWorld(map.getCenter().lat) / map.options.crs.scale(map.getZoom());
  const wanted = Math.min(150, map.getSize().x * 0.36);
  let step = 0.1;
  for (const size of [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000]) if (size / metres <= wanted) step = size;
  const across = step / metres;
  const box = svgNode('svg', { width: across + 60, height: 22, 'aria-hidden': 'true' });
  for (let part = 0; part < 4; part += 1) {
    box.appendChild(svgNode('rect', { x: 6 + (across / 4) * part, y: 14, width: across / 4, height: 5, class: part % 2 ? 'fm-bar-light' : 'fm-bar-dark' }));
  }
  for (const [share, text] of [[0, '0'], [1, plainNumber(step) + ' m']]) {
    const label = svgNode('text', { x: 6 + across * share, y: 10, 'text-anchor': share ? 'middle' : 'start' });
    label.textContent = text;
    box.appendChild(label);
  }
  byId('fm-scale').replaceChildren(box);
  byId('fm-scale').setAttribute('aria-label', `${words('place.scale')}: ${plainNumber(step)} m`);
}

/* Eastings above the sheet, northings beside it. */
function drawEdges() {
  const top = byId('fm-edge-top');
  const left = byId('fm-edge-left');
  top.replaceChildren();
  left.replaceChildren();
  if (!content.grid || !state.grid) return;
  const bounds = map.getBounds();
  const box = gridWindow([worldX(bounds.getWest()), worldY(bounds.getNorth()), worldX(bounds.getEast()), worldY(bounds.getSouth())]);
  if (!box) return;
  const step = gridStep(metresOfWorld(map.getCenter().lat) / map.options.crs.scale(map.getZoom()));
  const size = map.getSize();
  const label = (value) => (step < 1 ? value.toFixed(1) : value.toFixed(0)).replace(/(\d)(?=(\d{3})+(?!\d))/g, '$1\u2009');
  const pixel = (place) => map.latLngToContainerPoint(fromGrid(place).reverse());
  /* where the straight line through two points of the grid meets the edge of the sheet */
  const meet = (one, two, along, across) => one[along] + ((two[along] - one[along]) * (0 - one[across])) / (two[across] - one[across]);
  for (let east = Math.ceil(box[0] / step) * step; east <= box[2]; east += step) {
    const x = meet(pixel([east, box[1]]), pixel([east, box[3]]), 'x', 'y');
    if (x > 30 && x < size.x - 30) top.append(edgeMark(label(east), 'left', x));
  }
  for (let north = Math.ceil(box[1] / step) * step; north <= box[3]; north += step) {
    const y = meet(pixel([box[0], north]), pixel([box[2], north]), 'y', 'x');
    if (y > 34 && y < size.y - 34) left.append(edgeMark(label(north), 'top', y));
  }
}

function edgeMark(text, side, at) {
  const mark = node('span', {}, text);
  mark.style[side] = `${at}px`;
  return mark;
}

function showPointer(event) {
  const place = toGrid([event.latlng.lng, event.latlng.lat]);
  byId('fm-pointer').textContent = place
    ? words('place.pointer', { easting: place[0].toFixed(2), northing: place[1].toFixed(2) })
    : `${event.latlng.lat.toFixed(6)} ${event.latlng.lng.toFixed(6)}`;
}

/* Paper takes the sheet as it stands on the screen, scaled to the page. */
function fitPaper() {
  const frame = byId('fm-frame').getBoundingClientRect();
  if (document.body.classList.contains('fm-on-paper') || !frame.width) return;
  const share = Math.min(676 / frame.width, 640 / frame.height);
  const style = document.documentElement.style;
  style.setProperty('--fm-paper-width', `${frame.width}px`);
  style.setProperty('--fm-paper-height', `${frame.height}px`);
  style.setProperty('--fm-paper-share', share.toFixed(4));
}
