// The table of survey cells: who gets the camera, who is in reserve, and why.

import { byId, node, user } from "../shared/dom.js";
import { COL, DATA, EVERY, choose } from "./data.js";

export function drawCells() {
  if (!DATA.cells.length) return;
  const filled = DATA.cells.filter((cell) => cell.parcel).length;
  byId("cells-count").textContent =
    `A camera is proposed for ${filled} of ${DATA.cells.length} survey cells.`;
  const number = new Map(EVERY.map((i) => [COL.id[i], i]));
  const pick = (id) => node("button", { type: "button", class: "pick",
    onclick: () => choose(number.get(id), "table") }, user(id));
  // A coordinator knows the land by its label as well as by its number.
  const label = (id) => {
    const words = COL.label[number.get(id)];
    return words && words !== id ? node("span", { class: "sub" }, user(words)) : "";
  };
  byId("cell-rows").replaceChildren(...DATA.cells.map((cell) => node("tr", {},
    node("th", { scope: "row" }, user(cell.cell)),
    node("td", { "data-head": "Camera" }, cell.parcel
      ? [pick(cell.parcel), label(cell.parcel), node("span", { class: "sub" }, cell.random
        ? "a random place" : cell.spot === null ? "a place of its own" : `spot ${cell.spot}`)]
      : node("span", { class: "failed" }, "none")),
    node("td", { class: "n", "data-head": "Index" }, cell.index === null ? "–" : cell.index.toFixed(1)),
    node("td", { class: "place", "data-head": "Place" }, user(cell.place)),
    node("td", { "data-head": "Reserves" },
      cell.reserves.length ? cell.reserves.map((id) => node("div", {}, pick(id))) : "–"),
    node("td", { class: "words", "data-head": "Why" }, cell.reason,
      cell.traded ? node("span", { class: "sub" }, `Given up: ${cell.traded}`) : ""),
  )));
}
