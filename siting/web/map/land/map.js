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

const EDGE_PX = 14, STEP_PX = 12;
// Half a spot's sign.
const NEAR_PX = 17;

// The whole parcel; where a tool or the key lies over a spot, the parcel makes room for it, as far
// as the map is high enough.
export function showParcel() {
  const box = L.latLngBounds(DATA.outline.flatMap(([, rings]) => PLACES.path(rings[0])));
  const most = 0.8 * MAP.getSize().y;
  let top = EDGE_PX, bottom = EDGE_PX, above = false, below = false;
  do {
    top += above ? STEP_PX : 0;
    bottom += below ? STEP_PX : 0;
    fit(box, top, bottom);
    above = hidesSpot(".leaflet-control-zoom, .map-tools button, .north");
    below = hidesSpot(".map-key, .leaflet-control-scale, .map-credits");
  } while ((above || below) && top + bottom < most);
}

function fit(box, top, bottom) {
  MAP.fitBounds(box, { paddingTopLeft: [EDGE_PX, top], paddingBottomRight: [EDGE_PX, bottom],
    animate: false });
}

// Whether an element that lies over the map covers a spot, wholly or in part.
function hidesSpot(selector) {
  const frame = MAP.getContainer(), corner = frame.getBoundingClientRect();
  const spots = DATA.spots.map(({ lat, lon }) => MAP.latLngToContainerPoint([lat, lon]));
  return [...frame.parentElement.querySelectorAll(selector)]
    .map((element) => element.getBoundingClientRect())
    // What is not shown has no width.
    .some(({ left, top, right, bottom, width }) => width > 0 && spots.some(({ x, y }) =>
      x + corner.left > left - NEAR_PX && x + corner.left < right + NEAR_PX
      && y + corner.top > top - NEAR_PX && y + corner.top < bottom + NEAR_PX));
}

export function goTo(place) {
  MAP.panInside(place, { padding: [60, 60], animate: !CALMLY });
}

export function closeUp(spot) {
  const circle = L.latLng(spot.lat, spot.lon).toBounds(4 * spot.radius_m);
  MAP.fitBounds(circle, { animate: !CALMLY });
}
