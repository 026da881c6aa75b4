// What was reported on this page: kept on the device where it allows, for all parts of the page.

import { openStore } from "../shared/store.js";
import { wrapped } from "../model/frame.js";
import {
  STANDING, decisionsCsv, decisionsJson, inOrder, momentText, placeOf, readStore, stateOf, storeText,
} from "../model/decisions.js";
import { ranked } from "../model/score.js";
import { DATA, RULES, STATE, announce, spotOf } from "./data.js";

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

// What stands for a state on the map and in the list.
export const BADGES = { proposed: "→", visited: "✓", chosen: "★", "ruled out": "✕", "camera up": "C",
  checked: "C", moved: "C", "taken down": "–" };

// The last that was reported of a place, by its name; for one that is asked for, what the survey
// knew of it when the page was made.
export function placeState(id) {
  const asked = placeOffList();
  return stateOf(HELD.records, id) || (asked && asked.id === id ? DATA.proposed.state : "");
}

// A place drawn at random, by its name; else undefined.
export function drawnPlace(id) {
  return DATA.drawn.find((place) => place.id === id);
}

// The next spare of the same habitat that nobody ruled out; else undefined.
export function nextSpare({ stratum }) {
  return DATA.drawn.find((place) => place.spare && place.stratum === stratum
    && placeState(place.id) !== "ruled out");
}

// The place drawn at random where a camera stands or is to go by a report; else undefined.
export function standingDrawn() {
  return DATA.drawn.find((place) => isStanding(stateOf(HELD.records, place.id)));
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

// The place that is asked for or was settled on, where it is no spot of this page; else null. It is
// over once the camera is down again or the place was ruled out.
export function placeOffList() {
  return DATA.proposed ? DATA.proposed.place : null;
}

export function isOver(place) {
  return ["taken down", "ruled out"].includes(stateOf(HELD.records, place.id));
}

// The spot that the survey asks for, while nothing speaks against it; else undefined.
export function proposedSpot() {
  const asked = DATA.proposed && DATA.proposed.state === "proposed" && !STATE.moved;
  return asked ? freeSpots().find(({ n }) => n === DATA.proposed.spot) : undefined;
}

// The spot that was chosen or has the camera; else undefined.
export function standingSpot() {
  return orderNow().map(spotOf).find((spot) => isStanding(spotState(spot)));
}

export function isStanding(state) {
  return state === "chosen" || STANDING.includes(state);
}

// The spots that were not ruled out, nor go with one that was, the best first.
export function freeSpots() {
  const taken = takenSpots();
  return orderNow().map(spotOf).filter((spot) => spotState(spot) !== "ruled out" && !taken.has(spot.n));
}

// Numbers of spots on the trail or crossing of another, where people were reported: the next run
// closes it. A spot that has its own report goes by that.
export function takenSpots() {
  const met = DATA.spots.filter(({ id }) => {
    const last = inOrder(reportsOf(id)).pop();
    return last && last.state === "ruled out" && last.reason === "people";
  });
  return new Set(met.flatMap(({ takes }) => takes).filter((n) => !stateOf(HELD.records, spotOf(n).id))
    .sort((a, b) => a - b));
}

// The numbers of the spots by score: the survey's, or with the reader's own ratios.
export function orderNow() {
  return (STATE.moved ? ranked(DATA.spots, STATE.weights, RULES) : DATA.spots).map(({ n }) => n);
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
