// The sketch page: one question at a time, a map to answer it on, and a file at the end.

import { measure, fault, readPlace } from "../model/shapes.js";
import { history, sketchFile, stateOf } from "../model/sketch.js";
import { byId, islandData, newId, node, user } from "../shared/dom.js";
import { drawing } from "../shared/draw.js";
import { copyAndSay, saveFile } from "../shared/save.js";
import { setUpTheme } from "../shared/theme.js";
import { groundMap } from "./ground.js";
import { deviceStore } from "./store.js";
import { pathStyle } from "./style.js";

const DATA = islandData();
const STEPS = DATA.steps;
const KINDS = new Map(STEPS.map((step) => [step.layer, step.kinds]));
const KEY = `siting-sketch-${DATA.page}`;

const map = groundMap(DATA);
const store = deviceStore(KEY);
let state = stateOf(store.read(), KINDS);
const past = history(state);
let at = 0;
let chosen = null;

const pen = drawing(map, {
  shapes: () => state.shapes,
  style: pathStyle,
  chose: (id) => { choose(id); },
  done: () => finish(),
  changed: (shape) => {
    if (shape.kind === "point" && pen.isAdding()) pen.choose(shape.id, false);
    finished();
  },
});

// --- what happens after each act -----------------------------------------------------------

function finished() {
  past.put(state);
  keep();
  show();
}

// Words alone: drawing the panel anew would take away the button that is being pressed meanwhile.
function noted() {
  past.put(state);
  keep();
  renewUndo();
  const head = document.querySelector(".shape-name[aria-expanded=true]");
  if (head && current() && current().name) head.replaceChildren(user(current().name));
}

function renewUndo() {
  byId("undo").disabled = !past.canBack();
  byId("redo").disabled = !past.canOn();
}

function keep() {
  const kept = store.write(JSON.stringify(state));
  byId("kept").textContent = kept ? "Kept on this device."
    : "This browser keeps nothing: save the file before you close the page.";
}

function restored(before) {
  if (!before) return;
  state = before;
  chosen = state.shapes.some((shape) => shape.id === chosen) ? chosen : null;
  pen.choose(chosen, false);
  keep();
  show();
}

function choose(id) {
  const shape = state.shapes.find((one) => one.id === id);
  if (!shape) return;
  const step = STEPS.findIndex((one) => one.layer === shape.layer);
  if (step >= 0) at = step;
  if (chosen !== id) {
    chosen = id;
    pen.choose(id, false);
  }
  show();
}

function begin(kind) {
  const { layer } = STEPS[at];
  const shape = { id: newId(), layer, kind, corners: [], name: "", use: "", how: "drawn" };
  state.shapes.push(shape);
  state.answers[layer] = "marked";
  chosen = shape.id;
  pen.choose(shape.id, true);
  show();
  byId("map").focus({ preventScroll: true });
}

function finish() {
  const shape = current();
  if (shape && !shape.corners.length) remove(shape.id);
  pen.choose(chosen, false);
  finished();
}

function remove(id) {
  const { layer } = state.shapes.find((shape) => shape.id === id);
  state.shapes = state.shapes.filter((shape) => shape.id !== id);
  if (!state.shapes.some((shape) => shape.layer === layer)) delete state.answers[layer];
  chosen = null;
  pen.choose(null, false);
}

function answer(word) {
  const { layer } = STEPS[at];
  state.shapes = state.shapes.filter((shape) => shape.layer !== layer);
  state.answers[layer] = word;
  chosen = null;
  pen.choose(null, false);
  finished();
  if (at < STEPS.length) go(at + 1);
}

function current() {
  return state.shapes.find((shape) => shape.id === chosen) || null;
}

// --- the panel -------------------------------------------------------------------------------

function button(text, act, more) {
  return node("button", { type: "button", onclick: act, ...more }, text);
}

function go(to) {
  finishOpen();
  at = Math.max(0, Math.min(STEPS.length, to));
  chosen = null;
  pen.choose(null, false);
  show();
  byId("question").focus({ preventScroll: true });
}

function finishOpen() {
  state.shapes = state.shapes.filter((shape) => shape.corners.length);
}

function show() {
  const last = at === STEPS.length;
  byId("step").textContent = last ? "Last step" : `Step ${at + 1} of ${STEPS.length + 1}`;
  byId("question").textContent = last ? "Send it to the survey" : STEPS[at].title;
  byId("body").replaceChildren(...(last ? sending() : asking(STEPS[at])));
  byId("back").disabled = at === 0;
  byId("next").disabled = last;
  renewUndo();
  byId("map").classList.toggle("is-adding", pen.isAdding());
  byId("cross").hidden = !["adding", "moving"].includes(pen.act());
}

