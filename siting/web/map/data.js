// The data of this page, and the arithmetic bound to them.

import { islandData } from "../shared/dom.js";
import { projection } from "../model/frame.js";
import { readCells, decoded, shownHundredths } from "../model/cells.js";
import { tenths } from "../model/lengths.js";
import { spotScore, startWeights, totalScore } from "../model/score.js";

export const DATA = islandData();
export const PLACES = projection(DATA.frame, DATA.origin);
export const RULES = { criteria: DATA.criteria, ...DATA.scoring };

// What the parts of the page share. `moved` is true while the weights differ from the survey's.
export const STATE = { selected: null, weights: startWeights(RULES), moved: false, asked: null };

// The planes of the cells; `ready` once they are read.
export const CELLS = { ready: false, total: null, bits: null, parts: {} };

export async function loadCells() {
  Object.assign(CELLS, await readCells(DATA.cells), { ready: true });
}

export function spotOf(n) {
  return DATA.spots.find((spot) => spot.n === n);
}

// Tenths of the index of a spot, and of a cell.
export function spotTenths(spot) {
  return STATE.moved ? tenths(spotScore(spot, STATE.weights, RULES)) : spot.tenths;
}

export function cellScore(index, weights) {
  return totalScore((name) => {
    const plane = CELLS.parts[name];
    return plane ? decoded(plane[index]) : undefined;
  }, weights, RULES);
}

// A cell's total is kept as a tenth of the index, so its hundredths are tenths of the index.
export function cellTenths(index) {
  return STATE.moved ? tenths(cellScore(index, STATE.weights))
    : shownHundredths(CELLS.total[index]);
}

// --- who wants to know of a change --------------------------------------------------------

const LISTENERS = {};

// Topics: "weights" as they move, "rested" when the hand rests, "selected", "visits".
export function listen(topic, listener) {
  LISTENERS[topic] = (LISTENERS[topic] || []).concat(listener);
}

export function announce(topic) {
  (LISTENERS[topic] || []).forEach((listener) => listener());
}
