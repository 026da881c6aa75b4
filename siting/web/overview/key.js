// The key: what the signs mean, and how many parcels have each.

import { byId, node } from "../shared/dom.js";
import { EVERY, STATE, listen } from "./data.js";
import { CELL_LINES } from "./map.js";
import { DRAW } from "./shapes.js";
import { CLASS_OF, SIGNS } from "./signs.js";

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

export function drawKey() {
  const counts = new Map();
  EVERY.forEach((i) => {
    const kind = CLASS_OF[STATE.by](i);
    counts.set(kind, (counts.get(kind) || 0) + 1);
  });
  const rows = [...SIGNS[STATE.by]].filter(([kind]) => counts.has(kind));
  byId("key").replaceChildren(...rows.map(([kind, sign]) => node("div", { class: "key-row" },
    swatch(sign), node("span", {}, sign.words), node("span", { class: "number" }, counts.get(kind)))),
  CELL_LINES.drawn ? node("div", { class: "key-row" }, node("span", { class: "cell-swatch" }),
    node("span", {}, "around the parcels of a survey cell")) : "");
}

listen((what) => { if (what === "by") drawKey(); });
