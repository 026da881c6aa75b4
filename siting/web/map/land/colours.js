// The index in colours, painted anew when the ratios move.

import { applyFit } from "../../model/frame.js";
import { cellAt } from "../../model/cells.js";
import { shadeOf } from "../../model/score.js";
import { node } from "../../shared/dom.js";
import { CELLS, DATA, STATE, cellScore, listen } from "../data.js";
import { COLOURS } from "./map.js";

const PAINT = { cells: null, url: null, first: null, turn: 0 };

function pixelCells() {
  const plane = DATA.score_plane, out = new Int32Array(plane.width * plane.height);
  for (let row = 0, k = 0; row < plane.height; row += 1) {
    const y = plane.top - (row + 0.5) * plane.pixel_m;
    for (let col = 0; col < plane.width; col += 1, k += 1) {
      const x = plane.left + (col + 0.5) * plane.pixel_m;
      out[k] = cellAt(DATA.cells, ...applyFit(DATA.frame.to_grid, x, y));
    }
  }
  return out;
}

function stepOf(score) {
  const steps = DATA.palette.length;
  return Math.min(steps - 1, Math.floor(shadeOf(score, DATA.scoring) * steps + 1e-6));
}

// Colours as the four bytes of a pixel, in the byte order of this machine.
function pixelColours() {
  const bytes = new Uint8Array(4 * DATA.palette.length);
  DATA.palette.forEach((text, k) => {
    bytes.set([1, 3, 5].map((i) => parseInt(text.substr(i, 2), 16)).concat(255), 4 * k);
  });
  return new Uint32Array(bytes.buffer);
}

function cellColours(weights) {
  const colours = pixelColours(), out = new Uint32Array(CELLS.bits.length);
  for (let index = 0; index < out.length; index += 1) {
    const score = CELLS.bits[index] ? NaN : cellScore(index, weights);
    if (!Number.isNaN(score)) out[index] = colours[stepOf(score)];
  }
  return out;
}

function paintScores(weights, turn) {
  const { width, height } = DATA.score_plane;
  if (!PAINT.cells) PAINT.cells = pixelCells();
  const colours = cellColours(weights), pixels = new Uint32Array(width * height);
  for (let k = 0; k < pixels.length; k += 1) {
    if (PAINT.cells[k] >= 0) pixels[k] = colours[PAINT.cells[k]];
  }
  const canvas = node("canvas", { width, height });
  const image = new ImageData(new Uint8ClampedArray(pixels.buffer), width, height);
  canvas.getContext("2d").putImageData(image, 0, 0);
  // A picture that is ready late must not cover what was asked for since.
  canvas.toBlob((blob) => { if (turn === PAINT.turn) showScores(URL.createObjectURL(blob)); });
}

// `url` null brings back the picture that Python painted.
function showScores(url) {
  if (!PAINT.first) PAINT.first = COLOURS._url;
  if (PAINT.url) URL.revokeObjectURL(PAINT.url);
  PAINT.url = url;
  COLOURS.setUrl(url || PAINT.first);
  document.documentElement.dataset.painted = url ? "page" : "survey";
}

// Colours follow when the hand rests: they take a moment on a phone.
export function setUpColours() {
  listen("rested", () => {
    if (!CELLS.ready) return;
    PAINT.turn += 1;
    if (STATE.moved) paintScores(STATE.weights, PAINT.turn);
    else showScores(null);
  });
}
