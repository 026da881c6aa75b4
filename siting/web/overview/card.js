// The card of the chosen parcel.

import { areaWords } from "../model/lengths.js";
import { byId, node, user } from "../shared/dom.js";
import { copyAndSay } from "../shared/save.js";
import { COL, DATA, STATE, listen, oneColumn } from "./data.js";
import { makeRoom } from "./map.js";
import { roleCell } from "./table.js";


function factRows(i) {
  const facts = [];
  const add = (name, ...value) => facts.push(node("dt", {}, name), node("dd", {}, ...value));
  if (COL.cell[i]) add("Survey cell", user(COL.cell[i]));
  if (COL.role[i]) add("Proposed", roleCell(i));
  if (COL.state[i]) add("Status", `${COL.state[i]}, ${COL.since[i]}`);
  if (!COL.code[i]) {
    add("Spots", spotsWords(i));
    if (COL.index[i] !== null) {
      add("Best spot", `index ${COL.own_index[i].toFixed(1)}, `, user(COL.where[i]), bestMore(i));
      if (COL.own_index[i] !== COL.index[i]) {
        add("To compare", `index ${COL.index[i].toFixed(1)} by the maps that all parcels have`);
      }
    }
    add("Limit", user(COL.limit[i]));
  }
  return node("dl", { class: "facts" }, facts);
}

function spotsWords(i) {
  const firm = COL.firm[i] === null ? "" : `, ${COL.firm[i]} of them firm`;
  return `${COL.spots[i]}${firm}; ${COL.usable[i]}\u00a0% of ${areaWords(COL.area[i])} is usable`;
}

function bestMore(i) {
  const parts = [`${COL.lat[i].toFixed(5)}, ${COL.lon[i].toFixed(5)}`];
  if (COL.heading[i] !== null) parts.push(`face ${COL.heading[i]}° (true)`);
  if (COL.walk[i] !== null) parts.push(`${COL.walk[i]} min on foot`);
  return node("span", { class: "small" }, ` (${parts.join("; ")})`);
}

function drawCard() {
  const i = STATE.chosen;
  const empty = i < 0;
  byId("card-none").hidden = !empty;
  if (empty) return;
  if (document.querySelector(".left").classList.toggle("has-card", true)) makeRoom();
  const title = COL.label[i] ? [user(COL.id[i]), " · ", user(COL.label[i])] : [user(COL.id[i])];
  const parts = [node("h2", {}, title)];
  if (COL.page[i]) {
    parts.push(node("p", {}, node("a", { href: `${COL.page[i]}/map.html` }, "Open its map"), " · ",
      node("a", { href: `${COL.page[i]}/field_sheet.html` }, "field sheet")));
  }
  parts.push(factRows(i));
  if (COL.code[i]) {
    parts.push(node("p", { class: "fault" }, node("b", {}, `Could not be scored (${COL.code[i]}). `),
      user(COL.limit[i])));
  } else {
    const said = node("span", { role: "status" });
    parts.push(node("p", { class: "sentence" }, user(COL.sentence[i])));
    const copy = () => copyAndSay(COL.sentence[i], said);
    parts.push(node("p", {}, node("button", { type: "button", onclick: copy }, "Copy the sentence"),
      " ", said));
  }
  parts.push(list("Gaps in the maps", COL.warnings[i]), cautions(i));
  parts.push(node("p", { class: "to-list" },
    node("button", { type: "button", onclick: backToList }, "Back to the list")));
  byId("card-body").replaceChildren(...parts.filter(Boolean));
  byId("card").scrollTo(0, 0);
  if (oneColumn()) byId("card").scrollIntoView({ block: "nearest" });
}

function backToList() {
  const row = document.querySelector('#rows tr[aria-current="true"]');
  (row || byId("rows")).scrollIntoView({ block: "center" });
}

// Each caution with the spots it is about: two spots may well call for opposite ones.
function cautions(i) {
  const said = COL.cautions[i].map((k, at) => {
    const spots = COL.caution_spots[i][at];
    const whose = spots.length ? (spots.length === 1 ? "Spot " : "Spots ") + spots.join(", ") + ": " : "";
    return node("li", {}, whose ? node("b", {}, whose) : "", user(DATA.texts[k]));
  });
  if (!said.length) return null;
  return node("details", {}, node("summary", {}, `Cautions (${said.length})`), node("ul", {}, said));
}

function list(title, numbers) {
  if (!numbers.length) return null;
  return node("details", {}, node("summary", {}, `${title} (${numbers.length})`),
    node("ul", {}, numbers.map((k) => node("li", {}, user(DATA.texts[k])))));
}

export function copyShown() {
  const sentences = STATE.shown.filter((i) => COL.sentence[i])
    .map((i) => [COL.id[i], COL.label[i], COL.sentence[i]].join("\t"));
  copyAndSay(sentences.join("\n"), byId("copied"));
}

listen((what) => { if (what === "chosen") drawCard(); });
