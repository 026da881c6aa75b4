// What stands in the panel while something is drawn: what it is, how it goes, how it ends.

import { fault, measure, readPlace } from "../../model/shapes.js";
import { node } from "../../shared/dom.js";
import { button, field, PRESS, say } from "../page.js";

function how(isPoint) {
  return PRESS === "Tap" ? "Or move the map until the place is under the cross, and press “Set it here”."
    : `With a keyboard: arrow keys move the map under the cross, Enter sets ${isPoint ? "the place" : "a corner"}.`;
}

function steps({ kind }) {
  if (kind === "point") return `${PRESS} the place on the map.`;
  const end = kind === "area" ? "the first corner again" : "the last corner again";
  return `${PRESS} the corners on the map, one after the other. Then press Done, or ${PRESS.toLowerCase()} ${end}.`;
}

function removing(pen, shape) {
  const words = pen.picked() >= 0 ? "Remove the chosen corner" : "Remove the last corner";
  // Always there: a button that comes and goes would move those beside it.
  return node("div", { class: "buttons" },
    button(words, () => pen.removeCorner(), { disabled: !shape.corners.length }));
}

// `now` gives: pen, finish(), cancel().
export function addingTools(now, step, shape) {
  const { pen } = now;
  const isPoint = shape.kind === "point";
  const wrong = fault(shape);
  const place = node("input", { id: "typed", autocomplete: "off" });
  const typed = () => {
    const corner = readPlace(place.value);
    if (corner) pen.add(corner);
    else say("Not understood. Write latitude, then longitude: 44.12345, -70.12345");
  };
  return [
    node("h3", {}, `Drawing: ${step.title[0].toLowerCase()}${step.title.slice(1)}`),
    node("p", {}, steps(shape)),
    node("p", { class: "small" }, how(isPoint)),
    node("div", { class: "buttons" },
      isPoint ? null : button("Done", now.finish, { class: "main" }),
      button("Set it here", () => pen.addHere()),
      button("Cancel", now.cancel)),
    isPoint ? null : removing(pen, shape),
    node("p", { class: "fact", role: "status" }, shape.corners.length ? (wrong || measure(shape)) : ""),
    field("Or type a position: latitude, longitude", place), button("Add", typed),
  ];
}
