/* Symbols: the same path on the canvas and in the key; dark outline and white halo on any ground. */

const INK = '#24262b';
const HALO = 'rgba(255,255,255,.92)';
const sprites = new Map();
const hatches = new Map();

function svgNode(tag, attributes, inside) {
  const node = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [key, value] of Object.entries(attributes || {})) node.setAttribute(key, value);
  for (const child of inside || []) node.appendChild(child);
  return node;
}

/* Black or white text, whichever is easier to read on a colour. */
function textOn(colour) {
  const parts = [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16) / 255);
  const linear = parts.map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
  return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] > 0.25 ? '#000' : '#fff';
}

function sprite(look, radius, dpr) {
  const key = `${look.shape}|${look.colour}|${radius}|${dpr}`;
  if (sprites.has(key)) return sprites.get(key);
  const half = Math.ceil(radius * 1.4 + 4);
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = Math.round(2 * half * dpr);
  const ctx = canvas.getContext('2d');
  ctx.setTransform(dpr, 0, 0, dpr, half * dpr, half * dpr);
  const path = new Path2D();
  path.addPath(new Path2D(content.shapes[look.shape]), new DOMMatrix([radius, 0, 0, radius, 0, 0]));
  ctx.lineJoin = 'round';
  ctx.lineWidth = radius > 3.5 ? 4.2 : radius > 2.5 ? 3 : 2;
  ctx.strokeStyle = HALO;
  ctx.stroke(path);
  ctx.lineWidth = radius > 3.5 ? 1.6 : radius > 2.5 ? 1.2 : 0.8;
  ctx.strokeStyle = INK;
  ctx.stroke(path);
  ctx.fillStyle = look.colour;
  ctx.fill(path, 'evenodd');
  const made = { canvas, half };
  sprites.set(key, made);
  return made;
}

function hatch(ctx, name, colour, dpr) {
  const key = `${name}|${colour}|${dpr}`;
  if (hatches.has(key)) return hatches.get(key);
  const tile = document.createElement('canvas');
  tile.width = tile.height = Math.round(8 * dpr);
  const pen = tile.getContext('2d');
  pen.scale(tile.width / 8, tile.height / 8);
  pen.strokeStyle = colour;
  pen.lineWidth = 1.1;
  pen.stroke(new Path2D(content.patterns[name]));
  const made = ctx.createPattern(tile, 'repeat');
  made.setTransform(new DOMMatrix([1 / dpr, 0, 0, 1 / dpr, 0, 0]));
  hatches.set(key, made);
  return made;
}

const hatchColour = (look) => (textOn(look.colour) === '#fff' && look.fill >= 0.5 ? 'rgba(255,255,255,.75)' : INK);

/* One line of the key: a point, a stretch of line or a patch of ground. */
function keySymbol(look, kind) {
  const box = svgNode('svg', { viewBox: '0 0 34 20', width: 34, height: 20, 'aria-hidden': 'true', class: 'fm-symbol' });
  if (kind === 2) keyArea(box, look);
  else if (kind === 1) keyLine(box, look);
  else keyPoint(box, look, 6.5);
  return box;
}

function keyPoint(box, look, radius) {
  const shape = look.shape || 'circle';
  const place = { d: content.shapes[shape], transform: `translate(17 10) scale(${radius})`, 'vector-effect': 'non-scaling-stroke', 'stroke-linejoin': 'round' };
  box.appendChild(svgNode('path', { ...place, fill: 'none', stroke: '#fff', 'stroke-width': 4.5 }));
  box.appendChild(svgNode('path', { ...place, fill: look.colour, 'fill-rule': 'evenodd', stroke: INK, 'stroke-width': 1.6 }));
}

function keyLine(box, look) {
  const place = { d: 'M2 10H32', fill: 'none', 'stroke-linecap': 'butt' };
  box.appendChild(svgNode('path', { ...place, stroke: '#fff', 'stroke-width': look.width + 4.4 }));
  box.appendChild(svgNode('path', { ...place, stroke: INK, 'stroke-width': look.width + 1.8 }));
  if (look.dash.length) box.appendChild(svgNode('path', { ...place, stroke: '#fff', 'stroke-width': look.width }));
  box.appendChild(svgNode('path', { ...place, stroke: look.colour, 'stroke-width': look.width, 'stroke-dasharray': look.dash.join(' ') }));
  if (look.shape) keyPoint(box, look, 4.6);
}

let patternCount = 0;
function keyArea(box, look) {
  const place = { x: 3, y: 2, width: 28, height: 16 };
  box.appendChild(svgNode('rect', { ...place, fill: '#fff' }));
  box.appendChild(svgNode('rect', { ...place, fill: look.colour, 'fill-opacity': look.fill }));
  if (look.pattern) {
    patternCount += 1;
    const id = `fm-hatch-${patternCount}`;
    const line = svgNode('path', { d: content.patterns[look.pattern], stroke: hatchColour(look), 'stroke-width': 1.1, fill: 'none' });
    const pattern = svgNode('pattern', { id, width: 8, height: 8, patternUnits: 'userSpaceOnUse' }, [line]);
    box.appendChild(svgNode('defs', {}, [pattern]));
    box.appendChild(svgNode('rect', { ...place, fill: `url(#${id})` }));
  }
  box.appendChild(svgNode('rect', { ...place, fill: 'none', stroke: edgeColour(look), 'stroke-width': Math.max(1.2, look.width * 0.8), 'stroke-dasharray': look.dash.join(' ') }));
}

/* Pale classes get an ink edge, so that they show on paper and on the photo. */
const pale = (look) => textOn(look.colour) === '#000';
const edgeColour = (look) => (pale(look) ? INK : look.colour);
