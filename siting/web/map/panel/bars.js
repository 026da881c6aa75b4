// Signed bars with numbers: what each criterion makes of the index at one place.

import { node } from "../../shared/dom.js";
import { logParts, timesWords } from "../../model/score.js";
import { DATA, RULES, STATE } from "../data.js";

export const PARTS = [["What draws animals", "attractor"], ["What must hold", "condition"]]
  .map(([title, kind]) => [title, DATA.criteria.filter((c) => c.group === kind)]);

// Half a bar is this many times more or less.
const FULL = Math.log(4);

// `of(name)` is a membership, NaN where it is not known, undefined where not judged.
export function partBars(of) {
  const parts = logParts(of, STATE.weights, RULES);
  return node("div", { class: "parts" }, PARTS.map(([title, criteria]) => node("div", {},
    node("h4", {}, title),
    node("ul", { class: "bars" }, criteria.filter((c) => of(c.name) !== undefined)
      .map((c) => bar(c, parts[c.name], of(c.name)))))),
  DATA.missing.length ? node("p", { class: "small" }, "Not known here, and without effect on "
    + "the index: " + DATA.missing.join("; ").toLowerCase() + ".") : "",
  node("p", { class: "small" }, "Multiplied together these give the index. Of things that speak of "
    + "one fact (trail, crossing, narrow passage ...) the strongest counts in full, the next a little, and the "
    + "others not again (“counted already”)."));
}

function bar(criterion, part, held) {
  const off = part === undefined;
  const fill = node("span", { class: part < 0 ? "bar-fill bar-less" : "bar-fill" });
  const long = Math.min(50, 50 * Math.abs(part || 0) / FULL);
  fill.style.width = long + "%";
  fill.style.marginLeft = (part < 0 ? 50 - long : 50) + "%";
  return node("li", { class: off ? "off" : null },
    node("span", { class: "bar-name" }, criterion.label, off ? " (not counted)" : ""),
    node("span", { class: "bar-track", "aria-hidden": "true" }, fill),
    node("span", { class: "bar-number" }, off ? "" : timesWords(part, held, criterion.group)));
}
