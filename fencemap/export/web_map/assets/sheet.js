/* The drawing: one canvas over the photo, redrawn when the map comes to rest. */

let map = null;
const TO_95 = 2.4477; /* radius that holds 95 % of a round normal scatter, in standard deviations */

/* Leaflet's own renderer moves and scales the canvas with the map; painting is ours. */
const Drawing = L.Renderer.extend({
  options: { padding: 0.35, pane: 'overlayPane' },

  _initContainer() {
    this._container = document.createElement('canvas');
    this._container.setAttribute('aria-hidden', 'true');
    this._ctx = this._container.getContext('2d');
    this.pads = [document.createElement('canvas'), document.createElement('canvas')];
  },

  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize();
    const canvas = this._container;
    this.dpr = Math.min(window.devicePixelRatio || 1, 2);
    L.DomUtil.setPosition(canvas, this._bounds.min);
    canvas.width = Math.round(size.x * this.dpr);
    canvas.height = Math.round(size.y * this.dpr);
    for (const pad of this.pads) {
      pad.width = canvas.width;
      pad.height = canvas.height;
    }
    canvas.style.width = size.x + 'px';
    canvas.style.height = size.y + 'px';
    this.repaint();
  },

  repaint() {
    if (state.theme === null) return;
    if (!this._bounds) return;
    const started = performance.now();
    const size = this._bounds.getSize();
    const scale = this._map.options.crs.scale(this._map.getZoom());
    const corner = this._bounds.min.add(this._map.getPixelOrigin());
    const metres = metresOfWorld(this._map.getCenter().lat) / scale;
    const ctx = this._ctx;
    ctx.setTransform(this.dpr, 0, 0, this.dpr, 0, 0);
    ctx.clearRect(0, 0, size.x, size.y);
    const view = {
      pads: this.pads, ctx, scale, left: corner.x, top: corner.y, width: size.x, height: size.y, dpr: this.dpr, metres, taken: [],
      box: (pad) => [(corner.x - pad) / scale, (corner.y - pad) / scale, (corner.x + size.x + pad) / scale, (corner.y + size.y + pad) / scale],
    };
    if (state.grid) paintGrid(view);
    for (const name of layersShown()) paintLayer(view, layers.get(name));
    if (state.names) for (const name of layersShown()) paintNames(view, layers.get(name));
    this.lastMs = performance.now() - started;
  },
});

const RADII = [[17, 1.7], [18, 2.2], [19, 3], [20, 4], [21, 5], [22, 6], [23, 7]];
function radiusAt(zoom) {
  let radius = RADII[0][1];
  for (const [from, size] of RADII) if (zoom >= from - 0.5) radius = size;
  return radius;
}
/* Lines grow with the zoom, so that the whole site is not all outline. */
const lineShare = (metres) => Math.max(0.5, Math.min(1, 0.09 / metres + 0.25));
const SMALL_PARTS = new Set(['rail', 'bracket', 'bolt', 'ornament', 'footing', 'stay']);

function paintLayer(view, layer) {
  if (!layer.index) return;
  const rows = layer.index.query(view.box(40)).filter((row) => layer.seen[row]);
  const byClass = layer.looks.map(() => []);
  for (const row of rows) byClass[layer.classOf[row]].push(row);
  for (const kind of [2, 1, 0]) {
    const groups = byClass.map((group) => group.filter((row) => layer.kindOf(row) === kind));
    if (!groups.some((group) => group.length)) continue;
    /* the gravest class stands first in the list and is painted last */
    if (kind === 2) for (let at = groups.length - 1; at >= 0; at -= 1) paintAreas(view, layer, layer.looks[at], groups[at]);
    else if (kind === 1) paintLines(view, layer, groups);
    else for (let at = groups.length - 1; at >= 0; at -= 1) paintPoints(view, layer, layer.looks[at], groups[at]);
  }
}

