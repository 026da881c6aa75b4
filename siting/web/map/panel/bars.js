// Bars with numbers: the parts of a score at one place.

import { node } from "../../shared/dom.js";
import { DATA, STATE } from "../data.js";

export const PARTS = [["What draws animals", "attractor"], ["What must hold", "condition"]]
  .map(([title, kind]) => [title, DATA.criteria.filter((c) => c.group === kind)]);

// `of(name)` is a part in whole points, NaN where it is not known, undefined where not judged.
export function partBars(of) {
  return node("div", { class: "parts" }, PARTS.map(([title, criteria]) => node("div", {},
    node("h4", {}, title),
    node("ul", { class: "bars" }, criteria.filter((c) => of(c.name) !== undefined)
      .map((c) => bar(c, of(c.name)))))));
}

function bar(criterion, points) {
  const fill = node("span", { class: "bar-fill" });
  fill.style.width = (points || 0) + "%";
  const off = STATE.weights[criterion.name] === 0;
  return node("li", { class: off ? "off" : null },
    node("span", { class: "bar-name" }, criterion.label, off ? " (not counted)" : ""),
    node("span", { class: "bar-track", "aria-hidden": "true" }, fill),
    node("span", { class: "bar-number" }, Number.isNaN(points) ? "not known" : String(points)));
}
