// Places drawn at random in the list: what to do at each, and the same form as for a spot.

import { CALMLY, byId, node } from "../../shared/dom.js";
import { copyAndSay } from "../../shared/save.js";
import { showTab } from "../../shared/tabs.js";
import { DATA, listen } from "../data.js";
import { setDrawnBadge, showDrawnPlace } from "../land/drawn.js";
import { closeUp } from "../land/map.js";
import { BADGES, placeState } from "../reports.js";
import { visitForm } from "./form.js";

const FOLDS = new Map();

export function buildDrawn() {
  byId("drawn-box").hidden = !DATA.drawn.length;
  DATA.drawn.forEach((place, i) => {
    const fold = node("details", { class: "fold", id: "drawn-" + (i + 1) });
    fold.addEventListener("toggle", () => { if (fold.open) opened(place, fold); });
    FOLDS.set(place.id, fold);
    byId("drawn-list").append(fold);
  });
  listen("reports", showDrawn);
  showDrawn();
}

function showDrawn() {
  DATA.drawn.forEach((place) => {
    const state = placeState(place.id), badge = BADGES[state] || "", fold = FOLDS.get(place.id);
    setDrawnBadge(place.id, badge, state === "ruled out");
    const said = state ? ": " + (DATA.form.states[state] || "asked for by the survey") : "";
    fold.replaceChildren(node("summary", {}, node("span", { class: "drawn-sign" }, place.sign), " "
      + place.label[0].toUpperCase() + place.label.slice(1) + said),
    ...(fold.open ? content(place, fold.id) : []));
  });
}

function opened(place, fold) {
  FOLDS.forEach((other) => { if (other !== fold) other.open = false; });
  if (fold.children.length === 1) fold.append(...content(place, fold.id));
  showDrawnPlace(place);
}

function content(place, name) {
  const said = node("span", { role: "status", class: "small" });
  return [node("p", {}, place.words),
    node("p", {}, node("a", { href: "geo:" + place.degrees.replace(" ", ""), class: "geo" }, place.degrees),
      " (latitude, longitude) ", node("button", { type: "button", class: "quiet",
        onclick: () => copyAndSay(place.degrees, said) },
      "Copy", node("span", { class: "unseen" }, " the position")), " ", said),
    node("p", { class: "buttons" }, node("button", { type: "button", class: "closer",
      onclick: () => closeUp(place) }, "Look closer on the map")),
    visitForm(place, { key: place.id, name })];
}

// Open a place from the map or from the first words.
export function openDrawn(place) {
  const fold = FOLDS.get(place.id);
  showTab("spots");
  fold.open = true;
  fold.scrollIntoView({ block: "start", behavior: CALMLY ? "auto" : "smooth" });
}
