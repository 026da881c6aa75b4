// A sketch as a file, as a store keeps it, and its undo. No page, no map.

import { fault, rounded } from "./shapes.js";

// --- the file -------------------------------------------------------------------------------

function signed(corners) {
  return corners.reduce((sum, [lat, lon], k) => {
    const [v, u] = corners[(k + 1) % corners.length];
    return sum + lon * v - u * lat;
  }, 0);
}

// RFC 7946: longitude first, outer rings anticlockwise and closed.
function geometry({ kind, corners }) {
  const xy = corners.map(([lat, lon]) => [lon, lat]);
  if (kind === "point") return { type: "Point", coordinates: xy[0] };
  if (kind === "line") return { type: "LineString", coordinates: xy };
  if (signed(corners) < 0) xy.reverse();
  return { type: "Polygon", coordinates: [[...xy, xy[0]]] };
}

// The sketch file of what was drawn and answered; shapes with a fault are left out.
export function sketchFile(state, { id, forUid, page, madeAt }) {
  return {
    type: "FeatureCollection",
    format: "siting sketch 1",
    id,
    for: forUid,
    page,
    made_at: madeAt,
    said_by: state.saidBy,
    note: state.note,
    answers: { ...state.answers },
    features: state.shapes.filter((shape) => !fault(shape)).map((shape) => ({
      type: "Feature",
      id: shape.id,
      geometry: geometry(shape),
      properties: {
        layer: shape.layer, name: shape.name, kind: "", use: shape.use, reason: "", how: shape.how,
      },
    })),
  };
}

// --- what a page keeps on the device ---------------------------------------------------------

const USES = ["", "game", "quiet", "busy"];
const HOWS = ["drawn", "typed", "position"];
const ANSWERS = ["marked", "none", "unknown"];
const MOST_SHAPES = 500;
const MOST_CORNERS = 5000;

function words(value, most) {
  return typeof value === "string" ? value.slice(0, most) : "";
}

function keptCorners(value) {
  if (!Array.isArray(value) || value.length > MOST_CORNERS) return null;
  const sound = value.every((c) => Array.isArray(c) && c.length === 2 && c.every(Number.isFinite)
    && Math.abs(c[0]) <= 90 && Math.abs(c[1]) <= 180);
  return sound ? value.map(rounded) : null;
}

function keptShape(value, kinds) {
  if (typeof value !== "object" || value === null) return null;
  const corners = keptCorners(value.corners);
  const known = kinds.get(value.layer);
  if (!corners || !corners.length || !known || !known.includes(value.kind)) return null;
  return {
    id: words(value.id, 20),
    layer: value.layer,
    kind: value.kind,
    corners,
    name: words(value.name, 200),
    use: USES.includes(value.use) ? value.use : "",
    how: HOWS.includes(value.how) ? value.how : "drawn",
  };
}

// A stored text as a state, field by field; anybody could have written the store. `kinds` maps each
// layer to the kinds of shape it takes.
export function stateOf(text, kinds) {
  const empty = { shapes: [], answers: {}, saidBy: "", note: "" };
  let stored = null;
  try {
    stored = JSON.parse(text);
  } catch {
    return empty;
  }
  if (typeof stored !== "object" || stored === null) return empty;
  const shapes = Array.isArray(stored.shapes) ? stored.shapes.slice(0, MOST_SHAPES) : [];
  const answers = {};
  for (const layer of kinds.keys()) {
    const said = stored.answers && Object.hasOwn(stored.answers, layer) ? stored.answers[layer] : "";
    if (ANSWERS.includes(said)) answers[layer] = said;
  }
  return {
    shapes: shapes.map((one) => keptShape(one, kinds)).filter(Boolean),
    answers,
    saidBy: words(stored.saidBy, 200),
    note: words(stored.note, 2000),
  };
}

// --- undo ----------------------------------------------------------------------------------

const DEEP = 200;

// A history of whole states: `put` after each finished act, `back` and `on` walk it.
export function history(first) {
  const past = [JSON.stringify(first)];
  let at = 0;
  return {
    put(state) {
      const text = JSON.stringify(state);
      if (text === past[at]) return;
      past.splice(at + 1, past.length, text);
      if (past.length > DEEP) past.shift();
      at = past.length - 1;
    },
    back: () => (at > 0 ? JSON.parse(past[at -= 1]) : null),
    on: () => (at < past.length - 1 ? JSON.parse(past[at += 1]) : null),
    canBack: () => at > 0,
    canOn: () => at < past.length - 1,
  };
}
