// Words made from the data: the head, where to go first, what is to be known about the maps.

import { byId, node, user } from "../../shared/dom.js";
import { stateOf } from "../../model/decisions.js";
import { indexWords, lengthWords, minuteWords } from "../../model/lengths.js";
import { DATA, STATE, listen, spotOf } from "../data.js";
import { allReports, settledPlace, spotState } from "../reports.js";
import { isStanding } from "./form.js";
import { orderNow } from "./list.js";

export function fillHead() {
  listen("weights", showFirst);
  listen("reports", showFirst);
  const { label, area_ha: area, usable_share: share } = DATA.parcel;
  byId("parcel-name").textContent = label;
  byId("parcel-facts").textContent = area.toLocaleString("en") + " ha ("
    + (area * 2.4710538).toLocaleString("en", { maximumFractionDigits: 0 }) + " acres), "
    + Math.round(100 * share) + "\u00a0% open to a camera, " + DATA.spots.length
    + (DATA.spots.length === 1 ? " spot" : " spots");
  byId("order-note").hidden = DATA.spots.length < 2;
  byId("sure-words").hidden = !DATA.spots.some((spot) => spot.sure);
  showFirst();
  fillNotes();
}

// Where to go now: spots that were ruled out are skipped, and it says so when the reader's own
// ratios are in use.
function showFirst() {
  byId("first-words").replaceChildren(...firstWords());
  byId("first-next").textContent = nextWords();
}

// What to do when the place is no good, and how to report: said before anything is tapped.
function nextWords() {
  const ranks = orderNow().map(spotOf);
  if (!ranks.length || settledPlace() || ranks.some((spot) => isStanding(spotState(spot)))) return "";
  const free = ranks.filter((spot) => spotState(spot) !== "ruled out");
  if (!free.length) return "";
  return (free.length > 1 ? "No good when you get there? Report it as ruled out, with the reason, and "
    + "go to the next spot. " : "No good when you get there? Report it as ruled out, with the reason. ")
    + "To report, tap the spot, then “Report a visit”. To send your reports, open Visits.";
}

function firstWords() {
  const order = orderNow().map(spotOf), place = settledPlace();
  if (place && stateOf(allReports(), place.id) !== "taken down") {
    return [user(DATA.proposed.words), " Report on it under Visits."];
  }
  if (!order.length) {
    return ["No place on this parcel passed the survey's rules. Ask any place on the map to see why."];
  }
  const standing = order.filter((spot) => isStanding(spotState(spot)));
  if (standing.length) return standingWords(standing[0]);
  const left = order.filter((spot) => spotState(spot) !== "ruled out");
  if (!left.length) {
    return ["All spots are ruled out. Send your reports under Visits and ask your coordinator."];
  }
  // What was settled before is said above, or over by what was reported since.
  const asked = DATA.proposed && DATA.proposed.state === "proposed";
  const proposed = asked && left.find(({ n }) => n === DATA.proposed.spot);
  if (proposed && !STATE.moved) return [user(DATA.proposed.words), " ", ...aboutSpot(proposed)];
  return choiceWords(left, order);
}

// The spot to begin with where neither the survey nor a report has settled it.
function choiceWords(left, order) {
  const skipped = left.length < order.length;
  const alike = STATE.moved || skipped ? 0 : countAlike(left);
  if (alike > 1) {
    return ["These maps cannot rank spots 1 to " + alike + ": they have the same index, and any of "
      + "them may be the best. Start with the one that is easiest to reach. Spot 1: ",
    ...aboutSpot(left[0])];
  }
  const go = (STATE.moved ? "With your ratios, go to spot " : "Go to spot ") + left[0].n;
  if (skipped) return [go + " next. ", ...aboutSpot(left[0])];
  const highest = !STATE.moved && order.length > 1
    ? " Its index, " + indexWords(left[0].tenths) + ", is the highest here." : "";
  return [go + " first. ", ...aboutSpot(left[0]), highest];
}

// How many of the first spots are toss-ups, or plain ground, with one index: "first" says nothing.
function countAlike(spots) {
  const same = (spot) => (spot.plain || spot.sure === "toss-up") && spot.tenths === spots[0].tenths;
  const end = spots.findIndex((spot) => !same(spot));
  return end < 0 ? spots.length : end;
}

function standingWords(spot) {
  if (spotState(spot) === "chosen") {
    return ["You chose spot " + spot.n + ". ", ...aboutSpot(spot), " When the camera is up, report it "
      + "on the spot's card."];
  }
  return ["Your camera is up at spot " + spot.n + ". Report each check visit on the spot's card, and "
    + "send your reports under Visits."];
}

function aboutSpot({ title, walk, why: [why], face_brief: facing }) {
  return [walk && walk.outside ? walk.outside + " " : "", user(title),
    walk ? ", " + minuteWords(walk.there_min) + " on foot." : ".",
    why && !title.startsWith(why) ? [" ", user(why)] : "", facing ? " " + facing : ""].flat();
}

function fillNotes() {
  const found = DATA.notes.filter((note) => note.level === "warning");
  const taken = DATA.notes.filter((note) => note.level !== "warning");
  byId("warnings").replaceChildren(...found.map((note) => node("li", {}, user(note.text))));
  byId("warnings-box").hidden = found.length === 0;
  byId("assumptions").replaceChildren(...taken.map((note) => node("li", {}, user(note.text))));
  byId("assumptions-box").hidden = taken.length === 0;
  byId("missing-words").textContent = DATA.missing.length
    ? "Not judged here, because the maps do not show it: " + DATA.missing.join(", ") + "."
    : "";
  byId("precision-words").textContent = "Elevations are mapped in squares of "
    + lengthWords(DATA.dem_cell_m) + ", land cover in squares of " + lengthWords(DATA.cover_cell_m)
    + ". The page knows one place in every " + lengthWords(DATA.cells.cell_size_m)
    + ". A page made from finer or coarser maps of the same land may name other spots and headings.";
}
