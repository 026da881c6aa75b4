// Shapes of a sketch as plain values: corners are [lat, lon] in degrees, WGS 84. No page, no map.

import { aboutWords, areaWords } from "./lengths.js";

const M_PER_DEGREE = 111195; // of a great circle on a sphere of 6371 km
export const DECIMALS = 7;
// Corners that a shape needs.
export const LEAST = { area: 3, line: 2, point: 1 };

export function rounded(corner) {
  return corner.map((degree) => Number(degree.toFixed(DECIMALS)));
}

// Metres east and north of the first corner: true enough over a few kilometres.
function flat(corners) {
  const [lat0, lon0] = corners[0];
  const east = M_PER_DEGREE * Math.cos(lat0 * Math.PI / 180);
  return corners.map(([lat, lon]) => [(lon - lon0) * east, (lat - lat0) * M_PER_DEGREE]);
}

// The corners of a circle of so many metres around a place.
export function circle([lat, lon], radius_m, corners = 36) {
  const east = M_PER_DEGREE * Math.cos(lat * Math.PI / 180);
  return Array.from({ length: corners }, (_, k) => {
    const angle = 2 * Math.PI * k / corners;
    return rounded([lat + radius_m * Math.cos(angle) / M_PER_DEGREE, lon + radius_m * Math.sin(angle) / east]);
  });
}

// Half of the turns around the corners: an area in the square of whatever they are measured in.
function sheet(xy) {
  const twice = xy.reduce((sum, [x, y], k) => {
    const [u, v] = xy[(k + 1) % xy.length];
    return sum + x * v - u * y;
  }, 0);
  return Math.abs(twice) / 2;
}

export function areaHa(corners) {
  return corners.length < 3 ? 0 : sheet(flat(corners)) / 10000;
}

export function lengthM(corners, closed) {
  const xy = corners.length ? flat(corners) : [];
  const ends = closed ? xy.concat(xy.slice(0, 1)) : xy;
  return ends.slice(1).reduce((sum, [x, y], k) => sum + Math.hypot(x - ends[k][0], y - ends[k][1]), 0);
}

function turn([ax, ay], [bx, by], [cx, cy]) {
  return Math.sign((bx - ax) * (cy - ay) - (by - ay) * (cx - ax));
}

function between([ax, ay], [bx, by], [px, py]) {
  return Math.min(ax, bx) <= px && px <= Math.max(ax, bx)
    && Math.min(ay, by) <= py && py <= Math.max(ay, by);
}

function meet(a, b, c, d) {
  const [p, q, r, s] = [turn(a, b, c), turn(a, b, d), turn(c, d, a), turn(c, d, b)];
  if (p !== q && r !== s) return true;
  return (p === 0 && between(a, b, c)) || (q === 0 && between(a, b, d))
    || (r === 0 && between(c, d, a)) || (s === 0 && between(c, d, b));
}

// The first two sides of an outline that cross or touch, by their first corner; null where none do.
export function crossing(corners) {
  const n = corners.length;
  for (let i = 0; i < n; i += 1) {
    for (let j = i + 2; j < n; j += 1) {
      const neighbours = i === 0 && j === n - 1;
      if (!neighbours && meet(corners[i], corners[i + 1], corners[j], corners[(j + 1) % n])) {
        return [i, j];
      }
    }
  }
  return null;
}

// What keeps a shape from being used, as a sentence; "" where nothing does.
export function fault(shape) {
  const missing = LEAST[shape.kind] - shape.corners.length;
  if (missing > 0) return `Set ${missing} more ${missing === 1 ? "corner" : "corners"}.`;
  if (shape.kind !== "area") return "";
  const sides = crossing(shape.corners);
  if (sides) return `Two sides cross near corner ${sides[1] + 1}. Move the corner or remove it.`;
  return areaHa(shape.corners) > 0 ? "" : "The corners lie on one line. Move one of them.";
}

