// The table: filters, order, a hundred rows at a time.

import { byId, node, user } from "../shared/dom.js";
import { COL, COUNT, DATA, EVERY, STATE, announce, choose, listen, oneColumn } from "./data.js";
import { FAILED } from "./signs.js";

const ROWS = 100;
const compare = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" }).compare;

const HEADS = [
  { key: "id", words: "Parcel", cell: parcelCell, look: "name" },
  { key: "cell", words: "Cell", cell: (i) => user(COL.cell[i]), look: "cell", off: !COL.cell.some(Boolean) },
  { key: "priority", words: "Priority", number: true, off: !COL.priority.some((v) => v !== null) },
  { key: "index", words: "Index", number: true, down: true, cell: indexCell },
  { key: "spots", words: "Spots", number: true, down: true },
  { key: "firm", words: "Firm", number: true, down: true, off: !COL.firm.some((v) => v !== null) },
  { key: "usable", words: "Usable", number: true, down: true, cell: usableCell },
  { key: "role", words: "Proposed", cell: roleCell, off: !COL.role.some(Boolean) },
  { key: "state", words: "Status", cell: stateCell, look: "state", off: !COL.state.some(Boolean) },
  { key: "limit", words: "What limits it most", cell: limitCell, look: "words" },
].filter((head) => !head.off);

function parcelCell(i) {
  return [
    node("button", { type: "button", class: "pick", onclick: (event) => {
      event.stopPropagation();
      choose(i, "table");
    } }, user(COL.id[i])),
    COL.label[i] ? node("span", { class: "sub" }, user(COL.label[i])) : "",
  ];
}

function usableCell(i) {
  return COL.usable[i] === null ? "" : `${COL.usable[i]}\u00a0%`;
}

function indexCell(i) {
  if (COL.code[i]) return node("span", { class: "failed" }, "failed");
  return COL.index[i] === null ? "–" : node("b", {}, COL.index[i].toFixed(1));
}

export function roleCell(i) {
  const role = COL.role[i];
  return role ? node("span", { class: role === "camera" ? "role role-camera" : "role" }, role) : "";
}

function stateCell(i) {
  return COL.state[i] ? [COL.state[i], node("span", { class: "sub" }, COL.since[i])] : "";
}

function limitCell(i) {
  if (COL.code[i]) return [node("b", {}, `${COL.code[i]}: `), user(COL.limit[i])];
  return user(COL.limit[i]);
}

// --- which parcels, in which order ----------------------------------------------------

const SHOW = {
  all: ["every parcel", () => true],
  spots: ["with spots", (i) => COL.index[i] !== null],
  nothing: ["without a spot", (i) => COL.index[i] === null && !COL.code[i]],
  failed: ["not scored", (i) => Boolean(COL.code[i])],
  camera: ["with a camera proposed", (i) => COL.role[i] === "camera"],
  reserve: ["reserves", (i) => COL.role[i].startsWith("reserve")],
  reported: ["reported on", (i) => Boolean(COL.state[i])],
  silent: ["with a camera proposed, nothing reported", (i) => COL.role[i] === "camera" && !COL.state[i]],
};

const WORDS = EVERY.map((i) => ["id", "label", "cell", "limit", "where", "code"]
  .map((name) => COL[name][i]).join("\n").toLowerCase());

export function wanted() {
  const find = byId("find").value.trim().toLowerCase();
  const show = SHOW[byId("show").value][1];
  const problem = byId("by-problem").value;
  const cell = byId("by-cell").value;
  const least = byId("least").value === "" ? null : Number(byId("least").value);
  return EVERY.filter((i) => show(i)
    && (!problem || COL.problem[i] === problem)
    && (!cell || COL.cell[i] === cell)
    && (least === null || (COL.index[i] !== null && COL.index[i] >= least))
    && (!find || WORDS[i].includes(find)));
}

export function ordered(list) {
  const values = COL[STATE.sort];
  const sign = STATE.down ? -1 : 1;
  return list.slice().sort((a, b) => {
    const [x, y] = [values[a], values[b]];
    const blank = (x === null || x === "") - (y === null || y === "");
    if (blank) return blank; // what is not known comes last, whichever way the list is turned
    const order = typeof x === "number" ? x - y : compare(String(x), String(y));
    return sign * order || a - b;
  });
}

