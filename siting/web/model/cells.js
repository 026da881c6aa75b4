// What is known of every cell, as siting/report/page/cells.py packed it.

import { inflate } from "./inflate.js";

export const OUTSIDE = 1;
const UNKNOWN = 0xffff;
const HALF = 128;
const FINE = 25600;

export function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes;
}

// A plane is what its left, upper and upper left neighbours do not foretell.
function unfold(bytes, start, rows, cols) {
  const n = rows * cols, out = new Uint16Array(n);
  for (let row = 0, k = 0; row < rows; row += 1) {
    for (let col = 0; col < cols; col += 1, k += 1) {
      const folded = (bytes[start + k] << 8) | bytes[start + n + k];
      const rest = folded & 1 ? -((folded + 1) >> 1) : folded >> 1;
      const left = col ? out[k - 1] : 0;
      const up = row ? out[k - cols] : 0;
      const corner = row && col ? out[k - cols - 1] : 0;
      out[k] = (rest + left + up - corner) & 0xffff;
    }
  }
  return out;
}

// Two bytes to a membership of 0..1; NaN where it is not known.
export function decoded(code) {
  return code === UNKNOWN ? NaN : (code - HALF) / FINE;
}

// The same two bytes as the whole hundredths that are shown.
export function shownHundredths(code) {
  return code === UNKNOWN ? NaN : code >> 8;
}

// `packed` is the page's account of its cells; the planes come back by name.
export async function readCells(packed) {
  const { n_rows: rows, n_cols: cols, names, blob } = packed;
  const size = 2 * rows * cols * (names.length + 2);
  const bytes = await inflate(bytesOf(blob), size);
  if (bytes.length !== size) throw new Error("cell data damaged");
  const planes = [];
  for (let start = 0; start < size; start += 2 * rows * cols) {
    planes.push(unfold(bytes, start, rows, cols));
  }
  const parts = {};
  names.forEach((name, i) => { parts[name] = planes[i + 2]; });
  return { total: planes[0], bits: planes[1], parts };
}

// Index of the cell that holds a point of the grid, or -1.
export function cellAt(packed, easting, northing) {
  const { left, top, cell_size_m: size, n_rows: rows, n_cols: cols } = packed;
  const col = Math.floor((easting - left) / size), row = Math.floor((top - northing) / size);
  return row < 0 || col < 0 || row >= rows || col >= cols ? -1 : row * cols + col;
}

export function cellCentre(packed, index) {
  const { left, top, cell_size_m: size, n_cols: cols } = packed;
  const row = Math.floor(index / cols), col = index - row * cols;
  return [left + (col + 0.5) * size, top - (row + 0.5) * size];
}

// The nearest cell to a place for which `good(index)` holds, by its middle; null without one.
export function nearestCell(packed, easting, northing, good) {
  const { n_rows: rows, n_cols: cols, left, top, cell_size_m: size } = packed;
  let best = null, nearest = Infinity;
  for (let row = 0, k = 0; row < rows; row += 1) {
    const dy = top - (row + 0.5) * size - northing;
    for (let col = 0; col < cols; col += 1, k += 1) {
      const dx = left + (col + 0.5) * size - easting;
      const far = dx * dx + dy * dy;
      if (far < nearest && good(k)) { nearest = far; best = k; }
    }
  }
  return best === null ? null : { index: best, metres: Math.sqrt(nearest) };
}
