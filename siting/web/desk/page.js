// The page around every view: title, faults, what was saved, the map with its relief.

import { byId, node } from "../shared/dom.js";
import { panButtons } from "../shared/pan.js";
import { DATA } from "./api.js";

export function button(text, act, more) {
  return node("button", { type: "button", onclick: act, ...more }, text);
}

export function field(words, input) {
  return node("label", {}, words, input);
}

export function titled(text, ...content) {
  byId("title").textContent = text;
  document.title = `${text} · the desk`;
  byId("body").replaceChildren(...content.flat().filter(Boolean));
  byId("faults").replaceChildren();
  say("");
}

export function say(text) {
  byId("said").textContent = text;
}

// A failure in words at the head of the panel; it takes the focus so that nobody misses it.
export function fault(error) {
  byId("faults").replaceChildren(node("p", { class: "caution" }, error.message));
}

// Runs an act and shows what goes wrong.
export async function attempt(act) {
  byId("faults").replaceChildren();
  try {
    return await act();
  } catch (error) {
    if (!(error instanceof Error)) throw error;
    fault(error);
    return null;
  }
}

// What the colours of the land cover mean, as long as it is shown.
function coverKey() {
  const key = L.control({ position: "bottomleft" });
  key.onAdd = () => node("ul", { class: "cover-key" }, DATA.cover.map(([words, colour]) => {
    const swatch = node("i", {});
    swatch.style.background = colour;
    return node("li", {}, swatch, words);
  }));
  return key;
}

export function deskMap() {
  const map = L.map("map", {
    attributionControl: false, zoomSnap: 0.5, minZoom: 5, maxZoom: 20, tapHold: false,
  });
  const tiles = `/tile/${DATA.stamp}/{z}/{x}/{y}.png`;
  const relief = L.tileLayer(tiles, { maxZoom: 20, maxNativeZoom: 18, className: "picture-ground" }).addTo(map);
  // Once, and not for each of a hundred tiles.
  relief.once("tileerror", () => fault(new Error(DATA.words["no relief"])));
  // Below what is drawn; off until asked for, so that the relief can be read first.
  const over = (kind) => L.tileLayer(`/tile/${DATA.stamp}/{z}/{x}/{y}/${kind}.png`,
    { maxZoom: 20, maxNativeZoom: 18, className: "picture-ground" });
  const more = { "Contour lines": over("contours") };
  if (DATA.cover.length) {
    more["Land cover"] = over("cover");
    const key = coverKey();
    more["Land cover"].on("add", () => key.addTo(map)).on("remove", () => key.remove());
  }
  // On a phone the open list would lie over a third of the map.
  L.control.layers(null, more, { collapsed: window.innerWidth < 700, position: "topright" }).addTo(map);
  map.createPane("known").style.zIndex = "350";
  map.getPane("known").style.pointerEvents = "none";
  panButtons(map).addTo(map);
  L.control.scale({ maxWidth: 140, position: "bottomright" }).addTo(map);
  const [west, south, east, north] = DATA.bounds;
  map.fitBounds([[south, west], [north, east]]);
  new window.ResizeObserver(() => map.invalidateSize({ pan: false })).observe(byId("map"));
  byId("map").append(node("span", { id: "cross", "aria-hidden": "true", hidden: true }));
  return map;
}
