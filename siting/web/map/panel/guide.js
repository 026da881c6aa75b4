// Words made from the data: the head, where to go first, what is to be known about the maps.

import { byId, node, user } from "../../shared/dom.js";
import { lengthWords, minuteWords } from "../../model/lengths.js";
import { DATA, STATE, listen, spotOf } from "../data.js";
import { orderNow } from "./list.js";
import { visitOf } from "./visits.js";

export function fillHead() {
  listen("weights", showFirst);
  listen("visits", showFirst);
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

// Where to go now: what was ruled out is passed over, and the reader's own weights are told.
function showFirst() {
  byId("first-words").replaceChildren(...firstWords());
}

function firstWords() {
  const order = orderNow().map(spotOf);
  if (!order.length) {
    return ["No place on this parcel passed the survey's rules. Ask any place on the map to see why."];
  }
  const chosen = order.filter((spot) => visitOf(spot.n).state === "chosen");
  if (chosen.length) {
    return ["Camera at spot " + chosen.map((spot) => spot.n).join(" and spot ")
      + ". Save your marks under Visits and hand the file back."];
  }
  const left = order.filter((spot) => visitOf(spot.n).state !== "ruled out");
  if (!left.length) {
    return ["All spots are ruled out. Save your marks under Visits and ask your coordinator."];
  }
  const go = (STATE.moved ? "With your weights, go to spot " : "Go to spot ") + left[0].n;
  return [go + (left.length < order.length ? " next. " : " first. "), ...aboutSpot(left[0])];
}

function aboutSpot({ title, walk, face_brief: facing }) {
  return [user(title), walk ? ", " + minuteWords(walk.there_min) + " on foot." : ".",
    facing ? " " + facing : ""];
}

function fillNotes() {
  const told = DATA.notes.filter((note) => note.level === "warning");
  const taken = DATA.notes.filter((note) => note.level !== "warning");
  byId("warnings").replaceChildren(...told.map((note) => node("li", {}, user(note.text))));
  byId("warnings-box").hidden = told.length === 0;
  byId("assumptions").replaceChildren(...taken.map((note) => node("li", {}, user(note.text))));
  byId("assumptions-box").hidden = taken.length === 0;
  byId("missing-words").textContent = DATA.missing.length
    ? "Not judged here, because nothing was given to judge it by: " + DATA.missing.join(", ") + "."
    : "";
  byId("precision-words").textContent = "The elevations come in cells of "
    + lengthWords(DATA.dem_cell_m) + ", the land cover in cells of " + lengthWords(DATA.cover_cell_m)
    + ". The page knows one place in every " + lengthWords(DATA.cells.cell_size_m) + ".";
}
