// Survey cells on the map: a dashed line around the parcels that name the same cell.

import { user, node } from "../shared/dom.js";
import { hull } from "../model/hull.js";
import { COL, COUNT, EVERY } from "./data.js";

const MOST_CELLS = 400;
const PAD = 0.12;

// `outlines` are Leaflet's polygons by the parcel's number, null where a parcel has none.
export function drawCellLines(map, outlines) {
  const cells = new Map();
  EVERY.filter((i) => COL.cell[i] && outlines[i]).forEach((i) => {
    const box = outlines[i].getBounds();
    const corners = [box.getSouthWest(), box.getSouthEast(), box.getNorthEast(), box.getNorthWest()];
    cells.set(COL.cell[i], (cells.get(COL.cell[i]) || []).concat(corners.map((c) => [c.lng, c.lat])));
  });
  if (cells.size < 2 || cells.size > MOST_CELLS) return false;
  cells.forEach((points, name) => {
    const around = wider(hull(points)).map(([lng, lat]) => [lat, lng]);
    const line = L.polygon(around, { weight: 1.5, dashArray: "6 5", color: "#3c4a43", fill: false,
      interactive: false }).addTo(map);
    if (COUNT / cells.size > 1 && cells.size <= 40) nameCell(map, line, name);
  });
  return true;
}

// A little away from the parcels, so that the line is not taken for their own.
function wider(corners) {
  const x = corners.reduce((sum, c) => sum + c[0], 0) / corners.length;
  const y = corners.reduce((sum, c) => sum + c[1], 0) / corners.length;
  return corners.map(([a, b]) => [a + PAD * (a - x), b + PAD * (b - y)]);
}

function nameCell(map, line, name) {
  const box = line.getBounds();
  L.tooltip({ permanent: true, direction: "center", className: "parcel-name cell-name" })
    .setLatLng([box.getNorth(), box.getCenter().lng])
    .setContent(node("span", {}, user(name))).addTo(map);
}