function asking(step) {
  const mine = state.shapes.filter((shape) => shape.layer === step.layer);
  const said = state.answers[step.layer];
  const parts = [node("p", {}, step.ask)];
  if (pen.isAdding()) return parts.concat(addingTools(step, current()));
  if (at === 0) parts.push(node("p", { class: "caution" }, DATA.before));
  if (step.caution) parts.push(node("p", { class: "caution" }, step.caution));
  parts.push(node("div", { class: "buttons" },
    step.kinds.map((kind) => button(step.draw[kind], () => begin(kind), { class: "main" })),
    step.answers ? [
      button(step.none, () => answer("none"), { "aria-pressed": String(said === "none") }),
      button("I do not know", () => answer("unknown"), { "aria-pressed": String(said === "unknown") }),
    ] : []));
  if (mine.length) parts.push(node("ul", { class: "shapes" }, mine.map((shape, k) => row(step, shape, k))));
  return parts;
}

function addingTools(step, shape) {
  const wrong = shape ? fault(shape) : "";
  const point = shape && shape.kind === "point";
  const removed = `Remove the ${pen.picked() >= 0 ? "chosen" : "last"} corner`;
  const closer = shape && shape.kind === "line" ? "last" : "first";
  return [
    node("p", {}, point ? "Tap the place on the map."
      : `Tap the corners on the map, one after the other. Then press Done, or tap the ${closer} corner again.`),
    node("p", { class: "small" }, "Or move the map under the cross and press “Set it here”; with a keyboard, "
      + "move the map with the arrow keys and press Enter."),
    node("div", { class: "buttons" },
      button("Set it here", () => { pen.addHere(); }, { class: "main" }),
      shape && shape.corners.length && !point ? button(removed, () => pen.removeCorner()) : null,
      navigator.geolocation ? button("Where I stand", whereIStand) : null,
      button("Done", finish, { class: wrong ? "" : "main" })),
    typed(),
    node("p", { class: "fact", role: "status" }, shape && shape.corners.length ? (wrong || measure(shape)) : ""),
  ];
}

function typed() {
  const field = node("input", { id: "typed", autocomplete: "off", inputmode: "text" });
  const said = node("span", { role: "status", class: "small" });
  const add = () => {
    const place = readPlace(field.value);
    if (!place) {
      said.textContent = "Not understood. Write latitude, then longitude: 44.12345, -70.12345";
      return;
    }
    current().how = "typed";
    pen.add(place);
  };
  return node("details", {}, node("summary", {}, "Type a position"),
    node("label", { for: "typed" }, "Latitude, longitude"), field, button("Add", add), said);
}

function whereIStand() {
  navigator.geolocation.getCurrentPosition(({ coords }) => {
    current().how = "position";
    map.panTo([coords.latitude, coords.longitude]);
    pen.add([coords.latitude, coords.longitude].map((degree) => Number(degree.toFixed(7))));
  }, () => {
    byId("kept").textContent = "The phone did not give its position. Tap the place on the map instead.";
  }, { enableHighAccuracy: true, timeout: 20000 });
}

function row(step, shape, k) {
  const open = shape.id === chosen;
  const wrong = fault(shape);
  const name = shape.name || `${step.one} ${k + 1}`;
  const head = button(user(name), () => choose(shape.id), { "aria-expanded": String(open), class: "shape-name" });
  const facts = node("span", { class: wrong ? "fact wrong" : "fact" }, wrong || measure(shape));
  return node("li", { class: open ? "open" : "" }, head, facts, open ? tools(step, shape) : null);
}

function tools(step, shape) {
  const kinds = step.uses.length ? node("label", {}, "Who uses it?", usePicker(step, shape)) : null;
  return node("div", { class: "tools" },
    node("label", {}, "Name or note", textField(shape.name, 200, (text) => { shape.name = text; })),
    kinds,
    node("p", { class: "small" }, helpWith(shape)),
    node("div", { class: "buttons" },
      shape.kind === "point" || pen.picked() >= 0
        ? turn("moving", shape.kind === "point" ? "Move it" : `Move corner ${pen.picked() + 1}`, pen.moveNext)
        : null,
      shape.kind === "point" ? null : turn("inserting", "New corner on a side", pen.insert),
      shape.kind === "point" ? null
        : button("More corners at the end", () => { pen.choose(shape.id, true); show(); }),
      pen.picked() >= 0 && shape.kind !== "point"
        ? button(`Remove corner ${pen.picked() + 1}`, () => pen.removeCorner()) : null,
      button("Show on the map", () => { map.fitBounds(L.latLngBounds(shape.corners).pad(0.5), { maxZoom: 18 }); }),
      button("Delete", () => { remove(shape.id); finished(); byId("question").focus(); })));
}