function trace(view, parts, close) {
  const path = new Path2D();
  for (const part of parts) {
    path.moveTo(part[0] * view.scale - view.left, part[1] * view.scale - view.top);
    for (let at = 2; at < part.length; at += 2) path.lineTo(part[at] * view.scale - view.left, part[at + 1] * view.scale - view.top);
    if (close) path.closePath();
  }
  return path;
}

function paintAreas(view, layer, look, rows) {
  const { ctx } = view;
  const beneath = layer.style.beneath && look.label === '';
  const large = [];
  for (const row of rows) {
    const at = 4 * row;
    const across = Math.max(layer.boxes[at + 2] - layer.boxes[at], layer.boxes[at + 3] - layer.boxes[at + 1]) * view.scale;
    if (across >= 3) large.push([row, trace(view, layer.parts[row], true), across]);
    else {
      ctx.fillStyle = look.colour;
      ctx.fillRect(layer.boxes[at] * view.scale - view.left, layer.boxes[at + 1] * view.scale - view.top, Math.max(1.5, across), Math.max(1.5, across));
    }
  }
  const hatching = look.pattern ? hatch(ctx, look.pattern, hatchColour(look), view.dpr) : null;
  if (layer.style.merged) paintMerged(view, look, large.map(([, path]) => path), hatching);
  else for (const [, path, across] of large) paintArea(view, look, path, across > 6 ? hatching : null, beneath, across);
  for (const [row] of large) paintRank(view, layer, look, row);
}

function paintArea(view, look, path, hatching, beneath, across) {
  const { ctx } = view;
  ctx.lineJoin = 'round';
  ctx.globalAlpha = look.fill;
  ctx.fillStyle = look.colour;
  ctx.fill(path, 'evenodd');
  if (hatching) {
    ctx.globalAlpha = Math.min(1, look.fill + 0.35);
    ctx.fillStyle = hatching;
    ctx.fill(path, 'evenodd');
  }
  ctx.globalAlpha = 1;
  if (look.width > 0) {
    const width = look.width * (across < 14 ? 0.6 : 1);
    if ((!beneath || look.fill === 0) && across > 7) {
      ctx.lineWidth = width + 1.6;
      ctx.strokeStyle = 'rgba(255,255,255,.7)';
      ctx.stroke(path);
    }
    ctx.setLineDash(look.dash);
    ctx.lineWidth = width;
    ctx.strokeStyle = beneath ? 'rgba(45,47,52,.6)' : edgeColour(look);
    ctx.stroke(path);
    ctx.setLineDash([]);
  }
}

/* Zones of one kind lie over each other: one tint and one outline round all of them. */
const MANY_ZONES = 500;

function paintMerged(view, look, paths, hatching) {
  if (!paths.length) return;
  const [mask, pad] = view.pads;
  const onMask = fresh(view, mask);
  onMask.fillStyle = look.colour;
  for (const path of paths) onMask.fill(path, 'evenodd');
  const lay = (alpha) => {
    view.ctx.globalAlpha = alpha;
    view.ctx.drawImage(pad, 0, 0, view.width, view.height);
    view.ctx.globalAlpha = 1;
  };
  const thin = look.width * lineShare(view.metres);
  for (const [width, colour, alpha] of [[thin + 1.2, '#fff', 0.7], [thin, edgeColour(look), 1]]) {
    const pen = fresh(view, pad);
    if (paths.length > MANY_ZONES) swell(view, pen, mask, width, colour);
    else strokeAll(pen, paths, 2 * width, colour, colour === '#fff' ? [] : look.dash);
    pen.globalCompositeOperation = 'destination-out';
    pen.drawImage(mask, 0, 0, view.width, view.height);
    lay(alpha);
  }
  fresh(view, pad).drawImage(mask, 0, 0, view.width, view.height);
  lay(look.fill);
  if (hatching) {
    const pen = pad.getContext('2d');
    pen.globalCompositeOperation = 'source-in';
    pen.fillStyle = hatching;
    pen.fillRect(0, 0, view.width, view.height);
    lay(Math.min(1, look.fill + 0.25));
  }
}

