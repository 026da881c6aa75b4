// The layers of one land as the panel lists them: what is known of each, and each shape's own row.

import { fault as faultOf, measure } from "../../model/shapes.js";
import { node, user } from "../../shared/dom.js";
import { DATA } from "../api.js";
import { button } from "../page.js";
import { shapeTools } from "./tools.js";

export const LAYERS = DATA.words.layers;

export const stepOf = (shape) => LAYERS.find(({ layer }) => layer === shape.layer);

export const nameOf = (shape, shapes) => shape.name || `${stepOf(shape).one} ${1 + shapes
  .filter(({ layer }) => layer === shape.layer).indexOf(shape)}`;

// What is answered here takes nothing from the office's own maps: the program reads both.
export function onMapsWords(shown, said) {
  const still = said === "none" ? "still " : "";
  return shown ? `your maps show ${shown} here; ${shown === 1 ? `it ${still}counts` : `they ${still}count`}` : "";
}

// `now` gives state, chosen, onMaps; `acts` what the buttons do.
export function layerParts(now, acts) {
  return LAYERS.map((step) => layerPart(now, acts, step));
}

function layerPart(now, acts, step) {
  const mine = now.state.shapes.filter((shape) => shape.layer === step.layer);
  const said = now.state.answers[step.layer];
  const isLand = step.layer === "parcel";
  const nothing = isLand ? "Not drawn yet" : "Not asked";
  const drawn = isLand ? `${mine.length} ${mine.length > 1 ? "parts" : "part"}` : `${mine.length} marked`;
  const words = mine.length ? drawn : said === "none" ? "None here"
    : said === "unknown" ? "Not known" : nothing;
  const maps = onMapsWords(now.onMaps[step.layer], said);
  // The outline comes first: until it is there, drawing it is what the page is for.
  const isNext = isLand && !mine.length;
  const isMore = isLand && mine.length > 0;
  return node("section", { class: "layer" },
    node("h3", {}, step.title, node("span", { class: "small" }, ` ${words}${maps && ` · ${maps}`}`)),
    node("div", { class: "buttons" },
      step.kinds.map((kind) => button(isMore ? "Draw another part" : step.draw[kind],
        () => acts.begin(step.layer, kind), { class: isNext ? "main" : null })),
      step.answers ? [
        button("None here", () => acts.answer(step.layer, "none"), { "aria-pressed": String(said === "none") }),
        button("Not known", () => acts.answer(step.layer, "unknown"),
          { "aria-pressed": String(said === "unknown") }),
      ] : []),
    mine.length ? node("ul", { class: "shapes" }, mine.map((shape) => row(now, acts, step, shape))) : null);
}

function row(now, acts, step, shape) {
  const open = shape.id === now.chosen;
  const wrong = faultOf(shape);
  return node("li", {},
    button(user(nameOf(shape, now.state.shapes)), () => acts.choose(open ? null : shape.id),
      { "aria-expanded": String(open), class: "shape-name" }),
    node("span", { class: wrong ? "fact wrong" : "fact" }, wrong || measure(shape)),
    open ? shapeTools(acts, step, shape) : null);
}