function helpWith({ kind }) {
  if (pen.act() === "moving") return "Tap its new place on the map.";
  if (pen.act() === "inserting") return "Tap a + on a side.";
  return kind === "point" ? "Drag the mark, or press “Move it” and tap its new place."
    : "Drag a corner, or tap it to choose it. With a keyboard: Tab to a corner, arrow keys move it, Delete removes it.";
}

// The next taps on the map do this, until it is pressed again.
function turn(act, words, start) {
  return button(words, () => {
    if (pen.act() === act) pen.stop();
    else start();
    show();
  }, { "aria-pressed": String(pen.act() === act) });
}

function textField(value, most, set) {
  const field = node("input", { value, maxlength: most });
  field.addEventListener("change", () => { set(field.value); noted(); });
  return field;
}

function usePicker(step, shape) {
  const list = node("select", {}, step.uses.map(([value, words]) => node("option", { value }, words)));
  list.value = shape.use;
  list.addEventListener("change", () => { shape.use = list.value; noted(); });
  return list;
}

// --- the last step ----------------------------------------------------------------------------

function sending() {
  const text = () => `${JSON.stringify(sketchFile(state, { id: DATA.page.slice(0, 8) + newId(), forUid: DATA.made_for,
    page: DATA.page, madeAt: new Date().toISOString() }), null, 1)}\n`;
  const name = `sketch-${DATA.file_name}.json`;
  const said = node("p", { role: "status", class: "small" });
  const outline = state.shapes.some((shape) => shape.layer === "parcel" && !fault(shape));
  const wrong = state.shapes.filter((shape) => fault(shape)).length;
  const area = node("textarea", { readonly: true, rows: 4, hidden: true, "aria-label": "The sketch as text" });
  const showText = () => { area.value = text(); area.hidden = false; area.select(); };
  const save = () => {
    const done = saveFile(name, "application/json", text());
    said.textContent = done ? `Saved as ${name}. Send this file to the survey.`
      : "This viewer cannot save. Copy the text instead.";
    if (!done) showText();
  };
  return [
    outline ? null : node("p", { class: "caution" }, "The outline of the land is still missing: go back to step 1."),
    wrong ? node("p", { class: "caution" }, `${wrong} of your shapes are not finished and will be left out.`) : null,
    node("label", {}, "Your name (only if the survey asked for it)",
      textField(state.saidBy, 200, (words) => { state.saidBy = words; })),
    node("label", {}, "Anything else the survey should know", noteField()),
    node("p", {}, "The file shows the land exactly. Send it only to the survey."),
    node("div", { class: "buttons" },
      canShare(name) ? button("Share the file", () => share(name, text(), said), { class: "main" }) : null,
      button("Save the file", save, { class: "main" }),
      button("Copy as text", () => { copyAndSay(text(), said); showText(); })),
    said, area,
  ].filter(Boolean);
}

function noteField() {
  const field = node("textarea", { rows: 3, maxlength: 2000 });
  field.value = state.note;
  field.addEventListener("change", () => { state.note = field.value; noted(); });
  return field;
}

function canShare(name) {
  if (!navigator.canShare || typeof File === "undefined") return false;
  return navigator.canShare({ files: [new File(["{}"], name, { type: "application/json" })] });
}

function share(name, text, said) {
  navigator.share({ files: [new File([text], name, { type: "application/json" })] })
    .then(() => { said.textContent = "Shared."; })
    .catch(() => { said.textContent = "Not shared. Save the file or copy the text instead."; });
}

// --- the start ----------------------------------------------------------------------------------

byId("back").addEventListener("click", () => go(at - 1));
byId("next").addEventListener("click", () => go(at + 1));
byId("undo").addEventListener("click", () => restored(past.back()));
byId("redo").addEventListener("click", () => restored(past.on()));
document.addEventListener("keydown", (event) => {
  const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName);
  if (typing || !(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
  event.preventDefault();
  restored(event.shiftKey ? past.on() : past.back());
});
setUpTheme();
pen.paint();
show();
document.documentElement.dataset.drawn = "yes";
