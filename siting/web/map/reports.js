// What was reported on this page: kept on the device where it allows, for all parts of the page.

import { openStore } from "../shared/store.js";
import { wrapped } from "../model/frame.js";
import {
  decisionsCsv, decisionsJson, momentText, placeOf, readStore, stateOf, storeText,
} from "../model/decisions.js";
import { DATA, announce } from "./data.js";

const FORM = DATA.form;
// The key holds the parcel and what only this page knows: its outline and its spots.
const STORE = openStore("siting visits " + DATA.parcel.key);
const HELD = readStore(STORE.read(), FORM.fields);
if (!HELD.device) HELD.device = newDevice();

function newDevice() {
  const letters = "abcdefghijkmnpqrstuvwxyz23456789";
  return Array.from(crypto.getRandomValues(new Uint8Array(8)), (b) => letters[b % 32]).join("");
}

// "kept", "damaged" where something stored had to be left out, "not kept" where nothing is stored.
export function storeState() {
  if (!STORE.works) return "not kept";
  return HELD.sound ? "kept" : "damaged";
}

export function allReports() {
  return HELD.records;
}

export function reportsOf(place) {
  return HELD.records.filter((record) => placeOf(record) === place);
}

// What was reported here; else what the survey knew of the spot when the page was made.
export function spotState(spot) {
  return stateOf(HELD.records, spot.id) || (isSettled() && DATA.proposed.spot === spot.n
    ? DATA.proposed.state : "");
}

// A place was chosen, or a camera put up, before the page was made.
function isSettled() {
  return DATA.proposed !== null && DATA.proposed.state !== "proposed";
}

// The place that was settled on, where it is no spot of this page; else null.
export function settledPlace() {
  return isSettled() ? DATA.proposed.place : null;
}

export function addReport(record) {
  HELD.records = HELD.records.concat(record);
  keep();
}

export function removeReport(record) {
  HELD.records = HELD.records.filter((other) => other !== record);
  keep();
}

export function forgetReports() {
  HELD.records = [];
  HELD.sound = true;
  STORE.forget();
  announce("reports");
}

function keep() {
  STORE.write(storeText(HELD.records, HELD.device));
  announce("reports");
}

// What a record says of the place it is about. A place of one's own has no identifier.
export function placeFields({ id = "", n = null, lat, lon, radius_m: radius = null }) {
  const planned = { planned_lat: round7(lat), planned_lon: round7(wrapped(lon)) };
  return { ...(id ? { location: id } : {}), ...(n === null ? {} : { spot: n }), ...planned,
    ...(radius === null ? {} : { radius_m: radius }) };
}

export function round7(degrees) {
  return Number(degrees.toFixed(7));
}

export function reportsJson() {
  return decisionsJson(HELD.records, { format: FORM.format, parcel: DATA.parcel.id,
    device: HELD.device, saved: momentText(new Date()) });
}

export function reportsCsv() {
  return decisionsCsv(HELD.records, { fields: FORM.fields, parcel: DATA.parcel.id });
}
