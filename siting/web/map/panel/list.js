// The ranked list, in step with the map.

import { CALMLY, byId, node, user } from "../../shared/dom.js";
import { showTab } from "../../shared/tabs.js";
import { indexWords, windOf } from "../../model/lengths.js";
import { DATA, STATE, announce, listen, spotOf, spotTenths } from "../data.js";
import { orderNow, proposedSpot, spotState, standingSpot, takenSpots } from "../reports.js";
import { fillCard } from "./card.js";

export function buildList() {
  const list = byId("spot-list");
  DATA.spots.forEach((spot) => list.append(listItem(spot)));
  list.addEventListener("keydown", moveInList);
  listen("weights", showOrder);
  listen("reports", showOrder);
  showOrder();
}

function listItem(spot) {
  const row = node("button", {
    type: "button", class: "spot-row", id: "row-" + spot.n, "aria-expanded": "false",
    "aria-controls": "card-" + spot.n, onclick: () => toggle(spot.n),
  },
  node("span", { class: "dot", "aria-hidden": "true" }, String(spot.n)),
  node("span", { class: "spot-text" },
    node("span", { class: "spot-asked", id: "asked-" + spot.n }),
    node("span", { class: "spot-title" }, node("span", { class: "unseen" }, "Spot " + spot.n + ": "),
      user(spot.title)),
    node("span", { class: "spot-why" }, user(spot.why[0] || "")),
    node("span", { class: "spot-do" }, briefly(spot)),
    node("span", { class: "spot-place", id: "place-" + spot.n })),
  node("span", { class: "spot-points" },
    node("b", { id: "points-" + spot.n }, indexWords(spot.tenths)), node("small", {}, "index")));
  const card = node("div", { class: "card", id: "card-" + spot.n, role: "region",
    "aria-label": "Spot " + spot.n, hidden: true });
  return node("li", { id: "item-" + spot.n }, row, card);
}

// What helps to choose between spots of nearly the same index, in pieces that do not break.
function briefly({ aim, walk, sure }) {
  const pieces = [aim ? "face " + windOf(aim.heading_deg) : "",
    walk ? Math.max(1, Math.ceil(walk.there_min)) + " min walk" : "", sure].filter(Boolean);
  return pieces.flatMap((words, i) => [i ? " · " : "", node("span", { class: "piece" }, words)]);
}

// As the list shows them: what is settled or the survey asks for first, what is ruled out last.
function shownOrder() {
  const asked = standingSpot() || proposedSpot();
  const place = (n) => (spotState(spotOf(n)) === "ruled out" ? 1 : asked && asked.n === n ? -1 : 0);
  return orderNow().sort((a, b) => place(a) - place(b));
}

function showOrder() {
  shownOrder().forEach((n) => byId("spot-list").append(byId("item-" + n)));
  const asked = proposedSpot(), taken = takenSpots();
  orderNow().forEach((n, i) => {
    byId("asked-" + n).textContent = asked && asked.n === n ? "Proposed by the survey" : "";
    byId("points-" + n).textContent = indexWords(spotTenths(spotOf(n)));
    byId("place-" + n).textContent = taken.has(n) ? "people use the trail or crossing here, by your report"
      : STATE.moved && i + 1 !== n ? "with your ratios: place " + (i + 1) : "";
  });
  refillCard();
}

// What an open card says of the index follows the ratios.
function refillCard() {
  const n = STATE.selected;
  if (n !== null && !byId("card-" + n).hidden) fillCard(spotOf(n));
}

function moveInList(event) {
  const rows = [...byId("spot-list").querySelectorAll(".spot-row")];
  const at = rows.indexOf(document.activeElement);
  const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: rows.length - 1 }[event.key];
  if (at < 0 || to === undefined) return;
  event.preventDefault();
  const row = rows[Math.max(0, Math.min(rows.length - 1, to))];
  row.focus();
  select(Number(row.id.slice(4)));
}

export function openSpot(n) {
  select(n);
  showTab("spots");
  showCard(n);
}

function toggle(n) {
  const open = !byId("card-" + n).hidden;
  select(n);
  if (open) hideCards();
  else showCard(n);
}

function select(n) {
  STATE.selected = n;
  DATA.spots.forEach((spot) => {
    const row = byId("row-" + spot.n);
    if (spot.n === n) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
  });
  announce("selected");
}

function hideCards() {
  DATA.spots.forEach((spot) => {
    byId("card-" + spot.n).hidden = true;
    byId("row-" + spot.n).setAttribute("aria-expanded", "false");
  });
}

function showCard(n) {
  hideCards();
  fillCard(spotOf(n));
  byId("card-" + n).hidden = false;
  byId("row-" + n).setAttribute("aria-expanded", "true");
  byId("item-" + n).scrollIntoView({ block: "start", behavior: CALMLY ? "auto" : "smooth" });
}
