// Move the ratios: list, numbers and colours follow at once, by the program's own arithmetic.

import { byId, node } from "../../shared/dom.js";
import { copyAndSay, saveFile } from "../../shared/save.js";
import { protocolText, startWeights } from "../../model/score.js";
import { DATA, RULES, STATE, announce } from "../data.js";
import { PARTS } from "./bars.js";
import { orderNow } from "../reports.js";

const START = startWeights(RULES);
const REST_MS = 60;
const UNITS = {};
const DRAWERS = DATA.criteria.filter((c) => c.group === "attractor");

function somethingDraws() {
  return !DRAWERS.length || DRAWERS.some(({ name }) => STATE.weights[name] !== 1);
}

export function buildWeights() {
  const home = byId("weight-sliders");
  PARTS.forEach(([title, criteria]) => {
    home.append(node("fieldset", {}, node("legend", {}, title), criteria.map(slider)));
  });
  byId("weights-reset").addEventListener("click", resetWeights);
  byId("weights-copy").addEventListener("click", () =>
    copyAndSay(byId("weights-text").value, byId("weights-said")));
  byId("weights-save").addEventListener("click", () =>
    saveFile("ratios.toml", "text/plain", protocolText(STATE.weights, RULES)));
  showWeights();
}

// Every slider says how much a part counts beside the survey's own weight, the logarithm of its
// ratio: 0 to 200 per cent. What the survey does not count starts at 0; its 100 % is half as much again.
function slider(part) {
  const { name, label, says, ratio, low, high } = part;
  UNITS[name] = Math.log(ratio === 1 ? 1.5 : ratio);
  const input = node("input", { type: "range", id: "weight-" + name, min: 0, max: 200, step: 5,
    value: percentOf(name, ratio), "aria-describedby": "says-" + name,
    oninput: (event) => moveWeight(part, event.target) });
  return node("div", { class: "slider" },
    node("label", { for: "weight-" + name }, label),
    node("output", { id: "out-" + name, for: "weight-" + name }, ""),
    input, node("p", { class: "small", id: "says-" + name }, says + " Ratio: from "
      + low.toFixed(1) + " to " + high.toFixed(1) + " by studies or, where there is none, our judgement."));
}

function percentOf(name, ratio) {
  return Math.round(100 * Math.log(ratio) / UNITS[name]);
}

let resting = 0;

function moveWeight({ name }, input) {
  const before = STATE.weights[name];
  STATE.weights[name] = Number(input.value) === 100 && START[name] !== 1 ? START[name]
    : Math.exp(UNITS[name] * Number(input.value) / 100);
  if (!somethingDraws()) {
    STATE.weights[name] = before;
    input.value = String(percentOf(name, before));
    byId("order-line").textContent = "At least one part of what draws animals must count: without any, "
      + "all ground would be alike. Give another part some weight first.";
    return;
  }
  STATE.moved = Object.keys(START).some((key) => Math.abs(START[key] - STATE.weights[key]) > 1e-9);
  showWeights();
  announce("weights");
  window.clearTimeout(resting);
  resting = window.setTimeout(() => announce("rested"), REST_MS);
}

function resetWeights() {
  Object.assign(STATE.weights, START);
  STATE.moved = false;
  Object.entries(STATE.weights).forEach(([name, value]) => {
    const input = byId("weight-" + name);
    if (input) input.value = String(percentOf(name, value));
  });
  showWeights();
  announce("weights");
  announce("rested");
}

function showWeights() {
  Object.entries(STATE.weights).forEach(([name, value]) => {
    const out = byId("out-" + name);
    if (!out) return;
    const moved = Math.abs(value - START[name]) > 1e-9;
    out.textContent = "× " + value.toFixed(2) + " · " + percentOf(name, value) + "\u00a0%"
      + (moved ? "" : " (as the survey)");
  });
  const words = orderWords(orderNow());
  byId("order-line").textContent = words;
  byId("order-line-spots").textContent = STATE.moved ? words : "";
  byId("weights-text").value = protocolText(STATE.weights, RULES);
  byId("weights-flag").hidden = !STATE.moved;
}

function orderWords(order) {
  if (!STATE.moved) return "These are the survey's own ratios.";
  const moves = order.map((n, i) => ({ n, up: n - (i + 1), to: i + 1 }))
    .filter(({ up }) => up !== 0);
  if (!moves.length) return "The order of the spots stays the same.";
  const named = moves.sort((a, b) => Math.abs(b.up) - Math.abs(a.up) || a.n - b.n).slice(0, 3)
    .map(({ n, up, to }) => "spot " + n + (up > 0 ? " rises to place " : " falls to place ") + to);
  return "First is now spot " + order[0] + ". " + moves.length + " of " + order.length
    + " spots change place: " + named.join(", ") + (moves.length > 3 ? ", and others." : ".");
}