function fresh(view, canvas) {
  const pen = canvas.getContext('2d');
  pen.globalCompositeOperation = 'source-over';
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, canvas.width, canvas.height);
  pen.setTransform(view.dpr, 0, 0, view.dpr, 0, 0);
  return pen;
}

function strokeAll(pen, paths, width, colour, dash) {
  pen.lineWidth = width;
  pen.strokeStyle = colour;
  pen.lineJoin = 'round';
  pen.setLineDash(dash);
  for (const path of paths) pen.stroke(path);
}

/* The mask, a little larger all round, in one colour: an outline that costs the same for any number. */
function swell(view, pen, mask, width, colour) {
  for (let turn = 0; turn < 8; turn += 1) {
    const angle = (turn * Math.PI) / 4;
    pen.drawImage(mask, width * Math.cos(angle), width * Math.sin(angle), view.width, view.height);
  }
  pen.globalCompositeOperation = 'source-in';
  pen.fillStyle = colour;
  pen.fillRect(0, 0, view.width, view.height);
}

function paintRank(view, layer, look, row) {
  const at = 4 * row;
  const least = Math.min(layer.boxes[at + 2] - layer.boxes[at], layer.boxes[at + 3] - layer.boxes[at + 1]) * view.scale;
  const verdict = look.value === 'covered' && state.work !== null && least > 13 ? verdictOf(layer, row) : null;
  if (!verdict || verdict.rank === null) return;
  const place = layer.anchor(row);
  paintText(view, String(verdict.rank), place[0] * view.scale - view.left, place[1] * view.scale - view.top, true);
}

function paintLines(view, layer, groups) {
  const { ctx } = view;
  const share = lineShare(view.metres);
  const halo = layer.style.beneath ? 1.6 : 3.2 * share + 0.8;
  ctx.lineCap = 'butt';
  ctx.lineJoin = 'round';
  const stroke = (path, width, colour, dash) => {
    ctx.setLineDash(dash);
    ctx.lineWidth = width;
    ctx.strokeStyle = colour;
    ctx.stroke(path);
  };
  const paths = groups.map((group) => {
    const path = new Path2D();
    for (const row of group) path.addPath(trace(view, layer.parts[row], false));
    return path;
  });
  const worst = groups.length - 1;
  for (let at = worst; at >= 0; at -= 1) if (groups[at].length && !(layer.style.beneath && pale(layer.looks[at]))) stroke(paths[at], layer.looks[at].width * share + halo, HALO, []);
  for (let at = worst; at >= 0; at -= 1) {
    if (!groups[at].length) continue;
    const look = layer.looks[at];
    const width = look.width * share;
    if (layer.style.beneath) {
      if (pale(look)) stroke(paths[at], width + 1.4, 'rgba(45,47,52,.65)', []);
      stroke(paths[at], width, look.colour, look.dash);
      continue;
    }
    stroke(paths[at], width + 0.6 + share, INK, []);
    if (look.dash.length) stroke(paths[at], width, '#fff', []);
    stroke(paths[at], width, look.colour, look.dash);
  }
  ctx.setLineDash([]);
  for (let at = worst; at >= 0; at -= 1) if (layer.looks[at].shape) paintMarks(view, layer, layer.looks[at], groups[at]);
}

/* The class's shape in the middle of each stretch that is long enough to bear it. */
function paintMarks(view, layer, look, rows) {
  const radius = Math.min(6.5, radiusAt(map.getZoom()) + 0.6);
  const mark = sprite(look, radius, view.dpr);
  for (const row of rows) {
    const at = 4 * row;
    const across = Math.hypot(layer.boxes[at + 2] - layer.boxes[at], layer.boxes[at + 3] - layer.boxes[at + 1]) * view.scale;
    if (across < radius * 5) continue;
    const place = layer.anchor(row);
    stamp(view, mark, place[0] * view.scale - view.left, place[1] * view.scale - view.top);
  }
}

