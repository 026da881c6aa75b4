// The map itself: folium's script has made it; here are its panes, its groups and its view.

import { CALMLY } from "../../shared/dom.js";
import { DATA, PLACES } from "../data.js";

export const MAP = map_siting;
export const GROUND = image_overlay_ground;
export const COLOURS = image_overlay_score;

["contours", "zones", "layers", "marks"].forEach((name, i) => {
  MAP.createPane(name).style.zIndex = 410 + 10 * i;
});
MAP.createPane("features").style.zIndex = 605;
MAP.createPane("names").style.zIndex = 610;
MAP.createPane("places").style.zIndex = 615;
MAP.createPane("spots").style.zIndex = 620;
["names", "contours", "layers"].forEach((name) => {
  MAP.getPane(name).style.pointerEvents = "none";
});

export function leafShape([kind, rings], options) {
  const outlines = rings.map(PLACES.path);
  return kind === "A" ? L.polygon(outlines, options) : L.polyline(outlines, options);
}

export function pathOptions(pane, className, more) {
  return Object.assign({ pane, className, interactive: false, weight: 2, smoothFactor: 0.5 }, more);
}

const GROUPS = {};

// What one switch of the key shows and hides.
export function group(key) {
  if (!GROUPS[key]) GROUPS[key] = L.layerGroup().addTo(MAP);
  return GROUPS[key];
}

export function showParcel() {
  const outer = DATA.outline.flatMap(([, rings]) => PLACES.path(rings[0]));
  MAP.fitBounds(L.latLngBounds(outer), { padding: [14, 14], animate: false });
}

export function goTo(place) {
  MAP.panInside(place, { padding: [60, 60], animate: !CALMLY });
}

export function closeUp(spot) {
  const circle = L.latLng(spot.lat, spot.lon).toBounds(4 * spot.radius_m);
  MAP.fitBounds(circle, { animate: !CALMLY });
}
