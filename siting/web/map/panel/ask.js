// Ask any place: its index, the rules it breaks, better ground nearby, what is near.

import { byId, node, section, user } from "../../shared/dom.js";
import { showTab } from "../../shared/tabs.js";
import { OUTSIDE, cellAt, cellCentre, decoded, nearestCell } from "../../model/cells.js";
import { featuresNear } from "../../model/distance.js";
import { applyFit, wrapped } from "../../model/frame.js";
import { coarseWords, indexWords, tenths, windOf } from "../../model/lengths.js";
import { CELLS, DATA, PLACES, STATE, cellTenths, listen } from "../data.js";
import { MAP, pathOptions } from "../land/map.js";
import { reportsOf, round7 } from "../reports.js";
import { partBars } from "./bars.js";
import { visitForm } from "./form.js";

const LAYER = L.layerGroup();
// Better by a clear step: one and a half tenths of the index more is within what maps can tell.
const BETTER_TIMES = 1.15;
const NEAR_M = 60;

export function setUpAsking() {
  LAYER.addTo(MAP);
  const again = () => { if (CELLS.ready && STATE.asked) tell(STATE.asked); };
  listen("rested", again);
  listen("reports", again);
}

export function ask(latlng) {
  if (!CELLS.ready) return;
  STATE.asked = latlng;
  tell(latlng);
  showTab("ask", true);
}

function tell(latlng) {
  const answer = answerAt(...PLACES.metresOf(latlng.lat, latlng.lng));
  showAnswer(answer, latlng);
  drawAnswer(answer, latlng);
}

function answerAt(easting, northing) {
  const index = cellAt(DATA.cells, easting, northing);
  const bits = index < 0 ? OUTSIDE : CELLS.bits[index];
  const answer = { easting, northing, index, bits, found: NaN, better: null };
  if (bits & OUTSIDE) return answer;
  answer.found = cellTenths(index);
  answer.better = betterNear(answer);
  return answer;
}

// The nearest allowed cell that is better than here by a clear step; from a no-go place, the
// nearest allowed cell that is worth a look at all.
function betterNear({ easting, northing, bits, found }) {
  const wanted = bits || Number.isNaN(found)
    ? tenths(DATA.scoring.lowest_index) : Math.max(found + 1, found * BETTER_TIMES);
  const nearest = nearestCell(DATA.cells, easting, northing,
    (index) => !CELLS.bits[index] && cellTenths(index) >= wanted);
  if (!nearest) return null;
  const [e, n] = cellCentre(DATA.cells, nearest.index);
  return { easting: e, northing: n, metres: nearest.metres, found: cellTenths(nearest.index),
    wind: windOf(Math.atan2(e - easting, n - northing) * 180 / Math.PI) };
}

function showAnswer(answer, latlng) {
  const head = answerHead(answer);
  byId("ask-answer").replaceChildren(
    node("p", { class: "answer-head" + (answer.bits ? " answer-no" : "") }, head),
    brokenRules(answer),
    betterWords(answer),
    answer.bits & OUTSIDE ? "" : section(answer.bits ? "What the index would be made of"
      : "Parts of the index", partBars((name) => {
      const plane = CELLS.parts[name];
      return plane ? decoded(plane[answer.index]) : undefined;
    }), headingNote()),
    nearWords(answer),
    askedPosition(answer, latlng),
    answer.bits & OUTSIDE ? "" : markHere(latlng));
  byId("ask-spoken").textContent = head;
  byId("ask-hint").hidden = true;
}

function askedPosition({ easting, northing }, latlng) {
  const [e, n] = applyFit(DATA.frame.to_utm, easting, northing);
  const degrees = latlng.lat.toFixed(5) + ", " + wrapped(latlng.lng).toFixed(5);
  return section("Position", node("p", {}, node("a", { class: "geo",
    href: "geo:" + degrees.replace(" ", "") }, degrees), " (latitude, longitude). "
    + DATA.frame.utm_name + ", " + e.toFixed(0) + " E, " + n.toFixed(0) + " N."));
}

