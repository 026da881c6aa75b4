// What a volunteer reports: one record for each thing decided or done at a place, in the format of
// docs/decisions.md. `fields` says what each field may hold (siting/report/page/form.py).

const STORE_FORMAT = "siting page 1";
const MOST_RECORDS = 1000;
const MOMENT = /^\d{4}-\d\d-\d\d(T\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d))?$/;
// The states after which a camera stands at the place.
export const STANDING = ["camera up", "checked", "moved"];

const FITS = {
  text: (value, { most }) => typeof value === "string" && value.length <= most,
  moment: (value) => typeof value === "string" && MOMENT.test(value) && !Number.isNaN(Date.parse(value)),
  choice: (value, { of }) => of.includes(value),
  several: (value, { of }) => Array.isArray(value) && value.every((one) => of.includes(one)),
  number: (value, { least, most }) => typeof value === "number" && Number.isFinite(value)
    && (least === null || value >= least) && (most === null || value <= most),
  integer: (value, field) => Number.isInteger(value) && FITS.number(value, field),
};

export function fits(value, field) {
  return FITS[field.kind](value, field);
}

// --- reading a store that anyone could have written -----------------------------------------

// Returns `records`, `device` ("" for none) and `sound`, false where something was left out.
export function readStore(text, fields) {
  if (text === null) return { records: [], device: "", sound: true };
  const held = parsed(text);
  if (own(held, "format") !== STORE_FORMAT || !Array.isArray(own(held, "records"))) {
    return { records: [], device: "", sound: false };
  }
  const read = own(held, "records").slice(0, MOST_RECORDS).map((raw) => readRecord(raw, fields));
  const device = own(held, "device");
  const named = typeof device === "string" && /^[a-z0-9]{1,20}$/.test(device);
  return {
    records: read.map(({ record }) => record).filter(Boolean),
    device: named ? device : "",
    sound: named && read.every(({ sound }) => sound),
  };
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch (error) {
    return null;
  }
}

function own(value, name) {
  const isRecord = typeof value === "object" && value !== null && !Array.isArray(value);
  return isRecord && Object.prototype.hasOwnProperty.call(value, name) ? value[name] : undefined;
}

// Field by field into an object without a prototype; what is not of its kind is left out.
function readRecord(raw, fields) {
  const record = Object.create(null);
  let sound = typeof raw === "object" && raw !== null
    && Object.keys(raw).every((name) => Object.prototype.hasOwnProperty.call(fields, name));
  Object.entries(fields).forEach(([name, field]) => {
    const value = own(raw, name);
    if (value === undefined) return;
    if (fits(value, field)) record[name] = value;
    else sound = false;
  });
  const whole = "state" in record && "at" in record && "lat" in record && "lon" in record
    && (record.state === "ruled out") === ("reason" in record);
  return { record: whole ? record : null, sound: sound && whole };
}

export function storeText(records, device) {
  return JSON.stringify({ format: STORE_FORMAT, device, records });
}

// --- what holds of a place ------------------------------------------------------------------

// A place on the list is known by its identifier, another by where it was pointed out.
export function placeOf(record) {
  return record.location || [record.planned_lat, record.planned_lon].join(" ");
}

// A day without a time of day counts as its noon, as in the program.
function when({ at }) {
  return Date.parse(at.length === 10 ? at + "T12:00:00Z" : at);
}

export function inOrder(records) {
  return records.map((record, i) => [record, i])
    .sort(([a, i], [b, k]) => when(a) - when(b) || i - k).map(([record]) => record);
}

// The state of a place: that of its last record, "" without one.
export function stateOf(records, place) {
  const all = inOrder(records.filter((record) => placeOf(record) === place));
  return all.length ? all[all.length - 1].state : "";
}

// --- writing ---------------------------------------------------------------------------------

// The moment in the reader's own time with its offset: 2027-04-03T10:20:00-05:00.
export function momentText(date) {
  const two = (value) => String(Math.floor(Math.abs(value))).padStart(2, "0");
  const offset = -date.getTimezoneOffset();
  const day = [date.getFullYear(), two(date.getMonth() + 1), two(date.getDate())].join("-");
  const time = [date.getHours(), date.getMinutes(), date.getSeconds()].map(two).join(":");
  return day + "T" + time + (offset < 0 ? "-" : "+") + two(offset / 60) + ":" + two(offset % 60);
}

export function decisionsJson(records, { format, parcel, device, saved }) {
  return JSON.stringify({ format, parcel, device, saved, records: inOrder(records) }, null, 1) + "\n";
}

// A cell that a spreadsheet would run as a formula gets an apostrophe.
function csvCell(value) {
  const text = Array.isArray(value) ? value.join(" | ") : value === undefined ? "" : String(value);
  const safe = typeof value === "string" && /^[=+\-@\t\r]/.test(text) ? "'" + text : text;
  return /[",\r\n]/.test(safe) ? '"' + safe.replace(/"/g, '""') + '"' : safe;
}

export function decisionsCsv(records, { fields, parcel }) {
  const columns = Object.keys(fields);
  const rows = inOrder(records).map((record) => columns.map((name) =>
    csvCell(name === "parcel" ? parcel : record[name])));
  return [columns, ...rows].map((cells) => cells.join(",")).join("\r\n") + "\r\n";
}
