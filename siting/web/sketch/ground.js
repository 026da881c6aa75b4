// The ground to draw on: relief, contour lines, what the survey knows already, a grid of squares.

import { byId, node } from "../shared/dom.js";
import { panButtons } from "../shared/pan.js";

export function groundMap(data) {
  const map = L.map("map", {
    attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.5, minZoom: 10, maxZoom: 20, tapHold: false,
  });
  ["ground", "grid", "contours", "known"].forEach((name, k) => {
    map.createPane(name).style.zIndex = String(250 + 10 * k);
    map.getPane(name).style.pointerEvents = "none";
  });
  const ground = byId("ground");
  if (ground) {
    const options = { pane: "ground", className: "picture-ground", opacity: 0.85 };
    L.imageOverlay(ground.src, data.corners, options).addTo(map);
  }
  data.grid.forEach((line) => {
    L.polyline(line, { pane: "grid", className: "grid-line", interactive: false }).addTo(map);
  });
  data.contours.forEach(({ index, line }) => L.polyline(line, {
    pane: "contours", className: index ? "contour contour-index" : "contour", interactive: false,
  }).addTo(map));
  data.known.forEach(({ kind, corners, layer }) => {
    const options = { pane: "known", className: `known known-${layer} known-${kind}`, interactive: false };
    if (kind === "point") L.circleMarker(corners[0], { ...options, radius: 4 }).addTo(map);
    else L[kind === "area" ? "polygon" : "polyline"](corners, options).addTo(map);
  });
  panButtons(map, "bottomleft").addTo(map);
  L.control.scale({ maxWidth: 140, position: "bottomright" }).addTo(map);
  map.fitBounds(data.bounds);
  map.setMaxBounds(L.latLngBounds(data.bounds).pad(1));
  byId("map").append(node("span", { id: "cross", "aria-hidden": "true", hidden: true }));
  return map;
}