// A tree found on the way can be reported though it is on no list.
function markHere({ lat, lng }) {
  const place = { lat: round7(lat), lon: round7(wrapped(lng)) };
  const key = [place.lat, place.lon].join(" ");
  return node("details", { class: "fold fold-mark", open: reportsOf(key).length > 0 },
    node("summary", {}, "Mark this place"),
    node("p", { class: "small" }, "For a good tree that you found yourself, or a place to leave out."),
    visitForm(place, { key, name: "asked" }));
}

function answerHead({ bits, found }) {
  if (bits & OUTSIDE) return "Outside the parcel.";
  if (bits) {
    return "No camera here: " + DATA.rules.filter((rule) => bits & rule.bit)
      .map((rule) => rule.label).join(", ") + ".";
  }
  if (Number.isNaN(found)) return "No index here: the maps do not say enough.";
  return "Index " + indexWords(found) + " here (1 is plain ground)"
    + (STATE.moved ? ", with your ratios." : ".");
}

function headingNote() {
  const judged = DATA.criteria.filter((c) => !c.cells && STATE.weights[c.name] !== 1);
  if (!judged.length) return "";
  return node("p", { class: "small" }, judged.map((c) => c.label).join(", ")
    + " is worked out for the numbered spots only, so a spot's index and that of the ground "
    + "under it can differ.");
}

function brokenRules(answer) {
  const broken = DATA.rules.filter((rule) => answer.bits & rule.bit);
  if (!broken.length) return "";
  return node("ul", { class: "broken" }, broken.map((rule) => node("li", {},
    rule.text, rule.layers.map((key) => nearestOf(key, answer)))));
}

// " Here: about 30 m from County road."
function nearestOf(key, answer) {
  const found = featuresNear(DATA.layers, stepsOf(answer), key)[0];
  if (!found) return "";
  const far = found.metres < 0.05 ? "in or on "
    : found.metres <= DATA.exact_m ? "close to " : coarseWords(found.metres, DATA.exact_m) + " from ";
  return [" Here: " + far, found.text ? user(found.text) : "it", "."];
}

function betterWords({ bits, better }) {
  if (bits & OUTSIDE) return "";
  if (!better) return node("p", {}, "No better ground is allowed in this parcel.");
  const what = bits ? "Nearest allowed ground: " : "Nearest better ground: ";
  const far = coarseWords(better.metres, DATA.exact_m);
  const wind = better.metres <= DATA.exact_m ? "" : " to the " + better.wind;
  return node("p", { class: "better" }, what + far + wind + ", index "
    + indexWords(better.found) + ". The dotted line leads there.");
}

function nearWords(answer) {
  const near = featuresNear(DATA.layers, stepsOf(answer)).filter((found) => found.metres <= NEAR_M).slice(0, 6);
  if (!near.length) return "";
  return section("What is near", node("ul", {}, near.map((found) => node("li", {},
    found.label + (found.text ? ": " : ""), found.text ? user(found.text) : "", ", ",
    found.metres < 0.05 ? "here" : coarseWords(found.metres, DATA.exact_m)))));
}

function drawAnswer(answer, latlng) {
  LAYER.clearLayers();
  const mark = node("span", { class: "asked" });
  const icon = L.divIcon({ className: "name-holder", html: mark, iconSize: [0, 0] });
  LAYER.addLayer(L.marker(latlng, { icon, interactive: false, keyboard: false,
    pane: "places" }));
  if (!answer.better) return;
  const to = PLACES.degreesOf(answer.better.easting, answer.better.northing);
  ["better-case", "better-line"].forEach((name) => LAYER.addLayer(
    L.polyline([latlng, to], pathOptions("marks", name, { fill: false }))));
  LAYER.addLayer(L.circleMarker(to, pathOptions("marks", "better-end", { radius: 6,
    fillOpacity: 1 })));
}

// A place of the grid in the steps that layers are drawn in.
function stepsOf({ easting, northing }) {
  return [(easting - DATA.origin[0]) * 10, (DATA.origin[1] - northing) * 10];
}