function refilter() {
  STATE.page = 0;
  reorder();
}

function reorder() {
  STATE.shown = ordered(wanted());
  announce("list");
}

// --- drawing --------------------------------------------------------------------------

export function drawHeads() {
  byId("heads").replaceChildren(...HEADS.map((head) => node("th", {
    scope: "col", class: head.number ? "n" : "",
    "aria-sort": STATE.sort === head.key ? (STATE.down ? "descending" : "ascending") : "none",
  }, node("button", { type: "button", onclick: () => sortBy(head) }, head.words))));
}

function sortBy(head) {
  STATE.down = STATE.sort === head.key ? !STATE.down : Boolean(head.down);
  STATE.sort = head.key;
  STATE.page = 0;
  drawHeads();
  reorder();
  byId("heads").querySelectorAll("button")[HEADS.indexOf(head)].focus();
}

export function drawRows() {
  const from = STATE.page * ROWS;
  const part = STATE.shown.slice(from, from + ROWS);
  byId("rows").replaceChildren(...part.map((i) => node("tr", {
    "data-number": i, "aria-current": i === STATE.chosen ? "true" : null, onclick: () => choose(i, "table"),
  }, HEADS.map((head) => {
    const value = head.cell ? head.cell(i) : COL[head.key][i];
    return node("td", { class: head.number ? "n" : head.look || "", "data-head": head.words },
      value === null ? "" : value);
  }))));
  drawPager(from, part.length);
}

function drawPager(from, count) {
  const total = STATE.shown.length;
  byId("count").textContent = total === COUNT ? `${COUNT} parcels` : `${total} of ${COUNT} parcels`;
  const pages = Math.ceil(total / ROWS);
  byId("pager").hidden = pages < 2;
  const turn = (by) => () => {
    STATE.page += by;
    drawRows();
    byId("list").scrollTo(0, 0);
    byId("list").focus();
  };
  byId("pager").replaceChildren(
    node("button", { type: "button", disabled: STATE.page === 0, onclick: turn(-1) }, "Earlier"),
    node("span", {}, `${from + 1} to ${from + count} of ${total}`),
    node("button", { type: "button", disabled: STATE.page >= pages - 1, onclick: turn(1) }, "Later"),
  );
}

function options(id, pairs) {
  byId(id).replaceChildren(...pairs.map(([value, words]) => node("option", { value }, words)));
}

export function drawFilters() {
  const present = new Set(COL.problem);
  const hidden = [...(DATA.cells.length ? [] : ["camera", "reserve", "silent"]),
    ...(COL.state.some(Boolean) ? [] : ["reported", "silent"])];
  options("show", Object.entries(SHOW).filter(([key]) => !hidden.includes(key)).map(([key, [words]]) => [key, words]));
  options("by-problem", [["", "any or none"],
    ...Object.entries(DATA.problems).filter(([key]) => present.has(key)),
    ...(present.has(FAILED) ? [[FAILED, "could not be scored"]] : [])]);
  const cells = [...new Set(COL.cell)].filter(Boolean).sort(compare);
  options("by-cell", [["", "all"], ...cells.map((cell) => [cell, cell])]);
  byId("cell-label").hidden = !cells.length;
  byId("filters").addEventListener("input", refilter);
  byId("filters").addEventListener("submit", (event) => event.preventDefault());
  byId("filters").addEventListener("reset", () => setTimeout(refilter));
}

listen((what) => {
  if (what === "list") drawRows();
  if (what === "chosen") {
    const place = STATE.shown.indexOf(STATE.chosen);
    if (STATE.from === "map" && place >= 0) STATE.page = Math.floor(place / ROWS);
    if (STATE.from === "map") drawRows();
    byId("rows").querySelectorAll("tr").forEach((row) => {
      if (Number(row.dataset.number) === STATE.chosen) {
        row.setAttribute("aria-current", "true");
        if (STATE.from === "map" && !oneColumn()) row.scrollIntoView({ block: "nearest" });
      } else row.removeAttribute("aria-current");
    });
  }
});
