// The map: ground, outlines and signs, all parcels on one canvas.

const EARTH = 6378137;

function degrees(x, y) {
  const lat = (2 * Math.atan(Math.exp(y / EARTH)) - Math.PI / 2) * 180 / Math.PI;
  return [lat, (x / EARTH) * 180 / Math.PI];
}

// Rings come as whole steps from the upper left corner, each point as a difference to the last.
function ringsOf(i) {
  const { left, top, step, rings } = DATA.shapes;
  return rings[i].map((flat) => {
    const out = [];
    let x = 0;
    let y = 0;
    for (let k = 0; k < flat.length; k += 2) {
      x += flat[k];
      y += flat[k + 1];
      out.push(degrees(left + x * step, top - y * step));
    }
    return out;
  });
}

const DRAW = {
  circle: (c, x, y, r) => c.arc(x, y, r, 0, 2 * Math.PI),
  square: (c, x, y, r) => c.rect(x - r * 0.85, y - r * 0.85, r * 1.7, r * 1.7),
  diamond: (c, x, y, r) => corners(c, x, y, r * 1.15, 4, -90),
  up: (c, x, y, r) => corners(c, x, y, r * 1.2, 3, -90),
  down: (c, x, y, r) => corners(c, x, y, r * 1.2, 3, 90),
  star: (c, x, y, r) => star(c, x, y, r * 1.25),
  bar: (c, x, y, r) => c.rect(x - r * 1.2, y - r * 0.5, r * 2.4, r),
  plus: (c, x, y, r) => plus(c, x, y, r * 1.05, 0),
  cross: (c, x, y, r) => plus(c, x, y, r * 1.05, 45),
};

function corners(c, x, y, r, n, from) {
  for (let k = 0; k < n; k += 1) {
    const turn = (from + (360 * k) / n) * Math.PI / 180;
    c.lineTo(x + r * Math.cos(turn), y + r * Math.sin(turn));
  }
  c.closePath();
}

function star(c, x, y, r) {
  for (let k = 0; k < 10; k += 1) {
    const turn = (-90 + 36 * k) * Math.PI / 180;
    const far = k % 2 ? r * 0.45 : r;
    c.lineTo(x + far * Math.cos(turn), y + far * Math.sin(turn));
  }
  c.closePath();
}

function plus(c, x, y, r, turned) {
  const w = r * 0.38;
  const xy = [[w, r], [w, w], [r, w], [r, -w], [w, -w], [w, -r], [-w, -r], [-w, -w], [-r, -w],
    [-r, w], [-w, w], [-w, r]];
  const cos = Math.cos(turned * Math.PI / 180);
  const sin = Math.sin(turned * Math.PI / 180);
  xy.forEach(([a, b]) => c.lineTo(x + a * cos - b * sin, y + a * sin + b * cos));
  c.closePath();
}

L.Canvas.include({
  _updateSign(layer) {
    if (!this._drawing || layer._empty()) return;
    const { x, y } = layer._point;
    this._ctx.beginPath();
    DRAW[layer.options.shape](this._ctx, x, y, layer._radius);
    this._fillStroke(this._ctx, layer);
  },
});

const Sign = L.CircleMarker.extend({
  _updatePath() {
    this._renderer._updateSign(this);
  },
});

const CANVAS = L.canvas({ padding: 0.3, tolerance: 3 });
const MAP = L.map("map", {
  renderer: CANVAS, attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 18,
  preferCanvas: true,
});
const MOST_NAMES = 40;
const OUTLINES = [];
const MARKS = [];
let ALL = null;

function bounds() {
  let box = L.latLngBounds([]);
  OUTLINES.forEach((outline) => { if (outline) box = box.extend(outline.getBounds()); });
  return box;
}

function drawMap() {
  if (DATA.ground) {
    L.imageOverlay(DATA.ground.url, DATA.ground.corners, { className: "picture-ground", opacity: 0.75 }).addTo(MAP);
  }
  EVERY.forEach((i) => {
    const rings = ringsOf(i);
    OUTLINES[i] = rings.length
      ? L.polygon(rings, { weight: 1, color: "#14231b", fillOpacity: 0.25, interactive: false })
      : null;
    MARKS[i] = null;
    if (!rings.length) return;
    const place = OUTLINES[i].getBounds().getCenter();
    MARKS[i] = new Sign(place, { weight: 1.2, color: "#14231b", fillOpacity: 1, radius: 6, interactive: false });
  });
  ALL = bounds();
  if (ALL.isValid()) showAll();
  else MAP.setView([0, 0], 2);
  L.control.scale({ maxWidth: 140, position: "bottomright" }).addTo(MAP);
  paint();
  if (COUNT <= MOST_NAMES) drawNames();
  MAP.on("zoomend", resize);
  MAP.on("click", (event) => {
    const i = under(event.layerPoint);
    if (i >= 0) choose(i, "map");
  });
  MAP.on("mousemove", point);
  MAP.on("mouseout", () => HINT.remove());
}

// A few parcels are named on the map; of many, the one under the pointer.
function drawNames() {
  EVERY.filter((i) => MARKS[i]).forEach((i) => {
    L.tooltip({ permanent: true, direction: "bottom", offset: [0, 9], className: "parcel-name" })
      .setLatLng(MARKS[i].getLatLng()).setContent(node("span", {}, user(COL.id[i]))).addTo(MAP);
  });
}

// --- what lies under the pointer ------------------------------------------------------

