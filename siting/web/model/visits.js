// What a volunteer found at the spots: read from a store that anyone could have written, and
// written out for the program (siting/read/vector/visit_file.py reads both forms).

export const STATES = [["", "Not yet"], ["visited", "Visited"], ["chosen", "Chosen: camera here"],
  ["ruled out", "Ruled out"]];
const TEXTS = ["reason", "note"];
export const MOST_LETTERS = 500;

function blank() {
  return { state: "", reason: "", note: "" };
}

// One mark to each number, in a Map: a name such as __proto__ has no meaning there.
export function noVisits(numbers) {
  return new Map(numbers.map((n) => [n, blank()]));
}

// The marks that a stored text holds, field by field; what is not of its kind is left out.
// Returns them with `sound`, false where something had to be left out.
export function readVisits(text, numbers) {
  const visits = noVisits(numbers);
  if (text === null) return { visits, sound: true };
  let held;
  try {
    held = JSON.parse(text);
  } catch (error) {
    return { visits, sound: false };
  }
  if (!isRecord(held)) return { visits, sound: false };
  let sound = Object.keys(held).every((key) => visits.has(Number(key)));
  visits.forEach((visit, n) => {
    const found = Object.prototype.hasOwnProperty.call(held, String(n)) ? held[String(n)] : blank();
    if (!fill(visit, found)) sound = false;
  });
  return { visits, sound };
}

function isRecord(value) {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}

function fill(visit, found) {
  if (!isRecord(found)) return false;
  let sound = true;
  const own = (name) => (Object.prototype.hasOwnProperty.call(found, name) ? found[name] : "");
  if (STATES.some(([state]) => state === own("state"))) visit.state = own("state");
  else sound = false;
  TEXTS.forEach((name) => {
    if (typeof own(name) === "string") visit[name] = own(name).slice(0, MOST_LETTERS);
    else sound = false;
  });
  return sound;
}

export function storeText(visits) {
  return JSON.stringify(Object.fromEntries(visits));
}

export function isMarked(visit) {
  return Boolean(visit.state || visit.note);
}

// One row for each marked spot. `spots` carry n, lat, lon (within 180 degrees) and radius_m.
function rows(visits, spots) {
  return spots.filter(({ n }) => isMarked(visits.get(n))).map(({ n, lat, lon, radius_m }) => {
    const { state, reason, note } = visits.get(n);
    return { spot: n, lat, lon: Number(lon.toFixed(7)), radius_m, state,
      reason: state === "ruled out" ? reason : "", note };
  });
}

export function visitsJson(visits, spots, parcel) {
  return JSON.stringify({ format: "siting visited 1", parcel: parcel.id, page: parcel.key,
    spots: rows(visits, spots) }, null, 1) + "\n";
}

// A cell that a spreadsheet would run as a formula gets an apostrophe.
function csvCell(value) {
  const text = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? "'" + value : String(value);
  return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
}

export function visitsCsv(visits, spots) {
  const columns = ["spot", "lat", "lon", "radius_m", "state", "reason", "note"];
  return [columns].concat(rows(visits, spots).map((row) => columns.map((name) => csvCell(row[name]))))
    .map((cells) => cells.join(",")).join("\r\n") + "\r\n";
}
