/* Lengths on the ellipsoid, the site's own grid, and numbers as people read them. */

const WGS84 = { a: 6378137, e2: 0.00669437999014 };

/* Metres per radian of latitude and of longitude at a latitude (radii of curvature). */
function radii(latDeg) {
  const sine = Math.sin((latDeg * Math.PI) / 180);
  const w = Math.sqrt(1 - WGS84.e2 * sine * sine);
  return {
    north: (WGS84.a * (1 - WGS84.e2)) / (w * w * w),
    east: (WGS84.a / w) * Math.cos((latDeg * Math.PI) / 180),
  };
}

/* Length between two [lon, lat]; good to a millimetre in a kilometre, made for a burial ground. */
function metresBetween(from, to) {
  const r = radii((from[1] + to[1]) / 2);
  const rad = Math.PI / 180;
  return Math.hypot((to[1] - from[1]) * rad * r.north, (to[0] - from[0]) * rad * r.east);
}

/* Area inside [lon, lat] points, square metres. */
function squareMetres(points) {
  const middle = points[0];
  const r = radii(middle[1]);
  const rad = Math.PI / 180;
  const flat = points.map((p) => [(p[0] - middle[0]) * rad * r.east, (p[1] - middle[1]) * rad * r.north]);
  let sum = 0;
  flat.forEach((p, at) => {
    const next = flat[(at + 1) % flat.length];
    sum += p[0] * next[1] - next[0] * p[1];
  });
  return Math.abs(sum) / 2;
}

/* True metres of one unit of the world square, at a latitude (mean of both directions). */
function metresOfWorld(latDeg) {
  const r = radii(latDeg);
  return (r.east + r.north * Math.cos((latDeg * Math.PI) / 180)) * Math.PI;
}

function cubic(rows, u, v) {
  const terms = [1, u, v, u * u, u * v, v * v, u ** 3, u * u * v, u * v * v, v ** 3];
  return rows.map((row) => row.reduce((sum, factor, at) => sum + factor * terms[at], 0));
}

/* [easting, northing] of [lon, lat] in the site's CRS; null where the fit does not hold. */
function toGrid(lonlat) {
  const fit = content.grid;
  if (!fit) return null;
  const u = (lonlat[0] - fit.middle_deg[0]) / fit.reach_deg[0];
  const v = (lonlat[1] - fit.middle_deg[1]) / fit.reach_deg[1];
  if (Math.abs(u) > 1.0001 || Math.abs(v) > 1.0001) return null;
  const away = cubic(fit.to_grid, u, v);
  return [fit.middle_m[0] + away[0], fit.middle_m[1] + away[1]];
}

function fromGrid(place) {
  const fit = content.grid;
  const away = cubic(fit.to_deg, (place[0] - fit.middle_m[0]) / fit.reach_m, (place[1] - fit.middle_m[1]) / fit.reach_m);
  return [fit.middle_deg[0] + away[0], fit.middle_deg[1] + away[1]];
}

const UNITS = { deg: '°', m2: 'm²', m3: 'm³', degC: '°C', '%': '%' };

function plainNumber(value) {
  const text = Math.abs(value) >= 10000 ? value.toFixed(1).replace(/\.0$/, '') : String(value);
  return text.replace('-', '−');
}

function withUnit(value, unit) {
  if (!unit) return plainNumber(value);
  const joined = unit === 'deg' || unit === '%' ? '' : ' ';
  return plainNumber(value) + joined + (UNITS[unit] || unit);
}

function length(metres) {
  if (metres < 10) return metres.toFixed(2) + ' m';
  if (metres < 100) return metres.toFixed(1) + ' m';
  if (metres < 10000) return metres.toFixed(0) + ' m';
  return (metres / 1000).toFixed(2) + ' km';
}

function amount(value, unit) {
  const digits = Math.abs(value) < 10 ? 2 : Math.abs(value) < 100 ? 1 : 0;
  return (Number(value.toFixed(digits)) + ' ' + (UNITS[unit] || unit)).trim();
}
