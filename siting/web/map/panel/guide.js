// Words made from the data: the head, where to go first, what is to be known about the maps.

import { byId, node, user } from "../../shared/dom.js";
import { beginAt, nearest } from "../../model/choice.js";
import { indexWords, lengthWords, minuteWords } from "../../model/lengths.js";
import { DATA, STATE, listen } from "../data.js";
import {
  drawnPlace, freeSpots, isOver, isStanding, nextSpare, placeOffList, placeState, proposedSpot,
  spotState, standingDrawn, standingSpot, takenSpots,
} from "../reports.js";
import { openDrawn } from "./drawn.js";

export function fillHead() {
  listen("weights", showFirst);
  listen("reports", showFirst);
  const { label, area, usable_share: share } = DATA.parcel;
  byId("parcel-name").textContent = label;
  byId("parcel-facts").textContent = area + ", "
    + Math.round(100 * share) + "\u00a0% open to a camera, " + DATA.found;
  byId("day-box").hidden = !DATA.spots.length && !DATA.drawn.length;
  byId("order-note").hidden = DATA.spots.length < 2 || DATA.plain;
  byId("sure-words").hidden = !DATA.spots.some((spot) => spot.sure);
  showFirst();
  fillNotes();
}

// Where to go now: spots that were ruled out are skipped, and it says so when the reader's own
// ratios are in use. The first line is the answer, the others say where that is and which way.
function showFirst() {
  byId("first-words").replaceChildren(...firstLines().filter((line) => line.length)
    .flatMap((line) => [node("span", { class: "line" }, line), " "]));
  const steps = nextSteps();
  byId("first-next").replaceChildren(...(steps.length ? [node("h2", {}, "No good when you get there?"),
    node("ul", {}, steps.map((step) => node("li", {}, step)))] : []));
  // Where one spot is asked for or settled, how to choose between them is not the question.
  byId("alike-words").hidden = Boolean(proposedSpot() || standingSpot());
}

// What to do when the place is no good, and how to report: said before anything is tapped.
function nextSteps() {
  const free = freeSpots(), place = placeOffList();
  if (standingSpot() || standingDrawn()) return [];
  const drawn = drawnNow();
  if (drawn) return drawnSteps(drawn);
  if (!free.length || place && drawnPlace(place.id)) return [];
  if (place && !isOver(place)) {
    return DATA.proposed.state === "proposed" ? ["Report it under Visits as ruled out, and say why.",
      "Go to spot " + free[0].n + "."] : [];
  }
  const what = DATA.plain ? "area" : "spot";
  return ["Tap the " + what + " in the list, then “Report a visit”: ruled out, and why.",
    free.length > 1 ? "Go to the next " + what + "." : "",
    "Send your reports under Visits."].filter(Boolean);
}

// On a telephone the answer stands above the map, on a desk beside it; on paper as on a desk.
const BESIDE = "print, (min-width: 900px), (min-width: 560px) and (max-height: 480px)";

export function placeAnswer(beside) {
  if (beside) byId("answer-here").append(byId("answer"));
  else byId("map-frame").before(byId("answer"));
}

export function setUpAnswer() {
  const found = window.matchMedia(BESIDE);
  found.addEventListener("change", () => placeAnswer(found.matches));
  placeAnswer(found.matches);
}

function firstLines() {
  const place = placeOffList(), standing = standingSpot(), left = freeSpots(), drawn = drawnNow();
  if (standingDrawn()) return standingDrawnLines(standingDrawn());
  if (drawn && !standing) return drawnLines(drawn);
  if (place && drawnPlace(place.id) && isOver(place)) {
    return [[placeState(place.id) === "taken down" ? "Your camera is down. Send your reports under Visits."
      : "No spare of this habitat is left. Send your reports under Visits and ask your coordinator."]];
  }
  if (place && !isOver(place)) {
    return [[user(DATA.proposed.words), " Report on it under Visits."]];
  }
  if (!DATA.spots.length) {
    return [["No place on this parcel passed the survey's rules. Ask any place on the map to see why."]];
  }
  if (standing) return standingLines(standing);
  if (!left.length) {
    return [[takenSpots().size ? takenWords([...takenSpots()]) + " No other spot is left."
      : "All spots are ruled out."], ["Send your reports under Visits and ask your coordinator."]];
  }
  // What was settled before is said above, or over by what was reported since.
  const proposed = proposedSpot();
  if (proposed) return [[user(DATA.proposed.words)], ...aboutSpot(proposed)];
  return choiceLines(left);
}

// Areas to look over have no order, and no direction to face before a place in them is found. The
// warning above says what to look for: the reason of each would only repeat it.
function areaLines(left) {
  const area = nearest(left);
  if (DATA.spots.length > 1 && !area.walk) return [["Start with the area that is easiest to reach."]];
  return [[DATA.spots.length > 1 ? "Start with area " + area.n + ": it has the shortest walk."
    : "There is one area to look over."], ...aboutSpot({ ...area, why: [], face_brief: "" })];
}