const REACH = 9;
const HINT = L.tooltip({ direction: "top", offset: [0, -8] });

// The sign nearest to a point; else the parcel whose outline holds it. Signs crowd on a small map,
// so the one drawn last is not always the one that is meant.
function under(at) {
  let best = -1;
  let least = REACH * REACH;
  EVERY.forEach((i) => {
    const place = MARKS[i] && MARKS[i]._point;
    if (!place) return;
    const far = (place.x - at.x) ** 2 + (place.y - at.y) ** 2;
    if (far < least) [best, least] = [i, far];
  });
  if (best >= 0) return best;
  return EVERY.findIndex((i) => OUTLINES[i] && OUTLINES[i]._pxBounds
    && OUTLINES[i]._pxBounds.contains(at) && OUTLINES[i]._containsPoint(at));
}

function point(event) {
  const i = under(event.layerPoint);
  MAP.getContainer().style.cursor = i >= 0 ? "pointer" : "";
  if (i < 0) HINT.remove();
  else HINT.setLatLng(event.latlng).setContent(hint(i)).addTo(MAP);
}

function hint(i) {
  const points = COL.code[i] || (COL.points[i] === null ? "no spot" : `${COL.points[i]} points`);
  return node("span", {}, user(COL.label[i] || COL.id[i]), ` · ${points}`);
}

// Signs are small where parcels crowd, so that they do not hide one another.
function scaleOfSigns() {
  if (!ALL || !ALL.isValid()) return 1;
  const box = MAP.project(ALL.getNorthWest()).distanceTo(MAP.project(ALL.getSouthEast()));
  return Math.max(0.45, Math.min(1.25, box / (26 * Math.sqrt(COUNT + 1))));
}

function radius(i, size) {
  const plain = SIGNS[STATE.by].get(CLASS_OF[STATE.by](i)).size * size;
  return i === STATE.chosen ? Math.max(plain * 1.35, 9) : plain;
}

function paint() {
  const signs = SIGNS[STATE.by];
  const shown = new Set(STATE.shown);
  const size = scaleOfSigns();
  const order = EVERY.filter((i) => MARKS[i]).sort((a, b) => shown.has(a) - shown.has(b));
  [OUTLINES, MARKS].forEach((layers) => order.forEach((i) => {
    const sign = signs.get(CLASS_OF[STATE.by](i));
    const lit = shown.has(i);
    const picked = i === STATE.chosen;
    const layer = layers[i];
    if (layers === OUTLINES) {
      layer.setStyle({
        fillColor: sign.colour, fillOpacity: lit ? 0.35 : 0.05, opacity: lit ? 0.9 : 0.25,
        weight: picked ? 3.5 : 1, color: picked ? "#9a3b06" : "#14231b",
      });
    } else {
      Object.assign(layer.options, { shape: sign.shape });
      layer.setStyle({
        fillColor: sign.colour, fillOpacity: lit ? 1 : 0.12, opacity: lit ? 1 : 0.12,
        weight: picked ? 3 : size < 0.8 ? 0.5 : 1.2, color: picked ? "#9a3b06" : "#14231b",
      });
      layer.setRadius(radius(i, size));
    }
    if (!MAP.hasLayer(layer)) layer.addTo(MAP);
  }));
  order.slice(-1).forEach(() => STATE.chosen >= 0 && MARKS[STATE.chosen] && MARKS[STATE.chosen].bringToFront());
}

function resize() {
  const size = scaleOfSigns();
  EVERY.forEach((i) => {
    if (!MARKS[i]) return;
    MARKS[i].setStyle({ weight: i === STATE.chosen ? 3 : size < 0.8 ? 0.5 : 1.2 });
    MARKS[i].setRadius(radius(i, size));
  });
}

// --- the key --------------------------------------------------------------------------

function swatch(sign) {
  const canvas = node("canvas", { width: 40, height: 40, "aria-hidden": "true" });
  const c = canvas.getContext("2d");
  c.scale(2, 2);
  c.beginPath();
  DRAW[sign.shape](c, 10, 10, Math.min(sign.size, 7.5));
  c.fillStyle = sign.colour;
  c.fill();
  c.strokeStyle = "#14231b";
  c.stroke();
  return canvas;
}

function drawKey() {
  const counts = new Map();
  EVERY.forEach((i) => {
    const kind = CLASS_OF[STATE.by](i);
    counts.set(kind, (counts.get(kind) || 0) + 1);
  });
  const rows = [...SIGNS[STATE.by]].filter(([kind]) => counts.has(kind));
  byId("key").replaceChildren(...rows.map(([kind, sign]) => node("div", { class: "key-row" },
    swatch(sign), node("span", {}, sign.words), node("span", { class: "number" }, counts.get(kind)))));
}

// The card takes its place from the map; the first time, all parcels are brought into view again.
function makeRoom() {
  const whole = MAP.getBounds().contains(ALL);
  MAP.invalidateSize({ animate: false });
  if (whole) showAll();
}

function showAll() {
  if (ALL.isValid()) MAP.fitBounds(ALL.pad(0.05), { animate: false });
}

LISTENERS.push((what) => {
  if (what === "by") drawKey();
  paint();
  if (what === "chosen" && STATE.from === "table" && MARKS[STATE.chosen]) {
    const place = MARKS[STATE.chosen].getLatLng();
    if (!MAP.getBounds().pad(-0.1).contains(place)) MAP.panTo(place, { animate: false });
  }
});
