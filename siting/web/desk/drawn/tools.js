// What can be done with the shape that is chosen: its words, its corners, splitting and deleting it.

import { readPlace, split, splitsFrom } from "../../model/shapes.js";
import { byId, node } from "../../shared/dom.js";
import { button, field, PRESS, say } from "../page.js";

// `noted` keeps what was written and leaves the fields as they are, with the hand in the next one.
function text(shape, key, most, noted) {
  const input = node("input", { value: shape[key], maxlength: most });
  input.addEventListener("change", () => { shape[key] = input.value; noted(shape); });
  return input;
}

function picker(shape, key, list, noted) {
  const select = node("select", {}, list.map(([value, words]) => node("option", { value }, words)));
  select.value = shape[key];
  select.addEventListener("change", () => { shape[key] = select.value; noted(shape); });
  return select;
}

// Where a chosen corner stands, to read and to type: no pointer is needed to put it somewhere else.
function cornerPlace(pen, shape, k) {
  const input = node("input", { value: shape.corners[k].join(", "), autocomplete: "off" });
  input.addEventListener("change", () => {
    const corner = readPlace(input.value);
    if (corner) pen.put(corner);
    else say("Not understood. Write latitude, then longitude: 44.12345, -70.12345");
  });
  return field(`Position of corner ${k + 1}: latitude, longitude`, input);
}

// A line parts at a corner; an area along the straight way between two of them.
function splitting(shape, k, act) {
  const others = splitsFrom(shape, k);
  if (shape.kind === "line") {
    return others.length ? button(`Split at corner ${k + 1}`, () => act(split(shape, k, k))) : null;
  }
  if (!others.length) return null;
  const to = node("select", {}, others.map((j) => node("option", { value: j }, `corner ${j + 1}`)));
  return [field(`Split from corner ${k + 1} to`, to),
    button("Split", () => act(split(shape, k, Number(to.value))))];
}

// The next act on the map, asked for here: a click on it changes nothing by itself.
function mapActs({ pen, draw, addTo }, shape, k) {
  const isPoint = shape.kind === "point";
  const mark = (act) => ({ "aria-pressed": String(pen.act() === act) });
  const turn = (act, start) => () => {
    if (pen.act() === act) pen.stop();
    else start();
    draw();
  };
  return [node("div", { class: "buttons" },
    isPoint ? button("Move it", turn("moving", pen.moveNext), mark("moving")) : null,
    k >= 0 ? button(`Move corner ${k + 1}`, turn("moving", pen.moveNext), mark("moving")) : null,
    isPoint ? null : button("New corner on a side", turn("inserting", pen.insert), mark("inserting")),
    isPoint ? null : button(shape.kind === "area" ? "More corners at the end" : "Draw on from the end",
      () => addTo(shape))),
  pen.act() === "moving" ? node("p", { class: "fact" }, `${PRESS} its new place on the map.`) : null,
  pen.act() === "inserting" ? node("p", { class: "fact" }, `${PRESS} a + on a side.`) : null];
}

// `now` gives what acts on the land: pen, noted(shape), replace(shape, parts), remove(id), addTo(shape),
// draw().
export function shapeTools(now, step, shape) {
  const { pen, noted } = now;
  const k = shape.kind === "point" ? -1 : pen.picked();
  const inner = k >= 0 && k < shape.corners.length;
  return node("div", { class: "tools" },
    field("Name or note", text(shape, "name", 200, noted)),
    step.uses.length ? field("Who uses it?", picker(shape, "use", step.uses, noted)) : null,
    step.classes.length ? field("What kind of road?", picker(shape, "road_class", step.classes, noted)) : null,
    field("Who said so?", text(shape, "said_by", 200, noted)),
    shape.kind === "point" ? null : field("Corner to work on", cornerPicker(now, shape, k)),
    inner ? cornerPlace(pen, shape, k) : null,
    mapActs(now, shape, inner ? k : -1),
    node("div", { class: "buttons" },
      inner ? button(`Remove corner ${k + 1}`, () => pen.removeCorner()) : null,
      button("Delete", () => now.remove(shape.id))),
    inner ? node("div", { class: "buttons" }, splitting(shape, k, (parts) => now.replace(shape, parts))) : null);
}

function cornerPicker({ pen }, shape, k) {
  const select = node("select", { id: "corner-pick" }, node("option", { value: -1 }, "None"),
    shape.corners.map((_, n) => node("option", { value: n }, `Corner ${n + 1}`)));
  select.value = String(k);
  select.addEventListener("change", () => {
    pen.pick(Number(select.value));
    // The panel was made anew: the hand stays where it was.
    if (byId("corner-pick")) byId("corner-pick").focus();
  });
  return select;
}