// The spot to begin with where neither the survey nor a report has settled it.
function choiceLines(left) {
  const skipped = left.length < DATA.spots.length;
  if (DATA.plain) {
    return areaLines(left);
  }
  // Numbers of spots that are passed over, as people were reported on the trail they stand on.
  const taken = [...takenSpots()].filter((n) => n < left[left.length - 1].n);
  const passedOver = taken.length ? [takenWords(taken)] : [];
  if (STATE.moved) {
    return [["With your ratios, go to spot " + left[0].n + (skipped ? " next." : " first.")], passedOver,
      ...aboutSpot(left[0])];
  }
  const { spot, alike, sure, passed } = beginAt(left, { among: DATA.among, unranked: !skipped });
  if (alike) {
    const best = sure ? " of those with no open question." : ".";
    return [["These maps cannot rank spots 1 to " + alike + ": any of them may be the best. Start with "
      + (spot.walk ? "spot " + spot.n + ": it has the shortest walk" + best
        : sure ? "spot " + spot.n + ", which has no open question." : "the one that is easiest to reach.")],
    ...aboutSpot(spot, "Spot " + spot.n + ": ")];
  }
  const { passed: earlier, alone } = DATA.doubts;
  if (spot.doubt) {
    return [[numbered(alone[spot.doubt], spot)], passedOver, ...aboutSpot(spot, "Spot " + spot.n + ": ")];
  }
  const why = passed ? [numbered(earlier[passed.doubt], passed)] : [];
  if (skipped) return [["Go to spot " + spot.n + " next."], passedOver, ...aboutSpot(spot), why];
  const highest = !passed && left.length > 1;
  return [["Go to spot " + spot.n + " first" + (spot.draws ? ": " + spot.draws : "") + "."], ...aboutSpot(spot),
    highest ? ["Its index, " + indexWords(spot.tenths) + ", is the highest here" + (spot.tenths < 10
      ? ", and still below that of plain ground, 1: its card says what holds it back." : ".")] : why];
}

function numbered(words, { n }) {
  return words.replaceAll("{n}", n);
}

// "Spot 2 is passed over: it is on the trail or crossing where you met people."
function takenWords(taken) {
  const one = taken.length === 1;
  return (one ? "Spot " : "Spots ") + taken.join(" and ") + (one ? " is" : " are")
    + " passed over: people use the trail or crossing there, by your report.";
}

// --- a camera at a place drawn at random ------------------------------------------------------

// The place drawn at random that is asked for, or the spare that takes its turn; null without one.
function drawnNow() {
  const place = placeOffList(), drawn = place ? drawnPlace(place.id) : undefined;
  if (!drawn || placeState(drawn.id) === "taken down") return null;
  return placeState(drawn.id) === "ruled out" ? nextSpare(drawn) || null : drawn;
}

function drawnLines(drawn) {
  const asked = drawn.id === placeOffList().id;
  return [[asked ? user(DATA.proposed.words) : "Go to the spare " + drawn.label.replace(" (spare)", "")
    + " (" + drawn.sign + " on the map) next."], [drawn.words], [drawnButton(drawn)]];
}

function drawnButton(drawn) {
  return node("button", { type: "button", class: "main-button", onclick: () => openDrawn(drawn) },
    "Open " + drawn.sign + " to report");
}

function drawnSteps(drawn) {
  if (isStanding(placeState(drawn.id))) return [];
  const spare = DATA.drawn.find((other) => other.spare && other.stratum === drawn.stratum
    && other.id !== drawn.id && placeState(other.id) !== "ruled out");
  return ["No tree or post, wet, unsafe, people use it, or the owner says no? Open " + drawn.sign
    + " and report it as ruled out. A dull view is no reason.",
  spare ? "Go to the spare " + spare.sign + "." : "Ask your coordinator for another place.",
  "Send your reports under Visits."];
}

function standingDrawnLines(drawn) {
  const up = placeState(drawn.id) !== "chosen";
  return [[(up ? "Your camera is up at " : "You chose ") + drawn.label + ", a place drawn at random."],
    [up ? "Report each check visit there, and send your reports under Visits."
      : "When the camera is up, report it there."], [drawnButton(drawn)]];
}

function standingLines(spot) {
  if (spotState(spot) === "chosen") {
    return [["You chose spot " + spot.n + "."], ...aboutSpot(spot),
      ["When the camera is up, report it on the spot's card."]];
  }
  return [["Your camera is up at spot " + spot.n + "."], ["Report each check visit on the spot's card, "
    + "and send your reports under Visits."]];
}

// Lines: what to ask first, where and why, which way to face.
function aboutSpot({ title, walk, why: [why], face_brief: facing }, name = "") {
  const where = [name, user(title), walk ? ", " + minuteWords(walk.there_min) + " on foot." : ".",
    why && !title.startsWith(why) ? [" ", user(why)] : ""].flat().filter(Boolean);
  return [walk && walk.outside ? [walk.outside] : [], where, facing ? [facing] : []];
}

function fillNotes() {
  const found = DATA.notes.filter((note) => note.level === "warning");
  const taken = DATA.notes.filter((note) => note.level !== "warning");
  byId("warnings").replaceChildren(...found.map((note) => node("li", {}, user(note.text))));
  byId("warnings-box").hidden = found.length === 0;
  byId("assumptions").replaceChildren(...taken.map((note) => node("li", {}, user(note.text))));
  byId("assumptions-box").hidden = taken.length === 0;
  byId("missing-words").textContent = DATA.missing.length
    ? "Not judged here, because the maps do not show it: " + DATA.missing.join("; ").toLowerCase() + "."
    : "";
  byId("precision-words").textContent = "Elevations are mapped in squares of "
    + lengthWords(DATA.dem_cell_m)
    + (DATA.cover_cell_m ? ", land cover in squares of " + lengthWords(DATA.cover_cell_m) : "")
    + ". The page knows one place in every " + lengthWords(DATA.cells.cell_size_m)
    + ". A page made from finer or coarser maps of the same land may name other spots and headings.";
}