function stamp(view, mark, x, y) {
  view.ctx.drawImage(mark.canvas, x - mark.half, y - mark.half, 2 * mark.half, 2 * mark.half);
}

function paintPoints(view, layer, look, rows) {
  const zoom = map.getZoom();
  const radius = radiusAt(zoom) + (layer.style.rank ? 1.4 : 0);
  const shaped = look.shape ? look : { ...look, shape: 'circle' };
  const mark = sprite(shaped, radius, view.dpr);
  const small = sprite(shaped, zoom < 21.5 ? radius * 0.55 : radius * 0.8, view.dpr);
  const sized = layer.field.has('kind') && layer.name === 'elements';
  /* where symbols of one class would lie on each other, one of them says it all */
  const taken = rows.length > 4000 ? new Set() : null;
  for (const row of rows) {
    for (const part of layer.parts[row]) {
      const x = part[0] * view.scale - view.left;
      const y = part[1] * view.scale - view.top;
      if (taken) {
        const cell = Math.floor(x / (1.6 * radius)) * 65536 + Math.floor(y / (1.6 * radius));
        if (taken.has(cell)) continue;
        taken.add(cell);
      }
      if (state.rings && layer.style.ring) paintRing(view, layer, row, x, y, radius);
      stamp(view, sized && SMALL_PARTS.has(layer.value('kind', row)) ? small : mark, x, y);
      if (layer.style.rank && zoom >= 19.5) paintText(view, String(layer.value(layer.style.rank, row)), x + radius + 4, y, false);
    }
  }
}

function paintRing(view, layer, row, x, y, radius) {
  const sigma = layer.value(layer.style.ring, row);
  const reach = sigma === null ? 0 : (sigma * TO_95) / view.metres;
  if (reach <= radius * 0.7 || reach > 20000) return;
  const { ctx } = view;
  ctx.beginPath();
  ctx.arc(x, y, reach, 0, 2 * Math.PI);
  ctx.lineWidth = 3;
  ctx.strokeStyle = 'rgba(255,255,255,.75)';
  ctx.stroke();
  ctx.lineWidth = 1.2;
  ctx.strokeStyle = INK;
  ctx.stroke();
}

function paintText(view, text, x, y, centred) {
  const { ctx } = view;
  ctx.font = '600 11px system-ui, sans-serif';
  ctx.textAlign = centred ? 'center' : 'left';
  ctx.textBaseline = 'middle';
  ctx.lineJoin = 'round';
  ctx.lineWidth = 3.5;
  ctx.strokeStyle = HALO;
  ctx.strokeText(text, x, y);
  ctx.fillStyle = INK;
  ctx.fillText(text, x, y);
}

/* Names beside things, left out where they would lie on each other. */
function paintNames(view, layer) {
  const field = layer.style.names;
  if (!field || !layer.index) return;
  if (layer.kind === 0 && map.getZoom() < 21) return;
  for (const row of layer.index.query(view.box(60))) {
    if (!layer.seen[row] || view.taken.length > 1500) continue;
    const name = layer.value(field, row);
    if (name === null) continue;
    const text = String(name).slice(0, 24);
    const place = layer.anchor(row);
    const x = place[0] * view.scale - view.left + (layer.kind === 0 ? 10 : 0);
    const y = place[1] * view.scale - view.top;
    const half = text.length * 3.4 + 4;
    const box = layer.kind === 0 ? [x, y - 8, x + 2 * half, y + 8] : [x - half, y - 8, x + half, y + 8];
    if (view.taken.some((other) => box[0] < other[2] && box[2] > other[0] && box[1] < other[3] && box[3] > other[1])) continue;
    view.taken.push(box);
    paintText(view, text, x, y, layer.kind !== 0);
  }
}

/* Crosses of the site's grid; the edge bears their eastings and northings. */
function gridStep(metres) {
  for (const step of [0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500]) if (step / metres >= 90) return step;
  return 1000;
}

