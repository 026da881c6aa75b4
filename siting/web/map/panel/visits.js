// Been there: what a volunteer found, kept on the device where it allows, always to hand back.

import { byId, node, user } from "../../shared/dom.js";
import { saveFile } from "../../shared/save.js";
import { openStore } from "../../shared/store.js";
import { wrapped } from "../../model/frame.js";
import {
  MOST_LETTERS, STATES, isMarked, noVisits, readVisits, storeText, visitsCsv, visitsJson,
} from "../../model/visits.js";
import { DATA, announce, listen } from "../data.js";
import { setBadge } from "../land/markers.js";

const BADGES = { visited: "✓", chosen: "★", "ruled out": "✕" };
const NUMBERS = DATA.spots.map((spot) => spot.n);
const SPOTS = DATA.spots.map((spot) => ({ ...spot, lon: wrapped(spot.lon) }));
// The key holds the parcel and what only this page knows: its outline and its spots.
const STORE = openStore("siting visits " + DATA.parcel.key);
const HELD = readVisits(STORE.read(), NUMBERS);

export function visitOf(n) {
  return HELD.visits.get(n);
}

function keepVisits() {
  STORE.write(storeText(HELD.visits));
  announce("visits");
}

export function setUpVisits() {
  byId("visits-json").addEventListener("click", () =>
    save("visited.json", "application/json", handBack()));
  byId("visits-csv").addEventListener("click", () =>
    save("visited.csv", "text/csv", visitsCsv(HELD.visits, SPOTS)));
  byId("visits-forget").addEventListener("click", forgetVisits);
  listen("visits", showVisits);
}

function handBack() {
  return visitsJson(HELD.visits, SPOTS, DATA.parcel);
}

// Where nothing can be saved the text is there to be copied.
function save(name, type, text) {
  if (!saveFile(name, type, text)) byId("visits-plain").open = true;
}

function forgetVisits() {
  if (!window.confirm("Forget all marks and notes of this parcel on this device?")) return;
  HELD.visits = noVisits(NUMBERS);
  HELD.sound = true;
  STORE.forget();
  announce("visits");
  announce("forgotten");
}

export function visitForm(spot) {
  const visit = visitOf(spot.n), name = "visit-" + spot.n;
  const reason = node("div", { class: "reason" }, node("label", { for: name + "-reason" },
    "Why ruled out"), textInput("input", name + "-reason", visit, "reason"));
  reason.hidden = visit.state !== "ruled out";
  const choices = STATES.map(([state, label], i) => node("label", { class: "choice" },
    node("input", { type: "radio", name, value: state, id: name + "-" + i,
      checked: visit.state === state, onchange: () => {
        visit.state = state;
        reason.hidden = state !== "ruled out";
        keepVisits();
      } }), label));
  return node("section", { class: "visit" }, node("h3", {}, "Been there?"),
    node("fieldset", {}, node("legend", { class: "unseen" }, "Been there, spot " + spot.n), choices),
    reason,
    node("label", { for: name + "-note" }, "Note"), textInput("textarea", name + "-note", visit,
      "note"));
}

function textInput(tag, id, visit, field) {
  const input = node(tag, { id, maxlength: MOST_LETTERS, autocomplete: "off",
    rows: tag === "textarea" ? 2 : null,
    oninput: (event) => { visit[field] = event.target.value; keepVisits(); } });
  input.value = visit[field];
  return input;
}

export function showVisits() {
  DATA.spots.forEach(({ n }) => {
    const badge = BADGES[visitOf(n).state] || "";
    setBadge(n, badge);
    byId("row-" + n).querySelector(".dot")
      .replaceChildren(String(n), node("span", { class: "badge" }, badge));
  });
  const done = NUMBERS.filter((n) => isMarked(visitOf(n)));
  byId("visits-list").replaceChildren(...done.map(visitLine));
  byId("visits-none").hidden = done.length > 0;
  byId("visits-text").value = handBack();
  byId("visits-kept").textContent = keptWords();
}

function visitLine(n) {
  const { state, reason, note } = visitOf(n);
  return node("li", {}, "Spot " + n + ": " + (state || "no mark"),
    state === "ruled out" && reason ? [" (", user(reason), ")"] : "",
    note ? [". ", user(note)] : "");
}

function keptWords() {
  if (!STORE.works) {
    return "This browser keeps nothing: save your marks to a file before you close the page.";
  }
  const where = "Marks and notes stay in this browser on this device only. Save them to a file to "
    + "hand back.";
  return HELD.sound ? where : "Some of what this browser kept for the page was damaged and was left "
    + "out: check your marks. " + where;
}
