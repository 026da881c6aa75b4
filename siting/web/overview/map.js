// The map: ground, outlines and signs, all parcels on one canvas.

import { node, user } from "../shared/dom.js";
import { latLon } from "../model/frame.js";
import { COL, COUNT, DATA, EVERY, STATE, choose, listen } from "./data.js";
import { drawCellLines } from "./cells.js";
import { Sign } from "./shapes.js";
import { CLASS_OF, SIGNS } from "./signs.js";

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
      out.push(latLon(left + x * step, top - y * step));
    }
    return out;
  });
}

const CANVAS = L.canvas({ padding: 0.3, tolerance: 3 });
export const MAP = L.map("map", {
  renderer: CANVAS, attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 18,
  preferCanvas: true,
});
const REACH = 9;
const HINT = L.tooltip({ direction: "top", offset: [0, -8] });
const MOST_NAMES = 40;
// Whether the cells have lines on the map, for the key.
export const CELL_LINES = { drawn: false };
const OUTLINES = [];
const MARKS = [];
let ALL = null;

function bounds() {
  let box = L.latLngBounds([]);
  OUTLINES.forEach((outline) => { if (outline) box = box.extend(outline.getBounds()); });
  return box;
}

export function drawMap() {
  if (DATA.ground) {
    L.imageOverlay(DATA.ground.url, DATA.ground.corners,
      { className: "picture-ground", opacity: 0.75 }).addTo(MAP);
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
  CELL_LINES.drawn = drawCellLines(MAP, OUTLINES);
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
  const best = COL.code[i] || (COL.index[i] === null ? "no spot" : `index ${COL.index[i].toFixed(1)}`);
  return node("span", {}, user(COL.label[i] || COL.id[i]), ` · ${best}`);
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

// The card takes its place from the map; the first time, all parcels are brought into view again.
export function makeRoom() {
  const whole = MAP.getBounds().contains(ALL);
  MAP.invalidateSize({ animate: false });
  if (whole) showAll();
}

// All parcels in view, beside the key where there is room for both.
export function showAll() {
  if (!ALL.isValid()) return;
  const key = document.querySelector("details.key"), size = MAP.getSize();
  const side = key.open && size.x > 2.2 * key.offsetWidth && !document.querySelector(".printing")
    ? key.offsetWidth + 16 : 0;
  MAP.fitBounds(ALL.pad(0.05), { animate: false, paddingTopLeft: [side, 50] });
}

listen((what) => {
  paint();
  if (what === "chosen" && STATE.from === "table" && MARKS[STATE.chosen]) {
    const place = MARKS[STATE.chosen].getLatLng();
    if (!MAP.getBounds().pad(-0.1).contains(place)) MAP.panTo(place, { animate: false });
  }
});
