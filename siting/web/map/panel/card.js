// The card of a spot: what to do there; why and how it scores, folded; and the form.

import { byId, lines, node, section, user } from "../../shared/dom.js";
import { copyAndSay } from "../../shared/save.js";
import { DATA } from "../data.js";
import { closeUp } from "../land/map.js";
import { isStanding, spotState } from "../reports.js";
import { partBars } from "./bars.js";
import { visitForm } from "./form.js";
import { rose } from "./rose.js";

// Cautions of the whole land are said once, folded; those of a spot or its walk stay on its card.
const COMMON_CAUTIONS = DATA.cautions_everywhere;

// Once a camera is to go here, the form comes first.
export function fillCard(spot) {
  const card = byId("card-" + spot.n);
  const open = [...card.querySelectorAll("details[open]")].map((one) => one.dataset.fold);
  const form = visitForm(spot, { key: spot.id, name: "visit-" + spot.n });
  const chosen = isStanding(spotState(spot));
  card.replaceChildren(
    chosen ? form : "",
    node("p", { class: "buttons" }, node("button", { type: "button", class: "closer",
      onclick: () => closeUp(spot) }, "Look closer on the map"),
    chosen ? "" : node("button", { type: "button", onclick: () => goToForm(spot) }, "Report a visit")),
    facts(spot),
    COMMON_CAUTIONS.length ? fold("cautions", "Take care everywhere on this parcel ("
      + COMMON_CAUTIONS.length + ")", lines(COMMON_CAUTIONS)) : "",
    fold("check", "Check on site (" + spot.check.length + ")", lines(spot.check)),
    fold("why", "Why here, and how sure", ...whyParts(spot)),
    fold("parts", "Parts of the index", partBars((name) => spot.memberships[name])),
    spot.aim && spot.aim.rose.length ? fold("rose", "All headings", rose(spot.aim)) : "",
    chosen ? "" : form);
  card.querySelectorAll("details").forEach((one) => { one.open = open.includes(one.dataset.fold); });
}

// The form stands under the folds: one tap brings it up.
function goToForm({ n }) {
  const choice = byId("visit-" + n + "-state");
  choice.scrollIntoView({ block: "center" });
  choice.focus({ preventScroll: true });
}

function fold(name, title, ...content) {
  return node("details", { class: "fold fold-" + name, "data-fold": name },
    node("summary", {}, title), ...content);
}

function whyParts(spot) {
  return [lines(spot.why),
    spot.pulled_down.length ? section("What lowered its index", lines(spot.pulled_down)) : "",
    spot.stability ? section("How sure is its rank?", lines([spot.stability])) : ""];
}

function facts(spot) {
  const rows = [
    ["Go", texts(spot.go)],
    ["Position", position(spot)],
    ["Look", texts(spot.look)],
    ["Face", texts(spot.face)],
    ["Hang", texts([spot.lens])],
    ["Clear", texts(spot.clear)],
    ["Take care", texts(spot.cautions.filter((text) => !COMMON_CAUTIONS.includes(text)))],
  ];
  return node("dl", { class: "facts" }, rows.filter(([, content]) => content.length)
    .flatMap(([name, content]) => [node("dt", {}, name), node("dd", {}, content)]));
}

function texts(words) {
  return words.map((text) => node("p", {}, user(text)));
}

// Tapped, it opens the phone's own map; copied, it goes into a message.
function position({ position: { degrees, geo, grid } }) {
  const said = node("span", { role: "status", class: "small" });
  return [
    node("p", {}, node("a", { href: geo, class: "geo" }, degrees), " (latitude, longitude) ",
      node("button", { type: "button", class: "quiet", onclick: () => copyAndSay(degrees, said) },
        "Copy", node("span", { class: "unseen" }, " the position")), " ", said),
    node("p", { class: "small" }, grid)];
}
