// The parcels as the page holds them: one list to each fact, addressed by a parcel's number.

import { islandData } from "../shared/dom.js";

export const DATA = islandData();
export const COL = DATA.columns;
export const COUNT = COL.id.length;
export const EVERY = Array.from({ length: COUNT }, (_, i) => i);

// What map, table and card share.
export const STATE = { by: "score", chosen: -1, from: "", shown: EVERY, sort: "index", down: true,
  page: 0 };
const LISTENERS = [];

// Listeners hear of "by" (what the signs show), "chosen" and "list".
export function listen(listener) {
  LISTENERS.push(listener);
}

export function announce(what) {
  LISTENERS.forEach((listener) => listener(what));
}

export function choose(i, from) {
  STATE.chosen = i;
  STATE.from = from;
  announce("chosen");
}

// Where the list lies under the map and the card, and not beside them.
export function oneColumn() {
  return !window.matchMedia("(min-width: 1000px)").matches;
}
