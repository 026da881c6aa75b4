// The card of a spot: what to do there first, then why, then what was found.

import { byId, lines, node, section, user } from "../../shared/dom.js";
import { hundredths } from "../../model/lengths.js";
import { DATA } from "../data.js";
import { closeUp } from "../land/map.js";
import { partBars } from "./bars.js";
import { rose } from "./rose.js";
import { visitForm } from "./visits.js";

// Cautions of the whole land are said once, folded; those of a spot or its walk stay on its card.
const COMMON_CAUTIONS = DATA.cautions_everywhere;

export function fillCard(spot) {
  byId("card-" + spot.n).replaceChildren(
    node("p", {}, node("button", { type: "button", class: "closer", onclick: () => closeUp(spot) },
      "Look closer on the map")),
    facts(spot),
    commonCautions(),
    section("Why here", lines(spot.why)),
    spot.pulled_down.length ? section("What pulled it down", lines(spot.pulled_down)) : "",
    section("Parts of the score", partBars((name) => (name in spot.memberships
      ? hundredths(spot.memberships[name]) : undefined))),
    spot.aim && spot.aim.rose.length ? section("Headings", rose(spot.aim)) : "",
    section("Check on site", lines(spot.check)),
    spot.stability ? section("How sure is its place in the list?", lines([spot.stability])) : "",
    visitForm(spot));
}

function facts(spot) {
  const rows = [
    ["Go", spot.go],
    ["Look", spot.look],
    ["Face", spot.face],
    ["Hang", [spot.lens]],
    ["Clear", spot.clear],
    ["Take care", spot.cautions.filter((text) => !COMMON_CAUTIONS.includes(text))],
  ];
  return node("dl", { class: "facts" }, rows.filter(([, words]) => words.length)
    .flatMap(([name, words]) => [node("dt", {}, name),
      node("dd", {}, words.map((text) => node("p", {}, user(text))))]));
}

function commonCautions() {
  if (!COMMON_CAUTIONS.length) return "";
  return node("details", { class: "cautions" },
    node("summary", {}, "Take care everywhere on this parcel (" + COMMON_CAUTIONS.length + ")"),
    lines(COMMON_CAUTIONS));
}
