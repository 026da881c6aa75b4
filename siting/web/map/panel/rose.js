// The heading rose: how good each heading is, by length, fill and number.

import { node, svgNode } from "../../shared/dom.js";
import { hundredths } from "../../model/lengths.js";
import { DATA } from "../data.js";

const { heading_good: ROSE_GOOD, heading_fair: ROSE_FAIR } = DATA.camera;
// Headings to a petal: 72 petals of 5 degrees are too thin for their pattern to be seen.
const ROSE_GROUP = 3;
const ROSE_RADIUS = 78;

function roseClass(score) {
  if (score === null) return "unknown";
  return score >= ROSE_GOOD ? "good" : score >= ROSE_FAIR ? "fair" : "bad";
}

function onRose(degrees, radius) {
  const turn = degrees * Math.PI / 180;
  return [(radius * Math.sin(turn)).toFixed(1), (-radius * Math.cos(turn)).toFixed(1)];
}

function rosePetal(degrees, half, score) {
  const radius = 10 + (ROSE_RADIUS - 10) * (score || 0);
  const from = onRose(degrees - half, radius), to = onRose(degrees + half, radius);
  return svgNode("path", {
    class: "petal petal-" + roseClass(score),
    d: "M0 0L" + from + "A" + radius + " " + radius + " 0 0 1 " + to + "Z",
  });
}

// Mean score of each group of headings, its petal pointing at the middle heading of the group.
function rosePetals(scores) {
  const step = 360 / scores.length, side = (ROSE_GROUP - 1) / 2, petals = [];
  for (let i = 0; i < scores.length; i += ROSE_GROUP) {
    const some = [];
    for (let k = -side; k <= side; k += 1) some.push(scores[(i + k + scores.length) % scores.length]);
    const known = some.every((score) => score !== null);
    const mean = known ? some.reduce((sum, score) => sum + score, 0) / ROSE_GROUP : null;
    petals.push(rosePetal(i * step, ROSE_GROUP * step / 2, mean));
  }
  return petals;
}

function roseArrow(degrees, name) {
  const [x, y] = onRose(degrees, ROSE_RADIUS + 6), [tx, ty] = onRose(degrees, ROSE_RADIUS + 17);
  return svgNode("g", { class: "rose-" + name },
    svgNode("line", { x1: 0, y1: 0, x2: x, y2: y }),
    svgNode("circle", { cx: tx, cy: ty, r: 9 }),
    svgNode("text", { x: tx, y: ty, dy: "0.35em" }, name === "best" ? "1" : "2"));
}

export function rose(aim) {
  const picture = svgNode("svg", { viewBox: "-126 -126 252 252", class: "rose", role: "img",
    "aria-label": roseWords(aim) },
  [1, ROSE_GOOD, ROSE_FAIR].map((share) => svgNode("circle", {
    class: "rose-ring", cx: 0, cy: 0, r: 10 + (ROSE_RADIUS - 10) * share })),
  rosePetals(aim.rose),
  ["N", "E", "S", "W"].map((wind, i) => {
    const [x, y] = onRose(90 * i, ROSE_RADIUS + 38);
    return svgNode("text", { class: "rose-wind", x, y, dy: "0.35em" }, wind);
  }),
  aim.second_deg === null ? "" : roseArrow(aim.second_deg, "second"),
  roseArrow(aim.heading_deg, "best"));
  return node("figure", {}, picture, node("figcaption", {},
    node("p", {}, "Long solid petals are good headings, striped ones fair, short hollow ones "
      + "bad. 1 is the best heading, 2 the second. North is true north."), roseTable(aim)));
}

function roseTable(aim) {
  const step = aim.rose.length / 16;
  const rows = [];
  for (let i = 0; i < 16; i += 1) {
    const at = Math.round(i * step) % aim.rose.length, score = aim.rose[at];
    const sun = aim.sun_min[at];
    rows.push(node("tr", {}, node("th", { scope: "row" }, i * 22.5 + "°"),
      node("td", {}, score === null ? "not known" : hundredths(score) + ", " + roseClass(score)),
      node("td", {}, sun === undefined || sun === null ? "–" : Math.round(sun) + " min")));
  }
  return node("details", {}, node("summary", {}, "The rose in numbers"),
    node("table", {}, node("thead", {}, node("tr", {}, ["Heading, true", "Points", "Low sun a day"]
      .map((name) => node("th", { scope: "col" }, name)))), node("tbody", {}, rows)));
}

// "Good: 330° to 20°. Bad: 60° to 120° ..." for those who do not see the picture.
function roseWords(aim) {
  const step = 360 / aim.rose.length;
  const kinds = aim.rose.map(roseClass);
  const runs = { good: [], fair: [], bad: [] };
  const start = kinds.findIndex((kind, i) => kind !== kinds[(i + kinds.length - 1) % kinds.length]);
  if (start < 0) return "All headings are " + kinds[0] + ".";
  for (let i = 0; i < kinds.length;) {
    const kind = kinds[(start + i) % kinds.length];
    let n = 1;
    while (i + n < kinds.length && kinds[(start + i + n) % kinds.length] === kind) n += 1;
    const from = (start + i) % kinds.length * step, to = (start + i + n - 1) % kinds.length * step;
    if (runs[kind]) runs[kind].push(from === to ? from + "°" : from + "° to " + to + "°");
    i += n;
  }
  return ["good", "fair", "bad"].filter((kind) => runs[kind].length)
    .map((kind) => kind[0].toUpperCase() + kind.slice(1) + ": " + runs[kind].join(", ") + ".")
    .join(" ") + " Degrees from true north.";
}
