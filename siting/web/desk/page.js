// The page around every view: title, faults, what was saved, the map with its relief.

import { byId, node } from "../shared/dom.js";
import { panButtons } from "../shared/pan.js";
import { DATA } from "./api.js";

// What a hand does on the map, as it is called with a mouse and with a finger.
export const PRESS = window.matchMedia("(pointer: coarse)").matches ? "Tap" : "Click";

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

// What is drawn anew while a button is held down would take it away under the finger, and the press
// with it: as where leaving a field saves it. Such an act waits for the end of the press.
const PRESSED = "button, summary, a, .handle";
const waiting = new Map();
let isHeld = false;

function release() {
  isHeld = false;
  const acts = [...waiting.values()];
  waiting.clear();
  acts.forEach((act) => act());
}

document.addEventListener("mousedown", ({ button: which, target }) => {
  isHeld = which === 0 && Boolean(target.closest(PRESSED));
}, true);
// A click is in the same turn as the end of its press: what waits comes after it.
["mouseup", "dragend", "contextmenu"].forEach((name) => {
  document.addEventListener(name, () => window.setTimeout(release), true);
});
document.addEventListener("click", () => { isHeld = false; }, true);

// What was opened by hand comes into view; one that opens by itself must not move the page.
document.addEventListener("toggle", ({ target }) => {
  if (target.open && target.contains(document.activeElement)) target.scrollIntoView({ block: "nearest" });
}, true);

// `name`: of several that wait the last one counts.
export function whenFree(name, act) {
  waiting.delete(name);
  if (isHeld) waiting.set(name, act);
  else act();
}

// Which view is open, as a number; and what is thrown where an answer comes after it was left.
let view = 0;
export class Left extends Error {}

export function leave() {
  view += 1;
}

// An answer for the view that asks. One that comes after it was left would draw over the next.
export async function seen(answer) {
  const mine = view;
  const said = await answer;
  if (mine !== view) throw new Left();
  return said;
}

// A failure in words at the head of the panel; it takes the focus so that nobody misses it.
export function fault(error) {
  byId("faults").replaceChildren(node("p", { class: "caution" }, error.message));
}

// Runs an act and shows what goes wrong.
export async function attempt(act) {
  // What stands below moves up with them: not under a finger that is down.
  const before = [...byId("faults").children];
  whenFree("faults", () => before.forEach((one) => one.remove()));
  try {
    return await act();
  } catch (error) {
    if (!(error instanceof Error)) throw error;
    if (!(error instanceof Left)) fault(error);
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
  // Where the panel lies below it (desk.css) the map is low, as on a phone or at 200 %: an open list would
  // lie over a third of it.
  const isNarrow = window.matchMedia("(max-width: 899px)").matches;
  L.control.layers(null, more, { collapsed: isNarrow, position: "topright" }).addTo(map);
  map.createPane("known").style.zIndex = "350";
  map.getPane("known").style.pointerEvents = "none";
  // There in a row at the foot, where they lie on no land that is being drawn.
  panButtons(map, isNarrow ? "bottomleft" : "topleft").addTo(map);
  // Beside that row there is room for a short one.
  L.control.scale({ maxWidth: isNarrow ? 90 : 140, position: "bottomright" }).addTo(map);
  const [west, south, east, north] = DATA.bounds;
  map.fitBounds([[south, west], [north, east]]);
  new window.ResizeObserver(() => map.invalidateSize({ pan: false })).observe(byId("map"));
  byId("map").append(node("span", { id: "cross", "aria-hidden": "true", hidden: true }));
  return map;
}