// The same of a shape that is called `name`, where it is not saved: "This outline ...".
export function unsaved(shape, name) {
  const wrong = fault(shape);
  const missing = LEAST[shape.kind] - shape.corners.length;
  const why = missing > 0 ? `it needs ${missing} more ${missing === 1 ? "corner" : "corners"}.`
    : `${wrong[0].toLowerCase()}${wrong.slice(1)}`;
  return `This ${name} is not saved yet: ${why}`;
}

// Corners at which a shape can part from corner `k`: of a line only itself, within the line.
export function splitsFrom(shape, k) {
  const n = shape.corners.length;
  if (shape.kind === "line") return k > 0 && k < n - 1 ? [k] : [];
  if (shape.kind !== "area") return [];
  const apart = (j) => ![k, (k + 1) % n, (k + n - 1) % n].includes(j);
  // Of a bent area some ways lie outside it: such halves would not add up to the whole.
  const whole = sheet(shape.corners);
  return shape.corners.map((_, j) => j).filter((j) => {
    if (!apart(j)) return false;
    const halves = split(shape, k, j);
    return halves.every((corners) => !fault({ kind: "area", corners }))
      && Math.abs(sheet(halves[0]) + sheet(halves[1]) - whole) < 1e-9 * whole;
  });
}

// The corners of the two parts: a line at corner `k`, an area along the way from `k` to `j`.
export function split(shape, k, j) {
  const { corners } = shape;
  if (shape.kind === "line") return [corners.slice(0, k + 1), corners.slice(k)];
  const [from, to] = [Math.min(k, j), Math.max(k, j)];
  return [corners.slice(from, to + 1), [...corners.slice(to), ...corners.slice(0, from + 1)]];
}

export function measure(shape) {
  if (shape.kind === "area") {
    return `${areaWords(areaHa(shape.corners))}, ${aboutWords(lengthM(shape.corners, true))} around`;
  }
  return shape.kind === "line" ? `${aboutWords(lengthM(shape.corners, false))} long` : "";
}

// --- a typed position ---------------------------------------------------------------------

const NUMBERS = "([+-]?\\d+(?:[.,]\\d+)?)\\s*[°d]?\\s*(?:(\\d+(?:[.,]\\d+)?)\\s*['′m]\\s*)?"
  + "(?:(\\d+(?:[.,]\\d+)?)\\s*(?:[\"″s]|'')\\s*)?";
const LETTER = "([NSEW])?";
// Letters stand before both numbers or after both.
const LED = new RegExp(`${LETTER}\\s*${NUMBERS}()`, "giu");
const ENDED = new RegExp(`()${NUMBERS}${LETTER}`, "giu");

function degreesOf([, before, whole, minutes, seconds, after]) {
  const [d, m, s] = [whole, minutes, seconds].map((text) => Number((text || "0").replace(",", ".")));
  if (m >= 60 || s >= 60) return null;
  const letter = (before || after || "").toUpperCase();
  const size = Math.abs(d) + m / 60 + s / 3600;
  const negative = /^-/.test(whole) || letter === "S" || letter === "W";
  return { value: negative ? -size : size, letter };
}

// [lat, lon] of a typed position, latitude first unless the letters say otherwise; null where it
// cannot be understood. Takes 44.12345, -70.5 and 44° 7' 24" N 70° 30' 0" W.
export function readPlace(text) {
  const part = /^\s*[NSEW]/i.test(text) ? LED : ENDED;
  const parts = [...text.replace(/;/g, " ").matchAll(part)].map(degreesOf);
  const spare = text.replace(part, "").replace(/[\s,;]/g, "");
  if (parts.length !== 2 || parts.includes(null) || spare) return null;
  const [first, second] = parts;
  const swapped = "EW".includes(first.letter || "-") || "NS".includes(second.letter || "-");
  if (swapped && (first.letter === "" || second.letter === "")) return null;
  const [lat, lon] = swapped ? [second.value, first.value] : [first.value, second.value];
  return Math.abs(lat) <= 90 && Math.abs(lon) <= 180 ? rounded([lat, lon]) : null;
}