function gridWindow(box) {
  if (!content.grid) return null;
  const within = (value, axis) => {
    const { middle_deg: middle, reach_deg: reach } = content.grid;
    return Math.max(middle[axis] - reach[axis], Math.min(middle[axis] + reach[axis], value));
  };
  const corners = [[box[0], box[1]], [box[2], box[1]], [box[0], box[3]], [box[2], box[3]]]
    .map(([x, y]) => toGrid([within(lonOf(x), 0), within(latOf(y), 1)]));
  if (corners.some((corner) => corner === null)) return null;
  const easts = corners.map((corner) => corner[0]);
  const norths = corners.map((corner) => corner[1]);
  return [Math.min(...easts), Math.min(...norths), Math.max(...easts), Math.max(...norths)];
}

function paintGrid(view) {
  const box = gridWindow(view.box(0));
  if (!box) return;
  const step = gridStep(view.metres);
  const path = new Path2D();
  for (let east = Math.ceil(box[0] / step) * step; east <= box[2]; east += step) {
    for (let north = Math.ceil(box[1] / step) * step; north <= box[3]; north += step) {
      const [lon, lat] = fromGrid([east, north]);
      const x = worldX(lon) * view.scale - view.left;
      const y = worldY(lat) * view.scale - view.top;
      path.moveTo(x - 5, y);
      path.lineTo(x + 5, y);
      path.moveTo(x, y - 5);
      path.lineTo(x, y + 5);
    }
  }
  view.ctx.lineWidth = 2.6;
  view.ctx.strokeStyle = 'rgba(255,255,255,.55)';
  view.ctx.stroke(path);
  view.ctx.lineWidth = 1;
  view.ctx.strokeStyle = 'rgba(36,38,43,.75)';
  view.ctx.stroke(path);
}

/* Everything under a place, the nearest and smallest first. */
function thingsAt(latlng, tolerance) {
  const scale = map.options.crs.scale(map.getZoom());
  const x = worldX(latlng.lng);
  const y = worldY(latlng.lat);
  const pad = tolerance / scale;
  const found = [];
  layersShown().forEach((name, depth) => {
    const layer = layers.get(name);
    if (!layer.index) return;
    for (const row of layer.index.query([x - pad, y - pad, x + pad, y + pad])) {
      if (!layer.seen[row]) continue;
      const kind = layer.kindOf(row);
      const parts = layer.parts[row];
      let order = null;
      if (kind === 0) {
        const away = Math.min(...parts.map((part) => Math.hypot(part[0] - x, part[1] - y)));
        if (away <= pad) order = [0, away];
      } else if (kind === 1) {
        const away = Math.min(...parts.map((part) => distanceToPath(part, x, y)));
        if (away <= pad) order = [1, away];
      } else if (insideRings(parts, x, y)) {
        const at = 4 * row;
        order = [2, (layer.boxes[at + 2] - layer.boxes[at]) * (layer.boxes[at + 3] - layer.boxes[at + 1])];
      }
      if (order) found.push({ name, row, order: [...order, -depth] });
    }
  });
  found.sort((a, b) => a.order[0] - b.order[0] || a.order[1] - b.order[1] || a.order[2] - b.order[2]);
  return found;
}

/* The orthophoto: tiles that travel in the page, or lie beside it. */
const Photo = L.GridLayer.extend({
  createTile(coords, done) {
    const source = photoTile(coords.z - 1, coords.x, coords.y);
    if (!source) {
      const nothing = document.createElement('div');
      setTimeout(() => done(null, nothing), 0);
      return nothing;
    }
    const tile = document.createElement('img');
    tile.alt = '';
    tile.setAttribute('role', 'presentation');
    tile.onload = () => done(null, tile);
    tile.onerror = () => done(null, tile);
    tile.src = source;
    return tile;
  },
});

let photo = null;
function photoTile(level, x, y) {
  const code = photo.tiles[`${level}/${x}/${y}`];
  return code ? 'data:image/webp;base64,' + code : null;
}
