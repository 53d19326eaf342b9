/* The data of the page: inert JSON in, layers with rows, shapes and classes out. Never markup. */

const content = { strings: {} };

function words(key, values) {
  const at = key.indexOf('.');
  const text = (content.strings[key.slice(0, at)] || {})[key.slice(at + 1)];
  if (text === undefined) return key;
  return text.replace(/\{(\w+)\}/g, (whole, name) => (values && name in values ? String(values[name]) : whole));
}

async function readBlock(id) {
  const block = JSON.parse(document.getElementById(id).textContent);
  if (block.encoding === 'plain') return block.content;
  if (typeof DecompressionStream === 'undefined') throw new Error('too_old');
  const bytes = Uint8Array.from(atob(block.content), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
  return JSON.parse(await new Response(stream).text());
}

/* Web Mercator as a unit square, y downwards: the one Leaflet draws in. */
const worldX = (lon) => (lon + 180) / 360;
const worldY = (lat) => (1 - Math.asinh(Math.tan((lat * Math.PI) / 180)) / Math.PI) / 2;
const lonOf = (x) => x * 360 - 180;
const latOf = (y) => (Math.atan(Math.sinh(Math.PI * (1 - 2 * y))) * 180) / Math.PI;

class Layer {
  constructor(name, packed, style, origin) {
    this.name = name;
    this.style = style;
    this.meaning = packed.meaning;
    this.count = packed.count;
    this.computed = packed.computed;
    this.fields = packed.fields;
    this.field = new Map(packed.fields.map((field) => [field.name, field]));
    this.columns = packed.columns;
    this.title = words('layer.' + name);
    this.parts = (packed.shapes || []).map((row) => row && row.map((flat) => toWorld(flat, origin)));
    this.kinds = packed.kinds || null;
    this.kind = packed.kinds ? Math.max(...packed.kinds) : packed.kind === undefined ? -1 : packed.kind;
    this.classOf = new Int16Array(this.count);
    this.seen = new Uint8Array(this.count);
    this.looks = [];
    this.unplaced = 0;
    this.measureBoxes();
  }

  value(field, row) {
    const column = this.columns[field];
    if (column === undefined) return null;
    if (column.v) return column.v[row];
    return column.i[row] < 0 ? null : column.w[column.i[row]];
  }

  kindOf(row) {
    return this.kinds ? this.kinds[row] : this.parts[row] ? this.kind : -1;
  }

  id(row) {
    const own = this.style ? this.value(this.style.id_field, row) : null;
    const id = own === null ? this.value('element_id', row) : own;
    return id === null ? '' : String(id);
  }

  placed(row) {
    return this.boxes !== null && this.boxes[4 * row] <= this.boxes[4 * row + 2];
  }

  measureBoxes() {
    this.boxes = this.parts.length ? new Float64Array(4 * this.count) : null;
    for (let row = 0; row < this.parts.length; row += 1) {
      const box = [Infinity, Infinity, -Infinity, -Infinity];
      for (const part of this.parts[row] || []) {
        for (let at = 0; at < part.length; at += 2) {
          box[0] = Math.min(box[0], part[at]);
          box[1] = Math.min(box[1], part[at + 1]);
          box[2] = Math.max(box[2], part[at]);
          box[3] = Math.max(box[3], part[at + 1]);
        }
      }
      this.boxes.set(box, 4 * row);
      if (!(box[0] <= box[2])) this.unplaced += 1;
    }
    if (this.boxes && this.count > this.unplaced) this.index = new BoxIndex(this.boxes, this.count);
  }

  /* Where a card points: the point, the middle of the line, a place well inside the area. */
  anchor(row) {
    if (!this.placed(row)) return null;
    const kind = this.kindOf(row);
    if (kind === 0) return [this.parts[row][0][0], this.parts[row][0][1]];
    return kind === 1 ? middleOfLine(this.parts[row]) : insideOfArea(this.parts[row]);
  }
}

function toWorld(flat, origin) {
  const part = new Float64Array(flat.length);
  for (let at = 0; at < flat.length; at += 2) {
    part[at] = worldX(origin[0] + flat[at] * 1e-8);
    part[at + 1] = worldY(origin[1] + flat[at + 1] * 1e-8);
  }
  return part;
}

function middleOfLine(parts) {
  let longest = parts[0];
  let best = -1;
  for (const part of parts) {
    const length = lengthOf(part);
    if (length > best) [longest, best] = [part, length];
  }
  let left = best / 2;
  for (let at = 2; at < longest.length; at += 2) {
    const leg = Math.hypot(longest[at] - longest[at - 2], longest[at + 1] - longest[at - 1]);
    if (leg >= left) {
      const share = leg ? left / leg : 0;
      return [
        longest[at - 2] + share * (longest[at] - longest[at - 2]),
        longest[at - 1] + share * (longest[at + 1] - longest[at - 1]),
      ];
    }
    left -= leg;
  }
  return [longest[0], longest[1]];
}

function lengthOf(part) {
  let length = 0;
  for (let at = 2; at < part.length; at += 2) {
    length += Math.hypot(part[at] - part[at - 2], part[at + 1] - part[at - 1]);
  }
  return length;
}

/* The middle of the widest stretch inside, on the level line through the middle of the box. */
function insideOfArea(rings) {
  let low = Infinity;
  let high = -Infinity;
  for (const ring of rings) {
    for (let at = 1; at < ring.length; at += 2) {
      low = Math.min(low, ring[at]);
      high = Math.max(high, ring[at]);
    }
  }
  const level = (low + high) / 2 + (high - low) * 1e-4;
  const cuts = [];
  for (const ring of rings) {
    const size = ring.length;
    for (let at = 0; at < size; at += 2) {
      const next = (at + 2) % size;
      if (ring[at + 1] > level !== ring[next + 1] > level) {
        const share = (level - ring[at + 1]) / (ring[next + 1] - ring[at + 1]);
        cuts.push(ring[at] + share * (ring[next] - ring[at]));
      }
    }
  }
  cuts.sort((a, b) => a - b);
  let best = [rings[0][0], rings[0][1]];
  let width = -1;
  for (let at = 0; at + 1 < cuts.length; at += 2) {
    if (cuts[at + 1] - cuts[at] > width) {
      width = cuts[at + 1] - cuts[at];
      best = [(cuts[at] + cuts[at + 1]) / 2, level];
    }
  }
  return best;
}

function insideRings(rings, x, y) {
  let inside = false;
  for (const ring of rings) {
    for (let at = 0, before = ring.length - 2; at < ring.length; before = at, at += 2) {
      const crosses = ring[at + 1] > y !== ring[before + 1] > y;
      if (crosses && x < ((ring[before] - ring[at]) * (y - ring[at + 1])) / (ring[before + 1] - ring[at + 1]) + ring[at]) {
        inside = !inside;
      }
    }
  }
  return inside;
}

function distanceToPath(part, x, y) {
  let best = Math.hypot(part[0] - x, part[1] - y);
  for (let at = 2; at < part.length; at += 2) {
    const dx = part[at] - part[at - 2];
    const dy = part[at + 1] - part[at - 1];
    const size = dx * dx + dy * dy;
    const share = size ? Math.max(0, Math.min(1, ((x - part[at - 2]) * dx + (y - part[at - 1]) * dy) / size)) : 0;
    best = Math.min(best, Math.hypot(part[at - 2] + share * dx - x, part[at - 1] + share * dy - y));
  }
  return best;
}

/* Boxes sorted into square cells: which rows may touch a window. */
class BoxIndex {
  constructor(boxes, count) {
    this.boxes = boxes;
    this.bounds = [Infinity, Infinity, -Infinity, -Infinity];
    for (let row = 0; row < count; row += 1) {
      if (!(boxes[4 * row] <= boxes[4 * row + 2])) continue;
      this.bounds[0] = Math.min(this.bounds[0], boxes[4 * row]);
      this.bounds[1] = Math.min(this.bounds[1], boxes[4 * row + 1]);
      this.bounds[2] = Math.max(this.bounds[2], boxes[4 * row + 2]);
      this.bounds[3] = Math.max(this.bounds[3], boxes[4 * row + 3]);
    }
    this.side = Math.max(1, Math.min(256, Math.ceil(Math.sqrt(count / 4))));
    this.cells = new Map();
    this.stamp = new Int32Array(count);
    this.round = 0;
    for (let row = 0; row < count; row += 1) {
      if (boxes[4 * row] <= boxes[4 * row + 2]) this.each(boxes.subarray(4 * row, 4 * row + 4), (key) => {
        const cell = this.cells.get(key);
        if (cell) cell.push(row);
        else this.cells.set(key, [row]);
      });
    }
  }

  column(value, axis) {
    const size = this.bounds[axis + 2] - this.bounds[axis];
    const at = size > 0 ? Math.floor(((value - this.bounds[axis]) / size) * this.side) : 0;
    return Math.max(0, Math.min(this.side - 1, at));
  }

  each(box, visit) {
    const right = this.column(box[2], 0);
    const bottom = this.column(box[3], 1);
    for (let x = this.column(box[0], 0); x <= right; x += 1) {
      for (let y = this.column(box[1], 1); y <= bottom; y += 1) visit(x * this.side + y);
    }
  }

  query(box) {
    const found = [];
    if (box[2] < this.bounds[0] || box[0] > this.bounds[2] || box[3] < this.bounds[1] || box[1] > this.bounds[3]) return found;
    this.round += 1;
    this.each(box, (key) => {
      for (const row of this.cells.get(key) || []) {
        if (this.stamp[row] === this.round) continue;
        this.stamp[row] = this.round;
        const at = 4 * row;
        if (this.boxes[at] <= box[2] && this.boxes[at + 2] >= box[0] && this.boxes[at + 1] <= box[3] && this.boxes[at + 3] >= box[1]) found.push(row);
      }
    });
    return found;
  }
}

const layers = new Map();

function loadLayers() {
  const styles = new Map(content.styles.map((style) => [style.layer, style]));
  for (const [name, packed] of Object.entries(content.layers)) {
    layers.set(name, new Layer(name, packed, styles.get(name) || null, content.origin));
  }
}
