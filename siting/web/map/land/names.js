// Names on the map, never two on one place.

import { DATA } from "../data.js";
import { MAP, group } from "./map.js";

const APART_PX = 600;
const PX2_FOR_A_NAME = 40000;
const NAMES = [];
const SIGNS = [];

// `size` is half the width of the name in pixels; names of a low `rank` are placed first;
// `once` keeps a name from being said again close by.
export function addName(place, element, { group: key, size, rank, drop = 0, once = false }) {
  const icon = L.divIcon({ className: "name-holder", html: element, iconSize: [0, 0] });
  const marker = L.marker(place, { icon, interactive: false, keyboard: false, pane: "names" });
  marker.addTo(group(key));
  NAMES.push({ marker, element, size, rank, drop, once });
}

// A sign that no name may cover.
export function keepClear(marker) {
  SIGNS.push(marker);
}

export function tidyNames() {
  const fixed = DATA.spots.map((spot) => [spot.lat, spot.lon])
    .concat(SIGNS.filter((sign) => sign._map).map((sign) => sign.getLatLng()));
  const taken = fixed.map((place) => boxAt(MAP.latLngToContainerPoint(place), 17, 15));
  const view = MAP.getSize();
  const said = [];
  NAMES.sort((a, b) => a.rank - b.rank).forEach(({ marker, element, size, drop, once }) => {
    if (!marker._map) return;
    const at = MAP.latLngToContainerPoint(marker.getLatLng()).add([0, drop]);
    const box = boxAt(at, size, 9);
    const off = at.x < size || at.y < 9 || at.x > view.x - size || at.y > view.y - 9;
    const clash = off || once && tooMany(element, at, said) || taken.some((other) => box[0] < other[2]
      && other[0] < box[2] && box[1] < other[3] && other[1] < box[3]);
    element.classList.toggle("hidden", clash);
    if (clash) return;
    taken.push(box);
    if (once) said.push([element.textContent, at]);
  });
}

// The same words again only far away, and no more names than the map can bear.
function tooMany(element, at, said) {
  const { x, y } = MAP.getSize();
  if (said.length >= Math.max(3, Math.floor(x * y / PX2_FOR_A_NAME))) return true;
  return said.some(([words, place]) => words === element.textContent && place.distanceTo(at) < APART_PX);
}

function boxAt(point, halfWidth, halfHeight) {
  return [point.x - halfWidth, point.y - halfHeight, point.x + halfWidth, point.y + halfHeight];
}

let waiting = false;

// Small marks crowd a small map: they come with the zoom.
export function scheduleNames() {
  MAP.getContainer().classList.toggle("from-afar", MAP.getZoom() < 18);
  if (waiting) return;
  waiting = true;
  window.requestAnimationFrame(() => { waiting = false; tidyNames(); });
}
